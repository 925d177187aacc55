//! Reads criteria from their texts, and joins those that name others.
//!
//! Must never let a contradiction pass, and never stop at the first fault.

use std::collections::BTreeMap;

use pile::time::Span;
use pile::units::{Celsius, Metres, converted};

use super::{
    Beside, Counting, Course, Criterion, Demand, Exhaust, Floor, Hold, Lab, LabBound, LabLimit, Need, SYSTEMS, System,
    Turnings, TurningsWhen, Zone,
};
use crate::model::Position;
use crate::settings::Fault;
use crate::settings::fault::{Faults, Place, suggestion};
use crate::settings::node::{self, Kind, Node};
use crate::settings::section::{Item, Section};

const EMPTY: (&str, &str) =
    ("the criterion is empty", "begin with a copy of config/criteria/site-own.yaml and change it to your permit");
const KEYS: [&str; 35] = [
    "id",
    "title",
    "jurisdiction",
    "regulation",
    "section",
    "edition",
    "asks",
    "confirmed",
    "confidence",
    "written_for",
    "superseded",
    "rows",
    "systems",
    "any_of",
    "hold",
    "peak",
    "mean_celsius_above",
    "mean_fahrenheit_above",
    "turnings",
    "reheat",
    "process_days_min",
    "after_any_of",
    "zones",
    "exhaust",
    "gap_minutes_max",
    "readings_per_day_min",
    "calibration_days_max",
    "cover_metres",
    "cover_inches",
    "carbon_to_nitrogen",
    "particle_millimetres_max",
    "curing",
    "lab",
    "retention_years",
    "notes",
];
/// What a criterion by others leaves to them.
const OF_A_COURSE: [&str; 12] = [
    "hold",
    "peak",
    "mean_celsius_above",
    "mean_fahrenheit_above",
    "turnings",
    "reheat",
    "process_days_min",
    "after_any_of",
    "zones",
    "exhaust",
    "readings_per_day_min",
    "calibration_days_max",
];
const HOLD_KEYS: [&str; 10] = [
    "celsius_min",
    "celsius_above",
    "fahrenheit_min",
    "fahrenheit_above",
    "celsius_max",
    "fahrenheit_max",
    "hours",
    "days",
    "counting",
    "interruption_hours_max",
];
const LAB_KEYS: [&str; 5] = ["parameter", "below", "at_most", "absent", "unit"];
/// No pile is colder or hotter.
const CELSIUS: std::ops::RangeInclusive<f64> = 0.0..=100.0;
const METRES_PER_INCH: f64 = 0.0254;
/// The longest time between two readings, where a criterion names none (ours, no source).
const GAP: Span = Span::minutes(120);
/// The zones of a pile, in which a probe is in the material.
const ZONES: [(&str, Position); 3] = [("base", Position::Base), ("core", Position::Core), ("upper", Position::Upper)];

/// A criterion whose references are not resolved yet.
struct Draft {
    criterion: Criterion,
    any_of: Vec<(String, Place)>,
    after: Vec<(String, Place)>,
    path: String,
}

