//! The weekly summary: which week, and its figures.
//!
//! Must never be sent twice for one week, nor left out because the daemon was off when it was due.

use pile::time::{Span, Timestamp};
use site::model::Position;
use site::zone::{IsoWeek, Zone};

use crate::effect::Effect;
use crate::engine::Engine;
use crate::limits;
use crate::notice::{BinWeek, Notice, SummaryNotice};

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
        };
        self.week.last_summary = Some(week);
        self.mail_to(at, &Notice::Summary(Box::new(notice)), |person| person.summary, effects);
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
            batch: batch.map(|b| (b.id, until.since(b.on_air_at))),
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
                .map(|a| a.title.clone())
                .collect(),
        }
    }
}

fn count<'a>(items: impl Iterator<Item = &'a Timestamp>) -> u64 {
    u64::try_from(items.count()).unwrap_or(u64::MAX)
}
