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
        assert_eq!(text.lines().filter(|line| line.starts_with("ok")).count(), 10, "{text}");
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

/// The key of these tests, as whoever holds the site's machine has it.
fn forger() -> seal::note::SignerKey {
    seal::note::SignerKey::new("hypocaust/test-yard", &std::array::from_fn(|n| n as u8)).unwrap()
}

/// Lists and signs the files of a bundle anew, as whoever has the key would, with something else said of it.
fn signed_again(bundle: &Path, change: &dyn Fn(&mut seal::Value)) {
    let text = std::fs::read_to_string(bundle.join("manifest.json")).unwrap();
    let mut manifest = seal::canonical::parse(&text).unwrap();
    for file in manifest["files"].as_array_mut().unwrap() {
        // What is no regular file stays as it was listed.
        let path = bundle.join(file["name"].as_str().unwrap());
        if path.is_file() && std::fs::metadata(&path).unwrap().len() < 1 << 24 {
            let bytes = std::fs::read(path).unwrap();
            file["bytes"] = bytes.len().into();
            file["sha256"] = seal::merkle::sha256(&bytes).to_hex().into();
        }
    }
    change(&mut manifest);
    let text = seal::canonical::text(&manifest).unwrap();
    std::fs::write(bundle.join("manifest.note"), seal::bundle::Manifest::sign(&text, &forger()).unwrap()).unwrap();
    std::fs::write(bundle.join("manifest.json"), text).unwrap();
}

fn edited(path: &Path, edit: &dyn Fn(Vec<&str>) -> Vec<String>) {
    let text = std::fs::read_to_string(path).unwrap();
    let lines: String = edit(text.lines().collect()).into_iter().map(|line| line + "\n").collect();
    std::fs::write(path, lines).unwrap();
}

fn without(n: usize) -> impl Fn(Vec<&str>) -> Vec<String> {
    move |lines| lines.iter().enumerate().filter(|(at, _)| *at != n).map(|(_, line)| (*line).to_owned()).collect()
}

