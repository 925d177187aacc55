//! Prints facts in the units that the site shows.
//!
//! Must never round toward a limit that is being judged: 54.96 °C against 55 °C prints as 54.9, not as 55.0.

use pile::time::Span;
use pile::units::Decimals;
use site::model::Display;
use site::quantity::Unit;

use crate::fact::{Fact, Kind};

/// 1 US gallon in litres, NIST SP 811 (2008) appendix B.8 (exact).
pub(crate) const LITRES_PER_GALLON: f64 = 3.785_411_784;
/// Degrees Fahrenheit to the kelvin, for differences.
pub(crate) const FAHRENHEIT_PER_KELVIN: f64 = 1.8;

/// Slopes and differences come from readings that windows keep as f32: closer to a limit than this they are on it.
const SLOPE_NOISE: f64 = 1e-5;

/// A temperature as rules show it, in the site's units.
pub fn temperature(celsius: f64, display: Display) -> String {
    worded(&Fact::known(Kind::Temperature, celsius), display, &[])
}

/// The fact with its unit; `limits` are the values it may be judged against.
pub(crate) fn worded(fact: &Fact, display: Display, limits: &[(Kind, f64)]) -> String {
    let value = match fact.value {
        Ok(value) => value,
        Err(_) => return "unknown".into(),
    };
    let limits = limits.iter().filter(|(kind, _)| *kind == fact.kind).map(|(_, limit)| *limit);
    if fact.kind == Kind::Time {
        return length(value, limits);
    }
    let shown = Shown::of(fact.kind, display);
    let value_text = shown.number(value, limits);
    if shown.unit.is_empty() { value_text } else { format!("{value_text} {}", shown.unit) }
}

/// How one kind is shown: displayed = value × factor + offset.
struct Shown {
    factor: f64,
    offset: f64,
    decimals: i32,
    unit: String,
    /// Rates and differences are also told by their magnitude, so a limit holds on both sides of zero.
    both_sides: bool,
}

impl Shown {
    fn of(kind: Kind, display: Display) -> Shown {
        let plain =
            |factor: f64, unit: &str| Shown { factor, offset: 0.0, decimals: 1, unit: unit.into(), both_sides: false };
        match (kind, display) {
            (Kind::Number, _) => plain(1.0, ""),
            (Kind::Temperature, Display::Metric) => plain(1.0, "°C"),
            (Kind::Temperature, Display::Us) => Shown { offset: 32.0, ..plain(FAHRENHEIT_PER_KELVIN, "°F") },
            (Kind::TemperatureChange, Display::Metric) => Shown { both_sides: true, ..plain(1.0, "K") },
            (Kind::TemperatureChange, Display::Us) => Shown { both_sides: true, ..plain(FAHRENHEIT_PER_KELVIN, "°F") },
            (Kind::TemperatureRate, Display::Metric) => Shown { both_sides: true, ..plain(1.0, "K/d") },
            (Kind::TemperatureRate, Display::Us) => Shown { both_sides: true, ..plain(FAHRENHEIT_PER_KELVIN, "°F/d") },
            (Kind::Share, _) => plain(100.0, "%"),
            (Kind::Volume, Display::Metric) => plain(1.0, "L"),
            (Kind::Volume, Display::Us) => plain(1.0 / LITRES_PER_GALLON, "gal"),
            // The factors are the inverses of those in `site::quantity`.
            (Kind::Amount(Unit::CubicMetrePerHour), Display::Us) => plain(1.0 / (0.028_316_846_592 * 60.0), "cfm"),
            (Kind::Amount(Unit::Pascal), Display::Us) => Shown { decimals: 2, ..plain(1.0 / 249.088_91, "inH2O") },
            (Kind::Amount(unit), _) => plain(1.0, unit.sign()),
            (Kind::AmountRate(unit), _) => Shown { both_sides: true, ..plain(1.0, &format!("{}/d", unit.sign())) },
            (Kind::Time, _) => plain(1.0, "s"),
        }
    }

