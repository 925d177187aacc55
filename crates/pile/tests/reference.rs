//! Holds the science against tables that other libraries made: scipy, exact rational arithmetic, psychrolib, IAPWS-IF97.
//!
//! Must never widen a tolerance without saying what limits the agreement.

#![allow(clippy::unwrap_used)]

use std::collections::BTreeMap;
use std::fmt;

use pile::above::{Above, Run, account};
use pile::exhaust::{carried, condensate};
use pile::humid_air::{HumidAir, saturation_pressure};
use pile::slope::theil_sen;
use pile::time::{Span, Timestamp};
use pile::units::{Celsius, CubicMetresPerHour, Fraction, Pascals};
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

/// The largest disagreement of each quantity with its column; `cargo test -- --nocapture` prints it.
#[derive(Default)]
struct Worst(BTreeMap<String, (f64, usize)>);

impl Worst {
    #[track_caller]
    fn absolute(&mut self, quantity: &str, got: f64, want: f64, tolerance: f64, row: &str) {
        self.record(quantity, (got - want).abs(), tolerance, &format!("{row}: {got}, table {want}"));
    }
    /// Relative to the wanted value, which is zero only where the got one is.
    #[track_caller]
    fn relative(&mut self, quantity: &str, got: f64, want: f64, tolerance: f64, row: &str) {
        let off = if got == want { 0.0 } else { (got / want - 1.0).abs() };
        self.record(quantity, off, tolerance, &format!("{row}: {got}, table {want}"));
    }
    #[track_caller]
    fn record(&mut self, quantity: &str, off: f64, tolerance: f64, what: &str) {
        assert!(off <= tolerance, "{quantity}, {what}: off by {off:e}, allowed {tolerance:e}");
        let (worst, checked) = self.0.entry(quantity.to_owned()).or_default();
        (*worst, *checked) = (worst.max(off), *checked + 1);
    }
}

impl fmt::Display for Worst {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|(quantity, (worst, n))| writeln!(f, "{quantity}: {worst:.1e} in {n} values"))
    }
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
    let mut worst = Worst::default();
    for row in table("saturation.csv") {
        let t = Celsius(row.number("t_c"));
        let at = |part: &str| format!("{part} at {} °C", t.0);
        let got = saturation_pressure(t).unwrap().0;
        // The same equations, so only the order of the operations differs.
        worst.relative("psat", got, row.number("psat_psychrolib_pa"), 1e-13, &at(""));
        worst.relative("psat, IAPWS-IF97", got, row.number("psat_iapws_if97_pa"), 1.9e-4, &at(""));
        worst.relative("psat, IAPWS-95", got, row.number("psat_coolprop_iapws95_pa"), 2.3e-4, &at(""));
        for pascals in ["101325", "84000"] {
            let air = HumidAir::saturated(t, Pascals(pascals.parse().unwrap())).unwrap();
            for (quantity, unit, got, close, real_gas) in [
                ("w", "kg_per_kgda", air.humidity_ratio().0, 1e-13, 1.33e-2),
                ("h", "j_per_kgda", air.enthalpy().0, 1e-13, 9.7e-3),
                ("v", "m3_per_kgda", air.volume().0, 1e-13, 6.1e-4),
            ] {
                let want = row.number(&format!("{quantity}_sat_{pascals}_{unit}"));
                worst.relative(quantity, got, want, close, &at(pascals));
                let want = row.number(&format!("{quantity}_sat_{pascals}_coolprop_realgas"));
                worst.relative(&format!("{quantity}, real gas"), got, want, real_gas, &at(pascals));
            }
        }
    }
    println!("{worst}");
}

