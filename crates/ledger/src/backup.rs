//! Copies of the store: made beside a running daemon, and put back into a folder of their own.
//!
//! Must never give a copy its name before it is whole, written through to the disk and looked over.

use std::fs::{DirBuilder, File, TryLockError};
use std::io;
use std::os::unix::fs::DirBuilderExt;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{self, RecvTimeoutError};
use std::time::Duration;

use engine::effect::{Effect, MailId, MailState};
use pile::time::Timestamp;
use rusqlite::params;
use serde_json::json;

use crate::check::{self, Finding, StoreStep};
use crate::error::Cause;
use crate::{Access, FILE, Ledger, LedgerError, height, record, rows};

/// From one sign of progress to the next.
const PROGRESS_EVERY: Duration = Duration::from_millis(200);
/// The folder that a store is put together in, within the one that gets it.
const PARTIAL: &str = ".store-restore.partial";

/// Why a copy was not made, or not put back.
#[derive(Debug, thiserror::Error)]
pub enum BackupError {
    /// The store itself.
    #[error(transparent)]
    Ledger(#[from] LedgerError),
    /// The file that is there already is something else.
    #[error("{} is there already and is no backup of a store; name another file; nothing of it was changed", path.display())]
    Occupied {
        /// The file.
        path: PathBuf,
    },
    /// Another backup to the same file goes on.
    #[error("another backup to {} is under way; wait for it, or name another file", path.display())]
    UnderWay {
        /// The file.
        path: PathBuf,
    },
    /// There is not enough room for it.
    #[error(
        "a backup needs some {} MB, and there are {} MB free where {} should go; make room there, or name a file on another disk; nothing was \
         written",
        needs.div_ceil(1_000_000),
        free / 1_000_000,
        path.display()
    )]
    NoRoom {
        /// The file.
        path: PathBuf,
        /// How many bytes it needs.
        needs: u64,
        /// How many are free.
        free: u64,
    },
    /// The copy could not be written in full.
    #[error(
        "the backup could not be written to {} in full: {why}; it needs some {} MB there; nothing half is left behind, an earlier backup of that \
         name is as it was, and the store was not touched",
        path.display(),
        needs.div_ceil(1_000_000)
    )]
    CannotWrite {
        /// The file.
        path: PathBuf,
        /// How many bytes it needs.
        needs: u64,
        /// What the disk or SQLite said.
        why: String,
    },
    /// The copy does not hold what it should.
    #[error("{} is damaged and is not used: {}", path.display(), faults.join("; "))]
    Damaged {
        /// The file.
        path: PathBuf,
        /// What does not hold.
        faults: Vec<String>,
    },
    /// There is a store where one should go.
    #[error("{} holds a store already; name a folder without one: a store is never written over", folder.display())]
    HasStore {
        /// The folder.
        folder: PathBuf,
    },
    /// The folder cannot be written.
    #[error("{doing} in {} did not work; see to the disk; what was begun there was taken away again", folder.display())]
    Folder {
        /// The folder.
        folder: PathBuf,
        /// What was being done.
        doing: &'static str,
        /// What the system said.
        source: io::Error,
    },
}

/// What becomes of mails that were waiting in a backup.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum WaitingMails {
    /// They are given up: most were sent soon after the backup was made, and whoever reads an old alarm again may run for nothing.
    GiveUp,
    /// They are sent, perhaps for a second time.
    Send,
}

/// What was put back.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PutBack {
    /// Mails that were waiting, with whom each was for.
    pub waiting: Vec<(MailId, String)>,
    /// When the daemon that wrote it was last alive; `None` where none ever ran.
    pub last_alive: Option<Timestamp>,
    /// Packed days and rows that are damaged in the backup.
    pub damaged: Vec<String>,
}

/// A copy that was made.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Copied {
    /// Its length.
    pub bytes: u64,
    /// Packed days and rows that are damaged in the store, and so in the copy.
    pub damaged: Vec<String>,
}

