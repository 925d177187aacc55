//! How much air a batch wants, for its oxygen and for its heat, what duty that asks of a blower, and how long it may rest.
//!
//! Must never answer with a duty above one: a blower that is too small is an error that says by how much.
//!
//! Friction in pipes and orifices is left out: no published worked example was at hand to hold the sums to.

use crate::exhaust::{self, FLOW_CUBIC_METRES_PER_HOUR_MAX, carried, within};
use crate::humid_air::{HumidAir, OutOfRange};
use crate::time::Span;
use crate::units::{
    Celsius, CubicMetres, CubicMetresPerHour, Fraction, Kilograms, KilogramsPerDay, KilogramsPerKilogram, Pascals,
    PerDay, Watts, readable,
};

/// Oxygen that a kilogram of degradable solids of a usual mix takes, kg/kg; 1.2 to 2.0 by what it is (from memory).
pub const OXYGEN_OF_USUAL_SOLIDS: KilogramsPerKilogram = KilogramsPerKilogram(1.4);
/// Heat set free for each kilogram of oxygen, J/kg; 13.5 to 14.5 MJ/kg for nearly all organic matter (from memory).
pub const HEAT_JOULES_PER_KILOGRAM_OXYGEN: f64 = 14e6;
/// Oxygen in dry air, mole fraction (from memory).
pub const OXYGEN_MOLE_FRACTION: f64 = 0.2095;
/// Oxygen in dry air by mass, 0.2314: the mole fraction times the ratio of the molar masses.
pub const OXYGEN_MASS_FRACTION: f64 = OXYGEN_MOLE_FRACTION * OXYGEN_GRAMS_PER_MOLE / AIR_GRAMS_PER_MOLE;
/// Highest oxygen fraction that leaving gas is taken at: nearer to fresh air no flow is enough.
pub const LEAVING_OXYGEN_FRACTION_MAX: f64 = 0.20;

/// Two atoms of 15.999 (IUPAC standard atomic weights, from memory, as those of [`Composition`]).
const OXYGEN_GRAMS_PER_MOLE: f64 = 31.998;
/// The gas constant over that of dry air in [`crate::humid_air`].
const AIR_GRAMS_PER_MOLE: f64 = 1e3 * GAS_CONSTANT / 287.042;
const WATER_GRAMS_PER_MOLE: f64 = 18.015;
/// J/(mol K).
const GAS_CONSTANT: f64 = 8.314462618;
const ZERO_CELSIUS_KELVIN: f64 = 273.15;
const DAY_SECONDS: f64 = 86_400.0;
const HOUR_SECONDS: f64 = 3_600.0;
/// Highest mass that is taken, kg: beyond any batch.
const MASS_KILOGRAMS_MAX: f64 = 1e9;
/// Highest uptake that is taken, kg of oxygen a day.
const UPTAKE_KILOGRAMS_PER_DAY_MAX: f64 = 1e9;

/// Why there is no answer.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum Refused {
    /// A number out of range, or air that cannot be computed.
    #[error(transparent)]
    Exhaust(#[from] exhaust::Refused),
    /// The formula is not one that takes up oxygen.
    #[error(
        "C{carbon}H{hydrogen}O{oxygen}N{nitrogen} does not burn to carbon dioxide, water and ammonia; give moles of each \
         element that are zero or more, hydrogen at least three times the nitrogen, and something left to burn"
    )]
    Composition {
        /// Moles of carbon.
        carbon: f64,
        /// Moles of hydrogen.
        hydrogen: f64,
        /// Moles of oxygen.
        oxygen: f64,
        /// Moles of nitrogen.
        nitrogen: f64,
    },
    /// The air takes no heat out of a bed at this temperature.
    #[error(
        "air of {inlet_celsius} °C does not cool a bed of {bed_celsius} °C; give a warmer bed or colder, drier air", inlet_celsius = readable(.inlet_celsius), bed_celsius = readable(.bed_celsius))]
    DoesNotCool {
        /// The temperature of the air, °C.
        inlet_celsius: f64,
        /// The temperature of the bed, °C.
        bed_celsius: f64,
    },
    /// The blower would have to run for more than all of the time.
    #[error(
        "the blower is too small: {needed} m³/h are needed and it gives {blower} m³/h, a duty of {duty}; use a larger \
         one, let the bed get hotter, or make the batch smaller"
    )]
    BlowerTooSmall {
        /// The flow needed in the mean, m³/h.
        needed: f64,
        /// The blower's flow, m³/h.
        blower: f64,
        /// The duty that would be needed, above 1.
        duty: f64,
    },
    /// The floor is not below the start.
    #[error("pore oxygen does not fall from {start} to {floor}; give a floor below the start (5 % is 0.05)", start = readable(.start), floor = readable(.floor))]
    NoFall {
        /// The oxygen fraction at the start.
        start: f64,
        /// The oxygen fraction to stop at.
        floor: f64,
    },
}

