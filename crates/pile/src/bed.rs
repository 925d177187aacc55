//! What passes through one aerated bed taken as a whole: its parameters, the air in and out, the heat that leaves.
//!
//! Must never hold a state: masses and temperatures come in as arguments, and what is kept of them is an account's.
//!
//! The bed is one stirred volume. Air leaves it saturated at the bed's temperature T:
//!
//! * dry air m = flow / (3600 v(T in, w in, P)) while the blower runs, and a draught that grows with the square root
//!   of T - T in while it stands;
//! * water m (w sat(T, P) - w in), kg/s;
//! * heat m [(1006 + 1860 w in)(T - T in) + (w sat - w in)(2 501 000 - 2326 T)], W. The second bracket is the heat of
//!   vaporisation at T: the evaporated water was warm already, so the plain difference of the air's enthalpy would
//!   count 4186 T of it twice (9 % at 60 °C);
//! * through walls, floor and cover U A (T - T in), W.

use crate::exhaust::WATER_JOULES_PER_KILOGRAM_KELVIN;
use crate::humid_air::{self, HumidAir, volume};
use crate::time::Timestamp;
use crate::units::{
    Celsius, CubicMetres, CubicMetresPerHour, Fraction, JoulesPerKelvin, Kelvin, Kilograms, KilogramsPerDay, Litres,
    Pascals, Watts, readable,
};

/// Coldest and warmest bed that the accounts take, °C: ice is not accounted for, and above it water is near boiling.
pub const BED_CELSIUS: (f64, f64) = (0.0, 95.0);
/// Coldest and warmest air that the accounts take, °C.
pub const AIR_CELSIUS: (f64, f64) = (-40.0, 60.0);
/// Lowest and highest air pressure that the accounts take, Pa: 5,000 m above the sea, where people still farm, to a record high below it.
pub const AIR_PASCALS: (f64, f64) = (54_000.0, 110_000.0);

/// The volume of vapour over that of as much dry air, as in [`volume`].
const WATER_VOLUME: f64 = 1.607858;
/// The draught is given for this much warmth above the air, K.
const DRAUGHT_AT_KELVIN: f64 = 50.0;
const SECONDS_PER_DAY: f64 = 86_400.0;

/// Why an account refuses what it is given. After an error nothing has changed.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum AccountError {
    /// A value is outside the range for which the account holds, or not a number.
    #[error("{what}: {value} {unit} is outside {low} to {high} {unit}; {remedy}", value = readable(.value), low = readable(.low), high = readable(.high))]
    OutOfRange {
        /// What the value is.
        what: &'static str,
        /// The value given.
        value: f64,
        /// The lowest value that is taken.
        low: f64,
        /// The highest value that is taken.
        high: f64,
        /// The unit of all three.
        unit: &'static str,
        /// What to look at next.
        remedy: &'static str,
    },
    /// A range whose low end is above its high end.
    #[error("{what}: the range runs from {low} down to {high}; give the lower end first", low = readable(.low), high = readable(.high))]
    Reversed {
        /// What the range is of.
        what: &'static str,
        /// The end given as the low one.
        low: f64,
        /// The end given as the high one.
        high: f64,
    },
    /// A stretch of time that ends before the account stands.
    #[error(
        "the stretch given ends {} before the time to which the account has come; feed an account in the order of time, \
         or make it again from the start",
        .stands_at.since(*.until)
    )]
    Backwards {
        /// Up to where the account has come.
        stands_at: Timestamp,
        /// Where the stretch ends.
        until: Timestamp,
    },
    /// The humid-air equations say nothing here.
    #[error(transparent)]
    Air(#[from] humid_air::OutOfRange),
}

