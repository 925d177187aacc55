//! How many messages a second one core decodes.
//!
//! Must never measure anything but the decoder: sites and payloads are made before the clock runs.

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use decode::{Retained, Router};
use pile::time::Timestamp;

#[path = "../tests/sites/mod.rs"]
mod sites;

fn messages(c: &mut Criterion) {
    let site = sites::large();
    let router = Router::new(&site);
    let now = Timestamp::from_millis(1_773_122_400_000);
    let plain: Vec<(String, String)> = (0..1_000)
        .map(|i| (format!("site/bin-{}/core-{}", i % 300, i % 8), format!("{:.2}", 40.0 + f64::from(i) / 50.0)))
        .collect();
    let mut group = c.benchmark_group("decode");
    group.throughput(Throughput::Elements(plain.len() as u64));
    group.bench_function("plain", |b| {
        b.iter(|| {
            plain
                .iter()
                .map(|(topic, payload)| router.decode(topic, payload.as_bytes(), Retained::Fresh, now).readings.len())
                .sum::<usize>()
        });
    });
    let pack = r#"{"ts":"2026-03-10T05:59:00Z","t":{"0":61.25,"1":58.5,"2":57.75,"3":60.0,"4":61.0,"5":62.25,"6":63.5,"7":55.0}}"#;
    group.throughput(Throughput::Elements(8));
    group.bench_function("pack of eight", |b| {
        b.iter(|| router.decode("packs/bin-7", pack.as_bytes(), Retained::Fresh, now).readings.len());
    });
    group.finish();
}

criterion_group!(benches, messages);
criterion_main!(benches);
