//! How finished compost is: self-heating and respiration classes, volume and mass lost, when it is cool enough to hand on.
//!
//! Must never class a value it was given in another unit: mg of CO2 and mg of CO2-C differ by 44/12.

use crate::source::Source;
use crate::units::{Celsius, CubicMetres, Fraction, Kelvin, Kilograms, Metres, readable};

/// Mass of carbon in a mass of carbon dioxide, by molar masses rounded as the trade rounds them.
pub const CARBON_IN_CARBON_DIOXIDE: f64 = 12.0 / 44.0;
/// The largest respiration that is taken for a measurement, mg CO2-C/(g organic matter · d): half of the carbon in a day.
pub const RESPIRATION_MAX: f64 = 300.0;
/// The largest self-heating rise that is taken for a measurement, K.
pub const RISE_KELVIN_MAX: f64 = 100.0;

/// Carbon given off as carbon dioxide: mg CO2-C per g of organic matter and day.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct Respiration(pub f64);

/// Carbon dioxide given off: mg CO2 per g of organic matter and day.
#[derive(Clone, Copy, Debug, PartialEq, PartialOrd)]
pub struct CarbonDioxideRate(pub f64);

/// A class of a scale: values above `over` up to and including `up_to`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Class {
    /// Its name on the scale.
    pub name: &'static str,
    /// What it means.
    pub meaning: &'static str,
    /// Lower bound, which belongs to the class below; zero belongs to the lowest class.
    pub over: f64,
    /// Upper bound, which belongs to this class; `None` for the open end.
    pub up_to: Option<f64>,
}

/// A scale: its classes from the calmest up, and who made it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scale {
    /// What it is called.
    pub name: &'static str,
    /// Classes, in the order of their bounds.
    pub classes: &'static [Class],
    /// Who says so.
    pub source: Source,
}

/// Self-heating in an insulated vessel by its highest rise above ambient, K. Class V is the most stable.
///
/// The bounds are lower-exclusive and upper-inclusive: a rise of exactly 10 K is class V. The source leaves that open.
pub const SELF_HEATING: Scale = Scale {
    name: "self-heating (Dewar)",
    classes: &[
        class("V", "very stable, mature compost", 0.0, Some(10.0)),
        class("IV", "moderately stable, curing", 10.0, Some(20.0)),
        class("III", "still decomposing, active", 20.0, Some(30.0)),
        class("II", "immature, very active", 30.0, Some(40.0)),
        class("I", "fresh, raw compost", 40.0, None),
    ],
    source: Source::from_memory("German Rottegrad scale (LAGA/BGK); Brinton et al. 1995"),
};

/// Respiration in five laboratory classes, mg CO2-C/(g organic matter · d); bounds as in [`SELF_HEATING`].
pub const RESPIRATION_A: Scale = Scale {
    name: "respiration, scheme A",
    classes: &[
        class("very stable", "very stable", 0.0, Some(2.0)),
        class("stable", "stable", 2.0, Some(5.0)),
        class("curing", "moderately unstable, curing", 5.0, Some(10.0)),
        class("raw compost", "unstable, raw compost", 10.0, Some(20.0)),
        class("raw feedstock", "raw feedstock", 20.0, None),
    ],
    source: Source::from_memory("TMECC 05.08-B, interpretive scale"),
};

/// Respiration in three classes, mg CO2-C/(g organic matter · d); bounds as in [`SELF_HEATING`].
pub const RESPIRATION_B: Scale = Scale {
    name: "respiration, scheme B",
    classes: &[
        class("very mature", "very mature, very stable", 0.0, Some(2.0)),
        class("mature", "mature, stable", 2.0, Some(8.0)),
        class("immature", "immature, unstable", 8.0, None),
    ],
    // The limit of 8 was read in a Minnesota stormwater specification, which writes "below 8"; the limit of 2 was not.
    source: Source::from_memory("TMECC 05.08-B, interpretive scale; California maturity index"),
};

/// The stability limit of PAS 100: at most 16 mg CO2 (not carbon) per g of organic matter and day.
pub const PAS_100_MAX: CarbonDioxideRate = CarbonDioxideRate(16.0);
/// Where [`PAS_100_MAX`] stands.
pub const PAS_100_SOURCE: Source = Source::read("BSI PAS 100:2005");

/// Where a batch goes next.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Onward {
    /// Off the air, to cure.
    Curing,
    /// To customers.
    Sale,
    /// Into worm beds.
    WormFeed,
}

/// A highest temperature for handing a batch on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HandOff {
    /// Where it goes.
    pub onward: Onward,
    /// The limit; reaching it exactly still passes.
    pub limit: Limit,
    /// Who says so.
    pub source: Source,
}

/// A limit on temperature, as such or above the surroundings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Limit {
    /// The pile's own temperature.
    Celsius(Celsius),
    /// How far it may stand above ambient.
    AboveAmbient(Kelvin),
}

