//! Every reason why a payload, or part of one, gives no reading, with the reader's next step.
//!
//! Must never say less than where to look: these texts are all the operator gets.

/// Why there is no reading.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub(crate) enum Fault {
    #[error("the topic is empty; give the device a topic that an entry under `topics` in {settings} names")]
    TopicEmpty { settings: String },
    #[error("the topic is {bytes} bytes long and {limit} are the limit; give the device a shorter one")]
    TopicTooLong { bytes: usize, limit: usize },
    #[error("the topic contains the control character U+{code:04X}, which no topic may; correct it in the device")]
    TopicControl { code: u32 },
    #[error(
        "the topic contains `{wildcard}`, which is for subscribing and stands in no message's topic; correct it in the device"
    )]
    TopicWildcard { wildcard: char },
    #[error(
        "no entry under `topics` in {settings} fits this topic; add one, or correct the topic in the device if it means to send readings"
    )]
    Unmapped { settings: String },
    #[error(
        "this makes `{id}`, and the site has no probe or blower of that id; add it to {settings}, or correct the topic in the device (the topic was read as {place} says)"
    )]
    UnknownSource { id: String, settings: String, place: String },
    #[error(
        "the payload is {bytes} bytes long and {limit} are the limit, so it was not read; make the device send smaller packs"
    )]
    PayloadTooLong { bytes: usize, limit: usize },
    #[error(
        "the broker had kept this message (retained) and it carries no time of its own that can be trusted, so nobody knows how old it is; the next fresh message will be taken"
    )]
    Stale,
    #[error(
        "the payload is empty; that deletes a retained message and is no reading (if the device means a value, make it send a number)"
    )]
    Empty,
    #[error("{panic}: what was sent was not read; please report it with what the device sends")]
    Panicked { panic: fence::Panic },
    #[error("the device says that it has no value (`{word}`); check the probe and its cable")]
    NoValue { word: String },
    #[error("`{text}` is not a finite number; check the probe and its cable")]
    NotFinite { text: String },
    #[error("`{text}` is too large for a number; check what the device computes")]
    TooLarge { text: String },
    #[error("`{text}` is not a plain decimal number: {hint} (read as {place} says)")]
    NotANumber { text: String, hint: &'static str, place: String },
    #[error("the payload is not JSON as {place} expects: {why}; correct what the device sends")]
    NotJson { why: String, place: String },
    #[error("there is nothing at `{pointer}`; correct the pointer at {place}, or mark the value `optional`")]
    NotFound { pointer: String, place: String },
    #[error("the value at `{pointer}` is null; check the probe and its cable, or mark the value `optional` at {place}")]
    Null { pointer: String, place: String },
    #[error(
        "the value at `{pointer}` is {kind}, not a number; make the device send a number, or correct the pointer at {place}"
    )]
    WrongKind { pointer: String, kind: &'static str, place: String },
    #[error("`{pointer}` cannot be used as a JSON pointer: {why}; correct it at {place}")]
    BadPointer { pointer: String, why: &'static str, place: String },
    #[error(
        "the unit at `{pointer}` is {found}, which is no unit of {quantity}; correct the device, or `unit_at` at {place}"
    )]
    BadUnit { pointer: String, found: String, quantity: String, place: String },
    #[error("the unit {unit} is no unit of {quantity}; correct it at {place}")]
    UnitMismatch { unit: &'static str, quantity: String, place: String },
    #[error(
        "the time `{text}` has no offset from UTC, so it cannot be placed; make the device send one, such as `2026-03-10T05:59:00Z` (time taken as {place} says)"
    )]
    LocalTime { text: String, place: String },
    #[error(
        "this is no acknowledgement: {why}; send `{{\"alarm\": 17, \"token\": \"...\", \"by\": \"Nora Quill\", \"comment\": \"on my way\"}}`, the comment may be left out"
    )]
    NotAnAcknowledgement { why: String },
    #[error(
        "the broker had kept this message (retained), and it would count again at every connection; publish it without the retain flag, and clear the topic by an empty retained message"
    )]
    KeptAcknowledgement,
    #[error(
        "this is no entry for the log: {why}; send `{{\"id\": \"7\", \"token\": \"...\", \"by\": \"Nora Quill\", \"bin\": \"north-1\", \"at\": \"2026-03-10T16:30:00Z\", \"says\": {{\"watered\": {{\"litres\": 120}}}}}}`, with `says` as `hypocaust log list --json` shows it"
    )]
    NotAnEntry { why: String },
    #[error("none of the optional values is in the payload; correct the pointers at {place}, or what the device sends")]
    NothingThere { place: String },
}

/// At most 60 characters of `text`, with control characters escaped, for quoting in a message.
pub(crate) fn quoted(text: &str) -> String {
    const KEPT: usize = 60;
    let mut out = String::new();
    escape_into(text, KEPT, &mut out);
    if text.chars().nth(KEPT).is_some() {
        out.push('…');
    }
    out
}

/// Appends the first `limit` characters of `text`; what a terminal or a mail could take for a command is escaped.
pub(crate) fn escape_into(text: &str, limit: usize, out: &mut String) {
    for c in text.chars().take(limit) {
        // The joiners too: a source or topic has no need of them, and with them two that look the same are not.
        if site::plain::steers(c) || matches!(c, '\u{200C}' | '\u{200D}') {
            out.extend(c.escape_default());
        } else {
            out.push(c);
        }
    }
}
