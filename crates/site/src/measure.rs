//! A number with its unit as a person types it: `140F`, `4.5cfm`, `60gal`.
//!
//! Must never guess a unit: a number without one is in the unit that its setting or flag is named by, or is refused.

use crate::quantity::{Quantity, Unit};
use crate::recipe::{CUBIC_METRES_PER_CUBIC_YARD, KILOGRAMS_PER_POUND, LITRES_PER_GALLON};

/// What a number measures, and so the unit that it is turned into.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// A temperature, °C.
    Temperature,
    /// A difference of temperatures, K.
    Difference,
    /// A flow of air, m³/h.
    Flow,
    /// An air pressure, Pa.
    Pressure,
    /// A length of time, s.
    Duration,
    /// A length or an elevation, m.
    Length,
    /// A mass, kg.
    Mass,
    /// A volume of material or space, m³.
    Volume,
    /// A volume of water, L.
    Water,
    /// A flow of water, L/min.
    WaterFlow,
    /// A bulk density, kg/m³.
    Density,
    /// A flow of heat, W.
    Heat,
    /// A thermal transmittance (U-value), W/(m² K).
    Transmittance,
    /// A part of a whole, 0 to 1.
    Fraction,
}

/// Why a text is no number of its kind.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum MeasureError {
    /// It does not begin with a number.
    #[error("`{text}` does not begin with a number; write one such as `{example}`, with a point for decimals")]
    NoNumber {
        /// The text given.
        text: String,
        /// A text that is taken.
        example: &'static str,
    },
    /// It is longer than any number, or larger than any that can be computed with.
    #[error("`{text}` is larger than can be computed with; write a number such as `{example}`")]
    TooLarge {
        /// The beginning of the text given.
        text: String,
        /// A text that is taken.
        example: &'static str,
    },
    /// The unit measures something else, or nothing.
    #[error("`{unit}` is not a unit of {called}; use {fit}, as in `{example}`")]
    Unit {
        /// The unit given.
        unit: String,
        /// What was to be measured.
        called: &'static str,
        /// The units that fit.
        fit: &'static str,
        /// A text that is taken.
        example: &'static str,
    },
    /// There is no unit, and none is understood.
    #[error("`{text}` has no unit; add {fit}, as in `{example}`")]
    Bare {
        /// The text given.
        text: String,
        /// The units that fit.
        fit: &'static str,
        /// A text that is taken.
        example: &'static str,
    },
}

/// A unit that no probe sends, with its UCUM symbol first: times `times`, over `over` gives the unit of the kind.
struct Other {
    kind: Kind,
    names: &'static [&'static str],
    times: f64,
    over: f64,
}

/// Metres in a foot (international, exact).
const METRES_PER_FOOT: f64 = 0.3048;
/// Cubic metres in a cubic foot (exact).
pub const CUBIC_METRES_PER_CUBIC_FOOT: f64 = 0.028_316_846_592;
/// Joules in a British thermal unit, International Table (exact, NIST SP 811 (2008) appendix B.8).
pub const JOULES_PER_BTU: f64 = 1_055.055_852_62;
/// Longest text that is read for a number with its unit.
const TEXT_MAX: usize = 60;

