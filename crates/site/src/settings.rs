//! Settings text to a checked site, or to every fault in it at once.
//!
//! Must never stop at the first fault, and never open a file: the caller hands the text over.

mod advice;
mod criteria;
pub mod fault;
mod keep;
mod links;
pub mod node;
mod outlets;
mod people;
mod plant;
mod reports;
pub mod section;
mod topics;

use std::collections::BTreeMap;
use std::path::PathBuf;

use pile::units::Metres;

use crate::ids::BinId;
use crate::model::{Changed, Display, HeartbeatAddress, Reminder, RoundList, RuleSettings, Site};
use crate::zone::{TimeOfDay, WeeklyTime, Zone};

pub use advice::{Advice, advice, folded};
pub use fault::Fault;
pub use links::host_of;

use fault::{Faults, nearest};
use node::{Node, shortened};
use section::{Item, Section};

const KEYS: [&str; 22] = [
    "site",
    "data_folder",
    "broker",
    "topics",
    "blowers",
    "bins",
    "probes",
    "gateways",
    "mail",
    "people",
    "rules",
    "criteria",
    "criteria_folder",
    "sounder",
    "heartbeat",
    "round_list",
    "summary",
    "reports",
    "keep",
    "influx",
    "metrics",
    keep::FORMER_KEY,
];
const EMPTY: (&str, &str) = (
    "the settings are empty",
    "begin with a copy of the annotated example, config/site.yaml, and change it to your site",
);
const SITE_KEYS: [&str; 6] = ["id", "name", "zone", "units", "elevation_metres", "elevation_feet"];
const WEEKDAYS: [(&str, i8); 7] =
    [("monday", 1), ("tuesday", 2), ("wednesday", 3), ("thursday", 4), ("friday", 5), ("saturday", 6), ("sunday", 7)];

/// When the round list goes out and when the night before it begins, unless the settings say otherwise: common practice, no source.
const ROUND_LIST_DEFAULT: [TimeOfDay; 2] = [TimeOfDay { hour: 6, minute: 30 }, TimeOfDay { hour: 21, minute: 0 }];
/// When the weekly summary goes out unless the settings say otherwise.
const SUMMARY_DEFAULT: WeeklyTime = WeeklyTime { weekday: 1, hour: 7, minute: 0 };

/// Reads the settings text; `path` is how messages address it.
///
/// Paths in the settings are relative to the folder that the daemon is started in, except `mail.folder`, which is relative to
/// `data_folder`. No file is opened.
///
/// # Errors
/// Every fault in the text, in its order; a text that is not YAML gives one.
pub fn read(text: &str, path: &str) -> Result<Site, Vec<Fault>> {
    let root = node::parse(text, path, EMPTY).map_err(|fault| vec![fault])?;
    let mut faults = Faults::new(path);
    let found = site(&root, path, &mut faults);
    if let Some(url) = found.as_ref().and_then(plain_heartbeat)
        && !text.contains(url)
    {
        // Or it could not be kept out of the record.
        faults.add(
            root.at,
            "`url` in heartbeat is written with escapes or over several lines",
            "write it on one line as it is, or better into a file: `url_file: /path`",
        );
    }
    match found {
        Some(site) if faults.is_empty() => Ok(site),
        _ => {
            if faults.is_empty() {
                faults.add(
                    root.at,
                    "the settings could not be read, and the reason was lost",
                    "please report this with the file",
                );
            }
            Err(faults.in_order())
        }
    }
}

/// The text of the settings as it may go on record and into a recording: without an address of the heartbeat that stands in it.
pub fn without_secrets(text: &str, site: &Site) -> String {
    plain_heartbeat(site).map_or_else(|| text.to_owned(), |url| text.replace(url, KEPT_OUT))
}

/// What stands in the place of the heartbeat's address; an address as well, so that the settings of a recording can be read.
const KEPT_OUT: &str = "https://kept-out.invalid";

fn plain_heartbeat(site: &Site) -> Option<&str> {
    match site.heartbeat.as_ref().map(|heartbeat| &heartbeat.address) {
        Some(HeartbeatAddress::Plain(url)) => Some(url),
        _ => None,
    }
}

