//! What was refused or is doubted, told with file, line, column and the line itself.
//!
//! Must never keep back what can be done about it.

use std::fmt;

use pile::time::Timestamp;

/// Why a document was not made.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum PressError {
    /// Template, data or pictures were refused.
    #[error("the document cannot be set:\n{}", lines(faults))]
    Refused {
        /// Each fault; at least one.
        faults: Vec<Fault>,
    },
    /// The program failed on the way.
    #[error("the document cannot be set: {0}; please report it, with the template")]
    Panicked(fence::Panic),
    /// The data is no JSON.
    #[error("the data of a document is no JSON: {0}; this is a fault of the program, please report it")]
    Data(String),
    /// The date is none that a file can carry.
    #[error("{} ms since 1970 is no date that a document can carry; correct the clock", .0.as_millis())]
    Date(Timestamp),
    /// A font that is built in cannot be read.
    #[error("the font {0} that is built in cannot be read; this is a fault of the program, please report it")]
    Font(&'static str),
    /// The standards for the file are not to be had together.
    #[error(
        "the file cannot be made to the standards PDF/A-2a and PDF/UA-1: {0}; this is a fault of the program, please report it"
    )]
    Standards(String),
}

/// One thing that was refused or is doubted.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    /// Where; not every fault has a place.
    pub place: Option<Place>,
    /// What.
    pub message: String,
    /// What to do about it; may be empty.
    pub remedies: Vec<String>,
}

/// A place in a text.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Place {
    /// The template by its name.
    pub file: String,
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// The line itself, cut if it is very long.
    pub text: String,
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(Place { file, line, column, .. }) = &self.place {
            write!(f, "{file}:{line}:{column}: ")?;
        }
        f.write_str(&self.message)?;
        for remedy in &self.remedies {
            write!(f, "; {remedy}")?;
        }
        if let Some(Place { line, text, .. }) = &self.place {
            write!(f, "\n  {line} | {text}")?;
        }
        Ok(())
    }
}

fn lines(faults: &[Fault]) -> String {
    faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n")
}
