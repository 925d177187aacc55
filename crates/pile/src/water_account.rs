//! The water account of a batch: filled with so much, dried by air, watered by people, corrected by hand samples.
//!
//! Must never pass over time that it was not told about: each stretch begins where the last one ended, and a stretch of
//! which little is known says so with a range, which widens the band and is not bridged.
//!
//! Temperature hardly shows moisture until lack of water limits the heat, so the water is counted, not inferred:
//!
//! * water: dW = y r - m (w out - w in) + added, with the air's terms as in [`crate::bed`];
//! * dry mass: dD = -r, with r the solids oxidised. They follow from the heat: r = (losses + C dT/dt) / H. The heat of
//!   a kilogram of solids is known to a fifth, a rate of decay only to a factor of five. No step is cut at zero: the
//!   noise of a probe then cancels over the steps, and only the sum is held within the degradable solids;
//! * moisture M = W / (W + D).
//!
//! # Uncertainty
//!
//! The state is W, D and one unit-variance error for each systematic doubt (flow, draught, humidity of exhaust and
//! inlet, walls, oxidation, silence). Flow is wrong by the same factor every day, so its error grows with the water
//! removed and not with the root of the days. A watering's error is its own. A hand sample is a scalar measurement of
//! M: an extended Kalman update (Kalman 1960; the augmentation with bias states is Friedland 1969; both from memory),
//! which weighs account and sample by their inverse variances and, through the covariance, learns the flow.

mod kept;

use crate::bed::{AccountError, Air, BedParameters, Exchange, Factors, MASS_KG, capacity, in_range};
use crate::time::{Span, Timestamp};
use crate::units::{
    Celsius, CubicMetres, Fraction, JoulesPerKelvin, Kelvin, Kilograms, KilogramsPerCubicMetre, Litres, LitresPerMinute,
};

/// Half-width of a 95 % band in standard deviations of a normal distribution.
pub const BAND_95_SD: f64 = 1.96;
/// A hand sample further than this many standard deviations from the account tells that something was not written
/// down; chosen, once in 370 by chance.
pub const SURPRISE_SD_MAX: f64 = 3.0;
/// Over about this long the present rate is the mean, weighted to the newest.
pub const RATE_OVER: Span = Span::days(1);
/// The rate is not told before it rests on this share of such a mean: about five hours after the start.
pub const RATE_WEIGHT_MIN: f64 = 0.2;

const SECONDS_PER_DAY: f64 = 86_400.0;

// The places of the state. The first two are kilograms, the others errors in standard deviations.
const W: usize = 0;
const D: usize = 1;
const FLOW: usize = 2;
const DRAUGHT: usize = 3;
const EXHAUST: usize = 4;
const INLET: usize = 5;
const WALLS: usize = 6;
const OXIDATION: usize = 7;
const SILENCE: usize = 8;
const N: usize = 9;

type Vector = [f64; N];

/// How a batch was filled.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Filling {
    /// What went in, water included; 1 kg to 10,000 t.
    pub wet_mass: Kilograms,
    /// Standard deviation of that as a share of it, 0 to 0.5; about 0.1 from volume and bulk density (chosen).
    pub wet_mass_sd: Fraction,
    /// Moisture, kg of water per kg of wet mass, 0.05 to 0.95.
    pub moisture: Fraction,
    /// Standard deviation of the moisture, 0 to 0.3: about 0.02 for an oven-dried sample of the mix, 0.05 for a
    /// recipe (chosen).
    pub moisture_sd: Fraction,
    /// The share of the dry mass that can be oxidised at all, 0.05 to 0.9. Plausible 0.35 to 0.6, from memory.
    pub degradable: Fraction,
}

/// Anything from `low` to `high`, each as likely; exactly known where they are equal.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Between<T> {
    /// The lowest.
    pub low: T,
    /// The highest.
    pub high: T,
}

