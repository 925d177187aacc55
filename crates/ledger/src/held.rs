//! Holds the rows of the tables that papers are made from against the rows of the record.
//!
//! Must never take a row on its own word: what the record has and a table lacks, what a table has and the record lacks, and what is said
//! otherwise in the two are each named. What was there before the record began is not covered, and is passed over.

use std::collections::{BTreeMap, BTreeSet};

use pile::time::Timestamp;
use rusqlite::{Connection, Row};
use seal::Value;
use seal::canonical;
use seal::merkle::sha256;
use seal::row;
use serde_json::json;
use site::zone::{IsoWeek, parse_rfc3339, rfc3339_millis};

use crate::error::Cause;
use crate::record::{self, RecordCheck};
use crate::{Ledger, LedgerError, rows};

/// What to do about a row that is not what the record says.
pub(crate) const REMEDY: &str = "it was changed past the program: put a backup back with `hypocaust store restore`, and see who can write to the data folder";
/// Characters of a value that are told.
const TOLD: usize = 80;

/// A row of the record that tells of a row of a table.
struct Told {
    seq: u64,
    time: String,
    body: Value,
}

/// What the record says of the tables.
#[derive(Default)]
pub(crate) struct Held {
    /// Whether there is any row.
    begun: bool,
    /// When the record began, where the store is older than it.
    older_than: Option<Timestamp>,
    earlier_runs: u64,
    entries: BTreeMap<u64, Told>,
    batches: BTreeMap<u64, Told>,
    /// Events by all that is on record of them, each with its rows.
    events: BTreeMap<String, Vec<u64>>,
    /// The newest event of each alarm.
    alarms: BTreeMap<u64, Told>,
    /// Who acknowledged each alarm last, and in which row that stands.
    acknowledged: BTreeMap<u64, (u64, String)>,
    mails: BTreeMap<u64, Told>,
    settled: BTreeMap<u64, Told>,
    /// What became of each criterion of a batch.
    results: BTreeMap<(u64, String), Told>,
    reports: BTreeMap<String, Told>,
    rules: Option<Told>,
    /// Every rule and revision that was ever in force.
    revisions: BTreeSet<(String, String)>,
    runs: BTreeMap<String, u64>,
    /// Rows of tables whose row of the record could not be written, which the record says itself.
    excused: BTreeSet<(String, u64)>,
    /// Rows of the record that cannot be read: each may have told of one row of a table.
    unreadable: u64,
}

impl Held {
    /// Takes the next row of the record.
    pub(crate) fn take(&mut self, row: row::Row) {
        let row::Row { seq, time, kind, body, .. } = row;
        self.begun = true;
        let number = |name: &str| body[name].as_u64().unwrap_or(u64::MAX);
        let word = |name: &str| body[name].as_str().unwrap_or_default().to_owned();
        match kind.as_str() {
            record::BEGIN => {
                self.earlier_runs = body["earlier_runs"].as_u64().unwrap_or(0);
                if body["words"].as_str() != Some(record::WITH_THE_STORE) {
                    self.older_than = parse_rfc3339(&time);
                }
            }
            "entry" => drop(self.entries.insert(number("entry_id"), Told { seq, time, body })),
            "batch" => drop(self.batches.insert(number("batch"), Told { seq, time, body })),
            "alarm" => {
                let alarm = number("alarm");
                self.events.entry(event_key(&body)).or_default().push(seq);
                if body["event"] == "acknowledged" {
                    self.acknowledged.insert(alarm, (seq, word("words")));
                }
                self.alarms.insert(alarm, Told { seq, time, body });
            }
            "mail.queued" => drop(self.mails.insert(number("mail"), Told { seq, time, body })),
            "mail.accepted" | "mail.given-up" => {
                let state = if kind == "mail.accepted" { "accepted" } else { "undeliverable" };
                let mut said = body.clone();
                said["state"] = json!(state);
                self.settled.insert(number("mail"), Told { seq, time, body: said });
            }
            "results" => {
                for change in body["changed"].as_array().into_iter().flatten() {
                    let criterion = change["criterion"].as_str().unwrap_or_default().to_owned();
                    let told = Told { seq, time: time.clone(), body: json!({ "result": change["result"] }) };
                    self.results.insert((number("batch"), criterion), told);
                }
            }
            "report" => drop(self.reports.insert(word("week"), Told { seq, time, body })),
            "rules" => {
                for rule in body["rules"].as_array().into_iter().flatten() {
                    let text = |name: &str| rule[name].as_str().unwrap_or_default().to_owned();
                    self.revisions.insert((text("name"), text("revision")));
                }
                self.rules = Some(Told { seq, time, body });
            }
            "run.start" => *self.runs.entry(time).or_default() += 1,
            "store.set-aside" => {
                if let Some(number) = body["number"].as_u64() {
                    self.excused.insert((word("what").replace("the record's row about ", ""), number));
                }
            }
            _ => {}
        }
    }

