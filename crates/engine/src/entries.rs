//! What people write in the log: checked, numbered, kept, and what follows from it for batches and for the windows of their probes.
//!
//! Must never overwrite: a correction is an entry of its own, and what it corrects stays in the log.

use std::collections::BTreeSet;
use std::sync::Arc;

use pile::time::Timestamp;
use site::batches::{Applied, is_lived_anew, makes_batches, withdraws};
use site::bounds;
use site::entry::{Amount, Batch, BatchId, Entry, EntryId, EntryKind, Really, Rest, Stage, WHOLE_SITE, in_force};
use site::ids::BinId;
use site::model::Display;
use site::names::{self, Who};
use site::quantity::Quantity;

use crate::effect::Effect;
use crate::engine::Engine;
use crate::limits;

/// A valve of which nobody wrote anything is open.
pub(crate) const VALVE_OPEN_PERCENT: f64 = 100.0;

/// The entry that another corrects or withdraws.
fn corrects(entry: &Entry) -> Option<EntryId> {
    match entry.kind {
        EntryKind::Corrected { of, .. } => Some(of),
        _ => None,
    }
}

/// The two commands by which an entry is put right that cannot be corrected.
fn withdraw_and_write_again(of: EntryId, bin: &BinId, really: &EntryKind) -> String {
    let command = match really {
        EntryKind::OnAir { .. } => "batch on-air",
        EntryKind::OffAir => "batch off-air",
        EntryKind::Loaded { .. } => "batch load",
        EntryKind::Moved { .. } => "batch move",
        EntryKind::Split { .. } => "batch split",
        EntryKind::Merged { .. } => "batch merge",
        EntryKind::Shipped { .. } => "batch ship",
        kind => {
            return format!(
                "withdraw it and write it again: `hypocaust log correct {of} --never --reason TEXT`, then `hypocaust log {} --bin {bin} --at TIME`",
                kind.key()
            );
        }
    };
    format!(
        "withdraw it and write it again: `hypocaust log correct {of} --never --reason TEXT`, then `hypocaust {command} --bin {bin} --at TIME`"
    )
}

/// Whether whoever wrote an entry said once more that it was as early as they wrote.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Early {
    Unsaid,
    Said,
}

