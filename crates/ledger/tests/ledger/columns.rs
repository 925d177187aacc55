//! Every column of every table holding what it never should: the store opens, names what it passed over, and stores what comes next.
//!
//! Must never trust a list of tables: they are asked of the store, so that a new one is tried as well.

use engine::alarm::{AlarmEvent, AlarmId};
use engine::effect::{Effect, MailState};
use engine::restore::Restored;
use ledger::{Access, AlarmEventFilter, FILE, Finding, Ledger, LedgerError, StoreStep, Times};
use pile::time::Span;
use rusqlite::types::Value;
use rusqlite::{Connection, params};
use site::entry::EntryId;
use tempfile::TempDir;

use crate::dice::Dice;
use crate::{NOW, all_readings, chain, core, fresh, reading};

/// A store with something in every table, closed.
fn good() -> TempDir {
    let (folder, mut ledger) = fresh();
    let mut dice = Dice::new(11);
    ledger.begin_run(NOW - Span::days(9)).unwrap();
    let text = rulebook::RuleText { name: "r".into(), path: "r.rhai".into(), text: "x".into() };
    let mut effects = vec![
        Effect::Rules(vec![engine::effect::KeptRule { revision: "rev".into(), text }]),
        Effect::Entry(site::entry::Entry { id: EntryId(1), at: NOW - Span::hours(1), ..dice.entry() }),
        Effect::Batch(site::entry::Batch { gone_at: None, ..dice.batch(1) }),
        Effect::Alarm {
            alarm: Box::new(dice.alarm(1)),
            event: Some(Box::new(AlarmEvent {
                at: NOW - Span::hours(1),
                kind: engine::alarm::AlarmEventKind::Raised,
                ..dice.alarm_event(1)
            })),
        },
        Effect::Mail(Box::new(engine::effect::Mail {
            state: MailState::Waiting { next_try: NOW, tries: 0, last_reply: String::new() },
            ..dice.mail(1)
        })),
        Effect::Refuse(dice.refusal()),
        Effect::SummaryDone(dice.week()),
        Effect::RoundListDone(dice.day()),
        Effect::Water(Box::new(dice.water())),
        {
            // As the engine says it: what is new is a change.
            let drawn = dice.results();
            let changed = drawn.standings.iter().map(|standing| (standing.criterion.clone(), None)).collect();
            let batch = site::entry::BatchId(1);
            Effect::Results(Box::new(engine::results::KeptResults { batch, changed, ..drawn }))
        },
        Effect::Report(Box::new(engine::reports::KeptReport { at: NOW - Span::days(1), ..dice.report(9) })),
    ];
    effects.extend((0..200).map(|n| reading("p1", n * 60, 60.0)));
    ledger.commit(NOW - Span::days(9), &effects).unwrap();
    // Two values under one time: a contradiction, which has a series.
    ledger.commit(NOW - Span::hours(5), &[reading("p1", 60, 61.0)]).unwrap();
    ledger.commit(NOW, &[reading("p1", 1, 60.0), reading("p2", 1, 60.0)]).unwrap();
    while ledger.compact(NOW - Span::days(3)).unwrap().is_some() {}
    // What goes with other days stays in rows of its own.
    ledger.commit(NOW, &[reading("p2", 2, 60.0)]).unwrap();
    ledger.copied("influx", NOW, 2, &[("point".into(), "no".into())]).unwrap();
    ledger.copy_in_trouble("influx", NOW, "gone").unwrap();
    ledger.note_lost(NOW, "a rehearsal").unwrap();
    ledger.end_run(NOW).unwrap();
    drop(ledger);
    let store = Connection::open(folder.path().join(FILE)).unwrap();
    // One in the table of readings that are carried over, too.
    store
        .execute_batch(
            "INSERT INTO readings SELECT series, measured_at, value, delay, marks, 'x' FROM arrivals LIMIT 1;
             DELETE FROM arrivals WHERE (series, measured_at) IN (SELECT series, measured_at FROM readings);
             PRAGMA wal_checkpoint(TRUNCATE)",
        )
        .unwrap();
    folder
}

/// A folder in memory where the system has one: thousands of commits wait for no disk there.
fn quick() -> TempDir {
    tempfile::tempdir_in("/dev/shm").or_else(|_| tempfile::tempdir()).unwrap()
}

fn values() -> Vec<(&'static str, Value)> {
    vec![
        ("NULL", Value::Null),
        ("-1", Value::Integer(-1)),
        ("the least whole number", Value::Integer(i64::MIN)),
        ("the largest whole number", Value::Integer(i64::MAX)),
        ("1e308", Value::Real(1e308)),
        ("a text", Value::Text("{\"broken".into())),
        ("an empty text", Value::Text(String::new())),
        ("three bytes", Value::Blob(vec![1, 2, 0xff])),
        ("1 MB of text", Value::Text("x".repeat(1_000_000))),
    ]
}