    /// Notes that a row of the record cannot be read.
    pub(crate) fn unreadable(&mut self) {
        self.begun = true;
        self.unreadable += 1;
    }

    /// Holds every row of the tables against what was taken.
    pub(crate) fn compare(mut self, conn: &Connection, check: &mut RecordCheck) -> Result<(), Cause> {
        self.entries(conn, check)?;
        self.batches(conn, check)?;
        self.alarms(conn, check)?;
        self.outbox(conn, check)?;
        self.results(conn, check)?;
        self.reports(conn, check)?;
        self.rules(conn, check)?;
        self.runs(conn, check)
    }

    /// Whether a row that the record does not have may be there all the same.
    fn may_be_extra(&mut self, what: &str, number: u64, at: Option<i64>) -> bool {
        let older = self.older_than.is_some_and(|begun| at.is_none_or(|at| at < begun.as_millis()));
        if older || self.excused.contains(&(what.to_owned(), number)) {
            return true;
        }
        let one = self.unreadable > 0;
        self.unreadable = self.unreadable.saturating_sub(1);
        one
    }

    fn is_excused(&self, what: &str, number: u64) -> bool {
        self.excused.contains(&(what.to_owned(), number))
    }

    fn extra(check: &mut RecordCheck, place: &str) {
        check.fault(format!("{place} is in the table, and no row of the record tells of it; {REMEDY}"));
    }

    fn missing(check: &mut RecordCheck, place: &str, seq: u64) {
        check.fault(format!("{place} is on record in row {seq}, and not in the table; {REMEDY}"));
    }

    /// Names the first thing that a table says otherwise than the record.
    fn differs(check: &mut RecordCheck, place: &str, told: &Told, found: &Value) {
        let members = told.body.as_object().into_iter().flatten();
        let other = members.filter(|(name, _)| found.get(name.as_str()).is_some()).find_map(|(name, on_record)| {
            let (a, b) = (said(on_record), said(&found[name.as_str()]));
            (a != b).then(|| {
                format!("`{name}` is {} in row {} of the record and {} in the table", cut(&a), told.seq, cut(&b))
            })
        });
        if let Some(other) = other {
            check.fault(format!("{place}: {other}; {REMEDY}"));
        }
    }

    fn entries(&mut self, conn: &Connection, check: &mut RecordCheck) -> Result<(), Cause> {
        let sql = "SELECT id, at, bin, kind, detail, by, note, batch, recorded_at FROM entries ORDER BY id";
        let found = table(conn, check, "entries", sql, |row| {
            let id = row.get::<_, i64>(0)?.unsigned_abs();
            let (at, recorded): (i64, Option<i64>) = (row.get(1)?, row.get(8)?);
            let detail: String = row.get(4)?;
            let body = json!({
                "entry_id": id, "batch": row.get::<_, Option<i64>>(7)?, "at": instant(at), "bin": row.get::<_, String>(2)?,
                "entry": row.get::<_, String>(3)?, "detail": serde_json::from_str::<Value>(&detail).unwrap_or(Value::String(detail)),
                "by": row.get::<_, String>(5)?, "note": row.get::<_, String>(6)?
            });
            Ok((id, recorded, body))
        })?;
        for (id, recorded, body) in found {
            let place = format!("entry {id}");
            let Some(told) = self.entries.remove(&id) else {
                if !self.may_be_extra("an entry", id, recorded) {
                    Self::extra(check, &place);
                }
                continue;
            };
            Self::differs(check, &place, &told, &body);
            let written = recorded.map(instant);
            if written.as_deref() != Some(told.time.as_str()) {
                let written = written.unwrap_or_else(|| "never".into());
                check.fault(format!(
                    "{place}: it was written down {} by row {} of the record and {written} by the table; {REMEDY}",
                    told.time, told.seq
                ));
            }
        }
        self.entries.iter().for_each(|(id, told)| Self::missing(check, &format!("entry {id}"), told.seq));
        Ok(())
    }

