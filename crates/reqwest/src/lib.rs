//! Stands in for reqwest 0.11 beneath `influxdb2`, which asks for it and is not moved on: the same names, from a reqwest that is looked after.
//!
//! Must never hold code of its own; it goes when `influxdb2` asks for a newer one itself.

pub use newer::*;
