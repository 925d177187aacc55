//! The files of a report, and how they come onto a disk.
//!
//! Must never leave half a file under its name.

use std::path::Path;

use post::reports::facts::{BatchFacts, WeekFacts};
use post::reports::said::{self, Figures};
use post::reports::{Pictures, html, text};
use seal::merkle::sha256;
use serde_json::{Value, json};

use crate::commands::CommandError;

/// The figures that editions are compared by.
pub(super) const FIGURES: &str = "figures.csv";

/// The daily figures of a week.
pub(super) const DAYS: &str = "days.csv";

/// Names and bytes, in the order in which they are told.
pub(crate) struct Files(pub(super) Vec<(String, Vec<u8>)>);

impl Files {
    /// Those of a weekly summary.
    pub(super) fn of_week(facts: &WeekFacts, figures: &Figures) -> Files {
        let report = post::reports::week(facts, None);
        Files(vec![
            ("summary.txt".into(), text(&report).into_bytes()),
            ("summary.html".into(), html(&report, &facts.site, Pictures::Inline).into_bytes()),
            (DAYS.into(), said::days_csv(&facts.site, &facts.days).into_bytes()),
            (FIGURES.into(), said::as_csv(figures).into_bytes()),
        ])
    }

    /// Those of a process record.
    pub(super) fn of_batch(facts: &BatchFacts, figures: &Figures) -> Files {
        let report = post::reports::batch(facts);
        let name = |ending: &str| format!("batch-{}.{ending}", facts.batch.id);
        Files(vec![
            (name("txt"), text(&report).into_bytes()),
            (name("html"), html(&report, &facts.site, Pictures::Inline).into_bytes()),
            (name("csv"), said::days_csv(&facts.site, &facts.days).into_bytes()),
            (FIGURES.into(), said::as_csv(figures).into_bytes()),
        ])
    }

    /// Those of a folder.
    pub(super) fn read(folder: &Path) -> Result<Files, CommandError> {
        let fault = |source| CommandError::Io {
            what: format!(
                "the edition in {} cannot be read; run this as the user that runs hypocaust",
                folder.display()
            ),
            source,
        };
        let mut files = Vec::new();
        for entry in std::fs::read_dir(folder).map_err(fault)? {
            let entry = entry.map_err(fault)?;
            let bytes = std::fs::read(entry.path()).map_err(fault)?;
            files.push((entry.file_name().to_string_lossy().into_owned(), bytes));
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
        std::fs::create_dir_all(folder).map_err(fault("the report"))?;
        for (name, bytes) in &self.0 {
            let partial = folder.join(format!(".{name}.{}.partial", std::process::id()));
            let written = std::fs::write(&partial, bytes).and_then(|()| std::fs::rename(&partial, folder.join(name)));
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
