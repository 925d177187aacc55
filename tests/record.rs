//! Bundles: two verifiers that were written apart say of each the same, and any change is named by both.
//!
//! Must never pass in silence because there is no python3 or openssl.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

#[path = "support/yard.rs"]
mod yard;

use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use engine::effect::Effect;
use expect_test::expect_file;
use ledger::{Access, Folder, Ledger};
use pile::time::{Span, Timestamp};
use site::entry::{Entry, EntryId, EntryKind};
use site::ids::{BinId, ProbeId};
use site::quantity::Quantity;
use site::reading::{Quality, Reading, SeriesId, Source, TimeSource};
use yard::{Process, START, Yard, eventually, hypocaust, root};

/// A key for tests alone: its bytes are 00 to 1f.
const TEST_KEY: &str = "PRIVATE+KEY+hypocaust/test-yard+ID+AQABAgMEBQYHCAkKCwwNDg8QERITFBUWFxgZGhscHR4f\n";

fn reading(probe: &str, at: Timestamp, value: f64) -> Effect {
    let series = SeriesId { source: Source::Probe(ProbeId::new(probe).unwrap()), quantity: Quantity::Temperature };
    let (time_source, received_at) = (TimeSource::Device, at + Span::millis(400));
    let reading = Reading { series, measured_at: at, received_at, value, time_source, retained: false };
    Effect::Store { reading, quality: Quality::Good, reason: String::new() }
}

/// Six hours of two probes, each hour committed ten minutes after its end; entries at hours 1 and 4.
fn live(yard: &Yard, hours: std::ops::Range<i64>) {
    let folder = Folder::lock(&yard.data()).unwrap();
    let mut ledger = Ledger::open(folder.path(), Access::Write).unwrap();
    ledger.begin_run(START + Span::hours(hours.start)).unwrap();
    for hour in hours.clone() {
        let begins = START + Span::hours(hour);
        let mut effects: Vec<Effect> = (0..6)
            .flat_map(|n| {
                let at = begins + Span::minutes(10 * n);
                let value = 61.5 + hour as f64 + n as f64 / 8.0;
                [reading("b1-core", at, value), reading("b2-core", at, value - 20.0)]
            })
            .collect();
        if hour % 3 == 1 {
            let kind = EntryKind::Watered { minutes: Some(20.0 + hour as f64), litres: None };
            let (bin, by) = (BinId::new("b1").unwrap(), "Ann".to_owned());
            let (id, note) = (EntryId(hour.unsigned_abs()), "dry, at the base".to_owned());
            effects.push(Effect::Entry(Entry { id, at: begins, bin, kind, by, note, batch: None }));
        }
        ledger.commit(begins + Span::minutes(70), &effects).unwrap();
    }
    ledger.end_run(START + Span::hours(hours.end) + Span::minutes(30)).unwrap();
}

/// A site with the key for tests, a bundle of it, and the checkpoint from before its second half.
fn bundled() -> (Yard, PathBuf, PathBuf, String) {
    let yard = Yard::new(2);
    live(&yard, 0..3);
    let public =
        seal::note::SignerKey::new("hypocaust/test-yard", &std::array::from_fn(|n| n as u8)).unwrap().verifier();
    let id = public.to_string().split('+').nth(1).unwrap().to_owned();
    let key = yard.data().join("record.key");
    std::fs::write(&key, TEST_KEY.replace("ID", &id)).unwrap();
    std::fs::set_permissions(&key, std::fs::Permissions::from_mode(0o600)).unwrap();
    let (code, earlier) = hypocaust(&yard, &["record", "checkpoint"]);
    assert_eq!(code, 0, "{earlier}");
    let previous = yard.path("earlier.txt");
    std::fs::write(&previous, earlier).unwrap();
    live(&yard, 3..6);
    let out = yard.path("bundle");
    let arguments = ["record", "export", "--from", "2026-03-09T00:00:00Z", "--to", "2026-03-09T06:00:00Z", "--out"];
    let more = [out.to_str().unwrap(), "--previous", previous.to_str().unwrap()];
    let (code, said) = hypocaust(&yard, &[&arguments[..], &more].concat());
    assert_eq!(code, 0, "{said}");
    assert!(said.contains("72 readings of 6 hours"), "{said}");
    (yard, out, previous, public.to_string())
}

/// The program's own check.
fn ours(bundle: &Path, previous: &Path, key: &str) -> (i32, String) {
    let out = Command::new(env!("CARGO_BIN_EXE_hypocaust"))
        .arg("verify")
        .arg(bundle)
        .args(["--vkey", key, "--previous"])
        .arg(previous)
        .stdin(Stdio::null())
        .output()
        .unwrap();
    said(&out)
}

