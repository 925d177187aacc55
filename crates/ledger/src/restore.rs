//! Gathers what the engine needs after a restart.
//!
//! Must never hand out a reading that is not good: windows hold good ones only.

use std::collections::BTreeMap;

use engine::restore::{PassedOver, Restored};
use pile::time::{Span, Timestamp};
use pile::window::{Point, Window};
use rusqlite::{Connection, params};
use site::bounds;
use site::reading::SeriesId;
use site::zone::IsoWeek;

use crate::days::{self, Packed};
use crate::error::Cause;
use crate::numbers::highest;
use crate::{Ledger, LedgerError, arrivals, chunk, record_end, rows, runs, set_aside};

/// Raise events and times off are given back for this long, a day more than the weekly summary covers.
const SUMMARY_REACH: Span = Span::days(8);
/// Entries are given back for this long, and since the on-air of the bin's newest batch.
const REPORT_REACH: Span = Span::days(60);
/// How far ahead of our clock a reading may be and still be of the present: as far as a probe's clock may be ahead.
const AHEAD: Span = engine::limits::DEVICE_AHEAD_MOST;
/// The entries of this long before now are given back whatever batch they are of.
const ENTRY_REACH: Span = Span::days(30);

/// Where numbers go on when nobody can say which were given, because the table is damaged: past all that any site has.
const PAST_DAMAGE: u64 = 1 << 40;

