//! From facts to alarms: which rules are due, what they may know, and what their answers do to the alarms.
//!
//! Must never let one rule's failure keep another from being judged.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use pile::time::{Span, Timestamp};
use rulebook::answer::{Answer, Verdict};
use rulebook::facts::Facts;
use rulebook::header::{Evidence, Guards, Priority, Scope};
use rulebook::{Rule, RuleFault, Rulebook};
use site::entry::BatchId;
use site::ids::BinId;

use crate::alarm::{Alarm, AlarmId, AlarmKey, AlarmState, Closing, Subject};
use crate::builtin::{self, Builtin};
use crate::conditioning::{Conditioning, Delays, Phase, Proven};
use crate::effect::{Effect, Level};
use crate::engine::Engine;
use crate::handling::Finding;
use crate::life::Event;
use crate::limits;
use crate::work::{Rests, dearest, round_most};

/// What a rule found at a tick.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Found {
    pub(crate) at: Timestamp,
    pub(crate) text: String,
}

impl Engine {
    /// Judges the rules of a bin that are due at `at`; gives how many were.
    pub(crate) fn tick(&mut self, bin: &BinId, at: Timestamp, effects: &mut Vec<Effect>) -> u64 {
        self.look_for_pulled_probes(bin, at, effects);
        let Some(state) = self.bins.get(bin) else { return 0 };
        let phase = state.phase;
        let stage = state.batch.as_ref().map(|b| b.stage(at));
        let rulebook = Arc::clone(&self.rulebook);
        let due: Vec<&Rule> = rulebook
            .rules()
            .iter()
            .filter(|r| r.header.scope == Scope::Bin)
            .filter(|r| (at - Span::millis(1)).next_on_grid(r.header.every, phase) == at)
            .filter(|r| r.header.stages.is_empty() || stage.is_some_and(|s| r.header.stages.contains(&s)))
            .collect();
        if due.is_empty() {
            return 0;
        }
        let mut facts = self.facts(bin, at);
        if due.iter().any(|rule| rule.asks_neighbours) {
            facts.neighbours = Arc::new(self.neighbours(bin, at));
        }
        self.judge_each(&rulebook, &due, &Arc::new(facts), &Subject::Bin(bin.clone()), effects)
    }

    /// Judges the rules about the whole site that are due at `at`; gives how many were.
    pub(crate) fn site_tick(&mut self, at: Timestamp, effects: &mut Vec<Effect>) -> u64 {
        let rulebook = Arc::clone(&self.rulebook);
        let due: Vec<&Rule> = rulebook
            .rules()
            .iter()
            .filter(|r| r.header.scope == Scope::Site)
            .filter(|r| (at - Span::millis(1)).next_on_grid(r.header.every, Span::ZERO) == at)
            .collect();
        let with_bins = due.iter().any(|rule| rule.asks_bins);
        match self.site_facts(at, with_bins) {
            Some(facts) if !due.is_empty() => {
                self.judge_each(&rulebook, &due, &Arc::new(facts), &Subject::Site, effects)
            }
            _ => 0,
        }
    }

    fn judge_each(
        &mut self,
        rulebook: &Rulebook,
        due: &[&Rule],
        facts: &Arc<Facts>,
        subject: &Subject,
        effects: &mut Vec<Effect>,
    ) -> u64 {
        let at = facts.at;
        let mut judged = 0;
        let mut costs = BTreeMap::new();
        for rule in due {
            if self.work.rests(&rule.name, subject, at) {
                continue;
            }
            let (answer, steps) = rulebook.judge_counting(rule, facts);
            match answer {
                Ok(answer) => {
                    judged += 1;
                    self.rule_works(at, rule, subject, effects);
                    let hides = answer.hides.clone();
                    let verdict = answer.verdict;
                    self.answered(rule, facts, subject, answer, effects);
                    self.hide_behind(at, rule, subject, verdict, &hides, effects);
                }
                Err(fault) if fault.rests => self.rest_rule(at, subject, fault, effects),
                Err(fault) => {
                    self.raise_broken_rule(at, &fault, Vec::new(), effects);
                    self.failing.insert((rule.name.clone(), subject.clone()), fault);
                }
            }
            if let Some((dear, steps)) = dearest(&mut costs, &rule.name, steps, limits::TICK_STEPS) {
                let what = format!(
                    "it took {steps} steps, the most of the rules that together took more than {} at one time",
                    limits::TICK_STEPS
                );
                self.rest_dear_rule(at, &dear, Some(subject), what, effects);
            }
            let most = round_most(self.bins.len());
            if let Some((dear, steps)) = self.work.spend(&rule.name, steps, at, most) {
                let what = format!(
                    "it took {steps} steps at all bins within one minute, the most of the rules that together took more than {most}"
                );
                self.rest_dear_rule(at, &dear, None, what, effects);
            }
        }
        judged
    }

