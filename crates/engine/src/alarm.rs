//! An alarm's life: normal, unacknowledged, acknowledged, returned to normal unacknowledged (ISA-18.2 / IEC 62682 words).
//!
//! Must never clear on silence: only the conditioned condition, a person or the end of the rule moves an alarm.

use pile::time::{Span, Timestamp};
use rulebook::header::Priority;
use site::entry::{BatchId, Stage};
use site::ids::BinId;

use crate::conditioning::Conditioning;
use crate::life::Life;
use crate::limits;

/// A number that names one alarm for ever.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct AlarmId(pub u64);

/// What an alarm is about, beside its rule.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Subject {
    /// The whole site or the daemon itself.
    Site,
    /// One bin.
    Bin(BinId),
    /// One rule (that failed).
    Rule(String),
    /// One person, by name (whom mail does not reach).
    Person(String),
}

/// The identity of an alarm: one rule about one subject. The rule's revision is an attribute, not a part of it.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct AlarmKey {
    /// The rule's name.
    pub rule: String,
    /// What it is about.
    pub subject: Subject,
}

/// Where an alarm is in its life.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AlarmState {
    /// A: no condition, nothing to acknowledge.
    Normal,
    /// B: the condition holds, nobody has acknowledged.
    Unacknowledged,
    /// C: the condition holds, somebody has acknowledged.
    Acknowledged,
    /// D: the condition ended before anybody acknowledged.
    ReturnedUnacknowledged,
    /// E: the condition ended, nobody has acknowledged, and it waits for a reset.
    LatchedUnacknowledged,
    /// F: the condition ended, somebody has acknowledged, and it waits for a reset.
    LatchedAcknowledged,
    /// X: hidden: shelved, suppressed by design or out of service.
    Suppressed,
}

/// Why an alarm was closed although nothing showed that its condition ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Closing {
    /// Its rule is no longer among the site's rules.
    RuleRemoved,
    /// The broken rule that it was about compiles again, or is gone.
    RuleWorks,
    /// The person that it was about is no longer in the settings.
    PersonRemoved,
    /// Its rule does not apply to the batch at the stage that the batch is in now.
    Stage {
        /// The batch.
        batch: BatchId,
        /// Where it is now.
        stage: Stage,
    },
    /// The batch is no longer in the bin.
    Left {
        /// The batch, where it is known.
        batch: Option<BatchId>,
    },
    /// A date in the log keeps the batch from being judged.
    NotJudged {
        /// The batch.
        batch: BatchId,
    },
}

/// Who acknowledged, when and in what words.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Acknowledgement {
    /// When.
    pub at: Timestamp,
    /// Who.
    pub by: String,
    /// In their words; may be empty.
    pub comment: String,
}

/// One alarm with all that must survive a restart.
#[derive(Clone, Debug, PartialEq)]
pub struct Alarm {
    /// Its number.
    pub id: AlarmId,
    /// Its identity.
    pub key: AlarmKey,
    /// Where it is in its life, with what hides it. Its `cleared_at` is the end of the condition, not of its proof.
    pub life: Life,
    /// The proof of its condition.
    pub conditioning: Conditioning,
    /// Counts its raises, 1 for the first; 0 before any.
    pub occurrence: u32,
    /// When the condition of the current or last occurrence began.
    pub onset: Option<Timestamp>,
    /// When it was raised.
    pub raised_at: Option<Timestamp>,
    /// Who acknowledged the current or last occurrence.
    pub acknowledged: Option<Acknowledgement>,
    /// Who said that the response was carried out.
    pub confirmed: Option<Acknowledgement>,
    /// The name people see.
    pub title: String,
    /// Its urgency.
    pub priority: Priority,
    /// The hash of the rule text that raised it.
    pub revision: String,
    /// The finding when it was raised.
    pub finding: String,
    /// The grounds when it was raised.
    pub evidence: Vec<String>,
    /// The subject line of its thread, frozen at the raise.
    pub thread_subject: String,
    /// The occurrence in whose thread its mails go: its own, or an earlier one while the alarm keeps coming back.
    pub thread: u32,
    /// How many mails its thread has caused.
    pub mails: u32,
    /// When people are reminded, or an acknowledgement is withdrawn.
    pub reminder_at: Option<Timestamp>,
    /// Its finding has become graver in the current occurrence.
    pub graver: bool,
    /// Something about it waits for the next mail that tells of many.
    pub held: bool,
}

