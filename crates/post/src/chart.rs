//! Draws the temperatures of the last days, limits and the blower as a PNG that can be read on a telephone.
//!
//! Must never draw a line across a gap, and never use a font of the machine it runs on: the picture is the same everywhere.

use std::sync::Arc;

use engine::notice::{Chart, ChartLine};
use pile::time::{Span, Timestamp};
use plotters::backend::SVGBackend;
use plotters::coord::Shift;
use plotters::drawing::{DrawingArea, IntoDrawingArea};
use plotters::element::{Circle, DashedPathElement, PathElement, Rectangle};
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{Color, IntoFont, RGBColor, ShapeStyle, TextStyle};
use resvg::{tiny_skia, usvg};
use site::model::Display;
use site::zone::Zone;

use crate::figures;
use crate::letter::clean;

/// DejaVu Sans Condensed, cut down to European letters; its licence stands beside it.
const FONT: &[u8] = include_bytes!("../assets/chart-font.ttf");
/// The family as the font names itself; that it is the condensed cut is another property of the file.
const FONT_FAMILY: &str = "DejaVu Sans";

/// Size of the picture in pixels. Mails show it 600 wide or as wide as the telephone, so that letters of 27 px come to 11 px there.
const WIDTH: i32 = 900;
const HEIGHT: i32 = 520;
const LETTER: i32 = 27;
/// The usual advance of the font's letters, as a share of their size: measured on digits and small letters.
const ADVANCE: f64 = 0.55;
/// plotters divides font sizes by this before it writes them.
const PLOTTERS_FONT_SCALE: f64 = 1.24;
/// A picture larger than this is not worth its bytes on a slow telephone link.
pub(crate) const LARGEST_PNG: usize = 60_000;

const LINE_HEIGHT: i32 = 34;
const MARK_ROWS_MAX: usize = 3;
const LABEL_LONGEST: usize = 16;
const MARK_LONGEST: usize = 24;
/// Marks beyond this are only told in words.
const MARKS_MAX: usize = 40;
/// Lines beyond this are only told in words: more cannot be told apart.
const LINES_MAX: usize = 12;
const HOURS_PER_DAY: i64 = 24;
/// Height of the blower's strip.
const STRIP: i32 = 16;
const STRIP_LABEL: &str = "air";
/// A limit further from the readings than this, in kelvin, is not drawn: it would flatten them.
const LIMIT_REACH: f64 = 12.0;

/// Pixels drawn and pixels left out in turn; `None` draws all.
type Dash = Option<(i32, i32)>;

/// Lines differ in colour, in dashes and in width, so that nobody needs to tell colours apart. Dark enough to be read as letters on
/// white (contrast above 4.5 to 1).
const PENS: [(RGBColor, Dash, u32); 6] = [
    (RGBColor(0, 84, 147), None, 5),
    (RGBColor(170, 60, 0), Some((18, 8)), 4),
    (RGBColor(0, 0, 0), Some((4, 7)), 4),
    (RGBColor(0, 110, 80), None, 2),
    (RGBColor(130, 40, 110), Some((9, 9)), 3),
    (RGBColor(90, 90, 0), Some((30, 7)), 2),
];
const INK: RGBColor = RGBColor(17, 17, 17);
const GRID: RGBColor = RGBColor(205, 205, 205);
const MARK: RGBColor = RGBColor(90, 90, 90);
const PAPER: RGBColor = RGBColor(255, 255, 255);

/// Why a picture could not be made.
#[derive(Debug, thiserror::Error)]
pub(crate) enum ChartError {
    /// The drawing could not be written.
    #[error("the chart could not be drawn: {0}")]
    Draw(String),
    /// The drawing could not be turned into pixels.
    #[error("the chart could not be turned into a picture: {0}")]
    Pixels(String),
    /// More bytes than a mail should carry.
    #[error("the chart takes {0} bytes, more than the {LARGEST_PNG} a mail should carry")]
    TooLarge(usize),
}

