//! Who is told of an alarm, when, and in which mail.
//!
//! Must never let an alarm that can mail go untold: if nobody's route takes it, everybody who gets alarms hears of it.

use std::cmp::Reverse;
use std::sync::Arc;

use pile::time::{Span, Timestamp};
use rulebook::header::Priority;
use site::entry::{Entry, EntryKind};
use site::ids::BinId;
use site::model::{Calls, Person, RunProof};
use site::quantity::{Quantity, Unit};
use site::reading::{SeriesId, Source};

use crate::alarm::{Alarm, AlarmKey, Subject};
use crate::builtin;
use crate::effect::Effect;
use crate::engine::{Deadline, Engine};
use crate::handling::{Finding, Words, renew_row};
use crate::limits;
use crate::notice::{AlarmNotice, Chart, ChartBlower, ChartLine, FloodNotice, Notice, Step};

/// More alarms than anybody can read one by one.
#[derive(Clone, Debug)]
pub(crate) struct Flood {
    since: Timestamp,
    /// The first alarm of it.
    first: AlarmKey,
}

impl Engine {
    /// Puts the mail for one step of an alarm's life into the outbox, or holds it for the mail of a flood.
    pub(crate) fn mail_step(
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
        if self.flooded(key, at, step) && words.priority < Priority::High {
            let Some(alarm) = self.alarms.get_mut(key) else { return };
            alarm.held = true;
            let kept = alarm.clone();
            renew_row(effects, kept);
            return;
        }
        let mut to = self.route(key, step);
        if ends_low(step, words.priority) {
            // The list of the morning tells those who get it.
            let quiet = self.in_quiet_hours(at);
            let wants = |p: &Person| !(p.leaves_out.low_clears || quiet && p.round_list);
            to.retain(|mail| self.site.people.iter().any(|p| p.mail == *mail && wants(p)));
        }
        self.send_step(key, at, step, words, finding, &to, effects);
    }

    /// Puts the mail for one step of an alarm's life into the outbox for these people.
    #[expect(clippy::too_many_arguments, reason = "a mail is made of all of them")]
    pub(crate) fn send_step(
        &mut self,
        key: &AlarmKey,
        at: Timestamp,
        step: Step,
        mut words: Words,
        finding: Finding,
        to: &[String],
        effects: &mut Vec<Effect>,
    ) {
        if to.is_empty() {
            return;
        }
        self.name_dose(key, &mut words);
        let evidence = self.grounds_shown(key, finding.evidence);
        let chart = match (step, key.bin()) {
            (Step::Raise | Step::Update | Step::Reminder, Some(bin)) => self.chart(key, bin, at),
            _ => None,
        };
        let Some(alarm) = self.alarms.get_mut(key) else { return };
        let number = alarm.mails;
        // What stood on the round list alone until now begins with this mail.
        let step = if step == Step::Update && number == 0 { Step::Raise } else { step };
        alarm.mails = alarm.mails.saturating_add(1);
        alarm.held = false;
        let kept = alarm.clone();
        let raised_at = kept.raised_at.unwrap_or(at);
        let notice = Notice::Alarm(Box::new(AlarmNotice {
            step,
            number,
            life: self.life,
            alarm: kept.id,
            rule: key.rule.clone(),
            revision: words.revision,
            subject: key.subject.clone(),
            occurrence: kept.occurrence,
            thread: kept.thread,
            thread_subject: kept.thread_subject.clone(),
            title: words.title,
            priority: words.priority,
            at,
            onset: kept.onset.unwrap_or(raised_at),
            raised_at,
            cleared_at: kept.life.cleared_at,
            acknowledged: kept.acknowledged.clone(),
            closing: finding.closing,
            raised_finding: kept.finding.clone(),
            stands: kept.stands(),
            finding: finding.text,
            evidence,
            figures: finding.figures,
            cause: words.cause,
            consequence: words.consequence,
            response: words.response,
            caution: words.caution,
            time_to_respond: words.time_to_respond,
            chart,
        }));
        // The count of mails is a part of the alarm's row: the row that went out with the event is brought up to date.
        renew_row(effects, kept);
        let due = match ends_low(step, words.priority) && self.in_quiet_hours(at) {
            true => self.site.zone.next_daily(at, self.site.round_list.at),
            false => at,
        };
        self.week.mails.extend(to.iter().map(|to| (due, to.clone())));
        self.post(at, due, &notice, to, effects);
    }