impl Engine {
    /// Takes an entry into the log, or says why not.
    pub(crate) fn enter(
        &mut self,
        now: Timestamp,
        entry: Entry,
        early: Early,
        effects: &mut Vec<Effect>,
    ) -> Result<String, String> {
        let zone = &self.site.zone;
        let known_bin = |bin: &BinId| match self.bins.contains_key(bin) {
            true => Ok(()),
            false => {
                let known: Vec<_> = self.bins.keys().map(BinId::as_str).collect();
                Err(format!("there is no bin `{bin}`; the settings have {}", known.join(", ")))
            }
        };
        if !(entry.bin.as_str() == WHOLE_SITE && entry.kind.needs_no_bin()) {
            known_bin(&entry.bin)?;
        }
        if let EntryKind::Moved { into: Some(into), .. } | EntryKind::Split { into, .. } | EntryKind::Merged { into } =
            &entry.kind
        {
            known_bin(into)?;
        }
        self.check_times(now, &entry, early)?;
        entry.kind.check_least_in(self.site.display)?;
        entry.kind.check_in(&entry.note, self.site.display)?;
        entry.check_texts()?;
        let entry = Entry { by: self.writer(&entry.by)?, ..entry };
        if let EntryKind::Corrected { of, really } = &entry.kind {
            self.can_be_corrected(&entry.bin, *of, really.as_ref().map(|r| &r.kind))?;
        }
        self.check_instrument(&entry)?;
        let of_laboratory = self.batch_of_result(&entry)?;
        let lived_anew = self.to_be_lived_anew(&entry);
        let mut applied = match &lived_anew {
            Some((wrong, really)) => self.live_anew(wrong, really.as_deref())?,
            None => self.batches.apply(&entry, zone)?,
        };
        if of_laboratory.is_some() {
            applied.batch = of_laboratory;
        }
        if let Some(said) = self.shipped_so_far(&entry, applied.batch) {
            applied.said.push_str(&said);
        }
        if let Some(said) = self.check_says(&entry) {
            applied.said = said;
        }
        let wrong = corrects(&entry).and_then(|of| self.log.iter().find(|e| e.id == of)).cloned();
        self.last_entry += 1;
        let batch = wrong.as_ref().map_or(applied.batch, |wrong| wrong.batch);
        let entry = Entry { id: EntryId(self.last_entry), batch, ..entry };
        for batch in &applied.changed {
            effects.push(Effect::Batch(batch.clone()));
        }
        // What is remembered of a bin begins with the batch that is in it: older entries tell of other material.
        let mut bins: Vec<BinId> = applied.changed.iter().map(|b| b.bin.clone()).chain(applied.bins.clone()).collect();
        bins.push(entry.bin.clone());
        bins.sort();
        bins.dedup();
        for bin in &bins {
            self.settle_bin(now, bin, applied.bins.contains(bin), effects);
        }
        if lived_anew.is_some() {
            for bin in &applied.bins {
                self.look_up_entries(bin);
                self.water_goes_on(bin, effects);
                self.probes_moved(bin, effects);
            }
        }
        effects.push(Effect::Entry(entry.clone()));
        if let (EntryKind::OnAir { filling, .. }, Some(batch)) = (&entry.kind, self.batches.in_bin(&entry.bin).cloned())
        {
            self.begin_water(&batch, filling.as_ref(), effects);
        }
        if let EntryKind::Corrected { really: Some(really), .. } = &entry.kind
            && let EntryKind::OnAir { filling, .. } = &really.kind
        {
            self.begin_water_if_none(&entry.bin, filling.as_ref(), effects);
        }
        let says = wrong.as_ref().map_or(&entry.kind, |wrong| &wrong.kind);
        let moved = matches!(says, EntryKind::ProbesOut | EntryKind::ProbesBack).then(|| entry.bin.clone());
        self.water_entry(&entry, effects);
        let mended = matches!(entry.kind, EntryKind::Corrected { of, .. } if self.mend(of));
        self.instrument_entry(&entry, effects);
        self.results_after(&entry, &bins, now, effects);
        let said = format!("{} (entry {})", applied.said, entry.id);
        self.write_down(&entry);
        self.remember(entry);
        if let Some(Entry { bin, kind: EntryKind::Valve { .. }, .. }) = &wrong {
            self.look_up_valve(bin);
        }
        if mended {
            self.tell_passed_over(now, effects);
        }
        if let Some(bin) = moved {
            self.probes_moved(&bin, effects);
        }
        Ok(said)
    }

    /// Whether every time that an entry tells of can be.
    fn check_times(&self, now: Timestamp, entry: &Entry, early: Early) -> Result<(), String> {
        let zone = &self.site.zone;
        let (from, since) = self.readings_begin(now, &entry.bin);
        let from = from - bounds::BEFORE_READINGS;
        for (what, at) in std::iter::once(("when it happened", entry.at)).chain(entry.kind.instants()) {
            bounds::happened(at, now, zone).map_err(|why| format!("{what}: {why}"))?;
            if at < from && early == Early::Unsaid {
                return Err(format!(
                    "{what}: {} is more than {} before {since}; check the year, and if it is right say so once more: --really-that-early, or \
                     `\"really_that_early\": true` over MQTT",
                    zone.show(at),
                    bounds::BEFORE_READINGS
                ));
            }
        }
        if let Some(due) = entry.kind.due() {
            bounds::due(due, now, zone).map_err(|why| format!("when it is due: {why}"))?;
        }
        Ok(())
    }

    /// The name of whoever writes in the log: that of somebody whom the settings know, or any other that cannot be taken for theirs.
    fn writer(&self, by: &str) -> Result<String, String> {
        match names::who(&self.site.people, by) {
            Who::Known(person) => Ok(person.name.clone()),
            Who::LooksLike(person) => Err(format!("who says so: {}", names::looks_like(person, by))),
            Who::Other => Ok(by.trim().to_owned()),
        }
    }

