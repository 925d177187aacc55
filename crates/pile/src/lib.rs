//! The science of a compost pile: time, units, windows over readings, time above, robust slope, humid air, mixes, stability.
//!
//! Must never read a clock, a file, a socket or the environment: every function here is a function of its arguments.

pub mod above;
pub mod humid_air;
pub mod mix;
pub mod mix_goal;
pub mod slope;
pub mod source;
pub mod stability;
pub mod time;
pub mod units;
pub mod window;
