//! The store of one site: readings, entries, batches, alarms, the outbox and the record of it all, in one SQLite file in the data folder.
//!
//! Must never judge compost, and never say that something is stored before it would survive a power cut.

mod arrivals;
mod backup;
mod check;
mod chunk;
mod commit;
mod compact;
mod copying;
mod days;
mod error;
mod folder;
mod give_back;
mod height;
mod held;
mod hours;
mod json;
mod numbers;
mod outbox;
mod past;
mod prune;
mod read;
mod record;
mod record_end;
mod restore;
mod rows;
mod runs;
mod schema;
mod set_aside;

use std::collections::{HashMap, HashSet};
use std::fs::File;
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};
use std::time::Duration;

use engine::effect::MailId;
use rusqlite::config::DbConfig;
use rusqlite::{Connection, OpenFlags};
use site::reading::SeriesId;

pub use arrivals::ARRIVALS_MOST;
pub use backup::{BackupError, Copied, PutBack, WaitingMails, backup, put_back};
pub use check::{Finding, StoreStep, check_file, check_folder};
pub use commit::{Committed, REFUSED_KEPT};
pub use compact::Compacted;
pub use copying::{CopyState, NotTakenRow};
pub use days::DamagedDay;
pub use error::LedgerError;
pub use folder::{Folder, FolderError};
pub use give_back::GivenBack;
pub use height::{HEIGHT_FILE, Height, keep_height, kept_height, make_way, move_aside, was_used};
pub use hours::{HourRow, RecordState};
pub use json::{entry_of_text, entry_text, standings_of_text, standings_text};
pub use outbox::Rendered;
pub use past::{RecordedEntry, Run};
pub use prune::{Pruned, Times};
pub use read::{AlarmEventFilter, Contradiction, Counts, OutboxRow, ReadingFilter, ReadingRow, RefusedRow};
pub use record::{Evidence, KeptRow, Partly, RecordCheck};
pub use set_aside::SetAside;

use error::Cause;

/// The name of the ledger in the data folder. SQLite keeps `ledger.db-wal` and `ledger.db-shm` beside it, and a copy needs the first.
pub const FILE: &str = "ledger.db";

/// How long a call waits for another program's lock.
pub(crate) const BUSY_SECONDS: u64 = 5;

/// Pages of 4 KiB in the write-ahead log before they are moved into the ledger; 4000 pages are 16 MB. A longer log gathers more changes
/// of a page into one write of it, which spares an SD card, and takes longer to move.
const LOG_PAGES: u32 = 4_000;

/// Memory for pages, in KiB, taken as needed and not given back. With 2,400 series, 4, 8 and 64 MiB wrote as many readings a second, and 64
/// were more than half of the daemon's memory.
const CACHE_KIB: i64 = 4_096;

/// What the ledger is opened for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Access {
    /// To write; the ledger is made if there is none. One at a time.
    Write,
    /// To read, also while another process writes; nothing is ever made. Any number at a time.
    Read,
}

/// The store of one site.
#[derive(Debug)]
pub struct Ledger {
    conn: Connection,
    path: PathBuf,
    access: Access,
    /// The number of each series that is stored. Looked up, never walked, so its order matters to nobody.
    series: HashMap<SeriesId, i64>,
    /// Readings that wait to be carried over, and how many of them make it worthwhile.
    arrivals: arrivals::Waiting,
    /// What was measured then or later is not packed, in milliseconds.
    packed_until: i64,
    /// How far packing has come.
    packing: compact::Course,
    /// Where the record has come to.
    head: record_end::End,
    /// Hours of readings that wait for their row.
    hours: hours::Waiting,
    /// The run that this process began.
    run: Option<i64>,
    /// What could not be stored and was not asked for yet.
    set_aside: Vec<SetAside>,
    /// Mails among it.
    lost_mails: HashSet<MailId>,
    /// How often something of each kind could not be stored.
    aside_times: HashMap<String, u64>,
    /// What had to be made anew at the opening.
    made_anew: Vec<String>,
    /// Dropped after `conn`, so that the next writer comes only when this one is gone.
    _writer: Option<File>,
}

