//! What programs see that watch the daemon: the page of figures, its health, the signs of life for a service manager.
//!
//! Must never trust our own reading of the page: another program's parser reads it.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

#[path = "support/yard.rs"]
mod yard;

use std::collections::BTreeMap;
use std::io::Write;
use std::os::unix::net::UnixDatagram;
use std::process::{Command, Stdio};
use std::time::Duration;

use hypocaust::driven::{Driven, acknowledged, connect, publish};
use hypocaust::socket::Request;
use pile::time::Span;
use site::entry::EntryKind;
use tokio::sync::watch;
use yard::{PATIENCE, Process, START, Yard, eventually, free_port, live, payload};

/// Reads OpenMetrics with the parser of the reference client library for Python (Debian: python3-prometheus-client), strictly.
const PARSER: &str = "
import sys, json
from prometheus_client.openmetrics.parser import text_string_to_metric_families
out = {}
for family in text_string_to_metric_families(sys.stdin.read()):
    assert family.documentation, family.name
    for s in family.samples:
        labels = ','.join(f'{k}={v}' for k, v in sorted(s.labels.items()))
        out[f'{s.name}{{{labels}}}'] = [s.value, family.type, family.unit]
json.dump(out, sys.stdout)
";

type Samples = BTreeMap<String, (f64, String, String)>;

/// The page as another program reads it; `None`, loudly, where that program is missing.
fn parsed(test: &str, text: &str) -> Option<Samples> {
    for python in ["python3", "/usr/bin/python3"] {
        let has = Command::new(python).args(["-c", "import prometheus_client"]).stderr(Stdio::null()).status();
        if !has.is_ok_and(|status| status.success()) {
            continue;
        }
        let mut child =
            Command::new(python).args(["-c", PARSER]).stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
        child.stdin.take().unwrap().write_all(text.as_bytes()).unwrap();
        let out = child.wait_with_output().unwrap();
        assert!(out.status.success(), "the page is not OpenMetrics:\n{text}");
        return Some(serde_json::from_slice(&out.stdout).unwrap());
    }
    assert!(
        std::env::var("CI").as_deref() != Ok("true"),
        "{test}: the parser is missing and CI=true; install it (Debian: apt-get install python3-prometheus-client)"
    );
    eprintln!(
        "\n*** NOT RUN: {test}: there is no parser here (Debian: apt-get install python3-prometheus-client) ***\n"
    );
    None
}

/// Status, form and text of an answer.
fn get(port: u16, path: &str) -> Option<(u16, String, String)> {
    let agent: ureq::Agent = ureq::Agent::config_builder().http_status_as_error(false).build().into();
    let mut answer = agent.get(format!("http://127.0.0.1:{port}{path}")).call().ok()?;
    let form = answer.headers().get("content-type")?.to_str().ok()?.to_owned();
    Some((answer.status().as_u16(), form, answer.body_mut().read_to_string().ok()?))
}

async fn got(port: u16, path: &'static str) -> (u16, String, String) {
    eventually("an answer", || tokio::task::block_in_place(|| get(port, path))).await
}

