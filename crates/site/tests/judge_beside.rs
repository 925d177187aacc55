//! Does the judge hold what stands beside the temperature: zones, readings set aside, checks of probes, mix, curing, laboratory, order?
//!
//! Must never test a figure without its reason.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

#[allow(dead_code, missing_docs, unreachable_pub, reason = "shared by several tests, each uses a part")]
mod pile;

use ::pile::time::Timestamp;
use ::pile::units::{Kelvin, Metres};
use ::pile::window::Point;
use pile::*;
use site::criteria::System;
use site::entry::{Entry, EntryId, EntryKind};
use site::ids::{BinId, ProbeId};
use site::instruments::Instruments;
use site::judge::{
    Check, Facts, History, LabResult, Laboratory, Outcome, ProbeHistory, judge, probe_histories, read_facts,
};
use site::model::Position;
use site::zone::Zone;

use Outcome::{CannotTell, Met, NotMet, Running};

const THREE_DAYS: &str = "hold: { celsius_min: 55, days: 3, counting: consecutive }";

#[test]
fn each_zone_needs_a_valid_probe_at_its_depth() {
    let two = "zones: [{ position: base, depth_metres_min: 0.9 }, { position: core, depth_metres_min: 0.3, depth_metres_max: 0.8 }]\n";
    let asked = own(&format!("{two}{THREE_DAYS}"));
    for (base_depth, core_depth, want, why) in [
        (Some(1.1), Some(0.6), Met, "both at their depth"),
        (Some(0.9), Some(0.8), Met, "both on the bound"),
        (Some(0.8), Some(0.6), CannotTell, "the base is too shallow"),
        (Some(1.1), Some(0.9), CannotTell, "the core is too deep"),
        (None, Some(0.6), CannotTell, "a depth that is not known is none"),
    ] {
        let mut history = both("60*72", "60*72");
        history.probes[0].depth = base_depth.map(Metres);
        history.probes[1].depth = core_depth.map(Metres);
        let judgement = judge(&asked, &history);
        assert_eq!(judgement.result, want, "{why}: {}", judgement.because);
    }
    let missing = judge(&criterion("us503-pfrp-asp"), &core("60*72"));
    assert_eq!(missing.result, CannotTell, "one of the zones has no probe");
    assert!(missing.because.contains("no valid probe where one is required: base"), "{}", missing.because);
    let found: Vec<_> = missing.zones.iter().map(|z| (z.wanted.as_str(), z.probes.len())).collect();
    assert_eq!(found, [("base", 0), ("core", 1)]);
    // California: 12 to 18 in below the cover, which is 6 to 12 in thick (14 CCR 17868.3(c)(B)).
    let inch = 0.0254;
    for (depth, cover, want, why) in [
        (24.0 * inch, Some(8.0 * inch), Met, "16 in below an 8 in cover"),
        (20.0 * inch, Some(8.0 * inch), Met, "12 in: on the bound"),
        (16.0 * inch, Some(8.0 * inch), CannotTell, "8 in below the cover is too shallow"),
        (24.0 * inch, None, CannotTell, "the cover is not on record"),
    ] {
        let mut history = history(vec![probe("upper", Position::Upper, series("60*80"))]);
        history.probes[0].depth = Some(Metres(depth));
        history.facts.cover = cover.map(Metres);
        let judgement = judge(&criterion("ca-asp"), &history);
        assert_eq!(judgement.result, want, "{why}: {}", judgement.because);
    }
}

#[test]
fn a_dead_cold_probe_does_not_ease_passing() {
    // Two probes at the base, of which the colder one dies on the second day.
    let mut history = both("60*80", "65*80");
    history.probes.push(probe("base-2", Position::Base, series("52*20")));
    let judgement = judge(&criterion("us503-pfrp-asp"), &history);
    assert_eq!(judgement.result, NotMet, "60 silent hours of the cold probe are not 72: {}", judgement.because);
    history.probes[2].readings = series("56*20");
    let judgement = judge(&criterion("us503-pfrp-asp"), &history);
    assert_eq!(judgement.result, CannotTell, "nobody knows what it would have read: {}", judgement.because);
    assert!(judgement.because.contains("probe base-2 has no reading"), "{}", judgement.because);
    history.probes[2].readings.clear();
    assert_eq!(judge(&criterion("us503-pfrp-asp"), &history).result, CannotTell, "nor where it never read");
}