/// Tampering by somebody who has the key, or who knows what a verifier reads: what it is, how it is done, and what both must say.
#[test]
fn what_the_key_cannot_make_true_is_refused_by_both_verifiers() {
    let (yard, bundle, previous, key) = bundled();
    let both = second_verifier("what_the_key_cannot_make_true_is_refused_by_both_verifiers");
    let hour = "2026-03-09T02:00:00.000Z";
    let take_hour = |b: &Path| {
        edited(&b.join("hours.jsonl"), &without(2));
        edited(&b.join("data.csv"), &|lines| {
            lines.iter().filter(|line| !line.contains(",2026-03-09T02:")).map(|line| (*line).to_owned()).collect()
        });
    };
    let absent = |why: &'static str| {
        move |m: &mut seal::Value| {
            m["absent"] = seal::canonical::parse(&format!(
                "[{{\"from\":\"2026-03-09T02:00:00.000Z\",\"to\":\"2026-03-09T03:00:00.000Z\",\"why\":\"{why}\"}}]"
            ))
            .unwrap();
        }
    };
    let set = |name: &'static str, to: &'static str| move |m: &mut seal::Value| m[name] = to.into();
    type Do<'d> = Box<dyn Fn(&Path) + 'd>;
    let table: Vec<(&str, Do<'_>, i32, &str)> = vec![
        (
            "an hour taken out, unnamed",
            Box::new(|b| {
                take_hour(b);
                signed_again(b, &|_| {})
            }),
            1,
            "hour 2026-03-09T02:00:00.000Z is missing",
        ),
        (
            "an hour taken out as unmeasured",
            Box::new(|b| {
                take_hour(b);
                signed_again(b, &absent("no-readings"))
            }),
            1,
            "has no readings, it says",
        ),
        (
            "an hour taken out as pruned",
            Box::new(|b| {
                take_hour(b);
                signed_again(b, &absent("taken-out"))
            }),
            1,
            "no row tells of it",
        ),
        (
            "an hour absent for an unknown reason",
            Box::new(|b| {
                take_hour(b);
                signed_again(b, &absent("holiday"))
            }),
            65,
            "manifest.json",
        ),
        (
            "the last row cut off",
            Box::new(|b| {
                edited(&b.join("events.jsonl"), &|l| l[..l.len() - 1].iter().map(|x| (*x).to_owned()).collect());
                signed_again(b, &|_| {})
            }),
            1,
            "what follows is cut off",
        ),
        (
            "the first rows cut off",
            Box::new(|b| {
                edited(&b.join("events.jsonl"), &|l| l[4..].iter().map(|x| (*x).to_owned()).collect());
                signed_again(b, &|_| {})
            }),
            1,
            "what was before it is cut off",
        ),
        (
            "all rows cut off",
            Box::new(|b| {
                edited(&b.join("events.jsonl"), &|_| vec![]);
                signed_again(b, &|_| {})
            }),
            1,
            "has no rows",
        ),
        (
            "a file of a report that was not issued",
            Box::new(|b| {
                std::fs::create_dir(b.join("report")).unwrap();
                std::fs::write(b.join("report/summary.txt"), "all is well\n").unwrap();
                signed_again(b, &|m| {
                    let hash = seal::merkle::sha256(b"all is well\n").to_hex();
                    m["files"].as_array_mut().unwrap().push(
                        seal::canonical::parse(&format!(
                            "{{\"bytes\":12,\"name\":\"report/summary.txt\",\"sha256\":\"{hash}\"}}"
                        ))
                        .unwrap(),
                    );
                    m["files"].as_array_mut().unwrap().sort_by_key(|f| f["name"].as_str().unwrap().to_owned());
                });
            }),
            1,
            "no row says that a report was issued",
        ),
        (
            "a name listed twice",
            Box::new(|b| {
                signed_again(b, &|m| {
                    let first = m["files"][0].clone();
                    m["files"].as_array_mut().unwrap().insert(0, first);
                })
            }),
            65,
            "manifest.json",
        ),
        (
            "a name outside the folder",
            Box::new(|b| signed_again(b, &|m| m["files"][0]["name"] = "../earlier.txt".into())),
            65,
            "manifest.json",
        ),
        (
            "a link to a file outside",
            Box::new(|b| {
                std::fs::rename(b.join("data.csv"), yard.path("outside.csv")).unwrap();
                std::os::unix::fs::symlink(yard.path("outside.csv"), b.join("data.csv")).unwrap();
            }),
            1,
            "data.csv: cannot be read",
        ),
        (
            "proofs behind a link to a folder",
            Box::new(|b| {
                let outside = yard.path("outside-proofs");
                let _ = std::fs::remove_dir_all(&outside);
                std::fs::rename(b.join("proofs"), &outside).unwrap();
                std::os::unix::fs::symlink(&outside, b.join("proofs")).unwrap();
            }),
            1,
            "proofs",
        ),
        (
            "a list that is not canonical",
            Box::new(|b| {
                let text =
                    std::fs::read_to_string(b.join("manifest.json")).unwrap().replacen(",\"v\":2", ", \"v\":2", 1);
                std::fs::write(b.join("manifest.note"), seal::bundle::Manifest::sign(&text, &forger()).unwrap())
                    .unwrap();
                std::fs::write(b.join("manifest.json"), text).unwrap();
            }),
            65,
            "manifest.json",
        ),
        ("another site", Box::new(|b| signed_again(b, &set("site", "other-yard"))), 1, "says site other-yard"),
        (
            "a longer span",
            Box::new(|b| signed_again(b, &set("to", "2026-03-09T09:00:00.000Z"))),
            1,
            "hour 2026-03-09T06:00:00.000Z is missing",
        ),
        ("a shorter span", Box::new(|b| signed_again(b, &set("to", "2026-03-09T05:00:00.000Z"))), 1, "which is not of"),
        ("a span that is none", Box::new(|b| signed_again(b, &set("to", "soon"))), 1, "no span of whole hours"),
        (
            "made before it happened",
            Box::new(|b| signed_again(b, &set("made_at", "2026-03-09T01:00:00.000Z"))),
            1,
            "before its newest row",
        ),
        (
            "a file of 2 GiB under a short listing",
            Box::new(|b| {
                std::fs::File::options().write(true).open(b.join("events.jsonl")).unwrap().set_len(2 << 30).unwrap()
            }),
            1,
            "events.jsonl: has",
        ),
        (
            "readings of 2 GiB under a short listing",
            Box::new(|b| {
                std::fs::File::options().write(true).open(b.join("data.csv")).unwrap().set_len(2 << 30).unwrap()
            }),
            1,
            "data.csv: has",
        ),
        (
            "a pipe for the readings",
            Box::new(|b| {
                std::fs::remove_file(b.join("data.csv")).unwrap();
                assert!(Command::new("mkfifo").arg(b.join("data.csv")).status().unwrap().success());
            }),
            1,
            "data.csv: cannot be read",
        ),
        (
            "a pipe for the list",
            Box::new(|b| {
                std::fs::remove_file(b.join("manifest.json")).unwrap();
                assert!(Command::new("mkfifo").arg(b.join("manifest.json")).status().unwrap().success());
            }),
            65,
            "manifest.json",
        ),
        (
            "a device for a proof",
            Box::new(|b| {
                std::fs::remove_file(b.join("checkpoint.txt")).unwrap();
                std::os::unix::fs::symlink("/dev/zero", b.join("checkpoint.txt")).unwrap();
            }),
            1,
            "checkpoint.txt: cannot be read",
        ),
        (
            "rows nested without end",
            Box::new(|b| {
                std::fs::write(b.join("events.jsonl"), "[".repeat(200_000)).unwrap();
                signed_again(b, &|_| {})
            }),
            1,
            "events.jsonl line 1",
        ),
        (
            "a list nested without end",
            Box::new(|b| std::fs::write(b.join("manifest.json"), "[".repeat(200_000)).unwrap()),
            65,
            "manifest.json",
        ),
    ];
    println!("{:45} {:>6} {:>6}", "tampering", "rust", "python");
    for (n, (why, tamper, wanted, place)) in table.iter().enumerate() {
        let changed = yard.path(&format!("forged-{n}"));
        copy(&bundle, &changed);
        tamper(&changed);
        let (code, text) = ours(&changed, &previous, &key);
        assert_eq!(code, *wanted, "{why}: {text}");
        assert!(text.contains(place), "{why}: {text}");
        let mut second = -1;
        if both {
            let (code, text) = theirs(&changed, &previous, &key);
            assert_eq!(code, *wanted, "{why}, python: {text}");
            assert!(text.contains(place), "{why}, python: {text}");
            second = code;
        }
        println!("{why:45} {code:>6} {second:>6}");
    }
    assert!(std::fs::read_to_string(bundle.join("hours.jsonl")).unwrap().contains(hour));
}

