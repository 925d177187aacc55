//! What people do with alarms, and who is told what when nobody does anything.
//!
//! Must never compare with anything but what the engine asks for.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod yard;

use engine::alarm::{Alarm, AlarmEventKind, AlarmId, AlarmState};
use engine::effect::Effect;
use engine::input::{Input, Word};
use engine::notice::{FloodNotice, Notice, Step};
use engine::restore::Restored;
use pile::time::Span;
use yard::{HOT, SETTINGS, START, Yard, acknowledge, minutes, reading, reply, says};

const RAISED: [f64; 5] = [64.0, 66.0, 66.5, 67.0, 67.0];
const COOLED: [f64; 6] = [59.0, 58.0, 57.0, 57.0, 57.0, 57.0];

/// The rule of the yard with other words in its header.
fn rule(changes: &[(&str, &str)]) -> String {
    changes.iter().fold(HOT.to_owned(), |text, (from, to)| {
        assert!(text.contains(from), "{from}");
        text.replace(from, to)
    })
}

fn people(text: &str) -> String {
    let old = r#"  - { name: Ann, mail: "ann@test.example", gets: [alarms, summary] }"#;
    assert!(SETTINGS.contains(old));
    SETTINGS.replace(old, text)
}

fn started(settings: &str, rule: &str) -> Yard {
    let mut yard = Yard::described(settings, &[("hot-core", rule)], Restored { life: 7, ..Restored::default() }, START);
    yard.step(Input::Started { previous: None });
    yard
}

fn only(yard: &Yard) -> Alarm {
    yard.engine.alarms().next().unwrap().clone()
}

/// Each mail about an alarm: to whom, and of which step.
fn told(yard: &Yard) -> Vec<(String, Step)> {
    let of = |mail: &&engine::effect::Mail| match &mail.notice {
        Notice::Alarm(a) => Some((mail.to.split('@').next().unwrap().to_owned(), a.step)),
        _ => None,
    };
    yard.mails().iter().filter_map(of).collect()
}

fn steps(yard: &Yard) -> Vec<Step> {
    told(yard).into_iter().map(|(_, step)| step).collect()
}

fn shelve(yard: &Yard, hours: i64, reason: &str) -> Word {
    Word::Shelve { until: yard.now + Span::hours(hours), reason: reason.into() }
}

#[test]
fn a_shelf_hides_and_its_end_brings_back_what_still_holds() {
    let mut yard = Yard::new();
    yard.cores(&RAISED);
    let id = only(&yard).id;
    let said = reply(&yard.step(says(id, shelve(&yard, 2, "new probe")))).unwrap();
    assert!(said.contains("is hidden until 2026-03-09 08:25"), "{said}");
    assert_eq!(only(&yard).life.state, AlarmState::Suppressed);
    assert_eq!(steps(&yard), [Step::Raise, Step::Update], "those who were told of it hear that it is hidden");
    assert!(yard.alarm_mails()[1].finding.contains("Ann hid it until 2026-03-09 08:25"));
    for _ in 0..23 {
        yard.core(68.0);
    }
    assert_eq!(steps(&yard).len(), 2, "nothing is mailed while it is hidden");
    yard.core(68.0);
    yard.core(68.0);
    assert_eq!(steps(&yard), [Step::Raise, Step::Update, Step::Raise], "the shelf ended and the condition holds");
    let back = yard.alarm_mails()[2].clone();
    assert_eq!((back.occurrence, back.thread, back.number), (1, 1, 2), "it is the same occurrence, in its thread");
    assert_eq!(
        back.finding, "core 68.0 °C above 65.0 °C",
        "the finding is that of the condition now, not of the shelf"
    );
    assert!(back.evidence[0].contains("time on the shelf is over"), "{:?}", back.evidence);
}

