//! Robust slope of a series: the median of the slopes of all pairs of points (Theil 1950, Sen 1968), with its bounds.
//!
//! Must never be swayed by a few wild points.
//!
//! n points have n(n-1)/2 pairs. Short series list them all. Long ones select the few ranks that are wanted without
//! listing the pairs, in O(n log n) expected time and O(n) memory: see [`Ranks`].

use crate::statistics::median_of;
use crate::window::Point;

/// Two-sided 95 % quantile of the normal distribution, to the last digit of a double.
const Z95: f64 = 1.959963984540054;
const MS_PER_DAY: f64 = 86_400_000.0;
/// Up to this many points all pairs are listed; measured with `benches/slope.rs`, where both cost the same.
const PLAIN_POINTS_MAX: usize = 120;

/// The robust slope of a series.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Slope {
    /// Median slope of all pairs of points, units of the value per day of 86,400 s.
    pub per_day: f64,
    /// Lower bound of the two-sided 95 % confidence interval (Sen 1968), per day.
    pub low95: f64,
    /// Upper bound of the two-sided 95 % confidence interval (Sen 1968), per day.
    pub high95: f64,
    /// Value of the line at the first point's instant: median value less slope times median time since that instant.
    pub intercept_at_first: f64,
    /// How many points it rests on.
    pub n: usize,
}

/// The Theil-Sen slope of the points.
///
/// Of several points at one instant the first counts; order does not matter otherwise. `None` with fewer than two
/// instants, or if a value is not finite. The bounds are taken by rank as `scipy.stats.theilslopes` 1.17 takes them.
pub fn theil_sen(points: &[Point]) -> Option<Slope> {
    theil_sen_by(points, Method::ByLength)
}

/// How the ranks are found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Method {
    ByLength,
    #[cfg(test)]
    Plain,
    #[cfg(test)]
    Selecting,
}

fn theil_sen_by(points: &[Point], method: Method) -> Option<Slope> {
    let series = Series::of(points)?;
    let n = series.y.len();
    let pairs = n as u64 * (n as u64 - 1) / 2;
    let (low, high) = bound_ranks(&series.y, pairs);
    let ranks = [(pairs - 1) / 2, pairs / 2, low, high];
    let plain = match method {
        Method::ByLength => n <= PLAIN_POINTS_MAX,
        #[cfg(test)]
        Method::Plain => true,
        #[cfg(test)]
        Method::Selecting => false,
    };
    let [lower, upper, low95, high95] =
        if plain { select_plain(&series, ranks) } else { Ranks::new(&series).select(ranks) };
    let per_day = if lower == upper { lower } else { lower / 2.0 + upper / 2.0 };
    let mut days: Vec<f64> = series.x.iter().map(|x| *x as f64 / MS_PER_DAY).collect();
    let intercept_at_first = median_of(&mut series.y.clone()) - per_day * median_of(&mut days);
    Some(Slope { per_day, low95, high95, intercept_at_first, n })
}

/// Zero-based ranks of the bounds among `pairs` sorted slopes (Sen 1968), rounded half to even as scipy does.
fn bound_ranks(values: &[f64], pairs: u64) -> (u64, u64) {
    let n = values.len() as f64;
    let term = |k: f64| k * (k - 1.0) * (2.0 * k + 5.0);
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let tied: f64 = sorted.chunk_by(|a, b| a == b).map(|group| term(group.len() as f64)).sum();
    let spread = Z95 * ((term(n) - tied) / 18.0).sqrt();
    let all = pairs as f64;
    // A negative number becomes zero in the conversion, which is the clamp wanted.
    let low = ((all - spread) / 2.0).round_ties_even() - 1.0;
    let high = ((all + spread) / 2.0).round_ties_even();
    ((low.max(0.0) as u64).min(pairs - 1), (high as u64).min(pairs - 1))
}

/// Points at different instants, oldest first.
struct Series {
    /// Milliseconds since the first instant.
    x: Vec<i128>,
    y: Vec<f64>,
}

