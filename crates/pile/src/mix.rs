//! Figures of a mix of feedstocks: moisture, carbon to nitrogen, density, free air space, and the ranges they should lie in.
//!
//! Must never average C:N: carbon and nitrogen are summed over dry matter, and their sums divided.

use std::fmt;

use crate::source::Source;
use crate::units::{CubicMetres, Fraction, Kilograms, KilogramsPerCubicMetre, POUNDS_PER_CUBIC_YARD, readable};

/// The largest mass of one ingredient: a thousand sites at once, so that no sum overflows.
pub const MASS_KILOGRAMS_MAX: f64 = 1e9;
/// The smallest mass of a mix, a milligram.
pub const MASS_KILOGRAMS_MIN: f64 = 1e-6;
/// The wettest material: with less dry matter than a millionth it is water, which is not an ingredient.
pub const MOISTURE_MAX: f64 = 0.999_999;
/// The loosest material, kg/m³.
pub const BULK_DENSITY_MIN: f64 = 1.0;
/// The densest material, kg/m³: mineral grains without pores (2,500, see [`AirSpace`]).
pub const BULK_DENSITY_MAX: f64 = 2_500.0;
/// The largest C:N of an ingredient.
pub const CARBON_TO_NITROGEN_MAX: f64 = 10_000.0;
/// The largest part of the volume that mixing may take.
pub const SHRINK_MAX: f64 = 0.9;

/// Differences smaller than this part of a value are rounding.
pub const ROUNDING: f64 = 1e-9;

/// A feedstock with its analysis; made by [`Ingredient::new`], so that what is in it has been checked.
#[derive(Clone, Debug, PartialEq)]
pub struct Ingredient {
    name: String,
    moisture: f64,
    carbon: f64,
    nitrogen: f64,
    bulk_density: Option<f64>,
    volatile_solids: Option<f64>,
}

/// How much of an ingredient, as it is loaded (wet).
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Amount {
    /// Wet mass.
    Mass(Kilograms),
    /// Loose volume, turned into mass by the ingredient's bulk density.
    Volume(CubicMetres),
}

/// One ingredient of a mix with its amount.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Part<'a> {
    /// What.
    pub ingredient: &'a Ingredient,
    /// How much.
    pub amount: Amount,
}

/// What is known of a mix.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Figures {
    /// Everything that was loaded.
    pub wet_mass: Kilograms,
    /// Dry matter.
    pub dry_mass: Kilograms,
    /// Water.
    pub water: Kilograms,
    /// Water as a part of the wet mass.
    pub moisture: Fraction,
    /// Carbon in the dry matter.
    pub carbon: Kilograms,
    /// Nitrogen in the dry matter.
    pub nitrogen: Kilograms,
    /// Carbon over nitrogen; `None` where there is no nitrogen to divide by.
    pub carbon_to_nitrogen: Option<f64>,
    /// The volume after mixing; `None` where an ingredient's bulk density is not known.
    pub volume: Option<CubicMetres>,
    /// Wet mass over that volume.
    pub bulk_density: Option<KilogramsPerCubicMetre>,
    /// Volatile solids as a part of the dry matter; `None` where one ingredient's are not known.
    pub volatile_solids: Option<Fraction>,
}

/// The densities behind a free air space. The two differ by 5 to 9 points: a number without its convention says little.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AirSpace {
    /// Specific gravity 1.0 of volatile and 2.5 of fixed solids (Haug, The Practical Handbook of Compost Engineering, 1993;
    /// from memory).
    Haug,
    /// Particle density 1,600 kg/m³ of organic and 2,500 kg/m³ of mineral matter (from memory).
    ParticleDensity,
}

/// A figure that has a range to lie in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Figure {
    /// Moisture, as a fraction of the wet mass.
    Moisture,
    /// Carbon to nitrogen.
    CarbonToNitrogen,
    /// Bulk density in kg/m³.
    BulkDensity,
    /// Free air space, as a fraction of the volume.
    FreeAirSpace,
}

/// How much a range asks for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Grade {
    /// Outside of it the mix wants changing.
    Acceptable,
    /// The better part of the acceptable.
    Preferred,
}

