//! A bundle in memory: what holds passes, and any change anywhere is found and named.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use std::collections::BTreeMap;
use std::io::{self, BufRead, Cursor};

use pile::time::{Span, Timestamp};
use proptest::prelude::*;
use seal::bundle::HOUR_KIND;
use seal::bundle::{self, Manifest, Outcome, Source, Step};
use seal::merkle::{Hash, Tree, sha256};
use seal::note::{Checkpoint, SignerKey};
use seal::proof::{ConsistencyProof, RowProof};
use seal::readings::{self, HourTree, Table};
use seal::row::Head;
use site::ids::ProbeId;
use site::quantity::Quantity;
use site::reading::{Quality, Reading, SeriesId, Source as From, TimeSource};
use site::zone::rfc3339_millis;

const START: Timestamp = Timestamp::from_millis(1_773_122_400_000);
/// Rows that were there when the earlier checkpoint was signed.
const EARLIER: usize = 3;

type Files = BTreeMap<String, Vec<u8>>;

fn key() -> SignerKey {
    SignerKey::new("hypocaust/test", &[9; 32]).unwrap()
}

fn checkpoint(tree: &Tree, size: usize) -> String {
    let checkpoint = Checkpoint { origin: key().name().into(), size: size as u64, root: tree.root_at(size) };
    key().sign(&checkpoint.text()).unwrap()
}

/// Three hours of two probes, with the rows and files that belong to them; and the earlier checkpoint.
fn good() -> (Files, String) {
    let mut lines = Vec::new();
    for probe in ["a-core", "b-core"] {
        for n in 0..18 {
            let at = START + Span::minutes(10 * n);
            let series =
                SeriesId { source: From::Probe(ProbeId::new(probe).unwrap()), quantity: Quantity::Temperature };
            let value = 61.5 + n as f64 / 8.0;
            let (time_source, received_at) = (TimeSource::Device, at + Span::millis(300));
            let reading = Reading { series, measured_at: at, received_at, value, time_source, retained: false };
            lines.push(readings::line(&reading, Quality::Good, ""));
        }
    }
    let mut table = Table::default();
    assert!(lines.iter().all(|line| table.push(line)));
    let (mut head, mut rows, mut hours): (Head, Vec<(String, Hash)>, Vec<usize>) = (Head::START, vec![], vec![]);
    rows.push(head.append(START, "run.start", &serde_json::json!({"version": "0"})).unwrap());
    for (n, (hour, tree)) in (1..).zip(table.hours()) {
        let _: &HourTree = tree;
        let body = serde_json::json!({"hour": hour, "readings": tree.readings(), "root": tree.root().to_hex()});
        hours.push(rows.len());
        rows.push(head.append(START + Span::hours(n), HOUR_KIND, &body).unwrap());
        let note = serde_json::json!({"n": n});
        rows.push(head.append(START + Span::hours(n), "entry", &note).unwrap());
    }
    let tree = Tree::new(rows.iter().map(|(_, hash)| *hash).collect());
    let size = rows.len();
    let now = checkpoint(&tree, size);
    let text = |picked: &mut dyn Iterator<Item = usize>| picked.map(|n| rows[n].0.clone() + "\n").collect::<String>();
    let mut files: BTreeMap<String, String> = BTreeMap::from([
        (bundle::DATA.into(), format!("{}\n{}\n", readings::HEADER, lines.join("\n"))),
        (bundle::FIGURES.into(), table.figures()),
        (bundle::EVENTS.into(), text(&mut (0..size))),
        (bundle::HOURS.into(), text(&mut hours.iter().copied())),
        (bundle::CHECKPOINT.into(), now.clone()),
        (bundle::KEY.into(), format!("{}\n", key().verifier())),
        (bundle::GUIDE.into(), bundle::GUIDE_TEXT.into()),
    ]);
    let consistency =
        ConsistencyProof { from: EARLIER as u64, to: size as u64, path: tree.consistency(EARLIER).unwrap() };
    files.insert(bundle::CONSISTENCY.into(), consistency.text());
    for seq in hours.into_iter().chain([size - 1]) {
        let proof = RowProof { index: seq as u64, path: tree.inclusion(seq).unwrap(), checkpoint: now.clone() };
        files.insert(bundle::proof_name(seq as u64), proof.text());
    }
    let mut files: Files = files.into_iter().map(|(name, text)| (name, text.into_bytes())).collect();
    seal_files(&mut files);
    (files, checkpoint(&tree, EARLIER))
}

/// Lists and signs what is there, as somebody with the key would.
fn seal_files(files: &mut Files) {
    seal_as(files, &|_| {});
}

