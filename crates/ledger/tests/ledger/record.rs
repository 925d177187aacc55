//! The record: what goes on it, that it only grows, and that a change past the program is found and named.
//!
//! Must never trust a row that the tests did not compute again.

use engine::effect::{Effect, KeptRule, MailId, MailState};
use ledger::{Access, FILE, Ledger, Times};
use pile::time::{Span, Timestamp};
use rulebook::RuleText;
use rusqlite::Connection;
use seal::Value;
use seal::readings::{Table, hour_of};
use seal::row::{Head, Row};
use site::zone::rfc3339_millis;
use tempfile::TempDir;

use crate::dice::Dice;
use crate::{NOW, fresh, reading};

/// Long after all readings of these tests.
const LATER: Timestamp = Timestamp::from_millis(1_773_122_400_000 + 86_400_000);

/// Every row, each computed again.
fn record(ledger: &Ledger) -> Vec<Row> {
    let evidence = ledger.evidence(Timestamp::MIN, Timestamp::MAX, &mut |_| {}).unwrap();
    let mut head = Head::START;
    let rows: Vec<Row> = evidence.rows.iter().map(|(_, text)| head.follow(text).unwrap()).collect();
    let hashes: Vec<_> = rows.iter().map(|row| row.hash).collect();
    assert_eq!(hashes, evidence.hashes);
    rows
}

fn kinds(ledger: &Ledger) -> Vec<String> {
    record(ledger).into_iter().map(|row| row.kind).collect()
}

fn past_the_program(folder: &TempDir) -> Connection {
    Connection::open(folder.path().join(FILE)).unwrap()
}

#[test]
fn what_matters_goes_on_record_with_what_it_tells_of() {
    let (folder, mut ledger) = fresh();
    let mut dice = Dice::new(3);
    ledger.begin_run(NOW).unwrap();
    ledger.put_on_record(NOW, "settings", &serde_json::json!({ "sha256": "00" })).unwrap();
    let text = RuleText { name: "r".into(), path: "r.rhai".into(), text: "x".into() };
    let event = dice.alarm_event(1);
    let effects = [
        Effect::Rules(vec![KeptRule { revision: "rev".into(), text }]),
        Effect::Entry(dice.entry()),
        Effect::Batch(dice.batch(1)),
        Effect::Alarm { alarm: Box::new(dice.alarm(1)), event: None },
        Effect::Alarm { alarm: Box::new(dice.alarm(1)), event: Some(Box::new(event.clone())) },
        Effect::Mail(Box::new(dice.mail(1))),
    ];
    ledger.commit(NOW, &effects).unwrap();
    ledger.keep_rendered(MailId(1), b"the mail").unwrap();
    let waits = MailState::Waiting { next_try: NOW, tries: 1, last_reply: "451 later".into() };
    let taken = MailState::Accepted { at: NOW, tries: 2, reply: "250 ok".into() };
    for state in [waits, taken] {
        ledger.commit(NOW, &[Effect::MailState { mail: MailId(1), state }]).unwrap();
    }
    ledger.end_run(NOW + Span::minutes(1)).unwrap();
    drop(ledger);
    let mut ledger = Ledger::open(folder.path(), Access::Write).unwrap();
    ledger.begin_run(NOW + Span::hours(1)).unwrap();

    let rows = record(&ledger);
    let found: Vec<&str> = rows.iter().map(|row| row.kind.as_str()).collect();
    let want = [
        "record.begin",
        "run.start",
        "settings",
        "rules",
        "entry",
        "batch",
        "alarm",
        "mail.queued",
        "mail.accepted",
        "run.stop",
        "run.start",
        "run.gap",
    ];
    assert_eq!(found, want, "a proof in progress and a mail that is tried again are no rows");
    let body = |n: usize| &rows[n].body;
    assert_eq!(body(0)["words"], "the record begins with the store");
    assert_eq!(body(3)["rules"][0]["revision"], "rev");
    assert_eq!(body(6)["words"], Value::from(event.words.clone()));
    assert_eq!(body(8)["sha256"], seal::merkle::sha256(b"the mail").to_hex());
    assert_eq!((&body(8)["reply"], &body(8)["tries"]), (&Value::from("250 ok"), &Value::from(2)));
    assert_eq!(body(11)["from"], rfc3339_millis(NOW + Span::minutes(1)));
    assert_eq!(body(11)["stopped_cleanly"], true);
    assert!(ledger.check_record().unwrap().faults.is_empty());
}

