//! One input to effects: windows, conditioning, alarm life, batches, schedules.
//!
//! Must never carry out an effect, and never ask what time it is: `now` is an argument.

pub mod alarm;
pub mod conditioning;
pub mod effect;
pub mod input;
pub mod limits;
pub mod notice;
pub mod restore;
