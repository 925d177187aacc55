//! How columns share the width of a page, and the rows of tables.
//!
//! Must never make a table wider than its page, nor part a row that fits on a page from itself.

use std::rc::Rc;

use krilla::tagging::{TableHeaderScope, Tag, TagId};

use crate::element::{Edge, Element, Look, Node, Role, Side, Table, Width};
use crate::fault::PressError;
use crate::flow::{Mark, Piece, Press, What, outer_gaps, stacked};
use crate::tags::Group;
use crate::text::Extent;

/// Letters that a column of sentences needs at the least, before columns that fit their words are narrowed.
const SENTENCE_LEAST: f32 = 20.0;
/// Width of a letter of a sentence in sizes of the letters, roughly.
const LETTER: f32 = 0.52;
/// Halvings by which columns find the width that they share: a page by less than a hundredth of a point.
const HALVINGS: usize = 20;
/// A row higher than this share of a page may run over onto the next.
const ROW_WHOLE: f32 = 0.6;

/// Widths of columns of these extents, no more than `room` in all.
pub(crate) fn shared(widths: &[Width], extents: &[Extent], room: f32, size: f32) -> Vec<f32> {
    // What each takes if it can, and what it takes at the least.
    let sentence = SENTENCE_LEAST * LETTER * size;
    let wanted: Vec<(f32, f32)> = widths
        .iter()
        .zip(extents)
        .map(|(width, extent)| match width {
            Width::Points(points) => (*points, *points),
            Width::Fit { most } => {
                let most = extent.most.min(most * room).max(extent.least);
                (extent.least.min(most), most)
            }
            Width::Fill { .. } => (extent.least, extent.most.min(sentence).max(extent.least)),
        })
        .collect();
    let least: f32 = wanted.iter().map(|(least, _)| least).sum();
    let most: f32 = wanted.iter().map(|(_, most)| most).sum();
    if most <= room {
        let shares: f32 = widths.iter().map(|width| if let Width::Fill { share } = width { *share } else { 0.0 }).sum();
        let fits: f32 = widths
            .iter()
            .zip(&wanted)
            .map(|(width, (_, most))| if matches!(width, Width::Fill { .. }) { 0.0 } else { *most })
            .sum();
        return filled(widths, &wanted, room - fits, shares);
    }
    if least >= room {
        // Words must be broken: those of the widest columns first.
        let broken: Vec<(f32, f32)> = wanted.iter().map(|(least, _)| (0.0, *least)).collect();
        return levelled(&broken, room);
    }
    // Short columns keep what they want and long ones share the rest alike, a column of sentences with all its words.
    let wanted: Vec<(f32, f32)> = widths
        .iter()
        .zip(extents)
        .zip(&wanted)
        .map(|((width, extent), (least, most))| match width {
            Width::Fill { .. } => (*least, extent.most.max(*least)),
            _ => (*least, *most),
        })
        .collect();
    levelled(&wanted, room)
}

/// One width for all, but no column narrower or wider than its two bounds, `room` in all.
fn levelled(bounds: &[(f32, f32)], room: f32) -> Vec<f32> {
    let at = |level: f32| bounds.iter().map(move |(least, most)| level.clamp(*least, *most));
    let (mut low, mut high) = (0.0, room);
    for _ in 0..HALVINGS {
        let level = (low + high) / 2.0;
        if at(level).sum::<f32>() > room { high = level } else { low = level }
    }
    at(low).collect()
}

/// Columns that fit have what they want; the others share `left`, each at least what it needs.
fn filled(widths: &[Width], wanted: &[(f32, f32)], left: f32, shares: f32) -> Vec<f32> {
    let mut left = left;
    let mut shares = shares;
    // Those that need more than their share take it, and the rest share what remains.
    let mut given: Vec<Option<f32>> = vec![None; widths.len()];
    loop {
        let mut again = false;
        for (n, width) in widths.iter().enumerate() {
            let Width::Fill { share } = width else { continue };
            let needs = wanted[n].1;
            if given[n].is_none() && left * share / shares.max(f32::EPSILON) < needs {
                given[n] = Some(needs);
                left -= needs;
                shares -= share;
                again = true;
            }
        }
        if !again {
            break;
        }
    }
    let width = |n: usize| match widths[n] {
        Width::Fill { share } => given[n].unwrap_or(left * share / shares.max(f32::EPSILON)),
        _ => wanted[n].1,
    };
    (0..widths.len()).map(width).collect()
}

/// The frame that all rows of a table share.
struct Grid {
    /// Left side and width of each column, its insets not included.
    columns: Vec<(f32, f32)>,
    width: f32,
    look: Look,
}