/// What is known of the time since the account stood last.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Stretch {
    /// Where it ends.
    pub until: Timestamp,
    /// The share of the time that the blower ran, 0 to 1.
    pub duty: Between<Fraction>,
    /// Mean temperature of the bed, 0 to 95 °C. Exhaust humidity bends upwards over temperature, so a stretch should
    /// span no more than a few kelvin where it is known.
    pub bed: Between<Celsius>,
    /// By how much the bed warmed from its beginning to its end, -95 to 95 K; 0 where that is not known.
    pub rise: Kelvin,
    /// The air that the blower drew.
    pub air: Air,
}

/// What a hand sample did to the account.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SampleOutcome {
    /// Account and sample agreed within their doubts and were combined.
    Combined,
    /// They did not. Something was not written down (a watering, rain, a leak), or the sample is not of this bed: the
    /// account begins anew from the sample, and what it had learned of the flow is dropped.
    BegunAnew,
}

/// A value with its 95 % band.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Band<T> {
    /// The likeliest.
    pub value: T,
    /// The low end.
    pub low: T,
    /// The high end.
    pub high: T,
}

/// When a moisture will be reached with no more water, at the mean rate of the last day or so.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Until {
    /// The account is there already or below.
    Reached,
    /// So long from where the account stands.
    In {
        /// The likeliest.
        value: Span,
        /// The soonest of the 95 % band, not less than none.
        low: Span,
        /// The latest; `None` beyond ten years.
        high: Option<Span>,
    },
    /// The bed is getting wetter.
    Rising,
    /// The rate is too uncertain to tell which way it goes, or so slow that it takes ten years.
    CannotTell,
    /// The account is too young to have a rate.
    TooShort,
}

/// Sums since the account began, kg. Water now is initial + formed + added - removed + corrected.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WaterTotals {
    /// Water at the start.
    pub initial: Kilograms,
    /// Water formed by decay.
    pub formed: Kilograms,
    /// Water added by people.
    pub added: Kilograms,
    /// Water carried off by air, less what condensed.
    pub removed: Kilograms,
    /// What hand samples put right.
    pub corrected: Kilograms,
}

/// A running account; takes stretches, waterings and samples in the order of time.
///
/// Every method that takes something in leaves the account unchanged when it errs.
#[derive(Clone, Debug, PartialEq)]
pub struct WaterAccount {
    bed: BedParameters,
    at: Timestamp,
    state: Vector,
    covariance: [Vector; N],
    degradable_left: f64,
    totals: WaterTotals,
    rate: Rate,
}

/// Means that forget: sums over the past, each second weighted by exp(-age / RATE_OVER).
#[derive(Clone, Debug, PartialEq)]
struct Rate {
    weight: f64,
    /// Change of water and of dry mass, kg/s, without waterings and samples.
    water: f64,
    dry: f64,
    /// How each error moves them, kg/s.
    water_by: Vector,
    dry_by: Vector,
}

impl<T: Copy> Between<T> {
    /// A value that is known.
    pub const fn exactly(value: T) -> Between<T> {
        Between { low: value, high: value }
    }
}

impl Filling {
    /// A filling known by its volume and bulk density. Fields that are not masses as in [`Filling`].
    pub fn by_volume(volume: CubicMetres, density: KilogramsPerCubicMetre, moisture: Fraction) -> Filling {
        Filling {
            wet_mass: Kilograms(volume.0 * density.0),
            wet_mass_sd: Fraction(0.1),
            moisture,
            moisture_sd: Fraction(0.05),
            degradable: Fraction(0.42),
        }
    }
}

