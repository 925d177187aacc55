//! What is on record and cannot be used: rows that nobody can read, entries and batches with times or amounts that cannot be. They are passed
//! over at the start, named, and mended by a correction; everything else is watched.
//!
//! Must never keep the engine from starting, and never judge a batch by a time that cannot be.

use std::sync::Arc;

use pile::time::Timestamp;
use site::bounds;
use site::entry::{BatchId, Entry, EntryId, EntryKind};
use site::ids::BinId;

use crate::alarm::{AlarmKey, Subject};
use crate::builtin::{self, Builtin};
use crate::effect::{Effect, Level};
use crate::engine::Engine;
use crate::handling::Finding;
use crate::life::Event;
use crate::limits;
use crate::restore::{self, PassedOver};

/// A batch that cannot be judged.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Unfit {
    /// Which.
    pub(crate) batch: BatchId,
    /// What happened then.
    pub(crate) what: &'static str,
    /// When, as the record says.
    pub(crate) at: Timestamp,
}

/// Whether every time and amount that an entry tells of can be.
pub(crate) fn is_fit(entry: &Entry) -> bool {
    unfit_because(entry).is_none()
}

fn unfit_because(entry: &Entry) -> Option<String> {
    let due = entry.kind.due().map(|due| ("when it is due", due));
    let times = std::iter::once(("when it happened", entry.at)).chain(entry.kind.instants()).chain(due);
    let wrong = |(what, at)| bounds::of_calendar(at).err().map(|why| format!("{what}: {why}"));
    // What words were asked for when it was written does not matter any more.
    times.into_iter().find_map(wrong).or_else(|| entry.kind.check("written").err())
}

/// The entry that a correction is about; of any other entry its own number.
fn to_correct(entry: &Entry) -> EntryId {
    match entry.kind {
        EntryKind::Corrected { of, .. } => of,
        _ => entry.id,
    }
}

impl Engine {
    /// Parts what the store remembers: gives the entries that can be used and keeps the others to be corrected.
    pub(crate) fn take_fit(
        &mut self,
        passed_over: Vec<PassedOver>,
        about_probes: Vec<Entry>,
        entries: Vec<Entry>,
    ) -> Vec<Entry> {
        let withdrawn = |row: i64| {
            let of_row = |e: &&Entry| matches!(e.kind, EntryKind::Corrected { of, really: None } if i64::try_from(of.0) == Ok(row));
            about_probes.iter().any(|e| of_row(&e))
        };
        // What is about a bin that the settings do not have touches nothing, and nobody could correct it.
        let of_site = |bin: &BinId| self.bins.contains_key(bin);
        let concerns = |p: &PassedOver| p.table != "entries" || !withdrawn(p.row) && p.bin.as_ref().is_none_or(of_site);
        self.passed_over = passed_over.into_iter().filter(concerns).collect();
        let (fit, unfit): (Vec<Entry>, Vec<Entry>) = entries.into_iter().partition(is_fit);
        let of_probes = about_probes.iter().filter(|e| !is_fit(e) && !unfit.iter().any(|u| u.id == e.id)).cloned();
        let mut unfit: Vec<Entry> = of_probes.chain(unfit.iter().cloned()).collect();
        let corrections: Vec<(EntryId, EntryId)> = about_probes
            .iter()
            .filter(|e| is_fit(e))
            .map(|e| (to_correct(e), e.id))
            .filter(|(of, by)| of != by)
            .collect();
        let corrected = |e: &Entry| corrections.iter().any(|(of, by)| *of == to_correct(e) && *by > e.id);
        let is_there = |e: &Entry| fit.iter().any(|f| f.id != e.id && to_correct(f) == e.id);
        // What was corrected since is of use again to whoever puts the correction in its place.
        self.about_probes =
            about_probes.iter().filter(|e| is_fit(e) || (corrected(e) && to_correct(e) == e.id)).cloned().collect();
        self.unfit_entries = unfit.iter().filter(|e| corrected(e) && is_there(e)).cloned().collect();
        unfit.retain(|e| !corrected(e) && of_site(&e.bin));
        self.unfit_entries.extend(unfit);
        fit
    }

