//! Who learns it when mail does not reach somebody: the others by one mail a person and day, the sounder and the status topic where nobody is
//! reached, and the next alarm tries everybody again.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod yard;

use std::collections::BTreeMap;

use engine::alarm::{Alarm, Subject};
use engine::effect::{Effect, Mail, MailId, MailState};
use engine::input::{Input, MailOutcome};
use engine::notice::{Notice, Step};
use engine::restore::Restored;
use pile::time::Span;
use yard::{HOT, SETTINGS, START, Yard, minutes};

/// What the relay does with a mail.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Answer {
    Takes,
    Refuses,
    Defers,
    /// The mail itself is rejected.
    Unfit,
}
use Answer::{Defers, Refuses, Takes, Unfit};

/// A site, the people it has, and a relay that answers by address.
struct Post {
    yard: Yard,
    answers: BTreeMap<&'static str, Answer>,
    mails: BTreeMap<MailId, Mail>,
    /// Mails that arrived: to whom, and what about.
    arrived: Vec<(String, String)>,
}

const ANN_BOB: &str = r#"
  - { name: Ann, mail: "ann@x.example", gets: [alarms, summary] }
  - { name: Bob, mail: "bob@x.example", gets: [alarms] }
"#;
/// Monday morning is Ann's.
const ANN_ON_DUTY: &str = r#"
  - { name: Ann, mail: "ann@x.example", gets: [alarms], on_duty: [ { weekdays: [monday], from: "00:00", to: "23:00" } ] }
  - { name: Bob, mail: "bob@x.example", gets: [alarms], on_duty: [ { weekdays: [friday], from: "00:00", to: "23:00" } ] }
"#;
const ANN: &str = r#"
  - { name: Ann, mail: "ann@x.example", gets: [alarms, summary] }
"#;

fn settings(people: &str) -> String {
    let ann = "\n  - { name: Ann, mail: \"ann@test.example\", gets: [alarms, summary] }\n";
    assert!(SETTINGS.contains(ann));
    SETTINGS.replace(ann, people)
}

fn about(mail: &Mail) -> String {
    match &mail.notice {
        Notice::Alarm(alarm) => {
            let step = match alarm.step {
                Step::Raise => "raise",
                Step::Update => "update",
                Step::Reminder => "reminder",
                Step::Clear => "clear",
                Step::Retire => "retire",
            };
            format!("{} {} {step}", alarm.subject.as_str(), alarm.rule)
        }
        Notice::Summary(_) => "summary".into(),
        Notice::RoundList(_) => "round list".into(),
        other => format!("{other:?}"),
    }
}

