//! The shipped rules on piles of another make than the simulation they were tuned on: what they tell of healthy seasons and of faults.
//!
//! Must never be loosened to fit a rule: a bound says what an operator can live with.

#![allow(clippy::unwrap_used, reason = "tests")]

mod piles;
mod site;
#[path = "../yard/mod.rs"]
mod yard;

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicUsize, Ordering};

use piles::{Event, MAKES, Make};
use rulebook::RuleText;
use site::{Plan, Season, watch};
use yard::shipped as rules;

/// Lives all plans on all cores, in their order; of faults only the rules that could tell them.
fn all(plans: Vec<Plan>) -> Vec<Season> {
    let mut texts: Vec<RuleText> = rules();
    if plans.iter().all(|plan| matches!(plan.event, Event::HealthyHot | Event::Smoulders { .. })) {
        texts.retain(|rule| FIRE.contains(&rule.name.as_str()));
    } else if plans.iter().all(|plan| plan.event != Event::Healthy) {
        texts.retain(|rule| COOLING.contains(&rule.name.as_str()) || rule.name == "left-open");
    }
    let next = AtomicUsize::new(0);
    let threads = std::thread::available_parallelism().map_or(2, usize::from);
    let mut done: Vec<(usize, Season)> = std::thread::scope(|scope| {
        let work = || {
            let mut mine = vec![];
            loop {
                let i = next.fetch_add(1, Ordering::Relaxed);
                let Some(plan) = plans.get(i) else { return mine };
                mine.push((i, watch(*plan, &texts)));
            }
        };
        let workers: Vec<_> = (0..threads).map(|_| scope.spawn(work)).collect();
        workers.into_iter().flat_map(|w| w.join().unwrap()).collect()
    });
    done.sort_by_key(|(i, _)| *i);
    done.into_iter().map(|(_, season)| season).collect()
}

/// Rules that say that a pile is too hot.
const FIRE: [&str; 4] = ["fire-signs", "fire-danger", "too-hot", "running-hot"];

/// Rules that say why a pile cools, or that it lacks water.
const COOLING: [&str; 10] = [
    "temperature-crash",
    "slow-cooling",
    "dry-pile",
    "waterlogged",
    "cooled-too-early",
    "hold-at-risk",
    "hot-hold",
    "cold-zone",
    "watering-no-response",
    "ready-to-leave-air",
];

fn names_water(told: &site::Told) -> bool {
    let lacks = |text: &str| text.contains("lack of water") || text.contains("is dry");
    told.rule == "dry-pile"
        || lacks(&told.finding) && !told.finding.contains("cannot tell")
        || told.evidence.iter().any(|line| line.starts_with("Likely cause 1: lack of water"))
}

fn healthy(seeds: std::ops::Range<u64>) -> Vec<Plan> {
    let plan =
        |(seed, make)| Plan { silences: true, oxygen: seed % 3 == 0, ..Plan::of(make, Event::Healthy, seed, 42.0) };
    pairs(seeds).map(plan).collect()
}

fn hot(seeds: std::ops::Range<u64>) -> Vec<Season> {
    let plan =
        |(seed, make)| Plan { silences: true, oxygen: seed % 3 == 0, ..Plan::of(make, Event::HealthyHot, seed, 42.0) };
    all(pairs(seeds).map(plan).collect())
}

fn smoulders(day: f64, seeds: std::ops::Range<u64>) -> Vec<Season> {
    all(pairs(seeds).map(|(seed, make)| Plan::of(make, Event::Smoulders { day }, seed, day + 5.0)).collect())
}

/// The true heat of the hottest layer over the first days, and at what a raise came.
fn show_smoulders(day: f64, seasons: &[Season]) {
    for season in seasons {
        let signs = season.raised("fire-signs", 0.0, day + 5.0);
        let danger = season.raised("fire-danger", 0.0, day + 5.0);
        let (before, at) = (season.hottest(day), signs.map_or(f64::NAN, |t| season.hottest(t.day)));
        let hours = |t: Option<&site::Told>| t.map_or(f64::NAN, |t| (t.day - day) * 24.0);
        println!(
            "smoulders from day {day}, {:?} {}: at {before:.1} °C; signs after {:.1} h at {at:.1} °C, danger after {:.1} h",
            season.plan.make,
            season.plan.seed,
            hours(signs),
            hours(danger)
        );
        for told in season.raises().filter(|t| t.rule == "fire-signs" && t.day < day) {
            println!("    day {:.2}: {} {:?}", told.day, told.finding, told.evidence);
        }
    }
}

