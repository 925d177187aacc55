//! The recent past of one series, small enough to keep for thousands of series at once.
//!
//! Must never invent a point: a gap stays a gap.

use std::collections::VecDeque;

use crate::statistics::median_of;
use crate::time::{Span, Timestamp};

/// One good reading in the series' canonical unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// When the probe measured it.
    pub at: Timestamp,
    /// The value in the canonical unit of its quantity.
    pub value: f64,
}

/// What became of a point that was offered to a window.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Absorbed {
    /// It is the newest of the series.
    Newest,
    /// It is older than the newest; windows and results take it, live alarms do not turn on it.
    Late,
    /// The same instant is there already with the same value.
    Repeat,
    /// The same instant is there already with another value; the first one stays.
    Conflict,
    /// It is older than the window reaches, or outside the years 1970 to 42,800 that a window can hold.
    TooOld,
}

/// Good readings of one series: exact for the newest hour, five-minute medians before that, up to `reach` back.
///
/// Points beyond the hour take 8 bytes each. A median stands at the middle of its five minutes.
#[derive(Clone, Debug, PartialEq)]
pub struct Window {
    reach: Span,
    exact: VecDeque<Point>,
    medians: VecDeque<Folded>,
}

/// The length of the exact part.
pub const EXACT: Span = Span::hours(1);
/// The cell over which older points are reduced to their median.
pub const CELL: Span = Span::minutes(5);

/// Readings that came out of a fold: its cell counted from 1970, and the median.
type Folded = (u32, f32);
const _: () = assert!(size_of::<Folded>() == 8, "a folded point must take 8 bytes");

impl Window {
    /// An empty window that reaches `reach` back from its newest point; less than nothing counts as nothing.
    pub fn new(reach: Span) -> Window {
        Window { reach: reach.max(Span::ZERO), exact: VecDeque::new(), medians: VecDeque::new() }
    }

    /// Takes one point in and says what became of it.
    ///
    /// Points stay exact for an hour and until their five minutes have wholly left that hour; then the cell folds into
    /// its median. A late point for a cell that has folded becomes the cell's value if the cell was empty; otherwise
    /// it leaves no trace here, because the points behind the median are gone: the ledger keeps the exact history. It
    /// is answered `Late` either way, also when it repeats a point that has folded.
    pub fn absorb(&mut self, point: Point) -> Absorbed {
        let Some(cell) = cell_of(point.at) else { return Absorbed::TooOld };
        let Some(newest) = self.newest() else {
            self.exact.push_back(point);
            return Absorbed::Newest;
        };
        if point.at > newest.at {
            make_room(&mut self.exact);
            self.exact.push_back(point);
            self.fold_and_drop(point.at);
            return Absorbed::Newest;
        }
        if point.at < newest.at - self.reach {
            return Absorbed::TooOld;
        }
        if cell < first_exact_cell(newest.at) {
            let place = self.medians.partition_point(|m| m.0 < cell);
            if self.medians.get(place).is_none_or(|m| m.0 != cell) {
                make_room(&mut self.medians);
                self.medians.insert(place, (cell, point.value as f32));
            }
            return Absorbed::Late;
        }
        let place = self.exact.partition_point(|p| p.at < point.at);
        match self.exact.get(place) {
            Some(there) if there.at == point.at && there.value == point.value => Absorbed::Repeat,
            Some(there) if there.at == point.at => Absorbed::Conflict,
            _ => {
                make_room(&mut self.exact);
                self.exact.insert(place, point);
                Absorbed::Late
            }
        }
    }

    /// The newest point, always exact.
    pub fn newest(&self) -> Option<Point> {
        self.exact.back().copied()
    }