/// A range from the literature; both ends belong to it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Target {
    /// Of which figure, and in its unit.
    pub figure: Figure,
    /// How much it asks for.
    pub grade: Grade,
    /// Lower end, if there is one.
    pub low: Option<f64>,
    /// Upper end, if there is one.
    pub high: Option<f64>,
    /// Who says so.
    pub source: Source,
}

/// On which side of a range a value lies.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Side {
    /// Under the lower end.
    Below,
    /// Inside, ends included.
    Within,
    /// Over the upper end.
    Above,
}

/// A figure outside an acceptable range.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Warning {
    /// The range.
    pub target: &'static Target,
    /// The figure's value, in the unit of [`Figure`].
    pub value: f64,
    /// Where it lies.
    pub side: Side,
}

/// Ranges for a mix at the start. Sources disagree about what is best, so each stands with its own.
pub const TARGETS: [Target; 9] = [
    target(Figure::Moisture, Grade::Acceptable, Some(0.40), Some(0.65), COOPERBAND),
    target(Figure::Moisture, Grade::Preferred, Some(0.45), Some(0.60), COOPERBAND),
    target(Figure::Moisture, Grade::Preferred, Some(0.50), Some(0.60), NRAES),
    target(Figure::CarbonToNitrogen, Grade::Acceptable, Some(20.0), Some(40.0), COOPERBAND),
    target(Figure::CarbonToNitrogen, Grade::Preferred, Some(25.0), Some(35.0), COOPERBAND),
    target(Figure::CarbonToNitrogen, Grade::Preferred, Some(25.0), Some(30.0), NRAES),
    // 1,000 lb/yd³; some engineering texts allow 1,100 (650 kg/m³).
    target(Figure::BulkDensity, Grade::Acceptable, None, Some(1_000.0 * POUNDS_PER_CUBIC_YARD), COOPERBAND),
    target(Figure::FreeAirSpace, Grade::Acceptable, Some(0.30), None, HAUG),
    // The source's band; many designers start at 40 to 60 %.
    target(Figure::FreeAirSpace, Grade::Preferred, Some(0.30), Some(0.35), HAUG),
];
const COOPERBAND: Source = Source::read("Cooperband 2002, table 1");
const NRAES: Source = Source::from_memory("NRAES-54, On-Farm Composting Handbook, 1992");
const HAUG: Source = Source::from_memory("Haug 1993 and later design articles");

/// Why a mix has no figures.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum MixError {
    /// A value outside its range, or not a number.
    #[error("{of}: {what} of {value} is outside {range}; {step}", value = readable(.value))]
    OutOfRange {
        /// Whose value, such as the ingredient's name.
        of: String,
        /// Which value, with its unit.
        what: &'static str,
        /// The value given.
        value: f64,
        /// The range in words.
        range: &'static str,
        /// What to do.
        step: &'static str,
    },
    /// A volume of an ingredient whose bulk density is not known.
    #[error(
        "{ingredient} is given by volume, but its bulk density is not known; weigh a bucket of it, or give its mass"
    )]
    NoDensity {
        /// Which.
        ingredient: String,
    },
    /// Nothing was loaded.
    #[error(
        "the mix weighs {kilograms} kg, less than the {MASS_KILOGRAMS_MIN} kg of which anything can be said; give at least one \
         ingredient an amount", kilograms = readable(.kilograms))]
    Nothing {
        /// The sum of what was given.
        kilograms: f64,
    },
    /// More mass in a volume than its water and solids take up without any air.
    #[error(
        "a bulk density of {kilograms_per_cubic_metre:.0} kg/m³ leaves no air: water and solids alone fill the volume at \
         {full_kilograms_per_cubic_metre:.0} kg/m³; check bulk density, moisture and volatile solids, which do not fit together"
    )]
    NoAir {
        /// The bulk density given.
        kilograms_per_cubic_metre: f64,
        /// The density at which no air is left.
        full_kilograms_per_cubic_metre: f64,
    },
}