impl Ledger {
    /// What the engine needs to go on at `now`, with windows that reach back by `window`. May be called before or after
    /// [`Ledger::begin_run`]; either way the run that began here is not the previous one.
    ///
    /// # Errors
    /// [`LedgerError`] when the ledger cannot be read.
    pub fn restore(&self, now: Timestamp, window: Span) -> Result<Restored, LedgerError> {
        self.reading("reading the state back", |conn| {
            let mut over = Vec::new();
            rows::readable_series(conn, &mut over)?;
            let (previous, off) = runs::before(conn, self.run, self.access, now, now - SUMMARY_REACH)?;
            over.extend(record_end::passed_over(conn, &self.head)?);
            set_aside::passed_over(conn, now, &mut over)?;
            over.extend(self.made_anew.iter().map(|table| PassedOver {
                table: table.clone(),
                row: 0,
                bin: None,
                why: "the table was missing and was made anew, empty; put a backup back with `hypocaust store restore`".into(),
            }));
            let last = |table: &str| match highest(conn, table) {
                Err(cause) if cause.is_permanent() => Ok(PAST_DAMAGE),
                last => last,
            };
            let life = rows::life(conn)?;
            let summary = "SELECT year, week FROM summaries ORDER BY year DESC, week DESC LIMIT 1";
            let week = |row: &rusqlite::Row<'_>| Ok(IsoWeek { year: row.get(0)?, week: row.get(1)? });
            let weeks = rows::readable(conn, "summaries", summary, [], week, &mut over)?;
            let days = "SELECT day FROM round_lists ORDER BY day DESC LIMIT 1";
            let days = rows::readable(conn, "round_lists", days, [], rows::day, &mut over)?;
            let mut restored = Restored {
                // One that somebody wrote by hand is as good as another: it only makes Message-IDs differ.
                life: u32::try_from(life & i64::from(u32::MAX)).unwrap_or_default(),
                alarms: rows::readable(
                    conn, "alarms", &format!("SELECT {} FROM alarms ORDER BY id", rows::ALARM), [], rows::alarm, &mut over)?,
                events: rows::readable(
                    conn, "alarm_events",
                    &format!(
                        "SELECT {} FROM alarm_events WHERE at >= ?1 AND kind IN ('raised', 'acknowledged') ORDER BY at, id",
                        rows::ALARM_EVENT
                    ),
                    [(now - SUMMARY_REACH).as_millis()],
                    rows::alarm_event,
                    &mut over,
                )?,
                mails: rows::readable(
                    conn, "outbox",
                    // A notice is one JSON object whose only key is its kind.
                    "SELECT created_at, recipient FROM outbox WHERE created_at >= ?1
                     AND (notice LIKE '{\"alarm\"%' OR notice LIKE '{\"flood\"%') ORDER BY id",
                    [(now - SUMMARY_REACH).as_millis()],
                    |row| Ok((Timestamp::from_millis(row.get(0)?), row.get(1)?)),
                    &mut over,
                )?,
                batches: rows::readable(
                    conn, "batches",
                    &format!("SELECT {} FROM batches WHERE gone_at IS NULL OR typeof(gone_at) <> 'integer' ORDER BY id", rows::BATCH),
                    [],
                    rows::batch,
                    &mut over,
                )?,
                last_alarm: last("alarms")?,
                last_batch: last("batches")?,
                last_entry: last("entries")?,
                entries: rows::readable(
                    conn, "entries",
                    &format!(
                        "SELECT {} FROM entries e LEFT JOIN batches b
                         ON b.id = (SELECT max(id) FROM batches WHERE bin = e.bin AND gone_at IS NULL)
                         WHERE e.at >= ?1 OR e.batch = b.id OR e.at >= b.in_bin_since OR typeof(e.at) <> 'integer' ORDER BY e.id",
                        rows::ENTRY
                    ),
                    [(now - ENTRY_REACH).as_millis()],
                    rows::entry,
                    &mut over,
                )?,
                log: {
                    // What cannot be read is told of where it is needed.
                    let mut newest = rows::readable(
                        conn, "entries",
                        &format!(
                            "WITH here AS (SELECT id, value AS parent FROM batches
                             LEFT JOIN json_each(CASE WHEN json_valid(parents) THEN parents ELSE '[]' END) WHERE gone_at IS NULL)
                             SELECT {} FROM entries e WHERE e.id IN (SELECT id FROM entries ORDER BY id DESC LIMIT ?1)
                             OR e.batch IN (SELECT id FROM here UNION SELECT parent FROM here) ORDER BY e.id DESC",
                            rows::ENTRY
                        ),
                        [i64::try_from(engine::limits::LOG_KEPT).unwrap_or(i64::MAX)],
                        rows::entry,
                        &mut Vec::new(),
                    )?;
                    newest.reverse();
                    newest
                },
                about_probes: rows::readable(
                    conn, "entries",
                    &format!(
                        "SELECT {} FROM entries e WHERE kind IN ('calibrated', 'placed', 'corrected') ORDER BY e.id",
                        rows::ENTRY
                    ),
                    [],
                    rows::entry,
                    &mut over,
                )?,
                waiting: rows::readable(
                    conn, "outbox",
                    &format!("SELECT {} FROM outbox WHERE state = 'waiting' ORDER BY id", rows::MAIL),
                    [],
                    rows::mail,
                    &mut over,
                )?,
                last_mail: last("outbox")?,
                last_summary: weeks.into_iter().next(),
                last_round_list: days.into_iter().next(),
                previous,
                off,
                results: rows::results(rows::readable(
                    conn,
                    "results",
                    &format!(
                        "SELECT {} FROM results WHERE batch IN (SELECT id FROM batches WHERE gone_at IS NULL) OR typeof(batch) <> 'integer'
                         ORDER BY batch, place",
                        rows::RESULT
                    ),
                    [],
                    rows::result,
                    &mut over,
                )?),
                reports: rows::readable(
                    conn, "reports",
                    "SELECT year, week, at, amended, reviewed_by, reviewed_at, outside_at FROM reports WHERE at >= ?1 ORDER BY at",
                    [(now - REPORT_REACH).as_millis()],
                    rows::report,
                    &mut over,
                )?,
                water: rows::readable(
                    conn, "water", "SELECT bin, batch, at, account FROM water ORDER BY bin", [], rows::water, &mut over)?,
                windows: windows(conn, now, window, &mut over)?,
                first_reading: first_reading(conn)?,
                passed_over: Vec::new(),
            };
            over.sort_by(|a, b| (&a.table, a.row).cmp(&(&b.table, b.row)));
            over.dedup();
            restored.passed_over = over;
            Ok(restored)
        })
    }
}

