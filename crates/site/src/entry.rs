//! What people write in the site's log, and the batches that follow from it.
//!
//! Must never be overwritten: a correction is a new entry.

use std::fmt;

use pile::time::{Span, Timestamp};
use pile::units::{Celsius, Kilograms, Litres};

use crate::ids::BinId;

/// One line of the log, about one bin.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    /// When it happened, as the person says.
    pub at: Timestamp,
    /// Which bin it is about.
    pub bin: BinId,
    /// What happened.
    pub kind: EntryKind,
    /// Who says so.
    pub by: String,
    /// Anything else worth keeping; may be empty.
    pub note: String,
}

/// What happened.
#[derive(Clone, Debug, PartialEq)]
pub enum EntryKind {
    /// The bin was filled and its air switched on: a batch begins.
    OnAir {
        /// Temperature of the material when it was loaded, where somebody measured it.
        loaded_at: Option<Celsius>,
        /// What was filled in, where somebody wrote it down.
        filling: Option<Filled>,
    },
    /// The air was switched off for good: the batch leaves the hot stage.
    OffAir,
    /// Water was added.
    Watered {
        /// How long the hose ran, in minutes.
        minutes: Option<f64>,
        /// How much went in.
        litres: Option<Litres>,
    },
    /// A sample was dried and its moisture found.
    Sampled {
        /// Moisture in percent of the wet mass, 2 to 95.
        moisture_percent: f64,
        /// How well that stands for the whole bin: one standard deviation in percent of the wet mass, 0.1 to 30.
        sd_percent: f64,
    },
    /// The bin's valve was set.
    Valve {
        /// Opening in percent, 0 closed to 100 open.
        open_percent: f64,
    },
    /// The probes were pulled out of the material.
    ProbesOut,
    /// The probes were put back into the material.
    ProbesBack,
    /// The bin was opened, or its material uncovered.
    Opened,
    /// The material was turned or remixed.
    Turned,
    /// The blower's schedule or the way of its air was changed.
    AirChanged,
    /// Something worth keeping, in the words of the note.
    Note,
}

/// What went into a bin; the water account begins with it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Filled {
    /// Its mass, water included.
    pub wet_mass: Kilograms,
    /// It was weighed, and not worked out from volume and density.
    pub weighed: bool,
    /// Moisture in percent of the wet mass, where it is known.
    pub moisture_percent: Option<f64>,
    /// The share of the dry mass that can decay, in percent, where it is known.
    pub degradable_percent: Option<f64>,
}

/// Every kind that says all it has to say by its name.
pub const PLAIN: [EntryKind; 6] = [
    EntryKind::ProbesOut,
    EntryKind::ProbesBack,
    EntryKind::Opened,
    EntryKind::Turned,
    EntryKind::AirChanged,
    EntryKind::Note,
];

/// The word of every kind.
pub const ENTRY_WORDS: [&str; 11] = [
    "on-air",
    "off-air",
    "watered",
    "sampled",
    "valve",
    "probes-out",
    "probes-back",
    "opened",
    "turned",
    "air-changed",
    "note",
];

/// Readings of a probe in the material count again this long after it was put back: it first has to warm up
/// (common practice, no source).
pub const PROBES_SETTLE: Span = Span::minutes(60);

/// A number that names one batch for ever.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct BatchId(pub u64);

/// What becomes of a batch over its life.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Stage {
    /// Air is blown through it.
    OnAir,
    /// Its air is off; it has left the hot stage.
    OffAir,
}

/// One lot of material and its time in a bin.
#[derive(Clone, Debug, PartialEq)]
pub struct Batch {
    /// Its number.
    pub id: BatchId,
    /// The bin it is in.
    pub bin: BinId,
    /// When its air was switched on.
    pub on_air_at: Timestamp,
    /// When its air was switched off, if it was.
    pub off_air_at: Option<Timestamp>,
    /// Temperature of the material when it was loaded, where somebody measured it.
    pub loaded_at: Option<Celsius>,
}

