//! Which mail is tried when: the decisions of the outbox. The bytes and the wire are elsewhere.
//!
//! Must never forget a mail: it ends accepted or given up, and both are kept.

use std::collections::{BTreeMap, BTreeSet, VecDeque};

use pile::time::{Span, Timestamp};

use crate::effect::{Effect, Level, Mail, MailId, MailState};
use crate::engine::Deadline;
use crate::input::MailOutcome;
use crate::limits;
use crate::notice::Notice;

/// Mails that are neither accepted nor given up.
#[derive(Debug)]
pub(crate) struct Outbox {
    last: u64,
    waiting: BTreeMap<MailId, Waiting>,
    in_flight: BTreeSet<MailId>,
    /// Due, but as many as may be are under way.
    in_line: VecDeque<MailId>,
    /// Mails that were given up since the start, for the summary.
    pub(crate) given_up: Vec<MailId>,
    /// The relay did not take the last mail that was tried.
    trouble_since: Option<Timestamp>,
}

#[derive(Debug)]
struct Waiting {
    created_at: Timestamp,
    give_up_after: Span,
    tries: u32,
}

impl Outbox {
    /// How many mails wait to leave.
    pub(crate) fn waiting(&self) -> usize {
        self.waiting.len()
    }

    /// Since when the oldest of them waits.
    pub(crate) fn oldest(&self) -> Option<Timestamp> {
        self.waiting.values().map(|mail| mail.created_at).min()
    }

    pub(crate) fn new(last: u64) -> Outbox {
        Outbox {
            last,
            waiting: BTreeMap::new(),
            in_flight: BTreeSet::new(),
            in_line: VecDeque::new(),
            given_up: Vec::new(),
            trouble_since: None,
        }
    }

    /// Takes a new mail in; it is due at once.
    pub(crate) fn add(&mut self, to: &str, notice: Notice, now: Timestamp) -> (Mail, Deadline) {
        self.last += 1;
        let id = MailId(self.last);
        self.waiting.insert(id, Waiting { created_at: now, give_up_after: give_up_after(&notice), tries: 0 });
        let state = MailState::Waiting { next_try: now, tries: 0, last_reply: String::new() };
        (Mail { id, to: to.to_owned(), notice, created_at: now, state }, Deadline::Mail(id))
    }

    /// Puts a mail back that was waiting when the daemon stopped.
    pub(crate) fn put_back(&mut self, mail: Mail) -> Option<(Timestamp, Deadline)> {
        let MailState::Waiting { next_try, tries, .. } = mail.state else { return None };
        let give_up_after = give_up_after(&mail.notice);
        self.waiting.insert(mail.id, Waiting { created_at: mail.created_at, give_up_after, tries });
        Some((next_try, Deadline::Mail(mail.id)))
    }

    /// A mail's time has come: try it, or let it stand in line.
    pub(crate) fn due(&mut self, mail: MailId) -> Option<Effect> {
        if !self.waiting.contains_key(&mail) || self.in_flight.contains(&mail) {
            return None;
        }
        if self.in_flight.len() >= limits::MAILS_IN_FLIGHT {
            self.in_line.push_back(mail);
            return None;
        }
        self.in_flight.insert(mail);
        Some(Effect::Deliver(mail))
    }

    /// Lets those move up for whom there is room now.
    pub(crate) fn next_in_line(&mut self) -> Vec<Effect> {
        let mut effects = Vec::new();
        while self.in_flight.len() < limits::MAILS_IN_FLIGHT {
            let Some(mail) = self.in_line.pop_front() else { break };
            effects.extend(self.due(mail));
        }
        effects
    }

    /// An attempt ended; gives the time of the next one, if there is to be one.
    pub(crate) fn outcome(
        &mut self,
        now: Timestamp,
        mail: MailId,
        outcome: MailOutcome,
        effects: &mut Vec<Effect>,
    ) -> Option<Timestamp> {
        self.in_flight.remove(&mail);
        let waiting = self.waiting.get_mut(&mail)?;
        waiting.tries = waiting.tries.saturating_add(1);
        let tries = waiting.tries;
        let (state, next) = match outcome {
            MailOutcome::Accepted { reply } => (MailState::Accepted { at: now, tries, reply }, None),
            MailOutcome::Refused { reply } => (MailState::GivenUp { at: now, tries, reply }, None),
            MailOutcome::Deferred { reply } => {
                let step = usize::try_from(tries).unwrap_or(usize::MAX) - 1;
                let wait =
                    limits::MAIL_RETRY.get(step).or(limits::MAIL_RETRY.last()).copied().unwrap_or(Span::hours(1));
                let next_try = now + wait;
                if next_try.since(waiting.created_at) > waiting.give_up_after {
                    (MailState::GivenUp { at: now, tries, reply }, None)
                } else {
                    (MailState::Waiting { next_try, tries, last_reply: reply }, Some(next_try))
                }
            }
        };
        self.say(now, mail, &state, effects);
        if next.is_none() {
            self.waiting.remove(&mail);
        }
        if matches!(state, MailState::GivenUp { .. }) {
            self.given_up.push(mail);
        }
        effects.push(Effect::MailState { mail, state });
        next
    }

    /// One line when mail stops leaving, one when it leaves again, one for each mail given up.
    fn say(&mut self, now: Timestamp, mail: MailId, state: &MailState, effects: &mut Vec<Effect>) {
        let line = match state {
            MailState::Accepted { .. } => self
                .trouble_since
                .take()
                .map(|since| (Level::Info, format!("mail leaves again, after {} of trouble", now.since(since)))),
            MailState::Waiting { last_reply, .. } if self.trouble_since.is_none() => {
                self.trouble_since = Some(now);
                Some((
                    Level::Warn,
                    format!(
                        "mail does not leave: {last_reply}; it stays in the outbox and is tried again (`hypocaust outbox`)"
                    ),
                ))
            }
            MailState::Waiting { .. } => None,
            MailState::GivenUp { reply, .. } => Some((
                Level::Warn,
                format!(
                    "mail {} was given up: {reply}; see `hypocaust outbox`, and check the address under `people`",
                    mail.0
                ),
            )),
        };
        effects.extend(line.map(|(level, text)| Effect::Say { level, text }));
    }
}

fn give_up_after(notice: &Notice) -> Span {
    match notice {
        Notice::Summary(_) | Notice::Copy(_) => limits::SUMMARY_MAIL_GIVEN_UP_AFTER,
        Notice::RoundList(_) => limits::ROUND_LIST_GIVEN_UP_AFTER,
        Notice::Alarm(_) | Notice::Flood(_) | Notice::Outage(_) | Notice::Trial { .. } => {
            limits::ALARM_MAIL_GIVEN_UP_AFTER
        }
    }
}