/// Draws the chart in the site's clock and units.
pub(crate) fn png(chart: &Chart, zone: &Zone, display: Display) -> Result<Vec<u8>, ChartError> {
    let svg = svg(chart, zone, display)?;
    let mut options = usvg::Options { font_family: FONT_FAMILY.into(), ..usvg::Options::default() };
    let mut fonts = usvg::fontdb::Database::new();
    fonts.load_font_data(FONT.to_vec());
    options.fontdb = Arc::new(fonts);
    let tree = usvg::Tree::from_str(&svg, &options).map_err(|e| ChartError::Pixels(e.to_string()))?;
    let mut pixels = tiny_skia::Pixmap::new(WIDTH as u32, HEIGHT as u32)
        .ok_or_else(|| ChartError::Pixels(format!("no room for {WIDTH} by {HEIGHT} pixels")))?;
    resvg::render(&tree, tiny_skia::Transform::identity(), &mut pixels.as_mut());
    packed(&pixels)
}

/// Packs the pixels with a palette: a third of the bytes of full colours.
///
/// Edges are blends of ink and paper; so few steps of each blend are kept that all colours fit into the palette, and fewer still where
/// many noisy lines would make the picture too large.
fn packed(pixels: &tiny_skia::Pixmap) -> Result<Vec<u8>, ChartError> {
    let mut smallest = usize::MAX;
    for steps in [16, 8, 6, 4, 3] {
        let (palette, indices) = indexed(pixels, steps);
        if palette.len() > 256 {
            continue;
        }
        let png = encoded(pixels, palette, &indices).map_err(|e| ChartError::Pixels(e.to_string()))?;
        if png.len() <= LARGEST_PNG {
            return Ok(png);
        }
        smallest = smallest.min(png.len());
    }
    Err(ChartError::TooLarge(smallest))
}

fn encoded(pixels: &tiny_skia::Pixmap, palette: Vec<[u8; 3]>, indices: &[u8]) -> Result<Vec<u8>, png::EncodingError> {
    let mut out = Vec::new();
    let mut encoder = png::Encoder::new(&mut out, pixels.width(), pixels.height());
    encoder.set_color(png::ColorType::Indexed);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.set_palette(palette.concat());
    encoder.set_compression(png::Compression::High);
    // Neighbouring indices are unrelated numbers, so predicting one from the other only adds noise.
    encoder.set_filter(png::Filter::NoFilter);
    let mut writer = encoder.write_header()?;
    writer.write_image_data(indices)?;
    writer.finish()?;
    Ok(out)
}

/// The colours in order of first appearance, each channel in so many steps, and for each pixel the place of its colour.
fn indexed(pixels: &tiny_skia::Pixmap, steps: u32) -> (Vec<[u8; 3]>, Vec<u8>) {
    let step_of = |channel: u8| -> u8 {
        let step = (u32::from(channel) * (steps - 1) + 127) / 255;
        (step * 255 / (steps - 1)) as u8
    };
    let mut places = std::collections::BTreeMap::new();
    let mut palette = Vec::new();
    let indices = pixels
        .pixels()
        .iter()
        .map(|pixel| {
            // The paper is opaque, so premultiplied channels are the channels.
            let colour = [pixel.red(), pixel.green(), pixel.blue()].map(step_of);
            *places.entry(colour).or_insert_with(|| {
                palette.push(colour);
                // More than 256 colours are discarded by the caller.
                (palette.len() - 1) as u8
            })
        })
        .collect();
    (palette, indices)
}

fn svg(chart: &Chart, zone: &Zone, display: Display) -> Result<String, ChartError> {
    let mut svg = String::new();
    {
        let area = SVGBackend::with_string(&mut svg, (WIDTH as u32, HEIGHT as u32)).into_drawing_area();
        let failed = |e: &dyn std::fmt::Display| ChartError::Draw(e.to_string());
        let frame = Frame::around(chart, display);
        let mut pen = Pen { area: &area, failed: None };
        frame.draw_axes(&mut pen, chart, zone, display);
        frame.draw_blower(&mut pen, chart);
        frame.draw_limits(&mut pen, chart, display);
        frame.draw_marks(&mut pen);
        frame.draw_lines(&mut pen, chart, display);
        if let Some(error) = pen.failed {
            return Err(ChartError::Draw(error));
        }
        area.present().map_err(|e| failed(&e))?;
    }
    Ok(svg)
}

type Area<'a> = DrawingArea<SVGBackend<'a>, Shift>;

/// Draws on the area and keeps the first failure, so that drawing reads as drawing.
struct Pen<'p, 'a> {
    area: &'p Area<'a>,
    failed: Option<String>,
}

