//! What the log makes of batches: each entry in its turn begins, moves, parts, joins or ends one.
//!
//! Must never change a batch by another way than an entry of the log.

use std::collections::{BTreeMap, BTreeSet};

use pile::time::{Span, Timestamp};

use crate::bounds;
use crate::entry::{Batch, BatchId, Entry, EntryId, EntryKind, Really, Rest, Stage, Taken, WHOLE_SITE};
use crate::ids::BinId;
use crate::zone::Zone;

/// Loads that come later than this after the first one need a reason: what lies longer is hot before the rest is in (common practice, no source).
pub const LOADED_WITHIN: Span = Span::days(3);

/// The batches that are on the site, and how many there ever were.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Batches {
    here: BTreeMap<BatchId, Batch>,
    last: u64,
}

/// What an entry did.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Applied {
    /// The batch that the entry is about.
    pub batch: Option<BatchId>,
    /// Batches as they are now, of those that it changed.
    pub changed: Vec<Batch>,
    /// Bins whose material is not what it was: their accounts begin anew.
    pub bins: Vec<BinId>,
    /// What to say to the person.
    pub said: String,
}

impl Batches {
    /// Puts back what a store remembers; `last` is the highest number ever given, 0 where the batches themselves tell.
    pub fn restored(batches: impl IntoIterator<Item = Batch>, last: u64) -> Batches {
        let here: BTreeMap<BatchId, Batch> =
            batches.into_iter().filter(|b| b.gone_at.is_none()).map(|b| (b.id, b)).collect();
        let last = if last > 0 { last } else { here.keys().next_back().map_or(0, |id| id.0) };
        Batches { here, last }
    }

    /// The batch in a bin.
    pub fn in_bin(&self, bin: &BinId) -> Option<&Batch> {
        // The newest, should a log that was written elsewhere have two in one.
        self.here.values().rev().find(|b| b.bin == *bin)
    }

    /// The highest number ever given; 0 before the first.
    pub fn last(&self) -> u64 {
        self.last
    }

    /// Every batch on the site, by number.
    pub fn all(&self) -> impl Iterator<Item = &Batch> {
        self.here.values()
    }

    /// Lets an entry do what it says.
    ///
    /// # Errors
    /// A sentence with the next step when it contradicts what is known; then nothing changed.
    pub fn apply(&mut self, entry: &Entry, zone: &Zone) -> Result<Applied, String> {
        let mut next = self.clone();
        let applied = next.take(entry, zone)?;
        *self = next;
        Ok(applied)
    }

