//! Hours of readings: which of them wait for a row with their root, and the roots themselves.
//!
//! Must never count an hour as on record while a stored reading of it is not under its root.

use std::collections::{BTreeMap, BTreeSet};

use pile::time::{Span, Timestamp};
use rusqlite::{Connection, params};
use seal::bundle::HOUR_KIND;
use seal::readings::{self, HOUR, HourTree};
use seal::row::Head;
use serde_json::json;
use site::reading::SeriesId;
use site::zone::rfc3339_millis;

use crate::error::Cause;
use crate::record::{self, RecordCheck};
use crate::{read, rows};

/// How long after its end an hour is given its root: most readings that are on their way have come by then, and each that comes later
/// costs a row of its own.
const GRACE: Span = Span::minutes(10);
/// Hours that one commit gives their roots at the most; the others wait for the next commit, so that none takes long.
const AT_ONCE: usize = 24;

/// The row with the root of an hour.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct HourRow {
    /// The hour, its first millisecond.
    pub hour: Timestamp,
    /// The row's number.
    pub seq: u64,
    /// The row.
    pub text: String,
}

/// Readings that were taken out after their time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Pruned {
    /// How many hours.
    pub hours: usize,
    /// How many readings.
    pub readings: usize,
    /// The first millisecond of the first hour.
    pub from: Timestamp,
    /// The end of the last one.
    pub to: Timestamp,
}

/// The hours that wait for a row, in milliseconds, as the ledger knows them.
#[derive(Debug, Default)]
pub(crate) struct Waiting {
    hours: BTreeSet<i64>,
    /// Nothing is due before.
    due_at: i64,
}

/// What a transaction does to the hours; counts once it is committed.
#[derive(Debug, Default)]
pub(crate) struct Change {
    touched: BTreeSet<i64>,
    done: Vec<i64>,
    due_at: Option<i64>,
}

impl Waiting {
    /// Those that an earlier process left.
    pub(crate) fn load(conn: &Connection) -> Result<Waiting, Cause> {
        let hours = rows::all(conn, "SELECT hour FROM record_hours WHERE touched = 1", [], |row| Ok(row.get(0)?))?;
        Ok(Waiting { hours: hours.into_iter().collect(), due_at: i64::MIN })
    }

    /// Takes over what was committed.
    pub(crate) fn take(&mut self, change: Change) {
        self.hours.extend(change.touched);
        for hour in change.done {
            self.hours.remove(&hour);
        }
        self.due_at = change.due_at.unwrap_or(self.due_at);
    }
}

impl Change {
    /// A reading of this instant was stored.
    pub(crate) fn touch(&mut self, measured_at: Timestamp) {
        self.touched.insert(readings::hour_of(measured_at).as_millis());
    }

    /// Writes down which hours were touched, and the rows of those that are over, if it is time to look.
    pub(crate) fn write(
        &mut self,
        conn: &Connection,
        waiting: &Waiting,
        head: &mut Head,
        at: Timestamp,
    ) -> Result<(), Cause> {
        self.touched.retain(|hour| !waiting.hours.contains(hour));
        for hour in &self.touched {
            let mut touch = conn.prepare_cached(
                "INSERT INTO record_hours (hour, touched) VALUES (?1, 1) ON CONFLICT (hour) DO UPDATE SET touched = 1, pruned = 0",
            )?;
            touch.execute([hour])?;
        }
        let now = at.as_millis();
        if now < waiting.due_at {
            return Ok(());
        }
        let is_over = |hour: &&i64| hour.saturating_add((HOUR + GRACE).as_millis()) <= now;
        let all: BTreeSet<i64> = waiting.hours.union(&self.touched).copied().collect();
        let over: Vec<i64> = all.iter().filter(is_over).copied().take(AT_ONCE).collect();
        if !over.is_empty() {
            let series = series(conn)?;
            for hour in &over {
                seal_hour(conn, &series, head, at, *hour)?;
            }
        }
        // Late readings of past hours are gathered for an hour too, so that a slow backlog does not cost a row for each of them.
        let more = over.len() == AT_ONCE;
        let next = readings::hour_of(at - GRACE) + HOUR + GRACE;
        self.due_at = Some(if more { i64::MIN } else { next.as_millis() });
        self.done = over;
        Ok(())
    }
}

/// Hands every reading of the hours from `from` to before `to` that is under a root to `each`; gives the rows of those hours, and the hours
/// whose readings are not all under one.
pub(crate) fn readings(
    conn: &Connection,
    from: Timestamp,
    to: Timestamp,
    each: &mut dyn FnMut(&str),
) -> Result<(Vec<HourRow>, Vec<Timestamp>), Cause> {
    let sql = "SELECT hour, row FROM record_hours WHERE hour >= ?1 AND hour < ?2 AND touched = 0 AND pruned = 0 AND row NOT NULL ORDER BY hour";
    let found = rows::all(conn, sql, params![from.as_millis(), to.as_millis()], |row| {
        let (hour, seq): (i64, i64) = (row.get(0)?, row.get(1)?);
        Ok(HourRow { hour: Timestamp::from_millis(hour), seq: seq.unsigned_abs(), text: record::text(conn, seq)? })
    })?;
    let known: BTreeSet<Timestamp> = found.iter().map(|row| row.hour).collect();
    let pruned = "SELECT hour FROM record_hours WHERE hour >= ?1 AND hour < ?2 AND pruned = 1";
    let pruned = rows::all(conn, pruned, params![from.as_millis(), to.as_millis()], |row| Ok(row.get::<_, i64>(0)?))?;
    let mut left_out: BTreeSet<Timestamp> = pruned.into_iter().map(Timestamp::from_millis).collect();
    let last = Timestamp::from_millis(to.as_millis() - 1);
    read::each_reading(conn, &series(conn)?, from, last, &mut |row| {
        let hour = readings::hour_of(row.reading.measured_at);
        if known.contains(&hour) {
            each(&readings::line(&row.reading, row.quality, &row.reason));
        } else {
            left_out.insert(hour);
        }
    })?;
    Ok((found, left_out.into_iter().collect()))
}