/// The check by both verifiers without a key and without an earlier checkpoint.
fn bare(bundle: &Path, more: &[&str]) -> Vec<(i32, String)> {
    let mut first = Command::new(env!("CARGO_BIN_EXE_hypocaust"));
    let mut answers = vec![said(&first.arg("verify").arg(bundle).args(more).output().unwrap())];
    if second_verifier("bundles by both verifiers") {
        let script = yard::root().join("crates/seal/src/verify.py");
        answers.push(said(&Command::new("python3").arg(script).arg(bundle).args(more).output().unwrap()));
    }
    answers
}

#[test]
fn without_a_key_the_signer_is_unknown_and_a_checkpoint_out_of_a_mail_is_taken() {
    let (yard, bundle, previous, key) = bundled();
    for (code, text) in bare(&bundle, &[]) {
        assert!(code == 2 && text.contains("consistent, signer unknown"), "{code}: {text}");
    }
    let note = std::fs::read_to_string(&previous).unwrap();
    let mailed = yard.path("mailed.txt");
    let indented: String = note.lines().map(|line| format!("    {line}\r\n")).collect();
    for (text, why) in [(note.trim_end().to_owned(), "without its last line end"), (indented, "indented")] {
        std::fs::write(&mailed, text).unwrap();
        for (code, text) in bare(&bundle, &["--vkey", &key, "--previous", mailed.to_str().unwrap()]) {
            assert!(code == 0 && text.contains("ok    previous"), "{why}: {code}: {text}");
        }
    }
    std::fs::write(&mailed, note.replacen('7', "6", 1)).unwrap();
    for (code, text) in bare(&bundle, &["--vkey", &key, "--previous", mailed.to_str().unwrap()]) {
        assert!(code == 1 && text.contains("FAIL  previous"), "{code}: {text}");
    }
}

