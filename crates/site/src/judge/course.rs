//! Holds a course of temperatures against timelines: when it was met, or how far it is.
//!
//! Must never count time twice, nor a turning that the criterion does not count.

use pile::time::Span;
use pile::window::Point;

use super::timeline::{Bridges, Frame, Run, State, Stretch, Track, runs, timeline};
use crate::criteria::{Counting, Course, Hold, Turnings, TurningsWhen};

/// A day of 24 h, in milliseconds.
const DAY: f64 = 86_400_000.0;

/// What a course is held against.
pub(super) struct Material<'t> {
    /// Readings of every probe in the pile.
    pub(super) probes: Vec<Track<'t>>,
    /// From when to when.
    pub(super) frame: Frame,
    /// When the material was turned, milliseconds after the beginning, in order.
    pub(super) turned: Vec<f64>,
    /// When the batch began, milliseconds after the beginning; zero, or less where raw material was added later.
    pub(super) began: f64,
    /// Not before this may it be met.
    pub(super) not_before: f64,
    /// Limits are held with this to spare, K.
    pub(super) margin: f64,
    /// Time that is not known counts as good: to see whether it could have decided.
    pub(super) hopeful: bool,
}

/// How far a course is.
#[derive(Clone, Debug)]
pub(super) struct Progress {
    /// When all of it was met.
    pub(super) met: Option<f64>,
    /// The run that met it, or else the one that is going on, or else the longest.
    pub(super) run: Option<Run>,
    /// Whether that run is going on.
    pub(super) going_on: bool,
    /// What counts of it, milliseconds.
    pub(super) counted: f64,
    /// What is needed, milliseconds.
    pub(super) needed: f64,
    /// The earliest it can be met if it is not.
    pub(super) earliest: f64,
    /// What else is missing in that run.
    pub(super) waiting: Vec<Missing>,
    /// Turnings that count, milliseconds after the beginning.
    pub(super) turnings: Vec<f64>,
    /// What ended the run before, where one is going on or none is.
    pub(super) broken: Option<Stretch>,
    /// The longest run.
    pub(super) longest: Option<Run>,
    /// The account of the pile.
    pub(super) timeline: Vec<Stretch>,
}

/// What a run lacks beside its length.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Missing {
    /// The peak.
    Peak,
    /// The mean.
    Mean,
    /// So many turnings.
    Turnings(usize),
    /// The temperature after the last turning.
    Reheat,
    /// Age.
    Age,
    /// Another criterion that comes first.
    Order,
}

