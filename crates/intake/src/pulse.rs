//! A sign that the intake works, whether or not a message comes.
//!
//! Must never beat from anywhere but the work itself: the loop that polls the broker, or a connection that the broker inside took.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

/// Counts up while messages could come in: at every turn of the loop that polls a broker elsewhere (its link is probed every
/// [`crate::limits::KEEP_ALIVE_SECONDS`]; attempts to connect count too), and with every connection that the broker inside takes from us
/// (every [`crate::limits::KNOCK_EVERY`]).
#[derive(Clone, Debug, Default)]
pub struct Pulse(Arc<AtomicU64>);

impl Pulse {
    /// How often it has beaten.
    pub fn beats(&self) -> u64 {
        self.0.load(Ordering::Relaxed)
    }

    /// One more.
    pub fn beat(&self) {
        self.0.fetch_add(1, Ordering::Relaxed);
    }
}
