//! From readings to the figures that documents show: hours of a line, gaps, days, how long a blower ran.
//!
//! Must never bridge a silence, and never round.

use pile::above::account;
use pile::time::{Span, Timestamp};
use pile::units::Celsius;
use pile::window::Point;
use site::bounds;
use site::model::RunProof;
use site::zone::{Day, Zone};

use super::facts::{DAY_THRESHOLD, Hour, Ran};

/// What the readings of a day come to.
#[derive(Clone, Debug, PartialEq)]
pub struct OfDay {
    /// The day, by the site's calendar.
    pub day: Day,
    /// When it begins, or the time covered.
    pub from: Timestamp,
    /// When it ends, or the time covered.
    pub to: Timestamp,
    /// How many readings.
    pub readings: u64,
    /// Hours in which there were some.
    pub hours_heard: f64,
    /// Lowest, median and highest; `None` without readings.
    pub figures: Option<[Celsius; 3]>,
    /// Hours at or above [`DAY_THRESHOLD`].
    pub hours_at_or_above: f64,
}

/// Readings in °C, oldest first, hour by hour in stretches between which nothing was heard for longer than `max_gap`. A season of
/// minutes becomes some thousand points.
pub fn runs_of_hours(points: &[Point], max_gap: Span) -> Vec<Vec<Hour>> {
    let hour_of = |at: Timestamp| at.as_millis().div_euclid(Span::hours(1).as_millis());
    let mut runs: Vec<Vec<Hour>> = Vec::new();
    let mut values: Vec<f64> = Vec::new();
    let mut last: Option<Timestamp> = None;
    for point in points.iter().filter(|p| p.value.is_finite()) {
        let gap = last.is_none_or(|last| point.at.since(last) > max_gap);
        let same_hour = !gap && last.is_some_and(|last| hour_of(last) == hour_of(point.at));
        if !same_hour {
            values.clear();
        }
        values.push(point.value);
        if gap {
            runs.push(Vec::new());
        }
        if let Some(run) = runs.last_mut() {
            match run.last_mut().filter(|_| same_hour) {
                Some(hour) => hour.last = point.at,
                None => {
                    let celsius = Celsius(point.value);
                    let (low_at, high_at) = (point.at, point.at);
                    run.push(Hour {
                        first: point.at,
                        last: point.at,
                        low: celsius,
                        low_at,
                        median: celsius,
                        high: celsius,
                        high_at,
                    });
                }
            }
            if let (Some(hour), Some([low, median, high])) = (run.last_mut(), low_median_high(&values)) {
                if low.0 < hour.low.0 {
                    hour.low_at = point.at;
                }
                if high.0 > hour.high.0 {
                    hour.high_at = point.at;
                }
                (hour.low, hour.median, hour.high) = (low, median, high);
            }
        }
        last = Some(point.at);
    }
    runs
}

/// When nothing was heard for longer than `max_gap`: the readings are in order of time, and the ends of the time covered count as heard.
pub fn gaps(points: &[Point], from: Timestamp, to: Timestamp, max_gap: Span) -> Vec<(Timestamp, Timestamp)> {
    let inside = points.iter().map(|p| p.at).filter(|at| *at > from && *at < to);
    let ends: Vec<Timestamp> = std::iter::once(from).chain(inside).chain([to]).collect();
    ends.windows(2).filter(|pair| pair[1].since(pair[0]) > max_gap).map(|pair| (pair[0], pair[1])).collect()
}

/// The share of the time in which something was heard, 0 to 1; a silence of more than `max_gap` was not. `None` for no time.
pub fn coverage(points: &[Point], from: Timestamp, to: Timestamp, max_gap: Span) -> Option<f64> {
    let whole = to.since(from).as_millis();
    if whole <= 0 {
        return None;
    }
    let silent: i64 = gaps(points, from, to, max_gap).iter().map(|(a, b)| b.since(*a).as_millis()).sum();
    Some((whole - silent) as f64 / whole as f64)
}

