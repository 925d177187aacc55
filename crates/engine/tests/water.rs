//! The running water account: what moves it, what widens its doubt, and that a restart changes nothing.
//!
//! Must never compare but with the account that the same readings gave without a break.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod yard;

use engine::effect::Effect;
use engine::input::{Input, PreviousRun};
use engine::restore::Restored;
use engine::water::KeptWater;
use pile::time::{Span, Timestamp};
use pile::units::{Kilograms, Litres};
use pile::water_account::WaterAccount;
use pile::window::{Point, Window};
use site::entry::{EntryId, EntryKind, Filled, Really};
use site::ids::BlowerId;
use site::quantity::Quantity;
use site::reading::{Quality, Reading, SeriesId, Source, TimeSource};
use yard::{HOT, SETTINGS, START, Yard, reading};

/// A quiet rule: only the account is looked at.
const QUIET: (&str, &str) = ("hot-core", HOT);

/// What the probes and the blower of bin b1 send at one moment: core temperature, and seconds run.
type Sends = fn(hours: f64) -> (Option<f64>, Option<f64>);

fn usual(hours: f64) -> (Option<f64>, Option<f64>) {
    // One minute in thirty, read off every five minutes.
    (Some(55.0 + 3.0 * (hours / 8.0).sin()), Some(120.0 * hours))
}

fn filled() -> EntryKind {
    let filling = Filled { weighed: true, moisture_percent: Some(58.0), ..Filled::of(Kilograms(1_250.0)) };
    EntryKind::OnAir { loaded_at: None, filling: Some(filling) }
}

fn ran(at: Timestamp, seconds: f64) -> Reading {
    Reading {
        series: SeriesId { source: Source::Blower(BlowerId::new("fan").unwrap()), quantity: Quantity::RunTime },
        measured_at: at,
        received_at: at,
        value: seconds,
        time_source: TimeSource::Device,
        retained: false,
    }
}

/// Lets five minutes pass and sends what is due.
fn five_minutes(yard: &mut Yard, sends: Sends) {
    yard.wait(Span::minutes(5));
    let (core, seconds) = sends(yard.now.since(START).as_hours());
    let now = yard.now;
    let readings = core.map(|c| reading("b1-core", now, now, c)).into_iter().chain(seconds.map(|s| ran(now, s)));
    yard.step(Input::Readings(readings.collect()));
}

fn lived(hours: i64, sends: Sends, entries: &[(i64, EntryKind)]) -> Yard {
    let mut yard = Yard::with_rules(&[QUIET]);
    yard.enter("b1", filled()).unwrap();
    go_on(&mut yard, 0, hours, sends, entries);
    yard
}

fn go_on(yard: &mut Yard, from: i64, to: i64, sends: Sends, entries: &[(i64, EntryKind)]) {
    for hour in from..to {
        for (_, kind) in entries.iter().filter(|(at, _)| *at == hour) {
            yard.enter("b1", kind.clone()).unwrap();
        }
        for _ in 0..12 {
            five_minutes(yard, sends);
        }
    }
}

fn kept(yard: &Yard) -> KeptWater {
    let of = |e: &Effect| if let Effect::Water(kept) = e { Some((**kept).clone()) } else { None };
    yard.effects.iter().rev().find_map(of).expect("an account is kept")
}

fn account(yard: &Yard) -> WaterAccount {
    let kept = kept(yard);
    WaterAccount::from_numbers(kept.at, &kept.numbers).expect("what was kept can be read")
}

fn watered(litres: f64) -> EntryKind {
    EntryKind::Watered { minutes: None, litres: Some(Litres(litres)) }
}

