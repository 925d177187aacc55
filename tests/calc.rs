//! Does `hypocaust calc` print what its help shows, agree with outside values, and refuse bad input with the range?
//!
//! Must never compare a part of an example: people copy them.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;

const COMMANDS: [&str; 10] =
    ["air", "exhaust", "condensate", "surface", "duty", "series", "lethality", "d-time", "water", "stability"];

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

/// Exit code, standard output and standard error.
fn calc(args: &[&str]) -> (i32, String, String) {
    let binary = env!("CARGO_BIN_EXE_hypocaust");
    let run = Command::new(binary).arg("calc").args(args).current_dir(root()).output().unwrap();
    let text = |bytes| String::from_utf8(bytes).unwrap();
    (run.status.code().expect("a signal ended it"), text(run.stdout), text(run.stderr))
}

fn json(args: &[&str]) -> Value {
    let (code, said, complained) = calc(&[args, &["--json"]].concat());
    assert_eq!((code, complained.as_str()), (0, ""), "{args:?}");
    serde_json::from_str(&said).unwrap()
}

fn number(json: &Value, key: &str) -> f64 {
    json[key].as_f64().unwrap_or_else(|| panic!("{key} is {}", json[key]))
}

#[track_caller]
fn assert_near(got: f64, want: f64, tolerance: f64, what: &str) {
    assert!((got - want).abs() <= tolerance * want.abs().max(1.0), "{what}: {got}, table {want}");
}

/// The rows of a reference table by their headings.
fn table(name: &str) -> Vec<BTreeMap<String, String>> {
    let text = std::fs::read_to_string(root().join("tests/reference").join(name)).unwrap();
    let mut lines = text.lines().filter(|line| !line.starts_with('#'));
    let heads: Vec<&str> = lines.next().unwrap().split(',').collect();
    let cells = |line: &str| heads.iter().zip(line.split(',')).map(|(h, c)| ((*h).into(), c.into())).collect();
    lines.map(cells).collect()
}

fn cell(row: &BTreeMap<String, String>, column: &str) -> f64 {
    row[column].parse().unwrap_or_else(|_| panic!("{column}: {}", row[column]))
}

fn written(folder: &tempfile::TempDir, name: &str, text: impl AsRef<[u8]>) -> String {
    let path = folder.path().join(name);
    std::fs::write(&path, text).unwrap();
    path.display().to_string()
}

/// The series of a reference table as files for `calc series`, by their name.
fn series_files(folder: &tempfile::TempDir, name: &str) -> BTreeMap<String, String> {
    let mut texts = BTreeMap::<String, String>::new();
    for row in table(name) {
        let text = texts.entry(row["series_id"].clone()).or_insert_with(|| "measured_at,value\n".into());
        text.push_str(&format!("{},{}\n", row["t_s"], row["temp_c"]));
    }
    texts.into_iter().map(|(id, text)| (id.clone(), written(folder, &format!("{id}.csv"), text))).collect()
}

/// To take over what the commands print now, write it to tests/golden/calc, which the help includes, and read the difference.
#[test]
fn the_example_of_every_help_prints_what_the_help_says() {
    for command in COMMANDS {
        let help = calc(&[command, "--help"]).1;
        let example = help.split_once("\nExample:\n\n").unwrap_or_else(|| panic!("no example in {help}")).1;
        let (typed, printed) = example.split_once("\n\nprints\n\n").unwrap_or_else(|| panic!("{example}"));
        let typed = typed.replace("\\\n", " ");
        let words: Vec<&str> = typed.split_whitespace().collect();
        assert_eq!(words[..3], ["hypocaust", "calc", command]);
        let (code, said, complained) = calc(&words[2..]);
        assert_eq!((code, complained.as_str()), (0, ""), "{typed}");
        assert_eq!(said.trim_end(), printed.trim_end(), "{typed}");
        let json = json(&words[2..]);
        for key in json.as_object().unwrap().keys() {
            assert!(help.contains(key.as_str()), "{command}: the help does not say what `{key}` is");
        }
    }
}

