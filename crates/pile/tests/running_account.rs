//! The running account of time above agrees with the finished one, whatever comes and in whatever order it is told.
//!
//! Must never compare a method with itself: the two are written independently.

#![allow(clippy::unwrap_used)]

use pile::above::{Above, Account, Run, account};
use pile::time::{Span, Timestamp};
use pile::units::Celsius;
use pile::window::Point;
use proptest::prelude::*;

const LIMIT: Celsius = Celsius(55.0);
const GAP: Span = Span::seconds(900);

fn at(s: i64) -> Timestamp {
    Timestamp::from_millis(s * 1_000)
}

fn points(rows: &[(i64, f64)]) -> Vec<Point> {
    rows.iter().map(|(s, value)| Point { at: at(*s), value: *value }).collect()
}

fn run(from_s: i64, length_s: i64) -> Option<Run> {
    Some(Run { from: at(from_s), length: Span::seconds(length_s) })
}

#[test]
fn runs_are_told_as_the_readings_come() {
    // Threshold 55 °C, gaps up to 900 s bridged.
    for (rows, above_s, longest, current, reached, why) in [
        (&[][..], 0, None, None, None, "nothing is known of no readings"),
        (&[(0, 60.0)], 0, None, run(0, 0), Some(0), "one reading has reached it and lasted no time"),
        (&[(0, 54.9), (600, 54.9)], 0, None, None, None, "never there"),
        (&[(0, 50.0), (600, 60.0)], 300, run(300, 300), run(300, 300), Some(300), "the crossing is interpolated"),
        (&[(0, 60.0), (600, 50.0)], 300, run(0, 300), None, Some(0), "and so is the way down"),
        (&[(0, 60.0), (900, 60.0)], 900, run(0, 900), run(0, 900), Some(0), "a gap of exactly 900 s is bridged"),
        (&[(0, 60.0), (901, 60.0)], 0, None, run(901, 0), Some(0), "one of 901 s is not, and starts again"),
        (&[(0, 55.0), (600, 55.0)], 600, run(0, 600), run(0, 600), Some(0), "exactly on the threshold counts"),
        (&[(0, 60.0), (600, 55.0), (1200, 60.0)], 1200, run(0, 1200), run(0, 1200), Some(0), "a touch ends no run"),
        (&[(0, 50.0), (600, 55.0), (1200, 50.0)], 0, None, None, Some(600), "a touch from below lasts no time"),
        (&[(0, 50.0), (600, 55.0)], 0, None, run(600, 0), Some(600), "just arrived"),
        (
            &[(0, 60.0), (600, 60.0), (700, 50.0), (800, 60.0), (1450, 60.0)],
            600 + 50 + 50 + 650,
            run(750, 700),
            run(750, 700),
            Some(0),
            "the run under way may be the longest",
        ),
        (
            &[(0, 60.0), (600, 60.0), (5000, 60.0), (5600, 60.0)],
            1200,
            run(0, 600),
            run(5000, 600),
            Some(0),
            "the first of equals",
        ),
        (&[(0, 60.0), (300, f64::NAN), (600, 60.0)], 600, run(0, 600), run(0, 600), Some(0), "NaN is no reading"),
    ] {
        let got = Above::from_history(LIMIT, GAP, at(0), &points(rows));
        assert_eq!(got.at_or_above(), Span::seconds(above_s), "{why}: time above");
        assert_eq!(got.longest_run(), longest, "{why}: longest");
        assert_eq!(got.current_run(), current, "{why}: current");
        assert_eq!(got.first_reached(), reached.map(at), "{why}: first reached");
    }
}

#[test]
fn what_does_not_come_next_changes_nothing() {
    let before = Above::from_history(LIMIT, GAP, at(1000), &points(&[(1000, 60.0), (1600, 50.0)]));
    for (s, value, taken, why) in [
        (1600, 50.0, false, "the same again"),
        (1600, 70.0, false, "another value for the last instant"),
        (1300, 70.0, false, "a late one asks for a recount"),
        (999, 70.0, true, "one before the account begins is no part of it"),
        (2000, f64::NAN, true, "a value that is not a number is no reading"),
    ] {
        let mut above = before.clone();
        assert_eq!(above.push(Point { at: at(s), value }), taken, "{why}");
        assert_eq!(above, before, "{why}");
    }
}

#[test]
fn coverage_is_of_the_time_since_the_account_began() {
    let above = Above::from_history(LIMIT, GAP, at(0), &points(&[(600, 60.0), (1200, 60.0)]));
    for (until, want, why) in [
        (2400, Some(0.25), "nothing is held before the first or after the last reading"),
        (600, Some(0.5), "the newest reading ends the time if it is later"),
    ] {
        assert_eq!(above.coverage(at(until)), want, "{why}");
    }
    assert_eq!(Above::new(LIMIT, GAP, at(0)).coverage(at(0)), None, "no time has passed");
    assert_eq!(Above::new(LIMIT, GAP, at(0)).coverage(at(60)), Some(0.0), "time has passed in silence");
}

