//! What happens to an alarm: every event goes through the table of its life, onto the record and, where the table says so, into mail.
//!
//! Must never change an alarm past the table, and never take a person's word from somebody whom the settings do not know.

use pile::time::{Span, Timestamp};
use rulebook::Rule;
use rulebook::answer::Explained;
use rulebook::header::{Handling, Priority};
use site::bounds;
use site::model::Person;
use site::names::{self, Who};

use crate::alarm::{
    Acknowledgement, Alarm, AlarmEvent, AlarmEventKind, AlarmId, AlarmKey, AlarmState, Closing, Grounds,
};
use crate::builtin::{self, Builtin};
use crate::effect::Effect;
use crate::engine::{Deadline, Engine};
use crate::input::Word;
use crate::life::{self, Event, LifeConfig, Occurrence, Refused, Told};
use crate::limits;
use crate::notice::Step;
use crate::subject;

/// The words of an alarm that come from its rule, or from the daemon for its own alarms.
pub(crate) struct Words {
    pub(crate) title: String,
    /// What to do, for the subject of a mail.
    pub(crate) deed: Option<String>,
    /// Advice that a hot pile makes wrong was taken out, so a deed that the rule's answer gave does not hold either.
    pub(crate) withheld: bool,
    pub(crate) priority: Priority,
    pub(crate) revision: String,
    pub(crate) cause: String,
    pub(crate) consequence: String,
    pub(crate) response: Vec<String>,
    pub(crate) caution: String,
    pub(crate) time_to_respond: Span,
    pub(crate) handling: Handling,
}

/// What is the case, as said by a rule, by a person or by the daemon.
#[derive(Clone, Default)]
pub(crate) struct Finding {
    pub(crate) text: String,
    /// What to do, where the answer knows better than the rule's header.
    pub(crate) deed: Option<String>,
    /// Why the alarm is closed without clearing, where it is.
    pub(crate) closing: Option<Closing>,
    pub(crate) evidence: Vec<String>,
    pub(crate) figures: Vec<(String, String)>,
    pub(crate) evidence_at: Option<Timestamp>,
    /// When the condition began, or ended.
    pub(crate) since: Option<Timestamp>,
    /// How a rule came to it.
    pub(crate) line: Option<usize>,
    pub(crate) explained: Explained,
}

impl Finding {
    /// A finding without grounds of its own, true at `at`.
    pub(crate) fn plain(text: impl Into<String>, at: Timestamp) -> Finding {
        Finding { text: text.into(), evidence_at: Some(at), ..Finding::default() }
    }
}