impl WaterAccount {
    /// An account of a batch filled at `at`.
    ///
    /// # Errors
    /// [`AccountError::OutOfRange`] for parameters of the bed or a filling outside the ranges named there.
    pub fn begin(bed: BedParameters, at: Timestamp, filling: &Filling) -> Result<WaterAccount, AccountError> {
        bed.check()?;
        let f = filling;
        for (what, value, range, unit, remedy) in [
            ("wet mass", f.wet_mass.0, MASS_KG, "kg", "check volume and bulk density"),
            ("uncertainty of the wet mass", f.wet_mass_sd.0, (0.0, 0.5), "of the mass", "use 0.1 if not weighed"),
            ("moisture", f.moisture.0, (0.05, 0.95), "of the wet mass", "give it as a fraction of the wet mass"),
            ("uncertainty of the moisture", f.moisture_sd.0, (0.0, 0.3), "of the wet mass", "use 0.05 if not measured"),
            ("degradable share", f.degradable.0, (0.05, 0.9), "of the dry mass", "use 0.42 if unknown"),
        ] {
            in_range(what, value, range, unit, remedy)?;
        }
        let (mass, m) = (f.wet_mass.0, f.moisture.0);
        let (by_mass, by_moisture) = (mass * f.wet_mass_sd.0, mass * f.moisture_sd.0);
        let mut state = [0.0; N];
        (state[W], state[D]) = (mass * m, mass * (1.0 - m));
        let mut covariance = unit_variances();
        covariance[W][W] = square(m * by_mass) + square(by_moisture);
        covariance[D][D] = square((1.0 - m) * by_mass) + square(by_moisture);
        covariance[W][D] = m * (1.0 - m) * square(by_mass) - square(by_moisture);
        covariance[D][W] = covariance[W][D];
        let none = Kilograms(0.0);
        Ok(WaterAccount {
            bed,
            at,
            state,
            covariance,
            degradable_left: f.degradable.0 * state[D],
            totals: WaterTotals {
                initial: Kilograms(state[W]),
                formed: none,
                added: none,
                removed: none,
                corrected: none,
            },
            rate: Rate { weight: 0.0, water: 0.0, dry: 0.0, water_by: [0.0; N], dry_by: [0.0; N] },
        })
    }

    /// Takes in what happened since the account stood last. A stretch of no length changes nothing.
    ///
    /// The bed gives no more water than it has: at none, the account stays there until it is watered.
    ///
    /// # Errors
    /// [`AccountError`] for a stretch that ends before the account stands, and for ranges and air out of range.
    pub fn pass(&mut self, stretch: &Stretch) -> Result<(), AccountError> {
        let seconds = stretch.until.since(self.at).as_seconds();
        if seconds < 0.0 {
            return Err(AccountError::Backwards { stands_at: self.at, until: stretch.until });
        }
        stretch.air.check()?;
        in_range("rise of the bed", stretch.rise.0, (-95.0, 95.0), "K", "check the temperature probe")?;
        ordered("share of blower time", stretch.duty.low.0, stretch.duty.high.0)?;
        ordered("temperature of the bed", stretch.bed.low.0, stretch.bed.high.0)?;
        let flux = self.flux(stretch)?;
        if seconds == 0.0 {
            return Ok(());
        }

        let before = self.clone();
        // Solids: what the heat implies, but no more than there are.
        let stored = capacity(&self.bed, self.state[D], self.state[W]).0 * stretch.rise.0;
        let per_joule = libm::exp(self.state[OXIDATION] * self.bed.oxidation_sd.0) / self.bed.heat_joules_per_kg_solids;
        let implied = (flux.heat * seconds + stored) * per_joule;
        let oxidised = implied.min(self.degradable_left);
        let mut dry_by = flux.heat_by.map(|by| -by * seconds * per_joule * share(oxidised, implied));
        dry_by[OXIDATION] = -oxidised * self.bed.oxidation_sd.0;
        let formed = self.bed.water_per_kg_solids * oxidised;
        let drawn = flux.water * seconds;
        let removed = drawn.min(self.state[W] + formed);
        let mut water_by = flux.water_by.map(|by| -by * seconds * share(removed, drawn));
        for (by, dry_by) in water_by.iter_mut().zip(dry_by) {
            *by -= self.bed.water_per_kg_solids * dry_by;
        }

        self.rate.pass(seconds, formed - removed, -oxidised, &water_by, &dry_by);
        // Rounding must not leave a bed that has run dry with less than nothing.
        self.state[W] = (self.state[W] + formed - removed).max(0.0);
        self.state[D] -= oxidised;
        self.degradable_left -= oxidised;
        self.totals.formed.0 += formed;
        self.totals.removed.0 += removed;
        self.propagate(&water_by, &dry_by);
        self.at = stretch.until;
        // Written so that a doubt that is not a number is refused too: the first order carries no further.
        let doubt = self.covariance.iter().flatten().map(|x| x.abs()).max_by(f64::total_cmp).unwrap_or(f64::NAN);
        let sound =
            in_range("doubt about the batch", doubt, (0.0, 1e24), "kg²", "give shorter stretches with temperatures");
        if sound.is_err() {
            *self = before;
        }
        sound
    }

