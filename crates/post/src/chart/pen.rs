//! Lines, dots, fills and letters on a drawing area.
//!
//! Must never stop at a failure: the first one is kept, and drawing reads as drawing. Must never hand on a shape without length or area: what
//! turns the drawing into pixels would leave it out and warn of it, once a shape.

use plotters::backend::SVGBackend;
use plotters::coord::Shift;
use plotters::drawing::DrawingArea;
use plotters::element::{Circle, PathElement, Polygon, Rectangle};
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{Color, IntoFont, RGBColor, ShapeStyle, TextStyle};

use super::{ADVANCE, Dash, FONT_FAMILY, PAPER, PLOTTERS_FONT_SCALE};
use crate::letter::clean;

pub(super) type Area<'a> = DrawingArea<SVGBackend<'a>, Shift>;

/// Draws on the area and keeps the first failure, so that drawing reads as drawing.
pub(super) struct Pen<'p, 'a> {
    pub(super) area: &'p Area<'a>,
    /// Size of its letters in pixels.
    pub(super) letter: i32,
    pub(super) failed: Option<String>,
}

impl Pen<'_, '_> {
    fn note<E: std::fmt::Display>(&mut self, outcome: Result<(), E>) {
        if let (Err(error), None) = (outcome, &self.failed) {
            self.failed = Some(error.to_string());
        }
    }

    /// A line; where all its points fall onto one pixel, a dot as wide as the line.
    pub(super) fn stroke(&mut self, mut points: Vec<(i32, i32)>, colour: RGBColor, width: u32, dash: Dash) {
        points.dedup();
        let strokes = match (points.as_slice(), dash) {
            ([], _) => return,
            ([only], _) => return self.dot(*only, i32::try_from(width.div_ceil(2)).unwrap_or(1), colour),
            (_, None) => vec![points],
            (points, Some(dash)) => dashes(points, dash),
        };
        let style = ShapeStyle { color: colour.to_rgba(), filled: false, stroke_width: width };
        for points in strokes {
            let outcome = self.area.draw(&PathElement::new(points, style));
            self.note(outcome);
        }
    }

    pub(super) fn dot(&mut self, centre: (i32, i32), radius: i32, colour: RGBColor) {
        let outcome = self.area.draw(&Circle::new(centre, radius, colour.filled()));
        self.note(outcome);
    }

    pub(super) fn blank(&mut self, corners: [(i32, i32); 2]) {
        self.fill(corners, PAPER);
    }

    /// A veil over an area: what lies under it shows through.
    pub(super) fn veil(&mut self, corners: Vec<(i32, i32)>, colour: RGBColor, thickness: f64) {
        let Some(first) = corners.first() else { return };
        if corners.iter().all(|corner| corner.0 == first.0) || corners.iter().all(|corner| corner.1 == first.1) {
            return;
        }
        let outcome = self.area.draw(&Polygon::new(corners, colour.mix(thickness)));
        self.note(outcome);
    }

    pub(super) fn fill(&mut self, corners: [(i32, i32); 2], colour: RGBColor) {
        let [(left, top), (right, bottom)] = corners;
        if left >= right || top >= bottom {
            return;
        }
        let outcome = self.area.draw(&Rectangle::new(corners, colour.filled()));
        self.note(outcome);
    }

    pub(super) fn write(&mut self, text: &str, at: (i32, i32), colour: RGBColor, h: HPos) {
        let font = (FONT_FAMILY, f64::from(self.letter) * PLOTTERS_FONT_SCALE).into_font();
        let style = TextStyle::from(font).color(&colour).pos(Pos::new(h, VPos::Center));
        let outcome = self.area.draw_text(text, &style, at);
        self.note(outcome);
    }
}

/// The pieces of a dashed line, in whole pixels. A piece that falls onto one pixel is left out.
fn dashes(points: &[(i32, i32)], (on, off): (i32, i32)) -> Vec<Vec<(i32, i32)>> {
    let whole = |(x, y): (f64, f64)| (x.round() as i32, y.round() as i32);
    let real = |(x, y): (i32, i32)| (f64::from(x), f64::from(y));
    let (on, off) = (f64::from(on.max(1)), f64::from(off.max(1)));
    let mut strokes = Vec::new();
    let Some(first) = points.first() else { return strokes };
    let (mut at, mut piece, mut draws, mut left) = (real(*first), vec![*first], true, on);
    for corner in points.iter().skip(1).map(|corner| real(*corner)) {
        loop {
            let (dx, dy) = (corner.0 - at.0, corner.1 - at.1);
            let length = dx.hypot(dy);
            if length < left {
                left -= length;
                at = corner;
                piece.push(whole(at));
                break;
            }
            at = (at.0 + dx * left / length, at.1 + dy * left / length);
            piece.push(whole(at));
            if draws {
                strokes.push(std::mem::take(&mut piece));
            }
            draws = !draws;
            left = if draws { on } else { off };
            piece = vec![whole(at)];
        }
    }
    if draws {
        strokes.push(piece);
    }
    for stroke in &mut strokes {
        stroke.dedup();
    }
    strokes.retain(|stroke| stroke.len() > 1);
    strokes
}

/// How wide a text is about, in letters of a size.
pub(super) fn text_width(text: &str, letter: i32) -> i32 {
    (text.chars().count() as f64 * f64::from(letter) * ADVANCE).ceil() as i32
}

pub(super) fn shortened(text: &str, longest: usize) -> String {
    let text = clean(text);
    if text.chars().count() <= longest {
        return text;
    }
    text.chars().take(longest.saturating_sub(1)).chain(['…']).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dashes_follow_the_line_and_none_is_without_length() {
        for (points, want, why) in [
            (
                vec![(0, 0), (30, 0)],
                vec![vec![(0, 0), (10, 0)], vec![(15, 0), (25, 0)]],
                "ten on, five off, the rest is off",
            ),
            (
                vec![(0, 0), (4, 0), (4, 20)],
                vec![vec![(0, 0), (4, 0), (4, 6)], vec![(4, 11), (4, 20)]],
                "round a corner",
            ),
            (vec![(0, 0), (15, 0)], vec![vec![(0, 0), (10, 0)]], "a dash that would begin at the end is none"),
            (vec![(3, 3)], vec![], "a point"),
            (vec![], vec![], "nothing"),
        ] {
            assert_eq!(dashes(&points, (10, 5)), want, "{why}");
        }
        assert_eq!(dashes(&[(0, 0), (0, 0), (2, 0)], (0, -3)), [[(0, 0), (1, 0)]], "no dash is shorter than a pixel");
    }
}
