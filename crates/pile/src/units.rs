//! Quantities with their units, so that a temperature and a rate cannot be mistaken for each other.
//!
//! Must never round: printing rounds, storing does not.

use std::fmt;

/// A number from outside, as a message repeats it: as it is where a person can read that, and with an exponent where it would be a row of
/// digits. Nothing is rounded, so that what is refused is never shown as its bound.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Readable(pub f64);

/// A number with so many decimals, or [`Readable`] where it would be a row of digits.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Decimals(pub f64, pub usize);

impl fmt::Display for Decimals {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.0.is_finite() && self.0.abs() >= 1e15 {
            Readable(self.0).fmt(f)
        } else {
            write!(f, "{:.*}", self.1, self.0)
        }
    }
}

/// [`Readable`], for the attributes of error types, which lend their fields.
pub fn readable(number: &f64) -> Readable {
    Readable(*number)
}

impl fmt::Display for Readable {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let size = self.0.abs();
        if size.is_finite() && size != 0.0 && !(1e-9..1e15).contains(&size) {
            write!(f, "{:e}", self.0)
        } else {
            write!(f, "{}", self.0)
        }
    }
}

/// What a conversion by a decimal factor gives, to fifteen digits: those beyond are the rounding of the factor and not of what was typed, so
/// that 12 inches are 0.3048 m and not a hair less.
pub fn converted(product: f64) -> f64 {
    // The text of a finite number is a number again.
    format!("{product:.14e}").parse().unwrap_or(product)
}

/// A temperature in degrees Celsius.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Celsius(pub f64);

/// A temperature difference in kelvin.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Kelvin(pub f64);

/// A rate of temperature change in kelvin per day.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct KelvinPerDay(pub f64);

/// A pressure in pascals.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Pascals(pub f64);

/// A volume of water in litres.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Litres(pub f64);

/// A volume of pile or space in cubic metres.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct CubicMetres(pub f64);

/// A volumetric flow of air in cubic metres per hour, at the conditions of the blower's inlet.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct CubicMetresPerHour(pub f64);

/// A length in metres; for an elevation, above mean sea level.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Metres(pub f64);

/// A mass in kilograms.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Kilograms(pub f64);

/// A mass each second, kg/s.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct KilogramsPerSecond(pub f64);

/// A mass each day, kg/d; negative where the process runs the other way.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct KilogramsPerDay(pub f64);

/// A density in kilograms per cubic metre; for a pile, of the material as it lies.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct KilogramsPerCubicMetre(pub f64);

/// A heat flow in watts.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Watts(pub f64);

/// A heat capacity of a whole body in joules per kelvin.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct JoulesPerKelvin(pub f64);

/// A flow of water in litres per minute.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct LitresPerMinute(pub f64);

/// A part of a whole, 0 to 1: moisture as a part of the wet mass, relative humidity, a duty cycle.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Fraction(pub f64);

/// A part of a hundred, 0 to 100.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Percent(pub f64);

/// A length of time in days of 86,400 s, where a millisecond is too coarse or the sum too long for a span.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Days(pub f64);
/// A mass for each mass of something else, kg/kg; the name says of what: water for dry air, oxygen for solids.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct KilogramsPerKilogram(pub f64);

/// An energy for each mass, J/kg; of humid air, for each kilogram of its dry air.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct JoulesPerKilogram(pub f64);

/// A volume for each mass, m³/kg; of humid air, for each kilogram of its dry air.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct CubicMetresPerKilogram(pub f64);

/// A volume of water each day, L/d.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct LitresPerDay(pub f64);

/// A first-order rate: the part of what is left that goes each day, 1/d.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct PerDay(pub f64);

/// A thermal transmittance (U-value), W/(m² K).
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct WattsPerSquareMetreKelvin(pub f64);

/// A thermal resistance (R-value), m² K/W.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct SquareMetreKelvinsPerWatt(pub f64);

impl Celsius {
    /// The same temperature in degrees Fahrenheit.
    pub fn fahrenheit(self) -> f64 {
        self.0 * 1.8 + 32.0
    }

    /// A temperature given in degrees Fahrenheit.
    pub fn from_fahrenheit(f: f64) -> Celsius {
        Celsius((f - 32.0) / 1.8)
    }
}

/// One pound per cubic yard in kg/m³: 0.45359237 kg to the pound, 0.9144 m to the yard (international, exact).
pub const POUNDS_PER_CUBIC_YARD: f64 = 0.453_592_37 / (0.9144 * 0.9144 * 0.9144);

impl KilogramsPerCubicMetre {
    /// The same density in pounds per cubic yard.
    pub fn pounds_per_cubic_yard(self) -> f64 {
        self.0 / POUNDS_PER_CUBIC_YARD
    }

    /// A density given in pounds per cubic yard.
    pub fn from_pounds_per_cubic_yard(density: f64) -> KilogramsPerCubicMetre {
        KilogramsPerCubicMetre(density * POUNDS_PER_CUBIC_YARD)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::Readable;

    #[test]
    fn a_number_is_repeated_as_a_person_can_read_it() {
        for (number, want) in [
            (170.4, "170.4"),
            (0.0, "0"),
            (-0.0, "-0"),
            (100_000.0, "100000"),
            (1e308, "1e308"),
            (-1e15, "-1e15"),
            (9e14, "900000000000000"),
            (5e-324, "5e-324"),
            (f64::NAN, "NaN"),
            (f64::INFINITY, "inf"),
        ] {
            assert_eq!(Readable(number).to_string(), want);
        }
    }

    #[test]
    fn a_conversion_is_as_exact_as_its_factor() {
        for inches in 1..=10_000_u32 {
            let exact = f64::from(inches * 254) / 10_000.0;
            assert_eq!(super::converted(f64::from(inches) * 0.0254), exact, "{inches} in");
        }
        assert_eq!(super::converted(f64::INFINITY), f64::INFINITY);
    }

    proptest! {
        #[test]
        fn a_conversion_changes_a_number_by_less_than_its_fifteenth_digit(number in any::<f64>()) {
            let got = super::converted(number);
            prop_assert!(number.is_nan() || got == number || (got - number).abs() <= number.abs() * 1e-14, "{got}");
        }

        #[test]
        fn no_number_is_a_row_of_digits_and_none_is_rounded(number in any::<f64>()) {
            let text = Readable(number).to_string();
            prop_assert!(text.len() <= 30, "{text}");
            prop_assert!(number.is_nan() || text.parse::<f64>() == Ok(number), "{text}");
        }
    }
}
