//! Figures over the readings of the probes at one position: newest, mean, slope, time above and their kin.
//!
//! Must never answer from a signal that has fallen silent, nor across hours without readings: the answer is then unknown.

use std::sync::Arc;

use pile::above::{Above, account};
use pile::days::DayFigures;
use pile::slope::theil_sen;
use pile::time::{Span, Timestamp};
use pile::units::Celsius;
use pile::window::{CELL, Point};
use rhai::{ImmutableString, NativeCallContext};
use site::model::Position;
use site::quantity::Quantity;
use site::reading::Source;

use crate::fact::{Bounds, Fact, Kind, Trouble};
use crate::facts::{Signal, in_material};
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

/// Over which time a figure is asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Over {
    /// How long.
    pub(crate) span: Span,
    /// How long ago it ended.
    pub(crate) ago: Span,
}

/// On which side of a limit time is counted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Side {
    Above,
    Below,
}

/// Which of the probes in the material is picked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum End {
    Coldest,
    Hottest,
}

impl Over {
    /// The time up to now.
    pub(crate) fn last(span: Span) -> Over {
        Over { span, ago: Span::ZERO }
    }

    fn said(self) -> String {
        match self.ago {
            Span::ZERO => format!("the last {}", self.span),
            ago => format!("the {} that ended {ago} ago", self.span),
        }
    }
}

/// The answer of one signal.
#[derive(Clone, Debug)]
pub(crate) struct Figure {
    value: Result<f64, ImmutableString>,
    bounds: Option<Bounds>,
    /// The newest reading behind it.
    newest: Option<Timestamp>,
}

/// The signals of one quantity at one position.
#[derive(Clone, Debug)]
pub(crate) struct SignalSet {
    judgement: Arc<Judgement>,
    quantity: Quantity,
    members: Arc<Vec<usize>>,
    /// Those that must be heard for [`SignalSet::all_heard`]: more than the members where one of many was picked.
    watched: Arc<Vec<usize>>,
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
    /// How long after on-air the longest run began.
    pub(crate) longest_began: Fact,
    pub(crate) reached: Result<bool, ImmutableString>,
}

impl SignalSet {
    pub(crate) fn new(judgement: &Arc<Judgement>, quantity: Quantity, position: Option<Position>) -> SignalSet {
        let said = match position {
            Some(position) => format!("{} {quantity}", position.key()),
            None => quantity.to_string(),
        };
        SignalSet::of(judgement, quantity, said, |s| {
            s.position.is_some() && position.is_none_or(|p| Some(p) == s.position)
        })
    }

    /// One probe's signal; the site may not have such a probe in this bin.
    pub(crate) fn of_probe(judgement: &Arc<Judgement>, quantity: Quantity, id: &str) -> SignalSet {
        SignalSet::of(
            judgement,
            quantity,
            format!("{id} {quantity}"),
            |s| matches!(&s.source, Source::Probe(probe) if probe.as_str() == id),
        )
    }

    /// What the blower measures of its own air.
    pub(crate) fn of_blower(judgement: &Arc<Judgement>, quantity: Quantity) -> SignalSet {
        SignalSet::of(judgement, quantity, format!("blower {quantity}"), |s| matches!(s.source, Source::Blower(_)))
    }

    /// Every probe of a quantity in the material: what a room or the weather is like says nothing of the pile.
    pub(crate) fn in_material(judgement: &Arc<Judgement>, quantity: Quantity) -> SignalSet {
        SignalSet::of(judgement, quantity, quantity.to_string(), |s| s.position.is_some_and(in_material))
    }

    /// The same, and in the exhaust, which has been through the pile.
    pub(crate) fn of_pile_air(judgement: &Arc<Judgement>, quantity: Quantity) -> SignalSet {
        SignalSet::of(judgement, quantity, quantity.to_string(), |s| {
            s.position.is_some_and(|position| in_material(position) || (position == Position::Exhaust && !s.site_wide))
        })
    }

    /// Every temperature probe in the material.
    pub(crate) fn in_pile(judgement: &Arc<Judgement>) -> SignalSet {
        SignalSet::of(judgement, Quantity::Temperature, "pile temperature".into(), |s| {
            s.position.is_some_and(in_material)
        })
    }

