//! Looks a store over: the file, its pages, what refers to what, every packed day, and how much there is.
//!
//! Must never change anything, and never stop at the first thing that does not hold.

use std::path::{Path, PathBuf};

use rusqlite::{Connection, OpenFlags, OptionalExtension};
use site::reading::SeriesId;

use crate::days::{self, Found};
use crate::error::Cause;
use crate::record_end::{self, End};
use crate::{Counts, DamagedDay, FILE, Ledger, LedgerError, chunk, rows, schema, set_aside};

/// Faults of one step that are listed; the others are counted.
const LISTED: usize = 20;
/// Packed days between two signs of progress.
const PROGRESS_EVERY: u64 = 2_000;

/// The name of the step over packed days.
pub(crate) const DAYS: &str = "days";

/// The name of the step over rows that the daemon reads.
pub(crate) const ROWS: &str = "rows";

/// The name of the step that holds the tables against the record.
pub(crate) const RECORD: &str = "record";

/// What a step came to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Finding {
    /// It holds, and this is what was looked at.
    Good(String),
    /// It holds as far as can be told, and this is what cannot.
    Unsure(String),
    /// This does not hold.
    Bad(Vec<String>),
}

/// One step of the check.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StoreStep {
    /// Its name, one word.
    pub name: &'static str,
    /// What it came to.
    pub finding: Finding,
}

impl StoreStep {
    /// Whether it holds.
    pub fn holds(&self) -> bool {
        !matches!(self.finding, Finding::Bad(_))
    }
}

/// Looks over the store in a data folder, also beside a running daemon; each step is handed to `each` as it is done, and what is under way
/// to `progress`: how many packed days were looked at, and of how many.
///
/// # Errors
/// [`LedgerError`] when it is no ledger of ours or of a later layout, or cannot be opened; what does not hold is not an error but a step.
pub fn check_folder(
    folder: &Path,
    each: &mut dyn FnMut(&StoreStep),
    progress: &mut dyn FnMut(u64, u64),
) -> Result<(), LedgerError> {
    check_file(&folder.join(FILE), each, progress)
}

/// Looks over a file that is a store or a backup of one, as [`check_folder`].
///
/// # Errors
/// As for [`check_folder`].
pub fn check_file(
    path: &Path,
    each: &mut dyn FnMut(&StoreStep),
    progress: &mut dyn FnMut(u64, u64),
) -> Result<(), LedgerError> {
    let log = log_of(path);
    let conn = open(path, &log)?;
    let layout = layout(&conn, path)?;
    let mut step = |name: &'static str, finding: Result<Finding, Cause>| {
        // Where SQLite itself cannot go on, that is what does not hold.
        let finding = finding.unwrap_or_else(|cause| Finding::Bad(vec![told(cause, path)]));
        each(&StoreStep { name, finding });
    };
    let doing = conn.unchecked_transaction().map_err(|e| Cause::Sql(e).at(path, "checking"))?;
    step("file", whole(&doing, path, &log, layout));
    step("pages", pages(&doing));
    step("references", references(&doing));
    if layout >= schema::STEPS.len() as i64 {
        step(ROWS, readable(&doing));
        step(RECORD, on_record(&doing));
        step(DAYS, packed_days(&doing, progress));
        step("amounts", crate::read::counts(&doing).map(|counts| Finding::Good(amounts(&counts))));
    } else {
        let older = format!(
            "not looked at: layout {layout} is of an older version; the daemon brings it up to date at its start"
        );
        step(ROWS, Ok(Finding::Unsure(older.clone())));
        step(DAYS, Ok(Finding::Unsure(older)));
    }
    Ok(())
}

/// Opens a store to look at it; nothing is made beside it.
pub(crate) fn open(path: &Path, log: &Path) -> Result<Connection, LedgerError> {
    if !path.exists() {
        return Err(LedgerError::Missing { path: path.into() });
    }
    // SQLite would wait for a pipe.
    for path in [path, log] {
        match files::open(path, files::STORE) {
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => {}
            Err(e) => {
                return Err(match files::Fault::of(&e) {
                    Some(fault) => LedgerError::Unfit { path: path.into(), fault: fault.clone() },
                    None => crate::error::cannot_open(path, e),
                });
            }
            Ok(_) => {}
        }
    }
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    if log.exists() {
        crate::connect(path, path, flags)
    } else {
        crate::connect(path, &crate::as_it_lies(path), flags | OpenFlags::SQLITE_OPEN_URI)
    }
}

/// The layout of a file, if it is a store of ours that this version knows.
pub(crate) fn layout(conn: &Connection, path: &Path) -> Result<i64, LedgerError> {
    let read = || -> rusqlite::Result<(i64, i64)> {
        Ok((conn.query_row("PRAGMA application_id", [], |row| row.get(0))?, schema::layout(conn)?))
    };
    let (ours, layout) = read().map_err(|e| Cause::Sql(e).at(path, "opening"))?;
    if ours != schema::APPLICATION_ID {
        return Err(LedgerError::NotALedger { path: path.into(), found: "it is something else, or empty".into() });
    }
    let known = schema::STEPS.len() as i64;
    if layout > known { Err(LedgerError::TooNew { path: path.into(), found: layout, known }) } else { Ok(layout) }
}

