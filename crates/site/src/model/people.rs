//! The people of the site, what reaches them and when, and what documents say of the site.
//!
//! Must never hold a secret: it says where one is kept.

use std::path::PathBuf;

use crate::ids::BinId;
use crate::zone::{TimeOfDay, WeeklyTime};

use super::SecretFile;

/// Someone who gets mail.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Person {
    /// The name, as in `--by`.
    pub name: String,
    /// The address.
    pub mail: String,
    /// They answer for the site: they alone may hide alarms that guard people.
    pub owner: bool,
    /// Which alarms are mailed to them when they are raised.
    pub calls: Calls,
    /// Alarms that nobody acknowledged within their time to respond.
    pub unacknowledged: bool,
    /// The round list of every morning.
    pub round_list: bool,
    /// What they would rather not get of it.
    pub leaves_out: LeavesOut,
    /// Weekly summaries.
    pub summary: bool,
    /// Documents, once somebody of the site has reviewed them.
    pub reviewed: bool,
    /// Which sections of the weekly summary; `None` for all.
    pub sections: Option<Vec<ReportSection>>,
    /// What their entries over MQTT must carry; without it none are taken from them.
    pub token: Option<SecretFile>,
    /// Only alarms of these bins, and those of the whole site; `None` for all bins.
    pub bins: Option<Vec<BinId>>,
    /// When alarms reach them; always when empty.
    pub on_duty: Vec<DutyTime>,
}

/// Mails that ask for nothing, which a person can leave out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub struct LeavesOut {
    /// That an alarm of low priority has cleared.
    pub low_clears: bool,
    /// Round lists of mornings on which no alarm is active, none has cleared and no reminder is due.
    pub quiet_lists: bool,
}

/// What weekly summaries and process records say of the site, and who outside gets them when.
#[derive(Clone, Debug, PartialEq, Eq, Default)]
pub struct Reports {
    /// The facility as the authority knows it: name, address, number.
    pub facility: Option<String>,
    /// The permit: its number, who issued it.
    pub permit: Option<String>,
    /// Who answers for the records.
    pub responsible: Option<String>,
    /// The paper that documents are set on.
    pub paper: Paper,
    /// A template of the site's own for documents.
    pub template: Option<PathBuf>,
    /// When copies go to those who get reviewed documents.
    pub outside: Outside,
}

/// The paper that documents are set on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub enum Paper {
    #[default]
    /// 210 mm by 297 mm.
    A4,
    /// 8.5 in by 11 in.
    Letter,
}

/// When documents leave the site.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub enum Outside {
    #[default]
    /// Once somebody of the site has reviewed them, and not before.
    AfterReview,
    /// Once somebody has reviewed them; at this time of the week without a review, and marked so.
    ByThen(WeeklyTime),
}

/// A part of the weekly summary that a person can choose.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum ReportSection {
    /// One line a bin.
    AtAGlance,
    /// Charts and results of the batches.
    Batches,
    /// Alarms, and what was done about them.
    Deviations,
    /// What came in, what went out, complaints.
    Materials,
    /// The log.
    Entries,
    /// Coverage, gaps and checks of probes.
    Probes,
    /// Figures of the alarms.
    Alarms,
    /// What the daemon went through, and the checkpoint of the record.
    Record,
}

/// Every section with its key in the settings, in the order of the summary.
pub const REPORT_SECTIONS: [(ReportSection, &str); 8] = [
    (ReportSection::AtAGlance, "at_a_glance"),
    (ReportSection::Batches, "batches"),
    (ReportSection::Deviations, "deviations"),
    (ReportSection::Materials, "materials"),
    (ReportSection::Entries, "entries"),
    (ReportSection::Probes, "probes"),
    (ReportSection::Alarms, "alarms"),
    (ReportSection::Record, "record"),
];

/// Which alarms are mailed to a person when they are raised.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Calls {
    /// None.
    None,
    /// Those of high priority.
    HighOnly,
    /// All.
    All,
}

/// A time of the week, by the site's clock.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DutyTime {
    /// On which days it begins, 1 Monday to 7 Sunday.
    pub weekdays: Vec<i8>,
    /// Its beginning.
    pub from: TimeOfDay,
    /// Its end; past midnight when it is not later than the beginning.
    pub to: TimeOfDay,
}

impl Person {
    /// Whether an alarm of one bin, or of the whole site, is theirs.
    pub fn looks_after(&self, bin: Option<&BinId>) -> bool {
        match (&self.bins, bin) {
            (Some(bins), Some(bin)) => bins.contains(bin),
            _ => true,
        }
    }

    /// Whether alarms reach them at this time of the site's clock.
    pub fn on_duty(&self, weekday: i8, time: TimeOfDay) -> bool {
        let day_before = if weekday == 1 { 7 } else { weekday - 1 };
        self.on_duty.is_empty()
            || self.on_duty.iter().any(|duty| {
                let (today, yesterday) = (duty.weekdays.contains(&weekday), duty.weekdays.contains(&day_before));
                match duty.from < duty.to {
                    true => today && duty.from <= time && time < duty.to,
                    false => (today && duty.from <= time) || (yesterday && time < duty.to),
                }
            })
    }
}
