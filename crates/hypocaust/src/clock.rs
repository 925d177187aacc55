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
    /// Steps forward that were followed and not told yet, in milliseconds.
    followed: AtomicI64,
    /// How far the wall clock was behind ours when that was last told, in milliseconds.
    behind: AtomicI64,
}

/// The machine's clock was set.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ClockStep {
    /// By how much; negative for back.
    pub by: Span,
    /// Whether `now` went along; it never goes back.
    pub followed: bool,
}

/// A wall clock that is ahead by more than this was set forward, and is believed.
const ADOPT_AHEAD: Span = Span::seconds(2);

impl Clock {
    /// The machine's time.
    pub fn live() -> Clock {
        Clock::Live(Arc::new(LiveClock {
            offset: AtomicI64::new(wall_millis() - boot_millis()),
            followed: AtomicI64::new(0),
            behind: AtomicI64::new(0),
        }))
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
                    clock.followed.fetch_add(ahead, Ordering::Relaxed);
                    tracing::info!("the machine's clock was set forward by {}; following it", Span::millis(ahead));
                    return Timestamp::from_millis(ours + ahead);
                }
                Timestamp::from_millis(ours)
            }
            Clock::Driven(now) => *now.borrow(),
        }
    }

    /// By how much the machine's clock is behind ours: it was set back, and that was not followed. Zero where the clock is driven.
    pub fn behind(&self) -> Span {
        let Clock::Live(clock) = self else { return Span::ZERO };
        Span::millis(boot_millis() + clock.offset.load(Ordering::Relaxed) - wall_millis())
    }

    /// How the machine's clock was set since this was last asked, forward before back; `None` where it was not.
    pub fn step(&self) -> Option<ClockStep> {
        let Clock::Live(clock) = self else { return None };
        let followed = clock.followed.swap(0, Ordering::Relaxed);
        if followed != 0 {
            return Some(ClockStep { by: Span::millis(followed), followed: true });
        }
        let behind = self.behind().as_millis();
        let more = behind - clock.behind.load(Ordering::Relaxed);
        if more.abs() <= ADOPT_AHEAD.as_millis() {
            return None;
        }
        clock.behind.store(behind, Ordering::Relaxed);
        Some(ClockStep { by: Span::millis(-more), followed: false })
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
