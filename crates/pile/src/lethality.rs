//! Pathogen arithmetic of 40 CFR 503: the time-temperature equations of 503.32(a)(3), and the floor and mean
//! temperature that 503.33(b)(5) asks for.
//!
//! Must never say whether a batch complies: see [`INFORMATION_ONLY`].
//!
//! D = coefficient / 10^(0.14 t) is the time in days that sludge must be kept at t °C. The coefficients, regimes, floors
//! and the limit of 50 °C are those that 15A NCAC 02T .1106 repeats; the federal section itself is from memory.
//!
//! Time at temperature for criteria of the form "55 °C or higher for three days" is [`crate::above::account`]: its
//! longest run is the consecutive time, its time at or above the cumulative one. Time inside a band up to and including
//! t °C is the time at or above its lower edge less the time strictly above t.

use crate::above::{Level, account, level, stretches};
use crate::series::Series;
use crate::time::{Span, Timestamp};
use crate::units::{Celsius, Days, readable};

/// What has to stand beside every figure of this module.
pub const INFORMATION_ONLY: &str = "For information only, never proof of compliance: 40 CFR 503.32(a)(3) speaks of a \
    temperature kept at one value for a time. Adding up parts over a changing temperature is an engineering extension \
    of that text, and its tests for faecal coliform or Salmonella remain necessary.";

/// Below this the equations say nothing, and time below it adds nothing (40 CFR 503.32(a)(3)).
pub const CELSIUS_MIN: f64 = 50.0;
/// Above this no wet material at the pressure of the air stays; the rule names no upper limit.
pub const CELSIUS_MAX: f64 = 100.0;
/// The time over which 503.33(b)(5) asks for floor and mean.
pub const VECTOR_SPAN: Span = Span::days(14);
/// Every temperature of the 14 days must be above this (40 CFR 503.33(b)(5)).
pub const VECTOR_FLOOR: Celsius = Celsius(40.0);
/// The mean of the 14 days must be above this (40 CFR 503.33(b)(5)).
pub const VECTOR_MEAN: Celsius = Celsius(45.0);

const ABSOLUTE_ZERO_CELSIUS: f64 = -273.15;
const DECADES_PER_KELVIN: f64 = 0.14;
const DAYS_PER_MS: f64 = 1.0 / 86_400_000.0;

/// Which of the four equations of 40 CFR 503.32(a)(3)(ii) holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Regime {
    /// (A) At least 7 % solids; at least 20 minutes. The general case and the one that fits compost.
    Solids,
    /// (B) At least 7 % solids in small particles heated by warmed gases or an immiscible liquid; at least 15 seconds.
    SmallParticles,
    /// (C) Less than 7 % solids, kept for at least 15 seconds and less than 30 minutes.
    LiquidBriefly,
    /// (D) Less than 7 % solids, kept for at least 30 minutes.
    Liquid,
}

impl Regime {
    fn coefficient(self) -> f64 {
        match self {
            Regime::Solids | Regime::SmallParticles | Regime::LiquidBriefly => 131_700_000.0,
            Regime::Liquid => 50_070_000.0,
        }
    }

    /// The shortest time that counts, however hot.
    pub fn floor(self) -> Days {
        Days(match self {
            Regime::Solids => 20.0 / 1_440.0,
            Regime::SmallParticles | Regime::LiquidBriefly => 15.0 / 86_400.0,
            Regime::Liquid => 30.0 / 1_440.0,
        })
    }
}

