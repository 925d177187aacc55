//! What a series measures, and in which unit it is kept.
//!
//! Must never convert twice: text and payloads are converted at the edge, once.

use std::fmt;

/// What is measured. Each quantity is kept in one canonical unit, see [`Quantity::unit`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Quantity {
    /// Temperature, kept in °C.
    Temperature,
    /// Oxygen in the pore gas or the room, kept in percent by volume.
    Oxygen,
    /// Carbon dioxide, kept in percent by volume.
    CarbonDioxide,
    /// Carbon monoxide, kept in parts per million by volume.
    CarbonMonoxide,
    /// Ammonia, kept in parts per million by volume.
    Ammonia,
    /// Hydrogen sulphide, kept in parts per million by volume.
    HydrogenSulphide,
    /// Moisture of the material, kept in percent of wet mass.
    Moisture,
    /// Relative humidity of air, kept in percent.
    Humidity,
    /// Static pressure, kept in pascals.
    Pressure,
    /// Air flow, kept in cubic metres per hour.
    Flow,
    /// Motor current, kept in amperes.
    Current,
    /// What is left in a probe's battery, kept in percent.
    Battery,
    /// Voltage of a probe's battery, kept in volts.
    BatteryVoltage,
    /// How full a trap, a sump or a tank is, kept in percent; a switch that closes when it is full is 0 or 100.
    Level,
    /// A blower's run counter: seconds run since it was made or last reset.
    RunTime,
}

/// A unit in which a payload or a setting may give a value.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unit {
    /// Degrees Celsius.
    Celsius,
    /// Degrees Fahrenheit.
    Fahrenheit,
    /// Kelvin, as a temperature above absolute zero.
    Kelvin,
    /// Percent.
    Percent,
    /// A switch: 0 open, 1 closed.
    Switch,
    /// Parts per million by volume.
    PartsPerMillion,
    /// Pascals.
    Pascal,
    /// Hectopascals.
    Hectopascal,
    /// Inches of water column, as US blower manuals give pressure.
    InchOfWater,
    /// Cubic metres per hour.
    CubicMetrePerHour,
    /// Cubic feet per minute.
    CubicFootPerMinute,
    /// Amperes.
    Ampere,
    /// Volts.
    Volt,
    /// Millivolts.
    Millivolt,
    /// Seconds.
    Second,
    /// Minutes.
    Minute,
    /// Hours.
    Hour,
    /// A change of temperature by the day; of settings of rules, no probe sends it.
    KelvinPerDay,
    /// The same in Fahrenheit.
    FahrenheitPerDay,
}

/// Every quantity with its key in settings and topics.
pub const QUANTITIES: [(Quantity, &str); 15] = [
    (Quantity::Temperature, "temperature"),
    (Quantity::Oxygen, "oxygen"),
    (Quantity::CarbonDioxide, "carbon_dioxide"),
    (Quantity::CarbonMonoxide, "carbon_monoxide"),
    (Quantity::Ammonia, "ammonia"),
    (Quantity::HydrogenSulphide, "hydrogen_sulphide"),
    (Quantity::Moisture, "moisture"),
    (Quantity::Humidity, "humidity"),
    (Quantity::Pressure, "pressure"),
    (Quantity::Flow, "flow"),
    (Quantity::Current, "current"),
    (Quantity::Battery, "battery"),
    (Quantity::BatteryVoltage, "battery_voltage"),
    (Quantity::Level, "level"),
    (Quantity::RunTime, "run_time"),
];

