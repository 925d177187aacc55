//! Two ways in which a series stops telling of the pile: a value that stands still, and one that jumps.
//!
//! Must never name a cause: a stuck value may be a broken probe or a steady pile, a step a moved probe or a turning.

use std::collections::VecDeque;

use crate::series::Series;
use crate::statistics::{MAD_OF_NORMAL, median_of};
use crate::time::{Span, Timestamp};
use crate::units::readable;
use crate::window::Point;

/// Fewest readings on each side of a step: fewer have no spread worth the name. Common practice, no source.
pub const STEP_SIDE_MIN: usize = 6;
/// Most readings on each side of a step; keeps the work within n times this.
pub const STEP_SIDE_MAX: usize = 1_000;

/// A setting with which nothing can be searched.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum SearchError {
    /// The resolution is no difference of values.
    #[error("a resolution of {resolution} is not zero or more; give the smallest difference the probe can show", resolution = readable(.resolution))]
    Resolution {
        /// The resolution given.
        resolution: f64,
    },
    /// Too few or too many readings on a side.
    #[error(
        "{side} readings on each side of a step are outside {STEP_SIDE_MIN} to {STEP_SIDE_MAX}; an hour of readings is \
         a good start"
    )]
    Side {
        /// The number given.
        side: usize,
    },
    /// The threshold is no number above zero.
    #[error("a step of more than {spreads} times the spread cannot be searched for; give a number above zero, say 4", spreads = readable(.spreads))]
    Spreads {
        /// The number given.
        spreads: f64,
    },
}

/// A span of time over which the values did not change.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stuck {
    /// The first reading of the span.
    pub from: Timestamp,
    /// The last reading of the span.
    pub to: Timestamp,
    /// How many readings it has, at least two.
    pub readings: usize,
    /// The smallest value in it.
    pub lowest: f64,
    /// The largest value in it.
    pub highest: f64,
}

/// The longest span whose readings all lie within `resolution` of each other, the first of equals.
///
/// `resolution` is in the unit of the series; zero asks for identical values. Decimals that binary cannot hold are
/// allowed for: 58.2 and 58.1 are within 0.1. A gap longer than `max_gap` ends a span. `None` if no two neighbours are
/// that close. Takes time in proportion to the readings: the extremes of the sliding span are kept in order.
///
/// # Errors
/// [`SearchError::Resolution`] for a resolution below zero or not finite.
pub fn longest_stuck(series: &Series, resolution: f64, max_gap: Span) -> Result<Option<Stuck>, SearchError> {
    check_resolution(resolution)?;
    let points = series.points();
    let allowed = resolution * (1.0 + 1e-9);
    // Numbers of readings whose values rise, respectively fall; the first is the extreme of the span.
    let (mut lows, mut highs) = (VecDeque::<usize>::new(), VecDeque::<usize>::new());
    let mut start = 0;
    let mut longest: Option<Stuck> = None;
    for (i, point) in points.iter().enumerate() {
        if i > 0 && point.at.since(points[i - 1].at) > max_gap {
            start = i;
            lows.clear();
            highs.clear();
        }
        while lows.back().is_some_and(|b| points[*b].value >= point.value) {
            lows.pop_back();
        }
        while highs.back().is_some_and(|b| points[*b].value <= point.value) {
            highs.pop_back();
        }
        lows.push_back(i);
        highs.push_back(i);
        // The newest reading is in both and is within any resolution of itself, so that neither runs empty.
        while points[highs[0]].value - points[lows[0]].value > allowed {
            start += 1;
            for extremes in [&mut lows, &mut highs] {
                if extremes[0] < start {
                    extremes.pop_front();
                }
            }
        }
        let from = points[start].at;
        if i > start && longest.is_none_or(|l| point.at.since(from) > l.to.since(l.from)) {
            let (lowest, highest) = (points[lows[0]].value, points[highs[0]].value);
            longest = Some(Stuck { from, to: point.at, readings: i - start + 1, lowest, highest });
        }
    }
    Ok(longest)
}

/// What counts as a step.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StepSearch {
    /// Readings compared on each side, [`STEP_SIDE_MIN`] to [`STEP_SIDE_MAX`].
    pub side: usize,
    /// How many times the spread the medians must be apart, more than this. A straight slope reaches 2.7 by itself and
    /// is no step, so choose 4 or more. Common practice, no source.
    pub spreads: f64,
    /// The least spread that is believed, in the unit of the series: the resolution of the probe. Coarse readings of a
    /// quiet pile have a spread of zero, against which any change would be a step.
    pub resolution: f64,
    /// A gap longer than this is not looked across.
    pub max_gap: Span,
}

