//! A bundle: readings, rows, proofs and a signed list of its files, and the check of all of it.
//!
//! Must never stop at the first fault: whoever checks wants every place that was touched.

use std::collections::{BTreeMap, BTreeSet};
use std::io::{self, BufRead, Read};

use pile::time::Timestamp;
use serde_json::{Value, json};
use site::zone::{parse_rfc3339, rfc3339_millis};

use crate::canonical;
use crate::limits;
use crate::merkle::{Hash, sha256, sha256_of};
use crate::note::{self, Checkpoint, NoteError, SignerKey, VerifierKey};
use crate::proof::{ConsistencyProof, RowProof};
use crate::readings::{HEADER, HOUR, Table, hour_of};
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
const VERSION: u64 = 2;
/// The names that a manifest has.
const MANIFEST_NAMES: [&str; 9] = ["absent", "files", "from", "made_at", "name", "site", "software", "to", "v"];
/// What a record is called before the site's id: see the key's name.
pub const ORIGIN: &str = "hypocaust/";
/// Where the files of a report lie in a bundle.
pub const REPORT: &str = "report/";
/// The kind of a row that says which files a report was issued with.
pub const ISSUED_KIND: &str = "report.issued";
/// The kind of a row that says that readings were taken out after their time.
pub const PRUNED_KIND: &str = "pruned";
/// Hours of one bundle.
pub const HOURS_MOST: usize = limits::HOURS_MOST;

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
    /// Hours of that time that are not in it, oldest first.
    pub absent: Vec<Absent>,
    /// Each file with its length and hash.
    pub files: BTreeMap<String, (u64, Hash)>,
}

/// Hours that follow one another and are not in a bundle for one reason.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Absent {
    /// The first of them.
    pub from: String,
    /// The end of the last.
    pub to: String,
    /// Why.
    pub why: Why,
}

/// Why an hour is not in a bundle.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Why {
    /// Nothing was stored of it.
    NoReadings,
    /// Its readings are not all under a root, or cannot be read.
    NotOnRecord,
    /// Some of its readings were taken out after their time.
    TakenOut,
}

impl Why {
    /// Its word.
    pub fn key(self) -> &'static str {
        match self {
            Why::NoReadings => "no-readings",
            Why::NotOnRecord => "not-on-record",
            Why::TakenOut => "taken-out",
        }
    }

    fn named(word: &str) -> Option<Why> {
        [Why::NoReadings, Why::NotOnRecord, Why::TakenOut].into_iter().find(|why| why.key() == word)
    }

    fn words(self) -> &'static str {
        match self {
            Why::NoReadings => "have no readings",
            Why::NotOnRecord => "are left out: their readings are not all on record",
            Why::TakenOut => "are left out: readings of them were taken out after their time",
        }
    }
}

