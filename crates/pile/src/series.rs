//! A checked series: at least two readings, oldest first, each at its own instant, each a number.
//!
//! Must never repair what it is given: sorting or dropping readings in silence would hide a faulty file.

use crate::time::{Span, Timestamp};
use crate::units::readable;
use crate::window::Point;

/// The largest value, either sign, that a reading can have in any unit. It lies far above every quantity measured at a
/// pile and keeps each sum, square and slope over a series finite. Common practice, no source.
pub const VALUE_MAX: f64 = 1e15;

/// Why readings are no series. Readings are counted from zero in the fields and from one in the messages.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum SeriesError {
    /// There is no reading.
    #[error("the series holds no reading; check the file and the span of time asked for")]
    Empty,
    /// There is one reading, which has neither a length of time nor a slope.
    #[error(
        "the series holds a single reading, at {}; two are needed to say anything about time; take a longer span",
        seconds(*at)
    )]
    Single {
        /// When it was measured.
        at: Timestamp,
    },
    /// A value is not a number, infinite, or too large for a measurement.
    #[error(
        "reading {}, at {}, is {value}: outside the -{VALUE_MAX:e} to {VALUE_MAX:e} a reading can have; leave it out or \
         correct it", index + 1, seconds(*at), value = readable(.value))]
    Value {
        /// Its place in the series.
        index: usize,
        /// When it was measured.
        at: Timestamp,
        /// The value given.
        value: f64,
    },
    /// An instant is not between [`Timestamp::MIN`] and [`Timestamp::MAX`].
    #[error(
        "reading {}, at {}, is outside the {} to {} that can be counted; correct its time",
        index + 1, seconds(*at), seconds(Timestamp::MIN), seconds(Timestamp::MAX)
    )]
    Instant {
        /// Its place in the series.
        index: usize,
        /// The instant given.
        at: Timestamp,
    },
    /// A reading is older than the one before it.
    #[error(
        "reading {}, at {}, is {} older than the reading before it; sort the series by time", index + 1, seconds(*at),
        span(before.since(*at))
    )]
    Unsorted {
        /// Its place in the series.
        index: usize,
        /// When it was measured.
        at: Timestamp,
        /// When the reading before it was measured.
        before: Timestamp,
    },
    /// A reading has the instant of the one before it.
    #[error("readings {index} and {} are both at {}; keep one of them", index + 1, seconds(*at))]
    Duplicate {
        /// The place of the second of them.
        index: usize,
        /// The instant of both.
        at: Timestamp,
    },
}

impl SeriesError {
    /// The place, from zero, of the reading at fault, so that a caller can name its line; none for too few readings.
    pub fn index(&self) -> Option<usize> {
        match *self {
            SeriesError::Empty | SeriesError::Single { .. } => None,
            SeriesError::Value { index, .. }
            | SeriesError::Instant { index, .. }
            | SeriesError::Unsorted { index, .. }
            | SeriesError::Duplicate { index, .. } => Some(index),
        }
    }
}

/// Readings that are known to be in order. Whatever is computed from them is a finite number.
#[derive(Clone, Debug, PartialEq)]
pub struct Series(Vec<Point>);

impl Series {
    /// Checks `points` and keeps them as they are; the unit of their values is the caller's.
    ///
    /// # Errors
    /// The first fault in the order of the readings; see [`SeriesError`].
    pub fn new(points: Vec<Point>) -> Result<Series, SeriesError> {
        check(&points)?;
        match points[..] {
            [only] => Err(SeriesError::Single { at: only.at }),
            _ => Ok(Series(points)),
        }
    }

    /// The readings, oldest first.
    pub fn points(&self) -> &[Point] {
        &self.0
    }

    /// The values alone, in the order of time.
    pub fn values(&self) -> Vec<f64> {
        self.0.iter().map(|p| p.value).collect()
    }

    /// The instant of the oldest reading.
    pub fn first_at(&self) -> Timestamp {
        self.0[0].at
    }

    /// The instant of the newest reading.
    pub fn last_at(&self) -> Timestamp {
        self.0[self.0.len() - 1].at
    }
}

