//! What a template asks to be set: elements, and how each looks.
//!
//! Must never know where on a page anything comes to stand.

use std::sync::Arc;

use rhai::{ImmutableString, Position};

/// The sheet, and all that comes onto it.
#[derive(Clone, Debug)]
pub(crate) struct Sheet {
    /// The call that gave it.
    pub(crate) at: Position,
    pub(crate) page: Page,
    pub(crate) body: Vec<Element>,
}

/// A sheet of paper; lengths in points, 1/72 inch.
#[derive(Clone, Debug)]
pub(crate) struct Page {
    pub(crate) width: f32,
    pub(crate) height: f32,
    pub(crate) margins: Sides<f32>,
    /// Above the text of page one.
    pub(crate) first_head: Vec<Element>,
    /// Above the text of the others.
    pub(crate) head: Vec<Element>,
    pub(crate) foot: Vec<Element>,
    /// Between the head and the text, and between the text and the foot.
    pub(crate) head_gap: f32,
    pub(crate) foot_gap: f32,
    pub(crate) look: Look,
    /// Whose document it is, for those who keep the file.
    pub(crate) author: Option<String>,
}

/// One thing to be set, and the call in the template that asked for it.
#[derive(Clone, Debug)]
pub(crate) struct Element {
    pub(crate) node: Arc<Node>,
    pub(crate) at: Position,
    /// How many elements stand in each other here, with itself.
    pub(crate) depth: usize,
    /// How many elements there are here, with itself.
    pub(crate) count: usize,
    /// Bytes of the texts here.
    pub(crate) letters: usize,
    /// How many pictures there are here.
    pub(crate) pictures: usize,
}

#[derive(Clone, Debug)]
pub(crate) enum Node {
    Text(Text),
    Frame(Frame),
    Columns(Columns),
    Table(Table),
    List(List),
    Picture(Picture),
    Lines(Lines),
    NewPage,
}

impl Node {
    /// The elements in it.
    pub(crate) fn inside(&self) -> Vec<&Element> {
        match self {
            Node::Text(_) | Node::Lines(_) | Node::NewPage => Vec::new(),
            Node::Frame(frame) => frame.inside.iter().collect(),
            Node::Columns(columns) => columns.inside.iter().flatten().collect(),
            Node::Table(table) => {
                let heads = table.columns.iter().filter_map(|column| column.head.as_ref()).flatten();
                heads.chain(table.rows.iter().flatten().flatten()).chain(&table.caption).collect()
            }
            Node::List(list) => list.items.iter().flatten().collect(),
            Node::Picture(picture) => picture.caption.iter().collect(),
        }
    }
}

impl Node {
    /// Bytes of its own texts, without those of the elements in it.
    pub(crate) fn letters(&self) -> usize {
        match self {
            Node::Text(text) => text.parts.iter().fold(0, |sum: usize, part| sum.saturating_add(part.words.len())),
            Node::Lines(lines) => lines.words.len(),
            Node::Picture(picture) => picture.says.len(),
            Node::Frame(_) | Node::Columns(_) | Node::Table(_) | Node::List(_) | Node::NewPage => 0,
        }
    }
}

/// How letters look; what is not said is as around it.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Look {
    pub(crate) size: Option<f32>,
    pub(crate) strong: Option<bool>,
    /// 0 is black, 255 is white.
    pub(crate) grey: Option<u8>,
    /// All letters equally wide.
    pub(crate) equal: Option<bool>,
}

impl Look {
    /// This look, and for what it does not say that `around` it.
    pub(crate) fn within(self, around: Look) -> Look {
        Look {
            size: self.size.or(around.size),
            strong: self.strong.or(around.strong),
            grey: self.grey.or(around.grey),
            equal: self.equal.or(around.equal),
        }
    }

    pub(crate) fn points(self) -> f32 {
        self.size.unwrap_or(10.0)
    }
}

/// Room above and below; between two elements the larger counts.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Gaps {
    pub(crate) above: Option<f32>,
    pub(crate) below: Option<f32>,
}

#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) enum Side {
    #[default]
    Left,
    Centre,
    Right,
}

#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Sides<T> {
    pub(crate) left: T,
    pub(crate) right: T,
    pub(crate) top: T,
    pub(crate) bottom: T,
}

/// A line along an edge.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Edge {
    pub(crate) thick: f32,
    pub(crate) grey: u8,
}