    fn take(&mut self, entry: &Entry, zone: &Zone) -> Result<Applied, String> {
        let (bin, at) = (&entry.bin, entry.at);
        let there = self.in_bin(bin).cloned();
        let mut done = Applied { batch: there.as_ref().map(|b| b.id), ..Applied::default() };
        if let Some(batch) = &there
            && at < batch.begun_at()
            && !matches!(entry.kind, EntryKind::Corrected { .. } | EntryKind::OnAir { .. } | EntryKind::Loaded { .. })
        {
            // It may tell of the batch before; what it tells is kept, and it moves nothing.
            if moves(&entry.kind) {
                return Err(format!(
                    "batch {} came into bin {bin} at {}, after that",
                    batch.id,
                    zone.show(batch.begun_at())
                ));
            }
            done.batch = None;
        }
        match &entry.kind {
            EntryKind::Loaded { taken: Taken::Rejected, .. } => {
                done.said = format!("kept for bin {bin}: a load was turned away at {}", zone.show(at));
            }
            EntryKind::Loaded { .. } => self.load(entry, there, &mut done, zone)?,
            EntryKind::OnAir { .. } => self.on_air(entry, there, &mut done, zone)?,
            EntryKind::OffAir => {
                let mut batch = in_stage(there, Stage::OnAir, bin, at, zone, "on air")?;
                let on_air = batch.on_air_at.unwrap_or(at);
                if at < on_air {
                    return Err(format!("batch {} went on air at {}, after that", batch.id, zone.show(on_air)));
                }
                batch.off_air_at = Some(at);
                done.said = format!("batch {} in bin {bin} is off air since {}", batch.id, zone.show(at));
                self.put(batch, &mut done);
            }
            EntryKind::Moved { stage, into } => self.move_on(entry, there, *stage, into.as_ref(), &mut done, zone)?,
            EntryKind::Split { into, .. } => {
                let batch = any_stage(there, bin, zone, at)?;
                self.empty(into, at)?;
                self.last += 1;
                let part = Batch {
                    id: BatchId(self.last),
                    bin: into.clone(),
                    in_bin_since: at,
                    parents: vec![batch.id],
                    ..batch.clone()
                };
                done.said =
                    format!("a part of batch {} is batch {} in bin {into} since {}", batch.id, part.id, zone.show(at));
                done.bins.push(into.clone());
                self.put(part, &mut done);
            }
            EntryKind::Merged { into } => {
                let mut batch = any_stage(there, bin, zone, at)?;
                if into == bin {
                    return Err(format!("bin {bin} cannot be merged into itself; name the other bin"));
                }
                let mut other = any_stage(self.in_bin(into).cloned(), into, zone, at)?;
                batch.gone_at = Some(at);
                other.parents.push(batch.id);
                // What was held hot of the one says nothing of the other: their common time begins now.
                other.in_bin_since = at;
                done.said = format!(
                    "batch {} went into batch {} in bin {into} at {}; what must be held hot is counted from then on",
                    batch.id,
                    other.id,
                    zone.show(at)
                );
                done.bins.extend([bin.clone(), into.clone()]);
                self.put(other, &mut done);
                self.put(batch, &mut done);
            }
            EntryKind::Shipped { to, rest, .. } => {
                let mut batch = any_stage(there, bin, zone, at)?;
                if batch.stage(at) < Stage::OffAir {
                    return Err(format!(
                        "batch {} in bin {bin} is {}; take it off air or move it to curing before it leaves",
                        batch.id,
                        batch.stage(at).key()
                    ));
                }
                done.said = format!("compost of batch {} went to {to}", batch.id);
                if *rest == Rest::Nothing {
                    batch.gone_at = Some(at);
                    done.bins.push(bin.clone());
                    done.said.push_str(&format!("; that was all of it, bin {bin} is empty since {}", zone.show(at)));
                    self.put(batch, &mut done);
                }
            }
            EntryKind::Corrected { of, really } => self.correct(*of, really.as_deref(), there, &mut done, zone)?,
            kind => {
                let about = if bin.as_str() == WHOLE_SITE { "the whole site".into() } else { format!("bin {bin}") };
                done.said = format!("kept for {about}: {} at {}", kind.key(), zone.show(at));
            }
        }
        Ok(done)
    }

    fn load(&mut self, entry: &Entry, there: Option<Batch>, done: &mut Applied, zone: &Zone) -> Result<(), String> {
        let (bin, at) = (&entry.bin, entry.at);
        let mut batch = match there {
            Some(batch) if batch.stage(at) <= Stage::OnAir => batch,
            Some(old) => {
                self.leave(old, at, done, zone);
                self.begin(bin, at, done)
            }
            None => self.begin(bin, at, done),
        };
        if at.since(batch.in_bin_since) > LOADED_WITHIN && entry.note.trim().is_empty() {
            return Err(format!(
                "batch {} was begun at {}, more than three days before; say why material is added so late: --note TEXT",
                batch.id,
                zone.show(batch.in_bin_since)
            ));
        }
        batch.in_bin_since = batch.in_bin_since.min(at);
        batch.loaded_last_at = Some(batch.loaded_last_at.map_or(at, |last| last.max(at)));
        let raw = if batch.on_air_at.is_some() {
            done.bins.push(bin.clone());
            "; it is on air, so what must be held hot is counted from then on"
        } else {
            ""
        };
        done.add(&format!("loaded into batch {} in bin {bin} at {}{raw}", batch.id, zone.show(at)));
        self.put(batch, done);
        Ok(())
    }

