//! Fire comes before everything else: at every stage, with or without a batch, whatever people write and whatever the rules say.
//!
//! Must never use anything but the rules that ship, except where a rule is taken away or changed on purpose.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod yard;

use std::collections::BTreeMap;

use engine::alarm::{Alarm, AlarmState};
use engine::effect::Effect;
use engine::input::{Input, RuleSet, Word};
use engine::notice::{AlarmNotice, Notice, Step};
use engine::restore::Restored;
use pile::time::{Span, Timestamp};
use pile::units::Kilograms;
use rulebook::{RuleText, Rulebook};
use site::entry::{Entry, EntryKind, Filled, Stage};
use site::ids::BinId;
use yard::{SETTINGS, START, Yard, minutes, reply, shipped};

/// Ann works there, Oda owns it and hears of high alarms, Rea reads documents.
fn settings() -> String {
    SETTINGS.replace(
        "gets: [alarms, summary] }",
        "role: crew }\n  - { name: Oda, mail: \"oda@test.example\", role: owner }\n  - { name: Rea, mail: \"rea@test.example\", role: reader }",
    )
}

/// Bin b1 with the rules that ship, as `change` leaves them.
fn yard_with(change: impl Fn(&mut Vec<RuleText>)) -> Yard {
    let mut texts = shipped();
    change(&mut texts);
    let site = site::settings::read(&settings(), "test.yaml").unwrap_or_else(|faults| panic!("{faults:#?}"));
    let (book, broken) = Rulebook::compile(&texts, &site.rules, site.display);
    let engine = engine::Engine::new(site.into(), book, broken, Restored { life: 7, ..Restored::default() }, START);
    let mut yard = Yard { engine, now: START, effects: Vec::new() };
    yard.step(Input::Started { previous: None });
    yard
}

fn write(yard: &mut Yard, kind: EntryKind) {
    let entry = Entry::new(yard.now, BinId::new("b1").unwrap(), kind, "Ann", "");
    let effects = yard.step(Input::Entry(entry));
    reply(&effects).unwrap();
}

fn hold(yard: &mut Yard, celsius: f64, for_minutes: i64) {
    for _ in 0..for_minutes / 5 {
        yard.core(celsius);
    }
}

fn alarm<'a>(yard: &'a Yard, rule: &str) -> Option<&'a Alarm> {
    yard.engine.alarms().find(|a| a.key.rule == rule && a.key.bin().is_some_and(|bin| bin.as_str() == "b1"))
}

fn stands(yard: &Yard, rule: &str) -> bool {
    alarm(yard, rule).is_some_and(Alarm::stands)
}

fn on_air(yard: &mut Yard) {
    write(yard, EntryKind::OnAir { loaded_at: None, filling: None });
}

fn reload(yard: &mut Yard, texts: Vec<RuleText>) {
    let set = RuleSet { texts, changed: yard::site().rules.clone(), refused: Vec::new() };
    yard.step(Input::Rules(Box::new(set)));
}

#[test]
fn fire_is_watched_at_every_stage_and_without_a_batch() {
    let moved = |stage| EntryKind::Moved { stage: Some(stage), into: None };
    for (stage, entries) in [
        ("without a batch", vec![]),
        ("on air", vec![EntryKind::OnAir { loaded_at: None, filling: None }]),
        ("off air", vec![EntryKind::OnAir { loaded_at: None, filling: None }, EntryKind::OffAir]),
        ("curing", vec![EntryKind::OnAir { loaded_at: None, filling: None }, EntryKind::OffAir, moved(Stage::Curing)]),
        ("stored", vec![EntryKind::OnAir { loaded_at: None, filling: None }, EntryKind::OffAir, moved(Stage::Storage)]),
    ] {
        let mut yard = yard_with(|_| ());
        for entry in entries {
            write(&mut yard, entry);
            yard.wait(minutes(1));
        }
        hold(&mut yard, 95.0, 30);
        assert!(stands(&yard, "fire-danger"), "{stage}: {:?}", alarm(&yard, "fire-danger"));
        let mails: Vec<_> = yard.alarm_mails().iter().filter(|m| m.rule == "fire-danger").map(|m| m.priority).collect();
        assert_eq!(mails.first(), Some(&rulebook::header::Priority::High), "{stage}");
    }
}

