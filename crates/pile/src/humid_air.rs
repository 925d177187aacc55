//! Humid air: saturation, relative humidity, dew point, wet bulb, enthalpy and volume, and the pressure at an elevation.
//!
//! Must never clamp an argument out of range.
//!
//! The equations are those of the ASHRAE Handbook, Fundamentals (2017), chapter 1, SI, as the library psychrolib 2.5.0
//! writes them: ideal gases, no enhancement factor, enthalpy zero at 0 °C dry air and liquid water. Against a real-gas
//! mixture that leaves 1.3 % in the humidity ratio and 1.0 % in the enthalpy of saturated air at 90 °C, less below.
//! A site needs 0 to 95 °C and 70 to 106 kPa, and there the tables of the tests lie, with some frost down to -7 °C. What
//! is beyond is taken as far as the equations go: -100 to 200 °C and 20 to 200 kPa.

use crate::units::{
    Celsius, CubicMetresPerKilogram, Fraction, JoulesPerKilogram, KilogramsPerKilogram, Metres, Pascals, readable,
};

/// Lowest temperature of the saturation equations, °C (ASHRAE Fundamentals 2017, chapter 1, equation 5).
pub const SATURATION_CELSIUS_MIN: f64 = -100.0;
/// Highest temperature of the saturation equations, °C (ASHRAE Fundamentals 2017, chapter 1, equation 6).
pub const SATURATION_CELSIUS_MAX: f64 = 200.0;
/// Lowest air pressure of [`HumidAir`], Pa: below that of the highest elevation of [`pressure_at`].
pub const PRESSURE_PASCALS_MIN: f64 = 20_000.0;
/// Highest air pressure of [`HumidAir`], Pa: above that of the lowest elevation; ideal gases hold well there.
pub const PRESSURE_PASCALS_MAX: f64 = 200_000.0;
/// Lowest elevation of [`pressure_at`], m (ASHRAE Fundamentals 2017, chapter 1, equation 3).
pub const ELEVATION_METRES_MIN: f64 = -5_000.0;
/// Highest elevation of [`pressure_at`], m (ASHRAE Fundamentals 2017, chapter 1, equation 3).
pub const ELEVATION_METRES_MAX: f64 = 11_000.0;

const ZERO_CELSIUS_KELVIN: f64 = 273.15;
/// Below this the vapour is in balance with ice, above it with liquid water.
const TRIPLE_POINT_CELSIUS: f64 = 0.01;
/// Below this the wet bulb is an ice bulb.
const FREEZING_CELSIUS: f64 = 0.0;
/// Gas constant of dry air, J/(kg K).
const R_DRY_AIR: f64 = 287.042;
/// Molar mass of water over that of dry air.
const WATER_TO_AIR: f64 = 0.621945;
/// What a humidity ratio may exceed saturation by, relative: the rounding of a humidity ratio that was saturated.
const ROUNDING: f64 = 1e-12;

