//! The daemon is killed in the middle of its work: what was acknowledged is stored, once, and alarms and mails are as without the kill.
//!
//! kill -9 ends the process, not the machine: what the kernel holds survives it, so this does not test fsync.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

#[path = "support/mosquitto.rs"]
mod mosquitto;
#[path = "support/smtp_sink.rs"]
mod smtp_sink;
#[path = "support/yard.rs"]
mod yard;

use std::collections::BTreeSet;
use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use hypocaust::driven::{connect, publish};
use ledger::{Access, Ledger, ReadingFilter};
use mosquitto::Mosquitto;
use pile::time::{Span, Timestamp};
use smtp_sink::SmtpSink;
use yard::{HOT_NOW, Process, Yard, eventually, free_port, letter, machine_now, payload};

const CONNECTIONS: usize = 20;
const EACH: i64 = 1_000;
/// Bins whose probe is always over the limit; the others never are.
const HOT_BINS: usize = 5;
const KILLS: usize = 5;

fn value(bin: usize) -> f64 {
    if bin <= HOT_BINS { 70.0 } else { 60.0 }
}

/// Twenty connections publish a thousand readings each, one after the other; a message without acknowledgement is sent again.
async fn publish_all(address: SocketAddr, name: &str, acknowledged: Arc<AtomicU64>) {
    let begins = machine_now() - Span::minutes(20);
    let mut tasks = Vec::new();
    for bin in 1..=CONNECTIONS {
        let client = connect(address, &format!("{name}-{bin}"));
        let acknowledged = Arc::clone(&acknowledged);
        tasks.push(tokio::spawn(async move {
            for i in 0..EACH {
                let text = payload(begins + Span::seconds(i), value(bin));
                loop {
                    let notice = publish(&client, format!("t/b{bin}-core"), text.clone()).await.unwrap();
                    // A client that lost its connection may never hear of this message again; then it is sent once more, as a
                    // gateway would: the store knows it by its time.
                    let heard = tokio::time::timeout(Duration::from_secs(5), notice.wait_completion_async()).await;
                    if matches!(heard, Ok(Ok(()))) {
                        break;
                    }
                }
                acknowledged.fetch_add(1, Ordering::Relaxed);
            }
        }));
    }
    for task in tasks {
        task.await.unwrap();
    }
}

/// What a run left: readings per series, alarms raised, mails in the outbox, mails that the relay took, by Message-ID.
#[derive(Debug, PartialEq)]
struct Left {
    readings: Vec<(String, usize)>,
    raised: Vec<(String, u32)>,
    mails: u64,
    delivered: BTreeSet<String>,
}

fn left(yard: &Yard, sink: &SmtpSink) -> Left {
    let store = Ledger::open(&yard.data(), Access::Read).unwrap();
    let mut rows: Vec<(String, Timestamp, f64)> = Vec::new();
    store
        .readings(&ReadingFilter::default(), &mut |row| {
            rows.push((row.reading.series.to_string(), row.reading.measured_at, row.reading.value));
        })
        .unwrap();
    let mut readings: Vec<(String, usize)> = Vec::new();
    let mut seen = BTreeSet::new();
    for (series, at, value) in rows {
        assert!(seen.insert((series.clone(), at)), "{series} at {at:?} is stored twice");
        let bin: usize = series.trim_start_matches('b').split('-').next().unwrap().parse().unwrap();
        assert_eq!(value, self::value(bin));
        match readings.iter_mut().find(|(s, _)| *s == series) {
            Some((_, n)) => *n += 1,
            None => readings.push((series, 1)),
        }
    }
    readings.sort();
    let mut raised: Vec<(String, u32)> = store
        .alarms()
        .unwrap()
        .into_iter()
        .filter(|a| a.occurrence > 0)
        .map(|a| (a.key.subject.as_str().to_owned(), a.occurrence))
        .collect();
    // Which bin's alarm came first depends on the ticks; how often each was raised does not.
    raised.sort();
    let counts = store.counts().unwrap();
    let delivered = sink.received().iter().map(|m| letter(&m.data).subject).collect();
    Left { readings, raised, mails: counts.mails_accepted + counts.mails_waiting, delivered }
}

