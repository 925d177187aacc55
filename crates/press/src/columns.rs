//! How columns share the width of a page, and the rows of tables.
//!
//! Must never make a table wider than its page, nor part a row that leaves room for others on one.

use std::rc::Rc;

use krilla::tagging::{TableHeaderScope, Tag, TagId};

use crate::element::{Edge, Element, Look, Node, Role, Side, Table, Width};
use crate::fault::PressError;
use crate::flow::{Press, SIDES_MOST, Slot};
use crate::piece::{Mark, Piece, What, beside, beside_in_slices, outer_gaps};
use crate::text::{CAPITAL, Extent};

/// Letters that a column of sentences needs at the least, before columns that fit their words are narrowed.
const SENTENCE_LEAST: f32 = 20.0;
/// Width of a letter of a sentence in sizes of the letters, roughly.
const LETTER: f32 = 0.52;
/// Halvings by which columns find how they share a page, to less than a hundredth of a point.
const HALVINGS: usize = 28;
/// A row higher than this share of a page may run over onto the next.
const ROW_WHOLE: f32 = 0.6;
/// Heads higher than this share of a page are not repeated.
const HEAD_HIGHEST: f32 = 0.3;
/// How heads look.
const STRONG: Look = Look { size: None, strong: Some(true), grey: None, equal: None };

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
        let wants: Vec<f32> = extents.iter().map(|extent| extent.most).collect();
        return filled(widths, &wanted, &wants, room - fits, shares);
    }
    if least >= room {
        // Words must be broken: those of the widest columns first.
        let broken: Vec<(f32, f32)> = wanted.iter().map(|(least, _)| (0.0, *least)).collect();
        return levelled(&broken, room, |_| 1.0);
    }
    // Short columns keep what they want and long ones share the rest, a column of sentences with all its words.
    let wanted: Vec<(f32, f32)> = widths
        .iter()
        .zip(extents)
        .zip(&wanted)
        .map(|((width, extent), (least, most))| match width {
            Width::Fill { .. } => (*least, extent.most.max(*least)),
            _ => (*least, *most),
        })
        .collect();
    // By the root of how much there is to say, not by it: the longest column makes the row high, and the others must be read too.
    levelled(&wanted, room, f32::sqrt)
}

/// Widths by their weights, `room` in all, but no column narrower or wider than its two bounds.
fn levelled(bounds: &[(f32, f32)], room: f32, weight: fn(f32) -> f32) -> Vec<f32> {
    let at = |level: f32| bounds.iter().map(move |(least, most)| (level * weight(*most)).clamp(*least, *most));
    let (mut low, mut high) = (0.0, room);
    for _ in 0..HALVINGS {
        let level = (low + high) / 2.0;
        if at(level).sum::<f32>() > room { high = level } else { low = level }
    }
    at(low).collect()
}

/// Columns that fit have what they want; the others share `left`, each at least what it needs, and none more than it has words for while
/// another has more words than room.
fn filled(widths: &[Width], wanted: &[(f32, f32)], wants: &[f32], left: f32, shares: f32) -> Vec<f32> {
    let (mut left, mut open) = (left, shares);
    let mut given: Vec<Option<f32>> = vec![None; widths.len()];
    let share = |n: usize| if let Width::Fill { share } = widths[n] { share } else { 0.0 };
    let sated = |n: usize| wants[n].max(wanted[n].1);
    let fills: Vec<usize> = (0..widths.len()).filter(|n| share(*n) > 0.0).collect();
    loop {
        let fair = |n: usize| left * share(n) / open.max(f32::EPSILON);
        let open_ones = || fills.iter().copied().filter(|n| given[*n].is_none());
        // Those that need more than their share come first: what they take, the others have not.
        let short = open_ones().find(|n| fair(*n) < wanted[*n].1).map(|n| (n, wanted[n].1));
        let Some((n, width)) = short.or_else(|| open_ones().find(|n| fair(*n) > sated(*n)).map(|n| (n, sated(n))))
        else {
            break;
        };
        given[n] = Some(width);
        left -= width;
        open -= share(n);
    }
    // Where all have what they want, what is left widens them all.
    let over = if fills.iter().all(|n| given[*n].is_some()) { left.max(0.0) / shares.max(f32::EPSILON) } else { 0.0 };
    let width = |n: usize| match (widths[n], given[n]) {
        (Width::Fill { share }, Some(width)) => width + over * share,
        (Width::Fill { share }, None) => left * share / open.max(f32::EPSILON),
        _ => wanted[n].1,
    };
    (0..widths.len()).map(width).collect()
}

