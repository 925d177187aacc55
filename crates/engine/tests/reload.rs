//! A set of rules takes the place of another between two ticks: what is known of alarms stays.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod yard;

use engine::alarm::{AlarmEventKind, AlarmState};
use engine::effect::Effect;
use engine::input::{Input, RefusedChange, RuleSet};
use rulebook::RuleText;
use site::entry::EntryKind;
use yard::{HOT, Yard, site};

fn text(name: &str, text: &str) -> RuleText {
    RuleText { name: name.into(), path: format!("rules/{name}.rhai"), text: text.into() }
}

fn set(texts: &[(&str, &str)]) -> RuleSet {
    RuleSet {
        texts: texts.iter().map(|(name, t)| text(name, t)).collect(),
        changed: site().rules.clone(),
        refused: vec![],
    }
}

/// Puts them in force; gives the reply.
fn take(yard: &mut Yard, set: RuleSet) -> Result<String, String> {
    let effects = yard.step(Input::Rules(Box::new(set)));
    let reply = effects.into_iter().find_map(|e| match e {
        Effect::Reply(reply) => Some(reply),
        _ => None,
    });
    reply.unwrap()
}

fn state(yard: &Yard, rule: &str) -> AlarmState {
    yard.engine.alarms().find(|a| a.key.rule == rule).map_or(AlarmState::Normal, |a| a.life.state)
}

fn edited(from: &str, to: &str) -> String {
    assert!(HOT.contains(from), "{from}");
    HOT.replace(from, to)
}

#[test]
fn a_proof_in_progress_starts_again_when_its_rule_changes_and_goes_on_when_another_does() {
    let warmer = edited("value: 65.0", "value: 66.0");
    for (what, texts, raised_after) in [
        ("nothing changes", vec![("hot-core", HOT)], 1),
        ("another rule comes", vec![("hot-core", HOT), ("hot-too", HOT)], 1),
        ("its own text changes", vec![("hot-core", warmer.as_str())], 3),
    ] {
        let mut yard = Yard::new();
        yard.cores(&[67.0, 67.0]);
        assert_eq!(state(&yard, "hot-core"), AlarmState::Normal, "{what}: ten minutes are not over");
        take(&mut yard, set(&texts)).unwrap();
        let mut steps = 0;
        while state(&yard, "hot-core") == AlarmState::Normal && steps < 10 {
            yard.core(67.0);
            steps += 1;
        }
        assert_eq!(steps, raised_after, "{what}");
    }
}

#[test]
fn what_stands_stands_until_the_new_text_proves_it_over() {
    let mut yard = Yard::new();
    yard.cores(&[67.0, 67.0, 67.0, 67.0]);
    assert_eq!(state(&yard, "hot-core"), AlarmState::Unacknowledged);
    let warmer = edited("value: 65.0", "value: 80.0");
    let said = take(&mut yard, set(&[("hot-core", &warmer)])).unwrap();
    assert_eq!(said, "1 rules in force; changed: hot-core");
    assert_eq!(state(&yard, "hot-core"), AlarmState::Unacknowledged, "no reading has come");
    yard.cores(&[58.0, 58.0, 58.0, 58.0, 58.0, 58.0]);
    assert_eq!(state(&yard, "hot-core"), AlarmState::ReturnedUnacknowledged);
    let revisions: Vec<String> = yard
        .effects
        .iter()
        .filter_map(|e| match e {
            Effect::Alarm { event: Some(event), .. } => Some(event.revision.clone()),
            _ => None,
        })
        .collect();
    assert_eq!(revisions, [text("", HOT).revision(), text("", &warmer).revision()], "each event names its text");
}

#[test]
fn a_rule_that_is_gone_retires_its_alarms_and_a_broken_one_keeps_them() {
    let mut yard = Yard::with_rules(&[("hot-core", HOT), ("hot-too", HOT)]);
    yard.cores(&[67.0, 67.0, 67.0, 67.0]);
    let said = take(&mut yard, set(&[("hot-core", "nonsense(")])).unwrap();
    assert_eq!(said, "0 rules in force; gone: hot-core, hot-too");
    assert_eq!(state(&yard, "hot-too"), AlarmState::Normal, "retired");
    assert_eq!(
        state(&yard, "hot-core"),
        AlarmState::Unacknowledged,
        "it cannot judge, so it cannot say that it is over"
    );
    assert_eq!(state(&yard, "broken-rule"), AlarmState::Unacknowledged);
    take(&mut yard, set(&[("hot-core", HOT)])).unwrap();
    assert_ne!(state(&yard, "broken-rule"), AlarmState::Unacknowledged);
    yard.cores(&[58.0, 58.0, 58.0, 58.0, 58.0, 58.0]);
    assert_eq!(state(&yard, "hot-core"), AlarmState::ReturnedUnacknowledged);
}

