//! Weekly summaries and process records of batches: facts in; text, page, document and daily figures out.
//!
//! Must never say that anything complies, and never look anything up: the facts carry all that is said.

mod batch;
pub mod block;
pub mod facts;
pub mod measured;
mod needs;
mod offsets;
mod page;
mod plain;
mod result;
pub mod said;
mod set;
mod week;
mod words;

use site::model::ReportSection;

use block::{Block, Report};
use facts::{BatchFacts, SiteFacts, WeekFacts};
pub use needs::{Need, needs};
pub use page::{Pictures, html};
pub use plain::text;
pub use set::{Picture, document};
pub use week::name as week_name;

use crate::chart;

/// Which parts of a weekly summary are written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Parts<'s> {
    /// What everybody needs: the glance, the batches, alarms and what was done, material.
    Main,
    /// These sections, as a reader chose them.
    Chosen(&'s [ReportSection]),
    /// What the main part leaves out: the log, the probes, alarm statistics and the record.
    Annex,
}

impl<'s> Parts<'s> {
    /// What a reader gets who chose these sections, or none.
    pub fn of(chosen: Option<&'s [ReportSection]>) -> Parts<'s> {
        chosen.map_or(Parts::Main, Parts::Chosen)
    }
}

/// The weekly summary with these parts.
pub fn week(facts: &WeekFacts, parts: Parts<'_>) -> Report {
    week::report(facts, parts)
}

/// The process record of a batch.
pub fn batch(facts: &BatchFacts) -> Report {
    batch::report(facts)
}

/// The pictures of a report for a mail, in their order, at most `most`; one that cannot be drawn is `None` and told in words.
pub fn pictures(report: &Report, site: &SiteFacts, most: usize) -> Vec<Option<Vec<u8>>> {
    let figures = report.blocks.iter().filter_map(|block| match block {
        Block::Figure { course, .. } => Some(course),
        _ => None,
    });
    figures.take(most).map(|course| chart::course_png(course, &site.zone, site.display).ok()).collect()
}