/// Words of one look.
#[derive(Clone, Debug)]
pub(crate) struct Part {
    pub(crate) words: ImmutableString,
    pub(crate) look: Look,
    /// Instead of words, a number that is known when all pages are.
    pub(crate) number: Option<Number>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Number {
    Page,
    Pages,
}

impl Part {
    pub(crate) fn plain(words: impl Into<ImmutableString>) -> Part {
        Part { words: words.into(), look: Look::default(), number: None }
    }
}

/// What a text is to somebody who hears the document.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Role {
    Paragraph,
    Title,
    Heading(u8),
}

#[derive(Clone, Debug)]
pub(crate) struct Text {
    pub(crate) role: Role,
    pub(crate) parts: Vec<Part>,
    pub(crate) look: Look,
    /// None: as the column it stands in, otherwise left.
    pub(crate) align: Option<Side>,
    /// Room between two lines, in sizes of the letters.
    pub(crate) leading: f32,
    pub(crate) gaps: Gaps,
    /// Never alone at the foot of a page.
    pub(crate) with_next: bool,
}

#[derive(Clone, Debug)]
pub(crate) struct Frame {
    pub(crate) inside: Vec<Element>,
    pub(crate) look: Look,
    pub(crate) gaps: Gaps,
    pub(crate) inset: Sides<f32>,
    pub(crate) edges: Sides<Option<Edge>>,
    /// On one page, if it fits on one.
    pub(crate) together: bool,
    /// At least so high; what is inside stands at its foot.
    pub(crate) height: Option<f32>,
}

/// How wide a column becomes.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Width {
    /// As wide as what stands in it, but no more than this share of the whole.
    Fit {
        most: f32,
    },
    /// Its share of what the others leave.
    Fill {
        share: f32,
    },
    Points(f32),
}

/// Elements side by side.
#[derive(Clone, Debug)]
pub(crate) struct Columns {
    pub(crate) widths: Vec<Width>,
    pub(crate) gap: f32,
    pub(crate) inside: Vec<Vec<Element>>,
    pub(crate) gaps: Gaps,
    pub(crate) look: Look,
}

#[derive(Clone, Debug)]
pub(crate) struct Column {
    pub(crate) head: Option<Vec<Element>>,
    pub(crate) align: Side,
    pub(crate) width: Width,
}

#[derive(Clone, Debug)]
pub(crate) struct Table {
    pub(crate) columns: Vec<Column>,
    /// Row by row, cell by cell.
    pub(crate) rows: Vec<Vec<Vec<Element>>>,
    /// The first cell of each row says what the row is.
    pub(crate) named_rows: bool,
    pub(crate) caption: Option<Element>,
    pub(crate) rules: Rules,
    pub(crate) inset: Sides<f32>,
    /// Instead of the inset at the outer sides of the table.
    pub(crate) outer: f32,
    pub(crate) look: Look,
    pub(crate) gaps: Gaps,
}

/// Lines of a table: above it, below its heads, between rows, below it.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Rules {
    pub(crate) top: Option<Edge>,
    pub(crate) head: Option<Edge>,
    pub(crate) rows: Option<Edge>,
    pub(crate) bottom: Option<Edge>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Marks {
    Bullets,
    Numbers,
    Boxes,
}

#[derive(Clone, Debug)]
pub(crate) struct List {
    pub(crate) marks: Marks,
    pub(crate) items: Vec<Vec<Element>>,
    /// Between two items.
    pub(crate) between: f32,
    pub(crate) look: Look,
    pub(crate) gaps: Gaps,
}

#[derive(Clone, Debug)]
pub(crate) struct Picture {
    pub(crate) name: String,
    /// What it shows, for people who cannot see it.
    pub(crate) says: String,
    /// As wide as the text, but never higher than this share of its height.
    pub(crate) highest: f32,
    pub(crate) caption: Option<Element>,
    pub(crate) gaps: Gaps,
}

/// Lines as they are, in letters that are equally wide.
#[derive(Clone, Debug)]
pub(crate) struct Lines {
    pub(crate) words: String,
    pub(crate) look: Look,
    /// Letters shrink until the longest line fits, if it has no more than so many letters.
    pub(crate) shrink_up_to: usize,
    pub(crate) leading: f32,
    pub(crate) gaps: Gaps,
}
