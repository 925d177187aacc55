//! What the log makes of batches: a table of logs, each with what must stand at its end, and of entries that must be refused.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use pile::time::{Span, Timestamp};
use pile::units::{Celsius, Kilograms, Litres, Metres};
use proptest::prelude::*;
use site::batches::Batches;
use site::entry::{Amount, Entry, EntryId, EntryKind, Really, Rest, Stage, Taken};
use site::ids::BinId;
use site::model::Position;
use site::zone::Zone;

/// Monday 2026-03-02 00:00 UTC.
const BEGIN: Timestamp = Timestamp::from_millis(1_772_409_600_000);

fn bin(name: &str) -> BinId {
    BinId::new(name).unwrap()
}

fn lab(value: f64, unit: &str) -> EntryKind {
    EntryKind::LabResult {
        analyte: "faecal coliforms".into(),
        value,
        below: false,
        unit: unit.into(),
        laboratory: "Alder Labs".into(),
        method: "MPN".into(),
        sampled_at: BEGIN,
    }
}

fn on_air() -> EntryKind {
    EntryKind::OnAir { loaded_at: None, filling: None }
}

fn load() -> EntryKind {
    let amount = Amount::Mass(Kilograms(800.0));
    EntryKind::Loaded { source: "Canteen".into(), material: "food waste".into(), amount, taken: Taken::In }
}

fn shipped(rest: Rest) -> EntryKind {
    EntryKind::Shipped { to: "Garden centre".into(), amount: Amount::Mass(Kilograms(400.0)), rest }
}

fn moved(stage: Option<Stage>, into: Option<&str>) -> EntryKind {
    EntryKind::Moved { stage, into: into.map(bin) }
}

/// An entry at an hour.
fn at(hour: i64, name: &str, kind: EntryKind) -> Entry {
    Entry::new(BEGIN + Span::hours(hour), bin(name), kind, "Ann", "")
}

fn utc() -> Zone {
    Zone::named("Etc/UTC").unwrap()
}

/// Bin, batch and stage of each batch at the end of a log, in the order of the batches.
fn after(log: &[Entry]) -> Vec<(String, u64, &'static str)> {
    let mut batches = Batches::default();
    for entry in log {
        batches.apply(entry, &utc()).unwrap_or_else(|why| panic!("{entry:?}: {why}"));
    }
    let end = log.last().unwrap().at;
    batches.all().map(|b| (b.bin.to_string(), b.id.0, b.stage(end).key())).collect()
}

#[test]
fn a_log_makes_batches() {
    use Stage::{Curing, Storage};
    let whole = [
        at(0, "a", load()),
        at(20, "a", load()),
        at(24, "a", on_air()),
        at(900, "a", EntryKind::OffAir),
        at(901, "a", moved(Some(Curing), Some("c"))),
        at(1900, "c", moved(Some(Storage), None)),
    ];
    for (log, want, why) in [
        (&whole[..1], vec![("a", 1, "loading")], "the first load begins a batch"),
        (&whole[..2], vec![("a", 1, "loading")], "the second is of the same"),
        (&whole[..3], vec![("a", 1, "on-air")], "its air is on"),
        (&whole[..4], vec![("a", 1, "off-air")], "its air is off"),
        (&whole[..5], vec![("c", 1, "curing")], "it cures elsewhere, and its bin is empty"),
        (&whole[..6], vec![("c", 1, "storage")], "it waits"),
        (&[at(0, "a", on_air())], vec![("a", 1, "on-air")], "nobody wrote the loads down"),
        (
            &[at(0, "a", on_air()), at(500, "a", moved(Some(Curing), None))],
            vec![("a", 1, "curing")],
            "what cures is off air, though nobody wrote that",
        ),
        (
            &[at(0, "a", on_air()), at(500, "a", EntryKind::OffAir), at(600, "a", on_air())],
            vec![("a", 2, "on-air")],
            "nobody wrote where the first went",
        ),
        (
            &[at(0, "a", on_air()), at(9, "a", EntryKind::Split { into: bin("b"), share_percent: 40.0 })],
            vec![("a", 1, "on-air"), ("b", 2, "on-air")],
            "a part is a batch of its own in the same stage",
        ),
        (
            &[at(0, "a", on_air()), at(5, "b", on_air()), at(9, "b", EntryKind::Merged { into: bin("a") })],
            vec![("a", 1, "on-air")],
            "the one that was merged is gone",
        ),
        (
            &[at(0, "a", on_air()), at(900, "a", EntryKind::OffAir), at(950, "a", shipped(Rest::Stays))],
            vec![("a", 1, "off-air")],
            "a part of it was shipped",
        ),
        (
            &[at(0, "a", on_air()), at(900, "a", EntryKind::OffAir), at(950, "a", shipped(Rest::Nothing))],
            vec![],
            "all of it was shipped",
        ),
    ] {
        let want: Vec<(String, u64, &str)> = want.into_iter().map(|(bin, id, stage)| (bin.into(), id, stage)).collect();
        assert_eq!(after(log), want, "{why}");
    }
}

