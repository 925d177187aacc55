//! A bundle: readings, rows, proofs and a signed list of its files, and the check of all of it.
//!
//! Must never stop at the first fault: whoever checks wants every place that was touched.

use std::collections::{BTreeMap, BTreeSet};
use std::io::{self, BufRead, Read};

use serde_json::{Value, json};

use crate::canonical;
use crate::limits;
use crate::merkle::{Hash, sha256, sha256_of};
use crate::note::{Checkpoint, NoteError, SignerKey, VerifierKey};
use crate::proof::{ConsistencyProof, RowProof};
use crate::readings::{HEADER, Table};
use crate::row::{self, Head, Row};

/// The readings.
pub const DATA: &str = "data.csv";
/// The rows of the record of that time, one after the other.
pub const EVENTS: &str = "events.jsonl";
/// The rows with the root of each hour of readings.
pub const HOURS: &str = "hours.jsonl";
/// The daily figures.
pub const FIGURES: &str = "figures.csv";
/// The signed checkpoint.
pub const CHECKPOINT: &str = "checkpoint.txt";
/// The proof that the record goes on from an earlier checkpoint, where one was named.
pub const CONSISTENCY: &str = "consistency-from-previous.txt";
/// The key.
pub const KEY: &str = "log.vkey";
/// The list of files.
pub const MANIFEST: &str = "manifest.json";
/// The signature of the list.
pub const MANIFEST_NOTE: &str = "manifest.note";
/// How to check it by hand.
pub const GUIDE: &str = "VERIFY.txt";
/// The second verifier.
pub const SCRIPT: &str = "verify.py";
/// What `VERIFY.txt` says.
pub const GUIDE_TEXT: &str = include_str!("VERIFY.txt");
/// What `verify.py` does.
pub const SCRIPT_TEXT: &str = include_str!("verify.py");
/// The kind of a row with the root of an hour of readings.
pub const HOUR_KIND: &str = "readings.hour";
/// The first line of the note over the manifest; keeps it apart from a checkpoint.
const MANIFEST_HEAD: &str = "hypocaust-bundle-manifest@v1";
/// The version of the manifest's form.
const VERSION: u64 = 1;

/// The name of the file with the proof of a row.
pub fn proof_name(seq: u64) -> String {
    format!("proofs/{seq}.tlog-proof")
}

/// What a bundle says of itself.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Manifest {
    /// The site's id.
    pub site: String,
    /// The site's name.
    pub name: String,
    /// The first instant of its readings, RFC 3339.
    pub from: String,
    /// The instant after its last reading.
    pub to: String,
    /// When it was made.
    pub made_at: String,
    /// The program's version.
    pub software: String,
    /// Hours of that time whose readings are not on record and so not in it.
    pub hours_left_out: Vec<String>,
    /// Each file with its length and hash.
    pub files: BTreeMap<String, (u64, Hash)>,
}

impl Manifest {
    /// Its file.
    ///
    /// # Errors
    /// [`canonical::CanonicalError`] for a file of more than 2^53 bytes.
    pub fn text(&self) -> Result<String, canonical::CanonicalError> {
        let files: Vec<Value> = self
            .files
            .iter()
            .map(|(name, (bytes, hash))| json!({ "name": name, "bytes": bytes, "sha256": hash.to_hex() }))
            .collect();
        canonical::text(&json!({
            "v": VERSION, "site": self.site, "name": self.name, "from": self.from, "to": self.to, "made_at": self.made_at,
            "software": self.software, "hours_left_out": self.hours_left_out, "files": files
        }))
    }

    /// The note that signs a manifest's text.
    ///
    /// # Errors
    /// None that a manifest's text can cause.
    pub fn sign(text: &str, key: &SignerKey) -> Result<String, NoteError> {
        key.sign(&note_text(text))
    }

    fn parse(text: &str) -> Option<Manifest> {
        let value = canonical::parse(text).ok()?;
        let word = |name: &str| value[name].as_str().map(str::to_owned);
        let files = value["files"].as_array()?.iter().map(|file| {
            let hash = Hash::from_hex(file["sha256"].as_str()?)?;
            Some((file["name"].as_str()?.to_owned(), (file["bytes"].as_u64()?, hash)))
        });
        let left_out = value["hours_left_out"].as_array()?.iter().map(|hour| hour.as_str().map(str::to_owned));
        (value["v"].as_u64() == Some(VERSION)).then_some(())?;
        Some(Manifest {
            site: word("site")?,
            name: word("name")?,
            from: word("from")?,
            to: word("to")?,
            made_at: word("made_at")?,
            software: word("software")?,
            hours_left_out: left_out.collect::<Option<_>>()?,
            files: files.collect::<Option<_>>()?,
        })
    }
}

