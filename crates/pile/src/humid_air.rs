//! Humid air: saturation pressure, humidity ratio, enthalpy and volume, and the pressure at an elevation.
//!
//! Must never clamp an argument out of range.
//!
//! The equations are those of the ASHRAE Handbook, Fundamentals (2017), chapter 1, SI, as the library psychrolib 2.5.0
//! writes them: ideal gases, no enhancement factor, enthalpy zero at 0 °C dry air and liquid water. Against a real-gas
//! mixture that leaves 1.3 % in the humidity ratio and 1.0 % in the enthalpy of saturated air at 90 °C, less below.

use crate::units::{Celsius, Metres, Pascals};

/// Lowest temperature of the saturation equations, °C (ASHRAE Fundamentals 2017, chapter 1, equation 5).
pub const SATURATION_CELSIUS_MIN: f64 = -100.0;
/// Highest temperature of the saturation equations, °C (ASHRAE Fundamentals 2017, chapter 1, equation 6).
pub const SATURATION_CELSIUS_MAX: f64 = 200.0;
/// Lowest elevation of [`pressure_at`], m (ASHRAE Fundamentals 2017, chapter 1, equation 3).
pub const ELEVATION_METRES_MIN: f64 = -5_000.0;
/// Highest elevation of [`pressure_at`], m (ASHRAE Fundamentals 2017, chapter 1, equation 3).
pub const ELEVATION_METRES_MAX: f64 = 11_000.0;

const ZERO_CELSIUS_KELVIN: f64 = 273.15;
/// Below this the vapour is in balance with ice, above it with liquid water.
const TRIPLE_POINT_CELSIUS: f64 = 0.01;
/// Gas constant of dry air, J/(kg K).
const R_DRY_AIR: f64 = 287.042;
/// Molar mass of water over that of dry air.
const WATER_TO_AIR: f64 = 0.621945;

/// An argument for which the equations say nothing.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum OutOfRange {
    /// The temperature is outside the saturation equations, or not a number.
    #[error(
        "{celsius} °C is outside the {SATURATION_CELSIUS_MIN} to {SATURATION_CELSIUS_MAX} °C for which the saturation \
         pressure of water is known; check the temperature probe or the value given"
    )]
    Temperature {
        /// The temperature given, °C.
        celsius: f64,
    },
    /// The air pressure is not a positive number.
    #[error("an air pressure of {pascals} Pa is not a positive number; check the site's elevation")]
    Pressure {
        /// The air pressure given, Pa.
        pascals: f64,
    },
    /// Water boils at this temperature and pressure, so no air is left in saturated air.
    #[error(
        "at {celsius} °C the vapour pressure of {vapour_pascals} Pa is not below the air pressure of {pascals} Pa, so \
         saturated air holds no air; check the temperature and the site's elevation"
    )]
    Boiling {
        /// The temperature given, °C.
        celsius: f64,
        /// The air pressure given, Pa.
        pascals: f64,
        /// The saturation pressure at that temperature, Pa.
        vapour_pascals: f64,
    },
}

/// The saturation pressure of water vapour: over ice up to 0.01 °C, over liquid water above.
///
/// Source: Hyland and Wexler (1983) as in ASHRAE Fundamentals 2017, chapter 1, equations 5 and 6. Against IAPWS-IF97
/// it is off by at most 1.8e-4 (relative) between 0 and 90 °C.
///
/// # Errors
/// [`OutOfRange::Temperature`] outside -100 to 200 °C or for a value that is not a number.
pub fn saturation_pressure(t: Celsius) -> Result<Pascals, OutOfRange> {
    // Written so that a value that is not a number fails the test.
    if !(SATURATION_CELSIUS_MIN..=SATURATION_CELSIUS_MAX).contains(&t.0) {
        return Err(OutOfRange::Temperature { celsius: t.0 });
    }
    let k = t.0 + ZERO_CELSIUS_KELVIN;
    let ln = if t.0 <= TRIPLE_POINT_CELSIUS {
        -5.6745359e3 / k
            + 6.3925247
            + k * (-9.677843e-3 + k * (6.2215701e-7 + k * (2.0747825e-9 + k * -9.484024e-13)))
            + 4.1635019 * libm::log(k)
    } else {
        -5.8002206e3 / k
            + 1.3914993
            + k * (-4.8640239e-2 + k * (4.1764768e-5 + k * -1.4452093e-8))
            + 6.5459673 * libm::log(k)
    };
    Ok(Pascals(libm::exp(ln)))
}