#[test]
fn no_stage_no_batch_and_no_text_of_a_rule_ends_a_fire_while_readings_are_hot() {
    let changed = |texts: &mut Vec<RuleText>, from: &str, to: &str| {
        let rule = texts.iter_mut().find(|t| t.name == "fire-danger").unwrap();
        assert!(rule.text.contains(from), "{from}");
        rule.text = rule.text.replace(from, to);
    };
    type Act = Box<dyn Fn(&mut Yard)>;
    let acts: Vec<(&str, Act)> = vec![
        ("it goes off air", Box::new(|yard| write(yard, EntryKind::OffAir))),
        (
            "it is moved to curing",
            Box::new(|yard| {
                write(yard, EntryKind::OffAir);
                write(yard, EntryKind::Moved { stage: Some(Stage::Curing), into: None });
            }),
        ),
        (
            "the rule is gone",
            Box::new(|yard| reload(yard, shipped().into_iter().filter(|t| t.name != "fire-danger").collect())),
        ),
        (
            "all rules are gone but one",
            Box::new(|yard| reload(yard, shipped().into_iter().filter(|t| t.name == "frost").collect())),
        ),
        (
            "its limit is raised and its deadband with it",
            Box::new(move |yard| {
                let mut texts = shipped();
                changed(&mut texts, "limit: #{ value: 80.0", "limit: #{ value: 95.0");
                changed(&mut texts, "back: #{ value: 78.0", "back: #{ value: 94.0");
                reload(yard, texts);
            }),
        ),
        (
            "it is narrowed to one stage",
            Box::new(move |yard| {
                let mut texts = shipped();
                changed(&mut texts, "stages: [],\n    guards: \"fire\",", "stages: [\"loading\"],");
                reload(yard, texts);
            }),
        ),
    ];
    for (why, act) in acts {
        let mut yard = yard_with(|_| ());
        on_air(&mut yard);
        hold(&mut yard, 86.0, 30);
        assert!(stands(&yard, "fire-danger"), "{why}");
        act(&mut yard);
        hold(&mut yard, 86.0, 300);
        let fire = alarm(&yard, "fire-danger").unwrap();
        assert!(fire.stands(), "{why}: {:?}", fire.life);
        hold(&mut yard, 60.0, 300);
        let left = yard.engine.alarms().filter(|a| a.key.rule.starts_with("fire") && a.stands()).count();
        assert_eq!(left, 0, "{why}: and it ends when the pile is cool");
    }
}

#[test]
fn a_site_without_a_rule_for_fire_is_watched_all_the_same() {
    for (why, change) in [
        ("its file is gone", (|texts| texts.retain(|t| t.name != "fire-danger")) as fn(&mut Vec<RuleText>)),
        ("no rule at all", |texts| texts.clear()),
        ("its text is broken", |texts| {
            texts.iter_mut().filter(|t| t.name == "fire-danger").for_each(|t| t.text.push('}'))
        }),
    ] {
        let mut yard = yard_with(change);
        hold(&mut yard, 84.0, 15);
        assert!(stands(&yard, "fire-unguarded"), "{why}");
        let mail = yard.alarm_mails().into_iter().find(|m| m.rule == "fire-unguarded").cloned().unwrap();
        assert_eq!(mail.priority, rulebook::header::Priority::High, "{why}");
        assert!(mail.finding.starts_with("probe b1-core is at 84"), "{why}: {}", mail.finding);
    }
}

/// Words that ask for water, digging or air.
const WORSE: [&str; 8] =
    ["water it", "water in", "add water", "more air", "lengthen", "dig in", "squeeze a handful", "feel a handful"];

#[test]
fn under_a_fire_nothing_asks_for_water_digging_or_air() {
    let mut yard = yard_with(|_| ());
    on_air(&mut yard);
    hold(&mut yard, 64.0, 60 * 24 * 8);
    hold(&mut yard, 76.0, 60 * 12);
    assert!(stands(&yard, "too-hot"), "it stood before");
    let fire_from = yard.now;
    hold(&mut yard, 88.0, 60 * 30);
    assert!(stands(&yard, "fire-danger"));
    assert_eq!(alarm(&yard, "too-hot").map(|a| a.life.state), Some(AlarmState::Suppressed), "hidden behind the fire");
    let raised = fire_from + minutes(30);
    let mut checked = 0;
    for mail in yard.mails().iter().filter(|mail| mail.created_at > raised) {
        let steps: Vec<String> = match &mail.notice {
            Notice::Alarm(alarm) if alarm.subject.as_str() == "b1" && alarm.rule != "fire-danger" => {
                alarm.response.clone()
            }
            Notice::RoundList(list) => {
                list.standing.iter().filter(|item| item.title != "Fire danger").map(|i| i.response.clone()).collect()
            }
            _ => continue,
        };
        checked += 1;
        for step in steps {
            let low = step.to_lowercase();
            assert!(!WORSE.iter().any(|word| low.contains(word)), "{:?}: {step}", mail.notice);
        }
    }
    assert!(checked > 0, "there was a round list at the least");
    hold(&mut yard, 60.0, 60 * 4);
    assert!(!stands(&yard, "fire-danger"));
    assert!(alarm(&yard, "too-hot").unwrap().life.by_design.is_none(), "what the fire hid is shown again");
}

