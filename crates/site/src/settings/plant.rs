//! Blowers, bins and probes, and who refers to whom.
//!
//! Must never let one id name two instruments, nor one instrument stand in two bins.

use std::collections::BTreeMap;

use pile::time::Span;
use pile::units::{CubicMetres, CubicMetresPerHour, Kelvin, LitresPerMinute, Metres, Readable};

use crate::ids::{BinId, BlowerId, ProbeId, ValveId};
use crate::model::{
    Bin, Blower, BlowerRole, BlowerSchedule, Direction, Gateway, GatewayStatus, POSITIONS, Position, Probe, Process,
    RunProof, SYSTEMS, TopicMap,
};
use crate::quantity::Quantity;

use super::fault::{Faults, Place, listed, suggestion};
use super::node::{Kind, Node};
use super::section::{Item, Section};
use super::topics::{self, Patterns};

// The units are exact by definition: NIST SP 811 (2008) appendix B.8.
const CUBIC_METRES_PER_CUBIC_YARD: f64 = 0.764_554_857_984;
const CUBIC_METRES_PER_HOUR_PER_CFM: f64 = 1.699_010_795_52;
const LITRES_PER_US_GALLON: f64 = 3.785_411_784;
pub(super) const METRES_PER_FOOT: f64 = 0.304_8;

const BLOWER_KEYS: [&str; 7] = ["id", "role", "direction", "flow_m3_per_h", "flow_cfm", "schedule", "running"];
const ROLES: [(&str, BlowerRole); 2] = [("pile", BlowerRole::Pile), ("building_exhaust", BlowerRole::BuildingExhaust)];
const DIRECTIONS: [(&str, Direction); 2] = [("upward", Direction::Upward), ("suction", Direction::Suction)];
const GATEWAY_KEYS: [&str; 4] = ["id", "probes", "topic", "gone"];
const BIN_KEYS: [&str; 15] = [
    "id",
    "volume_m3",
    "volume_yd3",
    "height_metres",
    "height_feet",
    "blower",
    "flow_m3_per_h",
    "flow_cfm",
    "valve",
    "hose_l_per_min",
    "hose_gal_per_min",
    "system",
    "suction",
    "uncertainty_kelvin",
    "probes",
];
const PROBE_KEYS: [&str; 10] = [
    "id",
    "position",
    "depth_metres",
    "depth_feet",
    "every_seconds",
    "range_celsius",
    "power_on_85",
    "topic",
    "quantity",
    "unit",
];

/// The machines and instruments of the site.
#[derive(Debug, Default)]
pub(super) struct Plant {
    pub(super) blowers: BTreeMap<BlowerId, Blower>,
    pub(super) bins: BTreeMap<BinId, Bin>,
    pub(super) probes: BTreeMap<ProbeId, Probe>,
    pub(super) own_topics: Vec<TopicMap>,
    pub(super) devices: Devices,
}

/// Everything that sends readings, by id; also what is faulty otherwise, so that one fault does not breed others.
#[derive(Debug, Default)]
pub(super) struct Devices(BTreeMap<String, (Place, Home)>);

#[derive(Clone, Debug, PartialEq, Eq)]
enum Home {
    Blower,
    Bin(String),
    Site,
}

impl Devices {
    pub(super) fn knows(&self, id: &str) -> bool {
        self.0.contains_key(id)
    }

