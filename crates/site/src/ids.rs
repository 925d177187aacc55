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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ids_hold_what_topics_and_file_names_can_bear() {
        let longest = "a".repeat(40);
        let too_long = "a".repeat(41);
        for (text, ok, why) in [
            ("north-1", true, "letters, digits, a dash"),
            ("7", true, "one digit"),
            ("a_b.c-d", true, "every sign that is allowed"),
            (&longest, true, "40 characters"),
            (&too_long, false, "41 characters"),
            ("", false, "empty"),
            ("-north", false, "begins with a sign: a command line would take it for an option"),
            (".hidden", false, "begins with a dot: a hidden file"),
            ("north 1", false, "a blank"),
            ("north/1", false, "a slash separates topic levels and folders"),
            ("north+", false, "a wildcard"),
            ("nörd", false, "not ASCII"),
            ("north\n1", false, "a line break would end a mail header"),
        ] {
            assert_eq!(BinId::new(text).is_ok(), ok, "{text:?}: {why}");
            assert_eq!(ProbeId::new(text).is_ok(), ok, "{text:?}: {why}");
        }
    }

    #[test]
    fn a_refused_id_is_named_in_the_message() {
        let message = BlowerId::new("fan 1").unwrap_err().to_string();
        assert!(message.starts_with("`fan 1` cannot be an id"), "{message}");
    }

    #[test]
    fn ids_print_as_written_and_sort_as_text() {
        let ids: Vec<String> =
            ["b", "a-2", "a-10"].iter().map(|t| ValveId::new(t).unwrap()).map(|id| id.to_string()).collect();
        assert_eq!(ids, ["b", "a-2", "a-10"]);
        assert!(BinId::new("a-10").unwrap() < BinId::new("a-2").unwrap());
        assert_eq!(format!("{:?}", BinId::new("a-10").unwrap()), "a-10");
    }
}
