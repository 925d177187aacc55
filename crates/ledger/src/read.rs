//! Reading back, for people, reports and recalls.
//!
//! Must never change anything, and never keep more in memory than the caller asked for.

use std::collections::BTreeMap;

use engine::alarm::{Alarm, AlarmEvent, AlarmId};
use engine::effect::Mail;
use engine::results::KeptResults;
use pile::time::Timestamp;
use pile::window::Point;
use rulebook::RuleText;
use rusqlite::{Connection, Row, params};
use site::entry::{Batch, Entry, EntryId};
use site::ids::BinId;
use site::quantity::Quantity;
use site::reading::{Quality, Reading, Refusal, SeriesId, Source};

use crate::days::{self, DamagedDay, Packed};
use crate::error::Cause;
use crate::{Ledger, LedgerError, chunk, restore, rows};

/// Which readings; the default is all of them.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct ReadingFilter {
    /// From these probes and blowers; from all when empty.
    pub sources: Vec<Source>,
    /// Of this quantity only.
    pub quantity: Option<Quantity>,
    /// Measured at this instant or later.
    pub from: Option<Timestamp>,
    /// Measured at this instant or earlier.
    pub to: Option<Timestamp>,
}

/// A stored reading.
#[derive(Clone, Debug, PartialEq)]
pub struct ReadingRow {
    /// The reading.
    pub reading: Reading,
    /// Whether it may be believed.
    pub quality: Quality,
    /// Why it is not good; empty when good.
    pub reason: String,
}

/// Which events in the lives of alarms; the default is all of them.
#[derive(Clone, Debug, PartialEq, Eq, Default)]
pub struct AlarmEventFilter {
    /// Of this alarm only.
    pub alarm: Option<AlarmId>,
    /// Recorded at this instant or later.
    pub from: Option<Timestamp>,
    /// Recorded at this instant or earlier.
    pub to: Option<Timestamp>,
}

/// A mail in the outbox, sent or not.
#[derive(Clone, Debug, PartialEq)]
pub struct OutboxRow {
    /// The mail.
    pub mail: Mail,
    /// How many bytes it was rendered to, if it was.
    pub rendered_bytes: Option<u64>,
}

/// Something that gave no reading.
#[derive(Clone, Debug, PartialEq)]
pub struct RefusedRow {
    /// Counts up; a number that is missing at the start was trimmed.
    pub id: u64,
    /// What was refused and why. For a contradiction the topic is the series and the payload is the value.
    pub refusal: Refusal,
    /// The reading that contradicted one that was there first, or was no number.
    pub contradiction: Option<Contradiction>,
}

/// A reading that contradicted one that was there first.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Contradiction {
    /// Its series.
    pub series: SeriesId,
    /// Its instant.
    pub measured_at: Timestamp,
}

/// How much there is of everything.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub struct Counts {
    /// Series that ever sent.
    pub series: u64,
    /// Readings of every quality.
    pub readings: u64,
    /// Payloads and contradictions refused since the ledger was made, also those trimmed since.
    pub refused: u64,
    /// Entries in the log.
    pub entries: u64,
    /// Batches.
    pub batches: u64,
    /// Alarms, standing or not.
    pub alarms: u64,
    /// Events in their lives.
    pub alarm_events: u64,
    /// Mails still to be delivered.
    pub mails_waiting: u64,
    /// Mails that a relay took.
    pub mails_accepted: u64,
    /// Mails given up.
    pub mails_given_up: u64,
}

impl Ledger {
    /// Good readings of one series, ends included, oldest first; none for a series that never sent.
    ///
    /// # Errors
    /// [`LedgerError`] when the ledger cannot be read.
    pub fn history(&self, series: &SeriesId, from: Timestamp, to: Timestamp) -> Result<Vec<Point>, LedgerError> {
        self.reading("reading history", |conn| {
            let mut query =
                conn.prepare_cached("SELECT id FROM series WHERE kind = ?1 AND source = ?2 AND quantity = ?3")?;
            let mut found = query.query(rows::series_words(series))?;
            match found.next()? {
                Some(row) => restore::range(conn, (row.get(0)?, series), from, to),
                None => Ok(Vec::new()),
            }
        })
    }

