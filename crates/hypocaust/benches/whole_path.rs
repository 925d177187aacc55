//! What a real daemon does for a real site: readings a second from mosquitto, memory and start-up with a season behind it, and how
//! long a raise takes to the relay.
//!
//! Must never judge: it prints figures beside what they are compared with, and a machine under other load prints worse ones.
//!
//! `cargo bench -p hypocaust --bench whole_path [-- rate | history | raise]`. `BENCH_WEEKS` and `BENCH_BINS` (of 8 probes) set the history:
//! by default 10 weeks of 300 bins, 48 million readings. A year of 800 series is `BENCH_WEEKS=52 BENCH_BINS=100`. Days that are over are packed
//! on the way, as the daemon does it, so that the file under `TMPDIR` is no larger than that of a site.

#![allow(missing_docs, clippy::unwrap_used)]

#[path = "../../../tests/support/mosquitto.rs"]
mod mosquitto;
#[path = "../../../tests/support/smtp_sink.rs"]
mod smtp_sink;
#[path = "../../../tests/support/yard.rs"]
mod yard;

use std::net::SocketAddr;
use std::os::unix::net::UnixDatagram;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use engine::effect::Effect;
use hypocaust::driven::{acknowledged, connect, publish};
use ledger::{Access, FILE, Ledger};
use mosquitto::Mosquitto;
use pile::time::{Span, Timestamp};
use rumqttc::{AsyncClient, MqttOptions, QoS};
use site::ids::ProbeId;
use site::quantity::Quantity;
use site::reading::{Quality, Reading, SeriesId, Source, TimeSource};
use smtp_sink::SmtpSink;
use yard::{HOT_NOW, Yard, eventually, free_port, payload, probe_id};

const EVERY: Span = Span::minutes(5);

#[expect(clippy::disallowed_methods, reason = "a benchmark lives by the machine's clock, as the daemon beside it does")]
fn machine_now() -> Timestamp {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap();
    Timestamp::from_millis(i64::try_from(since.as_millis()).unwrap())
}

/// The daemon as systemd would start it, so that it tells when it is ready.
struct Daemon {
    child: Child,
    ready_after: Duration,
}

impl Daemon {
    fn start(yard: &Yard) -> Daemon {
        let settings = yard.write_settings();
        let path = yard.path("notify");
        let _ = std::fs::remove_file(&path);
        let notified = UnixDatagram::bind(&path).unwrap();
        notified.set_read_timeout(Some(Duration::from_secs(60))).unwrap();
        let begun = Instant::now();
        let child = Command::new(env!("CARGO_BIN_EXE_hypocaust"))
            .arg("--config")
            .arg(&settings)
            .arg("run")
            .env("NOTIFY_SOCKET", &path)
            .stdin(Stdio::null())
            .stderr(std::fs::File::create(yard.path("log.txt")).unwrap())
            .spawn()
            .unwrap();
        let mut told = [0; 256];
        let n = notified.recv(&mut told).expect("the daemon becomes ready; its words are in log.txt of its folder");
        assert!(String::from_utf8_lossy(&told[..n]).contains("READY=1"));
        Daemon { child, ready_after: begun.elapsed() }
    }

    /// Resident memory now and at its highest, in MB, of which the part that is not files.
    fn memory(&self) -> (f64, f64, f64) {
        let text = std::fs::read_to_string(format!("/proc/{}/status", self.child.id())).unwrap();
        let of = |key: &str| -> f64 {
            let line = text.lines().find(|l| l.starts_with(key)).unwrap();
            line.split_whitespace().nth(1).unwrap().parse::<f64>().unwrap() * 1_024.0 / 1e6
        };
        (of("VmRSS"), of("VmHWM"), of("RssAnon"))
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let pid = rustix::process::Pid::from_child(&self.child);
        let _ = rustix::process::kill_process(pid, rustix::process::Signal::TERM);
        let _ = self.child.wait();
    }
}

fn stored(yard: &Yard) -> u64 {
    Ledger::open(&yard.data(), Access::Read).and_then(|l| l.counts()).map_or(0, |c| c.readings)
}