impl From<OutOfRange> for Refused {
    fn from(cause: OutOfRange) -> Refused {
        Refused::Exhaust(cause.into())
    }
}

/// The elements of organic matter: moles of each in a formula CcHhOoNn.
///
/// CcHhOoNn + (c + h/4 - o/2 - 3n/4) O2 → c CO2 + (h - 3n)/2 H2O + n NH3: nitrogen stays ammonia, as it does in a hot
/// pile; what is later oxidised to nitrate takes 2 O2 more for each.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Composition {
    carbon: f64,
    hydrogen: f64,
    oxygen: f64,
    nitrogen: f64,
}

impl Composition {
    /// Matter of so many moles of each element, each 0 to 1e6.
    ///
    /// # Errors
    /// [`Refused::Composition`] for other numbers, hydrogen below 3 times the nitrogen, or matter already burnt.
    pub fn new(carbon: f64, hydrogen: f64, oxygen: f64, nitrogen: f64) -> Result<Composition, Refused> {
        let matter = Composition { carbon, hydrogen, oxygen, nitrogen };
        let counted = [carbon, hydrogen, oxygen, nitrogen].iter().all(|moles| (0.0..=1e6).contains(moles));
        if counted && hydrogen >= 3.0 * nitrogen && matter.oxygen_moles() > 0.0 && matter.grams() >= 1e-3 {
            Ok(matter)
        } else {
            Err(Refused::Composition { carbon, hydrogen, oxygen, nitrogen })
        }
    }

    /// Oxygen taken up for each kilogram of this matter; cellulose 1.18, fat 2.9.
    pub fn oxygen_demand(self) -> KilogramsPerKilogram {
        KilogramsPerKilogram(self.oxygen_moles() * OXYGEN_GRAMS_PER_MOLE / self.grams())
    }

    /// Water made for each kilogram of this matter.
    pub fn water_yield(self) -> KilogramsPerKilogram {
        KilogramsPerKilogram((self.hydrogen - 3.0 * self.nitrogen) / 2.0 * WATER_GRAMS_PER_MOLE / self.grams())
    }

    fn oxygen_moles(self) -> f64 {
        self.carbon + self.hydrogen / 4.0 - self.oxygen / 2.0 - 0.75 * self.nitrogen
    }

    fn grams(self) -> f64 {
        12.011 * self.carbon + 1.008 * self.hydrogen + 15.999 * self.oxygen + 14.007 * self.nitrogen
    }
}

/// The oxygen that a batch takes until its degradable solids are gone: solids times demand.
///
/// # Errors
/// [`Refused::Exhaust`] for solids outside 0 to 1e9 kg or a demand outside 0 to 4 kg/kg (methane, the highest, is 3.99).
pub fn batch_oxygen(degradable: Kilograms, demand: KilogramsPerKilogram) -> Result<Kilograms, Refused> {
    let next = "give the degradable volatile solids in kg, without water and ash";
    let solids = within("a mass of degradable solids", degradable.0, "kg", 0.0, MASS_KILOGRAMS_MAX, next)?;
    let next = "give kg of oxygen for each kg of degradable solids; a usual mix takes 1.4";
    Ok(Kilograms(solids * within("an oxygen demand", demand.0, "kg/kg", 0.0, 4.0, next)?))
}

