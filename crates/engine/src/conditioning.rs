//! From a rule's answers to a proven condition: on-delay, off-delay, deadband and gaps.
//!
//! Must never raise or clear on silence: a delay is proven only by answers whose evidence is newer than the last.

use pile::time::{Span, Timestamp};
use rulebook::answer::Verdict;

/// The proof of one condition.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Conditioning {
    /// Where the proof stands.
    pub phase: Phase,
    /// The evidence time of the last answer that counted.
    pub last: Option<Timestamp>,
}

/// Where a proof stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Phase {
    /// The condition is not proven.
    Idle,
    /// It has held since `since`; the on-delay is not over.
    PendingOn {
        /// Evidence time of the first answer of this run.
        since: Timestamp,
    },
    /// It is proven.
    On,
    /// Its absence has held since `since`; the off-delay is not over.
    PendingOff {
        /// Evidence time of the first answer of this run.
        since: Timestamp,
    },
}

/// The delays in force.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Delays {
    /// The condition must hold this long.
    pub on: Span,
    /// Its absence must hold this long.
    pub off: Span,
    /// A longer step between two answers that count breaks a proof in progress.
    pub max_gap: Span,
}

/// What a proof came to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Proven {
    /// The condition holds since `onset`.
    Raise {
        /// Evidence time of the first answer of the run.
        onset: Timestamp,
    },
    /// It no longer holds since `end`.
    Clear {
        /// Evidence time of the first answer of the run.
        end: Timestamp,
    },
}

impl Conditioning {
    /// Nothing proven.
    pub const IDLE: Conditioning = Conditioning { phase: Phase::Idle, last: None };

    /// Takes one answer; `evidence_at` is the newest on-time reading behind it.
    ///
    /// Answers without newer evidence and answers that cannot tell change nothing, and do not advance the gap clock.
    pub fn absorb(&mut self, verdict: Verdict, evidence_at: Option<Timestamp>, delays: Delays) -> Option<Proven> {
        let at = evidence_at?;
        if verdict == Verdict::CannotTell || self.last.is_some_and(|last| at <= last) {
            return None;
        }
        if self.last.is_some_and(|last| at.since(last) > delays.max_gap) {
            self.break_proof();
        }
        self.last = Some(at);
        match (self.phase, verdict) {
            (Phase::Idle, Verdict::Alarm) if delays.on == Span::ZERO => {
                self.phase = Phase::On;
                Some(Proven::Raise { onset: at })
            }
            (Phase::Idle, Verdict::Alarm) => {
                self.phase = Phase::PendingOn { since: at };
                None
            }
            (Phase::PendingOn { since }, Verdict::Alarm) if at.since(since) >= delays.on => {
                self.phase = Phase::On;
                Some(Proven::Raise { onset: since })
            }
            (Phase::PendingOn { .. }, Verdict::Alarm) => None,
            (Phase::PendingOn { .. }, _) => {
                self.phase = Phase::Idle;
                None
            }
            (Phase::On, Verdict::Clear) if delays.off == Span::ZERO => {
                self.phase = Phase::Idle;
                Some(Proven::Clear { end: at })
            }
            (Phase::On, Verdict::Clear) => {
                self.phase = Phase::PendingOff { since: at };
                None
            }
            (Phase::PendingOff { since }, Verdict::Clear) if at.since(since) >= delays.off => {
                self.phase = Phase::Idle;
                Some(Proven::Clear { end: since })
            }
            (Phase::PendingOff { .. }, Verdict::Clear) => None,
            (Phase::PendingOff { .. }, _) => {
                self.phase = Phase::On;
                None
            }
            (Phase::Idle | Phase::On, _) => None,
        }
    }

    /// Forgets a proof in progress, as after a gap, a reload or a jump of the clock; what is proven stays proven.
    pub fn break_proof(&mut self) {
        self.phase = match self.phase {
            Phase::Idle | Phase::PendingOn { .. } => Phase::Idle,
            Phase::On | Phase::PendingOff { .. } => Phase::On,
        };
    }

    /// Takes it back at a start: evidence that is still to come was written down by a clock that was ahead, and proves nothing now.
    pub(crate) fn come_back(&mut self, now: Timestamp) {
        if self.last.is_some_and(|last| last > now) {
            self.break_proof();
            self.last = Some(now);
        }
    }

    /// Whether the condition is proven and its end is not.
    pub fn raised(&self) -> bool {
        matches!(self.phase, Phase::On | Phase::PendingOff { .. })
    }

    /// Whether a delay is running.
    pub fn pending(&self) -> bool {
        matches!(self.phase, Phase::PendingOn { .. } | Phase::PendingOff { .. })
    }
}
