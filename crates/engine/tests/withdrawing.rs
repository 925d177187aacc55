//! Entries that never happened: `log correct N --never` leaves the site as it was without them.
//!
//! Must never look into the engine: what counts is what it says and does.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod yard;

use engine::alarm::AlarmState;
use engine::effect::Effect;
use engine::restore::Restored;
use pile::units::{CubicMetres, Kilograms};
use site::entry::{Amount, Batch, EntryId, EntryKind, Filled, Really, Rest, Stage, Taken};
use site::ids::{BinId, ProbeId};
use site::model::Position;
use yard::{Yard, minutes};

fn bin(name: &str) -> BinId {
    BinId::new(name).unwrap()
}

fn never(of: u64) -> EntryKind {
    EntryKind::Corrected { of: EntryId(of), really: None }
}

fn on_air() -> EntryKind {
    EntryKind::OnAir { loaded_at: None, filling: Some(Filled::of(Kilograms(1_200.0))) }
}

/// A yard of four bins.
fn four_bins() -> Yard {
    let more: String = ["b3", "b4"].map(|id| format!("  - {{ id: {id}, volume_m3: 2.5 }}\n")).concat();
    let settings = yard::SETTINGS.replace("mail: {", &format!("{more}mail: {{"));
    let mut yard = Yard::described(
        &settings,
        &[("hot-core", yard::HOT)],
        Restored { life: 7, ..Restored::default() },
        yard::START,
    );
    yard.step(engine::input::Input::Started { previous: None });
    yard
}

/// The batches as the store has them after what happened so far.
fn batches(yard: &Yard) -> Vec<Batch> {
    let mut all: Vec<Batch> = Vec::new();
    for effect in &yard.effects {
        if let Effect::Batch(batch) = effect {
            all.retain(|b| b.id != batch.id);
            all.push(batch.clone());
        }
    }
    all.retain(|b| b.gone_at.is_none());
    all.sort_by_key(|b| b.id);
    all
}

fn accounts_kept(yard: &Yard, from: usize) -> usize {
    yard.effects[from..].iter().filter(|e| matches!(e, Effect::Water(kept) if kept.bin.as_str() == "b1")).count()
}

#[test]
fn what_never_happened_to_a_batch_leaves_it_as_it_was_and_it_is_watched_on() {
    let load = EntryKind::Loaded {
        source: "Canteen".into(),
        material: "food waste".into(),
        amount: Amount::Mass(Kilograms(80.0)),
        taken: Taken::In,
    };
    let shipped = |rest| EntryKind::Shipped { to: "Farm".into(), amount: Amount::Volume(CubicMetres(1.0)), rest };
    for (kind, why) in [
        (EntryKind::OffAir, "off air"),
        (EntryKind::Moved { stage: Some(Stage::Curing), into: None }, "to curing"),
        (EntryKind::Moved { stage: None, into: Some(bin("b2")) }, "into another bin"),
        (EntryKind::Split { into: bin("b2"), share_percent: 50.0 }, "a part of it"),
        (load, "raw material"),
    ] {
        let mut yard = Yard::new();
        yard.enter("b1", on_air()).unwrap();
        yard.enter("b1", EntryKind::Turned).unwrap();
        yard.cores(&[50.0; 6]);
        let before = batches(&yard);
        let stages: Vec<_> = before.iter().map(|b| b.stage(yard.now)).collect();
        assert_eq!(stages, [Stage::OnAir], "{why}");
        yard.enter("b1", kind.clone()).unwrap();
        yard.wait(minutes(30));
        assert_ne!(batches(&yard), before, "{why}: it did something");
        let said = yard.enter("b1", never(3)).unwrap();
        let of_part = matches!(kind, EntryKind::Split { .. });
        let is = if of_part { "batch 2 is no batch any more" } else { "batch 1 is on-air in bin b1" };
        assert!(said.contains(&format!("did not happen; {is}")), "{why}: {said}");
        assert_eq!(batches(&yard), before, "{why}");
        let from = yard.effects.len();
        yard.cores(&[70.0; 12]);
        assert!(yard.alarm_mails().iter().any(|mail| mail.rule == "hot-core"), "{why}: it is watched");
        assert!(accounts_kept(&yard, from) > 0, "{why}: its water is counted on");
        // Entries of before are those of its batch: they can be corrected.
        yard.enter("b1", never(2)).unwrap();
        for (again, wanted) in [(3, "was withdrawn by entry 4 already"), (4, "correct the entry that it corrects")] {
            let refused = yard.enter("b1", never(again)).unwrap_err();
            assert!(refused.contains(wanted), "{why}: {refused}");
        }
    }
    let mut yard = Yard::new();
    yard.enter("b1", on_air()).unwrap();
    yard.wait(minutes(5));
    yard.enter("b1", EntryKind::OffAir).unwrap();
    let before = batches(&yard);
    yard.wait(minutes(5));
    yard.enter("b1", shipped(Rest::Nothing)).unwrap();
    assert_eq!(batches(&yard), [], "gone");
    let refused = yard.enter("b1", never(2)).unwrap_err();
    assert!(refused.contains("hypocaust log correct 3 --never"), "{refused}");
    assert_eq!(batches(&yard), [], "what is refused keeps nothing");
    yard.enter("b1", never(3)).unwrap();
    assert_eq!(batches(&yard), before, "it was never shipped");
    yard.enter("b1", never(2)).unwrap();
    yard.enter("b1", never(1)).unwrap();
    assert_eq!(batches(&yard), [], "it was never there");
    yard.enter("b1", on_air()).unwrap();
    assert_eq!(batches(&yard)[0].id.0, 2, "a number is given once");
}