#[test]
fn air_is_that_of_psychrolib() {
    for row in table("humid-air.csv").iter().step_by(4) {
        let args =
            ["--celsius", &row["t_c"], "--relative-humidity-fraction", &row["rh_frac"], "--pascals", &row["p_pa"]];
        let got = json(&[&["air"][..], &args].concat());
        for (key, column) in [
            ("humidity_ratio", "w_kg_per_kgda"),
            ("dew_point_celsius", "dew_point_c"),
            ("wet_bulb_celsius", "wet_bulb_c"),
            ("enthalpy_joules_per_kilogram", "h_j_per_kgda"),
            ("specific_volume_cubic_metres_per_kilogram", "v_m3_per_kgda"),
            ("vapour_pressure_pascals", "pw_pa"),
        ] {
            assert_near(number(&got, key), cell(row, column), 1e-11, &format!("case {} {key}", row["case"]));
        }
    }
}

#[test]
fn exhaust_is_that_of_psychrolib() {
    for row in table("exhaust-drying.csv") {
        let got = json(&[
            "exhaust",
            "--inlet-celsius",
            &row["t_in_c"],
            "--inlet-relative-humidity-fraction",
            &row["rh_in_frac"],
            "--pascals",
            &row["p_pa"],
            "--flow-cubic-metres-per-hour",
            &row["q_in_m3_per_h"],
            "--exhaust-celsius",
            &row["t_exhaust_c"],
        ]);
        for (key, column) in [
            ("water_removed_kilograms_per_day", "water_removed_kg_per_day"),
            ("heat_from_bed_kilowatts", "heat_from_bed_kw"),
            ("heat_total_kilowatts", "heat_total_kw"),
            ("heat_sensible_kilowatts", "heat_sensible_kw"),
            ("heat_latent_kilowatts", "heat_latent_kw"),
        ] {
            assert_near(number(&got, key), cell(&row, column), 1e-12, &format!("case {} {key}", row["case"]));
        }
    }
}

#[test]
fn a_figure_near_boiling_has_its_band_or_is_refused() {
    let exhaust = |t: &str| {
        let mut args =
            vec!["exhaust", "--exhaust-celsius", t, "--inlet-celsius", "12", "--flow-cubic-metres-per-hour", "100"];
        args.extend(["--inlet-relative-humidity-fraction", "0.7"]);
        calc(&args)
    };
    assert!(!exhaust("60").1.contains("if the probe is off"), "far from it a kelvin hardly matters");
    assert!(exhaust("85").1.contains("if the probe is off by 1 K"), "{}", exhaust("85").1);
    // At 2,000 m water boils at 93 °C.
    let high = ["air", "--celsius", "92.8", "--relative-humidity-fraction", "1", "--elevation-metres", "2000"];
    for (code, said, complained) in [exhaust("99.5"), calc(&high)] {
        assert_eq!((code, said.as_str()), (64, ""));
        assert!(complained.contains("less than 1 K from boiling"), "{complained}");
    }
    let condensate = |t: &str| {
        let mut args = vec!["condensate", "--exhaust-celsius", t, "--cooled-to-celsius", "20", "--inlet-celsius", "12"];
        args.extend(["--inlet-relative-humidity-fraction", "0.7", "--flow-cubic-metres-per-hour", "100"]);
        calc(&args)
    };
    assert!(condensate("85").1.contains("if the probe is off by 1 K"), "{}", condensate("85").1);
    assert_eq!(condensate("99.5").0, 64);
}

#[test]
fn the_dose_of_water_is_the_least_of_its_limits_and_what_was_cut_is_told() {
    let water = |more: &str| {
        let args = format!(
            "water --volume-cubic-metres 2.5 --wet-mass-kilograms 1000 --bed-celsius 60 --days 1 --inlet-celsius 10 \
             --on 10s --every 30min --hose-litres-per-minute 18 {more}"
        );
        let (code, said, complained) = calc(&args.split_whitespace().collect::<Vec<_>>());
        assert_eq!(code, 0, "{complained}");
        said
    };
    for (more, want) in [
        ("--moisture-fraction 40% --flow-cubic-metres-per-hour 1", "35 L (2 min of the hose); cools the bed by 2.9"),
        (
            "--moisture-fraction 40% --flow-cubic-metres-per-hour 1 --hot-run",
            "12 L (1 min of the hose); cools the bed by 1",
        ),
        ("--moisture-fraction 50% --flow-cubic-metres-per-hour 1", "only if a handful feels dry"),
        ("--moisture-fraction 60% --flow-cubic-metres-per-hour 1", "none: "),
        // What stopped at an end says so.
        ("--moisture-fraction 10% --flow-cubic-metres-per-hour 90000", "The bed ran dry on the way"),
        ("--moisture-fraction 60% --flow-cubic-metres-per-hour 90000", "more than the filling can have held"),
    ] {
        assert!(water(more).contains(want), "{more}: {}", water(more));
    }
    let args = "water --volume-cubic-metres 2.5 --wet-mass-kilograms 1000 --moisture-fraction 60% --bed-celsius 5 --days 1 \
                --inlet-celsius 10 --flow-cubic-metres-per-hour 1 --on 10s --every 30min";
    assert!(calc(&args.split_whitespace().collect::<Vec<_>>()).1.contains("no draught is counted"));
    let floor = calc(&["d-time", "--celsius", "75", "--regime", "a"]).1;
    assert!(floor.contains("is the regime's floor"), "{floor}");
}

