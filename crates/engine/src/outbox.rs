//! Which mail is tried when: the decisions of the outbox. The bytes and the wire are elsewhere.
//!
//! Must never forget a mail: it ends accepted or given up, and both are kept.

use std::collections::{BTreeMap, BTreeSet, VecDeque};

use pile::time::{Span, Timestamp};

use crate::alarm::AlarmId;
use crate::effect::{Effect, Level, Mail, MailId, MailState};
use crate::engine::Deadline;
use crate::handling::{head, lower_first};
use crate::input::MailOutcome;
use crate::limits;
use crate::notice::{Notice, Step};
use crate::reaching::{Attempt, End};
use crate::telling::ends_low;

/// Mails that are neither accepted nor given up.
#[derive(Debug)]
pub(crate) struct Outbox {
    last: u64,
    waiting: BTreeMap<MailId, Waiting>,
    in_flight: BTreeSet<MailId>,
    /// Due, but as many as may be are under way.
    in_line: VecDeque<MailId>,
    /// The relay did not take the last mail that was tried.
    trouble_since: Option<Timestamp>,
    /// Addresses of which it was said that a mail to them was given up, and that have taken none since.
    said_given_up: BTreeSet<String>,
}

#[derive(Debug)]
struct Waiting {
    to: String,
    /// What it is about, in a few words.
    what: String,
    /// The alarm that it calls somebody to.
    calls_to: Option<AlarmId>,
    created_at: Timestamp,
    give_up_after: Span,
    tries: u32,
    next_try: Timestamp,
}

/// What came of an attempt.
#[derive(Debug)]
pub(crate) struct Tried {
    /// When the mail is tried again, if it is.
    pub(crate) next: Option<Timestamp>,
    /// For those who look after people.
    pub(crate) attempt: Attempt,
}

impl Waiting {
    fn of(mail: &Mail, tries: u32, next_try: Timestamp) -> Waiting {
        Waiting {
            to: mail.to.clone(),
            what: what_of(&mail.notice),
            calls_to: calls_to(&mail.notice),
            created_at: mail.created_at,
            give_up_after: give_up_after(&mail.notice),
            tries,
            next_try,
        }
    }
}

impl Outbox {
    /// How many mails wait to leave.
    pub(crate) fn waiting(&self) -> usize {
        self.waiting.len()
    }

    /// Since when the oldest of them waits.
    pub(crate) fn oldest(&self) -> Option<Timestamp> {
        // What waits for the morning on purpose does not wait for the relay.
        let tried = |mail: &&Waiting| mail.tries > 0 || mail.next_try <= mail.created_at;
        self.waiting.values().filter(tried).map(|mail| mail.created_at).min()
    }

    pub(crate) fn new(last: u64) -> Outbox {
        Outbox {
            last,
            waiting: BTreeMap::new(),
            in_flight: BTreeSet::new(),
            in_line: VecDeque::new(),
            trouble_since: None,
            said_given_up: BTreeSet::new(),
        }
    }

    /// Takes a new mail in, to be tried first when it is due.
    pub(crate) fn add(&mut self, to: &str, notice: Notice, now: Timestamp, due: Timestamp) -> (Mail, Deadline) {
        self.last += 1;
        let id = MailId(self.last);
        let state = MailState::Waiting { next_try: due, tries: 0, last_reply: String::new() };
        let mail = Mail { id, to: to.to_owned(), notice, created_at: now, state };
        self.waiting.insert(id, Waiting::of(&mail, 0, due));
        (mail, Deadline::Mail(id))
    }

    /// Puts a mail back that was waiting when the daemon stopped.
    ///
    /// A next try that is further off than any wait was planned by a clock that was ahead: it is due now.
    pub(crate) fn put_back(&mut self, mail: Mail, now: Timestamp) -> Option<(Timestamp, Deadline)> {
        let MailState::Waiting { next_try, tries, .. } = mail.state else { return None };
        let longest = match waits_for_morning(&mail.notice) {
            true => Span::hours(24),
            false => limits::MAIL_RETRY.iter().copied().fold(Span::ZERO, Span::max),
        };
        let next_try = if next_try > now + longest { now } else { next_try };
        self.waiting.insert(mail.id, Waiting::of(&mail, tries, next_try));
        Some((next_try, Deadline::Mail(mail.id)))
    }

    /// Time went by in which no mail could be tried, or the clock was only set; it does not count against those that wait.
    pub(crate) fn nobody_tried_for(&mut self, span: Span) {
        for waiting in self.waiting.values_mut() {
            waiting.created_at = waiting.created_at + span;
        }
    }

    /// The newest mail's number.
    pub(crate) fn newest(&self) -> MailId {
        MailId(self.last)
    }

    /// The alarms that mails to this address, not taken yet, call somebody to.
    pub(crate) fn calls_waiting_for(&self, to: &str) -> BTreeSet<AlarmId> {
        let theirs = self.waiting.values().filter(|mail| mail.to == to);
        theirs.filter_map(|mail| mail.calls_to).collect()
    }

    /// Every mail that waits for another try is due now.
    pub(crate) fn hurry(&mut self, now: Timestamp) -> Vec<MailId> {
        let waits = self.waiting.iter_mut().filter(|(_, mail)| mail.next_try > now);
        waits
            .map(|(id, mail)| {
                mail.next_try = now;
                *id
            })
            .collect()
    }

