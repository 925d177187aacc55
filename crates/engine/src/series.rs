//! What the engine keeps of each series: the recent window, the health of its source, the accounts of time above thresholds.
//!
//! Must never let a reading that cannot be true, or a late one, stand for the present.

use std::sync::Arc;

use pile::above::Above;
use pile::days::Days;
use pile::time::{Span, Timestamp};
use pile::units::{Celsius, Readable};
use pile::window::{Absorbed, Point, Window};
use site::ids::BinId;
use site::instruments::correction;
use site::judge::Check;
use site::model::{Blower, Position, Probe, RunProof};
use site::quantity::{Quantity, Unit};
use site::reading::{Quality, Reading, TimeSource};

use crate::limits;

/// One series at the present.
#[derive(Debug)]
pub(crate) struct Series {
    /// The bin it is in; `None` for site-wide probes and blowers.
    pub(crate) bin: Option<BinId>,
    /// Where the probe sits; `None` for a blower.
    pub(crate) position: Option<Position>,
    /// The longest time between two readings when all is well.
    pub(crate) interval: Span,
    /// Good readings.
    pub(crate) window: Arc<Window>,
    /// When anything came last, good or not, on time.
    pub(crate) heard_at: Option<Timestamp>,
    /// Suspect or bad readings in a row.
    pub(crate) bad_in_a_row: u32,
    /// The newest of those.
    pub(crate) last_bad: Option<(Timestamp, f64)>,
    /// Accounts since on-air.
    pub(crate) above: Arc<Vec<Above>>,
    /// Its days, where they are kept.
    pub(crate) days: Option<Arc<Days>>,
    /// How far its probe was found to be off, where this is its temperature.
    pub(crate) checks: Arc<Vec<Check>>,
    /// Readings from before this are of another place that the probe was in.
    pub(crate) here_since: Timestamp,
    /// When its probe was not in the material.
    pub(crate) out: Arc<Vec<(Timestamp, Timestamp)>>,
    /// The newest reading that showed the blower running, where this is its sampled proof signal.
    pub(crate) ran_at: Option<Timestamp>,
    /// Above this the blower runs, where this is its sampled proof signal.
    on_above: Option<f64>,
    /// The accounts end here: the batch went off air.
    pub(crate) counted_until: Option<Timestamp>,
    range: (f64, f64),
    power_on_85: bool,
    place: String,
    /// The newest reading without a time of its own, to know it again when it is delivered twice.
    newest_untimed: Option<(Timestamp, f64)>,
    /// The newest time that its source itself gave.
    newest_claim: Option<Timestamp>,
    /// How its readings trail behind their own times.
    trail: Trail,
}

/// How readings trail behind the times that their source gives, to know a wrong clock from a backlog: a backlog comes faster than it was
/// measured, and a clock that is wrong is wrong by the same time always.
#[derive(Clone, Copy, Debug, Default)]
struct Trail {
    /// When the last one came in, and when it claims to be measured.
    last: Option<(Timestamp, Timestamp)>,
    /// Readings in a row that came as far apart as they were measured, and when the first of them came in.
    steady: Option<(u32, Timestamp)>,
}

impl Trail {
    fn follow(&mut self, reading: &Reading) {
        let (received, measured) = (reading.received_at, reading.measured_at);
        let as_measured = self.last.is_some_and(|(before, claimed)| {
            let (came, claims) = (received.since(before), measured.since(claimed));
            let tolerance = limits::STEADY_WITHIN.max(Span::millis(came.as_millis() / 10));
            // One that comes sooner than it was measured was held back and is given out now.
            claims > Span::ZERO && came.times(10) >= claims.times(9) && came <= claims + tolerance
        });
        self.steady = match self.steady.filter(|_| as_measured) {
            Some((count, since)) => Some((count.saturating_add(1), since)),
            None => Some((1, received)),
        };
        self.last = Some((received, measured));
    }

    fn is_steady(&self) -> bool {
        self.last.zip(self.steady).is_some_and(|((received, _), (count, since))| {
            count >= limits::STEADY_READINGS && received.since(since) >= limits::STEADY_FOR
        })
    }
}

