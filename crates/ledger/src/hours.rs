//! Hours of readings: which of them wait for a row with their root, and the roots themselves.
//!
//! Must never count an hour as on record while a stored reading of it is not under its root.

use std::collections::{BTreeMap, BTreeSet};

use pile::time::{Span, Timestamp};
use rusqlite::{Connection, params};
use seal::bundle::HOUR_KIND;
use seal::readings::{self, HOUR, HourTree};
use serde_json::json;
use site::reading::SeriesId;
use site::zone::rfc3339_millis;

use crate::days::{self, DamagedDay, Found};
use crate::error::Cause;
use crate::record::{self, RecordCheck};
use crate::record_end::End;
use crate::{chunk, read, rows};

/// How long after its end an hour is given its root: most readings that are on their way have come by then, and each that comes later
/// costs a row of its own.
const GRACE: Span = Span::minutes(10);
/// Hours that one commit gives their roots at the most; the others wait for the next commit, so that none takes long.
const AT_ONCE: usize = 24;

/// What `pruned` says of an hour of which some quantities were taken out.
const IN_PART: i64 = 2;

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

/// The hours that wait for a row, in milliseconds, as the ledger knows them.
#[derive(Debug, Default)]
pub(crate) struct Waiting {
    hours: BTreeSet<i64>,
    /// Hours that can have no root, because a day of them is damaged; the first damage that was met, in words.
    damaged: BTreeSet<i64>,
    damage: Option<String>,
    /// Nothing is due before.
    due_at: i64,
}

/// What a transaction does to the hours; counts once it is committed.
#[derive(Clone, Debug, Default)]
pub(crate) struct Change {
    touched: BTreeSet<i64>,
    done: Vec<i64>,
    damaged: BTreeSet<i64>,
    damage: Option<String>,
    due_at: Option<i64>,
}

impl Waiting {
    /// Those that an earlier process left.
    pub(crate) fn load(conn: &Connection) -> Result<Waiting, Cause> {
        let hours = rows::all(conn, "SELECT hour FROM record_hours WHERE touched = 1", [], |row| Ok(row.get(0)?))?;
        Ok(Waiting { hours: hours.into_iter().collect(), due_at: i64::MIN, ..Waiting::default() })
    }

    /// Takes over what was committed.
    pub(crate) fn take(&mut self, change: Change) {
        self.hours.extend(change.touched);
        for hour in change.done {
            self.hours.remove(&hour);
        }
        self.due_at = change.due_at.unwrap_or(self.due_at);
        self.damaged.extend(change.damaged);
        self.damage = self.damage.take().or(change.damage);
    }
}

/// How the record keeps up with the readings.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct RecordState {
    /// The newest hour of readings that is on record, its first millisecond.
    pub newest_hour: Option<Timestamp>,
    /// How many hours wait for their row, after their time.
    pub overdue: usize,
    /// The first of them.
    pub oldest_overdue: Option<Timestamp>,
    /// How many hours were found since the start that can have none, because stored readings of them are damaged.
    pub damaged: usize,
    /// The first damage that was found, with its series and day.
    pub damage: Option<String>,
}