    /// The one probe in the material that reads the most (or the least) now; all of them while none is heard.
    pub(crate) fn extreme(judgement: &Arc<Judgement>, end: End) -> SignalSet {
        let all = SignalSet::in_pile(judgement);
        judgement.spend(limits::GATHERING * all.members.len() as u64);
        let heard = all.signals().filter_map(|(index, _)| {
            let newest = all.seen(index)?.fresh().ok()?;
            Some((index, newest.value))
        });
        let (word, picked) = match end {
            End::Coldest => ("coldest", heard.min_by(|a, b| a.1.total_cmp(&b.1))),
            // Of two that are equal the first one, as for the coldest.
            End::Hottest => ("hottest", heard.reduce(|a, b| if b.1 > a.1 { b } else { a })),
        };
        let Some((index, _)) = picked else { return SignalSet { said: format!("{word} probe").into(), ..all } };
        let place = judgement.facts.signal(index).and_then(|s| s.position).map_or("", Position::key);
        SignalSet { members: Arc::new(vec![index]), said: format!("{word} probe ({place})").into(), ..all }
    }

    fn of(judgement: &Arc<Judgement>, quantity: Quantity, said: String, fits: impl Fn(&Signal) -> bool) -> SignalSet {
        let all = judgement.facts.all_signals().enumerate();
        judgement.spend(limits::GATHERING + all.size_hint().0 as u64 / 4);
        let members: Vec<usize> =
            all.filter(|(_, s)| s.quantity == quantity && fits(s)).map(|(index, _)| index).collect();
        let members = Arc::new(members);
        let (judgement, watched) = (Arc::clone(judgement), Arc::clone(&members));
        SignalSet { judgement, quantity, members, watched, said: said.into() }
    }

    pub(crate) fn count(&self) -> usize {
        self.members.len()
    }

    pub(crate) fn said(&self) -> ImmutableString {
        self.said.clone()
    }

    /// Whether there are probes and none of them is silent.
    pub(crate) fn all_heard(&self) -> bool {
        self.judgement.spend(limits::GATHERING * self.watched.len() as u64);
        !self.watched.is_empty() && self.watched.iter().all(|i| self.seen(*i).is_some_and(|s| s.fresh().is_ok()))
    }

    /// The median over the probes; see [`SignalSet::pooled`].
    pub(crate) fn median(&self, context: &NativeCallContext, asked: Asked, over: Over) -> Result<Fact, Trouble> {
        let kind = match asked {
            Asked::Slope => Kind::of(self.quantity).rate(),
            Asked::Spread | Asked::Change => Kind::of(self.quantity).change(),
            Asked::Coverage => Kind::Share,
            _ => Kind::of(self.quantity),
        };
        self.pooled(context, asked, over, kind, middle_of)
    }

    /// The highest over the probes.
    pub(crate) fn highest(&self, context: &NativeCallContext, asked: Asked, over: Over) -> Result<Fact, Trouble> {
        self.pooled(context, asked, over, Kind::of(self.quantity), |v| v.last().copied())
    }

    /// The lowest over the probes.
    pub(crate) fn lowest(&self, context: &NativeCallContext, asked: Asked, over: Over) -> Result<Fact, Trouble> {
        let kind = if asked == Asked::Coverage { Kind::Share } else { Kind::of(self.quantity) };
        self.pooled(context, asked, over, kind, |v| v.first().copied())
    }