impl Pen<'_, '_> {
    fn note<E: std::fmt::Display>(&mut self, outcome: Result<(), E>) {
        if let (Err(error), None) = (outcome, &self.failed) {
            self.failed = Some(error.to_string());
        }
    }

    fn stroke(&mut self, points: Vec<(i32, i32)>, colour: RGBColor, width: u32, dash: Dash) {
        let style = ShapeStyle { color: colour.to_rgba(), filled: false, stroke_width: width };
        let outcome = match dash {
            None => self.area.draw(&PathElement::new(points, style)),
            Some((on, off)) => self.area.draw(&DashedPathElement::new(points, on, off, style)),
        };
        self.note(outcome);
    }

    fn dot(&mut self, centre: (i32, i32), radius: i32, colour: RGBColor) {
        let outcome = self.area.draw(&Circle::new(centre, radius, colour.filled()));
        self.note(outcome);
    }

    fn blank(&mut self, corners: [(i32, i32); 2]) {
        let outcome = self.area.draw(&Rectangle::new(corners, PAPER.filled()));
        self.note(outcome);
    }

    fn fill(&mut self, corners: [(i32, i32); 2], colour: RGBColor) {
        let outcome = self.area.draw(&Rectangle::new(corners, colour.filled()));
        self.note(outcome);
    }

    fn write(&mut self, text: &str, at: (i32, i32), colour: RGBColor, h: HPos) {
        let font = (FONT_FAMILY, f64::from(LETTER) * PLOTTERS_FONT_SCALE).into_font();
        let style = TextStyle::from(font).color(&colour).pos(Pos::new(h, VPos::Center));
        let outcome = self.area.draw_text(text, &style, at);
        self.note(outcome);
    }
}

fn text_width(text: &str) -> i32 {
    (text.chars().count() as f64 * f64::from(LETTER) * ADVANCE).ceil() as i32
}

fn shortened(text: &str, longest: usize) -> String {
    let text = clean(text);
    if text.chars().count() <= longest {
        return text;
    }
    text.chars().take(longest.saturating_sub(1)).chain(['…']).collect()
}

/// Where the plot sits in the picture, and how values become pixels.
struct Frame {
    left: i32,
    right: i32,
    top: i32,
    bottom: i32,
    from: i64,
    to: i64,
    low: f64,
    high: f64,
    step: f64,
    marks: Vec<PlacedMark>,
}

struct PlacedMark {
    x: i32,
    /// Where its words stand: row from the plot upwards and left edge; `None` when there is no room for them.
    words: Option<(usize, i32, String)>,
}

fn drawn(chart: &Chart) -> impl Iterator<Item = &ChartLine> {
    chart.lines.iter().take(LINES_MAX)
}

fn inside(chart: &Chart, at: Timestamp) -> bool {
    at >= chart.from && at <= chart.to
}

fn limit_label(limit: f64, display: Display) -> String {
    format!("limit {}", figures::degrees(limit, display).trim_end_matches(".0"))
}

/// Limits that lie so near to the readings that the plot can show both.
fn limits_in_reach(chart: &Chart) -> impl Iterator<Item = f64> + '_ {
    let values = || drawn(chart).flat_map(|l| l.points.iter()).filter(|(at, v)| v.is_finite() && inside(chart, *at));
    let low = values().map(|(_, v)| f64::from(*v)).fold(f64::INFINITY, f64::min);
    let high = values().map(|(_, v)| f64::from(*v)).fold(f64::NEG_INFINITY, f64::max);
    let near = move |limit: &f64| *limit >= low - LIMIT_REACH && *limit <= high + LIMIT_REACH;
    chart.limits.iter().map(|limit| f64::from(*limit)).filter(near)
}