/// What the equations cannot be asked.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum LethalityError {
    /// The equations say nothing about this temperature.
    #[error(
        "{celsius} °C is outside the {CELSIUS_MIN} to {CELSIUS_MAX} °C of the time-temperature equations; below \
         {CELSIUS_MIN} °C no time is long enough", celsius = readable(.celsius))]
    Equation {
        /// The temperature given, °C.
        celsius: f64,
    },
    /// No pile has this temperature.
    #[error(
        "a temperature of {celsius} °C is outside the {ABSOLUTE_ZERO_CELSIUS} to {CELSIUS_MAX} °C of a wet pile; leave \
         the reading out or correct it", celsius = readable(.celsius))]
    Temperature {
        /// The temperature given, °C.
        celsius: f64,
    },
    /// Regime C holds for less than 30 minutes only.
    #[error(
        "at {celsius} °C the equation asks for {} min, but sludge of less than 7 % solids kept for 30 min or more falls \
         under the other equation; ask for regime D", days * 1_440.0, celsius = readable(.celsius))]
    TooLong {
        /// The temperature given, °C.
        celsius: f64,
        /// The time by the equation, d.
        days: f64,
    },
    /// A step of a profile lasts less than no time.
    #[error("step {} of the profile lasts {} s; give zero or more", index + 1, length.as_seconds())]
    Length {
        /// The place of the step, from zero.
        index: usize,
        /// The length given.
        length: Span,
    },
    /// The time asked about ends before it begins.
    #[error("the time asked about ends {} s before it begins; exchange its ends", by.as_seconds())]
    Backwards {
        /// By how much.
        by: Span,
    },
}

/// The time D by the equation alone, without its floor: the time to be kept at `t`, 50 to 100 °C.
///
/// # Errors
/// [`LethalityError::Equation`] outside that range or for a value that is not a number.
pub fn time_by_equation(t: Celsius, regime: Regime) -> Result<Days, LethalityError> {
    // Written so that a value that is not a number fails the test.
    if !(CELSIUS_MIN..=CELSIUS_MAX).contains(&t.0) {
        return Err(LethalityError::Equation { celsius: t.0 });
    }
    Ok(Days(1.0 / rate(t.0, regime)))
}

/// The time required at `t`, 50 to 100 °C: by the equation, and at least the floor of the regime.
///
/// # Errors
/// [`LethalityError::Equation`] outside that range or for a value that is not a number; [`LethalityError::TooLong`]
/// where regime C would need 30 minutes or more, which is up to 70.01 °C.
pub fn required_time(t: Celsius, regime: Regime) -> Result<Days, LethalityError> {
    let Days(days) = time_by_equation(t, regime)?;
    if regime == Regime::LiquidBriefly && days * 1_440.0 >= 30.0 {
        return Err(LethalityError::TooLong { celsius: t.0, days });
    }
    Ok(Days(days.max(regime.floor().0)))
}

/// A step of a profile: one temperature, kept for a time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Hold {
    /// How long.
    pub length: Span,
    /// How hot.
    pub celsius: Celsius,
}

/// The parts of the required time that a profile adds up to. Show [`INFORMATION_ONLY`] beside them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Exposure {
    /// Time that the profile covers, s.
    pub covered_s: f64,
    /// Time at 50 °C or more, s.
    pub at_or_above_50_s: f64,
    /// The sum of dt / D over that time, regime A; one or more if the required time is reached. It may exceed one.
    pub fraction: f64,
    /// The same with D never less than the floor of 20 minutes, which acts above 71.264 °C.
    pub fraction_with_floor: f64,
}

/// The exposure over steps of constant temperature, regime A. Steps below 50 °C add nothing but their length.
///
/// # Errors
/// [`LethalityError::Length`] for a step shorter than nothing; [`LethalityError::Temperature`] below absolute zero, above
/// 100 °C or for a value that is not a number.
pub fn over_holds(holds: &[Hold]) -> Result<Exposure, LethalityError> {
    let mut sum = Sum::default();
    let mut covered_ms = 0.0;
    for (index, Hold { length, celsius }) in holds.iter().copied().enumerate() {
        if length < Span::ZERO {
            return Err(LethalityError::Length { index, length });
        }
        check_temperature(celsius.0)?;
        let ms = length.as_millis() as f64;
        covered_ms += ms;
        if celsius.0 >= CELSIUS_MIN {
            sum.add(ms, celsius.0, celsius.0);
        }
    }
    Ok(sum.exposure(covered_ms / 1e3))
}