impl Series {
    fn of(points: &[Point]) -> Option<Series> {
        if points.iter().any(|p| !p.value.is_finite()) {
            return None;
        }
        let mut points = points.to_vec();
        points.sort_by_key(|p| p.at);
        points.dedup_by_key(|p| p.at);
        if points.len() < 2 {
            return None;
        }
        let first = i128::from(points[0].at.as_millis());
        Some(Series {
            x: points.iter().map(|p| i128::from(p.at.as_millis()) - first).collect(),
            y: points.iter().map(|p| p.value).collect(),
        })
    }

    /// Slope per day of the pair of points `i` < `j`.
    fn slope(&self, i: usize, j: usize) -> f64 {
        (self.y[j] - self.y[i]) * MS_PER_DAY / (self.x[j] - self.x[i]) as f64
    }
}

/// Lists every slope and selects.
fn select_plain(series: &Series, ranks: [u64; 4]) -> [f64; 4] {
    let n = series.y.len();
    let mut slopes = Vec::with_capacity(n * (n - 1) / 2);
    for j in 1..n {
        for i in 0..j {
            slopes.push(series.slope(i, j));
        }
    }
    select_from(&mut slopes, ranks)
}

fn select_from(slopes: &mut [f64], ranks: [u64; 4]) -> [f64; 4] {
    ranks.map(|rank| *slopes.select_nth_unstable_by(rank as usize, f64::total_cmp).1)
}

/// The slopes of all pairs in order, as far as they were cut so far.
///
/// Matoušek (1991) and Dillencourt, Mount and Netanyahu (1992), from memory: for a slope s, sort the points by
/// y - s x. A pair of points changes places against the order of time exactly if its slope is below s, so counting
/// inversions tells the rank of s. Pairs that change places between the orders of two slopes have a slope between
/// them, and a random sample of those says where to cut next, until few enough are left to be listed.
///
/// Counts are exact: values are scaled to whole numbers and a slope to cut at is kept as a fraction. The scaling
/// rounds to 2^-60 of the largest value, finer than a double resolves there, so that an answer differs from the plain
/// listing by rounding at most.
struct Ranks<'a> {
    series: &'a Series,
    y: Vec<i128>,
    /// By slope; the first is below and the last above all slopes.
    cuts: Vec<Cut>,
    random: SplitMix,
}

/// A slope and what lies on either side of it.
struct Cut {
    slope: f64,
    /// How many pairs have a smaller slope.
    below: u64,
    /// How many pairs have a smaller slope or this one.
    up_to: u64,
    /// The points sorted with only the pairs `below` inverted.
    before: Vec<u32>,
    /// The points sorted with the pairs `up_to` inverted.
    after: Vec<u32>,
}

