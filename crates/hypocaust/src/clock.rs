//! The one place that reads a clock: the wall time at start plus the time that the kernel says has passed since.
//!
//! Must never run backwards, never stand still, and never be read by anything that a replay runs too.
//!
//! A wall clock that is set forward is followed. One that is set back is not: `now` goes on with the time that passes, a tenth slower,
//! until the two meet ([`Course`]). How far the wall clock is behind goes to the engine as an input.

use std::path::Path;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use engine::limits::{
    CLOCK_AGREES_WITHIN as AGREES_WITHIN, CLOCK_GIVES_BACK_ONE_IN as GIVES_BACK_ONE_IN,
    CLOCK_WAITED_FOR_MOST as WAITED_FOR_MOST,
};
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
pub struct LiveClock(Mutex<Course>);

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
/// 2026-01-01T00:00:00Z, before this program was made: a wall clock that shows an earlier time was never set.
pub const MADE_AFTER: Timestamp = Timestamp::from_millis(1_767_225_600_000);
/// 2100-01-01T00:00:00Z: a wall clock that shows a later time is broken.
const WORKS_UNTIL: Timestamp = Timestamp::from_millis(4_102_444_800_000);
/// A start waits so long for a clock that is not set, or not synchronised yet, before it goes on in doubt.
pub const SET_WITHIN: Duration = Duration::from_secs(30);
/// From one look at a clock that is waited for to the next.
const LOOKED_AT_EVERY: Duration = Duration::from_millis(250);
/// Where systemd-timesyncd says that it looks after the clock, and in it that the clock was set (systemd-timesyncd.service(8)).
const TIMESYNC_FOLDER: &str = "/run/systemd/timesync";

/// How `now` follows from two clocks: the boot clock, which only goes on, and the wall clock, which anybody may set.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Course {
    /// The boot clock when the course last changed.
    boot: i64,
    /// `now` at that time.
    ours: i64,
    /// By how much the wall clock was behind at that time and is waited for; 0 where it is not.
    gives_back: i64,
    /// By how much the wall clock was behind when that was last looked at; `None` where it shows a time that cannot be.
    behind: Option<i64>,
    /// Steps forward that were followed and not told yet.
    followed: i64,
    /// How far the wall clock was behind when that was last told.
    told: i64,
}

impl Course {
    /// Begins at the wall clock's time, or at `not_before` where that is later; all in milliseconds.
    fn begin(boot: i64, wall: i64, not_before: i64) -> Course {
        let ours = if can_be(wall) { wall.max(not_before) } else { not_before.max(MADE_AFTER.as_millis()) };
        let mut course = Course { boot, ours, gives_back: 0, behind: None, followed: 0, told: 0 };
        course.turn(boot, wall, ours);
        course
    }

    /// `now` for these two clocks.
    fn at(&mut self, boot: i64, wall: i64) -> i64 {
        let passed = boot.saturating_sub(self.boot).max(0);
        let ours = self.ours.saturating_add(passed - (passed / GIVES_BACK_ONE_IN).min(self.gives_back));
        if !can_be(wall) {
            if self.behind.is_some() {
                self.turn(boot, wall, ours);
            }
            return ours;
        }
        let ahead = wall.saturating_sub(ours);
        if ahead > ADOPT_AHEAD.as_millis() {
            self.followed = self.followed.saturating_add(ahead);
            self.turn(boot, wall, wall);
            return wall;
        }
        // Where the wall clock goes another way than this course foresaw, the course begins anew from here.
        let foreseen = self.gives_back - (passed / GIVES_BACK_ONE_IN).min(self.gives_back);
        let drift = ahead.saturating_neg().max(0).saturating_sub(foreseen);
        if self.behind.is_none()
            || drift.saturating_abs() > ADOPT_AHEAD.as_millis() / 2 && waited_for(-ahead) != foreseen
        {
            self.turn(boot, wall, ours);
        }
        self.behind = Some((-ahead).max(0));
        ours
    }

    fn turn(&mut self, boot: i64, wall: i64, ours: i64) {
        self.boot = boot;
        self.ours = ours;
        self.behind = can_be(wall).then(|| ours.saturating_sub(wall).max(0));
        self.gives_back = self.behind.map_or(0, waited_for);
    }