    fn on_air(&mut self, entry: &Entry, there: Option<Batch>, done: &mut Applied, zone: &Zone) -> Result<(), String> {
        let EntryKind::OnAir { loaded_at, .. } = &entry.kind else { return Ok(()) };
        let (bin, at) = (&entry.bin, entry.at);
        let mut batch = match there {
            Some(batch) if batch.stage(at) == Stage::Loading => batch,
            Some(batch) if batch.off_air_at.is_none() && batch.on_air_at.is_some() => {
                return Err(format!(
                    "bin {bin} has batch {} on air since {}; take it off first: hypocaust batch off-air --bin {bin}",
                    batch.id,
                    batch.on_air_at.map(|t| zone.show(t)).unwrap_or_default()
                ));
            }
            Some(old) => {
                self.leave(old, at, done, zone);
                self.begin(bin, at, done)
            }
            None => self.begin(bin, at, done),
        };
        batch.in_bin_since = batch.in_bin_since.min(at);
        batch.on_air_at = Some(at);
        batch.loaded_at = *loaded_at;
        done.add(&format!("batch {} is on air in bin {bin} since {}", batch.id, zone.show(at)));
        done.bins.push(bin.clone());
        self.put(batch, done);
        Ok(())
    }

    fn move_on(
        &mut self,
        entry: &Entry,
        there: Option<Batch>,
        stage: Option<Stage>,
        into: Option<&BinId>,
        done: &mut Applied,
        zone: &Zone,
    ) -> Result<(), String> {
        let (bin, at) = (&entry.bin, entry.at);
        let mut batch = any_stage(there, bin, zone, at)?;
        if let Some(into) = into {
            if into == bin {
                return Err(format!(
                    "batch {} is in bin {bin} already; name another bin, or leave --into out",
                    batch.id
                ));
            }
            self.empty(into, at)?;
            batch.bin = into.clone();
            batch.in_bin_since = at;
            done.bins.extend([bin.clone(), into.clone()]);
        }
        match stage {
            Some(Stage::Curing) => {
                batch.curing_at = Some(at);
                batch.storage_at = None;
            }
            Some(Stage::Storage) => batch.storage_at = Some(at),
            _ => {}
        }
        if stage.is_some() && batch.on_air_at.is_some() && batch.off_air_at.is_none() {
            batch.off_air_at = Some(at);
        }
        done.said =
            format!("batch {} is {} in bin {} since {}", batch.id, batch.stage(at).key(), batch.bin, zone.show(at));
        self.put(batch, done);
        Ok(())
    }

    fn correct(
        &mut self,
        of: EntryId,
        really: Option<&Really>,
        there: Option<Batch>,
        done: &mut Applied,
        zone: &Zone,
    ) -> Result<(), String> {
        done.said = match really {
            Some(really) => {
                format!("entry {of} stays in the log; what holds is {} at {}", really.kind.key(), zone.show(really.at))
            }
            None => format!("entry {of} stays in the log, marked as something that did not happen"),
        };
        let (Some(really), Some(mut batch)) = (really, there) else { return Ok(()) };
        match &really.kind {
            EntryKind::OnAir { loaded_at, .. } => {
                // A batch that began with its air began when that really was; one that was loaded before keeps that time.
                batch.in_bin_since = match batch.on_air_at == Some(batch.in_bin_since) {
                    true => really.at,
                    false => batch.in_bin_since.min(really.at),
                };
                batch.on_air_at = Some(really.at);
                batch.loaded_at = *loaded_at;
            }
            EntryKind::OffAir => batch.off_air_at = Some(really.at),
            EntryKind::Loaded { taken: Taken::In, .. } => batch.loaded_last_at = Some(really.at),
            _ => return Ok(()),
        }
        if !bounds::is_of_calendar(batch.in_bin_since) {
            batch.in_bin_since = really.at;
        }
        if batch.off_air_at.zip(batch.on_air_at).is_some_and(|(off, on)| off < on) {
            return Err(format!(
                "batch {} would be off air before it was on air; correct the other entry first",
                batch.id
            ));
        }
        done.bins.push(batch.bin.clone());
        self.put(batch, done);
        Ok(())
    }

