//! Times as people say them: `16:30`, `yesterday 16:30`, `monday 16:30`, beside what [`crate::zone::parse_instant`] reads.
//!
//! Must never choose for the person where the site's clocks show a time twice or not at all.

use jiff::civil;
use jiff::tz::AmbiguousOffset;
use pile::time::Timestamp;

use crate::bounds;
use crate::zone::{Zone, parse_instant};

/// Which of two days with the same name is meant.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Toward {
    /// The last one: what is told has happened.
    Past,
    /// The next one: what is told is planned.
    Future,
}

const WEEKDAYS: [&str; 7] = ["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"];

/// Reads an instant as a person says it at `now`.
///
/// # Errors
/// A sentence that says what was expected, or which of two instants could be meant.
pub fn parse(text: &str, zone: &Zone, now: Timestamp, toward: Toward) -> Result<Timestamp, String> {
    let text = text.trim();
    let lower = text.to_lowercase();
    let (day, clock) = match lower.rsplit_once(char::is_whitespace) {
        Some((day, clock)) => (day.trim(), clock),
        None => ("today", lower.as_str()),
    };
    let Some(time) = clock_time(clock) else { return other(text, zone) };
    let today = zone.at(now).date();
    let shifted = |days: i64| today.checked_add(jiff::Span::new().days(days)).ok();
    let date = match day {
        "today" => Some(today),
        "yesterday" => shifted(-1),
        "tomorrow" => shifted(1),
        name => match WEEKDAYS.iter().position(|full| *full == name || (name.len() == 3 && full.starts_with(name))) {
            Some(place) => {
                let from_monday = i64::from(today.weekday().to_monday_zero_offset());
                let back = (from_monday - i64::try_from(place).unwrap_or_default()).rem_euclid(7);
                // The day itself counts while its time has not come, or has come, whichever is meant.
                let here =
                    only(zone, today.to_datetime(time)).map(|at| at <= now + bounds::CLOCK_DOUBT).unwrap_or(true);
                match (toward, back) {
                    (Toward::Past, 0) if !here => shifted(-7),
                    (Toward::Past, back) => shifted(-back),
                    (Toward::Future, 0) if here => shifted(7),
                    (Toward::Future, 0) => shifted(0),
                    (Toward::Future, back) => shifted(7 - back),
                }
            }
            None => match name.parse::<civil::Date>() {
                Ok(date) => Some(date),
                Err(_) => return other(text, zone),
            },
        },
    };
    let date = date.ok_or_else(|| expected(text, zone))?;
    only(zone, date.to_datetime(time)).and_then(bounds::of_calendar)
}

/// `16:30`, `6:30`, `16:30:05`.
fn clock_time(text: &str) -> Option<civil::Time> {
    let mut parts = text.split(':');
    let (hour, minute, second) = (parts.next()?, parts.next()?, parts.next().unwrap_or("0"));
    let number = |part: &str| (part.len() <= 2).then(|| part.parse::<u8>().ok()).flatten();
    if parts.next().is_some() {
        return None;
    }
    let small = |part: &str| number(part).and_then(|n| i8::try_from(n).ok());
    civil::Time::new(small(hour)?, small(minute)?, small(second)?, 0).ok()
}

/// The one instant at which the site's clocks show this.
fn only(zone: &Zone, local: civil::DateTime) -> Result<Timestamp, String> {
    let shown = local.strftime("%Y-%m-%d %H:%M");
    let ambiguous = zone.ambiguous(local);
    match ambiguous.offset() {
        AmbiguousOffset::Unambiguous { .. } => {}
        AmbiguousOffset::Gap { before, after } => {
            let skipped = (i64::from(after.seconds()) - i64::from(before.seconds())) / 60;
            return Err(format!(
                "{shown} did not occur by the clocks of {}: they went forward by {skipped} min over it; give a time before or after that",
                zone.name()
            ));
        }
        AmbiguousOffset::Fold { .. } => {
            let either = |at: Result<jiff::Timestamp, jiff::Error>| {
                at.map(|at| {
                    zone.at(Timestamp::from_millis(at.as_millisecond())).strftime("%Y-%m-%dT%H:%M:%S%:z").to_string()
                })
            };
            let (first, second) = (either(zone.ambiguous(local).earlier()), either(zone.ambiguous(local).later()));
            return Err(match (first, second) {
                (Ok(first), Ok(second)) => format!(
                    "{shown} occurs twice by the clocks of {}: write {first} for the first, or {second} for the second",
                    zone.name()
                ),
                _ => expected(&shown.to_string(), zone),
            });
        }
    }
    let at = ambiguous.compatible().map_err(|_| expected(&shown.to_string(), zone))?;
    Ok(Timestamp::from_millis(at.as_millisecond()))
}

fn other(text: &str, zone: &Zone) -> Result<Timestamp, String> {
    // With a date and a time by the site's clock the two are one here too, with a T between them.
    if let Ok(local) = text.parse::<civil::DateTime>()
        && !text.contains('[')
        && text.len() > 10
        && text.parse::<jiff::Timestamp>().is_err()
    {
        return only(zone, local).and_then(bounds::of_calendar);
    }
    // The range of the calendar is told by the reader of dates; anything else that it cannot read, with all that can be written.
    parse_instant(text, zone).map_err(|why| if why.contains("is not a time") { expected(text, zone) } else { why })
}