#[test]
fn an_hour_gets_its_root_once_it_is_over_and_another_when_readings_come_late() {
    let (folder, mut ledger) = fresh();
    // 05:00 to 05:59 and 06:00.
    let effects: Vec<Effect> = (0..=60).map(|m| reading("p1", m, 60.0 + m as f64 / 8.0)).collect();
    ledger.commit(NOW, &effects).unwrap();
    assert_eq!(kinds(&ledger), Vec::<String>::new(), "an hour that has just ended still waits for what is on its way");
    ledger.commit(NOW + Span::minutes(10), &[reading("p2", 1, 50.0)]).unwrap();
    let rows = record(&ledger);
    let hour = &rows[1].body;
    assert_eq!((rows.len(), &hour["hour"]), (2, &Value::from("2026-03-10T05:00:00.000Z")));
    assert_eq!((&hour["readings"], &hour["amends"]), (&Value::from(61), &Value::Null));

    ledger.commit(NOW + Span::minutes(11), &[reading("p2", 2, 51.0)]).unwrap();
    assert_eq!(record(&ledger).len(), 2, "late readings are gathered, not given a row each");
    let state = |now: Timestamp| ledger.record_state(now, Span::hours(2)).unwrap();
    let hour_before = NOW - Span::hours(1);
    assert_eq!(
        (state(NOW + Span::minutes(69)).newest_hour, state(NOW + Span::minutes(69)).overdue),
        (Some(hour_before), 0)
    );
    let waits = state(NOW + Span::minutes(70 + 120));
    assert_eq!(
        (waits.overdue, waits.oldest_overdue),
        (2, Some(hour_before)),
        "it could have been written two hours ago"
    );
    assert_eq!((waits.damaged, waits.damage), (0, None));
    let mut lines = Vec::new();
    let evidence =
        ledger.evidence(hour_of(NOW) - Span::hours(1), NOW, &mut |line| lines.push(line.to_owned())).unwrap();
    assert_eq!((lines.len(), evidence.hours.len()), (0, 0), "an hour that is not all on record proves nothing");
    assert_eq!(evidence.left_out, [NOW - Span::hours(1)], "and is named");

    drop(ledger);
    let mut ledger = Ledger::open(folder.path(), Access::Write).unwrap();
    ledger.commit(NOW + Span::minutes(70), &[reading("p2", -65, 52.0)]).unwrap();
    let rows = record(&ledger);
    assert_eq!(rows.len(), 4, "after a restart too: the hour again, and the next one");
    assert_eq!((&rows[2].body["readings"], &rows[2].body["amends"]), (&Value::from(62), &Value::from(1)));

    let evidence = ledger.evidence(NOW - Span::hours(1), NOW, &mut |line| lines.push(line.to_owned())).unwrap();
    assert_eq!((evidence.hours[0].seq, evidence.left_out.len()), (2, 0));
    let mut table = Table::default();
    assert!(lines.iter().all(|line| table.push(line)));
    let tree = &table.hours()["2026-03-10T05:00:00.000Z"];
    assert_eq!(rows[2].body["root"], tree.root().to_hex(), "the lines give the root");
}

#[test]
fn a_long_backlog_is_taken_in_pieces() {
    let (_folder, mut ledger) = fresh();
    let effects: Vec<Effect> = (0..100).map(|h| reading("p1", 60 * h, 60.0)).collect();
    ledger.commit(LATER, &effects).unwrap();
    let hours = |ledger: &Ledger| kinds(ledger).iter().filter(|kind| *kind == "readings.hour").count();
    assert_eq!(hours(&ledger), 24);
    for n in 0..6 {
        ledger.commit(LATER, &[reading("p2", n, 60.0)]).unwrap();
    }
    assert_eq!(hours(&ledger), 100, "all of them, and what came late to the newest waits for an hour");
    let check = ledger.check_record().unwrap();
    assert_eq!(
        (check.hours, check.faults.len()),
        (99, 0),
        "the one that was touched again is not on record until then"
    );
}