impl Frame {
    fn around(chart: &Chart, display: Display) -> Frame {
        let values = || {
            drawn(chart)
                .flat_map(|line| line.points.iter())
                .filter(|(at, v)| v.is_finite() && inside(chart, *at))
                .map(|(_, v)| figures::shown(f64::from(*v), display))
                .chain(limits_in_reach(chart).map(|limit| figures::shown(limit, display)))
        };
        let (low, high, step) =
            scale(values().fold(f64::INFINITY, f64::min), values().fold(f64::NEG_INFINITY, f64::max), display);
        let ends = drawn(chart).map(|line| shortened(&line.label, LABEL_LONGEST));
        let others = chart.blower.iter().map(|_| STRIP_LABEL.to_owned());
        let limits = limits_in_reach(chart).map(|limit| limit_label(limit, display));
        let label = ends.chain(others).chain(limits).map(|text| text_width(&text)).max().unwrap_or(0);
        let from = chart.from.as_millis();
        let mut frame = Frame {
            left: 76,
            right: WIDTH - label - 26,
            top: 0,
            bottom: HEIGHT - 2 * LINE_HEIGHT - 14,
            from,
            to: chart.to.as_millis().max(from + 1),
            low,
            high,
            step,
            marks: Vec::new(),
        };
        frame.place_marks(chart);
        let rows =
            frame.marks.iter().filter_map(|mark| mark.words.as_ref()).map(|words| words.0 + 1).max().unwrap_or(0);
        // The sign of the unit stands above the uppermost number, beside the marks.
        frame.top = 16 + (LINE_HEIGHT * rows as i32).max(LINE_HEIGHT + LETTER / 2);
        frame
    }

    fn x(&self, at: Timestamp) -> i32 {
        let share = (at.as_millis() - self.from) as f64 / (self.to - self.from) as f64;
        self.left + (share.clamp(0.0, 1.0) * f64::from(self.right - self.left)).round() as i32
    }

    fn y(&self, shown: f64) -> i32 {
        let share = (shown - self.low) / (self.high - self.low);
        self.bottom - (share.clamp(0.0, 1.0) * f64::from(self.bottom - self.top)).round() as i32
    }

    /// Gives each mark's words the lowest row in which they touch no others.
    fn place_marks(&mut self, chart: &Chart) {
        let mut ends = [self.left; MARK_ROWS_MAX];
        let mut marks: Vec<_> = chart.marks.iter().filter(|(at, _)| inside(chart, *at)).collect();
        marks.sort_by_key(|(at, _)| *at);
        for (at, words) in marks.into_iter().take(MARKS_MAX) {
            let x = self.x(*at);
            let words = shortened(words, MARK_LONGEST);
            let width = text_width(&words);
            let start = (x - width / 2).clamp(self.left, (WIDTH - 8 - width).max(self.left));
            let row = ends.iter().position(|end| *end <= start);
            if let Some(row) = row {
                ends[row] = start + width + LETTER / 2;
            }
            self.marks.push(PlacedMark { x, words: row.map(|row| (row, start, words)) });
        }
    }

    fn draw_axes(&self, pen: &mut Pen<'_, '_>, chart: &Chart, zone: &Zone, display: Display) {
        pen.blank([(0, 0), (WIDTH, HEIGHT)]);
        let steps = ((self.high - self.low) / self.step).round() as i32;
        for i in 0..=steps {
            let value = self.low + self.step * f64::from(i);
            let y = self.y(value);
            pen.stroke(vec![(self.left, y), (self.right, y)], GRID, 1, None);
            pen.write(&format!("{value:.0}"), (self.left - 10, y), INK, HPos::Right);
        }
        pen.write(figures::temperature_sign(display), (self.left - 10, self.top - LINE_HEIGHT), INK, HPos::Right);
        let mut day_ends = 0;
        for (at, hour, day) in time_ticks(zone, chart.from, chart.to) {
            let x = self.x(at);
            pen.stroke(vec![(x, self.top), (x, self.bottom)], GRID, 1, None);
            pen.stroke(vec![(x, self.bottom), (x, self.bottom + 8)], INK, 2, None);
            pen.write(&hour, (x, self.bottom + 10 + LINE_HEIGHT / 2), INK, HPos::Center);
            if let Some(day) = day {
                let start = (x - text_width(&day) / 2).max(4);
                if start >= day_ends {
                    day_ends = start + text_width(&day) + LETTER / 2;
                    pen.write(&day, (start, self.bottom + 10 + LINE_HEIGHT + LINE_HEIGHT / 2), INK, HPos::Left);
                }
            }
        }
        pen.stroke(vec![(self.left, self.bottom), (self.right, self.bottom)], INK, 2, None);
    }