#[test]
fn time_above_is_that_of_exact_arithmetic() {
    let folder = tempfile::tempdir().unwrap();
    let files = series_files(&folder, "time-above-series.csv");
    let mut checked = 0;
    for row in
        table("time-above.csv").iter().filter(|row| row["window_kind"] == "series" && cell(row, "n_samples") > 1.0)
    {
        let (file, gap) = (&files[&row["series_id"]], format!("{}s", row["max_gap_s"]));
        let got = json(&["series", file, "--above-celsius", &row["threshold_c"], "--gap-max", &gap]);
        let what = |key: &str| format!("{} over {}: {key}", row["series_id"], row["threshold_c"]);
        // Runs are kept to the millisecond.
        for (key, column, tolerance) in [
            ("covered_seconds", "covered_s", 1e-11),
            ("coverage_fraction", "coverage_fraction", 1e-11),
            ("above_seconds", "above_strict_s", 1e-11),
            ("at_or_above_seconds", "at_or_above_s", 1e-11),
            ("longest_run_above_seconds", "longest_run_strict_s", 1e-3),
            ("longest_run_at_or_above_seconds", "longest_run_inclusive_s", 1e-3),
        ] {
            assert_near(number(&got, key), cell(row, column), tolerance, &what(key));
        }
        for (key, column) in [
            ("longest_run_above_from", "longest_run_strict_start_s"),
            ("longest_run_at_or_above_from", "longest_run_inclusive_start_s"),
        ] {
            match row[column].as_str() {
                "" => assert!(got[key].is_null(), "{}", what(key)),
                start => {
                    let from: f64 = got[key].as_str().unwrap().parse().unwrap();
                    assert!(
                        (from - start.parse::<f64>().unwrap()).abs() <= 6e-4,
                        "{}: {from}, table {start}",
                        what(key)
                    );
                }
            }
        }
        if !row["time_weighted_mean_c"].is_empty() {
            assert_near(number(&got, "mean_celsius"), cell(row, "time_weighted_mean_c"), 1e-11, &what("mean"));
        }
        checked += 1;
    }
    assert!(checked >= 6, "only {checked} rows");
}

#[test]
fn slope_is_that_of_scipy() {
    let folder = tempfile::tempdir().unwrap();
    let files = series_files(&folder, "robust-slope-series.csv");
    for row in table("robust-slope.csv") {
        let got = json(&["series", &files[&row["series_id"]]]);
        for (key, column) in [
            ("slope_kelvin_per_day", "theil_sen_per_day"),
            ("slope_low_kelvin_per_day", "low95_per_day"),
            ("slope_high_kelvin_per_day", "high95_per_day"),
        ] {
            assert_near(number(&got, key), cell(&row, column), 1e-9, &format!("{} {key}", row["series_id"]));
        }
    }
}

#[test]
fn lethality_is_that_of_forty_digits() {
    let folder = tempfile::tempdir().unwrap();
    let mut profiles = BTreeMap::<String, Vec<(f64, String)>>::new();
    let mut kinds = BTreeMap::new();
    for row in table("pathogen-lethality-profiles.csv") {
        kinds.insert(row["case_id"].clone(), row["kind"].clone());
        let at = cell(&row, "duration_s_or_t_s");
        profiles.entry(row["case_id"].clone()).or_default().push((at, row["temp_c"].clone()));
    }
    let mut checked = 0;
    for row in table("pathogen-lethality.csv") {
        let profile = &profiles[&row["case_id"]];
        // Corners of lines are readings as they are; a hold of one step is two readings of one temperature.
        let corners = match (kinds[&row["case_id"]].as_str(), profile.as_slice()) {
            ("linear", corners) => corners.to_vec(),
            (_, [(length, celsius)]) => vec![(0.0, celsius.clone()), (*length, celsius.clone())],
            _ => continue,
        };
        let rows: String = corners.iter().map(|(at, celsius)| format!("{at},{celsius}\n")).collect();
        let file = written(&folder, "profile.csv", format!("measured_at,value\n{rows}"));
        let got = json(&["lethality", &file, "--gap-max", "1000d"]);
        for (key, column) in [("fraction", "fraction"), ("fraction_with_floor", "fraction_floor20min")] {
            assert_near(number(&got, key), cell(&row, column), 1e-12, &format!("{} {key}", row["case_id"]));
        }
        assert!(got["note"].as_str().unwrap().contains("never proof of compliance"));
        checked += 1;
    }
    assert!(checked >= 4, "only {checked} cases");
}

