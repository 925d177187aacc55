//! What people say over MQTT: a wall panel that somebody has seen an alarm, a telephone what goes into the log.
//!
//! Must never take a message that the broker had kept: it would count again at every new connection.

use serde::Deserialize;

use crate::fault::Fault;
use crate::{PAYLOAD_BYTES_MAX, json};

/// Somebody has seen an alarm and looks after it.
#[derive(Clone, PartialEq, Eq)]
pub struct Seen {
    /// The alarm's number.
    pub alarm: u64,
    /// What proves who it is; empty where the message had nothing.
    pub token: String,
    /// Who: a name or an address of the settings.
    pub by: String,
    /// In their words; may be empty.
    pub comment: String,
}

impl std::fmt::Debug for Seen {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Seen").field("alarm", &self.alarm).field("by", &self.by).finish_non_exhaustive()
    }
}

/// `{"alarm": 17, "token": "...", "by": "Nora Quill", "comment": "on my way"}`; the comment may be left out. A message without a token is
/// read all the same, so that its sender gets an answer.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SeenLine {
    alarm: u64,
    #[serde(default)]
    token: String,
    by: String,
    #[serde(default)]
    comment: String,
}

/// Somebody writes in the log.
#[derive(Clone, PartialEq, Eq)]
pub struct Written {
    /// Names the message in the answer; may be empty.
    pub id: String,
    /// What proves who it is.
    pub token: String,
    /// Who: a name or an address of the settings.
    pub by: String,
    /// The bin that it is about.
    pub bin: String,
    /// When it happened, as they wrote it.
    pub at: String,
    /// What happened, as JSON.
    pub says: String,
    /// Anything else; may be empty.
    pub note: String,
    /// They say once more that it was as early as they wrote.
    pub really_that_early: bool,
    /// They say once more that the amount is what they meant.
    pub really: bool,
    /// The batch of a laboratory's result, where that is not the one in the bin.
    pub batch: Option<u64>,
}

impl std::fmt::Debug for Written {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Written")
            .field("id", &self.id)
            .field("by", &self.by)
            .field("bin", &self.bin)
            .finish_non_exhaustive()
    }
}

/// `{"token": "...", "by": "Nora Quill", "bin": "north-1", "at": "2026-03-10T16:30:00Z", "says": {"watered": {"litres": 120}}}`, and `id`,
/// `note`, `really_that_early`, `really` and `batch` where there is something to say.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenLine {
    #[serde(default)]
    id: String,
    token: String,
    by: String,
    bin: String,
    at: String,
    says: serde_json::Value,
    #[serde(default)]
    note: String,
    #[serde(default)]
    really_that_early: bool,
    #[serde(default)]
    really: bool,
    #[serde(default)]
    batch: Option<u64>,
}

/// By what a message of people names itself.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Named {
    /// An entry, by the words of its sender.
    Entry(String),
    /// An acknowledgement, by the alarm's number.
    Alarm(u64),
}

/// What can be read of a message that cannot.
#[derive(Deserialize)]
struct NamedLine {
    #[serde(default)]
    id: Option<String>,
    #[serde(default)]
    alarm: Option<u64>,
}

/// By what a message named itself that could not be read as a whole, where that is plain.
pub(crate) fn named(payload: &[u8]) -> Option<Named> {
    if payload.len() > PAYLOAD_BYTES_MAX {
        return None;
    }
    let line: NamedLine = serde_json::from_slice(payload).ok()?;
    let id = line.id.filter(|id| id.chars().count() <= ID_CHARS_MAX);
    id.map(Named::Entry).or(line.alarm.map(Named::Alarm))
}

/// No key of ours is longer.
const KEY_CHARS: usize = 24;
/// A longer comment does not go into mails (our own bound).
const COMMENT_CHARS_MAX: usize = 300;
/// The longest name of a message: it comes back in the answer (our own bound).
const ID_CHARS_MAX: usize = 300;

/// Refuses a text that is too long: what is cut without a word was never said.
fn short(key: &str, text: String, most: usize) -> Result<String, String> {
    match text.chars().count() {
        n if n > most => Err(format!("`{key}` has {n} characters, more than {most}; shorten it")),
        _ => Ok(text),
    }
}

pub(crate) fn read(payload: &[u8]) -> Result<Seen, Fault> {
    let line: SeenLine = line(payload).map_err(|why| Fault::NotAnAcknowledgement { why })?;
    let comment =
        short("comment", line.comment, COMMENT_CHARS_MAX).map_err(|why| Fault::NotAnAcknowledgement { why })?;
    Ok(Seen { alarm: line.alarm, token: line.token, by: line.by, comment })
}