/// The files of a bundle, wherever they lie.
pub struct Source<'a> {
    /// Their names, with `/` between folders.
    pub names: Vec<String>,
    /// Opens one.
    pub open: &'a dyn Fn(&str) -> io::Result<Box<dyn BufRead>>,
}

/// Why nothing could be checked.
#[derive(Debug, thiserror::Error)]
pub enum BundleError {
    /// The list of files.
    #[error(
        "its {MANIFEST} is missing, cut short or of another version; ask for the bundle again, or check it with the version that made it"
    )]
    NoManifest,
    /// The key.
    #[error("its {KEY} is missing or no key; give the one that the site published as --vkey")]
    NoKey,
}

/// What one step of the check came to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Step {
    /// Its name.
    pub name: &'static str,
    /// What it came to.
    pub outcome: Outcome,
}

/// What a step came to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// It holds; what was checked.
    Good(String),
    /// Nothing speaks against it, but it rests on the bundle's own word.
    Unsure(String),
    /// It does not hold; each place.
    Bad(Vec<String>),
}

/// Checks a bundle: one step after the other, all of them, whatever the earlier ones came to.
///
/// `asked` is the key as the site published it, `previous` an earlier checkpoint that the reader kept.
///
/// # Errors
/// [`BundleError`] when there is nothing to begin with.
pub fn verify(
    source: &Source<'_>,
    asked: Option<&VerifierKey>,
    previous: Option<&str>,
) -> Result<Vec<Step>, BundleError> {
    let manifest_text = source.text(MANIFEST, limits::MANIFEST).map_err(|_| BundleError::NoManifest)?;
    let manifest = Manifest::parse(&manifest_text).ok_or(BundleError::NoManifest)?;
    let enclosed = source.text(KEY, limits::NOTE).ok().and_then(|text| VerifierKey::parse(&text).ok());
    let key = match (asked, &enclosed) {
        (Some(key), _) | (None, Some(key)) => key.clone(),
        (None, None) => return Err(BundleError::NoKey),
    };
    let mut steps = vec![source.files(&manifest), key_step(enclosed.as_ref(), asked)];
    steps.push(source.signed_manifest(&manifest_text, &key));
    let (step, checkpoint) = source.checkpoint(&key);
    steps.push(step);
    let (step, last) = source.events();
    steps.push(step);
    let (step, hours) = source.proofs(last.as_ref(), &key, checkpoint.as_ref());
    steps.push(step);
    let (step, table) = source.data(&hours, &manifest);
    steps.push(step);
    steps.push(source.figures(&table));
    if let Some(previous) = previous {
        steps.push(source.previous(previous, &key, checkpoint.as_ref()));
    }
    Ok(steps)
}

fn key_step(enclosed: Option<&VerifierKey>, asked: Option<&VerifierKey>) -> Step {
    let outcome = match (enclosed, asked) {
        (Some(enclosed), Some(asked)) if enclosed == asked => Outcome::Good(format!("{asked}, as given")),
        (Some(enclosed), Some(asked)) => {
            Outcome::Bad(vec![format!("{KEY}: the bundle is of {enclosed}, not of the key given, {asked}")])
        }
        (Some(enclosed), None) => Outcome::Unsure(format!(
            "{enclosed}, on the bundle's own word; compare it with the one that the site published, or give that as --vkey"
        )),
        (None, _) => Outcome::Bad(vec![format!("{KEY}: is missing or no key; checked with the key given")]),
    };
    Step { name: "key", outcome }
}

