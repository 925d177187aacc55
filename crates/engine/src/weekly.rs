//! The weekly summary: which week, and its figures.
//!
//! Must never be sent twice for one week, nor left out because the daemon was off when it was due.

use std::collections::BTreeMap;

use pile::time::{Span, Timestamp};
use rulebook::header::Priority;
use site::model::Position;
use site::zone::{IsoWeek, Zone};

use crate::alarm::{Alarm, AlarmKey};
use crate::effect::Effect;
use crate::engine::Engine;
use crate::limits;
use crate::notice::{AlarmFigures, BinWeek, Notice, SummaryNotice};

/// The week that a summary due at `due` is about: the one that the site's calendar showed a day before.
pub(crate) fn week_of(zone: &Zone, due: Timestamp) -> IsoWeek {
    zone.iso_week(due - Span::days(1))
}

impl Engine {
    pub(crate) fn summarise(&mut self, at: Timestamp, effects: &mut Vec<Effect>) {
        let week = week_of(&self.site.zone, at);
        if self.week.last_summary.is_some_and(|last| last >= week) {
            return;
        }
        // Nobody can want a summary of weeks before the site's first reading.
        if self.first_reading.is_none_or(|first| first >= at) {
            return;
        }
        let from = at - Span::days(7);
        let notice = SummaryNotice {
            week,
            life: self.life,
            from,
            to: at,
            bins: self.site.bins.keys().map(|bin| self.bin_week(bin, from, at)).collect(),
            threshold_celsius: limits::SUMMARY_THRESHOLD_CELSIUS,
            max_gap: limits::GAP_BRIDGED,
            refused: count(self.week.refused.iter().filter(|t| **t >= from)),
            mails_given_up: count(self.week.given_up.iter().filter(|t| **t >= from)),
            off: self.week.off.iter().filter(|(_, until)| *until >= from).copied().collect(),
            alarms: self.alarm_figures(from, at),
            copies_wait_for: self.drafted(week, self.now, effects),
        };
        self.week.last_summary = Some(week);
        // One that is made up for goes out now.
        self.mail_to(self.now, &Notice::Summary(Box::new(notice)), |person| person.summary, effects);
        effects.push(Effect::SummaryDone(week));
    }

    fn bin_week(&self, bin: &site::ids::BinId, from: Timestamp, at: Timestamp) -> BinWeek {
        let batch = self.bins.get(bin).and_then(|s| s.batch.as_ref());
        let until = batch.and_then(|b| b.off_air_at).map_or(at, |off| off.min(at));
        let threshold = limits::SUMMARY_THRESHOLD_CELSIUS;
        let accounts: Vec<_> = self
            .temperatures_at(bin, Position::Core)
            .filter_map(|s| s.above.iter().find(|a| a.threshold().0 == threshold).cloned())
            .collect();
        let raised: Vec<_> = self
            .week
            .raised
            .iter()
            .filter(|(t, key)| *t >= from && key.bin() == Some(bin))
            .filter_map(|(_, key)| self.alarms.get(key))
            .map(|alarm| alarm.title.clone())
            .collect();
        let mut alarms: Vec<(String, u32)> = Vec::new();
        for title in raised {
            match alarms.iter_mut().find(|(t, _)| *t == title) {
                Some((_, n)) => *n += 1,
                None => alarms.push((title, 1)),
            }
        }
        let on_air = batch.is_some();
        BinWeek {
            bin: bin.clone(),
            batch: batch.and_then(|b| Some((b.id, until.since(b.on_air_at?)))),
            off_air: batch.is_some_and(|b| b.off_air_at.is_some()),
            at_or_above: accounts.iter().map(|a| a.at_or_above()).min().filter(|_| on_air),
            longest_run: accounts
                .iter()
                .map(|a| a.longest_run().map_or(Span::ZERO, |r| r.length))
                .min()
                .filter(|_| on_air),
            coverage: accounts.iter().filter_map(|a| a.coverage(until)).min_by(f64::total_cmp).filter(|_| on_air),
            newest_core: self
                .temperatures_at(bin, Position::Core)
                .filter_map(|s| s.window.newest())
                .max_by_key(|p| p.at)
                .map(|p| (p.at, p.value)),
            alarms,
            standing: self
                .alarms
                .values()
                .filter(|a| a.stands() && a.key.bin() == Some(bin))
                // A notice of something good asks for nobody.
                .filter(|a| self.words_for(&a.key).handling.acknowledge)
                .map(|a| a.title.clone())
                .collect(),
        }
    }
}

