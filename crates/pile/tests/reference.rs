//! Holds the science against tables that other libraries made: scipy, exact rational arithmetic, psychrolib, IAPWS-IF97.
//!
//! Must never widen a tolerance without saying what limits the agreement.

#![allow(clippy::unwrap_used)]

mod table;

use std::collections::BTreeMap;
use std::fmt;

use pile::exhaust::{carried, condensate};
use pile::humid_air::{HumidAir, saturation_pressure};
use pile::units::{Celsius, CubicMetresPerHour, Fraction, Pascals};
use table::{Row, table};

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
        if let Some(left) = saturated[0].find(&format!("w_sat_{}_kg_per_kgda", p.0)) {
            let want = row.number("m_da_kg_per_s") * (row.number("w_out_sat") - left) * 86_400.0;
            let drained = condensate(got.dry_air, exhaust, Celsius(20.0)).unwrap();
            worst.absolute("condensate, kg/d", drained.mass.0, want, 1e-10, &case);
        }
    }
    println!("{worst}");
}