    /// Takes in a watering: `litres` with standard deviation `sd`. A litre is taken as a kilogram.
    ///
    /// Where only minutes are known: [`given_in`] for the litres, and the sd that of the flow; what ran out below again
    /// must be taken off. The chill shows as a fall of the bed and so as less decay: the water formed
    /// comes out low by less than 0.5 % of the dose, which is not corrected.
    ///
    /// # Errors
    /// [`AccountError::OutOfRange`] for litres outside 0 to ten million, or an sd that is negative or larger.
    pub fn water(&mut self, litres: Litres, sd: Litres) -> Result<(), AccountError> {
        in_range("water added", litres.0, (0.0, MASS_KG.1), "l", "check the litres given")?;
        in_range("uncertainty of the water", sd.0, (0.0, MASS_KG.1), "l", "use a fifth of the litres if unknown")?;
        self.state[W] += litres.0;
        self.totals.added.0 += litres.0;
        self.covariance[W][W] += square(sd.0);
        Ok(())
    }

    /// Takes back a watering that was written down wrongly and takes in what it really was; the doubt of both stays.
    ///
    /// # Errors
    /// As [`WaterAccount::water`], of either amount.
    pub fn water_again(&mut self, wrong: Litres, right: Litres, sd: Litres) -> Result<(), AccountError> {
        in_range("water taken back", wrong.0, (0.0, MASS_KG.1), "l", "check the litres given")?;
        self.water(right, sd)?;
        // What has left the bed since cannot be taken back.
        self.state[W] = (self.state[W] - wrong.0).max(0.0);
        self.totals.added.0 -= wrong.0;
        Ok(())
    }

    /// Forgets what a sample told that was written down wrongly: begins anew from what it really was, or, where it never happened, from
    /// where the account stands with a doubt of `sd`.
    ///
    /// # Errors
    /// As [`WaterAccount::sample`].
    pub fn sample_again(&mut self, moisture: Option<Fraction>, sd: Fraction) -> Result<(), AccountError> {
        let moisture = moisture.unwrap_or(Fraction(self.moisture_now().clamp(0.02, 0.95)));
        let mut next = self.clone();
        next.sample(moisture, sd)?;
        let before = self.state[W];
        self.begin_anew(moisture.0, sd.0);
        self.totals.corrected.0 += self.state[W] - before;
        Ok(())
    }

    /// Combines the account with a hand sample's moisture, whose standard deviation `sd` is that of the whole bed's
    /// mean and not only of the oven: about 0.03 for one grab, 0.015 for a mix of many (chosen, no source).
    ///
    /// # Errors
    /// [`AccountError::OutOfRange`] for a moisture outside 0.02 to 0.95 or an sd outside 0.001 to 0.3.
    pub fn sample(&mut self, moisture: Fraction, sd: Fraction) -> Result<SampleOutcome, AccountError> {
        in_range(
            "sampled moisture",
            moisture.0,
            (0.02, 0.95),
            "of the wet mass",
            "give it as a fraction, not percent",
        )?;
        in_range("uncertainty of the sample", sd.0, (0.001, 0.3), "of the wet mass", "use 0.03 for one grab")?;
        let before = self.state[W];
        let h = self.moisture_by();
        let ph = product(&self.covariance, &h);
        let account = dot(&h, &ph);
        let variance = account + square(sd.0);
        let surprise = moisture.0 - self.moisture_now();
        let mut state = self.state;
        for (x, ph) in state.iter_mut().zip(ph) {
            *x += ph / variance * surprise;
        }
        let too_far = surprise.abs() > SURPRISE_SD_MAX * libm::sqrt(variance);
        // A correction that leaves no mass is beyond what the first order can carry.
        let holds = state.iter().all(|x| x.is_finite()) && state[W] >= 0.0 && state[D] > 0.0;
        let outcome = if too_far || !holds {
            self.begin_anew(moisture.0, sd.0);
            SampleOutcome::BegunAnew
        } else {
            self.degradable_left *= state[D] / self.state[D];
            self.state = state;
            for i in 0..N {
                for j in 0..N {
                    self.covariance[i][j] -= ph[i] * ph[j] / variance;
                }
            }
            self.forget_silence();
            SampleOutcome::Combined
        };
        self.totals.corrected.0 += self.state[W] - before;
        Ok(outcome)
    }

