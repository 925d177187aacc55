//! The heat account of a bed over a stretch of time: what activity must have given, seen from losses and warming.
//!
//! Must never be read as a measurement: the generation is what is left over, and carries the doubt of every other term.
//!
//! generation = heat stored + heat carried off by air + heat through walls + heat that warmed added water.
//!
//! It tells a fall from a stop: with no activity at all the bed would fall by losses / heat capacity. A fall that is
//! faster still has another cause: more air than believed, water that nobody wrote down, or a probe that lies bare.

use crate::bed::{AccountError, Air, BedParameters, Losses, capacity, heat_capacity, in_range, losses};
use crate::exhaust::WATER_JOULES_PER_KILOGRAM_KELVIN;
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
    in_range("uncertainty of the water", s.water_sd.0, (0.0, 1e7), "kg", "take it from the water balance")?;
    in_range("water added", s.added.0, (0.0, 1e7), "kg", "check the litres given")?;
    for (what, t) in [("start of the stretch", s.start), ("end of the stretch", s.end), ("added water", s.added_at)] {
        in_range(what, t.0, crate::bed::BED_CELSIUS, "°C", "check the temperature")?;
    }
    let capacity_of_bed = heat_capacity(bed, s.dry, s.water)?;
    let mean = Celsius((s.start.0 + s.end.0) / 2.0);
    let losses = losses(bed, mean, s.duty, &s.air)?;
    let seconds = s.length.as_seconds();
    let stored = capacity_of_bed.0 * (s.end.0 - s.start.0) / seconds;
    let added_water = s.added.0 * WATER_JOULES_PER_KILOGRAM_KELVIN * (mean.0 - s.added_at.0) / seconds;
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
    let both_ends = capacity(bed, s.dry.0, s.water.0).0 / seconds * s.temperature_sd.0 * std::f64::consts::SQRT_2;
    let terms = [
        losses.blower.0 * s.air.flow_sd.0,
        losses.draught.0 * bed.draught_sd.0,
        losses.walls.0 * bed.wall_sd.0,
        e.air() * e.w_out * e.vaporisation * bed.exhaust_humidity_sd.0,
        e.by_inlet_humidity().1 * s.air.humidity_sd.0,
        both_ends,
        s.water_sd.0 * WATER_JOULES_PER_KILOGRAM_KELVIN * (s.end.0 - s.start.0) / seconds,
    ];
    Ok(libm::sqrt(terms.iter().map(|t| t * t).sum()))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::units::{CubicMetres, CubicMetresPerHour, Pascals};

    const PULSES: f64 = 45.0 / 1800.0;

    fn bin() -> BedParameters {
        BedParameters::of_static_bin(CubicMetres(2.5)).unwrap()
    }

    fn outdoors() -> Air {
        Air {
            inlet: Celsius(12.5),
            humidity: Fraction(0.7),
            humidity_sd: Fraction(0.1),
            flow: CubicMetresPerHour(150.0),
            flow_sd: Fraction(0.15),
            pressure: Pascals(101_325.0),
        }
    }

    #[track_caller]
    fn assert_near(got: f64, want: f64, within: f64, what: &str) {
        assert!((got - want).abs() <= within, "{what}: {got}, wanted {want} within {within}");
    }

    #[test]
    fn without_activity_the_lumped_bin_falls_as_its_model_says() {
        // From a lumped numerical model of one bin (2.5 m³, 11 m², 0.48 W/(m² K), draught 0.4 m³/h, blower 150 m³/h for 45 s
        // every half hour, air at 12.5 °C and 70 %), at states that the model passes through; it prints whole numbers.
        let at = |dry: f64, water: f64, duty: f64| {
            let stretch = HeatStretch {
                length: Span::days(1),
                dry: Kilograms(dry),
                water: Kilograms(water),
                water_sd: Kilograms(0.0),
                start: Celsius(60.0),
                end: Celsius(60.0),
                temperature_sd: Kelvin(1.0),
                duty: Fraction(duty),
                air: outdoors(),
                added: Kilograms(0.0),
                added_at: Celsius(12.5),
            };
            heat_account(&bin(), &stretch).unwrap()
        };
        let (moist, dry, stuck) = (at(440.0, 506.0, PULSES), at(390.0, 219.4, PULSES), at(440.0, 506.0, 1.0));
        assert_near(moist.fall_without_activity.0, 26.0, 0.5, "53 % moisture, K/d");
        assert_near(dry.fall_without_activity.0, 49.0, 0.5, "36 % moisture, K/d");
        assert_near(stuck.fall_without_activity.0 / 24.0, 27.0, 0.5, "a blower that does not stop, K/h");
        assert_near(dry.losses.heat().0, 803.0, 1.5, "losses at 60 °C, W");
        assert_near(dry.losses.walls.0, 251.0, 0.5, "11 m² times 0.48 W/(m² K) times 47.5 K");
        assert_near(dry.generation.0, dry.losses.heat().0, 1e-9, "a steady bed makes what it loses");
        assert_eq!(dry.share_made_up, Some(1.0));
    }

    #[test]
    fn a_fall_in_the_dry_bed_is_a_small_shortage_of_heat() {
        // The same model: 6.7 K/d at 36 % moisture means that activity falls short by 109 of 803 W.
        let fall = HeatStretch {
            length: Span::days(1),
            dry: Kilograms(390.0),
            water: Kilograms(219.4),
            water_sd: Kilograms(20.0),
            start: Celsius(63.35),
            end: Celsius(56.65),
            temperature_sd: Kelvin(0.5),
            duty: Fraction(PULSES),
            air: outdoors(),
            added: Kilograms(0.0),
            added_at: Celsius(12.5),
        };
        let got = heat_account(&bin(), &fall).unwrap();
        assert_near(got.stored.0, -109.0, 0.5, "W out of the store");
        assert_near(got.share_made_up.unwrap(), 1.0 - 109.0 / 803.0, 0.001, "share of the losses made up");
        // In quadrature: flow 0.15 of 494 W, walls 0.35 of 251 W, draught 0.5 of 58 W, exhaust humidity 0.1 of 502 W, inlet
        // humidity 0.1 of saturation at 12.5 °C (3 W), temperature 0.5 K twice (11.5 W), water 20 kg (6.5 W).
        assert_near(got.generation_sd.0, 129.4, 0.5, "doubt of the generation, W");

        let watered = HeatStretch { added: Kilograms(86.4), ..fall };
        let with_water = heat_account(&bin(), &watered).unwrap();
        assert_near(
            with_water.added_water.0,
            86.4 * 4186.0 * 47.5 / 86_400.0,
            1e-9,
            "86.4 kg warmed by 47.5 K in a day",
        );
        assert_near(with_water.generation.0 - got.generation.0, 198.8, 0.1, "what warmed the water was made too");
        let dead = HeatStretch { start: Celsius(72.0), end: Celsius(48.0), ..fall };
        let dead = heat_account(&bin(), &dead).unwrap();
        assert!(dead.share_made_up.unwrap() < 0.6, "24 K a day is half of what no activity gives: {dead:?}");
    }
}
