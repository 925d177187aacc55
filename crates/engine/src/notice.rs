//! What a mail is about, as figures: the words and pictures are made later, from these alone.
//!
//! Must never need the live state again: a mail rendered a week late says what was true when it was caused.

use pile::time::{Span, Timestamp};
use rulebook::header::Priority;
use site::entry::BatchId;
use site::ids::{BinId, BlowerId};
use site::zone::{Day, IsoWeek};

use crate::alarm::{Acknowledgement, AlarmId, Closing, Subject};

/// What a mail is about.
#[derive(Clone, Debug, PartialEq)]
pub enum Notice {
    /// One step in an alarm's life.
    Alarm(Box<AlarmNotice>),
    /// The week's summary.
    Summary(Box<SummaryNotice>),
    /// A copy of a week's summary for somebody who did not get its draft, or an amendment of it.
    Copy(Box<CopyNotice>),
    /// The round list of a morning.
    RoundList(Box<RoundListNotice>),
    /// More alarms at once than anybody can read one by one.
    Flood(Box<FloodNotice>),
    /// The daemon was off without having been asked to stop.
    Outage(OutageNotice),
    /// A trial mail that a person asked for.
    Trial {
        /// Who asked.
        by: String,
        /// When.
        at: Timestamp,
        /// Makes its Message-ID its own.
        serial: u64,
        /// See [`AlarmNotice::life`].
        life: u32,
    },
}

/// Which step of an alarm's life a mail tells of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Step {
    /// It was raised, or is shown again.
    Raise,
    /// Something about it changed.
    Update,
    /// Nobody has acknowledged it in time.
    Reminder,
    /// Its condition ended.
    Clear,
    /// It was closed although nothing showed that its condition ended.
    Retire,
}

/// One step in an alarm's life.
#[derive(Clone, Debug, PartialEq)]
pub struct AlarmNotice {
    /// Which step.
    pub step: Step,
    /// Number of this mail within its thread, 0 for the first.
    pub number: u32,
    /// The life of the ledger: drawn when it is made or restored, so that a restored one never repeats a Message-ID.
    pub life: u32,
    /// The alarm.
    pub alarm: AlarmId,
    /// The rule's name.
    pub rule: String,
    /// The hash of the rule's text.
    pub revision: String,
    /// What it is about.
    pub subject: Subject,
    /// Which of its occurrences.
    pub occurrence: u32,
    /// The occurrence in whose thread the mail goes.
    pub thread: u32,
    /// The subject line of the thread, without `Re:`.
    pub thread_subject: String,
    /// The name people see.
    pub title: String,
    /// Its urgency.
    pub priority: Priority,
    /// When this step was recorded.
    pub at: Timestamp,
    /// When the condition began.
    pub onset: Timestamp,
    /// When it was raised.
    pub raised_at: Timestamp,
    /// When the condition ended, for a clear.
    pub cleared_at: Option<Timestamp>,
    /// Who acknowledged, if anybody did.
    pub acknowledged: Option<Acknowledgement>,
    /// Why it was closed without clearing, for that step; `None` too in notices of versions that did not say.
    pub closing: Option<Closing>,
    /// The finding when it was raised; empty in notices of versions that did not keep it.
    pub raised_finding: String,
    /// Its condition holds and it is shown to people.
    pub stands: bool,
    /// What is the case, one line in the site's units.
    pub finding: String,
    /// The grounds, one a line.
    pub evidence: Vec<String>,
    /// Names and values with units.
    pub figures: Vec<(String, String)>,
    /// What usually brings it about.
    pub cause: String,
    /// What happens if nobody acts.
    pub consequence: String,
    /// What to do, the first thing first.
    pub response: Vec<String>,
    /// A caution shown with the response; may be empty.
    pub caution: String,
    /// How long until the consequence can no longer be avoided.
    pub time_to_respond: Span,
    /// The last 24 hours or so, where there is something to see.
    pub chart: Option<Chart>,
}