    /// Where the account stands.
    pub fn at(&self) -> Timestamp {
        self.at
    }

    /// Water in the bed.
    pub fn water_mass(&self) -> Kilograms {
        Kilograms(self.state[W])
    }

    /// Standard deviation of that.
    pub fn water_mass_sd(&self) -> Kilograms {
        Kilograms(libm::sqrt(self.covariance[W][W].max(0.0)))
    }

    /// Dry mass of the bed.
    pub fn dry_mass(&self) -> Kilograms {
        Kilograms(self.state[D])
    }

    /// Solids that can still be oxidised. At none the heat is more than the filling can have held: the masses, the
    /// flow or the degradable share are wrong.
    pub fn degradable_left(&self) -> Kilograms {
        Kilograms(self.degradable_left)
    }

    /// Solids that decay has taken since the start.
    pub fn oxidised(&self) -> Kilograms {
        // The water formed is counted, and water per kilogram of solids is zero in no bed that forms any.
        let per_kg = self.bed.water_per_kg_solids;
        Kilograms(if per_kg > 0.0 { self.totals.formed.0 / per_kg } else { 0.0 })
    }

    /// Sums since the start.
    pub fn totals(&self) -> WaterTotals {
        self.totals
    }

    /// The factor by which samples have corrected the given flow; 1 before the first.
    pub fn flow_factor(&self, flow_sd: Fraction) -> f64 {
        libm::exp(self.state[FLOW] * flow_sd.0)
    }

    /// Moisture now, kg of water per kg of wet mass. The band is cut at 0 and 1, beyond which no moisture is.
    pub fn moisture(&self) -> Band<Fraction> {
        let m = self.moisture_now();
        let half = BAND_95_SD * self.sd_of(&self.moisture_by());
        Band { value: Fraction(m), low: Fraction((m - half).max(0.0)), high: Fraction((m + half).min(1.0)) }
    }

    /// Water that brings the bed to the moisture `goal`, by D goal / (1 - goal) - W; 0 where it is wet enough. What to give of it at once is
    /// [`crate::dose::dose`].
    ///
    /// # Errors
    /// [`AccountError::OutOfRange`] for a goal outside 0.05 to 0.9.
    pub fn litres_to(&self, goal: Fraction) -> Result<Band<Litres>, AccountError> {
        let margin = self.margin(goal)?;
        let short = -margin.value / (1.0 - goal.0);
        let half = BAND_95_SD * self.sd_of(&margin.by) / (1.0 - goal.0);
        let at_least_none = |litres: f64| Litres(litres.max(0.0));
        Ok(Band { value: at_least_none(short), low: at_least_none(short - half), high: at_least_none(short + half) })
    }

    /// The heat that warms the bed by one kelvin.
    pub fn heat_capacity(&self) -> JoulesPerKelvin {
        capacity(&self.bed, self.state[D], self.state[W])
    }

    /// By how much a dose of water at `water` chills the bed at `bed`; see [`crate::bed::chill`].
    ///
    /// # Errors
    /// As there.
    pub fn chill(&self, dose: Litres, bed: Celsius, water: Celsius) -> Result<Kelvin, AccountError> {
        let before = capacity(&self.bed, self.state[D], self.state[W]);
        crate::bed::chill(before, Kilograms(dose.0), bed, water)
    }

