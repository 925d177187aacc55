//! From facts to alarms: which rules are due, what they may know, and what their answers do to the alarms.
//!
//! Must never let one rule's failure keep another from being judged.

use std::sync::Arc;

use pile::time::{Span, Timestamp};
use rulebook::answer::{Answer, Verdict};
use rulebook::header::{Evidence, Priority};
use rulebook::{Rule, RuleFault};
use site::entry::{Entry, EntryKind};
use site::ids::BinId;
use site::model::Person;
use site::quantity::Quantity;
use site::reading::{SeriesId, Source};

use crate::alarm::{Acknowledgement, Alarm, AlarmEvent, AlarmEventKind, AlarmId, AlarmKey, AlarmState, Subject};
use crate::builtin::{self, Builtin};
use crate::conditioning::{Conditioning, Delays, Proven};
use crate::effect::Effect;
use crate::engine::Engine;
use crate::life::{self, Event, LifeConfig, Told};
use crate::limits;
use crate::notice::{AlarmNotice, Chart, ChartLine, Notice, Step};

/// The words of an alarm that come from its rule, or from the daemon for its own alarms.
struct Words {
    title: String,
    priority: Priority,
    revision: String,
    cause: String,
    consequence: String,
    response: Vec<String>,
    caution: String,
    time_to_respond: Span,
}

