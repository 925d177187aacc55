//! The table of packed days: found, opened with its checksum looked at, written, and merged with what came in later.
//!
//! Must never hand out readings of a chunk whose checksum does not hold, and never keep the other days from being read for its sake.

use std::fmt;

use pile::time::Timestamp;
use rusqlite::{Connection, OptionalExtension, params};
use seal::merkle::sha256;
use site::reading::SeriesId;
use site::zone::rfc3339_millis;

use crate::chunk::{self, DAY, Day};
use crate::error::Cause;
use crate::{ReadingRow, rows};

/// Bits of a key that are the number of the series.
const SERIES_BITS: u32 = 24;
/// The highest number of a series whose days are packed.
pub(crate) const SERIES_MOST: i64 = (1 << SERIES_BITS) - 1;
/// Bytes of the SHA-256 that are kept as the checksum: enough against chance, and the roots on record are there against everything else.
const CHECKSUM_BYTES: usize = 8;

/// The readings of one series on one day that are stored and cannot be read any more.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DamagedDay {
    /// Which series.
    pub series: SeriesId,
    /// The day, its first millisecond by UTC.
    pub day: Timestamp,
    /// How many readings were packed, as far as the row still says so.
    pub readings: u64,
    /// What does not hold.
    pub why: String,
}

impl fmt::Display for DamagedDay {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let day = rfc3339_millis(self.day);
        write!(
            f,
            "{} on {} (UTC): {} readings cannot be read: {}",
            self.series,
            day.get(..10).unwrap_or(&day),
            self.readings,
            self.why
        )
    }
}

/// A day of a series, as it is found.
#[derive(Debug)]
pub(crate) enum Found {
    /// It is not packed.
    Nothing,
    /// Its readings.
    Whole(Day),
    /// It is packed, and cannot be read.
    Damaged {
        /// How many readings the row says that it has.
        readings: u64,
        /// What does not hold.
        why: String,
    },
}

/// The key of a day of a series.
pub(crate) fn key(series: i64, day: i64) -> Result<i64, Cause> {
    if !(1..1 << SERIES_BITS).contains(&series) {
        return Err(Cause::Contradiction(format!("the series {series} is beyond what days are packed for")));
    }
    Ok((day << SERIES_BITS) | series)
}

/// Where the keys of the day of an instant begin.
pub(crate) fn first_key_of(at: i64) -> i64 {
    chunk::day_of(at) << SERIES_BITS
}

/// Series and day of a key.
pub(crate) fn of_key(key: i64) -> (i64, i64) {
    (key & ((1 << SERIES_BITS) - 1), key >> SERIES_BITS)
}

/// The days from that of `from` to that of `to` of which something is packed. One look for each of them.
pub(crate) fn between(conn: &Connection, from: Timestamp, to: Timestamp) -> Result<Vec<i64>, Cause> {
    let last = chunk::day_of(to.as_millis());
    let mut next = chunk::day_of(from.as_millis());
    let mut query = conn.prepare_cached("SELECT min(id) FROM chunks WHERE id >= ?1")?;
    let mut out = Vec::new();
    while next <= last {
        let Some(key) = query.query_row([next << SERIES_BITS], |row| row.get::<_, Option<i64>>(0))? else { break };
        let (_, day) = of_key(key);
        if day > last {
            break;
        }
        out.push(day);
        next = day + 1;
    }
    Ok(out)
}

/// The end of the newest day that is packed, in milliseconds: what was measured then or later is not packed. The earliest of all where
/// nothing is.
pub(crate) fn until(conn: &Connection) -> Result<i64, Cause> {
    let newest: Option<i64> = conn.query_row("SELECT max(id) FROM chunks", [], |row| row.get(0))?;
    Ok(newest.map_or(i64::MIN, |key| (of_key(key).1 + 1).saturating_mul(DAY)))
}

/// Opens a day of a series.
pub(crate) fn open(conn: &Connection, series: i64, day: i64) -> Result<Found, Cause> {
    let mut query = conn.prepare_cached("SELECT readings, checksum, body FROM chunks WHERE id = ?1")?;
    let key = key(series, day)?;
    let found = query.query_row([key], |row| Ok(of_row(key, row, 0))).optional()?;
    Ok(found.unwrap_or(Found::Nothing))
}

/// A day by its count, checksum and body, which begin at a column; what is none of these has no checksum that holds.
pub(crate) fn of_row(key: i64, row: &rusqlite::Row<'_>, first: usize) -> Found {
    let blob = |column| row.get_ref(column).ok().and_then(|value| value.as_blob().ok()).unwrap_or_default();
    opened(key, row.get(first).unwrap_or_default(), blob(first + 1), blob(first + 2))
}

/// What a row of the table holds.
pub(crate) fn opened(key: i64, readings: i64, checksum: &[u8], body: &[u8]) -> Found {
    let damaged = |why: String| Found::Damaged { readings: readings.unsigned_abs(), why };
    if checksum != checksum_of(key, readings, body) {
        return damaged("its checksum does not hold".into());
    }
    let begin = chunk::first_of(of_key(key).1);
    match usize::try_from(readings).map_err(|e| e.to_string()).and_then(|many| Day::unpack(begin, many, body)) {
        Ok(day) => Found::Whole(day),
        Err(why) => damaged(why),
    }
}