/// Copies the store in `folder` to `file`, from one state of it, also beside a running daemon. Space that waits to be used again is not
/// copied.
///
/// # Errors
/// [`BackupError`]; then there is no new file, and one that was there stays.
pub fn backup(folder: &Path, file: &Path, progress: &mut dyn FnMut(u64, u64)) -> Result<Copied, BackupError> {
    let ledger = Ledger::open(folder, Access::Read)?;
    let needs = ledger.bytes_in_use()?;
    if file.exists() && !is_ours(file) {
        return Err(BackupError::Occupied { path: file.into() });
    }
    let cannot = |why: String| BackupError::CannotWrite { path: file.into(), needs, why };
    let partial = beside(file);
    // The lock says that somebody writes it; a file without one was left by a power cut.
    let lock = files::open_own(&partial, 0o600).map_err(|e| cannot(e.to_string()))?;
    match lock.try_lock() {
        Ok(()) => {}
        Err(TryLockError::WouldBlock) => return Err(BackupError::UnderWay { path: file.into() }),
        Err(TryLockError::Error(e)) => return Err(cannot(e.to_string())),
    }
    let copied = lock
        .set_len(0)
        .map_err(|e| cannot(e.to_string()))
        .and_then(|()| copy(&ledger, &partial, needs, progress).map_err(cannot))
        .and_then(|()| looked_over(&partial, file))
        // SQLite does not sync what it copies to.
        .and_then(|damaged| lock.sync_all().map(|()| damaged).map_err(|e| cannot(e.to_string())))
        .and_then(|damaged| std::fs::rename(&partial, file).map(|()| damaged).map_err(|e| cannot(e.to_string())));
    match copied {
        Ok(damaged) => {
            sync_folder_of(file);
            Ok(Copied { bytes: lock.metadata().map_or(0, |meta| meta.len()), damaged })
        }
        Err(error) => {
            let _ = std::fs::remove_file(&partial);
            Err(error)
        }
    }
}

/// Copies in a thread of its own, and looks at how long the copy has become meanwhile.
fn copy(ledger: &Ledger, to: &Path, needs: u64, progress: &mut dyn FnMut(u64, u64)) -> Result<(), String> {
    let name = to.to_str().ok_or("its name is no text")?;
    let again = check::open(ledger.path(), &check::log_of(ledger.path())).map_err(|e| e.to_string())?;
    let (done, copied) = mpsc::channel();
    std::thread::scope(|scope| {
        scope.spawn(move || {
            let _ = done.send(again.execute("VACUUM INTO ?1", [name]).map_err(|e| e.to_string()));
        });
        loop {
            match copied.recv_timeout(PROGRESS_EVERY) {
                Ok(outcome) => return outcome.map(|_| ()),
                Err(RecvTimeoutError::Timeout) => progress(std::fs::metadata(to).map_or(0, |meta| meta.len()), needs),
                Err(RecvTimeoutError::Disconnected) => return Err("the copying ended by itself".into()),
            }
        }
    })
}

/// Every step of the check holds, or the copy is not used. Only packed days, single rows, and what they say against the record may be damaged: all else is worth having without them, and they are
/// given.
fn looked_over(copy: &Path, name: &Path) -> Result<Vec<String>, BackupError> {
    let (mut faults, mut damaged) = (Vec::new(), Vec::new());
    let mut each = |step: &StoreStep| {
        if let Finding::Bad(bad) = &step.finding {
            let into =
                if [check::DAYS, check::ROWS, check::RECORD].contains(&step.name) { &mut damaged } else { &mut faults };
            into.extend(bad.iter().cloned());
        }
    };
    check::check_file(copy, &mut each, &mut |_, _| {})?;
    if faults.is_empty() { Ok(damaged) } else { Err(BackupError::Damaged { path: name.into(), faults }) }
}

/// Puts a backup into a folder that has no store, and makes it one that goes on from here: with a life of its own, so that no Message-ID comes
/// a second time, and with a row on record that says so.
///
/// # Errors
/// [`BackupError`]; then the folder is as it was.
pub fn put_back(file: &Path, folder: &Path, at: Timestamp, mails: WaitingMails) -> Result<PutBack, BackupError> {
    if folder.join(FILE).exists() {
        return Err(BackupError::HasStore { folder: folder.into() });
    }
    let damaged = looked_over(file, file)?;
    let fault = |doing| move |source| BackupError::Folder { folder: folder.into(), doing, source };
    let work = folder.join(PARTIAL);
    // What a power cut left of an earlier attempt.
    let _ = std::fs::remove_dir_all(&work);
    let made = DirBuilder::new()
        .recursive(true)
        .mode(0o700)
        .create(folder)
        // New and empty, and nobody else's: not recursive.
        .and_then(|()| DirBuilder::new().mode(0o700).create(&work))
        .map_err(fault("making a folder"));
    let done = made.and_then(|()| put_together(file, &work, at, mails)).and_then(|put| {
        // The log is empty, and says that none is missing.
        for from in [check::log_of(&work.join(FILE)), work.join(FILE)] {
            let to = folder.join(from.file_name().unwrap_or_default());
            std::fs::rename(&from, to).map_err(fault("giving the store its name"))?;
        }
        Ok(PutBack { damaged, ..put })
    });
    let _ = std::fs::remove_dir_all(&work);
    // Whoever puts a backup back knows that it is older.
    if done.is_ok() {
        let _ = std::fs::remove_file(folder.join(height::HEIGHT_FILE));
    }
    sync_folder_of(&folder.join(FILE));
    done
}

