//! What the engine needs back after a restart.
//!
//! Must never be needed in full to be correct: what is missing shows as "cannot tell" until it is recalled.

use pile::time::Timestamp;
use pile::window::Window;
use site::entry::{Batch, Entry};
use site::ids::BinId;
use site::reading::SeriesId;
use site::zone::{Day, IsoWeek};

use crate::alarm::{Alarm, AlarmEvent};
use crate::effect::Mail;
use crate::input::PreviousRun;

/// The table of what is passed over where the store itself lacks what it held.
pub const STORE: &str = "store";

/// A row of the store that says nothing that can be used; everything else goes on without it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PassedOver {
    /// The table.
    pub table: String,
    /// Its number there.
    pub row: i64,
    /// The bin that it is about, where that can be read.
    pub bin: Option<BinId>,
    /// What is wrong with it.
    pub why: String,
}

/// What the store remembers.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct Restored {
    /// Rows that cannot be read, in the order of the tables.
    pub passed_over: Vec<PassedOver>,
    /// When the oldest reading was measured; `None` without one.
    pub first_reading: Option<Timestamp>,
    /// The life of the ledger, part of every Message-ID.
    pub life: u32,
    /// Every alarm that was ever raised or is being proven, by id.
    pub alarms: Vec<Alarm>,
    /// The highest number ever given to an alarm; 0 where the alarms themselves tell.
    pub last_alarm: u64,
    /// Raises and acknowledgements of the last eight days, for the figures of the weekly summary, oldest first.
    pub events: Vec<AlarmEvent>,
    /// Mails about alarms of the last eight days: when they were caused, and to which address; oldest first.
    pub mails: Vec<(Timestamp, String)>,
    /// The batches on the site.
    pub batches: Vec<Batch>,
    /// The highest number ever given to a batch; 0 before the first.
    pub last_batch: u64,
    /// The highest number ever given to an entry; 0 before the first.
    pub last_entry: u64,
    /// Entries since the on-air of each bin's newest batch, and of the last 30 days, oldest first.
    pub entries: Vec<Entry>,
    /// The newest entries of all bins, by id, as many as [`crate::limits::LOG_KEPT`], and those of batches that are on the site.
    pub log: Vec<Entry>,
    /// Every entry that checks or moves a probe, and every correction, by id.
    pub about_probes: Vec<Entry>,
    /// Mails that are still waiting, by id.
    pub waiting: Vec<Mail>,
    /// The highest mail id given out; 0 before the first.
    pub last_mail: u64,
    /// The week of the newest summary.
    pub last_summary: Option<IsoWeek>,
    /// The day of the newest round list.
    pub last_round_list: Option<Day>,
    /// How the run before ended; `None` on the first start.
    pub previous: Option<PreviousRun>,
    /// Times in the last eight days when the daemon was not running.
    pub off: Vec<(Timestamp, Timestamp)>,
    /// How the batches on the site stood against the criteria.
    pub results: Vec<crate::results::KeptResults>,
    /// What became of the summaries of the last weeks.
    pub reports: Vec<crate::reports::KeptReport>,
    /// The water accounts of the batches on air.
    pub water: Vec<crate::water::KeptWater>,
    /// The recent past of each series, of good readings only. Whole windows and not points: a large site has millions.
    pub windows: Vec<(SeriesId, Window)>,
}
