//! Whether the daemon does its work, part by part: what holds, since when, and what to do.
//!
//! Must never call a part well for want of a look, never say more than figures (no reading, no name of a person, no secret), and never
//! be what the service manager's watchdog asks: that has its own narrower sign (`daemon/vitals.rs`), for a broker or relay that is
//! gone does not come back by a restart of ours.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::sync::{Arc, Mutex, PoisonError};

use engine::MailFares;
use engine::figures::Figures;
use engine::input::LinkState;
use ledger::RecordState;
use pile::time::{Span, Timestamp};
use site::model::{Broker, Site};
use site::zone::{Zone, rfc3339_utc};

mod judge;

/// An hour's row is written with the first commit after it is due; while readings come that is within a minute.
pub(crate) const RECORD_PATIENCE: Span = Span::hours(2);

/// The parts, in the order in which they are shown.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Part {
    Broker,
    Intake,
    Rules,
    Clock,
    Disk,
    Outbox,
    Record,
}

/// How a part is; the worst is the last.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum State {
    /// It does its work.
    Ok,
    /// It works, and something about it is not as it should be.
    Late,
    /// It does not do its work.
    Failed,
}

/// What is known of the parts, gathered where it is known.
#[derive(Clone, Debug)]
pub(crate) struct Facts {
    /// When this was gathered.
    pub(crate) at: Timestamp,
    pub(crate) started_at: Timestamp,
    pub(crate) link: LinkState,
    pub(crate) link_down_since: Option<Timestamp>,
    pub(crate) taken_at: Option<Timestamp>,
    pub(crate) fresh_at: Option<Timestamp>,
    pub(crate) refused_lately: usize,
    pub(crate) ticked_at: Option<Timestamp>,
    pub(crate) judged_every: Option<Span>,
    pub(crate) rules_broken: usize,
    pub(crate) behind: Span,
    pub(crate) batches: usize,
    pub(crate) disk_free: Option<(Timestamp, f64)>,
    /// The store is not looked at while the clock is driven.
    pub(crate) disk_is_looked_at: bool,
    /// The store takes nothing: since when and why.
    pub(crate) store_trouble: Option<(Timestamp, String)>,
    pub(crate) mails_waiting: u64,
    pub(crate) oldest_mail: Option<Span>,
    pub(crate) mail: MailFares,
    /// Since when the intake shows no sign; `None` while it does.
    pub(crate) intake_still_since: Option<Timestamp>,
    /// A mail is under way for longer than any conversation takes.
    pub(crate) mail_hangs: bool,
    pub(crate) clock: ClockFacts,
    pub(crate) record: Result<RecordState, String>,
    /// When it was kept last how high the record has grown.
    pub(crate) checkpoint_at: Option<Timestamp>,
    /// The first row of the record that is broken.
    pub(crate) record_broken: Option<String>,
    /// What the store lacked at the start.
    pub(crate) store_lost: Option<String>,
    /// Where the rules come from while their folder gives none.
    pub(crate) rules_from: Option<String>,
}

/// What the clock's keeper says of it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct ClockFacts {
    /// By how much the machine's clock is behind ours; negative for ahead.
    pub(crate) behind: Span,
    /// The machine cannot say whether its clock is right.
    pub(crate) unsure: bool,
}

/// What of the settings the judgement needs.
#[derive(Clone, Debug)]
pub(crate) struct Terms {
    /// Where the broker is, in words; `None` for the one inside.
    broker: Option<String>,
    broker_alarm_after: Span,
    /// The shortest interval of all probes.
    fastest: Option<Span>,
    zone: Zone,
}

/// One part, with its words.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct PartHealth {
    pub(crate) part: Part,
    pub(crate) state: State,
    /// Since when it is so.
    pub(crate) since: Timestamp,
    /// What is the case.
    pub(crate) finding: String,
    /// What to do; empty where there is nothing to do.
    pub(crate) remedy: String,
}

/// All of them.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Health {
    pub(crate) at: Timestamp,
    pub(crate) parts: Vec<PartHealth>,
}

/// The health, with the clock by which people are told.
#[derive(Clone, Debug)]
pub(crate) struct Told {
    pub(crate) health: Health,
    zone: Zone,
}

/// Where the loop leaves what it knows, so that whoever asks is answered even while the loop is held up.
#[derive(Clone, Debug)]
pub(crate) struct Board(Arc<Mutex<Posted>>);

#[derive(Debug)]
struct Posted {
    facts: Facts,
    terms: Terms,
    /// Since when each part is as it is.
    since: BTreeMap<Part, (State, Timestamp)>,
}

impl Part {
    pub(crate) const ALL: [Part; 7] =
        [Part::Broker, Part::Intake, Part::Rules, Part::Clock, Part::Disk, Part::Outbox, Part::Record];

    pub(crate) fn key(self) -> &'static str {
        match self {
            Part::Broker => "broker",
            Part::Intake => "intake",
            Part::Rules => "rules",
            Part::Clock => "clock",
            Part::Disk => "disk",
            Part::Outbox => "outbox",
            Part::Record => "record",
        }
    }
}

impl State {
    pub(crate) fn key(self) -> &'static str {
        match self {
            State::Ok => "ok",
            State::Late => "late",
            State::Failed => "failed",
        }
    }

    /// As a figure: 0, 1, 2, the greater the worse.
    pub(crate) fn figure(self) -> f64 {
        match self {
            State::Ok => 0.0,
            State::Late => 1.0,
            State::Failed => 2.0,
        }
    }
}

