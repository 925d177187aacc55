//! Amounts that can be and that nobody means: a slip of a digit or of a unit, asked back before it is kept.
//!
//! Must never refuse what somebody says twice, and never stand in the way of a hot reading.

use pile::units::{Decimals, Readable};

use crate::entry::{Amount, EntryKind, Filled};
use crate::model::{Bin, Display};
use crate::recipe::{CUBIC_METRES_PER_CUBIC_YARD, KILOGRAMS_PER_POUND, LITRES_PER_GALLON};

/// More water than this in one go runs out at the bottom, L for each m³ of the bin (our own bound; a dose is 15).
pub const WATER_MOST: f64 = 200.0;
/// Less water than this changes nothing, L for each m³ of the bin (our own bound).
pub const WATER_LEAST: f64 = 0.05;
/// A hose that ran for longer than this was forgotten, or the number is in seconds (our own bound).
pub const HOSE_MINUTES_MOST: f64 = 720.0;
/// Nothing that is composted is denser as it lies, kg/m³ (wet food waste and sludge reach 1,000).
pub const DENSITY_MOST: f64 = 1_100.0;
/// Nothing that is composted is lighter as it lies, kg/m³ (dry straw and leaves are 40 to 60).
pub const DENSITY_LEAST: f64 = 30.0;
/// Loose material that is heaped and then sinks, as a multiple of what the bin holds (our own bound).
pub const HEAPED_MOST: f64 = 1.5;
/// Material is loaded colder than this, °C (our own bound): hotter than a finished hot stage.
pub const LOADED_CELSIUS_MOST: f64 = 80.0;

/// What makes amounts ones that nobody means, all of an entry in one sentence; `None` where nothing does.
pub fn doubt(bin: Option<&Bin>, kind: &EntryKind, display: Display) -> Option<String> {
    let us = display == Display::Us;
    if let EntryKind::Corrected { really: Some(really), .. } = kind {
        return doubt(bin, &really.kind, display);
    }
    let doubts: Vec<String> = [loaded_hot(kind, us), too_much_or_little(bin, kind, us)].into_iter().flatten().collect();
    (!doubts.is_empty()).then(|| doubts.join("; and "))
}

fn loaded_hot(kind: &EntryKind, us: bool) -> Option<String> {
    if let EntryKind::OnAir { loaded_at: Some(t), .. } = kind
        && t.0 > LOADED_CELSIUS_MOST
    {
        let (t, most, sign) = match us {
            true => (t.fahrenheit(), 176.0, "°F"),
            false => (t.0, LOADED_CELSIUS_MOST, "°C"),
        };
        return Some(format!("material is not loaded at {} {sign}: more than {most} {sign}", Readable(t)));
    }
    None
}

fn too_much_or_little(bin: Option<&Bin>, kind: &EntryKind, us: bool) -> Option<String> {
    let bin = bin?;
    let volume = bin.volume.0;
    let cubic = |m3: f64| match us {
        true => format!("{} yd³", rounded(m3 / CUBIC_METRES_PER_CUBIC_YARD)),
        false => format!("{} m³", rounded(m3)),
    };
    let mass = |kg: f64| match us {
        true => format!("{} lb", rounded(kg / KILOGRAMS_PER_POUND)),
        false => format!("{} kg", rounded(kg)),
    };
    let water = |litres: f64| match us {
        true => format!("{} gal", rounded(litres / LITRES_PER_GALLON)),
        false => format!("{} L", rounded(litres)),
    };
    let holds = || format!("bin {} holds {}", bin.id, cubic(volume));
    let too_much = |amount: &Amount, what: &str| match amount {
        Amount::Mass(kg) if kg.0 > DENSITY_MOST * volume => Some(format!(
            "{} {what} is more than can be: {}, {} of the heaviest material at the most",
            mass(kg.0),
            holds(),
            mass(DENSITY_MOST * volume)
        )),
        Amount::Volume(m3) if m3.0 > HEAPED_MOST * volume => {
            Some(format!("{} {what} is more than can be: {}", cubic(m3.0), holds()))
        }
        _ => None,
    };
    match kind {
        EntryKind::Watered { minutes, litres } => {
            let by_hose = minutes.zip(bin.hose).map(|(minutes, hose)| minutes * hose.0);
            match litres.map(|l| l.0).or(by_hose) {
                Some(litres) if litres > WATER_MOST * volume => Some(format!(
                    "{} of water is more than can be: {}, and more than {} runs out at the bottom",
                    water(litres),
                    holds(),
                    water(WATER_MOST * volume)
                )),
                Some(litres) if litres < WATER_LEAST * volume => Some(format!(
                    "{} of water is next to nothing: {}, and a dose is about {}",
                    water(litres),
                    holds(),
                    water(15.0 * volume)
                )),
                _ => minutes
                    .filter(|m| *m > HOSE_MINUTES_MOST)
                    .map(|m| format!("a hose that ran for {} min ran for more than half a day", rounded(m))),
            }
        }
        EntryKind::Loaded { amount, .. } => too_much(amount, "in one load"),
        EntryKind::Shipped { amount, .. } => too_much(amount, "out of one bin"),
        EntryKind::OnAir { filling: Some(Filled { wet_mass, .. }), .. } => {
            let density = wet_mass.0 / volume;
            if density > DENSITY_MOST {
                too_much(&Amount::Mass(*wet_mass), "filled in")
            } else if density < DENSITY_LEAST {
                Some(format!("{} filled in is next to nothing: {}", mass(wet_mass.0), holds()))
            } else {
                None
            }
        }
        EntryKind::SettledDepth { metres } => {
            let height = bin.height.filter(|height| *metres > 1.5 * height.0)?;
            let length = |m: f64| match us {
                true => format!("{} ft", rounded(m / 0.304_8)),
                false => format!("{} m", rounded(m)),
            };
            Some(format!(
                "{} of depth is more than can be: bin {} is {} high",
                length(*metres),
                bin.id,
                length(height.0)
            ))
        }
        _ => None,
    }
}

