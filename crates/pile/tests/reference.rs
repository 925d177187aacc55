//! Holds humid air against tables that other libraries made: psychrolib, IAPWS-IF97.
//!
//! Must never widen a tolerance without saying what limits the agreement.

#![allow(clippy::unwrap_used)]

mod table;

use pile::humid_air::{enthalpy, humidity_ratio_saturated, saturation_pressure, volume};
use pile::units::{Celsius, Pascals};
use table::{assert_close, table};

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
