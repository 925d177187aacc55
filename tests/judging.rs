//! Does `hypocaust judge` say of files and of the store what was measured, in words and in the JSON that is promised?
//!
//! Must never need a daemon to run: what is judged is stored or in files.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

#[path = "support/yard.rs"]
mod yard;

use std::collections::BTreeSet;
use std::path::PathBuf;

use expect_test::expect_file;
use hypocaust::criteria::SHIPPED;
use hypocaust::driven::connect;
use hypocaust::socket::Request;
use pile::time::Span;
use pile::units::Celsius;
use serde_json::Value;
use site::entry::EntryKind;
use site::zone::rfc3339_utc;
use yard::{START, Yard, hypocaust_with, live, root};

/// A criterion that one probe in the core is enough for.
const OWN: &str = "id: core-only\ntitle: Core at 131 °F for three days\njurisdiction: site\nregulation: Invented permit\n\
    section: condition 14\nedition: first\nasks: \"131 °F for three days.\"\nconfirmed: invented\n\
    systems: [aerated-static-pile]\nhold: { fahrenheit_min: 131, days: 3, counting: consecutive }\n\
    zones: [{ position: core }]\n";

/// Settings with a criterion of the site's own and two that it chose.
fn settings(yard: &Yard) -> PathBuf {
    std::fs::create_dir_all(yard.path("own")).unwrap();
    std::fs::write(yard.path("own/core-only.yaml"), OWN).unwrap();
    let chosen = format!(
        "criteria_folder: \"{}\"\ncriteria:\n  - {{ id: us503-pfrp-asp, permit: \"Condition 14: 55 °C for three days.\" }}\n",
        yard.path("own").display()
    );
    let path = yard.path("site.yaml");
    std::fs::write(&path, yard.settings() + chosen.as_str()).unwrap();
    path
}

/// A reading of two probes of a bin every ten minutes; hours and °C of the base in parts.
fn readings(parts: &[(f64, f64)]) -> String {
    let mut text = "measured_at,probe,quantity,value,unit\n".to_owned();
    let mut from = 0.0;
    for (hours, base) in parts {
        let steps = (hours * 6.0) as i64;
        for step in 0..steps {
            let at = rfc3339_utc(START + Span::minutes((from * 60.0) as i64 + step * 10));
            text += &format!("{at},b1-core,temperature,64.2,Cel\n{at},b1-2,temperature,{base},Cel\n");
        }
        from += hours;
    }
    text
}

const ENTRIES: &str = "at,bin,kind,amount,unit,by,note\n2026-03-09T00:00:00Z,b1,on-air,18,°C,Ann,\n\
    2026-03-11T15:00:00Z,b1,watered,120,L,Ann,dry at the base\n2026-03-16T00:00:00Z,b1,off-air,,,Ann,\n";

struct Judge {
    yard: Yard,
    settings: PathBuf,
}

impl Judge {
    fn new() -> Judge {
        let mut yard = Yard::new(1);
        yard.probes = 2;
        Judge { settings: settings(&yard), yard }
    }

    fn file(&self, name: &str, text: &str) -> String {
        std::fs::write(self.yard.path(name), text).unwrap();
        self.yard.path(name).display().to_string()
    }

    fn run(&self, more: &[&str]) -> (i32, String) {
        let (code, text) = hypocaust_with(&self.settings, &[&["judge"], more].concat());
        (code, text.replace(&self.yard.folder.path().display().to_string(), ""))
    }
}

