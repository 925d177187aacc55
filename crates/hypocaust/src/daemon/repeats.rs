//! Warnings that one cause brings for many bins or series: the first in full, the others counted, with a few names.
//!
//! Must never hide a cause: what is told later is that it was so for others too, within half a minute.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

/// Names that are told of those that were counted.
const NAMED: usize = 3;
/// Causes that are told apart; with more of them, each is told by itself.
const CAUSES_MAX: usize = 100;

/// What was warned of since the start.
#[derive(Clone, Debug, Default)]
pub(super) struct Repeats(Arc<Mutex<BTreeMap<String, Counted>>>);

/// Those that were not told one by one.
#[derive(Debug, Default)]
struct Counted {
    names: Vec<String>,
    more: usize,
}

impl Repeats {
    /// Whether this cause is to be told now, for this one; otherwise it is counted.
    pub(super) fn is_first(&self, cause: &str, name: &str) -> bool {
        let mut known = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if !known.contains_key(cause) && known.len() < CAUSES_MAX {
            known.insert(cause.to_owned(), Counted::default());
            return true;
        }
        let Some(counted) = known.get_mut(cause) else { return true };
        counted.more += 1;
        if counted.names.len() < NAMED {
            counted.names.push(name.to_owned());
        }
        false
    }

    /// One line for each cause that others had too since this was last asked.
    pub(super) fn others(&self) -> Vec<String> {
        let mut known = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let told = known.iter_mut().filter(|(_, counted)| counted.more > 0);
        told.map(|(cause, counted)| {
            let Counted { names, more } = std::mem::take(counted);
            let others = if more > names.len() { " and others" } else { "" };
            format!("{cause}: the same for {more} more: {}{others}", names.join(", "))
        })
        .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cause_is_told_once_and_then_counted() {
        let repeats = Repeats::default();
        assert!(repeats.is_first("the store is damaged", "b1"));
        assert!(repeats.others().is_empty(), "one alone is told");
        let told: Vec<bool> = (2..=300).map(|n| repeats.is_first("the store is damaged", &format!("b{n}"))).collect();
        assert!(told.iter().all(|told| !told));
        assert!(repeats.is_first("another cause", "b1"));
        assert_eq!(repeats.others(), ["the store is damaged: the same for 299 more: b2, b3, b4 and others"]);
        assert!(repeats.others().is_empty(), "told once");
        assert!(!repeats.is_first("the store is damaged", "b9"), "the cause is known");
        assert_eq!(repeats.others(), ["the store is damaged: the same for 1 more: b9"]);
        for n in 0..2 * CAUSES_MAX {
            assert!(repeats.is_first(&format!("cause {n}"), "b1"), "none is hidden, however many there are");
        }
    }
}