    /// A strip along the foot of the plot: dark where the blower ran as it should, light where it ran less, nothing where it is unknown.
    fn draw_blower(&self, pen: &mut Pen<'_, '_>, chart: &Chart) {
        let Some(blower) = &chart.blower else { return };
        let (top, bottom) = (self.bottom - STRIP, self.bottom - 1);
        for (at, share) in blower.hours.iter().filter(|(at, share)| share.is_finite() && inside(chart, *at)) {
            let (left, right) = (self.x(*at), self.x(*at + Span::hours(1)));
            // In four steps, so that the picture keeps its few colours; none at all is a frame.
            let shade = match share {
                s if *s < 0.05 => None,
                s if *s < 0.5 => Some(RGBColor(190, 190, 190)),
                s if *s < 0.9 => Some(RGBColor(130, 130, 130)),
                s if *s <= 1.5 => Some(RGBColor(70, 70, 70)),
                _ => Some(INK),
            };
            match shade {
                Some(colour) => pen.fill([(left, top), (right, bottom)], colour),
                None => pen.stroke(vec![(left, bottom), (left, top), (right, top), (right, bottom)], MARK, 1, None),
            }
        }
        pen.write(STRIP_LABEL, (self.right + 14, bottom - STRIP / 2), MARK, HPos::Left);
    }

    /// The temperatures that the rule compares with, where the plot reaches them.
    fn draw_limits(&self, pen: &mut Pen<'_, '_>, chart: &Chart, display: Display) {
        for limit in limits_in_reach(chart) {
            let shown = figures::shown(limit, display);
            let y = self.y(shown);
            pen.stroke(vec![(self.left, y), (self.right, y)], INK, 2, Some((10, 6)));
        }
    }

    fn draw_marks(&self, pen: &mut Pen<'_, '_>) {
        for mark in &self.marks {
            let row = mark.words.as_ref().map_or(0, |(row, _, _)| *row);
            let reach = if mark.words.is_some() { self.top - 4 - LINE_HEIGHT * row as i32 } else { self.top };
            pen.stroke(vec![(mark.x, reach), (mark.x, self.bottom)], MARK, 2, Some((3, 6)));
        }
        for (row, start, words) in self.marks.iter().filter_map(|mark| mark.words.as_ref()) {
            let y = self.top - 4 - LINE_HEIGHT * *row as i32 - LINE_HEIGHT / 2;
            // The stems of higher marks must not cross the words of lower ones.
            pen.blank([(*start - 2, y - LINE_HEIGHT / 2), (*start + text_width(words) + 2, y + LINE_HEIGHT / 2 - 2)]);
            pen.write(words, (*start, y), MARK, HPos::Left);
        }
    }

    fn draw_lines(&self, pen: &mut Pen<'_, '_>, chart: &Chart, display: Display) {
        let mut labels = Vec::new();
        for (i, line) in drawn(chart).enumerate() {
            let (colour, dash, width) = PENS[i % PENS.len()];
            for run in unbroken(line, chart) {
                let points: Vec<(i32, i32)> =
                    run.iter().map(|(at, v)| (self.x(*at), self.y(figures::shown(f64::from(*v), display)))).collect();
                match points.as_slice() {
                    [only] => pen.dot(*only, 5, colour),
                    _ => pen.stroke(points.clone(), colour, width, dash),
                }
                labels.retain(|label: &EndLabel| label.line != i);
                if let Some(end) = points.last() {
                    let text = shortened(&line.label, LABEL_LONGEST);
                    labels.push(EndLabel { line: i, end: *end, y: end.1, text, colour });
                }
            }
        }
        if labels.is_empty() {
            let middle = ((self.left + self.right) / 2, (self.top + self.bottom) / 2);
            let words = "no readings in this time";
            let half = text_width(words) / 2;
            pen.blank([(middle.0 - half, middle.1 - LINE_HEIGHT / 2), (middle.0 + half, middle.1 + LINE_HEIGHT / 2)]);
            pen.write(words, middle, INK, HPos::Center);
            return;
        }
        for (i, limit) in limits_in_reach(chart).enumerate() {
            let end = (self.right, self.y(figures::shown(limit, display)));
            labels.push(EndLabel {
                line: LINES_MAX + i,
                end,
                y: end.1,
                text: limit_label(limit, display),
                colour: INK,
            });
        }
        // The strip has its label in the lowest place.
        let lowest = if chart.blower.is_some() { self.bottom - LINE_HEIGHT } else { self.bottom };
        spread(&mut labels, self.top, lowest);
        for label in labels {
            if label.line < LINES_MAX {
                pen.dot(label.end, 6, label.colour);
            }
            let x = label.end.0 + 14;
            if label.end.0 < self.right {
                pen.blank([
                    (x - 3, label.y - LINE_HEIGHT / 2 + 2),
                    (x + text_width(&label.text), label.y + LINE_HEIGHT / 2 - 2),
                ]);
            }
            pen.write(&label.text, (x, label.y), label.colour, HPos::Left);
        }
    }
}