impl Press<'_> {
    pub(crate) fn table(
        &mut self,
        table: &Table,
        width: f32,
        look: Look,
        group: Group,
    ) -> Result<Vec<Piece>, PressError> {
        self.tables += 1;
        let number = self.tables;
        let grid = self.grid(table, width, table.look.within(look));
        let whole = self.tags.group(group, Tag::Table);
        let mut pieces = Vec::new();
        if let Some(caption) = &table.caption {
            let caption_group = self.tags.group(whole, Tag::Caption);
            let mut caption = match caption.node.as_ref() {
                Node::Text(text) => self.text(text, width, look, Side::Left, caption_group),
                _ => self.one(caption, width, look, Side::Left, caption_group)?,
            };
            caption.iter_mut().for_each(|piece| piece.with_next = true);
            pieces.extend(caption);
        }
        let captions = pieces.len();
        let id = |n: usize| TagId::from(format!("t{number}c{}", n + 1).into_bytes());

        let mut repeated = None;
        if table.columns.iter().any(|column| column.head.is_some()) {
            let heads = self.tags.group(whole, Tag::THead);
            let row = self.tags.group(heads, Tag::TR);
            let strong = Look { strong: Some(true), ..Look::default() }.within(grid.look);
            let mut cells = Vec::new();
            for (n, column) in table.columns.iter().enumerate() {
                let head = Tag::TH(TableHeaderScope::Column).with_id(Some(id(n)));
                let cell = self.tags.group(row, head);
                cells.push(self.cell(
                    column.head.as_deref().unwrap_or_default(),
                    grid.columns[n].1,
                    strong,
                    column.align,
                    cell,
                )?);
            }
            let mut head = grid.row(table, cells, true);
            grid.rule(&mut head, table.rules.top, 0.0);
            let foot = head.height;
            grid.rule(&mut head, table.rules.head, foot);
            head.with_next = !table.rows.is_empty();
            repeated = Some(Rc::new(head.silent()));
            pieces.push(head);
        }
        let body = self.tags.group(whole, Tag::TBody);
        let count = table.rows.len();
        for (r, row) in table.rows.iter().enumerate() {
            let row_group = self.tags.group(body, Tag::TR);
            let mut cells = Vec::new();
            for (n, cell) in row.iter().enumerate() {
                let named = table.named_rows && n == 0;
                let cell_group = if named {
                    self.tags.group(row_group, Tag::TH(TableHeaderScope::Row))
                } else if repeated.is_some() {
                    self.tags.group(row_group, Tag::TD.with_headers(Some([id(n)])))
                } else {
                    self.tags.group(row_group, Tag::TD)
                };
                cells.push(self.cell(cell, grid.columns[n].1, grid.look, table.columns[n].align, cell_group)?);
            }
            let edge = if r + 1 == count { table.rules.bottom } else { table.rules.rows };
            let mut slices = grid.slices(table, cells, ROW_WHOLE * self.room);
            if let Some(last) = slices.last_mut() {
                let foot = last.height;
                grid.rule(last, edge, foot);
            }
            for mut slice in slices {
                slice.repeated = repeated.clone();
                pieces.push(slice);
            }
        }
        if captions == 0 {
            outer_gaps(&mut pieces, table.gaps);
        } else if let Some(last) = pieces.last_mut() {
            last.below = table.gaps.below.unwrap_or(0.0);
        }
        Ok(pieces)
    }

    /// Where the columns of a table stand.
    fn grid(&mut self, table: &Table, width: f32, look: Look) -> Grid {
        let count = table.columns.len();
        let left = |n: usize| if n == 0 { table.outer } else { table.inset.left };
        let right = |n: usize| if n + 1 == count { table.outer } else { table.inset.right };
        let insets: f32 = (0..count).map(|n| left(n) + right(n)).sum();
        let strong = Look { strong: Some(true), ..Look::default() }.within(look);
        let mut extents = Vec::with_capacity(count);
        for (n, column) in table.columns.iter().enumerate() {
            let mut extent = self.extent(column.head.as_deref().unwrap_or_default(), strong);
            for row in &table.rows {
                let cell = self.extent(&row[n], look);
                extent = Extent { least: extent.least.max(cell.least), most: extent.most.max(cell.most) };
            }
            extents.push(extent);
        }
        let widths: Vec<Width> = table.columns.iter().map(|column| column.width).collect();
        let shares = shared(&widths, &extents, (width - insets).max(1.0), look.points());
        let mut x = 0.0;
        let mut columns = Vec::with_capacity(count);
        for (n, width) in shares.into_iter().enumerate() {
            columns.push((x + left(n), width));
            x += left(n) + width + right(n);
        }
        Grid { columns, width: x, look }
    }

    /// What stands in a cell, piece by piece; a single text is the cell itself to who hears it.
    fn cell(
        &mut self,
        inside: &[Element],
        width: f32,
        look: Look,
        side: Side,
        group: Group,
    ) -> Result<Vec<Piece>, PressError> {
        let mut pieces = Vec::new();
        for element in inside {
            match element.node.as_ref() {
                Node::Text(text) if text.role == Role::Paragraph && inside.len() == 1 => {
                    pieces.extend(self.text(text, width, look, side, group));
                }
                _ => pieces.extend(self.one(element, width, look, side, group)?),
            }
        }
        if pieces.iter().all(|piece| piece.marks.is_empty()) {
            let mark = Mark { x: 0.0, y: 0.0, what: What::Nothing, group };
            pieces =
                vec![Piece { height: look.points() * crate::text::CAPITAL, marks: vec![mark], ..Piece::default() }];
        }
        Ok(pieces)
    }
}