    pub(super) fn names(&self) -> impl Iterator<Item = &str> + '_ {
        self.0.keys().map(String::as_str)
    }

    fn add(&mut self, item: &Item<'_>, id: &str, home: Home, faults: &mut Faults) {
        let Some((first, other)) = self.0.get(id) else {
            self.0.insert(id.into(), (item.node.at, home));
            return;
        };
        let line = first.line;
        let (what, remedy) = match (other, &home) {
            (Home::Bin(one), Home::Bin(two)) if one != two => (
                format!("probe {id} stands in bin {two} and, on line {line}, in bin {one}"),
                "a probe is in one bin: remove one of the two, or give the second instrument an id of its own",
            ),
            (Home::Bin(bin), Home::Site) | (Home::Site, Home::Bin(bin)) => (
                format!(
                    "probe {id} stands in bin {bin} and among the probes of the whole site; the first is on line {line}"
                ),
                "keep one of the two, or give the second instrument an id of its own",
            ),
            (Home::Blower, Home::Blower) => (
                format!("blower {id} occurs twice, first on line {line}"),
                "give the second blower an id of its own, or remove it",
            ),
            (Home::Blower, _) | (_, Home::Blower) => (
                format!("{id} names a blower and a probe; the first is on line {line}"),
                "give one of them another id: blowers and probes share one list of names, because both send readings",
            ),
            _ => (
                format!("probe {id} occurs twice, first on line {line}"),
                "give the second instrument an id of its own, or remove it",
            ),
        };
        faults.add(item.node.at, what, remedy);
    }
}

/// Reads `blowers`, `bins` and `probes`.
pub(super) fn read(top: &Section<'_>, patterns: &mut Patterns, faults: &mut Faults) -> Plant {
    let mut plant = Plant::default();
    for node in top.list("blowers", faults) {
        if let Some(blower) = blower(node, &mut plant.devices, faults) {
            plant.blowers.insert(blower.id.clone(), blower);
        }
    }
    let bins =
        top.required("bins", "`bins:` with an entry for each bin, such as `- { id: north-1, volume_m3: 2.5 }`", faults);
    let bin_nodes = bins.as_ref().map_or(&[][..], |item| item.list(faults));
    if let Some(item) = bins.filter(|item| matches!(&item.node.kind, Kind::List(list) if list.is_empty())) {
        faults.add(item.node.at, "the site has no bin", "add an entry such as `- { id: north-1, volume_m3: 2.5 }`");
    }
    let mut seen: BTreeMap<String, Place> = BTreeMap::new();
    let mut valves: BTreeMap<String, Place> = BTreeMap::new();
    for node in bin_nodes {
        if let Some(bin) = bin(node, &mut plant, &mut seen, &mut valves, patterns, faults) {
            plant.bins.insert(bin.id.clone(), bin);
        }
    }
    for node in top.list("probes", faults) {
        if let Some(probe) = probe(node, None, &mut plant, patterns, faults) {
            plant.probes.insert(probe.id.clone(), probe);
        }
    }
    plant
}

/// Reads `gateways`.
pub(super) fn gateways(
    top: &Section<'_>,
    probes: &BTreeMap<ProbeId, Probe>,
    patterns: &Patterns,
    faults: &mut Faults,
) -> Vec<Gateway> {
    let mut seen: BTreeMap<String, Place> = BTreeMap::new();
    let mut homes: BTreeMap<ProbeId, String> = BTreeMap::new();
    let mut out = Vec::new();
    for node in top.list("gateways", faults) {
        let Some(section) = Section::open_named(node, "gateway", "id", &GATEWAY_KEYS, faults) else { continue };
        // Its name stands in mails and obeys the same rule as that of a bin.
        let id = section
            .required("id", "for example `id: gateway-1`", faults)
            .and_then(|item| item.id(BinId::new, faults))
            .map(|id| id.to_string());
        if let Some(id) = &id
            && let Some(first) = seen.insert(id.clone(), section.at)
        {
            faults.add(
                section.at,
                format!("gateway {id} occurs twice, first on line {}", first.line),
                "give the second gateway an id of its own, or remove it",
            );
        }
        let mut behind = Vec::new();
        if let Some(item) = section.required("probes", "the probes behind it, such as `probes: [north-1-core]`", faults)
        {
            for node in item.list(faults) {
                let item = Item { node, label: item.label.clone() };
                let Some(probe) = item.id(ProbeId::new, faults) else { continue };
                if !probes.contains_key(&probe) {
                    faults.add(
                        node.at,
                        format!("{} names `{probe}`, which is no probe", item.label),
                        "name probes that stand under `bins` or `probes`",
                    );
                } else if let Some(other) = homes.insert(probe.clone(), id.clone().unwrap_or_default()) {
                    faults.add(
                        node.at,
                        format!("probe {probe} is behind two gateways, also behind {other}"),
                        "leave it in one of the two lists",
                    );
                } else {
                    behind.push(probe);
                }
            }
        }
        let topic = section.optional("topic").and_then(|item| topics::read_plain_topic(&item, patterns, faults));
        let gone = section.optional("gone").map_or(Some("offline"), |item| item.text(faults));
        if section.has("gone") && !section.has("topic") {
            faults.add(
                section.at,
                format!("`gone` stands without `topic` in {}", section.called),
                "add the topic on which it is said",
            );
        }
        let status = topic.zip(gone).map(|(topic, gone)| GatewayStatus { topic, gone: gone.into() });
        out.extend(id.map(|id| Gateway { id, probes: behind, status }));
    }
    out
}

