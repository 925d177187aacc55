//! Does the judge count the time that exact arithmetic counts, and that of several probes as a naive sampling does?
//!
//! Must never take its own figures for the reference.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

#[allow(dead_code, missing_docs, unreachable_pub, reason = "shared by several tests, each uses a part")]
mod pile;

use std::collections::BTreeMap;
use std::path::Path;

use ::pile::time::{Span, Timestamp};
use ::pile::window::Point;
use pile::*;
use site::judge::judge;
use site::model::Position;

fn table(name: &str) -> Vec<BTreeMap<String, String>> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/reference").join(name);
    let text = std::fs::read_to_string(path).unwrap();
    let mut lines = text.lines();
    assert!(lines.next().unwrap().starts_with("# source: "));
    let heads: Vec<&str> = lines.next().unwrap().split(',').collect();
    lines.map(|line| heads.iter().map(ToString::to_string).zip(line.split(',').map(str::to_owned)).collect()).collect()
}

#[test]
fn hours_are_those_of_exact_arithmetic() {
    let mut series: BTreeMap<String, Vec<Point>> = BTreeMap::new();
    for row in table("time-above-series.csv") {
        let at = Timestamp::from_millis((row["t_s"].parse::<f64>().unwrap() * 1e3) as i64);
        let value = row["temp_c"].parse().unwrap();
        series.entry(row["series_id"].clone()).or_default().push(Point { at, value });
    }
    let mut compared = 0;
    // A window that cuts a stretch between two readings is no batch: a batch begins with its first reading.
    for row in table("time-above.csv").iter().filter(|row| row["window_kind"] != "inside") {
        let number = |key: &str| row[key].parse::<f64>().unwrap();
        let instant = |key: &str| Timestamp::from_millis((number(key) * 1e3) as i64);
        for (limit, counting, column) in [
            ("celsius_min", "consecutive", "longest_run_inclusive_s"),
            ("celsius_above", "consecutive", "longest_run_strict_s"),
            ("celsius_min", "cumulative", "at_or_above_s"),
            ("celsius_above", "cumulative", "above_strict_s"),
        ] {
            let criterion = own(&format!(
                "hold: {{ {limit}: {}, days: 700, counting: {counting} }}\ngap_minutes_max: {}",
                row["threshold_c"],
                number("max_gap_s") / 60.0
            ));
            let mut history = history(vec![probe("core", Position::Core, series[&row["series_id"]].clone())]);
            (history.from, history.until) = (instant("window_start_s"), instant("window_end_s"));
            let judgement = judge(&criterion, &history);
            let what = format!("{} {} at {} °C, {column}", row["series_id"], row["window_kind"], row["threshold_c"]);
            let counted = judgement.hours_counted * 3_600.0;
            assert!((counted - number(column)).abs() < 1e-6, "{what}: {counted} s, exact {}", number(column));
            let pieces: f64 = judgement.counted.iter().map(|(from, to)| to.since(*from).as_seconds()).sum();
            let rounded = 0.002 * (judgement.counted.len() + 1) as f64;
            assert!((pieces - counted).abs() <= rounded, "{what}: the pieces are {pieces} s of {counted} s");
            let coverage = judgement.coverage_fraction.unwrap_or(0.0);
            let exact = row["coverage_fraction"].parse().unwrap_or(0.0);
            assert!((coverage - exact).abs() < 1e-12, "{what}: covered {coverage}, exact {exact}");
            compared += 2;
        }
    }
    assert!(compared >= 240, "only {compared} values were compared");
}

/// Three probes that wander about the limits, with gaps; every second is looked at by itself.
#[test]
fn several_probes_agree_with_a_look_at_every_second() {
    let mut state = 11_u64;
    let mut chance = move || {
        state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let x = (state ^ (state >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let x = (x ^ (x >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((x ^ (x >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    };
    let lines = "hold: { celsius_min: 55, celsius_max: 65, days: 700, counting: cumulative }\ngap_minutes_max: 30";
    let criterion = own(lines);
    let hours = 30;
    for round in 0..12 {
        let mut wander = || -> Vec<Point> {
            let (mut points, mut second, mut value) = (Vec::new(), 0, 60.0);
            while second <= hours * 3_600 {
                points.push(Point { at: START + Span::seconds(second), value });
                // It drifts back to the middle, so that every round has hot hours.
                value += 6.0 * (chance() - 0.5) + 0.1 * (60.0 - value);
                second += if chance() < 0.05 { 5_400 } else { 600 };
            }
            points
        };
        let probes = [wander(), wander(), wander()];
        let mut history = history(vec![
            probe("base", Position::Base, probes[0].clone()),
            probe("core", Position::Core, probes[1].clone()),
            probe("upper", Position::Upper, probes[2].clone()),
        ]);
        history.until = START + Span::hours(hours);
        let value = |points: &[Point], at: Timestamp| -> Option<f64> {
            let next = points.partition_point(|p| p.at <= at);
            let (a, b) = (points.get(next.checked_sub(1)?)?, points.get(next)?);
            let (since, whole) = (at.since(a.at).as_seconds(), b.at.since(a.at).as_seconds());
            (whole <= 1_800.0).then(|| a.value + (b.value - a.value) * since / whole)
        };
        let good = |at: Timestamp| probes.iter().all(|p| value(p, at).is_some_and(|v| (55.0..=65.0).contains(&v)));
        let seconds = (0..hours * 3_600).filter(|s| good(START + Span::millis(s * 1_000 + 500))).count() as f64;
        let counted = judge(&criterion, &history).hours_counted * 3_600.0;
        // Each crossing may be off by half a second.
        assert!((counted - seconds).abs() < 60.0, "round {round}: {counted} s, by the second {seconds} s");
        assert!(seconds > 600.0, "round {round} has almost no hot time and tests nothing");
    }
}
