//! An alarm's life against the table: every row, every state with every event, and random walks with what must always hold.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use std::collections::BTreeSet;

use engine::alarm::AlarmState;
use engine::life::{Event, Life, LifeConfig, Occurrence, OutOfService, Refused, Shelf, Told, step};
use engine::limits;
use pile::time::{Span, Timestamp};
use proptest::prelude::*;

const NOW: Timestamp = Timestamp::from_millis(1_780_000_000_000);
const STATES: [(&str, AlarmState); 7] = [
    ("A", AlarmState::Normal),
    ("B", AlarmState::Unacknowledged),
    ("C", AlarmState::Acknowledged),
    ("D", AlarmState::ReturnedUnacknowledged),
    ("E", AlarmState::LatchedUnacknowledged),
    ("F", AlarmState::LatchedAcknowledged),
    ("X", AlarmState::Suppressed),
];

struct Row {
    id: String,
    state: String,
    event: String,
    guard: String,
    next: String,
    action: String,
    mail: String,
}

fn table() -> Vec<Row> {
    let path = format!("{}/../../tests/reference/alarms/alarm-transitions.csv", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{path}: {e}"));
    let lines = text.lines().filter(|l| !l.starts_with('#')).skip(1);
    lines
        .map(|line| {
            let mut cells = vec![String::new()];
            let mut quoted = false;
            for c in line.chars() {
                match c {
                    '"' => quoted = !quoted,
                    ',' if !quoted => cells.push(String::new()),
                    c => cells.last_mut().unwrap().push(c),
                }
            }
            let [id, state, event, guard, next, action, mail] = cells.try_into().unwrap();
            Row { id, state, event, guard, next, action, mail }
        })
        .collect()
}

fn letter(state: AlarmState) -> &'static str {
    STATES.iter().find(|(_, s)| *s == state).unwrap().0
}

fn shelve(hours: i64, reason: &str) -> Event {
    Event::Shelve { until: Some(NOW + Span::hours(hours)), by: "Ann".into(), reason: reason.into() }
}

fn out(reason: &str) -> Event {
    Event::OutOfService { back: None, by: "Ann".into(), reason: reason.into() }
}

/// Every event by its name in the table, good and bad; `true` where what a person gives with it is in order.
fn events() -> Vec<(&'static str, Event, bool)> {
    let endless = Event::Shelve { until: None, by: "Ann".into(), reason: "door open".into() };
    vec![
        ("RAISE", Event::Raise, true),
        ("CLEAR", Event::Clear, true),
        ("ACK", Event::Acknowledge, true),
        ("RESET", Event::Reset, true),
        ("SHELVE", shelve(4, "door open"), true),
        ("SHELVE", shelve(4, " "), false),
        ("SHELVE", shelve(73, "door open"), false),
        ("SHELVE", shelve(0, "door open"), false),
        ("SHELVE", endless, false),
        ("UNSHELVE", Event::Unshelve, true),
        ("SHELVE_EXPIRE", Event::ShelfEnds, true),
        ("DSUP_ON", Event::SuppressByDesign { rule: "gateway-down".into() }, true),
        ("DSUP_OFF", Event::EndByDesign, true),
        ("OOS_ON", out("probe in repair"), true),
        ("OOS_ON", out(""), false),
        ("OOS_OFF", Event::InService, true),
        ("REALARM", Event::Realarm, true),
        ("ESCALATE", Event::Escalate, true),
        ("RESTART", Event::Restart, true),
        ("RETIRE", Event::Retire, true),
    ]
}

fn bits(n: u32) -> impl Fn(u32) -> bool {
    move |bit| n & (1 << bit) != 0
}

fn configs() -> Vec<LifeConfig> {
    (0..32)
        .map(|n| {
            let bit = bits(n);
            LifeConfig {
                ack_required: bit(0),
                latching: bit(1),
                shelvable: bit(2),
                realarm_acked: bit(3),
                break_shelf_on_escalate: bit(4),
                reopen_within: Span::hours(1),
                shelf_longest: Span::hours(72),
            }
        })
        .collect()
}

