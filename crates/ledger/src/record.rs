//! The record: rows that are only ever added, each naming the hash of the one before, in the transaction of what they tell of.
//!
//! Must never change or drop a row, and never keep a change of state from being stored for the sake of its row's form.

use std::collections::BTreeSet;

use engine::alarm::{Alarm, AlarmEvent};
use engine::effect::{KeptRule, Mail, MailId, MailState};
use engine::reports::KeptReport;
use engine::results::KeptResults;
use pile::time::{Span, Timestamp};
use rusqlite::{Connection, OptionalExtension, params};
use seal::Value;
use seal::bundle::HOUR_KIND;
use seal::canonical;
use seal::merkle::{Hash, sha256};
use seal::note::Checkpoint;
use seal::row::{self, Head};
use serde_json::json;
use site::entry::{Batch, Entry};
use site::zone::rfc3339_millis;

use crate::error::Cause;
use crate::held::Held;
use crate::hours::{self, HourRow, Proven, RecordState};
use crate::record_end::{self, End};
use crate::{Ledger, LedgerError, json, rows, set_aside};

/// The kind of the first row.
pub(crate) const BEGIN: &str = "record.begin";
/// What it says where nothing is older than the record.
pub(crate) const WITH_THE_STORE: &str = "the record begins with the store";
/// Faults that a check of the record lists before it only counts them.
const FAULTS_LISTED: usize = 20;

/// What a check of the record came to.
#[derive(Clone, Debug, PartialEq, Eq, Default)]
pub struct RecordCheck {
    /// How many rows there are.
    pub rows: u64,
    /// How many hours of readings were computed again.
    pub hours: u64,
    /// Hours whose readings were taken out after their time; their roots stay.
    pub pruned: u64,
    /// Hours of which only some quantities were taken out after their time.
    pub partly: Partly,
    /// What does not hold, each with its place; the first twenty.
    pub faults: Vec<String>,
    /// How many more there are.
    pub more: u64,
}

/// Hours of which some readings were taken out after their time: their roots are on record and cannot be computed again.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub struct Partly {
    /// How many hours.
    pub hours: u64,
    /// How many of their readings are still there.
    pub left: u64,
    /// How many they had.
    pub were: u64,
}

/// What it takes to prove to others what was measured in a span of time.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct Evidence {
    /// The rows from the one before the span to the newest, one after the other: number and text.
    pub rows: Vec<(u64, String)>,
    /// The rows that hold the root of each hour of the span.
    pub hours: Vec<HourRow>,
    /// Hours of the span with readings that no row holds yet, or not all of them, or of which readings are no longer there.
    pub left_out: Vec<Timestamp>,
    /// Those of them of which readings were taken out after their time.
    pub taken_out: Vec<Timestamp>,
    /// The hash of every row, from the first.
    pub hashes: Vec<Hash>,
}

/// A row of the record.
#[derive(Clone, Debug, PartialEq)]
pub struct KeptRow {
    /// Its number.
    pub seq: u64,
    /// When it was written.
    pub at: Timestamp,
    /// What it tells of.
    pub kind: String,
    /// What it says.
    pub body: Value,
}

impl Ledger {
    /// Puts a row of its own on record.
    ///
    /// # Errors
    /// [`LedgerError`]; then nothing was written.
    pub fn put_on_record(&mut self, at: Timestamp, kind: &str, body: &Value) -> Result<(), LedgerError> {
        self.writing("putting a row on record", |ledger| {
            let mut head = ledger.head.clone();
            let tx = ledger.conn.transaction()?;
            append(&tx, &mut head, at, kind, body)?;
            tx.commit()?;
            ledger.head = head;
            Ok(())
        })
    }

    /// The body of the newest row of a kind.
    ///
    /// # Errors
    /// [`LedgerError`] when the ledger cannot be read.
    pub fn newest_on_record(&self, kind: &str) -> Result<Option<Value>, LedgerError> {
        self.reading("reading the record", |conn| {
            let mut query = conn.prepare("SELECT text FROM record WHERE seq BETWEEN 0 AND ?1 ORDER BY seq DESC")?;
            let mut found = query.query([record_end::newest(conn)?])?;
            while let Some(row) = found.next()? {
                // One that cannot be read is not of this kind; the check of the record names it.
                let Ok(text) = row.get_ref(0)?.as_str() else { continue };
                if let Some(row) = seal::row::parse(text).ok().filter(|row| row.kind == kind) {
                    return Ok(Some(row.body));
                }
            }
            Ok(None)
        })
    }

