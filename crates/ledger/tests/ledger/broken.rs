//! Stores that are broken where it hurts most: at the record's end, in a row that can never be written, and as a whole.
//!
//! Must never accept that a broken place is mended without a word.

use engine::effect::{Effect, Mail};
use engine::restore::PassedOver;
use ledger::{Access, FILE, Finding, Ledger, keep_height, kept_height};
use pile::time::{Span, Timestamp};
use proptest::prelude::*;
use rusqlite::Connection;
use rusqlite::types::Value;
use seal::row::Head;
use tempfile::TempDir;

use crate::columns::write_past;
use crate::dice::Dice;
use crate::{NOW, all_readings, fresh, reading};

/// A store with some rows on record, closed; and the number of the newest.
fn closed() -> (TempDir, u64) {
    let (folder, mut ledger) = fresh();
    ledger.begin_run(NOW).unwrap();
    ledger.commit(NOW, &[reading("p1", 1, 60.0)]).unwrap();
    ledger.end_run(NOW).unwrap();
    let newest = ledger.height(NOW).rows - 1;
    (folder, newest)
}

fn of_record(over: &[PassedOver]) -> Vec<(i64, String)> {
    over.iter().filter(|p| p.table == "record").map(|p| (p.row, p.why.clone())).collect()
}

#[test]
fn the_record_goes_on_behind_a_broken_end_and_every_check_fails_there() {
    for (column, value, why) in [
        ("hash", Value::Blob(vec![1, 2, 3]), "its hash has 3 bytes and not 32"),
        ("hash", Value::Null, "its hash is nothing and no blob of 32 bytes"),
        ("hash", Value::Text("x".into()), "its hash is a text"),
        ("hash", Value::Blob(vec![7; 32]), "the hash beside it is not that of its text"),
        ("text", Value::Null, "its text is nothing and no text"),
        ("text", Value::Blob(vec![0xff]), "its text is bytes"),
        ("text", Value::Text("{}".into()), "its text does not read"),
        ("at", Value::Text("then".into()), "its time is a text"),
    ] {
        let (folder, newest) = closed();
        assert!(write_past(&folder.path().join(FILE), "record", column, &value), "{why}");
        let mut lines = Vec::new();
        for start in 0..2 {
            let mut ledger = Ledger::open(folder.path(), Access::Write).unwrap();
            let now = NOW + Span::minutes(1 + start);
            let over = of_record(&ledger.restore(now, Span::days(3)).unwrap().passed_over);
            let [(row, said)] = &over[..] else { panic!("{why}, start {start}: {over:?}") };
            assert!(*row == newest as i64 && said.contains(why) && said.contains("store restore"), "{why}: {said}");
            ledger.begin_run(now).unwrap();
            ledger.commit(now, &[reading("p1", -1 - start, 61.0)]).unwrap();
            assert!(ledger.take_set_aside().is_empty(), "{why}");
            let check = ledger.check_record().unwrap();
            assert!(check.faults.iter().any(|fault| fault.starts_with(&format!("row {newest}: "))), "{why}: {check:?}");
            let others = check.faults.iter().filter(|fault| !fault.starts_with(&format!("row {newest}: ")));
            assert!(
                others.clone().all(|fault| fault.starts_with(&format!("row {}: ", newest + 1))),
                "{why}: {check:?}"
            );
            let evidence = ledger.evidence(Timestamp::MIN, Timestamp::MAX, &mut |_| {}).unwrap();
            lines = evidence.rows.into_iter().map(|(_, text)| text).collect::<Vec<_>>();
            assert_eq!(evidence.hashes.len() as u64, ledger.height(now).rows, "{why}: no row is left out of the tree");
            ledger.end_run(now).unwrap();
        }
        let named: Vec<&String> = lines.iter().filter(|line| line.contains("\"kind\":\"record.broken\"")).collect();
        let [named] = named[..] else { panic!("{why}: {lines:?}") };
        assert!(named.contains(&format!("\"row\":{newest}")) && named.contains("raw_sha256"), "{named}");
        // Whoever verifies the rows finds the place or the one behind it, and nothing after it.
        let behind = lines.iter().position(|line| line == named).unwrap();
        let mut head = seal::row::parse(named).map(|row| Head { next: row.seq + 1, prev: row.hash }).unwrap();
        for line in lines.iter().skip(behind + 1) {
            head.follow(line).unwrap();
        }
    }
}

