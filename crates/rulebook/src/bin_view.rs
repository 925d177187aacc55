//! What a rule sees of a bin beside its signals: probes, batch, log, blower.
//!
//! Must never tell of anything later than the tick.

use std::sync::Arc;

use pile::time::{Span, Timestamp};
use pile::window::Point;
use rhai::{ImmutableString, NativeCallContext};
use site::entry::{Batch, ENTRY_WORDS, Entry, EntryKind, Stage};
use site::model::{BlowerSchedule, Position, RunProof};
use site::quantity::{Quantity, Unit};

use crate::fact::{Fact, Kind, Trouble};
use crate::facts::{BlowerFacts, Signal};
use crate::fault::did_you_mean;
use crate::judgement::Judgement;
use crate::limits;
use crate::signals::{SignalSet, newest, silent_after};

/// The bin that is judged.
#[derive(Clone, Debug)]
pub(crate) struct Bin(pub(crate) Arc<Judgement>);

/// One probe's one quantity, for rules about the probe itself.
#[derive(Clone, Debug)]
pub(crate) struct ProbeView(Arc<Judgement>, usize);

/// The batch in the bin.
#[derive(Clone, Debug)]
pub(crate) struct BatchView(Arc<Judgement>);

/// The blower that serves the bin.
#[derive(Clone, Debug)]
pub(crate) struct BlowerView(Arc<Judgement>);

fn time(span: Span) -> Fact {
    Fact::known(Kind::Time, span.as_seconds())
}

impl Bin {
    pub(crate) fn name(&self) -> ImmutableString {
        self.0.facts.bin.as_str().into()
    }

    pub(crate) fn temperature(&self, position: Position) -> SignalSet {
        SignalSet::new(&self.0, Quantity::Temperature, Some(position))
    }

    pub(crate) fn signal(&self, quantity: &str, position: Option<&str>) -> Result<SignalSet, Trouble> {
        let known = Quantity::from_key(quantity).ok_or_else(|| {
            unknown_word("quantity", quantity, site::quantity::QUANTITIES.iter().map(|(_, key)| *key))
        })?;
        let position = match position {
            None => None,
            Some(word) => {
                let found = site::model::POSITIONS.iter().find(|(_, key)| *key == word).map(|(p, _)| *p);
                let keys = site::model::POSITIONS.iter().map(|(_, key)| *key);
                Some(found.ok_or_else(|| unknown_word("position", word, keys))?)
            }
        };
        Ok(SignalSet::new(&self.0, known, position))
    }

    pub(crate) fn probes(&self) -> Vec<ProbeView> {
        (0..self.0.facts.signals.len()).map(|index| ProbeView(Arc::clone(&self.0), index)).collect()
    }

    pub(crate) fn batch(&self) -> BatchView {
        BatchView(Arc::clone(&self.0))
    }

    pub(crate) fn blower(&self) -> BlowerView {
        BlowerView(Arc::clone(&self.0))
    }

    pub(crate) fn watching(&self) -> Fact {
        time(self.0.facts.watching)
    }

    /// How long ago the newest entry of this kind says it happened.
    pub(crate) fn since(&self, kind: &str) -> Result<Fact, Trouble> {
        let kind = entry_word(kind)?;
        Ok(match self.entries(kind).next_back() {
            Some(entry) => time(self.0.facts.at.since(entry.at)),
            None => Fact::unknown(Kind::Time, format!("the log has no `{kind}` since on-air")),
        })
    }

    /// How many entries of this kind there are.
    pub(crate) fn count(&self, kind: &str) -> Result<i64, Trouble> {
        Ok(self.entries(entry_word(kind)?).count() as i64)
    }

    pub(crate) fn watered_litres(&self) -> Fact {
        let litres = self.entries("watered").next_back().map(|entry| match entry.kind {
            EntryKind::Watered { litres, .. } => litres,
            _ => None,
        });
        match litres {
            Some(Some(litres)) => Fact::known(Kind::Volume, litres.0),
            Some(None) => Fact::unknown(Kind::Volume, "nobody wrote how much was watered"),
            None => Fact::unknown(Kind::Volume, "the log has no `watered` since on-air"),
        }
    }

