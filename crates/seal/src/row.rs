//! Rows of the record, each naming the hash of the one before.
//!
//! Must never be changed once hashed: a correction is a new row.

use pile::time::Timestamp;
use serde_json::{Value, json};
use site::zone::rfc3339_millis;

use crate::canonical::{self, CanonicalError};
use crate::merkle::{Hash, leaf_hash};

/// The version of the row's form.
pub const VERSION: u64 = 1;

/// The names that a row has, in their order.
const NAMES: [&str; 6] = ["body", "kind", "prev", "seq", "time", "v"];

/// A row that was read and is well formed.
#[derive(Clone, Debug, PartialEq)]
pub struct Row {
    /// Its number, from 0; also its leaf in the tree over the record.
    pub seq: u64,
    /// When it was written, RFC 3339 in UTC with three decimals.
    pub time: String,
    /// The hash of the row before; [`Hash::ZERO`] in the first.
    pub prev: Hash,
    /// What it tells of.
    pub kind: String,
    /// What it tells.
    pub body: Value,
    /// Its own hash.
    pub hash: Hash,
}

/// What is wrong with a row.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum RowError {
    /// Its text.
    #[error(transparent)]
    Text(#[from] CanonicalError),
    /// Its names.
    #[error(
        "it must have exactly the names body, kind, prev, seq, time and v, with v {VERSION}, and each of its own type"
    )]
    Shape,
    /// Its number.
    #[error("it has the number {found} where {wanted} follows: a row is missing or was put in")]
    Number {
        /// What follows.
        wanted: u64,
        /// What it has.
        found: u64,
    },
    /// Its link.
    #[error("it names {found} as the hash of the row before, which is {wanted}: that row, or this link, was changed")]
    Link {
        /// The hash of the row before.
        wanted: Hash,
        /// The hash that it names.
        found: Hash,
    },
}

/// Where a chain of rows has come to.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Head {
    /// The number of the next row, and so the count of rows.
    pub next: u64,
    /// The hash of the newest row.
    pub prev: Hash,
}

impl Head {
    /// Before the first row.
    pub const START: Head = Head { next: 0, prev: Hash::ZERO };

    /// Makes the next row and moves on.
    ///
    /// # Errors
    /// [`CanonicalError`] where the body has no canonical text; then nothing has moved.
    pub fn append(&mut self, time: Timestamp, kind: &str, body: &Value) -> Result<(String, Hash), CanonicalError> {
        let row = json!({
            "v": VERSION, "seq": self.next, "time": rfc3339_millis(time), "prev": self.prev.to_hex(), "kind": kind, "body": body
        });
        let text = canonical::text(&row)?;
        let hash = leaf_hash(text.as_bytes());
        *self = Head { next: self.next + 1, prev: hash };
        Ok((text, hash))
    }

    /// Takes a row that must be the next one.
    ///
    /// # Errors
    /// [`RowError`] where it is not.
    pub fn follow(&mut self, line: &str) -> Result<Row, RowError> {
        let row = parse(line)?;
        if row.seq != self.next {
            return Err(RowError::Number { wanted: self.next, found: row.seq });
        }
        if row.prev != self.prev {
            return Err(RowError::Link { wanted: self.prev, found: row.prev });
        }
        *self = Head { next: row.seq + 1, prev: row.hash };
        Ok(row)
    }
}

