//! What does `hypocaust mix` print for the example that its help shows, and for recipes that cannot be mixed?
//!
//! Must never compare a part of the printed table: people load by it.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use std::path::{Path, PathBuf};
use std::process::Command;

use expect_test::expect_file;

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

/// Exit code, standard output and standard error.
fn mix(args: &[&str]) -> (i32, String, String) {
    let run = Command::new(env!("CARGO_BIN_EXE_hypocaust")).arg("mix").args(args).current_dir(root()).output().unwrap();
    let text = |bytes| String::from_utf8(bytes).unwrap();
    (run.status.code().unwrap(), text(run.stdout), text(run.stderr))
}

fn written(folder: &tempfile::TempDir, name: &str, text: &str) -> String {
    let path = folder.path().join(name);
    std::fs::write(&path, text).unwrap();
    path.display().to_string()
}

/// Run with `UPDATE_EXPECT=1` to write the expectations anew, then read every line of the difference.
#[test]
fn the_example_of_the_help_prints_what_the_help_says() {
    for (args, golden) in [
        (&["demo-data/recipe.yaml"][..], "recipe.txt"),
        (&["demo-data/recipe.yaml", "--units", "us"], "recipe-us.txt"),
        (&["demo-data/recipe.yaml", "--json"], "recipe.json"),
    ] {
        let (code, said, complained) = mix(args);
        assert_eq!((code, complained.as_str()), (0, ""), "{args:?}");
        expect_file![root().join("tests/golden/mix").join(golden)].assert_eq(&said);
    }
    let help = mix(&["--help"]).1;
    assert!(help.contains("hypocaust mix demo-data/recipe.yaml"), "{help}");
    let text = |path: &str| std::fs::read_to_string(root().join(path)).unwrap();
    // Help is wrapped at 100 columns; a wrapped recipe could not be pasted. The sources at the end of the table may be.
    let golden = text("tests/golden/mix/recipe.txt");
    let table = golden.split("\nAnalyses:").next().unwrap();
    assert!(help.contains(&text("demo-data/recipe.yaml")) && help.contains(table), "{help}");
}

#[test]
fn a_mix_is_judged_with_the_water_that_it_is_told_to_take() {
    let folder = tempfile::tempdir().unwrap();
    // 1,000 kg at 30 % in 2 m³ are 500 kg/m³; with 556 kg of water for 55 % they are 778, and too dense for air.
    let recipe = written(
        &folder,
        "dry.yaml",
        "ingredients:
  - { name: Hay, moisture_percent: 30, carbon_percent_dry: 45, nitrogen_percent_dry: 1.5, kilograms: 1000,
      bulk_density_kilograms_per_cubic_metre: 500 }
",
    );
    let (code, said, complained) = mix(&[&recipe]);
    assert_eq!(code, 0, "{complained}");
    assert!(said.contains("bulk density: 778 kg/m³ with the water, 500 kg/m³ without"), "{said}");
    assert!(said.contains("too dense for air to pass"), "{said}");
}

#[test]
fn json_agrees_with_a_calculation_by_hand() {
    let folder = tempfile::tempdir().unwrap();
    // Constructed example C1 of tests/reference/mix-worked-examples.csv.
    let recipe = written(
        &folder,
        "c1.yaml",
        "goals: { moisture_percent: 55 }
ingredients:
  - { name: Fish, moisture_percent: 76, carbon_percent_dry: 38.2, nitrogen_percent_dry: 10.6, kilograms: 100 }
  - { feedstock: cattle-manure, kilograms: 100 }
  - { feedstock: newsprint, kilograms: 150 }
",
    );
    let (code, said, complained) = mix(&[&recipe, "--json"]);
    assert_eq!((code, complained.as_str()), (0, ""));
    let json: serde_json::Value = serde_json::from_str(&said).unwrap();
    for (key, want) in
        [("moisture_percent", 47.2142857), ("carbon_to_nitrogen", 33.8746718), ("water_to_add_kilograms", 60.5555556)]
    {
        let got = json[key].as_f64().unwrap();
        assert!((got - want).abs() < 1e-6, "{key}: {got}");
    }
    assert!(json["free_air_space_percent"].is_null(), "volatile solids are not known");
}

#[test]
fn a_site_adds_its_own_analyses() {
    let folder = tempfile::tempdir().unwrap();
    let own = written(
        &folder,
        "own.yaml",
        "feedstocks:
  leaves: { name: Our leaves, moisture_percent: 50, nitrogen_percent_dry: 1, carbon_to_nitrogen: 50, source: own laboratory, confirmed: measured }
",
    );
    let recipe = written(&folder, "recipe.yaml", "ingredients: [{ feedstock: leaves, kilograms: 10 }]\n");
    let (code, said, _) = mix(&[&recipe, "--feedstocks", &own]);
    assert_eq!(code, 0);
    assert!(said.contains("Our leaves: own laboratory; measured") && said.contains("moisture: 50.0 %"), "{said}");
    let (_, said, _) = mix(&[&recipe]);
    assert!(said.contains("moisture: 38.0 %"), "{said}");
}

#[test]
fn what_cannot_be_mixed_is_told_with_the_next_step() {
    let folder = tempfile::tempdir().unwrap();
    for (name, text, code, want) in [
        (
            "wrong-side",
            "goals: { moisture_percent: 60 }
ingredients:
  - { feedstock: grass-clippings, kilograms: 10 }
  - { feedstock: cattle-manure, kilograms: { min: 0 } }
",
            65,
            "Cattle manure (81 %) is on the wrong side of the goal",
        ),
        (
            "sawdust",
            "ingredients: [{ feedstock: sawdust, kilograms: 10 }]\n",
            65,
            "sawdust.yaml:1: Sawdust: nitrogen of 0.24 % at a C:N of 442 would make 106 % of the dry matter carbon",
        ),
        ("moisture", "ingredients: [{ feedstock: leaves, kilograms: 10, moisture_percent: 100 }]\n", 65, "is 100 %"),
        ("negative", "ingredients: [{ feedstock: leaves, kilograms: -10 }]\n", 65, "is -10 kilograms"),
        ("nothing", "ingredients: [{ feedstock: leaves, kilograms: 0 }]\n", 65, "the mix weighs 0 kg"),
    ] {
        let path = written(&folder, &format!("{name}.yaml"), text);
        let (got, said, complained) = mix(&[&path]);
        assert_eq!((got, said.as_str()), (code, ""), "{name}: {complained}");
        assert!(complained.contains(want), "{name}: {complained}");
    }
    let (code, _, complained) = mix(&["nowhere.yaml"]);
    assert!(code == 74 && complained.contains("the recipe nowhere.yaml cannot be read"), "{code}: {complained}");
}