impl Engine {
    /// One event in the life of an alarm. `since` is when the condition began, for a raise, or ended, for a clear.
    pub(crate) fn happen(
        &mut self,
        key: &AlarmKey,
        at: Timestamp,
        event: Event,
        since: Timestamp,
        finding: Finding,
        effects: &mut Vec<Effect>,
    ) -> Result<(), Refused> {
        let words = self.words_for(key);
        let kind = kind_of(&event);
        let said_again = kind == AlarmEventKind::Acknowledged;
        let chatters = kind == AlarmEventKind::Raised && self.chatters(key, at);
        let opening = self.thread_subject(key, &words, finding.deed.as_deref(), &finding.text);
        let shown_again = self
            .alarms
            .get(key)
            .map(|alarm| self.thread_subject(key, &words, self.dosed(key, alarm).as_deref(), &alarm.finding));
        let Some(alarm) = self.alarms.get_mut(key) else { return Ok(()) };
        let before = alarm.life.clone();
        let (mut next, told) = life::step(&before, event, &life_config(&words.handling), at)?;
        if next == before && told == Told::Nothing && !said_again {
            return Ok(());
        }
        if matches!(kind, AlarmEventKind::Cleared | AlarmEventKind::Retired) && next.cleared_at == Some(at) {
            next.cleared_at = Some(since);
        }
        if kind == AlarmEventKind::Raised {
            alarm.onset = Some(since);
        }
        if matches!(kind, AlarmEventKind::Raised | AlarmEventKind::Worse) {
            alarm.finding.clone_from(&finding.text);
            alarm.evidence.clone_from(&finding.evidence);
        }
        alarm.life = next;
        let mut step = match told {
            Told::Nothing => None,
            Told::Raise(_) => Some(Step::Raise),
            Told::Update => Some(Step::Update),
            Told::Reminder(_) => Some(Step::Reminder),
            Told::Clear if kind == AlarmEventKind::Retired => Some(Step::Retire),
            Told::Clear => Some(Step::Clear),
        };
        if let Told::Raise(occurrence) = told {
            alarm.acknowledged = None;
            alarm.confirmed = None;
            alarm.life.cleared_at = None;
            if occurrence == Occurrence::New {
                alarm.occurrence = alarm.occurrence.saturating_add(1);
                alarm.raised_at = Some(at);
                if chatters && alarm.thread > 0 {
                    step = Some(Step::Update);
                } else {
                    alarm.thread = alarm.occurrence;
                    alarm.mails = 0;
                    alarm.thread_subject = match kind {
                        AlarmEventKind::Raised => opening,
                        _ => shown_again.unwrap_or_default(),
                    };
                }
            }
        } else if kind == AlarmEventKind::Raised && told == Told::Update {
            alarm.acknowledged = None;
            alarm.life.cleared_at = None;
        }
        let remind = reminder_after(alarm, &words, told, kind);
        match remind {
            Reminder::In(span) => alarm.reminder_at = Some(at + span),
            Reminder::Never => alarm.reminder_at = None,
            Reminder::AsItWas => {}
        }
        let deadlines = [
            alarm.reminder_at.map(|due| (due, Deadline::Reminder(key.clone()))),
            alarm.life.shelf.as_ref().map(|shelf| (shelf.until, Deadline::ShelfEnds(key.clone()))),
        ];
        for (due, deadline) in deadlines.into_iter().flatten() {
            self.insert_deadline(due, deadline);
        }
        let shown = self.what_is_shown(key, kind, told, chatters, &finding, at);
        let finding = Finding { since: Some(since), ..finding };
        self.record(key, at, kind, before.state, &finding, effects);
        if let Some(step) = step {
            self.mail_step(key, at, step, words, shown, effects);
        }
        self.bin_changed(key, at, effects);
        Ok(())
    }

    pub(crate) fn thread_subject(&self, key: &AlarmKey, words: &Words, deed: Option<&str>, finding: &str) -> String {
        let deed = deed.filter(|_| !words.withheld).or(words.deed.as_deref());
        subject::line(&self.site.id, &key.subject, &words.title, deed, finding)
    }

    /// What the dose of an alarm asks for, for its subject.
    fn dosed(&self, key: &AlarmKey, alarm: &Alarm) -> Option<String> {
        self.dose_of(key, &alarm.evidence).and_then(rulebook::dose::deed)
    }

    /// The finding that a mail shows: the alarm's own where the event was not about its condition.
    fn what_is_shown(
        &self,
        key: &AlarmKey,
        kind: AlarmEventKind,
        told: Told,
        chatters: bool,
        finding: &Finding,
        at: Timestamp,
    ) -> Finding {
        let Some(alarm) = self.alarms.get(key) else { return finding.clone() };
        let mut shown = finding.clone();
        match (kind, told) {
            (AlarmEventKind::Raised, Told::Raise(_)) if chatters => {
                shown.text = format!("back for the {} time in all: {}", ordinal(alarm.occurrence), finding.text);
            }
            (AlarmEventKind::Worse, _) => shown.text = format!("worse: {}", finding.text),
            (AlarmEventKind::Raised, Told::Update) => shown.text = format!("back again: {}", finding.text),
            (AlarmEventKind::Cleared, Told::Update) => {
                shown.text = format!("the condition has ended; the alarm waits for a reset: {}", finding.text);
            }
            (AlarmEventKind::Raised | AlarmEventKind::Cleared | AlarmEventKind::Retired, _) => {}
            (_, Told::Raise(_) | Told::Reminder(_)) => {
                shown.text = self.finding_with_its_time(alarm, at);
                shown.evidence.clone_from(&alarm.evidence);
                if !finding.text.is_empty() {
                    shown.evidence.insert(0, sentence(&finding.text));
                }
            }
            _ => {}
        }
        shown
    }

