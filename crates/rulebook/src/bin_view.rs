//! What a rule sees of a bin beside its signals: probes, batch, log, blower.
//!
//! Must never tell of anything later than the tick.

use std::sync::Arc;

use pile::time::{Span, Timestamp};
use rhai::{ImmutableString, NativeCallContext};
use site::entry::{Batch, ENTRY_WORDS, Entry, EntryKind};
use site::model::Position;
use site::quantity::Quantity;
use site::reading::Source;

use crate::blower_view::BlowerView;
use crate::fact::{Fact, Kind, Trouble};
use crate::facts::{Neighbour, Signal, in_material};
use crate::fault::did_you_mean;
use crate::judgement::Judgement;
use crate::limits;
use crate::signals::{SignalSet, middle_of, newest};

/// The bin that is judged.
#[derive(Clone, Debug)]
pub(crate) struct Bin(pub(crate) Arc<Judgement>);

/// One probe's one quantity, for rules about the probe itself.
#[derive(Clone, Debug)]
pub(crate) struct ProbeView(Arc<Judgement>, usize);

/// The batch in the bin.
#[derive(Clone, Debug)]
pub(crate) struct BatchView(pub(crate) Arc<Judgement>);

/// Some of the other bins of the site.
#[derive(Clone, Debug)]
pub(crate) struct Neighbours {
    judgement: Arc<Judgement>,
    members: Vec<usize>,
}

/// One of the other bins.
#[derive(Clone, Debug)]
pub(crate) struct NeighbourView(Arc<Judgement>, usize);

pub(crate) fn time(span: Span) -> Fact {
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
        let known = quantity_word(quantity)?;
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

    /// One probe's signal: its temperature, or another quantity.
    pub(crate) fn probe(&self, id: &str, quantity: &str) -> Result<SignalSet, Trouble> {
        Ok(SignalSet::of_probe(&self.0, quantity_word(quantity)?, id))
    }

    /// How long the probes have been out of the material.
    pub(crate) fn probes_out(&self) -> Fact {
        let facts = &self.0.facts;
        match facts.probes_out.last() {
            Some((from, Timestamp::MAX)) if *from <= facts.at => time(facts.at.since(*from)),
            _ => Fact::unknown(Kind::Time, "the probes are in the material"),
        }
    }

    pub(crate) fn neighbours(&self) -> Neighbours {
        self.0.spend(limits::GATHERING + self.0.facts.neighbours.len() as u64 / 8);
        Neighbours { members: (0..self.0.facts.neighbours.len()).collect(), judgement: Arc::clone(&self.0) }
    }

    /// When the newest entry of this kind says it happened.
    pub(crate) fn entry_at(&self, kind: &str) -> Result<Option<Timestamp>, Trouble> {
        Ok(self.entries(entry_word(kind)?).next_back().map(|entry| entry.at))
    }

    pub(crate) fn probes(&self) -> Vec<ProbeView> {
        self.0.spend(limits::GATHERING * self.0.facts.signals.len() as u64);
        (0..self.0.facts.signals.len()).map(|index| ProbeView(Arc::clone(&self.0), index)).collect()
    }

    pub(crate) fn batch(&self) -> BatchView {
        BatchView(Arc::clone(&self.0))
    }

    pub(crate) fn blower(&self) -> BlowerView {
        BlowerView::new(&self.0)
    }

    /// How high the pile is when the bin is full, as a bare number of metres.
    pub(crate) fn height(&self) -> Fact {
        match self.0.facts.height {
            Some(metres) => Fact::known(Kind::Number, metres),
            None => Fact::unknown(Kind::Number, "the settings give no height for this bin"),
        }
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

    /// When entries of these kinds say that they happened.
    pub(crate) fn entries_of(&self, kinds: &[&'static str]) -> Vec<Timestamp> {
        kinds.iter().flat_map(|kind| self.entries(kind).map(|entry| entry.at)).collect()
    }

    /// Litres that people watered in the last `span`; minutes count by what the hose gives.
    pub(crate) fn watered_over(&self, span: Span) -> Fact {
        let (from, hose) = (self.0.facts.at - span, self.0.facts.water.hose);
        let mut sum = 0.0;
        for entry in self.entries("watered").filter(|entry| entry.at > from) {
            let EntryKind::Watered { litres, minutes } = entry.kind else { continue };
            let by_minutes = minutes.zip(hose).map(|(minutes, hose)| minutes * hose.0);
            match litres.map(|l| l.0).or(by_minutes) {
                Some(litres) => sum += litres,
                None => return Fact::unknown(Kind::Volume, "a watering of that time names no amount"),
            }
        }
        Fact::known(Kind::Volume, sum)
    }

    /// Entries of one kind up to the tick, in the order of their own times.
    fn entries<'a>(&'a self, kind: &'a str) -> impl DoubleEndedIterator<Item = &'a Entry> {
        // They are gone through and put in order.
        self.0.spend(limits::GATHERING + self.0.facts.entries.len() as u64);
        let mut entries: Vec<&Entry> =
            self.0.facts.entries.iter().filter(|e| e.kind.key() == kind && e.at <= self.0.facts.at).collect();
        entries.sort_by_key(|e| e.at);
        entries.into_iter()
    }
}

fn quantity_word(word: &str) -> Result<Quantity, Trouble> {
    Quantity::from_key(word)
        .ok_or_else(|| unknown_word("quantity", word, site::quantity::QUANTITIES.iter().map(|(_, key)| *key)))
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
        match &self.signal().source {
            Source::Probe(id) => id.as_str().into(),
            Source::Blower(id) => id.as_str().into(),
        }
    }

    fn place(&self) -> &'static str {
        self.signal().position.map_or("", Position::key)
    }

    pub(crate) fn position(&self) -> ImmutableString {
        self.place().into()
    }

    pub(crate) fn quantity(&self) -> ImmutableString {
        self.signal().quantity.key().into()
    }

    pub(crate) fn said(&self) -> ImmutableString {
        format!("{} ({} {})", self.id(), self.place(), self.signal().quantity).into()
    }

    /// The same as a signal, for figures over windows.
    pub(crate) fn as_signal(&self) -> SignalSet {
        SignalSet::of_probe(&self.0, self.signal().quantity, &self.id())
    }

    /// Sits in the material.
    pub(crate) fn in_pile(&self) -> bool {
        self.signal().position.is_some_and(in_material)
    }

    /// Serves the whole site: every bin's rules see it.
    pub(crate) fn site_wide(&self) -> bool {
        self.signal().site_wide
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
        let from = at - self.0.header.window;
        self.0.charge(context, limits::GATHERING + signal.window.count(from, at) as u64 / limits::POINTS_A_STEP)?;
        let mut since = newest.at;
        for point in signal.window.range(from, at).rev() {
            // Older readings are kept as f32 medians; a gap may hide that it moved.
            if point.value as f32 != newest.value as f32 || since.since(point.at) > self.0.header.max_gap {
                break;
            }
            since = point.at;
        }
        Ok(time(newest.at.since(since)))
    }

    /// The smallest change from one of its readings to the next that shows over the window: its step, or half of that where several
    /// readings share five minutes.
    pub(crate) fn step(&self, context: &NativeCallContext) -> Result<Fact, Trouble> {
        let at = self.0.facts.at;
        let signal = self.signal();
        let from = at - self.0.header.window;
        self.0.charge(context, limits::GATHERING + signal.window.count(from, at) as u64 / limits::POINTS_A_STEP)?;
        let (mut smallest, mut before) = (None::<f64>, None::<f64>);
        for point in signal.window.range(from, at) {
            // Older readings are kept as f32 medians.
            let value = f64::from(point.value as f32);
            let change = before.map(|b| (value - b).abs()).filter(|c| *c > 0.0);
            smallest = [smallest, change].into_iter().flatten().reduce(f64::min);
            before = Some(value);
        }
        let kind = Kind::of(signal.quantity).change();
        Ok(match smallest {
            Some(step) => Fact::known(kind, step),
            None => Fact::unknown(kind, format!("{}: it has not changed", self.said())),
        })
    }
}

