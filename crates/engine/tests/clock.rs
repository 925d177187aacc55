//! The machine's clock is set back, forward, or was wrong before a start: bins are judged all the same.
//!
//! A probe here has the true time; the engine is told how far the machine's clock is behind its own, as the daemon does.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod yard;

use engine::alarm::{Alarm, AlarmId, AlarmKey, Subject};
use engine::conditioning::{Conditioning, Phase};
use engine::effect::{Effect, Mail, MailId, MailState};
use engine::input::{Input, MachineClock, PreviousRun};
use engine::notice::Notice;
use engine::restore::Restored;
use pile::time::{Span, Timestamp};
use site::ids::BinId;
use site::reading::{Quality, TimeSource};
use site::zone::IsoWeek;
use yard::{HOT, START, Yard, minutes, reading};

/// Readings five minutes apart from a probe that has the machine's time, which ours comes nearer to as it gives time back.
fn cores(yard: &mut Yard, values: &[f64]) {
    for value in values {
        let behind = yard.engine.clock_behind(yard.now).unwrap();
        yard.step(Input::Readings(vec![reading("b1-core", yard.now - behind, yard.now, *value)]));
        yard.wait(minutes(5));
    }
}

fn raised(yard: &Yard, rule: &str) -> usize {
    let of_rule = |e: &&Effect| match e {
        Effect::Alarm { alarm, event: Some(event) } => {
            alarm.key.rule == rule && event.kind == engine::alarm::AlarmEventKind::Raised
        }
        _ => false,
    };
    yard.effects.iter().filter(of_rule).count()
}

fn told(yard: &Yard, rule: &str) -> Vec<String> {
    let texts = yard.alarm_mails().into_iter().filter(|a| a.rule == rule).map(|a| a.finding.clone());
    texts.collect()
}

#[test]
fn a_clock_that_is_set_back_mutes_nothing() {
    for (back, why) in [
        (minutes(3), "minutes"),
        (minutes(45), "more than a reading may be late"),
        (Span::hours(1), "an hour"),
        (Span::hours(23), "most of a day"),
        (Span::days(6), "days"),
        (Span::days(300), "most of a year"),
    ] {
        let mut yard = Yard::new();
        yard.cores(&[64.0, 64.0, 64.0]);
        yard.step(Input::Clock(MachineClock::Behind(back)));
        assert_eq!(told(&yard, "clock-set-back").len(), 1, "{why}: people are told at once");
        assert!(told(&yard, "clock-set-back")[0].starts_with(&format!("clock stepped back by {back}")), "{why}");
        let before = yard.now;
        cores(&mut yard, &[84.0, 84.0, 84.0]);
        assert_eq!(raised(&yard, "hot-core"), 1, "{why}: a pile at 84 °C raises in time");
        cores(&mut yard, &[50.0, 50.0, 50.0, 50.0, 50.0, 50.0]);
        let cleared = yard.engine.alarms().any(|a| a.key.rule == "hot-core" && !a.stands());
        assert!(cleared, "{why}: and clears");
        let stored: Vec<_> = yard
            .effects
            .iter()
            .filter_map(|e| match e {
                Effect::Store { reading, quality: Quality::Good, .. } => Some(reading.clone()),
                _ => None,
            })
            .collect();
        assert_eq!(stored.len(), 12, "{why}: every reading is stored");
        let mut times: Vec<Timestamp> = stored.iter().map(|r| r.measured_at).collect();
        times.sort_unstable();
        times.dedup();
        assert_eq!(times.len(), 12, "{why}: each at an instant of its own");
        assert!(yard.now > before, "{why}");
    }
}