impl<'a> Ranks<'a> {
    fn new(series: &'a Series) -> Ranks<'a> {
        let largest = series.y.iter().fold(0.0f64, |a, y| a.max(y.abs()));
        let shift = 60 - libm::frexp(largest).1;
        let y = series.y.iter().map(|y| libm::rint(libm::scalbn(*y, shift)) as i128).collect();
        let n = series.y.len();
        let pairs = n as u64 * (n as u64 - 1) / 2;
        let in_time: Vec<u32> = (0..n as u32).collect();
        let reversed: Vec<u32> = (0..n as u32).rev().collect();
        let cuts = vec![
            Cut { slope: f64::NEG_INFINITY, below: 0, up_to: 0, before: in_time.clone(), after: in_time },
            Cut { slope: f64::INFINITY, below: pairs, up_to: pairs, before: reversed.clone(), after: reversed },
        ];
        // The seed is fixed so that the work done, and with it any last digit, is the same on every run.
        Ranks { series, y, cuts, random: SplitMix(n as u64) }
    }

    fn select(mut self, ranks: [u64; 4]) -> [f64; 4] {
        ranks.map(|rank| self.nth(rank))
    }

    /// The slope with `rank` smaller ones, `rank` being less than the number of pairs.
    fn nth(&mut self, rank: u64) -> f64 {
        let n = self.series.y.len();
        loop {
            let at = self.cuts.partition_point(|cut| cut.up_to <= rank);
            let (low, high) = (&self.cuts[at - 1], &self.cuts[at]);
            if high.below <= rank {
                return high.slope;
            }
            let between = high.below - low.up_to;
            let wanted = rank - low.up_to;
            if between <= 4 * n as u64 {
                let mut slopes: Vec<f64> =
                    crossing(low, high, 0..between).into_iter().map(|(i, j)| self.series.slope(i, j)).collect();
                return *slopes.select_nth_unstable_by(wanted as usize, f64::total_cmp).1;
            }
            let mut numbers: Vec<u64> = (0..n).map(|_| self.random.next() % between).collect();
            numbers.sort_unstable();
            let mut sample: Vec<(f64, (usize, usize))> = crossing(low, high, numbers.into_iter())
                .into_iter()
                .map(|(i, j)| (self.series.slope(i, j), (i, j)))
                .collect();
            sample.sort_by(|a, b| a.0.total_cmp(&b.0));
            // The wanted slope lies within two standard deviations of its place in the sample, 95 times in 100. A miss
            // costs another round and nothing else: a cut takes at least its own pair out.
            let place = wanted as f64 / between as f64 * n as f64;
            let margin = (n as f64).sqrt();
            for place in [(place - margin).floor(), (place + margin).ceil()] {
                if place >= 0.0
                    && let Some((_, (i, j))) = sample.get(place as usize)
                {
                    self.cut(*i, *j);
                }
            }
        }
    }

    /// Cuts at the slope of the points `i` < `j`.
    fn cut(&mut self, i: usize, j: usize) {
        let (dx, dy) = (self.series.x[j] - self.series.x[i], self.y[j] - self.y[i]);
        // |y| <= 2^60 and |x| < 2^65, so that the difference stays below 2^127.
        let mut points: Vec<(i128, u32)> =
            (0..self.y.len()).map(|p| (self.y[p] * dx - dy * self.series.x[p], p as u32)).collect();
        points.sort_unstable();
        let before: Vec<u32> = points.iter().map(|p| p.1).collect();
        let (mut after, mut tied) = (Vec::with_capacity(points.len()), 0);
        for group in points.chunk_by(|a, b| a.0 == b.0) {
            after.extend(group.iter().rev().map(|p| p.1));
            tied += group.len() as u64 * (group.len() as u64 - 1) / 2;
        }
        let below = inversions(&before);
        let cut = Cut { slope: self.series.slope(i, j), below, up_to: below + tied, before, after };
        let place = self.cuts.partition_point(|c| c.up_to < cut.up_to);
        self.cuts.insert(place, cut);
    }
}

/// How many pairs in the order stand the other way round than their numbers.
fn inversions(order: &[u32]) -> u64 {
    let mut seen = Tally::new(order.len());
    let mut count = 0;
    for (earlier, point) in order.iter().enumerate() {
        count += (earlier - seen.below(*point as usize)) as u64;
        seen.add(*point as usize);
    }
    count
}

/// Pairs of points (earlier in time first) whose slope lies strictly between two cuts: those with the given numbers,
/// ascending, in an order of their own.
fn crossing(low: &Cut, high: &Cut, numbers: impl Iterator<Item = u64>) -> Vec<(usize, usize)> {
    let mut place_at_low = vec![0; low.after.len()];
    for (place, point) in low.after.iter().enumerate() {
        place_at_low[*point as usize] = place;
    }
    let mut numbers = numbers.peekable();
    let mut seen = Tally::new(high.before.len());
    let mut found = Vec::new();
    let mut passed = 0;
    for (earlier, point) in high.before.iter().enumerate() {
        let place = place_at_low[*point as usize];
        let below = seen.below(place);
        let here = (earlier - below) as u64;
        while let Some(number) = numbers.next_if(|number| *number < passed + here) {
            let other = low.after[seen.nth(below + (number - passed) as usize)] as usize;
            let point = *point as usize;
            found.push((point.min(other), point.max(other)));
        }
        passed += here;
        seen.add(place);
    }
    found
}

/// Which of the numbers below a limit have been seen, counted in logarithmic time (a Fenwick tree).
struct Tally(Vec<u32>);

impl Tally {
    fn new(limit: usize) -> Tally {
        Tally(vec![0; limit + 1])
    }