fn blower(node: &Node, devices: &mut Devices, faults: &mut Faults) -> Option<Blower> {
    let section = Section::open_named(node, "blower", "id", &BLOWER_KEYS, faults)?;
    let id_item = section.required("id", "for example `id: blower-1`", faults);
    let id = id_item.as_ref().and_then(|item| item.id(BlowerId::new, faults));
    if let (Some(item), Some(id)) = (&id_item, &id) {
        devices.add(item, id.as_str(), Home::Blower, faults);
    }
    let flow = section.metric_or_us(
        ("flow_m3_per_h", 1.0..=200_000.0, "m³/h"),
        ("flow_cfm", CUBIC_METRES_PER_HOUR_PER_CFM, "cfm"),
        faults,
    );
    if !section.has("flow_m3_per_h") && !section.has("flow_cfm") {
        faults.add(
            section.at,
            format!("`flow_m3_per_h` is missing in {}", section.called),
            "add what the blower delivers while it runs, such as `flow_m3_per_h: 150`, or `flow_cfm: 90`",
        );
    }
    let role = match section.optional("role") {
        Some(item) => item.choice(&ROLES, faults),
        None => Some(BlowerRole::Pile),
    };
    let direction = match section.optional("direction") {
        Some(item) => item.choice(&DIRECTIONS, faults),
        None => Some(Direction::Upward),
    };
    let schedule = section
        .required("schedule", "`schedule: continuous`, or `schedule: { on_seconds: 45, every_minutes: 30 }`", faults)
        .and_then(|item| schedule(&item, &section.called, faults));
    let running = match section.optional("running") {
        Some(item) => running(&item, &section.called, faults),
        // No signal is expected, so no interval either.
        None => Some((RunProof::ScheduledOnly, Span::ZERO)),
    };
    let (proof, interval) = running?;
    Some(Blower {
        id: id?,
        role: role?,
        direction: direction?,
        flow: CubicMetresPerHour(flow?),
        schedule: schedule?,
        proof,
        interval,
        place: faults.place(section.at),
    })
}

fn schedule(item: &Item<'_>, blower: &str, faults: &mut Faults) -> Option<BlowerSchedule> {
    if !matches!(item.node.kind, Kind::Map(_)) {
        if matches!(&item.node.kind, Kind::Text(text) if text == "continuous") {
            return Some(BlowerSchedule::Continuous);
        }
        faults.add(
            item.node.at,
            format!("{} is {}", item.label, item.node.kind.described()),
            "write `schedule: continuous`, or `schedule: { on_seconds: 45, every_minutes: 30 }`",
        );
        return None;
    }
    let called = format!("the schedule of {blower}");
    let section = Section::open(item.node, &called, &["on_seconds", "every_minutes"], faults)?;
    let on = section
        .required("on_seconds", "the on-time of each cycle, such as `on_seconds: 45`", faults)
        .and_then(|item| item.number(1.0..=86_400.0, "s", faults));
    let every = section
        .required("every_minutes", "the time from one start to the next, such as `every_minutes: 30`", faults)
        .and_then(|item| item.number(0.1..=1_440.0, "min", faults));
    let (on, every) = (Span::from_seconds_f64(on?), Span::from_seconds_f64(every? * 60.0));
    if on >= every {
        faults.add(
            section.at,
            format!("{called} runs {on} out of every {every}, which leaves no pause"),
            "make `on_seconds` shorter than `every_minutes`, or write `schedule: continuous`",
        );
        return None;
    }
    Some(BlowerSchedule::Pulses { on, every })
}