#[test]
fn an_entry_that_contradicts_the_log_is_refused_with_the_next_step_and_changes_nothing() {
    let running = [at(0, "a", on_air()), at(1, "b", on_air())];
    let ended = [at(0, "a", on_air()), at(900, "a", EntryKind::OffAir)];
    for (log, entry, wanted, why) in [
        (&running, at(5, "a", on_air()), "take it off first: hypocaust batch off-air --bin a", "started twice"),
        (&running, at(-5, "a", EntryKind::OffAir), "came into bin a at", "ended before it began"),
        (&running, at(5, "a", moved(None, Some("b"))), "bin b is full: batch 2 is on-air in it", "moved to a full bin"),
        (&running, at(5, "a", moved(None, Some("a"))), "is in bin a already", "moved to where it is"),
        (
            &running,
            at(5, "a", EntryKind::Split { into: bin("b"), share_percent: 50.0 }),
            "bin b is full",
            "parted into a full bin",
        ),
        (
            &running,
            at(5, "a", EntryKind::Merged { into: bin("a") }),
            "cannot be merged into itself",
            "merged with itself",
        ),
        (&running, at(5, "a", EntryKind::Merged { into: bin("c") }), "bin c has no batch", "merged with nothing"),
        (&running, at(5, "c", EntryKind::OffAir), "bin c has no batch on air", "nothing to end"),
        (
            &running,
            at(5, "a", shipped(Rest::Nothing)),
            "take it off air or move it to curing",
            "shipped while it is on air",
        ),
        (&running, at(80, "a", load()), "more than three days before; say why", "loaded late without a reason"),
        (&ended, at(901, "a", EntryKind::OffAir), "is off-air at", "ended twice"),
    ] {
        let mut batches = Batches::default();
        for entry in log {
            batches.apply(entry, &utc()).unwrap();
        }
        let before = batches.clone();
        let said = batches.apply(&entry, &utc()).expect_err(why);
        assert!(said.contains(wanted), "{why}: {said}");
        assert_eq!(batches, before, "{why}: nothing changed");
    }
}

#[test]
fn what_must_be_held_hot_is_counted_from_the_last_thing_that_made_it_another_heap() {
    let hours = |log: &[Entry], name: &str| {
        let mut batches = Batches::default();
        for entry in log {
            batches.apply(entry, &utc()).unwrap();
        }
        batches.in_bin(&bin(name)).unwrap().counted_from().map(|from| from.since(BEGIN).as_seconds() / 3_600.0)
    };
    let late = Entry { note: "the trailer broke down".into(), ..at(100, "a", load()) };
    for (log, name, want, why) in [
        (vec![at(0, "a", load())], "a", None, "its air is not on"),
        (vec![at(0, "a", load()), at(24, "a", on_air())], "a", Some(24.0), "since its air is on"),
        (vec![at(0, "a", load()), at(24, "a", on_air()), late], "a", Some(100.0), "raw material went in"),
        (vec![at(24, "a", on_air()), at(90, "a", moved(None, Some("b")))], "b", Some(90.0), "other probes see it"),
        (
            vec![at(0, "a", on_air()), at(50, "b", on_air()), at(70, "b", EntryKind::Merged { into: bin("a") })],
            "a",
            Some(70.0),
            "a fresher batch is in it",
        ),
    ] {
        assert_eq!(hours(&log, name), want, "{why}");
    }
}

