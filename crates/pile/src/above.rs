//! Time above a threshold and longest run: one account that grows point by point, and one over a finished history; and
//! the floor and mean of a history.
//!
//! Must never bridge a gap longer than the one allowed: a silent hour is neither hot nor cold.
//!
//! All draw a straight line between neighbouring points that are at most `max_gap` apart (exactly `max_gap` still
//! counts) and know nothing anywhere else: not across a longer gap, not before the first point, not after the last.
//! A value that is not a finite number is no reading and is left out.

use crate::time::{Span, Timestamp};
use crate::units::{Celsius, Fraction};
use crate::window::Point;

/// A connected stretch of time spent above a threshold.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Run {
    /// When it begins; interpolated, to the nearest millisecond.
    pub from: Timestamp,
    /// How long it lasts, to the nearest millisecond.
    pub length: Span,
}

/// A running account of time at or above one threshold, for points that come in time order.
#[derive(Clone, Debug, PartialEq)]
pub struct Above {
    threshold: Celsius,
    max_gap: Span,
    from: Timestamp,
    newest: Option<Point>,
    // Milliseconds after `from`. In milliseconds every sum over whole stretches is exact; in seconds it would not be.
    covered: f64,
    at_or_above: f64,
    /// Start and length.
    longest: Option<(f64, f64)>,
    /// Start of the run that reaches the newest point.
    current: Option<f64>,
    first_reached: Option<f64>,
}

impl Above {
    /// An account that has seen nothing yet. Points before `from` do not belong to it.
    pub fn new(threshold: Celsius, max_gap: Span, from: Timestamp) -> Above {
        Above {
            threshold,
            max_gap,
            from,
            newest: None,
            covered: 0.0,
            at_or_above: 0.0,
            longest: None,
            current: None,
            first_reached: None,
        }
    }

    /// Takes the next point in.
    ///
    /// Answers `false`, with nothing changed, for a point that is not newer than the last one taken: the caller then
    /// recounts with [`Above::from_history`]. A point before `from`, or with a value that is not finite, changes
    /// nothing and needs no recount, so it answers `true`.
    pub fn push(&mut self, point: Point) -> bool {
        if point.at < self.from || !point.value.is_finite() {
            return true;
        }
        if self.newest.is_some_and(|n| point.at <= n.at) {
            return false;
        }
        let limit = self.threshold.0;
        let now = offset(point.at, self.from);
        match self.newest {
            Some(last) if gap(last, point) <= self.max_gap => {
                let before = offset(last.at, self.from);
                self.covered += now - before;
                match (last.value >= limit, point.value >= limit) {
                    (true, true) => self.at_or_above += now - before,
                    (false, true) => {
                        let up = crossing((before, last.value), (now, point.value), limit);
                        self.at_or_above += now - up;
                        self.current = Some(up);
                    }
                    (true, false) => {
                        let down = crossing((before, last.value), (now, point.value), limit);
                        self.at_or_above += down - before;
                        self.note_length(down);
                        self.current = None;
                    }
                    (false, false) => {}
                }
            }
            _ => self.current = (point.value >= limit).then_some(now),
        }
        self.note_length(now);
        self.first_reached = self.first_reached.or(self.current);
        self.newest = Some(point);
        true
    }

    /// The account of a history, oldest first. Points before `from`, and points not newer than the one before them,
    /// are left out.
    pub fn from_history(threshold: Celsius, max_gap: Span, from: Timestamp, points: &[Point]) -> Above {
        let mut above = Above::new(threshold, max_gap, from);
        for point in points {
            above.push(*point);
        }
        above
    }

    /// The threshold.
    pub fn threshold(&self) -> Celsius {
        self.threshold
    }

    /// The longest gap that is bridged by a straight line.
    pub fn max_gap(&self) -> Span {
        self.max_gap
    }

    /// Where the account begins.
    pub fn from(&self) -> Timestamp {
        self.from
    }

    /// The newest point taken in.
    pub fn newest(&self) -> Option<Point> {
        self.newest
    }

    /// Time at or above the threshold.
    pub fn at_or_above(&self) -> Span {
        span(self.at_or_above)
    }

    /// Time that the points cover, above and below together.
    pub fn covered(&self) -> Span {
        span(self.covered)
    }

    /// The covered share of the time from the beginning of the account to `until`, 0 to 1.
    ///
    /// If the newest point is later than `until`, the time ends there. `None` if no time has passed.
    pub fn coverage(&self, until: Timestamp) -> Option<f64> {
        let until = self.newest.map_or(until, |n| n.at.max(until));
        let whole = offset(until, self.from);
        (whole > 0.0).then(|| self.covered / whole)
    }