/// Day by day of the site's calendar; days without a reading are there too, and say so.
pub fn days(points: &[Point], from: Timestamp, to: Timestamp, max_gap: Span, zone: &Zone) -> Vec<OfDay> {
    let mut out = Vec::new();
    // Nothing is of before, and nobody reads a table that long.
    let mut begins = from.max(bounds::EARLIEST);
    while begins < to {
        let ends = next_midnight(zone, begins).min(to);
        let first = points.partition_point(|p| p.at < begins);
        let end = points.partition_point(|p| p.at < ends);
        let own = points.get(first..end).unwrap_or_default();
        // The readings on both sides carry the line to the day's ends.
        let around = points.get(first.saturating_sub(1)..(end + 1).min(points.len())).unwrap_or_default();
        let known = account(around, begins, ends, DAY_THRESHOLD, max_gap);
        let values: Vec<f64> = own.iter().map(|p| p.value).collect();
        out.push(OfDay {
            day: zone.day(begins),
            from: begins,
            to: ends,
            readings: own.len() as u64,
            hours_heard: known.covered_s / 3_600.0,
            figures: low_median_high(&values),
            hours_at_or_above: known.at_or_above_s / 3_600.0,
        });
        begins = ends;
    }
    out
}

/// How long a blower ran by the readings of its signal, in order of time: seconds of a counter, or values that are above a limit while it
/// runs. A step of more than `max_gap` is not counted, nor one in which a counter went back.
pub fn ran(points: &[Point], from: Timestamp, to: Timestamp, proof: RunProof, max_gap: Span) -> Option<Ran> {
    let (mut ran, mut heard) = (0.0, 0.0);
    for pair in points.windows(2) {
        let [a, b] = pair else { continue };
        let step = b.at.since(a.at);
        if a.at < from || b.at > to || step > max_gap || step <= Span::ZERO {
            continue;
        }
        let seconds = step.as_seconds();
        match proof {
            RunProof::RunCounter if b.value < a.value => continue,
            RunProof::RunCounter => ran += (b.value - a.value).min(seconds),
            RunProof::Signal { on_above, .. } if a.value > on_above => ran += seconds,
            RunProof::Signal { .. } => {}
            RunProof::ScheduledOnly => return None,
        }
        heard += seconds;
    }
    (proof != RunProof::ScheduledOnly)
        .then(|| Ran::Proven { ran: Span::from_seconds_f64(ran), heard: Span::from_seconds_f64(heard) })
}

/// The first midnight of the site's calendar after an instant.
fn next_midnight(zone: &Zone, at: Timestamp) -> Timestamp {
    zone.next_daily(at, site::zone::TimeOfDay { hour: 0, minute: 0 })
}

