//! A rule that costs too much rests and says so; the other rules are judged at the same tick as ever.
//!
//! Must never be measured in time: the same readings have to come to the same rests on any machine.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod yard;

use engine::alarm::{AlarmState, Subject};
use engine::effect::Effect;
use engine::input::Input;
use engine::restore::Restored;
use pile::time::Span;
use yard::{HOT, START, Yard, minutes, reading};

/// The dearest thing that a rule can do: it never ends.
fn endless() -> String {
    HOT.replace("fn judge(bin, set) {", "fn judge(bin, set) {\n    loop { }")
}

/// Costs about so many steps, each minute, and then answers.
fn costing(steps: u64) -> String {
    // A turn of this loop takes five steps, give or take.
    let loops = format!("fn judge(bin, set) {{\n    for i in 0..{} {{ i + 1; }}", steps / 5);
    HOT.replace("fn judge(bin, set) {", &loops).replace("every: \"10 min\"", "every: \"1 min\"")
}

fn site_of(bins: usize) -> String {
    let listed: String = (1..=bins)
        .map(|n| {
            format!("  - {{ id: b{n}, volume_m3: 2.5, probes: [ {{ id: b{n}-core, position: core, every_seconds: 300 }} ] }}\n")
        })
        .collect();
    let (before, rest) = yard::SETTINGS.split_once("bins:\n").unwrap();
    let after: String = rest.lines().skip_while(|line| line.starts_with(' ')).map(|line| format!("{line}\n")).collect();
    format!("{before}bins:\n{listed}{after}")
}

fn yard(bins: usize, rules: &[(&str, &str)]) -> Yard {
    let restored = Restored { life: 7, ..Restored::default() };
    let mut yard = Yard::described(&site_of(bins), rules, restored, START);
    yard.step(Input::Started { previous: None });
    yard
}

fn state(yard: &Yard, rule: &str) -> AlarmState {
    let alarm = yard.engine.alarms().find(|a| a.key.rule == rule);
    alarm.map_or(AlarmState::Normal, |a| a.life.state)
}

fn heat(yard: &mut Yard, bins: usize, value: f64) {
    let now = yard.now;
    for n in 1..=bins {
        yard.step(Input::Readings(vec![reading(&format!("b{n}-core"), now, now, value)]));
    }
}

/// What was said of rests, in order.
fn rests(yard: &Yard) -> Vec<&str> {
    let said = yard.effects.iter().filter_map(|e| match e {
        Effect::Say { text, .. } => {
            text.split_once("The rule rests ").map(|(_, place)| place.split(" until").next().unwrap())
        }
        _ => None,
    });
    said.collect()
}

#[test]
fn an_endless_rule_rests_where_it_was_stopped_and_everywhere_when_that_is_many_bins() {
    let endless = endless();
    let mut yard = yard(8, &[("endless", &endless), ("hot-core", HOT)]);
    for _ in 0..5 {
        heat(&mut yard, 8, 70.0);
        yard.wait(minutes(5));
    }
    assert_eq!(
        rests(&yard),
        ["in bin b2", "in bin b3", "in bin b4", "in bin b5", "everywhere"],
        "the last three are spared"
    );
    let broken = yard.engine.alarms().find(|a| a.key.rule == "broken-rule").unwrap();
    assert_eq!(broken.key.subject, Subject::Rule("endless".into()));
    assert!(broken.finding.starts_with("rules/endless.rhai:"), "{}", broken.finding);
    assert!(broken.finding.contains("it was stopped after 500000 steps"), "{}", broken.finding);
    assert!(
        broken.evidence.iter().any(|line| line.starts_with("The rule rests in bin b2 until ")),
        "{:?}",
        broken.evidence
    );
    assert_eq!(state(&yard, "hot-core"), AlarmState::Unacknowledged, "another rule's alarm comes all the same");

    // After an hour it is tried again, and stopped again; the alarm stays one.
    for _ in 0..12 {
        heat(&mut yard, 8, 70.0);
        yard.wait(minutes(5));
    }
    assert_eq!(rests(&yard).len(), 10);
    let mails = yard.alarm_mails().into_iter().filter(|mail| mail.rule == "broken-rule").count();
    assert_eq!(mails, 1, "one mail, however often it is tried");
}

