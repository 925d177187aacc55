//! How the daemon is doing: whether intake, rules and outbox move, which alone feeds the service manager's watchdog, and the figures for
//! programs that watch it.
//!
//! Must never take a loop that turns for a daemon that works.

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

use engine::effect::MailId;
use engine::figures::Figures;
use intake::Pulse;
use pile::time::{Span, Timestamp};

use super::{Loop, chain};
use crate::copying::CopyWord;
use crate::health::{ClockFacts, RECORD_PATIENCE};
use crate::metrics::Sight;

/// An intake that shows no sign for so long stands still: the link is probed every half minute, and so is the broker inside.
const INTAKE_SILENT_MOST: Duration = Duration::from_secs(90);
/// Something that was due so long ago and is not done means that rules are not judged.
const RULES_BEHIND_MOST: Span = Span::minutes(1);
/// Longer than every limit of a conversation with a relay (RFC 5321 section 4.5.3.2: ten minutes for the end of a mail) and the making of a
/// document.
const MAIL_UNDER_WAY_MOST: Duration = Duration::from_secs(20 * 60);

/// What is known of the parts.
#[derive(Debug)]
pub(super) struct Vitals {
    pulse: Pulse,
    beats: u64,
    beaten: Instant,
    /// Mails that are being made or sent, and since when.
    under_way: BTreeMap<MailId, Instant>,
}

/// Which parts move.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct Moves {
    /// Messages could come in.
    pub(crate) intake: bool,
    /// Rules are judged when they are due.
    pub(crate) rules: bool,
    /// Mails are tried when they are due, and each try ends.
    pub(crate) outbox: bool,
}

impl Moves {
    /// Each part with its name.
    pub(crate) fn parts(self) -> [(&'static str, bool); 3] {
        [("intake", self.intake), ("rules", self.rules), ("outbox", self.outbox)]
    }

    /// Whether all of them move.
    pub(crate) fn all(self) -> bool {
        self.parts().iter().all(|(_, moves)| *moves)
    }
}

impl Vitals {
    pub(super) fn new(pulse: Pulse) -> Vitals {
        Vitals { pulse, beats: 0, beaten: Instant::now(), under_way: BTreeMap::new() }
    }

    /// A mail is being made or sent.
    pub(super) fn begins(&mut self, mail: MailId) {
        self.under_way.entry(mail).or_insert_with(Instant::now);
    }

    /// That ended, however.
    pub(super) fn ends(&mut self, mail: MailId) {
        self.under_way.remove(&mail);
    }

    /// For how long the intake has shown no sign, where that is too long.
    fn still_for(&self) -> Option<Duration> {
        Some(self.beaten.elapsed()).filter(|still| *still >= INTAKE_SILENT_MOST)
    }

    /// Which parts move; `behind` is how long ago something was due that the engine has not done.
    pub(super) fn look(&mut self, behind: Span) -> Moves {
        let beats = self.pulse.beats();
        if beats != self.beats {
            self.beats = beats;
            self.beaten = Instant::now();
        }
        Moves {
            intake: self.beaten.elapsed() < INTAKE_SILENT_MOST,
            rules: behind < RULES_BEHIND_MOST,
            outbox: self.under_way.values().all(|since| since.elapsed() < MAIL_UNDER_WAY_MOST),
        }
    }
}

impl Loop {
    /// Tells the service manager that all is well, if it is.
    pub(super) fn feed_watchdog(&mut self, now: Timestamp) {
        let figures = self.engine.figures(now);
        let moves = self.vitals.look(figures.behind);
        self.post_facts(now, &figures, moves);
        if moves.all() {
            let _ = sd_notify::notify(&[sd_notify::NotifyState::Watchdog]);
            return;
        }
        let still: Vec<_> = moves.parts().iter().filter(|(_, moves)| !moves).map(|(part, _)| *part).collect();
        tracing::error!(
            "{} stands still; the service manager's watchdog is not fed until it moves",
            still.join(" and ")
        );
    }

    /// What programs that watch are shown.
    pub(super) fn sight(&mut self) -> Sight {
        let at = self.clock.now();
        let figures = self.engine.figures(at);
        let copy_waiting = self.copy.as_ref().and_then(|copy| {
            let state = self.ledger.copy_state(&copy.target).ok()?;
            Some(state.rows.saturating_sub(state.next))
        });
        let moves = self.vitals.look(figures.behind);
        self.post_facts(at, &figures, moves);
        let health = self.board.health(at);
        Sight { figures, moves, health, is_fresh: true, clock_behind: self.clock.behind(), copy_waiting }
    }

    /// Leaves on the board what is known now, for whoever asks while the loop is held up.
    pub(super) fn post_facts(&mut self, at: Timestamp, figures: &Figures, moves: Moves) {
        // The record and the disk change slowly, and are looked at when the engine is told of the disk.
        let still = self.vitals.still_for().map(|still| at - Span::from_seconds_f64(still.as_secs_f64()));
        let clock = ClockFacts { behind: self.clock.behind(), unsure: !self.clock.is_set() };
        self.board.post(|facts| {
            facts.take(at, figures);
            facts.intake_still_since = still;
            facts.mail_hangs = !moves.outbox;
            facts.clock = clock;
        });
    }

    /// Looks at the record, which takes a moment.
    pub(super) fn look_at_record(&mut self, at: Timestamp) {
        let record =
            tokio::task::block_in_place(|| self.ledger.record_state(at, RECORD_PATIENCE)).map_err(|e| chain(&e));
        self.board.post(|facts| facts.record = record);
    }

    /// Writes down how far the copy elsewhere is.
    pub(super) fn note_copy(&mut self, word: CopyWord) {
        let Some(target) = self.copy.as_ref().map(|copy| copy.target.as_str()) else { return };
        let now = self.clock.now();
        let noted = match word {
            CopyWord::Copied { next, not_taken } => {
                let not_taken: Vec<_> = not_taken.into_iter().map(|n| (n.point, n.why)).collect();
                self.ledger.copied(target, now, next, &not_taken)
            }
            CopyWord::Trouble { why } | CopyWord::Broke { why } => self.ledger.copy_in_trouble(target, now, &why),
        };
        if let Err(source) = noted {
            tracing::warn!("how far the copy in InfluxDB is cannot be noted: {}", chain(&source));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_part_that_stands_still_is_told_by_itself() {
        let pulse = Pulse::default();
        let mut vitals = Vitals::new(pulse.clone());
        assert!(vitals.look(Span::ZERO).all());
        assert_eq!(vitals.look(Span::minutes(2)), Moves { intake: true, rules: false, outbox: true });
        // Time is not waited for: the marks are set back.
        vitals.beaten -= INTAKE_SILENT_MOST;
        assert_eq!(vitals.look(Span::ZERO), Moves { intake: false, rules: true, outbox: true });
        pulse.beat();
        assert!(vitals.look(Span::ZERO).all(), "one sign is enough");
        vitals.begins(MailId(7));
        vitals.under_way.insert(MailId(7), Instant::now() - MAIL_UNDER_WAY_MOST);
        vitals.begins(MailId(7));
        assert_eq!(vitals.look(Span::ZERO), Moves { intake: true, rules: true, outbox: false });
        vitals.ends(MailId(7));
        assert!(vitals.look(Span::ZERO).all());
    }
}
