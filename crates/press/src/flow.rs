//! Elements to pieces: what is set, how high it is, and what may not be parted from it.
//!
//! Must never know on which page a piece comes to stand, nor cut what stands in one piece.

use std::collections::BTreeMap;
use std::num::NonZeroU16;
use std::rc::Rc;

use krilla::tagging::{ListNumbering, Tag};
use rhai::Position;

use crate::columns;
use crate::element::{
    Columns, Edge, Element, Frame, Gaps, Lines, List, Look, Marks, Node, Part, Picture, Role, Side, Sides, Text,
};
use crate::fault::{Fault, PressError};
use crate::picture::Drawing;
use crate::piece::{Listed, Mark, Piece, What, beside, beside_in_slices, outer_gaps, stacked};
use crate::tags::{Group, Tags};
use crate::text::{CAPITAL, EQUAL_WIDTH, Extent, Setter, Shaped};
use crate::{Template, template};

/// Room above and below a text that does not say how much, in sizes of its letters.
const GAP: f32 = 0.95;
/// From the left to the mark of an item, and from the widest mark to its words.
const MARK_INDENT: f32 = 2.0;
const MARK_ROOM: f32 = 6.0;
/// Room that anything is given, and the size that letters keep, whatever a template asks for.
const ROOM_LEAST: f32 = 36.0;
const SIZE_LEAST: f32 = 2.0;
/// The most that room between columns and at the sides of a frame takes of the width.
pub(crate) const SIDES_MOST: f32 = 0.5;
/// The side of a box to tick, in sizes of the letters, and how thick its lines are.
const BOX_SIDE: f32 = 0.78;
const BOX_LINE: f32 = 0.7;

/// Where something is set: how wide, how it looks unless it says otherwise, at which side texts stand, and what it is part of.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Slot {
    pub(crate) width: f32,
    pub(crate) look: Look,
    pub(crate) side: Side,
    pub(crate) group: Group,
}

impl Slot {
    pub(crate) fn new(width: f32, look: Look, group: Group) -> Slot {
        Slot { width, look, side: Side::Left, group }
    }
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
    pub(crate) fn flow(&mut self, elements: &[Element], slot: Slot) -> Result<Vec<Piece>, PressError> {
        let mut pieces = Vec::new();
        for element in elements {
            pieces.extend(self.one(element, slot)?);
        }
        Ok(pieces)
    }

    pub(crate) fn one(&mut self, element: &Element, slot: Slot) -> Result<Vec<Piece>, PressError> {
        match element.node.as_ref() {
            Node::Text(text) => {
                let group = self.text_group(text, element, slot.group)?;
                self.text(text, element, Slot { group, ..slot })
            }
            Node::Frame(frame) => self.frame(frame, slot),
            Node::Columns(columns) => self.columns(columns, slot),
            Node::Table(table) => self.table(table, slot),
            Node::List(list) => self.list(list, slot),
            Node::Picture(picture) => self.picture(picture, element, slot),
            Node::Lines(lines) => Ok(self.lines(lines, slot)),
            Node::NewPage => Ok(vec![Piece { new_page: true, ..Piece::default() }]),
        }
    }

    /// What is refused at a call of the template.
    pub(crate) fn refused(&self, at: Position, message: String, remedy: &str) -> PressError {
        let place = template::place(&self.template, at);
        PressError::Refused { faults: vec![Fault { place, message, remedies: vec![remedy.to_owned()] }] }
    }