/// What happened to an alarm.
#[derive(Clone, Debug, PartialEq)]
pub struct AlarmEvent {
    /// Which alarm.
    pub alarm: AlarmId,
    /// Which of its occurrences.
    pub occurrence: u32,
    /// When it was recorded.
    pub at: Timestamp,
    /// What.
    pub kind: AlarmEventKind,
    /// State before.
    pub before: AlarmState,
    /// State after.
    pub after: AlarmState,
    /// The time of the reading that settled it, or of the person's word.
    pub evidence_at: Option<Timestamp>,
    /// The finding, or the person's name and comment.
    pub words: String,
    /// The hash of the rule text in force.
    pub revision: String,
    /// What it rested on, where a rule or the daemon found it; `None` for what people said and what timers did.
    pub grounds: Option<Box<Grounds>>,
}

/// What a rule, or the daemon about itself, rested its finding on, as it was at that moment.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct Grounds {
    /// When the condition began, or ended for a clear.
    pub since: Option<Timestamp>,
    /// The grounds, one a line.
    pub evidence: Vec<String>,
    /// Names and values with units.
    pub figures: Vec<(String, String)>,
    /// The line of the rule's text that gave the answer, counted from 1.
    pub line: Option<usize>,
    /// The comparisons on the way to it: line, and what was compared.
    pub compared: Vec<(usize, String)>,
    /// The rule's settings in force, name and value with its unit.
    pub settings: Vec<(String, String)>,
}

/// Kinds of events in an alarm's life.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AlarmEventKind {
    /// The condition was proven.
    Raised,
    /// Its absence was proven.
    Cleared,
    /// A person acknowledged.
    Acknowledged,
    /// A person carried out the response.
    Confirmed,
    /// A person reset a latched alarm.
    Reset,
    /// A person hid it for a limited time.
    Shelved,
    /// A person ended the shelf.
    Unshelved,
    /// The shelf's time was over.
    ShelfEnded,
    /// A person took it out of service.
    OutOfService,
    /// A person put it back into service.
    InService,
    /// Logic hid it.
    HiddenByDesign,
    /// Logic hides it no longer.
    ShownByDesign,
    /// People were reminded of it, or an acknowledgement was withdrawn.
    Reminded,
    /// Its finding became graver.
    Worse,
    /// The rule is gone.
    Retired,
}

/// Every kind of event with the word that stores and listings use.
pub const ALARM_EVENT_KINDS: [(AlarmEventKind, &str); 15] = [
    (AlarmEventKind::Raised, "raised"),
    (AlarmEventKind::Cleared, "cleared"),
    (AlarmEventKind::Acknowledged, "acknowledged"),
    (AlarmEventKind::Confirmed, "confirmed"),
    (AlarmEventKind::Reset, "reset"),
    (AlarmEventKind::Shelved, "shelved"),
    (AlarmEventKind::Unshelved, "unshelved"),
    (AlarmEventKind::ShelfEnded, "shelf ended"),
    (AlarmEventKind::OutOfService, "out of service"),
    (AlarmEventKind::InService, "in service"),
    (AlarmEventKind::HiddenByDesign, "hidden by design"),
    (AlarmEventKind::ShownByDesign, "shown by design"),
    (AlarmEventKind::Reminded, "reminded"),
    (AlarmEventKind::Worse, "worse"),
    (AlarmEventKind::Retired, "retired"),
];

impl Alarm {
    /// An alarm that never was raised.
    pub fn new(id: AlarmId, key: AlarmKey) -> Alarm {
        Alarm {
            id,
            key,
            life: Life::NORMAL,
            conditioning: Conditioning::IDLE,
            occurrence: 0,
            onset: None,
            raised_at: None,
            acknowledged: None,
            confirmed: None,
            title: String::new(),
            priority: Priority::Low,
            revision: String::new(),
            finding: String::new(),
            evidence: Vec::new(),
            thread_subject: String::new(),
            thread: 0,
            mails: 0,
            reminder_at: None,
            graver: false,
            held: false,
        }
    }

