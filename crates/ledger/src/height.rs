//! How high the record has grown, kept in a small file beside the store: so that a store which was emptied, lost or put back older is noticed.
//!
//! Must never refuse a store, and never move a file of it for good: what is in the way gets another name beside it.

use std::io::{self, Write};
use std::path::{Path, PathBuf};

use pile::time::Timestamp;
use seal::merkle::Hash;
use serde_json::json;
use site::zone::{parse_rfc3339, rfc3339_utc};

use crate::record_end;
use crate::set_aside::{self, SetAside};
use crate::{FILE, Ledger, LedgerError, record, rows};

/// The name of the file in the data folder.
pub const HEIGHT_FILE: &str = "record.height";
/// The kind of the row that says what a store lacks.
const LOST: &str = "store.lost";
/// Files of earlier trouble that are kept beside each other.
const ASIDE_MOST: u32 = 1_000;

/// How high the record had grown.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Height {
    /// How many rows there were.
    pub rows: u64,
    /// By what hash the next row names the newest of them.
    pub hash: Hash,
    /// When that was.
    pub at: Timestamp,
}

impl Height {
    fn text(&self) -> String {
        json!({ "rows": self.rows, "hash": self.hash.to_hex(), "at": rfc3339_utc(self.at) }).to_string() + "\n"
    }

    fn read(text: &str) -> Option<Height> {
        let value: serde_json::Value = serde_json::from_str(text).ok()?;
        Some(Height {
            rows: value["rows"].as_u64()?,
            hash: Hash::from_hex(value["hash"].as_str()?)?,
            at: parse_rfc3339(value["at"].as_str()?)?,
        })
    }
}

/// The height that was kept in a folder; `None` where none was, or it cannot be read.
pub fn kept_height(folder: &Path) -> Option<Height> {
    let path = folder.join(HEIGHT_FILE);
    let text = match files::read_text(&path, files::HEIGHT) {
        Ok(text) => text,
        Err(e) if e.kind() == io::ErrorKind::NotFound => return None,
        Err(e) => {
            tracing::warn!("{} cannot be read: {e}; it is written anew", path.display());
            return None;
        }
    };
    let height = Height::read(&text);
    if height.is_none() {
        tracing::warn!("{} says nothing that can be read; it is written anew", path.display());
    }
    height
}

/// Keeps the height: written whole under another name first.
///
/// # Errors
/// What the system says; then the earlier one stays.
pub fn keep_height(folder: &Path, height: &Height) -> io::Result<()> {
    let partial = folder.join(format!("{HEIGHT_FILE}.partial"));
    let _ = std::fs::remove_file(&partial);
    let mut file = files::create(&partial)?;
    file.write_all(height.text().as_bytes())?;
    file.sync_all()?;
    std::fs::rename(&partial, folder.join(HEIGHT_FILE))
}

/// Whether a daemon has worked in a folder, by what it leaves there besides the store. A key of the record alone proves nothing: it may be made
/// before the first start.
pub fn was_used(folder: &Path) -> bool {
    let sessions = std::fs::read_dir(folder.join("broker")).is_ok_and(|mut within| within.next().is_some());
    sessions || crate::check::log_of(&folder.join(FILE)).metadata().is_ok_and(|log| log.len() > 0)
}

/// Gives a log without its store another name: SQLite would delete it, and somebody may still read it. Gives that name.
///
/// # Errors
/// What the system says.
pub fn make_way(folder: &Path) -> io::Result<Option<PathBuf>> {
    let store = folder.join(FILE);
    let log = crate::check::log_of(&store);
    let is_empty = std::fs::symlink_metadata(&store).map_or(true, |meta| meta.is_file() && meta.len() == 0);
    let has_log = std::fs::symlink_metadata(&log).is_ok_and(|meta| meta.is_file() && meta.len() > 0);
    if !is_empty || !has_log { Ok(None) } else { rename_aside(&log).map(Some) }
}

/// Gives a store that cannot be opened another name, with its log, so that a new one can begin. Gives that name.
///
/// # Errors
/// What the system says.
pub fn move_aside(folder: &Path) -> io::Result<PathBuf> {
    let store = folder.join(FILE);
    let log = crate::check::log_of(&store);
    let aside = rename_aside(&store)?;
    if log.exists() {
        std::fs::rename(&log, crate::check::log_of(&aside))?;
    }
    // It only says where readers are in the log.
    let _ = std::fs::remove_file(folder.join(format!("{FILE}-shm")));
    Ok(aside)
}

fn rename_aside(path: &Path) -> io::Result<PathBuf> {
    let name = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    let mut free = (1..=ASIDE_MOST).map(|n| path.with_file_name(format!("{name}.aside-{n}")));
    let aside = free.find(|aside| std::fs::symlink_metadata(aside).is_err());
    let aside =
        aside.ok_or_else(|| io::Error::other("too many files of earlier trouble are beside it; move them away"))?;
    std::fs::rename(path, &aside)?;
    Ok(aside)
}

impl Ledger {
    /// How high the record is now.
    pub fn height(&self, at: Timestamp) -> Height {
        Height { rows: self.head.next(), hash: self.head.head.prev, at }
    }

    /// What this store lacks of a record that had grown to a height, in words; `None` where it goes on from there.
    ///
    /// # Errors
    /// [`LedgerError`] when the ledger cannot be read.
    pub fn lacks(&self, kept: &Height) -> Result<Option<String>, LedgerError> {
        self.reading("comparing the record with its height", |conn| {
            let rows = record_end::newest(conn)?.saturating_add(1).unsigned_abs();
            let until =
                format!("this folder held a record of {} rows, the newest of {}", kept.rows, rfc3339_utc(kept.at));
            if rows == 0 && kept.rows > 0 {
                return Ok(Some(format!("the store is empty, but {until}")));
            }
            if rows < kept.rows {
                return Ok(Some(format!(
                    "the store is older than this folder: its record has {rows} rows, but {until}"
                )));
            }
            let Some(newest) = kept.rows.checked_sub(1) else { return Ok(None) };
            let sql = "SELECT seq, at, text, hash FROM record WHERE seq = ?1";
            let links = rows::all(conn, sql, [rows::key(newest)?], record_end::link)?;
            let goes_on = links.first() == Some(&kept.hash);
            Ok((!goes_on).then(|| {
                format!("the store holds another record: its row {newest} is not the one that was here, and {until}")
            }))
        })
    }

    /// Puts on record what this store lacks, and tells of it at the next starts.
    ///
    /// # Errors
    /// [`LedgerError`]; then nothing was written.
    pub fn note_lost(&mut self, at: Timestamp, why: &str) -> Result<(), LedgerError> {
        self.writing("noting what the store lacks", |ledger| {
            let mut head = ledger.head.clone();
            let tx = ledger.conn.transaction()?;
            record::append(&tx, &mut head, at, LOST, &json!({ "why": why }))?;
            let aside = SetAside {
                what: set_aside::STORE.into(),
                number: None,
                why: why.into(),
                bytes: Vec::new(),
                effect: None,
            };
            set_aside::keep(&tx, at, &aside)?;
            tx.commit()?;
            ledger.head = head;
            Ok(())
        })
    }
}