#[test]
fn required_time_is_that_of_forty_digits() {
    for row in table("pathogen-required-time.csv").iter().filter(|row| (50.0..=100.0).contains(&cell(row, "t_c"))) {
        let got = json(&["d-time", "--celsius", &row["t_c"]]);
        for (key, column) in [("equation_days", "d_days"), ("required_days", "d_floor20min_days")] {
            assert_near(number(&got, key), cell(row, column), 1e-12, &format!("{key} at {}", row["t_c"]));
        }
    }
}

#[test]
fn dry_air_has_no_dew_point_and_still_the_rest() {
    let got = json(&["air", "--celsius", "20", "--relative-humidity-fraction", "0"]);
    assert!(got["dew_point_celsius"].is_null());
    assert_eq!(number(&got, "humidity_ratio"), 0.0);
}

#[test]
fn units_of_the_us_give_the_same_answers() {
    let metric =
        json(&["air", "--celsius", "60", "--relative-humidity-fraction", "0.55", "--elevation-metres", "304.8"]);
    let us = json(&["air", "--celsius", "140F", "--relative-humidity-fraction", "55%", "--elevation-metres", "1000ft"]);
    assert_eq!(metric, us);
    let shown = calc(&["air", "--celsius", "60", "--relative-humidity-fraction", "0.55", "--units", "us"]).1;
    assert!(shown.contains("140.0 °F"), "{shown}");
}

const GOOD: &str = "measured_at,value\n2026-03-10T00:00:00Z,50\n2026-03-10T00:30:00Z,56\n2026-03-10T01:00:00Z,58\n";

#[test]
fn files_are_read_however_a_spreadsheet_wrote_them() {
    let folder = tempfile::tempdir().unwrap();
    let want = json(&["series", &written(&folder, "good.csv", GOOD)]);
    assert_eq!(number(&want, "covered_seconds"), 3_600.0);
    for (name, text, args, why) in [
        ("crlf", GOOD.replace('\n', "\r\n"), &[][..], "CRLF"),
        ("bom", format!("\u{feff}{GOOD}"), &[], "a byte order mark"),
        ("end", GOOD.trim_end().to_owned(), &[], "no newline at the end"),
        (
            "order",
            "value,measured_at,note\n50,2026-03-10T01:00:00+01:00,\n\"56\", 2026-03-10T00:30:00Z ,\"a, b\"\n58,2026-03-10T01:00:00Z,\n".into(),
            &[],
            "columns in another order, quotes, blanks, offsets, a column more",
        ),
        (
            "readings",
            "measured_at,probe,quantity,value,unit\n2026-03-10T00:00:00Z,p1,temperature,50,Cel\n2026-03-10T00:10:00Z,p1,oxygen,12,%\n2026-03-10T00:30:00Z,p1,temperature,56,Cel\n2026-03-10T01:00:00Z,p1,temperature,58,Cel\n".into(),
            &[],
            "what `readings --csv` writes of one probe",
        ),
        (
            "probes",
            "measured_at,probe,quantity,value,unit\n2026-03-10T00:00:00Z,p1,temperature,122,[degF]\n2026-03-10T00:00:00Z,p2,temperature,12,Cel\n2026-03-10T00:30:00Z,p1,temperature,56,Cel\n2026-03-10T01:00:00Z,p1,temperature,58,Cel\n".into(),
            &["--probe", "p1"],
            "one of several probes, one row in Fahrenheit",
        ),
    ] {
        let file = written(&folder, &format!("{name}.csv"), text);
        let got = json(&[&["series", &file][..], args].concat());
        assert_eq!(got, want, "{name}: {why}");
    }
}

