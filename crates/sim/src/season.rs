//! One season at one bin, lived step by step: what the probes send, what people write, and what was true.
//!
//! Must never tell the truth and the readings by the same number: what is known on the site is what was sent and written.

use pile::time::{Span, Timestamp};
use pile::units::{Celsius, Litres};

use crate::bin::{Bin, Layer, Refused};
use crate::chance::Chance;
use crate::gateway::Gateway;
use crate::plan::{Proof, SeasonPlan, Spot};
use crate::weather::Weather;

/// One reading on its way.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sent {
    /// When it was measured.
    pub measured_at: Timestamp,
    /// What sent it.
    pub from: Sender,
    /// The value, in the sender's unit.
    pub value: f64,
}

/// What sends readings.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Sender {
    /// A probe.
    Probe(Spot),
    /// The blower's run counter, s.
    RunCounter,
    /// The blower's current, A.
    Current,
}

/// What people did and wrote down.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Deed {
    /// The batch went on air: mass in kg and moisture in percent as far as somebody wrote them.
    OnAir {
        /// Weighed or estimated mass.
        wet_mass: Option<f64>,
        /// Moisture.
        moisture_percent: Option<f64>,
    },
    /// Water was given: litres and minutes as far as somebody wrote them.
    Watered {
        /// How much.
        litres: Option<f64>,
        /// For how many minutes.
        minutes: Option<f64>,
    },
    /// The bin was opened.
    Opened,
}

/// What was true at the end of a step.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Truth {
    /// When.
    pub at: Timestamp,
    /// Temperatures of base, core and upper layer.
    pub celsius: [f64; 3],
    /// Their moisture, kg of water per kg of wet mass.
    pub moisture: [f64; 3],
    /// The air around.
    pub ambient: f64,
    /// Its door stands open.
    pub open: bool,
}

/// One step of a season.
#[derive(Clone, Debug)]
pub struct Moment {
    /// When it ends.
    pub at: Timestamp,
    /// Readings that arrive now, oldest first.
    pub sent: Vec<Sent>,
    /// What was written into the log.
    pub written: Vec<(Timestamp, Deed)>,
    /// What was true.
    pub truth: Truth,
}

/// A season under way.
#[derive(Clone, Debug)]
pub struct Season {
    plan: SeasonPlan,
    bin: Bin,
    gateway: Gateway<Vec<Sent>>,
    chance: Chance,
    at: Timestamp,
    ran: f64,
    opened_until: Option<Timestamp>,
    next_opening: Timestamp,
    next_morning: Timestamp,
    waterings: Vec<Timestamp>,
    begun: bool,
}

/// How much of the way to the outside air a probe feels while the door is open: base, core, upper. Chosen; the bed itself is so
/// heavy that half an hour leaves it as it is.
const DOOR: [f64; 3] = [0.02, 0.08, 0.25];

impl Season {
    /// The season of a plan.
    ///
    /// # Errors
    /// [`Refused`] when the bin's equations cannot use the plan.
    pub fn new(plan: SeasonPlan) -> Result<Season, Refused> {
        let mut chance = Chance::at(plan.seed, 21, 0);
        let next_opening = opening(&plan, plan.on_air, &mut chance);
        Ok(Season {
            bin: Bin::new(plan.setup)?,
            gateway: Gateway::new(plan.outages.clone(), 20_000),
            chance,
            at: plan.on_air,
            ran: 0.0,
            opened_until: None,
            next_opening,
            next_morning: plan.on_air + Span::hours(20),
            waterings: Vec::new(),
            begun: false,
            plan,
        })
    }

    /// The plan.
    pub fn plan(&self) -> &SeasonPlan {
        &self.plan
    }

    /// When water was really given, written down or not.
    pub fn waterings(&self) -> &[Timestamp] {
        &self.waterings
    }

    /// Lives through one interval of the probes; `None` when the season is over.
    ///
    /// # Errors
    /// [`Refused`] when the bin's equations leave their range.
    pub fn step(&mut self) -> Result<Option<Moment>, Refused> {
        let (before, now) = (self.at, self.at + self.plan.every);
        if before >= self.plan.day(self.plan.days) {
            return Ok(None);
        }
        let weather = self.plan.climate.weather(before);
        let air = self.plan.blower.air(before, now);
        self.bin.advance(now.since(before), air, weather)?;
        self.at = now;
        let mut written = Vec::new();
        if !self.begun {
            self.begun = true;
            let (wet_mass, moisture_percent) = self.plan.filling;
            written.push((self.plan.on_air, Deed::OnAir { wet_mass, moisture_percent }));
        }
        self.doors(now, &mut written);
        if now >= self.next_morning {
            // Somebody comes in the morning, within some three hours.
            self.next_morning = now + Span::hours(21) + Span::from_seconds_f64(self.chance.fraction() * 6.0 * 3_600.0);
            self.visit(now, &mut written)?;
        }
        let truth = self.truth(now, weather);
        let pack = self.pack(before, now, &truth, air.blower_seconds_on);
        self.gateway.accept(now, pack);
        let sent = self.gateway.deliver(now).into_iter().flat_map(|d| d.pack).collect();
        Ok(Some(Moment { at: now, sent, written, truth }))
    }

