//! Holds what is said of readings against tables that other libraries made: scipy, numpy, exact rational arithmetic.
//!
//! Must never widen a tolerance without saying what limits the agreement.

#![allow(clippy::unwrap_used)]

mod table;

use std::collections::BTreeMap;

use pile::above::{Above, Run, account, level};
use pile::lethality::{Hold, Regime, over_holds, over_series, required_time, time_by_equation};
use pile::series::Series;
use pile::slope::theil_sen;
use pile::statistics::{Between, ewma, ewma_over_time, mad, mad_normal, mean, median, percentile, standard_deviation};
use pile::time::{Span, Timestamp};
use pile::units::{Celsius, Days, Fraction, Percent};
use pile::window::Point;
use table::{Agreement, Row, table};

fn series(name: &str, value: &str) -> BTreeMap<String, Vec<Point>> {
    let mut series: BTreeMap<String, Vec<Point>> = BTreeMap::new();
    for row in table(name) {
        let point = Point { at: row.instant("t_s"), value: row.number(value) };
        series.entry(row.text("series_id").to_owned()).or_default().push(point);
    }
    series
}

#[test]
fn slopes_are_those_of_scipy() {
    let series = series("robust-slope-series.csv", "temp_c");
    let mut agreement = Agreement::with("robust-slope.csv");
    for row in table("robust-slope.csv") {
        let id = row.text("series_id");
        let points = &series[id];
        let slope = theil_sen(points).unwrap();
        assert_eq!(slope.n, row.number("n") as usize, "{id}");
        let first_day = points[0].at.as_millis() as f64 / 86_400_000.0;
        let at_zero = slope.intercept_at_first - slope.per_day * first_day;
        for (got, column) in [
            (slope.per_day, "theil_sen_per_day"),
            (slope.low95, "low95_per_day"),
            (slope.high95, "high95_per_day"),
            (at_zero, "intercept_at_t0"),
        ] {
            agreement.note(got, row.number(column), &format!("{id} {column}"));
        }
    }
    // The last digit: scipy divides the seconds by 86400 first, here the difference is multiplied.
    agreement.hold(24, 1e-15);
}

#[test]
fn time_above_is_that_of_exact_arithmetic() {
    let series = series("time-above-series.csv", "temp_c");
    let run = |row: &Row, kind: &str| {
        row.optional(&format!("longest_run_{kind}_start_s")).map(|start| Run {
            from: Timestamp::from_millis((start * 1e3).round() as i64),
            length: Span::from_seconds_f64(row.number(&format!("longest_run_{kind}_s"))),
        })
    };
    let (mut whole_series, mut runs) = (0, 0);
    let mut agreement = Agreement::with("time-above.csv");
    for row in table("time-above.csv") {
        let points = &series[row.text("series_id")];
        let (from, to) = (row.instant("window_start_s"), row.instant("window_end_s"));
        let (threshold, max_gap) =
            (Celsius(row.number("threshold_c")), Span::from_seconds_f64(row.number("max_gap_s")));
        let what = format!("{} {}, {threshold:?}, {max_gap} bridged", row.text("series_id"), row.text("window_kind"));

        let got = account(points, from, to, threshold, max_gap);
        // Whole milliseconds add up exactly; crossings and means carry the rounding of a few hundred sums.
        assert_eq!(got.covered_s, row.number("covered_s"), "{what}: covered");
        agreement.note(got.above_strict_s, row.number("above_strict_s"), &what);
        agreement.note(got.at_or_above_s, row.number("at_or_above_s"), &what);
        for (got, column) in [(got.coverage, "coverage_fraction"), (got.mean, "time_weighted_mean_c")] {
            let want = row.optional(column);
            assert_eq!(got.is_some(), want.is_some(), "{what}: {column}");
            if let (Some(got), Some(want)) = (got, want) {
                agreement.note(got, want, &format!("{what}: {column}"));
            }
        }
        assert_eq!(got.longest_strict, run(&row, "strict"), "{what}: longest strict run");
        assert_eq!(got.longest_inclusive, run(&row, "inclusive"), "{what}: longest inclusive run");
        runs += 2;

        let level = level(points, from, to, max_gap);
        assert_eq!(level.covered_s, got.covered_s, "{what}: covered, level");
        assert_eq!(level.mean.map(|m| m.0), got.mean, "{what}: mean, level");

        if row.text("window_kind") == "series" {
            whole_series += 1;
            let above = Above::from_history(threshold, max_gap, from, points);
            assert_eq!(above.covered(), Span::from_seconds_f64(row.number("covered_s")), "{what}: covered");
            assert_eq!(above.at_or_above(), Span::from_seconds_f64(row.number("at_or_above_s")), "{what}: running");
            assert_eq!(above.coverage(to), got.coverage, "{what}: running");
            assert_eq!(above.longest_run(), run(&row, "inclusive"), "{what}: running");
        }
    }
    assert!(whole_series > 0, "no row covers a whole series");
    assert_eq!(runs, 112, "longest runs, to the millisecond with their starts");
    agreement.hold(220, 2e-15);
}

