//! Does `hypocaust replay` say of recorded and of imported history what the daemon said on the day, and tell what a changed rule changes?
//!
//! Must never need a daemon to run: a replay reads what is stored.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

#[path = "support/yard.rs"]
mod yard;

use expect_test::expect_file;
use hypocaust::driven::{Driven, acknowledged, connect, publish};
use hypocaust::socket::Request;
use ledger::{Access, AlarmEventFilter, Ledger};
use pile::time::Span;
use pile::units::{Celsius, Litres};
use site::entry::EntryKind;
use site::zone::rfc3339_utc;
use yard::{START, Yard, crashing_series, hypocaust, live, payload, root};

/// The documented line of each event of a rule's alarm that the live run recorded.
fn recorded(yard: &Yard) -> Vec<String> {
    let ledger = Ledger::open(&yard.data(), Access::Read).unwrap();
    let alarms = ledger.alarms().unwrap();
    let events = ledger.alarm_events(&AlarmEventFilter::default()).unwrap();
    let of_rules = events.iter().filter(|e| ["raised", "cleared", "retired"].contains(&e.kind.key()));
    of_rules
        .filter_map(|e| {
            let alarm = alarms.iter().find(|a| a.id == e.alarm).unwrap();
            let bin = alarm.key.bin()?;
            Some(format!(
                "{{\"at\":\"{}\",\"bin\":\"{bin}\",\"rule\":\"{}\",\"event\":\"{}\",\"priority\":\"{}\",\"occurrence\":{},\"finding\":\"{}\"}}",
                rfc3339_utc(e.at),
                alarm.key.rule,
                e.kind.key(),
                alarm.priority.key(),
                e.occurrence,
                e.words
            ))
        })
        .collect()
}

fn lines(yard: &Yard, more: &[&str]) -> Vec<String> {
    let (code, text) = hypocaust(yard, &[&["replay"], more].concat());
    assert_eq!(code, 0, "{text}");
    text.lines().map(str::to_owned).collect()
}

async fn on_air(driven: &Driven, bin: &str) {
    let kind = EntryKind::OnAir { loaded_at: Some(Celsius(18.0)), filling: None };
    driven.ask(Request::entry(bin, driven.now(), "Ann", "", &kind)).await.unwrap();
}