    /// The newest finding; one that is older than [`limits::FINDING_FRESH`] says of when it is.
    fn finding_with_its_time(&self, alarm: &Alarm, at: Timestamp) -> String {
        match self.newest_finding(alarm) {
            (text, Some(found)) if at.since(found) > limits::FINDING_FRESH => {
                format!("{} (found {})", text.trim_end_matches('.'), self.site.zone.show_short(found))
            }
            (text, _) => text,
        }
    }

    /// A person says something about an alarm.
    pub(crate) fn told_by(
        &mut self,
        now: Timestamp,
        id: AlarmId,
        by: &str,
        word: Word,
        effects: &mut Vec<Effect>,
    ) -> Result<String, String> {
        let person = self.person(by)?;
        let (by, owner) = (person.name.clone(), person.owner);
        let Some(alarm) = self.alarms.values().find(|a| a.id == id) else {
            return Err(format!("there is no alarm {}; `hypocaust alarms` lists them", id.0));
        };
        let (key, before) = (alarm.key.clone(), alarm.life.clone());
        let named = format!("alarm {} ({}, {})", id.0, alarm.title, key.subject.as_str());
        let guards = self.words_for(&key).handling.guards.is_some();
        if guards {
            self.may_hide(&word, owner, now)
                .map_err(|why| format!("{named} guards people against fire or gas: {why}"))?;
        }
        let zone = &self.site.zone;
        if let Word::Shelve { until: at, .. } | Word::OutOfService { back: Some(at), .. } = &word {
            bounds::due(*at, now, zone).map_err(|why| format!("{named} cannot be hidden so: {why}"))?;
        }
        let spoken = |words: &str| if words.trim().is_empty() { by.clone() } else { format!("{by}: {words}") };
        let said = match &word {
            Word::Acknowledge { comment } | Word::Confirm { comment } => spoken(comment),
            Word::Reset => format!("{by} reset it"),
            Word::Shelve { until, reason } => format!("{by} hid it until {}: {reason}", zone.show(*until)),
            Word::Unshelve => format!("{by} ended the shelf"),
            Word::OutOfService { back, reason } => {
                let back = back.map_or_else(String::new, |t| format!(", expected back {}", zone.show(t)));
                format!("{by} took it out of service{back}: {reason}")
            }
            Word::InService => format!("{by} put it back into service"),
        };
        let finding = Finding::plain(said, now);
        let refused = |what: &str, why: Refused| format!("{named} cannot be {what}: {why}");
        let (event, verb) = match word {
            Word::Confirm { comment } => return self.confirm(now, &key, by, comment, &named, effects),
            Word::Acknowledge { comment } => {
                self.happen(&key, now, Event::Acknowledge, now, finding, effects)
                    .map_err(|why| refused("acknowledged", why))?;
                return Ok(self.acknowledged(
                    &key,
                    &named,
                    &before.state,
                    Acknowledgement { at: now, by, comment },
                    effects,
                ));
            }
            Word::Reset => (Event::Reset, "reset"),
            Word::Shelve { until, reason } => (Event::Shelve { until: Some(until), by, reason }, "shelved"),
            Word::Unshelve => (Event::Unshelve, "taken from the shelf"),
            Word::OutOfService { back, reason } => (Event::OutOfService { back, by, reason }, "taken out of service"),
            Word::InService => (Event::InService, "put into service"),
        };
        let shelves = matches!(event, Event::Shelve { .. });
        let mails = self.alarms.get(&key).map(|a| a.mails);
        self.happen(&key, now, event, now, finding.clone(), effects).map_err(|why| refused(verb, why))?;
        if guards && shelves && self.alarms.get(&key).map(|a| a.mails) == mails {
            self.tell_all(&key, now, finding, effects);
        }
        let state = self.alarms.get(&key).map_or(AlarmState::Normal, |a| a.life.state);
        Ok(match (verb, state) {
            ("shelved", _) => {
                let until = self.alarms.get(&key).and_then(|a| a.life.shelf.as_ref()).map(|s| s.until);
                let until = until.map_or_else(String::new, |t| format!(" until {}", self.site.zone.show(t)));
                format!("{named} is hidden{until}; its condition is watched and recorded all the while")
            }
            ("taken out of service", _) => {
                format!("{named} is out of service until somebody puts it back: `hypocaust alarms in-service {}`", id.0)
            }
            (_, AlarmState::Suppressed) => format!("{named} is {verb}, and stays hidden for another reason"),
            (_, AlarmState::Normal) => format!("{named} is {verb}; it is normal"),
            (_, state) => format!("{named} is {verb}; it is {}", state.key()),
        })
    }