/// With no more digits than anybody can act on.
fn rounded(value: f64) -> String {
    match value.abs() {
        v if v >= 10.0 => Decimals(value, 0).to_string(),
        v if v >= 1.0 => Decimals(value, 1).to_string(),
        _ => Readable(value).to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::ids::BinId;
    use crate::model::{Position, Process};
    use pile::units::{Celsius, CubicMetres, Kilograms, Litres, LitresPerMinute};
    use proptest::prelude::*;

    fn bin(volume: f64) -> Bin {
        Bin {
            id: BinId::new("b1").unwrap(),
            volume: CubicMetres(volume),
            height: None,
            blower: None,
            valve: None,
            flow: None,
            hose: Some(LitresPerMinute(15.0)),
            process: Process::default(),
            probes: Vec::new(),
            place: String::new(),
        }
    }

    fn watered(litres: f64) -> EntryKind {
        EntryKind::Watered { minutes: None, litres: Some(Litres(litres)) }
    }

    fn loaded(amount: Amount) -> EntryKind {
        let taken = crate::entry::Taken::In;
        EntryKind::Loaded { source: "Canteen".into(), material: "food waste".into(), amount, taken }
    }

    #[test]
    fn what_nobody_means_is_doubted() {
        for (volume, kind, want, why) in [
            (2.5, watered(100_000.0), Some("100000 L of water is more than can be: bin b1 holds 2.5 m³"), "a lake"),
            (300.0, watered(0.5), Some("0.5 L of water is next to nothing"), "a cup into a hall"),
            (2.5, watered(38.0), None, "a dose"),
            (2.5, EntryKind::Watered { minutes: Some(500.0), litres: None }, Some("7500 L of water"), "by the hose"),
            (2.5, EntryKind::Watered { minutes: Some(3.0), litres: None }, None, "a dose by the hose"),
            (2.5, loaded(Amount::Mass(Kilograms(8_000.0))), Some("8000 kg in one load is more than can be"), "a lorry"),
            (2.5, loaded(Amount::Mass(Kilograms(800.0))), None, "a trailer"),
            (2.5, loaded(Amount::Volume(CubicMetres(30.0))), Some("30 m³ in one load"), "a lorry by volume"),
            (
                2.5,
                EntryKind::OnAir { loaded_at: Some(Celsius(90.0)), filling: None },
                Some("material is not loaded at 90 °C"),
                "boiling",
            ),
            (
                2.5,
                EntryKind::OnAir { loaded_at: Some(Celsius(90.0)), filling: Some(Filled::of(Kilograms(12.0))) },
                Some("more than 80 °C; and 12 kg filled in is next to nothing"),
                "both are asked in one question",
            ),
            (
                2.5,
                EntryKind::OnAir { loaded_at: None, filling: Some(Filled::of(Kilograms(12.0))) },
                Some("12 kg filled in is next to nothing"),
                "a bucket",
            ),
            (
                2.5,
                EntryKind::HandReading { position: Position::Core, celsius: Celsius(95.0), depth: None },
                None,
                "a fire is never asked back",
            ),
        ] {
            let got = doubt(Some(&bin(volume)), &kind, Display::Metric);
            match want {
                None => assert_eq!(got, None, "{why}"),
                Some(words) => assert!(got.as_ref().is_some_and(|said| said.contains(words)), "{why}: {got:?}"),
            }
        }
        let us = doubt(Some(&bin(2.5)), &watered(100_000.0), Display::Us).unwrap();
        assert!(us.contains("26417 gal of water") && us.contains("3.3 yd³"), "{us}");
    }

    proptest! {
        /// Whatever a bin holds, the doses that rules ask for are never doubted, and a hundred times a full bin always is.
        #[test]
        fn doses_pass_and_floods_do_not(volume in 0.05f64..5_000.0, dose in 1.0f64..60.0) {
            prop_assert_eq!(doubt(Some(&bin(volume)), &watered(dose * volume), Display::Metric), None);
            prop_assert!(doubt(Some(&bin(volume)), &watered(1e5 * volume), Display::Us).is_some());
        }
    }
}
