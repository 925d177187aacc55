//! Three piles of other make than the simulation of the crate `sim`: two lumps, a course without physics, a column of thin slices.
//!
//! Must never share an equation, a constant or a line with `sim`: rules that were tuned there are to be seen on something else here.
//!
//! All constants are common practice and the forms are from memory of the composting literature (Haug's two exponentials of temperature,
//! Monod's halves of saturation, Magnus' vapour pressure); a model like these is several kelvin wrong against a real bin.

/// Numbers that look drawn: xorshift64* over a seed, the same on every platform.
pub(crate) struct Dice(u64);

impl Dice {
    pub(crate) fn new(seed: u64) -> Dice {
        let mut dice = Dice(seed.wrapping_add(1).wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1);
        (0..8).for_each(|_| _ = dice.share());
        dice
    }

    /// From 0 to 1.
    pub(crate) fn share(&mut self) -> f64 {
        self.0 ^= self.0 >> 12;
        self.0 ^= self.0 << 25;
        self.0 ^= self.0 >> 27;
        (self.0.wrapping_mul(0x2545_f491_4f6c_dd1d) >> 11) as f64 / (1u64 << 53) as f64
    }

    pub(crate) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.share()
    }

    /// Of mean 0 and spread 1, nearly normal.
    pub(crate) fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.share()).sum::<f64>() - 6.0
    }
}

/// How the pile is made.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Make {
    /// Two lumps with balances of heat and water, and Monod's kinetics in moisture, oxygen and temperature.
    TwoLumps,
    /// A drawn course: logistic rise, plateau, decline; noise with a memory and a wave of the day.
    Course,
    /// Twelve slices that the air passes from below, and a front of dryness that climbs through them.
    Column,
}

pub(crate) const MAKES: [Make; 3] = [Make::TwoLumps, Make::Course, Make::Column];

/// What happens to it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Event {
    /// Tended until its food is used up.
    Healthy,
    /// The same with organisms that stand more heat, so that it heats through 70 °C and stays there for weeks.
    HealthyHot,
    /// As hot, and from this day on a pocket in its middle heats itself, the more the hotter it is, while the air goes on.
    Smoulders { day: f64 },
    /// Nobody waters any more, so that it falls from about this day on.
    Dries { day: f64 },
    /// Far too much water from this day on, for some days.
    Soaked { day: f64 },
    /// The door stands open from this day on, for so many hours.
    Door { day: f64, hours: f64 },
    /// It slides from 65 to 35 °C between the fourth and the sixth week because water gets short bit by bit.
    SlidesDry,
    /// The same because its food is used up.
    SlidesFed,
}

/// What the pile is at one moment. Temperatures in °C.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Moment {
    pub(crate) base: f64,
    pub(crate) core: f64,
    pub(crate) upper: f64,
    pub(crate) exhaust: f64,
    pub(crate) air: f64,
    /// Oxygen in the core, %.
    pub(crate) oxygen: f64,
    /// What the blower gives while it runs, against the first day.
    pub(crate) flow: f64,
}

/// A course in steps of ten minutes, with what people gave: minute and litres for each cubic metre.
pub(crate) struct Lived {
    pub(crate) moments: Vec<Moment>,
    pub(crate) watered: Vec<(i64, f64)>,
}

pub(crate) const STEP_MINUTES: i64 = 10;
const STEP_DAYS: f64 = STEP_MINUTES as f64 / 1_440.0;

/// The air around: a mean with slow weather outdoors, nearly still in a room.
struct Air {
    mean: f64,
    day: f64,
    weather: f64,
    sway: f64,
    state: f64,
}

impl Air {
    fn drawn(dice: &mut Dice, indoors: bool) -> Air {
        if indoors {
            return Air {
                mean: dice.between(12.0, 20.0),
                day: dice.between(0.3, 1.0),
                weather: 0.5,
                sway: 0.0,
                state: 0.0,
            };
        }
        Air {
            mean: dice.between(4.0, 20.0),
            day: dice.between(2.0, 6.0),
            weather: dice.between(1.0, 3.5),
            sway: dice.between(0.0, std::f64::consts::TAU),
            state: 0.0,
        }
    }

