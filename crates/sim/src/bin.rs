//! One bin: heat, water, degradable solids and oxygen in layers from the floor upwards.
//!
//! Must never know a rule or an alarm, nor gain or lose mass or energy without an entry in the [`Balance`].
//!
//! # The model
//!
//! Each layer holds water W (kg), degradable solids S (kg), inert solids I (kg, constant), heat E (J above 0 °C) and pore
//! gas with the oxygen fraction x. Dry mass d = I + S, moisture M = W/(W + d), heat capacity C = d c + 4186 W,
//! temperature T = E/C. Air enters below, passes the layers in turn and leaves each saturated at that layer's
//! temperature; so it dries the layers that warm it and wets those that cool it.
//!
//! * decay, kg solids a second: r = k S fT fM fF fO / 86400, with fT the cardinal-temperature curve (Rosso), fM a
//!   sigmoid over moisture, fF Haug's curve over free air space, fO = x/(K + x);
//! * solids: dS/dt = -r;
//! * water: dW/dt = y r - m (w - w below);
//! * heat: dE/dt = q r + T r (4186 y - c) - U A (T - Ta) - m (h(T, w) - h(T, w below)) + conduction between layers;
//! * oxygen: N dx/dt = n (x below - x) - r yO/0.032.
//!
//! m and n are dry air in kg/s and mol/s, w and h humidity ratio and enthalpy per kg of dry air (see `pile::humid_air`).
//! The second term of the heat balance is what the water that forms brings and the solids that go take along at the
//! bed's temperature. The oxygen step is implicit in its use and exact in its transport, a quadratic: with a long step it
//! is the quasi-steady solution of the equation, and it never oscillates. So five-minute steps suffice, whether the air
//! of a pulse comes in one of them or spread over all. The rest is
//! stepped by the midpoint rule.
//!
//! Left out: the lag of biomass, ammonia, ice, condensate running back from a lid, gradients from the middle to the walls,
//! and rain. The equations and most parameters are from memory of the composting literature; a model like this is
//! usually several kelvin wrong against a real bin.

use pile::humid_air::{self, OutOfRange};
use pile::time::Span;
use pile::units::{Celsius, CubicMetres, Litres, readable};

use crate::blower::Air;
use crate::parameters::{Layers, Parameters};
use crate::weather::Weather;

/// Oxygen fraction of fresh dry air.
const FRESH_OXYGEN: f64 = 0.2095;
/// Molar mass of dry air, kg/mol.
const AIR_KG_PER_MOL: f64 = 0.028_97;
/// Molar mass of oxygen, kg/mol.
const OXYGEN_KG_PER_MOL: f64 = 0.032;
/// Specific heat of liquid water, J/(kg K).
const WATER_JOULES_PER_KILOGRAM_KELVIN: f64 = 4_186.0;
/// Molar mass of water over that of dry air.
const WATER_TO_AIR: f64 = 0.621_945;
/// Molar gas constant, J/(mol K).
const GAS_CONSTANT: f64 = 8.314;
/// Layers that a bin can have at most.
const LAYERS_MAX: usize = 3;
/// Internal steps are not made shorter than this for the sake of a strong blower, s.
const SHORTEST_STEP_SECONDS: f64 = 5.0;
/// The vapour's share of the pressure beyond which the bed counts as boiling.
const VAPOUR_SHARE_MAX: f64 = 0.95;

/// Where in the bin. In a bin of one layer all three are the same.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Layer {
    /// The lowest third, on the floor.
    Base,
    /// The middle third.
    Core,
    /// The uppermost third, under the cover.
    Upper,
}

impl Layer {
    /// All of them, from the floor upwards.
    pub const ALL: [Layer; 3] = [Layer::Base, Layer::Core, Layer::Upper];
}

/// What was filled into a bin.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BinSetup {
    /// Volume of the fill.
    pub volume: CubicMetres,
    /// Wet mass, kg.
    pub wet_mass: f64,
    /// Moisture, kg water per kg wet mass.
    pub moisture: f64,
    /// Ash as a share of the dry mass.
    pub ash: f64,
    /// Temperature of the mix when it was loaded.
    pub loaded_at: Celsius,
    /// The numbers of the model.
    pub params: Parameters,
}

