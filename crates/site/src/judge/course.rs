//! Holds a course of temperatures against timelines: when it was met, or how far it is.
//!
//! Must never count time twice, nor a turning that the criterion does not count.

use pile::time::Span;

use super::exact::{Length, Moment};
use super::mean::mean_reached;
use super::timeline::{Bridges, Frame, Run, Runs, State, Stretch, Track, Watch, runs, timeline};
use crate::criteria::{Counting, Course, Hold, Turnings, TurningsWhen};

/// A day of 24 h, in milliseconds.
const DAY: i64 = 86_400_000;

/// Not before this: never.
pub(super) const NEVER: i64 = i64::MAX;

/// What a course is held against.
pub(super) struct Material<'t> {
    /// Readings of every probe in the pile.
    pub(super) tracks: Vec<Track<'t>>,
    /// Zones that are watched as a whole.
    pub(super) watched: Vec<Watch>,
    /// From when to when.
    pub(super) frame: Frame,
    /// When the material was turned, milliseconds after the beginning, in order.
    pub(super) turned: Vec<i64>,
    /// When the batch began, milliseconds after the beginning; zero, or less where raw material was added later.
    pub(super) began: i64,
    /// Not before this may it be met; [`NEVER`], where it may not.
    pub(super) not_before: i64,
    /// Limits are held with this to spare, K.
    pub(super) margin: f64,
    /// Time that is not known counts as good: to see whether it could have decided.
    pub(super) hopeful: bool,
}