#[test]
fn what_begins_and_ends_under_a_shelf_is_on_record_and_told_to_nobody() {
    let mut yard = Yard::new();
    yard.cores(&RAISED);
    yard.cores(&COOLED);
    let id = only(&yard).id;
    yard.step(acknowledge(id, ""));
    yard.step(says(id, shelve(&yard, 24, "painting")));
    let mails = steps(&yard).len();
    yard.cores(&RAISED);
    assert!(only(&yard).life.active);
    yard.cores(&COOLED);
    assert!(!only(&yard).life.active);
    assert_eq!(steps(&yard).len(), mails);
    let kinds: Vec<AlarmEventKind> = yard
        .effects
        .iter()
        .filter_map(|e| match e {
            Effect::Alarm { event: Some(event), .. } => Some(event.kind),
            _ => None,
        })
        .collect();
    use AlarmEventKind::{Acknowledged, Cleared, Raised, Shelved};
    assert_eq!(kinds, [Raised, Cleared, Acknowledged, Shelved, Raised, Cleared]);
    reply(&yard.step(says(id, Word::Unshelve))).unwrap();
    assert_eq!((only(&yard).life.state, steps(&yard).len()), (AlarmState::Normal, mails));
}

#[test]
fn a_shelf_survives_a_restart_and_ends_on_time_or_at_the_start() {
    for (restart_after, why) in [(1, "the end is still to come"), (5, "it passed while the daemon was off")] {
        let mut yard = Yard::new();
        yard.cores(&RAISED);
        yard.step(says(only(&yard).id, shelve(&yard, 2, "new probe")));
        let restored = Restored { life: 7, alarms: vec![only(&yard)], ..Restored::default() };
        let now = yard.now + Span::hours(restart_after);
        let mut again = Yard::restored(&[("hot-core", HOT)], restored, now);
        again.step(Input::Started { previous: None });
        again.wait(Span::hours(3));
        assert_eq!(steps(&again)[0], Step::Raise, "{why}");
        assert_eq!(only(&again).life.state, AlarmState::Unacknowledged, "{why}");
    }
}

#[test]
fn people_are_refused_with_the_place_and_the_next_step() {
    let safety = rule(&[("stages: [],", "stages: [], shelvable: false,")]);
    let short = rule(&[("stages: [],", "stages: [], max_shelf: \"4 h\",")]);
    let (free, safe, brief) = (0, 1, 2);
    let mut yards = [Yard::new(), started(SETTINGS, &safety), started(SETTINGS, &short)];
    for yard in &mut yards {
        yard.cores(&RAISED);
    }
    let id = only(&yards[free]).id;
    let by = |who: &str, word| Input::Alarm { alarm: id, by: who.into(), word };
    let ack = || Word::Acknowledge { comment: String::new() };
    let rows: [(usize, Input, &str, &str); 9] = [
        (free, by("Zoe", ack()), "there is no `Zoe` under `people` in test.yaml; there is Ann", "an unknown person"),
        (free, by("ann@TEST.example ", ack()), "", "an address will do, however it is written"),
        (free, says(id, Word::Reset), "its condition still holds", "reset before its end"),
        (free, says(id, Word::Unshelve), "not shelved", "nothing to end"),
        (free, says(id, Word::InService), "in service already", "nothing to put back"),
        (
            free,
            says(id, Word::Shelve { until: START + Span::hours(80), reason: "x".into() }),
            "may not pass 3 d",
            "past the limit",
        ),
        (
            free,
            says(id, Word::Shelve { until: START + Span::hours(3), reason: " ".into() }),
            "a reason is missing",
            "no reason",
        ),
        (
            safe,
            says(id, Word::Shelve { until: START + Span::hours(3), reason: "x".into() }),
            "does not allow shelving",
            "an alarm that guards people",
        ),
        (
            brief,
            says(id, Word::Shelve { until: START + Span::hours(6), reason: "x".into() }),
            "may not pass 4 h",
            "the rule's own limit",
        ),
    ];
    for (yard, input, want, why) in rows {
        let yard = &mut yards[yard];
        let before = only(yard);
        match (reply(&yard.step(input)), want) {
            (Ok(said), "") => assert!(said.contains("alarm 1 (Hot core, b1) is acknowledged"), "{why}: {said}"),
            (Ok(said), _) => panic!("{why}: {said}"),
            (Err(refused), want) => {
                assert!(!want.is_empty() && refused.contains(want), "{why}: {refused}");
                assert_eq!(only(yard), before, "{why}: nothing changes");
            }
        }
    }
}

