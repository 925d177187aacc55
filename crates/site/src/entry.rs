//! What people write in the site's log, and the batches that follow from it.
//!
//! Must never be overwritten: a correction is a new entry.

use std::fmt;

use pile::time::Timestamp;
use pile::units::{Celsius, Litres};

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
    /// The bin's valve was set.
    Valve {
        /// Opening in percent, 0 closed to 100 open.
        open_percent: f64,
    },
}

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
            EntryKind::Valve { .. } => "valve",
        }
    }
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
