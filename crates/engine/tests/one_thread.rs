//! One stopped blower is one thread of few mails, however many bins it serves and whatever the lack of air does to them.
//!
//! Must never use anything but the rules that ship.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod yard;

use std::collections::BTreeSet;

use engine::input::Input;
use engine::notice::{AlarmNotice, Step};
use engine::restore::Restored;
use pile::time::Timestamp;
use rulebook::Rulebook;
use site::entry::EntryKind;
use site::ids::{BlowerId, ProbeId};
use site::quantity::Quantity;
use site::reading::{Reading, SeriesId, Source, TimeSource};
use yard::{SETTINGS, START, Yard, minutes, shipped};

const BINS: [&str; 3] = ["b1", "b2", "b3"];

/// One fan for three bins; each probe measures oxygen too.
fn settings() -> String {
    let bin = |id: &str| {
        format!(
            "  - {{ id: {id}, volume_m3: 2.5, blower: fan, probes: [ {{ id: {id}-core, position: core, depth_metres: 0.5, every_seconds: 300 }} ] }}\n"
        )
    };
    let (before, after) = SETTINGS.split_once("  - { id: b1,").unwrap();
    let mail = after.find("mail: {").unwrap();
    let oxygen = "unit: Cel }, { value_at: /o, source: \"{probe}\", quantity: oxygen, unit: \"%\", optional: true } ]";
    format!("{}{}{}", before.replace("unit: Cel } ]", oxygen), BINS.map(bin).concat(), &after[mail..])
}

fn reading(source: Source, quantity: Quantity, at: Timestamp, value: f64) -> Reading {
    let series = SeriesId { source, quantity };
    Reading { series, measured_at: at, received_at: at, value, time_source: TimeSource::Device, retained: false }
}

/// Five minutes of everything: the core and the oxygen of each bin, and the fan's counter.
fn five_minutes(yard: &mut Yard, core: f64, oxygen: f64, ran_seconds: f64) {
    let now = yard.now;
    let probe = |id: String| Source::Probe(ProbeId::new(&id).unwrap());
    let mut readings =
        vec![reading(Source::Blower(BlowerId::new("fan").unwrap()), Quantity::RunTime, now, ran_seconds)];
    for bin in BINS {
        readings.push(reading(probe(format!("{bin}-core")), Quantity::Temperature, now, core));
        readings.push(reading(probe(format!("{bin}-core")), Quantity::Oxygen, now, oxygen));
    }
    yard.step(Input::Readings(readings));
    yard.wait(minutes(5));
}

fn told(mails: &[&AlarmNotice]) -> Vec<String> {
    mails
        .iter()
        .map(|m| format!("{} {} {:?} {} at {} h", m.alarm.0, m.rule, m.step, m.finding, m.at.since(START).as_hours()))
        .collect()
}

#[test]
fn one_stopped_blower_is_one_thread_and_at_most_three_mails_in_six_hours() {
    // What the pile does without air: it keeps its heat, it cools and its hot run is about to break, it heats up.
    for (why, drift) in [("it keeps its heat", 0.0), ("it cools", -0.4), ("it heats up", 0.5)] {
        let texts = shipped();
        let site = site::settings::read(&settings(), "test.yaml").unwrap_or_else(|faults| panic!("{faults:#?}"));
        let (book, broken) = Rulebook::compile(&texts, &site.rules, site.display);
        assert!(broken.is_empty(), "{broken:?}");
        let engine = engine::Engine::new(site.into(), book, broken, Restored { life: 7, ..Restored::default() }, START);
        let mut yard = Yard { engine, now: START, effects: Vec::new() };
        yard.step(Input::Started { previous: None });
        for bin in BINS {
            yard.enter(bin, EntryKind::OnAir { loaded_at: None, filling: None }).unwrap();
        }
        let (mut ran, mut oxygen) = (0.0, 15.0);
        for step in 0..2 * 288 {
            ran += if step % 6 == 0 { 60.0 } else { 0.0 };
            oxygen = if step % 6 == 0 { 17.0 } else { oxygen - 1.0 };
            five_minutes(&mut yard, 58.0, oxygen, ran);
        }
        let before = yard.alarm_mails().len();
        for step in 0..6 * 12 {
            oxygen = (oxygen - 1.5_f64).max(1.0);
            five_minutes(&mut yard, 58.0 + drift * f64::from(step) / 12.0, oxygen, ran);
        }
        let all = yard.alarm_mails();
        let mails = &all[before..];
        let threads: BTreeSet<u64> = mails.iter().map(|m| m.alarm.0).collect();
        assert_eq!(threads.len(), 1, "{why}: {:#?}", told(mails));
        assert!(mails.len() <= 3, "{why}: {:#?}", told(mails));
        assert_eq!((mails[0].rule.as_str(), mails[0].step), ("blower-silent", Step::Raise), "{why}");
        assert!(BINS.iter().all(|bin| mails[0].finding.contains(bin)), "{why}: {}", mails[0].finding);

        // And when it runs again, the thread ends with one mail.
        let before = all.len();
        for step in 0..6 * 12 {
            ran += if step % 6 == 0 { 60.0 } else { 0.0 };
            oxygen = if step % 6 == 0 { 17.0 } else { oxygen - 1.0 };
            five_minutes(&mut yard, 58.0, oxygen, ran);
        }
        let all = yard.alarm_mails();
        let own = |m: &&&AlarmNotice| m.rule == "blower-silent";
        let ends: Vec<Step> = all[before..].iter().filter(own).map(|m| m.step).collect();
        assert_eq!(ends.last(), Some(&Step::Clear), "{why}: {:#?}", told(&all[before..]));
        assert_eq!(ends.iter().filter(|step| **step == Step::Clear).count(), 1, "{why}: {ends:?}");
        // What the stop left behind is told when it is over, once a bin: a run that is about to break.
        let others: Vec<&AlarmNotice> = all[before..].iter().copied().filter(|m| m.rule != "blower-silent").collect();
        assert!(ends.len() <= 2, "{why}: {:#?}", told(&all[before..]));
        let at_risk = others.iter().all(|m| m.rule == "hold-at-risk" && m.step == Step::Raise);
        assert!(at_risk && others.len() <= BINS.len(), "{why}: {:#?}", told(&all[before..]));
    }
}