    /// How the record keeps up with the readings at `now`; an hour whose row could have been written longer than `patience` ago is overdue.
    ///
    /// # Errors
    /// [`LedgerError`] when the ledger cannot be read.
    pub fn record_state(&self, now: Timestamp, patience: Span) -> Result<RecordState, LedgerError> {
        self.reading("looking at the record", |conn| hours::state(conn, &self.hours, now, patience))
    }

    /// Where the record stands: how many rows, and the root over them. Reads every row's hash.
    ///
    /// # Errors
    /// [`LedgerError`] when the ledger cannot be read.
    pub fn checkpoint(&self, origin: &str) -> Result<Checkpoint, LedgerError> {
        self.reading("reading the record", |conn| {
            let hashes = hashes(conn)?;
            let root = seal::merkle::root(&hashes);
            Ok(Checkpoint { origin: origin.to_owned(), size: hashes.len() as u64, root })
        })
    }

    /// The rows of these kinds that were written from `from` to before `to`, in their order: number, time, kind and body.
    ///
    /// # Errors
    /// [`LedgerError`] when the ledger cannot be read.
    pub fn rows_of(&self, kinds: &[&str], from: Timestamp, to: Timestamp) -> Result<Vec<KeptRow>, LedgerError> {
        self.reading("reading the record", |conn| {
            // The kind is a word of the row's text; rows of other kinds are passed over before they are parsed.
            let mut query = conn.prepare_cached(
                "SELECT seq, at, text FROM record WHERE at >= ?1 AND at < ?2 AND instr(text, ?3) > 0 AND seq >= 0 ORDER BY seq",
            )?;
            let mut out = Vec::new();
            for kind in kinds {
                let word = format!("\"kind\":\"{kind}\"");
                let mut found = query.query(params![from.as_millis(), to.as_millis(), word])?;
                while let Some(row) = found.next()? {
                    let (Ok(seq), Ok(at), Ok(text)) = (row.get::<_, i64>(0), row.get(1), row.get::<_, String>(2)) else {
                        continue;
                    };
                    if let Some(parsed) = row::parse(&text).ok().filter(|row| row.kind == *kind) {
                        let at = Timestamp::from_millis(at);
                        out.push(KeptRow { seq: seq.unsigned_abs(), at, kind: parsed.kind, body: parsed.body });
                    }
                }
            }
            out.sort_by_key(|row| row.seq);
            Ok(out)
        })
    }

    /// Gathers what proves the readings of the hours from `from` to before `to`, all from one state of the ledger; hands each reading
    /// that a row holds to `each` as a line, in the order of series and time.
    ///
    /// # Errors
    /// [`LedgerError`] when the ledger cannot be read; `each` may have been called before.
    pub fn evidence(
        &self,
        from: Timestamp,
        to: Timestamp,
        each: &mut dyn FnMut(&str),
    ) -> Result<Evidence, LedgerError> {
        self.reading("gathering what proves the readings", |conn| {
            let Proven { rows: hours, left_out, taken_out } = hours::readings(conn, from, to, each)?;
            Ok(Evidence { rows: written(conn, from)?, hours, left_out, taken_out, hashes: hashes(conn)? })
        })
    }

    /// Computes the record again: every row's form, number, link and hash, what the tables say against it, and the root of every hour from the readings that are stored.
    ///
    /// # Errors
    /// [`LedgerError`] when the ledger cannot be read; what does not hold is not an error but the answer.
    pub fn check_record(&self) -> Result<RecordCheck, LedgerError> {
        self.reading("checking the record", |conn| {
            let mut check = RecordCheck::default();
            let (held, faults, _) = follow(conn, &mut check)?;
            faults.into_iter().for_each(|(_, fault)| check.fault(fault));
            held.compare(conn, &mut check)?;
            hours::check(conn, &mut check)?;
            Ok(check)
        })
    }
}

