//! Pieces to pages.
//!
//! Must never leave a heading or the heads of a table alone at the foot of a page, nor lose a piece that fits on none.

use std::collections::VecDeque;
use std::rc::Rc;

use crate::piece::Piece;

/// A piece on its page.
#[derive(Clone, Debug)]
pub(crate) struct Placed {
    /// From the top of the text.
    pub(crate) y: f32,
    pub(crate) piece: Rc<Piece>,
}

/// Pages of text `room` points high; at least one.
pub(crate) fn filled(pieces: Vec<Piece>, room: f32) -> Vec<Vec<Placed>> {
    let mut left: VecDeque<Rc<Piece>> = pieces.into_iter().map(Rc::new).collect();
    let mut pages = vec![Vec::new()];
    // Foot of what stands on the page, and the room that it wants below.
    let mut foot = 0.0;
    let mut below = 0.0;
    while let Some(next) = left.front() {
        let page = pages.last_mut().expect("there is always one");
        if next.new_page {
            left.pop_front();
            if !page.is_empty() {
                pages.push(Vec::new());
                (foot, below) = (0.0, 0.0);
            }
            continue;
        }
        let chain = chained(&left, room);
        let fits_on_one = height(&left, chain, 0.0, true) <= room;
        if !fits_on_one && chain > 1 && parted(&mut left, chain - 1) {
            continue;
        }
        let mut begins = page.is_empty();
        // Better on the next page, unless it fits there no more than here.
        if !begins
            && foot + height(&left, chain, below, false) > room
            && (fits_on_one || foot + height(&left, 1, below, false) > room)
        {
            pages.push(Vec::new());
            (foot, below) = (0.0, 0.0);
            begins = true;
        }
        // What fits on no page at all is set piece by piece.
        let count = if foot + height(&left, chain, below, begins) <= room { chain } else { 1 };
        let page = pages.last_mut().expect("there is always one");
        for piece in left.drain(..count) {
            if page.is_empty() {
                if let Some(head) = head_of(&piece, room) {
                    page.push(Placed { y: foot, piece: Rc::clone(head) });
                    foot += head.height;
                }
            } else {
                foot += below.max(piece.above);
            }
            let bottom = foot + piece.height;
            below = piece.below;
            page.push(Placed { y: foot, piece });
            foot = bottom;
        }
    }
    if pages.len() > 1 && pages.last().is_some_and(Vec::is_empty) {
        pages.pop();
    }
    pages
}

/// How many pieces, from the first on, belong together; more than fit on a page are not counted.
fn chained(left: &VecDeque<Rc<Piece>>, room: f32) -> usize {
    let mut high = 0.0;
    let mut count = 0;
    for (n, piece) in left.iter().enumerate() {
        if piece.new_page {
            break;
        }
        count = n + 1;
        high += piece.height;
        if !piece.with_next || high > room {
            break;
        }
    }
    count.max(1)
}

/// Puts the parts of a piece in its place, if it has any.
fn parted(left: &mut VecDeque<Rc<Piece>>, at: usize) -> bool {
    let Some(piece) = left.get(at).filter(|piece| !piece.parts.is_empty()).cloned() else { return false };
    let mut parts = piece.parts.clone();
    let last = parts.len() - 1;
    parts[0].above = piece.above;
    parts[last].below = piece.below;
    parts[last].with_next = piece.with_next;
    left.remove(at);
    for part in parts.into_iter().rev() {
        left.insert(at, Rc::new(part));
    }
    true
}

/// What is repeated before a piece that begins a page, if both fit on it.
fn head_of(piece: &Piece, room: f32) -> Option<&Rc<Piece>> {
    piece.repeated.as_ref().filter(|head| head.height + piece.height <= room)
}

