//! Instants and lengths of time as the core knows them: UTC milliseconds.
//!
//! Must never know a time zone or ask what time it is.

use std::fmt;
use std::ops::{Add, Neg, Sub};

/// An instant, milliseconds since 1970-01-01T00:00:00 UTC.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Timestamp(i64);

/// A length of time in milliseconds; may be negative.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Span(i64);

impl Timestamp {
    /// The earliest instant that can be expressed; older than any reading.
    pub const MIN: Timestamp = Timestamp(i64::MIN / 4);
    /// The latest instant that can be expressed.
    pub const MAX: Timestamp = Timestamp(i64::MAX / 4);

    /// The instant `ms` milliseconds after 1970-01-01T00:00:00 UTC.
    pub const fn from_millis(ms: i64) -> Self {
        Timestamp(ms)
    }

    /// Milliseconds since 1970-01-01T00:00:00 UTC.
    pub const fn as_millis(self) -> i64 {
        self.0
    }

    /// The length of time since `earlier`; negative if `earlier` is later.
    pub const fn since(self, earlier: Timestamp) -> Span {
        Span(self.0 - earlier.0)
    }

    /// The first multiple of `step` (counted from 1970, shifted by `phase`) that is after this instant.
    ///
    /// A `step` of zero or less gives the next millisecond.
    pub fn next_on_grid(self, step: Span, phase: Span) -> Timestamp {
        let step = step.0.max(1);
        Timestamp(((self.0 - phase.0).div_euclid(step) + 1) * step + phase.0)
    }
}

impl Span {
    /// No time at all.
    pub const ZERO: Span = Span(0);

    /// `n` milliseconds.
    pub const fn millis(n: i64) -> Self {
        Span(n)
    }
    /// `n` seconds.
    pub const fn seconds(n: i64) -> Self {
        Span(n * 1_000)
    }
    /// `n` minutes.
    pub const fn minutes(n: i64) -> Self {
        Span(n * 60_000)
    }
    /// `n` hours.
    pub const fn hours(n: i64) -> Self {
        Span(n * 3_600_000)
    }
    /// `n` days of 24 hours.
    pub const fn days(n: i64) -> Self {
        Span(n * 86_400_000)
    }
    /// `s` seconds, rounded to the nearest millisecond.
    pub fn from_seconds_f64(s: f64) -> Self {
        Span((s * 1_000.0).round() as i64)
    }
    /// The length in milliseconds.
    pub const fn as_millis(self) -> i64 {
        self.0
    }
    /// The length in seconds.
    pub fn as_seconds(self) -> f64 {
        self.0 as f64 / 1e3
    }
    /// The length in minutes.
    pub fn as_minutes(self) -> f64 {
        self.0 as f64 / 6e4
    }
    /// The length in hours.
    pub fn as_hours(self) -> f64 {
        self.0 as f64 / 3.6e6
    }
    /// The length in days of 24 hours.
    pub fn as_days(self) -> f64 {
        self.0 as f64 / 8.64e7
    }
    /// `n` times this length.
    pub const fn times(self, n: i64) -> Span {
        Span(self.0 * n)
    }
}

impl Add<Span> for Timestamp {
    type Output = Timestamp;
    fn add(self, span: Span) -> Timestamp {
        Timestamp(self.0.saturating_add(span.0))
    }
}

impl Sub<Span> for Timestamp {
    type Output = Timestamp;
    fn sub(self, span: Span) -> Timestamp {
        Timestamp(self.0.saturating_sub(span.0))
    }
}

impl Add for Span {
    type Output = Span;
    fn add(self, other: Span) -> Span {
        Span(self.0 + other.0)
    }
}

impl Sub for Span {
    type Output = Span;
    fn sub(self, other: Span) -> Span {
        Span(self.0 - other.0)
    }
}

impl Neg for Span {
    type Output = Span;
    fn neg(self) -> Span {
        Span(-self.0)
    }
}

/// Prints the two largest units that matter: `3 d 4 h`, `2 h 5 min`, `45 s`.
impl fmt::Display for Span {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let sign = if self.0 < 0 { "-" } else { "" };
        let s = self.0.abs() / 1_000;
        let (d, h, m) = (s / 86_400, s % 86_400 / 3_600, s % 3_600 / 60);
        match (d, h, m) {
            (0, 0, 0) => write!(f, "{sign}{s} s"),
            (0, 0, m) => write!(f, "{sign}{m} min"),
            (0, h, 0) => write!(f, "{sign}{h} h"),
            (0, h, m) => write!(f, "{sign}{h} h {m} min"),
            (d, 0, _) => write!(f, "{sign}{d} d"),
            (d, h, _) => write!(f, "{sign}{d} d {h} h"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn grid_steps_are_strictly_after_the_instant() {
        let step = Span::minutes(10);
        for (at, phase, want, why) in [
            (0, 0, 600_000, "on the grid means the next one"),
            (599_999, 0, 600_000, "just before"),
            (600_000, 30_000, 630_000, "a phase shifts the grid"),
            (-1, 0, 0, "before 1970 too"),
        ] {
            let got = Timestamp::from_millis(at).next_on_grid(step, Span::millis(phase));
            assert_eq!(got, Timestamp::from_millis(want), "{why}");
        }
    }

    #[test]
    fn spans_print_as_people_say_them() {
        for (span, want) in [
            (Span::seconds(45), "45 s"),
            (Span::minutes(125), "2 h 5 min"),
            (Span::hours(48), "2 d"),
            (Span::hours(77), "3 d 5 h"),
            (Span::minutes(-5), "-5 min"),
        ] {
            assert_eq!(span.to_string(), want);
        }
    }
}