/// The numbers that belong to a bin and not to one moment. Every `_sd` is a standard deviation as a share of its value.
///
/// None was measured in a real bin: a site that knows better should put its own figures in.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BedParameters {
    /// Specific heat of the dry solids, J/(kg K). Plausible 1000 to 1500, from memory; 1250.
    pub solids_joules_per_kg_kelvin: f64,
    /// Surface of walls, floor and cover, m².
    pub surface_square_metres: f64,
    /// Heat through that surface, W/(m² K). Plausible 0.3 to 1, from memory; 0.48.
    pub wall_watts_per_square_metre_kelvin: f64,
    /// How well that is known. The plausible range makes 0.35.
    pub wall_sd: Fraction,
    /// Air drawn through the standing blower by the bed's own warmth when it is 50 K above the air. A site's damper
    /// and duct decide it; 0.16 m³/h for each m³ of bed is chosen, no source.
    pub draught: CubicMetresPerHour,
    /// How well that is known; 0.5, chosen.
    pub draught_sd: Fraction,
    /// How well the humidity of the leaving air is known. Where the probe and the leaving air differ by 2 K, saturation
    /// at 60 °C differs by 11 %; 0.1, chosen for that.
    pub exhaust_humidity_sd: Fraction,
    /// Heat set free for each kg of solids that is oxidised, J/kg. 14 MJ/kg of oxygen (13.5 to 14.5) times 1.4 kg of
    /// oxygen (1.2 to 2.0), all from memory; 19.6 MJ.
    pub heat_joules_per_kg_solids: f64,
    /// Water formed for each kg of solids that is oxidised, kg/kg. Plausible 0.5 to 0.7, stoichiometry, from memory;
    /// 0.55.
    pub water_per_kg_solids: f64,
    /// How well the solids oxidised for a given heat are known; 0.2, for the ranges of the two above.
    pub oxidation_sd: Fraction,
}

impl BedParameters {
    /// A static bin that holds `full`, 0.05 to 10,000 m³, with the values named at each field.
    ///
    /// The surface is that of a near-cube, 5.97 V^(2/3): 11 m² around 2.5 m³.
    ///
    /// # Errors
    /// [`AccountError::OutOfRange`] for another volume.
    pub fn of_static_bin(full: CubicMetres) -> Result<BedParameters, AccountError> {
        in_range("volume of the bin", full.0, (0.05, 10_000.0), "m³", "check the bin's volume")?;
        Ok(BedParameters {
            solids_joules_per_kg_kelvin: 1250.0,
            surface_square_metres: 5.9717 * libm::pow(full.0, 2.0 / 3.0),
            wall_watts_per_square_metre_kelvin: 0.48,
            wall_sd: Fraction(0.35),
            draught: CubicMetresPerHour(0.16 * full.0),
            draught_sd: Fraction(0.5),
            exhaust_humidity_sd: Fraction(0.1),
            heat_joules_per_kg_solids: 19.6e6,
            water_per_kg_solids: 0.55,
            oxidation_sd: Fraction(0.2),
        })
    }

    /// Refuses parameters outside the range in which the accounts make sense; the accounts call it themselves.
    ///
    /// # Errors
    /// [`AccountError::OutOfRange`] for the first that is.
    pub fn check(&self) -> Result<(), AccountError> {
        for (what, value, range, unit) in [
            ("specific heat of the solids", self.solids_joules_per_kg_kelvin, (500.0, 4200.0), "J/(kg K)"),
            ("surface of the bed", self.surface_square_metres, (0.0, 100_000.0), "m²"),
            ("heat through the walls", self.wall_watts_per_square_metre_kelvin, (0.0, 20.0), "W/(m² K)"),
            ("uncertainty of the walls", self.wall_sd.0, (0.0, 1.0), "of the value"),
            ("draught", self.draught.0, (0.0, 100_000.0), "m³/h"),
            ("uncertainty of the draught", self.draught_sd.0, (0.0, 1.0), "of the value"),
            ("uncertainty of the exhaust's humidity", self.exhaust_humidity_sd.0, (0.0, 1.0), "of the value"),
            ("heat of the solids", self.heat_joules_per_kg_solids, (5e6, 50e6), "J/kg"),
            ("water from the solids", self.water_per_kg_solids, (0.0, 1.2), "kg/kg"),
            ("uncertainty of the oxidation", self.oxidation_sd.0, (0.0, 1.0), "of the value"),
        ] {
            in_range(what, value, range, unit, "check the parameters of the bed")?;
        }
        Ok(())
    }
}

