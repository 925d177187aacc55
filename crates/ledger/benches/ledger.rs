//! How fast a site of 300 bins with 8 probes each, a reading every five minutes, is stored and comes back after a restart.
//!
//! Must never run without its folder on a real disk: set `TMPDIR` when `/tmp` is in memory.
//!
//! `LEDGER_BENCH_WEEKS` sets how much history lies behind the window (default 1; a season of 10 weeks is 48 million readings, and
//! writing it takes minutes). The shape of each series and the order of writing are those of a live site, whatever the length.
#![allow(missing_docs, clippy::unwrap_used)]

use std::hint::black_box;
use std::time::Instant;

use criterion::{BatchSize, Criterion, Throughput, criterion_group, criterion_main};
use engine::effect::Effect;
use ledger::{Access, FILE, Ledger};
use pile::time::{Span, Timestamp};
use site::ids::ProbeId;
use site::quantity::Quantity;
use site::reading::{Quality, Reading, SeriesId, Source, TimeSource};

const SERIES: usize = 300 * 8;
const EVERY: Span = Span::minutes(5);
const PER_COMMIT: usize = 1_000;
const START: Timestamp = Timestamp::from_millis(1_773_122_400_000);

fn all_series() -> Vec<SeriesId> {
    (0..SERIES)
        .map(|n| SeriesId {
            source: Source::Probe(ProbeId::new(&format!("bin-{:03}-p{}", n / 8, n % 8)).unwrap()),
            quantity: Quantity::Temperature,
        })
        .collect()
}

/// The `n`th reading of series `of`, in tenths of a degree, at its own second of the five minutes.
fn reading(series: &[SeriesId], of: usize, n: usize) -> Effect {
    let measured_at = START + EVERY.times(n as i64) + Span::millis(of as i64 * 125 % EVERY.as_millis());
    let reading = Reading {
        series: series[of].clone(),
        measured_at,
        received_at: measured_at + Span::millis(300 + (of as i64 * 7 + n as i64 * 13) % 900),
        value: (550 + (n * 31 + of * 17) % 97) as f64 / 10.0,
        time_source: TimeSource::Device,
        retained: false,
    };
    Effect::Store { reading, quality: Quality::Good, reason: String::new() }
}

/// Live order: every series once in five minutes, one after the other.
fn live(series: &[SeriesId], commit: usize) -> Vec<Effect> {
    (commit * PER_COMMIT..(commit + 1) * PER_COMMIT).map(|n| reading(series, n % SERIES, n / SERIES)).collect()
}

fn store(c: &mut Criterion) {
    let series = all_series();
    let mut group = c.benchmark_group("commit 1000 readings");
    group.throughput(Throughput::Elements(PER_COMMIT as u64));
    for (name, backlog) in
        [("of 1000 series, as they come in live", false), ("of one series, as after an outage", true)]
    {
        let folder = tempfile::tempdir().unwrap();
        let mut ledger = Ledger::open(folder.path(), Access::Write).unwrap();
        ledger.begin_run(START).unwrap();
        let mut commit = 0;
        group.bench_function(name, |b| {
            b.iter_batched(
                || {
                    commit += 1;
                    match backlog {
                        false => live(&series, commit),
                        true => (0..PER_COMMIT)
                            .map(|n| reading(&series, commit % SERIES, commit / SERIES * PER_COMMIT + n))
                            .collect(),
                    }
                },
                |effects| assert_eq!(ledger.commit(START, &effects).unwrap().stored, PER_COMMIT),
                BatchSize::PerIteration,
            );
        });
    }
    group.finish();
}

fn restore(c: &mut Criterion) {
    let weeks = std::env::var("LEDGER_BENCH_WEEKS").ok().and_then(|text| text.parse().ok()).unwrap_or(1);
    let series = all_series();
    let folder = tempfile::tempdir().unwrap();
    let mut ledger = Ledger::open(folder.path(), Access::Write).unwrap();
    ledger.begin_run(START).unwrap();
    let each = weeks * 7 * 24 * 12;
    let commits = SERIES * each / PER_COMMIT;
    let started = Instant::now();
    for commit in 0..commits {
        ledger.commit(START, &live(&series, commit)).unwrap();
    }
    let took = started.elapsed().as_secs_f64();
    ledger.end_run(START).unwrap();
    drop(ledger);
    let rows = commits * PER_COMMIT;
    let bytes = std::fs::metadata(folder.path().join(FILE)).unwrap().len();
    println!(
        "{weeks} weeks: {rows} readings in {took:.1} s, {:.0} a second; {:.1} bytes a reading in the file",
        rows as f64 / took,
        bytes as f64 / rows as f64
    );
    let ledger = Ledger::open(folder.path(), Access::Read).unwrap();
    let now = START + EVERY.times(each as i64);
    let points: usize =
        ledger.restore(now, Span::days(3)).unwrap().windows.iter().map(|(_, window)| window.len()).sum();
    let mut group = c.benchmark_group(format!("restore 3 days of {weeks} weeks"));
    group.sample_size(10).throughput(Throughput::Elements(points as u64));
    group.bench_function(format!("{SERIES} series, {points} points"), |b| {
        b.iter(|| {
            // Opened each time: a restart finds no page in SQLite's own memory, though the kernel may have kept them.
            let ledger = Ledger::open(folder.path(), Access::Read).unwrap();
            black_box(ledger.restore(now, Span::days(3)).unwrap())
        });
    });
    group.finish();
}

criterion_group!(benches, store, restore);
criterion_main!(benches);
