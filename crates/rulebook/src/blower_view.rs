//! What a rule sees of the blower that serves the bin: its schedule, its running by its own signal, what it measures of its air.
//!
//! Must never take a schedule for running, nor a silent signal for a blower that stands.

use std::sync::Arc;

use pile::time::{Span, Timestamp};
use pile::window::{CELL, EXACT, Point};
use rhai::{ImmutableString, NativeCallContext};
use site::model::{BlowerSchedule, Direction, RunProof};
use site::quantity::{Quantity, Unit};

use crate::bin_view::time;
use crate::fact::{Fact, Kind, Trouble};
use crate::facts::BlowerFacts;
use crate::judgement::Judgement;
use crate::limits;
use crate::signals::{SignalSet, silent_after};

/// The blower that serves the bin.
#[derive(Clone, Debug)]
pub(crate) struct BlowerView(Arc<Judgement>);

impl BlowerView {
    pub(crate) fn new(judgement: &Arc<Judgement>) -> BlowerView {
        BlowerView(Arc::clone(judgement))
    }

    /// What it measures of its own air.
    pub(crate) fn measured(&self, quantity: Quantity) -> SignalSet {
        SignalSet::of_blower(&self.0, quantity)
    }

    fn blower(&self) -> Option<&BlowerFacts> {
        self.0.facts.blower.as_ref()
    }

    pub(crate) fn facts(&self) -> Option<&BlowerFacts> {
        self.blower()
    }

    pub(crate) fn known(&self) -> bool {
        self.blower().is_some()
    }

    pub(crate) fn name(&self) -> ImmutableString {
        self.blower().map_or_else(|| "none".into(), |b| b.blower.as_str().into())
    }

    pub(crate) fn proof(&self) -> ImmutableString {
        match self.blower().map(|b| b.proof) {
            Some(RunProof::RunCounter) => "run-counter".into(),
            Some(RunProof::Signal { .. }) => "signal".into(),
            Some(RunProof::ScheduledOnly) => "scheduled-only".into(),
            None => "none".into(),
        }
    }

    pub(crate) fn countable(&self) -> bool {
        self.blower().is_some_and(|b| b.countable && b.proof != RunProof::ScheduledOnly)
    }

    pub(crate) fn continuous(&self) -> bool {
        self.blower().is_some_and(|b| b.schedule == BlowerSchedule::Continuous)
    }

    pub(crate) fn suction(&self) -> bool {
        self.blower().is_some_and(|b| b.direction == Direction::Suction)
    }

    pub(crate) fn schedule(&self) -> ImmutableString {
        match self.blower().map(|b| b.schedule) {
            Some(BlowerSchedule::Continuous) => "all the time".into(),
            Some(BlowerSchedule::Pulses { on, every }) => format!("{on} every {every}").into(),
            None => "none".into(),
        }
    }

    pub(crate) fn cycle(&self) -> Fact {
        match self.blower().map(|b| b.schedule) {
            Some(BlowerSchedule::Pulses { every, .. }) => time(every),
            Some(BlowerSchedule::Continuous) => Fact::unknown(Kind::Time, "the blower runs all the time"),
            None => Fact::unknown(Kind::Time, NO_BLOWER),
        }
    }

    pub(crate) fn valve(&self) -> Fact {
        match self.blower() {
            Some(blower) => Fact::known(Kind::Amount(Unit::Percent), blower.valve_percent),
            None => Fact::unknown(Kind::Amount(Unit::Percent), NO_BLOWER),
        }
    }

    pub(crate) fn interval(&self) -> Fact {
        self.blower().map_or_else(|| Fact::unknown(Kind::Time, NO_BLOWER), |b| time(b.interval))
    }

    pub(crate) fn age(&self) -> Fact {
        let at = self.0.facts.at;
        let newest = self.newest();
        self.0.used(newest.map(|p| p.at));
        match newest {
            Some(point) => time(at.since(point.at)),
            None => Fact::unknown(Kind::Time, NO_PROOF),
        }
    }

    pub(crate) fn due_time(&self, span: Span) -> Fact {
        match self.blower() {
            Some(blower) => Fact::known(Kind::Time, blower.schedule.duty() * span.as_seconds()),
            None => Fact::unknown(Kind::Time, NO_BLOWER),
        }
    }

    /// How long it ran in the last `span`, by its proof signal.
    pub(crate) fn run_time(&self, context: &NativeCallContext, span: Span) -> Result<Fact, Trouble> {
        if let Some(why) = self.hidden(span) {
            return Ok(Fact::unknown(Kind::Time, why));
        }
        let (blower, points) = match self.heard(context, span)? {
            Ok(heard) => heard,
            Err(why) => return Ok(Fact::unknown(Kind::Time, why)),
        };
        let at = self.0.facts.at;
        let (ran, seen) = match blower.proof {
            RunProof::RunCounter => counted(&points, at - span),
            RunProof::Signal { on_above, .. } => {
                sampled(&points, at - span, at, on_above, silent_after(blower.interval))
            }
            RunProof::ScheduledOnly => (0.0, 0.0),
        };
        if seen < limits::RUN_COVERED_AT_LEAST * span.as_seconds() {
            return Ok(Fact::unknown(Kind::Time, format!("the blower's signal covers too little of the last {span}")));
        }
        Ok(Fact::known(Kind::Time, ran * span.as_seconds() / seen))
    }

