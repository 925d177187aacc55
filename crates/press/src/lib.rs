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
mod pages;
mod picture;
mod style;
mod tags;
mod template;
mod text;

use std::collections::BTreeMap;

use jiff::civil;
use jiff::tz::TimeZone;
use pile::time::Timestamp;

pub use fault::{Fault, Place, PressError};

use crate::file::Leaf;
use crate::flow::{Press, stacked};
use crate::letters::Letters;
use crate::picture::Reader;
use crate::tags::Tags;
use crate::text::Setter;

/// The template that ships. It sets the JSON of `post::document::Document`; its head says how a site makes its own.
pub const TEMPLATE: &str = include_str!("document.rhai");

/// What [`TEMPLATE`] is called in messages.
pub const TEMPLATE_NAME: &str = "document.rhai";

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
    /// What a person should look at all the same: letters that no font has. Empty if there are none.
    pub warnings: Vec<Fault>,
}

/// Sets a job and makes its file.
///
/// The file is PDF/A-2a and PDF/UA-1 or it is not made. A letter that no embedded font has is set as its code point, `[U+1F525]`, in text
/// and in SVG pictures, and told in the warnings.
pub fn pdf(job: &Job<'_>) -> Result<Pressed, PressError> {
    let date = date(job.made_at).ok_or(PressError::Date(job.made_at))?;
    let mut letters = Letters::known()?;
    let data = serde_json::from_slice(job.data).map_err(|fault| PressError::Data(fault.to_string()))?;
    let sheet = template::sheet(job, data)?;

    let reader = Reader::new();
    let mut drawings = BTreeMap::new();
    for (name, bytes) in &job.pictures {
        // A picture in words (SVG) may carry names too; others are left as they are.
        let drawing = match std::str::from_utf8(bytes) {
            Ok(words) => reader.read(name, letters.settle(words).as_bytes())?,
            Err(_) => reader.read(name, bytes)?,
        };
        drawings.insert(name.clone(), drawing);
    }

    let page = &sheet.page;
    let width = page.width - page.margins.left - page.margins.right;
    let room = page.height - page.margins.top - page.margins.bottom;
    let setter = Setter::new(letters)?;
    let mut press =
        Press { setter, tags: Tags::new(), drawings: &drawings, template: job.template, room, level: 0, tables: 0 };
    let pieces = press.flow(&sheet.body, width, page.look, Tags::ROOT)?;
    let texts = pages::filled(pieces, room);
    let count = texts.len();
    let mut leaves = Vec::with_capacity(count);
    for (n, text) in texts.into_iter().enumerate() {
        press.setter.numbers = Some((n + 1, count));
        let head = if n == 0 { &page.first_head } else { &page.head };
        let head = stacked(press.flow(head, width, page.look, Tags::NOWHERE)?);
        let foot = stacked(press.flow(&page.foot, width, page.look, Tags::NOWHERE)?);
        leaves.push(Leaf { head, text, foot });
    }
    let warnings = press.setter.letters.warning().into_iter().collect();
    let pdf = file::made(job, date, page, &leaves, press.tags, &drawings)?;
    Ok(Pressed { pdf, pages: count, warnings })
}

/// The instant in UTC, if a file can carry it.
fn date(at: Timestamp) -> Option<civil::DateTime> {
    let instant = jiff::Timestamp::from_millisecond(at.as_millis()).ok()?;
    let date = TimeZone::UTC.to_datetime(instant);
    (0..=9_998).contains(&date.year()).then_some(date)
}