/// The same, with something else said of it.
fn seal_as(files: &mut Files, change: &dyn Fn(&mut Manifest)) {
    files.remove(bundle::MANIFEST);
    files.remove(bundle::MANIFEST_NOTE);
    let mut manifest = Manifest {
        site: "test".into(),
        name: "Test".into(),
        from: rfc3339_millis(START),
        to: rfc3339_millis(START + Span::hours(3)),
        made_at: rfc3339_millis(START + Span::hours(4)),
        software: "0".into(),
        absent: Vec::new(),
        files: files.iter().map(|(name, bytes)| (name.clone(), (bytes.len() as u64, sha256(bytes)))).collect(),
    };
    change(&mut manifest);
    let text = manifest.text().unwrap();
    files.insert(bundle::MANIFEST_NOTE.into(), Manifest::sign(&text, &key()).unwrap().into_bytes());
    files.insert(bundle::MANIFEST.into(), text.into_bytes());
}

fn check(files: &Files, previous: Option<&str>) -> Option<Vec<Step>> {
    let open = |name: &str| -> io::Result<Box<dyn BufRead>> {
        let bytes = files.get(name).ok_or(io::ErrorKind::NotFound)?;
        Ok(Box::new(Cursor::new(bytes.clone())))
    };
    let source = Source { names: files.keys().cloned().collect(), open: &open };
    bundle::verify(&source, Some(&key().verifier()), previous).ok()
}

/// All faults, each with its step.
fn faults(files: &Files, previous: Option<&str>) -> Vec<String> {
    let steps = check(files, previous).unwrap();
    let faults = steps.into_iter().filter_map(|step| match step.outcome {
        Outcome::Bad(faults) => Some(faults.into_iter().map(move |fault| format!("{}: {fault}", step.name))),
        Outcome::Good(_) | Outcome::Unsure(_) => None,
    });
    faults.flatten().collect()
}

fn replace(files: &mut Files, name: &str, from: &str, to: &str) {
    let text = String::from_utf8(files[name].clone()).unwrap();
    assert!(text.contains(from), "{name} has no {from}");
    files.insert(name.into(), text.replacen(from, to, 1).into_bytes());
}

#[test]
fn a_good_bundle_holds_in_every_step() {
    let (files, previous) = good();
    assert_eq!(faults(&files, Some(&previous)), Vec::<String>::new());
    let steps = check(&files, Some(&previous)).unwrap();
    let names: Vec<&str> = steps.iter().map(|step| step.name).collect();
    assert_eq!(
        names,
        ["files", "key", "manifest", "checkpoint", "rows", "proofs", "readings", "figures", "claims", "previous"]
    );
}

/// Each change is made by somebody who also lists and signs the files again, so that only the record can give it away.
#[test]
fn a_change_that_was_signed_again_is_named() {
    let (files, previous) = good();
    for (name, from, to, want, why) in [
        ("data.csv", ",61.625,", ",61.626,", "data.csv hour 2026-03-10T06:00:00.000Z", "one reading"),
        ("data.csv", ",good,", ",bad,", "data.csv hour 2026-03-10T06:00:00.000Z", "a reading's quality"),
        (
            "data.csv",
            "probe,b-core",
            "probe,a-core",
            "data.csv hour 2026-03-10T06:00:00.000Z",
            "a reading given to another probe",
        ),
        ("figures.csv", ",61.5,", ",60.5,", "figures.csv line 2", "one figure"),
        ("events.jsonl", "{\"n\":1}", "{\"n\":2}", "events.jsonl line 4, row 3", "a row, seen by the link of the next"),
        (
            "events.jsonl",
            "{\"n\":3}",
            "{\"n\":4}",
            "events.jsonl, last row 6",
            "the last row, which only its proof holds",
        ),
        ("hours.jsonl", "\"readings\":12", "\"readings\":11", "hours.jsonl line 1, row 1", "a row of an hour"),
        ("proofs/1.tlog-proof", "index 1", "index 2", "proofs/1.tlog-proof", "a proof"),
    ] {
        let mut changed = files.clone();
        replace(&mut changed, name, from, to);
        seal_files(&mut changed);
        let found = faults(&changed, Some(&previous));
        assert!(found.iter().any(|fault| fault.contains(want)), "{why}: {found:#?}");
    }
}

fn cut_lines(files: &mut Files, name: &str, keep: &dyn Fn(usize) -> bool) {
    let text = String::from_utf8(files[name].clone()).unwrap();
    let rest: String =
        text.lines().enumerate().filter(|(n, _)| keep(*n)).map(|(_, line)| format!("{line}\n")).collect();
    files.insert(name.into(), rest.into_bytes());
}

