//! The site as described by its people: bins, blowers, probes, batches, entries, and the settings text they come from.
//!
//! Must never open anything itself: text comes in as an argument, faults go out as values.

#![cfg_attr(test, allow(clippy::unwrap_used))]

pub mod access;
pub mod batches;
pub mod bounds;
pub mod criteria;
pub mod dose;
pub mod entry;
pub mod ids;
pub mod instruments;
pub mod judge;
pub mod measure;
pub mod model;
pub mod names;
pub mod plain;
pub mod plausible;
pub mod quantity;
pub mod reading;
pub mod recipe;
pub mod settings;
pub mod spoken;
pub mod zone;