    fn number(&self, value: f64, limits: impl Iterator<Item = f64>) -> String {
        let scale = libm::pow(10.0, f64::from(self.decimals));
        let shown = value * self.factor + self.offset;
        let mut rounded = (shown * scale).round() / scale;
        for limit in limits.flat_map(|l| if self.both_sides { [l, -l] } else { [l, l] }) {
            if self.both_sides && (value - limit).abs() < SLOPE_NOISE {
                continue;
            }
            let limit_shown = limit * self.factor + self.offset;
            if value < limit && rounded >= limit_shown - 1e-9 {
                rounded = (shown * scale).floor() / scale;
            } else if value > limit && rounded <= limit_shown + 1e-9 {
                rounded = (shown * scale).ceil() / scale;
            }
        }
        // Adding zero turns a negative zero into a plain one.
        let rounded = if rounded.is_finite() { rounded } else { shown } + 0.0;
        if self.unit.is_empty() && rounded.fract() == 0.0 && rounded.abs() < 1e15 {
            return format!("{rounded:.0}");
        }
        let decimals = usize::try_from(self.decimals).unwrap_or(1);
        Decimals(rounded, decimals).to_string()
    }
}

/// A length of time in its two largest units: cut down, or up where cutting down would reach a limit that it is above.
fn length(seconds: f64, limits: impl Iterator<Item = f64>) -> String {
    let step = |s: f64| match s.abs() {
        s if s < 60.0 => 1.0,
        s if s < 86_400.0 => 60.0,
        _ => 3_600.0,
    };
    let step = step(seconds);
    // A millisecond is the resolution of our time: less is noise of the arithmetic.
    let mut cut = ((seconds + 0.000_5) / step).floor() * step;
    for limit in limits {
        if seconds > limit + 0.001 && cut <= limit {
            cut += step;
        }
    }
    Span::from_seconds_f64(cut).to_string()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_are_shown_in_the_sites_units_and_never_rounded_toward_a_limit() {
        use Display::{Metric, Us};
        let (c, k, r, t) = (Kind::Temperature, Kind::TemperatureChange, Kind::TemperatureRate, Kind::Time);
        for (kind, value, limit, display, want, why) in [
            (c, 54.96, 55.0, Metric, "54.9 °C", "just under the limit stays under it"),
            (c, 1e308, 55.0, Metric, "1e308 °C", "nobody reads three hundred digits"),
            (Kind::Number, -1e300, 55.0, Metric, "-1e300", "nor of a bare number"),
            (c, 55.04, 55.0, Metric, "55.1 °C", "just over the limit stays over it"),
            (c, 55.0, 55.0, Metric, "55.0 °C", "exactly on the limit"),
            (c, 54.96, 70.0, Metric, "55.0 °C", "a limit far away does not matter"),
            (c, 54.999, 55.0, Us, "130.9 °F", "131 °F is the limit"),
            (c, 55.0, 55.0, Us, "131.0 °F", "exactly on it"),
            (c, 70.01, 70.0, Us, "158.1 °F", "just over 158 °F"),
            (k, 5.0, 0.0, Us, "9.0 °F", "differences have no offset"),
            (r, -5.58, 5.6, Metric, "-5.5 K/d", "a fall just short of the limit, told with its sign"),
            (r, -5.62, 5.6, Metric, "-5.7 K/d", "a fall just past the limit"),
            (r, 5.62, -5.6, Metric, "5.7 K/d", "the same told by its magnitude"),
            (r, -5.600_000_4, 5.6, Metric, "-5.6 K/d", "the noise of single precision is not past the limit"),
            (r, 8.3, 0.0, Us, "14.9 °F/d", "8.3 K/d"),
            (t, 259_199.0, 259_200.0, Metric, "2 d 23 h", "a second short of three days"),
            (t, 259_200.0, 259_200.0, Metric, "3 d", "three days"),
            (t, 259_300.0, 259_200.0, Metric, "3 d 1 h", "over three days is not cut down to the limit"),
            (t, 90.0, 1e9, Metric, "1 min", "cut down where no limit is near"),
            (Kind::Share, 0.496, 0.5, Metric, "49.6 %", "shares print as percent"),
            (Kind::Share, 0.499_9, 0.5, Metric, "49.9 %", "not 50.0"),
            (Kind::Volume, 100.0, 0.0, Us, "26.4 gal", "US gallons"),
            (Kind::Number, 3.0, 0.0, Metric, "3", "whole numbers have no decimals"),
            (Kind::Number, -0.01, 9.0, Metric, "0", "no negative zero"),
            (Kind::Amount(Unit::Percent), 39.96, 40.0, Metric, "39.9 %", "moisture"),
        ] {
            assert_eq!(worded(&Fact::known(kind, value), display, &[(kind, limit)]), want, "{why}");
        }
        assert_eq!(worded(&Fact::unknown(c, "silent"), Metric, &[]), "unknown");
    }
}