const OTHERS: [Other; 33] = [
    other(Kind::Difference, &["K", "kelvin"], 1.0, 1.0),
    other(Kind::Difference, &["Cel", "°C", "C"], 1.0, 1.0),
    other(Kind::Difference, &["[degF]", "°F", "F"], 1.0, 1.8),
    other(Kind::Pressure, &["kPa"], 1e3, 1.0),
    other(Kind::Duration, &["d", "days", "day"], 86_400.0, 1.0),
    other(Kind::Length, &["m"], 1.0, 1.0),
    other(Kind::Length, &["cm"], 1.0, 100.0),
    other(Kind::Length, &["[ft_i]", "ft"], METRES_PER_FOOT, 1.0),
    other(Kind::Length, &["[in_i]", "in"], METRES_PER_FOOT, 12.0),
    other(Kind::Mass, &["kg"], 1.0, 1.0),
    other(Kind::Mass, &["t"], 1e3, 1.0),
    other(Kind::Mass, &["[lb_av]", "lb", "lbs"], KILOGRAMS_PER_POUND, 1.0),
    other(Kind::Volume, &["m3", "m³"], 1.0, 1.0),
    other(Kind::Volume, &["L", "l"], 1.0, 1e3),
    other(Kind::Volume, &["[cyd_i]", "yd3", "yd³"], CUBIC_METRES_PER_CUBIC_YARD, 1.0),
    other(Kind::Volume, &["[cft_i]", "ft3", "ft³"], CUBIC_METRES_PER_CUBIC_FOOT, 1.0),
    other(Kind::Volume, &["[gal_us]", "gal"], LITRES_PER_GALLON, 1e3),
    other(Kind::Water, &["L", "l"], 1.0, 1.0),
    other(Kind::Water, &["m3", "m³"], 1e3, 1.0),
    other(Kind::Water, &["[gal_us]", "gal"], LITRES_PER_GALLON, 1.0),
    other(Kind::WaterFlow, &["L/min", "l/min"], 1.0, 1.0),
    other(Kind::WaterFlow, &["[gal_us]/min", "gal/min", "gpm"], LITRES_PER_GALLON, 1.0),
    other(Kind::Density, &["kg/m3", "kg/m³"], 1.0, 1.0),
    other(Kind::Density, &["[lb_av]/[cyd_i]", "lb/yd3", "lb/yd³"], KILOGRAMS_PER_POUND, CUBIC_METRES_PER_CUBIC_YARD),
    other(Kind::Density, &["[lb_av]/[cft_i]", "lb/ft3", "lb/ft³"], KILOGRAMS_PER_POUND, CUBIC_METRES_PER_CUBIC_FOOT),
    other(Kind::Heat, &["W"], 1.0, 1.0),
    other(Kind::Heat, &["kW"], 1e3, 1.0),
    other(Kind::Heat, &["[Btu_IT]/h", "BTU/h", "Btu/h"], JOULES_PER_BTU, 3_600.0),
    other(Kind::Transmittance, &["W/(m2.K)", "W/m2K", "W/m²K"], 1.0, 1.0),
    other(
        Kind::Transmittance,
        &["[Btu_IT]/(h.[sft_i].[degF])", "BTU/hft2F"],
        JOULES_PER_BTU * 1.8,
        3_600.0 * METRES_PER_FOOT * METRES_PER_FOOT,
    ),
    other(Kind::Fraction, &["1"], 1.0, 1.0),
    other(Kind::Fraction, &["%"], 1.0, 100.0),
    other(Kind::Fraction, &["percent"], 1.0, 100.0),
];

impl Kind {
    /// What people call it, the units that fit as they are typed, and an example.
    fn words(self) -> (&'static str, &'static str, &'static str) {
        match self {
            Kind::Temperature => ("temperature", "C, F or K", "60C"),
            Kind::Difference => ("temperature difference", "K or F", "2K"),
            Kind::Flow => ("air flow", "m3/h or cfm", "7.6m3/h"),
            Kind::Pressure => ("air pressure", "Pa, hPa, kPa or inH2O", "1013.25hPa"),
            Kind::Duration => ("time", "s, min, h or d", "30min"),
            Kind::Length => ("length", "m, cm, ft or in", "10ft"),
            Kind::Mass => ("mass", "kg, t or lb", "5lb"),
            Kind::Volume => ("volume", "m3, L, yd3, ft3 or gal", "2yd3"),
            Kind::Water => ("water", "L, m3 or gal", "60gal"),
            Kind::WaterFlow => ("water flow", "L/min or gpm", "18L/min"),
            Kind::Density => ("bulk density", "kg/m3, lb/yd3 or lb/ft3", "900lb/yd3"),
            Kind::Heat => ("heat flow", "W, kW or BTU/h", "1.2kW"),
            Kind::Transmittance => ("U-value", "W/m2K or BTU/hft2F", "0.5W/m2K"),
            Kind::Fraction => ("parts of a whole", "a number from 0 to 1 or %", "55%"),
        }
    }