pub(super) fn read<'t>(
    base: BTreeMap<String, Criterion>,
    texts: impl IntoIterator<Item = (&'t str, &'t str, &'t str)>,
) -> Result<BTreeMap<String, Criterion>, Vec<Fault>> {
    let mut all = base;
    let mut drafts: BTreeMap<String, Draft> = BTreeMap::new();
    let mut found: Vec<Fault> = Vec::new();
    for (name, text, path) in texts {
        let root = match node::parse(text, path, EMPTY) {
            Ok(root) => root,
            Err(fault) => {
                found.push(fault);
                continue;
            }
        };
        let mut faults = Faults::new(path);
        let draft = draft(&root, name, path, &mut faults);
        if let Some(draft) = &draft
            && all.contains_key(&draft.criterion.id)
        {
            faults.add(
                root.at,
                format!("there is a criterion `{}` already", draft.criterion.id),
                "give yours an id and a file name of its own: what ships is never replaced without a trace",
            );
        }
        match draft {
            Some(draft) if faults.is_empty() => {
                drafts.insert(draft.criterion.id.clone(), draft);
            }
            _ => found.extend(faults.in_order()),
        }
    }
    let known: Vec<String> = all.keys().chain(drafts.keys()).cloned().collect();
    // Those that stand alone come first, so that the others find them.
    let (alone, by_others): (Vec<Draft>, Vec<Draft>) =
        drafts.into_values().partition(|d| d.any_of.is_empty() && d.after.is_empty());
    all.extend(alone.into_iter().map(|d| (d.criterion.id.clone(), d.criterion)));
    let mut joined = Vec::new();
    for mut draft in by_others {
        let mut faults = Faults::new(&draft.path);
        let mut find = |names: &[(String, Place)]| -> Vec<Criterion> {
            let found = names.iter().filter_map(|(id, at)| {
                let there = all.get(id);
                if there.is_none() {
                    let (what, remedy) = if known.contains(id) {
                        (format!("criterion `{id}` names others itself"), "name those one by one".into())
                    } else {
                        (format!("there is no criterion `{id}`"), suggestion(id, known.iter().map(String::as_str)))
                    };
                    faults.add(*at, what, remedy);
                }
                there.cloned()
            });
            found.collect()
        };
        let (any_of, after) = (find(&draft.any_of), find(&draft.after));
        match &mut draft.criterion.demand {
            Demand::Course(course) => course.after_any_of = after,
            demand => *demand = Demand::AnyOf(any_of),
        }
        if faults.is_empty() { joined.push(draft.criterion) } else { found.extend(faults.in_order()) }
    }
    all.extend(joined.into_iter().map(|c| (c.id.clone(), c)));
    if found.is_empty() { Ok(all) } else { Err(found) }
}

fn draft(root: &Node, name: &str, path: &str, faults: &mut Faults) -> Option<Draft> {
    let top = Section::open(root, "the criterion", &KEYS, faults)?;
    let text = |key: &str, add: &str, faults: &mut Faults| {
        top.required(key, add, faults).and_then(|item| item.text(faults)).map(str::to_owned)
    };
    let maybe =
        |key: &str, faults: &mut Faults| top.optional(key).and_then(|item| item.text(faults)).map(str::to_owned);
    let id = text("id", "the name of the file without `.yaml`, such as `id: site-own`", faults);
    if let (Some(id), Some(item)) = (&id, top.optional("id"))
        && id != name
    {
        faults.add(
            item.node.at,
            format!("{} is `{}`, but the file is called {name}", item.label, node::shortened(id)),
            "give both the same name",
        );
    }
    let title = text("title", "what people call it, such as `title: Permit condition 14`", faults);
    let jurisdiction = text("jurisdiction", "where it holds, such as `jurisdiction: site`", faults);
    let regulation = text("regulation", "where it is written, such as `regulation: Permit SW-0412`", faults);
    let section = text("section", "the place in it, such as `section: condition 14`", faults);
    let edition = text("edition", "the edition that was read, such as `edition: issued 2025-03-01`", faults);
    let asks = text("asks", "in words what it asks", faults);
    let confirmed = text(
        "confirmed",
        "how sure it is, such as `confirmed: read in the permit`, or `not checked against the official text`",
        faults,
    );
    let confidence = maybe("confidence", faults);
    let written_for = maybe("written_for", faults);
    let superseded = maybe("superseded", faults);
    let systems = systems(&top, faults);
    let rows = words(&top, "rows", faults).into_iter().map(|(id, _)| id).collect();
    let any_of = words(&top, "any_of", faults);
    let after = words(&top, "after_any_of", faults);
    let notes = words(&top, "notes", faults).into_iter().map(|(text, _)| text).collect();
    let beside = beside(&top, faults);
    let demand = if top.has("any_of") {
        for key in OF_A_COURSE {
            top.refuse(
                key,
                "stands beside `any_of`",
                "leave the course of temperatures to the criteria named there",
                faults,
            );
        }
        if any_of.len() < 2 {
            faults.add(top.at, "`any_of` names fewer than two criteria", "name those of which one is enough");
        }
        Some(Demand::AnyOf(Vec::new()))
    } else {
        course(&top, faults).map(|course| Demand::Course(Box::new(course)))
    };
    let confirmed = match (confirmed, confidence) {
        (Some(confirmed), Some(confidence)) => Some(format!("{confirmed} (confidence: {confidence})")),
        (confirmed, _) => confirmed,
    };
    let criterion = Criterion {
        id: id?,
        title: title?,
        jurisdiction: jurisdiction?,
        citation: format!("{}, {}", regulation?, section?),
        edition: edition?,
        asks: asks?,
        confirmed: confirmed?,
        written_for,
        rows,
        superseded,
        systems: systems?,
        demand: demand?,
        beside,
        notes,
        place: faults.place(root.at),
    };
    Some(Draft { criterion, any_of, after, path: path.into() })
}

