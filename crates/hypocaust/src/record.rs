//! The record on the command line: its key, its checkpoints, its check, and bundles for others.
//!
//! Must never write to the store: it reads beside a running daemon, and a bundle is whole or not there.

use std::collections::BTreeMap;
use std::fs::DirBuilder;
use std::io::{self, BufReader, BufWriter, Write};
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use ledger::{Access, Evidence, Ledger};
use pile::time::{Span, Timestamp};
use seal::bundle::{self, Manifest, Why};
use seal::merkle::{Hash, Tree, sha256, sha256_of};
use seal::note::{Checkpoint, SignerKey};
use seal::proof::{ConsistencyProof, RowProof};
use seal::readings::{self, HOUR, Table};
use site::model::Site;
use site::zone::{parse_rfc3339, rfc3339_millis};

use crate::cli::{ExportArgs, RecordCommand};
use crate::clock::Clock;
use crate::commands::{CommandError, when};
use crate::record_key;
use crate::zipped;

/// A bundle covers this long before its end when nothing else was asked for.
const WEEK: Span = Span::days(7);

/// Carries out a command about the record.
///
/// # Errors
/// When the store or the key cannot be read, or the bundle cannot be written.
pub fn record(site: &Site, command: &RecordCommand) -> Result<ExitCode, CommandError> {
    match command {
        RecordCommand::Key => println!("{}", record_key::signer(site)?.verifier()),
        RecordCommand::Checkpoint => {
            let ledger = Ledger::open(&site.data_folder, Access::Read)?;
            let key = record_key::signer(site)?;
            print!("{}", signed(&key, &ledger.checkpoint(key.name())?)?);
        }
        RecordCommand::Check => return check(site),
        RecordCommand::Export(args) => export(site, args)?,
    }
    Ok(ExitCode::SUCCESS)
}

/// Computes the record again; exit 1 where something does not hold.
fn check(site: &Site) -> Result<ExitCode, CommandError> {
    let check = Ledger::open(&site.data_folder, Access::Read)?.check_record()?;
    println!(
        "{} rows, each naming the hash of the one before; the roots of {} hours from their readings",
        check.rows, check.hours
    );
    if check.pruned > 0 {
        println!(
            "{} more hours whose readings were taken out after their time; their roots are on record",
            check.pruned
        );
    }
    if check.partly.hours > 0 {
        println!(
            "{} more hours of which some quantities were taken out after their time: {} of {} readings are still there, so that their roots, \
             which are on record, cannot be computed again",
            check.partly.hours, check.partly.left, check.partly.were
        );
    }
    if check.faults.is_empty() {
        println!("all of it holds");
        return Ok(ExitCode::SUCCESS);
    }
    for fault in &check.faults {
        println!("FAIL  {fault}");
    }
    if check.more > 0 {
        println!("FAIL  and {} more", check.more);
    }
    Ok(ExitCode::from(1))
}

/// Writes a bundle.
fn export(site: &Site, args: &ExportArgs) -> Result<(), CommandError> {
    let to = when(site, args.to.as_deref())?;
    let from = match &args.from {
        Some(text) => when(site, Some(text))?,
        None => to - WEEK,
    };
    // Whole hours, for these have roots: the first as it began, the last to its end.
    let from = readings::hour_of(from);
    let to = readings::hour_of(to + HOUR - Span::millis(1));
    if to <= from {
        return Err(CommandError::Usage("--to must be after --from".into()));
    }
    if to.since(from) > HOUR.times(i64::try_from(bundle::HOURS_MOST).unwrap_or(i64::MAX)) {
        return Err(CommandError::Usage(format!(
            "a bundle is of at most {} hours; give a later --from, or make more than one",
            bundle::HOURS_MOST
        )));
    }
    let previous = args.previous.as_ref().map(|path| read_previous(path)).transpose()?;
    let (folder, said) = grown(site, (from, to), previous.as_deref(), &[], &args.out)?;
    folder.finish()?;
    print!("{said}");
    Ok(())
}

/// Writes a bundle of the hours of a time as one zip file, with these files beside its own and the proof that the record goes on from an
/// earlier checkpoint; gives what there is to say.
///
/// # Errors
/// As for `record export`.
pub(crate) fn zip(
    site: &Site,
    (from, to): (Timestamp, Timestamp),
    previous: Option<&str>,
    more: &[(String, Vec<u8>)],
    out: &Path,
) -> Result<String, CommandError> {
    let hours = (readings::hour_of(from), readings::hour_of(to + HOUR - Span::millis(1)));
    let (folder, said) = grown(site, hours, previous, more, out)?;
    let packed = zipped::pack(&folder.partial, out).map_err(|source| folder.fault("the zip file", source));
    folder.give_up();
    packed.map(|()| said)
}