async fn all_settled(yard: &Yard, sink: &SmtpSink) -> Left {
    eventually("every reading, alarm and mail", || {
        let store = Ledger::open(&yard.data(), Access::Read).ok()?;
        let counts = store.counts().ok()?;
        let done = counts.readings == (CONNECTIONS as u64) * EACH.unsigned_abs()
            && counts.mails_accepted >= HOT_BINS as u64
            && counts.mails_waiting == 0;
        done.then(|| left(yard, sink))
    })
    .await
}

/// Kills at random moments of the work, by a printed seed.
fn moments() -> Vec<u64> {
    let seed = u64::try_from(machine_now().as_millis()).unwrap();
    println!("seed of the kills: {seed}");
    let total = (CONNECTIONS as u64) * EACH.unsigned_abs();
    let mut state = seed;
    let mut moments: Vec<u64> = (0..KILLS)
        .map(|_| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 33) % (total * 9 / 10)
        })
        .collect();
    moments.sort_unstable();
    moments
}

async fn undisturbed() -> (Yard, SmtpSink, Process, SocketAddr) {
    let sink = SmtpSink::start();
    let port = free_port();
    let yard = Yard::new(CONNECTIONS).with_rule("hot-now", HOT_NOW).smtp_at(sink.port()).embedded_at(port);
    let process = Process::start(&yard, &[]);
    (yard, sink, process, format!("127.0.0.1:{port}").parse().unwrap())
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn killed_five_times_over_the_embedded_broker() {
    let (calm_yard, calm_sink, calm, calm_address) = undisturbed().await;
    let sink = SmtpSink::start();
    let port = free_port();
    let yard = Yard::new(CONNECTIONS).with_rule("hot-now", HOT_NOW).smtp_at(sink.port()).embedded_at(port);
    let process = Process::start(&yard, &[]);
    let done = Arc::new(AtomicU64::new(0));
    let work = tokio::spawn(publish_all(format!("127.0.0.1:{port}").parse().unwrap(), "rough", Arc::clone(&done)));
    let calm_work = tokio::spawn(publish_all(calm_address, "calm", Arc::default()));
    let process = kill_at(process, &yard, &done).await;
    work.await.unwrap();
    calm_work.await.unwrap();
    let rough = all_settled(&yard, &sink).await;
    let smooth = all_settled(&calm_yard, &calm_sink).await;
    assert_eq!(rough, smooth);
    let (code, took) = process.stop();
    assert_eq!(code, Some(0));
    assert!(took < Duration::from_secs(5), "a stop took {took:?}");
    calm.stop();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn killed_five_times_over_mosquitto() {
    let Some(broker) = Mosquitto::start("killed_five_times_over_mosquitto") else { return };
    let sink = SmtpSink::start();
    let yard = Yard::new(CONNECTIONS).with_rule("hot-now", HOT_NOW).smtp_at(sink.port()).broker_at(broker.port());
    let process = Process::start(&yard, &[]);
    // The session at the broker must exist before the first message, or the broker has nobody to keep it for.
    eventually("the subscription", || broker.log().contains("t/+").then_some(())).await;
    let done = Arc::new(AtomicU64::new(0));
    let address = format!("127.0.0.1:{}", broker.port()).parse().unwrap();
    let work = tokio::spawn(publish_all(address, "rough", Arc::clone(&done)));
    let process = kill_at(process, &yard, &done).await;
    work.await.unwrap();
    let rough = all_settled(&yard, &sink).await;
    assert_eq!(rough.raised, (1..=HOT_BINS).map(|i| (format!("b{i}"), 1)).collect::<Vec<_>>());
    assert_eq!(rough.mails, HOT_BINS as u64);
    assert_eq!(rough.delivered.len(), HOT_BINS);
    assert!(rough.readings.iter().all(|(_, n)| *n == EACH as usize) && rough.readings.len() == CONNECTIONS);
    process.stop();
}

async fn kill_at(mut process: Process, yard: &Yard, done: &AtomicU64) -> Process {
    for moment in moments() {
        eventually("the moment of the next kill", || (done.load(Ordering::Relaxed) >= moment).then_some(())).await;
        process.kill();
        process = Process::start(yard, &[]);
    }
    process
}