/// Every life there is, as far as the table tells them apart. Shelves end now.
fn lives() -> Vec<Life> {
    let mut all = Vec::new();
    for (_, state) in STATES.iter().filter(|(_, s)| *s != AlarmState::Suppressed) {
        for ended in [NOW - Span::minutes(10), NOW - Span::hours(2)] {
            all.push(Life { state: *state, cleared_at: Some(ended), reminders: 2, ..Life::NORMAL });
        }
    }
    for n in (0..64).filter(|n| n & 7 != 0) {
        let bit = bits(n);
        let (by, reason) = ("Ann".to_owned(), "repair".to_owned());
        let since = NOW - Span::hours(1);
        all.push(Life {
            state: AlarmState::Suppressed,
            shelf: bit(0).then(|| Shelf { since, until: NOW, by: by.clone(), reason: reason.clone() }),
            by_design: bit(1).then(|| "gateway-down".into()),
            out_of_service: bit(2).then_some(OutOfService { since, back: None, by, reason }),
            active: bit(3),
            latched: bit(4),
            open: bit(5),
            ..Life::NORMAL
        });
    }
    all
}

fn holds(guard: &str, life: &Life, config: &LifeConfig, in_order: bool) -> bool {
    let set = |flag: &str| match flag {
        "S" => life.shelf.is_some(),
        "H" => life.by_design.is_some(),
        "O" => life.out_of_service.is_some(),
        other => panic!("no flag {other}"),
    };
    if let Some(rest) = guard.strip_prefix("only ") {
        let (flag, shadows) = rest.split_once(" set & ").unwrap();
        let fits = match shadows {
            "active" => life.active,
            "!active & latched" => !life.active && life.latched,
            "!active & !latched" => !life.active && !life.latched,
            other => panic!("no shadows {other}"),
        };
        return set(flag) && life.flags() == 1 && fits;
    }
    match guard {
        "" => true,
        "ack_required" => config.ack_required,
        "!ack_required" => !config.ack_required,
        "latching" => config.latching,
        "!latching" => !config.latching,
        "realarm_acked" => config.realarm_acked,
        "!realarm_acked" => !config.realarm_acked,
        "shelvable & valid" => config.shelvable && in_order,
        "!(shelvable & valid)" => !(config.shelvable && in_order),
        "reason given" => in_order,
        "no reason" => !in_order,
        other => match other.split_once(' ').unwrap() {
            (flag, "not set") => !set(flag),
            (flag, "set & other flags remain") => set(flag) && life.flags() > 1,
            _ => panic!("no guard {other}"),
        },
    }
}

fn mail_of(row: &Row, life: &Life, config: &LifeConfig) -> &'static str {
    let mail = row.mail.as_str();
    if mail.starts_with("raise only in that case") {
        let breaks = config.break_shelf_on_escalate && life.active && life.shelf.is_some() && life.flags() == 1;
        return if breaks { "raise" } else { "" };
    }
    if mail.starts_with("raise or update") {
        let inside = NOW.since(life.cleared_at.unwrap()) <= config.reopen_within;
        return if inside { "update" } else { "raise" };
    }
    if mail.ends_with("if an occurrence was open") && !life.open {
        return "";
    }
    if mail.ends_with("if s in {B,C,E,F}") && !["B", "C", "E", "F"].contains(&row.state.as_str()) {
        return "";
    }
    match mail.split(' ').next().unwrap() {
        "" => "",
        "raise" => "raise",
        "update" if mail.contains("reminder") => "reminder",
        "update" => "update",
        "clear" => "clear",
        other => panic!("{}: no mail {other}", row.id),
    }
}

fn told_word(told: Told) -> &'static str {
    match told {
        Told::Nothing => "",
        Told::Raise(_) => "raise",
        Told::Update => "update",
        Told::Clear => "clear",
        Told::Reminder(_) => "reminder",
    }
}

