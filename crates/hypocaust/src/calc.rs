//! `hypocaust calc`: the science of `pile` for a person or a script, one question each.
//!
//! Must never compute anything about compost itself, nor print a figure on the other side of its limit.

mod air;
mod readings;
mod series_file;
mod stability;
mod water;

use std::cmp::Ordering;
use std::fmt::Write;

use pile::exhaust::duty;
use pile::humid_air::pressure_at;
use pile::units::{Fraction, Pascals};
use serde_json::Value;
use site::measure::{CUBIC_METRES_PER_CUBIC_FOOT, JOULES_PER_BTU};
use site::model::Display;
use site::recipe::{KILOGRAMS_PER_POUND, LITRES_PER_GALLON};

use crate::cli::DisplayUnits;
use crate::cli::calc::{Barometer, CalcCommand, Form, Pulses};
use crate::commands::CommandError;

/// The standard atmosphere at sea level.
const SEA_LEVEL: Pascals = Pascals(101_325.0);
/// What a value may be off its limit by and still be on it, relative.
const ROUNDING: f64 = 1e-12;
/// Longest line of a sentence: help is wrapped a little beyond.
const COLUMNS_MAX: usize = 96;
/// Most decimals that a figure is given to lie on its own side of a limit.
const DECIMALS_MAX: usize = 9;

/// Computes what is asked and prints it.
///
/// # Errors
/// [`CommandError::Usage`] for arguments of which nothing can be computed; [`CommandError::Refused`] for such a file.
pub fn print(command: &CalcCommand) -> Result<(), CommandError> {
    let (form, answer) = match command {
        CalcCommand::Air(args) => (args.form, air::air(args)?),
        CalcCommand::Exhaust(args) => (args.form, air::exhaust(args)?),
        CalcCommand::Condensate(args) => (args.form, air::condensate(args)?),
        CalcCommand::Surface(args) => (args.form, air::surface(args)?),
        CalcCommand::Duty(args) => (args.form, air::duty_needs(args)?),
        CalcCommand::Series(args) => (args.form, readings::series(args)?),
        CalcCommand::Lethality(args) => (args.form, readings::lethality(args)?),
        CalcCommand::DTime(args) => (args.form, readings::d_time(args)?),
        CalcCommand::Water(args) => (args.form, water::water(args)?),
        CalcCommand::Stability(args) => (args.form, stability::stability(args)?),
    };
    answer.print(form)
}

/// What a command found, for people and for scripts.
struct Answer {
    text: Lines,
    json: Value,
}

impl Answer {
    fn print(&self, form: Form) -> Result<(), CommandError> {
        if form.json {
            let json =
                serde_json::to_string_pretty(&self.json).map_err(|error| CommandError::Refused(error.to_string()))?;
            println!("{json}");
        } else {
            print!("{}", self.text.laid_out());
        }
        Ok(())
    }
}

/// Lines for people: names in one column and what they are in the next, and sentences.
#[derive(Default)]
struct Lines(Vec<Line>);

enum Line {
    Pair(String, String),
    Sentence(String),
}

impl Lines {
    fn pair(&mut self, name: &str, value: String) {
        self.0.push(Line::Pair(name.to_owned(), value));
    }

    fn say(&mut self, sentence: impl Into<String>) {
        self.0.push(Line::Sentence(sentence.into()));
    }

    fn laid_out(&self) -> String {
        let width = self.0.iter().map(|line| if let Line::Pair(name, _) = line { name.chars().count() } else { 0 });
        let width = width.max().unwrap_or(0);
        let mut out = String::new();
        for line in &self.0 {
            let _ = match line {
                Line::Pair(name, value) => writeln!(out, "{name:width$}  {value}"),
                Line::Sentence(sentence) => writeln!(out, "{}", wrapped(sentence)),
            };
        }
        out
    }
}

fn wrapped(sentence: &str) -> String {
    let (mut out, mut column) = (String::new(), 0);
    for word in sentence.split(' ') {
        let long = word.chars().count();
        if column > 0 && column + 1 + long > COLUMNS_MAX {
            out.push('\n');
            column = 0;
        } else if column > 0 {
            out.push(' ');
            column += 1;
        }
        out.push_str(word);
        column += long;
    }
    out
}

/// Figures in the units that people asked for.
#[derive(Clone, Copy)]
struct Shown(DisplayUnits);

impl Shown {
    fn of(form: Form) -> Shown {
        Shown(form.units)
    }

    fn temperature(self, celsius: f64, decimals: usize) -> String {
        self.temperature_beside(celsius, decimals, &[])
    }

    /// The temperature, never rounded onto one of `limits`, in °C.
    fn temperature_beside(self, celsius: f64, decimals: usize, limits: &[f64]) -> String {
        match self.0 {
            DisplayUnits::Metric => format!("{} °C", beside(celsius, decimals, limits, |c| c)),
            DisplayUnits::Us => format!("{} °F", beside(celsius, decimals, limits, |c| c * 1.8 + 32.0)),
        }
    }

    /// A difference, never rounded onto zero.
    fn difference(self, kelvin: f64, decimals: usize) -> String {
        match self.0 {
            DisplayUnits::Metric => format!("{} K", beside(kelvin, decimals, &[0.0], |k| k)),
            DisplayUnits::Us => format!("{} °F", beside(kelvin, decimals, &[0.0], |k| k * 1.8)),
        }
    }

