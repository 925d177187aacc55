//! Do the criteria that ship say what the table of regulations says, and are faulty ones refused with their lines?
//!
//! Must never let a figure differ from its source without a word.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use site::criteria::{
    Counting, Course, Criteria, Criterion, Demand, Exhaust, Floor, LabBound, longest_retention_years,
};
use site::settings::Fault;

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

fn shipped() -> Criteria {
    let mut texts: Vec<(String, String)> = std::fs::read_dir(root().join("config/criteria"))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|e| e == "yaml"))
        .map(|path| (path.file_stem().unwrap().to_str().unwrap().to_owned(), std::fs::read_to_string(&path).unwrap()))
        .collect();
    texts.sort();
    let read = Criteria::read(Criteria::default(), texts.iter().map(|(n, t)| (n.as_str(), t.as_str(), n.as_str())));
    read.unwrap_or_else(|faults| panic!("{}", told(&faults)))
}

fn told(faults: &[Fault]) -> String {
    faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n")
}

/// The rows of a table whose first line names the source.
fn table(name: &str) -> Vec<BTreeMap<String, String>> {
    let text = std::fs::read_to_string(root().join("tests/reference/compliance").join(name)).unwrap();
    let mut lines = text.lines();
    assert!(lines.next().unwrap().starts_with("# source: "), "{name} names its source");
    let heads = cells(lines.next().unwrap());
    lines.map(|line| heads.iter().cloned().zip(cells(line)).collect()).collect()
}

/// The cells of a line of CSV.
fn cells(line: &str) -> Vec<String> {
    let (mut out, mut quoted) = (vec![String::new()], false);
    let mut letters = line.chars().peekable();
    while let Some(c) = letters.next() {
        match c {
            '"' if quoted && letters.peek() == Some(&'"') => {
                letters.next();
                out.last_mut().unwrap().push('"');
            }
            '"' => quoted = !quoted,
            ',' if !quoted => out.push(String::new()),
            c => out.last_mut().unwrap().push(c),
        }
    }
    out
}

fn course(criterion: &Criterion) -> Option<&Course> {
    match &criterion.demand {
        Demand::Course(course) => Some(course),
        Demand::AnyOf(_) => None,
    }
}

/// Rows of the table that no file carries, each with the reason.
const NOT_CARRIED: [(&str, &str); 6] = [
    ("us-state-asp-allparts", "it names no state"),
    ("us503-tt-A", "an equation, not a hold: `hypocaust calc lethality` works it out, for information only"),
    ("us503-tt-B", "not a compost pile"),
    ("us503-tt-C", "liquid sludge"),
    ("us503-tt-D", "liquid sludge"),
    ("nrcs317", "an operating range, not a rule that a batch is judged by"),
];

