//! The site's time zone: local calendar in, instants out.
//!
//! Must never use a zone database of the machine it runs on: only the bundled one, whose version is on record, so that a replay
//! elsewhere schedules the same instants.

use jiff::civil;
use jiff::tz::{AmbiguousOffset, TimeZone, TimeZoneDatabase};
use pile::time::Timestamp;

use crate::bounds;

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

/// A time of day, in the site's zone.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct TimeOfDay {
    /// Hour, 0 to 23.
    pub hour: i8,
    /// Minute, 0 to 59.
    pub minute: i8,
}

/// A day of the site's calendar.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Day {
    /// Year of the common era.
    pub year: i16,
    /// 1 to 12.
    pub month: i8,
    /// 1 to 31.
    pub day: i8,
}

impl std::fmt::Display for TimeOfDay {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{:02}:{:02}", self.hour, self.minute)
    }
}

impl Day {
    /// The day that a text such as `2026-03-10` names.
    pub fn parse(text: &str) -> Option<Day> {
        let date: civil::Date = text.parse().ok()?;
        Some(Day { year: date.year(), month: date.month(), day: date.day() })
    }
}

impl std::fmt::Display for Day {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{:04}-{:02}-{:02}", self.year, self.month, self.day)
    }
}

/// A week as ISO 8601 numbers it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct IsoWeek {
    /// The ISO week-numbering year.
    pub year: i16,
    /// 1 to 53.
    pub week: i8,
}

impl std::fmt::Display for IsoWeek {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}-W{:02}", self.year, self.week)
    }
}

impl IsoWeek {
    /// The week of its text, such as `2026-W10`.
    pub fn parse(text: &str) -> Option<IsoWeek> {
        let (year, week) = text.trim().split_once("-W")?;
        let week = week.parse().ok().filter(|week| (1..=53).contains(week))?;
        Some(IsoWeek { year: year.parse().ok().filter(|year| (2000..=2099).contains(year))?, week })
    }
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

    /// Every name of the bundled database, in its order.
    pub fn names() -> Vec<String> {
        TimeZoneDatabase::bundled().available().map(|name| name.as_str().into()).collect()
    }

    /// The IANA name.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The local date and time with its offset, for printing.
    pub fn at(&self, at: Timestamp) -> jiff::ZonedDateTime {
        instant(at).to_zoned_datetime(self.zone.clone())
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
        let time = TimeOfDay { hour: when.hour, minute: when.minute };
        self.next_shown(now, time, |date| date.weekday().to_monday_one_offset() == when.weekday)
    }

    /// The first instant after `now` at which the site's clocks show this time; skipped and doubled times as in [`Zone::next_weekly`].
    pub fn next_daily(&self, now: Timestamp, when: TimeOfDay) -> Timestamp {
        self.next_shown(now, when, |_| true)
    }

    fn next_shown(&self, now: Timestamp, when: TimeOfDay, on: impl Fn(&civil::Date) -> bool) -> Timestamp {
        let today = self.at(now).date();
        let time = civil::time(when.hour, when.minute, 0, 0);
        (-1..=8)
            .filter_map(|ahead| today.checked_add(jiff::Span::new().days(ahead)).ok())
            .filter(on)
            .filter_map(|date| self.first_shown(date.to_datetime(time)))
            .find(|at| *at > now)
            .unwrap_or(Timestamp::MAX)
    }

    /// The first instant at which the site's clocks show this date and time, or have just jumped over it.
    fn first_shown(&self, local: civil::DateTime) -> Option<Timestamp> {
        let ambiguous = self.zone.to_ambiguous_timestamp(local);
        let skipped = matches!(ambiguous.offset(), AmbiguousOffset::Gap { .. });
        let mut at = ambiguous.compatible().ok()?;
        if skipped {
            // The library moves a skipped time on by the length of the gap; the gap itself ends at the transition before that.
            let just_after = at.checked_add(jiff::SignedDuration::from_millis(1)).ok()?;
            at = self.zone.preceding(just_after).next()?.timestamp();
        }
        Some(Timestamp::from_millis(at.as_millisecond()))
    }

    /// Every instant at which the site's clocks show this.
    pub(crate) fn ambiguous(&self, local: civil::DateTime) -> jiff::tz::AmbiguousTimestamp {
        self.zone.to_ambiguous_timestamp(local)
    }

