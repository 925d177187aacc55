//! The plan of one season at one bin, drawn from a seed: the site, its climate, its people, and what goes wrong.
//!
//! Must never be drawn from anything but its seed and its kind: the same two give the same season on every platform.
//!
//! Every range is wider than a site would see and narrower than what the bin's equations take; common practice, no source, unless
//! the field in [`Parameters`] names a range of its own.

use pile::time::{Span, Timestamp};
use pile::units::{Celsius, CubicMetres, CubicMetresPerHour, Litres, Metres};

use crate::bin::BinSetup;
use crate::blower::{Blower, BlowerFault, Pulses};
use crate::chance::Chance;
use crate::parameters::Parameters;
use crate::probe::{Fault, ProbeModel};
use crate::weather::Climate;

/// What a season is meant to show. What it really shows is for its truth to say.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SeasonKind {
    /// Nobody waters, or nobody does after some day.
    Drying,
    /// A tended bin whose blower stands still for a while.
    Stopped,
    /// A tended bin.
    Healthy,
}

/// Where a simulated probe sits, and what it measures.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Spot {
    /// Temperature of the lowest layer, °C.
    Base,
    /// Temperature of the middle layer, °C.
    Core,
    /// A second probe in the middle layer, °C.
    SecondCore,
    /// Temperature of the uppermost layer, °C.
    Upper,
    /// Temperature of the gas that leaves, °C.
    Exhaust,
    /// Temperature of the air around, °C.
    Ambient,
    /// Moisture of the middle layer, percent of the wet mass.
    CoreMoisture,
}

/// How the blower shows that it runs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Proof {
    /// It counts its seconds.
    RunCounter,
    /// A current that is sampled so often, 5 A while it runs.
    Current(Span),
}

/// How people look after the bin.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Care {
    /// From this day of the batch on nobody waters any more.
    pub until_day: f64,
    /// The share of mornings on which nobody comes.
    pub skips: f64,
    /// They water when the handful feels drier than this, kg of water per kg of wet mass.
    pub below: f64,
    /// They water up to this.
    pub to: f64,
    /// Standard deviation of what the hand feels.
    pub hand_sd: f64,
    /// The most that they give at once, litres per cubic metre of fill.
    pub dose_max: f64,
    /// What the hose gives, L/min.
    pub hose: f64,
    /// How warm its water is.
    pub water: Celsius,
    /// The share of what they do that they forget to write down.
    pub forgets: f64,
    /// The share of waterings of which they write the litres, then of which the minutes; the rest names no amount.
    pub writes: (f64, f64),
    /// Hours between two openings of the door, in the mean.
    pub opens_every_hours: f64,
}

/// A season as it was drawn.
#[derive(Clone, Debug)]
pub struct SeasonPlan {
    /// What it is meant to show.
    pub kind: SeasonKind,
    /// The seed.
    pub seed: u64,
    /// When the batch goes on air.
    pub on_air: Timestamp,
    /// How many days it is watched.
    pub days: f64,
    /// What is in the bin.
    pub setup: BinSetup,
    /// The air around it.
    pub climate: Climate,
    /// Its blower with its schedule and faults.
    pub blower: Blower,
    /// Its schedule.
    pub pulses: Pulses,
    /// How it shows that it runs.
    pub proof: Proof,
    /// From one reading to the next.
    pub every: Span,
    /// The probes with their faults.
    pub probes: Vec<(Spot, ProbeModel)>,
    /// When something is wrong with a probe or the way of its readings: from, and until.
    pub unheard: Vec<(Timestamp, Timestamp)>,
    /// When the gateway is cut off.
    pub outages: Vec<(Timestamp, Timestamp)>,
    /// What people do.
    pub care: Care,
    /// What they wrote of the filling: mass in kg and moisture in percent, as well as they knew it.
    pub filling: (Option<f64>, Option<f64>),
    /// What the settings say of the blower's flow over what it gives.
    pub flow_believed: f64,
}

/// Seasons begin on some day of the year that follows, by the UTC calendar: 2026-01-01.
const YEAR_BEGINS: i64 = 1_767_225_600_000;

struct Draw(Chance);

impl Draw {
    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.0.fraction()
    }

    /// As likely between 1 and 2 as between 2 and 4.
    fn by_factors(&mut self, low: f64, high: f64) -> f64 {
        low * libm::pow(high / low, self.0.fraction())
    }

    fn one_of<T: Copy>(&mut self, all: &[T]) -> T {
        all[(self.0.fraction() * all.len() as f64) as usize]
    }

    fn happens(&mut self, share: f64) -> bool {
        self.0.fraction() < share
    }

    fn around(&mut self, mean: f64, sd: f64) -> f64 {
        mean + sd * self.0.normal().clamp(-2.5, 2.5)
    }
}

