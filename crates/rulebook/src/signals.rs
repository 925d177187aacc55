//! Figures over the readings of the probes at one position: newest, mean, slope, time above and their kin.
//!
//! Must never answer from a signal that has fallen silent, nor across hours without readings: the answer is then unknown.

use std::sync::Arc;

use pile::above::{Above, account};
use pile::slope::theil_sen;
use pile::time::{Span, Timestamp};
use pile::units::Celsius;
use pile::window::{CELL, Point};
use rhai::{ImmutableString, NativeCallContext};
use site::model::Position;
use site::quantity::Quantity;

use crate::fact::{Bounds, Fact, Kind, Trouble};
use crate::facts::Signal;
use crate::judgement::Judgement;
use crate::limits;

/// What may be asked of one signal.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Asked {
    Last,
    Mean,
    Min,
    Max,
    Slope,
    Spread,
    Change,
    Coverage,
    Ago,
}

/// The answer of one signal.
#[derive(Clone, Debug)]
pub(crate) struct Figure {
    value: Result<f64, ImmutableString>,
    bounds: Option<Bounds>,
    /// The newest reading behind it.
    newest: Option<Timestamp>,
    /// What it costs in steps.
    steps: u64,
}

/// The signals of one quantity at one position.
#[derive(Clone, Debug)]
pub(crate) struct SignalSet {
    judgement: Arc<Judgement>,
    quantity: Quantity,
    members: Arc<Vec<usize>>,
    /// How it is called, such as `core temperature`.
    said: ImmutableString,
}

/// An account of time above a threshold since on-air.
#[derive(Clone, Debug)]
pub(crate) struct TimeAbove {
    pub(crate) total: Fact,
    pub(crate) longest: Fact,
    pub(crate) current: Fact,
    pub(crate) coverage: Fact,
    pub(crate) first_reached: Fact,
    pub(crate) reached: Result<bool, ImmutableString>,
}

impl SignalSet {
    pub(crate) fn new(judgement: &Arc<Judgement>, quantity: Quantity, position: Option<Position>) -> SignalSet {
        let members = judgement.facts.signals.iter().enumerate();
        let members = members
            .filter(|(_, s)| s.quantity == quantity && position.is_none_or(|p| p == s.position))
            .map(|(index, _)| index)
            .collect();
        let said = match position {
            Some(position) => format!("{} {quantity}", position.key()),
            None => quantity.to_string(),
        };
        SignalSet { judgement: Arc::clone(judgement), quantity, members: Arc::new(members), said: said.into() }
    }

    pub(crate) fn count(&self) -> usize {
        self.members.len()
    }

    pub(crate) fn said(&self) -> ImmutableString {
        self.said.clone()
    }

    /// Whether there are probes and none of them is silent.
    pub(crate) fn all_heard(&self) -> bool {
        let at = self.judgement.facts.at;
        !self.members.is_empty() && self.signals().all(|(_, s)| fresh(s, at).is_ok())
    }

    /// The median over the probes; see [`SignalSet::pooled`].
    pub(crate) fn median(&self, context: &NativeCallContext, asked: Asked, span: Span) -> Result<Fact, Trouble> {
        let kind = match asked {
            Asked::Slope => Kind::of(self.quantity).rate(),
            Asked::Spread | Asked::Change => Kind::of(self.quantity).change(),
            Asked::Coverage => Kind::Share,
            _ => Kind::of(self.quantity),
        };
        self.pooled(context, asked, span, kind, middle)
    }

    /// The highest over the probes.
    pub(crate) fn highest(&self, context: &NativeCallContext, asked: Asked, span: Span) -> Result<Fact, Trouble> {
        self.pooled(context, asked, span, Kind::of(self.quantity), |v| v.last().copied())
    }

    /// The lowest over the probes.
    pub(crate) fn lowest(&self, context: &NativeCallContext, asked: Asked, span: Span) -> Result<Fact, Trouble> {
        let kind = if asked == Asked::Coverage { Kind::Share } else { Kind::of(self.quantity) };
        self.pooled(context, asked, span, kind, |v| v.first().copied())
    }

    /// How long ago the newest good reading was taken, of the probe heard last.
    pub(crate) fn age(&self) -> Fact {
        let at = self.judgement.facts.at;
        let newest = self.signals().filter_map(|(_, s)| newest(s, at)).map(|p| p.at).max();
        self.judgement.used(newest);
        match newest {
            Some(newest) => Fact::known(Kind::Time, at.since(newest).as_seconds()),
            None => Fact::unknown(Kind::Time, self.absent("no reading yet")),
        }
    }

