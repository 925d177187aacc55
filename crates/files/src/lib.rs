//! Opens the files that people, other programs and other machines leave for us: the one place where a path from outside becomes bytes.
//!
//! Must never wait on a path, read past a kind's limit, follow a link in a folder that somebody else may write, nor know what a file is about.

mod fault;
mod limits;
mod lines;

use std::fs::{File, Metadata, OpenOptions};
use std::io::{self, Read, Write};
use std::os::fd::{AsRawFd, OwnedFd};
use std::os::unix::fs::{FileTypeExt, MetadataExt, OpenOptionsExt, PermissionsExt};
use std::path::{Component, Path, PathBuf};

use rustix::fs::{Mode, OFlags, mkdirat, openat};
use rustix::io::Errno;

pub use fault::Fault;
pub use limits::*;
pub use lines::{Lines, lines};

/// What kind of file is read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Kind {
    /// In a sentence, after "of".
    pub name: &'static str,
    /// How many bytes of it are read at most.
    pub largest: u64,
    /// Whether a link in its place is followed.
    pub links: Links,
}

/// Whether a symbolic link in the place of a file is followed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Links {
    /// It is: a person named the file.
    Followed,
    /// It is not: somebody else may have put it there.
    Refused,
}

/// Opens a regular file to read it. What is no regular file is refused at once, a FIFO that nobody writes to among it.
///
/// # Errors
/// What the system said, or a [`Fault`].
pub fn open(path: &Path, kind: Kind) -> io::Result<File> {
    let mut options = OpenOptions::new();
    options.read(true).custom_flags(flags(kind.links));
    checked(options.open(path).map_err(as_fault)?, kind)
}

/// The whole content.
///
/// # Errors
/// As [`open`]; also for a file that grows past its limit while it is read.
pub fn read(path: &Path, kind: Kind) -> io::Result<Vec<u8>> {
    content(open(path, kind)?, kind)
}

/// The whole content as text.
///
/// # Errors
/// As [`read`]; also where it is no UTF-8.
pub fn read_text(path: &Path, kind: Kind) -> io::Result<String> {
    text(read(path, kind)?)
}

/// The content of a secret: nobody but its owner and its group may read it, nobody but its owner change it.
///
/// # Errors
/// As [`read_text`], and [`Fault::LooseSecret`] with the `chmod` to type.
pub fn read_secret(path: &Path, kind: Kind) -> io::Result<String> {
    let file = open(path, kind)?;
    let mode = file.metadata()?.permissions().mode() & 0o777;
    let loose = match mode {
        mode if mode & 0o002 != 0 => Some(("everybody", "change")),
        mode if mode & 0o004 != 0 => Some(("everybody", "read")),
        mode if mode & 0o020 != 0 => Some(("its group", "change")),
        _ => None,
    };
    if let Some((who, verb)) = loose {
        // A group that was let in on purpose may go on reading: the service manager does that (mode 0440).
        let wanted = if mode & 0o007 == 0 { mode & 0o640 } else { 0o600 };
        return Err(Fault::LooseSecret { path: path.into(), who, verb, mode, wanted }.into());
    }
    text(content(file, kind)?)
}

/// All of standard input as text, up to the kind's limit.
///
/// # Errors
/// What the system said, or a [`Fault`].
pub fn read_stdin(kind: Kind) -> io::Result<String> {
    text(content(io::stdin().lock(), kind)?)
}