/// Steps and values that hit every case: touching and resting on 55, gaps just bridged and just not.
fn history() -> impl Strategy<Value = Vec<Point>> {
    let step = prop_oneof![4 => 1i64..400_000, 1 => Just(900_000), 1 => Just(900_001), 1 => 900_002i64..10_000_000];
    let value = prop_oneof![3 => Just(55.0), 3 => 40f64..70.0, 2 => (50i32..60).prop_map(f64::from)];
    prop::collection::vec((step, value), 0..60).prop_map(|rows| {
        let mut ms = 0;
        rows.into_iter()
            .map(|(step, value)| {
                ms += step;
                Point { at: Timestamp::from_millis(ms), value }
            })
            .collect()
    })
}

fn close(running: Span, finished_s: f64) -> bool {
    // Half a millisecond is the rounding to whole ones.
    (running.as_seconds() - finished_s).abs() <= 0.000_501
}

/// Runs whose lengths tie up to rounding may come out as either.
fn same_length(a: Option<Run>, b: Option<Run>) -> bool {
    let length = |r: Option<Run>| r.map_or(0, |r| r.length.as_millis());
    (length(a) - length(b)).abs() <= 1
}

fn agree(running: &Above, finished: &Account, until: Timestamp) -> Result<(), TestCaseError> {
    prop_assert!(close(running.covered(), finished.covered_s));
    prop_assert!(close(running.at_or_above(), finished.at_or_above_s), "{running:?} {finished:?}");
    prop_assert!(same_length(running.longest_run(), finished.longest_inclusive), "{running:?} {finished:?}");
    prop_assert_eq!(running.coverage(until), finished.coverage);
    Ok(())
}

proptest! {
    #[test]
    fn running_and_finished_accounts_agree_after_every_reading(history in history(), from_ms in 0i64..2_000_000) {
        let from = Timestamp::from_millis(from_ms);
        let mut running = Above::new(LIMIT, GAP, from);
        let kept: Vec<Point> = history.iter().copied().filter(|p| p.at >= from).collect();
        for (i, point) in history.iter().enumerate() {
            prop_assert!(running.push(*point));
            let told = &history[..=i];
            let kept = &kept[..kept.iter().take_while(|p| p.at <= point.at).count()];
            let until = kept.last().map_or(from, |p| p.at);
            let finished = account(kept, from, until, LIMIT, GAP);
            agree(&running, &finished, until)?;
            prop_assert_eq!(&running, &Above::from_history(LIMIT, GAP, from, told));

            // The current run is what the last covered stretch above is, seen from its end.
            let hot = kept.last().is_some_and(|p| p.value >= LIMIT.0);
            prop_assert_eq!(running.current_run().is_some(), hot);
            if let Some(current) = running.current_run() {
                let tail = account(kept, current.from, until, LIMIT, GAP);
                // The start and the length are each rounded to a millisecond.
                let apart = (current.length.as_seconds() - tail.at_or_above_s).abs();
                prop_assert!(apart <= 0.001_001, "{:?} {:?}", current, tail);
            }
            if let Some(reached) = running.first_reached() {
                let before = account(kept, from, reached, LIMIT, GAP);
                prop_assert!(before.at_or_above_s <= 0.001, "above before it was reached: {:?}", before);
            } else {
                prop_assert!(kept.iter().all(|p| p.value < LIMIT.0));
            }
        }
    }

    #[test]
    fn time_cut_in_two_adds_up(history in history(), cut_ms in 0i64..20_000_000) {
        let (Some(first), Some(last)) = (history.first(), history.last()) else { return Ok(()) };
        let cut = Timestamp::from_millis(cut_ms).clamp(first.at, last.at);
        let whole = account(&history, first.at, last.at, LIMIT, GAP);
        let (a, b) = (account(&history, first.at, cut, LIMIT, GAP), account(&history, cut, last.at, LIMIT, GAP));
        prop_assert!((a.covered_s + b.covered_s - whole.covered_s).abs() < 1e-6);
        prop_assert!((a.above_strict_s + b.above_strict_s - whole.above_strict_s).abs() < 1e-6);
        prop_assert!((a.at_or_above_s + b.at_or_above_s - whole.at_or_above_s).abs() < 1e-6);
        prop_assert!(whole.above_strict_s <= whole.at_or_above_s);
        prop_assert!(whole.at_or_above_s <= whole.covered_s + 1e-9);
    }
}