    /// A mail's time has come: try it, or let it stand in line. A time that was overtaken by another one does nothing.
    pub(crate) fn due(&mut self, mail: MailId, now: Timestamp) -> Option<Effect> {
        let waits = self.waiting.get(&mail).filter(|waits| waits.next_try <= now);
        if waits.is_none() || self.in_flight.contains(&mail) {
            return None;
        }
        if self.in_flight.len() >= limits::MAILS_IN_FLIGHT {
            if !self.in_line.contains(&mail) {
                self.in_line.push_back(mail);
            }
            return None;
        }
        self.in_flight.insert(mail);
        Some(Effect::Deliver(mail))
    }

    /// Lets those move up for whom there is room now.
    pub(crate) fn next_in_line(&mut self, now: Timestamp) -> Vec<Effect> {
        let mut effects = Vec::new();
        while self.in_flight.len() < limits::MAILS_IN_FLIGHT {
            let Some(mail) = self.in_line.pop_front() else { break };
            effects.extend(self.due(mail, now));
        }
        effects
    }

    /// An attempt ended; gives what came of it, unless the mail is no longer waited for.
    pub(crate) fn outcome(
        &mut self,
        now: Timestamp,
        mail: MailId,
        outcome: MailOutcome,
        effects: &mut Vec<Effect>,
    ) -> Option<Tried> {
        self.in_flight.remove(&mail);
        let waiting = self.waiting.get_mut(&mail)?;
        waiting.tries = waiting.tries.saturating_add(1);
        let tries = waiting.tries;
        let (state, next, end) = match outcome {
            MailOutcome::Accepted { reply } => (MailState::Accepted { at: now, tries, reply }, None, End::Taken),
            MailOutcome::Refused { reply } => {
                (MailState::GivenUp { at: now, tries, reply: reply.clone() }, None, End::Refused { reply })
            }
            MailOutcome::Unfit { reply } => {
                (MailState::GivenUp { at: now, tries, reply: reply.clone() }, None, End::Unfit { reply })
            }
            MailOutcome::Deferred { reply } => {
                let step = usize::try_from(tries).unwrap_or(usize::MAX) - 1;
                let wait =
                    limits::MAIL_RETRY.get(step).or(limits::MAIL_RETRY.last()).copied().unwrap_or(Span::hours(1));
                let next_try = now + wait;
                if next_try.since(waiting.created_at) > waiting.give_up_after {
                    (MailState::GivenUp { at: now, tries, reply: reply.clone() }, None, End::OutOfTime { reply })
                } else {
                    waiting.next_try = next_try;
                    let state = MailState::Waiting { next_try, tries, last_reply: reply.clone() };
                    (state, Some(next_try), End::Waits { reply })
                }
            }
        };
        let (to, what, calls_to) = (waiting.to.clone(), waiting.what.clone(), waiting.calls_to);
        self.say(now, mail, &to, &state, effects);
        if next.is_none() {
            self.waiting.remove(&mail);
        }
        effects.push(Effect::MailState { mail, state });
        Some(Tried { next, attempt: Attempt { mail, to, what, calls_to, end } })
    }

    /// One line when mail stops leaving, one when it leaves again, one for each address at which mails are given up.
    fn say(&mut self, now: Timestamp, mail: MailId, to: &str, state: &MailState, effects: &mut Vec<Effect>) {
        if matches!(state, MailState::Accepted { .. }) {
            self.said_given_up.remove(to);
        }
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
            MailState::GivenUp { .. } if !self.said_given_up.insert(to.to_owned()) => None,
            MailState::GivenUp { reply, .. } => Some((
                Level::Warn,
                format!(
                    "mail {} is undeliverable: {reply}; see `hypocaust outbox`, and check the address under `people`",
                    mail.0
                ),
            )),
        };
        effects.extend(line.map(|(level, text)| Effect::Say { level, text }));
    }
}

/// A mail that may have been put off to the end of the quiet hours.
fn waits_for_morning(notice: &Notice) -> bool {
    matches!(notice, Notice::Alarm(alarm) if ends_low(alarm.step, alarm.priority))
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

/// The alarm that a mail calls somebody to.
fn calls_to(notice: &Notice) -> Option<AlarmId> {
    match notice {
        Notice::Alarm(alarm) => match alarm.step {
            Step::Raise | Step::Update | Step::Reminder => Some(alarm.alarm),
            Step::Clear | Step::Retire => None,
        },
        _ => None,
    }
}

/// What a mail is about, in a few words.
fn what_of(notice: &Notice) -> String {
    match notice {
        Notice::Alarm(alarm) => {
            let step = match alarm.step {
                Step::Raise | Step::Update => "alarm",
                Step::Reminder => "reminder of alarm",
                Step::Clear | Step::Retire => "end of alarm",
            };
            let finding = head(&alarm.finding, limits::RELAY_WORDS);
            format!("{step} {}, {} {}: {finding}", alarm.alarm.0, alarm.subject.as_str(), lower_first(&alarm.title))
        }
        Notice::Summary(summary) => format!("the summary of week {}", summary.week),
        Notice::Copy(copy) => format!("a copy of the summary of week {}", copy.week),
        Notice::RoundList(list) => format!("the round list of {}", list.day),
        Notice::Flood(flood) => format!("a list of {} alarms", flood.standing + flood.over),
        Notice::Outage(_) => "that the daemon was off".into(),
        Notice::Trial { .. } => "a test mail".into(),
    }
}
