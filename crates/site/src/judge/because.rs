//! One course of temperatures against one history: the result, and the words for it.
//!
//! Must never give a result without the reading, the time and the limit that made it.

use pile::time::{Span, Timestamp};
use pile::window::Point;

use super::course::{Material, Missing, NEVER, Progress, progress, too_few_readings};
use super::exact::{Length, Moment};
use super::sifting::{Sifted, last_good_check};
use super::timeline::{Frame, Run, Silence, State, Stretch};
use super::words::{Words, counted_hours, counting, needed_hours};
use super::{History, Judgement, Laboratory, Look, Outcome, ZoneFound, beside, look, places, spoken, spoken_end};
use crate::criteria::{Counting, Course, Criterion, Exhaust, TurningsWhen, Zone};
use crate::entry::EntryKind;
use crate::model::Position;

/// An entry this long before the pile cooled is named beside it: it may be why (ours, no source).
const LATELY: Span = Span::hours(6);

/// Readings by hand come once a day at most: they count where the criterion bridges a day (ours, no source).
const HAND_GAP: Span = Span::hours(24);

/// The result of a course of temperatures, and of what the criterion asks beside it.
pub(super) fn judged(criterion: &Criterion, asked: &Course, history: &History, how: Look) -> Judgement {
    let sifted = history.sifted(how);
    let pile: Vec<&Sifted<'_>> = sifted
        .iter()
        .filter(|s| in_pile(s.probe.position, asked, history))
        .filter(|s| !s.probe.by_hand || hand_counts(&s.probe.position, asked, &sifted))
        .collect();
    let frame = Frame { from: history.clock_begins(), until: history.until, over: history.over, gap: asked.gap };
    let turned = history.entries.iter().filter(|e| matches!(e.kind, EntryKind::Turned) && e.at <= history.until);
    let mut turned: Vec<i64> = turned.map(|e| frame.offset(e.at)).filter(|at| *at >= 0).collect();
    turned.sort_unstable();
    let before: Vec<Judgement> = asked.after_any_of.iter().map(|c| look(c, history, how)).collect();
    let first = before.iter().filter_map(|j| j.met_at).min();
    let not_before = match (before.is_empty(), first) {
        (true, _) => 0,
        (false, Some(at)) => frame.offset(at),
        (false, None) => NEVER,
    };
    let mut material = Material {
        tracks: places::tracks(&pile),
        watched: places::watched(&asked.zones, &pile, history, &frame),
        frame,
        turned,
        began: frame.offset(history.from),
        not_before,
        margin: how.margin,
        hopeful: false,
    };
    let found = progress(asked, &material);
    let undecided = not_before == NEVER && before.iter().any(|j| j.result == Outcome::CannotTell);
    let silent = found.timeline.iter().any(|s| matches!(s.state, State::Unknown(_)));
    let could_be = found.met.is_none() && (silent || undecided) && {
        material.hopeful = true;
        if undecided {
            material.not_before = 0;
        }
        progress(asked, &material).met.is_some()
    };
    let zones = asked.zones.iter().map(|zone| zone_found(zone, &pile, history)).collect::<Vec<_>>();
    let teller = Teller {
        asked,
        history,
        frame,
        pile: &pile,
        material: &material,
        words: Words { zone: &history.zone, display: history.display },
    };
    let mut judgement = Judgement {
        criterion: criterion.id.clone(),
        bin: history.bin.clone(),
        batch: history.batch,
        result: Outcome::Running,
        met_at: None,
        earliest_at: None,
        hours_counted: found.counted.hours(found.needed),
        hours_needed: found.needed as f64 / 3.6e6,
        counted: found.run.as_ref().map_or_else(Vec::new, |run| instants(&run.pieces, &frame)),
        coverage_fraction: coverage(&found.timeline, &frame),
        because: String::new(),
        marginal: None,
        lab: Laboratory::NotAsked,
        zones,
        excluded: pile.iter().flat_map(|s| s.excluded.iter().cloned()).collect(),
        had_they_counted: None,
        correction: None,
        two_values: pile.iter().filter_map(|s| s.two_values.clone()).collect(),
        parts: Vec::new(),
    };
    teller.decide(&mut judgement, &found, could_be, &before);
    // The laboratory's sample must be younger than the run, whatever else is still to come.
    judgement.lab = beside::laboratory(criterion, history, found.met.map(|at| frame.instant(at)));
    beside::of(criterion, history).decide(&mut judgement);
    judgement
}

