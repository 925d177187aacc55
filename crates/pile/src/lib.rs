//! The science of a compost pile: time, units, readings and what they say, humid air, pathogen arithmetic.
//!
//! Must never read a clock, a file, a socket or the environment: every function here is a function of its arguments.

pub mod above;
pub mod faults;
pub mod humid_air;
pub mod lethality;
pub mod series;
pub mod slope;
pub mod statistics;
pub mod time;
pub mod units;
pub mod window;
