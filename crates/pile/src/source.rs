//! Where a number comes from, as data that a printer can show beside it.
//!
//! Must never call a number sourced that nobody read in its source.

use std::fmt;

/// A document, and how well the number is known to stand in it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Source {
    /// Document, edition and table where known; empty for common practice.
    pub document: &'static str,
    /// How well the number is known.
    pub standing: Standing,
}

/// How well a number is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Standing {
    /// Read in the document or in a copy of it.
    Read,
    /// Remembered from the document, which was not at hand.
    FromMemory,
    /// What the trade does; no document is known.
    CommonPractice,
}

impl Source {
    /// A number that was read in the document.
    pub const fn read(document: &'static str) -> Source {
        Source { document, standing: Standing::Read }
    }

    /// A number that is remembered from the document.
    pub const fn from_memory(document: &'static str) -> Source {
        Source { document, standing: Standing::FromMemory }
    }

    /// A number that the trade uses.
    pub const fn common_practice() -> Source {
        Source { document: "", standing: Standing::CommonPractice }
    }
}

/// Prints `NRAES-54 (not checked)`, or `rule of thumb`.
impl fmt::Display for Source {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.standing {
            Standing::Read => f.write_str(self.document),
            Standing::FromMemory => write!(f, "{} (not checked)", self.document),
            Standing::CommonPractice => f.write_str("rule of thumb"),
        }
    }
}