/// An argument for which the equations say nothing.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum OutOfRange {
    /// The temperature is outside the saturation equations, or not a number.
    #[error(
        "{celsius} °C is outside the {SATURATION_CELSIUS_MIN} to {SATURATION_CELSIUS_MAX} °C for which the saturation \
         pressure of water is known; check the temperature probe or the value given", celsius = readable(.celsius))]
    Temperature {
        /// The temperature given, °C.
        celsius: f64,
    },
    /// The air pressure is outside what the equations are taken for, or not a number.
    #[error(
        "an air pressure of {pascals} Pa is outside {PRESSURE_PASCALS_MIN} to {PRESSURE_PASCALS_MAX} Pa; give pascals \
         at the site itself, not hectopascals and not reduced to sea level", pascals = readable(.pascals))]
    Pressure {
        /// The air pressure given, Pa.
        pascals: f64,
    },
    /// The elevation is outside the standard atmosphere's formula, or not a number.
    #[error(
        "an elevation of {metres} m is outside the {ELEVATION_METRES_MIN} to {ELEVATION_METRES_MAX} m of the standard \
         atmosphere; check the site's elevation", metres = readable(.metres))]
    Elevation {
        /// The elevation given, m.
        metres: f64,
    },
    /// The relative humidity is not a part of a whole.
    #[error("a relative humidity of {fraction} is outside 0 to 1; give a fraction (70 % is 0.7)", fraction = readable(.fraction))]
    RelativeHumidity {
        /// The relative humidity given, 0 to 1.
        fraction: f64,
    },
    /// The humidity ratio is negative or not a number.
    #[error(
        "a humidity ratio of {ratio} kg of water per kg of dry air is not a number from 0 up; check the value given", ratio = readable(.ratio))]
    HumidityRatio {
        /// The humidity ratio given, kg/kg.
        ratio: f64,
    },
    /// More water than the air can hold as vapour.
    #[error(
        "air of {celsius} °C holds vapour of at most {saturated_pascals} Pa, not {vapour_pascals} Pa; check the humidity \
         given, or give the temperature before the air cooled", celsius = readable(.celsius), vapour_pascals = readable(.vapour_pascals))]
    Supersaturated {
        /// The temperature given, °C.
        celsius: f64,
        /// The vapour pressure given, Pa.
        vapour_pascals: f64,
        /// The saturation pressure at that temperature, Pa.
        saturated_pascals: f64,
    },
    /// The vapour pressure reaches the air pressure, so no air is left.
    #[error(
        "at {celsius} °C the vapour pressure of {vapour_pascals} Pa is not below the air pressure of {pascals} Pa, so no \
         air is left; check the temperature and the site's elevation", celsius = readable(.celsius), pascals = readable(.pascals), vapour_pascals = readable(.vapour_pascals))]
    Boiling {
        /// The temperature given, °C.
        celsius: f64,
        /// The air pressure given, Pa.
        pascals: f64,
        /// The vapour pressure, Pa.
        vapour_pascals: f64,
    },
    /// The dew point or wet bulb lies below the saturation equations.
    #[error(
        "air with a vapour pressure of {vapour_pascals} Pa is so dry that its dew point or wet bulb lies below \
         {SATURATION_CELSIUS_MIN} °C; check the humidity sensor", vapour_pascals = readable(.vapour_pascals))]
    TooDry {
        /// The vapour pressure, Pa.
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
    Ok(Pascals(saturation_pascals(t.0)))
}

/// The enthalpy of humid air in J per kg of dry air, at temperature `t` and humidity ratio `w` (kg per kg of dry air).
///
/// For inner loops that checked their arguments; others ask [`HumidAir::enthalpy`]. Source: ASHRAE Fundamentals 2017,
/// chapter 1, equation 30. A `w` beyond saturation counts all water as vapour.
pub fn enthalpy(t: Celsius, w: f64) -> f64 {
    (1.006 * t.0 + w * (2501.0 + 1.86 * t.0)) * 1000.0
}

/// The volume of humid air in m³ per kg of dry air, at temperature `t`, humidity ratio `w` and air pressure `p`.
///
/// For inner loops that checked their arguments; others ask [`HumidAir::volume`]. Source: ASHRAE Fundamentals 2017,
/// chapter 1, equation 26. A pressure of zero gives infinity.
pub fn volume(t: Celsius, w: f64, p: Pascals) -> f64 {
    R_DRY_AIR * (t.0 + ZERO_CELSIUS_KELVIN) * (1.0 + 1.607858 * w) / p.0
}

/// The mean air pressure at an elevation in the International Standard Atmosphere, -5,000 to 11,000 m.
///
/// Source: ASHRAE Fundamentals 2017, chapter 1, equation 3. Weather moves the true pressure by some 3 % either way.
///
/// # Errors
/// [`OutOfRange::Elevation`] outside that range or for a value that is not a number.
pub fn pressure_at(h: Metres) -> Result<Pascals, OutOfRange> {
    if !(ELEVATION_METRES_MIN..=ELEVATION_METRES_MAX).contains(&h.0) {
        return Err(OutOfRange::Elevation { metres: h.0 });
    }
    Ok(Pascals(101_325.0 * libm::pow(1.0 - 2.25577e-5 * h.0, 5.2559)))
}

/// Air with the vapour it holds, at most saturated: -100 to 200 °C and 20 to 200 kPa.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HumidAir {
    t: Celsius,
    vapour: Pascals,
    p: Pascals,
}