/// What is the case, as said by a rule or by the daemon.
struct Finding {
    text: String,
    evidence: Vec<String>,
    figures: Vec<(String, String)>,
    evidence_at: Option<Timestamp>,
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
        let facts = Arc::new(facts);
        let mut judged = 0;
        for rule in due {
            match rulebook.judge(rule, &facts) {
                Ok(answer) => {
                    judged += 1;
                    self.rule_works(at, rule, bin, effects);
                    self.answered(at, rule, bin, answer, effects);
                }
                Err(fault) => {
                    self.raise_broken_rule(at, &fault, effects);
                    self.failing.insert((rule.name.clone(), bin.clone()), fault);
                }
            }
        }
        judged
    }

    fn answered(&mut self, at: Timestamp, rule: &Rule, bin: &BinId, answer: Answer, effects: &mut Vec<Effect>) {
        let key = AlarmKey { rule: rule.name.clone(), subject: Subject::Bin(bin.clone()) };
        let delays = Delays { on: rule.header.on_delay, off: rule.header.off_delay, max_gap: rule.header.max_gap };
        let evidence_at = match rule.header.evidence {
            Evidence::Clock => Some(at),
            // Evidence older than a late reading would be is no evidence of the present, however it came into the windows.
            Evidence::Readings => {
                let oldest = self.late_after(bin) + rule.header.every;
                answer.evidence_at.filter(|evidence| at.since(*evidence) <= oldest)
            }
        };
        // Most answers are "clear" about an alarm that never was: nothing is kept of those.
        let known = self.alarms.contains_key(&key);
        if !known && answer.verdict != Verdict::Alarm {
            return;
        }
        let alarm = self.alarm(&key, rule);
        let before = alarm.conditioning;
        let proven = alarm.conditioning.absorb(answer.verdict, evidence_at, delays);
        let moved = alarm.conditioning.phase != before.phase || alarm.conditioning.pending();
        let finding = Finding { text: answer.finding, evidence: answer.evidence, figures: answer.figures, evidence_at };
        match proven {
            Some(Proven::Raise { onset }) => self.raise(&key, at, onset, rule_words(rule), finding, effects),
            Some(Proven::Clear { end }) => {
                self.clear(&key, at, end, rule_words(rule), finding, AlarmEventKind::Cleared, effects);
            }
            // A proof in progress is kept, so that a restart does not begin it again.
            None if moved => effects.push(Effect::Alarm { alarm: Box::new(alarm.clone()), event: None }),
            None => {}
        }
    }

    fn late_after(&self, bin: &BinId) -> Span {
        let own = self.series.values().filter(|s| s.bin.as_ref() == Some(bin) || s.bin.is_none());
        own.map(crate::series::Series::late_after).max().unwrap_or(limits::LATE_AFTER)
    }

    fn alarm(&mut self, key: &AlarmKey, rule: &Rule) -> &mut Alarm {
        self.alarm_named(key, &rule.header.title, rule.priority, &rule.revision)
    }

    fn alarm_named(&mut self, key: &AlarmKey, title: &str, priority: Priority, revision: &str) -> &mut Alarm {
        if !self.alarms.contains_key(key) {
            self.last_alarm += 1;
        }
        let id = AlarmId(self.last_alarm);
        let alarm = self.alarms.entry(key.clone()).or_insert_with(|| Alarm {
            id,
            key: key.clone(),
            state: AlarmState::Normal,
            conditioning: Conditioning::IDLE,
            occurrence: 0,
            onset: None,
            raised_at: None,
            cleared_at: None,
            acknowledged: None,
            title: title.to_owned(),
            priority,
            revision: revision.to_owned(),
            finding: String::new(),
            evidence: Vec::new(),
            thread_subject: String::new(),
            mails: 0,
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

    fn raise(
        &mut self,
        key: &AlarmKey,
        at: Timestamp,
        onset: Timestamp,
        words: Words,
        finding: Finding,
        effects: &mut Vec<Effect>,
    ) {
        let site_id = self.site.id.clone();
        let Some(alarm) = self.alarms.get_mut(key) else { return };
        let before = alarm.state;
        let Ok((next, told)) = life::step(&alarm.life(), Event::Raise, &LifeConfig::default(), at) else { return };
        if told == Told::Nothing {
            return;
        }
        alarm.state = next.state;
        alarm.occurrence += 1;
        alarm.onset = Some(onset);
        alarm.raised_at = Some(at);
        alarm.cleared_at = None;
        alarm.acknowledged = None;
        alarm.finding.clone_from(&finding.text);
        alarm.evidence.clone_from(&finding.evidence);
        alarm.mails = 0;
        alarm.thread_subject = format!(
            "[{site_id}] {} {}: {}",
            key.subject.as_str(),
            lower_first(&words.title),
            head(&finding.text, SUBJECT_FINDING_CHARS)
        );
        self.week.raised.push_back((at, key.clone()));
        self.record(key, at, AlarmEventKind::Raised, before, &finding, effects);
        self.mail_step(key, at, Step::Raise, words, finding, effects);
    }

    #[expect(clippy::too_many_arguments, reason = "one call, all of them distinct in type or meaning")]
    fn clear(
        &mut self,
        key: &AlarmKey,
        at: Timestamp,
        end: Timestamp,
        words: Words,
        finding: Finding,
        kind: AlarmEventKind,
        effects: &mut Vec<Effect>,
    ) {
        let Some(alarm) = self.alarms.get_mut(key) else { return };
        let before = alarm.state;
        if !alarm.stands() {
            return;
        }
        let event = if kind == AlarmEventKind::Retired { Event::Retire } else { Event::Clear };
        let Ok((next, _)) = life::step(&alarm.life(), event, &LifeConfig::default(), at) else { return };
        alarm.state = next.state;
        alarm.cleared_at = Some(end);
        self.record(key, at, kind, before, &finding, effects);
        let step = if kind == AlarmEventKind::Retired { Step::Retire } else { Step::Clear };
        self.mail_step(key, at, step, words, finding, effects);
    }

    pub(crate) fn acknowledge(
        &mut self,
        now: Timestamp,
        id: AlarmId,
        by: String,
        comment: String,
        effects: &mut Vec<Effect>,
    ) -> Result<String, String> {
        let Some(alarm) = self.alarms.values_mut().find(|a| a.id == id) else {
            return Err(format!("there is no alarm {}; `hypocaust alarms` lists them", id.0));
        };
        let before = alarm.state;
        let who = if comment.is_empty() { by.clone() } else { format!("{by}: {comment}") };
        let first = Acknowledgement { at: now, by, comment };
        let (next, _) = life::step(&alarm.life(), Event::Acknowledge, &LifeConfig::default(), now)
            .map_err(|refused| format!("alarm {} cannot be acknowledged: {refused}", id.0))?;
        alarm.state = next.state;
        let repeated = before == next.state;
        if !repeated {
            alarm.acknowledged = Some(first);
        }
        let named = format!("alarm {} ({}, {})", id.0, alarm.title, alarm.key.subject.as_str());
        let said = match next.state {
            _ if repeated => format!("alarm {} was acknowledged already; your words are kept beside it", id.0),
            AlarmState::Acknowledged => format!("{named} is acknowledged; its condition still holds"),
            AlarmState::LatchedAcknowledged => format!("{named} is acknowledged; it stays until somebody resets it"),
            _ => format!("alarm {} is acknowledged and closed: its condition had ended", id.0),
        };
        let key = alarm.key.clone();
        let finding = Finding { text: who, evidence: Vec::new(), figures: Vec::new(), evidence_at: Some(now) };
        self.record(&key, now, AlarmEventKind::Acknowledged, before, &finding, effects);
        Ok(said)
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
            let finding = Finding { text: finding, evidence, figures: Vec::new(), evidence_at: Some(at) };
            self.raise(&key, at, onset.min(at), builtin_words(builtin), finding, effects);
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
        let Some(alarm) = self.alarms.get_mut(&key).filter(|a| a.stands()) else { return };
        alarm.conditioning = Conditioning { phase: crate::conditioning::Phase::Idle, last: Some(at) };
        let finding =
            Finding { text: finding.to_owned(), evidence: Vec::new(), figures: Vec::new(), evidence_at: Some(at) };
        self.clear(&key, at, at, builtin_words(builtin), finding, AlarmEventKind::Cleared, effects);
    }

    /// A rule does not compile, or failed.
    pub(crate) fn raise_broken_rule(&mut self, at: Timestamp, fault: &RuleFault, effects: &mut Vec<Effect>) {
        let mut evidence = Vec::new();
        if let Some(line) = &fault.source_line {
            evidence.push(format!("The line reads: {}", line.trim()));
        }
        if !fault.remedy.is_empty() {
            evidence.push(fault.remedy.clone());
        }
        let subject = Subject::Rule(fault.rule.clone());
        self.raise_builtin(&builtin::BROKEN_RULE, subject, at, fault.to_string(), evidence, effects);
    }

    fn rule_works(&mut self, at: Timestamp, rule: &Rule, bin: &BinId, effects: &mut Vec<Effect>) {
        if self.failing.remove(&(rule.name.clone(), bin.clone())).is_none() {
            return;
        }
        if !self.failing.keys().any(|(name, _)| *name == rule.name) {
            let subject = Subject::Rule(rule.name.clone());
            self.clear_builtin(&builtin::BROKEN_RULE, &subject, at, "the rule runs again for every bin", effects);
        }
    }

    /// Retires alarms whose rule is no longer there, and a broken-rule alarm whose rule compiles again.
    pub(crate) fn retire_removed_rules(&mut self, at: Timestamp, effects: &mut Vec<Effect>) {
        let names: Vec<&str> = self.rulebook.rules().iter().map(|r| r.name.as_str()).collect();
        let broken: Vec<&str> = self.broken.iter().map(|f| f.rule.as_str()).collect();
        let gone: Vec<AlarmKey> = self
            .alarms
            .keys()
            .filter(|key| match &key.subject {
                Subject::Rule(rule) => !broken.contains(&rule.as_str()),
                // A rule whose text is broken at present is not gone: its alarms stand until it can judge again.
                _ => {
                    !names.contains(&key.rule.as_str())
                        && !broken.contains(&key.rule.as_str())
                        && !builtin::ALL.iter().any(|b| b.rule == key.rule)
                }
            })
            .cloned()
            .collect();
        for key in gone {
            let words = if matches!(key.subject, Subject::Rule(_)) {
                "the rule compiles again"
            } else {
                "the rule was removed; what it watched for is no longer watched for"
            };
            self.retire(&key, at, words, effects);
        }
    }

    /// Retires alarms of rules that do not apply to the stage the bin's batch is in now.
    pub(crate) fn retire_where_stage_ended(&mut self, at: Timestamp, bin: &BinId, effects: &mut Vec<Effect>) {
        let stage = self.bins.get(bin).and_then(|s| s.batch.as_ref()).map(|b| b.stage(at));
        let ended: Vec<AlarmKey> = self
            .rulebook
            .rules()
            .iter()
            .filter(|r| !r.header.stages.is_empty() && !stage.is_some_and(|s| r.header.stages.contains(&s)))
            .map(|r| AlarmKey { rule: r.name.clone(), subject: Subject::Bin(bin.clone()) })
            .collect();
        for key in ended {
            self.retire(&key, at, "the batch is no longer on air, and this rule no longer applies to it", effects);
        }
    }

    fn retire(&mut self, key: &AlarmKey, at: Timestamp, why: &str, effects: &mut Vec<Effect>) {
        let Some(alarm) = self.alarms.get_mut(key) else { return };
        if alarm.conditioning.pending() && !alarm.stands() {
            alarm.conditioning = Conditioning::IDLE;
            effects.push(Effect::Alarm { alarm: Box::new(alarm.clone()), event: None });
            return;
        }
        if !alarm.stands() {
            return;
        }
        alarm.conditioning = Conditioning { phase: crate::conditioning::Phase::Idle, last: alarm.conditioning.last };
        let words = self.words_for(key);
        let finding =
            Finding { text: why.to_owned(), evidence: Vec::new(), figures: Vec::new(), evidence_at: Some(at) };
        self.clear(key, at, at, words, finding, AlarmEventKind::Retired, effects);
    }

    fn words_for(&self, key: &AlarmKey) -> Words {
        if let Some(rule) = self.rulebook.rules().iter().find(|r| r.name == key.rule) {
            return rule_words(rule);
        }
        if let Some(builtin) = builtin::ALL.iter().find(|b| b.rule == key.rule) {
            return builtin_words(builtin);
        }
        let alarm = self.alarms.get(key);
        Words {
            title: alarm.map(|a| a.title.clone()).unwrap_or_default(),
            priority: alarm.map_or(Priority::Low, |a| a.priority),
            revision: alarm.map(|a| a.revision.clone()).unwrap_or_default(),
            cause: String::new(),
            consequence: String::new(),
            response: Vec::new(),
            caution: String::new(),
            time_to_respond: Span::ZERO,
        }
    }

    fn record(
        &mut self,
        key: &AlarmKey,
        at: Timestamp,
        kind: AlarmEventKind,
        before: AlarmState,
        finding: &Finding,
        effects: &mut Vec<Effect>,
    ) {
        let Some(alarm) = self.alarms.get(key) else { return };
        let event = AlarmEvent {
            alarm: alarm.id,
            occurrence: alarm.occurrence,
            at,
            kind,
            before,
            after: alarm.state,
            evidence_at: finding.evidence_at,
            words: finding.text.clone(),
            revision: alarm.revision.clone(),
        };
        effects.push(Effect::Alarm { alarm: Box::new(alarm.clone()), event: Some(Box::new(event)) });
    }

    fn mail_step(
        &mut self,
        key: &AlarmKey,
        at: Timestamp,
        step: Step,
        words: Words,
        finding: Finding,
        effects: &mut Vec<Effect>,
    ) {
        if words.priority == Priority::SummaryOnly {
            return;
        }
        // The end of an alarm is told to those who were told of its beginning.
        let raised_at = self.alarms.get(key).and_then(|a| a.raised_at).unwrap_or(at);
        let wants: fn(&Person) -> bool = match self.waits_for_list(words.priority, raised_at) {
            true => crate::rounds::hears_at_once,
            false => |person| person.alarms,
        };
        let chart = match (step, key.bin()) {
            (Step::Raise, Some(bin)) => self.chart(bin, at),
            _ => None,
        };
        let Some(alarm) = self.alarms.get_mut(key) else { return };
        let number = alarm.mails;
        alarm.mails += 1;
        let kept = alarm.clone();
        let notice = Notice::Alarm(Box::new(AlarmNotice {
            step,
            number,
            life: self.life,
            alarm: kept.id,
            rule: key.rule.clone(),
            revision: words.revision,
            subject: key.subject.clone(),
            occurrence: kept.occurrence,
            thread_subject: kept.thread_subject.clone(),
            title: words.title,
            priority: words.priority,
            at,
            onset: kept.onset.unwrap_or(raised_at),
            raised_at,
            cleared_at: kept.cleared_at,
            acknowledged: kept.acknowledged.clone(),
            finding: finding.text,
            evidence: finding.evidence,
            figures: finding.figures,
            cause: words.cause,
            consequence: words.consequence,
            response: words.response,
            caution: words.caution,
            time_to_respond: words.time_to_respond,
            chart,
        }));
        // The count of mails is a part of the alarm's row: the row that went out with the event is brought up to date.
        if let Some(Effect::Alarm { alarm, .. }) = effects.last_mut() {
            **alarm = kept;
        }
        self.mail_to(at, &notice, wants, effects);
    }

    /// The first thing to do about an alarm, and the caution beside it.
    pub(crate) fn first_response(&self, key: &AlarmKey) -> (String, String) {
        let words = self.words_for(key);
        (words.response.into_iter().next().unwrap_or_default(), words.caution)
    }

    /// Puts a notice into the outbox, one mail a person; gives how many.
    pub(crate) fn mail_to(
        &mut self,
        at: Timestamp,
        notice: &Notice,
        wants: fn(&Person) -> bool,
        effects: &mut Vec<Effect>,
    ) -> usize {
        let people: Vec<String> = self.site.people.iter().filter(|p| wants(p)).map(|p| p.mail.clone()).collect();
        for to in &people {
            let (mail, deadline) = self.outbox.add(to, notice.clone(), at);
            effects.push(Effect::Mail(Box::new(mail)));
            self.insert_deadline(at, deadline);
        }
        people.len()
    }

    fn chart(&self, bin: &BinId, at: Timestamp) -> Option<Chart> {
        let from = at - Span::hours(24);
        let mut lines = Vec::new();
        for probe in &self.site.bins.get(bin)?.probes {
            let id = SeriesId { source: Source::Probe(probe.clone()), quantity: Quantity::Temperature };
            let Some(series) = self.series.get(&id) else { continue };
            let points: Vec<_> = series.window.range(from, at).collect();
            if points.len() < 2 {
                continue;
            }
            let step = points.len().div_ceil(limits::CHART_POINTS).max(1);
            // Counted from the newest, so that the last point of the line is the last reading.
            let mut thinned: Vec<_> = points.iter().rev().step_by(step).map(|p| (p.at, p.value as f32)).collect();
            thinned.reverse();
            let max_gap = (series.interval.times(3)).max(Span::minutes(15)).max(thinned_gap(&thinned));
            let label = series.position.map_or_else(|| probe.to_string(), |p| p.key().to_owned());
            lines.push(ChartLine { label, points: thinned, max_gap });
        }
        if lines.is_empty() {
            return None;
        }
        let entries = self.bins.get(bin).map(|s| Arc::clone(&s.entries)).unwrap_or_default();
        let marks = entries.iter().filter(|e| e.at >= from && e.at <= at).map(mark).collect();
        Some(Chart { from, to: at, lines, marks })
    }
}

/// The finding's share of a subject line.
const SUBJECT_FINDING_CHARS: usize = 70;

/// Twice the usual step of a thinned line: thinning itself is no gap.
fn thinned_gap(points: &[(Timestamp, f32)]) -> Span {
    let mut steps: Vec<Span> = points.windows(2).map(|w| w[1].0.since(w[0].0)).collect();
    steps.sort_unstable();
    steps.get(steps.len() / 2).map_or(Span::ZERO, |s| s.times(2))
}

fn mark(entry: &Entry) -> (Timestamp, String) {
    let word = match &entry.kind {
        EntryKind::OnAir { .. } => "on air".to_owned(),
        EntryKind::OffAir => "off air".to_owned(),
        EntryKind::Watered { .. } => "watered".to_owned(),
        EntryKind::Valve { open_percent } => format!("valve {open_percent} %"),
        plain => plain.key().replace('-', " "),
    };
    (entry.at, word)
}

fn rule_words(rule: &Rule) -> Words {
    let header = &rule.header;
    Words {
        title: header.title.clone(),
        priority: rule.priority,
        revision: rule.revision.clone(),
        cause: header.cause.clone(),
        consequence: header.consequence.clone(),
        response: header.response.clone(),
        caution: header.caution.clone(),
        time_to_respond: header.time_to_respond,
    }
}

fn builtin_words(builtin: &Builtin) -> Words {
    Words {
        title: builtin.title.to_owned(),
        priority: builtin.priority(),
        revision: String::new(),
        cause: builtin.cause.to_owned(),
        consequence: builtin.consequence.to_owned(),
        response: builtin.response.iter().map(|s| (*s).to_owned()).collect(),
        caution: String::new(),
        time_to_respond: builtin.time_to_respond,
    }
}

fn lower_first(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map(|c| c.to_lowercase().chain(chars).collect()).unwrap_or_default()
}

/// The first words of a text, cut between words.
fn head(text: &str, chars: usize) -> String {
    let text = text.replace(['\r', '\n'], " ");
    if text.chars().count() <= chars {
        return text;
    }
    let cut: String = text.chars().take(chars).collect();
    let end = cut.rfind(' ').unwrap_or(cut.len());
    format!("{}…", cut[..end].trim_end_matches([',', ';', ':']))
}
