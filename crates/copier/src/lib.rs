//! The copy of a site's store in a bucket of InfluxDB 2: the form it has there, writing it, and reading it back.
//!
//! Must never be needed by an alarm: what alarms and results rest on is the store.

mod bucket;
mod error;
mod flux;
pub mod points;

pub use bucket::{AT_ONCE, Bucket, NotTaken};
pub use error::CopyError;
pub use flux::{Copied, DayCount};
