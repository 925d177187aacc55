//! Each shipped rule against bins in the states it must tell apart.
//!
//! Must never compare verdicts alone where the words matter: people act on the words.

#![allow(clippy::unwrap_used)]

mod built;

use built::{Built, TICK, book, check, judge, on_air, series, shipped};
use pile::time::Span;
use rulebook::answer::Verdict::{Alarm, CannotTell, Clear, Keep};
use rulebook::header::{Advice, Evidence, Priority, Scope};
use site::model::{BlowerSchedule, Display, Position, RunProof};
use site::quantity::Quantity;

/// A batch of ten days that was at 60 °C, then does this over its last days.
fn hot(then: &str) -> Built {
    on_air("10d").core(&format!("10d:20 8d:60 {then}"))
}

#[test]
fn temperature_crash() {
    check(
        "temperature-crash",
        vec![
            (hot("24h:60 0h:54"), Alarm, "core falls 6.0 K/d, now 54.0 °C; possible causes: ", "6 K in a day"),
            (hot("2d:60 0h:48.8"), Alarm, "core falls 5.6 K/d", "exactly on the limit, for two days"),
            (hot("24h:60 0h:54.5"), Keep, "core falls 5.5 K/d", "just short of it"),
            (hot("24h:60 9h:60 8h:57 0h:57"), Clear, "core changes by", "one step, and then nothing falls"),
            (hot("24h:60 6h:60 5h:57 0h:57"), Keep, "or in one step", "cold water that nobody wrote down"),
            (
                hot("10d:60 2d:49 0h:30"),
                Clear,
                "has not been at 52.0 °C for a day",
                "what is no longer hot cannot crash",
            ),
            (
                on_air("29d").core("29d:20 27d:60 24h:60 0h:53"),
                Alarm,
                "core falls 7.0 K/d",
                "food runs out after four weeks, and not within a day: age alone silences nothing",
            ),
            (hot("24h:60 0h:57.3"), Clear, "core changes by -2.7 K/d", "cooling as piles do"),
            (hot("24h:60 0h:57.2"), Keep, "core falls 2.8 K/d", "exactly on the lower limit keeps what stands"),
            (hot("0h:60"), Clear, "core changes by 0.0 K/d", "steady"),
            (hot("24h:55 0h:60"), Clear, "core changes by 5.0 K/d", "rising"),
            (
                on_air("3d").core("3d:40 24h:45 0h:30"),
                Clear,
                "has not reached 50.0 °C since on-air",
                "a batch that was never hot cannot crash",
            ),
            (
                on_air("12h").core("10d:60 1d:60 0h:40"),
                Clear,
                "on air for 12 h",
                "readings of the batch before make no slope",
            ),
            (
                on_air("2d").core("10d:60 3d:60 2d:45 0h:40"),
                Clear,
                "has not reached 50.0 °C since on-air",
                "heat of the batch before does not count",
            ),
            (hot("24h:60 0h:54").watered("23h", Some(100.0)), Keep, "watered 23 h ago", "cold water cools by itself"),
            (
                hot("24h:60 0h:54").watered("24h", Some(100.0)),
                Alarm,
                "core falls",
                "a day after the watering it is judged again",
            ),
            (
                hot("24h:60 2h:54"),
                CannotTell,
                "core temperature: no reading for 2 h",
                "silence is no crash and no recovery",
            ),
            (hot("24h:60 | 3h:55 0h:54"), CannotTell, "readings cover less than half", "a gap of 21 hours"),
            (
                hot("24h:60 9h:56.25 | 7h:55.75 0h:54"),
                Alarm,
                "core falls 6.0 K/d",
                "a gap of two hours does not hide it",
            ),
            (on_air("10d").base("10d:60 1d:60 0h:54"), CannotTell, "core temperature", "no core probe"),
            (on_air("10d"), CannotTell, "core temperature: there is no such probe", "no probe at all"),
            (
                hot("24h:60 0h:54").core("10d:20 8d:60 24h:60 0h:53"),
                Alarm,
                "core falls 6.5 K/d",
                "two core probes: the median",
            ),
        ],
    );
}

#[test]
fn temperature_crash_names_its_grounds() {
    let facts = hot("24h:60 0h:54").counted("1d:0 0h:2160").done();
    let answer = judge(&book(Display::Metric), "temperature-crash", &facts);
    assert_eq!(answer.finding, "core falls 6.0 K/d, now 54.0 °C; likely cause: lack of water");
    assert_eq!(answer.evidence[0], "the last 8 h fall by 6.0 K/d, between 6.0 K/d and 6.0 K/d (95 %); limit: 5.6 K/d");
    let first = answer.evidence.iter().find(|line| line.starts_with("Cause 1: lack of water, likely")).unwrap();
    assert!(first.contains("the log has no watering since on-air"), "{answer:?}");
    let air = answer.evidence.iter().find(|line| line.contains("the air (")).unwrap();
    assert!(air.contains("the blower ran 100 % of its schedule over the last day, by its own signal"), "{answer:?}");
    assert_eq!(answer.figures[0], ("core slope".into(), "-6.0 K/d".into()));
    assert_eq!(
        answer.figures[3],
        ("lack of water".into(), "likely".into()),
        "how sure it is stands in the figures: {answer:?}"
    );
    assert_eq!(answer.evidence_at, Some(TICK));
    let us = judge(&book(Display::Us), "temperature-crash", &facts);
    assert_eq!(us.finding, "core falls 10.8 °F/d, now 129.2 °F; likely cause: lack of water");
    assert!(us.evidence[0].ends_with("limit: 10.1 °F/d"), "{us:?}");
    assert!(us.evidence.iter().any(|line| line.contains("gal")), "doses in gallons: {us:?}");
}

