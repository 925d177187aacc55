//! What judging costs, in the steps of the rule language, and which rules rest because it was too much.
//!
//! Must never count time: a recording has to come to the same rests on any machine.

use std::collections::BTreeMap;

use pile::time::{Span, Timestamp};

use crate::alarm::Subject;
use crate::limits;

/// Rules that rest, and what the round under way has cost.
#[derive(Debug, Default)]
pub(crate) struct Work {
    /// The minute that the round is of.
    round: Option<i64>,
    /// What each rule has cost in it.
    costs: BTreeMap<String, u64>,
    /// What all judgements have cost since the start.
    all: u64,
    /// Until when a rule rests, for one subject or, without one, everywhere.
    resting: BTreeMap<(String, Option<Subject>), Timestamp>,
}

/// Where a rule rests.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Rests {
    /// For the subject that it was too much for.
    Here,
    /// For every subject.
    Everywhere,
}

impl Work {
    /// Whether a rule rests for a subject at this time.
    pub(crate) fn rests(&self, rule: &str, subject: &Subject, at: Timestamp) -> bool {
        let until = |subject| self.resting.get(&(rule.to_owned(), subject)).is_some_and(|until| at < *until);
        !self.resting.is_empty() && (until(None) || until(Some(subject.clone())))
    }

    /// A rule was too much for a subject: it rests there, and everywhere once that is so for many.
    pub(crate) fn rest(&mut self, rule: &str, subject: &Subject, at: Timestamp) -> Rests {
        self.resting.retain(|_, until| at < *until);
        self.resting.insert((rule.to_owned(), Some(subject.clone())), at + limits::RULE_RESTS);
        let here = self.resting.keys().filter(|(name, subject)| name == rule && subject.is_some()).count();
        if here < limits::RULE_RESTS_EVERYWHERE_AT {
            return Rests::Here;
        }
        self.rest_everywhere(rule, at);
        Rests::Everywhere
    }

    /// A rule rests for every subject.
    pub(crate) fn rest_everywhere(&mut self, rule: &str, at: Timestamp) {
        self.resting.insert((rule.to_owned(), None), at + limits::RULE_RESTS);
    }

    /// Adds what a judgement cost to the round it belongs to. Where the round becomes more than `most`, gives the rule that cost the most in
    /// it and how much, and forgets that cost: the rule is to rest.
    pub(crate) fn spend(&mut self, rule: &str, steps: u64, at: Timestamp, most: u64) -> Option<(String, u64)> {
        self.all = self.all.saturating_add(steps);
        let round = at.as_millis().div_euclid(limits::TICK.as_millis());
        if self.round != Some(round) {
            self.round = Some(round);
            self.costs.clear();
        }
        dearest(&mut self.costs, rule, steps, most)
    }

    /// What all judgements have cost since the start.
    pub(crate) fn all(&self) -> u64 {
        self.all
    }

    /// Rules that are not what they were rest no longer.
    pub(crate) fn wake(&mut self, changed: impl Fn(&str) -> bool) {
        self.resting.retain(|(rule, _), _| !changed(rule));
        self.costs.retain(|rule, _| !changed(rule));
    }
}

/// Adds a cost. Where all of them together are more than `most`, takes out the highest one and gives it.
pub(crate) fn dearest(costs: &mut BTreeMap<String, u64>, rule: &str, steps: u64, most: u64) -> Option<(String, u64)> {
    match costs.get_mut(rule) {
        Some(cost) => *cost = cost.saturating_add(steps),
        None => drop(costs.insert(rule.to_owned(), steps)),
    }
    let all = costs.values().fold(0u64, |sum, cost| sum.saturating_add(*cost));
    if all <= most {
        return None;
    }
    let rule = costs.iter().max_by_key(|(_, cost)| **cost).map(|(rule, _)| rule.clone())?;
    costs.remove_entry(&rule)
}

/// How many steps all bins together may cost in one minute.
pub(crate) fn round_most(bins: usize) -> u64 {
    limits::ROUND_STEPS.max(limits::ROUND_STEPS_A_BIN.saturating_mul(bins as u64))
}

const _: () =
    assert!(limits::RULE_RESTS.as_millis() >= Span::hours(1).as_millis(), "shorter rests cost more than they spare");