/// Opens a file of a folder whose content somebody else decides: no part of the name may lead out of it or be a link.
///
/// # Errors
/// As [`open`]; a name that is no plain path downwards is not found.
pub fn open_within(folder: &Path, name: &str, kind: Kind) -> io::Result<File> {
    let not_found = || io::Error::from(io::ErrorKind::NotFound);
    let parts: Vec<_> = Path::new(name).components().collect();
    let (last, above) = parts.split_last().ok_or_else(not_found)?;
    if !parts.iter().all(|part| matches!(part, Component::Normal(_))) {
        return Err(not_found());
    }
    let directory = OFlags::DIRECTORY | OFlags::RDONLY | OFlags::CLOEXEC;
    let mut at = rustix::fs::open(folder, directory, Mode::empty())?;
    for part in above {
        at = openat(&at, part.as_os_str(), directory | OFlags::NOFOLLOW, Mode::empty()).map_err(as_folder_fault)?;
    }
    let read = OFlags::RDONLY | OFlags::CLOEXEC | OFlags::NONBLOCK | OFlags::NOCTTY | OFlags::NOFOLLOW;
    let file = openat(&at, last.as_os_str(), read, Mode::empty()).map_err(|e| as_fault(e.into()))?;
    checked(File::from(file), kind)
}

/// Opens a file of our own to write it from its beginning, and makes it where there is none. A link, and for root a file with a second name, is
/// refused before anything in it is changed: root may be in a folder of somebody else.
///
/// # Errors
/// What the system said, or a [`Fault`].
pub fn create(path: &Path) -> io::Result<File> {
    let file = open_own(path, 0o666)?;
    file.set_len(0)?;
    Ok(file)
}

/// The same, to read and write what is there already; a new one gets the mode.
///
/// # Errors
/// As [`create`].
pub fn open_own(path: &Path, mode: u32) -> io::Result<File> {
    let mut options = OpenOptions::new();
    options.read(true).write(true).create(true).truncate(false).mode(mode).custom_flags(flags(Links::Refused));
    let file = checked(options.open(path).map_err(as_fault)?, OWN)?;
    alone(&file.metadata()?)?;
    Ok(file)
}

/// Writes a whole file of our own, as [`create`] opens it.
///
/// # Errors
/// As [`create`].
pub fn write(path: &Path, content: impl AsRef<[u8]>) -> io::Result<()> {
    create(path)?.write_all(content.as_ref())
}

/// Makes a folder and those above it; one that is a link is refused.
///
/// # Errors
/// What the system said, or a [`Fault`].
pub fn create_folder(path: &Path) -> io::Result<()> {
    std::fs::create_dir_all(path)?;
    // `a/` would be the folder behind the link.
    let bare: PathBuf = path.components().collect();
    if bare.symlink_metadata()?.is_symlink() { Err(Fault::Link.into()) } else { Ok(()) }
}

/// A folder that is held open: what is done at its path is done in it, whatever takes its name meanwhile.
#[derive(Debug)]
pub struct Held(File);

impl Held {
    /// Makes, where need be, and opens the folders below one another in `base`, none of them through a link.
    ///
    /// # Errors
    /// What the system said, or [`Fault::Link`].
    pub fn make(base: &Path, below: &[&str]) -> io::Result<Held> {
        Held::walk(base, below, |at, name| match mkdirat(at, name, Mode::from_raw_mode(0o777)) {
            Err(Errno::EXIST) => Ok(()),
            made => made,
        })
    }

    /// Opens them where they are.
    ///
    /// # Errors
    /// As [`Held::make`].
    pub fn open(base: &Path, below: &[&str]) -> io::Result<Held> {
        Held::walk(base, below, |_, _| Ok(()))
    }

    fn walk(
        base: &Path,
        below: &[&str],
        before: impl Fn(&OwnedFd, &str) -> rustix::io::Result<()>,
    ) -> io::Result<Held> {
        let directory = OFlags::DIRECTORY | OFlags::RDONLY | OFlags::CLOEXEC;
        let mut at = rustix::fs::open(base, directory, Mode::empty())?;
        for name in below {
            if Path::new(name).components().ne([Component::Normal(name.as_ref())]) {
                return Err(io::ErrorKind::InvalidInput.into());
            }
            before(&at, name)?;
            at = openat(&at, *name, directory | OFlags::NOFOLLOW, Mode::empty()).map_err(as_folder_fault)?;
        }
        Ok(Held(File::from(at)))
    }

    /// The way to it by what is held open (proc(5)).
    pub fn path(&self) -> PathBuf {
        format!("/proc/self/fd/{}", self.0.as_raw_fd()).into()
    }
}