#[test]
fn slow_cooling() {
    check(
        "slow-cooling",
        vec![
            (hot("2d:62 0h:55"), Alarm, "core falls 3.5 K/d over two days, now 55.0 °C", "7 K in two days"),
            (hot("2d:60 0h:54"), Alarm, "core falls 3.0 K/d", "exactly on the limit"),
            (hot("2d:60 0h:55"), Keep, "core falls 2.5 K/d", "between the limits"),
            (hot("2d:60 0h:58"), Clear, "core changes by -1.0 K/d", "hardly falling"),
            (hot("2d:62 24h:60 0h:53"), Keep, "see temperature-crash", "a crash has its own alarm"),
            (hot("2d:62 0h:55").watered("5h", None), Keep, "watered 5 h ago", "cold water cools by itself"),
            (
                on_air("22d").core("22d:20 20d:62 2d:62 0h:55"),
                Keep,
                "cannot be told apart",
                "after the hot weeks, and nothing says that it is not its food",
            ),
            (
                on_air("30d").core("30d:20 28d:64 12d:64 0h:46").counted("2d:0 0h:4320").watered("13d", Some(30.0)),
                Keep,
                "food used up",
                "the last weeks of a moist pile",
            ),
            (on_air("22d").core("22d:20 20d:62 2d:50 0h:42"), Clear, "the pile may cool now", "it has cooled already"),
            (on_air("5d").core("5d:20 2d:45 0h:38"), Clear, "has not reached 50.0 °C", "never hot"),
            (hot("2d:62 1h:55"), CannotTell, "no reading for 1 h", "silence"),
        ],
    );
}

#[test]
fn hot_hold() {
    check(
        "hot-hold",
        vec![
            (on_air("5d").core("5d:20 4d:60 0h:60"), Clear, "held 55.0 °C or more for 4 d 3 h without a break", "held"),
            (
                on_air("4d").core("4d:54.9 | 72h:55 0h:55"),
                Clear,
                "held 55.0 °C or more for 3 d without a break",
                "exactly on both limits",
            ),
            (
                on_air("4d").core("4d:20 71h:55 0h:60"),
                Clear,
                "has lasted 2 d 23 h of 3 d",
                "an hour short, still running",
            ),
            (
                on_air("4d").core("4d:20 3d:55 2d:60 0h:50"),
                Alarm,
                "broke after 2 d of 3 d, core now 50.0 °C",
                "broken short of three days",
            ),
            (
                on_air("3d").core("3d:20 2d:55 1h:55 30min:54.9 0h:54.9"),
                Alarm,
                "broke after 1 d 23 h of 3 d, core now 54.9 °C",
                "a tenth below breaks it",
            ),
            (
                on_air("3d").core("3d:20 6h:54 5h:55 1h:55 0h:54"),
                Clear,
                "no run at 55.0 °C or more yet",
                "four hours were no run yet",
            ),
            (
                on_air("6d").core("6d:20 5d:60 3d:50 2d:55 0h:57"),
                Clear,
                "a run at 55.0 °C or more has lasted 2 d of 3 d",
                "a new run after a broken one",
            ),
            (
                on_air("9d").core("9d:20 8d:60 4d:60 3d:40 0h:40"),
                Clear,
                "held 55.0 °C or more for 4 d",
                "what was held stays held when it cools later",
            ),
            (on_air("8d").core("8d:20 6d:53 0h:53"), Alarm, "core has not reached 55.0 °C in 8 d, now 53.0 °C", "late"),
            (
                on_air("7d").core("7d:20 6d:53 0h:54.96"),
                Alarm,
                "now 54.9 °C",
                "seven days exactly; 54.96 is not shown as 55.0",
            ),
            (on_air("6.9d").core("6.9d:20 6d:53 0h:53"), Clear, "no run at 55.0 °C or more yet", "not late yet"),
            (on_air("8d").core("8d:20 6d:40 0h:40"), Clear, "no run", "not even 50 °C: slow-start tells of it"),
            (
                on_air("8d").core("8d:20 6d:53 3d:53 70h:56 68h:53 0h:53"),
                Alarm,
                "core has stayed at 55.0 °C for no longer than 1 h 20 min in 8 d",
                "touched it once, a week on",
            ),
            (
                on_air("5d").core("5d:20 4d:60 60h:60 | 30h:60 0h:60"),
                Clear,
                "has lasted 1 d 6 h of 3 d",
                "a silence of thirty hours is no heat",
            ),
            (
                on_air("5d").core("5d:20 4d:60 60h:60 30h:60"),
                Clear,
                "has lasted 2 d",
                "fell silent while hot: nothing broke",
            ),
            (
                on_air("5d").core("5d:20 4d:60 0h:60").core("5d:20 2d:60 0h:60"),
                Clear,
                "has lasted 2 d",
                "of two probes the lesser counts",
            ),
            (on_air("5d"), CannotTell, "core temperature: there is no such probe", "no probe"),
            (
                on_air("1h").core("3d:60 2h:60"),
                CannotTell,
                "no reading since on-air",
                "readings of the batch before do not count",
            ),
        ],
    );
}

#[test]
fn slow_start() {
    check(
        "slow-start",
        vec![
            (on_air("48h").core("48h:15 0h:30"), Alarm, "core is at 30.0 °C after 2 d on air", "two days and cool"),
            (on_air("47h").core("47h:15 0h:30"), Clear, "on air for 1 d 23 h of 2 d", "not two days yet"),
            (
                on_air("48h").core("48h:15 0h:44.96"),
                Alarm,
                "core is at 44.9 °C",
                "just below the limit, however fast it rises",
            ),
            (on_air("48h").core("48h:15 0h:45"), Clear, "on its way", "exactly on the limit and rising 15 K/d"),
            (on_air("3d").core("3d:15 1d:46 0h:47"), Alarm, "core is at 47.0 °C", "warm but hardly rising"),
            (on_air("3d").core("3d:15 2d:51 0h:47"), Clear, "core has reached 50.0 °C", "it had started"),
            (on_air("3d").core("3d:15 0h:49").loaded_at(5.0), Clear, "on air for 3 d of 4 d", "loaded cold: four days"),
            (
                on_air("4d").core("4d:5 0h:30").loaded_at(9.9),
                Alarm,
                "core is at 30.0 °C after 4 d",
                "four days are over",
            ),
            (on_air("3d").core("3d:5 0h:30").loaded_at(10.0), Alarm, "after 3 d", "exactly on the limit is not cold"),
            (on_air("3d").core("3d:15 2h:30"), CannotTell, "no reading for 2 h", "silence is no slow start"),
            (on_air("3d"), CannotTell, "there is no such probe", "no probe"),
        ],
    );
}