/// The frame that all rows of a table share.
struct Grid<'t> {
    table: &'t Table,
    /// Left side and width of each column, its insets not included.
    columns: Vec<(f32, f32)>,
    width: f32,
    look: Look,
}

impl Press<'_> {
    pub(crate) fn table(&mut self, table: &Table, slot: Slot) -> Result<Vec<Piece>, PressError> {
        self.tables += 1;
        let number = self.tables;
        let room = self.room;
        let whole = self.tags.group(slot.group, Tag::Table);
        let mut pieces = Vec::new();
        if let Some(element) = &table.caption {
            pieces = self.caption(element, Slot { side: Side::Left, group: whole, ..slot })?;
        }
        let grid = self.grid(table, slot);
        self.room = (room - table.inset.top - table.inset.bottom).max(1.0);
        let id = |n: usize| TagId::from(format!("t{number}c{}", n + 1).into_bytes());

        let mut repeated = None;
        let headed = table.columns.iter().any(|column| column.head.is_some());
        if headed {
            let heads = self.tags.group(whole, Tag::THead);
            let row = self.tags.group(heads, Tag::TR);
            let mut cells = Vec::new();
            for (n, column) in table.columns.iter().enumerate() {
                let head = Tag::TH(TableHeaderScope::Column).with_id(Some(id(n)));
                let group = self.tags.group(row, head);
                let look = STRONG.within(grid.look);
                let cell = Slot { width: grid.columns[n].1, look, side: column.align, group };
                cells.push(self.cell(column.head.as_deref().unwrap_or_default(), cell)?);
            }
            let mut head = grid.row(cells, true, (HEAD_HIGHEST * room, self.room));
            grid.rule(head.first_mut(), table.rules.top, true);
            grid.rule(head.last_mut(), table.rules.head, false);
            if !table.rows.is_empty() {
                head.iter_mut().for_each(|piece| piece.with_next = true);
            }
            if let [head] = &head[..] {
                self.room = (self.room - head.height).max(1.0);
                repeated = Some(Rc::new(head.silent()));
            }
            pieces.append(&mut head);
        }
        let body = self.tags.group(whole, Tag::TBody);
        let count = table.rows.len();
        let highest = ROW_WHOLE * room;
        for (r, row) in table.rows.iter().enumerate() {
            let row_group = self.tags.group(body, Tag::TR);
            let mut cells = Vec::new();
            for (n, cell) in row.iter().enumerate() {
                let group = if table.named_rows && n == 0 {
                    self.tags.group(row_group, Tag::TH(TableHeaderScope::Row))
                } else if headed {
                    self.tags.group(row_group, Tag::TD.with_headers(Some([id(n)])))
                } else {
                    self.tags.group(row_group, Tag::TD)
                };
                let side = table.columns[n].align;
                cells.push(self.cell(cell, Slot { width: grid.columns[n].1, look: grid.look, side, group })?);
            }
            let mut slices = grid.row(cells, false, (highest, self.room));
            let edge = if r + 1 == count { table.rules.bottom } else { table.rules.rows };
            grid.rule(slices.last_mut(), edge, false);
            for mut slice in slices {
                slice.repeated = repeated.clone();
                pieces.push(slice);
            }
        }
        self.room = room;
        outer_gaps(&mut pieces, table.gaps);
        Ok(pieces)
    }

    fn caption(&mut self, element: &Element, slot: Slot) -> Result<Vec<Piece>, PressError> {
        let Node::Text(text) = element.node.as_ref() else {
            return Err(self.refused(element.at, "the caption of a table is no text".to_owned(), "give one text(…)"));
        };
        if text.role != Role::Paragraph {
            let message = "the caption of a table is a heading".to_owned();
            return Err(self.refused(element.at, message, "set the heading before the table, or make it a text(…)"));
        }
        let group = self.tags.group(slot.group, Tag::Caption);
        let mut pieces = self.text(text, element, Slot { group, ..slot })?;
        pieces.iter_mut().for_each(|piece| piece.with_next = true);
        Ok(pieces)
    }

    /// Where the columns of a table stand.
    fn grid<'t>(&mut self, table: &'t Table, slot: Slot) -> Grid<'t> {
        let look = table.look.within(slot.look);
        let count = table.columns.len();
        let left = |n: usize| if n == 0 { table.outer } else { table.inset.left };
        let right = |n: usize| if n + 1 == count { table.outer } else { table.inset.right };
        let insets: f32 = (0..count).map(|n| left(n) + right(n)).sum();
        // Room between columns gives way before what stands in them does.
        let scale = (slot.width * SIDES_MOST / insets.max(1.0)).min(1.0);
        let mut extents = Vec::with_capacity(count);
        for (n, column) in table.columns.iter().enumerate() {
            let mut extent = self.extent(column.head.as_deref().unwrap_or_default(), STRONG.within(look));
            for row in &table.rows {
                let cell = self.extent(&row[n], look);
                extent = Extent { least: extent.least.max(cell.least), most: extent.most.max(cell.most) };
            }
            extents.push(extent);
        }
        let widths: Vec<Width> = table.columns.iter().map(|column| column.width).collect();
        let shares = shared(&widths, &extents, (slot.width - insets * scale).max(1.0), look.points());
        let mut x = 0.0;
        let mut columns = Vec::with_capacity(count);
        for (n, width) in shares.into_iter().enumerate() {
            columns.push((x + left(n) * scale, width));
            x += left(n) * scale + width + right(n) * scale;
        }
        Grid { table, columns, width: x, look }
    }

    /// What stands in a cell, piece by piece; a single text is the cell itself to who hears it.
    fn cell(&mut self, inside: &[Element], slot: Slot) -> Result<Vec<Piece>, PressError> {
        let mut pieces = Vec::new();
        for element in inside {
            match element.node.as_ref() {
                Node::Text(text) if text.role == Role::Paragraph && inside.len() == 1 => {
                    pieces.extend(self.text(text, element, slot)?);
                }
                _ => pieces.extend(self.one(element, slot)?),
            }
        }
        pieces.retain(|piece| !piece.new_page);
        if pieces.iter().all(|piece| piece.marks.is_empty()) {
            let mark = Mark { x: 0.0, y: 0.0, what: What::Nothing, group: slot.group };
            pieces = vec![Piece { height: slot.look.points() * CAPITAL, marks: vec![mark], ..Piece::default() }];
        }
        Ok(pieces)
    }
}