/// The store in a folder of its own, gathered into one file.
fn put_together(file: &Path, work: &Path, at: Timestamp, mails: WaitingMails) -> Result<PutBack, BackupError> {
    let fault = |source| BackupError::Folder { folder: work.into(), doing: "copying the backup", source };
    let copied = work.join(FILE);
    copy_file(file, &copied).map_err(fault)?;
    // A store that was copied with its log is whole only with it.
    if check::log_of(file).exists() {
        copy_file(&check::log_of(file), &check::log_of(&copied)).map_err(fault)?;
    }
    let mut ledger = Ledger::open(work, Access::Write)?;
    let waiting: Vec<(MailId, String)> = ledger
        .outbox()?
        .into_iter()
        .filter(|row| matches!(row.mail.state, MailState::Waiting { .. }))
        .map(|row| (row.mail.id, row.mail.to))
        .collect();
    let last_alive = ledger.runs()?.last().map(|run| run.last_alive);
    ledger.begin_another_life(at, waiting.len(), mails)?;
    if mails == WaitingMails::GiveUp {
        let given_up = waiting.iter().map(|(mail, _)| {
            let reply = "the store was put back from a backup, and this may have been sent already".to_owned();
            Effect::MailState { mail: *mail, state: MailState::GivenUp { at, tries: 0, reply } }
        });
        ledger.commit(at, &given_up.collect::<Vec<_>>())?;
    }
    ledger.gather()?;
    drop(ledger);
    File::open(&copied).and_then(|file| file.sync_all()).map_err(fault)?;
    Ok(PutBack { waiting, last_alive, damaged: Vec::new() })
}

impl Ledger {
    /// Draws a new life, and says on record that this store goes on from a backup.
    fn begin_another_life(&mut self, at: Timestamp, waiting: usize, mails: WaitingMails) -> Result<(), LedgerError> {
        self.writing("beginning again from a backup", |ledger| {
            let mut head = ledger.head.clone();
            let tx = ledger.conn.transaction()?;
            let before = rows::life(&tx)?;
            // Drawn again where chance would give the same one.
            let draw = "UPDATE meta SET value = CASE WHEN ?1 = value THEN (value + 1) & 4294967295 ELSE ?1 END WHERE key = 'life'";
            let drawn: i64 = tx.query_row("SELECT random() & 4294967295", [], |row| row.get(0))?;
            tx.execute(draw, params![drawn])?;
            let after = rows::life(&tx)?;
            let what = match mails {
                WaitingMails::GiveUp => "undeliverable",
                WaitingMails::Send => "sent",
            };
            let body = json!({ "life_before": before, "life": after, "mails_waiting": waiting, "these_are": what });
            record::append(&tx, &mut head, at, "store.restored", &body)?;
            tx.commit()?;
            ledger.head = head;
            Ok(())
        })
    }

    /// Gathers the log into the file, so that the file alone is whole.
    fn gather(&mut self) -> Result<(), LedgerError> {
        self.writing("gathering the log", |ledger| {
            let busy: i64 = ledger.conn.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |row| row.get(0))?;
            if busy == 0 { Ok(()) } else { Err(Cause::Contradiction("the log is in use".into())) }
        })
    }
}

fn copy_file(from: &Path, to: &Path) -> io::Result<()> {
    io::copy(&mut files::open(from, files::STORE)?, &mut files::create(to)?).map(drop)
}

/// Whether a file is a store of ours, of whatever layout.
fn is_ours(path: &Path) -> bool {
    match check::open(path, &check::log_of(path)).and_then(|conn| check::layout(&conn, path)) {
        Ok(_) | Err(LedgerError::TooNew { .. }) => true,
        Err(_) => std::fs::metadata(path).is_ok_and(|meta| meta.len() == 0),
    }
}

/// The name of a copy until it is whole.
fn beside(file: &Path) -> PathBuf {
    let name = file.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    file.with_file_name(format!(".{name}.partial"))
}

/// A new name must survive a power cut as the file does; where the folder cannot be synced nothing more can be done.
fn sync_folder_of(file: &Path) {
    let parent = file.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let _ = File::open(parent).and_then(|dir| dir.sync_all());
}