fn site(root: &Node, path: &str, faults: &mut Faults) -> Option<Site> {
    let top = Section::open(root, "the settings", &KEYS, faults)?;
    let about = about(&top, faults);
    let data_folder = links::data_folder(&top, faults);
    let site_id = about.as_ref().map(|about| about.id.as_str());
    let broker = links::broker(&top, site_id, faults);
    let broker_alarm_after = links::broker_alarm_after(&top, faults);
    let mut patterns = topics::Patterns::default();
    let mut plant = plant::read(&top, &mut patterns, faults);
    let entries = top.list("topics", faults);
    let mut topics = topics::read(entries, &plant.devices, &mut patterns, faults);
    topics.append(&mut plant.own_topics);
    let no_entry = match top.optional("topics") {
        Some(item) => matches!(&item.node.kind, node::Kind::List(list) if list.is_empty()),
        None => !top.has("topics"),
    };
    if no_entry && patterns.is_empty() {
        faults.add(
            top.at,
            "no topic is named, so no message would ever become a reading",
            "add `topics:` with an entry such as `- { topic: \"yard/{bin}/{probe}/temperature\", payload: number, source: \"{bin}-{probe}\", quantity: temperature, unit: Cel }`",
        );
    }
    let mail = links::mail(&top, data_folder.as_deref(), faults);
    let gateways = plant::gateways(&top, &plant.probes, &patterns, faults);
    let people = people::read(&top, &plant.bins, faults);
    let rules = rules(&top, faults);
    let criteria = criteria::read(&top, faults);
    let criteria_folder = top.optional("criteria_folder").and_then(|item| item.path(faults));
    let sounder = links::sounder(&top, &patterns, faults);
    let heartbeat = links::heartbeat(&top, faults);
    let summary = summary(&top, faults);
    let round_list = round_list(&top, faults);
    let display = about.as_ref().map_or(Display::Metric, |about| about.display);
    let reports = reports::read(&top, display, faults);
    let keep = keep::read(&top, faults);
    let influx = outlets::influx(&top, faults);
    let metrics = outlets::metrics(&top, faults);
    let about = about?;
    Some(Site {
        id: about.id,
        name: about.name,
        zone: about.zone,
        display: about.display,
        elevation: about.elevation,
        data_folder: data_folder?,
        broker: broker?,
        broker_alarm_after: broker_alarm_after?,
        topics,
        blowers: plant.blowers,
        bins: plant.bins,
        probes: plant.probes,
        mail: mail?,
        people,
        gateways,
        rules: rules?,
        criteria,
        keep: keep?,
        influx,
        metrics,
        reports: reports?,
        criteria_folder,
        sounder,
        heartbeat,
        summary: summary?,
        round_list: round_list?,
        settings_path: path.into(),
    })
}

struct About {
    id: String,
    name: String,
    zone: Zone,
    display: Display,
    elevation: Metres,
}

fn about(top: &Section<'_>, faults: &mut Faults) -> Option<About> {
    let add = "`site: { id: harrow-lane, name: Harrow Lane Yard, zone: Europe/Dublin, elevation_metres: 62 }`";
    let section = Section::open(top.required("site", add, faults)?.node, "site", &SITE_KEYS, faults)?;
    // The site's id obeys the same rule as a bin's: it stands in topics, subjects and file names.
    let id = section
        .required("id", "a short name, such as `id: harrow-lane`", faults)
        .and_then(|item| item.id(BinId::new, faults));
    let name = section
        .required("name", "the name as people say it, such as `name: Harrow Lane Yard`", faults)
        .and_then(|item| item.text(faults));
    let zone = section
        .required("zone", "the time zone, such as `zone: Europe/Dublin`", faults)
        .and_then(|item| zone(&item, faults));
    let display = match section.optional("units") {
        Some(item) => item.choice(&[("metric", Display::Metric), ("us", Display::Us)], faults),
        None => Some(Display::Metric),
    };
    // From the shore of the Dead Sea to above the highest town.
    let elevation = section.metric_or_us(
        ("elevation_metres", -430.0..=5_500.0, "m"),
        ("elevation_feet", plant::METRES_PER_FOOT, "ft"),
        faults,
    );
    if !section.has("elevation_metres") && !section.has("elevation_feet") {
        faults.add(
            section.at,
            "`elevation_metres` is missing in site",
            "add the height above sea level, such as `elevation_metres: 62`, or `elevation_feet: 200`: air pressure follows from it",
        );
    }
    Some(About {
        id: id?.as_str().into(),
        name: name?.into(),
        zone: zone?,
        display: display?,
        elevation: Metres(elevation?),
    })
}

fn zone(item: &Item<'_>, faults: &mut Faults) -> Option<Zone> {
    let text = item.text(faults)?;
    match Zone::named(text) {
        Ok(zone) => Some(zone),
        Err(_) => {
            let names = Zone::names();
            let remedy = match nearest(text, names.iter().map(String::as_str)) {
                Some(near) => format!("did you mean `{near}`?"),
                None => "write a name such as Europe/Dublin or America/Chicago; abbreviations like CET or EST do not know summer time".into(),
            };
            faults.add(
                item.node.at,
                format!("{} is `{}`, which is not a time zone of the IANA database", item.label, shortened(text)),
                remedy,
            );
            None
        }
    }
}

