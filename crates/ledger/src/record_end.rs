//! Where the record ends, and how it goes on from an end that was broken past the program.
//!
//! Must never mend a broken row, and never begin the record anew: the next row names the broken one, and every check fails on it.

use engine::restore::PassedOver;
use rusqlite::types::ValueRef;
use rusqlite::{Connection, OptionalExtension, Row};
use seal::Value;
use seal::merkle::{Hash, leaf_hash, sha256};
use seal::row::{self, Head};
use serde_json::json;

use crate::error::Cause;
use crate::rows;
use crate::set_aside::SetAside;

/// The kind of the row that names a broken one.
pub(crate) const BROKEN: &str = "record.broken";
/// The kind under which a row that cannot be read is handed on.
pub(crate) const UNREADABLE: &str = "record.unreadable";
/// The highest number that is taken for one of the record's own: a row each microsecond for a century stays below it, and what is above leaves
/// room for more of them below 2^53, where JSON rounds.
const NUMBER_MOST: i64 = 1 << 52;
/// What is said of a row with a number that the record never gave.
pub(crate) const NO_NUMBER: &str =
    "its number is none that the record gives; it was written past the program, and the record goes on without it";
/// Such rows that are named at a start.
const NAMED: i64 = 20;

/// Where the record has come to, and what is wrong with its newest row until the next one has said so.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct End {
    pub(crate) head: Head,
    pub(crate) broken: Option<Broken>,
}

/// The newest row, where it does not hold.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Broken {
    seq: i64,
    why: String,
    raw: Vec<u8>,
}

impl End {
    /// The number of the next row.
    pub(crate) fn next(&self) -> u64 {
        self.head.next
    }

    /// Finds the end, and looks whether its row holds.
    pub(crate) fn find(conn: &Connection) -> Result<End, Cause> {
        let mut query = conn.prepare_cached("SELECT seq, at, text, hash FROM record WHERE seq = ?1")?;
        let mut found = query.query([newest(conn)?])?;
        let Some(row) = found.next()? else { return Ok(End { head: Head::START, broken: None }) };
        let seq: i64 = row.get(0)?;
        let head = Head { next: seq.unsigned_abs() + 1, prev: link(row)? };
        let broken = what_is_wrong(row)?.map(|why| Broken { seq, why, raw: raw(row).unwrap_or_default() });
        Ok(End { head, broken })
    }
}

impl Broken {
    /// What the row that names it says.
    pub(crate) fn body(&self) -> Value {
        json!({
            "row": self.seq, "why": self.why, "raw_sha256": sha256(&self.raw).to_hex(),
            "words": "the row before this one was broken when the store was opened; the record goes on behind it as it is"
        })
    }

    pub(crate) fn set_aside(&self) -> SetAside {
        SetAside {
            what: "record".into(),
            number: Some(self.seq),
            why: self.said(),
            bytes: self.raw.clone(),
            effect: None,
        }
    }

    fn said(&self) -> String {
        format!(
            "{}; the record goes on behind it, and `hypocaust record check` fails there. Run `hypocaust store check`, and put a backup back with \
             `hypocaust store restore`",
            self.why
        )
    }
}

/// The number of the newest row; -1 before the first. Rows with numbers beyond what the record gives do not count, unless the record has come
/// so far itself.
pub(crate) fn newest(conn: &Connection) -> Result<i64, Cause> {
    let mut query = conn.prepare_cached("SELECT max(seq) FROM record WHERE seq BETWEEN 0 AND ?1")?;
    let mut newest = query.query_row([NUMBER_MOST], |row| row.get::<_, Option<i64>>(0))?.unwrap_or(-1);
    if newest == NUMBER_MOST {
        let mut next = conn.prepare_cached("SELECT 1 FROM record WHERE seq = ?1")?;
        while next.query_row([newest + 1], |_| Ok(())).optional()?.is_some() {
            newest += 1;
        }
    }
    Ok(newest)
}

/// Rows of the record that are passed over: the broken end, and those with numbers that the record never gave.
pub(crate) fn passed_over(conn: &Connection, end: &End) -> Result<Vec<PassedOver>, Cause> {
    let named = |row: i64, why: String| PassedOver { table: "record".into(), row, bin: None, why };
    let sql = "SELECT seq FROM record WHERE seq < 0 OR seq > ?1 LIMIT ?2";
    let mut over = rows::all(conn, sql, [newest(conn)?, NAMED], |row| Ok(named(row.get(0)?, NO_NUMBER.into())))?;
    over.extend(end.broken.as_ref().map(|broken| named(broken.seq, broken.said())));
    Ok(over)
}

