//! What a report is made of, from which its text, its page and its document come: none of them can say less than the others.
//!
//! Must never hold markup: every text in it is plain.

use super::facts::Course;

/// A whole report.
#[derive(Clone, Debug, PartialEq)]
pub struct Report {
    /// What it is, such as `Weekly summary 2026-W10, Hof Süd`.
    pub title: String,
    /// What it says, in the order of reading.
    pub blocks: Vec<Block>,
}

/// One block of a report.
#[derive(Clone, Debug, PartialEq)]
pub enum Block {
    /// The heading of a section.
    Heading(String),
    /// The heading of a part of a section.
    Subheading(String),
    /// What matters most, in a line or two.
    Lead(String),
    /// A paragraph.
    Paragraph(String),
    /// What can hurt, or mislead.
    Caution(String),
    /// Names and values.
    Facts(Vec<(String, String)>),
    /// Lines of equal rank.
    List(Vec<String>),
    /// A table.
    Table(Table),
    /// A picture of a batch's course.
    Figure {
        /// What it shows, and how to read it.
        caption: String,
        /// The same in words, one line a probe or mark.
        in_words: Vec<String>,
        /// What is drawn.
        course: Course,
    },
    /// Text that must stay as it is, line by line.
    Verbatim(String),
    /// Room for a person's statement and signature.
    Signature {
        /// What is signed.
        statement: String,
        /// What is to be filled in.
        fields: Vec<String>,
    },
}

/// A table.
#[derive(Clone, Debug, PartialEq)]
pub struct Table {
    /// Heads of the columns, the first one that of the rows.
    pub heads: Vec<String>,
    /// The rows.
    pub rows: Vec<Row>,
}

/// One row of a table.
#[derive(Clone, Debug, PartialEq)]
pub struct Row {
    /// One for each column.
    pub cells: Vec<String>,
    /// What does not fit into a column; below the row.
    pub remarks: Vec<String>,
}

/// Heads of columns that are always the same.
pub fn heads<const N: usize>(heads: [&str; N]) -> Vec<String> {
    heads.map(str::to_owned).to_vec()
}

impl Row {
    /// A row without remarks.
    pub fn of(cells: Vec<String>) -> Row {
        Row { cells, remarks: Vec::new() }
    }
}