#[test]
fn every_row_of_the_table_is_carried_by_a_file_with_its_figures() {
    let criteria = shipped();
    let rows = table("pathogen-profiles.csv");
    let mut figures = 0;
    for row in &rows {
        let id = row["id"].as_str();
        let not_carried = NOT_CARRIED.iter().any(|(name, _)| *name == id);
        let carried = criteria.get(id).is_some() || criteria.iter().any(|c| c.rows.iter().any(|r| r == id));
        assert_eq!(carried, !not_carried, "{id}");
        let Some(criterion) = criteria.get(id) else { continue };
        let course = course(criterion).unwrap();
        let number = |key: &str| row[key].parse::<f64>().ok();
        assert_eq!(Some(course.hold.floor.celsius()), number("min_temp_C"), "{id}");
        assert_eq!(matches!(course.hold.floor, Floor::Above(_)), row["comparison"] == ">", "{id}: strict or not");
        // 170 °F is 76 and two thirds °C, of which the table has one decimal.
        let ceiling = course.hold.ceiling.map(|c| (c.0 * 10.0).round() / 10.0);
        assert_eq!(ceiling, number("max_temp_C"), "{id}: a band");
        assert!(course.hold.ceiling.is_none_or(|c| (c.fahrenheit() - 170.0).abs() < 1e-9), "{id}: the text has 170 °F");
        let seconds = match row["duration"].strip_prefix("PT").and_then(|h| h.strip_suffix('H')) {
            Some(hours) => hours.parse::<f64>().unwrap() * 3_600.0,
            None => row["duration"].trim_matches(['P', 'D']).parse::<f64>().unwrap() * 86_400.0,
        };
        assert_eq!(course.hold.length.as_seconds(), seconds, "{id}");
        let consecutive = match course.hold.counting {
            Counting::Consecutive => "yes",
            Counting::Cumulative => "no",
            Counting::Unspecified => "unspecified",
            Counting::AsContiguous(_) => "as contiguous as possible",
        };
        assert_eq!(consecutive, row["consecutive"], "{id}");
        assert_eq!(course.turnings.map(|t| t.least), row["min_turnings"].parse().ok(), "{id}: turnings");
        let confirmed = row["confirmed"].replace(" (no source text opened)", "");
        let confirmed = confirmed.replace("from memory", "not checked against the official text");
        assert_eq!(criterion.confirmed, format!("{confirmed} (confidence: {})", row["confidence"]), "{id}");
        assert_eq!(criterion.edition, row["source_citation"], "{id}");
        assert_eq!(criterion.citation, format!("{}, {}", row["regulation"], row["section"]), "{id}");
        assert_eq!(criterion.written_for.is_some(), id.starts_with("us503"), "{id}: 503 is written for sewage sludge");
        let superseded = row["regulation"].contains("superseded");
        assert_eq!(criterion.superseded.is_some(), superseded, "{id}");
        assert_eq!(criteria.selectable(id).is_err(), superseded, "{id}: kept, but not to be chosen");
        figures += 1;
    }
    assert!(figures >= 35, "only {figures} criteria were compared");
    let known: BTreeSet<&str> = rows.iter().map(|r| r["id"].as_str()).collect();
    for criterion in criteria.iter() {
        for row in &criterion.rows {
            assert!(known.contains(row.as_str()), "{}: there is no row {row}", criterion.id);
        }
        let joined = matches!(criterion.demand, Demand::AnyOf(_)) || criterion.id == "site-own";
        assert!(known.contains(criterion.id.as_str()) || joined, "{} is no row of the table", criterion.id);
    }
}

#[test]
fn what_rows_without_a_temperature_say_is_in_the_files_that_carry_them() {
    let criteria = shipped();
    let of = |id: &str| criteria.get(id).unwrap().clone();
    let course = |id: &str| course(&of(id)).unwrap().clone();
    assert_eq!(
        course("us503-psrp-compost").peak.unwrap().floor,
        Floor::Above(pile::units::Celsius(55.0)),
        "strictly above 55 for 4 h"
    );
    assert_eq!(course("us503-psrp-compost").peak.unwrap().length.as_hours(), 4.0);
    assert_eq!(course("us503-var5").mean_above.unwrap().0, 45.0);
    assert!(course("us503-var5").after_any_of.len() >= 3, "pathogen reduction comes before or with it");
    assert_eq!(of("nop-invessel-asp").beside.carbon_to_nitrogen, Some((25.0, 40.0)));
    assert_eq!(course("ca-windrow").readings_per_day, Some(1), "at least one reading a day");
    let zone = course("ca-asp").zones[0];
    assert_eq!((zone.depth_min.unwrap().0, zone.depth_max.unwrap().0), (0.3048, 0.4572));
    assert!(zone.below_cover, "counted from where the cover meets the compost");
    assert_eq!(of("ca-asp").beside.cover_metres, Some((0.1524, 0.3048)));
    assert_eq!(course("de-bioabfv-55").calibration.unwrap().as_days(), 365.0);
    assert_eq!(course("de-bioabfv-55").exhaust, Exhaust::Never, "only with permission");
    assert_eq!(course("fr-asp").exhaust, Exhaust::WithSuction, "with suction the mean of the extracted air");
    assert_eq!(course("fr-asp").reheat.unwrap().floor.celsius(), 50.0);
    assert_eq!(course("fr-windrow").turnings.unwrap().apart.as_days(), 3.0);
    assert_eq!(of("eu142-compost").beside.particle_millimetres_max, Some(12.0));
    assert!(of("fsma-static").beside.curing);
    for criterion in criteria.iter().filter(|c| c.id != "site-own") {
        let recovery = course_of(criterion).and_then(|c| c.turnings).map(|t| t.recovery.as_seconds());
        assert!(recovery.is_none_or(|r| r == 0.0), "{}: a recovery window is a permit's to grant", criterion.id);
    }
}

fn course_of(criterion: &Criterion) -> Option<Course> {
    course(criterion).cloned()
}