    fn at(&mut self, day: f64, dice: &mut Dice) -> f64 {
        self.state += -self.state * STEP_DAYS / 2.0 + self.weather * (STEP_DAYS).sqrt() * dice.normal();
        self.mean + self.day * ((day - 0.375) * std::f64::consts::TAU + 0.1 * self.sway).sin() + self.state
    }
}

/// kg of water vapour per kg of dry air when saturated (Magnus).
fn saturated(celsius: f64) -> f64 {
    let hectopascals = 6.112 * (17.62 * celsius / (243.12 + celsius)).exp();
    0.622 * hectopascals / (1_013.0 - hectopascals).max(50.0)
}

/// kJ per kg of dry air.
fn enthalpy(celsius: f64, vapour: f64) -> f64 {
    1.006 * celsius + vapour * (2_501.0 + 1.86 * celsius)
}

/// Lives `days` of a pile.
pub(crate) fn live(make: Make, event: Event, seed: u64, days: f64, indoors: bool) -> Lived {
    let mut dice = Dice::new(seed.wrapping_mul(3).wrapping_add(make as u64));
    let air = Air::drawn(&mut dice, indoors);
    match make {
        Make::TwoLumps => slices(&mut dice, air, event, days, &Kinetics::monod(), 2),
        Make::Column => slices(&mut dice, air, event, days, &Kinetics::bell(), 12),
        Make::Course => course(&mut dice, air, event, days),
    }
}

impl Event {
    /// How many kelvin hotter its organisms like it.
    fn hotter(self) -> f64 {
        if matches!(self, Event::HealthyHot | Event::Smoulders { .. }) { 8.0 } else { 0.0 }
    }
}

/// Heat of chemistry in a smouldering pocket, kJ a day for each cubic metre: it doubles with each 8 K (an activation energy of some 100 kJ/mol,
/// from memory), grows with the pocket day by day, and ends where our columns would boil.
fn smoulder(celsius: f64, since_days: f64) -> f64 {
    if since_days <= 0.0 || celsius > 93.0 {
        return 0.0;
    }
    20_000.0 * since_days.min(6.0).exp() * 2.0_f64.powf((celsius - 68.0) / 8.0)
}

/// How fast it decays at a temperature and a moisture, both as a share of the best.
struct Kinetics {
    temperature: fn(f64) -> f64,
    moisture: fn(f64) -> f64,
}

impl Kinetics {
    fn monod() -> Kinetics {
        Kinetics {
            // Haug: k20 (1.066^(T-20) - 1.21^(T-60)), the second moved down so that piles stay below 70 °C, over its best value.
            temperature: |t| ((1.066_f64.powf(t - 20.0) - 1.21_f64.powf(t - 53.0)).max(0.0) / 9.1).max(mesophilic(t)),
            moisture: |m| {
                let over = (m - 0.18).max(0.0).powi(5);
                over / (over + 0.18_f64.powi(5))
            },
        }
    }

    fn bell() -> Kinetics {
        Kinetics {
            temperature: |t| (-((t - 55.0) / 12.0).powi(2)).exp().max(mesophilic(t)),
            moisture: |m| ((m - 0.27) / 0.17).clamp(0.0, 1.0),
        }
    }
}

/// What works before the heat comes, as a share of the best.
fn mesophilic(celsius: f64) -> f64 {
    0.5 * (-((celsius - 33.0) / 15.0).powi(2)).exp()
}

/// One slice, of one cubic metre's share.
#[derive(Clone, Copy)]
struct Slice {
    celsius: f64,
    water: f64,
    food: f64,
    inert: f64,
}

impl Slice {
    fn moisture(&self) -> f64 {
        self.water / (self.water + self.food + self.inert)
    }

    fn heat_capacity(&self) -> f64 {
        4.19 * self.water + 1.3 * (self.food + self.inert)
    }
}

