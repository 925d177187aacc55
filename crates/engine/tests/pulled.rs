//! Probes that are pulled out of the pile: seen or written down, they stop telling of the pile until they are warm again.
//!
//! Must never pass because nothing was judged: every row says what the rules must answer.

#![allow(clippy::unwrap_used)]

mod yard;

use engine::effect::Effect;
use engine::input::Input;
use engine::notice::Step;
use engine::restore::Restored;
use pile::time::{Span, Timestamp};
use pile::window::Point;
use site::entry::EntryKind;
use site::reading::SeriesId;
use yard::{SETTINGS, START, Yard, minutes, reading};

/// Says what it is told of the core and of the run at 55 °C, as an alarm that never clears would.
const SAYS: &str = r#"
const RULE = #{
    title: "Cold core", watches_for: "A cold core.", cause: "c", consequence: "q", response: ["r"], time_to_respond: "1 h",
    severity: "major", every: "5 min", window: "2 d", stages: [], time_above: ["hold"],
    settings: #{ hold: #{ value: 55.0, min: 0.0, max: 100.0, unit: "°C", about: "Made for a test." } },
};
fn judge(bin, set) {
    if bin.core.last() < 40 { return alarm(`cold core, longest run ${bin.core.time_above(set.hold).longest}`); }
    clear("warm")
}
"#;

const PROBES: [&str; 3] = ["b1-base", "b1-core", "b1-upper"];

fn yard() -> Yard {
    let settings = SETTINGS.replace(
        "{ id: b1-core, position: core, depth_metres: 0.5, every_seconds: 300 }",
        "{ id: b1-core, position: core, every_seconds: 300 }, { id: b1-base, position: base, every_seconds: 300 }, \
         { id: b1-upper, position: upper, every_seconds: 300 }",
    );
    assert_ne!(settings, SETTINGS);
    let mut yard = Yard::described(&settings, &[("cold", SAYS)], Restored { life: 7, ..Restored::default() }, START);
    yard.step(Input::Started { previous: None });
    yard.enter("b1", EntryKind::OnAir { loaded_at: None, filling: None }).unwrap();
    yard
}

/// Every five minutes for so long, each probe moves to its value in a straight line; recalls are answered as the store does.
fn send(yard: &mut Yard, from: [f64; 3], to: [f64; 3], length: Span) {
    let steps = length.as_millis() / minutes(5).as_millis();
    for step in 1..=steps {
        let share = step as f64 / steps as f64;
        let values = [0, 1, 2].map(|i| from[i] + (to[i] - from[i]) * share);
        let readings = PROBES.iter().zip(values).map(|(p, v)| reading(p, yard.now, yard.now, v)).collect();
        yard.step(Input::Readings(readings));
        answer_recalls(yard);
        for _ in 0..5 {
            yard.wait(minutes(1));
            answer_recalls(yard);
        }
    }
}

fn answer_recalls(yard: &mut Yard) {
    loop {
        let asked: Vec<(SeriesId, Timestamp)> = yard
            .effects
            .iter()
            .filter_map(|e| match e {
                Effect::Recall { series, from } => Some((series.clone(), *from)),
                _ => None,
            })
            .collect();
        yard.effects.retain(|e| !matches!(e, Effect::Recall { .. }));
        if asked.is_empty() {
            return;
        }
        for (series, from) in asked {
            let stored = yard.effects.iter().filter_map(|e| match e {
                Effect::Store { reading, .. } if reading.series == series && reading.measured_at >= from => {
                    Some(Point { at: reading.measured_at, value: reading.value })
                }
                _ => None,
            });
            let points = stored.collect();
            yard.step(Input::Recalled { series, from, points });
        }
    }
}

/// What the daemon wrote into the log by itself.
fn written(yard: &Yard) -> Vec<&'static str> {
    let entries = yard.effects.iter().filter_map(|e| match e {
        Effect::Entry(entry) if entry.by == "hypocaust" => Some(entry.kind.key()),
        _ => None,
    });
    entries.collect()
}

const HOT: [f64; 3] = [58.0, 62.0, 60.0];
const AIR: [f64; 3] = [12.0, 12.0, 12.0];

#[test]
fn all_probes_falling_at_once_were_pulled_and_are_back_when_they_warm_up() {
    let mut yard = yard();
    send(&mut yard, HOT, HOT, Span::hours(6));
    send(&mut yard, HOT, AIR, minutes(15));
    send(&mut yard, AIR, AIR, Span::hours(2));
    assert_eq!(written(&yard), ["probes-out"], "a pile cannot cool so fast");
    assert_eq!(yard.alarm_mails().len(), 0, "air is no cold core");
    send(&mut yard, AIR, HOT, minutes(30));
    send(&mut yard, HOT, HOT, Span::hours(6));
    assert_eq!(written(&yard), ["probes-out", "probes-back"]);
    assert_eq!(yard.alarm_mails().len(), 0);
    // A fall as piles fall is told, and the run did not break where the probes were out: it was not seen for a while.
    send(&mut yard, HOT, [30.0, 30.0, 30.0], Span::hours(12));
    let mails: Vec<_> = yard.alarm_mails().into_iter().filter(|m| m.step == Step::Raise).collect();
    assert_eq!(mails.len(), 1, "{mails:#?}");
    let longest = &mails[0].finding;
    assert!(
        longest.starts_with("cold core, longest run 7 h"),
        "six hours since the probes were warm, and some: {longest}"
    );
    assert_eq!(written(&yard).len(), 2, "nobody pulled them");
}

#[test]
fn falls_that_are_no_pulling() {
    for (to, length, why) in [
        ([58.0, 20.0, 60.0], minutes(15), "one probe alone"),
        (AIR, Span::hours(6), "all of them, over hours"),
        ([50.0, 54.0, 52.0], minutes(15), "a few kelvin of cold water"),
    ] {
        let mut yard = yard();
        send(&mut yard, HOT, HOT, Span::hours(2));
        send(&mut yard, HOT, to, length);
        send(&mut yard, to, to, Span::hours(1));
        assert_eq!(written(&yard), [""; 0], "{why}");
    }
}

#[test]
fn what_people_write_counts_from_their_time_until_an_hour_after_they_are_back() {
    let mut yard = yard();
    send(&mut yard, HOT, HOT, Span::hours(2));
    yard.enter("b1", EntryKind::ProbesOut).unwrap();
    answer_recalls(&mut yard);
    let cool = [20.0, 20.0, 20.0];
    send(&mut yard, cool, cool, Span::hours(2));
    assert_eq!((yard.alarm_mails().len(), written(&yard).len()), (0, 0), "they wrote it");
    yard.enter("b1", EntryKind::ProbesBack).unwrap();
    answer_recalls(&mut yard);
    send(&mut yard, cool, cool, minutes(55));
    assert_eq!(yard.alarm_mails().len(), 0, "they warm up");
    send(&mut yard, cool, cool, minutes(20));
    assert_eq!(yard.alarm_mails().len(), 1, "an hour later a cold core is a cold core");
}
