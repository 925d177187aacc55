//! What reports are gathered from: the store, read beside a running daemon, and what the settings say.
//!
//! Must never write to the store.

use ledger::{Access, KeptRow, Ledger, RecordedEntry};
use pile::time::Timestamp;
use post::reports::facts::{CheckpointFacts, SiteFacts};
use seal::Value;
use site::criteria::Criteria;
use site::entry::{Batch, BatchId, Entry, EntryKind, in_force};
use site::ids::BinId;
use site::instruments::Instruments;
use site::model::Site;
use site::quantity::Quantity;
use site::zone::parse_instant;

use super::elsewhere::Elsewhere;
use crate::commands::CommandError;
use crate::{criteria, record_key};

/// Everything that reports of a site are gathered from, as it was read at one time.
pub(crate) struct Sources<'s> {
    /// The settings.
    pub(super) site: &'s Site,
    /// The site whose key signs; another than `site` where its store is a copy.
    signs: &'s Site,
    /// What is said of readings that the site's own store no longer has.
    readings_from: Option<String>,
    /// The store.
    pub(super) ledger: Ledger,
    /// Every entry, with the time at which it was written down.
    pub(super) recorded: Vec<RecordedEntry>,
    /// The entries that hold, by the time that they tell of.
    pub(super) entries: Vec<Entry>,
    /// Every batch.
    pub(super) batches: Vec<Batch>,
    /// Where probes were, and how far off.
    pub(super) instruments: Instruments,
    /// Criteria, those that ship and the site's own.
    pub(super) criteria: Criteria,
}

/// Things that do not hold which a refusal tells; the others are counted.
const FAULTS_TOLD: usize = 5;

impl<'s> Sources<'s> {
    /// Reads them.
    ///
    /// # Errors
    /// When the store or the site's own criteria cannot be read.
    pub(crate) fn read(site: &'s Site) -> Result<Sources<'s>, CommandError> {
        let ledger = Ledger::open(&site.data_folder, Access::Read)?;
        as_on_record(&ledger)?;
        let recorded = ledger.recorded_entries()?;
        let entries = in_force(recorded.iter().map(|e| e.entry.clone()).collect());
        let (batches, instruments) = (ledger.batches()?, Instruments::of(&entries));
        let criteria = criteria::of_site(site)?;
        Ok(Sources {
            site,
            signs: site,
            readings_from: None,
            recorded,
            entries,
            batches,
            instruments,
            criteria,
            ledger,
        })
    }

    /// The same from a copy of the store that has readings again which the site's own no longer has.
    ///
    /// # Errors
    /// As [`Sources::read`].
    pub(super) fn given_back(elsewhere: &'s Elsewhere, signs: &'s Site) -> Result<Sources<'s>, CommandError> {
        let readings_from = Some(elsewhere.words.clone());
        Ok(Sources { signs, readings_from, ..Sources::read(&elsewhere.site)? })
    }

    /// Up to when readings went after their time; `None` where all are there.
    ///
    /// # Errors
    /// When the record cannot be read.
    pub(super) fn pruned_before(&self) -> Result<Option<Timestamp>, CommandError> {
        let rows = self.ledger.rows_of(&["pruned"], Timestamp::MIN, Timestamp::MAX)?;
        // No report says anything of batteries. Rows of before quantities had times of their own name none, and mean all.
        let matters = |row: &&KeptRow| {
            let named = row.body["quantities"].as_array();
            let of_batteries =
                |name: &Value| [Quantity::Battery, Quantity::BatteryVoltage].iter().any(|q| name == q.key());
            named.is_none_or(|named| !named.iter().all(of_batteries))
        };
        let ends =
            rows.iter().filter(matters).filter_map(|row| parse_instant(row.body["to"].as_str()?, &self.site.zone).ok());
        Ok(ends.max())
    }

    pub(super) fn site_facts(&self) -> SiteFacts {
        let site = self.site;
        SiteFacts {
            id: site.id.clone(),
            name: site.name.clone(),
            zone: site.zone.clone(),
            display: site.display,
            facility: site.reports.facility.clone(),
            permit: site.reports.permit.clone(),
            conditions: site.criteria.iter().filter_map(|chosen| chosen.permit.clone()).collect(),
            responsible: site.reports.responsible.clone(),
            software: format!("hypocaust {}", env!("CARGO_PKG_VERSION")),
            readings_from: self.readings_from.clone(),
        }
    }

    /// The record as it stands, signed.
    ///
    /// # Errors
    /// When the key or the record cannot be read.
    pub(super) fn checkpoint(&self) -> Result<CheckpointFacts, CommandError> {
        let key = record_key::signer(self.signs)?;
        let checkpoint = self.ledger.checkpoint(key.name())?;
        let note = key.sign(&checkpoint.text());
        let note = note.map_err(|e| CommandError::Refused(format!("the checkpoint cannot be signed: {e}")))?;
        Ok(CheckpointFacts { note, key: key.verifier().to_string() })
    }

    /// The bin that a batch was in at a time.
    pub(super) fn bin_at(&self, batch: &Batch, at: Timestamp) -> BinId {
        let moved = self.entries.iter().find(|e| {
            e.batch == Some(batch.id) && e.at > at && matches!(e.kind, EntryKind::Moved { into: Some(_), .. })
        });
        moved.map_or_else(|| batch.bin.clone(), |e| e.bin.clone())
    }

    /// The batch that a bin held at a time.
    pub(super) fn batch_at(&self, bin: &BinId, at: Timestamp) -> Option<&Batch> {
        let here = |b: &&Batch| begun(b) <= at && b.gone_at.is_none_or(|gone| gone > at) && self.bin_at(b, at) == *bin;
        self.batches.iter().rev().find(here)
    }

    pub(super) fn batch(&self, id: BatchId) -> Option<&Batch> {
        self.batches.iter().find(|b| b.id == id)
    }
}

/// Refuses a store in which a table says something else than the record: no paper is made of it.
fn as_on_record(ledger: &Ledger) -> Result<(), CommandError> {
    let check = ledger.check_tables()?;
    if check.faults.is_empty() {
        return Ok(());
    }
    let more = check.faults.len().saturating_sub(FAULTS_TOLD) as u64 + check.more;
    let mut said: Vec<String> = check.faults.into_iter().take(FAULTS_TOLD).collect();
    if more > 0 {
        said.push(format!("and {more} more, which `hypocaust record check` names"));
    }
    Err(CommandError::Refused(format!(
        "no report is made of a store that says something else than its record: {}",
        said.join("\n")
    )))
}

/// When a batch began to be: what is on record of it goes no further back.
pub(super) fn begun(batch: &Batch) -> Timestamp {
    [Some(batch.in_bin_since), batch.loaded_last_at, batch.on_air_at]
        .into_iter()
        .flatten()
        .min()
        .unwrap_or(batch.in_bin_since)
}
