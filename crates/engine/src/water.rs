//! The water account of each bin, fed ten minutes at a time from what was measured.
//!
//! Must never close a cell before late readings had their time, nor take silence of the blower for running or for standing: what is
//! not known goes in as a range and widens the account's doubt.
//!
//! A cell is closed at its end and [`limits::LATE_AFTER`] (or three intervals of the slowest probe) later, from the windows as they
//! are then; a reading that comes later still changes nothing. What the account stands at goes to the store with every cell, so that a
//! restart goes on from there.

use std::sync::Arc;

use pile::bed::{AIR_CELSIUS, Air, BedParameters};
use pile::humid_air;
use pile::time::{Span, Timestamp};
use pile::units::{
    Celsius, CubicMetresPerHour, Fraction, Kelvin, KilogramsPerCubicMetre, Litres, LitresPerMinute, Pascals,
};
use pile::water_account::{Between, Filling, Stretch, WaterAccount, given_in};
use pile::window::{Point, Window};
use rulebook::Rule;
use rulebook::facts::WaterFacts;
use site::entry::{Batch, BatchId, Entry, EntryKind, Filled, probes_out};
use site::ids::BinId;
use site::model::{Bin, Blower, Direction, Position, RunProof};
use site::quantity::Quantity;
use site::reading::{SeriesId, Source};
use site::zone::Zone;

use crate::effect::Effect;
use crate::engine::{BinState, Deadline, Engine};
use crate::limits;

/// The account of the batch in a bin.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct BinWater {
    /// The batch it is of.
    pub(crate) batch: BatchId,
    /// It, or why there is none.
    pub(crate) account: Result<Arc<WaterAccount>, String>,
}

/// A kept account: which bin and batch, up to where, and its numbers.
#[derive(Clone, Debug, PartialEq)]
pub struct KeptWater {
    /// The bin.
    pub bin: BinId,
    /// The batch.
    pub batch: BatchId,
    /// Where it stands.
    pub at: Timestamp,
    /// See [`WaterAccount::to_numbers`].
    pub numbers: Vec<f64>,
}

/// Below this the water of a bed is ice.
const FREEZES_CELSIUS: f64 = 0.0;
/// Density of a mix that nobody weighed, 400 to 600 kg/m³ in the middle (common practice, no source).
const USUAL_DENSITY: KilogramsPerCubicMetre = KilogramsPerCubicMetre(500.0);
/// Moisture of a mix that nobody measured: 55 to 60 % is what recipes aim at (Cooperband 2002).
const USUAL_MOISTURE: f64 = 0.58;
/// A watering of which no amount is known, L for each cubic metre: the dose that the rules ask for, and how far off it may be.
const USUAL_DOSE: (f64, f64) = (15.0, 10.0);
/// What is known of the moisture where a sample is withdrawn, one standard deviation in percent of the wet mass (chosen).
const UNSAMPLED_SD_PERCENT: f64 = 8.0;
/// Doubt of litres that somebody wrote, of those worked out from minutes, and of a blower's flow from the settings, as shares.
const LITRES_SD: f64 = 0.1;
const MINUTES_SD: f64 = 0.2;
const FLOW_SD: Fraction = Fraction(0.25);
/// The bed is followed to so far below boiling, K: there 1 K moves the water that leaves by more than a third; and hotter than that it is
/// anything from so much colder up to there (chosen).
const BELOW_BOILING: f64 = 3.0;
const BOILING_DOUBT: f64 = 10.0;
/// Outside air where no probe measures it (chosen).
const USUAL_AIR: Celsius = Celsius(12.0);