#[test]
fn a_rule_that_was_mended_is_judged_at_once_and_the_alarm_clears() {
    let endless = endless();
    let mut yard = yard(8, &[("endless", &endless)]);
    heat(&mut yard, 8, 50.0);
    yard.wait(minutes(12));
    assert_eq!(state(&yard, "broken-rule"), AlarmState::Unacknowledged);
    let texts =
        vec![rulebook::RuleText { name: "endless".into(), path: "rules/endless.rhai".into(), text: HOT.into() }];
    let set = engine::input::RuleSet { texts, changed: yard::site().rules.clone(), refused: vec![] };
    yard.step(Input::Rules(Box::new(set)));
    assert_ne!(state(&yard, "broken-rule"), AlarmState::Unacknowledged);
    for _ in 0..4 {
        heat(&mut yard, 8, 70.0);
        yard.wait(minutes(5));
    }
    assert_eq!(
        state(&yard, "endless"),
        AlarmState::Unacknowledged,
        "it judges in the hour in which its old text would have rested"
    );
}

#[test]
fn of_rules_that_are_too_much_together_the_dearest_rests() {
    // Each for itself keeps within its bound; five of them at one bin do not.
    let (dear, cheap) = (costing(450_000), costing(400_000));
    let rules: Vec<(&str, &str)> = ["a", "b", "c", "d"]
        .iter()
        .map(|name| (*name, cheap.as_str()))
        .chain([("dear", dear.as_str()), ("hot-core", HOT)])
        .collect();
    let mut yard = yard(1, &rules);
    for _ in 0..4 {
        heat(&mut yard, 1, 70.0);
        yard.wait(minutes(5));
    }
    assert_eq!(rests(&yard), ["in bin b1"]);
    let broken: Vec<_> =
        yard.engine.alarms().filter(|a| a.key.rule == "broken-rule").map(|a| a.key.subject.clone()).collect();
    assert_eq!(broken, [Subject::Rule("dear".into())]);
    for rule in ["a", "b", "c", "d", "hot-core"] {
        assert_eq!(state(&yard, rule), AlarmState::Unacknowledged, "{rule} goes on");
    }
    heat(&mut yard, 1, 70.0);
    yard.wait(Span::hours(1));
    assert_eq!(rests(&yard).len(), 2, "tried again after an hour, and too much again");
}

#[test]
fn a_round_has_a_bound_however_many_bins_there_are() {
    // Within its bound in each of 300 bins, and more than a minute's share of the machine in all of them.
    let dear = costing(450_000);
    let mut yard = yard(300, &[("dear", &dear), ("hot-core", HOT)]);
    heat(&mut yard, 300, 70.0);
    yard.wait(minutes(3));
    assert_eq!(rests(&yard), ["everywhere"]);
    let finding = &yard.engine.alarms().find(|a| a.key.rule == "broken-rule").unwrap().finding;
    assert!(finding.contains("steps at all bins within one minute"), "{finding}");
}

#[test]
fn rests_are_the_same_whenever_they_are_lived_again() {
    let dear = costing(450_000);
    let lived = || {
        let mut yard = yard(6, &[("dear", &dear), ("endless", &endless()), ("hot-core", HOT)]);
        for _ in 0..4 {
            heat(&mut yard, 6, 70.0);
            yard.wait(minutes(5));
        }
        format!("{:?}", yard.effects)
    };
    assert_eq!(lived(), lived());
}

#[test]
fn a_part_that_failed_is_one_alarm_that_clears_after_an_hour() {
    let mut yard = yard(1, &[("hot-core", HOT)]);
    let failed =
        |part: &str| Input::PartFailed { part: part.into(), why: "a fault of hypocaust itself (x, a.rs:1:1)".into() };
    yard.step(failed("the document of week 2026-W10"));
    yard.wait(minutes(30));
    yard.step(failed("the document of week 2026-W10"));
    assert_eq!(state(&yard, "part-failed"), AlarmState::Unacknowledged);
    let mails = |yard: &Yard| yard.alarm_mails().into_iter().filter(|mail| mail.rule == "part-failed").count();
    assert_eq!(mails(&yard), 1, "the same part again tells nothing new");
    yard.step(failed("the judgement of batch 4"));
    let alarm = yard.engine.alarms().find(|a| a.key.rule == "part-failed").unwrap();
    assert!(alarm.finding.starts_with("the judgement of batch 4 failed: "), "{}", alarm.finding);
    yard.wait(minutes(61));
    assert_ne!(state(&yard, "part-failed"), AlarmState::Unacknowledged, "an hour without a failure");

    yard.step(failed("the judgement of batch 4"));
    assert_eq!(state(&yard, "part-failed"), AlarmState::Unacknowledged);
    let kept: Vec<_> = yard.engine.alarms().cloned().collect();
    let restored = Restored { life: 8, alarms: kept, ..Restored::default() };
    let mut yard = Yard::restored(&[("hot-core", HOT)], restored, yard.now);
    yard.step(Input::Started { previous: None });
    yard.wait(minutes(61));
    assert_ne!(state(&yard, "part-failed"), AlarmState::Unacknowledged, "a start does not leave it for ever");
}
