//! Elements to pieces: what is set, how high it is, and what may not be parted from it.
//!
//! Must never know on which page a piece comes to stand, nor cut what stands in one piece.

use std::collections::BTreeMap;
use std::num::NonZeroU16;
use std::rc::Rc;

use krilla::tagging::{ListNumbering, Tag};

use crate::columns;
use crate::element::{
    Columns, Edge, Element, Frame, Gaps, Lines, List, Look, Marks, Node, PAGE_COUNT, PAGE_NUMBER, Part, Picture, Role,
    Side, Sides, Text,
};
use crate::fault::{Fault, PressError};
use crate::picture::Drawing;
use crate::tags::{Group, Tags};
use crate::text::{CAPITAL, EQUAL_WIDTH, Extent, Setter, Shaped};
use crate::{Template, template};

/// Room above and below a text that does not say how much, in sizes of its letters.
const GAP: f32 = 0.95;
/// From the left to the mark of an item, and from the widest mark to its words.
const MARK_INDENT: f32 = 2.0;
const MARK_ROOM: f32 = 6.0;
/// The side of a box to tick, in sizes of the letters, and how thick its lines are.
const BOX_SIDE: f32 = 0.78;
const BOX_LINE: f32 = 0.7;

/// One mark on paper, from the upper left corner of its piece.
#[derive(Clone, Debug)]
pub(crate) struct Mark {
    pub(crate) x: f32,
    pub(crate) y: f32,
    pub(crate) what: What,
    pub(crate) group: Group,
}

#[derive(Clone, Debug)]
pub(crate) enum What {
    /// A line of words; `y` is where they stand on.
    Words {
        shaped: Rc<Shaped>,
        line: usize,
    },
    /// A rectangle full of ink.
    Ink {
        width: f32,
        height: f32,
        grey: u8,
    },
    Picture {
        name: String,
        width: f32,
        height: f32,
    },
    /// A cell with nothing in it is a cell all the same.
    Nothing,
}

/// A heading that the outline of the file lists.
#[derive(Clone, Debug)]
pub(crate) struct Listed {
    pub(crate) level: u8,
    pub(crate) words: String,
}

/// What stands on one page.
#[derive(Clone, Debug, Default)]
pub(crate) struct Piece {
    pub(crate) above: f32,
    pub(crate) height: f32,
    pub(crate) below: f32,
    /// Not the last on its page.
    pub(crate) with_next: bool,
    pub(crate) new_page: bool,
    pub(crate) marks: Vec<Mark>,
    /// Set before it where it begins a page.
    pub(crate) repeated: Option<Rc<Piece>>,
    pub(crate) listed: Option<Listed>,
}

impl Piece {
    fn moved(mut self, x: f32, y: f32) -> Piece {
        for mark in &mut self.marks {
            mark.x += x;
            mark.y += y;
        }
        self
    }

    pub(crate) fn ink(&mut self, x: f32, y: f32, width: f32, height: f32, grey: u8) {
        let what = What::Ink { width, height, grey };
        self.marks.push(Mark { x, y, what, group: Tags::NOWHERE });
    }

    /// The same to look at, but saying nothing.
    pub(crate) fn silent(&self) -> Piece {
        let mut silent = self.clone();
        silent.marks.retain(|mark| !matches!(mark.what, What::Nothing));
        for mark in &mut silent.marks {
            mark.group = Tags::NOWHERE;
        }
        silent.listed = None;
        silent
    }
}

/// Pieces one below the other as one; room above the first and below the last is the room of the whole.
pub(crate) fn stacked(pieces: Vec<Piece>) -> Piece {
    let mut whole = Piece::default();
    let mut below: Option<f32> = None;
    for piece in pieces.into_iter().filter(|piece| !piece.new_page) {
        match below {
            None => whole.above = piece.above,
            Some(below) => whole.height += below.max(piece.above),
        }
        below = Some(piece.below);
        let y = whole.height;
        whole.height += piece.height;
        whole.with_next = piece.with_next;
        whole.listed = whole.listed.or_else(|| piece.listed.clone());
        whole.marks.extend(piece.moved(0.0, y).marks);
    }
    whole.below = below.unwrap_or(0.0);
    whole
}