/// The exposure over readings from `from` to `to`, regime A: straight lines between readings at most `max_gap` apart,
/// integrated exactly, from the interpolated crossings of 50 °C on. Anything not covered adds nothing.
///
/// # Errors
/// [`LethalityError::Backwards`] if `to` is before `from`; [`LethalityError::Temperature`] if a covered reading is below
/// absolute zero or above 100 °C.
pub fn over_series(series: &Series, from: Timestamp, to: Timestamp, max_gap: Span) -> Result<Exposure, LethalityError> {
    check_order(from, to)?;
    // Where the equation reaches the floor.
    let floor_from = libm::log10(Regime::Solids.coefficient() / Regime::Solids.floor().0) / DECADES_PER_KELVIN;
    let mut sum = Sum::default();
    for stretch in stretches(series.points(), from, to, max_gap) {
        check_temperature(stretch.a.1)?;
        check_temperature(stretch.b.1)?;
        let Some((start, end)) = stretch.at_or_above(CELSIUS_MIN) else { continue };
        // Cut where the floor begins or ends to act, so that within each part it acts throughout or not at all.
        let mut edge = start;
        let (hot_from, hot_to) = stretch.at_or_above(floor_from).unwrap_or((end, end));
        for next in [hot_from, hot_to, end] {
            sum.add(next - edge, stretch.value_at(edge), stretch.value_at(next));
            edge = next;
        }
    }
    let covered = account(series.points(), from, to, Celsius(CELSIUS_MIN), max_gap).covered_s;
    Ok(sum.exposure(covered))
}

/// Floor and time-weighted mean of the 14 days from `from`, for 40 CFR 503.33(b)(5): to be held against
/// [`VECTOR_FLOOR`] and [`VECTOR_MEAN`], both strictly, and only as far as the coverage reaches.
///
/// The figures alone; whether a batch complies is not decided here. Source: a textbook's table of the rule (14 d, above
/// 40 °C, mean above 45 °C); the federal section itself is from memory.
pub fn vector_attraction(series: &Series, from: Timestamp, max_gap: Span) -> Level {
    level(series.points(), from, from + VECTOR_SPAN, max_gap)
}

/// Parts of the required time, regime A, and milliseconds.
#[derive(Default)]
struct Sum {
    ms: f64,
    fraction: f64,
    fraction_with_floor: f64,
}

impl Sum {
    /// Adds a straight line from `a` to `b` °C, both at least 50 °C; the floor acts on all of it or on nothing of it.
    fn add(&mut self, ms: f64, a: f64, b: f64) {
        // The mean of exp over a straight line is exp(start) times (exp(x) - 1) / x, x being the rise of the exponent.
        let x = DECADES_PER_KELVIN * std::f64::consts::LN_10 * (b - a);
        let mean_of_exp = if x == 0.0 { 1.0 } else { libm::expm1(x) / x };
        let days = ms * DAYS_PER_MS;
        let mean_rate = rate(a, Regime::Solids) * mean_of_exp;
        self.ms += ms;
        self.fraction += days * mean_rate;
        self.fraction_with_floor += days * mean_rate.min(1.0 / Regime::Solids.floor().0);
    }

    fn exposure(self, covered_s: f64) -> Exposure {
        let Sum { ms, fraction, fraction_with_floor } = self;
        Exposure { covered_s, at_or_above_50_s: ms / 1e3, fraction, fraction_with_floor }
    }
}

/// The part of the required time that a day at `celsius` is, without a floor: 1 / D.
fn rate(celsius: f64, regime: Regime) -> f64 {
    libm::pow(10.0, DECADES_PER_KELVIN * celsius) / regime.coefficient()
}

fn check_temperature(celsius: f64) -> Result<(), LethalityError> {
    let good = (ABSOLUTE_ZERO_CELSIUS..=CELSIUS_MAX).contains(&celsius);
    if good { Ok(()) } else { Err(LethalityError::Temperature { celsius }) }
}