#[test]
fn rows_with_numbers_that_the_record_never_gave_are_named_and_passed() {
    for number in [i64::MAX, i64::MAX - 1, (1 << 52) + 1, -1, i64::MIN] {
        let (folder, newest) = closed();
        let store = Connection::open(folder.path().join(FILE)).unwrap();
        store.execute_batch("DROP TRIGGER record_goes_on").unwrap();
        store.execute("INSERT INTO record SELECT ?1, at, text, hash FROM record WHERE seq = 0", [number]).unwrap();
        drop(store);
        let before = Ledger::open(folder.path(), Access::Read).unwrap().checkpoint("x").unwrap();
        let mut ledger = Ledger::open(folder.path(), Access::Write).unwrap();
        let over = of_record(&ledger.restore(NOW, Span::days(3)).unwrap().passed_over);
        assert!(matches!(&over[..], [(row, said)] if *row == number && said.contains("its number")), "{over:?}");
        ledger.begin_run(NOW).unwrap();
        ledger.commit(NOW, &[reading("p1", 0, 61.0), Effect::Entry(Dice::new(1).entry())]).unwrap();
        assert!(ledger.take_set_aside().is_empty(), "{number}");
        assert_eq!(ledger.height(NOW).rows, newest + 4, "run.start, run.gap and the entry follow the newest row");
        let check = ledger.check_record().unwrap();
        assert!(check.faults.len() == 1 && check.faults[0].starts_with(&format!("row {number}: ")), "{check:?}");
        assert_eq!(before.size, newest + 1, "it is no leaf of the tree");
        let state = ledger.copy_state("influx").unwrap();
        assert_eq!(state.rows, newest + 4);
    }
}

/// A ledger whose store gets these words of SQL from somebody else while it is open.
fn meanwhile(sql: &str) -> (TempDir, Ledger) {
    let (folder, mut ledger) = fresh();
    ledger.begin_run(NOW).unwrap();
    ledger.commit(NOW, &[reading("p1", 1, 60.0)]).unwrap();
    let other = Connection::open(folder.path().join(FILE)).unwrap();
    other.execute_batch(&format!("PRAGMA foreign_keys = OFF; {sql}")).unwrap();
    (folder, ledger)
}

fn alarm(dice: &mut Dice, id: u64) -> Effect {
    Effect::Alarm { alarm: Box::new(dice.alarm(id)), event: Some(Box::new(dice.alarm_event(id))) }
}