impl Source<'_> {
    /// The whole text of a file, of `most` bytes at the most.
    fn text(&self, name: &str, most: u64) -> Result<String, String> {
        let mut text = String::new();
        let opened = (self.open)(name).and_then(|file| file.take(most + 1).read_to_string(&mut text));
        opened.map_err(|e| format!("{name}: cannot be read: {e}"))?;
        if text.len() as u64 > most {
            return Err(format!("{name}: is longer than {most} bytes, which no bundle of ours has"));
        }
        Ok(text)
    }

    /// Each file is the one that the manifest names, and there is no other.
    fn files(&self, manifest: &Manifest) -> Step {
        let mut faults = Faults::default();
        for (name, (bytes, wanted)) in &manifest.files {
            match self.hash(name, *bytes) {
                Err(e) if e.kind() == io::ErrorKind::NotFound => faults.push(format!("{name}: is missing")),
                Err(e) => faults.push(format!("{name}: cannot be read: {e}")),
                Ok((found, _)) if found > *bytes => {
                    faults.push(format!("{name}: has more than {bytes} bytes; it was changed"));
                }
                Ok((found, _)) if found != *bytes => {
                    faults.push(format!("{name}: has {found} bytes, not {bytes}; it was changed or cut short"));
                }
                Ok((_, hash)) if hash != *wanted => {
                    faults.push(format!("{name}: was changed; its SHA-256 is {hash}, not {wanted}"));
                }
                Ok(_) => {}
            }
        }
        let own = [MANIFEST, MANIFEST_NOTE];
        let known = |name: &String| own.contains(&name.as_str()) || manifest.files.contains_key(name);
        faults
            .extend(self.names.iter().filter(|n| !known(n)).map(|n| format!("{n}: is not one of the bundle's files")));
        for name in [DATA, EVENTS, HOURS, FIGURES, CHECKPOINT] {
            if !manifest.files.contains_key(name) {
                faults.push(format!("{name}: {MANIFEST} does not name it"));
            }
        }
        Step::of("files", faults, || {
            let Manifest { name, from, to, made_at, .. } = manifest;
            format!("{} files as listed; {name}, {from} to {to}, made {made_at}", manifest.files.len())
        })
    }

    /// Reads one byte more than there should be, and no further.
    fn hash(&self, name: &str, bytes: u64) -> io::Result<(u64, Hash)> {
        sha256_of(&mut (self.open)(name)?.take(bytes.min(limits::FILE).saturating_add(1)))
    }

    fn signed_manifest(&self, manifest: &str, key: &VerifierKey) -> Step {
        let signed = || -> Result<(), String> {
            let note = self.text(MANIFEST_NOTE, limits::NOTE)?;
            let text = key.open(&note).map_err(|e| format!("{MANIFEST_NOTE}: {e}"))?;
            if text == note_text(manifest) {
                Ok(())
            } else {
                Err(format!("{MANIFEST}: is not the one that was signed"))
            }
        };
        let mut faults = Faults::default();
        faults.extend(signed().err());
        Step::of("manifest", faults, || "the list of files is signed by that key".into())
    }

    fn checkpoint(&self, key: &VerifierKey) -> (Step, Option<Checkpoint>) {
        let opened = self
            .text(CHECKPOINT, limits::NOTE)
            .and_then(|note| Checkpoint::open(&note, key).map_err(|e| format!("{CHECKPOINT}: {e}")));
        match opened {
            Ok(checkpoint) => {
                let said = format!("{} rows on record, root {}, signed by that key", checkpoint.size, checkpoint.root);
                (Step { name: "checkpoint", outcome: Outcome::Good(said) }, Some(checkpoint))
            }
            Err(fault) => (Step { name: "checkpoint", outcome: Outcome::Bad(vec![fault]) }, None),
        }
    }

    /// Rows follow one another without a gap; also gives the last of them.
    fn events(&self) -> (Step, Option<Row>) {
        let text = match self.text(EVENTS, limits::TEXT) {
            Ok(text) => text,
            Err(fault) => return (Step { name: "rows", outcome: Outcome::Bad(vec![fault]) }, None),
        };
        let (mut faults, mut head, mut first, mut last) = (Faults::default(), None, None, None);
        for (number, line) in (1..).zip(text.lines()) {
            let place = |seq: u64, e: &dyn std::fmt::Display| format!("{EVENTS} line {number}, row {seq}: {e}");
            match row::parse(line) {
                Err(e) => {
                    faults.push(format!("{EVENTS} line {number}: {e}"));
                    head = None;
                }
                Ok(row) => {
                    let mut follows: Head = head.unwrap_or(Head { next: row.seq, prev: row.prev });
                    if let Err(e) = follows.follow(line) {
                        faults.push(place(row.seq, &e));
                    }
                    head = Some(Head { next: row.seq + 1, prev: row.hash });
                    first.get_or_insert(row.seq);
                    last = Some(row);
                }
            }
        }
        let range = first.zip(last.as_ref().map(|row| row.seq));
        let step = Step::of("rows", faults, || match range {
            Some((first, last)) => format!("rows {first} to {last}, each naming the hash of the one before"),
            None => "no rows of that time".into(),
        });
        (step, last)
    }

    /// The last row and each row of an hour are in the record of the checkpoint; also gives the hours.
    fn proofs(
        &self,
        last: Option<&Row>,
        key: &VerifierKey,
        checkpoint: Option<&Checkpoint>,
    ) -> (Step, BTreeMap<String, Row>) {
        let (mut faults, mut hours) = (Faults::default(), BTreeMap::new());
        let text = self.text(HOURS, limits::HOURS).unwrap_or_else(|fault| {
            faults.push(fault);
            String::new()
        });
        let mut rows: Vec<(String, Row)> = Vec::new();
        for (number, line) in (1..).zip(text.lines()) {
            match row::parse(line) {
                Ok(row) if row.kind == HOUR_KIND => {
                    let hour = row.body["hour"].as_str().unwrap_or_default().to_owned();
                    let place = format!("{HOURS} line {number}, row {}", row.seq);
                    if hours.insert(hour.clone(), row.clone()).is_some() {
                        faults.push(format!("{place}: hour {hour} stands there twice"));
                    }
                    rows.push((place, row));
                }
                Ok(row) => faults.push(format!("{HOURS} line {number}, row {}: it is no row of an hour", row.seq)),
                Err(e) => faults.push(format!("{HOURS} line {number}: {e}")),
            }
        }
        rows.extend(last.map(|row| (format!("{EVENTS}, last row {}", row.seq), row.clone())));
        let mut proven = BTreeSet::new();
        for (place, row) in &rows {
            let name = proof_name(row.seq);
            let checked = self.text(&name, limits::NOTE).and_then(|text| {
                let proof = RowProof::parse(&text).map_err(|e| format!("{name}: {e}"))?;
                let at = proof.check(row.hash, key).map_err(|e| format!("{place}, {name}: {e}"))?;
                if proof.index != row.seq {
                    return Err(format!("{name}: is of row {}, not of {}", proof.index, row.seq));
                }
                match checkpoint {
                    Some(checkpoint) if at != *checkpoint => Err(format!("{name}: is of another checkpoint")),
                    _ => Ok(()),
                }
            });
            match checked {
                Ok(()) => drop(proven.insert(row.seq)),
                Err(fault) => faults.push(fault),
            }
        }
        let step =
            Step::of("proofs", faults, || format!("{} rows proven to be in the checkpoint's record", proven.len()));
        (step, hours)
    }

    /// The readings of each hour give the root on record.
    fn data(&self, hours: &BTreeMap<String, Row>, manifest: &Manifest) -> (Step, Table) {
        let (mut faults, mut table) = (Faults::default(), Table::default());
        let read = (self.open)(DATA).and_then(|file| {
            let (mut file, mut line) = (file, Vec::new());
            for number in 1u64.. {
                line.clear();
                if file.by_ref().take(limits::LINE).read_until(b'\n', &mut line)? == 0 {
                    break;
                }
                let line = std::str::from_utf8(&line).unwrap_or_default();
                let line = line.strip_suffix('\n').unwrap_or(line);
                let line = line.strip_suffix('\r').unwrap_or(line);
                let is_fine = if number == 1 { line == HEADER } else { table.push(line) };
                if !is_fine {
                    faults.push(format!("{DATA} line {number}: is no reading in the form of the first line"));
                }
                if table.hours().len() > limits::HOURS_MOST || table.figures_kept() > limits::FIGURES_MOST {
                    return Err(io::Error::other("it has more hours or series than any bundle of ours"));
                }
            }
            Ok(())
        });
        if let Err(e) = read {
            faults.push(format!("{DATA}: cannot be read: {e}"));
        }
        let nothing = crate::readings::HourTree::default();
        for (hour, row) in hours {
            let found = table.hours().get(hour).unwrap_or(&nothing);
            let (wanted, count) = (row.body["root"].as_str().unwrap_or_default(), row.body["readings"].as_u64());
            if count != Some(found.readings()) {
                let wanted = count.unwrap_or_default();
                faults.push(format!(
                    "{DATA} hour {hour}: has {} readings, row {} says {wanted}",
                    found.readings(),
                    row.seq
                ));
            } else if found.root().to_hex() != wanted {
                faults.push(format!(
                    "{DATA} hour {hour}: a reading was changed; the root is {}, row {} says {wanted}",
                    found.root(),
                    row.seq
                ));
            }
        }
        let stray = table.hours().keys().filter(|hour| !hours.contains_key(*hour));
        faults.extend(stray.map(|hour| format!("{DATA} hour {hour}: no row holds its root")));
        let step = Step::of("readings", faults, || {
            let readings: u64 = table.hours().values().map(crate::readings::HourTree::readings).sum();
            let left_out = match manifest.hours_left_out.as_slice() {
                [] => String::new(),
                [one] => format!("; hour {one} is left out: its readings are not all there and on record"),
                [first, .., last] => format!(
                    "; {} hours from {first} to {last} are left out: their readings are not all there and on record",
                    manifest.hours_left_out.len()
                ),
            };
            format!("{readings} readings of {} hours give the roots on record{left_out}", hours.len())
        });
        (step, table)
    }

    fn figures(&self, table: &Table) -> Step {
        let mut faults = Faults::default();
        let mut count = 0;
        match self.text(FIGURES, limits::TEXT) {
            Err(fault) => faults.push(fault),
            Ok(text) => {
                let wanted = table.figures();
                let (mut theirs, mut ours) = (text.lines(), wanted.lines());
                for number in 1.. {
                    let (found, wanted) = (theirs.next(), ours.next());
                    if found.is_none() && wanted.is_none() {
                        break;
                    }
                    count = number - 1;
                    if found != wanted {
                        let show = |line: Option<&str>| {
                            let cut = |line: &str| line.chars().take(limits::SHOWN).collect::<String>();
                            line.map_or("nothing".to_owned(), |line| format!("`{}`", cut(line)))
                        };
                        faults.push(format!(
                            "{FIGURES} line {number}: is {}, the readings give {}",
                            show(found),
                            show(wanted)
                        ));
                    }
                }
            }
        }
        Step::of("figures", faults, || format!("{count} lines of daily figures follow from the readings"))
    }

    fn previous(&self, previous: &str, key: &VerifierKey, checkpoint: Option<&Checkpoint>) -> Step {
        let checked = || -> Result<String, String> {
            let earlier = Checkpoint::open(previous, key).map_err(|e| format!("the earlier checkpoint: {e}"))?;
            let later = checkpoint.ok_or("there is no checkpoint to compare the earlier one with")?;
            let said = format!("its {} rows are the beginning of the {} rows of this one", earlier.size, later.size);
            if earlier == *later {
                return Ok(said);
            }
            let name = CONSISTENCY;
            let proof = self
                .text(name, limits::NOTE)
                .map_err(|e| format!("{e}; ask for a bundle made with --previous and that checkpoint"))?;
            let proof = ConsistencyProof::parse(&proof).map_err(|e| format!("{name}: {e}"))?;
            if proof.holds(&earlier, later) {
                return Ok(said);
            }
            if (proof.from, proof.to) != (earlier.size, later.size) {
                return Err(format!(
                    "{name}: leads from {} to {} rows, not from {} to {}; ask for a bundle made with --previous and that checkpoint",
                    proof.from, proof.to, earlier.size, later.size
                ));
            }
            Err(format!(
                "{name}: the record of the earlier checkpoint is not the beginning of this one: rows before {} were rewritten",
                earlier.size
            ))
        };
        Step { name: "previous", outcome: checked().map_or_else(|fault| Outcome::Bad(vec![fault]), Outcome::Good) }
    }
}

/// The first faults of one kind, and how many more there are.
#[derive(Default)]
struct Faults {
    listed: Vec<String>,
    more: u64,
}

impl Faults {
    fn push(&mut self, fault: String) {
        if self.listed.len() < limits::LISTED {
            self.listed.push(fault);
        } else {
            self.more += 1;
        }
    }

    fn extend(&mut self, faults: impl IntoIterator<Item = String>) {
        faults.into_iter().for_each(|fault| self.push(fault));
    }
}

impl Step {
    fn of(name: &'static str, faults: Faults, good: impl FnOnce() -> String) -> Step {
        let Faults { mut listed, more } = faults;
        if listed.is_empty() {
            return Step { name, outcome: Outcome::Good(good()) };
        }
        if more > 0 {
            listed.push(format!("and {more} more of this kind"));
        }
        Step { name, outcome: Outcome::Bad(listed) }
    }
}

fn note_text(manifest: &str) -> String {
    format!("{MANIFEST_HEAD}\n{}\n", sha256(manifest.as_bytes()))
}