#[test]
fn a_latching_alarm_stays_until_somebody_resets_it() {
    let mut yard = started(SETTINGS, &rule(&[("stages: [],", "stages: [], latching: true,")]));
    yard.cores(&RAISED);
    yard.cores(&COOLED);
    let id = only(&yard).id;
    assert_eq!(only(&yard).life.state, AlarmState::LatchedUnacknowledged);
    assert_eq!(steps(&yard), [Step::Raise, Step::Update]);
    assert!(yard.alarm_mails()[1].finding.contains("waits for a reset"));
    assert!(reply(&yard.step(says(id, Word::Reset))).unwrap_err().contains("acknowledge it, then reset it"));
    yard.step(acknowledge(id, "burnt wire"));
    assert!(reply(&yard.step(says(id, Word::Reset))).unwrap().contains("it is normal"));
    assert_eq!(steps(&yard), [Step::Raise, Step::Update, Step::Clear]);
}

#[test]
fn an_alarm_that_nobody_acknowledges_reminds_and_calls_those_who_step_in() {
    let crew = r#"  - { name: Ann, mail: "ann@t.example", role: crew }
  - { name: Owen, mail: "owen@t.example", role: owner }
  - { name: Ida, mail: "ida@t.example", role: reader }"#;
    // Major with 2 h to respond is medium: the owner hears of it only when nobody answers.
    let medium = rule(&[
        ("severity: \"severe\"", "severity: \"major\""),
        ("time_to_respond: \"1 h\"", "time_to_respond: \"2 h\""),
    ]);
    let mut yard = started(&people(crew), &medium);
    yard.cores(&RAISED);
    assert_eq!(told(&yard), [("ann".to_owned(), Step::Raise)]);
    yard.wait(minutes(110));
    assert_eq!(told(&yard).len(), 1, "not yet");
    yard.wait(minutes(10));
    let reminded = [("ann".to_owned(), Step::Reminder), ("owen".to_owned(), Step::Reminder)];
    assert_eq!(told(&yard)[1..], reminded);
    assert_eq!(only(&yard).life.reminders, 1);
    yard.step(acknowledge(only(&yard).id, "on my way"));
    yard.wait(Span::hours(6));
    assert_eq!(told(&yard).len(), 3, "an answered alarm reminds nobody");
    yard.cores(&COOLED);
    let ended = [("ann".to_owned(), Step::Clear), ("owen".to_owned(), Step::Clear)];
    assert_eq!(told(&yard)[3..], ended, "the end is told to all who were told before");
}

#[test]
fn reminders_end_and_survive_a_restart() {
    let mut yard = Yard::new();
    yard.cores(&RAISED);
    let restored = Restored { life: 7, alarms: vec![only(&yard)], ..Restored::default() };
    let mut again = Yard::restored(&[("hot-core", HOT)], restored, yard.now + minutes(10));
    again.step(Input::Started { previous: None });
    again.wait(Span::hours(24));
    let reminders = steps(&again).iter().filter(|s| **s == Step::Reminder).count();
    assert_eq!(reminders, engine::limits::REMINDERS_MAX as usize, "after 1, 3 and 7 hours, and no more");
    assert_eq!(only(&again).reminder_at, None);
}

#[test]
fn an_acknowledgement_ends_where_the_rule_says_so() {
    let mut yard = started(SETTINGS, &rule(&[("stages: [],", "stages: [], realarm_after: \"3 h\",")]));
    yard.cores(&RAISED);
    yard.step(acknowledge(only(&yard).id, "tomorrow"));
    yard.wait(Span::minutes(175));
    assert_eq!((steps(&yard).len(), only(&yard).life.state), (1, AlarmState::Acknowledged));
    yard.wait(Span::minutes(10));
    assert_eq!((steps(&yard), only(&yard).life.state), (vec![Step::Raise, Step::Raise], AlarmState::Unacknowledged));
    let mail = yard.alarm_mails()[1].clone();
    assert_eq!((mail.occurrence, mail.number), (1, 1));
    assert!(mail.evidence[0].contains("Ann acknowledged the alarm; it is still active"), "{:?}", mail.evidence);
}

