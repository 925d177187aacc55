//! Draws the temperatures of the last days, limits and the blower as a PNG that can be read on a telephone.
//!
//! Must never draw a line across a gap, and never use a font of the machine it runs on: the picture is the same everywhere.

use std::sync::Arc;

use engine::notice::Chart;
use plotters::backend::SVGBackend;
use plotters::drawing::IntoDrawingArea;
use plotters::style::RGBColor;
use resvg::{tiny_skia, usvg};
use site::model::Display;
use site::zone::Zone;

mod course;
mod frame;
mod pen;
mod pixels;
mod scales;

pub(crate) use course::{png as course_png, svg as course_svg};
use frame::Frame;
use pen::Pen;

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
    pixels_of(&svg(chart, zone, display)?, (WIDTH, HEIGHT))
}

/// Turns a drawing into pixels, and those into a file.
fn pixels_of(svg: &str, (width, height): (i32, i32)) -> Result<Vec<u8>, ChartError> {
    let mut options = usvg::Options { font_family: FONT_FAMILY.into(), ..usvg::Options::default() };
    let mut fonts = usvg::fontdb::Database::new();
    fonts.load_font_data(FONT.to_vec());
    options.fontdb = Arc::new(fonts);
    let tree = usvg::Tree::from_str(svg, &options).map_err(|e| ChartError::Pixels(e.to_string()))?;
    let mut pixels = tiny_skia::Pixmap::new(width as u32, height as u32)
        .ok_or_else(|| ChartError::Pixels(format!("no room for {width} by {height} pixels")))?;
    resvg::render(&tree, tiny_skia::Transform::identity(), &mut pixels.as_mut());
    pixels::packed(&pixels)
}

fn svg(chart: &Chart, zone: &Zone, display: Display) -> Result<String, ChartError> {
    let mut svg = String::new();
    {
        let area = SVGBackend::with_string(&mut svg, (WIDTH as u32, HEIGHT as u32)).into_drawing_area();
        let failed = |e: &dyn std::fmt::Display| ChartError::Draw(e.to_string());
        let frame = Frame::around(chart, display);
        let mut pen = Pen { area: &area, letter: LETTER, failed: None };
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

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use engine::notice::ChartLine;
    use pile::time::{Span, Timestamp};

    use super::frame::limits_in_reach;
    use super::*;

    pub(super) fn at(hours: f64) -> Timestamp {
        Timestamp::from_millis(1_773_100_800_000) + Span::from_seconds_f64(hours * 3600.0)
    }

    pub(super) fn line(points: &[(f64, f32)]) -> ChartLine {
        ChartLine {
            label: "core".into(),
            points: points.iter().map(|(h, v)| (at(*h), *v)).collect(),
            max_gap: Span::minutes(30),
        }
    }

    pub(super) fn berlin() -> Zone {
        Zone::named("Europe/Berlin").unwrap()
    }

    pub(super) fn chart(lines: Vec<ChartLine>, marks: Vec<(f64, &str)>) -> Chart {
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

    /// What the drawing libraries complain of in this thread.
    struct Complaints;

    std::thread_local! {
        static COMPLAINTS: std::cell::RefCell<Vec<String>> = const { std::cell::RefCell::new(Vec::new()) };
    }

    impl log::Log for Complaints {
        fn enabled(&self, metadata: &log::Metadata<'_>) -> bool {
            metadata.level() <= log::Level::Warn
        }
        fn log(&self, record: &log::Record<'_>) {
            if self.enabled(record.metadata()) {
                COMPLAINTS.with_borrow_mut(|all| all.push(format!("{}: {}", record.target(), record.args())));
            }
        }
        fn flush(&self) {}
    }

    /// Hears what is complained of from now on.
    pub(super) fn listen() {
        // Another test of this program may have come first; the logger is the same.
        let _ = log::set_logger(&Complaints);
        log::set_max_level(log::LevelFilter::Warn);
        log::warn!("the listener works");
        assert_eq!(complaints().len(), 1);
    }

    /// What was complained of since this was last asked.
    pub(super) fn complaints() -> Vec<String> {
        COMPLAINTS.take()
    }

    #[test]
    fn no_series_makes_the_drawing_complain() {
        listen();
        let minutes = |n: u32, value: fn(u32) -> f32| -> ChartLine {
            line(&(0..n).map(|i| (f64::from(i) / 60.0, value(i))).collect::<Vec<_>>())
        };
        let blower = |hours: Vec<(f64, f32)>| {
            let hours = hours.into_iter().map(|(h, share)| (at(h), share)).collect();
            Some(engine::notice::ChartBlower { label: "fan".into(), hours })
        };
        // Every pen in turn: lines beside each other, some dashed.
        let all = |one: ChartLine| vec![one; PENS.len()];
        for (what, chart) in [
            ("nothing", chart(vec![], vec![])),
            ("lines without points", chart(all(line(&[])), vec![])),
            ("one point", chart(all(line(&[(3.0, 61.0)])), vec![])),
            ("two equal points", chart(all(line(&[(3.0, 61.0), (3.0, 61.0)])), vec![])),
            ("two points in one pixel", chart(all(line(&[(3.0, 61.0), (3.001, 61.0)])), vec![])),
            ("a reading a minute, constant", chart(all(minutes(1_440, |_| 60.0)), vec![])),
            ("a reading a minute, noisy", chart(all(minutes(1_440, |i| 60.0 + (i * 7919 % 13) as f32)), vec![])),
            ("gaps, with lone points and pairs", {
                let points: Vec<(f64, f32)> =
                    (0..24).flat_map(|h| [(f64::from(h), 60.0), (f64::from(h) + 0.01, 60.0)]).collect();
                chart(all(line(&points)), vec![])
            }),
            ("up and down in one pixel column", chart(all(line(&[(1.0, 20.0), (1.0, 70.0), (1.0, 20.0)])), vec![])),
            (
                "points at both edges",
                chart(all(line(&[(0.0, 60.0), (0.0, 60.0), (24.0, 60.0)])), vec![(0.0, "a"), (24.0, "b")]),
            ),
            (
                "limits and a blower",
                Chart {
                    limits: vec![65.0, 60.0],
                    blower: blower(vec![(0.0, 0.0), (1.0, 0.4), (22.99, 1.0), (23.999, 1.0), (24.0, 1.0), (24.0, 0.0)]),
                    ..chart(
                        all(minutes(60, |_| 60.0)),
                        vec![(3.0, "watered"), (3.0, "watered"), (3.0, "valve"), (3.0, "x")],
                    )
                },
            ),
            (
                "no time at all",
                Chart { from: at(5.0), to: at(5.0), ..chart(all(line(&[(5.0, 60.0), (5.0, 61.0)])), vec![(5.0, "x")]) },
            ),
            (
                "nonsense",
                chart(all(line(&[(3.0, f32::MAX), (3.1, f32::MIN), (3.2, f32::NAN), (3.3, f32::INFINITY)])), vec![]),
            ),
        ] {
            for display in [Display::Metric, Display::Us] {
                png(&chart, &berlin(), display).unwrap();
                assert_eq!(complaints(), Vec::<String>::new(), "{what}");
            }
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
