//! From the readings of several probes to one account of the pile: when all were hot enough, when one was not, when one is not known.
//!
//! Must never bridge a gap longer than the criterion's, and never let a probe that is silent count for warm.

use std::cmp::Reverse;

use pile::time::{Span, Timestamp};
use pile::window::Point;

use super::exact::{Length, Moment, crossing};
use crate::criteria::Hold;

/// What is known of the pile over a stretch of time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum State {
    /// Every probe is within the limits.
    Good,
    /// A probe is too cold, whatever the others are.
    Low(Evidence),
    /// A probe is above the upper limit, and none is too cold.
    High(Evidence),
    /// A probe is not known, and no other decides.
    Unknown(Silence),
}

/// Who is silent.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Silence {
    /// A probe.
    Probe(usize),
    /// Every probe of a zone that is watched as a whole.
    Zone(usize),
}

/// The reading that shows it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Evidence {
    /// Which probe.
    pub(super) probe: usize,
    /// The reading.
    pub(super) point: Point,
}

/// A stretch of time in one state; it may have no length where a single reading decides.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Stretch {
    /// Its beginning.
    pub(super) start: Moment,
    /// Its end.
    pub(super) end: Moment,
    /// In which state.
    pub(super) state: State,
}

/// From when to when, and how readings are joined.
#[derive(Clone, Copy, Debug)]
pub(super) struct Frame {
    /// The beginning.
    pub(super) from: Timestamp,
    /// The end.
    pub(super) until: Timestamp,
    /// Nothing more will come, so that no reading is still due.
    pub(super) over: bool,
    /// The longest gap that is bridged.
    pub(super) gap: Span,
}

impl Frame {
    /// Milliseconds after the beginning.
    pub(super) fn offset(&self, at: Timestamp) -> i64 {
        at.since(self.from).as_millis()
    }

    /// The instant so many milliseconds after the beginning.
    pub(super) fn instant(&self, offset: i64) -> Timestamp {
        self.from + Span::millis(offset)
    }

    /// The length of the whole.
    pub(super) fn whole(&self) -> i64 {
        self.offset(self.until).max(0)
    }

    fn bridged(&self, from: i64, to: i64) -> bool {
        to - from <= self.gap.as_millis()
    }
}

/// The readings of a probe, or of several of which each took the place of the one before, and when none of them was there while another
/// stood in the place.
#[derive(Clone, Debug)]
pub(super) struct Track<'t> {
    /// Which probe, and its readings, oldest first.
    pub(super) parts: Vec<(usize, &'t [Point])>,
    /// Silence then says nothing of the pile.
    pub(super) elsewhere: Vec<(Timestamp, Timestamp)>,
}

impl Track<'_> {
    /// Every reading with its probe, oldest first.
    pub(super) fn points(&self) -> impl Iterator<Item = (usize, Point)> + '_ {
        let all = self.parts.iter().flat_map(|(probe, points)| points.iter().map(move |point| (*probe, *point)));
        all.filter(|(_, point)| point.value.is_finite())
    }

    /// How many readings lie before a time.
    pub(super) fn before(&self, at: Timestamp) -> usize {
        self.parts.iter().map(|(_, points)| points.partition_point(|p| p.at < at)).sum()
    }
}

/// A zone that is watched as a whole.
#[derive(Clone, Debug)]
pub(super) struct Watch {
    /// What it is called.
    pub(super) name: String,
    /// When any probe there had a reading, in order, milliseconds after the beginning.
    pub(super) times: Vec<i64>,
}