#[test]
fn every_row_of_the_table_is_what_the_engine_does() {
    let table = table();
    assert_eq!(table.len(), 139, "the whole table");
    let mut met = BTreeSet::new();
    for life in lives() {
        for config in configs() {
            for (name, event, in_order) in events() {
                let case = format!("{name} ({event:?}) on {life:?} with {config:?}");
                let state = letter(life.state);
                let fits: Vec<&Row> = table
                    .iter()
                    .filter(|r| r.state == state && r.event == name && holds(&r.guard, &life, &config, in_order))
                    .collect();
                let [row] = fits[..] else { panic!("{case}: {} rows fit, not one", fits.len()) };
                met.insert(row.id.clone());
                let person = !matches!(name, "SHELVE_EXPIRE" | "DSUP_OFF");
                let refused = row.action.starts_with("reject") && person;
                let got = step(&life, event, &config, NOW);
                let Ok((next, told)) = got else {
                    assert!(refused, "{}: {case} gave {got:?}", row.id);
                    continue;
                };
                assert!(!refused, "{}: {case} gave {next:?}", row.id);
                let mail = mail_of(row, &life, &config);
                // Two rows name in words the case in which they end a shelf.
                match row.id.as_str() {
                    "T137" => assert_eq!(letter(next.state), if mail.is_empty() { "X" } else { "B" }, "{case}"),
                    "T138" => {
                        let timer = step(&life, Event::ShelfEnds, &config, NOW).unwrap();
                        assert_eq!((next, told), timer, "T138: {case}: an end that passed meanwhile takes effect");
                        continue;
                    }
                    _ => assert_eq!(letter(next.state), row.next, "{}: {case}", row.id),
                }
                assert_eq!(told_word(told), mail, "{}: {case}", row.id);
            }
        }
    }
    let missed: Vec<&str> = table.iter().map(|r| r.id.as_str()).filter(|id| !met.contains(*id)).collect();
    assert!(missed.is_empty(), "rows never met: {missed:?}");
}

#[test]
fn each_refusal_says_what_is_the_matter_and_what_next() {
    let life = |state| Life { state, ..Life::NORMAL };
    let safety = LifeConfig { shelvable: false, ..LifeConfig::default() };
    let usual = LifeConfig::default();
    let cases = [
        (AlarmState::Normal, Event::Acknowledge, usual, Refused::NothingToAcknowledge, "nothing to acknowledge"),
        (AlarmState::Unacknowledged, Event::Reset, usual, Refused::StillActive, "reset it when that has ended"),
        (AlarmState::ReturnedUnacknowledged, Event::Reset, usual, Refused::NotLatched, "nothing to reset"),
        (AlarmState::LatchedUnacknowledged, Event::Reset, usual, Refused::AcknowledgeFirst, "acknowledge it, then"),
        (AlarmState::Unacknowledged, shelve(1, "x"), safety, Refused::NotShelvable, "take it out of service"),
        (AlarmState::Unacknowledged, shelve(1, ""), usual, Refused::NoReason, "say why"),
        (AlarmState::Unacknowledged, shelve(-1, "x"), usual, Refused::NoEnd, "say until when"),
        (AlarmState::Unacknowledged, shelve(73, "x"), usual, Refused::BeyondLimit { longest: Span::hours(72) }, "3 d"),
        (AlarmState::Unacknowledged, Event::Unshelve, usual, Refused::NotShelved, "not shelved"),
        (AlarmState::Unacknowledged, Event::InService, usual, Refused::InServiceAlready, "in service already"),
        (AlarmState::Suppressed, Event::Acknowledge, usual, Refused::Suppressed, "unshelving it"),
    ];
    for (state, event, config, refused, words) in cases {
        assert_eq!(step(&life(state), event, &config, NOW), Err(refused));
        assert!(refused.to_string().contains(words), "{refused}");
    }
    let exactly = shelve(limits::SHELF_MAX.as_hours() as i64, "x");
    assert!(step(&life(AlarmState::Normal), exactly, &usual, NOW).is_ok(), "the limit itself is allowed");
}

#[test]
fn shelving_again_does_not_get_round_the_limit() {
    let usual = LifeConfig::default();
    let (first, _) = step(&Life::NORMAL, shelve(70, "x"), &usual, NOW).unwrap();
    let later = NOW + Span::hours(60);
    let until = |hours| Event::Shelve { until: Some(NOW + Span::hours(hours)), by: "Ann".into(), reason: "x".into() };
    assert_eq!(
        step(&first, until(73), &usual, later),
        Err(Refused::BeyondLimit { longest: Span::hours(72) }),
        "counted from the first shelving"
    );
    let (longer, _) = step(&first, until(72), &usual, later).unwrap();
    let (stale, told) = step(&longer, Event::ShelfEnds, &usual, NOW + Span::hours(70)).unwrap();
    assert_eq!((stale, told), (longer, Told::Nothing), "the timer of the shelf that was replaced is stale");
}