impl Engine {
    /// Begins the account of a batch that went on air.
    pub(crate) fn begin_water(&mut self, batch: &Batch, filled: Option<&Filled>, effects: &mut Vec<Effect>) {
        let Some(bin) = self.site.bins.get(&batch.bin) else { return };
        let begin = batch.on_air_at.unwrap_or(batch.in_bin_since);
        let account = match out_of_reach(begin, self.now, &self.site.zone) {
            Some(why) => Err(why),
            None => begun(bin, begin, filled).map(Arc::new).map_err(|e| e.to_string()),
        };
        let water = BinWater { batch: batch.id, account };
        if let Some(state) = self.bins.get_mut(&batch.bin) {
            state.water = Some(water);
        }
        self.keep_water(&batch.bin, effects);
        self.schedule_water(&batch.bin);
    }

    /// Begins the account of a batch whose on-air was corrected, where there is none that goes on.
    pub(crate) fn begin_water_if_none(&mut self, bin: &BinId, filled: Option<&Filled>, effects: &mut Vec<Effect>) {
        let Some(state) = self.bins.get(bin) else { return };
        let goes_on = state.water.as_ref().is_some_and(|water| water.account.is_ok());
        let Some(batch) = state.batch.clone().filter(|batch| !goes_on && batch.off_air_at.is_none()) else { return };
        self.begin_water(&batch, filled, effects);
    }

    /// Takes back the accounts that were kept; a batch without one stays without.
    pub(crate) fn put_water_back(&mut self, kept: Vec<KeptWater>) {
        for kept in kept {
            let Some(state) = self.bins.get_mut(&kept.bin) else { continue };
            let account = match out_of_reach(kept.at, self.now, &self.site.zone) {
                Some(why) => Err(why),
                None => WaterAccount::from_numbers(kept.at, &kept.numbers)
                    .map(Arc::new)
                    .ok_or_else(|| "the kept water balance cannot be read".to_owned()),
            };
            let water = BinWater { batch: kept.batch, account };
            if state.batch.as_ref().is_some_and(|b| b.id == kept.batch && b.off_air_at.is_none()) {
                state.water = Some(water);
                self.schedule_water(&kept.bin);
            } else {
                state.water_before = Some(water);
            }
        }
    }

    /// Goes on with the account of a batch that is on air in a bin again, because what ended it did not happen.
    pub(crate) fn water_goes_on(&mut self, bin: &BinId, effects: &mut Vec<Effect>) {
        let Some(state) = self.bins.get_mut(bin) else { return };
        let Some(batch) = state.batch.as_ref().filter(|b| b.on_air_at.is_some() && b.off_air_at.is_none()) else {
            return;
        };
        if state.water.is_none() && state.water_before.as_ref().is_some_and(|water| water.batch == batch.id) {
            state.water = state.water_before.take();
        }
        self.keep_water(bin, effects);
        self.schedule_water(bin);
    }