/// Texts of a list with their places.
fn words(section: &Section<'_>, key: &str, faults: &mut Faults) -> Vec<(String, Place)> {
    let nodes = section.list(key, faults);
    let texts = nodes.iter().filter_map(|node| {
        let item = Item { node, label: format!("an entry of `{key}`") };
        Some((item.text(faults)?.to_owned(), node.at))
    });
    texts.collect()
}

fn systems(top: &Section<'_>, faults: &mut Faults) -> Option<Vec<System>> {
    let item =
        top.required("systems", "`systems: [aerated-static-pile]`, `in-vessel`, `windrow`, or several", faults)?;
    let nodes = item.list(faults);
    let read: Vec<Option<System>> = nodes
        .iter()
        .map(|node| Item { node, label: "an entry of `systems`".into() }.choice(&SYSTEMS, faults))
        .collect();
    read.into_iter().collect()
}

fn course(top: &Section<'_>, faults: &mut Faults) -> Option<Course> {
    let add = "`hold: { celsius_min: 55, days: 3, counting: consecutive }`";
    let hold_item = top.required("hold", add, faults)?;
    let read = hold(&hold_item, faults);
    let peak = top.optional("peak").map(|item| (hold(&item, faults), item.node.at));
    let reheat = top.optional("reheat").map(|item| hold(&item, faults));
    let mean = temperature(top, "mean_celsius_above", "mean_fahrenheit_above", faults);
    let turnings = top.optional("turnings").map(|item| turnings(&item, faults));
    let process = days(top, "process_days_min", faults);
    let calibration = days(top, "calibration_days_max", faults);
    let gap = match top.optional("gap_minutes_max") {
        Some(item) => item.number(1.0..=14_400.0, "min", faults).map(|min| Span::from_seconds_f64(min * 60.0)),
        None => Some(GAP),
    };
    let readings = top.optional("readings_per_day_min").map(|item| item.whole(1..=86_400, "a day", faults));
    let exhaust = match top.optional("exhaust") {
        Some(item) => item.choice(&[("never", Exhaust::Never), ("with-suction", Exhaust::WithSuction)], faults),
        None => Some(Exhaust::Never),
    };
    let zones: Vec<Zone> = top.list("zones", faults).iter().filter_map(|node| zone(node, faults)).collect();
    if top.required("zones", "where a valid probe is required, such as `zones: [{ position: core }]`", faults).is_some()
        && zones.is_empty()
    {
        faults.add(top.at, "`zones` names no zone", "name at least one: without a probe nothing can be judged");
    }
    let hold = read?;
    if let Some((Some(peak), at)) = &peak {
        if peak.floor.celsius() < hold.floor.celsius() {
            faults.add(
                *at,
                "`peak` is below the temperature of `hold`",
                "swap them: the peak is the hotter of the two",
            );
        }
        if peak.length > hold.length {
            faults.add(*at, "`peak` lasts longer than `hold`", "it lies inside the hold: correct one of the two");
        }
    }
    if let Some(mean) = mean
        && mean.0 < hold.floor.celsius()
    {
        faults.add(
            top.at,
            "the mean asked for is below the floor of `hold`",
            "a mean is never below its floor: correct one",
        );
    }
    if top.has("reheat") && !top.has("turnings") {
        faults.add(
            top.at,
            "`reheat` asks for something after a turning, but none is asked for",
            "add `turnings: { min: 1 }`",
        );
    }
    Some(Course {
        hold,
        peak: peak.map_or(Some(None), |(p, _)| p.map(Some))?,
        mean_above: mean,
        turnings: turnings.map_or(Some(None), |t| t.map(Some))?,
        reheat: reheat.map_or(Some(None), |r| r.map(Some))?,
        process,
        after_any_of: Vec::new(),
        zones,
        exhaust: exhaust?,
        gap: gap?,
        readings_per_day: readings.flatten().and_then(|n| u32::try_from(n).ok()),
        calibration,
    })
}

