//! Humid air.
//!
//! Must never clamp an argument out of range.