#[test]
fn what_can_never_be_written_is_left_out_alone_and_kept() {
    let refuse = |table: &str, when: &str| {
        format!("CREATE TRIGGER no BEFORE INSERT ON {table} {when} BEGIN SELECT RAISE(ABORT, 'not here'); END")
    };
    for (sql, what, stored) in [
        (refuse("alarms", ""), "an alarm", [1, 0, 1, 1]),
        (refuse("alarm_events", ""), "an alarm", [1, 0, 1, 1]),
        (refuse("entries", ""), "an entry", [1, 1, 0, 1]),
        (refuse("outbox", ""), "a mail", [1, 1, 1, 0]),
        (refuse("arrivals", ""), "a reading", [0, 1, 1, 1]),
        (
            refuse("record", "WHEN instr(NEW.text, '\"kind\":\"alarm\"')"),
            "the record's row about an alarm",
            [1, 1, 1, 1],
        ),
        ("DROP TABLE alarm_events".into(), "an alarm", [1, 0, 1, 1]),
        ("ALTER TABLE outbox RENAME COLUMN reply TO replied".into(), "a mail", [1, 1, 1, 0]),
    ] {
        let (folder, mut ledger) = meanwhile(&sql);
        let mut dice = Dice::new(5);
        let mail = Mail { id: engine::effect::MailId(9), ..dice.mail(9) };
        let effects =
            [reading("p1", 0, 61.0), alarm(&mut dice, 4), Effect::Entry(dice.entry()), Effect::Mail(Box::new(mail))];
        ledger.commit(NOW, &effects).unwrap();
        let aside = ledger.take_set_aside();
        let [aside] = &aside[..] else { panic!("{sql}: {aside:?}") };
        assert_eq!(aside.what, what, "{sql}");
        let Some(of) = aside.effect else { panic!("{sql}: of no effect") };
        assert_eq!(aside.bytes, format!("{:?}", effects[of]).into_bytes(), "{sql}");
        let other = Connection::open(folder.path().join(FILE)).unwrap();
        let many = |table: &str| {
            other.query_row(&format!("SELECT count(*) FROM {table}"), [], |row| row.get::<_, i64>(0)).unwrap()
        };
        let found = [many("arrivals") - 1, many("alarms"), many("entries"), many("outbox")];
        assert_eq!(found, stored, "{sql}");
        assert_eq!(many("set_aside"), 1, "{sql}");
        assert_eq!(many("record WHERE instr(text, '\"kind\":\"store.set-aside\"')"), 1, "{sql}");
        assert_eq!(ledger.is_lost(engine::effect::MailId(9)), what == "a mail", "{sql}");
        let mut check = ledger.check_record().unwrap();
        // A table that cannot be read is named; nothing else is.
        check.faults.retain(|fault| !fault.contains("the table cannot be read to its end"));
        assert_eq!(check.faults, Vec::<String>::new(), "{sql}: the record holds");
        // The next commit is as any other.
        ledger.commit(NOW, &[Effect::Batch(dice.batch(1))]).unwrap();
        assert!(ledger.take_set_aside().is_empty(), "{sql}");
        if what != "a mail" {
            continue;
        }
        // What becomes of a mail that is not there changes no other.
        let state = engine::effect::MailState::GivenUp { at: NOW, tries: 0, reply: "x".into() };
        ledger.commit(NOW, &[Effect::MailState { mail: engine::effect::MailId(9), state }]).unwrap();
        assert!(ledger.take_set_aside().is_empty(), "{sql}");
    }
}

#[test]
fn what_somebody_took_away_meanwhile_is_learned_anew() {
    for sql in [
        "DELETE FROM series",
        "DROP TRIGGER record_goes_on; INSERT INTO record SELECT seq + 1, at, text, hash FROM record ORDER BY seq DESC LIMIT 1",
        "INSERT INTO refused (id, received_at, topic, payload_head, payload_bytes, reason) VALUES (9223372036854775807, 0, '', '', 0, '')",
    ] {
        let (_folder, mut ledger) = meanwhile(sql);
        let mut dice = Dice::new(2);
        let effects = [reading("p1", 0, 61.0), Effect::Entry(dice.entry()), Effect::Refuse(dice.refusal())];
        ledger.commit(NOW, &effects).unwrap();
        assert_eq!(ledger.take_set_aside(), [], "{sql}");
        let counts = ledger.counts().unwrap();
        assert_eq!((counts.readings, counts.entries), (2, 1), "{sql}");
    }
}

#[test]
fn another_mail_under_its_number_is_not_sent_in_its_place() {
    let (_folder, mut ledger) = fresh();
    let mut dice = Dice::new(8);
    let [one, other] = [dice.mail(1), dice.mail(1)];
    ledger.commit(NOW, &[Effect::Mail(Box::new(one.clone()))]).unwrap();
    ledger.commit(NOW, &[Effect::Mail(Box::new(other)), reading("p1", 0, 60.0)]).unwrap();
    let aside = ledger.take_set_aside();
    assert!(matches!(&aside[..], [aside] if aside.what == "a mail" && aside.number == Some(1)), "{aside:?}");
    assert!(ledger.is_lost(one.id));
    assert_eq!(ledger.mail(one.id).unwrap().unwrap().0, one, "the first one stays");
    assert_eq!(all_readings(&ledger).len(), 1);
}

