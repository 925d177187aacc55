//! From the readings of several probes to one account of the pile: when all were hot enough, when one was not, when one is not known.
//!
//! Must never bridge a gap longer than the criterion's, and never let a probe that is silent count for warm.

use pile::time::{Span, Timestamp};
use pile::window::Point;

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
    Unknown(usize),
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
    /// Milliseconds after the beginning.
    pub(super) start: f64,
    /// Milliseconds after the beginning.
    pub(super) end: f64,
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
    /// The longest gap that is bridged.
    pub(super) gap: Span,
}

impl Frame {
    /// Milliseconds after the beginning.
    pub(super) fn offset(&self, at: Timestamp) -> f64 {
        at.as_millis() as f64 - self.from.as_millis() as f64
    }

    /// The instant; never earlier than the exact one.
    pub(super) fn instant(&self, offset: f64) -> Timestamp {
        self.from + Span::millis(offset.ceil() as i64)
    }

    /// The length of the whole.
    pub(super) fn whole(&self) -> f64 {
        self.offset(self.until).max(0.0)
    }
}

/// The readings of a probe, and when it was elsewhere while another stood in its place.
#[derive(Clone, Copy, Debug)]
pub(super) struct Track<'t> {
    /// Readings, oldest first.
    pub(super) points: &'t [Point],
    /// Its silence then says nothing of the pile.
    pub(super) elsewhere: &'t [(Timestamp, Timestamp)],
}