/// By what hash the next row names a row of `seq, at, text, hash`: the one that is kept beside it, or that of its text, or that of all its raw bytes.
pub(crate) fn link(row: &Row<'_>) -> Result<Hash, Cause> {
    if let Ok(hash) = stored_hash(row)? {
        return Ok(hash);
    }
    Ok(match row.get_ref(2)?.as_str() {
        Ok(text) => leaf_hash(text.as_bytes()),
        Err(_) => leaf_hash(&raw(row)?),
    })
}

/// The hash that is kept beside a row, or what is there instead.
pub(crate) fn stored_hash(row: &Row<'_>) -> Result<Result<Hash, String>, Cause> {
    let found = row.get_ref(3)?;
    let ValueRef::Blob(bytes) = found else { return Ok(Err(format!("its hash {}", is_no("blob of 32 bytes", found)))) };
    Ok(bytes.try_into().map(Hash).map_err(|_| format!("its hash has {} bytes and not 32", bytes.len())))
}

/// What a column is where it is not what it should be.
pub(crate) fn is_no(wanted: &str, found: ValueRef<'_>) -> String {
    let found = match found {
        ValueRef::Null => "nothing",
        ValueRef::Integer(_) => "a whole number",
        ValueRef::Real(_) => "a number",
        ValueRef::Text(text) if std::str::from_utf8(text).is_err() => "bytes that are no text",
        ValueRef::Text(_) => "a text",
        ValueRef::Blob(_) => "bytes",
    };
    format!("is {found} and no {wanted}")
}

/// A column as the text that it nearly is.
pub(crate) fn text_of(row: &Row<'_>, column: usize) -> Result<String, Cause> {
    Ok(match row.get_ref(column)? {
        ValueRef::Text(bytes) | ValueRef::Blob(bytes) => String::from_utf8_lossy(bytes).replace(['\n', '\r'], " "),
        ValueRef::Null => String::new(),
        ValueRef::Integer(number) => number.to_string(),
        ValueRef::Real(number) => number.to_string(),
    })
}

/// What is wrong with the time of a row.
pub(crate) fn no_time(row: &Row<'_>) -> Result<Option<String>, Cause> {
    Ok(match row.get_ref(1)? {
        ValueRef::Integer(_) => None,
        other => Some(format!("its time {}", is_no("whole number", other))),
    })
}

fn what_is_wrong(row: &Row<'_>) -> Result<Option<String>, Cause> {
    let (seq, text) = (row.get::<_, i64>(0)?, row.get_ref(2)?);
    let Ok(words) = text.as_str() else { return Ok(Some(format!("its text {}", is_no("text", text)))) };
    let hash = match stored_hash(row)? {
        Ok(hash) => hash,
        Err(why) => return Ok(Some(why)),
    };
    if let Some(why) = no_time(row)? {
        return Ok(Some(why));
    }
    Ok(match row::parse(words) {
        Err(e) => Some(format!("its text does not read: {e}")),
        Ok(parsed) if i64::try_from(parsed.seq) != Ok(seq) => {
            Some(format!("its text says that it is row {}", parsed.seq))
        }
        Ok(parsed) if parsed.hash != hash => Some("the hash beside it is not that of its text".into()),
        Ok(_) => None,
    })
}

/// All that a row of `seq, at, text, hash` is, as bytes: each column by a letter for its type, its length and its bytes.
fn raw(row: &Row<'_>) -> Result<Vec<u8>, Cause> {
    let mut out = Vec::new();
    for column in 0..4 {
        let (kind, bytes) = match row.get_ref(column)? {
            ValueRef::Null => (b'n', Vec::new()),
            ValueRef::Integer(number) => (b'i', number.to_be_bytes().to_vec()),
            ValueRef::Real(number) => (b'r', number.to_be_bytes().to_vec()),
            ValueRef::Text(text) => (b't', text.to_vec()),
            ValueRef::Blob(bytes) => (b'b', bytes.to_vec()),
        };
        out.push(kind);
        out.extend((bytes.len() as u64).to_be_bytes());
        out.extend(bytes);
    }
    Ok(out)
}