fn pairs(seeds: std::ops::Range<u64>) -> impl Iterator<Item = (u64, Make)> {
    seeds.flat_map(|seed| MAKES.iter().map(move |make| (seed, *make)))
}

fn months(seasons: &[Season]) -> f64 {
    seasons.iter().map(|s| s.plan.days / 30.0).sum()
}

fn counted<'s>(words: impl Iterator<Item = &'s str>) -> BTreeMap<String, usize> {
    words.fold(BTreeMap::new(), |mut all, word| {
        *all.entry(word.to_owned()).or_default() += 1;
        all
    })
}

fn show_healthy(seasons: &[Season]) {
    let months = months(seasons);
    println!("healthy: {} seasons, {months:.0} bin-months; a bin-month: raised, mails of its own", seasons.len());
    let raised = counted(seasons.iter().flat_map(Season::raises).map(|t| t.rule.as_str()));
    let mailed = counted(seasons.iter().flat_map(|s| s.mails.iter().map(String::as_str)));
    for (rule, n) in &raised {
        let mails = mailed.get(rule).copied().unwrap_or(0);
        println!("    {rule:<22} {:.2}  {:.2}", *n as f64 / months, mails as f64 / months);
        let examples =
            seasons.iter().flat_map(|s| s.raises().map(move |t| (s.plan, t))).filter(|(_, t)| t.rule == *rule);
        for (plan, told) in examples.take(3) {
            println!("        {:?} {} day {:.1}: {}", plan.make, plan.seed, told.day, told.finding);
        }
    }
}

fn dry(day: f64, seeds: std::ops::Range<u64>) -> Vec<Season> {
    let plans = pairs(seeds).map(|(seed, make)| Plan::of(make, Event::Dries { day }, seed, day + 5.0)).collect();
    all(plans)
}

fn show_dry(day: f64, seasons: &[Season]) {
    let (mut called, mut onsets, mut first, mut delays, mut other) = (0, 0, 0, vec![], 0);
    for season in seasons {
        let Some(onset) = season.onset() else { continue };
        onsets += 1;
        if let Some(told) = season.raised("temperature-crash", onset - 1.0, onset + 1.5) {
            called += 1;
            delays.push((told.day - onset) * 24.0);
            first += usize::from(names_water(told));
        } else {
            other += usize::from(season.raised("dry-pile", onset - 3.0, onset + 1.5).is_some());
        }
    }
    delays.sort_by(f64::total_cmp);
    let median = delays.get(delays.len() / 2).copied().unwrap_or(f64::NAN);
    let most = delays.last().copied().unwrap_or(f64::NAN);
    println!(
        "dry from day {day}: {onsets} onsets, {called} called a crash (water first in {first}), {other} told by dry-pile alone; hours after: median {median:.1}, most {most:.1}"
    );
}

fn show_told(what: &str, seasons: &[Season], from: f64, to: f64) {
    let within = |s: &Season| -> Vec<String> {
        let mut rules: Vec<String> =
            s.raises().filter(|t| (from..=to).contains(&t.day)).map(|t| t.rule.clone()).collect();
        rules.sort();
        rules.dedup();
        rules
    };
    let told: Vec<Vec<String>> = seasons.iter().map(within).collect();
    let silent =
        told.iter().filter(|rules| !rules.iter().any(|r| COOLING.contains(&r.as_str()) || r == "left-open")).count();
    let water = seasons.iter().filter(|s| s.raises().any(|t| (from..=to).contains(&t.day) && names_water(t))).count();
    println!("{what}: {} seasons; {silent} without a word, {water} called lack of water", seasons.len());
    for (rule, n) in counted(told.iter().flatten().map(String::as_str)) {
        println!("    {rule:<22} {n}");
    }
}

