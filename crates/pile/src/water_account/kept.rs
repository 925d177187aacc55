//! The water account as a list of numbers and back, for whoever keeps it over a restart.
//!
//! Must never lose a bit: the account that comes back goes on exactly as the one that was kept.

use super::{N, Rate, Vector, WaterAccount, WaterTotals};
use crate::bed::BedParameters;
use crate::time::Timestamp;
use crate::units::{CubicMetresPerHour, Fraction, Kilograms};

/// Numbers before the vectors.
const HEAD: usize = 19;

impl WaterAccount {
    /// All that the account is, as numbers, for whoever keeps it over a restart; [`WaterAccount::from_numbers`] takes them back.
    pub fn to_numbers(&self) -> Vec<f64> {
        let (b, t, r) = (&self.bed, &self.totals, &self.rate);
        let mut out = vec![
            b.solids_joules_per_kg_kelvin,
            b.surface_square_metres,
            b.wall_watts_per_square_metre_kelvin,
            b.wall_sd.0,
            b.draught.0,
            b.draught_sd.0,
            b.exhaust_humidity_sd.0,
            b.heat_joules_per_kg_solids,
            b.water_per_kg_solids,
            b.oxidation_sd.0,
            self.degradable_left,
            t.initial.0,
            t.formed.0,
            t.added.0,
            t.removed.0,
            t.corrected.0,
            r.weight,
            r.water,
            r.dry,
        ];
        out.extend(self.state);
        out.extend(self.covariance.iter().flatten());
        out.extend(r.water_by);
        out.extend(r.dry_by);
        out
    }

    /// The account that stood at `at` and gave these numbers; `None` where they are not those of an account.
    pub fn from_numbers(at: Timestamp, numbers: &[f64]) -> Option<WaterAccount> {
        let (head, rest) = numbers.split_at_checked(HEAD)?;
        if rest.len() != N * (N + 3) || numbers.iter().any(|x| !x.is_finite()) {
            return None;
        }
        let vector = |n: usize| -> Option<Vector> { rest.get(n * N..(n + 1) * N)?.try_into().ok() };
        let mut covariance = [[0.0; N]; N];
        for (n, row) in covariance.iter_mut().enumerate() {
            *row = vector(n + 1)?;
        }
        let bed = BedParameters {
            solids_joules_per_kg_kelvin: head[0],
            surface_square_metres: head[1],
            wall_watts_per_square_metre_kelvin: head[2],
            wall_sd: Fraction(head[3]),
            draught: CubicMetresPerHour(head[4]),
            draught_sd: Fraction(head[5]),
            exhaust_humidity_sd: Fraction(head[6]),
            heat_joules_per_kg_solids: head[7],
            water_per_kg_solids: head[8],
            oxidation_sd: Fraction(head[9]),
        };
        bed.check().ok()?;
        Some(WaterAccount {
            bed,
            at,
            state: vector(0)?,
            covariance,
            degradable_left: head[10],
            totals: WaterTotals {
                initial: Kilograms(head[11]),
                formed: Kilograms(head[12]),
                added: Kilograms(head[13]),
                removed: Kilograms(head[14]),
                corrected: Kilograms(head[15]),
            },
            rate: Rate {
                weight: head[16],
                water: head[17],
                dry: head[18],
                water_by: vector(N + 1)?,
                dry_by: vector(N + 2)?,
            },
        })
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::super::Filling;
    use super::*;
    use crate::units::{CubicMetres, KilogramsPerCubicMetre, Litres};

    #[test]
    fn what_is_kept_comes_back_and_what_is_damaged_does_not() {
        let at = Timestamp::from_millis(1_000);
        let bed = BedParameters::of_static_bin(CubicMetres(2.5)).unwrap();
        let filling = Filling::by_volume(CubicMetres(2.5), KilogramsPerCubicMetre(500.0), Fraction(0.58));
        let mut account = WaterAccount::begin(bed, at, &filling).unwrap();
        account.water(Litres(33.3), Litres(5.0)).unwrap();
        account.sample(Fraction(0.57), Fraction(0.02)).unwrap();
        let numbers = account.to_numbers();
        assert_eq!(WaterAccount::from_numbers(at, &numbers), Some(account), "to the last bit");

        let with = |change: &dyn Fn(&mut Vec<f64>)| {
            let mut numbers = numbers.clone();
            change(&mut numbers);
            WaterAccount::from_numbers(at, &numbers)
        };
        assert_eq!(with(&|n| n.truncate(100)), None, "cut short");
        assert_eq!(with(&|n| n.push(0.0)), None, "too long");
        assert_eq!(with(&|n| n[30] = f64::NAN), None, "no number");
        assert_eq!(with(&|n| n[0] = -1.0), None, "solids that no bed has");
        assert_eq!(WaterAccount::from_numbers(at, &[]), None, "nothing");
    }
}