/// A jump of the level of a series.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    /// The last reading before it.
    pub last_before: Timestamp,
    /// The first reading after it.
    pub first_after: Timestamp,
    /// The median before it.
    pub before: f64,
    /// The median after it.
    pub after: f64,
    /// The spread about both medians that it was held against; at least the usual one and the resolution.
    pub spread: f64,
}

/// The clearest step of a series, the first of equals; `None` if no place passes the test.
///
/// For every place between two readings, `side` readings before it are held against `side` after it. It is a step if
/// the medians differ by more than `spreads` times the spread, which is the median absolute deviation of all of them
/// from the median of their own side, made comparable to a standard deviation ([`MAD_OF_NORMAL`]), and no less than
/// usual in the series (its median over all places): a few readings lie close together by chance now and then. That
/// test is common practice, no source. Fewer than half of the readings of a side can be wild without moving it.
///
/// Among the places that pass, the clearest is where two levels instead of one save most of the sum of absolute
/// deviations: the least absolute deviations estimate of a shift (Bai 1995, Econometric Theory 11, from memory). It
/// stands at the jump itself, while the difference of the medians alone is flat around it.
///
/// A step within `side` readings of an end of the series, or of a gap, is not seen or up to half of `side` misplaced:
/// nobody knows yet whether it lasts. Takes n sorts of `side` readings.
///
/// # Errors
/// A setting out of its range: see [`SearchError`].
pub fn clearest_step(series: &Series, search: &StepSearch) -> Result<Option<Step>, SearchError> {
    let StepSearch { side, spreads, resolution, max_gap } = *search;
    check_resolution(resolution)?;
    if !(STEP_SIDE_MIN..=STEP_SIDE_MAX).contains(&side) {
        return Err(SearchError::Side { side });
    }
    if !(spreads > 0.0 && spreads.is_finite()) {
        return Err(SearchError::Spreads { spreads });
    }
    let unbroken = series.points().chunk_by(|a, b| b.at.since(a.at) <= max_gap);
    // Every place, with what two levels save there.
    let mut places: Vec<(f64, Step)> = unbroken
        .flat_map(|stretch| stretch.windows(2 * side))
        .map(|around| {
            let (left, right) = around.split_at(side);
            let (level, before, after) = (median_about(around), median_about(left), median_about(right));
            let one_level: f64 = around.iter().map(|p| (p.value - level).abs()).sum();
            let mut deviations: Vec<f64> = left.iter().map(|p| (p.value - before).abs()).collect();
            deviations.extend(right.iter().map(|p| (p.value - after).abs()));
            let two_levels: f64 = deviations.iter().sum();
            let spread = median_of(&mut deviations) / MAD_OF_NORMAL;
            let step = Step { last_before: left[side - 1].at, first_after: right[0].at, before, after, spread };
            (one_level - two_levels, step)
        })
        .collect();
    if places.is_empty() {
        return Ok(None);
    }
    let usual = median_of(&mut places.iter().map(|(_, step)| step.spread).collect::<Vec<_>>());
    for (_, step) in &mut places {
        step.spread = step.spread.max(usual).max(resolution);
    }
    let steps = places.into_iter().filter(|(_, step)| (step.after - step.before).abs() > spreads * step.spread);
    Ok(steps.reduce(|most, next| if next.0 > most.0 { next } else { most }).map(|(_, step)| step))
}

fn check_resolution(resolution: f64) -> Result<(), SearchError> {
    let good = resolution >= 0.0 && resolution.is_finite();
    if good { Ok(()) } else { Err(SearchError::Resolution { resolution }) }
}