impl Grid {
    /// Cells side by side; heads stand at the foot of their row, other cells at its top.
    fn row(&self, table: &Table, cells: Vec<Vec<Piece>>, at_foot: bool) -> Piece {
        let cells: Vec<Piece> = cells.into_iter().map(stacked).collect();
        let height = cells.iter().map(|cell| cell.height).fold(0.0, f32::max);
        let mut row = Piece { height: height + table.inset.top + table.inset.bottom, ..Piece::default() };
        for ((x, _), mut cell) in self.columns.iter().zip(cells) {
            let y = table.inset.top + if at_foot { height - cell.height } else { 0.0 };
            for mark in &mut cell.marks {
                mark.x += x;
                mark.y += y;
            }
            row.marks.append(&mut cell.marks);
        }
        row
    }

    /// A row as one piece, or one that is higher than `whole` line by line.
    fn slices(&self, table: &Table, cells: Vec<Vec<Piece>>, whole: f32) -> Vec<Piece> {
        let row = self.row(table, cells.clone(), false);
        if row.height <= whole {
            return vec![row];
        }
        let lines = cells.iter().map(Vec::len).max().unwrap_or(0);
        let mut slices = Vec::with_capacity(lines);
        for n in 0..lines {
            let mut slice = Piece::default();
            let before = if n == 0 { table.inset.top } else { 0.0 };
            for ((x, _), cell) in self.columns.iter().zip(&cells) {
                let Some(piece) = cell.get(n) else { continue };
                let y = before + if n == 0 { 0.0 } else { piece.above };
                slice.height = slice.height.max(y + piece.height);
                slice.marks.extend(piece.marks.iter().cloned().map(|mark| Mark {
                    x: mark.x + x,
                    y: mark.y + y,
                    ..mark
                }));
            }
            if n + 1 == lines {
                slice.height += table.inset.bottom;
            }
            slices.push(slice);
        }
        slices
    }

    /// A line over the whole width, its middle at `y`.
    fn rule(&self, piece: &mut Piece, edge: Option<Edge>, y: f32) {
        if let Some(edge) = edge {
            piece.ink(0.0, y - edge.thick / 2.0, self.width, edge.thick, edge.grey);
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn any_width() -> impl Strategy<Value = Width> {
        prop_oneof![
            (0.1_f32..=1.0).prop_map(|most| Width::Fit { most }),
            (0.5_f32..5.0).prop_map(|share| Width::Fill { share }),
            (1.0_f32..80.0).prop_map(Width::Points),
        ]
    }

    proptest! {
        #[test]
        fn columns_never_run_out_of_the_page_and_break_no_word_that_has_room(
            all in prop::collection::vec((any_width(), 0.0_f32..200.0, 0.0_f32..900.0), 1..14),
            room in 72.0_f32..600.0,
        ) {
            let widths: Vec<Width> = all.iter().map(|(width, _, _)| *width).collect();
            let extents: Vec<Extent> =
                all.iter().map(|(_, least, more)| Extent { least: *least, most: least + more }).collect();
            let given = shared(&widths, &extents, room, 9.0);
            prop_assert_eq!(given.len(), all.len());
            let sum: f32 = given.iter().sum();
            prop_assert!(sum <= room * 1.0001, "{} of {}: {:?}", sum, room, given);
            prop_assert!(given.iter().all(|width| width.is_finite() && *width >= 0.0), "{:?}", given);
            let needed: f32 = widths.iter().zip(&extents).map(|(width, extent)| match width {
                Width::Points(points) => *points,
                _ => extent.least,
            }).sum();
            if needed < room {
                for ((width, extent), given) in widths.iter().zip(&extents).zip(&given) {
                    let least = if let Width::Points(points) = width { *points } else { extent.least };
                    prop_assert!(*given >= least * 0.9999, "{} of {}", given, least);
                }
            }
            if widths.iter().any(|width| matches!(width, Width::Fill { .. })) && needed < room {
                prop_assert!(sum >= room * 0.999, "what fills leaves nothing: {} of {}", sum, room);
            }
        }
    }
}
