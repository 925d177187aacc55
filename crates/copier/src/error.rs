//! What can go wrong with the copy, and how long to wait before it is tried again.
//!
//! Must never repeat the token.

use std::path::PathBuf;
use std::time::Duration;

/// Longest part of an answer's text that a message repeats.
const SAID_CHARACTERS: usize = 300;

/// Why something was not copied or not read back.
#[derive(Debug, thiserror::Error)]
pub enum CopyError {
    /// The authority's certificate.
    #[error(
        "the certificates in {path} cannot be used: {why}; `ca_file` in influx must be a PEM file with the authority to trust"
    )]
    Authority {
        /// Which file.
        path: PathBuf,
        /// Why.
        why: String,
    },
    /// The client.
    #[error("a connection to {url} cannot be set up: {why}")]
    Client {
        /// Where to.
        url: String,
        /// Why.
        why: String,
    },
    /// No answer, or one that broke off.
    #[error("{url} gave no whole answer: {why}; see whether InfluxDB runs there and whether this machine reaches it")]
    Away {
        /// Who.
        url: String,
        /// Why.
        why: String,
    },
    /// HTTP 401 or 403.
    #[error(
        "{url} does not accept the token (HTTP {status}: {said}); make one that may read and write the bucket {bucket}, and put it into the file \
         that the settings name under influx"
    )]
    Token {
        /// Who.
        url: String,
        /// The answer's number.
        status: u16,
        /// Its words.
        said: String,
        /// The bucket.
        bucket: String,
    },
    /// HTTP 404.
    #[error(
        "{url} knows no such place (HTTP 404: {said}); make the bucket {bucket} in the organisation {organisation}, or correct the settings"
    )]
    NoBucket {
        /// Who.
        url: String,
        /// Its words.
        said: String,
        /// The bucket.
        bucket: String,
        /// The organisation.
        organisation: String,
    },
    /// HTTP 429 or 503.
    #[error("{url} is busy (HTTP {status}: {said}); it is asked again later")]
    Busy {
        /// Who.
        url: String,
        /// The answer's number.
        status: u16,
        /// Its words.
        said: String,
    },
    /// HTTP 413.
    #[error("{url} does not take so much at once (HTTP 413: {said})")]
    TooLarge {
        /// Who.
        url: String,
        /// Its words.
        said: String,
    },
    /// Another answer than the one that was asked for: the request is at fault.
    #[error("{url} refused it (HTTP {status}: {said})")]
    Refused {
        /// Who.
        url: String,
        /// The answer's number.
        status: u16,
        /// Its words.
        said: String,
    },
    /// HTTP 5xx.
    #[error("{url} failed (HTTP {status}: {said}); its own log says why")]
    Failed {
        /// Who.
        url: String,
        /// The answer's number.
        status: u16,
        /// Its words.
        said: String,
    },
    /// An answer that is not what the published interface says, or an error inside it.
    #[error("the answer of {url} cannot be read: {why}")]
    Answer {
        /// Who.
        url: String,
        /// Why.
        why: String,
    },
}

impl CopyError {
    /// How long to wait before the next attempt, after so many in a row that failed. Something that a person must set right is asked for
    /// seldom; a busy server is given half a minute at the least, because the client library does not hand on for how long it asks
    /// (`Retry-After`).
    pub fn wait(&self, failed: u32) -> Duration {
        let doubled = Duration::from_secs(1 << failed.saturating_sub(1).min(9));
        let least = match self {
            CopyError::Busy { .. } => Duration::from_secs(30),
            CopyError::Token { .. }
            | CopyError::NoBucket { .. }
            | CopyError::Authority { .. }
            | CopyError::Client { .. } => Duration::from_secs(60),
            _ => Duration::ZERO,
        };
        doubled.max(least).min(Duration::from_secs(300))
    }
}

/// The words of an answer, on one line and not too many.
pub(crate) fn said(text: &str) -> String {
    let line: String = text.split_whitespace().collect::<Vec<_>>().join(" ");
    if line.is_empty() {
        return "no words".into();
    }
    line.chars().take(SAID_CHARACTERS).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_waits_grow_and_end_at_five_minutes() {
        let url = String::from("http://influx.example");
        let away = CopyError::Away { url: url.clone(), why: String::new() };
        let seconds: Vec<u64> = [1, 2, 3, 9, 10, 4_000_000_000].map(|n| away.wait(n).as_secs()).into();
        assert_eq!(seconds, [1, 2, 4, 256, 300, 300]);
        let busy = CopyError::Busy { url: url.clone(), status: 429, said: String::new() };
        assert_eq!((busy.wait(1).as_secs(), busy.wait(7).as_secs()), (30, 64));
        let token = CopyError::Token { url, status: 401, said: String::new(), bucket: String::new() };
        assert_eq!(token.wait(1).as_secs(), 60, "a person must act first");
    }
}