    /// The account for a threshold that the header names under `time_above`; the least of the probes counts.
    pub(crate) fn time_above(&self, context: &NativeCallContext, threshold: &Fact) -> Result<TimeAbove, Trouble> {
        if self.quantity != Quantity::Temperature {
            return Err(Trouble::Wrong("time above is accounted for temperatures only".into()));
        }
        let limit = threshold.number()?;
        let declared = self.judgement.header.time_above.iter();
        let declared = declared.filter_map(|name| self.judgement.header.settings.get(name)).any(|s| s.value == limit);
        if !declared || threshold.kind != Kind::Temperature {
            return Err(Trouble::Wrong(
                "time above is accounted only for settings that the header names, as in `time_above: [\"hold\"]`"
                    .into(),
            ));
        }
        self.judgement.charge(context, 10)?;
        self.judgement.judged_against(threshold, Kind::Temperature);
        let at = self.judgement.facts.at;
        let accounts: Vec<&Above> = self
            .signals()
            .filter_map(|(_, s)| s.above.iter().find(|a| a.threshold() == Celsius(limit)))
            .filter(|a| a.newest().is_some())
            .collect();
        self.judgement.used(accounts.iter().filter_map(|a| a.newest()).map(|p| p.at).filter(|t| *t <= at).max());
        let least = |of: &dyn Fn(&Above) -> Span| {
            let seconds = accounts.iter().map(|a| of(a)).min().map(Span::as_seconds);
            seconds.map_or_else(
                || Fact::unknown(Kind::Time, self.absent("no reading since on-air")),
                |s| Fact::known(Kind::Time, s),
            )
        };
        let coverage = accounts.iter().filter_map(|a| a.coverage(at)).min_by(f64::total_cmp);
        let first: Option<Span> = accounts
            .iter()
            .map(|a| a.first_reached().map(|t| t.since(a.from())))
            .collect::<Option<Vec<_>>>()
            .and_then(|v| v.into_iter().max());
        Ok(TimeAbove {
            total: least(&|a| a.at_or_above()),
            longest: least(&|a| a.longest_run().map_or(Span::ZERO, |run| run.length)),
            current: least(&|a| a.current_run().map_or(Span::ZERO, |run| run.length)),
            coverage: coverage.map_or_else(
                || Fact::unknown(Kind::Share, self.absent("no reading since on-air")),
                |c| Fact::known(Kind::Share, c),
            ),
            first_reached: first.map_or_else(
                || Fact::unknown(Kind::Time, self.absent("not reached since on-air")),
                |span| Fact::known(Kind::Time, span.as_seconds()),
            ),
            reached: if accounts.is_empty() {
                Err(self.absent("no reading since on-air"))
            } else {
                Ok(first.is_some())
            },
        })
    }

    fn signals(&self) -> impl Iterator<Item = (usize, &Signal)> {
        self.members.iter().filter_map(|index| self.judgement.facts.signals.get(*index).map(|s| (*index, s)))
    }

    fn absent(&self, why: &str) -> ImmutableString {
        let why = if self.members.is_empty() { "there is no such probe" } else { why };
        format!("{}: {why}", self.said).into()
    }

    /// Asks every probe and pools the known answers, sorted, by `pick`; bounds of slopes are pooled likewise.
    fn pooled(
        &self,
        context: &NativeCallContext,
        asked: Asked,
        span: Span,
        kind: Kind,
        pick: fn(&[f64]) -> Option<f64>,
    ) -> Result<Fact, Trouble> {
        let judgement = &self.judgement;
        let (at, max_gap) = (judgement.facts.at, judgement.header.max_gap);
        let mut figures = Vec::new();
        for (index, signal) in self.signals() {
            let figure =
                judgement.memo.figure((index, asked, span, max_gap), || figure(signal, at, asked, span, max_gap));
            judgement.charge(context, figure.steps)?;
            figures.push(figure);
        }
        let known: Vec<&Figure> = figures.iter().filter(|f| f.value.is_ok()).collect();
        let pooled = |of: &dyn Fn(&Figure) -> Option<f64>| {
            let mut values: Vec<f64> = known.iter().filter_map(|f| of(f)).collect();
            values.sort_by(f64::total_cmp);
            pick(&values)
        };
        let Some(value) = pooled(&|f| f.value.as_ref().ok().copied()) else {
            let why = figures.iter().find_map(|f| f.value.as_ref().err());
            return Ok(Fact::unknown(kind, self.absent(why.map_or("", |why| why.as_str()))));
        };
        judgement.used(known.iter().filter_map(|f| f.newest).max());
        let low = pooled(&|f| f.bounds.map(|b| b.low));
        let high = pooled(&|f| f.bounds.map(|b| b.high));
        let points = known.iter().filter_map(|f| f.bounds.map(|b| b.points)).min();
        let bounds = match (low, high, points) {
            (Some(low), Some(high), Some(points)) => Some(Bounds { low, high, points }),
            _ => None,
        };
        Ok(Fact { kind, value: Ok(value), bounds })
    }
}

/// After this long without a good reading a signal is silent.
pub(crate) fn silent_after(interval: Span) -> Span {
    interval.times(limits::SILENT_INTERVALS).max(limits::SILENT_AT_LEAST)
}

/// The newest reading not later than the tick.
pub(crate) fn newest(signal: &Signal, at: Timestamp) -> Option<Point> {
    match signal.window.newest() {
        Some(point) if point.at > at => signal.window.range(Timestamp::MIN, at).next_back(),
        other => other,
    }
}