    /// How the wall clock was set since this was last asked, forward before back.
    fn step(&mut self) -> Option<ClockStep> {
        let followed = std::mem::take(&mut self.followed);
        if followed != 0 {
            self.told = self.behind.unwrap_or(self.told).min(self.told);
            return Some(ClockStep { by: Span::millis(followed), followed: true });
        }
        let behind = self.behind?;
        let more = behind.saturating_sub(self.told);
        // What shrinks is the course itself; only the end of it is a new state to start from.
        self.told = if more > ADOPT_AHEAD.as_millis() { behind } else { self.told.min(behind) };
        (more > ADOPT_AHEAD.as_millis()).then_some(ClockStep { by: Span::millis(-more), followed: false })
    }
}

/// A time that a working clock can show.
fn can_be(wall: i64) -> bool {
    (MADE_AFTER.as_millis()..WORKS_UNTIL.as_millis()).contains(&wall)
}

/// What of a lag is worked off.
fn waited_for(behind: i64) -> i64 {
    if (0..=WAITED_FOR_MOST.as_millis()).contains(&behind) { behind } else { 0 }
}

impl Clock {
    /// The machine's time.
    pub fn live() -> Clock {
        Clock::not_before(Timestamp::MIN)
    }

    /// The machine's time, or a later one where that was lived through already: a wall clock that was set back while nobody watched is
    /// treated as one that is set back later. One that is behind by more than a week is believed, for then the clock of the
    /// time before was wrong.
    pub fn not_before(lived: Timestamp) -> Clock {
        let (wall, lived) = (wall_millis(), lived.as_millis());
        let wrong = !can_be(lived) || can_be(wall) && lived.saturating_sub(wall) > WAITED_FOR_MOST.as_millis();
        let not_before = if wrong { i64::MIN } else { lived };
        Clock::Live(Arc::new(LiveClock(Mutex::new(Course::begin(boot_millis(), wall, not_before)))))
    }

    /// Now.
    ///
    /// A wall clock that was set back is not followed: time that was already lived through cannot come again.
    pub fn now(&self) -> Timestamp {
        match self {
            Clock::Live(clock) => {
                let mut course = clock.course();
                let before = course.followed;
                let now = course.at(boot_millis(), wall_millis());
                let by = course.followed - before;
                drop(course);
                if by != 0 {
                    tracing::info!("the machine's clock was set forward by {}; following it", Span::millis(by));
                }
                Timestamp::from_millis(now)
            }
            Clock::Driven(now) => *now.borrow(),
        }
    }

    /// By how much the machine's clock is behind ours: it was set back, and that was not followed. Zero where the clock is driven, and
    /// where the machine's clock shows a time that cannot be ([`Clock::is_set`]).
    pub fn behind(&self) -> Span {
        self.lag().unwrap_or(Span::ZERO)
    }

    /// Whether the machine's clock shows a time that can be.
    pub fn is_set(&self) -> bool {
        self.lag().is_some()
    }

    fn lag(&self) -> Option<Span> {
        let Clock::Live(clock) = self else { return Some(Span::ZERO) };
        let mut course = clock.course();
        course.at(boot_millis(), wall_millis());
        course.behind.map(Span::millis)
    }

