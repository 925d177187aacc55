//! A probe: what it makes of the true value, and how it goes wrong.
//!
//! Must never know the bin: the true value is handed in, a number or silence comes out.

use pile::time::{Span, Timestamp};

use crate::chance::Chance;

/// What a digital temperature probe reports when its line is broken, °C. From memory of common one-wire probes.
pub const CODE_NO_ANSWER: f64 = -127.0;
/// What a digital temperature probe reports after a reset, before its first conversion, °C. From memory of common
/// one-wire probes.
pub const CODE_AFTER_RESET: f64 = 85.0;

/// One way in which a probe goes wrong. Several may hold at once.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Fault {
    /// It falls silent for good.
    Dies {
        /// When.
        at: Timestamp,
    },
    /// It is silent for a while.
    Silent {
        /// When it begins.
        from: Timestamp,
        /// When it speaks again.
        until: Timestamp,
    },
    /// Some of its readings are codes in place of a temperature: [`CODE_NO_ANSWER`] or [`CODE_AFTER_RESET`].
    Flaky {
        /// When it begins.
        from: Timestamp,
        /// When it ends, usually when the probe dies.
        until: Timestamp,
        /// The share of the readings that are codes, 0 to 1.
        share: f64,
    },
    /// Its bias grows.
    Drift {
        /// When it begins.
        from: Timestamp,
        /// By how much, in the probe's unit per day.
        per_day: f64,
    },
    /// It repeats the last reading before the fault.
    Stuck {
        /// When it begins.
        from: Timestamp,
        /// When it ends; `None` when nobody repairs it.
        until: Option<Timestamp>,
    },
}

/// A probe with its imperfections, in the unit of whatever it measures.
#[derive(Clone, Debug)]
pub struct ProbeModel {
    /// Standard deviation of its noise.
    pub noise: f64,
    /// The step between two values that it can report; zero for none.
    pub resolution: f64,
    /// What it reads too much.
    pub bias: f64,
    /// Time constant with which it follows the truth; zero for at once.
    pub lag: Span,
    /// What goes wrong with it.
    pub faults: Vec<Fault>,
    chance: Chance,
    follows: Option<(Timestamp, f64)>,
    reported: Option<f64>,
}

impl ProbeModel {
    /// A temperature probe as they are sold for such work: 0.05 K noise, 1/16 K steps, and 10 min until it has followed
    /// by 63 %, in a steel lance (common practice, no source).
    pub fn temperature(seed: u64) -> ProbeModel {
        ProbeModel::new(0.05, 0.0625, 0.0, Span::minutes(10), seed)
    }

    /// A probe without faults.
    pub fn new(noise: f64, resolution: f64, bias: f64, lag: Span, seed: u64) -> ProbeModel {
        ProbeModel {
            noise,
            resolution,
            bias,
            lag,
            faults: Vec::new(),
            chance: Chance::new(seed),
            follows: None,
            reported: None,
        }
    }

    /// The same probe with one more fault.
    pub fn with_fault(mut self, fault: Fault) -> ProbeModel {
        self.faults.push(fault);
        self
    }

    /// What the probe reports at `at` when the truth is `true_value`; `None` is silence. Call in order of time.
    pub fn read(&mut self, at: Timestamp, true_value: f64) -> Option<f64> {
        // The chance advances alike at every reading, so that a fault in one hour does not change the noise of the next.
        let noise = self.chance.normal() * self.noise;
        let (code_drawn, code_kind) = (self.chance.fraction(), self.chance.fraction());
        let felt = self.follow(at, true_value);
        let (mut silent, mut stuck, mut code, mut drifted) = (false, false, None, 0.0);
        for fault in &self.faults {
            match *fault {
                Fault::Dies { at: dies } => silent |= at >= dies,
                Fault::Silent { from, until } => silent |= from <= at && at < until,
                Fault::Flaky { from, until, share } => {
                    if from <= at && at < until && code_drawn < share {
                        code = Some(if code_kind < 0.5 { CODE_NO_ANSWER } else { CODE_AFTER_RESET });
                    }
                }
                Fault::Drift { from, per_day } => drifted += per_day * at.since(from).as_days().max(0.0),
                Fault::Stuck { from, until } => stuck |= from <= at && until.is_none_or(|until| at < until),
            }
        }
        if silent {
            return None;
        }
        if code.is_some() {
            return code;
        }
        if let (true, Some(reported)) = (stuck, self.reported) {
            return Some(reported);
        }
        let value = self.to_step(felt + self.bias + drifted + noise);
        self.reported = Some(value);
        Some(value)
    }

