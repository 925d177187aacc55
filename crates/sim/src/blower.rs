//! A blower on a pulse schedule: when it runs, what its run counter says, how much air arrives, and how it fails.
//!
//! Must never know what the air does in the bin.

use pile::time::{Span, Timestamp};
use pile::units::CubicMetresPerHour;

/// The air given to a bin within one length of time, spread evenly over it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Air {
    /// For how many seconds of that time the blower ran.
    pub blower_seconds_on: f64,
    /// The flow while it ran, at the conditions of the inlet.
    pub flow: CubicMetresPerHour,
}

impl Air {
    /// No air from the blower; the bin's own draught remains.
    pub const NONE: Air = Air { blower_seconds_on: 0.0, flow: CubicMetresPerHour(0.0) };
}

/// A pulse of `on` at the start of `every`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Pulses {
    /// How long a pulse lasts; zero is off, as long as `every` is always on.
    pub on: Span,
    /// From the start of one pulse to the start of the next.
    pub every: Span,
}

/// What goes wrong with a blower. `until` is `None` when nobody repairs it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum BlowerFault {
    /// It stands still.
    Stops {
        /// When it begins.
        from: Timestamp,
        /// When it is repaired.
        until: Option<Timestamp>,
    },
    /// It runs without a pause.
    RunsOn {
        /// When it begins.
        from: Timestamp,
        /// When it is repaired.
        until: Option<Timestamp>,
    },
    /// It runs and counts as usual, and only a share of the air arrives: a blocked floor, a torn duct.
    Weak {
        /// When it begins.
        from: Timestamp,
        /// When it is repaired.
        until: Option<Timestamp>,
        /// The share of the air that arrives, 0 to 1.
        share: f64,
    },
}

impl BlowerFault {
    fn period(&self) -> (Timestamp, Timestamp) {
        let (from, until) = match *self {
            BlowerFault::Stops { from, until }
            | BlowerFault::RunsOn { from, until }
            | BlowerFault::Weak { from, until, .. } => (from, until),
        };
        (from, until.unwrap_or(Timestamp::MAX))
    }

    fn holds_at(&self, at: Timestamp) -> bool {
        let (from, until) = self.period();
        from <= at && at < until
    }
}

/// A blower, its schedule and its faults.
#[derive(Clone, Debug, PartialEq)]
pub struct Blower {
    /// The flow when it runs and nothing is wrong.
    pub flow: CubicMetresPerHour,
    /// The schedules and when each begins, in order of time; before the first one the blower stands still. The pulses of a
    /// schedule count from its beginning.
    pub schedule: Vec<(Timestamp, Pulses)>,
    /// Its faults; where two overlap, standing still wins over running on, and weak ones multiply.
    pub faults: Vec<BlowerFault>,
}

impl Blower {
    /// A small bin's blower from `from` on: 120 m³/h for 45 s every 30 min. The pulses are common practice, no source;
    /// the flow is fitted, so that the textbook bin of three layers stays hot for as long as practice says.
    pub fn typical(from: Timestamp) -> Blower {
        Blower {
            flow: CubicMetresPerHour(120.0),
            schedule: vec![(from, Pulses { on: Span::seconds(45), every: Span::minutes(30) })],
            faults: Vec::new(),
        }
    }

    /// The same blower with other pulses from `from` on; schedules that would begin later are dropped.
    pub fn set_pulses(&mut self, from: Timestamp, pulses: Pulses) {
        self.schedule.retain(|(begins, _)| *begins < from);
        self.schedule.push((from, pulses));
    }

    /// How many seconds the blower ran from `from` to `to`: the difference of its run counter between the two.
    pub fn run_seconds(&self, from: Timestamp, to: Timestamp) -> f64 {
        self.stretches(from, to).iter().map(|s| s.ran.as_seconds()).sum()
    }

    /// The air that arrives from `from` to `to`, as one run at the mean flow.
    pub fn air(&self, from: Timestamp, to: Timestamp) -> Air {
        let stretches = self.stretches(from, to);
        let on: f64 = stretches.iter().map(|s| s.ran.as_seconds()).sum();
        if on <= 0.0 {
            return Air::NONE;
        }
        let arrived: f64 = stretches.iter().map(|s| s.ran.as_seconds() * s.share).sum();
        Air { blower_seconds_on: on, flow: CubicMetresPerHour(self.flow.0 * arrived / on) }
    }