    /// The points from `from` to `to`, both included, oldest first: medians at the middle of their cell, then exact ones.
    pub fn range(&self, from: Timestamp, to: Timestamp) -> impl DoubleEndedIterator<Item = Point> + '_ {
        let (a, b) = between(&self.medians, from, to, |m| middle(m.0));
        let (c, d) = between(&self.exact, from, to, |p| p.at);
        let medians = self.medians.range(a..b).map(|m| Point { at: middle(m.0), value: f64::from(m.1) });
        medians.chain(self.exact.range(c..d).copied())
    }

    /// How many points [`Window::range`] gives; counting them goes through none of them.
    pub fn count(&self, from: Timestamp, to: Timestamp) -> usize {
        let (a, b) = between(&self.medians, from, to, |m| middle(m.0));
        let (c, d) = between(&self.exact, from, to, |p| p.at);
        (b - a) + (d - c)
    }

    /// How far back from its newest point the window reaches.
    pub fn reach(&self) -> Span {
        self.reach
    }

    /// How many points are held, a median counting as one.
    pub fn len(&self) -> usize {
        self.medians.len() + self.exact.len()
    }

    /// Gives back the memory that it grew into while it was filled.
    pub fn shrink(&mut self) {
        self.exact.shrink_to_fit();
        self.medians.shrink_to_fit();
    }

    /// Whether no point has come yet.
    pub fn is_empty(&self) -> bool {
        self.exact.is_empty()
    }

    /// Folds what has left the exact hour of `newest` and drops what is out of reach.
    fn fold_and_drop(&mut self, newest: Timestamp) {
        let oldest = newest - self.reach;
        let first_exact = first_exact_cell(newest);
        // The cell that the reach cuts is kept while a part of it is within reach.
        let first_kept = cell_of(oldest).unwrap_or(0);
        let folding = self.exact.partition_point(|p| cell_of(p.at).is_some_and(|c| c < first_exact));
        let mut leaving = self.exact.drain(..folding).filter_map(|p| Some((cell_of(p.at)?, p.value))).peekable();
        while let Some((cell, value)) = leaving.next() {
            let mut values = vec![value];
            while let Some((_, value)) = leaving.next_if(|l| l.0 == cell) {
                values.push(value);
            }
            if cell >= first_kept {
                make_room(&mut self.medians);
                self.medians.push_back((cell, median_of(&mut values) as f32));
            }
        }
        drop(leaving);
        let out_of_reach = self.exact.partition_point(|p| p.at < oldest);
        self.exact.drain(..out_of_reach);
        let out_of_reach = self.medians.partition_point(|m| m.0 < first_kept);
        self.medians.drain(..out_of_reach);
        give_back(&mut self.exact);
        give_back(&mut self.medians);
    }
}

/// The cell an instant lies in; none outside the years 1970 to 42,800 that 32 bits can count.
fn cell_of(at: Timestamp) -> Option<u32> {
    u32::try_from(at.as_millis().div_euclid(CELL.as_millis())).ok()
}

/// The first cell that is still held point by point when `newest` is the newest instant.
fn first_exact_cell(newest: Timestamp) -> u32 {
    cell_of(newest - EXACT).unwrap_or(0)
}

fn middle(cell: u32) -> Timestamp {
    Timestamp::from_millis(i64::from(cell) * CELL.as_millis() + CELL.as_millis() / 2)
}

/// Where the items from `from` to `to` start and end; nothing if `to` is before `from`.
fn between<T>(items: &VecDeque<T>, from: Timestamp, to: Timestamp, at: impl Fn(&T) -> Timestamp) -> (usize, usize) {
    let end = items.partition_point(|i| at(i) <= to);
    (items.partition_point(|i| at(i) < from).min(end), end)
}

/// Grows by a quarter instead of doubling: thousands of windows stand side by side.
fn make_room<T>(items: &mut VecDeque<T>) {
    if items.len() == items.capacity() {
        items.reserve_exact((items.len() / 4).max(4));
    }
}

/// Gives memory back after a burst, but not so eagerly that an even stream would allocate again and again.
fn give_back<T>(items: &mut VecDeque<T>) {
    if items.capacity() > 2 * items.len() + 32 {
        items.shrink_to(items.len() + items.len() / 4);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn three_days_take_the_memory_they_need() {
        for (step, days, medians_bytes, exact_bytes, why) in [
            (Span::minutes(5), 10, 9_000, 600, "five-minute readings: 852 medians of 8 bytes, 13 points of 16"),
            (Span::minutes(1), 10, 9_000, 1_600, "minute readings: 65 points in the exact part"),
            (Span::seconds(10), 5, 9_000, 9_000, "ten-second readings: 390 points in the exact part"),
        ] {
            let mut window = Window::new(Span::days(3));
            let mut at = Timestamp::from_millis(1_700_000_000_000);
            let end = at + Span::days(days);
            while at < end {
                window.absorb(Point { at, value: 60.0 });
                at = at + step;
            }
            let (medians, exact) = (window.medians.capacity() * 8, window.exact.capacity() * size_of::<Point>());
            assert!(window.medians.len() > 840, "{why}");
            assert!(medians < medians_bytes, "{why}: {medians} bytes of medians");
            assert!(exact < exact_bytes, "{why}: {exact} bytes of exact points");
        }
    }

    #[test]
    fn a_burst_gives_its_memory_back() {
        let mut window = Window::new(Span::days(3));
        for s in 0..3_600 {
            window.absorb(Point { at: Timestamp::from_millis(s * 1_000), value: 60.0 });
        }
        for minute in 0..300 {
            window.absorb(Point { at: Timestamp::from_millis((60 + minute) * 60_000), value: 60.0 });
        }
        assert!(window.exact.capacity() < 200, "{} places for 65 points", window.exact.capacity());
    }
}
