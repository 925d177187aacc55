//! The science of a compost pile: time, units, windows over readings, time above, robust slope, humid air.
//!
//! Must never read a clock, a file, a socket or the environment: every function here is a function of its arguments.

pub mod above;
pub mod bed;
pub mod heat_account;
pub mod humid_air;
pub mod slope;
pub mod time;
pub mod units;
pub mod water_account;
pub mod window;