    fn begin(&mut self, bin: &BinId, at: Timestamp, done: &mut Applied) -> Batch {
        self.last += 1;
        let id = BatchId(self.last);
        done.batch = Some(id);
        Batch::begun(id, bin.clone(), at)
    }

    /// Nobody wrote where a batch went whose bin is filled anew.
    fn leave(&mut self, mut old: Batch, at: Timestamp, done: &mut Applied, zone: &Zone) {
        old.gone_at = Some(at);
        done.add(&format!(
            "batch {} was {} in bin {} and counts as gone since {}, though nobody wrote where it went",
            old.id,
            old.stage(at - Span::millis(1)).key(),
            old.bin,
            zone.show(at)
        ));
        self.put(old, done);
    }

    fn empty(&self, bin: &BinId, at: Timestamp) -> Result<(), String> {
        match self.in_bin(bin) {
            Some(batch) => Err(format!(
                "bin {bin} is full: batch {} is {} in it; empty it first, or merge: hypocaust batch merge --help",
                batch.id,
                batch.stage(at).key()
            )),
            None => Ok(()),
        }
    }

    fn put(&mut self, batch: Batch, done: &mut Applied) {
        match batch.gone_at {
            Some(_) => self.here.remove(&batch.id),
            None => self.here.insert(batch.id, batch.clone()),
        };
        done.changed.push(batch);
    }
}

impl Applied {
    fn add(&mut self, words: &str) {
        if !self.said.is_empty() {
            self.said.push_str("; ");
        }
        self.said.push_str(words);
    }
}

impl Batch {
    /// When it began to be: the first load, or its air.
    fn begun_at(&self) -> Timestamp {
        self.in_bin_since
    }
}

/// Whether an entry does something to a batch.
fn moves(kind: &EntryKind) -> bool {
    matches!(
        kind,
        EntryKind::OffAir
            | EntryKind::Moved { .. }
            | EntryKind::Split { .. }
            | EntryKind::Merged { .. }
            | EntryKind::Shipped { .. }
    )
}

fn any_stage(there: Option<Batch>, bin: &BinId, zone: &Zone, at: Timestamp) -> Result<Batch, String> {
    there.ok_or_else(|| {
        format!("bin {bin} has no batch at {}; `hypocaust batch list` shows where they are", zone.show(at))
    })
}

fn in_stage(
    there: Option<Batch>,
    stage: Stage,
    bin: &BinId,
    at: Timestamp,
    zone: &Zone,
    said: &str,
) -> Result<Batch, String> {
    match there {
        Some(batch) if batch.stage(at) == stage => Ok(batch),
        // Ended at once, or before it began: the caller says what is wrong with the time.
        Some(batch) if batch.on_air_at.is_some_and(|on| at < on) && batch.off_air_at.is_none() => Ok(batch),
        Some(batch) => Err(format!(
            "batch {} in bin {bin} is {} at {}, not {said}",
            batch.id,
            batch.stage(at).key(),
            zone.show(at)
        )),
        None => Err(format!("bin {bin} has no batch {said}; `hypocaust batch on-air --bin {bin}` starts one")),
    }
}

/// What becomes of the batches where an entry did not happen.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Withdrawn {
    /// Batches as they are without it, of those that it had changed. One that would never have been is gone since it began, and was never on air.
    pub changed: Vec<Batch>,
    /// The bins of those batches, with it and without it.
    pub bins: Vec<BinId>,
}

