//! The heat account of a bed over a stretch of time: what activity must have given, seen from losses and warming.
//!
//! Must never be read as a measurement: the generation is what is left over, and carries the doubt of every other term.
//!
//! generation = heat stored + heat carried off by air + heat through walls + heat that warmed added water.
//!
//! It tells a fall from a stop: with no activity at all the bed would fall by losses / heat capacity. A fall that is
//! faster still has another cause: more air than believed, water that nobody wrote down, or a probe that lies bare.

use crate::bed::{
    AccountError, Air, BedParameters, Losses, WATER_JOULES_PER_KG_KELVIN, capacity, heat_capacity, in_range, losses,
};
use crate::time::Span;
use crate::units::{Celsius, Fraction, JoulesPerKelvin, Kelvin, KelvinPerDay, Kilograms, Watts};

/// Shortest and longest stretch that is accounted, days: below five minutes the resolution of a probe drowns all, and
/// over a month neither the masses nor the mean of the temperatures stand for the whole.
pub const STRETCH_DAYS: (f64, f64) = (5.0 / 1440.0, 31.0);

const SECONDS_PER_DAY: f64 = 86_400.0;

/// What is known of one stretch.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HeatStretch {
    /// Its length, five minutes to 31 days.
    pub length: Span,
    /// Dry mass, in the middle of it.
    pub dry: Kilograms,
    /// Water in the bed, in the middle of it.
    pub water: Kilograms,
    /// Standard deviation of that water.
    pub water_sd: Kilograms,
    /// The bed at its beginning, 0 to 95 °C.
    pub start: Celsius,
    /// The bed at its end, 0 to 95 °C. Losses are those at the mean of the two.
    pub end: Celsius,
    /// Standard deviation of either temperature as that of the whole bed, 0 to 20 K; 1 K for a mean of several probes
    /// (chosen, no source).
    pub temperature_sd: Kelvin,
    /// The share of the time that the blower ran, 0 to 1.
    pub duty: Fraction,
    /// The air it drew.
    pub air: Air,
    /// Water added in it, 0 if none.
    pub added: Kilograms,
    /// How warm that water was, 0 to 95 °C.
    pub added_at: Celsius,
}

/// Where the heat of a stretch went, and what must have made it. All means over the stretch.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HeatAccount {
    /// Heat capacity of the bed.
    pub capacity: JoulesPerKelvin,
    /// What warming the bed took; negative where it cooled.
    pub stored: Watts,
    /// What left by air and walls.
    pub losses: Losses,
    /// What warmed the added water.
    pub added_water: Watts,
    /// What activity must have given. May come out negative: within its doubt that is none at all.
    pub generation: Watts,
    /// Standard deviation of the generation.
    pub generation_sd: Watts,
    /// Fall at the mean temperature if nothing were active: losses over heat capacity, without the added water. The
    /// fall slows as the bed cools, so this is its beginning.
    pub fall_without_activity: KelvinPerDay,
    /// Generation over all that left, added water included: 1 holds the temperature, 0 is a dead bed. `None` where
    /// nothing left.
    pub share_made_up: Option<f64>,
}

/// Makes the account of one stretch.
///
/// Uncertainty: flow, draught, humidity of inlet and exhaust, walls, temperatures and water each move the generation;
/// they are taken as independent and added in quadrature (first-order propagation, JCGM 100:2008, section 5.1.2, from
/// memory).
///
/// # Errors
/// [`AccountError`] for anything out of the range named at its field, and where water would boil.
pub fn heat_account(bed: &BedParameters, stretch: &HeatStretch) -> Result<HeatAccount, AccountError> {
    let s = stretch;
    in_range("length of the stretch", s.length.as_days(), STRETCH_DAYS, "d", "choose other ends")?;
    in_range("uncertainty of the temperature", s.temperature_sd.0, (0.0, 20.0), "K", "use 1 K if unknown")?;
    in_range("uncertainty of the water", s.water_sd.0, (0.0, 1e7), "kg", "take it from the water account")?;
    in_range("water added", s.added.0, (0.0, 1e7), "kg", "check the litres given")?;
    for (what, t) in [("start of the stretch", s.start), ("end of the stretch", s.end), ("added water", s.added_at)] {
        in_range(what, t.0, crate::bed::BED_CELSIUS, "°C", "check the temperature")?;
    }
    let capacity_of_bed = heat_capacity(bed, s.dry, s.water)?;
    let mean = Celsius((s.start.0 + s.end.0) / 2.0);
    let losses = losses(bed, mean, s.duty, &s.air)?;
    let seconds = s.length.as_seconds();
    let stored = capacity_of_bed.0 * (s.end.0 - s.start.0) / seconds;
    let added_water = s.added.0 * WATER_JOULES_PER_KG_KELVIN * (mean.0 - s.added_at.0) / seconds;
    let left = losses.heat().0 + added_water;
    let generation = stored + left;
    Ok(HeatAccount {
        capacity: capacity_of_bed,
        stored: Watts(stored),
        losses,
        added_water: Watts(added_water),
        generation: Watts(generation),
        generation_sd: Watts(generation_sd(bed, s, mean, &losses)?),
        fall_without_activity: KelvinPerDay(losses.heat().0 / capacity_of_bed.0 * SECONDS_PER_DAY),
        share_made_up: (left > 0.0).then(|| generation / left),
    })
}

fn generation_sd(bed: &BedParameters, s: &HeatStretch, mean: Celsius, losses: &Losses) -> Result<f64, AccountError> {
    let e = crate::bed::Exchange::new(bed, mean, s.duty, &s.air, &crate::bed::Factors::ONE)?;
    let seconds = s.length.as_seconds();
    let latent = e.air() * e.vaporisation;
    let both_ends = capacity(bed, s.dry.0, s.water.0).0 / seconds * s.temperature_sd.0 * std::f64::consts::SQRT_2;
    let terms = [
        losses.blower.0 * s.air.flow_sd.0,
        losses.draught.0 * bed.draught_sd.0,
        losses.walls.0 * bed.wall_sd.0,
        latent * e.w_out * bed.exhaust_humidity_sd.0,
        latent * e.w_in_saturated * s.air.humidity_sd.0,
        both_ends,
        s.water_sd.0 * WATER_JOULES_PER_KG_KELVIN * (s.end.0 - s.start.0) / seconds,
    ];
    Ok(libm::sqrt(terms.iter().map(|t| t * t).sum()))
}
