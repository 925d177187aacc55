//! Robust slope of a series.
//!
//! Must never be swayed by a few wild points.
