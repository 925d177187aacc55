//! How many files and connections the process may have open, and what each door may take of them.
//!
//! Must never let one door take what another needs: a mail that cannot be sent for want of a descriptor is an alarm that nobody hears.

use std::io;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use rustix::process::{Resource, Rlimit, getrlimit, setrlimit};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};

/// What is asked for where the system allows more: twice the connections that the broker inside may have, and room.
const WANTED: u64 = 4_096;
/// Half of it is the most connections that the broker inside has, and the rest must do for everything else.
const LOW: u64 = 2_048;
/// After a connection could not be taken.
const AGAIN: Duration = Duration::from_millis(200);
/// The same trouble is told no more often than this.
const TELL_AGAIN: Duration = Duration::from_secs(60);

/// Raises the limit of this process as far as it may and is wanted; gives how many connections the broker inside may have.
pub(crate) fn for_the_broker() -> usize {
    let found = getrlimit(Resource::Nofile);
    // `None` is no limit at all.
    let may = found.maximum.unwrap_or(u64::MAX);
    let has = found.current.unwrap_or(u64::MAX);
    let limit = if has < WANTED && has < may {
        let raised = Rlimit { current: Some(WANTED.min(may)), maximum: found.maximum };
        if setrlimit(Resource::Nofile, raised).is_ok() { WANTED.min(may) } else { has }
    } else {
        has
    };
    if limit < LOW {
        tracing::warn!(
            "this process may open {limit} files and connections at once; the broker inside then takes {} connections at the most: set \
             `LimitNOFILE={WANTED}` in the unit, or start it after `ulimit -n {WANTED}`",
            limit / 2
        );
    }
    usize::try_from(limit / 2).unwrap_or(usize::MAX)
}

/// How many connections a door may have at once, and when its trouble was told.
#[derive(Debug)]
pub(crate) struct Budget {
    seats: Arc<Semaphore>,
    told: Mutex<Option<Instant>>,
}

impl Budget {
    pub(crate) fn new(connections: usize) -> Budget {
        Budget { seats: Arc::new(Semaphore::new(connections)), told: Mutex::new(None) }
    }

    /// A seat for one connection, to be kept as long as it lasts; `None` where all are taken.
    pub(crate) fn seat(&self) -> Option<OwnedSemaphorePermit> {
        Arc::clone(&self.seats).try_acquire_owned().ok()
    }

    /// A connection could not be taken, as a rule because too many files are open: told now and then, and tried again.
    pub(crate) async fn not_taken(&self, door: &str, source: &io::Error) {
        let due = {
            let mut told = self.told.lock().unwrap_or_else(PoisonError::into_inner);
            let due = told.is_none_or(|at| at.elapsed() >= TELL_AGAIN);
            if due {
                *told = Some(Instant::now());
            }
            due
        };
        if due {
            tracing::warn!(
                "{door} could not take a connection ({source}) and tries again; if it says that too many files are open, raise \
                 `LimitNOFILE=` of the service, or `ulimit -n`"
            );
        }
        tokio::time::sleep(AGAIN).await;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_budget_has_an_end_and_seats_come_back() {
        let budget = Budget::new(2);
        let (first, second) = (budget.seat(), budget.seat());
        assert!(first.is_some() && second.is_some() && budget.seat().is_none());
        drop(first);
        assert!(budget.seat().is_some());
    }
}