#[test]
fn humid_air_is_that_of_psychrolib() {
    let mut worst = Worst::default();
    for row in table("humid-air.csv") {
        let (t, p) = (Celsius(row.number("t_c")), Pascals(row.number("p_pa")));
        let air = HumidAir::from_relative_humidity(t, Fraction(row.number("rh_frac")), p).unwrap();
        let (dew_point, wet_bulb) = (air.dew_point().unwrap().0, air.wet_bulb().unwrap().0);
        let (w, h, v) = (air.humidity_ratio(), air.enthalpy().0, air.volume().0);
        let case = format!("case {}", row.text("case"));
        worst.relative("vapour pressure", air.vapour_pressure().0, row.number("pw_pa"), 1e-13, &case);
        worst.relative("w", w.0, row.number("w_kg_per_kgda"), 1e-13, &case);
        worst.absolute("dew point, K", dew_point, row.number("dew_point_c"), 1e-11, &case);
        worst.absolute("wet bulb, K", wet_bulb, row.number("wet_bulb_c"), 1e-11, &case);
        worst.absolute("h, J/kg", h, row.number("h_j_per_kgda"), 1e-8, &case);
        worst.relative("v", v, row.number("v_m3_per_kgda"), 1e-13, &case);
        let back = HumidAir::from_humidity_ratio(t, w, p).unwrap();
        worst.absolute("humidity from w", back.relative_humidity().0, row.number("rh_frac"), 1e-13, &case);
        // The library's own iterations stop within 0.001 K.
        worst.absolute("dew point, iterated, K", dew_point, row.number("dew_point_psychrolib_asis_c"), 1e-8, &case);
        worst.absolute("wet bulb, iterated, K", wet_bulb, row.number("wet_bulb_psychrolib_asis_c"), 4.5e-4, &case);
        // A real-gas mixture: what the model of ideal gases leaves out.
        worst.absolute("dew point, real gas, K", dew_point, row.number("dew_point_coolprop_c"), 0.021, &case);
        worst.absolute("wet bulb, real gas, K", wet_bulb, row.number("wet_bulb_coolprop_c"), 0.019, &case);
        worst.relative("w, real gas", w.0, row.number("w_coolprop"), 7e-3, &case);
        worst.absolute("h, real gas, J/kg", h, row.number("h_coolprop_j_per_kgda"), 1.7e3, &case);
        worst.relative("v, real gas", v, row.number("v_coolprop_m3_per_kgda"), 7e-4, &case);
    }
    println!("{worst}");
}

#[test]
fn exhaust_takes_what_psychrolib_says() {
    let mut worst = Worst::default();
    // What air of 20 °C holds at each pressure that the table of saturated air has.
    let saturated: Vec<Row> = table("saturation.csv").into_iter().filter(|row| row.number("t_c") == 20.0).collect();
    for row in table("exhaust-drying.csv") {
        let p = Pascals(row.number("p_pa"));
        let inlet =
            HumidAir::from_relative_humidity(Celsius(row.number("t_in_c")), Fraction(row.number("rh_in_frac")), p);
        let (inlet, out) = (inlet.unwrap(), Celsius(row.number("t_exhaust_c")));
        let got = carried(CubicMetresPerHour(row.number("q_in_m3_per_h")), inlet, out).unwrap();
        let exhaust = HumidAir::saturated(out, p).unwrap();
        let case = format!("case {}", row.text("case"));
        worst.relative("dry air", got.dry_air.0, row.number("m_da_kg_per_s"), 1e-13, &case);
        worst.relative("w in", inlet.humidity_ratio().0, row.number("w_in"), 1e-13, &case);
        worst.relative("w out", exhaust.humidity_ratio().0, row.number("w_out_sat"), 1e-13, &case);
        worst.relative("water", got.water.0, row.number("water_removed_kg_per_day"), 1e-13, &case);
        for (column, watts) in [
            ("heat_total_kw", got.heat_total),
            ("heat_sensible_kw", got.heat_sensible),
            ("heat_latent_kw", got.heat_latent),
            ("heat_from_bed_kw", got.heat_from_bed),
        ] {
            worst.relative(column, watts.0 / 1e3, row.number(column), 1e-12, &case);
        }
        // A real-gas mixture: what the model of ideal gases leaves out.
        worst.relative("water, real gas", got.water.0, row.number("water_removed_kg_per_day_coolprop"), 9.2e-3, &case);
        worst.relative("heat, real gas", got.heat_total.0 / 1e3, row.number("heat_total_kw_coolprop"), 6.7e-3, &case);

        // In a duct that brings it to 20 °C, the exhaust loses what it holds more than saturated air of 20 °C does.
        if let Some(left) = saturated[0].0.get(&format!("w_sat_{}_kg_per_kgda", p.0)) {
            let want =
                row.number("m_da_kg_per_s") * (row.number("w_out_sat") - left.parse::<f64>().unwrap()) * 86_400.0;
            let drained = condensate(got.dry_air, exhaust, Celsius(20.0)).unwrap();
            worst.absolute("condensate, kg/d", drained.mass.0, want, 1e-10, &case);
        }
    }
    println!("{worst}");
}