    fn batches(&mut self, conn: &Connection, check: &mut RecordCheck) -> Result<(), Cause> {
        let sql = format!("SELECT {} FROM batches ORDER BY id", rows::BATCH);
        let found = table(conn, check, "batches", &sql, |row| {
            let batch = rows::batch(row)?;
            Ok((batch.id.0, batch.in_bin_since.as_millis(), record::batch(&batch)))
        })?;
        for (id, since, body) in found {
            let place = format!("batch {id}");
            match self.batches.remove(&id) {
                Some(told) => Self::differs(check, &place, &told, &body),
                None if self.may_be_extra("a batch", id, Some(since)) => {}
                None => Self::extra(check, &place),
            }
        }
        self.batches.iter().for_each(|(id, told)| Self::missing(check, &format!("batch {id}"), told.seq));
        Ok(())
    }

    fn alarms(&mut self, conn: &Connection, check: &mut RecordCheck) -> Result<(), Cause> {
        let sql = format!("SELECT {} FROM alarms ORDER BY id", rows::ALARM);
        let found = table(conn, check, "alarms", &sql, rows::alarm)?;
        for alarm in found {
            let (id, place) = (alarm.id.0, format!("alarm {}", alarm.id.0));
            // One that was only proven, and never raised, is no row.
            let Some(told) = self.alarms.remove(&id) else { continue };
            if self.is_excused("an alarm", id) {
                continue;
            }
            let mut body = json!({ "rule": alarm.key.rule, "about": alarm.key.subject.as_str() });
            if told.body["revision"].as_str() == Some(alarm.revision.as_str()) {
                body["title"] = json!(alarm.title);
                body["priority"] = json!(alarm.priority.key());
            } else {
                let known = (alarm.key.rule.clone(), alarm.revision.clone());
                let is_a_rule = self.revisions.iter().any(|(name, _)| *name == known.0);
                if is_a_rule && !self.revisions.contains(&known) {
                    check.fault(format!("{place}: no row of the record knows the revision of its rule; {REMEDY}"));
                }
            }
            Self::differs(check, &place, &told, &body);
            if let (Some(by), Some((seq, words))) = (&alarm.acknowledged, self.acknowledged.get(&id))
                && !words.starts_with(&by.by)
            {
                check.fault(format!(
                    "{place}: row {seq} of the record has it acknowledged by {}, the table by {}; {REMEDY}",
                    cut(words),
                    cut(&by.by)
                ));
            }
        }
        self.alarms.iter().for_each(|(id, told)| Self::missing(check, &format!("alarm {id}"), told.seq));
        let sql = format!("SELECT {} FROM alarm_events ORDER BY id", rows::ALARM_EVENT);
        let found =
            table(conn, check, "alarm_events", &sql, |row| Ok((row.get::<_, i64>(0)?, rows::alarm_event(row)?)))?;
        for (id, event) in found {
            let body = record::alarm_event(&event);
            let rows = self.events.get_mut(&event_key(&body));
            if rows.and_then(Vec::pop).is_none() {
                let (alarm, at) = (event.alarm.0, event.at);
                if !self.may_be_extra("an alarm", alarm, Some(at.as_millis())) {
                    Self::extra(
                        check,
                        &format!("event {id} of alarm {alarm} ({} at {})", event.kind.key(), rfc3339_millis(at)),
                    );
                }
            }
        }
        for seq in self.events.values().flatten() {
            Self::missing(check, "an event of an alarm", *seq);
        }
        Ok(())
    }