/// Run with `UPDATE_EXPECT=1` to write the expectations anew, then read every line of the difference.
#[test]
fn files_are_judged_in_words_and_in_json() {
    let judge = Judge::new();
    // Hot for 64 h, four hours too cold by 0.04 K after a watering, hot again for 80 h, then silent.
    let readings = judge.file("r.csv", &readings(&[(64.0, 58.25), (4.0, 54.96), (80.0, 58.0)]));
    let entries = judge.file("e.csv", ENTRIES);
    let of_files = ["--readings", &readings, "--entries", &entries];
    let (code, text) = judge.run(&of_files);
    assert_eq!(code, 0, "{text}");
    expect_file![root().join("tests/golden/judge/met.txt")].assert_eq(&text);
    let many =
        ["--criterion", "us503-pfrp-asp", "--criterion", "nop-invessel-asp", "--criterion", "eu1009-cmc3", "--json"];
    let (code, text) = judge.run(&[&of_files[..], &many].concat());
    assert_eq!(code, 0, "{text}");
    expect_file![root().join("tests/golden/judge/three.json")].assert_eq(&text);
    let all: Value = serde_json::from_str(&text).unwrap();
    for one in all.as_array().unwrap() {
        for key in [
            "bin",
            "batch",
            "criterion",
            "result",
            "met_at",
            "earliest_at",
            "hours_counted",
            "hours_needed",
            "coverage_fraction",
            "because",
        ] {
            assert!(one.get(key).is_some(), "`{key}` is promised: {one}");
        }
    }
    let results: Vec<&str> = all.as_array().unwrap().iter().map(|one| one["result"].as_str().unwrap()).collect();
    assert_eq!(results, ["met", "cannot tell", "not met"], "held; no C:N on record; no profile of the EU");
    // As things stood on the third day: it runs, and says what is left.
    let (code, text) = judge.run(&[&of_files[..], &["--at", "2026-03-11T10:00:00Z"]].concat());
    assert_eq!(code, 0, "{text}");
    expect_file![root().join("tests/golden/judge/running.txt")].assert_eq(&text);
    let facts = judge.file("f.yaml", "carbon_to_nitrogen: 28\n");
    let with_facts = ["--criterion", "nop-invessel-asp", "--facts", &facts, "--json"];
    let (_, text) = judge.run(&[&of_files[..], &with_facts].concat());
    assert!(text.contains("\"result\": \"met\""), "{text}");
}