impl Grid<'_> {
    /// Cells side by side as one piece, or piece by piece if they are higher than `whole`. Heads stand at the foot of their row.
    fn row(&self, cells: Vec<Vec<Piece>>, at_foot: bool, (whole, room): (f32, f32)) -> Vec<Piece> {
        let inset = self.table.inset;
        let columns: Vec<_> = self.columns.iter().map(|(x, _)| *x).zip(cells).collect();
        let row = beside(columns.clone(), at_foot);
        let mut slices =
            if row.height + inset.top + inset.bottom <= whole { vec![row] } else { beside_in_slices(&columns, room) };
        if let Some(first) = slices.first_mut() {
            let moved = std::mem::take(first).moved(0.0, inset.top);
            *first = Piece { height: moved.height + inset.top, ..moved };
        }
        if let Some(last) = slices.last_mut() {
            last.height += inset.bottom;
        }
        if let Some(first) = slices.first_mut() {
            first.above = 0.0;
        }
        if let Some(last) = slices.last_mut() {
            (last.below, last.with_next) = (0.0, false);
        }
        slices
    }

    /// A line over the whole width at the top or the foot of a piece, half of it beyond.
    fn rule(&self, piece: Option<&mut Piece>, edge: Option<Edge>, top: bool) {
        if let (Some(piece), Some(edge)) = (piece, edge) {
            let y = if top { 0.0 } else { piece.height };
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

    #[test]
    fn a_column_takes_no_more_than_it_has_words_for_while_another_lacks_room() {
        let fill = Width::Fill { share: 1.0 };
        let extent = |least, most| Extent { least, most };
        for (extents, wants) in [
            ([extent(10.0, 40.0), extent(50.0, 900.0)], [40.0, 360.0]),
            ([extent(10.0, 700.0), extent(50.0, 900.0)], [200.0, 200.0]),
            ([extent(10.0, 40.0), extent(50.0, 60.0)], [190.0, 210.0]),
        ] {
            let given = shared(&[fill, fill], &extents, 400.0, 9.0);
            assert!(given.iter().zip(wants).all(|(given, want)| (given - want).abs() < 0.01), "{extents:?}: {given:?}");
        }
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