/// The readings of a table that are passed over, as one; `first` says what is wrong with the first of them.
fn unreadable(table: &str, many: u64, first: Option<String>, over: &mut Vec<PassedOver>) {
    let Some(first) = first else { return };
    let why = format!("{many} of the readings cannot be read and are not judged; the first: {first}");
    over.push(PassedOver { table: table.to_owned(), row: 0, bin: None, why });
}

/// When the oldest reading was measured that the calendar has a date for.
fn first_reading(conn: &Connection) -> Result<Option<Timestamp>, Cause> {
    let span = [bounds::EARLIEST.as_millis(), bounds::LATEST.as_millis()];
    let of =
        |sql: &str, params: [i64; 2]| conn.prepare_cached(sql)?.query_row(params, |row| row.get::<_, Option<i64>>(0));
    let mut first = of("SELECT min(measured_at) FROM arrivals WHERE measured_at BETWEEN ?1 AND ?2", span)?;
    // One look for each series; a single query would walk the whole history.
    let mut oldest = conn
        .prepare_cached("SELECT min(measured_at) FROM readings WHERE series = ?3 AND measured_at BETWEEN ?1 AND ?2")?;
    for (id, _) in rows::series_ids(conn)? {
        let at: Option<i64> = oldest.query_row([span[0], span[1], id], |row| row.get(0))?;
        first = [first, at].into_iter().flatten().min();
    }
    let packed = of("SELECT min(id) FROM chunks WHERE id BETWEEN ?1 AND ?2", span.map(days::first_key_of))?;
    let packed = packed.map(|key| chunk::first_of(days::of_key(key).1));
    Ok([first, packed].into_iter().flatten().min().map(Timestamp::from_millis))
}

/// Windows over the good readings of the span before `now`, by series; series without any are left out. Readings of after `now` are left out
/// too: they are there when the clock was ahead once, and beside them all that comes in would count as late.
fn windows(
    conn: &Connection,
    now: Timestamp,
    reach: Span,
    over: &mut Vec<PassedOver>,
) -> Result<Vec<(SeriesId, Window)>, Cause> {
    let from = now - reach;
    let mut lately: BTreeMap<i64, Vec<Point>> = BTreeMap::new();
    let mut query = conn.prepare_cached(
        "SELECT series, measured_at, value FROM arrivals WHERE measured_at BETWEEN ?1 AND ?2
         AND (marks IS NULL OR marks & 3 = 0) ORDER BY measured_at",
    )?;
    let to = now + AHEAD;
    let packed_days = days::between(conn, from, to)?;
    let mut found = query.query([from.as_millis(), to.as_millis()])?;
    let mut unread = Unread::default();
    while let Some(row) = found.next()? {
        if let Some((series, point)) = unread.unless(of_arrival(row))? {
            lately.entry(series).or_default().push(point);
        }
    }
    // Those with a time that is none are in no span.
    unread.many = arrivals::unfit(conn)?;
    unread.first =
        unread.first.or_else(|| (unread.many > 0).then(|| "a column of it holds what it never should".into()));
    unread.tell("arrivals", over);
    let mut unread = Unread::default();
    let mut timeless = conn.prepare_cached("SELECT count(*) FROM readings WHERE series = ?1 AND measured_at > ?2")?;
    let mut out = Vec::new();
    // One short range of the primary key for each series; a single query over all of them would have to walk the whole history.
    for (id, series) in rows::series_ids(conn)? {
        let none: i64 = timeless.query_row([id, i64::MAX], |row| row.get(0))?;
        if none > 0 {
            unread.many += none.unsigned_abs();
            unread.first.get_or_insert_with(|| format!("{series}: its time is no whole number"));
        }
        let mut window = Window::new(reach);
        let kept = [settled(conn, id, from, to, &mut unread)?, packed(conn, (id, &series), (from, to), &packed_days)?]
            .concat();
        for point in in_order(kept, lately.remove(&id).unwrap_or_default()) {
            if point.value.is_finite() {
                window.absorb(point);
            }
        }
        if !window.is_empty() {
            window.shrink();
            out.push((series, window));
        }
    }
    unread.tell("readings", over);
    Ok(out)
}