    /// When the readings begin that an entry about a bin goes with, and how that is called: those of the batch in it, or those of the site where
    /// the bin is empty or has no probe. Readings come all the time, so those of a batch begin with it, or with those of the site where it is
    /// older; the readings themselves are not asked, for the first of them may be packed away, and a restart must not change the answer.
    fn readings_begin(&self, now: Timestamp, bin: &BinId) -> (Timestamp, String) {
        let zone = &self.site.zone;
        let Some(first) = self.first_reading else {
            // Before the first reading the site begins now.
            return (now, format!("now, {}, and no reading has come yet", zone.show(now)));
        };
        let has_probe = || self.series.values().any(|series| series.bin.as_ref() == Some(bin));
        let batch = self.bins.get(bin).and_then(|state| state.batch.as_ref());
        match batch.map(|batch| (batch.id, batch.in_bin_since)) {
            Some((id, begun)) if begun > first && has_probe() => {
                (begun, format!("the readings of batch {id} in bin {bin}, which begin at {}", zone.show(begun)))
            }
            _ => (first, format!("the first reading, of {}", zone.show(first))),
        }
    }

    /// The number of an entry that says the very same, of the batch that is in its bin now: it is written twice.
    pub fn written_already(&self, entry: &Entry) -> Option<EntryId> {
        let same = |e: &&Entry| (e.at, &e.kind, &e.by, &e.note) == (entry.at, &entry.kind, &entry.by, &entry.note);
        match self.bins.get(&entry.bin) {
            Some(state) if entry.batch.is_none() => state.entries.iter().find(same),
            // What is about the whole site, or about a batch that has left, no bin remembers.
            _ => self.log.iter().filter(|e| e.bin == entry.bin).find(same),
        }
        .map(|e| e.id)
    }

    fn can_be_corrected(&self, bin: &BinId, of: EntryId, really: Option<&EntryKind>) -> Result<(), String> {
        if self.is_passed_over(bin, of) {
            return match really {
                None => Ok(()),
                Some(_) => Err(format!(
                    "entry {of} cannot be read, so nothing of it can be kept; withdraw it with --never and write a new one"
                )),
            };
        }
        if of.0 == 0 || of.0 > self.last_entry {
            return Err(format!("there is no entry {of}; the last one is {}", self.last_entry));
        }
        let here = self.bins.get(bin).and_then(|state| state.entries.iter().find(|e| e.id == of));
        let here = here.or_else(|| self.unfit_entry(bin, of));
        let known = here.or_else(|| self.about_probes.iter().find(|e| e.id == of && e.bin == *bin));
        if let Some(by) = self.log.iter().find(|e| withdraws(e) == Some(of)) {
            return Err(format!(
                "entry {of} was withdrawn by entry {} already; write what happened as an entry of its own",
                by.id
            ));
        }
        // What a laboratory found is of its batch for ever, and what never happened did not happen to any batch.
        let may_be_past =
            |e: &&Entry| really.is_none() || matches!(e.kind, EntryKind::LabResult { .. }) || makes_batches(&e.kind);
        let past = self.log.iter().find(|e| e.id == of && e.bin == *bin).filter(may_be_past);
        let Some(known) = known.or(past) else {
            if self.has_unfit_correction(bin, of) {
                return Ok(());
            }
            if self.log.first().is_some_and(|oldest| of < oldest.id) {
                return Err(format!(
                    "entry {of} is older than the entries that hypocaust looks back on; write what holds as an entry of its own, and name entry \
                     {of} in its note"
                ));
            }
            return Err(format!(
                "entry {of} is not about the batch that is in bin {bin}; `hypocaust log list --bin {bin}` shows those that are"
            ));
        };
        let unfit = self.unfit_entry(bin, of).is_some();
        let how = match (&known.kind, really) {
            (EntryKind::Corrected { .. }, _) => Some("correct the entry that it corrects once more instead".to_owned()),
            (EntryKind::OnAir { .. }, None) if unfit => Some("take the batch off air instead".to_owned()),
            (kind, Some(really)) if kind.key() != really.key() => {
                Some(format!("the kind of an entry stays; {}", withdraw_and_write_again(of, bin, really)))
            }
            (kind, Some(_)) if is_lived_anew(kind) => None,
            (kind, Some(really)) if makes_batches(kind) && !self.is_of_batch_there(known) => {
                Some(format!("its batch is not in that bin now; {}", withdraw_and_write_again(of, bin, really)))
            }
            _ => None,
        };
        how.map_or(Ok(()), |how| Err(format!("entry {of} ({}) cannot be corrected so: {how}", known.kind.key())))
    }