/// The air that a bed draws and stands in.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Air {
    /// Its temperature, -40 to 60 °C; the walls lose to it too.
    pub inlet: Celsius,
    /// Its relative humidity, 0 to 1.
    pub humidity: Fraction,
    /// Standard deviation of that humidity, 0 to 0.5: about 0.03 where it is measured, 0.2 where 0.7 is assumed
    /// (chosen, no source).
    pub humidity_sd: Fraction,
    /// What the blower moves through this bed while it runs, at inlet conditions; 0 to 100,000 m³/h.
    pub flow: CubicMetresPerHour,
    /// Standard deviation of that flow as a share of it, 0 to 1: about 0.1 where it was measured at the bed, 0.3 where
    /// it was read off a fan's plate (common practice, no source).
    pub flow_sd: Fraction,
    /// Air pressure, 54,000 to 110,000 Pa.
    pub pressure: Pascals,
}

impl Air {
    pub(crate) fn check(&self) -> Result<(), AccountError> {
        for (what, value, range, unit, remedy) in [
            ("temperature of the air", self.inlet.0, AIR_CELSIUS, "°C", "check the ambient probe"),
            ("humidity of the air", self.humidity.0, (0.0, 1.0), "of saturation", "give it as a fraction, not percent"),
            ("uncertainty of the humidity", self.humidity_sd.0, (0.0, 0.5), "of saturation", "use 0.2 if unknown"),
            ("air flow", self.flow.0, (0.0, 100_000.0), "m³/h", "check the blower's flow"),
            ("uncertainty of the air flow", self.flow_sd.0, (0.0, 1.0), "of the flow", "use 0.3 if never measured"),
            ("air pressure", self.pressure.0, AIR_PASCALS, "Pa", "check the site's elevation"),
        ] {
            in_range(what, value, range, unit, remedy)?;
        }
        Ok(())
    }
}

/// What leaves a bed at one temperature and one share of blower time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Losses {
    /// Water carried off by the blower's air; negative where it condenses in the bed.
    pub blower_water: KilogramsPerDay,
    /// Water carried off by the draught.
    pub draught_water: KilogramsPerDay,
    /// Heat carried off by the blower's air.
    pub blower: Watts,
    /// Heat carried off by the draught.
    pub draught: Watts,
    /// Heat through walls, floor and cover.
    pub walls: Watts,
}

impl Losses {
    /// All the heat that leaves.
    pub fn heat(&self) -> Watts {
        Watts(self.blower.0 + self.draught.0 + self.walls.0)
    }

    /// All the water that leaves.
    pub fn water(&self) -> KilogramsPerDay {
        KilogramsPerDay(self.blower_water.0 + self.draught_water.0)
    }
}

/// What a bed at `t` loses while its blower runs the share `duty` of the time.
///
/// Source: the balances at the head of this file. For a bed of 0 to 95 °C and a duty of 0 to 1.
///
/// # Errors
/// [`AccountError`] for a bed, an air or a duty out of range, and where water would boil.
pub fn losses(bed: &BedParameters, t: Celsius, duty: Fraction, air: &Air) -> Result<Losses, AccountError> {
    bed.check()?;
    air.check()?;
    let e = Exchange::new(bed, t, duty, air, &Factors::ONE)?;
    let water = |m: f64| KilogramsPerDay(m * e.water_per_kg() * SECONDS_PER_DAY);
    Ok(Losses {
        blower_water: water(e.blower),
        draught_water: water(e.draught),
        blower: Watts(e.blower * e.heat_per_kg()),
        draught: Watts(e.draught * e.heat_per_kg()),
        walls: Watts(e.walls),
    })
}

/// The heat that warms a bed by one kelvin: dry mass times the solids' specific heat, and water times 4186.
///
/// # Errors
/// [`AccountError`] for parameters out of range, masses that are not 0 to 10,000 t, or no mass at all.
pub fn heat_capacity(bed: &BedParameters, dry: Kilograms, water: Kilograms) -> Result<JoulesPerKelvin, AccountError> {
    bed.check()?;
    in_range("dry mass", dry.0, MASS_KG, "kg", "check how the batch was filled")?;
    in_range("water in the bed", water.0, (0.0, MASS_KG.1), "kg", "check how the batch was filled")?;
    Ok(capacity(bed, dry.0, water.0))
}

