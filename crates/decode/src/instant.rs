//! The time that a payload carries: RFC 3339 text, or a count since 1970 whose unit follows from its size.
//!
//! Must never trust a time outside the window: a wrong clock is named, and the time of intake stands in.

use jiff::Timestamp as Civil;
use pile::time::Timestamp;
use site::bounds::{CLOCK_DOUBT, EARLIEST_MEASURED};

use crate::json::Node;
use crate::number::is_decimal;

/// What a payload says of its time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Told {
    /// This instant, inside the window.
    At(Timestamp),
    /// Nothing.
    Nothing,
    /// Something that is not a time, or a time before 2015.
    Wrong,
    /// A time more than five minutes ahead of `received_at`.
    Ahead,
    /// A date and a time of day without an offset from UTC.
    Local,
}

/// What `node`, found where the settings say the time is, tells at `received_at`.
pub(crate) fn told(node: Option<&Node<'_>>, received_at: Timestamp) -> Told {
    let at = match node {
        None | Some(Node::Null) => return Told::Nothing,
        Some(Node::Int(n)) => from_count(*n),
        Some(Node::Float(x)) => from_fraction(*x),
        Some(Node::Text(text)) => match from_text(text.trim_ascii()) {
            Text::At(at) => Some(at),
            Text::Local => return Told::Local,
            Text::NotATime => None,
        },
        Some(Node::Bool | Node::Array(_) | Node::Object(_)) => None,
    };
    match at {
        Some(at) if at < EARLIEST_MEASURED => Told::Wrong,
        Some(at) if at > received_at + CLOCK_DOUBT => Told::Ahead,
        Some(at) => Told::At(at),
        None => Told::Wrong,
    }
}

/// Counts since 1970 by size: below 1e11 seconds, below 1e14 milliseconds, below 1e17 microseconds, else nanoseconds. Each bound lies
/// more than a thousand years from today in its own unit and before 1974 in the next.
fn from_count(n: i128) -> Option<Timestamp> {
    let ms = match n.unsigned_abs() {
        0..100_000_000_000 => n * 1_000,
        100_000_000_000..100_000_000_000_000 => n,
        100_000_000_000_000..100_000_000_000_000_000 => n.div_euclid(1_000),
        _ => n.div_euclid(1_000_000),
    };
    i64::try_from(ms).ok().map(Timestamp::from_millis)
}

/// The same for a count with a fraction, to the nearest millisecond.
fn from_fraction(x: f64) -> Option<Timestamp> {
    let ms = match x.abs() {
        size if size < 1e11 => x * 1e3,
        size if size < 1e14 => x,
        size if size < 1e17 => x / 1e3,
        _ => x / 1e6,
    };
    // A cast of a float saturates, and what saturates lies outside the window.
    ms.is_finite().then(|| Timestamp::from_millis(ms.round() as i64))
}

enum Text {
    At(Timestamp),
    Local,
    NotATime,
}

fn from_text(text: &str) -> Text {
    let bytes = text.as_bytes();
    if is_decimal(bytes) {
        let at = match text.parse::<i128>() {
            Ok(n) => from_count(n),
            Err(_) => text.parse::<f64>().ok().and_then(from_fraction),
        };
        return at.map_or(Text::NotATime, Text::At);
    }
    match rfc3339_shape(bytes) {
        Shape::WithOffset => match text.parse::<Civil>() {
            Ok(at) => Text::At(Timestamp::from_millis(at.as_millisecond())),
            Err(_) => Text::NotATime,
        },
        Shape::Local => Text::Local,
        Shape::Other => Text::NotATime,
    }
}

enum Shape {
    WithOffset,
    Local,
    Other,
}