/// Computes every root again from what is stored.
pub(crate) fn check(conn: &Connection, check: &mut RecordCheck) -> Result<(), Cause> {
    check.pruned = conn
        .query_row("SELECT count(*) FROM record_hours WHERE pruned = 1", [], |row| row.get::<_, i64>(0))?
        .unsigned_abs();
    let sql = "SELECT hour, row FROM record_hours WHERE touched = 0 AND pruned = 0 AND row NOT NULL ORDER BY hour";
    let sealed: Vec<(i64, i64)> = rows::all(conn, sql, [], |row| Ok((row.get(0)?, row.get(1)?)))?;
    let series = series(conn)?;
    // Week by week: an hour by itself costs a search in every series.
    for part in sealed.chunks(168) {
        let (Some((first, _)), Some((last, _))) = (part.first(), part.last()) else { continue };
        let mut trees: BTreeMap<i64, HourTree> = BTreeMap::new();
        let last = Timestamp::from_millis(*last) + HOUR - Span::millis(1);
        read::each_reading(conn, &series, Timestamp::from_millis(*first), last, &mut |row| {
            let hour = readings::hour_of(row.reading.measured_at).as_millis();
            trees.entry(hour).or_default().push(&readings::line(&row.reading, row.quality, &row.reason));
        })?;
        for (hour, seq) in part {
            let tree = trees.remove(hour).unwrap_or_default();
            let name = rfc3339_millis(Timestamp::from_millis(*hour));
            let body = record::hour_body(&record::text(conn, *seq)?).unwrap_or_default();
            let holds = body["hour"].as_str() == Some(name.as_str())
                && body["readings"].as_u64() == Some(tree.readings())
                && body["root"].as_str() == Some(tree.root().to_hex().as_str());
            if !holds {
                check.fault(format!(
                    "hour {name}: its {} stored readings have the root {}, row {seq} says {} readings and {}; one was changed, added or taken \
                     out past the program",
                    tree.readings(),
                    tree.root(),
                    body["readings"],
                    body["root"]
                ));
            }
            check.hours += 1;
        }
    }
    Ok(())
}

/// Takes out the readings of some of the oldest hours that end at or before `before`, each of which has its root on record; gives how many
/// hours and readings that were, and from when to when.
pub(crate) fn prune(conn: &Connection, before: Timestamp) -> Result<Option<Pruned>, Cause> {
    let sql = "SELECT hour FROM record_hours WHERE hour <= ?1 AND touched = 0 AND pruned = 0 AND row NOT NULL ORDER BY hour LIMIT ?2";
    let last = (before - HOUR).as_millis();
    let hours = rows::all(conn, sql, params![last, AT_ONCE as i64], |row| Ok(row.get::<_, i64>(0)?))?;
    let (Some(first), Some(last)) = (hours.first().copied(), hours.last().copied()) else { return Ok(None) };
    let mut readings = 0;
    // By series, because the key begins with it.
    for (id, _) in series(conn)? {
        let mut delete =
            conn.prepare_cached("DELETE FROM readings WHERE series = ?1 AND measured_at BETWEEN ?2 AND ?3")?;
        for hour in &hours {
            readings += delete.execute(params![id, hour, hour + HOUR.as_millis() - 1])?;
        }
    }
    for hour in &hours {
        let end = hour + HOUR.as_millis() - 1;
        readings += conn.execute("DELETE FROM arrivals WHERE measured_at BETWEEN ?1 AND ?2", [*hour, end])?;
        conn.execute("UPDATE record_hours SET pruned = 1 WHERE hour = ?1", [hour])?;
    }
    Ok(Some(Pruned {
        hours: hours.len(),
        readings,
        from: Timestamp::from_millis(first),
        to: Timestamp::from_millis(last) + HOUR,
    }))
}

/// Writes the row of an hour; names the earlier one where late readings came after it.
fn seal_hour(
    conn: &Connection,
    series: &[(i64, SeriesId)],
    head: &mut Head,
    at: Timestamp,
    hour: i64,
) -> Result<(), Cause> {
    let from = Timestamp::from_millis(hour);
    let mut tree = HourTree::default();
    read::each_reading(conn, series, from, from + HOUR - Span::millis(1), &mut |row| {
        tree.push(&readings::line(&row.reading, row.quality, &row.reason));
    })?;
    let mut earlier = conn.prepare_cached("SELECT row FROM record_hours WHERE hour = ?1")?;
    let earlier: Option<i64> = earlier.query_row([hour], |row| row.get(0))?;
    let mut body = json!({ "hour": rfc3339_millis(from), "readings": tree.readings(), "root": tree.root().to_hex() });
    if let Some(earlier) = earlier {
        body["amends"] = json!(earlier);
    }
    record::append(conn, head, at, HOUR_KIND, &body)?;
    let mut done = conn.prepare_cached("UPDATE record_hours SET row = ?2, touched = 0 WHERE hour = ?1")?;
    done.execute(params![hour, rows::key(head.next)? - 1])?;
    Ok(())
}

/// Every series in the order of the record, which is that of its words.
fn series(conn: &Connection) -> Result<Vec<(i64, SeriesId)>, Cause> {
    let mut series = rows::series_ids(conn)?;
    series.sort_by(|(_, a), (_, b)| readings::series_words(a).cmp(&readings::series_words(b)));
    Ok(series)
}