#[test]
fn a_file_that_is_no_series_is_refused_with_its_line() {
    let folder = tempfile::tempdir().unwrap();
    let rows = |rows: &str| format!("measured_at,value\n{rows}").into_bytes();
    for (name, text, want) in [
        ("empty", Vec::new(), "empty.csv:1: the row has no column `measured_at`, only nothing"),
        ("no-rows", rows(""), "the series holds no reading"),
        ("one", rows("0,50\n"), "single"),
        ("unsorted", rows("0,50\n600,51\n300,52\n"), "unsorted.csv:4: reading 3"),
        ("twice", rows("0,50\n600,51\n600,52\n"), "twice.csv:4: readings 2 and 3 are both at"),
        ("nan", rows("0,50\n600,NaN\n"), "nan.csv:3:"),
        ("inf", rows("0,50\n600,inf\n"), "inf.csv:3:"),
        ("word", rows("0,50\n600,warm\n"), "word.csv:3: the row has `warm` for a value"),
        (
            "comma",
            rows("0,50\n600,\"51,5\"\n"),
            "comma.csv:3: the row has `51,5` for a value; write a number with a point",
        ),
        ("short", rows("0,50\n600\n"), "short.csv:3: the row has 1 cells where the headings have 2"),
        (
            "far",
            rows("0,50\n1e300,51\n"),
            "far.csv:3: the row has the time `1e300`, outside -4102444800 to 4102444800 seconds",
        ),
        ("nan-time", rows("0,50\nNaN,51\n"), "nan-time.csv:3: the row has the time `NaN`"),
        (
            "local",
            rows("2026-03-10 06:00,50\n"),
            "local.csv:2: the row has the time `2026-03-10 06:00` without its offset",
        ),
        ("mixed", rows("0,50\n2026-03-10T06:00:00Z,50\n"), "mixed.csv:3: the row has its time in another form"),
        (
            "no-time",
            b"when,value\n0,50\n".to_vec(),
            "no-time.csv:1: the row has no column `measured_at`, only `when`, `value`",
        ),
        ("twice-named", b"measured_at,value,value\n0,1,2\n".to_vec(), "names the column `value` twice"),
        ("binary", b"measured_at,value\n0,50\n\xff\xfe,1\n".to_vec(), "binary.csv:3: the row is not UTF-8"),
        (
            "probes",
            b"measured_at,probe,value\n0,p1,50\n0,p2,50\n".to_vec(),
            "readings of `p1`, `p2`; choose one with --probe",
        ),
        ("unit", b"measured_at,value,unit\n0,50,%\n".to_vec(), "unit.csv:2: the row has the unit `%`"),
        ("hot", rows("0,50\n600,2000000000000000\n"), "hot.csv:3:"),
    ] {
        let file = written(&folder, &format!("{name}.csv"), text);
        let (code, said, complained) = calc(&["series", &file]);
        assert_eq!((code, said.as_str()), (65, ""), "{name}: {complained}");
        assert!(complained.contains(want), "{name}: {complained}");
    }
    let (code, _, complained) = calc(&["series", "demo-data/probe.csv", "--probe", "p1"]);
    assert_eq!(code, 65);
    assert!(complained.contains("there is no probe `p1`; the file has no column `probe`"), "{complained}");
    let boiling = written(&folder, "boiling.csv", rows("0,50\n600,130\n"));
    let (code, _, complained) = calc(&["lethality", &boiling]);
    assert_eq!(code, 65, "{complained}");
    assert!(complained.contains("130"), "{complained}");
}

const AIR: [&str; 5] = ["air", "--celsius", "20", "--relative-humidity-fraction", "0.5"];
const WATER: &str = "water --volume-cubic-metres 2.5 --wet-mass-kilograms 1300 --moisture-fraction 0.6 --bed-celsius 60 \
                     --days 5 --inlet-celsius 5 --flow-cubic-metres-per-hour 76 --duty-fraction 0.1";