#[test]
fn statistics_are_those_of_numpy_and_scipy() {
    let series = series("stats-series.csv", "value");
    let mut agreement = Agreement::with("stats.csv");
    for row in table("stats.csv") {
        let id = row.text("series_id");
        let points = &series[id];
        let values: Vec<f64> = points.iter().map(|p| p.value).collect();
        let percent = |between| percentile(&values, Percent(row.number("param")), between);
        let got = match row.text("stat") {
            "mean" => mean(&values),
            "median" => median(&values),
            "std_sample" => standard_deviation(&values),
            "percentile_linear" => percent(Between::Line),
            "percentile_nearest_rank" => percent(Between::NearestRank),
            "mad_raw" => mad(&values),
            "mad_normal" => mad_normal(&values),
            "ewma_last_fixed_alpha" => ewma(&values, Fraction(row.number("param"))),
            "ewma_last_time_decay_tau_s" => ewma_over_time(points, Span::from_seconds_f64(row.number("param"))),
            other => panic!("{other} is not compared"),
        };
        let what = format!("{id} {} {}", row.text("stat"), row.text("param"));
        agreement.note(got.unwrap(), row.number("value"), &what);
    }
    // Sums and products in another order.
    agreement.hold(91, 3e-16);
}

#[test]
fn required_times_are_those_of_long_arithmetic() {
    let mut agreement = Agreement::with("pathogen-required-time.csv");
    for row in table("pathogen-required-time.csv") {
        let t = Celsius(row.number("t_c"));
        let Days(plain) = time_by_equation(t, Regime::Solids).unwrap();
        let Days(floored) = required_time(t, Regime::Solids).unwrap();
        for (got, kind) in [(plain, "d"), (floored, "d_floor20min")] {
            for (unit, per_day) in [("days", 1.0), ("hours", 24.0), ("minutes", 1440.0)] {
                let want = row.number(&format!("{kind}_{unit}"));
                // Relative also below one: short times have as many digits.
                agreement.note(got * per_day / want, 1.0, &format!("{kind}_{unit} at {} °C", t.0));
            }
        }
    }
    // A power of ten whose exponent, up to 11.2, is rounded.
    agreement.hold(78, 5e-15);
}

#[test]
fn equations_are_those_of_the_rule_to_the_digits_printed() {
    let mut values = 0;
    let mut check = |got: f64, row: &Row, column: &str, digits: i32| {
        let want = row.number(column);
        let last_digit = 10f64.powi(want.log10().floor() as i32 + 1 - digits);
        let apart = (got - want).abs() / last_digit;
        assert!(apart <= 0.5 + 1e-9, "{column} at {} °C: {got}, table {want}", row.text("t_C"));
        values += 1;
    };
    for row in table("d-equation-vectors.csv") {
        let t = Celsius(row.number("t_C"));
        let days = |regime| time_by_equation(t, regime).unwrap().0;
        let minutes = |regime| required_time(t, regime).unwrap().0 * 1440.0;
        check(days(Regime::Solids), &row, "D_days_131.7e6", 6);
        check(days(Regime::Solids) * 24.0, &row, "D_hours_131.7e6", 5);
        check(minutes(Regime::Solids), &row, "regimeA_minutes_with_20min_floor", 5);
        check(days(Regime::Liquid), &row, "D_days_50.07e6", 6);
        check(minutes(Regime::Liquid), &row, "regimeD_minutes_with_30min_floor", 5);
        // B and C share the equation of A and differ in floor and reach alone.
        assert_eq!(days(Regime::SmallParticles), days(Regime::Solids));
        assert_eq!(days(Regime::LiquidBriefly), days(Regime::Solids));
    }
    assert_eq!(values, 60);
}

#[test]
fn exposures_are_those_of_long_arithmetic() {
    let mut profiles: BTreeMap<String, Vec<(f64, f64)>> = BTreeMap::new();
    for row in table("pathogen-lethality-profiles.csv") {
        let step = (row.number("duration_s_or_t_s"), row.number("temp_c"));
        profiles.entry(row.text("case_id").to_owned()).or_default().push(step);
    }
    let mut agreement = Agreement::with("pathogen-lethality.csv");
    for row in table("pathogen-lethality.csv") {
        let id = row.text("case_id");
        let steps = &profiles[id];
        let total = Span::from_seconds_f64(row.number("total_s"));
        let got = if row.text("kind") == "hold" {
            let hold = |(s, t): &(f64, f64)| Hold { length: Span::from_seconds_f64(*s), celsius: Celsius(*t) };
            over_holds(&steps.iter().map(hold).collect::<Vec<_>>())
        } else {
            let point = |(s, t): &(f64, f64)| Point { at: Timestamp::from_millis((s * 1e3) as i64), value: *t };
            let series = Series::new(steps.iter().map(point).collect()).unwrap();
            over_series(&series, series.first_at(), series.last_at(), total)
        }
        .unwrap();
        for (got, column) in [
            (got.covered_s, "total_s"),
            (got.at_or_above_50_s, "time_at_or_above_50_s"),
            (got.fraction, "fraction"),
            (got.fraction_with_floor, "fraction_floor20min"),
        ] {
            let want = row.number(column);
            agreement.note(got / want, 1.0, &format!("{id} {column}"));
        }
        assert_eq!(got.fraction >= 1.0, row.text("fraction_ge_1") == "1", "{id}: reached");
        assert_eq!(got.fraction_with_floor >= 1.0, row.text("fraction_floor20min_ge_1") == "1", "{id}: reached, floor");
    }
    // A power of ten whose exponent is rounded.
    agreement.hold(40, 5e-15);
}
