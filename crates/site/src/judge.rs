//! Holds the history of a batch against a criterion.
//!
//! Must never take a gap for heat, nor a silent probe for a warm one, and never say that a batch complies.
//!
//! The coldest valid probe of the pile tests the lower limit and the hottest the upper one, at each instant, by a straight line between
//! readings that are close enough. Nothing is rounded before it is compared. What is not known proves nothing: where it could have
//! decided, the result is [`Outcome::CannotTell`].

use pile::time::{Span, Timestamp};
use pile::units::{Celsius, Kelvin, Metres};
use pile::window::Point;

use crate::criteria::{Criterion, Demand, System};
use crate::entry::{BatchId, Entry};
use crate::ids::{BinId, ProbeId};
use crate::model::{Display, Position};
use crate::zone::Zone;

mod because;
mod beside;
mod course;
mod deciding;
mod exact;
mod facts;
mod gathering;
mod mean;
mod places;
mod sifting;
mod timeline;
mod words;

pub use facts::read_facts;
pub use gathering::{Readings, probe_histories};
pub use words::beside as never_across;

use sifting::Sifted;

/// What is on record about a batch.
#[derive(Clone, Debug)]
pub struct History {
    /// Its bin.
    pub bin: BinId,
    /// Its number, where it has one.
    pub batch: Option<BatchId>,
    /// When it went on air.
    pub from: Timestamp,
    /// Until when it is judged.
    pub until: Timestamp,
    /// Nothing more will come: what was not met by `until` never will be.
    pub over: bool,
    /// The probes of its bin; those that are not in the pile never count.
    pub probes: Vec<ProbeHistory>,
    /// What was written about its bin, in the order of time.
    pub entries: Vec<Entry>,
    /// What is known beside readings and entries.
    pub facts: Facts,
    /// The site's clock, for words.
    pub zone: Zone,
    /// The site's units, for words.
    pub display: Display,
}

/// The readings of one probe over a batch.
#[derive(Clone, Debug)]
pub struct ProbeHistory {
    /// Which.
    pub id: ProbeId,
    /// Where it sits.
    pub position: Position,
    /// How deep, from the surface of the pile.
    pub depth: Option<Metres>,
    /// Good readings in °C, oldest first.
    pub readings: Vec<Point>,
    /// Readings that were set aside, each with the reason.
    pub set_aside: Vec<(Point, String)>,
    /// Times over which its readings do not count, ends included, each with the reason.
    pub not_counted: Vec<(Timestamp, Timestamp, String)>,
    /// When it was in another bin or place while another probe stood in its own.
    pub elsewhere: Vec<(Timestamp, Timestamp)>,
    /// These are what people read off a thermometer there, and no probe's.
    pub by_hand: bool,
}

/// What is known of a batch beside readings and entries.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Facts {
    /// The kind of composting; an aerated static pile unless somebody says otherwise.
    pub system: Option<System>,
    /// Air is drawn down through the pile.
    pub suction: bool,
    /// Thickness of the cover layer.
    pub cover: Option<Metres>,
    /// C:N of the mix when it was filled in.
    pub carbon_to_nitrogen: Option<f64>,
    /// Largest particles before composting, in millimetres.
    pub particle_millimetres: Option<f64>,
    /// When raw material was added after the batch began: everything begins again.
    pub raw_added: Vec<Timestamp>,
    /// When curing began.
    pub curing_from: Option<Timestamp>,
    /// How far a probe may be off though it passed its check.
    pub uncertainty: Option<Kelvin>,
    /// Results of a laboratory.
    pub lab: Vec<LabResult>,
    /// Checks of probes, in the order of time.
    pub checks: Vec<Check>,
}

/// One result of a laboratory.
#[derive(Clone, Debug, PartialEq)]
pub struct LabResult {
    /// When the sample was taken.
    pub sampled_at: Timestamp,
    /// What was measured.
    pub parameter: String,
    /// How much; `None` where nothing was detected.
    pub value: Option<f64>,
    /// The least that the method could have detected, where nothing was and it is known.
    pub detectable: Option<f64>,
    /// The unit.
    pub unit: String,
    /// Who measured it.
    pub laboratory: String,
}

/// One check of a probe, in ice, boiling water or against a thermometer.
#[derive(Clone, Debug, PartialEq)]
pub struct Check {
    /// When.
    pub at: Timestamp,
    /// Which probe.
    pub probe: ProbeId,
    /// Whether it passed.
    pub passed: bool,
    /// What is added to its readings from this time on.
    pub correction: Kelvin,
}

/// What a criterion's result can be.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Outcome {
    /// What was asked for was measured.
    Met,
    /// Not yet, and it still can be.
    Running,
    /// What is missing could have decided.
    CannotTell,
    /// It was measured not to be so.
    NotMet,
}

/// How the results of laboratories stand.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Laboratory {
    /// None are asked for by this criterion.
    NotAsked,
    /// Some are missing; temperature alone never releases.
    Outstanding(String),
    /// Those asked for are in hand and within their limits.
    InHand(String),
    /// One is beyond its limit.
    Beyond(String),
}

