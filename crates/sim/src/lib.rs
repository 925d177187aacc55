//! A physical model of a bin, of the probes in it, of its blower and of the way to us, with their faults.
//!
//! Must never know a rule, a threshold or an alarm it is meant to trip: it produces heat, water, air and readings, no verdicts.

pub mod bin;
pub mod blower;
pub mod chance;
pub mod gateway;
mod parameters;
pub mod plan;
pub mod probe;
pub mod season;
pub mod weather;

pub use bin::{Balance, Bin, BinSetup, Exhaust, Layer, Refused, Soaked};
pub use blower::{Air, Blower, BlowerFault, Pulses};
pub use gateway::{Delivery, Gateway};
pub use parameters::{Layers, Parameters};
pub use plan::{Proof, SeasonKind, SeasonPlan, Spot};
pub use probe::{Fault, ProbeModel};
pub use season::{Deed, Moment, Season, Sender, Sent, Truth};
pub use weather::{Climate, Weather};
