//! Where the plot of the last days sits in its picture, and everything that is drawn into it.
//!
//! Must never draw a line across a gap, nor let one label cover another.

use engine::notice::{Chart, ChartLine};
use pile::time::{Span, Timestamp};
use plotters::style::RGBColor;
use plotters::style::text_anchor::HPos;
use site::model::Display;
use site::zone::Zone;

use super::pen::{Pen, shortened, text_width};
use super::scales::{scale, time_ticks};
use super::{
    GRID, HEIGHT, INK, LABEL_LONGEST, LETTER, LIMIT_REACH, LINE_HEIGHT, LINES_MAX, MARK, MARK_LONGEST, MARK_ROWS_MAX,
    MARKS_MAX, PENS, STRIP, STRIP_LABEL, WIDTH,
};
use crate::figures;

/// Where the plot sits in the picture, and how values become pixels.
pub(super) struct Frame {
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
pub(super) fn limits_in_reach(chart: &Chart) -> impl Iterator<Item = f64> + '_ {
    let values = || drawn(chart).flat_map(|l| l.points.iter()).filter(|(at, v)| v.is_finite() && inside(chart, *at));
    let low = values().map(|(_, v)| f64::from(*v)).fold(f64::INFINITY, f64::min);
    let high = values().map(|(_, v)| f64::from(*v)).fold(f64::NEG_INFINITY, f64::max);
    let near = move |limit: &f64| *limit >= low - LIMIT_REACH && *limit <= high + LIMIT_REACH;
    chart.limits.iter().map(|limit| f64::from(*limit)).filter(near)
}

impl Frame {
    pub(super) fn around(chart: &Chart, display: Display) -> Frame {
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
        let label = ends.chain(others).chain(limits).map(|text| text_width(&text, LETTER)).max().unwrap_or(0);
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
            let width = text_width(&words, LETTER);
            let start = (x - width / 2).clamp(self.left, (WIDTH - 8 - width).max(self.left));
            let row = ends.iter().position(|end| *end <= start);
            if let Some(row) = row {
                ends[row] = start + width + LETTER / 2;
            }
            self.marks.push(PlacedMark { x, words: row.map(|row| (row, start, words)) });
        }
    }

    pub(super) fn draw_axes(&self, pen: &mut Pen<'_, '_>, chart: &Chart, zone: &Zone, display: Display) {
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
                let start = (x - text_width(&day, LETTER) / 2).max(4);
                if start >= day_ends {
                    day_ends = start + text_width(&day, LETTER) + LETTER / 2;
                    pen.write(&day, (start, self.bottom + 10 + LINE_HEIGHT + LINE_HEIGHT / 2), INK, HPos::Left);
                }
            }
        }
        pen.stroke(vec![(self.left, self.bottom), (self.right, self.bottom)], INK, 2, None);
    }

    /// A strip along the foot of the plot: dark where the blower ran as it should, light where it ran less, nothing where it is unknown.
    pub(super) fn draw_blower(&self, pen: &mut Pen<'_, '_>, chart: &Chart) {
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
    pub(super) fn draw_limits(&self, pen: &mut Pen<'_, '_>, chart: &Chart, display: Display) {
        for limit in limits_in_reach(chart) {
            let shown = figures::shown(limit, display);
            let y = self.y(shown);
            pen.stroke(vec![(self.left, y), (self.right, y)], INK, 2, Some((10, 6)));
        }
    }

    pub(super) fn draw_marks(&self, pen: &mut Pen<'_, '_>) {
        for mark in &self.marks {
            let row = mark.words.as_ref().map_or(0, |(row, _, _)| *row);
            let reach = if mark.words.is_some() { self.top - 4 - LINE_HEIGHT * row as i32 } else { self.top };
            pen.stroke(vec![(mark.x, reach), (mark.x, self.bottom)], MARK, 2, Some((3, 6)));
        }
        for (row, start, words) in self.marks.iter().filter_map(|mark| mark.words.as_ref()) {
            let y = self.top - 4 - LINE_HEIGHT * *row as i32 - LINE_HEIGHT / 2;
            // The stems of higher marks must not cross the words of lower ones.
            pen.blank([
                (*start - 2, y - LINE_HEIGHT / 2),
                (*start + text_width(words, LETTER) + 2, y + LINE_HEIGHT / 2 - 2),
            ]);
            pen.write(words, (*start, y), MARK, HPos::Left);
        }
    }

    pub(super) fn draw_lines(&self, pen: &mut Pen<'_, '_>, chart: &Chart, display: Display) {
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
            let half = text_width(words, LETTER) / 2;
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
        spread(&mut labels, self.top, lowest, LINE_HEIGHT);
        for label in labels {
            if label.line < LINES_MAX {
                pen.dot(label.end, 6, label.colour);
            }
            let x = label.end.0 + 14;
            if label.end.0 < self.right {
                pen.blank([
                    (x - 3, label.y - LINE_HEIGHT / 2 + 2),
                    (x + text_width(&label.text, LETTER), label.y + LINE_HEIGHT / 2 - 2),
                ]);
            }
            pen.write(&label.text, (x, label.y), label.colour, HPos::Left);
        }
    }
}

/// The words at the end of a line.
pub(super) struct EndLabel {
    pub(super) line: usize,
    pub(super) end: (i32, i32),
    pub(super) y: i32,
    pub(super) text: String,
    pub(super) colour: RGBColor,
}

/// Moves labels apart so that none covers another, keeping the order of their lines from top to bottom.
pub(super) fn spread(labels: &mut [EndLabel], top: i32, bottom: i32, line_height: i32) {
    labels.sort_by_key(|label| (label.end.1, label.line));
    let mut lowest_free = top;
    for label in labels.iter_mut() {
        label.y = label.y.max(lowest_free);
        lowest_free = label.y + line_height;
    }
    let mut highest_free = bottom;
    for label in labels.iter_mut().rev() {
        label.y = label.y.min(highest_free);
        highest_free = label.y - line_height;
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

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::super::tests::{chart, line};
    use super::*;

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
    fn labels_at_line_ends_do_not_cover_each_other() {
        let label = |line, y| EndLabel { line, end: (0, y), y, text: String::new(), colour: INK };
        let mut labels = vec![label(0, 300), label(1, 298), label(2, 299), label(3, 100)];
        spread(&mut labels, 50, 310, LINE_HEIGHT);
        let ys: Vec<i32> = labels.iter().map(|label| label.y).collect();
        assert!(ys.windows(2).all(|pair| pair[1] - pair[0] >= LINE_HEIGHT), "{ys:?}");
        assert!(ys.iter().all(|y| (50..=310).contains(y)), "{ys:?}");
    }
}
