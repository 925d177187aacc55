//! Editions of reports that were issued: kept in the data folder, each with the figures that it stated.
//!
//! Must never replace an edition: one that says something else is the next.

use std::path::PathBuf;

use ::files::Held;

use post::reports::facts::Edition;
use post::reports::said::{self, Figures};
use site::model::Site;

use super::files::{CHECKPOINT, FIGURES, Files};
use crate::commands::CommandError;

/// The folder of reports in the data folder.
pub(super) const FOLDER: &str = "reports";
/// More editions of one report than this are not looked for.
const EDITIONS_MOST: u32 = 10_000;

/// The editions of one report.
pub(super) struct Shelf {
    base: PathBuf,
    name: String,
    newest: u32,
}

impl Shelf {
    /// Those under a name, such as `2026-W10` or `batch-3`.
    pub(super) fn of(site: &Site, name: &str) -> Shelf {
        let folder = site.data_folder.join(FOLDER).join(name);
        let newest = (1..EDITIONS_MOST).take_while(|n| folder.join(n.to_string()).join(FIGURES).is_file()).last();
        Shelf { newest: newest.unwrap_or(0), base: site.data_folder.clone(), name: name.to_owned() }
    }

    /// Whether none was issued.
    pub(super) fn is_empty(&self) -> bool {
        self.newest == 0
    }

    /// The newest edition as it was issued.
    ///
    /// # Errors
    /// When it cannot be read.
    pub(super) fn newest(&self) -> Result<Option<(u32, Files)>, CommandError> {
        match self.newest {
            0 => Ok(None),
            n => Ok(Some((n, self.files(n)?))),
        }
    }

    /// The edition that states these figures, and its files where it was issued already.
    ///
    /// # Errors
    /// When an edition cannot be read.
    pub(super) fn find(&self, figures: &Figures) -> Result<(Edition, Option<Files>), CommandError> {
        if self.newest == 0 {
            return Ok((Edition { number: 1, changes: Vec::new() }, None));
        }
        let before = self.figures(self.newest)?;
        let changes = said::changes(&before, figures);
        if changes.is_empty() {
            let files = self.files(self.newest)?;
            return Ok((Edition { number: self.newest, changes }, Some(files)));
        }
        Ok((Edition { number: self.newest + 1, changes }, None))
    }

    /// Keeps an edition; `false` where it was kept already, by somebody who was faster.
    ///
    /// # Errors
    /// When it cannot be written; then nothing is kept.
    pub(super) fn keep(&self, number: u32, files: &Files) -> Result<bool, CommandError> {
        let place = self.place(number);
        let cannot = |source| CommandError::Io {
            what: format!(
                "the edition cannot be kept in {}; see to the disk and to whom the folder belongs",
                place.display()
            ),
            source,
        };
        // Held open, because the folder's user could put a link in its place.
        let shelf = Held::make(&self.base, &[FOLDER, &self.name]).map_err(cannot)?;
        let partial = shelf.path().join(format!(".{number}.{:x}.partial", unique()));
        files.write(&partial).map_err(|error| match error {
            CommandError::Io { source, .. } => cannot(source),
            error => error,
        })?;
        // A folder takes its name whole, and never that of one that is there.
        let kept = std::fs::rename(&partial, shelf.path().join(number.to_string()));
        if kept.is_err() {
            let _ = std::fs::remove_dir_all(&partial);
        }
        match kept {
            Ok(()) => Ok(true),
            Err(_) if place.join(FIGURES).is_file() => Ok(false),
            Err(source) => Err(cannot(source)),
        }
    }

    /// The folder of an edition.
    pub(super) fn place(&self, number: u32) -> PathBuf {
        self.base.join(FOLDER).join(&self.name).join(number.to_string())
    }

    /// The files of an edition.
    ///
    /// # Errors
    /// When they cannot be read.
    pub(super) fn files(&self, number: u32) -> Result<Files, CommandError> {
        let place = self.place(number);
        let held = Held::open(&self.base, &[FOLDER, &self.name, &number.to_string()]);
        let read = held.and_then(|held| Files::read(&held.path()));
        read.map_err(|source| CommandError::Io {
            what: format!(
                "the edition in {} cannot be read; run this as the user that runs hypocaust",
                place.display()
            ),
            source,
        })
    }

    /// The checkpoint of the first edition, which is the one that was mailed; `None` where there is no edition, or it has none.
    ///
    /// # Errors
    /// When it cannot be read.
    pub(super) fn first_checkpoint(&self) -> Result<Option<String>, CommandError> {
        if self.is_empty() {
            return Ok(None);
        }
        let files = self.files(1)?.0;
        let own = files.into_iter().find(|(name, _)| name == CHECKPOINT).map(|(_, bytes)| bytes);
        Ok(own.map(|bytes| String::from_utf8_lossy(&bytes).into_owned()))
    }

    fn figures(&self, number: u32) -> Result<Figures, CommandError> {
        let path = self.place(number).join(FIGURES);
        let held = Held::open(&self.base, &[FOLDER, &self.name, &number.to_string()]);
        let text = held.and_then(|held| ::files::read_text(&held.path().join(FIGURES), ::files::OWN_PART));
        let text = text.map_err(|source| CommandError::Io {
            what: format!(
                "the figures of an earlier edition, {}, cannot be read; run this as the user that runs hypocaust",
                path.display()
            ),
            source,
        })?;
        Ok(said::from_csv(&text))
    }
}

/// A number for a name that no other thread or process uses now.
fn unique() -> u64 {
    let thread = format!("{:?}", std::thread::current().id());
    thread.bytes().fold(u64::from(std::process::id()), |sum, byte| sum.wrapping_mul(31).wrapping_add(u64::from(byte)))
}
