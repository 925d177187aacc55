//! Whether a door, a lid or a cover was opened: every layer falls at once and together toward the air, and comes back after the closing.
//!
//! Must never take drying for it: that comes over half a day, and to one layer after the other. Nor cold water, whose fall ends within the hour.
//!
//! All numbers are chosen (tuned on simulated batches of two models); a dry crash at 11 K a day loses 1.4 K in three hours at the most.

use std::sync::Arc;

use pile::time::{Span, Timestamp};
use pile::window::Point;
use rhai::{Engine, NativeCallContext};
use site::model::Position;
use site::quantity::Quantity;

use crate::bin_view::{Bin, time};
use crate::fact::{Fact, Kind, Trouble};
use crate::facts::{Signal, in_material};
use crate::judgement::Judgement;
use crate::language::Outcome;
use crate::limits;

/// How far back it looks.
pub(crate) const BACK: Span = Span::days(3);
/// Readings are looked at in means of this long.
const CELL: Span = Span::minutes(30);
/// Cells before the opening that say how the layer went until then: six hours.
const BEFORE: usize = 12;
/// Cells after it in which the fall shows: from two hours on to three.
const AFTER: std::ops::Range<usize> = 4..6;
/// It has begun within the first hour: so much of it shows there.
const BEGINS: std::ops::Range<usize> = 0..2;
const BEGINS_SHARE: f64 = 0.08;
/// And those in which a fall goes on that cold water would have ended: from four hours on to five.
const GOES_ON: std::ops::Range<usize> = 8..10;
/// A layer lost this much more than it would have, K.
const LOST_KELVIN: f64 = 1.2;
/// All of them in the mean, K.
const LOST_MEAN_KELVIN: f64 = 1.8;
/// The core may be the only one that is heard, and falls less, where the log has an opening, K.
const LOST_WRITTEN_KELVIN: f64 = 0.7;
/// A layer is so much warmer than the air before it, K.
const ABOVE_AIR_KELVIN: f64 = 8.0;
/// The layers fall by so many times what the air falls meanwhile.
const AIR_TIMES: f64 = 1.5;
/// It is closed when the layers have made up for this much, K.
const BACK_KELVIN: f64 = 0.7;
/// An entry belongs to a fall that began so long before it, or after it.
const ENTRY_BEFORE: Span = Span::hours(4);
const ENTRY_AFTER: Span = Span::hours(3);
/// A watering this near is what fell.
const WATERED_NEAR: Span = Span::hours(3);
/// After the closing a fall is explained for so long.
const EXPLAINS: Span = Span::hours(24);
/// And where no closing is seen for so long since the opening: what falls on for longer has another cause as well.
const EXPLAINS_OPEN: Span = Span::hours(48);

/// An opening that shows in the readings.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Opening {
    pub(crate) began: Timestamp,
    /// When the layers began to come back.
    pub(crate) closed: Option<Timestamp>,
    /// The log has it.
    pub(crate) written: bool,
    /// What the layers lost in the mean within three hours, K.
    pub(crate) lost: f64,
    /// How many were heard.
    pub(crate) layers: usize,
}

impl Opening {
    /// Whether a fall at `at` is put down to it.
    pub(crate) fn explains(&self, at: Timestamp) -> bool {
        match self.closed {
            Some(closed) => at <= closed + EXPLAINS,
            None => at <= self.began + EXPLAINS_OPEN,
        }
    }
}

/// An opening as a rule sees it.
#[derive(Clone, Debug)]
struct OpeningView(Option<Opening>, Timestamp);