/// How the record keeps up; an hour is overdue where it still waits so long after its row could have been written.
pub(crate) fn state(
    conn: &Connection,
    waiting: &Waiting,
    now: Timestamp,
    patience: Span,
) -> Result<RecordState, Cause> {
    let newest = "SELECT hour FROM record_hours WHERE row NOT NULL ORDER BY hour DESC LIMIT 1";
    let newest: Vec<i64> = rows::all(conn, newest, [], |row| Ok(row.get(0)?))?;
    let due = (HOUR + GRACE + patience).as_millis();
    // What comes late to an hour of long ago waits for the next look at all of them, as every other does.
    let looked = waiting.due_at.saturating_add(patience.as_millis()) <= now.as_millis();
    let overdue = || waiting.hours.iter().filter(|hour| looked && hour.saturating_add(due) <= now.as_millis());
    Ok(RecordState {
        newest_hour: newest.first().copied().map(Timestamp::from_millis),
        overdue: overdue().count(),
        oldest_overdue: overdue().next().copied().map(Timestamp::from_millis),
        damaged: waiting.damaged.len(),
        damage: waiting.damage.clone(),
    })
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
        head: &mut End,
        at: Timestamp,
    ) -> Result<(), Cause> {
        self.touched.retain(|hour| !waiting.hours.contains(hour));
        for hour in &self.touched {
            let mut touch = conn.prepare_cached(
                "INSERT INTO record_hours (hour, touched) VALUES (?1, 1) ON CONFLICT (hour) DO UPDATE SET touched = 1, pruned = 0, gone = ''",
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
                // Of an hour that cannot be read whole no root can be made; it waits, and is tried again after a restart.
                let damaged = seal_hour(conn, &series, head, at, *hour)?;
                days::tell(&damaged);
                if let Some(first) = damaged.first() {
                    self.damaged.insert(*hour);
                    self.damage.get_or_insert_with(|| first.to_string());
                }
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

/// What there is to prove of a span of hours.
#[derive(Debug, Default)]
pub(crate) struct Proven {
    /// The rows of the hours whose readings are all there and under a root.
    pub(crate) rows: Vec<HourRow>,
    /// The other hours that have readings, or had some.
    pub(crate) left_out: Vec<Timestamp>,
    /// Those of them of which readings were taken out after their time.
    pub(crate) taken_out: Vec<Timestamp>,
}

/// Hands every reading of the hours from `from` to before `to` that is under a root to `each`.
pub(crate) fn readings(
    conn: &Connection,
    from: Timestamp,
    to: Timestamp,
    each: &mut dyn FnMut(&str),
) -> Result<Proven, Cause> {
    let sql = "SELECT hour, row FROM record_hours WHERE hour >= ?1 AND hour < ?2 AND touched = 0 AND pruned = 0 AND row NOT NULL ORDER BY hour";
    let mut found = rows::told(conn, "record_hours", sql, params![from.as_millis(), to.as_millis()], |row| {
        let (hour, seq): (i64, i64) = (row.get(0)?, row.get(1)?);
        Ok(HourRow { hour: Timestamp::from_millis(hour), seq: seq.unsigned_abs(), text: record::text(conn, seq)? })
    })?;
    let taken_out = "SELECT hour FROM record_hours WHERE hour >= ?1 AND hour < ?2 AND pruned <> 0 ORDER BY hour";
    let taken_out = rows::all(conn, taken_out, params![from.as_millis(), to.as_millis()], |row| {
        Ok(Timestamp::from_millis(row.get(0)?))
    })?;
    let mut left_out: BTreeSet<Timestamp> = taken_out.iter().copied().collect();
    let last = Timestamp::from_millis(to.as_millis() - 1);
    // Looked at before: once a line is handed out it cannot be taken back.
    let damaged = damaged(conn, &series(conn)?, from, last)?;
    days::tell(&damaged);
    found.retain(|row| !is_within(row.hour, &damaged) || !left_out.insert(row.hour));
    let known: BTreeSet<Timestamp> = found.iter().map(|row| row.hour).collect();
    read::each_reading(conn, &series(conn)?, from, last, &mut |row| {
        let hour = readings::hour_of(row.reading.measured_at);
        if known.contains(&hour) {
            each(&readings::line(&row.reading, row.quality, &row.reason));
        } else {
            left_out.insert(hour);
        }
    })?;
    Ok(Proven { rows: found, left_out: left_out.into_iter().collect(), taken_out })
}

/// The packed days of a span that cannot be read.
fn damaged(
    conn: &Connection,
    series: &[(i64, SeriesId)],
    from: Timestamp,
    to: Timestamp,
) -> Result<Vec<DamagedDay>, Cause> {
    let mut out = Vec::new();
    for day in days::between(conn, from, to)? {
        for (id, series) in series {
            if let Found::Damaged { readings, why } = days::open(conn, *id, day)? {
                out.push(DamagedDay { series: series.clone(), day: chunk::begin_of(day), readings, why });
            }
        }
    }
    Ok(out)
}

/// Whether an hour is of one of these days.
fn is_within(hour: Timestamp, damaged: &[DamagedDay]) -> bool {
    damaged.iter().any(|d| chunk::day_of(hour.as_millis()) == chunk::day_of(d.day.as_millis()))
}

/// Computes every root again from what is stored.
pub(crate) fn check(conn: &Connection, check: &mut RecordCheck) -> Result<(), Cause> {
    check.pruned = conn
        .query_row("SELECT count(*) FROM record_hours WHERE pruned = 1", [], |row| row.get::<_, i64>(0))?
        .unsigned_abs();
    let sql =
        "SELECT hour, row, pruned FROM record_hours WHERE touched = 0 AND pruned <> 1 AND row NOT NULL ORDER BY hour";
    let mut over = Vec::new();
    let read = |row: &rusqlite::Row<'_>| Ok((row.get(0)?, row.get(1)?, row.get(2)?));
    let sealed: Vec<(i64, i64, i64)> = rows::readable(conn, "record_hours", sql, [], read, &mut over)?;
    over.iter()
        .for_each(|p| check.fault(format!("hour {}: which row holds its root cannot be read: {}", p.row, p.why)));
    let series = series(conn)?;
    // Week by week: an hour by itself costs a search in every series.
    for part in sealed.chunks(168) {
        let (Some((first, ..)), Some((last, ..))) = (part.first(), part.last()) else { continue };
        let mut trees: BTreeMap<i64, HourTree> = BTreeMap::new();
        let last = Timestamp::from_millis(*last) + HOUR - Span::millis(1);
        let damaged = read::each_reading(conn, &series, Timestamp::from_millis(*first), last, &mut |row| {
            let hour = readings::hour_of(row.reading.measured_at).as_millis();
            trees.entry(hour).or_default().push(&readings::line(&row.reading, row.quality, &row.reason));
        })?;
        damaged.iter().for_each(|day| check.fault(format!("{day}; the roots of its hours cannot be computed again")));
        for (hour, seq, pruned) in part {
            let tree = trees.remove(hour).unwrap_or_default();
            let name = rfc3339_millis(Timestamp::from_millis(*hour));
            if is_within(Timestamp::from_millis(*hour), &damaged) {
                continue;
            }
            let body = record::hour_body(&record::text(conn, *seq)?).unwrap_or_default();
            let is_of_hour = body["hour"].as_str() == Some(name.as_str());
            if *pruned == IN_PART {
                let were = body["readings"].as_u64().unwrap_or(0);
                check.partly.hours += 1;
                check.partly.left += tree.readings();
                check.partly.were += were;
                if !is_of_hour || tree.readings() > were {
                    check.fault(format!(
                        "hour {name}: readings of it were taken out after their time, and {} are there where row {seq} says that it had {}; \
                         one was added past the program",
                        tree.readings(),
                        body["readings"]
                    ));
                }
                continue;
            }
            let holds = is_of_hour
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

/// Writes the row of an hour; names the earlier one where late readings came after it. Where a day of the hour is damaged nothing is
/// written, and that day is given.
fn seal_hour(
    conn: &Connection,
    series: &[(i64, SeriesId)],
    head: &mut End,
    at: Timestamp,
    hour: i64,
) -> Result<Vec<DamagedDay>, Cause> {
    let from = Timestamp::from_millis(hour);
    let mut tree = HourTree::default();
    let damaged = read::each_reading(conn, series, from, from + HOUR - Span::millis(1), &mut |row| {
        tree.push(&readings::line(&row.reading, row.quality, &row.reason));
    })?;
    if !damaged.is_empty() {
        return Ok(damaged);
    }
    let mut earlier = conn.prepare_cached("SELECT row FROM record_hours WHERE hour = ?1")?;
    // What is no number there names no row.
    let earlier: Option<i64> = earlier.query_row([hour], |row| Ok(row.get(0).unwrap_or_default()))?;
    let mut body = json!({ "hour": rfc3339_millis(from), "readings": tree.readings(), "root": tree.root().to_hex() });
    if let Some(earlier) = earlier {
        body["amends"] = json!(earlier);
    }
    record::append(conn, head, at, HOUR_KIND, &body)?;
    let mut done = conn.prepare_cached("UPDATE record_hours SET row = ?2, touched = 0 WHERE hour = ?1")?;
    done.execute(params![hour, rows::key(head.next())? - 1])?;
    Ok(damaged)
}

/// Every series in the order of the record, which is that of its words.
fn series(conn: &Connection) -> Result<Vec<(i64, SeriesId)>, Cause> {
    let mut series = rows::series_ids(conn)?;
    series.sort_by(|(_, a), (_, b)| readings::series_words(a).cmp(&readings::series_words(b)));
    Ok(series)
}