#[test]
fn the_store_refuses_to_change_or_drop_a_row() {
    let (folder, mut ledger) = fresh();
    ledger.begin_run(NOW).unwrap();
    let conn = past_the_program(&folder);
    for (sql, why) in [
        ("UPDATE record SET text = 'x' WHERE seq = 0", "a change"),
        ("UPDATE record SET at = at + 1", "a change of the time alone"),
        ("DELETE FROM record WHERE seq = 1", "the newest row"),
        ("DELETE FROM record", "all of it"),
        ("INSERT OR REPLACE INTO record VALUES (1, 0, 'x', x'00')", "another row in its place"),
        ("INSERT INTO record VALUES (7, 0, 'x', x'00')", "a gap"),
    ] {
        let refused = conn.execute(sql, []).unwrap_err().to_string();
        assert!(refused.contains("the record is only added to"), "{why}: {refused}");
    }
    assert_eq!(record(&ledger).len(), 2);
}

#[test]
fn what_was_changed_past_the_program_is_named() {
    for (sql, want, why) in [
        (
            "UPDATE arrivals SET value = value + 0.1 WHERE measured_at = 1773120600000",
            "hour 2026-03-10T05:00:00.000Z",
            "a reading",
        ),
        ("DELETE FROM arrivals WHERE measured_at = 1773120600000", "its 59 stored readings", "a reading taken out"),
        (
            "INSERT INTO arrivals (measured_at, series, value) VALUES (1773120600001, 1, 70.0)",
            "its 61 stored readings",
            "a reading put in",
        ),
        (
            "DROP TRIGGER record_never_changes; UPDATE record SET text = replace(text, '\"readings\":60', '\"readings\":59') WHERE seq = 2",
            "row 2: its hash is",
            "the newest row of the record",
        ),
        (
            "DROP TRIGGER record_never_changes; UPDATE record SET text = replace(text, 'run', 'fun') WHERE seq = 1",
            "row 2: it names",
            "a row in the middle",
        ),
        (
            "DROP TRIGGER record_never_shrinks; DELETE FROM record WHERE seq = 1",
            "row 2: it has the number 2 where 1 follows",
            "a row is gone",
        ),
    ] {
        let (folder, mut ledger) = fresh();
        ledger.begin_run(NOW - Span::hours(2)).unwrap();
        let effects: Vec<Effect> = (1..=60).map(|m| reading("p1", m, 60.0)).collect();
        ledger.commit(NOW + Span::hours(1), &effects).unwrap();
        let good = ledger.check_record().unwrap();
        assert_eq!((good.rows, good.hours, good.faults.len()), (3, 1, 0));
        let conn = past_the_program(&folder);
        conn.execute_batch(sql).unwrap();
        let check = ledger.check_record().unwrap();
        assert!(check.faults.iter().any(|fault| fault.contains(want)), "{why}: {check:?}");
    }
}

#[test]
fn a_commit_that_fails_leaves_the_record_as_it_was() {
    let (_folder, mut ledger) = fresh();
    let mut dice = Dice::new(5);
    ledger.begin_run(NOW).unwrap();
    let before = record(&ledger);
    let mut effects = vec![Effect::Entry(dice.entry())];
    effects.extend((0..3_000).map(|n| reading("p1", n, 60.0)));
    ledger.set_page_limit(Some(1)).unwrap();
    assert!(ledger.commit(NOW, &effects).unwrap_err().is_disk_full());
    assert_eq!(record(&ledger), before);
    ledger.set_page_limit(None).unwrap();
    ledger.commit(NOW, &effects[..2]).unwrap();
    assert_eq!(kinds(&ledger).last().map(String::as_str), Some("entry"), "and it goes on with the right number");
}