#[test]
fn what_is_measured_and_written_moves_the_account() {
    let stands: Sends = |hours| (usual(hours).0, Some(0.0));
    let silent: Sends = |hours| (usual(hours).0, None);
    let deaf: Sends = |hours| if hours < 6.0 { usual(hours) } else { (None, usual(hours).1) };
    let plain = account(&lived(48, usual, &[]));
    let band = |a: &WaterAccount| a.moisture().high.0 - a.moisture().low.0;
    let removed = |a: &WaterAccount| a.totals().removed.0;
    let late = (START + Span::hours(48)).since(plain.at());
    assert!((Span::minutes(30)..=Span::minutes(45)).contains(&late), "it waits {late} for late readings");

    let still = account(&lived(48, stands, &[]));
    assert!(removed(&still) < removed(&plain) / 2.0, "a blower that stands dries little: {}", removed(&still));
    let unheard = account(&lived(48, silent, &[]));
    assert!(
        removed(&unheard) < removed(&plain) && removed(&unheard) > removed(&still),
        "and is neither running nor standing"
    );
    // Over ten days what is not known outweighs what the filling and the flow leave open.
    let sd = |sends| account(&lived(240, sends, &[])).water_mass_sd().0;
    assert!(sd(silent) > sd(usual) + 1.0, "silence of the blower widens: {} {}", sd(silent), sd(usual));
    assert!(sd(deaf) > sd(usual) + 1.0, "so does a silent probe: {} {}", sd(deaf), sd(usual));

    let wet = account(&lived(48, usual, &[(20, watered(100.0))]));
    assert!((wet.totals().added.0 - 100.0).abs() < 1e-9, "what is watered is added");
    let told = account(&lived(48, usual, &[(47, EntryKind::Sampled { moisture_percent: 50.0, sd_percent: 1.0 })]));
    assert!((told.moisture().value.0 - 0.50).abs() < 0.01, "a sample sets it right: {:?}", told.moisture());
    assert!(band(&told) < band(&plain), "and narrows it");
}

#[test]
fn a_bed_near_boiling_is_told_and_the_account_goes_on_when_it_is_cooler() {
    // At 2,500 m water boils at 92 °C: and a bed of 93 °C ended the account for good.
    let high = SETTINGS.replace("elevation_metres: 10", "elevation_metres: 2500");
    let says = "fn judge(bin, set) { if bin.core.last() < 0 { return keep(); } if bin.water.moisture.known { return clear(`known`); } alarm(bin.water.moisture.why) }";
    let rule = HOT.replace(&HOT[HOT.find("fn judge").unwrap()..], says);
    let mut yard = Yard::described(&high, &[("hot-core", &rule)], Restored { life: 7, ..Restored::default() }, START);
    yard.step(Input::Started { previous: None });
    yard.enter("b1", filled()).unwrap();
    go_on(&mut yard, 0, 6, usual, &[]);
    let boils: Sends = |hours| (Some(93.0), usual(hours).1);
    go_on(&mut yard, 6, 18, boils, &[]);
    let told = yard.alarm_mails().iter().any(|mail| mail.finding.contains("at this elevation"));
    assert!(told, "{:?}", yard.alarm_mails());
    go_on(&mut yard, 18, 36, usual, &[]);
    let late = yard.now.since(account(&yard).at());
    assert!(late <= Span::minutes(45), "it goes on: it stands {late} ago");
    assert!(yard.effects.iter().all(|e| !matches!(e, Effect::Say { text, .. } if text.contains("no water balance"))));
}

#[test]
fn a_frozen_bed_is_told_and_the_account_goes_on_in_the_thaw() {
    // It was followed as if it stood at 0 °C, without a word.
    let says = "fn judge(bin, set) { if bin.core.last() < -40 { return keep(); } if bin.water.moisture.known { return clear(`known`); } alarm(bin.water.moisture.why) }";
    let rule = HOT.replace(&HOT[HOT.find("fn judge").unwrap()..], says);
    let mut yard =
        Yard::described(SETTINGS, &[("hot-core", &rule)], Restored { life: 7, ..Restored::default() }, START);
    yard.step(Input::Started { previous: None });
    yard.enter("b1", filled()).unwrap();
    go_on(&mut yard, 0, 6, usual, &[]);
    let before = account(&yard).totals().removed.0;
    assert!(yard.alarm_mails().is_empty(), "{:?}", yard.alarm_mails());
    let frozen: Sends = |hours| (Some(-8.0), usual(hours).1);
    go_on(&mut yard, 6, 54, frozen, &[]);
    let why = yard.alarm_mails().last().map(|mail| mail.finding.clone()).unwrap();
    assert!(
        why.contains("the core, where the air leaves the pile, is at -8.0 °C: below 0.0 °C its water is ice"),
        "{why}"
    );
    let meanwhile = account(&yard).totals().removed.0 - before;
    go_on(&mut yard, 54, 72, usual, &[]);
    let late = yard.now.since(account(&yard).at());
    assert!(late <= Span::minutes(45), "it goes on: it stands {late} ago");
    let thawed = account(&yard).totals().removed.0 - before - meanwhile;
    assert!(meanwhile < thawed / 10.0, "ice dries little: {meanwhile} kg in two days, {thawed} kg in the 18 h after");
    assert_eq!(yard.alarm_mails().last().unwrap().step, engine::notice::Step::Clear, "and the figures are known again");
}

