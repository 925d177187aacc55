//! The shipped rules about the course of a batch, and about what its probes say of themselves, against bins in the states that each
//! must tell apart.
//!
//! Must never compare verdicts alone where the words matter: people act on the words.

#![allow(clippy::unwrap_used)]

mod built;

use built::{Built, book, check, judge, on_air};
use rulebook::answer::Verdict::{Alarm, CannotTell, Clear, Keep};
use site::model::{Display, Position};
use site::quantity::Quantity;

/// A core that has been at 55 °C for 60 hours, and a base for 48, which does this over its last day.
fn young(base: &str) -> Built {
    on_air("4d").core("4d:20 60h:55 55h:62 0h:62").base(&format!("4d:20 48h:55 44h:60 24h:60 {base}"))
}

#[test]
fn hold_at_risk() {
    check(
        "hold-at-risk",
        vec![
            (young("0h:60"), Clear, "no probe of it is near 55.0 °C", "steady"),
            (
                young("0h:57"),
                Alarm,
                "breaks in about 16 h (Tue 10 Mar 16:00): p2 (base temperature) at 57.0 °C falls 3.0 K/d",
                "it crosses 55 °C after 16 h, and 24 h are missing",
            ),
            (
                young("12h:60 0h:57").core("4d:20 68h:55 65h:62 0h:62"),
                Alarm,
                "breaks in about 8 h",
                "every probe counts, though the core alone will be there before",
            ),
            (
                on_air("4d").core("4d:20 70h:55 65h:62 24h:62 0h:58"),
                Keep,
                "has lasted 2 d 22 h of 3 d",
                "it will be complete two hours from now, and crosses later",
            ),
            (young("0h:58.1"), Keep, "falls 1.9 K/d", "slower than 2 K a day"),
            (young("9h:58 0h:58"), Keep, "near it and does not fall", "it fell, and no longer does"),
            (
                on_air("6d").core("6d:20 5d:55 4.8d:62 0h:62").base("6d:20 2.5d:55 2.3d:60 24h:60 0h:57"),
                Clear,
                "the core has held 55.0 °C or more for 5 d",
                "what hot-hold asks for is complete",
            ),
            (young("0h:57").watered("20h", Some(40.0)), Keep, "watered 20 h ago", "cold water cools by itself"),
            (
                on_air("4d").core("4d:20 2.5d:55 2.3d:62 24h:62 0h:56.4"),
                Keep,
                "see temperature-crash",
                "one condition, one alarm",
            ),
            (
                on_air("4d").core("4d:20 48h:55 44h:60 24h:60 0h:57").base("4d:20 0h:48"),
                Alarm,
                "p1 (core temperature) at 57.0 °C falls 3.0 K/d",
                "the base never got there: the core's own run",
            ),
            (
                young("0h:60").core("4d:20 0h:50"),
                Clear,
                "no run at 55.0 °C or more is under way for 6 h",
                "a core probe that is not hot: nothing to lose",
            ),
            (on_air("4d"), CannotTell, "core temperature", "no probe"),
        ],
    );
    let answer = judge(&book(Display::Us), "hold-at-risk", &young("0h:57").done());
    assert!(answer.finding.contains("p2 (base temperature) at 134.6 °F falls 5.4 °F/d"), "{answer:?}");
    assert_eq!(answer.hides, [("slow-cooling".to_owned(), "north-2".to_owned())]);
}

#[test]
fn hold_met() {
    let met = || on_air("7d").core("7d:20 5.5d:55 5d:60 24h:60 12h:55 0h:50");
    check(
        "hold-met",
        vec![
            (
                met(),
                Alarm,
                "every probe in the pile measured at 55.0 °C or more for 5 d without a break: began Wed 4 Mar 12:00, ended Mon 9 Mar 12:00",
                "from when to when",
            ),
            (
                on_air("7d").core("7d:20 5.5d:55 5d:60 0h:60"),
                Alarm,
                "goes on at Tue 10 Mar 00:00",
                "the run has not ended",
            ),
            (on_air("4d").core("4d:20 72h:55 2d:60 0h:60"), Alarm, "for 3 d without a break", "exactly three days"),
            (on_air("4d").core("4d:20 71h:55 2d:60 0h:60"), Clear, "is 2 d 23 h of 3 d", "an hour less"),
            (met().core("7d:20 2d:55 1d:60 0h:60"), Clear, "is 2 d of 3 d", "of two core probes the least"),
            (
                met().base("7d:20 0h:50"),
                Clear,
                "is 0 s of 3 d",
                "the base never got there, and the coldest place decides",
            ),
            (on_air("7d").base("7d:60 0h:60"), Alarm, "for 7 d", "the base alone is measured"),
        ],
    );
    let answer = judge(&book(Display::Metric), "hold-met", &met().base("7d:20 4d:55 1d:60 0h:60").done());
    assert!(answer.evidence.contains(&"p2 (base temperature): longest run 4 d, 4 d in all".to_owned()), "{answer:?}");
    let all = format!("{answer:?}").to_lowercase();
    assert!(!all.contains("compl"), "it says what was measured, not that anything is complied with: {all}");
    assert!(answer.evidence.last().unwrap().contains("the criterion and your permit decide"), "{answer:?}");
}