/// The state of the pile by all its probes together. A silence at the end is left out where the next reading is still due.
pub(super) fn timeline(tracks: &[Track<'_>], watched: &[Watch], hold: &Hold, frame: &Frame) -> Vec<Stretch> {
    let own = tracks.iter().map(|track| excused(of_track(track, hold, frame), &track.elsewhere, frame));
    let zones = watched.iter().enumerate().map(|(zone, watch)| of_zone(zone, &watch.times, frame));
    let single: Vec<Vec<Stretch>> = own.chain(zones).collect();
    let mut all = merged(&single, Moment::at(frame.whole()));
    // All that is silent at the end together, whoever is.
    let heard = all.iter().rposition(|s| !matches!(s.state, State::Unknown(_))).map_or(0, |last| last + 1);
    if let (Some(first), Some(last)) = (all.get(heard), all.last())
        && !frame.over
        && last.end <= first.start.plus(frame.gap.as_millis())
    {
        all.truncate(heard);
    }
    all
}

/// When a zone is unobserved, from the beginning to the end without a hole.
fn of_zone(zone: usize, times: &[i64], frame: &Frame) -> Vec<Stretch> {
    let (whole, unknown) = (frame.whole(), State::Unknown(Silence::Zone(zone)));
    let mut out = Vec::new();
    let mut last = None;
    for at in times.iter().copied().map(Some).chain([None]) {
        let (from, to) = (last.unwrap_or(0), at.unwrap_or(whole));
        let observed = last.is_some() && at.is_some() && frame.bridged(from, to);
        let state = if observed { State::Good } else { unknown };
        push(&mut out, Moment::at(from), Moment::at(to), state, Moment::at(whole));
        last = at;
    }
    out
}

/// The stretches of one line of readings, from the beginning to the end without a hole.
fn of_track(track: &Track<'_>, hold: &Hold, frame: &Frame) -> Vec<Stretch> {
    let whole = Moment::at(frame.whole());
    let (floor, ceiling) = (hold.floor.celsius(), hold.ceiling.map(|c| c.0));
    let state = |probe: usize, point: Point| {
        let evidence = Evidence { probe, point };
        if !hold.floor.holds(point.value) {
            State::Low(evidence)
        } else if ceiling.is_some_and(|c| point.value > c) {
            State::High(evidence)
        } else {
            State::Good
        }
    };
    let mut out: Vec<Stretch> = Vec::new();
    let mut last: Option<(i64, usize, Point)> = None;
    for (probe, point) in track.points() {
        let at = frame.offset(point.at);
        if last.is_some_and(|(before, ..)| at <= before) {
            continue;
        }
        let now = Moment::at(at);
        match last {
            Some((before, whose, earlier)) if frame.bridged(before, at) => {
                let cross = |limit: f64| crossing((before, earlier.value), (at, point.value), limit);
                // Where the line passes from one state into the next, in the order of time.
                let (a, b) = (state(whose, earlier), state(probe, point));
                let mut steps: Vec<(Moment, State)> = vec![(Moment::at(before), a)];
                let top = ceiling.unwrap_or(f64::INFINITY);
                match (a, b) {
                    (State::Low(_), State::Good) | (State::High(_), State::Good) => {
                        steps.push((cross(if matches!(a, State::Low(_)) { floor } else { top }), State::Good));
                    }
                    (State::Good, State::Low(_)) => steps.push((cross(floor), b)),
                    (State::Good, State::High(_)) => steps.push((cross(top), b)),
                    (State::Low(_), State::High(_)) => steps.extend([(cross(floor), State::Good), (cross(top), b)]),
                    (State::High(_), State::Low(_)) => steps.extend([(cross(top), State::Good), (cross(floor), b)]),
                    _ => {}
                }
                let ends = steps.iter().skip(1).map(|(t, _)| *t).chain([now]);
                for ((start, state), end) in steps.iter().zip(ends) {
                    push(&mut out, *start, end, *state, whole);
                }
            }
            _ => {
                let (before, whose) = last.map_or((0, probe), |(before, whose, _)| (before, whose));
                push(&mut out, Moment::at(before), now, State::Unknown(Silence::Probe(whose)), whole);
            }
        }
        push(&mut out, now, now, state(probe, point), whole);
        last = Some((at, probe, point));
    }
    let first = track.parts.first().map_or(0, |(probe, _)| *probe);
    let (before, whose) = last.map_or((0, first), |(before, whose, _)| (before, whose));
    push(&mut out, Moment::at(before), whole, State::Unknown(Silence::Probe(whose)), whole);
    out
}

/// Silence of a probe while it was elsewhere, and another stood in its place, holds nothing against the pile: the other tells of it. What is
/// left of a silence around that time counts for nothing as far as a gap would be bridged.
fn excused(line: Vec<Stretch>, elsewhere: &[(Timestamp, Timestamp)], frame: &Frame) -> Vec<Stretch> {
    let gap = frame.gap.as_millis();
    let mut out = Vec::with_capacity(line.len());
    for stretch in line {
        let overlaps = |(from, until): &(Moment, Moment)| *from < stretch.end && *until > stretch.start;
        let spans = elsewhere.iter().map(|(f, u)| (Moment::at(frame.offset(*f)), Moment::at(frame.offset(*u))));
        let away = spans.filter(|_| matches!(stretch.state, State::Unknown(_))).find(overlaps);
        let Some((from, until)) = away else {
            out.push(stretch);
            continue;
        };
        let (mut start, mut end) = (from.max(stretch.start), until.min(stretch.end));
        if start <= stretch.start.plus(gap) {
            start = stretch.start;
        }
        if stretch.end <= end.plus(gap) {
            end = stretch.end;
        }
        let parts =
            [(stretch.start, start, stretch.state), (start, end, State::Good), (end, stretch.end, stretch.state)];
        out.extend(parts.iter().filter(|(start, end, _)| start < end).map(|(start, end, state)| Stretch {
            start: *start,
            end: *end,
            state: *state,
        }));
    }
    out
}

/// Adds a stretch, as far as it lies inside, to the one before where both are alike.
fn push(out: &mut Vec<Stretch>, start: Moment, end: Moment, state: State, whole: Moment) {
    let beginning = Moment::at(0);
    if end < beginning || start > whole {
        return;
    }
    let (start, end) = (start.max(beginning), end.min(whole));
    let decides = matches!(state, State::Low(_) | State::High(_));
    if start > end || (start == end && !decides) {
        return;
    }
    match out.last_mut() {
        Some(before) if before.end >= start && same(&before.state, &state) => before.end = before.end.max(end),
        _ => out.push(Stretch { start, end, state }),
    }
}

fn same(a: &State, b: &State) -> bool {
    match (a, b) {
        (State::Low(x), State::Low(y)) | (State::High(x), State::High(y)) => x.probe == y.probe,
        (State::Unknown(x), State::Unknown(y)) => x == y,
        _ => std::mem::discriminant(a) == std::mem::discriminant(b),
    }
}

fn merged(lists: &[Vec<Stretch>], whole: Moment) -> Vec<Stretch> {
    let mut ends: Vec<Moment> = lists.iter().flatten().flat_map(|s| [s.start, s.end]).collect();
    ends.sort();
    ends.dedup();
    let mut places = vec![0; lists.len()];
    let mut out = Vec::new();
    for (index, at) in ends.iter().copied().enumerate() {
        let next = ends.get(index + 1).copied();
        let mut moment: Option<State> = None;
        let mut after: Option<State> = None;
        for (list, place) in lists.iter().zip(&mut places) {
            while list.get(*place).is_some_and(|s| s.end < at) {
                *place += 1;
            }
            for stretch in list[*place..].iter().take_while(|s| s.start <= at) {
                if stretch.start == stretch.end {
                    moment = Some(worse(moment, stretch.state));
                } else if next.is_some_and(|next| stretch.end >= next) {
                    after = Some(worse(after, stretch.state));
                }
            }
        }
        if let Some(state) = moment {
            push(&mut out, at, at, state, whole);
        }
        if let (Some(state), Some(next)) = (after, next) {
            push(&mut out, at, next, state, whole);
        }
    }
    out
}

/// What is known when two probes are taken together: one that is too cold decides, whatever the other is.
fn worse(a: Option<State>, b: State) -> State {
    let rank = |state: &State| match state {
        State::Low(_) => 3,
        State::High(_) => 2,
        State::Unknown(_) => 1,
        State::Good => 0,
    };
    match a {
        Some(a) if rank(&a) >= rank(&b) => a,
        _ => b,
    }
}

/// Time that counts together, and what ended it.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Run {
    /// The parts that count, in order.
    pub(super) pieces: Vec<(Moment, Moment)>,
    /// Interruptions that did not end it.
    pub(super) bridged: Vec<(Moment, Moment)>,
    /// What ended it; nothing, where it reaches the end.
    pub(super) ended_by: Option<Stretch>,
}

