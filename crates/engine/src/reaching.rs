//! Whether mail reaches people, and who learns it when it does not.
//!
//! Must never let a rejected mail be the last word on an alarm: those who can still be reached hear of it, and where nobody can, the
//! sounder, the status topic and the daemon's health say so. Must never answer a rejected mail with more than one mail a person and day.

use std::collections::{BTreeMap, BTreeSet};

use pile::time::{Span, Timestamp};
use site::model::{Calls, Person};

use crate::alarm::{Alarm, AlarmId, AlarmKey, Closing, Subject};
use crate::builtin::{self, Builtin, MAIL_DOWN, MAIL_LOST, UNREACHED};
use crate::effect::{Effect, MailId};
use crate::engine::{Deadline, Engine};
use crate::handling::{Finding, head};
use crate::limits;
use crate::notice::Step;

/// How an attempt to deliver a mail ended, with what is known of the mail.
#[derive(Debug)]
pub(crate) struct Attempt {
    pub(crate) mail: MailId,
    pub(crate) to: String,
    /// What the mail is about, in a few words.
    pub(crate) what: String,
    /// The alarm that it calls somebody to, if it does.
    pub(crate) calls_to: Option<AlarmId>,
    pub(crate) end: End,
}

/// How it ended.
#[derive(Debug)]
pub(crate) enum End {
    /// The relay took it.
    Taken,
    /// It is tried again.
    Waits { reply: String },
    /// The relay takes nothing for this recipient.
    Refused { reply: String },
    /// This mail will never pass, whoever it is for.
    Unfit { reply: String },
    /// It was tried for as long as such a mail is tried.
    OutOfTime { reply: String },
}

/// An address that has taken no mail since, and why.
#[derive(Clone, Debug, Default)]
struct Bad {
    /// Since when a mail that was tried waits for another try.
    waits_since: Option<Timestamp>,
    /// So many mails were rejected for what they are. One alone says nothing of the others; what tells of it may be taken.
    unfit: u32,
    reply: String,
}

impl Bad {
    fn waited(&self, at: Timestamp) -> bool {
        self.waits_since.is_some_and(|since| at.since(since) >= limits::MAIL_HELD_TOLD_AFTER)
    }
}

/// What is known of the addresses of the site's people.
#[derive(Debug, Default)]
pub(crate) struct Reaching {
    /// Addresses whose last mail was not taken.
    bad: BTreeMap<String, Bad>,
    /// The newest mail when a person was found unreachable: the route of an older one did not know it.
    known_from: BTreeMap<String, MailId>,
    last_taken: Option<Timestamp>,
}

/// How mail fares, for programs that watch the daemon: numbers, no names.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct MailFares {
    /// When a relay last took a mail, since the start.
    pub last_taken: Option<Timestamp>,
    /// Since when some address waits for a mail that was tried and deferred.
    pub waits_since: Option<Timestamp>,
    /// How many addresses alarms are mailed to.
    pub people: usize,
    /// How many of those people no mail reaches, as alarms say.
    pub unreached: usize,
    /// Since when the first of them.
    pub unreached_since: Option<Timestamp>,
    /// Since when mail reaches nobody.
    pub down_since: Option<Timestamp>,
    /// When a mail was lost because of what it was, within the last day.
    pub lost_at: Option<Timestamp>,
}

impl Reaching {
    /// A mail to this address waited when the daemon stopped, and had been tried.
    pub(crate) fn put_back(&mut self, to: &str, since: Timestamp, reply: &str) {
        let known = self.bad.entry(to.to_owned()).or_default();
        known.waits_since = Some(known.waits_since.map_or(since, |known| known.min(since)));
        reply.clone_into(&mut known.reply);
    }

    /// For so long no mail was tried; nobody was kept waiting by a relay meanwhile.
    pub(crate) fn nobody_tried_for(&mut self, span: Span) {
        for bad in self.bad.values_mut() {
            bad.waits_since = bad.waits_since.map(|since| since + span);
        }
    }
}

impl Engine {
    /// What waits for somebody who could not be reached was sent before this start knew it: an alarm among it is passed on, rather twice
    /// than never.
    pub(crate) fn put_unreached_back(&mut self) {
        let newest = self.outbox.newest();
        let names: Vec<String> = self
            .raised(&UNREACHED)
            .filter_map(|alarm| match &alarm.key.subject {
                Subject::Person(name) => Some(name.clone()),
                _ => None,
            })
            .collect();
        self.reaching.known_from.extend(names.into_iter().map(|name| (name, newest)));
    }