    /// The day that the site's calendar shows at this instant.
    pub fn day(&self, at: Timestamp) -> Day {
        let date = self.at(at).date();
        Day { year: date.year(), month: date.month(), day: date.day() }
    }

    /// The day of the week at this instant, 1 Monday to 7 Sunday as ISO 8601 counts.
    pub fn weekday(&self, at: Timestamp) -> i8 {
        self.at(at).date().weekday().to_monday_one_offset()
    }

    /// The time of day that the site's clocks show at this instant.
    pub fn time_of_day(&self, at: Timestamp) -> TimeOfDay {
        let local = self.at(at);
        TimeOfDay { hour: local.hour(), minute: local.minute() }
    }

    /// When a week of ISO 8601 begins by the site's clocks, on Monday at 00:00; `None` where the calendar has no such week.
    pub fn week_begins(&self, week: IsoWeek) -> Option<Timestamp> {
        let monday = civil::ISOWeekDate::new(week.year, week.week, civil::Weekday::Monday).ok()?.date();
        self.first_shown(monday.at(0, 0, 0, 0))
    }

    /// The ISO week that the site's calendar shows at this instant.
    pub fn iso_week(&self, at: Timestamp) -> IsoWeek {
        let week = self.at(at).date().iso_week_date();
        IsoWeek { year: week.year(), week: week.week() }
    }
}

/// Reads an instant that a person wrote: RFC 3339, or `2026-03-10 07:00` in the site's zone, of the years 2000 to 2099.
///
/// # Errors
/// A sentence that says what was expected.
pub fn parse_instant(text: &str, zone: &Zone) -> Result<Timestamp, String> {
    if let Some(at) = parse_rfc3339(text) {
        return bounds::of_calendar(at);
    }
    // A zone in brackets would be dropped without a word.
    let unzoned = if text.contains('[') { "" } else { text };
    let local =
        unzoned.parse::<civil::DateTime>().or_else(|_| unzoned.parse::<civil::Date>().map(|d| d.at(0, 0, 0, 0)));
    local
        .ok()
        .and_then(|dt| dt.to_zoned_datetime(zone.zone.clone()).ok())
        .map(|zoned| Timestamp::from_millis(zoned.timestamp().as_millisecond()))
        .ok_or_else(|| {
            format!("`{text}` is not a time: write `2026-03-10 07:00` for the site's own clock ({}) or `2026-03-10T06:00:00Z`", zone.name)
        })
        .and_then(bounds::of_calendar)
}

/// Reads an instant that a machine wrote as RFC 3339, with its own offset; what is finer than a millisecond is cut off.
pub fn parse_rfc3339(text: &str) -> Option<Timestamp> {
    text.parse::<jiff::Timestamp>().ok().map(|at| Timestamp::from_millis(at.as_millisecond()))
}

/// Prints an instant as RFC 3339 in UTC to the second, for machines.
pub fn rfc3339_utc(at: Timestamp) -> String {
    instant(at).strftime("%Y-%m-%dT%H:%M:%SZ").to_string()
}

/// Prints an instant as RFC 3339 in UTC with three decimals, always, so that texts sort as instants do.
pub fn rfc3339_millis(at: Timestamp) -> String {
    instant(at).strftime("%Y-%m-%dT%H:%M:%S.%3fZ").to_string()
}

