//! The site's time zone: local calendar in, instants out.
//!
//! Must never use a zone database of the machine it runs on: only the bundled one, whose version is on record, so that a replay
//! elsewhere schedules the same instants.

use jiff::civil;
use jiff::tz::{TimeZone, TimeZoneDatabase};
use pile::time::Timestamp;

/// A time zone of the bundled IANA database.
#[derive(Clone, Debug, PartialEq)]
pub struct Zone {
    name: String,
    zone: TimeZone,
}

/// A day of the week with a time of day, in the site's zone.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct WeeklyTime {
    /// 1 Monday to 7 Sunday, as ISO 8601 counts.
    pub weekday: i8,
    /// Hour, 0 to 23.
    pub hour: i8,
    /// Minute, 0 to 59.
    pub minute: i8,
}

/// A week as ISO 8601 numbers it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct IsoWeek {
    /// The ISO week-numbering year.
    pub year: i16,
    /// 1 to 53.
    pub week: i8,
}

/// The zone name is not in the bundled database.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("`{0}` is not a time zone of the IANA database; write a name such as Europe/Dublin or America/Chicago")]
pub struct UnknownZone(pub String);

impl Zone {
    /// Looks the name up in the bundled database.
    ///
    /// # Errors
    /// [`UnknownZone`] when it is not there.
    pub fn named(name: &str) -> Result<Zone, UnknownZone> {
        let zone = TimeZoneDatabase::bundled().get(name).map_err(|_| UnknownZone(name.into()))?;
        Ok(Zone { name: name.into(), zone })
    }

    /// The IANA name.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The local date and time with its offset, for printing.
    pub fn at(&self, at: Timestamp) -> jiff::Zoned {
        instant(at).to_zoned(self.zone.clone())
    }

    /// Prints an instant as `2026-03-10 07:00 +01:00`.
    pub fn show(&self, at: Timestamp) -> String {
        self.at(at).strftime("%Y-%m-%d %H:%M %:z").to_string()
    }

    /// Prints an instant as `Tue 10 Mar 07:00`, for lines where the zone is named elsewhere.
    pub fn show_short(&self, at: Timestamp) -> String {
        self.at(at).strftime("%a %-d %b %H:%M").to_string()
    }

    /// The first instant after `now` at which the site's clocks show this weekday and time.
    ///
    /// A time that daylight saving skips counts as the first instant after the gap; one that occurs twice, as the first of the two.
    pub fn next_weekly(&self, now: Timestamp, when: WeeklyTime) -> Timestamp {
        let today = self.at(now).date();
        let time = civil::time(when.hour, when.minute, 0, 0);
        (-1..=8)
            .filter_map(|ahead| today.checked_add(jiff::Span::new().days(ahead)).ok())
            .filter(|date| date.weekday().to_monday_one_offset() == when.weekday)
            .filter_map(|date| date.to_datetime(time).to_zoned(self.zone.clone()).ok())
            .map(|zoned| Timestamp::from_millis(zoned.timestamp().as_millisecond()))
            .find(|at| *at > now)
            .unwrap_or(Timestamp::MAX)
    }

    /// The ISO week that the site's calendar shows at this instant.
    pub fn iso_week(&self, at: Timestamp) -> IsoWeek {
        let week = self.at(at).date().iso_week_date();
        IsoWeek { year: week.year(), week: week.week() }
    }
}

/// Reads an instant that a person wrote: RFC 3339, or `2026-03-10 07:00` in the site's zone.
///
/// # Errors
/// A sentence that says what was expected.
pub fn parse_instant(text: &str, zone: &Zone) -> Result<Timestamp, String> {
    if let Ok(at) = text.parse::<jiff::Timestamp>() {
        return Ok(Timestamp::from_millis(at.as_millisecond()));
    }
    let local = text.parse::<civil::DateTime>().or_else(|_| text.parse::<civil::Date>().map(|d| d.at(0, 0, 0, 0)));
    local
        .ok()
        .and_then(|dt| dt.to_zoned(zone.zone.clone()).ok())
        .map(|zoned| Timestamp::from_millis(zoned.timestamp().as_millisecond()))
        .ok_or_else(|| {
            format!("`{text}` is not a time: write `2026-03-10 07:00` for the site's own clock ({}) or `2026-03-10T06:00:00Z`", zone.name)
        })
}

fn instant(at: Timestamp) -> jiff::Timestamp {
    jiff::Timestamp::from_millisecond(at.as_millis()).unwrap_or(if at.as_millis() < 0 {
        jiff::Timestamp::MIN
    } else {
        jiff::Timestamp::MAX
    })
}