/// Whether the text has the shape of RFC 3339 section 5.6, with a space allowed for `T` (its own note) and letters in either case.
///
/// The shape is checked here because the parser behind it takes more than that (bare dates, zone annotations).
fn rfc3339_shape(bytes: &[u8]) -> Shape {
    const PATTERN: &[u8; 19] = b"dddd-dd-ddTdd:dd:dd";
    let fits = |got: &[u8], pattern: &[u8]| {
        got.len() == pattern.len()
            && got.iter().zip(pattern).all(|(g, p)| match p {
                b'd' => g.is_ascii_digit(),
                b'T' => matches!(g, b'T' | b't' | b' '),
                b's' => matches!(g, b'+' | b'-'),
                other => g == other,
            })
    };
    let Some((head, mut rest)) = bytes.split_at_checked(PATTERN.len()) else { return Shape::Other };
    if !fits(head, PATTERN) {
        return Shape::Other;
    }
    if let Some(fraction) = rest.strip_prefix(b".") {
        let digits = fraction.iter().take_while(|b| b.is_ascii_digit()).count();
        if digits == 0 || digits > 9 {
            return Shape::Other;
        }
        rest = &fraction[digits..];
    }
    match rest {
        b"" => Shape::Local,
        b"Z" | b"z" => Shape::WithOffset,
        offset if fits(offset, b"sdd:dd") => Shape::WithOffset,
        _ => Shape::Other,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 2026-03-10T06:00:00Z.
    const NOW: Timestamp = Timestamp::from_millis(1_773_122_400_000);

    #[test]
    fn times_are_read_as_rfc3339_or_by_the_size_of_a_count() {
        let at = |ms: i64| Told::At(Timestamp::from_millis(ms));
        for (json, want, why) in [
            ("1773122340", at(1_773_122_340_000), "seconds"),
            ("1773122399.5", at(1_773_122_399_500), "seconds with a fraction"),
            ("1773122340000", at(1_773_122_340_000), "milliseconds"),
            ("1773122340000000", at(1_773_122_340_000_000 / 1_000), "microseconds"),
            ("1773122340000000001", at(1_773_122_340_000), "nanoseconds"),
            (
                "1773122340999999999",
                at(1_773_122_340_999),
                "nanoseconds stay exact, so this does not become the next second",
            ),
            ("\"1773122340\"", at(1_773_122_340_000), "a count as text"),
            ("\"2026-03-10T05:59:00Z\"", at(1_773_122_340_000), "RFC 3339"),
            ("\"2026-03-10t05:59:00z\"", at(1_773_122_340_000), "lower-case letters"),
            ("\"2026-03-10 05:59:00Z\"", at(1_773_122_340_000), "a space for the T"),
            ("\"2026-03-10T06:59:00+01:00\"", at(1_773_122_340_000), "an offset"),
            ("\"2026-03-10T05:59:00-00:00\"", at(1_773_122_340_000), "UTC, local offset unknown"),
            ("\"2026-03-10T05:59:00.123456789Z\"", at(1_773_122_340_123), "nanoseconds"),
            ("null", Told::Nothing, "no time"),
            ("0", Told::Wrong, "a clock that was never set"),
            ("12", Told::Wrong, "seconds since the device booted"),
            ("946684830", Told::Wrong, "the year 2000"),
            ("-1", Told::Wrong, "before 1970"),
            ("1420070399", Told::Wrong, "the last second of 2014"),
            ("1420070400", at(1_420_070_400_000), "the first second of 2015"),
            ("1773122700", at(1_773_122_700_000), "five minutes ahead is still believed"),
            ("1773122700001", Told::Ahead, "a millisecond more is not"),
            ("1773129600", Told::Ahead, "two hours ahead"),
            ("99999999999", Told::Ahead, "the largest count of seconds"),
            ("1e308", Told::Ahead, "a silly number"),
            ("-1e308", Told::Wrong, "a silly number"),
            ("18446744073709551615", Told::Ahead, "the largest integer"),
            ("\"99999999999999999999999999999999999999999999\"", Told::Ahead, "larger than any integer"),
            ("\"2026-03-10T06:59:00\"", Told::Local, "no offset"),
            ("\"2026-13-10T06:59:00Z\"", Told::Wrong, "no such month"),
            ("\"2026-03-10T06:59:00Z[Europe/Berlin]\"", Told::Wrong, "an annotation is not RFC 3339"),
            ("\"2026-03-10\"", Told::Wrong, "a bare date"),
            ("\"yesterday\"", Told::Wrong, "words"),
            ("\"\"", Told::Wrong, "empty text"),
            ("true", Told::Wrong, "a boolean"),
            ("[1773122340]", Told::Wrong, "a list"),
        ] {
            let node = crate::json::parse(json.as_bytes()).unwrap();
            assert_eq!(told(Some(&node), NOW), want, "{json}: {why}");
        }
    }
}
