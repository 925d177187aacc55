//! The numbers of the bin model, each with what it means and where it comes from.
//!
//! Must never hold a state: two bins with the same parameters differ only by how they were filled and treated.
//!
//! "From memory" means that no source was opened for the number; "fitted" that it was moved, inside the range that is
//! plausible, until the model met the check values of common practice. None of them was measured in a real bin.

/// How finely a bin is divided from the floor upwards.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Layers {
    /// The whole bin is one stirred volume; base, core and upper are the same.
    One,
    /// Base, core and upper, a third of the fill each, with the air passing from one to the next.
    Three,
}

impl Layers {
    /// How many layers that is.
    pub const fn count(self) -> usize {
        match self {
            Layers::One => 1,
            Layers::Three => 3,
        }
    }
}

/// Every number of the model that is not a state of one bin.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Parameters {
    /// How the bin is divided. Chosen.
    pub layers: Layers,
    /// The longest internal step, seconds: long steps are divided, and further while the blower flushes the pores.
    /// Chosen; the tests show what halving it changes.
    pub step_seconds_max: f64,

    /// Degradable solids as a share of the volatile solids. Plausible 0.4 to 0.65; from memory.
    pub degradable_share: f64,
    /// Rate of decay at the best temperature with water, pores and oxygen in plenty, per day. Fitted; plausible
    /// 0.03 to 0.15, bracketed by Haug's slow and fast pools, from memory.
    pub decay_per_day: f64,
    /// Below this temperature nothing is active, °C. Plausible 0 to 5; from memory.
    pub active_celsius_min: f64,
    /// The temperature of the highest activity, °C. Plausible 55 to 60; from memory.
    pub active_celsius_best: f64,
    /// Above this temperature nothing is active, °C. Plausible 73 to 80; from memory.
    pub active_celsius_max: f64,
    /// Moisture (kg water per kg wet mass) at which lack of water halves the activity. Fitted; plausible 0.35 to
    /// 0.42, Haug's form has 0.399, from memory.
    pub half_activity_moisture: f64,
    /// Steepness of the activity over moisture at that point, 1 per unit of moisture. Fitted: Haug's 17.684 (from
    /// memory) gives falls of only 2 to 4 K a day, and practice reports 5 to 8.
    pub moisture_steepness: f64,
    /// Oxygen fraction at which lack of oxygen halves the activity. Haug's O2/(2+O2) in percent; from memory.
    pub half_activity_oxygen: f64,
    /// Exponent constant of the activity over free air space. Haug; from memory.
    pub free_air_offset: f64,
    /// Exponent slope of the activity over free air space. Haug; from memory.
    pub free_air_slope: f64,

    /// Heat set free per kg of oxygen, J/kg. Plausible 13.5 to 14.5 MJ; from memory.
    pub heat_per_kg_oxygen: f64,
    /// Oxygen used per kg of degradable solids. Plausible 1.2 to 2.0; stoichiometry, from memory.
    pub oxygen_per_kg_solids: f64,
    /// Water formed per kg of degradable solids. Plausible 0.5 to 0.7; stoichiometry, from memory.
    pub water_per_kg_solids: f64,

    /// Specific heat of the dry solids, J/(kg K). Plausible 1000 to 1500; from memory.
    pub solids_joules_per_kg_kelvin: f64,
    /// Density of the solid substance without pores, kg/m³. From memory.
    pub solids_density: f64,
    /// Heat passing the walls, floor and cover, W/(m² K). Plausible 0.3 to 1; from memory.
    pub wall_watts_per_square_metre_kelvin: f64,
    /// Surface of walls, floor and cover for one cubic metre of fill raised to the power 2/3; a cube has 6. Chosen.
    pub surface_factor: f64,
    /// The floor's share of that surface, and the cover's share too; a cube has 1/6. Chosen.
    pub end_share: f64,
    /// Heat conduction between neighbouring layers, W/(m K). Moist porous organic matter, plausible 0.2 to 0.6;
    /// from memory.
    pub bed_watts_per_metre_kelvin: f64,

    /// Air that is drawn through the bin by its own warmth when it is 50 K above ambient, m³/h; it goes with the
    /// square root of that difference. Chosen; the duct, the damper and the standing blower decide it on a site.
    pub draught_cubic_metres_per_hour: f64,

    /// How strongly the volume follows the dry mass; 1 keeps the dry bulk density constant. Chosen.
    pub shrink_with_mass: f64,
    /// Share of the volume lost by settling alone. Chosen.
    pub settling_share: f64,
    /// How fast the settling goes, per day. Chosen.
    pub settling_per_day: f64,
    /// How steeply the water activity rises with kg of water per kg of dry mass: 1 - exp(-a W/m). Chosen: the
    /// exhaust is saturated until the bed is bone dry.
    pub water_activity_slope: f64,
    /// Moisture that a layer can hold against draining. Plausible 0.65 to 0.75; common practice, no source.
    pub holding_moisture: f64,
}

impl Parameters {
    /// The three-layer bin that meets the check values of common practice (see `tests/practice.rs`).
    pub const fn layered() -> Parameters {
        Parameters { layers: Layers::Three, draught_cubic_metres_per_hour: 0.15, ..Parameters::lumped() }
    }

    /// The bin as one stirred volume, with the values that were checked numerically outside this crate (see
    /// `tests/lumped.rs`).
    pub const fn lumped() -> Parameters {
        Parameters {
            layers: Layers::One,
            step_seconds_max: 60.0,
            degradable_share: 0.48,
            decay_per_day: 0.072,
            active_celsius_min: 3.0,
            active_celsius_best: 58.0,
            active_celsius_max: 75.0,
            half_activity_moisture: 0.38,
            moisture_steepness: 45.0,
            half_activity_oxygen: 0.02,
            free_air_offset: 3.4945,
            free_air_slope: 23.675,
            heat_per_kg_oxygen: 14.0e6,
            oxygen_per_kg_solids: 1.4,
            water_per_kg_solids: 0.55,
            solids_joules_per_kg_kelvin: 1250.0,
            solids_density: 1500.0,
            wall_watts_per_square_metre_kelvin: 0.48,
            // 11 m² around 2.5 m³; a cube of that volume has 11.05 m².
            surface_factor: 5.9717,
            end_share: 1.0 / 6.0,
            bed_watts_per_metre_kelvin: 0.4,
            draught_cubic_metres_per_hour: 0.4,
            shrink_with_mass: 1.0,
            settling_share: 0.06,
            settling_per_day: 0.3,
            water_activity_slope: 12.0,
            holding_moisture: 0.68,
        }
    }
}