/// What passed the borders of a bin, or changed inside it, within one call.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Balance {
    /// Heat set free by decay, J.
    pub reaction_joules: f64,
    /// Heat of the water formed less that of the solids gone, both at the bed's temperature, J.
    pub carried_joules: f64,
    /// Heat lost through walls, floor and cover, J.
    pub wall_joules: f64,
    /// Enthalpy gained by the air on its way through, J.
    pub air_joules: f64,
    /// Water taken up by the air, kg; negative when the bed condensed it.
    pub evaporated_kg: f64,
    /// Water formed by decay, kg.
    pub formed_kg: f64,
    /// Solids decayed, kg.
    pub solids_kg: f64,
    /// Oxygen used, kg.
    pub oxygen_kg: f64,
}

/// The gas that leaves the uppermost layer.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Exhaust {
    /// Its temperature.
    pub temperature: Celsius,
    /// kg of water per kg of dry air.
    pub humidity_ratio: f64,
    /// Mean oxygen fraction of the dry gas over the last call of [`Bin::advance`], weighted with the flow.
    pub oxygen: f64,
}

/// Where the water of one watering went.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Soaked {
    /// Water that the bin holds.
    pub held: Litres,
    /// Water that drained away, because the bin holds no more.
    pub drained: Litres,
}

/// Why the model refused an argument; the bin is unchanged.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum Refused {
    /// A number is outside what the model can mean.
    #[error("{what} is {}, which is outside {low} to {high}; correct it", readable(value))]
    Outside {
        /// Which number, with its unit.
        what: &'static str,
        /// The number given.
        value: f64,
        /// The lowest that is taken.
        low: f64,
        /// The highest that is taken.
        high: f64,
    },
    /// The temperature of the bed, or of the air, has no saturation pressure.
    #[error("the air in the bin cannot be computed; check the weather and the parameters of the bin")]
    Air(#[from] OutOfRange),
    /// The bed is so hot that vapour leaves no room for air.
    #[error("the bed reached {} °C at {pascals} Pa, where it boils; give the bin other parameters", readable(celsius))]
    Boils {
        /// Temperature of the bed, °C.
        celsius: f64,
        /// Air pressure, Pa.
        pascals: f64,
    },
}

impl BinSetup {
    /// The textbook bin: 2.5 m³ of a mixed feed at 500 kg/m³ and 60 % moisture, loaded at 18 °C. With
    /// [`Blower::typical`](crate::Blower::typical) and water it stays above 60 °C for three to four weeks.
    pub const fn typical() -> BinSetup {
        BinSetup {
            volume: CubicMetres(2.5),
            wet_mass: 1250.0,
            moisture: 0.60,
            ash: 0.12,
            loaded_at: Celsius(18.0),
            params: Parameters::layered(),
        }
    }

    /// The textbook bin mixed at 55 % moisture: it heats as usual and dries out within two weeks unless it is watered.
    pub const fn dry_mix() -> BinSetup {
        BinSetup { moisture: 0.55, ..BinSetup::typical() }
    }

    /// A rich feed, two thirds of its volatile solids degradable, with microbes that stand 80 °C: it runs too hot, and
    /// hotter with less air.
    pub const fn rich_feed() -> BinSetup {
        let typical = BinSetup::typical();
        let params = Parameters { degradable_share: 0.65, active_celsius_max: 80.0, ..typical.params };
        BinSetup { params, ..typical }
    }

    /// A soaked feed without pores, 950 kg/m³ at 76 % moisture: it never gets warm.
    pub const fn soaked_mix() -> BinSetup {
        let typical = BinSetup::typical();
        // Such a feed sits in its own water, which the usual holding moisture would not allow.
        let params = Parameters { holding_moisture: 0.80, ..typical.params };
        BinSetup { wet_mass: 2375.0, moisture: 0.76, params, ..typical }
    }

    /// A woody feed, light and hardly degradable: it gets warm and never hot.
    pub const fn woody_mix() -> BinSetup {
        let typical = BinSetup::typical();
        let params = Parameters { degradable_share: 0.15, ..typical.params };
        BinSetup { wet_mass: 875.0, moisture: 0.50, params, ..typical }
    }
}