/// The lines of a picture.
#[derive(Clone, Debug, PartialEq)]
pub struct Chart {
    /// Left edge.
    pub from: Timestamp,
    /// Right edge.
    pub to: Timestamp,
    /// Temperatures in °C, one line a probe.
    pub lines: Vec<ChartLine>,
    /// Waterings and the like: when, and the word beside the mark.
    pub marks: Vec<(Timestamp, String)>,
    /// Temperatures in °C that the rule compares with.
    pub limits: Vec<f32>,
    /// The blower, where its signal shows each pulse.
    pub blower: Option<ChartBlower>,
}

/// A blower's strip in a picture.
#[derive(Clone, Debug, PartialEq)]
pub struct ChartBlower {
    /// How it is called.
    pub label: String,
    /// Stretches of an hour by their beginning, with the share of its schedule that it ran; hours without a signal are left out.
    pub hours: Vec<(Timestamp, f32)>,
}

/// One line of a picture.
#[derive(Clone, Debug, PartialEq)]
pub struct ChartLine {
    /// What it is, such as `core`.
    pub label: String,
    /// Points, oldest first, °C.
    pub points: Vec<(Timestamp, f32)>,
    /// A longer step between two points is a gap and is not drawn.
    pub max_gap: Span,
}

/// The week's summary.
#[derive(Clone, Debug, PartialEq)]
pub struct SummaryNotice {
    /// The week that ended, as the site's calendar counts it.
    pub week: IsoWeek,
    /// See [`AlarmNotice::life`].
    pub life: u32,
    /// Start of the time covered.
    pub from: Timestamp,
    /// End of the time covered.
    pub to: Timestamp,
    /// One line a bin, in the order of the settings.
    pub bins: Vec<BinWeek>,
    /// The threshold of the columns on time above, °C.
    pub threshold_celsius: f64,
    /// A silence longer than this was not bridged.
    pub max_gap: Span,
    /// Payloads refused in the week.
    pub refused: u64,
    /// Mails given up in the week.
    pub mails_given_up: u64,
    /// When the daemon was not running in the week.
    pub off: Vec<(Timestamp, Timestamp)>,
    /// How the alarms of the week were.
    pub alarms: AlarmFigures,
    /// Who gets a copy once somebody has reviewed it.
    pub copies_wait_for: Vec<String>,
}

/// A copy of a week's summary, or an amendment of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CopyNotice {
    /// The week.
    pub week: IsoWeek,
    /// See [`AlarmNotice::life`].
    pub life: u32,
    /// When the copy was sent.
    pub at: Timestamp,
    /// When the summary was made.
    pub made_at: Timestamp,
    /// Which amendment it is; 0 for the summary as it was first made.
    pub amended: u32,
    /// Who reviewed it, and when; nobody did where copies went out without.
    pub reviewed: Option<(String, Timestamp)>,
    /// What changed, for an amendment.
    pub changes: Vec<String>,
}

/// Key figures of a week's alarms.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct AlarmFigures {
    /// Raises by priority: low, medium, high.
    pub raised: [u32; 3],
    /// Alarms about the whole site, a rule or the daemon: title and how often.
    pub site_wide: Vec<(String, u32)>,
    /// Occurrences acknowledged within their time to respond, of those that were raised and asked for it.
    pub in_time: (u32, u32),
    /// Median time from raise to acknowledgement.
    pub median_to_acknowledge: Option<Span>,
    /// Occurrences that ended without anybody acknowledging.
    pub never_acknowledged: u32,
    /// Alarms that have stood for more than a day: subject and title.
    pub standing: Vec<String>,
    /// Alarms that came back too often: subject and title, raises. Their limits or delays want tuning.
    pub chattering: Vec<(String, u32)>,
    /// Alarms that people hid, with until when and why.
    pub hidden: Vec<String>,
    /// Mails about alarms to each person: name, in all, at night.
    pub mails: Vec<(String, u32, u32)>,
}

/// One bin's week.
#[derive(Clone, Debug, PartialEq)]
pub struct BinWeek {
    /// The bin.
    pub bin: BinId,
    /// Its batch and how long it has been on air, or was until its air was switched off; `None` for an empty bin.
    pub batch: Option<(BatchId, Span)>,
    /// The air of the batch is off.
    pub off_air: bool,
    /// Since on-air, by the coldest core probe: time at or above the threshold.
    pub at_or_above: Option<Span>,
    /// Since on-air, by the coldest core probe: the longest run at or above the threshold.
    pub longest_run: Option<Span>,
    /// Since on-air, by the least covered core probe: share of time with readings, 0 to 1.
    pub coverage: Option<f64>,
    /// The newest core reading, °C.
    pub newest_core: Option<(Timestamp, f64)>,
    /// Alarms raised in the week: title and how often.
    pub alarms: Vec<(String, u32)>,
    /// Titles of alarms that stand now.
    pub standing: Vec<String>,
}