/// Air that holds just the oxygen asked for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct StoichiometricAir {
    /// Its dry air.
    pub dry_air: Kilograms,
    /// Its volume at the inlet's conditions.
    pub volume: CubicMetres,
}

/// The air that holds just `oxygen`: what a batch takes at the least, if no oxygen leaves it.
///
/// # Errors
/// [`Refused::Exhaust`] for a mass outside 0 to 4e9 kg.
pub fn stoichiometric_air(oxygen: Kilograms, inlet: HumidAir) -> Result<StoichiometricAir, Refused> {
    let oxygen = within("a mass of oxygen", oxygen.0, "kg", 0.0, 4.0 * MASS_KILOGRAMS_MAX, "check the batch's solids")?;
    let dry_air = oxygen / OXYGEN_MASS_FRACTION;
    Ok(StoichiometricAir { dry_air: Kilograms(dry_air), volume: CubicMetres(dry_air * inlet.volume().0) })
}

/// The oxygen taken up each day at a first-order rate: rate × solids left × demand; with all the solids, the peak.
///
/// The rate is that of the day, at its temperature, moisture and oxygen: 0.03 to 0.15 a day when all is well (from
/// memory). A first-order rate loses solids from the first hour, so the true peak of a batch that heats up stays below.
///
/// # Errors
/// [`Refused::Exhaust`] for a rate outside 0 to 5 a day, or what [`batch_oxygen`] refuses.
pub fn uptake(rate: PerDay, degradable: Kilograms, demand: KilogramsPerKilogram) -> Result<KilogramsPerDay, Refused> {
    let rate = within("a first-order rate", rate.0, "1/d", 0.0, 5.0, "give it for a day, not for an hour or a week")?;
    Ok(KilogramsPerDay(rate * batch_oxygen(degradable, demand)?.0))
}

/// The heat set free with an oxygen uptake, at 14 MJ for each kilogram of oxygen.
///
/// # Errors
/// [`Refused::Exhaust`] for an uptake outside 0 to 1e9 kg a day.
pub fn heat(uptake: KilogramsPerDay) -> Result<Watts, Refused> {
    Ok(Watts(checked_uptake(uptake, 0.0)? / DAY_SECONDS * HEAT_JOULES_PER_KILOGRAM_OXYGEN))
}

/// The mean flow that brings the oxygen taken up, if the gas leaves with the mole fraction `leaving` (of dry gas).
///
/// Moles of dry air × (0.2095 - leaving) = moles of oxygen, as much carbon dioxide made as oxygen taken (respiratory
/// quotient 1). `leaving` is the mean of what leaves; in a pulsed bed the pores swing around it, see [`off_time`].
///
/// # Errors
/// [`Refused::Exhaust`] for an uptake out of range, `leaving` outside 0 to 0.20, or a flow beyond 1e6 m³/h.
pub fn flow_for_oxygen(
    uptake: KilogramsPerDay,
    leaving: Fraction,
    inlet: HumidAir,
) -> Result<CubicMetresPerHour, Refused> {
    let uptake = checked_uptake(uptake, 0.0)?;
    let next = "give the oxygen that is to be left in the gas that leaves (10 % is 0.10)";
    let leaving = within("a leaving oxygen fraction", leaving.0, "", 0.0, LEAVING_OXYGEN_FRACTION_MAX, next)?;
    let share_used = 1.0 - leaving / OXYGEN_MOLE_FRACTION;
    flow_needed(uptake / DAY_SECONDS / OXYGEN_MASS_FRACTION / share_used * inlet.volume().0 * HOUR_SECONDS)
}

