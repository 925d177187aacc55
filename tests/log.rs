//! What people write, through a running daemon: over MQTT with a word that proves who they are, and the results that follow.
//!
//! Must never look into the engine: what counts is what the store holds and what was answered.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

#[path = "support/ear.rs"]
mod ear;
#[path = "support/yard.rs"]
mod yard;

use ear::hears;
use hypocaust::driven::{acknowledged, connect, publish};
use hypocaust::socket::Request;
use ledger::{Access, Ledger};
use pile::time::Span;
use serde_json::{Value, json};
use site::entry::{EntryId, EntryKind};
use site::judge::Outcome;
use site::zone::rfc3339_utc;
use yard::{START, Yard, hypocaust_with, live};

const TOKEN: &str = "correct-horse-battery-staple";
const LOG: &str = "hypocaust/test-yard/log";

/// A yard in which Ann may write over MQTT, and that is judged by one probe in the core.
fn yard() -> Yard {
    let mut yard = Yard::new(2);
    yard::write_secret(&yard.path("ann"), &format!("{TOKEN}\n"));
    std::fs::create_dir(yard.path("own")).unwrap();
    let own = "id: core-only\ntitle: Core at 55 °C for three days\njurisdiction: site\nregulation: Invented permit\nsection: condition 14\n\
        edition: first\nasks: \"55 °C for three days.\"\nconfirmed: invented\nsystems: [aerated-static-pile]\n\
        hold: { celsius_min: 55, days: 3, counting: consecutive }\nzones: [{ position: core }]\n";
    std::fs::write(yard.path("own/core-only.yaml"), own).unwrap();
    yard.person = format!(", log_token_file: \"{}\"", yard.path("ann").display());
    yard.more = format!("criteria_folder: \"{}\"\ncriteria: [{{ id: core-only }}]\n", yard.path("own").display());
    yard
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn people_write_over_mqtt_with_a_word_that_proves_who_they_are() {
    let yard = yard();
    let mut driven = yard.driven(START).await;
    let address = driven.listens_on().unwrap();
    let client = connect(address, "telephone");
    let mut answers = hears(address, format!("{LOG}/answer")).await;
    driven
        .ask(Request::entry("b1", driven.now(), "Ann", "", &EntryKind::OnAir { loaded_at: None, filling: None }))
        .await
        .unwrap();
    driven.advance_to(START + Span::hours(2)).await.unwrap();
    let message = |id: &str, change: &dyn Fn(&mut Value)| {
        let mut message = json!({
            "id": id, "token": TOKEN, "by": "Ann", "bin": "b1", "at": rfc3339_utc(START + Span::hours(1)),
            "says": { "watered": { "litres": 120.0 } }, "note": "dry at the base",
        });
        change(&mut message);
        message.to_string()
    };
    for (id, text, key, wanted, why) in [
        ("1", message("1", &|_| {}), "done", "kept for bin b1: watered at", "a good one"),
        ("2", message("2", &|_| {}), "done", "it is in the log already (entry 2)", "the same once more"),
        (
            "3",
            message("3", &|m| m["by"] = "ann@test.example".into()),
            "done",
            "it is in the log already",
            "by her address",
        ),
        (
            "4",
            message("4", &|m| m["token"] = "guessed-guessed-guessed".into()),
            "refused",
            "name and token do not go together",
            "a guess",
        ),
        ("5", message("5", &|m| m["by"] = "Zoe".into()), "refused", "name and token do not go together", "a stranger"),
        (
            "6",
            message("6", &|m| m["says"] = json!({ "watered": { "litres": -5.0 } })),
            "refused",
            "water: -5 L is less than 0.1 L",
            "less than nothing",
        ),
        (
            "6a",
            message("6a", &|m| m["says"] = json!({ "watered": { "litres": 0.0 } })),
            "refused",
            "water: 0 L is less than 0.1 L, the least that can be logged; correct the number",
            "nothing",
        ),
        (
            "6b",
            message("6b", &|m| m["says"] = json!({ "watered": { "litres": 1e308 } })),
            "refused",
            "water: 1e308 L is outside 0 to 100000 L",
            "a number that a person can read",
        ),
        (
            "6c",
            message("6c", &|m| m["says"] = json!({ "settled-depth": { "metres": -0.0 } })),
            "refused",
            "depth: -0 m is less than 0.01 m",
            "no depth",
        ),
        ("7", message("7", &|m| m["bin"] = "b9".into()), "refused", "there is no bin `b9`", "another bin"),
        ("8", message("8", &|m| m["says"] = json!("stirred")), "refused", "`says` cannot be read", "no such kind"),
        ("9", message("9", &|m| m["at"] = "tomorrow".into()), "refused", "is not a time", "no time"),
        (
            "9a",
            message("9a", &|m| m["at"] = "yesterday 16:30".into()),
            "refused",
            "a message may arrive on another day, so `16:30` and `yesterday 16:30` are not taken",
            "a day that moves",
        ),
        (
            "9b",
            message("9b", &|m| m["bin"] = Value::Null),
            "refused",
            "a key is missing, unknown, or has a value of another kind",
            "what cannot be read is answered by its name",
        ),
        (
            "9c",
            message("9c", &|m| m["note"] = "x".repeat(4_001).into()),
            "refused",
            "note: it has 4001 characters, more than the 4000 there is room for; shorten it",
            "nothing is cut without a word",
        ),
        (
            "10",
            message("10", &|m| m["says"] = json!("turned")),
            "done",
            "kept for bin b1: turned at",
            "a kind that says all by its name",
        ),
    ] {
        acknowledged(vec![publish(&client, LOG.into(), text).await.unwrap()]).await.unwrap();
        let answer = answers.recv().await.unwrap();
        assert_eq!(answer["id"], id, "{why}: {answer}");
        assert!(answer[key].as_str().is_some_and(|words| words.contains(wanted)), "{why}: {answer}");
    }
    // What cannot be read at all is answered too, without a name where that cannot be read; it is refused and told in the store.
    acknowledged(vec![publish(&client, LOG.into(), format!("{{\"token\":\"{TOKEN}\"")).await.unwrap()]).await.unwrap();
    let answer = answers.recv().await.unwrap();
    assert_eq!(answer["id"], "", "{answer}");
    let refused = answer["refused"].as_str().unwrap();
    assert!(refused.starts_with("this is no entry for the log: it is no JSON") && !refused.contains(TOKEN), "{answer}");
    driven.stop().await.unwrap();
    let ledger = Ledger::open(&yard.data(), Access::Read).unwrap();
    let entries: Vec<(EntryId, &str, String)> =
        ledger.entries().unwrap().iter().map(|e| (e.id, e.kind.key(), e.by.clone())).collect();
    let want = [(1, "on-air"), (2, "watered"), (3, "turned")].map(|(id, kind)| (EntryId(id), kind, "Ann".to_owned()));
    assert_eq!(
        {
            let mut sorted = entries.clone();
            sorted.sort();
            sorted
        },
        want
    );
    assert!(ledger.refused(1).unwrap()[0].refusal.reason.starts_with("this is no entry for the log: it is no JSON"));
    drop(ledger);
    for file in std::fs::read_dir(yard.data()).unwrap() {
        let path = file.unwrap().path();
        if path.is_file() {
            let bytes = std::fs::read(&path).unwrap();
            let there = bytes.windows(TOKEN.len()).any(|w| w == TOKEN.as_bytes());
            assert!(!there, "{} holds the token", path.display());
        }
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn after_ten_wrong_tokens_a_name_rests_for_the_rest_of_a_minute_and_others_do_not() {
    let mut yard = yard();
    yard::write_secret(&yard.path("bo"), "another-word-of-another\n");
    yard.person = format!(
        "{} }}\n  - {{ name: Bo, mail: \"bo@test.example\", log_token_file: \"{}\"",
        yard.person,
        yard.path("bo").display()
    );
    let mut driven = yard.driven(START).await;
    let address = driven.listens_on().unwrap();
    let client = connect(address, "telephone");
    let topic = format!("hypocaust/{}/acknowledge", driven.site().id);
    let mut answers = hears(address, format!("{topic}/answer")).await;
    let mut says = async |by: &str, token: &str| {
        let seen = json!({ "alarm": 7, "token": token, "by": by }).to_string();
        acknowledged(vec![publish(&client, topic.clone(), seen).await.unwrap()]).await.unwrap();
        answers.recv().await.unwrap()["refused"].as_str().unwrap().to_owned()
    };
    for n in 0..10 {
        let said = says("Ann", &format!("guessed-guessed-{n}")).await;
        assert!(said.contains("do not go together"), "{n}: {said}");
    }
    for (by, token, wanted, why) in [
        ("Ann", "guessed-guessed-11", "too many wrong tokens", "it rests"),
        ("Ann", TOKEN, "too many wrong tokens", "for the right one too, or a guess would show"),
        ("ann@test.example", TOKEN, "too many wrong tokens", "by her address as well"),
        ("Bo", "another-word-of-another", "no alarm 7", "another person goes on"),
        ("Zoe", TOKEN, "do not go together", "a name that nobody has"),
    ] {
        let said = says(by, token).await;
        assert!(said.contains(wanted), "{why}: {said}");
    }
    driven.advance_to(START + Span::minutes(1)).await.unwrap();
    let said = says("Ann", TOKEN).await;
    assert!(said.contains("no alarm 7"), "the minute is over: {said}");
    driven.stop().await.unwrap();
}

#[test]
fn a_token_that_is_missing_or_too_short_is_told_before_anything_starts() {
    for (token, wanted) in
        [("short", "the token of Ann has 5 characters; give it at least 16"), ("", "is empty; write")]
    {
        let yard = yard();
        std::fs::write(yard.path("ann"), token).unwrap();
        let (code, text) = hypocaust_with(&yard.write_settings(), &["check"]);
        assert_ne!(code, 0, "{text}");
        assert!(text.contains(wanted), "{text}");
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_daemon_judges_its_batches_and_puts_each_change_on_record() {
    let yard = yard();
    let mut driven = yard.driven(START).await;
    let client = connect(driven.listens_on().unwrap(), "b1-node");
    driven
        .ask(Request::entry("b1", driven.now(), "Ann", "", &EntryKind::OnAir { loaded_at: None, filling: None }))
        .await
        .unwrap();
    live(&mut driven, &client, "b1-core", &[61.5; 12 * 80]).await;
    let end = driven.now();
    driven.stop().await.unwrap();
    let ledger = Ledger::open(&yard.data(), Access::Read).unwrap();
    let restored = ledger.restore(end, Span::days(3)).unwrap();
    let [kept] = &restored.results[..] else { panic!("{:?}", restored.results) };
    let [standing] = &kept.standings[..] else { panic!("{kept:?}") };
    assert_eq!((standing.criterion.as_str(), standing.result), ("core-only", Outcome::Met));
    let hours = standing.met_at.unwrap().since(START).as_seconds() / 3_600.0;
    assert!((72.0..72.2).contains(&hours), "met after {hours} h");
    drop(ledger);
    // The same that the command says, which reads the store anew.
    let settings = yard.write_settings();
    let (code, text) = hypocaust_with(&settings, &["judge", "--json", "--at", &rfc3339_utc(kept.at)]);
    assert_eq!(code, 0, "{text}");
    let judged: Value = serde_json::from_str(&text).unwrap();
    assert_eq!(judged[0]["result"], "met");
    // The reading of that very minute was not in yet when the daemon asked.
    let more = judged[0]["hours_counted"].as_f64().unwrap() - standing.hours_counted;
    assert!((0.0..=0.1).contains(&more), "{more} h more, by the store as it is now");
    let (code, text) = hypocaust_with(
        &settings,
        &["record", "export", "--out", yard.path("b").to_str().unwrap(), "--from", "2026-03-09", "--to", "2026-03-13"],
    );
    assert_eq!(code, 0, "{text}");
    let events = std::fs::read_to_string(yard.path("b").join(seal::bundle::EVENTS)).unwrap();
    let changes: Vec<Value> = events
        .lines()
        .map(|line| serde_json::from_str::<Value>(line).unwrap())
        .filter(|row| row["kind"] == "results")
        .map(|row| row["body"]["changed"][0]["result"].clone())
        .collect();
    assert_eq!(changes, ["running", "met"], "each change is one row");
}
