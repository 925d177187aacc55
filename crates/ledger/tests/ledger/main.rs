//! What the ledger promises to the daemon: what was committed comes back, whole, whatever happened in between.
//!
//! Must never share a data folder between two tests.
#![allow(clippy::unwrap_used)]

mod broken;
mod columns;
mod copies;
mod copying;
mod dice;
mod faults;
mod hostile;
mod kill;
mod packing;
mod power;
mod promises;
mod record;

use engine::effect::Effect;
use ledger::{Access, Ledger, ReadingFilter, ReadingRow};
use pile::time::{Span, Timestamp};
use site::ids::ProbeId;
use site::quantity::Quantity;
use site::reading::{Quality, Reading, SeriesId, Source, TimeSource};
use tempfile::TempDir;

/// Tuesday 10 March 2026, 06:00 UTC.
const NOW: Timestamp = Timestamp::from_millis(1_773_122_400_000);

fn fresh() -> (TempDir, Ledger) {
    let folder = tempfile::tempdir().unwrap();
    let ledger = Ledger::open(folder.path(), Access::Write).unwrap();
    (folder, ledger)
}

fn core(name: &str) -> SeriesId {
    SeriesId { source: Source::Probe(ProbeId::new(name).unwrap()), quantity: Quantity::Temperature }
}

/// A good reading of a core probe, so many minutes before [`NOW`].
fn reading(name: &str, minutes_ago: i64, value: f64) -> Effect {
    let measured_at = NOW - Span::minutes(minutes_ago);
    let received_at = measured_at + Span::millis(730);
    let reading = Reading {
        series: core(name),
        measured_at,
        received_at,
        value,
        time_source: TimeSource::Device,
        retained: false,
    };
    Effect::Store { reading, quality: Quality::Good, reason: String::new() }
}

fn all_readings(ledger: &Ledger) -> Vec<ReadingRow> {
    let mut out = Vec::new();
    ledger.readings(&ReadingFilter::default(), &mut |row| out.push(row)).unwrap();
    out
}

/// The whole chain of an error, as `main` prints it.
fn chain(error: &dyn std::error::Error) -> String {
    let mut text = error.to_string();
    let mut next = error.source();
    while let Some(cause) = next {
        text.push_str(&format!("\n{cause}"));
        next = cause.source();
    }
    text
}
