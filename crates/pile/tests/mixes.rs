//! Holds mixes and stability against published worked examples, exact arithmetic, and random input.
//!
//! Must never widen a tolerance without saying what limits the agreement.

#![allow(clippy::unwrap_used)]

mod table;

use std::collections::BTreeMap;

use pile::mix::*;
use pile::mix_goal::*;
use pile::stability::*;
use pile::units::*;
use proptest::prelude::*;
use table::table;

/// An ingredient by percentages: moisture, carbon and nitrogen of dry matter.
fn stuff(name: &str, moisture: f64, carbon: f64, nitrogen: f64) -> Ingredient {
    Ingredient::new(name, Fraction(moisture / 100.0), Fraction(carbon / 100.0), Fraction(nitrogen / 100.0)).unwrap()
}

/// An ingredient by percentages and C:N.
fn rated(name: &str, moisture: f64, nitrogen: f64, ratio: f64) -> Ingredient {
    Ingredient::from_ratio(name, Fraction(moisture / 100.0), Fraction(nitrogen / 100.0), ratio).unwrap()
}

fn kilograms(ingredient: &Ingredient, mass: f64) -> Part<'_> {
    Part { ingredient, amount: Amount::Mass(Kilograms(mass)) }
}

fn figures(parts: &[Part<'_>]) -> Figures {
    mix(parts, Fraction(0.0)).unwrap()
}

fn open(ingredient: &Ingredient) -> Choice<'_> {
    Choice { ingredient, least: Kilograms(0.0), most: None }
}

fn wetness(percent: f64) -> Goals {
    Goals { moisture: Some(Fraction(percent / 100.0)), carbon_to_nitrogen: None }
}

fn ratio(goal: f64) -> Goals {
    Goals { moisture: None, carbon_to_nitrogen: Some(goal) }
}