#[test]
fn what_does_not_count_is_listed_with_the_reason_and_with_the_result_had_it_counted() {
    // A glitch: the probe's code for "just powered on" in the middle of a hot run, and a dropout to 20 °C.
    let mut glitch = core("60*72");
    glitch.probes[0].readings.remove(100);
    glitch.probes[0].set_aside =
        vec![(Point { at: at(1000.0 / 60.0), value: 20.0 }, "outside what it can measure".into())];
    let judgement = judge(&own(THREE_DAYS), &glitch);
    assert_eq!(judgement.result, Met, "ten minutes either side are bridged: {}", judgement.because);
    assert_eq!(judgement.had_they_counted.unwrap().0, NotMet, "and the list says what it would have been");
    let [excluded] = &judgement.excluded[..] else { panic!("{:?}", judgement.excluded) };
    assert_eq!((excluded.readings, excluded.reason.as_str()), (1, "outside what it can measure"));
    // Probes pulled out by the log: an hour after they are back they count again.
    let mut pulled = core("60*40 20*3 60*40");
    pulled.entries = vec![entry(40.0, EntryKind::ProbesOut), entry(42.9, EntryKind::ProbesBack)];
    let judgement = judge(&own(THREE_DAYS), &pulled);
    assert_eq!(judgement.result, CannotTell, "the air that they read is not the pile: {}", judgement.because);
    assert_eq!(judgement.had_they_counted.unwrap().0, NotMet);
    assert!(judgement.because.contains("; excluded: the probes were out of the material"), "{}", judgement.because);
    assert!(judgement.excluded[0].reason.contains("probes were out"), "{:?}", judgement.excluded);
    let plain = judge(&own(THREE_DAYS), &core("60*72"));
    assert!(plain.excluded.is_empty() && plain.had_they_counted.is_none(), "nothing excluded, nothing to tell");
    // Times that somebody set aside.
    let mut doubted = core("60*30 40*1 60*73");
    doubted.probes[0].not_counted = vec![(at(29.9), at(31.1), "cable loose, written down by Ann".into())];
    let judgement = judge(&own(THREE_DAYS), &doubted);
    assert_eq!(
        (judgement.result, judgement.met_at),
        (Met, Some(at(72.0))),
        "an hour is bridged: {}",
        judgement.because
    );
    assert_eq!(judgement.had_they_counted.map(|(r, at)| (r, at > judgement.met_at)), Some((Met, true)), "later");
}

fn check(hours: f64, passed: bool, correction: f64) -> Check {
    Check { at: at(hours), probe: ProbeId::new("core").unwrap(), passed, correction: Kelvin(correction) }
}

#[test]
fn checks_of_probes_correct_from_their_date_and_flag_back_to_the_last_good_one() {
    let with = |shorthand: &str, checks: Vec<Check>| {
        let mut history = core(shorthand);
        history.facts.checks = checks;
        history
    };
    for (history, want, why) in [
        (with("54.8*72", vec![check(-24.0, true, 0.3)]), Met, "it reads 0.3 K low, as was found before"),
        (with("54.8*72", vec![check(24.0, true, 0.3)]), NotMet, "a correction holds from its date on"),
        (with("55.2*72", vec![check(-24.0, true, -0.3)]), NotMet, "it reads 0.3 K high"),
        (
            with("60*72", vec![check(-24.0, true, 0.0), check(80.0, false, 0.0)]),
            Met,
            "a check after the end of the record flags nothing that is judged",
        ),
        (
            with("60*100", vec![check(-24.0, true, 0.0), check(90.0, false, 0.0)]),
            CannotTell,
            "flagged back to the good check before the batch",
        ),
        (
            with("60*100", vec![check(80.0, true, 0.0), check(90.0, false, 0.0)]),
            Met,
            "the run lies before the last good check",
        ),
    ] {
        let mut history = history;
        if why.starts_with("a check after") {
            history.facts.checks.retain(|c| c.at <= history.until);
        }
        let judgement = judge(&own(THREE_DAYS), &history);
        assert_eq!(judgement.result, want, "{why}: {}", judgement.because);
    }
    let failed = judge(&own(THREE_DAYS), &with("60*100", vec![check(10.0, true, 0.0), check(90.0, false, 0.0)]));
    assert_eq!(failed.result, CannotTell);
    assert_eq!(failed.had_they_counted, Some((Met, Some(at(72.0)))));
    let want = "the probe failed its check on 2026-03-12 18:00 +00:00: its readings are flagged back to its last good check on 2026-03-09 10:00 +00:00";
    assert_eq!(failed.excluded[0].reason, want);
    // Germany: checked at least once a year.
    let yearly = own(&format!("{THREE_DAYS}\ncalibration_days_max: 365"));
    for (checks, want, why) in [
        (vec![check(-24.0 * 300.0, true, 0.0)], Met, "ten months ago"),
        (vec![check(-24.0 * 365.0, true, 0.0)], CannotTell, "a year and three days before it was met"),
        (vec![], CannotTell, "none on record"),
        (vec![check(76.0, true, 0.0)], CannotTell, "one that came later says nothing of the run"),
    ] {
        let judgement = judge(&yearly, &with("60*80", checks));
        assert_eq!(judgement.result, want, "{why}: {}", judgement.because);
    }
}

