//! How long readings are kept.
//!
//! Must never shorten that by a default: what nobody asked to be taken out stays for ever.

use std::collections::BTreeMap;

use crate::model::Keep;
use crate::quantity::{QUANTITIES, Quantity};

use super::fault::{Faults, listed, nearest};
use super::node::shortened;
use super::section::{Item, Section};

/// What `keep.years` was called before version 0.2; still understood.
pub(super) const FORMER_KEY: &str = "keep_readings_years";
const KEYS: [&str; 2] = ["years", "years_of"];

/// Reads `keep`, or what it was called before.
pub(super) fn read(top: &Section<'_>, faults: &mut Faults) -> Option<Keep> {
    let former = top.optional(FORMER_KEY);
    let Some(item) = top.optional("keep") else {
        let Some(former) = former else { return Some(Keep::default()) };
        let years = Some(years(&former, faults)?);
        return Some(Keep { years, years_of: BTreeMap::new(), former_key: Some(faults.place(former.node.at)) });
    };
    if let Some(former) = former {
        faults.add(
            former.node.at,
            format!("{} is the former name of `years` in `keep`, which stands beside it", former.label),
            "remove it, and keep the number that is meant under `keep`",
        );
        return None;
    }
    let section = Section::open(item.node, "keep", &KEYS, faults)?;
    let all = match section.optional("years") {
        Some(item) => Some(years(&item, faults)?),
        None => None,
    };
    let mut years_of = BTreeMap::new();
    if let Some(item) = section.optional("years_of") {
        for (key, item) in Section::open_free(item.node, "years_of", faults)?.items() {
            let Some(quantity) = Quantity::from_key(key) else {
                let known = || QUANTITIES.iter().map(|(_, key)| *key);
                let remedy = match nearest(key, known()) {
                    Some(near) => format!("did you mean `{near}`?"),
                    None => format!("use one of {}", listed(known())),
                };
                faults.add(item.node.at, format!("`{}` in years_of is no quantity", shortened(key)), remedy);
                continue;
            };
            if let Some(years) = years(&item, faults) {
                years_of.insert(quantity, years);
            }
        }
    }
    Some(Keep { years: all, years_of, former_key: None })
}

fn years(item: &Item<'_>, faults: &mut Faults) -> Option<f64> {
    item.number(1.0..=100.0, "years", faults)
}
