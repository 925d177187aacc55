//! Packs the readings of days that are over, a small piece at a time.
//!
//! Must never take a reading out of its row before the chunk that holds it was opened again and compared, and never pack a day while an hour
//! of it waits for its root.

use pile::time::Timestamp;
use rusqlite::{Connection, TransactionBehavior, params};

use crate::chunk::{self, Day};
use crate::days::{self, Found};
use crate::error::Cause;
use crate::{Ledger, LedgerError, rows};

/// Readings after which a piece ends. A day of one series is never parted, so a piece may be as long as the longest of them.
const PIECE_READINGS: usize = 8_192;

/// What one piece came to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub struct Compacted {
    /// Series whose day was packed, or packed anew because readings had come late.
    pub chunks: usize,
    /// Readings that were taken out of their rows.
    pub readings: usize,
}

/// How far a walk over the days has come; forgotten with the process, for a walk that begins again finds what is left.
#[derive(Debug, Default)]
pub(crate) struct Course {
    /// The day that is being packed, and the last series of it that was looked at.
    day: Option<(i64, i64)>,
    /// Days before this one were looked at in this walk.
    looked_at_until: Option<i64>,
}

impl Ledger {
    /// Packs some readings of the oldest day that has any outside of a chunk and ends at or before `before`, in one transaction; `None` once
    /// a walk over all of them is over. A day waits while the root of one of its hours is not on record.
    ///
    /// # Errors
    /// [`LedgerError`] when the ledger cannot be written; then every reading is where it was.
    pub fn compact(&mut self, before: Timestamp) -> Result<Option<Compacted>, LedgerError> {
        self.writing("packing the readings of days that are over", |ledger| {
            let mut series: Vec<i64> = ledger.series.values().copied().collect();
            series.sort_unstable();
            if ledger.packing.is_at_its_beginning() && ledger.arrivals.carry_over_a_day(&mut ledger.conn, before)? {
                return Ok(Some(Compacted::default()));
            }
            let Some((day, after)) = ledger.packing.next(&ledger.conn, &series, before)? else { return Ok(None) };
            let tx = ledger.conn.transaction_with_behavior(TransactionBehavior::Immediate)?;
            let mut done = Compacted::default();
            let mut last = None;
            for id in series.into_iter().filter(|id| *id > after) {
                if done.readings >= PIECE_READINGS {
                    break;
                }
                let readings = pack(&tx, id, day)?;
                done.readings += readings;
                done.chunks += usize::from(readings > 0);
                last = Some(id);
            }
            tx.commit()?;
            // Only now: what is packed in a transaction that fails is not.
            ledger.packed_until = ledger.packed_until.max(chunk::first_of(day + 1));
            match last {
                Some(last) => ledger.packing.day = Some((day, last)),
                None => ledger.packing.pass(day),
            }
            Ok(Some(done))
        })
    }
}

impl Course {
    fn is_at_its_beginning(&self) -> bool {
        self.day.is_none() && self.looked_at_until.is_none()
    }

    /// The next day with something to pack, and after which series to go on; `None` where the walk is over, and the next one begins anew.
    fn next(&mut self, conn: &Connection, series: &[i64], before: Timestamp) -> Result<Option<(i64, i64)>, Cause> {
        loop {
            if let Some((day, after)) = self.day {
                if series.last().is_some_and(|last| *last > after) {
                    return Ok(self.day);
                }
                self.pass(day);
            }
            let from = self.looked_at_until.map_or(i64::MIN, chunk::first_of);
            let Some(oldest) = oldest(conn, series, from)? else { break };
            let day = chunk::day_of(oldest);
            // The second holds only for the last day that a time can be of, which has no end.
            if chunk::first_of(day + 1) > before.as_millis() || self.looked_at_until.is_some_and(|until| day < until) {
                break;
            }
            if waits_for_a_root(conn, day)? {
                self.pass(day);
            } else {
                self.day = Some((day, 0));
            }
        }
        *self = Course::default();
        Ok(None)
    }

    fn pass(&mut self, day: i64) {
        *self = Course { day: None, looked_at_until: Some(day + 1) };
    }
}

/// The oldest reading of `from` or later that has a row of its own. One look for each series; a single query would walk the whole table.
fn oldest(conn: &Connection, series: &[i64], from: i64) -> Result<Option<i64>, Cause> {
    let mut query = conn.prepare_cached(
        "SELECT min(measured_at) FROM readings WHERE series = ?1 AND measured_at BETWEEN ?2 AND 9223372036854775807",
    )?;
    let mut oldest: Option<i64> = None;
    for id in series {
        let at: Option<i64> = query.query_row(params![id, from], |row| row.get(0))?;
        oldest = [oldest, at].into_iter().flatten().min();
    }
    Ok(oldest)
}

/// Whether an hour of the day is not on record yet, or not all of it. Hours of before the record began have no row, and wait for none.
fn waits_for_a_root(conn: &Connection, day: i64) -> Result<bool, Cause> {
    let mut query = conn.prepare_cached(
        "SELECT EXISTS (SELECT 1 FROM record_hours WHERE hour >= ?1 AND hour < ?2 AND (touched = 1 OR row IS NULL))",
    )?;
    Ok(query.query_row([chunk::first_of(day), chunk::first_of(day + 1)], |row| row.get(0))?)
}

/// Moves a day of a series from its rows into its chunk; gives how many readings that were.
fn pack(conn: &Connection, series: i64, day: i64) -> Result<usize, Cause> {
    let span = params![series, chunk::first_of(day), chunk::first_of(day + 1) - 1];
    let mut query = conn.prepare_cached(
        "SELECT measured_at, value, delay, marks, reason FROM readings
         WHERE series = ?1 AND measured_at BETWEEN ?2 AND ?3 ORDER BY measured_at",
    )?;
    let mut readings = Day::default();
    let mut found = query.query(span)?;
    while let Some(row) = found.next()? {
        let mut read = || {
            let (delay, marks): (Option<i64>, Option<i64>) = (row.get(2)?, row.get(3)?);
            let reason = row.get::<_, Option<String>>(4)?.unwrap_or_default();
            let marks = marks.unwrap_or(0);
            rows::quality(marks)
                .ok_or_else(|| Cause::row("readings", series, format!("{marks} is no set of marks")))?;
            readings.push(row.get(0)?, row.get(1)?, delay.unwrap_or(0), marks, reason);
            Ok(())
        };
        if let Err(cause) = read() {
            let why = Cause::of_one_row(cause)?;
            tracing::warn!(
                "the readings of series {series} on day {day} since 1970 are not packed and stay as they are: {why}"
            );
            return Ok(0);
        }
    }
    if readings.len() == 0 {
        return Ok(0);
    }
    let packed = match days::open(conn, series, day)? {
        Found::Nothing => days::write(conn, series, day, &readings)?,
        Found::Whole(earlier) => days::write(conn, series, day, &earlier.merged(&readings))?,
        // What is left of it may still be read by somebody; the rows beside it are read as they are.
        Found::Damaged { .. } => false,
    };
    if !packed {
        tracing::warn!(
            "the readings of series {series} on day {day} since 1970 are not packed and stay as they are: `hypocaust store check` says whether \
             what is packed of that day is damaged"
        );
        return Ok(0);
    }
    let mut delete = conn.prepare_cached("DELETE FROM readings WHERE series = ?1 AND measured_at BETWEEN ?2 AND ?3")?;
    let gone = delete.execute(span)?;
    if gone != readings.len() {
        return Err(Cause::Contradiction(format!("{gone} readings would go and {} were packed", readings.len())));
    }
    Ok(gone)
}