#[test]
fn a_result_within_what_a_probe_may_be_off_is_marginal() {
    for (celsius, uncertainty, want, why) in [
        (55.3, Some(0.5), true, "0.3 K to spare"),
        (55.5, Some(0.5), false, "half a kelvin to spare"),
        (55.3, None, false, "nothing is known of the probe"),
    ] {
        let mut history = core(&format!("{celsius}*72"));
        history.facts.uncertainty = uncertainty.map(Kelvin);
        let judgement = judge(&own(THREE_DAYS), &history);
        assert_eq!((judgement.result, judgement.marginal.is_some()), (Met, want), "{why}");
    }
    let mut near_the_ceiling = both("76.5*72", "60*72");
    near_the_ceiling.facts =
        Facts { carbon_to_nitrogen: Some(30.0), uncertainty: Some(Kelvin(0.5)), ..Facts::default() };
    let judgement = judge(&criterion("nop-invessel-asp"), &near_the_ceiling);
    assert!(judgement.result == Met && judgement.marginal.is_some(), "the ceiling has a margin too");
}

#[test]
fn what_a_criterion_asks_beside_the_temperature_decides_too() {
    let batch = |facts: Facts| History { facts, ..both("71*400", "71*400") };
    let facts = Facts::default;
    for (id, facts, want, words, why) in [
        ("nop-invessel-asp", facts(), CannotTell, "the initial C:N is not on record", "it must be recorded"),
        ("nop-invessel-asp", Facts { carbon_to_nitrogen: Some(25.0), ..facts() }, Met, "", "25 itself is in the range"),
        (
            "nop-invessel-asp",
            Facts { carbon_to_nitrogen: Some(24.9), ..facts() },
            NotMet,
            "the initial C:N is 24.9",
            "too rich",
        ),
        (
            "nop-invessel-asp",
            Facts { carbon_to_nitrogen: Some(40.1), ..facts() },
            NotMet,
            "it must be 25 to 40",
            "too poor",
        ),
        (
            "eu142-compost",
            Facts { system: Some(System::InVessel), particle_millimetres: Some(12.0), ..facts() },
            Met,
            "",
            "12 mm",
        ),
        (
            "eu142-compost",
            Facts { system: Some(System::InVessel), particle_millimetres: Some(13.0), ..facts() },
            NotMet,
            "particles is 13 mm",
            "too coarse",
        ),
        (
            "eu142-compost",
            Facts { particle_millimetres: Some(12.0), ..facts() },
            NotMet,
            "it is written for in-vessel composting",
            "a static pile is none",
        ),
        (
            "us503-pfrp-windrow",
            facts(),
            NotMet,
            "written for a windrow, and this is an aerated static pile",
            "another method",
        ),
        ("us503-pfrp-asp", facts(), Met, "", "an aerated static pile unless somebody says otherwise"),
        ("fsma-static", facts(), Running, "adequate curing must follow", "21 CFR 112.54(b)(1): then curing"),
        ("fsma-static", Facts { curing_from: Some(at(399.0)), ..facts() }, Met, "", "curing has begun"),
    ] {
        let judgement = judge(&criterion(id), &batch(facts));
        assert_eq!(judgement.result, want, "{id}: {why}: {}", judgement.because);
        assert!(judgement.because.contains(words), "{id}: {}", judgement.because);
        assert_eq!(judgement.met_at.is_some(), want == Met, "{id}");
    }
}

fn result(hours: f64, parameter: &str, value: Option<f64>, unit: &str) -> LabResult {
    LabResult {
        sampled_at: at(hours),
        parameter: parameter.into(),
        value,
        detectable: None,
        unit: unit.into(),
        laboratory: "County Lab".into(),
    }
}

