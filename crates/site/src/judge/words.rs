//! Figures of a judgement as text: times by the site's clock, temperatures that never look as if they were beyond a limit.
//!
//! Must never print a temperature on the other side of the limit that it is judged by.

use pile::time::Timestamp;
use pile::units::{Celsius, Decimals, Kelvin, Readable, converted};

use super::exact::Length;
use crate::criteria::{Counting, Floor, Hold};
use crate::model::Display;
use crate::zone::Zone;

/// How figures are shown.
#[derive(Clone, Copy, Debug)]
pub(super) struct Words<'t> {
    /// The site's clock.
    pub(super) zone: &'t Zone,
    /// The site's units.
    pub(super) display: Display,
}

/// More digits than a measured temperature ever has.
const DIGITS_MAX: usize = 6;

impl Words<'_> {
    pub(super) fn at(&self, at: Timestamp) -> String {
        self.zone.show(at)
    }

    /// A measured temperature beside its limit.
    pub(super) fn measured(&self, celsius: f64, limit: f64) -> String {
        let (value, limit, sign) = match self.display {
            Display::Metric => (celsius, limit, "°C"),
            Display::Us => (Celsius(celsius).fahrenheit(), Celsius(limit).fahrenheit(), "°F"),
        };
        format!("{} {sign}", beside(value, limit))
    }

    /// A temperature with all the digits that it was sent with, and at least one.
    pub(super) fn plain(&self, celsius: Celsius) -> String {
        let (value, sign) = match self.display {
            Display::Metric => (celsius.0, "°C"),
            Display::Us => (celsius.fahrenheit(), "°F"),
        };
        // Nothing below nothing is nothing, and what a conversion leaves beyond fifteen digits is none of the probe's.
        let value = converted(value) + 0.0;
        if value.fract() == 0.0 { format!("{value:.1} {sign}") } else { format!("{value} {sign}") }
    }

    /// A difference of temperatures, with its sign.
    pub(super) fn difference(&self, kelvin: Kelvin) -> String {
        let (value, sign) = match self.display {
            Display::Metric => (kelvin.0, "°C"),
            Display::Us => (kelvin.0 * 1.8, "°F"),
        };
        let text = format!("{value:+.3}");
        format!("{} {sign}", text.trim_end_matches('0').trim_end_matches('.'))
    }

    pub(super) fn limit(&self, celsius: f64) -> String {
        let (value, sign) = match self.display {
            Display::Metric => (celsius, "°C"),
            Display::Us => (Celsius(celsius).fahrenheit(), "°F"),
        };
        // A conversion leaves digits of which none means anything.
        let text = Decimals(value, 3).to_string();
        if text.contains('e') {
            return format!("{text} {sign}");
        }
        format!("{} {sign}", text.trim_end_matches('0').trim_end_matches('.'))
    }

    pub(super) fn hold(&self, hold: &Hold) -> String {
        let floor = match hold.floor {
            Floor::AtLeast(limit) => format!("at or above {}", self.limit(limit.0)),
            Floor::Above(limit) => format!("above {}", self.limit(limit.0)),
        };
        match hold.ceiling {
            Some(ceiling) => format!("{floor} and at most {}", self.limit(ceiling.0)),
            None => floor,
        }
    }
}

/// A number with one decimal, or with as many as it takes to stand on its own side of the limit.
pub fn beside(value: f64, limit: f64) -> String {
    if value.abs() >= 1e15 {
        return Readable(value).to_string();
    }
    // Nothing below nothing is nothing.
    let positive = |text: String| if text.parse() == Ok(0.0) { text.trim_start_matches('-').to_owned() } else { text };
    (1..=DIGITS_MAX)
        .map(|digits| positive(format!("{value:.digits$}")))
        .find(|text| text.parse::<f64>().ok().and_then(|shown| shown.partial_cmp(&limit)) == value.partial_cmp(&limit))
        .unwrap_or_else(|| positive(format!("{value}")))
}

/// Hours of a length, never rounded up to those needed.
pub(super) fn counted_hours(counted: &Length, needed_ms: i64) -> String {
    hours(counted.hours(needed_ms), needed_ms as f64 / 3.6e6)
}

/// Hours that are asked for.
pub(super) fn needed_hours(needed_ms: i64) -> String {
    let needed = needed_ms as f64 / 3.6e6;
    hours(needed, needed)
}

fn hours(counted: f64, needed: f64) -> String {
    // Minutes would vanish in one decimal.
    let least = if counted < 1.0 && counted > 0.0 { 2 } else { 1 };
    let cut = |digits: usize| rounded_down(counted, digits);
    (least..=DIGITS_MAX)
        .map(cut)
        .find(|text| text.parse::<f64>().is_ok_and(|shown| (shown >= needed) == (counted >= needed)))
        .unwrap_or_else(|| cut(least))
}

/// A number of hours cut to so many decimals: what counts is never rounded up, and is the same wherever it is printed.
fn rounded_down(hours: f64, digits: usize) -> String {
    let scale = 10_f64.powi(digits as i32);
    // A number such as 179.8 is a hair below itself in binary; the addend is less than a thousandth of a second.
    let cut = (hours.max(0.0) * scale + 1e-7).floor() / scale;
    format!("{cut:.digits$}")
}

pub(super) fn counting(counting: Counting) -> &'static str {
    match counting {
        Counting::Consecutive => "without interruption",
        Counting::Unspecified => "without interruption (the text does not say; this is the stricter reading)",
        Counting::Cumulative => "in all",
        Counting::AsContiguous(_) => "as contiguous as possible",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_temperature_is_never_printed_on_the_other_side_of_its_limit() {
        for (value, limit, want, why) in [
            (54.96, 55.0, "54.96", "55.0 would pass"),
            (55.04, 55.0, "55.04", "55.0 is not above 55"),
            (55.0, 55.0, "55.0", "on the limit is on the limit"),
            (54.9, 55.0, "54.9", "one decimal is enough"),
            (130.9, 131.0, "130.9", "never 131"),
            (130.999, 131.0, "130.999", "never 131.0"),
            (76.72, 76.7, "76.72", "above the ceiling stays above it"),
            (54.999_999_9, 55.0, "54.9999999", "all its digits, where six are not enough"),
            (-0.0, 55.0, "0.0", "minus nothing is nothing"),
            (-0.04, 55.0, "0.0", "and so is what rounds to it"),
            (-0.04, 0.0, "-0.04", "but not across a limit of nothing"),
        ] {
            assert_eq!(beside(value, limit), want, "{why}");
        }
    }
}