    /// Brings a bin up to date with the batch that is in it now; `anew` when its material is not what it was.
    fn settle_bin(&mut self, now: Timestamp, bin: &BinId, anew: bool, effects: &mut Vec<Effect>) {
        let there = self.batches.in_bin(bin).map(|b| b.id);
        let Some(state) = self.bins.get_mut(bin) else { return };
        let was = state.batch.as_ref().map(|b| b.id).or_else(|| state.unfit.as_ref().map(|unfit| unfit.batch));
        if was != there {
            // How far the valve is open outlasts a batch, and is remembered beside the entries.
            state.entries = Arc::new(Vec::new());
            if let Some(water) = state.water.take() {
                state.water_before = Some(water);
            }
            state.results = Arc::default();
        }
        self.find_batch(bin);
        self.tell_unfit(bin, now, effects);
        let batch = self.bins.get(bin).and_then(|state| state.batch.clone());
        let until = batch.as_ref().map_or(Some(now), |b| b.off_air_at);
        for series in self.series.values_mut().filter(|s| s.bin.as_ref() == Some(bin)) {
            series.counted_until = until;
        }
        if anew && let Some(batch) = &batch {
            self.begin_accounts(batch, effects);
        }
        self.retire_where_stage_ended(now, bin, was, effects);
    }

    /// Accounts of a batch's probes from the time on that tells of the whole of it. Unlike at a start, the windows are whole: where they hold
    /// nothing since then, there is no history to ask for.
    fn begin_accounts(&mut self, batch: &Batch, effects: &mut Vec<Effect>) {
        let Some(from) = batch.counted_from() else { return };
        self.hide_pulled(&batch.bin);
        let thresholds = self.thresholds.clone();
        let mut recall = Vec::new();
        for (id, series) in &mut self.series {
            if series.bin.as_ref() == Some(&batch.bin) && series.is_in_pile() && id.quantity == Quantity::Temperature {
                series.reset_accounts(&thresholds, from);
                if series.window.newest().is_some_and(|p| p.at >= from) {
                    recall.push(id.clone());
                }
            }
        }
        for id in recall {
            self.recall(id, effects);
        }
    }

    /// The batch that a laboratory's result is of: the one that is named, or `None` where that is the one in the bin.
    fn batch_of_result(&self, entry: &Entry) -> Result<Option<BatchId>, String> {
        let EntryKind::LabResult { sampled_at, .. } = &entry.kind else { return Ok(None) };
        let zone = &self.site.zone;
        let there = self.batches.in_bin(&entry.bin);
        if let Some(of) = entry.batch {
            let known = there.is_some_and(|b| b.id == of) || self.log.iter().any(|e| e.batch == Some(of));
            return match known || self.batches.all().any(|b| b.id == of) {
                true => Ok(Some(of)),
                false => Err(format!("there is no batch {of}; `hypocaust batch list --all` shows them")),
            };
        }
        let began =
            there.map(|b| [b.on_air_at, b.loaded_last_at].into_iter().flatten().fold(b.in_bin_since, Timestamp::min));
        let earlier = |e: &&Entry| e.bin == entry.bin && e.batch.is_some() && e.batch != there.map(|b| b.id);
        match (began, self.log.iter().rev().find(earlier).and_then(|e| e.batch)) {
            (Some(began), Some(before)) if *sampled_at < began => Err(format!(
                "the sample was taken at {}, before the batch in bin {} began at {}; say which batch it is of: --batch {before}, or another that \
                 `hypocaust batch list --all` shows",
                zone.show(*sampled_at),
                entry.bin,
                zone.show(began)
            )),
            (None, Some(before)) => Err(format!(
                "there is no batch in bin {}; say which batch the result is of: --batch {before}, or another that `hypocaust batch list --all` shows",
                entry.bin
            )),
            _ => Ok(None),
        }
    }

