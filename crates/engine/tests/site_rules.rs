//! Rules about the whole site: judged once for all bins, and what they tell of is not told twice.
//!
//! Must never compare with anything but what the engine asks for.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod yard;

use engine::alarm::{Alarm, AlarmState, Subject};
use engine::input::Input;
use engine::notice::Step;
use engine::restore::Restored;
use pile::time::Span;
use site::entry::EntryKind;
use yard::{SETTINGS, START, Yard, minutes, reading};

/// Tells of gateways that are gone, and hides what is silent behind them.
const GONE: &str = r#"
const RULE = #{
    title: "Gateway gone", watches_for: "A gateway that is gone.", cause: "Power.", consequence: "Nobody watches.",
    response: ["See to it."], time_to_respond: "2 h", severity: "major", every: "1 min", window: "1 d", evidence: "clock",
    scope: "site", stages: [], settings: #{},
};
fn judge(site, set) {
    for g in site.gateways {
        if g.gone.known {
            let answer = alarm(`${g.name} is gone`);
            for bin in g.bins { answer = answer.hides("quiet", bin); }
            return answer;
        }
    }
    clear("all there")
}
"#;

/// Tells of a bin from which nothing comes for half an hour.
const QUIET: &str = r#"
const RULE = #{
    title: "Quiet", watches_for: "Silence.", cause: "A cable.", consequence: "Nobody watches.", response: ["Look."],
    time_to_respond: "2 h", severity: "major", every: "1 min", window: "1 d", evidence: "clock", stages: [], settings: #{},
};
fn judge(bin, set) {
    if bin.core.age() > 30.minutes { return alarm("nothing for half an hour"); }
    clear("heard")
}
"#;

fn yard(restored: Restored, at: pile::time::Timestamp) -> Yard {
    let settings = format!("{SETTINGS}gateways: [ {{ id: gw, probes: [b1-core], topic: gw/status }} ]\n");
    let mut yard = Yard::described(&settings, &[("gone", GONE), ("quiet", QUIET)], restored, at);
    yard.step(Input::Started { previous: None });
    yard
}

fn alarm(yard: &Yard, rule: &str, subject: &str) -> Alarm {
    let found = yard.engine.alarms().find(|a| a.key.rule == rule && a.key.subject.as_str() == subject);
    found.unwrap_or_else(|| panic!("no {rule} of {subject}")).clone()
}

fn told(yard: &Yard) -> Vec<(String, Step)> {
    yard.alarm_mails().iter().map(|a| (a.rule.clone(), a.step)).collect()
}

fn heard(yard: &mut Yard) {
    for probe in ["b1-core", "b2-core"] {
        let now = yard.now;
        yard.step(Input::Readings(vec![reading(probe, now, now, 60.0)]));
    }
}

#[test]
fn what_a_gateway_takes_with_it_is_told_once() {
    let mut yard = yard(Restored { life: 7, ..Restored::default() }, START);
    heard(&mut yard);
    yard.step(Input::Gateway { gateway: "gw".into(), gone: true });
    yard.wait(minutes(40));
    let own = |step| ("gone".to_owned(), step);
    let quiet = |step| ("quiet".to_owned(), step);
    assert_eq!(told(&yard), [own(Step::Raise), quiet(Step::Raise)], "b2 is not behind it and is told of");
    assert_eq!(alarm(&yard, "gone", "site").key.subject, Subject::Site);
    let hidden = alarm(&yard, "quiet", "b1").life;
    assert_eq!(
        (hidden.state, hidden.active, hidden.by_design.as_deref()),
        (AlarmState::Suppressed, true, Some("gone"))
    );

    let restored = Restored { life: 7, alarms: yard.engine.alarms().cloned().collect(), ..Restored::default() };
    let again = self::yard(restored, yard.now);
    assert_eq!(alarm(&again, "quiet", "b1").life.by_design.as_deref(), Some("gone"), "a restart shows nothing");

    yard.step(Input::Gateway { gateway: "gw".into(), gone: false });
    yard.wait(minutes(2));
    let back = alarm(&yard, "quiet", "b1").life;
    assert_eq!(
        (back.state, back.by_design),
        (AlarmState::Unacknowledged, None),
        "it is still quiet, and now that is news"
    );
    heard(&mut yard);
    yard.wait(minutes(2));
    let ends = [own(Step::Clear), quiet(Step::Raise), quiet(Step::Clear), quiet(Step::Clear)];
    assert_eq!(told(&yard)[2..], ends);
}

/// Tells of a core of 70 °C or more, and hides that the bin is warm; it tries to hide that of the other bin too.
const HOT: &str = r#"
const RULE = #{
    title: "Hot", watches_for: "Heat.", cause: "Food.", consequence: "Fire.", response: ["Look."],
    time_to_respond: "2 h", severity: "major", every: "1 min", window: "1 d", stages: ["on-air"], settings: #{},
};
fn judge(bin, set) {
    if bin.core.last() >= 70.celsius { return alarm("hot").hides("warm", bin.name).hides("warm", "b1").hides("warm", "b2"); }
    clear("not hot")
}
"#;