    /// Whether an entry is on record that nobody can read.
    pub(crate) fn is_passed_over(&self, bin: &BinId, of: EntryId) -> bool {
        let row = i64::try_from(of.0).unwrap_or(i64::MAX);
        self.passed_over.iter().any(|p| p.table == "entries" && p.row == row && p.bin.as_ref().is_none_or(|b| b == bin))
    }

    /// An entry that cannot be used as it is and can be corrected.
    pub(crate) fn unfit_entry(&self, bin: &BinId, of: EntryId) -> Option<&Entry> {
        self.unfit_entries.iter().find(|e| e.id == of && e.bin == *bin)
    }

    /// Whether an earlier correction of an entry cannot be used; a new one takes its place even where the entry itself is long past.
    pub(crate) fn has_unfit_correction(&self, bin: &BinId, of: EntryId) -> bool {
        self.unfit_entries.iter().any(|e| e.id != of && to_correct(e) == of && e.bin == *bin)
    }

    /// A correction takes the place of what could not be used, and forgets earlier corrections that could not be used either; gives whether
    /// there was anything.
    pub(crate) fn mend(&mut self, of: EntryId) -> bool {
        let before = self.passed_over.len() + self.unfit_entries.len();
        self.passed_over.retain(|p| p.table != "entries" || u64::try_from(p.row) != Ok(of.0));
        let wrong = self.unfit_entries.iter().find(|e| e.id == of).cloned();
        self.unfit_entries.retain(|e| to_correct(e) != of);
        if let Some(wrong) = wrong {
            if wrong.is_about_probes() && !self.about_probes.iter().any(|e| e.id == wrong.id) {
                self.about_probes.push(wrong.clone());
            }
            // Where it can be found by whoever puts the correction in its place.
            if let Some(state) = self.bins.get_mut(&wrong.bin) {
                Arc::make_mut(&mut state.entries).push(wrong);
            }
        }
        before > self.passed_over.len() + self.unfit_entries.len()
    }

    /// Looks which batch is in a bin, and whether it can be judged.
    pub(crate) fn find_batch(&mut self, bin: &BinId) {
        let there = self.batches.in_bin(bin).cloned();
        let Some(state) = self.bins.get_mut(bin) else { return };
        let wrong = there.as_ref().and_then(|batch| Some((batch.id, batch.impossible_time()?)));
        state.unfit = wrong.map(|(batch, (what, at))| Unfit { batch, what, at });
        state.batch = there.filter(|_| wrong.is_none());
    }

    /// Raises or clears the alarm about a batch that cannot be judged.
    pub(crate) fn tell_unfit(&mut self, bin: &BinId, at: Timestamp, effects: &mut Vec<Effect>) {
        let subject = Subject::Bin(bin.clone());
        let Some(unfit) = self.bins.get(bin).and_then(|state| state.unfit) else {
            let mended = "the batch in the bin can be judged";
            self.clear_builtin(&builtin::NOT_JUDGED, &subject, at, mended, effects);
            return;
        };
        if !self.started {
            return;
        }
        let Unfit { batch, what, at: then } = unfit;
        let finding = format!("batch {batch} is not judged: it is {what} since {}", bounds::said(then));
        let wrong = format!("{}; everything else is watched", bounds::of_calendar(then).err().unwrap_or_default());
        let remedy = match self.entry_to_correct(bin, &unfit) {
            Some(entry) => format!("Entry {entry} says so. Correct it: {}", correction(entry)),
            None => format!(
                "No entry says so. Take the batch off air and begin it anew: hypocaust batch off-air --bin {bin}, then hypocaust batch on-air --bin {bin}"
            ),
        };
        effects.push(Effect::Say { level: Level::Warn, text: format!("bin {bin}: {finding}: {wrong}. {remedy}") });
        self.raise_builtin(&builtin::NOT_JUDGED, subject, at, finding, vec![wrong, remedy], effects);
    }