/// Height of the first `count` pieces below `below`, or at the head of a page.
fn height(left: &VecDeque<Rc<Piece>>, count: usize, below: f32, begins: bool) -> f32 {
    let mut high = 0.0;
    let mut below = below;
    for (n, piece) in left.iter().take(count).enumerate() {
        if n > 0 || !begins {
            high += below.max(piece.above);
        } else if let Some(head) = &piece.repeated {
            high += head.height;
        }
        high += piece.height;
        below = piece.below;
    }
    high
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const ROOM: f32 = 700.0;

    /// A piece that can be told from others by its height; some could be parted into three.
    fn any_piece() -> impl Strategy<Value = Piece> {
        let heights = prop_oneof![8 => 5.0_f32..80.0, 1 => 300.0_f32..900.0];
        let flags = (prop::bool::weighted(0.2), prop::bool::weighted(0.03), any::<bool>(), any::<bool>());
        (heights, 0.0_f32..25.0, 0.0_f32..25.0, flags).prop_map(
            |(height, above, below, (with_next, new_page, headed, parted))| {
                let part = Piece { height: height / 3.0, ..Piece::default() };
                Piece {
                    height: if new_page { 0.0 } else { height },
                    above,
                    below,
                    with_next,
                    new_page,
                    repeated: headed.then(|| Rc::new(Piece { height: 20.0, ..Piece::default() })),
                    parts: if parted && !new_page { vec![part; 3] } else { Vec::new() },
                    ..Piece::default()
                }
            },
        )
    }

    proptest! {
        #[test]
        fn every_piece_stands_on_one_page_in_its_order_and_none_below_its_foot(pieces in prop::collection::vec(any_piece(), 0..90)) {
            let pages = filled(pieces.clone(), ROOM);
            prop_assert!(!pages.is_empty());
            let mut left: VecDeque<Piece> = pieces.iter().filter(|piece| !piece.new_page).cloned().collect();
            for (n, page) in pages.iter().enumerate() {
                prop_assert!(!page.is_empty() || pages.len() == 1, "page {} is empty", n + 1);
                let mut foot = 0.0;
                for placed in page {
                    prop_assert!(placed.y >= foot - 0.01, "it stands on what is above it");
                    foot = placed.y + placed.piece.height;
                    // Only what fits on no page runs out of one, and then it is alone.
                    let alone = page.len() == 1 && placed.piece.height > ROOM;
                    prop_assert!(foot <= ROOM + 0.01 || alone, "page {}: {} of {}", n + 1, foot, ROOM);
                    if !is_head(&pieces, placed) {
                        let mut next = left.pop_front().unwrap();
                        if next.height != placed.piece.height {
                            let parts = std::mem::take(&mut next.parts);
                            parts.into_iter().rev().for_each(|part| left.push_front(part));
                            next = left.pop_front().unwrap();
                        }
                        prop_assert_eq!(next.height, placed.piece.height);
                    }
                }
            }
            prop_assert!(left.is_empty(), "none is lost");
        }

        #[test]
        fn a_run_that_fits_on_a_page_is_never_parted(pieces in prop::collection::vec(any_piece(), 0..90)) {
            let whole = |piece| Piece { new_page: false, parts: Vec::new(), ..piece };
            let pieces: Vec<Piece> = pieces.into_iter().map(whole).collect();
            let mut on = Vec::new();
            for (n, page) in filled(pieces.clone(), ROOM).into_iter().enumerate() {
                on.extend(page.iter().filter(|placed| !is_head(&pieces, placed)).map(|_| n));
            }
            prop_assert_eq!(on.len(), pieces.len());
            let mut first = 0;
            while first < pieces.len() {
                let count = pieces[first..].iter().take_while(|piece| piece.with_next).count() + 1;
                let run = &pieces[first..pieces.len().min(first + count)];
                // No more than this: room above and below is at most 25 each.
                let high: f32 = 20.0 + run.iter().map(|piece| piece.height + 25.0).sum::<f32>();
                let pages = &on[first..first + run.len()];
                prop_assert!(high > ROOM || pages.iter().all(|page| *page == pages[0]), "{:?}", pages);
                first += run.len();
            }
        }
    }

    fn is_head(pieces: &[Piece], placed: &Placed) -> bool {
        pieces.iter().filter_map(|piece| piece.repeated.as_ref()).any(|head| Rc::ptr_eq(head, &placed.piece))
    }
}
