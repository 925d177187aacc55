//! The data folder of one daemon: made, and locked so that two never work on the same site.
//!
//! Must never be unlocked while a ledger in it is open for writing.

use std::fs::{DirBuilder, File, TryLockError};
use std::io::{self, Read, Seek, Write};
use std::os::unix::fs::{DirBuilderExt, MetadataExt};
use std::path::{Path, PathBuf};

use rustix::fs::{AtFlags, Dir, Mode, OFlags, chownat, openat};
use rustix::process::{Gid, Uid};

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
    /// Others can put files in it, or have put something in the place of ours.
    #[error("the data folder {}: {fault}", path.display())]
    Unfit {
        /// The folder, or what is in it.
        path: PathBuf,
        /// What is wrong with it.
        fault: files::Fault,
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
        let unfit = |path: &Path, source: io::Error| match files::Fault::of(&source) {
            Some(fault) => FolderError::Unfit { path: path.into(), fault: fault.clone() },
            None => FolderError::CannotWrite { path: path.into(), source },
        };
        files::check_folder(path).map_err(|source| unfit(path, source))?;
        let lock_path = path.join("lock");
        let lock = take(&lock_path).map_err(|refused| match refused {
            Refused::CannotOpen(source) if files::Fault::of(&source).is_some() => unfit(&lock_path, source),
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
        if let Err(e) = hand_over(&self.path) {
            tracing::warn!("something in {} is root's and stays so: {e}", self.path.display());
        }
    }
}

/// Gives what is root's in the folder to the folder's own user. Anybody but root finds nothing to give, or may not.
fn hand_over(folder: &Path) -> io::Result<()> {
    let folder = File::open(folder)?;
    let owner = folder.metadata()?;
    if owner.uid() == 0 || !rustix::process::geteuid().is_root() {
        return Ok(());
    }
    hand_over_in(&folder, (Uid::from_raw(owner.uid()), Gid::from_raw(owner.gid())), DEPTH_MOST)
}

/// Folders within folders that the daemon makes are fewer.
const DEPTH_MOST: usize = 8;

/// Each file is opened by its name once, never through a link, and judged and given by what was opened: the folder's user could put another in
/// its place meanwhile.
fn hand_over_in(folder: &File, whose: (Uid, Gid), depth: usize) -> io::Result<()> {
    for entry in Dir::read_from(folder)? {
        let entry = entry?;
        let name = entry.file_name();
        if name == c"." || name == c".." {
            continue;
        }
        let found = File::from(openat(folder, name, OFlags::PATH | OFlags::NOFOLLOW | OFlags::CLOEXEC, Mode::empty())?);
        let about = found.metadata()?;
        // A file with a second name may be one of the system's.
        if about.uid() != 0 || !(about.is_dir() || about.is_file() && about.nlink() == 1) {
            continue;
        }
        if about.is_dir() && depth > 0 {
            let inner = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::NOFOLLOW | OFlags::CLOEXEC;
            hand_over_in(&File::from(openat(&found, c".", inner, Mode::empty())?), whose, depth - 1)?;
        }
        chownat(&found, c"", Some(whose.0), Some(whose.1), AtFlags::EMPTY_PATH)?;
    }
    Ok(())
}

/// Bytes of a process number and the end of its line.
const PID_LONGEST: u64 = 32;

/// Why a lock file was not had.
pub(crate) enum Refused {
    CannotOpen(io::Error),
    CannotLock(io::Error),
    Held { pid: Option<u32> },
}

/// Takes the lock file and writes our process number into it; the lock lasts as long as the file is open.
pub(crate) fn take(path: &Path) -> Result<File, Refused> {
    let mut file = files::open_own(path, 0o666).map_err(Refused::CannotOpen)?;
    match file.try_lock() {
        Ok(()) => {}
        Err(TryLockError::WouldBlock) => {
            let mut text = String::new();
            (&file).take(PID_LONGEST).read_to_string(&mut text).ok();
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
