//! The machine's clock as it stands beside `now`: set back and not followed, or not set at all.
//!
//! Must never hold judging up: `now` goes on whatever the machine's clock does, and readings are taken in the order in which they come.

use pile::time::{Span, Timestamp};
use site::reading::{Reading, TimeSource};

use crate::alarm::Subject;
use crate::builtin;
use crate::effect::Effect;
use crate::engine::Engine;
use crate::input::MachineClock;
use crate::limits;

/// How far behind the machine's clock was, and when that was.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Lag {
    at: Timestamp,
    behind: Span,
}

impl Lag {
    /// The two clocks agree.
    pub(crate) fn none(now: Timestamp) -> Lag {
        Lag { at: now, behind: Span::ZERO }
    }

    /// By how much the machine's clock is behind at `now`. Ours gives a part of the time back that passes, so it counts that much less.
    pub(crate) fn behind(&self, now: Timestamp) -> Span {
        if self.behind > limits::CLOCK_WAITED_FOR_MOST {
            return self.behind;
        }
        let given_back = now.since(self.at).as_millis().max(0) / (limits::CLOCK_GIVES_BACK_ONE_IN - 1);
        (self.behind - Span::millis(given_back)).max(Span::ZERO)
    }

    /// When a reading counts as measured, for judging. `None` where its own time says so.
    ///
    /// Once the machine's clock was set back, probes that have the right time (or this machine's) seem to be late by as much: their
    /// time is moved by that. A probe whose time agrees with ours all the same keeps it.
    pub(crate) fn counts_at(&self, reading: &Reading) -> Option<Timestamp> {
        let behind = self.behind(reading.received_at);
        if reading.time_source != TimeSource::Device || behind <= limits::CLOCK_AGREES_WITHIN {
            return None;
        }
        let by_machine = reading.measured_at + behind;
        let agrees_with_ours = by_machine > reading.received_at + limits::DEVICE_AHEAD_MOST;
        (!agrees_with_ours).then(|| by_machine.min(reading.received_at))
    }
}

impl Engine {
    /// By how much the machine's clock is behind `now`, as the engine knows it; `None` while it is not set.
    pub fn clock_behind(&self, now: Timestamp) -> Option<Span> {
        self.clock_unset.is_none().then(|| self.lag.behind(now))
    }

    /// The machine's clock was set, or looked at.
    pub(crate) fn machine_clock(&mut self, now: Timestamp, clock: MachineClock, effects: &mut Vec<Effect>) {
        match clock {
            MachineClock::Behind(behind) => {
                let before = self.lag.behind(now);
                self.clock_unset = None;
                self.lag = Lag { at: now, behind: behind.max(Span::ZERO) };
                let set = "the machine's clock is set";
                self.clear_builtin(&builtin::CLOCK_NOT_SET, &Subject::Site, now, set, effects);
                if behind > limits::CLOCK_AGREES_WITHIN {
                    let by = behind - before;
                    let finding = format!("clock stepped back by {by}");
                    let stands = format!("The machine's clock is {behind} behind the times in mails and records.");
                    let evidence = vec![stands, self.how_clocks_meet(now, behind)];
                    self.raise_builtin(&builtin::CLOCK_SET_BACK, Subject::Site, now, finding, evidence, effects);
                } else {
                    self.clocks_agree(now, effects);
                }
            }
            MachineClock::NotSet => {
                let since = *self.clock_unset.get_or_insert(now);
                let finding =
                    format!("the machine's clock shows an impossible time since {}", self.site.zone.show(since));
                self.raise_builtin(&builtin::CLOCK_NOT_SET, Subject::Site, now, finding, Vec::new(), effects);
            }
        }
    }

    /// Clears the alarm about a clock that was set back once the two clocks have met, and the one about a clock that was not set once it is,
    /// if only since the start.
    pub(crate) fn clocks_agree(&mut self, now: Timestamp, effects: &mut Vec<Effect>) {
        if self.clock_unset.is_none() {
            let set = "the machine's clock is set";
            self.clear_builtin(&builtin::CLOCK_NOT_SET, &Subject::Site, now, set, effects);
        }
        if self.lag.behind(now) <= limits::CLOCK_AGREES_WITHIN {
            let met = "the machine's clock and hypocaust's times agree again";
            self.clear_builtin(&builtin::CLOCK_SET_BACK, &Subject::Site, now, met, effects);
        }
    }

