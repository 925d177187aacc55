//! The round list: what waits for it, what does not, and that it comes once a morning.
//!
//! Must never compare with anything but what the engine put into the outbox.

#![allow(clippy::unwrap_used)]

mod yard;

use engine::effect::Effect;
use engine::input::{Input, PreviousRun};
use engine::notice::Step;
use engine::restore::Restored;
use pile::time::{Span, Timestamp};
use site::zone::Day;
use yard::{HOT, SETTINGS, START, Yard, minutes};

/// Ann gets single mails only, Bo the list as well, Cy the list and nothing else.
fn settings() -> String {
    SETTINGS.replace(
        "gets: [alarms, summary] }",
        "gets: [alarms] }\n  - { name: Bo, mail: \"bo@test.example\", gets: [alarms, round_list] }\n  - { name: Cy, mail: \"cy@test.example\", gets: [round_list] }",
    ) + "round_list: { time: \"06:30\", quiet_from: \"21:00\", reminders: [ { text: \"Drain the trap\", weekdays: [tuesday] } ] }\n"
}

/// Monday 2026-03-09 at this hour in Dublin, which is on UTC then.
fn at(hour: i64) -> Timestamp {
    START - Span::hours(6) + Span::hours(hour)
}

fn yard(rule: &str, from: Timestamp) -> Yard {
    let mut yard =
        Yard::described(&settings(), &[("hot-core", rule)], Restored { life: 7, ..Restored::default() }, from);
    yard.step(Input::Started { previous: None });
    yard
}

/// The rule with another urgency: a minor matter with half a day to respond is low.
fn low() -> String {
    low_within("12 h")
}

/// A minor matter with so long to respond.
fn low_within(time: &str) -> String {
    HOT.replace("severity: \"severe\"", "severity: \"minor\"")
        .replace("time_to_respond: \"1 h\"", &format!("time_to_respond: \"{time}\""))
}

fn told(yard: &Yard) -> Vec<(&str, Step)> {
    let alarm = |mail: &&engine::effect::Mail| matches!(mail.notice, engine::notice::Notice::Alarm(_));
    let steps: Vec<Step> = yard.alarm_mails().iter().map(|a| a.step).collect();
    yard.mails().into_iter().filter(alarm).map(|m| m.to.split('@').next().unwrap()).zip(steps).collect()
}

fn both() -> Vec<(&'static str, Step)> {
    vec![("ann", Step::Raise), ("bo", Step::Raise)]
}

#[test]
fn low_alarms_of_the_night_wait_for_the_list_and_the_others_do_not() {
    for (rule, hour, want, why) in [
        (low(), 23, vec![("ann", Step::Raise)], "low at night: only whoever gets no list hears at once"),
        (low_within("7 h"), 23, both(), "low at night, and too late when the list comes at 06:30"),
        (low(), 14, vec![("ann", Step::Raise), ("bo", Step::Raise)], "low by day"),
        (HOT.to_owned(), 23, vec![("ann", Step::Raise), ("bo", Step::Raise)], "high at night"),
    ] {
        let mut yard = yard(&rule, at(hour));
        yard.cores(&[64.0, 66.0, 66.5, 67.0, 67.0]);
        assert_eq!(told(&yard), want, "{why}");
        yard.wait(Span::hours(24));
        let lists = yard.round_lists();
        assert_eq!(lists.len(), 2, "{why}: Bo and Cy each get one");
        assert_eq!(lists[0].standing.len(), 1, "{why}: it stands on the list either way");
        assert_eq!(lists[0].standing[0].response, "Look at the blower.", "with the first thing to do");
    }
}

