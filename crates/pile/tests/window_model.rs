//! The window does what its promise says, held against a model that keeps everything.
//!
//! Must never look inside the window: only what `range` shows counts.

#![allow(clippy::unwrap_used)]

use std::collections::BTreeMap;

use pile::time::{Span, Timestamp};
use pile::window::{Absorbed, CELL, EXACT, Point, Window};
use proptest::prelude::*;

const MIN: i64 = 60_000;

fn point(ms: i64, value: f64) -> Point {
    Point { at: Timestamp::from_millis(ms), value }
}

fn shown(window: &Window) -> Vec<(i64, f64)> {
    window.range(Timestamp::MIN, Timestamp::MAX).map(|p| (p.at.as_millis(), p.value)).collect()
}

#[test]
fn every_point_is_told_what_became_of_it() {
    use Absorbed::{Conflict, Late, Newest, Repeat, TooOld};
    // Minutes; a reach of three hours. The newest of `before` is at 10:00.
    let before = [(6 * 60 + 59, 59.0), (8 * 60, 60.0), (9 * 60 + 30, 61.0), (10 * 60, 62.0)];
    for (minute, value, want, why) in [
        (601, 63.0, Newest, "it is newer than all"),
        (600, 62.0, Repeat, "the newest again"),
        (600, 62.5, Conflict, "the newest instant with another value"),
        (570, 61.0, Repeat, "an earlier one again"),
        (570, 61.5, Conflict, "an earlier instant with another value"),
        (569, 61.0, Late, "between two others"),
        (540, 61.0, Late, "exactly an hour old is in the exact hour"),
        (539, 61.0, Late, "just older than the hour"),
        (480, 60.0, Late, "its cell has folded, so a repeat cannot be told"),
        (420, 60.0, Late, "exactly as old as the window reaches"),
        (419, 60.0, TooOld, "a minute beyond the reach"),
        (-1, 60.0, TooOld, "before 1970"),
    ] {
        let mut window = Window::new(Span::hours(3));
        for (minute, value) in before {
            window.absorb(point(minute * MIN, value));
        }
        let earlier = shown(&window);
        assert_eq!(window.absorb(point(minute * MIN, value)), want, "minute {minute}: {why}");
        if matches!(want, Repeat | Conflict | TooOld) {
            assert_eq!(shown(&window), earlier, "minute {minute}: {why}, and nothing changes");
        }
    }
    let mut window = Window::new(Span::hours(3));
    for ms in [-1, Timestamp::MIN.as_millis(), Timestamp::MAX.as_millis(), i64::MAX] {
        assert_eq!(window.absorb(point(ms, 60.0)), TooOld, "{ms} ms is no instant that a window can hold");
    }
    assert!(window.is_empty());
}

#[test]
fn cells_fold_when_they_have_left_the_hour_whole() {
    // Readings at 0, 1, 2 and 5 minutes, then the newest.
    for (newest_ms, want, why) in [
        (64 * MIN, &[(0, 1.0), (1, 2.0), (2, 9.0), (5, 4.0)][..], "the first cell is partly inside the hour"),
        (65 * MIN - 1, &[(0, 1.0), (1, 2.0), (2, 9.0), (5, 4.0)], "a millisecond before it has left"),
        (65 * MIN, &[(2, 2.0), (5, 4.0)], "it has left; 5 min is exactly an hour old and stays exact"),
        (70 * MIN - 1, &[(2, 2.0), (5, 4.0)], "the second cell is partly inside"),
        (70 * MIN, &[(2, 2.0), (7, 4.0)], "and now it has left"),
    ] {
        let mut window = Window::new(Span::hours(3));
        for (minute, value) in [(0, 1.0), (1, 2.0), (2, 9.0), (5, 4.0)] {
            window.absorb(point(minute * MIN, value));
        }
        assert_eq!(window.absorb(point(newest_ms, 5.0)), Absorbed::Newest);
        let got = shown(&window);
        // A median stands at the middle of its cell, two and a half minutes after a multiple of five.
        let got: Vec<(i64, f64)> = got[..got.len() - 1].iter().map(|(ms, value)| (ms / MIN, *value)).collect();
        assert_eq!(got, want, "newest at {newest_ms} ms: {why}");
    }
}

