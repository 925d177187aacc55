//! Probes that people move and check: which bin a probe is in, and how far its readings are off.
//!
//! Must never take a reading for one of a place that its probe was not in when it was measured.

use std::sync::Arc;

use pile::time::Timestamp;
use site::entry::{Entry, EntryKind};
use site::ids::ProbeId;
use site::instruments::Instruments;
use site::quantity::Quantity;
use site::reading::{SeriesId, Source};

use crate::effect::Effect;
use crate::engine::Engine;

impl Engine {
    /// Whether what an entry says of a probe can be.
    ///
    /// # Errors
    /// A sentence with the next step.
    pub(crate) fn check_instrument(&self, entry: &Entry) -> Result<(), String> {
        let (EntryKind::Calibrated { probe, .. } | EntryKind::Placed { probe, .. }) = &entry.kind else {
            return Ok(());
        };
        if !self.described.probes.contains_key(probe) {
            let known: Vec<_> = self.described.probes.keys().map(ProbeId::as_str).collect();
            return Err(format!("there is no probe `{probe}`; the settings have {}", known.join(", ")));
        }
        let stays = self.instruments.stays(&self.described, probe);
        let there = stays.iter().find(|stay| stay.from <= entry.at && entry.at < stay.until);
        let newest = stays.last().map_or(Timestamp::MIN, |stay| stay.from);
        let zone = &self.site.zone;
        match &entry.kind {
            EntryKind::Placed { position, depth, .. } => {
                if newest > Timestamp::MIN && entry.at <= newest {
                    return Err(format!(
                        "probe {probe} was put where it is now at {}; it cannot have been put elsewhere before that: correct that entry \
                         first",
                        zone.show(newest)
                    ));
                }
                match there {
                    Some(stay) if stay.bin.is_none() => Err(format!(
                        "probe {probe} serves the whole site; to use it in a bin, describe it there in the settings"
                    )),
                    Some(stay)
                        if stay.bin.as_ref() == Some(&entry.bin)
                            && stay.position == *position
                            && depth.is_none_or(|depth| stay.depth == Some(depth)) =>
                    {
                        Err(format!("probe {probe} is in bin {} at {} already", entry.bin, position.key()))
                    }
                    _ => Ok(()),
                }
            }
            _ => match there.and_then(|stay| stay.bin.as_ref()) {
                Some(bin) if *bin != entry.bin => {
                    Err(format!("probe {probe} was in bin {bin} at {}, not in {}", zone.show(entry.at), entry.bin))
                }
                _ => Ok(()),
            },
        }
    }

    /// Takes in what an entry says of a probe: its series follow it to where it is, and are read with its correction.
    pub(crate) fn instrument_entry(&mut self, entry: &Entry, effects: &mut Vec<Effect>) {
        let about = match &entry.kind {
            EntryKind::Calibrated { .. } | EntryKind::Placed { .. } => true,
            EntryKind::Corrected { of, .. } => self.about_probes.iter().any(|e| e.id == *of),
            _ => false,
        };
        if !about {
            return;
        }
        self.about_probes.push(entry.clone());
        for id in self.learn_instruments() {
            self.recall(id, effects);
        }
    }

    /// Makes everything that is known of probes anew from the entries about them; gives the series whose accounts changed with it.
    pub(crate) fn learn_instruments(&mut self) -> Vec<SeriesId> {
        let before = std::mem::replace(&mut self.instruments, Instruments::of(&self.about_probes));
        self.site = Arc::new(self.instruments.site_at(&self.described, Timestamp::MAX));
        let probes: Vec<ProbeId> = self.described.probes.keys().cloned().collect();
        let mut changed = Vec::new();
        let mut moved = Vec::new();
        for probe in probes {
            let stays = self.instruments.stays(&self.described, &probe);
            let placed_anew = before.stays(&self.described, &probe) != stays;
            if !placed_anew && before.checks(&probe) == self.instruments.checks(&probe) {
                continue;
            }
            let checks = Arc::new(self.instruments.checks(&probe).to_vec());
            let Some(stay) = stays.last() else { continue };
            let source = Source::Probe(probe.clone());
            let first = SeriesId { source: source.clone(), quantity: Quantity::Temperature };
            for (id, series) in self.series.range_mut(first..).take_while(|(id, _)| id.source == source) {
                if placed_anew {
                    moved.extend(series.bin.clone());
                    moved.extend(stay.bin.clone());
                    series.move_to(stay.bin.clone(), stay.position);
                }
                match id.quantity {
                    Quantity::Temperature => {
                        series.learn(&checks, stay.from);
                        changed.push(id.clone());
                    }
                    _ => series.learn(&Arc::default(), stay.from),
                }
            }
        }
        moved.sort();
        moved.dedup();
        for bin in moved {
            if let Some(batch) = self.bins.get(&bin).and_then(|state| state.batch.clone())
                && let Some(from) = batch.counted_from()
            {
                self.hide_pulled(&bin);
                let (thresholds, until) = (self.thresholds.clone(), batch.off_air_at);
                for id in &changed {
                    if let Some(series) = self.series.get_mut(id).filter(|s| s.bin.as_ref() == Some(&bin)) {
                        series.counted_until = until;
                        series.reset_accounts(&thresholds, from.max(series.here_since));
                    }
                }
            }
        }
        changed
    }
}
