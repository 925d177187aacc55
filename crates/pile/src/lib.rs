//! The science of a compost pile: time, units, windows over readings, time above, robust slope, humid air and what
//! it takes out of a pile, and the air a pile wants.
//!
//! Must never read a clock, a file, a socket or the environment: every function here is a function of its arguments.

pub mod above;
pub mod air_demand;
pub mod exhaust;
pub mod humid_air;
pub mod slope;
pub mod time;
pub mod units;
pub mod window;