#[test]
fn a_late_point_fills_an_empty_cell_once() {
    let mut window = Window::new(Span::hours(6));
    for minute in [0, 300] {
        window.absorb(point(minute * MIN, 60.0));
    }
    let half = MIN / 2;
    for (minute, value, want, why) in [
        (120, 50.0, 50.0, "an empty cell takes the value"),
        (121, 99.0, 50.0, "the next one for that cell leaves no trace"),
        (120, 99.0, 50.0, "nor does another value for the same instant"),
    ] {
        assert_eq!(window.absorb(point(minute * MIN, value)), Absorbed::Late, "{why}");
        assert_eq!(shown(&window)[1], (122 * MIN + half, want), "{why}");
        assert_eq!(window.len(), 3, "{why}");
    }
}

#[test]
fn a_range_includes_both_its_ends() {
    let mut window = Window::new(Span::hours(6));
    for minute in [0, 290, 300] {
        window.absorb(point(minute * MIN, minute as f64));
    }
    let middle = 2 * MIN + MIN / 2;
    for (from, to, want, why) in [
        (middle, 300 * MIN, 3, "from the middle of the first cell to the newest"),
        (middle + 1, 300 * MIN, 2, "just after the median"),
        (0, middle - 1, 0, "a median stands at the middle, not at its readings"),
        (middle, middle, 1, "one instant"),
        (290 * MIN, 299 * MIN, 1, "exact points only"),
        (300 * MIN, 290 * MIN, 0, "an end before the start holds nothing"),
        (400 * MIN, 500 * MIN, 0, "the future holds nothing"),
    ] {
        let range = window.range(Timestamp::from_millis(from), Timestamp::from_millis(to));
        assert_eq!(range.count(), want, "{why}");
    }
}

#[test]
fn a_gap_longer_than_the_reach_leaves_only_the_newest() {
    for (reach, why) in [
        (Span::days(3), "a usual reach"),
        (Span::minutes(10), "less than the exact hour"),
        (Span::ZERO, "no reach"),
        (Span::hours(-1), "less than none"),
    ] {
        let mut window = Window::new(reach);
        for minute in 0..200 {
            window.absorb(point(minute * MIN, 60.0));
        }
        window.absorb(point(100_000 * MIN, 20.0));
        assert_eq!(shown(&window), [(100_000 * MIN, 20.0)], "{why}");
        assert_eq!(window.newest(), Some(point(100_000 * MIN, 20.0)), "{why}");
    }
}

/// What a window shows of a history that came in order, from all of it.
fn from_whole_history(history: &[(i64, f64)], reach: i64) -> Vec<(i64, f64)> {
    let Some((newest, _)) = history.last() else { return vec![] };
    let cell = CELL.as_millis();
    let first_exact = (newest - EXACT.as_millis()).div_euclid(cell);
    let mut cells: BTreeMap<i64, Vec<f64>> = BTreeMap::new();
    let mut exact = vec![];
    for (ms, value) in history {
        if ms.div_euclid(cell) >= first_exact {
            if *ms >= newest - reach {
                exact.push((*ms, *value));
            }
        } else if ms.div_euclid(cell) >= (newest - reach).div_euclid(cell) {
            cells.entry(ms.div_euclid(cell)).or_default().push(*value);
        }
    }
    let medians = cells.into_iter().map(|(c, mut values)| {
        values.sort_by(f64::total_cmp);
        let middle = (values[(values.len() - 1) / 2] + values[values.len() / 2]) / 2.0;
        (c * cell + cell / 2, f64::from(middle as f32))
    });
    medians.chain(exact).collect()
}

/// The promise told step by step, with the plainest containers, for points in any order.
struct Model {
    reach: i64,
    exact: BTreeMap<i64, f64>,
    medians: BTreeMap<i64, f64>,
}