#[test]
fn after_a_restart_an_entry_is_withdrawn_as_before_it() {
    let mut yard = Yard::new();
    yard.enter("b1", on_air()).unwrap();
    yard.enter("b2", on_air()).unwrap();
    let before = batches(&yard);
    yard.wait(minutes(5));
    yard.enter("b1", EntryKind::Merged { into: bin("b2") }).unwrap();
    let log: Vec<_> =
        yard.effects.iter().filter_map(|e| if let Effect::Entry(e) = e { Some(e.clone()) } else { None }).collect();
    let restored =
        Restored { life: 7, log, batches: batches(&yard), last_entry: 3, last_batch: 2, ..Restored::default() };
    let mut second = Yard::restored(&[("hot-core", yard::HOT)], restored, yard.now);
    second.step(engine::input::Input::Started { previous: None });
    second.effects = std::mem::take(&mut yard.effects);
    second.enter("b1", never(3)).unwrap();
    assert_eq!(batches(&second), before);
}

#[test]
fn probes_that_were_never_pulled_are_believed_and_a_valve_that_was_never_set_is_as_before() {
    let mut yard = Yard::new();
    yard.enter("b1", on_air()).unwrap();
    yard.enter("b1", EntryKind::ProbesOut).unwrap();
    yard.cores(&[70.0; 12]);
    assert!(yard.alarm_mails().is_empty(), "probes that are out are not believed");
    yard.enter("b1", never(2)).unwrap();
    yard.cores(&[70.0; 12]);
    assert!(yard.engine.alarms().any(|a| a.key.rule == "hot-core" && a.life.state == AlarmState::Unacknowledged));
    let place = |position| EntryKind::Placed { probe: ProbeId::new("b1-core").unwrap(), position, depth: None };
    yard.enter("b1", place(Position::Base)).unwrap();
    yard.enter("b1", never(4)).unwrap();
    let refused = yard.enter("b1", place(Position::Core)).unwrap_err();
    assert!(refused.contains("is in bin b1 at core already"), "it never was elsewhere: {refused}");
}

/// A move, a part, a joining and a shipment are corrected in time, amount and bin: the batches are as if it had been written so at once.
#[test]
fn what_moved_a_batch_is_corrected_as_if_it_had_been_written_so_at_once() {
    let shipped = |kg: f64, rest| EntryKind::Shipped { to: "Farm".into(), amount: Amount::Mass(Kilograms(kg)), rest };
    let moved = |into: Option<&str>| EntryKind::Moved { stage: Some(Stage::Curing), into: into.map(bin) };
    let split = |into: &str, share_percent| EntryKind::Split { into: bin(into), share_percent };
    for (wrong, really, why) in [
        (moved(None), moved(None), "to curing"),
        (moved(Some("b2")), moved(Some("b2")), "into another bin"),
        (moved(Some("b2")), moved(Some("b3")), "into the other bin"),
        (split("b2", 50.0), split("b3", 40.0), "a part"),
        (EntryKind::Merged { into: bin("b4") }, EntryKind::Merged { into: bin("b4") }, "joined"),
        (shipped(900.0, Rest::Nothing), shipped(700.0, Rest::Nothing), "all of it"),
        (shipped(900.0, Rest::Stays), shipped(700.0, Rest::Stays), "a part of it"),
    ] {
        let begun = || {
            let mut yard = four_bins();
            yard.enter("b1", on_air()).unwrap();
            yard.enter("b4", on_air()).unwrap();
            yard.wait(minutes(60));
            yard.enter("b1", EntryKind::OffAir).unwrap();
            yard.wait(minutes(60));
            yard
        };
        let mut at_once = begun();
        at_once.enter("b1", really.clone()).unwrap();
        let at = at_once.now;
        at_once.wait(minutes(30));
        let mut yard = begun();
        yard.wait(minutes(20));
        yard.enter("b1", wrong.clone()).unwrap();
        yard.wait(minutes(10));
        let of = EntryId(4);
        let correction = |at| EntryKind::Corrected { of, really: Some(Box::new(Really { at, kind: really.clone() })) };
        let said = yard.enter("b1", correction(at)).unwrap();
        assert!(said.contains("entry 4 stays in the log; what holds is"), "{why}: {said}");
        assert_eq!(batches(&yard), batches(&at_once), "{why}");
        // It can be corrected once more, and withdrawn.
        yard.enter("b1", correction(at + minutes(1))).unwrap();
        yard.enter("b1", never(4)).unwrap();
        assert_eq!(batches(&yard), batches(&begun()), "{why}: it never was");
        let refused = yard.enter("b1", correction(at)).unwrap_err();
        assert!(refused.contains("was withdrawn by entry"), "{why}: {refused}");
    }
}

