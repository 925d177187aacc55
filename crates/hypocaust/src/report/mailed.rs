//! The mail of a weekly summary with its documents, made at the first attempt to deliver it.
//!
//! Must never keep a summary from going out: where its documents cannot be made, the mail says so and what to do.

use engine::effect::Mail;
use engine::notice::Notice;
use indicatif::ProgressBar;
use pile::time::{Span, Timestamp};
use post::reports::facts::{Review, WeekFacts};
use post::reports::said;
use post::{Attachment, Documents, Made, RenderError};
use serde_json::Value;
use site::model::{ReportSection, Site};
use site::zone::IsoWeek;

use super::editions::Shelf;
use super::files::{self, Files};
use super::sources::Sources;
use super::{ISSUED, issued_body};
use crate::commands::CommandError;
use crate::daemon::chain;

/// A mail as bytes, and what comes of having made it.
#[derive(Debug)]
pub(crate) struct Rendered {
    /// The mail.
    pub(crate) bytes: Vec<u8>,
    /// Kind and body of the row that says which edition was issued; nothing where none was.
    pub(crate) issued: Issued,
    /// A part that failed in the program itself on the way, and why; the mail was made without it.
    pub(crate) failed: Option<(String, String)>,
    /// Earlier weeks of which figures are not what was sent any more, with what changed.
    pub(crate) amended: Vec<(IsoWeek, Vec<String>)>,
}

