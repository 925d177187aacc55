//! How far the copy for a database elsewhere has come, and what there is to copy.
//!
//! Must never move past a row that was not copied: where it stands is told by whoever copied, and only forwards.

use pile::time::Timestamp;
use rusqlite::{OptionalExtension, params};
use seal::Value;

use crate::{KeptRow, Ledger, LedgerError, record_end, rows};

/// What was not taken is kept up to this number, the newest.
const NOT_TAKEN_KEPT: i64 = 1_000;

/// Where a copy stands.
#[derive(Clone, Debug, PartialEq, Eq, Default)]
pub struct CopyState {
    /// The number of the record's row that is next; every row before it is copied, and so are the readings under its roots.
    pub next: u64,
    /// How many rows the record has.
    pub rows: u64,
    /// When the oldest row that waits was written; `None` when none waits.
    pub waits_since: Option<Timestamp>,
    /// When something was copied last.
    pub copied_at: Option<Timestamp>,
    /// What stands in the way, with since when; `None` while all goes well.
    pub trouble: Option<(Timestamp, String)>,
    /// How many points were ever refused for good.
    pub not_taken: u64,
}

/// A point that the database elsewhere does not take.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NotTakenRow {
    /// When that was found.
    pub at: Timestamp,
    /// The point, in a few words.
    pub point: String,
    /// The words of the other side.
    pub why: String,
}

impl Ledger {
    /// Where the copy to a target stands, by its name; at the beginning for one that is new.
    ///
    /// # Errors
    /// [`LedgerError`] when the ledger cannot be read.
    pub fn copy_state(&self, target: &str) -> Result<CopyState, LedgerError> {
        self.reading("reading how far the copy has come", |conn| {
            // One that cannot be read begins again: what is copied twice is there once.
            let sql = "SELECT next, copied_at, trouble, trouble_since, not_taken FROM copies WHERE target = ?1";
            let known = rows::told(conn, "copies", sql, [target], |row| {
                let since = row.get::<_, Option<i64>>(3)?.map(Timestamp::from_millis);
                Ok(CopyState {
                    next: u64::try_from(row.get::<_, i64>(0)?).unwrap_or(0),
                    copied_at: row.get::<_, Option<i64>>(1)?.map(Timestamp::from_millis),
                    trouble: since.zip(row.get(2)?),
                    not_taken: row.get::<_, i64>(4)?.unsigned_abs(),
                    ..CopyState::default()
                })
            })?;
            let rows = record_end::newest(conn)? + 1;
            let mut state = known.into_iter().next().unwrap_or_default();
            state.next = state.next.min(rows.unsigned_abs());
            let mut waiting = conn.prepare_cached("SELECT at FROM record WHERE seq = ?1")?;
            let waits_since =
                waiting.query_row([rows::key(state.next)?], |row| Ok(row.get::<_, i64>(0).ok())).optional()?.flatten();
            Ok(CopyState { rows: rows.unsigned_abs(), waits_since: waits_since.map(Timestamp::from_millis), ..state })
        })
    }