    /// Whether an alarm that guards people may be hidden so.
    fn may_hide(&self, word: &Word, owner: bool, now: Timestamp) -> Result<(), String> {
        let longest = rulebook::limits::GUARD_SHELF_MAX;
        let minutes = longest.as_minutes();
        match word {
            Word::OutOfService { .. } => Err(format!(
                "it is never taken out of service; an owner may shelve it for up to {minutes:.0} min: `hypocaust alarms shelve`"
            )),
            Word::Shelve { .. } if !owner => {
                let owners: Vec<&str> = self.site.people.iter().filter(|p| p.owner).map(|p| p.name.as_str()).collect();
                Err(match owners.is_empty() {
                    true => "only an owner may shelve it, and nobody has `role: owner` under `people` in the settings"
                        .to_owned(),
                    false => format!("only an owner may shelve it: {}", owners.join(", ")),
                })
            }
            Word::Shelve { until, .. } if until.since(now) > longest => Err(format!(
                "it is shelved for up to {minutes:.0} min, not until {}; write `--for {minutes:.0}min`",
                self.site.zone.show(*until)
            )),
            Word::Shelve { reason, .. }
                if reason.chars().filter(|c| c.is_alphabetic()).count() < limits::GUARD_REASON_LETTERS =>
            {
                Err(format!("give the reason in {} letters at least, with `--reason`", limits::GUARD_REASON_LETTERS))
            }
            _ => Ok(()),
        }
    }

    /// Writes the acknowledgement beside the alarm and says what that changed.
    fn acknowledged(
        &mut self,
        key: &AlarmKey,
        named: &str,
        before: &AlarmState,
        by: Acknowledgement,
        effects: &mut [Effect],
    ) -> String {
        let Some(alarm) = self.alarms.get_mut(key) else { return String::new() };
        let repeated = *before == alarm.life.state;
        if !repeated {
            alarm.acknowledged = Some(by);
        }
        let said = match alarm.life.state {
            _ if repeated => format!("{named} was acknowledged already; your comment is kept as well"),
            AlarmState::Acknowledged => format!("{named} is acknowledged; its condition still holds"),
            AlarmState::LatchedAcknowledged => format!("{named} is acknowledged; it stays until somebody resets it"),
            _ => format!("{named} is acknowledged and closed: its condition had ended"),
        };
        let kept = alarm.clone();
        renew_row(effects, kept);
        said
    }

    /// A person carried out the response: a statement beside the life of the alarm, which moves by its readings alone.
    fn confirm(
        &mut self,
        now: Timestamp,
        key: &AlarmKey,
        by: String,
        comment: String,
        named: &str,
        effects: &mut Vec<Effect>,
    ) -> Result<String, String> {
        let Some(alarm) = self.alarms.get_mut(key) else { return Err(format!("{named} is not there")) };
        if alarm.occurrence == 0 || alarm.life.state == AlarmState::Normal {
            return Err(format!("{named} is normal: there is no response to confirm"));
        }
        let finding = Finding::plain(if comment.is_empty() { by.clone() } else { format!("{by}: {comment}") }, now);
        alarm.confirmed = Some(Acknowledgement { at: now, by, comment });
        let state = alarm.life.state;
        self.record(key, now, AlarmEventKind::Confirmed, state, &finding, effects);
        Ok(format!("{named}: that the response was carried out is on record; readings decide when it is over"))
    }

