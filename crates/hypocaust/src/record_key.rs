//! The private key that signs checkpoints: made at its first use, kept in the data folder.
//!
//! Must never be used where others could have read it, and never be printed.

use std::fs::{File, OpenOptions};
use std::io::{self, Read, Write};
use std::os::unix::fs::{MetadataExt, OpenOptionsExt, PermissionsExt};
use std::path::{Path, PathBuf};

use seal::note::{NoteError, SignerKey};
use site::model::Site;

/// Its name in the data folder.
pub const FILE: &str = "record.key";

/// Why there is no key to sign with.
#[derive(Debug, thiserror::Error)]
pub enum KeyError {
    /// Others may have read it.
    #[error(
        "the key {} can be read by others (mode {mode:04o}), who could sign in the site's name; run `chmod 600` on it if nobody else has been \
         on this machine, or else move it away, have a new one made by `hypocaust record key` and publish that",
        path.display()
    )]
    Open {
        /// The file.
        path: PathBuf,
        /// Its mode.
        mode: u32,
    },
    /// It cannot be read.
    #[error("the key {} cannot be read; run this as the user that runs hypocaust", path.display())]
    Read {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// It is none.
    #[error("{} holds no key of this site; put back the copy from your backup, or move it away to have a new one made", path.display())]
    Form {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        source: NoteError,
    },
    /// It cannot be made.
    #[error("the key {} cannot be made; run this as the user that runs hypocaust, once the data folder is there", path.display())]
    CannotMake {
        /// The file.
        path: PathBuf,
        /// What the system said.
        source: io::Error,
    },
}

/// The site's key; made where there is none yet.
///
/// # Errors
/// [`KeyError`] with the next step.
pub fn signer(site: &Site) -> Result<SignerKey, KeyError> {
    let path = site.data_folder.join(FILE);
    match read(&path) {
        Err(KeyError::Read { source, .. }) if source.kind() == io::ErrorKind::NotFound => {
            make(&path, &format!("hypocaust/{}", site.id))?;
            read(&path)
        }
        read => read,
    }
}

fn read(path: &Path) -> Result<SignerKey, KeyError> {
    let cannot = |source| KeyError::Read { path: path.into(), source };
    let mut file = files::open(path, files::KEY).map_err(cannot)?;
    let mode = file.metadata().map_err(cannot)?.permissions().mode() & 0o777;
    if mode & 0o077 != 0 {
        return Err(KeyError::Open { path: path.into(), mode });
    }
    let mut text = String::new();
    file.read_to_string(&mut text).map_err(cannot)?;
    SignerKey::parse(&text).map_err(|source| KeyError::Form { path: path.into(), source })
}

/// Writes a new key under another name and gives it its own only when it is whole; a key that is there by then stays.
fn make(path: &Path, name: &str) -> Result<(), KeyError> {
    let partial = path.with_file_name(format!("{FILE}.{}.partial", std::process::id()));
    let text = || -> io::Result<String> {
        let mut secret = [0; 32];
        File::open("/dev/urandom")?.read_exact(&mut secret)?;
        let key = SignerKey::new(name, &secret).map_err(|e| io::Error::other(e.to_string()))?;
        Ok(key.secret_text())
    };
    let written = text().and_then(|text| {
        let mut file = OpenOptions::new().write(true).create_new(true).mode(0o600).open(&partial)?;
        file.write_all(text.as_bytes())?;
        hand_over(&file, path)?;
        file.sync_all()?;
        match std::fs::hard_link(&partial, path) {
            Err(e) if e.kind() == io::ErrorKind::AlreadyExists => Ok(()),
            linked => linked,
        }
    });
    let _ = std::fs::remove_file(&partial);
    written.map_err(|source| KeyError::CannotMake { path: path.into(), source })
}

/// What root makes for a daemon that runs as a user of its own is that user's.
fn hand_over(file: &File, path: &Path) -> io::Result<()> {
    match path.parent().and_then(|folder| folder.metadata().ok()) {
        Some(folder) if folder.uid() != 0 && rustix::process::geteuid().is_root() => {
            std::os::unix::fs::fchown(file, Some(folder.uid()), Some(folder.gid()))
        }
        _ => Ok(()),
    }
}