    /// The pieces of time between `from` and `to` in which neither the schedule nor a fault changes.
    fn stretches(&self, from: Timestamp, to: Timestamp) -> Vec<Stretch> {
        let mut edges: Vec<Timestamp> = self.schedule.iter().map(|(begins, _)| *begins).collect();
        for fault in &self.faults {
            let (begins, ends) = fault.period();
            edges.extend([begins, ends]);
        }
        edges.retain(|edge| from < *edge && *edge < to);
        edges.push(to);
        edges.sort();
        let mut stretches = Vec::with_capacity(edges.len());
        let mut begin = from;
        for end in edges {
            if begin < end {
                stretches.push(self.stretch(begin, end));
            }
            begin = begin.max(end);
        }
        stretches
    }

    fn stretch(&self, begin: Timestamp, end: Timestamp) -> Stretch {
        let (mut stands, mut runs_on, mut share) = (false, false, 1.0);
        for fault in self.faults.iter().filter(|fault| fault.holds_at(begin)) {
            match fault {
                BlowerFault::Stops { .. } => stands = true,
                BlowerFault::RunsOn { .. } => runs_on = true,
                BlowerFault::Weak { share: of_flow, .. } => share *= of_flow.clamp(0.0, 1.0),
            }
        }
        let ran = match (stands, runs_on) {
            (true, _) => Span::ZERO,
            (false, true) => end.since(begin),
            (false, false) => self.schedule.iter().rev().find(|(begins, _)| *begins <= begin).map_or(
                Span::ZERO,
                |&(begins, pulses)| {
                    Span::millis(pulses.run_millis(end.since(begins)) - pulses.run_millis(begin.since(begins)))
                },
            ),
        };
        Stretch { ran, share }
    }
}

struct Stretch {
    ran: Span,
    share: f64,
}

impl Pulses {
    /// Milliseconds run within the first `elapsed` of the schedule.
    fn run_millis(self, elapsed: Span) -> i64 {
        let every = self.every.as_millis().max(1);
        let on = self.on.as_millis().clamp(0, every);
        let elapsed = elapsed.as_millis();
        elapsed.div_euclid(every) * on + elapsed.rem_euclid(every).min(on)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(seconds: i64) -> Timestamp {
        Timestamp::from_millis(seconds * 1_000)
    }

    #[test]
    fn the_run_counter_counts_what_ran() {
        let typical = Blower::typical(at(0));
        let with = |faults: Vec<BlowerFault>| Blower { faults, ..typical.clone() };
        let stops = with(vec![BlowerFault::Stops { from: at(3_600), until: Some(at(7_200)) }]);
        let runs_on = with(vec![BlowerFault::RunsOn { from: at(3_600), until: None }]);
        let weak = with(vec![BlowerFault::Weak { from: at(0), until: None, share: 0.2 }]);
        let mut changed = typical.clone();
        changed.set_pulses(at(3_600), Pulses { on: Span::seconds(60), every: Span::minutes(10) });
        for (blower, from, to, want, why) in [
            (&typical, 0, 86_400, 2_160.0, "48 pulses of 45 s a day"),
            (&typical, 0, 30, 30.0, "part of a pulse"),
            (&typical, 30, 1_830, 45.0, "any half hour holds one pulse"),
            (&typical, 45, 1_800, 0.0, "between pulses"),
            (&typical, -1_800, 0, 0.0, "before the schedule begins"),
            (&typical, 100, 50, 0.0, "no time has passed"),
            (&stops, 0, 10_800, 180.0, "an hour of three without its two pulses"),
            (&runs_on, 0, 7_200, 90.0 + 3_600.0, "an hour without a pause"),
            (&weak, 0, 86_400, 2_160.0, "a blocked floor does not show in the counter"),
            (&changed, 0, 7_200, 90.0 + 360.0, "another schedule for the second hour"),
        ] {
            assert_eq!(blower.run_seconds(at(from), at(to)), want, "{why}");
        }
    }

    #[test]
    fn the_air_is_what_arrives() {
        let mut blower = Blower::typical(at(0));
        blower.faults = vec![BlowerFault::Weak { from: at(1_800), until: Some(at(3_600)), share: 0.2 }];
        for (from, to, seconds, flow, why) in [
            (0, 1_800, 45.0, 120.0, "sound"),
            (1_800, 3_600, 45.0, 24.0, "a fifth of the air arrives"),
            (0, 3_600, 90.0, 72.0, "the mean of both"),
            (60, 120, 0.0, 0.0, "between pulses"),
        ] {
            let air = blower.air(at(from), at(to));
            assert_eq!((air.blower_seconds_on, air.flow.0), (seconds, flow), "{why}");
        }
    }
}
