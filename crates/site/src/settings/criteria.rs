//! The criteria that a site is judged by, with the condition of its permit.
//!
//! Must never grant a recovery window that no permit was named for.

use pile::time::Span;

use crate::model::Chosen;

use super::fault::{Faults, Place};
use super::node::{Node, shortened};
use super::section::Section;

const KEYS: [&str; 3] = ["id", "permit", "recovery_hours"];
/// No permit lets a pile be cold for longer than this after a turning (ours, no source).
const RECOVERY_HOURS_MAX: f64 = 72.0;

/// Reads `criteria`. Whether there is a criterion of each id is found out by whoever reads the criteria.
pub(super) fn read(top: &Section<'_>, faults: &mut Faults) -> Vec<Chosen> {
    let mut seen: Vec<(String, Place)> = Vec::new();
    top.list("criteria", faults).iter().filter_map(|node| chosen(node, &mut seen, faults)).collect()
}

fn chosen(node: &Node, seen: &mut Vec<(String, Place)>, faults: &mut Faults) -> Option<Chosen> {
    let section = Section::open_named(node, "criterion", "id", &KEYS, faults)?;
    let id = section
        .required("id", "the criterion, such as `id: us503-pfrp-asp`; `hypocaust criteria list` shows them", faults)
        .and_then(|item| item.text(faults));
    let permit = section.optional("permit").map(|item| item.text(faults));
    let recovery = section
        .optional("recovery_hours")
        .map(|item| (item.number(0.0..=RECOVERY_HOURS_MAX, "h", faults), item.node.at));
    if let (Some((_, at)), false) = (&recovery, section.has("permit")) {
        faults.add(
            *at,
            format!("{} grants time after a turning, but no permit is named that grants it", section.called),
            "add `permit:` with the condition in its own words, or remove `recovery_hours`",
        );
    }
    let id = id?;
    match seen.iter().find(|(have, _)| have == id) {
        Some((_, first)) => faults.add(
            node.at,
            format!("criterion {} is there twice, first on line {}", shortened(id), first.line),
            "keep one of the two",
        ),
        None => seen.push((id.into(), node.at)),
    }
    Some(Chosen {
        id: id.into(),
        permit: permit.flatten().map(str::to_owned),
        recovery: recovery.and_then(|(hours, _)| hours).map(|hours| Span::from_seconds_f64(hours * 3_600.0)),
        place: faults.place(node.at),
    })
}