impl RecordCheck {
    /// Notes that something does not hold.
    pub(crate) fn fault(&mut self, what: String) {
        if self.faults.len() < FAULTS_LISTED {
            self.faults.push(what);
        } else {
            self.more += 1;
        }
    }
}

/// Reads every row again: what they say of the tables, what does not hold, by its row, and which broken rows are named by the ones behind them.
pub(crate) fn follow(conn: &Connection, check: &mut RecordCheck) -> Result<Followed, Cause> {
    let (mut held, mut faults, mut named) = (Held::default(), Vec::new(), BTreeSet::new());
    let newest = record_end::newest(conn)?;
    let mut query = conn.prepare("SELECT seq, at, text, hash FROM record ORDER BY seq")?;
    let mut found = query.query([])?;
    let mut head = Head::START;
    while let Some(row) = found.next()? {
        check.rows += 1;
        let seq: i64 = row.get(0)?;
        let mut fault = |what: String| faults.push((seq, format!("row {seq}: {what}")));
        if !(0..=newest).contains(&seq) {
            fault(record_end::NO_NUMBER.into());
            continue;
        }
        match row.get_ref(2)?.as_str() {
            Ok(text) => match head.follow(text) {
                Ok(row) => {
                    if row.kind == record_end::BROKEN {
                        named.extend(row.body["row"].as_i64());
                    }
                    held.take(row);
                }
                Err(e) => {
                    fault(e.to_string());
                    head = Head { next: seq.unsigned_abs() + 1, prev: seal::merkle::leaf_hash(text.as_bytes()) };
                    // What it says is held against the tables all the same, where it can be read.
                    match row::parse(text) {
                        Ok(row) => {
                            if row.kind == record_end::BROKEN {
                                named.extend(row.body["row"].as_i64());
                            }
                            held.take(row);
                        }
                        Err(_) => held.unreadable(),
                    }
                }
            },
            Err(_) => {
                fault(format!("its text {}", record_end::is_no("text", row.get_ref(2)?)));
                head = Head { next: seq.unsigned_abs() + 1, prev: record_end::link(row)? };
                held.unreadable();
            }
        }
        if let Some(why) = record_end::no_time(row)? {
            fault(why);
        }
        match record_end::stored_hash(row)? {
            Ok(stored) if stored == head.prev => {}
            Ok(_) => fault(format!("its hash is {}, another one is kept beside it", head.prev)),
            Err(why) => fault(why),
        }
    }
    Ok((held, faults, named))
}

/// What [`follow`] gives.
type Followed = (Held, Vec<(i64, String)>, BTreeSet<i64>);

/// Writes the next row. Before the very first one comes a row that says where the record begins, and after a broken one a row that names it.
pub(crate) fn append(conn: &Connection, end: &mut End, at: Timestamp, kind: &str, body: &Value) -> Result<(), Cause> {
    if end.head == Head::START {
        let first = beginning(conn)?;
        put(conn, &mut end.head, at, BEGIN, &first)?;
    }
    if let Some(broken) = end.broken.take() {
        put(conn, &mut end.head, at, record_end::BROKEN, &broken.body())?;
        set_aside::keep(conn, at, &broken.set_aside())?;
    }
    put(conn, &mut end.head, at, kind, body)
}

fn put(conn: &Connection, head: &mut Head, at: Timestamp, kind: &str, body: &Value) -> Result<(), Cause> {
    let seq = rows::key(head.next)?;
    let (text, hash) = head
        .append(at, kind, &canonical::held(body))
        .map_err(|e| Cause::Contradiction(format!("a row for the record: {e}")))?;
    let mut insert = conn.prepare_cached("INSERT INTO record (seq, at, text, hash) VALUES (?1, ?2, ?3, ?4)")?;
    insert.execute(params![seq, at.as_millis(), text, hash.0])?;
    Ok(())
}