#[test]
fn a_probe_that_was_set_back_with_the_machine_claims_no_instant_twice() {
    let mut yard = Yard::new();
    let begin = yard.now;
    yard.cores(&[64.0; 24]);
    // Both clocks go back by an hour: the probe lives through its last twelve instants again.
    yard.step(Input::Clock(MachineClock::Behind(Span::hours(1))));
    cores(&mut yard, &[70.0; 10]);
    let of = |source: TimeSource| {
        let of_source = |e: &&Effect| matches!(e, Effect::Store { reading, .. } if reading.time_source == source);
        yard.effects.iter().filter(of_source).count()
    };
    assert_eq!((of(TimeSource::Device), of(TimeSource::DeviceClockWrong)), (24, 10));
    for effect in &yard.effects {
        if let Effect::Store { reading, .. } = effect
            && reading.value == 70.0
        {
            assert!(reading.measured_at >= begin + Span::hours(2), "kept under the time at which it came");
        }
    }
    assert_eq!(raised(&yard, "hot-core"), 1);
}

#[test]
fn a_machine_that_is_an_hour_ahead_all_the_time_or_a_probe_that_is_behind_mutes_nothing_either() {
    for (behind, why) in [
        (Span::hours(1), "the machine's clock shows summer time for UTC"),
        (Span::days(400), "the probe lost its date"),
    ] {
        let mut yard = Yard::new();
        let send = |yard: &mut Yard, value: f64| {
            yard.step(Input::Readings(vec![reading("b1-core", yard.now - behind, yard.now, value)]));
            yard.wait(minutes(5));
        };
        for value in [60.0, 60.0, 60.0, 84.0, 84.0, 84.0, 84.0] {
            send(&mut yard, value);
        }
        assert_eq!(raised(&yard, "hot-core"), 1, "{why}");
        assert_eq!(told(&yard, "clocks-differ"), [format!("fresh readings carry a time {behind} ago")], "{why}");
    }
    // A backlog is late in truth: a day of readings within a minute turns no alarm and tells of no clock.
    let mut yard = Yard::new();
    let begin = yard.now - Span::days(1);
    for i in 0..280 {
        yard.now = yard.now + Span::millis(200);
        yard.step(Input::Readings(vec![reading("b1-core", begin + minutes(5 * i), yard.now, 84.0)]));
    }
    // The same at a gateway that gives a reading a second, measured a second apart.
    let begin = yard.now - Span::hours(3);
    for i in 0..1200 {
        yard.now = yard.now + Span::millis(50);
        yard.step(Input::Readings(vec![reading("b2-core", begin + Span::seconds(i), yard.now, 84.0)]));
    }
    yard.wait(minutes(30));
    assert_eq!((raised(&yard, "hot-core"), raised(&yard, "clocks-differ")), (0, 0));
}

#[test]
fn a_probe_that_is_behind_is_heard_while_the_machine_is_behind_too() {
    let mut yard = Yard::new();
    let send = |yard: &mut Yard, behind: Span, value: f64| {
        yard.step(Input::Readings(vec![reading("b1-core", yard.now - behind, yard.now, value)]));
        yard.wait(minutes(5));
    };
    for _ in 0..4 {
        send(&mut yard, Span::hours(2), 60.0);
    }
    assert_eq!(told(&yard, "clocks-differ").len(), 1);
    yard.step(Input::Clock(MachineClock::Behind(minutes(20))));
    for _ in 0..4 {
        send(&mut yard, Span::hours(2), 84.0);
    }
    assert_eq!(raised(&yard, "hot-core"), 1);
    let stands = |yard: &Yard| yard.engine.alarms().any(|a| a.key.rule == "clocks-differ" && a.stands());
    assert!(stands(&yard), "its time is as wrong as before");
    yard.step(Input::Clock(MachineClock::Behind(Span::ZERO)));
    yard.wait(Span::hours(3));
    assert!(stands(&yard), "silence is no right time");
    for _ in 0..4 {
        send(&mut yard, Span::ZERO, 60.0);
    }
    assert!(!stands(&yard), "its clock was set");
}

