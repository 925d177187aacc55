//! The science of a compost pile: units, readings and what they say, humid air and what it takes out of a pile, mixes, the air,
//! water and heat of a batch, pathogen arithmetic, stability.
//!
//! Must never read a clock, a file, a socket or the environment: every function here is a function of its arguments.

pub mod above;
pub mod air_demand;
pub mod bed;
pub mod days;
pub mod dose;
pub mod exhaust;
pub mod faults;
pub mod heat_account;
pub mod humid_air;
pub mod lethality;
pub mod mix;
pub mod mix_goal;
pub mod series;
pub mod slope;
pub mod source;
pub mod stability;
pub mod statistics;
pub mod time;
pub mod units;
pub mod water_account;
pub mod window;