pub(super) fn progress(course: &Course, material: &Material<'_>) -> Progress {
    let mut line = account(&course.hold, material);
    let unknown = |s: &&Stretch| matches!(s.state, State::Unknown(_));
    let silent: Vec<(f64, f64)> = line.iter().filter(unknown).map(|s| (s.start, s.end)).collect();
    if material.hopeful {
        hope(&mut line);
    }
    let recovery = course.turnings.map_or(Span::ZERO, |t| t.recovery).as_millis() as f64;
    let bridges = |counting| bridges(counting, material, recovery);
    let all = holding(&line, course.hold.counting, &bridges(course.hold.counting));
    let needed = course.hold.length.as_millis() as f64;
    let side = |hold: &Option<Hold>| {
        hold.as_ref().map(|hold| {
            let mut line = account(hold, material);
            if material.hopeful {
                hope(&mut line);
            }
            (hold.length.as_millis() as f64, holding(&line, hold.counting, &bridges(hold.counting)))
        })
    };
    let (peak, reheat) = (side(&course.peak), side(&course.reheat));
    if let Some(turnings) = course.turnings.filter(|t| t.when == TurningsWhen::AfterEachHold) {
        return spells(&turnings, needed, all, line, material);
    }
    let end = line.last().map_or(0.0, |s| s.end);
    let mut best: Option<Progress> = None;
    let count = all.len();
    for (index, run) in all.iter().enumerate() {
        let going_on = index + 1 == count && run.ended_by.is_none();
        let mut waiting = Vec::new();
        let mut met = run.reaches(needed).map(|at| at.max(material.not_before));
        let mut need = |at: Option<f64>, missing: Missing| {
            if at.is_none() {
                waiting.push(missing);
            }
            met = met.zip(at).map(|(a, b)| a.max(b));
        };
        let (from, to) = (run.start(), if going_on { end } else { run.end() });
        if let Some((length, runs)) = &peak {
            let first = runs.iter().filter_map(|r| r.within(from, to).reaches(*length)).reduce(f64::min);
            need(first, Missing::Peak);
        }
        let mut counted_turnings = Vec::new();
        if let Some(turnings) = course.turnings {
            let (from, to) = match turnings.when {
                TurningsWhen::Hot => (from, to),
                _ => (0.0, f64::INFINITY),
            };
            counted_turnings = spaced(&material.turned, turnings.apart, from, to);
            let enough = counted_turnings.get(turnings.least - 1).copied();
            need(enough, Missing::Turnings(turnings.least.saturating_sub(counted_turnings.len())));
            if let (Some((length, runs)), Some(enough)) = (&reheat, enough) {
                let again = material.turned.iter().filter(|t| **t >= enough).filter_map(|turned| {
                    let next = material.turned.iter().copied().find(|t| t > turned).unwrap_or(f64::INFINITY);
                    runs.iter().filter_map(|r| r.within(*turned, next).reaches(*length)).reduce(f64::min)
                });
                need(again.reduce(f64::min), Missing::Reheat);
            }
        }
        if let Some(process) = course.process {
            let old_enough = material.began + process.as_millis() as f64;
            need((old_enough <= material.frame.whole()).then_some(old_enough), Missing::Age);
        }
        // A mean that hides what is not known could be anything.
        let guessed = material.hopeful && silent.iter().any(|(start, end)| *start < to && *end > from);
        if run.reaches(needed).is_some() && material.not_before > to {
            need(None, Missing::Order);
        } else if let Some(mean) = course.mean_above
            && !guessed
        {
            let limit = mean.0 + material.margin;
            let after = material.not_before.max(run.start() + needed);
            need(mean_reached(material, (run.start(), run.end()), needed, after, limit), Missing::Mean);
        }
        let counted = run.counted();
        let broken = if going_on { index.checked_sub(1).and_then(|i| all[i].ended_by) } else { run.ended_by };
        let process = course.process.map_or(0.0, |p| material.began + p.as_millis() as f64);
        let turnings_left = waiting.iter().find_map(|m| match m {
            Missing::Turnings(n) => Some(*n),
            _ => None,
        });
        let apart = course.turnings.map_or(Span::ZERO, |t| t.apart).as_millis() as f64;
        let more = turnings_left.map_or(0.0, |n| end + apart * (n - 1) as f64);
        let left = match going_on {
            true => end + (needed - counted).max(0.0),
            false => end + needed,
        };
        let found = Progress {
            met,
            run: Some(run.clone()),
            going_on,
            counted,
            needed,
            earliest: left.max(process).max(more).max(material.frame.whole()),
            waiting,
            turnings: counted_turnings,
            broken,
            longest: None,
            timeline: Vec::new(),
        };
        let better = best
            .as_ref()
            .is_none_or(|b| b.met.is_none() && (found.met.is_some() || found.going_on || found.counted > b.counted));
        if better {
            best = Some(found);
        }
    }
    let first_cold = line.iter().find(|s| matches!(s.state, State::Low(_) | State::High(_))).copied();
    let mut best = best.unwrap_or(Progress {
        met: None,
        run: None,
        going_on: false,
        counted: 0.0,
        needed,
        earliest: material.frame.whole() + needed,
        waiting: Vec::new(),
        turnings: Vec::new(),
        broken: first_cold,
        longest: None,
        timeline: Vec::new(),
    });
    best.longest = longest(&all);
    best.timeline = line;
    best
}

fn longest(all: &[Run]) -> Option<Run> {
    all.iter().rev().max_by(|a, b| a.counted().total_cmp(&b.counted())).cloned()
}

/// The account of the pile by one hold.
fn account(hold: &Hold, material: &Material<'_>) -> Vec<Stretch> {
    let held = Hold {
        floor: hold.floor.raised(material.margin),
        ceiling: hold.ceiling.map(|c| pile::units::Celsius(c.0 - material.margin)),
        ..*hold
    };
    timeline(&material.probes, &held, &material.frame)
}

/// What is not known counts, to see whether it could have decided.
fn hope(line: &mut [Stretch]) {
    for stretch in line.iter_mut().filter(|s| matches!(s.state, State::Unknown(_))) {
        stretch.state = State::Good;
    }
}

fn bridges<'m>(counting: Counting, material: &'m Material<'_>, recovery: f64) -> Bridges<'m> {
    let shorter_than = match counting {
        Counting::AsContiguous(most) => Some(most.as_millis() as f64),
        _ => None,
    };
    Bridges { shorter_than, turnings: &material.turned, recovery, frame: material.frame }
}

/// The runs by the way in which time is counted: all of it is one run where it is cumulative.
fn holding(line: &[Stretch], counting: Counting, bridges: &Bridges<'_>) -> Vec<Run> {
    if counting != Counting::Cumulative {
        return runs(line, bridges);
    }
    let pieces: Vec<(f64, f64)> = line.iter().filter(|s| s.state == State::Good).map(|s| (s.start, s.end)).collect();
    if pieces.is_empty() { Vec::new() } else { vec![Run { pieces, bridged: Vec::new(), ended_by: None }] }
}

/// Turnings between two times, ends included, each at least so long after the last that counted.
fn spaced(turned: &[f64], apart: Span, from: f64, to: f64) -> Vec<f64> {
    let mut out: Vec<f64> = Vec::new();
    for at in turned.iter().copied().filter(|at| (from..=to).contains(at)) {
        if out.last().is_none_or(|last| at - last >= apart.as_millis() as f64) {
            out.push(at);
        }
    }
    out
}

