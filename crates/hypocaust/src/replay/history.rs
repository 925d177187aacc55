//! Where a replay gets its history from: the site's store, or files; a day at a time.
//!
//! Must never hold more of a store's readings in memory than a day's, and those that came in late.

use engine::input::MachineClock;
use ledger::{Access, Ledger, LedgerError, ReadingFilter, Run};
use pile::time::{Span, Timestamp};
use pile::window::Point;
use site::bounds;
use site::entry::Entry;
use site::reading::{Reading, SeriesId, TimeSource};

use crate::recording::machine_clock;

/// Recorded or imported history.
#[derive(Debug)]
pub(crate) struct History {
    source: Source,
    /// Entries with the times at which they were written down, in that order.
    pub(crate) entries: Vec<(Timestamp, Entry)>,
    /// The daemon's runs, where they are on record.
    pub(crate) runs: Vec<Run>,
    /// How the machine's clock stood beside the daemon's, and when it was told.
    pub(crate) clock: Vec<(Timestamp, MachineClock)>,
    /// The oldest and the newest reading.
    pub(crate) span: Option<(Timestamp, Timestamp)>,
}

#[derive(Debug)]
enum Source {
    Store(Box<Ledger>),
    Files(Imported),
}

/// Readings of a file, small in memory.
#[derive(Debug, Default)]
pub(crate) struct Imported {
    /// Series, named by their place here.
    pub(crate) series: Vec<SeriesId>,
    /// When, which series, what; sorted by all but the last.
    pub(crate) rows: Vec<(Timestamp, u32, f64)>,
}

impl History {
    /// The history in the store of a site.
    pub(crate) fn of_store(folder: &std::path::Path) -> Result<History, LedgerError> {
        let ledger = Ledger::open(folder, Access::Read)?;
        // Nobody lived through a moment that the calendar does not have; to live it again would take as long.
        let lived = bounds::is_of_calendar;
        let entries = ledger.recorded_entries()?.into_iter().filter(|e| lived(e.recorded_at));
        Ok(History {
            entries: entries.map(|e| (e.recorded_at, e.entry)).collect(),
            runs: ledger.runs()?.into_iter().filter(|r| lived(r.started_at) && lived(r.last_alive)).collect(),
            clock: ledger
                .rows_of(&["clock.step"], Timestamp::MIN, Timestamp::MAX)?
                .iter()
                .filter(|row| lived(row.at) && row.body["told"].as_bool() == Some(true))
                .map(|row| (row.at, machine_clock(row.body["behind_ms"].as_i64())))
                .collect(),
            span: ledger.span()?,
            source: Source::Store(Box::new(ledger)),
        })
    }

    /// The history of files.
    pub(crate) fn of_files(mut imported: Imported, mut entries: Vec<Entry>) -> History {
        // By value too, so that the order of rows says nothing; the same row twice is one.
        imported.rows.sort_by(|a, b| (a.0, a.1).cmp(&(b.0, b.1)).then_with(|| a.2.total_cmp(&b.2)));
        imported.rows.dedup_by(|a, b| (a.0, a.1) == (b.0, b.1) && a.2 == b.2);
        entries.sort_by_key(|e| e.at);
        History {
            span: imported.rows.first().zip(imported.rows.last()).map(|(a, b)| (a.0, b.0)),
            entries: entries.into_iter().map(|e| (e.at, e)).collect(),
            runs: Vec::new(),
            clock: Vec::new(),
            source: Source::Files(imported),
        }
    }

    /// Adds the readings measured in a span of time, the later end left out.
    pub(crate) fn measured(&self, from: Timestamp, to: Timestamp, into: &mut Vec<Reading>) -> Result<(), LedgerError> {
        match &self.source {
            Source::Store(ledger) => {
                let last = to - Span::millis(1);
                let filter = ReadingFilter { from: Some(from), to: Some(last), ..ReadingFilter::default() };
                ledger.readings(&filter, &mut |row| into.push(row.reading))
            }
            Source::Files(imported) => {
                // As in the store, one of two values for one instant stays: whatever the order of rows, the lowest.
                let rows: Vec<_> = imported.between(from, to).collect();
                let first = rows.chunk_by(|a, b| (a.0, a.1) == (b.0, b.1)).filter_map(|same| same.first());
                into.extend(first.map(|(at, series, value)| Reading {
                    series: imported.series[*series as usize].clone(),
                    measured_at: *at,
                    received_at: *at,
                    value: *value,
                    time_source: TimeSource::Device,
                    retained: false,
                }));
                Ok(())
            }
        }
    }

    /// The readings of one series that had come in by `until`, both ends included; of files all values of an instant, the lowest first.
    pub(crate) fn of_series(
        &self,
        series: &SeriesId,
        from: Timestamp,
        until: Timestamp,
    ) -> Result<Vec<Point>, LedgerError> {
        let mut points = Vec::new();
        match &self.source {
            Source::Store(ledger) => {
                let filter = ReadingFilter {
                    sources: vec![series.source.clone()],
                    quantity: Some(series.quantity),
                    from: Some(from),
                    to: Some(until),
                };
                ledger.readings(&filter, &mut |row| {
                    if row.reading.received_at <= until {
                        points.push(Point { at: row.reading.measured_at, value: row.reading.value });
                    }
                })?;
            }
            Source::Files(imported) => {
                let Some(place) = imported.series.iter().position(|s| s == series) else { return Ok(points) };
                let rows = imported.between(from, until + Span::millis(1));
                points.extend(
                    rows.filter(|(_, s, _)| *s as usize == place)
                        .map(|(at, _, value)| Point { at: *at, value: *value }),
                );
            }
        }
        Ok(points)
    }
}

impl Imported {
    fn between(&self, from: Timestamp, to: Timestamp) -> impl Iterator<Item = &(Timestamp, u32, f64)> {
        let place = |limit: Timestamp| self.rows.partition_point(|(at, ..)| *at < limit);
        self.rows[place(from)..place(to).max(place(from))].iter()
    }
}