    fn outbox(&mut self, conn: &Connection, check: &mut RecordCheck) -> Result<(), Cause> {
        let sql = "SELECT id, recipient, notice, created_at, state, tries, reply, rendered FROM outbox ORDER BY id";
        let found = table(conn, check, "outbox", sql, |row| {
            let id = row.get::<_, i64>(0)?.unsigned_abs();
            let notice: String = row.get(2)?;
            let queued = json!({ "mail": id, "to": row.get::<_, String>(1)?, "notice_sha256": sha256(notice.as_bytes()).to_hex() });
            let state: String = row.get(4)?;
            let state = if state == "given-up" { "undeliverable".to_owned() } else { state };
            let rendered: Option<Vec<u8>> = row.get(7)?;
            let settled = json!({
                "mail": id, "to": row.get::<_, String>(1)?, "state": state, "tries": row.get::<_, i64>(5)?,
                "reply": row.get::<_, String>(6)?, "sha256": rendered.map(|bytes| sha256(&bytes).to_hex())
            });
            Ok((id, row.get::<_, i64>(3)?, queued, settled))
        })?;
        for (id, created, queued, settled) in found {
            let place = format!("mail {id}");
            match self.mails.remove(&id) {
                Some(told) => Self::differs(check, &place, &told, &queued),
                None if self.may_be_extra("a mail", id, Some(created)) => {}
                None => Self::extra(check, &place),
            }
            if self.is_excused("the outcome of a mail", id) {
                continue;
            }
            match self.settled.remove(&id) {
                Some(told) => Self::differs(check, &place, &told, &settled),
                None if settled["state"] == "waiting" || self.older_than.is_some() => {}
                None => check.fault(format!(
                    "{place}: it is {} by the table, and no row of the record says so; {REMEDY}",
                    settled["state"].as_str().unwrap_or_default()
                )),
            }
        }
        self.mails.iter().for_each(|(id, told)| Self::missing(check, &format!("mail {id}"), told.seq));
        Ok(())
    }

    fn results(&mut self, conn: &Connection, check: &mut RecordCheck) -> Result<(), Cause> {
        let sql = format!("SELECT {} FROM results ORDER BY batch, place", rows::RESULT);
        let found = table(conn, check, "results", &sql, rows::result)?;
        for (batch, _, _, standing) in found {
            let place = format!("the result of batch {} against {}", batch.0, standing.criterion);
            let key = (batch.0, standing.criterion.clone());
            if self.is_excused("the results of a batch", batch.0) {
                continue;
            }
            // A criterion that the site no longer has leaves its last row on record; papers judge anew and read none of it.
            match self.results.remove(&key) {
                Some(told) => Self::differs(check, &place, &told, &json!({ "result": standing.result.key() })),
                None if self.may_be_extra("the results of a batch", batch.0, Some(i64::MAX)) => {}
                None => Self::extra(check, &place),
            }
        }
        Ok(())
    }

    fn reports(&mut self, conn: &Connection, check: &mut RecordCheck) -> Result<(), Cause> {
        let sql =
            "SELECT year, week, at, amended, reviewed_by, reviewed_at, outside_at FROM reports ORDER BY year, week";
        let found = table(conn, check, "reports", sql, rows::report)?;
        for kept in found {
            let week = kept.week.to_string();
            let place = format!("report {week}");
            match self.reports.remove(&week) {
                Some(told) => Self::differs(check, &place, &told, &record::report(&kept)),
                None if self.may_be_extra("a weekly report", 0, Some(kept.at.as_millis())) => {}
                None => Self::extra(check, &place),
            }
        }
        let known = |week: &str| IsoWeek::parse(week).is_some();
        for (week, told) in self.reports.iter().filter(|(week, _)| known(week)) {
            Self::missing(check, &format!("report {week}"), told.seq);
        }
        Ok(())
    }