    /// How often it started in the last `span`, by its proof signal.
    pub(crate) fn starts(&self, context: &NativeCallContext, span: Span) -> Result<Fact, Trouble> {
        let unknown = |why: String| Ok(Fact::unknown(Kind::Number, why));
        if let Some(why) = self.hidden(span) {
            return unknown(why);
        }
        let (blower, points) = match self.heard(context, span)? {
            Ok(heard) => heard,
            Err(why) => return unknown(why.into()),
        };
        // Two starts show as two only if a reading falls between them.
        let apart = match blower.schedule {
            BlowerSchedule::Pulses { on, every } => every - on,
            BlowerSchedule::Continuous => Span::days(1),
        };
        if blower.proof == RunProof::RunCounter && apart < blower.interval.times(2) {
            return unknown("its counter is read too seldom to tell one start from the next".into());
        }
        let from = self.0.facts.at - span;
        let (mut starts, mut ran, mut seen) = (0u32, None, Span::ZERO);
        for pair in points.windows(2).filter(|pair| pair[1].at > from) {
            let step = pair[1].at.since(pair[0].at);
            if step >= apart.min(silent_after(blower.interval)) {
                ran = None;
                continue;
            }
            let runs = match blower.proof {
                RunProof::Signal { on_above, .. } => pair[1].value > on_above,
                _ => pair[1].value != pair[0].value,
            };
            let before = match blower.proof {
                RunProof::Signal { on_above, .. } => Some(pair[0].value > on_above),
                _ => ran,
            };
            starts += u32::from(runs && before == Some(false));
            ran = Some(runs);
            seen = seen + step;
        }
        if seen.as_seconds() < limits::RUN_COVERED_AT_LEAST * span.as_seconds() {
            return unknown(format!("the blower's signal covers too little of the last {span}"));
        }
        Ok(Fact::known(Kind::Number, f64::from(starts)))
    }

    /// Whether it runs at present.
    pub(crate) fn running(&self) -> Result<bool, Trouble> {
        let unknown = |why: &str| Err(Trouble::Unknown(why.into()));
        let Some(blower) = self.blower() else { return unknown(NO_BLOWER) };
        let Some((newest, window)) = self.newest().zip(blower.window.as_ref()) else { return unknown(NO_PROOF) };
        self.0.used(Some(newest.at));
        // A reading says nothing of a present that lies further off than the next one.
        if self.0.facts.at.since(newest.at) > blower.interval.times(2) {
            return unknown("the blower's signal is silent");
        }
        match blower.proof {
            RunProof::Signal { on_above, .. } => Ok(newest.value > on_above),
            RunProof::ScheduledOnly => unknown(NO_PROOF),
            RunProof::RunCounter => {
                let before = window.range(Timestamp::MIN, newest.at - Span::millis(1)).next_back();
                let Some(before) = before else { return unknown("its counter has been read only once") };
                let share = (newest.value - before.value) / newest.at.since(before.at).as_seconds();
                match share {
                    0.0 => Ok(false),
                    share if share > 0.5 => Ok(true),
                    _ => unknown("the blower started or stopped between the two newest readings of its counter"),
                }
            }
        }
    }

    /// For how long up to its newest reading it has been proven not to run: what was not heard does not count.
    pub(crate) fn idle(&self, context: &NativeCallContext) -> Result<Fact, Trouble> {
        let (blower, points) = match self.heard(context, self.0.header.window)? {
            Ok(heard) => heard,
            Err(why) => return Ok(Fact::unknown(Kind::Time, why)),
        };
        let Some(newest) = points.last() else { return Ok(Fact::unknown(Kind::Time, NO_PROOF)) };
        let since = match blower.proof {
            // Between two equal readings of a counter it did not run, whatever lies between.
            RunProof::RunCounter => {
                let ran = points.windows(2).rposition(|pair| pair[0].value != pair[1].value);
                points.get(ran.map_or(0, |n| n + 1)).map(|p| p.at)
            }
            RunProof::Signal { on_above, .. } => {
                let gap = silent_after(blower.interval).max(CELL.times(2));
                let silent = points.windows(2).rposition(|pair| pair[1].at.since(pair[0].at) > gap);
                let heard = points.get(silent.map_or(0, |n| n + 1)).map(|p| p.at);
                let shown = points.iter().rev().find(|p| p.value > on_above).map(|p| p.at);
                // Older pulses are lost in medians: what the engine saw of them counts, since it watches.
                let watched = self.0.facts.at - self.0.facts.watching;
                heard.max(shown).max(blower.ran_at).max(Some(watched))
            }
            RunProof::ScheduledOnly => None,
        };
        Ok(match since {
            Some(since) => time(newest.at.since(since.min(newest.at))),
            None => Fact::unknown(Kind::Time, NO_PROOF),
        })
    }