    /// Takes in how an attempt to deliver a mail ended, and tells whoever must learn it.
    pub(crate) fn mail_fared(&mut self, at: Timestamp, attempt: Attempt, effects: &mut Vec<Effect>) {
        let Attempt { mail, to, what, calls_to, end } = attempt;
        let person = self.site.people.iter().find(|p| p.mail == to).map(|p| p.name.clone());
        match (end, person) {
            (End::Taken, person) => self.mail_taken(at, &to, person, effects),
            // Nobody of the settings: the address was there when the mail was made.
            (_, None) => {}
            (End::Waits { reply }, Some(_)) => {
                let bad = self.reaching.bad.entry(to).or_default();
                bad.waits_since = bad.waits_since.or(Some(at));
                bad.reply = reply;
            }
            (End::Refused { reply }, Some(name)) => {
                let finding = format!("mail to {name} is rejected: {}", self.said(&reply));
                self.unreached(at, &name, finding, &what, effects);
                let before = self.reaching.known_from.get(&name).is_some_and(|known| mail <= *known);
                if let Some(alarm) = calls_to.filter(|_| before) {
                    self.pass_on(at, alarm, effects);
                }
            }
            (End::Unfit { reply }, Some(name)) => {
                let bad = self.reaching.bad.entry(to).or_default();
                bad.unfit += 1;
                bad.reply.clone_from(&reply);
                let finding = format!("a mail to {name} was rejected for its content or size: {}", self.said(&reply));
                self.lost(at, &name, finding, &what, effects);
            }
            (End::OutOfTime { reply }, Some(name)) => {
                if !self.is_unreached(&name) && !self.is_down() {
                    let finding = format!("a mail to {name} could not be delivered in time: {}", self.said(&reply));
                    self.lost(at, &name, finding, &what, effects);
                }
            }
        }
        self.look_after_mail(at, effects);
    }

    /// Looks once a minute whether somebody has waited too long, and whether anybody is reached at all.
    pub(crate) fn look_after_mail(&mut self, at: Timestamp, effects: &mut Vec<Effect>) {
        let waited: Vec<(String, String, Bad)> = self
            .reaching
            .bad
            .iter()
            .filter(|(_, bad)| bad.waited(at))
            .filter_map(|(to, bad)| {
                let person = self.site.people.iter().find(|p| p.mail == *to)?;
                Some((to.clone(), person.name.clone(), bad.clone()))
            })
            .collect();
        if self.reaches_nobody(at) {
            let why = self.reaching.bad.values().map(|bad| self.said(&bad.reply)).next_back();
            let why = why.or_else(|| Some(self.raised(&UNREACHED).next()?.finding.clone())).unwrap_or_default();
            let was = self.is_down();
            self.raise_builtin(
                &MAIL_DOWN,
                Subject::Site,
                at,
                format!("no mail reaches anybody: {why}"),
                Vec::new(),
                effects,
            );
            if !was {
                self.status(at, effects);
            }
        } else if !self.is_down() {
            for (to, name, bad) in waited {
                if self.is_unreached(&name) {
                    continue;
                }
                let since = self.site.zone.show(bad.waits_since.unwrap_or(at));
                let finding = format!("mail to {name} has not been taken since {since}: {}", self.said(&bad.reply));
                self.unreached(at, &name, finding, "", effects);
                for alarm in self.outbox.calls_waiting_for(&to) {
                    self.pass_on(at, alarm, effects);
                }
            }
        }
        let old = |a: &&Alarm| a.conditioning.last.is_none_or(|last| at.since(last) >= limits::MAIL_LOST_TOLD_FOR);
        let old: Vec<Subject> = self.raised(&MAIL_LOST).filter(old).map(|a| a.key.subject.clone()).collect();
        for subject in old {
            self.clear_builtin(&MAIL_LOST, &subject, at, "no mail was rejected for a day", effects);
        }
    }

    /// Alarms about people who are no longer in the settings end.
    pub(crate) fn forget_people(&mut self, at: Timestamp, effects: &mut Vec<Effect>) {
        let gone = |key: &&AlarmKey| match &key.subject {
            Subject::Person(name) => !self.site.people.iter().any(|p| p.name == *name),
            _ => false,
        };
        let gone: Vec<AlarmKey> = self.alarms.keys().filter(gone).cloned().collect();
        for key in gone {
            self.retire(&key, at, Closing::PersonRemoved, effects);
        }
    }