/// The two of 17868.3 and the metals of 17868.2, which are the ceilings of 40 CFR 503.13 Table 3 by another name.
const CALIFORNIA: [&str; 10] = [
    "ca-fecal",
    "ca-salm",
    "us503-t3-arsenic",
    "us503-t3-cadmium",
    "us503-t3-copper",
    "us503-t3-lead",
    "us503-t3-mercury",
    "us503-t3-nickel",
    "us503-t3-selenium",
    "us503-t3-zinc",
];

#[test]
fn laboratory_limits_and_retention_are_those_of_the_table_of_limits() {
    let criteria = shipped();
    let limits = table("limits.csv");
    for (id, rows) in [
        ("us503-pfrp-asp", &["us503-a-fecal", "us503-a-salm"][..]),
        ("ca-asp", &CALIFORNIA),
        ("ccme-asp", &["ccme-fecal", "ccme-salm"]),
        ("eu1009-cmc3", &["eu1009-salm", "eu1009-ecoli"]),
        ("de-bioabfv", &["de-salm", "de-seeds"]),
    ] {
        let lab = criteria.get(id).unwrap().beside.lab.clone().unwrap();
        assert_eq!(lab.limits.len(), rows.len(), "{id}");
        for (limit, row) in lab.limits.iter().zip(rows) {
            let row = limits.iter().find(|r| r["id"] == *row).unwrap();
            match limit.limit {
                LabBound::Below(most) => {
                    assert_eq!(("<", most.to_string()), (row["operator"].as_str(), row["limit"].clone()))
                }
                LabBound::AtMost(most) => {
                    assert_eq!(("<=", most.to_string()), (row["operator"].as_str(), row["limit"].clone()))
                }
                LabBound::Absent => assert!(["not detected", "absent"].contains(&row["operator"].as_str()), "{id}"),
            }
        }
    }
    let retention = |ids: &[&str]| longest_retention_years(ids.iter().map(|id| criteria.get(id).unwrap()));
    for (ids, row, want) in [
        (&["us503-pfrp-asp"][..], "us503-records", 5.0),
        (&["fsma-static"], "fsma-retention", 2.0),
        (&["nop-windrow"], "nop-retention", 5.0),
        (&["ca-asp"], "ca-records", 5.0),
        (&["de-bioabfv"], "de-rec-lab", 10.0),
        (&["fsma-static", "us503-pfrp-asp", "de-bioabfv-55"], "de-rec-lab", 10.0),
    ] {
        let row = limits.iter().find(|r| r["id"] == row).unwrap();
        assert_eq!(row["limit"].parse::<f64>().ok(), Some(want));
        assert_eq!(retention(ids), Some(want), "{ids:?}: the longest of them holds");
    }
}

const HEAD: &str = "id: own\ntitle: Own\njurisdiction: site\nregulation: Permit\nsection: condition 1\nedition: 2025\n\
    asks: \"Hot.\"\nconfirmed: read\nsystems: [windrow]\n";
const REST: &str = "hold: { celsius_min: 55, days: 3, counting: consecutive }\nzones: [{ position: core }]\n";

fn faults(text: &str) -> String {
    let read = Criteria::read(shipped(), [("own", text, "own.yaml")]);
    read.map_or_else(|faults| told(&faults), |_| String::new())
}