#[test]
fn probes_still_out() {
    let pulled = |ago: &str| on_air("6d").core("6d:60 0h:20").entry(ago, "probes-out");
    check(
        "probes-still-out",
        vec![
            (on_air("6d").core("6d:60 0h:60"), Clear, "in the material", "as they should be"),
            (pulled("4h"), Clear, "out for 4 h", "exactly four hours"),
            (pulled("5h"), Alarm, "out of the material for 5 h, since Mon 9 Mar 19:00", "longer"),
            (pulled("9h").entry("1h", "probes-back"), Clear, "in the material", "back"),
            (on_air("6d").entry("5h", "probes-out"), Alarm, "for 5 h", "the log alone says it"),
        ],
    );
}

#[test]
fn overdue_on_air() {
    check(
        "overdue-on-air",
        vec![
            (on_air("42d").core("42d:20 0h:40"), Clear, "on air for 42 d", "six weeks"),
            (on_air("43d").core("8d:40 0h:35"), Alarm, "on air for 43 d, since Mon 26 Jan 00:00", "longer"),
            (on_air("43d"), Alarm, "on air for 43 d", "no probe is needed"),
        ],
    );
}

#[test]
fn cooled_too_early() {
    let cooled = |then: &str| on_air("15d").core(&format!("15d:20 13d:60 6d:60 {then}"));
    check(
        "cooled-too-early",
        vec![
            (
                cooled("2d:42 0h:40"),
                Alarm,
                "core has been below 43.0 °C for a day, now 40.0 °C, after only 15 d",
                "cold",
            ),
            (cooled("12h:43 0h:40"), Keep, "not below for a whole day", "half a day"),
            (cooled("2d:42 1h:43 0h:43"), Keep, "core is at 43.0 °C", "exactly on the limit is not below it"),
            (cooled("2d:42 0h:46"), Clear, "the core is at 46.0 °C", "back"),
            (
                on_air("22d").core("22d:20 20d:60 6d:60 2d:42 0h:40"),
                Clear,
                "the pile may cool now",
                "three weeks are over",
            ),
            (on_air("15d").core("15d:20 13d:45 6d:45 2d:42 0h:40"), Clear, "has not reached", "slow-start tells"),
            (
                on_air("15d").core("15d:20 13d:60 12d:60 11d:40 0h:40"),
                Clear,
                "see hot-hold",
                "its run broke: one condition, one alarm",
            ),
            (cooled("2d:42 0h:40").watered("20h", Some(100.0)), Keep, "watered 20 h ago", "cold water"),
            (cooled("2d:42 3h:40"), CannotTell, "no reading for 3 h", "silence is not cold"),
        ],
    );
    let answer = judge(&book(Display::Metric), "cooled-too-early", &cooled("2d:42 0h:40").account(40.0).done());
    assert!(answer.evidence.iter().any(|line| line.starts_with("moisture by the water balance:")), "{answer:?}");
    assert_eq!(answer.hides.len(), 2, "{answer:?}");
}