impl Post {
    fn new(people: &str, answers: &[(&'static str, Answer)]) -> Post {
        Post::restored(people, answers, Restored { life: 7, ..Restored::default() }, START)
    }

    fn restored(
        people: &str,
        answers: &[(&'static str, Answer)],
        restored: Restored,
        now: pile::time::Timestamp,
    ) -> Post {
        let mails = restored.waiting.iter().map(|mail| (mail.id, mail.clone())).collect();
        let yard = Yard::described(&settings(people), &[("hot-core", HOT)], restored, now);
        let mut post = Post { yard, answers: answers.iter().copied().collect(), mails, arrived: Vec::new() };
        post.step(Input::Started { previous: None });
        post
    }

    /// One input, and whatever the relay says to what comes of it.
    fn step(&mut self, input: Input) {
        let mut inputs = vec![input];
        while let Some(input) = inputs.pop() {
            for effect in self.yard.step(input) {
                match effect {
                    Effect::Mail(mail) => {
                        self.mails.insert(mail.id, *mail);
                    }
                    Effect::Deliver(id) => {
                        let mail = &self.mails[&id];
                        let answer = self.answers.get(mail.to.split('@').next().unwrap()).copied().unwrap_or(Takes);
                        if answer == Takes {
                            self.arrived.push((mail.to.split('@').next().unwrap().to_owned(), about(mail)));
                        }
                        inputs.push(Input::Mail { mail: id, outcome: outcome(answer) });
                    }
                    _ => {}
                }
            }
        }
    }

    fn wait(&mut self, span: Span) {
        let until = self.yard.now + span;
        while self.yard.now < until {
            self.yard.now = self.yard.now + minutes(1);
            self.step(Input::Wake);
        }
    }

    /// The core of a bin gets too hot, and is so for a while.
    fn hot(&mut self, bin: &str) {
        self.core(bin, 70.0, 4);
    }

    /// It is as it should be, until that is proven.
    fn cool(&mut self, bin: &str) {
        self.core(bin, 50.0, 7);
    }

    fn core(&mut self, bin: &str, value: f64, readings: usize) {
        for _ in 0..readings {
            let reading = yard::reading(&format!("{bin}-core"), self.yard.now, self.yard.now, value);
            self.step(Input::Readings(vec![reading]));
            self.wait(minutes(5));
        }
    }

    /// What arrived at somebody since this was last asked.
    fn got(&mut self, who: &str) -> Vec<String> {
        let (theirs, others): (Vec<_>, Vec<_>) = self.arrived.drain(..).partition(|(to, _)| to == who);
        self.arrived = others;
        theirs.into_iter().map(|(_, what)| what).filter(|what| what != "summary").collect()
    }

    /// The last word on a topic that ends so.
    fn topic(&self, end: &str) -> String {
        let published = self.yard.effects.iter().rev().find_map(|effect| match effect {
            Effect::Publish { topic, payload, .. } if topic.ends_with(end) => Some(payload.clone()),
            _ => None,
        });
        published.unwrap_or_default()
    }

    fn alarm(&self, rule: &str, subject: &str) -> Option<&Alarm> {
        self.yard.engine.alarms().find(|a| a.key.rule == rule && a.key.subject.as_str() == subject)
    }

    /// The daemon's own alarms about mail that stand.
    fn told(&self) -> Vec<String> {
        let ours = ["person-unreached", "mail-lost", "mail-down"];
        let standing = self.yard.engine.alarms().filter(|a| a.stands() && ours.contains(&a.key.rule.as_str()));
        standing.map(|a| format!("{} {}", a.key.rule, a.key.subject.as_str())).collect()
    }

    /// What a restart puts back.
    fn kept(&self) -> Restored {
        let mut waiting = self.mails.clone();
        let mut alarms: BTreeMap<u64, Alarm> = BTreeMap::new();
        let mut events = Vec::new();
        for effect in &self.yard.effects {
            match effect {
                Effect::MailState { mail, state: state @ MailState::Waiting { .. } } => {
                    waiting.get_mut(mail).unwrap().state = state.clone();
                }
                Effect::MailState { mail, .. } => {
                    waiting.remove(mail);
                }
                Effect::Alarm { alarm, event } => {
                    alarms.insert(alarm.id.0, (**alarm).clone());
                    events.extend(event.as_deref().cloned());
                }
                _ => {}
            }
        }
        Restored {
            life: 7,
            alarms: alarms.into_values().collect(),
            events,
            waiting: waiting.into_values().collect(),
            last_mail: self.mails.keys().last().map_or(0, |id| id.0),
            ..Restored::default()
        }
    }
}

fn outcome(answer: Answer) -> MailOutcome {
    match answer {
        Takes => MailOutcome::Accepted { reply: "250 taken".into() },
        Refuses => MailOutcome::Refused { reply: "it did not take ann@x.example: 550 5.1.1 no such user".into() },
        Defers => MailOutcome::Deferred { reply: "421 not now".into() },
        Unfit => MailOutcome::Unfit { reply: "552 5.3.4 too big".into() },
    }
}

#[test]
fn whoever_can_be_reached_learns_of_an_alarm_that_did_not_reach_its_people() {
    let hot = "b1 hot-core raise";
    let undelivered = "Ann person-unreached raise";
    for (people, answers, waits, bob, told, mail, why) in [
        (ANN_BOB, vec![], 0, vec![hot], vec![], "ok", "all is well"),
        (
            ANN_BOB,
            vec![("ann", Refuses)],
            0,
            vec![hot, undelivered],
            vec!["person-unreached Ann"],
            "late",
            "Bob had the alarm, and hears of Ann",
        ),
        (
            ANN_ON_DUTY,
            vec![("ann", Refuses)],
            0,
            vec![undelivered, hot],
            vec!["person-unreached Ann"],
            "late",
            "Bob is off duty, and nobody else hears of it: the alarm goes on to him",
        ),
        (
            ANN_ON_DUTY,
            vec![("ann", Defers)],
            31,
            vec![undelivered, hot],
            vec!["person-unreached Ann"],
            "late",
            "a mailbox that is full for half an hour is no better",
        ),
        (ANN_BOB, vec![("ann", Defers)], 5, vec![hot], vec![], "late", "greylisting is waited out"),
        (
            ANN_BOB,
            vec![("ann", Unfit)],
            0,
            vec![hot, "Ann mail-lost raise"],
            vec!["mail-lost Ann"],
            "late",
            "a mail that will never pass is lost to her",
        ),
        (
            ANN_BOB,
            vec![("ann", Refuses), ("bob", Refuses)],
            0,
            vec![],
            vec!["mail-down site", "person-unreached Ann", "person-unreached Bob"],
            "failed",
            "nobody is left",
        ),
        (
            ANN,
            vec![("ann", Refuses)],
            0,
            vec![],
            vec!["mail-down site", "person-unreached Ann"],
            "failed",
            "there is nobody but Ann",
        ),
        (
            ANN_BOB,
            vec![("ann", Defers), ("bob", Defers)],
            31,
            vec![],
            vec!["mail-down site"],
            "failed",
            "the relay, not its people: login refused, 421 for ever, out of reach",
        ),
        (ANN_BOB, vec![("ann", Defers), ("bob", Defers)], 5, vec![], vec![], "late", "the relay is restarted"),
        (
            ANN,
            vec![("ann", Unfit)],
            0,
            vec![],
            vec!["mail-down site", "mail-lost Ann"],
            "failed",
            "all is rejected as spam",
        ),
    ] {
        let mut post = Post::new(people, &answers);
        post.hot("b1");
        post.wait(minutes(waits));
        assert_eq!(post.got("bob"), bob, "{why}");
        assert_eq!(post.told(), told, "{why}");
        let status = post.topic("/status");
        post.wait(minutes(10));
        assert!(post.topic("yard/status").contains(&format!("\"mail\":\"{mail}\"")), "{why}: {status}");
    }
}

#[test]
fn a_rejected_mail_is_answered_with_one_mail_a_day_and_not_one_a_mail() {
    let mut post = Post::new(ANN_BOB, &[("ann", Refuses)]);
    post.hot("b1");
    post.hot("b2");
    post.wait(Span::hours(3));
    let about_ann = |got: Vec<String>| got.into_iter().filter(|what| what.starts_with("Ann")).collect::<Vec<_>>();
    assert_eq!(about_ann(post.got("bob")), ["Ann person-unreached raise"], "two alarms and their reminders, one mail");
    let tried = post.mails.values().filter(|mail| mail.to.starts_with("ann")).count();
    assert!(tried >= 4, "each alarm and each reminder tries Ann again: {tried}");
    // A relay that cannot make up its mind: each time it is on record, and once a day somebody is told.
    for _ in 0..4 {
        post.answers.insert("ann", Takes);
        post.cool("b1");
        post.answers.insert("ann", Refuses);
        post.hot("b1");
    }
    let raised = post.alarm("person-unreached", "Ann").unwrap().occurrence;
    assert_eq!(raised, 5, "each is on record");
    let more = about_ann(post.got("bob"));
    assert!(more.iter().all(|what| what.ends_with("clear")) && more.len() <= 1, "within the day: {more:?}");
}

#[test]
fn the_sounder_calls_when_mail_reaches_nobody_and_stops_when_it_does() {
    let mut post = Post::new(ANN, &[("ann", Defers)]);
    // Nothing of high priority stands: the trouble of the mail itself must sound.
    for _ in 0..25 {
        let payload = site::reading::Refusal {
            received_at: post.yard.now,
            topic: "t/x".into(),
            payload_head: "rubbish".into(),
            payload_bytes: 7,
            reason: "no number".into(),
        };
        post.step(Input::Refused(payload));
    }
    assert_eq!(post.topic("t-horn"), "OFF");
    post.wait(minutes(35));
    assert_eq!(post.topic("t-horn"), "ON");
    assert_eq!(post.told(), ["mail-down site"]);
    assert_eq!(post.yard.engine.mail_fares().people, 1);
    // When the relay takes one, all that wait follow at once, and nobody is called unreachable for a try that was not made.
    post.answers.insert("ann", Takes);
    post.wait(minutes(61));
    assert_eq!(post.topic("t-horn"), "OFF");
    assert!(post.told().is_empty());
    let waiting = post.yard.engine.figures(post.yard.now).mails_waiting;
    assert_eq!(waiting, 0);
    let got = post.got("ann");
    assert!(!got.iter().any(|what| what.contains("mail-down")), "it would come when it is over: {got:?}");
}

#[test]
fn when_the_relay_takes_one_mail_again_the_others_do_not_wait_for_their_turn() {
    let mut post = Post::new(ANN_BOB, &[("ann", Defers), ("bob", Defers)]);
    post.hot("b1");
    post.wait(Span::hours(5));
    assert_eq!(post.told(), ["mail-down site"]);
    post.answers.clear();
    let begun = post.yard.now;
    while post.yard.engine.figures(post.yard.now).mails_waiting > 0 {
        post.wait(minutes(1));
        assert!(post.yard.now.since(begun) <= Span::hours(1), "the next try is an hour away at the most");
        if !post.arrived.is_empty() {
            break;
        }
    }
    assert_eq!(post.yard.engine.figures(post.yard.now).mails_waiting, 0, "all left within the same minute");
    assert!(post.got("ann").contains(&"b1 hot-core raise".to_owned()));
    assert!(post.got("bob").contains(&"b1 hot-core raise".to_owned()));
    post.wait(minutes(60));
    assert!(post.told().is_empty(), "{:?}", post.told());
}

#[test]
fn later_alarms_try_a_refused_person_again_and_go_to_the_others_too() {
    let mut post = Post::new(ANN_ON_DUTY, &[("ann", Refuses)]);
    post.hot("b1");
    post.got("bob");
    post.hot("b2");
    assert_eq!(
        post.got("bob"),
        ["b2 hot-core raise"],
        "known to be out of reach: the alarm goes to both at once, and once"
    );
    let tried =
        post.mails.values().filter(|mail| mail.to.starts_with("ann") && about(mail) == "b2 hot-core raise").count();
    assert_eq!(tried, 1, "Ann is tried again");
    post.answers.clear();
    // Reminders reach everybody.
    post.wait(Span::hours(2));
    assert!(post.told().is_empty(), "{:?}", post.told());
    assert!(post.got("bob").contains(&"Ann person-unreached clear".to_owned()));
}

#[test]
fn a_restart_forgets_nothing_of_whom_mail_reaches() {
    for (people, answers, waits, why) in [
        (ANN_BOB, vec![("ann", Refuses)], 0, "refused"),
        (ANN, vec![("ann", Refuses)], 0, "nobody is left"),
        (ANN_BOB, vec![("ann", Defers), ("bob", Defers)], 25, "the half hour goes on"),
    ] {
        let mut before = Post::new(people, &answers);
        before.hot("b1");
        before.wait(minutes(waits));
        let told = before.told();
        let mut after = Post::restored(people, &answers, before.kept(), before.yard.now);
        assert_eq!(after.told(), told, "{why}");
        before.wait(minutes(10));
        after.wait(minutes(10));
        assert_eq!(after.told(), before.told(), "{why}: ten minutes on");
        assert!(!after.told().is_empty(), "{why}");
        assert_eq!(after.topic("t-horn"), before.topic("t-horn"), "{why}");
        assert!(
            !after.mails.values().any(|m| m.created_at > before.yard.now && about(m).contains("raise")),
            "{why}: told once"
        );
    }
}

#[test]
fn somebody_who_left_the_settings_is_no_longer_waited_for() {
    let mut before = Post::new(ANN_BOB, &[("ann", Refuses)]);
    before.hot("b1");
    assert_eq!(before.told(), ["person-unreached Ann"]);
    let bob = "\n  - { name: Bob, mail: \"bob@x.example\", gets: [alarms] }\n";
    let after = Post::restored(bob, &[], before.kept(), before.yard.now);
    assert!(after.told().is_empty(), "{:?}", after.told());
    assert!(
        matches!(&before.alarm("person-unreached", "Ann").unwrap().key.subject, Subject::Person(name) if name == "Ann")
    );
}

#[test]
fn a_mail_that_was_deferred_until_its_time_was_over_is_told() {
    // Everything but the summaries passes: they are too large just now, for days.
    let mut post = Post::new(ANN_BOB, &[]);
    post.hot("b1");
    let mail = post.mails.values().find(|mail| mail.to.starts_with("ann")).unwrap().clone();
    post.got("bob");
    let mut yard = Yard::described(
        &settings(ANN_BOB),
        &[("hot-core", HOT)],
        Restored {
            life: 7,
            waiting: vec![Mail {
                state: MailState::Waiting { next_try: START, tries: 30, last_reply: "452".into() },
                ..mail.clone()
            }],
            last_mail: mail.id.0,
            ..Restored::default()
        },
        mail.created_at + Span::hours(24),
    );
    yard.step(Input::Started { previous: None });
    // Other mails to her arrive meanwhile, so that she counts as reached.
    let other = yard.step(Input::Mail { mail: mail.id, outcome: outcome(Defers) });
    assert!(other.iter().any(|e| matches!(e, Effect::MailState { state: MailState::GivenUp { .. }, .. })));
    let lost: Vec<_> = yard.engine.alarms().filter(|a| a.key.rule == "mail-lost" && a.stands()).collect();
    assert_eq!(lost.len(), 1, "{other:?}");
    assert!(lost[0].evidence[0].contains("hot core"), "{:?}", lost[0].evidence);
}

#[test]
fn a_lost_mail_is_told_for_a_day() {
    let mut post = Post::new(ANN_BOB, &[("ann", Unfit)]);
    post.hot("b1");
    post.answers.clear();
    post.wait(Span::hours(20));
    assert_eq!(post.told(), ["mail-lost Ann"], "the round list of the morning has it");
    post.wait(Span::hours(26));
    assert!(post.told().is_empty());
}

#[test]
fn the_finding_carries_the_relays_words_and_names_the_mail() {
    let mut post = Post::new(ANN_BOB, &[("ann", Refuses)]);
    post.hot("b1");
    let alarm = post.alarm("person-unreached", "Ann").unwrap();
    assert_eq!(alarm.finding, "mail to Ann is rejected: it did not take Ann: 550 5.1.1 no such user", "and no address");
    assert_eq!(alarm.evidence.len(), 1);
    assert!(alarm.evidence[0].starts_with("The mail that was rejected: alarm 1, b1 hot core:"), "{:?}", alarm.evidence);
}

#[test]
fn the_round_list_names_whom_mail_does_not_reach() {
    let people = ANN_BOB.replace(
        "name: Bob, mail: \"bob@x.example\", gets: [alarms]",
        "name: Bob, mail: \"bob@x.example\", gets: [alarms, round_list]",
    );
    let mut post = Post::new(&people, &[("ann", Refuses)]);
    post.hot("b1");
    post.wait(minutes(15));
    let lists = post.yard.round_lists();
    assert_eq!(lists.len(), 1, "half past six");
    let titles: Vec<_> = lists[0].standing.iter().map(|item| (item.subject.as_str(), item.title.as_str())).collect();
    assert!(titles.contains(&("Ann", "Mail undeliverable")), "{titles:?}");
}