impl Ledger {
    /// Opens the ledger in `folder`, for writing also makes it or brings an older layout up to date.
    ///
    /// A folder that holds `ledger.db` but no write-ahead log is a copy that nobody writes; it is read as it lies, without making
    /// the files that SQLite otherwise makes. (A writer leaves its log in place when it closes, so this is never a live ledger. A
    /// copy with its log but without `ledger.db-shm` is the one case where reading makes that file again.)
    ///
    /// # Errors
    /// [`LedgerError`] when it is missing, not ours, damaged, of a later layout, in use or unwritable.
    pub fn open(folder: &Path, access: Access) -> Result<Ledger, LedgerError> {
        let path = folder.join(FILE);
        fit(folder)?;
        // SQLite takes no link anywhere in a name that it is not to follow; a link to the folder itself is the site's own.
        let name = folder.canonicalize().map_or_else(|_| path.clone(), |folder| folder.join(FILE));
        let mut lost_log = false;
        let (mut conn, writer) = match access {
            Access::Write => {
                let writer = folder::take(&folder.join("ledger.lock")).map_err(|refused| match refused {
                    folder::Refused::CannotOpen(e) | folder::Refused::CannotLock(e) => match files::Fault::of(&e) {
                        Some(fault) => LedgerError::Unfit { path: folder.join("ledger.lock"), fault: fault.clone() },
                        None => error::cannot_open(&path, e),
                    },
                    folder::Refused::Held { pid } => LedgerError::InUse { path: path.clone(), pid },
                })?;
                let flags = OpenFlags::SQLITE_OPEN_READ_WRITE
                    | OpenFlags::SQLITE_OPEN_CREATE
                    | OpenFlags::SQLITE_OPEN_NO_MUTEX
                    | OpenFlags::SQLITE_OPEN_NOFOLLOW;
                lost_log = check::is_without_its_log(&path);
                (connect(&path, &name, flags)?, Some(writer))
            }
            Access::Read => {
                if !path.exists() {
                    return Err(LedgerError::Missing { path });
                }
                let flags = OpenFlags::SQLITE_OPEN_READ_ONLY
                    | OpenFlags::SQLITE_OPEN_NO_MUTEX
                    | OpenFlags::SQLITE_OPEN_NOFOLLOW;
                if check::log_of(&path).exists() {
                    (connect(&path, &name, flags)?, None)
                } else {
                    (connect(&path, &as_it_lies(&name), flags | OpenFlags::SQLITE_OPEN_URI)?, None)
                }
            }
        };
        let made_anew = settle(&mut conn, &path, access)?;
        if lost_log && check::was_running(&conn).map_err(|cause| cause.at(&path, "opening"))? {
            tracing::warn!(
                "{}-wal is missing, and the daemon was not stopped before it went: what was stored last is not there. If this is a copy, stop the \
                 daemon and copy both files together, or put back a backup",
                path.display()
            );
        }
        let known = || {
            Ok::<_, Cause>((
                rows::series_ids(&conn)?,
                arrivals::Waiting::count(&conn)?,
                record_end::End::find(&conn)?,
                hours::Waiting::load(&conn)?,
                days::until(&conn)?,
            ))
        };
        let (series, arrivals, head, hours, packed_until) = known().map_err(|cause| cause.at(&path, "opening"))?;
        let series = series.into_iter().map(|(id, series)| (series, id)).collect();
        let packing = compact::Course::default();
        Ok(Ledger {
            conn,
            path,
            access,
            series,
            arrivals,
            packed_until,
            packing,
            head,
            hours,
            run: None,
            set_aside: Vec::new(),
            lost_mails: HashSet::new(),
            aside_times: HashMap::new(),
            made_anew,
            _writer: writer,
        })
    }

    /// The file.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Limits the file to this many pages of 4 KiB, or to its present size where that is larger; `None` lifts the limit. A full
    /// disk can be tried out with it: the ledger fails in the same way and with the same error.
    ///
    /// # Errors
    /// [`LedgerError`] when SQLite refuses.
    pub fn set_page_limit(&mut self, pages: Option<u32>) -> Result<(), LedgerError> {
        // 4294967294 is the most that SQLite knows (its default since 3.45).
        let pages = pages.map_or(4_294_967_294, i64::from);
        self.conn
            .query_row(&format!("PRAGMA max_page_count = {pages}"), [], |_| Ok(()))
            .map_err(|e| Cause::Sql(e).at(&self.path, "limiting its size"))
    }

    /// Runs `errand` on a ledger that may be written.
    fn writing<T>(
        &mut self,
        doing: &'static str,
        errand: impl FnOnce(&mut Ledger) -> Result<T, Cause>,
    ) -> Result<T, LedgerError> {
        let done = match self.access {
            Access::Write => errand(self),
            Access::Read => Err(Cause::ReadOnly),
        };
        done.map_err(|cause| cause.at(&self.path, doing))
    }

    /// Runs `errand` on one unchanging state of the ledger, whatever a writer does meanwhile.
    fn reading<T>(
        &self,
        doing: &'static str,
        errand: impl FnOnce(&Connection) -> Result<T, Cause>,
    ) -> Result<T, LedgerError> {
        let read = || {
            let tx = self.conn.unchecked_transaction()?;
            let done = errand(&tx)?;
            // Nothing was changed. That the end of a look at a damaged table is refused takes nothing from what was read.
            drop(tx);
            Ok(done)
        };
        read().map_err(|cause: Cause| cause.at(&self.path, doing))
    }
}