/// Where a probe is required, and which ones are there.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ZoneFound {
    /// What is required, in words.
    pub wanted: String,
    /// Valid probes there.
    pub probes: Vec<ProbeId>,
}

/// Readings that did not count.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Excluded {
    /// Of which probe.
    pub probe: ProbeId,
    /// The oldest.
    pub from: Timestamp,
    /// The newest.
    pub to: Timestamp,
    /// How many.
    pub readings: usize,
    /// Why.
    pub reason: String,
}

/// A correction without which the result would be another, at the reading that shows it best.
#[derive(Clone, Debug, PartialEq)]
pub struct Correction {
    /// Of which probe.
    pub probe: ProbeId,
    /// When the reading was taken.
    pub at: Timestamp,
    /// What the probe sent.
    pub stored: Celsius,
    /// What was added.
    pub offset: Kelvin,
    /// What was judged.
    pub corrected: Celsius,
    /// When the check was made that the offset is of.
    pub checked_at: Timestamp,
    /// The result without any correction, and when it would have been met.
    pub without: (Outcome, Option<Timestamp>),
}

/// Instants for which a probe has more than one value.
#[derive(Clone, Debug, PartialEq)]
pub struct TwoValues {
    /// Of which probe.
    pub probe: ProbeId,
    /// How many instants.
    pub instants: usize,
    /// The first of them.
    pub first: Timestamp,
    /// The newest of them.
    pub last: Timestamp,
    /// The coldest value of the first.
    pub coldest: Celsius,
    /// The hottest value of the first.
    pub hottest: Celsius,
}

/// What the history of a batch says about a criterion.
#[derive(Clone, Debug, PartialEq)]
pub struct Judgement {
    /// The criterion's id.
    pub criterion: String,
    /// The bin.
    pub bin: BinId,
    /// The batch, where it has a number.
    pub batch: Option<BatchId>,
    /// The result.
    pub result: Outcome,
    /// When it was met, to the next millisecond; never earlier than it was.
    pub met_at: Option<Timestamp>,
    /// The earliest it can be met, if it is not yet and can be.
    pub earliest_at: Option<Timestamp>,
    /// Hours that count, not rounded: of the run that met it, or that goes on, or else the longest.
    pub hours_counted: f64,
    /// Hours that are asked for.
    pub hours_needed: f64,
    /// From when to when the hours that count were: several pieces where interruptions did not end the run.
    pub counted: Vec<(Timestamp, Timestamp)>,
    /// The share of the time since the clock began in which the pile is known, 0 to 1; `None` before any time has passed.
    pub coverage_fraction: Option<f64>,
    /// Why, naming reading, probe, time and limit.
    pub because: String,
    /// It was met by less than a probe may be off.
    pub marginal: Option<String>,
    /// Results of laboratories.
    pub lab: Laboratory,
    /// Zones.
    pub zones: Vec<ZoneFound>,
    /// Readings that did not count.
    pub excluded: Vec<Excluded>,
    /// The result, and when it was met, had they counted; only where some did not.
    pub had_they_counted: Option<(Outcome, Option<Timestamp>)>,
    /// A correction of readings that decided; `because` tells it too.
    pub correction: Option<Correction>,
    /// Probes with more than one value of one instant: the coldest is held against lower limits and the hottest against upper ones, whichever
    /// came first. `because` tells them too.
    pub two_values: Vec<TwoValues>,
    /// The results of the criteria of which any one suffices.
    pub parts: Vec<Judgement>,
}

/// A result in short, as stores and rules know it.
#[derive(Clone, Debug, PartialEq)]
pub struct Standing {
    /// The criterion's id.
    pub criterion: String,
    /// The result.
    pub result: Outcome,
    /// When it was met.
    pub met_at: Option<Timestamp>,
    /// The earliest it can be met, if it is not yet and can be.
    pub earliest_at: Option<Timestamp>,
    /// Hours that count.
    pub hours_counted: f64,
    /// Hours that are asked for.
    pub hours_needed: f64,
    /// The share of the time in which the pile is known, 0 to 1.
    pub coverage_fraction: Option<f64>,
}

impl From<&Judgement> for Standing {
    fn from(j: &Judgement) -> Standing {
        Standing {
            criterion: j.criterion.clone(),
            result: j.result,
            met_at: j.met_at,
            earliest_at: j.earliest_at,
            hours_counted: j.hours_counted,
            hours_needed: j.hours_needed,
            coverage_fraction: j.coverage_fraction,
        }
    }
}

/// Every result with its word.
const OUTCOMES: [(Outcome, &str); 4] = [
    (Outcome::Met, "met"),
    (Outcome::Running, "running"),
    (Outcome::CannotTell, "cannot tell"),
    (Outcome::NotMet, "not met"),
];

/// How a history is looked at.
#[derive(Clone, Copy, Debug)]
struct Look {
    /// Readings that do not count are taken in all the same.
    with_excluded: bool,
    /// Readings are taken as the probes sent them.
    uncorrected: bool,
    /// Limits are held with this to spare, K.
    margin: f64,
}