impl Model {
    fn absorb(&mut self, ms: i64, value: f64) -> Absorbed {
        let cell = CELL.as_millis();
        let newest = self.exact.keys().max().copied();
        if newest.is_none_or(|n| ms > n) {
            self.exact.insert(ms, value);
            for c in self.exact.keys().map(|ms| ms.div_euclid(cell)).collect::<Vec<_>>() {
                let mut values: Vec<f64> = self.exact.range(c * cell..(c + 1) * cell).map(|(_, v)| *v).collect();
                if (c + 1) * cell <= ms - EXACT.as_millis() && !values.is_empty() {
                    values.sort_by(f64::total_cmp);
                    let middle = (values[(values.len() - 1) / 2] + values[values.len() / 2]) / 2.0;
                    self.medians.insert(c, f64::from(middle as f32));
                    self.exact.retain(|at, _| at.div_euclid(cell) != c);
                }
            }
            self.medians.retain(|c, _| (c + 1) * cell > ms - self.reach);
            self.exact.retain(|at, _| *at >= ms - self.reach);
            return Absorbed::Newest;
        }
        let newest = newest.unwrap();
        if ms < newest - self.reach {
            return Absorbed::TooOld;
        }
        let c = ms.div_euclid(cell);
        if (c + 1) * cell <= newest - EXACT.as_millis() {
            self.medians.entry(c).or_insert(f64::from(value as f32));
            return Absorbed::Late;
        }
        match self.exact.get(&ms) {
            Some(there) if *there == value => Absorbed::Repeat,
            Some(_) => Absorbed::Conflict,
            None => {
                self.exact.insert(ms, value);
                Absorbed::Late
            }
        }
    }

    fn shown(&self) -> Vec<(i64, f64)> {
        let cell = CELL.as_millis();
        let medians = self.medians.iter().map(|(c, value)| (c * cell + cell / 2, *value));
        medians.chain(self.exact.iter().map(|(ms, value)| (*ms, *value))).collect()
    }
}

fn reach() -> impl Strategy<Value = i64> {
    prop_oneof![Just(0), Just(20 * MIN), Just(60 * MIN), Just(65 * MIN), 1i64..20_000_000]
}

/// Not between 60 and 65 minutes: there a cell loses points to the reach before it folds. The model covers that.
fn reach_of_whole_cells() -> impl Strategy<Value = i64> {
    reach().prop_map(|reach| if (60 * MIN..65 * MIN).contains(&reach) { 60 * MIN } else { reach })
}

fn value() -> impl Strategy<Value = f64> {
    prop_oneof![(0i32..3).prop_map(f64::from), -20f64..120.0]
}

proptest! {
    #[test]
    fn in_order_it_shows_medians_and_the_hour_of_the_whole_history(
        steps in prop::collection::vec((prop_oneof![
            5 => 1i64..3 * MIN,
            1 => Just(5 * MIN),
            1 => MIN..90 * MIN,
        ], value()), 0..200),
        reach in reach_of_whole_cells(),
    ) {
        let mut window = Window::new(Span::millis(reach));
        let (mut ms, mut history) = (10_000_000_000, vec![]);
        for (step, value) in steps {
            ms += step;
            history.push((ms, value));
            prop_assert_eq!(window.absorb(point(ms, value)), Absorbed::Newest);
            prop_assert_eq!(shown(&window), from_whole_history(&history, reach));
        }
    }

    #[test]
    fn in_any_order_it_does_what_the_model_does(
        offers in prop::collection::vec((prop_oneof![
            // Whole minutes, so that instants meet and boundaries are hit; and any instant.
            (0i64..400).prop_map(|m| m * MIN),
            0i64..400 * MIN,
        ], value()), 0..120),
        reach in reach(),
    ) {
        let mut window = Window::new(Span::millis(reach));
        let mut model = Model { reach, exact: BTreeMap::new(), medians: BTreeMap::new() };
        for (ms, value) in offers {

            let want = model.absorb(ms, value);
            prop_assert_eq!(window.absorb(point(ms, value)), want);
            prop_assert_eq!(shown(&window), model.shown());
            prop_assert_eq!(window.len(), model.exact.len() + model.medians.len());
            prop_assert_eq!(window.newest().map(|p| p.at.as_millis()), model.exact.keys().max().copied());
            let reversed: Vec<i64> =
                window.range(Timestamp::MIN, Timestamp::MAX).rev().map(|p| p.at.as_millis()).collect();
            prop_assert!(reversed.is_sorted_by(|a, b| a > b), "points come in order, each instant once");
        }
    }
}