#[test]
fn temperature_alone_never_releases() {
    let coliform = |hours, value| result(hours, "faecal coliform", Some(value), "MPN/g total solids");
    let salmonella = |hours, value| result(hours, "Salmonella", value, "MPN/4 g total solids");
    for (id, lab, want, why) in [
        ("us503-pfrp-asp", vec![], "outstanding", "hot enough is not enough"),
        ("us503-pfrp-asp", vec![coliform(90.0, 999.0)], "in hand", "40 CFR 503.32(a): either of the two"),
        ("us503-pfrp-asp", vec![coliform(90.0, 1_000.0)], "outstanding", "less than 1000, and the other may still do"),
        ("us503-pfrp-asp", vec![coliform(60.0, 10.0)], "outstanding", "a sample taken before the run was over"),
        ("us503-pfrp-asp", vec![coliform(90.0, 1_200.0), salmonella(90.0, Some(3.0))], "beyond its limit", "both are"),
        ("fsma-static", vec![], "not asked", "21 CFR 112.55: a standard for the process, and not for each batch"),
        ("ccme-asp", vec![coliform(90.0, 10.0)], "outstanding", "both"),
        ("ccme-asp", vec![coliform(90.0, 10.0), salmonella(90.0, None)], "in hand", "both in hand"),
        (
            "ccme-asp",
            vec![coliform(90.0, 10.0), salmonella(90.0, Some(1.0))],
            "beyond its limit",
            "detected is detected",
        ),
        (
            "us503-pfrp-asp",
            vec![result(90.0, "faecal coliform", Some(10.0), "CFU/100 mL")],
            "outstanding",
            "a wrong unit",
        ),
        ("eu1009-cmc3", vec![result(200.0, "Salmonella", None, "in 1 g")], "outstanding", "in 1 g is not in 25 g"),
        (
            "eu1009-cmc3",
            vec![result(200.0, "Salmonella", Some(1.0), "in 1 g")],
            "outstanding",
            "nor where some was found",
        ),
    ] {
        // The longest profile of these asks for seven days.
        let mut history = both("60*190", "60*190");
        history.facts.lab = lab;
        history.facts.curing_from = Some(at(79.0));
        let judgement = judge(&criterion(id), &history);
        assert_eq!(judgement.result, Met, "{}", judgement.because);
        assert_eq!(judgement.lab.key(), want, "{id}: {why}: {:?}", judgement.lab);
        if why == "a wrong unit" {
            let words = judgement.lab.words().unwrap();
            assert!(words.contains("is in CFU/100 mL, not in MPN/g total solids, and cannot be compared"), "{words}");
        }
        assert!(judgement.lab.words().is_none_or(|words| !words.contains(" in in ")), "{:?}", judgement.lab);
        if why == "hot enough is not enough" {
            assert!(judgement.lab.words().unwrap().contains("temperature alone never releases"), "{:?}", judgement.lab);
        }
    }
    for (detectable, want, why) in [
        (3.0, "in hand", "nothing found by a method that finds 3"),
        (30.0, "outstanding", "a method that finds 30 and more cannot show less than 3"),
    ] {
        let mut history = both("60*80", "60*80");
        history.facts.lab = vec![LabResult { detectable: Some(detectable), ..salmonella(90.0, None) }];
        let judgement = judge(&criterion("us503-pfrp-asp"), &history);
        assert_eq!(judgement.lab.key(), want, "{why}: {:?}", judgement.lab);
    }
    assert_eq!(judge(&own(THREE_DAYS), &core("60*72")).lab, Laboratory::NotAsked);
}

#[test]
fn new_material_resets_the_clock() {
    for (added, want, met, why) in [
        (vec![], Met, Some(72.0), "nothing was added"),
        (vec![at(20.0)], Met, Some(92.0), "three days from then"),
        (vec![at(20.0), at(60.0)], NotMet, None, "the last one counts, and 40 hours are left"),
        (vec![at(500.0)], Met, Some(72.0), "what comes after the end of the record is not judged"),
    ] {
        let mut history = core("60*100");
        history.facts.raw_added = added;
        let judgement = judge(&own(THREE_DAYS), &history);
        assert_eq!((judgement.result, judgement.met_at), (want, met.map(at)), "{why}: {}", judgement.because);
    }
}

#[test]
fn pathogens_come_before_vectors_or_with_them() {
    // 40 CFR 503.32(a)(2): never the other way round.
    let vector = criterion("us503-var5");
    for (shorthand, want, met, why) in [
        ("60*336", Met, Some(336.0), "pathogen reduction after three days, vector reduction after fourteen"),
        ("46*336", NotMet, None, "vector reduction alone"),
        ("46*336 60*72", Met, None, "the fourteen days go on until pathogen reduction is met"),
        ("46*336 39*1 60*72", NotMet, None, "they were over before it was"),
    ] {
        let judgement = judge(&vector, &both(shorthand, shorthand));
        assert_eq!(judgement.result, want, "{shorthand}: {why}: {}", judgement.because);
        if let Some(hours) = met {
            assert_eq!(judgement.met_at, Some(at(hours)), "{why}");
        }
    }
    let late = judge(&vector, &both("46*336 60*100", "46*336 60*100"));
    let pathogens = judge(&criterion("us503-pfrp-asp"), &both("46*336 60*100", "46*336 60*100"));
    let first = late.met_at.unwrap();
    assert!(
        first <= pathogens.met_at.unwrap() && late.result == Met,
        "class B, 40 °C for five days, is the first that was met"
    );
}