    /// Hands every reading that the filter lets through to `each`: series by series in their order, oldest first. A day of a series that
    /// is damaged is told in the log and passed over.
    ///
    /// # Errors
    /// [`LedgerError`] when the ledger cannot be read; `each` may have been called before.
    pub fn readings(&self, filter: &ReadingFilter, each: &mut dyn FnMut(ReadingRow)) -> Result<(), LedgerError> {
        self.reading("reading history", |conn| {
            let (from, to) = bounds(filter.from, filter.to);
            let mut ids = rows::series_ids(conn)?;
            ids.retain(|(_, series)| {
                (filter.sources.is_empty() || filter.sources.contains(&series.source))
                    && filter.quantity.is_none_or(|quantity| quantity == series.quantity)
            });
            let span = (Timestamp::from_millis(from), Timestamp::from_millis(to));
            days::tell(&each_reading(conn, &ids, span.0, span.1, each)?);
            Ok(())
        })
    }

    /// Every alarm that was ever raised or is being proven, by number.
    ///
    /// # Errors
    /// [`LedgerError`] when the ledger cannot be read.
    pub fn alarms(&self) -> Result<Vec<Alarm>, LedgerError> {
        let sql = format!("SELECT {} FROM alarms ORDER BY id", rows::ALARM);
        self.reading("reading alarms", |conn| rows::told(conn, "alarms", &sql, [], rows::alarm))
    }

    /// Events in the lives of alarms, in the order of recording.
    ///
    /// # Errors
    /// [`LedgerError`] when the ledger cannot be read.
    pub fn alarm_events(&self, filter: &AlarmEventFilter) -> Result<Vec<AlarmEvent>, LedgerError> {
        let sql = format!(
            "SELECT {} FROM alarm_events WHERE at BETWEEN ?1 AND ?2 AND (?3 IS NULL OR alarm = ?3) ORDER BY id",
            rows::ALARM_EVENT
        );
        self.reading("reading events of alarms", |conn| {
            let (from, to) = bounds(filter.from, filter.to);
            let alarm = filter.alarm.map(|alarm| rows::key(alarm.0)).transpose()?;
            rows::told(conn, "alarm_events", &sql, params![from, to, alarm], rows::alarm_event)
        })
    }

    /// The rules that were in force when the newest run last changed them, by name; none in a new ledger.
    ///
    /// # Errors
    /// [`LedgerError`] when the ledger cannot be read.
    pub fn rules_in_force(&self) -> Result<Vec<RuleText>, LedgerError> {
        let sql = "SELECT t.name, t.path, t.text FROM rules_in_force f
                   JOIN rule_texts t ON t.name = f.name AND t.revision = f.revision ORDER BY t.name";
        self.reading("reading the rules in force", |conn| rows::told(conn, "rule_texts", sql, [], rule_text))
    }

    /// The text that a rule had under a revision; `None` where that was never in force here.
    ///
    /// # Errors
    /// [`LedgerError`] when the ledger cannot be read.
    pub fn rule_text(&self, rule: &str, revision: &str) -> Result<Option<RuleText>, LedgerError> {
        let sql = "SELECT name, path, text FROM rule_texts WHERE name = ?1 AND revision = ?2";
        self.reading("reading a rule's text", |conn| {
            Ok(rows::told(conn, "rule_texts", sql, params![rule, revision], rule_text)?.pop())
        })
    }

    /// Every mail, sent or not, by number.
    ///
    /// # Errors
    /// [`LedgerError`] when the ledger cannot be read.
    pub fn outbox(&self) -> Result<Vec<OutboxRow>, LedgerError> {
        let sql = format!("SELECT {}, octet_length(rendered) AS bytes FROM outbox ORDER BY id", rows::MAIL);
        self.reading("reading the outbox", |conn| {
            rows::told(conn, "outbox", &sql, [], |row| {
                let bytes: Option<i64> = row.get("bytes")?;
                Ok(OutboxRow { mail: rows::mail(row)?, rendered_bytes: bytes.map(i64::unsigned_abs) })
            })
        })
    }