impl Engine {
    fn alarm_figures(&self, from: Timestamp, at: Timestamp) -> AlarmFigures {
        let named = |a: &Alarm| format!("{} {}", a.key.subject.as_str(), a.title.to_lowercase());
        let raised: Vec<(Timestamp, &Alarm)> = self
            .week
            .raised
            .iter()
            .filter(|(t, _)| *t >= from)
            .filter_map(|(t, key)| Some((*t, self.alarms.get(key)?)))
            .filter(|(_, a)| a.priority != Priority::SummaryOnly)
            .collect();
        let mut figures = AlarmFigures::default();
        let mut site_wide: BTreeMap<&str, u32> = BTreeMap::new();
        let mut waits: Vec<Span> = Vec::new();
        let mut times: BTreeMap<&AlarmKey, Vec<Timestamp>> = BTreeMap::new();
        for (t, alarm) in &raised {
            let place = (alarm.priority as usize).saturating_sub(1);
            if let Some(n) = figures.raised.get_mut(place) {
                *n += 1;
            }
            if alarm.key.bin().is_none() {
                *site_wide.entry(&alarm.title).or_default() += 1;
            }
            let of_alarm = times.entry(&alarm.key).or_default();
            of_alarm.push(*t);
            // The acknowledgement of a raise comes before the next raise of the same alarm.
            let next = raised.iter().filter(|(n, a)| n > t && a.key == alarm.key).map(|(n, _)| *n).min();
            let until = next.unwrap_or(Timestamp::MAX);
            let answer = self.week.answered.iter().find(|(a, key)| *key == alarm.key && a >= t && *a < until);
            let words = self.words_for(&alarm.key);
            if words.handling.acknowledge {
                let wait = answer.map(|(a, _)| a.since(*t));
                let patience = words.time_to_respond;
                // What is still within its time to respond is neither in time nor late.
                if wait.is_some() || at.since(*t) > patience {
                    figures.in_time.1 += 1;
                    figures.in_time.0 += u32::from(wait.is_some_and(|w| w <= patience));
                }
                let over = next.is_some() || !alarm.stands();
                figures.never_acknowledged += u32::from(answer.is_none() && over);
                waits.extend(wait);
            }
        }
        waits.sort_unstable();
        figures.median_to_acknowledge = waits.get(waits.len() / 2).copied();
        figures.site_wide = site_wide.into_iter().map(|(title, n)| (title.to_owned(), n)).collect();
        let standing = self.alarms.values().filter(|a| a.stands() && a.priority != Priority::SummaryOnly);
        figures.standing =
            standing.filter(|a| a.raised_at.is_some_and(|t| at.since(t) > limits::STANDING_AFTER)).map(named).collect();
        figures.chattering = times
            .iter()
            .filter(|(_, times)| {
                times
                    .windows(limits::CHATTER_AT)
                    .any(|w| w.first().zip(w.last()).is_some_and(|(a, b)| b.since(*a) <= limits::CHATTER_WITHIN))
            })
            .filter_map(|(key, times)| Some((named(self.alarms.get(*key)?), u32::try_from(times.len()).ok()?)))
            .collect();
        let zone = &self.site.zone;
        figures.hidden = self
            .alarms
            .values()
            .filter_map(|a| {
                let how = match (&a.life.shelf, &a.life.out_of_service) {
                    (_, Some(out)) => {
                        format!("out of service since {} by {}: {}", zone.show(out.since), out.by, out.reason)
                    }
                    (Some(shelf), None) => {
                        format!("shelved until {} by {}: {}", zone.show(shelf.until), shelf.by, shelf.reason)
                    }
                    (None, None) => return None,
                };
                Some(format!("{}: {how}", named(a)))
            })
            .collect();
        figures.mails = self
            .site
            .people
            .iter()
            .filter_map(|person| {
                let mails = || self.week.mails.iter().filter(|(t, to)| *t >= from && *to == person.mail);
                let night = mails().filter(|(t, _)| self.site.round_list.quiet(zone.time_of_day(*t)));
                let all = u32::try_from(mails().count()).unwrap_or(u32::MAX);
                (all > 0).then(|| (person.name.clone(), all, u32::try_from(night.count()).unwrap_or(u32::MAX)))
            })
            .collect();
        figures
    }
}

fn count<'a>(items: impl Iterator<Item = &'a Timestamp>) -> u64 {
    u64::try_from(items.count()).unwrap_or(u64::MAX)
}
