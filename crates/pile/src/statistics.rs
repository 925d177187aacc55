//! Plain statistics of values: mean, median, percentiles, spread, and averages that forget.
//!
//! Must never weigh by time where it does not say so: [`crate::above::level`] has the mean over time.
//!
//! Values are in any one unit, within ±[`VALUE_MAX`]; results are in the same unit.

use crate::series::{SeriesError, VALUE_MAX, check};
use crate::time::Span;
use crate::units::{Fraction, Percent, readable};
use crate::window::Point;

/// The median absolute deviation of the standard normal distribution: the 75 % quantile, to the last digit of a double
/// (scipy 1.17 has the same).
pub const MAD_OF_NORMAL: f64 = 0.6744897501960817;

/// Why values have no such statistic.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum StatisticsError {
    /// Too few values.
    #[error("{given} values are too few, at least {least} are needed; take more readings")]
    TooFew {
        /// How many were given.
        given: usize,
        /// How many are needed.
        least: usize,
    },
    /// A value is not a number, infinite, or too large for a measurement.
    #[error(
        "value {} is {value}: outside the -{VALUE_MAX:e} to {VALUE_MAX:e} a reading can have; leave it out or correct \
         it", index + 1, value = readable(.value))]
    Value {
        /// Its place, from zero.
        index: usize,
        /// The value given.
        value: f64,
    },
    /// The percentage is not one.
    #[error("there is no percentile {percent}; give one from 0 to 100")]
    Percent {
        /// The percentage given.
        percent: f64,
    },
    /// The weight of the newest value is not one.
    #[error("a weight of {alpha} for the newest value is not above 0 and up to 1; 0.1 forgets slowly, 0.5 fast")]
    Alpha {
        /// The weight given.
        alpha: f64,
    },
    /// The time of forgetting is no length of time.
    #[error("an average cannot forget within {} s; give a time above zero", tau.as_seconds())]
    Tau {
        /// The time given.
        tau: Span,
    },
    /// The readings are not in order.
    #[error("the readings have no average that forgets with time")]
    Series(#[from] SeriesError),
}

/// How a percentile that falls between two values is taken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Between {
    /// On the straight line between them (Hyndman and Fan 1996, type 7; the default of numpy and R).
    Line,
    /// The upper of them, so that the result is always a value that was measured (type 1, nearest rank).
    NearestRank,
}

/// The arithmetic mean, each value counting alike.
///
/// # Errors
/// [`StatisticsError::TooFew`] without a value, [`StatisticsError::Value`].
pub fn mean(values: &[f64]) -> Result<f64, StatisticsError> {
    checked(values, 1)?;
    Ok(values.iter().sum::<f64>() / values.len() as f64)
}

/// The median; the mean of the middle two of an even count.
///
/// # Errors
/// [`StatisticsError::TooFew`] without a value, [`StatisticsError::Value`].
pub fn median(values: &[f64]) -> Result<f64, StatisticsError> {
    checked(values, 1)?;
    Ok(median_of(&mut values.to_vec()))
}

/// The sample standard deviation: the squares over n - 1.
///
/// # Errors
/// [`StatisticsError::TooFew`] with fewer than two values, [`StatisticsError::Value`].
pub fn standard_deviation(values: &[f64]) -> Result<f64, StatisticsError> {
    checked(values, 2)?;
    let mean = mean(values)?;
    let squares: f64 = values.iter().map(|v| (v - mean) * (v - mean)).sum();
    Ok(libm::sqrt(squares / (values.len() - 1) as f64))
}

/// The value that `percent` of the values do not exceed, 0 to 100.
///
/// # Errors
/// [`StatisticsError::Percent`], [`StatisticsError::TooFew`] without a value, [`StatisticsError::Value`].
pub fn percentile(values: &[f64], percent: Percent, between: Between) -> Result<f64, StatisticsError> {
    checked(values, 1)?;
    if !(0.0..=100.0).contains(&percent.0) {
        return Err(StatisticsError::Percent { percent: percent.0 });
    }
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let last = sorted.len() - 1;
    // Multiplied first: for whole percentages the product is exact, and a rank that is whole stays whole.
    let of = |n: usize| percent.0 * n as f64 / 100.0;
    Ok(match between {
        Between::Line => {
            let place = of(last);
            let low = (place.floor() as usize).min(last);
            let high = (low + 1).min(last);
            sorted[low] + (sorted[high] - sorted[low]) * (place - low as f64)
        }
        // The conversion to a whole number takes rank zero, asked for by 0 %, to the first value.
        Between::NearestRank => sorted[((of(sorted.len()).ceil() - 1.0) as usize).min(last)],
    })
}

/// The median absolute deviation from the median (MAD): a spread that half of the values can be wild without moving.
///
/// # Errors
/// [`StatisticsError::TooFew`] without a value, [`StatisticsError::Value`].
pub fn mad(values: &[f64]) -> Result<f64, StatisticsError> {
    checked(values, 1)?;
    let middle = median_of(&mut values.to_vec());
    Ok(median_of(&mut values.iter().map(|v| (v - middle).abs()).collect::<Vec<_>>()))
}