    /// Tells of readings that come fresh and claim an earlier time, always by as much; until they carry the right one. Silence changes nothing.
    pub(crate) fn look_for_wrong_times(&mut self, at: Timestamp, effects: &mut Vec<Effect>) {
        // While the machine's clock is behind, that is why, and its alarm says so already.
        if self.lag.behind(at) > limits::CLOCK_AGREES_WITHIN {
            return;
        }
        let mut right = false;
        for (id, series) in &self.series {
            if series.trails_by(at).is_some() {
                self.wrong_times.insert(id.clone());
            } else if series.comes_in_time(at) {
                right = true;
                self.wrong_times.remove(id);
            }
        }
        if self.wrong_times.is_empty() {
            // After a start nothing is known of those that the alarm was about, until they had time to come.
            if right && at.since(self.watching_since) >= limits::WRONG_TIMES_FORGOTTEN_AFTER {
                let right = "readings carry the time at which they come";
                self.clear_builtin(&builtin::CLOCKS_DIFFER, &Subject::Site, at, right, effects);
            }
            return;
        }
        let wrong = self.series.iter().filter_map(|(id, series)| Some((id.source.as_str(), series.trails_by(at)?)));
        let wrong: Vec<(&str, Span)> = wrong.collect();
        let lengths = || wrong.iter().map(|(_, by)| *by);
        let Some((least, most)) = lengths().min().zip(lengths().max()) else { return };
        let by =
            if most - least < limits::CLOCK_AGREES_WITHIN { format!("{most}") } else { format!("{least} to {most}") };
        let mut sources: Vec<&str> = wrong.iter().map(|(source, _)| *source).collect();
        sources.dedup();
        let named = sources.iter().take(limits::WRONG_TIMES_NAMED).copied().collect::<Vec<_>>().join(", ");
        let more = sources.len().saturating_sub(limits::WRONG_TIMES_NAMED);
        let evidence = match more {
            0 => format!("From {named}."),
            more => format!("From {named} and {more} more."),
        };
        let finding = format!("fresh readings carry a time {by} ago");
        self.raise_builtin(&builtin::CLOCKS_DIFFER, Subject::Site, at, finding, vec![evidence], effects);
    }

    fn how_clocks_meet(&self, now: Timestamp, behind: Span) -> String {
        if behind > limits::CLOCK_WAITED_FOR_MOST {
            return "Hypocaust keeps its own time until a restart. If the machine's clock is right, restart hypocaust."
                .into();
        }
        let met = now + behind.times(limits::CLOCK_GIVES_BACK_ONE_IN - 1);
        format!(
            "Hypocaust's times run a tenth slower until both agree, about {} by its own time.",
            self.site.zone.show(met)
        )
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use site::ids::ProbeId;
    use site::quantity::Quantity;
    use site::reading::{SeriesId, Source};

    use super::*;

    #[test]
    fn a_reading_counts_when_it_comes_whoever_set_which_clock() {
        let now = Timestamp::from_millis(1_796_040_000_000);
        let minutes = |n: i64| Span::minutes(n);
        let series = SeriesId { source: Source::Probe(ProbeId::new("p").unwrap()), quantity: Quantity::Temperature };
        for (behind, age, source, want, why) in [
            (0, 60, TimeSource::Device, None, "the clocks agree: it is late, and stays so"),
            (60, 60, TimeSource::Device, Some(0), "the probe has the right time"),
            (60, 62, TimeSource::Device, Some(2), "two minutes on its way"),
            (60, 58, TimeSource::Device, Some(0), "its clock is a little ahead"),
            (60, 0, TimeSource::Device, None, "the probe agrees with us"),
            (60, 240, TimeSource::Device, Some(180), "kept at a gateway for three hours: late all the same"),
            (60, 0, TimeSource::Intake, None, "it has no time of its own"),
            (3, 3, TimeSource::Device, Some(0), "a small step"),
            (60 * 24 * 300, 60 * 24 * 300, TimeSource::Device, Some(0), "a clock that was most of a year ahead"),
        ] {
            let reading = Reading {
                series: series.clone(),
                measured_at: now - minutes(age),
                received_at: now,
                value: 60.0,
                time_source: source,
                retained: false,
            };
            let lag = Lag { at: now, behind: minutes(behind) };
            assert_eq!(lag.counts_at(&reading), want.map(|age| now - minutes(age)), "{why}");
        }
    }

    #[test]
    fn the_lag_shrinks_as_ours_gives_back() {
        let now = Timestamp::from_millis(1_796_040_000_000);
        let lag = Lag { at: now, behind: Span::hours(1) };
        for (later, want, why) in [
            (Span::ZERO, Span::minutes(60), "at once"),
            (Span::hours(9), Span::ZERO, "ten hours of the machine are nine of ours"),
            (Span::minutes(270), Span::minutes(30), "half way"),
            (Span::days(9), Span::ZERO, "it never turns round"),
        ] {
            assert_eq!(lag.behind(now + later), want, "{why}");
        }
        let far = Lag { at: now, behind: Span::days(30) };
        assert_eq!(far.behind(now + Span::days(9)), Span::days(30), "that far is not waited for");
    }
}