    /// How long until the moisture `goal` with no more water, at the present rate.
    ///
    /// The present rate is the mean of the last day or so ([`RATE_OVER`]), its doubt that of the same systematic
    /// errors as the moisture's. The band is that of a ratio (Fieller 1954, from memory): lopsided, as it must be.
    ///
    /// # Errors
    /// [`AccountError::OutOfRange`] for a goal outside 0.05 to 0.9.
    pub fn until(&self, goal: Fraction) -> Result<Until, AccountError> {
        let margin = self.margin(goal)?;
        if margin.value <= 0.0 {
            return Ok(Until::Reached);
        }
        let Rate { weight, water, dry, water_by, dry_by } = &self.rate;
        if *weight < RATE_WEIGHT_MIN {
            return Ok(Until::TooShort);
        }
        let g = goal.0;
        // The margin W (1 - g) - D g falls by `rate` each second.
        let rate = -((1.0 - g) * water - g * dry) / weight;
        let mut rate_by = [0.0; N];
        for (i, by) in rate_by.iter_mut().enumerate() {
            *by = -((1.0 - g) * water_by[i] - g * dry_by[i]) / weight;
        }
        let (of_margin, of_rate) = (product(&self.covariance, &margin.by), product(&self.covariance, &rate_by));
        let z = square(BAND_95_SD);
        // The ends of the band are where margin - t rate lies 1.96 of its own deviations from zero: a t² - 2 b t + c = 0.
        let a = square(rate) - z * dot(&rate_by, &of_rate);
        if a <= 0.0 {
            return Ok(Until::CannotTell);
        }
        if rate < 0.0 {
            return Ok(Until::Rising);
        }
        let b = margin.value * rate - z * dot(&rate_by, &of_margin);
        let c = square(margin.value) - z * dot(&margin.by, &of_margin);
        let half = libm::sqrt((square(b) - a * c).max(0.0));
        let soonest = Span::from_seconds_f64(((b - half) / a).max(0.0));
        let within = |seconds: f64| (seconds < FAR_SECONDS).then(|| Span::from_seconds_f64(seconds));
        let Some(value) = within(margin.value / rate) else { return Ok(Until::CannotTell) };
        Ok(Until::In { value, low: soonest, high: within((b + half) / a) })
    }

    fn flux(&self, stretch: &Stretch) -> Result<Flux, AccountError> {
        let theta = &self.state;
        let (bed, air) = (&self.bed, &stretch.air);
        let factors = Factors {
            flow: libm::exp(theta[FLOW] * air.flow_sd.0),
            draught: libm::exp(theta[DRAUGHT] * bed.draught_sd.0),
            exhaust_humidity: libm::exp(theta[EXHAUST] * bed.exhaust_humidity_sd.0),
            walls: libm::exp(theta[WALLS] * bed.wall_sd.0),
            inlet_humidity: theta[INLET] * air.humidity_sd.0,
        };
        let at = |duty: Fraction, t: Celsius| Ok(Flux::of(bed, air, &Exchange::new(bed, t, duty, air, &factors)?));
        let (duty, t) = (stretch.duty, stretch.bed);
        if duty.low == duty.high && t.low == t.high {
            return at(duty.low, t.low);
        }
        let corners: [Result<Flux, AccountError>; 4] =
            [at(duty.low, t.low), at(duty.low, t.high), at(duty.high, t.low), at(duty.high, t.high)];
        let [a, b, c, d] = corners;
        let mut corners = [a?, b?, c?, d?];
        corners.sort_by(|a, b| a.water.total_cmp(&b.water));
        let [driest, _, _, wettest] = corners;
        let mut flux = driest.mean(&wettest);
        // Uniform from one end to the other: standard deviation the width over the root of 12.
        let half = libm::sqrt(1.0 / 12.0);
        flux.water_by[SILENCE] = (wettest.water - driest.water) * half;
        flux.heat_by[SILENCE] = (wettest.heat - driest.heat) * half;
        flux.water += theta[SILENCE] * flux.water_by[SILENCE];
        flux.heat += theta[SILENCE] * flux.heat_by[SILENCE];
        Ok(flux)
    }

