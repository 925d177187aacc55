//! Sites for the tests and the bench of the decoder, made without settings text.
//!
//! Must never stand for a real site: only what the decoder looks at is filled with sense.

#![allow(dead_code, missing_docs, unreachable_pub, clippy::unwrap_used)]

use std::collections::BTreeMap;
use std::path::PathBuf;

use pile::time::Span;
use pile::units::{CubicMetresPerHour, Metres};
use site::ids::{BinId, BlowerId, ProbeId};
use site::model::{
    Blower, BlowerRole, BlowerSchedule, Broker, Display, Embedded, Field, Keep, Mail, Payload, Position, Probe,
    RoundList, RuleSettings, RunProof, Segment, Site, TopicMap, Transport,
};
use site::quantity::{Quantity, Unit};
use site::zone::{TimeOfDay, WeeklyTime, Zone};

/// The topics of [`with`] on which people acknowledge and write.
pub const OURS: [&str; 2] = ["hypocaust/yard/acknowledge", "hypocaust/yard/log"];

/// A site with these topics, probes and blowers.
pub fn with(topics: Vec<TopicMap>, probes: &[&str], blowers: &[&str]) -> Site {
    let place = String::from("site.yaml:1");
    let probe = |id: &&str| {
        let id = ProbeId::new(id).unwrap();
        let probe = Probe {
            id: id.clone(),
            bin: None,
            position: Position::Core,
            depth: None,
            interval: Span::minutes(1),
            range: (-20.0, 120.0),
            power_on_85: false,
            place: place.clone(),
        };
        (id, probe)
    };
    let blower = |id: &&str| {
        let id = BlowerId::new(id).unwrap();
        let blower = Blower {
            id: id.clone(),
            role: BlowerRole::Pile,
            direction: site::model::Direction::Upward,
            flow: CubicMetresPerHour(100.0),
            schedule: BlowerSchedule::Continuous,
            proof: RunProof::RunCounter,
            interval: Span::minutes(1),
            place: place.clone(),
        };
        (id, blower)
    };
    Site {
        id: "yard".into(),
        name: "The yard".into(),
        zone: Zone::named("Europe/Berlin").unwrap(),
        display: Display::Metric,
        elevation: Metres(0.0),
        data_folder: PathBuf::from("nowhere"),
        broker_alarm_after: Span::minutes(10),
        broker: Broker::Embedded(Embedded { listen: Some("127.0.0.1:0".parse().unwrap()), ..Embedded::default() }),
        topics,
        blowers: blowers.iter().map(blower).collect(),
        bins: BTreeMap::<BinId, _>::new(),
        probes: probes.iter().map(probe).collect(),
        mail: Mail {
            from: "yard@example.org".into(),
            domain: "example.org".into(),
            transport: Transport::Folder(PathBuf::from("nowhere")),
        },
        people: Vec::new(),
        gateways: Vec::new(),
        criteria: Vec::new(),
        criteria_folder: None,
        reports: Default::default(),
        keep: Keep::default(),
        influx: None,
        metrics: None,
        rules: RuleSettings::default(),
        sounder: None,
        heartbeat: None,
        summary: WeeklyTime { weekday: 1, hour: 6, minute: 0 },
        round_list: RoundList {
            at: TimeOfDay { hour: 6, minute: 0 },
            quiet_from: TimeOfDay { hour: 21, minute: 0 },
            reminders: Vec::new(),
        },
        settings_path: "site.yaml".into(),
    }
}

/// `site/{bin}/{probe}` becomes literals and captures.
pub fn pattern(text: &str) -> Vec<Segment> {
    text.split('/')
        .map(|level| match level.strip_prefix('{').and_then(|l| l.strip_suffix('}')) {
            Some(name) => Segment::Capture(name.into()),
            None => Segment::Literal(level.into()),
        })
        .collect()
}

/// A temperature in °C for `source`, at a pointer or as a plain number.
pub fn field(source: &str, value_at: Option<&str>) -> Field {
    Field {
        value_at: value_at.map(Into::into),
        unit_at: None,
        source: source.into(),
        quantity: Quantity::Temperature,
        unit: Unit::Celsius,
        optional: false,
    }
}

/// One plain number a topic.
pub fn plain(topic: &str, source: &str) -> TopicMap {
    TopicMap { pattern: pattern(topic), payload: Payload::Number(field(source, None)), place: "site.yaml:1".into() }
}

/// JSON with these values.
pub fn json(topic: &str, time: Option<&str>, fields: Vec<Field>) -> TopicMap {
    TopicMap {
        pattern: pattern(topic),
        payload: Payload::Json { time: time.map(Into::into), fields },
        place: "site.yaml:1".into(),
    }
}

/// 300 bins with eight probes each, in plain numbers and in packs.
pub fn large() -> Site {
    let ids: Vec<String> = (0..300).flat_map(|b| (0..8).map(move |p| format!("bin-{b}-core-{p}"))).collect();
    let ids: Vec<&str> = ids.iter().map(String::as_str).collect();
    let pack = (0..8).map(|p| field(&format!("{{bin}}-core-{p}"), Some(&format!("/t/{p}")))).collect();
    with(vec![json("packs/{bin}", Some("/ts"), pack), plain("site/{bin}/{probe}", "{bin}-{probe}")], &ids, &[])
}