    /// How the machine's clock was set since this was last asked, forward before back; `None` where it was not.
    pub fn step(&self) -> Option<ClockStep> {
        let Clock::Live(clock) = self else { return None };
        let mut course = clock.course();
        course.at(boot_millis(), wall_millis());
        course.step()
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

impl LiveClock {
    fn course(&self) -> MutexGuard<'_, Course> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Waits for a wall clock that is not set yet, for [`SET_WITHIN`] at the most: one that shows a time before this program was made or before
/// `lived`, or one of which the service that sets it says that it has not done so. Says what is in doubt where it did not come right.
pub async fn set(lived: Option<Timestamp>, stop: &mut watch::Receiver<bool>) -> Option<String> {
    let begun = boot_millis();
    let mut told = false;
    loop {
        let doubt = doubt(lived, Path::new(TIMESYNC_FOLDER))?;
        let waited = Duration::from_millis(boot_millis().saturating_sub(begun).unsigned_abs());
        if waited >= SET_WITHIN {
            return Some(doubt);
        }
        if !std::mem::replace(&mut told, true) {
            tracing::info!("{doubt}; waiting for it for up to {} s", SET_WITHIN.as_secs());
        }
        tokio::select! {
            _ = stop.wait_for(|stop| *stop) => return Some(doubt),
            () = tokio::time::sleep(LOOKED_AT_EVERY) => {}
        }
    }
}

fn doubt(lived: Option<Timestamp>, timesync: &Path) -> Option<String> {
    let wall = wall_millis();
    if !can_be(wall) {
        return Some("the machine's clock is not set".to_owned());
    }
    if let Some(behind) = lived.map(|lived| Span::millis(lived.as_millis().saturating_sub(wall)))
        && behind > AGREES_WITHIN
    {
        return Some(format!("the machine's clock is {behind} behind the time at which this store was last written"));
    }
    (timesync.is_dir() && !timesync.join("synchronized").exists())
        .then(|| "the machine's clock is not synchronised yet".to_owned())
}

#[expect(clippy::disallowed_methods, reason = "this is the one place that reads the wall clock")]
fn wall_millis() -> i64 {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    i64::try_from(since.as_millis()).unwrap_or(i64::MAX)
}

fn boot_millis() -> i64 {
    let t = rustix::time::clock_gettime(rustix::time::ClockId::Boottime);
    t.tv_sec.saturating_mul(1_000).saturating_add(t.tv_nsec / 1_000_000)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 2026-11-30T12:00:00Z.
    const NOON: i64 = 1_796_040_000_000;
    const MINUTE: i64 = 60_000;
    const HOUR: i64 = 60 * MINUTE;
    const DAY: i64 = 24 * HOUR;

    /// Lets the boot clock run for `span` in steps of a second and a half, the wall clock at `off` from the true time.
    fn run(course: &mut Course, boot: &mut i64, span: i64, off: i64) -> i64 {
        let end = *boot + span;
        let mut before = course.at(*boot, NOON + *boot + off);
        while *boot < end {
            *boot = (*boot + 1_500).min(end);
            let now = course.at(*boot, NOON + *boot + off);
            assert!(now >= before, "time went back by {} ms", before - now);
            before = now;
        }
        before
    }

    #[test]
    fn whatever_the_wall_clock_does_time_goes_on_and_forward() {
        for (why, off, step_told, behind_after_an_hour) in [
            ("nothing happens", 0, None, Some(0)),
            ("half a minute back is worked off in five minutes", -MINUTE / 2, Some(-MINUTE / 2), Some(0)),
            ("three minutes back", -3 * MINUTE, Some(-3 * MINUTE), Some(0)),
            ("an hour back: a tenth of each hour is given back", -HOUR, Some(-HOUR), Some(HOUR - HOUR / 10)),
            ("a day back", -DAY, Some(-DAY), Some(DAY - HOUR / 10)),
            ("a month back is not waited for", -30 * DAY, Some(-30 * DAY), Some(30 * DAY)),
            ("to 1970: nobody knows", -NOON, None, None),
            ("three minutes forward", 3 * MINUTE, Some(3 * MINUTE), Some(0)),
            ("an hour forward", HOUR, Some(HOUR), Some(0)),
            ("a day forward", DAY, Some(DAY), Some(0)),
            ("past the end of time", 80 * 365 * DAY, None, None),
        ] {
            let mut boot = 0;
            let mut course = Course::begin(0, NOON, i64::MIN);
            let before = run(&mut course, &mut boot, HOUR, 0);
            assert_eq!((before, course.step()), (NOON + HOUR, None), "{why}");
            let after = run(&mut course, &mut boot, HOUR, off);
            let step = course.step().map(|step| step.by.as_millis());
            let near = |a: i64, b: i64| (a - b).abs() < 2_000;
            assert!(
                match (step, step_told) {
                    (Some(a), Some(b)) if off > 0 => near(a, b),
                    // It had an hour to shrink before anybody asked.
                    (Some(a), Some(b)) => a >= b - 2_000 && a < -2_000,
                    (a, b) => a.is_none() && (b.is_none() || behind_after_an_hour == Some(0)),
                },
                "{why}: {step:?}"
            );
            match (course.behind, behind_after_an_hour) {
                (Some(a), Some(b)) => assert!(near(a, b), "{why}: behind by {a}, not {b}"),
                (a, b) => assert_eq!(a, b, "{why}"),
            }
            let passed = after - before;
            let most = if off > 0 && behind_after_an_hour.is_some() { HOUR + off } else { HOUR };
            assert!(passed >= HOUR - HOUR / 10 - 10 && passed <= most + 10, "{why}: {passed} ms passed");
        }
    }

    #[test]
    fn it_joins_the_wall_clock_and_stays_with_it() {
        let mut boot = 0;
        let mut course = Course::begin(0, NOON, i64::MIN);
        run(&mut course, &mut boot, HOUR, 0);
        run(&mut course, &mut boot, 9 * HOUR, -HOUR);
        assert!(course.behind > Some(HOUR / 20), "not yet: {:?}", course.behind);
        run(&mut course, &mut boot, 2 * HOUR, -HOUR);
        assert_eq!(course.behind, Some(0), "an hour is worked off in ten");
        assert_eq!(course.at(boot, NOON + boot - HOUR), NOON + boot - HOUR);
        // A second step while the first is worked off adds to it.
        run(&mut course, &mut boot, HOUR, -2 * HOUR);
        let _ = course.step();
        run(&mut course, &mut boot, MINUTE, -3 * HOUR);
        assert_eq!(course.step().map(|step| step.by.as_hours().round()), Some(-1.0));
        // Set forward by three hours before they met: only what is beyond ours, an hour and what was given back, is a step forward.
        run(&mut course, &mut boot, MINUTE, 0);
        let step = course.step();
        assert!(step.is_some_and(|step| step.followed && step.by < Span::minutes(67)), "{step:?}");
    }

    #[test]
    fn a_machine_that_was_suspended_goes_on_with_both_clocks_and_its_clock_was_not_set() {
        let mut course = Course::begin(0, NOON, i64::MIN);
        assert_eq!(course.at(MINUTE, NOON + MINUTE), NOON + MINUTE);
        // The boot clock runs while the machine sleeps, and the wall clock is set by it when it wakes.
        let woke = MINUTE + 8 * HOUR;
        assert_eq!((course.at(woke, NOON + woke), course.step(), course.behind), (NOON + woke, None, Some(0)));
        // Where the wall clock is set by nobody, ours knows better, and the wall clock is waited for.
        let again = woke + 8 * HOUR;
        assert_eq!(course.at(again, NOON + woke), NOON + again);
        assert_eq!(course.step().map(|step| (step.by, step.followed)), Some((Span::ZERO - Span::hours(8), false)));
    }

    #[test]
    fn a_start_never_goes_behind_what_was_lived_through_unless_that_was_wrong() {
        let begins = |wall, lived| Course::begin(0, wall, lived).ours;
        assert_eq!(begins(NOON, NOON - HOUR), NOON, "an hour off");
        assert_eq!(begins(NOON, NOON + HOUR), NOON + HOUR, "set back by an hour meanwhile");
        assert_eq!(begins(12_000, NOON), NOON, "a clock that was never set");
        assert_eq!(begins(12_000, i64::MIN), MADE_AFTER.as_millis(), "on its first start");
        assert_eq!(Course::begin(0, 12_000, i64::MIN).behind, None, "and nobody knows what time it is");
    }

    #[test]
    fn what_sets_the_clock_is_waited_for_and_named() {
        let folder = tempfile::tempdir().expect("a folder");
        let timesync = folder.path().join("timesync");
        assert_eq!(doubt(None, &timesync), None, "nothing says that it sets the clock");
        std::fs::create_dir(&timesync).expect("a folder");
        assert!(doubt(None, &timesync).is_some_and(|why| why.contains("synchronised")));
        std::fs::write(timesync.join("synchronized"), "").expect("a file");
        assert_eq!(doubt(None, &timesync), None);
        let later = Timestamp::from_millis(wall_millis()) + Span::hours(2);
        assert!(doubt(Some(later), &timesync).is_some_and(|why| why.contains("1 h 59 min") || why.contains("2 h")));
    }

    proptest::proptest! {
        #[test]
        fn no_clock_makes_it_fail_or_run_backwards(steps in proptest::collection::vec((0_i64..10 * DAY, proptest::num::i64::ANY), 1..40)) {
            let mut boot = 0_i64;
            let mut course = Course::begin(boot, NOON, i64::MIN);
            let mut before = course.at(boot, NOON);
            for (passes, wall) in steps {
                boot += passes;
                let now = course.at(boot, wall);
                proptest::prop_assert!(now >= before);
                let _ = course.step();
                before = now;
            }
        }
    }
}
