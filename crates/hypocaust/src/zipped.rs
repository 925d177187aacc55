//! Folders as one zip file, and back.
//!
//! Must never write what it unpacks: an archive from elsewhere is only read, entry by entry.

use std::cell::RefCell;
use std::fs::File;
use std::io::{self, BufRead, BufReader, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use flate2::read::DeflateDecoder;
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipArchive, ZipWriter};

/// How many times its own length an archive may unpack to, beyond [`UNPACKED_FREE`]. Readings of a year come to twelve times; Deflate can reach 1,032
/// times, and where entries share what is packed there is no end.
const UNPACKED_TIMES: u64 = 200;
/// Bytes that any archive may unpack to.
const UNPACKED_FREE: u64 = 256 << 20;
/// Files in one archive: a proof for each hour of five years.
const ENTRIES_MOST: u64 = 50_000;
/// Bytes of the list of these.
const DIRECTORY_MOST: u64 = 16 << 20;
/// Bytes at the end of an archive in which its directory is announced: the record, the longest comment behind it, and its 64-bit forms before it.
const TAIL: u64 = 22 + 65_535 + 76;
/// Folders within folders.
const DEPTH_MOST: usize = 8;

/// Whether a file begins as zip files do.
///
/// # Errors
/// When it cannot be read.
pub(crate) fn is_zip(path: &Path) -> io::Result<bool> {
    let mut head = [0; 4];
    let mut file = files::open(path, files::ARCHIVE)?;
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
    list(folder, &mut names)?;
    names.sort();
    // Without times of its own: zip keeps none of the files'.
    let options = SimpleFileOptions::default().compression_method(CompressionMethod::Deflated).large_file(true);
    let mut zip = ZipWriter::new(files::create(archive)?);
    for name in names {
        zip.start_file(name.as_str(), options)?;
        io::copy(&mut files::open_within(folder, &name, files::MEMBER)?, &mut zip)?;
    }
    zip.finish()?.flush()
}

/// The names of all files, with `/` between folders.
///
/// # Errors
/// When a folder cannot be read, or has more in it than a bundle has.
pub(crate) fn list(folder: &Path, names: &mut Vec<String>) -> io::Result<()> {
    list_under(folder, "", DEPTH_MOST, names)
}

fn list_under(folder: &Path, under: &str, depth: usize, names: &mut Vec<String>) -> io::Result<()> {
    for entry in std::fs::read_dir(folder)? {
        let entry = entry?;
        let name = format!("{under}{}", entry.file_name().to_string_lossy());
        // A link to a folder is listed as a file; it is none of a bundle's and is not opened.
        if entry.file_type()?.is_dir() {
            let deeper =
                depth.checked_sub(1).ok_or_else(|| io::Error::other("it has folders within folders without end"))?;
            list_under(&entry.path(), &format!("{name}/"), deeper, names)?;
        } else if names.len() as u64 == ENTRIES_MOST {
            return Err(io::Error::other(format!("it has more than {ENTRIES_MOST} files, which is no bundle")));
        } else {
            names.push(name);
        }
    }
    Ok(())
}

/// An archive that is read where it lies.
pub(crate) struct Archive {
    path: PathBuf,
    directory: RefCell<ZipArchive<File>>,
}

impl Archive {
    /// Opens one.
    ///
    /// # Errors
    /// When it cannot be read, was cut short, or unpacks to more than an honest one does.
    pub(crate) fn open(path: &Path) -> io::Result<Archive> {
        let mut file = files::open(path, files::ARCHIVE)?;
        let length = file.metadata()?.len();
        check_directory(&mut file, length)?;
        let mut directory = ZipArchive::new(file)?;
        let mut unpacked = 0u64;
        for n in 0..directory.len() {
            unpacked = unpacked.saturating_add(directory.by_index_raw(n)?.size());
        }
        let most = length.saturating_mul(UNPACKED_TIMES).saturating_add(UNPACKED_FREE);
        if unpacked > most {
            return Err(io::Error::other(format!(
                "its {length} bytes unpack to {unpacked}, more than any bundle does ({UNPACKED_TIMES} times and 256 MiB)"
            )));
        }
        Ok(Archive { path: path.to_owned(), directory: RefCell::new(directory) })
    }

    /// The names of its files.
    pub(crate) fn names(&self) -> Vec<String> {
        let archive = self.directory.borrow();
        let names = archive.file_names().filter_map(Result::ok).filter(|name| !name.ends_with('/'));
        names.map(|name| name.into_owned()).collect()
    }

    /// One of its files, unpacked as it is read and to no more than its directory says.
    ///
    /// # Errors
    /// When there is none of this name, or it is packed in a way that we do not pack.
    pub(crate) fn file(&self, name: &str) -> io::Result<Box<dyn BufRead>> {
        let mut directory = self.directory.borrow_mut();
        let entry = directory.by_name(name)?;
        let start = entry.data_start().ok_or(io::ErrorKind::UnexpectedEof)?;
        let (packed, size, method) = (entry.compressed_size(), entry.size(), entry.compression());
        // A second handle, so that the file can be read after this call.
        let mut file = files::open(&self.path, files::ARCHIVE)?;
        file.seek(SeekFrom::Start(start))?;
        let packed = BufReader::new(file.take(packed));
        match method {
            CompressionMethod::Stored => Ok(Box::new(packed.take(size))),
            CompressionMethod::Deflated => {
                Ok(Box::new(BufReader::new(DeflateDecoder::new(packed).take(size.saturating_add(1)))))
            }
            _ => Err(io::Error::other("it is packed in a way that hypocaust does not use")),
        }
    }
}

/// Refuses an archive whose directory is announced as larger than that of any bundle, by any record near its end that says so: the directory is
/// held in memory, so this is asked before it is read (APPNOTE.TXT 6.3.10, sections 4.3.14 and 4.3.16).
fn check_directory(file: &mut File, length: u64) -> io::Result<()> {
    file.seek(SeekFrom::Start(length.saturating_sub(TAIL)))?;
    let mut tail = Vec::new();
    (&*file).take(TAIL).read_to_end(&mut tail)?;
    file.rewind()?;
    // Where a number is all ones, the 64-bit record gives it.
    let number = |at: usize, bytes: usize| -> u64 {
        let found = tail.get(at..at + bytes).unwrap_or_default();
        let number = found.iter().rev().fold(0, |sum, byte| sum << 8 | u64::from(*byte));
        if found.iter().all(|byte| *byte == 0xFF) { 0 } else { number }
    };
    for at in 0..tail.len() {
        let (entries, bytes) = match tail.get(at..at + 4) {
            Some(b"PK\x05\x06") => (number(at + 10, 2), number(at + 12, 4)),
            Some(b"PK\x06\x06") => (number(at + 32, 8), number(at + 40, 8)),
            _ => continue,
        };
        if entries > ENTRIES_MOST || bytes > DIRECTORY_MOST {
            return Err(io::Error::other(format!(
                "it announces {entries} files in a list of {bytes} bytes, and a bundle has at most {ENTRIES_MOST} in {DIRECTORY_MOST}"
            )));
        }
    }
    Ok(())
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
