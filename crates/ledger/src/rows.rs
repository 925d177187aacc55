//! Table rows to core values and back, and the words that stand for them in columns.
//!
//! Must never guess: a word or number that means nothing here is an error that names the row, and whoever reads many rows passes over that
//! one alone.

use engine::alarm::{ALARM_EVENT_KINDS, Alarm, AlarmEvent, AlarmEventKind, AlarmId, AlarmKey, AlarmState, Subject};
use engine::conditioning::{Conditioning, Phase};
use engine::effect::{Mail, MailId, MailState};
use engine::reports::KeptReport;
use engine::restore::PassedOver;
use engine::results::KeptResults;
use engine::water::KeptWater;
use pile::time::Timestamp;
use pile::units::Celsius;
use rulebook::header::Priority;
use rusqlite::{Connection, Params, Row};
use site::entry::{Batch, BatchId, Entry, EntryId};
use site::ids::{BinId, BlowerId, ProbeId};
use site::judge::{Outcome, Standing};
use site::quantity::Quantity;
use site::reading::{Quality, Reading, SeriesId, Source, TimeSource};
use site::zone::{Day, IsoWeek};

use crate::error::Cause;
use crate::{ReadingRow, json};

/// A number of the core as SQLite keeps it.
pub(crate) fn key(number: u64) -> Result<i64, Cause> {
    i64::try_from(number).map_err(|_| Cause::Contradiction(format!("the number {number} is too large to keep")))
}

/// An instant that may be absent, as SQLite keeps it.
pub(crate) fn ms(at: Option<Timestamp>) -> Option<i64> {
    at.map(Timestamp::as_millis)
}

