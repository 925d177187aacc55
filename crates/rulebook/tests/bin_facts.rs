//! What may be asked of one bin beside the figures of a position: extremes, single probes, entries, days, the blower, neighbours.
//!
//! Must never accept a zero or a fault where something is unknown.

#![allow(clippy::unwrap_used)]

mod built;

use std::sync::Arc;

use built::{Built, judge, judging, on_air, series};
use pile::time::Span;
use rulebook::answer::{Answer, Verdict};
use rulebook::{RuleText, Rulebook};
use site::judge::Outcome;
use site::model::{BlowerSchedule, Display, Position, RuleSettings, RunProof};
use site::quantity::Quantity;

fn answer(text: RuleText, built: Built, display: Display) -> Answer {
    let (book, faults) = Rulebook::compile(&[text], &RuleSettings::default(), display);
    assert!(faults.is_empty(), "{faults:#?}");
    let name = book.rules()[0].name.clone();
    judge(&book, &name, &built.done())
}

/// What a text between backticks says of a bin.
fn shown(expression: &str, built: Built) -> String {
    answer(judging(&format!("clear(`${{{expression}}}`)")), built, Display::Metric).finding
}

/// Why an expression is unknown: its `.why` says so, and nothing ends.
fn check(rows: Vec<(&str, Built, &str, &str)>) {
    let mut wrong = vec![];
    for (expression, built, want, why) in rows {
        let got = shown(expression, built);
        if got != want {
            wrong.push(format!("{why}: `{expression}`: expected `{want}`, got `{got}`"));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

fn pile() -> Built {
    on_air("6d").base("6d:20 5d:50 0h:50").core("6d:20 5d:60 0h:62").upper("6d:20 5d:58 0h:58")
}

#[test]
fn the_extremes_of_the_pile_and_single_probes_are_signals() {
    check(vec![
        ("bin.hottest.last()", pile(), "62.0 °C", "the core"),
        ("bin.hottest.name", pile(), "hottest probe (core)", "it says where"),
        ("bin.coldest.last()", pile(), "50.0 °C", "the base"),
        ("bin.coldest.mean(24.hours)", pile(), "50.0 °C", "figures over windows are of that probe"),
        ("bin.hottest.all_heard", pile().upper("6d:90 2h:90"), "false", "a silent probe may be the hottest"),
        ("bin.hottest.last()", pile().upper("6d:90 2h:90"), "62.0 °C", "but it is not picked"),
        ("bin.hottest.last().known", on_air("6d"), "false", "no probe"),
        (
            "bin.coldest.last().why",
            on_air("6d").core("6d:60 2h:60"),
            "coldest probe: no reading for 2 h",
            "all are silent",
        ),
        (
            "bin.hottest.fitted",
            on_air("6d").with(Position::Exhaust, Quantity::Temperature, "6d:60 0h:60"),
            "false",
            "exhaust air is no pile",
        ),
        ("bin.pile.min(24.hours)", pile(), "50.0 °C", "every probe in the material"),
        ("bin.probe(\"p2\").last()", pile(), "62.0 °C", "by its id"),
        ("bin.probe(\"p9\").fitted", pile(), "false", "another bin's probe"),
        ("bin.probe(\"p9\").last().why", pile(), "p9 temperature: there is no such probe", "unknown, no fault"),
        (
            "bin.probe(\"p4\", \"moisture\").last()",
            pile().moisture("6d:55 0h:52"),
            "52.0 %",
            "another quantity of a probe",
        ),
        ("bin.probes[0].signal.mean(24.hours)", pile(), "50.0 °C", "a probe as a signal"),
        ("bin.probes[0].in_pile", pile(), "true", "the base"),
    ]);
}

#[test]
fn figures_over_an_earlier_window_and_days_since_on_air() {
    let ramp = || on_air("6d").core("6d:20 5d:60 24h:60 0h:50");
    check(vec![
        ("bin.core.mean(24.hours)", ramp(), "55.1 °C", "the last day"),
        ("bin.core.mean(24.hours, 24.hours)", ramp(), "60.0 °C", "the day before"),
        ("bin.core.slope(24.hours, 24.hours)", ramp(), "0.0 K/d", "its slope"),
        ("bin.core.min(12.hours, 12.hours)", ramp(), "55.1 °C", "the half day before the last"),
        (
            "bin.core.mean(24.hours, 24.hours).why",
            on_air("6d").core("20h:60 0h:60"),
            "core temperature: readings cover less than half of the 1 d that ended 1 d ago",
            "nothing was heard then",
        ),
        ("bin.core.on_day(1)", ramp(), "39.9 °C", "the mean of the first day"),
        ("bin.core.on_day(6)", ramp(), "55.1 °C", "the day that has just ended"),
        ("bin.core.on_day(7).why", ramp(), "day 7 is not over yet", "today"),
        ("bin.core.on_day(0).why", ramp(), "days are counted from 1", "there is no day 0"),
        (
            "bin.core.on_day(2).why",
            on_air("6d").core("3d:60 0h:60"),
            "core temperature: too few readings on day 2",
            "not heard",
        ),
        ("bin.core.on_day(2).why", ramp().without_batch(), "there is no batch in the bin", "no batch, no days"),
    ]);
}

#[test]
fn time_beyond_any_limit_within_a_window() {
    let saw = || on_air("6d").core("6d:60 24h:60 12h:48 0h:60");
    check(vec![
        ("bin.core.time_above(54.celsius, 24.hours).total", saw(), "12 h", "half of the day"),
        ("bin.core.time_above(54.celsius, 24.hours).longest", saw(), "6 h 2 min", "in two runs"),
        (
            "bin.core.time_above(54.celsius, 24.hours).current",
            saw(),
            "5 h 57 min",
            "the second one is still on, and began between two medians",
        ),
        ("bin.core.time_below(54.celsius, 24.hours).total", saw(), "12 h", "the other half"),
        ("bin.core.time_below(54.celsius, 24.hours).current.or(0.hours)", saw(), "0 s", "it is over"),
        ("bin.core.time_below(129.2.fahrenheit, 24.hours).total", saw(), "12 h", "°F is a temperature"),
        ("bin.core.time_above(70.celsius, 24.hours).reached", saw(), "false", "never"),
        (
            "bin.core.time_above(54.celsius, 24.hours).total",
            saw().core("6d:40 0h:40"),
            "0 s",
            "of two probes the lower counts: no heat is proven",
        ),
        (
            "bin.core.time_below(54.celsius, 24.hours).total",
            saw().core("6d:40 0h:40"),
            "1 d",
            "of two probes the lower counts: one is cold",
        ),
        (
            "bin.signal(\"oxygen\").time_below(5.percent, 6.hours).total",
            on_air("6d").with(Position::Core, Quantity::Oxygen, "6d:4 0h:4"),
            "6 h",
            "of any quantity",
        ),
        (
            "bin.core.time_above(54.celsius, 24.hours).total.why",
            on_air("6d").core("6d:60 2h:60"),
            "core temperature: no reading for 2 h",
            "silent",
        ),
    ]);
}

#[test]
fn change_since_an_entry() {
    let core = || on_air("6d").core("6d:60 24h:50 0h:56");
    check(vec![
        ("bin.core.change_since(\"watered\")", core().watered("24h", None), "6.0 K", "it came back"),
        ("bin.core.change_since(\"turned\")", core().entry("12h", "turned"), "3.0 K", "any entry"),
        ("bin.core.change_since(\"watered\").why", core(), "the log has no `watered` since on-air", "none"),
        (
            "bin.core.change_since(\"watered\").why",
            core().watered("3d", None),
            "`watered` was 3 d ago, further back than this rule looks",
            "beyond the header's window",
        ),
        (
            "bin.core.change_since(\"watered\").why",
            on_air("6d").core("20h:50 0h:56").watered("24h", None),
            "core temperature: no reading near 1 d ago",
            "nothing was heard then",
        ),
    ]);
}

#[test]
fn what_pulled_probes_read_is_not_the_pile() {
    let pulled = || on_air("6d").core("6d:60 3h:60 165min:15 0h:15").entry("3h", "probes-out");
    let back = |ago: &str| {
        on_air("6d")
            .core("6d:60 6h:60 345min:15 125min:15 2h:58 0h:58")
            .entry("6h", "probes-out")
            .entry(ago, "probes-back")
    };
    check(vec![
        ("bin.probes_out", pulled(), "3 h", "since when"),
        (
            "bin.core.last().why",
            pulled(),
            "core temperature: the probes have been out of the material for 3 h",
            "air is no core",
        ),
        ("bin.core.all_heard", pulled(), "false", "so nothing clears"),
        ("bin.core.age()", pulled(), "3 h 2 min", "the newest reading of the pile, a median by now"),
        (
            "bin.core.last().why",
            back("30min"),
            "core temperature: the probes are back and still warming up",
            "for an hour",
        ),
        ("bin.core.last()", back("2h"), "58.0 °C", "an hour later they count"),
        ("bin.core.min(24.hours)", back("2h"), "58.0 °C", "and what they read outside never does"),
        ("bin.probes_out.why", back("2h"), "the probes are in the material", "they are back"),
        (
            "bin.ambient.last()",
            pulled().with(Position::Ambient, Quantity::Temperature, "6d:10 0h:10"),
            "10.0 °C",
            "the air's own probe was not pulled",
        ),
    ]);
}

/// A blower of 45 s every 30 min with a counter read every minute, and what it ran.
fn counted(text: &str) -> Built {
    on_air("6d").counted(text)
}

/// Pulses of a counter: the seconds rise by 45 within a minute at each of these hours ago.
fn pulses(hours_ago: &[f64]) -> Built {
    let mut text = "26h:0 ".to_owned();
    let mut ran = 0;
    for ago in hours_ago {
        let minutes = (ago * 60.0).round();
        text += &format!("{minutes}min:{ran} {}min:{} ", minutes - 1.0, ran + 45);
        ran += 45;
    }
    counted(&format!("{text} 0h:{ran}"))
}

/// A blower with a current signal read every 20 s.
fn sampled(text: &str, schedule: BlowerSchedule) -> Built {
    let proof = RunProof::Signal { quantity: Quantity::Current, on_above: 0.5 };
    let interval = Span::seconds(20);
    on_air("6d").blower(schedule, proof, true, Some(series(text, interval)), interval)
}

#[test]
fn what_the_blower_does_is_read_from_its_own_signal() {
    let half_hourly = BlowerSchedule::Pulses { on: Span::minutes(2), every: Span::minutes(30) };
    let hours: Vec<f64> = (1..=50).rev().map(|n| f64::from(n) / 2.0).collect();
    let until = |last: f64| -> Vec<f64> { hours.iter().copied().filter(|h| *h >= last).collect() };
    check(vec![
        (
            "bin.blower.starts(6.hours)",
            pulses(&hours),
            "11",
            "two an hour; of the one on the edge nobody saw the start",
        ),
        ("bin.blower.missed_pulses", pulses(&hours), "0", "none missed"),
        ("bin.blower.idle", pulses(&hours), "29 min", "since the last one"),
        ("bin.blower.running", pulses(&hours), "false", "between pulses"),
        ("bin.blower.missed_pulses", pulses(&until(2.0)), "3", "the pulses at 90, 60 and 30 min ago"),
        ("bin.blower.missed_pulses", pulses(&until(1.5)), "2", "two"),
        ("bin.blower.starts(6.hours)", pulses(&until(2.0)), "8", "up to two hours ago"),
        ("bin.blower.running", counted("1d:0 0h:86400"), "true", "its counter runs with the clock"),
        ("bin.blower.idle", counted("1d:0 0h:86400"), "0 s", "it runs"),
        (
            "bin.blower.missed_pulses.why",
            counted("1d:0 2h:2000"),
            "the blower's signal has been silent for 2 h",
            "a silent counter misses nothing",
        ),
        ("bin.blower.missed_pulses.known", on_air("6d"), "false", "no blower"),
        ("bin.blower.running_known", on_air("6d"), "false", "no blower"),
        ("bin.blower.running", sampled("2h:2 0h:2", half_hourly), "true", "above its limit"),
        (
            "bin.blower.starts(1.hours)",
            sampled("2h:0 40min:0 2399s:2 38min:2 2279s:0 10min:0 599s:2 8min:2 479s:0 0h:0", half_hourly),
            "2",
            "rising edges",
        ),
        (
            "bin.blower.starts(2.hours).why",
            sampled("3h:0 0h:0", half_hourly),
            "cycles show in a sampled signal for the newest 1 h only",
            "older pulses are lost in medians",
        ),
        ("bin.blower.missed_pulses", sampled("190min:0 0h:0", half_hourly), "6", "three hours without a sign"),
        (
            "bin.blower.missed_pulses",
            sampled("3h:0 0h:0", half_hourly).watching("40min"),
            "1",
            "before the daemon watched, pulses may have come",
        ),
        (
            "bin.blower.missed_pulses",
            sampled("3h:0 2h:0 | 50min:0 0h:0", half_hourly),
            "1",
            "while it was not heard, pulses may have come",
        ),
        (
            "bin.blower.flow.last()",
            counted("1d:0 0h:2160").measures(Quantity::Flow, "5d:100 0h:80"),
            "80.0 m³/h",
            "what it measures itself",
        ),
        ("bin.blower.pressure.fitted", counted("1d:0 0h:2160"), "false", "not measured"),
        (
            "bin.blower.flow.high_on_day(2) > bin.blower.flow.high_on_day(5)",
            counted("1d:0 0h:2160").measures(Quantity::Flow, "6d:100 0h:80"),
            "true",
            "its own first days",
        ),
        (
            "bin.signal(\"flow\").fitted",
            counted("1d:0 0h:2160").measures(Quantity::Flow, "5d:100 0h:80"),
            "false",
            "the blower's flow is no probe's",
        ),
    ]);
}

#[test]
fn neighbouring_bins() {
    let yard = || {
        counted("1d:0 0h:2160")
            .neighbour("north-1", "b1", true, Some(60.0))
            .neighbour("north-3", "b1", false, Some(30.0))
            .neighbour("south-1", "b2", true, Some(50.0))
            .neighbour("south-2", "b2", true, None)
    };
    check(vec![
        ("bin.neighbours.count", yard(), "4", "all others"),
        ("bin.neighbours.core", yard(), "50.0 °C", "the median of those heard"),
        ("bin.neighbours.on_air.core", yard(), "55.0 °C", "of two the mean"),
        ("bin.neighbours.same_blower.core", yard(), "45.0 °C", "on the same blower"),
        ("bin.neighbours.same_blower.on_air.count", yard(), "1", "both"),
        ("bin.neighbours.list[3].core.why", yard(), "the core of south-2 is not heard", "unknown"),
        ("bin.neighbours.list[0].name", yard(), "north-1", "by name"),
        ("bin.neighbours.core.known", on_air("6d"), "false", "a site of one bin"),
    ]);
}

#[test]
fn helpers_answer_with_their_words() {
    use Verdict::{Alarm, CannotTell, Clear, Keep};
    let core = |text: &str| on_air("6d").core(text);
    let mut wrong = vec![];
    for (body, built, verdict, finding, why) in [
        (
            "high(bin.core, set.hold, 2)",
            core("6d:60 0h:60"),
            Alarm,
            "core temperature is at 60.0 °C, over 55.0 °C",
            "over",
        ),
        (
            "high(bin.core, 55, 2)",
            core("6d:55 0h:55"),
            Keep,
            "core temperature is at 55.0 °C, between 53.0 °C and 55.0 °C",
            "at the limit",
        ),
        (
            "high(bin.core, 131.fahrenheit, 3.6.fahrenheit_change)",
            core("6d:53 0h:53"),
            Clear,
            "core temperature is at 53.0 °C, at or below 53.0 °C",
            "°F",
        ),
        (
            "high(\"the plug\", bin.core.last(), 55, 2)",
            core("6d:60 0h:60"),
            Alarm,
            "the plug is at 60.0 °C, over 55.0 °C",
            "a name of its own",
        ),
        ("high(bin.core, 55, 2)", core("6d:60 2h:60"), CannotTell, "core temperature: no reading for 2 h", "silent"),
        ("low(bin.core, 55, 2)", core("6d:50 0h:50"), Alarm, "core temperature is at 50.0 °C, under 55.0 °C", "under"),
        (
            "low(bin.core, 55, 2)",
            core("6d:56 0h:56"),
            Keep,
            "core temperature is at 56.0 °C, between 57.0 °C and 55.0 °C",
            "in between",
        ),
        (
            "low(bin.moisture, 40, 5)",
            core("6d:56 0h:56").moisture("6d:60 0h:60"),
            Clear,
            "moisture is at 60.0 %, at or above 45.0 %",
            "another quantity",
        ),
        (
            "falling(bin.core, set.fall, 24.hours)",
            core("6d:60 24h:60 0h:54"),
            Alarm,
            "core temperature falls 6.0 K/d over 1 d, now 54.0 °C",
            "falls",
        ),
        (
            "falling(bin.core, set.fall, 24.hours)",
            core("6d:60 24h:60 0h:56"),
            Keep,
            "core temperature falls 4.0 K/d over 1 d, more than half of the limit",
            "between",
        ),
        (
            "falling(bin.core, set.fall, 24.hours)",
            core("6d:60 0h:60"),
            Clear,
            "core temperature changes by 0.0 K/d over 1 d, now 60.0 °C",
            "steady",
        ),
        (
            "falling(bin.core, set.fall, 24.hours)",
            on_air("6d"),
            CannotTell,
            "core temperature: there is no such probe",
            "no probe",
        ),
        (
            "spread([bin.base, bin.core], 8)",
            core("6d:60 0h:60").base("6d:50 0h:50"),
            Alarm,
            "10.0 K apart, more than 8.0 K: base temperature 50.0 °C to core temperature 60.0 °C",
            "apart",
        ),
        (
            "spread([bin.base, bin.core], 12, 3)",
            core("6d:60 0h:60").base("6d:50 0h:50"),
            Keep,
            "10.0 K apart, between 9.0 K and 12.0 K",
            "in between",
        ),
        (
            "spread([bin.base, bin.core], 12)",
            core("6d:60 0h:60").base("6d:50 0h:50"),
            Clear,
            "10.0 K apart: base temperature 50.0 °C to core temperature 60.0 °C",
            "near",
        ),
        (
            "spread([bin.base, bin.core, bin.upper], 12)",
            core("6d:60 0h:60").base("6d:50 0h:50"),
            CannotTell,
            "upper temperature: there is no such probe",
            "what is not known might lie further out",
        ),
        (
            "spread([bin.base, bin.core, bin.upper], 8)",
            core("6d:60 0h:60").base("6d:50 0h:50"),
            Alarm,
            "10.0 K apart, more than 8.0 K: base temperature 50.0 °C to core temperature 60.0 °C",
            "two are enough to alarm",
        ),
        ("spread([], 8)", core("6d:60 0h:60"), CannotTell, "fewer than two values to compare", "nothing to compare"),
    ] {
        let answer = answer(judging(body), built, Display::Metric);
        let worded = verdict == CannotTell || (!answer.evidence.is_empty() && !answer.figures.is_empty());
        if answer.verdict != verdict || answer.finding != finding || !worded {
            wrong.push(format!("{why}: `{body}`: expected {verdict:?} `{finding}`: {answer:?}"));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn silence_is_judged_by_the_clock() {
    let by_clock = |body: &str| {
        let mut text = judging(body);
        text.text = text.text.replace("stages: []", "evidence: \"clock\", stages: []");
        text
    };
    for (built, verdict, finding, why) in [
        (on_air("6d").core("6d:60 3h:60"), Verdict::Alarm, "core temperature: nothing for 3 h", "silent"),
        (on_air("6d").core("6d:60 1h:60"), Verdict::Clear, "core temperature: heard 1 h ago", "heard"),
        (
            on_air("6d").core("6d:60 3h:60").watching("1h"),
            Verdict::Clear,
            "core temperature: heard 1 h ago",
            "silence counts only while somebody listens",
        ),
        (on_air("6d"), Verdict::CannotTell, "core temperature: there is no such probe", "no probe"),
    ] {
        let got = answer(by_clock("silent(bin.core, 2.hours)"), built, Display::Metric);
        assert_eq!((got.verdict, got.finding.as_str()), (verdict, finding), "{why}");
    }
    let (book, _) =
        Rulebook::compile(&[judging("silent(bin.core, 2.hours)")], &RuleSettings::default(), Display::Metric);
    let fault = book.judge(&book.rules()[0], &on_air("6d").core("6d:60 3h:60").done()).unwrap_err();
    assert!(fault.to_string().contains("write `evidence: \"clock\"` in the header"), "{fault}");
}

/// A site in US units writes its own numbers and reads its own units.
#[test]
fn every_suffix_and_every_finding_in_us_units() {
    for (expression, want) in [
        ("140.fahrenheit", "140.0 °F"),
        ("60.celsius", "140.0 °F"),
        ("10.fahrenheit_change", "10.0 °F"),
        ("5.kelvin", "9.0 °F"),
        ("10.fahrenheit_per_day", "10.0 °F/d"),
        ("5.6.kelvin_per_day", "10.1 °F/d"),
        ("26.5.gallons", "26.5 gal"),
        ("100.litres", "26.4 gal"),
        ("88.cfm", "88.0 cfm"),
        ("150.cubic_metres_per_hour", "88.3 cfm"),
        ("2.inches_of_water", "2.00 inH2O"),
        ("500.pascals", "2.01 inH2O"),
        ("2.5.amperes", "2.5 A"),
        ("3.volts", "3.0 V"),
        ("40.percent", "40.0 %"),
        ("50.ppm", "50.0 ppm"),
        ("90.seconds", "1 min"),
        ("30.minutes", "30 min"),
        ("36.hours", "1 d 12 h"),
        ("2.days", "2 d"),
    ] {
        let got = answer(judging(&format!("clear(`${{{expression}}}`)")), on_air("6d"), Display::Us);
        assert_eq!(got.finding, want, "{expression}");
    }
    let core = on_air("6d").core("6d:60 24h:61 0h:61");
    let got = answer(judging("high(bin.core, 140.fahrenheit, 4.fahrenheit_change)"), core, Display::Us);
    assert_eq!(got.finding, "core temperature is at 141.8 °F, over 140.0 °F");
    assert_eq!(got.evidence, ["limit: over 140.0 °F; over again at or below 136.0 °F"]);
    let exact = on_air("6d").core("6d:60 0h:60");
    let got = answer(judging("high(bin.core, 140.fahrenheit, 4.fahrenheit_change)"), exact, Display::Us);
    assert_eq!(got.verdict, Verdict::Keep, "60 °C is 140 °F, not over it: {got:?}");
    let facts: Arc<_> = on_air("6d").core("6d:60 24h:60 0h:54").done();
    let (book, faults) = Rulebook::compile(
        &[judging("falling(bin.core, 10.fahrenheit_per_day, 24.hours)")],
        &RuleSettings::default(),
        Display::Us,
    );
    assert!(faults.is_empty());
    assert_eq!(judge(&book, "probe", &facts).finding, "core temperature falls 10.8 °F/d over 1 d, now 129.2 °F");
}

#[test]
fn when_a_run_began_and_what_the_clocks_showed() {
    // On air on Tuesday 2026-03-03 00:00 UTC; 55 °C is crossed at noon of the next day and left at noon of the seventh.
    let ran = || on_air("7d").core("7d:20 5.5d:55 5d:60 24h:60 12h:55 0h:50");
    let run = "bin.core.time_above(set.hold)";
    check(vec![
        (&format!("{run}.longest_began"), ran(), "1 d 12 h", "after on-air"),
        (&format!("when(bin.batch.age - {run}.longest_began)"), ran(), "Wed 4 Mar 12:00", "by the site's clocks"),
        (&format!("when(bin.batch.age - {run}.longest_began - {run}.longest)"), ran(), "Mon 9 Mar 12:00", "its end"),
        (
            &format!("{run}.longest_began"),
            ran().core("7d:20 3d:55 2d:60 0h:60"),
            "4 d",
            "of two probes the one with the shorter run",
        ),
        (&format!("{run}.longest_began.known"), ran().core("7d:20 0h:50"), "false", "one of them never was there"),
        (&format!("{run}.longest_began.known"), on_air("7d"), "false", "no probe"),
        ("when(0.hours)", on_air("1d"), "Tue 10 Mar 00:00", "now"),
        ("when(-36.hours)", on_air("1d"), "Wed 11 Mar 12:00", "in a day and a half"),
    ]);
}

#[test]
fn the_mix_is_as_moist_as_somebody_wrote() {
    check(vec![
        ("bin.batch.mix_moisture", on_air("2d").filled("2d", Some(71.0)), "71.0 %", "written at on-air"),
        ("bin.batch.mix_moisture.why", on_air("2d").filled("2d", None), "nobody wrote how moist the mix was", "not"),
        ("bin.batch.mix_moisture.known", on_air("2d").filled("9d", Some(71.0)), "false", "the batch before"),
        ("bin.batch.mix_moisture.known", on_air("2d").without_batch(), "false", "no batch"),
        ("bin.batch.mix_kilograms", on_air("2d").filled("2d", None), "1250", "and how much it was"),
        ("bin.batch.mix_carbon_to_nitrogen", on_air("2d").filled("2d", None), "28", "and its C:N"),
        (
            "bin.batch.mix_degradable.why",
            on_air("2d").filled("2d", None),
            "nobody wrote how much of the mix can decay",
            "not",
        ),
    ]);
}

#[test]
fn results_are_what_the_judge_said_last() {
    let ran = |result, met: Option<i64>, left: Option<i64>| {
        on_air("5d").judged("permit-14", result, (41.5, 72.0), met.map(Span::hours), left.map(Span::hours))
    };
    let running = || ran(Outcome::Running, None, Some(31));
    let met = || ran(Outcome::Met, Some(30), None);
    check(vec![
        ("bin.result(\"permit-14\").result", running(), "running", "its word"),
        ("bin.result(\"permit-14\").running", running(), "true", "as a question"),
        ("bin.result(\"permit-14\").counted", running(), "1 d 17 h", "hours that count"),
        ("bin.result(\"permit-14\").needed", running(), "3 d", "of those asked for"),
        ("bin.result(\"permit-14\").left", running(), "1 d 7 h", "until the earliest time"),
        ("bin.result(\"permit-14\").met_ago.known", running(), "false", "not met yet"),
        ("bin.result(\"permit-14\").coverage", running(), "98.0 %", "how much of the time is known"),
        ("bin.result(\"permit-14\").met", met(), "true", "met"),
        ("bin.result(\"permit-14\").met_ago", met(), "1 d 6 h", "since when"),
        ("bin.result(\"permit-14\").left.why", met(), "it is met, or cannot be met any more", "nothing is left"),
        ("bin.result(\"permit-15\").cannot_tell", met(), "true", "a criterion that the site did not choose"),
        (
            "bin.result(\"permit-15\").counted.why",
            met(),
            "the batch was not judged by permit-15; choose it under `criteria` in the settings",
            "and what to do",
        ),
        ("bin.results.len()", met(), "1", "all of them"),
        ("bin.results[0].criterion", met(), "permit-14", "by name"),
        ("bin.results.len()", on_air("5d"), "0", "not judged yet"),
    ]);
}

#[test]
fn a_probe_tells_its_step() {
    let last = |built: Built| {
        let body = "let said = \"none\"; for p in bin.probes { said = `${p.step}`; if !p.step.known { said = p.step.why; } } clear(said)";
        answer(judging(body), built, Display::Metric).finding
    };
    for (series, want, why) in [
        (
            "30min:60 25min:60.5 20min:60 10min:61 0h:61",
            "0.5 K",
            "the smallest change, here of the straight line's middle",
        ),
        ("30min:60 0h:60", "p1 (core temperature): it has not changed", "nothing to tell it by"),
        ("5min:60 0h:58", "2.0 K", "one change is enough"),
        ("3d:60 60h:60.1 2d:60 1d:60 0h:62", "0.0 K", "before the window nothing counts; a slow line has tiny steps"),
        ("0h:60", "p1 (core temperature): it has not changed", "one reading"),
    ] {
        assert_eq!(last(on_air("6d").core(series)), want, "{series}: {why}");
    }
}