/// What the first row says: what was there before it is not covered.
fn beginning(conn: &Connection) -> Result<Value, Cause> {
    let life = rows::life(conn)?;
    let runs: i64 = conn.query_row("SELECT count(*) FROM runs", [], |row| row.get(0))?;
    let readings: bool = conn.query_row(
        "SELECT EXISTS (SELECT 1 FROM readings) OR EXISTS (SELECT 1 FROM arrivals) OR EXISTS (SELECT 1 FROM chunks)",
        [],
        |row| row.get(0),
    )?;
    let events: bool = conn.query_row("SELECT EXISTS (SELECT 1 FROM alarm_events)", [], |row| row.get(0))?;
    let words = if runs > 0 || readings || events {
        "the record begins here; what the store held before is older than it and not covered by it"
    } else {
        WITH_THE_STORE
    };
    Ok(json!({ "life": life, "earlier_runs": runs, "earlier_readings": readings, "words": words }))
}

/// The body of an entry's row.
pub(crate) fn entry(entry: &Entry) -> Result<Value, Cause> {
    let detail = json::text(&entry.kind).map_err(Cause::Contradiction)?;
    Ok(json!({
        "entry_id": entry.id.0, "batch": entry.batch.map(|batch| batch.0), "at": rfc3339_millis(entry.at), "bin": entry.bin.as_str(), "entry": entry.kind.key(), "detail": parsed(&detail)?,
        "by": entry.by, "note": entry.note
    }))
}

/// The body of a batch's row.
pub(crate) fn batch(batch: &Batch) -> Value {
    let time = |at: Option<Timestamp>| at.map(rfc3339_millis);
    json!({
        "batch": batch.id.0, "bin": batch.bin.as_str(), "in_bin_since": rfc3339_millis(batch.in_bin_since),
        "loaded_last_at": time(batch.loaded_last_at), "on_air_at": time(batch.on_air_at), "off_air_at": time(batch.off_air_at),
        "curing_at": time(batch.curing_at), "storage_at": time(batch.storage_at), "gone_at": time(batch.gone_at),
        "parents": batch.parents.iter().map(|parent| parent.0).collect::<Vec<_>>()
    })
}

/// The body of a row about an event in an alarm's life, acknowledgements and shelving among them.
pub(crate) fn alarm(alarm: &Alarm, event: &AlarmEvent) -> Value {
    let mut body = alarm_event(event);
    body["rule"] = json!(alarm.key.rule);
    body["about"] = json!(alarm.key.subject.as_str());
    body["title"] = json!(alarm.title);
    body["priority"] = json!(alarm.priority.key());
    body
}

/// The part of it that tells of the event alone.
pub(crate) fn alarm_event(event: &AlarmEvent) -> Value {
    json!({
        "alarm": event.alarm.0, "occurrence": event.occurrence, "event": event.kind.key(),
        "before": rows::state_word(event.before), "after": rows::state_word(event.after), "words": event.words,
        "revision": event.revision, "at": rfc3339_millis(event.at), "evidence_at": event.evidence_at.map(rfc3339_millis)
    })
}

/// The body of the row about how a batch stands; `None` where every result is what it was.
pub(crate) fn results(kept: &KeptResults) -> Option<Value> {
    if kept.changed.is_empty() {
        return None;
    }
    let changed = kept.changed.iter().filter_map(|(criterion, before)| {
        let now = kept.standings.iter().find(|s| s.criterion == *criterion)?;
        Some(json!({
            "criterion": criterion, "before": before.map(|before| before.key()), "result": now.result.key(),
            "met_at": now.met_at.map(rfc3339_millis), "hours_counted": now.hours_counted, "hours_needed": now.hours_needed
        }))
    });
    let changed: Vec<Value> = changed.collect();
    Some(
        json!({ "batch": kept.batch.0, "bin": kept.bin.as_str(), "until": rfc3339_millis(kept.at), "changed": changed }),
    )
}

/// The body of the row about what became of a weekly summary.
pub(crate) fn report(kept: &KeptReport) -> Value {
    let (by, at) = kept.reviewed.as_ref().map(|(by, at)| (by.as_str(), rfc3339_millis(*at))).unzip();
    json!({
        "week": kept.week.to_string(), "made_at": rfc3339_millis(kept.at), "amended": kept.amended, "reviewed_by": by, "reviewed_at": at,
        "copies_sent_at": kept.outside_at.map(rfc3339_millis)
    })
}

