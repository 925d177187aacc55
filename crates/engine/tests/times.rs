//! Times over the whole range of their type: what people write, and what a store already holds.
//!
//! Must never look into the engine: what counts is what it says and does.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod yard;

use engine::alarm::{Alarm, AlarmId, AlarmKey, AlarmState, Subject};
use engine::effect::Effect;
use engine::input::{Input, PreviousRun};
use engine::restore::{PassedOver, Restored};
use engine::water::KeptWater;
use pile::time::{Span, Timestamp};
use pile::units::{Celsius, Kelvin, Litres};
use proptest::prelude::*;
use site::bounds;
use site::entry::{Against, Batch, BatchId, Entry, EntryId, EntryKind, Really};
use site::ids::{BinId, ProbeId};
use yard::{HOT, START, Yard, minutes, reading, reply, says};

/// 1926-03-10T07:00:00Z.
const IN_1926: Timestamp = Timestamp::from_millis(-1_382_634_000_000);
const ON_AIR: EntryKind = EntryKind::OnAir { loaded_at: None, filling: None };

fn bin(name: &str) -> BinId {
    BinId::new(name).unwrap()
}

fn entry(id: u64, at: Timestamp, kind: EntryKind) -> Entry {
    let batch = Some(BatchId(1));
    Entry { id: EntryId(id), batch, ..Entry::new(at, bin("b1"), kind, "Ann", "in a test") }
}

fn corrected(of: u64, at: Timestamp, kind: EntryKind) -> EntryKind {
    EntryKind::Corrected { of: EntryId(of), really: Some(Box::new(Really { at, kind })) }
}

fn is_active(alarm: &Alarm) -> bool {
    matches!(alarm.life.state, AlarmState::Unacknowledged | AlarmState::Acknowledged)
}

fn on_air_since(at: Timestamp) -> Batch {
    Batch { on_air_at: Some(at), ..Batch::begun(BatchId(1), bin("b1"), at) }
}

/// The numbers at the ends of every range, more often than chance would bring them.
fn any_time() -> impl Strategy<Value = Timestamp> {
    let ends = [i64::MIN, i64::MAX, 0, -1, 1 << 53, -(1 << 53), IN_1926.as_millis(), START.as_millis()];
    let near = START.as_millis();
    prop_oneof![
        2 => any::<i64>(),
        2 => proptest::sample::select(ends.to_vec()),
        2 => 900_000_000_000..4_200_000_000_000i64,
        2 => near - 9_000_000_000..near + 9_000_000_000
    ]
    .prop_map(Timestamp::from_millis)
}

#[test]
fn what_people_write_lies_between_a_year_before_the_first_reading_and_now_unless_they_say_it_twice() {
    let year = bounds::BEFORE_READINGS;
    for (first, at, once, twice, why) in [
        (None, START, None, None, "now"),
        (None, START + minutes(5), None, None, "the doubt of a clock"),
        (None, START + minutes(6), Some("has not come yet"), Some("has not come yet"), "the future, said twice or not"),
        (None, START - year, None, None, "a year ago, before any reading"),
        (None, START - year - minutes(1), Some("--really-that-early"), None, "more than a year ago"),
        (Some(START - year), START - year - year, None, None, "a year before the first reading"),
        (
            Some(START - year),
            START - year - year - minutes(1),
            Some("\"really_that_early\": true"),
            None,
            "more than that",
        ),
        (
            None,
            IN_1926,
            Some("1926-03-10T07:00:00Z is outside"),
            Some("2000-01-01 to 2099-12-31; check the year"),
            "before 2000",
        ),
        (None, Timestamp::MIN, Some("is outside"), Some("is outside"), "the first instant there is"),
        (None, Timestamp::MAX, Some("is outside"), Some("is outside"), "the last instant there is"),
    ] {
        let kinds = [
            (at, EntryKind::Turned),
            (START, corrected(1, at, ON_AIR)),
            (
                START,
                EntryKind::LabResult {
                    analyte: "a".into(),
                    value: 1.0,
                    below: false,
                    unit: "u".into(),
                    laboratory: "l".into(),
                    method: "m".into(),
                    sampled_at: at,
                },
            ),
        ];
        for (written_at, kind) in kinds {
            for (input, want) in [(Input::Entry as fn(Entry) -> Input, once), (Input::EntryThatEarly, twice)] {
                let restored = Restored { life: 7, first_reading: first, ..Restored::default() };
                let mut yard = Yard::restored(&[("hot-core", HOT)], restored, START);
                yard.step(Input::Started { previous: None });
                // The batch is as old as the readings of the site, so that their bound is its own.
                let began = Entry::new(first.unwrap_or(START), bin("b1"), ON_AIR, "Ann", "in a test");
                reply(&yard.step(Input::EntryThatEarly(began))).unwrap();
                let written = Entry::new(written_at, bin("b1"), kind.clone(), "Ann", "in a test");
                let got = reply(&yard.step(input(written)));
                match want {
                    None => assert!(got.is_ok(), "{why}, {kind:?}: {got:?}"),
                    Some(words) => assert!(got.clone().is_err_and(|e| e.contains(words)), "{why}, {kind:?}: {got:?}"),
                }
            }
        }
    }
}