/// What became of a reading.
#[derive(Debug, PartialEq)]
pub(crate) enum Taken {
    /// Keep it.
    Kept {
        /// Whether it may be believed.
        quality: Quality,
        /// Why not good.
        reason: String,
        /// The accounts of time above must be made again from history.
        recount: Recount,
    },
    /// It came twice; there is nothing to keep.
    Repeat,
}

/// Whether accounts of time above still stand.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Recount {
    /// They do.
    No,
    /// A late reading fell into their time.
    Needed,
}

impl Series {
    /// A series of a probe.
    pub(crate) fn of_probe(probe: &Probe, quantity: Quantity, reach: Span) -> Series {
        let mut series = Series::new(quantity, probe.interval, &probe.place, reach);
        series.bin.clone_from(&probe.bin);
        series.position = Some(probe.position);
        if quantity == Quantity::Temperature {
            // The range in the settings is given for what the probe mainly measures, its temperature.
            series.range = probe.range;
            series.power_on_85 = probe.power_on_85;
        }
        series
    }

    /// A series of a blower.
    pub(crate) fn of_blower(blower: &Blower, quantity: Quantity, reach: Span) -> Series {
        let mut series = Series::new(quantity, blower.interval, &blower.place, reach);
        if matches!(quantity, Quantity::Flow | Quantity::Pressure | Quantity::Current) {
            series.days = Some(Arc::new(Days::new(Timestamp::from_millis(0))));
        }
        if let RunProof::Signal { quantity: proof, on_above } = blower.proof
            && proof == quantity
        {
            series.on_above = Some(on_above);
        }
        series
    }

    fn new(quantity: Quantity, interval: Span, place: &str, reach: Span) -> Series {
        Series {
            bin: None,
            position: None,
            interval,
            window: Arc::new(Window::new(reach)),
            heard_at: None,
            bad_in_a_row: 0,
            last_bad: None,
            above: Arc::new(Vec::new()),
            days: None,
            checks: Arc::default(),
            here_since: Timestamp::MIN,
            out: Arc::default(),
            ran_at: None,
            on_above: None,
            counted_until: None,
            range: quantity.default_range(),
            power_on_85: false,
            place: place.to_owned(),
            newest_untimed: None,
            newest_claim: None,
            trail: Trail::default(),
        }
    }

    /// Whether time above thresholds is accounted for this series.
    ///
    /// Only probes in the material count: air in ducts and the cover layer say nothing about the heat that the material was held at.
    pub(crate) fn is_in_pile(&self) -> bool {
        matches!(self.position, Some(Position::Base | Position::Core | Position::Upper))
    }

    /// After how long a reading is late for live use.
    pub(crate) fn late_after(&self) -> Span {
        limits::LATE_AFTER.max(self.interval.times(3))
    }

    /// Takes a reading in; says what is to be kept. `counts_at` is when it counts as measured where its own time does not say so: the
    /// machine's clock was set back.
    pub(crate) fn take(&mut self, reading: &mut Reading, counts_at: Option<Timestamp>) -> Taken {
        if let Some(counts_at) = counts_at {
            self.keep_order(reading, counts_at);
        }
        let untimed = reading.time_source != TimeSource::Device;
        if untimed && self.is_second_delivery(reading) {
            return Taken::Repeat;
        }
        match untimed {
            true => self.newest_untimed = Some((reading.received_at, reading.value)),
            false => self.newest_claim = self.newest_claim.max(Some(reading.measured_at)),
        }
        if !untimed {
            self.trail.follow(reading);
        }
        let at = self.came_fresh(reading).or(counts_at).unwrap_or(reading.measured_at);
        let on_time = reading.received_at.since(at) <= self.late_after();
        if on_time && self.heard_at.is_none_or(|heard| heard < at) {
            self.heard_at = Some(at);
        }
        if let Some((quality, reason)) = self.doubt(reading) {
            self.bad_in_a_row = self.bad_in_a_row.saturating_add(1);
            self.last_bad = Some((at, reading.value));
            return Taken::Kept { quality, reason, recount: Recount::No };
        }
        let point = self.corrected(Point { at, value: reading.value });
        if point.at < self.here_since {
            // It is of the place that the probe was in before; history keeps it for that.
            return Taken::Kept { quality: Quality::Good, reason: String::new(), recount: Recount::No };
        }
        let absorbed = Arc::make_mut(&mut self.window).absorb(point);
        if absorbed == Absorbed::Repeat {
            return Taken::Repeat;
        }
        if absorbed == Absorbed::Newest {
            self.bad_in_a_row = 0;
        }
        if self.on_above.is_some_and(|limit| point.value > limit) {
            self.ran_at = self.ran_at.max(Some(point.at));
        }
        // A second value for the same instant is not told from the first here once the hour is over: the store decides, and keeps
        // the first. The accounts are made again in any case where time went backwards.
        let recount = if absorbed == Absorbed::Conflict { Recount::No } else { self.account(point) };
        Taken::Kept { quality: Quality::Good, reason: String::new(), recount }
    }