#[test]
fn slow_start_and_hot_hold_never_tell_of_the_same_batch() {
    let book = book(Display::Metric);
    for age in ["47h", "3d", "6d", "7d", "9d"] {
        for end in [20, 40, 44, 45, 47, 49, 50, 53, 54, 55, 58] {
            let facts = on_air(age).core(&format!("{age}:15 30h:{} 0h:{end}", end - 2)).done();
            let alarms = ["slow-start", "hot-hold"].map(|rule| judge(&book, rule, &facts).verdict == Alarm);
            assert_ne!(alarms, [true, true], "{age} {end} °C: one condition, one alarm");
            let late = !matches!(age, "47h" | "3d" | "6d") && end < 55;
            assert!(!late || alarms != [false, false], "{age} {end} °C: a late batch is told of");
        }
    }
}

#[test]
fn dry_pile() {
    // Watered three days ago: too recent for a dry spell, too long ago for the response.
    let tended = |then: &str| hot(then).watered("3d", Some(100.0));
    let layers = |base: &str, upper: &str| tended("24h:60 0h:58").base(base).upper(upper);
    let (falls, holds) = ("2d:58 24h:58 0h:52", "2d:60 0h:60");
    let counter = "1d:0 0h:2160";
    check(
        "dry-pile",
        vec![
            (
                layers(falls, holds).counted(counter),
                Alarm,
                "2 signs that the pile is dry, core 58.0 °C",
                "base falls against upper, core falls under good air",
            ),
            (
                layers(falls, holds),
                Keep,
                "not enough signs: the base falls 6.0 K/d against the upper layer and is 8.0 K cooler",
                "one sign is not enough",
            ),
            (hot("2d:60 0h:60").base(falls).upper(holds), Alarm, "2 signs", "the base, and ten days without water"),
            (
                layers("2d:60 24h:60 0h:54", holds).counted(counter),
                Keep,
                "not enough signs: the core falls",
                "6 K cooler is what a base may be",
            ),
            (layers(falls, holds).moisture("2d:45 0h:38"), Alarm, "2 signs", "base and moisture"),
            (
                layers(falls, holds).moisture("2d:45 0h:40"),
                Keep,
                "not enough signs",
                "moisture exactly on the limit is not low",
            ),
            (
                tended("2d:60 0h:60").moisture("2d:45 0h:39.96"),
                Keep,
                "the moisture probe reads 39.9 %, below 40.0 %",
                "not shown as 40.0",
            ),
            (
                hot("2d:60 0h:57").moisture("2d:45 0h:38").watered("40h", Some(200.0)),
                Alarm,
                "2 signs",
                "low moisture, and the core has lost since the water came",
            ),
            (
                hot("2d:60 24h:55 0h:60").moisture("2d:45 0h:38").watered("30h", None),
                Keep,
                "not enough signs",
                "the core responded",
            ),
            (
                layers(falls, holds).counted(counter).watered("11h", None),
                Keep,
                "watered 11 h ago",
                "water cools by itself, the base most",
            ),
            (
                layers(falls, holds).counted("1d:0 3h:2160 0h:2160"),
                Keep,
                "not enough signs",
                "the core falls, but the air was off",
            ),
            (layers(holds, holds).counted(counter), Keep, "not enough signs", "only the core falls"),
            (
                tended("2d:60 0h:60").base(holds).upper(holds).counted(counter),
                Clear,
                "no sign that the pile is dry",
                "nothing falls",
            ),
            (
                tended("2d:60 15h:60 14h:54 0h:54").base("2d:58 15h:58 14h:50 0h:50").upper(holds).counted(counter),
                Clear,
                "no sign",
                "one step is water that nobody wrote down",
            ),
            (
                on_air("60h")
                    .core("60h:60 24h:60 0h:58")
                    .base("60h:58 24h:58 0h:52")
                    .upper("60h:60 0h:60")
                    .counted(counter),
                Clear,
                "judged after 4 d",
                "not in the first days",
            ),
            (
                on_air("24d")
                    .core("24d:20 22d:60 24h:60 0h:58")
                    .base(falls)
                    .upper(holds)
                    .watered("3d", None)
                    .counted(counter),
                Keep,
                "not enough signs",
                "an old batch cools from the base up: two signs are no longer enough",
            ),
            (
                layers("2d:58 24h:58 3h:52", holds).counted(counter),
                CannotTell,
                "1 of the signs",
                "a silent base probe leaves it open",
            ),
            (
                layers("2d:58 24h:58 3h:52", holds).counted(counter).moisture("2d:45 0h:38"),
                Alarm,
                "2 signs",
                "two signs are enough without it",
            ),
            (
                tended("2d:60 0h:60").base(holds).upper("2d:60 2h:60"),
                CannotTell,
                "1 of the signs",
                "a silent upper probe proves nothing",
            ),
        ],
    );
}

#[test]
fn under_suction_the_top_dries_first() {
    let schedule = BlowerSchedule::Pulses { on: Span::seconds(45), every: Span::minutes(30) };
    let layers = |base: &str, upper: &str| {
        let bin = hot("2d:60 0h:60").base(base).upper(upper);
        bin.blower(schedule, RunProof::ScheduledOnly, false, None, Span::minutes(1))
    };
    let (falls, holds) = ("2d:58 24h:58 0h:52", "2d:60 0h:60");
    check(
        "dry-pile",
        vec![
            (
                layers(falls, holds),
                Alarm,
                "2 signs",
                "air from below: the base dries first, and ten days without water",
            ),
            (layers(falls, holds).suction(), Keep, "not enough signs", "drawn from above, a falling base is no sign"),
            (layers(holds, falls).suction(), Alarm, "2 signs", "a falling top is"),
            (layers(holds, falls), Keep, "not enough signs", "and is none where air comes from below"),
        ],
    );
    let answer = judge(&book(Display::Metric), "dry-pile", &layers(holds, falls).suction().done());
    assert_eq!(answer.evidence[0], "the upper layer falls 6.0 K/d against the base and is 8.0 K cooler");
}

