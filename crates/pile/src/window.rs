//! The recent past of one series, small enough to keep for thousands of series at once.
//!
//! Must never invent a point: a gap stays a gap.

use std::collections::VecDeque;

use crate::time::{Span, Timestamp};

/// One good reading in the series' canonical unit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Point {
    /// When the probe measured it.
    pub at: Timestamp,
    /// The value in the canonical unit of its quantity.
    pub value: f64,
}

/// What became of a point that was offered to a window.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Absorbed {
    /// It is the newest of the series.
    Newest,
    /// It is older than the newest; windows and results take it, live alarms do not turn on it.
    Late,
    /// The same instant is there already with the same value.
    Repeat,
    /// The same instant is there already with another value; the first one stays.
    Conflict,
    /// It is older than the window reaches.
    TooOld,
}

/// Good readings of one series: exact for the newest hour, five-minute medians before that, up to `reach` back.
///
/// Points beyond the hour take 8 bytes each. A median stands at the middle of its five minutes.
#[derive(Clone, Debug)]
pub struct Window {
    reach: Span,
    exact: VecDeque<Point>,
    medians: VecDeque<(u32, f32)>,
}

/// The length of the exact part.
pub const EXACT: Span = Span::hours(1);
/// The cell over which older points are reduced to their median.
pub const CELL: Span = Span::minutes(5);