/// Many alarms in one mail, while they come faster than anybody can read.
#[derive(Clone, Debug, PartialEq)]
pub struct FloodNotice {
    /// See [`AlarmNotice::life`].
    pub life: u32,
    /// When it was made.
    pub at: Timestamp,
    /// When the flood began.
    pub since: Timestamp,
    /// The first alarm of it, which may be the cause of the others.
    pub first: Option<RoundItem>,
    /// How many of them stand.
    pub standing: usize,
    /// How many are over.
    pub over: usize,
    /// The alarms, active ones of high priority first; at most [`crate::limits::FLOOD_MAIL_LISTS`].
    pub items: Vec<RoundItem>,
    /// More alarms are expected: the next mail of this kind comes soon.
    pub goes_on: bool,
}

/// What could wait for daylight, and how the bins stand.
#[derive(Clone, Debug, PartialEq)]
pub struct RoundListNotice {
    /// The day it is for, as the site's calendar shows it.
    pub day: Day,
    /// See [`AlarmNotice::life`].
    pub life: u32,
    /// When it was made.
    pub at: Timestamp,
    /// When the next one is due: if it does not come, something is wrong.
    pub next: Timestamp,
    /// Alarms that stand, the most urgent first.
    pub standing: Vec<RoundItem>,
    /// Alarms that waited for this list and are over.
    pub over: Vec<RoundItem>,
    /// What the site wants to be reminded of today.
    pub reminders: Vec<String>,
    /// One line a bin, in the order of the settings.
    pub bins: Vec<BinMorning>,
}

/// One alarm on a round list.
#[derive(Clone, Debug, PartialEq)]
pub struct RoundItem {
    /// The alarm.
    pub alarm: AlarmId,
    /// What it is about.
    pub subject: Subject,
    /// The name people see.
    pub title: String,
    /// Its urgency.
    pub priority: Priority,
    /// When its condition began.
    pub onset: Timestamp,
    /// When it ended, if it did.
    pub cleared_at: Option<Timestamp>,
    /// Who acknowledged, if anybody did.
    pub acknowledged: Option<Acknowledgement>,
    /// The newest finding.
    pub finding: String,
    /// When that was found; `None` in notices of versions that did not say.
    pub found_at: Option<Timestamp>,
    /// It asks somebody to act; a notice of something good does not.
    pub asks: bool,
    /// The first thing to do; empty when nothing is left to do.
    pub response: String,
    /// A caution shown with it; may be empty.
    pub caution: String,
}

/// One bin on a round list.
#[derive(Clone, Debug, PartialEq)]
pub struct BinMorning {
    /// The bin.
    pub bin: BinId,
    /// Its batch and its age; `None` for an empty bin.
    pub batch: Option<(BatchId, Span)>,
    /// The newest core reading, °C.
    pub newest_core: Option<(Timestamp, f64)>,
    /// What the same probe read a day before that, °C.
    pub core_a_day_before: Option<f64>,
}

/// The daemon was off without having been asked to stop.
#[derive(Clone, Debug, PartialEq)]
pub struct OutageNotice {
    /// See [`AlarmNotice::life`].
    pub life: u32,
    /// The last instant at which it is known to have been alive.
    pub from: Timestamp,
    /// When it was up again.
    pub to: Timestamp,
    /// What is known of each blower since.
    pub blowers: Vec<(BlowerId, BackOnAir)>,
}

/// What is known of a blower after an outage.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum BackOnAir {
    /// Its signal showed it running.
    Proven {
        /// When it was first seen to run.
        at: Timestamp,
    },
    /// Its signal came, and did not show it running.
    NotRunning,
    /// No signal came.
    Silent,
    /// It has no signal: somebody must look.
    Unproven,
}
