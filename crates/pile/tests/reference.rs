//! Holds the science against tables that other libraries made: scipy, exact rational arithmetic, psychrolib, IAPWS-IF97.
//!
//! Must never widen a tolerance without saying what limits the agreement.

#![allow(clippy::unwrap_used)]

use std::collections::BTreeMap;

use pile::above::{Above, Run, account};
use pile::humid_air::{enthalpy, humidity_ratio_saturated, saturation_pressure, volume};
use pile::slope::theil_sen;
use pile::time::{Span, Timestamp};
use pile::units::{Celsius, Pascals};
use pile::window::Point;

/// A row of a reference table by its column headings.
struct Row(BTreeMap<String, String>);

impl Row {
    fn text(&self, column: &str) -> &str {
        self.0.get(column).unwrap_or_else(|| panic!("no column {column}"))
    }
    fn number(&self, column: &str) -> f64 {
        self.text(column).parse().unwrap_or_else(|_| panic!("{column}: {} is no number", self.text(column)))
    }
    /// An empty cell is undefined.
    fn optional(&self, column: &str) -> Option<f64> {
        (!self.text(column).is_empty()).then(|| self.number(column))
    }
    fn instant(&self, column: &str) -> Timestamp {
        Timestamp::from_millis((self.number(column) * 1e3).round() as i64)
    }
}

fn table(name: &str) -> Vec<Row> {
    let path = format!("{}/../../tests/reference/{name}", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{path}: {e}"));
    let mut lines = text.lines();
    assert!(lines.next().unwrap().starts_with("# source: "), "{path}: the first line names the source");
    let heads: Vec<&str> = lines.next().unwrap().split(',').collect();
    let rows: Vec<Row> = lines
        .map(|line| {
            let cells: Vec<&str> = line.split(',').collect();
            assert_eq!(cells.len(), heads.len(), "{path}: {line}");
            Row(heads.iter().zip(cells).map(|(h, c)| ((*h).to_owned(), c.to_owned())).collect())
        })
        .collect();
    assert!(!rows.is_empty(), "{path} has no row");
    rows
}

fn series(name: &str) -> BTreeMap<String, Vec<Point>> {
    let mut series: BTreeMap<String, Vec<Point>> = BTreeMap::new();
    for row in table(name) {
        let point = Point { at: row.instant("t_s"), value: row.number("temp_c") };
        series.entry(row.text("series_id").to_owned()).or_default().push(point);
    }
    series
}

/// Equal to `tolerance` of the larger of the wanted value and one.
#[track_caller]
fn assert_close(got: f64, want: f64, tolerance: f64, what: &str) {
    assert!((got - want).abs() <= tolerance * want.abs().max(1.0), "{what}: {got}, table {want}");
}

#[test]
fn slopes_are_those_of_scipy() {
    let series = series("robust-slope-series.csv");
    for row in table("robust-slope.csv") {
        let id = row.text("series_id");
        let points = &series[id];
        let slope = theil_sen(points).unwrap();
        assert_eq!(slope.n, row.number("n") as usize, "{id}");
        // scipy divides the seconds by 86400 first, which costs it about 1e-13 over the shortest stretches.
        assert_close(slope.per_day, row.number("theil_sen_per_day"), 1e-11, &format!("{id} slope"));
        assert_close(slope.low95, row.number("low95_per_day"), 1e-11, &format!("{id} lower bound"));
        assert_close(slope.high95, row.number("high95_per_day"), 1e-11, &format!("{id} upper bound"));
        let first_day = points[0].at.as_millis() as f64 / 86_400_000.0;
        let at_zero = slope.intercept_at_first - slope.per_day * first_day;
        assert_close(at_zero, row.number("intercept_at_t0"), 1e-11, &format!("{id} intercept"));
    }
}

#[test]
fn time_above_is_that_of_exact_arithmetic() {
    let series = series("time-above-series.csv");
    let run = |row: &Row, kind: &str| {
        row.optional(&format!("longest_run_{kind}_start_s")).map(|start| Run {
            from: Timestamp::from_millis((start * 1e3).round() as i64),
            length: Span::from_seconds_f64(row.number(&format!("longest_run_{kind}_s"))),
        })
    };
    let mut whole_series = 0;
    for row in table("time-above.csv") {
        let points = &series[row.text("series_id")];
        let (from, to) = (row.instant("window_start_s"), row.instant("window_end_s"));
        let (threshold, max_gap) =
            (Celsius(row.number("threshold_c")), Span::from_seconds_f64(row.number("max_gap_s")));
        let what = format!("{} {}, {threshold:?}, {max_gap} bridged", row.text("series_id"), row.text("window_kind"));

        let got = account(points, from, to, threshold, max_gap);
        // Whole milliseconds add up exactly; crossings and means carry the rounding of a few hundred sums.
        assert_eq!(got.covered_s, row.number("covered_s"), "{what}: covered");
        assert_close(got.above_strict_s, row.number("above_strict_s"), 1e-12, &what);
        assert_close(got.at_or_above_s, row.number("at_or_above_s"), 1e-12, &what);
        for (got, column) in [(got.coverage, "coverage_fraction"), (got.mean, "time_weighted_mean_c")] {
            let want = row.optional(column);
            assert_eq!(got.is_some(), want.is_some(), "{what}: {column}");
            if let (Some(got), Some(want)) = (got, want) {
                assert_close(got, want, 1e-13, &format!("{what}: {column}"));
            }
        }
        assert_eq!(got.longest_strict, run(&row, "strict"), "{what}: longest strict run");
        assert_eq!(got.longest_inclusive, run(&row, "inclusive"), "{what}: longest inclusive run");

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
}

#[test]
fn saturated_air_is_that_of_psychrolib_and_near_iapws() {
    for row in table("saturation.csv") {
        let t = Celsius(row.number("t_c"));
        let what = |part: &str| format!("{part} at {} °C", t.0);
        let got = saturation_pressure(t).unwrap().0;
        // The same equations, so only the order of the operations differs.
        assert_close(got / row.number("psat_psychrolib_pa"), 1.0, 1e-12, &what("psat"));
        assert_close(got / row.number("psat_iapws_if97_pa"), 1.0, 1.9e-4, &what("psat against IF97"));
        for pascals in ["101325", "84000"] {
            let p = Pascals(pascals.parse().unwrap());
            let w = humidity_ratio_saturated(t, p).unwrap();
            let want = |quantity: &str, unit: &str| row.number(&format!("{quantity}_sat_{pascals}_{unit}"));
            assert_close(w / want("w", "kg_per_kgda"), 1.0, 1e-11, &what("w"));
            assert_close(enthalpy(t, w) / want("h", "j_per_kgda"), 1.0, 1e-11, &what("h"));
            assert_close(volume(t, w, p) / want("v", "m3_per_kgda"), 1.0, 1e-11, &what("v"));
        }
    }
}

#[test]
fn humid_air_is_that_of_psychrolib() {
    for row in table("humid-air.csv") {
        let (t, p, w) = (Celsius(row.number("t_c")), Pascals(row.number("p_pa")), row.number("w_kg_per_kgda"));
        let what = |part: &str| format!("case {}, {part}", row.text("case"));
        let vapour = row.number("rh_frac") * saturation_pressure(t).unwrap().0;
        assert_close(vapour / row.number("pw_pa"), 1.0, 1e-12, &what("vapour pressure"));

        let h = enthalpy(t, w);
        assert_close(h, row.number("h_j_per_kgda"), 1e-9, &what("h"));
        assert_close(volume(t, w, p), row.number("v_m3_per_kgda"), 1e-12, &what("v"));
    }
}