/// The check of the script that shipped with the program, not the one in a bundle that was tampered with.
fn theirs(bundle: &Path, previous: &Path, key: &str) -> (i32, String) {
    let script = yard::root().join("crates/seal/src/verify.py");
    let out =
        Command::new("python3").arg(script).arg(bundle).args(["--vkey", key, "--previous"]).arg(previous).output();
    said(&out.unwrap())
}

fn said(out: &std::process::Output) -> (i32, String) {
    let text = String::from_utf8_lossy(&out.stdout).into_owned() + String::from_utf8_lossy(&out.stderr).as_ref();
    (out.status.code().unwrap_or(-1), text)
}

/// Whether the second verifier can run here; where `CI` is `true` it must.
fn second_verifier(test: &str) -> bool {
    let starts =
        |program: &str, argument: &str| Command::new(program).arg(argument).output().is_ok_and(|o| o.status.success());
    let missing: Vec<&str> = [("python3", "--version"), ("openssl", "version")]
        .iter()
        .filter(|(p, a)| !starts(p, a))
        .map(|(p, _)| *p)
        .collect();
    if missing.is_empty() {
        return true;
    }
    let ci = std::env::var("CI").as_deref() == Ok("true");
    assert!(!ci, "{test}: {missing:?} missing and CI=true; install it (Debian: apt-get install python3 openssl)");
    eprintln!(
        "\n*** NOT RUN: {test}, second verifier: {missing:?} missing (Debian: apt-get install python3 openssl) ***\n"
    );
    false
}

fn copy(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for entry in std::fs::read_dir(from).unwrap() {
        let path = entry.unwrap().path();
        let target = to.join(path.file_name().unwrap());
        if path.is_dir() { copy(&path, &target) } else { std::fs::copy(&path, &target).map(|_| ()).unwrap() }
    }
}

/// What is another in every run: hashes, of which one holds random bits, and the time of making.
fn masked(text: &str, yard: &Yard) -> String {
    let text = text.replace(&yard.folder.path().display().to_string(), "…");
    let mut out = String::new();
    for word in text.split_inclusive(|c: char| !c.is_ascii_alphanumeric()) {
        let plain = word.trim_end_matches(|c: char| !c.is_ascii_alphanumeric());
        let is_hash = plain.len() == 64 && plain.chars().all(|c| c.is_ascii_hexdigit());
        out += &if is_hash { word.replace(plain, "HASH") } else { word.to_owned() };
    }
    match out.split_once(", made ") {
        Some((before, after)) => format!("{before}, made NOW{}", after.get(24..).unwrap_or_default()),
        None => out,
    }
}

/// Run with `UPDATE_EXPECT=1` to write the expectations anew, then read every line of the difference.
#[test]
fn a_bundle_holds_and_any_change_is_named_by_both_verifiers() {
    let (yard, bundle, previous, key) = bundled();
    let both = second_verifier("a_bundle_holds_and_any_change_is_named_by_both_verifiers");
    let (code, text) = ours(&bundle, &previous, &key);
    assert_eq!(code, 0, "{text}");
    expect_file!["golden/record/good.txt"].assert_eq(&masked(&text, &yard));
    if both {
        let (code, text) = theirs(&bundle, &previous, &key);
        assert_eq!(code, 0, "{text}");
        assert_eq!(text.lines().filter(|line| line.starts_with("ok")).count(), 9, "{text}");
    }
    let proof = std::fs::read_dir(bundle.join("proofs")).unwrap().next().unwrap().unwrap().file_name();
    let proof = format!("proofs/{}", proof.to_string_lossy());
    for (n, (file, from, to, places, why)) in [
        (
            "data.csv",
            ",61.5,",
            ",61.6,",
            vec!["data.csv: was changed", "data.csv hour 2026-03-09T00:00:00.000Z"],
            "one reading",
        ),
        (
            "data.csv",
            "b2-core",
            "b1-core",
            vec!["hour 2026-03-09T00:00:00.000Z"],
            "a reading under another probe's name",
        ),
        (
            "events.jsonl",
            "\"minutes\":21",
            "\"minutes\":22",
            vec!["events.jsonl: was changed", "events.jsonl line "],
            "one row",
        ),
        ("figures.csv", ",67.125", ",57.125", vec!["figures.csv line 2"], "one figure"),
        ("hours.jsonl", "\"readings\":12", "\"readings\":13", vec!["hours.jsonl line 1"], "the row of an hour"),
        ("checkpoint.txt", "\n\n", "\nmore\n\n", vec!["checkpoint.txt"], "the checkpoint"),
        (&proof, "index ", "index 1", vec![proof.as_str()], "a proof"),
        ("verify.py", "return 1 if failed else 0", "return 0", vec!["verify.py: has"], "the script itself"),
        ("VERIFY.txt", "How to", "How", vec!["VERIFY.txt: has"], "the guide"),
        (
            "manifest.json",
            "\"site\":\"test-yard\"",
            "\"site\":\"best-yard\"",
            vec!["manifest.json: is not the one that was signed"],
            "the list",
        ),
        ("log.vkey", "hypocaust/test-yard", "hypocaust/best-yard", vec!["log.vkey"], "the key"),
    ]
    .into_iter()
    .enumerate()
    {
        let changed = yard.path(&format!("changed-{n}"));
        copy(&bundle, &changed);
        let text = std::fs::read_to_string(changed.join(file)).unwrap();
        assert!(text.contains(from), "{why}: {file} has no {from:?}");
        std::fs::write(changed.join(file), text.replacen(from, to, 1)).unwrap();
        let (code, text) = ours(&changed, &previous, &key);
        assert_eq!(code, 1, "{why}: {text}");
        assert!(places.iter().all(|place| text.contains(place)), "{why}: {text}");
        if n == 0 {
            expect_file!["golden/record/one-digit.txt"].assert_eq(&masked(&text, &yard));
        }
        if both {
            let (code, text) = theirs(&changed, &previous, &key);
            // The script takes the key in the bundle first, and stops where that is none.
            let (wanted, places) = if file == "log.vkey" { (65, vec!["its id is not"]) } else { (1, places) };
            assert_eq!(code, wanted, "{why}: {text}");
            assert!(places.iter().all(|place| text.contains(place)), "{why}: {text}");
        }
    }
}