#[derive(Clone, Copy, PartialEq)]
enum By {
    Schedule,
    Counter,
    Signal(Quantity),
}

fn running(item: &Item<'_>, blower: &str, faults: &mut Faults) -> Option<(RunProof, Span)> {
    let called = format!("`running` of {blower}");
    let section = Section::open(item.node, &called, &["by", "every_seconds", "on_above"], faults)?;
    let options = [
        ("run_counter", By::Counter),
        ("current", By::Signal(Quantity::Current)),
        ("pressure", By::Signal(Quantity::Pressure)),
        ("flow", By::Signal(Quantity::Flow)),
        ("schedule", By::Schedule),
    ];
    let by = section
        .required("by", "`by: run_counter`, `current`, `pressure`, `flow`, or `schedule` where nothing tells", faults)
        .and_then(|item| item.choice(&options, faults))?;
    if by == By::Schedule {
        for key in ["every_seconds", "on_above"] {
            section.refuse(
                key,
                "describes a signal, and `by: schedule` has none",
                "remove it, or name the signal with `by`",
                faults,
            );
        }
        return Some((RunProof::ScheduledOnly, Span::ZERO));
    }
    let interval = section
        .required("every_seconds", "how often the signal is reported, such as `every_seconds: 300`", faults)
        .and_then(|item| every_seconds(&item, faults));
    let proof = match by {
        By::Signal(quantity) => section
            .required(
                "on_above",
                &format!("the {quantity} above which it runs, with its unit, such as {}", on_above_example(quantity)),
                faults,
            )
            .and_then(|item| on_above(&item, quantity, faults)),
        _ => {
            section.refuse("on_above", "is for a signal, and a run counter needs no limit", "remove it", faults);
            Some(RunProof::RunCounter)
        }
    };
    Some((proof?, interval?))
}

fn on_above_example(quantity: Quantity) -> &'static str {
    match quantity {
        Quantity::Pressure => "`on_above: \"150 Pa\"`",
        Quantity::Flow => "`on_above: \"50 m3/h\"`",
        _ => "`on_above: \"0.4 A\"`",
    }
}

fn on_above(item: &Item<'_>, quantity: Quantity, faults: &mut Faults) -> Option<RunProof> {
    let (value, unit) = item.number_with_unit(faults)?;
    let example = on_above_example(quantity);
    let Some(unit) = unit else {
        faults.add(
            item.node.at,
            format!("{} is {} without a unit", item.label, Readable(value)),
            format!("write it with its unit, such as {example}"),
        );
        return None;
    };
    let Some(canonical) = unit.to_canonical(quantity, value) else {
        faults.add(
            item.node.at,
            format!("{} is {} {}, which does not measure {quantity}", item.label, Readable(value), unit.sign()),
            format!("write it like {example}"),
        );
        return None;
    };
    let (low, high) = quantity.default_range();
    if !(low..=high).contains(&canonical) {
        let sign = quantity.unit().sign();
        faults.add(
            item.node.at,
            format!("{} is {} {}", item.label, Readable(value), unit.sign()),
            format!("give a value from {low} to {high} {sign}"),
        );
        return None;
    }
    Some(RunProof::Signal { quantity, on_above: canonical })
}

fn every_seconds(item: &Item<'_>, faults: &mut Faults) -> Option<Span> {
    item.number(1.0..=86_400.0, "s", faults).map(Span::from_seconds_f64)
}