    /// The person of this name or address.
    pub(crate) fn person(&self, by: &str) -> Result<&Person, String> {
        match names::who(&self.site.people, by) {
            Who::Known(person) => return Ok(person),
            Who::LooksLike(person) => return Err(names::looks_like(person, by)),
            Who::Other => {}
        }
        let names: Vec<&str> = self.site.people.iter().map(|p| p.name.as_str()).collect();
        let known = if names.is_empty() { "nobody".to_owned() } else { names.join(", ") };
        Err(format!("there is no `{}` under `people` in {}; there is {known}", by.trim(), self.site.settings_path))
    }

    /// Hides an alarm because another one tells of the same trouble. An alarm that never was is made first, so that it stays hidden
    /// when it comes.
    pub(crate) fn hide_by_design(
        &mut self,
        key: &AlarmKey,
        rule: &Rule,
        because: &str,
        at: Timestamp,
        effects: &mut Vec<Effect>,
    ) {
        self.alarm(key, rule);
        let event = Event::SuppressByDesign { rule: because.to_owned() };
        let finding = Finding::plain(format!("hidden while `{because}` is active"), at);
        // Hiding by design is never refused: only people's words are.
        let _ = self.happen(key, at, event, at, finding, effects);
    }

    /// Ends what [`Engine::hide_by_design`] began.
    pub(crate) fn show_by_design(&mut self, key: &AlarmKey, at: Timestamp, effects: &mut Vec<Effect>) {
        if let Some(alarm) = self.alarms.get(key).filter(|a| a.life.by_design.is_some()) {
            let words = match alarm.life.active {
                true => "the alarm that hid it has cleared; its own condition holds",
                false => "the alarm that hid it has cleared",
            };
            let finding = Finding::plain(words, at);
            let _ = self.happen(key, at, Event::EndByDesign, at, finding, effects);
        }
    }

    /// A reminder, or the end of an acknowledgement, is due.
    pub(crate) fn remind(&mut self, key: &AlarmKey, at: Timestamp, effects: &mut Vec<Effect>) {
        let Some(alarm) = self.alarms.get(key).filter(|a| a.reminder_at == Some(at)) else { return };
        let said = match &alarm.acknowledged {
            Some(by) => format!("{} acknowledged the alarm; it is still active", by.by),
            None => String::new(),
        };
        let _ = self.happen(key, at, Event::Realarm, at, Finding::plain(said, at), effects);
        // A timer that moved nothing is over; a row that keeps it would ring again at every start.
        if let Some(alarm) = self.alarms.get_mut(key).filter(|a| a.reminder_at == Some(at)) {
            alarm.reminder_at = None;
            effects.push(Effect::Alarm { alarm: Box::new(alarm.clone()), event: None });
        }
    }

    /// The time of a shelf is over; an older timer of a shelf that was made longer does nothing.
    pub(crate) fn end_shelf(&mut self, key: &AlarmKey, at: Timestamp, effects: &mut Vec<Effect>) {
        let finding = Finding::plain("the time on the shelf is over, and its condition holds", at);
        let _ = self.happen(key, at, Event::ShelfEnds, at, finding, effects);
    }

    /// Timers again after a restart; shelves that ended meanwhile end now.
    pub(crate) fn arm_alarms(&mut self, now: Timestamp, effects: &mut Vec<Effect>) {
        let keys: Vec<AlarmKey> = self.alarms.keys().cloned().collect();
        for key in keys {
            if self.alarms.get(&key).is_some_and(|a| a.life.shelf.as_ref().is_some_and(|s| s.until <= now)) {
                let finding = Finding::plain("the time on the shelf is over, and its condition held last", now);
                let _ = self.happen(&key, now, Event::ShelfEnds, now, finding, effects);
            }
            let Some(alarm) = self.alarms.get_mut(&key) else { continue };
            if let Some(due) = alarm.reminder_at {
                alarm.reminder_at = Some(due.max(now));
                self.insert_deadline(due.max(now), Deadline::Reminder(key.clone()));
            }
            let until = self.alarms.get(&key).and_then(|a| a.life.shelf.as_ref()).map(|s| s.until);
            if let Some(until) = until {
                self.insert_deadline(until, Deadline::ShelfEnds(key.clone()));
            }
        }
        self.resume_flood(now);
    }