/// The hours of a span that are not in a bundle, gathered: `present` says which are, and `why` for which reason others are not.
pub fn absent(
    (from, to): (Timestamp, Timestamp),
    present: impl Fn(Timestamp) -> bool,
    why: impl Fn(Timestamp) -> Why,
) -> Vec<Absent> {
    let mut out: Vec<Absent> = Vec::new();
    let mut hour = from;
    while hour < to {
        let next = hour + HOUR;
        if !present(hour) {
            let (begins, ends, why) = (rfc3339_millis(hour), rfc3339_millis(next), why(hour));
            match out.last_mut().filter(|last| last.why == why && last.to == begins) {
                Some(last) => last.to = ends,
                None => out.push(Absent { from: begins, to: ends, why }),
            }
        }
        hour = next;
    }
    out
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
        let absent: Vec<Value> = self
            .absent
            .iter()
            .map(|hours| json!({ "from": hours.from, "to": hours.to, "why": hours.why.key() }))
            .collect();
        canonical::text(&json!({
            "v": VERSION, "site": self.site, "name": self.name, "from": self.from, "to": self.to, "made_at": self.made_at,
            "software": self.software, "absent": absent, "files": files
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
        let named: Vec<&str> = value.as_object()?.keys().map(String::as_str).collect();
        (named.len() == MANIFEST_NAMES.len() && MANIFEST_NAMES.iter().all(|name| named.contains(name))).then_some(())?;
        let word = |name: &str| value[name].as_str().map(str::to_owned);
        let mut files = BTreeMap::new();
        for file in value["files"].as_array()? {
            let (name, hash) = (file["name"].as_str()?.to_owned(), Hash::from_hex(file["sha256"].as_str()?)?);
            (file.as_object()?.len() == 3 && is_plain(&name)).then_some(())?;
            // In their order, and none twice.
            files.last_key_value().is_none_or(|(last, _): (&String, _)| *last < name).then_some(())?;
            files.insert(name, (file["bytes"].as_u64()?, hash));
        }
        let absent = value["absent"].as_array()?.iter().map(|hours| {
            let text = |name: &str| hours[name].as_str().map(str::to_owned);
            (hours.as_object()?.len() == 3).then_some(())?;
            Some(Absent { from: text("from")?, to: text("to")?, why: Why::named(hours["why"].as_str()?)? })
        });
        (value["v"].as_u64() == Some(VERSION)).then_some(())?;
        Some(Manifest {
            site: word("site")?,
            name: word("name")?,
            from: word("from")?,
            to: word("to")?,
            made_at: word("made_at")?,
            software: word("software")?,
            absent: absent.collect::<Option<_>>()?,
            files,
        })
    }
}

/// Whether a name leads to a file inside a bundle, on any system.
fn is_plain(name: &str) -> bool {
    let odd = |c: char| c.is_control() || matches!(c, '\\' | ':');
    !name.contains(odd) && name.split('/').all(|part| !matches!(part, "" | "." | ".."))
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
    // No file is read further than the list says, and one byte.
    let bounded = |name: &str| -> io::Result<Box<dyn BufRead>> {
        let listed = manifest.files.get(name).map_or(limits::NOTE, |(bytes, _)| *bytes);
        Ok(Box::new((source.open)(name)?.take(listed.saturating_add(1))))
    };
    let source = &Source { names: source.names.clone(), open: &bounded };
    let mut steps = vec![source.files(&manifest), key_step(enclosed.as_ref(), asked)];
    steps.push(source.signed_manifest(&manifest_text, &key));
    let (step, checkpoint) = source.checkpoint(&key);
    steps.push(step);
    let (step, events) = source.events();
    steps.push(step);
    let (step, hours) = source.proofs(events.last.as_ref(), &key, checkpoint.as_ref());
    steps.push(step);
    let (step, table) = source.data(&hours);
    steps.push(step);
    steps.push(source.figures(&table));
    steps.push(claims(&manifest, &events, &hours, checkpoint.as_ref()));
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

    /// Rows follow one another without a gap; also gives what they say.
    fn events(&self) -> (Step, Events) {
        let mut events = Events::default();
        let text = match self.text(EVENTS, limits::TEXT) {
            Ok(text) => text,
            Err(fault) => return (Step { name: "rows", outcome: Outcome::Bad(vec![fault]) }, events),
        };
        let (mut faults, mut head) = (Faults::default(), None);
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
                    head = Some(Head { next: row.seq.saturating_add(1), prev: row.hash });
                    events.take(row);
                }
            }
        }
        let range = events.first.as_ref().zip(events.last.as_ref());
        let step = Step::of("rows", faults, || match range {
            Some(((first, _), last)) => {
                format!("rows {first} to {}, each naming the hash of the one before", last.seq)
            }
            None => "no rows of that time".into(),
        });
        (step, events)
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
    fn data(&self, hours: &BTreeMap<String, Row>) -> (Step, Table) {
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
            format!("{readings} readings of {} hours give the roots on record", hours.len())
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
            // It may have come out of a mail: indented, or without its last line feed.
            let earlier =
                Checkpoint::open(&note::unfolded(previous), key).map_err(|e| format!("the earlier checkpoint: {e}"))?;
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

/// What the rows of a bundle say that its claims are held against.
#[derive(Default)]
struct Events {
    /// The first: its number and time.
    first: Option<(u64, String)>,
    last: Option<Row>,
    /// The latest time of any row.
    latest: Option<Timestamp>,
    /// The newest root of each hour: its row and how many readings it is over.
    roots: BTreeMap<String, (u64, u64)>,
    /// From when to when readings were taken out.
    pruned: Vec<(Timestamp, Timestamp)>,
    /// Names and hashes of files of reports that were issued.
    issued: BTreeSet<(String, String)>,
}

impl Events {
    fn take(&mut self, row: Row) {
        self.first.get_or_insert_with(|| (row.seq, row.time.clone()));
        self.latest = self.latest.max(parse_rfc3339(&row.time));
        let instant = |name: &str| row.body[name].as_str().and_then(parse_rfc3339);
        match row.kind.as_str() {
            HOUR_KIND => {
                let (hour, readings) = (&row.body["hour"], &row.body["readings"]);
                let hour = hour.as_str().unwrap_or_default().to_owned();
                self.roots.insert(hour, (row.seq, readings.as_u64().unwrap_or(u64::MAX)));
            }
            PRUNED_KIND => self.pruned.extend(instant("from").zip(instant("to"))),
            ISSUED_KIND => {
                let files = row.body["files"].as_object().into_iter().flatten();
                self.issued.extend(
                    files.map(|(name, file)| (name.clone(), file["sha256"].as_str().unwrap_or_default().to_owned())),
                );
            }
            _ => {}
        }
        self.last = Some(row);
    }
}

/// What a bundle says of itself, held against its rows: its record, that no row and no hour of its time is missing, that no hour has a newer root,
/// that its report is the one that was issued, and that it was made after all of it.
fn claims(
    manifest: &Manifest,
    events: &Events,
    hours: &BTreeMap<String, Row>,
    checkpoint: Option<&Checkpoint>,
) -> Step {
    let mut faults = Faults::default();
    let Manifest { site, from, to, made_at, .. } = manifest;
    if let Some(checkpoint) = checkpoint {
        if checkpoint.origin != format!("{ORIGIN}{site}") {
            faults.push(format!("{MANIFEST}: says site {site}, and the record is of {}", checkpoint.origin));
        }
        match &events.last {
            Some(last) if last.seq.checked_add(1) == Some(checkpoint.size) => {}
            Some(last) => faults.push(format!(
                "{EVENTS}: ends with row {}, and the record goes on to row {}: what follows is cut off",
                last.seq,
                checkpoint.size.saturating_sub(1)
            )),
            None => faults.push(format!("{EVENTS}: has no rows, and the record has {}", checkpoint.size)),
        }
    }
    let whole = |text: &String| parse_rfc3339(text).filter(|at| hour_of(*at) == *at && rfc3339_millis(*at) == *text);
    let span = whole(from).zip(whole(to)).filter(|(from, to)| from < to);
    let most = HOUR.times(i64::try_from(HOURS_MOST).unwrap_or(i64::MAX));
    let Some((begins, ends)) = span.filter(|(from, to)| to.since(*from) <= most) else {
        faults.push(format!("{MANIFEST}: {from} to {to} is no span of whole hours of at most {HOURS_MOST} hours"));
        return Step::of("claims", faults, String::new);
    };
    let within = |at: Timestamp| at >= begins && at < ends;
    if let Some((first, time)) = events.first.as_ref().filter(|(first, _)| *first > 0)
        && parse_rfc3339(time).is_none_or(within)
    {
        faults.push(format!(
            "{EVENTS}: begins with row {first} of {time}, which is of the time from {from} on: what was before it is cut off"
        ));
    }
    match parse_rfc3339(made_at).filter(|at| rfc3339_millis(*at) == *made_at) {
        Some(made) if events.latest.is_none_or(|latest| latest <= made) => {}
        _ => faults.push(format!("{MANIFEST}: made at {made_at}, which is before its newest row, or no time")),
    }
    let mut named: BTreeMap<Timestamp, Why> = BTreeMap::new();
    let mut counts = [Why::NoReadings, Why::NotOnRecord, Why::TakenOut].map(|why| (why, 0_u64));
    for Absent { from, to, why } in &manifest.absent {
        let Some((first, end)) = whole(from).zip(whole(to)).filter(|(a, b)| a < b && *a >= begins && *b <= ends) else {
            faults.push(format!("{MANIFEST}: names hours {from} to {to} as absent, which is no part of its span"));
            continue;
        };
        let mut hour = first;
        while hour < end {
            if named.insert(hour, *why).is_some() {
                faults.push(format!("{MANIFEST}: names hour {} as absent twice", rfc3339_millis(hour)));
                break;
            }
            counts.iter_mut().filter(|(known, _)| known == why).for_each(|(_, count)| *count += 1);
            hour = hour + HOUR;
        }
    }
    let mut hour = begins;
    while hour < ends {
        let name = rfc3339_millis(hour);
        let newest = events.roots.get(&name);
        match (hours.get(&name), named.get(&hour)) {
            (None, None) => faults.push(format!("{HOURS}: hour {name} is missing, and {MANIFEST} does not say why")),
            (Some(_), Some(_)) => faults.push(format!("{MANIFEST}: names hour {name} as absent, and it is there")),
            (Some(row), None) => {
                if let Some((newer, _)) = newest.filter(|(newest, _)| *newest > row.seq) {
                    faults.push(format!(
                        "{HOURS}: hour {name} has the root of row {}, and row {newer} holds a newer one",
                        row.seq
                    ));
                }
            }
            (None, Some(Why::NoReadings)) => {
                if let Some((seq, _)) = newest.filter(|(_, readings)| *readings > 0) {
                    faults.push(format!("{MANIFEST}: hour {name} has no readings, it says, and row {seq} has some"));
                }
            }
            (None, Some(Why::TakenOut)) => {
                if !events.pruned.iter().any(|(from, to)| *from <= hour && hour < *to) {
                    faults.push(format!(
                        "{MANIFEST}: readings of hour {name} were taken out, it says, and no row tells of it"
                    ));
                }
            }
            (None, Some(Why::NotOnRecord)) => {}
        }
        hour = hour + HOUR;
    }
    for (name, row) in hours {
        if !whole(name).is_some_and(within) {
            faults.push(format!("{HOURS}: row {} is of {name}, which is not of {from} to {to}", row.seq));
        }
    }
    for (name, (_, hash)) in &manifest.files {
        let Some(file) = name.strip_prefix(REPORT) else { continue };
        if !events.issued.contains(&(file.to_owned(), hash.to_hex())) {
            faults.push(format!("{name}: no row says that a report was issued with this file"));
        }
    }
    Step::of("claims", faults, || {
        let absent = counts.iter().filter(|(_, count)| *count > 0);
        let absent: String = absent.map(|(why, count)| format!("; {count} hours {}", why.words())).collect();
        format!("of {site}, every hour and row from {from} to {to} is there or named{absent}")
    })
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