fn hour(n: i64) -> String {
    rfc3339_millis(START + Span::hours(n))
}

fn gone(from: i64, to: i64, why: bundle::Why) -> bundle::Absent {
    bundle::Absent { from: hour(from), to: hour(to), why }
}

/// Everything that somebody with the key can say, and that the rows do not bear out.
#[test]
fn a_claim_that_the_rows_do_not_bear_out_is_named() {
    use bundle::Why::{NoReadings, NotOnRecord, TakenOut};
    let (files, _) = good();
    // The second hour with its readings and its row taken out of the bundle.
    let mut without = files.clone();
    cut_lines(&mut without, bundle::HOURS, &|n| n != 1);
    let text = String::from_utf8(without[bundle::DATA].clone()).unwrap();
    let rest: String =
        text.lines().filter(|line| !line.contains(",2026-03-10T07:")).map(|l| format!("{l}\n")).collect();
    let mut table = Table::default();
    assert!(rest.lines().skip(1).all(|line| table.push(line)));
    without.insert(bundle::FIGURES.into(), table.figures().into_bytes());
    without.insert(bundle::DATA.into(), rest.into_bytes());
    type Change<'c> = (&'c Files, &'c dyn Fn(&mut Manifest), &'c str, &'c str);
    let table: [Change<'_>; 17] = [
        (&without, &|_| {}, "hour 2026-03-10T07:00:00.000Z is missing", "an hour that is gone without a word"),
        (&without, &|m| m.absent = vec![gone(1, 2, NoReadings)], "row 3 has some", "nothing was measured, it says"),
        (&without, &|m| m.absent = vec![gone(1, 2, TakenOut)], "no row tells of it", "it was taken out, it says"),
        (&files, &|m| m.absent = vec![gone(1, 2, NotOnRecord)], "and it is there", "absent and there"),
        (&files, &|m| m.absent = vec![gone(3, 4, NoReadings)], "no part of its span", "absent outside the span"),
        (&files, &|m| m.absent = vec![gone(2, 1, NoReadings)], "no part of its span", "absent backwards"),
        (
            &without,
            &|m| m.absent = vec![gone(1, 2, NotOnRecord), gone(1, 2, NotOnRecord)],
            "as absent twice",
            "absent twice",
        ),
        (&files, &|m| m.to = hour(4), "hour 2026-03-10T09:00:00.000Z is missing", "a longer span"),
        (&files, &|m| m.to = hour(2), "which is not of", "a shorter span"),
        (&files, &|m| m.from = hour(-1), "hour 2026-03-10T05:00:00.000Z is missing", "an earlier span"),
        (&files, &|m| m.to = m.from.clone(), "no span of whole hours", "no span"),
        (&files, &|m| m.to = "9999-12-30T00:00:00.000Z".into(), "no span of whole hours", "a span without end"),
        (&files, &|m| m.to = "2026-03-10T09:00:00Z".into(), "no span of whole hours", "another form of a time"),
        (&files, &|m| m.site = "other".into(), "says site other", "another site"),
        (&files, &|m| m.made_at = hour(1), "before its newest row", "made before it happened"),
        (&files, &|m| m.made_at = "soon".into(), "or no time", "made at no time"),
        (&files, &|m| m.to = "soon".into(), "no span of whole hours", "until no time"),
    ];
    for (files, change, want, why) in table {
        let mut changed = files.clone();
        seal_as(&mut changed, change);
        let found = faults(&changed, None);
        assert!(found.iter().any(|fault| fault.starts_with("claims: ") && fault.contains(want)), "{why}: {found:#?}");
    }
    let mut honest = without.clone();
    seal_as(&mut honest, &|m| m.absent = vec![gone(1, 2, NotOnRecord)]);
    assert_eq!(faults(&honest, None), Vec::<String>::new(), "left out and said so");
    let said = check(&honest, None).unwrap().into_iter().find(|step| step.name == "claims").unwrap();
    assert!(matches!(said.outcome, Outcome::Good(text) if text.contains("1 hours are left out")), "and told");
}