#[test]
fn a_rule_about_a_bin_hides_alarms_of_that_bin_alone() {
    let warm = HOT
        .replace("\"Hot\"", "\"Warm\"")
        .replace("70", "60")
        .replace(r#".hides("warm", bin.name).hides("warm", "b1").hides("warm", "b2")"#, "");
    let mut yard =
        Yard::described(SETTINGS, &[("hot", HOT), ("warm", &warm)], Restored { life: 7, ..Restored::default() }, START);
    yard.step(Input::Started { previous: None });
    for bin in ["b1", "b2"] {
        yard.enter(bin, EntryKind::OnAir { loaded_at: None, filling: None }).unwrap();
    }
    let reads = |yard: &mut Yard, b1: f64, b2: f64| {
        let now = yard.now;
        yard.step(Input::Readings(vec![reading("b1-core", now, now, b1), reading("b2-core", now, now, b2)]));
        yard.wait(minutes(2));
    };
    let hidden = |yard: &Yard, bin: &str| alarm(yard, "warm", bin).life.by_design.is_some();
    reads(&mut yard, 75.0, 65.0);
    assert_eq!((hidden(&yard, "b1"), hidden(&yard, "b2")), (true, false), "b2 is not its business");
    reads(&mut yard, 75.0, 75.0);
    assert_eq!((hidden(&yard, "b1"), hidden(&yard, "b2")), (true, true), "each hides its own");
    reads(&mut yard, 75.0, 65.0);
    assert_eq!((hidden(&yard, "b1"), hidden(&yard, "b2")), (true, false), "and shows its own again");
    yard.enter("b1", EntryKind::OffAir).unwrap();
    assert!(!hidden(&yard, "b1"), "what is judged no longer hides nothing");
}

#[test]
fn a_rule_that_is_gone_hides_nothing() {
    let mut yard = yard(Restored { life: 7, ..Restored::default() }, START);
    heard(&mut yard);
    yard.step(Input::Gateway { gateway: "gw".into(), gone: true });
    yard.wait(minutes(40));
    let restored = Restored { life: 7, alarms: yard.engine.alarms().cloned().collect(), ..Restored::default() };
    let mut again = Yard::restored(&[("quiet", QUIET)], restored, yard.now);
    again.step(Input::Started { previous: None });
    assert_eq!(alarm(&again, "quiet", "b1").life.state, AlarmState::Unacknowledged);
    assert_eq!(alarm(&again, "gone", "site").life.state, AlarmState::Normal, "and its own alarm is retired");
}

#[test]
fn the_daemon_itself_is_a_fact() {
    let own = GONE.replace(
        "for g in site.gateways {",
        "if site.disk_free.known && site.disk_free < 10.percent / 100.percent { return alarm(`disk ${site.disk_free}`); }
         if site.clock_jumped.known { return alarm(`jumped ${site.clock_jump}`); }
         for g in site.gateways {",
    );
    let start = || {
        let mut yard = Yard::described(SETTINGS, &[("gone", &own)], Restored { life: 7, ..Restored::default() }, START);
        yard.step(Input::Started { previous: None });
        yard
    };
    let mut yard = start();
    yard.step(Input::Health { disk_free: 0.04 });
    yard.wait(minutes(2));
    assert_eq!(yard.alarm_mails()[0].finding, "disk 4.0 %");
    let mut yard = start();
    yard.wait(minutes(2));
    yard.now = yard.now + Span::hours(5);
    yard.step(Input::Wake);
    yard.wait(minutes(2));
    assert_eq!(yard.alarm_mails()[0].finding, "jumped 5 h");
}

#[test]
fn a_bin_that_is_called_site_is_not_the_site() {
    let core = GONE.replace(
        "for g in site.gateways {",
        "if site.signal(\"temperature\", \"core\").fitted { return alarm(\"a bin's probe\"); } for g in site.gateways {",
    );
    let settings = SETTINGS.replace("id: b1,", "id: site,");
    let mut yard = Yard::described(&settings, &[("gone", &core)], Restored { life: 7, ..Restored::default() }, START);
    yard.step(Input::Started { previous: None });
    heard(&mut yard);
    yard.wait(minutes(3));
    assert!(told(&yard).is_empty(), "probes of a bin are no signals of the site");
}

#[test]
fn nothing_of_the_site_is_judged_in_a_time_when_the_daemon_was_off() {
    let mut yard = yard(Restored { life: 7, ..Restored::default() }, START);
    heard(&mut yard);
    yard.step(Input::Gateway { gateway: "gw".into(), gone: true });
    let previous = engine::input::PreviousRun { last_alive: yard.now, stopped_cleanly: true };
    yard.now = yard.now + minutes(20);
    yard.step(Input::Started { previous: Some(previous) });
    yard.wait(minutes(2));
    let raised_at = alarm(&yard, "gone", "site").raised_at.unwrap();
    assert!(raised_at > START + minutes(20), "raised at the first tick after the start, not at {raised_at:?}");
}