    fn propagate(&mut self, water_by: &Vector, dry_by: &Vector) {
        let p = &mut self.covariance;
        let (to_water, to_dry) = (product(p, water_by), product(p, dry_by));
        for j in 0..N {
            p[W][j] += to_water[j];
            p[D][j] += to_dry[j];
        }
        // The rows are done; the columns take the same from the rows as they are now.
        let (to_water, to_dry) = (product(p, water_by), product(p, dry_by));
        for (row, (w, d)) in p.iter_mut().zip(to_water.into_iter().zip(to_dry)) {
            row[W] += w;
            row[D] += d;
        }
    }

    /// Takes the sample for the water, keeps the dry mass with its doubt, and knows nothing of errors.
    fn begin_anew(&mut self, m: f64, sd: f64) {
        let dry = self.state[D];
        let dry_variance = self.covariance[D][D];
        let per_dry = m / (1.0 - m);
        self.state = [0.0; N];
        (self.state[W], self.state[D]) = (dry * per_dry, dry);
        self.covariance = unit_variances();
        self.covariance[D][D] = dry_variance;
        self.covariance[W][D] = per_dry * dry_variance;
        self.covariance[D][W] = per_dry * dry_variance;
        self.covariance[W][W] = square(per_dry) * dry_variance + square(dry * sd / square(1.0 - m));
    }

    /// The next silence is another one: what a sample told of the last does not hold for it.
    fn forget_silence(&mut self) {
        self.state[SILENCE] = 0.0;
        for i in 0..N {
            self.covariance[i][SILENCE] = 0.0;
            self.covariance[SILENCE][i] = 0.0;
        }
        self.covariance[SILENCE][SILENCE] = 1.0;
    }

    fn moisture_now(&self) -> f64 {
        self.state[W] / (self.state[W] + self.state[D])
    }

    fn moisture_by(&self) -> Vector {
        let (w, d) = (self.state[W], self.state[D]);
        let mut by = [0.0; N];
        (by[W], by[D]) = (d / square(w + d), -w / square(w + d));
        by
    }

    /// W (1 - goal) - D goal: positive above the goal, in kg.
    fn margin(&self, goal: Fraction) -> Result<Margin, AccountError> {
        in_range("goal", goal.0, (0.05, 0.9), "of the wet mass", "give it as a fraction, not percent")?;
        let mut by = [0.0; N];
        (by[W], by[D]) = (1.0 - goal.0, -goal.0);
        Ok(Margin { value: dot(&by, &self.state), by })
    }

    fn sd_of(&self, by: &Vector) -> f64 {
        libm::sqrt(dot(by, &product(&self.covariance, by)).max(0.0))
    }
}

/// How long a hose that gives `flow` must run for `litres`.
///
/// # Errors
/// [`AccountError::OutOfRange`] for litres outside 0 to ten million or a flow outside 0.01 to 100,000 l/min.
pub fn time_to_give(litres: Litres, flow: LitresPerMinute) -> Result<Span, AccountError> {
    in_range("water to give", litres.0, (0.0, MASS_KG.1), "l", "check the litres given")?;
    in_range("flow of water", flow.0, HOSE_LITRES_PER_MINUTE, "l/min", "measure it with a bucket and a watch")?;
    Ok(Span::from_seconds_f64(litres.0 / flow.0 * 60.0))
}

/// What a hose that gives `flow` gave in `length`.
///
/// # Errors
/// [`AccountError::OutOfRange`] for a length outside 0 to 31 days or a flow outside 0.01 to 100,000 l/min.
pub fn given_in(length: Span, flow: LitresPerMinute) -> Result<Litres, AccountError> {
    in_range("time of watering", length.as_days(), (0.0, 31.0), "d", "check the minutes given")?;
    in_range("flow of water", flow.0, HOSE_LITRES_PER_MINUTE, "l/min", "measure it with a bucket and a watch")?;
    Ok(Litres(length.as_minutes() * flow.0))
}

