//! Secrets from files, never from the settings.
//!
//! Must never print what it read.

use std::path::{Path, PathBuf};

use site::model::SecretFile;

/// Why a secret could not be had.
#[derive(Debug, thiserror::Error)]
pub enum SecretError {
    /// The file cannot be read.
    #[error(
        "the password file {path} cannot be read; make it (one line, mode 0600, owned by the daemon's user), or correct the path"
    )]
    Read {
        /// Which.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// The service manager handed no credentials.
    #[error(
        "credential `{name}` is asked for, but no service manager handed it over ($CREDENTIALS_DIRECTORY is not set) and there is no {}; \
         put the secret there (mode 0600), or add `LoadCredential={name}:/path/to/file` to the unit, or use password_file",
        stored(name).display()
    )]
    NoCredentials {
        /// Which.
        name: String,
    },
    /// Others can read or change it, or it is no file.
    #[error("the password file {}: {fault}", path.display())]
    Unfit {
        /// Which.
        path: PathBuf,
        /// What is wrong with it.
        fault: files::Fault,
    },
    /// It holds no address to call.
    #[error(
        "the first line of {} is not a web address; write it like https://watch.example/harrow-lane, without a user name",
        path.display()
    )]
    NoAddress {
        /// Which.
        path: PathBuf,
    },
    /// There is nothing in it.
    #[error("the password file {path} is empty; write the password on its first line")]
    Empty {
        /// Which.
        path: PathBuf,
    },
}

/// Where root keeps credentials for services: systemd.exec(5). Our unit has each credential loaded from there.
const CREDENTIAL_STORE: &str = "/etc/credstore";

/// The file from which the unit that ships loads a credential.
pub fn stored(name: &str) -> PathBuf {
    Path::new(CREDENTIAL_STORE).join(format!("hypocaust.{name}"))
}

/// Where the file of a secret is.
///
/// A command that root starts outside of the service finds a credential where the unit has it from.
///
/// # Errors
/// [`SecretError::NoCredentials`] when a credential is asked for outside a service manager, and the store has none of the name.
pub fn path_of(secret: &SecretFile) -> Result<PathBuf, SecretError> {
    match secret {
        SecretFile::File(path) => Ok(path.clone()),
        SecretFile::Credential(name) => std::env::var_os("CREDENTIALS_DIRECTORY")
            .map(|folder| PathBuf::from(folder).join(name))
            .or_else(|| Some(stored(name)).filter(|path| path.symlink_metadata().is_ok()))
            .ok_or_else(|| SecretError::NoCredentials { name: name.clone() }),
    }
}

/// The first line of the file.
///
/// # Errors
/// [`SecretError`] with the next step.
pub fn read(secret: &SecretFile) -> Result<String, SecretError> {
    let (path, text) = text_of(secret, files::SECRET)?;
    match text.lines().next() {
        Some(line) if !line.is_empty() => Ok(line.to_owned()),
        _ => Err(SecretError::Empty { path }),
    }
}

/// The whole text of the file, for lists of users.
///
/// # Errors
/// [`SecretError`] with the next step.
pub fn read_all(secret: &SecretFile) -> Result<String, SecretError> {
    let (path, text) = text_of(secret, files::PASSWORDS)?;
    if text.trim().is_empty() { Err(SecretError::Empty { path }) } else { Ok(text) }
}

fn text_of(secret: &SecretFile, kind: files::Kind) -> Result<(PathBuf, String), SecretError> {
    let path = path_of(secret)?;
    match files::read_secret(&path, kind) {
        Ok(text) => Ok((path, text)),
        Err(source) => Err(match files::Fault::of(&source) {
            Some(fault) => SecretError::Unfit { path, fault: fault.clone() },
            None => SecretError::Read { path, source },
        }),
    }
}