#[test]
fn a_correction_with_which_a_later_entry_does_not_go_is_refused_and_keeps_nothing() {
    let mut yard = four_bins();
    yard.enter("b1", on_air()).unwrap();
    yard.wait(minutes(10));
    let moved = |into: &str| EntryKind::Moved { stage: None, into: Some(bin(into)) };
    yard.enter("b1", moved("b2")).unwrap();
    yard.wait(minutes(10));
    yard.enter("b2", EntryKind::OffAir).unwrap();
    yard.wait(minutes(10));
    let (before, from) = (batches(&yard), yard.effects.len());
    let correction = |later: i64, into: &str| EntryKind::Corrected {
        of: EntryId(2),
        really: Some(Box::new(Really { at: yard::START + minutes(later), kind: moved(into) })),
    };
    for (kind, wanted) in [
        (correction(25, "b2"), "entry 3 (off-air, bin b2"),
        (correction(10, "b3"), "hypocaust log correct 3 --never"),
        (correction(-5, "b2"), "entry 2 cannot have been so"),
        (
            EntryKind::Corrected {
                of: EntryId(2),
                really: Some(Box::new(Really { at: yard.now, kind: EntryKind::OffAir })),
            },
            "`hypocaust log correct 2 --never --reason TEXT`, then `hypocaust batch off-air --bin b1 --at TIME`",
        ),
        (
            EntryKind::Corrected { of: EntryId(1), really: Some(Box::new(Really { at: yard.now, kind: on_air() })) },
            "`hypocaust log correct 1 --never --reason TEXT`, then `hypocaust batch on-air --bin b1 --at TIME`",
        ),
    ] {
        let refused = yard.enter("b1", kind).unwrap_err();
        assert!(refused.contains(wanted), "`{wanted}` is not in: {refused}");
        assert_eq!(batches(&yard), before);
        let kept = yard.effects[from..].iter().any(|e| matches!(e, Effect::Entry(_) | Effect::Batch(_)));
        assert!(!kept, "what is refused keeps nothing: {refused}");
    }
}

/// However much is written since, what made a batch that is on the site can be taken back; of one that has left, what is too long ago is refused.
#[test]
fn what_made_a_batch_of_the_site_is_looked_back_on_however_long_ago() {
    let mut yard = four_bins();
    yard.enter("b1", on_air()).unwrap();
    yard.enter("b2", on_air()).unwrap();
    yard.wait(minutes(5));
    yard.enter("b1", EntryKind::OffAir).unwrap();
    yard.enter("b2", EntryKind::OffAir).unwrap();
    yard.enter(
        "b2",
        EntryKind::Shipped { to: "Farm".into(), amount: Amount::Mass(Kilograms(9.0)), rest: Rest::Nothing },
    )
    .unwrap();
    for number in 0..engine::limits::LOG_KEPT + 10 {
        if number % 600 == 0 {
            yard.wait(minutes(1));
        }
        yard.enter("b3", EntryKind::Note).unwrap();
        // Only what is written counts here.
        yard.effects.retain(|e| matches!(e, Effect::Batch(_)));
    }
    let before = batches(&yard);
    let refused = yard.enter("b2", never(5)).unwrap_err();
    assert!(refused.contains("entry 5 is older than the entries that hypocaust looks back on"), "{refused}");
    assert!(refused.contains("entry of its own"), "{refused}");
    assert_eq!(batches(&yard), before, "what is refused keeps nothing");
    let said = yard.enter("b1", never(3)).unwrap();
    assert!(said.contains("batch 1 is on-air in bin b1"), "{said}");
}