#[test]
fn the_end_of_an_alarm_is_told_to_those_who_heard_of_its_beginning() {
    let mut yard = yard(&low(), at(23));
    yard.cores(&[64.0, 66.0, 66.5, 67.0, 67.0, 58.0, 58.0, 58.0, 58.0, 58.0, 58.0]);
    assert_eq!(told(&yard), [("ann", Step::Raise), ("ann", Step::Clear)]);
    yard.wait(Span::hours(24));
    let lists = yard.round_lists();
    assert_eq!((lists[0].standing.len(), lists[0].over.len()), (0, 1), "it came and went in the night");
    assert_eq!(lists[0].over[0].title, "Hot core");
    yard.wait(Span::hours(24));
    assert_eq!(yard.round_lists()[2].over.len(), 0, "and is not told twice");
}

#[test]
fn what_is_listed_first_is_mailed_only_when_it_is_graver() {
    let listed = low().replace("stages: [],", "stages: [], listed_first: true,").replace(
        "    if core > set.limit {",
        "    if core > 70.0 { return alarm(`core ${core} far above`).graver(); }\n    if core > set.limit {",
    );
    let raised = [64.0, 66.0, 66.5, 67.0, 67.0];
    let ended = [58.0; 6];

    let mut yard = yard(&listed, at(14));
    yard.cores(&raised);
    assert_eq!(told(&yard), [], "by day too it is a line of the list, and no mail to anybody");
    yard.wait(Span::hours(24));
    assert_eq!(yard.round_lists()[0].standing.len(), 1);
    yard.cores(&[67.0, 71.0]);
    assert_eq!(told(&yard), [("ann", Step::Raise), ("bo", Step::Raise)], "graver: its thread begins with a raise");
    yard.cores(&ended);
    assert_eq!(told(&yard)[2..], [("ann", Step::Clear), ("bo", Step::Clear)], "and who was told hears of its end");

    let mut short = self::yard(&listed, at(14));
    short.cores(&raised);
    short.cores(&ended);
    short.wait(Span::hours(24));
    assert_eq!(told(&short), [], "it came and went without a mail");
    assert_eq!(short.round_lists()[0].over.len(), 1, "and the list has it");

    // Nobody gets a list: it is mailed as any other.
    let settings = settings().replace(", round_list]", "]").replace("gets: [round_list]", "gets: [summary]");
    let mut bare =
        Yard::described(&settings, &[("hot-core", &listed)], Restored { life: 7, ..Restored::default() }, at(14));
    bare.step(Input::Started { previous: None });
    bare.cores(&raised);
    assert_eq!(told(&bare), [("ann", Step::Raise), ("bo", Step::Raise)]);
}

#[test]
fn the_list_comes_once_a_morning_with_the_reminders_of_the_day() {
    let mut yard = yard(HOT, at(0));
    yard.wait(Span::days(3));
    let lists: Vec<_> = yard.round_lists().iter().map(|l| (l.day.day, l.at, l.next, l.reminders.clone())).collect();
    let day = |n: i64| at(6) + minutes(30) + Span::days(n);
    let want: Vec<_> = [(9, 0, false), (10, 1, true), (11, 2, false)]
        .into_iter()
        .map(|(date, n, tuesday)| {
            (date, day(n), day(n + 1), if tuesday { vec!["Drain the trap".to_owned()] } else { vec![] })
        })
        .flat_map(|list| [list.clone(), list])
        .collect();
    assert_eq!(lists, want);
}

#[test]
fn a_list_that_fell_due_while_the_daemon_was_off_goes_out_at_the_start() {
    let due = at(6) + minutes(30);
    let today = Day { year: 2026, month: 3, day: 9 };
    for (last_alive, last, now, want, why) in [
        (due - Span::hours(2), None, due + Span::hours(3), 1, "off over the due time"),
        (due - Span::hours(2), Some(today), due + Span::hours(3), 0, "it was sent before the stop"),
        (due + minutes(1), Some(today), due + Span::hours(3), 0, "it was up when it was due"),
        (due - Span::days(9), None, due + Span::hours(3), 1, "after a long absence there is one list, not nine"),
        (due - Span::hours(30), None, due - Span::hours(6), 1, "yesterday's list, and today's will come as well"),
    ] {
        let previous = Some(PreviousRun { last_alive, stopped_cleanly: true });
        let restored = Restored { life: 7, previous, last_round_list: last, ..Restored::default() };
        let mut yard = Yard::described(&settings(), &[("hot-core", HOT)], restored, now);
        yard.step(Input::Started { previous });
        yard.wait(minutes(2));
        assert_eq!(yard.round_lists().len(), want * 2, "{why}");
        let done = yard.effects.iter().filter(|e| matches!(e, Effect::RoundListDone(_))).count();
        assert_eq!(done, want, "{why}");
    }
}

