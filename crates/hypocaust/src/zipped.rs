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
        check_layout(&mut file, length).map_err(|why| io::Error::other(why.to_string()))?;
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

/// What is wrong with how an archive lies.
type Layout = Result<(), &'static str>;

/// Refuses an archive in which a byte is not accounted for: files lie one behind the other from its first byte, each under a head that says what the
/// list says of it, then comes the list, and it ends with where that is (APPNOTE.TXT 6.3.10, sections 4.3.7, 4.3.12, 4.3.14 to 4.3.16). Two
/// programs could otherwise read two different bundles out of one file.
fn check_layout(file: &mut File, length: u64) -> Layout {
    const CUT: &str = "it was cut short, or something follows its list of files";
    let end = length.checked_sub(22).ok_or(CUT)?;
    let tail = part(file, end, 22)?;
    if tail.get(..4) != Some(b"PK\x05\x06") || tail.get(20..) != Some(&[0, 0]) {
        return Err(CUT);
    }
    let number = |bytes: &[u8], at: usize, count: usize| -> u64 {
        bytes.get(at..at + count).unwrap_or_default().iter().rev().fold(0, |sum, byte| sum << 8 | u64::from(*byte))
    };
    let (mut count, mut size, mut start, mut edge) =
        (number(&tail, 10, 2), number(&tail, 12, 4), number(&tail, 16, 4), end);
    let locator = match end.checked_sub(20) {
        Some(at) => part(file, at, 20)?,
        None => Vec::new(),
    };
    if locator.starts_with(b"PK\x06\x07") {
        edge = end.checked_sub(76).ok_or(CUT)?;
        let record = part(file, edge, 56)?;
        if !record.starts_with(b"PK\x06\x06") || number(&record, 4, 8) != 44 || number(&locator, 8, 8) != edge {
            return Err("the end of its list of files is in no form of ours");
        }
        (count, size, start) = (number(&record, 32, 8), number(&record, 40, 8), number(&record, 48, 8));
    }
    if count > ENTRIES_MOST || size > DIRECTORY_MOST || start.checked_add(size) != Some(edge) {
        return Err("its list of files is not where it says, or longer than that of any bundle");
    }
    let list = part(file, start, size)?;
    let (mut at, mut cursor) = (0_usize, 0_u64);
    let mut names = std::collections::BTreeSet::new();
    for _ in 0..count {
        let head = list.get(at..at + 46).filter(|head| head.starts_with(b"PK\x01\x02"));
        let head = head.ok_or("its list of files is cut short")?;
        let lengths = [28, 30, 32].map(|place| number(head, place, 2) as usize);
        let [name, extra, comment] = lengths;
        let own = list.get(at + 46..at + 46 + name).ok_or("its list of files is cut short")?;
        let more = list.get(at + 46 + name..at + 46 + name + extra).ok_or("its list of files is cut short")?;
        let listed = wide(more, [number(head, 24, 4), number(head, 20, 4), number(head, 42, 4)])?;
        at += 46 + name + extra + comment;
        let local = part(file, cursor, 30)?;
        if listed[2] != cursor || !local.starts_with(b"PK\x03\x04") {
            return Err("between its files is something that its list does not name");
        }
        let (local_name, local_extra) = (number(&local, 26, 2), number(&local, 28, 2));
        let rest = part(file, cursor + 30, local_name + local_extra)?;
        let (found, more) = rest.split_at_checked(local_name as usize).ok_or(CUT)?;
        let said = wide(more, [number(&local, 22, 4), number(&local, 18, 4), 0])?;
        // Flags, method and checksum lie two bytes further on in the list.
        let differs = local.get(6..10) != head.get(8..12) || local.get(14..18) != head.get(16..20);
        if differs || found != own || said[..2] != listed[..2] {
            return Err("the head of a file says something else than the list of files");
        }
        if number(head, 8, 2) & !0x800 != 0 {
            return Err("a file in it is locked, or its length stands behind it");
        }
        if !names.insert(own.to_vec()) {
            return Err("a name stands in it twice");
        }
        cursor = (cursor + 30 + local_name + local_extra).saturating_add(listed[1]);
    }
    if at as u64 != size || cursor != start {
        return Err("in it is something that its list of files does not name");
    }
    Ok(())
}

/// Some bytes of an archive, no more than a list of files may have.
fn part(file: &mut File, start: u64, count: u64) -> Result<Vec<u8>, &'static str> {
    let mut bytes = Vec::new();
    let read = file.seek(SeekFrom::Start(start)).and_then(|_| (&*file).take(count).read_to_end(&mut bytes));
    match read {
        Ok(found) if found as u64 == count => Ok(bytes),
        _ => Err("it was cut short"),
    }
}

/// Numbers of a head in their order; where one is all ones, the 64-bit form gives it.
fn wide(mut extra: &[u8], numbers: [u64; 3]) -> Result<[u64; 3], &'static str> {
    let mut values: &[u8] = &[];
    while let [a, b, c, d, rest @ ..] = extra {
        let (own, rest) = rest.split_at_checked(usize::from(u16::from_le_bytes([*c, *d]))).unwrap_or((rest, &[]));
        if u16::from_le_bytes([*a, *b]) == 1 {
            values = own;
        }
        extra = rest;
    }
    let mut out = numbers;
    for number in out.iter_mut().filter(|number| **number == u64::from(u32::MAX)) {
        let (first, rest) = values.split_first_chunk::<8>().ok_or("a head in it lacks its 64-bit form")?;
        (*number, values) = (u64::from_le_bytes(*first), rest);
    }
    Ok(out)
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