fn expected(text: &str, zone: &Zone) -> String {
    format!(
        "`{text}` is not a time: write `16:30`, `yesterday 16:30`, `monday 16:30` or `2026-03-10 07:00` for the site's own clock ({}), or \
         `2026-03-10T06:00:00Z`",
        zone.name()
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::zone::rfc3339_utc;
    use proptest::prelude::*;

    /// Tuesday 2026-03-10, 09:00 in Dublin.
    const NOW: Timestamp = Timestamp::from_millis(1_773_133_200_000);

    #[test]
    fn times_are_read_as_people_say_them() {
        let zone = Zone::named("Europe/Dublin").unwrap();
        let chicago = Zone::named("America/Chicago").unwrap();
        for (zone, text, toward, want, why) in [
            (&zone, "08:30", Toward::Past, Ok("2026-03-10T08:30:00Z"), "today"),
            (&zone, "7:05", Toward::Past, Ok("2026-03-10T07:05:00Z"), "one digit"),
            (&zone, "today 08:30", Toward::Past, Ok("2026-03-10T08:30:00Z"), "today by its name"),
            (&zone, "Yesterday 16:30", Toward::Past, Ok("2026-03-09T16:30:00Z"), "yesterday"),
            (&zone, "monday 16:30", Toward::Past, Ok("2026-03-09T16:30:00Z"), "the last one"),
            (&zone, "Mon 16:30", Toward::Past, Ok("2026-03-09T16:30:00Z"), "its three letters"),
            (&zone, "tuesday 08:00", Toward::Past, Ok("2026-03-10T08:00:00Z"), "today is one"),
            (&zone, "tuesday 10:00", Toward::Past, Ok("2026-03-03T10:00:00Z"), "it has not come today"),
            (&zone, "tuesday 10:00", Toward::Future, Ok("2026-03-10T10:00:00Z"), "it is still to come"),
            (&zone, "monday 16:30", Toward::Future, Ok("2026-03-16T16:30:00Z"), "the next one"),
            (&zone, "2026-03-01 07:00", Toward::Past, Ok("2026-03-01T07:00:00Z"), "as before"),
            (&zone, "2026-03-01", Toward::Past, Ok("2026-03-01T00:00:00Z"), "a day"),
            (&zone, "2026-03-01T07:00:00+02:00", Toward::Past, Ok("2026-03-01T05:00:00Z"), "RFC 3339"),
            (&zone, "25:00", Toward::Past, Err("`25:00` is not a time: write `16:30`"), "no such hour"),
            (&zone, "someday 16:30", Toward::Past, Err("is not a time"), "no such day"),
            (&zone, "1926-03-10 07:00", Toward::Past, Err("check the year"), "outside the calendar"),
            (
                &chicago,
                "2026-03-08 02:30",
                Toward::Past,
                Err("did not occur by the clocks of America/Chicago"),
                "skipped",
            ),
            (&chicago, "2026-03-08T02:30", Toward::Past, Err("they went forward by 60 min over it"), "skipped"),
            (
                &chicago,
                "2025-11-02 01:30",
                Toward::Past,
                Err("write 2025-11-02T01:30:00-05:00 for the first, or 2025-11-02T01:30:00-06:00 for the second"),
                "twice",
            ),
            (&chicago, "2025-11-02T01:30:00-06:00", Toward::Past, Ok("2025-11-02T07:30:00Z"), "the second of the two"),
        ] {
            match (parse(text, zone, NOW, toward).map(rfc3339_utc), want) {
                (Ok(got), Ok(want)) => assert_eq!(got, want, "{text}: {why}"),
                (Err(said), Err(words)) => assert!(said.contains(words), "{text}: {why}: {said}"),
                (got, _) => panic!("{text}: {why}: {got:?}"),
            }
        }
    }

    proptest! {
        /// Any minute of any day that somebody says is that minute by the site's clock, or is told as one that is twice or not there.
        #[test]
        fn what_is_said_is_what_the_clock_shows(hour in 0u8..24, minute in 0u8..60, day in 0usize..7, now in 946_684_800_000i64..4_102_000_000_000) {
            let zone = Zone::named("Europe/Dublin").unwrap();
            let (now, text) = (Timestamp::from_millis(now), format!("{} {hour:02}:{minute:02}", WEEKDAYS[day]));
            match parse(&text, &zone, now, Toward::Past) {
                Ok(at) => {
                    let shown = zone.at(at).strftime("%A %H:%M").to_string().to_lowercase();
                    prop_assert_eq!(shown, text);
                    prop_assert!(at <= now + bounds::CLOCK_DOUBT && now.since(at) <= pile::time::Span::hours(7 * 24 + 2));
                }
                Err(said) => prop_assert!(said.contains("occur") || said.contains("check the year"), "{}", said),
            }
        }
    }
}