    /// A rule was too much for a subject, or the program failed in it: it rests there, or everywhere when it does so on many.
    fn rest_rule(&mut self, at: Timestamp, subject: &Subject, fault: RuleFault, effects: &mut Vec<Effect>) {
        let rests = self.work.rest(&fault.rule, subject, at);
        self.tell_of_rest(at, subject, fault, rests, effects);
    }

    /// The dearest of many rules rests, so that the others can run.
    fn rest_dear_rule(
        &mut self,
        at: Timestamp,
        rule: &str,
        subject: Option<&Subject>,
        what: String,
        effects: &mut Vec<Effect>,
    ) {
        let path = self.rulebook.rules().iter().find(|r| r.name == rule).map_or_else(String::new, |r| r.path.clone());
        let remedy = "ask for shorter windows, or judge less often: `every` in its header";
        let fault = RuleFault::of_work(rule, &path, what, remedy);
        match subject {
            Some(subject) => self.rest_rule(at, subject, fault, effects),
            None => {
                self.work.rest_everywhere(rule, at);
                self.tell_of_rest(at, &Subject::Site, fault, Rests::Everywhere, effects);
            }
        }
    }

    fn tell_of_rest(
        &mut self,
        at: Timestamp,
        subject: &Subject,
        fault: RuleFault,
        rests: Rests,
        effects: &mut Vec<Effect>,
    ) {
        let until = self.site.zone.show(at + limits::RULE_RESTS);
        let place = match (rests, subject) {
            (Rests::Here, Subject::Bin(bin)) => format!("in bin {bin}"),
            (Rests::Here, _) => "for the site".into(),
            (Rests::Everywhere, _) => "everywhere".into(),
        };
        let rest = format!("The rule rests {place} until {until}; then it is tried again.");
        effects.push(Effect::Say { level: Level::Warn, text: format!("rule {}: {fault}. {rest}", fault.rule) });
        self.raise_broken_rule(at, &fault, vec![rest], effects);
        // What rests everywhere fails everywhere; it works again when it answers for the subject that was the last straw.
        self.failing.insert((fault.rule.clone(), subject.clone()), fault);
    }

    /// Hides the alarms that this rule's alarm tells of while it stands, and shows those again that it no longer tells of. A rule
    /// about a bin hides alarms of that bin alone.
    fn hide_behind(
        &mut self,
        at: Timestamp,
        rule: &Rule,
        subject: &Subject,
        verdict: Verdict,
        hides: &[(String, String)],
        effects: &mut Vec<Effect>,
    ) {
        if hides.is_empty() && !self.hiding.contains(&rule.name) && rule.header.handling.guards != Some(Guards::Fire) {
            return;
        }
        self.hiding.insert(rule.name.clone());
        let own = AlarmKey { rule: rule.name.clone(), subject: subject.clone() };
        let stands = self.alarms.get(&own).is_some_and(|a| a.conditioning.raised());
        let guards_fire = rule.header.handling.guards == Some(Guards::Fire);
        // What cannot be told, or lies in the deadband, leaves hidden what is hidden.
        if stands && verdict != Verdict::Alarm {
            return;
        }
        let reached = |key: &AlarmKey| own.bin().is_none() || key.bin() == own.bin();
        let mut wanted: BTreeSet<AlarmKey> = match stands {
            true => hides
                .iter()
                .filter_map(|(rule, bin)| {
                    let bin = BinId::new(bin).ok().filter(|bin| self.bins.contains_key(bin))?;
                    Some(AlarmKey { rule: rule.clone(), subject: Subject::Bin(bin) }).filter(reached)
                })
                .collect(),
            false => BTreeSet::new(),
        };
        if stands && guards_fire {
            wanted.extend(self.hidden_by_fire(&own));
        }
        let hidden = |a: &&Alarm| a.life.by_design.as_deref() == Some(rule.name.as_str()) && reached(&a.key);
        let now: BTreeSet<AlarmKey> = self.alarms.values().filter(hidden).map(|a| a.key.clone()).collect();
        let rulebook = Arc::clone(&self.rulebook);
        for key in wanted.difference(&now) {
            if let Some(hidden) = rulebook.rules().iter().find(|r| r.name == key.rule) {
                self.hide_by_design(key, hidden, &rule.name, at, effects);
            }
        }
        for key in now.difference(&wanted) {
            self.show_by_design(key, at, effects);
        }
    }

