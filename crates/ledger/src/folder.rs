//! The data folder of one daemon: made, and locked so that two never work on the same site.
//!
//! Must never be unlocked while a ledger in it is open for writing.

use std::fs::{DirBuilder, File, OpenOptions, TryLockError};
use std::io::{self, Read, Seek, Write};
use std::os::unix::fs::{DirBuilderExt, MetadataExt, lchown};
use std::path::{Path, PathBuf};

/// A locked data folder; the lock ends when this is dropped, or with the process, however it ends.
#[derive(Debug)]
pub struct Folder {
    path: PathBuf,
    _lock: File,
}

/// Why the data folder cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum FolderError {
    /// It is not there and cannot be made.
    #[error(
        "the data folder {} cannot be made; make it yourself, owned by the user that runs hypocaust, or name another one as `data_folder`",
        path.display()
    )]
    CannotMake {
        /// The folder.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// Nothing can be written in it.
    #[error(
        "nothing can be written in the data folder {}; give it to the user that runs hypocaust, or name another one as `data_folder`",
        path.display()
    )]
    CannotWrite {
        /// The folder.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// Its file system knows no locks.
    #[error("the data folder {} cannot be locked; name one on a local disk as `data_folder`", path.display())]
    CannotLock {
        /// The folder.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// Another process holds the lock.
    #[error(
        "another hypocaust{} works on the data folder {}; stop it, or give this one its own `data_folder`",
        pid.map(|pid| format!(" (pid {pid})")).unwrap_or_default(),
        path.display()
    )]
    InUse {
        /// The folder.
        path: PathBuf,
        /// The process, if it wrote its number down.
        pid: Option<u32>,
    },
}

impl Folder {
    /// Makes the folder (mode 0700) if need be and locks it.
    ///
    /// # Errors
    /// [`FolderError`] when it cannot be made, written or locked, or when another process holds it.
    pub fn lock(path: &Path) -> Result<Folder, FolderError> {
        if !path.is_dir() {
            DirBuilder::new()
                .recursive(true)
                .mode(0o700)
                .create(path)
                .map_err(|source| FolderError::CannotMake { path: path.into(), source })?;
            // The new name must survive a power cut as the ledger in it does; where a parent cannot be synced, SQLite's own
            // syncing of the folder has to do.
            if let Some(parent) = path.parent().filter(|p| !p.as_os_str().is_empty()) {
                File::open(parent).and_then(|dir| dir.sync_all()).ok();
            }
        }
        let lock = take(&path.join("lock")).map_err(|refused| match refused {
            Refused::CannotOpen(source) => FolderError::CannotWrite { path: path.into(), source },
            Refused::CannotLock(source) => FolderError::CannotLock { path: path.into(), source },
            Refused::Held { pid } => FolderError::InUse { path: path.into(), pid },
        })?;
        Ok(Folder { path: path.into(), _lock: lock })
    }

    /// Where it is.
    pub fn path(&self) -> &Path {
        &self.path
    }
}

impl Drop for Folder {
    /// What root made in the folder of a daemon that runs as a user of its own is that user's, or the daemon could not use it.
    fn drop(&mut self) {
        if let Err(e) = hand_over(&self.path, &self.path) {
            tracing::warn!("something in {} is root's and stays so: {e}", self.path.display());
        }
    }
}

/// Gives what is root's in the folder to the folder's own user. Anybody but root finds nothing to give, or may not.
fn hand_over(folder: &Path, whose: &Path) -> io::Result<()> {
    let owner = std::fs::metadata(whose)?;
    if owner.uid() == 0 {
        return Ok(());
    }
    for entry in std::fs::read_dir(folder)? {
        let path = entry?.path();
        let about = std::fs::symlink_metadata(&path)?;
        // A file with a second name may be one of the system's.
        if about.uid() != 0 || !(about.is_dir() || about.is_file() && about.nlink() == 1) {
            continue;
        }
        if about.is_dir() {
            hand_over(&path, whose)?;
        }
        lchown(&path, Some(owner.uid()), Some(owner.gid()))?;
    }
    Ok(())
}

/// Why a lock file was not had.
pub(crate) enum Refused {
    CannotOpen(io::Error),
    CannotLock(io::Error),
    Held { pid: Option<u32> },
}

/// Takes the lock file and writes our process number into it; the lock lasts as long as the file is open.
pub(crate) fn take(path: &Path) -> Result<File, Refused> {
    let mut file = OpenOptions::new()
        .read(true)
        .write(true)
        .create(true)
        .truncate(false)
        .open(path)
        .map_err(Refused::CannotOpen)?;
    match file.try_lock() {
        Ok(()) => {}
        Err(TryLockError::WouldBlock) => {
            let mut text = String::new();
            file.read_to_string(&mut text).ok();
            return Err(Refused::Held { pid: text.trim().parse().ok() });
        }
        Err(TryLockError::Error(source)) => return Err(Refused::CannotLock(source)),
    }
    // The number is only for the message to others. A full disk must not keep the daemon from starting, so a failure
    // to write it is passed over.
    file.set_len(0)
        .and_then(|()| file.rewind())
        .and_then(|()| writeln!(file, "{}", std::process::id()))
        .unwrap_or_else(|e| tracing::warn!("{} is locked, but our pid cannot be written into it: {e}", path.display()));
    Ok(file)
}