#[test]
fn a_faulty_criterion_is_refused_with_its_line_and_what_to_do() {
    let head = HEAD.replace("edition: 2025", "edition: \"2025\"");
    assert_eq!(faults(&format!("{head}{REST}")), "", "the text that the others are made from is good");
    for (text, want, why) in [
        (format!("{HEAD}{REST}"), "own.yaml:6: `edition` in the criterion must be text", "a number is no edition"),
        (
            format!("{head}{REST}holds: 3\n"),
            "own.yaml:12: unknown key `holds` in the criterion; did you mean `hold`?",
            "a slip",
        ),
        (
            format!("{head}zones: [{{ position: core }}]\n"),
            "`hold` is missing in the criterion; add `hold: {",
            "nothing to hold",
        ),
        (
            format!("{head}{}", REST.replace("celsius_min: 55,", "celsius_min: 76, celsius_max: 55,")),
            "own.yaml:10: `hold` in the criterion: the upper limit 55 °C is not above the lower 76 °C",
            "a contradiction",
        ),
        (
            format!("{head}{REST}peak: {{ celsius_above: 50, hours: 4 }}\n"),
            "`peak` is below the temperature of `hold`",
            "another contradiction",
        ),
        (
            format!("{head}{REST}peak: {{ celsius_above: 60, days: 4 }}\n"),
            "`peak` lasts longer than `hold`",
            "it lies inside",
        ),
        (
            format!("{head}{REST}mean_celsius_above: 45\n"),
            "the mean asked for is below the floor",
            "a mean is above its floor",
        ),
        (
            format!("{head}{}", REST.replace("celsius_min: 55", "celsius_min: 55, celsius_above: 55")),
            "has a limit that counts and one that does not; keep one",
            "strict or inclusive",
        ),
        (
            format!("{head}{}", REST.replace("celsius_min: 55", "celsius_min: 55, fahrenheit_min: 131")),
            "stands beside `celsius_min`; keep one",
            "one unit",
        ),
        (
            format!("{head}{}", REST.replace("consecutive", "as-contiguous")),
            "does not say what is contiguous; add `interruption_hours_max: 24`",
            "how contiguous",
        ),
        (
            format!("{head}{}", REST.replace("consecutive", "consecutve")),
            "is `consecutve`; did you mean `consecutive`?",
            "a slip in a word",
        ),
        (
            format!("{head}{}", REST.replace("days: 3", "days: 3, hours: 72")),
            "has hours and days; keep one: a day is 24 h",
            "two lengths",
        ),
        (
            format!("{head}{}", REST.replace("core", "plenum")),
            "`position` in a zone is `plenum`; use one of `base`, `core`, `upper`",
            "the air below the floor is not the pile",
        ),
        (format!("{head}{REST}any_of: [fr-asp, ca-asp]\n"), "stands beside `any_of`", "one or the other"),
        (
            format!("{head}any_of: [fr-asq, ca-asp]\n"),
            "there is no criterion `fr-asq`; did you mean `fr-asp`?",
            "a slip in a name",
        ),
        (format!("{head}any_of: [eu1009-cmc3, ca-asq]\n"), "did you mean `ca-asp`?", "those of others are found"),
        (
            format!("{head}{REST}reheat: {{ celsius_min: 50, hours: 24 }}\n"),
            "asks for something after a turning",
            "which turning",
        ),
        (format!("{head}{REST}").replace("id: own", "id: other"), "is `other`, but the file is called own", "one name"),
        (
            format!("{head}{REST}lab: {{ limits: [{{ parameter: Salmonella, unit: MPN }}] }}\n"),
            "needs one bound; give one of `below`, `at_most` and `absent: true`",
            "a limit without a number",
        ),
        (String::new(), "the criterion is empty; begin with a copy of config/criteria/site-own.yaml", "nothing"),
    ] {
        let said = faults(&text);
        assert!(said.contains(want), "{why}: {said}\n{text}");
    }
    let two = faults(&format!("{HEAD}{REST}holds: 3\n"));
    assert_eq!(two.lines().count(), 2, "all faults at once: {two}");
    let again = Criteria::read(
        shipped(),
        [("fr-asp", format!("{head}{REST}").replace("id: own", "id: fr-asp").as_str(), "fr-asp.yaml")],
    );
    assert!(told(&again.unwrap_err()).contains("there is a criterion `fr-asp` already"), "what ships is not replaced");
}

#[test]
fn an_id_that_is_not_there_is_answered_with_the_nearest() {
    let criteria = shipped();
    for (id, want) in [
        ("us503-pfrp-aps", "did you mean `us503-pfrp-asp`?"),
        ("de-bioabfv-1998-55", "is superseded and only kept to be read"),
        ("zzz", "`hypocaust criteria list` shows them"),
    ] {
        let said = criteria.selectable(id).unwrap_err();
        assert!(said.contains(want), "{id}: {said}");
    }
    let remark = criteria.get("us503-pfrp-asp").unwrap().standing_remark();
    assert!(remark.contains("your permit cites decides") && remark.contains("written for sewage sludge"), "{remark}");
    assert!(remark.contains("not a finding of compliance"), "{remark}");
}

/// How sure we are of a figure is a note for whoever mends it, and for nobody who inspects the site.
#[test]
fn nothing_that_is_printed_of_a_criterion_says_how_sure_we_are() {
    for criterion in shipped().iter() {
        let printed = [&criterion.id, &criterion.title, &criterion.citation, &criterion.edition, &criterion.asks];
        let more = criterion.notes.iter().chain(&criterion.written_for).chain(&criterion.superseded);
        for text in printed.into_iter().chain(more) {
            let text = text.to_lowercase();
            for word in ["from memory", "confidence", "official text", "not checked", "not opened"] {
                assert!(!text.contains(word), "{}: {text}", criterion.id);
            }
        }
    }
}