/// Every unit with the spellings that settings and payloads may use: the SenML or UCUM symbol first, then what people write.
const UNITS: [(Unit, &[&str]); 17] = [
    (Unit::Celsius, &["Cel", "°C", "C", "celsius"]),
    (Unit::Fahrenheit, &["[degF]", "°F", "F", "fahrenheit"]),
    (Unit::Kelvin, &["K", "kelvin"]),
    (Unit::Percent, &["%", "%RH", "%EL", "percent", "%vol"]),
    // RFC 8428 section 12.1: the value of a switch.
    (Unit::Switch, &["/", "0/1", "switch"]),
    (Unit::PartsPerMillion, &["ppm", "[ppm]"]),
    (Unit::Pascal, &["Pa"]),
    (Unit::Hectopascal, &["hPa", "mbar"]),
    (Unit::InchOfWater, &["[in_i'H2O]", "inH2O", "inWC"]),
    (Unit::CubicMetrePerHour, &["m3/h", "m³/h"]),
    (Unit::CubicFootPerMinute, &["[cft_i]/min", "cfm"]),
    (Unit::Ampere, &["A"]),
    (Unit::Volt, &["V"]),
    (Unit::Millivolt, &["mV"]),
    (Unit::Second, &["s"]),
    (Unit::Minute, &["min"]),
    (Unit::Hour, &["h"]),
];

/// Units that only numbers of rules have.
const RATES: [(Unit, &[&str]); 2] =
    [(Unit::KelvinPerDay, &["K/d", "°C/d", "C/d", "Cel/d"]), (Unit::FahrenheitPerDay, &["[degF]/d", "°F/d", "F/d"])];

impl Quantity {
    /// The key that settings and topics use, such as `carbon_dioxide`.
    pub fn key(self) -> &'static str {
        QUANTITIES.iter().find(|(q, _)| *q == self).map_or("", |(_, key)| key)
    }

    /// The quantity with this key.
    pub fn from_key(key: &str) -> Option<Quantity> {
        QUANTITIES.iter().find(|(_, k)| *k == key).map(|(q, _)| *q)
    }

    /// The unit in which values of this quantity are kept.
    pub fn unit(self) -> Unit {
        match self {
            Quantity::Temperature => Unit::Celsius,
            Quantity::Oxygen
            | Quantity::CarbonDioxide
            | Quantity::Moisture
            | Quantity::Humidity
            | Quantity::Battery
            | Quantity::Level => Unit::Percent,
            Quantity::CarbonMonoxide | Quantity::Ammonia | Quantity::HydrogenSulphide => Unit::PartsPerMillion,
            Quantity::Pressure => Unit::Pascal,
            Quantity::Flow => Unit::CubicMetrePerHour,
            Quantity::Current => Unit::Ampere,
            Quantity::BatteryVoltage => Unit::Volt,
            Quantity::RunTime => Unit::Second,
        }
    }

    /// The range a working instrument can report when the settings give none for the probe, in the canonical unit.
    ///
    /// Temperature: the −20 to 120 °C that pile probes are commonly sold for (common practice, no source).
    pub fn default_range(self) -> (f64, f64) {
        match self {
            Quantity::Temperature => (-20.0, 120.0),
            Quantity::Oxygen => (0.0, 25.0),
            Quantity::CarbonDioxide | Quantity::Moisture | Quantity::Humidity | Quantity::Battery | Quantity::Level => {
                (0.0, 100.0)
            }
            Quantity::CarbonMonoxide | Quantity::Ammonia | Quantity::HydrogenSulphide => (0.0, 10_000.0),
            Quantity::Pressure => (-20_000.0, 20_000.0),
            Quantity::Flow => (0.0, 200_000.0),
            Quantity::Current => (0.0, 1_000.0),
            Quantity::BatteryVoltage => (0.0, 60.0),
            Quantity::RunTime => (0.0, 1e12),
        }
    }
}

impl fmt::Display for Quantity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.key().replace('_', " "))
    }
}

impl Unit {
    /// Every unit, in the order of the table.
    pub fn all() -> impl Iterator<Item = Unit> {
        UNITS.iter().map(|(unit, _)| *unit)
    }

    /// The unit that a text names, by any of its spellings.
    pub fn from_symbol(text: &str) -> Option<Unit> {
        UNITS.iter().chain(&RATES).find(|(_, names)| names.contains(&text)).map(|(unit, _)| *unit)
    }