#[test]
fn advice_to_water_is_withheld_above_seventy_degrees_and_says_why() {
    for (celsius, water) in [(66.0, true), (71.0, false)] {
        let mut yard = yard_with(|texts| {
            // Dry pile asks for two signs; one is enough here.
            let dry = texts.iter_mut().find(|t| t.name == "dry-pile").unwrap();
            dry.text = dry.text.replace("{ 2 } else { 3 }", "{ 1 } else { 1 }");
        });
        // 1,250 kg at 42 %: 360 L are lacking to 55 %.
        let filling = Filled { moisture_percent: Some(42.0), ..Filled::of(Kilograms(1_250.0)) };
        write(&mut yard, EntryKind::OnAir { loaded_at: None, filling: Some(filling) });
        hold(&mut yard, celsius, 60 * 24 * 6);
        let mails: Vec<AlarmNotice> = yard.alarm_mails().into_iter().cloned().collect();
        let dry = mails
            .iter()
            .find(|m| m.rule == "dry-pile" && m.step == Step::Raise)
            .unwrap_or_else(|| panic!("at {celsius}"));
        let asks = dry.response.iter().any(|step| step.starts_with("If it is dry, water ") && step.contains(" L, "));
        assert_eq!(asks, water, "at {celsius}: {:?}", dry.response);
        assert_eq!(dry.thread_subject.contains(" L if dry"), water, "{}", dry.thread_subject);
        assert_eq!(dry.evidence.iter().any(|line| line.starts_with("Water at once")), water, "{:?}", dry.evidence);
        let taken_along = |yard: &Yard| {
            let list = yard.round_lists().last().map(|list| list.standing.clone()).unwrap();
            let item = list.into_iter().find(|item| item.title == "Dry pile").unwrap();
            item.response.contains("If it is dry, water ") && item.response.contains(" L")
        };
        assert_eq!(taken_along(&yard), water, "the amount stands on the round list");
        write(&mut yard, EntryKind::Watered { minutes: None, litres: Some(pile::units::Litres(10.0)) });
        hold(&mut yard, celsius, 60 * 24);
        assert!(!taken_along(&yard), "what was given since makes the amount wrong");
        if !water {
            assert!(
                dry.response[0].starts_with("Do not water, dig or open the pile: probe b1-core is at 71.0 °C"),
                "{:?}",
                dry.response
            );
            assert!(dry.caution.contains("can ignite by itself"), "{}", dry.caution);
        }
    }
}

#[test]
fn only_an_owner_hides_what_guards_people_and_everybody_hears_of_it() {
    let mut yard = yard_with(|_| ());
    hold(&mut yard, 86.0, 30);
    let id = alarm(&yard, "fire-danger").unwrap().id;
    let shelve = |yard: &Yard, minutes: i64, reason: &str| Word::Shelve {
        until: yard.now + Span::minutes(minutes),
        reason: reason.into(),
    };
    let long = "the fire service is here";
    for (by, word, want) in [
        ("Ann", shelve(&yard, 20, long), "only an owner may shelve it: Oda"),
        ("Oda", shelve(&yard, 31, long), "it is shelved for up to 30 min"),
        ("Oda", shelve(&yard, 20, "     123 ok     "), "give the reason in 10 letters at least"),
        ("Oda", Word::OutOfService { back: None, reason: long.into() }, "it is never taken out of service"),
    ] {
        let effects = yard.step(Input::Alarm { alarm: id, by: by.into(), word });
        let why = reply(&effects).unwrap_err();
        assert!(why.contains(want), "{why}");
        assert!(stands(&yard, "fire-danger"), "{want}");
    }
    let before = yard.mails().len();
    let effects = yard.step(Input::Alarm { alarm: id, by: "Oda".into(), word: shelve(&yard, 30, long) });
    reply(&effects).unwrap();
    assert_eq!(alarm(&yard, "fire-danger").unwrap().life.state, AlarmState::Suppressed);
    let told: Vec<String> = yard.mails()[before..].iter().map(|m| m.to.clone()).collect();
    assert_eq!(told, ["ann@test.example", "oda@test.example"], "on duty or not, whatever their route");
    hold(&mut yard, 86.0, 40);
    assert!(stands(&yard, "fire-danger"), "it is back after half an hour");
}