#[test]
fn a_bundle_that_was_cut_short_is_no_good_bundle() {
    let (yard, bundle, previous, key) = bundled();
    let both = second_verifier("a_bundle_that_was_cut_short_is_no_good_bundle");
    for (n, (file, keep, wanted, why)) in [
        ("data.csv", Some(0.5), 1, "readings cut in half"),
        ("data.csv", None, 1, "no readings"),
        ("events.jsonl", Some(0.9), 1, "rows cut off"),
        ("hours.jsonl", Some(0.4), 1, "hours cut off"),
        ("checkpoint.txt", Some(0.9), 1, "half a signature"),
        ("figures.csv", None, 1, "no figures"),
        ("consistency-from-previous.txt", None, 1, "no proof that the record goes on"),
        ("manifest.note", None, 1, "an unsigned list"),
        ("manifest.json", Some(0.5), 65, "half a list: there is nothing to begin with"),
        ("manifest.json", None, 65, "no list"),
    ]
    .into_iter()
    .enumerate()
    {
        let cut = yard.path(&format!("cut-{n}"));
        copy(&bundle, &cut);
        match keep {
            Some(part) => {
                let bytes = std::fs::read(cut.join(file)).unwrap();
                std::fs::write(cut.join(file), &bytes[..(bytes.len() as f64 * part) as usize]).unwrap();
            }
            None => std::fs::remove_file(cut.join(file)).unwrap(),
        }
        let mut answers = vec![ours(&cut, &previous, &key)];
        if both {
            answers.push(theirs(&cut, &previous, &key));
        }
        for (code, text) in answers {
            assert_eq!(code, wanted, "{why}: {text}");
            assert!(text.contains(file), "{why}: {text}");
        }
    }
    let nowhere = yard.path("nowhere");
    assert_eq!(ours(&nowhere, &previous, &key).0, 66, "no such folder");
    assert!(!both || theirs(&nowhere, &previous, &key).0 == 66, "no such folder");
}

#[test]
fn another_history_is_not_taken_for_the_same_one() {
    let (yard, bundle, previous, key) = bundled();
    let other = Yard::new(2);
    live(&other, 0..3);
    std::fs::copy(yard.data().join("record.key"), other.data().join("record.key")).unwrap();
    let (code, checkpoint) = hypocaust(&other, &["record", "checkpoint"]);
    assert_eq!(code, 0, "{checkpoint}");
    let rewritten = yard.path("rewritten.txt");
    std::fs::write(&rewritten, checkpoint).unwrap();
    let mut answers = vec![ours(&bundle, &rewritten, &key)];
    if second_verifier("another_history_is_not_taken_for_the_same_one") {
        answers.push(theirs(&bundle, &rewritten, &key));
    }
    for (code, text) in answers {
        assert_eq!(code, 1, "{text}");
        assert!(text.contains("is not the beginning of this one"), "{text}");
    }
    let out = yard.path("never").display().to_string();
    let arguments = ["record", "export", "--out", &out, "--previous", rewritten.to_str().unwrap()];
    let (code, text) = hypocaust(&yard, &arguments);
    assert_eq!(code, 65, "{text}");
    assert!(text.contains("does not go on from that checkpoint") && !Path::new(&out).exists(), "{text}");
    let (code, text) = hypocaust(&yard, &["record", "export", "--out", bundle.to_str().unwrap()]);
    assert_eq!(code, 64, "a bundle that is there is not written over: {text}");
    assert_eq!(ours(&bundle, &previous, &key).0, 0);
}