/// By how much `dose` of water at `water` chills a bed at `t`, once it is mixed in.
///
/// The dose takes dose times 4186 times (T - Tw), shared by the bed of heat capacity `before` and the dose itself, so
/// no dose can chill a bed below its own temperature.
///
/// # Errors
/// [`AccountError::OutOfRange`] for a dose outside 0 to 10,000 t, water outside 0 to 95 °C, a bed outside that, or a
/// heat capacity that is not a positive number.
pub fn chill(before: JoulesPerKelvin, dose: Kilograms, t: Celsius, water: Celsius) -> Result<Kelvin, AccountError> {
    in_range("heat capacity", before.0, (1.0, 1e12), "J/K", "check the masses of the bed")?;
    in_range("dose of water", dose.0, (0.0, MASS_KG.1), "kg", "check the litres given")?;
    in_range("temperature of the bed", t.0, BED_CELSIUS, "°C", "check the temperature probe")?;
    in_range("temperature of the water", water.0, BED_CELSIUS, "°C", "check the water's temperature")?;
    let dose = dose.0 * WATER_JOULES_PER_KILOGRAM_KELVIN;
    Ok(Kelvin(dose * (t.0 - water.0) / (before.0 + dose)))
}

/// The water at `water` that chills a bed at `t` by `most`, the inverse of [`chill`]; `None` where no amount does, because the water is
/// not that much colder than the bed.
///
/// # Errors
/// [`AccountError::OutOfRange`] for temperatures outside those of [`chill`], a cooling that is not above 0 to 95 K, or a heat capacity
/// that is not a positive number.
pub fn litres_that_chill(
    before: JoulesPerKelvin,
    t: Celsius,
    water: Celsius,
    most: Kelvin,
) -> Result<Option<Litres>, AccountError> {
    in_range("heat capacity", before.0, (1.0, 1e12), "J/K", "check the masses of the bed")?;
    in_range("temperature of the bed", t.0, BED_CELSIUS, "°C", "check the temperature probe")?;
    in_range("temperature of the water", water.0, BED_CELSIUS, "°C", "check the water's temperature")?;
    in_range("cooling", most.0, (0.01, 95.0), "K", "use 3 K")?;
    let colder = t.0 - water.0 - most.0;
    Ok((colder > 0.0).then(|| Litres(before.0 * most.0 / (WATER_JOULES_PER_KILOGRAM_KELVIN * colder))))
}

/// Lightest and heaviest bed that the accounts take, kg.
pub(crate) const MASS_KG: (f64, f64) = (1.0, 1e7);

pub(crate) fn capacity(bed: &BedParameters, dry: f64, water: f64) -> JoulesPerKelvin {
    JoulesPerKelvin(dry * bed.solids_joules_per_kg_kelvin + water * WATER_JOULES_PER_KILOGRAM_KELVIN)
}

/// What an account has learned of its systematic errors, as multipliers and one shift.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Factors {
    pub(crate) flow: f64,
    pub(crate) draught: f64,
    pub(crate) exhaust_humidity: f64,
    pub(crate) walls: f64,
    /// Shift of the inlet's relative humidity.
    pub(crate) inlet_humidity: f64,
}

impl Factors {
    pub(crate) const ONE: Factors =
        Factors { flow: 1.0, draught: 1.0, exhaust_humidity: 1.0, walls: 1.0, inlet_humidity: 0.0 };
}

/// The air that passes, kg of dry air a second, and what each kg carries off.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Exchange {
    pub(crate) blower: f64,
    pub(crate) draught: f64,
    pub(crate) w_in: f64,
    pub(crate) w_out: f64,
    /// Saturated at the inlet: what one unit of relative humidity is worth.
    pub(crate) w_in_saturated: f64,
    /// Heat of vaporisation at the bed's temperature, J/kg.
    pub(crate) vaporisation: f64,
    /// W.
    pub(crate) walls: f64,
    /// Bed above air, K.
    warmth: f64,
}

