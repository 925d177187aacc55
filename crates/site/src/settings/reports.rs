//! What weekly summaries and process records say of the site, and who outside gets them when.
//!
//! Must never let a document leave the site without a review unless the settings say so in as many words.

use crate::model::{Display, Outside, Paper, Reports};
use crate::zone::WeeklyTime;

use super::fault::Faults;
use super::section::Section;
use super::weekly_time;

const KEYS: [&str; 6] = ["facility", "permit", "responsible", "paper", "template", "outside_copies"];
const OUTSIDE_KEYS: [&str; 2] = ["weekday", "time"];

/// When copies go out without a review, where the settings name neither day nor time of it: common practice, no source.
const OUTSIDE_DEFAULT: WeeklyTime = WeeklyTime { weekday: 5, hour: 12, minute: 0 };

/// Reads `reports`.
pub(super) fn read(top: &Section<'_>, display: Display, faults: &mut Faults) -> Option<Reports> {
    let paper = match display {
        Display::Metric => Paper::A4,
        Display::Us => Paper::Letter,
    };
    let mut reports = Reports { paper, ..Reports::default() };
    let Some(item) = top.optional("reports") else { return Some(reports) };
    let section = Section::open(item.node, "reports", &KEYS, faults)?;
    let text =
        |key: &str, faults: &mut Faults| section.optional(key).and_then(|item| item.text(faults)).map(Into::into);
    reports.facility = text("facility", faults);
    reports.permit = text("permit", faults);
    reports.responsible = text("responsible", faults);
    if let Some(item) = section.optional("paper") {
        reports.paper = item.choice(&[("a4", Paper::A4), ("letter", Paper::Letter)], faults)?;
    }
    reports.template = section.optional("template").and_then(|item| item.path(faults));
    if let Some(item) = section.optional("outside_copies") {
        let section = Section::open(item.node, "outside_copies", &OUTSIDE_KEYS, faults)?;
        reports.outside = Outside::ByThen(weekly_time(&section, OUTSIDE_DEFAULT, faults)?);
    }
    Some(reports)
}
