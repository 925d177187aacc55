//! What could not be stored, or was found broken: kept as bytes for the operator, and named.
//!
//! Must never be read back as if it were stored.

use engine::restore::PassedOver;
use pile::time::{Span, Timestamp};
use rusqlite::{Connection, params};

use crate::error::Cause;
use crate::rows;

/// Kept at the most, the newest: something that fails with every message must not fill the disk.
const KEPT: i64 = 1_000;
/// Bytes kept of one.
const BYTES_MOST: usize = 64 << 10;
/// What was lost is told at starts for so long; the record has it for ever, and so has `hypocaust store check`.
const TOLD_FOR: Span = Span::days(7);
/// What is told of at a start at the most.
const TOLD: i64 = 100;
/// The name under which the store itself is told of.
pub(crate) const STORE: &str = engine::restore::STORE;

/// Something that could not be stored, or was found broken.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SetAside {
    /// What it is, in words or by its table.
    pub what: String,
    /// Its number, where it has one.
    pub number: Option<i64>,
    /// What is wrong with it.
    pub why: String,
    /// What it says, for somebody who looks after the program.
    pub bytes: Vec<u8>,
    /// Its place among the effects of the commit, where it comes from one.
    pub effect: Option<usize>,
}

/// Keeps something.
pub(crate) fn keep(conn: &Connection, at: Timestamp, aside: &SetAside) -> Result<(), Cause> {
    let bytes = aside.bytes.get(..BYTES_MOST).unwrap_or(&aside.bytes);
    conn.prepare_cached("INSERT INTO set_aside (at, what, number, why, bytes) VALUES (?1, ?2, ?3, ?4, ?5)")?
        .execute(params![at.as_millis(), aside.what, aside.number, aside.why, bytes])?;
    // Broken rows of the record stay: nothing else tells of them.
    conn.prepare_cached("DELETE FROM set_aside WHERE what <> 'record' AND id <= (SELECT max(id) FROM set_aside) - ?1")?
        .execute([KEPT])?;
    Ok(())
}

/// What a start names: broken rows of the record, and what was lost lately.
pub(crate) fn passed_over(conn: &Connection, now: Timestamp, over: &mut Vec<PassedOver>) -> Result<(), Cause> {
    let sql = "SELECT coalesce(number, 0), what, why FROM set_aside WHERE what = 'record' OR at > ?1 ORDER BY id DESC LIMIT ?2";
    let since = (now - TOLD_FOR).as_millis();
    let found = rows::readable(
        conn,
        "set_aside",
        sql,
        [since, TOLD],
        |row| Ok(PassedOver { table: row.get(1)?, row: row.get(0)?, bin: None, why: row.get(2)? }),
        over,
    )?;
    over.extend(found);
    Ok(())
}

/// One line for each, the newest first, at most so many; and how many there are.
pub(crate) fn listed(conn: &Connection, most: usize) -> Result<(u64, Vec<String>), Cause> {
    let many: i64 = conn.query_row("SELECT count(*) FROM set_aside", [], |row| row.get(0))?;
    let sql = "SELECT id, what, number, why, length(bytes) FROM set_aside ORDER BY id DESC LIMIT ?1";
    let lines = rows::readable(
        conn,
        "set_aside",
        sql,
        [i64::try_from(most).unwrap_or(i64::MAX)],
        |row| {
            let (id, what, number, why): (i64, String, Option<i64>, String) =
                (row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?);
            let number = number.map(|number| format!(" {number}")).unwrap_or_default();
            Ok(format!("{what}{number}: {why} (its bytes are kept in `set_aside`, row {id})"))
        },
        &mut Vec::new(),
    )?;
    Ok((many.unsigned_abs(), lines))
}