/// Readings a second that the daemon commits from mosquitto, beside what a bare subscriber counts in the same run.
async fn rate() {
    const BINS: usize = 50;
    const PROBES: usize = 8;
    const CONNECTIONS: usize = 4;
    const EACH: usize = 50_000;
    let Some(broker) = Mosquitto::start_with("rate", "max_inflight_messages 1000") else { return };
    let mut yard = Yard::new(BINS).broker_at(broker.port());
    yard.probes = PROBES;
    let address: SocketAddr = broker.address().parse().unwrap();
    let _daemon = Daemon::start(&yard);
    eventually("the daemon's subscription", || broker.log().contains("t/+").then_some(())).await;

    let total = CONNECTIONS * EACH;
    let counted = tokio::spawn(count(address, total));
    eventually("the bare subscription", || broker.log().contains("bare").then_some(())).await;
    let begins = machine_now() - Span::hours(12);
    let begun = Instant::now();
    let mut senders = Vec::new();
    for connection in 0..CONNECTIONS {
        let client = connect(address, &format!("sender-{connection}"));
        senders.push(tokio::spawn(async move {
            let mut waiting = std::collections::VecDeque::new();
            for i in 0..EACH {
                let n = connection + CONNECTIONS * i;
                let series = n % (BINS * PROBES);
                let at = begins + Span::seconds(30).times((n / (BINS * PROBES)) as i64);
                let topic = format!("t/{}", probe_id(1 + series / PROBES, series % PROBES));
                waiting.push_back(
                    publish(&client, topic, payload(at, 600.0 / 10.0 + (n % 7) as f64 / 10.0)).await.unwrap(),
                );
                if waiting.len() > 100 {
                    acknowledged(vec![waiting.pop_front().unwrap()]).await.unwrap();
                }
            }
            acknowledged(waiting.into()).await.unwrap();
        }));
    }
    let by_daemon = async {
        let until = Instant::now() + Duration::from_secs(300);
        let mut look = tokio::time::interval(Duration::from_millis(50));
        loop {
            look.tick().await;
            let n = stored(&yard);
            if n >= total as u64 || Instant::now() > until {
                return (n, begun.elapsed());
            }
        }
    };
    let ((n, daemon_took), bare_took) = tokio::join!(by_daemon, counted);
    let bare_took = bare_took.unwrap().duration_since(begun);
    for sender in senders {
        sender.await.unwrap();
    }
    let (ours, bare) = (n as f64 / daemon_took.as_secs_f64(), total as f64 / bare_took.as_secs_f64());
    println!("rate, {total} messages of one reading at QoS 1 from {CONNECTIONS} connections through mosquitto:");
    println!("  bare subscriber  {bare:>8.0} a second");
    println!("  daemon, on disk  {ours:>8.0} a second, {:.2} of it ({n} stored)", ours / bare);
}

/// A subscriber that does nothing but count, with the window that the daemon asks for.
async fn count(address: SocketAddr, total: usize) -> Instant {
    let mut options = MqttOptions::new("bare", (address.ip().to_string(), address.port()));
    options.set_receive_maximum(Some(1_000));
    let (client, mut events) = AsyncClient::builder(options).capacity(500).build();
    client.subscribe("t/+", QoS::AtLeastOnce).await.unwrap();
    let mut seen = 0;
    while seen < total {
        if let rumqttc::Event::Incoming(rumqttc::Packet::Publish(_)) = events.poll().await.unwrap() {
            seen += 1;
        }
    }
    Instant::now()
}

/// Start-up and memory with weeks of readings of a large site behind it.
async fn history() {
    const PROBES: usize = 8;
    let bins = std::env::var("BENCH_BINS").ok().and_then(|text| text.parse().ok()).unwrap_or(300);
    let weeks: i64 = std::env::var("BENCH_WEEKS").ok().and_then(|text| text.parse().ok()).unwrap_or(10);
    let port = free_port();
    let mut yard = Yard::new(bins).embedded_at(port);
    yard.probes = PROBES;
    let steps = weeks * 7 * 24 * 12;
    let begins = machine_now() - EVERY.times(steps);
    write_history(&yard, begins, steps);
    for boot in ["first start, pages of the file in the kernel's cache", "second start"] {
        let daemon = Daemon::start(&yard);
        let (now, _, own) = daemon.memory();
        println!(
            "  {boot}: ready after {:.2} s, resident {now:.1} MB, {own:.1} MB of it its own",
            daemon.ready_after.as_secs_f64()
        );
    }
    let daemon = Daemon::start(&yard);
    let client = connect(format!("127.0.0.1:{port}").parse().unwrap(), "site");
    let had = stored(&yard);
    let rounds = 6;
    let begun = Instant::now();
    for round in 0..rounds {
        let mut waiting = std::collections::VecDeque::new();
        for series in 0..bins * PROBES {
            let at = machine_now() - Span::seconds(60 - 10 * round);
            let topic = format!("t/{}", probe_id(1 + series / PROBES, series % PROBES));
            waiting.push_back(publish(&client, topic, payload(at, 60.0)).await.unwrap());
            if waiting.len() > 100 {
                acknowledged(vec![waiting.pop_front().unwrap()]).await.unwrap();
            }
        }
        acknowledged(waiting.into()).await.unwrap();
    }
    let n = stored(&yard) - had;
    println!("  {n} readings live over one connection in {:.1} s", begun.elapsed().as_secs_f64());
    // Two rounds of all rules: whatever a tick takes is in the figure.
    let since = Instant::now();
    eventually("two rounds of ticks", || (since.elapsed() > Duration::from_secs(50)).then_some(())).await;
    let (now, highest, own) = daemon.memory();
    println!("  after that: resident {now:.1} MB (highest {highest:.1}), {own:.1} MB of it its own");
}