const PLAIN: Look = Look { with_excluded: false, uncorrected: false, margin: 0.0 };

/// Holds the history against the criterion.
pub fn judge(criterion: &Criterion, history: &History) -> Judgement {
    let mut judgement = look(criterion, history, PLAIN);
    if !judgement.excluded.is_empty() {
        let other = look(criterion, history, Look { with_excluded: true, ..PLAIN });
        judgement.had_they_counted = Some((other.result, other.met_at));
    }
    judgement.correction = deciding::correction(criterion, history, &judgement);
    if let Some(correction) = &judgement.correction {
        judgement.because += &deciding::told(correction, &judgement, history);
    }
    for two in &judgement.two_values {
        judgement.because += &deciding::told_of_two(two, history);
    }
    if let (Outcome::Met, Some(off)) = (judgement.result, history.facts.uncertainty) {
        let other = look(criterion, history, Look { margin: off.0, ..PLAIN });
        if other.result != Outcome::Met {
            judgement.marginal =
                Some(format!("marginal: a probe may be off by {} K, and with that to spare it is not met", off.0));
        }
    }
    judgement
}

fn look(criterion: &Criterion, history: &History, how: Look) -> Judgement {
    match &criterion.demand {
        Demand::Course(asked) => because::judged(criterion, asked, history, how),
        Demand::AnyOf(all) => any_of(criterion, all.iter().map(|one| look(one, history, how)).collect(), history),
    }
}

/// Any one suffices: the best result stands, and of those that were met the first.
fn any_of(criterion: &Criterion, parts: Vec<Judgement>, history: &History) -> Judgement {
    let soonest = |j: &Judgement| j.met_at.or(j.earliest_at).unwrap_or(Timestamp::MAX);
    let near = |j: &Judgement| if j.hours_needed > 0.0 { j.hours_counted / j.hours_needed } else { 0.0 };
    let best = parts
        .iter()
        .min_by(|a, b| (a.result, soonest(a)).cmp(&(b.result, soonest(b))).then_with(|| near(b).total_cmp(&near(a))));
    let mut whole = Judgement {
        criterion: criterion.id.clone(),
        bin: history.bin.clone(),
        batch: history.batch,
        result: best.map_or(Outcome::CannotTell, |b| b.result),
        met_at: best.and_then(|b| b.met_at),
        earliest_at: best.and_then(|b| b.earliest_at),
        hours_counted: best.map_or(0.0, |b| b.hours_counted),
        hours_needed: best.map_or(0.0, |b| b.hours_needed),
        counted: best.map_or_else(Vec::new, |b| b.counted.clone()),
        coverage_fraction: best.and_then(|b| b.coverage_fraction),
        because: best
            .map_or_else(String::new, |b| format!("by {}, of which any one suffices: {}", b.criterion, b.because)),
        marginal: None,
        lab: Laboratory::NotAsked,
        zones: best.map_or_else(Vec::new, |b| b.zones.clone()),
        excluded: best.map_or_else(Vec::new, |b| b.excluded.clone()),
        had_they_counted: None,
        correction: None,
        two_values: best.map_or_else(Vec::new, |b| b.two_values.clone()),
        parts,
    };
    whole.lab = beside::laboratory(criterion, history, whole.met_at);
    let beside = beside::of(criterion, history);
    beside.decide(&mut whole);
    whole
}

impl Outcome {
    /// The word that JSON and listings use.
    pub fn key(self) -> &'static str {
        OUTCOMES.iter().find(|(outcome, _)| *outcome == self).map_or("", |(_, key)| key)
    }

    /// The result of a word.
    pub fn named(word: &str) -> Option<Outcome> {
        OUTCOMES.iter().find(|(_, key)| *key == word).map(|(outcome, _)| *outcome)
    }
}

impl Laboratory {
    /// The word that JSON uses.
    pub fn key(&self) -> &'static str {
        match self {
            Laboratory::NotAsked => "not asked",
            Laboratory::Outstanding(_) => "outstanding",
            Laboratory::InHand(_) => "in hand",
            Laboratory::Beyond(_) => "beyond its limit",
        }
    }

    /// What there is to say.
    pub fn words(&self) -> Option<&str> {
        match self {
            Laboratory::NotAsked => None,
            Laboratory::Outstanding(text) | Laboratory::InHand(text) | Laboratory::Beyond(text) => Some(text),
        }
    }
}

impl History {
    /// When the clock of a criterion begins: on air, or at the last raw material added.
    pub fn clock_begins(&self) -> Timestamp {
        let added = self.facts.raw_added.iter().copied().filter(|at| *at <= self.until);
        added.max().unwrap_or(self.from).max(self.from)
    }

    fn sifted(&self, how: Look) -> Vec<Sifted<'_>> {
        self.probes.iter().map(|probe| sifting::sift(probe, self, how)).collect()
    }
}

/// A time that lies in the distance, for spans that have no end yet.
fn spoken_end(at: Timestamp, until: Timestamp) -> Timestamp {
    if at > until { until } else { at }
}

/// A length in words for messages.
fn spoken(length: Span) -> String {
    length.to_string()
}
