//! Probes that are moved and checked while the engine runs: rules see each where it is, and as it really reads.
//!
//! Must never pass because nothing was judged: every row names the finding that the rule must come to.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod yard;

use engine::alarm::Subject;
use engine::effect::Effect;
use engine::input::Input;
use engine::restore::Restored;
use pile::time::Span;
use pile::units::{Celsius, Metres};
use pile::window::{Point, Window};
use site::entry::{Against, CHECK_ALLOWED, Entry, EntryId, EntryKind, Really};
use site::ids::{BinId, ProbeId};
use site::model::Position;
use yard::{START, Yard, minutes, reading};

/// Raises anew with every value of the core, which it names.
const SAYS: &str = r#"
const RULE = #{
    title: "Core", watches_for: "A core.", cause: "c", consequence: "q", response: ["r"], time_to_respond: "1 h",
    severity: "major", every: "5 min", window: "2 d", stages: [], settings: #{},
};
fn judge(bin, set) {
    let core = bin.core.last();
    if core > 50.0 { return alarm(`core ${core}`); }
    clear(`core ${core}`)
}
"#;

fn placed(probe: &str) -> EntryKind {
    EntryKind::Placed { probe: ProbeId::new(probe).unwrap(), position: Position::Core, depth: None }
}

fn checked(probe: &str, showed: f64, truth: f64) -> EntryKind {
    EntryKind::Calibrated {
        probe: ProbeId::new(probe).unwrap(),
        against: Against::Thermometer,
        showed: Celsius(showed),
        truth: Celsius(truth),
        allowed: CHECK_ALLOWED,
        due: None,
    }
}

fn yard() -> Yard {
    Yard::with_rules(&[("core", SAYS)])
}

/// Bin and finding of every raise so far.
fn raised(yard: &Yard) -> Vec<(String, String)> {
    let bin = |subject: &Subject| match subject {
        Subject::Bin(bin) => format!("bin {bin}"),
        other => panic!("{other:?}"),
    };
    yard.alarm_mails().iter().map(|mail| (bin(&mail.subject), mail.finding.clone())).collect()
}

fn sends(yard: &mut Yard, probe: &str, value: f64) {
    yard.step(Input::Readings(vec![reading(probe, yard.now, yard.now, value)]));
    yard.wait(minutes(6));
}

#[test]
fn readings_of_a_moved_probe_are_of_the_bin_where_it_is() {
    let mut yard = yard();
    yard.enter("b2", placed("b1-core")).unwrap();
    sends(&mut yard, "b1-core", 61.0);
    assert_eq!(raised(&yard), [("bin b2".to_owned(), "core 61.0 °C".to_owned())]);
}

#[test]
fn what_a_probe_read_before_it_came_is_of_the_place_it_was_in() {
    let mut yard = yard();
    sends(&mut yard, "b1-core", 61.0);
    assert_eq!(raised(&yard), [("bin b1".to_owned(), "core 61.0 °C".to_owned())]);
    let before = yard.effects.len();
    yard.enter("b2", placed("b1-core")).unwrap();
    yard.wait(minutes(30));
    let told: Vec<_> = yard.effects[before..].iter().filter(|e| matches!(e, Effect::Mail(_))).collect();
    assert!(told.is_empty(), "the old reading says nothing of the new bin: {told:?}");
    // A reading that was measured before the move and comes after it.
    let late = reading("b1-core", yard.now - minutes(32), yard.now, 65.0);
    let effects = yard.step(Input::Readings(vec![late]));
    assert!(effects.iter().any(|e| matches!(e, Effect::Store { .. })), "it is kept");
    yard.wait(minutes(10));
    assert_eq!(raised(&yard).len(), 1, "and says nothing of the new bin");
}

#[test]
fn a_correction_holds_from_its_check_on_and_is_not_written_into_the_readings() {
    for (showed, truth, sent, finding, why) in [
        (0.0, 0.0, 51.0, Some("core 51.0 °C"), "a probe that is right"),
        (2.0, 0.0, 51.0, None, "49 °C in truth"),
        (-3.0, 0.0, 49.0, Some("core 52.0 °C"), "52 °C in truth"),
    ] {
        let mut yard = yard();
        yard.enter("b1", checked("b1-core", showed, truth)).unwrap();
        sends(&mut yard, "b1-core", sent);
        let findings: Vec<String> = raised(&yard).into_iter().map(|(_, finding)| finding).collect();
        assert_eq!(findings, finding.map(str::to_owned).into_iter().collect::<Vec<_>>(), "{why}");
        let stored: Vec<f64> = yard
            .effects
            .iter()
            .filter_map(|e| match e {
                Effect::Store { reading, .. } => Some(reading.value),
                _ => None,
            })
            .collect();
        assert_eq!(stored, [sent], "{why}: the store keeps what the probe said");
    }
}