/// How a batch stands to a limit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Readiness {
    /// The limit.
    pub hand_off: HandOff,
    /// How much cooler it must get; zero or negative once it is cool enough.
    pub to_cool: Kelvin,
}

/// Limits for handing a batch on. For curing it must also not reheat above the limit after turning.
pub const HAND_OFFS: [HandOff; 3] = [
    HandOff {
        onward: Onward::Curing,
        limit: Limit::Celsius(Celsius(40.0)),
        source: Source::from_memory("NRAES-54, On-Farm Composting Handbook, 1992"),
    },
    // The bound of self-heating class V, put on a pile instead of a vessel.
    HandOff { onward: Onward::Sale, limit: Limit::AboveAmbient(Kelvin(10.0)), source: Source::common_practice() },
    // Compost worms leave or die in beds warmer than about 30 °C, and fresh feed adds a few degrees.
    HandOff { onward: Onward::WormFeed, limit: Limit::Celsius(Celsius(30.0)), source: Source::common_practice() },
];

/// An argument of which nothing can be said.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum StabilityError {
    /// A value outside its range, or not a number.
    #[error("{what} of {value} is outside {range}; {step}", value = readable(.value))]
    OutOfRange {
        /// Which value, with its unit.
        what: &'static str,
        /// The value given.
        value: f64,
        /// The range in words.
        range: &'static str,
        /// What to do.
        step: &'static str,
    },
    /// There is more at the end than at the start.
    #[error("{what} grew from {before} to {after}, so nothing was lost; check whether both are of the same batch", before = readable(.before), after = readable(.after))]
    Grew {
        /// Which value, with its unit.
        what: &'static str,
        /// At the start.
        before: f64,
        /// At the end.
        after: f64,
    },
}

/// The self-heating class of a highest rise above ambient, by [`SELF_HEATING`].
///
/// # Errors
/// [`StabilityError::OutOfRange`] outside 0 to 100 K.
pub fn self_heating_class(rise: Kelvin) -> Result<&'static Class, StabilityError> {
    let step = "give the highest temperature in the vessel less that of the room";
    within("a self-heating rise in K", rise.0, (0.0..=RISE_KELVIN_MAX).contains(&rise.0), "0 to 100 K", step)?;
    Ok(classed(SELF_HEATING.classes, rise.0))
}

/// The class of a respiration by [`RESPIRATION_A`] or [`RESPIRATION_B`].
///
/// # Errors
/// [`StabilityError::OutOfRange`] outside 0 to 300 mg CO2-C/(g organic matter · d).
pub fn respiration_class(rate: Respiration, scheme: RespirationScheme) -> Result<&'static Class, StabilityError> {
    let (range, step) =
        ("0 to 300 mg CO2-C/(g organic matter · d)", "check the unit: mg of CO2 are 44/12 times mg of CO2-C");
    within("a respiration", rate.0, (0.0..=RESPIRATION_MAX).contains(&rate.0), range, step)?;
    let scale = match scheme {
        RespirationScheme::A => &RESPIRATION_A,
        RespirationScheme::B => &RESPIRATION_B,
    };
    Ok(classed(scale.classes, rate.0))
}

/// Which scale a respiration is classed by.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RespirationScheme {
    /// [`RESPIRATION_A`].
    A,
    /// [`RESPIRATION_B`].
    B,
}

impl CarbonDioxideRate {
    /// The carbon in it: 12/44.
    pub fn carbon(self) -> Respiration {
        Respiration(self.0 * CARBON_IN_CARBON_DIOXIDE)
    }

    /// Whether it meets [`PAS_100_MAX`]; the limit itself does.
    ///
    /// # Errors
    /// [`StabilityError::OutOfRange`] for a negative rate, one above 1,100 mg CO2/(g organic matter · d), or no number.
    pub fn meets_pas_100(self) -> Result<bool, StabilityError> {
        let range = "0 to 1100 mg CO2/(g organic matter · d)";
        let ok = (0.0..=RESPIRATION_MAX / CARBON_IN_CARBON_DIOXIDE).contains(&self.0);
        within("a respiration", self.0, ok, range, "check the unit: PAS 100 counts mg of CO2, not of carbon")?;
        Ok(self <= PAS_100_MAX)
    }
}

impl Respiration {
    /// The carbon dioxide that carries it: 44/12.
    pub fn carbon_dioxide(self) -> CarbonDioxideRate {
        CarbonDioxideRate(self.0 / CARBON_IN_CARBON_DIOXIDE)
    }
}

/// The part of the volume that is gone: 1 − after/before.
///
/// # Errors
/// [`StabilityError::OutOfRange`] unless both are above 0 and finite; [`StabilityError::Grew`].
pub fn volume_loss(before: CubicMetres, after: CubicMetres) -> Result<Fraction, StabilityError> {
    lost("a volume in m³", before.0, after.0)
}

/// The part of the volume that is gone by the depth of the pile, where its footprint stayed the same: 1 − after/before.
///
/// # Errors
/// As [`volume_loss`].
pub fn volume_loss_by_depth(before: Metres, after: Metres) -> Result<Fraction, StabilityError> {
    lost("a depth in m", before.0, after.0)
}

