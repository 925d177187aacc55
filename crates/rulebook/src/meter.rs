//! Counts what a judgement costs, in steps: those of the script, and what our own words charge on top of them.
//!
//! Must never count time, nor be read by two judgements at once.

use std::sync::atomic::{AtomicU64, Ordering::Relaxed};

use rhai::{Array, Dynamic, ImmutableString, Map};

use crate::fact::Trouble;
use crate::limits;

/// The meter of one script engine; it is set to nothing before each judgement.
#[derive(Debug, Default)]
pub(crate) struct Meter {
    script: AtomicU64,
    charged: AtomicU64,
}

/// The token by which the host recognises a judgement that the meter ended.
#[derive(Clone, Copy, Debug)]
pub(crate) struct UsedUp;

impl Meter {
    /// A judgement begins.
    pub(crate) fn begin(&self) {
        self.script.store(0, Relaxed);
        self.charged.store(0, Relaxed);
    }

    /// The script has taken so many steps; whether that is all it may.
    pub(crate) fn script_at(&self, steps: u64) -> bool {
        self.script.store(steps, Relaxed);
        self.spent() > limits::OPERATIONS
    }

    /// Adds to the bill; it is looked at before the script's next step. For words that cost little each.
    pub(crate) fn spend(&self, steps: u64) {
        self.charged.store(self.charged.load(Relaxed).saturating_add(steps), Relaxed);
    }

    /// Adds to the bill before the work is done.
    pub(crate) fn charge(&self, steps: u64) -> Result<(), Trouble> {
        self.spend(steps);
        if self.spent() > limits::OPERATIONS { Err(Trouble::TooMuch) } else { Ok(()) }
    }

    /// What the judgement has cost so far.
    pub(crate) fn spent(&self) -> u64 {
        self.charged.load(Relaxed).saturating_add(self.script.load(Relaxed))
    }
}

/// Steps for copying a value, as the script engine does with every variable that is named: nothing for what is one word long.
pub(crate) fn copying(value: &Dynamic) -> u64 {
    if value.is_array() || value.is_map() || value.is_string() { size(value) / limits::COPIED_A_STEP } else { 0 }
}

/// How much there is to copy in a value. Lists within lists are no deeper than the script engine lets them become.
fn size(value: &Dynamic) -> u64 {
    if let Some(list) = value.read_lock::<Array>() {
        return list.iter().fold(1, |sum, item| sum + size(item));
    }
    if let Some(map) = value.read_lock::<Map>() {
        return map.values().fold(1, |sum, item| sum + 4 + size(item));
    }
    if let Some(text) = value.read_lock::<ImmutableString>() {
        return 2 + text.len() as u64 / 64;
    }
    let word = value.is_int() || value.is_float() || value.is_bool() || value.is_char() || value.is_unit();
    // A bin, a probe, a fact: it has a place of its own in memory.
    if word { 1 } else { 8 }
}
