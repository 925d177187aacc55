//! How much water a bin gets at once: the one dose that every mail, list and command names.
//!
//! Must never name more than any of its three limits allows, nor an amount that nobody can act on.
//!
//! The dose is the least of
//!
//! * a third of the low end (95 %) of the water that the bed lacks: what it lacks for certain;
//! * 15 L for each m³ of pile (common practice, no source): raises moisture by one to two points;
//! * the cold water that cools the bed by 3 K, or by 1 K while a hot run counts: `d = C k / (c (T - Tw - k))`, the inverse of
//!   [`crate::bed::chill`], with C the heat capacity of the wet bed in J/K, k the cooling in K and c = 4186 J/(kg K) that of water
//!   (4.18 to 4.19 kJ/(kg K) between 0 and 60 °C: CRC Handbook of Chemistry and Physics, properties of water).
//!
//! Where the account is not sure that anything is lacking, a third of what it lacks most likely stands in for the first, the cooling
//! is held to 1 K, and the dose holds only for a pile whose material feels dry: [`Dose::if_dry`].

use crate::bed::{AccountError, chill, litres_that_chill};
use crate::units::{Celsius, CubicMetres, Fraction, JoulesPerKelvin, Kelvin, Kilograms, Litres};
use crate::water_account::Band;

/// The moisture that a dose aims at, kg of water per kg of wet mass: the middle of 40 to 65 % (Cooperband 2002), and then some.
pub const GOAL: Fraction = Fraction(0.55);
/// The share of what is lacking that is given at once. Common practice, no source.
pub const SHARE_OF_LACK: f64 = 1.0 / 3.0;
/// Litres for each m³ of pile. Common practice, no source.
pub const LITRES_PER_CUBIC_METRE: f64 = 15.0;
/// A dose may cool the bed by this much (chosen).
pub const COOLING_MOST: Kelvin = Kelvin(3.0);
/// While a hot run counts, or where nothing is sure to be lacking (chosen).
pub const COOLING_MOST_WITH_CARE: Kelvin = Kelvin(1.0);
/// Less than this is no dose: it wets nothing but the top (chosen).
pub const LEAST: Litres = Litres(5.0);
/// Water from a hose where nobody measured it (chosen).
pub const HOSE_WATER: Celsius = Celsius(10.0);

/// Whether a hot run is under way that somebody needs: cold water may break it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum HotRun {
    /// None that counts.
    None,
    /// A criterion's, or that of the rule on the hold.
    Counts,
}

/// What is known of a bin that may want water.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Bed {
    /// Water that is lacking to [`GOAL`], with its 95 % band; `None` where no account is kept.
    pub lack: Option<Band<Litres>>,
    /// What the bin holds when full.
    pub volume: CubicMetres,
    /// Heat capacity of the wet bed.
    pub capacity: JoulesPerKelvin,
    /// The bed's temperature; the hottest that is known makes the smallest dose.
    pub at: Celsius,
    /// The water's.
    pub water: Celsius,
    /// Whether a run counts.
    pub run: HotRun,
}

/// Water to give at once.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Dose {
    /// How much, before it is rounded for people.
    pub litres: Litres,
    /// It holds only where the material feels dry: the account cannot tell whether anything is lacking.
    pub if_dry: bool,
}

/// The dose for a bin; `None` where the least of the limits is below [`LEAST`].
///
/// # Errors
/// [`AccountError::OutOfRange`] for temperatures, a volume or a heat capacity outside the ranges of [`crate::bed`].
pub fn dose(bed: &Bed) -> Result<Option<Dose>, AccountError> {
    let sure = bed.lack.map(|lack| lack.low.0 * SHARE_OF_LACK).filter(|third| *third >= LEAST.0);
    let lacking = sure.or(bed.lack.map(|lack| lack.value.0 * SHARE_OF_LACK));
    let cooling = match (bed.run, sure) {
        (HotRun::None, Some(_)) => COOLING_MOST,
        (HotRun::Counts, _) | (_, None) => COOLING_MOST_WITH_CARE,
    };
    let cold = litres_that_chill(bed.capacity, bed.at, bed.water, cooling)?;
    let limits = [lacking, Some(bed.volume.0 * LITRES_PER_CUBIC_METRE), cold.map(|litres| litres.0)];
    let least = limits.into_iter().flatten().fold(f64::INFINITY, f64::min);
    Ok((least.is_finite() && least >= LEAST.0).then_some(Dose { litres: Litres(least), if_dry: sure.is_none() }))
}