/// Run with `UPDATE_EXPECT=1` to write the expectations anew, then read every line of the difference.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_replay_says_what_the_daemon_said_and_what_a_changed_number_would_change() {
    let yard = Yard::new(2);
    let hot = |limit: &str| {
        let proven = yard::HOT_NOW.replace("_delay: \"0 s\"", "_delay: \"1 h\"");
        proven.replace("value: 65.0", &format!("value: {limit}"))
    };
    std::fs::write(yard.path("rules/very-hot.rhai"), hot("61.5")).unwrap();
    let mut driven = yard.driven(START).await;
    let client = connect(driven.listens_on().unwrap(), "b1-node");
    on_air(&driven, "b1").await;
    let series = crashing_series();
    live(&mut driven, &client, "b1-core", &series[..1_300]).await;
    // A gateway that was away sends eight hours late, a probe sends a code for "no answer", a person writes down what he did at noon.
    let now = driven.now();
    on_air(&driven, "b2").await;
    let notices = [(now - Span::hours(8), 95.0), (now, -127.0)].map(|(at, value)| ("t/b2-core", payload(at, value)));
    for (topic, text) in notices {
        acknowledged(vec![publish(&client, topic.into(), text).await.unwrap()]).await.unwrap();
    }
    let watered = EntryKind::Watered { minutes: None, litres: Some(Litres(120.0)) };
    driven.ask(Request::entry("b1", now - Span::hours(3), "Ann", "", &watered)).await.unwrap();
    live(&mut driven, &client, "b1-core", &series[1_300..1_700]).await;
    // The daemon is off for two hours in the middle of the crash.
    let end = driven.now();
    driven.stop().await.unwrap();
    let mut driven = yard.driven(end + Span::hours(2)).await;
    let client = connect(driven.listens_on().unwrap(), "b1-node");
    live(&mut driven, &client, "b1-core", &series[1_724..2_400]).await;
    driven.stop().await.unwrap();

    let told = recorded(&yard);
    assert!(told.iter().any(|line| line.contains("\"rule\":\"temperature-crash\",\"event\":\"raised\"")), "{told:#?}");
    assert!(told.iter().any(|line| line.contains("\"event\":\"cleared\"")), "{told:#?}");
    let replayed = lines(&yard, &["--json"]);
    assert_eq!(replayed, told, "the replay against the run");
    expect_file![root().join("tests/golden/replay/events.jsonl")].assert_eq(&(replayed.join("\n") + "\n"));
    expect_file![root().join("tests/golden/replay/events.txt")].assert_eq(&(lines(&yard, &[]).join("\n") + "\n"));

    // From the middle on, what stood before is known to stand, and only the later part is told.
    let later = lines(&yard, &["--json", "--from", "2026-03-14"]);
    let want: Vec<&String> = told.iter().filter(|line| line.as_str() >= "{\"at\":\"2026-03-14").collect();
    assert!(!want.is_empty() && want.len() < told.len(), "{told:#?}");
    assert_eq!(later.iter().collect::<Vec<_>>(), want);
    let one_bin = lines(&yard, &["--json", "--bins", "b2"]);
    assert!(one_bin.iter().all(|line| line.contains("\"bin\":\"b2\"")) && !one_bin.is_empty(), "{one_bin:#?}");

    // Another number, and a folder with a rule less and a rule more.
    let tried = yard.path("tried");
    std::fs::create_dir(&tried).unwrap();
    for entry in std::fs::read_dir(yard.path("rules")).unwrap() {
        let path = entry.unwrap().path();
        if !path.ends_with("probe-silent.rhai") {
            std::fs::copy(&path, tried.join(path.file_name().unwrap())).unwrap();
        }
    }
    std::fs::write(tried.join("hot-now.rhai"), hot("61.0")).unwrap();
    let tried = tried.display().to_string();
    let compared =
        |more: &[&str]| lines(&yard, &[&["--rules", &tried, "--set", "very-hot.limit=60", "--compare"], more].concat());
    let text = compared(&[]).join("\n") + "\n";
    expect_file![root().join("tests/golden/replay/compare.txt")].assert_eq(&text);
    let json = compared(&["--json"]).join("\n") + "\n";
    expect_file![root().join("tests/golden/replay/compare.jsonl")].assert_eq(&json);
    for word in ["\"change\":\"new\"", "\"change\":\"gone\"", "\"change\":\"same\"", "\"change\":\"moved\""] {
        assert!(json.contains(word), "{word}:\n{json}");
    }

    // The same history as files gives the same alarms; what came late on the day is on time there, so only the first days are compared.
    let (code, csv) =
        hypocaust(&yard, &["readings", "--bin", "b1", "--csv", "--from", "2026-03-09", "--to", "2026-03-13T11:00:00Z"]);
    assert_eq!(code, 0, "{csv}");
    std::fs::write(yard.path("r.csv"), csv).unwrap();
    std::fs::write(
        yard.path("e.csv"),
        "at,bin,kind,amount,unit,by,note\n2026-03-09T00:00:00Z,b1,on-air,64.4,°F,Ann,\n",
    )
    .unwrap();
    let files = [yard.path("r.csv").display().to_string(), yard.path("e.csv").display().to_string()];
    let imported = lines(&yard, &["--json", "--readings", &files[0], "--entries", &files[1], "--bins", "b1"]);
    let want: Vec<&String> =
        told.iter().filter(|l| l.as_str() < "{\"at\":\"2026-03-13T11" && l.contains("\"bin\":\"b1\"")).collect();
    assert_eq!(imported.iter().collect::<Vec<_>>(), want);
    let (_, text) = hypocaust(&yard, &["replay", "--readings", &files[0]]);
    assert!(text.contains("no batch went on air in this history"), "{text}");
}

