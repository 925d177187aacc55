//! A composed document: what a report says, block by block, before it is set on paper.
//!
//! Must never know what a report is about: words, figures and roundings are decided by whoever fills the blocks in. Every text is plain
//! text; nothing in it is read as markup, wherever it came from.

use pile::time::Timestamp;
use serde::{Serialize, Serializer};
use site::model::Paper;

pub use press::{Fault, Place, PressError, Pressed, TEMPLATE, Template};

/// A whole document, in the order of reading. Serialised, it is what the template finds as `doc`.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Document {
    /// What it is, "Batch process record"; the largest words of page one, in the head of every other, and the title of the file.
    pub title: String,
    /// What it covers, "Week 11 of 2026" or "Batch 2026-014, bin north-2"; below the title and in the head of every page but the first.
    pub subtitle: Option<String>,
    /// Whose document it is: facility or site; in the head of every page.
    pub site: String,
    /// What stands at the foot of every page beside its number: who made it from what, or how to check it. May be empty.
    pub footer: String,
    /// Language of the words as a tag of BCP 47, "en" or "de-AT": the voice that reads the file aloud.
    pub language: String,
    /// The sheet.
    #[serde(serialize_with = "paper")]
    pub paper: Paper,
    /// What it says.
    pub blocks: Vec<Block>,
}

/// One block of a document.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum Block {
    /// A heading; it never stands alone at the end of a page.
    Heading {
        /// 1 for a part, 2 and 3 within it; others are taken as the nearest. A part begins with level 1.
        level: u8,
        /// Its words.
        text: String,
    },
    /// A paragraph.
    Paragraph {
        /// Its words.
        text: String,
    },
    /// A paragraph in small type: where a figure comes from, how it was rounded.
    Note {
        /// Its words.
        text: String,
    },
    /// What can hurt people; framed, and never broken over two pages.
    Caution {
        /// The word in strong type before it, "Caution".
        lead: String,
        /// What can happen, and what keeps it from happening.
        text: String,
    },
    /// Terms and what they are here, one pair a line.
    Facts {
        /// The pairs.
        pairs: Vec<Fact>,
    },
    /// A list.
    List {
        /// How its items are marked.
        marks: Marks,
        /// The items.
        items: Vec<String>,
    },
    /// A table; its heads are repeated on every page it runs over.
    Table(Table),
    /// A picture.
    Figure {
        /// The name under which the picture is handed over with the document, "north-2.png": PNG or SVG.
        picture: String,
        /// What it shows, in words, for people who cannot see it; never empty.
        alt: String,
        /// Below it.
        caption: Option<String>,
    },
    /// Lines kept as they are, each letter equally wide: checkpoints, hashes, commands. Longer lines are broken at the margin.
    Verbatim {
        /// The lines.
        text: String,
    },
    /// Lines to sign on, with room for name, date and hand.
    Signatures {
        /// One line each.
        lines: Vec<Signature>,
    },
    /// The next block begins a page.
    PageBreak,
    /// Blocks that stay on one page if they fit on one. Page breaks have no place in it.
    Together {
        /// The blocks.
        blocks: Vec<Block>,
    },
}

/// A term and what it is here.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Fact {
    /// "Permit", "Hottest core".
    pub term: String,
    /// The value, with its unit.
    pub value: Cell,
}

/// How items of a list are marked.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Marks {
    /// Of equal rank.
    Bullets,
    /// In the order to be done.
    Numbers,
    /// Boxes to tick by hand.
    Boxes,
}

/// A table. Rows shorter than the heads end in empty cells; what goes beyond the heads is not set.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Table {
    /// Above it: what the table shows.
    pub caption: Option<String>,
    /// One a column.
    pub columns: Vec<Column>,
    /// The rows, from above.
    pub rows: Vec<Vec<Cell>>,
}

/// The head of a column, and how the column is set.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Column {
    /// Its words, with the unit.
    pub head: String,
    /// Figures stand right, so that their places line up.
    pub align: Align,
    /// How wide it becomes.
    pub width: Width,
}

/// At which side of its column a text stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Align {
    /// Words.
    Left,
    /// Figures.
    Right,
    /// Marks.
    Centre,
}

