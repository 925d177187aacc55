//! Any number in any place of what a command reads: arguments, recipes, tables of readings and entries, facts, recordings.
//!
//! Must never know which numbers are good: each run ends by itself, with an answer or a refusal that a person can read.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

#[path = "support/yard.rs"]
mod yard;

use std::ops::Range;
use std::path::Path;
use std::process::Command;

use proptest::prelude::*;
use proptest::test_runner::{Config, TestRunner};
use yard::{Yard, root};

/// Numbers of each input that are tried.
const CASES: u32 = 60;
/// Processor time and memory of one run; a number that is worth more than this is a bound that is missing.
const SECONDS_MAX: &str = "--cpu=20";
const BYTES_MAX: &str = "--as=4000000000";
/// No line that is told is longer: numbers are repeated as a person can read them.
const LINE_MAX: usize = 2_000;

/// Where numbers and times stand, each run of the characters that they are written with.
fn places(text: &str) -> Vec<Range<usize>> {
    let bytes = text.as_bytes();
    let is_of = |b: u8| b.is_ascii_digit() || matches!(b, b'.' | b'-' | b':' | b'T' | b'Z');
    let (mut found, mut at) = (Vec::new(), 0);
    while at < bytes.len() {
        let end = bytes[at..].iter().position(|b| !is_of(*b)).map_or(bytes.len(), |n| at + n);
        // Not the digits of a name, such as `b1`, nor the dash before one.
        let alone = at == 0 || !bytes[at - 1].is_ascii_alphabetic();
        if alone
            && bytes[at..end].first().is_some_and(|b| b.is_ascii_digit() || *b == b'-')
            && bytes[at..end].iter().any(u8::is_ascii_digit)
        {
            found.push(at..end);
        }
        at = end.max(at) + 1;
    }
    found
}

/// Any whole number, any other, those at the ends, and any time.
fn any_number() -> impl Strategy<Value = String> {
    let ends = [
        "0",
        "-0",
        "-0.0",
        "1e308",
        "-1e308",
        "5e-324",
        "NaN",
        "inf",
        "-inf",
        ".nan",
        ".inf",
        "9223372036854775808",
        "1e400",
        "",
    ];
    prop_oneof![
        2 => any::<i64>().prop_map(|n| n.to_string()),
        2 => any::<f64>().prop_map(|x| format!("{x:?}")),
        2 => proptest::sample::select(ends.to_vec()).prop_map(str::to_owned),
        1 => (0_i64..4_200_000_000).prop_map(|n| n.to_string()),
        1 => (-9_999_i64..99_999, 0..14_u8, 0..33_u8).prop_map(|(y, m, d)| format!("{y:04}-{m:02}-{d:02}T06:00:00Z")),
    ]
}

/// Runs a command within its bounds and looks at how it ended.
fn ends(arguments: &[String], folder: &Path) -> Result<Option<i32>, TestCaseError> {
    let run = Command::new("prlimit")
        .args([SECONDS_MAX, BYTES_MAX, env!("CARGO_BIN_EXE_hypocaust")])
        .args(arguments)
        .current_dir(folder)
        .output()
        .unwrap();
    let told = String::from_utf8_lossy(&run.stderr);
    let code = run.status.code();
    prop_assert!(
        code.is_some_and(|code| code != 101)
            && !told.contains("panicked")
            && !told.contains("a fault of hypocaust itself"),
        "{arguments:?} ended with {code:?}: {told}"
    );
    prop_assert!(told.lines().all(|line| line.len() < LINE_MAX), "{arguments:?}: {told}");
    Ok(code)
}

/// Tries numbers in every place of a text; `run` takes the changed text.
fn any_number_in(text: &str, run: impl Fn(&str) -> Result<Option<i32>, TestCaseError>) {
    let places = places(text);
    assert!(!places.is_empty(), "no number in {text}");
    assert_eq!(run(text).unwrap_or_else(|why| panic!("{why}")), Some(0), "as it is it works: {text}");
    let config = Config { cases: CASES, failure_persistence: None, ..Config::default() };
    let tried = TestRunner::new(config).run(&(any::<prop::sample::Index>(), any_number()), |(place, number)| {
        let mut changed = text.to_owned();
        changed.replace_range(places[place.index(places.len())].clone(), &number);
        run(&changed).map(drop)
    });
    tried.unwrap_or_else(|failed| panic!("{failed}"));
}

fn of(words: &[&str]) -> Vec<String> {
    words.iter().map(|word| (*word).to_owned()).collect()
}