    /// How long ago the newest good reading was taken, of the probe heard last.
    pub(crate) fn age(&self) -> Fact {
        self.judgement.spend(limits::GATHERING * self.members.len() as u64);
        let at = self.judgement.facts.at;
        let newest = self.members.iter().filter_map(|i| self.seen(*i)?.newest()).map(|p| p.at).max();
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
        self.judgement.charge(context, limits::GATHERING * (1 + self.members.len() as u64))?;
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
        // Of the probe whose longest run is the shortest, as for its length; no run, no beginning.
        let began = accounts
            .iter()
            .map(|a| a.longest_run().map(|run| (run.length, run.from.since(a.from()))))
            .min()
            .flatten()
            .map(|(_, began)| began);
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
            longest_began: began.map_or_else(
                || Fact::unknown(Kind::Time, self.absent("no run since on-air")),
                |span| Fact::known(Kind::Time, span.as_seconds()),
            ),
            reached: if accounts.is_empty() {
                Err(self.absent("no reading since on-air"))
            } else {
                Ok(first.is_some())
            },
        })
    }

    /// Time at or above a limit within a window, or at or below it. The lowest probe counts: heat is proven only where every
    /// probe shows it, and cold where one does.
    pub(crate) fn time_beyond(
        &self,
        context: &NativeCallContext,
        side: Side,
        limit: &Fact,
        span: Span,
    ) -> Result<TimeAbove, Trouble> {
        let kind = Kind::of(self.quantity);
        if limit.kind != kind && limit.kind != Kind::Number {
            return Err(Trouble::Wrong(format!("the limit is not of the kind of {}; write its unit", self.said)));
        }
        let sign = if side == Side::Above { 1.0 } else { -1.0 };
        let threshold = Celsius(sign * limit.number()?);
        self.judgement.judged_against(limit, kind);
        let (at, max_gap) = (self.judgement.facts.at, self.judgement.header.max_gap);
        let mut why = self.absent("no reading yet");
        let mut accounts: Vec<Above> = vec![];
        for index in self.members.iter() {
            let Some(seen) = self.seen(*index) else { continue };
            match seen.fresh() {
                Err(silent) => why = self.absent(&silent),
                Ok(newest) => {
                    let from = at - span;
                    let read = seen.signal.window.count(from - max_gap, at) as u64;
                    self.judgement.charge(context, limits::GATHERING + 2 * read / limits::POINTS_A_STEP)?;
                    let points = seen.points(from - max_gap, at);
                    self.judgement.used(Some(newest.at));
                    // What lies across the edge counts from the edge on.
                    let edge = value_at(&points, from, max_gap).map(|value| Point { at: from, value });
                    let inside = edge.into_iter().chain(points.iter().copied().filter(|p| p.at > from));
                    let signed: Vec<Point> = inside.map(|p| Point { value: sign * p.value, ..p }).collect();
                    accounts.push(Above::from_history(threshold, max_gap, from, &signed));
                }
            }
        }
        let time = |of: &dyn Fn(&Above) -> Span| {
            let all = accounts.iter().map(of);
            let counted = if side == Side::Above { all.min() } else { all.max() };
            counted.map_or_else(|| Fact::unknown(Kind::Time, why.clone()), |s| Fact::known(Kind::Time, s.as_seconds()))
        };
        let reached = accounts.iter().map(|a| a.first_reached().is_some());
        let reached = if side == Side::Above { reached.min() } else { reached.max() };
        let coverage = accounts.iter().filter_map(|a| a.coverage(at)).min_by(f64::total_cmp);
        Ok(TimeAbove {
            total: time(&Above::at_or_above),
            longest: time(&|a| a.longest_run().map_or(Span::ZERO, |run| run.length)),
            current: time(&|a| a.current_run().map_or(Span::ZERO, |run| run.length)),
            coverage: coverage.map_or_else(|| Fact::unknown(Kind::Share, why.clone()), |c| Fact::known(Kind::Share, c)),
            first_reached: Fact::unknown(Kind::Time, "only an account since on-air knows when it was first reached"),
            longest_began: Fact::unknown(Kind::Time, "only an account since on-air knows when a run began"),
            reached: reached.ok_or_else(|| why.clone()),
        })
    }

    /// Now less what it was at an entry of the log.
    pub(crate) fn change_since(
        &self,
        context: &NativeCallContext,
        word: &str,
        entry: Option<Timestamp>,
    ) -> Result<Fact, Trouble> {
        let kind = Kind::of(self.quantity).change();
        let Some(entry) = entry else {
            return Ok(Fact::unknown(kind, format!("the log has no `{word}` since on-air")));
        };
        let ago = self.judgement.facts.at.since(entry);
        if ago > self.judgement.header.window {
            return Ok(Fact::unknown(kind, format!("`{word}` was {ago} ago, further back than this rule looks")));
        }
        if ago <= Span::ZERO {
            return Ok(Fact::unknown(kind, format!("`{word}` has only just been written")));
        }
        self.median(context, Asked::Change, Over::last(ago))
    }

    /// The mean of a day of the batch, or its high; the first day begins at on-air.
    pub(crate) fn on_day(&self, number: f64, pick: fn(&DayFigures) -> f64) -> Fact {
        let kind = Kind::of(self.quantity);
        let Some(batch) = &self.judgement.facts.batch else {
            return Fact::unknown(kind, "there is no batch in the bin");
        };
        if !(1.0..=1e4).contains(&number) {
            return Fact::unknown(kind, "days are counted from 1");
        }
        let Some(on_air) = batch.on_air_at else {
            return Fact::unknown(kind, "the batch is not on air yet");
        };
        self.judgement.spend(limits::GATHERING * self.members.len() as u64);
        let middle = on_air + Span::from_seconds_f64((number - 0.5) * 86_400.0);
        if middle + Span::hours(12) > self.judgement.facts.at {
            return Fact::unknown(kind, format!("day {number} is not over yet"));
        }
        let days = self.signals().filter_map(|(_, s)| s.days.as_ref()?.on(middle));
        let mut values: Vec<f64> = days.map(|day| pick(&day)).collect();
        values.sort_by(f64::total_cmp);
        match middle_of(&values) {
            Some(value) => Fact::known(kind, value),
            None => Fact::unknown(kind, self.absent(&format!("too few readings on day {number}"))),
        }
    }

    fn signals(&self) -> impl Iterator<Item = (usize, &Signal)> {
        self.members.iter().filter_map(|index| self.judgement.facts.signal(*index).map(|s| (*index, s)))
    }

    fn seen(&self, index: usize) -> Option<Seen<'_>> {
        let facts = &self.judgement.facts;
        facts.signal(index).map(|signal| Seen { signal, out: facts.out(signal), at: facts.at })
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
        over: Over,
        kind: Kind,
        pick: fn(&[f64]) -> Option<f64>,
    ) -> Result<Fact, Trouble> {
        let judgement = &self.judgement;
        let max_gap = judgement.header.max_gap;
        let mut figures = Vec::new();
        for index in self.members.iter() {
            let Some(seen) = self.seen(*index) else { continue };
            judgement.charge(context, seen.cost(asked, over, max_gap))?;
            figures.push(judgement.memo.figure((*index, asked, over, max_gap), || seen.figure(asked, over, max_gap)));
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

/// A signal as it is seen at a tick: without what it sent while its probe was not in the material.
struct Seen<'f> {
    signal: &'f Signal,
    out: &'f [(Timestamp, Timestamp)],
    at: Timestamp,
}

impl Seen<'_> {
    fn counts(&self, at: Timestamp) -> bool {
        // They follow each other and do not overlap: only the newest that began before can hold the instant.
        let begun = self.out.partition_point(|(from, _)| *from < at);
        self.out[..begun].last().is_none_or(|(_, until)| at >= *until)
    }

    fn newest(&self) -> Option<Point> {
        match newest(self.signal, self.at) {
            Some(point) if !self.counts(point.at) => self.newest_before(point.at),
            other => other,
        }
    }

    /// The newest reading from before the stretches without material that reach to this instant. It goes from stretch to stretch and
    /// not from reading to reading.
    fn newest_before(&self, at: Timestamp) -> Option<Point> {
        let mut at = at;
        for (from, _) in self.out[..self.out.partition_point(|(from, _)| *from < at)].iter().rev() {
            let before = self.signal.window.range(Timestamp::MIN, *from).next_back()?;
            at = before.at;
            if self.counts(at) {
                return Some(before);
            }
        }
        None
    }

    /// The newest reading, or why the signal says nothing of the present.
    fn fresh(&self) -> Result<Point, String> {
        let begun = self.out.partition_point(|(from, _)| *from < self.at);
        if let Some((from, until)) = self.out[..begun].last().filter(|(_, until)| self.at < *until) {
            return Err(match *until {
                Timestamp::MAX => format!("the probes have been out of the material for {}", self.at.since(*from)),
                _ => "the probes are back and still warming up".into(),
            });
        }
        match self.newest() {
            None => Err("no reading yet".into()),
            Some(point) if self.at.since(point.at) > silent_after(self.signal.interval) => {
                Err(format!("no reading for {}", self.at.since(point.at)))
            }
            Some(point) => Ok(point),
        }
    }

    /// What [`Seen::figure`] costs in steps, told without doing it.
    fn cost(&self, asked: Asked, over: Over, max_gap: Span) -> u64 {
        let to = self.at - over.ago;
        let from = to - over.span;
        let points = |from, to| self.signal.window.count(from, to) as u64;
        match asked {
            Asked::Last => limits::GATHERING,
            Asked::Slope => {
                let most = u64::try_from(over.span.as_millis() / cell_of(over.span)).unwrap_or(0) + 1;
                let thinned = points(from, to).min(most);
                let read = points(from - max_gap, self.at.min(to + max_gap));
                limits::GATHERING + read / limits::POINTS_A_STEP + thinned * thinned / limits::PAIRS_A_STEP
            }
            _ => limits::GATHERING + points(from - max_gap, self.at.min(to + max_gap)) / limits::POINTS_A_STEP,
        }
    }

    fn points(&self, from: Timestamp, to: Timestamp) -> Vec<Point> {
        self.signal.window.range(from, to).filter(|p| self.counts(p.at)).collect()
    }

    fn figure(&self, asked: Asked, over: Over, max_gap: Span) -> Figure {
        let span = over.span;
        let newest = match self.fresh() {
            Ok(newest) => newest,
            // A coverage is known even of a silent signal: that is what it is asked for.
            Err(why) if asked != Asked::Coverage => {
                return Figure { value: Err(why.into()), bounds: None, newest: None };
            }
            Err(_) => Point { at: Timestamp::MIN, value: 0.0 },
        };
        if asked == Asked::Last {
            return Figure { value: Ok(newest.value), bounds: None, newest: Some(newest.at) };
        }
        let to = self.at - over.ago;
        let from = to - span;
        // Neighbours beyond the edges take part in what lies inside: their segment is clipped there.
        let points: Vec<Point> = self.points(from - max_gap, self.at.min(to + max_gap));
        let inside = &points[points.partition_point(|p| p.at < from)..points.partition_point(|p| p.at <= to)];
        let covered = account(&points, from, to, Celsius(0.0), max_gap);
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
            _ if coverage < limits::COVERED_AT_LEAST => {
                Err(format!("readings cover less than half of {}", over.said()))
            }
            Asked::Mean => covered.mean.ok_or_else(|| format!("too few readings in {}", over.said())),
            Asked::Min => lowest.ok_or_else(|| format!("no reading in {}", over.said())),
            Asked::Max => highest.ok_or_else(|| format!("no reading in {}", over.said())),
            Asked::Spread => {
                highest.zip(lowest).map(|(h, l)| h - l).ok_or_else(|| format!("no reading in {}", over.said()))
            }
            Asked::Slope | Asked::Last => {
                let thinned = thinned(inside, from, span);
                match theil_sen(&thinned) {
                    Some(slope) if thinned.len() >= limits::SLOPE_POINTS_MIN => {
                        bounds = Some(Bounds { low: slope.low95, high: slope.high95, points: slope.n });
                        Ok(slope.per_day)
                    }
                    _ => Err(format!("fewer than {} readings in {}", limits::SLOPE_POINTS_MIN, over.said())),
                }
            }
        };
        Figure { value: value.map_err(Into::into), bounds, newest: Some(newest.at).filter(|t| *t > Timestamp::MIN) }
    }
}