/// Temperature at which water boils at an elevation, in the pressure of the standard atmosphere there; weather moves it by some tenths of
/// a kelvin. Where [`saturation_pressure`] reaches [`pressure_at`].
///
/// # Errors
/// [`OutOfRange::Elevation`].
pub fn boiling_at(h: Metres) -> Result<Celsius, OutOfRange> {
    let Pascals(pressure) = pressure_at(h)?;
    let (mut low, mut high) = (TRIPLE_POINT_CELSIUS, SATURATION_CELSIUS_MAX);
    // Sixty halvings of 200 K leave less than the last digit of a double.
    for _ in 0..60 {
        let middle = low + (high - low) / 2.0;
        if saturation_pascals(middle) < pressure {
            low = middle;
        } else {
            high = middle;
        }
    }
    Ok(Celsius(low))
}

impl HumidAir {
    /// Air of temperature `t`, relative humidity `rh` (0 to 1, over ice below 0.01 °C) and pressure `p`.
    ///
    /// # Errors
    /// [`OutOfRange`]: any argument, or vapour as strong as the pressure (hot air above its boiling point).
    pub fn from_relative_humidity(t: Celsius, rh: Fraction, p: Pascals) -> Result<HumidAir, OutOfRange> {
        let saturated = saturation_pressure(t)?;
        if !(0.0..=1.0).contains(&rh.0) {
            return Err(OutOfRange::RelativeHumidity { fraction: rh.0 });
        }
        HumidAir::with_vapour(t, Pascals(rh.0 * saturated.0), p)
    }

    /// Air of temperature `t`, humidity ratio `w` (kg of water per kg of dry air) and pressure `p`.
    ///
    /// Source: ASHRAE Fundamentals 2017, chapter 1, equation 20.
    ///
    /// # Errors
    /// [`OutOfRange`]: any argument, or more water than saturated air holds.
    pub fn from_humidity_ratio(t: Celsius, w: KilogramsPerKilogram, p: Pascals) -> Result<HumidAir, OutOfRange> {
        if !(w.0 >= 0.0 && w.0.is_finite()) {
            return Err(OutOfRange::HumidityRatio { ratio: w.0 });
        }
        HumidAir::with_vapour(t, Pascals(p.0 * (w.0 / (WATER_TO_AIR + w.0))), p)
    }

    /// Air of temperature `t` that would be saturated at the temperature `dew_point`, at pressure `p`.
    ///
    /// # Errors
    /// [`OutOfRange`]: any argument, or a dew point above the temperature.
    pub fn from_dew_point(t: Celsius, dew_point: Celsius, p: Pascals) -> Result<HumidAir, OutOfRange> {
        HumidAir::with_vapour(t, saturation_pressure(dew_point)?, p)
    }

    /// Saturated air of temperature `t` and pressure `p`.
    ///
    /// # Errors
    /// [`OutOfRange`]: any argument, or water that boils there.
    pub fn saturated(t: Celsius, p: Pascals) -> Result<HumidAir, OutOfRange> {
        HumidAir::with_vapour(t, saturation_pressure(t)?, p)
    }

    /// This air brought to temperature `t` at the same pressure: water that it cannot hold any more has left it.
    ///
    /// # Errors
    /// [`OutOfRange::Temperature`].
    pub fn brought_to(self, t: Celsius) -> Result<HumidAir, OutOfRange> {
        Ok(HumidAir { t, vapour: Pascals(self.vapour.0.min(saturation_pressure(t)?.0)), p: self.p })
    }

    /// The temperature (dry bulb).
    pub fn temperature(self) -> Celsius {
        self.t
    }

    /// The pressure of air and vapour together.
    pub fn pressure(self) -> Pascals {
        self.p
    }

    /// The partial pressure of the vapour.
    pub fn vapour_pressure(self) -> Pascals {
        self.vapour
    }

    /// The humidity ratio: kg of water per kg of dry air (ASHRAE Fundamentals 2017, chapter 1, equation 20).
    pub fn humidity_ratio(self) -> KilogramsPerKilogram {
        KilogramsPerKilogram(WATER_TO_AIR * self.vapour.0 / (self.p.0 - self.vapour.0))
    }

    /// The relative humidity, 0 to 1, over ice below 0.01 °C (ASHRAE Fundamentals 2017, chapter 1, equation 22).
    pub fn relative_humidity(self) -> Fraction {
        Fraction(self.vapour.0 / saturation_pascals(self.t.0))
    }

