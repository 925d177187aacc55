//! Draws the whole course of a batch: every probe in the pile, what is asked for, what was done, and the time that counts.
//!
//! Must never draw a line across a gap, and never say by colour alone what matters: it is read in black and white.

use pile::time::{Span, Timestamp};
use plotters::backend::SVGBackend;
use plotters::drawing::IntoDrawingArea;
use plotters::style::RGBColor;
use plotters::style::text_anchor::HPos;
use site::model::Display;
use site::zone::Zone;

use super::frame::{EndLabel, spread};
use super::pen::{Pen, shortened, text_width};
use super::scales::{scale, time_ticks};
use super::{ChartError, GRID, INK, LABEL_LONGEST, LINES_MAX, MARK, PENS, pixels_of};
use crate::figures;
use crate::reports::facts::{Course, CourseLine, Hour, Mark};

/// Size in pixels. On paper it is as wide as the text, and its letters are 9 points then.
const SIZE: (i32, i32) = (1_000, 320);
const LETTER: i32 = 20;
const LINE_HEIGHT: i32 = 26;
/// Rows for the letters of what was done; where three crowd into the width of one, the last is left out here and told in words.
const MARK_ROWS: usize = 3;
/// Names of limits take turns in so many columns, so that each lies on its own line though its neighbour is close.
const LIMIT_COLUMNS: i32 = 2;
/// The time that counts.
const COUNTED: RGBColor = RGBColor(226, 226, 226);

/// Draws it as SVG, in the site's clock and units.
///
/// # Errors
/// [`ChartError`] when the drawing cannot be written.
pub(crate) fn svg(course: &Course, zone: &Zone, display: Display) -> Result<String, ChartError> {
    let mut svg = String::new();
    {
        let area = SVGBackend::with_string(&mut svg, (SIZE.0 as u32, SIZE.1 as u32)).into_drawing_area();
        let plot = Plot::around(course, display);
        let mut pen = Pen { area: &area, letter: LETTER, failed: None };
        pen.blank([(0, 0), SIZE]);
        plot.draw_counted(&mut pen, course);
        plot.draw_axes(&mut pen, course, zone, display);
        plot.draw_marks(&mut pen);
        plot.draw_met(&mut pen, course);
        plot.draw_lines(&mut pen, course, display);
        if let Some(error) = pen.failed {
            return Err(ChartError::Draw(error));
        }
        area.present().map_err(|e| ChartError::Draw(e.to_string()))?;
    }
    Ok(svg)
}

/// Draws it as PNG, for mails.
///
/// # Errors
/// [`ChartError`] when it cannot be drawn or becomes too large.
pub(crate) fn png(course: &Course, zone: &Zone, display: Display) -> Result<Vec<u8>, ChartError> {
    pixels_of(&svg(course, zone, display)?, SIZE)
}

/// Where the plot sits, and how values become pixels.
struct Plot {
    left: i32,
    /// Room for the name of a limit; there are columns of them between the plot and the names of the probes.
    limit: i32,
    right: i32,
    top: i32,
    bottom: i32,
    from: i64,
    to: i64,
    low: f64,
    high: f64,
    step: f64,
    /// Letters of what was done: left edge, row from the plot upwards.
    marks: Vec<(i32, Option<usize>, Mark)>,
}

impl Plot {
    fn around(course: &Course, display: Display) -> Plot {
        let hours = || lines(course).flat_map(|line| line.runs.iter().flatten());
        let ends = || hours().flat_map(|hour| [hour.low.0, hour.high.0]).chain(course.limits.iter().map(|(c, _)| c.0));
        let shown = || ends().filter(|c| c.is_finite()).map(|c| figures::shown(c, display));
        let (low, high, step) =
            scale(shown().fold(f64::INFINITY, f64::min), shown().fold(f64::NEG_INFINITY, f64::max), display);
        let labels = lines(course).map(|line| shortened(line.probe.as_str(), LABEL_LONGEST));
        let label = labels.map(|text| text_width(&text, LETTER)).max().unwrap_or(0);
        let limits = course.limits.iter().map(|(limit, _)| limit_label(limit.0, display));
        let limit = limits.map(|text| text_width(&text, LETTER)).max().unwrap_or(0);
        let from = course.from.as_millis();
        let mut plot = Plot {
            left: 58,
            limit,
            right: SIZE.0 - label - 24 - LIMIT_COLUMNS * (limit + 8),
            top: 0,
            bottom: SIZE.1 - LINE_HEIGHT - 14,
            from,
            to: course.to.as_millis().max(from + 1),
            low,
            high,
            step,
            marks: Vec::new(),
        };
        plot.place_marks(course);
        let rows = plot.marks.iter().filter_map(|(_, row, _)| *row).map(|row| row + 1).max().unwrap_or(0);
        plot.top = 12 + LINE_HEIGHT * (rows as i32).max(1);
        plot
    }