/// The body of the row about the rules that are in force from now on.
pub(crate) fn rules(rules: &[KeptRule]) -> Value {
    let named = rules.iter().map(|rule| json!({ "name": rule.text.name, "revision": rule.revision }));
    json!({ "rules": named.collect::<Vec<_>>() })
}

/// The body of a row about a mail that went into the outbox.
pub(crate) fn mail(mail: &Mail, notice: &str) -> Value {
    let about = parsed(notice).ok().and_then(|n| n.as_object().and_then(|n| n.keys().next().cloned()));
    json!({ "mail": mail.id.0, "to": mail.to, "about": about, "notice_sha256": sha256(notice.as_bytes()).to_hex() })
}

/// Kind and body of the row about what became of a mail; `None` while it is still to be tried, and for a mail that is not there.
pub(crate) fn settled(
    conn: &Connection,
    id: MailId,
    state: &MailState,
) -> Result<Option<(&'static str, Value)>, Cause> {
    let (kind, tries, reply) = match state {
        MailState::Waiting { .. } => return Ok(None),
        MailState::Accepted { tries, reply, .. } => ("mail.accepted", tries, reply),
        MailState::GivenUp { tries, reply, .. } => ("mail.given-up", tries, reply),
    };
    let mut query = conn.prepare_cached("SELECT recipient, rendered FROM outbox WHERE id = ?1")?;
    // What somebody wrote there by hand is no reason to lose what became of the mail.
    let found: Option<(String, Option<Vec<u8>>)> = query
        .query_row([rows::key(id.0)?], |row| Ok((row.get(0).unwrap_or_default(), row.get(1).unwrap_or_default())))
        .optional()?;
    let Some((to, rendered)) = found else { return Ok(None) };
    let hash = rendered.as_ref().map(|bytes| sha256(bytes).to_hex());
    let body = json!({
        "mail": id.0, "to": to, "sha256": hash, "bytes": rendered.map(|bytes| bytes.len()), "tries": tries, "reply": reply
    });
    Ok(Some((kind, body)))
}

/// The text of a row; empty where it is missing or no text, which is the row of nothing.
pub(crate) fn text(conn: &Connection, seq: i64) -> Result<String, Cause> {
    let mut query = conn.prepare_cached("SELECT text FROM record WHERE seq = ?1")?;
    let text = query.query_row([seq], |row| Ok(row.get_ref(0)?.as_str().unwrap_or_default().to_owned())).optional()?;
    Ok(text.unwrap_or_default())
}

/// The body of the row of an hour; `None` where that row is something else.
pub(crate) fn hour_body(text: &str) -> Option<Value> {
    row::parse(text).ok().filter(|row| row.kind == HOUR_KIND).map(|row| row.body)
}

/// By what hash each row is linked to, from the first to the newest.
fn hashes(conn: &Connection) -> Result<Vec<Hash>, Cause> {
    let sql = "SELECT seq, at, text, hash FROM record WHERE seq BETWEEN 0 AND ?1 ORDER BY seq";
    rows::all(conn, sql, [record_end::newest(conn)?], record_end::link)
}

/// The row before the first that was written in a span or after, and every row from there to the newest, so that it can be seen that none of them is
/// left out. What is no text is given as the text that it nearly is, so that whoever verifies it finds the place.
fn written(conn: &Connection, from: Timestamp) -> Result<Vec<(u64, String)>, Cause> {
    let sql = "SELECT seq, text FROM record WHERE seq BETWEEN 0 AND ?2 AND seq >=
               coalesce((SELECT min(seq) FROM record WHERE at >= ?1 AND seq BETWEEN 0 AND ?2), ?2) - 1
               ORDER BY seq";
    rows::all(conn, sql, params![from.as_millis(), record_end::newest(conn)?], |row| {
        Ok((row.get::<_, i64>(0)?.unsigned_abs(), record_end::text_of(row, 1)?))
    })
}

fn parsed(text: &str) -> Result<Value, Cause> {
    serde_json::from_str(text).map_err(|e| Cause::Contradiction(e.to_string()))
}