/// A log lived through once: every batch as it is at its end, gone ones too.
#[derive(Debug, Default)]
struct Lived {
    all: BTreeMap<BatchId, Batch>,
    /// The highest number given before each entry, so that the same entry begins the same batch once more.
    numbers: BTreeMap<EntryId, u64>,
    /// Entries of which the log does not hold what they need: its beginning is missing.
    unclear: BTreeSet<EntryId>,
}

impl Batches {
    /// What the batches would be had an entry of the log not been written: the log is lived through with it and without it.
    ///
    /// # Errors
    /// A sentence with the next step where a later entry needs it, or where the log does not tell what is there now.
    pub fn without(&self, log: &[Entry], of: EntryId, zone: &Zone) -> Result<Withdrawn, String> {
        self.anew(log, of, None, zone)
    }

    /// What the batches would be had an entry that [`is_lived_anew`] said something else: the log is lived through as it is and so.
    ///
    /// # Errors
    /// As [`Batches::without`], and where the entry cannot have been so.
    pub fn corrected(&self, log: &[Entry], of: EntryId, really: &Really, zone: &Zone) -> Result<Withdrawn, String> {
        self.anew(log, of, Some(really), zone)
    }

    fn anew(&self, log: &[Entry], of: EntryId, really: Option<&Really>, zone: &Zone) -> Result<Withdrawn, String> {
        let mut out: BTreeSet<EntryId> = log.iter().filter_map(withdraws).collect();
        let mut instead = corrections(log);
        if !log.iter().any(|e| e.id == of) {
            return Err(too_long_ago(of));
        }
        let with = lived(log, &out, &instead, None, zone).map_err(|(_, why)| why)?;
        if with.unclear.contains(&of) {
            return Err(too_long_ago(of));
        }
        match really {
            None => out.insert(of),
            Some(really) => instead.insert(of, really).is_none(),
        };
        let without = lived(log, &out, &instead, Some(&with), zone).map_err(|(later, why)| {
            let number = later.id;
            if number == of {
                return format!("entry {of} cannot have been so: {why}");
            }
            let first = match really {
                None => "needs it",
                Some(_) => "does not go with what it is to be",
            };
            let way = match really {
                Some(_) if is_lived_anew(&later.kind) => {
                    format!("Correct entry {number} first: hypocaust log correct {number} --help")
                }
                _ => format!("Withdraw that one first: hypocaust log correct {number} --never --reason TEXT"),
            };
            format!(
                "entry {number} ({}, bin {}, {}) came after entry {of} and {first}: {why}. {way}",
                later.kind.key(),
                later.bin,
                zone.show(later.at),
            )
        })?;
        let mut done = Withdrawn::default();
        for (id, was) in &with.all {
            if without.all.get(id) == Some(was) {
                continue;
            }
            if self.here.get(id) != Some(was).filter(|was| was.gone_at.is_none()) {
                return Err(format!(
                    "the log does not tell how batch {id} came to be as it is, so entry {of} cannot be taken back; {WRITE_THE_WAY_BACK}"
                ));
            }
            let is = without.all.get(id).cloned().unwrap_or_else(|| Batch {
                gone_at: Some(was.in_bin_since),
                ..Batch::begun(*id, was.bin.clone(), was.in_bin_since)
            });
            done.bins.extend([was.bin.clone(), is.bin.clone()]);
            done.changed.push(is);
        }
        done.bins.sort();
        done.bins.dedup();
        Ok(done)
    }

    /// Puts batches in the place of those of the same number.
    pub fn put_back(&mut self, changed: &[Batch]) {
        for batch in changed {
            match batch.gone_at {
                Some(_) => self.here.remove(&batch.id),
                None => self.here.insert(batch.id, batch.clone()),
            };
        }
    }
}

