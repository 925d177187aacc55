//! The layout of the ledger's tables and how an older layout becomes the current one.
//!
//! Must never change a step that was once released: a change is a new step at the end.

use rusqlite::{Connection, TransactionBehavior};

/// Marks the file as ours in the SQLite header; the letters `HYPC`.
pub(crate) const APPLICATION_ID: i64 = 0x4859_5043;

/// Steps from an empty file to the current layout. `PRAGMA user_version` counts the steps that were taken.
///
/// All times are milliseconds since 1970-01-01T00:00:00 UTC.
pub(crate) const STEPS: &[&str] = &["
PRAGMA application_id = 1213812803;

-- `life` is drawn here and never from a clock: it makes the Message-IDs of this ledger its own.
CREATE TABLE meta (key TEXT PRIMARY KEY, value INTEGER NOT NULL) STRICT, WITHOUT ROWID;
INSERT INTO meta (key, value) VALUES ('life', random() & 4294967295);

CREATE TABLE series (
    id INTEGER PRIMARY KEY,
    kind TEXT NOT NULL CHECK (kind IN ('probe', 'blower')),
    source TEXT NOT NULL,
    quantity TEXT NOT NULL,
    UNIQUE (kind, source, quantity)
) STRICT;

-- Where readings lie for good, one series after the other. Most rows have NULL in `marks` and `reason`, which keeps them under 30 bytes:
--   delay   received_at less measured_at; NULL means none
--   marks   bits 0-1 quality (0 good, 1 suspect, 2 bad), bits 2-3 where measured_at comes from (0 the device, 1 intake,
--           2 intake because the device's clock was wrong, 3 because it was ahead), bit 4 retained; NULL means 0
--   reason  why it is not good; NULL means nothing was said
CREATE TABLE readings (
    series INTEGER NOT NULL REFERENCES series (id),
    measured_at INTEGER NOT NULL,
    value REAL NOT NULL,
    delay INTEGER,
    marks INTEGER,
    reason TEXT,
    PRIMARY KEY (series, measured_at)
) STRICT, WITHOUT ROWID;

-- Readings that came in lately, by time, with the columns of `readings`; whoever asks for readings asks both tables. In `readings` each
-- series grows in a page of its own, so that storing them one by one would write 4 KiB twice for 30 bytes. Here a thousand readings
-- of a thousand series share eight pages, and are carried over together.
CREATE TABLE arrivals (
    measured_at INTEGER NOT NULL,
    series INTEGER NOT NULL REFERENCES series (id),
    value REAL NOT NULL,
    delay INTEGER,
    marks INTEGER,
    reason TEXT,
    PRIMARY KEY (measured_at, series)
) STRICT, WITHOUT ROWID;

-- Payloads that gave no reading, and readings that contradict one that was there first (those have a series).
CREATE TABLE refused (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    received_at INTEGER NOT NULL,
    topic TEXT NOT NULL,
    payload_head TEXT NOT NULL,
    payload_bytes INTEGER NOT NULL,
    reason TEXT NOT NULL,
    series INTEGER REFERENCES series (id),
    measured_at INTEGER,
    value REAL
) STRICT;
-- A contradiction that is delivered again changes nothing.
CREATE UNIQUE INDEX refused_once ON refused (series, measured_at, value) WHERE series IS NOT NULL;

CREATE TABLE entries (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    at INTEGER NOT NULL,
    bin TEXT NOT NULL,
    kind TEXT NOT NULL,
    detail TEXT NOT NULL,
    by TEXT NOT NULL,
    note TEXT NOT NULL
) STRICT;
CREATE INDEX entries_at ON entries (at);

CREATE TABLE batches (
    id INTEGER PRIMARY KEY,
    bin TEXT NOT NULL,
    on_air_at INTEGER NOT NULL,
    off_air_at INTEGER,
    loaded_celsius REAL
) STRICT;
CREATE INDEX batches_bin ON batches (bin, id);

CREATE TABLE alarms (
    id INTEGER PRIMARY KEY,
    rule TEXT NOT NULL,
    subject TEXT NOT NULL,
    subject_name TEXT,
    state TEXT NOT NULL,
    proof TEXT NOT NULL,
    proof_since INTEGER,
    proof_last INTEGER,
    occurrence INTEGER NOT NULL,
    onset INTEGER,
    raised_at INTEGER,
    cleared_at INTEGER,
    acknowledged TEXT,
    title TEXT NOT NULL,
    priority TEXT NOT NULL,
    revision TEXT NOT NULL,
    finding TEXT NOT NULL,
    evidence TEXT NOT NULL,
    thread_subject TEXT NOT NULL,
    mails INTEGER NOT NULL
) STRICT;

CREATE TABLE alarm_events (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    alarm INTEGER NOT NULL REFERENCES alarms (id),
    occurrence INTEGER NOT NULL,
    at INTEGER NOT NULL,
    kind TEXT NOT NULL,
    before TEXT NOT NULL,
    after TEXT NOT NULL,
    evidence_at INTEGER,
    words TEXT NOT NULL,
    revision TEXT NOT NULL
) STRICT;
CREATE INDEX alarm_events_at ON alarm_events (at);
CREATE INDEX alarm_events_alarm ON alarm_events (alarm, at);

-- `settled_at` is when the relay took the mail or when it was given up.
CREATE TABLE outbox (
    id INTEGER PRIMARY KEY,
    recipient TEXT NOT NULL,
    created_at INTEGER NOT NULL,
    notice TEXT NOT NULL,
    state TEXT NOT NULL,
    next_try INTEGER,
    tries INTEGER NOT NULL,
    reply TEXT NOT NULL,
    settled_at INTEGER,
    rendered BLOB
) STRICT;
CREATE INDEX outbox_waiting ON outbox (id) WHERE state = 'waiting';

CREATE TABLE summaries (year INTEGER NOT NULL, week INTEGER NOT NULL, PRIMARY KEY (year, week)) STRICT, WITHOUT ROWID;

CREATE TABLE runs (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    started_at INTEGER NOT NULL,
    last_alive INTEGER NOT NULL,
    stopped_at INTEGER
) STRICT;
", "
-- The day as YYYY-MM-DD, by the calendar of the site.
CREATE TABLE round_lists (day TEXT PRIMARY KEY) STRICT, WITHOUT ROWID;
", "
-- What hides an alarm and what it is underneath, as JSON; NULL while nothing hides it.
ALTER TABLE alarms ADD COLUMN hidden TEXT;
ALTER TABLE alarms ADD COLUMN reminders INTEGER NOT NULL DEFAULT 0;
ALTER TABLE alarms ADD COLUMN reminder_at INTEGER;
ALTER TABLE alarms ADD COLUMN confirmed TEXT;
-- The occurrence in whose thread its mails go.
ALTER TABLE alarms ADD COLUMN thread INTEGER NOT NULL DEFAULT 0;
UPDATE alarms SET thread = occurrence;
-- 1 while something about it waits for the next mail that tells of many.
ALTER TABLE alarms ADD COLUMN held INTEGER NOT NULL DEFAULT 0;
CREATE INDEX outbox_created ON outbox (created_at);
", "
-- 1 when the finding has become graver in the current occurrence.
ALTER TABLE alarms ADD COLUMN graver INTEGER NOT NULL DEFAULT 0;
", "
-- Where the water account of each bin stands, its numbers as a JSON list; see `pile::water_account`.
CREATE TABLE water (bin TEXT PRIMARY KEY, batch INTEGER NOT NULL, at INTEGER NOT NULL, account TEXT NOT NULL) STRICT, WITHOUT ROWID;
", "
-- When an entry was written down, which may be long after what it tells of; NULL in entries of an older layout.
ALTER TABLE entries ADD COLUMN recorded_at INTEGER;
", "
-- Every text that was ever in force, by the hash that alarms name it by.
CREATE TABLE rule_texts (
    revision TEXT NOT NULL,
    name TEXT NOT NULL,
    path TEXT NOT NULL,
    text TEXT NOT NULL,
    kept_at INTEGER NOT NULL,
    PRIMARY KEY (name, revision)
) STRICT, WITHOUT ROWID;
CREATE TABLE rules_in_force (name TEXT PRIMARY KEY, revision TEXT NOT NULL) STRICT, WITHOUT ROWID;
-- What a rule or the daemon rested its finding on, as JSON; NULL in events of people and timers, and of an older layout.
ALTER TABLE alarm_events ADD COLUMN grounds TEXT;
", "
-- A batch begins with its first load, before its air is on, and goes on after it left its bin.
CREATE TABLE batches_now (
    id INTEGER PRIMARY KEY,
    bin TEXT NOT NULL,
    in_bin_since INTEGER NOT NULL,
    loaded_last_at INTEGER,
    on_air_at INTEGER,
    off_air_at INTEGER,
    curing_at INTEGER,
    storage_at INTEGER,
    gone_at INTEGER,
    loaded_celsius REAL,
    parents TEXT NOT NULL
) STRICT;
-- Of the batches of an older layout only the newest of each bin is still there; the others went when the next began.
INSERT INTO batches_now SELECT id, bin, on_air_at, NULL, on_air_at, off_air_at, NULL, NULL,
    (SELECT min(later.on_air_at) FROM batches later WHERE later.bin = b.bin AND later.id > b.id), loaded_celsius, '[]'
    FROM batches b;
DROP TABLE batches;
ALTER TABLE batches_now RENAME TO batches;
CREATE INDEX batches_bin ON batches (bin, id);
-- The batch that an entry is about; NULL where there was none, and in entries of an older layout.
ALTER TABLE entries ADD COLUMN batch INTEGER;
", "
-- The record: rows of canonical JSON that are only ever added, each naming the hash of the one before; see the crate `seal`.
CREATE TABLE record (seq INTEGER PRIMARY KEY, at INTEGER NOT NULL, text TEXT NOT NULL, hash BLOB NOT NULL) STRICT;
CREATE INDEX record_at ON record (at);
CREATE TRIGGER record_never_changes BEFORE UPDATE ON record
BEGIN SELECT RAISE(ABORT, 'the record is only added to: a row is never changed, a correction is a new row'); END;
CREATE TRIGGER record_never_shrinks BEFORE DELETE ON record
BEGIN SELECT RAISE(ABORT, 'the record is only added to: a row is never deleted'); END;
-- A row in the place of another would otherwise replace it without a word to the trigger above.
CREATE TRIGGER record_goes_on BEFORE INSERT ON record WHEN NEW.seq <> (SELECT coalesce(max(seq) + 1, 0) FROM record)
BEGIN SELECT RAISE(ABORT, 'the record is only added to: this is not the number of its next row'); END;
-- For each hour of readings the row with the root over them; `touched` while a reading is stored that this row does not hold.
-- Hours of before the record began are not here.
CREATE TABLE record_hours (hour INTEGER PRIMARY KEY, row INTEGER REFERENCES record (seq), touched INTEGER NOT NULL) STRICT;
CREATE INDEX record_hours_touched ON record_hours (hour) WHERE touched = 1;
", "
-- How each batch stood against each criterion when it was judged last; times of `met_at` and `earliest_at` may be missing.
CREATE TABLE results (
    batch INTEGER NOT NULL,
    place INTEGER NOT NULL,
    criterion TEXT NOT NULL,
    bin TEXT NOT NULL,
    at INTEGER NOT NULL,
    result TEXT NOT NULL,
    met_at INTEGER,
    earliest_at INTEGER,
    hours_counted REAL NOT NULL,
    hours_needed REAL NOT NULL,
    coverage REAL,
    PRIMARY KEY (batch, place)
) STRICT, WITHOUT ROWID;
-- What became of each weekly summary after its draft.
CREATE TABLE reports (
    year INTEGER NOT NULL,
    week INTEGER NOT NULL,
    at INTEGER NOT NULL,
    amended INTEGER NOT NULL,
    reviewed_by TEXT,
    reviewed_at INTEGER,
    outside_at INTEGER,
    PRIMARY KEY (year, week)
) STRICT, WITHOUT ROWID;
-- 1 for an hour whose readings were taken out after their time: its root stays on record.
ALTER TABLE record_hours ADD COLUMN pruned INTEGER NOT NULL DEFAULT 0;
", "
-- How far the copies for databases elsewhere have come in the record, by target; what stands in the way; what was not taken there.
CREATE TABLE copies (
    target TEXT PRIMARY KEY,
    next INTEGER NOT NULL,
    copied_at INTEGER,
    trouble TEXT,
    trouble_since INTEGER,
    not_taken INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
CREATE TABLE copies_not_taken (id INTEGER PRIMARY KEY AUTOINCREMENT, at INTEGER NOT NULL, point TEXT NOT NULL, why TEXT NOT NULL) STRICT;
", "
-- Where readings of days that are over lie, packed: one row for each series and day of UTC. `id` is the day since 1970-01-01 times 2^24, plus
-- the series, so that what is packed on one day fills its pages one after the other and goes with them; `checksum` is over all of it. Readings
-- of such a day that came later are in `arrivals` or `readings` until the row is made anew; no instant of a series is in both.
CREATE TABLE chunks (id INTEGER PRIMARY KEY, readings INTEGER NOT NULL, checksum BLOB NOT NULL, body BLOB NOT NULL) STRICT;
-- From now on `pruned` is 2 for an hour of which only the readings of some quantities were taken out: its root is on record, and cannot be
-- computed again. `gone` names the quantities whose time is over, each between two spaces, whether the hour had any of them or not.
ALTER TABLE record_hours ADD COLUMN gone TEXT NOT NULL DEFAULT '';
", "
-- What could not be stored, or was found broken, as bytes for the operator; `number` is its own, where it has one.
CREATE TABLE set_aside (id INTEGER PRIMARY KEY AUTOINCREMENT, at INTEGER NOT NULL, what TEXT NOT NULL, number INTEGER, why TEXT NOT NULL,
    bytes BLOB NOT NULL) STRICT;
-- A row follows the newest one, past rows with numbers (above 2^52, below 0) that the record never gave: it goes on without them.
DROP TRIGGER IF EXISTS record_goes_on;
CREATE TRIGGER record_goes_on BEFORE INSERT ON record WHEN NEW.seq < 0
    OR EXISTS (SELECT 1 FROM record WHERE seq = NEW.seq OR seq > NEW.seq AND seq <= 4503599627370496)
    OR NEW.seq > 0 AND NOT EXISTS (SELECT 1 FROM record WHERE seq = NEW.seq - 1)
BEGIN SELECT RAISE(ABORT, 'the record is only added to: this is not the number of its next row'); END;
"];

/// The number of steps that were taken on a file.
pub(crate) fn layout(conn: &Connection) -> rusqlite::Result<i64> {
    conn.query_row("PRAGMA user_version", [], |row| row.get(0))
}

/// Takes the steps that are missing, each in a transaction of its own, so that a failure leaves a whole older layout.
pub(crate) fn migrate(conn: &mut Connection, steps: &[&str]) -> rusqlite::Result<()> {
    for (taken, step) in steps.iter().enumerate() {
        let tx = conn.transaction_with_behavior(TransactionBehavior::Immediate)?;
        if usize::try_from(layout(&tx)?).is_ok_and(|layout| layout > taken) {
            continue;
        }
        tx.execute_batch(step)?;
        tx.pragma_update(None, "user_version", taken as i64 + 1)?;
        tx.commit()?;
    }
    Ok(())
}

/// Makes anew what somebody took out of the layout, empty, and draws a life where there is none; gives the tables.
pub(crate) fn complete(conn: &mut Connection) -> rusqlite::Result<Vec<String>> {
    const NAMED: &str = "SELECT type, name, sql FROM sqlite_schema WHERE sql NOT NULL AND name NOT LIKE 'sqlite%'
                         ORDER BY type <> 'table', type <> 'index', rowid";
    type Named = (String, String, String);
    let named = |conn: &Connection| -> rusqlite::Result<Vec<Named>> {
        conn.prepare(NAMED)?.query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))?.collect()
    };
    let mut whole = Connection::open_in_memory()?;
    migrate(&mut whole, STEPS)?;
    let here = named(conn)?;
    let missing = |(kind, name, _): &Named| !here.iter().any(|(k, n, _)| k == kind && n == name);
    let missing: Vec<Named> = named(&whole)?.into_iter().filter(missing).collect();
    let tx = conn.transaction_with_behavior(TransactionBehavior::Immediate)?;
    for (kind, name, sql) in &missing {
        // What stands in its place stays; what needs it is left out of each commit, and named.
        match tx.execute_batch(sql) {
            Ok(()) => tracing::warn!("the {kind} {name} of the store was missing and was made anew"),
            Err(e) if e.sqlite_error_code() == Some(rusqlite::ErrorCode::Unknown) => {
                tracing::warn!("the {kind} {name} of the store is missing and cannot be made anew: {e}");
            }
            Err(e) if e.sqlite_error_code() == Some(rusqlite::ErrorCode::ConstraintViolation) => {
                tracing::warn!("the {kind} {name} of the store is missing and cannot be made anew: {e}");
            }
            Err(e) => return Err(e),
        }
    }
    tx.execute_batch(
        "INSERT INTO meta (key, value) VALUES ('life', random() & 4294967295)
         ON CONFLICT (key) DO UPDATE SET value = excluded.value WHERE typeof(value) <> 'integer'",
    )?;
    tx.commit()?;
    Ok(missing.into_iter().filter(|(kind, ..)| kind == "table").map(|(_, name, _)| name).collect())
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn shape(conn: &Connection) -> Vec<String> {
        let mut query =
            conn.prepare("SELECT name || ': ' || sql FROM sqlite_schema WHERE sql NOT NULL ORDER BY 1").unwrap();
        query.query_map([], |row| row.get(0)).unwrap().map(Result::unwrap).collect()
    }

    #[test]
    fn every_older_layout_becomes_the_current_one() {
        let mut fresh = Connection::open_in_memory().unwrap();
        migrate(&mut fresh, STEPS).unwrap();
        for older in 0..=STEPS.len() {
            let mut conn = Connection::open_in_memory().unwrap();
            migrate(&mut conn, &STEPS[..older]).unwrap();
            assert_eq!(layout(&conn).unwrap(), older as i64);
            let life: Option<i64> = conn.query_row("SELECT value FROM meta", [], |row| row.get(0)).ok();
            migrate(&mut conn, STEPS).unwrap();
            assert_eq!(layout(&conn).unwrap(), STEPS.len() as i64, "from layout {older}");
            assert_eq!(shape(&conn), shape(&fresh), "from layout {older}");
            if older > 0 {
                let after: Option<i64> = conn.query_row("SELECT value FROM meta", [], |row| row.get(0)).ok();
                assert_eq!(after, life, "what was there stays, from layout {older}");
            }
        }
    }

    #[test]
    fn the_file_is_marked_as_ours() {
        let mut conn = Connection::open_in_memory().unwrap();
        migrate(&mut conn, STEPS).unwrap();
        let id: i64 = conn.query_row("PRAGMA application_id", [], |row| row.get(0)).unwrap();
        assert_eq!(id, APPLICATION_ID);
    }

    #[test]
    fn a_step_that_fails_leaves_the_older_layout_whole() {
        let good = "CREATE TABLE a (x INTEGER) STRICT; INSERT INTO a VALUES (1);";
        let bad = "CREATE TABLE b (x INTEGER) STRICT; UPDATE a SET x = 2; INSERT INTO nowhere VALUES (1);";
        let mended = "CREATE TABLE b (x INTEGER) STRICT; UPDATE a SET x = x + 1;";
        let mut conn = Connection::open_in_memory().unwrap();
        migrate(&mut conn, &[good, bad]).unwrap_err();
        let x = |conn: &Connection| conn.query_row("SELECT x FROM a", [], |row| row.get::<_, i64>(0)).unwrap();
        assert_eq!((layout(&conn).unwrap(), x(&conn)), (1, 1));
        migrate(&mut conn, &[good, mended]).unwrap();
        migrate(&mut conn, &[good, mended]).unwrap();
        assert_eq!((layout(&conn).unwrap(), x(&conn)), (2, 2), "each step is taken once");
    }

    /// Set in the child: the file to migrate.
    const CHILD: &str = "LEDGER_TEST_MIGRATES";

    /// The process is killed while it migrates, at many points. After `kill -9` the kernel still holds every write: it shows that each step is
    /// whole or was not taken, not what a power cut leaves.
    #[test]
    fn a_migration_that_is_killed_goes_on_where_it_was() {
        if let Some(file) = std::env::var_os(CHILD) {
            let mut conn = Connection::open(file).unwrap();
            // As the ledger does; so that the log can be looked at afterwards.
            conn.set_db_config(rusqlite::config::DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, true).unwrap();
            migrate(&mut conn, STEPS).unwrap();
            return;
        }
        // The layout of before batches got a new table: that step moves rows, so that it takes a while.
        let older = 7;
        let folder = tempfile::tempdir().unwrap();
        let begin = folder.path().join("begin.db");
        let mut conn = Connection::open(&begin).unwrap();
        conn.pragma_update(None, "journal_mode", "wal").unwrap();
        migrate(&mut conn, &STEPS[..older]).unwrap();
        let rows = 20_000_i64;
        conn.execute(
            "WITH RECURSIVE n (i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < ?1)
             INSERT INTO batches SELECT i, 'bin-' || (i % 90), i * 1000, NULL, 18.5 FROM n",
            [rows],
        )
        .unwrap();
        conn.execute_batch("INSERT INTO series VALUES (1, 'probe', 'p', 'temperature'); INSERT INTO readings VALUES (1, 2, 3.5, NULL, NULL, NULL);").unwrap();
        conn.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(())).unwrap();
        drop(conn);
        let log =
            |file: &std::path::Path| std::fs::metadata(file.with_extension("db-wal")).map_or(0, |meta| meta.len());
        let start = |name: &str| {
            let file = folder.path().join(name);
            std::fs::copy(&begin, &file).unwrap();
            let child = std::process::Command::new(std::env::current_exe().unwrap())
                .args(["--exact", "schema::tests::a_migration_that_is_killed_goes_on_where_it_was"])
                .env(CHILD, &file)
                .stdout(std::process::Stdio::null())
                .spawn()
                .unwrap();
            (file, child)
        };
        let (file, mut child) = start("whole.db");
        assert!(child.wait().unwrap().success());
        let whole = log(&file);
        let mut layouts = std::collections::BTreeMap::new();
        let rounds = 24;
        for round in 0..rounds {
            let (file, mut child) = start(&format!("{round}.db"));
            // Killed once the log is so long, wherever that is.
            while log(&file) < whole * round / rounds && child.try_wait().unwrap().is_none() {
                std::thread::yield_now();
            }
            child.kill().unwrap();
            child.wait().unwrap();
            let mut conn = Connection::open(&file).unwrap();
            let found = layout(&conn).unwrap();
            *layouts.entry(found).or_insert(0) += 1;
            let whole: String = conn.query_row("PRAGMA integrity_check", [], |row| row.get(0)).unwrap();
            assert_eq!(whole, "ok", "round {round}, layout {found}");
            let count = |conn: &Connection| {
                conn.query_row("SELECT count(*), sum(on_air_at) FROM batches", [], |row| {
                    Ok((row.get::<_, i64>(0)?, row.get::<_, i64>(1)?))
                })
                .unwrap()
            };
            assert_eq!(count(&conn), (rows, rows * (rows + 1) / 2 * 1000), "round {round}, layout {found}");
            migrate(&mut conn, STEPS).unwrap();
            assert_eq!((layout(&conn).unwrap(), count(&conn).0), (STEPS.len() as i64, rows), "round {round}");
            let value: f64 = conn.query_row("SELECT value FROM readings", [], |row| row.get(0)).unwrap();
            assert!((value - 3.5).abs() < 1e-9);
        }
        println!("layouts at the kill: {layouts:?}");
        assert!(layouts.len() > 1, "every kill came at the same point: {layouts:?}");
    }
}