    fn x(&self, at: Timestamp) -> i32 {
        let share = (at.as_millis() - self.from) as f64 / (self.to - self.from) as f64;
        self.left + (share.clamp(0.0, 1.0) * f64::from(self.right - self.left)).round() as i32
    }

    fn y(&self, shown: f64) -> i32 {
        let share = (shown - self.low) / (self.high - self.low);
        self.bottom - (share.clamp(0.0, 1.0) * f64::from(self.bottom - self.top)).round() as i32
    }

    fn place_marks(&mut self, course: &Course) {
        let mut ends = [i32::MIN; MARK_ROWS];
        let mut marks: Vec<_> = course.marks.iter().filter(|(at, _)| (course.from..=course.to).contains(at)).collect();
        marks.sort();
        for (at, mark) in marks {
            let x = self.x(*at);
            let row = ends.iter().position(|end| *end <= x - LETTER / 2);
            if let Some(row) = row {
                ends[row] = x + LETTER / 2;
            }
            self.marks.push((x, row, *mark));
        }
    }

    /// The time that counts lies under everything, with an edge on both sides so that it is seen on any printer.
    fn draw_counted(&self, pen: &mut Pen<'_, '_>, course: &Course) {
        for (from, to) in &course.counted {
            let (left, right) = (self.x(*from), self.x(*to));
            pen.fill([(left, self.top), (right.max(left + 2), self.bottom)], COUNTED);
            for x in [left, right] {
                pen.stroke(vec![(x, self.top), (x, self.bottom)], MARK, 1, None);
            }
        }
    }

    fn draw_axes(&self, pen: &mut Pen<'_, '_>, course: &Course, zone: &Zone, display: Display) {
        let steps = ((self.high - self.low) / self.step).round() as i32;
        for i in 0..=steps {
            let value = self.low + self.step * f64::from(i);
            let y = self.y(value);
            pen.stroke(vec![(self.left, y), (self.right, y)], GRID, 1, None);
            pen.write(&format!("{value:.0}"), (self.left - 8, y), INK, HPos::Right);
        }
        pen.write(figures::temperature_sign(display), (self.left - 8, self.top - LINE_HEIGHT + 6), INK, HPos::Right);
        let mut label_ends = 0;
        for (at, hour, day) in time_ticks(zone, course.from, course.to) {
            let x = self.x(at);
            pen.stroke(vec![(x, self.bottom), (x, self.bottom + 6)], INK, 2, None);
            let label = day.unwrap_or(hour);
            let start = (x - text_width(&label, LETTER) / 2).max(4);
            if start >= label_ends && start + text_width(&label, LETTER) <= SIZE.0 {
                label_ends = start + text_width(&label, LETTER) + LETTER;
                pen.write(&label, (start, self.bottom + 8 + LINE_HEIGHT / 2), INK, HPos::Left);
            }
        }
        pen.stroke(vec![(self.left, self.bottom), (self.right, self.bottom)], INK, 2, None);
        // Limits come from below; each has its name on its own line, and neighbours stand in different columns.
        let mut limits: Vec<f64> = course.limits.iter().map(|(limit, _)| limit.0).collect();
        limits.sort_by(f64::total_cmp);
        for (n, limit) in (0..LIMIT_COLUMNS).cycle().zip(limits) {
            let y = self.y(figures::shown(limit, display));
            let x = self.right + 6 + n * (self.limit + 8);
            pen.stroke(vec![(self.left, y), (x - 3, y)], INK, 2, Some((10, 6)));
            pen.write(&limit_label(limit, display), (x, y), INK, HPos::Left);
        }
    }

    /// The moment at which the criterion was met: a line of its own kind, and its letter below the plot's upper edge.
    fn draw_met(&self, pen: &mut Pen<'_, '_>, course: &Course) {
        let Some(x) = course.met.filter(|met| (course.from..=course.to).contains(met)).map(|met| self.x(met)) else {
            return;
        };
        pen.stroke(vec![(x, self.top), (x, self.bottom)], INK, 3, None);
        let y = self.bottom - LINE_HEIGHT;
        pen.blank([(x - LETTER / 2, y - LINE_HEIGHT / 2), (x + LETTER / 2, y + LINE_HEIGHT / 2)]);
        pen.write("M", (x, y), INK, HPos::Center);
    }