#[test]
fn a_graver_finding_is_told_once_and_ends_an_acknowledgement_and_a_shelf() {
    let grave = rule(&[(
        "if core > set.limit {",
        "if core > 75.0 { return alarm(`core ${core} far above`).graver(); } if core > set.limit {",
    )]);
    let mut yard = started(SETTINGS, &grave);
    yard.cores(&RAISED);
    yard.cores(&[77.0, 78.0, 70.0, 78.0]);
    assert_eq!(steps(&yard), [Step::Raise, Step::Update], "once in an occurrence");
    assert_eq!(yard.alarm_mails()[1].finding, "worse: core 77.0 °C far above");

    let mut yard = started(SETTINGS, &grave);
    yard.cores(&RAISED);
    yard.step(acknowledge(only(&yard).id, ""));
    yard.cores(&[77.0, 78.0]);
    assert_eq!(steps(&yard), [Step::Raise, Step::Raise], "an answer to less is no answer to more");
    assert_eq!((only(&yard).life.state, only(&yard).occurrence), (AlarmState::Unacknowledged, 1));

    let mut yard = started(SETTINGS, &grave);
    yard.cores(&RAISED);
    let word = shelve(&yard, 24, "painting");
    yard.step(says(only(&yard).id, word));
    yard.cores(&[77.0, 78.0]);
    assert_eq!(steps(&yard), [Step::Raise, Step::Update, Step::Raise], "what was hidden was less");
    assert!(only(&yard).life.shelf.is_none());
}

#[test]
fn routes_follow_bins_priority_and_the_week() {
    let all = "gets: [alarms]";
    let rows = [
        (format!("{all}, bins: [b1]"), all.to_owned(), vec!["ann", "bo"], "both look after b1"),
        (format!("{all}, bins: [b2]"), all.to_owned(), vec!["bo"], "b1 is not hers"),
        (
            format!("{all}, bins: [b2]"),
            format!("{all}, bins: [b2]"),
            vec!["ann", "bo"],
            "nobody's bin: everybody hears",
        ),
        ("role: owner".to_owned(), all.to_owned(), vec!["ann", "bo"], "high alarms reach the owner at once"),
        (
            format!("{all}, on_duty: [ {{ from: \"06:00\", to: \"18:00\" }} ]"),
            format!("{all}, on_duty: [ {{ from: \"18:00\", to: \"06:00\" }} ]"),
            vec!["ann"],
            "by day it is hers",
        ),
        (
            format!("{all}, on_duty: [ {{ weekdays: [sunday], from: \"22:00\", to: \"07:00\" }} ]"),
            format!("{all}, on_duty: [ {{ from: \"12:00\", to: \"13:00\" }} ]"),
            vec!["ann"],
            "Sunday night lasts until Monday morning",
        ),
        (
            format!("{all}, on_duty: [ {{ weekdays: [saturday], from: \"06:00\", to: \"07:00\" }} ]"),
            format!("{all}, on_duty: [ {{ from: \"12:00\", to: \"13:00\" }} ]"),
            vec!["ann", "bo"],
            "nobody is on duty: everybody hears",
        ),
    ];
    for (ann, bo, want, why) in rows {
        let settings = people(&format!(
            "  - {{ name: Ann, mail: \"ann@t.example\", {ann} }}\n  - {{ name: Bo, mail: \"bo@t.example\", {bo} }}"
        ));
        let mut yard = started(&settings, HOT);
        yard.cores(&RAISED);
        let names: Vec<String> = told(&yard).into_iter().map(|(name, _)| name).collect();
        assert_eq!(names, want, "{why}");
    }
}