    /// The entry whose correction mends a batch.
    fn entry_to_correct(&self, bin: &BinId, unfit: &Unfit) -> Option<EntryId> {
        let state = self.bins.get(bin)?;
        let all = || {
            self.unfit_entries
                .iter()
                .chain(state.entries.iter())
                .filter(|e| e.bin == *bin && e.batch == Some(unfit.batch))
        };
        let of = |key: &str| all().filter(|e| e.kind.key() == key).map(|e| e.id).max();
        match unfit.what {
            "off air" => of("off-air"),
            "loaded" => of("loaded"),
            "on air" => of("on-air"),
            "in its bin" => of("on-air").or_else(|| of("loaded")),
            _ => None,
        }
    }

    /// Raises or clears the alarm about rows and entries that are passed over.
    pub(crate) fn tell_passed_over(&mut self, at: Timestamp, effects: &mut Vec<Effect>) {
        let lost = self.passed_over.iter().filter(|p| p.table == restore::STORE);
        let lost: Vec<String> = lost.map(|p| p.why.clone()).collect();
        let there = "nothing is known to be missing from the store";
        let what = || "the store does not hold what this folder held before".to_owned();
        self.tell_of_store(&builtin::STORE_LOST, at, lost, what, there, effects);
        let rows = self.passed_over.iter().filter(|p| p.table != restore::STORE).map(|p| {
            let remedy = match (p.table.as_str(), u64::try_from(p.row)) {
                ("entries", Ok(row)) => format!("; withdraw it: hypocaust log correct {row} --never --reason TEXT"),
                _ => String::new(),
            };
            format!("{} {}: {}{remedy}", p.table, p.row, p.why)
        });
        let entries = self.unfit_entries.iter().filter_map(|e| {
            let why = unfit_because(e)?;
            Some(format!(
                "entry {} ({}, bin {}): {why}. Correct it: {}",
                e.id,
                e.kind.key(),
                e.bin,
                correction(to_correct(e))
            ))
        });
        let lines: Vec<String> = rows.chain(entries).collect();
        let many = lines.len();
        let mended = "everything on record can be used";
        let what =
            || format!("{many} on record cannot be used and {} passed over", if many == 1 { "is" } else { "are" });
        self.tell_of_store(&builtin::PASSED_OVER, at, lines, what, mended, effects);
    }

    /// Raises or clears an alarm about the store; one that is active tells again where there is something new.
    fn tell_of_store(
        &mut self,
        builtin: &Builtin,
        at: Timestamp,
        mut lines: Vec<String>,
        what: impl Fn() -> String,
        mended: &str,
        effects: &mut Vec<Effect>,
    ) {
        let many = lines.len();
        if many == 0 {
            self.clear_builtin(builtin, &Subject::Site, at, mended, effects);
            return;
        }
        if !self.started {
            return;
        }
        if many > limits::PASSED_OVER_LISTS {
            lines.truncate(limits::PASSED_OVER_LISTS);
            lines.push(format!("and {} more", many - limits::PASSED_OVER_LISTS));
        }
        let finding = what();
        effects.push(Effect::Say { level: Level::Warn, text: format!("{finding}: {}", lines.join("; ")) });
        let key = AlarmKey { rule: builtin.rule.to_owned(), subject: Subject::Site };
        let known = self.alarms.get(&key).filter(|alarm| alarm.conditioning.raised());
        // Of a list that was cut nobody knows what was on it.
        let whole = known.filter(|alarm| alarm.evidence.len() <= limits::PASSED_OVER_LISTS);
        let is_news = whole.is_some_and(|alarm| lines.iter().any(|line| !alarm.evidence.contains(line)));
        if is_news {
            // Only people's words are refused.
            let _ = self.happen(
                &key,
                at,
                Event::Escalate,
                at,
                Finding { evidence: lines, ..Finding::plain(finding, at) },
                effects,
            );
            return;
        }
        self.raise_builtin(builtin, Subject::Site, at, finding, lines, effects);
    }
}

fn correction(entry: EntryId) -> String {
    format!(
        "hypocaust log correct {entry} --really-at \"2026-03-10 07:00\" --reason TEXT, with the time at which it was"
    )
}
