//! The store as an operator handles it: looked over, copied beside a running daemon, put back, and kept whole by a clock that is wrong.
//!
//! Must never compare two copies by their length alone: readings, results and the record are compared.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

#[path = "support/log.rs"]
mod log;
#[path = "support/yard.rs"]
mod yard;

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use engine::effect::Effect;
use hypocaust::driven::{acknowledged, connect, publish};
use ledger::{Access, FILE, Finding, Folder, Ledger, ReadingFilter, ReadingRow};
use log::Log;
use pile::time::{Span, Timestamp};
use site::ids::ProbeId;
use site::quantity::Quantity;
use site::reading::{Quality, Reading, SeriesId, Source, TimeSource};
use yard::{Process, START, Yard, eventually, hypocaust, hypocaust_with, payload};

/// Days of three probes that lie in the store, up to [`START`].
const DAYS: i64 = 9;
/// What is published while the backup is made; no other reading has this value.
const LIVE: f64 = 33.25;

fn reading(probe: &str, at: Timestamp, value: f64) -> Effect {
    let series = SeriesId { source: Source::Probe(ProbeId::new(probe).unwrap()), quantity: Quantity::Temperature };
    let received_at = at + Span::millis(400);
    let time_source = TimeSource::Device;
    let reading = Reading { series, measured_at: at, received_at, value, time_source, retained: false };
    Effect::Store { reading, quality: Quality::Good, reason: String::new() }
}

/// Some days of a hot bin and of another one, hour by hour as they were, all but the newest packed.
fn some_days(yard: &Yard) {
    let folder = Folder::lock(&yard.data()).unwrap();
    let mut ledger = Ledger::open(folder.path(), Access::Write).unwrap();
    let begin = START - Span::days(DAYS);
    ledger.begin_run(begin).unwrap();
    for hour in 0..24 * DAYS {
        let effects: Vec<Effect> = (0..12)
            .flat_map(|n| {
                let (at, wave) =
                    (begin + Span::hours(hour) + Span::minutes(5 * n), ((hour * 12 + n) % 17) as f64 / 10.0);
                [("b1-core", 60.0), ("b1-2", 58.0), ("b2-core", 40.0)]
                    .map(|(probe, mean)| reading(probe, at, mean + wave))
            })
            .collect();
        ledger.commit(begin + Span::hours(hour) + Span::minutes(71), &effects).unwrap();
    }
    while ledger.compact(START - Span::days(3)).unwrap().is_some() {}
    ledger.end_run(START).unwrap();
}

fn all(data: &Path) -> Vec<ReadingRow> {
    let mut out = Vec::new();
    Ledger::open(data, Access::Read).unwrap().readings(&ReadingFilter::default(), &mut |row| out.push(row)).unwrap();
    out
}

/// How many days are packed, as the check says.
fn packed(data: &Path) -> u64 {
    let mut days = 0;
    let mut each = |step: &ledger::StoreStep| {
        if let ("days", Finding::Good(said)) = (step.name, &step.finding) {
            let before = said.split(" packed days").next().unwrap();
            days = before.rsplit(' ').next().unwrap().parse().unwrap();
        }
    };
    ledger::check_folder(data, &mut each, &mut |_, _| {}).unwrap();
    days
}

/// Settings of the same site with another data folder.
fn elsewhere(yard: &Yard, data: &Path) -> PathBuf {
    let path = yard.path("elsewhere.yaml");
    let text = yard.settings().replace(&yard.data().display().to_string(), &data.display().to_string());
    std::fs::write(&path, text).unwrap();
    path
}

fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> =
        std::fs::read_dir(folder).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    names
}