#[test]
fn an_alarm_that_keeps_coming_back_stays_in_one_thread() {
    let mut yard = Yard::new();
    // Past the hour of the weekly summary, so that the next one covers all of it.
    yard.wait(Span::hours(2));
    for _ in 0..4 {
        yard.cores(&RAISED);
        yard.cores(&COOLED);
        yard.step(acknowledge(only(&yard).id, ""));
    }
    let mails: Vec<_> = yard.alarm_mails().iter().map(|a| (a.step, a.occurrence, a.thread, a.number)).collect();
    use Step::{Clear, Raise, Update};
    let want = [
        (Raise, 1, 1, 0),
        (Clear, 1, 1, 1),
        (Raise, 2, 2, 0),
        (Clear, 2, 2, 1),
        (Update, 3, 2, 2),
        (Clear, 3, 2, 3),
        (Update, 4, 2, 4),
        (Clear, 4, 2, 5),
    ];
    assert_eq!(mails, want);
    assert!(yard.alarm_mails()[6].finding.starts_with("back for the 4th time in all: core"));
    yard.wait(Span::days(7));
    let figures = &yard.summaries().last().unwrap().alarms;
    assert_eq!(figures.chattering, [("b1 hot core".to_owned(), 4)]);
    assert_eq!(figures.raised, [0, 0, 4]);
}

fn with_bins(count: usize) -> String {
    let bins: String = (0..count)
        .map(|n| format!("  - {{ id: m{n}, volume_m3: 2, probes: [ {{ id: m{n}-core, position: core, every_seconds: 300 }} ] }}\n"))
        .collect();
    SETTINGS.replace("bins:\n", &format!("bins:\n{bins}"))
}

/// A site of many bins, each with a core, and a reading for each of them.
fn many(count: usize, hot: &str) -> (Yard, impl Fn(&mut Yard, f64)) {
    let settings = with_bins(count);
    let yard = started(&settings, hot);
    let feed = move |yard: &mut Yard, value: f64| {
        for n in 0..count {
            let now = yard.now;
            yard.step(Input::Readings(vec![reading(&format!("m{n}-core"), now, now, value)]));
        }
        yard.wait(minutes(5));
    };
    (yard, feed)
}

fn floods(yard: &Yard) -> Vec<&FloodNotice> {
    let of = |mail: &&engine::effect::Mail| matches!(mail.notice, Notice::Flood(_));
    let mails = yard.mails().into_iter().filter(of);
    mails
        .filter_map(|m| match &m.notice {
            Notice::Flood(f) => Some(&**f),
            _ => None,
        })
        .collect()
}

#[test]
fn a_flood_is_told_in_one_mail_and_high_alarms_singly() {
    let medium = rule(&[("severity: \"severe\"", "severity: \"major\"")]);
    for (rule, singly, why) in
        [(medium.as_str(), 10, "ten, and then they are gathered"), (HOT, 40, "high ones go out at once")]
    {
        let (mut yard, feed) = many(40, rule);
        for _ in 0..4 {
            feed(&mut yard, 67.0);
        }
        assert_eq!(steps(&yard).len(), singly, "{why}");
        yard.wait(minutes(30));
        if singly == 40 {
            assert!(floods(&yard).is_empty(), "nothing was held");
            continue;
        }
        let floods = floods(&yard);
        assert_eq!(floods.len(), 1, "one mail for the rest");
        assert_eq!((floods[0].standing, floods[0].over, floods[0].goes_on), (30, 0, false));
        assert_eq!(floods[0].first.as_ref().unwrap().alarm, AlarmId(1), "the first of them heads the list");
        assert!(yard.engine.alarms().all(|a| !a.held));
        assert_eq!(steps(&yard).iter().filter(|s| **s == Step::Raise).count(), 10);
    }
}

/// A fault of the whole site at a size that no site has: every alarm is on record, nobody's mailbox is buried, and each step stays as
/// short as the number of bins asks for.
#[test]
fn ten_thousand_alarms_at_once_are_all_on_record_and_a_handful_of_mails() {
    const BINS: usize = 10_000;
    let medium = rule(&[("severity: \"severe\"", "severity: \"major\"")]);
    let (mut yard, feed) = many(BINS, &medium);
    for _ in 0..4 {
        feed(&mut yard, 67.0);
    }
    yard.wait(minutes(30));
    let raised = |e: &&Effect| matches!(e, Effect::Alarm { event: Some(event), .. } if event.kind == engine::alarm::AlarmEventKind::Raised);
    assert_eq!(yard.effects.iter().filter(raised).count(), BINS, "each one is on record");
    assert!(yard.engine.alarms().filter(|a| a.key.rule == "hot-core").all(|a| a.stands() && !a.held));
    let floods = floods(&yard);
    assert_eq!(steps(&yard).len(), 10, "ten are told singly before it is known for a flood");
    assert!((1..=3).contains(&floods.len()), "{} mails tell of the rest", floods.len());
    let told = floods.last().unwrap();
    assert_eq!(told.standing, BINS - 10);
    assert!(told.items.len() <= engine::limits::FLOOD_MAIL_LISTS, "a mail that can be read");
}