    /// How mail fares.
    pub fn mail_fares(&self) -> MailFares {
        MailFares {
            last_taken: self.reaching.last_taken,
            waits_since: self.reaching.bad.values().filter_map(|bad| bad.waits_since).min(),
            people: self.called().len(),
            unreached: self.raised(&UNREACHED).count(),
            unreached_since: self.raised(&UNREACHED).filter_map(|a| a.onset).min(),
            down_since: self.raised(&MAIL_DOWN).find_map(|a| a.onset),
            lost_at: self.raised(&MAIL_LOST).filter_map(|a| a.conditioning.last).max(),
        }
    }

    /// Whether mail does not reach this person, as far as is known.
    pub(crate) fn is_unreached(&self, name: &str) -> bool {
        self.raised(&UNREACHED).any(|a| matches!(&a.key.subject, Subject::Person(who) if who == name))
    }

    /// Those who hear of an alarm when nobody of its route can be reached: everybody else whom alarms are mailed to.
    pub(crate) fn instead(&self, route: &[String]) -> Vec<String> {
        let reached = |to: &String| self.site.people.iter().any(|p| p.mail == *to && !self.is_unreached(&p.name));
        if route.iter().any(reached) {
            return Vec::new();
        }
        self.called().into_iter().filter(|to| reached(to) && !route.contains(to)).collect()
    }

    /// Whom a mail about a person who is not reached goes to, `on_duty` or not: never to that person by the way that does not work.
    pub(crate) fn route_about(&self, key: &AlarmKey, name: &str, usual: Vec<String>) -> Vec<String> {
        if self.was_told_within_a_day(key) {
            return Vec::new();
        }
        let own = |to: &String| self.site.people.iter().any(|p| p.mail == *to && p.name == name);
        let dead = |to: &String| key.rule == UNREACHED.rule && own(to);
        let unreached = |to: &String| self.site.people.iter().any(|p| p.mail == *to && self.is_unreached(&p.name));
        let mut to: Vec<String> = usual.into_iter().filter(|to| !dead(to) && !unreached(to)).collect();
        if to.is_empty() {
            to = self.called().into_iter().filter(|to| !dead(to) && !unreached(to)).collect();
        }
        if to.is_empty() {
            // Whoever gets anything by mail is better than nobody; documents alone go to people outside.
            let any = self.site.people.iter().filter(|p| p.round_list || p.summary).map(|p| p.mail.clone());
            to = any.filter(|to| !dead(to) && !unreached(to)).collect();
        }
        if key.rule == MAIL_LOST.rule {
            let person = self.site.people.iter().find(|p| p.name == name).map(|p| p.mail.clone());
            to.extend(person.filter(|mail| !to.contains(mail) && !unreached(mail)));
        }
        let mut seen = BTreeSet::new();
        to.retain(|mail| seen.insert(mail.clone()));
        to
    }

    fn mail_taken(&mut self, at: Timestamp, to: &str, person: Option<String>, effects: &mut Vec<Effect>) {
        self.reaching.last_taken = Some(at);
        self.reaching.bad.remove(to);
        let mut news = false;
        if let Some(name) = person {
            self.reaching.known_from.remove(&name);
            news = self.is_unreached(&name);
            let words = format!("the relay takes mail to {name} again");
            self.clear_builtin(&UNREACHED, &Subject::Person(name), at, &words, effects);
        }
        // Somebody's mail being taken is not enough where those whom alarms are mailed to are still not reached.
        if self.is_down() && !self.reaches_nobody(at) {
            news = true;
            self.clear_builtin(&MAIL_DOWN, &Subject::Site, at, "the relay takes mail again", effects);
            // What waits for another try need not wait for its turn, and nobody is called unreachable for a try that was not made.
            for bad in self.reaching.bad.values_mut() {
                bad.waits_since = bad.waits_since.and(Some(at));
            }
            for mail in self.outbox.hurry(at) {
                self.insert_deadline(at, Deadline::Mail(mail));
            }
        }
        if news {
            self.status(at, effects);
        }
    }