    fn text_group(&mut self, text: &Text, element: &Element, within: Group) -> Result<Group, PressError> {
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
                    let remedy = "leave no level out: a reader who hears the document goes by them";
                    return Err(self.refused(element.at, message, remedy));
                }
                self.level = level;
                let level = NonZeroU16::new(level.into()).unwrap_or(NonZeroU16::MIN);
                Ok(self.tags.group(within, Tag::Hn(level, Some(words_of(text)))))
            }
        }
    }

    /// Lines of a text, each a piece; they say what `slot.group` is.
    pub(crate) fn text(&mut self, text: &Text, element: &Element, slot: Slot) -> Result<Vec<Piece>, PressError> {
        if self.setter.numbers.is_none() && text.parts.iter().any(|part| part.number.is_some()) {
            let message = "here no page has a number yet".to_owned();
            return Err(self.refused(element.at, message, "page_number() and page_count() stand in `head` and `foot`"));
        }
        let look = text.look.within(slot.look);
        let size = look.points();
        let all: Vec<Rc<Shaped>> = self.setter.set(&text.parts, look, slot.width).into_iter().map(Rc::new).collect();
        let lines = all.iter().flat_map(|shaped| (0..shaped.layout.len()).map(move |line| (shaped, line)));
        let count: usize = all.iter().map(|shaped| shaped.layout.len()).sum();
        let side = text.align.unwrap_or(slot.side);
        let mut pieces = Vec::with_capacity(count);
        for (n, (shaped, line)) in lines.enumerate() {
            let Some(metrics) = shaped.layout.get(line).map(|line| *line.metrics()) else { continue };
            let room = (slot.width - (metrics.advance - metrics.trailing_whitespace)).max(0.0);
            let x = match side {
                Side::Left => 0.0,
                Side::Centre => room / 2.0,
                Side::Right => room,
            };
            // Parts may be larger than their text.
            let runs = shaped.layout.get(line).map(|line| line.runs().map(|run| run.font_size()).fold(size, f32::max));
            let tall = CAPITAL * runs.unwrap_or(size);
            let first = n == 0;
            let last = n + 1 == count;
            let what = What::Words { shaped: Rc::clone(shaped), line };
            let listed = match text.role {
                Role::Heading(level) if first && slot.group != Tags::NOWHERE => {
                    vec![Listed { y: 0.0, level, words: words_of(text) }]
                }
                _ => Vec::new(),
            };
            pieces.push(Piece {
                above: if first { text.gaps.above.unwrap_or(GAP * size) } else { text.leading * size },
                height: tall,
                below: if last { text.gaps.below.unwrap_or(GAP * size) } else { 0.0 },
                // No single line of a text at the foot of a page or at the head of the next.
                with_next: text.with_next || (!last && (first || n + 2 == count)),
                marks: vec![Mark { x, y: tall, what, group: slot.group }],
                listed,
                ..Piece::default()
            });
        }
        Ok(pieces)
    }

    fn frame(&mut self, frame: &Frame, slot: Slot) -> Result<Vec<Piece>, PressError> {
        // Room at the sides gives way before what stands between them does.
        let scale = (slot.width * SIDES_MOST / (frame.inset.left + frame.inset.right).max(1.0)).min(1.0);
        let inset = Sides { left: frame.inset.left * scale, right: frame.inset.right * scale, ..frame.inset };
        let Sides { left, right, top, bottom } = inset;
        let room = self.room;
        self.room = (room - top - bottom).max(ROOM_LEAST);
        let inner = Slot::new((slot.width - left - right).max(1.0), frame.look.within(slot.look), slot.group);
        let mut pieces = self.flow(&frame.inside, inner)?;
        self.room = room;

        let whole = stacked(pieces.clone());
        if let Some(height) = frame.height.filter(|height| whole.height + top + bottom <= *height) {
            let lower = height - top - bottom - whole.height;
            let mut whole = Piece { above: 0.0, below: 0.0, ..whole }.moved(0.0, lower);
            whole.height += lower;
            pieces = vec![whole];
        }
        let edges = frame.edges;
        let plain = [edges.left, edges.right, edges.top, edges.bottom].iter().all(Option::is_none);
        let bare = plain && left + right + top + bottom == 0.0;
        if pieces.is_empty() {
            if bare {
                return Ok(pieces);
            }
            pieces.push(Piece::default());
        }
        if bare {
            outer_gaps(&mut pieces, frame.gaps);
        } else {
            pieces = edged(pieces, slot.width, inset, edges, room);
            let gaps = Gaps { above: frame.gaps.above.or(Some(0.0)), below: frame.gaps.below.or(Some(0.0)) };
            outer_gaps(&mut pieces, gaps);
        }
        let breaks = pieces.iter().any(|piece| piece.new_page);
        if frame.together && !breaks && pieces.len() > 1 {
            let whole = stacked(pieces.clone());
            if whole.height <= self.room {
                return Ok(vec![Piece { parts: pieces, ..whole }]);
            }
        }
        Ok(pieces)
    }

    fn columns(&mut self, it: &Columns, slot: Slot) -> Result<Vec<Piece>, PressError> {
        let look = it.look.within(slot.look);
        let between = it.widths.len().saturating_sub(1) as f32;
        let gap = it.gap.min(slot.width * SIDES_MOST / between.max(1.0));
        let gaps = gap * between;
        let extents: Vec<Extent> = it.inside.iter().map(|inside| self.extent(inside, look)).collect();
        let widths = columns::shared(&it.widths, &extents, (slot.width - gaps).max(1.0), look.points());
        let mut columns = Vec::with_capacity(widths.len());
        let mut x = 0.0;
        for (inside, width) in it.inside.iter().zip(widths) {
            columns.push((x, self.flow(inside, Slot::new(width, look, slot.group))?));
            x += width + gap;
        }
        let whole = beside(columns.clone(), false);
        let mut pieces = if whole.height <= self.room { vec![whole] } else { beside_in_slices(&columns, self.room) };
        let gaps = Gaps { above: it.gaps.above.or(Some(0.0)), below: it.gaps.below.or(Some(0.0)) };
        outer_gaps(&mut pieces, gaps);
        Ok(pieces)
    }

    fn list(&mut self, list: &List, slot: Slot) -> Result<Vec<Piece>, PressError> {
        let look = list.look.within(slot.look);
        let size = look.points();
        let (numbering, sign): (_, fn(usize) -> String) = match list.marks {
            Marks::Bullets => (ListNumbering::Disc, |_| "•".to_owned()),
            Marks::Numbers => (ListNumbering::Decimal, |n| format!("{n}.")),
            Marks::Boxes => (ListNumbering::None, |_| String::new()),
        };
        let signs: Vec<Vec<Part>> = (1..=list.items.len()).map(|n| vec![Part::plain(sign(n))]).collect();
        let widest = match list.marks {
            Marks::Boxes => BOX_SIDE * size,
            _ => signs.iter().map(|sign| self.setter.extent(sign, look).most).fold(0.0, f32::max),
        };
        let indent = MARK_INDENT + widest + MARK_ROOM;
        let list_group = self.tags.group(slot.group, Tag::L(numbering));
        let mut pieces: Vec<Piece> = Vec::new();
        for (item, sign) in list.items.iter().zip(&signs) {
            let item_group = self.tags.group(list_group, Tag::LI);
            let mut sign_mark = None;
            if list.marks != Marks::Boxes {
                let label = self.tags.group(item_group, Tag::Lbl);
                let shaped = self.setter.set(sign, look, f32::MAX).into_iter().next().map(Rc::new);
                sign_mark = shaped.map(|shaped| {
                    let what = What::Words { shaped, line: 0 };
                    Mark { x: MARK_INDENT, y: CAPITAL * size, what, group: label }
                });
            }
            let body = self.tags.group(item_group, Tag::LBody);
            let mut inside = self.flow(item, Slot::new((slot.width - indent).max(1.0), look, body))?;
            if inside.iter().all(|piece| piece.new_page) {
                inside.push(Piece { height: CAPITAL * size, ..Piece::default() });
            }
            let gaps = Gaps { above: Some(list.between), below: Some(list.between) };
            outer_gaps(&mut inside, gaps);
            let first = inside.iter().position(|piece| !piece.new_page);
            for (n, piece) in inside.into_iter().enumerate() {
                let mut piece = piece.moved(indent, 0.0);
                // Its parts too: one of them may be what begins the item.
                let mut begins = (first == Some(n)).then_some(&mut piece);
                while let Some(one) = begins {
                    if list.marks == Marks::Boxes {
                        tick_box(one, size);
                    }
                    if let Some(mark) = &sign_mark {
                        one.marks.insert(0, mark.clone());
                    }
                    begins = one.parts.first_mut();
                }
                pieces.push(piece);
            }
        }
        outer_gaps(&mut pieces, list.gaps);
        Ok(pieces)
    }

    fn picture(&mut self, it: &Picture, element: &Element, slot: Slot) -> Result<Vec<Piece>, PressError> {
        let Some(drawing) = self.drawings.get(&it.name) else {
            let have: Vec<&str> = self.drawings.keys().map(String::as_str).collect();
            let have = if have.is_empty() { "none".to_owned() } else { have.join(", ") };
            let message = format!("there is no picture `{}`", it.name);
            return Err(self.refused(
                element.at,
                message,
                &format!("a template has the pictures of the document only: {have}"),
            ));
        };
        let (wide, high) = drawing.size();
        let group = self.tags.group(slot.group, Tag::Figure(Some(it.says.clone())));
        let caption = it.caption.as_ref().map(|caption| self.one(caption, Slot { side: Side::Left, ..slot }));
        let caption = caption.transpose()?.unwrap_or_default();
        let under = stacked(caption.clone());
        let room = (self.room - under.height - under.above).max(ROOM_LEAST);
        let scale = (slot.width / wide).min((it.highest * self.room).min(room) / high);
        let (width, height) = (wide * scale, high * scale);
        let what = What::Picture { name: it.name.clone(), width, height };
        let mark = Mark { x: (slot.width - width) / 2.0, y: 0.0, what, group };
        let mut pieces = vec![Piece { height, with_next: !caption.is_empty(), marks: vec![mark], ..Piece::default() }];
        pieces.extend(caption);
        outer_gaps(&mut pieces, it.gaps);
        let whole = stacked(pieces.clone());
        Ok(if whole.height <= self.room { vec![whole] } else { pieces })
    }

    /// Lines as they are: letters shrink so that the longest fits, and what does not fit goes on in the next line, indented.
    fn lines(&mut self, it: &Lines, slot: Slot) -> Vec<Piece> {
        let look = it.look.within(slot.look);
        let words = self.setter.letters.settle(&it.words, false);
        let lines: Vec<&str> = words.trim_matches('\n').split('\n').collect();
        let measured = |line: &&str| line.chars().map(|letter| self.setter.letters.equal_width(letter)).sum::<f32>();
        let short = lines.iter().filter(|line| line.chars().count() <= it.shrink_up_to);
        let longest = short.map(measured).fold(EQUAL_WIDTH, f32::max);
        let size = look.points().min((slot.width / (longest + 0.01)).max(SIZE_LEAST));
        let look = Look { size: Some(size), equal: Some(true), ..look };
        let paragraph = self.tags.group(slot.group, Tag::P);
        let code = self.tags.group(paragraph, Tag::Code);
        let indent = 2.0 * EQUAL_WIDTH * size;
        let mut pieces = Vec::new();
        for line in lines {
            let whole = line.chars().map(|letter| self.setter.letters.equal_width(letter)).sum::<f32>() * size;
            let room = if whole <= slot.width { f32::MAX } else { ((slot.width - indent) / size).max(EQUAL_WIDTH) };
            for (n, chunk) in self.setter.letters.broken(line, room).into_iter().enumerate() {
                let x = if n == 0 { 0.0 } else { indent };
                let marks = self.setter.set(&[Part::plain(chunk)], look, f32::MAX).into_iter().map(|shaped| Mark {
                    x,
                    y: CAPITAL * size,
                    what: What::Words { shaped: Rc::new(shaped), line: 0 },
                    group: code,
                });
                let marks = marks.collect();
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
                    let last = Part::plain(format!("{}.", list.items.len()));
                    let indent = MARK_INDENT + self.setter.extent(&[last], look).most + MARK_ROOM;
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

/// Pieces inset, with lines along their edges; at the break of a page the sides stay open.
fn edged(pieces: Vec<Piece>, width: f32, inset: Sides<f32>, edges: Sides<Option<Edge>>, room: f32) -> Vec<Piece> {
    let first = pieces.iter().position(|piece| !piece.new_page);
    let last = pieces.iter().rposition(|piece| !piece.new_page);
    let mut below = 0.0;
    let mut done = Vec::with_capacity(pieces.len());
    for (n, mut piece) in pieces.into_iter().enumerate() {
        if piece.new_page {
            done.push(piece);
            continue;
        }
        let (first, last) = (first == Some(n), last == Some(n));
        let bottom = if last { inset.bottom } else { 0.0 };
        // The room above becomes part of it, unless it would be higher than the page by that.
        let above = piece.above.max(below).min((room - piece.height - bottom).max(0.0));
        let ends = Sides { top: if first { inset.top } else { above }, bottom, ..inset };
        below = piece.below;
        let its = Sides { top: edges.top.filter(|_| first), bottom: edges.bottom.filter(|_| last), ..edges };
        let parts = std::mem::take(&mut piece.parts);
        let mut whole = with_edges(piece, width, ends, its);
        if !parts.is_empty() {
            whole.parts = edged(parts, width, ends, its, room);
        }
        done.push(whole);
    }
    done
}

/// One of them.
fn with_edges(piece: Piece, width: f32, inset: Sides<f32>, edges: Sides<Option<Edge>>) -> Piece {
    let sides = |piece: &mut Piece| {
        let height = piece.height;
        if let Some(edge) = edges.left {
            piece.ink(0.0, 0.0, edge.thick, height, edge.grey);
        }
        if let Some(edge) = edges.right {
            piece.ink(width - edge.thick, 0.0, edge.thick, height, edge.grey);
        }
    };
    let mut piece = Piece { above: 0.0, below: 0.0, ..piece }.moved(inset.left, inset.top);
    piece.height += inset.top + inset.bottom;
    sides(&mut piece);
    if let Some(edge) = edges.top {
        piece.ink(0.0, 0.0, width, edge.thick, edge.grey);
    }
    if let Some(edge) = edges.bottom {
        let foot = piece.height - edge.thick;
        piece.ink(0.0, foot, width, edge.thick, edge.grey);
    }
    piece.repeated = piece.repeated.map(|head| {
        let mut head = (*head).clone();
        sides(&mut head);
        Rc::new(head)
    });
    piece
}

fn tick_box(piece: &mut Piece, size: f32) {
    let side = BOX_SIDE * size;
    let (x, y) = (MARK_INDENT, CAPITAL * size - side + 0.08 * size);
    piece.ink(x, y, side, BOX_LINE, 0);
    piece.ink(x, y + side - BOX_LINE, side, BOX_LINE, 0);
    piece.ink(x, y, BOX_LINE, side, 0);
    piece.ink(x + side - BOX_LINE, y, BOX_LINE, side, 0);
}