/// How wide a column becomes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Width {
    /// As wide as its longest cell; figures and short words.
    Fit,
    /// What the others leave, shared among all of this kind; sentences. A table with one is as wide as the page.
    Fill,
}

/// The text of a cell.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Cell {
    /// The words; may be empty.
    pub text: String,
    /// How they are set.
    pub weight: Weight,
}

/// How heavy a text is set.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Weight {
    /// As the text around it.
    Plain,
    /// What the eye should find first: a result, a limit that was passed.
    Strong,
}

/// A line to sign on.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Signature {
    /// In what role, "Reviewed by".
    pub role: String,
    /// Who, if it is known already; otherwise there is a line to write the name on.
    pub name: Option<String>,
}

impl Cell {
    /// A cell in the weight of the text around it.
    pub fn plain(text: impl Into<String>) -> Cell {
        Cell { text: text.into(), weight: Weight::Plain }
    }

    /// A cell that the eye should find first.
    pub fn strong(text: impl Into<String>) -> Cell {
        Cell { text: text.into(), weight: Weight::Strong }
    }
}

impl<T: Into<String>> From<T> for Cell {
    fn from(text: T) -> Cell {
        Cell::plain(text)
    }
}

impl Column {
    /// A column of words as wide as the longest of them.
    pub fn words(head: impl Into<String>) -> Column {
        Column { head: head.into(), align: Align::Left, width: Width::Fit }
    }

    /// A column of figures.
    pub fn figures(head: impl Into<String>) -> Column {
        Column { head: head.into(), align: Align::Right, width: Width::Fit }
    }

    /// A column of sentences, which takes what width is left.
    pub fn sentences(head: impl Into<String>) -> Column {
        Column { head: head.into(), align: Align::Left, width: Width::Fill }
    }
}

/// Why a document could not be put on paper.
#[derive(Debug, thiserror::Error)]
pub enum DocumentError {
    /// A figure names a picture that was not handed over.
    #[error(
        "the document \"{title}\" shows the picture `{picture}`, which was not handed over with it; this is a fault of the program, please report it"
    )]
    Picture {
        /// Title of the document.
        title: String,
        /// The name of the picture.
        picture: String,
    },
    /// The document cannot be written as JSON.
    #[error("the document \"{title}\" cannot be written as JSON; this is a fault of the program, please report it")]
    Json {
        /// Title of the document.
        title: String,
        /// What the writer says.
        #[source]
        source: serde_json::Error,
    },
    /// Template and document do not go together.
    #[error("the document \"{title}\" was not made")]
    Press {
        /// Title of the document.
        title: String,
        /// What was refused, and where.
        #[source]
        source: PressError,
    },
}

/// A document with everything in it that documents are made of, and its picture: what a template is tried on. A `bare` one lacks what a
/// document may lack.
pub fn sample(paper: Paper, bare: bool) -> (Document, Vec<(String, Vec<u8>)>) {
    let picture = "<svg xmlns='http://www.w3.org/2000/svg' width='900' height='240'><path d='M40 20V200H880' stroke='black' fill='none'/>\
                   <path d='M40 190L300 60L880 70' stroke='black' stroke-width='3' fill='none'/><text x='50' y='34' font-size='20'>°C</text></svg>";
    let text = |text: &str| text.to_owned();
    let sentence =
        "The core stood above 55 °C from Tuesday 06:10 until the pile was watered on Thursday, and again after it.";
    let rows = (1..=40)
        .map(|n| vec![Cell::strong(format!("north-{n}")), format!("{}.5", 40 + n % 30).into(), Cell::plain(sentence)]);
    let table = Table {
        caption: (!bare).then(|| text("A table that runs over pages")),
        columns: vec![Column::words("Bin"), Column::figures("Core, °C"), Column::sentences("What happened")],
        rows: rows.collect(),
    };
    let wide = Table {
        caption: None,
        columns: (1..=11).map(|n| Column::figures(format!("Position {n}"))).collect(),
        rows: vec![(1..=11).map(|n| format!("5{}.4", n % 10).into()).collect(); 3],
    };
    let fact = |term: &str, value: Cell| Fact { term: text(term), value };
    let blocks = vec![
        Block::Facts {
            pairs: vec![
                fact("Permit", "No. 14".into()),
                fact("Result", Cell::strong("met")),
                fact("Measured", sentence.into()),
            ],
        },
        Block::Heading { level: 1, text: text("A part") },
        Block::Heading { level: 2, text: text("A chapter") },
        Block::Heading { level: 3, text: text("A section") },
        Block::Paragraph { text: format!("{sentence} {sentence}\nA line of its own.") },
        Block::Note { text: text("A note: where a figure comes from.") },
        Block::Caution { lead: text("Caution"), text: text("Hot material and steam can injure.") },
        Block::List { marks: Marks::Bullets, items: vec![text("of equal rank"), sentence.to_owned()] },
        Block::List { marks: Marks::Numbers, items: vec![text("first"), text("second")] },
        Block::List { marks: Marks::Boxes, items: vec![text("to tick by hand")] },
        Block::Figure {
            picture: text("core.svg"),
            alt: text("A line that rises and stays"),
            caption: (!bare).then(|| text("A picture")),
        },
        Block::Verbatim { text: text("example/record\n11206\nCsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=") },
        Block::Table(wide),
        Block::Table(table),
        Block::PageBreak,
        Block::Together {
            blocks: vec![
                Block::Heading { level: 1, text: text("Review") },
                Block::Signatures {
                    lines: vec![
                        Signature { role: text("Reviewed by"), name: Some(text("A name")) },
                        Signature { role: text("Released by"), name: None },
                    ],
                },
            ],
        },
    ];
    let document = Document {
        title: text("A sample of all that documents are made of"),
        subtitle: (!bare).then(|| text("to try a template on")),
        site: text("The site"),
        footer: if bare { String::new() } else { text("What stands at the foot of every page") },
        language: text("en"),
        paper,
        blocks,
    };
    (document, vec![(text("core.svg"), picture.into())])
}