/// A bin in operation.
#[derive(Clone, Debug, PartialEq)]
pub struct Bin {
    params: Parameters,
    beds: [Bed; LAYERS_MAX],
    fill: Fill,
    seconds: f64,
    exhaust: Exhaust,
}

/// What a layer was at loading; the same for all of them.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Fill {
    layer_volume: f64,
    layer_dry: f64,
    layer_inert: f64,
    /// Wall area times heat passage, W/K, for a layer that is neither first nor last.
    side_watts_per_kelvin: f64,
    /// The same for the floor, and for the cover.
    end_watts_per_kelvin: f64,
    /// Conduction from one layer's middle to the next one's, W/K.
    between_watts_per_kelvin: f64,
}

/// The state of a layer, or its rate of change.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Bed {
    /// Heat above 0 °C, J.
    heat: f64,
    /// Water, kg.
    water: f64,
    /// Degradable solids, kg.
    solids: f64,
    /// Oxygen fraction of the dry pore gas.
    oxygen: f64,
}

/// Intake air, prepared once per step.
#[derive(Clone, Copy)]
struct Intake {
    ambient: f64,
    pressure: f64,
    humidity_ratio: f64,
    /// m³ per kg of dry air.
    volume: f64,
    /// m³/s from the blower, mean over the step.
    blown: f64,
}

fn within(what: &'static str, value: f64, low: f64, high: f64) -> Result<f64, Refused> {
    // Written so that a value that is not a number is refused.
    if (low..=high).contains(&value) { Ok(value) } else { Err(Refused::Outside { what, value, low, high }) }
}

impl Bin {
    /// The bin just loaded: every layer alike, fresh air in the pores.
    ///
    /// # Errors
    /// [`Refused::Outside`] for a fill or a parameter that the equations cannot use.
    pub fn new(setup: BinSetup) -> Result<Bin, Refused> {
        let p = setup.params;
        within("volume (m³)", setup.volume.0, 0.01, 1e5)?;
        within("wet mass (kg)", setup.wet_mass, 1.0, 1e8)?;
        within("moisture (share of wet mass)", setup.moisture, 0.01, 0.95)?;
        within("ash (share of dry mass)", setup.ash, 0.0, 0.95)?;
        within("temperature of the mix (°C)", setup.loaded_at.0, -20.0, 80.0)?;
        within("degradable share", p.degradable_share, 0.0, 1.0)?;
        within("decay (per day)", p.decay_per_day, 0.0, 10.0)?;
        within("longest step (s)", p.step_seconds_max, 0.1, 3_600.0)?;
        within("highest active temperature (°C)", p.active_celsius_max, 1.0, 90.0)?;
        within("lowest active temperature (°C)", p.active_celsius_min, -20.0, p.active_celsius_max)?;
        // Only in the upper half is the cardinal-temperature curve one hump between 0 and 1.
        let middle = (p.active_celsius_min + p.active_celsius_max) / 2.0;
        within("best active temperature (°C)", p.active_celsius_best, middle, p.active_celsius_max - 0.1)?;
        within("oxygen at half activity (fraction)", p.half_activity_oxygen, 1e-6, 1.0)?;
        within("holding moisture (share)", p.holding_moisture, setup.moisture.min(0.9), 0.95)?;
        within("specific heat of the solids (J/(kg K))", p.solids_joules_per_kg_kelvin, 1.0, 1e5)?;
        within("density of the solids (kg/m³)", p.solids_density, 100.0, 1e4)?;

        let layers = p.layers.count() as f64;
        let dry = setup.wet_mass * (1.0 - setup.moisture);
        let solids = dry * (1.0 - setup.ash) * p.degradable_share;
        let section = libm::pow(setup.volume.0, 2.0 / 3.0);
        let surface_watts = p.surface_factor * section * p.wall_watts_per_square_metre_kelvin;
        let layer_height = setup.volume.0 / section / layers;
        let fill = Fill {
            layer_volume: setup.volume.0 / layers,
            layer_dry: dry / layers,
            layer_inert: (dry - solids) / layers,
            side_watts_per_kelvin: surface_watts * (1.0 - 2.0 * p.end_share) / layers,
            end_watts_per_kelvin: surface_watts * p.end_share,
            between_watts_per_kelvin: p.bed_watts_per_metre_kelvin * section / layer_height,
        };
        let water = setup.wet_mass * setup.moisture / layers;
        let capacity = fill.layer_dry * p.solids_joules_per_kg_kelvin + water * WATER_JOULES_PER_KILOGRAM_KELVIN;
        let bed = Bed { heat: capacity * setup.loaded_at.0, water, solids: solids / layers, oxygen: FRESH_OXYGEN };
        let exhaust = Exhaust { temperature: setup.loaded_at, humidity_ratio: 0.0, oxygen: FRESH_OXYGEN };
        Ok(Bin { params: p, beds: [bed; LAYERS_MAX], fill, seconds: 0.0, exhaust })
    }