#[test]
fn what_was_held_at_a_crash_is_told_after_the_restart() {
    let medium = rule(&[("severity: \"severe\"", "severity: \"major\"")]);
    let (mut yard, feed) = many(40, &medium);
    for _ in 0..4 {
        feed(&mut yard, 67.0);
    }
    let alarms: Vec<Alarm> = yard.engine.alarms().cloned().collect();
    let held = alarms.iter().filter(|a| a.held).count();
    assert_eq!(held, 30);
    let settings = with_bins(40);
    let mut again = Yard::described(
        &settings,
        &[("hot-core", &medium)],
        Restored { life: 7, alarms, ..Restored::default() },
        yard.now,
    );
    again.step(Input::Started { previous: None });
    again.wait(minutes(20));
    assert_eq!(floods(&again).iter().map(|f| f.standing).collect::<Vec<_>>(), [held]);
}

#[test]
fn the_figures_of_the_week_count_people_and_nights() {
    let mut yard = Yard::new();
    yard.wait(Span::hours(17));
    // Monday 23:00: a raise in the night, answered after 35 min; another on Tuesday that nobody answers.
    yard.cores(&RAISED);
    yard.wait(minutes(20));
    yard.step(acknowledge(only(&yard).id, ""));
    yard.cores(&COOLED);
    yard.wait(Span::hours(12));
    yard.cores(&RAISED);
    yard.cores(&COOLED);
    yard.wait(Span::days(7));
    let figures = &yard.summaries().last().unwrap().alarms;
    assert_eq!(figures.raised, [0, 0, 2]);
    assert_eq!(figures.in_time, (1, 2), "one within its hour, one never");
    assert_eq!(figures.never_acknowledged, 1);
    assert_eq!(figures.median_to_acknowledge, Some(minutes(25)));
    let (name, all, night) = &figures.mails[0];
    assert_eq!((name.as_str(), *all, *night), ("Ann", 4, 2), "raise and end at night, raise and end by day");
}

#[test]
fn status_topics_tell_of_a_bin_and_its_alarms() {
    let mut yard = Yard::new();
    yard.cores(&RAISED);
    let published = |yard: &Yard| -> Vec<String> {
        let of = |e: &Effect| match e {
            Effect::Publish { topic, payload, retain: true } if topic == "hypocaust/test-yard/bin/b1/status" => {
                Some(payload.clone())
            }
            _ => None,
        };
        yard.effects.iter().filter_map(of).collect()
    };
    let payload = published(&yard).pop().unwrap();
    assert_eq!(
        payload,
        "{\"bin\":\"b1\",\"at\":\"2026-03-09T06:20:00Z\",\"batch\":null,\"stage\":null,\"on_air_at\":null,\"off_air_at\":null,\"core_celsius\":67.00,\
         \"core_at\":\"2026-03-09T06:15:00Z\",\"alarms\":[{\"alarm\":1,\"rule\":\"hot-core\",\"title\":\"Hot core\",\"priority\":\"high\",\
         \"state\":\"unacknowledged\",\"since\":\"2026-03-09T06:05:00Z\",\"finding\":\"core 67.0 °C above 65.0 °C\",\"found_at\":\"2026-03-09T06:20:00Z\"}]}"
    );
    let before = published(&yard).len();
    yard.step(acknowledge(only(&yard).id, ""));
    assert_eq!(published(&yard).len(), before + 1, "an acknowledgement shows at once");
}