impl SeasonPlan {
    /// The season that belongs to `seed`.
    pub fn drawn(kind: SeasonKind, seed: u64) -> SeasonPlan {
        let stream = match kind {
            SeasonKind::Drying => 11,
            SeasonKind::Stopped => 12,
            SeasonKind::Healthy => 13,
        };
        let mut draw = Draw(Chance::at(seed, stream, 0));
        let d = &mut draw;
        let on_air = Timestamp::from_millis(YEAR_BEGINS) + Span::minutes(d.between(0.0, 365.0 * 1_440.0) as i64);
        let days = match kind {
            SeasonKind::Stopped => 24.0,
            SeasonKind::Drying | SeasonKind::Healthy => 30.0,
        };
        let at = |day: f64| on_air + Span::from_seconds_f64(day * 86_400.0);
        let setup = setup(d, kind);
        let climate = Climate {
            mean: Celsius(d.between(0.0, 22.0)),
            year_kelvin: d.between(3.0, 13.0),
            day_kelvin: d.between(2.0, 8.0),
            weather_kelvin: d.between(1.5, 5.0),
            dew_point_depression_kelvin: d.between(1.0, 10.0),
            elevation: Metres(d.between(0.0, 1_500.0)),
            seed: seed.wrapping_mul(31).wrapping_add(stream),
            ..Climate::temperate(seed)
        };
        let every = Span::minutes(d.one_of(&[2, 5, 5, 10, 15]));
        let (pulses, proof) = air(d);
        // What the blower gives a cubic metre over the day; in the mean 1.2 m³/h in the bin that practice was fitted to.
        let duty = pulses.on.as_seconds() / pulses.every.as_seconds();
        let flow = CubicMetresPerHour(d.by_factors(0.85, 1.7) * setup.volume.0 / duty);
        let mut blower = Blower { flow, schedule: vec![(on_air, pulses)], faults: Vec::new() };
        if kind == SeasonKind::Stopped {
            let from = d.between(3.0, 18.0);
            let until = from + d.between(0.3, 2.0);
            blower.faults.push(BlowerFault::Stops { from: at(from), until: Some(at(until)) });
        }
        let (probes, unheard) = probes(d, seed, days, &at);
        let outages = spans(d, days, 12.0, (0.2, 9.0), &at);
        let below = d.between(0.49, 0.53);
        let care = Care {
            until_day: match kind {
                SeasonKind::Drying => d.one_of(&[0.0, 0.0, 4.0, 8.0, 12.0]),
                SeasonKind::Stopped | SeasonKind::Healthy => days,
            },
            skips: d.between(0.0, 0.3),
            below,
            to: below + d.between(0.03, 0.06),
            hand_sd: d.between(0.005, 0.02),
            dose_max: d.between(15.0, 45.0),
            hose: d.by_factors(8.0, 30.0) * libm::sqrt(setup.volume.0 / 2.5).max(1.0),
            water: Celsius(d.between(6.0, 20.0)),
            forgets: d.between(0.0, 0.12),
            writes: d.one_of(&[(1.0, 0.0), (0.7, 0.2), (0.0, 1.0), (0.3, 0.3)]),
            opens_every_hours: d.by_factors(24.0, 200.0),
        };
        let (mass_error, moisture_error) = (d.around(1.0, 0.08), d.around(0.0, 2.5));
        let (wrote_mass, wrote_moisture) = (d.happens(0.7), d.happens(0.7));
        let filling = (
            wrote_mass.then(|| (setup.wet_mass * mass_error / 10.0).round() * 10.0),
            wrote_moisture.then(|| (setup.moisture * 100.0 + moisture_error).round()),
        );
        let flow_believed = d.around(1.0, 0.12);
        SeasonPlan {
            filling,
            flow_believed,
            kind,
            seed,
            on_air,
            days,
            setup,
            climate,
            blower,
            pulses,
            proof,
            every,
            probes,
            unheard: [unheard, outages.clone()].concat(),
            outages,
            care,
        }
    }

    /// When a batch day is.
    pub fn day(&self, day: f64) -> Timestamp {
        self.on_air + Span::from_seconds_f64(day * 86_400.0)
    }

    /// The water that fits one visit.
    pub fn dose_max(&self) -> Litres {
        Litres(self.care.dose_max * self.setup.volume.0)
    }
}