fn fresh(signal: &Signal, at: Timestamp) -> Result<Point, String> {
    match newest(signal, at) {
        None => Err("no reading yet".into()),
        Some(point) if at.since(point.at) > silent_after(signal.interval) => {
            Err(format!("no reading for {}", at.since(point.at)))
        }
        Some(point) => Ok(point),
    }
}

/// The middle value; the mean of the two in the middle of an even number.
fn middle(sorted: &[f64]) -> Option<f64> {
    let n = sorted.len();
    match (n, n % 2) {
        (0, _) => None,
        (_, 1) => sorted.get(n / 2).copied(),
        _ => Some((sorted.get(n / 2 - 1)? + sorted.get(n / 2)?) / 2.0),
    }
}

fn figure(signal: &Signal, at: Timestamp, asked: Asked, span: Span, max_gap: Span) -> Figure {
    let newest = match fresh(signal, at) {
        Ok(newest) => newest,
        // A coverage is known even of a silent signal: that is what it is asked for.
        Err(why) if asked != Asked::Coverage => {
            return Figure { value: Err(why.into()), bounds: None, newest: None, steps: 1 };
        }
        Err(_) => Point { at: Timestamp::MIN, value: 0.0 },
    };
    if asked == Asked::Last {
        return Figure { value: Ok(newest.value), bounds: None, newest: Some(newest.at), steps: 1 };
    }
    let from = at - span;
    // Neighbours beyond the edge take part in what lies inside: their segment is clipped there.
    let points: Vec<Point> = signal.window.range(from - max_gap, at).collect();
    let mut steps = points.len() as u64 + 1;
    let inside = &points[points.partition_point(|p| p.at < from)..];
    let covered = account(&points, from, at, Celsius(0.0), max_gap);
    let coverage = covered.coverage.unwrap_or(0.0);
    let lowest = inside.iter().map(|p| p.value).min_by(f64::total_cmp);
    let highest = inside.iter().map(|p| p.value).max_by(f64::total_cmp);
    let mut bounds = None;
    let value = match asked {
        Asked::Coverage => Ok(coverage),
        Asked::Ago | Asked::Change => {
            let then = value_at(&points, from, max_gap);
            then.map(|then| if asked == Asked::Ago { then } else { newest.value - then })
                .ok_or_else(|| format!("no reading near {span} ago"))
        }
        _ if coverage < limits::COVERED_AT_LEAST => Err(format!("readings cover less than half of the last {span}")),
        Asked::Mean => covered.mean.ok_or_else(|| format!("too few readings in the last {span}")),
        Asked::Min => lowest.ok_or_else(|| format!("no reading in the last {span}")),
        Asked::Max => highest.ok_or_else(|| format!("no reading in the last {span}")),
        Asked::Spread => {
            highest.zip(lowest).map(|(h, l)| h - l).ok_or_else(|| format!("no reading in the last {span}"))
        }
        Asked::Slope | Asked::Last => {
            let thinned = thinned(inside, from, span);
            // Pairs of points are compared and sorted: a fraction of a step each.
            steps += (thinned.len() * thinned.len() / 128) as u64;
            match theil_sen(&thinned) {
                Some(slope) if thinned.len() >= limits::SLOPE_POINTS_MIN => {
                    bounds = Some(Bounds { low: slope.low95, high: slope.high95, points: slope.n });
                    Ok(slope.per_day)
                }
                _ => Err(format!("fewer than {} readings in the last {span}", limits::SLOPE_POINTS_MIN)),
            }
        }
    };
    Figure { value: value.map_err(Into::into), bounds, newest: Some(newest.at).filter(|t| *t > Timestamp::MIN), steps }
}

/// The value at an instant, on the straight line between its neighbours, if they are no further apart than a gap may be.
fn value_at(points: &[Point], at: Timestamp, max_gap: Span) -> Option<f64> {
    let after = points.partition_point(|p| p.at < at);
    let right = points.get(after)?;
    if right.at == at {
        return Some(right.value);
    }
    let left = points.get(after.checked_sub(1)?)?;
    let apart = right.at.since(left.at);
    if apart > max_gap {
        return None;
    }
    let share = at.since(left.at).as_seconds() / apart.as_seconds();
    Some(left.value + (right.value - left.value) * share)
}

/// One point for each equal length of time, the median at the mean time of its readings: a slope then weighs every hour alike,
/// however often the probe reads, and its cost is bounded.
fn thinned(points: &[Point], from: Timestamp, span: Span) -> Vec<Point> {
    let share = |n: i64| Span::millis(span.as_millis() / n);
    let cell = share(limits::SLOPE_POINTS_MAX).max(share(limits::SLOPE_POINTS_MIN_WANTED).min(CELL)).as_millis().max(1);
    let cell_of = |p: &Point| p.at.since(from).as_millis() / cell;
    points
        .chunk_by(|a, b| cell_of(a) == cell_of(b))
        .filter_map(|cell| {
            let mut values: Vec<f64> = cell.iter().map(|p| p.value).collect();
            values.sort_by(f64::total_cmp);
            let mean_ms = cell.iter().map(|p| p.at.since(from).as_millis()).sum::<i64>() / cell.len() as i64;
            Some(Point { at: from + Span::millis(mean_ms), value: middle(&values)? })
        })
        .collect()
}