    /// Lets `span` pass with `air` spread evenly over it, and says what came and went.
    ///
    /// For pulses that are to show in the pore gas, call once for the pulse and once for the pause.
    ///
    /// # Errors
    /// [`Refused`] for a span, air or weather that is no such thing, or a bed that boils; the bin is then unchanged.
    pub fn advance(&mut self, span: Span, air: Air, weather: Weather) -> Result<Balance, Refused> {
        let seconds = within("span (s)", span.as_seconds(), 0.0, 1e8)?;
        let on = within("seconds of blower (s)", air.blower_seconds_on, 0.0, seconds)?;
        let flow = within("flow (m³/h)", air.flow.0, 0.0, 1e6)?;
        let ambient = within("ambient temperature (°C)", weather.ambient.0, -60.0, 60.0)?;
        let humidity = within("relative humidity (0 to 1)", weather.humidity, 0.0, 1.0)?;
        let pressure = within("air pressure (Pa)", weather.pressure.0, 40_000.0, 120_000.0)?;
        if seconds == 0.0 {
            return Ok(Balance::default());
        }
        let vapour = humidity * humid_air::saturation_pressure(weather.ambient)?.0;
        let humidity_ratio = WATER_TO_AIR * vapour / (pressure - vapour);
        let volume = humid_air::volume(weather.ambient, humidity_ratio, weather.pressure);
        let intake = Intake { ambient, pressure, humidity_ratio, volume, blown: flow / 3_600.0 * on / seconds };

        let longest = self.params.step_seconds_max;
        let dt = self.turnover_seconds(&intake)?.max(SHORTEST_STEP_SECONDS).min(longest);
        let steps = (seconds / dt).ceil().max(1.0) as usize;
        let dt = seconds / steps as f64;
        let mut next = self.clone();
        let mut balance = Balance::default();
        let (mut gas, mut gas_oxygen) = (0.0, 0.0);
        for _ in 0..steps {
            let through = next.step(dt, &intake, &mut balance)?;
            gas += through.moles_per_second;
            gas_oxygen += through.moles_per_second * through.oxygen;
        }
        let upper = next.beds[next.last()];
        next.exhaust = Exhaust {
            temperature: next.temperature(Layer::Upper),
            humidity_ratio: next.humidity_ratio(&upper, pressure)?,
            oxygen: if gas > 0.0 { gas_oxygen / gas } else { upper.oxygen },
        };
        *self = next;
        Ok(balance)
    }

    /// Pours `litres` of water of temperature `at` over the bin.
    ///
    /// It spreads over the layers by what each lacks to its holding moisture, the drier taking more, and what none can
    /// hold drains away as cold as it came. A simplification: real water finds channels, and real waterers miss spots.
    ///
    /// # Errors
    /// [`Refused::Outside`] for a negative amount or water that is not liquid; the bin is then unchanged.
    pub fn water(&mut self, litres: Litres, at: Celsius) -> Result<Soaked, Refused> {
        let poured = within("water (l)", litres.0, 0.0, 1e6)?;
        let celsius = within("temperature of the water (°C)", at.0, 0.0, 95.0)?;
        let holding = self.params.holding_moisture;
        let lacks: Vec<f64> =
            self.beds().iter().map(|bed| (self.dry(bed) * holding / (1.0 - holding) - bed.water).max(0.0)).collect();
        let lacking: f64 = lacks.iter().sum();
        let held = poured.min(lacking);
        if held > 0.0 {
            for (bed, lack) in self.beds.iter_mut().zip(lacks) {
                let taken = held * lack / lacking;
                bed.water += taken;
                bed.heat += taken * WATER_JOULES_PER_KILOGRAM_KELVIN * celsius;
            }
        }
        Ok(Soaked { held: Litres(held), drained: Litres(poured - held) })
    }

