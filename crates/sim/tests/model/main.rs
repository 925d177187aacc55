//! The bin model against common practice, against an independent calculation and against the laws of conservation.
//!
//! Must never test a rule or an alarm.
#![allow(clippy::unwrap_used)]

mod balances;
mod course;
mod faults;
mod lumped;
mod practice;