    fn rules(&mut self, conn: &Connection, check: &mut RecordCheck) -> Result<(), Cause> {
        let Some(told) = &self.rules else { return Ok(()) };
        let sql = "SELECT 0, f.name, f.revision, t.text IS NULL FROM rules_in_force f
                   LEFT JOIN rule_texts t ON t.name = f.name AND t.revision = f.revision ORDER BY f.name";
        let found = table(conn, check, "rules_in_force", sql, |row| {
            Ok((row.get::<_, String>(1)?, row.get::<_, String>(2)?, row.get::<_, bool>(3)?))
        })?;
        let listed = told.body["rules"].as_array().into_iter().flatten();
        let word = |rule: &Value, name: &str| rule[name].as_str().unwrap_or_default().to_owned();
        let mut on_record: BTreeSet<_> = listed.map(|rule| (word(rule, "name"), word(rule, "revision"))).collect();
        for (name, revision, lacks_text) in found {
            if !on_record.remove(&(name.clone(), revision)) {
                Self::extra(check, &format!("the rule {name} in this revision"));
            } else if lacks_text {
                Self::missing(check, &format!("the text of the rule {name}"), told.seq);
            }
        }
        for (name, _) in on_record {
            Self::missing(check, &format!("the rule {name} in force"), told.seq);
        }
        Ok(())
    }

    fn runs(&mut self, conn: &Connection, check: &mut RecordCheck) -> Result<(), Cause> {
        let found = table(conn, check, "runs", "SELECT id, started_at FROM runs ORDER BY id", |row| {
            Ok((row.get::<_, i64>(0)?, row.get::<_, i64>(1)?))
        })?;
        for (n, (id, started)) in (0_u64..).zip(found) {
            if n < self.earlier_runs {
                continue;
            }
            if let Some(left) = self.runs.get_mut(&instant(started)).filter(|left| **left > 0) {
                *left -= 1;
            } else if !self.may_be_extra("a run", id.unsigned_abs(), Some(i64::MAX)) {
                Self::extra(check, &format!("run {id}, begun {}", instant(started)));
            }
        }
        for (time, _) in self.runs.iter().filter(|(_, left)| **left > 0) {
            check.fault(format!("the run that began {time} is on record, and not in the table; {REMEDY}"));
        }
        Ok(())
    }
}

/// The rows of a table; those that cannot be read are faults of their own.
fn table<T>(
    conn: &Connection,
    check: &mut RecordCheck,
    name: &'static str,
    sql: &str,
    read: impl Fn(&Row<'_>) -> Result<T, Cause>,
) -> Result<Vec<T>, Cause> {
    let mut over = Vec::new();
    let found = rows::readable(conn, name, sql, [], read, &mut over)?;
    over.iter().for_each(|row| check.fault(format!("{name} {}: {}", row.row, row.why)));
    Ok(found)
}

/// All that the record and the table both say of an event.
fn event_key(body: &Value) -> String {
    let names = ["alarm", "occurrence", "event", "before", "after", "words", "revision", "at", "evidence_at"];
    names.iter().map(|name| said(&body[*name])).collect::<Vec<_>>().join("\u{1f}")
}

/// A value as the record writes it, so that 20 and 20.0 are the same.
fn said(value: &Value) -> String {
    canonical::text(&canonical::held(value)).unwrap_or_else(|_| value.to_string())
}

fn cut(text: &str) -> String {
    let mut short: String = text.chars().take(TOLD).collect();
    if short.len() < text.len() {
        short.push('…');
    }
    short
}

fn instant(ms: i64) -> String {
    rfc3339_millis(Timestamp::from_millis(ms))
}

impl Ledger {
    /// Holds the tables that papers are made from against the record: each row of it read again, and each row of them found in it. Readings
    /// are not looked at, so that it takes a moment; a break that the record names itself is no fault here.
    ///
    /// # Errors
    /// [`LedgerError`] when the ledger cannot be read; what does not hold is not an error but the answer.
    pub fn check_tables(&self) -> Result<RecordCheck, LedgerError> {
        self.reading("holding the tables against the record", tables)
    }
}

/// The same for a store that is looked at from outside.
pub(crate) fn tables(conn: &Connection) -> Result<RecordCheck, Cause> {
    let mut check = RecordCheck::default();
    let (held, faults, named) = record::follow(conn, &mut check)?;
    for (seq, fault) in faults {
        // The row behind a broken one names it, and cannot be linked to what it says.
        if !named.contains(&seq) && !named.contains(&seq.saturating_sub(1)) {
            check.fault(fault);
        }
    }
    held.compare(conn, &mut check)?;
    Ok(check)
}