/// Reads a row by itself.
///
/// # Errors
/// [`RowError::Text`] or [`RowError::Shape`].
pub fn parse(line: &str) -> Result<Row, RowError> {
    let value = canonical::parse(line)?;
    let of_value = || {
        let members = value.as_object()?;
        let complete = members.len() == NAMES.len() && NAMES.iter().all(|name| members.contains_key(*name));
        (complete && value["v"].as_u64() == Some(VERSION)).then_some(())?;
        Some(Row {
            seq: value["seq"].as_u64()?,
            time: value["time"].as_str()?.to_owned(),
            prev: Hash::from_hex(value["prev"].as_str()?)?,
            kind: value["kind"].as_str()?.to_owned(),
            body: value["body"].clone(),
            hash: leaf_hash(line.as_bytes()),
        })
    };
    of_value().ok_or(RowError::Shape)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::merkle::root;
    use proptest::prelude::*;

    const CHAIN: &str = include_str!("../../../tests/reference/integrity/chain.jsonl");
    const EXPECTED: &str = include_str!("../../../tests/reference/integrity/chain.expected.json");

    fn expected(name: &str) -> Vec<Hash> {
        let value: Value = serde_json::from_str(EXPECTED).unwrap();
        value[name].as_array().unwrap().iter().map(|h| Hash::from_hex(h.as_str().unwrap()).unwrap()).collect()
    }

    /// The rows, or the place of the first that is wrong.
    fn follow_all(text: &str) -> Result<Vec<Row>, usize> {
        let mut head = Head::START;
        text.lines().enumerate().map(|(n, line)| head.follow(line).map_err(|_| n)).collect()
    }

    #[test]
    fn the_reference_chain_has_its_hashes_and_roots() {
        let rows = follow_all(CHAIN).unwrap();
        let hashes: Vec<Hash> = rows.iter().map(|row| row.hash).collect();
        assert_eq!(hashes, expected("entry_hashes"));
        let roots = expected("roots_by_size");
        assert_eq!(roots.len(), 7);
        for (size, want) in roots.iter().enumerate() {
            assert_eq!(root(&hashes[..size]), *want, "{size} rows");
        }
    }

    #[test]
    fn rows_made_again_are_the_same_bytes() {
        let mut head = Head::START;
        for line in CHAIN.lines() {
            let row = parse(line).unwrap();
            let zone = site::zone::Zone::named("UTC").unwrap();
            let time = site::zone::parse_instant(&row.time, &zone).unwrap();
            assert_eq!(head.append(time, &row.kind, &row.body).unwrap(), (line.to_owned(), row.hash));
        }
    }

    #[test]
    fn a_row_that_is_not_the_next_one_is_named() {
        let lines: Vec<&str> = CHAIN.lines().collect();
        let mut cut = Head { next: 1, prev: parse(lines[0]).unwrap().hash };
        assert!(matches!(cut.follow(lines[2]), Err(RowError::Number { wanted: 1, found: 2 })), "one is missing");
        let mut other = Head { next: 1, prev: Hash::ZERO };
        assert!(matches!(other.follow(lines[1]), Err(RowError::Link { .. })), "the one before is another");
        for (line, why) in [
            (lines[0].replace("\"v\":1", "\"v\":2"), "another version"),
            (lines[0].replace(",\"v\":1", ""), "a name is missing"),
            (lines[0].replace(",\"v\":1", ",\"v\":1,\"w\":1"), "a name too many"),
            (lines[0].replace("\"seq\":0", "\"seq\":\"0\""), "a number as a text"),
        ] {
            assert_eq!(parse(&line), Err(RowError::Shape), "{why}");
        }
    }

    proptest! {
        #[test]
        fn a_changed_byte_anywhere_is_found_at_its_row_or_the_next(place in 0usize..1350, byte in any::<u8>()) {
            let mut bytes = CHAIN.as_bytes().to_vec();
            let place = place % bytes.len();
            prop_assume!(bytes[place] != byte && bytes[place] != b'\n' && byte != b'\n' && byte != b'\r');
            let line = bytes[..place].iter().filter(|b| **b == b'\n').count();
            bytes[place] = byte;
            let hashes = expected("entry_hashes");
            match String::from_utf8(bytes) {
                Err(_) => {}
                Ok(text) => match follow_all(&text) {
                    Err(found) => prop_assert!(found == line || found == line + 1, "line {line}, found {found}"),
                    // A change in the newest row breaks no link; its own hash, which the checkpoint holds, is another.
                    Ok(rows) => {
                        prop_assert_eq!(line, hashes.len() - 1);
                        prop_assert!(rows[line].hash != hashes[line]);
                    }
                },
            }
        }
    }
}