/// Which interruptions do not end a run.
#[derive(Clone, Debug)]
pub(super) struct Bridges<'t> {
    /// Those that come to at most so many milliseconds in all; without it none.
    pub(super) sum_most: Option<i64>,
    /// Turnings, after which the material may be colder for so long.
    pub(super) turnings: &'t [i64],
    /// How long, in milliseconds.
    pub(super) recovery: i64,
    /// From when to when, and how readings are joined.
    pub(super) frame: Frame,
}

/// How an interruption is dealt with.
enum Pause {
    /// It ends a run.
    Ends,
    /// It does not, and counts towards the sum of them.
    Counts,
    /// It does not: the permit grants it after a turning.
    Granted,
}

impl Bridges<'_> {
    /// What an interruption is, of which `first` is the first stretch.
    fn dealt(&self, first: &Stretch, end: Moment) -> Pause {
        let start = first.start;
        // The line from the last warm reading falls before the turning already, so the first cold reading decides; a silence that
        // spans the turning may begin as long before it as two readings may lie apart.
        let begins = match first.state {
            State::Low(evidence) | State::High(evidence) => Moment::at(self.frame.offset(evidence.point.at)),
            State::Unknown(_) | State::Good => start.plus(self.frame.gap.as_millis()),
        };
        let after_turning =
            |turned: &i64| begins >= Moment::at(*turned) && end <= Moment::at(turned.saturating_add(self.recovery));
        if self.recovery > 0 && self.turnings.iter().any(after_turning) {
            Pause::Granted
        } else if self.sum_most.is_some_and(|most| end <= start.plus(most)) {
            Pause::Counts
        } else {
            Pause::Ends
        }
    }
}