#[test]
fn a_refused_change_is_one_alarm_with_its_places_until_it_is_mended() {
    let mut yard = Yard::new();
    let refused = RefusedChange { rule: "hot-core".into(), why: "rules/hot-core.rhai:3:1: first\nsecond".into() };
    let bad = RuleSet { refused: vec![refused], ..set(&[("hot-core", HOT)]) };
    for _ in 0..3 {
        let said = take(&mut yard, bad.clone()).unwrap_err();
        assert!(said.ends_with("not taken: hot-core: rules/hot-core.rhai:3:1: first\nsecond"), "{said}");
    }
    let mails: Vec<_> = yard.alarm_mails().into_iter().filter(|m| m.rule == engine::CHANGE_NOT_TAKEN).collect();
    assert_eq!(mails.len(), 1, "one mail, however often it is tried");
    assert_eq!(mails[0].evidence, ["rules/hot-core.rhai:3:1: first", "second"]);
    take(&mut yard, set(&[("hot-core", HOT)])).unwrap();
    assert_eq!(state(&yard, engine::CHANGE_NOT_TAKEN), AlarmState::ReturnedUnacknowledged);
}

#[test]
fn a_new_threshold_is_accounted_since_the_batch_went_on_air() {
    let counting = HOT
        .replace("stages: [],", "stages: [], time_above: [\"limit\"],")
        .replace("let core = bin.core.last();", "let core = bin.core.last(); if bin.core.time_above(set.limit).total > 1.hours { return alarm(`hot for long`); }");
    assert_ne!(counting, HOT);
    let mut yard = Yard::new();
    yard.enter("b1", EntryKind::OnAir { loaded_at: None, filling: None }).unwrap();
    yard.cores(&[70.0; 3]);
    yard.effects.clear();
    take(&mut yard, set(&[("hot-core", &counting)])).unwrap();
    let recalled = yard.effects.iter().any(|e| matches!(e, Effect::Recall { .. }));
    assert!(recalled, "history is asked for");
}

#[test]
fn an_event_of_a_rule_carries_its_line_its_comparisons_and_its_settings() {
    let mut yard = Yard::new();
    yard.cores(&[67.0, 67.0, 67.0, 67.0]);
    yard.step(yard::acknowledge(engine::alarm::AlarmId(1), ""));
    yard.cores(&[58.0; 6]);
    let events: Vec<_> = yard
        .effects
        .iter()
        .filter_map(|e| match e {
            Effect::Alarm { event: Some(event), .. } => Some(event.clone()),
            _ => None,
        })
        .collect();
    let line = |words: &str| 1 + HOT.lines().position(|l| l.contains(words)).unwrap();
    let (first, second) = (line("if core > set.limit"), line("if core > 60.0"));
    let compared = |value: &str, limit: &str, holds: &str| format!("{value} > {limit}: {holds}");
    for (kind, at, want) in [
        (AlarmEventKind::Raised, first, vec![(first, compared("67.0 °C", "65.0 °C", "yes"))]),
        (
            AlarmEventKind::Cleared,
            line("clear(`core"),
            vec![(first, compared("58.0 °C", "65.0 °C", "no")), (second, compared("58.0 °C", "60", "no"))],
        ),
    ] {
        let event = events.iter().find(|e| e.kind == kind).unwrap();
        let grounds = event.grounds.as_ref().unwrap();
        assert_eq!((grounds.line, &grounds.compared), (Some(at), &want), "{kind:?}");
        assert_eq!(grounds.settings, [("limit".to_owned(), "65.0 °C".to_owned())], "{kind:?}");
        assert!(grounds.since.unwrap() < event.at, "{kind:?}: it held before it was proven");
    }
    let said = events.iter().find(|e| e.kind == AlarmEventKind::Acknowledged).unwrap();
    assert_eq!(said.grounds, None, "a person's word has none");
}
