//! Between which instants a date from outside must lie, in one table, and the sentence that refuses any other.
//!
//! Must never be passed by: whoever takes a date from a person, a file, a message or a store asks here.

use pile::time::{Span, Timestamp};

use crate::zone::{Zone, rfc3339_utc};

/// 2000-01-01T00:00:00Z. Nothing that this program is about happened before (our own bound); clocks that were never set say so.
pub const EARLIEST: Timestamp = Timestamp::from_millis(946_684_800_000);
/// 2100-01-01T00:00:00Z. Nothing is planned for later (our own bound).
pub const LATEST: Timestamp = Timestamp::from_millis(4_102_444_800_000);
/// 2015-01-01T00:00:00Z: no probe of ours measured before it (our own bound).
pub const EARLIEST_MEASURED: Timestamp = Timestamp::from_millis(1_420_070_400_000);
/// How far the clock of another may run ahead of ours before what it says has not come yet (our own bound).
pub const CLOCK_DOUBT: Span = Span::minutes(5);
/// What people write in the log may be older than the first reading of the batch, or of the site, by this much, unless they say twice that it is.
pub const BEFORE_READINGS: Span = Span::days(365);
/// A thing that comes round, such as the check of a probe, comes round within this.
pub const DUE_WITHIN: Span = Span::days(3_660);

/// Whether the calendar of this program has such a date.
pub fn is_of_calendar(at: Timestamp) -> bool {
    (EARLIEST..LATEST).contains(&at)
}

/// The instant, if the calendar has such a date.
///
/// # Errors
/// A sentence with the date, the range and what to do.
pub fn of_calendar(at: Timestamp) -> Result<Timestamp, String> {
    match is_of_calendar(at) {
        true => Ok(at),
        false => Err(format!("{} is outside 2000-01-01 to 2099-12-31; check the year", said(at))),
    }
}

/// What people say has happened: of the calendar, and not later than a clock may be ahead of `now`.
///
/// # Errors
/// A sentence with the date, the bound and what to do.
pub fn happened(at: Timestamp, now: Timestamp, zone: &Zone) -> Result<Timestamp, String> {
    of_calendar(at)?;
    match at > now + CLOCK_DOUBT {
        true => Err(format!("{} has not come yet; give the time at which it happened", zone.show(at))),
        false => Ok(at),
    }
}

/// What people say is due: of the calendar, and within [`DUE_WITHIN`] of `now`.
///
/// # Errors
/// A sentence with the date, the bound and what to do.
pub fn due(at: Timestamp, now: Timestamp, zone: &Zone) -> Result<Timestamp, String> {
    of_calendar(at)?;
    match at > now + DUE_WITHIN {
        true => Err(format!("{} is more than {DUE_WITHIN} from now; give an earlier time", zone.show(at))),
        false => Ok(at),
    }
}

/// A date as it is named where it is refused; beyond the calendar of four digits as the number that it is.
pub fn said(at: Timestamp) -> String {
    const YEAR_1: Timestamp = Timestamp::from_millis(-62_135_596_800_000);
    const YEAR_10000: Timestamp = Timestamp::from_millis(253_402_300_800_000);
    match (YEAR_1..YEAR_10000).contains(&at) {
        true => rfc3339_utc(at),
        false => format!("the time {} ms since 1970", at.as_millis()),
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn a_date_outside_the_calendar_is_refused_with_its_value_its_range_and_what_to_do() {
        let zone = Zone::named("Europe/Dublin").unwrap();
        let now = Timestamp::from_millis(1_773_014_400_000);
        for (ms, wanted, why) in [
            (946_684_800_000, None, "the first millisecond of 2000"),
            (
                946_684_799_999,
                Some("1999-12-31T23:59:59Z is outside 2000-01-01 to 2099-12-31; check the year"),
                "the one before",
            ),
            (-1_388_534_400_000, Some("1926-01-01T00:00:00Z is outside"), "a slip of one digit"),
            (i64::MIN, Some("the time -9007199254740992 ms since 1970 is outside"), "the smallest number there is"),
            (4_102_444_800_000, Some("2100-01-01T00:00:00Z is outside"), "the first millisecond of 2100"),
            (i64::MAX, Some("the time 9007199254740992 ms since 1970 is outside"), "the largest number there is"),
            (1_773_014_700_000, None, "five minutes ahead is the doubt of a clock"),
            (
                1_773_014_700_001,
                Some("2026-03-09 00:05 +00:00 has not come yet; give the time"),
                "a millisecond more is not",
            ),
        ] {
            let got = happened(Timestamp::from_millis(ms), now, &zone);
            match wanted {
                None => assert_eq!(got, Ok(Timestamp::from_millis(ms)), "{why}"),
                Some(words) => assert!(got.clone().unwrap_err().contains(words), "{why}: {got:?}"),
            }
        }
    }

    proptest! {
        #[test]
        fn whatever_number_comes_what_is_taken_lies_in_the_range(ms in any::<i64>(), now in any::<i64>()) {
            let zone = Zone::named("Pacific/Auckland").unwrap();
            let (at, now) = (Timestamp::from_millis(ms), Timestamp::from_millis(now));
            match happened(at, now, &zone) {
                Ok(at) => prop_assert!((EARLIEST..LATEST).contains(&at) && at <= now + CLOCK_DOUBT),
                Err(words) => prop_assert!(words.contains("; ")),
            }
        }
    }
}