#[test]
fn trouble_that_may_pass_leaves_nothing_aside() {
    let (folder, mut ledger) = fresh();
    ledger.begin_run(NOW).unwrap();
    ledger.commit(NOW, &[reading("p1", 1, 60.0)]).unwrap();
    let many: Vec<Effect> = (2..3_000).map(|n| reading("p1", n, 60.0)).collect();
    ledger.set_page_limit(Some(1)).unwrap();
    assert!(ledger.commit(NOW, &many).unwrap_err().is_transient());
    ledger.set_page_limit(None).unwrap();
    let other = Connection::open(folder.path().join(FILE)).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    assert!(ledger.commit(NOW, &many).unwrap_err().is_transient());
    other.execute_batch("ROLLBACK").unwrap();
    assert_eq!(ledger.take_set_aside(), []);
    assert_eq!(all_readings(&ledger).len(), 1);
    ledger.commit(NOW, &many).unwrap();
    assert_eq!((ledger.take_set_aside(), all_readings(&ledger).len()), (Vec::new(), 2_999));
}

#[test]
fn what_fails_over_and_over_is_told_less_and_less() {
    let (folder, mut ledger) =
        meanwhile("CREATE TRIGGER no BEFORE INSERT ON arrivals BEGIN SELECT RAISE(ABORT, 'not here'); END");
    for n in 0..200 {
        ledger.commit(NOW, &[reading("p1", n + 2, 61.0), Effect::Batch(Dice::new(1).batch(1))]).unwrap();
        assert_eq!(ledger.take_set_aside().len(), 1, "each is handed out");
    }
    let other = Connection::open(folder.path().join(FILE)).unwrap();
    let on_record: i64 = other
        .query_row("SELECT count(*) FROM record WHERE instr(text, 'store.set-aside')", [], |row| row.get(0))
        .unwrap();
    assert_eq!(on_record, 20 + 3, "twenty one by one, then at 32, 64 and 128");
}

#[test]
fn a_table_that_is_gone_is_made_anew_and_named() {
    let (folder, _) = closed();
    let store = Connection::open(folder.path().join(FILE)).unwrap();
    store.execute_batch("PRAGMA foreign_keys = OFF; DROP TABLE water; DROP TABLE alarms; DELETE FROM meta").unwrap();
    drop(store);
    let mut ledger = Ledger::open(folder.path(), Access::Write).unwrap();
    let over = ledger.restore(NOW, Span::days(3)).unwrap().passed_over;
    for table in ["water", "alarms"] {
        assert!(over.iter().any(|p| p.table == table && p.why.contains("was missing")), "{over:?}");
    }
    let mut dice = Dice::new(3);
    ledger.commit(NOW, &[alarm(&mut dice, 1), Effect::Water(Box::new(dice.water()))]).unwrap();
    assert_eq!(ledger.take_set_aside(), []);
}

#[test]
fn a_damaged_table_gives_what_comes_before_the_damage() {
    let (folder, mut ledger) = fresh();
    ledger.begin_run(NOW).unwrap();
    let mut dice = Dice::new(4);
    let alarms: Vec<Effect> = (1..200).map(|id| alarm(&mut dice, id)).collect();
    ledger.commit(NOW, &alarms).unwrap();
    ledger.end_run(NOW).unwrap();
    let path = ledger.path().to_owned();
    drop(ledger);
    let store = Connection::open(&path).unwrap();
    let root: i64 =
        store.query_row("SELECT rootpage FROM sqlite_schema WHERE name = 'alarms'", [], |row| row.get(0)).unwrap();
    drop(store);
    let mut bytes = std::fs::read(&path).unwrap();
    let begin = (root as usize - 1) * 4_096;
    bytes[begin..begin + 4_096].fill(0xa5);
    std::fs::write(&path, bytes).unwrap();
    let mut ledger = Ledger::open(folder.path(), Access::Write).unwrap();
    let restored = ledger.restore(NOW, Span::days(3)).unwrap();
    let named = restored.passed_over.iter().find(|p| p.table == "alarms").unwrap();
    assert!(named.why.contains("cannot be read to its end"), "{named:?}");
    ledger.begin_run(NOW).unwrap();
    let id = restored.last_alarm + 1;
    ledger.commit(NOW, &[alarm(&mut dice, id), reading("p1", 0, 60.0)]).unwrap();
    let aside = ledger.take_set_aside();
    assert!(matches!(&aside[..], [aside] if aside.what == "an alarm"), "{aside:?}");
    assert_eq!(all_readings(&ledger).len(), 1, "the readings go on");
}