/// The MAD over [`MAD_OF_NORMAL`]: what the standard deviation would be if the values were normal.
///
/// # Errors
/// [`StatisticsError::TooFew`] without a value, [`StatisticsError::Value`].
pub fn mad_normal(values: &[f64]) -> Result<f64, StatisticsError> {
    Ok(mad(values)? / MAD_OF_NORMAL)
}

/// The exponentially weighted mean after the last value: s starts at the first value, then s += alpha (x - s).
///
/// It takes every value for one step, however long the step lasted; for readings at uneven times see
/// [`ewma_over_time`].
///
/// # Errors
/// [`StatisticsError::Alpha`] unless 0 < alpha <= 1, [`StatisticsError::TooFew`] without a value,
/// [`StatisticsError::Value`].
pub fn ewma(values: &[f64], alpha: Fraction) -> Result<f64, StatisticsError> {
    checked(values, 1)?;
    if !(alpha.0 > 0.0 && alpha.0 <= 1.0) {
        return Err(StatisticsError::Alpha { alpha: alpha.0 });
    }
    Ok(values[1..].iter().fold(values[0], |s, x| s + alpha.0 * (x - s)))
}

/// The exponentially weighted mean at the last reading, for uneven times: s starts at the first value, then
/// s += (1 - exp(-dt/tau)) (x - s) for a reading dt after the one before it. One reading is its own mean.
///
/// After a silence long against `tau` the next reading alone counts, as it should.
///
/// # Errors
/// [`StatisticsError::Tau`] unless `tau` is above zero, [`StatisticsError::Series`] as [`check`] finds it.
pub fn ewma_over_time(points: &[Point], tau: Span) -> Result<f64, StatisticsError> {
    check(points)?;
    if tau <= Span::ZERO {
        return Err(StatisticsError::Tau { tau });
    }
    Ok(points.windows(2).fold(points[0].value, |s, w| {
        let dt = w[1].at.since(w[0].at);
        s - libm::expm1(-(dt.as_seconds() / tau.as_seconds())) * (w[1].value - s)
    }))
}

/// The median of at least one value, which it sorts.
pub(crate) fn median_of(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    let half = values.len() / 2;
    if values.len() % 2 == 1 { values[half] } else { values[half - 1] / 2.0 + values[half] / 2.0 }
}