fn doors(written: bool, seeds: std::ops::Range<u64>) -> Vec<Season> {
    let door = Event::Door { day: 9.3, hours: 24.0 };
    all(pairs(seeds).map(|(seed, make)| Plan { written, ..Plan::of(make, door, seed, 13.0) }).collect())
}

fn soaked(flow: bool, oxygen: bool, seeds: std::ops::Range<u64>) -> Vec<Season> {
    let plan = |(seed, make)| Plan { flow, oxygen, ..Plan::of(make, Event::Soaked { day: 9.0 }, seed, 24.0) };
    all(pairs(seeds).map(plan).collect())
}

fn slides(event: Event, seeds: std::ops::Range<u64>) -> Vec<Season> {
    all(pairs(seeds).map(|(seed, make)| Plan::of(make, event, seed, 42.0)).collect())
}

fn stood(seeds: std::ops::Range<u64>) -> Vec<Season> {
    all(pairs(seeds)
        .map(|(seed, make)| Plan { stood_hours: 10, ..Plan::of(make, Event::Healthy, seed, 1.0) })
        .collect())
}

fn fire_table(seeds: u64) {
    let seasons = hot(0..seeds);
    let hottest = seasons.iter().map(|s| (0..42).map(|d| s.hottest(f64::from(d))).fold(0.0, f64::max));
    println!("hot, as hot as {:?}", hottest.map(|t| t.round() as i64).collect::<Vec<_>>());
    show_healthy(&seasons);
    for told in seasons.iter().flat_map(|s| s.raises().filter(|t| t.rule == "fire-signs")) {
        println!("    day {:.2}: {} {:?}", told.day, told.finding, told.evidence);
    }
    for day in [1.6, 9.0, 25.0] {
        show_smoulders(day, &smoulders(day, 0..seeds));
    }
}

/// The whole table, on so many seeds of each make.
fn table(seeds: u64) {
    let seasons = all(healthy(0..seeds));
    show_healthy(&seasons);
    let ended = seasons.iter().filter(|s| s.raised("temperature-crash", 0.0, 42.0).is_some()).count();
    println!("    of these with a crash called: {ended}");
    fire_table(seeds);
    for day in [8.0, 15.0, 22.0, 30.0, 35.0] {
        show_dry(day, &dry(day, 0..seeds));
    }
    show_told("door, not written", &doors(false, 0..seeds), 9.3, 12.0);
    show_told("door, written", &doors(true, 0..seeds), 9.3, 12.0);
    show_told("soaked", &soaked(false, false, 0..seeds), 9.5, 23.0);
    show_told("soaked, flow measured", &soaked(true, false, 0..seeds / 2), 9.5, 23.0);
    show_told("soaked, oxygen measured", &soaked(false, true, 0..seeds / 2), 9.5, 23.0);
    show_told("slides in weeks four to six, dry", &slides(Event::SlidesDry, 0..seeds / 2), 21.0, 42.0);
    show_told("slides in weeks four to six, food used up", &slides(Event::SlidesFed, 0..seeds / 2), 21.0, 42.0);
    let early = stood(0..seeds.min(3));
    let told =
        early.iter().filter(|s| s.raised("blower-silent", -1.0, 1.0).or(s.raised("no-air", -1.0, 1.0)).is_some());
    println!("blower stood before on-air: {} seasons, told {}", early.len(), told.count());
}

#[test]
#[ignore = "a minute: only the false alarms of healthy seasons"]
fn the_table_of_health() {
    show_healthy(&all(healthy(0..3)));
}

#[test]
#[ignore = "for whoever tunes fire-signs"]
fn the_table_of_fire() {
    fire_table(4);
}

#[test]
#[ignore = "minutes: the table for whoever tunes a rule"]
fn the_table() {
    table(3);
}

fn shown(seasons: &[Season]) -> String {
    let line = |s: &Season| {
        let told: Vec<String> =
            s.raises().map(|t| format!("\n    day {:.2} {}: {}", t.day, t.rule, t.finding)).collect();
        format!("{:?}{}", s.plan, told.concat())
    };
    seasons.iter().map(line).collect::<Vec<_>>().join("\n")
}