fn watched(yard: Yard) -> (Yard, u16) {
    let port = free_port();
    let more = format!("{}metrics: {{ listen: \"127.0.0.1:{port}\" }}\n", yard.more);
    (Yard { more, ..yard }, port)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_page_has_the_figures_and_another_parser_reads_it() {
    let (yard, port) = watched(Yard::new(2).with_rule("hot-now", yard::HOT_NOW));
    let mut driven = yard.driven(START).await;
    driven
        .ask(Request::entry("b1", START, "Ann", "", &EntryKind::OnAir { loaded_at: None, filling: None }))
        .await
        .unwrap();
    let client = connect(driven.listens_on().unwrap(), "node");
    live(&mut driven, &client, "b1-core", &[60.0, 70.0, 70.0]).await;
    // The last one again, another value for its instant, and rubbish.
    let now = driven.now();
    for text in [payload(now, 70.0), payload(now, 71.0), "rubbish".to_owned()] {
        acknowledged(vec![publish(&client, "t/b1-core".into(), text).await.unwrap()]).await.unwrap();
    }
    let now = now + Span::minutes(2);
    driven.advance_to(now).await.unwrap();

    let (status, form, text) = got(port, "/metrics").await;
    assert_eq!((status, form.as_str()), (200, "application/openmetrics-text; version=1.0.0; charset=utf-8"), "{text}");
    assert!(text.ends_with("# EOF\n"), "{text}");
    if let Some(samples) = parsed("the_page_has_the_figures_and_another_parser_reads_it", &text) {
        let value = |name: &str| samples.get(name).unwrap_or_else(|| panic!("{name} in\n{text}")).0;
        for (name, wanted, why) in [
            ("hypocaust_readings_total{outcome=stored}", 3.0, "three readings"),
            ("hypocaust_readings_total{outcome=repeated}", 1.0, "one came twice"),
            ("hypocaust_readings_total{outcome=contradicted}", 1.0, "one said otherwise"),
            ("hypocaust_readings_total{outcome=refused}", 1.0, "one was rubbish"),
            ("hypocaust_series_age_seconds{quantity=temperature,source=b1-core}", 120.0, "two minutes ago"),
            ("hypocaust_alarms{priority=medium,state=unacknowledged}", 1.0, "hot"),
            ("hypocaust_outbox_messages{}", 0.0, "it went into the folder"),
            ("hypocaust_outbox_oldest_age_seconds{}", 0.0, "none waits"),
            ("hypocaust_behind_seconds{}", 0.0, "all that was due is done"),
            ("hypocaust_last_heartbeat_timestamp_seconds{}", 0.0, "none is asked for"),
            ("hypocaust_clock_behind_seconds{}", 0.0, "a driven clock is true"),
            ("hypocaust_moves{part=intake}", 1.0, "it works"),
            ("hypocaust_moves{part=rules}", 1.0, "it works"),
            ("hypocaust_moves{part=outbox}", 1.0, "it works"),
            ("hypocaust_part_health{part=broker}", 0.0, "it listens"),
            ("hypocaust_part_health{part=intake}", 0.0, "readings come"),
            ("hypocaust_part_health{part=rules}", 0.0, "they are judged"),
            ("hypocaust_part_health{part=clock}", 0.0, "a driven clock is true"),
            ("hypocaust_part_health{part=disk}", 0.0, "it takes what is committed"),
            ("hypocaust_part_health{part=outbox}", 0.0, "it went into the folder"),
            ("hypocaust_part_health{part=record}", 0.0, "no hour is over"),
            (&format!("hypocaust_build_info{{version={}}}", env!("CARGO_PKG_VERSION")), 1.0, "which program"),
        ] {
            let found = value(name);
            assert!(found == wanted, "{name}: {why}: {found}");
        }
        assert!(value("hypocaust_rule_evaluation_seconds_count{}") > 0.0);
        assert_eq!(samples["hypocaust_series_age_seconds{quantity=temperature,source=b1-core}"].2, "seconds");
        assert_eq!(samples["hypocaust_readings_total{outcome=stored}"].1, "counter");
    }
    for private in ["Ann", "ann@test.example", "Test Yard"] {
        assert!(!text.contains(private), "{private} is nobody's business here");
    }
    let (status, form, text) = got(port, "/health").await;
    assert_eq!((status, form.as_str()), (200, "text/plain; charset=utf-8"), "{text}");
    let parts: Vec<&str> =
        text.lines().filter_map(|line| line.split_once(": ok since 2026-03-09 ")).map(|(p, _)| p).collect();
    assert_eq!(parts, ["broker", "intake", "rules", "clock", "disk", "outbox", "record"], "{text}");
    let agent: ureq::Agent = ureq::Agent::new_with_defaults();
    let asked = agent.get(format!("http://127.0.0.1:{port}/health")).header("accept", "application/json");
    let json = tokio::task::block_in_place(|| asked.call().unwrap().body_mut().read_to_string().unwrap());
    let json: serde_json::Value = serde_json::from_str(&json).unwrap();
    assert_eq!((json["state"].as_str(), json["parts"].as_array().unwrap().len()), (Some("ok"), 7), "{json}");
    for private in ["Ann", "ann@test.example", "Test Yard"] {
        assert!(!text.contains(private), "{private} is nobody's business here: {text}");
    }
    let (status, _, text) = got(port, "/").await;
    assert!(status == 404 && text.contains("there is /metrics"), "{status} {text}");
    driven.stop().await.unwrap();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_store_that_takes_nothing_is_ill_health() {
    let (yard, port) = watched(Yard::new(1));
    let (pages, limited) = watch::channel(None);
    let driven = Driven::start(yard.site(), &yard.rules(), START, None, Some(limited)).await.unwrap();
    assert_eq!(got(port, "/health").await.0, 200);
    pages.send_replace(Some(1));
    // Readings until the pages that there are do not suffice; none of them is acknowledged.
    let client = connect(driven.listens_on().unwrap(), "node");
    let mut progress = driven.progress();
    let filling = async {
        for n in 0.. {
            let at = START - Span::seconds(n);
            let _ = publish(&client, "t/b1-core".into(), payload(at, 20.0)).await;
        }
    };
    tokio::select! {
        () = filling => {}
        troubled = tokio::time::timeout(PATIENCE, progress.wait_for(|p| p.store_in_trouble)) => { troubled.unwrap().unwrap(); }
    }
    let (status, _, text) = got(port, "/health").await;
    assert!(status == 503 && text.contains("disk: failed since"), "{status} {text}");
    assert!(text.contains("none is acknowledged while the store takes nothing"), "{text}");
    // The command is answered while the loop is held up, too; so is a program that asks for figures, with nothing made up.
    let (code, said) = tokio::task::block_in_place(|| yard::hypocaust(&yard, &["status", "--health"]));
    assert!(code == 1 && said.contains("disk: failed since"), "{code}: {said}");
    assert_eq!(got(port, "/metrics").await.0, 503);
    pages.send_replace(None);
    eventually("health again", || {
        tokio::task::block_in_place(|| get(port, "/health")).filter(|(status, ..)| *status == 200)
    })
    .await;
    driven.stop().await.unwrap();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_address_that_is_taken_costs_the_page_and_nothing_else() {
    let taken = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let port = taken.local_addr().unwrap().port();
    let more = format!("metrics: {{ listen: \"127.0.0.1:{port}\" }}\n");
    let yard = Yard { more, ..Yard::new(1) };
    let process = Process::start(&yard, &[]);
    eventually("the daemon to say so", || {
        let log = process.log();
        (log.contains("cannot be listened on") && log.contains("choose another address")).then_some(())
    })
    .await;
    assert_eq!(process.stop().0, Some(0));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn half_requests_and_idle_commands_end_and_hold_nobody_up() {
    let (yard, port) = watched(Yard::new(1));
    let driven = yard.driven(START).await;
    assert_eq!(got(port, "/health").await.0, 200);
    let mut half = Vec::new();
    for _ in 0..100 {
        let mut stream = tokio::net::TcpStream::connect(("127.0.0.1", port)).await.unwrap();
        let _ = tokio::io::AsyncWriteExt::write_all(&mut stream, b"GET /health HTTP/1.1\r\n").await;
        half.push(stream);
    }
    let socket = hypocaust::socket::socket_path(&yard.data());
    let idle: Vec<_> = (0..100).filter_map(|_| std::os::unix::net::UnixStream::connect(&socket).ok()).collect();
    assert_eq!(got(port, "/health").await.0, 200, "those that are half end soon");
    for stream in &mut half {
        let mut bytes = [0; 64];
        let end = tokio::time::timeout(PATIENCE, async {
            // One that was in time to be read may have been told that it took too long.
            while tokio::io::AsyncReadExt::read(stream, &mut bytes).await.is_ok_and(|n| n > 0) {}
        });
        end.await.expect("each of them ends");
    }
    // A command is heard once the idle ones were sent away.
    let data = yard.data();
    let request = Request::entry("b1", START, "Ann", "", &EntryKind::OnAir { loaded_at: None, filling: None });
    let asked = tokio::task::spawn_blocking(move || {
        let until = std::time::Instant::now() + PATIENCE;
        loop {
            if let Ok(Some(answer)) = hypocaust::socket::ask(&data, &request) {
                return answer;
            }
            assert!(std::time::Instant::now() < until, "no command is heard any more");
            std::thread::yield_now();
        }
    });
    assert!(matches!(asked.await.unwrap(), hypocaust::socket::Answer::Done(_)));
    drop(idle);
    // A head that is too long, and a second request on one connection.
    for request in
        [format!("GET /health HTTP/1.1\r\nA: {}\r\n\r\n", "x".repeat(20_000)), "GET /health HTTP/1.1\r\n\r\n".repeat(2)]
    {
        let mut stream = tokio::net::TcpStream::connect(("127.0.0.1", port)).await.unwrap();
        let _ = tokio::io::AsyncWriteExt::write_all(&mut stream, request.as_bytes()).await;
        let mut bytes = Vec::new();
        let read = tokio::io::AsyncReadExt::read_to_end(&mut stream, &mut bytes);
        let _ = tokio::time::timeout(PATIENCE, read).await.expect("an end");
        let answers = String::from_utf8_lossy(&bytes).matches("HTTP/1.1").count();
        assert!(answers <= 1, "{}", String::from_utf8_lossy(&bytes));
    }
    driven.stop().await.unwrap();
}

/// A service manager that asks for a sign of life every two seconds.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_service_manager_hears_that_it_is_ready_alive_and_stopping() {
    let yard = Yard::new(1);
    let path = yard.path("notify");
    let socket = UnixDatagram::bind(&path).unwrap();
    socket.set_read_timeout(Some(Duration::from_millis(20))).unwrap();
    let environment = [("NOTIFY_SOCKET", path.to_str().unwrap()), ("WATCHDOG_USEC", "2000000")];
    let process = Process::start_under(&yard, &[], &environment);
    let mut heard = String::new();
    let mut hear = |what: &str| {
        let mut bytes = [0; 512];
        if let Ok(n) = socket.recv(&mut bytes) {
            heard.push_str(std::str::from_utf8(&bytes[..n]).unwrap());
            heard.push('\n');
        }
        heard.contains(what).then(|| heard.matches("WATCHDOG=1").count())
    };
    eventually("READY=1", || hear("READY=1")).await;
    eventually("three signs of life", || hear("WATCHDOG=1").filter(|n| *n >= 3)).await;
    assert_eq!(process.stop().0, Some(0));
    eventually("STOPPING=1", || hear("STOPPING=1")).await;
}