impl Ingredient {
    /// An ingredient by its analysis: moisture as a part of the wet mass; carbon and nitrogen as parts of the dry matter.
    ///
    /// # Errors
    /// [`MixError::OutOfRange`] unless 0 ≤ moisture ≤ 0.999999, 0 ≤ carbon ≤ 1 and 0 ≤ nitrogen ≤ 1.
    pub fn new(name: &str, moisture: Fraction, carbon: Fraction, nitrogen: Fraction) -> Result<Ingredient, MixError> {
        checked(name, "a moisture fraction", moisture.0, (0.0..=MOISTURE_MAX).contains(&moisture.0), MOISTURE_RANGE)?;
        checked(name, "a carbon fraction of dry matter", carbon.0, (0.0..=1.0).contains(&carbon.0), CARBON_RANGE)?;
        checked(
            name,
            "a nitrogen fraction of dry matter",
            nitrogen.0,
            (0.0..=1.0).contains(&nitrogen.0),
            CARBON_RANGE,
        )?;
        Ok(Ingredient {
            name: name.into(),
            moisture: moisture.0,
            carbon: carbon.0,
            nitrogen: nitrogen.0,
            bulk_density: None,
            volatile_solids: None,
        })
    }

    /// An ingredient by nitrogen and C:N, as tables print them: carbon is nitrogen times C:N.
    ///
    /// # Errors
    /// As [`Ingredient::new`], and [`MixError::OutOfRange`] unless 0 < C:N ≤ 10,000. Averages of nitrogen and of C:N that
    /// come from different samples can make more than 100 % carbon, which is refused.
    pub fn from_ratio(
        name: &str,
        moisture: Fraction,
        nitrogen: Fraction,
        carbon_to_nitrogen: f64,
    ) -> Result<Ingredient, MixError> {
        let ok = carbon_to_nitrogen > 0.0 && carbon_to_nitrogen <= CARBON_TO_NITROGEN_MAX;
        checked(name, "a C:N", carbon_to_nitrogen, ok, ("above 0 to 10000", "check the analysis"))?;
        Ingredient::new(name, moisture, Fraction(nitrogen.0 * carbon_to_nitrogen), nitrogen)
    }

    /// The same with its loose bulk density, wet.
    ///
    /// # Errors
    /// [`MixError::OutOfRange`] outside 1 to 2,500 kg/m³.
    pub fn with_bulk_density(self, density: KilogramsPerCubicMetre) -> Result<Ingredient, MixError> {
        let ok = (BULK_DENSITY_MIN..=BULK_DENSITY_MAX).contains(&density.0);
        checked(&self.name, "a bulk density in kg/m³", density.0, ok, DENSITY_RANGE)?;
        Ok(Ingredient { bulk_density: Some(density.0), ..self })
    }

    /// The same with its volatile solids (loss on ignition) as a part of the dry matter.
    ///
    /// # Errors
    /// [`MixError::OutOfRange`] outside 0 to 1.
    pub fn with_volatile_solids(self, volatile: Fraction) -> Result<Ingredient, MixError> {
        let ok = (0.0..=1.0).contains(&volatile.0);
        checked(&self.name, "a volatile fraction of dry matter", volatile.0, ok, FRACTION_RANGE)?;
        Ok(Ingredient { volatile_solids: Some(volatile.0), ..self })
    }

    /// What people call it.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Water as a part of the wet mass.
    pub fn moisture(&self) -> Fraction {
        Fraction(self.moisture)
    }

    /// Carbon as a part of the dry matter.
    pub fn carbon(&self) -> Fraction {
        Fraction(self.carbon)
    }

    /// Nitrogen as a part of the dry matter.
    pub fn nitrogen(&self) -> Fraction {
        Fraction(self.nitrogen)
    }

    /// Loose bulk density, wet, where it is known.
    pub fn bulk_density(&self) -> Option<KilogramsPerCubicMetre> {
        self.bulk_density.map(KilogramsPerCubicMetre)
    }

