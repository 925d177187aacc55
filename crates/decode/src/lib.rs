//! Turns a topic and the bytes of a payload into readings of the site's probes and blowers.
//!
//! Must never know a broker, a file or a clock: the time of intake is an argument, and every fault goes out as a value.

mod fault;
mod instant;
mod json;
mod number;
mod panel;
mod router;

pub use panel::{Named, Seen, Written};
pub use router::{Decoded, GatewayWord, Retained, Router};

/// The longest payload that is read, in bytes; a longer one is refused unread (our own bound: a pack of 300 bins with eight probes
/// each takes about 100 kB).
pub const PAYLOAD_BYTES_MAX: usize = 256 * 1024;
/// The longest topic that is read, in bytes; MQTT itself allows 65,535 (our own bound).
pub const TOPIC_BYTES_MAX: usize = 1_024;
/// How many characters of a topic a refusal keeps.
pub const TOPIC_CHARS_KEPT: usize = 200;
/// How many bytes of a payload a refusal keeps.
pub const PAYLOAD_BYTES_KEPT: usize = 500;
