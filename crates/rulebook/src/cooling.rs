//! Gathers what is known of a bin that gets colder, and hands rules the ranked causes.
//!
//! Must never make up what was not measured: what is missing stays unknown and weighs nothing.

use std::collections::VecDeque;
use std::sync::Arc;

use pile::time::{Span, Timestamp};
use pile::water_account::Band;
use pile::window::Point;
use rhai::{Array, Dynamic, Engine, ImmutableString, NativeCallContext};
use site::model::{Position, RunProof};
use site::quantity::Quantity;

use crate::bin_view::Bin;
use crate::causes::{AirProof, Known, Likelihood, Ranked, Words, lines, ranked};
use crate::fact::{Fact, Kind, Trouble};
use crate::facts::Signal;
use crate::judgement::Judgement;
use crate::language::{Draft, Outcome, room};
use crate::limits;
use crate::opening;
use crate::signals::{Asked, Over, SignalSet};
use crate::water_view;

/// How far back it looks.
const BACK: Span = Span::days(2);
const DAY: Span = Span::days(1);
const WEEK: Span = Span::days(7);
/// Oxygen is looked at over this time: its swings within a pulse cycle are in it.
const OXYGEN_OVER: Span = Span::hours(6);

/// Ranked causes as a rule sees them.
#[derive(Clone, Debug)]
struct Causes(Arc<Vec<Ranked>>);

/// One of them.
#[derive(Clone, Debug)]
struct CauseView(Arc<Vec<Ranked>>, usize);

pub(crate) fn register(engine: &mut Engine) {
    engine.register_type_with_name::<Causes>("causes");
    engine.register_type_with_name::<CauseView>("cause");
    engine.register_fn("causes_of_cooling", |context: NativeCallContext, bin: Bin| -> Outcome<Causes> {
        let judgement = Judgement::of(&context)?;
        let known = known(&context, &judgement, &bin)?;
        Ok(Causes(Arc::new(ranked(&known, &InUnitsOf(&judgement)))))
    });
    engine.register_get("list", |causes: &mut Causes| -> Array {
        (0..causes.0.len()).map(|n| Dynamic::from(CauseView(Arc::clone(&causes.0), n))).collect()
    });
    engine.register_get("first", |causes: &mut Causes| -> ImmutableString {
        causes.0.first().map_or("", |c| c.cause.name()).into()
    });
    engine.register_get("likely", |causes: &mut Causes| -> ImmutableString {
        let likely = causes.0.first().filter(|c| c.likelihood == Likelihood::Likely);
        likely.map_or("", |c| c.cause.name()).into()
    });
    engine.register_get("said", |causes: &mut Causes| -> ImmutableString { crate::causes::said(&causes.0).into() });
    engine.register_get("likelihood", |cause: &mut CauseView| -> ImmutableString {
        cause.0.get(cause.1).map_or("", |c| c.likelihood.word()).into()
    });
    engine.register_get("name", |cause: &mut CauseView| -> ImmutableString {
        cause.0.get(cause.1).map_or("", |c| c.cause.name()).into()
    });
    engine.register_get("sure", |cause: &mut CauseView| {
        Fact::known(Kind::Share, cause.0.get(cause.1).map_or(0.0, |c| c.share))
    });
    engine.register_fn("ranked", |answer: Draft, causes: Causes| -> Outcome<Draft> {
        let mut answer = answer;
        for line in lines(&causes.0) {
            answer = room(answer)?;
            answer.evidence.push(crate::language::shortened(&line));
        }
        for cause in crate::causes::in_full(&causes.0) {
            answer = room(answer)?;
            answer.figures.push((cause.cause.name().into(), cause.likelihood.word().into()));
        }
        Ok(answer)
    });
}

struct InUnitsOf<'j>(&'j Judgement);

impl Words for InUnitsOf<'_> {
    fn kelvin(&self, value: f64) -> String {
        self.0.worded(&Fact::known(Kind::TemperatureChange, value))
    }

    fn litres(&self, value: f64) -> String {
        self.0.worded(&Fact::known(Kind::Volume, value))
    }
}