/// Puts `document` on paper: a PDF/A-2a that is also PDF/UA-1, the same bytes for the same arguments.
///
/// `pictures` are PNG or SVG files by the names that figures give them. Without a `template` that which ships is used. What a person
/// should look at all the same, such as letters that no font has, is in the warnings. A few pages take some
/// hundredths of a second, sixty with a chart on each about half a second: too long for a loop that others wait for.
pub fn pdf(
    document: &Document,
    pictures: Vec<(String, Vec<u8>)>,
    made_at: Timestamp,
    template: Option<Template<'_>>,
) -> Result<Pressed, DocumentError> {
    let title = || document.title.clone();
    if let Some(picture) = lacking(&document.blocks, &pictures) {
        return Err(DocumentError::Picture { title: title(), picture: picture.to_owned() });
    }
    let mut settled = document.clone();
    settle_levels(&mut settled.blocks, &mut 0);
    let data = serde_json::to_vec(&settled).map_err(|source| DocumentError::Json { title: title(), source })?;
    let job = press::Job {
        template: template.unwrap_or(Template { name: press::TEMPLATE_NAME, text: TEMPLATE }),
        data: &data,
        pictures,
        made_at,
        title: &document.title,
        language: &document.language,
    };
    press::pdf(&job).map_err(|source| DocumentError::Press { title: title(), source })
}

/// The first picture that is shown and was not handed over.
fn lacking<'a>(blocks: &'a [Block], pictures: &[(String, Vec<u8>)]) -> Option<&'a str> {
    blocks.iter().find_map(|block| match block {
        Block::Figure { picture, .. } => {
            (!pictures.iter().any(|(name, _)| name == picture)).then_some(picture.as_str())
        }
        Block::Together { blocks } => lacking(blocks, pictures),
        _ => None,
    })
}

/// Brings levels of headings to 1 to 3, none more than one below the heading before it: a reader who hears the document goes by them.
fn settle_levels(blocks: &mut [Block], above: &mut u8) {
    for block in blocks {
        match block {
            // Who hears the document does not hear it.
            Block::Heading { level, text } if text.trim().is_empty() => *level = (*level).clamp(1, 3),
            Block::Heading { level, .. } => {
                *level = (*level).clamp(1, 3).min(*above + 1);
                *above = *level;
            }
            Block::Together { blocks } => settle_levels(blocks, above),
            _ => {}
        }
    }
}

/// The sheet by the name that the template knows it by.
fn paper<S: Serializer>(paper: &Paper, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(match paper {
        Paper::A4 => "a4",
        Paper::Letter => "us-letter",
    })
}