fn median_about(points: &[Point]) -> f64 {
    median_of(&mut points.iter().map(|p| p.value).collect::<Vec<_>>())
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use proptest::prelude::*;

    const GAP: Span = Span::minutes(30);

    fn at(minute: i64) -> Timestamp {
        Timestamp::from_millis(minute * 60_000)
    }

    fn series(rows: impl IntoIterator<Item = (i64, f64)>) -> Series {
        Series::new(rows.into_iter().map(|(minute, value)| Point { at: at(minute), value }).collect()).unwrap()
    }

    #[test]
    fn the_longest_standstill_is_found() {
        for (rows, resolution, want, why) in [
            (&[(0, 58.1), (5, 58.2), (10, 58.3)][..], 0.0, None, "every reading differs"),
            (&[(0, 58.1), (5, 58.2), (10, 58.2), (15, 58.3)], 0.0, Some((5, 10, 2)), "two alike"),
            (&[(0, 58.2), (5, 58.1), (10, 58.2), (15, 58.3)], 0.1, Some((0, 10, 3)), "58.2 less 58.1 is 0.1"),
            (&[(0, 58.2), (5, 58.1), (10, 58.0), (15, 57.9)], 0.1, Some((0, 5, 2)), "a slow fall is no standstill"),
            (&[(0, 1.0), (5, 1.0), (10, 2.0), (15, 2.0)], 0.0, Some((0, 5, 2)), "the first of equals"),
            (
                &[(0, 1.0), (5, 1.0), (10, 1.0), (25, 2.0), (50, 2.0)],
                0.0,
                Some((25, 50, 2)),
                "time, not number, decides",
            ),
            (&[(0, 1.0), (30, 1.0), (61, 1.0)], 0.0, Some((0, 30, 2)), "31 minutes of silence end it, 30 do not"),
            (&[(0, 1.0), (31, 1.0)], 0.0, None, "alike across a gap proves nothing"),
            (&[(0, 3.0), (5, 1.0), (10, 2.0), (15, 1.5), (20, 9.0)], 1.0, Some((5, 15, 3)), "extremes leave the span"),
        ] {
            let got = longest_stuck(&series(rows.iter().copied()), resolution, GAP).unwrap();
            assert_eq!(got.map(|s| (s.from, s.to, s.readings)), want.map(|(a, b, n)| (at(a), at(b), n)), "{why}");
        }
        let got = longest_stuck(&series([(0, 58.3), (5, 58.1), (10, 58.2)]), 0.5, GAP).unwrap().unwrap();
        assert_eq!((got.lowest, got.highest), (58.1, 58.3));
    }

    const SEARCH: StepSearch = StepSearch { side: 6, spreads: 4.0, resolution: 0.1, max_gap: GAP };

    /// Readings five minutes apart, the value given by the number of the reading.
    fn every_five(n: i64, value: impl Fn(i64) -> f64) -> Series {
        series((0..n).map(|i| (5 * i, value(i))))
    }

    /// A fixed noise between -1 and 1, in no order that a straight line follows.
    fn noise(i: i64) -> f64 {
        (i * 7 % 19 - 9) as f64 / 9.0
    }

    #[test]
    fn a_step_stands_where_the_level_jumps() {
        for (values, spreads, want, why) in [
            (every_five(40, |_| 60.0), 4.0, None, "a level has none"),
            (every_five(40, |i| 60.0 + noise(i)), 4.0, None, "noise has none"),
            (every_five(40, |i| 60.0 + 0.5 * i as f64), 4.0, None, "a ramp has none"),
            (every_five(40, |i| if i < 17 { 60.0 } else { 50.0 }), 4.0, Some(17), "a clean jump"),
            (every_five(40, |i| if i < 17 { 60.0 } else { 60.3 }), 4.0, None, "0.3 K is within four times 0.1 K"),
            (every_five(40, |i| if i < 17 { 60.0 } else { 60.5 }), 4.0, Some(17), "0.5 K is not"),
            (every_five(40, |i| if i < 23 { 60.0 } else { 48.0 } + noise(i)), 4.0, Some(23), "a jump in noise"),
            (every_five(40, |i| if i == 20 { 99.0 } else { 60.0 }), 4.0, None, "one wild reading is no step"),
            (
                every_five(40, |i| {
                    if i == 18 {
                        99.0
                    } else if i < 20 {
                        60.0
                    } else {
                        52.0
                    }
                }),
                4.0,
                Some(20),
                "nor hides one",
            ),
            (every_five(40, |i| if i < 2 { 60.0 } else { 50.0 }), 4.0, None, "too near to the end to be told"),
            (
                every_five(40, |i| match i {
                    ..12 => 60.0,
                    12..26 => 57.0,
                    _ => 40.0,
                }),
                4.0,
                Some(26),
                "the clearest of two",
            ),
        ] {
            let got = clearest_step(&values, &StepSearch { spreads, ..SEARCH }).unwrap();
            let place = got.map(|s| (s.last_before, s.first_after));
            assert_eq!(place, want.map(|i: i64| (at(5 * i - 5), at(5 * i))), "{why}: {got:?}");
        }
        let ramp = every_five(200, |i| 60.0 + 0.5 * i as f64);
        for (spreads, want, why) in [(2.4, true, "a ramp passes a low bar"), (2.8, false, "which is why 4 is advised")]
        {
            let search = StepSearch { side: 60, spreads, ..SEARCH };
            assert_eq!(clearest_step(&ramp, &search).unwrap().is_some(), want, "{why}");
        }
    }

    #[test]
    fn a_step_tells_both_levels_and_the_spread() {
        let got = clearest_step(&every_five(40, |i| if i < 17 { 60.0 } else { 50.0 }), &SEARCH).unwrap().unwrap();
        assert_eq!((got.before, got.after, got.spread), (60.0, 50.0, 0.1), "the spread is at least the resolution");
        let gap = series((0..20).map(|i| (5 * i, 60.0)).chain((0..20).map(|i| (200 + 5 * i, 40.0))));
        assert_eq!(clearest_step(&gap, &SEARCH), Ok(None), "what happened in the silence is not known");
        let comb = every_five(60, |i| if (20..40).contains(&i) { 50.0 } else { 60.0 });
        let first = clearest_step(&comb, &SEARCH).unwrap().unwrap();
        assert_eq!(first.first_after, at(100), "down and up again are equally clear; the first counts");
    }

    #[test]
    fn a_season_of_noise_has_no_step() {
        let mut state = 1u64;
        let mut uniform = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 40) as f64 / (1u64 << 24) as f64 - 0.5
        };
        // The sum of twelve is near enough to normal, with a standard deviation of one.
        let rows: Vec<(i64, f64)> =
            (0..10_000).map(|i| (5 * i, 60.0 + (0..12).map(|_| uniform()).sum::<f64>())).collect();
        for (side, spreads, want, why) in [
            (12, 4.0, false, "an hour on each side and 4 are quiet"),
            (12, 1.5, true, "1.5 is not: the test would pass with anything otherwise"),
        ] {
            let got = clearest_step(&series(rows.clone()), &StepSearch { side, spreads, ..SEARCH }).unwrap();
            assert_eq!(got.is_some(), want, "{why}: {got:?}");
        }
    }

    #[test]
    fn settings_out_of_range_are_refused() {
        let level = every_five(20, |_| 60.0);
        for (resolution, why) in [(-0.1, "below zero"), (f64::NAN, "no number"), (f64::INFINITY, "infinite")] {
            assert!(matches!(longest_stuck(&level, resolution, GAP), Err(SearchError::Resolution { .. })), "{why}");
            let search = StepSearch { resolution, ..SEARCH };
            assert!(matches!(clearest_step(&level, &search), Err(SearchError::Resolution { .. })), "{why}");
        }
        for side in [0, 5, 1_001, usize::MAX] {
            assert_eq!(clearest_step(&level, &StepSearch { side, ..SEARCH }), Err(SearchError::Side { side }));
        }
        for spreads in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            let got = clearest_step(&level, &StepSearch { spreads, ..SEARCH });
            assert!(matches!(got, Err(SearchError::Spreads { .. })), "{spreads}");
        }
    }

    proptest! {
        #[test]
        fn standstills_are_those_of_the_plain_search(
            steps in prop::collection::vec((1i64..45, -3i32..3), 2..60), tenths in 0i32..4,
        ) {
            let mut minute = 0;
            let rows: Vec<(i64, f64)> = steps
                .iter()
                .map(|(step, value)| {
                    minute += step;
                    (minute, f64::from(*value) / 10.0)
                })
                .collect();
            let resolution = f64::from(tenths) / 10.0;
            let mut longest = 0;
            for i in 0..rows.len() {
                for j in i + 1..rows.len() {
                    let span = &rows[i..=j];
                    let (low, high) = span.iter().fold((9.0f64, -9.0f64), |(l, h), r| (l.min(r.1), h.max(r.1)));
                    if span.windows(2).all(|w| w[1].0 - w[0].0 <= 30) && high - low < resolution + 0.05 {
                        longest = longest.max(rows[j].0 - rows[i].0);
                    }
                }
            }
            let got = longest_stuck(&series(rows), resolution, GAP).unwrap();
            prop_assert_eq!(got.map_or(0, |s| s.to.since(s.from).as_millis() / 60_000), longest);
        }

        #[test]
        fn a_step_is_as_large_as_it_says(
            values in prop::collection::vec(prop_oneof![-1e15f64..1e15, 40f64..70.0], 2..80), spreads in 0.1f64..9.0,
        ) {
            let series = series((0..).map(|i| 5 * i).zip(values));
            if let Some(step) = clearest_step(&series, &StepSearch { spreads, ..SEARCH }).unwrap() {
                prop_assert!(step.spread.is_finite() && step.spread >= 0.1);
                prop_assert!((step.after - step.before).abs() > spreads * step.spread);
                prop_assert!(step.first_after.since(step.last_before) == Span::minutes(5));
            }
        }
    }
}
