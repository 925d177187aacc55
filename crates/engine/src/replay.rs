//! Lives recorded history again: feeds an engine what a site sent and wrote down, and keeps what its alarms did.
//!
//! Must never judge by another way than [`Engine::step`], and never mail: what comes out is a list.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use pile::time::{Span, Timestamp};
use pile::window::Point;
use rulebook::Rulebook;
use rulebook::header::Priority;
use site::entry::BatchId;
use site::ids::BinId;
use site::judge::Standing;
use site::model::Site;
use site::reading::{Quality, SeriesId};

use crate::Engine;
use crate::alarm::{AlarmEventKind, AlarmKey, Subject};
use crate::effect::Effect;
use crate::input::{Input, PreviousRun};
use crate::restore::Restored;

/// Judges a batch by its history up to a time.
pub type Judge<'j> = Box<dyn FnMut(&BinId, BatchId, Timestamp) -> Vec<Standing> + 'j>;

/// An engine that lives history again.
pub struct Replay<'j> {
    engine: Engine,
    /// The daemon's own alarms are no part of a replay: what raised them is not in the history of the piles.
    rules: BTreeSet<String>,
    told: Vec<Told>,
    refused: Vec<(Timestamp, String)>,
    unknown: BTreeMap<String, u64>,
    /// Readings that cannot be true: history that is asked for is given without them.
    doubted: BTreeSet<(SeriesId, Timestamp)>,
    /// Who judges batches, where a rule asks for results.
    judge: Option<Judge<'j>>,
}

/// One thing that an alarm of a rule did.
#[derive(Clone, Debug, PartialEq)]
pub struct Told {
    /// When.
    pub at: Timestamp,
    /// What: raised, cleared or retired.
    pub kind: AlarmEventKind,
    /// Which alarm.
    pub key: AlarmKey,
    /// Its urgency.
    pub priority: Priority,
    /// Counts its raises in this replay, 1 for the first.
    pub occurrence: u32,
    /// What the rule found.
    pub finding: String,
}

/// An alarm from its raise to its end.
#[derive(Clone, Debug, PartialEq)]
pub struct Occurrence {
    /// The raise.
    pub raised: Told,
    /// Its end, where it came to one.
    pub ended: Option<Told>,
}

/// What two replays of one history say about one occurrence of an alarm; at least one of them has it.
#[derive(Clone, Debug, PartialEq)]
pub struct Difference {
    /// By the rules in force.
    pub in_force: Option<Occurrence>,
    /// By the rules that are tried.
    pub tried: Option<Occurrence>,
}

/// How a tried rule differs about one occurrence.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Change {
    /// Only the tried rules raise it.
    New,
    /// Only the rules in force raise it.
    Gone,
    /// Raised and ended at the same times.
    Same,
    /// At other times.
    Moved {
        /// By how much later it is raised; negative when earlier.
        raised_later: Span,
        /// By how much later it ends; `None` when one of them or both do not end.
        ended_later: Option<Span>,
    },
}

/// What the engine wants to be told.
enum Wanted {
    History(SeriesId, Timestamp),
    Results(BinId, BatchId, Timestamp),
}

