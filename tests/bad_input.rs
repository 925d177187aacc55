//! Bad input gets a message with the next step, nothing is lost, and the rest goes on.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

#[path = "support/yard.rs"]
mod yard;

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::time::Duration;

use hypocaust::driven::{acknowledged, connect, publish};
use ledger::{Access, Ledger, ReadingFilter};
use pile::time::Span;
use site::reading::Quality;
use yard::{Process, START, Yard, eventually, free_port, hypocaust, hypocaust_with, payload};

/// Where a payload must show up, and what must be said there.
enum Shows {
    /// Among the refused payloads, with these words.
    Refused(&'static str),
    /// Among the readings, with this quality and these words.
    Doubted(Quality, &'static str),
    /// Among the readings, believed.
    Stored,
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn bad_payloads_are_kept_with_a_reason_and_the_next_step() {
    let yard = Yard::new(1);
    let mut driven = yard.driven(START).await;
    let client = connect(driven.listens_on().unwrap(), "b1-node");
    let now = START + Span::hours(1);
    driven.advance_to(now).await.unwrap();
    let store = || Ledger::open(&yard.data(), Access::Read).unwrap();
    let seconds = |s: i64| now - Span::minutes(10) + Span::seconds(s);
    use Quality::{Bad, Suspect};
    let big = format!("{{\"t\":1773018000,\"v\":\"{}\"}}", "x".repeat(900 * 1024));
    for (what, topic, text, shows) in [
        ("a good reading first", "t/b1-core", payload(seconds(0), 61.0), Shows::Stored),
        ("half a JSON", "t/b1-core", "{\"t\":1773018000,\"v\":".into(), Shows::Refused("JSON")),
        ("nearly a megabyte, as much as the broker inside lets in", "t/b1-core", big, Shows::Refused("bytes")),
        ("a control character in the topic", "t/b1\u{7}core", payload(seconds(1), 60.0), Shows::Refused("control")),
        ("412 °C", "t/b1-core", payload(seconds(2), 412.0), Shows::Doubted(Bad, "412 °C is outside the -20 to 120 °C")),
        ("−127", "t/b1-core", payload(seconds(3), -127.0), Shows::Doubted(Bad, "check its plug and cable")),
        ("85.0 at power-on", "t/b1-core", payload(seconds(4), 85.0), Shows::Doubted(Suspect, "power-on")),
        ("a time in 1970", "t/b1-core", "{\"t\":12,\"v\":61.5}".into(), Shows::Stored),
        ("a time in 2070", "t/b1-core", "{\"t\":3155760000,\"v\":61.75}".into(), Shows::Stored),
        ("the same time with another value", "t/b1-core", payload(seconds(0), 66.0), Shows::Refused("61")),
        ("an unknown probe", "t/b7-core", payload(seconds(5), 60.0), Shows::Refused("b7-core")),
        (
            "an infinite number",
            "t/b1-core",
            "{\"t\":1773018000,\"v\":1e400}".into(),
            Shows::Refused("number out of range"),
        ),
        (
            "no number at all",
            "t/b1-core",
            "{\"t\":1773018000,\"v\":\"warm\"}".into(),
            Shows::Refused("is text, not a number"),
        ),
        ("a topic that is not in the settings", "elsewhere/x", payload(seconds(6), 60.0), Shows::Refused("topics")),
    ] {
        // A payload without a usable time gets the time of intake: the clock must move, or two would claim the same instant.
        let next = driven.now() + Span::minutes(1);
        driven.advance_to(next).await.unwrap();
        let (readings, refused) = (store().counts().unwrap().readings, store().counts().unwrap().refused);
        let notice = publish(&client, topic.into(), text).await.unwrap();
        acknowledged(vec![notice])
            .await
            .unwrap_or_else(|e| panic!("{what}: a message is acknowledged whatever it holds: {e}"));
        let counts = store().counts().unwrap();
        match shows {
            Shows::Refused(words) => {
                assert_eq!((counts.readings, counts.refused), (readings, refused + 1), "{what}");
                let newest = &store().refused(1).unwrap()[0].refusal;
                assert!(newest.reason.contains(words), "{what}: the reason must name `{words}`: {}", newest.reason);
                assert!(
                    newest.reason.contains(';') || newest.reason.len() > 40,
                    "{what}: a reason has a next step: {}",
                    newest.reason
                );
                assert!(newest.payload_head.len() < 2_100, "{what}: only the head of a payload is kept");
            }
            Shows::Doubted(quality, words) => {
                assert_eq!((counts.readings, counts.refused), (readings + 1, refused), "{what}");
                let mut doubted = Vec::new();
                store().readings(&ReadingFilter::default(), &mut |row| doubted.push(row)).unwrap();
                let row = doubted.into_iter().rfind(|r| r.quality != Quality::Good).unwrap();
                assert_eq!(row.quality, quality, "{what}");
                assert!(row.reason.contains(words), "{what}: {}", row.reason);
            }
            Shows::Stored => {
                assert_eq!((counts.readings, counts.refused), (readings + 1, refused), "{what}");
                let mut newest = None;
                store()
                    .readings(&ReadingFilter::default(), &mut |row| {
                        assert!(row.reading.measured_at <= next, "{what}: nothing is stored into the future");
                        assert!(row.reading.measured_at >= START, "{what}: nor into 1970");
                        newest = Some(row.reading);
                    })
                    .unwrap();
                assert!(newest.is_some());
            }
        }
    }
    driven.stop().await.unwrap();
}

/// A PUBLISH whose topic no client library would send: MQTT 3.1.1 by hand, protocol level 4.
fn raw_publish(address: SocketAddr, topic: &[u8]) -> Vec<u8> {
    let mut stream = TcpStream::connect(address).unwrap();
    stream.set_read_timeout(Some(Duration::from_secs(10))).unwrap();
    stream.write_all(&[0x10, 15, 0, 4, b'M', b'Q', b'T', b'T', 4, 2, 0, 60, 0, 3, b'r', b'a', b'w']).unwrap();
    let mut connack = [0; 4];
    stream.read_exact(&mut connack).unwrap();
    assert_eq!(connack[0], 0x20, "CONNACK");
    let body = b"{\"v\":1}";
    let length = u8::try_from(2 + topic.len() + 2 + body.len()).unwrap();
    let mut packet = vec![0x32, length, 0, u8::try_from(topic.len()).unwrap()];
    packet.extend_from_slice(topic);
    packet.extend_from_slice(&[0, 1]);
    packet.extend_from_slice(body);
    stream.write_all(&packet).unwrap();
    // Either an acknowledgement or a closed connection; both end the read.
    let mut answer = [0; 4];
    let n = stream.read(&mut answer).unwrap_or(0);
    answer[..n].to_vec()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_topic_with_wildcards_harms_nobody_else() {
    let yard = Yard::new(1);
    let mut driven = yard.driven(START).await;
    let address = driven.listens_on().unwrap();
    for topic in [&b"t/+"[..], b"t/#", b"t/\0core", b"t/\xff\xfe"] {
        let topic = topic.to_vec();
        tokio::task::spawn_blocking(move || raw_publish(address, &topic)).await.unwrap();
    }
    driven.advance_to(START + Span::minutes(1)).await.unwrap();
    let client = connect(address, "b1-node");
    let notice = publish(&client, "t/b1-core".into(), payload(START, 50.0)).await.unwrap();
    acknowledged(vec![notice]).await.unwrap();
    let counts = Ledger::open(&yard.data(), Access::Read).unwrap().counts().unwrap();
    assert_eq!(counts.readings, 1, "the good one, and nothing from a topic with wildcards");
    driven.stop().await.unwrap();
}

#[test]
fn bad_settings_stop_it_with_exit_code_78_and_every_fault_at_once() {
    let yard = Yard::new(1);
    let good = yard.settings();
    for (what, text, words) in [
        ("an empty file", String::new(), vec!["empty"]),
        ("a tab", good.replacen("    payload: json", "\tpayload: json", 1), vec!["tab"]),
        (
            "two faults",
            good.replace("Europe/Dublin", "Europe/Dubln").replace("depth_metres: 0.5", "depth_metres: deep"),
            vec!["Europe/Dublin", "site.yaml:1:", "depth_metres"],
        ),
    ] {
        let path = yard.path("site.yaml");
        std::fs::write(&path, text).unwrap();
        for command in ["check", "run"] {
            let (code, said) = hypocaust_with(&path, &[command]);
            assert_eq!(code, 78, "{what}, {command}: {said}");
            for word in &words {
                assert!(said.contains(word), "{what}, {command}: `{word}` is not in: {said}");
            }
        }
    }
    let (code, said) = hypocaust_with(&yard.path("nowhere.yaml"), &["check"]);
    assert_eq!(code, 78);
    assert!(said.contains("--config"), "{said}");
}

/// What a power cut or an editor leaves behind keeps nobody from watching: each is named, and the rest goes on.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_rule_that_is_no_text_and_sessions_that_nobody_can_read_do_not_keep_it_from_starting() {
    let port = free_port();
    let yard = Yard::new(1).with_rule("hot-now", yard::HOT_NOW).embedded_at(port);
    let first = Process::start(&yard, &[]);
    eventually("the first start", || TcpStream::connect(("127.0.0.1", port)).ok()).await;
    assert_eq!(first.stop().0, Some(0));
    let mut latin = yard::HOT_NOW.replace("Steam burns.", "Steam burns at 84 \u{b0}C.").into_bytes();
    latin.retain(|byte| *byte != 0xc2);
    assert!(String::from_utf8(latin.clone()).is_err(), "as an editor saves Latin-1");
    std::fs::write(yard.path("rules/hot-now.rhai"), &latin).unwrap();
    std::fs::write(yard.path("rules/new.rhai"), &latin).unwrap();
    std::fs::write(yard.data().join("broker/.storage_version"), "").unwrap();
    let second = Process::start(&yard, &[]);
    eventually("the second start", || TcpStream::connect(("127.0.0.1", port)).ok()).await;
    // The broker listens before the first judgement is on record.
    let (code, said) = eventually("the alarms", || {
        Some(hypocaust(&yard, &["alarms"])).filter(|(_, said)| !said.contains("no alarm stands"))
    })
    .await;
    assert!(code == 0 && said.contains("new.rhai is listed in its folder but cannot be read"), "{said}");
    assert!(said.contains("hot-now.rhai is listed in its folder but cannot be read"), "{said}");
    let log = second.log();
    assert!(log.contains("cannot be read") && log.contains("broker.unreadable-1"), "{log}");
    assert_eq!(second.stop().0, Some(0));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn two_daemons_on_one_folder_a_port_in_use_and_a_folder_that_cannot_be_written() {
    let port = free_port();
    let yard = Yard::new(1).embedded_at(port);
    let first = Process::start(&yard, &[]);
    eventually("the first daemon", || TcpStream::connect(("127.0.0.1", port)).ok()).await;

    let (code, said) = hypocaust(&yard, &["run"]);
    assert_eq!(code, 75, "{said}");
    assert!(said.contains("another hypocaust (pid") && said.contains("data_folder"), "{said}");

    let second = Yard::new(1).embedded_at(port);
    let (code, said) = hypocaust(&second, &["run"]);
    assert_eq!(code, 69, "{said}");
    assert!(
        said.contains(&format!("listens on 127.0.0.1:{port}")) && said.contains("broker.embedded.listen"),
        "{said}"
    );

    // A folder under a regular file can be made by nobody, root included.
    let third = Yard::new(1).embedded_at(free_port());
    std::fs::write(third.path("data"), "in the way").unwrap();
    let (code, said) = hypocaust(&third, &["run"]);
    assert_eq!(code, 73, "{said}");
    assert!(said.contains("data_folder"), "{said}");

    let (code, took) = first.stop();
    assert_eq!(code, Some(0));
    assert!(took < Duration::from_secs(5), "a stop took {took:?}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn people_write_through_a_running_daemon_and_without_one() {
    let port = free_port();
    let yard = Yard::new(1).embedded_at(port).with_rule("hot-now", yard::HOT_NOW);
    let without = |arguments: &[&str]| hypocaust(&yard, arguments);
    let (code, said) =
        without(&["batch", "on-air", "--bin", "b1", "--at", "2026-03-09 06:00", "--by", "Ann", "--really-that-early"]);
    assert_eq!(code, 0, "{said}");
    assert!(said.contains("batch 1 is on air in bin b1 since 2026-03-09 06:00 +00:00"), "{said}");

    let daemon = Process::start(&yard, &[]);
    eventually("the daemon", || yard.data().join("socket").exists().then_some(())).await;
    for (arguments, want, words) in [
        (&["batch", "on-air", "--bin", "b1"][..], 65, "take it off first"),
        (&["batch", "on-air", "--bin", "b9"], 65, "the settings have b1"),
        (&["log", "watered", "--bin", "b1", "--minutes", "12", "--by", "Ann"], 0, "kept for bin b1: watered"),
        (&["log", "watered", "--bin", "b1"], 64, "--minutes"),
        (&["log", "watered", "--bin", "b1", "--litres", "-3"], 65, "-3 L is less than 0.1 L"),
        (&["log", "valve", "--bin", "b1", "--open", "130"], 65, "130 % is outside 0 to 100 %"),
        (
            &["log", "watered", "--bin", "b1", "--litres", "5", "--at", "yesterday"],
            64,
            "or `2026-03-10 07:00` for the site's own clock",
        ),
        (&["log", "watered", "--bin", "b1", "--litres", "5", "--at", "2090-01-01 00:00"], 65, "has not come yet"),
        (&["alarms", "acknowledge", "7", "--by", "Ann"], 65, "there is no alarm 7"),
        (&["alarms", "acknowledge", "7", "--by", "Zoe"], 65, "there is no `Zoe` under `people`"),
        (&["alarms", "shelve", "7", "--by", "Ann", "--for", "4", "--reason", "x"], 64, "--for: `4` has no unit"),
        (&["alarms", "shelve", "7", "--by", "Ann", "--for", "4h"], 64, "--reason <TEXT>"),
        (&["alarms"], 0, "no alarm is active"),
        (&["readings", "--bin", "b1"], 0, "no readings of bin b1"),
        (&["readings", "--bin", "b3"], 64, "the settings have b1"),
        (&["outbox"], 0, "the outbox is empty"),
        (&["refused"], 0, "no message was rejected"),
        (&["batch", "list"], 0, "batch 1"),
        (&["mail", "test"], 0, "ann@test.example: accepted"),
        (&["no-such-command"], 64, "--help"),
    ] {
        let (code, said) = hypocaust(&yard, arguments);
        assert_eq!(code, want, "{arguments:?}: {said}");
        assert!(said.contains(words), "{arguments:?}: `{words}` is not in: {said}");
    }
    assert_eq!(daemon.stop().0, Some(0));
    assert!(!yard.data().join("socket").exists(), "the socket goes with the daemon");
}

#[test]
fn the_settings_and_rules_that_ship_pass_their_own_check() {
    for settings in ["config/site.yaml", "demo-data/site.yaml"] {
        let out = std::process::Command::new(env!("CARGO_BIN_EXE_hypocaust"))
            .args(["--config", settings, "check"])
            .current_dir(yard::root())
            .output()
            .unwrap();
        assert!(out.status.success(), "{settings}: {}", String::from_utf8_lossy(&out.stderr));
    }
}