    /// The dew point, or the frost point below 0.01 °C: where this air would be saturated, to 1e-9 K.
    ///
    /// The root of [`saturation_pressure`], bisected.
    ///
    /// # Errors
    /// [`OutOfRange::TooDry`] if it lies below -100 °C.
    pub fn dew_point(self) -> Result<Celsius, OutOfRange> {
        self.highest(SATURATION_CELSIUS_MIN, self.t.0, |t| saturation_pascals(t) <= self.vapour.0)
    }

    /// The thermodynamic wet-bulb temperature, to 1e-9 K; below 0 °C that of an ice bulb.
    ///
    /// The root of ASHRAE Fundamentals 2017, chapter 1, equations 33 (water) and 35 (ice), bisected. They disagree at
    /// 0 °C, so that some dry air has two roots, one for a bulb of ice and one for a bulb of water: the warmer one,
    /// of water, is the answer.
    ///
    /// # Errors
    /// [`OutOfRange::TooDry`] if it lies below -100 °C.
    pub fn wet_bulb(self) -> Result<Celsius, OutOfRange> {
        let (t, w) = (self.t.0, self.humidity_ratio().0);
        let saturated = |bulb| {
            let vapour = saturation_pascals(bulb);
            // A bulb that boils would make any air wetter than this.
            if vapour < self.p.0 { WATER_TO_AIR * vapour / (self.p.0 - vapour) } else { f64::INFINITY }
        };
        let over_water = |bulb: f64| {
            ((2501.0 - 2.326 * bulb) * saturated(bulb) - 1.006 * (t - bulb)) / (2501.0 + 1.86 * t - 4.186 * bulb)
        };
        let over_ice = |bulb: f64| {
            ((2830.0 - 0.24 * bulb) * saturated(bulb) - 1.006 * (t - bulb)) / (2830.0 + 1.86 * t - 2.1 * bulb)
        };
        if t >= FREEZING_CELSIUS && over_water(FREEZING_CELSIUS) <= w {
            self.highest(FREEZING_CELSIUS, t, |bulb| over_water(bulb) <= w)
        } else {
            self.highest(SATURATION_CELSIUS_MIN, t.min(FREEZING_CELSIUS), |bulb| over_ice(bulb) <= w)
        }
    }

    /// The enthalpy per kg of dry air, zero at 0 °C dry air and liquid water: see [`enthalpy`].
    pub fn enthalpy(self) -> JoulesPerKilogram {
        JoulesPerKilogram(enthalpy(self.t, self.humidity_ratio().0))
    }

    /// The volume per kg of dry air: see [`volume`].
    pub fn volume(self) -> CubicMetresPerKilogram {
        CubicMetresPerKilogram(volume(self.t, self.humidity_ratio().0, self.p))
    }

    fn with_vapour(t: Celsius, vapour: Pascals, p: Pascals) -> Result<HumidAir, OutOfRange> {
        let saturated = saturation_pressure(t)?;
        if !(PRESSURE_PASCALS_MIN..=PRESSURE_PASCALS_MAX).contains(&p.0) {
            return Err(OutOfRange::Pressure { pascals: p.0 });
        }
        if vapour.0 > saturated.0 * (1.0 + ROUNDING) {
            return Err(OutOfRange::Supersaturated {
                celsius: t.0,
                vapour_pascals: vapour.0,
                saturated_pascals: saturated.0,
            });
        }
        let vapour = Pascals(vapour.0.min(saturated.0));
        if vapour.0 >= p.0 {
            return Err(OutOfRange::Boiling { celsius: t.0, pascals: p.0, vapour_pascals: vapour.0 });
        }
        Ok(HumidAir { t, vapour, p })
    }

    /// The highest temperature from `low` to `high` at which `holds`, which must hold below it and not above.
    fn highest(self, low: f64, high: f64, holds: impl Fn(f64) -> bool) -> Result<Celsius, OutOfRange> {
        if holds(high) {
            return Ok(Celsius(high));
        }
        if !holds(low) {
            return Err(OutOfRange::TooDry { vapour_pascals: self.vapour.0 });
        }
        let (mut low, mut high) = (low, high);
        // Sixty halvings of at most 300 K leave less than the last digit of a double.
        for _ in 0..60 {
            let middle = low + (high - low) / 2.0;
            if holds(middle) {
                low = middle;
            } else {
                high = middle;
            }
        }
        Ok(Celsius(low))
    }
}