pub(crate) fn register(engine: &mut Engine) {
    engine.register_type_with_name::<OpeningView>("opening");
    engine.register_get("opening", |context: NativeCallContext, bin: &mut Bin| -> Outcome<OpeningView> {
        let judgement = Judgement::of(&context)?;
        Ok(OpeningView(seen(&context, &judgement, bin)?, judgement.facts.at))
    });
    engine.register_get("known", |o: &mut OpeningView| o.0.is_some());
    engine.register_get("explains", |o: &mut OpeningView| o.0.is_some_and(|opening| opening.explains(o.1)));
    engine.register_get("written", |o: &mut OpeningView| o.0.is_some_and(|opening| opening.written));
    engine.register_get("layers", |o: &mut OpeningView| o.0.map_or(0, |opening| opening.layers as i64));
    let none = "no fall of all layers at once in the last three days";
    engine.register_get("ago", move |o: &mut OpeningView| {
        o.0.map_or_else(|| Fact::unknown(Kind::Time, none), |opening| time(o.1.since(opening.began)))
    });
    engine.register_get("closed", move |o: &mut OpeningView| {
        let closed = o.0.and_then(|opening| opening.closed);
        closed.map_or_else(|| Fact::unknown(Kind::Time, "no closing is seen"), |at| time(o.1.since(at)))
    });
    engine.register_get("lost", move |o: &mut OpeningView| match o.0 {
        Some(opening) => Fact::known(Kind::TemperatureChange, opening.lost),
        None => Fact::unknown(Kind::TemperatureChange, none),
    });
}

/// The newest opening of the last days, if one shows.
pub(crate) fn seen(
    context: &NativeCallContext,
    judgement: &Arc<Judgement>,
    bin: &Bin,
) -> Result<Option<Opening>, Trouble> {
    judgement.window(BACK)?;
    let facts = &judgement.facts;
    let (from, at) = (facts.at - BACK, facts.at);
    let of = |quantity, wanted: fn(Position) -> bool| {
        facts.signals.iter().filter(move |s| s.quantity == quantity && s.position.is_some_and(wanted))
    };
    let air_around = |position| matches!(position, Position::Room | Position::Ambient);
    let all = of(Quantity::Temperature, in_material).chain(of(Quantity::Temperature, air_around));
    let read: usize = all.map(|s| s.window.count(from, at)).sum();
    judgement.charge(context, limits::OPENING + read as u64 / limits::POINTS_A_STEP)?;
    let cells = |signal: &Signal| means(signal.window.range(from, at), facts.out(signal), from);
    let layers: Vec<Cells> = of(Quantity::Temperature, in_material).map(cells).collect();
    let newest = of(Quantity::Temperature, in_material).filter_map(|s| s.window.range(from, at).next_back());
    judgement.used(newest.map(|p| p.at).max());
    // Of the air around the coolest that is heard: a door leads to it, whichever it is.
    let airs: Vec<Cells> = of(Quantity::Temperature, air_around).map(cells).collect();
    let opened = bin.entries_of(&["opened", "turned"]);
    let watered = bin.entries_of(&["watered"]);
    Ok(found(&layers, &airs, from, at, &opened, &watered))
}

/// Means of half an hour over the time that is looked at; `None` where nothing was read.
type Cells = Vec<Option<f64>>;

fn means(points: impl Iterator<Item = Point>, out: &[(Timestamp, Timestamp)], from: Timestamp) -> Cells {
    let count = (BACK.as_millis() / CELL.as_millis()) as usize;
    let mut sums = vec![(0.0, 0u32); count];
    for point in points {
        let begun = out.partition_point(|(since, _)| *since <= point.at);
        if out[..begun].last().is_some_and(|(_, until)| point.at <= *until) {
            continue;
        }
        let cell = (point.at.since(from).as_millis() / CELL.as_millis()) as usize;
        if let Some((sum, n)) = sums.get_mut(cell) {
            *sum += point.value;
            *n += 1;
        }
    }
    sums.into_iter().map(|(sum, n)| (n > 0).then(|| sum / f64::from(n))).collect()
}

/// The mean of the cells of a range, where half of them were read.
fn mean(cells: &[Option<f64>], range: std::ops::Range<usize>) -> Option<f64> {
    let wanted = range.len();
    let cells = cells.get(range.start.min(cells.len())..range.end.min(cells.len()))?;
    let read: Vec<f64> = cells.iter().copied().flatten().collect();
    (2 * read.len() >= wanted).then(|| read.iter().sum::<f64>() / read.len() as f64)
}