/// The humidity ratio of saturated air at temperature `t` and air pressure `p`: kg of water per kg of dry air.
///
/// Source: ASHRAE Fundamentals 2017, chapter 1, equation 20 at saturation, without the enhancement factor.
///
/// # Errors
/// Every variant of [`OutOfRange`]: the temperature, the pressure, or water that boils.
pub fn humidity_ratio_saturated(t: Celsius, p: Pascals) -> Result<f64, OutOfRange> {
    let vapour = saturation_pressure(t)?;
    if !(p.0 > 0.0 && p.0.is_finite()) {
        return Err(OutOfRange::Pressure { pascals: p.0 });
    }
    if vapour.0 >= p.0 {
        return Err(OutOfRange::Boiling { celsius: t.0, pascals: p.0, vapour_pascals: vapour.0 });
    }
    Ok(WATER_TO_AIR * vapour.0 / (p.0 - vapour.0))
}

/// The enthalpy of humid air in J per kg of dry air, at temperature `t` and humidity ratio `w` (kg per kg of dry air).
///
/// Source: ASHRAE Fundamentals 2017, chapter 1, equation 30. A `w` beyond saturation counts all water as vapour.
pub fn enthalpy(t: Celsius, w: f64) -> f64 {
    (1.006 * t.0 + w * (2501.0 + 1.86 * t.0)) * 1000.0
}

/// The volume of humid air in m³ per kg of dry air, at temperature `t`, humidity ratio `w` and air pressure `p`.
///
/// Source: ASHRAE Fundamentals 2017, chapter 1, equation 26. A pressure of zero gives infinity.
pub fn volume(t: Celsius, w: f64, p: Pascals) -> f64 {
    R_DRY_AIR * (t.0 + ZERO_CELSIUS_KELVIN) * (1.0 + 1.607858 * w) / p.0
}

/// The mean air pressure at an elevation in the International Standard Atmosphere.
///
/// Source: ASHRAE Fundamentals 2017, chapter 1, equation 3, for -5,000 to 11,000 m. Outside of that the answer is not a
/// number, which [`humidity_ratio_saturated`] refuses.
pub fn pressure_at(h: Metres) -> Pascals {
    if !(ELEVATION_METRES_MIN..=ELEVATION_METRES_MAX).contains(&h.0) {
        return Pascals(f64::NAN);
    }
    Pascals(101_325.0 * libm::pow(1.0 - 2.25577e-5 * h.0, 5.2559))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn arguments_out_of_range_are_refused_by_name() {
        for (celsius, refused, why) in [
            (-100.0, false, "exactly on the lower end counts"),
            (200.0, false, "exactly on the upper end counts"),
            (-100.001, true, "just below"),
            (200.001, true, "just above"),
            (f64::NAN, true, "not a number is no temperature"),
            (f64::INFINITY, true, "nor is infinity"),
        ] {
            let got = saturation_pressure(Celsius(celsius));
            assert_eq!(matches!(got, Err(OutOfRange::Temperature { .. })), refused, "{celsius}: {why}");
            assert_eq!(got.is_err(), refused, "{celsius}: {why}");
        }
        for (celsius, pascals, want, why) in [
            (60.0, 0.0, "an air pressure of 0 Pa", "no air at all"),
            (60.0, f64::NAN, "an air pressure of NaN Pa", "an elevation out of range ends here"),
            (60.0, f64::INFINITY, "an air pressure of inf Pa", "would pass as perfectly dry air"),
            (101.0, 101_325.0, "at 101 °C the vapour pressure of 10", "water boils"),
            (500.0, 101_325.0, "500 °C is outside the -100 to 200 °C", "the temperature first"),
        ] {
            let got = humidity_ratio_saturated(Celsius(celsius), Pascals(pascals)).unwrap_err().to_string();
            assert!(got.starts_with(want), "{why}: {got}");
        }
    }

    #[test]
    fn pressure_falls_with_elevation() {
        // Standard atmosphere by geopotential height (ISO 2533), from memory; the power law is within 2e-5 of it.
        for (metres, want) in [(0.0, 101_325.0), (1000.0, 89_874.6), (2000.0, 79_495.2), (5000.0, 54_019.9)] {
            let got = pressure_at(Metres(metres)).0;
            assert!((got / want - 1.0).abs() < 2e-5, "{metres} m: {got} Pa, table {want} Pa");
        }
        for metres in [-5000.1, 11_000.1, 50_000.0, f64::NAN] {
            assert!(pressure_at(Metres(metres)).0.is_nan(), "{metres} m is outside the standard atmosphere's formula");
        }
    }
}
