//! Turns a template in plain text and data in JSON into a PDF that can be kept for years: PDF/A-2a, tagged and PDF/UA-1.
//!
//! Must never open a file, a socket or a package, use a font of the machine it runs on, or ask what time it is: the same job gives the
//! same bytes everywhere. It does not know what a document is about.

mod fault;
mod letters;
mod world;

use std::str::FromStr;

use jiff::tz::TimeZone;
use pile::time::Timestamp;
use typst::diag::SourceDiagnostic;
use typst::foundations::{Datetime, Smart};
use typst::text::{Lang, Locale, Region};
use typst_layout::PagedDocument;
use typst_pdf::{PdfOptions, PdfStandard, PdfStandards};

pub use fault::{Fault, Place, PressError};

use crate::world::Desk;

/// The template that ships. It sets the JSON of `post::document::Document`; its head says how a site makes its own.
pub const TEMPLATE: &str = include_str!("document.typ");

/// What the file says it was made with.
const CREATOR: &str = "hypocaust";

/// A template and what it is called in messages.
#[derive(Clone, Copy, Debug)]
pub struct Template<'a> {
    /// Its file name, for messages only; nothing is opened.
    pub name: &'a str,
    /// Its text.
    pub text: &'a str,
}

/// What is to be printed.
#[derive(Clone, Debug)]
pub struct Job<'a> {
    /// How it is set.
    pub template: Template<'a>,
    /// What is set: JSON, which the template reads by `json("data.json")`.
    pub data: &'a [u8],
    /// PNG or SVG files by name, which the template finds in `sys.inputs.pictures`.
    pub pictures: Vec<(String, Vec<u8>)>,
    /// When it was made; the date of the file, and the template's `datetime.today()` (in UTC).
    pub made_at: Timestamp,
    /// Title of the file.
    pub title: &'a str,
    /// Language of the file as a tag of BCP 47, "en" or "de-AT"; of the tag, language and region are used.
    pub language: &'a str,
}

/// A document made.
#[derive(Clone, Debug)]
pub struct Pressed {
    /// The file.
    pub pdf: Vec<u8>,
    /// How many pages it has.
    pub pages: usize,
    /// What a person should look at all the same: letters that no font has, doubts of the typesetter. Empty if there are none.
    pub warnings: Vec<Fault>,
}

/// Sets a job and makes its file.
///
/// The file is PDF/A-2a and PDF/UA-1 or it is not made. A letter that no embedded font has is set as its code point, `[U+1F525]`, in text
/// and in SVG pictures, and told in the warnings. A few pages take a third of a second and 50 MB, sixty with a chart on each some four
/// seconds and 140 MB.
pub fn pdf(job: &Job<'_>) -> Result<Pressed, PressError> {
    let (date, timestamp) = dates(job.made_at).ok_or(PressError::Date(job.made_at))?;
    let desk = Desk::new(job, date)?;
    let pressed = press(job, &desk, timestamp);
    // What the typesetter remembers for the next run helps somebody who types; here it would only grow.
    typst::comemo::evict(0);
    pressed
}

fn press(job: &Job<'_>, desk: &Desk, timestamp: typst_pdf::Timestamp) -> Result<Pressed, PressError> {
    let faults = |found: &[SourceDiagnostic]| found.iter().map(|one| desk.fault(one)).collect::<Vec<_>>();
    let refused = |found: &[SourceDiagnostic]| PressError::Refused { faults: faults(found) };

    let compiled = typst::compile::<PagedDocument>(desk);
    let mut document = compiled.output.map_err(|found| refused(&found))?;
    let info = document.info_mut();
    info.title = Some(job.title.into());
    info.locale = Smart::Custom(locale(job.language));

    let standards = PdfStandards::new(&[PdfStandard::A_2a, PdfStandard::Ua_1]);
    let options = PdfOptions {
        ident: Smart::Custom(format!("{}\n{}", job.title, job.made_at.as_millis())),
        creator: Smart::Custom(Some(CREATOR.into())),
        timestamp: Some(timestamp),
        standards: standards.map_err(|found| PressError::Standards(found.message().to_string()))?,
        ..PdfOptions::default()
    };
    let pdf = typst_pdf::pdf(&document, &options).map_err(|found| refused(&found))?;
    let mut warnings = desk.missing_letters();
    warnings.extend(faults(&compiled.warnings));
    Ok(Pressed { pdf, pages: document.pages().len(), warnings })
}

/// The instant for the template, and for the head of the file.
fn dates(at: Timestamp) -> Option<(jiff::Timestamp, typst_pdf::Timestamp)> {
    let instant = jiff::Timestamp::from_millisecond(at.as_millis()).ok()?;
    let civil = TimeZone::UTC.to_datetime(instant);
    let part = |n: i8| u8::try_from(n).ok();
    let datetime = Datetime::from_ymd_hms(
        civil.year().into(),
        part(civil.month())?,
        part(civil.day())?,
        part(civil.hour())?,
        part(civil.minute())?,
        part(civil.second())?,
    )?;
    Some((instant, typst_pdf::Timestamp::new_utc(datetime)))
}

/// The language of a tag, and its region; English if there is no such language.
fn locale(tag: &str) -> Locale {
    let mut parts = tag.split(['-', '_']);
    let lang = parts.next().and_then(|part| Lang::from_str(part).ok());
    let region = parts.find_map(|part| Region::from_str(part).ok());
    lang.map_or(Locale::DEFAULT, |lang| Locale::new(lang, region))
}