    fn draw_marks(&self, pen: &mut Pen<'_, '_>) {
        for (x, row, mark) in &self.marks {
            let reach = row.map_or(self.top, |row| self.top - LINE_HEIGHT * row as i32);
            pen.stroke(vec![(*x, reach), (*x, self.bottom)], MARK, 1, Some((3, 5)));
            if let Some(row) = row {
                let y = self.top - LINE_HEIGHT * *row as i32 - LINE_HEIGHT / 2;
                pen.blank([(*x - LETTER / 2, y - LINE_HEIGHT / 2 + 1), (*x + LETTER / 2, y + LINE_HEIGHT / 2 - 1)]);
                pen.write(mark.letter(), (*x, y), INK, HPos::Center);
            }
        }
    }

    fn draw_lines(&self, pen: &mut Pen<'_, '_>, course: &Course, display: Display) {
        let mut labels = Vec::new();
        for (i, line) in lines(course).enumerate() {
            let (colour, dash, width) = PENS[i % PENS.len()];
            let y = |celsius: f64| self.y(figures::shown(celsius, display));
            for run in &line.runs {
                let run: Vec<&Hour> = run.iter().filter(|hour| hour.median.0.is_finite()).collect();
                let upper = run.iter().map(|hour| (self.x(middle(hour)), y(hour.high.0)));
                let lower = run.iter().rev().map(|hour| (self.x(middle(hour)), y(hour.low.0)));
                let points: Vec<(i32, i32)> = run.iter().map(|hour| (self.x(middle(hour)), y(hour.median.0))).collect();
                match points.as_slice() {
                    [] => continue,
                    [only] => pen.dot(*only, 3, colour),
                    _ => {
                        pen.veil(upper.chain(lower).collect(), colour, 0.25);
                        pen.stroke(points.clone(), colour, width.div_ceil(2) + 1, dash);
                    }
                }
                labels.retain(|label: &EndLabel| label.line != i);
                if let Some(end) = points.last() {
                    let text = shortened(line.probe.as_str(), LABEL_LONGEST);
                    labels.push(EndLabel { line: i, end: *end, y: end.1, text, colour });
                }
            }
        }
        if labels.is_empty() {
            let middle = ((self.left + self.right) / 2, (self.top + self.bottom) / 2);
            pen.write("no readings in this time", middle, INK, HPos::Center);
        }
        spread(&mut labels, self.top, self.bottom, LINE_HEIGHT);
        for label in labels {
            // All names stand in one column, each beside a piece of its line, so that they are found without colour.
            let x = self.right + 10 + LIMIT_COLUMNS * (self.limit + 8);
            if label.end.0 < x {
                pen.stroke(vec![label.end, (x - 2, label.y)], label.colour, 1, None);
            }
            pen.write(&label.text, (x, label.y), label.colour, HPos::Left);
        }
    }
}

fn lines(course: &Course) -> impl Iterator<Item = &CourseLine> {
    course.lines.iter().take(LINES_MAX)
}

fn middle(hour: &Hour) -> Timestamp {
    hour.first + Span::millis(hour.last.since(hour.first).as_millis() / 2)
}

