//! Where each probe was when, and how far off it was found: what the log says about instruments.
//!
//! Must never take a reading for one of a bin that its probe was not in when it was measured.

use std::collections::BTreeMap;

use pile::time::Timestamp;
use pile::units::{Kelvin, Metres};

use crate::entry::{CORRECTED_KELVIN_MOST, Entry, EntryKind, in_force};
use crate::ids::{BinId, ProbeId};
use crate::judge::Check;
use crate::model::{Position, Site};

/// A place that a probe was in for a time.
#[derive(Clone, Debug, PartialEq)]
pub struct Stay {
    /// The bin; `None` where the probe serves the whole site.
    pub bin: Option<BinId>,
    /// Where in it.
    pub position: Position,
    /// How deep, from the surface of the pile.
    pub depth: Option<Metres>,
    /// Since when; the beginning of time for the place that the settings name.
    pub from: Timestamp,
    /// Until when, not included; the end of time while it is there.
    pub until: Timestamp,
}

/// What the log says about instruments.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Instruments {
    placed: BTreeMap<ProbeId, Vec<Stay>>,
    checks: BTreeMap<ProbeId, Vec<Check>>,
    due: BTreeMap<ProbeId, Timestamp>,
}

impl Instruments {
    /// What the entries say; of other kinds than `calibrated`, `placed` and their corrections they say nothing here.
    pub fn of(entries: &[Entry]) -> Instruments {
        let about = entries.iter().filter(|e| e.is_about_probes());
        let mut all = Instruments::default();
        for entry in in_force(about.cloned().collect()) {
            match entry.kind {
                EntryKind::Placed { probe, position, depth } => {
                    let stays = all.placed.entry(probe).or_default();
                    if let Some(last) = stays.last_mut() {
                        last.until = entry.at;
                    }
                    let bin = Some(entry.bin);
                    stays.push(Stay { bin, position, depth, from: entry.at, until: Timestamp::MAX });
                }
                EntryKind::Calibrated { probe, showed, truth, allowed, due, .. } => {
                    let correction = Kelvin(truth.0 - showed.0);
                    let passed = correction.0.abs() <= allowed.0;
                    // Taken by an earlier version: it fails the probe and corrects nothing.
                    let correction = if correction.0.abs() > CORRECTED_KELVIN_MOST { Kelvin(0.0) } else { correction };
                    let check = Check { at: entry.at, probe: probe.clone(), passed, correction };
                    match due {
                        Some(due) => all.due.insert(probe.clone(), due),
                        None => all.due.remove(&probe),
                    };
                    all.checks.entry(probe).or_default().push(check);
                }
                _ => {}
            }
        }
        all
    }

    /// The checks of a probe, in the order of time.
    pub fn checks(&self, probe: &ProbeId) -> &[Check] {
        self.checks.get(probe).map_or(&[], Vec::as_slice)
    }

    /// Every check, by probe.
    pub fn all_checks(&self) -> impl Iterator<Item = &Check> {
        self.checks.values().flatten()
    }

    /// When the next check of a probe is due, as its last one says.
    pub fn due(&self, probe: &ProbeId) -> Option<Timestamp> {
        self.due.get(probe).copied()
    }

    /// What is to be added to a reading of a probe, K: the correction of the last check before it.
    pub fn correction(&self, probe: &ProbeId, at: Timestamp) -> f64 {
        correction(self.checks(probe), at)
    }

    /// Where a probe was, in the order of time: what the settings say, until the log first says otherwise. A probe that the settings do
    /// not know was nowhere.
    pub fn stays(&self, site: &Site, probe: &ProbeId) -> Vec<Stay> {
        let Some(own) = site.probes.get(probe) else { return Vec::new() };
        let placed = self.placed.get(probe).map_or(&[][..], Vec::as_slice);
        let first = Stay {
            bin: own.bin.clone(),
            position: own.position,
            depth: own.depth,
            from: Timestamp::MIN,
            until: placed.first().map_or(Timestamp::MAX, |stay| stay.from),
        };
        std::iter::once(first).chain(placed.iter().cloned()).collect()
    }

    /// The probes that were in a bin at some time between two, each with its stay: its own in the order of the settings, then others.
    pub fn in_bin(&self, site: &Site, bin: &BinId, from: Timestamp, until: Timestamp) -> Vec<(ProbeId, Stay)> {
        let own = site.bins.get(bin).map_or(&[][..], |bin| &bin.probes);
        let others = site.probes.keys().filter(|probe| !own.contains(probe));
        let stays = own.iter().chain(others).flat_map(|probe| {
            let stays = self.stays(site, probe).into_iter();
            stays.map(move |stay| (probe.clone(), stay))
        });
        stays.filter(|(_, stay)| stay.bin.as_ref() == Some(bin) && stay.from <= until && stay.until > from).collect()
    }

    /// The site with every probe where it is at `now`.
    pub fn site_at(&self, site: &Site, now: Timestamp) -> Site {
        let mut site = site.clone();
        for (probe, stays) in &self.placed {
            if let Some(stay) = stays.iter().rev().find(|stay| stay.from <= now) {
                site.place(probe, stay);
            }
        }
        site
    }
}

/// What is to be added to a reading, K: the correction of the last of these checks before it; they stand in the order of time.
pub fn correction(checks: &[Check], at: Timestamp) -> f64 {
    checks.iter().rev().find(|check| check.at <= at).map_or(0.0, |check| check.correction.0)
}

impl Site {
    /// Puts a probe of the settings where a stay says; others are left alone.
    fn place(&mut self, id: &ProbeId, stay: &Stay) {
        let Some(probe) = self.probes.get_mut(id) else { return };
        (probe.position, probe.depth) = (stay.position, stay.depth.or(probe.depth));
        if probe.bin == stay.bin {
            return;
        }
        let before = std::mem::replace(&mut probe.bin, stay.bin.clone());
        if let Some(bin) = before.and_then(|bin| self.bins.get_mut(&bin)) {
            bin.probes.retain(|other| other != id);
        }
        if let Some(bin) = stay.bin.as_ref().and_then(|bin| self.bins.get_mut(bin)) {
            bin.probes.push(id.clone());
        }
    }
}