    /// A reading that seems late and is not: its source's readings come as they are measured, and by the same time too late always, so one of
    /// the two clocks is wrong. It counts when it comes.
    fn came_fresh(&self, reading: &Reading) -> Option<Timestamp> {
        let fresh = self.trails_by(reading.received_at).is_some() && reading.time_source == TimeSource::Device;
        fresh.then_some(reading.received_at)
    }

    /// By how much its readings are too late always, if its newest one at `now` is of that kind.
    pub(crate) fn trails_by(&self, now: Timestamp) -> Option<Span> {
        let (received, measured) = self.trail.last?;
        let behind = received.since(measured);
        let lately = now.since(received) <= self.late_after();
        (lately && behind > self.late_after() && self.trail.is_steady()).then_some(behind)
    }

    /// Whether its newest reading is of lately and carried a time that is not late.
    pub(crate) fn comes_in_time(&self, now: Timestamp) -> bool {
        self.trail.last.is_some_and(|(received, measured)| {
            now.since(received) <= self.late_after() && received.since(measured) <= self.late_after()
        })
    }

    /// A source whose fresh readings go back behind its own earlier ones was set back together with the machine: it would claim
    /// instants for the second time. What comes then is kept under the time at which it came.
    fn keep_order(&mut self, reading: &mut Reading, counts_at: Timestamp) {
        let fresh = reading.received_at.since(counts_at) <= limits::DEVICE_AHEAD_MOST;
        // The newest claim itself is a message that came twice.
        if fresh && self.newest_claim.is_some_and(|claim| reading.measured_at < claim) {
            reading.measured_at = counts_at;
            reading.time_source = TimeSource::DeviceClockWrong;
        }
    }

    /// Puts back the window that the store filled from good readings.
    pub(crate) fn restore(&mut self, window: Window) {
        self.heard_at = self.heard_at.max(window.newest().map(|p| p.at));
        self.newest_claim = self.heard_at;
        self.window = match self.checks.is_empty() && self.here_since == Timestamp::MIN {
            true => Arc::new(window),
            false => self.window_of(&window, |point| self.corrected(point)),
        };
    }

    /// Its probe is somewhere else now.
    pub(crate) fn move_to(&mut self, bin: Option<BinId>, position: Position) {
        self.bin = bin;
        self.position = Some(position);
        self.above = Arc::default();
        self.out = Arc::default();
        self.counted_until = None;
    }

    /// Takes over what is known of its probe now: how far it was off when, and since when it is where it is.
    pub(crate) fn learn(&mut self, checks: &Arc<Vec<Check>>, here_since: Timestamp) {
        if self.checks == *checks && self.here_since == here_since {
            return;
        }
        let before = std::mem::replace(&mut self.checks, Arc::clone(checks));
        self.here_since = here_since;
        let again = |point: Point| {
            let change = correction(&self.checks, point.at) - correction(&before, point.at);
            if change == 0.0 { point } else { Point { value: point.value + change, ..point } }
        };
        self.window = self.window_of(&self.window, again);
    }

    fn window_of(&self, window: &Window, made: impl Fn(Point) -> Point) -> Arc<Window> {
        let mut new = Window::new(window.reach());
        for point in window.range(self.here_since.max(Timestamp::from_millis(0)), Timestamp::MAX) {
            new.absorb(made(point));
        }
        Arc::new(new)
    }

    /// A reading with the correction that its probe's last check before it asks for.
    fn corrected(&self, point: Point) -> Point {
        // A reading that nothing corrects stays as it is, to the last digit.
        match correction(&self.checks, point.at) {
            0.0 => point,
            add => Point { value: point.value + add, ..point },
        }
    }