/// Balances of heat and water over slices that the air passes from below; per cubic metre of pile, kJ and days.
fn slices(dice: &mut Dice, mut air: Air, event: Event, days: f64, kinetics: &Kinetics, count: usize) -> Lived {
    let n = count as f64;
    let late = match event {
        Event::Dries { day } => day >= 20.0,
        Event::SlidesDry | Event::Soaked { .. } => true,
        Event::Door { .. } => false,
        Event::Healthy | Event::HealthyHot | Event::Smoulders { .. } | Event::SlidesFed => false,
    };
    let food = if late { dice.between(80.0, 100.0) } else { dice.between(46.0, 60.0) };
    let inert = dice.between(125.0, 160.0);
    let wanted = dice.between(0.54, 0.60);
    let best = dice.between(0.085, 0.11);
    let flow = dice.between(24.0, 34.0);
    let walls = dice.between(120.0, 190.0);
    let door = dice.between(0.7, 1.6);
    let wind = dice.between(12.0, 30.0);
    let heat = 18_500.0;
    let mut pile: Vec<Slice> = (0..count)
        .map(|_| Slice {
            celsius: 16.0,
            water: (food + inert) * wanted / (1.0 - wanted) / n,
            food: food / n,
            inert: inert / n,
        })
        .collect();
    let until = match event {
        // From the last watering to the fall it takes some days.
        Event::Dries { day } => (day - 6.0).max(0.0),
        _ => f64::MAX,
    };
    let (mut moments, mut watered) = (Vec::new(), Vec::new());
    let mut oxygen = 20.0;
    for step in 0..(days / STEP_DAYS) as i64 {
        let (minute, day) = (step * STEP_MINUTES, step as f64 * STEP_DAYS);
        let around = air.at(day, dice);
        let open = matches!(event, Event::Door { day: from, hours } if day >= from && day < from + hours / 24.0);
        // People come at half past seven.
        if minute % 1_440 == 450 {
            let moisture = pile.iter().map(|s| s.water).sum::<f64>()
                / pile.iter().map(|s| s.water + s.food + s.inert).sum::<f64>();
            let dose = match event {
                Event::Soaked { day: from } if day >= from && day < from + 7.0 => 45.0,
                Event::Soaked { day: from } if day >= from => 0.0,
                Event::SlidesDry if day >= 20.0 && moisture < 0.45 => 5.5,
                Event::SlidesDry if day >= 20.0 => 0.0,
                _ if day < until && moisture < wanted - 0.03 => 22.0,
                _ => 0.0,
            };
            if dose > 0.0 {
                for (i, slice) in pile.iter_mut().enumerate() {
                    // More stays in the upper part.
                    let part = dose / n * (1.3 - 0.6 * (n - 1.0 - i as f64) / (n - 1.0));
                    let before = slice.heat_capacity();
                    slice.water += part;
                    slice.celsius = (slice.celsius * before + 12.0 * 4.19 * part) / slice.heat_capacity();
                }
                watered.push((minute, dose));
            }
        }
        let wet = pile.iter().map(Slice::moisture).fold(0.0, f64::max);
        let given = flow * (0.5 + 0.5 * breathes(wet));
        if matches!(event, Event::Dries { day: from } if day > from - 5.0) {
            // A dry wind through a cover that lies open.
            pile.iter_mut().for_each(|slice| slice.water -= wind / n * STEP_DAYS);
        }
        // Water is drawn from what is wet to what is dry.
        for i in 1..count {
            let drawn = 40.0 * (pile[i].moisture() - pile[i - 1].moisture()) * STEP_DAYS;
            pile[i].water -= drawn;
            pile[i - 1].water += drawn;
        }
        // What does not fit drains.
        for slice in &mut pile {
            let most = 0.71 / 0.29 * (slice.food + slice.inert);
            slice.water = slice.water.min(most);
        }
        let (mut t_in, mut w_in) = (around, 0.7 * saturated(around));
        let enters = oxygen_left(oxygen);
        let mut used = 0.0;
        let before: Vec<f64> = pile.iter().map(|s| s.celsius).collect();
        for (i, slice) in pile.iter_mut().enumerate() {
            let rate =
                best * (kinetics.temperature)(
                    slice.celsius - event.hotter() * ((slice.celsius - 30.0) / 25.0).clamp(0.0, 1.0),
                ) * (kinetics.moisture)(slice.moisture())
                    * enters
                    * breathes(slice.moisture());
            let decayed = rate * slice.food * STEP_DAYS;
            used += decayed;
            // Dry matter gives its vapour up more slowly.
            let damp = (slice.moisture() / 0.25).min(1.0);
            let w_out = (damp * saturated(slice.celsius)).max(w_in.min(saturated(slice.celsius)));
            let carried = given * 1.2 * STEP_DAYS * (enthalpy(slice.celsius, w_out) - enthalpy(t_in, w_in));
            let edge = if i == 0 || i + 1 == count { 1.6 } else { 0.8 };
            let mut lost = walls * edge / n * (slice.celsius - around) * STEP_DAYS;
            if open {
                lost +=
                    door * slice.heat_capacity() * (slice.celsius - around) * STEP_DAYS * (0.6 + 0.8 * i as f64 / n);
            }
            let mut led = 0.0;
            for j in [i.wrapping_sub(1), i + 1] {
                if let Some(neighbour) = before.get(j) {
                    led += 9.0 * n * (neighbour - before[i]) * STEP_DAYS;
                }
            }
            let pocket = match event {
                Event::Smoulders { day: from } if 3 * i >= count && 3 * i < 2 * count => {
                    smoulder(slice.celsius, day - from) / n * STEP_DAYS
                }
                _ => 0.0,
            };
            slice.celsius += (heat * decayed + pocket - carried - lost + led) / slice.heat_capacity();
            slice.water += 0.5 * decayed - given * 1.2 * STEP_DAYS * (w_out - w_in);
            slice.water = slice.water.max(1.0 / n);
            slice.food -= decayed;
            (t_in, w_in) = (slice.celsius, w_out);
        }
        // What is used against what the air brings, per day; quasi-steady.
        let brought = given * 1.2 * 0.23;
        oxygen = (20.9 * (1.0 - 1.4 * used / STEP_DAYS / brought)).clamp(0.5, 20.9);
        let at = |share: f64| {
            let x = share * (n - 1.0);
            let i = (x as usize).min(count - 2);
            pile[i].celsius + (pile[i + 1].celsius - pile[i].celsius) * (x - i as f64)
        };
        let (base, core, upper) =
            if count == 2 { (at(0.1), at(0.75), at(1.0) - 2.0) } else { (at(0.15), at(0.55), at(0.9)) };
        let wet_core = pile[count / 2].moisture();
        moments.push(Moment {
            base,
            core,
            upper,
            exhaust: t_in - 3.0,
            air: around,
            oxygen: (oxygen * (0.1 + 0.9 * breathes(wet_core))).max(0.5),
            flow: 0.5 + 0.5 * breathes(wet),
        });
    }
    Lived { moments, watered }
}