    /// What probes send of this kind, whose units are in [`crate::quantity`].
    fn quantity(self) -> Option<Quantity> {
        match self {
            Kind::Temperature => Some(Quantity::Temperature),
            Kind::Flow => Some(Quantity::Flow),
            Kind::Pressure => Some(Quantity::Pressure),
            Kind::Duration => Some(Quantity::RunTime),
            _ => None,
        }
    }

    fn convert(self, unit: &str, value: f64) -> Option<f64> {
        let sent = self.quantity().and_then(|quantity| Unit::from_symbol(unit)?.to_canonical(quantity, value));
        sent.or_else(|| {
            let other = OTHERS.iter().find(|other| other.kind == self && other.names.contains(&unit))?;
            Some(value * other.times / other.over)
        })
    }
}

/// Reads a number with its unit and gives it in the unit of its kind; `bare` is the unit of a number without one.
///
/// A space may stand between the two. US gallons, pounds, feet and yards are exact, and so is 131 °F: 55 °C.
///
/// # Errors
/// [`MeasureError`]: no number, one that is not finite, a unit of something else, or none where none is understood.
pub fn read(text: &str, kind: Kind, bare: Option<&str>) -> Result<f64, MeasureError> {
    let (called, fit, example) = kind.words();
    let text = text.trim();
    if text.len() > TEXT_MAX {
        return Err(MeasureError::TooLarge { text: text.chars().take(TEXT_MAX / 3).collect(), example });
    }
    let number_ends =
        |end: &usize| text.is_char_boundary(*end) && text[..*end].ends_with(|c: char| c.is_ascii_digit() || c == '.');
    let split = (1..=text.len()).rev().filter(number_ends);
    let Some((value, unit)) =
        split.filter_map(|end| Some((text[..end].parse::<f64>().ok()?, text[end..].trim()))).next()
    else {
        return Err(MeasureError::NoNumber { text: text.to_owned(), example });
    };
    let unit = match (unit, bare) {
        ("", None) => return Err(MeasureError::Bare { text: text.to_owned(), fit, example }),
        ("", Some(bare)) => bare,
        (unit, _) => unit,
    };
    match kind.convert(unit, value) {
        None => Err(MeasureError::Unit { unit: unit.to_owned(), called, fit, example }),
        Some(value) if !value.is_finite() => Err(MeasureError::TooLarge { text: text.to_owned(), example }),
        Some(value) => Ok(value),
    }
}

const fn other(kind: Kind, names: &'static [&'static str], times: f64, over: f64) -> Other {
    Other { kind, names, times, over }
}

#[cfg(test)]
mod tests {
    use super::*;

    const KINDS: [Kind; 14] = [
        Kind::Temperature,
        Kind::Difference,
        Kind::Flow,
        Kind::Pressure,
        Kind::Duration,
        Kind::Length,
        Kind::Mass,
        Kind::Volume,
        Kind::Water,
        Kind::WaterFlow,
        Kind::Density,
        Kind::Heat,
        Kind::Transmittance,
        Kind::Fraction,
    ];

    #[test]
    fn units_are_exact() {
        for (text, kind, bare, want, why) in [
            ("131F", Kind::Temperature, None, 55.0, "the legal limit"),
            ("140 °F", Kind::Temperature, None, 60.0, "a space, and the sign"),
            ("55", Kind::Temperature, Some("C"), 55.0, "the unit of the flag"),
            ("-40F", Kind::Temperature, Some("C"), -40.0, "where the scales meet"),
            ("1.8F", Kind::Difference, None, 1.0, "a difference has no zero point"),
            ("1cfm", Kind::Flow, None, 0.028_316_846_592 * 60.0, "a cubic foot each minute"),
            ("1gal", Kind::Water, None, 3.785_411_784, "US gallon of 231 cubic inches"),
            ("1lb", Kind::Mass, None, 0.453_592_37, "international pound"),
            ("10ft", Kind::Length, None, 3.048, "international foot"),
            ("1yd3", Kind::Volume, None, 0.764_554_857_984, "0.9144 cubed"),
            ("230L", Kind::Volume, None, 0.23, "a litre is a thousandth"),
            ("55%", Kind::Fraction, Some("1"), 0.55, "not 0.55000000000000004"),
            ("1h", Kind::Duration, None, 3_600.0, "an hour"),
            ("10", Kind::Duration, Some("d"), 864_000.0, "days of 86,400 s"),
            ("1e2Pa", Kind::Pressure, None, 100.0, "an exponent"),
            ("5.m", Kind::Length, None, 5.0, "a point at the end"),
        ] {
            assert_eq!(read(text, kind, bare), Ok(want), "{text}: {why}");
        }
    }