    /// The water that would bring the whole bin to a mean moisture of `target`; none if it is moister.
    ///
    /// # Errors
    /// [`Refused::Outside`] unless 0 <= `target` <= 0.95.
    pub fn litres_to_moisture(&self, target: f64) -> Result<Litres, Refused> {
        let target = within("target moisture (share of wet mass)", target, 0.0, 0.95)?;
        Ok(Litres((self.dry_kg() * target / (1.0 - target) - self.water_kg()).max(0.0)))
    }

    /// The temperature of a layer.
    pub fn temperature(&self, layer: Layer) -> Celsius {
        Celsius(self.celsius(self.bed(layer)))
    }

    /// The moisture of a layer, kg water per kg wet mass.
    pub fn moisture_fraction(&self, layer: Layer) -> f64 {
        self.moisture(self.bed(layer))
    }

    /// The moisture of the whole bin, kg water per kg wet mass.
    pub fn mean_moisture_fraction(&self) -> f64 {
        self.water_kg() / (self.water_kg() + self.dry_kg())
    }

    /// The oxygen fraction of the dry pore gas of a layer at this instant.
    pub fn oxygen_fraction(&self, layer: Layer) -> f64 {
        self.bed(layer).oxygen
    }

    /// The gas that leaves the bin.
    pub fn exhaust(&self) -> Exhaust {
        self.exhaust
    }

    /// What is left of the volume of the fill, as a share of it.
    pub fn volume_fraction(&self) -> f64 {
        let volume: f64 = self.beds().iter().map(|bed| self.bed_volume(bed)).sum();
        volume / (self.fill.layer_volume * self.params.layers.count() as f64)
    }

    /// The water in the bin, kg.
    pub fn water_kg(&self) -> f64 {
        self.beds().iter().map(|bed| bed.water).sum()
    }

    /// The dry mass in the bin, kg.
    pub fn dry_kg(&self) -> f64 {
        self.beds().iter().map(|bed| self.dry(bed)).sum()
    }

    /// The heat stored in the bin, J above 0 °C.
    pub fn stored_joules(&self) -> f64 {
        self.beds().iter().map(|bed| bed.heat).sum()
    }

    /// The time since loading.
    pub fn age(&self) -> Span {
        Span::from_seconds_f64(self.seconds)
    }

    fn last(&self) -> usize {
        self.params.layers.count() - 1
    }

    fn beds(&self) -> &[Bed] {
        &self.beds[..=self.last()]
    }

    fn bed(&self, layer: Layer) -> &Bed {
        match (self.params.layers, layer) {
            (Layers::One, _) | (Layers::Three, Layer::Base) => &self.beds[0],
            (Layers::Three, Layer::Core) => &self.beds[1],
            (Layers::Three, Layer::Upper) => &self.beds[2],
        }
    }

    fn dry(&self, bed: &Bed) -> f64 {
        self.fill.layer_inert + bed.solids
    }

    fn celsius(&self, bed: &Bed) -> f64 {
        let solids = self.dry(bed) * self.params.solids_joules_per_kg_kelvin;
        bed.heat / (solids + bed.water * WATER_JOULES_PER_KILOGRAM_KELVIN)
    }

    fn moisture(&self, bed: &Bed) -> f64 {
        bed.water / (bed.water + self.dry(bed))
    }

    fn bed_volume(&self, bed: &Bed) -> f64 {
        let p = &self.params;
        let shrunk = 1.0 - p.shrink_with_mass * (1.0 - self.dry(bed) / self.fill.layer_dry);
        let settled = p.settling_share * (1.0 - libm::exp(-p.settling_per_day * self.seconds / 86_400.0));
        self.fill.layer_volume * shrunk * (1.0 - settled)
    }

    fn free_air_share(&self, bed: &Bed) -> f64 {
        let filled = self.dry(bed) / self.params.solids_density + bed.water / 1_000.0;
        1.0 - filled / self.bed_volume(bed)
    }