    /// Tells everybody who gets any alarm, on duty or not.
    pub(crate) fn tell_all(&mut self, key: &AlarmKey, at: Timestamp, finding: Finding, effects: &mut Vec<Effect>) {
        let words = self.words_for(key);
        self.send_step(key, at, Step::Update, words, finding, &self.everybody(), effects);
    }

    fn everybody(&self) -> Vec<String> {
        let called = self.site.people.iter().filter(|p| p.calls != Calls::None || p.unacknowledged);
        let mut seen = std::collections::BTreeSet::new();
        called.map(|p| p.mail.clone()).filter(|mail| seen.insert(mail.clone())).collect()
    }

    /// Whom a mail about an alarm goes to. Where it would reach nobody, as far as is known, it goes to those who can be reached too.
    fn route(&self, key: &AlarmKey, step: Step) -> Vec<String> {
        let mut to = self.usual_route(key, step);
        if let Subject::Person(name) = &key.subject {
            return self.route_about(key, name, to);
        }
        if key.rule == builtin::MAIL_DOWN.rule {
            // It would leave when it is over. The sounder and the daemon's health tell it while it lasts.
            return Vec::new();
        }
        if !to.is_empty() {
            to.extend(self.instead(&to));
        }
        to
    }

    /// Whom a mail about an alarm goes to while mail reaches everybody.
    ///
    /// The end of an alarm is told to those who were told of its beginning. When an alarm was not acknowledged in time, everybody
    /// whose route it is hears of it, on duty or not, and so do those who step in.
    pub(crate) fn usual_route(&self, key: &AlarmKey, step: Step) -> Vec<String> {
        let Some(alarm) = self.alarms.get(key) else { return Vec::new() };
        // That somebody hid what guards people is for all of them to know.
        if step == Step::Update && alarm.life.shelf.is_some() && self.words_for(key).handling.guards.is_some() {
            return self.everybody();
        }
        let raised_at = alarm.raised_at.unwrap_or(self.now);
        let (bin, priority) = (key.bin(), alarm.priority);
        let listed = self.only_listed(alarm);
        let waits = listed || self.waits_for_list(priority, raised_at, self.words_for(key).time_to_respond);
        let called = |p: &&Person| {
            let calls = match p.calls {
                Calls::All => true,
                Calls::HighOnly => priority == Priority::High,
                Calls::None => false,
            };
            calls && p.looks_after(bin) && !listed && !(waits && p.round_list)
        };
        let overdue = alarm.life.reminders > 0 || step == Step::Reminder;
        let steps_in = |p: &&Person| overdue && p.unacknowledged && p.looks_after(bin);
        let zone = &self.site.zone;
        let (weekday, time) = (zone.weekday(raised_at), zone.time_of_day(raised_at));
        let people = &self.site.people;
        let on_duty = |p: &&Person| p.on_duty(weekday, time);
        let anybody = people.iter().filter(called).any(|p| on_duty(&p));
        let all = overdue || !anybody;
        let mut to: Vec<String> = people
            .iter()
            .filter(|p| (called(p) && (all || on_duty(p))) || steps_in(p))
            .map(|p| p.mail.clone())
            .collect();
        if to.is_empty() && !waits {
            to = people.iter().filter(|p| p.calls != Calls::None).map(|p| p.mail.clone()).collect();
        }
        // Two people may share an address; they need no two mails.
        let mut seen = std::collections::BTreeSet::new();
        to.retain(|mail| seen.insert(mail.clone()));
        to
    }

    /// Whether mails wait for one that tells of many; a raise too many begins it.
    fn flooded(&mut self, key: &AlarmKey, at: Timestamp, step: Step) -> bool {
        if self.flood.is_none() && step == Step::Raise && self.raises_lately(at) > limits::FLOOD_ABOVE {
            let since = at - limits::FLOOD_WITHIN;
            let first = self.week.raised.iter().find(|(t, _)| *t > since).map(|(_, first)| first.clone());
            self.flood = Some(Flood { since: at, first: first.unwrap_or_else(|| key.clone()) });
            self.insert_deadline(at + limits::FLOOD_MAIL_EVERY, Deadline::FloodMail);
        }
        self.flood.is_some()
    }