#[test]
fn the_air_and_the_damp_of_a_room_are_not_the_piles() {
    // A room in which oxygen is short says nothing of why a pile cools.
    let crash = || hot("24h:60 0h:54");
    let lines = |built: Built| judge(&book(Display::Metric), "temperature-crash", &built.done()).evidence.join("\n");
    let room = |position| crash().with(position, site::quantity::Quantity::Oxygen, "1d:3 0h:3");
    assert!(!lines(room(Position::Room)).contains("oxygen went down"), "{}", lines(room(Position::Room)));
    for position in [Position::Core, Position::Exhaust] {
        assert!(lines(room(position)).contains("oxygen went down to 3.0 %"), "{position:?}: {}", lines(room(position)));
    }
    let damp = |position| crash().with(position, site::quantity::Quantity::Moisture, "1d:30 0h:30");
    assert!(!lines(damp(Position::Room)).contains("the moisture probe reads"), "{}", lines(damp(Position::Room)));
    assert!(lines(damp(Position::Core)).contains("the moisture probe reads 30 %"));
}

#[test]
fn dry_pile_lists_its_signs() {
    let facts = hot("24h:60 0h:58").moisture("2d:45 0h:38").counted("1d:0 0h:2160").watered("3d", Some(100.0)).done();
    let answer = judge(&book(Display::Us), "dry-pile", &facts);
    assert_eq!(answer.finding, "2 signs that the pile is dry, core 136.4 °F");
    assert_eq!(
        answer.evidence,
        [
            "the core falls 3.6 °F/d while the blower runs 100.0 % of its schedule",
            "the moisture probe reads 38.0 %, below 40.0 %",
            "last watered with 26.4 gal, 3 d ago",
            "Water at once: 4.5 gal; only if a handful feels dry",
        ]
    );
}

#[test]
fn too_hot() {
    check(
        "too-hot",
        vec![
            (hot("1h:73 0h:75"), Alarm, "(core) is at 75.0 °C, over 74.0 °C", "over"),
            (hot("1h:73 0h:74"), Keep, "is at 74.0 °C", "exactly on the limit is not over"),
            (hot("1h:73 0h:74.04"), Alarm, "is at 74.1 °C, over 74.0 °C", "just over is not shown as 74.0"),
            (hot("1h:73 0h:73.96"), Keep, "is at 73.9 °C", "just under is not shown as 74.0"),
            (hot("1h:72 0h:71"), Clear, "is at 71.0 °C", "exactly on the lower limit clears"),
            (hot("0h:60").upper("1d:60 0h:75"), Alarm, "(upper) is at 75.0 °C", "any layer"),
            (hot("0h:60").core("1d:60 0h:75"), Alarm, "(core) is at 75.0 °C", "any of two probes, not their median"),
            (hot("1h:74 0h:80"), Keep, "see fire-danger", "what has to be done is another thing there"),
            (hot("1h:74 0h:79.9"), Alarm, "is at 79.9 °C", "short of it"),
            (
                hot("0h:60").upper("1d:60 2h:75"),
                CannotTell,
                "silent: upper temperature",
                "a hot probe that fell silent does not clear",
            ),
            (hot("0h:75").upper("1d:60 2h:75"), Alarm, "(core) is at 75.0 °C", "another one is hot too"),
            (
                hot("0h:60").with(Position::Exhaust, Quantity::Temperature, "1d:60 0h:75"),
                Clear,
                "60.0 °C",
                "exhaust air is no pile",
            ),
            (hot("2h:75"), CannotTell, "silent: core temperature", "all silent"),
            (on_air("5d"), CannotTell, "no temperature probe", "none fitted"),
        ],
    );
}

#[test]
fn running_hot() {
    check(
        "running-hot",
        vec![
            (hot("1h:70 0h:72"), Alarm, "is at 72.0 °C, over 71.0 °C", "over"),
            (hot("1h:70 0h:71"), Keep, "is at 71.0 °C", "exactly on the limit is not over"),
            (hot("1h:70 0h:74"), Alarm, "is at 74.0 °C", "not yet too hot"),
            (hot("1h:70 0h:74.1"), Keep, "see too-hot", "one condition, one alarm"),
            (hot("1h:70 0h:69"), Clear, "is at 69.0 °C", "exactly on the lower limit clears"),
            (hot("0h:60").upper("1d:60 2h:72"), CannotTell, "a probe is silent", "silence does not clear"),
        ],
    );
}

#[test]
fn fire_danger() {
    check(
        "fire-danger",
        vec![
            (
                hot("1h:74 0h:80"),
                Alarm,
                "is at 80.0 °C: no extra air, do not open, call the fire service",
                "on the limit",
            ),
            (hot("1h:74 0h:79.9"), Keep, "is at 79.9 °C", "short of it"),
            (hot("1h:74 0h:78"), Clear, "is at 78.0 °C", "exactly on the lower limit clears"),
            (hot("0h:60").upper("1d:60 0h:85"), Alarm, "(upper) is at 85.0 °C", "any layer"),
            (hot("0h:60").upper("1d:60 2h:85"), CannotTell, "a probe is silent", "a probe that burnt through"),
        ],
    );
    let facts = hot("1h:74 0h:81").done();
    let answer = judge(&book(Display::Us), "fire-danger", &facts);
    assert!(answer.finding.contains("177.8 °F"), "{answer:?}");
    assert!(answer.evidence[0].contains("176.0 °F"), "{answer:?}");
}