impl EntryKind {
    /// The word that stores, listings and rules use.
    pub fn key(&self) -> &'static str {
        match self {
            EntryKind::OnAir { .. } => "on-air",
            EntryKind::OffAir => "off-air",
            EntryKind::Watered { .. } => "watered",
            EntryKind::Sampled { .. } => "sampled",
            EntryKind::Valve { .. } => "valve",
            EntryKind::ProbesOut => "probes-out",
            EntryKind::ProbesBack => "probes-back",
            EntryKind::Opened => "opened",
            EntryKind::Turned => "turned",
            EntryKind::AirChanged => "air-changed",
            EntryKind::Note => "note",
        }
    }

    /// The kind of this word, where the word alone says it.
    pub fn plain(word: &str) -> Option<EntryKind> {
        PLAIN.into_iter().find(|kind| kind.key() == word)
    }
}

/// When the probes of a bin were not in its material, warming up afterwards included: from, and until, which lies in the
/// distance while they are out. The entries are those of one bin in the order of their times.
pub fn probes_out(entries: &[Entry]) -> Vec<(Timestamp, Timestamp)> {
    let mut out: Vec<(Timestamp, Timestamp)> = vec![];
    for entry in entries {
        match (&entry.kind, out.last_mut()) {
            (EntryKind::ProbesOut, Some(last)) if entry.at <= last.1 => last.1 = Timestamp::MAX,
            (EntryKind::ProbesOut, _) => out.push((entry.at, Timestamp::MAX)),
            (EntryKind::ProbesBack, Some(last)) if last.1 == Timestamp::MAX => last.1 = entry.at + PROBES_SETTLE,
            _ => {}
        }
    }
    out
}

impl Batch {
    /// The stage it is in at `now`.
    pub fn stage(&self, now: Timestamp) -> Stage {
        match self.off_air_at {
            Some(at) if at <= now => Stage::OffAir,
            _ => Stage::OnAir,
        }
    }
}

impl fmt::Display for BatchId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_word_is_in_the_list_and_plain_ones_lead_back_to_their_kind() {
        for kind in PLAIN {
            assert!(ENTRY_WORDS.contains(&kind.key()), "{kind:?}");
            assert_eq!(EntryKind::plain(kind.key()), Some(kind));
        }
        assert_eq!(EntryKind::plain("watered"), None, "its amount belongs to it");
    }

    #[test]
    fn probes_are_out_until_an_hour_after_they_are_back() {
        let at = |hours: i64| Timestamp::from_millis(0) + Span::hours(hours);
        let (out, back, never) = (EntryKind::ProbesOut, EntryKind::ProbesBack, Timestamp::MAX);
        for (entries, want, why) in [
            (vec![], vec![], "they are in"),
            (vec![(2, &out)], vec![(at(2), never)], "they are out"),
            (vec![(2, &out), (5, &back)], vec![(at(2), at(6))], "they warm up for an hour"),
            (vec![(5, &back)], vec![], "they were never out"),
            (vec![(2, &out), (3, &out), (5, &back)], vec![(at(2), at(6))], "written twice"),
            (vec![(2, &out), (5, &back), (7, &back)], vec![(at(2), at(6))], "back once is back"),
            (vec![(2, &out), (5, &back), (8, &out)], vec![(at(2), at(6)), (at(8), never)], "out again"),
        ] {
            let entry = |(hours, kind): &(i64, &EntryKind)| Entry {
                at: at(*hours),
                bin: BinId::new("b").unwrap_or_else(|_| unreachable!("`b` is a name")),
                kind: (*kind).clone(),
                by: String::new(),
                note: String::new(),
            };
            let entries: Vec<Entry> = entries.iter().map(entry).collect();
            assert_eq!(probes_out(&entries), want, "{why}");
        }
    }
}
