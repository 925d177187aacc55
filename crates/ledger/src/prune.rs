//! Takes out readings after their time, each quantity after its own.
//!
//! Must never take out a reading of an hour whose root is not on record, and never leave an hour that lost some of its readings looking as if
//! it still had all of them.

use std::collections::{BTreeMap, BTreeSet};

use pile::time::Timestamp;
use rusqlite::{Connection, params};
use seal::readings::{self, HOUR};
use serde_json::json;
use site::quantity::{QUANTITIES, Quantity};
use site::zone::rfc3339_millis;

use crate::chunk::{self, Day};
use crate::days::{self, Found};
use crate::error::Cause;
use crate::record_end::End;
use crate::{Ledger, LedgerError, record, rows};

/// Hours that one piece looks at, at the most.
const AT_ONCE: usize = 24;

/// Whose time is over: readings of hours that ended by then go.
#[derive(Clone, Debug, PartialEq, Eq, Default)]
pub struct Times {
    /// Of every quantity that is not named; they stay for ever without it.
    pub all: Option<Timestamp>,
    /// Of these quantities.
    pub of: BTreeMap<Quantity, Timestamp>,
}

/// Readings that were taken out after their time.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Pruned {
    /// How many hours were looked at; some may have had no readings of these quantities.
    pub hours: usize,
    /// How many readings.
    pub readings: usize,
    /// Of which quantities, in their order.
    pub quantities: Vec<Quantity>,
    /// The first millisecond of the first hour.
    pub from: Timestamp,
    /// The end of the last one.
    pub to: Timestamp,
}

impl Times {
    /// The same time for all quantities.
    pub fn of_all(before: Timestamp) -> Times {
        Times { all: Some(before), of: BTreeMap::new() }
    }

    /// The quantities that have a time, by it.
    fn groups(&self) -> BTreeMap<Timestamp, Vec<Quantity>> {
        let mut groups: BTreeMap<Timestamp, Vec<Quantity>> = BTreeMap::new();
        for (quantity, ..) in QUANTITIES {
            if let Some(before) = self.of.get(&quantity).copied().or(self.all) {
                groups.entry(before).or_default().push(quantity);
            }
        }
        groups
    }
}

impl Ledger {
    /// Takes out readings of some of the oldest hours, and says so on record, all or nothing; `None` once there are no more whose time is
    /// over. An hour whose root is not on record stays, and the root stays where the readings went.
    ///
    /// # Errors
    /// [`LedgerError`] when the ledger cannot be written; then nothing was taken out.
    pub fn prune(&mut self, at: Timestamp, times: &Times) -> Result<Option<Pruned>, LedgerError> {
        self.writing("taking out readings after their time", |ledger| {
            let mut head = ledger.head.clone();
            let tx = ledger.conn.transaction()?;
            for (before, quantities) in times.groups() {
                let Some(pruned) = piece(&tx, before, &quantities)? else { continue };
                if pruned.readings > 0 {
                    on_record(&tx, &mut head, at, &pruned)?;
                }
                tx.commit()?;
                ledger.head = head;
                return Ok(Some(pruned));
            }
            Ok(None)
        })
    }
}

fn on_record(conn: &Connection, head: &mut End, at: Timestamp, pruned: &Pruned) -> Result<(), Cause> {
    let names: Vec<&str> = pruned.quantities.iter().map(|quantity| quantity.key()).collect();
    let body = json!({
        "from": rfc3339_millis(pruned.from), "to": rfc3339_millis(pruned.to), "hours": pruned.hours, "readings": pruned.readings,
        "quantities": names
    });
    record::append(conn, head, at, "pruned", &body)
}

/// Takes out the readings of these quantities from the oldest hours that still may have some and end at or before `before`.
fn piece(conn: &Connection, before: Timestamp, quantities: &[Quantity]) -> Result<Option<Pruned>, Cause> {
    let due = due(conn, before, quantities)?;
    let (Some((first, _)), Some((last, _))) = (due.first(), due.last()) else { return Ok(None) };
    let hours: BTreeSet<i64> = due.iter().map(|(hour, _)| *hour).collect();
    let all = rows::series_ids(conn)?;
    let series: Vec<i64> =
        all.iter().filter(|(_, series)| quantities.contains(&series.quantity)).map(|(id, _)| *id).collect();
    let mut lost: BTreeMap<i64, u64> = BTreeMap::new();
    for (from, to) in spans(&hours) {
        rows_of_their_own(conn, &series, (from, to), &mut lost)?;
        for day in days::between(conn, Timestamp::from_millis(from), Timestamp::from_millis(to))? {
            for id in &series {
                packed(conn, (*id, day), &hours, before, &mut lost)?;
            }
        }
    }
    let is_all = |gone: &str| all.iter().all(|(_, series)| gone.contains(&word(series.quantity)));
    for (hour, mut gone) in due.iter().cloned() {
        for word in quantities.iter().map(|quantity| word(*quantity)) {
            if !gone.contains(&word) {
                gone += &word;
            }
        }
        // 1 where nothing can be left, 2 where something may be, and as it was where nothing went.
        let mut update = conn.prepare_cached(
            "UPDATE record_hours SET gone = ?2, pruned = CASE WHEN ?4 THEN 1 WHEN ?3 THEN 2 ELSE pruned END WHERE hour = ?1",
        )?;
        update.execute(params![hour, gone, lost.contains_key(&hour), is_all(&gone)])?;
    }
    Ok(Some(Pruned {
        hours: due.len(),
        readings: usize::try_from(lost.values().sum::<u64>()).unwrap_or(usize::MAX),
        quantities: quantities.to_vec(),
        from: Timestamp::from_millis(*first),
        to: Timestamp::from_millis(*last) + HOUR,
    }))
}

