//! What is known of a batch beside readings and entries, read from a text.
//!
//! Must never guess what the text leaves out: it stays not on record.

use pile::time::Timestamp;
use pile::units::{Kelvin, Metres};

use super::{Check, Facts, LabResult};
use crate::criteria::SYSTEMS;
use crate::ids::ProbeId;
use crate::settings::Fault;
use crate::settings::fault::Faults;
use crate::settings::node::{self, Node};
use crate::settings::section::{Item, Section};
use crate::zone::{Zone, parse_instant};

const KEYS: [&str; 11] = [
    "system",
    "suction",
    "cover_metres",
    "cover_inches",
    "carbon_to_nitrogen",
    "particle_millimetres",
    "raw_added_at",
    "curing_from",
    "uncertainty_kelvin",
    "lab",
    "checks",
];
const EMPTY: (&str, &str) = (
    "the facts are empty",
    "write what is known of the batch, such as `carbon_to_nitrogen: 28`, or leave the file out",
);
const METRES_PER_INCH: f64 = 0.0254;

/// Reads the facts of a batch; `path` is how messages address the text, and times are by the site's clock or RFC 3339.
///
/// # Errors
/// Every fault in the text, in its order.
pub fn read_facts(text: &str, path: &str, zone: &Zone) -> Result<Facts, Vec<Fault>> {
    let root = node::parse(text, path, EMPTY).map_err(|fault| vec![fault])?;
    let mut faults = Faults::new(path);
    let facts = facts(&root, zone, &mut faults);
    match facts {
        Some(facts) if faults.is_empty() => Ok(facts),
        _ => Err(faults.in_order()),
    }
}

fn facts(root: &Node, zone: &Zone, faults: &mut Faults) -> Option<Facts> {
    let top = Section::open(root, "the facts of the batch", &KEYS, faults)?;
    let instant = |item: Item<'_>, faults: &mut Faults| time(&item, zone, faults);
    let raw: Vec<Timestamp> = top
        .list("raw_added_at", faults)
        .iter()
        .filter_map(|node| time(&Item { node, label: "an entry of `raw_added_at`".into() }, zone, faults))
        .collect();
    let lab: Vec<LabResult> =
        top.list("lab", faults).iter().filter_map(|node| lab_result(node, zone, faults)).collect();
    let mut checks: Vec<Check> =
        top.list("checks", faults).iter().filter_map(|node| check(node, zone, faults)).collect();
    checks.sort_by_key(|c| c.at);
    let number = |key: &str, low: f64, high: f64, unit: &str, faults: &mut Faults| {
        top.optional(key).and_then(|item| item.number(low..=high, unit, faults))
    };
    Some(Facts {
        system: top.optional("system").and_then(|item| item.choice(&SYSTEMS, faults)),
        suction: top.optional("suction").and_then(|item| item.truth(faults)).unwrap_or(false),
        cover: top
            .metric_or_us(("cover_metres", 0.0..=2.0, "m"), ("cover_inches", METRES_PER_INCH, "in"), faults)
            .map(Metres),
        carbon_to_nitrogen: number("carbon_to_nitrogen", 0.1, 1_000.0, "", faults),
        particle_millimetres: number("particle_millimetres", 0.1, 10_000.0, "mm", faults),
        raw_added: raw,
        curing_from: top.optional("curing_from").and_then(|item| instant(item, faults)),
        uncertainty: number("uncertainty_kelvin", 0.0, 10.0, "K", faults).map(Kelvin),
        lab,
        checks,
    })
}

fn time(item: &Item<'_>, zone: &Zone, faults: &mut Faults) -> Option<Timestamp> {
    let text = item.text(faults)?;
    match parse_instant(text, zone) {
        Ok(at) => Some(at),
        Err(what) => {
            faults.add(item.node.at, format!("{}: {what}", item.label), "put the time in quotes");
            None
        }
    }
}

fn lab_result(node: &Node, zone: &Zone, faults: &mut Faults) -> Option<LabResult> {
    let keys = ["parameter", "sampled_at", "value", "not_detected", "detectable", "unit", "laboratory"];
    let section = Section::open_named(node, "laboratory result", "parameter", &keys, faults)?;
    let text = |key: &str, add: &str, faults: &mut Faults| {
        section.required(key, add, faults).and_then(|item| item.text(faults)).map(str::to_owned)
    };
    let parameter = text("parameter", "what was measured, as the criterion calls it", faults);
    let laboratory = text("laboratory", "who measured it, such as `laboratory: County Lab`", faults);
    let unit = text("unit", "the unit, as the criterion writes it", faults);
    let sampled_at = section
        .required("sampled_at", "when the sample was taken, such as `sampled_at: \"2026-04-20 09:00\"`", faults)
        .and_then(|item| time(&item, zone, faults));
    let value = section.optional("value").map(|item| item.number(0.0..=1e15, "", faults));
    let none = section.optional("not_detected").and_then(|item| item.truth(faults)).unwrap_or(false);
    let value = match (value, none) {
        (Some(value), false) => Some(value?),
        (None, true) => None,
        _ => {
            faults.add(
                section.at,
                format!("{} needs one result", section.called),
                "give `value`, or `not_detected: true`",
            );
            return None;
        }
    };
    let detectable = section.optional("detectable").and_then(|item| item.number(0.0..=1e15, "", faults));
    Some(LabResult {
        detectable,
        sampled_at: sampled_at?,
        parameter: parameter?,
        value,
        unit: unit?,
        laboratory: laboratory?,
    })
}

fn check(node: &Node, zone: &Zone, faults: &mut Faults) -> Option<Check> {
    let section =
        Section::open_named(node, "check of probe", "probe", &["probe", "at", "passed", "correction_kelvin"], faults)?;
    let probe = section
        .required("probe", "which probe, such as `probe: north-1-core`", faults)
        .and_then(|item| item.id(ProbeId::new, faults));
    let at = section
        .required("at", "when, such as `at: \"2026-03-01 09:00\"`", faults)
        .and_then(|item| time(&item, zone, faults));
    let passed =
        section.required("passed", "`passed: true` or `passed: false`", faults).and_then(|item| item.truth(faults));
    let correction = section.optional("correction_kelvin").map(|item| item.number(-20.0..=20.0, "K", faults));
    Some(Check { at: at?, probe: probe?, passed: passed?, correction: Kelvin(correction.map_or(Some(0.0), |c| c)?) })
}
