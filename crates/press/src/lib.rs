//! Turns a template in plain text and data in JSON into a PDF that can be kept for years: PDF/A-2a, tagged and PDF/UA-1.
//!
//! Must never open a file, a socket or another script, use a font of the machine it runs on, or ask what time it is: the same job gives
//! the same bytes everywhere. It does not know what a document is about.

mod columns;
mod element;
mod fault;
mod file;
mod flow;
mod letters;
mod limits;
mod pages;
mod picture;
mod piece;
mod style;
mod tags;
mod template;
mod text;

use std::collections::BTreeMap;

use jiff::civil;
use jiff::tz::TimeZone;
use pile::time::Timestamp;

pub use fault::{Fault, Place, PressError};

use crate::element::{Page, Sheet};
use crate::file::Leaf;
use crate::flow::{Press, Slot};
use crate::letters::Letters;
use crate::picture::Reader;
use crate::piece::{Piece, stacked};
use crate::tags::Tags;
use crate::text::Setter;

/// The template that ships. It sets the JSON of `post::document::Document`; its head says how a site makes its own.
pub const TEMPLATE: &str = include_str!("document.rhai");

/// What [`TEMPLATE`] is called in messages.
pub const TEMPLATE_NAME: &str = "document.rhai";

/// White that stays beyond heads and feet, as a printer needs it.
const EDGE_LEAST: f32 = 14.0;
/// A number of a page that is as wide as any.
const NUMBER_WIDEST: usize = 8_888;
/// Points by which a piece may stand over for the sake of rounding.
const OVER_LEAST: f32 = 0.5;

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
    /// What is set: JSON, which the template finds as `doc`.
    pub data: &'a [u8],
    /// PNG or SVG files by name, which the template sets by `picture(name, …)`.
    pub pictures: Vec<(String, Vec<u8>)>,
    /// When it was made; the date of the file.
    pub made_at: Timestamp,
    /// Title of the file.
    pub title: &'a str,
    /// Language of the file as a tag of BCP 47, "en" or "de-AT".
    pub language: &'a str,
}

/// A document made.
#[derive(Clone, Debug)]
pub struct Pressed {
    /// The file.
    pub pdf: Vec<u8>,
    /// How many pages it has.
    pub pages: usize,
    /// What a person should look at all the same: letters that no font has, what is higher than a page. Empty if there are none.
    pub warnings: Vec<Fault>,
}

/// Sets a job and makes its file.
///
/// The file is PDF/A-2a and PDF/UA-1 or it is not made. A letter that no embedded font has is set as its code point, `[U+1F525]`, in text
/// and in SVG pictures, and told in the warnings.
///
/// # Errors
/// [`PressError`], a panic on the way included: what was made until then is thrown away.
pub fn pdf(job: &Job<'_>) -> Result<Pressed, PressError> {
    fenced(|| made(job))
}

/// A panic while a document is made ends that document and nothing else.
fn fenced(make: impl FnOnce() -> Result<Pressed, PressError>) -> Result<Pressed, PressError> {
    fence::caught(make).unwrap_or_else(|panic| Err(PressError::Panicked(panic)))
}

fn made(job: &Job<'_>) -> Result<Pressed, PressError> {
    let date = date(job.made_at).ok_or(PressError::Date(job.made_at))?;
    let mut letters = Letters::known()?;
    let data = serde_json::from_slice(job.data).map_err(|fault| PressError::Data(fault.to_string()))?;
    let sheet = template::sheet(job, data)?;

    let reader = Reader::new();
    let mut drawings = BTreeMap::new();
    for (name, bytes) in &job.pictures {
        // A picture in words (SVG) may carry names too; others are left as they are.
        let drawing = match std::str::from_utf8(bytes) {
            Ok(words) => reader.read(name, letters.settle(&picture::without_references(words), true).as_bytes())?,
            Err(_) => reader.read(name, bytes)?,
        };
        drawings.insert(name.clone(), drawing);
    }

    let mut press = Press {
        setter: Setter::new(letters)?,
        tags: Tags::new(),
        drawings: &drawings,
        template: job.template,
        room: sheet.page.height,
        level: 0,
        tables: 0,
    };
    let page = press.with_margins(&sheet)?;
    let width = page.width - page.margins.left - page.margins.right;
    let room = page.height - page.margins.top - page.margins.bottom;
    press.room = room;
    let pieces = press.flow(&sheet.body, Slot::new(width, page.look, Tags::ROOT))?;
    let texts = pages::filled(pieces, room);
    let count = texts.len();
    let mut warnings = Vec::new();
    let mut leaves = Vec::with_capacity(count);
    for (n, text) in texts.into_iter().enumerate() {
        let over = text.iter().any(|placed| placed.y + placed.piece.height > room + OVER_LEAST);
        if over {
            warnings.push(Fault {
                place: template::place(&job.template, sheet.at),
                message: format!("what stands on page {} is higher than the page", n + 1),
                remedies: vec!["make it smaller, or part it".to_owned()],
            });
        }
        let (head, foot) = press.bands(&page, (n + 1, count))?;
        leaves.push(Leaf { head, text, foot });
    }
    warnings.extend(press.setter.letters.warning());
    let pdf = file::made(job, date, &page, &leaves, press.tags, &drawings)?;
    Ok(Pressed { pdf, pages: count, warnings })
}

impl Press<'_> {
    /// The page with margins that leave room for its heads and feet, however long the words in them are.
    fn with_margins(&mut self, sheet: &Sheet) -> Result<Page, PressError> {
        let mut page = sheet.page.clone();
        for numbers in [(1, NUMBER_WIDEST), (NUMBER_WIDEST, NUMBER_WIDEST)] {
            let (head, foot) = self.bands(&page, numbers)?;
            page.margins.top = page.margins.top.max(head.height + page.head_gap + EDGE_LEAST);
            page.margins.bottom = page.margins.bottom.max(foot.height + page.foot_gap + EDGE_LEAST);
        }
        self.setter.numbers = None;
        if page.height - page.margins.top - page.margins.bottom >= 72.0 {
            return Ok(page);
        }
        let message = "head and foot leave less than an inch for the text".to_owned();
        Err(self.refused(sheet.at, message, "shorten what stands in them, or make its letters smaller"))
    }

    /// Head and foot of a page, of so many.
    fn bands(&mut self, page: &Page, numbers: (usize, usize)) -> Result<(Piece, Piece), PressError> {
        self.setter.numbers = Some(numbers);
        let width = page.width - page.margins.left - page.margins.right;
        let slot = Slot::new(width, page.look, Tags::NOWHERE);
        let head = if numbers.0 == 1 { &page.first_head } else { &page.head };
        let head = stacked(self.flow(head, slot)?);
        Ok((head, stacked(self.flow(&page.foot, slot)?)))
    }
}

/// The instant in UTC, if a file can carry it.
fn date(at: Timestamp) -> Option<civil::DateTime> {
    let instant = jiff::Timestamp::from_millisecond(at.as_millis()).ok()?;
    let date = TimeZone::UTC.to_datetime(instant);
    (0..=9_998).contains(&date.year()).then_some(date)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_panic_while_a_document_is_made_is_an_answer() {
        let error = fenced(|| panic!("no such glyph")).unwrap_err();
        assert!(matches!(&error, PressError::Panicked(panic) if panic.words == "no such glyph"), "{error}");
        let told = "the document cannot be set: a fault of hypocaust itself (no such glyph); please report it, with the template";
        assert_eq!(error.to_string(), told);
    }
}