#[test]
fn facts_of_a_batch_are_read_with_all_their_faults() {
    let zone = Zone::named("Europe/Dublin").unwrap();
    let good = "system: windrow\nsuction: true\ncover_inches: 8\ncarbon_to_nitrogen: 28\nparticle_millimetres: 40\n\
        raw_added_at: [\"2026-03-10 07:00\"]\ncuring_from: \"2026-04-20\"\nuncertainty_kelvin: 0.5\n\
        lab:\n  - { parameter: Salmonella, sampled_at: \"2026-04-20 09:00\", not_detected: true, unit: \"MPN/4 g total solids\", laboratory: County Lab }\n\
        checks:\n  - { probe: north-1-core, at: \"2026-03-01 09:00\", passed: true, correction_kelvin: -0.2 }\n";
    let facts = read_facts(good, "batch.yaml", &zone).unwrap();
    assert_eq!((facts.system, facts.suction, facts.carbon_to_nitrogen), (Some(System::Windrow), true, Some(28.0)));
    assert_eq!((facts.raw_added.len(), facts.lab.len(), facts.checks.len()), (1, 1, 1));
    for (text, want, why) in [
        ("", "batch.yaml:1: the facts are empty", "nothing"),
        ("sytem: windrow\n", "unknown key `sytem` in the facts of the batch; did you mean `system`?", "a slip"),
        ("raw_added_at: [\"yesterday\"]\n", "`yesterday` is not a time", "no time"),
        ("carbon_to_nitrogen: -3\n", "`carbon_to_nitrogen` in the facts of the batch is -3", "out of range"),
        (
            "lab:\n  - { parameter: Salmonella, sampled_at: \"2026-04-20\", unit: x, laboratory: y }\n",
            "needs one result; give `value`, or `not_detected: true`",
            "no result",
        ),
        (
            "checks:\n  - { probe: core, at: \"2026-03-01\" }\n",
            "`passed` is missing in check of probe core",
            "neither good nor bad",
        ),
    ] {
        let faults = read_facts(text, "batch.yaml", &zone).unwrap_err();
        let said: Vec<String> = faults.iter().map(ToString::to_string).collect();
        assert!(said.join("\n").contains(want), "{why}: {said:?}");
    }
    let two = read_facts("sytem: windrow\ncarbon_to_nitrogen: -3\n", "batch.yaml", &zone).unwrap_err();
    assert_eq!(two.len(), 2, "all faults at once");
}

#[test]
fn a_probe_that_was_taken_elsewhere_is_not_silent_while_another_stands_in_its_place() {
    let asked = own(THREE_DAYS);
    let stay = |id: &str, shorthand: &str, from: f64, until: f64| {
        let readings = series(shorthand).into_iter().filter(|p| at(from) <= p.at && p.at < at(until));
        probe(id, Position::Core, readings.collect())
    };
    let away = |mut probe: ProbeHistory, spans: &[(f64, f64)]| {
        probe.elsewhere = spans.iter().map(|(from, until)| (at(*from), at(*until))).collect();
        probe
    };
    for (probes, want, why) in [
        (vec![stay("a", "60*80", 0.0, 90.0)], Met, "one probe all the time"),
        (
            vec![
                away(stay("a", "60*80", 0.0, 30.0), &[(30.0, 80.0)]),
                away(stay("b", "60*80", 30.0, 90.0), &[(0.0, 30.0)]),
            ],
            Met,
            "one took the place of the other",
        ),
        (
            vec![stay("a", "60*80", 0.0, 30.0), stay("b", "60*80", 30.0, 90.0)],
            CannotTell,
            "nobody wrote that it was taken away: it is silent",
        ),
        (
            vec![
                away(stay("a", "60*80", 0.0, 30.0), &[(34.0, 80.0)]),
                away(stay("b", "60*80", 34.0, 90.0), &[(0.0, 30.0)]),
            ],
            CannotTell,
            "the place was without a probe for four hours",
        ),
        (
            vec![
                away(stay("a", "60*80", 0.0, 30.0), &[(30.0, 80.0)]),
                away(stay("b", "60*30 50*2 60*48", 30.0, 90.0), &[(0.0, 30.0)]),
            ],
            NotMet,
            "the one that took its place was cold",
        ),
    ] {
        let mut history = history(probes);
        history.until = at(80.0);
        let judgement = judge(&asked, &history);
        assert_eq!(judgement.result, want, "{why}: {}", judgement.because);
    }
}