/// Whether readings by hand count: where the criterion lets readings lie a day apart, and no probe stands there.
fn hand_counts(position: &Position, asked: &Course, all: &[Sifted<'_>]) -> bool {
    let stands = |s: &Sifted<'_>| !s.probe.by_hand && s.probe.position == *position && !s.points.is_empty();
    asked.gap >= HAND_GAP && !all.iter().any(stands)
}

/// From when to when the hours that count were.
fn instants(pieces: &[(Moment, Moment)], frame: &Frame) -> Vec<(Timestamp, Timestamp)> {
    pieces.iter().map(|(start, end)| (frame.instant(start.ceil()), frame.instant(end.ceil()))).collect()
}

fn in_pile(position: Position, asked: &Course, history: &History) -> bool {
    match position {
        Position::Base | Position::Core | Position::Upper => true,
        Position::Exhaust => asked.exhaust == Exhaust::WithSuction && history.facts.suction,
        Position::Ambient | Position::Plenum | Position::Cover | Position::Room => false,
    }
}

/// The share of the time in which the pile is known.
fn coverage(timeline: &[Stretch], frame: &Frame) -> Option<f64> {
    let mut known = Length::default();
    for stretch in timeline.iter().filter(|s| !matches!(s.state, State::Unknown(_))) {
        known.extend(stretch.start, stretch.end);
    }
    (frame.whole() > 0).then(|| known.as_millis() / frame.whole() as f64)
}

fn zone_found(zone: &Zone, pile: &[&Sifted<'_>], history: &History) -> ZoneFound {
    let here = pile.iter().filter(|s| places::stands_in(s, zone, history) && !s.points.is_empty());
    ZoneFound { wanted: places::wanted(zone), probes: here.map(|s| s.probe.id.clone()).collect() }
}

/// What it takes to find words.
struct Teller<'t> {
    asked: &'t Course,
    history: &'t History,
    frame: Frame,
    pile: &'t [&'t Sifted<'t>],
    material: &'t Material<'t>,
    words: Words<'t>,
}

impl Teller<'_> {
    /// The earliest it can be met: said only while the pile is as hot as is asked for, or once the heat itself is behind it. A colder pile
    /// may never be hot again.
    fn earliest(&self, found: &Progress) -> Option<Timestamp> {
        (found.going_on || found.counted.reaches(found.needed)).then(|| self.frame.instant(found.earliest))
    }

    /// Nothing goes on, so that the longest run is told. Spells add up to what they count instead.
    fn ended(&self) -> bool {
        self.history.over && self.asked.turnings.is_none_or(|t| t.when != TurningsWhen::AfterEachHold)
    }

    fn decide(&self, judgement: &mut Judgement, found: &Progress, could_be: bool, before: &[Judgement]) {
        let missing: Vec<&str> =
            judgement.zones.iter().filter(|z| z.probes.is_empty()).map(|z| z.wanted.as_str()).collect();
        if !missing.is_empty() {
            judgement.result = Outcome::CannotTell;
            judgement.because = format!(
                "no valid probe where one is required: {}; set one there and its depth in the settings",
                missing.join("; ")
            );
        } else if let Some(met) = found.met {
            judgement.met_at = Some(self.frame.instant(met));
            judgement.result = Outcome::Met;
            judgement.because = self.met(found, met);
            if let Some(doubt) = self.doubt(found, met) {
                judgement.result = Outcome::CannotTell;
                judgement.met_at = None;
                judgement.because = format!("{doubt}. By temperature: {}", judgement.because);
            }
        } else if could_be {
            judgement.result = Outcome::CannotTell;
            judgement.because =
                format!("{}: with the time that is not known it could be met. {}", self.gap(found), self.so_far(found));
            judgement.earliest_at = self.earliest(found).filter(|_| !self.history.over);
        } else if self.history.over {
            judgement.result = Outcome::NotMet;
            judgement.because = self.not_met(found);
        } else {
            judgement.result = Outcome::Running;
            judgement.earliest_at = self.earliest(found);
            judgement.because = self.so_far(found);
        }
        let ended = found.met.is_none() && self.ended();
        if let Some(longest) = found.longest.as_ref().filter(|_| ended) {
            judgement.hours_counted = longest.counted().hours(found.needed);
            judgement.counted = instants(&longest.pieces, &self.frame);
        }
        let first = before.iter().filter_map(|j| j.met_at).min();
        if !before.is_empty() && judgement.result != Outcome::Met {
            let names: Vec<&str> = before.iter().map(|j| j.criterion.as_str()).collect();
            let text = match first {
                Some(at) => format!("{} was met at {}", names.join(" or "), self.words.at(at)),
                None => format!("{} must be met first or at the same time, and is not", names.join(" or ")),
            };
            judgement.because = format!("{}. Order: {text}", judgement.because);
        }
    }

    /// What makes a run that is long and hot enough no proof.
    fn doubt(&self, found: &Progress, met: i64) -> Option<String> {
        let run = found.run.as_ref()?;
        if let Some(least) = self.asked.readings_per_day {
            let span = (run.start().ceil(), met);
            if let Some((probe, day, there)) = too_few_readings(&self.material.tracks, &self.frame, span, least) {
                return Some(format!(
                    "probe {} has {there} readings in the day from {}, and {least} are asked for",
                    self.pile[probe].probe.id,
                    self.words.at(self.frame.instant(day))
                ));
            }
        }
        let most = self.asked.calibration?;
        let at = self.frame.instant(met);
        self.pile.iter().find_map(|s| {
            let id = &s.probe.id;
            match last_good_check(self.history, id, at) {
                None => {
                    Some(format!("no check of probe {id} is on record; one at most {} old is asked for", spoken(most)))
                }
                Some(good) if at.since(good) > most => Some(format!(
                    "the last good check of probe {id} is of {}, more than {} before",
                    self.words.at(good),
                    spoken(most)
                )),
                Some(_) => None,
            }
        })
    }

    fn met(&self, found: &Progress, met: i64) -> String {
        let Some(run) = &found.run else { return String::new() };
        let mut text = format!(
            "every probe in the pile {} {} from {} on: {} h of the {} h asked for",
            self.words.hold(&self.asked.hold),
            counting(self.asked.hold.counting),
            self.words.at(self.frame.instant(run.start().ceil())),
            counted_hours(&found.counted, found.needed),
            needed_hours(found.needed)
        );
        let ended = run.within(run.start(), Some(Moment::at(met)));
        if let Some((probe, point)) = self.coldest(&ended.pieces) {
            let limit = self.asked.hold.floor.celsius();
            text += &format!(
                "; the coldest reading was {} of probe {probe} at {}",
                self.words.measured(point.value, limit),
                self.words.at(point.at)
            );
        }
        self.turnings(found, &mut text);
        text += &self.against_by_hand(run.start().ceil(), met);
        text + &self.bridged(found)
    }

    /// Readings by hand that were too cold while every probe was warm enough: told, though they do not decide.
    fn against_by_hand(&self, start: i64, end: i64) -> String {
        let hold = &self.asked.hold;
        let cold = self.history.probes.iter().filter(|p| p.by_hand).flat_map(|p| {
            let inside = p.readings.iter().filter(|r| (start..=end).contains(&self.frame.offset(r.at)));
            inside.filter(|r| !hold.floor.holds(r.value)).map(move |r| (p.position, *r))
        });
        let told: Vec<String> = cold
            .map(|(position, r)| {
                let value = self.words.measured(r.value, hold.floor.celsius());
                format!("{value} at {} {}", position.key(), self.words.at(r.at))
            })
            .collect();
        if told.is_empty() { String::new() } else { format!("; against it, read by hand: {}", told.join(", ")) }
    }

    fn turnings(&self, found: &Progress, text: &mut String) {
        if let Some(asked) = self.asked.turnings {
            let times: Vec<String> = found.turnings.iter().map(|at| self.words.at(self.frame.instant(*at))).collect();
            let list = if times.is_empty() { String::new() } else { format!(" ({})", times.join(", ")) };
            *text += &format!("; {} of {} turnings count{list}", times.len(), asked.least);
        }
    }

    /// Interruptions that did not end the run are always told: the longest, and what they come to, up to the time when it was met.
    fn bridged(&self, found: &Progress) -> String {
        let Some(run) = &found.run else { return String::new() };
        let until = found.met.map_or_else(|| run.end(), Moment::at);
        let Some((longest, sum)) = run.interruptions(until) else { return String::new() };
        let from = self.words.at(self.frame.instant(longest.0.ceil()));
        let length = spoken(Span::millis(Length::between(longest.0, longest.1).ceil()));
        let why = match (self.asked.turnings, self.asked.hold.counting) {
            (Some(t), _) if t.recovery > Span::ZERO => {
                format!("by the recovery window of {} after a turning", spoken(t.recovery))
            }
            (_, Counting::AsContiguous(most)) => {
                format!("because the text asks only for as contiguous as possible (taken as {} in all)", spoken(most))
            }
            _ => String::new(),
        };
        let all = match run.bridged.iter().filter(|(start, _)| *start < until).count() {
            1 => format!("{length} from {from}"),
            count => {
                format!(
                    "{count} interruptions, the longest {length} from {from}, {} in all",
                    spoken(Span::millis(sum.ceil()))
                )
            }
        };
        format!("; not counted, but not the end of it {why}: {all}")
    }

    fn so_far(&self, found: &Progress) -> String {
        // What goes on is told while more can come; afterwards the longest.
        let run = found.longest.as_ref().filter(|_| self.ended()).or(found.run.as_ref());
        let counted = run.filter(|_| self.ended()).map_or_else(|| found.counted.clone(), Run::counted);
        let mut text = format!(
            "{} h of {} h with every probe in the pile {} {}",
            counted_hours(&counted, found.needed),
            needed_hours(found.needed),
            self.words.hold(&self.asked.hold),
            counting(self.asked.hold.counting)
        );
        match (run, found.going_on && !self.ended()) {
            (Some(run), true) => text += &format!(", since {}", self.words.at(self.frame.instant(run.start().ceil()))),
            (Some(run), false) => text += &format!(", until {}", self.words.at(self.frame.instant(run.end().ceil()))),
            (None, _) => text += &format!(", since {}", self.words.at(self.frame.from)),
        }
        self.turnings(found, &mut text);
        text += &self.bridged(found);
        match (run.and_then(|run| run.ended_by.as_ref()).filter(|_| self.ended()), &found.broken) {
            (Some(end), _) => text += &format!("; ended by this: {}", self.told(end)),
            (None, Some(broken)) => text += &format!("; before that, {}", self.told(broken)),
            (None, None) => {}
        }
        let lacking: Vec<String> = found.waiting.iter().map(|m| self.lacking(*m)).filter(|t| !t.is_empty()).collect();
        if !lacking.is_empty() {
            text += &format!("; still missing: {}", lacking.join(", "));
        }
        text
    }

    fn not_met(&self, found: &Progress) -> String {
        let Some(longest) = &found.longest else {
            let cold = match &found.broken {
                Some(broken) => format!(": {}", self.told(broken)),
                None => String::new(),
            };
            return format!("the pile was never {} with every probe{cold}", self.words.hold(&self.asked.hold));
        };
        let ended = match (&longest.ended_by, &found.broken) {
            (Some(stretch), _) => format!("ended by this: {}", self.told(stretch)),
            (None, Some(before)) => format!("and nothing more will come; before that, {}", self.told(before)),
            (None, None) => "and nothing more will come".into(),
        };
        let mut text = format!(
            "at best {} h of {} h with every probe in the pile {} {}, from {} to {}, {ended}",
            counted_hours(&longest.counted(), self.asked.hold.length.as_millis()),
            needed_hours(found.needed),
            self.words.hold(&self.asked.hold),
            counting(self.asked.hold.counting),
            self.words.at(self.frame.instant(longest.start().ceil())),
            self.words.at(self.frame.instant(longest.end().ceil())),
        );
        self.turnings(found, &mut text);
        let lacking: Vec<String> = found.waiting.iter().map(|m| self.lacking(*m)).filter(|t| !t.is_empty()).collect();
        if !lacking.is_empty() {
            text += &format!("; missing: {}", lacking.join(", "));
        }
        text
    }

    fn lacking(&self, missing: Missing) -> String {
        match missing {
            Missing::Peak => self.asked.peak.map_or_else(String::new, |peak| {
                format!("{} for {} within the same time", self.words.hold(&peak), spoken(peak.length))
            }),
            Missing::Mean => self.asked.mean_above.map_or_else(String::new, |mean| {
                format!("a mean above {} over the same time at every probe", self.words.limit(mean.0))
            }),
            Missing::Turnings(1) => "1 turning".into(),
            Missing::Turnings(n) => format!("{n} turnings"),
            Missing::Reheat => self.asked.reheat.map_or_else(String::new, |again| {
                format!("{} for {} after the last turning", self.words.hold(&again), spoken(again.length))
            }),
            Missing::Age => {
                self.asked.process.map_or_else(String::new, |age| format!("an age of {} since on air", spoken(age)))
            }
            Missing::Order => "the criterion that comes first".into(),
        }
    }

    /// What a stretch that does not count is.
    fn told(&self, stretch: &Stretch) -> String {
        let hold = &self.asked.hold;
        match stretch.state {
            State::Low(e) => {
                let limit = hold.floor.celsius();
                format!(
                    "probe {} read {} at {}, where {} is asked for{}",
                    self.pile[e.probe].probe.id,
                    self.words.measured(e.point.value, limit),
                    self.words.at(e.point.at),
                    self.words.hold(hold),
                    self.lately(e.point.at)
                )
            }
            State::High(e) => format!(
                "probe {} read {} at {}, and time above the upper limit of {} does not count",
                self.pile[e.probe].probe.id,
                self.words.measured(e.point.value, hold.ceiling.map_or(f64::INFINITY, |c| c.0)),
                self.words.at(e.point.at),
                hold.ceiling.map_or_else(String::new, |c| self.words.limit(c.0))
            ),
            State::Unknown(who) => self.silence(who, stretch),
            State::Good => String::new(),
        }
    }

    fn silence(&self, who: Silence, stretch: &Stretch) -> String {
        let (from, to) = (self.frame.instant(stretch.start.ceil()), self.frame.instant(stretch.end.ceil()));
        let why = match who {
            Silence::Probe(probe) => self.set_aside(probe, from, to),
            Silence::Zone(_) => String::new(),
        };
        let who = match who {
            Silence::Probe(probe) => format!("probe {} has", self.pile[probe].probe.id),
            Silence::Zone(zone) => {
                format!("the probes in the zone {} have", self.material.watched.get(zone).map_or("", |w| &w.name))
            }
        };
        format!(
            "{who} no reading that counts between {} and {} ({}; at most {} is bridged{why})",
            self.words.at(from),
            self.words.at(spoken_end(to, self.history.until)),
            spoken(to.since(from)),
            spoken(self.asked.gap)
        )
    }

    /// Why readings in a silence do not count, where there were some.
    fn set_aside(&self, probe: usize, from: Timestamp, to: Timestamp) -> String {
        let inside = |e: &&super::Excluded| e.from <= to && e.to >= from;
        let reasons: Vec<String> = self.pile[probe].excluded.iter().filter(inside).map(|e| e.reason.clone()).collect();
        if reasons.is_empty() { String::new() } else { format!("; excluded: {}", reasons.join(", ")) }
    }

    /// The gap that matters: the longest.
    fn gap(&self, found: &Progress) -> String {
        let unknown = found.timeline.iter().filter(|s| matches!(s.state, State::Unknown(_)));
        match unknown.max_by(|a, b| Length::between(a.start, a.end).cmp(&Length::between(b.start, b.end))) {
            Some(stretch) => self.told(stretch),
            None => "the readings end too early".into(),
        }
    }

    /// What was done shortly before; it may be why.
    fn lately(&self, at: Timestamp) -> String {
        let telling = |kind: &EntryKind| {
            matches!(kind, EntryKind::Turned | EntryKind::Opened | EntryKind::Watered { .. } | EntryKind::AirChanged)
        };
        let recent = |e: &&crate::entry::Entry| telling(&e.kind) && e.at <= at && at.since(e.at) <= LATELY;
        match self.history.entries.iter().rev().find(recent) {
            Some(entry) => format!(" (the log has `{}` at {})", entry.kind.key(), self.words.at(entry.at)),
            None => String::new(),
        }
    }

    fn coldest(&self, pieces: &[(Moment, Moment)]) -> Option<(&crate::ids::ProbeId, Point)> {
        let inside = |p: &Point| {
            let at = Moment::at(self.frame.offset(p.at));
            let next = pieces.partition_point(|(_, end)| *end < at);
            pieces.get(next).is_some_and(|(start, _)| *start <= at)
        };
        let of = |s: &&Sifted<'_>| s.points.iter().copied().filter(inside).min_by(|a, b| a.value.total_cmp(&b.value));
        let coldest = self.pile.iter().filter_map(|s| Some((&s.probe.id, of(s)?)));
        coldest.min_by(|a, b| a.1.value.total_cmp(&b.1.value))
    }
}