#[test]
fn the_three_bands_of_heat_never_speak_together() {
    let book = book(Display::Metric);
    for tenth in 680..860 {
        let celsius = f64::from(tenth) / 10.0;
        let facts = hot(&format!("1h:{celsius} 0h:{celsius}")).done();
        let alarms = ["running-hot", "too-hot", "fire-danger"].map(|rule| judge(&book, rule, &facts).verdict == Alarm);
        let count = alarms.iter().filter(|a| **a).count();
        assert_eq!(count, usize::from(celsius > 71.0), "{celsius} °C: {alarms:?}");
    }
}

#[test]
fn no_air() {
    let pulses = |on: i64, every: i64| BlowerSchedule::Pulses { on: Span::seconds(on), every: Span::minutes(every) };
    let amps = |text: &str, step: i64| Some(series(text, Span::seconds(step)));
    let current = RunProof::Signal { quantity: Quantity::Current, on_above: 1.0 };
    // Runs of two minutes every half hour, seen in a current that is sampled every 30 s.
    let two_minutes: String = (0..4)
        .rev()
        .map(|n| {
            let start = 30 * n + 20;
            format!("{start}.5min:0 {start}min:3 {}.5min:3 {}min:0 ", start - 2, start - 2)
        })
        .collect::<String>()
        + "0min:0";
    check(
        "no-air",
        vec![
            (hot("0h:60").counted("1d:0 0h:2160"), Clear, "b1 ran 3 min in the last 2 h", "as scheduled"),
            (hot("0h:60").counted("1d:0 3h:1980 0h:1980"), Alarm, "b1 has missed 5 cycles in a row", "stopped"),
            (hot("0h:60").counted("1d:0 2h:1980 0h:2060"), Alarm, "its schedule asks for 3 min", "less than half"),
            (hot("0h:60").counted("1d:0 2h:1980 0h:2085"), Clear, "% of its schedule", "more than half"),
            (
                hot("0h:60").blower(pulses(240, 30), current, true, amps(&two_minutes, 30), Span::seconds(30)),
                Clear,
                "50.0 % of its schedule",
                "exactly half is not less",
            ),
            (
                hot("0h:60").counted("1d:5000 2h:6980 | 119min:0 0h:178.5"),
                Clear,
                "of its schedule",
                "a counter that was reset",
            ),
            (
                hot("0h:60").counted("1d:0 1h:2070"),
                CannotTell,
                "the blower's signal has been silent for 1 h",
                "no signal, no verdict",
            ),
            (
                hot("0h:60").counted("1d:0 3h:1890 | 10min:2150 0h:2160"),
                Clear,
                "of its schedule",
                "a counter misses nothing in a gap",
            ),
            (hot("0h:60").counted("20min:0 0h:30"), CannotTell, "covers too little", "only just begun"),
            (hot("0h:60"), CannotTell, "no blower serves the bin", "no blower"),
            (
                on_air("90min").core("2h:20 0h:20").counted("1d:0 3h:1980 0h:1980"),
                CannotTell,
                "on air for 1 h 30 min: the blower is judged over 2 h",
                "it had nothing to do here before on-air",
            ),
            (
                on_air("91min").core("2h:20 0h:20").counted("1d:0 3h:1980 0h:1980"),
                Alarm,
                "b1 has missed 3 cycles in a row",
                "three pulses were due since on-air",
            ),
            (
                hot("0h:60").blower(pulses(45, 30), RunProof::ScheduledOnly, false, None, Span::minutes(1)),
                CannotTell,
                "somebody has to look",
                "unproven",
            ),
            (
                hot("0h:60").blower(pulses(45, 30), current, false, amps("2h:0 0h:0", 60), Span::minutes(1)),
                CannotTell,
                "too short for its signal",
                "not countable",
            ),
            (
                hot("0h:60").blower(pulses(120, 30), current, true, amps(&two_minutes, 30), Span::seconds(30)),
                Clear,
                "in the last 1 h",
                "pulses seen in a current",
            ),
            (
                hot("0h:60").blower(pulses(120, 30), current, true, amps("2h:0 0h:0", 30), Span::seconds(30)),
                Alarm,
                "b1 has missed 3 cycles in a row",
                "no pulse seen",
            ),
            (
                hot("0h:60").blower(pulses(120, 45), current, true, amps("2h:0 0h:0", 30), Span::seconds(30)),
                Keep,
                "b1 has missed 2 cycles; 3 raise the alarm",
                "two cycles do not fit into the exact hour",
            ),
            (
                hot("0h:60").blower(BlowerSchedule::Continuous, current, true, amps("2h:3 0h:3", 60), Span::minutes(1)),
                Clear,
                "b1 ran 1 h in the last 1 h",
                "continuous",
            ),
            (
                hot("0h:60").blower(
                    BlowerSchedule::Continuous,
                    current,
                    true,
                    amps("2h:3 40min:3 39min:0 0h:0", 60),
                    Span::minutes(1),
                ),
                Alarm,
                "its schedule asks for 1 h",
                "continuous, stopped",
            ),
        ],
    );
}

#[test]
fn no_air_after_the_crew_changed_the_air() {
    let changed = |counter: &str| hot("0h:60").counted(counter).entry("5h", "air-changed");
    check(
        "no-air",
        vec![
            (
                changed("1d:0 2h:1980 0h:2000"),
                Clear,
                "has missed no cycle since the air was changed 5 h ago",
                "a third of it",
            ),
            (changed("1d:0 3h:1980 0h:1980"), Alarm, "b1 has missed 5 cycles in a row", "but it stands"),
            (changed("1d:0 0h:4320"), Clear, "has missed no cycle since the air was changed 5 h ago", "twice of it"),
        ],
    );
}