/// The name of a file's write-ahead log.
pub(crate) fn log_of(path: &Path) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push("-wal");
    PathBuf::from(name)
}

/// Whether the file is all there: its length, and the log that belongs to it.
fn whole(conn: &Connection, path: &Path, log: &Path, layout: i64) -> Result<Finding, Cause> {
    let pages: i64 = conn.query_row("PRAGMA page_count", [], |row| row.get(0))?;
    let size: i64 = conn.query_row("PRAGMA page_size", [], |row| row.get(0))?;
    let said = format!("{} of {:.1} MB, layout {layout}", path.display(), (pages * size) as f64 / 1e6);
    if !is_without_its_log(path) {
        return Ok(Finding::Good(said));
    }
    if was_running(conn)? {
        return Ok(Finding::Bad(vec![format!(
            "its log {} is missing, and the daemon was running when it was copied: what was stored last is not in it; copy both files \
             together, or make copies with `hypocaust store backup`",
            log.display()
        )]));
    }
    Ok(Finding::Unsure(format!(
        "{said}; a copy without its log `{}`, taken after a clean stop as it seems: then it is whole",
        log.display()
    )))
}

/// Whether the newest run was not stopped: the last thing a daemon does is to note its stop and to gather the log into the file.
pub(crate) fn was_running(conn: &Connection) -> Result<bool, Cause> {
    let sql = "SELECT stopped_at IS NULL FROM runs ORDER BY id DESC LIMIT 1";
    Ok(conn.query_row(sql, [], |row| row.get(0)).optional()?.unwrap_or(false))
}

/// Whether the file is written with a log, which lies elsewhere or nowhere.
pub(crate) fn is_without_its_log(path: &Path) -> bool {
    is_with_log(path) && !log_of(path).exists()
}

/// Whether the file was written with a write-ahead log: bytes 18 and 19 of its head say so.
fn is_with_log(path: &Path) -> bool {
    use std::io::Read;
    let mut head = [0; 20];
    let read = files::open(path, files::STORE).and_then(|mut file| file.read_exact(&mut head));
    read.is_ok() && head.get(18..20) == Some(&[2, 2])
}

fn pages(conn: &Connection) -> Result<Finding, Cause> {
    let faults = rows::all(conn, "PRAGMA integrity_check(21)", [], |row| Ok(row.get::<_, String>(0)?))?;
    if faults == ["ok"] {
        let pages: i64 = conn.query_row("PRAGMA page_count", [], |row| row.get(0))?;
        let free: i64 = conn.query_row("PRAGMA freelist_count", [], |row| row.get(0))?;
        return Ok(Finding::Good(format!(
            "{pages} pages, indexes and conditions hold; {free} pages wait to be used again"
        )));
    }
    Ok(Finding::Bad(cut(faults)))
}

fn references(conn: &Connection) -> Result<Finding, Cause> {
    let faults = rows::all(conn, "PRAGMA foreign_key_check", [], |row| {
        let (table, id, to): (String, Option<i64>, String) = (row.get(0)?, row.get(1)?, row.get(2)?);
        Ok(format!(
            "{table} {} names a row of {to} that is not there",
            id.map_or("(without number)".into(), |id| id.to_string())
        ))
    })?;
    Ok(if faults.is_empty() {
        Finding::Good("every row that names another finds it".into())
    } else {
        Finding::Bad(cut(faults))
    })
}

/// Every row that the daemon reads as something of its own, and what it could not store.
fn readable(conn: &Connection) -> Result<Finding, Cause> {
    let mut over = Vec::new();
    rows::readable_series(conn, &mut over)?;
    let end = End::find(conn)?;
    over.extend(record_end::passed_over(conn, &end)?);
    let all = |columns: &str, table: &str| format!("SELECT {columns} FROM {table}");
    rows::readable(conn, "alarms", &all(rows::ALARM, "alarms"), [], |row| rows::alarm(row).map(drop), &mut over)?;
    let events = all(rows::ALARM_EVENT, "alarm_events");
    rows::readable(conn, "alarm_events", &events, [], |row| rows::alarm_event(row).map(drop), &mut over)?;
    rows::readable(conn, "batches", &all(rows::BATCH, "batches"), [], |row| rows::batch(row).map(drop), &mut over)?;
    rows::readable(conn, "entries", &all(rows::ENTRY, "entries e"), [], |row| rows::entry(row).map(drop), &mut over)?;
    rows::readable(conn, "outbox", &all(rows::MAIL, "outbox"), [], |row| rows::mail(row).map(drop), &mut over)?;
    rows::readable(conn, "results", &all(rows::RESULT, "results"), [], |row| rows::result(row).map(drop), &mut over)?;
    let water = all("bin, batch, at, account", "water");
    rows::readable(conn, "water", &water, [], |row| rows::water(row).map(drop), &mut over)?;
    let (many, aside) = set_aside::listed(conn, LISTED)?;
    let mut faults: Vec<String> = over
        .into_iter()
        .map(|p| match p.row {
            0 => format!("{}: {}", p.table, p.why),
            row => format!("{} {row}: {}", p.table, p.why),
        })
        .collect();
    if faults.is_empty() {
        let kept = match many {
            0 => String::new(),
            _ => format!("; {many} set aside when they could not be stored or were found broken: {}", aside.join("; ")),
        };
        let said = format!("every alarm, batch, entry, mail and result reads{kept}");
        return Ok(if many == 0 { Finding::Good(said) } else { Finding::Unsure(said) });
    }
    faults = cut(faults);
    faults.extend(aside);
    Ok(Finding::Bad(faults))
}