    fn answered(
        &mut self,
        rule: &Rule,
        facts: &Arc<Facts>,
        subject: &Subject,
        answer: Answer,
        effects: &mut Vec<Effect>,
    ) {
        let at = facts.at;
        let key = AlarmKey { rule: rule.name.clone(), subject: subject.clone() };
        let delays = Delays { on: rule.header.on_delay, off: rule.header.off_delay, max_gap: rule.header.max_gap };
        let evidence_at = match rule.header.evidence {
            Evidence::Clock => Some(at),
            // Evidence older than a late reading would be is no evidence of the present, however it came into the windows.
            Evidence::Readings => {
                let oldest = self.late_after(key.bin()) + rule.header.every;
                answer.evidence_at.filter(|evidence| at.since(*evidence) <= oldest)
            }
        };
        // Most answers are "clear" about an alarm that never was: nothing is kept of those.
        let known = self.alarms.contains_key(&key);
        if !known && answer.verdict != Verdict::Alarm {
            return;
        }
        if let (Verdict::Alarm, Some(at)) = (answer.verdict, evidence_at) {
            self.found.insert(key.clone(), Found { at, text: answer.finding.clone() });
        }
        let rulebook = Arc::clone(&self.rulebook);
        let verdict = match answer.verdict {
            Verdict::Clear if self.may_not_end(&key, at) => Verdict::Keep,
            verdict => verdict,
        };
        let alarm = self.alarm(&key, rule);
        let before = alarm.conditioning;
        let proven = alarm.conditioning.absorb(verdict, evidence_at, delays);
        let moved = alarm.conditioning.phase != before.phase || alarm.conditioning.pending();
        let worse = answer.graver && answer.verdict == Verdict::Alarm && evidence_at.is_some();
        let still_true =
            answer.verdict == Verdict::Alarm && evidence_at.is_some() && alarm.conditioning.phase == Phase::On;
        let worsens = proven.is_none() && worse && alarm.conditioning.phase == Phase::On && !alarm.graver;
        let mut finding = Finding {
            text: answer.finding,
            deed: answer.deed,
            evidence: answer.evidence,
            figures: answer.figures,
            evidence_at,
            line: answer.line,
            ..Finding::default()
        };
        if proven.is_some() || worsens {
            finding.explained = rulebook.explain(rule, facts);
        }
        let (event, since) = match proven {
            Some(Proven::Raise { onset }) => (Event::Raise, onset),
            Some(Proven::Clear { end }) => (Event::Clear, end),
            None => {
                // A proof in progress is kept, so that a restart does not begin it again.
                if moved {
                    effects.push(Effect::Alarm { alarm: Box::new(alarm.clone()), event: None });
                }
                if worsens {
                    alarm.graver = true;
                    let _ = self.happen(&key, at, Event::Escalate, at, finding, effects);
                } else if still_true {
                    self.give_water_back(&key, at, finding, effects);
                }
                return;
            }
        };
        // How grave it became holds until the next raise: whoever was told of it hears of its end.
        if event == Event::Raise {
            alarm.graver = worse;
        }
        if event == Event::Raise
            && let Some(fire) = self.fire_before(rule, &key)
        {
            self.hide_by_design(&key, rule, &fire, at, effects);
        }
        // Only people's words are refused.
        let _ = self.happen(&key, at, event, since, finding, effects);
    }

    /// When a reading is late, among those of a bin and the site-wide ones, or among all of them.
    pub(crate) fn late_after(&self, bin: Option<&BinId>) -> Span {
        let slowest = match bin.and_then(|bin| self.site.bins.get(bin)) {
            Some(bin) => {
                let own = bin.probes.iter().filter_map(|id| self.site.probes.get(id)).map(|p| p.interval);
                own.fold(self.slowest_shared, Span::max)
            }
            None => self.slowest,
        };
        limits::LATE_AFTER.max(slowest.times(3))
    }

    pub(crate) fn alarm(&mut self, key: &AlarmKey, rule: &Rule) -> &mut Alarm {
        self.alarm_named(key, &rule.header.title, rule.priority, &rule.revision)
    }

    fn alarm_named(&mut self, key: &AlarmKey, title: &str, priority: Priority, revision: &str) -> &mut Alarm {
        if !self.alarms.contains_key(key) {
            self.last_alarm += 1;
        }
        let id = AlarmId(self.last_alarm);
        let alarm = self.alarms.entry(key.clone()).or_insert_with(|| Alarm {
            title: title.to_owned(),
            priority,
            revision: revision.to_owned(),
            ..Alarm::new(id, key.clone())
        });
        if alarm.revision != revision {
            // An edited rule starts its proofs again; what stood stays until the new text proves clear.
            alarm.conditioning.break_proof();
            alarm.revision = revision.to_owned();
            alarm.title = title.to_owned();
            alarm.priority = priority;
        }
        alarm
    }

