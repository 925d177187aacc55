//! Piles for tests of the judge: series in shorthand, and criteria from the files that ship or from a line.
//!
//! Must never judge anything itself.

use std::path::Path;

use pile::time::{Span, Timestamp};
use pile::units::Metres;
use pile::window::Point;
use site::criteria::{Criteria, Criterion};
use site::entry::{Entry, EntryKind};
use site::ids::{BinId, ProbeId};
use site::judge::{Facts, History, ProbeHistory};
use site::model::{Display, Position};
use site::zone::Zone;

/// Monday 2026-03-09 00:00 UTC.
pub const START: Timestamp = Timestamp::from_millis(1_773_014_400_000);

pub fn at(hours: f64) -> Timestamp {
    START + Span::from_seconds_f64(hours * 3_600.0)
}

pub fn shipped() -> Criteria {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../config/criteria");
    let mut texts: Vec<(String, String)> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|e| e == "yaml"))
        .map(|path| (path.file_stem().unwrap().to_str().unwrap().to_owned(), std::fs::read_to_string(&path).unwrap()))
        .collect();
    texts.sort();
    Criteria::read(Criteria::default(), texts.iter().map(|(n, t)| (n.as_str(), t.as_str(), n.as_str()))).unwrap()
}

pub fn criterion(id: &str) -> Criterion {
    shipped().get(id).unwrap().clone()
}

/// A criterion of a line or more; one probe in the core is enough for it unless it says otherwise.
pub fn own(lines: &str) -> Criterion {
    let zones = if lines.contains("zones:") { "" } else { "zones: [{ position: core }]\n" };
    let text = format!(
        "id: own\ntitle: Own\njurisdiction: site\nregulation: Permit\nsection: condition 1\nedition: first\nasks: Hot.\n\
         confirmed: made for a test\nsystems: [in-vessel, aerated-static-pile, windrow]\n{zones}{lines}\n"
    );
    let read = Criteria::read(Criteria::default(), [("own", text.as_str(), "own.yaml")]);
    read.unwrap_or_else(|faults| panic!("{faults:?}\n{text}")).get("own").unwrap().clone()
}

/// `60*72 ?*3 50*2`: 60 °C for 72 h, nothing for 3 h, 50 °C for 2 h; a reading every ten minutes, also at the very end.
pub fn series(shorthand: &str) -> Vec<Point> {
    every(shorthand, 10)
}

/// The same with a reading every so many minutes.
pub fn every(shorthand: &str, minutes: i64) -> Vec<Point> {
    let (mut out, mut from) = (Vec::new(), 0.0);
    let parts: Vec<&str> = shorthand.split_whitespace().collect();
    for (index, part) in parts.iter().enumerate() {
        let (value, hours) = part.split_once('*').unwrap();
        let end = from + hours.parse::<f64>().unwrap();
        let mut now = at(from);
        let last = index + 1 == parts.len();
        while now < at(end) || (last && now == at(end)) {
            if let Ok(value) = value.parse() {
                out.push(Point { at: now, value });
            }
            now = now + Span::minutes(minutes);
        }
        from = end;
    }
    out
}

pub fn probe(id: &str, position: Position, readings: Vec<Point>) -> ProbeHistory {
    ProbeHistory {
        id: ProbeId::new(id).unwrap(),
        position,
        depth: Some(Metres(0.6)),
        readings,
        set_aside: Vec::new(),
        not_counted: Vec::new(),
        elsewhere: Vec::new(),
        by_hand: false,
    }
}

/// A batch that is over at the last reading of its longest probe.
pub fn history(probes: Vec<ProbeHistory>) -> History {
    let until = probes.iter().filter_map(|p| p.readings.last()).map(|p| p.at).max().unwrap_or(START);
    History {
        bin: BinId::new("north-1").unwrap(),
        batch: None,
        from: START,
        until,
        over: true,
        probes,
        entries: Vec::new(),
        facts: Facts::default(),
        zone: Zone::named("UTC").unwrap(),
        display: Display::Metric,
    }
}

/// One probe in the core.
pub fn core(shorthand: &str) -> History {
    history(vec![probe("core", Position::Core, series(shorthand))])
}

/// A probe at the base and one in the core.
pub fn both(base: &str, core: &str) -> History {
    history(vec![probe("base", Position::Base, series(base)), probe("core", Position::Core, series(core))])
}

pub fn entry(hours: f64, kind: EntryKind) -> Entry {
    Entry::new(at(hours), BinId::new("north-1").unwrap(), kind, "Ann", "")
}

pub fn turned(mut history: History, hours: &[f64]) -> History {
    history.entries.extend(hours.iter().map(|h| entry(*h, EntryKind::Turned)));
    history
}
