//! How the engine is doing, in numbers, for programs that watch the daemon.
//!
//! Must never be what anything rests on: it tells, and decides nothing.

use std::collections::BTreeSet;

use pile::time::{Span, Timestamp};
use rulebook::header::Priority;
use site::reading::SeriesId;

use crate::alarm::AlarmState;
use crate::engine::Engine;
use crate::input::LinkState;
use crate::reaching::MailFares;

/// How things stand at an instant.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct Figures {
    /// The newest good reading of each series that has sent one, and how old it is.
    pub ages: Vec<(SeriesId, Span)>,
    /// Alarms by state and priority; those that are over are left out.
    pub alarms: Vec<(AlarmState, Priority, u64)>,
    /// Mails that wait for a relay to take them.
    pub mails_waiting: u64,
    /// How long the oldest of them has waited.
    pub oldest_mail: Option<Span>,
    /// By how much the engine is behind: how long ago something was due that is not done yet.
    pub behind: Span,
    /// How mail fares.
    pub mail: MailFares,
    /// The link to the broker.
    pub link: LinkState,
    /// Since when it is down.
    pub link_down_since: Option<Timestamp>,
    /// When a reading last came that was not a repetition, since the start.
    pub taken_at: Option<Timestamp>,
    /// When one last came that was not late: rules judge on those alone.
    pub fresh_at: Option<Timestamp>,
    /// Messages that gave no reading within the last hour, as far as they are counted.
    pub refused_lately: usize,
    /// When rules were last judged, since the start.
    pub ticked_at: Option<Timestamp>,
    /// The shortest time from one judgement to the next; `None` where no rule is in force.
    pub judged_every: Option<Span>,
    /// Rules that do not work: they do not compile, or failed when they last ran.
    pub rules_broken: usize,
    /// The share of the disk that is free, and when that was looked at.
    pub disk_free: Option<(Timestamp, f64)>,
    /// Bins with a batch.
    pub batches: usize,
}

impl Engine {
    /// Answers of rules since the start.
    pub fn answers(&self) -> u64 {
        self.judged
    }

    /// Readings that came twice since the start, as far as the engine knew them again; others the store knows.
    pub fn repeated(&self) -> u64 {
        self.repeated
    }

    /// How things stand.
    pub fn figures(&self, now: Timestamp) -> Figures {
        let ages = self.series.iter().filter_map(|(id, series)| {
            let newest = series.window.newest()?;
            Some((id.clone(), now.since(newest.at)))
        });
        let mut alarms: Vec<(AlarmState, Priority, u64)> = Vec::new();
        for alarm in self.alarms().filter(|alarm| alarm.life.state != AlarmState::Normal) {
            match alarms
                .iter_mut()
                .find(|(state, priority, _)| (*state, *priority) == (alarm.life.state, alarm.priority))
            {
                Some((_, _, count)) => *count += 1,
                None => alarms.push((alarm.life.state, alarm.priority, 1)),
            }
        }
        let mut broken: BTreeSet<&str> = self.broken.iter().map(|fault| fault.rule.as_str()).collect();
        broken.extend(self.failing.keys().map(|(rule, _)| rule.as_str()));
        let due = self.next_deadline().filter(|at| *at < now);
        Figures {
            ages: ages.collect(),
            alarms,
            mails_waiting: self.outbox.waiting() as u64,
            oldest_mail: self.outbox.oldest().map(|at| now.since(at)),
            behind: due.map_or(Span::ZERO, |at| now.since(at)),
            mail: self.mail_fares(),
            link: self.link,
            link_down_since: self.link_down_since,
            taken_at: self.taken_at,
            fresh_at: self.fresh_at,
            refused_lately: self.refused_lately(),
            ticked_at: self.ticked_at,
            judged_every: self.rulebook.rules().iter().map(|rule| rule.header.every).min(),
            rules_broken: broken.len(),
            disk_free: self.disk_free,
            batches: self.bins.values().filter(|bin| bin.batch.is_some()).count(),
        }
    }
}