/// Checks that a path is free, or holds a regular file, which for root has no other name: for files that a library opens by their path.
///
/// # Errors
/// What the system said, or a [`Fault`].
pub fn check_own(path: &Path) -> io::Result<()> {
    let about = match path.symlink_metadata() {
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(()),
        about => about?,
    };
    if about.is_symlink() {
        return Err(Fault::Link.into());
    }
    regular(&about)?;
    alone(&about)
}

/// Checks that only its owner can put files into a folder.
///
/// # Errors
/// What the system said, or [`Fault::LooseFolder`] with the `chmod` to type.
pub fn check_folder(path: &Path) -> io::Result<()> {
    let mode = std::fs::metadata(path)?.permissions().mode() & 0o7777;
    let who = match mode {
        mode if mode & 0o002 != 0 => "everybody",
        mode if mode & 0o020 != 0 => "its group",
        _ => return Ok(()),
    };
    Err(Fault::LooseFolder { path: path.into(), who, mode }.into())
}

/// The paths in a folder, sorted.
///
/// # Errors
/// What the system said, or [`Fault::TooMany`].
pub fn paths_in(folder: &Path) -> io::Result<Vec<PathBuf>> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder)? {
        if found.len() == FOLDER {
            return Err(Fault::TooMany { most: FOLDER }.into());
        }
        found.push(entry?.path());
    }
    found.sort();
    Ok(found)
}

fn flags(links: Links) -> i32 {
    let link = match links {
        Links::Followed => OFlags::empty(),
        Links::Refused => OFlags::NOFOLLOW,
    };
    // Without waiting for whoever is at the other end of a pipe, and without a terminal becoming ours. `File` adds CLOEXEC.
    (OFlags::NONBLOCK | OFlags::NOCTTY | link).bits() as i32
}

/// What the system says where a link or a socket lies, in words.
fn as_fault(error: io::Error) -> io::Error {
    match Errno::from_io_error(&error) {
        Some(Errno::LOOP) => Fault::Link.into(),
        Some(Errno::NXIO) => Fault::NotRegular { what: "socket, or a pipe that nobody reads" }.into(),
        _ => error,
    }
}

/// A link that is opened as a folder and not followed is no folder, says the system.
fn as_folder_fault(error: Errno) -> io::Error {
    match error {
        Errno::NOTDIR => Fault::Link.into(),
        error => as_fault(error.into()),
    }
}

fn checked(file: File, kind: Kind) -> io::Result<File> {
    let about = file.metadata()?;
    regular(&about)?;
    if about.len() > kind.largest { Err(too_large(kind)) } else { Ok(file) }
}

fn regular(about: &Metadata) -> io::Result<()> {
    let what = match about.file_type() {
        kind if kind.is_file() => return Ok(()),
        kind if kind.is_dir() => "folder",
        kind if kind.is_fifo() => "pipe",
        kind if kind.is_socket() => "socket",
        _ => "device",
    };
    Err(Fault::NotRegular { what }.into())
}

/// A user can give a second name to no file but his own; what root writes must not have one. (Copies by `cp -al` have one as well.)
fn alone(about: &Metadata) -> io::Result<()> {
    let theirs = about.nlink() > 1 && rustix::process::geteuid().is_root();
    if theirs { Err(Fault::SecondName.into()) } else { Ok(()) }
}

fn content(from: impl Read, kind: Kind) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    from.take(kind.largest + 1).read_to_end(&mut bytes)?;
    if bytes.len() as u64 > kind.largest { Err(too_large(kind)) } else { Ok(bytes) }
}

fn text(bytes: Vec<u8>) -> io::Result<String> {
    String::from_utf8(bytes).map_err(|_| io::Error::new(io::ErrorKind::InvalidData, "it is not UTF-8 text"))
}

fn too_large(kind: Kind) -> io::Error {
    Fault::TooLarge { name: kind.name, largest: kind.largest }.into()
}