#[test]
fn a_store_that_lacks_what_the_folder_held_says_so() {
    let (folder, _) = closed();
    let store = folder.path().join(FILE);
    let older = std::fs::read(&store).unwrap();
    let mut ledger = Ledger::open(folder.path(), Access::Write).unwrap();
    let kept = ledger.height(NOW);
    keep_height(folder.path(), &kept).unwrap();
    assert_eq!(kept_height(folder.path()), Some(kept.clone()));
    ledger.begin_run(NOW).unwrap();
    assert_eq!(ledger.lacks(&kept).unwrap(), None, "it has grown");
    let higher = ledger.height(NOW);
    ledger.end_run(NOW).unwrap();
    drop(ledger);
    std::fs::write(&store, &older).unwrap();
    let ledger = Ledger::open(folder.path(), Access::Write).unwrap();
    assert_eq!(ledger.lacks(&kept).unwrap(), None);
    assert!(ledger.lacks(&higher).unwrap().unwrap().contains("is older than this folder"));
    drop(ledger);
    // Another store of the same height and more.
    let (_other, mut other) = fresh();
    for n in 0..9 {
        other.put_on_record(NOW, "x", &serde_json::json!({ "n": n })).unwrap();
    }
    assert!(other.lacks(&kept).unwrap().unwrap().contains("another record"));
    // Emptied: told at this start and the next ones, until a week has passed.
    for name in [FILE, "ledger.db-wal", "ledger.db-shm"] {
        let _ = std::fs::remove_file(folder.path().join(name));
    }
    std::fs::write(&store, "").unwrap();
    let mut ledger = Ledger::open(folder.path(), Access::Write).unwrap();
    let why = ledger.lacks(&kept).unwrap().unwrap();
    assert!(why.contains("the store is empty") && why.contains(&format!("{} rows", kept.rows)), "{why}");
    ledger.note_lost(NOW, &why).unwrap();
    for (now, is_told) in [(NOW, true), (NOW + Span::days(6), true), (NOW + Span::days(8), false)] {
        let over = ledger.restore(now, Span::days(3)).unwrap().passed_over;
        assert_eq!(over.iter().any(|p| p.table == "store" && p.why == why), is_told, "{over:?}");
    }
    let mut found = None;
    let mut note = |step: &ledger::StoreStep| {
        if let (true, Finding::Unsure(said)) = (step.name == "rows", &step.finding) {
            found = Some(said.clone());
        }
    };
    ledger::check_folder(folder.path(), &mut note, &mut |_, _| {}).unwrap();
    assert!(found.unwrap().contains("the store is empty"));
}

proptest! {
    #[test]
    fn whatever_the_height_file_holds_is_no_reason_to_stop(bytes in proptest::collection::vec(any::<u8>(), 0..200), rows in any::<u64>()) {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join(ledger::HEIGHT_FILE);
        std::fs::write(&path, &bytes).unwrap();
        let _ = kept_height(folder.path());
        let text = format!("{{\"rows\":{rows},\"hash\":\"{}\",\"at\":\"2026-03-10T06:00:00Z\"}}", "ab".repeat(32));
        std::fs::write(&path, text).unwrap();
        let kept = kept_height(folder.path()).unwrap();
        let (_folder, ledger) = fresh();
        prop_assert_eq!(ledger.lacks(&kept).unwrap().is_some(), rows > 0);
    }
}