#[test]
fn a_healthy_season_is_left_in_peace() {
    let seasons = all(healthy(1..2));
    for rule in ["temperature-crash", "left-open", "waterlogged", "dry-pile", "blower-silent", "no-air"] {
        assert!(seasons.iter().all(|s| s.raised(rule, 0.0, 42.0).is_none()), "{rule}\n{}", shown(&seasons));
    }
    let mails = seasons.iter().flat_map(|s| &s.mails).filter(|rule| *rule == "probe-silent").count();
    // A raise and its end, of the rare silence that lasts: 0.2 in a bin-month, with the luck of three seasons.
    assert!(mails as f64 <= 2.0 * 0.4 * months(&seasons), "{mails} mails of silent probes\n{}", shown(&seasons));
}

#[test]
fn a_healthy_hot_season_gives_no_sign_of_fire() {
    let seasons = hot(1..3);
    let hot = seasons.iter().filter(|s| (0..42).any(|day| s.hottest(f64::from(day)) >= 72.0)).count();
    assert!(2 * hot > seasons.len(), "{hot} of {} were hot", seasons.len());
    for rule in ["fire-signs", "fire-danger"] {
        assert!(seasons.iter().all(|s| s.raised(rule, 0.0, 42.0).is_none()), "{rule}\n{}", shown(&seasons));
    }
}

#[test]
fn a_smoulder_gives_signs_before_there_is_danger() {
    for day in [1.6, 9.0, 25.0] {
        let seasons = smoulders(day, 1..2);
        for season in &seasons {
            let danger = season.raised("fire-danger", day, day + 5.0).unwrap_or_else(|| panic!("{}", shown(&seasons)));
            let signs = season.raised("fire-signs", 0.0, danger.day);
            assert!(signs.is_some_and(|signs| signs.day > day), "from day {day}\n{}", shown(&seasons));
        }
    }
}

#[test]
fn age_never_silences_a_crash() {
    for day in [22.0, 35.0] {
        let seasons = dry(day, 1..2);
        for season in &seasons {
            let onset = season.onset().unwrap();
            let told = season.raised("temperature-crash", onset - 1.0, onset + 1.0);
            assert!(
                told.is_some_and(names_water),
                "dry from day {day}, falls from day {onset:.1}\n{}",
                shown(&seasons)
            );
        }
    }
}

#[test]
fn an_open_door_is_never_called_lack_of_water() {
    for written in [false, true] {
        let seasons = doors(written, 1..3);
        for season in &seasons {
            let wrong = season.raises().find(|t| t.day >= 9.3 && (names_water(t) || t.rule == "temperature-crash"));
            assert!(wrong.is_none(), "written: {written}\n{}", shown(&seasons));
        }
        let told = seasons.iter().filter(|s| s.raised("left-open", 9.3, 10.4).is_some()).count();
        assert!(2 * told > seasons.len(), "written: {written}, told as opened: {told}\n{}", shown(&seasons));
    }
}

#[test]
fn a_drowned_bin_is_told_without_a_flow_meter() {
    let seasons = soaked(false, false, 1..2);
    for season in &seasons {
        let told = season.raised("waterlogged", 9.5, 18.0);
        assert!(told.is_some(), "{}", shown(&seasons));
    }
}

#[test]
fn a_slide_in_weeks_four_to_six_is_told() {
    for event in [Event::SlidesDry, Event::SlidesFed] {
        let seasons = slides(event, 1..2);
        for season in &seasons {
            let told = season.raises().any(|t| t.day >= 21.0 && COOLING.contains(&t.rule.as_str()));
            assert!(told, "{}", shown(&seasons));
        }
    }
}

#[test]
fn a_blower_that_stood_before_on_air_has_missed_nothing() {
    let seasons = stood(1..2);
    for rule in ["blower-silent", "no-air"] {
        assert!(seasons.iter().all(|s| s.raised(rule, -1.0, 1.0).is_none()), "{rule}\n{}", shown(&seasons));
    }
}