    fn doors(&mut self, now: Timestamp, written: &mut Vec<(Timestamp, Deed)>) {
        if now >= self.next_opening {
            self.next_opening = opening(&self.plan, now, &mut self.chance);
            let minutes = 10.0 + 40.0 * self.chance.fraction();
            self.opened_until = Some(now + Span::from_seconds_f64(minutes * 60.0));
            if self.chance.fraction() < 0.5 {
                written.push((now, Deed::Opened));
            }
        }
        if self.opened_until.is_some_and(|until| now > until) {
            self.opened_until = None;
        }
    }

    fn visit(&mut self, now: Timestamp, written: &mut Vec<(Timestamp, Deed)>) -> Result<(), Refused> {
        // All chances are drawn at every visit, so that what one visit does leaves the next ones alone.
        let (comes, hand) = (self.chance.fraction(), self.chance.normal());
        let (writes, how) = (self.chance.fraction(), self.chance.fraction());
        let care = self.plan.care;
        if comes < care.skips || now >= self.plan.day(care.until_day) {
            return Ok(());
        }
        let felt = self.bin.moisture_fraction(Layer::Core) + care.hand_sd * hand.clamp(-2.5, 2.5);
        if felt >= care.below {
            return Ok(());
        }
        let litres = self.bin.litres_to_moisture(care.to)?.0.min(self.plan.dose_max().0);
        if litres <= 0.0 {
            return Ok(());
        }
        self.bin.water(Litres(litres), Celsius(care.water.0))?;
        self.waterings.push(now);
        if writes >= care.forgets {
            let (by_litres, by_minutes) = care.writes;
            let deed = Deed::Watered {
                litres: (how < by_litres).then(|| (litres / 5.0).round() * 5.0),
                minutes: (by_litres <= how && how < by_litres + by_minutes).then(|| (litres / care.hose).ceil()),
            };
            written.push((now, deed));
        }
        Ok(())
    }

    fn truth(&self, at: Timestamp, weather: Weather) -> Truth {
        Truth {
            at,
            celsius: Layer::ALL.map(|layer| self.bin.temperature(layer).0),
            moisture: Layer::ALL.map(|layer| self.bin.moisture_fraction(layer)),
            ambient: weather.ambient.0,
            open: self.opened_until.is_some(),
        }
    }

    fn pack(&mut self, before: Timestamp, now: Timestamp, truth: &Truth, ran: f64) -> Vec<Sent> {
        let open = if self.opened_until.is_some() { 1.0 } else { 0.0 };
        let felt = |layer: usize| {
            let (bed, share) = (truth.celsius[layer], DOOR[layer] * open);
            bed + share * (truth.ambient - bed)
        };
        let exhaust = self.bin.exhaust().temperature.0;
        let mut pack = Vec::new();
        for (spot, probe) in &mut self.plan.probes {
            let value = match spot {
                Spot::Base => felt(0),
                Spot::Core | Spot::SecondCore => felt(1),
                Spot::Upper => felt(2),
                // The duct gives off heat on the way to the probe.
                Spot::Exhaust => exhaust - 0.1 * (exhaust - truth.ambient),
                Spot::Ambient => truth.ambient,
                Spot::CoreMoisture => 100.0 * truth.moisture[1],
            };
            if let Some(value) = probe.read(now, value) {
                pack.push(Sent { measured_at: now, from: Sender::Probe(*spot), value });
            }
        }
        self.ran += ran;
        match self.plan.proof {
            Proof::RunCounter => {
                pack.push(Sent { measured_at: now, from: Sender::RunCounter, value: self.ran.round() });
            }
            Proof::Current(every) => {
                let mut at = before.next_on_grid(every, Span::ZERO);
                while at <= now {
                    let runs = self.plan.blower.run_seconds(at - Span::seconds(1), at) > 0.5;
                    let value = if runs { 5.0 } else { 0.0 } + 0.05 * self.chance.fraction();
                    pack.push(Sent { measured_at: at, from: Sender::Current, value });
                    at = at + every;
                }
            }
        }
        pack
    }
}

fn opening(plan: &SeasonPlan, after: Timestamp, chance: &mut Chance) -> Timestamp {
    let hours = -plan.care.opens_every_hours * libm::log(1.0 - chance.fraction());
    after + Span::from_seconds_f64((6.0 + hours) * 3_600.0)
}