#[test]
fn the_command_teaches() {
    let yard = Yard::new(1);
    for (arguments, code) in [(vec!["store"], 64), (vec!["store", "--help"], 0)] {
        let (got, text) = hypocaust(&yard, &arguments);
        assert_eq!(got, code, "{text}");
        for word in ["check", "backup", "restore", "every night", "record.key"] {
            assert!(text.contains(word), "{word}: {text}");
        }
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_backup_beside_a_running_daemon_comes_back_with_its_readings_results_and_record() {
    let port = yard::free_port();
    let mut yard = Yard::new(2).embedded_at(port);
    yard.probes = 2;
    some_days(&yard);
    let on_air = ["batch", "on-air", "--bin", "b1", "--at", "2026-03-01T00:00:00Z", "--really-that-early"];
    let (code, text) = hypocaust(&yard, &on_air);
    assert_eq!(code, 0, "{text}");
    let (code, earlier) = hypocaust(&yard, &["record", "checkpoint"]);
    assert_eq!(code, 0, "{earlier}");
    std::fs::write(yard.path("earlier.txt"), earlier).unwrap();

    let daemon = Process::start(&yard, &[]);
    eventually("the broker", || std::net::TcpStream::connect(("127.0.0.1", port)).ok()).await;
    let client = connect(format!("127.0.0.1:{port}").parse().unwrap(), "b1-node");
    let publishing = tokio::spawn(async move {
        for n in 0..300_i64 {
            let at = START - Span::hours(2) + Span::millis(n * 100 + 7);
            let notice = publish(&client, "t/b1-core".into(), payload(at, LIVE)).await.unwrap();
            acknowledged(vec![notice]).await.unwrap();
        }
    });
    let file = yard.path("store.backup");
    let (code, text) = hypocaust(&yard, &["store", "backup", file.to_str().unwrap()]);
    assert_eq!(code, 0, "{text}\n{}", daemon.log());
    assert!(text.contains("looked over") && text.contains("record.key") && text.contains("store restore"), "{text}");
    publishing.await.unwrap();
    daemon.stop();

    let into = yard.path("new");
    let restore = ["store", "restore", file.to_str().unwrap(), "--into", into.to_str().unwrap()];
    let (code, text) = hypocaust(&yard, &restore);
    assert_eq!(code, 0, "{text}");
    assert!(text.contains("no mail was waiting") || text.contains("undeliverable"), "{text}");
    let (code, again) = hypocaust(&yard, &restore);
    assert_eq!(code, 73, "a store is never written over: {again}");

    // What was stored when the backup began is there, and nothing that is not in the other one.
    let (old, new) = (all(&yard.data()), all(&into));
    let began = usize::try_from(DAYS).unwrap() * 288 * 3;
    assert!(new.len() >= began && new.len() <= old.len(), "{began} <= {} <= {}", new.len(), old.len());
    assert!(new.iter().all(|row| old.contains(row)));
    let stored_before = |row: &&ReadingRow| row.reading.value != LIVE;
    assert_eq!(new.iter().filter(stored_before).count(), began);

    std::fs::copy(yard.data().join("record.key"), into.join("record.key")).unwrap();
    let settings = elsewhere(&yard, &into);
    let judge = ["judge", "--bin", "b1", "--criterion", "us503-pfrp-asp", "--json"];
    let (first, second) = (hypocaust(&yard, &judge), hypocaust_with(&settings, &judge));
    let results = |said: &(i32, String)| {
        let results: serde_json::Value = serde_json::from_str(&said.1).unwrap_or_else(|e| panic!("{e}: {}", said.1));
        let kept = ["batch", "result", "met_at", "hours_needed"];
        kept.map(|key| results[0][key].clone())
    };
    assert_eq!(results(&first), results(&second));
    assert_eq!(results(&first)[1], "met", "{}", first.1);
    for command in [vec!["record", "check"], vec!["store", "check"]] {
        let (code, text) = hypocaust_with(&settings, &command);
        assert_eq!(code, 0, "{command:?}: {text}");
    }
    // The record goes on from the checkpoint of before the backup.
    let out = yard.path("bundle");
    let export = ["record", "export", "--from", "2026-03-01", "--to", "2026-03-02", "--out", out.to_str().unwrap()];
    let previous = yard.path("earlier.txt");
    let more = ["--previous", previous.to_str().unwrap()];
    let (code, text) = hypocaust_with(&settings, &[&export[..], &more].concat());
    assert_eq!(code, 0, "{text}");
    let (code, text) = hypocaust_with(&settings, &["verify", out.to_str().unwrap(), more[0], more[1]]);
    assert_eq!(code, 2, "nobody said whose key it is: {text}");
}

#[test]
fn a_disk_that_is_full_during_a_backup_leaves_nothing_half_behind() {
    let yard = Yard::new(2);
    some_days(&yard);
    let settings = yard.write_settings();
    let out = yard.path("out");
    std::fs::create_dir(&out).unwrap();
    let file = out.join("store.backup");
    let (code, text) = hypocaust(&yard, &["store", "backup", file.to_str().unwrap()]);
    assert_eq!(code, 0, "{text}");
    let before = std::fs::read(&file).unwrap();
    assert!(before.len() > 200_000, "{}", before.len());
    // A file may not become longer than 50 to 150 KB (room enough for the shared memory of a reader), and the signal that tells so is not heard: writes fail in the middle, as on a full disk.
    for part in [100, 200, 300] {
        let script = format!("trap '' XFSZ; ulimit -f {part}; exec \"$0\" --config \"$1\" store backup \"$2\"");
        let output = Command::new("sh")
            .args(["-c", &script, env!("CARGO_BIN_EXE_hypocaust")])
            .args([&settings, &file])
            .stdin(Stdio::null())
            .output()
            .unwrap();
        let text = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(74), "{part} blocks: {text}");
        for word in ["could not be written", "nothing half is left behind", "MB there", "as it was"] {
            assert!(text.contains(word), "{word}: {text}");
        }
        assert_eq!(names(&out), ["store.backup"], "{part} blocks");
        assert!(std::fs::read(&file).unwrap() == before, "the earlier backup is untouched");
    }
    let (code, text) = hypocaust(&yard, &["store", "check", file.to_str().unwrap()]);
    assert_eq!(code, 0, "{text}");
}

#[test]
fn damage_is_named_with_series_and_day_and_everything_else_is_read() {
    let mut yard = Yard::new(2);
    yard.probes = 2;
    some_days(&yard);
    let before = all(&yard.data());
    let (code, text) = hypocaust(&yard, &["store", "check"]);
    assert_eq!(code, 0, "{text}");
    assert_eq!(text.lines().filter(|line| line.starts_with("ok ")).count(), 7, "a line for each step: {text}");
    // One byte of a packed day, past the program: a body begins with its form and the kind of its values.
    let path = yard.data().join(FILE);
    let whole = std::fs::read(&path).unwrap();
    let days: Vec<usize> = (0..whole.len() - 400).filter(|at| is_body(&whole[*at..])).collect();
    assert!(days.len() >= 8, "{} bodies were found", days.len());
    // Some of them are what was left in a page when its rows moved; to change those changes nothing.
    let damaged = days.iter().skip(3).find_map(|at| {
        let mut bytes = whole.clone();
        bytes[at + 100] ^= 0x10;
        std::fs::write(&path, bytes).unwrap();
        let (code, text) = hypocaust(&yard, &["store", "check"]);
        (code == 1).then_some(text)
    });
    let text = damaged.unwrap();
    let named: Vec<&str> = text.lines().filter(|line| line.starts_with("FAIL")).collect();
    assert!(named.len() == 1 && named[0].contains("/temperature on 2026-0"), "{text}");
    assert!(text.contains("what to do") && text.contains("store restore"), "{text}");
    assert_eq!(all(&yard.data()).len(), before.len() - 288);
    let bin = if named[0].contains("b1-") { "b1" } else { "b2" };
    let (code, text) = hypocaust(&yard, &["readings", "--bin", bin, "--from", "2026-02-01", "--csv"]);
    assert_eq!(code, 0, "{text}");
    assert!(text.contains("288 readings cannot be read: its checksum does not hold"), "{}", &text[text.len() - 500..]);
    let (code, text) = hypocaust(&yard, &["record", "check"]);
    assert_eq!(code, 1, "{text}");
    assert!(text.contains("cannot be computed again") && !text.contains("past the program"), "{text}");
}

/// Whether the bytes look like the body of a packed day: form 1, tenths, and the version of the codec.
fn is_body(bytes: &[u8]) -> bool {
    bytes.starts_with(&[1, 1, 4, 1])
}

#[test]
fn what_is_no_store_is_told_by_its_exit_code() {
    let yard = Yard::new(1);
    let (code, text) = hypocaust(&yard, &["store", "check"]);
    assert_eq!(code, 66, "{text}");
    std::fs::create_dir_all(yard.data()).unwrap();
    std::fs::write(yard.data().join(FILE), "not a database, and long enough for its head to be looked at ".repeat(50))
        .unwrap();
    for command in [vec!["store", "check"], vec!["store", "backup", "x.backup"]] {
        let (code, text) = hypocaust(&yard, &command);
        assert_eq!(code, 65, "{text}");
        assert!(text.contains("is not a ledger of hypocaust"), "{text}");
    }
    let letter = yard.path("letter");
    std::fs::write(&letter, "Dear inspector, this is no backup of a store either. ".repeat(50)).unwrap();
    let into = yard.path("new");
    let restore = ["store", "restore", letter.to_str().unwrap(), "--into", into.to_str().unwrap()];
    let (code, text) = hypocaust(&yard, &restore);
    assert_eq!(code, 65, "{text}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_clock_that_is_a_year_off_at_the_start_is_told_and_loses_nothing() {
    let log = Log::install();
    let said = |word: &str| log.text().contains(word);
    let mut yard = Yard::new(2);
    yard.more = "keep: { years: 1 }\n".into();
    some_days(&yard);
    let mut want = all(&yard.data()).len();
    let year = Span::days(365);
    for (at, told, why) in [
        (START + Span::hours(1), "", "a clock that is right"),
        (START - year, "the clock is wrong now, or was wrong then", "a year behind"),
        (
            START + Span::hours(2),
            "readings whose time is over stay",
            "right again: a jump by a year is doubtful either way",
        ),
        (
            START + year + Span::days(30),
            "if the machine was not off for so long",
            "a year ahead: readings seem older than they may be",
        ),
        (
            START + Span::hours(3),
            "the clock is wrong now, or was wrong then",
            "right again, and the store says otherwise",
        ),
    ] {
        log.clear();
        let mut driven = yard.driven(at).await;
        let client = connect(driven.listens_on().unwrap(), "b1-node");
        let now = at + Span::minutes(5);
        driven.advance_to(now).await.unwrap();
        let notice = publish(&client, "t/b1-core".into(), payload(now, 61.5)).await.unwrap();
        acknowledged(vec![notice]).await.unwrap();
        want += 1;
        if !told.is_empty() {
            eventually(why, || said(told).then_some(())).await;
        }
        if at > START + year {
            // The first look for readings whose time is over comes with the start; it says why it takes none out.
            eventually(why, || said("readings whose time is over stay").then_some(())).await;
        }
        driven.stop().await.unwrap();
        assert_eq!(all(&yard.data()).len(), want, "{why}");
    }
    let (code, text) = hypocaust(&yard, &["record", "check"]);
    assert_eq!(code, 0, "{text}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_daemon_packs_days_that_are_over_beside_its_work() {
    let yard = Yard::new(2);
    some_days(&yard);
    let (before, packed_before) = (all(&yard.data()), packed(&yard.data()));
    let driven = yard.driven(START + Span::days(4)).await;
    eventually("more packed days", || (packed(&yard.data()) > packed_before + 3).then_some(())).await;
    assert_eq!(all(&yard.data()), before);
    driven.stop().await.unwrap();
}