#[test]
fn a_clock_that_was_not_set_before_a_restart_and_is_now_is_told_so() {
    let mut first = Yard::new();
    first.step(Input::Clock(MachineClock::NotSet));
    let alarm = first.engine.alarms().find(|a| a.key.rule == "clock-not-set").unwrap().clone();
    let previous = Some(PreviousRun { last_alive: first.now, stopped_cleanly: true });
    let restored = Restored { life: 7, alarms: vec![alarm], previous, ..Restored::default() };
    let mut second = Yard::restored(&[("hot-core", HOT)], restored, first.now + minutes(5));
    second.step(Input::Started { previous });
    second.wait(minutes(2));
    assert!(second.engine.alarms().all(|a| a.key.rule != "clock-not-set" || !a.stands()));
}

#[test]
fn the_alarm_about_the_clock_ends_when_both_agree() {
    let mut yard = Yard::new();
    yard.step(Input::Clock(MachineClock::Behind(minutes(10))));
    yard.wait(minutes(60));
    assert!(yard.engine.alarms().any(|a| a.key.rule == "clock-set-back" && a.stands()), "not yet");
    assert_eq!(yard.engine.clock_behind(yard.now), Some(Span::seconds(200)), "a ninth of our time is given back");
    yard.wait(minutes(30));
    assert!(
        yard.engine.alarms().all(|a| a.key.rule != "clock-set-back" || !a.stands()),
        "a tenth slower for 100 minutes"
    );
    // Set forward again to where it was: both agree at once.
    yard.step(Input::Clock(MachineClock::Behind(Span::hours(2))));
    yard.step(Input::Clock(MachineClock::Behind(Span::ZERO)));
    assert!(yard.engine.alarms().all(|a| a.key.rule != "clock-set-back" || !a.stands()));
    yard.step(Input::Clock(MachineClock::NotSet));
    assert!(yard.engine.alarms().any(|a| a.key.rule == "clock-not-set" && a.stands()));
    assert_eq!(yard.engine.clock_behind(yard.now), None);
    yard.cores(&[70.0, 70.0, 70.0]);
    assert_eq!(raised(&yard, "hot-core"), 1, "judged all the same");
    yard.step(Input::Clock(MachineClock::Behind(Span::ZERO)));
    assert!(yard.engine.alarms().all(|a| a.key.rule != "clock-not-set" || !a.stands()));
}

/// What a store holds whose clock was a year ahead when it was written.
fn of_next_year() -> Restored {
    let then = START + Span::days(365);
    let key = AlarmKey { rule: "hot-core".into(), subject: Subject::Bin(BinId::new("b1").unwrap()) };
    let mut alarm = Alarm::new(AlarmId(1), key);
    alarm.conditioning = Conditioning { phase: Phase::PendingOn { since: then }, last: Some(then) };
    let waiting = Mail {
        id: MailId(1),
        to: "ann@test.example".into(),
        notice: Notice::Trial { by: "Ann".into(), at: then, serial: 1, life: 7 },
        created_at: then,
        state: MailState::Waiting { next_try: then, tries: 2, last_reply: "451 later".into() },
    };
    Restored {
        life: 7,
        alarms: vec![alarm],
        waiting: vec![waiting],
        last_mail: 1,
        first_reading: Some(START - Span::days(30)),
        last_summary: Some(IsoWeek { year: 2027, week: 10 }),
        last_round_list: Some(site::zone::Zone::named("Europe/Dublin").unwrap().day(then)),
        previous: Some(PreviousRun { last_alive: then, stopped_cleanly: true }),
        ..Restored::default()
    }
}

#[test]
fn what_a_clock_that_was_ahead_wrote_down_holds_nothing_up() {
    let mut yard = Yard::restored(&[("hot-core", HOT)], of_next_year(), START);
    yard.step(Input::Started { previous: of_next_year().previous });
    // The first reading is of the instant up to which everything is known.
    yard.cores(&[70.0, 70.0, 70.0, 70.0]);
    assert_eq!(raised(&yard, "hot-core"), 1);
    assert!(yard.effects.contains(&Effect::Deliver(MailId(1))), "the mail that waits is tried now");
    yard.wait(Span::days(8));
    assert_eq!(yard.summaries().len(), 2, "this Monday's and the next one's");
}
