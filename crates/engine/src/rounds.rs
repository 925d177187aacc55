//! The round list: one mail every morning with what could wait for daylight.
//!
//! Must never be the only word of something that cannot wait: alarms above low priority are mailed at once, and stand here again.

use std::cmp::Reverse;
use std::collections::BTreeMap;

use pile::time::{Span, Timestamp};
use rulebook::header::Priority;
use site::ids::BinId;
use site::model::{Person, Position};

use crate::alarm::{Alarm, AlarmState};
use crate::effect::Effect;
use crate::engine::Engine;
use crate::notice::{BinMorning, Notice, RoundItem, RoundListNotice};

impl Engine {
    pub(crate) fn list_rounds(&mut self, at: Timestamp, effects: &mut Vec<Effect>) {
        let zone = &self.site.zone;
        // The list that a restart makes up for belongs to the day on which it goes out, as does the one that is due then.
        let day = zone.day(at);
        if self.week.last_round_list.is_some_and(|last| last >= day) {
            return;
        }
        let since = at - Span::days(1);
        let on_list = |a: &&Alarm| a.priority != Priority::SummaryOnly;
        let mut standing: Vec<&Alarm> = self.alarms.values().filter(|a| a.stands()).filter(on_list).collect();
        standing.sort_by_key(|a| (Reverse(a.priority), a.life.state == AlarmState::Acknowledged, a.onset));
        // Low alarms that cleared: those that cleared in quiet hours had no mail of it. A clear is proven by the rule's delay.
        let rules = self.rulebook.rules().iter();
        let proof: BTreeMap<&str, Span> = rules.map(|rule| (rule.name.as_str(), rule.header.off_delay)).collect();
        let over = self
            .alarms
            .values()
            .filter(|a| {
                let proven_in = proof.get(a.key.rule.as_str()).copied().unwrap_or(Span::ZERO);
                !a.stands() && a.life.cleared_at.is_some_and(|t| t > since - proven_in)
            })
            .filter(|a| a.priority == Priority::Low && a.occurrence > 0);
        let notice = RoundListNotice {
            day,
            life: self.life,
            at,
            next: zone.next_daily(at, self.site.round_list.at),
            over: over.map(|a| self.round_item(a)).collect(),
            standing: standing.into_iter().map(|a| self.round_item(a)).collect(),
            reminders: self.site.round_list.reminders_on(zone.weekday(at)).map(str::to_owned).collect(),
            bins: self.site.bins.keys().map(|bin| self.bin_morning(bin, at)).collect(),
        };
        self.week.last_round_list = Some(day);
        let news = !(notice.standing.is_empty() && notice.over.is_empty() && notice.reminders.is_empty());
        let wants: fn(&Person) -> bool = match news {
            true => |person| person.round_list,
            false => |person| person.round_list && !person.leaves_out.quiet_lists,
        };
        self.mail_to(at, &Notice::RoundList(Box::new(notice)), wants, effects);
        effects.push(Effect::RoundListDone(day));
    }

    /// Whether an alarm of this priority that is raised at this time of night waits for the list instead of a mail of its own.
    /// What must be acted on before the list comes does not wait for it.
    pub(crate) fn waits_for_list(&self, priority: Priority, raised_at: Timestamp, time_to_respond: Span) -> bool {
        let zone = &self.site.zone;
        let night = priority <= Priority::Low && self.site.round_list.quiet(zone.time_of_day(raised_at));
        night && zone.next_daily(raised_at, self.site.round_list.at).since(raised_at) <= time_to_respond
    }

    /// Whether an alarm stands on the list alone: its rule wants that until it is graver, and somebody who looks after the bin gets the list.
    pub(crate) fn only_listed(&self, alarm: &Alarm) -> bool {
        let wanted =
            alarm.priority <= Priority::Low && !alarm.graver && self.words_for(&alarm.key).handling.listed_first;
        wanted && self.site.people.iter().any(|p| p.round_list && p.looks_after(alarm.key.bin()))
    }

    pub(crate) fn round_item(&self, alarm: &Alarm) -> RoundItem {
        let (response, caution) = match alarm.stands() {
            true => self.first_response(&alarm.key),
            false => Default::default(),
        };
        let (finding, found_at) = self.newest_finding(alarm);
        RoundItem {
            alarm: alarm.id,
            subject: alarm.key.subject.clone(),
            title: alarm.title.clone(),
            priority: alarm.priority,
            onset: alarm.onset.or(alarm.raised_at).unwrap_or(self.now),
            cleared_at: alarm.life.cleared_at,
            acknowledged: alarm.acknowledged.clone(),
            finding,
            found_at,
            asks: self.words_for(&alarm.key).handling.acknowledge,
            response,
            caution,
        }
    }

    /// What an alarm found last while it was active, and when; what it found when it was raised where nothing is newer.
    pub(crate) fn newest_finding(&self, alarm: &Alarm) -> (String, Option<Timestamp>) {
        match self
            .found
            .get(&alarm.key)
            .filter(|found| alarm.stands() && alarm.raised_at.is_none_or(|at| found.at >= at))
        {
            Some(found) => (found.text.clone(), Some(found.at)),
            None => (alarm.finding.clone(), alarm.raised_at),
        }
    }

    /// Whether a mail that says that a low alarm ended waits for the morning.
    pub(crate) fn in_quiet_hours(&self, at: Timestamp) -> bool {
        self.site.round_list.quiet(self.site.zone.time_of_day(at))
    }

    fn bin_morning(&self, bin: &BinId, at: Timestamp) -> BinMorning {
        let batch = self.bins.get(bin).and_then(|s| s.batch.as_ref());
        let newest = self
            .temperatures_at(bin, Position::Core)
            .filter_map(|s| s.window.newest().map(|p| (p, s)))
            .max_by_key(|(p, _)| p.at);
        // The reading nearest to a day before, if there is one within the hour.
        let before = newest.as_ref().and_then(|(newest, series)| {
            let wanted = newest.at - Span::days(1);
            let near = series.window.range(wanted - Span::hours(1), wanted + Span::hours(1));
            near.min_by_key(|p| p.at.since(wanted).as_millis().abs()).map(|p| p.value)
        });
        BinMorning {
            bin: bin.clone(),
            batch: batch.and_then(|b| Some((b.id, b.off_air_at.map_or(at, |off| off.min(at)).since(b.on_air_at?)))),
            newest_core: newest.map(|(p, _)| (p.at, p.value)),
            core_a_day_before: before,
        }
    }
}