/// The mean flow that takes `heat` out of a bed held at the temperature `bed`: heat over what 1 m³/h takes from the bed.
///
/// `heat` is what the air is to carry: the heat set free less what goes through the walls.
///
/// # Errors
/// [`Refused::DoesNotCool`] if this air takes none; [`Refused::Exhaust`] for heat outside 0 to 1e9 W, a bed that boils or
/// is out of range, or a flow beyond 1e6 m³/h.
pub fn flow_for_heat(heat: Watts, bed: Celsius, inlet: HumidAir) -> Result<CubicMetresPerHour, Refused> {
    let heat = within("a heat", heat.0, "W", 0.0, 1e9, "give the heat set free less that through the walls")?;
    let each = carried(CubicMetresPerHour(1.0), inlet, bed)?.heat_from_bed.0;
    if each <= 0.0 {
        return Err(Refused::DoesNotCool { inlet_celsius: inlet.temperature().0, bed_celsius: bed.0 });
    }
    flow_needed(heat / each)
}

/// The part of the time that a blower must run to give the mean flow needed.
///
/// # Errors
/// [`Refused::BlowerTooSmall`] above 1; [`Refused::Exhaust`] for a need outside 0 to 1e6 m³/h or a blower outside 0.01 to
/// 1e6 m³/h.
pub fn duty_needed(needed: CubicMetresPerHour, blower: CubicMetresPerHour) -> Result<Fraction, Refused> {
    let needed = flow_needed(needed.0)?.0;
    let next = "give the flow measured at the bed";
    let blower = within("a blower's flow", blower.0, "m³/h", 0.01, FLOW_CUBIC_METRES_PER_HOUR_MAX, next)?;
    let duty = needed / blower;
    if duty > 1.0 { Err(Refused::BlowerTooSmall { needed, blower, duty }) } else { Ok(Fraction(duty)) }
}

/// The gas in a bed's pores.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Pores {
    /// Volume of the bed, 0.001 to 1e6 m³.
    pub bed: CubicMetres,
    /// The part of it that is gas, 0.01 to 0.99.
    pub free_air_space: Fraction,
    /// Temperature of the bed; its pore gas is saturated.
    pub temperature: Celsius,
    /// Pressure of the pore gas.
    pub pressure: Pascals,
}

/// How long the blower may be off before the oxygen in the pores (mole fraction of dry gas) falls from `start` to `floor`.
///
/// N dx/dt = -uptake, with N = (P - p_w) V FAS / (R T) moles of dry gas and the carbon dioxide made in place of the
/// oxygen: off time = N (start - floor) / uptake. The uptake is held constant. It slackens as oxygen gets short and air
/// leaks in, so the answer errs on the short, the safe side, most of all for a floor below 5 %.
///
/// # Errors
/// [`Refused::NoFall`] unless 0 ≤ floor < start ≤ 0.2095; [`Refused::Exhaust`] for pores out of range or that boil, or an
/// uptake outside 1e-6 to 1e9 kg a day.
pub fn off_time(pores: Pores, uptake: KilogramsPerDay, start: Fraction, floor: Fraction) -> Result<Span, Refused> {
    let bed = within("a bed", pores.bed.0, "m³", 0.001, 1e6, "give the volume of the pile")?;
    let next = "give the part of the bed that is gas (60 % is 0.60)";
    let free = within("a free air space", pores.free_air_space.0, "", 0.01, 0.99, next)?;
    let gas = HumidAir::saturated(pores.temperature, pores.pressure)?;
    let uptake = checked_uptake(uptake, 1e-6)?;
    if !(0.0 <= floor.0 && floor.0 < start.0 && start.0 <= OXYGEN_MOLE_FRACTION) {
        return Err(Refused::NoFall { start: start.0, floor: floor.0 });
    }
    let dry_pascals = gas.pressure().0 - gas.vapour_pressure().0;
    let moles = dry_pascals * bed * free / (GAS_CONSTANT * (pores.temperature.0 + ZERO_CELSIUS_KELVIN));
    let moles_each_second = uptake / DAY_SECONDS * 1e3 / OXYGEN_GRAMS_PER_MOLE;
    Ok(Span::from_seconds_f64(moles * (start.0 - floor.0) / moles_each_second))
}

