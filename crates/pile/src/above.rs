//! Time above a threshold and longest run.
//!
//! Must never bridge a gap longer than the one allowed: a silent hour is neither hot nor cold.

use crate::time::{Span, Timestamp};
use crate::units::Celsius;

/// A running account of time above one threshold.
#[derive(Clone, Debug, PartialEq)]
pub struct Above {
    threshold: Celsius,
    max_gap: Span,
    from: Timestamp,
}