    /// What people wrote goes into the account at once, where it stands.
    pub(crate) fn water_entry(&mut self, entry: &Entry, effects: &mut Vec<Effect>) {
        let wrong = match &entry.kind {
            EntryKind::Watered { .. } | EntryKind::Sampled { .. } => None,
            EntryKind::Corrected { of, .. } => {
                let entries = self.bins.get(&entry.bin).map(|state| Arc::clone(&state.entries)).unwrap_or_default();
                let Some(wrong) = entries.iter().find(|e| e.id == *of) else { return };
                // A sample that was taken since knows better than what was written before it.
                let later = |e: &Entry| e.id != *of && e.at >= wrong.at && matches!(e.kind, EntryKind::Sampled { .. });
                if entries.iter().any(later) {
                    return;
                }
                Some(wrong.kind.clone())
            }
            _ => return,
        };
        let Some(bin) = self.site.bins.get(&entry.bin) else { return };
        let (volume, hose) = (bin.volume.0, bin.hose);
        let Some(water) = self.bins.get_mut(&entry.bin).and_then(|s| s.water.as_mut()) else { return };
        let Ok(account) = &mut water.account else { return };
        let account = Arc::make_mut(account);
        let given = |kind: &EntryKind| given(kind, volume, hose);
        let really = match &entry.kind {
            EntryKind::Corrected { really, .. } => really.as_ref().map(|really| &really.kind),
            kind => Some(kind),
        };
        // What is out of range was refused before it became an entry; an error leaves the account as it was.
        let _unchanged = match (wrong, really) {
            (Some(EntryKind::Sampled { sd_percent, .. }), really) => {
                let (moisture, sd) = match really {
                    Some(EntryKind::Sampled { moisture_percent, sd_percent }) => (Some(*moisture_percent), *sd_percent),
                    _ => (None, sd_percent.max(UNSAMPLED_SD_PERCENT)),
                };
                account.sample_again(moisture.map(|m| Fraction(m / 100.0)), Fraction(sd / 100.0))
            }
            (Some(wrong), really) => match given(&wrong) {
                Some((was, _)) => {
                    let (is, sd) = really.and_then(given).unwrap_or((Litres(0.0), Litres(0.0)));
                    account.water_again(was, is, sd)
                }
                None => return,
            },
            (None, Some(EntryKind::Sampled { moisture_percent, sd_percent })) => {
                account.sample(Fraction(moisture_percent / 100.0), Fraction(sd_percent / 100.0)).map(|_| ())
            }
            (None, really) => match really.and_then(given) {
                Some((litres, sd)) => account.water(litres, sd),
                None => return,
            },
        };
        self.keep_water(&entry.bin, effects);
    }

    /// Asks the store to keep where the account stands.
    fn keep_water(&self, bin: &BinId, effects: &mut Vec<Effect>) {
        let Some(water) = self.bins.get(bin).and_then(|s| s.water.as_ref()) else { return };
        let Ok(account) = &water.account else { return };
        let kept = KeptWater { bin: bin.clone(), batch: water.batch, at: account.at(), numbers: account.to_numbers() };
        effects.push(Effect::Water(Box::new(kept)));
    }

    /// Closes the cells of a bin whose time for late readings is over at `at`; after a long stop in pieces, each kept by itself.
    pub(crate) fn close_water(&mut self, bin: &BinId, at: Timestamp, effects: &mut Vec<Effect>) {
        let late = self.water_late_after(bin);
        let Some(water) = self.bins.get(bin).and_then(|s| s.water.clone()) else { return };
        let on_air = self.bins.get(bin).and_then(|s| s.batch.as_ref()).is_some_and(|b| b.off_air_at.is_none());
        let Ok(account) = water.account else { return };
        if !on_air {
            return;
        }
        if let Some(why) = out_of_reach(account.at(), at, &self.site.zone) {
            return self.end_water(bin, water.batch, why, effects);
        }
        let mut next = (*account).clone();
        let mut cells = 0;
        while next.at() + limits::WATER_CELL + late <= at && cells < limits::WATER_CELLS_AT_ONCE {
            cells += 1;
            let stretch = self.stretch(bin, next.at(), next.at() + limits::WATER_CELL);
            if let Err(error) = next.pass(&stretch) {
                let why = format!("the water balance stopped: {error}");
                return self.end_water(bin, water.batch, why, effects);
            }
        }
        if next.at() > account.at() {
            if let Some(state) = self.bins.get_mut(bin) {
                state.water = Some(BinWater { batch: water.batch, account: Ok(Arc::new(next)) });
            }
            self.keep_water(bin, effects);
        }
        self.schedule_water(bin);
    }

    fn end_water(&mut self, bin: &BinId, batch: BatchId, why: String, effects: &mut Vec<Effect>) {
        // One line a cause: after a long stop every bin's balance ends for the same reason.
        let same = |state: &BinState| state.water.as_ref().is_some_and(|w| w.account.as_ref().err() == Some(&why));
        if !self.bins.values().any(same) {
            let text = format!("bin {bin}: no water balance: {why} (other bins with the same reason are not listed)");
            effects.push(Effect::Say { level: crate::effect::Level::Warn, text });
        }
        if let Some(state) = self.bins.get_mut(bin) {
            state.water = Some(BinWater { batch, account: Err(why) });
        }
    }