#[test]
fn what_people_write_about_a_batch_lies_at_most_a_year_before_its_readings_begin_unless_they_say_it_twice() {
    let (year, begun) = (bounds::BEFORE_READINGS, START - Span::days(10));
    let early = begun - year - minutes(1);
    for (name, at, refused, why) in [
        ("b1", begun - year, None, "a year before the batch"),
        ("b1", early, Some("the readings of batch 1 in bin b1, which begin at 2026-02-27"), "a slip of the year"),
        ("b2", early, None, "a bin without a batch goes by the readings of the site"),
        ("b2", START - Span::days(1_000) - year - minutes(1), Some("the first reading, of 2023-06-13"), "before those"),
    ] {
        for kind in [EntryKind::Turned, corrected(1, at, ON_AIR)] {
            let is_correction = matches!(kind, EntryKind::Corrected { .. });
            if is_correction && name == "b2" {
                continue;
            }
            for (input, wanted) in [(Input::Entry as fn(Entry) -> Input, refused), (Input::EntryThatEarly, None)] {
                let restored = Restored {
                    life: 7,
                    first_reading: Some(START - Span::days(1_000)),
                    entries: vec![entry(1, begun, ON_AIR)],
                    batches: vec![on_air_since(begun)],
                    last_entry: 1,
                    last_batch: 1,
                    ..Restored::default()
                };
                let mut yard = Yard::restored(&[("hot-core", HOT)], restored, START);
                yard.step(Input::Started { previous: None });
                let written_at = if is_correction { START } else { at };
                let written = Entry::new(written_at, bin(name), kind.clone(), "Ann", "in a test");
                let got = reply(&yard.step(input(written)));
                match wanted {
                    None => assert!(got.is_ok(), "{why}, {kind:?}: {got:?}"),
                    Some(words) => assert!(
                        got.clone().is_err_and(|e| e.contains(words) && e.contains("--really-that-early")),
                        "{why}, {kind:?}: {got:?}"
                    ),
                }
            }
        }
    }
}

/// A store that holds an on-air of 1926: the bin is not judged and named, the other is watched, and a correction mends it at once.
#[test]
fn a_batch_with_a_time_that_cannot_be_is_named_and_mended_by_a_correction() {
    for (at, correction, why) in [
        (IN_1926, None, "a slip of the year"),
        (Timestamp::MIN, Some(Timestamp::MIN), "a correction to the first instant there is"),
    ] {
        let mut entries = vec![entry(1, IN_1926, ON_AIR)];
        let about_probes: Vec<Entry> =
            correction.map(|at| entry(2, START - minutes(60), corrected(1, at, ON_AIR))).into_iter().collect();
        entries.extend(about_probes.clone());
        let water = vec![KeptWater { bin: bin("b1"), batch: BatchId(1), at, numbers: vec![1.0; 20] }];
        let batches = vec![on_air_since(at)];
        let restored = Restored {
            life: 7,
            entries,
            about_probes,
            batches,
            water,
            last_entry: 2,
            last_batch: 1,
            ..Restored::default()
        };
        let mut yard = Yard::restored(&[("hot-core", HOT)], restored, START);
        let started = yard.step(Input::Started { previous: None });
        let said: Vec<&str> = started
            .iter()
            .filter_map(|e| if let Effect::Say { text, .. } = e { Some(text.as_str()) } else { None })
            .collect();
        let named = said.iter().any(|text| {
            text.contains("bin b1: batch 1 is not judged") && text.contains("hypocaust log correct 1 --really-at")
        });
        assert!(named, "{why}: {said:?}");
        let not_judged = |yard: &Yard| yard.engine.alarms().any(|a| a.key.rule == "not-judged" && is_active(a));
        assert!(not_judged(&yard), "{why}");
        for _ in 0..6 {
            yard.step(Input::Readings(vec![reading("b2-core", yard.now, yard.now, 70.0)]));
            yard.wait(minutes(5));
        }
        assert!(
            yard.alarm_mails().iter().any(|mail| mail.subject == Subject::Bin(bin("b2"))),
            "{why}: the other bin is watched"
        );
        yard.enter("b1", corrected(1, START - Span::days(2), ON_AIR)).unwrap();
        assert!(!not_judged(&yard), "{why}: it is judged again without a restart");
        assert!(
            yard.effects.iter().any(|e| matches!(e, Effect::Water(kept) if kept.at == START - Span::days(2))),
            "{why}: its water counts"
        );
        assert!(
            !yard.engine.alarms().any(|a| a.key.rule == "passed-over" && is_active(a)),
            "{why}: nothing is left to mend"
        );
    }
}