    /// The wet mass of an amount.
    ///
    /// # Errors
    /// [`MixError::OutOfRange`] for a negative amount, one above 1e9 kg, or no number; [`MixError::NoDensity`].
    pub fn mass(&self, amount: Amount) -> Result<Kilograms, MixError> {
        let mass = match amount {
            Amount::Mass(mass) => mass.0,
            Amount::Volume(volume) => match self.bulk_density {
                Some(density) => volume.0 * density,
                None => return Err(MixError::NoDensity { ingredient: self.name.clone() }),
            },
        };
        checked(&self.name, "a wet mass in kg", mass, (0.0..=MASS_KILOGRAMS_MAX).contains(&mass), MASS_RANGE)?;
        Ok(Kilograms(mass))
    }
}

/// The figures of a mix; `shrink` is the part of the summed volumes that is lost on mixing, because fine stuff fills the pores
/// of coarse stuff. Zero is optimistic.
///
/// moisture = Σ q m / Σ q; C:N = Σ q (1-m) C / Σ q (1-m) N, with q the wet mass, m the moisture, C and N parts of dry matter
/// (on-farm composting handbooks, NRAES-54; from memory). Density = Σ q / ((1 - shrink) Σ volume).
///
/// # Errors
/// Amounts as [`Ingredient::mass`]; [`MixError::OutOfRange`] for a shrink outside 0 to 0.9; [`MixError::Nothing`].
pub fn mix(parts: &[Part<'_>], shrink: Fraction) -> Result<Figures, MixError> {
    let range = ("0 to 0.9", "give the part of the volume that is lost on mixing, such as 0.15");
    checked("the mix", "a shrink", shrink.0, (0.0..=SHRINK_MAX).contains(&shrink.0), range)?;
    let (mut wet, mut dry, mut water, mut carbon, mut nitrogen) = (0.0, 0.0, 0.0, 0.0, 0.0);
    let (mut volume, mut volatile) = (Some(0.0), Some(0.0));
    for part in parts {
        let i = part.ingredient;
        let q = i.mass(part.amount)?.0;
        // What is not in the mix need not be known.
        if q == 0.0 {
            continue;
        }
        let solids = q * (1.0 - i.moisture);
        wet += q;
        dry += solids;
        water += q * i.moisture;
        carbon += solids * i.carbon;
        nitrogen += solids * i.nitrogen;
        volume = volume.zip(i.bulk_density).map(|(sum, density)| sum + q / density);
        volatile = volatile.zip(i.volatile_solids).map(|(sum, part)| sum + solids * part);
    }
    if wet < MASS_KILOGRAMS_MIN {
        return Err(MixError::Nothing { kilograms: wet });
    }
    let volume = volume.map(|loose| loose * (1.0 - shrink.0));
    Ok(Figures {
        wet_mass: Kilograms(wet),
        dry_mass: Kilograms(dry),
        water: Kilograms(water),
        moisture: Fraction(water / wet),
        carbon: Kilograms(carbon),
        nitrogen: Kilograms(nitrogen),
        carbon_to_nitrogen: Some(carbon / nitrogen).filter(|ratio| ratio.is_finite()),
        volume: volume.map(CubicMetres),
        bulk_density: volume.map(|volume| KilogramsPerCubicMetre(wet / volume)),
        volatile_solids: volatile.map(|sum| Fraction(sum / dry)),
    })
}

impl Figures {
    /// Water to add for a moisture goal: dry · g/(1-g) − water. Negative: so much too wet.
    ///
    /// # Errors
    /// [`MixError::OutOfRange`] unless 0 < goal < 1.
    pub fn water_to_add(&self, goal: Fraction) -> Result<Kilograms, MixError> {
        let range = ("above 0 and below 1", "give a goal such as 0.55");
        checked("the goal", "a moisture fraction", goal.0, goal.0 > 0.0 && goal.0 < 1.0, range)?;
        Ok(Kilograms(self.dry_mass.0 * goal.0 / (1.0 - goal.0) - self.water.0))
    }

    /// The mix with this much water added: the pores take it, so that the volume stays as it is. A negative amount changes nothing.
    pub fn wetted(&self, water: Kilograms) -> Figures {
        let added = if water.0 > 0.0 { water.0 } else { 0.0 };
        let (wet, water) = (self.wet_mass.0 + added, self.water.0 + added);
        Figures {
            wet_mass: Kilograms(wet),
            water: Kilograms(water),
            moisture: Fraction(water / wet),
            bulk_density: self.volume.map(|volume| KilogramsPerCubicMetre(wet / volume.0)),
            ..*self
        }
    }

    /// The free air space of the mix; `None` where its density or its volatile solids are not known.
    ///
    /// # Errors
    /// As [`free_air_space`].
    pub fn free_air_space(&self, convention: AirSpace) -> Result<Option<Fraction>, MixError> {
        match (self.bulk_density, self.volatile_solids) {
            (Some(density), Some(volatile)) => free_air_space(density, self.moisture, volatile, convention).map(Some),
            _ => Ok(None),
        }
    }

    /// Every figure outside an acceptable range of [`TARGETS`]; `air` is the free air space where it is known.
    pub fn warnings(&self, air: Option<Fraction>) -> Vec<Warning> {
        let value = |figure| match figure {
            Figure::Moisture => Some(self.moisture.0),
            Figure::CarbonToNitrogen => self.carbon_to_nitrogen,
            Figure::BulkDensity => self.bulk_density.map(|density| density.0),
            Figure::FreeAirSpace => air.map(|part| part.0),
        };
        let judged = TARGETS.iter().filter(|target| target.grade == Grade::Acceptable).filter_map(|target| {
            let value = value(target.figure)?;
            Some(Warning { target, value, side: target.side(value) })
        });
        judged.filter(|warning| warning.side != Side::Within).collect()
    }
}

impl Target {
    /// Where a value lies; both ends count as within. So does a value past an end by less than the rounding of the sums behind it
    /// ([`ROUNDING`] of the end): amounts found for a C:N of 30 must not lie above 30.
    pub fn side(&self, value: f64) -> Side {
        if self.low.is_some_and(|low| value < low * (1.0 - ROUNDING)) {
            Side::Below
        } else if self.high.is_some_and(|high| value > high * (1.0 + ROUNDING)) {
            Side::Above
        } else {
            Side::Within
        }
    }
}

/// What to do about it, with the source of the range.
impl fmt::Display for Warning {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let what = match (self.target.figure, self.side) {
            (Figure::Moisture, Side::Below) => "too dry to work; add water",
            (Figure::Moisture, _) => "too wet for air to pass; add something dry",
            (Figure::CarbonToNitrogen, Side::Below) => "nitrogen will leave as ammonia; add something rich in carbon",
            (Figure::CarbonToNitrogen, _) => "short of nitrogen, it will heat slowly; add something rich in nitrogen",
            (Figure::BulkDensity, _) => "too dense for air to pass; add a coarse bulking agent",
            (Figure::FreeAirSpace, _) => "too few pores for air to pass; add a coarse bulking agent",
        };
        write!(f, "{what} ({})", self.target.source)
    }
}