/// A bundle in a folder that has not its name yet.
fn grown(
    site: &Site,
    hours: (Timestamp, Timestamp),
    previous: Option<&str>,
    more: &[(String, Vec<u8>)],
    out: &Path,
) -> Result<(Growing, String), CommandError> {
    let ledger = Ledger::open(&site.data_folder, Access::Read)?;
    let key = record_key::signer(site)?;
    let mut folder = Growing::begin(out)?;
    let more = more.iter().try_for_each(|(name, bytes)| folder.write(name, bytes));
    match more.and_then(|()| fill(site, &ledger, &key, hours, previous, &mut folder)) {
        Ok(said) => Ok((folder, said)),
        Err(error) => {
            folder.give_up();
            Err(error)
        }
    }
}

/// Writes everything into the folder; gives what there is to say.
fn fill(
    site: &Site,
    ledger: &Ledger,
    key: &SignerKey,
    (from, to): (Timestamp, Timestamp),
    previous: Option<&str>,
    folder: &mut Growing,
) -> Result<String, CommandError> {
    let mut table = Table::default();
    let data =
        files::create(&folder.partial.join(bundle::DATA)).map_err(|source| folder.fault(bundle::DATA, source))?;
    let mut data = BufWriter::new(data);
    let mut outcome = writeln!(data, "{}", readings::HEADER);
    let evidence = ledger.evidence(from, to, &mut |line| {
        if outcome.is_ok() {
            table.push(line);
            outcome = writeln!(data, "{line}");
        }
    })?;
    outcome.and_then(|()| data.flush()).map_err(|source| folder.fault(bundle::DATA, source))?;
    drop(data);
    folder.list(bundle::DATA)?;

    let Evidence { rows, hours, left_out, taken_out, hashes } = evidence;
    let tree = Tree::new(hashes);
    let checkpoint = Checkpoint { origin: key.name().to_owned(), size: tree.size() as u64, root: tree.root() };
    let note = signed(key, &checkpoint)?;
    folder.write(bundle::FIGURES, table.figures())?;
    folder.write(bundle::EVENTS, rows.iter().map(|(_, text)| format!("{text}\n")).collect::<String>())?;
    folder.write(bundle::HOURS, hours.iter().map(|row| format!("{}\n", row.text)).collect::<String>())?;
    folder.write(bundle::CHECKPOINT, &note)?;
    folder.write(bundle::KEY, format!("{}\n", key.verifier()))?;
    folder.write(bundle::GUIDE, bundle::GUIDE_TEXT)?;
    folder.write(bundle::SCRIPT, bundle::SCRIPT_TEXT)?;
    let proven: std::collections::BTreeSet<u64> =
        hours.iter().map(|row| row.seq).chain(rows.last().map(|(seq, _)| *seq)).collect();
    for seq in proven {
        let path = usize::try_from(seq).ok().and_then(|seq| tree.inclusion(seq));
        let path = path.ok_or_else(|| {
            CommandError::Refused(format!("the record has no row {seq}; run `hypocaust record check`"))
        })?;
        folder.write(&bundle::proof_name(seq), RowProof { index: seq, path, checkpoint: note.clone() }.text())?;
    }
    if let Some(previous) = previous {
        folder.write(bundle::CONSISTENCY, consistency(previous, key, &tree)?.text())?;
    }
    let readings: u64 = table.hours().values().map(readings::HourTree::readings).sum();
    let present: std::collections::BTreeSet<Timestamp> = hours.iter().map(|row| row.hour).collect();
    let known: std::collections::BTreeMap<Timestamp, Why> = left_out
        .iter()
        .map(|hour| (*hour, Why::NotOnRecord))
        .chain(taken_out.iter().map(|hour| (*hour, Why::TakenOut)))
        .collect();
    let absent = bundle::absent(
        (from, to),
        |hour| present.contains(&hour),
        |hour| known.get(&hour).copied().unwrap_or(Why::NoReadings),
    );
    // Rows of a clock that was ahead are no reason to say that it was made before them.
    let newest =
        rows.iter().filter_map(|(_, text)| seal::row::parse(text).ok().and_then(|row| parse_rfc3339(&row.time)));
    let made_at = newest.fold(Clock::live().now(), Timestamp::max);
    let manifest = Manifest {
        // The record's own name, which stays where the site's id is changed.
        site: key.name().strip_prefix(bundle::ORIGIN).unwrap_or(key.name()).to_owned(),
        name: site.name.clone(),
        from: rfc3339_millis(from),
        to: rfc3339_millis(to),
        made_at: rfc3339_millis(made_at),
        software: format!("hypocaust {}", env!("CARGO_PKG_VERSION")),
        absent,
        files: folder.files.clone(),
    };
    let cannot = |e: &dyn std::fmt::Display| CommandError::Refused(format!("the list of files cannot be written: {e}"));
    let text = manifest.text().map_err(|e| cannot(&e))?;
    folder.write(bundle::MANIFEST_NOTE, Manifest::sign(&text, key).map_err(|e| cannot(&e))?)?;
    folder.write(bundle::MANIFEST, &text)?;

    let mut said = format!(
        "{}: {readings} readings of {} hours from {} to {}, {} rows of the record\n",
        folder.path.display(),
        hours.len(),
        site.zone.show(from),
        site.zone.show(to),
        rows.len()
    );
    if let [first, ..] = taken_out.as_slice() {
        said += &format!(
            "left out: {} hours from {} on of which readings were taken out after their time (`keep` in the settings); their roots are on \
             record and cannot be computed again\n",
            taken_out.len(),
            site.zone.show(*first)
        );
    }
    let waiting: Vec<Timestamp> = left_out.into_iter().filter(|hour| !taken_out.contains(hour)).collect();
    if let [first, ..] = waiting.as_slice() {
        said += &format!(
            "left out: {} hours from {} on whose readings are not all on record; an hour is put there some ten minutes after its end, \
             while the daemon runs (`hypocaust store check` says whether some cannot be read)\n",
            waiting.len(),
            site.zone.show(*first)
        );
    }
    said.push_str(&format!("check it with: hypocaust verify {} --vkey {}\n", folder.path.display(), key.verifier()));
    Ok(said)
}