    /// The temperature of the sensor itself, which follows the truth with the lag.
    fn follow(&mut self, at: Timestamp, true_value: f64) -> f64 {
        let felt = match self.follows {
            Some((before, felt)) if self.lag > Span::ZERO => {
                let elapsed = at.since(before).as_seconds().max(0.0);
                true_value + (felt - true_value) * libm::exp(-elapsed / self.lag.as_seconds())
            }
            _ => true_value,
        };
        self.follows = Some((at, felt));
        felt
    }

    fn to_step(&self, value: f64) -> f64 {
        if self.resolution > 0.0 { (value / self.resolution).round() * self.resolution } else { value }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(minute: i64) -> Timestamp {
        Timestamp::from_millis(minute * 60_000)
    }

    fn exact() -> ProbeModel {
        ProbeModel::new(0.0, 0.0, 0.0, Span::ZERO, 1)
    }

    #[test]
    fn faults_change_what_is_reported() {
        let day = 24 * 60;
        for (fault, minute, want, why) in [
            (Fault::Dies { at: at(10) }, 9, Some(60.0), "alive until then"),
            (Fault::Dies { at: at(10) }, 10, None, "silent from then on"),
            (Fault::Silent { from: at(10), until: at(20) }, 19, None, "silent for a while"),
            (Fault::Silent { from: at(10), until: at(20) }, 20, Some(60.0), "back again"),
            (Fault::Drift { from: at(0), per_day: 0.5 }, 4 * day, Some(62.0), "half a kelvin a day for four days"),
            (Fault::Drift { from: at(10), per_day: 0.5 }, 5, Some(60.0), "not yet"),
            (Fault::Flaky { from: at(0), until: at(10), share: 0.0 }, 5, Some(60.0), "no share, no codes"),
        ] {
            assert_eq!(exact().with_fault(fault).read(at(minute), 60.0), want, "{fault:?}: {why}");
        }
    }

    #[test]
    fn a_stuck_probe_repeats_its_last_sound_reading() {
        let mut probe = exact().with_fault(Fault::Stuck { from: at(10), until: Some(at(30)) });
        let read: Vec<_> = [(5, 60.0), (10, 55.0), (20, 50.0), (30, 45.0)].map(|(m, t)| probe.read(at(m), t)).into();
        assert_eq!(read, [Some(60.0), Some(60.0), Some(60.0), Some(45.0)]);
    }

    #[test]
    fn a_flaky_probe_mixes_codes_with_readings_and_then_dies() {
        let mut probe = exact()
            .with_fault(Fault::Flaky { from: at(100), until: at(1_100), share: 0.3 })
            .with_fault(Fault::Dies { at: at(1_100) });
        let mut count = [0; 4];
        for minute in 0..1_200 {
            count[match probe.read(at(minute), 60.0) {
                Some(60.0) => 0,
                Some(CODE_NO_ANSWER) => 1,
                Some(CODE_AFTER_RESET) => 2,
                None => 3,
                Some(other) => panic!("{other} is neither the truth nor a code"),
            }] += 1;
        }
        assert_eq!(count.iter().sum::<i32>(), 1_200);
        assert_eq!(count[3], 100, "silent after its death");
        // 1000 readings, 30 % codes, half of each kind: 150 each, standard deviation 11.
        assert!((100..200).contains(&count[1]) && (100..200).contains(&count[2]), "{count:?}");
    }

    #[test]
    fn a_lance_follows_by_its_lag() {
        let mut probe = ProbeModel::new(0.0, 0.0, 0.0, Span::minutes(10), 1);
        assert_eq!(probe.read(at(0), 20.0), Some(20.0), "it starts at rest");
        let after = probe.read(at(10), 60.0).unwrap();
        assert!((after - (60.0 - 40.0 * (-1f64).exp())).abs() < 1e-9, "{after}: one time constant leaves 37 %");
    }

    #[test]
    fn readings_stand_on_the_steps_of_the_probe() {
        let mut probe = ProbeModel::temperature(3);
        let mut differ = 0;
        for minute in 0..200 {
            let read = probe.read(at(minute), 60.01).unwrap();
            assert_eq!((read / 0.0625).fract(), 0.0);
            differ += i32::from(read != 60.0);
        }
        assert!(differ > 20, "noise must show: {differ}");
    }

    #[test]
    fn a_fault_leaves_the_noise_of_later_readings_alone() {
        let mut sound = ProbeModel::temperature(5);
        let mut cut = ProbeModel::temperature(5).with_fault(Fault::Silent { from: at(3), until: at(50) });
        for minute in 0..100 {
            let (a, b) = (sound.read(at(minute), 50.0), cut.read(at(minute), 50.0));
            assert!(b.is_none() || a == b, "minute {minute}: {a:?} and {b:?}");
        }
    }
}