    fn add(&mut self, number: usize) {
        let mut i = number + 1;
        while i < self.0.len() {
            self.0[i] += 1;
            i += i & i.wrapping_neg();
        }
    }

    /// How many seen numbers are smaller.
    fn below(&self, number: usize) -> usize {
        let (mut i, mut count) = (number, 0);
        while i > 0 {
            count += self.0[i];
            i &= i - 1;
        }
        count as usize
    }

    /// The seen number with `rank` smaller seen ones.
    fn nth(&self, rank: usize) -> usize {
        let (mut at, mut left) = (0, rank as u32);
        let mut step = self.0.len().next_power_of_two() / 2;
        while step > 0 {
            if at + step < self.0.len() && self.0[at + step] <= left {
                at += step;
                left -= self.0[at];
            }
            step /= 2;
        }
        at
    }
}

/// The SplitMix64 sequence (Steele, Lea and Flood 2014, from memory): enough to sample with, the same everywhere.
struct SplitMix(u64);

impl SplitMix {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::time::Timestamp;
    use proptest::prelude::*;

    fn points(rows: &[(i64, f64)]) -> Vec<Point> {
        rows.iter().map(|(ms, value)| Point { at: Timestamp::from_millis(*ms), value: *value }).collect()
    }

    /// Both methods, compared with what rounding can do: an ulp of the largest value over the shortest stretch.
    fn assert_same(points: &[Point]) {
        let (plain, selecting) = (theil_sen_by(points, Method::Plain), theil_sen_by(points, Method::Selecting));
        assert_eq!(plain.is_some(), selecting.is_some());
        let (Some(plain), Some(selecting)) = (plain, selecting) else { return };
        let mut at: Vec<i64> = points.iter().map(|p| p.at.as_millis()).collect();
        at.sort_unstable();
        at.dedup();
        let shortest = at.windows(2).map(|w| w[1] - w[0]).min().unwrap() as f64;
        let largest = points.iter().fold(0.0f64, |a, p| a.max(p.value.abs()));
        let ulp = 4.0 * f64::EPSILON * largest * MS_PER_DAY / shortest;
        for (a, b, what) in [
            (plain.per_day, selecting.per_day, "slope"),
            (plain.low95, selecting.low95, "lower bound"),
            (plain.high95, selecting.high95, "upper bound"),
        ] {
            assert!((a - b).abs() <= ulp + 1e-14 * a.abs(), "{what}: plain {a}, selecting {b} per day");
        }
    }

    /// A seeded series: `shape` gives the value at a point's number, from noise between -1 and 1.
    fn series(n: u64, step_ms: i64, shape: impl Fn(f64, f64) -> f64) -> Vec<Point> {
        let mut random = SplitMix(7 * n);
        (0..n)
            .map(|i| {
                let noise = (random.next() >> 11) as f64 / (1u64 << 52) as f64 - 1.0;
                Point { at: Timestamp::from_millis(i as i64 * step_ms), value: shape(i as f64, noise) }
            })
            .collect()
    }

    #[test]
    fn selecting_finds_what_listing_finds() {
        for n in [2, 3, 4, 9, 10, 11, 100, 121, 600, 1500] {
            for (shape, why) in [
                ((|_, _| 58.0) as fn(f64, f64) -> f64, "constant: every slope is zero"),
                (|i, _| 50.0 + 0.25 * i, "a line: every slope is the same fraction"),
                (|i, _| 20.0 + 0.1 * i, "a line of decimals: slopes differ in the last digit"),
                (|i, e| 65.0 - 0.02 * i + e, "noise on a line"),
                (|i, e| (600.0 - 0.2 * i + 8.0 * e).round() / 10.0, "tenths: many ties"),
                (|i, e| (60.0 - 0.01 * i + e).round(), "whole degrees: most slopes tie at a few values"),
                (|i, e| if i % 7.0 == 3.0 { 1e6 * e } else { 60.0 + e }, "wild points"),
                (|i, _| 60.0 + 5.0 * (i / 9.0).sin(), "a wave"),
                (|i, e| if i % 2.0 == 0.0 { -1e-9 * e } else { 1e-9 * e }, "around zero, very small"),
            ] {
                for step in [1, 60_000, 300_000] {
                    let points = series(n, step, shape);
                    let result = std::panic::catch_unwind(|| assert_same(&points));
                    assert!(result.is_ok(), "{n} points every {step} ms, {why}");
                }
            }
        }
    }

