//! Quantities with their units, so that a temperature and a rate cannot be mistaken for each other.
//!
//! Must never round: printing rounds, storing does not.

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