/// The newest reading not later than the tick, whether its probe was in the material or not.
pub(crate) fn newest(signal: &Signal, at: Timestamp) -> Option<Point> {
    match signal.window.newest() {
        Some(point) if point.at > at => signal.window.range(Timestamp::MIN, at).next_back(),
        other => other,
    }
}

/// The middle value; the mean of the two in the middle of an even number.
pub(crate) fn middle_of(sorted: &[f64]) -> Option<f64> {
    let n = sorted.len();
    match (n, n % 2) {
        (0, _) => None,
        (_, 1) => sorted.get(n / 2).copied(),
        _ => Some((sorted.get(n / 2 - 1)? + sorted.get(n / 2)?) / 2.0),
    }
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
    let cell = cell_of(span);
    let cell_of = |p: &Point| p.at.since(from).as_millis() / cell;
    points
        .chunk_by(|a, b| cell_of(a) == cell_of(b))
        .filter_map(|cell| {
            let mut values: Vec<f64> = cell.iter().map(|p| p.value).collect();
            values.sort_by(f64::total_cmp);
            let mean_ms = cell.iter().map(|p| p.at.since(from).as_millis()).sum::<i64>() / cell.len() as i64;
            Some(Point { at: from + Span::millis(mean_ms), value: middle_of(&values)? })
        })
        .collect()
}

/// How many milliseconds one point of a slope over this time stands for.
fn cell_of(span: Span) -> i64 {
    let share = |n: i64| Span::millis(span.as_millis() / n);
    share(limits::SLOPE_POINTS_MAX).max(share(limits::SLOPE_POINTS_MIN_WANTED).min(CELL)).as_millis().max(1)
}