    /// What was refused, the newest first, at most `limit`.
    ///
    /// # Errors
    /// [`LedgerError`] when the ledger cannot be read.
    pub fn refused(&self, limit: usize) -> Result<Vec<RefusedRow>, LedgerError> {
        self.reading("reading what was refused", |conn| {
            let series = rows::series_ids(conn)?;
            let sql =
                "SELECT id, received_at, topic, payload_head, payload_bytes, reason, series, measured_at FROM refused
                 ORDER BY id DESC LIMIT ?1";
            rows::told(conn, "refused", sql, [i64::try_from(limit).unwrap_or(i64::MAX)], |row| {
                let id: i64 = row.get(0)?;
                let fault = |what: &str| Cause::row("refused", id, what);
                let contradiction = match (row.get::<_, Option<i64>>(6)?, row.get::<_, Option<i64>>(7)?) {
                    (Some(number), Some(at)) => {
                        let (_, series) =
                            series.iter().find(|(id, _)| *id == number).ok_or_else(|| fault("it has no series"))?;
                        Some(Contradiction { series: series.clone(), measured_at: Timestamp::from_millis(at) })
                    }
                    _ => None,
                };
                Ok(RefusedRow {
                    id: u64::try_from(id).map_err(|_| fault("its number is negative"))?,
                    refusal: Refusal {
                        received_at: Timestamp::from_millis(row.get(1)?),
                        topic: row.get(2)?,
                        payload_head: row.get(3)?,
                        payload_bytes: usize::try_from(row.get::<_, i64>(4)?)
                            .map_err(|_| fault("its length is negative"))?,
                        reason: row.get(5)?,
                    },
                    contradiction,
                })
            })
        })
    }

    /// Every entry in the log, oldest first by the time that the person gave.
    ///
    /// # Errors
    /// [`LedgerError`] when the ledger cannot be read.
    pub fn entries(&self) -> Result<Vec<Entry>, LedgerError> {
        let sql = format!("SELECT {} FROM entries e ORDER BY e.at, e.id", rows::ENTRY);
        self.reading("reading the log", |conn| rows::told(conn, "entries", &sql, [], rows::entry))
    }

    /// The bin that an entry is about, even where nothing else of it can be read; `None` without such an entry.
    ///
    /// # Errors
    /// [`LedgerError`] when the ledger cannot be read.
    pub fn bin_of_entry(&self, id: EntryId) -> Result<Option<BinId>, LedgerError> {
        self.reading("looking for an entry", |conn| {
            let sql = "SELECT id, bin FROM entries WHERE id = ?1";
            let bins = rows::told(conn, "entries", sql, [rows::key(id.0)?], |row| {
                let bin: String = row.get(1)?;
                BinId::new(&bin).map_err(|e| Cause::row("entries", 0, e.to_string()))
            })?;
            Ok(bins.into_iter().next())
        })
    }

    /// Every batch, by number.
    ///
    /// # Errors
    /// [`LedgerError`] when the ledger cannot be read.
    pub fn batches(&self) -> Result<Vec<Batch>, LedgerError> {
        let sql = format!("SELECT {} FROM batches ORDER BY id", rows::BATCH);
        self.reading("reading batches", |conn| rows::told(conn, "batches", &sql, [], rows::batch))
    }

    /// How every batch stood against the criteria when it was judged last.
    ///
    /// # Errors
    /// [`LedgerError`] when the ledger cannot be read.
    pub fn results(&self) -> Result<Vec<KeptResults>, LedgerError> {
        let sql = format!("SELECT {} FROM results ORDER BY batch, place", rows::RESULT);
        self.reading("reading results", |conn| Ok(rows::results(rows::told(conn, "results", &sql, [], rows::result)?)))
    }

    /// How much there is of everything. Counts every reading that is not packed one by one: on a large ledger this takes seconds.
    ///
    /// # Errors
    /// [`LedgerError`] when the ledger cannot be read.
    pub fn counts(&self) -> Result<Counts, LedgerError> {
        self.reading("counting", counts)
    }
}

/// How much there is of everything.
pub(crate) fn counts(conn: &Connection) -> Result<Counts, Cause> {
    let count = |what: &str| -> Result<u64, Cause> {
        let n: i64 = conn.query_row(&format!("SELECT {what}"), [], |row| row.get(0))?;
        Ok(n.unsigned_abs())
    };
    Ok(Counts {
        series: count("count(*) FROM series")?,
        // In doubles, because somebody may have written numbers there whose sum is none.
        readings: count("(SELECT count(*) FROM readings) + (SELECT count(*) FROM arrivals)")?
            .saturating_add(count("CAST(total(readings) AS INTEGER) FROM chunks WHERE readings > 0")?),
        refused: count("coalesce(max(id), 0) FROM refused")?,
        entries: count("count(*) FROM entries")?,
        batches: count("count(*) FROM batches")?,
        alarms: count("count(*) FROM alarms")?,
        alarm_events: count("count(*) FROM alarm_events")?,
        mails_waiting: count("count(*) FROM outbox WHERE state = 'waiting'")?,
        mails_accepted: count("count(*) FROM outbox WHERE state = 'accepted'")?,
        mails_given_up: count("count(*) FROM outbox WHERE state IN ('undeliverable', 'given-up')")?,
    })
}