fn low_median_high(values: &[f64]) -> Option<[Celsius; 3]> {
    let mut sorted: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
    sorted.sort_by(f64::total_cmp);
    let (low, high) = (*sorted.first()?, *sorted.last()?);
    // Of an even number the lower of the two in the middle: a value that was measured, and never one that favours a lower limit.
    let median = *sorted.get((sorted.len() - 1) / 2)?;
    Some([Celsius(low), Celsius(median), Celsius(high)])
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use site::quantity::Quantity;

    use super::*;

    const GAP: Span = Span::minutes(60);

    /// Minutes after 2026-03-28 23:00 UTC, which is midnight in Berlin; the clocks go forward at 02:00 of that day.
    fn at(minutes: i64) -> Timestamp {
        Timestamp::from_millis(1_774_738_800_000) + Span::minutes(minutes)
    }

    fn points(list: &[(i64, f64)]) -> Vec<Point> {
        list.iter().map(|(minutes, value)| Point { at: at(*minutes), value: *value }).collect()
    }

    #[test]
    fn hours_are_grouped_and_gaps_divide() {
        for (list, want, why) in [
            (
                vec![(0, 60.0), (20, 62.0), (40, 61.0), (70, 59.0)],
                vec![vec![(60.0, 61.0, 62.0), (59.0, 59.0, 59.0)]],
                "two hours",
            ),
            (vec![(0, 60.0), (61, 50.0)], vec![vec![(60.0, 60.0, 60.0)], vec![(50.0, 50.0, 50.0)]], "a gap"),
            (
                vec![(0, 60.0), (60, 50.0)],
                vec![vec![(60.0, 60.0, 60.0), (50.0, 50.0, 50.0)]],
                "exactly the longest gap is none",
            ),
            (vec![(0, f64::NAN)], vec![], "what is no number is not there"),
            (vec![(0, 50.0), (10, 60.0)], vec![vec![(50.0, 50.0, 60.0)]], "of two the lower is the median"),
        ] {
            let runs = runs_of_hours(&points(&list), GAP);
            let got: Vec<Vec<_>> =
                runs.iter().map(|run| run.iter().map(|h| (h.low.0, h.median.0, h.high.0)).collect()).collect();
            assert_eq!(got, want, "{why}");
        }
        let split = runs_of_hours(&points(&[(0, 60.0), (50, 61.0)]), Span::minutes(30));
        assert_eq!(split.len(), 2, "a gap within an hour divides it too");
        let hour = runs_of_hours(&points(&[(0, 60.0), (10, 58.0), (20, 63.0), (30, 58.0), (40, 63.0)]), GAP);
        let hour = hour[0][0];
        assert_eq!(
            (hour.low_at, hour.high_at),
            (at(10), at(20)),
            "extremes have the instant at which they were reached first"
        );
    }

    #[test]
    fn silence_is_found_at_the_ends_and_between() {
        let list = points(&[(100, 60.0), (150, 60.0), (300, 60.0)]);
        let found = gaps(&list, at(0), at(330), GAP);
        assert_eq!(found, [(at(0), at(100)), (at(150), at(300))]);
        assert_eq!(coverage(&list, at(0), at(330), GAP), Some(80.0 / 330.0));
        assert_eq!(coverage(&[], at(0), at(330), GAP), Some(0.0), "nothing was heard at all");
        assert_eq!(coverage(&[], at(0), at(0), GAP), None, "no time has passed");
    }

    #[test]
    fn a_day_with_a_change_of_the_clocks_has_its_own_length() {
        let zone = Zone::named("Europe/Berlin").unwrap();
        let list: Vec<(i64, f64)> = (0..3_000).step_by(10).map(|m| (m, if m < 600 { 54.99 } else { 55.0 })).collect();
        let days = days(&points(&list), at(0), at(3_000), GAP, &zone);
        let heard: Vec<f64> = days.iter().map(|d| d.hours_heard).collect();
        assert_eq!(heard[..2], [23.0, 24.0], "the day of the change has 23 hours");
        assert_eq!(days[0].readings, 138);
        assert!(days[0].hours_at_or_above <= 13.0, "54.99 is not 55: {}", days[0].hours_at_or_above);
        assert_eq!(days[0].figures.unwrap().map(|c| c.0), [54.99, 55.0, 55.0]);
        let silent = super::days(&[], at(0), at(3_000), GAP, &zone);
        assert!(silent.iter().all(|d| d.figures.is_none() && d.hours_heard == 0.0), "a silent day is not a cold one");
    }

    #[test]
    fn a_blower_ran_as_long_as_its_signal_says() {
        let signal = RunProof::Signal { quantity: Quantity::Current, on_above: 1.0 };
        for (proof, list, want, why) in [
            (RunProof::RunCounter, vec![(0, 0.0), (30, 60.0), (60, 120.0)], Some((120.0, 60)), "a counter"),
            (
                RunProof::RunCounter,
                vec![(0, 900.0), (30, 5.0), (60, 65.0)],
                Some((60.0, 30)),
                "a counter that was reset",
            ),
            (RunProof::RunCounter, vec![(0, 0.0), (90, 600.0)], Some((0.0, 0)), "a step that is a gap"),
            (signal, vec![(0, 2.0), (10, 0.0), (20, 2.0), (30, 2.0)], Some((1_200.0, 30)), "a signal"),
            (RunProof::ScheduledOnly, vec![(0, 2.0), (10, 2.0)], None, "nothing tells"),
        ] {
            let want =
                want.map(|(ran, heard)| Ran::Proven { ran: Span::from_seconds_f64(ran), heard: Span::minutes(heard) });
            assert_eq!(ran(&points(&list), at(0), at(600), proof, GAP), want, "{why}");
        }
    }
}