/// Series and point of a row of `arrivals`.
fn of_arrival(row: &rusqlite::Row<'_>) -> Result<(i64, Point), Cause> {
    Ok((row.get(0)?, Point { at: Timestamp::from_millis(row.get(1)?), value: row.get(2)? }))
}

/// Readings that cannot be read.
#[derive(Debug, Default)]
struct Unread {
    many: u64,
    first: Option<String>,
}

impl Unread {
    /// What was read, or nothing where that is the fault of one row.
    fn unless<T>(&mut self, read: Result<T, Cause>) -> Result<Option<T>, Cause> {
        match read {
            Ok(value) => Ok(Some(value)),
            Err(cause) => {
                let why = cause.of_one_row()?;
                self.many += 1;
                self.first.get_or_insert(why);
                Ok(None)
            }
        }
    }

    fn tell(self, table: &str, over: &mut Vec<PassedOver>) {
        unreadable(table, self.many, self.first, over);
    }
}

/// Good readings of one series in a span of time, ends included, oldest first.
pub(crate) fn range(
    conn: &Connection,
    (series, name): (i64, &SeriesId),
    from: Timestamp,
    to: Timestamp,
) -> Result<Vec<Point>, Cause> {
    let lately = rows::told(
        conn,
        "arrivals",
        "SELECT measured_at, value FROM arrivals WHERE measured_at BETWEEN ?2 AND ?3 AND series = ?1
         AND (marks IS NULL OR marks & 3 = 0) ORDER BY measured_at",
        params![series, from.as_millis(), to.as_millis()],
        |row| Ok(Point { at: Timestamp::from_millis(row.get(0)?), value: row.get(1)? }),
    )?;
    let packed = packed(conn, (series, name), (from, to), &days::between(conn, from, to)?)?;
    let mut unread = Unread::default();
    let settled = settled(conn, series, from, to, &mut unread)?;
    if let Some(first) = unread.first {
        tracing::warn!("{} readings of {name} cannot be read and are passed over; the first: {first}", unread.many);
    }
    Ok(in_order([packed, settled].concat(), lately))
}

/// The part of a range that is packed, its damaged days told in the log and passed over.
fn packed(
    conn: &Connection,
    series: (i64, &SeriesId),
    span: (Timestamp, Timestamp),
    days: &[i64],
) -> Result<Vec<Point>, Cause> {
    let mut points = Vec::new();
    let mut packed = Packed::new(conn, series, span, days);
    while let Some((day, place)) = packed.advance()? {
        if let Some((at, value, _, marks, _)) = day.get(place)
            && marks & 3 == 0
        {
            points.push(Point { at: Timestamp::from_millis(at), value });
        }
    }
    days::tell(&packed.damaged());
    Ok(points)
}

/// The part of a range that was carried over.
fn settled(
    conn: &Connection,
    series: i64,
    from: Timestamp,
    to: Timestamp,
    unread: &mut Unread,
) -> Result<Vec<Point>, Cause> {
    // The last condition means quality good; see `marks` in the layout.
    let mut query = conn.prepare_cached(
        "SELECT measured_at, value FROM readings WHERE series = ?1 AND measured_at BETWEEN ?2 AND ?3
         AND (marks IS NULL OR marks & 3 = 0) ORDER BY measured_at",
    )?;
    let mut rows = query.query(params![series, from.as_millis(), to.as_millis()])?;
    let mut points = Vec::new();
    while let Some(row) = rows.next()? {
        let point = || Ok(Point { at: Timestamp::from_millis(row.get(0)?), value: row.get(1)? });
        points.extend(unread.unless(point())?);
    }
    Ok(points)
}

/// Two runs in order to one. Late readings may lie among those carried over, so that appending is not enough.
fn in_order(mut settled: Vec<Point>, lately: Vec<Point>) -> Vec<Point> {
    settled.extend(lately);
    settled.sort_by_key(|point| point.at);
    settled
}
