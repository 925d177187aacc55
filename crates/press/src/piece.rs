//! Pieces: what stands on one page, with its marks, and how pieces become one.
//!
//! Must never know what a piece is about, nor lose a mark when pieces are put together.

use std::collections::VecDeque;
use std::rc::Rc;

use crate::element::Gaps;
use crate::tags::{Group, Tags};
use crate::text::Shaped;

/// Points by which two pieces side by side may end apart and yet be cut between, for the sake of rounding.
const CUT_LEEWAY: f32 = 0.01;

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

/// Columns side by side in slices, none higher than half of `room` if it can be parted: what is too high to stand on one page.
pub(crate) fn beside_in_slices(columns: &[(f32, Vec<Piece>)], room: f32) -> Vec<Piece> {
    // Where each piece would begin and end if all stood on one endless page.
    let mut left: Vec<VecDeque<(f32, f32, &Piece)>> = Vec::with_capacity(columns.len());
    for (_, pieces) in columns {
        let (mut foot, mut below): (f32, Option<f32>) = (0.0, None);
        let mut placed = VecDeque::new();
        for piece in pieces.iter().filter(|piece| !piece.new_page) {
            let top = foot + below.map_or(0.0, |below: f32| below.max(piece.above));
            foot = top + piece.height;
            below = Some(piece.below);
            placed.push_back((top, foot, piece));
        }
        left.push(placed);
    }
    let mut slices: Vec<Piece> = Vec::new();
    let mut end = 0.0;
    while let Some(start) = left.iter().filter_map(|column| column.front()).map(|(top, _, _)| *top).reduce(f32::min) {
        // What is higher than a slice makes the one that begins with it so high.
        let begun = left.iter().filter_map(|column| column.front()).filter(|(top, _, _)| *top <= start);
        let begun = begun.map(|(_, foot, _)| *foot).fold(start, f32::max);
        let cut = cut(&left, start, room / 2.0).max(begun);
        let above = if slices.is_empty() { 0.0 } else { (start - end).max(0.0) };
        let mut slice = Piece { above, ..Piece::default() };
        for ((x, _), column) in columns.iter().zip(&mut left) {
            let mut with_next = false;
            while let Some((top, foot, piece)) = column.front().copied() {
                if foot > cut {
                    break;
                }
                column.pop_front();
                let mut piece = piece.clone().moved(*x, top - start);
                slice.height = slice.height.max(foot - start);
                slice.listed.append(&mut piece.listed);
                slice.marks.append(&mut piece.marks);
                with_next = piece.with_next && !column.is_empty();
            }
            slice.with_next |= with_next;
        }
        end = start + slice.height;
        slices.push(slice);
    }
    slices
}

/// Where a slice ends: at the first height across which no piece stands, or where it is high enough.
fn cut(left: &[VecDeque<(f32, f32, &Piece)>], start: f32, highest: f32) -> f32 {
    let ends = left.iter().flatten().map(|(_, foot, _)| *foot).filter(|foot| *foot <= start + highest);
    let mut ends: Vec<f32> = ends.collect();
    ends.sort_by(f32::total_cmp);
    let whole =
        |at: &f32| left.iter().flatten().all(|(top, foot, _)| *foot <= at + CUT_LEEWAY || *top >= at - CUT_LEEWAY);
    ends.iter().copied().find(whole).map_or(start + highest, |at| at + CUT_LEEWAY)
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
