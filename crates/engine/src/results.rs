//! Results: how the batches stand against the criteria that the site is judged by.
//!
//! Must never judge by what windows happen to hold: whole histories are judged where they are kept, and the answer comes back as an input.

use std::sync::Arc;

use pile::time::Timestamp;
use site::entry::{BatchId, Entry, EntryKind, Stage};
use site::ids::BinId;
use site::judge::{Outcome, Standing};

use crate::effect::Effect;
use crate::engine::{Deadline, Engine};
use crate::limits;

/// How a batch stands against the criteria.
#[derive(Clone, Debug, PartialEq)]
pub struct KeptResults {
    /// The batch.
    pub batch: BatchId,
    /// The bin it was in.
    pub bin: BinId,
    /// Up to when it was judged.
    pub at: Timestamp,
    /// One for each criterion, in the order of the settings.
    pub standings: Vec<Standing>,
    /// Criteria whose result is another than before, with that one.
    pub changed: Vec<(String, Option<Outcome>)>,
}

impl Engine {
    /// Takes back what the store remembers.
    pub(crate) fn put_results_back(&mut self, kept: Vec<KeptResults>) {
        for kept in kept {
            if let Some(state) = self.bins.get_mut(&kept.bin)
                && state.batch.as_ref().is_some_and(|batch| batch.id == kept.batch)
            {
                state.results = Arc::new(kept.standings);
            }
        }
    }

    /// Has the batch of a bin judged now and then again.
    pub(crate) fn results_due(&mut self, bin: &BinId, at: Timestamp, effects: &mut Vec<Effect>) {
        self.ask_results(bin, at, effects);
        if let Some(state) = self.bins.get(bin) {
            let next = at.next_on_grid(limits::RESULTS_EVERY, state.phase);
            self.insert_deadline(next, Deadline::Results(bin.clone()));
        }
    }

    /// Asks for the batch of a bin to be judged, where the site chose criteria and it can still change.
    pub(crate) fn ask_results(&self, bin: &BinId, at: Timestamp, effects: &mut Vec<Effect>) {
        let batch = self.bins.get(bin).and_then(|state| state.batch.as_ref());
        let Some(batch) = batch.filter(|batch| batch.on_air_at.is_some_and(|on_air| on_air <= at)) else { return };
        if self.started && !self.described.criteria.is_empty() {
            effects.push(Effect::Judge { bin: bin.clone(), batch: batch.id, until: at });
        }
    }

    /// An entry can change results at once.
    pub(crate) fn results_after(&self, entry: &Entry, bins: &[BinId], at: Timestamp, effects: &mut Vec<Effect>) {
        let says = match &entry.kind {
            EntryKind::Corrected { really: Some(really), .. } => &really.kind,
            kind => kind,
        };
        let telling = matches!(
            says,
            EntryKind::Loaded { .. }
                | EntryKind::OffAir
                | EntryKind::Moved { .. }
                | EntryKind::Merged { .. }
                | EntryKind::LabResult { .. }
                | EntryKind::Calibrated { .. }
                | EntryKind::Placed { .. }
                | EntryKind::Corrected { .. }
        );
        let begin_corrected = matches!(says, EntryKind::OnAir { .. } | EntryKind::Split { .. })
            && matches!(entry.kind, EntryKind::Corrected { .. });
        for bin in bins.iter().filter(|_| telling || begin_corrected) {
            self.ask_results(bin, at, effects);
        }
    }

    /// A batch was judged.
    pub(crate) fn judged(
        &mut self,
        bin: BinId,
        batch: BatchId,
        at: Timestamp,
        standings: Vec<Standing>,
        effects: &mut Vec<Effect>,
    ) {
        let Some(state) = self.bins.get_mut(&bin) else { return };
        if state.batch.as_ref().map(|b| b.id) != Some(batch) || *state.results == standings {
            return;
        }
        let before = std::mem::replace(&mut state.results, Arc::new(standings.clone()));
        let changed = standings.iter().filter_map(|new| {
            let old = before.iter().find(|old| old.criterion == new.criterion).map(|old| old.result);
            (old != Some(new.result)).then(|| (new.criterion.clone(), old))
        });
        let kept = KeptResults { changed: changed.collect(), batch, bin, at, standings };
        effects.push(Effect::Results(Box::new(kept)));
    }

    /// Plans when batches are judged from now on; those on air are judged at once.
    pub(crate) fn plan_results(&mut self, now: Timestamp, effects: &mut Vec<Effect>) {
        if self.described.criteria.is_empty() {
            return;
        }
        let bins: Vec<BinId> = self.bins.keys().cloned().collect();
        for bin in bins {
            let stage = self.bins.get(&bin).and_then(|s| s.batch.as_ref()).map(|batch| batch.stage(now));
            if stage == Some(Stage::OnAir) {
                self.results_due(&bin, now, effects);
            } else if let Some(state) = self.bins.get(&bin) {
                let next = now.next_on_grid(limits::RESULTS_EVERY, state.phase);
                self.insert_deadline(next, Deadline::Results(bin));
            }
        }
    }
}