fn found(
    layers: &[Cells],
    airs: &[Cells],
    from: Timestamp,
    at: Timestamp,
    opened: &[Timestamp],
    watered: &[Timestamp],
) -> Option<Opening> {
    let count = layers.first()?.len();
    let instant = |cell: usize| from + CELL.times(cell as i64);
    let near = |entries: &[Timestamp], t: Timestamp, before: Span, after: Span| {
        entries.iter().any(|entry| t - after <= *entry && *entry <= t + before)
    };
    let mut best: Option<(usize, Opening)> = None;
    // The newest first; of those that are near each other the one with the largest fall.
    for cell in (BEFORE..count.saturating_sub(AFTER.end - 1)).rev() {
        if best.as_ref().is_some_and(|(newest, _)| newest.abs_diff(cell) > AFTER.end) {
            break;
        }
        let began = instant(cell);
        if near(watered, began, WATERED_NEAR, WATERED_NEAR) {
            continue;
        }
        let written = near(opened, began, ENTRY_AFTER, ENTRY_BEFORE);
        let Some((lost, heard)) = all_fell(layers, airs, cell, written) else { continue };
        if best.as_ref().is_none_or(|(_, before)| lost > before.lost) {
            let closed = closing(layers, cell).map(instant).filter(|closed| *closed <= at);
            best = Some((cell, Opening { began, closed, written, lost, layers: heard }));
        }
    }
    best.map(|(_, opening)| opening)
}

/// What the layers lost at a cell beyond their own way, if every one that is heard did so at once, and goes on.
fn all_fell(layers: &[Cells], airs: &[Cells], cell: usize, written: bool) -> Option<(f64, usize)> {
    let air = airs.iter().filter_map(|air| mean(air, cell - BEFORE / 2..cell)).min_by(f64::total_cmp);
    let air_fell = airs.iter().filter_map(|air| {
        let before = mean(air, cell.saturating_sub(2)..cell)?;
        Some(before - mean(air, cell + AFTER.start..cell + AFTER.end)?)
    });
    let air_fell = air_fell.max_by(f64::total_cmp).unwrap_or(0.0);
    let mut lost = Vec::new();
    let (mut went_on, mut looked, mut began) = (0.0, 0.0, 0.0);
    for layer in layers {
        let (first, last) = (mean(layer, cell - BEFORE..cell - BEFORE / 2), mean(layer, cell - BEFORE / 2..cell));
        let after = mean(layer, cell + AFTER.start..cell + AFTER.end);
        let (Some(first), Some(last), Some(after)) = (first, last, after) else { continue };
        // Two means of three hours, three hours apart; from the middle of the second on to that of what comes after it are 4 h.
        let expected = last + (last - first) * 4.0 / 3.0;
        let fell = (expected - after).min(last - after);
        if air.is_some_and(|air| last < air + ABOVE_AIR_KELVIN || after < air - 1.0) {
            return None;
        }
        if fell < if written { LOST_WRITTEN_KELVIN } else { LOST_KELVIN } {
            return None;
        }
        if let Some(first_hour) = mean(layer, cell + BEGINS.start..cell + BEGINS.end) {
            began += (last + (last - first) * 2.0 / 3.0 - first_hour).min(last - first_hour);
        }
        if let Some(later) = mean(layer, cell + GOES_ON.start..cell + GOES_ON.end) {
            went_on += after - later;
            looked += 1.0;
        }
        lost.push(fell);
    }
    let heard = lost.len();
    let mean = lost.iter().sum::<f64>() / heard.max(1) as f64;
    let enough = if written { heard >= 1 } else { heard >= 2 && mean >= LOST_MEAN_KELVIN };
    // A short opening that is in the log need not go on.
    let goes_on = written || looked > 0.0 && went_on / looked >= 0.2 * mean;
    // A cooling pile that follows the air of an evening is behind no door: through one it falls whatever the air does.
    if mean < AIR_TIMES * air_fell {
        return None;
    }
    let begins = began >= BEGINS_SHARE * lost.iter().sum::<f64>();
    (enough && goes_on && begins).then_some((mean, heard))
}

/// The cell from which on the layers come back.
fn closing(layers: &[Cells], cell: usize) -> Option<usize> {
    let count = layers.first()?.len();
    let mut lowest: Option<(usize, f64)> = None;
    for n in cell + AFTER.start..count.saturating_sub(1) {
        // Of all layers, over an hour.
        let heard: Vec<f64> = layers.iter().filter_map(|layer| mean(layer, n..n + 2)).collect();
        if heard.is_empty() {
            continue;
        }
        let now = heard.iter().sum::<f64>() / heard.len() as f64;
        match lowest {
            Some((at, least)) if now >= least + BACK_KELVIN => return Some(at),
            Some((_, least)) if now >= least => {}
            _ => lowest = Some((n, now)),
        }
    }
    None
}