/// Packs a day of a series, opens it again as it will be stored, and writes it in the place of an earlier one; `false`, and nothing written,
/// where what is opened is not what was packed.
pub(crate) fn write(conn: &Connection, series: i64, day: i64, readings: &Day) -> Result<bool, Cause> {
    let key = key(series, day)?;
    let Ok(body) = readings.pack(chunk::first_of(day)) else { return Ok(false) };
    let many = rows::key(readings.len() as u64)?;
    let checksum = checksum_of(key, many, &body);
    match opened(key, many, &checksum, &body) {
        Found::Whole(again) if again == *readings => {}
        _ => return Ok(false),
    }
    let mut insert =
        conn.prepare_cached("INSERT OR REPLACE INTO chunks (id, readings, checksum, body) VALUES (?1, ?2, ?3, ?4)")?;
    insert.execute(params![key, many, checksum, body])?;
    Ok(true)
}

/// Takes a day of a series out; gives how many readings the row said that it had.
pub(crate) fn delete(conn: &Connection, series: i64, day: i64) -> Result<u64, Cause> {
    let key = key(series, day)?;
    let mut query = conn.prepare_cached("DELETE FROM chunks WHERE id = ?1 RETURNING readings")?;
    let readings: Option<i64> = query.query_row([key], |row| Ok(row.get(0).unwrap_or(0))).optional()?;
    Ok(readings.unwrap_or(0).unsigned_abs())
}

/// The packed readings of a series in a span, oldest first, one day in memory at a time.
pub(crate) struct Packed<'c> {
    conn: &'c Connection,
    series: (i64, &'c SeriesId),
    span: (i64, i64),
    days: std::slice::Iter<'c, i64>,
    open: Day,
    next: usize,
    damaged: Vec<DamagedDay>,
}

impl<'c> Packed<'c> {
    /// Of the days that [`between`] gave for this span.
    pub(crate) fn new(
        conn: &'c Connection,
        series: (i64, &'c SeriesId),
        (from, to): (Timestamp, Timestamp),
        days: &'c [i64],
    ) -> Packed<'c> {
        let span = (from.as_millis(), to.as_millis());
        Packed { conn, series, span, days: days.iter(), open: Day::default(), next: 0, damaged: Vec::new() }
    }

    /// The next reading's place in a day that is open; `None` once there are no more.
    pub(crate) fn advance(&mut self) -> Result<Option<(&Day, usize)>, Cause> {
        loop {
            while let Some(at) = self.open.at.get(self.next) {
                let (place, at) = (self.next, *at);
                self.next += 1;
                if (self.span.0..=self.span.1).contains(&at) {
                    return Ok(Some((&self.open, place)));
                }
            }
            let Some(day) = self.days.next() else { return Ok(None) };
            self.next = 0;
            self.open = match open(self.conn, self.series.0, *day)? {
                Found::Nothing => Day::default(),
                Found::Whole(day) => day,
                Found::Damaged { readings, why } => {
                    let (series, day) = (self.series.1.clone(), chunk::begin_of(*day));
                    self.damaged.push(DamagedDay { series, day, readings, why });
                    Day::default()
                }
            };
        }
    }

    /// The next reading as a row.
    pub(crate) fn row(&mut self) -> Result<Option<ReadingRow>, Cause> {
        let series = self.series.1;
        loop {
            let Some((day, place)) = self.advance()? else { return Ok(None) };
            let Some((at, value, delay, marks, reason)) = day.get(place) else { return Ok(None) };
            match rows::reading_of(series, at, value, (delay, marks), reason.to_owned()) {
                Ok(reading) => return Ok(Some(reading)),
                Err(cause) => {
                    let (day, why) = (chunk::begin_of(chunk::day_of(at)), cause.of_one_row()?);
                    self.damaged.push(DamagedDay { series: series.clone(), day, readings: 1, why });
                }
            }
        }
    }

    /// The days that could not be read.
    pub(crate) fn damaged(self) -> Vec<DamagedDay> {
        self.damaged
    }
}

/// Says in the log which days cannot be read; whoever asked for readings gets the others.
pub(crate) fn tell(damaged: &[DamagedDay]) {
    let Some(first) = damaged.first() else { return };
    let more = match damaged.len() - 1 {
        0 => String::new(),
        n => format!(" (and {n} more of one series and day each)"),
    };
    tracing::error!(
        "{first}{more}; the other days are read; `hypocaust store check` lists all such days, and a backup may still have them"
    );
}

/// The first bytes of the SHA-256 over key, count and body.
fn checksum_of(key: i64, readings: i64, body: &[u8]) -> Vec<u8> {
    let mut all = Vec::with_capacity(body.len() + 16);
    all.extend_from_slice(&key.to_le_bytes());
    all.extend_from_slice(&readings.to_le_bytes());
    all.extend_from_slice(body);
    sha256(&all).0.into_iter().take(CHECKSUM_BYTES).collect()
}