/// The share of the pores that water leaves open.
fn breathes(moisture: f64) -> f64 {
    1.0 / (1.0 + ((moisture - 0.645) / 0.012).exp())
}

/// Half of the decay is lost where this much oxygen is left, %.
fn oxygen_left(oxygen: f64) -> f64 {
    oxygen / (oxygen + 2.0)
}

/// A course without any physics.
fn course(dice: &mut Dice, mut air: Air, event: Event, days: f64) -> Lived {
    let loaded = dice.between(10.0, 22.0);
    let plateau = dice.between(60.0, 67.0) + 0.8 * event.hotter();
    let drift = dice.between(-0.15, 0.10);
    let quick = dice.between(5.0, 9.0);
    let half = dice.between(0.6, 1.1);
    let below = dice.between(3.0, 7.0);
    let above = dice.between(1.0, 4.0);
    let wave = dice.between(0.1, 0.5);
    let jitter = dice.between(0.15, 0.35);
    let (ends, decline) = match event {
        Event::Healthy | Event::HealthyHot => (dice.between(24.0, 31.0), dice.between(9.0, 14.0)),
        Event::SlidesFed => (21.5, 14.0),
        _ => (200.0, 12.0),
    };
    let crash = dice.between(6.5, 11.0);
    let leads = dice.between(0.4, 1.2);
    let slow = dice.between(1.8, 3.5);
    let leak = dice.between(0.45, 0.9);
    let back = dice.between(0.5, 1.0);
    let mut fall = [0.0_f64; 3];
    let mut noise = [0.0_f64; 4];
    let (mut moments, mut watered) = (Vec::new(), Vec::new());
    let mut oxygen = 16.0;
    for step in 0..(days / STEP_DAYS) as i64 {
        let (minute, day) = (step * STEP_MINUTES, step as f64 * STEP_DAYS);
        let around = air.at(day, dice);
        if minute % 1_440 == 450 {
            let dose = match event {
                Event::Soaked { day: from } if day >= from && day < from + 7.0 => 45.0,
                Event::Soaked { day: from } if day >= from => 0.0,
                Event::Dries { day: from } if day > from - 6.0 => 0.0,
                Event::SlidesDry if day > 18.0 => 0.0,
                Event::SlidesFed
                | Event::Healthy
                | Event::HealthyHot
                | Event::Smoulders { .. }
                | Event::Door { .. }
                | Event::Dries { .. }
                | Event::Soaked { .. }
                | Event::SlidesDry
                    if (day as i64) % 3 == 2 && (day < 28.0 || matches!(event, Event::Dries { .. })) =>
                {
                    22.0
                }
                _ => 0.0,
            };
            if dose > 0.0 {
                watered.push((minute, dose));
            }
        }
        let hot = loaded + (plateau - loaded) / (1.0 + (-(day - half) * quick).exp()) + drift * day;
        let cooled = if day > ends { (hot - air.mean - 12.0) * (1.0 - (-(day - ends) / decline).exp()) } else { 0.0 };
        let whole = hot - cooled;
        let still = [whole - below, whole, whole - above];
        for (i, lead) in [(0, leads), (1, 0.0), (2, -0.3)] {
            let room = still[i] - fall[i] - around - 8.0;
            let more = match event {
                Event::Dries { day: from } if day > from - lead => {
                    // It comes within half a day.
                    let ramp = ((day - from + lead) / 0.5).min(1.0);
                    let rate = crash * if i == 2 { 0.75 } else { 1.0 };
                    rate * ramp * (room / 25.0).clamp(0.0, 1.0)
                }
                Event::Soaked { day: from } if day > from + 1.0 - 0.5 * lead => {
                    let ramp = ((day - from - 1.0 + 0.5 * lead) / 2.0).min(1.0);
                    slow * ramp * (room / 15.0).clamp(0.0, 1.0)
                }
                Event::Door { day: from, hours } if day >= from && day < from + hours / 24.0 => {
                    leak * [0.8, 0.7, 1.1][i] * (still[i] - fall[i] - around)
                }
                Event::SlidesDry if day > 21.5 - lead => (1.6 * (room / 12.0)).clamp(0.0, 1.6),
                _ => -fall[i] / back,
            };
            fall[i] = (fall[i] + more * STEP_DAYS).max(0.0);
        }
        for e in &mut noise {
            *e += -*e * STEP_DAYS / 0.15 + jitter * (2.0 * STEP_DAYS / 0.15).sqrt() * dice.normal();
        }
        let sun = wave * (day * std::f64::consts::TAU).sin();
        let pocket = match event {
            // From a third of a kelvin an hour on, and twice as fast after each 17 hours.
            Event::Smoulders { day: from } if day > from => 8.0 * (((day - from).min(5.0)).exp() - 1.0),
            _ => 0.0,
        };
        let read = |i: usize| {
            let burns = if i == 1 { pocket } else { 0.3 * pocket };
            (still[i] - fall[i] + burns).min(93.0) + noise[i] + sun
        };
        let soaked = matches!(event, Event::Soaked { day: from } if day > from + 1.5);
        oxygen += (if soaked { 4.0 } else { 16.0 } - oxygen) * STEP_DAYS / 0.7;
        moments.push(Moment {
            base: read(0),
            core: read(1),
            upper: read(2),
            exhaust: read(2) - 4.0 + noise[3],
            air: around,
            oxygen: oxygen + 1.5 * noise[3],
            flow: if soaked { 0.5 } else { 1.0 },
        });
    }
    Lived { moments, watered }
}