/// The rows of the record, and what the tables say against them.
fn on_record(conn: &Connection) -> Result<Finding, Cause> {
    let check = crate::held::tables(conn)?;
    if check.faults.is_empty() {
        return Ok(Finding::Good(format!(
            "{} rows, each naming the hash of the one before; the tables say what they say",
            check.rows
        )));
    }
    let mut faults = check.faults;
    if check.more > 0 {
        faults.push(format!("and {} more", check.more));
    }
    Ok(Finding::Bad(faults))
}

/// Every packed day opened: its checksum, its columns, and that no instant of it is stored a second time.
fn packed_days(conn: &Connection, progress: &mut dyn FnMut(u64, u64)) -> Result<Finding, Cause> {
    let series: std::collections::BTreeMap<i64, SeriesId> = rows::series_ids(conn)?.into_iter().collect();
    let all: i64 = conn.query_row("SELECT count(*) FROM chunks", [], |row| row.get(0))?;
    let mut outside = conn.prepare(
        "SELECT measured_at FROM readings WHERE series = ?1 AND measured_at BETWEEN ?2 AND ?3
         UNION ALL SELECT measured_at FROM arrivals WHERE measured_at BETWEEN ?2 AND ?3 AND series = ?1",
    )?;
    let mut query = conn.prepare("SELECT id, readings, checksum, body FROM chunks ORDER BY id")?;
    let mut found = query.query([])?;
    let (mut looked_at, mut readings, mut faults) = (0_u64, 0_u64, Vec::new());
    while let Some(row) = found.next()? {
        let key: i64 = row.get(0)?;
        let (id, day) = days::of_key(key);
        let Some(name) = series.get(&id) else {
            faults.push(format!("a day of the series {id} is packed, and there is no such series"));
            continue;
        };
        match days::of_row(key, row, 1) {
            Found::Whole(packed) => {
                readings += packed.len() as u64;
                let (begin, end) = (chunk::first_of(day), chunk::first_of(day + 1) - 1);
                let mut twice = outside.query([id, begin, end])?;
                while let Some(row) = twice.next()? {
                    if packed.value_at(row.get(0)?).is_some() {
                        faults.push(format!(
                            "{name}: an instant of day {day} since 1970 is packed and has a row as well"
                        ));
                    }
                }
            }
            Found::Damaged { readings, why } => {
                let damaged = DamagedDay { series: name.clone(), day: chunk::begin_of(day), readings, why };
                faults.push(damaged.to_string());
            }
            Found::Nothing => {}
        }
        looked_at += 1;
        if looked_at.is_multiple_of(PROGRESS_EVERY) {
            progress(looked_at, all.unsigned_abs());
        }
    }
    if faults.is_empty() {
        return Ok(Finding::Good(format!(
            "{readings} readings in {looked_at} packed days: checksums hold and all of it unpacks"
        )));
    }
    Ok(Finding::Bad(cut(faults)))
}

fn amounts(counts: &Counts) -> String {
    format!(
        "{} readings of {} series, {} entries, {} batches, {} alarms, {} mails ({} of them waiting)",
        counts.readings,
        counts.series,
        counts.entries,
        counts.batches,
        counts.alarms,
        counts.mails_accepted + counts.mails_given_up + counts.mails_waiting,
        counts.mails_waiting
    )
}

fn cut(mut faults: Vec<String>) -> Vec<String> {
    let more = faults.len().saturating_sub(LISTED);
    faults.truncate(LISTED);
    if more > 0 {
        faults.push(format!("and {more} more"));
    }
    faults
}

/// A fault of SQLite's in one line.
fn told(cause: Cause, path: &Path) -> String {
    match cause {
        Cause::Sql(source) => source.to_string(),
        other => other.at(path, "checking").to_string(),
    }
}

impl Ledger {
    /// How much room a backup needs, in bytes: the pages that are in use.
    ///
    /// # Errors
    /// [`LedgerError`] when the ledger cannot be read.
    pub fn bytes_in_use(&self) -> Result<u64, LedgerError> {
        self.reading("measuring", |conn| {
            let one = |what: &str| conn.query_row(&format!("PRAGMA {what}"), [], |row| row.get::<_, i64>(0));
            let pages = one("page_count")? - one("freelist_count")?;
            Ok((pages * one("page_size")?).unsigned_abs())
        })
    }
}