    fn vapour_pressure(&self, bed: &Bed, pressure: f64) -> Result<f64, Refused> {
        let celsius = self.celsius(bed);
        let activity = 1.0 - libm::exp(-self.params.water_activity_slope * bed.water / self.dry(bed));
        let vapour = activity * humid_air::saturation_pressure(Celsius(celsius))?.0;
        if vapour > VAPOUR_SHARE_MAX * pressure {
            return Err(Refused::Boils { celsius, pascals: pressure });
        }
        Ok(vapour)
    }

    fn humidity_ratio(&self, bed: &Bed, pressure: f64) -> Result<f64, Refused> {
        let vapour = self.vapour_pressure(bed, pressure)?;
        Ok(WATER_TO_AIR * vapour / (pressure - vapour))
    }

    /// Decay in kg of solids a second if oxygen were plentiful.
    fn decay_with_oxygen(&self, bed: &Bed, celsius: f64) -> f64 {
        let p = &self.params;
        let warmth = cardinal(celsius, p.active_celsius_min, p.active_celsius_best, p.active_celsius_max);
        if warmth <= 0.0 {
            return 0.0;
        }
        let wetness = 1.0 / (1.0 + libm::exp(-p.moisture_steepness * (self.moisture(bed) - p.half_activity_moisture)));
        let pores = 1.0 / (1.0 + libm::exp(p.free_air_offset - p.free_air_slope * self.free_air_share(bed)));
        p.decay_per_day * bed.solids * warmth * wetness * pores / 86_400.0
    }

    /// Dry air through the bin, kg/s.
    fn dry_air(&self, intake: &Intake) -> f64 {
        let mean = self.beds().iter().map(|bed| self.celsius(bed)).sum::<f64>() / self.beds().len() as f64;
        let drive = ((mean - intake.ambient) / 50.0).max(0.0);
        let draught = self.params.draught_cubic_metres_per_hour / 3_600.0 * libm::sqrt(drive);
        (intake.blown + draught) / intake.volume
    }

    /// The time in which the air replaces the pore gas of the layer that has the least of it.
    ///
    /// A layer hands the mean of a step to the next one; in a longer step a pulse would come through blurred.
    fn turnover_seconds(&self, intake: &Intake) -> Result<f64, Refused> {
        let gas = self.dry_air(intake) / AIR_KG_PER_MOL;
        let mut least = f64::INFINITY;
        for bed in self.beds() {
            least = least.min(self.pore_moles(bed, self.vapour_pressure(bed, intake.pressure)?, intake.pressure));
        }
        Ok(if gas > 0.0 { least / gas } else { f64::INFINITY })
    }

    /// Dry gas in the pores, mol.
    fn pore_moles(&self, bed: &Bed, vapour: f64, pressure: f64) -> f64 {
        // A bed without pores still has a film of gas; the share must stay positive for the oxygen equation.
        let pores = self.bed_volume(bed) * self.free_air_share(bed).max(0.001);
        (pressure - vapour) * pores / (GAS_CONSTANT * (self.celsius(bed) + 273.15))
    }

    /// One internal step; returns the gas that left at the top.
    fn step(&mut self, dt: f64, intake: &Intake, balance: &mut Balance) -> Result<Through, Refused> {
        let layers = self.beds().len();
        let mut unused = Balance::default();
        let (slopes, _) = self.slopes(dt / 2.0, intake, &mut unused)?;
        let mut middle = self.clone();
        middle.seconds += dt / 2.0;
        for (bed, slope) in middle.beds.iter_mut().zip(&slopes).take(layers) {
            bed.heat += slope.heat * dt / 2.0;
            bed.water += slope.water * dt / 2.0;
            bed.solids += slope.solids * dt / 2.0;
        }
        // The middle state keeps the old oxygen, from which the whole step is then solved.
        let (slopes, through) = middle.slopes(dt, intake, balance)?;
        for (bed, slope) in self.beds.iter_mut().zip(&slopes).take(layers) {
            bed.heat += slope.heat * dt;
            bed.water += slope.water * dt;
            bed.solids += slope.solids * dt;
            bed.oxygen = slope.oxygen;
        }
        self.seconds += dt;
        Ok(through)
    }

