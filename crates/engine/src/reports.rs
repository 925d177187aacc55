//! What becomes of a weekly summary after its draft: a review, copies for people outside, amendments.
//!
//! Must never let a copy leave before its review unless the settings say when it may, and never replace what was sent: an amendment says
//! what changed.

use pile::time::{Span, Timestamp};
use site::model::{Outside, Person};
use site::zone::IsoWeek;

use crate::effect::Effect;
use crate::engine::{Deadline, Engine};
use crate::notice::{CopyNotice, Notice};

/// What became of the summary of a week.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct KeptReport {
    /// The week.
    pub week: IsoWeek,
    /// When its draft was made.
    pub at: Timestamp,
    /// How often it was amended.
    pub amended: u32,
    /// Who reviewed it, and when.
    pub reviewed: Option<(String, Timestamp)>,
    /// When copies went to people outside.
    pub outside_at: Option<Timestamp>,
}

/// What happens to a summary after its draft.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum ReportWord {
    /// Somebody of the site has read it and lets it go.
    Reviewed {
        /// Who: a name or an address of the settings.
        by: String,
    },
    /// Data that came since changed it.
    Amended {
        /// What changed, one a line.
        changes: Vec<String>,
    },
}

/// Summaries of the last weeks are kept in mind: copies of older ones are made by hand.
const REMEMBERED: Span = Span::days(60);

impl Engine {
    /// Takes back what the store remembers; copies that were due meanwhile go now.
    pub(crate) fn put_reports_back(&mut self, kept: Vec<KeptReport>) {
        for report in kept {
            if report.outside_at.is_none()
                && let Outside::ByThen(then) = self.site.reports.outside
            {
                let due = self.site.zone.next_weekly(report.at, then);
                self.insert_deadline(due, Deadline::Outside(report.week));
            }
            self.reports.insert(report.week, report);
        }
    }

    /// The draft of a week went out; gives the names of those whose copies wait for a review.
    pub(crate) fn drafted(&mut self, week: IsoWeek, at: Timestamp, effects: &mut Vec<Effect>) -> Vec<String> {
        self.reports.retain(|_, report| at.since(report.at) <= REMEMBERED);
        let report = KeptReport { week, at, amended: 0, reviewed: None, outside_at: None };
        effects.push(Effect::Report(Box::new(report.clone())));
        self.reports.insert(week, report);
        let outside: Vec<String> = self.site.people.iter().filter(|p| p.reviewed).map(|p| p.name.clone()).collect();
        if let (false, Outside::ByThen(then)) = (outside.is_empty(), self.site.reports.outside) {
            let due = self.site.zone.next_weekly(at, then);
            self.insert_deadline(due, Deadline::Outside(week));
        }
        outside
    }

    /// Something happens to a summary.
    ///
    /// # Errors
    /// A sentence with the next step.
    pub(crate) fn report_word(
        &mut self,
        now: Timestamp,
        week: IsoWeek,
        word: ReportWord,
        effects: &mut Vec<Effect>,
    ) -> Result<String, String> {
        let Some(report) = self.reports.get(&week).cloned() else {
            let known: Vec<String> = self.reports.keys().rev().take(5).map(ToString::to_string).collect();
            let known =
                if known.is_empty() { "there is none yet".into() } else { format!("there are {}", known.join(", ")) };
            return Err(format!("there is no summary of week {week} to be reviewed; {known}"));
        };
        match word {
            ReportWord::Reviewed { by } => {
                let by = self.person(&by)?.name.clone();
                if let Some((who, at)) = &report.reviewed {
                    return Err(format!(
                        "the summary of week {week} was reviewed by {who} at {} already",
                        self.site.zone.show(*at)
                    ));
                }
                let report = KeptReport { reviewed: Some((by, now)), ..report };
                let sent = self.send_outside(now, report, effects);
                Ok(match sent {
                    0 => {
                        format!("the summary of week {week} is reviewed; nobody outside gets copies, so none was sent")
                    }
                    1 => format!("the summary of week {week} is reviewed; 1 copy is on its way"),
                    n => format!("the summary of week {week} is reviewed; {n} copies are on their way"),
                })
            }
            ReportWord::Amended { changes } => {
                let report = KeptReport { amended: report.amended.saturating_add(1), ..report };
                let notice = Notice::Copy(Box::new(self.copy(now, &report, changes)));
                let had: fn(&Person) -> bool = match report.outside_at {
                    Some(_) => |person| person.summary || person.reviewed,
                    None => |person| person.summary,
                };
                let sent = self.mail_to(now, &notice, had, effects);
                let said = format!("amendment {} of week {week} went to {sent} who had the first", report.amended);
                effects.push(Effect::Report(Box::new(report.clone())));
                self.reports.insert(week, report);
                Ok(said)
            }
        }
    }

    /// The time at which copies go out without a review.
    pub(crate) fn outside_due(&mut self, week: IsoWeek, at: Timestamp, effects: &mut Vec<Effect>) {
        if let Some(report) = self.reports.get(&week).filter(|report| report.outside_at.is_none()).cloned() {
            self.send_outside(at, report, effects);
        }
    }

    /// Sends copies to people outside, who get one of each week; gives how many.
    fn send_outside(&mut self, at: Timestamp, mut report: KeptReport, effects: &mut Vec<Effect>) -> usize {
        let notice = Notice::Copy(Box::new(self.copy(at, &report, Vec::new())));
        // Who gets the summary as it is made, has it; and where copies went without a review, they are not sent twice.
        let sent = match report.outside_at {
            None => self.mail_to(at, &notice, |person| person.reviewed && !person.summary, effects),
            Some(_) => 0,
        };
        report.outside_at = report.outside_at.or(Some(at));
        effects.push(Effect::Report(Box::new(report.clone())));
        self.reports.insert(report.week, report);
        sent
    }

    fn copy(&self, at: Timestamp, report: &KeptReport, changes: Vec<String>) -> CopyNotice {
        CopyNotice {
            week: report.week,
            life: self.life,
            at,
            made_at: report.at,
            amended: report.amended,
            reviewed: report.reviewed.clone(),
            changes,
        }
    }
}