    /// Begins the accounts anew, empty.
    pub(crate) fn reset_accounts(&mut self, thresholds: &[Celsius], from: Timestamp) {
        self.above = Arc::new(thresholds.iter().map(|t| Above::new(*t, limits::GAP_BRIDGED, from)).collect());
        self.days = Some(Arc::new(Days::new(from)));
    }

    /// Keeps readings for longer from now on.
    pub(crate) fn widen(&mut self, reach: Span) {
        let mut wider = Window::new(reach);
        for point in self.window.range(Timestamp::from_millis(0), Timestamp::MAX) {
            wider.absorb(point);
        }
        self.window = Arc::new(wider);
    }

    /// Makes the accounts from history, then adds what came while it was read.
    pub(crate) fn recount(&mut self, thresholds: &[Celsius], from: Timestamp, history: &[Point]) {
        let until = self.counted_until.unwrap_or(Timestamp::MAX);
        let newest = history.last().map_or(from, |p| p.at);
        let since = self.window.range(newest + Span::millis(1), Timestamp::MAX);
        let here = history.iter().filter(|p| p.at >= self.here_since).map(|p| self.corrected(*p));
        let all: Vec<Point> = here.chain(since).collect();
        let counted: Vec<Point> = all.into_iter().filter(|p| p.at <= until && self.counts(p.at)).collect();
        let accounts = thresholds.iter().map(|t| Above::from_history(*t, limits::GAP_BRIDGED, from, &counted));
        self.above = Arc::new(accounts.collect());
        if let Some(days) = &self.days {
            let mut made = Days::new(days.from());
            counted.iter().for_each(|point| made.push(*point));
            self.days = Some(Arc::new(made));
        }
    }

    /// Whether the probe was in the material then.
    fn counts(&self, at: Timestamp) -> bool {
        !self.out.iter().any(|(from, until)| at > *from && at < *until)
    }

    fn account(&mut self, point: Point) -> Recount {
        let mut recount = Recount::No;
        if self.counted_until.is_some_and(|until| point.at > until) || !self.counts(point.at) {
            return recount;
        }
        if let Some(days) = &mut self.days {
            Arc::make_mut(days).push(point);
        }
        if self.above.is_empty() {
            return recount;
        }
        for above in Arc::make_mut(&mut self.above) {
            if point.at >= above.from() && !above.push(point) {
                recount = Recount::Needed;
            }
        }
        recount
    }

    fn is_second_delivery(&self, reading: &Reading) -> bool {
        self.newest_untimed.is_some_and(|(at, value)| {
            value == reading.value && reading.received_at.since(at) < limits::REPEAT_WITHIN && reading.received_at >= at
        })
    }

    fn doubt(&self, reading: &Reading) -> Option<(Quality, String)> {
        let unit = reading.series.quantity.unit();
        let source = reading.series.source.as_str();
        let owner = match &self.bin {
            Some(bin) => format!("bin {bin}, probe {source}"),
            None => source.to_owned(),
        };
        let (low, high) = self.range;
        let value = reading.value;
        let sign = unit.sign();
        if unit == Unit::Celsius && (value == -127.0 || value == 127.9375) {
            // −127 and 127.94 are what common drivers report when a DS18B20 does not answer or its conversion failed.
            return Some((
                Quality::Bad,
                format!("{owner}: {value} °C is the code for \"no answer\"; check its plug and cable ({})", self.place),
            ));
        }
        if value < low || value > high {
            return Some((
                Quality::Bad,
                format!(
                    "{owner}: {} {sign} is outside the {low} to {high} {sign} this probe can measure; check its cable, or widen \
                     `range_celsius` for it ({})",
                    Readable(value),
                    self.place
                ),
            ));
        }
        if self.power_on_85 && value == 85.0 && !self.near_last_good(value) {
            return Some((
                Quality::Suspect,
                format!(
                    "{owner}: exactly 85.0 °C, far from the reading before, is what this kind of probe reports at power-on; check its \
                     supply, or set `power_on_85: false` for it ({})",
                    self.place
                ),
            ));
        }
        None
    }

    fn near_last_good(&self, value: f64) -> bool {
        self.window.newest().is_some_and(|p| (p.value - value).abs() <= limits::POWER_ON_BELIEVED_WITHIN_KELVIN)
    }
}
