//! What people type about bins, batches and probes, and what the program makes of it: a table of commands, without a daemon.
//!
//! Must never look into the engine: what counts is what is printed, the exit code, and what the store holds.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

#[path = "support/yard.rs"]
mod yard;

use std::any::TypeId;
use std::process::{Command, Stdio};

use clap::CommandFactory;
use hypocaust::amounts;
use hypocaust::cli::{Cli, Typed};
use hypocaust::driven::{acknowledged, connect, publish};
use hypocaust::socket::Request;
use ledger::{Access, Ledger};
use serde_json::Value;
use site::entry::EntryKind;
use site::measure::Kind;
use site::model::Display;
use yard::{
    HOT_NOW, PATIENCE, Process, START, Yard, eventually, eventually_within, free_port, hypocaust_with, live, payload,
    root,
};

/// A command, its exit code, words that it prints, and why.
type Line<'a> = (&'a str, i32, &'a [&'a str], &'a str);

/// Splits a line into words as a shell does, as far as these lines need it.
fn words(line: &str) -> Vec<String> {
    let quoted = line.split('"').enumerate();
    let split = quoted.flat_map(|(i, piece)| match i % 2 {
        0 => piece.split_whitespace().map(str::to_owned).collect(),
        _ => vec![piece.to_owned()],
    });
    split.collect()
}