#[test]
fn the_key_is_made_once_and_refused_when_others_can_read_it() {
    let yard = Yard::new(1);
    live(&yard, 0..1);
    let (code, key) = hypocaust(&yard, &["record", "key"]);
    assert_eq!(code, 0, "{key}");
    assert!(key.starts_with("hypocaust/test-yard+"), "{key}");
    let path = yard.data().join("record.key");
    assert_eq!(std::fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o600);
    assert_eq!(hypocaust(&yard, &["record", "key"]).1, key, "it stays the same");
    for (mode, why) in [(0o644, "everybody"), (0o640, "the group")] {
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(mode)).unwrap();
        let (code, text) = hypocaust(&yard, &["record", "checkpoint"]);
        assert_eq!(code, 78, "{why}: {text}");
        assert!(text.contains("can be read by others") && text.contains("chmod 600"), "{why}: {text}");
    }
    std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o600)).unwrap();
    std::fs::write(&path, "PRIVATE+KEY+half").unwrap();
    let (code, text) = hypocaust(&yard, &["record", "key"]);
    assert_eq!(code, 78, "{text}");
    assert!(text.contains("holds no key of this site"), "{text}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_daemon_puts_its_start_settings_rules_and_stop_on_record_and_the_check_finds_a_change() {
    let yard = Yard::new(1);
    let daemon = Process::start(&yard, &[]);
    eventually("the rules on record", || {
        let ledger = Ledger::open(&yard.data(), Access::Read).ok()?;
        (ledger.checkpoint("x").ok()?.size >= 4).then_some(())
    })
    .await;
    let (code, text) = hypocaust(&yard, &["record", "check"]);
    assert_eq!(code, 0, "beside a running daemon: {text}");
    daemon.stop();
    let mut kinds = Vec::new();
    let ledger = Ledger::open(&yard.data(), Access::Read).unwrap();
    let evidence = ledger.evidence(Timestamp::MIN, Timestamp::MAX, &mut |_| {}).unwrap();
    kinds.extend(evidence.rows.iter().map(|(_, text)| seal::row::parse(text).unwrap().kind));
    assert_eq!(kinds, ["record.begin", "run.start", "settings", "rules", "run.stop"]);
    live(&yard, 0..2);
    let conn = yard.data().join("ledger.db");
    let (code, text) = hypocaust(&yard, &["record", "check"]);
    assert_eq!(code, 0, "{text}");
    // One digit of a reading, as an editor of the file would change it.
    let mut bytes = std::fs::read(&conn).unwrap();
    let value = 61.625_f64.to_be_bytes();
    let place = bytes.windows(8).position(|found| found == value).unwrap();
    bytes[place..place + 8].copy_from_slice(&61.75_f64.to_be_bytes());
    std::fs::write(&conn, bytes).unwrap();
    let (code, text) = hypocaust(&yard, &["record", "check"]);
    assert_eq!(code, 1, "{text}");
    assert!(text.contains("hour 2026-03-09T00:00:00.000Z"), "{text}");
}

#[test]
fn a_time_token_over_a_checkpoint_is_proven_by_the_commands_that_the_manual_shows() {
    let vectors = root().join("tests/reference/integrity/timestamp");
    let folder = tempfile::tempdir().unwrap();
    let checkpoint = std::fs::read(vectors.join("checkpoint.txt")).unwrap();
    let mut changed = checkpoint.clone();
    changed[20] ^= 1;
    for (bytes, holds, wanted, why) in [
        (&checkpoint, true, "Verification: OK", "the checkpoint that was stamped"),
        (&changed, false, "message imprint mismatch", "one bit is another"),
    ] {
        let data = folder.path().join("checkpoint.txt");
        std::fs::write(&data, bytes).unwrap();
        let run = Command::new("openssl")
            .args(["ts", "-verify", "-no_check_time", "-data"])
            .arg(&data)
            .arg("-in")
            .arg(vectors.join("r.tsr"))
            .arg("-CAfile")
            .arg(vectors.join("ca.pem"))
            .arg("-untrusted")
            .arg(vectors.join("tsa.pem"))
            .output()
            .expect("openssl is needed: apt-get install openssl");
        let said = String::from_utf8_lossy(&run.stdout).into_owned() + String::from_utf8_lossy(&run.stderr).as_ref();
        assert_eq!(run.status.success(), holds, "{why}: {said}");
        assert!(said.contains(wanted), "{why}: {said}");
    }
    let manual = std::fs::read_to_string(root().join("README.md")).unwrap();
    for command in [
        "openssl ts -query -data checkpoint.txt -sha256 -cert",
        "openssl ts -verify -no_check_time -data checkpoint.txt",
    ] {
        assert!(manual.contains(command), "{command}");
    }
}