#[test]
fn a_zip_file_of_which_a_byte_is_not_accounted_for_is_refused_by_both_verifiers() {
    use std::io::Write as _;
    let (yard, bundle, _, key) = bundled();
    let packed = yard.path("bundle.zip");
    let mut zip = zip::ZipWriter::new(std::fs::File::create(&packed).unwrap());
    let options = zip::write::SimpleFileOptions::default().large_file(true);
    let list = std::fs::read_to_string(bundle.join("manifest.json")).unwrap();
    let list = seal::canonical::parse(&list).unwrap();
    let listed = list["files"].as_array().unwrap().iter().map(|f| f["name"].as_str().unwrap());
    for name in listed.chain(["manifest.json", "manifest.note"]) {
        zip.start_file(name, options).unwrap();
        zip.write_all(&std::fs::read(bundle.join(name)).unwrap()).unwrap();
    }
    zip.finish().unwrap();
    for (code, text) in bare(&packed, &["--vkey", &key]) {
        assert_eq!(code, 0, "{text}");
    }
    let good = std::fs::read(&packed).unwrap();
    let find = |what: &[u8]| good.windows(what.len()).position(|found| found == what).unwrap();
    let (local, central, end) = (find(b"PK\x03\x04"), find(b"PK\x01\x02"), find(b"PK\x05\x06"));
    let patched = |at: usize, to: u8| {
        let mut bytes = good.clone();
        assert!(bytes[at] != to);
        bytes[at] = to;
        bytes
    };
    let twice = {
        let at = good.windows(10).rposition(|found| found == b"events.jso").unwrap();
        let mut bytes = good.clone();
        for place in [at, find(b"events.jsonl")] {
            bytes[place..place + 12].copy_from_slice(b"events.jsonX");
        }
        bytes
    };
    let more = |bytes: &[u8]| [&good[..], bytes].concat();
    for (bytes, why) in [
        (more(b"x"), "something after the end"),
        (more(&good), "another archive after the end"),
        ([&b"x"[..], &good[..]].concat(), "something before the first file"),
        ([&good[..central], &b"more"[..], &good[central..]].concat(), "something between files and list"),
        (patched(local + 30, b'x'), "a local head with another name"),
        (patched(local + 14, !good[local + 14]), "a local head with another checksum"),
        (patched(local + 8, 99), "a local head with another method"),
        (patched(central + 16, !good[central + 16]), "a list with another checksum"),
        (patched(end + 20, 1), "a comment that is announced"),
        (good[..good.len() - 100].to_vec(), "cut short"),
    ] {
        let changed = yard.path("changed.zip");
        std::fs::write(&changed, bytes).unwrap();
        for (code, text) in bare(&changed, &["--vkey", &key]) {
            assert!([65, 1].contains(&code), "{why}: {code}: {text}");
        }
    }
    std::fs::write(yard.path("changed.zip"), twice).unwrap();
    for (code, text) in bare(&yard.path("changed.zip"), &["--vkey", &key]) {
        assert!([65, 1].contains(&code), "another name in both heads: {code}: {text}");
    }
}