#[test]
fn blower_never_stops() {
    let changed = |ago: &str, counter: &str| hot("0h:60").counted(counter).entry(ago, "air-changed");
    check(
        "blower-never-stops",
        vec![
            (hot("0h:60").counted("1d:0 0h:2160"), Clear, "% of its schedule", "as scheduled"),
            (hot("0h:60").counted("1d:0 2h:1980 0h:2330"), Clear, "% of its schedule", "less than twice"),
            (
                hot("0h:60").counted("1d:0 2h:1980 0h:9180"),
                Alarm,
                "in the last 2 h, far more than the 3 min",
                "hangs on",
            ),
            (changed("30h", "1d:0 0h:8640"), Clear, "and stops between", "four times as much, but somebody wrote it"),
            (
                changed("30h", "1d:0 2h:1980 0h:9180"),
                Alarm,
                "in the last 2 h, hardly stopping",
                "it hangs all the same",
            ),
            (changed("1h", "1d:0 2h:1980 0h:4000"), Keep, "the air was changed 1 h ago", "too early to tell"),
            (hot("0h:60").counted("1d:0 1h:2070"), CannotTell, "silent for 1 h", "no signal, no verdict"),
            (on_air("1h").core("1h:20 0h:20").counted("1d:0 0h:9000"), CannotTell, "on air for 1 h", "only just begun"),
            (hot("0h:60"), CannotTell, "no blower serves the bin", "no blower"),
        ],
    );
}

#[test]
fn valve_shut() {
    let open = |percent: f64| hot("0h:60").counted("1d:0 0h:2160").valve(percent);
    check(
        "valve-shut",
        vec![
            (open(0.0), Alarm, "the valve was last written down as 0.0 % open", "closed"),
            (open(2.0), Alarm, "2.0 % open", "exactly on the limit is closed"),
            (open(3.0), Clear, "the valve is 3.0 % open", "hardly open is open"),
            (hot("0h:60"), CannotTell, "no blower serves the bin", "no blower"),
        ],
    );
}

#[test]
fn watering_no_response() {
    // At 60 °C until two days before, then cooling; watered thirty hours ago.
    let watered = |then: &str| on_air("12d").core(&format!("12d:20 10d:60 3d:60 {then}")).watered("30h", Some(70.0));
    check(
        "watering-no-response",
        vec![
            (
                watered("30h:46 0h:46"),
                Alarm,
                "nothing has warmed up since it was watered 1 d 6 h ago, core 46.0 °C",
                "flat",
            ),
            (watered("30h:46 24h:42 0h:44"), Clear, "has gained 1.9", "it rises from where the cold water brought it"),
            (
                watered("30h:46 0h:46").base("2d:30 30h:30 0h:36"),
                Clear,
                "base temperature has gained",
                "the base answers first",
            ),
            (watered("30h:46 0h:56"), Clear, "core is at 56.0 °C", "hot again"),
            (watered("30h:57 0h:53"), Keep, "nothing had to come back", "it was hot when it was watered"),
            (watered("30h:52 0h:51.5"), Keep, "had lost", "the fall has stopped, and it is warm"),
            (watered("30h:46 0h:46").moisture("2d:50 0h:58"), Keep, "the moisture probe reads 58.0 %", "wet inside"),
            (watered("30h:46 0h:38"), Keep, "see temperature-crash", "one condition, one alarm"),
            (on_air("12d").core("12d:20 10d:46 0h:46").watered("30h", None), Keep, "had not cooled", "never hot"),
            (
                on_air("22d").core("22d:20 20d:60 3d:60 30h:46 0h:46").watered("30h", None),
                Clear,
                "the pile may cool now",
                "after the hot weeks",
            ),
            (hot("0h:50"), Clear, "no watering since on-air", "nobody watered"),
            (watered("30h:46 2h:46"), CannotTell, "no reading for 2 h", "silence"),
        ],
    );
}

#[test]
fn probe_silent() {
    let probe = |ago: &str| on_air("5d").core(&format!("2d:60 {ago}:60"));
    let slow =
        |ago: &str| on_air("5d").every(Position::Core, Quantity::Temperature, &format!("2d:60 {ago}:60"), "15min");
    check(
        "probe-silent",
        vec![
            (probe("0h"), Clear, "every probe of the bin is heard", "heard"),
            (probe("30min"), Clear, "every probe", "exactly half an hour"),
            (probe("31min"), Alarm, "1 of 1 signals silent, for up to 31 min", "a minute more"),
            (slow("45min"), Clear, "every probe", "three intervals of fifteen minutes"),
            (slow("46min"), Alarm, "1 of 1 signals silent", "longer than three intervals"),
            (probe("5h").watching("10min"), Clear, "every probe", "grace after a start"),
            (probe("5h").watching("31min"), Alarm, "for up to 31 min", "silence counts from the start on"),
            (
                probe("31min").base("2d:60 0h:60").upper("2d:60 3h:60"),
                Alarm,
                "2 of 3 signals silent, for up to 3 h",
                "one alarm a bin",
            ),
            (
                probe("0h").with(Position::Ambient, Quantity::Temperature, "2d:10 1d:10"),
                Clear,
                "every probe",
                "site-wide probes are not the bin's",
            ),
            (probe("3h").bad(2, 412.0), Clear, "every probe", "bad readings are heard"),
            (probe("0h").counted("1d:0 2h:1980"), Alarm, "1 of 2 signals silent", "the blower's signal too"),
            (on_air("5d"), CannotTell, "no probes", "none fitted"),
            (probe("31min").without_batch(), Alarm, "1 of 1", "the rule itself needs no batch"),
        ],
    );
    let facts = probe("31min").base("2d:60 0h:60").upper("2d:60 3h:60").done();
    let answer = judge(&book(Display::Metric), "probe-silent", &facts);
    assert_eq!(
        answer.evidence,
        ["p1 (core temperature): nothing for 31 min", "p3 (upper temperature): nothing for 3 h"]
    );
    assert_eq!(answer.evidence_at, Some(TICK), "the passing of time is the evidence");
}