#[test]
fn readings_go_after_their_time_and_their_roots_stay() {
    let (folder, mut ledger) = fresh();
    ledger.begin_run(NOW).unwrap();
    let hour = |n: i64| hour_of(NOW) + Span::hours(n);
    let ago = |at: Timestamp| NOW.since(at).as_millis() / 60_000;
    for n in 0..60 {
        let at = hour(n) + Span::minutes(5);
        ledger.commit(at, &[reading("core-1", ago(at), 60.0 + n as f64 / 8.0)]).unwrap();
    }
    // The last hour is not over yet, so it has no root.
    let stored = |ledger: &Ledger| ledger.counts().unwrap().readings;
    assert_eq!(stored(&ledger), 60);
    let rows = record(&ledger).len();
    assert_eq!(ledger.prune(LATER, &Times::of_all(hour(0))).unwrap(), None, "nothing is that old");
    let mut pieces = Vec::new();
    while let Some(pruned) = ledger.prune(LATER, &Times::of_all(hour(50))).unwrap() {
        pieces.push((pruned.hours, pruned.readings));
    }
    assert_eq!(pieces, [(24, 24), (24, 24), (2, 2)], "in pieces, the oldest first");
    assert_eq!(stored(&ledger), 10);
    let found = record(&ledger);
    assert_eq!(found.len(), rows + 3, "each piece is one row, and none went");
    let body = &found[rows].body;
    assert_eq!((&body["hours"], &body["readings"]), (&Value::from(24), &Value::from(24)));
    let check = ledger.check_record().unwrap();
    assert_eq!((check.faults, check.pruned), (vec![], 50), "what is left holds");
    let evidence = ledger.evidence(hour(40), hour(55), &mut |_| {}).unwrap();
    assert_eq!((evidence.left_out.len(), evidence.hours.len()), (10, 5), "a bundle says which hours it lacks");

    let end = hour(60);
    while ledger.prune(end, &Times::of_all(end)).unwrap().is_some() {}
    assert_eq!(stored(&ledger), 2, "an hour without a root is never taken out");
    drop(ledger);
    let mut ledger = Ledger::open(folder.path(), Access::Write).unwrap();
    ledger.begin_run(end).unwrap();
    // A reading of a pruned hour that comes after all: it is kept, and gets a row of its own.
    ledger.commit(end, &[reading("core-1", ago(hour(3) + Span::minutes(7)), 61.0)]).unwrap();
    ledger.commit(end + Span::hours(2), &[]).unwrap();
    let check = ledger.check_record().unwrap();
    assert_eq!((check.faults, check.pruned), (vec![], 57));
}

/// A store with one row or more of each table that papers read, all of it on record.
fn told_of_everything() -> TempDir {
    let (folder, mut ledger) = fresh();
    let mut dice = Dice::new(11);
    ledger.begin_run(NOW).unwrap();
    let text = RuleText { name: "r".into(), path: "r.rhai".into(), text: "x".into() };
    let standing = site::judge::Standing {
        criterion: "usda-nop".into(),
        result: site::judge::Outcome::Running,
        met_at: None,
        earliest_at: None,
        hours_counted: 3.0,
        hours_needed: 72.0,
        coverage_fraction: Some(1.0),
    };
    let results = engine::results::KeptResults {
        batch: site::entry::BatchId(1),
        bin: site::ids::BinId::new("b1").unwrap(),
        at: NOW,
        standings: vec![standing],
        changed: vec![("usda-nop".into(), None)],
    };
    let week = engine::reports::KeptReport {
        week: site::zone::IsoWeek { year: 2026, week: 10 },
        at: NOW,
        amended: 0,
        reviewed: Some(("Ann".into(), NOW)),
        outside_at: None,
    };
    let mut alarm = dice.alarm(1);
    let mut event = dice.alarm_event(1);
    alarm.revision = "rev".into();
    event.revision = "rev".into();
    let effects = [
        Effect::Rules(vec![KeptRule { revision: "rev".into(), text }]),
        Effect::Entry(dice.entry()),
        Effect::Entry(dice.entry()),
        Effect::Batch(dice.batch(1)),
        Effect::Alarm { alarm: Box::new(alarm), event: Some(Box::new(event)) },
        Effect::Mail(Box::new(dice.mail(1))),
        Effect::Mail(Box::new(dice.mail(2))),
        Effect::Results(Box::new(results)),
        Effect::Report(Box::new(week)),
    ];
    ledger.commit(NOW, &effects).unwrap();
    ledger.keep_rendered(MailId(1), b"the mail").unwrap();
    let taken = MailState::Accepted { at: NOW, tries: 1, reply: "250 ok".into() };
    ledger.commit(NOW, &[Effect::MailState { mail: MailId(1), state: taken }]).unwrap();
    // The same batch again, otherwise: only its newest row counts.
    let again = dice.batch(1);
    ledger.commit(NOW + Span::minutes(1), &[Effect::Batch(again)]).unwrap();
    ledger.end_run(NOW + Span::minutes(2)).unwrap();
    folder
}