#[test]
fn under_suction_the_exhaust_is_that_of_the_base() {
    // The top is at 60 °C and the base at 40: drawn down, the air leaves with the water of 40 °C.
    let removed = |settings: &str| {
        let mut yard = Yard::described(settings, &[QUIET], Restored { life: 7, ..Restored::default() }, START);
        yard.step(Input::Started { previous: None });
        yard.enter("b1", filled()).unwrap();
        for _ in 0..24 * 12 {
            yard.wait(Span::minutes(5));
            let (now, hours) = (yard.now, yard.now.since(START).as_hours());
            yard.step(Input::Readings(vec![
                reading("b1-core", now, now, 60.0),
                reading("b1-base", now, now, 40.0),
                ran(now, 120.0 * hours),
            ]));
        }
        account(&yard).totals().removed.0
    };
    let core = "{ id: b1-core, position: core, depth_metres: 0.5, every_seconds: 300 }";
    let with_base = SETTINGS.replace(core, &format!("{core}, {{ id: b1-base, position: base, every_seconds: 300 }}"));
    assert_ne!(with_base, SETTINGS, "the yard's settings are as this test takes them");
    let suction = with_base.replace("{ id: fan,", "{ id: fan, direction: suction,");
    assert_ne!(suction, with_base, "the yard's settings are as this test takes them");
    let (up, down) = (removed(&with_base), removed(&suction));
    assert!(down < up * 0.6, "{down} kg drawn down, {up} kg blown up");
}

#[test]
fn a_correction_takes_back_what_was_written_wrongly() {
    let sampled = |percent| EntryKind::Sampled { moisture_percent: percent, sd_percent: 1.0 };
    let corrected = |really: Option<EntryKind>| {
        let really = really.map(|kind| Box::new(Really { at: START, kind }));
        EntryKind::Corrected { of: EntryId(2), really }
    };
    let moisture = |entries: &[(i64, EntryKind)]| account(&lived(24, usual, entries)).moisture().value.0 * 100.0;
    let band = |entries: &[(i64, EntryKind)]| {
        let moisture = account(&lived(24, usual, entries)).moisture();
        moisture.high.0 - moisture.low.0
    };
    // The entry about on-air is the first, so that what is corrected is the second.
    for (entries, like, within, why) in [
        (
            vec![(5, watered(600.0)), (6, corrected(Some(watered(60.0))))],
            vec![(5, watered(60.0))],
            1.0,
            "a digit too many",
        ),
        (vec![(5, watered(60.0)), (6, corrected(None))], vec![], 0.1, "it was another bin"),
        (
            vec![(5, sampled(35.0)), (6, corrected(Some(sampled(55.0))))],
            vec![(6, sampled(55.0))],
            0.5,
            "a sample that was misread",
        ),
        (
            vec![(5, watered(600.0)), (6, sampled(55.0)), (7, corrected(Some(watered(60.0))))],
            vec![(5, watered(600.0)), (6, sampled(55.0))],
            1e-9,
            "a sample taken since knows better",
        ),
    ] {
        let (got, want) = (moisture(&entries), moisture(&like));
        assert!((got - want).abs() <= within, "{why}: {got} % of moisture, not {want}");
    }
    let withdrawn = [(5, sampled(35.0)), (6, corrected(None))];
    assert!(band(&withdrawn) > 2.0 * band(&[(5, sampled(35.0))]), "without its sample the account knows less");
}

#[test]
fn without_a_weight_the_account_begins_with_a_usual_mix_and_doubts_it_more() {
    let mut yard = Yard::with_rules(&[QUIET]);
    yard.enter("b1", EntryKind::OnAir { loaded_at: None, filling: None }).unwrap();
    let (assumed, told) = (account(&yard), account(&lived(0, usual, &[])));
    let band = |a: &WaterAccount| a.moisture().high.0 - a.moisture().low.0;
    assert!((assumed.moisture().value.0 - 0.58).abs() < 1e-9);
    assert!(band(&assumed) > 1.5 * band(&told));
}

