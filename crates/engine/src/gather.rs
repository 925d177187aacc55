//! What rules may know of a bin at a tick, gathered from what the engine keeps.
//!
//! Must never know the future: only what was measured or written by the time of the tick.

use std::sync::Arc;

use pile::time::Timestamp;
use rulebook::facts::{BlowerFacts, Facts, Signal};
use site::ids::BinId;
use site::model::RunProof;
use site::quantity::Quantity;
use site::reading::{SeriesId, Source};

use crate::engine::Engine;

impl Engine {
    /// What rules may know about a bin at a tick.
    pub(crate) fn facts(&self, bin: &BinId, at: Timestamp) -> Facts {
        let state = self.bins.get(bin);
        let batch = state.and_then(|s| s.batch.clone());
        let described = self.site.bins.get(bin);
        let own = described.map(|b| b.probes.as_slice()).unwrap_or_default();
        let site_wide = self.site.probes.values().filter(|p| p.bin.is_none()).map(|p| &p.id);
        let mut signals = Vec::new();
        for probe in own.iter().chain(site_wide) {
            let source = Source::Probe(probe.clone());
            let first = SeriesId { source: source.clone(), quantity: Quantity::Temperature };
            let all: Vec<_> = self.series.range(first..).take_while(|(id, _)| id.source == source).collect();
            // A probe is heard when any of its quantities is: a moisture probe is not silent for lack of a temperature.
            let heard_at = all.iter().filter_map(|(_, s)| s.heard_at).max();
            let measures_other = all.iter().any(|(id, s)| id.quantity != Quantity::Temperature && s.heard_at.is_some());
            for (id, series) in all {
                let Some(position) = series.position else { continue };
                if id.quantity == Quantity::Temperature && measures_other && series.heard_at.is_none() {
                    continue;
                }
                signals.push(Signal {
                    probe: probe.clone(),
                    position,
                    quantity: id.quantity,
                    interval: series.interval,
                    window: Arc::clone(&series.window),
                    heard_at,
                    bad_in_a_row: series.bad_in_a_row,
                    last_bad: series.last_bad,
                    above: Arc::clone(&series.above),
                });
            }
        }
        Facts {
            bin: bin.clone(),
            at,
            display: self.site.display,
            signals,
            batch,
            entries: state.map(|s| Arc::clone(&s.entries)).unwrap_or_default(),
            blower: described.and_then(|b| b.blower.as_ref()).and_then(|id| self.blower_facts(id, bin)),
            watching: at.since(self.watching_since),
        }
    }

    fn blower_facts(&self, id: &site::ids::BlowerId, bin: &BinId) -> Option<BlowerFacts> {
        let blower = self.site.blowers.get(id)?;
        let quantity = match blower.proof {
            RunProof::RunCounter => Some(Quantity::RunTime),
            RunProof::Signal { quantity, .. } => Some(quantity),
            RunProof::ScheduledOnly => None,
        };
        let series = quantity.map(|quantity| SeriesId { source: Source::Blower(id.clone()), quantity });
        let window = series.and_then(|id| self.series.get(&id)).map(|s| Arc::clone(&s.window));
        Some(BlowerFacts {
            blower: id.clone(),
            schedule: blower.schedule,
            proof: blower.proof,
            countable: blower.pulses_countable(),
            interval: blower.interval,
            window,
            valve_percent: self.bins.get(bin).map_or(100.0, |s| s.valve_percent),
        })
    }
}
