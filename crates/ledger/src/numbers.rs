//! Numbers of rows: the next one always has room, whatever numbers somebody wrote by hand.
//!
//! Must never change what a row says: only a number that leaves no room for the next is given away for a lower one, and said.

use rusqlite::{Connection, TransactionBehavior, params};

use crate::days;
use crate::error::Cause;

/// Numbers that are free behind the one that [`highest`] gives: more than anybody writes.
const FREE: i64 = 1 << 32;

/// Tables whose next number the database chooses and nothing refers to.
const CHOSEN: [&str; 5] = ["runs", "refused", "alarm_events", "copies_not_taken", "set_aside"];

/// The highest number in a table; 0 where it is empty. Where somebody wrote a number so high that none is left behind it, the lowest one behind
/// which there is room.
pub(crate) fn highest(conn: &Connection, table: &str) -> Result<u64, Cause> {
    let sql = format!("SELECT max(coalesce(max(id), 0), 0) FROM {table}");
    let highest: i64 = conn.query_row(&sql, [], |row| row.get(0))?;
    if highest <= i64::MAX - FREE {
        return Ok(highest.unsigned_abs());
    }
    let sql = format!(
        "SELECT coalesce(min(a.id), 0) FROM (SELECT 0 AS id UNION ALL SELECT id FROM {table} WHERE id > 0) a
         WHERE a.id <= ?2 AND NOT EXISTS (SELECT 1 FROM {table} b WHERE b.id > a.id AND b.id <= a.id + ?1)"
    );
    let room: i64 = conn.query_row(&sql, [FREE, i64::MAX - FREE], |row| row.get(0))?;
    Ok(room.unsigned_abs())
}

/// Gives lower numbers to rows of [`CHOSEN`] that leave no room for the next, and to series beyond what days are packed for; gives whether there
/// were any.
///
/// # Errors
/// Only what may be over later: what the store will never let change stays as it is, and is left out of each commit that it fails.
pub(crate) fn make_room(conn: &mut Connection) -> Result<bool, Cause> {
    let mut changed = false;
    for made in [lower_numbers, lower_series] {
        match made(conn) {
            Err(cause) if cause.is_permanent() => {
                tracing::warn!("numbers that leave no room for the next stay as they are: {}", cause.words());
            }
            made => changed |= made?,
        }
    }
    Ok(changed)
}

fn lower_numbers(conn: &mut Connection) -> Result<bool, Cause> {
    let mut changed = false;
    for table in CHOSEN {
        // A row may have been given its number past the counter.
        let sql = format!(
            "SELECT max(n) FROM (SELECT seq AS n FROM sqlite_sequence WHERE name = ?1 AND typeof(seq) = 'integer'
             UNION ALL SELECT max(id) FROM {table})"
        );
        let last: Option<i64> = conn.query_row(&sql, [table], |row| row.get(0))?;
        if last.is_none_or(|last| last <= i64::MAX - FREE) {
            continue;
        }
        let tx = conn.transaction_with_behavior(TransactionBehavior::Immediate)?;
        let high: Vec<i64> = ids(&tx, &format!("SELECT id FROM {table} WHERE id > ?1 ORDER BY id"), i64::MAX - FREE)?;
        let below = rows_key(highest(&tx, table)?);
        for (n, id) in (1_i64..).zip(&high) {
            tx.execute(&format!("UPDATE {table} SET id = ?2 WHERE id = ?1"), params![id, below + n])?;
        }
        tx.execute(
            &format!("UPDATE sqlite_sequence SET seq = (SELECT coalesce(max(id), 0) FROM {table}) WHERE name = ?1"),
            [table],
        )?;
        tx.commit()?;
        changed = true;
        tracing::warn!(
            "{} rows of {table} had numbers that leave no room for the next; they follow the others now",
            high.len()
        );
    }
    Ok(changed)
}

fn lower_series(conn: &mut Connection) -> Result<bool, Cause> {
    let beyond = ids(conn, "SELECT id FROM series WHERE id < 1 OR id > ?1 ORDER BY id", days::SERIES_MOST)?;
    let changed = !beyond.is_empty();
    for id in beyond {
        let tx = conn.transaction_with_behavior(TransactionBehavior::Immediate)?;
        // The readings move in the same transaction, and only its end is looked at.
        tx.execute_batch("PRAGMA defer_foreign_keys = ON")?;
        let next = next_series(&tx)?;
        for (table, column) in [("series", "id"), ("readings", "series"), ("arrivals", "series"), ("refused", "series")]
        {
            // Readings of a series that is not there, should somebody have left some under this number, make way.
            tx.execute(&format!("UPDATE OR REPLACE {table} SET {column} = ?2 WHERE {column} = ?1"), [id, next])?;
        }
        tx.commit()?;
        tracing::warn!(
            "the series {id} had a number beyond what days are packed for; it is number {next} now, with its readings"
        );
    }
    Ok(changed)
}

/// The number of the next series: one that days can be packed for.
pub(crate) fn next_series(conn: &Connection) -> Result<i64, Cause> {
    let last = "SELECT coalesce(max(id), 0) FROM series WHERE id BETWEEN 0 AND ?1";
    let last: i64 = conn.query_row(last, [days::SERIES_MOST], |row| row.get(0))?;
    if last < days::SERIES_MOST {
        return Ok(last + 1);
    }
    let gap = "SELECT min(a.id) + 1 FROM (SELECT 0 AS id UNION ALL SELECT id FROM series) a
               WHERE a.id BETWEEN 0 AND ?1 - 1 AND NOT EXISTS (SELECT 1 FROM series b WHERE b.id = a.id + 1)";
    let free: Option<i64> = conn.query_row(gap, [days::SERIES_MOST], |row| row.get(0))?;
    free.ok_or_else(|| Cause::Contradiction("there are more series than days are packed for".into()))
}

fn ids(conn: &Connection, sql: &str, than: i64) -> Result<Vec<i64>, Cause> {
    crate::rows::all(conn, sql, [than], |row| Ok(row.get(0)?))
}

fn rows_key(number: u64) -> i64 {
    i64::try_from(number).unwrap_or(i64::MAX - FREE)
}