    /// The longest run at or above the threshold, the first of equals. A touch that lasts no time is no run.
    ///
    /// Resting on the threshold or touching it from above does not end a run.
    pub fn longest_run(&self) -> Option<Run> {
        self.longest.map(|(start, length)| Run { from: instant(self.from, start), length: span(length) })
    }

    /// The run that reaches the newest point; `None` if that point is below the threshold.
    ///
    /// It has no length yet if the newest point is the first to reach the threshold, or follows a gap.
    pub fn current_run(&self) -> Option<Run> {
        let (start, newest) = (self.current?, self.newest?);
        Some(Run { from: instant(self.from, start), length: span(offset(newest.at, self.from) - start) })
    }

    /// When the threshold was first reached: the interpolated crossing, or the first point if nothing leads up to it.
    pub fn first_reached(&self) -> Option<Timestamp> {
        self.first_reached.map(|start| instant(self.from, start))
    }

    /// Keeps the current run if, at `end`, it is longer than the longest so far.
    fn note_length(&mut self, end: f64) {
        if let Some(start) = self.current
            && end - start > self.longest.map_or(0.0, |l| l.1)
        {
            self.longest = Some((start, end - start));
        }
    }
}

/// What a finished history says about one threshold between two instants.
#[derive(Clone, Debug, PartialEq)]
pub struct Account {
    /// Time that the points cover, s.
    pub covered_s: f64,
    /// The covered share of the whole, 0 to 1; `None` if the whole has no length.
    pub coverage: Option<f64>,
    /// Mean over the covered time, weighted by time, °C; `None` if nothing is covered.
    pub mean: Option<f64>,
    /// Time above the threshold, s.
    pub above_strict_s: f64,
    /// Time at or above the threshold, s. Longer than the strict one only by time spent exactly on it.
    pub at_or_above_s: f64,
    /// The longest run above the threshold; a point exactly on it ends a run.
    pub longest_strict: Option<Run>,
    /// The longest run at or above the threshold; a point exactly on it does not end a run.
    pub longest_inclusive: Option<Run>,
}

/// The account of `points`, oldest first, from `from` to `to`.
///
/// A stretch between two points that an end of the time cuts counts as far as it lies inside, while `max_gap` is held
/// against the whole stretch. Points that are not newer than the one before them are left out.
pub fn account(points: &[Point], from: Timestamp, to: Timestamp, threshold: Celsius, max_gap: Span) -> Account {
    let limit = threshold.0;
    let whole = offset(to, from);
    let (mut covered, mut integral) = (0.0, 0.0);
    let (mut strict, mut inclusive) = (Runs::default(), Runs::default());
    for stretch in stretches(points, from, to, max_gap) {
        covered += stretch.length();
        integral += stretch.mean() * stretch.length();
        let (a, b) = (stretch.a.1, stretch.b.1);
        if a <= limit {
            strict.end();
        }
        strict.add(stretch.piece(limit, a > limit, b > limit));
        inclusive.add(stretch.at_or_above(limit));
    }
    strict.end();
    inclusive.end();
    let run = |(start, length): (f64, f64)| Run { from: instant(from, start), length: span(length) };
    Account {
        covered_s: covered / 1e3,
        coverage: (whole > 0.0).then(|| covered / whole),
        mean: (covered > 0.0).then(|| integral / covered),
        above_strict_s: strict.total / 1e3,
        at_or_above_s: inclusive.total / 1e3,
        longest_strict: strict.longest.map(run),
        longest_inclusive: inclusive.longest.map(run),
    }
}

/// How warm a finished history was between two instants, whatever the threshold.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Level {
    /// Time that the points cover, s.
    pub covered_s: f64,
    /// The covered share of the whole; `None` if the whole has no length.
    pub coverage: Option<Fraction>,
    /// The lowest value of any point inside and of the lines cut by the ends; `None` if there is neither.
    pub floor: Option<Celsius>,
    /// Mean over the covered time, weighted by time; `None` if nothing is covered.
    pub mean: Option<Celsius>,
}

/// The level of `points`, oldest first, from `from` to `to`; covered time and mean are those of [`account`].
///
/// A point on its own among gaps covers no time but counts for the floor: it was measured.
pub fn level(points: &[Point], from: Timestamp, to: Timestamp, max_gap: Span) -> Level {
    let whole = offset(to, from);
    let (mut covered, mut integral) = (0.0, 0.0);
    let inside = points.iter().filter(|p| from <= p.at && p.at <= to && p.value.is_finite());
    let mut floor = inside.map(|p| p.value).reduce(f64::min);
    for stretch in stretches(points, from, to, max_gap) {
        covered += stretch.length();
        integral += stretch.mean() * stretch.length();
        let lower = stretch.value_at(stretch.start).min(stretch.value_at(stretch.end));
        floor = Some(floor.map_or(lower, |f| f.min(lower)));
    }
    Level {
        covered_s: covered / 1e3,
        coverage: (whole > 0.0).then(|| Fraction(covered / whole)),
        floor: floor.map(Celsius),
        mean: (covered > 0.0).then(|| Celsius(integral / covered)),
    }
}

