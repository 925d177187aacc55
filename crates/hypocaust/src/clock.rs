//! The one place that reads a clock: the wall time at start plus the time that the kernel says has passed since.
//!
//! Must never run backwards, and never be read by anything that a replay runs too.

use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use pile::time::{Span, Timestamp};
use tokio::sync::watch;

/// What supplies `now`.
#[derive(Clone, Debug)]
pub enum Clock {
    /// The machine's time.
    Live(Arc<LiveClock>),
    /// A time that somebody sets: the demo, tests.
    Driven(watch::Receiver<Timestamp>),
}

/// Wall time at the start plus CLOCK_BOOTTIME, which goes on while the machine sleeps and never jumps.
#[derive(Debug)]
pub struct LiveClock {
    /// What to add to the boot clock, in milliseconds; grows when the wall clock is set forward.
    offset: AtomicI64,
}

/// A wall clock that is ahead by more than this was set forward, and is believed.
const ADOPT_AHEAD: Span = Span::seconds(2);

impl Clock {
    /// The machine's time.
    pub fn live() -> Clock {
        Clock::Live(Arc::new(LiveClock { offset: AtomicI64::new(wall_millis() - boot_millis()) }))
    }

    /// Now.
    ///
    /// A wall clock that was set back is not followed: time that was already lived through cannot come again.
    pub fn now(&self) -> Timestamp {
        match self {
            Clock::Live(clock) => {
                let ours = boot_millis() + clock.offset.load(Ordering::Relaxed);
                let ahead = wall_millis() - ours;
                if ahead > ADOPT_AHEAD.as_millis() {
                    clock.offset.fetch_add(ahead, Ordering::Relaxed);
                    tracing::info!("the machine's clock was set forward by {}; following it", Span::millis(ahead));
                    return Timestamp::from_millis(ours + ahead);
                }
                Timestamp::from_millis(ours)
            }
            Clock::Driven(now) => *now.borrow(),
        }
    }

    /// Waits until `at`, or for ever without one; a driven clock is waited for, not slept through.
    pub async fn until(&mut self, at: Option<Timestamp>) {
        let Some(at) = at else { return std::future::pending().await };
        match self {
            Clock::Live(_) => {
                let wait = at.since(self.now()).as_millis().max(0);
                tokio::time::sleep(Duration::from_millis(wait.unsigned_abs())).await;
            }
            Clock::Driven(now) => {
                if now.wait_for(|now| *now >= at).await.is_err() {
                    std::future::pending::<()>().await;
                }
            }
        }
    }
}

#[expect(clippy::disallowed_methods, reason = "this is the one place that reads the wall clock")]
fn wall_millis() -> i64 {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    i64::try_from(since.as_millis()).unwrap_or(i64::MAX)
}

fn boot_millis() -> i64 {
    let t = rustix::time::clock_gettime(rustix::time::ClockId::Boottime);
    t.tv_sec * 1_000 + t.tv_nsec / 1_000_000
}
