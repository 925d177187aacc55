//! How the engine is doing, in numbers, for programs that watch the daemon.
//!
//! Must never be what anything rests on: it tells, and decides nothing.

use pile::time::{Span, Timestamp};
use rulebook::header::Priority;
use site::reading::SeriesId;

use crate::alarm::AlarmState;
use crate::engine::Engine;

/// How things stand at an instant.
#[derive(Clone, Debug, PartialEq)]
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
        let due = self.next_deadline().filter(|at| *at < now);
        Figures {
            ages: ages.collect(),
            alarms,
            mails_waiting: self.outbox.waiting() as u64,
            oldest_mail: self.outbox.oldest().map(|at| now.since(at)),
            behind: due.map_or(Span::ZERO, |at| now.since(at)),
        }
    }
}
