//! Pieces: what stands on one page, with its marks, and how pieces become one.
//!
//! Must never know what a piece is about, nor lose a mark when pieces are put together.

use std::rc::Rc;

use crate::element::Gaps;
use crate::tags::{Group, Tags};
use crate::text::Shaped;

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
    /// From the top of its piece.
    pub(crate) y: f32,
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
    pub(crate) listed: Vec<Listed>,
    /// What it is made of, where it may be parted after all: with what stands before it, it fits on no page.
    pub(crate) parts: Vec<Piece>,
}

impl Piece {
    pub(crate) fn moved(mut self, x: f32, y: f32) -> Piece {
        for mark in &mut self.marks {
            mark.x += x;
            mark.y += y;
        }
        for listed in &mut self.listed {
            listed.y += y;
        }
        if x != 0.0 {
            self.repeated = self.repeated.map(|head| Rc::new((*head).clone().moved(x, 0.0)));
        }
        let parts = std::mem::take(&mut self.parts);
        // Parts begin where the whole begins; if that moves down, they no longer make it up.
        self.parts = if y == 0.0 { parts.into_iter().map(|part| part.moved(x, 0.0)).collect() } else { Vec::new() };
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
        silent.listed.clear();
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
        let mut piece = piece.moved(0.0, y);
        whole.listed.append(&mut piece.listed);
        whole.marks.append(&mut piece.marks);
    }
    whole.below = below.unwrap_or(0.0);
    whole
}

/// Columns side by side as one piece, each with its left side; at their feet or at their heads.
pub(crate) fn beside(columns: Vec<(f32, Vec<Piece>)>, at_foot: bool) -> Piece {
    let columns: Vec<(f32, Piece)> = columns.into_iter().map(|(x, pieces)| (x, stacked(pieces))).collect();
    let mut whole =
        Piece { height: columns.iter().map(|(_, column)| column.height).fold(0.0, f32::max), ..Piece::default() };
    for (x, column) in columns {
        let y = if at_foot { whole.height - column.height } else { 0.0 };
        let mut column = column.moved(x, y);
        whole.listed.append(&mut column.listed);
        whole.marks.append(&mut column.marks);
    }
    whole
}

/// Columns side by side, piece by piece: what is too high to stand on one page.
pub(crate) fn beside_in_slices(columns: &[(f32, Vec<Piece>)]) -> Vec<Piece> {
    let count = columns.iter().map(|(_, pieces)| pieces.len()).max().unwrap_or(0);
    let mut slices = Vec::with_capacity(count);
    for n in 0..count {
        let mut slice = Piece::default();
        for (x, pieces) in columns {
            let Some(piece) = pieces.get(n).filter(|piece| !piece.new_page) else { continue };
            let above = if n == 0 { 0.0 } else { piece.above.max(pieces[n - 1].below) };
            let mut piece = piece.clone().moved(*x, above);
            slice.height = slice.height.max(above + piece.height);
            slice.listed.append(&mut piece.listed);
            slice.marks.append(&mut piece.marks);
        }
        slices.push(slice);
    }
    slices
}

/// Room above the first and below the last, where it is said.
pub(crate) fn outer_gaps(pieces: &mut [Piece], gaps: Gaps) {
    if let (Some(first), Some(above)) = (pieces.iter_mut().find(|piece| !piece.new_page), gaps.above) {
        first.above = above;
    }
    if let (Some(last), Some(below)) = (pieces.iter_mut().rfind(|piece| !piece.new_page), gaps.below) {
        last.below = below;
    }
}