#[test]
fn waterlogged() {
    let cold = || on_air("3d").core("3d:15 0h:28");
    let oxygen = |text: &str| cold().moisture("3d:71 0h:71").with(Position::Core, Quantity::Oxygen, text);
    check(
        "waterlogged",
        vec![
            (cold().moisture("3d:71 0h:71"), Alarm, "the moisture probe reads 71.0 %; core 28.0 °C after 3 d", "wet"),
            (cold().moisture("3d:65 0h:65"), Alarm, "reads 65.0 %", "exactly on the limit is too wet"),
            (cold().moisture("3d:64 0h:64.9"), Clear, "64.9 %: not too wet", "just short of it"),
            (cold().account(72.0), Alarm, "moisture by the water balance: 72.0 %", "the account"),
            (cold().account(58.0), Clear, "not too wet", "the account"),
            (cold().filled("3d", Some(71.0)), Alarm, "the mix was filled in at 71.0 %", "as somebody wrote"),
            (
                cold().filled("3d", Some(71.0)).moisture("3d:55 0h:55"),
                Clear,
                "the moisture probe reads 55.0 %: not too wet",
                "what is measured now counts more",
            ),
            (cold(), CannotTell, "nobody measured", "a cold pile alone is told by slow-start"),
            (oxygen("3d:18 2d:3 0h:3"), Alarm, "too wet to get hot", "and it does not breathe"),
            (oxygen("3d:18 2d:3 1h:10 0h:3"), Clear, "but oxygen comes back to 10.0 %", "after a pulse"),
            (oxygen("3d:18 2d:3 5h:3"), CannotTell, "the oxygen probe is silent", "not heard"),
            (
                cold().moisture("3d:71 0h:71").with(Position::Room, Quantity::Oxygen, "3d:20.9 0h:20.9"),
                Alarm,
                "too wet",
                "the air of a room is no pore gas",
            ),
            (on_air("47h").core("47h:15 0h:20").moisture("47h:71 0h:71"), Clear, "on air for 1 d 23 h", "too soon"),
            (on_air("3d").core("3d:15 0h:47").moisture("3d:71 0h:71"), Clear, "on its way", "it warms"),
            (
                on_air("9d").core("9d:15 6d:60 0h:30").moisture("3d:71 0h:71"),
                Alarm,
                "too wet to stay hot: core falls 5.0 K/d",
                "it was hot, and drowns",
            ),
            (
                on_air("9d").core("9d:15 6d:60 0h:60").moisture("3d:71 0h:71"),
                Clear,
                "below its best of five days",
                "hot and wet, and it does not fall",
            ),
            (
                on_air("9d").core("9d:15 6d:60 0h:30").moisture("3d:52 0h:52"),
                Clear,
                "the moisture probe reads 52.0 %",
                "it falls, and not for too much water",
            ),
        ],
    );
    let answer = judge(&book(Display::Metric), "waterlogged", &oxygen("3d:18 2d:3 0h:3").done());
    let hidden: Vec<&str> = answer.hides.iter().map(|(rule, _)| rule.as_str()).collect();
    assert_eq!(hidden, ["slow-start", "short-of-air"]);
}

#[test]
fn probe_battery() {
    let battery = |text: &str| on_air("9d").with(Position::Core, Quantity::Battery, text);
    let volts = |text: &str| on_air("9d").with(Position::Core, Quantity::BatteryVoltage, text);
    check(
        "probe-battery",
        vec![
            (battery("8d:40 0h:20"), Keep, "p1: 20.0 %", "exactly on the limit is not below it"),
            (battery("8d:35 0h:19"), Alarm, "p1: 19.0 %, about 9 d", "two percent a day"),
            (battery("8d:19 0h:19"), Alarm, "battery low: p1: 19.0 %", "it does not fall: nothing is said of its time"),
            (battery("8d:40 0h:22"), Clear, "no battery is low, of 1", "above the deadband"),
            (volts("8d:3 0h:2.3"), Alarm, "battery low: p1: 2.3 V, about 3 d", "in volts"),
            (volts("8d:3 0h:2.7"), Clear, "no battery", "in volts"),
            (battery("8d:40 10h:19"), Alarm, "p1: 19.0 %", "told a few times a day only"),
            (battery("8d:40 4d:19"), CannotTell, "nothing was heard of the battery of p1", "silence is not empty"),
            (
                battery("8d:19 0h:19").with(Position::Base, Quantity::Battery, "8d:9 0h:9"),
                Alarm,
                "2 batteries low",
                "one alarm a bin",
            ),
            (battery("8d:19 0h:19").without_batch(), Alarm, "p1", "an empty bin has probes too"),
            (
                on_air("9d").with(Position::Room, Quantity::Battery, "8d:9 0h:9"),
                Clear,
                "no probe of the bin",
                "told by site-probe-battery",
            ),
            (on_air("9d").core("8d:60 0h:60"), Clear, "no probe of the bin reports", "none fitted"),
        ],
    );
}