impl Exchange {
    /// The caller has checked `bed` and `air`.
    pub(crate) fn new(
        bed: &BedParameters,
        t: Celsius,
        duty: Fraction,
        air: &Air,
        factors: &Factors,
    ) -> Result<Exchange, AccountError> {
        in_range("temperature of the bed", t.0, BED_CELSIUS, "°C", "check the temperature probe")?;
        in_range("share of blower time", duty.0, (0.0, 1.0), "of the time", "give it as a fraction, not percent")?;
        let p = air.pressure;
        let w_in_saturated = HumidAir::saturated(air.inlet, p)?.humidity_ratio().0;
        let w_in = HumidAir::from_relative_humidity(air.inlet, air.humidity, p)?.humidity_ratio().0
            + factors.inlet_humidity * w_in_saturated;
        let v = volume(air.inlet, w_in, p);
        let warmth = t.0 - air.inlet.0;
        // A bed colder than the air draws none: what then falls through it is not known, and carries little.
        let draught = bed.draught.0 * libm::sqrt(warmth.max(0.0) / DRAUGHT_AT_KELVIN) * (1.0 - duty.0);
        Ok(Exchange {
            blower: air.flow.0 * duty.0 / 3600.0 / v * factors.flow,
            draught: draught / 3600.0 / v * factors.draught,
            w_in,
            w_out: HumidAir::saturated(t, p)?.humidity_ratio().0 * factors.exhaust_humidity,
            w_in_saturated,
            vaporisation: vaporisation(t),
            walls: bed.surface_square_metres * bed.wall_watts_per_square_metre_kelvin * warmth * factors.walls,
            warmth,
        })
    }

    /// Water carried off by each kg of dry air.
    pub(crate) fn water_per_kg(&self) -> f64 {
        self.w_out - self.w_in
    }

    /// Heat carried off by each kg of dry air, J.
    pub(crate) fn heat_per_kg(&self) -> f64 {
        (1006.0 + 1860.0 * self.w_in) * self.warmth + self.water_per_kg() * self.vaporisation
    }

    /// How water (kg/s) and heat (W) leaving change with the inlet's relative humidity, by the unit: wetter air takes
    /// up less, and a cubic metre of it holds less dry air.
    pub(crate) fn by_inlet_humidity(&self) -> (f64, f64) {
        let w = self.w_in_saturated;
        let air = -self.air() * WATER_VOLUME * w / (1.0 + WATER_VOLUME * self.w_in);
        (
            air * self.water_per_kg() - self.air() * w,
            air * self.heat_per_kg() + self.air() * w * (1860.0 * self.warmth - self.vaporisation),
        )
    }

    /// All air, kg of dry air a second.
    pub(crate) fn air(&self) -> f64 {
        self.blower + self.draught
    }
}

/// Refuses what is not within `low` to `high`; a value that is not a number is not.
pub(crate) fn in_range(
    what: &'static str,
    value: f64,
    (low, high): (f64, f64),
    unit: &'static str,
    remedy: &'static str,
) -> Result<(), AccountError> {
    if (low..=high).contains(&value) {
        return Ok(());
    }
    Err(AccountError::OutOfRange { what, value, low, high, unit, remedy })
}

/// Heat of vaporisation of water, J/kg: that of the enthalpy of humid air at T less the 4186 T of the liquid.
fn vaporisation(t: Celsius) -> f64 {
    2_501_000.0 - 2_326.0 * t.0
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn the_heat_of_vaporisation_is_that_of_steam_tables() {
        // kJ/kg, steam tables (IAPWS-IF97), from memory. The straight line is off by 0.35 % at 80 °C and less below.
        for (celsius, table, off) in
            [(20.0, 2453.5, 0.0005), (40.0, 2406.0, 0.001), (60.0, 2357.7, 0.002), (80.0, 2308.0, 0.0035)]
        {
            let got = vaporisation(Celsius(celsius)) / 1000.0;
            assert!((got / table - 1.0).abs() <= off, "{celsius} °C: {got} kJ/kg, table {table}");
        }
    }

    #[test]
    fn the_largest_bed_in_the_wettest_air_still_has_an_inlet() {
        // Air at the hottest and lowest pressure that is taken is far from boiling, so no pressure is divided by zero.
        let air = HumidAir::from_relative_humidity(Celsius(AIR_CELSIUS.1), Fraction(1.0), Pascals(AIR_PASCALS.0));
        let w = air.unwrap().humidity_ratio().0;
        assert!(w > 0.0 && w < 1.0, "{w}");
    }
}
