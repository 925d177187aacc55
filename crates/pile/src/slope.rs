//! Robust slope of a series: the median of the slopes of all pairs of points (Theil 1950, Sen 1968), with its bounds.
//!
//! Must never be swayed by a few wild points.

use crate::window::Point;

/// Two-sided 95 % quantile of the normal distribution, to the last digit of a double.
const Z95: f64 = 1.959963984540054;
const MS_PER_DAY: f64 = 86_400_000.0;
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
    theil_sen_by(points)
}

fn theil_sen_by(points: &[Point]) -> Option<Slope> {
    let series = Series::of(points)?;
    let n = series.y.len();
    let pairs = n as u64 * (n as u64 - 1) / 2;
    let (low, high) = bound_ranks(&series.y, pairs);
    let ranks = [(pairs - 1) / 2, pairs / 2, low, high];
    let [lower, upper, low95, high95] = select_plain(&series, ranks);
    let per_day = if lower == upper { lower } else { lower / 2.0 + upper / 2.0 };
    let days: Vec<f64> = series.x.iter().map(|x| *x as f64 / MS_PER_DAY).collect();
    let intercept_at_first = median(series.y.clone()) - per_day * median(days);
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

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    let half = values.len() / 2;
    if values.len() % 2 == 1 { values[half] } else { values[half - 1] / 2.0 + values[half] / 2.0 }
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