/// The line between two neighbouring points that are close enough, as far as it lies inside the time asked about.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Stretch {
    /// The earlier point: milliseconds after the beginning of the time asked about, and value.
    pub(crate) a: (f64, f64),
    /// The later point.
    pub(crate) b: (f64, f64),
    /// Where the part inside starts; after `start` comes `end`, never the same.
    pub(crate) start: f64,
    /// Where the part inside ends.
    pub(crate) end: f64,
}

/// The covered stretches of `points`, oldest first, from `from` to `to`. `max_gap` is held against whole stretches.
/// Points that are not newer than the one before them, or not finite, are left out.
pub(crate) fn stretches(
    points: &[Point],
    from: Timestamp,
    to: Timestamp,
    max_gap: Span,
) -> impl Iterator<Item = Stretch> + '_ {
    let whole = offset(to, from);
    let mut last: Option<Point> = None;
    points.iter().filter(|p| p.value.is_finite()).filter_map(move |point| {
        if last.is_some_and(|l| point.at <= l.at) {
            return None;
        }
        let before = last.replace(*point)?;
        let (a, b) = ((offset(before.at, from), before.value), (offset(point.at, from), point.value));
        let (start, end) = (a.0.max(0.0), b.0.min(whole));
        (gap(before, *point) <= max_gap && start < end).then_some(Stretch { a, b, start, end })
    })
}

impl Stretch {
    fn length(&self) -> f64 {
        self.end - self.start
    }

    pub(crate) fn value_at(&self, t: f64) -> f64 {
        // At the later point the line would be off by a rounding, enough to put the floor below a reading.
        if t == self.b.0 {
            self.b.1
        } else {
            self.a.1 + (self.b.1 - self.a.1) * ((t - self.a.0) / (self.b.0 - self.a.0))
        }
    }

    fn mean(&self) -> f64 {
        (self.value_at(self.start) + self.value_at(self.end)) / 2.0
    }

    /// The part inside at or above `limit`, start and end; it may have no length.
    pub(crate) fn at_or_above(&self, limit: f64) -> Option<(f64, f64)> {
        self.piece(limit, self.a.1 >= limit, self.b.1 >= limit)
    }

    /// The part inside above `limit`, given whether the earlier and the later point are above it.
    fn piece(&self, limit: f64, above_a: bool, above_b: bool) -> Option<(f64, f64)> {
        // The crossing is taken on the whole stretch and cut afterwards: cutting first would lose digits.
        let (start, end) = match (above_a, above_b) {
            (true, true) => (self.start, self.end),
            (false, true) => (crossing(self.a, self.b, limit).max(self.start), self.end),
            (true, false) => (self.start, crossing(self.a, self.b, limit).min(self.end)),
            (false, false) => return None,
        };
        (start <= end).then_some((start, end))
    }
}

/// Pieces of time above a threshold, joined where one ends as the next begins.
#[derive(Default)]
struct Runs {
    total: f64,
    /// Start and end.
    open: Option<(f64, f64)>,
    /// Start and length.
    longest: Option<(f64, f64)>,
}

impl Runs {
    fn add(&mut self, piece: Option<(f64, f64)>) {
        let Some((start, end)) = piece else { return };
        self.total += end - start;
        match &mut self.open {
            Some(open) if open.1 == start => open.1 = end,
            _ => {
                self.end();
                self.open = Some((start, end));
            }
        }
    }

    fn end(&mut self) {
        if let Some((start, end)) = self.open.take()
            && end - start > self.longest.map_or(0.0, |l| l.1)
        {
            self.longest = Some((start, end - start));
        }
    }
}

/// Where the straight line from `a` to `b` (time, value) meets `limit`, which must lie between their values.
fn crossing(a: (f64, f64), b: (f64, f64), limit: f64) -> f64 {
    (a.0 + (limit - a.1) / (b.1 - a.1) * (b.0 - a.0)).clamp(a.0, b.0)
}

fn gap(earlier: Point, later: Point) -> Span {
    Span::millis(later.at.as_millis().saturating_sub(earlier.at.as_millis()))
}

/// Milliseconds from `from` to `at`; exact for any instant within 285,000 years of 1970.
fn offset(at: Timestamp, from: Timestamp) -> f64 {
    at.as_millis() as f64 - from.as_millis() as f64
}

fn instant(from: Timestamp, offset_ms: f64) -> Timestamp {
    from + span(offset_ms)
}

fn span(ms: f64) -> Span {
    Span::millis(ms.round() as i64)
}