#[test]
fn a_fire_that_is_put_back_from_the_store_still_hides_and_still_stands() {
    let mut yard = yard_with(|_| ());
    on_air(&mut yard);
    hold(&mut yard, 84.0, 60);
    let kept: BTreeMap<u64, Alarm> = yard
        .effects
        .iter()
        .filter_map(|e| match e {
            Effect::Alarm { alarm, .. } => Some((alarm.id.0, (**alarm).clone())),
            _ => None,
        })
        .collect();
    let site = site::settings::read(&settings(), "test.yaml").unwrap();
    // Meanwhile somebody took the rule away.
    let texts: Vec<RuleText> = shipped().into_iter().filter(|t| t.name != "fire-danger").collect();
    let (book, broken) = Rulebook::compile(&texts, &site.rules, site.display);
    let restored = Restored { life: 7, alarms: kept.into_values().collect(), ..Restored::default() };
    let now: Timestamp = yard.now + minutes(5);
    let engine = engine::Engine::new(site.into(), book, broken, restored, now);
    let mut yard = Yard { engine, now, effects: Vec::new() };
    yard.step(Input::Started { previous: None });
    hold(&mut yard, 86.0, 60);
    let fire = yard.engine.alarms().any(|a| a.key.rule.starts_with("fire") && a.stands());
    assert!(fire, "{:?}", yard.engine.alarms().map(|a| (a.key.clone(), a.life.state)).collect::<Vec<_>>());
}

#[test]
fn water_that_was_withheld_is_told_once_when_the_pile_has_cooled() {
    let mut yard = yard_with(|texts| {
        let dry = texts.iter_mut().find(|t| t.name == "dry-pile").unwrap();
        dry.text = dry.text.replace("{ 2 } else { 3 }", "{ 1 } else { 1 }");
    });
    let filling = Filled { moisture_percent: Some(42.0), ..Filled::of(Kilograms(1_250.0)) };
    write(&mut yard, EntryKind::OnAir { loaded_at: None, filling: Some(filling) });
    hold(&mut yard, 71.0, 60 * 24 * 6);
    let dry = |yard: &Yard| -> Vec<AlarmNotice> {
        yard.alarm_mails().into_iter().filter(|m| m.rule == "dry-pile" && m.step != Step::Reminder).cloned().collect()
    };
    let before = dry(&yard).len();
    assert!(dry(&yard)[0].thread_subject.contains("do not water: too hot"));
    // Just under the limit nothing is said: a pile at the limit would be told of again and again.
    hold(&mut yard, 69.5, 60 * 24);
    assert_eq!(dry(&yard).len(), before);
    hold(&mut yard, 66.0, 60 * 24);
    let told = dry(&yard);
    assert_eq!(told.len(), before + 1, "{:#?}", told.iter().map(|m| &m.finding).collect::<Vec<_>>());
    let mail = told.last().unwrap();
    assert_eq!(mail.step, Step::Update);
    assert!(mail.finding.starts_with("the pile has cooled to 66"), "{}", mail.finding);
    assert!(
        mail.response.iter().any(|step| step.starts_with("If it is dry, water ") && step.contains(" L, ")),
        "{:?}",
        mail.response
    );
    assert!(mail.evidence.iter().any(|line| line.starts_with("Water at once")), "{:?}", mail.evidence);
    assert!(mail.thread_subject.contains(" L if dry"), "{}", mail.thread_subject);
    let hour = yard::site().zone.show_short(mail.at);
    assert!(("06:00".."21:00").contains(&hour.split(' ').find(|w| w.contains(':')).unwrap_or("")), "by day: {hour}");
    hold(&mut yard, 66.0, 60 * 24);
    assert_eq!(dry(&yard).len(), before + 1, "once");
}