/// Live order: every series once in five minutes, one after the other, each at its own second.
fn write_history(yard: &Yard, begins: Timestamp, steps: i64) {
    let series: Vec<SeriesId> = (0..yard.bins * yard.probes)
        .map(|n| SeriesId {
            source: Source::Probe(ProbeId::new(&probe_id(1 + n / yard.probes, n % yard.probes)).unwrap()),
            quantity: Quantity::Temperature,
        })
        .collect();
    std::fs::create_dir_all(yard.data()).unwrap();
    let mut ledger = Ledger::open(&yard.data(), Access::Write).unwrap();
    ledger.begin_run(begins).unwrap();
    let (begun, mut packing, mut longest) = (Instant::now(), Duration::ZERO, Duration::ZERO);
    for step in 0..steps {
        let effects: Vec<Effect> = series
            .iter()
            .enumerate()
            .map(|(n, id)| {
                let measured_at = begins + EVERY.times(step) + Span::millis(n as i64 * 125 % EVERY.as_millis());
                let reading = Reading {
                    series: id.clone(),
                    measured_at,
                    received_at: measured_at + Span::millis(300 + (n as i64 * 7 + step * 13) % 900),
                    value: ((60.0 + 5.0 * (step as f64 / 900.0).sin() + 0.1 * noise(step, n)) * 10.0).round() / 10.0,
                    time_source: TimeSource::Device,
                    retained: false,
                };
                Effect::Store { reading, quality: Quality::Good, reason: String::new() }
            })
            .collect();
        let now = begins + EVERY.times(step + 1);
        ledger.commit(now, &effects).unwrap();
        if step % 288 != 0 {
            continue;
        }
        // Once in a simulated day, piece after piece.
        loop {
            let piece = Instant::now();
            let done = ledger.compact(now - Span::days(3)).unwrap();
            packing += piece.elapsed();
            longest = longest.max(piece.elapsed());
            if done.is_none() {
                break;
            }
        }
    }
    ledger.end_run(begins + EVERY.times(steps)).unwrap();
    let readings = steps * series.len() as i64;
    let bytes = std::fs::metadata(yard.data().join(FILE)).unwrap().len();
    println!(
        "history, {} series every five minutes: {readings} readings written in {:.0} s, {:.0} a second, {:.1} bytes each",
        series.len(),
        begun.elapsed().as_secs_f64(),
        readings as f64 / begun.elapsed().as_secs_f64(),
        bytes as f64 / readings as f64
    );
    println!(
        "  of that time {:.0} s for packing, the longest piece {:.0} ms; the file has {:.0} MB",
        packing.as_secs_f64(),
        longest.as_secs_f64() * 1e3,
        bytes as f64 / 1e6
    );
}

/// Nearly normal noise, the same for the same step and series: the sum of twelve even ones.
fn noise(step: i64, series: usize) -> f64 {
    let mut state =
        step.unsigned_abs().wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ (series as u64).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    let even = |state: &mut u64| {
        *state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (*state >> 11) as f64 / (1_u64 << 53) as f64
    };
    (0..12).map(|_| even(&mut state)).sum::<f64>() - 6.0
}

/// From PUBLISH to the relay's 250, for a rule that is judged every minute.
async fn raise() {
    const BINS: usize = 12;
    let sink = SmtpSink::start();
    let port = free_port();
    let yard = Yard::new(BINS).with_rule("hot-now", HOT_NOW).smtp_at(sink.port()).embedded_at(port);
    let _daemon = Daemon::start(&yard);
    let client = connect(format!("127.0.0.1:{port}").parse().unwrap(), "site");
    let mut whole = Vec::new();
    let mut after_tick = Vec::new();
    for bin in 1..=BINS {
        // Spread over the minute of the tick by what came before: each waits for its own mail.
        let published = machine_now();
        let notice = publish(&client, format!("t/b{bin}-core"), payload(published, 70.0)).await.unwrap();
        acknowledged(vec![notice]).await.unwrap();
        sink.wait_for(|seen| seen.received.len() >= bin, Duration::from_secs(90));
        let arrived = machine_now();
        let raised = eventually("the alarm in the store", || {
            let alarms = Ledger::open(&yard.data(), Access::Read).ok()?.alarms().ok()?;
            alarms.into_iter().find(|a| a.key.subject.as_str() == format!("b{bin}"))?.raised_at
        })
        .await;
        whole.push(arrived.since(published).as_seconds());
        after_tick.push(arrived.since(raised).as_seconds());
    }
    let of = |values: &mut Vec<f64>| {
        values.sort_by(f64::total_cmp);
        format!(
            "least {:.2} s, median {:.2} s, most {:.2} s",
            values[0],
            values[values.len() / 2],
            values[values.len() - 1]
        )
    };
    println!("raise, {BINS} bins, a rule that is judged every minute, embedded broker, loopback relay:");
    println!("  from PUBLISH to 250:  {}", of(&mut whole));
    println!("  from the tick to 250: {}", of(&mut after_tick));
}

#[tokio::main]
async fn main() {
    let asked = std::env::args().skip(1).find(|a| !a.starts_with('-'));
    let wanted = |name: &str| asked.as_deref().is_none_or(|a| a == name);
    if wanted("rate") {
        rate().await;
    }
    if wanted("raise") {
        raise().await;
    }
    if wanted("history") {
        history().await;
    }
}
