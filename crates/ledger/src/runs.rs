//! When the daemon ran: what a start learns about the run before, and when nobody watched.
//!
//! Must never count a command that wrote one entry as a time when somebody watched: only what begins a run is one.

use engine::input::PreviousRun;
use pile::time::Timestamp;
use rusqlite::{Connection, params};
use serde_json::json;
use site::bounds;
use site::zone::rfc3339_millis;

use crate::error::Cause;
use crate::{Access, Ledger, LedgerError, record};

impl Ledger {
    /// The daemon starts to watch; the start goes on record, and for how long nobody watched before it.
    ///
    /// # Errors
    /// [`LedgerError`]; then nothing was written.
    pub fn begin_run(&mut self, at: Timestamp) -> Result<(), LedgerError> {
        self.writing("noting the start", |ledger| {
            let (previous, _) = before(&ledger.conn, None, ledger.access, at, at)?;
            let mut head = ledger.head.clone();
            let tx = ledger.conn.transaction()?;
            let start = json!({ "version": env!("CARGO_PKG_VERSION"), "first": previous.is_none() });
            record::append(&tx, &mut head, at, "run.start", &start)?;
            if let Some(PreviousRun { last_alive, stopped_cleanly }) = previous {
                let gap = json!({
                    "from": rfc3339_millis(last_alive), "to": rfc3339_millis(at), "stopped_cleanly": stopped_cleanly
                });
                record::append(&tx, &mut head, at, "run.gap", &gap)?;
            }
            tx.execute("INSERT INTO runs (started_at, last_alive) VALUES (?1, ?1)", [at.as_millis()])?;
            let run = tx.last_insert_rowid();
            tx.commit()?;
            ledger.head = head;
            ledger.run = Some(run);
            Ok(())
        })
    }

    /// The daemon is alive; commits say so too. Without a run that began here nothing is written.
    ///
    /// # Errors
    /// [`LedgerError`]; then nothing was written.
    pub fn alive(&mut self, at: Timestamp) -> Result<(), LedgerError> {
        self.writing("noting that the daemon is alive", |ledger| match ledger.run {
            Some(run) => note_alive(&ledger.conn, run, at),
            None => Ok(()),
        })
    }

    /// The daemon was asked to stop and does; also gathers the write-ahead log into the ledger, so that `ledger.db` alone is whole.
    ///
    /// # Errors
    /// [`LedgerError`] when the stop could not be noted; the next start then takes it for a crash.
    pub fn end_run(&mut self, at: Timestamp) -> Result<(), LedgerError> {
        self.writing("noting the stop", |ledger| {
            let Some(run) = ledger.run else { return Ok(()) };
            let sql =
                "UPDATE runs SET stopped_at = max(?2, last_alive), last_alive = max(?2, last_alive) WHERE id = ?1";
            let mut head = ledger.head.clone();
            let tx = ledger.conn.transaction()?;
            tx.execute(sql, params![run, at.as_millis()])?;
            record::append(&tx, &mut head, at, "run.stop", &json!({}))?;
            tx.commit()?;
            ledger.head = head;
            ledger.run = None;
            // A reader may hold the log in use; then it stays as it is, whole and safe, until the next start.
            let gathered = ledger.conn.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |row| row.get::<_, i64>(0));
            if !matches!(gathered, Ok(0)) {
                tracing::info!("the write-ahead log of {} stays until the next start", ledger.path.display());
            }
            Ok(())
        })
    }
}

/// Moves the last sign of life of a run; never backwards.
pub(crate) fn note_alive(conn: &Connection, run: i64, at: Timestamp) -> Result<(), Cause> {
    let mut update = conn.prepare_cached("UPDATE runs SET last_alive = max(last_alive, ?2) WHERE id = ?1")?;
    update.execute(params![run, at.as_millis()])?;
    Ok(())
}

/// When a run began or was last alive; a date that the calendar does not have counts as its nearest.
fn of_calendar(ms: i64) -> Timestamp {
    Timestamp::from_millis(ms).clamp(bounds::EARLIEST, bounds::LATEST)
}

/// From when to when nobody watched.
type Off = Vec<(Timestamp, Timestamp)>;

/// How the run before `current` ended, and every time since `since` when none ran, oldest first, whole even where it began before.
pub(crate) fn before(
    conn: &Connection,
    current: Option<i64>,
    access: Access,
    now: Timestamp,
    since: Timestamp,
) -> Result<(Option<PreviousRun>, Off), Cause> {
    let mut query = conn.prepare_cached("SELECT id, started_at, last_alive, stopped_at FROM runs ORDER BY id DESC")?;
    let mut rows = query.query([])?;
    let mut previous = None;
    let mut off = Vec::new();
    let mut next_start = now;
    while let Some(row) = rows.next()? {
        // A run that cannot be read was none; the times around it then count as one time off.
        let read = || Ok::<_, Cause>((row.get::<_, i64>(0)?, row.get(1)?, row.get(2)?, row.get::<_, Option<i64>>(3)?));
        let Ok((id, started, alive, stopped)) = read() else { continue };
        let started_at = of_calendar(started);
        if current.is_some_and(|current| id >= current) {
            next_start = started_at;
            continue;
        }
        let last_alive = of_calendar(alive);
        // A reader cannot tell whether the newest run, if it was not stopped, still goes on.
        let may_go_on = previous.is_none() && access == Access::Read && stopped.is_none();
        previous.get_or_insert(PreviousRun { last_alive, stopped_cleanly: stopped.is_some() });
        if next_start <= since {
            break;
        }
        if last_alive < next_start && !may_go_on {
            off.push((last_alive, next_start));
        }
        next_start = started_at;
    }
    off.reverse();
    Ok((previous, off))
}