    /// Raises one of the daemon's own alarms; one that stands stays as it is.
    pub(crate) fn raise_builtin(
        &mut self,
        builtin: &Builtin,
        subject: Subject,
        at: Timestamp,
        finding: String,
        evidence: Vec<String>,
        effects: &mut Vec<Effect>,
    ) {
        let key = AlarmKey { rule: builtin.rule.to_owned(), subject };
        let alarm = self.alarm_named(&key, builtin.title, builtin.priority(), "");
        let no_delay = Delays { on: Span::ZERO, off: Span::ZERO, max_gap: Span::days(36_500) };
        // The daemon's own conditions are judged by the clock, possibly more than once at one instant.
        let evidence_at = alarm.conditioning.last.map_or(at, |last| at.max(last + Span::millis(1)));
        if let Some(Proven::Raise { onset }) = alarm.conditioning.absorb(Verdict::Alarm, Some(evidence_at), no_delay) {
            let finding = Finding { evidence, ..Finding::plain(finding, at) };
            let _ = self.happen(&key, at, Event::Raise, onset.min(at), finding, effects);
        }
    }

    /// Clears one of the daemon's own alarms, if it stands.
    pub(crate) fn clear_builtin(
        &mut self,
        builtin: &Builtin,
        subject: &Subject,
        at: Timestamp,
        finding: &str,
        effects: &mut Vec<Effect>,
    ) {
        let key = AlarmKey { rule: builtin.rule.to_owned(), subject: subject.clone() };
        let Some(alarm) = self.alarms.get_mut(&key).filter(|a| a.conditioning.phase != Phase::Idle) else { return };
        alarm.conditioning = Conditioning { phase: Phase::Idle, last: Some(at) };
        let _ = self.happen(&key, at, Event::Clear, at, Finding::plain(finding, at), effects);
    }

    /// A rule does not compile, or failed.
    pub(crate) fn raise_broken_rule(
        &mut self,
        at: Timestamp,
        fault: &RuleFault,
        more: Vec<String>,
        effects: &mut Vec<Effect>,
    ) {
        let mut evidence = Vec::new();
        if let Some(line) = &fault.source_line {
            evidence.push(format!("The line reads: {}", line.trim()));
        }
        if !fault.remedy.is_empty() {
            evidence.push(fault.remedy.clone());
        }
        evidence.extend(more);
        let subject = Subject::Rule(fault.rule.clone());
        self.raise_builtin(&builtin::BROKEN_RULE, subject, at, fault.to_string(), evidence, effects);
    }

    fn rule_works(&mut self, at: Timestamp, rule: &Rule, judged: &Subject, effects: &mut Vec<Effect>) {
        let here = self.failing.remove(&(rule.name.clone(), judged.clone()));
        // A rule about bins failed for the whole site only if it was too dear everywhere, and it is no longer.
        let everywhere = match rule.header.scope {
            Scope::Bin => self.failing.remove(&(rule.name.clone(), Subject::Site)),
            Scope::Site => None,
        };
        if here.or(everywhere).is_none() {
            return;
        }
        if !self.failing.keys().any(|(name, _)| *name == rule.name) {
            let subject = Subject::Rule(rule.name.clone());
            self.clear_builtin(&builtin::BROKEN_RULE, &subject, at, "the rule runs again wherever it failed", effects);
        }
    }