fn hold(item: &Item<'_>, faults: &mut Faults) -> Option<Hold> {
    let section = Section::open(item.node, &item.label, &HOLD_KEYS, faults)?;
    let at_least = temperature(&section, "celsius_min", "fahrenheit_min", faults);
    let above = temperature(&section, "celsius_above", "fahrenheit_above", faults);
    let floor = match (at_least, above) {
        (Some(limit), None) => Some(Floor::AtLeast(limit)),
        (None, Some(limit)) => Some(Floor::Above(limit)),
        (Some(_), Some(_)) => {
            faults.add(section.at, format!("{} has a limit that counts and one that does not", item.label), "keep one");
            None
        }
        (None, None) => {
            if !HOLD_KEYS[..4].iter().any(|key| section.has(key)) {
                let remedy = "add `celsius_min: 55` where 55 itself counts, `celsius_above: 55` where it does not; or fahrenheit_";
                faults.add(section.at, format!("{} has no temperature", item.label), remedy);
            }
            None
        }
    };
    let ceiling = temperature(&section, "celsius_max", "fahrenheit_max", faults);
    if let (Some(floor), Some(ceiling)) = (floor, ceiling)
        && floor.celsius() >= ceiling.0
    {
        faults.add(
            section.at,
            format!("{}: the upper limit {} °C is not above the lower {} °C", item.label, ceiling.0, floor.celsius()),
            "swap or correct them: no reading could lie between",
        );
    }
    let hours = section.optional("hours").map(|item| item.number(0.01..=17_520.0, "h", faults));
    let days = section.optional("days").map(|item| item.number(0.001..=730.0, "d", faults));
    let length = match (hours, days) {
        (Some(hours), None) => hours.map(|h| Span::from_seconds_f64(h * 3_600.0)),
        (None, Some(days)) => days.map(|d| Span::from_seconds_f64(d * 86_400.0)),
        (Some(_), Some(_)) => {
            faults.add(section.at, format!("{} has hours and days", item.label), "keep one: a day is 24 h");
            None
        }
        (None, None) => {
            if !section.has("hours") && !section.has("days") {
                faults.add(section.at, format!("{} has no length", item.label), "add `days: 3` or `hours: 72`");
            }
            None
        }
    };
    let word = match section.optional("counting") {
        Some(item) => {
            item.choice(&[("consecutive", 0), ("cumulative", 1), ("as-contiguous", 2), ("unspecified", 3)], faults)
        }
        None => Some(3),
    };
    let interruption = section.optional("interruption_hours_max").map(|item| item.number(0.0..=240.0, "h", faults));
    let counting = match (word?, interruption) {
        (2, Some(hours)) => Counting::AsContiguous(Span::from_seconds_f64(hours? * 3_600.0)),
        (2, None) => {
            let remedy =
                "add `interruption_hours_max: 24`: how long an interruption may last without beginning the count again";
            faults.add(section.at, format!("{} does not say what is contiguous", item.label), remedy);
            return None;
        }
        (_, Some(_)) => {
            let remedy = "remove it, or write `counting: as-contiguous`";
            faults.add(section.at, format!("{}: `interruption_hours_max` means nothing here", item.label), remedy);
            return None;
        }
        (0, None) => Counting::Consecutive,
        (1, None) => Counting::Cumulative,
        _ => Counting::Unspecified,
    };
    Some(Hold { floor: floor?, ceiling, length: length?, counting })
}