const WRITE_THE_WAY_BACK: &str = "write the way back as an entry of its own (`hypocaust batch --help`)";

fn too_long_ago(of: EntryId) -> String {
    format!(
        "entry {of} is older than the entries that hypocaust looks back on, so what it did to batches cannot be changed; {WRITE_THE_WAY_BACK}, \
         and name entry {of} in its note"
    )
}

/// Whether a correction of an entry is lived through in its place, because later entries rest on it: what moves, splits, joins or ends batches.
pub fn is_lived_anew(kind: &EntryKind) -> bool {
    moves(kind) && !matches!(kind, EntryKind::OffAir)
}

/// What entries that are lived anew really were, by the newest correction of each.
fn corrections(log: &[Entry]) -> BTreeMap<EntryId, &Really> {
    let own: BTreeSet<EntryId> = log.iter().filter(|e| is_lived_anew(&e.kind)).map(|e| e.id).collect();
    let all = log.iter().filter_map(|e| match &e.kind {
        EntryKind::Corrected { of, really: Some(really) } if own.contains(of) => Some((*of, &**really)),
        _ => None,
    });
    all.collect()
}

/// The entry that a correction withdraws.
pub fn withdraws(entry: &Entry) -> Option<EntryId> {
    match entry.kind {
        EntryKind::Corrected { of, really: None } => Some(of),
        _ => None,
    }
}

/// Whether an entry may change what batches there are, and how they are.
pub fn makes_batches(kind: &EntryKind) -> bool {
    moves(kind) || matches!(kind, EntryKind::OnAir { .. } | EntryKind::Loaded { taken: Taken::In, .. })
}

/// Lives through a log in the order in which it was written, without some entries and their corrections, and with others in the place of some;
/// `before` is the same log lived through as it was.
fn lived<'e>(
    log: &'e [Entry],
    out: &BTreeSet<EntryId>,
    instead: &BTreeMap<EntryId, &Really>,
    before: Option<&Lived>,
    zone: &Zone,
) -> Result<Lived, (&'e Entry, String)> {
    let mut batches = Batches::default();
    let mut lived = Lived::default();
    for entry in log {
        let of = match &entry.kind {
            // It is lived through in the place of what it corrects.
            EntryKind::Corrected { of, .. } if instead.contains_key(of) => continue,
            EntryKind::Corrected { of, really: Some(_) } => *of,
            kind if makes_batches(kind) => entry.id,
            _ => continue,
        };
        let number = match (before.and_then(|before| before.numbers.get(&entry.id)), entry.batch, &entry.kind) {
            (Some(number), ..) => *number,
            // The number that it began a batch by then.
            (None, Some(own), EntryKind::OnAir { .. } | EntryKind::Loaded { .. }) if own.0 > batches.last => own.0 - 1,
            _ => batches.last,
        };
        batches.last = number;
        if out.contains(&of) {
            // It took a number, which is not given again.
            let own = entry.batch.map_or(0, |own| own.0);
            batches.last = match &entry.kind {
                EntryKind::OnAir { .. } | EntryKind::Loaded { .. } => batches.last.max(own),
                EntryKind::Split { .. } => batches.last + 1,
                _ => batches.last,
            };
            lived.numbers.insert(entry.id, number);
            continue;
        }
        lived.numbers.insert(entry.id, number);
        if before.is_some_and(|before| before.unclear.contains(&entry.id)) {
            continue;
        }
        let really = instead.get(&entry.id);
        let right = really.map(|really| Entry { at: really.at, kind: really.kind.clone(), ..entry.clone() });
        match (batches.apply(right.as_ref().unwrap_or(entry), zone), before) {
            (Ok(applied), _) => lived.all.extend(applied.changed.into_iter().map(|b| (b.id, b))),
            (Err(_), None) => {
                lived.unclear.insert(entry.id);
            }
            (Err(why), Some(_)) => return Err((entry, why)),
        }
    }
    Ok(lived)
}
