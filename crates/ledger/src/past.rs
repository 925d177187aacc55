//! What it takes to live the past again: from when to when there is history, who watched when, and when entries were written down.
//!
//! Must never change anything: it reads beside a running daemon.

use pile::time::Timestamp;
use rusqlite::{Connection, OptionalExtension};
use site::bounds;
use site::entry::Entry;

use crate::error::Cause;
use crate::{Ledger, LedgerError, chunk, days, rows};

/// An entry with the time at which it was written down.
#[derive(Clone, Debug, PartialEq)]
pub struct RecordedEntry {
    /// The entry.
    pub entry: Entry,
    /// When it was written down; the time that it tells of where that is not on record.
    pub recorded_at: Timestamp,
}

/// One run of the daemon.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Run {
    /// When it began to watch.
    pub started_at: Timestamp,
    /// The last instant at which it is known to have been alive.
    pub last_alive: Timestamp,
}

impl Ledger {
    /// When the oldest and the newest reading were measured; `None` without readings. What somebody wrote by hand beyond the calendar does not
    /// count: whoever walks through history begins here.
    ///
    /// # Errors
    /// [`LedgerError`] when the ledger cannot be read.
    pub fn span(&self) -> Result<Option<(Timestamp, Timestamp)>, LedgerError> {
        self.reading("looking for the oldest reading", |conn| {
            let calendar = [bounds::EARLIEST.as_millis(), bounds::LATEST.as_millis() - 1];
            let [begin, end] = calendar;
            let lately = conn
                .query_row(
                    "SELECT min(measured_at), max(measured_at) FROM arrivals WHERE measured_at BETWEEN ?1 AND ?2",
                    calendar,
                    |row| Ok((row.get::<_, Option<i64>>(0)?, row.get::<_, Option<i64>>(1)?)),
                )
                .optional()?;
            let (mut first, mut last) = lately.unwrap_or_default();
            // One look at each end of each series; a single query would walk the whole history.
            let mut oldest = conn.prepare_cached(
                "SELECT min(measured_at) FROM readings WHERE series = ?3 AND measured_at BETWEEN ?1 AND ?2",
            )?;
            let mut newest = conn.prepare_cached(
                "SELECT max(measured_at) FROM readings WHERE series = ?3 AND measured_at BETWEEN ?1 AND ?2",
            )?;
            for (id, _) in rows::series_ids(conn)? {
                let low: Option<i64> = oldest.query_row([begin, end, id], |row| row.get(0))?;
                let high: Option<i64> = newest.query_row([begin, end, id], |row| row.get(0))?;
                first = [first, low].into_iter().flatten().min();
                last = last.max(high);
            }
            let packed = packed_ends(conn)?;
            first = [first, packed.map(|(low, _)| low)].into_iter().flatten().min();
            last = last.max(packed.map(|(_, high)| high));
            Ok(first.zip(last).map(|(a, b)| (Timestamp::from_millis(a), Timestamp::from_millis(b))))
        })
    }

    /// Every run of the daemon, oldest first.
    ///
    /// # Errors
    /// [`LedgerError`] when the ledger cannot be read.
    pub fn runs(&self) -> Result<Vec<Run>, LedgerError> {
        self.reading("reading when the daemon ran", |conn| {
            rows::told(conn, "runs", "SELECT started_at, last_alive FROM runs ORDER BY id", [], |row| {
                Ok(Run {
                    started_at: Timestamp::from_millis(row.get(0)?),
                    last_alive: Timestamp::from_millis(row.get(1)?),
                })
            })
        })
    }

    /// Every entry in the order in which they were written down.
    ///
    /// # Errors
    /// [`LedgerError`] when the ledger cannot be read.
    pub fn recorded_entries(&self) -> Result<Vec<RecordedEntry>, LedgerError> {
        let sql = format!(
            "SELECT {}, coalesce(e.recorded_at, e.at) AS recorded FROM entries e ORDER BY recorded, e.id",
            rows::ENTRY
        );
        self.reading("reading the log", |conn| {
            rows::told(conn, "entries", &sql, [], |row| {
                let recorded_at = Timestamp::from_millis(row.get("recorded")?);
                Ok(RecordedEntry { entry: rows::entry(row)?, recorded_at })
            })
        })
    }
}

/// The oldest and the newest instant of the calendar that is packed, which begins and ends with a day; of days that are damaged, their ends.
fn packed_ends(conn: &Connection) -> Result<Option<(i64, i64)>, Cause> {
    let all = |day: i64| -> Result<Option<(i64, i64)>, Cause> {
        let (begin, end) = (chunk::first_of(day), chunk::first_of(day + 1) - 1);
        let mut ends: Option<(i64, i64)> = None;
        for (series, _) in rows::series_ids(conn)? {
            let (low, high) = match days::open(conn, series, day)? {
                days::Found::Nothing => continue,
                days::Found::Whole(readings) => match (readings.at.first(), readings.at.last()) {
                    (Some(low), Some(high)) => (*low, *high),
                    _ => continue,
                },
                days::Found::Damaged { .. } => (begin, end),
            };
            ends = Some(ends.map_or((low, high), |(a, b)| (a.min(low), b.max(high))));
        }
        Ok(ends)
    };
    let calendar = [bounds::EARLIEST, bounds::LATEST].map(|at| days::first_key_of(at.as_millis()));
    let outer = conn.query_row("SELECT min(id), max(id) FROM chunks WHERE id >= ?1 AND id < ?2", calendar, |row| {
        Ok((row.get::<_, Option<i64>>(0)?, row.get::<_, Option<i64>>(1)?))
    })?;
    let (Some(oldest), Some(newest)) = outer else { return Ok(None) };
    let (low, high) = (all(days::of_key(oldest).1)?, all(days::of_key(newest).1)?);
    Ok(low.zip(high).map(|((low, _), (_, high))| (low, high)))
}