#[test]
fn a_restart_at_any_moment_leaves_the_account_as_it_would_have_been() {
    let entries = [(5, watered(60.0)), (11, EntryKind::Sampled { moisture_percent: 55.0, sd_percent: 2.0 })];
    let whole = kept(&lived(16, usual, &entries));
    for cut in [1, 4, 5, 6, 11, 12, 15] {
        let first = lived(cut, usual, &entries);
        let mut second = Yard::restored(&[QUIET], remembered(&first.effects, first.now), first.now);
        second.step(Input::Started { previous: Some(PreviousRun { last_alive: first.now, stopped_cleanly: true }) });
        go_on(&mut second, cut, 16, usual, &entries);
        assert_eq!(kept(&second), whole, "cut after {cut} hours");
    }
}

#[test]
fn after_a_month_the_account_catches_up_in_pieces_that_are_kept_each() {
    let first = lived(4, usual, &[]);
    let mut restored = remembered(&first.effects, first.now);
    let back = first.now + Span::days(31);
    let previous = Some(PreviousRun { last_alive: first.now, stopped_cleanly: true });
    restored.previous = previous;
    let mut second = Yard::restored(&[QUIET], restored.clone(), back);
    second.step(Input::Started { previous });
    let mut pieces = Vec::new();
    let stands = |effects: &[Effect]| {
        effects.iter().rev().find_map(|e| match e {
            Effect::Water(kept) => Some((kept.at, kept.numbers.clone())),
            _ => None,
        })
    };
    for _ in 0..120 {
        second.now = second.now + Span::seconds(1);
        let effects = second.step(Input::Wake);
        let kept = effects.iter().filter(|e| matches!(e, Effect::Water(_))).count();
        assert!(kept <= 1, "a piece is kept once, not cell by cell: {kept}");
        pieces.extend(stands(&effects));
    }
    assert!(pieces.len() > 10, "31 days are more than one piece: {}", pieces.len());
    assert!(pieces.windows(2).all(|p| p[1].0.since(p[0].0) <= Span::days(2)), "and no piece is more than two days");
    let (at, numbers) = pieces.last().unwrap();
    assert!(second.now.since(*at) < Span::hours(2), "it has caught up: {}", second.now.since(*at));
    // Killed in the middle, it goes on from the piece that was kept.
    let mut again = Yard::restored(&[QUIET], restored.clone(), back);
    again.step(Input::Started { previous });
    for _ in 0..5 {
        again.now = again.now + Span::seconds(1);
        again.step(Input::Wake);
    }
    let mut kept = remembered(&again.effects, again.now);
    kept.windows = restored.windows;
    kept.batches = restored.batches;
    kept.entries = restored.entries;
    let mut third = Yard::restored(&[QUIET], kept, again.now);
    third.step(Input::Started { previous: Some(PreviousRun { last_alive: again.now, stopped_cleanly: false }) });
    for _ in 0..115 {
        third.now = third.now + Span::seconds(1);
        third.step(Input::Wake);
    }
    assert_eq!(stands(&third.effects), Some((*at, numbers.clone())), "and comes to the same");
}

#[test]
fn an_account_that_was_not_kept_is_not_made_up() {
    let first = lived(4, usual, &[]);
    let restored = Restored { water: vec![], ..remembered(&first.effects, first.now) };
    let mut second = Yard::restored(&[QUIET], restored, first.now);
    second.step(Input::Started { previous: None });
    go_on(&mut second, 4, 6, usual, &[]);
    assert!(!second.effects.iter().any(|e| matches!(e, Effect::Water(_))), "nothing is counted from the middle");
}

/// What the store would give back.
fn remembered(effects: &[Effect], now: Timestamp) -> Restored {
    let mut restored = Restored { life: 7, ..Restored::default() };
    for effect in effects {
        match effect {
            Effect::Store { reading, quality: Quality::Good, .. } => {
                let windows = &mut restored.windows;
                let place = windows.iter().position(|(id, _)| *id == reading.series).unwrap_or(windows.len());
                if place == windows.len() {
                    windows.push((reading.series.clone(), Window::new(Span::days(3))));
                }
                windows[place].1.absorb(Point { at: reading.measured_at, value: reading.value });
            }
            Effect::Batch(batch) => {
                restored.batches.retain(|b| b.bin != batch.bin);
                restored.batches.push(batch.clone());
            }
            Effect::Entry(entry) => restored.entries.push(entry.clone()),
            Effect::Water(kept) => {
                restored.water.retain(|w| w.bin != kept.bin);
                restored.water.push((**kept).clone());
            }
            _ => {}
        }
    }
    restored.previous = Some(PreviousRun { last_alive: now, stopped_cleanly: true });
    restored
}