#[test]
fn a_correction_moves_what_follows_from_the_entry_and_keeps_the_order() {
    let log = [at(0, "a", on_air()), at(900, "a", EntryKind::OffAir)];
    let corrected = |kind, hour: i64| {
        let really = Some(Box::new(Really { at: BEGIN + Span::hours(hour), kind }));
        at(1_000, "a", EntryKind::Corrected { of: EntryId(1), really })
    };
    for (entry, want, why) in [
        (corrected(on_air(), 6), Ok((Some(6), Some(900))), "its air was on later"),
        (corrected(EntryKind::OffAir, 800), Ok((Some(0), Some(800))), "its air was off earlier"),
        (corrected(EntryKind::OffAir, -8), Err("off air before it was on air"), "that cannot be"),
    ] {
        let mut batches = Batches::default();
        for entry in &log {
            batches.apply(entry, &utc()).unwrap();
        }
        let got = batches.apply(&entry, &utc()).map(|_| {
            let batch = batches.in_bin(&bin("a")).unwrap();
            let hours = |at: Option<Timestamp>| at.map(|at| at.since(BEGIN).as_millis() / 3_600_000);
            (hours(batch.on_air_at), hours(batch.off_air_at))
        });
        match (got, want) {
            (Ok(got), Ok(want)) => assert_eq!(got, want, "{why}"),
            (Err(said), Err(wanted)) => assert!(said.contains(wanted), "{why}: {said}"),
            (got, _) => panic!("{why}: {got:?}"),
        }
    }
}

#[test]
fn an_entry_says_what_can_be() {
    let rejected = EntryKind::Loaded {
        source: "Canteen".into(),
        material: "food waste".into(),
        amount: Amount::Mass(Kilograms(80.0)),
        taken: Taken::Rejected,
    };
    for (kind, note, wanted, why) in [
        (
            EntryKind::Watered { minutes: None, litres: Some(Litres(-5.0)) },
            "",
            "water: -5 L is outside",
            "a watering of -5 L",
        ),
        (EntryKind::Watered { minutes: None, litres: None }, "", "say how much", "a watering of nothing"),
        (
            EntryKind::HandReading { position: Position::Core, celsius: Celsius(500.0), depth: None },
            "",
            "outside -30 to 120 °C",
            "hot steel",
        ),
        (EntryKind::SettledDepth { metres: f64::NAN }, "", "NaN is no number; give one from 0 to 20 m", "no number"),
        (lab(-1.0, "MPN/g"), "", "result: -1 MPN/g is outside", "less than nothing"),
        (lab(120.0, " "), "", "the unit is missing", "no unit"),
        (rejected, "", "say why it was turned away: --note TEXT", "no reason"),
        (EntryKind::Complaint, " ", "an entry without words says nothing", "no words"),
        (moved(None, None), "", "say where it went", "nowhere"),
        (moved(Some(Stage::OnAir), None), "", "moved to curing or storage, not to on-air", "backwards"),
        (EntryKind::Corrected { of: EntryId(1), really: None }, "", "a correction needs its reason", "no reason"),
        (
            EntryKind::Corrected {
                of: EntryId(1),
                really: Some(Box::new(Really { at: BEGIN, kind: EntryKind::Valve { open_percent: 130.0 } })),
            },
            "typed wrongly",
            "opening: 130 % is outside",
            "a correction into nonsense",
        ),
    ] {
        let said = kind.check(note).expect_err(why);
        assert!(said.contains(wanted), "{why}: {said}");
    }
    for (kind, note) in
        [(lab(120.0, "MPN/g dry"), ""), (load(), ""), (shipped(Rest::Stays), ""), (EntryKind::Smell, "like vinegar")]
    {
        assert_eq!(kind.check(note), Ok(()), "{kind:?}");
    }
}

#[test]
fn what_somebody_writes_now_is_at_least_something_and_has_no_sign_before_nought() {
    let (water, hose) = (
        |l| EntryKind::Watered { minutes: None, litres: Some(Litres(l)) },
        |m| EntryKind::Watered { minutes: Some(m), litres: None },
    );
    let depth = |m| EntryKind::HandReading { position: Position::Core, celsius: Celsius(60.0), depth: Some(Metres(m)) };
    let really = |kind| EntryKind::Corrected { of: EntryId(1), really: Some(Box::new(Really { at: BEGIN, kind })) };
    for (kind, wanted, why) in [
        (water(0.1), None, "the least"),
        (water(0.0), Some("water: 0 L is less than 0.1 L, the least that can be logged"), "no water"),
        (water(-0.0), Some("water: -0 L is less than 0.1 L"), "a nought with a sign"),
        (water(1e-300), Some("water: 1e-300 L is less than"), "next to nothing"),
        (hose(0.0), Some("minutes: 0 min is less than 0.1 min"), "no time"),
        (depth(0.0), Some("depth: 0 m is less than 0.01 m"), "no depth"),
        (EntryKind::SettledDepth { metres: -0.0 }, Some("depth: -0 m is less than 0.01 m"), "an empty bin is no depth"),
        (EntryKind::Valve { open_percent: 0.0 }, None, "a closed valve"),
        (EntryKind::Valve { open_percent: -0.0 }, Some("write 0 without a sign"), "a nought with a sign"),
        (lab(0.0, "MPN/g"), None, "a laboratory may write it"),
        (really(water(0.0)), Some("water: 0 L is less than"), "the same by a correction"),
    ] {
        match wanted {
            None => assert_eq!(kind.check_least(), Ok(()), "{why}"),
            Some(words) => assert!(kind.check_least().unwrap_err().contains(words), "{why}: {:?}", kind.check_least()),
        }
        // What is on record with a nought stays in use.
        assert_eq!(kind.check("why"), Ok(()), "{why}");
    }
}