/// Every row of a query as a core value.
pub(crate) fn all<T>(
    conn: &Connection,
    sql: &str,
    params: impl Params,
    read: impl Fn(&Row<'_>) -> Result<T, Cause>,
) -> Result<Vec<T>, Cause> {
    let mut query = conn.prepare_cached(sql)?;
    let mut rows = query.query(params)?;
    let mut out = Vec::new();
    while let Some(row) = rows.next()? {
        out.push(read(row)?);
    }
    Ok(out)
}

/// The rows of a query that can be read as core values, and what is wrong with the others. The first column of the query is the row's number
/// wherever `table` has one. A table that is damaged gives what comes before the damage.
pub(crate) fn readable<T>(
    conn: &Connection,
    table: &'static str,
    sql: &str,
    params: impl Params,
    read: impl Fn(&Row<'_>) -> Result<T, Cause>,
    over: &mut Vec<PassedOver>,
) -> Result<Vec<T>, Cause> {
    let mut out = Vec::new();
    let damaged = |cause: Cause| {
        if !cause.is_permanent() {
            return Err(cause);
        }
        let why = format!(
            "the table cannot be read to its end: {}; put a backup back with `hypocaust store restore`",
            cause.words()
        );
        Ok(PassedOver { table: table.to_owned(), row: 0, bin: None, why })
    };
    let mut query = match conn.prepare_cached(sql) {
        Ok(query) => query,
        Err(e) => {
            over.push(damaged(e.into())?);
            return Ok(out);
        }
    };
    let mut rows = query.query(params)?;
    loop {
        let row = match rows.next() {
            Ok(Some(row)) => row,
            Ok(None) => return Ok(out),
            Err(e) => {
                over.push(damaged(e.into())?);
                return Ok(out);
            }
        };
        match read(row) {
            Ok(value) => out.push(value),
            Err(cause) => {
                let why = cause.of_one_row()?;
                let number = row.get(0).unwrap_or(0);
                let bin = (table == "entries").then(|| row.get::<_, String>("bin").ok()).flatten();
                let bin = bin.and_then(|bin| BinId::new(&bin).ok());
                over.push(PassedOver { table: table.to_owned(), row: number, bin, why });
            }
        }
    }
}

/// The life of the ledger; 0 where none can be read.
pub(crate) fn life(conn: &Connection) -> Result<i64, Cause> {
    let sql = "SELECT max(value) FROM meta WHERE key = 'life' AND typeof(value) = 'integer'";
    Ok(conn.query_row(sql, [], |row| row.get::<_, Option<i64>>(0))?.unwrap_or(0))
}

/// The rows of a query that can be read, for people; the others are told in the log.
pub(crate) fn told<T>(
    conn: &Connection,
    table: &'static str,
    sql: &str,
    params: impl Params,
    read: impl Fn(&Row<'_>) -> Result<T, Cause>,
) -> Result<Vec<T>, Cause> {
    let mut over = Vec::new();
    let out = readable(conn, table, sql, params, read, &mut over)?;
    for PassedOver { table, row, why, .. } in over {
        tracing::warn!(
            "{table} {row} cannot be read and is passed over: {why}; `hypocaust store check` lists all such rows"
        );
    }
    Ok(out)
}

/// Reads columns of one row in order and names the row when one of them makes no sense.
struct Columns<'r, 's> {
    table: &'static str,
    row: &'r Row<'s>,
    next: usize,
    id: i64,
}

impl<'r, 's> Columns<'r, 's> {
    /// The first column is the row's number.
    fn of(table: &'static str, row: &'r Row<'s>) -> Result<Self, Cause> {
        Ok(Columns { table, row, next: 1, id: row.get(0)? })
    }

    fn take<T: rusqlite::types::FromSql>(&mut self) -> Result<T, Cause> {
        let value = self.row.get(self.next).map_err(|e| self.fault(e.to_string()))?;
        self.next += 1;
        Ok(value)
    }

    fn fault(&self, what: String) -> Cause {
        Cause::row(self.table, self.id, what)
    }

    fn number(&self) -> Result<u64, Cause> {
        u64::try_from(self.id).map_err(|_| self.fault("its number is negative".into()))
    }

    fn at(&mut self) -> Result<Timestamp, Cause> {
        self.take().map(Timestamp::from_millis)
    }

    fn at_if_any(&mut self) -> Result<Option<Timestamp>, Cause> {
        Ok(self.take::<Option<i64>>()?.map(Timestamp::from_millis))
    }

    fn word<T>(&mut self, what: &str, meaning: impl Fn(&str) -> Option<T>) -> Result<T, Cause> {
        let word: String = self.take()?;
        meaning(&word).ok_or_else(|| self.fault(format!("`{word}` is no {what}")))
    }

    fn json<T: json::Shape>(&mut self, what: &str) -> Result<T, Cause> {
        let text: String = self.take()?;
        json::value(&text).map_err(|e| self.fault(format!("its {what} does not read: {e}")))
    }

    fn json_if_any<T: json::Shape>(&mut self, what: &str) -> Result<Option<T>, Cause> {
        let text: Option<String> = self.take()?;
        let read = text.map(|text| json::value(&text)).transpose();
        read.map_err(|e| self.fault(format!("its {what} does not read: {e}")))
    }
}

/// The words of a series: kind, source, quantity.
pub(crate) fn series_words(series: &SeriesId) -> (&'static str, &str, &'static str) {
    let kind = match series.source {
        Source::Probe(_) => "probe",
        Source::Blower(_) => "blower",
    };
    (kind, series.source.as_str(), series.quantity.key())
}

/// Every series with its number, in the order of [`SeriesId`]; one whose words mean nothing is passed over.
pub(crate) fn series_ids(conn: &Connection) -> Result<Vec<(i64, SeriesId)>, Cause> {
    readable_series(conn, &mut Vec::new())
}

/// The same, with what is wrong with those that are passed over.
pub(crate) fn readable_series(conn: &Connection, over: &mut Vec<PassedOver>) -> Result<Vec<(i64, SeriesId)>, Cause> {
    let mut out = readable(
        conn,
        "series",
        "SELECT id, kind, source, quantity FROM series",
        [],
        |row| {
            let mut columns = Columns::of("series", row)?;
            let kind: String = columns.take()?;
            let source = columns.word("id of a probe or blower", |name| match kind.as_str() {
                "probe" => ProbeId::new(name).ok().map(Source::Probe),
                _ => BlowerId::new(name).ok().map(Source::Blower),
            })?;
            let quantity = columns.word("quantity", Quantity::from_key)?;
            Ok((columns.id, SeriesId { source, quantity }))
        },
        over,
    )?;
    out.sort_by(|a, b| a.1.cmp(&b.1));
    Ok(out)
}

/// Quality, origin of the time and retain flag in one small number; `None` for the usual case.
pub(crate) fn marks(reading: &Reading, quality: Quality) -> Option<i64> {
    let quality = match quality {
        Quality::Good => 0,
        Quality::Suspect => 1,
        Quality::Bad => 2,
    };
    let time = match reading.time_source {
        TimeSource::Device => 0,
        TimeSource::Intake => 1,
        TimeSource::DeviceClockWrong => 2,
        TimeSource::DeviceClockAhead => 3,
    };
    let marks = quality | time << 2 | i64::from(reading.retained) << 4;
    (marks != 0).then_some(marks)
}

/// The quality that marks say; `None` where they are no marks.
pub(crate) fn quality(marks: i64) -> Option<Quality> {
    let quality = match marks & 3 {
        0 => Quality::Good,
        1 => Quality::Suspect,
        2 => Quality::Bad,
        _ => return None,
    };
    (0..=1).contains(&(marks >> 4)).then_some(quality)
}

/// A reading of `series` from a row of `readings` or `arrivals`: measured_at, value, delay, marks, reason.
pub(crate) fn reading(series: &SeriesId, row: &Row<'_>) -> Result<ReadingRow, Cause> {
    let (delay, marks): (Option<i64>, Option<i64>) = (row.get(2)?, row.get(3)?);
    let reason = row.get::<_, Option<String>>(4)?.unwrap_or_default();
    reading_of(series, row.get(0)?, row.get(1)?, (delay.unwrap_or(0), marks.unwrap_or(0)), reason)
}

/// A reading of `series` from what is kept of it: measured_at, value, delay and marks, reason.
pub(crate) fn reading_of(
    series: &SeriesId,
    measured_at: i64,
    value: f64,
    (delay, marks): (i64, i64),
    reason: String,
) -> Result<ReadingRow, Cause> {
    let fault = || Cause::row("readings", measured_at, format!("{marks} is no set of marks ({series})"));
    let quality = quality(marks).ok_or_else(fault)?;
    let time_source = match marks >> 2 & 3 {
        0 => TimeSource::Device,
        1 => TimeSource::Intake,
        2 => TimeSource::DeviceClockWrong,
        _ => TimeSource::DeviceClockAhead,
    };
    let retained = marks >> 4 == 1;
    let reading = Reading {
        series: series.clone(),
        measured_at: Timestamp::from_millis(measured_at),
        received_at: Timestamp::from_millis(measured_at.wrapping_add(delay)),
        value,
        time_source,
        retained,
    };
    Ok(ReadingRow { reading, quality, reason })
}

/// Columns of `entries` for [`entry`].
pub(crate) const ENTRY: &str = "e.id, e.at, e.bin, e.detail, e.by, e.note, e.batch";

/// A row of `entries`.
pub(crate) fn entry(row: &Row<'_>) -> Result<Entry, Cause> {
    let mut columns = Columns::of("entries", row)?;
    Ok(Entry {
        id: EntryId(columns.number()?),
        at: columns.at()?,
        bin: columns.word("id of a bin", |name| BinId::new(name).ok())?,
        kind: columns.json("detail")?,
        by: columns.take()?,
        note: columns.take()?,
        batch: columns.take::<Option<i64>>()?.map(|batch| BatchId(batch.unsigned_abs())),
    })
}

/// Columns of `batches` for [`batch`].
pub(crate) const BATCH: &str =
    "id, bin, in_bin_since, loaded_last_at, on_air_at, off_air_at, curing_at, storage_at, gone_at,
    loaded_celsius, parents";

/// A row of `batches`.
pub(crate) fn batch(row: &Row<'_>) -> Result<Batch, Cause> {
    let mut columns = Columns::of("batches", row)?;
    Ok(Batch {
        id: BatchId(columns.number()?),
        bin: columns.word("id of a bin", |name| BinId::new(name).ok())?,
        in_bin_since: columns.at()?,
        loaded_last_at: columns.at_if_any()?,
        on_air_at: columns.at_if_any()?,
        off_air_at: columns.at_if_any()?,
        curing_at: columns.at_if_any()?,
        storage_at: columns.at_if_any()?,
        gone_at: columns.at_if_any()?,
        loaded_at: columns.take::<Option<f64>>()?.map(Celsius),
        parents: columns.json("parents")?,
    })
}

/// A row of `water`.
pub(crate) fn water(row: &Row<'_>) -> Result<KeptWater, Cause> {
    let (name, batch, at, text): (String, i64, i64, String) = (row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?);
    let wrong = |why: String| Cause::row("water", 0, why);
    let bin = BinId::new(&name).map_err(|e| wrong(e.to_string()))?;
    let batch = BatchId(u64::try_from(batch).map_err(|_| wrong(format!("bin {bin}: {batch} is no batch")))?);
    let at = Timestamp::from_millis(at);
    let numbers = serde_json::from_str(&text).map_err(|e| wrong(format!("bin {bin}: {e}")))?;
    Ok(KeptWater { bin, batch, at, numbers })
}

/// Columns of `results` for [`result`].
pub(crate) const RESULT: &str =
    "batch, bin, at, criterion, result, met_at, earliest_at, hours_counted, hours_needed, coverage";

/// A row of `results`: the batch, its bin, when it was judged, and how it stood.
pub(crate) fn result(row: &Row<'_>) -> Result<(BatchId, BinId, Timestamp, Standing), Cause> {
    let mut columns = Columns::of("results", row)?;
    Ok((
        BatchId(columns.number()?),
        columns.word("id of a bin", |name| BinId::new(name).ok())?,
        columns.at()?,
        Standing {
            criterion: columns.take()?,
            result: columns.word("result", Outcome::named)?,
            met_at: columns.at_if_any()?,
            earliest_at: columns.at_if_any()?,
            hours_counted: columns.take()?,
            hours_needed: columns.take()?,
            coverage_fraction: columns.take()?,
        },
    ))
}

/// The rows of [`result`] in the order of batch and place, one batch together.
pub(crate) fn results(rows: Vec<(BatchId, BinId, Timestamp, Standing)>) -> Vec<KeptResults> {
    let mut out: Vec<KeptResults> = Vec::new();
    for (batch, bin, at, standing) in rows {
        match out.last_mut().filter(|kept| kept.batch == batch) {
            Some(kept) => kept.standings.push(standing),
            None => out.push(KeptResults { batch, bin, at, standings: vec![standing], changed: Vec::new() }),
        }
    }
    out
}

/// A row of `reports`.
pub(crate) fn report(row: &Row<'_>) -> Result<KeptReport, Cause> {
    let (year, week, at, amended): (i16, i8, i64, u32) = (row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?);
    let (by, reviewed_at, outside): (Option<String>, Option<i64>, Option<i64>) =
        (row.get(4)?, row.get(5)?, row.get(6)?);
    Ok(KeptReport {
        week: IsoWeek { year, week },
        at: Timestamp::from_millis(at),
        amended,
        reviewed: by.zip(reviewed_at.map(Timestamp::from_millis)),
        outside_at: outside.map(Timestamp::from_millis),
    })
}

/// A row of `round_lists`.
pub(crate) fn day(row: &Row<'_>) -> Result<Day, Cause> {
    let text: String = row.get(0)?;
    Day::parse(&text).ok_or_else(|| Cause::row("round_lists", 0, format!("`{text}` is no day")))
}

/// The words of a subject.
pub(crate) fn subject_words(subject: &Subject) -> (&'static str, Option<&str>) {
    match subject {
        Subject::Site => ("site", None),
        Subject::Bin(bin) => ("bin", Some(bin.as_str())),
        Subject::Rule(rule) => ("rule", Some(rule)),
        Subject::Person(name) => ("person", Some(name)),
    }
}

/// The word of an alarm's state: the one that listings, panels and mails use.
pub(crate) fn state_word(state: AlarmState) -> &'static str {
    state.key()
}

fn state_of(word: &str) -> Option<AlarmState> {
    use AlarmState::{
        Acknowledged, LatchedAcknowledged, LatchedUnacknowledged, Normal, ReturnedUnacknowledged, Suppressed,
        Unacknowledged,
    };
    let active = [Normal, Unacknowledged, Acknowledged];
    let ended = [ReturnedUnacknowledged, LatchedUnacknowledged, LatchedAcknowledged, Suppressed];
    active.into_iter().chain(ended).find(|s| state_word(*s) == word)
}

fn kind_of(word: &str) -> Option<AlarmEventKind> {
    ALARM_EVENT_KINDS.iter().find(|(_, key)| *key == word).map(|(kind, _)| *kind)
}

fn priority_of(word: &str) -> Option<Priority> {
    [Priority::SummaryOnly, Priority::Low, Priority::Medium, Priority::High].into_iter().find(|p| p.key() == word)
}

/// The words of a proof: phase and since when.
pub(crate) fn proof_words(phase: Phase) -> (&'static str, Option<i64>) {
    match phase {
        Phase::Idle => ("idle", None),
        Phase::PendingOn { since } => ("pending-on", Some(since.as_millis())),
        Phase::On => ("on", None),
        Phase::PendingOff { since } => ("pending-off", Some(since.as_millis())),
    }
}

/// Columns of `alarms` for [`alarm`].
pub(crate) const ALARM: &str = "id, rule, subject, subject_name, state, proof, proof_since, proof_last, occurrence, onset, raised_at, \
     cleared_at, acknowledged, title, priority, revision, finding, evidence, thread_subject, mails, hidden, reminders, reminder_at, \
     confirmed, thread, held, graver";

/// A row of `alarms`.
pub(crate) fn alarm(row: &Row<'_>) -> Result<Alarm, Cause> {
    let mut columns = Columns::of("alarms", row)?;
    let id = AlarmId(columns.number()?);
    let rule = columns.take()?;
    let about: String = columns.take()?;
    let name: Option<String> = columns.take()?;
    let subject = match (about.as_str(), name) {
        ("site", None) => Subject::Site,
        ("bin", Some(name)) => Subject::Bin(BinId::new(&name).map_err(|e| columns.fault(e.to_string()))?),
        ("rule", Some(name)) => Subject::Rule(name),
        ("person", Some(name)) => Subject::Person(name),
        (_, name) => return Err(columns.fault(format!("`{about}` {name:?} is no subject"))),
    };
    let state = columns.word("state of an alarm", state_of)?;
    let proof: String = columns.take()?;
    let since = columns.at_if_any()?;
    let phase = match (proof.as_str(), since) {
        ("idle", None) => Phase::Idle,
        ("pending-on", Some(since)) => Phase::PendingOn { since },
        ("on", None) => Phase::On,
        ("pending-off", Some(since)) => Phase::PendingOff { since },
        _ => return Err(columns.fault(format!("`{proof}` since {since:?} is no proof"))),
    };
    let mut alarm = Alarm::new(id, AlarmKey { rule, subject });
    alarm.life.state = state;
    alarm.conditioning = Conditioning { phase, last: columns.at_if_any()? };
    alarm.occurrence = columns.take()?;
    alarm.onset = columns.at_if_any()?;
    alarm.raised_at = columns.at_if_any()?;
    alarm.life.cleared_at = columns.at_if_any()?;
    alarm.acknowledged = columns.json_if_any("acknowledgement")?;
    alarm.title = columns.take()?;
    alarm.priority = columns.word("priority", priority_of)?;
    alarm.revision = columns.take()?;
    alarm.finding = columns.take()?;
    alarm.evidence = columns.json("evidence")?;
    alarm.thread_subject = columns.take()?;
    alarm.mails = columns.take()?;
    if let Some(text) = columns.take::<Option<String>>()? {
        json::hide(&mut alarm.life, &text).map_err(|e| columns.fault(format!("what hides it does not read: {e}")))?;
    }
    alarm.life.reminders = columns.take()?;
    alarm.reminder_at = columns.at_if_any()?;
    alarm.confirmed = columns.json_if_any("confirmation")?;
    alarm.thread = columns.take()?;
    alarm.held = columns.take()?;
    alarm.graver = columns.take()?;
    Ok(alarm)
}

/// Columns of `alarm_events` for [`alarm_event`].
pub(crate) const ALARM_EVENT: &str =
    "id, alarm, occurrence, at, kind, before, after, evidence_at, words, revision, grounds";

/// A row of `alarm_events`.
pub(crate) fn alarm_event(row: &Row<'_>) -> Result<AlarmEvent, Cause> {
    let mut columns = Columns::of("alarm_events", row)?;
    let alarm: i64 = columns.take()?;
    Ok(AlarmEvent {
        alarm: AlarmId(u64::try_from(alarm).map_err(|_| columns.fault("the alarm's number is negative".into()))?),
        occurrence: columns.take()?,
        at: columns.at()?,
        kind: columns.word("kind of event", kind_of)?,
        before: columns.word("state of an alarm", state_of)?,
        after: columns.word("state of an alarm", state_of)?,
        evidence_at: columns.at_if_any()?,
        words: columns.take()?,
        revision: columns.take()?,
        grounds: columns.json_if_any("grounds")?,
    })
}

/// A mail's state in columns: state, next_try, tries, reply, settled_at.
pub(crate) fn mail_columns(state: &MailState) -> (&'static str, Option<i64>, u32, &str, Option<i64>) {
    match state {
        MailState::Waiting { next_try, tries, last_reply } => {
            ("waiting", Some(next_try.as_millis()), *tries, last_reply, None)
        }
        MailState::Accepted { at, tries, reply } => ("accepted", None, *tries, reply, Some(at.as_millis())),
        MailState::GivenUp { at, tries, reply } => ("undeliverable", None, *tries, reply, Some(at.as_millis())),
    }
}

/// Columns of `outbox` for [`mail`].
pub(crate) const MAIL: &str = "id, recipient, created_at, notice, state, next_try, tries, reply, settled_at";

/// A row of `outbox`.
pub(crate) fn mail(row: &Row<'_>) -> Result<Mail, Cause> {
    let mut columns = Columns::of("outbox", row)?;
    let id = MailId(columns.number()?);
    let to = columns.take()?;
    let created_at = columns.at()?;
    let notice = columns.json("notice")?;
    let word: String = columns.take()?;
    let next_try = columns.at_if_any()?;
    let tries = columns.take()?;
    let reply: String = columns.take()?;
    let settled_at = columns.at_if_any()?;
    let state = match (word.as_str(), next_try, settled_at) {
        ("waiting", Some(next_try), None) => MailState::Waiting { next_try, tries, last_reply: reply },
        ("accepted", None, Some(at)) => MailState::Accepted { at, tries, reply },
        // Earlier versions wrote the second word.
        ("undeliverable" | "given-up", None, Some(at)) => MailState::GivenUp { at, tries, reply },
        _ => return Err(columns.fault(format!("`{word}` is no state of a mail"))),
    };
    Ok(Mail { id, to, notice, created_at, state })
}
