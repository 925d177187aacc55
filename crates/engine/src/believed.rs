//! Tells readings of imported history that can be believed from those that cannot, as the engine does with those that come in.
//!
//! Must never have a rule of its own: what is doubted here is doubted there.

use pile::time::Span;
use pile::window::Point;
use site::model::Probe;
use site::quantity::Quantity;
use site::reading::{Quality, Reading, SeriesId, Source, TimeSource};

use crate::series::{Series, Taken};

/// No more of the past is needed to doubt a reading than the one before it.
const REACH: Span = Span::hours(1);

/// Temperatures of a probe, oldest first, that can be believed, and those that cannot, with the reason.
pub fn believed(probe: &Probe, points: Vec<Point>) -> (Vec<Point>, Vec<(Point, String)>) {
    let mut series = Series::of_probe(probe, Quantity::Temperature, REACH);
    let id = SeriesId { source: Source::Probe(probe.id.clone()), quantity: Quantity::Temperature };
    let (mut good, mut doubted) = (Vec::with_capacity(points.len()), Vec::new());
    for point in points {
        let mut reading = Reading {
            series: id.clone(),
            measured_at: point.at,
            received_at: point.at,
            value: point.value,
            time_source: TimeSource::Device,
            retained: false,
        };
        match series.take(&mut reading, None) {
            Taken::Kept { quality: Quality::Good, .. } => good.push(point),
            Taken::Kept { reason, .. } => doubted.push((point, reason)),
            Taken::Repeat => {}
        }
    }
    (good, doubted)
}