#[test]
fn readings_by_hand_count_where_a_day_may_lie_between_them_and_no_probe_stands_there() {
    let by_hand = |position, values: &[f64]| {
        let readings =
            values.iter().zip(0..).map(|(value, day)| Point { at: at(24.0 * f64::from(day)), value: *value });
        ProbeHistory { by_hand: true, ..probe("by-hand", position, readings.collect()) }
    };
    let daily = "gap_minutes_max: 2160\nhold: { celsius_min: 55, days: 3, counting: consecutive }";
    let both = "zones: [{ position: base }, { position: core }]\n";
    let warm = || probe("core", Position::Core, series("60*80"));
    for (lines, probes, want, why) in [
        (daily.to_owned(), vec![by_hand(Position::Core, &[60.0; 5])], Met, "read every day"),
        (daily.to_owned(), vec![by_hand(Position::Core, &[60.0, 60.0, 50.0, 60.0, 60.0])], NotMet, "cold on one day"),
        (
            daily.to_owned(),
            vec![warm(), by_hand(Position::Core, &[60.0, 50.0])],
            Met,
            "a probe stands there: it decides",
        ),
        (format!("{both}{daily}"), vec![warm(), by_hand(Position::Base, &[58.0; 5])], Met, "by hand where no probe is"),
        (
            format!("{both}{daily}"),
            vec![warm(), by_hand(Position::Base, &[52.0; 5])],
            NotMet,
            "and it was too cold there",
        ),
        (
            THREE_DAYS.to_owned(),
            vec![by_hand(Position::Core, &[60.0; 5])],
            CannotTell,
            "a gap of two hours allows no days",
        ),
    ] {
        let judgement = judge(&own(&lines), &history(probes));
        assert_eq!(judgement.result, want, "{why}: {}", judgement.because);
    }
    let told = judge(&own(daily), &history(vec![warm(), by_hand(Position::Core, &[60.0, 50.0])]));
    assert!(told.because.contains("; against it, read by hand: 50.0 °C at core"), "{}", told.because);
}

#[test]
fn histories_follow_probes_between_bins() {
    let site = site::settings::read(
        "site: { id: y, name: Y, zone: UTC, elevation_metres: 10 }\nmail: { from: \"a@y.example\", folder: mail }\n\
         topics: [{ topic: \"y/{p}\", payload: number, source: \"{p}\", quantity: temperature, unit: Cel }]\n\
         bins:\n  - { id: north-1, volume_m3: 2, probes: [{ id: a, position: core, every_seconds: 300 }] }\n  \
         - { id: north-2, volume_m3: 2, probes: [{ id: b, position: core, every_seconds: 300 }] }\n",
        "site.yaml",
    )
    .unwrap();
    let moved = |hours, bin: &str, id: &str| Entry {
        id: EntryId(hours as u64),
        bin: BinId::new(bin).unwrap(),
        ..entry(hours, EntryKind::Placed { probe: ProbeId::new(id).unwrap(), position: Position::Core, depth: None })
    };
    let log = [moved(30.0, "north-1", "b"), moved(31.0, "north-2", "a")];
    let instruments = Instruments::of(&log);
    let mut asked: Vec<(String, f64, f64)> = Vec::new();
    let hours = |t: Timestamp| t.since(START).as_seconds() / 3_600.0;
    let mut read = |id: &ProbeId, from: Timestamp, until: Timestamp| {
        asked.push((id.to_string(), hours(from), hours(until).round()));
        Ok::<_, String>((Vec::new(), Vec::new()))
    };
    let span = (at(0.0), at(80.0));
    let got = probe_histories(&site, &instruments, &BinId::new("north-1").unwrap(), span, &[], &mut read).unwrap();
    assert_eq!(asked, [("a".to_owned(), 0.0, 31.0), ("b".to_owned(), 30.0, 80.0)]);
    let elsewhere: Vec<_> =
        got.iter().map(|p| p.elsewhere.iter().map(|(f, u)| (hours(*f), hours(*u))).collect::<Vec<_>>()).collect();
    assert_eq!(elsewhere, [vec![(31.0, 80.0)], vec![(0.0, 30.0)]], "each is excused while the other stands there");
}