#[test]
fn a_check_that_is_written_later_corrects_what_came_since_and_can_be_withdrawn() {
    let mut yard = yard();
    sends(&mut yard, "b1-core", 49.0);
    assert_eq!(raised(&yard), []);
    let check = Entry::new(yard.now - minutes(10), BinId::new("b1").unwrap(), checked("b1-core", -3.0, 0.0), "Ann", "");
    yard.step(Input::Entry(check));
    sends(&mut yard, "b1-core", 49.5);
    assert_eq!(raised(&yard).last().map(|(_, f)| f.as_str()), Some("core 52.5 °C"));
    let never = EntryKind::Corrected { of: EntryId(1), really: None };
    yard.enter("b1", never).unwrap();
    let cleared = yard.alarm_mails().len();
    sends(&mut yard, "b1-core", 49.0);
    let last = yard.alarm_mails()[cleared..].last().map(|mail| mail.finding.clone());
    assert_eq!(last.as_deref(), Some("core 49.0 °C"), "it clears by the probe's own words");
}

#[test]
fn a_restart_knows_where_each_probe_is_and_how_far_it_is_off() {
    let entry = |id, bin: &str, kind| Entry {
        id: EntryId(id),
        ..Entry::new(START - Span::hours(id as i64), BinId::new(bin).unwrap(), kind, "Ann", "")
    };
    let log = vec![entry(2, "b2", placed("b1-core")), entry(1, "b2", checked("b1-core", 0.0, 2.5))];
    let mut window = Window::new(Span::days(2));
    for (before, value) in [(150, 70.0), (3, 49.0)] {
        window.absorb(Point { at: START - minutes(before), value });
    }
    let id = reading("b1-core", START, START, 0.0).series;
    let restored =
        Restored { life: 7, last_entry: 2, about_probes: log, windows: vec![(id, window)], ..Restored::default() };
    let mut yard = Yard::restored(&[("core", SAYS)], restored, START);
    yard.step(Input::Started { previous: None });
    yard.wait(minutes(6));
    assert_eq!(
        raised(&yard),
        [("bin b2".to_owned(), "core 51.5 °C".to_owned())],
        "the newest reading, corrected, there"
    );
}

#[test]
fn what_cannot_be_is_refused_with_the_next_step() {
    let mut yard = yard();
    yard.wait(minutes(60));
    yard.enter("b2", placed("b1-core")).unwrap();
    let deep = EntryKind::Placed {
        probe: ProbeId::new("b1-core").unwrap(),
        position: Position::Core,
        depth: Some(Metres(40.0)),
    };
    let room = EntryKind::Placed { probe: ProbeId::new("b1-core").unwrap(), position: Position::Room, depth: None };
    let really = Really { at: START, kind: placed("b1-core") };
    for (bin, kind, want) in [
        ("b2", placed("b1-core"), "probe b1-core was put where it is now at"),
        ("b1", placed("nobody"), "there is no probe `nobody`; the settings have b1-core, b2-core"),
        ("b2", placed("b2-core"), "probe b2-core is in bin b2 at core already"),
        ("b1", deep, "depth: 40 m is outside 0 to 10 m"),
        ("b1", room, "a probe in a bin is at base, core, upper, cover, exhaust or plenum, not at room"),
        ("b1", checked("b1-core", 0.0, 0.0), "probe b1-core was in bin b2 at"),
        ("b2", checked("b1-core", 400.0, 0.0), "what the probe showed: 400 °C is outside -40 to 130 °C"),
        (
            "b2",
            EntryKind::Corrected { of: EntryId(9), really: Some(Box::new(really)) },
            "there is no entry 9; the last one is 1",
        ),
    ] {
        let got = yard.enter(bin, kind).unwrap_err();
        assert!(got.starts_with(want), "{want}\n{got}");
    }
}