fn limit_label(limit: f64, display: Display) -> String {
    figures::degrees(limit, display).trim_end_matches(".0").to_owned()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use pile::units::Celsius;
    use site::ids::ProbeId;
    use site::model::Position;

    use super::super::tests::{at, berlin};
    use super::*;

    fn hour(n: f64, celsius: f64) -> Hour {
        let (low, median, high) = (Celsius(celsius - 1.0), Celsius(celsius), Celsius(celsius + 1.0));
        Hour { first: at(n), last: at(n + 0.9), low, low_at: at(n), median, high, high_at: at(n) }
    }

    fn course(runs: Vec<Vec<Hour>>) -> Course {
        let line = CourseLine { probe: ProbeId::new("b1-core").unwrap(), position: Position::Core, runs };
        Course {
            from: at(0.0),
            to: at(100.0),
            lines: vec![line],
            limits: vec![(Celsius(55.0), "held".into())],
            marks: vec![(at(20.0), Mark::Watered), (at(20.1), Mark::Turned)],
            counted: vec![(at(10.0), at(82.0))],
            counted_by: "held".into(),
            met: Some(at(82.0)),
        }
    }

    #[test]
    fn a_gap_ends_a_line_and_a_lone_hour_is_a_dot() {
        let long = |from: usize, to: usize| (from..to).map(|n| hour(n as f64, 60.0)).collect::<Vec<_>>();
        for (runs, polygons, circles, why) in [
            (vec![long(0, 90)], 1, 0, "one stretch, one band"),
            (vec![long(0, 40), long(50, 90)], 2, 0, "a gap leaves two"),
            (vec![long(0, 40), long(50, 51)], 1, 1, "a lone hour is seen too"),
            (vec![], 0, 0, "nothing was heard"),
        ] {
            let svg = svg(&course(runs), &berlin(), Display::Metric).unwrap();
            assert_eq!(svg.matches("<polygon").count(), polygons, "{why}");
            assert_eq!(svg.matches("<circle").count(), circles, "{why}");
            assert!(["55", "M"].iter().all(|word| svg.lines().any(|line| line.trim() == *word)), "{why}: {svg}");
        }
    }

    #[test]
    fn each_limit_has_its_name_on_its_own_line() {
        let limits = [70.0, 55.0, 60.0, 65.0].map(|limit| (Celsius(limit), "held".to_owned())).to_vec();
        let course = Course { limits, ..course(vec![vec![hour(3.0, 60.0)]]) };
        let plot = Plot::around(&course, Display::Metric);
        let svg = svg(&course, &berlin(), Display::Metric).unwrap();
        let mut columns = Vec::new();
        for limit in [55.0, 60.0, 65.0, 70.0] {
            let texts = svg.lines().zip(svg.lines().skip(1));
            // The axis may have the same figure; it is drawn first.
            let place = texts.filter(|(_, text)| text.trim() == format!("{limit}")).last();
            let of = |name: &str| -> i32 {
                let (head, _) = place.unwrap();
                head.split(&format!(" {name}=\"")).nth(1).unwrap().split('"').next().unwrap().parse().unwrap()
            };
            assert!((of("y") - plot.y(limit)).abs() <= LETTER / 2, "{limit}: {} and {}", of("y"), plot.y(limit));
            columns.push(of("x"));
        }
        assert_eq!([columns[0], columns[1]], [columns[2], columns[3]], "neighbours stand beside each other");
        assert!(columns[0] + text_width("55", LETTER) < columns[1]);
    }

    #[test]
    fn no_course_makes_the_drawing_complain() {
        super::super::tests::listen();
        let same = |n: f64| Hour { last: at(n), low: Celsius(60.0), high: Celsius(60.0), ..hour(n, 60.0) };
        for (what, course) in [
            ("nothing", course(vec![])),
            ("an empty run", course(vec![vec![]])),
            ("one hour", course(vec![vec![same(3.0)]])),
            ("the same hour twice", course(vec![vec![same(3.0), same(3.0)]])),
            ("constant: the band has no height", course(vec![(0..90).map(|n| same(f64::from(n))).collect()])),
            (
                "gaps and pairs",
                course((0..30).map(|n| vec![same(f64::from(n) * 3.0), same(f64::from(n) * 3.0 + 0.01)]).collect()),
            ),
            (
                "counted for no time",
                Course { counted: vec![(at(10.0), at(10.0)), (at(100.0), at(100.0))], ..course(vec![]) },
            ),
            ("no time at all", Course { from: at(5.0), to: at(5.0), ..course(vec![vec![same(5.0), same(5.0)]]) }),
            (
                "nonsense",
                course(vec![vec![
                    hour(3.0, f64::MAX),
                    hour(4.0, f64::NAN),
                    hour(5.0, f64::INFINITY),
                    hour(6.0, f64::MIN),
                ]]),
            ),
        ] {
            png(&course, &berlin(), Display::Metric).unwrap();
            assert_eq!(super::super::tests::complaints(), Vec::<String>::new(), "{what}");
        }
    }

    #[test]
    fn marks_that_crowd_stand_above_each_other() {
        let plot = Plot::around(&course(vec![]), Display::Metric);
        assert_eq!(plot.marks.iter().map(|mark| mark.1).collect::<Vec<_>>(), [Some(0), Some(1)]);
        let png = png(&course(vec![(0..90).map(|n| hour(f64::from(n), 60.0)).collect()]), &berlin(), Display::Us);
        assert!(png.unwrap().len() < super::super::LARGEST_PNG);
    }
}