/// A temperature in °C, or in °F and then converted: 131 °F is 55 °C exactly.
fn temperature(section: &Section<'_>, celsius: &str, fahrenheit: &str, faults: &mut Faults) -> Option<Celsius> {
    match (section.optional(celsius), section.optional(fahrenheit)) {
        (Some(_), Some(second)) => {
            let remedy = format!("keep one of `{celsius}` and `{fahrenheit}`");
            faults.add(second.node.at, format!("{} stands beside `{celsius}`", second.label), remedy);
            None
        }
        (Some(item), None) => item.number(CELSIUS, "°C", faults).map(Celsius),
        (None, Some(item)) => item.number(32.0..=212.0, "°F", faults).map(Celsius::from_fahrenheit),
        (None, None) => None,
    }
}

fn days(section: &Section<'_>, key: &str, faults: &mut Faults) -> Option<Span> {
    let days = section.optional(key)?.number(0.01..=3_660.0, "d", faults)?;
    Some(Span::from_seconds_f64(days * 86_400.0))
}

fn turnings(item: &Item<'_>, faults: &mut Faults) -> Option<Turnings> {
    let keys = ["min", "apart_days_min", "when", "recovery_hours_max"];
    let section = Section::open(item.node, &item.label, &keys, faults)?;
    let least = section.required("min", "`min: 5`", faults).and_then(|item| item.whole(1..=100, "", faults));
    let apart = days(&section, "apart_days_min", faults).unwrap_or(Span::ZERO);
    let when = match section.optional("when") {
        Some(item) => item.choice(
            &[
                ("hot", TurningsWhen::Hot),
                ("hold", TurningsWhen::Hold),
                ("process", TurningsWhen::Process),
                ("after-each-hold", TurningsWhen::AfterEachHold),
            ],
            faults,
        ),
        None => Some(TurningsWhen::Hot),
    };
    let recovery = section.optional("recovery_hours_max").map(|item| item.number(0.0..=72.0, "h", faults));
    let recovery = recovery.map_or(Some(0.0), |hours| hours)?;
    Some(Turnings {
        least: usize::try_from(least?).unwrap_or(usize::MAX),
        apart,
        when: when?,
        recovery: Span::from_seconds_f64(recovery * 3_600.0),
    })
}

fn zone(node: &Node, faults: &mut Faults) -> Option<Zone> {
    let keys =
        ["position", "depth_metres_min", "depth_metres_max", "depth_inches_min", "depth_inches_max", "below_cover"];
    let section = Section::open(node, "a zone", &keys, faults)?;
    let position = section.required("position", "`position: base`, `core` or `upper`", faults);
    let position = position.and_then(|item| item.choice(&ZONES, faults));
    let mut depth = |metric: &str, us: &str| {
        section.metric_or_us((metric, 0.0..=10.0, "m"), (us, METRES_PER_INCH, "in"), faults).map(Metres)
    };
    let depth_min = depth("depth_metres_min", "depth_inches_min");
    let depth_max = depth("depth_metres_max", "depth_inches_max");
    if let (Some(least), Some(most)) = (depth_min, depth_max)
        && least.0 > most.0
    {
        faults.add(section.at, "a zone is deeper at least than at most", "swap the two depths");
    }
    let below_cover = section.optional("below_cover").map(|item| item.truth(faults));
    Some(Zone { position: position?, depth_min, depth_max, below_cover: below_cover.flatten().unwrap_or(false) })
}

