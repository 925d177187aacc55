//! Lines, dots, fills and letters on a drawing area.
//!
//! Must never stop at a failure: the first one is kept, and drawing reads as drawing.

use plotters::backend::SVGBackend;
use plotters::coord::Shift;
use plotters::drawing::DrawingArea;
use plotters::element::{Circle, DashedPathElement, PathElement, Polygon, Rectangle};
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

    pub(super) fn stroke(&mut self, points: Vec<(i32, i32)>, colour: RGBColor, width: u32, dash: Dash) {
        let style = ShapeStyle { color: colour.to_rgba(), filled: false, stroke_width: width };
        let outcome = match dash {
            None => self.area.draw(&PathElement::new(points, style)),
            Some((on, off)) => self.area.draw(&DashedPathElement::new(points, on, off, style)),
        };
        self.note(outcome);
    }

    pub(super) fn dot(&mut self, centre: (i32, i32), radius: i32, colour: RGBColor) {
        let outcome = self.area.draw(&Circle::new(centre, radius, colour.filled()));
        self.note(outcome);
    }

    pub(super) fn blank(&mut self, corners: [(i32, i32); 2]) {
        let outcome = self.area.draw(&Rectangle::new(corners, PAPER.filled()));
        self.note(outcome);
    }

    /// A veil over an area: what lies under it shows through.
    pub(super) fn veil(&mut self, corners: Vec<(i32, i32)>, colour: RGBColor, thickness: f64) {
        let outcome = self.area.draw(&Polygon::new(corners, colour.mix(thickness)));
        self.note(outcome);
    }

    pub(super) fn fill(&mut self, corners: [(i32, i32); 2], colour: RGBColor) {
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