/// Nobody but its owner puts files into the folder, and what lies in the places of the store's files is a file: SQLite would wait for a pipe, and
/// root would write where a link leads.
fn fit(folder: &Path) -> Result<(), LedgerError> {
    let told = |path: PathBuf, error: std::io::Error| match files::Fault::of(&error) {
        Some(fault) => Err(LedgerError::Unfit { path, fault: fault.clone() }),
        // What is not there or not ours to look at is said where it is opened.
        None => Ok(()),
    };
    files::check_folder(folder).or_else(|e| told(folder.into(), e))?;
    for ending in ["", "-wal", "-shm", "-journal"] {
        let path = folder.join(format!("{FILE}{ending}"));
        files::check_own(&path).or_else(|e| told(path, e))?;
    }
    Ok(())
}

fn connect(path: &Path, name: &Path, flags: OpenFlags) -> Result<Connection, LedgerError> {
    let conn = Connection::open_with_flags(name, flags)
        .map_err(|e| LedgerError::CannotOpen { path: path.into(), source: Box::new(e) })?;
    conn.set_prepared_statement_cache_capacity(64);
    Ok(conn)
}

/// Checks that the file is a ledger that this version knows, and sets the connection up.
fn settle(conn: &mut Connection, path: &Path, access: Access) -> Result<Vec<String>, LedgerError> {
    let fault = |e: rusqlite::Error| match e.sqlite_error_code() {
        Some(rusqlite::ErrorCode::CannotOpen | rusqlite::ErrorCode::ReadOnly) => {
            LedgerError::CannotOpen { path: path.into(), source: Box::new(e) }
        }
        _ => Cause::Sql(e).at(path, "opening"),
    };
    conn.busy_timeout(Duration::from_secs(BUSY_SECONDS)).map_err(fault)?;
    let known = schema::STEPS.len() as i64;
    let layout = schema::layout(conn).map_err(fault)?;
    let ours: i64 = conn.query_row("PRAGMA application_id", [], |row| row.get(0)).map_err(fault)?;
    let tables: i64 = conn.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0)).map_err(fault)?;
    let blank = layout == 0 && ours == 0 && tables == 0;
    if ours != schema::APPLICATION_ID && !(blank && access == Access::Write) {
        let found = if blank { "it is empty" } else { "it is a database of something else" };
        return Err(LedgerError::NotALedger { path: path.into(), found: found.into() });
    }
    if layout > known {
        return Err(LedgerError::TooNew { path: path.into(), found: layout, known });
    }
    match access {
        Access::Read if layout < known => Err(LedgerError::TooOld { path: path.into(), found: layout, known }),
        Access::Read => Ok(Vec::new()),
        Access::Write => {
            // The log stays when we close. Otherwise a reader who comes while no daemon runs would have to make it, and one who
            // reads as another user would leave a log that the daemon cannot write.
            conn.set_db_config(DbConfig::SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, true).map_err(fault)?;
            let mode: String = conn.query_row("PRAGMA journal_mode = WAL", [], |row| row.get(0)).map_err(fault)?;
            if mode != "wal" {
                return Err(LedgerError::NoWriteAheadLog { path: path.into(), mode });
            }
            conn.execute_batch(&format!(
                "PRAGMA synchronous = FULL;
                 PRAGMA foreign_keys = ON;
                 PRAGMA trusted_schema = OFF;
                 PRAGMA cache_size = -{CACHE_KIB};
                 PRAGMA wal_autocheckpoint = {LOG_PAGES};
                 PRAGMA journal_size_limit = {};",
                i64::from(LOG_PAGES) * 4_096 * 2
            ))
            .map_err(fault)?;
            schema::migrate(conn, schema::STEPS).map_err(fault)?;
            let made_anew = schema::complete(conn).map_err(fault)?;
            numbers::make_room(conn).map_err(|cause| cause.at(path, "opening"))?;
            Ok(made_anew)
        }
    }
}

/// The name by which SQLite reads a file that nobody writes, without making a log beside it.
fn as_it_lies(path: &Path) -> PathBuf {
    let mut uri = String::from("file:");
    for byte in path.as_os_str().as_bytes() {
        match byte {
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'/' | b'-' | b'_' | b'.' => uri.push(char::from(*byte)),
            other => uri.push_str(&format!("%{other:02X}")),
        }
    }
    uri.push_str("?immutable=1");
    PathBuf::from(uri)
}