    fn raises_lately(&self, at: Timestamp) -> usize {
        let since = at - limits::FLOOD_WITHIN;
        let mails = |key: &AlarmKey| self.alarms.get(key).is_some_and(|a| a.priority > Priority::SummaryOnly);
        self.week.raised.iter().rev().take_while(|(t, _)| *t > since).filter(|(_, key)| mails(key)).count()
    }

    /// What was held when the daemon stopped goes out soon after its start.
    pub(crate) fn resume_flood(&mut self, now: Timestamp) {
        let held = self.alarms.values().filter(|a| a.held).min_by_key(|a| (a.raised_at, a.id));
        if let Some(first) = held.map(|a| a.key.clone()) {
            self.flood = Some(Flood { since: now, first });
            self.insert_deadline(now + limits::FLOOD_MAIL_EVERY, Deadline::FloodMail);
        }
    }

    /// The mail that tells of many alarms is due.
    pub(crate) fn mail_flood(&mut self, at: Timestamp, effects: &mut Vec<Effect>) {
        let Some(flood) = self.flood.clone() else { return };
        let goes_on = self.raises_lately(at) >= limits::FLOOD_ENDS_BELOW;
        let mut held: Vec<Alarm> = self.alarms.values().filter(|a| a.held).cloned().collect();
        held.sort_by_key(|a| (!a.stands(), Reverse(a.priority), a.raised_at, a.id));
        let people: Vec<(String, Vec<AlarmKey>)> = self
            .site
            .people
            .iter()
            .map(|p| {
                let theirs = held.iter().filter(|a| self.route(&a.key, Step::Raise).contains(&p.mail));
                (p.mail.clone(), theirs.map(|a| a.key.clone()).collect())
            })
            .collect();
        let first = self.alarms.get(&flood.first).map(|a| self.round_item(a));
        for (to, theirs) in people {
            if theirs.is_empty() {
                continue;
            }
            let items: Vec<&Alarm> = held.iter().filter(|a| theirs.contains(&a.key)).collect();
            let listed = items.iter().take(limits::FLOOD_MAIL_LISTS).map(|a| self.round_item(a)).collect();
            let notice = Notice::Flood(Box::new(FloodNotice {
                life: self.life,
                at,
                since: flood.since,
                first: first.clone(),
                standing: items.iter().filter(|a| a.stands()).count(),
                over: items.iter().filter(|a| !a.stands()).count(),
                items: listed,
                goes_on,
            }));
            self.week.mails.push_back((at, to.clone()));
            self.post(at, at, &notice, &[to], effects);
        }
        for alarm in held {
            if let Some(alarm) = self.alarms.get_mut(&alarm.key) {
                alarm.held = false;
                effects.push(Effect::Alarm { alarm: Box::new(alarm.clone()), event: None });
            }
        }
        if goes_on {
            self.insert_deadline(at + limits::FLOOD_MAIL_EVERY, Deadline::FloodMail);
        } else {
            self.flood = None;
        }
    }

    /// The first thing to do about an alarm, and the caution beside it.
    pub(crate) fn first_response(&self, key: &AlarmKey) -> (String, String) {
        let mut words = self.words_for(key);
        let dose = self.name_dose(key, &mut words);
        let mut first = words.response.into_iter().next().unwrap_or_default();
        // The amount is what somebody takes along to the bin, whichever step names it.
        if let Some(dose) = dose.and_then(|line| rulebook::dose::taken_along(&line, &first)) {
            first = format!("{first} {dose}");
        }
        (first, words.caution)
    }

    /// Puts the dose that an alarm keeps into the steps that name it, and gives its line. What was watered since makes the dose wrong.
    fn name_dose(&self, key: &AlarmKey, words: &mut Words) -> Option<String> {
        let alarm = self.alarms.get(key);
        let since = alarm.and_then(|alarm| alarm.raised_at).unwrap_or(Timestamp::MIN);
        let entries = key.bin().and_then(|bin| self.bins.get(bin)).map(|state| Arc::clone(&state.entries));
        let watered = |e: &Entry| e.at > since && matches!(e.kind, EntryKind::Watered { .. });
        let watered = entries.is_some_and(|entries| entries.iter().any(watered));
        let line = alarm.filter(|_| !watered).and_then(|alarm| self.dose_of(key, &alarm.evidence));
        for step in &mut words.response {
            *step = rulebook::dose::filled(step, line);
        }
        line.map(str::to_owned)
    }