    pub(crate) fn watered_minutes(&self) -> Fact {
        let minutes = self.entries("watered").next_back().map(|entry| match entry.kind {
            EntryKind::Watered { minutes, .. } => minutes,
            _ => None,
        });
        match minutes {
            Some(Some(minutes)) => Fact::known(Kind::Time, minutes * 60.0),
            Some(None) => Fact::unknown(Kind::Time, "nobody wrote how long was watered"),
            None => Fact::unknown(Kind::Time, "the log has no `watered` since on-air"),
        }
    }

    /// Entries of one kind up to the tick, in the order of their own times.
    fn entries<'a>(&'a self, kind: &'a str) -> impl DoubleEndedIterator<Item = &'a Entry> {
        let mut entries: Vec<&Entry> =
            self.0.facts.entries.iter().filter(|e| e.kind.key() == kind && e.at <= self.0.facts.at).collect();
        entries.sort_by_key(|e| e.at);
        entries.into_iter()
    }
}

fn entry_word(kind: &str) -> Result<&'static str, Trouble> {
    ENTRY_WORDS.iter().find(|k| **k == kind).copied().ok_or_else(|| unknown_word("entry", kind, ENTRY_WORDS))
}

fn unknown_word<'a>(what: &str, word: &str, known: impl IntoIterator<Item = &'a str> + Clone) -> Trouble {
    Trouble::Wrong(match did_you_mean(word, known.clone()) {
        Some(near) => format!("there is no {what} `{word}`; did you mean `{near}`?"),
        None => {
            let all: Vec<&str> = known.into_iter().collect();
            format!("there is no {what} `{word}`; there are {}", all.join(", "))
        }
    })
}

impl ProbeView {
    fn signal(&self) -> &Signal {
        &self.0.facts.signals[self.1]
    }

    pub(crate) fn id(&self) -> ImmutableString {
        self.signal().probe.as_str().into()
    }

    pub(crate) fn position(&self) -> ImmutableString {
        self.signal().position.key().into()
    }

    pub(crate) fn quantity(&self) -> ImmutableString {
        self.signal().quantity.key().into()
    }

    pub(crate) fn said(&self) -> ImmutableString {
        let s = self.signal();
        format!("{} ({} {})", s.probe, s.position.key(), s.quantity).into()
    }

    /// Serves the whole site: every bin's rules see it.
    pub(crate) fn site_wide(&self) -> bool {
        matches!(self.signal().position, Position::Ambient | Position::Room)
    }

    pub(crate) fn interval(&self) -> Fact {
        time(self.signal().interval)
    }

    /// How long ago anything at all came from it.
    pub(crate) fn heard(&self) -> Fact {
        let heard = self.signal().heard_at.filter(|t| *t <= self.0.facts.at);
        self.0.used(heard);
        match heard {
            Some(heard) => time(self.0.facts.at.since(heard)),
            None => Fact::unknown(Kind::Time, format!("{}: nothing heard yet", self.said())),
        }
    }

    pub(crate) fn bad_in_a_row(&self) -> i64 {
        self.0.used(self.signal().heard_at);
        i64::from(self.signal().bad_in_a_row)
    }

    pub(crate) fn last_bad(&self) -> Fact {
        match self.signal().last_bad {
            Some((_, value)) => Fact::known(Kind::of(self.signal().quantity), value),
            None => Fact::unknown(Kind::of(self.signal().quantity), format!("{}: no bad reading", self.said())),
        }
    }

    pub(crate) fn last_bad_age(&self) -> Fact {
        match self.signal().last_bad {
            Some((at, _)) => time(self.0.facts.at.since(at)),
            None => Fact::unknown(Kind::Time, format!("{}: no bad reading", self.said())),
        }
    }

    pub(crate) fn last(&self) -> Fact {
        match newest(self.signal(), self.0.facts.at) {
            Some(point) => Fact::known(Kind::of(self.signal().quantity), point.value),
            None => Fact::unknown(Kind::of(self.signal().quantity), format!("{}: no reading yet", self.said())),
        }
    }

