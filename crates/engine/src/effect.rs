//! Everything the engine can ask for.
//!
//! Must never depend on how it is carried out: the ledger commits the lasting ones in one transaction, then the others leave.

use pile::time::Timestamp;
use rulebook::RuleText;
use site::entry::{Batch, BatchId, Entry};
use site::ids::BinId;
use site::reading::{Quality, Reading, Refusal, SeriesId};
use site::zone::{Day, IsoWeek};

use crate::alarm::{Alarm, AlarmEvent};
use crate::notice::Notice;

/// A number that names one mail to one person for ever.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct MailId(pub u64);

/// One thing to do.
#[derive(Clone, Debug, PartialEq)]
pub enum Effect {
    // Lasting: committed together, before anything below leaves and before the broker hears of it.
    /// Keep a reading.
    Store {
        /// The reading.
        reading: Reading,
        /// Whether it may be believed.
        quality: Quality,
        /// Why not good; empty when good.
        reason: String,
    },
    /// Keep a refused payload.
    Refuse(Refusal),
    /// Keep an entry.
    Entry(Entry),
    /// Keep a batch, or what changed in it.
    Batch(Batch),
    /// Keep an alarm's state, and what happened to it.
    Alarm {
        /// The whole alarm after the change.
        alarm: Box<Alarm>,
        /// What happened, if it is an event of its life (a proof in progress is not).
        event: Option<Box<AlarmEvent>>,
    },
    /// Put a mail in the outbox.
    Mail(Box<Mail>),
    /// Keep what became of a mail.
    MailState {
        /// Which.
        mail: MailId,
        /// What became of it.
        state: MailState,
    },
    /// A weekly summary went into the outbox; its week is done.
    SummaryDone(IsoWeek),
    /// A round list went into the outbox; its day is done.
    RoundListDone(Day),

    /// Keep the rules in force, and their texts for good.
    Rules(Vec<KeptRule>),
    /// Keep where a bin's water account stands.
    Water(Box<crate::water::KeptWater>),
    /// Keep what became of a weekly summary.
    Report(Box<crate::reports::KeptReport>),
    /// Keep how a batch stands against the criteria.
    Results(Box<crate::results::KeptResults>),

    // Passing: carried out after the commit; lost in a crash and asked for again.
    /// Render if need be and try to deliver; answer with [`crate::input::Input::Mail`].
    Deliver(MailId),
    /// Read history back; answer with [`crate::input::Input::Recalled`].
    Recall {
        /// The series.
        series: SeriesId,
        /// From when on (inclusive).
        from: Timestamp,
    },
    /// Judge a batch by the site's criteria; answer with [`crate::input::Input::Judged`].
    Judge {
        /// The bin it is in.
        bin: BinId,
        /// The batch.
        batch: BatchId,
        /// Up to when.
        until: Timestamp,
    },
    /// Publish on MQTT.
    Publish {
        /// The topic.
        topic: String,
        /// The payload.
        payload: String,
        /// Ask the broker to keep it.
        retain: bool,
    },
    /// Call the outward heartbeat.
    Beat,
    /// Say to whoever sent the input what became of it.
    Reply(Result<String, String>),
    /// A line for the operator's log.
    Say {
        /// How serious.
        level: Level,
        /// What.
        text: String,
    },
}

/// A rule in force, as it goes on record.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KeptRule {
    /// The hash of its text, as alarms name it.
    pub revision: String,
    /// Its file.
    pub text: RuleText,
}

/// How serious a log line is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Level {
    /// As it should be.
    Info,
    /// Somebody should look at it in daylight.
    Warn,
}

/// A mail to one person, its figures frozen, its words still to be made.
#[derive(Clone, Debug, PartialEq)]
pub struct Mail {
    /// Its number.
    pub id: MailId,
    /// The address.
    pub to: String,
    /// What it says.
    pub notice: Notice,
    /// When the event it tells of was recorded.
    pub created_at: Timestamp,
    /// Where it stands.
    pub state: MailState,
}

/// Where a mail stands.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum MailState {
    /// To be tried at `next_try`.
    Waiting {
        /// When to try next.
        next_try: Timestamp,
        /// How often it was tried.
        tries: u32,
        /// What the relay said last; empty before the first try.
        last_reply: String,
    },
    /// The relay took it.
    Accepted {
        /// When.
        at: Timestamp,
        /// After how many tries.
        tries: u32,
        /// The relay's words.
        reply: String,
    },
    /// Given up: refused for good, or out of time.
    GivenUp {
        /// When.
        at: Timestamp,
        /// After how many tries.
        tries: u32,
        /// The relay's words.
        reply: String,
    },
}