#[test]
fn a_table_that_says_something_else_than_the_record_is_named() {
    let folder = told_of_everything();
    let holds = |folder: &TempDir| Ledger::open(folder.path(), Access::Read).unwrap().check_tables().unwrap();
    assert_eq!(holds(&folder).faults, Vec::<String>::new(), "what the program wrote holds");
    let record = Ledger::open(folder.path(), Access::Read).unwrap().check_record().unwrap();
    assert!(record.faults.is_empty(), "{record:?}");
    let table = [
        ("DELETE FROM entries WHERE id = 1", "entry 1 is on record in row", "an entry is gone"),
        ("UPDATE entries SET by = 'Bob' WHERE id = 1", "entry 1: `by` is", "another person"),
        ("UPDATE entries SET note = note || '.' WHERE id = 1", "entry 1: `note` is", "other words"),
        ("UPDATE entries SET bin = 'b9' WHERE id = 1", "entry 1: `bin` is", "another bin"),
        ("UPDATE entries SET at = at + 1 WHERE id = 1", "entry 1: `at` is", "a millisecond later"),
        ("UPDATE entries SET detail = '{\"turned\":null}' WHERE id = 1", "entry 1: `detail` is", "another entry"),
        ("UPDATE entries SET batch = 77 WHERE id = 1", "entry 1: `batch` is", "another batch"),
        ("UPDATE entries SET recorded_at = recorded_at - 1 WHERE id = 1", "entry 1: it was written down", "written earlier"),
        ("UPDATE entries SET id = 3 WHERE id = 1", "entry 3 is in the table", "another number"),
        (
            "INSERT INTO entries SELECT 9, at, bin, kind, detail, by, note, batch, recorded_at FROM entries WHERE id = 1",
            "entry 9 is in the table, and no row of the record",
            "one that was never written down",
        ),
        ("DELETE FROM batches", "batch 1 is on record", "a batch is gone"),
        ("UPDATE batches SET bin = 'b9'", "batch 1: `bin` is", "a batch elsewhere"),
        ("UPDATE batches SET on_air_at = 1", "batch 1: `on_air_at` is", "on air since ever"),
        ("UPDATE alarms SET title = 'nothing'", "alarm 1: `title` is", "an alarm of another name"),
        ("UPDATE alarms SET rule = 'other'", "alarm 1: `rule` is", "an alarm of another rule"),
        (
            "UPDATE alarms SET title = 'nothing', revision = 'made up', rule = 'r'",
            "alarm 1: no row of the record knows the revision",
            "and of a revision that never was",
        ),
        ("DELETE FROM alarm_events", "an event of an alarm is on record", "an event is gone"),
        ("UPDATE alarm_events SET words = 'Bob'", "event 1 of alarm 1", "another person acknowledged"),
        ("UPDATE alarm_events SET at = at - 60000", "event 1 of alarm 1", "a minute earlier"),
        ("DELETE FROM outbox WHERE id = 2", "mail 2 is on record", "a mail is gone"),
        ("UPDATE outbox SET recipient = 'bob@example.org' WHERE id = 2", "mail 2: `to` is", "another recipient"),
        ("UPDATE outbox SET notice = notice || ' ' WHERE id = 2", "mail 2: `notice_sha256` is", "another mail"),
        (
            "UPDATE outbox SET state = 'accepted', next_try = NULL, settled_at = 1 WHERE id = 2",
            "mail 2: it is accepted by the table",
            "never sent",
        ),
        ("UPDATE outbox SET rendered = x'00' WHERE id = 1", "mail 1: `sha256` is", "not what was sent"),
        ("UPDATE outbox SET reply = 'no' WHERE id = 1", "mail 1: `reply` is", "not what the relay said"),
        ("UPDATE results SET result = 'met'", "the result of batch 1 against usda-nop: `result` is", "met"),
        ("UPDATE results SET criterion = 'other'", "against other is in the table", "met, but of another"),
        ("UPDATE reports SET reviewed_by = 'Bob'", "report 2026-W10: `reviewed_by` is", "reviewed by another"),
        ("DELETE FROM reports", "report 2026-W10 is on record", "a report is gone"),
        ("UPDATE rules_in_force SET revision = 'other'", "the rule r in this revision is in the table", "another rule"),
        ("DELETE FROM rules_in_force", "the rule r in force is on record", "a rule is gone"),
        ("DELETE FROM rule_texts", "the text of the rule r is on record", "its text is gone"),
        ("DELETE FROM runs", "the run that began", "a run is gone"),
        ("INSERT INTO runs (started_at, last_alive) VALUES (1, 2)", "run 2, begun", "a run that never was"),
        (
            "DROP TRIGGER record_never_shrinks; DELETE FROM record WHERE text LIKE '%\"entry_id\":1,%'; DELETE FROM entries WHERE id = 1",
            "a row is missing or was put in",
            "an entry with its row of the record",
        ),
        (
            "DROP TRIGGER record_never_changes; UPDATE record SET text = replace(text, '\"entry_id\":1,', '\"entry_id\":9,');
             UPDATE entries SET id = 9 WHERE id = 1",
            "another one is kept beside it",
            "both of them changed alike",
        ),
        ("DROP TRIGGER record_never_shrinks; DELETE FROM record", "entry 1 is in the table", "the whole record is gone"),
    ];
    for (sql, wanted, why) in table {
        let other = tempfile::tempdir().unwrap();
        std::fs::copy(folder.path().join(FILE), other.path().join(FILE)).unwrap();
        let conn = past_the_program(&other);
        conn.execute_batch("PRAGMA foreign_keys = OFF").unwrap();
        conn.execute_batch(sql).unwrap();
        drop(conn);
        let faults = holds(&other).faults;
        assert!(faults.iter().any(|fault| fault.contains(wanted)), "{why}: {faults:#?}");
        assert!(
            faults.iter().any(|f| f.contains("store restore")) || wanted.contains("kept") || wanted.contains("missing"),
            "{why}: {faults:#?}"
        );
        let record = Ledger::open(other.path(), Access::Read).unwrap().check_record().unwrap();
        assert!(record.faults.iter().any(|fault| fault.contains(wanted)), "{why}: {record:#?}");
    }
}