/// How far a course is.
#[derive(Clone, Debug)]
pub(super) struct Progress {
    /// When all of it was met: the first whole millisecond.
    pub(super) met: Option<i64>,
    /// The run that met it, or else the one that is going on, or else the longest.
    pub(super) run: Option<Run>,
    /// Whether that run is going on.
    pub(super) going_on: bool,
    /// What counts of it.
    pub(super) counted: Length,
    /// What is needed, milliseconds.
    pub(super) needed: i64,
    /// The earliest it can be met if it is not.
    pub(super) earliest: i64,
    /// What else is missing in that run.
    pub(super) waiting: Vec<Missing>,
    /// Turnings that count, milliseconds after the beginning.
    pub(super) turnings: Vec<i64>,
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
    let silent: Vec<(Moment, Moment)> = line.iter().filter(unknown).map(|s| (s.start, s.end)).collect();
    if material.hopeful {
        hope(&mut line);
    }
    let recovery = course.turnings.map_or(Span::ZERO, |t| t.recovery).as_millis();
    let bridges = |counting| bridges(counting, material, recovery);
    let all = holding(&line, course.hold.counting, &bridges(course.hold.counting));
    let needed = course.hold.length.as_millis();
    let side = |hold: &Option<Hold>| {
        hold.as_ref().map(|hold| {
            let mut line = account(hold, material);
            if material.hopeful {
                hope(&mut line);
            }
            (hold.length.as_millis(), holding(&line, hold.counting, &bridges(hold.counting)))
        })
    };
    let (peak, reheat) = (side(&course.peak), side(&course.reheat));
    if let Some(turnings) = course.turnings.filter(|t| t.when == TurningsWhen::AfterEachHold) {
        return spells(&turnings, needed, &all, line, material);
    }
    let end = line.last().map_or(Moment::at(0), |s| s.end);
    let mut best: Option<Progress> = None;
    let count = all.len();
    for (index, run) in all.iter().enumerate() {
        let going_on = index + 1 == count && run.ended_by.is_none();
        let mut waiting = Vec::new();
        let mut met = run.reaches(needed).map(|at| at.max(material.not_before));
        let mut need = |at: Option<i64>, missing: Missing| {
            if at.is_none() {
                waiting.push(missing);
            }
            met = met.zip(at).map(|(a, b)| a.max(b));
        };
        let (from, to) = (run.start(), if going_on { end } else { run.end() });
        if let Some((length, runs)) = &peak {
            let first = runs.iter().filter_map(|r| r.within(from, Some(to)).reaches(*length)).min();
            need(first, Missing::Peak);
        }
        let mut counted_turnings = Vec::new();
        if let Some(turnings) = course.turnings {
            let (from, to) = match turnings.when {
                TurningsWhen::Hot | TurningsWhen::Hold => (from, Some(to)),
                _ => (Moment::at(0), None),
            };
            counted_turnings = spaced(&material.turned, turnings.apart, from, to);
            let mut enough = counted_turnings.get(turnings.least - 1).copied();
            if turnings.when == TurningsWhen::Hold {
                let (group, at) = together(&material.turned, &turnings, needed, (from, to));
                (counted_turnings, enough) = (group, at);
            }
            need(enough, Missing::Turnings(turnings.least.saturating_sub(counted_turnings.len())));
            if let (Some((length, runs)), Some(enough)) = (&reheat, enough) {
                let again = material.turned.iter().filter(|t| **t >= enough).filter_map(|turned| {
                    let next = material.turned.iter().find(|t| *t > turned).map(|next| Moment::at(*next));
                    runs.iter().filter_map(|r| r.within(Moment::at(*turned), next).reaches(*length)).min()
                });
                need(again.min(), Missing::Reheat);
            }
        }
        if let Some(process) = course.process {
            let old_enough = material.began + process.as_millis();
            need((old_enough <= material.frame.whole()).then_some(old_enough), Missing::Age);
        }
        // A mean that hides what is not known could be anything.
        let guessed = material.hopeful && silent.iter().any(|(start, end)| *start < to && *end > from);
        let held = run.reaches(needed);
        if held.is_some() && Moment::at(material.not_before) > to {
            need(None, Missing::Order);
        } else if let Some(mean) = course.mean_above
            && !guessed
        {
            let limit = mean.0 + material.margin;
            let after = material.not_before.max(run.start().plus(needed).ceil());
            need(mean_reached(&material.tracks, &material.frame, run.end(), needed, after, limit), Missing::Mean);
        }
        let counted = run.counted();
        let broken = if going_on { index.checked_sub(1).and_then(|i| all.ended_by(i)) } else { run.ended_by };
        let process = course.process.map_or(0, |p| material.began + p.as_millis());
        let turnings_left = waiting.iter().find_map(|m| match m {
            Missing::Turnings(n) => Some(*n),
            _ => None,
        });
        let apart = course.turnings.map_or(Span::ZERO, |t| t.apart);
        let times = |n: usize| i64::try_from(n.saturating_sub(1)).unwrap_or(i64::MAX);
        let more = turnings_left.map_or(0, |n| end.ceil() + apart.times(times(n)).as_millis());
        let left = match going_on {
            true => left_after(end, needed, &counted),
            false => end.ceil() + needed,
        };
        let found = Progress {
            met,
            run: Some(run),
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
        let better = best.as_ref().is_none_or(|b| {
            b.met.is_none() && (found.met.is_some() || found.going_on || found.counted.cmp(&b.counted).is_gt())
        });
        if better {
            best = Some(found);
        }
    }
    let first_cold = line.iter().find(|s| matches!(s.state, State::Low(_) | State::High(_))).copied();
    let mut best = best.unwrap_or(Progress {
        met: None,
        run: None,
        going_on: false,
        counted: Length::default(),
        needed,
        earliest: material.frame.whole().saturating_add(needed),
        waiting: Vec::new(),
        turnings: Vec::new(),
        broken: first_cold,
        longest: None,
        timeline: Vec::new(),
    });
    best.longest = all.longest();
    best.timeline = line;
    best
}

/// When so much will have counted that goes on counting from `end` on.
fn left_after(end: Moment, needed: i64, counted: &Length) -> i64 {
    let left = Length::of(needed).less(counted);
    let mut at = if left.reaches(0) { left } else { Length::default() };
    at.extend(Moment::at(0), end);
    at.ceil()
}

/// The account of the pile by one hold.
fn account(hold: &Hold, material: &Material<'_>) -> Vec<Stretch> {
    let held = Hold {
        floor: hold.floor.raised(material.margin),
        ceiling: hold.ceiling.map(|c| pile::units::Celsius(c.0 - material.margin)),
        ..*hold
    };
    timeline(&material.tracks, &material.watched, &held, &material.frame)
}

/// What is not known counts, to see whether it could have decided.
fn hope(line: &mut [Stretch]) {
    for stretch in line.iter_mut().filter(|s| matches!(s.state, State::Unknown(_))) {
        stretch.state = State::Good;
    }
}

fn bridges<'m>(counting: Counting, material: &'m Material<'_>, recovery: i64) -> Bridges<'m> {
    let sum_most = match counting {
        Counting::AsContiguous(most) => Some(most.as_millis()),
        _ => None,
    };
    Bridges { sum_most, turnings: &material.turned, recovery, frame: material.frame }
}

/// The runs by the way in which time is counted: all of it is one run where it is cumulative.
fn holding(line: &[Stretch], counting: Counting, bridges: &Bridges<'_>) -> Runs {
    if counting == Counting::Cumulative { Runs::together(line) } else { runs(line, bridges) }
}

/// Turnings between two times, ends included, each at least so long after the last that counted.
fn spaced(turned: &[i64], apart: Span, from: Moment, to: Option<Moment>) -> Vec<i64> {
    let inside = |at: &&i64| Moment::at(**at) >= from && to.is_none_or(|to| Moment::at(**at) <= to);
    let mut out: Vec<i64> = Vec::new();
    for at in turned.iter().filter(inside) {
        if out.last().is_none_or(|last| at - last >= apart.as_millis()) {
            out.push(*at);
        }
    }
    out
}

/// As many turnings as lie in one span of the length of the hold, and the first end of such a span with enough of them.
fn together(
    turned: &[i64],
    turnings: &Turnings,
    length: i64,
    (from, to): (Moment, Option<Moment>),
) -> (Vec<i64>, Option<i64>) {
    let mut most = Vec::new();
    for first in turned.iter().filter(|at| Moment::at(**at) >= from) {
        let until = Moment::at(first.saturating_add(length));
        let mut group = spaced(turned, turnings.apart, Moment::at(*first), Some(to.map_or(until, |to| to.min(until))));
        group.truncate(turnings.least);
        if group.len() == turnings.least {
            let last = group.last().copied();
            return (group, last);
        }
        if group.len() > most.len() {
            most = group;
        }
    }
    (most, None)
}

/// Turnings that each follow a whole hold of their own.
fn spells(turnings: &Turnings, needed: i64, all: &Runs, line: Vec<Stretch>, material: &Material<'_>) -> Progress {
    let mut before = Moment::at(0);
    let mut counted: Vec<i64> = Vec::new();
    for turned in &material.turned {
        let spell = |r: Run| r.within(before, Some(Moment::at(*turned))).reaches(needed).is_some();
        let far_enough = counted.last().is_none_or(|last| turned - last >= turnings.apart.as_millis());
        if all.iter().any(spell) && far_enough {
            counted.push(*turned);
        }
        before = Moment::at(*turned);
    }
    let met = counted.get(turnings.least - 1).map(|at| at.max(&material.not_before)).copied();
    let lasting = all.iter().next_back().filter(|r| r.ended_by.is_none()).map(|r| r.within(before, None));
    let lasted = lasting.as_ref().map_or_else(Length::default, Run::counted);
    let under_way = if lasted.reaches(needed) { Length::of(needed) } else { lasted };
    let missing = turnings.least.saturating_sub(counted.len());
    let end = line.last().map_or(Moment::at(0), |s| s.end);
    let times = |n: usize| Span::millis(needed).times(i64::try_from(n).unwrap_or(i64::MAX)).as_millis();
    let earliest = left_after(end, needed, &under_way) + times(missing.saturating_sub(1));
    let done = times(counted.len().min(turnings.least));
    let broken = line.iter().rev().find(|s| matches!(s.state, State::Low(_) | State::High(_))).copied();
    let mut sum = under_way;
    if missing == 0 {
        sum = Length::default();
    }
    sum.extend(Moment::at(0), Moment::at(done));
    Progress {
        met,
        going_on: lasting.is_some(),
        run: lasting.or_else(|| all.iter().next_back()),
        counted: sum,
        needed: times(turnings.least),
        earliest: earliest.max(material.frame.whole()),
        waiting: if missing == 0 { Vec::new() } else { vec![Missing::Turnings(missing)] },
        turnings: counted,
        broken,
        longest: all.longest(),
        timeline: line,
    }
}

/// The first day of 24 h of a run, from its beginning to the time it was met, in which a probe has fewer readings than asked for.
pub(super) fn too_few_readings(
    tracks: &[Track<'_>],
    frame: &Frame,
    run: (i64, i64),
    least: u32,
) -> Option<(usize, i64, usize)> {
    let mut day = run.0;
    while day + DAY <= run.1 {
        let (from, until) = (frame.instant(day), frame.instant(day + DAY));
        for track in tracks.iter().filter(|t| !t.elsewhere.iter().any(|(gone, back)| *gone < until && *back > from)) {
            let there = track.before(until) - track.before(from);
            if there < least as usize {
                // Of several that followed one another the one that was there when the day began.
                let here = track.parts.iter().rev().find(|(_, points)| points.first().is_some_and(|p| p.at <= from));
                return here.or(track.parts.first()).map(|(probe, _)| (*probe, day, there));
            }
        }
        day += DAY;
    }
    None
}