    fn unreached(&mut self, at: Timestamp, name: &str, finding: String, what: &str, effects: &mut Vec<Effect>) {
        let evidence = if what.is_empty() { vec![] } else { vec![format!("The mail that was rejected: {what}.")] };
        let was = self.is_unreached(name);
        if !was {
            self.reaching.known_from.insert(name.to_owned(), self.outbox.newest());
        }
        self.raise_builtin(&UNREACHED, Subject::Person(name.to_owned()), at, finding, evidence, effects);
        if !was {
            self.status(at, effects);
        }
    }

    fn lost(&mut self, at: Timestamp, name: &str, finding: String, what: &str, effects: &mut Vec<Effect>) {
        let evidence = vec![format!("The mail that was lost: {what}.")];
        self.raise_builtin(&MAIL_LOST, Subject::Person(name.to_owned()), at, finding, evidence, effects);
    }

    /// An alarm called somebody who cannot be reached, and nobody knew when it was sent: it goes to those who can be.
    fn pass_on(&mut self, at: Timestamp, alarm: AlarmId, effects: &mut Vec<Effect>) {
        let Some(alarm) = self.alarms.values().find(|a| a.id == alarm && a.stands()) else { return };
        if builtin::ABOUT_MAIL.iter().any(|b| b.rule == alarm.key.rule) {
            return;
        }
        let key = alarm.key.clone();
        let finding = Finding { evidence: alarm.evidence.clone(), ..Finding::plain(alarm.finding.clone(), at) };
        let to = self.instead(&self.usual_route(&key, Step::Raise));
        if to.is_empty() {
            return;
        }
        let words = self.words_for(&key);
        self.send_step(&key, at, Step::Raise, words, finding, &to, effects);
        if let Some(alarm) = self.alarms.get(&key) {
            effects.push(Effect::Alarm { alarm: Box::new(alarm.clone()), event: None });
        }
    }

    /// The addresses that alarms are mailed to; where there is none, those that anything is mailed to.
    fn called(&self) -> Vec<String> {
        let of = |wants: fn(&Person) -> bool| -> Vec<String> {
            let mut seen = BTreeSet::new();
            let people = self.site.people.iter().filter(|p| wants(p)).map(|p| p.mail.clone());
            people.filter(|mail| seen.insert(mail.clone())).collect()
        };
        let called = of(|p| p.calls != Calls::None);
        if called.is_empty() { of(|p| p.round_list || p.summary) } else { called }
    }

    fn reaches_nobody(&self, at: Timestamp) -> bool {
        let called = self.called();
        let bad = |to: &String| {
            let refused = self.site.people.iter().any(|p| p.mail == *to && self.is_unreached(&p.name));
            refused || self.reaching.bad.get(to).is_some_and(|bad| bad.unfit > 1 || bad.waited(at))
        };
        !called.is_empty() && called.iter().all(bad)
    }

    /// The relay's words, not longer than a mail can carry, and with names in place of addresses: findings go to more places than mails do.
    fn said(&self, reply: &str) -> String {
        let named = self.site.people.iter().fold(reply.to_owned(), |words, p| words.replace(&p.mail, &p.name));
        head(&named, limits::RELAY_WORDS)
    }

    /// The alarms of one kind whose condition holds, hidden ones too; by their order, for a site may have ten thousand others.
    fn raised(&self, builtin: &Builtin) -> impl Iterator<Item = &Alarm> {
        let rule = builtin.rule;
        let first = AlarmKey { rule: rule.to_owned(), subject: Subject::Site };
        let of_rule = self.alarms.range(first..).map(|(_, alarm)| alarm).take_while(move |a| a.key.rule == rule);
        of_rule.filter(|a| a.conditioning.raised())
    }

    fn is_down(&self) -> bool {
        self.raised(&MAIL_DOWN).next().is_some()
    }

    /// Whether the present occurrence of this alarm began within a day of one that was told.
    fn was_told_within_a_day(&self, key: &AlarmKey) -> bool {
        let mut told: Option<Timestamp> = None;
        for (at, _) in self.week.raised.iter().filter(|(_, raised)| raised == key) {
            if told.is_none_or(|told| at.since(told) >= Span::days(1)) {
                told = Some(*at);
            }
        }
        let raised_at = self.alarms.get(key).and_then(|a| a.raised_at);
        told.zip(raised_at).is_some_and(|(told, raised)| told < raised)
    }
}