/// The part of the dry mass that is gone, by weighing: 1 − after/before.
///
/// # Errors
/// As [`volume_loss`].
pub fn mass_loss(dry_before: Kilograms, dry_after: Kilograms) -> Result<Fraction, StabilityError> {
    lost("a dry mass in kg", dry_before.0, dry_after.0)
}

/// The part of the dry mass that is gone, by ash, which stays: 1 − ash before / ash after, each a part of dry matter.
///
/// Ash balance of composting literature (from memory). Soil that a loader scrapes up counts as loss, because it is ash too.
///
/// # Errors
/// [`StabilityError::OutOfRange`] unless 0 < before ≤ after ≤ 1.
pub fn mass_loss_by_ash(before: Fraction, after: Fraction) -> Result<Fraction, StabilityError> {
    both_ash(before, after)?;
    Ok(Fraction(1.0 - before.0 / after.0))
}

/// The part of the volatile solids (organic matter) that is gone, by ash: 1 − (b/(1-b)) ((1-a)/a).
///
/// Ash balance of composting literature (from memory); b and a are the ash before and after as parts of dry matter.
///
/// # Errors
/// As [`mass_loss_by_ash`], and [`StabilityError::OutOfRange`] for ash of 1 before: there is nothing volatile to lose.
pub fn volatile_solids_loss_by_ash(before: Fraction, after: Fraction) -> Result<Fraction, StabilityError> {
    both_ash(before, after)?;
    let step = "there is no organic matter in it to lose; check the analysis";
    within("an ash fraction at the start", before.0, before.0 < 1.0, "above 0 and below 1", step)?;
    Ok(Fraction(1.0 - before.0 / (1.0 - before.0) * ((1.0 - after.0) / after.0)))
}

/// How a batch stands to the limit for where it goes next, by [`HAND_OFFS`].
///
/// # Errors
/// [`StabilityError::OutOfRange`] for a pile outside −40 to 120 °C or surroundings outside −60 to 60 °C.
pub fn readiness(pile: Celsius, ambient: Celsius, onward: Onward) -> Result<Readiness, StabilityError> {
    let ok = (-40.0..=120.0).contains(&pile.0);
    within("a pile temperature in °C", pile.0, ok, "-40 to 120 °C", "check the probe")?;
    let ok = (-60.0..=60.0).contains(&ambient.0);
    within("an ambient temperature in °C", ambient.0, ok, "-60 to 60 °C", "check the probe: it may stand in the sun")?;
    let hand_off = match onward {
        Onward::Curing => HAND_OFFS[0],
        Onward::Sale => HAND_OFFS[1],
        Onward::WormFeed => HAND_OFFS[2],
    };
    let to_cool = match hand_off.limit {
        Limit::Celsius(limit) => pile.0 - limit.0,
        Limit::AboveAmbient(limit) => pile.0 - ambient.0 - limit.0,
    };
    Ok(Readiness { hand_off, to_cool: Kelvin(to_cool) })
}

impl Readiness {
    /// Whether it is cool enough now.
    pub fn is_cool_enough(&self) -> bool {
        self.to_cool.0 <= 0.0
    }
}

const fn class(name: &'static str, meaning: &'static str, over: f64, up_to: Option<f64>) -> Class {
    Class { name, meaning, over, up_to }
}

/// The class that holds the value; the last is open.
fn classed(classes: &'static [Class], value: f64) -> &'static Class {
    let last = &classes[classes.len() - 1];
    classes.iter().find(|class| class.up_to.is_some_and(|up_to| value <= up_to)).unwrap_or(last)
}

fn lost(what: &'static str, before: f64, after: f64) -> Result<Fraction, StabilityError> {
    for value in [before, after] {
        within(what, value, value > 0.0 && value <= 1e9, "above 0 to 1e9", "measure it again")?;
    }
    if after > before {
        return Err(StabilityError::Grew { what, before, after });
    }
    Ok(Fraction(1.0 - after / before))
}

fn both_ash(before: Fraction, after: Fraction) -> Result<(), StabilityError> {
    for Fraction(value) in [before, after] {
        let step = "give ash as a part of dry matter, by loss on ignition";
        within("an ash fraction", value, value > 0.0 && value <= 1.0, "above 0 to 1", step)?;
    }
    if after < before {
        return Err(StabilityError::OutOfRange {
            what: "an ash fraction at the end",
            value: after.0,
            range: "the ash at the start to 1",
            step: "ash does not decay: check whether both samples are of the same batch",
        });
    }
    Ok(())
}

/// `ok` is written by the caller so that a value that is not a number fails it.
fn within(
    what: &'static str,
    value: f64,
    ok: bool,
    range: &'static str,
    step: &'static str,
) -> Result<(), StabilityError> {
    if ok { Ok(()) } else { Err(StabilityError::OutOfRange { what, value, range, step }) }
}