    /// Rates of change of heat, water and solids, and in place of a rate the oxygen fraction after `dt`; adds what flows
    /// within `dt` to `balance`. Also returns the gas that leaves at the top.
    fn slopes(&self, dt: f64, intake: &Intake, balance: &mut Balance) -> Result<([Bed; LAYERS_MAX], Through), Refused> {
        let p = &self.params;
        let air = self.dry_air(intake);
        let gas = air / AIR_KG_PER_MOL;
        let mut slopes = [Bed::default(); LAYERS_MAX];
        let mut below = Below { celsius: intake.ambient, humidity_ratio: intake.humidity_ratio, oxygen: FRESH_OXYGEN };
        for (i, bed) in self.beds().iter().enumerate() {
            let celsius = self.celsius(bed);
            let vapour = self.vapour_pressure(bed, intake.pressure)?;
            let humidity_ratio = WATER_TO_AIR * vapour / (intake.pressure - vapour);
            let pore_moles = self.pore_moles(bed, vapour, intake.pressure);

            let rate_with_oxygen = self.decay_with_oxygen(bed, celsius);
            let uptake = rate_with_oxygen * p.oxygen_per_kg_solids / OXYGEN_KG_PER_MOL;
            let pore = Pore { moles: pore_moles, oxygen: bed.oxygen };
            let oxygen = pore.oxygen_after(dt, gas, below.oxygen, uptake, p.half_activity_oxygen);
            let rate = rate_with_oxygen * oxygen / (p.half_activity_oxygen + oxygen);

            let reaction = rate * p.oxygen_per_kg_solids * p.heat_per_kg_oxygen;
            let formed = rate * p.water_per_kg_solids;
            let carried = celsius * (formed * WATER_JOULES_PER_KILOGRAM_KELVIN - rate * p.solids_joules_per_kg_kelvin);
            let first = if i == 0 { 1.0 } else { 0.0 };
            let last = if i == self.last() { 1.0 } else { 0.0 };
            let wall = (self.fill.side_watts_per_kelvin + (first + last) * self.fill.end_watts_per_kelvin)
                * (celsius - intake.ambient);
            let aired = air
                * (humid_air::enthalpy(Celsius(celsius), humidity_ratio)
                    - humid_air::enthalpy(Celsius(below.celsius), below.humidity_ratio));
            let evaporated = air * (humidity_ratio - below.humidity_ratio);

            slopes[i].heat += reaction + carried - wall - aired;
            slopes[i].water = formed - evaporated;
            slopes[i].solids = -rate;
            slopes[i].oxygen = oxygen;
            if i > 0 {
                let conducted = self.fill.between_watts_per_kelvin * (below.celsius - celsius);
                slopes[i].heat += conducted;
                slopes[i - 1].heat -= conducted;
            }
            balance.reaction_joules += reaction * dt;
            balance.carried_joules += carried * dt;
            balance.wall_joules += wall * dt;
            balance.air_joules += aired * dt;
            balance.evaporated_kg += evaporated * dt;
            balance.formed_kg += formed * dt;
            balance.solids_kg += rate * dt;
            balance.oxygen_kg += rate * p.oxygen_per_kg_solids * dt;
            let used = rate * p.oxygen_per_kg_solids / OXYGEN_KG_PER_MOL;
            let stored = pore_moles * (oxygen - bed.oxygen) / dt;
            // What enters and is neither used nor stored leaves: the mean of the step, not its end.
            let leaving = if gas > 0.0 { below.oxygen - (used + stored) / gas } else { oxygen };
            below = Below { celsius, humidity_ratio, oxygen: leaving };
        }
        Ok((slopes, Through { moles_per_second: gas, oxygen: below.oxygen }))
    }
}

/// Dry gas that leaves the uppermost layer, with the mean of its oxygen fraction.
struct Through {
    moles_per_second: f64,
    oxygen: f64,
}

/// The gas that enters a layer.
struct Below {
    celsius: f64,
    humidity_ratio: f64,
    oxygen: f64,
}

