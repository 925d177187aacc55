//! Names of things at a site, one type each so that a probe is never taken for a bin.
//!
//! Must never be empty or hold anything but letters, digits, `-`, `_` and `.`: ids appear in topics, subjects and file names.

use std::fmt;
use std::sync::Arc;

/// Why a text cannot be an id.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("`{0}` cannot be an id: use 1 to 40 letters, digits, `-`, `_` or `.`, starting with a letter or digit")]
pub struct BadId(pub String);

fn checked(text: &str) -> Result<Arc<str>, BadId> {
    let ok = !text.is_empty()
        && text.len() <= 40
        && text.starts_with(|c: char| c.is_ascii_alphanumeric())
        && text.chars().all(|c| c.is_ascii_alphanumeric() || "-_.".contains(c));
    if ok { Ok(text.into()) } else { Err(BadId(text.into())) }
}

macro_rules! id {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub struct $name(Arc<str>);

        impl $name {
            /// Checks the text and keeps it.
            ///
            /// # Errors
            /// [`BadId`] when the text is empty, longer than 40 characters or has a character that topics or file names cannot bear.
            pub fn new(text: &str) -> Result<Self, BadId> {
                checked(text).map(Self)
            }
            /// The id as text.
            pub fn as_str(&self) -> &str {
                &self.0
            }
        }
        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(&self.0)
            }
        }
        impl fmt::Debug for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write!(f, "{}", self.0)
            }
        }
    };
}

id!(
    /// A bin: a place where one batch at a time is aerated.
    BinId
);
id!(
    /// A probe: one instrument, at one position.
    ProbeId
);
id!(
    /// A blower: one fan, which may serve several bins.
    BlowerId
);
id!(
    /// A valve between a blower and a bin.
    ValveId
);