impl BatchView {
    pub(crate) fn batch(&self) -> Option<&Batch> {
        self.0.facts.batch.as_ref()
    }

    pub(crate) fn known(&self) -> bool {
        self.batch().is_some()
    }

    pub(crate) fn age(&self) -> Fact {
        match self.batch() {
            Some(Batch { on_air_at: Some(on_air), .. }) => time(self.0.facts.at.since(*on_air)),
            Some(_) => Fact::unknown(Kind::Time, "the batch is not on air yet"),
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
            Some(stage) => stage.key().into(),
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

impl Neighbours {
    fn each(&self) -> impl Iterator<Item = (usize, &Neighbour)> {
        self.members.iter().filter_map(|i| self.judgement.facts.neighbours.get(*i).map(|n| (*i, n)))
    }

    fn only(&self, keep: impl Fn(&Neighbour) -> bool) -> Neighbours {
        self.judgement.spend(limits::GATHERING + self.members.len() as u64);
        let members = self.each().filter(|(_, n)| keep(n)).map(|(i, _)| i).collect();
        Neighbours { judgement: Arc::clone(&self.judgement), members }
    }

    /// Those with a batch on air.
    pub(crate) fn on_air(&self) -> Neighbours {
        self.only(|n| n.on_air)
    }

    /// Those on the blower of this bin.
    pub(crate) fn same_blower(&self) -> Neighbours {
        let own = self.judgement.facts.blower.as_ref().map(|b| b.blower.clone());
        self.only(|n| own.is_some() && n.blower == own)
    }

    pub(crate) fn count(&self) -> i64 {
        self.members.len() as i64
    }

    pub(crate) fn list(&self) -> Vec<NeighbourView> {
        self.judgement.spend(limits::GATHERING * (1 + self.members.len() as u64));
        self.members.iter().map(|index| NeighbourView(Arc::clone(&self.judgement), *index)).collect()
    }

    /// The median of their core temperatures.
    pub(crate) fn core(&self) -> Fact {
        self.judgement.spend(limits::GATHERING * (1 + self.members.len() as u64));
        let mut cores: Vec<f64> = self.each().filter_map(|(_, n)| n.core).map(|p| p.value).collect();
        cores.sort_by(f64::total_cmp);
        self.judgement.used(self.each().filter_map(|(_, n)| n.core).map(|p| p.at).max());
        match middle_of(&cores) {
            Some(median) => Fact::known(Kind::Temperature, median),
            None => Fact::unknown(Kind::Temperature, "no neighbouring bin's core is heard"),
        }
    }
}

impl NeighbourView {
    fn neighbour(&self) -> &Neighbour {
        &self.0.facts.neighbours[self.1]
    }

    pub(crate) fn name(&self) -> ImmutableString {
        self.neighbour().bin.as_str().into()
    }

    pub(crate) fn on_air(&self) -> bool {
        self.neighbour().on_air
    }

    pub(crate) fn same_blower(&self) -> bool {
        let own = self.0.facts.blower.as_ref().map(|b| &b.blower);
        own.is_some() && self.neighbour().blower.as_ref() == own
    }

    pub(crate) fn core(&self) -> Fact {
        match self.neighbour().core {
            Some(point) => {
                self.0.used(Some(point.at));
                Fact::known(Kind::Temperature, point.value)
            }
            None => Fact::unknown(Kind::Temperature, format!("the core of {} is not heard", self.name())),
        }
    }
}