/// The free air space: the part of the volume that neither water nor solids fill.
///
/// 1/Gs = Vs/Gv + (1-Vs)/Gf; FAS = 1 − BD·S/(1000 Gs) − BD·(1-S)/1000, with BD the wet bulk density, S = 1 − moisture, Vs the
/// volatile part of the solids (Haug 1993, from memory); Gv and Gf by the convention.
///
/// # Errors
/// [`MixError::OutOfRange`] for a density outside 1 to 2,500 kg/m³, a moisture outside 0 to 0.999999 or volatile solids outside 0 to
/// 1; [`MixError::NoAir`] where the answer would be negative.
pub fn free_air_space(
    density: KilogramsPerCubicMetre,
    moisture: Fraction,
    volatile: Fraction,
    convention: AirSpace,
) -> Result<Fraction, MixError> {
    let of = "the mix";
    let dense = (BULK_DENSITY_MIN..=BULK_DENSITY_MAX).contains(&density.0);
    checked(of, "a bulk density in kg/m³", density.0, dense, DENSITY_RANGE)?;
    checked(of, "a moisture fraction", moisture.0, (0.0..=MOISTURE_MAX).contains(&moisture.0), MOISTURE_RANGE)?;
    let part = (0.0..=1.0).contains(&volatile.0);
    checked(of, "a volatile fraction of dry matter", volatile.0, part, FRACTION_RANGE)?;
    let (volatile_gravity, fixed_gravity) = match convention {
        AirSpace::Haug => (1.0, 2.5),
        AirSpace::ParticleDensity => (1.6, 2.5),
    };
    let solids = 1.0 - moisture.0;
    // m³ that one kg of the mix fills.
    let filled = (solids * (volatile.0 / volatile_gravity + (1.0 - volatile.0) / fixed_gravity) + moisture.0) / 1_000.0;
    let air = 1.0 - density.0 * filled;
    if air < 0.0 {
        return Err(MixError::NoAir {
            kilograms_per_cubic_metre: density.0,
            full_kilograms_per_cubic_metre: 1.0 / filled,
        });
    }
    Ok(Fraction(air))
}