/// The parts of a timeline that count, and how they hang together.
#[derive(Clone, Debug, Default)]
pub(super) struct Runs {
    pieces: Vec<(Moment, Moment)>,
    /// The interruption after each piece: from when to when, and what began it. None between pieces that touch, nor at the very end.
    pauses: Vec<Option<(Moment, Moment, Stretch)>>,
    /// First and last piece of each run, and whether the interruption after the last one ends it.
    spans: Vec<(usize, usize, bool)>,
}

/// The runs of a timeline: the longest time around each piece in which the interruptions come to no more than is allowed. They overlap
/// where the sum of all interruptions is too long but that of some is not.
pub(super) fn runs(timeline: &[Stretch], bridges: &Bridges<'_>) -> Runs {
    let mut all = Runs::default();
    for stretch in timeline {
        if stretch.state == State::Good {
            all.pieces.push((stretch.start, stretch.end));
            all.pauses.push(None);
        } else if let Some(pause) = all.pauses.last_mut() {
            let (start, _, first) = pause.unwrap_or((stretch.start, stretch.end, *stretch));
            *pause = Some((start, stretch.end, first));
        }
    }
    let dealt: Vec<Pause> = all
        .pauses
        .iter()
        .map(|pause| pause.as_ref().map_or(Pause::Granted, |(_, end, first)| bridges.dealt(first, *end)))
        .collect();
    let most = bridges.sum_most.unwrap_or(0);
    let (mut first, mut sum) = (0, Length::default());
    for last in 0..all.pieces.len() {
        let add = |sum: &mut Length| {
            if let (Pause::Counts, Some((start, end, _))) = (&dealt[last], &all.pauses[last]) {
                sum.extend(*start, *end);
            }
        };
        let at_end = last + 1 == all.pieces.len();
        add(&mut sum);
        let goes_on = !matches!(dealt[last], Pause::Ends) && sum.against(most).is_le();
        if !goes_on || at_end {
            all.spans.push((first, last, !goes_on));
        }
        if matches!(dealt[last], Pause::Ends) {
            (first, sum) = (last + 1, Length::default());
        }
        while first <= last && sum.against(most).is_gt() {
            if let (Pause::Counts, Some((start, end, _))) = (&dealt[first], &all.pauses[first]) {
                sum.shorten(*start, *end);
            }
            first += 1;
        }
    }
    all
}