fn known(context: &NativeCallContext, judgement: &Arc<Judgement>, bin: &Bin) -> Result<Known, Trouble> {
    judgement.window(BACK)?;
    let facts = &judgement.facts;
    let at = |position| SignalSet::new(judgement, Quantity::Temperature, Some(position));
    let asked = |set: &SignalSet, asked, over| -> Result<Option<f64>, Trouble> {
        Ok(set.median(context, asked, over)?.number().ok())
    };
    let (base, core, upper, outside) =
        (at(Position::Base), at(Position::Core), at(Position::Upper), at(Position::Ambient));
    // Where air is drawn in at the top, the upper layer is what dries first.
    let suction = bin.blower().suction();
    let (base, upper) = if suction { (upper, base) } else { (base, upper) };
    let fall = |set: &SignalSet| -> Result<Option<f64>, Trouble> {
        Ok(asked(set, Asked::Change, Over::last(DAY))?.map(|change| -change))
    };
    let now = |set: &SignalSet| asked(set, Asked::Last, Over::last(Span::ZERO));
    let slope = |set: &SignalSet| asked(set, Asked::Slope, Over::last(DAY));
    let day_before = Over { span: DAY, ago: DAY };
    let outside_fall =
        difference(asked(&outside, Asked::Mean, day_before)?, asked(&outside, Asked::Mean, Over::last(DAY))?);

    let oxygen = SignalSet::of_pile_air(judgement, Quantity::Oxygen);
    let flow = SignalSet::of_blower(judgement, Quantity::Flow);
    let highest = |over| -> Result<Option<f64>, Trouble> { Ok(flow.highest(context, Asked::Max, over)?.number().ok()) };
    let flow_share = match (highest(Over::last(DAY))?, highest(day_before)?) {
        (Some(now), Some(before)) if before > 0.0 => Some(now / before),
        _ => None,
    };

    let cores = || facts.signals.iter().filter(|s| is(s, Position::Core));
    let material = || facts.signals.iter().filter(|s| is(s, Position::Core) || is(s, Position::Upper));
    let read: usize = cores().chain(cores()).chain(material()).map(|s| s.window.count(facts.at - DAY, facts.at)).sum();
    judgement.charge(context, limits::CAUSES + 2 * read as u64 / limits::POINTS_A_STEP)?;
    let largest = |signals: &mut dyn Iterator<Item = &Signal>, within: Span| {
        signals.filter_map(|signal| largest_drop(&points(judgement, signal), within)).max_by(f64::total_cmp)
    };
    let (sharpest, step) = (largest(&mut cores(), Span::minutes(15)), largest(&mut material(), Span::hours(1)));
    let core_falls = cores().filter_map(|signal| lost(&points(judgement, signal))).collect();
    let a_day_ago = facts.at - DAY;
    let bad_readings = cores().any(|s| s.last_bad.is_some_and(|(bad_at, _)| bad_at > a_day_ago));

    let hours =
        |word: &str| -> Result<Option<f64>, Trouble> { Ok(bin.since(word)?.number().ok().map(|s| s / 3_600.0)) };
    let soonest = |words: [&str; 2]| -> Result<Option<f64>, Trouble> {
        Ok(match (hours(words[0])?, hours(words[1])?) {
            (Some(a), Some(b)) => Some(a.min(b)),
            (a, b) => a.or(b),
        })
    };
    let (proof, share, share_hours) = air(context, bin)?;
    let opening = match judgement.header.window >= opening::BACK {
        true => opening::seen(context, judgement, bin)?.filter(|o| o.explains(facts.at)),
        false => None,
    };
    let account = facts.water.account.as_ref().ok();
    Ok(Known {
        age_days: bin.batch().age().number().map_or(0.0, |s| s / 86_400.0),
        fall: fall(&core)?,
        proof,
        share_of_due: share,
        share_hours,
        valve_percent: bin.blower().valve().number().ok(),
        oxygen: oxygen.lowest(context, Asked::Min, Over::last(OXYGEN_OVER))?.number().ok(),
        flow_share,
        account: account.map(|a| {
            let m = a.moisture();
            Band { value: m.value.0 * 100.0, low: m.low.0 * 100.0, high: m.high.0 * 100.0 }
        }),
        moisture: now(&SignalSet::in_material(judgement, Quantity::Moisture))?,
        air_enters: if suction { ("the upper layer", "the base") } else { ("the base", "the upper layer") },
        base_apart: difference(slope(&upper)?, slope(&base)?),
        base_cooler: difference(now(&upper)?, now(&base)?),
        watered_hours: hours("watered")?,
        watered_litres: bin.watered_litres().number().ok(),
        gained: core.change_since(context, "watered", bin.entry_at("watered")?)?.number().ok(),
        food_left: account.map(|a| {
            let (left, gone) = (a.degradable_left().0, a.oxidised().0.max(0.0));
            if left + gone > 0.0 { left / (left + gone) } else { 0.0 }
        }),
        outside_fall,
        sharpest,
        step,
        core_falls,
        bad_readings,
        base_fall: fall(&base)?,
        upper_fall: fall(&upper)?,
        opened_hours: soonest(["opened", "turned"])?,
        opening: opening.map(|o| (facts.at.since(o.began).as_hours(), o.lost)),
        surplus: water_view::surplus(bin, WEEK).number().ok(),
        probes_moved_hours: soonest(["probes-out", "probes-back"])?,
        air_changed_hours: hours("air-changed")?,
        volume: facts.water.volume.0,
        hose_known: facts.water.hose.is_some(),
        dose: crate::dose::of(facts, judgement.display).ok().map(|dose| dose.in_a_step()),
    })
}