    fn schedule_water(&mut self, bin: &BinId) {
        let late = self.water_late_after(bin);
        let stands =
            self.bins.get(bin).and_then(|s| s.water.as_ref()).and_then(|w| w.account.as_ref().ok()).map(|a| a.at());
        if let Some(stands) = stands {
            let due = stands + limits::WATER_CELL + late;
            // What is overdue goes on in its next piece.
            let at = if due <= self.now { self.now + limits::NEXT_PIECE_AFTER } else { due };
            self.insert_deadline(at, Deadline::Water(bin.clone()));
        }
    }

    fn water_late_after(&self, bin: &BinId) -> Span {
        let described = self.site.bins.get(bin);
        let probes = described.map(|b| b.probes.as_slice()).unwrap_or_default();
        let intervals = probes.iter().filter_map(|id| self.site.probes.get(id)).map(|p| p.interval);
        let blower = described.and_then(|b| self.site.blowers.get(b.blower.as_ref()?)).map(|b| b.interval);
        let slowest = intervals.chain(blower).max().unwrap_or(Span::ZERO);
        limits::LATE_AFTER.max(slowest.times(3))
    }

    fn stretch(&self, bin: &BinId, from: Timestamp, to: Timestamp) -> Stretch {
        let (bed, rise) = self.bed(bin, from, to);
        let described = self.site.bins.get(bin);
        let blower = described.and_then(|b| self.site.blowers.get(b.blower.as_ref()?));
        let outside = self.outside(Quantity::Temperature, from, to);
        let humidity = self.outside(Quantity::Humidity, from, to).filter(|h| (0.0..=100.0).contains(h));
        let pressure = humid_air::pressure_at(self.site.elevation).unwrap_or(Pascals(101_325.0));
        Stretch {
            until: to,
            duty: blower.map_or(Between::exactly(Fraction(0.0)), |b| self.duty(b, from, to)),
            bed,
            rise,
            air: Air {
                inlet: outside.map_or(USUAL_AIR, |t| Celsius(t.clamp(AIR_CELSIUS.0, AIR_CELSIUS.1))),
                humidity: Fraction(humidity.map_or(0.7, |h| h / 100.0)),
                humidity_sd: Fraction(if humidity.is_some() { 0.05 } else { 0.2 }),
                flow: described.zip(blower).map_or(CubicMetresPerHour(0.0), |(bin, blower)| self.flow(bin, blower)),
                flow_sd: FLOW_SD,
                pressure,
            },
        }
    }