#[cfg(test)]
mod tests {
    //! The signature over made-up layers, each with its reason.

    use super::*;

    /// Cells of a layer from its temperature at each hour of the three days.
    fn layer(celsius: impl Fn(f64) -> f64) -> Cells {
        (0..144).map(|cell| Some(celsius(f64::from(cell) / 2.0 + 0.25))).collect()
    }

    fn hour(h: i64) -> Timestamp {
        Timestamp::from_millis(0) + Span::hours(h)
    }

    fn look(layers: &[Cells], opened: &[i64], watered: &[i64]) -> Option<Opening> {
        let entries = |hours: &[i64]| hours.iter().map(|h| hour(*h)).collect::<Vec<_>>();
        let air = layer(|_| 12.0);
        found(layers, &[air], hour(0), hour(72), &entries(opened), &entries(watered))
    }

    /// Toward air of 12 °C from hour 40 on for `open` hours, then half of what is lost back a day.
    fn door(hot: f64, a_day: f64, open: f64) -> impl Fn(f64) -> f64 {
        move |h| {
            let out = (h - 40.0).clamp(0.0, open);
            let lost = (hot - 12.0) * (1.0 - (-a_day * out / 24.0).exp());
            hot - lost * (-(h - 40.0 - open).max(0.0) / 20.0).exp()
        }
    }

    #[test]
    fn an_open_door_is_told_from_drying_and_from_cold_water() {
        let three = |f: &dyn Fn(usize, f64) -> f64| (0..3).map(|i| layer(|h| f(i, h))).collect::<Vec<_>>();
        let hot = [56.0, 62.0, 59.0];
        let doors = three(&|i, h| door(hot[i], 0.6, 24.0)(h));
        let seen = look(&doors, &[], &[]).unwrap();
        assert!(seen.began >= hour(39) && seen.began <= hour(41), "{seen:?}");
        assert!(!seen.written && seen.layers == 3, "{seen:?}");
        let closed = seen.closed.unwrap();
        assert!(closed >= hour(62) && closed <= hour(65), "{seen:?}");
        assert!(seen.explains(closed + Span::hours(24)) && !seen.explains(closed + Span::hours(25)), "{seen:?}");

        let open = look(&three(&|i, h| door(hot[i], 0.6, 40.0)(h)), &[], &[]).unwrap();
        assert_eq!(open.closed, None, "nothing has come back yet");
        assert!(open.explains(open.began + Span::hours(48)) && !open.explains(open.began + Span::hours(49)));
        let written = look(&doors, &[40], &[]).unwrap();
        assert!(written.written, "the log has it");
        let alone = [layer(door(62.0, 0.5, 24.0))];
        assert_eq!(look(&alone, &[], &[]), None, "one probe alone may be anything");
        assert!(look(&alone, &[39], &[]).is_some_and(|o| o.written), "unless somebody wrote it down");
        assert_eq!(look(&alone, &[20], &[]), None, "an entry of yesterday explains nothing of today");

        let dries = three(&|i, h| hot[i] - 10.0 * ((h - [30.0, 40.0, 46.0][i]) / 24.0).max(0.0));
        assert_eq!(look(&dries, &[], &[]), None, "drying goes from the base up");
        let at_once = three(&|i, h| hot[i] - 10.0 * ((h - 40.0) / 24.0).max(0.0));
        assert_eq!(look(&at_once, &[], &[]), None, "10 K a day is too slow for a door, even in all layers at once");
        let water = three(&|i, h| hot[i] - 5.0 * (h - 40.0).clamp(0.0, 1.0) * (-(h - 41.0).max(0.0) / 15.0).exp());
        assert_eq!(look(&water, &[], &[]), None, "cold water has done its work within the hour");
        assert_eq!(look(&doors, &[], &[40]), None, "what was watered then is no opening");
        let one = [layer(|_| 56.0), layer(door(62.0, 0.6, 24.0)), layer(|_| 59.0)];
        assert_eq!(look(&one, &[], &[]), None, "a door does not spare a layer");
    }
}