#[test]
fn probe_silent_is_graver_where_it_lasts_or_blinds() {
    let three = |base: &str, core: &str, upper: &str| {
        let read = |ago: &str| format!("4d:60 {ago}:60");
        on_air("9d").base(&read(base)).core(&read(core)).upper(&read(upper))
    };
    for (facts, want, why) in [
        (three("0h", "2h", "0h"), false, "one probe for two hours: a line of the list"),
        (three("0h", "17h", "0h"), false, "its layer is unwatched, and not yet for long"),
        (three("0h", "18h", "0h"), true, "a layer without any temperature"),
        (three("0h", "0h", "0h").counted("4d:0 25h:2160"), true, "it lasts for more than a day"),
        (three("3h", "3h", "3h"), false, "the whole pile, for three hours"),
        (three("4h", "5h", "6h"), true, "nobody would see it run hot"),
        (three("5h", "5h", "5h").without_batch(), true, "with or without a batch"),
    ] {
        let answer = judge(&book(Display::Metric), "probe-silent", &facts.done());
        assert_eq!((answer.verdict, answer.graver), (Alarm, want), "{why}: {answer:?}");
    }
}

#[test]
fn probe_impossible() {
    let wavy: String = (0..48).rev().map(|h| format!("{h}h:{} ", 60.0 + f64::from(h % 7) / 10.0)).collect();
    check(
        "probe-impossible",
        vec![
            (on_air("5d").core(&wavy), Clear, "can be believed", "alive"),
            (
                on_air("5d").core(&wavy).bad(3, 412.0),
                Alarm,
                "p1 (core temperature): 3 bad or suspect readings in a row, the last 412.0 °C",
                "three in a row",
            ),
            (on_air("5d").core(&wavy).bad(2, 412.0), Clear, "can be believed", "two in a row"),
            (
                on_air("5d").core(&wavy).bad(3, 412.0).base(&wavy).bad(5, -127.0),
                Alarm,
                "2 faulty: p1",
                "one alarm a bin",
            ),
            (on_air("5d"), CannotTell, "no probes", "none fitted"),
        ],
    );
}

/// A probe of such steps that rises from one to the next every five minutes from 36 hours to `still` hours ago, to and fro.
fn stepping(step: f64, still: i64) -> String {
    let moving = (still * 12..36 * 12).rev().map(|n| format!("{}min:{} ", n * 5, 60.0 + step * (n % 2) as f64));
    moving.collect::<String>() + "0h:60"
}

#[test]
fn probe_stuck() {
    check(
        "probe-stuck",
        vec![
            (on_air("5d").core(&stepping(0.1, 1)), Clear, "every probe moves", "alive"),
            (
                on_air("5d").core(&stepping(0.0625, 25)),
                Alarm,
                "p1 (core temperature): stuck at 60.0 °C for 1 d 1 h",
                "the same for a day, of a probe with fine steps",
            ),
            (on_air("5d").core(&stepping(0.1, 25)), Alarm, "stuck at 60.0 °C", "tenths are fine steps"),
            (on_air("5d").core(&stepping(0.1, 23)), Clear, "every probe moves", "the same for 23 hours"),
            (on_air("5d").core(&stepping(0.5, 30)), Keep, "as it may on a plateau", "half kelvins on a plateau"),
            (
                on_air("5d").core(&stepping(0.5, 30)).base("2d:50 0h:44").upper("2d:62 0h:62"),
                Keep,
                "as it may",
                "one neighbour of two moves: no proof",
            ),
            (
                on_air("5d").core(&stepping(0.5, 30)).base("2d:56 0h:44").upper("2d:64 0h:52"),
                Alarm,
                "p1 (core temperature): stuck at 60.0 °C for 1 d 5 h, while the others moved by 4",
                "both neighbours fall",
            ),
            (
                on_air("5d").core(&stepping(0.5, 30)).base("2d:56 0h:44").upper("2d:54 0h:66"),
                Keep,
                "as it may",
                "one falls and one rises",
            ),
            (on_air("6d").core("4.2d:60 0h:60"), Alarm, "stuck at 60.0 °C for 4 d", "four days, whatever its steps"),
            (
                on_air("5d").core("36h:60 20h:60 | 10h:60 0h:60"),
                Clear,
                "every probe moves",
                "a gap may hide that it moved",
            ),
            (
                on_air("5d").with(Position::Core, Quantity::Oxygen, "36h:20.9 0h:20.9"),
                CannotTell,
                "no temperature probes",
                "oxygen may stand still",
            ),
            (on_air("5d"), CannotTell, "no temperature probes", "none fitted"),
        ],
    );
}

#[test]
fn priorities_follow_from_severity_and_time_to_respond() {
    let book = book(Display::Metric);
    let got: Vec<(&str, Priority)> = book.rules().iter().map(|r| (r.name.as_str(), r.priority)).collect();
    assert_eq!(
        got,
        [
            ("blower-never-stops", Priority::Medium),
            ("blower-silent", Priority::Medium),
            ("clock-stepped", Priority::Low),
            ("cold-zone", Priority::Low),
            ("condensate-trap", Priority::Medium),
            ("cooled-too-early", Priority::Low),
            ("damp-room", Priority::Low),
            ("disk-filling", Priority::Low),
            ("dry-pile", Priority::Low),
            ("exhaust-fan-stopped", Priority::High),
            ("fire-danger", Priority::High),
            ("fire-signs", Priority::Medium),
            ("flow-falling", Priority::Low),
            ("frost", Priority::Low),
            ("gas-in-room", Priority::High),
            ("gas-probe-silent", Priority::Medium),
            ("gateway-down", Priority::Medium),
            ("hold-at-risk", Priority::Low),
            ("hold-met", Priority::SummaryOnly),
            ("hot-hold", Priority::Low),
            ("left-open", Priority::Medium),
            ("mail-not-leaving", Priority::Medium),
            ("no-air", Priority::Medium),
            ("no-batch", Priority::Low),
            ("overdue-on-air", Priority::Low),
            ("probe-battery", Priority::Low),
            ("probe-drifting", Priority::Low),
            ("probe-impossible", Priority::Low),
            ("probe-silent", Priority::Low),
            ("probe-stuck", Priority::Low),
            ("probes-still-out", Priority::Low),
            ("ready-to-leave-air", Priority::Low),
            ("running-hot", Priority::SummaryOnly),
            ("short-of-air", Priority::Medium),
            ("site-probe-battery", Priority::Low),
            ("site-probe-silent", Priority::Low),
            ("slow-cooling", Priority::Low),
            ("slow-start", Priority::Low),
            ("temperature-crash", Priority::Medium),
            ("too-hot", Priority::Medium),
            ("valve-shut", Priority::Medium),
            ("watering-no-response", Priority::Low),
            ("waterlogged", Priority::Low),
        ]
    );
}