    /// What of a batch was shipped, this entry included.
    fn shipped_so_far(&self, entry: &Entry, batch: Option<BatchId>) -> Option<String> {
        let EntryKind::Shipped { amount, rest, .. } = &entry.kind else { return None };
        let own = self.log.iter().filter(|e| e.batch.is_some() && e.batch == batch).cloned();
        let before = in_force(own.chain(self.log.iter().filter(|e| corrects(e).is_some()).cloned()).collect());
        let parts = before.iter().filter_map(|e| match &e.kind {
            EntryKind::Shipped { amount, .. } if e.batch == batch => Some(*amount),
            _ => None,
        });
        let all: Vec<Amount> = parts.chain([*amount]).collect();
        let stays = match rest {
            Rest::Stays => "; the rest of it stays, and the bin is empty once the last part is entered with --all",
            Rest::Nothing => "",
        };
        let so_far = match all.len() {
            1 => String::new(),
            many => format!("; {} in {many} parts so far", Amount::sum_words(&all, self.site.display)),
        };
        Some(format!("{so_far}{stays}"))
    }

    /// What a check of a probe comes to: that it passed, or that it failed, by how much, and which readings it takes back.
    fn check_says(&self, entry: &Entry) -> Option<String> {
        let EntryKind::Calibrated { probe, showed, truth, allowed, .. } = &entry.kind else { return None };
        let zone = &self.site.zone;
        let (scale, sign) = if self.site.display == Display::Us { (1.8, "°F") } else { (1.0, "°C") };
        let off = showed.0 - truth.0;
        let (by, most) = (off.abs() * scale, allowed.0 * scale);
        let way = if off > 0.0 { "too high" } else { "too low" };
        if off.abs() <= allowed.0 {
            return Some(format!(
                "probe {probe} passed its check at {}: {by:.1} {sign} off, {most:.1} {sign} allowed",
                zone.show(entry.at)
            ));
        }
        let checks = self.instruments.checks(probe);
        let before = checks.iter().rev().find(|c| c.at < entry.at && c.passed).map(|c| c.at);
        let next = checks.iter().find(|c| c.at > entry.at && c.passed).map(|c| c.at);
        let from = before
            .map_or_else(|| "its first reading".to_owned(), |at| format!("its last good check, {}", zone.show(at)));
        let until = next
            .map_or_else(|| "its next good check".to_owned(), |at| format!("its next good check, {}", zone.show(at)));
        Some(format!(
            "probe {probe} FAILED its check at {}: it showed {by:.1} {sign} {way}, and {most:.1} {sign} is allowed. Criteria do not count its \
             readings from {from} to {until}. Replace it, or check it again",
            zone.show(entry.at)
        ))
    }

    /// The entry that another withdraws or corrects where batches rest on it, and what it really was. One of which the engine knows only that the
    /// batch in its bin began with it is among them, so that nothing is marked as undone that was not undone.
    fn to_be_lived_anew(&self, entry: &Entry) -> Option<(Entry, Option<Box<Really>>)> {
        let EntryKind::Corrected { of, really } = &entry.kind else { return None };
        let in_log = self.log.iter().find(|e| e.id == *of);
        let in_bin = self.bins.get(&entry.bin).and_then(|state| state.entries.iter().find(|e| e.id == *of));
        let wrong = in_log.or(in_bin)?;
        let rests = if really.is_some() { is_lived_anew(&wrong.kind) } else { makes_batches(&wrong.kind) };
        rests.then(|| (wrong.clone(), really.clone()))
    }

    /// Has batches be as if an entry had never been written, or had said what it is corrected to.
    fn live_anew(&mut self, wrong: &Entry, really: Option<&Really>) -> Result<Applied, String> {
        let zone = &self.site.zone;
        let (done, mut said) = match really {
            None => (
                self.batches.without(&self.log, wrong.id, zone)?,
                format!("entry {} stays in the log, marked as something that did not happen", wrong.id),
            ),
            Some(really) => (
                self.batches.corrected(&self.log, wrong.id, really, zone)?,
                format!(
                    "entry {} stays in the log; what holds is {} at {}",
                    wrong.id,
                    really.kind.key(),
                    zone.show(really.at)
                ),
            ),
        };
        self.batches.put_back(&done.changed);
        let now = self.now;
        for batch in &done.changed {
            let is = match batch.stage(now) {
                Stage::Gone if batch.never_was() => "is no batch any more".to_owned(),
                stage => format!("is {} in bin {}", stage.key(), batch.bin),
            };
            said.push_str(&format!("; batch {} {is}", batch.id));
        }
        Ok(Applied { batch: wrong.batch, changed: done.changed, bins: done.bins, said })
    }

