//! The people who get mail: who they are, what reaches them, and when.
//!
//! Must never leave a person with a route that no mail could ever take without saying so.

use std::collections::BTreeMap;

use crate::ids::BinId;
use crate::model::{Bin, Calls, DutyTime, LeavesOut, Person, REPORT_SECTIONS};

use super::fault::{Faults, Place};
use super::node::{Node, shortened};
use super::section::{Item, Section};
use super::{WEEKDAYS, links, time_of_day};

const KEYS: [&str; 10] = [
    "name",
    "mail",
    "role",
    "gets",
    "leaves_out",
    "sections",
    "bins",
    "on_duty",
    "log_token_file",
    "log_token_credential",
];

#[derive(Clone, Copy, PartialEq)]
enum Gets {
    Alarms,
    HighAlarms,
    Unacknowledged,
    RoundList,
    Summary,
    Reviewed,
}

const GETS: [(&str, Gets); 6] = [
    ("alarms", Gets::Alarms),
    ("high_alarms", Gets::HighAlarms),
    ("unacknowledged", Gets::Unacknowledged),
    ("round_list", Gets::RoundList),
    ("summary", Gets::Summary),
    ("reviewed", Gets::Reviewed),
];

#[derive(Clone, Copy, PartialEq)]
enum Leaves {
    LowClears,
    QuietLists,
}

const LEAVES: [(&str, Leaves); 2] = [("low_clears", Leaves::LowClears), ("quiet_lists", Leaves::QuietLists)];

/// What a role gets, and whether it answers for the site.
const ROLES: [(&str, (&[Gets], bool)); 3] = [
    ("crew", (&[Gets::Alarms, Gets::RoundList], false)),
    ("owner", (&[Gets::HighAlarms, Gets::Unacknowledged, Gets::Summary], true)),
    ("reader", (&[Gets::Reviewed], false)),
];

/// Reads `people`.
pub(super) fn read(top: &Section<'_>, bins: &BTreeMap<BinId, Bin>, faults: &mut Faults) -> Vec<Person> {
    let mut seen: Vec<(&str, Place)> = Vec::new();
    top.list("people", faults).iter().filter_map(|node| person(node, bins, &mut seen, faults)).collect()
}

fn person<'t>(
    node: &'t Node,
    known: &BTreeMap<BinId, Bin>,
    seen: &mut Vec<(&'t str, Place)>,
    faults: &mut Faults,
) -> Option<Person> {
    let section = Section::open_named(node, "person", "name", &KEYS, faults)?;
    let name_item = section.required("name", "for example `name: Nora Quill`", faults);
    let name = name_item.as_ref().and_then(|item| item.text(faults));
    if let (Some(item), Some(name)) = (&name_item, name) {
        match seen.iter().find(|(have, _)| *have == name) {
            Some((_, first)) => faults.add(
                item.node.at,
                format!("person {} occurs twice, first on line {}", shortened(name), first.line),
                "give the second one a name that tells the two apart: the log names who did what",
            ),
            None => seen.push((name, item.node.at)),
        }
    }
    let mail = section
        .required("mail", "the address, such as `mail: \"nora@your.domain\"`", faults)
        .and_then(|item| links::address(&item, faults));
    let role: Option<(&[Gets], bool)> = section.optional("role").and_then(|item| item.choice(&ROLES, faults));
    let gets: Vec<Gets> = match section.optional("gets") {
        Some(item) => each(&item, faults).filter_map(|item| item.choice(&GETS, faults)).collect(),
        None => role.map_or(&[Gets::Alarms, Gets::RoundList, Gets::Summary][..], |(gets, _)| gets).to_vec(),
    };
    let bins = section.optional("bins").map(|item| {
        let ids = each(&item, faults).filter_map(|item| {
            let id = item.id(BinId::new, faults)?;
            if !known.contains_key(&id) {
                let all: Vec<&str> = known.keys().map(BinId::as_str).collect();
                faults.add(
                    item.node.at,
                    format!("{} names `{id}`, which is no bin", item.label),
                    format!("name bins of the settings: {}", all.join(", ")),
                );
            }
            Some(id)
        });
        ids.collect()
    });
    let on_duty = section
        .list("on_duty", faults)
        .iter()
        .filter_map(|node| {
            let section = Section::open(node, "a time on duty", &["weekdays", "from", "to"], faults)?;
            let weekdays = match section.optional("weekdays") {
                Some(item) => each(&item, faults).filter_map(|item| item.choice(&WEEKDAYS, faults)).collect(),
                None => WEEKDAYS.iter().map(|(_, day)| *day).collect(),
            };
            let from = section
                .required("from", "such as `from: \"06:00\"`", faults)
                .and_then(|item| time_of_day(&item, faults));
            let to =
                section.required("to", "such as `to: \"18:00\"`", faults).and_then(|item| time_of_day(&item, faults));
            Some(DutyTime { weekdays, from: from?, to: to? })
        })
        .collect();
    let sections = section.optional("sections").map(|item| {
        each(&item, faults)
            .filter_map(|item| item.choice(&REPORT_SECTIONS.map(|(section, key)| (key, section)), faults))
            .collect::<Vec<_>>()
    });
    let left_out: Vec<Leaves> = match section.optional("leaves_out") {
        Some(item) => each(&item, faults).filter_map(|item| item.choice(&LEAVES, faults)).collect(),
        None => Vec::new(),
    };
    let token = links::secret(&section, "log_token_file", "log_token_credential", faults);
    let has = |what| gets.contains(&what);
    if let (Some(item), false, false) = (section.optional("sections"), has(Gets::Summary), has(Gets::Reviewed)) {
        faults.add(
            item.node.at,
            format!("{} is about the weekly summary, which this person does not get", item.label),
            "add `summary` or `reviewed` to `gets`, or remove it",
        );
    }
    Some(Person {
        name: name?.into(),
        mail: mail?,
        owner: role.is_some_and(|(_, owner)| owner),
        calls: match (has(Gets::Alarms), has(Gets::HighAlarms)) {
            (true, _) => Calls::All,
            (false, true) => Calls::HighOnly,
            (false, false) => Calls::None,
        },
        unacknowledged: has(Gets::Unacknowledged),
        round_list: has(Gets::RoundList),
        leaves_out: LeavesOut {
            low_clears: left_out.contains(&Leaves::LowClears),
            quiet_lists: left_out.contains(&Leaves::QuietLists),
        },
        summary: has(Gets::Summary),
        reviewed: has(Gets::Reviewed),
        sections,
        token: token.ok()?,
        bins,
        on_duty,
    })
}

/// The items of a list, each called as the list is.
fn each<'t>(item: &Item<'t>, faults: &mut Faults) -> std::vec::IntoIter<Item<'t>> {
    let label = item.label.clone();
    let items: Vec<Item<'t>> = item.list(faults).iter().map(|node| Item { node, label: label.clone() }).collect();
    items.into_iter()
}