const HOSE_LITRES_PER_MINUTE: (f64, f64) = (0.01, 100_000.0);

/// Nothing is foretold for longer than ten years.
const FAR_SECONDS: f64 = 3650.0 * SECONDS_PER_DAY;

struct Margin {
    value: f64,
    by: Vector,
}

/// What leaves each second, and how each error moves it.
#[derive(Clone, Copy, Debug)]
struct Flux {
    /// kg/s
    water: f64,
    /// W
    heat: f64,
    water_by: Vector,
    heat_by: Vector,
}

impl Flux {
    fn of(bed: &BedParameters, air: &Air, e: &Exchange) -> Flux {
        let mut water_by = [0.0; N];
        water_by[FLOW] = e.blower * e.water_per_kg() * air.flow_sd.0;
        water_by[DRAUGHT] = e.draught * e.water_per_kg() * bed.draught_sd.0;
        water_by[EXHAUST] = e.air() * e.w_out * bed.exhaust_humidity_sd.0;
        water_by[INLET] = e.by_inlet_humidity().0 * air.humidity_sd.0;
        let mut heat_by = [0.0; N];
        heat_by[FLOW] = e.blower * e.heat_per_kg() * air.flow_sd.0;
        heat_by[DRAUGHT] = e.draught * e.heat_per_kg() * bed.draught_sd.0;
        heat_by[EXHAUST] = water_by[EXHAUST] * e.vaporisation;
        heat_by[INLET] = e.by_inlet_humidity().1 * air.humidity_sd.0;
        heat_by[WALLS] = e.walls * bed.wall_sd.0;
        Flux { water: e.air() * e.water_per_kg(), heat: e.air() * e.heat_per_kg() + e.walls, water_by, heat_by }
    }

    fn mean(&self, other: &Flux) -> Flux {
        let mean = |a: &Vector, b: &Vector| std::array::from_fn(|i| (a[i] + b[i]) / 2.0);
        Flux {
            water: (self.water + other.water) / 2.0,
            heat: (self.heat + other.heat) / 2.0,
            water_by: mean(&self.water_by, &other.water_by),
            heat_by: mean(&self.heat_by, &other.heat_by),
        }
    }
}

impl Rate {
    /// Adds `seconds` over which water and dry mass changed evenly by so much.
    fn pass(&mut self, seconds: f64, water: f64, dry: f64, water_by: &Vector, dry_by: &Vector) {
        let keep = libm::exp(-seconds / RATE_OVER.as_seconds());
        // The weight of an even change of 1 over the stretch, by the second.
        let take = (1.0 - keep) / seconds;
        self.weight = self.weight * keep + (1.0 - keep);
        self.water = self.water * keep + take * water;
        self.dry = self.dry * keep + take * dry;
        for i in 0..N {
            self.water_by[i] = self.water_by[i] * keep + take * water_by[i];
            self.dry_by[i] = self.dry_by[i] * keep + take * dry_by[i];
        }
    }
}

/// What came of what would have come; all of it where that is nothing.
fn share(came: f64, would: f64) -> f64 {
    if came == would { 1.0 } else { came / would }
}

fn ordered(what: &'static str, low: f64, high: f64) -> Result<(), AccountError> {
    // A value that is not a number is left to the check of its range.
    if low > high { Err(AccountError::Reversed { what, low, high }) } else { Ok(()) }
}

fn unit_variances() -> [Vector; N] {
    std::array::from_fn(|i| std::array::from_fn(|j| if i == j { 1.0 } else { 0.0 }))
}

fn product(p: &[Vector; N], v: &Vector) -> Vector {
    std::array::from_fn(|i| dot(&p[i], v))
}

fn dot(a: &Vector, b: &Vector) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

fn square(x: f64) -> f64 {
    x * x
}