    fn water(self, litres: f64, decimals: usize) -> String {
        match self.0 {
            DisplayUnits::Metric => format!("{} L", plain(litres, decimals)),
            DisplayUnits::Us => format!("{} gal", plain(litres / LITRES_PER_GALLON, decimals)),
        }
    }

    fn mass(self, kilograms: f64, decimals: usize) -> String {
        match self.0 {
            DisplayUnits::Metric => format!("{} kg", plain(kilograms, decimals)),
            DisplayUnits::Us => format!("{} lb", plain(kilograms / KILOGRAMS_PER_POUND, decimals)),
        }
    }

    fn flow(self, cubic_metres_per_hour: f64) -> String {
        match self.0 {
            DisplayUnits::Metric => format!("{} m³/h", plain(cubic_metres_per_hour, 1)),
            DisplayUnits::Us => {
                format!("{} cfm", plain(cubic_metres_per_hour / (CUBIC_METRES_PER_CUBIC_FOOT * 60.0), 1))
            }
        }
    }

    fn heat(self, watts: f64) -> String {
        match self.0 {
            DisplayUnits::Metric => format!("{} W", plain(watts, 0)),
            DisplayUnits::Us => format!("{} BTU/h", plain(watts * 3_600.0 / JOULES_PER_BTU, 0)),
        }
    }
}

/// A value, shown through `scale`, with as many decimals as it takes to lie on the same side of each limit as it does.
fn beside(value: f64, usual: usize, limits: &[f64], scale: impl Fn(f64) -> f64) -> String {
    let shown = |decimals: usize| plain(scale(value), decimals);
    let same_side = |decimals: &usize| {
        let read: f64 = shown(*decimals).parse().unwrap_or(f64::NAN);
        limits.iter().all(|limit| side(read, scale(*limit)) == side(value, *limit))
    };
    shown((usual..DECIMALS_MAX).find(same_side).unwrap_or(DECIMALS_MAX))
}

/// On which side of a limit a value lies; what sums and units round away is on it.
fn side(value: f64, limit: f64) -> Ordering {
    let off = value - limit;
    if off.abs() <= ROUNDING * limit.abs().max(1.0) { Ordering::Equal } else { off.total_cmp(&0.0) }
}

/// A part of a whole in percent, never rounded onto one of `limits`, which are fractions.
fn percent(fraction: f64, decimals: usize, limits: &[f64]) -> String {
    format!("{} %", beside(fraction, decimals, limits, |f| f * 100.0))
}

/// The number with its decimals, without a minus before nothing.
fn plain(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    if text.trim_start_matches('-').chars().all(|c| c == '0' || c == '.') {
        return text.trim_start_matches('-').to_owned();
    }
    text
}

/// Seconds as `71 h 58 min 20 s`; parts of a second are dropped, so that a time never seems longer than it was.
fn hours(seconds: f64) -> String {
    let whole = seconds.max(0.0).floor() as u64;
    let (h, min, s) = (whole / 3_600, whole / 60 % 60, whole % 60);
    match (h, min) {
        (0, 0) => format!("{s} s"),
        (0, _) => format!("{min} min {s} s"),
        _ => format!("{h} h {min} min {s} s"),
    }
}

fn display(units: DisplayUnits) -> Display {
    match units {
        DisplayUnits::Metric => Display::Metric,
        DisplayUnits::Us => Display::Us,
    }
}

fn pressure(barometer: &Barometer) -> Result<Pascals, CommandError> {
    match (barometer.pascals, barometer.elevation_metres) {
        (Some(pascals), _) => Ok(pascals),
        (None, Some(metres)) => pressure_at(metres).map_err(usage),
        (None, None) => Ok(SEA_LEVEL),
    }
}

fn duty_of(pulses: &Pulses) -> Result<Fraction, CommandError> {
    match (pulses.duty_fraction, pulses.on, pulses.every) {
        (Some(fraction), ..) => Ok(fraction),
        (None, Some(on), Some(every)) => duty(on, every).map_err(usage),
        _ => Ok(Fraction(1.0)),
    }
}

/// An argument of which nothing can be computed.
fn usage(error: impl std::error::Error) -> CommandError {
    CommandError::Usage(error.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_figure_keeps_to_its_side_of_a_limit() {
        for (value, limit, want, why) in [
            (55.0, 55.0, "55.0", "on the limit is printed as the limit"),
            (54.96, 55.0, "54.96", "just under shows that it is under"),
            (55.004, 55.0, "55.004", "just over shows that it is over"),
            (48.26, 55.0, "48.3", "far from it a tenth will do"),
            (-0.004, 0.0, "-0.004", "below nothing"),
            (0.1 + 0.2, 0.3, "0.3", "rounding of sums is no side"),
        ] {
            assert_eq!(beside(value, 1, &[limit], |v| v), want, "{why}");
        }
        assert_eq!(beside(54.99, 0, &[55.0], |c| c * 1.8 + 32.0), "130.98", "in Fahrenheit the limit is 131");
        assert_eq!(percent(0.55, 0, &[0.55]), "55 %", "0.55 times 100 is not 55 in binary");
    }

    #[test]
    fn a_time_never_seems_longer_than_it_was() {
        for (seconds, want) in
            [(259_199.999, "71 h 59 min 59 s"), (259_200.0, "72 h 0 min 0 s"), (59.9, "59 s"), (61.0, "1 min 1 s")]
        {
            assert_eq!(hours(seconds), want);
        }
    }

    #[test]
    fn nothing_has_no_sign() {
        assert_eq!((plain(-0.04, 1), plain(-0.06, 1)), ("0.0".into(), "-0.1".into()));
    }
}