    /// Puts a notice into the outbox for those who want it; gives how many there are.
    pub(crate) fn mail_to(
        &mut self,
        at: Timestamp,
        notice: &Notice,
        wants: fn(&Person) -> bool,
        effects: &mut Vec<Effect>,
    ) -> usize {
        let people: Vec<String> = self.site.people.iter().filter(|p| wants(p)).map(|p| p.mail.clone()).collect();
        self.post(at, at, notice, &people, effects);
        people.len()
    }

    /// Puts a notice into the outbox, one mail an address, to leave when it is due.
    fn post(&mut self, at: Timestamp, due: Timestamp, notice: &Notice, to: &[String], effects: &mut Vec<Effect>) {
        for to in to {
            let (mail, deadline) = self.outbox.add(to, notice.clone(), at, due);
            effects.push(Effect::Mail(Box::new(mail)));
            self.insert_deadline(due, deadline);
        }
    }

    /// The last days of a bin, as far back as its batch and three days.
    fn chart(&self, key: &AlarmKey, bin: &BinId, at: Timestamp) -> Option<Chart> {
        let on_air = self.bins.get(bin).and_then(|s| s.batch.as_ref()).and_then(|b| b.on_air_at);
        let on_air = on_air.unwrap_or(Timestamp::MIN);
        let from = (at - CHART_LONGEST).max(on_air).min(at - CHART_SHORTEST);
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
        Some(Chart {
            from,
            to: at,
            lines,
            marks,
            limits: self.chart_limits(key),
            blower: self.chart_blower(bin, from, at),
        })
    }

    /// The temperatures that the rule of an alarm compares with, the highest ones where there are many.
    fn chart_limits(&self, key: &AlarmKey) -> Vec<f32> {
        let rule = self.rulebook.rules().iter().find(|r| r.name == key.rule);
        let settings = rule.map(|r| r.header.settings.values()).into_iter().flatten();
        let mut limits: Vec<f32> = settings
            .filter(|s| s.converts == Some(Unit::Celsius) && s.value >= CHART_LIMIT_FROM)
            .map(|s| s.value as f32)
            .collect();
        limits.sort_by(|a, b| b.total_cmp(a));
        limits.dedup();
        limits.truncate(CHART_LIMITS);
        limits
    }

    /// How much of its schedule the bin's blower ran, hour by hour, by its counter.
    fn chart_blower(&self, bin: &BinId, from: Timestamp, at: Timestamp) -> Option<ChartBlower> {
        let id = self.site.bins.get(bin)?.blower.as_ref()?;
        let blower = self.site.blowers.get(id)?;
        if blower.proof != RunProof::RunCounter {
            return None;
        }
        let series = self.series.get(&SeriesId { source: Source::Blower(id.clone()), quantity: Quantity::RunTime })?;
        let slack = blower.interval.times(3).max(Span::minutes(15));
        let read_at = |t: Timestamp| series.window.range(t - slack, t).next_back();
        let mut hours = Vec::new();
        let mut begin = from;
        while begin + Span::hours(1) <= at {
            let end = begin + Span::hours(1);
            if let (Some(first), Some(last)) = (read_at(begin), read_at(end)) {
                let due = blower.schedule.duty() * last.at.since(first.at).as_seconds();
                // A counter that was set back says how long it ran since.
                let ran = if last.value >= first.value { last.value - first.value } else { last.value.max(0.0) };
                if due > 0.0 {
                    hours.push((begin, (ran / due) as f32));
                }
            }
            begin = end;
        }
        (!hours.is_empty()).then(|| ChartBlower { label: id.to_string(), hours })
    }
}

/// Whether a mail says that an alarm of low priority has ended: nobody has to wake up for that.
pub(crate) fn ends_low(step: Step, priority: Priority) -> bool {
    matches!(step, Step::Clear | Step::Retire) && priority <= Priority::Low
}

/// A picture reaches so far back, where the batch is that old.
const CHART_LONGEST: Span = Span::days(3);
/// And so far at the least.
const CHART_SHORTEST: Span = Span::hours(24);
/// So many limits are drawn.
const CHART_LIMITS: usize = 2;
/// Settings in °C below this are no limits of a hot pile.
const CHART_LIMIT_FROM: f64 = 30.0;

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