    #[test]
    fn derived_units_agree_with_nist_sp_811() {
        // NIST SP 811 (2008), appendix B.8, to the digits printed there.
        for (text, kind, want) in [
            ("1BTU/h", Kind::Heat, 0.293_071_1),
            ("1BTU/hft2F", Kind::Transmittance, 5.678_263),
            ("1lb/yd3", Kind::Density, 0.593_276_4),
            ("1lb/ft3", Kind::Density, 16.018_46),
            ("1gpm", Kind::WaterFlow, 3.785_412),
        ] {
            let got = read(text, kind, None).unwrap();
            assert!((got / want - 1.0).abs() < 5e-7, "{text}: {got}, printed {want}");
        }
    }

    #[test]
    fn what_is_no_measure_is_refused_with_what_fits() {
        for (text, kind, bare, want) in [
            ("60gal", Kind::Temperature, Some("C"), "`gal` is not a unit of temperature; use C, F or K, as in `60C`"),
            ("3h", Kind::Mass, Some("kg"), "`h` is not a unit of mass; use kg, t or lb, as in `5lb`"),
            ("5", Kind::Duration, None, "`5` has no unit; add s, min, h or d, as in `30min`"),
            ("NaN", Kind::Length, Some("m"), "`NaN` does not begin with a number"),
            ("inf", Kind::Length, Some("m"), "does not begin with a number"),
            ("", Kind::Length, Some("m"), "does not begin with a number"),
            ("F", Kind::Temperature, Some("C"), "does not begin with a number"),
            ("1e400", Kind::Length, Some("m"), "larger than can be computed with"),
            ("1,5m", Kind::Length, Some("m"), "`,5m` is not a unit of length"),
        ] {
            let said = read(text, kind, bare).unwrap_err().to_string();
            assert!(said.contains(want), "{text}: {said}");
        }
    }

    #[test]
    fn the_units_named_in_messages_are_taken_and_no_unit_stands_twice() {
        for kind in KINDS {
            let (called, fit, example) = kind.words();
            assert!(read(example, kind, None).is_ok(), "{called}: {example}");
            for unit in fit.split([' ', ',']).filter(|w| !["", "or", "a", "number", "from", "to", "0", "1"].contains(w))
            {
                assert!(kind.convert(unit, 1.0).is_some(), "{called}: {unit}");
            }
            let names: Vec<_> = OTHERS.iter().filter(|o| o.kind == kind).flat_map(|o| o.names).collect();
            for (i, name) in names.iter().enumerate() {
                assert!(!names[..i].contains(name), "{called}: {name} stands twice");
            }
        }
    }

    /// Texts that a finger might make, from a fixed seed: a splitmix64 picks each letter.
    #[test]
    fn no_text_makes_it_panic_or_give_what_is_no_number() {
        let letters: Vec<char> = "0123456789.-+eE FCKmhLgalydcfspt%/³°²,nNaif\u{0}".chars().collect();
        let mut state = 7_u64;
        let mut next = move || {
            state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
            let x = (state ^ (state >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
            let x = (x ^ (x >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
            (x ^ (x >> 31)) as usize
        };
        let mut taken = 0;
        for _ in 0..200_000 {
            let mut text: String = (0..next() % 9).map(|_| letters[next() % letters.len()]).collect();
            let other = &OTHERS[next() % OTHERS.len()];
            if next() % 2 == 0 {
                text += other.names[0];
            }
            if let Ok(value) = read(&text, other.kind, Some(other.names[0])) {
                assert!(value.is_finite(), "{text:?}: {value}");
                taken += 1;
            }
        }
        assert!(taken > 1_000, "only {taken} texts were numbers: the letters are badly chosen");
    }
}