impl Facts {
    /// What is known before anything has happened.
    pub(crate) fn at_start(now: Timestamp) -> Facts {
        Facts {
            at: now,
            started_at: now,
            link: LinkState::Down,
            link_down_since: None,
            taken_at: None,
            fresh_at: None,
            refused_lately: 0,
            ticked_at: None,
            judged_every: Some(Span::minutes(1)),
            rules_broken: 0,
            behind: Span::ZERO,
            batches: 0,
            disk_free: None,
            disk_is_looked_at: false,
            store_trouble: None,
            mails_waiting: 0,
            oldest_mail: None,
            mail: MailFares::default(),
            intake_still_since: None,
            mail_hangs: false,
            clock: ClockFacts::default(),
            record: Ok(RecordState::default()),
            checkpoint_at: None,
            record_broken: None,
            store_lost: None,
            rules_from: None,
        }
    }

    /// The store took something at `at`, or did not, and why.
    pub(crate) fn store_takes(&mut self, at: Timestamp, trouble: Option<String>) {
        self.store_trouble = match (self.store_trouble.take(), trouble) {
            (Some((since, _)), Some(why)) => Some((since, why)),
            (None, Some(why)) => Some((at, why)),
            (_, None) => None,
        };
    }

    /// Takes over what the engine knows.
    pub(crate) fn take(&mut self, at: Timestamp, figures: &Figures) {
        self.at = at;
        self.link = figures.link;
        self.link_down_since = figures.link_down_since;
        self.taken_at = figures.taken_at;
        self.fresh_at = figures.fresh_at;
        self.refused_lately = figures.refused_lately;
        self.ticked_at = figures.ticked_at;
        self.judged_every = figures.judged_every;
        self.rules_broken = figures.rules_broken;
        self.behind = figures.behind;
        self.batches = figures.batches;
        self.disk_free = figures.disk_free;
        self.mails_waiting = figures.mails_waiting;
        self.oldest_mail = figures.oldest_mail;
        self.mail = figures.mail;
    }
}

impl Terms {
    pub(crate) fn of(site: &Site) -> Terms {
        let broker = match &site.broker {
            Broker::Embedded { .. } => None,
            Broker::Remote { host, port, .. } => Some(format!("{host}:{port}")),
        };
        Terms {
            broker,
            broker_alarm_after: site.broker_alarm_after,
            fastest: site.probes.values().map(|probe| probe.interval).min(),
            zone: site.zone.clone(),
        }
    }
}

impl Board {
    pub(crate) fn new(terms: Terms, now: Timestamp) -> Board {
        Board(Arc::new(Mutex::new(Posted { facts: Facts::at_start(now), terms, since: BTreeMap::new() })))
    }

    /// Changes what is known.
    pub(crate) fn post(&self, change: impl FnOnce(&mut Facts)) {
        change(&mut self.0.lock().unwrap_or_else(PoisonError::into_inner).facts);
    }

    /// The store takes nothing, as far as is known.
    pub(crate) fn store_in_trouble(&self) -> bool {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).facts.store_trouble.is_some()
    }

    /// How the parts are at `now`, by what is known.
    pub(crate) fn health(&self, now: Timestamp) -> Told {
        let mut posted = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let started_at = posted.facts.started_at;
        let parts = Part::ALL.map(|part| {
            let said = judge::judge(part, &posted.facts, &posted.terms, now);
            // By the facts where they say it, otherwise since it was first seen.
            let seen = match posted.since.get(&part) {
                Some((state, since)) if *state == said.state => *since,
                None if said.state == State::Ok => started_at,
                _ => now,
            };
            let since = said.since.unwrap_or(seen);
            posted.since.insert(part, (said.state, since));
            PartHealth { part, state: said.state, since, finding: said.finding, remedy: said.remedy }
        });
        Told { health: Health { at: now, parts: parts.into() }, zone: posted.terms.zone.clone() }
    }
}

impl Health {
    /// How the daemon is: as its worst part.
    pub(crate) fn state(&self) -> State {
        self.parts.iter().map(|part| part.state).max().unwrap_or(State::Ok)
    }

    /// One line a part, by the site's clock.
    fn text(&self, zone: &Zone) -> String {
        let mut text = String::new();
        for PartHealth { part, state, since, finding, remedy } in &self.parts {
            let (part, state, since) = (part.key(), state.key(), zone.show(*since));
            // Writing into a string cannot fail.
            let _ = write!(text, "{part}: {state} since {since}: {finding}.");
            if !remedy.is_empty() {
                let _ = write!(text, " {remedy}");
            }
            text.push('\n');
        }
        text
    }

    /// The same for programs; times are UTC.
    pub(crate) fn json(&self) -> serde_json::Value {
        let parts: Vec<_> = self
            .parts
            .iter()
            .map(|p| {
                serde_json::json!({
                    "part": p.part.key(), "state": p.state.key(), "since": rfc3339_utc(p.since), "finding": p.finding, "do": p.remedy
                })
            })
            .collect();
        serde_json::json!({ "state": self.state().key(), "at": rfc3339_utc(self.at), "parts": parts })
    }
}

impl Told {
    /// One line a part, by the site's clock.
    pub(crate) fn text(&self) -> String {
        self.health.text(&self.zone)
    }
}
