//! Reads the feedstock library that ships, the demo's recipe, and faulty ones, and compares what is said about each, whole.
//!
//! Must never compare a part of the printed faults: the words are what the operator works from.

#![allow(clippy::unwrap_used)]

use std::path::Path;
use std::sync::LazyLock;

use expect_test::{Expect, expect};
use pile::mix::Amount;
use pile::units::{CubicMetres, Kilograms};
use proptest::prelude::*;
use site::recipe::{Library, Recipe, Wanted, read_feedstocks, read_recipe};
use site::settings::Fault;

fn shipped(path: &str) -> String {
    std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("../..").join(path)).unwrap()
}

fn printed(faults: &[Fault]) -> String {
    faults.iter().map(|fault| format!("{fault}\n")).collect()
}

static LIBRARY: LazyLock<Library> = LazyLock::new(|| {
    let path = "config/feedstocks.yaml";
    read_feedstocks(&shipped(path), path).unwrap_or_else(|faults| panic!("{}", printed(&faults)))
});

fn read_ok(text: &str) -> Recipe {
    read_recipe(text, "recipe.yaml", &LIBRARY).unwrap_or_else(|faults| panic!("{}", printed(&faults)))
}

#[test]
fn the_library_has_every_row_with_its_source_and_invents_nothing() {
    assert_eq!(LIBRARY.iter().count(), 33);
    for (key, feedstock) in LIBRARY.iter() {
        assert!(feedstock.source.contains("NRAES-54"), "{key}");
        assert!(feedstock.confirmed.contains("not checked"), "{key}: {}", feedstock.confirmed);
        // The source gives no moisture for these; a recipe must.
        let dry = ["hardwood-chips-shavings", "softwood-chips-shavings", "bark-softwood"].contains(&key);
        assert_eq!(feedstock.lacks(), if dry { vec!["moisture_percent"] } else { vec![] }, "{key}");
    }
    let conflicts: Vec<_> =
        LIBRARY.iter().filter(|(_, f)| f.confirmed.contains("CONFLICT")).map(|(key, _)| key).collect();
    assert_eq!(conflicts, ["broiler-litter", "straw-general"]);
}

#[test]
fn every_feedstock_that_lacks_nothing_can_be_mixed_but_sawdust() {
    for (key, feedstock) in LIBRARY.iter().filter(|(_, feedstock)| feedstock.lacks().is_empty()) {
        let text = format!("ingredients: [{{ feedstock: {key}, kilograms: 1 }}]");
        let made = read_recipe(&text, "recipe.yaml", &LIBRARY);
        // Its averages of nitrogen and C:N make 106 % carbon.
        assert_eq!(made.is_err(), key == "sawdust", "{key} {}", feedstock.name);
    }
}

#[test]
fn the_demo_recipe_is_read() {
    let recipe = read_ok(&shipped("demo-data/recipe.yaml"));
    assert_eq!(recipe.ingredients.len(), 3);
    assert_eq!(
        recipe.ingredients[0].wanted,
        Wanted::Given(Amount::Volume(CubicMetres(0.75))),
        "three buckets of 250 L"
    );
    let most = Some(Kilograms(6.0 * 0.25 * 513.0));
    assert_eq!(recipe.ingredients[1].wanted, Wanted::Open { least: Kilograms(0.0), most }, "limits become masses");
    assert_eq!(recipe.solve_for.moisture, None, "the hose brings the moisture");
}

#[test]
fn amounts_are_read_in_every_unit() {
    let volume = |cubic_metres| Amount::Volume(CubicMetres(cubic_metres));
    for (amount, want) in [
        ("kilograms: 2", Amount::Mass(Kilograms(2.0))),
        ("pounds: 2", Amount::Mass(Kilograms(0.907_184_74))),
        ("litres: 2", volume(0.002)),
        ("gallons: 2", volume(0.007_570_823_568)),
        ("cubic_metres: 2", volume(2.0)),
        ("cubic_yards: 2", volume(1.529_109_715_968)),
        ("buckets: 2", volume(0.075_708_235_68)),
    ] {
        let text = format!("bucket_gallons: 10\ningredients: [{{ feedstock: leaves, {amount} }}]\n");
        assert_eq!(read_ok(&text).ingredients[0].wanted, Wanted::Given(want), "{amount}");
    }
}

#[test]
fn what_a_recipe_gives_replaces_what_would_contradict_it() {
    for (own, nitrogen, carbon, why) in [
        ("", 0.9, 48.6, "the library's"),
        (", nitrogen_percent_dry: 1", 1.0, 54.0, "its own nitrogen at the library's C:N"),
        (", carbon_to_nitrogen: 50", 0.9, 45.0, "its own C:N"),
        (", carbon_percent_dry: 40", 0.9, 40.0, "its own carbon ends the library's C:N"),
        (", carbon_percent_dry: 40, carbon_to_nitrogen: 40", 1.0, 40.0, "its own pair ends the library's nitrogen"),
    ] {
        let recipe = read_ok(&format!("ingredients: [{{ feedstock: leaves, kilograms: 1{own} }}]"));
        let i = &recipe.ingredients[0].ingredient;
        let got = (i.nitrogen().0 * 100.0, i.carbon().0 * 100.0);
        assert!((got.0 - nitrogen).abs() < 1e-12 && (got.1 - carbon).abs() < 1e-12, "{why}: {got:?}");
        let says = recipe.ingredients[0].source.contains("the recipe's own values");
        assert_eq!(says, !own.is_empty(), "{why}: {}", recipe.ingredients[0].source);
    }
}

