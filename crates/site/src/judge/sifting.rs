//! Which readings of a probe count: corrected by its checks, without those that were set aside, with the reason for each that is not.
//!
//! Must never drop a reading without a reason.

use pile::time::Timestamp;
use pile::units::Celsius;
use pile::window::Point;

use super::{Check, Excluded, History, Look, ProbeHistory, TwoValues};
use crate::entry::probes_out;
use crate::ids::ProbeId;
use crate::model::Position;

/// The readings of a probe that count, and those that do not.
#[derive(Clone, Debug)]
pub(super) struct Sifted<'h> {
    /// Which probe.
    pub(super) probe: &'h ProbeHistory,
    /// Readings that count, corrected, oldest first; of several of one instant the coldest.
    pub(super) points: Vec<Point>,
    /// The same with the hottest of several, where there are such instants.
    pub(super) hottest: Option<Vec<Point>>,
    /// Those instants.
    pub(super) two_values: Option<TwoValues>,
    /// Those that do not, by reason.
    pub(super) excluded: Vec<Excluded>,
}

/// The checks of a probe, in the order of time.
pub(super) fn checks_of<'h>(probe: &ProbeHistory, history: &'h History) -> Vec<&'h Check> {
    let mut checks: Vec<&Check> = history.facts.checks.iter().filter(|c| c.probe == probe.id).collect();
    checks.sort_by_key(|c| c.at);
    checks
}

/// Sifts the readings of a probe from the beginning of the clock on.
pub(super) fn sift<'h>(probe: &'h ProbeHistory, history: &History, how: Look) -> Sifted<'h> {
    let all = how.with_excluded;
    let checks = checks_of(probe, history);
    let mut spans = probe.not_counted.clone();
    spans.extend(failed(&checks, history));
    if !probe.by_hand && matches!(probe.position, Position::Base | Position::Core | Position::Upper) {
        let out = probes_out(&history.entries);
        spans.extend(
            out.into_iter().map(|(from, to)| (from, to, "the probes were out of the material, or warming up".into())),
        );
    }
    let (from, until) = (history.clock_begins(), history.until);
    let inside = |p: &Point| p.at >= from && p.at <= until;
    let corrected = |p: Point| {
        let applied = checks.iter().rev().find(|c| c.at <= p.at && !how.uncorrected);
        let correction = applied.map_or(0.0, |c| c.correction.0);
        // A reading that nothing corrects stays as it is, to the last digit; minus nothing becomes nothing.
        if correction == 0.0 && p.value != 0.0 { p } else { Point { at: p.at, value: p.value + correction } }
    };
    let mut points = Vec::with_capacity(probe.readings.len());
    let mut excluded: Vec<Excluded> = Vec::new();
    let mut leave_out = |point: Point, reason: &str| match excluded.iter_mut().find(|e| e.reason == reason) {
        Some(group) => {
            group.from = group.from.min(point.at);
            group.to = group.to.max(point.at);
            group.readings += 1;
        }
        None => excluded.push(Excluded {
            probe: probe.id.clone(),
            from: point.at,
            to: point.at,
            readings: 1,
            reason: reason.to_owned(),
        }),
    };
    for point in probe.readings.iter().copied().filter(inside) {
        let span = spans.iter().find(|(from, to, _)| *from <= point.at && point.at <= *to);
        if let Some((.., reason)) = span {
            leave_out(point, reason);
        }
        if span.is_none() || all {
            points.push(corrected(point));
        }
    }
    for (point, reason) in probe.set_aside.iter().filter(|(p, _)| inside(p)) {
        leave_out(*point, reason);
        if all {
            points.push(corrected(*point));
        }
    }
    points.retain(|p| p.value.is_finite());
    // By value too, so that the order in which two values of one instant came says nothing.
    points.sort_by(|a, b| a.at.cmp(&b.at).then_with(|| a.value.total_cmp(&b.value)));
    points.dedup();
    let two_values = two_values(&probe.id, &points);
    let hottest = two_values.as_ref().map(|_| {
        let mut hottest: Vec<Point> = points.iter().rev().copied().collect();
        hottest.dedup_by_key(|p| p.at);
        hottest.reverse();
        hottest
    });
    points.dedup_by_key(|p| p.at);
    Sifted { probe, points, hottest, two_values, excluded }
}

/// Instants with more than one value; the points are in the order of time and value.
fn two_values(probe: &ProbeId, points: &[Point]) -> Option<TwoValues> {
    let several = || points.chunk_by(|a, b| a.at == b.at).filter(|same| same.len() > 1);
    let (first, last) = (several().next()?, several().next_back()?);
    let value = |point: Option<&Point>| Celsius(point.map_or(0.0, |p| p.value));
    Some(TwoValues {
        probe: probe.clone(),
        instants: several().count(),
        first: first[0].at,
        last: last[0].at,
        coldest: value(first.first()),
        hottest: value(first.last()),
    })
}

/// The times flagged by failed checks: back to the last good one, and on until the next.
fn failed(checks: &[&Check], history: &History) -> Vec<(Timestamp, Timestamp, String)> {
    let spans = checks.iter().enumerate().filter(|(_, check)| !check.passed).map(|(index, check)| {
        let good = checks[..index].iter().rev().find(|c| c.passed);
        let next = checks[index..].iter().find(|c| c.passed);
        let since = match good {
            Some(good) => format!("back to its last good check on {}", history.zone.show(good.at)),
            None => "back to the beginning, because no good check is on record".into(),
        };
        let reason =
            format!("the probe failed its check on {}: its readings are flagged {since}", history.zone.show(check.at));
        (good.map_or(Timestamp::MIN, |c| c.at), next.map_or(Timestamp::MAX, |c| c.at), reason)
    });
    spans.collect()
}

/// The newest good check of a probe at a time.
pub(super) fn last_good_check(history: &History, probe: &ProbeId, at: Timestamp) -> Option<Timestamp> {
    let good = history.facts.checks.iter().filter(|c| c.probe == *probe && c.passed && c.at <= at);
    good.map(|c| c.at).max()
}