#[test]
fn arguments_of_which_nothing_can_be_computed_are_refused_with_the_range() {
    let water: Vec<&str> = WATER.split_whitespace().collect();
    let duty = "duty --degradable-kilograms 350 --rate-per-day 0.06 --bed-celsius 60 --leaving-oxygen-fraction 0.12 \
                --inlet-celsius 10 --inlet-relative-humidity-fraction 0.7 --blower-cubic-metres-per-hour 76";
    let duty: Vec<&str> = duty.split_whitespace().collect();
    for (base, flag, value, want) in [
        (&AIR[..], "--relative-humidity-fraction", "1.4", "relative humidity of 1.4 is outside 0 to 1"),
        (&AIR, "--relative-humidity-fraction", "-0.1", "outside 0 to 1"),
        (&AIR, "--celsius", "250", "-100 to 200"),
        (&AIR, "--celsius", "nan", "does not begin with a number"),
        (&AIR, "--celsius", "60gal", "`gal` is not a unit of temperature; use C, F or K"),
        (&AIR, "--celsius", "warm", "does not begin with a number"),
        (&AIR, "--pascals", "5", "outside"),
        (&AIR, "--pascals", "60F", "is not a unit of air pressure"),
        (&AIR, "--elevation-metres", "20000", "outside"),
        (&duty, "--degradable-kilograms", "-5", "outside 0 to"),
        (&duty, "--leaving-oxygen-fraction", "0.3", "outside"),
        (&duty, "--bed-celsius", "5", "does not cool a bed of 5 °C"),
        (&duty, "--wall-watts", "9kW", "outside 0 to the"),
        (&water, "--wet-mass-kilograms", "-1300", "outside 1 to"),
        (&water, "--moisture-fraction", "1", "outside 0.05 to 0.95"),
        (&water, "--moisture-fraction", "110%", "outside 0.05 to 0.95"),
        (&water, "--bed-celsius", "120", "outside 0 to 95"),
        (&water, "--days", "1e9", "outside 0 to 36525 d"),
        (&water, "--days", "-1", "outside 0 to 36525 d"),
        (&water, "--watered", "70L", "does not say when"),
        (&water, "--watered", "70L@9d", "comes after the 5 d"),
        (&water, "--goal-fraction", "0.99", "outside 0.05 to 0.9"),
        (&water, "--duty-fraction", "1.5", "outside 0 to 1"),
    ] {
        let mut args = base.to_vec();
        match args.iter().position(|arg| *arg == flag) {
            Some(place) => args[place + 1] = value,
            None => args.extend([flag, value]),
        }
        let (code, said, complained) = calc(&args);
        assert_eq!((code, said.as_str()), (64, ""), "{flag} {value}: {complained}");
        assert!(complained.contains(want), "{flag} {value}: {complained}");
    }
}

#[test]
fn a_blower_that_is_too_small_is_an_answer() {
    let args = "duty --degradable-kilograms 350 --rate-per-day 0.06 --bed-celsius 60 --leaving-oxygen-fraction 0.12 \
                --inlet-celsius 10 --inlet-relative-humidity-fraction 0.7 --blower-cubic-metres-per-hour 10";
    let args: Vec<&str> = args.split_whitespace().collect();
    let got = json(&args);
    assert_eq!(got["blower_is_enough"], false);
    assert_near(
        number(&got, "heat_duty_fraction"),
        number(&got, "heat_flow_cubic_metres_per_hour") / 10.0,
        1e-12,
        "duty",
    );
    assert!(calc(&args).1.contains("The blower is too small"));
}

#[test]
fn water_from_a_file_of_one_temperature_is_that_of_the_temperature() {
    let folder = tempfile::tempdir().unwrap();
    let rows: String = (0..=120).map(|hour| format!("{},60\n", hour * 3_600)).collect();
    let file = written(&folder, "bed.csv", format!("measured_at,value\n{rows}"));
    let given: Vec<&str> = WATER.split_whitespace().collect();
    let mut from_file = given.clone();
    let place = from_file.iter().position(|arg| *arg == "--bed-celsius").unwrap();
    from_file.splice(place..place + 4, [file.as_str()]);
    let (given, from_file) = (json(&given), json(&from_file));
    assert_eq!(given, from_file);

    // In a gap the bed may have been as cold as ever, so that less water left than over a line that bridges the gap.
    let celsius = |hour: i32| if hour == 9 { 20 } else { 60 };
    let hours = (0..=120).filter(|hour| !(24..110).contains(hour));
    let gap: String = hours.map(|hour| format!("{},{}\n", hour * 3_600, celsius(hour))).collect();
    let file = written(&folder, "gap.csv", format!("measured_at,value\n{gap}"));
    let mut args: Vec<&str> = WATER.split_whitespace().collect();
    args.splice(place..place + 4, [file.as_str()]);
    let removed = |gap_max| number(&json(&[&args[..], &["--gap-max", gap_max]].concat()), "water_removed_kilograms");
    let (unknown, bridged) = (removed("1h"), removed("4d"));
    assert!(unknown < bridged - 10.0, "{unknown} kg against {bridged} kg");
}