fn check_order(from: Timestamp, to: Timestamp) -> Result<(), LethalityError> {
    let by = Span::millis(from.as_millis().saturating_sub(to.as_millis()));
    if by > Span::ZERO { Err(LethalityError::Backwards { by }) } else { Ok(()) }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::window::Point;
    use proptest::prelude::*;

    const GAP: Span = Span::hours(1);

    fn at(minute: i64) -> Timestamp {
        Timestamp::from_millis(minute * 60_000)
    }

    fn series(rows: &[(i64, f64)]) -> Series {
        Series::new(rows.iter().map(|(minute, value)| Point { at: at(*minute), value: *value }).collect()).unwrap()
    }

    #[test]
    fn each_regime_has_its_floor_and_reach() {
        use Regime::{Liquid, LiquidBriefly, SmallParticles, Solids};
        let minutes = |t, regime| required_time(Celsius(t), regime).map(|d| d.0 * 1_440.0);
        for (t, regime, low, high, why) in [
            (50.0, Solids, 18_964.7, 18_964.9, "13.17 days at the lower end"),
            (71.263, Solids, 20.0, 20.01, "just before the floor acts"),
            (71.265, Solids, 19.999_999, 20.000_001, "the floor of 20 minutes"),
            (71.265, SmallParticles, 19.98, 20.0, "small particles go on down"),
            (90.0, SmallParticles, 0.249_999, 0.250_001, "to 15 seconds"),
            (70.02, LiquidBriefly, 29.8, 30.0, "regime C from where it asks for less than half an hour"),
            (90.0, LiquidBriefly, 0.249_999, 0.250_001, "also to 15 seconds"),
            (67.0, Liquid, 30.05, 30.06, "just before the floor of regime D"),
            (67.01, Liquid, 29.999_999, 30.000_001, "its floor of 30 minutes"),
        ] {
            let got = minutes(t, regime).unwrap();
            assert!((low..=high).contains(&got), "{regime:?} at {t} °C: {got} min, {why}");
        }
        for (t, regime, why) in [
            (49.999, Solids, "below 50 °C no time is long enough"),
            (100.001, Solids, "no wet pile is hotter than boiling"),
            (f64::INFINITY, Liquid, "nor infinitely hot"),
        ] {
            assert_eq!(required_time(Celsius(t), regime), Err(LethalityError::Equation { celsius: t }), "{why}");
        }
        assert!(matches!(minutes(f64::NAN, Solids), Err(LethalityError::Equation { .. })), "NaN is no temperature");
        assert!(matches!(minutes(70.0, LiquidBriefly), Err(LethalityError::TooLong { .. })), "30.06 min fall under D");
    }

    #[test]
    fn only_covered_time_at_50_and_above_adds_up() {
        let day_at_55 = 1.0 / time_by_equation(Celsius(55.0), Regime::Solids).unwrap().0;
        let hour = day_at_55 / 24.0;
        for (rows, covered_h, hot_h, want, why) in [
            (&[(0, 55.0), (60, 55.0)][..], 1.0, 1.0, hour, "an hour"),
            (&[(0, 55.0), (60, 55.0), (121, 55.0)], 1.0, 1.0, hour, "61 minutes of silence add nothing"),
            (&[(0, 49.9), (60, 49.9)], 1.0, 0.0, 0.0, "nor does an hour below 50 °C"),
            (&[(-60, 55.0), (0, 55.0), (60, 55.0)], 1.0, 1.0, hour, "nor what lies before the time asked about"),
            (&[(-30, 55.0), (30, 55.0)], 0.5, 0.5, hour / 2.0, "a stretch counts as far as it lies inside"),
            (&[(0, 55.0), (61, 99.0)], 0.0, 0.0, 0.0, "nothing is covered"),
        ] {
            let got = over_series(&series(rows), at(0), at(600), GAP).unwrap();
            assert_eq!((got.covered_s, got.at_or_above_50_s), (covered_h * 3_600.0, hot_h * 3_600.0), "{why}");
            assert!((got.fraction - want).abs() < 1e-15, "{why}: {got:?}");
            assert_eq!(got.fraction, got.fraction_with_floor, "{why}: the floor does not act");
        }
    }

    #[test]
    fn what_is_no_profile_is_refused() {
        let hold = |minutes, celsius| Hold { length: Span::minutes(minutes), celsius: Celsius(celsius) };
        for (holds, want, why) in [
            (
                vec![hold(5, 55.0), hold(-1, 55.0)],
                LethalityError::Length { index: 1, length: Span::minutes(-1) },
                "ends early",
            ),
            (vec![hold(5, 100.1)], LethalityError::Temperature { celsius: 100.1 }, "boils"),
            (vec![hold(5, -273.2)], LethalityError::Temperature { celsius: -273.2 }, "is colder than cold"),
        ] {
            assert_eq!(over_holds(&holds), Err(want), "a step that {why}");
        }
        assert!(over_holds(&[hold(5, f64::NAN)]).is_err(), "NaN is no temperature");
        let good = series(&[(0, 55.0), (60, 55.0)]);
        let by = Span::minutes(1);
        assert_eq!(
            over_series(&good, at(1), at(0), GAP),
            Err(LethalityError::Backwards { by }),
            "ends before it begins"
        );
        let wild = series(&[(0, 55.0), (60, 850.0)]);
        let error = LethalityError::Temperature { celsius: 850.0 };
        assert_eq!(over_series(&wild, at(0), at(60), GAP), Err(error), "a broken probe would count for years");
        assert_eq!(over_holds(&[]).unwrap().fraction, 0.0, "no step, no exposure");
    }

    #[test]
    fn vector_attraction_tells_floor_mean_and_coverage() {
        let day = |d: i64| d * 1_440;
        let gap = Span::days(1);
        for (rows, floor, mean, days, why) in [
            (vec![(0, 46.0), (day(1), 48.0)], 46.0, Some(47.0), 1.0, "a straight line"),
            (
                vec![(0, 44.0), (day(1), 48.0), (day(13), 39.0)],
                39.0,
                Some(46.0),
                1.0,
                "a lone reading counts for the floor",
            ),
            (vec![(day(-1), 30.0), (0, 50.0), (day(1), 50.0)], 50.0, Some(50.0), 1.0, "what came before does not"),
            (vec![(day(14) - 720, 50.0), (day(14) + 720, 40.0)], 45.0, Some(47.5), 0.5, "the line is cut at 14 days"),
            (vec![(0, 50.0), (day(2), 50.0)], 50.0, None, 0.0, "silence has no mean"),
            (vec![(0, 99.5), (20, 35.1)], 35.1, Some(67.3), 20.0 / 1_440.0, "the last reading is not rounded down"),
        ] {
            let got = vector_attraction(&series(&rows), at(0), gap);
            assert_eq!(got.floor, Some(Celsius(floor)), "{why}: floor");
            assert_eq!(got.mean.is_some(), mean.is_some(), "{why}: mean");
            let apart = got.mean.map_or(0.0, |m| m.0) - mean.unwrap_or(0.0);
            assert!(apart.abs() < 1e-12, "{why}: mean {:?}", got.mean);
            assert_eq!(got.covered_s, days * 86_400.0, "{why}: covered");
            assert_eq!(got.coverage.map(|c| c.0), Some(days / 14.0), "{why}: coverage");
        }
        let nothing = vector_attraction(&series(&[(0, 50.0), (1, 50.0)]), at(10), gap);
        assert_eq!((nothing.floor, nothing.mean), (None, None), "no reading, no floor");
    }

    /// Temperatures that cross 50 °C and the start of the floor, at steps that are covered and not.
    fn profile() -> impl Strategy<Value = Vec<(i64, f64)>> {
        let value = prop_oneof![30f64..100.0, Just(50.0), 71.2..71.3];
        prop::collection::vec((1i64..80, value), 2..8).prop_map(|rows| {
            let mut minute = 0;
            rows.into_iter()
                .map(|(step, value)| {
                    minute += step;
                    (minute, value)
                })
                .collect()
        })
    }

    proptest! {
        #[test]
        fn the_closed_form_is_the_sum_of_many_short_steps(rows in profile()) {
            let (mut plain, mut floored) = (0.0, 0.0);
            for pair in rows.windows(2).filter(|w| w[1].0 - w[0].0 <= 60) {
                let minutes = (pair[1].0 - pair[0].0) as f64;
                const STEPS: i32 = 4_000;
                for i in 0..STEPS {
                    let t = pair[0].1 + (pair[1].1 - pair[0].1) * (f64::from(i) + 0.5) / f64::from(STEPS);
                    if t >= 50.0 {
                        // The rule's own form, with the power of the standard library.
                        let d = 131.7e6 / 10f64.powf(0.14 * t);
                        plain += minutes / 1_440.0 / f64::from(STEPS) / d;
                        floored += minutes / 1_440.0 / f64::from(STEPS) / d.max(20.0 / 1_440.0);
                    }
                }
            }
            let series = series(&rows);
            let got = over_series(&series, series.first_at(), series.last_at(), GAP).unwrap();
            prop_assert!((got.fraction - plain).abs() <= 1e-5 * plain + 1e-6, "{:?}, steps {}", got, plain);
            prop_assert!((got.fraction_with_floor - floored).abs() <= 1e-5 * floored + 1e-6, "{:?}, {}", got, floored);
            let hot = account(series.points(), series.first_at(), series.last_at(), Celsius(50.0), GAP).at_or_above_s;
            prop_assert!((got.at_or_above_50_s - hot).abs() < 1e-6, "{:?}, above {}", got, hot);
        }

        #[test]
        fn exposures_add_up_over_time(rows in profile(), cut in 0i64..300) {
            let series = series(&rows);
            let (from, to) = (series.first_at(), series.last_at());
            let cut = at(cut).clamp(from, to);
            let part = |a, b| over_series(&series, a, b, GAP).unwrap();
            let (whole, a, b) = (part(from, to), part(from, cut), part(cut, to));
            prop_assert!((a.fraction + b.fraction - whole.fraction).abs() <= 1e-12 * whole.fraction);
            let sum = a.fraction_with_floor + b.fraction_with_floor;
            prop_assert!((sum - whole.fraction_with_floor).abs() <= 1e-12 * whole.fraction);
            prop_assert!(whole.fraction_with_floor <= whole.fraction);
        }

        #[test]
        fn anything_given_is_an_error_or_finite(
            t in prop_oneof![any::<f64>(), -300f64..150.0], ms in any::<i64>(), value in -1e15f64..1e15, end in any::<i64>(),
        ) {
            for regime in [Regime::Solids, Regime::SmallParticles, Regime::LiquidBriefly, Regime::Liquid] {
                let got = required_time(Celsius(t), regime);
                prop_assert!(got.is_err() || got.is_ok_and(|d| d.0 >= regime.floor().0 && d.0 <= 13.18));
            }
            let hold = Hold { length: Span::millis(ms), celsius: Celsius(t) };
            prop_assert!(over_holds(&[hold, hold]).map_or(true, |e| e.fraction.is_finite() && e.covered_s.is_finite()));
            let ends = (Timestamp::MIN + Span::millis(1), Timestamp::MAX - Span::millis(1));
            let points = [(ends.0, 55.0), (at(0), value), (at(1), 60.0), (ends.1, 70.0)];
            let series = Series::new(points.map(|(at, value)| Point { at, value }).to_vec()).unwrap();
            let (from, to) = (Timestamp::from_millis(ms), Timestamp::from_millis(end));
            for gap in [GAP, Span::millis(i64::MAX)] {
                let got = over_series(&series, from, to, gap);
                prop_assert!(got.map_or(true, |e| e.fraction.is_finite() && e.fraction >= 0.0));
                let level = vector_attraction(&series, from, gap);
                prop_assert!(level.mean.is_none_or(|m| m.0.is_finite()) && level.covered_s >= 0.0);
            }
        }
    }
}
