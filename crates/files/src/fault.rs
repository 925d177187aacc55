//! What can be wrong with a file before its content is looked at.
//!
//! Must never repeat what the file holds.

use std::io;
use std::path::PathBuf;

/// Why a file is not read or written. It travels inside an [`io::Error`], whose bearer names the place; [`Fault::of`] finds it there.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Fault {
    /// Not a regular file: opening it could wait for ever, and reading it could have no end.
    #[error("it is a {what}, not a regular file; put the file itself there, or correct the path")]
    NotRegular {
        /// What it is.
        what: &'static str,
    },
    /// A link where none is followed.
    #[error(
        "it is a symbolic link, and links are not followed there; look who made it, and put the file itself in its place"
    )]
    Link,
    /// A file with a second name may be one of the system's.
    #[error("it has a second name (a hard link) elsewhere; look who made it, and put a file of its own in its place")]
    SecondName,
    /// More than is read of such a file.
    #[error("it is larger than {} of {name} may be; correct the path, or cut it", size(*.largest))]
    TooLarge {
        /// The kind of file.
        name: &'static str,
        /// The most, in bytes.
        largest: u64,
    },
    /// A line without an end.
    #[error("line {line} is longer than {}; this is not a file of lines", size(*.longest as u64))]
    LongLine {
        /// Which, from 1.
        line: u64,
        /// The most, in bytes.
        longest: usize,
    },
    /// Too many files in one folder.
    #[error("more than {most} files lie in it; move those away that do not belong there")]
    TooMany {
        /// The most.
        most: usize,
    },
    /// A secret that others can read or change.
    #[error(
        "{who} can {verb} it (mode {mode:04o}); run `chmod {wanted:04o} {}`, and change the secret if somebody else has been on this machine",
        path.display()
    )]
    LooseSecret {
        /// The file.
        path: PathBuf,
        /// Who.
        who: &'static str,
        /// What they can do.
        verb: &'static str,
        /// Its mode.
        mode: u32,
        /// The mode that it should have.
        wanted: u32,
    },
    /// A folder in which others can put, exchange and remove files.
    #[error("{who} can put files in it and take files away (mode {mode:04o}); run `chmod go-w {}`", path.display())]
    LooseFolder {
        /// The folder.
        path: PathBuf,
        /// Who.
        who: &'static str,
        /// Its mode.
        mode: u32,
    },
}

impl Fault {
    /// The fault inside an error, if it is one of these.
    pub fn of(error: &io::Error) -> Option<&Fault> {
        error.get_ref()?.downcast_ref()
    }
}

impl From<Fault> for io::Error {
    fn from(fault: Fault) -> io::Error {
        let kind = match fault {
            Fault::TooLarge { .. } | Fault::LongLine { .. } | Fault::TooMany { .. } => io::ErrorKind::FileTooLarge,
            Fault::LooseSecret { .. } | Fault::LooseFolder { .. } => io::ErrorKind::PermissionDenied,
            Fault::NotRegular { .. } | Fault::Link | Fault::SecondName => io::ErrorKind::InvalidInput,
        };
        io::Error::new(kind, fault)
    }
}

fn size(bytes: u64) -> String {
    match bytes {
        bytes if bytes >= 1 << 30 => format!("{} GiB", bytes >> 30),
        bytes if bytes >= 1 << 20 => format!("{} MiB", bytes >> 20),
        bytes => format!("{} KiB", bytes >> 10),
    }
}
