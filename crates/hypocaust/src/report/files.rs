//! The files of a report, and how they come onto a disk.
//!
//! Must never leave half a file under its name.

use std::io;
use std::path::Path;

use pile::time::Timestamp;
use post::document::{DocumentError, PressError, Pressed, Template};
use post::reports::block::Report;
use post::reports::facts::{BatchFacts, SiteFacts, WeekFacts};
use post::reports::said::{self, Figures};
use post::reports::{Parts, Pictures, html, text};
use seal::merkle::sha256;
use serde_json::{Value, json};
use site::model::Site;

use crate::commands::CommandError;
use crate::daemon::chain;

/// The figures that editions are compared by.
pub(super) const FIGURES: &str = "figures.csv";

/// The daily figures of a week.
pub(super) const DAYS: &str = "days.csv";
/// The signed checkpoint of the record, byte for byte as `hypocaust verify --previous` reads it.
pub(super) const CHECKPOINT: &str = "checkpoint.txt";
/// The document of a week.
pub(super) const WEEK_PDF: &str = "summary.pdf";

/// Names and bytes, in the order in which they are told.
pub(crate) struct Files(pub(super) Vec<(String, Vec<u8>)>);

/// A report on paper, by the site's own template where it has one.
///
/// # Errors
/// What the template says that cannot be, with its place.
pub(super) fn pdf(
    site: &Site,
    report: &Report,
    facts: &SiteFacts,
    made_at: Timestamp,
) -> Result<Vec<u8>, CommandError> {
    let own = site
        .reports
        .template
        .as_deref()
        .map(|path| read(path, &format!("correct `reports: template` in {}", site.settings_path)));
    let own = own.transpose()?;
    let (document, pictures) = post::reports::document(report, facts, site.reports.paper);
    let template = own.as_ref().map(|(name, text)| Template { name, text });
    let pressed = post::document::pdf(&document, pictures, made_at, template).map_err(not_made)?;
    for warning in &pressed.warnings {
        tracing::warn!("{}: {warning}", report.title);
    }
    Ok(pressed.pdf)
}

/// A sample of all that documents are made of, by the template in a file.
///
/// # Errors
/// When it cannot be read, or what it says that cannot be, with its place.
pub(crate) fn tried(site: &Site, template: &Path) -> Result<Pressed, CommandError> {
    let remedy = format!("correct `reports: template` in {}, or name one that is there", site.settings_path);
    let (name, text) = read(template, &remedy)?;
    let pressed = |bare| {
        let (document, pictures) = post::document::sample(site.reports.paper, bare);
        let template = Template { name: &name, text: &text };
        post::document::pdf(&document, pictures, Timestamp::from_millis(0), Some(template)).map_err(not_made)
    };
    pressed(true)?;
    pressed(false)
}

/// A document that was refused, or in which the program failed.
fn not_made(error: DocumentError) -> CommandError {
    match error {
        DocumentError::Press { source: PressError::Panicked(panic), .. } => CommandError::Panicked(panic),
        error => CommandError::Refused(chain(&error)),
    }
}

/// What a template is called in messages, and its text.
fn read(template: &Path, remedy: &str) -> Result<(String, String), CommandError> {
    let text = ::files::read_text(template, ::files::TEMPLATE).map_err(|source| CommandError::NoInput {
        what: format!("the template {} cannot be read; {remedy}", template.display()),
        source,
    })?;
    Ok((template.display().to_string(), text))
}

impl Files {
    /// Those of a weekly summary.
    pub(super) fn of_week(site: &Site, facts: &WeekFacts, figures: &Figures) -> Result<Files, CommandError> {
        let report = post::reports::week(facts, Parts::Main);
        let annex = post::reports::week(facts, Parts::Annex);
        let checkpoint = facts.checkpoint.iter().map(|own| (CHECKPOINT.to_owned(), own.note.clone().into_bytes()));
        let mut files = vec![
            ("summary.txt".into(), text(&report).into_bytes()),
            ("summary.html".into(), html(&report, &facts.site, Pictures::Inline).into_bytes()),
            (WEEK_PDF.into(), pdf(site, &report, &facts.site, facts.made_at)?),
            ("annex.txt".into(), text(&annex).into_bytes()),
            ("annex.pdf".into(), pdf(site, &annex, &facts.site, facts.made_at)?),
            (DAYS.into(), said::days_csv(&facts.site, &facts.days).into_bytes()),
            (FIGURES.into(), said::as_csv(figures).into_bytes()),
        ];
        files.extend(checkpoint);
        Ok(Files(files))
    }

    /// Those of a process record.
    pub(super) fn of_batch(site: &Site, facts: &BatchFacts, figures: &Figures) -> Result<Files, CommandError> {
        let report = post::reports::batch(facts);
        let name = |ending: &str| format!("batch-{}.{ending}", facts.batch.id);
        Ok(Files(vec![
            (name("txt"), text(&report).into_bytes()),
            (name("html"), html(&report, &facts.site, Pictures::Inline).into_bytes()),
            (name("pdf"), pdf(site, &report, &facts.site, facts.made_at)?),
            (name("csv"), said::days_csv(&facts.site, &facts.days).into_bytes()),
            (FIGURES.into(), said::as_csv(figures).into_bytes()),
        ]))
    }

    /// Those of a folder.
    pub(super) fn read(folder: &Path) -> io::Result<Files> {
        let mut files = Vec::new();
        for path in ::files::paths_in(folder)? {
            let bytes = ::files::read(&path, ::files::OWN_PART)?;
            files.push((path.file_name().unwrap_or_default().to_string_lossy().into_owned(), bytes));
        }
        files.sort();
        Ok(Files(files))
    }

    /// Writes them into a folder, each whole or not at all; earlier ones of the same name are replaced.
    pub(super) fn write(&self, folder: &Path) -> Result<(), CommandError> {
        let fault = |name: &str| {
            let what =
                format!("{name} cannot be written into {}; name a folder that can be, with --out", folder.display());
            move |source| CommandError::Io { what, source }
        };
        ::files::create_folder(folder).map_err(fault("the report"))?;
        for (name, bytes) in &self.0 {
            let partial = folder.join(format!(".{name}.{}.partial", std::process::id()));
            let written = ::files::write(&partial, bytes).and_then(|()| std::fs::rename(&partial, folder.join(name)));
            if written.is_err() {
                let _ = std::fs::remove_file(&partial);
            }
            written.map_err(fault(name))?;
        }
        Ok(())
    }

    /// Length and hash of each, for the record.
    pub(super) fn body(&self) -> Value {
        let files = self
            .0
            .iter()
            .map(|(name, bytes)| (name.clone(), json!({ "bytes": bytes.len(), "sha256": sha256(bytes).to_hex() })));
        Value::Object(files.collect())
    }

    /// Name, length and hash of each, one a line.
    pub(super) fn listed(&self) -> String {
        let wide = self.0.iter().map(|(name, _)| name.chars().count()).max().unwrap_or(0);
        let lines = self.0.iter().map(|(name, bytes)| {
            format!("  {name:wide$}  {:>8} bytes  sha256 {}\n", bytes.len(), sha256(bytes).to_hex())
        });
        lines.collect()
    }
}
