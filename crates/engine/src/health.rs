//! How the daemon itself is: refused payloads, the link to the broker, times when it was off, and its own alarms about these.
//!
//! Must never judge a pile.

use pile::time::{Span, Timestamp};
use site::model::Calls;
use site::quantity::Quantity;
use site::reading::{Refusal, SeriesId, Source};

use crate::alarm::{AlarmKey, Subject};
use crate::builtin;
use crate::effect::Effect;
use crate::engine::{Engine, HEALTH_EVERY};
use crate::handling::Finding;
use crate::input::LinkState;
use crate::life::Event;
use crate::limits;
use crate::notice::{BackOnAir, Notice, OutageNotice};

impl Engine {
    pub(crate) fn refuse(&mut self, refusal: Refusal, effects: &mut Vec<Effect>) {
        let at = self.now;
        self.refused.push_back(at);
        self.week.refused.push_back(at);
        self.last_refusal = Some(refusal.clone());
        effects.push(Effect::Refuse(refusal));
        self.forget_old_refusals(at);
        if self.started && self.refused.len() >= limits::REFUSED_ALARM_AT as usize {
            let finding = self.refused_finding();
            self.raise_builtin(
                &builtin::REFUSED_PAYLOADS,
                Subject::Site,
                at,
                finding,
                self.refused_evidence(),
                effects,
            );
        }
    }

    fn forget_old_refusals(&mut self, at: Timestamp) {
        while self.refused.front().is_some_and(|t| at.since(*t) > limits::REFUSED_WITHIN) {
            self.refused.pop_front();
        }
        while self.refused.len() > limits::REFUSED_ALARM_AT as usize * 50 {
            self.refused.pop_front();
        }
    }

    /// Payloads refused in the last hour.
    pub(crate) fn refused_lately(&self) -> usize {
        self.refused.len()
    }

    fn refused_finding(&self) -> String {
        format!("{} messages were rejected in the last hour", self.refused.len())
    }

    fn refused_evidence(&self) -> Vec<String> {
        self.last_refusal
            .iter()
            .map(|r| format!("The last one: topic `{}`, message `{}`: {}", r.topic, r.payload_head, r.reason))
            .collect()
    }

    pub(crate) fn link(&mut self, now: Timestamp, state: LinkState, effects: &mut Vec<Effect>) {
        self.link = state;
        match state {
            LinkState::Up => {
                self.link_down_since = None;
                self.clear_builtin(&builtin::BROKER_LOST, &Subject::Site, now, "the broker answers again", effects);
                self.sounding = None;
                self.status(now, effects);
            }
            LinkState::Down => self.link_down_since = self.link_down_since.or(Some(now)),
        }
    }

    pub(crate) fn look_after_itself(&mut self, at: Timestamp, effects: &mut Vec<Effect>) {
        self.forget_old_refusals(at);
        self.look_after_failed_parts(at, effects);
        self.look_for_fire(at, effects);
        if self.refused.len() < limits::REFUSED_ALARM_AT as usize / 2 {
            self.clear_builtin(
                &builtin::REFUSED_PAYLOADS,
                &Subject::Site,
                at,
                "hardly any message was rejected in the last hour",
                effects,
            );
        }
        if let Some(since) = self.link_down_since.filter(|since| at.since(*since) >= self.site.broker_alarm_after) {
            let finding = format!("no connection to the broker since {}", self.site.zone.show(since));
            self.raise_builtin(&builtin::BROKER_LOST, Subject::Site, at, finding, Vec::new(), effects);
        }
        self.look_after_mail(at, effects);
        if let Some((from, to)) = self.outage {
            let blowers: Vec<_> = self.site.blowers.keys().map(|id| (id.clone(), self.back_on_air(id, to))).collect();
            let settled = blowers.iter().all(|(_, b)| matches!(b, BackOnAir::Proven { .. } | BackOnAir::Unproven));
            if settled || at.since(to) >= limits::OUTAGE_SETTLES_IN {
                self.outage = None;
                let notice = Notice::Outage(OutageNotice { life: self.life, from, to, blowers });
                self.mail_to(at, &notice, |person| person.calls != Calls::None, effects);
            }
        }
        self.clocks_agree(at, effects);
        self.look_for_wrong_times(at, effects);
        let week = Span::days(8);
        let old = |t: &Timestamp| at.since(*t) > week;
        for memory in [&mut self.week.raised, &mut self.week.answered] {
            while memory.front().is_some_and(|(t, _)| old(t)) {
                memory.pop_front();
            }
        }
        while self.week.mails.front().is_some_and(|(t, _)| old(t)) {
            self.week.mails.pop_front();
        }
        for memory in [&mut self.week.refused, &mut self.week.given_up] {
            while memory.front().is_some_and(&old) {
                memory.pop_front();
            }
        }
        while self.week.off.front().is_some_and(|(_, t)| old(t)) {
            self.week.off.pop_front();
        }
        if at.as_millis().div_euclid(HEALTH_EVERY.as_millis())
            % (limits::STATUS_EVERY.as_millis() / HEALTH_EVERY.as_millis())
            == 0
        {
            self.status(at, effects);
        }
        if at.as_millis().div_euclid(HEALTH_EVERY.as_millis())
            % (limits::BIN_STATUS_EVERY.as_millis() / HEALTH_EVERY.as_millis())
            == 0
        {
            for bin in self.bins.keys() {
                self.bin_status(bin, at, effects);
            }
        }
    }