impl Runs {
    /// All the time that counts, as one run.
    pub(super) fn together(timeline: &[Stretch]) -> Runs {
        let good = timeline.iter().filter(|s| s.state == State::Good);
        let pieces: Vec<(Moment, Moment)> = good.map(|s| (s.start, s.end)).collect();
        let mut pauses = vec![None; pieces.len()];
        // What interrupts it now does not end the count, but nothing is counted.
        let last = timeline.iter().rposition(|s| s.state == State::Good);
        let after = last.and_then(|last| timeline.get(last + 1)).map(|s| (s.start, s.end, *s));
        if let Some(pause) = pauses.last_mut() {
            *pause = after;
        }
        let spans = if pieces.is_empty() { Vec::new() } else { vec![(0, pieces.len() - 1, after.is_some())] };
        Runs { pieces, pauses, spans }
    }

    /// How many.
    pub(super) fn len(&self) -> usize {
        self.spans.len()
    }

    /// What ended a run.
    pub(super) fn ended_by(&self, index: usize) -> Option<Stretch> {
        let (_, last, ended) = *self.spans.get(index)?;
        self.pauses[last].filter(|_| ended).map(|(.., first)| first)
    }

    /// Each run, made when it is asked for: several may share a piece.
    pub(super) fn iter(&self) -> impl DoubleEndedIterator<Item = Run> + ExactSizeIterator + '_ {
        self.spans.iter().enumerate().map(|(index, (first, last, _))| Run {
            pieces: self.pieces[*first..=*last].to_vec(),
            bridged: self.pauses[*first..*last].iter().flatten().map(|(start, end, _)| (*start, *end)).collect(),
            ended_by: self.ended_by(index),
        })
    }

    /// The longest run; of several the last.
    pub(super) fn longest(&self) -> Option<Run> {
        self.iter().max_by(|a, b| a.counted().cmp(&b.counted()))
    }
}

impl Run {
    /// Where it begins.
    pub(super) fn start(&self) -> Moment {
        self.pieces.first().map_or(Moment::at(0), |p| p.0)
    }

    /// Where its last counted part ends.
    pub(super) fn end(&self) -> Moment {
        self.pieces.last().map_or(Moment::at(0), |p| p.1)
    }

    /// How much of it counts.
    pub(super) fn counted(&self) -> Length {
        let mut sum = Length::default();
        for (start, end) in &self.pieces {
            sum.extend(*start, *end);
        }
        sum
    }

    /// The first whole millisecond at which so many of it have counted.
    pub(super) fn reaches(&self, needed: i64) -> Option<i64> {
        let mut sum = Length::default();
        for (start, end) in &self.pieces {
            sum.extend(*start, *end);
            if sum.reaches(needed) {
                // From the end of the piece back by what is too much.
                let mut at = Length::of(needed);
                at.extend(Moment::at(0), *end);
                return Some(at.less(&sum).ceil());
            }
        }
        None
    }

    /// The part of it between two times.
    pub(super) fn within(&self, from: Moment, to: Option<Moment>) -> Run {
        let until = |end: Moment| to.map_or(end, |to| to.min(end));
        let cut = |(start, end): &(Moment, Moment)| ((*start).max(from), until(*end));
        let pieces = self.pieces.iter().map(cut).filter(|(start, end)| start < end).collect();
        Run { pieces, bridged: self.bridged.clone(), ended_by: self.ended_by }
    }

    /// The interruptions before a time that did not end it: the longest, the first of them where there are several, and what all come to.
    pub(super) fn interruptions(&self, until: Moment) -> Option<((Moment, Moment), Length)> {
        let before = || self.bridged.iter().filter(|(start, _)| *start < until);
        let longest = before().max_by(|a, b| {
            Length::between(a.0, a.1).cmp(&Length::between(b.0, b.1)).then_with(|| Reverse(a.0).cmp(&Reverse(b.0)))
        });
        let mut sum = Length::default();
        for (start, end) in before() {
            sum.extend(*start, *end);
        }
        longest.map(|longest| (*longest, sum))
    }
}
