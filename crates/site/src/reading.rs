//! One measured value on its way from a payload to the store.
//!
//! Must never hold an infinite value or one that is not a number: the decoder refuses them.

use std::fmt;

use pile::time::Timestamp;

use crate::ids::{BlowerId, ProbeId};
use crate::quantity::Quantity;

/// What sends readings: ids of probes and blowers share one namespace at a site.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Source {
    /// A probe in or near a pile.
    Probe(ProbeId),
    /// A blower that reports its own running.
    Blower(BlowerId),
}

/// One stream of comparable values.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SeriesId {
    /// Who sends it.
    pub source: Source,
    /// What it measures.
    pub quantity: Quantity,
}

/// Where the time of a reading comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TimeSource {
    /// The payload carried it.
    Device,
    /// The payload carried none: the time of intake stands in.
    Intake,
    /// The payload carried a time that is too early, not readable as one, or back behind its own earlier ones once the machine's clock was
    /// set back: the time of intake stands in.
    DeviceClockWrong,
    /// The payload carried a time more than five minutes ahead: the time of intake stands in.
    DeviceClockAhead,
}

/// One value of one series, converted to the canonical unit, not yet judged.
#[derive(Clone, Debug, PartialEq)]
pub struct Reading {
    /// Which series it belongs to.
    pub series: SeriesId,
    /// When it was measured, as far as is known.
    pub measured_at: Timestamp,
    /// When it came in, by our intake clock.
    pub received_at: Timestamp,
    /// The value in the canonical unit of the quantity; always finite.
    pub value: f64,
    /// Where `measured_at` comes from.
    pub time_source: TimeSource,
    /// The broker had kept it (MQTT retain); it has its own time, or it would have been refused.
    pub retained: bool,
}

/// Whether a reading may be believed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Quality {
    /// Nothing speaks against it.
    Good,
    /// It looks like an instrument's own code value, such as 85.0 °C at power-on; kept, not judged.
    Suspect,
    /// It cannot be true: outside the instrument's range, or a known fault code; kept, not judged.
    Bad,
}

/// A payload that gave no reading, kept with the reason.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Refusal {
    /// When it came in.
    pub received_at: Timestamp,
    /// The topic, control characters escaped, cut to 200 characters.
    pub topic: String,
    /// The first 500 bytes of the payload, escaped where they are not text.
    pub payload_head: String,
    /// The payload's whole length in bytes.
    pub payload_bytes: usize,
    /// Why, with the next step.
    pub reason: String,
}

impl Source {
    /// The id as text, unique over probes and blowers of a site.
    pub fn as_str(&self) -> &str {
        match self {
            Source::Probe(id) => id.as_str(),
            Source::Blower(id) => id.as_str(),
        }
    }
}

impl fmt::Display for SeriesId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}/{}", self.source.as_str(), self.quantity.key())
    }
}

impl Quality {
    /// The word that stores and listings use.
    pub fn key(self) -> &'static str {
        match self {
            Quality::Good => "good",
            Quality::Suspect => "suspect",
            Quality::Bad => "bad",
        }
    }
}