/// Reads a line of ours, at any depth without a key that is there twice: whoever wrote it may have meant either.
fn line<'a, T: Deserialize<'a>>(payload: &'a [u8]) -> Result<T, String> {
    if let Some(key) = json::duplicate(payload) {
        // A word that somebody took for a key may be the token: only what looks like a key of ours is repeated.
        let is_key = key.len() <= KEY_CHARS && key.chars().all(|c| c.is_ascii_lowercase() || matches!(c, '_' | '-'));
        let named = if is_key { format!("the key `{key}`") } else { "a key".to_owned() };
        return Err(format!("{named} is there twice; say each thing once"));
    }
    serde_json::from_slice(payload).map_err(|e| what_is_wrong(&e))
}

/// What the parser says may repeat a piece of the payload, and with it of the token: only the place is told.
fn what_is_wrong(e: &serde_json::Error) -> String {
    match e.classify() {
        serde_json::error::Category::Data => "a key is missing, unknown, or has a value of another kind".into(),
        _ => format!("it is no JSON from line {}, column {} on", e.line(), e.column()),
    }
}

pub(crate) fn read_written(payload: &[u8]) -> Result<Written, Fault> {
    let line: WrittenLine = line(payload).map_err(|why| Fault::NotAnEntry { why })?;
    let WrittenLine { id, token, by, bin, at, says, note, really_that_early, really, batch } = line;
    let id = short("id", id, ID_CHARS_MAX).map_err(|why| Fault::NotAnEntry { why })?;
    // A note is as long as the log lets it be, which says so itself.
    let says = says.to_string();
    Ok(Written { id, token, by, bin, at, says, note, really_that_early, really, batch })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_too_long_is_refused_and_never_cut_and_a_refused_message_keeps_its_name() {
        let long = "x".repeat(301);
        let entry = |id: &str, note: &str| {
            format!(
                r#"{{"id":"{id}","token":"t","by":"Ann","bin":"b1","at":"2026-03-10","says":"turned","note":"{note}"}}"#
            )
        };
        assert_eq!(read_written(entry("7", &long).as_bytes()).unwrap().note, long, "the log has room for it");
        let refused = read_written(entry(&long, "").as_bytes()).unwrap_err().to_string();
        assert!(refused.contains("`id` has 301 characters, more than 300; shorten it"), "{refused}");
        let seen = format!(r#"{{"alarm":17,"by":"Ann","comment":"{long}"}}"#);
        let refused = read(seen.as_bytes()).unwrap_err().to_string();
        assert!(refused.contains("`comment` has 301 characters, more than 300; shorten it"), "{refused}");
        for (text, wanted, why) in [
            (seen.as_str(), Some(Named::Alarm(17)), "an alarm"),
            (r#"{"id":"7","bin":"b1"}"#, Some(Named::Entry("7".into())), "keys are missing"),
            (r#"{"id":"7","id":"8"}"#, None, "which of the two?"),
            (r#"{"id":7}"#, None, "no words"),
            (&entry(&long, ""), None, "it does not come back"),
            (r#"{"id":"7""#, None, "cut off"),
        ] {
            assert_eq!(named(text.as_bytes()), wanted, "{why}");
        }
    }

    #[test]
    fn a_key_that_is_there_twice_is_refused_by_its_name_and_never_by_a_word_that_may_be_a_token() {
        for (text, wanted, why) in [
            (
                r#"{"alarm":1,"alarm":2,"by":"Ann"}"#,
                "the key `alarm` is there twice; say each thing once",
                "which of the two?",
            ),
            (r#"{"alarm":1,"by":"Ann","b\u0079":"Bo"}"#, "the key `by` is there twice", "the same, escaped"),
            (r#"{"S3cret":1,"S3cret":2}"#, "a key is there twice", "no key of ours"),
            (r#"{"alarm":1,"by":"Ann","more":2}"#, "a key is missing, unknown", "another fault"),
            (r#"{"alarm":1"#, "it is no JSON", "cut off"),
        ] {
            let said = read(text.as_bytes()).unwrap_err().to_string();
            assert!(said.contains(wanted) && !said.contains("S3cret"), "{why}: {said}");
        }
        for (says, key) in [
            (r#"{"watered":{"litres":1,"litres":100}}"#, "litres"),
            (r#"{"watered":{"litres":1},"watered":{"litres":2}}"#, "watered"),
            (r#"{"corrected":{"of":1,"really":{"at":1,"at":2,"kind":"turned"}}}"#, "at"),
        ] {
            let text = format!(r#"{{"token":"t","by":"Ann","bin":"b1","at":"2026-03-10","says":{says}}}"#);
            let said = read_written(text.as_bytes()).unwrap_err().to_string();
            assert!(said.contains(&format!("the key `{key}` is there twice")), "{says}: {said}");
        }
    }
}