/// Table and column, each that the store has.
fn columns(store: &Connection) -> Vec<(String, String)> {
    let sql = "SELECT m.name, c.name FROM sqlite_schema m JOIN pragma_table_info(m.name) c WHERE m.type = 'table' ORDER BY 1, c.cid";
    let mut query = store.prepare(sql).unwrap();
    query.query_map([], |row| Ok((row.get(0)?, row.get(1)?))).unwrap().map(Result::unwrap).collect()
}

/// Writes past every condition of the layout: the conditions are taken out of its text, and put back afterwards. Gives whether there was a row
/// that took the value.
pub(crate) fn write_past(path: &std::path::Path, table: &str, column: &str, value: &Value) -> bool {
    let laws: Vec<(String, String)>;
    {
        let store = Connection::open(path).unwrap();
        let mut query =
            store.prepare("SELECT name, sql FROM sqlite_schema WHERE type = 'table' AND sql NOT NULL").unwrap();
        laws = query.query_map([], |row| Ok((row.get(0)?, row.get(1)?))).unwrap().map(Result::unwrap).collect();
        drop(query);
        store
            .execute_batch(
                "PRAGMA writable_schema = ON; DROP TRIGGER record_never_changes; DROP TRIGGER record_never_shrinks",
            )
            .unwrap();
        for (name, sql) in laws.iter().filter(|(name, _)| !name.starts_with("sqlite_")) {
            let loose = sql.replace("STRICT, ", "").replace(" STRICT", "").replace("NOT NULL", "");
            store.execute("UPDATE sqlite_schema SET sql = ?2 WHERE name = ?1", params![name, loose]).unwrap();
        }
    }
    let wrote = {
        let store = Connection::open(path).unwrap();
        store.execute_batch("PRAGMA foreign_keys = OFF; PRAGMA ignore_check_constraints = ON").unwrap();
        let row =
            match store.query_row(&format!("SELECT max(rowid) FROM {table}"), [], |row| row.get::<_, Option<i64>>(0)) {
                Ok(Some(row)) => format!("rowid = {row}"),
                Ok(None) => return false,
                // A table without row numbers.
                Err(_) => "1".into(),
            };
        let sql = format!("UPDATE OR REPLACE {table} SET {column} = ?1 WHERE {row}");
        // A row number takes nothing but whole numbers, a key of a table without them no NULL: then there is nothing to try.
        store.execute(&sql, [value]).is_ok_and(|rows| rows > 0)
    };
    let store = Connection::open(path).unwrap();
    store.execute_batch("PRAGMA writable_schema = ON").unwrap();
    for (name, sql) in &laws {
        store.execute("UPDATE sqlite_schema SET sql = ?2 WHERE name = ?1", params![name, sql]).unwrap();
    }
    wrote
}

/// How much of what a start reads was read.
fn read(restored: &Restored) -> Vec<usize> {
    vec![
        restored.alarms.len(),
        restored.batches.len(),
        restored.entries.len() + restored.about_probes.len(),
        restored.waiting.len(),
        restored.results.len(),
        restored.water.len(),
        restored.windows.len(),
    ]
}

/// Opens the store; a process that another test begins holds a copy of the lock until it runs its own program.
fn open(folder: &std::path::Path) -> Result<Ledger, LedgerError> {
    let tries = std::iter::repeat_with(|| Ledger::open(folder, Access::Write)).take(100_000);
    let mut tries = tries.skip_while(|opened| matches!(opened, Err(LedgerError::InUse { .. })));
    tries.next().unwrap_or_else(|| Ledger::open(folder, Access::Write))
}