/// [`saturation_pressure`] for a temperature that was checked.
fn saturation_pascals(celsius: f64) -> f64 {
    let k = celsius + ZERO_CELSIUS_KELVIN;
    let ln = if celsius <= TRIPLE_POINT_CELSIUS {
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
    libm::exp(ln)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use proptest::prelude::*;

    const SEA_LEVEL: Pascals = Pascals(101_325.0);

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
        let saturated = |celsius, pascals| HumidAir::saturated(Celsius(celsius), Pascals(pascals));
        let at_rh = |celsius, rh| HumidAir::from_relative_humidity(Celsius(celsius), Fraction(rh), SEA_LEVEL);
        let at_ratio = |celsius, w| HumidAir::from_humidity_ratio(Celsius(celsius), KilogramsPerKilogram(w), SEA_LEVEL);
        let at_dew = |celsius, dew| HumidAir::from_dew_point(Celsius(celsius), Celsius(dew), SEA_LEVEL);
        for (got, want, why) in [
            (saturated(60.0, 0.0), "an air pressure of 0 Pa is outside 20000 to 200000", "no air at all"),
            (saturated(60.0, 1_013.25), "an air pressure of 1013.25 Pa", "hectopascals by mistake"),
            (saturated(60.0, f64::NAN), "an air pressure of NaN Pa", "not a number"),
            (saturated(60.0, f64::INFINITY), "an air pressure of inf Pa", "would pass as perfectly dry air"),
            (saturated(101.0, 101_325.0), "at 101 °C the vapour pressure of 10", "water boils"),
            (saturated(500.0, 0.0), "500 °C is outside the -100 to 200 °C", "the temperature first"),
            (at_rh(20.0, 1.4), "a relative humidity of 1.4 is outside 0 to 1", "beyond saturation"),
            (at_rh(20.0, 70.0), "a relative humidity of 70 is outside 0 to 1", "percent by mistake"),
            (at_rh(20.0, -0.1), "a relative humidity of -0.1", "negative"),
            (at_rh(20.0, f64::NAN), "a relative humidity of NaN", "not a number"),
            (at_rh(180.0, 0.5), "at 180 °C the vapour pressure of 50", "half of what boils is still no air"),
            (at_ratio(20.0, -1e-9), "a humidity ratio of -0.000000001", "negative"),
            (at_ratio(20.0, f64::INFINITY), "a humidity ratio of inf", "no air"),
            (at_ratio(20.0, 0.0147), "air of 20 °C holds vapour of at most 2338.8", "0.5 per mille beyond 0.014695"),
            (at_dew(20.0, 20.5), "air of 20 °C holds", "a dew point above the temperature"),
        ] {
            let got = got.unwrap_err().to_string();
            assert!(got.starts_with(want), "{why}: {got}");
        }
        for metres in [-5000.1, 11_000.1, 50_000.0, f64::NAN] {
            let got = pressure_at(Metres(metres)).unwrap_err().to_string();
            assert!(got.starts_with(&format!("an elevation of {metres} m is outside the -5000 to 11000 m")), "{got}");
        }
        let dry = at_rh(20.0, 0.0).unwrap();
        assert_eq!(dry.dew_point(), Err(OutOfRange::TooDry { vapour_pascals: 0.0 }), "air without vapour has none");
        assert!(dry.wet_bulb().unwrap() < Celsius(7.0), "but a wet bulb in it cools to a definite temperature");
    }

    #[test]
    fn water_boils_cooler_high_up() {
        // Steam tables and tables for cooks, from memory: 100.0 °C at the sea, 95.0 °C in Denver, 90.0 °C at 3000 m.
        for (metres, want, tolerance) in
            [(0.0, 100.0, 0.05), (1_609.0, 94.8, 0.3), (3_000.0, 90.0, 0.3), (-430.0, 101.4, 0.3)]
        {
            let got = boiling_at(Metres(metres)).unwrap().0;
            assert!((got - want).abs() < tolerance, "{metres} m: {got}, not {want}");
        }
        assert!(boiling_at(Metres(50_000.0)).is_err(), "there is no standard atmosphere there");
    }

    #[test]
    fn printed_tables_agree_within_what_the_equations_promise() {
        // ASHRAE Fundamentals 2017, chapter 1, table 3, as quoted in the tests of psychrolib; 300 ppm is the
        // Handbook's claim. At -60 °C it prints three digits. Marked rows: steam tables, from memory.
        for (celsius, want, tolerance) in [
            (-60.0, 1.08, 5e-3),
            (-20.0, 103.24, 3e-4),
            (-5.0, 401.74, 3e-4),
            (0.01, 611.657, 3e-4), // from memory
            (5.0, 872.6, 3e-4),
            (25.0, 3169.7, 3e-4),
            (50.0, 12_351.3, 3e-4),
            (60.0, 19_946.0, 3e-4), // from memory
            (80.0, 47_415.0, 3e-4), // from memory
            (90.0, 70_182.0, 3e-4), // from memory
            (100.0, 101_418.0, 3e-4),
            (100.0, 101_325.0, 1e-3), // the old definition of 100 °C, from memory
            (150.0, 476_101.4, 3e-4),
        ] {
            let got = saturation_pressure(Celsius(celsius)).unwrap().0;
            assert!((got / want - 1.0).abs() < tolerance, "{celsius} °C: {got} Pa, table {want} Pa");
        }
        // The same chapter, table 2, at 101,325 Pa: the table counts real gases, so the ideal ones stay a little below.
        for (celsius, ratio, ratio_tolerance, joules, joules_tolerance) in [
            (-50.0, 0.0000243, 1e-2, -50_222.0, 1e-2),
            (-20.0, 0.0006373, 1e-2, -18_542.0, 1e-2),
            (-5.0, 0.0024863, 5e-3, 1_164.0, 3e-2),
            (5.0, 0.005425, 5e-3, 18_639.0, 3e-3),
            (25.0, 0.020173, 5e-3, 76_504.0, 4e-3),
            (50.0, 0.086863, 7e-3, 275_353.0, 6e-3),
            (85.0, 0.838105, 1.3e-2, 2_307_539.0, 1e-2),
        ] {
            let air = HumidAir::saturated(Celsius(celsius), SEA_LEVEL).unwrap();
            let (w, h) = (air.humidity_ratio().0, air.enthalpy().0);
            assert!((w / ratio - 1.0).abs() < ratio_tolerance, "{celsius} °C: {w} kg/kg, table {ratio}");
            assert!((h / joules - 1.0).abs() < joules_tolerance, "{celsius} °C: {h} J/kg, table {joules}");
        }
        // The same chapter, table 1 (the standard atmosphere); 2,000 and 3,000 m from memory of the ISA tables.
        for (metres, want) in [
            (-500.0, 107_478.0),
            (0.0, 101_325.0),
            (500.0, 95_461.0),
            (1_000.0, 89_875.0),
            (2_000.0, 79_495.0),
            (3_000.0, 70_108.0),
            (4_000.0, 61_640.0),
            (10_000.0, 26_436.0),
        ] {
            let got = pressure_at(Metres(metres)).unwrap().0;
            assert!((got - want).abs() < 1.5, "{metres} m: {got} Pa, table {want} Pa");
        }
    }

    #[test]
    fn worked_examples_of_others() {
        // Tests of psychrolib, calculated with a spreadsheet, at 95,461 Pa; its saturation pressures are 2e-4 off.
        let thin = Pascals(95_461.0);
        for (celsius, ratio, wet_bulb, why) in
            [(30.0, 0.0192281274241096, 25.0, "a bulb of water"), (-1.0, 0.00120399819933844, -5.0, "a bulb of ice")]
        {
            let air = HumidAir::from_humidity_ratio(Celsius(celsius), KilogramsPerKilogram(ratio), thin).unwrap();
            let got = air.wet_bulb().unwrap().0;
            assert!((got - wet_bulb).abs() < 2e-3, "{why}: {got} °C, wanted {wet_bulb}");
        }
        let air = HumidAir::from_humidity_ratio(Celsius(30.0), KilogramsPerKilogram(0.02), thin).unwrap();
        assert!((air.enthalpy().0 - 81_316.0).abs() < 1.0);
        assert!((air.volume().0 / 0.940855374352943 - 1.0).abs() < 1e-6);
        // The example in psychrolib's documentation, which iterates to 0.001 K.
        let air = HumidAir::from_relative_humidity(Celsius(25.0), Fraction(0.8), SEA_LEVEL).unwrap();
        assert!((air.dew_point().unwrap().0 - 21.3094).abs() < 1e-3);
        // ASHRAE Fundamentals 2017, chapter 1, example 1: 40 °C, wet bulb 20 °C, read from a chart to a degree; from its ratio here.
        let air = HumidAir::from_humidity_ratio(Celsius(40.0), KilogramsPerKilogram(0.0065), SEA_LEVEL).unwrap();
        assert!((air.wet_bulb().unwrap().0 - 20.0).abs() < 0.1, "{air:?}");
        assert!((air.relative_humidity().0 - 0.14).abs() < 0.01, "{air:?}");
        assert!((air.dew_point().unwrap().0 - 7.0).abs() < 0.7, "{air:?}");
        assert!((air.enthalpy().0 - 56_700.0).abs() < 350.0 && (air.volume().0 - 0.896).abs() < 0.001, "{air:?}");
    }

    #[test]
    fn of_two_wet_bulbs_the_one_of_water_counts() {
        // With a bulb of 0 °C in air of 5 °C the equations give 0.00176 for water and 0.00199 for ice.
        for (ratio, from, to, why) in [
            (0.0020, 0.3, 0.5, "only a bulb of water"),
            (0.0018, 0.0, 0.1, "a bulb of ice at -0.3 °C would do as well"),
            (0.0017, -0.5, -0.4, "only a bulb of ice"),
        ] {
            let air = HumidAir::from_humidity_ratio(Celsius(5.0), KilogramsPerKilogram(ratio), SEA_LEVEL).unwrap();
            let got = air.wet_bulb().unwrap().0;
            assert!((from..to).contains(&got), "{why}: {got} °C");
        }
    }

    fn any_number() -> impl Strategy<Value = f64> {
        prop_oneof![
            4 => -120.0..220.0f64,
            2 => 0.0..1.2f64,
            2 => 0.0..250_000.0f64,
            1 => any::<f64>(),
            1 => prop_oneof![Just(f64::NAN), Just(f64::INFINITY), Just(f64::NEG_INFINITY), Just(0.0), Just(-0.0)],
        ]
    }

    proptest! {
        #[test]
        fn any_argument_gives_an_error_or_finite_numbers(a in any_number(), b in any_number(), c in any_number()) {
            let all = [
                HumidAir::from_relative_humidity(Celsius(a), Fraction(b), Pascals(c)),
                HumidAir::from_humidity_ratio(Celsius(a), KilogramsPerKilogram(b), Pascals(c)),
                HumidAir::from_dew_point(Celsius(a), Celsius(b), Pascals(c)),
                HumidAir::saturated(Celsius(a), Pascals(c)),
            ];
            for air in all.into_iter().flatten() {
                let numbers = [air.humidity_ratio().0, air.relative_humidity().0, air.enthalpy().0, air.volume().0];
                prop_assert!(numbers.iter().all(|n| n.is_finite()), "{air:?}: {numbers:?}");
                for found in [air.dew_point(), air.wet_bulb()].into_iter().flatten() {
                    prop_assert!((SATURATION_CELSIUS_MIN..=air.temperature().0).contains(&found.0), "{air:?}: {found:?}");
                }
            }
            prop_assert!(pressure_at(Metres(a)).map_or(true, |p| p.0.is_finite() && p.0 > 0.0));
        }

        #[test]
        fn what_is_found_makes_the_same_air_again(
            t in -40.0..95.0f64, rh in 0.01..1.0f64, p in 88_000.0..106_000.0f64,
        ) {
            let (t, p) = (Celsius(t), Pascals(p));
            let air = HumidAir::from_relative_humidity(t, Fraction(rh), p).unwrap();
            let again = HumidAir::from_humidity_ratio(t, air.humidity_ratio(), p).unwrap();
            prop_assert!((again.relative_humidity().0 - rh).abs() < 1e-12, "{air:?}");
            let (dew_point, wet_bulb) = (air.dew_point().unwrap(), air.wet_bulb().unwrap());
            let again = HumidAir::from_dew_point(t, dew_point, p).unwrap();
            prop_assert!((again.vapour_pressure().0 / air.vapour_pressure().0 - 1.0).abs() < 1e-8, "{air:?}");
            prop_assert!(dew_point.0 <= wet_bulb.0 + 1e-9 && wet_bulb <= t, "{air:?}: {dew_point:?}, {wet_bulb:?}");
            let saturated = HumidAir::saturated(t, p).unwrap();
            prop_assert_eq!(saturated.dew_point(), Ok(t), "saturated air is at its dew point");
            prop_assert!((saturated.wet_bulb().unwrap().0 - t.0).abs() < 1e-9, "and at its wet bulb");
        }
    }
}