    #[test]
    fn counts_of_a_cut_are_those_of_the_listing() {
        let points = series(80, 86_400_000, |_, e| (4.0 * e).round());
        let series = Series::of(&points).unwrap();
        let rise = |i: usize, j: usize| (series.y[j] - series.y[i], (series.x[j] - series.x[i]) as f64);
        for (i, j) in [(0, 1), (0, 79), (3, 40), (17, 18), (60, 79)] {
            let mut ranks = Ranks::new(&series);
            ranks.cut(i, j);
            let (mut below, mut up_to) = (0, 0);
            for (a, b) in (0..80).flat_map(|b| (0..b).map(move |a| (a, b))) {
                // Compared as fractions of whole numbers, which is exact.
                let (dy, dx) = rise(a, b);
                let (cut_dy, cut_dx) = rise(i, j);
                below += u64::from(dy * cut_dx < cut_dy * dx);
                up_to += u64::from(dy * cut_dx <= cut_dy * dx);
            }
            let cut = &ranks.cuts[1];
            assert_eq!((cut.below, cut.up_to), (below, up_to), "cut at the slope of points {i} and {j}");
        }
    }

    proptest! {
        #[test]
        fn selecting_finds_what_listing_finds_on_any_series(
            rows in prop::collection::vec((0i64..500_000, prop_oneof![
                (-100i32..1000).prop_map(|v| f64::from(v) / 10.0),
                (0i32..4).prop_map(f64::from),
                -1e3f64..1e3,
            ]), 0..150)
        ) {
            assert_same(&points(&rows));
        }
    }

    #[test]
    fn the_first_point_of_an_instant_counts_and_order_does_not() {
        let tidy = points(&[(0, 1.0), (1000, 2.0), (2000, 3.5), (3000, 3.0)]);
        let messy = points(&[(3000, 3.0), (0, 1.0), (2000, 3.5), (1000, 2.0), (2000, 99.0), (0, -99.0)]);
        assert_eq!(theil_sen(&tidy), theil_sen(&messy));
        assert_eq!(theil_sen(&tidy).map(|s| s.n), Some(4));
    }

    #[test]
    fn no_slope_from_too_little() {
        for (rows, why) in [
            (&[][..], "no point"),
            (&[(0, 60.0)], "one point has no slope"),
            (&[(0, 60.0), (0, 61.0)], "two values at one instant neither"),
            (&[(0, 60.0), (1000, f64::NAN), (2000, 61.0)], "a value that is not a number is no reading"),
            (&[(0, 60.0), (1000, f64::INFINITY)], "nor is infinity"),
        ] {
            assert_eq!(theil_sen(&points(rows)), None, "{why}");
        }
        let two = theil_sen(&points(&[(0, 60.0), (43_200_000, 57.0)])).unwrap();
        assert_eq!(two, Slope { per_day: -6.0, low95: -6.0, high95: -6.0, intercept_at_first: 60.0, n: 2 });
    }

    #[test]
    fn the_ends_of_time_and_of_numbers_do_not_overflow() {
        let extremes = points(&[
            (Timestamp::MIN.as_millis(), 1e300),
            (0, -1e300),
            (1, 5e-324),
            (i64::MAX, 1e300),
            (i64::MIN, -1e300),
        ]);
        // The first and the last lie at one instant, the first that there is; one of them counts.
        for method in [Method::Plain, Method::Selecting] {
            assert_eq!(theil_sen_by(&extremes, method).map(|s| s.n), Some(4), "{method:?}");
        }
    }
}