/// Sets elements, one after the other.
pub(crate) struct Press<'a> {
    pub(crate) setter: Setter,
    pub(crate) tags: Tags,
    pub(crate) drawings: &'a BTreeMap<String, Drawing>,
    pub(crate) template: Template<'a>,
    /// Height of the text on a page.
    pub(crate) room: f32,
    /// Level of the last heading.
    pub(crate) level: u8,
    pub(crate) tables: usize,
}

impl Press<'_> {
    pub(crate) fn flow(
        &mut self,
        elements: &[Element],
        width: f32,
        look: Look,
        group: Group,
    ) -> Result<Vec<Piece>, PressError> {
        let mut pieces = Vec::new();
        for element in elements {
            pieces.extend(self.one(element, width, look, Side::Left, group)?);
        }
        Ok(pieces)
    }

    /// One element in a column whose texts stand at `side`.
    pub(crate) fn one(
        &mut self,
        element: &Element,
        width: f32,
        look: Look,
        side: Side,
        group: Group,
    ) -> Result<Vec<Piece>, PressError> {
        match element.node.as_ref() {
            Node::Text(text) => {
                let kind = self.text_group(text, element, group)?;
                Ok(self.text(text, width, look, side, kind))
            }
            Node::Frame(frame) => self.frame(frame, width, look, group),
            Node::Columns(columns) => self.columns(columns, width, look, group),
            Node::Table(table) => self.table(table, width, look, group),
            Node::List(list) => self.list(list, width, look, group),
            Node::Picture(picture) => self.picture(picture, element, width, look, group),
            Node::Lines(lines) => Ok(self.lines(lines, width, look, group)),
            Node::NewPage => Ok(vec![Piece { new_page: true, ..Piece::default() }]),
        }
    }

    /// What is refused at the call that made `element`.
    pub(crate) fn refused(&self, element: &Element, message: String, remedy: &str) -> PressError {
        let place = template::place(&self.template, element.at);
        PressError::Refused { faults: vec![Fault { place, message, remedies: vec![remedy.to_owned()] }] }
    }

    fn text_group(&mut self, text: &Text, element: &Element, within: Group) -> Result<Group, PressError> {
        let numbered = |part: &Part| part.words.contains([PAGE_NUMBER, PAGE_COUNT]);
        if self.setter.numbers.is_none() && text.parts.iter().any(numbered) {
            let message = "here no page has a number yet".to_owned();
            return Err(self.refused(element, message, "page_number() and page_count() stand in `head` and `foot`"));
        }
        if within == Tags::NOWHERE || text.parts.iter().all(|part| part.words.trim().is_empty()) {
            return Ok(Tags::NOWHERE);
        }
        match text.role {
            Role::Paragraph => Ok(self.tags.group(within, Tag::P)),
            Role::Title => Ok(self.tags.group(within, Tag::Title)),
            Role::Heading(level) => {
                if level > self.level + 1 {
                    let message =
                        format!("a heading of level {level} stands where level {} is the deepest", self.level + 1);
                    return Err(self.refused(
                        element,
                        message,
                        "leave no level out: a reader who hears the document goes by them",
                    ));
                }
                self.level = level;
                let level = NonZeroU16::new(level.into()).unwrap_or(NonZeroU16::MIN);
                Ok(self.tags.group(within, Tag::Hn(level, Some(words_of(text)))))
            }
        }
    }

    /// Lines of a text, each a piece.
    pub(crate) fn text(&mut self, text: &Text, width: f32, look: Look, side: Side, group: Group) -> Vec<Piece> {
        let look = text.look.within(look);
        let size = look.points();
        let shaped = Rc::new(self.setter.set(&text.parts, look, width));
        let side = text.align.unwrap_or(side);
        let count = shaped.layout.len();
        let mut pieces = Vec::with_capacity(count);
        for (n, line) in shaped.layout.lines().enumerate() {
            let metrics = line.metrics();
            let room = (width - (metrics.advance - metrics.trailing_whitespace)).max(0.0);
            let x = match side {
                Side::Left => 0.0,
                Side::Centre => room / 2.0,
                Side::Right => room,
            };
            let first = n == 0;
            let last = n + 1 == count;
            let words = What::Words { shaped: Rc::clone(&shaped), line: n };
            pieces.push(Piece {
                above: if first { text.gaps.above.unwrap_or(GAP * size) } else { text.leading * size },
                height: CAPITAL * size,
                below: if last { text.gaps.below.unwrap_or(GAP * size) } else { 0.0 },
                // No single line of a text at the foot of a page or at the head of the next.
                with_next: text.with_next || (!last && (first || n + 2 == count)),
                marks: vec![Mark { x, y: CAPITAL * size, what: words, group }],
                listed: match text.role {
                    Role::Heading(level) if first && group != Tags::NOWHERE => {
                        Some(Listed { level, words: words_of(text) })
                    }
                    _ => None,
                },
                ..Piece::default()
            });
        }
        pieces
    }

    fn frame(&mut self, frame: &Frame, width: f32, look: Look, group: Group) -> Result<Vec<Piece>, PressError> {
        let inner = (width - frame.inset.left - frame.inset.right).max(1.0);
        let mut pieces = self.flow(&frame.inside, inner, frame.look.within(look), group)?;
        let empty = pieces.iter().all(|piece| piece.marks.is_empty());
        if let Some(height) = frame.height {
            let mut whole = stacked(pieces);
            let room = (height - frame.inset.top - frame.inset.bottom - whole.height).max(0.0);
            whole = Piece { above: 0.0, below: 0.0, ..whole }.moved(0.0, room);
            whole.height += room;
            pieces = vec![whole];
        } else if empty {
            return Ok(Vec::new());
        }
        let plain =
            [frame.edges.left, frame.edges.right, frame.edges.top, frame.edges.bottom].iter().all(Option::is_none);
        let inset = frame.inset.top + frame.inset.bottom + frame.inset.left + frame.inset.right;
        if plain && inset == 0.0 {
            outer_gaps(&mut pieces, frame.gaps);
        } else {
            pieces = edged(pieces, width, frame.inset, frame.edges);
            let gaps = Gaps { above: frame.gaps.above.or(Some(0.0)), below: frame.gaps.below.or(Some(0.0)) };
            outer_gaps(&mut pieces, gaps);
        }
        let breaks = pieces.iter().any(|piece| piece.new_page);
        if frame.together && !breaks && pieces.len() > 1 {
            let whole = stacked(pieces.clone());
            if whole.height <= self.room {
                return Ok(vec![whole]);
            }
        }
        Ok(pieces)
    }

    fn columns(&mut self, it: &Columns, width: f32, look: Look, group: Group) -> Result<Vec<Piece>, PressError> {
        let look = it.look.within(look);
        let gaps = it.gap * it.widths.len().saturating_sub(1) as f32;
        let extents: Vec<Extent> = it.inside.iter().map(|inside| self.extent(inside, look)).collect();
        let widths = columns::shared(&it.widths, &extents, (width - gaps).max(1.0), look.points());
        let mut row = Piece::default();
        let mut x = 0.0;
        for (inside, width) in it.inside.iter().zip(widths) {
            let column = stacked(self.flow(inside, width, look, group)?);
            row.height = row.height.max(column.height);
            row.marks.extend(column.moved(x, 0.0).marks);
            x += width + it.gap;
        }
        row.above = it.gaps.above.unwrap_or(0.0);
        row.below = it.gaps.below.unwrap_or(0.0);
        Ok(vec![row])
    }

    fn list(&mut self, list: &List, width: f32, look: Look, group: Group) -> Result<Vec<Piece>, PressError> {
        let look = list.look.within(look);
        let size = look.points();
        let (numbering, sign): (_, fn(usize) -> String) = match list.marks {
            Marks::Bullets => (ListNumbering::Disc, |_| "•".to_owned()),
            Marks::Numbers => (ListNumbering::Decimal, |n| format!("{n}.")),
            Marks::Boxes => (ListNumbering::None, |_| String::new()),
        };
        let signs: Vec<Vec<Part>> =
            (1..=list.items.len()).map(|n| vec![Part { words: sign(n), look: Look::default() }]).collect();
        let widest = match list.marks {
            Marks::Boxes => BOX_SIDE * size,
            _ => signs.iter().map(|sign| self.setter.extent(sign, look).most).fold(0.0, f32::max),
        };
        let indent = MARK_INDENT + widest + MARK_ROOM;
        let list_group = self.tags.group(group, Tag::L(numbering));
        let mut pieces: Vec<Piece> = Vec::new();
        for (item, sign) in list.items.iter().zip(&signs) {
            let item_group = self.tags.group(list_group, Tag::LI);
            let mut sign_mark = None;
            if list.marks != Marks::Boxes {
                let label = self.tags.group(item_group, Tag::Lbl);
                let shaped = Rc::new(self.setter.set(sign, look, width));
                let what = What::Words { shaped, line: 0 };
                sign_mark = Some(Mark { x: MARK_INDENT, y: CAPITAL * size, what, group: label });
            }
            let body = self.tags.group(item_group, Tag::LBody);
            let mut inside = self.flow(item, (width - indent).max(1.0), look, body)?;
            if inside.is_empty() {
                inside.push(Piece { height: CAPITAL * size, ..Piece::default() });
            }
            let gaps = Gaps { above: Some(list.between), below: Some(list.between) };
            outer_gaps(&mut inside, gaps);
            for (n, piece) in inside.into_iter().enumerate() {
                let mut piece = piece.moved(indent, 0.0);
                if n == 0 && list.marks == Marks::Boxes {
                    tick_box(&mut piece, size);
                }
                if n == 0
                    && let Some(mark) = sign_mark.take()
                {
                    piece.marks.insert(0, mark);
                }
                pieces.push(piece);
            }
        }
        outer_gaps(&mut pieces, list.gaps);
        Ok(pieces)
    }

    fn picture(
        &mut self,
        it: &Picture,
        element: &Element,
        width: f32,
        look: Look,
        group: Group,
    ) -> Result<Vec<Piece>, PressError> {
        let Some(drawing) = self.drawings.get(&it.name) else {
            let have: Vec<&str> = self.drawings.keys().map(String::as_str).collect();
            let have = if have.is_empty() { "none".to_owned() } else { have.join(", ") };
            let message = format!("there is no picture `{}`", it.name);
            return Err(self.refused(
                element,
                message,
                &format!("a template has the pictures of the document only: {have}"),
            ));
        };
        let (wide, high) = drawing.size();
        let highest = it.highest.min(1.0) * self.room * 0.98;
        let scale = (width / wide).min(highest / high);
        let (w, h) = (wide * scale, high * scale);
        let figure = self.tags.group(group, Tag::Figure(Some(it.says.clone())));
        let what = What::Picture { name: it.name.clone(), width: w, height: h };
        let mark = Mark { x: (width - w) / 2.0, y: 0.0, what, group: figure };
        let mut pieces = vec![Piece { height: h, marks: vec![mark], ..Piece::default() }];
        if let Some(caption) = &it.caption {
            pieces.extend(self.one(caption, width, look, Side::Left, group)?);
        }
        outer_gaps(&mut pieces, it.gaps);
        let whole = stacked(pieces.clone());
        Ok(if whole.height <= self.room { vec![whole] } else { pieces })
    }

    /// Lines as they are: letters shrink so that the longest fits, and what does not fit goes on in the next line, indented.
    fn lines(&mut self, it: &Lines, width: f32, look: Look, group: Group) -> Vec<Piece> {
        let look = it.look.within(look);
        let words = self.setter.letters.settle(&it.words);
        let lines: Vec<&str> = words.trim_matches('\n').split('\n').collect();
        let lengths = lines.iter().map(|line| line.chars().count()).filter(|length| *length <= it.shrink_up_to);
        let longest = lengths.max().unwrap_or(1).max(1);
        let size = look.points().min(width / (EQUAL_WIDTH * longest as f32 + 0.1));
        let room = ((width / (size * EQUAL_WIDTH)) as usize).max(8);
        let look = Look { size: Some(size), equal: Some(true), ..look };
        let paragraph = self.tags.group(group, Tag::P);
        let code = self.tags.group(paragraph, Tag::Code);
        let mut pieces = Vec::new();
        for line in lines {
            let letters: Vec<char> = line.chars().collect();
            let chunks: Vec<&[char]> =
                if letters.len() <= room { vec![&letters] } else { letters.chunks(room - 2).collect() };
            for (n, chunk) in chunks.into_iter().enumerate() {
                let x = if n == 0 { 0.0 } else { 2.0 * EQUAL_WIDTH * size };
                let part = Part { words: chunk.iter().collect(), look: Look::default() };
                let shaped = Rc::new(self.setter.set(&[part], look, f32::MAX));
                let what = What::Words { shaped, line: 0 };
                let marks = vec![Mark { x, y: CAPITAL * size, what, group: code }];
                pieces.push(Piece { above: it.leading * size, height: CAPITAL * size, marks, ..Piece::default() });
            }
        }
        outer_gaps(&mut pieces, it.gaps);
        pieces
    }

    /// How wide elements become.
    pub(crate) fn extent(&mut self, elements: &[Element], look: Look) -> Extent {
        let mut extent = Extent::default();
        for element in elements {
            let one = match element.node.as_ref() {
                Node::Text(text) => self.setter.extent(&text.parts, text.look.within(look)),
                Node::Frame(frame) => {
                    let inside = self.extent(&frame.inside, frame.look.within(look));
                    let inset = frame.inset.left + frame.inset.right;
                    Extent { least: inside.least + inset, most: inside.most + inset }
                }
                Node::Columns(it) => {
                    let gaps = it.gap * it.widths.len().saturating_sub(1) as f32;
                    let look = it.look.within(look);
                    it.inside.iter().map(|inside| self.extent(inside, look)).fold(
                        Extent { least: gaps, most: gaps },
                        |sum, one| Extent { least: sum.least + one.least, most: sum.most + one.most },
                    )
                }
                Node::List(list) => {
                    let look = list.look.within(look);
                    let indent = MARK_INDENT + 2.0 * look.points() + MARK_ROOM;
                    let all = list.items.iter().map(|item| self.extent(item, look)).collect::<Vec<_>>();
                    let wide = |of: fn(&Extent) -> f32| all.iter().map(of).fold(0.0, f32::max) + indent;
                    Extent { least: wide(|e| e.least), most: wide(|e| e.most) }
                }
                Node::Lines(_) | Node::Table(_) | Node::Picture(_) => Extent { least: 72.0, most: f32::from(u16::MAX) },
                Node::NewPage => Extent::default(),
            };
            extent = Extent { least: extent.least.max(one.least), most: extent.most.max(one.most) };
        }
        extent
    }
}

