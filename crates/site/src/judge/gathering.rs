//! Which probes tell of a batch: those that were in its bin, each for as long as it was there, and thermometers that people read.
//!
//! Must never let a probe that was taken away pass for one that was silent, nor hide that a place was left without a probe.

use pile::time::{Span, Timestamp};
use pile::units::Metres;
use pile::window::Point;

use super::ProbeHistory;
use crate::entry::{Entry, EntryKind};
use crate::ids::{BinId, ProbeId};
use crate::instruments::{Instruments, Stay};
use crate::model::{Position, Site};

/// Good readings, and those set aside with the reason.
pub type Readings = (Vec<Point>, Vec<(Point, String)>);

/// The temperature histories of a bin between two times. `read` gives the readings of a probe between two times, both included; `entries`
/// are those that hold, of this bin, in the order of time.
///
/// # Errors
/// Those of `read`.
pub fn probe_histories<E>(
    site: &Site,
    instruments: &Instruments,
    bin: &BinId,
    (from, until): (Timestamp, Timestamp),
    entries: &[Entry],
    read: &mut impl FnMut(&ProbeId, Timestamp, Timestamp) -> Result<Readings, E>,
) -> Result<Vec<ProbeHistory>, E> {
    let stays = instruments.in_bin(site, bin, from, until);
    let mut out = Vec::with_capacity(stays.len());
    for (id, stay) in &stays {
        let last = if stay.until == Timestamp::MAX { until } else { until.min(stay.until - Span::millis(1)) };
        let (readings, set_aside) = read(id, from.max(stay.from), last)?;
        out.push(ProbeHistory {
            id: id.clone(),
            position: stay.position,
            depth: stay.depth,
            readings,
            set_aside,
            not_counted: Vec::new(),
            elsewhere: elsewhere(stay, &stays, from, until),
            by_hand: false,
        });
    }
    out.extend(by_hand(entries, from, until));
    Ok(out)
}

/// The times between two in which a probe was not at this place and another one was.
fn elsewhere(own: &Stay, all: &[(ProbeId, Stay)], from: Timestamp, until: Timestamp) -> Vec<(Timestamp, Timestamp)> {
    let mut out: Vec<(Timestamp, Timestamp)> = Vec::new();
    for (_, other) in all.iter().filter(|(_, other)| other != own && other.position == own.position) {
        for (begin, end) in [(from, own.from), (own.until, until)] {
            let both = (begin.max(other.from), end.min(other.until));
            if both.0 < both.1 {
                out.push(both);
            }
        }
    }
    out.sort();
    out
}

/// What people read off thermometers, as one history for each place and depth.
fn by_hand(entries: &[Entry], from: Timestamp, until: Timestamp) -> Vec<ProbeHistory> {
    let mut out: Vec<ProbeHistory> = Vec::new();
    for entry in entries.iter().filter(|e| from <= e.at && e.at <= until) {
        let EntryKind::HandReading { position, celsius, depth } = &entry.kind else { continue };
        let point = Point { at: entry.at, value: celsius.0 };
        match out.iter_mut().find(|h| h.position == *position && h.depth == *depth) {
            Some(history) => history.readings.push(point),
            None => out.extend(thermometer(*position, *depth, point)),
        }
    }
    out
}

fn thermometer(position: Position, depth: Option<Metres>, first: Point) -> Option<ProbeHistory> {
    let deep = depth.map_or_else(String::new, |depth| format!("-{:.2}m", depth.0));
    let id = ProbeId::new(&format!("by-hand-{}{deep}", position.key())).ok()?;
    Some(ProbeHistory {
        id,
        position,
        depth,
        readings: vec![first],
        set_aside: Vec::new(),
        not_counted: Vec::new(),
        elsewhere: Vec::new(),
        by_hand: true,
    })
}