/// The amount of one open ingredient that meets the goal.
fn amount(given: &[Part<'_>], of: &Ingredient, goals: Goals) -> f64 {
    let found = solve(given, &[open(of)], goals).unwrap();
    assert_eq!(found.fit, Fit::Met);
    found.amounts[0].0
}

fn worked(example: &str, quantity: &str) -> f64 {
    let grass = stuff("grass", 77.0, 45.0, 2.4);
    let leaves = stuff("leaves", 35.0, 50.0, 0.75);
    let (litter, straw) = (rated("litter", 0.0, 5.0, 7.5), rated("straw", 0.0, 0.4, 130.0));
    let (manure, sawdust) = (rated("layer manure", 70.0, 6.0, 10.0), rated("sawdust", 35.0, 0.11, 500.0));
    let pile = |name, moisture, nitrogen, ratio, density| {
        rated(name, moisture, nitrogen, ratio)
            .with_bulk_density(KilogramsPerCubicMetre::from_pounds_per_cubic_yard(density))
            .unwrap()
    };
    let (cattle, chips) = (pile("cattle manure", 81.0, 2.4, 19.0, 1458.0), pile("chips", 40.0, 0.09, 560.0, 532.0));
    let yards = |ingredient, yards: f64| Part {
        ingredient,
        amount: Amount::Volume(CubicMetres(yards * 0.9144 * 0.9144 * 0.9144)),
    };
    match (example, quantity) {
        ("P1", _) => moisture_of_sample(Kilograms(0.010), Kilograms(0.0063 - 0.004)).unwrap().0 * 100.0,
        ("P2", "leaves_kilograms") => amount(&[kilograms(&grass, 10.0)], &leaves, wetness(60.0)),
        ("P2", _) => figures(&[kilograms(&grass, 10.0), kilograms(&leaves, 6.8)]).moisture.0 * 100.0,
        ("P3", _) => as_is(0.3),
        ("P4", "carbon_to_nitrogen_of_published_mix") => {
            figures(&[kilograms(&litter, 0.9), kilograms(&straw, 0.1)]).carbon_to_nitrogen.unwrap()
        }
        ("P4", _) => amount(&[kilograms(&litter, 1.0)], &straw, ratio(30.0)),
        ("P5", "carbon_percent_cattle_manure") => rated("", 81.0, 2.4, 19.0).carbon().0 * 100.0,
        ("P5", "carbon_percent_fish_wastes") => rated("", 76.0, 10.6, 3.6).carbon().0 * 100.0,
        ("P5", "carbon_percent_seaweed") => rated("", 53.0, 1.9, 17.0).carbon().0 * 100.0,
        ("P5", "carbon_percent_newsprint") => rated("", 5.5, 0.1, 625.0).carbon().0 * 100.0,
        ("P6", of) => {
            let pounds = of.strip_prefix("density_of_").unwrap().parse().unwrap();
            KilogramsPerCubicMetre::from_pounds_per_cubic_yard(pounds).0
        }
        ("P7", "leaves_kilograms") => amount(&[kilograms(&grass, 10.0)], &leaves, ratio(30.0)),
        ("P7", _) => figures(&[kilograms(&grass, 10.0), kilograms(&leaves, 3.5)]).carbon_to_nitrogen.unwrap(),
        ("P8", _) => {
            let by = if quantity.ends_with("60_percent") { wetness(60.0) } else { ratio(30.0) };
            let sawn = amount(&[kilograms(&manure, 1.0)], &sawdust, by);
            let mixed = figures(&[kilograms(&manure, 1.0), kilograms(&sawdust, sawn)]);
            match quantity {
                "moisture_percent" => mixed.moisture.0 * 100.0,
                "carbon_to_nitrogen_at_60_percent" => mixed.carbon_to_nitrogen.unwrap(),
                _ => sawn,
            }
        }
        ("C1", _) => {
            let (fish, news) = (stuff("fish", 76.0, 38.2, 10.6), stuff("newsprint", 5.5, 62.5, 0.1));
            let manure = stuff("manure", 81.0, 45.6, 2.4);
            let f = figures(&[kilograms(&fish, 100.0), kilograms(&manure, 100.0), kilograms(&news, 150.0)]);
            match quantity {
                "wet_kilograms" => f.wet_mass.0,
                "water_kilograms" => f.water.0,
                "dry_kilograms" => f.dry_mass.0,
                "carbon_kilograms" => f.carbon.0,
                "nitrogen_kilograms" => f.nitrogen.0,
                "moisture_percent" => f.moisture.0 * 100.0,
                "carbon_to_nitrogen" => f.carbon_to_nitrogen.unwrap(),
                "water_to_55_percent_kilograms" => f.water_to_add(Fraction(0.55)).unwrap().0,
                _ => panic!("{quantity}"),
            }
        }
        ("C2", _) => {
            let shrink = Fraction(if quantity.ends_with("shrunk_15_percent") { 0.15 } else { 0.0 });
            let f = mix(&[yards(&cattle, 2.0), yards(&chips, 3.0)], shrink).unwrap();
            match quantity {
                "wet_pounds" => f.wet_mass.0 / 0.45359237,
                "moisture_percent" => f.moisture.0 * 100.0,
                "carbon_to_nitrogen" => f.carbon_to_nitrogen.unwrap(),
                "kilograms_per_cubic_metre" => f.bulk_density.unwrap().0,
                _ => f.bulk_density.unwrap().pounds_per_cubic_yard(),
            }
        }
        ("C3", _) => {
            let (form, density) = quantity.split_once('_').unwrap();
            let form = if form == "haug" { AirSpace::Haug } else { AirSpace::ParticleDensity };
            let density = KilogramsPerCubicMetre(density.parse().unwrap());
            free_air_space(density, Fraction(0.6), Fraction(0.85), form).unwrap().0
        }
        ("C4", _) => {
            let scraps = stuff("food scraps", 80.0, 40.0, 2.5);
            let given = [kilograms(&grass, 10.0), kilograms(&scraps, 10.0)];
            let third = amount(&given, &leaves, wetness(60.0));
            match quantity {
                "leaves_kilograms" => third,
                _ => {
                    let [a, b] = given;
                    figures(&[a, b, kilograms(&leaves, third)]).moisture.0 * 100.0
                }
            }
        }
        _ => panic!("no calculation for {example} {quantity}"),
    }
}

/// C:N of the worksheet's three ingredients, whose percentages are of the material as received.
fn as_is(moisture: f64) -> f64 {
    let wet = Fraction(moisture);
    let dry = |percent: f64| dry_basis(Fraction(percent / 100.0), wet).unwrap();
    let made = |name, c, n| Ingredient::new(name, wet, dry(c), dry(n)).unwrap();
    let (hay, scraps, coffee) = (made("hay", 40.0, 1.0), made("scraps", 10.0, 1.0), made("coffee", 25.0, 1.0));
    figures(&[kilograms(&hay, 50.0), kilograms(&scraps, 10.0), kilograms(&coffee, 2.0)]).carbon_to_nitrogen.unwrap()
}

/// Half of the last digit that the text shows.
fn half_digit(text: &str) -> f64 {
    0.5 * 10f64.powi(-(text.split_once('.').map_or(0, |(_, behind)| behind.len()) as i32))
}

#[test]
fn worked_examples_come_out_to_the_last_printed_digit() {
    let rows = table("mix-worked-examples.csv");
    assert_eq!(rows.len(), 51);
    for row in rows {
        let got = worked(&row["example"], &row["quantity"]);
        let near = |text: &str| (got - text.parse::<f64>().unwrap()).abs() <= half_digit(text) * 1.000_001;
        let what = format!("{} {}: {got}, table {row:?}", &row["example"], &row["quantity"]);
        assert!(near(&row["exact"]), "{what}");
        match row["published"].split_once(" DIFFERS: ") {
            Some((published, _)) => assert!(!near(published), "no longer differs: {what}"),
            None => assert!(row["published"].is_empty() || near(&row["published"]), "{what}"),
        }
    }
}

#[test]
fn percentages_as_received_give_the_same_ratio_whatever_the_moisture() {
    for moisture in [0.0, 0.1, 0.5, 0.59] {
        assert!((as_is(moisture) - 21.5 / 0.62).abs() < 1e-12, "{moisture}");
    }
    assert!(
        dry_basis(Fraction(0.4), Fraction(0.7)).is_err(),
        "40 % carbon as received do not fit into 30 % dry matter"
    );
}

#[test]
fn mixes_are_those_of_exact_arithmetic() {
    let mut parts: BTreeMap<String, Vec<(Ingredient, f64)>> = BTreeMap::new();
    for row in table("mix-ingredients.csv") {
        let number = |column: &str| row.number(column);
        let i = rated(&row["ingredient"], number("moisture_pct_wet"), number("nitrogen_pct_dm"), number("cn_ratio"));
        assert!((i.carbon().0 * 100.0 - number("carbon_pct_dm")).abs() <= 1e-13, "{row:?}");
        parts.entry(row["mix_id"].to_owned()).or_default().push((i, number("wet_mass_kg")));
    }
    let (mut checked, mut largest) = (0, 0f64);
    for row in table("mix.csv") {
        let number = |column: &str| row.number(column);
        let of: Vec<_> = parts[&row["mix_id"]].iter().map(|(i, q)| kilograms(i, *q)).collect();
        assert_eq!(of.len(), number("n") as usize);
        let f = figures(&of);
        let water = f.water_to_add(Fraction(number("target_moisture_pct") / 100.0)).unwrap().0;
        for (got, column, scale) in [
            (f.wet_mass.0, "wet_mass_kg", 1.0),
            (f.dry_mass.0, "dry_mass_kg", 1.0),
            (f.water.0, "water_kg", 1.0),
            (f.moisture.0 * 100.0, "moisture_pct_wet", 1.0),
            (f.carbon.0, "carbon_kg", 1.0),
            (f.nitrogen.0, "nitrogen_kg", 1.0),
            (f.carbon_to_nitrogen.unwrap(), "cn_ratio", 1.0),
            // The difference of two masses carries the rounding of the larger.
            (water, "water_to_add_kg_signed", f.wet_mass.0 / number("water_to_add_kg_signed").abs()),
        ] {
            let off = (got / number(column) - 1.0).abs() / scale.max(1.0);
            assert!(off <= 5e-16, "{} {column}: {got}, table {}, {off:e}", &row["mix_id"], number(column));
            largest = largest.max(off);
            checked += 1;
        }
    }
    assert_eq!(checked, 64);
    println!("largest disagreement with mix.csv: {largest:e} of the value (of the wet mass for water to add)");
}

#[test]
fn goals_out_of_reach_name_who_is_in_the_way() {
    let grass = rated("grass", 77.0, 2.4, 18.75);
    let scraps = stuff("food scraps", 80.0, 40.0, 2.5);
    let manure = rated("cattle manure", 69.0, 2.4, 15.0);
    let leaves = stuff("leaves", 35.0, 50.0, 0.75);
    let sand = stuff("sand", 5.0, 0.0, 0.0);
    let at_most = |ingredient, most| Choice { ingredient, least: Kilograms(0.0), most: Some(Kilograms(most)) };
    let base = [kilograms(&grass, 10.0)];
    for (choices, goals, want, why) in [
        (
            vec![open(&scraps)],
            wetness(60.0),
            "the goal of 60 % moisture cannot be reached: the nearest is 77 %; food scraps (80 %) is on the wrong side of \
             the goal; add an ingredient drier than the goal",
            "C5: the bare formula says -8.5 kg",
        ),
        (
            vec![open(&manure)],
            ratio(30.0),
            "the goal of C:N 30 cannot be reached: the nearest is C:N 18.8; cattle manure (C:N 15) is on the wrong side of \
             the goal; add an ingredient with a C:N above the goal",
            "C5: the bare formula says -5.56 kg",
        ),
        (
            vec![open(&sand)],
            ratio(30.0),
            "the goal of C:N 30 cannot be reached: the nearest is C:N 18.8; sand (no nitrogen) does not move it; add an \
             ingredient with a C:N above the goal",
            "what has neither carbon nor nitrogen divides by nothing",
        ),
        (
            vec![at_most(&leaves, 5.0), open(&scraps)],
            wetness(60.0),
            "the goal of 60 % moisture cannot be reached: the nearest is 63 %; leaves (35 %) is on the right side, but \
             limited to 5 kg; allow more of it; food scraps (80 %) is on the wrong side of the goal; add an ingredient drier \
             than the goal",
            "a bound that is too tight",
        ),
        (
            vec![Choice { ingredient: &leaves, least: Kilograms(20.0), most: None }],
            wetness(60.0),
            "the goal of 60 % moisture cannot be reached: the nearest is 49 %; leaves (35 %) is on the wrong side of the \
             goal, and 20 kg of it must go in; add water, or an ingredient wetter than the goal",
            "too much that must go in",
        ),
        (vec![open(&leaves)], Goals::default(), "there is no goal; give a moisture, a C:N, or both", "nothing asked"),
        (
            vec![open(&leaves)],
            wetness(100.0),
            "a moisture fraction of 1 is outside above 0 and below 1; give a goal inside of it",
            "all water",
        ),
        (vec![], wetness(60.0), "0 amounts are asked for; leave 1 to 3 open and give the others", "nothing open"),
        (
            vec![at_most(&leaves, -1.0)],
            wetness(60.0),
            "leaves: no amount is at least 0 kg and at most -1 kg; give 0 ≤ least ≤ most ≤ 1000000000 kg",
            "an empty range",
        ),
    ] {
        assert_eq!(solve(&base, &choices, goals).unwrap_err().to_string(), want, "{why}");
    }
    let size = solve(&[], &[open(&leaves), open(&grass)], wetness(60.0)).unwrap_err();
    assert_eq!(size, GoalError::NoSize, "two proportions make no size");
}

#[test]
fn both_goals_are_met_where_they_can_be_and_else_balanced() {
    let grass = stuff("grass", 77.0, 45.0, 2.4);
    let leaves = stuff("leaves", 35.0, 50.0, 0.75);
    let manure = rated("laying hen manure", 69.0, 8.0, 6.0);
    let both = Goals { moisture: Some(Fraction(0.6)), carbon_to_nitrogen: Some(30.0) };
    let base = [kilograms(&grass, 10.0)];
    // Two equations in two unknowns: water 1.7 - 0.25 l + 0.09 m, carbon -0.621 + 0.17875 l - 0.5952 m... by Cramer's rule.
    let (l, m) = {
        let (a, b, c) = (-0.25, 0.69 - 0.6, -1.7);
        let (d, e, f) = (0.65 * (0.5 - 0.225), 0.31 * (0.48 - 2.4), 10.0 * 0.23 * (0.72 - 0.45));
        ((c * e - b * f) / (a * e - b * d), (a * f - c * d) / (a * e - b * d))
    };
    let found = solve(&base, &[open(&leaves), open(&manure)], both).unwrap();
    assert_eq!(found.fit, Fit::Met);
    assert!((found.amounts[0].0 - l).abs() < 1e-9 && (found.amounts[1].0 - m).abs() < 1e-9, "{found:?}, {l}, {m}");

    // P2 wants 6.8 kg of leaves and P7 3.47: one ingredient cannot serve both.
    let found = solve(&base, &[open(&leaves)], both).unwrap();
    assert_eq!(found.fit, Fit::Compromise);
    assert!(found.amounts[0].0 > 3.474 && found.amounts[0].0 < 6.8, "{found:?}");

    // More unknowns than goals: the least mass that does it.
    let straw = stuff("straw", 12.0, 50.0, 0.7);
    let found = solve(&base, &[open(&leaves), open(&straw)], wetness(60.0)).unwrap();
    assert_eq!(found.fit, Fit::Met);
    assert_eq!(found.amounts[0].0, 0.0, "the drier straw does it with less");
    assert!((found.amounts[1].0 - 1.7 / 0.48).abs() < 1e-9, "{found:?}");
}

#[test]
fn warnings_name_the_side_and_the_source() {
    let wet = rated("slurry", 90.0, 3.0, 10.0).with_bulk_density(KilogramsPerCubicMetre(990.0)).unwrap();
    let wet = wet.with_volatile_solids(Fraction(0.8)).unwrap();
    let f = figures(&[kilograms(&wet, 100.0)]);
    let air = f.free_air_space(AirSpace::Haug).unwrap();
    let said: Vec<_> = f.warnings(air).iter().map(ToString::to_string).collect();
    assert_eq!(
        said,
        [
            "too wet for air to pass; add something dry (Cooperband 2002, table 1)",
            "nitrogen will leave as ammonia; add something rich in carbon (Cooperband 2002, table 1)",
            "too dense for air to pass; add a coarse bulking agent (Cooperband 2002, table 1)",
            "too few pores for air to pass; add a coarse bulking agent (Haug 1993 and later design articles (not checked))",
        ]
    );
    let dry = rated("straw", 12.0, 0.4, 127.0);
    let said: Vec<_> = figures(&[kilograms(&dry, 1.0)]).warnings(None).iter().map(|w| w.side).collect();
    assert_eq!(said, [Side::Below, Side::Above], "dry and poor in nitrogen; what is not known is not judged");
    for target in TARGETS {
        for end in [target.low, target.high].into_iter().flatten() {
            assert_eq!(target.side(end), Side::Within, "{target:?}: both ends belong to the range");
        }
        if let Some(high) = target.high {
            assert_eq!(target.side(high + f64::EPSILON * high), Side::Within, "{target:?}: rounding is no side");
            assert_eq!(target.side(high * 1.000_001), Side::Above, "{target:?}");
        }
        if let Some(low) = target.low {
            assert_eq!(target.side(low - f64::EPSILON * low), Side::Within, "{target:?}: rounding is no side");
            assert_eq!(target.side(low * 0.999_999), Side::Below, "{target:?}");
        }
    }
}

#[test]
fn bad_mixes_are_refused_by_name() {
    let straw = stuff("straw", 12.0, 50.0, 0.7);
    let volume = Part { ingredient: &straw, amount: Amount::Volume(CubicMetres(1.0)) };
    for (got, want) in [
        (
            mix(&[kilograms(&straw, -1.0)], Fraction(0.0)),
            "straw: a wet mass in kg of -1 is outside 0 to 1e9 kg; check the amount",
        ),
        (mix(&[kilograms(&straw, f64::NAN)], Fraction(0.0)), "straw: a wet mass in kg of NaN is outside 0 to 1e9 kg"),
        (
            mix(&[volume], Fraction(0.0)),
            "straw is given by volume, but its bulk density is not known; weigh a bucket of it",
        ),
        (mix(&[], Fraction(0.0)), "the mix weighs 0 kg"),
        (mix(&[kilograms(&straw, 1.0)], Fraction(1.0)), "the mix: a shrink of 1 is outside 0 to 0.9"),
    ] {
        let got = got.unwrap_err().to_string();
        assert!(got.starts_with(want), "{got}");
    }
    for (moisture, carbon, nitrogen, want) in [
        (1.0, 0.5, 0.01, "x: a moisture fraction of 1 is outside 0 to 0.999999"),
        (1.2, 0.5, 0.01, "x: a moisture fraction of 1.2 is outside 0 to 0.999999"),
        (0.5, -0.1, 0.01, "x: a carbon fraction of dry matter of -0.1 is outside 0 to 1"),
        (0.5, 0.5, f64::INFINITY, "x: a nitrogen fraction of dry matter of inf is outside 0 to 1"),
    ] {
        let got = Ingredient::new("x", Fraction(moisture), Fraction(carbon), Fraction(nitrogen));
        let got = got.unwrap_err().to_string();
        assert!(got.starts_with(want), "{got}");
    }
    let sawdust = Ingredient::from_ratio("sawdust", Fraction(0.39), Fraction(0.0024), 442.0);
    assert!(sawdust.unwrap_err().to_string().contains("averages of nitrogen and C:N need not fit together"));
    let full = free_air_space(KilogramsPerCubicMetre(1_400.0), Fraction(0.6), Fraction(0.85), AirSpace::Haug);
    assert!(full.unwrap_err().to_string().starts_with("a bulk density of 1400 kg/m³ leaves no air"));
}

#[test]
fn classes_keep_their_bounds() {
    for (rise, want, why) in [
        (0.0, "V", "no heat at all is the calmest"),
        (10.0, "V", "an upper bound belongs to its class"),
        (10.001, "IV", "a lower bound does not"),
        (20.0, "IV", "upper bound"),
        (30.0, "III", "upper bound"),
        (40.0, "II", "upper bound"),
        (40.1, "I", "the open end"),
        (62.0, "I", "fresh"),
    ] {
        assert_eq!(self_heating_class(Kelvin(rise)).unwrap().name, want, "{rise} K: {why}");
    }
    for (rate, a, b) in [
        (0.0, "very stable", "very mature"),
        (2.0, "very stable", "very mature"),
        (2.1, "stable", "mature"),
        (5.0, "stable", "mature"),
        (8.0, "curing", "mature"),
        (8.1, "curing", "immature"),
        (10.0, "curing", "immature"),
        (20.0, "raw compost", "immature"),
        (20.1, "raw feedstock", "immature"),
    ] {
        let class = |scheme| respiration_class(Respiration(rate), scheme).unwrap().name;
        assert_eq!((class(RespirationScheme::A), class(RespirationScheme::B)), (a, b), "{rate}");
    }
    for scale in [SELF_HEATING, RESPIRATION_A, RESPIRATION_B] {
        assert_eq!(scale.classes[0].over, 0.0, "{}", scale.name);
        for pair in scale.classes.windows(2) {
            assert_eq!(pair[0].up_to, Some(pair[1].over), "{}: no gap and no overlap", scale.name);
        }
        assert_eq!(scale.classes[scale.classes.len() - 1].up_to, None, "{}", scale.name);
        assert!(!scale.source.to_string().is_empty());
    }
}

#[test]
fn carbon_dioxide_is_not_its_carbon() {
    // 16 mg CO2 are 4.36 mg CO2-C (BSI PAS 100:2005 by the conversion 12/44).
    assert_eq!(format!("{:.2}", PAS_100_MAX.carbon().0), "4.36");
    for (rate, want, why) in [(16.0, true, "the limit itself meets it"), (16.01, false, "above"), (4.36, true, "below")]
    {
        assert_eq!(CarbonDioxideRate(rate).meets_pas_100().unwrap(), want, "{rate}: {why}");
    }
    // A 16 that is taken for carbon would be three and a half times the limit.
    assert!(!Respiration(16.0).carbon_dioxide().meets_pas_100().unwrap());
    assert_eq!(respiration_class(PAS_100_MAX.carbon(), RespirationScheme::A).unwrap().name, "stable");
}

#[test]
fn losses_follow_from_what_stays() {
    let close = |got: Fraction, want: f64, why: &str| assert!((got.0 - want).abs() < 1e-12, "{why}: {got:?}");
    close(volume_loss(CubicMetres(3.0), CubicMetres(2.0)).unwrap(), 1.0 / 3.0, "a third of the volume");
    close(volume_loss_by_depth(Metres(2.0), Metres(1.5)).unwrap(), 0.25, "a quarter of the depth");
    // 100 kg dry with 20 kg ash lose 40 kg of organic matter: 60 kg with 20 kg ash.
    close(mass_loss(Kilograms(100.0), Kilograms(60.0)).unwrap(), 0.4, "by weighing");
    close(mass_loss_by_ash(Fraction(0.2), Fraction(20.0 / 60.0)).unwrap(), 0.4, "the same by ash");
    close(
        volatile_solids_loss_by_ash(Fraction(0.2), Fraction(20.0 / 60.0)).unwrap(),
        0.5,
        "40 of 80 kg organic matter",
    );
    close(mass_loss_by_ash(Fraction(0.3), Fraction(0.3)).unwrap(), 0.0, "nothing lost");
    let said = mass_loss_by_ash(Fraction(0.3), Fraction(0.2)).unwrap_err().to_string();
    assert!(said.starts_with("an ash fraction at the end of 0.2 is outside the ash at the start to 1"), "{said}");
    let said = volume_loss(CubicMetres(2.0), CubicMetres(3.0)).unwrap_err().to_string();
    assert_eq!(said, "a volume in m³ grew from 2 to 3, so nothing was lost; check whether both are of the same batch");
}

#[test]
fn hand_offs_wait_for_the_pile_to_cool() {
    for (pile, ambient, onward, want, why) in [
        (40.0, 5.0, Onward::Curing, 0.0, "the limit itself passes"),
        (46.5, 5.0, Onward::Curing, 6.5, "too hot to cure, whatever the weather"),
        (31.0, 20.0, Onward::Sale, 1.0, "eleven above ambient"),
        (31.0, 25.0, Onward::Sale, -4.0, "six above ambient"),
        (35.0, 20.0, Onward::WormFeed, 5.0, "worms would leave"),
    ] {
        let got = readiness(Celsius(pile), Celsius(ambient), onward).unwrap();
        assert_eq!((got.to_cool.0, got.is_cool_enough()), (want, want <= 0.0), "{onward:?} {pile} °C: {why}");
        assert_eq!(got.hand_off.onward, onward);
    }
}

/// Numbers as people and machines write them, the hostile ones included.
fn any_number() -> impl Strategy<Value = f64> {
    prop_oneof![
        4 => 0.0..1.0f64,
        4 => -10.0..2_000.0f64,
        1 => any::<f64>(),
        1 => prop::sample::select(vec![f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 0.0, -0.0, 1.0, f64::MIN_POSITIVE, f64::MAX]),
    ]
}

fn any_ingredient() -> impl Strategy<Value = Ingredient> {
    // The wettest that an ingredient may be: above it is no dry mass to speak of.
    (0.0..=0.999_999f64, 0.0..=1.0f64, prop_oneof![Just(0.0), 1e-6..=1.0f64]).prop_map(
        |(moisture, carbon, nitrogen)| {
            Ingredient::new("stuff", Fraction(moisture), Fraction(carbon), Fraction(nitrogen)).unwrap()
        },
    )
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(1_000))]

    #[test]
    fn any_mix_is_refused_or_finite(
        stuff in prop::collection::vec((any_number(), any_number(), any_number(), any_number(), any_number(), any_number()), 0..4),
        shrink in any_number(), goal in any_number(),
    ) {
        let made: Vec<_> = stuff.iter().filter_map(|(moisture, carbon, nitrogen, density, volatile, q)| {
            let i = Ingredient::new("x", Fraction(*moisture), Fraction(*carbon), Fraction(*nitrogen)).ok()?;
            let i = i.clone().with_bulk_density(KilogramsPerCubicMetre(*density)).unwrap_or(i);
            Some((i.clone().with_volatile_solids(Fraction(*volatile)).unwrap_or(i), *q))
        }).collect();
        for volumes in [false, true] {
            let parts: Vec<_> = made.iter().map(|(ingredient, q)| Part {
                ingredient,
                amount: if volumes { Amount::Volume(CubicMetres(*q)) } else { Amount::Mass(Kilograms(*q)) },
            }).collect();
            let Ok(f) = mix(&parts, Fraction(shrink)) else { continue };
            prop_assert!((0.0..1.0).contains(&f.moisture.0));
            prop_assert!(f.wet_mass.0.is_finite() && f.dry_mass.0 > 0.0 && f.carbon.0 >= 0.0 && f.nitrogen.0 >= 0.0);
            prop_assert!(f.carbon_to_nitrogen.is_none_or(f64::is_finite));
            prop_assert!(f.bulk_density.is_none_or(|d| d.0.is_finite()) && f.volume.is_none_or(|v| v.0 > 0.0));
            prop_assert!(f.water_to_add(Fraction(goal)).is_ok_and(|w| w.0.is_finite()) == (goal > 0.0 && goal < 1.0));
            for form in [AirSpace::Haug, AirSpace::ParticleDensity] {
                if let Ok(Some(air)) = f.free_air_space(form) {
                    prop_assert!((0.0..=1.0).contains(&air.0), "{air:?}");
                }
            }
        }
    }

    #[test]
    fn a_mix_lies_between_its_ingredients(a in any_ingredient(), b in any_ingredient(), q in 0.01..1e4f64, r in 0.01..1e4f64) {
        let f = figures(&[kilograms(&a, q), kilograms(&b, r)]);
        let (low, high) = (a.moisture().0.min(b.moisture().0), a.moisture().0.max(b.moisture().0));
        prop_assert!(f.moisture.0 >= low - 1e-12 && f.moisture.0 <= high + 1e-12);
        let wetter = f.water_to_add(Fraction(0.6)).unwrap().0;
        prop_assert!(((f.water.0 + wetter) / (f.wet_mass.0 + wetter) - 0.6).abs() < 1e-9, "the water makes the goal");
    }

    #[test]
    fn amounts_found_meet_the_goals_within_bounds(
        base in any_ingredient(), others in prop::collection::vec((any_ingredient(), 0.0..100.0f64, 0.0..1_000.0f64), 1..=3),
        moisture in prop::option::of(0.05..0.95f64), ratio in prop::option::of(5.0..100.0f64),
    ) {
        let goals = Goals { moisture: moisture.map(Fraction), carbon_to_nitrogen: ratio };
        let choices: Vec<_> = others.iter().map(|(ingredient, least, width)| Choice {
            ingredient, least: Kilograms(*least), most: Some(Kilograms(least + width)),
        }).collect();
        let given = [kilograms(&base, 100.0)];
        match solve(&given, &choices, goals) {
            Ok(found) => {
                let mut parts = given.to_vec();
                for (choice, amount) in choices.iter().zip(&found.amounts) {
                    prop_assert!(*amount >= choice.least && Some(*amount) <= choice.most);
                    parts.push(kilograms(choice.ingredient, amount.0));
                }
                let f = figures(&parts);
                if found.fit == Fit::Met {
                    if let Some(goal) = moisture {
                        prop_assert!((f.moisture.0 - goal).abs() < 1e-8, "{f:?}");
                    }
                    if let (Some(goal), Some(got)) = (ratio, f.carbon_to_nitrogen) {
                        prop_assert!((got / goal - 1.0).abs() < 1e-8, "{f:?}");
                    }
                } else {
                    prop_assert!(moisture.is_some() && ratio.is_some(), "one goal alone is met or out of reach");
                }
            }
            Err(GoalError::NoGoal) => prop_assert!(moisture.is_none() && ratio.is_none()),
            Err(GoalError::OutOfReach { in_the_way, .. }) => prop_assert!(in_the_way.len() == choices.len() + 1),
            Err(e) => prop_assert!(false, "{e}"),
        }
    }

    #[test]
    fn hostile_numbers_are_refused_or_give_numbers(a in any_number(), b in any_number(), c in any_number(), d in any_number()) {
        let finite = |got: Result<Fraction, StabilityError>| got.is_ok_and(|x| !x.0.is_finite());
        prop_assert!(!finite(volume_loss(CubicMetres(a), CubicMetres(b))));
        prop_assert!(!finite(volume_loss_by_depth(Metres(a), Metres(b))));
        prop_assert!(!finite(mass_loss(Kilograms(a), Kilograms(b))));
        prop_assert!(!finite(mass_loss_by_ash(Fraction(a), Fraction(b))));
        prop_assert!(!finite(volatile_solids_loss_by_ash(Fraction(a), Fraction(b))));
        prop_assert_eq!(self_heating_class(Kelvin(a)).is_ok(), (0.0..=100.0).contains(&a));
        prop_assert_eq!(respiration_class(Respiration(a), RespirationScheme::A).is_ok(), (0.0..=300.0).contains(&a));
        for onward in [Onward::Curing, Onward::Sale, Onward::WormFeed] {
            prop_assert!(readiness(Celsius(a), Celsius(b), onward).map_or(true, |r| r.to_cool.0.is_finite()));
        }
        prop_assert!(moisture_of_sample(Kilograms(a), Kilograms(b)).map_or(true, |m| (0.0..1.0).contains(&m.0)));
        prop_assert!(dry_basis(Fraction(a), Fraction(b)).map_or(true, |x| x.0.is_finite()));
        let stuff = stuff("stuff", 50.0, 40.0, 2.0);
        let choice = Choice { ingredient: &stuff, least: Kilograms(a), most: Some(Kilograms(b)) };
        let goals = Goals { moisture: Some(Fraction(c)), carbon_to_nitrogen: Some(d) };
        if let Ok(found) = solve(&[kilograms(&stuff, a)], &[choice], goals) {
            prop_assert!(found.amounts[0].0.is_finite());
        }
    }
}
