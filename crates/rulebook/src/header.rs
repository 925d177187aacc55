//! The part of a rule that is read before it runs: what it is for, what people should do, how it is timed.
//!
//! Must never accept a rule that mails without its cause, consequence and response.

use std::collections::BTreeMap;

use pile::time::Span;
use site::entry::Stage;
use site::quantity::Unit;

use crate::limits;

/// The header of one rule.
#[derive(Clone, Debug, PartialEq)]
pub struct Header {
    /// The name people see, such as `Temperature crash`.
    pub title: String,
    /// What to do, in some words for the subject of a mail, such as `check the blower`; a title alone when left out.
    pub deed: Option<String>,
    /// What it watches for, one sentence.
    pub watches_for: String,
    /// What usually brings it about.
    pub cause: String,
    /// What happens if nobody acts.
    pub consequence: String,
    /// What to do, one step an item, the first thing first.
    pub response: Vec<String>,
    /// A caution shown with the response; may be empty.
    pub caution: String,
    /// How long until the consequence can no longer be avoided.
    pub time_to_respond: Span,
    /// How bad the consequence is.
    pub severity: Severity,
    /// How often it is judged.
    pub every: Span,
    /// How long the condition must be proven before the alarm is raised.
    pub on_delay: Span,
    /// How long its absence must be proven before the alarm clears.
    pub off_delay: Span,
    /// A longer silence of the evidence breaks a proof in progress.
    pub max_gap: Span,
    /// How far back it looks into windows, at the most.
    pub window: Span,
    /// By what it judges.
    pub evidence: Evidence,
    /// What it is judged on.
    pub scope: Scope,
    /// Stages of a batch in which it is judged; empty means also bins without a batch.
    pub stages: Vec<Stage>,
    /// What its response asks people to do in the pile.
    pub advises: Vec<Advice>,
    /// Names of settings (temperatures) for which time above is accounted since on-air.
    pub time_above: Vec<String>,
    /// What people may and must do with its alarms.
    pub handling: Handling,
    /// Numbers that the site may change.
    pub settings: BTreeMap<String, Setting>,
}

/// What a rule is judged on.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Scope {
    /// Each bin by itself: one alarm a bin.
    Bin,
    /// The whole site at once: one alarm.
    Site,
}

/// What people may and must do with the alarms of a rule.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Handling {
    /// Somebody has to acknowledge.
    pub acknowledge: bool,
    /// It stays, when its condition is over, until somebody resets it.
    pub latching: bool,
    /// It may be shelved, for this long in a row; `None`: never.
    pub shelf_longest: Option<Span>,
    /// An alarm that stands for this long after it was acknowledged is unacknowledged again; `None`: never.
    pub realarm_after: Option<Span>,
    /// A low one stands on the round list alone until an answer is graver; where nobody gets a round list, it is mailed as any other.
    pub listed_first: bool,
    /// What it guards people against; `None` for what harms the batch or its record alone.
    pub guards: Option<Guards>,
}

/// What a rule guards people against. Its alarms are hidden by an owner alone, for half an hour at the most, and everybody hears of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Guards {
    /// Fire in a pile. While its alarm stands, every alarm of the bin is hidden that asks for water, digging or air, and nothing but
    /// cooler readings ends it.
    Fire,
    /// Gas where people are.
    Gas,
}

/// What a response asks people to do that makes a hot pile worse.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Advice {
    /// To water the pile.
    Water,
    /// To open, dig, turn or lower the pile.
    Digging,
    /// To give more air, or to start air again.
    Air,
}

/// How bad the consequence of not acting is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Severity {
    /// Some quality or time is lost.
    Minor,
    /// A batch is lost, or its record.
    Major,
    /// People, buildings or the neighbourhood come to harm.
    Severe,
}

/// How urgent an alarm is: severity against time to respond.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Priority {
    /// A line in the weekly summary, no mail.
    SummaryOnly,
    /// Can wait for working hours.
    Low,
    /// Today.
    Medium,
    /// Now, at any hour.
    High,
}

/// By what a rule judges.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Evidence {
    /// By readings: delays advance only when new ones come.
    Readings,
    /// By the clock: the passing of time itself is the evidence (silent, overdue).
    Clock,
}

/// A number that the site may change.
#[derive(Clone, Debug, PartialEq)]
pub struct Setting {
    /// The value in force, in `unit`.
    pub value: f64,
    /// The value that the rule ships with.
    pub default: f64,
    /// The lowest value that makes sense.
    pub min: f64,
    /// The highest value that makes sense.
    pub max: f64,
    /// Its unit as printed, such as `K/d` or `°C`.
    pub unit: String,
    /// The unit when it is one that converts, so that a US site may write °F.
    pub converts: Option<Unit>,
    /// What it does, one sentence with its source.
    pub about: String,
}

impl Handling {
    /// What holds for a rule that says nothing.
    pub const USUAL: Handling = Handling {
        acknowledge: true,
        latching: false,
        shelf_longest: Some(limits::SHELF_MAX),
        realarm_after: None,
        guards: None,
        listed_first: false,
    };
}

impl Priority {
    /// Severity against time to respond, for a process that moves in hours.
    ///
    /// The matrix is the project's own decision; plants commonly use minutes, which are wrong for a pile.
    pub fn of(severity: Severity, time_to_respond: Span) -> Priority {
        let row = match time_to_respond {
            t if t > Span::hours(24) => [Priority::SummaryOnly, Priority::Low, Priority::Low],
            t if t >= Span::hours(4) => [Priority::Low, Priority::Low, Priority::Medium],
            t if t >= Span::hours(1) => [Priority::Low, Priority::Medium, Priority::High],
            _ => [Priority::Medium, Priority::High, Priority::High],
        };
        row[severity as usize]
    }

    /// The word that stores, listings and mails use.
    pub fn key(self) -> &'static str {
        match self {
            Priority::SummaryOnly => "summary-only",
            Priority::Low => "low",
            Priority::Medium => "medium",
            Priority::High => "high",
        }
    }
}