    /// Whether an entry is about the batch that is in its bin now.
    fn is_of_batch_there(&self, entry: &Entry) -> bool {
        entry.batch.is_none() || self.batches.in_bin(&entry.bin).map(|b| b.id) == entry.batch
    }

    /// Keeps an entry among the newest of the site. What made the batches that are here stays longer than others, so that it can be taken back
    /// however long ago it was.
    pub(crate) fn write_down(&mut self, entry: &Entry) {
        self.log.push(entry.clone());
        if self.log.len() <= limits::LOG_KEPT {
            return;
        }
        let here: BTreeSet<BatchId> =
            self.batches.all().flat_map(|b| std::iter::once(b.id).chain(b.parents.iter().copied())).collect();
        let makes = |e: &Entry| makes_batches(&e.kind) || corrects(e).is_some();
        let needed = |e: &Entry| makes(e) && e.batch.is_some_and(|id| here.contains(&id));
        let oldest = self.log.iter().position(|e| !needed(e)).unwrap_or(0);
        self.log.remove(oldest);
    }

    /// Has the rules see the entries again of a batch that is back in a bin.
    fn look_up_entries(&mut self, bin: &BinId) {
        let Some(state) = self.bins.get_mut(bin) else { return };
        state.entries = Arc::new(Vec::new());
        let Some(there) = self.batches.in_bin(bin) else { return };
        let (id, since) = (there.id, there.in_bin_since);
        let own = |e: &&Entry| e.bin == *bin && (e.batch == Some(id) || e.at >= since);
        let own: Vec<Entry> = self.log.iter().filter(own).cloned().collect();
        let valve = self.bins.get(bin).map(|state| state.valve_percent);
        for entry in own {
            self.remember(entry);
        }
        if let (Some(state), Some(valve)) = (self.bins.get_mut(bin), valve) {
            state.valve_percent = valve;
        }
    }

    /// How far the valve of a bin is open as the entries say that hold; open where none says so.
    fn look_up_valve(&mut self, bin: &BinId) {
        let own = self.log.iter().filter(|e| e.bin == *bin).cloned().collect();
        let opened = in_force(own).into_iter().rev().find_map(|e| match e.kind {
            EntryKind::Valve { open_percent } => Some(open_percent),
            _ => None,
        });
        if let Some(state) = self.bins.get_mut(bin) {
            state.valve_percent = opened.unwrap_or(VALVE_OPEN_PERCENT);
        }
    }

    /// Keeps an entry in mind for the rules, in the place of one that it corrects.
    pub(crate) fn remember(&mut self, entry: Entry) {
        let Some(state) = self.bins.get_mut(&entry.bin) else { return };
        if let EntryKind::Valve { open_percent } = entry.kind {
            state.valve_percent = open_percent;
        }
        let entries = Arc::make_mut(&mut state.entries);
        if let EntryKind::Corrected { of, really } = &entry.kind
            && let Some(wrong) = entries.iter().position(|e| e.id == *of)
        {
            let wrong = entries.remove(wrong);
            if let Some(really) = really {
                let right = Entry { at: really.at, kind: really.kind.clone(), ..wrong };
                entries.insert(entries.partition_point(|e| e.at <= right.at), right);
            }
        }
        entries.insert(entries.partition_point(|e| e.at <= entry.at), entry);
        if entries.len() > limits::ENTRIES_PER_BIN {
            // The one by which the batch went on air stays: only by its number can that time be corrected.
            let oldest = entries.iter().position(|e| !matches!(e.kind, EntryKind::OnAir { .. })).unwrap_or(0);
            entries.remove(oldest);
        }
    }
}