    /// Whether this raise is one of several within a short time.
    fn chatters(&self, key: &AlarmKey, at: Timestamp) -> bool {
        let since = at - limits::CHATTER_WITHIN;
        let raises = self.week.raised.iter().rev().take_while(|(t, _)| *t >= since).filter(|(_, k)| k == key).count();
        raises + 1 >= limits::CHATTER_AT
    }

    pub(crate) fn words_for(&self, key: &AlarmKey) -> Words {
        if let Some(rule) = self.rulebook.rules().iter().find(|r| r.name == key.rule) {
            let mut words = rule_words(rule);
            self.withhold(key, &mut words);
            return words;
        }
        if let Some(builtin) = builtin::ALL.iter().find(|b| b.rule == key.rule) {
            return builtin_words(builtin);
        }
        let alarm = self.alarms.get(key);
        Words {
            title: alarm.map(|a| a.title.clone()).unwrap_or_default(),
            deed: None,
            withheld: false,
            priority: alarm.map_or(Priority::Low, |a| a.priority),
            revision: alarm.map(|a| a.revision.clone()).unwrap_or_default(),
            cause: String::new(),
            consequence: String::new(),
            response: Vec::new(),
            caution: String::new(),
            time_to_respond: Span::ZERO,
            handling: Handling::USUAL,
        }
    }

    pub(crate) fn record(
        &mut self,
        key: &AlarmKey,
        at: Timestamp,
        kind: AlarmEventKind,
        before: AlarmState,
        finding: &Finding,
        effects: &mut Vec<Effect>,
    ) {
        use AlarmEventKind::{Cleared, Raised, Retired, Worse};
        let Some(alarm) = self.alarms.get(key) else { return };
        let grounds = matches!(kind, Raised | Cleared | Worse | Retired).then(|| Grounds {
            since: finding.since,
            evidence: finding.evidence.clone(),
            figures: finding.figures.clone(),
            line: finding.line,
            compared: finding.explained.compared.iter().map(|c| (c.line, c.words.clone())).collect(),
            settings: finding.explained.settings.clone(),
        });
        let event = AlarmEvent {
            alarm: alarm.id,
            occurrence: alarm.occurrence,
            at,
            kind,
            before,
            after: alarm.life.state,
            evidence_at: finding.evidence_at,
            words: finding.text.clone(),
            revision: alarm.revision.clone(),
            grounds: grounds.map(Box::new),
        };
        self.week.remember(&event, key);
        effects.push(Effect::Alarm { alarm: Box::new(alarm.clone()), event: Some(Box::new(event)) });
    }
}

/// Brings the row that went out with an event up to date.
pub(crate) fn renew_row(effects: &mut [Effect], kept: Alarm) {
    let row = effects.iter_mut().rev().find_map(|effect| match effect {
        Effect::Alarm { alarm, .. } if alarm.id == kept.id => Some(alarm),
        _ => None,
    });
    if let Some(row) = row {
        **row = kept;
    }
}

/// What becomes of the timer of reminders.
enum Reminder {
    In(Span),
    Never,
    AsItWas,
}

fn reminder_after(alarm: &Alarm, words: &Words, told: Told, kind: AlarmEventKind) -> Reminder {
    // Each reminder waits twice as long as the one before: whoever did not answer two may be out of reach, and mails pile up.
    let patience = words.time_to_respond.max(limits::REMINDER_EARLIEST).times(1 << alarm.life.reminders.min(8));
    match alarm.life.state {
        // What can wait for daylight stands on the round list every morning.
        AlarmState::Unacknowledged if alarm.priority < Priority::Medium || !words.handling.acknowledge => {
            Reminder::Never
        }
        AlarmState::Unacknowledged => match told {
            Told::Raise(_) | Told::Update => Reminder::In(patience),
            Told::Reminder(n) if n < limits::REMINDERS_MAX => Reminder::In(patience),
            Told::Reminder(_) => Reminder::Never,
            Told::Nothing | Told::Clear => Reminder::AsItWas,
        },
        AlarmState::Acknowledged if kind == AlarmEventKind::Acknowledged => {
            words.handling.realarm_after.map_or(Reminder::Never, Reminder::In)
        }
        AlarmState::Acknowledged => Reminder::AsItWas,
        _ => Reminder::Never,
    }
}