/// Hands the readings of these series to `each`, ends included: series by series as they are listed, oldest first. Gives the days that
/// are damaged, whose readings were passed over.
pub(crate) fn each_reading(
    conn: &Connection,
    ids: &[(i64, SeriesId)],
    from: Timestamp,
    to: Timestamp,
    each: &mut dyn FnMut(ReadingRow),
) -> Result<Vec<DamagedDay>, Cause> {
    let mut settled = conn.prepare_cached(
        "SELECT measured_at, value, delay, marks, reason FROM readings
         WHERE series = ?1 AND measured_at BETWEEN ?2 AND ?3 ORDER BY measured_at",
    )?;
    let span = (from, to);
    let (from, to) = (from.as_millis(), to.as_millis());
    let mut damaged = Vec::new();
    let mut lately = arrivals(conn, ids, from, to, &mut damaged)?;
    let packed_days = days::between(conn, span.0, span.1)?;
    for (id, series) in ids {
        let mut late = lately.remove(id).unwrap_or_default().into_iter();
        let mut found = settled.query(params![id, from, to])?;
        let mut packed = Packed::new(conn, (*id, series), span, &packed_days);
        let mut unread = Vec::new();
        let mut row = || loop {
            let Some(row) = found.next()? else { return Ok::<_, Cause>(None) };
            match rows::reading(series, row) {
                Ok(reading) => return Ok(Some(reading)),
                Err(cause) => unread.push(unreadable(series, row.get(0).unwrap_or(from), cause)?),
            }
        };
        // The next one of each of the three places where readings lie; the oldest of them goes first.
        let mut next = [packed.row()?, row()?, late.next()];
        let at = |next: &Option<ReadingRow>| next.as_ref().map(|next| next.reading.measured_at);
        while let Some((oldest, _)) =
            next.iter().enumerate().filter_map(|(n, next)| Some((n, at(next)?))).min_by_key(|(_, at)| *at)
        {
            let more = match oldest {
                0 => packed.row()?,
                1 => row()?,
                _ => late.next(),
            };
            if let Some(taken) = next.get_mut(oldest).and_then(|next| std::mem::replace(next, more)) {
                each(taken);
            }
        }
        damaged.extend(packed.damaged());
        damaged.extend(unread);
    }
    Ok(damaged)
}

/// The day of a reading that has a row which cannot be read.
fn unreadable(series: &SeriesId, at: i64, cause: Cause) -> Result<DamagedDay, Cause> {
    let why = format!("the row of an instant: {}", cause.of_one_row()?);
    Ok(DamagedDay { series: series.clone(), day: chunk::begin_of(chunk::day_of(at)), readings: 1, why })
}

/// Readings of these series that were not carried over yet, by series and oldest first; never more than [`crate::ARRIVALS_MOST`] or so.
fn arrivals(
    conn: &Connection,
    ids: &[(i64, SeriesId)],
    from: i64,
    to: i64,
    damaged: &mut Vec<DamagedDay>,
) -> Result<BTreeMap<i64, Vec<ReadingRow>>, Cause> {
    let names: BTreeMap<i64, &SeriesId> = ids.iter().map(|(id, series)| (*id, series)).collect();
    let mut query = conn.prepare_cached(
        "SELECT measured_at, value, delay, marks, reason, series FROM arrivals
         WHERE measured_at BETWEEN ?1 AND ?2 ORDER BY measured_at",
    )?;
    let mut found = query.query([from, to])?;
    let mut out: BTreeMap<i64, Vec<ReadingRow>> = BTreeMap::new();
    while let Some(row) = found.next()? {
        // Of a series that was not asked for, or of none.
        let Ok(id) = row.get::<_, i64>(5) else { continue };
        let Some(series) = names.get(&id) else { continue };
        match rows::reading(series, row) {
            Ok(reading) => out.entry(id).or_default().push(reading),
            Err(cause) => damaged.push(unreadable(series, row.get(0).unwrap_or(from), cause)?),
        }
    }
    Ok(out)
}

fn rule_text(row: &Row<'_>) -> Result<RuleText, Cause> {
    Ok(RuleText { name: row.get(0)?, path: row.get(1)?, text: row.get(2)? })
}

/// Bounds that may be open, as a closed range of milliseconds.
fn bounds(from: Option<Timestamp>, to: Option<Timestamp>) -> (i64, i64) {
    (from.map_or(i64::MIN, Timestamp::as_millis), to.map_or(i64::MAX, Timestamp::as_millis))
}
