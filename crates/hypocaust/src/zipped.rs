//! Folders as one zip file, and back.
//!
//! Must never write what it unpacks: an archive from elsewhere is only read, entry by entry.

use std::cell::RefCell;
use std::fs::File;
use std::io::{self, BufRead, Cursor, Read, Write};
use std::path::Path;

use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipArchive, ZipWriter};

/// An entry that claims to be larger than this once unpacked is refused: a year of a large site's readings is smaller.
const ENTRY_LARGEST: u64 = 8 << 30;

/// Whether a file begins as zip files do.
///
/// # Errors
/// When it cannot be read.
pub(crate) fn is_zip(path: &Path) -> io::Result<bool> {
    let mut head = [0; 4];
    let mut file = File::open(path)?;
    Ok(matches!(file.read_exact(&mut head), Ok(())) && head == *b"PK\x03\x04")
}

/// Packs every file of a folder, under its path from there, into one archive; the same files give the same bytes.
///
/// # Errors
/// When something cannot be read or written; then there is no archive.
pub(crate) fn pack(folder: &Path, archive: &Path) -> io::Result<()> {
    let partial = archive.with_extension(format!("{}.partial", std::process::id()));
    let packed = packed(folder, &partial).and_then(|()| std::fs::rename(&partial, archive));
    if packed.is_err() {
        let _ = std::fs::remove_file(&partial);
    }
    packed
}

fn packed(folder: &Path, archive: &Path) -> io::Result<()> {
    let mut names = Vec::new();
    list(folder, "", &mut names)?;
    names.sort();
    // Without times of its own: zip keeps none of the files'.
    let options = SimpleFileOptions::default().compression_method(CompressionMethod::Deflated).large_file(true);
    let mut zip = ZipWriter::new(File::create(archive)?);
    for name in names {
        zip.start_file(name.as_str(), options)?;
        io::copy(&mut File::open(folder.join(&name))?, &mut zip)?;
    }
    zip.finish()?.flush()
}

/// The names of all files, with `/` between folders.
///
/// # Errors
/// When a folder cannot be read.
pub(crate) fn list(folder: &Path, under: &str, names: &mut Vec<String>) -> io::Result<()> {
    for entry in std::fs::read_dir(folder)? {
        let entry = entry?;
        let name = format!("{under}{}", entry.file_name().to_string_lossy());
        if entry.file_type()?.is_dir() {
            list(&entry.path(), &format!("{name}/"), names)?;
        } else {
            names.push(name);
        }
    }
    Ok(())
}

/// An archive that is read where it lies.
pub(crate) struct Archive(RefCell<ZipArchive<File>>);

impl Archive {
    /// Opens one.
    ///
    /// # Errors
    /// When it cannot be read, or was cut short.
    pub(crate) fn open(path: &Path) -> io::Result<Archive> {
        Ok(Archive(RefCell::new(ZipArchive::new(File::open(path)?)?)))
    }

    /// The names of its files.
    pub(crate) fn names(&self) -> Vec<String> {
        let archive = self.0.borrow();
        let names = archive.file_names().filter_map(Result::ok).filter(|name| !name.ends_with('/'));
        names.map(|name| name.into_owned()).collect()
    }

    /// One of its files, unpacked.
    ///
    /// # Errors
    /// When there is none of this name, or it does not unpack to what the archive says it is.
    pub(crate) fn file(&self, name: &str) -> io::Result<Box<dyn BufRead>> {
        let mut archive = self.0.borrow_mut();
        let mut file = archive.by_name(name)?;
        if file.size() > ENTRY_LARGEST {
            return Err(io::Error::other(format!("it says that it has {} bytes", file.size())));
        }
        let mut bytes = Vec::new();
        file.by_ref().take(ENTRY_LARGEST).read_to_end(&mut bytes)?;
        Ok(Box::new(Cursor::new(bytes)))
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn a_folder_comes_back_whole_and_a_cut_archive_does_not() {
        let folder = tempfile::tempdir().unwrap();
        let (from, zip) = (folder.path().join("from"), folder.path().join("all.zip"));
        std::fs::create_dir_all(from.join("proofs")).unwrap();
        std::fs::write(from.join("a.csv"), "a,b\n".repeat(10_000)).unwrap();
        std::fs::write(from.join("proofs/1.txt"), "proof").unwrap();
        pack(&from, &zip).unwrap();
        let first = std::fs::read(&zip).unwrap();
        pack(&from, &zip).unwrap();
        assert!(first == std::fs::read(&zip).unwrap(), "the same files, the same bytes");
        assert!(first.len() < 2_000, "it is packed: {}", first.len());
        assert!(is_zip(&zip).unwrap());
        let archive = Archive::open(&zip).unwrap();
        assert_eq!(archive.names(), ["a.csv", "proofs/1.txt"]);
        let mut text = String::new();
        archive.file("proofs/1.txt").unwrap().read_to_string(&mut text).unwrap();
        assert_eq!(text, "proof");
        assert!(archive.file("none").is_err());
        std::fs::write(&zip, &first[..first.len() / 2]).unwrap();
        assert!(Archive::open(&zip).is_err(), "cut short");
    }
}