/// The oldest hours, each with what is gone of it, that end at or before `before` and of which not all these quantities are gone.
fn due(conn: &Connection, before: Timestamp, quantities: &[Quantity]) -> Result<Vec<(i64, String)>, Cause> {
    let some_left = quantities.iter().map(|quantity| format!("instr(gone, '{}') = 0", word(*quantity)));
    let some_left = some_left.collect::<Vec<_>>().join(" OR ");
    let sql = format!(
        "SELECT hour, gone FROM record_hours
         WHERE hour <= ?1 AND touched = 0 AND pruned <> 1 AND row NOT NULL AND ({some_left}) ORDER BY hour LIMIT ?2"
    );
    let last = (before - HOUR).as_millis();
    rows::all(conn, &sql, params![last, AT_ONCE as i64], |row| Ok((row.get(0)?, row.get(1)?)))
}

/// A quantity as it stands in the column `gone`.
fn word(quantity: Quantity) -> String {
    format!(" {} ", quantity.key())
}

/// Hours that follow each other as spans, ends included.
fn spans(hours: &BTreeSet<i64>) -> Vec<(i64, i64)> {
    let mut spans: Vec<(i64, i64)> = Vec::new();
    for hour in hours {
        match spans.last_mut().filter(|(_, end)| *end + 1 == *hour) {
            Some((_, end)) => *end += HOUR.as_millis(),
            None => spans.push((*hour, hour + HOUR.as_millis() - 1)),
        }
    }
    spans
}

fn hour_of(at: i64) -> i64 {
    readings::hour_of(Timestamp::from_millis(at)).as_millis()
}

/// Takes out readings that are not packed, and counts them by their hour.
fn rows_of_their_own(
    conn: &Connection,
    series: &[i64],
    (from, to): (i64, i64),
    lost: &mut BTreeMap<i64, u64>,
) -> Result<(), Cause> {
    // `arrivals` is by time, and walked once for the span; what is of another series stays.
    let late = rows::all(
        conn,
        "SELECT measured_at, series FROM arrivals WHERE measured_at BETWEEN ?1 AND ?2",
        [from, to],
        |row| Ok((row.get::<_, i64>(0)?, row.get::<_, i64>(1)?)),
    )?;
    let wanted: BTreeSet<i64> = series.iter().copied().collect();
    let mut delete = conn.prepare_cached("DELETE FROM arrivals WHERE measured_at = ?1 AND series = ?2")?;
    for (at, id) in late.into_iter().filter(|(_, id)| wanted.contains(id)) {
        delete.execute([at, id])?;
        *lost.entry(hour_of(at)).or_default() += 1;
    }
    // By series, because the key begins with it.
    let mut delete = conn.prepare_cached(
        "DELETE FROM readings WHERE series = ?1 AND measured_at BETWEEN ?2 AND ?3 RETURNING measured_at",
    )?;
    for id in series {
        let mut gone = delete.query(params![id, from, to])?;
        while let Some(row) = gone.next()? {
            *lost.entry(hour_of(row.get(0)?)).or_default() += 1;
        }
    }
    Ok(())
}

/// Takes readings of these hours out of a packed day, and counts them by their hour.
fn packed(
    conn: &Connection,
    (series, day): (i64, i64),
    hours: &BTreeSet<i64>,
    before: Timestamp,
    lost: &mut BTreeMap<i64, u64>,
) -> Result<(), Cause> {
    let readings: Day = match days::open(conn, series, day)? {
        Found::Nothing => return Ok(()),
        Found::Whole(readings) => readings,
        // Nobody can say of which hours its readings are: it goes when the time of the whole day is over.
        Found::Damaged { .. } => {
            if chunk::first_of(day + 1) <= before.as_millis() {
                let begin = chunk::first_of(day);
                *lost.entry(begin).or_default() += days::delete(conn, series, day)?;
                for hour in hours.range(begin..begin + chunk::DAY) {
                    lost.entry(*hour).or_default();
                }
            }
            return Ok(());
        }
    };
    let left = readings.retain(|at| !hours.contains(&hour_of(at)));
    if left.len() == readings.len() {
        return Ok(());
    }
    for at in readings.at.iter().map(|at| hour_of(*at)).filter(|hour| hours.contains(hour)) {
        *lost.entry(at).or_default() += 1;
    }
    if left.len() == 0 {
        days::delete(conn, series, day)?;
    } else if !days::write(conn, series, day, &left)? {
        return Err(Cause::Contradiction(format!("what is left of series {series} on day {day} cannot be packed")));
    }
    Ok(())
}