fn beside(top: &Section<'_>, faults: &mut Faults) -> Beside {
    let inches = pair(top, "cover_inches", 0.0, 80.0, faults)
        .map(|(least, most)| (converted(least * METRES_PER_INCH), converted(most * METRES_PER_INCH)));
    Beside {
        carbon_to_nitrogen: pair(top, "carbon_to_nitrogen", 1.0, 1_000.0, faults),
        cover_metres: pair(top, "cover_metres", 0.0, 2.0, faults).or(inches),
        particle_millimetres_max: top
            .optional("particle_millimetres_max")
            .and_then(|item| item.number(0.1..=10_000.0, "mm", faults)),
        curing: top.optional("curing").and_then(|item| item.choice(&[("required", true)], faults)).unwrap_or(false),
        lab: top.optional("lab").and_then(|item| lab(&item, faults)),
        retention_years: top.optional("retention_years").and_then(|item| item.number(0.1..=100.0, "years", faults)),
    }
}

/// A lower and an upper end, both included.
fn pair(section: &Section<'_>, key: &str, low: f64, high: f64, faults: &mut Faults) -> Option<(f64, f64)> {
    let item = section.optional(key)?;
    let nodes = item.list(faults);
    let read: Vec<f64> = nodes
        .iter()
        .filter_map(|node| Item { node, label: item.label.clone() }.number(low..=high, "", faults))
        .collect();
    match read[..] {
        [least, most] if least <= most && nodes.len() == 2 => Some((least, most)),
        _ => {
            if let Kind::List(_) = &item.node.kind {
                faults.add(
                    item.node.at,
                    format!("{} is no range", item.label),
                    "write its lower and its upper end: [25, 40]",
                );
            }
            None
        }
    }
}

fn lab(item: &Item<'_>, faults: &mut Faults) -> Option<Lab> {
    let section = Section::open(item.node, &item.label, &["need", "limits"], faults)?;
    let need = match section.optional("need") {
        Some(item) => item.choice(&[("any", Need::Any), ("all", Need::All)], faults),
        None => Some(Need::All),
    };
    let limits: Vec<LabLimit> =
        section.list("limits", faults).iter().filter_map(|node| lab_limit(node, faults)).collect();
    if limits.is_empty() {
        let remedy = "add `limits:` with an entry such as `- { parameter: Salmonella, below: 3, unit: \"MPN/4 g total solids\" }`";
        faults.add(section.at, format!("{} has no limit", item.label), remedy);
    }
    Some(Lab { need: need?, limits })
}

fn lab_limit(node: &Node, faults: &mut Faults) -> Option<LabLimit> {
    let section = Section::open_named(node, "laboratory limit", "parameter", &LAB_KEYS, faults)?;
    let text = |key: &str, add: &str, faults: &mut Faults| {
        section.required(key, add, faults).and_then(|item| item.text(faults)).map(str::to_owned)
    };
    let parameter = text("parameter", "what is measured, such as `parameter: Salmonella`", faults);
    let unit = text("unit", "its unit, such as `unit: \"MPN/g total solids\"`", faults);
    let bound = |key: &str, faults: &mut Faults| section.optional(key).map(|item| item.number(0.0..=1e12, "", faults));
    let (below, at_most) = (bound("below", faults), bound("at_most", faults));
    let absent = section.optional("absent").map(|item| item.truth(faults));
    let limit = match (below, at_most, absent) {
        (Some(limit), None, None) => limit.map(LabBound::Below),
        (None, Some(limit), None) => limit.map(LabBound::AtMost),
        (None, None, Some(_)) => Some(LabBound::Absent),
        _ => {
            faults.add(
                section.at,
                format!("{} needs one bound", section.called),
                "give one of `below`, `at_most` and `absent: true`",
            );
            None
        }
    };
    Some(LabLimit { parameter: parameter?, limit: limit?, unit: unit? })
}