    /// Retires alarms whose rule is no longer there, and a broken-rule alarm whose rule compiles again.
    pub(crate) fn retire_removed_rules(&mut self, at: Timestamp, effects: &mut Vec<Effect>) {
        let names: Vec<&str> = self.rulebook.rules().iter().map(|r| r.name.as_str()).collect();
        let failing = self.failing.keys().map(|(rule, _)| rule.as_str());
        let broken: Vec<&str> = self.broken.iter().map(|f| f.rule.as_str()).chain(failing).collect();
        // What a rule hid that is gone hides no longer.
        let fire = builtin::FIRE_UNGUARDED.rule;
        let behind =
            |a: &&Alarm| a.life.by_design.as_deref().is_some_and(|rule| rule != fire && !names.contains(&rule));
        let shown: Vec<AlarmKey> = self.alarms.values().filter(behind).map(|a| a.key.clone()).collect();
        let scopes: Vec<(&str, Scope)> =
            self.rulebook.rules().iter().map(|r| (r.name.as_str(), r.header.scope)).collect();
        let why = |key: &AlarmKey| match &key.subject {
            Subject::Rule(rule) if names.contains(&rule.as_str()) => Closing::RuleWorks,
            _ => Closing::RuleRemoved,
        };
        let gone: Vec<(AlarmKey, Closing)> = self
            .alarms
            .keys()
            .filter(|key| match &key.subject {
                Subject::Rule(rule) => key.rule == builtin::BROKEN_RULE.rule && !broken.contains(&rule.as_str()),
                // Those are the daemon's own; see `forget_people`.
                Subject::Person(_) => false,
                // A rule whose text is broken at present is not gone: its alarms stand until it can judge again.
                subject => {
                    let scope = if *subject == Subject::Site { Scope::Site } else { Scope::Bin };
                    !scopes.contains(&(key.rule.as_str(), scope))
                        && !broken.contains(&key.rule.as_str())
                        && !builtin::ALL.iter().any(|b| b.rule == key.rule)
                }
            })
            .map(|key| (key.clone(), why(key)))
            .collect();
        for key in shown {
            self.show_by_design(&key, at, effects);
        }
        for (key, why) in gone {
            self.retire(&key, at, why, effects);
        }
    }

    /// Retires alarms of rules that do not apply to the stage the bin's batch is in now. `was` is the batch that was in the bin before.
    pub(crate) fn retire_where_stage_ended(
        &mut self,
        at: Timestamp,
        bin: &BinId,
        was: Option<BatchId>,
        effects: &mut Vec<Effect>,
    ) {
        let state = self.bins.get(bin);
        let unfit = state.and_then(|s| s.unfit.as_ref()).map(|unfit| unfit.batch);
        let now = state.and_then(|s| s.batch.as_ref()).map(|b| (b.id, b.stage(at)));
        let why = match (now, unfit) {
            (Some((batch, stage)), _) if was.is_none_or(|was| was == batch) => Closing::Stage { batch, stage },
            (None, Some(batch)) if was.is_none_or(|was| was == batch) => Closing::NotJudged { batch },
            _ => Closing::Left { batch: was },
        };
        let stage = self.bins.get(bin).and_then(|s| s.batch.as_ref()).map(|b| b.stage(at));
        let ended: Vec<AlarmKey> = self
            .rulebook
            .rules()
            .iter()
            .filter(|r| !r.header.stages.is_empty() && !stage.is_some_and(|s| r.header.stages.contains(&s)))
            .map(|r| AlarmKey { rule: r.name.clone(), subject: Subject::Bin(bin.clone()) })
            .collect();
        for key in &ended {
            // It is not judged here any more, so it cannot show here that it works.
            let failed_here = self.failing.remove(&(key.rule.clone(), key.subject.clone())).is_some();
            let fails = self.failing.keys().any(|(name, _)| *name == key.rule);
            if failed_here && !fails && !self.broken.iter().any(|fault| fault.rule == key.rule) {
                let subject = Subject::Rule(key.rule.clone());
                let words = "the rule is no longer judged where it failed";
                self.clear_builtin(&builtin::BROKEN_RULE, &subject, at, words, effects);
            }
            self.retire(key, at, why, effects);
        }
        // What they hid in this bin is hidden no longer, unless it is retired with them.
        let behind = |a: &&Alarm| {
            let by = a.life.by_design.as_deref();
            a.key.bin() == Some(bin) && ended.iter().any(|key| by == Some(key.rule.as_str()))
        };
        let shown: Vec<AlarmKey> = self.alarms.values().filter(behind).map(|a| a.key.clone()).collect();
        for key in shown {
            self.show_by_design(&key, at, effects);
        }
    }

    pub(crate) fn retire(&mut self, key: &AlarmKey, at: Timestamp, why: Closing, effects: &mut Vec<Effect>) {
        if self.may_not_end(key, at) {
            return;
        }
        let Some(alarm) = self.alarms.get_mut(key) else { return };
        let pending = alarm.conditioning.pending();
        alarm.conditioning = Conditioning { phase: Phase::Idle, last: alarm.conditioning.last };
        match alarm.life.state {
            // It ended by itself and waits for nothing but somebody's eye.
            AlarmState::Normal | AlarmState::ReturnedUnacknowledged => {
                if pending {
                    effects.push(Effect::Alarm { alarm: Box::new(alarm.clone()), event: None });
                }
            }
            _ => {
                let finding = Finding { closing: Some(why), ..Finding::plain(why.words(), at) };
                let _ = self.happen(key, at, Event::Retire, at, finding, effects);
            }
        }
    }
}