#[test]
fn water_is_asked_for_by_the_bins_own_dose_and_nothing_else() {
    for text in shipped() {
        let (names, gives) = (text.text.contains("{dose}"), text.text.contains(".dose(bin.water)"));
        assert_eq!(names, gives, "{}: a step that names the dose needs an answer that carries it", text.name);
        for amount in [" L for each", "gallons for each", "small doses", "litres_to(55"] {
            assert!(!text.text.contains(amount), "{}: `{amount}` is a second dose beside the bin's own", text.name);
        }
    }
}

#[test]
fn every_shipped_rule_says_what_to_do_and_where_its_numbers_come_from() {
    for rule in book(Display::Metric).rules() {
        let header = &rule.header;
        assert!(header.response.len() >= 3, "{}: steps", rule.name);
        assert!(header.caution.contains("Local codes"), "{}: who decides", rule.name);
        // Whoever answers these works at the machine of the daemon, or keeps away from the pile altogether.
        let far_from_blowers =
            ["mail-not-leaving", "disk-filling", "clock-stepped", "damp-room", "gas-in-room", "gateway-down"];
        let near = !far_from_blowers.contains(&rule.name.as_str())
            && !["site-probe-silent", "gas-probe-silent", "no-batch"].contains(&rule.name.as_str());
        assert!(!near || header.caution.contains("starts by itself"), "{}: the blower", rule.name);
        assert!(header.max_gap >= header.every, "{}: a gap shorter than its own pace breaks every proof", rule.name);
        assert!(header.evidence == Evidence::Clock || header.max_gap >= header.every.times(2), "{}", rule.name);
        for (name, setting) in &header.settings {
            let sourced = setting.about.contains('(')
                || setting.about.contains("eep it equal")
                || ["NIOSH", "OSHA", "40 CFR"].iter().any(|source| setting.about.contains(source));
            assert!(sourced, "{}: {name}: {}", rule.name, setting.about);
        }
    }
}

#[test]
fn a_rule_whose_steps_ask_for_water_digging_or_air_says_so_in_its_header() {
    // A fire hides such alarms, and a hot pile has its advice to water withheld: what is not declared would go on beside a fire.
    for (advice, words) in [
        (Advice::Water, &["{dose}", "water it", "give warm water"][..]),
        (Advice::Digging, &["squeeze a handful", "feel a handful", "dig in", "remix", "mix in", "loosen the top"]),
        (
            Advice::Air,
            &[
                "more air",
                "lengthen the on-time",
                "longer on-time",
                "reset the timer",
                "open it to",
                "the blower's on-time",
            ],
        ),
    ] {
        for rule in book(Display::Metric).rules().iter().filter(|rule| rule.header.scope == Scope::Bin) {
            let asks = rule.header.response.iter().find(|step| {
                let step = step.to_lowercase();
                words.iter().any(|word| step.contains(word)) && !step.starts_with("below ") && !step.contains("give no")
            });
            let said = rule.header.advises.contains(&advice) || rule.header.handling.guards.is_some();
            assert!(asks.is_none() || said, "{}: {advice:?}: {asks:?}", rule.name);
        }
    }
}

#[test]
fn numbers_that_two_rules_share_are_the_same() {
    let book = book(Display::Metric);
    let value = |rule: &str, setting: &str| {
        book.rules().iter().find(|r| r.name == rule).unwrap().header.settings[setting].value
    };
    for other in ["slow-cooling", "hot-hold", "slow-start"] {
        assert_eq!(value("temperature-crash", "hot"), value(other, "hot"), "{other}");
    }
    assert_eq!(value("temperature-crash", "fall"), value("slow-cooling", "crash"));
    assert_eq!(value("temperature-crash", "fall"), value("hold-at-risk", "crash"));
    for (first, other, settings) in [
        ("hot-hold", "hold-at-risk", ["hold", "hold_time", "begun"].as_slice()),
        ("hot-hold", "hold-met", &["hold", "hold_time"]),
        ("hot-hold", "cooled-too-early", &["hold", "hold_time", "begun", "hot"]),
        ("hot-hold", "ready-to-leave-air", &["hold", "hold_time"]),
        ("overdue-on-air", "ready-to-leave-air", &["longest"]),
        ("dry-pile", "ready-to-leave-air", &["account_doubt"]),
        ("slow-start", "waterlogged", &["wait", "wait_cold", "cold", "warm", "hot"]),
        ("probe-battery", "site-probe-battery", &["low", "low_volts", "empty_volts", "over", "stale"]),
    ] {
        for setting in settings {
            assert_eq!(value(first, setting), value(other, setting), "{other}: {setting}");
        }
    }
    for other in ["cold-zone", "watering-no-response"] {
        assert_eq!(value("temperature-crash", "fall"), value(other, "fall"), "{other}");
        assert_eq!(value("dry-pile", "hot_weeks"), value(other, "hot_weeks"), "{other}");
    }
    assert_eq!(value("dry-pile", "apart"), value("cold-zone", "apart"));
    assert_eq!(value("running-hot", "too_hot"), value("too-hot", "limit"));
    assert_eq!(value("too-hot", "fire"), value("fire-danger", "limit"));
    assert_eq!(value("short-of-air", "stopped"), value("no-air", "least"));
}