    /// Takes it back at a start. What a clock that was `ahead` wrote down as still to come must not hold anything up: no proof, no end of
    /// a shelf, no reminder and no new occurrence.
    pub(crate) fn come_back(&mut self, now: Timestamp, ahead: Span) {
        self.conditioning.come_back(now);
        if let Some(shelf) = self.life.shelf.as_mut().filter(|shelf| shelf.since > now) {
            shelf.until = now + shelf.until.since(shelf.since);
            shelf.since = now;
        }
        if ahead > Span::ZERO {
            self.reminder_at = self.reminder_at.map(|at| (at - ahead).max(now));
        }
        if self.life.cleared_at.is_some_and(|at| at > now) {
            self.life.cleared_at = Some(now - limits::REOPEN_WITHIN - Span::millis(1));
        }
    }

    /// Whether its condition holds and people see it.
    pub fn stands(&self) -> bool {
        matches!(self.life.state, AlarmState::Unacknowledged | AlarmState::Acknowledged)
    }

    /// Whether it waits for a person's reset.
    pub fn is_latched(&self) -> bool {
        matches!(self.life.state, AlarmState::LatchedUnacknowledged | AlarmState::LatchedAcknowledged)
    }

    /// Whether somebody must be called now, at any hour.
    pub fn calls_at_once(&self) -> bool {
        self.life.state == AlarmState::Unacknowledged && self.priority == Priority::High
    }
}

impl AlarmKey {
    /// The bin it is about, if it is about one.
    pub fn bin(&self) -> Option<&BinId> {
        match &self.subject {
            Subject::Bin(bin) => Some(bin),
            Subject::Site | Subject::Rule(_) | Subject::Person(_) => None,
        }
    }
}

impl Subject {
    /// The subject as people read it: the bin, `site`, or the name of the rule or person.
    pub fn as_str(&self) -> &str {
        match self {
            Subject::Site => "site",
            Subject::Bin(bin) => bin.as_str(),
            Subject::Rule(name) | Subject::Person(name) => name,
        }
    }
}

impl Closing {
    /// What happened, as the record keeps it and as it follows "alarm closed:" or "alarm closed when".
    pub fn words(self) -> String {
        match self {
            Closing::RuleRemoved => "its rule was removed".into(),
            Closing::RuleWorks => "the rule compiles again".into(),
            Closing::PersonRemoved => "the settings no longer name this person".into(),
            Closing::Stage { batch, stage: Stage::OffAir } => format!("batch {batch} came off air"),
            Closing::Stage { batch, stage: Stage::Gone } | Closing::Left { batch: Some(batch) } => {
                format!("batch {batch} left the bin")
            }
            Closing::Stage { batch, stage: stage @ (Stage::Curing | Stage::Storage) } => {
                format!("batch {batch} was moved to {}", stage.key())
            }
            Closing::Stage { batch, stage: Stage::OnAir } => {
                format!("batch {batch} was on air: the rule is for other stages")
            }
            Closing::Stage { batch, stage: Stage::Loading } => {
                format!("batch {batch} was written down as not yet on air")
            }
            Closing::Left { batch: None } => "the bin had no batch any more".into(),
            Closing::NotJudged { batch } => format!("a date in the log of batch {batch} could not be right"),
        }
    }
}

impl AlarmState {
    /// The word that stores, listings and mails use.
    pub fn key(self) -> &'static str {
        match self {
            AlarmState::Normal => "normal",
            AlarmState::Unacknowledged => "unacknowledged",
            AlarmState::Acknowledged => "acknowledged",
            AlarmState::ReturnedUnacknowledged => "returned-unacknowledged",
            AlarmState::LatchedUnacknowledged => "latched-unacknowledged",
            AlarmState::LatchedAcknowledged => "latched-acknowledged",
            AlarmState::Suppressed => "suppressed",
        }
    }
}

impl AlarmEventKind {
    /// The word that stores and listings use.
    pub fn key(self) -> &'static str {
        ALARM_EVENT_KINDS.iter().find(|(kind, _)| *kind == self).map_or("", |(_, key)| key)
    }
}