#[test]
fn a_raise_after_a_suppression_goes_on_with_an_occurrence_that_people_know() {
    let usual = LifeConfig::default();
    for (state, occurrence) in [(AlarmState::Normal, Occurrence::New), (AlarmState::Unacknowledged, Occurrence::Same)] {
        let (hidden, _) = step(&Life { state, ..Life::NORMAL }, shelve(1, "x"), &usual, NOW).unwrap();
        let (hidden, _) = step(&hidden, Event::Raise, &usual, NOW).unwrap();
        let (back, told) = step(&hidden, Event::Unshelve, &usual, NOW).unwrap();
        assert_eq!((back.state, told), (AlarmState::Unacknowledged, Told::Raise(occurrence)), "from {state:?}");
    }
}

#[test]
fn without_a_reopen_window_every_raise_is_a_new_occurrence() {
    let returned = Life { state: AlarmState::ReturnedUnacknowledged, cleared_at: Some(NOW), ..Life::NORMAL };
    let hour = Span::hours(1);
    for (reopen_within, later, told) in [
        (Span::ZERO, Span::ZERO, Told::Raise(Occurrence::New)),
        (Span::ZERO, hour, Told::Raise(Occurrence::New)),
        (hour, hour - Span::millis(1), Told::Update),
        (hour, hour, Told::Raise(Occurrence::New)),
    ] {
        let config = LifeConfig { reopen_within, ..LifeConfig::default() };
        let got = step(&returned, Event::Raise, &config, NOW + later).unwrap().1;
        assert_eq!(got, told, "window {reopen_within}, raised {later} after the end");
    }
}

#[test]
fn normal_can_be_reached_from_everywhere() {
    let table = table();
    for (from, _) in STATES {
        let mut reached = BTreeSet::from([from]);
        while let Some(row) =
            table.iter().find(|r| reached.contains(r.state.as_str()) && !reached.contains(r.next.as_str()))
        {
            reached.insert(STATES.iter().find(|(l, _)| *l == row.next).unwrap().0);
        }
        assert!(reached.contains("A"), "from {from}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(4000) })]

    #[test]
    fn whatever_happens_the_invariants_hold(
        config in 0..32usize,
        walk in prop::collection::vec((0..20usize, 0..20i64), 1..80),
    ) {
        let config = configs()[config];
        let mut life = Life::NORMAL;
        let mut condition = false;
        let mut now = NOW;
        for (event, hours) in walk {
            now = now + Span::hours(hours);
            let (name, event, _) = events().swap_remove(event);
            let event = match event {
                Event::Shelve { until: Some(until), by, reason } => {
                    Event::Shelve { until: Some(now + until.since(NOW)), by, reason }
                }
                other => other,
            };
            match name {
                "RAISE" => condition = true,
                "CLEAR" | "RETIRE" => condition = false,
                _ => {}
            }
            let before = life.clone();
            let told = match step(&life, event, &config, now) {
                Ok((next, told)) => {
                    life = next;
                    told
                }
                Err(_) => {
                    prop_assert!(!["RAISE", "CLEAR", "RETIRE", "RESTART", "SHELVE_EXPIRE"].contains(&name), "{}", name);
                    Told::Nothing
                }
            };
            let (old, new) = (letter(before.state), letter(life.state));
            if new == "X" {
                prop_assert_eq!(life.active, condition, "the shadow mirrors the condition");
                prop_assert!(life.flags() > 0);
                prop_assert!(old != "X" || told == Told::Nothing, "nothing is told while suppressed");
                if let Some(shelf) = &life.shelf {
                    prop_assert!(shelf.until.since(shelf.since) <= limits::SHELF_MAX && !shelf.reason.trim().is_empty());
                    prop_assert!(config.shelvable);
                }
            } else {
                prop_assert_eq!(["B", "C"].contains(&new), condition, "active states mirror the condition");
                prop_assert_eq!(life.flags(), 0);
            }
            if config.latching && new == "A" && !["A", "X"].contains(&old) {
                prop_assert!(["RESET", "RETIRE"].contains(&name), "{} ended a latching alarm in {}", name, old);
            }
            if name == "ACK" && !["B", "D", "E"].contains(&old) {
                prop_assert_eq!(&life, &before);
            }
        }
    }
}