fn instant(at: Timestamp) -> jiff::Timestamp {
    jiff::Timestamp::from_millisecond(at.as_millis()).unwrap_or(if at.as_millis() < 0 {
        jiff::Timestamp::MIN
    } else {
        jiff::Timestamp::MAX
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> Timestamp {
        Timestamp::from_millis(text.parse::<jiff::Timestamp>().unwrap().as_millisecond())
    }

    /// `want` computed with Python 3.11 `zoneinfo`, as `datetime(..., tzinfo=ZoneInfo(zone), fold=0).astimezone(timezone.utc)`.
    #[test]
    fn the_weekly_time_comes_once_a_week_whatever_the_clocks_do() {
        const DUBLIN: &str = "Europe/Dublin";
        const CHICAGO: &str = "America/Chicago";
        let (mon7, sun0130, sun0230) = ((1, 7, 0), (7, 1, 30), (7, 2, 30));
        for (zone, when, now, want, why) in [
            (DUBLIN, mon7, "2026-03-23T06:59:59.999Z", "2026-03-23T07:00:00Z", "a moment before"),
            (
                DUBLIN,
                mon7,
                "2026-03-23T07:00:00Z",
                "2026-03-30T06:00:00Z",
                "exactly then is not after; summer time begins",
            ),
            (DUBLIN, mon7, "2026-03-29T23:30:00Z", "2026-03-30T06:00:00Z", "already Monday by the site's clock"),
            (DUBLIN, mon7, "2026-10-19T06:00:00Z", "2026-10-26T07:00:00Z", "summer time ends"),
            (
                DUBLIN,
                sun0130,
                "2026-03-28T12:00:00Z",
                "2026-03-29T01:00:00Z",
                "a skipped time comes when the gap ends, 02:00 local",
            ),
            (DUBLIN, sun0130, "2026-03-29T01:00:00Z", "2026-04-05T00:30:00Z", "and only once"),
            (DUBLIN, sun0130, "2026-10-24T12:00:00Z", "2026-10-25T00:30:00Z", "a doubled time comes the first time"),
            (DUBLIN, sun0130, "2026-10-25T00:30:00Z", "2026-11-01T01:30:00Z", "and not the second time"),
            (CHICAGO, mon7, "2026-03-02T13:00:00Z", "2026-03-09T12:00:00Z", "daylight saving begins"),
            (CHICAGO, mon7, "2026-10-27T00:00:00Z", "2026-11-02T13:00:00Z", "daylight saving ends"),
            (CHICAGO, sun0230, "2026-03-08T07:59:00Z", "2026-03-08T08:00:00Z", "skipped: 03:00 local"),
            (CHICAGO, (7, 2, 0), "2026-03-08T07:59:00Z", "2026-03-08T08:00:00Z", "the first minute of the gap"),
            (CHICAGO, sun0230, "2026-03-08T08:00:00Z", "2026-03-15T07:30:00Z", "and only once"),
            (CHICAGO, sun0130, "2026-11-01T06:00:00Z", "2026-11-01T06:30:00Z", "doubled: the first"),
            (CHICAGO, sun0130, "2026-11-01T06:30:00Z", "2026-11-08T07:30:00Z", "not the second"),
            (
                "Pacific/Apia",
                (5, 7, 0),
                "2011-12-29T20:00:00Z",
                "2011-12-30T10:00:00Z",
                "a whole Friday skipped: Saturday 00:00 local",
            ),
        ] {
            let (weekday, hour, minute) = when;
            let got = Zone::named(zone).unwrap().next_weekly(at(now), WeeklyTime { weekday, hour, minute });
            assert_eq!(got, at(want), "{zone} {when:?} after {now}: {why}");
        }
    }

    #[test]
    fn instants_beyond_the_calendar_have_no_next_week() {
        let zone = Zone::named("Europe/Dublin").unwrap();
        let when = WeeklyTime { weekday: 1, hour: 7, minute: 0 };
        assert_eq!(zone.next_weekly(Timestamp::MAX, when), Timestamp::MAX);
        assert!(zone.next_weekly(Timestamp::MIN, when) > Timestamp::MIN);
    }

    #[test]
    fn the_daily_time_comes_once_a_day_whatever_the_clocks_do() {
        let zone = Zone::named("Europe/Dublin").unwrap();
        for (hour, minute, now, want, why) in [
            (6, 30, "2026-03-28T06:29:59Z", "2026-03-28T06:30:00Z", "winter time"),
            (6, 30, "2026-03-28T06:30:00Z", "2026-03-29T05:30:00Z", "summer time begins that night"),
            (1, 30, "2026-03-28T12:00:00Z", "2026-03-29T01:00:00Z", "a skipped time comes when the gap ends"),
            (1, 30, "2026-03-29T01:00:00Z", "2026-03-30T00:30:00Z", "and only once"),
            (1, 30, "2026-10-25T00:30:00Z", "2026-10-26T01:30:00Z", "a doubled time comes once"),
        ] {
            assert_eq!(zone.next_daily(at(now), TimeOfDay { hour, minute }), at(want), "{now}: {why}");
        }
        let late = at("2026-07-10T23:30:00Z");
        assert_eq!(zone.day(late), Day { year: 2026, month: 7, day: 11 }, "it is tomorrow by the site's clocks");
        assert_eq!((zone.weekday(late), zone.time_of_day(late)), (6, TimeOfDay { hour: 0, minute: 30 }));
    }

    /// Computed with Python 3.11, `date.isocalendar()`.
    #[test]
    fn iso_weeks_run_across_the_year_end() {
        let zone = Zone::named("Europe/Dublin").unwrap();
        for (day, year, week, why) in [
            ("2026-12-28", 2026, 53, "a year that begins on a Thursday has 53 weeks"),
            ("2026-12-31", 2026, 53, "its last day"),
            ("2027-01-01", 2026, 53, "a Friday belongs to the week of its Thursday"),
            ("2027-01-03", 2026, 53, "Sunday ends it"),
            ("2027-01-04", 2027, 1, "Monday begins the next"),
            ("2024-12-29", 2024, 52, "Sunday of the last week"),
            ("2024-12-30", 2025, 1, "December can belong to the next year"),
            ("2021-01-03", 2020, 53, "53 weeks in a leap year that begins on a Wednesday"),
            ("2023-01-01", 2022, 52, "a Sunday on the first of January"),
        ] {
            let noon = at(&format!("{day}T12:00:00Z"));
            assert_eq!(zone.iso_week(noon), IsoWeek { year, week }, "{day}: {why}");
        }
        let auckland = Zone::named("Pacific/Auckland").unwrap();
        let sunday_noon = at("2027-01-03T12:00:00Z");
        assert_eq!(auckland.iso_week(sunday_noon), IsoWeek { year: 2027, week: 1 }, "it is Monday there already");
    }

    #[test]
    fn zones_are_known_by_their_iana_names_only() {
        for (name, known, why) in [
            ("Europe/Dublin", true, "a name of the database"),
            ("America/Chicago", true, "another"),
            ("Europe/Dublim", false, "a slip of the pen"),
            ("", false, "nothing"),
            ("/etc/localtime", false, "never a file of the machine"),
        ] {
            assert_eq!(Zone::named(name).is_ok(), known, "{name}: {why}");
        }
        assert!(Zone::names().iter().any(|name| name == "Europe/Dublin"));
    }

    #[test]
    fn instants_are_read_as_people_write_them() {
        let zone = Zone::named("Europe/Dublin").unwrap();
        for (text, want, why) in [
            ("2026-07-10 07:00", Some("2026-07-10T06:00:00Z"), "the site's own clock, summer"),
            ("2026-01-10 07:00", Some("2026-01-10T07:00:00Z"), "the site's own clock, winter"),
            ("2026-01-10", Some("2026-01-10T00:00:00Z"), "the beginning of the day"),
            ("2026-07-10T07:00:00Z", Some("2026-07-10T07:00:00Z"), "RFC 3339 in UTC"),
            ("2026-07-10T07:00:00-05:00", Some("2026-07-10T12:00:00Z"), "RFC 3339 with an offset"),
            ("2026-07-10T07:00[America/Chicago]", None, "another zone would be taken for the site's"),
            ("10.7.2026", None, "not ISO 8601"),
            ("", None, "nothing"),
        ] {
            let got = parse_instant(text, &zone);
            match want {
                Some(want) => assert_eq!(got, Ok(at(want)), "{text}: {why}"),
                None => assert!(got.unwrap_err().contains("Europe/Dublin"), "{text}: {why}"),
            }
        }
        for text in ["1926-07-10 07:00", "1999-12-31T23:59:59Z", "2100-01-01", "9999-12-30 22:00", "0001-01-01"] {
            let got = parse_instant(text, &zone).unwrap_err();
            assert!(got.contains("is outside 2000-01-01 to 2099-12-31; check the year"), "{text}: {got}");
        }
    }

    #[test]
    fn instants_print_with_three_decimals_for_the_record() {
        for (ms, want, why) in [
            (1_773_122_400_000, "2026-03-10T06:00:00.000Z", "none to show is shown all the same"),
            (1_773_122_400_007, "2026-03-10T06:00:00.007Z", "leading zeros"),
            (-1, "1969-12-31T23:59:59.999Z", "before 1970"),
        ] {
            assert_eq!(rfc3339_millis(Timestamp::from_millis(ms)), want, "{why}");
        }
    }

    #[test]
    fn instants_print_in_the_site_zone() {
        let zone = Zone::named("Europe/Dublin").unwrap();
        assert_eq!(zone.show(at("2026-07-10T06:00:00Z")), "2026-07-10 07:00 +01:00");
        assert_eq!(zone.show_short(at("2026-03-03T06:00:00Z")), "Tue 3 Mar 06:00");
    }
}