/// Rows that nobody can read, and entries whose amounts or times cannot be, each with the way out.
#[test]
fn what_cannot_be_used_is_passed_over_until_it_is_withdrawn() {
    let unreadable =
        PassedOver { table: "entries".into(), row: 3, bin: Some(bin("b1")), why: "its detail does not read".into() };
    let watered = EntryKind::Watered { minutes: None, litres: Some(Litres(f64::NAN)) };
    let entries = vec![entry(1, START, ON_AIR), entry(4, START, watered), entry(5, IN_1926, EntryKind::ProbesOut)];
    let restored = Restored {
        life: 7,
        entries,
        batches: vec![on_air_since(START - Span::days(1))],
        passed_over: vec![unreadable],
        last_entry: 5,
        last_batch: 1,
        ..Restored::default()
    };
    let mut yard = Yard::restored(&[("hot-core", HOT)], restored, START);
    yard.step(Input::Started { previous: None });
    let active = |yard: &Yard| {
        yard.engine.alarms().find(|a| a.key.rule == "passed-over" && is_active(a)).map(|a| a.evidence.clone())
    };
    let lines = active(&yard).unwrap().join("\n");
    for words in [
        "entries 3: its detail does not read; withdraw it: hypocaust log correct 3 --never",
        "entry 4 (watered, bin b1): water: NaN is no number; give one from 0 to 100000 L",
        "entry 5 (probes-out, bin b1): when it happened: 1926-03-10T07:00:00Z is outside",
    ] {
        assert!(lines.contains(words), "{words}: {lines}");
    }
    yard.cores(&[70.0; 6]);
    assert!(yard.alarm_mails().iter().any(|mail| mail.rule == "hot-core"), "probes that were out in 1926 hide nothing");
    for of in [3, 4, 5] {
        assert!(active(&yard).is_some(), "{of} is left");
        let really = corrected(of, START, EntryKind::Turned);
        assert!(yard.enter("b1", really).is_err(), "{of} stays of its kind");
        yard.enter("b1", EntryKind::Corrected { of: EntryId(of), really: None }).unwrap();
    }
    assert_eq!(active(&yard), None);
}