    /// For how long up to its newest reading it has given one and the same value, to the last bit that windows keep.
    pub(crate) fn same_for(&self, context: &NativeCallContext) -> Result<Fact, Trouble> {
        let at = self.0.facts.at;
        let signal = self.signal();
        let Some(newest) = newest(signal, at) else {
            return Ok(Fact::unknown(Kind::Time, format!("{}: no reading yet", self.said())));
        };
        self.0.used(Some(newest.at));
        let (mut since, mut steps) = (newest.at, 1);
        for point in signal.window.range(at - self.0.header.window, at).rev() {
            steps += 1;
            // Older readings are kept as f32 medians; a gap may hide that it moved.
            if point.value as f32 != newest.value as f32 || since.since(point.at) > self.0.header.max_gap {
                break;
            }
            since = point.at;
        }
        self.0.charge(context, steps)?;
        Ok(time(newest.at.since(since)))
    }
}

impl BatchView {
    fn batch(&self) -> Option<&Batch> {
        self.0.facts.batch.as_ref()
    }

    pub(crate) fn known(&self) -> bool {
        self.batch().is_some()
    }

    pub(crate) fn age(&self) -> Fact {
        match self.batch() {
            Some(batch) => time(self.0.facts.at.since(batch.on_air_at)),
            None => Fact::unknown(Kind::Time, "there is no batch in the bin"),
        }
    }

    pub(crate) fn off_air(&self) -> Fact {
        match self.batch().map(|b| b.off_air_at) {
            Some(Some(at)) if at <= self.0.facts.at => time(self.0.facts.at.since(at)),
            Some(_) => Fact::unknown(Kind::Time, "the batch is on air"),
            None => Fact::unknown(Kind::Time, "there is no batch in the bin"),
        }
    }

    pub(crate) fn stage(&self) -> ImmutableString {
        match self.batch().map(|b| b.stage(self.0.facts.at)) {
            Some(Stage::OnAir) => "on-air".into(),
            Some(Stage::OffAir) => "off-air".into(),
            None => "none".into(),
        }
    }

    pub(crate) fn loaded_at(&self) -> Fact {
        match self.batch().map(|b| b.loaded_at) {
            Some(Some(celsius)) => Fact::known(Kind::Temperature, celsius.0),
            Some(None) => Fact::unknown(Kind::Temperature, "nobody wrote how warm the batch was when it was loaded"),
            None => Fact::unknown(Kind::Temperature, "there is no batch in the bin"),
        }
    }
}

impl BlowerView {
    fn blower(&self) -> Option<&BlowerFacts> {
        self.0.facts.blower.as_ref()
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
        let Some(blower) = self.blower() else { return Ok(Fact::unknown(Kind::Time, NO_BLOWER)) };
        let at = self.0.facts.at;
        let (Some(window), Some(newest)) = (&blower.window, self.newest()) else {
            return Ok(Fact::unknown(Kind::Time, NO_PROOF));
        };
        if at.since(newest.at) > silent_after(blower.interval) {
            return Ok(Fact::unknown(
                Kind::Time,
                format!("the blower's signal has been silent for {}", at.since(newest.at)),
            ));
        }
        if !self.countable() {
            return Ok(Fact::unknown(
                Kind::Time,
                "the blower's pulses are too short for its signal to show each of them",
            ));
        }
        let pulses = matches!(blower.schedule, BlowerSchedule::Pulses { .. });
        if pulses && matches!(blower.proof, RunProof::Signal { .. }) && span > pile::window::EXACT {
            return Ok(Fact::unknown(
                Kind::Time,
                format!("pulses show in a sampled signal for the newest {} only", pile::window::EXACT),
            ));
        }
        let from = at - span;
        // A counter is read from its last value before the time asked for, half of it further back at the most.
        let before = silent_after(blower.interval).max(Span::millis(span.as_millis() / 2));
        let points: Vec<Point> = window.range(from - before, at).collect();
        self.0.charge(context, points.len() as u64 + 1)?;
        self.0.used(Some(newest.at));
        let (ran, seen) = match blower.proof {
            RunProof::RunCounter => counted(&points, from),
            RunProof::Signal { on_above, .. } => sampled(&points, from, at, on_above, silent_after(blower.interval)),
            RunProof::ScheduledOnly => (0.0, 0.0),
        };
        if seen < limits::RUN_COVERED_AT_LEAST * span.as_seconds() {
            return Ok(Fact::unknown(Kind::Time, format!("the blower's signal covers too little of the last {span}")));
        }
        Ok(Fact::known(Kind::Time, ran * span.as_seconds() / seen))
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