#[test]
fn every_fault_of_a_recipe_is_told_at_once() {
    let cases: [(&str, Expect); 4] = [
        ("", expect![[r#"
            recipe.yaml:1: the recipe is empty; begin with the example that `hypocaust mix --help` shows
        "#]]),
        (
            "nam: x\ningredients: []\n",
            expect![[r#"
                recipe.yaml:1: unknown key `nam` in the recipe; did you mean `name`?
                recipe.yaml:2: the recipe has no ingredient; add an entry such as `- { feedstock: leaves, kilograms: 200 }`
            "#]],
        ),
        (
            "shrink_percent: 95
goals: { moisture_percent: 60, carbon_nitrogen: 30 }
ingredients:
  - { feedstock: leafs, kilograms: 10 }
  - { feedstock: leaves, kilogram: 10 }
  - { feedstock: leaves, kilograms: 10, litres: 3 }
  - { feedstock: leaves }
  - { feedstock: leaves, buckets: 2 }
  - { feedstock: fish-wastes, litres: 2 }
  - { feedstock: hardwood-chips-shavings, kilograms: 10 }
  - { feedstock: sawdust, kilograms: 10 }
  - { name: Mine, kilograms: 10 }
  - { name: Mine, moisture_percent: 100, nitrogen_percent_dry: 1, carbon_to_nitrogen: 20, kilograms: 10 }
  - { name: Mine, moisture_percent: 50, nitrogen_percent_dry: 1, carbon_to_nitrogen: 20, carbon_percent_dry: 20, kilograms: 10 }
  - { kilograms: 10 }
  - { feedstock: leaves, kilograms: { min: 5, max: 2 } }
  - { feedstock: leaves, kilograms: .nan }
  - { feedstock: leaves, kilograms: -3 }
  - leaves
",
            expect![[r#"
                recipe.yaml:1: `shrink_percent` in the recipe is 95 %; give a value from 0 to 90 %
                recipe.yaml:2: unknown key `carbon_nitrogen` in goals; did you mean `carbon_to_nitrogen`?
                recipe.yaml:4: there is no feedstock `leafs` in the library; describe it here with `name`, `moisture_percent`, `nitrogen_percent_dry` and `carbon_to_nitrogen`; use one of `apple-pomace`, `bark-softwood`, `broiler-litter`, `cattle-manure`, `corn-silage`, `corn-stalks`, `corrugated-cardboard`, `dairy-manure-tie-stall`, `fish-wastes`, `food-waste-garbage`, `fruit-wastes`, `grass-clippings`, `hardwood-chips-shavings`, `hay-legume`, `horse-manure-general`, `laying-hen-manure`, `leaves`, `newsprint`, `paper-mill-sludge`, `rice-hulls`, `sawdust`, `seaweed`, `sewage-sludge-digested`, `sheep-manure` and 9 more
                recipe.yaml:5: unknown key `kilogram` in ingredient leaves; did you mean `kilograms`?
                recipe.yaml:6: `litres` in ingredient leaves is a second amount; keep one
                recipe.yaml:7: ingredient leaves has no amount; add `kilograms: 200`, `litres:`, `buckets:`, `pounds:`, `gallons:`, `cubic_metres:` or `cubic_yards:`; or leave it open within limits: `kilograms: { min: 0, max: 500 }`
                recipe.yaml:8: `buckets` in ingredient leaves is in buckets, whose size is not given; add `bucket_litres: 250` to the recipe
                recipe.yaml:9: `litres` in ingredient fish-wastes is a volume, but the bulk density of Fish wastes is not known; add `bulk_density_kilograms_per_cubic_metre` (weigh a bucket of it), or give `kilograms`
                recipe.yaml:10: Hardwood chips/shavings: `moisture_percent` not known (config/feedstocks.yaml:240); give it here, by your own analysis or the nearest table
                recipe.yaml:11: Sawdust: nitrogen of 0.24 % at a C:N of 442 would make 106 % of the dry matter carbon (config/feedstocks.yaml:228); they are not of one sample: give `nitrogen_percent_dry` of your own, at most 0.22 with this C:N, or `carbon_percent_dry`
                recipe.yaml:12: Mine: `moisture_percent` and `nitrogen_percent_dry` and `carbon_to_nitrogen` not known; give it here, by your own analysis or the nearest table
                recipe.yaml:13: `moisture_percent` in this ingredient is 100 %; give a value from 0 to 99.999 %
                recipe.yaml:14: `carbon_percent_dry` in this ingredient stands beside nitrogen and C:N; keep two of the three: the third follows from them
                recipe.yaml:15: `feedstock` is missing in this ingredient; add `feedstock: leaves` for one of the library, or `name: Leaves` with your own analysis
                recipe.yaml:16: `kilograms` in ingredient leaves: `max` is below `min`; swap them
                recipe.yaml:17: `kilograms` in ingredient leaves is NaN kilograms; give a value from 0 to 1000000000 kilograms
                recipe.yaml:18: `kilograms` in ingredient leaves is -3 kilograms; give a value from 0 to 1000000000 kilograms
                recipe.yaml:19: this ingredient must be a group of keys, but is the text `leaves`; write it as `key: value` lines, indented by two spaces; its keys are `feedstock`, `name`, `kilograms`, `pounds`, `litres`, `gallons`, `cubic_metres`, `cubic_yards`, `buckets`, `moisture_percent`, `nitrogen_percent_dry`, `carbon_to_nitrogen`, `carbon_percent_dry`, `bulk_density_kilograms_per_cubic_metre`, `bulk_density_pounds_per_cubic_yard`, `volatile_solids_percent_dry`
            "#]],
        ),
        (
            "ingredients:
  - { feedstock: leaves, kilograms: { min: 0 } }
  - { feedstock: leaves, kilograms: { } }
  - { feedstock: leaves, kilograms: { } }
  - { feedstock: leaves, kilograms: { } }
",
            expect![[r#"
                recipe.yaml:1: amounts are left open, but there is no goal to find them by; add `goals: { moisture_percent: 60, carbon_to_nitrogen: 30 }`, or one of the two
                recipe.yaml:1: 4 amounts are left open, and at most 3 can be found; give the others an amount
            "#]],
        ),
    ];
    for (text, want) in cases {
        want.assert_eq(&printed(&read_recipe(text, "recipe.yaml", &LIBRARY).unwrap_err()));
    }
}

#[test]
fn every_fault_of_a_library_is_told_at_once() {
    let text = "feedstocks:
  mine:
    name: Mine
    source: own analysis
    moisture: 60
    nitrogen_percent_dry: 120
    nitrogen_range_percent_dry: [4, 2]
    bulk_density_kilograms_per_cubic_metre: 300
    bulk_density_pounds_per_cubic_yard: 500
  bare: 3
";
    expect![[r#"
        own.yaml:3: `confirmed` is missing in feedstock mine; add how sure they are, such as `confirmed: measured` or `confirmed: not checked`
        own.yaml:5: unknown key `moisture` in feedstock mine; remove it, or use one of `name`, `source`, `confirmed`, `moisture_percent`, `nitrogen_percent_dry`, `carbon_to_nitrogen`, `carbon_percent_dry`, `bulk_density_kilograms_per_cubic_metre`, `bulk_density_pounds_per_cubic_yard`, `volatile_solids_percent_dry`, `moisture_range_percent`, `nitrogen_range_percent_dry`, `carbon_to_nitrogen_range`, `bulk_density_range_kilograms_per_cubic_metre`
        own.yaml:6: `nitrogen_percent_dry` in feedstock mine is 120 %; give a value from 0 to 100 %
        own.yaml:7: `nitrogen_range_percent_dry` in feedstock mine is no range; write its lower and its upper end: [1.5, 4.2]
        own.yaml:9: `bulk_density_pounds_per_cubic_yard` in feedstock mine stands beside `bulk_density_kilograms_per_cubic_metre`; keep one of `bulk_density_kilograms_per_cubic_metre` and `bulk_density_pounds_per_cubic_yard`
        own.yaml:10: feedstock bare must be a group of keys, but is the number 3; write it as `key: value` lines, indented by two spaces; its keys are `name`, `source`, `confirmed`, `moisture_percent`, `nitrogen_percent_dry`, `carbon_to_nitrogen`, `carbon_percent_dry`, `bulk_density_kilograms_per_cubic_metre`, `bulk_density_pounds_per_cubic_yard`, `volatile_solids_percent_dry`, `moisture_range_percent`, `nitrogen_range_percent_dry`, `carbon_to_nitrogen_range`, `bulk_density_range_kilograms_per_cubic_metre`
    "#]].assert_eq(&printed(&read_feedstocks(text, "own.yaml").unwrap_err()));
}

proptest! {
    #[test]
    fn no_text_is_read_without_a_recipe_or_a_fault(
        key in prop::sample::select(vec!["kilograms", "buckets", "litres", "moisture_percent", "carbon_to_nitrogen", "nitrogen_percent_dry"]),
        value in prop_oneof![any::<f64>().prop_map(|x| x.to_string()), "[ -~]{0,12}"],
        shrink in any::<f64>(),
    ) {
        let text = format!(
            "bucket_litres: 100\nshrink_percent: {shrink}\ningredients:\n  - feedstock: leaves\n    pounds: 3\n    {key}: {value}\n"
        );
        match read_recipe(&text, "recipe.yaml", &LIBRARY) {
            Ok(recipe) => prop_assert_eq!(recipe.ingredients.len(), 1),
            Err(faults) => prop_assert!(!faults.is_empty()),
        }
        let _ = read_feedstocks(&text, "own.yaml");
    }
}