impl<'j> Replay<'j> {
    /// An engine at `begin`. It has nobody to mail to, so that no mail waits.
    pub fn new(site: &Site, rulebook: Rulebook, restored: Restored, begin: Timestamp) -> Replay<'j> {
        let mut site = site.clone();
        site.people.clear();
        Replay {
            rules: rulebook.rules().iter().map(|r| r.name.clone()).collect(),
            engine: Engine::new(Arc::new(site), rulebook, Vec::new(), restored, begin),
            told: Vec::new(),
            refused: Vec::new(),
            unknown: BTreeMap::new(),
            doubted: BTreeSet::new(),
            judge: None,
        }
    }

    /// Has batches judged: rules that ask for results get them.
    #[must_use]
    pub fn with_judge(mut self, judge: Judge<'j>) -> Replay<'j> {
        self.judge = Some(judge);
        self
    }

    /// Feeds one input at `now`, everything that was due before it first. `history` gives the readings of a series in a span of
    /// time, ends included, oldest first; it must leave out what had not come in by the later end.
    ///
    /// # Errors
    /// Those of `history`.
    pub fn feed<E>(
        &mut self,
        now: Timestamp,
        input: Input,
        history: &mut impl FnMut(&SeriesId, Timestamp, Timestamp) -> Result<Vec<Point>, E>,
    ) -> Result<(), E> {
        self.wait(now);
        let asked = self.step(now, input);
        self.answer(now, asked, history)
    }

    /// The daemon of that time was off from `last_alive` to `now`: nothing was judged in between.
    ///
    /// # Errors
    /// Those of `history`.
    pub fn restart<E>(
        &mut self,
        last_alive: Timestamp,
        now: Timestamp,
        history: &mut impl FnMut(&SeriesId, Timestamp, Timestamp) -> Result<Vec<Point>, E>,
    ) -> Result<(), E> {
        self.wait(last_alive);
        let previous = Some(PreviousRun { last_alive, stopped_cleanly: true });
        let asked = self.step(now, Input::Started { previous });
        self.answer(now, asked, history)
    }

    /// Lets time pass up to `now`, which is included.
    pub fn finish(&mut self, now: Timestamp) {
        self.wait(now);
        self.step(now, Input::Wake);
    }

    /// What the alarms did, in order.
    pub fn told(&self) -> &[Told] {
        &self.told
    }

    /// Entries that the engine refused: when, and why.
    pub fn refused(&self) -> &[(Timestamp, String)] {
        &self.refused
    }

    /// Readings of probes and blowers that the settings do not have, counted by series.
    pub fn unknown(&self) -> &BTreeMap<String, u64> {
        &self.unknown
    }

    /// Gives the engine the history that it asks for, until it asks for no more.
    fn answer<E>(
        &mut self,
        now: Timestamp,
        mut asked: Vec<Wanted>,
        history: &mut impl FnMut(&SeriesId, Timestamp, Timestamp) -> Result<Vec<Point>, E>,
    ) -> Result<(), E> {
        while let Some(wanted) = asked.pop() {
            match wanted {
                Wanted::History(series, from) => {
                    let mut points = history(&series, from, now)?;
                    points.retain(|p| !self.doubted.contains(&(series.clone(), p.at)));
                    asked.extend(self.step(now, Input::Recalled { series, from, points }));
                }
                results => asked.extend(self.tell_results(now, results)),
            }
        }
        Ok(())
    }

    fn tell_results(&mut self, now: Timestamp, wanted: Wanted) -> Vec<Wanted> {
        let (Wanted::Results(bin, batch, at), Some(judge)) = (wanted, &mut self.judge) else { return Vec::new() };
        let standings = judge(&bin, batch, at);
        self.step(now, Input::Judged { bin, batch, at, standings })
    }

    /// Wakes the engine at its deadlines before `now`, as the daemon does.
    fn wait(&mut self, now: Timestamp) {
        while let Some(at) = self.engine.next_deadline().filter(|at| *at < now) {
            for wanted in self.step(at, Input::Wake) {
                self.tell_results(at, wanted);
            }
        }
    }

    /// Steps the engine; gives the history that it asks for.
    fn step(&mut self, now: Timestamp, input: Input) -> Vec<Wanted> {
        let mut asked = Vec::new();
        for effect in self.engine.step(now, input) {
            match effect {
                Effect::Alarm { alarm, event: Some(event) } => {
                    use AlarmEventKind::{Cleared, Raised, Retired};
                    let about_rules =
                        self.rules.contains(&alarm.key.rule) || matches!(alarm.key.subject, Subject::Rule(_));
                    if about_rules && matches!(event.kind, Raised | Cleared | Retired) {
                        self.told.push(Told {
                            at: event.at,
                            kind: event.kind,
                            key: alarm.key.clone(),
                            priority: alarm.priority,
                            occurrence: event.occurrence,
                            finding: event.words,
                        });
                    }
                }
                Effect::Recall { series, from } => asked.push(Wanted::History(series, from)),
                Effect::Judge { bin, batch, until } => asked.push(Wanted::Results(bin, batch, until)),
                Effect::Store { reading, quality, .. } if quality != Quality::Good => {
                    self.doubted.insert((reading.series, reading.measured_at));
                }
                Effect::Refuse(refusal) => *self.unknown.entry(refusal.topic).or_default() += 1,
                Effect::Reply(Err(why)) => self.refused.push((now, why)),
                _ => {}
            }
        }
        asked
    }
}

impl Difference {
    /// What differs.
    pub fn change(&self) -> Change {
        match (&self.in_force, &self.tried) {
            (Some(old), Some(new)) => {
                let raised_later = new.raised.at.since(old.raised.at);
                let ended_later = match (&old.ended, &new.ended) {
                    (Some(old), Some(new)) => Some(new.at.since(old.at)),
                    _ => None,
                };
                let same_end = old.ended.is_some() == new.ended.is_some();
                if raised_later == Span::ZERO && same_end && ended_later.is_none_or(|by| by == Span::ZERO) {
                    Change::Same
                } else {
                    Change::Moved { raised_later, ended_later }
                }
            }
            (None, _) => Change::New,
            (Some(_), None) => Change::Gone,
        }
    }