    /// The temperature at which air leaves the bed, and the rise of its mean; a range around the last one known where no probe is heard.
    fn bed(&self, bin: &BinId, from: Timestamp, to: Timestamp) -> (Between<Celsius>, Kelvin) {
        let mut layers = Vec::new();
        // Pulled probes tell of the air.
        let out = self.bins.get(bin).map(|s| probes_out(&s.entries)).unwrap_or_default();
        let positions: &[Position] =
            if out.iter().any(|(begin, end)| *begin < to && *end > from) { &[] } else { &self.layers_as_air_goes(bin) };
        for position in positions {
            let heard: Vec<(f64, f64)> = self
                .temperatures_at(bin, *position)
                .filter_map(|s| value_at(&s.window, from).zip(value_at(&s.window, to)))
                .collect();
            if !heard.is_empty() {
                let n = heard.len() as f64;
                let sum = heard.iter().fold((0.0, 0.0), |sum, (a, b)| (sum.0 + a, sum.1 + b));
                layers.push((sum.0 / n, sum.1 / n));
            }
        }
        // Near boiling a kelvin more or less decides how much water leaves: what is hotter is followed as a range below that.
        let hottest = self.followed_up_to().0;
        // Below freezing it is followed at 0 °C: at most 4 g leave with each kg of air there, so it errs by little and to the dry side, and goes
        // on by itself in the thaw. Meanwhile `water_facts` gives the reason in place of figures.
        let within = |t: f64| Celsius(t.clamp(FREEZES_CELSIUS, hottest));
        if layers.is_empty() {
            let newest = [Position::Core, Position::Base, Position::Upper].into_iter().find_map(|position| {
                self.temperatures_at(bin, position).find_map(|s| s.window.range(Timestamp::MIN, from).next_back())
            });
            let around = newest.map_or((10.0, 70.0), |p| (p.value - 10.0, p.value + 5.0));
            return (Between { low: within(around.0), high: within(around.1) }, Kelvin(0.0));
        }
        let n = layers.len() as f64;
        let rise = layers.iter().map(|(a, b)| b - a).sum::<f64>() / n;
        // The air leaves through the last layer that is measured, and is as warm and as damp as that: the layers come in that order.
        let leaves_at = layers.last().map_or(0.0, |(a, b)| (a + b) / 2.0);
        let bed = match leaves_at > hottest {
            true => Between { low: within(hottest - BOILING_DOUBT), high: within(hottest) },
            false => Between::exactly(within(leaves_at)),
        };
        (bed, Kelvin(rise.clamp(-95.0, 95.0)))
    }

    /// The hottest bed that the account follows: water must not boil there, at the site's elevation.
    fn followed_up_to(&self) -> Celsius {
        let boiling = humid_air::boiling_at(self.site.elevation).map_or(100.0, |t| t.0);
        Celsius((boiling - BELOW_BOILING).min(pile::bed::BED_CELSIUS.1))
    }

    /// The layers in the order in which air passes them.
    fn layers_as_air_goes(&self, bin: &BinId) -> [Position; 3] {
        let blower = self.site.bins.get(bin).and_then(|b| self.site.blowers.get(b.blower.as_ref()?));
        match blower.map(|blower| blower.direction) {
            Some(Direction::Suction) => [Position::Upper, Position::Core, Position::Base],
            Some(Direction::Upward) | None => [Position::Base, Position::Core, Position::Upper],
        }
    }

    /// What rules may know of the water in a bin; nothing while the pile is so hot that nobody can tell how much leaves.
    pub(crate) fn water_facts(&self, state: Option<&BinState>, described: Option<&Bin>, at: Timestamp) -> WaterFacts {
        let mut facts = water_facts(state, described, hold_of(self.rulebook.rules()));
        let followed = self.followed_up_to();
        let hottest = described.and_then(|bin| self.hottest(&bin.id, at, limits::HOT_REMEMBERED));
        if let Some(hottest) = hottest.filter(|hottest| hottest.celsius > followed.0 && facts.account.is_ok()) {
            let show = |celsius| rulebook::temperature(celsius, self.site.display);
            facts.account = Err(format!(
                "probe {} is at {}: above {} so much water leaves at this elevation that nobody can tell how much. It goes on when \
                 the pile is cooler",
                hottest.probe,
                show(hottest.celsius),
                show(followed.0)
            ));
        }
        if let Some((position, celsius)) = described.and_then(|bin| self.leaves_frozen(&bin.id, at))
            && facts.account.is_ok()
        {
            let show = |celsius| rulebook::temperature(celsius, self.site.display);
            facts.account = Err(format!(
                "the {position}, where the air leaves the pile, is at {}: below {} its water is ice, and the water balance cannot tell how much \
                 leaves. It goes on when the pile is warmer",
                show(celsius),
                show(FREEZES_CELSIUS)
            ));
        }
        facts
    }