type Issued = Option<(&'static str, Value)>;

/// So many earlier weeks are looked at again when a summary is issued: what comes later than that amends nothing by itself.
const WEEKS_LOOKED_AT_AGAIN: i64 = 4;
/// So many changes are told in the mail of an amendment; its document has more.
const CHANGES_MAILED: usize = 20;

/// Makes a mail. Those of a weekly summary have its documents with them, which are issued with the first of them.
///
/// # Errors
/// When the mail itself cannot be made.
pub(crate) fn render(mail: &Mail, site: &Site, now: Timestamp) -> Result<Rendered, RenderError> {
    let (week, review) = match &mail.notice {
        Notice::Summary(summary) => (summary.week, Review::Draft),
        Notice::Copy(copy) => (copy.week, copy.reviewed.as_ref().map_or(Review::NotReviewed, reviewed)),
        _ => {
            return Ok(Rendered {
                bytes: post::render(mail, site, now)?,
                issued: None,
                failed: None,
                amended: Vec::new(),
            });
        }
    };
    // What is half made of the documents is in files of their own, which the next attempt makes anew.
    let made = fence::caught(|| documents(site, week, review, &mail.to, now))
        .unwrap_or_else(|panic| Err(CommandError::Panicked(panic)));
    let failed = match &made {
        Err(CommandError::Panicked(panic)) => {
            Some((format!("the making of the documents of week {week}"), panic.to_string()))
        }
        _ => None,
    };
    let amended = match (&made, &mail.notice) {
        // Looked for once a week, and not again by each of its mails.
        (Ok((_, Some(_))), Notice::Summary(_)) => amended(site, week, now),
        _ => Vec::new(),
    };
    let (documents, issued) = match made {
        Ok((made, issued)) => (Documents::Made(Box::new(made)), issued),
        Err(error) => {
            tracing::warn!("the documents of week {week} cannot be made: {}", chain(&error));
            let remedy = format!("See to it, then make them: hypocaust report week --week {week}");
            (Documents::Failed { why: chain(&error), remedy }, None)
        }
    };
    Ok(Rendered { bytes: post::render_summary(mail, site, now, &documents)?, issued, failed, amended })
}

fn reviewed((by, at): &(String, Timestamp)) -> Review {
    Review::Reviewed { by: by.clone(), at: *at }
}

fn documents(
    site: &Site,
    week: IsoWeek,
    review: Review,
    to: &str,
    now: Timestamp,
) -> Result<(Made, Issued), CommandError> {
    let name = week.to_string();
    let mut facts = Sources::read(site)?.week(week, now, &ProgressBar::hidden())?;
    let figures = said::of_week(&facts);
    let shelf = Shelf::of(site, &name);
    let (edition, earlier) = shelf.find(&figures)?;
    facts.edition = edition;
    let (files, issued) = match earlier {
        Some(files) => (files, None),
        None => {
            let files = Files::of_week(site, &facts, &figures)?;
            // Two mails of the same summary may be made at the same time: one of them issues.
            match shelf.keep(facts.edition.number, &files)? {
                true => {
                    let body = issued_body("week", &name, facts.edition.number, &files);
                    (files, Some((ISSUED, body)))
                }
                false => (shelf.files(facts.edition.number)?, None),
            }
        }
    };
    facts.review = review;
    let sections = site.people.iter().find(|p| p.mail == to).and_then(|p| p.sections.as_deref());
    let attachments = attachments(site, &facts, files, &name, sections)?;
    Ok((Made { facts, attachments }, issued))
}

/// Weeks before one whose issued figures are not those that the store gives now: late readings, corrections.
fn amended(site: &Site, week: IsoWeek, now: Timestamp) -> Vec<(IsoWeek, Vec<String>)> {
    let Some(begins) = site.zone.week_begins(week) else { return Vec::new() };
    let weeks = (1..=WEEKS_LOOKED_AT_AGAIN).map(|n| site.zone.iso_week(begins + Span::hours(12) - Span::days(7 * n)));
    let looked = |earlier| {
        fence::caught(|| changed(site, earlier, now)).unwrap_or_else(|panic| Err(CommandError::Panicked(panic)))
    };
    let found = weeks.filter_map(|earlier| match looked(earlier) {
        Ok(changes) if changes.is_empty() => None,
        Ok(changes) => Some((earlier, changes)),
        Err(error) => {
            tracing::warn!("whether week {earlier} is to be amended cannot be told: {}", chain(&error));
            None
        }
    });
    found.collect()
}

/// What is not as an issued summary says, one a line.
fn changed(site: &Site, week: IsoWeek, now: Timestamp) -> Result<Vec<String>, CommandError> {
    let shelf = Shelf::of(site, &week.to_string());
    if shelf.is_empty() {
        return Ok(Vec::new());
    }
    let facts = Sources::read(site)?.week(week, now, &ProgressBar::hidden())?;
    let (edition, _) = shelf.find(&said::of_week(&facts))?;
    let said = |text: &Option<String>| text.clone().unwrap_or_else(|| "nothing".into());
    let mut lines: Vec<String> = edition
        .changes
        .iter()
        .take(CHANGES_MAILED)
        .map(|change| format!("{}: {}, before {}", change.what, said(&change.now), said(&change.before)))
        .collect();
    if edition.changes.len() > CHANGES_MAILED {
        lines.push(format!("and {} more, in the document", edition.changes.len() - CHANGES_MAILED));
    }
    Ok(lines)
}

/// What this reader gets: the document with the sections that they chose, and the daily figures where these are among them.
fn attachments(
    site: &Site,
    facts: &WeekFacts,
    files: Files,
    name: &str,
    sections: Option<&[ReportSection]>,
) -> Result<Vec<Attachment>, CommandError> {
    let mut out = Vec::new();
    let wants = |section: ReportSection| sections.is_none_or(|some| some.contains(&section));
    let csv = wants(ReportSection::Batches) || wants(ReportSection::Probes);
    for (file, bytes) in files.0 {
        match file.as_str() {
            files::WEEK_PDF => {
                // What was issued is the draft of the main part; a choice of sections or a review makes another.
                let parts = post::reports::Parts::of(sections);
                let bytes = match (sections, &facts.review) {
                    (None, Review::Draft) => bytes,
                    _ => files::pdf(site, &post::reports::week(facts, parts), &facts.site, facts.made_at)?,
                };
                out.push(Attachment { name: format!("summary-{name}.pdf"), media_type: "application/pdf", bytes });
            }
            // Whatever a reader chose: a checkpoint that left the site is what the site cannot take back.
            files::CHECKPOINT => {
                let name = format!("checkpoint-{name}.txt");
                out.push(Attachment { name, media_type: "text/plain; charset=utf-8", bytes });
            }
            files::DAYS if csv => {
                out.push(Attachment { name: format!("days-{name}.csv"), media_type: "text/csv; charset=utf-8", bytes });
            }
            _ => {}
        }
    }
    Ok(out)
}
