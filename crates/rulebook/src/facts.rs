//! What a rule may know about one bin at one tick.
//!
//! Must never hold a value that was not measured or written by a person by the time of the tick: no zero stands in for the unknown.

use std::sync::Arc;

use pile::above::Above;
use pile::time::{Span, Timestamp};
use pile::window::Window;
use site::entry::{Batch, Entry};
use site::ids::{BinId, BlowerId, ProbeId};
use site::model::{BlowerSchedule, Display, Position, RunProof};
use site::quantity::Quantity;

/// Everything a rule may ask about, gathered before it runs, all at one reference time.
#[derive(Clone, Debug)]
pub struct Facts {
    /// The bin that is judged.
    pub bin: BinId,
    /// The time of the tick.
    pub at: Timestamp,
    /// Units in which findings are worded.
    pub display: Display,
    /// Every signal of the bin, then the site-wide ones (ambient air, room air), in the order of the settings.
    pub signals: Vec<Signal>,
    /// The batch in the bin, if there is one.
    pub batch: Option<Batch>,
    /// The bin's entries since its batch went on air, oldest first; without a batch, those of the last 30 days.
    pub entries: Arc<Vec<Entry>>,
    /// The blower that serves the bin.
    pub blower: Option<BlowerFacts>,
    /// How long the daemon has watched without a break: rules on silence give grace after a start or a clock jump.
    pub watching: Span,
}

/// One probe's one quantity.
#[derive(Clone, Debug)]
pub struct Signal {
    /// The probe.
    pub probe: ProbeId,
    /// Where it sits.
    pub position: Position,
    /// What it measures.
    pub quantity: Quantity,
    /// The longest time between two readings when all is well.
    pub interval: Span,
    /// Its good readings.
    pub window: Arc<Window>,
    /// When anything at all came from it last, good or not.
    pub heard_at: Option<Timestamp>,
    /// How many readings in a row were suspect or bad, up to the newest.
    pub bad_in_a_row: u32,
    /// The newest of those.
    pub last_bad: Option<(Timestamp, f64)>,
    /// Running accounts of time above thresholds since the batch went on air, one a threshold; temperature only.
    pub above: Arc<Vec<Above>>,
}

/// The blower that serves the bin.
#[derive(Clone, Debug)]
pub struct BlowerFacts {
    /// Its id.
    pub blower: BlowerId,
    /// When it is meant to run.
    pub schedule: BlowerSchedule,
    /// How we know that it runs.
    pub proof: RunProof,
    /// Whether every pulse shows in the proof signal.
    pub countable: bool,
    /// The longest time between two readings of the proof signal when all is well.
    pub interval: Span,
    /// The proof signal's good readings: run seconds for a run counter.
    pub window: Option<Arc<Window>>,
    /// Opening of the bin's valve in percent as last written, 100 when nobody wrote anything.
    pub valve_percent: f64,
}
