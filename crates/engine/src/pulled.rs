//! Probes that are not in the material: known from the log, or seen by their signature and then written there.
//!
//! Must never take air for material: what a pulled probe reads is kept, and counts for nothing that is judged in the pile.

use std::sync::Arc;

use pile::time::{Span, Timestamp};
use pile::window::Point;
use site::entry::{Entry, EntryId, EntryKind, probes_out};
use site::ids::BinId;
use site::model::Position;
use site::quantity::Quantity;
use site::reading::SeriesId;

use crate::effect::Effect;
use crate::engine::Engine;
use crate::limits;
use crate::series::Series;

/// Who the entries are by.
const BY: &str = "hypocaust";

impl Engine {
    /// Looks whether the probes of a bin have just been pulled or put back, and writes it into the log.
    pub(crate) fn look_for_pulled_probes(&mut self, bin: &BinId, at: Timestamp, effects: &mut Vec<Effect>) {
        let Some(state) = self.bins.get(bin).filter(|s| s.batch.is_some()) else { return };
        let out = probes_out(&state.entries).last().copied();
        let entry = match out {
            Some((from, Timestamp::MAX)) => self.are_back(bin, from, at).map(|note| (at, EntryKind::ProbesBack, note)),
            // While they warm up there is nothing to see.
            Some((_, until)) if at < until => None,
            _ => self.were_pulled(bin, at).map(|(since, note)| (since, EntryKind::ProbesOut, note)),
        };
        let Some((when, kind, note)) = entry else { return };
        self.last_entry += 1;
        let batch = self.bins.get(bin).and_then(|state| state.batch.as_ref()).map(|batch| batch.id);
        let entry = Entry { id: EntryId(self.last_entry), batch, ..Entry::new(when, bin.clone(), kind, BY, &note) };
        effects.push(Effect::Entry(entry.clone()));
        self.write_down(&entry);
        self.remember(entry);
        self.probes_moved(bin, effects);
    }

    /// Tells the series of a bin when its probes were out, and has their accounts made again.
    pub(crate) fn probes_moved(&mut self, bin: &BinId, effects: &mut Vec<Effect>) {
        for id in self.hide_pulled(bin) {
            self.recall(id, effects);
        }
    }

    /// Tells the series of a bin when its probes were out; gives the temperature series in the material.
    pub(crate) fn hide_pulled(&mut self, bin: &BinId) -> Vec<SeriesId> {
        let out = self.bins.get(bin).map(|s| Arc::new(probes_out(&s.entries))).unwrap_or_default();
        let own = self
            .series
            .iter_mut()
            .filter(|(id, s)| s.bin.as_ref() == Some(bin) && s.is_in_pile() && id.quantity == Quantity::Temperature);
        own.map(|(id, series)| {
            series.out = Arc::clone(&out);
            id.clone()
        })
        .collect()
    }

    /// All temperature probes in the pile, two at least, fell at once: since when, and what to write.
    fn were_pulled(&self, bin: &BinId, at: Timestamp) -> Option<(Timestamp, String)> {
        let ambient = self.ambient(at);
        let mut since: Option<Timestamp> = None;
        let mut count = 0;
        for series in self.in_pile(bin) {
            let Some(newest) = heard(series, at) else { continue };
            let peak =
                series.window.range(at - limits::PULLED_WITHIN, newest.at).max_by(|a, b| a.value.total_cmp(&b.value));
            let peak = peak.filter(|p| p.value - newest.value > limits::PULLED_FALL_KELVIN)?;
            let toward_air = match ambient {
                Some(air) => newest.value >= air - limits::PULLED_BELOW_AIR_KELVIN,
                // No air temperature is known: material this warm does not cool so fast by itself.
                None => peak.value >= limits::PULLED_FROM_CELSIUS,
            };
            if !toward_air {
                return None;
            }
            count += 1;
            since = Some(since.map_or(peak.at, |s| s.min(peak.at)));
        }
        let note = format!(
            "seen by the daemon: every probe in the pile fell by more than {} K within {}",
            limits::PULLED_FALL_KELVIN,
            limits::PULLED_WITHIN
        );
        (count >= limits::PULLED_PROBES_MIN).then_some((since?, note))
    }

    /// Every probe that fell since `from` has made up for half of its fall.
    fn are_back(&self, bin: &BinId, from: Timestamp, at: Timestamp) -> Option<String> {
        let mut fell = 0;
        for series in self.in_pile(bin) {
            let Some(newest) = heard(series, at) else { continue };
            let before = series.window.range(from - Span::hours(1), from).next_back()?;
            let since = series.window.range(from, at).map(|p| p.value);
            let lowest = since.min_by(f64::total_cmp)?;
            if before.value - lowest <= limits::PULLED_FALL_KELVIN {
                continue;
            }
            if newest.value < lowest + (before.value - lowest) / 2.0 {
                return None;
            }
            fell += 1;
        }
        (fell > 0).then(|| "seen by the daemon: every probe that fell has made up for half of it".to_owned())
    }

    fn in_pile(&self, bin: &BinId) -> impl Iterator<Item = &Series> {
        [Position::Base, Position::Core, Position::Upper].into_iter().flat_map(|p| self.temperatures_at(bin, p))
    }

    fn ambient(&self, at: Timestamp) -> Option<f64> {
        let air = self
            .series
            .iter()
            .filter(|(id, s)| s.position == Some(Position::Ambient) && id.quantity == Quantity::Temperature);
        air.filter_map(|(_, s)| heard(s, at)).max_by_key(|p| p.at).map(|p| p.value)
    }
}

fn heard(series: &Series, at: Timestamp) -> Option<Point> {
    series.window.newest().filter(|p| p.at <= at && at.since(p.at) <= limits::PULLED_WITHIN)
}