    /// Notes that every row before `next` is copied, and what was not taken on the way; trouble is over with it.
    ///
    /// # Errors
    /// [`LedgerError`]; then nothing was noted, and the same is copied again, which changes nothing there.
    pub fn copied(
        &mut self,
        target: &str,
        at: Timestamp,
        next: u64,
        not_taken: &[(String, String)],
    ) -> Result<(), LedgerError> {
        self.writing("noting how far the copy has come", |ledger| {
            let tx = ledger.conn.transaction()?;
            let more = i64::try_from(not_taken.len()).unwrap_or(i64::MAX);
            // What lies past the record, or is no number, was not written by a copy.
            tx.prepare_cached(
                "INSERT INTO copies (target, next, copied_at, not_taken) VALUES (?1, ?2, ?3, ?4)
                 ON CONFLICT (target) DO UPDATE SET
                     next = CASE WHEN typeof(next) = 'integer' AND next <= ?5 THEN max(next, excluded.next) ELSE excluded.next END,
                     copied_at = excluded.copied_at,
                     not_taken = CASE WHEN typeof(not_taken) = 'integer' AND not_taken BETWEEN 0 AND 9007199254740992
                         THEN not_taken + excluded.not_taken ELSE excluded.not_taken END,
                     trouble = NULL, trouble_since = NULL",
            )?
            .execute(params![target, rows::key(next)?, at.as_millis(), more, record_end::newest(&tx)? + 1])?;
            for (point, why) in not_taken {
                tx.prepare_cached("INSERT INTO copies_not_taken (at, point, why) VALUES (?1, ?2, ?3)")?
                    .execute(params![at.as_millis(), point, why])?;
            }
            if more > 0 {
                let trim = "DELETE FROM copies_not_taken WHERE id <= (SELECT max(id) FROM copies_not_taken) - ?1";
                tx.execute(trim, [NOT_TAKEN_KEPT])?;
            }
            tx.commit()?;
            Ok(())
        })
    }

    /// Notes what stands in the way of a copy; since when stays as it was noted first.
    ///
    /// # Errors
    /// [`LedgerError`]; then nothing was noted.
    pub fn copy_in_trouble(&mut self, target: &str, at: Timestamp, why: &str) -> Result<(), LedgerError> {
        self.writing("noting what stands in the way of the copy", |ledger| {
            let mut note = ledger.conn.prepare_cached(
                "INSERT INTO copies (target, next, not_taken, trouble, trouble_since) VALUES (?1, 0, 0, ?2, ?3)
                 ON CONFLICT (target) DO UPDATE SET trouble = excluded.trouble,
                     trouble_since = coalesce(trouble_since, excluded.trouble_since)",
            )?;
            note.execute(params![target, why, at.as_millis()])?;
            Ok(())
        })
    }

    /// What the database elsewhere did not take, the newest first, at most `limit`.
    ///
    /// # Errors
    /// [`LedgerError`] when the ledger cannot be read.
    pub fn not_taken(&self, limit: usize) -> Result<Vec<NotTakenRow>, LedgerError> {
        self.reading("reading what was not taken", |conn| {
            let sql = "SELECT at, point, why FROM copies_not_taken ORDER BY id DESC LIMIT ?1";
            rows::told(conn, "copies_not_taken", sql, [i64::try_from(limit).unwrap_or(i64::MAX)], |row| {
                Ok(NotTakenRow { at: Timestamp::from_millis(row.get(0)?), point: row.get(1)?, why: row.get(2)? })
            })
        })
    }

    /// The rows of the record from a number on, at most so many.
    ///
    /// # Errors
    /// [`LedgerError`] when the ledger cannot be read.
    pub fn rows_from(&self, seq: u64, most: usize) -> Result<Vec<KeptRow>, LedgerError> {
        self.reading("reading the record", |conn| {
            let sql = "SELECT seq, at, text FROM record WHERE seq BETWEEN ?1 AND ?3 ORDER BY seq LIMIT ?2";
            let most = i64::try_from(most).unwrap_or(i64::MAX);
            rows::all(conn, sql, params![rows::key(seq)?, most, record_end::newest(conn)?], |row| {
                let seq = row.get::<_, i64>(0)?.unsigned_abs();
                let parsed = row.get_ref(2)?.as_str().ok().and_then(|text| seal::row::parse(text).ok());
                // A row that cannot be read is handed on as one that tells nothing, so that the copy goes on behind it.
                let at = row.get(1).ok().map(Timestamp::from_millis);
                let (kind, body) = match (parsed, at) {
                    (Some(parsed), Some(_)) => (parsed.kind, parsed.body),
                    _ => (record_end::UNREADABLE.to_owned(), Value::Null),
                };
                Ok(KeptRow { seq, at: at.unwrap_or(Timestamp::from_millis(0)), kind, body })
            })
        })
    }
}