/// What a start does, and what follows: gives the first thing that failed.
fn starts(folder: &std::path::Path) -> Result<(Restored, Vec<String>), Box<dyn std::error::Error>> {
    let mut found = Vec::new();
    let mut note = |step: &StoreStep| {
        if let Finding::Bad(faults) = &step.finding {
            found.extend(faults.iter().cloned());
        }
    };
    ledger::check_folder(folder, &mut note, &mut |_, _| {})?;
    let mut ledger = open(folder)?;
    let now = NOW + Span::minutes(1);
    ledger.runs()?;
    let restored = ledger.restore(now, Span::days(8))?;
    ledger.begin_run(now)?;
    ledger.newest_on_record("settings")?;
    ledger.put_on_record(now, "settings", &serde_json::json!({ "sha256": "00" }))?;
    ledger.rules_in_force()?;
    let mut dice = Dice::new(7);
    let id = restored.last_alarm + 1;
    let effects = [
        reading("p9", -1, 60.0),
        reading("p1", -1, 60.0),
        Effect::Entry(site::entry::Entry { id: EntryId(restored.last_entry + 1), ..dice.entry() }),
        Effect::Batch(dice.batch(restored.last_batch + 1)),
        Effect::Mail(Box::new(dice.mail(restored.last_mail + 1))),
        Effect::Alarm {
            alarm: Box::new(dice.alarm(id)),
            event: Some(Box::new(AlarmEvent { alarm: AlarmId(id), ..dice.alarm_event(id) })),
        },
        Effect::Refuse(dice.refusal()),
        Effect::Water(Box::new(dice.water())),
        Effect::RoundListDone(dice.day()),
        Effect::SummaryDone(dice.week()),
    ];
    ledger.commit(now, &effects)?;
    let aside = ledger.take_set_aside();
    if !aside.is_empty() {
        return Err(format!("set aside: {aside:?}").into());
    }
    ledger.alive(now)?;
    ledger.record_state(now, Span::hours(2))?;
    ledger.copy_state("influx")?;
    ledger.copied("influx", now, 3, &[])?;
    ledger.not_taken(10)?;
    ledger.rows_from(0, 1_000)?;
    ledger.rows_of(&["run.gap", "clock.step"], NOW - Span::days(30), now)?;
    // Twelve hours later every hour of readings is over.
    let later = now + Span::hours(12);
    ledger.commit(later, &[reading("p9", -2, 60.0)])?;
    for _ in 0..40 {
        if ledger.compact(later)?.is_none() {
            break;
        }
    }
    ledger.prune(later, &Times::of_all(NOW - Span::days(5)))?;
    let _ = (ledger.entries()?, ledger.batches()?, ledger.alarms()?, ledger.outbox()?, ledger.refused(1_000)?);
    let events = ledger.alarm_events(&AlarmEventFilter::default())?;
    let _ = (ledger.recorded_entries()?, events, ledger.span()?, ledger.counts()?);
    ledger.history(&core("p1"), NOW - Span::days(9), later)?;
    ledger.check_record()?;
    ledger.checkpoint("test")?;
    ledger.evidence(NOW - Span::days(9), later, &mut |_| {})?;
    if !all_readings(&ledger).iter().any(|row| row.reading.series == core("p9")) {
        return Err("the new reading is not there".into());
    }
    ledger.end_run(later)?;
    drop(ledger);
    let again = open(folder)?.restore(later, Span::days(8))?;
    if !again.windows.iter().any(|(series, _)| *series == core("p9")) {
        return Err("the new reading does not come back".into());
    }
    Ok((restored, found))
}

#[test]
fn whatever_a_column_holds_the_store_opens_names_it_and_goes_on() {
    let good = good();
    let bytes = std::fs::read(good.path().join(FILE)).unwrap();
    let columns = columns(&Connection::open(good.path().join(FILE)).unwrap());
    assert!(columns.len() > 120, "{}", columns.len());
    let try_one = |table: &str, column: &str, value: Option<&Value>| {
        let folder = quick();
        let path = folder.path().join(FILE);
        std::fs::write(&path, &bytes).unwrap();
        let wrote = value.is_none_or(|value| write_past(&path, table, column, value));
        wrote.then(|| starts(folder.path()))
    };
    let (whole, none) = try_one("", "", None).unwrap().unwrap();
    assert_eq!(none, Vec::<String>::new());
    assert!(read(&whole).iter().all(|many| *many > 0), "{:?}", read(&whole));
    let said = whole.passed_over.len();
    let (mut faults, mut tried) = (Vec::new(), 0);
    for (table, column) in &columns {
        for (what, value) in values() {
            let Some(came) = try_one(table, column, Some(&value)) else { continue };
            tried += 1;
            match came {
                Err(why) => faults.push(format!("{table}.{column} is {what}: {}", chain(why.as_ref()))),
                Ok((restored, found)) => {
                    let less = read(&restored).iter().zip(read(&whole)).any(|(now, then)| *now < then);
                    // What another bin, time or state says is readable: it changes what is in force.
                    let is_said = restored.passed_over.len() > said || restored.passed_over != whole.passed_over;
                    // The outbox may be long: what became of old mails only the check reads.
                    let is_said = is_said || table == "outbox" && found.iter().any(|fault| fault.starts_with("outbox"));
                    let is_readable = matches!(value, Value::Integer(_) | Value::Text(_));
                    if less && !is_said && !is_readable {
                        faults.push(format!("{table}.{column} is {what}: something is not read and not named"));
                    }
                }
            }
        }
    }
    assert!(faults.is_empty(), "{} of {tried}:\n{}", faults.len(), faults.join("\n"));
    assert!(tried > 1_000, "only {tried} were tried");
}
