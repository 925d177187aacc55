//! How long a robust slope takes: from a thousand points, three days and a half at five minutes, to a hundred thousand.
//!
//! Must never be the place where a result is checked: the tests of `pile::slope` do that.

#![allow(missing_docs)]

use criterion::{BenchmarkId, Criterion, criterion_group, criterion_main};
use pile::slope::theil_sen;
use pile::time::Timestamp;
use pile::window::Point;

/// A cooling pile, read in tenths, with noise from a fixed sequence.
fn series(n: i64) -> Vec<Point> {
    let mut state = 1u64;
    (0..n)
        .map(|i| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            let noise = (state >> 40) as f64 / (1u64 << 24) as f64 - 0.5;
            let value = ((65.0 - 0.002 * i as f64 + 2.0 * noise) * 10.0).round() / 10.0;
            Point { at: Timestamp::from_millis(i * 300_000), value }
        })
        .collect()
}

fn slopes(criterion: &mut Criterion) {
    let mut group = criterion.benchmark_group("theil_sen");
    group.sample_size(10);
    for n in [1_000, 10_000, 100_000] {
        let points = series(n);
        group.bench_with_input(BenchmarkId::from_parameter(n), &points, |b, points| b.iter(|| theil_sen(points)));
    }
    group.finish();
}

criterion_group!(benches, slopes);
criterion_main!(benches);