#[test]
fn any_number_in_any_argument_of_calc_is_computed_with_or_refused() {
    for command in
        ["air", "exhaust", "condensate", "surface", "duty", "series", "lethality", "d-time", "water", "stability"]
    {
        let help = Command::new(env!("CARGO_BIN_EXE_hypocaust")).args(["calc", command, "--help"]).output().unwrap();
        let help = String::from_utf8(help.stdout).unwrap();
        let example =
            help.split_once("\nExample:\n\n").unwrap().1.split_once("\n\nprints\n\n").unwrap().0.replace("\\\n", " ");
        let typed = example.strip_prefix("hypocaust ").unwrap();
        any_number_in(typed, |changed| ends(&of(&changed.split_whitespace().collect::<Vec<_>>()), &root()));
    }
}

#[test]
fn any_number_in_a_table_of_calc_is_computed_with_or_refused() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("series.csv");
    let series =
        "measured_at,value\n2026-03-09T00:00:00Z,58.5\n2026-03-09T06:00:00Z,61.25\n2026-03-10T00:00:00Z,54.96\n";
    for command in [&["calc", "series"][..], &["calc", "lethality"]] {
        any_number_in(series, |changed| {
            std::fs::write(&path, changed).unwrap();
            ends(&[of(command), vec![path.display().to_string()]].concat(), &root())
        });
    }
}

#[test]
fn any_number_in_a_recipe_is_mixed_or_refused() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("recipe.yaml");
    let recipe = std::fs::read_to_string(root().join("demo-data/recipe.yaml")).unwrap();
    for more in [&[][..], &["--json"]] {
        any_number_in(&recipe, |changed| {
            std::fs::write(&path, changed).unwrap();
            ends(&[of(&["mix", path.to_str().unwrap()]), of(more)].concat(), &root())
        });
    }
}

#[test]
fn any_number_or_time_in_readings_entries_and_facts_is_judged_and_replayed_or_refused() {
    let yard = Yard::new(1);
    let settings = yard.write_settings().display().to_string();
    let readings = "measured_at,probe,quantity,value,unit\n2026-03-09T00:10:00Z,b1-core,temperature,61,Cel\n\
        2026-03-09T00:20:00Z,b1-core,temperature,64.25,Cel\n2026-03-12T00:20:00Z,b1-core,temperature,58,Cel\n";
    let entries = "at,bin,kind,amount,unit,by,note\n2026-03-09T00:00:00Z,b1,on-air,18,°C,Ann,\n\
        2026-03-10T15:00:00Z,b1,watered,120,L,Ann,dry\n2026-03-12T00:00:00Z,b1,off-air,,,Ann,\n";
    let facts = "system: aerated-static-pile\ncover_metres: 0.2\ncarbon_to_nitrogen: 28\nparticle_millimetres: 40\n\
        raw_added_at: [\"2026-03-10 07:00\"]\ncuring_from: \"2026-04-20\"\nuncertainty_kelvin: 0.5\n\
        checks: [{ probe: b1-core, at: \"2026-03-01 09:00\", passed: true, correction_kelvin: -0.2 }]\n";
    let files = ["r.csv", "e.csv", "f.yaml"].map(|name| yard.path(name).display().to_string());
    let texts = [readings, entries, facts];
    for (n, text) in texts.iter().enumerate() {
        any_number_in(text, |changed| {
            for (file, text) in files.iter().zip(texts) {
                std::fs::write(file, text).unwrap();
            }
            std::fs::write(&files[n], changed).unwrap();
            let of_files = of(&["--config", &settings, "judge", "--readings", &files[0], "--entries", &files[1]]);
            let judged = of(&["--criterion", "us503-pfrp-asp", "--facts", &files[2], "--json"]);
            let code = ends(&[of_files, judged].concat(), yard.folder.path())?;
            match n {
                2 => Ok(code),
                _ => ends(
                    &of(&["--config", &settings, "replay", "--readings", &files[0], "--entries", &files[1]]),
                    yard.folder.path(),
                ),
            }
        });
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn any_number_in_a_recording_is_run_again_or_refused() {
    let yard = Yard::new(1);
    let file = yard.path("recording");
    let daemon = yard::Process::start(&yard, &["--record", file.to_str().unwrap()]);
    yard::eventually("the daemon", || yard.data().join("socket").exists().then_some(())).await;
    for more in [
        &["batch", "on-air", "--bin", "b1", "--by", "Ann"][..],
        &["log", "watered", "--bin", "b1", "--litres", "40", "--by", "Ann"],
    ] {
        let (code, said) = yard::hypocaust(&yard, more);
        assert_eq!(code, 0, "{said}");
    }
    daemon.stop();
    let text = std::fs::read_to_string(&file).unwrap();
    any_number_in(&text, |changed| {
        std::fs::write(&file, changed).unwrap();
        ends(&of(&["rerun", file.to_str().unwrap()]), yard.folder.path())
    });
}