    /// A part of the daemon failed. One alarm tells of all parts, and becomes graver with each further one.
    pub(crate) fn part_failed(&mut self, at: Timestamp, part: String, why: &str, effects: &mut Vec<Effect>) {
        let finding = format!("{part} failed: {why}");
        let key = AlarmKey { rule: builtin::PART_FAILED.rule.to_owned(), subject: Subject::Site };
        let stood = self.alarms.get(&key).is_some_and(|alarm| alarm.conditioning.raised());
        let known = self.parts_failed.contains_key(&part);
        let kept = known || self.parts_failed.len() < limits::PARTS_FAILED_KEPT;
        if kept {
            self.parts_failed.insert(part, at);
        }
        if !self.started {
            return;
        }
        if !stood {
            self.raise_builtin(&builtin::PART_FAILED, Subject::Site, at, finding, Vec::new(), effects);
        } else if !known && kept {
            // Only people's words are refused.
            let _ = self.happen(&key, at, Event::Escalate, at, Finding::plain(finding, at), effects);
        }
    }

    fn look_after_failed_parts(&mut self, at: Timestamp, effects: &mut Vec<Effect>) {
        self.parts_failed.retain(|_, last| at.since(*last) < limits::PART_FAILED_FOR);
        // The alarm may be of the run before, of which nothing else is known.
        if self.parts_failed.is_empty() && at.since(self.watching_since) >= limits::PART_FAILED_FOR {
            let words = "no part of hypocaust has failed for an hour";
            self.clear_builtin(&builtin::PART_FAILED, &Subject::Site, at, words, effects);
        }
    }

    fn back_on_air(&self, id: &site::ids::BlowerId, since: Timestamp) -> BackOnAir {
        use site::model::RunProof;
        let Some(blower) = self.site.blowers.get(id) else { return BackOnAir::Unproven };
        let (quantity, on_above) = match blower.proof {
            RunProof::ScheduledOnly => return BackOnAir::Unproven,
            RunProof::RunCounter => (Quantity::RunTime, None),
            RunProof::Signal { quantity, on_above } => (quantity, Some(on_above)),
        };
        let series = SeriesId { source: Source::Blower(id.clone()), quantity };
        let Some(series) = self.series.get(&series) else { return BackOnAir::Silent };
        let mut last: Option<f64> = None;
        let mut heard = false;
        for point in series.window.range(since - Span::days(1), Timestamp::MAX) {
            if point.at >= since {
                heard = true;
                let runs = match on_above {
                    Some(limit) => point.value > limit,
                    None => last.is_some_and(|before| point.value > before),
                };
                if runs {
                    return BackOnAir::Proven { at: point.at };
                }
            }
            // Time run before the outage proves nothing about after it: a counter must move between two readings that came since.
            last = (point.at >= since).then_some(point.value);
        }
        if heard { BackOnAir::NotRunning } else { BackOnAir::Silent }
    }
}