/// When a mail is tried first.
fn first_try(mail: &engine::effect::Mail) -> Timestamp {
    match mail.state {
        engine::effect::MailState::Waiting { next_try, .. } => next_try,
        _ => panic!("{mail:?}"),
    }
}

fn clears(yard: &Yard) -> Vec<(String, Timestamp)> {
    let is_clear = |mail: &&engine::effect::Mail| match &mail.notice {
        engine::notice::Notice::Alarm(alarm) => alarm.step == Step::Clear,
        _ => false,
    };
    yard.mails().into_iter().filter(is_clear).map(|m| (m.to.split('@').next().unwrap().into(), first_try(m))).collect()
}

#[test]
fn that_a_low_alarm_cleared_wakes_nobody() {
    let due = at(6) + minutes(30) + Span::days(1);
    let hot = [64.0, 66.0, 66.5, 67.0, 67.0, 58.0, 58.0, 58.0, 58.0, 58.0, 58.0];
    // Raised at 20:50 by day, cleared in the quiet hours.
    let mut night = yard(&low(), at(20) + minutes(35));
    night.cores(&hot);
    assert_eq!(told(&night)[..2], both(), "it was raised by day");
    assert_eq!(
        clears(&night),
        [("ann".to_owned(), due)],
        "Bo has the list; Ann's mail waits for the end of the quiet hours"
    );
    night.wait(Span::hours(12));
    assert_eq!(night.round_lists()[0].over.len(), 1, "and the list tells Bo");

    let mut day = yard(&low(), at(12));
    day.cores(&hot);
    let told: Vec<String> = clears(&day).into_iter().map(|(to, _)| to).collect();
    assert_eq!(told, ["ann", "bo"], "by day both hear at once");

    // What is of high priority ends at any hour.
    let mut high = yard(HOT, at(20) + minutes(35));
    high.cores(&hot);
    assert!(clears(&high).iter().all(|(_, at)| *at < due) && clears(&high).len() == 2);
}

#[test]
fn people_leave_out_what_asks_for_nothing() {
    let leaves = settings()
        .replace("gets: [alarms, round_list]", "gets: [alarms, round_list], leaves_out: [low_clears, quiet_lists]");
    let yard = |rule: &str, from| {
        let restored = Restored { life: 7, ..Restored::default() };
        let mut yard = Yard::described(&leaves, &[("hot-core", rule)], restored, from);
        yard.step(Input::Started { previous: None });
        yard
    };
    let mut day = yard(&low(), at(12));
    day.cores(&[64.0, 66.0, 66.5, 67.0, 67.0, 58.0, 58.0, 58.0, 58.0, 58.0, 58.0]);
    assert_eq!(clears(&day).into_iter().map(|(to, _)| to).collect::<Vec<_>>(), ["ann"]);
    // Monday has nothing, Tuesday a reminder.
    let mut quiet = yard(HOT, at(0));
    quiet.wait(Span::days(2));
    let to: Vec<&str> = quiet
        .mails()
        .into_iter()
        .filter(|mail| matches!(mail.notice, engine::notice::Notice::RoundList(_)))
        .map(|mail| mail.to.split('@').next().unwrap())
        .collect();
    assert_eq!(to, ["cy", "bo", "cy"], "on Monday Cy alone gets the list that says that all is well");
}