#[test]
fn entries_of_files_say_all_that_the_log_does() {
    let judge = Judge::new();
    let readings = judge.file("r.csv", &readings(&[(120.0, 58.25)]));
    let on_air = "2026-03-09T00:00:00Z,b1,on-air,18,°C,Ann,\n";
    let quoted = |json: &str| format!("\"{}\"", json.replace('"', "\"\""));
    let load =
        quoted(r#"{"loaded":{"source":"Canteen","material":"food waste","amount":{"kilograms":800.0},"taken":"in"}}"#);
    let failed = quoted(
        r#"{"calibrated":{"probe":"b1-2","against":"ice","showed_celsius":3.0,"truth_celsius":0.0,"allowed_kelvin":1.0}}"#,
    );
    let elsewhere = quoted(r#"{"placed":{"probe":"b1-2","position":"cover"}}"#);
    for (more, result, hours, why) in [
        (String::new(), "met", 119.8, "nothing else was written"),
        (format!("2026-03-10T20:00:00Z,b1,loaded,{load},,Ann,\n"), "met", 75.8, "72 h after the load"),
        (format!("2026-03-12T12:00:00Z,b1,loaded,{load},,Ann,late\n"), "running", 35.8, "not yet 72 h after it"),
        (
            format!("2026-03-14T00:00:00Z,b1,calibrated,{failed},,Ann,\n"),
            "cannot tell",
            0.0,
            "one zone has no valid probe",
        ),
        (format!("2026-03-09T01:00:00Z,b1,placed,{elsewhere},,Ann,\n"), "cannot tell", 0.0, "it was in the cover"),
    ] {
        let entries = judge.file("e.csv", &format!("at,bin,kind,amount,unit,by,note\n{on_air}{more}"));
        let (code, text) = judge.run(&["--readings", &readings, "--entries", &entries, "--json"]);
        assert_eq!(code, 0, "{why}: {text}");
        let all: Value = serde_json::from_str(&text).unwrap();
        assert_eq!(all[0]["result"], result, "{why}: {text}");
        let counted = all[0]["hours_counted"].as_f64().unwrap();
        assert!(result == "cannot tell" || (counted - hours).abs() < 0.2, "{why}: {counted}");
    }
    for (row, wanted) in [
        ("2026-03-10,b1,loaded,800,kg,Ann,", "`loaded` has more to say than a number (write it as JSON under amount"),
        ("2026-03-10,b1,loaded,\"{\"\"loaded\"\":3}\",,Ann,", "loaded: the JSON under amount cannot be read ("),
        ("2026-03-10,b1,turned,\"\"\"turned\"\"\",,Ann,", ""),
        (
            &format!("2026-03-10,b1,watered,{load},,Ann,"),
            "the kind is `watered`, and the JSON under amount is of `loaded`",
        ),
    ] {
        let entries = judge.file("e.csv", &format!("at,bin,kind,amount,unit,by,note\n{on_air}{row}\n"));
        let (_, text) = judge.run(&["--readings", &readings, "--entries", &entries]);
        assert!(text.contains(wanted), "{row}: {text}");
    }
}

/// An entry that could not be taken may begin a count anew: it is in the JSON and the exit code, and nothing of its bin is met.
#[test]
fn an_entry_that_is_left_out_is_an_error() {
    let judge = Judge::new();
    let readings = judge.file("r.csv", &readings(&[(150.0, 58.25)]));
    let load = r#"{""loaded"":{""source"":""Canteen"",""material"":""food waste"",""amount"":{""kilograms"":800.0},""taken"":""in""}}"#;
    let entries = |note: &str| {
        let head = "at,bin,kind,amount,unit,by,note\n2026-03-09T00:00:00Z,b1,on-air,18,°C,Ann,\n";
        judge.file("e.csv", &format!("{head}2026-03-14T00:00:00Z,b1,loaded,\"{load}\",,Ann,{note}\n"))
    };
    let without = entries("");
    let (code, text) = judge.run(&["--readings", &readings, "--entries", &without, "--json"]);
    assert_eq!(code, 65, "{text}");
    let json = text.split("\n]\n").next().unwrap().to_owned() + "\n]";
    let all: Value = serde_json::from_str(&json).unwrap_or_else(|e| panic!("{e}: {text}"));
    assert_eq!((&all[0]["result"], &all[0]["met_at"]), (&Value::from("cannot tell"), &Value::Null), "{text}");
    let error = all[0]["errors"][0].as_str().unwrap();
    assert!(
        error.starts_with("bin b1, loaded of 2026-03-14 01:00 +01:00: ") || error.starts_with("bin b1, loaded of "),
        "{error}"
    );
    assert!(
        text.contains("left out: bin b1, loaded of ") && text.contains("correct these entries and judge again"),
        "{text}"
    );
    let (code, text) = judge.run(&["--readings", &readings, "--entries", &entries("late delivery"), "--json"]);
    assert_eq!(code, 0, "{text}");
    let all: Value = serde_json::from_str(&text).unwrap();
    assert_eq!((&all[0]["result"], &all[0]["errors"]), (&Value::from("running"), &Value::Array(Vec::new())), "{text}");
}

/// Two rows for one instant: both are judged, whichever comes first, and told. A correction that decides is in the JSON with its check.
#[test]
fn what_decided_beside_the_readings_is_in_the_json() {
    let judge = Judge::new();
    let of = |rows: &[&str], base: f64, more: &str| -> Value {
        let mut text = readings(&[(100.0, base)]);
        for row in rows {
            text += &format!("2026-03-10T00:00:00Z,b1-core,temperature,{row},Cel\n");
        }
        let readings = judge.file("r.csv", &text);
        let entries = judge
            .file("e.csv", &format!("at,bin,kind,amount,unit,by,note\n2026-03-09T00:00:00Z,b1,on-air,,,Ann,\n{more}"));
        let (code, text) = judge.run(&["--readings", &readings, "--entries", &entries, "--json"]);
        assert_eq!(code, 0, "{text}");
        serde_json::from_str::<Value>(&text).unwrap()[0].clone()
    };
    let first = of(&["52.5", "64.9"], 58.0, "");
    assert_eq!(first, of(&["64.9", "52.5"], 58.0, ""), "the order of rows decides nothing");
    assert_eq!(first["result"], "met", "{first}");
    assert!(first["met_at"].as_str() > Some("2026-03-13"), "72 h after the cold one of the two: {first}");
    let two = &first["two_values"][0];
    assert_eq!(
        (&two["probe"], &two["instants"], &two["coldest_celsius"]),
        (&"b1-core".into(), &1.into(), &52.5.into())
    );
    assert_eq!(of(&[], 58.0, "")["two_values"], Value::Array(Vec::new()));
    let check = r#"{""calibrated"":{""probe"":""b1-2"",""against"":""ice"",""showed_celsius"":-0.5,""truth_celsius"":0.0,""allowed_kelvin"":1.0}}"#;
    let corrected = of(&[], 54.75, &format!("2026-03-09T00:00:00Z,b1,calibrated,\"{check}\",,Ann,\n"));
    assert_eq!(corrected["result"], "met", "{corrected}");
    let told = &corrected["correction"];
    let figures = ["stored_celsius", "offset_kelvin", "corrected_celsius"].map(|key| told[key].as_f64().unwrap());
    assert_eq!(figures, [54.75, 0.5, 55.25], "{told}");
    assert_eq!(
        (&told["checked_at"], &told["without"]["result"]),
        (&"2026-03-09T00:00:00Z".into(), &"running".into()),
        "{told}"
    );
    assert!(
        corrected["because"].as_str().unwrap().contains("A correction decides the result: probe b1-2 sent 54.75 °C")
    );
    assert_eq!(of(&[], 58.0, "")["correction"], Value::Null);
}

#[test]
fn readings_without_an_entry_are_a_closed_record() {
    let judge = Judge::new();
    let short = judge.file("r.csv", &readings(&[(71.0, 58.25), (4.0, 54.96)]));
    let (code, text) = judge.run(&["--readings", &short]);
    assert_eq!(code, 0, "{text}");
    expect_file![root().join("tests/golden/judge/not-met.txt")].assert_eq(&text);
    let entries = judge.file("e.csv", "at,bin,kind,amount,unit,by,note\n2026-03-09T00:00:00Z,b1,on-air,,,Ann,\n");
    let (_, text) = judge.run(&["--readings", &short, "--entries", &entries]);
    assert!(
        text.contains(": running\n"),
        "a batch on air can still be met, but not by when: it is too cold now: {text}"
    );
    let hot = judge.file("hot.csv", &readings(&[(40.0, 58.25)]));
    let (_, text) = judge.run(&["--readings", &hot, "--entries", &entries]);
    assert!(text.contains(": running, at the earliest "), "a hot pile says by when: {text}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_store_and_its_own_export_are_judged_alike() {
    let yard = Yard::new(1);
    let settings = settings(&yard);
    let mut driven = yard.driven(START).await;
    let client = connect(driven.listens_on().unwrap(), "b1-node");
    let on_air = EntryKind::OnAir { loaded_at: Some(Celsius(18.0)), filling: None };
    driven.ask(Request::entry("b1", driven.now(), "Ann", "", &on_air)).await.unwrap();
    live(&mut driven, &client, "b1-core", &[vec![61.5; 300], vec![-127.0; 2], vec![61.5; 700]].concat()).await;
    let end = driven.now();
    driven.stop().await.unwrap();
    let judge = |more: &[&str]| -> Value {
        let arguments = [&["judge", "--criterion", "core-only", "--json"], more].concat();
        let (code, text) = hypocaust_with(&settings, &arguments);
        assert_eq!(code, 0, "{text}");
        serde_json::from_str::<Value>(&text).unwrap()[0].clone()
    };
    let at = rfc3339_utc(end);
    let stored = judge(&["--batch", "1", "--at", &at]);
    assert_eq!((stored["result"].as_str(), stored["batch"].as_u64()), (Some("met"), Some(1)), "{stored}");
    assert_eq!(stored["excluded"][0]["readings"], 2, "the code for `no answer` is listed, not judged: {stored}");
    let (code, csv) =
        hypocaust_with(&settings, &["readings", "--bin", "b1", "--csv", "--from", "2026-03-09", "--to", &at]);
    assert_eq!(code, 0, "{csv}");
    std::fs::write(yard.path("r.csv"), csv).unwrap();
    std::fs::write(yard.path("e.csv"), "at,bin,kind,amount,unit,by,note\n2026-03-09T00:00:00Z,b1,on-air,18,°C,Ann,\n")
        .unwrap();
    let files = [yard.path("r.csv").display().to_string(), yard.path("e.csv").display().to_string()];
    let imported = judge(&["--readings", &files[0], "--entries", &files[1]]);
    for key in ["result", "met_at", "hours_counted", "hours_needed"] {
        assert_eq!(imported[key], stored[key], "{key}");
    }
}

#[test]
fn what_cannot_be_judged_is_told_with_the_next_step() {
    let judge = Judge::new();
    let good = judge.file("r.csv", &readings(&[(2.0, 58.0)]));
    let bad = judge.file("b.csv", "measured_at,probe,quantity,value,unit\n2026-03-10,b9,temperature,61,Cel\n");
    let facts = judge.file("f.yaml", "sytem: windrow\n");
    for (arguments, code, wanted, why) in [
        (vec!["--readings", &good, "--criterion", "us503-pfrp-aps"], 64, "did you mean `us503-pfrp-asp`?", "a slip"),
        (
            vec!["--readings", &good, "--criterion", "de-bioabfv-1998-60"],
            64,
            "is superseded and only kept to be read",
            "no longer law",
        ),
        (vec!["--readings", &good, "--bin", "b7"], 64, "there is no bin `b7`; the settings have b1", "no such bin"),
        (vec!["--readings", &good, "--batch", "7"], 64, "there is no batch 7; there is none yet", "no such batch"),
        (
            vec!["--readings", &bad],
            65,
            "/b.csv:2: there is no probe or blower `b9`",
            "a fault in a file, with its line",
        ),
        (vec!["--readings", "/nowhere.csv"], 74, "/nowhere.csv cannot be read", "no such file"),
        (vec!["--readings", &good, "--facts", &facts], 65, "/f.yaml:1: unknown key `sytem`", "a fault in the facts"),
        (vec!["--readings", &good, "--at", "yesterday"], 64, "is not a time", "an unreadable time"),
        (vec!["--entries", &good], 64, "--readings", "entries alone"),
    ] {
        let (got, text) = judge.run(&arguments);
        assert_eq!(got, code, "{why}: {text}");
        assert!(text.contains(wanted), "{why}: {text}");
    }
    // Nothing is chosen unless somebody chooses it.
    let plain = judge.yard.path("plain.yaml");
    std::fs::write(&plain, judge.yard.settings()).unwrap();
    let (code, text) = hypocaust_with(&plain, &["judge", "--readings", &good]);
    assert_eq!(code, 64, "{text}");
    assert!(text.contains("no criterion is chosen; add --criterion ID, or a list `criteria:` to"), "{text}");
    // Settings that choose what is not there, or grant time after turnings that nothing asks for.
    for (chosen, wanted, why) in [
        ("criteria: [{ id: us503-pfrp-aps }]\n", "did you mean `us503-pfrp-asp`?", "a slip"),
        (
            "criteria: [{ id: us503-pfrp-asp, permit: \"condition 15\", recovery_hours: 6 }]\n",
            "asks for no turning; remove `recovery_hours`",
            "a window after nothing",
        ),
        (
            "keep: { years: 2 }\ncriteria: [{ id: us503-pfrp-asp }]\n",
            "criterion us503-pfrp-asp has records kept for 5 years, and `keep.years` is 2; raise it",
            "readings would go before their time",
        ),
        ("criteria_folder: /nowhere\n", "the criteria in /nowhere cannot be read", "no such folder"),
    ] {
        std::fs::write(&plain, judge.yard.settings() + chosen).unwrap();
        let (code, text) = hypocaust_with(&plain, &["check"]);
        assert_ne!(code, 0, "{why}: {text}");
        assert!(text.contains(wanted), "{why}: {text}");
    }
}

#[test]
fn criteria_are_listed_and_shown_with_what_they_were_checked_against() {
    let judge = Judge::new();
    let run = |more: &[&str]| hypocaust_with(&judge.settings, &[&["criteria"], more].concat());
    let (code, list) = run(&["list"]);
    assert_eq!(code, 0, "{list}");
    for (id, mark) in [("us503-pfrp-asp", "chosen"), ("core-only", ""), ("de-bioabfv-1998-55", "superseded")] {
        let line = list.lines().find(|l| l.split_whitespace().next() == Some(id)).unwrap();
        assert!(line.contains(mark), "{line}");
    }
    let (code, shown) = run(&["show", "us503-pfrp-asp"]);
    assert_eq!(code, 0, "{shown}");
    for words in [
        "the word \\\"consecutive\\\" not checked",
        "written for sewage sludge",
        "your permit cites decides",
        "Condition 14",
    ] {
        assert!(shown.contains(words), "{words}: {shown}");
    }
    let (code, said) = run(&["show", "us503-pfrp-aps"]);
    assert!(code == 64 && said.contains("did you mean `us503-pfrp-asp`?"), "{said}");
    let files: BTreeSet<String> = std::fs::read_dir(root().join("config/criteria"))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|e| e == "yaml"))
        .map(|path| path.file_stem().unwrap().to_str().unwrap().to_owned())
        .collect();
    let built_in: BTreeSet<String> = SHIPPED.iter().map(|(name, _)| (*name).to_owned()).collect();
    assert_eq!(built_in, files, "every file of config/criteria is built in");
}