/// The cardinal-temperature curve (Rosso's form, from memory): nought at and beyond `min` and `max`, one at `best`.
fn cardinal(t: f64, min: f64, best: f64, max: f64) -> f64 {
    if t <= min || t >= max {
        return 0.0;
    }
    let above = (t - max) * (t - min) * (t - min);
    let below = (best - min) * ((best - min) * (t - best) - (best - max) * (best + min - 2.0 * t));
    above / below
}

/// The gas in the pores of a layer.
struct Pore {
    moles: f64,
    oxygen: f64,
}

impl Pore {
    /// Its oxygen fraction after `dt` seconds in which `gas` mol/s of the fraction `below` pass and `uptake` mol/s are
    /// used at full activity.
    ///
    /// With a = gas/moles and E = exp(-a dt) the fraction x solves x = E x0 + (1 - E)(below - r/gas), r being
    /// `uptake` x/(half + x): exact for a constant use, the quasi-steady solution for a long step, and plain consumption
    /// of the store without gas.
    fn oxygen_after(&self, dt: f64, gas: f64, below: f64, uptake: f64, half: f64) -> f64 {
        let turnover = gas / self.moles * dt;
        let flushed = -libm::expm1(-turnover);
        // (1 - E)/a is the time for which the use acts; without gas it is the whole step.
        let acting = if turnover > 0.0 { dt * flushed / turnover } else { dt };
        let without_use = self.oxygen + flushed * (below - self.oxygen);
        let used = uptake * acting / self.moles;
        // x² + (used + half - without_use) x - without_use half = 0, in the form that does not cancel.
        let b = used + half - without_use;
        let root = libm::sqrt(b * b + 4.0 * without_use * half);
        if b > 0.0 { 2.0 * without_use * half / (b + root) } else { (root - b) / 2.0 }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_temperature_curve_is_one_hump() {
        for (t, want, why) in [
            (3.0, 0.0, "nothing at the lower end"),
            (-10.0, 0.0, "nor below"),
            (58.0, 1.0, "one at the best"),
            (75.0, 0.0, "nothing at the upper end"),
            (90.0, 0.0, "nor above"),
        ] {
            assert!((cardinal(t, 3.0, 58.0, 75.0) - want).abs() < 1e-12, "{t}: {why}");
        }
        for tenth in 0..800 {
            let value = cardinal(f64::from(tenth) / 10.0, 3.0, 58.0, 75.0);
            assert!((0.0..=1.0 + 1e-12).contains(&value), "{tenth}: {value}");
        }
    }

    #[test]
    fn the_oxygen_of_a_pore_agrees_with_small_steps() {
        for (dt, gas, before, uptake, why) in [
            (60.0, 0.0, 0.2095, 0.0, "no air and no use leave it as it was"),
            (60.0, 0.05, 0.05, 0.002, "a pulse flushes the pores"),
            (60.0, 0.0, 0.10, 0.005, "without air the store is used up"),
            (60.0, 0.0001, 0.10, 0.005, "the draught hardly helps"),
            (1e7, 0.04, 0.10, 0.004, "a long step ends in the steady state"),
        ] {
            let pore = Pore { moles: 40.0, oxygen: before };
            let got = pore.oxygen_after(dt, gas, FRESH_OXYGEN, uptake, 0.02);
            let small = dt.min(20_000.0) / 1e5;
            let mut x = before;
            for _ in 0..100_000 {
                x += small / 40.0 * (gas * (FRESH_OXYGEN - x) - uptake * x / (0.02 + x));
            }
            // The use is taken at the end of the step, which is worth a little.
            assert!((got - x).abs() < 5e-4, "{why}: {got}, in small steps {x}");
        }
    }

    #[test]
    fn starving_pores_stay_between_nought_and_fresh() {
        for exponent in -12..6 {
            for before in [0.0, 1e-9, 0.1, FRESH_OXYGEN] {
                let uptake = libm::pow(10.0, f64::from(exponent));
                let pore = Pore { moles: 40.0, oxygen: before };
                for gas in [0.0, 1e-9, 1e-3, 1.0, 1e6] {
                    let x = pore.oxygen_after(300.0, gas, FRESH_OXYGEN, uptake, 0.02);
                    assert!((0.0..=FRESH_OXYGEN * (1.0 + 1e-12)).contains(&x), "{uptake} {before} {gas}: {x}");
                }
            }
        }
    }
}