    /// Every spelling that settings and payloads may use, the SenML or UCUM symbol first.
    pub fn spellings(self) -> &'static [&'static str] {
        UNITS.iter().chain(&RATES).find(|(unit, _)| *unit == self).map_or(&[], |(_, names)| names)
    }

    /// The SenML or UCUM symbol.
    pub fn symbol(self) -> &'static str {
        UNITS.iter().chain(&RATES).find(|(u, _)| *u == self).map_or("", |(_, names)| names[0])
    }

    /// The unit as people read it, such as `°C`.
    pub fn sign(self) -> &'static str {
        match self {
            Unit::Celsius => "°C",
            Unit::Fahrenheit => "°F",
            Unit::InchOfWater => "inH2O",
            Unit::CubicMetrePerHour => "m³/h",
            Unit::CubicFootPerMinute => "cfm",
            Unit::FahrenheitPerDay => "°F/d",
            other => other.symbol(),
        }
    }

    /// Converts a value in this unit to the canonical unit of `quantity`, or `None` where the unit measures something else.
    pub fn to_canonical(self, quantity: Quantity, value: f64) -> Option<f64> {
        match (self, quantity.unit()) {
            (unit, canonical) if unit == canonical => Some(value),
            (Unit::Fahrenheit, Unit::Celsius) => Some((value - 32.0) / 1.8),
            (Unit::Kelvin, Unit::Celsius) => Some(value - 273.15),
            (Unit::Hectopascal, Unit::Pascal) => Some(value * 100.0),
            // 249.08891 Pa: the conventional inch of water, NIST SP 811 (2008) appendix B.8.
            (Unit::InchOfWater, Unit::Pascal) => Some(value * 249.088_91),
            // 0.028 316 846 592 m³ to the cubic foot, NIST SP 811 (2008) appendix B.8 (exact).
            (Unit::CubicFootPerMinute, Unit::CubicMetrePerHour) => Some(value * 0.028_316_846_592 * 60.0),
            // Only a level can be a switch: a moisture or a humidity of 0 or 1 is none.
            (Unit::Switch, Unit::Percent) if quantity == Quantity::Level => Some(value * 100.0),
            (Unit::PartsPerMillion, Unit::Percent) if quantity != Quantity::Level => Some(value / 1e4),
            (Unit::Percent, Unit::PartsPerMillion) => Some(value * 1e4),
            (Unit::Millivolt, Unit::Volt) => Some(value / 1e3),
            (Unit::Minute, Unit::Second) => Some(value * 60.0),
            (Unit::Hour, Unit::Second) => Some(value * 3_600.0),
            _ => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_quantity_has_a_key_and_every_unit_a_symbol() {
        for (quantity, key) in QUANTITIES {
            assert_eq!(Quantity::from_key(key), Some(quantity));
            assert_eq!(quantity.key(), key);
            assert_eq!(Unit::from_symbol(quantity.unit().symbol()), Some(quantity.unit()));
        }
    }

    #[test]
    fn units_convert_to_the_canonical_one_or_not_at_all() {
        use Quantity::{Flow, Level, Moisture, Pressure, RunTime, Temperature};
        for (unit, quantity, value, want) in [
            (Unit::Fahrenheit, Temperature, 131.0, Some(55.0)),
            (Unit::Kelvin, Temperature, 328.15, Some(55.0)),
            (Unit::Celsius, Temperature, 55.0, Some(55.0)),
            (Unit::Percent, Temperature, 55.0, None),
            (Unit::InchOfWater, Pressure, 1.0, Some(249.088_91)),
            (Unit::CubicFootPerMinute, Flow, 100.0, Some(169.901_079_552)),
            (Unit::Hour, RunTime, 2.0, Some(7_200.0)),
            (Unit::Switch, Level, 1.0, Some(100.0)),
            (Unit::Switch, Level, 0.0, Some(0.0)),
            (Unit::Percent, Level, 35.0, Some(35.0)),
            (Unit::PartsPerMillion, Level, 35.0, None),
            (Unit::Switch, Moisture, 1.0, None),
            (Unit::Switch, Temperature, 1.0, None),
        ] {
            let got = unit.to_canonical(quantity, value);
            match (got, want) {
                (Some(g), Some(w)) => assert!((g - w).abs() < 1e-9, "{unit:?} {value}: {g} against {w}"),
                (g, w) => assert_eq!(g, w),
            }
        }
    }
}
