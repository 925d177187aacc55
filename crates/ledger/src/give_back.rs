//! Puts readings back that were taken out after their time, where somebody else still has them: into a copy of the store, for a report.
//!
//! Must never put anything back that is not exactly what the root on record was made over.

use std::collections::BTreeSet;

use pile::time::{Span, Timestamp};
use rusqlite::{OptionalExtension, params};
use seal::readings::{HOUR, HourTree, line, series_words};
use site::zone::rfc3339_millis;

use crate::error::Cause;
use crate::read;
use crate::{Ledger, LedgerError, ReadingRow, record, rows};

/// What became of an hour that was to be put back.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum GivenBack {
    /// Its readings are those under its root, and are in the store again.
    Proven,
    /// They are not, by number or by content; nothing was put back.
    Unlike,
}

impl Ledger {
    /// Hours of which readings were taken out after their time, that of `from`, that of `to` and those between: a reading of the very
    /// instant at which a batch went off air is of the hour that then begins.
    ///
    /// # Errors
    /// [`LedgerError`] when the ledger cannot be read.
    pub fn hours_taken_out(&self, from: Timestamp, to: Timestamp) -> Result<Vec<Timestamp>, LedgerError> {
        self.reading("reading which hours were taken out", |conn| {
            let sql = "SELECT hour FROM record_hours WHERE hour > ?1 AND hour <= ?2 AND pruned <> 0 ORDER BY hour";
            let first = (from - HOUR).as_millis();
            rows::all(conn, sql, params![first, to.as_millis()], |row| Ok(Timestamp::from_millis(row.get(0)?)))
        })
    }

    /// Puts all readings of an hour back, those that are still there among them, if they are the ones under its root.
    ///
    /// # Errors
    /// [`LedgerError`] when the ledger cannot be written; then nothing was put back.
    pub fn give_back(&mut self, hour: Timestamp, readings: &[ReadingRow]) -> Result<GivenBack, LedgerError> {
        self.writing("putting readings back", |ledger| {
            let tx = ledger.conn.transaction()?;
            let mut query = tx.prepare_cached("SELECT row FROM record_hours WHERE hour = ?1 AND row NOT NULL")?;
            let Some(row) = query.query_row([hour.as_millis()], |row| row.get::<_, i64>(0)).optional()? else {
                return Ok(GivenBack::Unlike);
            };
            drop(query);
            let body = record::hour_body(&record::text(&tx, row)?).unwrap_or_default();
            let mut sorted: Vec<&ReadingRow> = readings.iter().collect();
            sorted.sort_by_key(|row| (series_words(&row.reading.series), row.reading.measured_at));
            let mut tree = HourTree::default();
            for row in &sorted {
                tree.push(&line(&row.reading, row.quality, &row.reason));
            }
            let is_it = body["hour"].as_str() == Some(rfc3339_millis(hour).as_str())
                && body["root"].as_str() == Some(tree.root().to_hex().as_str());
            if !is_it {
                return Ok(GivenBack::Unlike);
            }
            // What is there already, packed or not, is not there twice.
            let ids = rows::series_ids(&tx)?;
            let mut there = BTreeSet::new();
            read::each_reading(&tx, &ids, hour, hour + HOUR - Span::millis(1), &mut |row| {
                there.insert((row.reading.series, row.reading.measured_at));
            })?;
            for row in sorted {
                let reading = &row.reading;
                if there.contains(&(reading.series.clone(), reading.measured_at)) {
                    continue;
                }
                let Some((id, _)) = ids.iter().find(|(_, series)| *series == reading.series) else {
                    return Err(Cause::Contradiction(format!("{} is under a root and was never stored", reading.series)));
                };
                let delay = reading.received_at.since(reading.measured_at).as_millis();
                let mut insert = tx.prepare_cached(
                    "INSERT INTO readings (series, measured_at, value, delay, marks, reason) VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
                )?;
                insert.execute(params![
                    id,
                    reading.measured_at.as_millis(),
                    reading.value,
                    (delay != 0).then_some(delay),
                    rows::marks(reading, row.quality),
                    (!row.reason.is_empty()).then_some(row.reason.as_str())
                ])?;
            }
            tx.prepare_cached("UPDATE record_hours SET pruned = 0, gone = '' WHERE hour = ?1")?.execute([hour.as_millis()])?;
            tx.commit()?;
            Ok(GivenBack::Proven)
        })
    }
}