    /// The occurrence as the tried rules have it, else as those in force do.
    pub fn either(&self) -> Option<&Occurrence> {
        self.tried.as_ref().or(self.in_force.as_ref())
    }
}

/// Joins raises with their ends, in the order of the raises.
pub fn occurrences(told: &[Told]) -> Vec<Occurrence> {
    let mut all: Vec<Occurrence> = Vec::new();
    let mut standing: BTreeMap<&AlarmKey, usize> = BTreeMap::new();
    for event in told {
        if event.kind == AlarmEventKind::Raised {
            standing.insert(&event.key, all.len());
            all.push(Occurrence { raised: event.clone(), ended: None });
        } else if let Some(place) = standing.remove(&event.key) {
            all[place].ended = Some(event.clone());
        }
    }
    all
}

/// Sets two replays of one history against each other. Occurrences of one alarm that stood at a common time are one and the same;
/// each is matched once, in the order of their raises.
pub fn compare(in_force: &[Told], tried: &[Told]) -> Vec<Difference> {
    let mut old: Vec<Option<Occurrence>> = occurrences(in_force).into_iter().map(Some).collect();
    let mut all: Vec<Difference> = Vec::new();
    for new in occurrences(tried) {
        let same = old.iter_mut().find(|o| o.as_ref().is_some_and(|o| meet(o, &new)));
        all.push(Difference { in_force: same.and_then(Option::take), tried: Some(new) });
    }
    all.extend(old.into_iter().flatten().map(|gone| Difference { in_force: Some(gone), tried: None }));
    all.sort_by(|a, b| order(a).cmp(&order(b)));
    all
}

fn meet(a: &Occurrence, b: &Occurrence) -> bool {
    let end = |o: &Occurrence| o.ended.as_ref().map_or(Timestamp::MAX, |e| e.at);
    a.raised.key == b.raised.key && a.raised.at <= end(b) && b.raised.at <= end(a)
}

fn order(difference: &Difference) -> Option<(Timestamp, &AlarmKey)> {
    let first = [&difference.in_force, &difference.tried];
    first.into_iter().flatten().map(|o| (o.raised.at, &o.raised.key)).min()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    /// `R3 C7` on one line: raised at hour 3, cleared at hour 7.
    fn told(text: &str) -> Vec<Told> {
        let mut occurrence = 0;
        text.split_whitespace()
            .map(|word| {
                let (kind, hour) = word.split_at(1);
                let raised = kind == "R";
                occurrence += u32::from(raised);
                Told {
                    at: Timestamp::from_millis(0) + Span::hours(hour.parse().unwrap()),
                    kind: if raised { AlarmEventKind::Raised } else { AlarmEventKind::Cleared },
                    key: AlarmKey { rule: "r".into(), subject: Subject::Bin(BinId::new("b").unwrap()) },
                    priority: Priority::Low,
                    occurrence,
                    finding: String::new(),
                }
            })
            .collect()
    }

    #[test]
    fn two_replays_are_set_against_each_other() {
        let moved = |raised: i64, ended: Option<i64>| Change::Moved {
            raised_later: Span::hours(raised),
            ended_later: ended.map(Span::hours),
        };
        for (in_force, tried, want, why) in [
            ("R3 C7", "R3 C7", vec![Change::Same], "nothing changed"),
            ("R3", "R3", vec![Change::Same], "both stand at the end"),
            ("", "R3 C7", vec![Change::New], "only the tried rule says so"),
            ("R3 C7", "", vec![Change::Gone], "the tried rule is silent"),
            ("R3 C7", "R2 C7", vec![moved(-1, Some(0))], "earlier"),
            ("R3 C7", "R5 C9", vec![moved(2, Some(2))], "later, and over later"),
            ("R3 C7", "R4", vec![moved(1, None)], "it does not end any more"),
            ("R3", "R3 C9", vec![moved(0, None)], "it ends now"),
            ("R3 C7", "R8 C9", vec![Change::Gone, Change::New], "they never stood together"),
            ("R3 C9", "R3 C5 R7 C9", vec![moved(0, Some(-4)), Change::New], "one became two: the first is matched"),
            ("R3 C5 R7 C9", "R3 C9", vec![moved(0, Some(4)), Change::Gone], "two became one"),
            ("R1 C2 R3 C4", "R3 C4", vec![Change::Gone, Change::Same], "each is matched with the one it met"),
        ] {
            let got: Vec<Change> = compare(&told(in_force), &told(tried)).iter().map(Difference::change).collect();
            assert_eq!(got, want, "{in_force} against {tried}: {why}");
        }
    }
}