fn words_of(text: &Text) -> String {
    let words: String = text.parts.iter().map(|part| part.words.as_str()).collect();
    words.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Room above the first and below the last, where it is said.
pub(crate) fn outer_gaps(pieces: &mut [Piece], gaps: Gaps) {
    if let (Some(first), Some(above)) = (pieces.first_mut(), gaps.above) {
        first.above = above;
    }
    if let (Some(last), Some(below)) = (pieces.last_mut(), gaps.below) {
        last.below = below;
    }
}

/// Pieces inset, with lines along their edges; at the break of a page the sides stay open.
fn edged(pieces: Vec<Piece>, width: f32, inset: Sides<f32>, edges: Sides<Option<Edge>>) -> Vec<Piece> {
    let count = pieces.len();
    let mut below = 0.0;
    let mut done = Vec::with_capacity(count);
    for (n, piece) in pieces.into_iter().enumerate() {
        if piece.new_page {
            done.push(piece);
            continue;
        }
        let (first, last) = (n == 0, n + 1 == count);
        let before = if first { inset.top } else { piece.above.max(below) };
        let after = if last { inset.bottom } else { 0.0 };
        below = piece.below;
        let mut piece = Piece { above: 0.0, below: 0.0, ..piece }.moved(inset.left, before);
        piece.height += before + after;
        let height = piece.height;
        if let Some(edge) = edges.left {
            piece.ink(0.0, 0.0, edge.thick, height, edge.grey);
        }
        if let Some(edge) = edges.right {
            piece.ink(width - edge.thick, 0.0, edge.thick, height, edge.grey);
        }
        if let (true, Some(edge)) = (first, edges.top) {
            piece.ink(0.0, 0.0, width, edge.thick, edge.grey);
        }
        if let (true, Some(edge)) = (last, edges.bottom) {
            piece.ink(0.0, height - edge.thick, width, edge.thick, edge.grey);
        }
        done.push(piece);
    }
    done
}

fn tick_box(piece: &mut Piece, size: f32) {
    let side = BOX_SIDE * size;
    let (x, y) = (MARK_INDENT, CAPITAL * size - side + 0.08 * size);
    piece.ink(x, y, side, BOX_LINE, 0);
    piece.ink(x, y + side - BOX_LINE, side, BOX_LINE, 0);
    piece.ink(x, y, BOX_LINE, side, 0);
    piece.ink(x + side - BOX_LINE, y, BOX_LINE, side, 0);
}