fn checked(values: &[f64], least: usize) -> Result<(), StatisticsError> {
    if let Some((index, value)) = values.iter().enumerate().find(|(_, v)| !(-VALUE_MAX..=VALUE_MAX).contains(*v)) {
        return Err(StatisticsError::Value { index, value: *value });
    }
    if values.len() < least {
        return Err(StatisticsError::TooFew { given: values.len(), least });
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::time::Timestamp;
    use proptest::prelude::*;

    fn points(rows: &[(i64, f64)]) -> Vec<Point> {
        rows.iter().map(|(s, value)| Point { at: Timestamp::from_millis(s * 1_000), value: *value }).collect()
    }

    #[test]
    fn percentiles_at_the_edges() {
        for (percent, line, rank, why) in [
            (0.0, 10.0, 10.0, "0 % is the smallest"),
            (100.0, 40.0, 40.0, "100 % is the largest"),
            (50.0, 25.0, 20.0, "between the middle two; the lower has half of the values up to it"),
            (25.0, 17.5, 10.0, "a whole rank is taken as it is"),
            (25.1, 17.53, 20.0, "a little more asks for the next value"),
        ] {
            let values = [40.0, 10.0, 30.0, 20.0];
            let got = percentile(&values, Percent(percent), Between::Line).unwrap();
            assert!((got - line).abs() < 1e-12, "{percent} %: {why}: {got}");
            assert_eq!(percentile(&values, Percent(percent), Between::NearestRank), Ok(rank), "{percent} %: {why}");
        }
        let hundred: Vec<f64> = (1..=100).map(f64::from).collect();
        let seventh = percentile(&hundred, Percent(7.0), Between::NearestRank);
        assert_eq!(seventh, Ok(7.0), "0.07 times 100 is above 7 in binary, 7 times 100 over 100 is not");
    }

    #[test]
    fn what_cannot_be_told_is_an_error() {
        let (nan, few) =
            (StatisticsError::Alpha { alpha: 0.0 }, |given, least| StatisticsError::TooFew { given, least });
        for (got, want, why) in [
            (mean(&[]), few(0, 1), "nothing has no mean"),
            (median(&[]), few(0, 1), "nor a median"),
            (mad(&[]), few(0, 1), "nor a spread"),
            (percentile(&[], Percent(5.0), Between::Line), few(0, 1), "nor a percentile"),
            (ewma(&[], Fraction(0.5)), few(0, 1), "nor an average"),
            (standard_deviation(&[1.0]), few(1, 2), "one value does not deviate"),
            (
                percentile(&[1.0], Percent(100.1), Between::Line),
                StatisticsError::Percent { percent: 100.1 },
                "over 100",
            ),
            (percentile(&[1.0], Percent(-0.1), Between::Line), StatisticsError::Percent { percent: -0.1 }, "below 0"),
            (ewma(&[1.0], Fraction(0.0)), nan, "a weight of zero never learns"),
            (ewma(&[1.0], Fraction(1.01)), StatisticsError::Alpha { alpha: 1.01 }, "a weight above one overshoots"),
            (
                mean(&[1.0, f64::INFINITY]),
                StatisticsError::Value { index: 1, value: f64::INFINITY },
                "infinity is no reading",
            ),
            (
                ewma_over_time(&points(&[(0, 1.0)]), Span::ZERO),
                StatisticsError::Tau { tau: Span::ZERO },
                "no time to forget in",
            ),
            (
                ewma_over_time(&[], Span::hours(1)),
                StatisticsError::Series(SeriesError::Empty),
                "no reading, no average",
            ),
        ] {
            assert_eq!(got, Err(want), "{why}");
        }
        assert!(matches!(mean(&[f64::NAN]), Err(StatisticsError::Value { index: 0, .. })), "NaN is no reading");
        assert!(matches!(ewma(&[1.0], Fraction(f64::NAN)), Err(StatisticsError::Alpha { .. })), "nor a weight");
        let percent = percentile(&[1.0], Percent(f64::NAN), Between::NearestRank);
        assert!(matches!(percent, Err(StatisticsError::Percent { .. })), "nor a percentage");
    }

    #[test]
    fn an_average_over_time_forgets_by_the_clock() {
        let tau = Span::hours(1);
        for (rows, want, why) in [
            (&[(0, 60.0)][..], 60.0, "one reading is its own mean"),
            (&[(0, 60.0), (3_600, 50.0)], 50.0 + 10.0 / std::f64::consts::E, "after tau 1/e of the old is left"),
            (&[(0, 60.0), (1_800, 50.0), (3_600, 50.0)], 50.0 + 10.0 / std::f64::consts::E, "however many there were"),
            (&[(0, 60.0), (864_000, 50.0)], 50.0, "after ten days nothing is left"),
        ] {
            let got = ewma_over_time(&points(rows), tau).unwrap();
            assert!((got - want).abs() < 1e-13, "{why}: {got}");
        }
    }

    fn any_value() -> impl Strategy<Value = f64> {
        prop_oneof![6 => -1e3f64..1e3, 3 => -VALUE_MAX..VALUE_MAX, 1 => any::<f64>(), 1 => Just(f64::NAN)]
    }

    proptest! {
        #[test]
        fn results_are_finite_and_within_the_values(
            values in prop::collection::vec(any_value(), 0..30), a in any_value(), percent in -10f64..110.0,
        ) {
            let good = values.iter().all(|v| v.abs() <= VALUE_MAX) && !values.is_empty();
            let (low, high) = values.iter().fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(*v), h.max(*v)));
            let slack = 1e-12 * low.abs().max(high.abs());
            for got in [
                mean(&values),
                median(&values),
                percentile(&values, Percent(percent.clamp(0.0, 100.0)), Between::Line),
                percentile(&values, Percent(percent.clamp(0.0, 100.0)), Between::NearestRank),
                ewma(&values, Fraction(0.3)),
            ] {
                prop_assert_eq!(got.is_ok(), good, "{:?}", got);
                if let Ok(got) = got {
                    prop_assert!(low - slack <= got && got <= high + slack, "{} of {:?}", got, values);
                }
            }
            for got in [mad(&values), mad_normal(&values), standard_deviation(&values)].into_iter().flatten() {
                prop_assert!(good && (0.0..=1e16).contains(&got), "{}", got);
            }
            prop_assert_eq!(percentile(&[1.0], Percent(percent), Between::Line).is_ok(), (0.0..=100.0).contains(&percent));
            prop_assert_eq!(ewma(&[1.0, 2.0], Fraction(a)).is_ok(), a > 0.0 && a <= 1.0);
        }

        #[test]
        fn over_even_time_both_averages_agree(values in prop::collection::vec(-1e3f64..1e3, 1..30), step in 1i64..100_000) {
            let rows: Vec<(i64, f64)> = values.iter().enumerate().map(|(i, v)| (i as i64 * step, *v)).collect();
            let alpha = 1.0 - libm::exp(-(step as f64) / 7_200.0);
            prop_assume!(alpha > 0.0);
            let (a, b) = (ewma(&values, Fraction(alpha)).unwrap(), ewma_over_time(&points(&rows), Span::hours(2)).unwrap());
            prop_assert!((a - b).abs() < 1e-9, "{} {}", a, b);
        }
    }
}