    /// The layer through which the air leaves and its newest temperature, where that is frozen and its probes are in the pile.
    fn leaves_frozen(&self, bin: &BinId, at: Timestamp) -> Option<(&'static str, f64)> {
        let out = self.bins.get(bin).map(|s| probes_out(&s.entries)).unwrap_or_default();
        if out.iter().any(|(begin, end)| *begin <= at && *end > at) {
            return None;
        }
        self.layers_as_air_goes(bin)
            .into_iter()
            .rev()
            .find_map(|position| {
                let newest = self.temperatures_at(bin, position).filter_map(|s| s.window.newest());
                let heard: Vec<f64> = newest
                    .filter(|point| at.since(point.at) <= limits::HOT_REMEMBERED)
                    .map(|point| point.value)
                    .collect();
                let mean = heard.iter().sum::<f64>() / heard.len() as f64;
                let name = match position {
                    Position::Base => "base",
                    Position::Upper => "upper layer",
                    _ => "core",
                };
                (!heard.is_empty()).then_some((name, mean))
            })
            .filter(|(_, celsius)| *celsius < FREEZES_CELSIUS)
    }

    /// The share of the time that the blower ran.
    fn duty(&self, blower: &Blower, from: Timestamp, to: Timestamp) -> Between<Fraction> {
        let due = blower.schedule.duty();
        let series = |quantity| {
            let id = SeriesId { source: Source::Blower(blower.id.clone()), quantity };
            self.series.get(&id).map(|s| &s.window)
        };
        let seconds = to.since(from).as_seconds();
        let ran = match blower.proof {
            RunProof::RunCounter => series(Quantity::RunTime)
                .and_then(|w| value_at(w, to).zip(value_at(w, from)))
                .map(|(end, start)| (end - start) / seconds),
            RunProof::Signal { quantity, on_above } if blower.pulses_countable() => series(quantity).and_then(|w| {
                let samples: Vec<Point> = w.range(from, to).collect();
                let on = samples.iter().filter(|p| p.value > on_above).count();
                let enough =
                    blower.interval.times(samples.len() as i64) >= Span::millis(to.since(from).as_millis() / 2);
                enough.then(|| on as f64 / samples.len() as f64)
            }),
            RunProof::Signal { .. } => None,
            // Nothing will ever tell; most timers do what they are set to.
            RunProof::ScheduledOnly => {
                return Between { low: Fraction(due / 2.0), high: Fraction(due) };
            }
        };
        match ran.filter(|share| (-0.001..=1.05).contains(share)) {
            Some(share) => Between::exactly(Fraction(share.clamp(0.0, 1.0))),
            None => Between { low: Fraction(0.0), high: Fraction(due) },
        }
    }

    fn flow(&self, bin: &Bin, blower: &Blower) -> CubicMetresPerHour {
        let served = self.site.bins.values().filter(|b| b.blower.as_ref() == Some(&blower.id)).count().max(1);
        let flow = bin.flow.map_or(blower.flow.0 / served as f64, |flow| flow.0);
        let open = self.bins.get(&bin.id).map_or(100.0, |s| s.valve_percent);
        CubicMetresPerHour(flow * open.clamp(0.0, 100.0) / 100.0)
    }

    /// The mean of what the first heard outside probe measured.
    fn outside(&self, quantity: Quantity, from: Timestamp, to: Timestamp) -> Option<f64> {
        let of = |(id, s): (&SeriesId, &crate::series::Series)| {
            (id.quantity == quantity && s.position == Some(Position::Ambient))
                .then(|| Some((value_at(&s.window, from)? + value_at(&s.window, to)?) / 2.0))?
        };
        self.series.iter().find_map(of)
    }
}

/// The hot run that a rule asks for: its settings `hold`, a temperature, and `hold_time`, in hours.
fn hold_of(rules: &[Rule]) -> Option<(Celsius, Span)> {
    let of = |rule: &Rule| {
        let setting = |name: &str, unit: &str| {
            rule.header.settings.get(name).filter(|setting| setting.unit == unit).map(|setting| setting.value)
        };
        setting("hold", "°C").zip(setting("hold_time", "h"))
    };
    let (hold, hours) = rules.iter().find_map(of)?;
    Some((Celsius(hold), Span::from_seconds_f64(hours * 3_600.0)))
}