#[test]
fn faults_of_files_are_told_all_at_once_with_file_line_and_remedy() {
    let yard = Yard::new(1);
    let replay = |readings: &str, entries: &str| {
        std::fs::write(yard.path("r.csv"), readings).unwrap();
        std::fs::write(yard.path("e.csv"), entries).unwrap();
        let files = [yard.path("r.csv").display().to_string(), yard.path("e.csv").display().to_string()];
        let (code, text) = hypocaust(&yard, &["replay", "--readings", &files[0], "--entries", &files[1]]);
        (code, text.replace(&yard.folder.path().display().to_string(), ""))
    };
    const HEADS: &str = "at,bin,kind,amount,unit,by,note\n";
    const READ: &str = "measured_at,probe,quantity,value,unit\n";
    const GOOD: &str = "2026-03-10T06:00:00Z,b1-core,temperature,61,Cel\n";
    for (readings, entries, wanted, why) in [
        ("measured_at,probe,value,unit\n", HEADS, "/r.csv:1: there is no column `quantity`", "a column is missing"),
        ("", HEADS, "/r.csv:1: there is no column `measured_at`", "an empty file"),
        (
            "2026-03-10,b9,temperature,61,Cel",
            HEADS,
            "/r.csv:2: there is no probe or blower `b9`; the settings have b1-core",
            "unknown probe",
        ),
        (
            "2026-03-10,b1-core,warmth,61,Cel",
            HEADS,
            "/r.csv:2: `warmth` is no quantity; write one of temperature,",
            "unknown quantity",
        ),
        ("2026-03-10,b1-core,temperature,61,Re", HEADS, "/r.csv:2: `Re` is no unit; write one of Cel,", "unknown unit"),
        (
            "2026-03-10,b1-core,temperature,61,%",
            HEADS,
            "/r.csv:2: % is no unit of temperature; write the value in °C (`Cel`)",
            "a unit of something else",
        ),
        ("2026-03-10,b1-core,temperature,\"61,5\",Cel", HEADS, "/r.csv:2: `61,5` is no number", "a comma for decimals"),
        ("2026-03-10,b1-core,temperature,NaN,Cel", HEADS, "/r.csv:2: `NaN` is no number", "not a number"),
        (
            "10.3.2026,b1-core,temperature,61,Cel",
            HEADS,
            "/r.csv:2: `10.3.2026` is not a time: write `2026-03-10 07:00`",
            "unreadable time",
        ),
        (
            "2026-03-10,b1-core,temperature,61",
            HEADS,
            "/r.csv:2: there are 4 cells where the headings have 5",
            "a short row",
        ),
        ("", "at,bin,kind,amount,unit,by\n", "/e.csv:1: there is no column `note`", "a column of entries is missing"),
        ("", "2026-03-10,b7,off-air,,,,", "/e.csv:2: there is no bin `b7`; the settings have b1", "unknown bin"),
        (
            "",
            "2026-03-10,b1,stirred,,,,",
            "/e.csv:2: `stirred` is no kind of entry; write one of on-air,",
            "unknown kind",
        ),
        ("", "16:30,b1,off-air,,,,", "/e.csv:2: `16:30` is not a time: write `2026-03-10 07:00`", "no date"),
        (
            "",
            "yesterday 16:30,b1,off-air,,,,",
            "a file is read on other days too, so `16:30` and `yesterday 16:30` are not taken",
            "a day that moves",
        ),
        ("", "2026-03-10,b1,watered,40,,,", "/e.csv:2: watered: ", "water without a unit"),
        ("", "2026-03-10,b1,watered,40,kg,,", "/e.csv:2: watered: ", "water in another unit"),
        ("", "2026-03-10,b1,valve,140,%,,", "/e.csv:2: valve: percent open 140 is outside 0 to 100", "more than open"),
        (
            "",
            "2026-03-10,b1,on-air,180,C,,",
            "/e.csv:2: on-air: a load at °C 180 is outside -30 to 100",
            "°F taken for °C",
        ),
    ] {
        let readings = if readings.starts_with("20") || readings.starts_with("10") {
            format!("{READ}{readings}\n")
        } else if readings.is_empty() && why != "an empty file" {
            format!("{READ}{GOOD}")
        } else {
            readings.to_owned()
        };
        let entries = if entries.ends_with(",,,,") || entries.starts_with("20") {
            format!("{HEADS}{entries}\n")
        } else {
            entries.to_owned()
        };
        let (code, text) = replay(&readings, &entries);
        assert_eq!(code, 65, "{why}: {text}");
        assert!(text.contains(wanted), "{why}: {text}");
    }
    // Both files at once; of each the first twenty faults and how many more.
    let bad = "2026-03-10,b9,warmth,x,Re\n".repeat(10);
    let (_, text) = replay(&format!("{READ}{bad}"), &format!("{HEADS}x,b1,off-air,,,,\n"));
    assert_eq!(text.lines().count(), 22, "{text}");
    assert!(text.contains("/r.csv: and 20 more such faults") && text.contains("/e.csv:2: `x` is not a time"), "{text}");
    // An entry that the engine refuses is told and does not stop the replay.
    let (code, text) = replay(
        &format!("{READ}{GOOD}2026-03-10T07:00:00Z,b1-core,temperature,62,Cel\n"),
        &format!("{HEADS}2026-03-10T06:30:00Z,b1,off-air,,,Ann,\n"),
    );
    assert_eq!(code, 0, "{text}");
    assert!(text.contains("an entry at 2026-03-10 06:30 +00:00 was refused: bin b1 has no batch on air"), "{text}");
}

