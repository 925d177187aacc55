//! What can go wrong with the store, and whether trying again can help.
//!
//! Must never hide what becomes of readings that were not stored: the message says it.

use std::io;
use std::path::{Path, PathBuf};

use rusqlite::ErrorCode;

/// Why the ledger could not do what it was asked. After any error nothing of a commit is stored.
#[derive(Debug, thiserror::Error)]
pub enum LedgerError {
    /// There is no ledger to read.
    #[error("there is no ledger at {}; check `data_folder`, or start the daemon, which makes it", path.display())]
    Missing {
        /// The file.
        path: PathBuf,
    },
    /// The file cannot be opened.
    #[error("the ledger {} cannot be opened; check that its folder exists and belongs to the user that runs hypocaust", path.display())]
    CannotOpen {
        /// The file.
        path: PathBuf,
        /// What the system or SQLite said.
        source: Box<dyn std::error::Error + Send + Sync>,
    },
    /// Somebody else has it open for writing.
    #[error(
        "the ledger {} is open for writing in another process{}; stop that one first, or ask it through its socket",
        path.display(),
        pid.map(|pid| format!(" (pid {pid})")).unwrap_or_default()
    )]
    InUse {
        /// The file.
        path: PathBuf,
        /// The process, if it wrote its number down.
        pid: Option<u32>,
    },
    /// Others can put files in its folder, or have put something in the place of a file of ours.
    #[error("{}: {fault}", path.display())]
    Unfit {
        /// The folder or the file.
        path: PathBuf,
        /// What is wrong with it.
        fault: files::Fault,
    },
    /// The file is something else.
    #[error(
        "{} is not a ledger of hypocaust ({found}); move it away, or name another `data_folder`; nothing in it was changed",
        path.display()
    )]
    NotALedger {
        /// The file.
        path: PathBuf,
        /// What it is instead, as far as is known.
        found: String,
    },
    /// The file is damaged.
    #[error(
        "the ledger {} is damaged; stop the daemon, copy the whole data folder to a safe place, check the disk, then restore a backup or \
         try `sqlite3 ledger.db .recover` on the copy",
        path.display()
    )]
    Damaged {
        /// The file.
        path: PathBuf,
        /// What SQLite said.
        source: rusqlite::Error,
    },
    /// It was written by a later hypocaust.
    #[error(
        "the ledger {} has layout {found}, and this hypocaust knows layouts up to {known}; run the version that wrote it, or a later one",
        path.display()
    )]
    TooNew {
        /// The file.
        path: PathBuf,
        /// Its layout.
        found: i64,
        /// The newest layout known here.
        known: i64,
    },
    /// It was written by an earlier hypocaust and is open for reading only.
    #[error(
        "the ledger {} has the older layout {found} and this hypocaust reads layout {known}; start the daemon once, which brings it up to date",
        path.display()
    )]
    TooOld {
        /// The file.
        path: PathBuf,
        /// Its layout.
        found: i64,
        /// The layout read here.
        known: i64,
    },
    /// The file system cannot bear the write-ahead log.
    #[error(
        "the ledger {} cannot use a write-ahead log on this file system (it fell back to `{mode}`); name a `data_folder` on a local disk",
        path.display()
    )]
    NoWriteAheadLog {
        /// The file.
        path: PathBuf,
        /// The journal mode that SQLite chose instead.
        mode: String,
    },
    /// The disk is full.
    #[error(
        "{doing}: the disk that holds {} is full; nothing is acknowledged until there is room, so the broker keeps what comes in; free space \
         on the file system of that folder; the daemon goes on by itself",
        path.display()
    )]
    Full {
        /// The file.
        path: PathBuf,
        /// What was being done.
        doing: &'static str,
        /// What SQLite said.
        source: rusqlite::Error,
    },
    /// The disk failed.
    #[error(
        "{doing}: the disk that holds {} does not do what it is asked; nothing is acknowledged until it does, so the broker keeps what comes \
         in; look at the system's log for disk errors; the daemon tries again by itself",
        path.display()
    )]
    Disk {
        /// The file.
        path: PathBuf,
        /// What was being done.
        doing: &'static str,
        /// What SQLite said.
        source: rusqlite::Error,
    },
    /// Another process holds a lock on it for longer than we wait.
    #[error(
        "{doing}: another program has locked {} for more than {} s; close it (an open sqlite3 shell, a backup); the daemon tries again by itself",
        path.display(),
        crate::BUSY_SECONDS
    )]
    Busy {
        /// The file.
        path: PathBuf,
        /// What was being done.
        doing: &'static str,
        /// What SQLite said.
        source: rusqlite::Error,
    },
    /// It was opened with [`crate::Access::Read`].
    #[error("{doing}: the ledger {} was opened for reading only; let the daemon write", path.display())]
    ReadOnly {
        /// The file.
        path: PathBuf,
        /// What was asked.
        doing: &'static str,
    },
    /// A row does not say what this version can read.
    #[error(
        "{doing}: {table} {row} in {} cannot be read: {fault}; it was written by another version or by hand; run the version that wrote it, \
         or restore a backup",
        path.display()
    )]
    Row {
        /// The file.
        path: PathBuf,
        /// What was being done.
        doing: &'static str,
        /// The table.
        table: &'static str,
        /// The row's key.
        row: i64,
        /// What is wrong with it.
        fault: String,
    },
    /// The effects contradict what is stored; a fault of the program, not of the site.
    #[error("{doing}: {fault} in {}; this is a fault in hypocaust: keep a copy of the data folder and report it", path.display())]
    Contradiction {
        /// The file.
        path: PathBuf,
        /// What was being done.
        doing: &'static str,
        /// What contradicts what.
        fault: String,
    },
    /// Anything else that SQLite says.
    #[error("{doing}: the ledger {} failed; keep a copy of the data folder and report this", path.display())]
    Sql {
        /// The file.
        path: PathBuf,
        /// What was being done.
        doing: &'static str,
        /// What SQLite said.
        source: rusqlite::Error,
    },
}

