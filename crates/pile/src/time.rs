//! Instants and lengths of time as the core knows them: UTC milliseconds.
//!
//! Must never know a time zone or ask what time it is, and never overflow: both types hold what they can and stop at their ends, so that
//! no instant or length from outside, however wild, can end the program or turn a sum round.

use std::fmt;
use std::ops::{Add, Neg, Sub};

/// An instant, milliseconds since 1970-01-01T00:00:00 UTC, from [`Timestamp::MIN`] to [`Timestamp::MAX`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Timestamp(i64);

/// A length of time in milliseconds; may be negative. It goes from [`Span::MIN`] to [`Span::MAX`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Default)]
pub struct Span(i64);

/// 285,000 years each way. An `f64` holds every whole number up to here, so that none is rounded, and the difference of two instants times
/// five hundred is still an `i64`.
const END: i64 = 1 << 53;

impl Timestamp {
    /// The earliest instant that can be expressed; older than any reading.
    pub const MIN: Timestamp = Timestamp(-END);
    /// The latest instant that can be expressed.
    pub const MAX: Timestamp = Timestamp(END);

    /// The instant `ms` milliseconds after 1970-01-01T00:00:00 UTC, or the end of the range that lies nearest.
    pub const fn from_millis(ms: i64) -> Self {
        Timestamp(held(ms, END))
    }

    /// Milliseconds since 1970-01-01T00:00:00 UTC.
    pub const fn as_millis(self) -> i64 {
        self.0
    }

    /// The length of time since `earlier`; negative if `earlier` is later.
    pub const fn since(self, earlier: Timestamp) -> Span {
        // Both lie within a fourth of an `i64`, and a length may be twice as long as an instant is far.
        Span(self.0 - earlier.0)
    }

    /// The first multiple of `step` (counted from 1970, shifted by `phase`) that is after this instant.
    ///
    /// A `step` of zero or less gives the next millisecond.
    pub fn next_on_grid(self, step: Span, phase: Span) -> Timestamp {
        let step = step.0.max(1);
        Timestamp::from_millis(((self.0 - phase.0).div_euclid(step) + 1).saturating_mul(step).saturating_add(phase.0))
    }
}

/// `n`, or the end of `-end..=end` that lies nearest.
const fn held(n: i64, end: i64) -> i64 {
    match n {
        n if n > end => end,
        n if n < -end => -end,
        n => n,
    }
}

impl Span {
    /// No time at all.
    pub const ZERO: Span = Span(0);
    /// The longest time backwards: from the last instant to the first.
    pub const MIN: Span = Span(-2 * END);
    /// The longest time.
    pub const MAX: Span = Span(2 * END);

    /// `n` milliseconds.
    pub const fn millis(n: i64) -> Self {
        Span(held(n, 2 * END))
    }
    /// `n` seconds.
    pub const fn seconds(n: i64) -> Self {
        Span::millis(n.saturating_mul(1_000))
    }
    /// `n` minutes.
    pub const fn minutes(n: i64) -> Self {
        Span::millis(n.saturating_mul(60_000))
    }
    /// `n` hours.
    pub const fn hours(n: i64) -> Self {
        Span::millis(n.saturating_mul(3_600_000))
    }
    /// `n` days of 24 hours.
    pub const fn days(n: i64) -> Self {
        Span::millis(n.saturating_mul(86_400_000))
    }
    /// `s` seconds, rounded to the nearest millisecond; no time at all where `s` is not a number.
    pub fn from_seconds_f64(s: f64) -> Self {
        // A cast of a float stops at the ends of the `i64`, and makes 0 of what is not a number.
        Span::millis((s * 1_000.0).round() as i64)
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
        Span::millis(self.0.saturating_mul(n))
    }
}

impl Add<Span> for Timestamp {
    type Output = Timestamp;
    fn add(self, span: Span) -> Timestamp {
        Timestamp::from_millis(self.0 + span.0)
    }
}

impl Sub<Span> for Timestamp {
    type Output = Timestamp;
    fn sub(self, span: Span) -> Timestamp {
        Timestamp::from_millis(self.0 - span.0)
    }
}

impl Add for Span {
    type Output = Span;
    fn add(self, other: Span) -> Span {
        Span::millis(self.0 + other.0)
    }
}

impl Sub for Span {
    type Output = Span;
    fn sub(self, other: Span) -> Span {
        Span::millis(self.0 - other.0)
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
    use proptest::prelude::*;

    use super::*;

    /// Any number, with those at the ends of every range more often than chance would bring them.
    fn any_i64() -> impl Strategy<Value = i64> {
        let ends = [0, 1, -1, END, -END, END + 1, 2 * END, -2 * END, i64::MAX, i64::MIN, i64::MAX / 4, i64::MIN / 4];
        prop_oneof![3 => any::<i64>(), 1 => proptest::sample::select(ends.to_vec()), 1 => -10_000_000_000_000i64..10_000_000_000_000]
    }

    fn any_f64() -> impl Strategy<Value = f64> {
        let ends =
            [0.0, f64::NAN, f64::INFINITY, f64::NEG_INFINITY, f64::MAX, f64::MIN, 9e18, -9e18, f64::MIN_POSITIVE];
        prop_oneof![3 => any::<f64>(), 1 => proptest::sample::select(ends.to_vec())]
    }

    proptest! {
        /// The release build of the tests checks for overflow too, so that a sum that turns round ends the test.
        #[test]
        fn nothing_overflows_and_everything_stays_in_its_range(
            a in any_i64(), b in any_i64(), n in any_i64(), phase in any_i64(), seconds in any_f64()
        ) {
            let (at, other, span, more) = (Timestamp::from_millis(a), Timestamp::from_millis(b), Span::millis(b), Span::millis(n));
            for t in [at, at + span, at - span, at.next_on_grid(span, Span::millis(phase)), other + span + more] {
                prop_assert!((Timestamp::MIN..=Timestamp::MAX).contains(&t), "{t:?}");
            }
            for s in [
                at.since(other), span, -span, span + more, span - more, span.times(n), Span::seconds(n), Span::minutes(n),
                Span::hours(n), Span::days(n), Span::from_seconds_f64(seconds),
            ] {
                prop_assert!((Span::MIN..=Span::MAX).contains(&s), "{s:?}");
                prop_assert!(!s.to_string().is_empty() && s.as_days().is_finite());
            }
            let exact = (i128::from(held(a, END)) + i128::from(held(b, 2 * END))).clamp(-i128::from(END), i128::from(END));
            prop_assert_eq!(i128::from((at + span).as_millis()), exact, "what fits is exact, and what does not is at the end");
            prop_assert!(at.next_on_grid(span, Span::millis(phase)) > at || at.next_on_grid(span, Span::millis(phase)) == Timestamp::MAX
                || Span::millis(phase).as_millis().abs() > END, "the grid goes on");
        }
    }

    #[test]
    fn what_is_no_number_is_no_time() {
        for (seconds, want) in [
            (f64::NAN, Span::ZERO),
            (f64::INFINITY, Span::MAX),
            (f64::NEG_INFINITY, Span::MIN),
            (9e18 * 3_600.0, Span::MAX),
            (1.000_4, Span::millis(1_000)),
        ] {
            assert_eq!(Span::from_seconds_f64(seconds), want, "{seconds}");
        }
        assert_eq!(Span::millis(i64::MIN).to_string(), Span::MIN.to_string());
    }

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
