//! What a bin lacks for a criterion, so that no batch there can ever meet it, by the settings alone.
//!
//! Must never judge a batch, and never call impossible what an entry in the log could still make possible.

use pile::time::Span;
use pile::units::Metres;

use super::{Course, Criterion, Demand, Exhaust, Zone};
use crate::model::{Bin, Direction, Position, Probe, Site, System};

/// Readings by hand may stand for a probe where readings may lie so far apart.
const BY_HAND: Span = Span::hours(24);

/// Why no batch of a bin can meet a criterion while the settings stay as they are, each with what to do; nothing where one can.
pub fn never_met(criterion: &Criterion, site: &Site, bin: &Bin) -> Vec<String> {
    let mut all = Vec::new();
    let system = bin.process.system.unwrap_or(System::StaticPile);
    if !criterion.systems.is_empty() && !criterion.systems.contains(&system) {
        let written: Vec<&str> = criterion.systems.iter().map(|s| s.words()).collect();
        all.push(format!(
            "it is written for {}, and the bin is {}; choose another criterion, or set `system` of the bin",
            written.join(" or "),
            system.words()
        ));
    }
    match &criterion.demand {
        Demand::Course(course) => all.extend(of_course(course, site, bin)),
        Demand::AnyOf(parts) => {
            let of: Vec<Vec<String>> = parts.iter().map(|part| never_met(part, site, bin)).collect();
            if of.iter().all(|lacks| !lacks.is_empty()) {
                all.extend(of.into_iter().next().unwrap_or_default());
            }
        }
    }
    all.dedup();
    all
}

fn of_course(course: &Course, site: &Site, bin: &Bin) -> Vec<String> {
    let probes: Vec<&Probe> = bin.probes.iter().filter_map(|id| site.probes.get(id)).collect();
    let blower = bin.blower.as_ref().and_then(|id| site.blowers.get(id));
    let suction = bin.process.suction.unwrap_or(blower.is_some_and(|b| b.direction == Direction::Suction));
    let exhaust = course.exhaust == Exhaust::WithSuction && suction;
    let mut all = Vec::new();
    let by_hand = course.gap >= BY_HAND;
    for zone in course.zones.iter().filter(|_| !by_hand) {
        let stands_for_all = |probe: &&Probe| exhaust && probe.position == Position::Exhaust;
        if !probes.iter().any(|probe| fits(probe, zone) || stands_for_all(probe)) {
            let depth = match (zone.depth_min, zone.depth_max) {
                (None, None) => String::new(),
                (least, most) => format!(" {}", depth(least, most)),
            };
            let place = zone.position.key();
            all.push(format!(
                "it needs a probe at {place}{depth}, and the bin has none; fit one and name it, with its depth, under `probes`"
            ));
        }
    }
    let in_pile = |p: &&&Probe| matches!(p.position, Position::Base | Position::Core | Position::Upper);
    for probe in probes.iter().filter(in_pile).filter(|p| p.interval > course.gap) {
        all.push(format!(
            "probe {} reads every {}, and it bridges at most {}; have the probe read more often (`every_seconds`)",
            probe.id, probe.interval, course.gap
        ));
    }
    all
}

/// Whether a probe may be in a zone; under a cover whose thickness the log has, any depth at least as great may be.
fn fits(probe: &Probe, zone: &Zone) -> bool {
    const ROUNDING: f64 = 1e-9;
    let deep = |depth: Metres| {
        zone.depth_min.is_none_or(|least| depth.0 >= least.0 - ROUNDING)
            && zone.depth_max.is_none_or(|most| zone.below_cover || depth.0 <= most.0 + ROUNDING)
    };
    let unbounded = zone.depth_min.is_none() && zone.depth_max.is_none();
    probe.position == zone.position && (unbounded || probe.depth.is_some_and(deep))
}

fn depth(least: Option<Metres>, most: Option<Metres>) -> String {
    match (least, most) {
        (Some(least), Some(most)) => format!("{:.2} to {:.2} m deep", least.0, most.0),
        (Some(least), None) => format!("at least {:.2} m deep", least.0),
        (None, Some(most)) => format!("at most {:.2} m deep", most.0),
        (None, None) => String::new(),
    }
}
