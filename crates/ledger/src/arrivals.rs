//! Carries readings over from where they arrive, by time, to where they stay, by series.
//!
//! Must never be needed for a reading to be found: whoever reads asks both tables.

use std::collections::HashMap;

use pile::time::Timestamp;
use rusqlite::{Connection, OptionalExtension, TransactionBehavior};

use crate::chunk;
use crate::error::Cause;

/// Readings that gather before they are carried over. More of them spare the disk (2400 series then get 27 readings into one write of
/// their page), fewer make a shorter pause in storing: this many take some tenths of a second on a laptop's disk.
pub const ARRIVALS_MOST: usize = 65_536;

/// After a failure, this many more come in before it is tried again: each try costs as much as one that works.
const TRY_AGAIN_AFTER: usize = 4_096;

/// Rows that can be carried over: what somebody wrote past the program may not fit, and stays where it is.
const FIT: &str = "typeof(series) = 'integer' AND typeof(measured_at) = 'integer' AND typeof(value) = 'real'
    AND typeof(delay) IN ('integer', 'null') AND typeof(marks) IN ('integer', 'null') AND typeof(reason) IN ('text', 'null')
    AND series IN (SELECT id FROM series)";

/// How many rows cannot be carried over.
pub(crate) fn unfit(conn: &Connection) -> Result<u64, Cause> {
    let sql = format!("SELECT count(*) FROM arrivals WHERE NOT ({FIT})");
    Ok(conn.query_row(&sql, [], |row| row.get::<_, i64>(0))?.unsigned_abs())
}

/// How many readings wait, and at what number they are carried over.
#[derive(Debug)]
pub(crate) struct Waiting {
    now: usize,
    due_at: usize,
    newest: Newest,
}

/// The newest instant that was carried over, by number of series, as far as it was asked for. A reading that is newer need not be
/// looked for where readings stay, which spares most of them a search. Only carrying over changes it.
pub(crate) type Newest = HashMap<i64, i64>;

/// The newest instant of a series that was carried over; the earliest of all when none was.
pub(crate) fn newest(known: &mut Newest, conn: &Connection, series: i64) -> Result<i64, Cause> {
    if let Some(at) = known.get(&series) {
        return Ok(*at);
    }
    let mut query = conn.prepare_cached("SELECT max(measured_at) FROM readings WHERE series = ?1")?;
    // What is no number sorts behind all numbers: then every reading is looked for.
    let at: Option<i64> = query.query_row([series], |row| Ok(row.get(0).unwrap_or(Some(i64::MAX))))?;
    Ok(*known.entry(series).or_insert(at.unwrap_or(i64::MIN)))
}

impl Waiting {
    /// Counts those that an earlier process left.
    pub(crate) fn count(conn: &Connection) -> Result<Waiting, Cause> {
        let now: i64 = conn.query_row("SELECT count(*) FROM arrivals", [], |row| row.get(0))?;
        Ok(Waiting::of(usize::try_from(now).unwrap_or(0)))
    }

    fn of(now: usize) -> Waiting {
        Waiting { now, due_at: ARRIVALS_MOST, newest: Newest::new() }
    }

    /// What is known of the readings that were carried over.
    pub(crate) fn newest(&mut self) -> &mut Newest {
        &mut self.newest
    }

    /// So many more were stored.
    pub(crate) fn add(&mut self, readings: usize) {
        self.now += readings;
    }

    /// Carries them over in one transaction, if there are enough of them.
    pub(crate) fn carry_over(&mut self, conn: &mut Connection) -> Result<(), Cause> {
        if self.now < self.due_at {
            return Ok(());
        }
        self.due_at = self.now + TRY_AGAIN_AFTER;
        let tx = conn.transaction_with_behavior(TransactionBehavior::Immediate)?;
        // In the order of the target, so that each of its pages is visited once. We never store an instant twice; where somebody did by hand,
        // the reading that was there first stays, and the store goes on.
        tx.execute(
            &format!(
                "INSERT OR IGNORE INTO readings (series, measured_at, value, delay, marks, reason)
                 SELECT series, measured_at, value, delay, marks, reason FROM arrivals WHERE {FIT} ORDER BY series, measured_at"
            ),
            [],
        )?;
        tx.execute(&format!("DELETE FROM arrivals WHERE {FIT}"), [])?;
        tx.commit()?;
        *self = Waiting::of(0);
        Ok(())
    }

    /// Carries over those of the oldest day that has any and ends at or before `before`, however few: a small site would otherwise fill its
    /// pages for weeks. Gives whether there were any.
    pub(crate) fn carry_over_a_day(&mut self, conn: &mut Connection, before: Timestamp) -> Result<bool, Cause> {
        let oldest = format!("SELECT measured_at FROM arrivals WHERE {FIT} ORDER BY measured_at LIMIT 1");
        let oldest: Option<i64> = conn.query_row(&oldest, [], |row| row.get(0)).optional()?;
        let Some(end) =
            oldest.map(|at| chunk::first_of(chunk::day_of(at) + 1)).filter(|end| *end <= before.as_millis())
        else {
            return Ok(false);
        };
        let tx = conn.transaction_with_behavior(TransactionBehavior::Immediate)?;
        tx.execute(
            &format!(
                "INSERT OR IGNORE INTO readings (series, measured_at, value, delay, marks, reason)
                 SELECT series, measured_at, value, delay, marks, reason FROM arrivals WHERE measured_at < ?1 AND {FIT}
                 ORDER BY series, measured_at"
            ),
            [end],
        )?;
        let gone = tx.execute(&format!("DELETE FROM arrivals WHERE measured_at < ?1 AND {FIT}"), [end])?;
        tx.commit()?;
        self.now = self.now.saturating_sub(gone);
        self.newest.clear();
        Ok(gone > 0)
    }
}
