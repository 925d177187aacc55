//! Time above a threshold and longest run.
//!
//! Must never bridge a gap longer than the one allowed: a silent hour is neither hot nor cold.