    /// Scheduled pulses in a row, up to now, that did not come. Before on-air nobody waited for any.
    pub(crate) fn missed_pulses(&self, context: &NativeCallContext) -> Result<Fact, Trouble> {
        let every = match self.blower().map(|b| b.schedule) {
            Some(BlowerSchedule::Pulses { every, .. }) => every,
            Some(BlowerSchedule::Continuous) => {
                return Ok(Fact::unknown(Kind::Number, "the blower runs all the time: it has no cycles"));
            }
            None => return Ok(Fact::unknown(Kind::Number, NO_BLOWER)),
        };
        Ok(match self.idle(context)?.value {
            Ok(idle) => {
                let wanted = self.blower().and_then(|b| b.wanted_since);
                let wanted = wanted.map_or(f64::MAX, |since| self.0.facts.at.since(since).as_seconds().max(0.0));
                Fact::known(Kind::Number, libm::floor(idle.min(wanted) / every.as_seconds()))
            }
            Err(why) => Fact::unknown(Kind::Number, why),
        })
    }

    /// Why a window is too long for the pulses in it to show.
    fn hidden(&self, span: Span) -> Option<String> {
        let blower = self.blower()?;
        let pulses = matches!(blower.schedule, BlowerSchedule::Pulses { .. });
        let sampled = matches!(blower.proof, RunProof::Signal { .. });
        (pulses && sampled && span > EXACT)
            .then(|| format!("cycles show in a sampled signal for the newest {EXACT} only"))
    }

    /// The proof signal's readings over a window and what lies before it, or why they prove nothing of the present.
    fn heard(
        &self,
        context: &NativeCallContext,
        span: Span,
    ) -> Result<Result<(&BlowerFacts, Vec<Point>), ImmutableString>, Trouble> {
        let Some(blower) = self.blower() else { return Ok(Err(NO_BLOWER.into())) };
        let at = self.0.facts.at;
        let (Some(window), Some(newest)) = (&blower.window, self.newest()) else { return Ok(Err(NO_PROOF.into())) };
        if at.since(newest.at) > silent_after(blower.interval) {
            return Ok(Err(format!("the blower's signal has been silent for {}", at.since(newest.at)).into()));
        }
        if !self.countable() {
            return Ok(Err("the blower's on-time is too short for its signal to show each cycle".into()));
        }
        let from = at - span;
        // A counter is read from its last value before the time asked for, half of it further back at the most.
        let before = silent_after(blower.interval).max(Span::millis(span.as_millis() / 2));
        let read = window.count(from - before, at) as u64;
        self.0.charge(context, limits::GATHERING + read / limits::POINTS_A_STEP)?;
        let points: Vec<Point> = window.range(from - before, at).collect();
        self.0.used(Some(newest.at));
        Ok(Ok((blower, points)))
    }

    fn newest(&self) -> Option<Point> {
        let at = self.0.facts.at;
        let window = self.blower()?.window.as_ref()?;
        match window.newest() {
            Some(point) if point.at > at => window.range(Timestamp::MIN, at).next_back(),
            other => other,
        }
    }
}

const NO_BLOWER: &str = "no blower serves the bin";
const NO_PROOF: &str = "no signal shows whether the blower runs";

/// Seconds run and seconds seen, by a counter: it misses nothing, so gaps do not matter. A step back is a counter that was reset.
fn counted(points: &[Point], from: Timestamp) -> (f64, f64) {
    let start = points.partition_point(|p| p.at <= from).saturating_sub(1);
    let points = points.get(start..).unwrap_or_default();
    let ran = points
        .windows(2)
        .map(|pair| if pair[1].value >= pair[0].value { pair[1].value - pair[0].value } else { pair[1].value.max(0.0) })
        .sum();
    let seen = points.first().zip(points.last()).map_or(0.0, |(first, last)| last.at.since(first.at).as_seconds());
    (ran, seen)
}

/// Seconds run and seconds seen, by samples: each stands until the next one, if that comes in time.
fn sampled(points: &[Point], from: Timestamp, to: Timestamp, on_above: f64, max_gap: Span) -> (f64, f64) {
    let steps = points.windows(2).filter(|pair| pair[1].at.since(pair[0].at) <= max_gap);
    steps.fold((0.0, 0.0), |(ran, seen), pair| {
        let length = pair[1].at.min(to).since(pair[0].at.max(from)).as_seconds().max(0.0);
        (if pair[0].value > on_above { ran + length } else { ran }, seen + length)
    })
}