fn bin(
    node: &Node,
    plant: &mut Plant,
    seen: &mut BTreeMap<String, Place>,
    valves: &mut BTreeMap<String, Place>,
    patterns: &mut Patterns,
    faults: &mut Faults,
) -> Option<Bin> {
    let section = Section::open_named(node, "bin", "id", &BIN_KEYS, faults)?;
    let id_item = section.required("id", "for example `id: north-1`", faults);
    let id = id_item.as_ref().and_then(|item| item.id(BinId::new, faults));
    if let (Some(item), Some(id)) = (&id_item, &id) {
        once(seen, item, id.as_str(), "bin", faults);
    }
    let volume = section.metric_or_us(
        ("volume_m3", 0.05..=10_000.0, "m³"),
        ("volume_yd3", CUBIC_METRES_PER_CUBIC_YARD, "yd³"),
        faults,
    );
    if !section.has("volume_m3") && !section.has("volume_yd3") {
        faults.add(
            section.at,
            format!("`volume_m3` is missing in {}", section.called),
            "add what the bin holds when full, such as `volume_m3: 2.5`, or `volume_yd3: 3.3`",
        );
    }
    let height =
        section.metric_or_us(("height_metres", 0.2..=20.0, "m"), ("height_feet", METRES_PER_FOOT, "ft"), faults);
    let flow = section.metric_or_us(
        ("flow_m3_per_h", 0.1..=100_000.0, "m³/h"),
        ("flow_cfm", CUBIC_METRES_PER_HOUR_PER_CFM, "cfm"),
        faults,
    );
    let hose = section.metric_or_us(
        ("hose_l_per_min", 0.1..=10_000.0, "L/min"),
        ("hose_gal_per_min", LITRES_PER_US_GALLON, "gal/min"),
        faults,
    );
    let blower_item = section.optional("blower");
    let blower = blower_item.as_ref().map(|item| item.id(BlowerId::new, faults));
    if let (Some(item), Some(Some(id))) = (&blower_item, &blower)
        && !matches!(plant.devices.0.get(id.as_str()), Some((_, Home::Blower)))
    {
        let names: Vec<&str> = plant
            .devices
            .0
            .iter()
            .filter(|(_, (_, home))| *home == Home::Blower)
            .map(|(name, _)| name.as_str())
            .collect();
        let remedy = if names.is_empty() {
            "add it under `blowers`, or remove the line".into()
        } else {
            suggestion(id.as_str(), names)
        };
        faults.add(item.node.at, format!("{} is `{id}`, but there is no such blower", item.label), remedy);
    }
    let valve_item = section.optional("valve");
    let valve = valve_item.as_ref().map(|item| item.id(ValveId::new, faults));
    if let (Some(item), Some(Some(valve))) = (&valve_item, &valve) {
        once(valves, item, valve.as_str(), "valve", faults);
    }
    let process = Process {
        system: section.optional("system").and_then(|item| item.choice(&SYSTEMS, faults)),
        suction: section.optional("suction").and_then(|item| item.truth(faults)),
        uncertainty: section
            .optional("uncertainty_kelvin")
            .and_then(|item| item.number(0.0..=10.0, "K", faults))
            .map(Kelvin),
    };
    let mut probes = Vec::new();
    for node in section.list("probes", faults) {
        // A bin whose own id is faulty still has its probes checked; the placeholder never leaves this function.
        let called = section.called.strip_prefix("bin ").unwrap_or("without an id");
        if let Some(probe) = probe(node, Some((called, id.as_ref())), plant, patterns, faults) {
            probes.push(probe.id.clone());
            plant.probes.insert(probe.id.clone(), probe);
        }
    }
    Some(Bin {
        id: id?,
        volume: CubicMetres(volume?),
        height: height.map(Metres),
        blower: blower.flatten(),
        valve: valve.flatten(),
        flow: flow.map(CubicMetresPerHour),
        hose: hose.map(LitresPerMinute),
        process,
        probes,
        place: faults.place(section.at),
    })
}