/// How running is known, the share of the schedule that tells most, and over how many hours.
fn air(context: &NativeCallContext, bin: &Bin) -> Result<(AirProof, Option<f64>, f64), Trouble> {
    let blower = bin.blower();
    let Some(facts) = blower.facts() else { return Ok((AirProof::NoBlower, None, 0.0)) };
    if facts.proof == RunProof::ScheduledOnly {
        return Ok((AirProof::ScheduledOnly, None, 0.0));
    }
    // A sampled signal keeps its pulses for the newest hour only.
    let spans: &[Span] = if facts.proof == RunProof::RunCounter { &[DAY, Span::hours(6)] } else { &[Span::hours(1)] };
    let mut found: Option<(f64, f64)> = None;
    for span in spans {
        let share = blower.run_time(context, *span)?.over(&blower.due_time(*span))?;
        if let Ok(share) = share.number() {
            let off = |share: f64| libm::log(share.max(0.01)).abs();
            if found.is_none_or(|(before, _)| off(share) > off(before) + 0.2) {
                found = Some((share, span.as_hours()));
            }
        }
    }
    Ok(match found {
        Some((share, hours)) => (AirProof::Proven, Some(share), hours),
        None => (AirProof::Silent, None, 0.0),
    })
}

fn is(signal: &Signal, position: Position) -> bool {
    signal.quantity == Quantity::Temperature && signal.position == Some(position)
}

/// The readings of the last day while the probe was in the material.
fn points(judgement: &Judgement, signal: &Signal) -> Vec<Point> {
    let at = judgement.facts.at;
    let out = judgement.facts.out(signal);
    let within = |t: Timestamp| {
        // Of stretches that follow each other only the newest that began can hold the instant.
        let begun = out.partition_point(|(from, _)| *from <= t);
        out[..begun].last().is_some_and(|(_, until)| t <= *until)
    };
    signal.window.range(at - DAY, at).filter(|p| !within(p.at)).collect()
}

/// The largest loss between two readings that are at most so far apart, in one walk however many readings lie within that time.
fn largest_drop(points: &[Point], within: Span) -> Option<f64> {
    // Readings that may still be the highest of those before: each lower than the one in front of it.
    let mut before: VecDeque<Point> = VecDeque::new();
    let mut most: Option<f64> = None;
    for point in points {
        while before.front().is_some_and(|p| point.at.since(p.at) > within) {
            before.pop_front();
        }
        if let Some(highest) = before.front() {
            let drop = highest.value - point.value;
            most = Some(most.map_or(drop, |m| m.max(drop)));
        }
        while before.back().is_some_and(|p| p.value <= point.value) {
            before.pop_back();
        }
        before.push_back(*point);
    }
    most
}

/// What a probe lost over the day, if its readings cover most of it.
fn lost(points: &[Point]) -> Option<f64> {
    let (first, last) = points.first().zip(points.last())?;
    (last.at.since(first.at) >= Span::hours(18)).then_some(first.value - last.value)
}

/// The first less the second, where both are known.
fn difference(a: Option<f64>, b: Option<f64>) -> Option<f64> {
    Some(a? - b?)
}