/// By how much that much water cools the bed.
///
/// # Errors
/// As [`crate::bed::chill`].
pub fn cooling(bed: &Bed, litres: Litres) -> Result<Kelvin, AccountError> {
    chill(bed.capacity, Kilograms(litres.0), bed.at, bed.water)
}

/// An amount as people measure it: whole below a hundred, two digits from there on, and halves below ten of a unit as large as a
/// gallon. For no amount, and for what is no number, it is as it was.
pub fn rounded(amount: f64, unit: Litres) -> f64 {
    if !amount.is_finite() || amount <= 0.0 {
        return amount;
    }
    let step = if amount < 10.0 && unit.0 > 1.0 {
        0.5
    } else if amount < 100.0 {
        1.0
    } else {
        libm::pow(10.0, libm::floor(libm::log10(amount)) - 1.0)
    };
    ((amount / step).round() * step).max(step)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bed::{BedParameters, heat_capacity};
    use proptest::prelude::*;

    fn capacity(dry: f64, water: f64) -> JoulesPerKelvin {
        let bed = BedParameters::of_static_bin(CubicMetres(2.5)).unwrap();
        heat_capacity(&bed, Kilograms(dry), Kilograms(water)).unwrap()
    }

    fn lack(low: f64, value: f64, high: f64) -> Option<Band<Litres>> {
        Some(Band { low: Litres(low), value: Litres(value), high: Litres(high) })
    }

    #[test]
    fn the_least_of_three_limits_counts() {
        use HotRun::{Counts, None as Not};
        // 600 kg of solids and as much water at 60 °C, water of 10 °C: C = 3.26 MJ/K. Three kelvin are 49.7 L, one is 15.9 L.
        for (lack, run, at, want, why) in [
            (lack(60.0, 200.0, 340.0), Not, 60.0, Some((20.0, false)), "a third of what is lacking for certain"),
            (lack(150.0, 250.0, 350.0), Not, 60.0, Some((37.5, false)), "15 L for each cubic metre"),
            (lack(150.0, 250.0, 350.0), Counts, 60.0, Some((15.9, false)), "1 K while a run counts"),
            (
                lack(0.0, 170.0, 440.0),
                Not,
                60.0,
                Some((15.9, true)),
                "nothing is sure to be lacking: 1 K, if it feels dry",
            ),
            (lack(0.0, 21.0, 300.0), Not, 60.0, Some((7.0, true)), "a third of what is likely lacking"),
            (lack(0.0, 3.0, 200.0), Not, 60.0, None, "1 L is no dose"),
            (lack(0.0, 0.0, 0.0), Not, 60.0, None, "wet enough"),
            (lack(16.0, 17.0, 18.0), Not, 60.0, Some((5.33, false)), "just enough to be a dose"),
            (None, Not, 60.0, Some((15.9, true)), "no account: the material decides"),
            (
                lack(150.0, 250.0, 350.0),
                Not,
                12.0,
                Some((37.5, false)),
                "water that is nearly as warm as the bed cools nothing",
            ),
        ] {
            let bed = Bed {
                lack,
                volume: CubicMetres(2.5),
                capacity: capacity(600.0, 600.0),
                at: Celsius(at),
                water: HOSE_WATER,
                run,
            };
            let got = dose(&bed).unwrap();
            assert_eq!(got.map(|d| d.if_dry), want.map(|(_, if_dry)| if_dry), "{why}: {got:?}");
            if let (Some(got), Some((litres, _))) = (got, want) {
                assert!((got.litres.0 - litres).abs() < 0.05, "{why}: {} L, not {litres}", got.litres.0);
            }
        }
    }

    #[test]
    fn water_mixed_with_water_is_the_textbook_case() {
        // 100 kg at 60 °C and d kg at 10 °C meet at 57 °C: 100 × 3 = d × 47, whatever the specific heat.
        let water = JoulesPerKelvin(100.0 * 4186.0);
        let litres = litres_that_chill(water, Celsius(60.0), Celsius(10.0), Kelvin(3.0)).unwrap().unwrap();
        assert!((litres.0 - 300.0 / 47.0).abs() < 1e-9, "{}", litres.0);
        // Handbooks: 4.1844 kJ/(kg K) at 25 °C and 4.1850 at 60 °C (CRC Handbook), rounded to 4.19.
        assert!((crate::exhaust::WATER_JOULES_PER_KILOGRAM_KELVIN / 1000.0 - 4.19).abs() < 0.01);
        // Half water, half solids of 1.25 kJ/(kg K): 2.72 kJ/(kg K), within the 2 to 3 kJ/(kg K) that wet composts have.
        assert!((capacity(500.0, 500.0).0 / 1000.0 - 2718.0).abs() < 1.0);
    }

    #[test]
    fn amounts_are_such_as_people_measure() {
        let gallon = Litres(3.785_411_784);
        for (amount, unit, want) in [
            (5.2, Litres(1.0), 5.0),
            (37.5, Litres(1.0), 38.0),
            (170.4, Litres(1.0), 170.0),
            (1_234.0, Litres(1.0), 1_200.0),
            (1.4, gallon, 1.5),
            (9.9, gallon, 10.0),
            (0.1, gallon, 0.5),
            (45.02, gallon, 45.0),
        ] {
            assert!((rounded(amount, unit) - want).abs() < 1e-9, "{amount}: {}", rounded(amount, unit));
        }
    }

    proptest! {
        #[test]
        fn no_limit_is_ever_passed(
            low in 0.0..1e6f64, more in 0.0..1e6f64, volume in 0.05..10_000.0f64, mass in 1.0..1e6f64,
            at in 0.0..95.0f64, water in 0.0..95.0f64, counts in any::<bool>(), known in any::<bool>(),
        ) {
            let run = if counts { HotRun::Counts } else { HotRun::None };
            let bed = Bed {
                lack: known.then_some(Band { low: Litres(low), value: Litres(low + more), high: Litres(low + 2.0 * more) }),
                volume: CubicMetres(volume), capacity: capacity(mass, mass), at: Celsius(at), water: Celsius(water), run,
            };
            if let Some(Dose { litres, if_dry }) = dose(&bed).unwrap() {
                prop_assert!(litres.0 >= LEAST.0 && litres.0 <= 15.0 * volume + 1e-9);
                prop_assert!(!known || litres.0 <= (low + more) / 3.0 + 1e-9);
                prop_assert!(if_dry || litres.0 <= low / 3.0 + 1e-9);
                let most = if counts || if_dry { 1.0 } else { 3.0 };
                prop_assert!(cooling(&bed, litres).unwrap().0 <= most + 1e-9);
            }
        }

        #[test]
        fn a_rounded_amount_is_near_and_finite(amount in any::<f64>(), gallons in any::<bool>()) {
            let got = rounded(amount, Litres(if gallons { 3.785 } else { 1.0 }));
            prop_assert!(!amount.is_finite() || amount <= 0.0 || amount > 1e300 || (got > 0.0 && got.is_finite()));
            prop_assert!(!(5.0..1e300).contains(&amount) || (got / amount - 1.0).abs() < 0.11);
        }
    }
}