/// What rules may know of the water in a bin.
fn water_facts(
    state: Option<&BinState>,
    described: Option<&site::model::Bin>,
    hold: Option<(Celsius, Span)>,
) -> WaterFacts {
    let account = match state.and_then(|s| s.water.as_ref()) {
        Some(water) => water.account.clone(),
        None => Err("the water was not counted since on-air".into()),
    };
    WaterFacts {
        volume: described.map_or(pile::units::CubicMetres(0.0), |b| b.volume),
        hose: described.and_then(|b| b.hose),
        hold,
        account,
    }
}

/// Why no account begins or goes on at an instant: it would walk through time of which nothing is known, or has not come.
fn out_of_reach(from: Timestamp, now: Timestamp, zone: &Zone) -> Option<String> {
    let shown = zone.show(from);
    if from > now + limits::DEVICE_AHEAD_MOST {
        return Some(format!("it would go on at {shown}, which is still to come: the clock was ahead; go by samples"));
    }
    (now.since(from) > limits::WATER_BEHIND_MOST).then(|| {
        format!(
            "it would go on at {shown}, more than {} ago: hypocaust was off, its clock was wrong, or the on-air entry is; if the entry is, correct it, \
             and otherwise go by samples",
            limits::WATER_BEHIND_MOST
        )
    })
}

fn begun(bin: &Bin, begin: Timestamp, filled: Option<&Filled>) -> Result<WaterAccount, pile::bed::AccountError> {
    let usual = Filling::by_volume(bin.volume, USUAL_DENSITY, Fraction(USUAL_MOISTURE));
    let filling = match filled {
        None => Filling { wet_mass_sd: Fraction(0.2), ..usual },
        Some(f) => Filling {
            wet_mass: f.wet_mass,
            wet_mass_sd: Fraction(if f.weighed { 0.03 } else { 0.1 }),
            moisture: Fraction(f.moisture_percent.map_or(USUAL_MOISTURE, |m| m / 100.0)),
            moisture_sd: Fraction(if f.moisture_percent.is_some() { 0.03 } else { 0.05 }),
            degradable: f.degradable_percent.map_or(usual.degradable, |d| Fraction(d / 100.0)),
        },
    };
    WaterAccount::begin(BedParameters::of_static_bin(bin.volume)?, begin, &filling)
}

/// The value at an instant, on the straight line between its neighbours, if they are no further apart than an hour.
fn value_at(window: &Window, at: Timestamp) -> Option<f64> {
    let before = window.range(at - limits::GAP_BRIDGED, at).next_back()?;
    if before.at == at {
        return Some(before.value);
    }
    let after = window.range(at, at + limits::GAP_BRIDGED).next()?;
    let apart = after.at.since(before.at);
    if apart > limits::GAP_BRIDGED || apart <= Span::ZERO {
        return None;
    }
    let share = at.since(before.at).as_seconds() / apart.as_seconds();
    Some(before.value + (after.value - before.value) * share)
}

/// What a watering gave, and its doubt.
fn given(kind: &EntryKind, volume: f64, hose: Option<LitresPerMinute>) -> Option<(Litres, Litres)> {
    let EntryKind::Watered { minutes, litres } = kind else { return None };
    if let Some(litres) = litres {
        return Some((*litres, Litres(LITRES_SD * litres.0)));
    }
    let by_hose = minutes.zip(hose).and_then(|(m, flow)| given_in(Span::from_seconds_f64(m * 60.0), flow).ok());
    Some(match by_hose {
        Some(litres) => (litres, Litres(MINUTES_SD * litres.0)),
        None => (Litres(USUAL_DOSE.0 * volume), Litres(USUAL_DOSE.1 * volume)),
    })
}