/// The state of the pile by all its probes together; the last stretch is left out where the next reading is still due.
pub(super) fn timeline(probes: &[Track<'_>], hold: &Hold, frame: &Frame) -> Vec<Stretch> {
    let single: Vec<Vec<Stretch>> = probes
        .iter()
        .enumerate()
        .map(|(probe, track)| excused(of_probe(probe, track.points, hold, frame), track.elsewhere, frame))
        .collect();
    let mut all = merged(&single, frame.whole());
    if let Some(Stretch { start, end, state: State::Unknown(_) }) = all.last().copied()
        && end - start <= frame.gap.as_millis() as f64
    {
        all.pop();
    }
    all
}

/// The stretches of one probe, from the beginning to the end without a hole.
fn of_probe(probe: usize, points: &[Point], hold: &Hold, frame: &Frame) -> Vec<Stretch> {
    let whole = frame.whole();
    let gap = frame.gap.as_millis() as f64;
    let (floor, ceiling) = (hold.floor.celsius(), hold.ceiling.map(|c| c.0));
    let state = |point: Point| {
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
    let mut last: Option<(f64, Point)> = None;
    for point in points.iter().filter(|p| p.value.is_finite()) {
        let at = frame.offset(point.at);
        if last.is_some_and(|(before, _)| at <= before) {
            continue;
        }
        match last {
            Some((before, earlier)) if at - before <= gap => {
                let cross = |limit: f64| {
                    let share = (limit - earlier.value) / (point.value - earlier.value);
                    (before + share * (at - before)).clamp(before, at)
                };
                // Where the line passes from one state into the next, in the order of time.
                let (a, b) = (state(earlier), state(*point));
                let mut steps: Vec<(f64, State)> = vec![(before, a)];
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
                let ends = steps.iter().skip(1).map(|(t, _)| *t).chain([at]);
                for ((start, state), end) in steps.iter().zip(ends) {
                    push(&mut out, *start, end, *state, whole);
                }
            }
            _ => push(&mut out, last.map_or(0.0, |(before, _)| before), at, State::Unknown(probe), whole),
        }
        push(&mut out, at, at, state(*point), whole);
        last = Some((at, *point));
    }
    push(&mut out, last.map_or(0.0, |(at, _)| at), whole, State::Unknown(probe), whole);
    out
}

/// Silence of a probe while it was elsewhere, and another stood in its place, holds nothing against the pile: the other tells of it. What is
/// left of a silence around that time counts for nothing as far as a gap would be bridged.
fn excused(line: Vec<Stretch>, elsewhere: &[(Timestamp, Timestamp)], frame: &Frame) -> Vec<Stretch> {
    let gap = frame.gap.as_millis() as f64;
    let mut out = Vec::with_capacity(line.len());
    for stretch in line {
        let overlaps = |(from, until): &&(Timestamp, Timestamp)| {
            frame.offset(*from) < stretch.end && frame.offset(*until) > stretch.start
        };
        let away = elsewhere.iter().find(overlaps).filter(|_| matches!(stretch.state, State::Unknown(_)));
        let Some((from, until)) = away.map(|(from, until)| (frame.offset(*from), frame.offset(*until))) else {
            out.push(stretch);
            continue;
        };
        let (mut start, mut end) = (from.max(stretch.start), until.min(stretch.end));
        if start - stretch.start <= gap {
            start = stretch.start;
        }
        if stretch.end - end <= gap {
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
fn push(out: &mut Vec<Stretch>, start: f64, end: f64, state: State, whole: f64) {
    if end < 0.0 || start > whole {
        return;
    }
    let (start, end) = (start.max(0.0), end.min(whole));
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

fn merged(lists: &[Vec<Stretch>], whole: f64) -> Vec<Stretch> {
    let mut ends: Vec<f64> = lists.iter().flatten().flat_map(|s| [s.start, s.end]).collect();
    ends.sort_by(f64::total_cmp);
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
    pub(super) pieces: Vec<(f64, f64)>,
    /// Interruptions that did not end it.
    pub(super) bridged: Vec<(f64, f64)>,
    /// What ended it; nothing, where it reaches the end.
    pub(super) ended_by: Option<Stretch>,
}

/// Which interruptions do not end a run.
#[derive(Clone, Debug)]
pub(super) struct Bridges<'t> {
    /// Any that is at most this long; without it none.
    pub(super) shorter_than: Option<f64>,
    /// Turnings, after which the material may be colder for so long.
    pub(super) turnings: &'t [f64],
    /// How long.
    pub(super) recovery: f64,
    /// From when to when, and how readings are joined.
    pub(super) frame: Frame,
}

impl Bridges<'_> {
    /// Whether an interruption, of which `first` is the first stretch, does not end a run.
    fn allow(&self, first: &Stretch, end: f64) -> bool {
        let start = first.start;
        // The line from the last warm reading falls before the turning already, so the first cold reading decides; a silence that
        // spans the turning may begin as long before it as two readings may lie apart.
        let begins = match first.state {
            State::Low(evidence) | State::High(evidence) => self.frame.offset(evidence.point.at),
            State::Unknown(_) | State::Good => start + self.frame.gap.as_millis() as f64,
        };
        let after_turning = |turned: &f64| begins >= *turned && end <= turned + self.recovery;
        self.shorter_than.is_some_and(|most| end - start <= most)
            || (self.recovery > 0.0 && self.turnings.iter().any(after_turning))
    }
}

/// The runs of a timeline.
pub(super) fn runs(timeline: &[Stretch], bridges: &Bridges<'_>) -> Vec<Run> {
    let mut out: Vec<Run> = Vec::new();
    // The interruption since the last piece: its beginning, its end, and what began it.
    let mut pause: Option<(f64, f64, Stretch)> = None;
    let mut open = false;
    for stretch in timeline {
        if stretch.state != State::Good {
            let (start, _, first) = pause.unwrap_or((stretch.start, stretch.end, *stretch));
            pause = Some((start, stretch.end, first));
            continue;
        }
        let piece = (stretch.start, stretch.end);
        match (out.last_mut(), pause.take()) {
            (Some(run), None) if open => run.pieces.push(piece),
            (Some(run), Some((start, end, first))) if open && bridges.allow(&first, end) => {
                run.bridged.push((start, end));
                run.pieces.push(piece);
            }
            (run, paused) => {
                if let (true, Some(run), Some((.., by))) = (open, run, paused) {
                    run.ended_by = Some(by);
                }
                out.push(Run { pieces: vec![piece], bridged: Vec::new(), ended_by: None });
            }
        }
        open = true;
    }
    if let (Some(run), Some((_, end, by))) = (out.last_mut(), pause)
        && !bridges.allow(&by, end)
    {
        run.ended_by = Some(by);
    }
    out
}

impl Run {
    /// Where it begins.
    pub(super) fn start(&self) -> f64 {
        self.pieces.first().map_or(0.0, |p| p.0)
    }

    /// Where its last counted part ends.
    pub(super) fn end(&self) -> f64 {
        self.pieces.last().map_or(0.0, |p| p.1)
    }

    /// How much of it counts.
    pub(super) fn counted(&self) -> f64 {
        self.pieces.iter().map(|(start, end)| end - start).sum()
    }

    /// When so much of it has counted.
    pub(super) fn reaches(&self, needed: f64) -> Option<f64> {
        let mut left = needed;
        for (start, end) in &self.pieces {
            if end - start >= left {
                return Some(start + left);
            }
            left -= end - start;
        }
        None
    }

    /// The part of it between two times.
    pub(super) fn within(&self, from: f64, to: f64) -> Run {
        let cut = |(start, end): &(f64, f64)| (start.max(from), end.min(to));
        let pieces = self.pieces.iter().map(cut).filter(|(start, end)| start < end).collect();
        Run { pieces, bridged: self.bridged.clone(), ended_by: self.ended_by }
    }
}