#[test]
fn what_cannot_be_replayed_is_told_with_the_next_step() {
    let yard = Yard::new(1);
    std::fs::write(yard.path("r.csv"), "measured_at,probe,quantity,value,unit\n2026-03-10T06:00:00Z,b1-core,temperature,61,Cel\n2026-03-11T06:00:00Z,b1-core,temperature,61,Cel\n").unwrap();
    let csv = yard.path("r.csv").display().to_string();
    for (arguments, code, wanted, why) in [
        (vec!["--compare"], 64, "--compare needs something to compare with", "nothing is tried"),
        (vec!["--bins", "b1,b9"], 64, "there is no bin `b9`; the settings have b1", "an unknown bin"),
        (vec!["--from", "yesterday"], 64, "is not a time", "an unreadable time"),
        (
            vec!["--readings", &csv, "--from", "2027-01-01"],
            64,
            "which reaches from 2026-03-10T06:00:00Z",
            "after the history",
        ),
        (vec!["--readings", "/nowhere.csv"], 74, "/nowhere.csv cannot be read", "no such file"),
        (vec!["--rules", "/nowhere"], 78, "the rules in /nowhere cannot be read", "no such folder"),
        (vec!["--set", "too-hot=5"], 64, "write RULE.SETTING=NUMBER", "no setting named"),
        (vec!["--set", "too-hot.limt=80"], 78, "did you mean `limit`?", "an unknown setting"),
        (vec!["--set", "too-hot.limit=800"], 78, "800 °C is outside", "out of range"),
        (vec!["--entries", "e.csv"], 64, "--readings", "entries without readings"),
        (vec![], 74, "ledger.db", "no store yet"),
    ] {
        let (got, text) = hypocaust(&yard, &[vec!["replay"], arguments].concat());
        assert_eq!(got, code, "{why}: {text}");
        assert!(text.contains(wanted), "{why}: {text}");
    }
}