fn once(seen: &mut BTreeMap<String, Place>, item: &Item<'_>, id: &str, noun: &str, faults: &mut Faults) {
    match seen.get(id) {
        Some(first) => faults.add(
            item.node.at,
            format!("{noun} {id} occurs twice, first on line {}", first.line),
            format!("give the second {noun} an id of its own, or remove it"),
        ),
        None => {
            seen.insert(id.into(), item.node.at);
        }
    }
}

/// Reads one probe; `bin` is the bin's name for messages and, where it is valid, its id.
fn probe(
    node: &Node,
    bin: Option<(&str, Option<&BinId>)>,
    plant: &mut Plant,
    patterns: &mut Patterns,
    faults: &mut Faults,
) -> Option<Probe> {
    let section = Section::open_named(node, "probe", "id", &PROBE_KEYS, faults)?;
    let id_item = section.required("id", "for example `id: north-1-core`", faults);
    let id = id_item.as_ref().and_then(|item| item.id(ProbeId::new, faults));
    if let (Some(item), Some(id)) = (&id_item, &id) {
        let home = bin.map_or(Home::Site, |(name, _)| Home::Bin(name.into()));
        plant.devices.add(item, id.as_str(), home, faults);
    }
    let position = section.required("position", "where it sits, such as `position: core`", faults).and_then(|item| {
        let options: Vec<(&str, Position)> = POSITIONS.iter().map(|(position, key)| (*key, *position)).collect();
        let position = item.choice(&options, faults)?;
        if bin.is_none() && matches!(position, Position::Base | Position::Core | Position::Upper | Position::Cover) {
            faults.add(
                item.node.at,
                format!(
                    "{} is `{}`, which is a place in a pile, but the probe belongs to no bin",
                    item.label,
                    position.key()
                ),
                format!(
                    "move the probe under `probes` of its bin; for the whole site there are {}",
                    listed(["ambient", "room", "exhaust", "plenum"])
                ),
            );
            return None;
        }
        Some(position)
    });
    let depth = section.metric_or_us(("depth_metres", 0.0..=10.0, "m"), ("depth_feet", METRES_PER_FOOT, "ft"), faults);
    let interval = section
        .required("every_seconds", "how often it reports, such as `every_seconds: 300`", faults)
        .and_then(|item| every_seconds(&item, faults));
    let range = match section.optional("range_celsius") {
        Some(item) => range_celsius(&item, faults),
        None => Some(position.map_or(Quantity::Temperature.default_range(), Position::default_celsius)),
    };
    let power_on_85 = section.optional("power_on_85").map_or(Some(true), |item| item.truth(faults));
    let source = id.as_ref().map_or("", |id| id.as_str());
    let own_topic = topics::own_topic(&section, source, patterns, faults);
    let probe = Probe {
        id: id?,
        bin: match bin {
            Some((_, id)) => Some(id?.clone()),
            None => None,
        },
        position: position?,
        depth: depth.map(Metres),
        interval: interval?,
        range: range?,
        power_on_85: power_on_85?,
        place: faults.place(section.at),
    };
    plant.own_topics.extend(own_topic);
    Some(probe)
}

fn range_celsius(item: &Item<'_>, faults: &mut Faults) -> Option<(f64, f64)> {
    let nodes = item.list(faults);
    if !matches!(item.node.kind, Kind::List(_)) {
        return None;
    }
    let bounds: Vec<f64> = nodes
        .iter()
        .filter_map(|node| Item { node, label: item.label.clone() }.number(-100.0..=1_000.0, "°C", faults))
        .collect();
    match (nodes.len(), bounds[..].first(), bounds.get(1)) {
        (2, Some(low), Some(high)) if low < high => Some((*low, *high)),
        (2, Some(low), Some(high)) => {
            faults.add(
                item.node.at,
                format!("{} goes from {low} to {high} °C", item.label),
                "write the lower bound first, such as [-20, 120]",
            );
            None
        }
        (2, ..) => None,
        (n, ..) => {
            faults.add(
                item.node.at,
                format!("{} has {n} numbers, not two", item.label),
                "write the lowest and the highest temperature that the probe can measure, such as [-20, 120]",
            );
            None
        }
    }
}