/// What the settings of a bin can never meet is told when they are checked, and not when the batch is over.
#[test]
fn a_criterion_that_a_bin_can_never_meet_is_told_with_what_to_do() {
    let criteria = shipped();
    let site = |bin: &str, probes: &str| {
        let text = format!(
            "site: {{ id: y, name: Y, zone: UTC, elevation_metres: 10 }}\nmail: {{ from: \"a@y.example\", folder: mail }}\n\
             topics: [{{ topic: \"y/{{p}}\", payload: number, source: \"{{p}}\", quantity: temperature, unit: Cel }}]\n\
             bins:\n  - {{ id: n, volume_m3: 2{bin}, probes: [{probes}] }}\n"
        );
        site::settings::read(&text, "site.yaml").unwrap_or_else(|faults| panic!("{faults:?}"))
    };
    let base = "{ id: a, position: base, depth_metres: 1, every_seconds: 300 }";
    let both = &format!("{base}, {{ id: b, position: core, depth_metres: 0.6, every_seconds: 300 }}");
    let slow = &format!("{base}, {{ id: b, position: core, every_seconds: 14400 }}");
    let upper = |depth: &str| format!("{{ id: u, position: upper{depth}, every_seconds: 300 }}");
    for (id, bin, probes, wanted, why) in [
        ("us503-pfrp-asp", "", both.as_str(), &[][..], "it has all that is asked for"),
        ("us503-pfrp-asp", "", base, &["a probe at core, and the bin has none; fit one"], "no probe in the core"),
        ("us503-pfrp-asp", "", slow, &["probe b reads every 4 h, and it bridges at most 2 h"], "too seldom"),
        (
            "us503-pfrp-windrow",
            "",
            both,
            &["it is written for a windrow, and the bin is an aerated static pile"],
            "another kind",
        ),
        ("us503-pfrp-windrow", ", system: windrow", both, &[], "the bin says so"),
        ("eu1009-cmc3", "", base, &["a probe at core"], "none of the four"),
    ] {
        let site = site(bin, probes);
        let said = site::criteria::never_met(criteria.get(id).unwrap(), &site, site.bins.values().next().unwrap());
        assert_eq!(said.len(), wanted.len(), "{id}: {why}: {said:?}");
        for (said, wanted) in said.iter().zip(wanted) {
            assert!(said.contains(wanted), "{id}: {why}: {said}");
        }
    }
    // Where the air is drawn out, its temperature may stand for all; here with readings too near each other for a hand.
    let mut french = criteria.get("fr-asp").unwrap().clone();
    if let Demand::Course(course) = &mut french.demand {
        course.gap = pile::time::Span::hours(2);
    }
    for (bin, wanted) in [(", suction: true", 0), (", suction: false", 2), ("", 2)] {
        let site = site(bin, "{ id: e, position: exhaust, every_seconds: 300 }");
        assert_eq!(
            site::criteria::never_met(&french, &site, site.bins.values().next().unwrap()).len(),
            wanted,
            "{bin}"
        );
    }
    // One reading a day is enough there, and somebody may take it by hand.
    let site_without = site("", &upper(""));
    let bin = site_without.bins.values().next().unwrap();
    assert!(site::criteria::never_met(criteria.get("ca-asp").unwrap(), &site_without, bin).is_empty());
    let told = site(", system: in-vessel, suction: true, uncertainty_kelvin: 0.5", base);
    let process = &told.bins.values().next().unwrap().process;
    assert_eq!(process.system, Some(site::criteria::System::InVessel));
    assert_eq!((process.suction, process.uncertainty.map(|k| k.0)), (Some(true), Some(0.5)));
    let bad =
        site::settings::read("bins: [{ id: n, volume_m3: 2, system: invessel, uncertainty_kelvin: 11 }]\n", "s.yaml")
            .unwrap_err();
    let bad: Vec<String> = bad.iter().map(ToString::to_string).collect();
    assert!(bad.iter().any(|b| b.contains("`system` in bin n is `invessel`; did you mean `in-vessel`?")), "{bad:?}");
    assert!(bad.iter().any(|b| b.contains("`uncertainty_kelvin` in bin n is 11")), "{bad:?}");
}
