//! A line a day of a series: its mean, and a high that a stray reading or two cannot make.
//!
//! Must never let a day that was hardly heard stand for a whole one.

use std::collections::BTreeMap;

use crate::time::{Span, Timestamp};
use crate::window::Point;

/// Days of a series, counted from a beginning; readings may come in any order, each once.
#[derive(Clone, Debug, PartialEq)]
pub struct Days {
    from: Timestamp,
    days: BTreeMap<i64, Day>,
}

/// What one day came to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DayFigures {
    /// Mean of the readings, in the unit of the series.
    pub mean: f64,
    /// The third highest reading, in the unit of the series.
    pub high: f64,
}

#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Day {
    readings: u32,
    sum: f64,
    /// The three highest, the highest first; unused places are below every reading.
    top: [Option<f64>; 3],
    /// One bit for each hour of the day that was heard.
    hours: u32,
}

/// So many of the newest days are kept: a season with its curing.
pub const DAYS_KEPT: usize = 100;
/// A day counts when so many of its 24 hours were heard (common practice, no source).
pub const HOURS_HEARD_MIN: u32 = 12;

const DAY_MILLIS: i64 = Span::days(1).as_millis();
const HOUR_MILLIS: i64 = Span::hours(1).as_millis();

impl Days {
    /// No day yet; the first one begins at `from`.
    pub fn new(from: Timestamp) -> Days {
        Days { from, days: BTreeMap::new() }
    }

    /// Where the first day begins.
    pub fn from(&self) -> Timestamp {
        self.from
    }

    /// Takes a reading in; one before the beginning, or that is no finite number, changes nothing.
    pub fn push(&mut self, point: Point) {
        let after = point.at.since(self.from).as_millis();
        if after < 0 || !point.value.is_finite() {
            return;
        }
        let day = self.days.entry(after / DAY_MILLIS).or_default();
        day.readings = day.readings.saturating_add(1);
        day.sum += point.value;
        day.hours |= 1 << (after % DAY_MILLIS / HOUR_MILLIS);
        let mut value = Some(point.value);
        for place in &mut day.top {
            if value > *place {
                std::mem::swap(place, &mut value);
            }
        }
        if self.days.len() > DAYS_KEPT {
            self.days.pop_first();
        }
    }

    /// The day in which `at` lies, if enough of it was heard.
    pub fn on(&self, at: Timestamp) -> Option<DayFigures> {
        let after = at.since(self.from).as_millis();
        let day = self.days.get(&after.div_euclid(DAY_MILLIS))?;
        if day.hours.count_ones() < HOURS_HEARD_MIN {
            return None;
        }
        Some(DayFigures { mean: day.sum / f64::from(day.readings), high: day.top[2]? })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_day_has_a_mean_and_a_high_that_two_stray_readings_cannot_make() {
        let from = Timestamp::from_millis(0);
        let mut days = Days::new(from);
        let hour = |n: i64, value: f64| Point { at: from + Span::hours(n), value };
        days.push(hour(-1, 99.0));
        for n in 0..24 {
            days.push(hour(n, 60.0));
        }
        for n in 24..48 {
            days.push(hour(n, if n < 26 { 110.0 } else { 50.0 }));
        }
        for n in 48..59 {
            days.push(hour(n, 40.0));
        }
        days.push(Point { at: from + Span::hours(5), value: f64::NAN });
        let on = |n: i64| days.on(from + Span::hours(n));
        assert_eq!(on(12), Some(DayFigures { mean: 60.0, high: 60.0 }), "a steady day");
        assert_eq!(on(24), Some(DayFigures { mean: 55.0, high: 50.0 }), "two strays move the mean, not the high");
        assert_eq!(on(48), None, "eleven hours are no day");
        assert_eq!(on(72), None, "nothing was heard");
        assert_eq!(on(-1), None, "before the beginning");
    }

    #[test]
    fn only_the_newest_days_are_kept() {
        let from = Timestamp::from_millis(0);
        let mut days = Days::new(from);
        for n in 0..24 * 101 {
            days.push(Point { at: from + Span::hours(n), value: 1.0 });
        }
        assert_eq!(days.on(from), None);
        assert!(days.on(from + Span::days(1)).is_some());
    }
}