#[test]
fn rows_that_were_cut_off_an_older_root_and_a_report_that_was_not_issued_are_named() {
    let (files, _) = good();
    let mut cut = files.clone();
    cut_lines(&mut cut, bundle::EVENTS, &|n| n < 5);
    seal_files(&mut cut);
    assert!(faults(&cut, None).iter().any(|f| f.contains("ends with row 4, and the record goes on to row 6")));
    let mut cut = files.clone();
    cut_lines(&mut cut, bundle::EVENTS, &|n| n > 1);
    seal_files(&mut cut);
    assert!(faults(&cut, None).iter().any(|f| f.contains("begins with row 2 of 2026-03-10T07")));
    let mut none = files.clone();
    cut_lines(&mut none, bundle::EVENTS, &|_| false);
    seal_files(&mut none);
    assert!(faults(&none, None).iter().any(|f| f.contains("has no rows, and the record has 7")));
    let mut report = files.clone();
    report.insert("report/summary.txt".into(), b"all is well".to_vec());
    seal_files(&mut report);
    assert!(faults(&report, None).iter().any(|f| f.contains("no row says that a report was issued with this file")));
}

#[test]
fn a_list_of_files_that_could_be_read_in_two_ways_is_none() {
    let (files, _) = good();
    let list = String::from_utf8(files[bundle::MANIFEST].clone()).unwrap();
    let entry = list.split("\"files\":[").nth(1).unwrap().split('}').next().unwrap().to_owned() + "},";
    for (from, to, why) in [
        ("\"files\":[".to_owned(), format!("\"files\":[{entry}"), "a name twice"),
        ("\"name\":\"data.csv\"".into(), "\"name\":\"../data.csv\"".into(), "a name that leads out"),
        ("\"name\":\"data.csv\"".into(), "\"name\":\"/data.csv\"".into(), "a name from the root"),
        ("\"name\":\"data.csv\"".into(), "\"name\":\"a//data.csv\"".into(), "a name with nothing in it"),
        ("\"name\":\"data.csv\"".into(), "\"name\":\"c:data.csv\"".into(), "a name on another disk"),
        ("\"v\":2".into(), "\"v\": 2".into(), "white space"),
        ("\"v\":2".into(), "\"v\":2,\"w\":3".into(), "a name that it has not"),
        ("\"v\":2".into(), "\"v\":1".into(), "another version"),
    ] {
        assert!(list.contains(&from), "{why}");
        let mut changed = files.clone();
        let text = list.replacen(&from, &to, 1);
        changed.insert(bundle::MANIFEST_NOTE.into(), Manifest::sign(&text, &key()).unwrap().into_bytes());
        changed.insert(bundle::MANIFEST.into(), text.into_bytes());
        assert!(check(&changed, None).is_none(), "{why}");
    }
    let deep = "[".repeat(100_000);
    let mut nested = files.clone();
    nested.insert(bundle::MANIFEST.into(), deep.clone().into_bytes());
    assert!(check(&nested, None).is_none(), "nested without end");
    let mut nested = files;
    nested.insert(bundle::EVENTS.into(), deep.into_bytes());
    seal_files(&mut nested);
    assert!(faults(&nested, None).iter().any(|f| f.contains("events.jsonl line 1")), "the same in a row");
}

#[test]
fn what_is_missing_is_named() {
    let (files, previous) = good();
    for name in files.keys().filter(|name| *name != bundle::MANIFEST) {
        let mut cut = files.clone();
        cut.remove(name);
        let found = faults(&cut, Some(&previous));
        assert!(found.iter().any(|fault| fault.contains(name.as_str())), "{name}: {found:#?}");
    }
    let mut cut = files.clone();
    let lines = String::from_utf8(cut[bundle::EVENTS].clone()).unwrap();
    let rest: String =
        lines.lines().enumerate().filter(|(n, _)| *n != 2).map(|(_, line)| format!("{line}\n")).collect();
    cut.insert(bundle::EVENTS.into(), rest.into_bytes());
    seal_files(&mut cut);
    let found = faults(&cut, None);
    assert!(found.iter().any(|fault| fault.contains("row 3: it has the number 3 where 2 follows")), "{found:#?}");
    let mut more = files;
    more.insert("extra.txt".into(), Vec::new());
    assert!(faults(&more, None)[0].contains("extra.txt: is not one of the bundle's files"));
}