fn checked_uptake(uptake: KilogramsPerDay, min: f64) -> Result<f64, exhaust::Refused> {
    let next = "give kg of oxygen a day for the whole batch";
    within("an oxygen uptake", uptake.0, "kg/d", min, UPTAKE_KILOGRAMS_PER_DAY_MAX, next)
}

fn flow_needed(flow: f64) -> Result<CubicMetresPerHour, Refused> {
    let next = "check the batch's solids and rate, and what the air is asked to do";
    Ok(CubicMetresPerHour(within("a flow needed", flow, "m³/h", 0.0, FLOW_CUBIC_METRES_PER_HOUR_MAX, next)?))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use proptest::prelude::*;

    const SEA_LEVEL: Pascals = Pascals(101_325.0);

    fn air(celsius: f64, humidity: f64) -> HumidAir {
        HumidAir::from_relative_humidity(Celsius(celsius), Fraction(humidity), SEA_LEVEL).unwrap()
    }

    #[test]
    fn stoichiometry_agrees_with_published_demands() {
        // Theoretical oxygen demands and air-fuel ratios as handbooks print them, from memory, to their last digit; the
        // tolerance is half of it. Glucose and cellulose done by hand.
        for (formula, demand, tolerance, why) in [
            ([6.0, 12.0, 6.0, 0.0], 1.06568, 5e-6, "glucose, 6 × 31.998 / 180.156"),
            ([6.0, 10.0, 5.0, 0.0], 1.18409, 5e-5, "cellulose, 6 × 31.998 / 162.141"),
            ([1.0, 0.0, 0.0, 0.0], 2.664, 5e-4, "carbon"),
            ([1.0, 4.0, 0.0, 0.0], 3.989, 5e-4, "methane"),
            ([2.0, 4.0, 2.0, 0.0], 1.07, 5e-3, "acetic acid"),
            ([2.0, 6.0, 1.0, 0.0], 2.08, 5e-3, "ethanol"),
            ([2.0, 5.0, 2.0, 1.0], 0.64, 5e-3, "glycine, its nitrogen staying ammonia"),
            ([5.0, 9.0, 4.0, 1.0], 0.98, 5e-3, "glutamic acid, likewise"),
            ([5.0, 7.0, 2.0, 1.0], 1.42, 6e-3, "bacterial cells; 160 / 113 is 1.416, which books round up"),
            ([10.0, 19.0, 3.0, 1.0], 1.99, 5e-3, "sewage sludge"),
            ([16.0, 32.0, 2.0, 0.0], 2.87, 5e-3, "palmitic acid"),
            ([18.0, 26.0, 10.0, 1.0], 1.44, 5e-3, "food scraps, near the 1.4 of usual solids"),
        ] {
            let [c, h, o, n] = formula;
            let got = Composition::new(c, h, o, n).unwrap().oxygen_demand().0;
            assert!((got - demand).abs() <= tolerance, "{why}: {got} kg/kg, printed {demand}");
        }
        for (formula, water, why) in [
            ([6.0, 12.0, 6.0, 0.0], 0.5999800, "glucose, 6 × 18.015 / 180.156"),
            ([1.0, 4.0, 0.0, 0.0], 2.2458, "methane, 2 × 18.015 / 16.043"),
            ([2.0, 5.0, 2.0, 1.0], 0.239976, "glycine, 18.015 / 75.067 with three hydrogens gone as ammonia"),
        ] {
            let [c, h, o, n] = formula;
            let got = Composition::new(c, h, o, n).unwrap().water_yield().0;
            assert!((got - water).abs() < 5e-5, "{why}: {got} kg/kg");
        }
        // Air-fuel ratios by mass as printed (from memory).
        for (formula, ratio, why) in [
            ([1.0, 4.0, 0.0, 0.0], 17.2, "methane"),
            ([3.0, 8.0, 0.0, 0.0], 15.7, "propane"),
            ([2.0, 6.0, 1.0, 0.0], 9.0, "ethanol"),
            ([1.0, 0.0, 0.0, 0.0], 11.5, "carbon"),
        ] {
            let [c, h, o, n] = formula;
            let demand = Composition::new(c, h, o, n).unwrap().oxygen_demand();
            let oxygen = batch_oxygen(Kilograms(1.0), demand).unwrap();
            let got = stoichiometric_air(oxygen, air(15.0, 0.0)).unwrap().dry_air.0;
            assert!((got - ratio).abs() < 0.051, "{why}: {got} kg/kg, printed {ratio}");
        }
        assert!((OXYGEN_MASS_FRACTION - 0.2314).abs() < 5e-5, "air is 23.14 % oxygen by mass (from memory)");
    }

    #[test]
    fn the_air_of_a_batch_follows_from_its_solids() {
        // 211.2 kg of degradable solids: a fill of 1,250 kg, 60 % moist, 12 % ash, 48 % of the rest degradable.
        let solids = Kilograms(211.2);
        let oxygen = batch_oxygen(solids, OXYGEN_OF_USUAL_SOLIDS).unwrap();
        assert!((oxygen.0 - 295.68).abs() < 1e-9);
        let dry = air(15.0, 0.0);
        let all = stoichiometric_air(oxygen, dry).unwrap();
        // 295.68 / 0.23143 kg, at 1.2255 kg/m³ (dry air of 15 °C, from memory 1.225).
        assert!((all.dry_air.0 - 1277.6).abs() < 0.3 && (all.volume.0 - 1277.6 / 1.225).abs() < 1.0, "{all:?}");
        let peak = uptake(PerDay(0.072), solids, OXYGEN_OF_USUAL_SOLIDS).unwrap();
        assert!((peak.0 - 21.289).abs() < 1e-3, "0.072 × 295.68: {peak:?}");
        let watts = heat(peak).unwrap();
        assert!((watts.0 - 3449.6).abs() < 0.5, "19.6 MJ for each kg of 15.206 kg of solids a day: {watts:?}");
        // If all oxygen is used, a day's flow is a day's stoichiometric air; at half of it, twice that.
        let day = stoichiometric_air(Kilograms(peak.0), dry).unwrap().volume.0;
        for (leaving, times) in [(0.0, 1.0), (OXYGEN_MOLE_FRACTION / 2.0, 2.0), (OXYGEN_MOLE_FRACTION * 0.75, 4.0)] {
            let flow = flow_for_oxygen(peak, Fraction(leaving), dry).unwrap().0;
            assert!((flow * 24.0 / day / times - 1.0).abs() < 1e-12, "{leaving}: {flow} m³/h");
        }
        // Known of hot piles: cooling takes several times the air that the oxygen does (common practice, no source).
        let cooling = flow_for_heat(watts, Celsius(60.0), dry).unwrap().0;
        let breathing = flow_for_oxygen(peak, Fraction(0.0), dry).unwrap().0;
        assert!((5.0..10.0).contains(&(cooling / breathing)), "{cooling} against {breathing} m³/h");
    }

    #[test]
    fn a_blower_runs_as_long_as_it_must_or_is_too_small() {
        for (needed, blower, want, why) in [
            (3.75, 150.0, 0.025, "45 s each half hour"),
            (150.0, 150.0, 1.0, "exactly enough"),
            (0.0, 150.0, 0.0, "nothing to do"),
        ] {
            let got = duty_needed(CubicMetresPerHour(needed), CubicMetresPerHour(blower)).unwrap();
            assert!((got.0 - want).abs() < 1e-12, "{why}: {got:?}");
        }
        let small = duty_needed(CubicMetresPerHour(180.0), CubicMetresPerHour(150.0)).unwrap_err();
        assert_eq!(small, Refused::BlowerTooSmall { needed: 180.0, blower: 150.0, duty: 1.2 });
        let text = small.to_string();
        assert!(text.contains("180 m³/h are needed and it gives 150 m³/h, a duty of 1.2"), "{text}");
    }

    #[test]
    fn a_resting_bed_uses_up_its_pores() {
        // One mole each second out of 1,000 moles, done by hand: dry gas of 0 °C, 22.71 m³ at 100 kPa (from memory).
        let cold = Pores {
            bed: CubicMetres(45.42),
            free_air_space: Fraction(0.5),
            temperature: Celsius(0.0),
            pressure: Pascals(100_000.0 + 611.154),
        };
        let mole_a_second = KilogramsPerDay(0.031998 * 86_400.0);
        let got = off_time(cold, mole_a_second, Fraction(0.20), Fraction(0.10)).unwrap().as_seconds();
        assert!((got - 100.0).abs() < 0.02, "{got} s");

        // A lumped model of a bin on day 10, our own and no measurement: 150 m³/h for 45 s each half hour and 0.4 m³/h
        // of draught leave at 15.1 % in the mean, while the pores swing from 18 to 5 % in a cycle.
        let inlet = air(12.5, 0.7);
        let dry_air = (150.0 * 45.0 / 1800.0 + 0.4) / 3600.0 / inlet.volume().0;
        let mean = KilogramsPerDay(dry_air / 0.028966 * (0.2095 - 0.151) * 0.031998 * 86_400.0);
        let flow = flow_for_oxygen(mean, Fraction(0.151), inlet).unwrap().0;
        assert!((flow - 4.15).abs() < 1e-3, "the flow that was started from: {flow} m³/h");
        // Its bed by then, from its equations: 2.0 m³, 0.65 of it gas, at 66 °C.
        let bed = Pores {
            bed: CubicMetres(2.0),
            free_air_space: Fraction(0.65),
            temperature: Celsius(66.0),
            pressure: SEA_LEVEL,
        };
        let rest = off_time(bed, mean, Fraction(0.18), Fraction(0.05)).unwrap();
        assert!(
            (24.0..29.25).contains(&rest.as_minutes()),
            "{rest}: the pause is 29 min 15 s, and draught lengthens it"
        );
    }

    #[test]
    fn what_cannot_be_is_refused_with_its_range() {
        let formula = |c, h, o, n| Composition::new(c, h, o, n).map(|_| ());
        let inlet = air(20.0, 0.5);
        let pores = |free, celsius| Pores {
            bed: CubicMetres(2.0),
            free_air_space: Fraction(free),
            temperature: Celsius(celsius),
            pressure: SEA_LEVEL,
        };
        let rest = |pores, uptake, start, floor| {
            off_time(pores, KilogramsPerDay(uptake), Fraction(start), Fraction(floor)).map(|_| ())
        };
        let oxygen = |solids, demand| batch_oxygen(Kilograms(solids), KilogramsPerKilogram(demand)).map(|_| ());
        let leaving = |x| flow_for_oxygen(KilogramsPerDay(10.0), Fraction(x), inlet).map(|_| ());
        let cooled = |heat, bed| flow_for_heat(Watts(heat), Celsius(bed), inlet).map(|_| ());
        for (got, want, why) in [
            (formula(1.0, 0.0, 2.0, 0.0), "C1H0O2N0 does not burn", "carbon dioxide is burnt"),
            (formula(0.0, 0.0, 0.0, 0.0), "C0H0O0N0 does not burn", "nothing"),
            (formula(5.0, 2.0, 0.0, 1.0), "C5H2O0N1 does not burn", "too little hydrogen for the ammonia"),
            (formula(-1.0, 12.0, 0.0, 0.0), "C-1H12O0N0 does not burn", "negative"),
            (formula(f64::NAN, 1.0, 0.0, 0.0), "CNaNH1O0N0", "not a number"),
            (oxygen(-1.0, 1.4), "a mass of degradable solids of -1 kg is outside 0 to 1000000000 kg", "negative"),
            (oxygen(1.0, 14.0), "an oxygen demand of 14 kg/kg is outside 0 to 4 kg/kg", "a slip of the point"),
            (leaving(0.2095), "a leaving oxygen fraction of 0.2095", "fresh air leaves: no flow is enough"),
            (leaving(10.0), "a leaving oxygen fraction of 10", "percent by mistake"),
            (cooled(1000.0, 10.0), "air of 20 °C does not cool a bed of 10 °C", "the bed is colder"),
            (cooled(1000.0, 101.0), "at 101 °C the vapour pressure", "the bed boils"),
            (cooled(f64::NAN, 60.0), "a heat of NaN W", "not a number"),
            (rest(pores(0.6, 60.0), 5.0, 0.05, 0.05), "pore oxygen does not fall from 0.05 to 0.05", "no fall"),
            (rest(pores(0.6, 60.0), 5.0, 0.21, 0.05), "pore oxygen does not fall from 0.21", "more than fresh air"),
            (rest(pores(0.6, 60.0), 0.0, 0.18, 0.05), "an oxygen uptake of 0 kg/d", "it would last for ever"),
            (rest(pores(60.0, 60.0), 5.0, 0.18, 0.05), "a free air space of 60 ", "percent by mistake"),
            (rest(pores(0.6, 110.0), 5.0, 0.18, 0.05), "at 110 °C the vapour pressure", "the bed boils"),
        ] {
            let got = got.unwrap_err().to_string();
            assert!(got.starts_with(want), "{why}: {got}");
        }
        assert!(uptake(PerDay(-0.1), Kilograms(1.0), OXYGEN_OF_USUAL_SOLIDS).is_err(), "solids do not grow");
        assert!(heat(KilogramsPerDay(f64::INFINITY)).is_err());
        assert!(duty_needed(CubicMetresPerHour(1.0), CubicMetresPerHour(0.0)).is_err(), "no blower");
    }

    proptest! {
        #[test]
        fn any_number_gives_an_error_or_finite_figures(
            a in prop_oneof![0.0..1e3f64, any::<f64>()], b in prop_oneof![0.0..1.0f64, any::<f64>()],
            c in prop_oneof![0.0..120.0f64, any::<f64>()], d in prop_oneof![0.0..0.3f64, any::<f64>()],
            t in -20.0..45.0f64,
        ) {
            let inlet = air(t, 0.7);
            if let Ok(matter) = Composition::new(a, c, b, d) {
                prop_assert!(matter.oxygen_demand().0 > 0.0 && matter.oxygen_demand().0 < 8.0, "{matter:?}");
                prop_assert!(matter.water_yield().0 >= 0.0 && matter.water_yield().0 < 9.0, "{matter:?}");
            }
            let flows = [
                flow_for_oxygen(KilogramsPerDay(a), Fraction(d), inlet),
                flow_for_heat(Watts(a), Celsius(c), inlet),
            ];
            for flow in flows.into_iter().flatten() {
                prop_assert!(flow.0.is_finite() && flow.0 >= 0.0);
                if let Ok(duty) = duty_needed(flow, CubicMetresPerHour(b)) {
                    prop_assert!((0.0..=1.0).contains(&duty.0));
                }
            }
            if let Ok(peak) = uptake(PerDay(b), Kilograms(a), KilogramsPerKilogram(d)) {
                prop_assert!(heat(peak).is_ok_and(|w| w.0.is_finite()) || peak.0 > UPTAKE_KILOGRAMS_PER_DAY_MAX);
            }
            let pores = Pores {
                bed: CubicMetres(a), free_air_space: Fraction(b), temperature: Celsius(c), pressure: SEA_LEVEL,
            };
            if let Ok(rest) = off_time(pores, KilogramsPerDay(a), Fraction(d), Fraction(b)) {
                prop_assert!(rest >= Span::seconds(0));
            }
        }
    }
}