/// The moisture of a sample that was weighed wet and dried.
///
/// # Errors
/// [`MixError::OutOfRange`] unless 1e-6 kg ≤ wet ≤ 1e9 kg and wet/1e6 < dry ≤ wet.
pub fn moisture_of_sample(wet: Kilograms, dry: Kilograms) -> Result<Fraction, MixError> {
    let of = "the sample";
    let ok = wet.0 >= MASS_KILOGRAMS_MIN && wet.0 <= MASS_KILOGRAMS_MAX;
    checked(
        of,
        "a wet mass in kg",
        wet.0,
        ok,
        ("0.000001 to 1e9 kg", "weigh the sample before drying, without its dish"),
    )?;
    let range = ("a millionth of the wet mass to the wet mass", "weigh the sample after drying, without its dish");
    checked(of, "a dry mass in kg", dry.0, dry.0 > wet.0 / 1e6 && dry.0 <= wet.0, range)?;
    Ok(Fraction((wet.0 - dry.0) / wet.0))
}

/// A part of the material as received, turned into a part of its dry matter: x / (1 − moisture).
///
/// Tables and laboratories that print carbon and nitrogen "as is" must pass through here. C:N stays what it was.
///
/// # Errors
/// [`MixError::OutOfRange`] unless 0 ≤ moisture ≤ 0.999999 and 0 ≤ part ≤ 1 − moisture: it cannot outweigh the dry matter it is in.
pub fn dry_basis(part_as_is: Fraction, moisture: Fraction) -> Result<Fraction, MixError> {
    let of = "the analysis";
    checked(of, "a moisture fraction", moisture.0, (0.0..=MOISTURE_MAX).contains(&moisture.0), MOISTURE_RANGE)?;
    let range = ("0 to the dry part of the material", "check whether the analysis is of dry matter already");
    let ok = part_as_is.0 >= 0.0 && part_as_is.0 <= 1.0 - moisture.0;
    checked(of, "a part as received", part_as_is.0, ok, range)?;
    Ok(Fraction(part_as_is.0 / (1.0 - moisture.0)))
}

const MOISTURE_RANGE: (&str, &str) = ("0 to 0.999999", "moisture is water over wet mass: weigh, dry and weigh again");
const CARBON_RANGE: (&str, &str) =
    ("0 to 1", "give percent of dry matter from one analysis: averages of nitrogen and C:N need not fit together");
const FRACTION_RANGE: (&str, &str) = ("0 to 1", "check the analysis");
const DENSITY_RANGE: (&str, &str) = ("1 to 2500 kg/m³", "weigh a bucket of known volume");
const MASS_RANGE: (&str, &str) = ("0 to 1e9 kg", "check the amount");

const fn target(figure: Figure, grade: Grade, low: Option<f64>, high: Option<f64>, source: Source) -> Target {
    Target { figure, grade, low, high, source }
}

/// `ok` is written by the caller so that a value that is not a number fails it.
fn checked(
    of: &str,
    what: &'static str,
    value: f64,
    ok: bool,
    (range, step): (&'static str, &'static str),
) -> Result<(), MixError> {
    if ok { Ok(()) } else { Err(MixError::OutOfRange { of: of.into(), what, value, range, step }) }
}
