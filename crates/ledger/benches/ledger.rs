//! How fast a site of 300 bins with 8 probes each, a reading every five minutes, is stored and comes back after a restart.
//!
//! Must never run without its folder on a real disk: set `TMPDIR` when `/tmp` is in memory.
//!
//! `LEDGER_BENCH_WEEKS` sets how much history lies behind the window (default 1; a season of 10 weeks is 48 million readings, and
//! writing it takes minutes). The shape of each series and the order of writing are those of a live site, whatever the length.
//!
//! `cargo bench -p ledger -- packing` prints what a reading takes before and after it is packed, beside the least that its noise allows, and how
//! fast both are written and read.
#![allow(missing_docs, clippy::unwrap_used)]

use std::hint::black_box;
use std::time::Instant;

use criterion::{BatchSize, Criterion, Throughput, criterion_group, criterion_main};
use engine::effect::Effect;
use ledger::{Access, FILE, Ledger, ReadingFilter};
use pile::time::{Span, Timestamp};
use site::ids::ProbeId;
use site::quantity::Quantity;
use site::reading::{Quality, Reading, SeriesId, Source, TimeSource};
use site::zone::IsoWeek;

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

/// One kind of series: how its values, times and delays go.
struct Kind {
    name: &'static str,
    /// Standard deviation of the noise, and the step that values are rounded to.
    sigma: f64,
    step: f64,
    /// Times are on the grid of five minutes, give or take as many milliseconds.
    jitter_ms: i64,
    /// received_at is later by up to as many milliseconds; 0 where the time is that of arrival.
    delay_ms: i64,
}

/// Evenly spread numbers in 0..1 from a seed.
struct Even(u64);

impl Even {
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Nearly normal, with the deviation 1.
    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.next()).sum::<f64>() - 6.0
    }

    fn up_to(&mut self, n: i64) -> i64 {
        (self.next() * (n + 1) as f64) as i64
    }
}

impl Kind {
    /// The least that the noise allows, in bits a reading: normal noise rounded to steps has log2(sigma * sqrt(2 pi e) / step), evenly
    /// spread milliseconds log2 of how many there are (Cover and Thomas, Elements of Information Theory, from memory).
    fn bound(&self) -> f64 {
        let value = (self.sigma * (2.0 * std::f64::consts::PI * std::f64::consts::E).sqrt() / self.step).log2();
        value + ((2 * self.jitter_ms + 1) as f64).log2() + ((self.delay_ms + 1) as f64).log2()
    }

    fn reading(&self, id: &SeriesId, n: usize, dice: &mut Even) -> Effect {
        let jitter = dice.up_to(2 * self.jitter_ms) - self.jitter_ms;
        let measured_at = START + EVERY.times(n as i64) + Span::millis(150_000 + jitter);
        let value = 60.0 + 6.0 * (n as f64 / 700.0).sin() + self.sigma * dice.normal();
        let value = (value / self.step).round() / (1.0 / self.step).round();
        let (time_source, received_at) = match self.delay_ms {
            0 => (TimeSource::Intake, measured_at),
            most => (TimeSource::Device, measured_at + Span::millis(dice.up_to(most))),
        };
        let reading = Reading { series: id.clone(), measured_at, received_at, value, time_source, retained: false };
        Effect::Store { reading, quality: Quality::Good, reason: String::new() }
    }
}

const KINDS: [Kind; 5] = [
    Kind {
        name: "0.1 K noise in tenths, whole five minutes, no delay",
        sigma: 0.1,
        step: 0.1,
        jitter_ms: 0,
        delay_ms: 0,
    },
    Kind {
        name: "0.3 K noise in tenths, whole five minutes, no delay",
        sigma: 0.3,
        step: 0.1,
        jitter_ms: 0,
        delay_ms: 0,
    },
    Kind {
        name: "0.1 K noise in tenths, ±500 ms, time of arrival",
        sigma: 0.1,
        step: 0.1,
        jitter_ms: 500,
        delay_ms: 0,
    },
    Kind {
        name: "0.1 K noise in tenths, ±500 ms, up to 900 ms late",
        sigma: 0.1,
        step: 0.1,
        jitter_ms: 500,
        delay_ms: 900,
    },
    Kind {
        name: "0.1 K noise in 1/128 K, ±500 ms, up to 900 ms late",
        sigma: 0.1,
        step: 1.0 / 128.0,
        jitter_ms: 500,
        delay_ms: 900,
    },
];

fn packing(c: &mut Criterion) {
    const MANY: usize = 100;
    const DAYS: usize = 30;
    let series: Vec<SeriesId> = all_series().into_iter().take(MANY).collect();
    let readings = (MANY * DAYS * 288) as f64;
    println!(
        "{MANY} series of {DAYS} days, a reading every five minutes; bytes a reading in the store, indexes and record and all"
    );
    for (n, kind) in KINDS.iter().enumerate() {
        let folder = tempfile::tempdir().unwrap();
        let mut ledger = Ledger::open(folder.path(), Access::Write).unwrap();
        let mut dice = Even(7);
        for step in 0..DAYS * 288 {
            let effects: Vec<Effect> = series.iter().map(|id| kind.reading(id, step, &mut dice)).collect();
            ledger.commit(START + EVERY.times(step as i64 + 1), &effects).unwrap();
        }
        let end = START + Span::days(DAYS as i64 + 1);
        for hour in 0..3 {
            ledger.commit(end + Span::hours(hour), &[Effect::SummaryDone(IsoWeek { year: 2026, week: 1 })]).unwrap();
        }
        let mut bytes = vec![ledger.bytes_in_use().unwrap()];
        let id = series[MANY / 2].clone();
        let week = |ledger: &Ledger| ledger.history(&id, START + Span::days(14), START + Span::days(21)).unwrap().len();
        let all = |ledger: &Ledger| {
            let mut sum = 0.0;
            ledger.readings(&ReadingFilter::default(), &mut |row| sum += row.reading.value).unwrap();
            sum
        };
        let timed = |ledger: &Ledger| {
            let begun = Instant::now();
            black_box(all(ledger));
            readings / begun.elapsed().as_secs_f64() / 1e6
        };
        let mut read = vec![timed(&ledger)];
        if n == 0 {
            c.bench_function("packing: a series-week read from rows", |b| b.iter(|| black_box(week(&ledger))));
        }
        let (begun, mut pieces) = (Instant::now(), Vec::new());
        loop {
            let piece = Instant::now();
            let Some(done) = ledger.compact(Timestamp::MAX).unwrap() else { break };
            if done.readings > 0 {
                pieces.push(piece.elapsed().as_secs_f64() * 1e3);
            }
        }
        let rate = readings / begun.elapsed().as_secs_f64() / 1e6;
        if n == 0 {
            c.bench_function("packing: a series-week read packed", |b| b.iter(|| black_box(week(&ledger))));
        }
        bytes.push(ledger.bytes_in_use().unwrap());
        read.push(timed(&ledger));
        pieces.sort_by(f64::total_cmp);
        println!(
            "{}: rows {:.1} B, packed {:.2} B, the noise alone {:.2} B; packing {rate:.2} M readings/s, a piece {:.0} ms, the longest {:.0} ms; \
             read whole {:.2} M/s from rows, {:.2} M/s packed",
            kind.name,
            bytes[0] as f64 / readings,
            bytes[1] as f64 / readings,
            kind.bound() / 8.0,
            pieces[pieces.len() / 2],
            pieces[pieces.len() - 1],
            read[0],
            read[1]
        );
    }
}

criterion_group!(benches, packing, store, restore);
criterion_main!(benches);