#[test]
fn keys_and_checkpoints_of_others_are_named() {
    let (files, _) = good();
    let open = |name: &str| -> io::Result<Box<dyn BufRead>> {
        Ok(Box::new(Cursor::new(files.get(name).ok_or(io::ErrorKind::NotFound)?.clone())))
    };
    let source = Source { names: files.keys().cloned().collect(), open: &open };
    let other = SignerKey::new("hypocaust/test", &[8; 32]).unwrap();
    let steps = bundle::verify(&source, Some(&other.verifier()), None).unwrap();
    for name in ["key", "manifest", "checkpoint", "proofs"] {
        let step = steps.iter().find(|step| step.name == name).unwrap();
        assert!(matches!(step.outcome, Outcome::Bad(_)), "{name}: another key of the same name");
    }
    let unsure = bundle::verify(&source, None, None).unwrap();
    assert!(matches!(unsure[1].outcome, Outcome::Unsure(_)), "the enclosed key alone is only the bundle's word");

    let rewritten =
        Checkpoint { origin: "hypocaust/test".into(), size: EARLIER as u64, root: sha256(b"another history") };
    let rewritten = key().sign(&rewritten.text()).unwrap();
    assert!(faults(&files, Some(&rewritten))[0].contains("were rewritten"), "an earlier history that was another");
    let foreign = Checkpoint { origin: "hypocaust/test".into(), size: 4, root: Hash::ZERO };
    let foreign = key().sign(&foreign.text()).unwrap();
    assert!(
        faults(&files, Some(&foreign))[0].contains("leads from 3 to 7 rows, not from 4 to 7"),
        "no proof for that one"
    );
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]
    #[test]
    fn a_changed_byte_in_any_file_is_found_and_its_file_named(file in any::<prop::sample::Index>(), place in any::<prop::sample::Index>(), byte in any::<u8>()) {
        let (mut files, previous) = good();
        let name = file.get(&files.keys().cloned().collect::<Vec<_>>()).clone();
        let bytes = files.get_mut(&name).unwrap();
        let place = place.index(bytes.len());
        prop_assume!(bytes[place] != byte);
        bytes[place] = byte;
        match check(&files, Some(&previous)) {
            None => prop_assert_eq!(name.as_str(), bundle::MANIFEST),
            Some(_) => prop_assert!(faults(&files, Some(&previous)).iter().any(|fault| fault.contains(&name))),
        }
    }

    #[test]
    fn a_file_cut_short_anywhere_is_found_and_named(file in any::<prop::sample::Index>(), place in any::<prop::sample::Index>()) {
        let (mut files, previous) = good();
        let name = file.get(&files.keys().cloned().collect::<Vec<_>>()).clone();
        let bytes = files.get_mut(&name).unwrap();
        let place = place.index(bytes.len());
        bytes.truncate(place);
        match check(&files, Some(&previous)) {
            None => prop_assert_eq!(name.as_str(), bundle::MANIFEST),
            Some(_) => prop_assert!(faults(&files, Some(&previous)).iter().any(|fault| fault.contains(&name))),
        }
    }
}

/// Where numbers and times stand in a text: runs of the characters that they are written with.
fn figures_in(text: &str) -> Vec<std::ops::Range<usize>> {
    let is_of = |b: &u8| b.is_ascii_digit() || matches!(b, b'.' | b'-' | b':' | b'T' | b'Z');
    let (mut found, mut at) = (Vec::new(), 0);
    let bytes = text.as_bytes();
    while at < bytes.len() {
        let end = bytes[at..].iter().position(|b| !is_of(b)).map_or(bytes.len(), |n| at + n);
        if bytes[at..end].iter().any(u8::is_ascii_digit) {
            found.push(at..end);
        }
        at = end.max(at) + 1;
    }
    found
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    /// Numbers of rows, sizes of files, hours, values and times of a bundle that somebody else made, signed again so that nothing but the
    /// number is wrong.
    #[test]
    fn any_number_or_time_in_any_place_of_a_bundle_is_a_finding_and_never_the_end(
        file in any::<prop::sample::Index>(), place in any::<prop::sample::Index>(), whole in any::<i64>(), real in any::<f64>(), form in 0..5_u8, again in any::<bool>(),
    ) {
        let (mut files, previous) = good();
        let names: Vec<String> = files.keys().filter(|name| *name != bundle::GUIDE).cloned().collect();
        let name = file.get(&names).clone();
        let text = String::from_utf8(files[&name].clone()).unwrap();
        let places = figures_in(&text);
        prop_assume!(!places.is_empty());
        let range = places[place.index(places.len())].clone();
        let number = match form {
            0 => whole.to_string(),
            1 => format!("{real:?}"),
            2 => rfc3339_millis(Timestamp::from_millis(whole)),
            3 => u64::MAX.to_string(),
            _ => "9".repeat(400),
        };
        prop_assume!(text[range.clone()] != number);
        let mut changed = text;
        changed.replace_range(range, &number);
        files.insert(name, changed.into_bytes());
        if again {
            seal_files(&mut files);
        }
        // A manifest that cannot be read has no steps; whatever is found in the others is short enough to be read.
        if let Some(steps) = check(&files, Some(&previous)) {
            for step in steps {
                if let Outcome::Bad(found) = step.outcome {
                    prop_assert!(found.iter().all(|fault| fault.len() < 5_000), "{}", step.name);
                }
            }
        }
    }
}