fn follow(settings: &std::path::Path, lines: &[Line<'_>]) {
    for (line, code, wanted, why) in lines {
        let words = words(line);
        let words: Vec<&str> = words.iter().map(String::as_str).collect();
        let (got, said) = hypocaust_with(settings, &words);
        assert_eq!(got, *code, "{line}: {why}: {said}");
        for wanted in *wanted {
            assert!(said.contains(wanted), "{line}: {why}: `{wanted}` is not in: {said}");
        }
    }
}

#[test]
fn what_never_happened_is_taken_back_and_shipped_parts_are_added_up() {
    let yard = Yard::new(2).with_rule("hot-now", HOT_NOW);
    let settings = yard.write_settings();
    follow(
        &settings,
        &[
            ("batch on-air --bin b1", 0, &["batch 1 is on air in bin b1"], "entry 1"),
            ("batch off-air --bin b1", 0, &["is off air"], "entry 2, a slip"),
            ("log correct 2 --never --reason slip", 0, &["did not happen; batch 1 is on-air in bin b1"], "entry 3"),
            ("batch list", 0, &["batch 1     on air since"], "it is on air"),
            ("batch off-air --bin b1", 0, &["is off air"], "entry 4, in earnest"),
            (
                "batch ship --bin b1 --to Farm --amount 1m3",
                0,
                &["went to Farm", "the rest of it stays"],
                "a part, entry 5",
            ),
            ("batch ship --bin b1 --to Farm --amount 500L", 0, &["1.50 m³ in 2 parts so far"], "another, entry 6"),
            (
                "batch ship --bin b1 --to Farm --amount 300kg --all",
                0,
                &["300 kg and 1.50 m³ in 3 parts", "that was all"],
                "7",
            ),
            ("batch show 1", 0, &["shipped", "300 kg and 1.50 m³ in 3 parts"], "the sum"),
            (
                "log correct 4 --never --reason slip",
                65,
                &["came after entry 4 and needs it", "hypocaust log correct"],
                "a later entry needs it",
            ),
            ("log correct 7 --never --reason slip", 0, &["batch 1 is off-air in bin b1"], "it never left, entry 8"),
            ("batch list", 0, &["batch 1     off air since"], "it is there again"),
            ("batch ship --bin b1 --to Farm --amount 1m3 --all", 0, &["2.50 m³ in 3 parts so far"], "entry 9"),
            ("batch on-air --bin b1", 0, &["batch 2 is on air"], "the next batch, entry 10"),
            (
                "log lab-result --bin b1 --analyte salmonella --value <3 --unit MPN/g --laboratory Alder --method X --sampled \"yesterday 16:30\"",
                65,
                &["before the batch in bin b1 began", "--batch 1"],
                "a sample of the batch before",
            ),
            (
                "log lab-result --batch 1 --analyte salmonella --value <3 --unit MPN/g --laboratory Alder --method X --sampled \"yesterday 16:30\"",
                0,
                &["kept for bin b1: lab-result"],
                "entry 11",
            ),
            ("batch show 1", 0, &["laboratory: salmonella <3 MPN/g"], "a result of a batch that has left"),
            (
                "log lab-result --batch 9 --analyte s --value 3 --unit u --laboratory l --method m --sampled 2026-01-01",
                64,
                &["there is no batch 9"],
                "none",
            ),
        ],
    );
    let ledger = Ledger::open(&yard.data(), Access::Read).unwrap();
    let lab = ledger.entries().unwrap().into_iter().find(|e| e.kind.key() == "lab-result").unwrap();
    assert_eq!(lab.batch.map(|b| b.0), Some(1));
}

#[test]
fn what_moved_a_batch_is_corrected_or_refused_with_the_two_commands() {
    let yard = Yard::new(3).with_rule("hot-now", HOT_NOW);
    let settings = yard.write_settings();
    follow(
        &settings,
        &[
            ("batch on-air --bin b1 --at \"yesterday 09:00\"", 0, &["batch 1 is on air"], "entry 1"),
            ("batch move --bin b1 --to curing --into b2 --at \"yesterday 16:00\"", 0, &["curing in bin b2"], "entry 2"),
            ("log correct 2 --into b3 --reason slip", 0, &["what holds is moved", "batch 1 is curing in bin b3"], "3"),
            (
                "log correct 2 --really-at \"yesterday 15:00\" --reason slip",
                0,
                &["what holds is moved", "batch 1 is curing in bin b3"],
                "entry 4: what was corrected before stays so",
            ),
            ("batch ship --bin b3 --to Farm --amount 900kg --all", 0, &["that was all"], "entry 5"),
            ("log correct 5 --amount 700kg --reason slip", 0, &["what holds is shipped"], "entry 6"),
            ("batch show 1", 0, &["shipped", "700 kg in 1 part"], "the sum"),
            (
                "log correct 2 --really-at \"2026-01-01 10:00\" --reason slip",
                65,
                &["entry 2 cannot have been so", "batch 1 came into bin b1"],
                "before it was on air",
            ),
            (
                "log correct 1 --really-at \"yesterday 08:00\" --reason slip",
                65,
                &["`hypocaust log correct 1 --never --reason TEXT`, then `hypocaust batch on-air --bin b1 --at TIME`"],
                "its batch has left",
            ),
            ("log correct 5 --into b1 --reason slip", 64, &["--into: an entry `shipped`"], "it went to no bin"),
        ],
    );
}

#[test]
fn a_site_in_us_units_is_answered_in_them() {
    let yard = Yard::new(1).with_rule("hot-now", HOT_NOW);
    let settings = yard.write_settings();
    let text = std::fs::read_to_string(&settings).unwrap();
    std::fs::write(&settings, text.replace("units: metric", "units: us")).unwrap();
    let recipe = format!("batch on-air --bin b1 --recipe {}", root().join("demo-data/recipe.yaml").display());
    follow(
        &settings,
        &[
            (&recipe, 0, &["mix ", " lb at ", " gal of water"], "a mix"),
            (
                "log watered --bin b1 --water 100000",
                65,
                &["water: 100000 gal is outside 0 to 26417.2 gal; correct the number or its unit"],
                "a lake",
            ),
            ("log watered --bin b1 --water 0.01", 65, &["water: 0.01 gal is less than 0.0264172 gal"], "a cup"),
            ("log settled-depth --bin b1 --depth 99", 65, &["depth: 99 ft is outside 0 to 65.6168 ft"], "a tower"),
            (
                "log hand-reading --bin b1 --temperature 500",
                65,
                &["hand reading: 500 °F is outside -22 to 248 °F"],
                "lava",
            ),
            (
                "batch load --bin b1 --source Canteen --material \"food waste\" --amount 800",
                64,
                &["--amount: `800` has no unit, and may be a mass or a volume", "800kg, 1200lb, 2m3, 3yd3"],
                "which?",
            ),
        ],
    );
}

#[test]
fn amounts_and_times_are_read_as_people_write_them_and_slips_are_asked_back() {
    let yard = Yard::new(1).with_rule("hot-now", HOT_NOW);
    let settings = yard.write_settings();
    let recipe = root().join("demo-data/recipe.yaml");
    let on_air = format!(
        "batch on-air --bin b1 --at \"yesterday 16:30\" --recipe {} --cover 1ft --loaded 64F",
        recipe.display()
    );
    follow(
        &settings,
        &[
            ("batch on-air --bin b1 --density 5000", 65, &["is more than can be", "--really"], "heavier than iron ore"),
            ("batch on-air --bin b1 --loaded 90C", 65, &["material is not loaded at 90 °C", "--really"], "boiling"),
            (&on_air, 0, &["mix ", "% moisture as the recipe has it", "16:30"], "a mix is the filling"),
            ("log list --bin b1", 0, &["loaded at 17.8 °C", "mix: "], "what was kept"),
            ("log watered --bin b1 --water 30gal", 0, &["watered"], "another unit"),
            ("log watered --bin b1 --minutes 90s --litres 20", 0, &["watered"], "seconds"),
            (
                "log watered --bin b1 --water 100000",
                65,
                &["100000 L of water is more than can be", "--really"],
                "a lake",
            ),
            ("log watered --bin b1 --water 900 --really", 0, &["watered"], "said twice"),
            (
                "log watered --bin b1 --water 30min",
                64,
                &["--water: `min` is not a unit of water; use L, m3 or gal"],
                "no water",
            ),
            ("log sampled --bin b1 --moisture 55%", 0, &["sampled"], "percent"),
            ("log settled-depth --bin b1 --depth 3ft", 0, &["settled-depth"], "feet"),
            (
                "log turned --bin b1 --at \"someday 16:30\"",
                64,
                &["write `16:30`, `yesterday 16:30`, `monday 16:30`"],
                "no day",
            ),
            (
                "log turned --bin b1 --at \"2026-03-29 01:30\"",
                64,
                &["did not occur by the clocks of Europe/Dublin"],
                "skipped",
            ),
            (
                "log turned --bin b1 --at \"2026-10-25 01:30\"",
                64,
                &["occurs twice", "2026-10-25T01:30:00+01:00"],
                "twice",
            ),
            (
                "log smell --note \"like vinegar at the gate\"",
                0,
                &["kept for the whole site: smell"],
                "no bin is known",
            ),
            ("log list", 0, &["whole-site   smell", "watered: 114 L", "depth left: 0.91 m"], "the whole site"),
            (
                "status",
                69,
                &["batch 1 on air, day ", "core no reading for more than", "No alarm is active", "no daemon runs"],
                "one screen",
            ),
        ],
    );
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_check_that_failed_says_what_it_takes_back() {
    let yard = Yard::new(1).with_rule("hot-now", HOT_NOW);
    let mut driven = yard.driven(START).await;
    let client = connect(driven.listens_on().unwrap(), "b1-node");
    driven
        .ask(Request::entry("b1", driven.now(), "Ann", "", &EntryKind::OnAir { loaded_at: None, filling: None }))
        .await
        .unwrap();
    live(&mut driven, &client, "b1-core", &[61.5; 12]).await;
    driven.stop().await.unwrap();
    let settings = yard.write_settings();
    follow(
        &settings,
        &[
            (
                "log probe-checked --probe b1-core --against ice --showed 3.4",
                0,
                &[
                    "probe b1-core FAILED its check",
                    "it showed 3.4 °C too high, and 1.0 °C is allowed",
                    "Criteria do not count 12 readings of it, from 2026-03-09",
                    "of batch 1",
                ],
                "it fails",
            ),
            ("log probe-checked --probe b1-core --against ice --showed 33F", 0, &["passed its check"], "it passes"),
            ("readings --from 2026-03-09 --to 2026-03-10", 0, &["b1-core", "61.50 °C"], "of the whole site"),
        ],
    );
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_status_shows_the_site_on_one_screen() {
    let port = free_port();
    let yard = Yard::new(2).embedded_at(port).with_rule("hot-now", HOT_NOW);
    let settings = yard.write_settings();
    follow(&settings, &[("batch on-air --bin b1", 0, &["batch 1"], "one of the two bins has a batch")]);
    let process = Process::start(&yard, &[]);
    eventually("the daemon", || yard.data().join("socket").exists().then_some(())).await;
    let client = connect(([127, 0, 0, 1], port).into(), "node");
    for probe in ["b1-core", "b2-core"] {
        let now = hypocaust::clock::Clock::live().now();
        acknowledged(vec![publish(&client, format!("t/{probe}"), payload(now, 71.5)).await.unwrap()]).await.unwrap();
    }
    let screen = || {
        let (code, said) = tokio::task::block_in_place(|| hypocaust_with(&settings, &["status"]));
        (code == 0 && said.contains("Active alarms: 2")).then_some(said)
    };
    let said = eventually_within(PATIENCE * 2, "both alarms on the screen", screen).await;
    for wanted in [
        "batch 1 on air, day 1",
        "core 71.5 °C (",
        "readings, but no batch since the beginning: process rules are off (hypocaust batch on-air --bin b2)",
        "b1  Hot now: core 71.5 °C above 65.0 °C",
        "first: Look at the blower.",
        "Daemon: all 7 parts are ok (hypocaust status --health)",
    ] {
        assert!(said.contains(wanted), "`{wanted}` is not in: {said}");
    }
    let (code, said) = hypocaust_with(&settings, &["status", "--json"]);
    let health: Value = serde_json::from_str(&said).unwrap();
    assert_eq!((code, &health["state"]), (0, &Value::from("ok")), "programs read what they read before");
    assert_eq!(process.stop().0, Some(0));
}

#[test]
fn the_demo_runs_in_any_folder_and_in_us_units() {
    let folder = tempfile::tempdir().unwrap();
    let out = Command::new(env!("CARGO_BIN_EXE_hypocaust"))
        .args(["demo", "--days", "1", "--units", "us"])
        .current_dir(folder.path())
        .stdin(Stdio::null())
        .output()
        .unwrap();
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    let settings = folder.path().join("demo-out/site.yaml");
    let run = |arguments: &[&str]| {
        let out = Command::new(env!("CARGO_BIN_EXE_hypocaust"))
            .arg("--config")
            .arg(&settings)
            .args(arguments)
            .current_dir(folder.path())
            .output()
            .unwrap();
        (
            out.status.success(),
            String::from_utf8_lossy(&out.stdout).into_owned() + String::from_utf8_lossy(&out.stderr).as_ref(),
        )
    };
    let (ok, said) = run(&["check"]);
    assert!(ok && said.contains("no faults"), "{said}");
    let (ok, said) = run(&["log", "list", "--all"]);
    assert!(ok && said.contains("bay-1") && said.contains("°F"), "{said}");
    let (ok, said) = run(&["readings", "--from", "2026-03-02 06:00", "--to", "2026-03-02 12:00", "--json"]);
    let first: Value = serde_json::from_str(said.lines().next().unwrap()).unwrap();
    assert!(ok && first["unit"] == "Cel", "canonical units for programs: {said}");
}

/// Amounts of no unit that another could be written for.
const PURE_NUMBERS: [&str; 2] = ["carbon-to-nitrogen", "respiration"];

fn walk(command: &clap::Command, path: &str, found: &mut Vec<(String, String, bool, bool)>) {
    for arg in command.get_arguments() {
        let Some(long) = arg.get_long() else { continue };
        let parser = arg.get_value_parser();
        let names = arg.get_value_names().map(|names| names.iter().map(ToString::to_string).collect::<Vec<_>>());
        let bare_number = parser.type_id() == TypeId::of::<f64>();
        found.push((
            format!("{path} --{long}"),
            names.unwrap_or_default().join(" "),
            bare_number,
            parser.type_id() == TypeId::of::<Typed>(),
        ));
    }
    for sub in command.get_subcommands() {
        walk(sub, &format!("{path} {}", sub.get_name()), found);
    }
}

#[test]
fn every_option_with_an_amount_is_read_by_the_one_reader() {
    let mut found = Vec::new();
    walk(&Cli::command(), "hypocaust", &mut found);
    let amounts = ["AMOUNT", "DEGREES", "PERCENT", "DEPTH", "SIZE", "MASS", "DENSITY", "WATER"];
    let mut typed = 0;
    for (option, names, bare_number, is_typed) in &found {
        let pure = PURE_NUMBERS.iter().any(|name| option.ends_with(&format!("--{name}")));
        assert!(
            !bare_number || pure,
            "{option} takes a bare number: give it the type `Typed`, and read it with `amounts`"
        );
        if option.starts_with("hypocaust log") || option.starts_with("hypocaust batch") {
            let is_amount = amounts.contains(&names.as_str());
            assert!(!is_amount || *is_typed, "{option} {names} is an amount and not read as one");
        }
        typed += usize::from(*is_typed);
    }
    assert!(typed >= 20, "only {typed} options with an amount were found");
}

#[test]
fn bare_numbers_are_in_the_unit_of_the_site_and_any_other_can_be_written() {
    let settings = include_str!("../demo-data/site.yaml");
    let mut site = site::settings::read(settings, "demo-data/site.yaml").unwrap();
    for (display, text, kind, want, why) in [
        (Display::Metric, "100", Kind::Water, 100.0, "litres"),
        (Display::Us, "100", Kind::Water, 378.541_178_4, "gallons"),
        (Display::Metric, "30gal", Kind::Water, 113.562_353_52, "written with it"),
        (Display::Us, "140", Kind::Temperature, 60.0, "°F"),
        (Display::Us, "60C", Kind::Temperature, 60.0, "written with it"),
        (Display::Metric, "3ft", Kind::Length, 0.914_4, "feet"),
        (Display::Metric, "12in", Kind::Length, 0.304_8, "inches"),
        (Display::Us, "850", Kind::Density, 504.284_9, "lb/yd³"),
        (Display::Metric, "850lb/yd3", Kind::Density, 504.284_9, "written with it"),
        (Display::Us, "1.8", Kind::Difference, 1.0, "a difference in °F"),
    ] {
        site.display = display;
        let got = amounts::read(&site, "x", &Typed(text.into()), kind).unwrap();
        assert!((got - want).abs() < 1e-4, "{text}: {why}: {got}");
    }
    for (text, want) in [("55", 55.0), ("55%", 55.0), ("7.1", 7.1)] {
        assert_eq!(amounts::percent("moisture", &Typed(text.into())).unwrap(), want, "{text}");
    }
    let said = amounts::amount("amount", &Typed("5".into())).unwrap_err().to_string();
    assert!(
        said.contains(
            "--amount: `5` has no unit, and may be a mass or a volume; write a mass or a volume with its unit"
        ),
        "{said}"
    );
}