#[test]
fn ready_to_leave_air() {
    let old = |then: &str| on_air("30d").core(&format!("30d:20 28d:60 10d:60 {then}"));
    check(
        "ready-to-leave-air",
        vec![
            (old("4d:44 0h:44"), Alarm, "on air for 30 d: core at 44.0 °C in the mean of a day", "cooled off"),
            (old("0h:60"), Clear, "the core is still at 60.0 °C", "hot"),
            (old("4d:58 0h:52"), Clear, "the core is still at", "it falls, and nobody knows of its food"),
            (
                old("4d:44 0h:44").moisture("9d:44 0h:40"),
                Clear,
                "the moisture probe reads 40.0 %: it lacks water first of all",
                "dry",
            ),
            (old("4d:44 0h:44").moisture("9d:52 0h:52"), Alarm, "30 d", "moist"),
            (old("4d:44 0h:44").account(40.0), Clear, "moisture by the water balance:", "dry by the account"),
            (old("4d:44 0h:44").watered("40h", Some(50.0)), Keep, "watered 1 d 16 h ago", "it may wake again"),
            (
                on_air("30d").core("30d:20 28d:52 10d:52 4d:44 0h:44"),
                Clear,
                "see hot-hold",
                "its hot run is not complete",
            ),
            (on_air("27d").core("27d:20 25d:60 10d:60 4d:44 0h:44"), Clear, "27 d of 28 d", "too young"),
            (on_air("43d").core("43d:20 40d:60 10d:60 4d:44 0h:44"), Clear, "see overdue-on-air", "too old"),
            (old("4d:44 3h:44"), CannotTell, "no reading for 3 h", "silence is not cool"),
        ],
    );
}

#[test]
fn probe_drifting() {
    // Ten days on air, the third day steady; then a straight line over the last seven. What stands still would be stuck.
    let core = |built: Built, now: f64| built.core(&format!("10d:20 8.5d:60 7d:60 0h:{now}"));
    let pile = || on_air("10d");
    check(
        "probe-drifting",
        vec![
            (core(core(core(pile(), 60.5), 60.5), 60.5), Clear, "every probe keeps its place", "steady"),
            (
                core(core(core(pile(), 60.5), 60.5), 53.0),
                Alarm,
                "p3 (core temperature) drifts down: 7.0 K",
                "a kelvin a day for a week; the mean of the last day lags half a day",
            ),
            (core(core(core(pile(), 60.5), 60.5), 56.0), Keep, "p3", "less than the limit"),
            (
                core(core(core(core(pile(), 65.0), 61.0), 57.0), 53.0),
                Keep,
                "p4",
                "the others are no surer of themselves",
            ),
            (
                core(core(pile(), 60.5), 53.0),
                Alarm,
                "p1 (core temperature) or p2 (core temperature) drifts up: 7.0 K",
                "of two nobody knows which",
            ),
            (
                core(core(pile(), 60.5), 53.0).upper("10d:20 8.5d:58 0h:58.5"),
                Alarm,
                "p2 (core temperature) drifts down",
                "the rest of the pile says which",
            ),
            (
                core(core(core(pile(), 60.5), 60.5), 60.5).base("10d:20 8.5d:54 7d:54 0h:30"),
                Clear,
                "keeps its place",
                "a base that gets colder is the pile",
            ),
            (
                core(core(core(pile(), 60.5), 60.5), 60.5).base("10d:20 8.5d:54 7d:54 0h:68"),
                Alarm,
                "p4 (base temperature) drifts up: 12.5 K",
                "alone at its place, and all others stand",
            ),
            (
                core(core(core(pile(), 50.0), 50.5), 49.5).upper("10d:20 8.5d:58 0h:58.5"),
                Clear,
                "keeps its place",
                "the others get colder: the pile, not the probe that stays",
            ),
            (
                pile()
                    .core("10d:20 8.5d:60 7d:60 24h:60.5 0h:57")
                    .core("10d:20 8.5d:60 7d:60 24h:60.5 0h:57")
                    .core("10d:20 8.5d:60 7d:60 0h:53"),
                Keep,
                "the pile itself changes by -3.5 K/d",
                "it does not do so everywhere at once",
            ),
            (core(pile(), 53.0), CannotTell, "no two probes", "one alone"),
            (
                (0..30).fold(pile(), |built, n| core(built, 60.5 + f64::from(n) / 20.0)),
                Clear,
                "keeps its place",
                "very many probes do not use up the steps",
            ),
            (
                core(pile(), 53.0).base("10d:20 8.5d:54 0h:54.5"),
                CannotTell,
                "neighbours enough",
                "one at each position",
            ),
            (
                core(core(core(pile(), 60.5), 60.5), 53.0).bad(1, 412.0),
                Clear,
                "keeps its place",
                "one that sends nonsense is told by probe-impossible",
            ),
            (
                core(core(core(pile(), 60.5), 60.5), 53.0).entry("5d", "turned"),
                CannotTell,
                "turned was written since the third day",
                "the material is another",
            ),
            (core(core(core(pile(), 60.5), 60.5), 53.0).watered("30h", None), Keep, "watered", "uneven water"),
        ],
    );
}