/// A start that finds more than the last one tells again; one that finds the same, or less, is quiet.
#[test]
fn what_is_passed_over_anew_is_told_again_and_a_lost_store_at_once() {
    let over = |table: &str, row: i64| PassedOver {
        table: table.into(),
        row,
        bin: None,
        why: format!("it is broken ({row})"),
    };
    let mut alarms: Vec<Alarm> = Vec::new();
    for (passed_over, mails, why) in [
        (vec![over("record", 17)], vec!["passed-over"], "found first"),
        (vec![over("record", 17)], vec![], "the same again"),
        (vec![over("record", 17), over("alarms", 2)], vec!["passed-over"], "one more"),
        (vec![over("alarms", 2)], vec![], "one less"),
        (vec![over("alarms", 2), over("store", 0)], vec!["store-lost"], "the store is another"),
        (vec![], vec!["passed-over", "store-lost"], "both are over"),
    ] {
        let last_alarm = alarms.iter().map(|alarm| alarm.id.0).max().unwrap_or(0);
        let restored = Restored { life: 7, alarms, last_alarm, passed_over, ..Restored::default() };
        let mut yard = Yard::restored(&[("hot-core", HOT)], restored, START);
        yard.step(Input::Started { previous: None });
        let told: std::collections::BTreeSet<String> =
            yard.alarm_mails().into_iter().map(|mail| mail.rule.clone()).collect();
        assert_eq!(told.iter().map(String::as_str).collect::<Vec<_>>(), mails, "{why}");
        alarms = yard.engine.alarms().cloned().collect();
        let lost = alarms.iter().find(|alarm| alarm.key.rule == "store-lost");
        assert!(lost.is_none_or(|alarm| alarm.priority == rulebook::header::Priority::High), "{why}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    /// The release build of the tests checks for overflow too.
    #[test]
    fn any_time_that_somebody_writes_is_taken_in_its_range_or_refused(
        at in any_time(), really in any_time(), due in any_time(), until in any_time(), early in any::<bool>(),
    ) {
        let mut yard = Yard::new();
        yard.cores(&[70.0; 4]);
        yard.enter("b1", ON_AIR).unwrap();
        let probe = ProbeId::new("b1-core").unwrap();
        let check = EntryKind::Calibrated {
            probe, against: Against::Ice, showed: Celsius(0.1), truth: Celsius(0.0), allowed: Kelvin(1.0), due: Some(due),
        };
        for (at, kind, all) in [
            (at, EntryKind::Turned, vec![at]),
            (at, EntryKind::ProbesOut, vec![at]),
            (yard.now, corrected(1, really, ON_AIR), vec![really]),
            (yard.now, check, vec![due]),
        ] {
            let written = Entry::new(at, bin("b1"), kind, "Ann", "in a test");
            let input = if early { Input::EntryThatEarly(written) } else { Input::Entry(written) };
            if reply(&yard.step(input)).is_ok() {
                prop_assert!(all.iter().all(|at| bounds::is_of_calendar(*at)), "{all:?}");
            }
        }
        let id = yard.engine.alarms().next().unwrap().id;
        yard.step(says(id, engine::input::Word::Shelve { until, reason: "r".into() }));
        yard.step(says(id, engine::input::Word::OutOfService { back: Some(until), reason: "r".into() }));
        yard.wait(minutes(45));
    }

    /// Whatever times a store holds, the engine starts, and the bin beside is watched.
    #[test]
    fn whatever_times_a_store_holds_the_rest_is_watched(
        t in proptest::collection::vec(any_time(), 16), off in any::<bool>(), numbers in proptest::collection::vec(any::<f64>(), 0..24),
    ) {
        let batch = Batch {
            loaded_last_at: Some(t[1]), on_air_at: Some(t[2]), off_air_at: off.then_some(t[3]), in_bin_since: t[0],
            ..Batch::begun(BatchId(1), bin("b1"), t[0])
        };
        let probe = ProbeId::new("b1-core").unwrap();
        let check = EntryKind::Calibrated {
            probe, against: Against::Ice, showed: Celsius(0.1), truth: Celsius(0.0), allowed: Kelvin(1.0), due: Some(t[4]),
        };
        let entries = vec![
            entry(1, t[5], ON_AIR), entry(2, t[6], EntryKind::ProbesOut), entry(3, t[7], EntryKind::ProbesBack),
            entry(4, t[8], check), entry(5, t[9], corrected(1, t[10], ON_AIR)),
        ];
        let mut alarm = Alarm::new(AlarmId(1), AlarmKey { rule: "hot-core".into(), subject: Subject::Bin(bin("b1")) });
        (alarm.onset, alarm.raised_at, alarm.reminder_at) = (Some(t[11]), Some(t[12]), Some(t[13]));
        let previous = Some(PreviousRun { last_alive: t[14], stopped_cleanly: false });
        let restored = Restored {
            life: 7,
            about_probes: entries.iter().filter(|e| e.is_about_probes()).cloned().collect(),
            entries,
            batches: vec![batch],
            alarms: vec![alarm],
            water: vec![KeptWater { bin: bin("b1"), batch: BatchId(1), at: t[15], numbers }],
            off: vec![(t[14], t[15])],
            first_reading: Some(t[0]),
            previous,
            last_entry: 5,
            last_batch: 1,
            ..Restored::default()
        };
        let mut yard = Yard::restored(&[("hot-core", HOT)], restored, START);
        yard.step(Input::Started { previous });
        for _ in 0..6 {
            yard.step(Input::Readings(vec![reading("b2-core", yard.now, yard.now, 70.0)]));
            yard.wait(minutes(5));
        }
        prop_assert!(yard.alarm_mails().iter().any(|mail| mail.subject == Subject::Bin(bin("b2"))));
        prop_assert!(yard.effects.len() < 2_000, "{} effects", yard.effects.len());
    }
}