fn kind_of(event: &Event) -> AlarmEventKind {
    match event {
        Event::Raise => AlarmEventKind::Raised,
        Event::Clear => AlarmEventKind::Cleared,
        Event::Acknowledge => AlarmEventKind::Acknowledged,
        Event::Reset => AlarmEventKind::Reset,
        Event::Shelve { .. } => AlarmEventKind::Shelved,
        Event::Unshelve => AlarmEventKind::Unshelved,
        Event::ShelfEnds | Event::Restart => AlarmEventKind::ShelfEnded,
        Event::SuppressByDesign { .. } => AlarmEventKind::HiddenByDesign,
        Event::EndByDesign => AlarmEventKind::ShownByDesign,
        Event::OutOfService { .. } => AlarmEventKind::OutOfService,
        Event::InService => AlarmEventKind::InService,
        Event::Realarm => AlarmEventKind::Reminded,
        Event::Escalate => AlarmEventKind::Worse,
        Event::Retire => AlarmEventKind::Retired,
    }
}

fn life_config(handling: &Handling) -> LifeConfig {
    LifeConfig {
        ack_required: handling.acknowledge,
        latching: handling.latching,
        shelvable: handling.shelf_longest.is_some(),
        realarm_acked: handling.realarm_after.is_some(),
        break_shelf_on_escalate: true,
        reopen_within: limits::REOPEN_WITHIN,
        shelf_longest: handling.shelf_longest.unwrap_or(Span::ZERO),
    }
}

pub(crate) fn rule_words(rule: &Rule) -> Words {
    let header = &rule.header;
    Words {
        title: header.title.clone(),
        deed: header.deed.clone(),
        withheld: false,
        priority: rule.priority,
        revision: rule.revision.clone(),
        cause: header.cause.clone(),
        consequence: header.consequence.clone(),
        response: header.response.clone(),
        caution: header.caution.clone(),
        time_to_respond: header.time_to_respond,
        handling: header.handling,
    }
}

fn builtin_words(builtin: &Builtin) -> Words {
    Words {
        title: builtin.title.to_owned(),
        deed: Some(builtin.deed.to_owned()).filter(|deed| !deed.is_empty()),
        withheld: false,
        priority: builtin.priority(),
        revision: String::new(),
        cause: builtin.cause.to_owned(),
        consequence: builtin.consequence.to_owned(),
        response: builtin.response.iter().map(|s| (*s).to_owned()).collect(),
        caution: String::new(),
        time_to_respond: builtin.time_to_respond,
        handling: builtin.handling(),
    }
}

pub(crate) fn lower_first(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map(|c| c.to_lowercase().chain(chars).collect()).unwrap_or_default()
}

/// The first words of a text, cut between words.
pub(crate) fn head(text: &str, chars: usize) -> String {
    let text = text.replace(['\r', '\n'], " ");
    if text.chars().count() <= chars {
        return text;
    }
    let cut: String = text.chars().take(chars).collect();
    let end = cut.rfind(' ').unwrap_or(cut.len());
    format!("{}…", cut[..end].trim_end_matches([',', ';', ':']))
}

/// A text that begins with a capital and ends with a full stop.
fn sentence(text: &str) -> String {
    let mut chars = text.chars();
    let text: String = chars.next().map(|c| c.to_uppercase().chain(chars).collect()).unwrap_or_default();
    if text.ends_with(['.', '!', '?']) { text } else { format!("{text}.") }
}

/// `3rd`, `11th`.
fn ordinal(n: u32) -> String {
    let end = match (n % 10, n % 100) {
        (_, 11..=13) => "th",
        (1, _) => "st",
        (2, _) => "nd",
        (3, _) => "rd",
        _ => "th",
    };
    format!("{n}{end}")
}
