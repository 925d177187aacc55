//! Which probes follow one another in one place, so that their readings are one line, and which places must be watched as a whole.
//!
//! Must never join the readings of two probes of which one was there while the other was: each then tells of its own spot.

use pile::time::Timestamp;
use pile::units::Metres;
use pile::window::Point;

use super::History;
use super::sifting::Sifted;
use super::timeline::{Frame, Track, Watch};
use crate::criteria::Zone;
use crate::model::Position;

/// The lines through the readings of the pile: one for each probe, or for several of which each took the place of the one before. From the
/// last reading of one to the first of the next is a gap like any other.
pub(super) fn tracks<'t>(pile: &[&'t Sifted<'t>]) -> Vec<Track<'t>> {
    let mut order: Vec<usize> = (0..pile.len()).collect();
    order.sort_by_key(|probe| pile[*probe].points.first().map(|p| p.at));
    let mut chains: Vec<Vec<usize>> = Vec::new();
    for probe in order {
        // Of several the one whose last reading is nearest.
        let follows = |chain: &&mut Vec<usize>| chain.last().is_some_and(|last| replaced(pile[*last], pile[probe]));
        let before = chains.iter_mut().filter(follows);
        match before.max_by_key(|chain| chain.last().and_then(|last| pile[*last].points.last()).map(|p| p.at)) {
            Some(chain) => chain.push(probe),
            None => chains.push(vec![probe]),
        }
    }
    // In the order of the settings, so that of two that decide the first is named.
    chains.sort_by_key(|chain| chain.iter().min().copied());
    let coldest = |s: &'t Sifted<'t>| &s.points[..];
    let hottest = |s: &'t Sifted<'t>| s.hottest.as_deref().unwrap_or(&s.points);
    // Where an instant has two values, the line through the one and that through the other must both be warm, and neither too hot.
    let twice = chains.iter().filter(|chain| chain.iter().any(|probe| pile[*probe].hottest.is_some()));
    let twice: Vec<Track<'t>> = twice.map(|chain| track(chain, pile, &hottest)).collect();
    chains.iter().map(|chain| track(chain, pile, &coldest)).chain(twice).collect()
}

fn track<'t>(chain: &[usize], pile: &[&'t Sifted<'t>], points: &dyn Fn(&'t Sifted<'t>) -> &'t [Point]) -> Track<'t> {
    let away = chain.iter().map(|probe| pile[*probe].probe.elsewhere.clone());
    let elsewhere = away.reduce(|a, b| both(&a, &b)).unwrap_or_default();
    Track { parts: chain.iter().map(|probe| (*probe, points(pile[*probe]))).collect(), elsewhere }
}

/// Whether a probe came to the place of another when that was gone.
fn replaced(gone: &Sifted<'_>, came: &Sifted<'_>) -> bool {
    let (Some(last), Some(first)) = (gone.points.last(), came.points.first()) else { return false };
    gone.probe.position == came.probe.position
        && gone.probe.by_hand == came.probe.by_hand
        && last.at < first.at
        && gone.probe.elsewhere.iter().any(|(from, until)| *from <= first.at && first.at <= *until)
        && came.probe.elsewhere.iter().any(|(from, until)| *from <= last.at && last.at <= *until)
}

/// The times that lie in both lists.
fn both(a: &[(Timestamp, Timestamp)], b: &[(Timestamp, Timestamp)]) -> Vec<(Timestamp, Timestamp)> {
    let pairs = a.iter().flat_map(|x| b.iter().map(move |y| (x.0.max(y.0), x.1.min(y.1))));
    pairs.filter(|(from, until)| from < until).collect()
}

/// Where probes were taken away, each zone of the criterion and each place of theirs is watched as a whole: whatever stands there, it is not
/// without a reading for longer than the criterion bridges.
pub(super) fn watched(zones: &[Zone], pile: &[&Sifted<'_>], history: &History, frame: &Frame) -> Vec<Watch> {
    let moved = |s: &&&Sifted<'_>| !s.probe.elsewhere.is_empty();
    let mut places: Vec<Position> = pile.iter().filter(moved).map(|s| s.probe.position).collect();
    if places.is_empty() {
        return Vec::new();
    }
    places.sort();
    places.dedup();
    let watch = |name: String, here: &dyn Fn(&Sifted<'_>) -> bool| {
        let of = pile.iter().filter(|s| here(s)).flat_map(|s| s.points.iter().map(|p| frame.offset(p.at)));
        let mut times: Vec<i64> = of.collect();
        times.sort_unstable();
        times.dedup();
        Watch { name, times }
    };
    let zones = zones.iter().map(|zone| watch(wanted(zone), &|s| stands_in(s, zone, history)));
    let places = places.iter().map(|place| watch(place.key().to_owned(), &|s| s.probe.position == *place));
    zones.chain(places).collect()
}

/// Whether a probe is in a zone of the criterion; that of the exhaust, where it counts, stands for all.
pub(super) fn stands_in(sifted: &Sifted<'_>, zone: &Zone, history: &History) -> bool {
    let probe = sifted.probe;
    let depth = match (probe.depth, zone.below_cover) {
        (Some(depth), true) => history.facts.cover.map(|cover| depth.0 - cover.0),
        (depth, _) => depth.map(|d| d.0),
    };
    let unbounded = zone.depth_min.is_none() && zone.depth_max.is_none();
    let deep = |depth: f64| {
        // A depth that is typed in to the centimetre may miss a bound in inches by a rounding of the conversion only.
        const ROUNDING: f64 = 1e-9;
        zone.depth_min.is_none_or(|least| depth >= least.0 - ROUNDING)
            && zone.depth_max.is_none_or(|most| depth <= most.0 + ROUNDING)
    };
    probe.position == Position::Exhaust || (probe.position == zone.position && (unbounded || depth.is_some_and(deep)))
}

/// A zone of a criterion in words.
pub(super) fn wanted(zone: &Zone) -> String {
    let metres = |depth: Option<Metres>| depth.map(|d| format!("{:.2} m", d.0));
    let depth = match (metres(zone.depth_min), metres(zone.depth_max)) {
        (Some(least), Some(most)) => format!(", {least} to {most} deep"),
        (Some(least), None) => format!(", at least {least} deep"),
        (None, Some(most)) => format!(", at most {most} deep"),
        (None, None) => String::new(),
    };
    let below = if zone.below_cover { ", counted from under the cover layer" } else { "" };
    format!("{}{depth}{below}", zone.position.key())
}
