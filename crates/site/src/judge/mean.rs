//! When the mean of every probe over the time before it is above a limit: the first whole millisecond, in whole numbers.
//!
//! Must never look only at readings, for between two of them a mean may have been high enough and be too low again.

use super::exact::{Moment, scale, scaled};
use super::timeline::{Frame, Track};

/// The first whole millisecond from `after` to `end` at which every probe's mean over the time before it, of the length asked for, is above
/// the limit.
pub(super) fn mean_reached(
    tracks: &[Track<'_>],
    frame: &Frame,
    end: Moment,
    length: i64,
    after: i64,
    limit: f64,
) -> Option<i64> {
    let last = end.ceil() - i64::from(Moment::at(end.ceil()) > end);
    let mut common = vec![(after, last)];
    for track in tracks {
        if common.iter().all(|(from, to)| from > to) {
            return None;
        }
        common = both(&common, &Line::of(track, frame, limit).above(length, (after, last)));
    }
    common.iter().find(|(from, to)| from <= to).map(|(from, _)| *from)
}

/// What lies in both of two lists of spans, each in order.
fn both(a: &[(i64, i64)], b: &[(i64, i64)]) -> Vec<(i64, i64)> {
    let (mut out, mut i, mut j) = (Vec::new(), 0, 0);
    while let (Some(x), Some(y)) = (a.get(i), b.get(j)) {
        let part = (x.0.max(y.0), x.1.min(y.1));
        if part.0 <= part.1 {
            out.push(part);
        }
        if x.1 < y.1 { i += 1 } else { j += 1 }
    }
    out
}

/// The line through the readings of a probe, less the limit, in whole numbers; a gap that is not bridged adds nothing to its area.
struct Line {
    /// When, in milliseconds after the beginning.
    at: Vec<i64>,
    /// How far above the limit there.
    value: Vec<i128>,
    /// Twice the area until there.
    area: Vec<i128>,
    /// The longest time between two readings that is bridged.
    gap: i64,
    /// How far a gap that is not bridged falls short.
    short: i128,
}

/// A whole number and a proper fraction.
#[derive(Clone, Copy, PartialEq, Eq)]
struct Mixed {
    whole: i128,
    over: i128,
    under: i128,
}

impl Mixed {
    fn of(over: i128, under: i128) -> Mixed {
        Mixed { whole: over.div_euclid(under), over: over.rem_euclid(under), under }
    }

    /// Whether it is larger; the denominators are lengths of gaps, so that their product fits.
    fn above(self, other: Mixed) -> bool {
        // The fractions differ by less than one.
        let parts = self.over * other.under > other.over * self.under;
        self.whole > other.whole || (self.whole == other.whole && parts)
    }
}

impl Line {
    fn of(track: &Track<'_>, frame: &Frame, limit: f64) -> Line {
        let most = track.points().map(|(_, p)| p.value.abs()).fold(limit.abs(), f64::max);
        let power = scale(most);
        let limit = scaled(limit, power);
        let short = limit.abs();
        let mut line = Line { at: Vec::new(), value: Vec::new(), area: Vec::new(), gap: frame.gap.as_millis(), short };
        for (_, point) in track.points() {
            let (at, value) = (frame.offset(point.at), scaled(point.value, power) - limit);
            if line.at.last().is_some_and(|before| at <= *before) {
                continue;
            }
            let last = line.at.len().checked_sub(1);
            let more = last.map_or(0, |last| {
                let time = i128::from(at - line.at[last]);
                if line.joined(last, at) { (line.value[last] + value) * time } else { -2 * short * time }
            });
            line.area.push(last.map_or(0, |last| line.area[last]) + more);
            line.at.push(at);
            line.value.push(value);
        }
        line
    }

    fn joined(&self, index: usize, next: i64) -> bool {
        next - self.at[index] <= self.gap
    }

    /// Twice the area until a time after reading `index`, which is the last one at or before that time; without one, before all of them.
    fn until(&self, index: Option<usize>, at: i64) -> Mixed {
        let Some(index) = index else {
            let first = self.at.first().copied().unwrap_or(at);
            return Mixed::of(2 * self.short * i128::from(first - at), 1);
        };
        let since = i128::from(at - self.at[index]);
        match self.at.get(index + 1) {
            Some(next) if self.joined(index, *next) => {
                let (whole, rise) = (i128::from(next - self.at[index]), self.value[index + 1] - self.value[index]);
                let line = Mixed::of(rise * since * since, whole);
                Mixed { whole: line.whole + self.area[index] + 2 * self.value[index] * since, ..line }
            }
            _ => Mixed::of(self.area[index] - 2 * self.short * since, 1),
        }
    }

    /// The line's height at a time after reading `index`; where nothing is known, it falls short by the whole limit.
    fn height(&self, index: Option<usize>, at: i64) -> Mixed {
        let Some(index) = index else { return Mixed::of(-self.short, 1) };
        match self.at.get(index + 1) {
            Some(next) if self.joined(index, *next) => {
                let (whole, rise) = (i128::from(next - self.at[index]), self.value[index + 1] - self.value[index]);
                let line = Mixed::of(rise * i128::from(at - self.at[index]), whole);
                Mixed { whole: line.whole + self.value[index], ..line }
            }
            _ => Mixed::of(-self.short, 1),
        }
    }

    /// The spans within `within` in which the mean over the time before is above the limit.
    fn above(&self, length: i64, within: (i64, i64)) -> Vec<(i64, i64)> {
        let mut out: Vec<(i64, i64)> = Vec::new();
        let last_before = |at: i64| self.at.partition_point(|t| *t <= at).checked_sub(1);
        let (mut now, (mut front, mut back)) = (within.0, (last_before(within.0), last_before(within.0 - length)));
        while now <= within.1 {
            // Until the front or the back end of the time comes to the next reading, the area is a parabola.
            let next = |index: Option<usize>| self.at.get(index.map_or(0, |i| i + 1)).copied();
            let ends = [next(front), next(back).map(|at| at + length), Some(within.1 + 1)];
            let end = ends.into_iter().flatten().min().unwrap_or(within.1 + 1);
            for span in self.parabola((front, back), length, (now, end - 1)) {
                match out.last_mut() {
                    Some(before) if before.1 + 1 >= span.0 => before.1 = span.1,
                    _ => out.push(span),
                }
            }
            while next(front).is_some_and(|at| at <= end) {
                front = Some(front.map_or(0, |i| i + 1));
            }
            while next(back).is_some_and(|at| at + length <= end) {
                back = Some(back.map_or(0, |i| i + 1));
            }
            now = end;
        }
        out
    }

    /// Where, from one time to another between which no reading lies at either end, the mean is above: at most two spans.
    fn parabola(&self, ends: (Option<usize>, Option<usize>), length: i64, (from, to): (i64, i64)) -> Vec<(i64, i64)> {
        let good = |at: i64| self.until(ends.0, at).above(self.until(ends.1, at - length));
        let rises = |at: i64| self.height(ends.0, at).above(self.height(ends.1, at - length));
        // The slope is a straight line: it changes its sign once at most.
        let turn = (rises(from) != rises(to)).then(|| first((from, to), |at| rises(at) != rises(from)));
        let mut out: Vec<(i64, i64)> = Vec::new();
        for (a, b) in [Some((from, turn.map_or(to, |at| at - 1))), turn.map(|at| (at, to))].into_iter().flatten() {
            let span = match (good(a), good(b)) {
                (true, true) => (a, b),
                (true, false) => (a, first((a, b), |at| !good(at)) - 1),
                (false, true) => (first((a, b), good), b),
                (false, false) => continue,
            };
            match out.last_mut() {
                Some(before) if before.1 + 1 >= span.0 => before.1 = before.1.max(span.1),
                _ => out.push(span),
            }
        }
        out
    }
}

/// The first time of a span at which something holds that does not at its beginning, does at its end, and changes once.
fn first((mut before, mut at): (i64, i64), holds: impl Fn(i64) -> bool) -> i64 {
    while at - before > 1 {
        let middle = before + (at - before) / 2;
        if holds(middle) { at = middle } else { before = middle }
    }
    at
}
