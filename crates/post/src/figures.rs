//! Puts numbers and times into words: display units, the site's clock, and roundings that never favour a limit.
//!
//! Must never print a value as a limit that it has not reached: 54.96 is not "55.0", 71.96 hours are not "72.0".

use pile::time::{Span, Timestamp};
use pile::units::Celsius;
use site::model::Display;
use site::zone::Zone;

/// What stands where a figure cannot be known.
pub(crate) const CANNOT_TELL: &str = "cannot tell";

/// Printed values this close to the true one count as equal to it: below what any probe resolves, above what the conversion of
/// a 32-bit number to °F loses.
const SAME_WITHIN: f64 = 0.002;

/// A temperature with its unit, such as `54.9 °C` or `130.9 °F`.
pub(crate) fn temperature(celsius: f64, display: Display) -> String {
    format!("{} {}", degrees(celsius, display), temperature_sign(display))
}

/// The sign of the unit in which temperatures are shown.
pub(crate) fn temperature_sign(display: Display) -> &'static str {
    match display {
        Display::Metric => "°C",
        Display::Us => "°F",
    }
}

/// The value of a temperature in the unit in which it is shown.
pub(crate) fn shown(celsius: f64, display: Display) -> f64 {
    match display {
        Display::Metric => celsius,
        Display::Us => Celsius(celsius).fahrenheit(),
    }
}

/// A temperature without its unit, to the tenth.
///
/// Limits are whole or half degrees, so a rounding that lands on one of those without being it gets further decimals: 54.96 is
/// printed as 54.96 and 54.9999 as 54.99, never as 55.0.
pub(crate) fn degrees(celsius: f64, display: Display) -> String {
    let value = shown(celsius, display);
    if !value.is_finite() {
        return CANNOT_TELL.into();
    }
    for decimals in 1..=3_usize {
        let printed = format!("{value:.decimals$}");
        let read_back: f64 = printed.parse().unwrap_or(value);
        let on_a_limit = (read_back * 2.0).fract() == 0.0;
        if !on_a_limit || (read_back - value).abs() <= SAME_WITHIN {
            return if printed.starts_with("-0.0") && read_back == 0.0 {
                printed.replacen('-', "", 1)
            } else {
                printed
            };
        }
    }
    format!("{value:.3}")
}

/// A temperature without its unit, to the tenth, cut off and not rounded: it never reads as a limit that it has not reached.
pub(crate) fn cut(celsius: f64, display: Display) -> String {
    let value = shown(celsius, display);
    if !value.is_finite() {
        return CANNOT_TELL.into();
    }
    let tenths = ((value + SAME_WITHIN) * 10.0).floor() / 10.0;
    // No minus before nothing.
    format!("{:.1}", tenths + 0.0)
}

/// Hours to the tenth, cut off and not rounded: 71.96 h is `71.9 h`.
pub(crate) fn hours(span: Span) -> String {
    let tenths = span.as_millis().max(0) / 360_000;
    format!("{}.{} h", tenths / 10, tenths % 10)
}

/// A share in percent to the tenth, cut off and not rounded: 0.9997 is `99.9 %`.
pub(crate) fn percent(share: f64) -> String {
    if !share.is_finite() {
        return CANNOT_TELL.into();
    }
    // A product such as 0.07 × 1000 falls a hair below the whole number; the small addend keeps it from losing a tenth.
    let tenths = (share.clamp(0.0, 1.0) * 1_000.0 + 1e-9).floor() as i64;
    format!("{}.{} %", tenths / 10, tenths % 10)
}

/// `3 times`, but `once` for one.
pub(crate) fn times(n: u32) -> String {
    match n {
        1 => "once".into(),
        2 => "twice".into(),
        n => format!("{n} times"),
    }
}

/// `1 bin`, `2 bins`.
pub(crate) fn count(n: u64, one: &str, many: &str) -> String {
    format!("{n} {}", if n == 1 { one } else { many })
}

/// An instant with its offset, such as `Tue 10 Mar 04:40 +01:00`.
pub(crate) fn when(zone: &Zone, at: Timestamp) -> String {
    format!("{} {}", zone.show_short(at), offset(zone, at))
}

/// An instant in a mail of which the foot names the zone and its offset at `near`: `Tue 10 Mar 04:40`, with an offset of its own only
/// where the clocks were changed in between.
pub(crate) fn short(zone: &Zone, at: Timestamp, near: Timestamp) -> String {
    match offset(zone, at) == offset(zone, near) {
        true => zone.show_short(at),
        false => when(zone, at),
    }
}

/// An instant to the second with year and offset, for the facts: `2026-03-10 04:40:12 +01:00`.
pub(crate) fn exactly(zone: &Zone, at: Timestamp) -> String {
    zone.at(at).strftime("%Y-%m-%d %H:%M:%S %:z").to_string()
}

/// The offset of the site's clocks from UTC at an instant, such as `+01:00`.
pub(crate) fn offset(zone: &Zone, at: Timestamp) -> String {
    zone.at(at).strftime("%:z").to_string()
}

/// A Date header as RFC 5322 section 3.3 writes it, with the numeric offset of the site's zone.
pub(crate) fn date_header(zone: &Zone, at: Timestamp) -> String {
    zone.at(at).strftime("%a, %d %b %Y %H:%M:%S %z").to_string()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn temperatures_are_never_rounded_onto_a_limit() {
        for (celsius, display, want, why) in [
            (54.96, Display::Metric, "54.96", "below the limit by less than the printed step"),
            (55.04, Display::Metric, "55.04", "above it by as little"),
            (55.0, Display::Metric, "55.0", "on it"),
            (54.94, Display::Metric, "54.9", "rounds to no limit"),
            (54.9962, Display::Metric, "54.996", "needs three decimals"),
            (64.48, Display::Metric, "64.48", "half degrees are limits too"),
            (55.0, Display::Us, "131.0", "131 °F"),
            (54.98, Display::Us, "130.96", "not 131.0"),
            (f64::from(54.444_445_f32), Display::Us, "130.0", "what a 32-bit number loses is not a difference"),
            (-0.001, Display::Metric, "0.0", "no minus before zero"),
            (f64::NAN, Display::Metric, "cannot tell", "not a number is not a temperature"),
        ] {
            assert_eq!(degrees(celsius, display), want, "{celsius}: {why}");
        }
    }

    #[test]
    fn hours_and_shares_are_cut_off() {
        for (span, want) in [
            (Span::from_seconds_f64(71.96 * 3600.0), "71.9 h"),
            (Span::hours(72), "72.0 h"),
            (Span::hours(72) - Span::millis(1), "71.9 h"),
            (Span::ZERO, "0.0 h"),
        ] {
            assert_eq!(hours(span), want);
        }
        for (share, want) in
            [(0.9997, "99.9 %"), (1.0, "100.0 %"), (0.07, "7.0 %"), (0.0, "0.0 %"), (f64::NAN, "cannot tell")]
        {
            assert_eq!(percent(share), want);
        }
    }

    #[test]
    fn times_carry_the_offset_of_their_own_day() {
        let zone = Zone::named("Europe/Berlin").unwrap();
        for (ms, want) in [
            (1_773_110_400_000, "Tue, 10 Mar 2026 03:40:00 +0100"),
            (1_784_000_400_000, "Tue, 14 Jul 2026 05:40:00 +0200"),
        ] {
            assert_eq!(date_header(&zone, Timestamp::from_millis(ms)), want);
        }
    }
}
