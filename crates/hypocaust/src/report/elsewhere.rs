//! A report of a time whose readings the store no longer has, from those that the copy in InfluxDB still has.
//!
//! Must never take a reading from there that the roots on record do not prove, and never write to the site's own store.

use std::fs::DirBuilder;
use std::os::unix::fs::DirBuilderExt;
use std::path::PathBuf;

use indicatif::ProgressBar;
use ledger::{Access, FILE, GivenBack, Ledger, ReadingRow};
use pile::time::Timestamp;
use seal::readings::HOUR;
use site::model::Site;

use crate::commands::{CommandError, runtime};
use crate::copying::commands as copying;

/// The site with a copy of its store in which the readings are again; the copy goes with it.
pub(super) struct Elsewhere {
    /// As the site, but for its data folder.
    pub(super) site: Site,
    /// What the report says of it.
    pub(super) words: String,
    folder: PathBuf,
}

impl Drop for Elsewhere {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.folder);
    }
}

/// Puts the readings of a span back that were taken out after their time; `None` where none were.
///
/// # Errors
/// Settings without a copy, a server that does not answer, or hours that are not there as they were put on record.
pub(super) fn given_back(
    site: &Site,
    (from, to): (Timestamp, Timestamp),
    bar: &ProgressBar,
) -> Result<Option<Elsewhere>, CommandError> {
    let gone = Ledger::open(&site.data_folder, Access::Read)?.hours_taken_out(from, to)?;
    let (Some(first), Some(last)) = (gone.first().copied(), gone.last().copied()) else { return Ok(None) };
    let bucket = copying::bucket(site)?;
    let influx = copying::asked_for(site)?;
    let folder = site.data_folder.join("reports").join(format!("given-back-{}", std::process::id()));
    let words = format!(
        "Readings of {} to {} were taken out of the store after their time. They come from the copy in InfluxDB (bucket {} of {} at {}): {} \
         hours, each of which is what its hash on record was made over.",
        site.zone.show(first),
        site.zone.show(last + HOUR),
        influx.bucket,
        influx.organisation,
        influx.url,
        gone.len()
    );
    let elsewhere = Elsewhere { site: Site { data_folder: folder.clone(), ..site.clone() }, words, folder };
    let folder = &elsewhere.folder;
    let cannot = |source| CommandError::Io { what: format!("{} cannot be made", folder.display()), source };
    ::files::create_folder(&site.data_folder.join("reports")).map_err(cannot)?;
    DirBuilder::new().mode(0o700).create(folder).map_err(cannot)?;
    bar.set_message("copying the store");
    ledger::backup(&site.data_folder, &folder.join(FILE), &mut |_, _| {})
        .map_err(|e| CommandError::Refused(e.to_string()))?;
    let mut ledger = Ledger::open(folder, Access::Write)?;
    let (runtime, mut unlike) = (runtime()?, Vec::new());
    for (n, hour) in gone.iter().enumerate() {
        bar.set_message(format!("reading hour {} of {} from InfluxDB", n + 1, gone.len()));
        let there = runtime.block_on(bucket.readings(&site.id, *hour, *hour + HOUR)).map_err(copying::failed)?;
        let rows: Vec<ReadingRow> = there
            .into_iter()
            .map(|c| ReadingRow { reading: c.reading, quality: c.quality, reason: c.reason })
            .collect();
        if ledger.give_back(*hour, &rows)? == GivenBack::Unlike {
            unlike.push(*hour);
        }
    }
    match unlike.first() {
        None => Ok(Some(elsewhere)),
        Some(first) => Err(CommandError::Refused(format!(
            "{} of {} hours are not in the copy as they were put on record, the first is {}; without them the report would say less than was \
             measured. Look for a backup of that time (`hypocaust store restore`)",
            unlike.len(),
            gone.len(),
            site.zone.show(*first)
        ))),
    }
}