fn setup(d: &mut Draw, kind: SeasonKind) -> BinSetup {
    let volume = d.by_factors(1.2, 12.0);
    let active_celsius_best = d.between(56.5, 59.5);
    // A bigger bin loses less through its walls: its owner gives it the same air and it would run hotter; sites lag small ones more.
    let params = Parameters {
        degradable_share: d.between(0.43, 0.56),
        decay_per_day: d.between(0.062, 0.085),
        active_celsius_best,
        active_celsius_max: active_celsius_best + d.between(14.5, 18.0),
        half_activity_moisture: d.between(0.36, 0.41),
        moisture_steepness: d.between(30.0, 60.0),
        wall_watts_per_square_metre_kelvin: d.between(0.35, 0.6),
        draught_cubic_metres_per_hour: 0.06 * volume * d.between(0.3, 2.0),
        solids_joules_per_kg_kelvin: d.between(1_100.0, 1_450.0),
        settling_share: d.between(0.03, 0.1),
        bed_watts_per_metre_kelvin: d.between(0.3, 0.6),
        ..Parameters::layered()
    };
    let moisture = match kind {
        SeasonKind::Drying => d.between(0.52, 0.60),
        SeasonKind::Stopped | SeasonKind::Healthy => d.between(0.55, 0.63),
    };
    BinSetup {
        volume: CubicMetres(volume),
        wet_mass: volume * d.between(420.0, 560.0),
        moisture,
        ash: d.between(0.08, 0.2),
        loaded_at: Celsius(d.between(6.0, 25.0)),
        params,
    }
}

fn air(d: &mut Draw) -> (Pulses, Proof) {
    if d.happens(0.2) {
        // Pulses long enough to be seen in a sampled current.
        let pulses = Pulses { on: Span::minutes(4), every: Span::minutes(d.one_of(&[20, 30])) };
        return (pulses, Proof::Current(Span::minutes(d.one_of(&[1, 2]))));
    }
    let pulses = Pulses {
        on: Span::seconds(d.one_of(&[20, 45, 45, 60, 120])),
        every: Span::minutes(d.one_of(&[15, 20, 30, 30, 45])),
    };
    (pulses, Proof::RunCounter)
}

type Periods = Vec<(Timestamp, Timestamp)>;

fn probes(d: &mut Draw, seed: u64, days: f64, at: &impl Fn(f64) -> Timestamp) -> (Vec<(Spot, ProbeModel)>, Periods) {
    let mut spots = vec![Spot::Base, Spot::Core, Spot::Upper, Spot::Exhaust, Spot::Ambient];
    if d.happens(0.3) {
        spots.push(Spot::SecondCore);
    }
    if d.happens(0.2) {
        spots.push(Spot::CoreMoisture);
    }
    let noise = d.by_factors(0.02, 0.3);
    let step = d.one_of(&[0.0625, 0.1, 0.5]);
    let lag = Span::minutes(d.between(2.0, 20.0) as i64);
    let mut unheard = Vec::new();
    let probes = (0u64..).zip(spots).map(|(n, spot)| {
        let own = seed.wrapping_mul(1_000).wrapping_add(n);
        if spot == Spot::CoreMoisture {
            let bias = d.around(0.0, 2.0);
            return (spot, ProbeModel::new(0.5, 0.1, bias, Span::minutes(30), own));
        }
        let mut probe = ProbeModel::new(noise, step, d.around(0.0, 0.4), lag, own);
        for (from, until) in spans(d, days, 25.0, (0.5, 10.0), at) {
            unheard.push((from, until));
            probe.faults.push(if d.happens(0.5) {
                Fault::Silent { from, until }
            } else {
                Fault::Flaky { from, until, share: d.between(0.05, 0.6) }
            });
        }
        if d.happens(0.1) {
            probe.faults.push(Fault::Drift { from: at(d.between(2.0, days)), per_day: d.around(0.0, 0.1) });
        }
        // A core probe that dies is its own alarm; nothing can be said of the core from then on.
        if d.happens(0.05) && !matches!(spot, Spot::Core | Spot::Ambient) {
            let dies = at(d.between(5.0, days));
            unheard.push((dies, Timestamp::MAX));
            probe.faults.push(Fault::Dies { at: dies });
        }
        (spot, probe)
    });
    let probes = probes.collect();
    (probes, unheard)
}

/// Lengths of time that come every so many days in the mean and last so many hours.
fn spans(d: &mut Draw, days: f64, every_days: f64, hours: (f64, f64), at: &impl Fn(f64) -> Timestamp) -> Periods {
    let mut found = Vec::new();
    let mut day = 0.5;
    loop {
        day -= every_days * libm::log(1.0 - d.0.fraction());
        if day >= days {
            return found;
        }
        let length = d.by_factors(hours.0, hours.1) / 24.0;
        found.push((at(day), at(day + length)));
        day += length;
    }
}