/// Turnings that each follow a whole hold of their own.
fn spells(turnings: &Turnings, needed: f64, all: Vec<Run>, line: Vec<Stretch>, material: &Material<'_>) -> Progress {
    let mut before = 0.0;
    let mut counted = Vec::new();
    for turned in &material.turned {
        let spell = |r: &Run| r.within(before, *turned).reaches(needed).is_some();
        let far_enough = counted.last().is_none_or(|last: &f64| turned - last >= turnings.apart.as_millis() as f64);
        if all.iter().any(spell) && far_enough {
            counted.push(*turned);
        }
        before = *turned;
    }
    let met = counted.get(turnings.least - 1).map(|at| at.max(material.not_before));
    let lasting = all.last().filter(|r| r.ended_by.is_none()).map(|r| r.within(before, f64::INFINITY));
    let under_way = lasting.as_ref().map_or(0.0, |r| r.counted().min(needed));
    let missing = turnings.least.saturating_sub(counted.len());
    let end = line.last().map_or(0.0, |s| s.end);
    let spell_left = needed - under_way + needed * missing.saturating_sub(1) as f64;
    let done = needed * counted.len().min(turnings.least) as f64;
    let broken = line.iter().rev().find(|s| matches!(s.state, State::Low(_) | State::High(_))).copied();
    Progress {
        met,
        going_on: lasting.is_some(),
        run: lasting.clone().or_else(|| all.last().cloned()),
        counted: if missing == 0 { done } else { done + under_way },
        needed: needed * turnings.least as f64,
        earliest: (end + spell_left).max(material.frame.whole()),
        waiting: if missing == 0 { Vec::new() } else { vec![Missing::Turnings(missing)] },
        turnings: counted,
        broken,
        longest: longest(&all),
        timeline: line,
    }
}

/// The earliest reading at which every probe's mean over the time before it, of the length asked for, is above the limit.
fn mean_reached(material: &Material<'_>, run: (f64, f64), length: f64, after: f64, limit: f64) -> Option<f64> {
    let gap = material.frame.gap.as_millis() as f64;
    let sums: Vec<Sum> = material.probes.iter().map(|track| Sum::of(track.points, &material.frame, gap)).collect();
    let mut ends: Vec<f64> = sums.iter().flat_map(|s| s.at.iter().copied()).collect();
    ends.push(after);
    ends.sort_by(f64::total_cmp);
    ends.dedup();
    ends.into_iter()
        .filter(|end| *end >= after && *end <= run.1 && end - length >= run.0)
        .find(|end| sums.iter().all(|sum| (sum.until(*end) - sum.until(end - length)) / length > limit))
}

/// The area under the line through the readings of a probe.
struct Sum {
    at: Vec<f64>,
    value: Vec<f64>,
    area: Vec<f64>,
}

impl Sum {
    fn of(points: &[Point], frame: &Frame, gap: f64) -> Sum {
        let mut sum = Sum { at: Vec::new(), value: Vec::new(), area: Vec::new() };
        for point in points.iter().filter(|p| p.value.is_finite()) {
            let at = frame.offset(point.at);
            let area = match (sum.at.last(), sum.value.last(), sum.area.last()) {
                (Some(before), ..) if at <= *before => continue,
                (Some(before), Some(value), Some(area)) if at - before <= gap => {
                    area + (value + point.value) / 2.0 * (at - before)
                }
                (.., area) => area.copied().unwrap_or(0.0),
            };
            sum.at.push(at);
            sum.value.push(point.value);
            sum.area.push(area);
        }
        sum
    }

    fn until(&self, at: f64) -> f64 {
        let next = self.at.partition_point(|t| *t <= at);
        let Some(last) = next.checked_sub(1) else { return 0.0 };
        match self.at.get(next) {
            Some(end) if at > self.at[last] => {
                let share = (at - self.at[last]) / (end - self.at[last]);
                let value = self.value[last] + share * (self.value[next] - self.value[last]);
                self.area[last] + (self.value[last] + value) / 2.0 * (at - self.at[last])
            }
            _ => self.area[last],
        }
    }
}

/// The first day of 24 h of a run, from its beginning to the time it was met, in which a probe has fewer readings than asked for.
pub(super) fn too_few_readings(
    probes: &[Track<'_>],
    frame: &Frame,
    run: (f64, f64),
    least: u32,
) -> Option<(usize, f64, usize)> {
    let mut day = run.0;
    while day + DAY <= run.1 {
        for (index, Track { points, elsewhere }) in probes.iter().enumerate() {
            if elsewhere.iter().any(|(from, until)| frame.offset(*from) < day + DAY && frame.offset(*until) > day) {
                continue;
            }
            let place = |limit: f64| points.partition_point(|p| frame.offset(p.at) < limit);
            let there = place(day + DAY) - place(day);
            if there < least as usize {
                return Some((index, day, there));
            }
        }
        day += DAY;
    }
    None
}