/// Checks one reading or more for order, repetition and numbers, where a single one is enough.
///
/// # Errors
/// The first fault in the order of the readings; never [`SeriesError::Single`].
pub fn check(points: &[Point]) -> Result<(), SeriesError> {
    let mut before: Option<Timestamp> = None;
    for (index, Point { at, value }) in points.iter().copied().enumerate() {
        // Written so that a value that is not a number fails the test.
        if !(-VALUE_MAX..=VALUE_MAX).contains(&value) {
            return Err(SeriesError::Value { index, at, value });
        }
        // An instant at an end stands for all that lie beyond.
        if at <= Timestamp::MIN || at >= Timestamp::MAX {
            return Err(SeriesError::Instant { index, at });
        }
        match before {
            Some(before) if at < before => return Err(SeriesError::Unsorted { index, at, before }),
            Some(before) if at == before => return Err(SeriesError::Duplicate { index, at }),
            _ => before = Some(at),
        }
    }
    before.map(|_| ()).ok_or(SeriesError::Empty)
}

/// This crate knows no calendar; whoever prints the error for people names the line of the file beside it.
fn seconds(at: Timestamp) -> String {
    format!("{} s since 1970", at.as_millis() as f64 / 1e3)
}

fn span(length: Span) -> String {
    if length < Span::seconds(1) { format!("{} ms", length.as_millis()) } else { length.to_string() }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use proptest::prelude::*;

    fn points(rows: &[(i64, f64)]) -> Vec<Point> {
        rows.iter().map(|(s, value)| Point { at: Timestamp::from_millis(s * 1_000), value: *value }).collect()
    }

    #[test]
    fn the_first_fault_is_named_with_its_place_and_time() {
        for (rows, index, want) in [
            (&[][..], None, "the series holds no reading; check the file and the span of time asked for"),
            (
                &[(7, 60.0)],
                None,
                "the series holds a single reading, at 7 s since 1970; two are needed to say anything about time; take \
                 a longer span",
            ),
            (
                &[(0, 60.0), (60, f64::NAN), (30, 1.0)],
                Some(1),
                "reading 2, at 60 s since 1970, is NaN: outside the -1e15 to 1e15 a reading can have; leave it out or \
                 correct it",
            ),
            (
                &[(0, f64::NEG_INFINITY), (60, 1.0)],
                Some(0),
                "reading 1, at 0 s since 1970, is -inf: outside the -1e15 to 1e15 a reading can have; leave it out or \
                 correct it",
            ),
            (
                &[(0, 60.0), (7200, 61.0), (0, 62.0)],
                Some(2),
                "reading 3, at 0 s since 1970, is 2 h older than the reading before it; sort the series by time",
            ),
            (
                &[(0, 60.0), (60, 61.0), (60, 61.0)],
                Some(2),
                "readings 2 and 3 are both at 60 s since 1970; keep one of them",
            ),
        ] {
            let error = Series::new(points(rows)).unwrap_err();
            assert_eq!((error.to_string().as_str(), error.index()), (want, index));
        }
    }

    #[test]
    fn a_time_that_cannot_be_counted_is_refused() {
        let beyond = Timestamp::from_millis(i64::MAX);
        let given = vec![Point { at: Timestamp::from_millis(0), value: 1.0 }, Point { at: beyond, value: 1.0 }];
        assert_eq!(Series::new(given), Err(SeriesError::Instant { index: 1, at: beyond }));
    }

    #[test]
    fn readings_in_order_are_kept_as_they_are() {
        let given = points(&[(-60, -3.5), (0, 0.0), (1, 1e15)]);
        let series = Series::new(given.clone()).unwrap();
        assert_eq!(series.points(), given);
        assert_eq!(series.values(), [-3.5, 0.0, 1e15]);
        assert_eq!((series.first_at(), series.last_at()), (given[0].at, given[2].at));
    }

    proptest! {
        #[test]
        fn only_order_and_numbers_pass(rows in prop::collection::vec((any::<i64>(), any::<f64>()), 0..6)) {
            let given: Vec<Point> =
                rows.iter().map(|(ms, value)| Point { at: Timestamp::from_millis(*ms), value: *value }).collect();
            let good = given.len() >= 2
                && given.windows(2).all(|w| w[0].at < w[1].at)
                && given.iter().all(|p| p.value.abs() <= VALUE_MAX && Timestamp::MIN < p.at && p.at < Timestamp::MAX);
            let got = Series::new(given);
            prop_assert_eq!(got.is_ok(), good);
            if let Err(error) = got {
                prop_assert!(!error.to_string().is_empty());
            }
        }
    }
}
