//! The offset from UTC, said once where a document covers a time in which the site's clocks do not change.
//!
//! Must never take an offset from a time that has another than the one that is said at the head.

use pile::time::Timestamp;
use site::zone::Zone;

use super::block::{Block, Row, Table};

/// The offset that all times from `from` to `to` have, as it is printed after each of them (`" +01:00"`); none where clocks change between.
pub(super) fn usual(zone: &Zone, from: Timestamp, to: Timestamp) -> Option<String> {
    let offset = |at| zone.show(at).rsplit_once(' ').map(|(_, offset)| format!(" {offset}"));
    offset(from).filter(|first| offset(to).as_ref() == Some(first))
}

/// The zone, and the offset of times that are printed without one: `Europe/Dublin, UTC +00:00`.
pub(super) fn named(zone: &Zone, from: Timestamp, to: Timestamp) -> String {
    match usual(zone, from, to) {
        Some(offset) => format!("{}, UTC{offset} where no other offset is given", zone.name()),
        None => format!("{}, each with its offset from UTC", zone.name()),
    }
}

/// The same for the head of a document; its foot says the rest.
pub(super) fn briefly(zone: &Zone, from: Timestamp, to: Timestamp) -> String {
    match usual(zone, from, to) {
        Some(offset) => format!("{}, UTC{offset}", zone.name()),
        None => zone.name().to_owned(),
    }
}

/// Takes the usual offset from every time; other offsets stay.
pub(super) fn once(blocks: &mut [Block], usual: Option<String>) {
    let Some(usual) = usual else { return };
    let bare = |text: &mut String| *text = without(text, &usual);
    for block in blocks {
        match block {
            Block::Heading(text)
            | Block::Subheading(text)
            | Block::Lead(text)
            | Block::Paragraph(text)
            | Block::Caution(text) => bare(text),
            Block::Facts(facts) => facts.iter_mut().for_each(|(_, value)| bare(value)),
            Block::List(lines) => lines.iter_mut().for_each(bare),
            Block::Table(Table { rows, .. }) => {
                for Row { cells, remarks } in rows {
                    cells.iter_mut().chain(remarks).for_each(bare);
                }
            }
            Block::Figure { caption, in_words, .. } => {
                bare(caption);
                in_words.iter_mut().for_each(bare);
            }
            Block::Verbatim(_) | Block::Signature { .. } => {}
        }
    }
}

/// The text without `offset` behind a time of day.
fn without(text: &str, offset: &str) -> String {
    let mut parts = text.split(offset);
    let mut out = parts.next().unwrap_or_default().to_owned();
    for part in parts {
        if !ends_with_time(&out) || part.starts_with(|c: char| c.is_ascii_digit()) {
            out.push_str(offset);
        }
        out.push_str(part);
    }
    out
}

/// Whether a text ends with a date and a time of day, `2026-03-10 07:00`, with seconds or without.
fn ends_with_time(text: &str) -> bool {
    let like = |shape: &str| {
        let tail = text.len().checked_sub(shape.len()).and_then(|from| text.get(from..));
        tail.is_some_and(|tail| {
            tail.bytes()
                .zip(shape.bytes())
                .all(|(byte, want)| if want == b'0' { byte.is_ascii_digit() } else { byte == want })
        })
    };
    like("0000-00-00 00:00") || like("0000-00-00 00:00:00")
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

    use super::*;

    #[test]
    fn the_usual_offset_goes_and_every_other_stays() {
        for (text, want) in [
            ("met at 2026-03-10 07:00 +01:00", "met at 2026-03-10 07:00"),
            ("2026-03-10 07:00 +01:00 to 2026-03-29 07:00 +02:00", "2026-03-10 07:00 to 2026-03-29 07:00 +02:00"),
            ("from 2026-03-10 07:00:30 +01:00 on", "from 2026-03-10 07:00:30 on"),
            ("UTC +01:00 where no other is given", "UTC +01:00 where no other is given"),
            ("", ""),
            (" +01:00", " +01:00"),
            ("é7:00 +01:00", "é7:00 +01:00"),
        ] {
            assert_eq!(without(text, " +01:00"), want);
        }
    }

    #[test]
    fn a_time_in_which_the_clocks_change_has_no_usual_offset() {
        let zone = Zone::named("Europe/Berlin").unwrap();
        let at = |hours: i64| Timestamp::from_millis(1_774_634_400_000 + hours * 3_600_000);
        assert_eq!(usual(&zone, at(0), at(1)).unwrap(), " +01:00");
        assert_eq!(usual(&zone, at(0), at(48)), None, "29 March 2026, 01:00 UTC");
    }
}
