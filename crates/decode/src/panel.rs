//! What a wall panel says: that somebody has seen an alarm.
//!
//! Must never take a message that the broker had kept: it would acknowledge again at every new connection.

use serde::Deserialize;

use crate::fault::{Fault, quoted};

/// Somebody has seen an alarm and looks after it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Seen {
    /// The alarm's number.
    pub alarm: u64,
    /// Who: a name or an address of the settings.
    pub by: String,
    /// In their words; may be empty.
    pub comment: String,
}

/// `{"alarm": 17, "by": "Nora Quill", "comment": "on my way"}`; the comment may be left out.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SeenLine {
    alarm: u64,
    by: String,
    #[serde(default)]
    comment: String,
}

/// Longer words are cut: they go into mails.
const COMMENT_CHARS: usize = 300;

pub(crate) fn read(payload: &[u8]) -> Result<Seen, Fault> {
    let line: SeenLine =
        serde_json::from_slice(payload).map_err(|e| Fault::NotAnAcknowledgement { why: quoted(&e.to_string()) })?;
    let comment = line.comment.chars().take(COMMENT_CHARS).collect();
    Ok(Seen { alarm: line.alarm, by: line.by, comment })
}