fn consistency(previous: &str, key: &SignerKey, tree: &Tree) -> Result<ConsistencyProof, CommandError> {
    let earlier = Checkpoint::open(&seal::note::unfolded(previous), &key.verifier()).map_err(|e| {
        CommandError::Refused(format!("the earlier checkpoint: {e}; give a file that `record checkpoint` wrote here"))
    })?;
    let size = usize::try_from(earlier.size).unwrap_or(usize::MAX);
    let path = tree.consistency(size).filter(|_| tree.root_at(size) == earlier.root).ok_or_else(|| {
        CommandError::Refused(format!(
            "the record does not go on from that checkpoint of {} rows: the store is an older copy, or rows were rewritten; run `hypocaust \
             record check`",
            earlier.size
        ))
    })?;
    Ok(ConsistencyProof { from: earlier.size, to: tree.size() as u64, path })
}

/// A checkpoint as a signed note.
fn signed(key: &SignerKey, checkpoint: &Checkpoint) -> Result<String, CommandError> {
    key.sign(&checkpoint.text()).map_err(|e| CommandError::Refused(format!("the checkpoint cannot be signed: {e}")))
}

fn read_previous(path: &Path) -> Result<String, CommandError> {
    files::read_text(path, files::NOTE).map_err(|source| CommandError::NoInput {
        what: format!("the earlier checkpoint {} cannot be read; correct the path", path.display()),
        source,
    })
}

/// A folder that is filled under another name and takes its own when it is whole.
struct Growing {
    /// Its own name.
    path: PathBuf,
    /// Its name until it is whole.
    partial: PathBuf,
    /// What was written, with length and hash.
    files: BTreeMap<String, (u64, Hash)>,
}

impl Growing {
    fn begin(path: &Path) -> Result<Growing, CommandError> {
        if path.exists() {
            return Err(CommandError::Usage(format!("{} is there already; name a folder that is not", path.display())));
        }
        let name = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
        let partial = path.with_file_name(format!(".{name}.{}.partial", std::process::id()));
        let folder = Growing { path: path.to_owned(), partial, files: BTreeMap::new() };
        let above = path.parent().filter(|above| !above.as_os_str().is_empty());
        let made = above
            .map_or(Ok(()), |above| DirBuilder::new().recursive(true).create(above))
            // New, and so nobody else's.
            .and_then(|()| DirBuilder::new().create(&folder.partial))
            .and_then(|()| DirBuilder::new().create(folder.partial.join("proofs")));
        made.map_err(|source| CommandError::Io {
            what: format!("the folder {} cannot be made; name one in a place that can be written", path.display()),
            source,
        })?;
        Ok(folder)
    }

    /// Lists a file that was written without [`Growing::write`].
    fn list(&mut self, name: &str) -> Result<(), CommandError> {
        let read =
            files::open(&self.partial.join(name), files::OWN).and_then(|file| sha256_of(&mut BufReader::new(file)));
        let listed = read.map_err(|source| self.fault(name, source))?;
        self.files.insert(name.to_owned(), listed);
        Ok(())
    }

    fn write(&mut self, name: &str, content: impl AsRef<[u8]>) -> Result<(), CommandError> {
        let (path, content) = (self.partial.join(name), content.as_ref());
        let made = path.parent().map_or(Ok(()), std::fs::create_dir_all);
        made.and_then(|()| files::write(&path, content)).map_err(|source| self.fault(name, source))?;
        if ![bundle::MANIFEST, bundle::MANIFEST_NOTE].contains(&name) {
            self.files.insert(name.to_owned(), (content.len() as u64, sha256(content)));
        }
        Ok(())
    }

    fn fault(&self, name: &str, source: io::Error) -> CommandError {
        CommandError::Io {
            what: format!("{name} cannot be written into {}; see to the disk", self.path.display()),
            source,
        }
    }

    fn finish(self) -> Result<(), CommandError> {
        std::fs::rename(&self.partial, &self.path).map_err(|source| {
            let what = format!("the bundle cannot take its name {}", self.path.display());
            let _ = std::fs::remove_dir_all(&self.partial);
            CommandError::Io { what, source }
        })
    }

    fn give_up(self) {
        let _ = std::fs::remove_dir_all(&self.partial);
    }
}