/// One gap on each side of a swap is two gaps: whatever stands in a zone, it is not without a reading for longer than the criterion bridges.
#[test]
fn a_swap_of_probes_forgives_one_gap_and_not_two() {
    let part = |id: &str, parts: &[(f64, f64)], away: &[(f64, f64)]| {
        let mut readings = Vec::new();
        for (from, until) in parts {
            readings.extend(series("60*400").into_iter().filter(|p| at(*from) <= p.at && p.at <= at(*until)));
        }
        let mut one = probe(id, Position::Core, readings);
        one.elsewhere = away.iter().map(|(from, until)| (at(*from), at(*until))).collect();
        one
    };
    let base = || probe("base", Position::Base, series("60*100"));
    let both = format!("zones: [{{ position: base }}, {{ position: core }}]\n{THREE_DAYS}");
    for (probes, want, met, why) in [
        (
            vec![part("a", &[(0.0, 30.0)], &[(32.0, 100.0)]), part("b", &[(34.0, 100.0)], &[(0.0, 32.0)])],
            CannotTell,
            None,
            "two hours before the swap and two after it are four",
        ),
        (
            vec![part("a", &[(0.0, 31.0)], &[(32.0, 100.0)]), part("b", &[(33.0, 100.0)], &[(0.0, 32.0)])],
            Met,
            Some(72.0),
            "two hours in all are bridged",
        ),
        (
            vec![part("a", &[(0.0, 30.0)], &[(33.0, 100.0)]), part("b", &[(31.0, 100.0)], &[(0.0, 31.0)])],
            CannotTell,
            None,
            "the first was still there, and silent for three hours: nobody knows what it would have read",
        ),
        (
            vec![
                part("a", &[(0.0, 30.0)], &[(31.0, 100.0)]),
                part("b", &[(31.5, 33.0)], &[(0.0, 31.0), (33.5, 100.0)]),
                part("a", &[(36.0, 100.0)], &[(0.0, 33.5)]),
            ],
            CannotTell,
            None,
            "and back again: the second swap is too long",
        ),
        (
            vec![
                part("a", &[(0.0, 30.0)], &[(31.0, 100.0)]),
                part("b", &[(31.5, 33.0)], &[(0.0, 31.0), (33.5, 100.0)]),
                part("a", &[(34.5, 100.0)], &[(0.0, 33.5)]),
            ],
            Met,
            Some(72.0),
            "and back again within the gap",
        ),
    ] {
        let mut history = history([probes, vec![base()]].concat());
        history.until = at(100.0);
        let judgement = judge(&own(&both), &history);
        assert_eq!((judgement.result, judgement.met_at), (want, met.map(at)), "{why}: {}", judgement.because);
        if want == CannotTell {
            assert!(judgement.coverage_fraction.is_some_and(|part| part < 1.0), "{why}: not all of it is known");
        }
    }
    // By a criterion that bridges 36 h: two readings three days apart, each from a probe of its own.
    let daily = own(&format!("gap_minutes_max: 2160\n{THREE_DAYS}"));
    let lone = |id: &str, hours: f64, away: (f64, f64)| {
        let mut one = probe(id, Position::Core, vec![Point { at: at(hours), value: 60.0 }]);
        one.elsewhere = vec![(at(away.0), at(away.1))];
        one
    };
    let apart = judge(&daily, &history(vec![lone("a", 0.0, (36.0, 72.0)), lone("b", 72.0, (0.0, 36.0))]));
    assert_eq!((apart.result, apart.coverage_fraction), (CannotTell, Some(0.0)), "{}", apart.because);
    // What falls from one probe to the next crosses the limit on the line between them, and not at the reading that shows it.
    let mut cold = part("b", &[], &[(0.0, 30.5)]);
    cold.readings = vec![Point { at: at(31.0), value: 50.0 }, Point { at: at(32.0), value: 50.0 }];
    let judgement = judge(&own(THREE_DAYS), &history(vec![part("a", &[(0.0, 30.0)], &[(30.5, 32.0)]), cold]));
    assert_eq!((judgement.result, judgement.hours_counted), (NotMet, 30.5), "{}", judgement.because);
    // A probe that takes the place but not the depth leaves the zone unobserved.
    let deep = own(&format!("zones: [{{ position: core, depth_metres_max: 0.8 }}]\n{THREE_DAYS}"));
    let mut deeper = part("b", &[(31.0, 100.0)], &[(0.0, 30.5)]);
    deeper.depth = Some(Metres(1.2));
    let judgement = judge(&deep, &history(vec![part("a", &[(0.0, 30.0)], &[(30.5, 100.0)]), deeper]));
    assert_eq!(judgement.result, CannotTell, "{}", judgement.because);
    let want = "the probes in the zone core, at most 0.80 m deep have no reading that counts between";
    assert!(judgement.because.contains(want), "{}", judgement.because);
}

/// A foot is 0.3048 m, by whichever unit it was typed.
#[test]
fn twelve_inches_are_a_foot() {
    for inches in [6.0, 7.0, 9.5, 11.0, 12.0] {
        let facts = read_facts(&format!("cover_inches: {inches}\n"), "f.yaml", &Zone::named("UTC").unwrap()).unwrap();
        assert_eq!(facts.cover, Some(Metres((inches * 254.0) / 10_000.0)), "{inches} in");
    }
    let mut pile = history(vec![probe("upper", Position::Upper, series("60*80"))]);
    for (cover, want, why) in
        [(0.3048, Met, "12 in"), (0.3049, NotMet, "a tenth of a millimetre more"), (0.1524, Met, "6 in")]
    {
        pile.facts.cover = Some(Metres(cover));
        pile.probes[0].depth = Some(Metres(cover + 0.35));
        let judgement = judge(&criterion("ca-asp"), &pile);
        assert_eq!(judgement.result, want, "{why}: {}", judgement.because);
    }
}