impl LedgerError {
    /// Whether room on the disk would help.
    pub fn is_disk_full(&self) -> bool {
        matches!(self, LedgerError::Full { .. })
    }

    /// Whether what the store holds is what is wrong, so that neither time, nor room, nor another version of the program would help. A database
    /// of another program is none of ours to judge.
    pub fn is_hopeless(&self) -> bool {
        match self {
            LedgerError::NotALedger { found, .. } => found == NO_DATABASE,
            LedgerError::Damaged { .. }
            | LedgerError::Row { .. }
            | LedgerError::Sql { .. }
            | LedgerError::Contradiction { .. } => true,
            _ => false,
        }
    }

    /// Whether the same call may work later without anybody changing the program or the ledger.
    pub fn is_transient(&self) -> bool {
        matches!(self, LedgerError::Full { .. } | LedgerError::Disk { .. } | LedgerError::Busy { .. })
    }
}

/// What is said of a file that SQLite does not know as one of its own.
const NO_DATABASE: &str = "its content is no SQLite database";

/// What went wrong inside, before the file and the errand are known.
#[derive(Debug)]
pub(crate) enum Cause {
    Sql(rusqlite::Error),
    Row { table: &'static str, row: i64, fault: String },
    Contradiction(String),
    ReadOnly,
}

impl From<rusqlite::Error> for Cause {
    fn from(e: rusqlite::Error) -> Cause {
        Cause::Sql(e)
    }
}

impl Cause {
    /// A fault in a stored row.
    pub(crate) fn row(table: &'static str, row: i64, fault: impl Into<String>) -> Cause {
        Cause::Row { table, row, fault: fault.into() }
    }

    /// What is wrong with the row that was being read; the cause itself where it is not about one row.
    pub(crate) fn of_one_row(self) -> Result<String, Cause> {
        use rusqlite::Error::{FromSqlConversionFailure, IntegralValueOutOfRange, InvalidColumnType, Utf8Error};
        match self {
            Cause::Row { fault, .. } => Ok(fault),
            Cause::Sql(
                error @ (FromSqlConversionFailure(..)
                | IntegralValueOutOfRange(..)
                | InvalidColumnType(..)
                | Utf8Error(..)),
            ) => Ok(error.to_string()),
            other => Err(other),
        }
    }

    /// Whether the same would fail for ever: a row that a condition, a type or damage keeps out, and not a disk or a lock that may come back.
    pub(crate) fn is_permanent(&self) -> bool {
        use ErrorCode::{
            ApiMisuse, AuthorizationForStatementDenied, ConstraintViolation, DatabaseCorrupt, NotFound,
            ParameterOutOfRange, SchemaChanged, TooBig, TypeMismatch, Unknown,
        };
        match self {
            Cause::Row { .. } | Cause::Contradiction(_) => true,
            Cause::ReadOnly => false,
            Cause::Sql(error) => match error.sqlite_error_code() {
                Some(
                    ConstraintViolation
                    | TypeMismatch
                    | TooBig
                    | DatabaseCorrupt
                    | Unknown
                    | SchemaChanged
                    | ApiMisuse
                    | NotFound
                    | ParameterOutOfRange
                    | AuthorizationForStatementDenied,
                ) => true,
                Some(_) => false,
                // Not said by SQLite but by what reads its rows: a column of another type, a row that is not there.
                None => true,
            },
        }
    }

    /// What went wrong, in one line, with SQLite's own number for it.
    pub(crate) fn words(&self) -> String {
        match self {
            Cause::Row { table, row, fault } => format!("{table} {row} cannot be read: {fault}"),
            Cause::Contradiction(fault) => fault.clone(),
            Cause::ReadOnly => "the store is open for reading only".into(),
            Cause::Sql(error) => match error.sqlite_error() {
                Some(code) => format!("{error} (SQLite {})", code.extended_code),
                None => error.to_string(),
            },
        }
    }

    /// The error as the caller sees it.
    pub(crate) fn at(self, path: &Path, doing: &'static str) -> LedgerError {
        let path = path.to_path_buf();
        match self {
            Cause::Row { table, row, fault } => LedgerError::Row { path, doing, table, row, fault },
            Cause::Contradiction(fault) => LedgerError::Contradiction { path, doing, fault },
            Cause::ReadOnly => LedgerError::ReadOnly { path, doing },
            Cause::Sql(source) => match source.sqlite_error_code() {
                Some(ErrorCode::DiskFull) => LedgerError::Full { path, doing, source },
                // A file system that went read-only after an error, a lost mount or no more file handles may come back.
                Some(
                    ErrorCode::SystemIoFailure
                    | ErrorCode::ReadOnly
                    | ErrorCode::CannotOpen
                    | ErrorCode::PermissionDenied
                    | ErrorCode::OutOfMemory
                    | ErrorCode::FileLockingProtocolFailed,
                ) => LedgerError::Disk { path, doing, source },
                Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => LedgerError::Busy { path, doing, source },
                Some(ErrorCode::DatabaseCorrupt) => LedgerError::Damaged { path, source },
                Some(ErrorCode::NotADatabase) => LedgerError::NotALedger { path, found: NO_DATABASE.into() },
                _ => LedgerError::Sql { path, doing, source },
            },
        }
    }
}

/// An error on the way to opening.
pub(crate) fn cannot_open(path: &Path, source: io::Error) -> LedgerError {
    LedgerError::CannotOpen { path: path.into(), source: Box::new(source) }
}