/// The words at the end of a line.
struct EndLabel {
    line: usize,
    end: (i32, i32),
    y: i32,
    text: String,
    colour: RGBColor,
}

/// Moves labels apart so that none covers another, keeping the order of their lines from top to bottom.
fn spread(labels: &mut [EndLabel], top: i32, bottom: i32) {
    labels.sort_by_key(|label| (label.end.1, label.line));
    let mut lowest_free = top;
    for label in labels.iter_mut() {
        label.y = label.y.max(lowest_free);
        lowest_free = label.y + LINE_HEIGHT;
    }
    let mut highest_free = bottom;
    for label in labels.iter_mut().rev() {
        label.y = label.y.min(highest_free);
        highest_free = label.y - LINE_HEIGHT;
    }
}

/// The stretches of a line between its gaps.
fn unbroken<'c>(line: &'c ChartLine, chart: &Chart) -> Vec<Vec<&'c (Timestamp, f32)>> {
    let mut runs: Vec<Vec<&(Timestamp, f32)>> = Vec::new();
    for point in line.points.iter().filter(|(at, v)| v.is_finite() && inside(chart, *at)) {
        match runs.last_mut().and_then(|run| run.last().map(|last| last.0)) {
            Some(last) if point.0.since(last) <= line.max_gap => {
                if let Some(run) = runs.last_mut() {
                    run.push(point);
                }
            }
            _ => runs.push(vec![point]),
        }
    }
    runs
}

/// Lower end, upper end and step of the scale, all whole steps, in the unit shown.
///
/// The scale never spans less than 10 K, so that the noise of a probe does not look like a mountain range.
fn scale(lowest: f64, highest: f64, display: Display) -> (f64, f64, f64) {
    let least = match display {
        Display::Metric => 10.0,
        Display::Us => 20.0,
    };
    let (lowest, highest) = if lowest <= highest { (lowest, highest) } else { (0.0, least) };
    let pad = ((least - (highest - lowest)) / 2.0).max(0.0);
    let (lowest, highest) = (lowest - pad, highest + pad);
    let mut step = 1.0;
    for candidate in [2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1e3, 1e4, 1e6, 1e9, 1e12, 1e18, 1e30, 1e39] {
        if (highest / step).ceil() - (lowest / step).floor() <= 6.0 {
            break;
        }
        step = candidate;
    }
    ((lowest / step).floor() * step, (highest / step).ceil() * step, step)
}