/// A result that a correction made says what the probe sent, what was added, and by which check.
#[test]
fn a_correction_that_decides_is_told() {
    let with = |shorthand: &str, checks: Vec<Check>| {
        let mut history = core(shorthand);
        history.facts.checks = checks;
        judge(&own(THREE_DAYS), &history)
    };
    for (shorthand, checks, want, told, why) in [
        ("54.8*72", vec![check(-24.0, true, 0.3)], Met, Some((54.8, 0.3, 55.1, NotMet)), "raised over the limit"),
        ("55.2*72", vec![check(-24.0, true, -0.3)], NotMet, Some((55.2, -0.3, 54.9, Met)), "lowered under it"),
        ("60*72", vec![check(-24.0, true, 0.3)], Met, None, "it would have been met all the same"),
        ("54.2*72", vec![check(-24.0, true, 0.3)], NotMet, None, "and would not have been"),
        ("54.8*72", vec![check(-24.0, true, 0.0)], NotMet, None, "nothing is corrected"),
        ("54.7*1 60*72", vec![check(-24.0, true, 0.3)], Met, Some((54.7, 0.3, 55.0, Met)), "met an hour earlier"),
        ("60*72", vec![check(-24.0, false, 0.3)], CannotTell, None, "a probe that failed its check"),
    ] {
        let judgement = with(shorthand, checks);
        assert_eq!(judgement.result, want, "{why}: {}", judgement.because);
        let found = judgement.correction.map(|c| (c.stored.0, c.offset.0, c.corrected.0, c.without.0));
        let near = |a: (f64, f64, f64, Outcome), b: (f64, f64, f64, Outcome)| {
            (a.0 - b.0).abs() + (a.1 - b.1).abs() + (a.2 - b.2).abs() < 1e-9 && a.3 == b.3
        };
        assert!(found == told || found.zip(told).is_some_and(|(a, b)| near(a, b)), "{why}: {found:?}");
    }
    let judgement = with("54.8*72", vec![check(-24.0, true, 0.3)]);
    let want = ". A correction decides the result: probe core sent 54.8 °C at 2026-03-09 00:00 +00:00; with the +0.3 °C found in its check of \
        2026-03-08 00:00 +00:00 that is 55.1 °C. Without corrections: not met";
    assert!(judgement.because.ends_with(want), "{}", judgement.because);
}

/// Which of two values of one instant comes first in a file says nothing.
#[test]
fn of_two_values_of_one_instant_the_colder_is_held_against_the_floor_and_the_hotter_against_the_ceiling() {
    let band = "hold: { celsius_min: 55, celsius_max: 65, days: 3, counting: consecutive }";
    for (lines, other, want, why) in [
        (THREE_DAYS, 50.0, NotMet, "one of the two is too cold"),
        (THREE_DAYS, 70.0, Met, "both are warm enough"),
        (band, 70.0, NotMet, "one of the two is too hot"),
        (band, 61.0, Met, "both lie between"),
    ] {
        let mut pile = core("60*72");
        let at = pile.probes[0].readings[200].at;
        let mut results = Vec::new();
        for place in [200, 201] {
            let mut pile = pile.clone();
            pile.probes[0].readings.insert(place, Point { at, value: other });
            results.push(judge(&own(lines), &pile));
        }
        assert_eq!(results[0].result, want, "{why}: {}", results[0].because);
        assert_eq!(results[0], results[1], "{why}: the order decides nothing");
        let [two] = &results[0].two_values[..] else { panic!("{why}: {:?}", results[0].two_values) };
        assert_eq!((two.instants, two.first, two.coldest.0.min(two.hottest.0)), (1, at, other.min(60.0)), "{why}");
        assert!(
            results[0].because.contains(". Probe core has two values of one instant, 2026-03-10 09:20 +00:00: "),
            "{}",
            results[0].because
        );
        // The same value twice is one reading.
        pile.probes[0].readings.insert(200, Point { at, value: 60.0 });
        let judgement = judge(&own(lines), &pile);
        assert!(judgement.result == Met && judgement.two_values.is_empty(), "{}", judgement.because);
    }
    // So for a mean: that of the colder ones counts.
    let mean = own("hold: { celsius_above: 40, hours: 1 }\nmean_celsius_above: 45");
    for (value, want) in [(41.0, NotMet), (49.9, Met)] {
        let mut pile = core("46*1");
        let doubled: Vec<Point> = pile.probes[0].readings.iter().map(|p| Point { value, ..*p }).collect();
        pile.probes[0].readings.extend(doubled);
        let judgement = judge(&mean, &pile);
        assert_eq!(judgement.result, want, "{value}: {}", judgement.because);
    }
}
