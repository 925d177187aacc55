//! Whole steps for scales of temperature and of the site's calendar.
//!
//! Must never put a tick where the site's clocks show no such hour.

use pile::time::{Span, Timestamp};
use site::model::Display;
use site::zone::Zone;

use super::HOURS_PER_DAY;

/// The longest step of a scale; no figure that fits into an `f32` lies beyond it.
const LONGEST_STEP: f64 = 1e39;

/// Lower end, upper end and step of the scale, all whole steps, in the unit shown.
///
/// The scale never spans less than 10 K, so that the noise of a probe does not look like a mountain range.
pub(super) fn scale(lowest: f64, highest: f64, display: Display) -> (f64, f64, f64) {
    let least = match display {
        Display::Metric => 10.0,
        Display::Us => 20.0,
    };
    let (lowest, highest) = if lowest <= highest { (lowest, highest) } else { (0.0, least) };
    // Beyond the longest step there would be a line for each of more steps than anybody can count.
    let (lowest, highest) = (lowest.clamp(-LONGEST_STEP, LONGEST_STEP), highest.clamp(-LONGEST_STEP, LONGEST_STEP));
    let pad = ((least - (highest - lowest)) / 2.0).max(0.0);
    let (lowest, highest) = (lowest - pad, highest + pad);
    let mut step = 1.0;
    for candidate in
        [2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1e3, 1e4, 1e6, 1e9, 1e12, 1e18, 1e30, LONGEST_STEP]
    {
        if (highest / step).ceil() - (lowest / step).floor() <= 6.0 {
            break;
        }
        step = candidate;
    }
    ((lowest / step).floor() * step, (highest / step).ceil() * step, step)
}

/// Ticks at whole hours of the site's clock: the instant, the hour, and at the first tick and at midnight the day.
pub(super) fn time_ticks(zone: &Zone, from: Timestamp, to: Timestamp) -> Vec<(Timestamp, String, Option<String>)> {
    let span = to.since(from).max(Span::ZERO);
    let step = [1, 2, 3, 6, 12].into_iter().find(|hours| span <= Span::hours(hours * 6)).unwrap_or(HOURS_PER_DAY);
    let stride = (span.as_days() / 6.0).ceil().max(1.0) as i64;
    let start = zone.at(from);
    let mut ticks: Vec<(Timestamp, String, Option<String>)> = Vec::new();
    for day in 0.. {
        // A calendar that ends before the chart does gives no more ticks; neither does one past a year.
        let Ok(date) = start.date().checked_add(jiff::Span::new().days(day)) else { break };
        if day > 400 {
            break;
        }
        if step == HOURS_PER_DAY && day % stride != 0 {
            continue;
        }
        let mut past_the_end = false;
        for hour in (0..HOURS_PER_DAY).step_by(step as usize) {
            let Ok(zoned) = date.at(hour as i8, 0, 0, 0).to_zoned_datetime(start.time_zone().clone()) else { continue };
            let at = Timestamp::from_millis(zoned.timestamp().as_millisecond());
            past_the_end = at > to;
            // An hour that daylight saving skips lands on the next one, which may be a tick already.
            if at < from || at > to || ticks.last().is_some_and(|last| last.0 >= at) {
                continue;
            }
            let day = (ticks.is_empty() || hour == 0).then(|| zoned.strftime("%a %-d %b").to_string());
            ticks.push((at, zoned.strftime("%H:%M").to_string(), day));
        }
        if past_the_end {
            break;
        }
    }
    ticks
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::super::tests::{at, berlin};
    use super::*;

    #[test]
    fn scales_are_whole_steps_and_hold_the_values() {
        for (low, high, display, want) in [
            (48.2, 62.0, Display::Metric, (45.0, 65.0, 5.0)),
            (60.0, 60.1, Display::Metric, (54.0, 66.0, 2.0)),
            (118.8, 143.6, Display::Us, (115.0, 145.0, 5.0)),
            (-5.0, 71.0, Display::Metric, (-20.0, 80.0, 20.0)),
            (f64::INFINITY, f64::NEG_INFINITY, Display::Metric, (0.0, 10.0, 2.0)),
        ] {
            assert_eq!(scale(low, high, display), want, "{low} to {high}");
        }
        for most in [f64::from(f32::MAX), 1e300, f64::MAX, f64::INFINITY] {
            let (low, high, step) = scale(-most, most, Display::Us);
            assert!(
                (high - low) / step <= 7.0,
                "even nonsense has few grid lines: {most} gives {low} to {high} by {step}"
            );
        }
    }

    #[test]
    fn ticks_stand_at_whole_hours_of_the_sites_clock() {
        // 2026-03-29 the clocks of Berlin go from 02:00 to 03:00.
        let midnight = Timestamp::from_millis(1_774_738_800_000);
        let labels: Vec<String> =
            time_ticks(&berlin(), midnight, midnight + Span::hours(5)).into_iter().map(|tick| tick.1).collect();
        assert_eq!(labels, ["00:00", "01:00", "03:00", "04:00", "05:00", "06:00"]);
        let days: Vec<_> = time_ticks(&berlin(), at(0.5), at(24.5)).into_iter().map(|tick| (tick.1, tick.2)).collect();
        assert_eq!(
            days,
            [
                ("06:00".to_owned(), Some("Tue 10 Mar".to_owned())),
                ("12:00".to_owned(), None),
                ("18:00".to_owned(), None),
                ("00:00".to_owned(), Some("Wed 11 Mar".to_owned())),
            ]
        );
    }
}