#[test]
fn what_the_retention_takes_and_what_is_older_than_the_record_is_not_refused() {
    let (folder, mut ledger) = fresh();
    ledger.begin_run(NOW).unwrap();
    let effects: Vec<Effect> = (0..300).map(|m| reading("p1", m, 60.0)).collect();
    ledger.commit(NOW + Span::hours(7), &effects).unwrap();
    ledger.commit(NOW + Span::hours(8), &[Effect::Entry(Dice::new(5).entry())]).unwrap();
    assert!(ledger.prune(NOW + Span::days(1), &Times::of_all(NOW + Span::hours(3))).unwrap().is_some());
    assert_eq!(ledger.check_tables().unwrap().faults, Vec::<String>::new());
    drop(ledger);
    // As a store of before the record: what was there then has no rows on it.
    let conn = past_the_program(&folder);
    conn.execute_batch("DROP TRIGGER record_never_shrinks; DELETE FROM record_hours; DELETE FROM record;").unwrap();
    drop(conn);
    let mut ledger = Ledger::open(folder.path(), Access::Write).unwrap();
    ledger.begin_run(NOW + Span::days(2)).unwrap();
    ledger.end_run(NOW + Span::days(3)).unwrap();
    assert_eq!(ledger.check_tables().unwrap().faults, Vec::<String>::new(), "the record says that it begins later");
}