/// What somebody may write about one of three bins; the hour is that of the entry before and some more.
fn any_entry() -> impl Strategy<Value = (i64, usize, EntryKind)> {
    let name = || proptest::sample::select(vec!["a", "b", "c"]);
    let kind = prop_oneof![
        4 => Just(on_air()),
        2 => Just(load()),
        3 => Just(EntryKind::OffAir),
        2 => (0..3usize, proptest::option::of(name())).prop_map(|(stage, into)| {
            moved([None, Some(Stage::Curing), Some(Stage::Storage)][stage], into)
        }),
        2 => name().prop_map(|into| EntryKind::Split { into: bin(into), share_percent: 40.0 }),
        2 => name().prop_map(|into| EntryKind::Merged { into: bin(into) }),
        2 => Just(shipped(Rest::Nothing)),
        1 => Just(shipped(Rest::Stays)),
        1 => Just(EntryKind::Turned),
    ];
    (0i64..200, 0..3usize, kind)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    /// Whatever was written before, an entry that never happened leaves the batches as they were before it; and so on back to none.
    #[test]
    fn an_entry_that_never_happened_changed_nothing(written in proptest::collection::vec(any_entry(), 1..24)) {
        let (mut batches, mut log, mut before, mut hour) = (Batches::default(), Vec::new(), Vec::new(), 0);
        for (later, name, kind) in written {
            hour += later;
            let entry = Entry { note: "why".into(), ..at(hour, ["a", "b", "c"][name], kind) };
            let then = batches.clone();
            // What is refused is not in the log.
            if let Ok(applied) = batches.apply(&entry, &utc()) {
                let id = EntryId(u64::try_from(log.len()).unwrap() + 1);
                log.push(Entry { id, batch: applied.batch, ..entry });
                before.push(then);
            }
        }
        let here = |batches: &Batches| batches.all().cloned().collect::<Vec<_>>();
        while let Some(last) = log.iter().filter(|e| !matches!(e.kind, EntryKind::Corrected { .. })).nth(before.len().wrapping_sub(1)) {
            let (of, about) = (last.id, last.bin.clone());
            let without = batches.without(&log, of, &utc());
            let without = without.unwrap_or_else(|why| panic!("entry {of} of {log:?}: {why}"));
            batches.put_back(&without.changed);
            let then = before.pop().unwrap();
            prop_assert_eq!(here(&batches), here(&then), "without entry {} of {:?}", of, log);
            for batch in without.changed.iter().filter(|b| b.gone_at.is_some() && b.on_air_at.is_none()) {
                prop_assert_eq!(batch.counted_from(), None, "what never was is not judged");
            }
            let id = EntryId(u64::try_from(log.len()).unwrap() + 1);
            let never = EntryKind::Corrected { of, really: None };
            log.push(Entry { id, ..Entry::new(BEGIN + Span::hours(hour), about, never, "Ann", "a slip") });
            if before.is_empty() {
                break;
            }
        }
    }
}

#[test]
fn an_entry_that_a_later_one_needs_is_withdrawn_after_that_one() {
    let mut batches = Batches::default();
    let mut log = Vec::new();
    for (id, entry) in
        (1..).zip([at(0, "a", on_air()), at(900, "a", EntryKind::OffAir), at(950, "a", shipped(Rest::Nothing))])
    {
        let batch = batches.apply(&entry, &utc()).unwrap().batch;
        log.push(Entry { id: EntryId(id), batch, ..entry });
    }
    let said = batches.without(&log, EntryId(2), &utc()).unwrap_err();
    for words in
        ["entry 3 (shipped, bin a", "came after entry 2 and needs it", "hypocaust log correct 3 --never --reason TEXT"]
    {
        assert!(said.contains(words), "{words}: {said}");
    }
    // A log without its beginning says nothing of what was before.
    let said = batches.without(&log[1..], EntryId(3), &utc()).unwrap_err();
    for words in
        ["entry 3 is older than the entries that hypocaust looks back on", "write the way back as an entry of its own"]
    {
        assert!(said.contains(words), "{words}: {said}");
    }
}
