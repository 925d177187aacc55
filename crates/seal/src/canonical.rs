//! Canonical JSON (RFC 8785): one value has one text, so that its hash is its own.
//!
//! Must never take a number that does not come back as it went in.

use serde_json::{Number, Value};

/// The largest whole number that a double holds with all its neighbours: 2^53 (RFC 8785, section 3.2.2.3, after RFC 7493).
const WHOLE_MOST: u64 = 1 << 53;

/// Why a value has no canonical text, or a text is not canonical.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum CanonicalError {
    /// A whole number beyond ±2^53.
    #[error("the number {0} is beyond 2^53, where readers round; write it as a text")]
    TooLarge(String),
    /// No JSON.
    #[error("it is no JSON: {0}")]
    NoJson(String),
    /// JSON, but written in another way than the canonical one; a name that stands twice is among the causes.
    #[error(
        "it is not in canonical form (RFC 8785): white space, the order of names, a name that stands twice, or a number's digits"
    )]
    NotCanonical,
}

/// The canonical text of a value.
///
/// # Errors
/// [`CanonicalError::TooLarge`].
pub fn text(value: &Value) -> Result<String, CanonicalError> {
    numbers_hold(value)?;
    serde_json_canonicalizer::to_string(value).map_err(|e| CanonicalError::NoJson(e.to_string()))
}

/// Reads a text that must be canonical.
///
/// # Errors
/// [`CanonicalError`] where it is not.
pub fn parse(line: &str) -> Result<Value, CanonicalError> {
    let value: Value = serde_json::from_str(line).map_err(|e| CanonicalError::NoJson(e.to_string()))?;
    // A name that stands twice is read as one, and so comes out shorter.
    if text(&value)? == line { Ok(value) } else { Err(CanonicalError::NotCanonical) }
}

/// The same value with every whole number beyond 2^53 as a text, so that it has a canonical text.
pub fn held(value: &Value) -> Value {
    match value {
        Value::Number(number) if is_whole_and_large(number) => Value::String(number.to_string()),
        Value::Array(items) => items.iter().map(held).collect(),
        Value::Object(members) => members.iter().map(|(name, value)| (name.clone(), held(value))).collect(),
        other => other.clone(),
    }
}

fn numbers_hold(value: &Value) -> Result<(), CanonicalError> {
    match value {
        Value::Number(number) if is_whole_and_large(number) => Err(CanonicalError::TooLarge(number.to_string())),
        Value::Array(items) => items.iter().try_for_each(numbers_hold),
        Value::Object(members) => members.values().try_for_each(numbers_hold),
        _ => Ok(()),
    }
}

fn is_whole_and_large(number: &Number) -> bool {
    let size = number.as_u64().or_else(|| number.as_i64().map(i64::unsigned_abs));
    size.is_some_and(|size| size > WHOLE_MOST)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use serde_json::json;

    fn unhex(text: &str) -> Vec<u8> {
        (0..text.len() / 2).map(|i| u8::from_str_radix(&text[2 * i..2 * i + 2], 16).unwrap()).collect()
    }

    #[test]
    fn the_published_inputs_give_the_published_bytes() {
        let table: Value = serde_json::from_str(include_str!("../../../tests/reference/integrity/jcs.json")).unwrap();
        let rows = table.as_array().unwrap();
        assert_eq!(rows.len(), 6);
        for row in rows {
            let name = row["name"].as_str().unwrap();
            let input: Value = serde_json::from_slice(&unhex(row["input_hex"].as_str().unwrap())).unwrap();
            let want = String::from_utf8(unhex(row["canonical_hex"].as_str().unwrap())).unwrap();
            let got = text(&input).unwrap();
            assert_eq!(got, want, "{name}");
            assert_eq!(crate::merkle::sha256(got.as_bytes()).to_hex(), row["sha256"].as_str().unwrap(), "{name}");
            assert_eq!(parse(&want).unwrap(), serde_json::from_str::<Value>(&want).unwrap(), "{name}: reads itself");
        }
    }

    #[test]
    fn the_published_numbers_give_the_published_digits() {
        let table: Value =
            serde_json::from_str(include_str!("../../../tests/reference/integrity/jcs-numbers.json")).unwrap();
        let rows = table.as_array().unwrap();
        assert_eq!(rows.len(), 7);
        for row in rows {
            let bits = u64::from_str_radix(row["ieee_hex"].as_str().unwrap(), 16).unwrap();
            assert_eq!(text(&json!(f64::from_bits(bits))).unwrap(), row["expected"].as_str().unwrap(), "{row}");
        }
    }

    #[test]
    fn what_is_not_canonical_is_refused() {
        for (line, why) in [
            ("{\"a\": 1}", "white space"),
            ("{\"b\":1,\"a\":2}", "names out of order"),
            ("{\"a\":1,\"a\":2}", "a name that stands twice"),
            ("{\"a\":1.0}", "a number with digits it does not need"),
            ("{\"a\":\"\\u0041\"}", "an escape that is not needed"),
            ("{\"a\":9007199254740993}", "a whole number that a double does not hold"),
            ("[-9007199254740993]", "the same below zero"),
            ("{\"a\":1} ", "something after the end"),
            ("{\"a\":", "cut short"),
            ("", "nothing"),
        ] {
            assert!(parse(line).is_err(), "{line}: {why}");
        }
        assert!(text(&json!(1u64 << 53)).is_ok(), "2^53 itself is held");
        assert!(text(&json!([u64::MAX])).is_err());
        assert_eq!(text(&held(&json!([u64::MAX, 5]))).unwrap(), "[\"18446744073709551615\",5]", "as a text it is");
    }
}