/// Ticks at whole hours of the site's clock: the instant, the hour, and at the first tick and at midnight the day.
fn time_ticks(zone: &Zone, from: Timestamp, to: Timestamp) -> Vec<(Timestamp, String, Option<String>)> {
    let span = to.since(from).max(Span::ZERO);
    let step = [1, 2, 3, 6, 12].into_iter().find(|hours| span <= Span::hours(hours * 6)).unwrap_or(HOURS_PER_DAY);
    let stride = (span.as_days() / 6.0).ceil().max(1.0) as i64;
    let start = zone.at(from);
    let mut ticks: Vec<(Timestamp, String, Option<String>)> = Vec::new();
    for day in 0.. {
        // A calendar that ends before the chart does gives no more ticks; neither does one past a year.
        let Ok(date) = start.date().checked_add(jiff::Span::new().days(day)) else { break };
        if day > 400 {
            break;
        }
        if step == HOURS_PER_DAY && day % stride != 0 {
            continue;
        }
        let mut past_the_end = false;
        for hour in (0..HOURS_PER_DAY).step_by(step as usize) {
            let Ok(zoned) = date.at(hour as i8, 0, 0, 0).to_zoned_datetime(start.time_zone().clone()) else { continue };
            let at = Timestamp::from_millis(zoned.timestamp().as_millisecond());
            past_the_end = at > to;
            // An hour that daylight saving skips lands on the next one, which may be a tick already.
            if at < from || at > to || ticks.last().is_some_and(|last| last.0 >= at) {
                continue;
            }
            let day = (ticks.is_empty() || hour == 0).then(|| zoned.strftime("%a %-d %b").to_string());
            ticks.push((at, zoned.strftime("%H:%M").to_string(), day));
        }
        if past_the_end {
            break;
        }
    }
    ticks
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn at(hours: f64) -> Timestamp {
        Timestamp::from_millis(1_773_100_800_000) + Span::from_seconds_f64(hours * 3600.0)
    }

    fn line(points: &[(f64, f32)]) -> ChartLine {
        ChartLine {
            label: "core".into(),
            points: points.iter().map(|(h, v)| (at(*h), *v)).collect(),
            max_gap: Span::minutes(30),
        }
    }

    fn berlin() -> Zone {
        Zone::named("Europe/Berlin").unwrap()
    }

    fn chart(lines: Vec<ChartLine>, marks: Vec<(f64, &str)>) -> Chart {
        Chart {
            from: at(0.0),
            to: at(24.0),
            lines,
            marks: marks.into_iter().map(|(h, words)| (at(h), words.to_owned())).collect(),
            limits: Vec::new(),
            blower: None,
        }
    }

    #[test]
    fn a_limit_is_drawn_where_the_plot_reaches_it() {
        for (limit, drawn, why) in [
            (70.0, true, "near the readings"),
            (40.0, false, "far below them: it would flatten the lines"),
            (f32::NAN, false, "not a number"),
        ] {
            let chart = Chart { limits: vec![limit], ..chart(vec![line(&[(0.0, 60.0), (1.0, 65.0)])], vec![]) };
            assert_eq!(limits_in_reach(&chart).count() == 1, drawn, "{limit}: {why}");
            let svg = svg(&chart, &berlin(), Display::Metric).unwrap();
            assert_eq!(svg.contains("limit 70"), drawn, "{limit}: {why}");
        }
    }

    #[test]
    fn gaps_are_not_drawn_across() {
        for (points, want, why) in [
            (vec![(0.0, 60.0), (0.5, 60.0), (1.0, 60.0)], vec![3], "steps of exactly the longest gap hold"),
            (vec![(0.0, 60.0), (0.51, 60.0)], vec![1, 1], "a longer step is a gap"),
            (vec![(0.0, 60.0), (0.2, f32::NAN), (0.4, 60.0)], vec![2], "what is no number is not there"),
            (vec![(-1.0, 60.0), (25.0, 60.0)], vec![], "outside the picture"),
            (vec![], vec![], "nothing"),
        ] {
            let line = line(&points);
            let runs: Vec<usize> = unbroken(&line, &chart(vec![], vec![])).iter().map(Vec::len).collect();
            assert_eq!(runs, want, "{why}");
        }
    }

    #[test]
    fn scales_are_whole_steps_and_hold_the_values() {
        for (low, high, display, want) in [
            (48.2, 62.0, Display::Metric, (45.0, 65.0, 5.0)),
            (60.0, 60.1, Display::Metric, (54.0, 66.0, 2.0)),
            (118.8, 143.6, Display::Us, (115.0, 145.0, 5.0)),
            (-5.0, 71.0, Display::Metric, (-20.0, 80.0, 20.0)),
            (f64::INFINITY, f64::NEG_INFINITY, Display::Metric, (0.0, 10.0, 2.0)),
        ] {
            assert_eq!(scale(low, high, display), want, "{low} to {high}");
        }
        let (low, high, step) = scale(f64::from(f32::MIN), f64::from(f32::MAX), Display::Us);
        assert!((high - low) / step <= 7.0, "even nonsense has few grid lines");
    }

    #[test]
    fn ticks_stand_at_whole_hours_of_the_sites_clock() {
        // 2026-03-29 the clocks of Berlin go from 02:00 to 03:00.
        let midnight = Timestamp::from_millis(1_774_738_800_000);
        let labels: Vec<String> =
            time_ticks(&berlin(), midnight, midnight + Span::hours(5)).into_iter().map(|tick| tick.1).collect();
        assert_eq!(labels, ["00:00", "01:00", "03:00", "04:00", "05:00", "06:00"]);
        let days: Vec<_> = time_ticks(&berlin(), at(0.5), at(24.5)).into_iter().map(|tick| (tick.1, tick.2)).collect();
        assert_eq!(
            days,
            [
                ("06:00".to_owned(), Some("Tue 10 Mar".to_owned())),
                ("12:00".to_owned(), None),
                ("18:00".to_owned(), None),
                ("00:00".to_owned(), Some("Wed 11 Mar".to_owned())),
            ]
        );
    }

    #[test]
    fn labels_at_line_ends_do_not_cover_each_other() {
        let label = |line, y| EndLabel { line, end: (0, y), y, text: String::new(), colour: INK };
        let mut labels = vec![label(0, 300), label(1, 298), label(2, 299), label(3, 100)];
        spread(&mut labels, 50, 310);
        let ys: Vec<i32> = labels.iter().map(|label| label.y).collect();
        assert!(ys.windows(2).all(|pair| pair[1] - pair[0] >= LINE_HEIGHT), "{ys:?}");
        assert!(ys.iter().all(|y| (50..=310).contains(y)), "{ys:?}");
    }

    #[test]
    fn pictures_are_not_blank_and_small_and_always_the_same() {
        let wave = |base: f32, noise: f32| -> ChartLine {
            line(
                &(0..288)
                    .map(|i| (f64::from(i) / 12.0, base + noise * ((i * 7919 % 13) as f32 - 6.0)))
                    .collect::<Vec<_>>(),
            )
        };
        for (what, chart) in [
            ("one smooth line", chart(vec![wave(60.0, 0.0)], vec![])),
            ("twelve noisy lines", chart((0..12).map(|i| wave(30.0 + 3.0 * i as f32, 1.5)).collect(), vec![])),
            ("no lines", chart(vec![], vec![])),
            ("a single reading", chart(vec![line(&[(3.0, 61.0)])], vec![(2.0, "watered 12 min")])),
            ("nonsense", chart(vec![line(&[(3.0, f32::MAX), (3.1, f32::MIN), (3.2, f32::NAN)])], vec![])),
            (
                "markup and marks side by side",
                chart(vec![wave(60.0, 0.1)], vec![(3.0, "<&>\"\u{1}"), (3.1, "b"), (3.2, "c"), (3.3, "d")]),
            ),
            (
                "a line that ends before it begins",
                Chart { from: at(5.0), to: at(1.0), ..chart(vec![wave(60.0, 0.1)], vec![]) },
            ),
        ] {
            let first = png(&chart, &berlin(), Display::Metric).unwrap();
            assert!(first.len() <= LARGEST_PNG, "{what}: {} bytes", first.len());
            assert!(first == png(&chart, &berlin(), Display::Metric).unwrap(), "{what}: two drawings differ");
            let pixels = tiny_skia::Pixmap::decode_png(&first).unwrap();
            assert_eq!((pixels.width(), pixels.height()), (WIDTH as u32, HEIGHT as u32));
            let dark = pixels.pixels().iter().filter(|p| p.alpha() == 255 && p.red() < 120 && p.green() < 120).count();
            assert!(dark > 1_000, "{what}: only {dark} dark pixels");
            assert!(dark < 120_000, "{what}: {dark} dark pixels are a blot");
        }
    }

    #[test]
    fn letters_are_drawn_without_any_font_of_the_machine() {
        // The label alone makes the difference between these two pictures.
        let with = png(&chart(vec![line(&[(3.0, 61.0)])], vec![]), &berlin(), Display::Metric).unwrap();
        let mut other = chart(vec![line(&[(3.0, 61.0)])], vec![]);
        other.lines[0].label = "Ωжé€".into();
        assert!(with != png(&other, &berlin(), Display::Metric).unwrap(), "other letters look different");
        let mut fonts = usvg::fontdb::Database::new();
        fonts.load_font_data(FONT.to_vec());
        assert_eq!(fonts.faces().count(), 1);
        assert_eq!(fonts.faces().next().unwrap().families[0].0, FONT_FAMILY);
    }
}
