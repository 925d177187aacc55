//! Everything that can happen to the engine.
//!
//! Must never carry a handle to the outside: an input is a value that can be written down and fed again.

use pile::time::{Span, Timestamp};
use pile::window::Point;
use rulebook::RuleText;
use site::entry::{BatchId, Entry};
use site::ids::BinId;
use site::judge::Standing;
use site::model::RuleSettings;
use site::reading::{Reading, Refusal, SeriesId};
use site::zone::IsoWeek;

use crate::alarm::AlarmId;
use crate::effect::MailId;
use crate::reports::ReportWord;

/// One thing that happened.
#[derive(Clone, Debug, PartialEq)]
pub enum Input {
    /// Readings of one message.
    Readings(Vec<Reading>),
    /// A payload, or part of one, that gave no reading.
    Refused(Refusal),
    /// A person wrote in the log.
    Entry(Entry),
    /// The same, and the person says once more that it was as early as they wrote; history that is lived again says so of all.
    EntryThatEarly(Entry),
    /// A person says something about an alarm.
    Alarm {
        /// Which alarm.
        alarm: AlarmId,
        /// Who: a name or an address of the settings.
        by: String,
        /// What.
        word: Word,
    },
    /// How a delivery attempt ended.
    Mail {
        /// Which mail.
        mail: MailId,
        /// How it ended.
        outcome: MailOutcome,
    },
    /// History that an earlier effect asked for.
    Recalled {
        /// The series.
        series: SeriesId,
        /// From when on (inclusive).
        from: Timestamp,
        /// Its good readings, oldest first.
        points: Vec<Point>,
    },
    /// A batch was judged, as an earlier effect asked for.
    Judged {
        /// The bin it was in.
        bin: BinId,
        /// The batch.
        batch: BatchId,
        /// Up to when.
        at: Timestamp,
        /// How it stands, one for each criterion of the site.
        standings: Vec<Standing>,
    },
    /// Something happens to the summary of a week after its draft.
    Report {
        /// Which week.
        week: IsoWeek,
        /// What.
        word: ReportWord,
    },
    /// The link to the broker came up or went down.
    Link {
        /// What it is now.
        state: LinkState,
    },
    /// A gateway, or its will, says that it is there or gone.
    Gateway {
        /// Which.
        gateway: String,
        /// It is gone.
        gone: bool,
    },
    /// How the machine is; comes every minute or so.
    Health {
        /// The share of the data folder's disk that is free, 0 to 1.
        disk_free: f64,
    },
    /// The machine's clock stands otherwise beside `now` than was known: it was set back, agrees again, or is not set.
    Clock(MachineClock),
    /// A part of the daemon failed and was given up for this time; the others go on.
    PartFailed {
        /// Which, in words that go on "... failed".
        part: String,
        /// Why, with the place where that is known.
        why: String,
    },
    /// A set of rules takes the place of the one in force.
    Rules(Box<RuleSet>),
    /// The daemon starts to watch; comes once, first, after the state was rebuilt. When history is lived again it comes once for each
    /// run of that time.
    Started {
        /// How the run before this one ended; `None` on the first start.
        previous: Option<PreviousRun>,
    },
    /// Nothing but time: deadlines up to `now` are run.
    Wake,
}

/// Rules to put in force, and changes that are not: what a reload came to.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct RuleSet {
    /// Every rule that shall be in force. Where a changed file was refused, its earlier text.
    pub texts: Vec<RuleText>,
    /// What the site changed in them.
    pub changed: RuleSettings,
    /// Changed files that were not taken.
    pub refused: Vec<RefusedChange>,
}

/// A changed rule that was not taken.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RefusedChange {
    /// The rule's name.
    pub rule: String,
    /// Why not, each line with its place and remedy.
    pub why: String,
}

/// What a person can say about an alarm.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Word {
    /// They have seen it and look after it.
    Acknowledge {
        /// In their words; may be empty.
        comment: String,
    },
    /// The response was carried out.
    Confirm {
        /// What was done; may be empty.
        comment: String,
    },
    /// A latched alarm is over.
    Reset,
    /// It is to be hidden for a limited time.
    Shelve {
        /// Until when.
        until: Timestamp,
        /// Why.
        reason: String,
    },
    /// The shelf ends now.
    Unshelve,
    /// It is taken out, with no end of its own.
    OutOfService {
        /// When it is expected back.
        back: Option<Timestamp>,
        /// Why.
        reason: String,
    },
    /// It is put back.
    InService,
}

/// How a delivery attempt ended.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum MailOutcome {
    /// The relay took responsibility (250 after DATA), or the file was written and synced.
    Accepted {
        /// The relay's words.
        reply: String,
    },
    /// It may work later: no connection, 4xx.
    Deferred {
        /// The relay's words, or what failed.
        reply: String,
    },
    /// The relay will never take anything for this recipient: 5xx to the recipient.
    Refused {
        /// The relay's words.
        reply: String,
    },
    /// This mail will never pass, whoever it is for: 5xx to what it says, or it could not be made.
    Unfit {
        /// The relay's words, or what failed.
        reply: String,
    },
}

/// The link to the broker.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub enum LinkState {
    /// Messages can come.
    Up,
    /// They cannot.
    #[default]
    Down,
}

/// The machine's clock beside `now`. One that is ahead is followed, so it is never ahead.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MachineClock {
    /// It is behind by so much; by nothing where both agree.
    Behind(Span),
    /// It shows a time that cannot be, so that nobody knows how late it is.
    NotSet,
}

/// How the run before this one ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct PreviousRun {
    /// The last instant at which it is known to have been alive.
    pub last_alive: Timestamp,
    /// It was asked to stop and did.
    pub stopped_cleanly: bool,
}