fn summary(top: &Section<'_>, faults: &mut Faults) -> Option<WeeklyTime> {
    let Some(item) = top.optional("summary") else { return Some(SUMMARY_DEFAULT) };
    let section = Section::open(item.node, "summary", &["weekday", "time"], faults)?;
    weekly_time(&section, SUMMARY_DEFAULT, faults)
}

/// The day and time of a section; what is left out is taken from `or`.
fn weekly_time(section: &Section<'_>, or: WeeklyTime, faults: &mut Faults) -> Option<WeeklyTime> {
    let weekday = match section.optional("weekday") {
        Some(item) => item.choice(&WEEKDAYS, faults),
        None => Some(or.weekday),
    };
    let time = match section.optional("time") {
        Some(item) => time_of_day(&item, faults),
        None => Some(TimeOfDay { hour: or.hour, minute: or.minute }),
    };
    let TimeOfDay { hour, minute } = time?;
    Some(WeeklyTime { weekday: weekday?, hour, minute })
}

fn round_list(top: &Section<'_>, faults: &mut Faults) -> Option<RoundList> {
    let [at, quiet_from] = ROUND_LIST_DEFAULT;
    let Some(item) = top.optional("round_list") else {
        return Some(RoundList { at, quiet_from, reminders: Vec::new() });
    };
    let section = Section::open(item.node, "round_list", &["time", "quiet_from", "reminders"], faults)?;
    let at = section.optional("time").map_or(Some(at), |item| time_of_day(&item, faults));
    let quiet_from = section.optional("quiet_from").map_or(Some(quiet_from), |item| time_of_day(&item, faults));
    let nodes = section.list("reminders", faults);
    let reminders: Vec<Reminder> = nodes.iter().filter_map(|node| reminder(node, faults)).collect();
    Some(RoundList { at: at?, quiet_from: quiet_from?, reminders })
}

fn reminder(node: &node::Node, faults: &mut Faults) -> Option<Reminder> {
    let section = Section::open(node, "a reminder", &["text", "weekdays"], faults)?;
    let text = section
        .required("text", "what is to be done, such as `text: \"drain the condensate trap\"`", faults)
        .and_then(|item| item.text(faults));
    let weekdays = match section.optional("weekdays") {
        None => WEEKDAYS.iter().map(|(_, day)| *day).collect(),
        Some(item) => {
            let nodes = item.list(faults);
            let days =
                nodes.iter().filter_map(|node| Item { node, label: item.label.clone() }.choice(&WEEKDAYS, faults));
            days.collect()
        }
    };
    Some(Reminder { text: text?.into(), weekdays })
}

fn time_of_day(item: &Item<'_>, faults: &mut Faults) -> Option<TimeOfDay> {
    let parsed = match &item.node.kind {
        node::Kind::Text(text) => text.split_once(':').and_then(|(hour, minute)| {
            let digits = |text: &str, max: i8| {
                (text.len() == 2 && text.bytes().all(|b| b.is_ascii_digit()))
                    .then(|| text.parse::<i8>().ok())
                    .flatten()
                    .filter(|value| *value <= max)
            };
            Some(TimeOfDay { hour: digits(hour, 23)?, minute: digits(minute, 59)? })
        }),
        _ => None,
    };
    if parsed.is_none() {
        faults.add(
            item.node.at,
            format!("{} must be a time of day, but is {}", item.label, item.node.kind.described()),
            "write hours and minutes from \"00:00\" to \"23:59\", two digits each, in quotes: without them some readers of YAML make a number of it",
        );
    }
    parsed
}

fn rules(top: &Section<'_>, faults: &mut Faults) -> Option<RuleSettings> {
    let mut rules = RuleSettings { folder: PathBuf::from("rules"), changed: BTreeMap::new() };
    let Some(item) = top.optional("rules") else { return Some(rules) };
    let section = Section::open(item.node, "rules", &["folder", "settings"], faults)?;
    let folder = section.optional("folder").map_or_else(|| Some(rules.folder.clone()), |item| item.path(faults));
    if let Some(item) = section.optional("settings")
        && let Some(by_rule) = Section::open_free(item.node, "the settings of rules", faults)
    {
        for (rule, item) in by_rule.items() {
            let called = format!("the settings of rule {}", shortened(rule));
            let Some(changes) = Section::open_free(item.node, &called, faults) else { continue };
            for (setting, item) in changes.items() {
                if let Some((value, unit)) = item.number_with_unit(faults) {
                    let place = faults.place(item.node.at);
                    rules
                        .changed
                        .entry(rule.into())
                        .or_default()
                        .insert(setting.into(), Changed { value, unit, place });
                }
            }
        }
    }
    rules.folder = folder?;
    Some(rules)
}
