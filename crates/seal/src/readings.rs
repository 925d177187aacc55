//! Readings as lines that are hashed: the root of an hour, and the daily figures that anyone can compute again.
//!
//! Must never depend on how a store keeps readings: the line's bytes are all that is hashed.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use pile::time::{Span, Timestamp};
use site::reading::{Quality, Reading, SeriesId, Source, TimeSource};
use site::zone::rfc3339_millis;

use crate::merkle::{Grower, Hash, leaf_hash};

/// The first line of a table of readings; it is not hashed.
pub const HEADER: &str = "kind,source,quantity,measured_at,value,unit,quality,received_at,time_source,retained,reason";
/// The first line of a table of daily figures.
pub const FIGURES_HEADER: &str = "day,kind,source,quantity,unit,readings,good,lowest,highest";
/// The length of an hour, the span that one root covers.
pub const HOUR: Span = Span::hours(1);

/// The columns of a line that are needed to check it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Columns<'l> {
    /// `probe` or `blower`.
    pub kind: &'l str,
    /// The id of the probe or blower.
    pub source: &'l str,
    /// The quantity's key.
    pub quantity: &'l str,
    /// When it was measured.
    pub measured_at: &'l str,
    /// The value, in the unit.
    pub value: &'l str,
    /// The unit's symbol.
    pub unit: &'l str,
    /// `good`, `suspect` or `bad`.
    pub quality: &'l str,
}

/// The words of a series in a line: kind, source, quantity. Series lie in the order of these texts, whatever the program's own order is.
pub fn series_words(series: &SeriesId) -> (&'static str, &str, &'static str) {
    let kind = match series.source {
        Source::Probe(_) => "probe",
        Source::Blower(_) => "blower",
    };
    (kind, series.source.as_str(), series.quantity.key())
}

/// A reading as a line, without its line feed. Numbers are the shortest digits that give the same double again.
pub fn line(reading: &Reading, quality: Quality, reason: &str) -> String {
    let (kind, source, quantity) = series_words(&reading.series);
    let time_source = match reading.time_source {
        TimeSource::Device => "device",
        TimeSource::Intake => "intake",
        TimeSource::DeviceClockWrong => "intake-device-wrong",
        TimeSource::DeviceClockAhead => "intake-device-ahead",
    };
    let mut line = format!(
        "{kind},{source},{quantity},{},{},{},{},{},{time_source},{},",
        rfc3339_millis(reading.measured_at),
        reading.value,
        reading.series.quantity.unit().symbol(),
        quality.key(),
        rfc3339_millis(reading.received_at),
        if reading.retained { "retained" } else { "" },
    );
    push_quoted(&mut line, reason);
    line
}

/// The columns of a line; `None` where it is no line of a table of readings. Only the last column may be quoted.
pub fn columns(line: &str) -> Option<Columns<'_>> {
    let mut parts = line.splitn(11, ',');
    let mut next = || parts.next();
    let columns = Columns {
        kind: next()?,
        source: next()?,
        quantity: next()?,
        measured_at: next()?,
        value: next()?,
        unit: next()?,
        quality: next()?,
    };
    let is_whole = parts.count() == 4 && columns.measured_at.len() == 24 && columns.measured_at.is_ascii();
    is_whole.then_some(columns)
}

/// The hour of an instant: its first millisecond.
pub fn hour_of(at: Timestamp) -> Timestamp {
    Timestamp::from_millis(at.as_millis().div_euclid(HOUR.as_millis()) * HOUR.as_millis())
}

/// The hour of a line's `measured_at`, as rows name it; cuts the text, so that any form that is not ours leads to no known hour.
fn hour_text(measured_at: &str) -> String {
    format!("{}:00:00.000Z", measured_at.get(..13).unwrap_or_default())
}

/// The tree over the readings of one hour, in the order of series and time.
#[derive(Clone, Debug, Default)]
pub struct HourTree(Grower);

impl HourTree {
    /// One line more.
    pub fn push(&mut self, line: &str) {
        self.0.push(leaf_hash(line.as_bytes()));
    }

    /// How many lines.
    pub fn readings(&self) -> u64 {
        self.0.size()
    }

    /// The root.
    pub fn root(&self) -> Hash {
        self.0.root()
    }
}

/// What a table of readings comes to: the tree of each hour, and the daily figures.
#[derive(Clone, Debug, Default)]
pub struct Table {
    hours: BTreeMap<String, HourTree>,
    figures: BTreeMap<FigureKey, Figure>,
}

/// Day (UTC), kind, source, quantity, unit.
type FigureKey = (String, String, String, String, String);

#[derive(Clone, Debug, Default)]
struct Figure {
    readings: u64,
    good: u64,
    lowest: Option<(f64, String)>,
    highest: Option<(f64, String)>,
}

impl Table {
    /// Takes a line; `false` where it is none, and then nothing of it counts.
    pub fn push(&mut self, line: &str) -> bool {
        let Some(c) = columns(line) else { return false };
        let Some(value) = c.value.parse::<f64>().ok().filter(|v| v.is_finite()) else { return false };
        self.hours.entry(hour_text(c.measured_at)).or_default().push(line);
        let day = c.measured_at.get(..10).unwrap_or_default();
        let key = (day.into(), c.kind.into(), c.source.into(), c.quantity.into(), c.unit.into());
        let figure = self.figures.entry(key).or_default();
        figure.readings += 1;
        if c.quality == "good" {
            figure.good += 1;
            if figure.lowest.as_ref().is_none_or(|(lowest, _)| value < *lowest) {
                figure.lowest = Some((value, c.value.to_owned()));
            }
            if figure.highest.as_ref().is_none_or(|(highest, _)| value > *highest) {
                figure.highest = Some((value, c.value.to_owned()));
            }
        }
        true
    }

    /// The hours with readings, as rows name them.
    pub fn hours(&self) -> &BTreeMap<String, HourTree> {
        &self.hours
    }

    /// How many daily figures there are.
    pub(crate) fn figures_kept(&self) -> usize {
        self.figures.len()
    }

    /// The table of daily figures: days are UTC, lowest and highest are of good readings, as their lines have them.
    pub fn figures(&self) -> String {
        let mut out = format!("{FIGURES_HEADER}\n");
        for ((day, kind, source, quantity, unit), f) in &self.figures {
            let text =
                |extreme: &Option<(f64, String)>| extreme.as_ref().map_or(String::new(), |(_, text)| text.clone());
            let (lowest, highest) = (text(&f.lowest), text(&f.highest));
            let (readings, good) = (f.readings, f.good);
            let _ = writeln!(out, "{day},{kind},{source},{quantity},{unit},{readings},{good},{lowest},{highest}");
        }
        out
    }
}

/// Puts a text in the last column: quoted where it must be, its control characters as spaces, for a line is one reading.
fn push_quoted(line: &mut String, text: &str) {
    let must = text.contains([',', '"']);
    if must {
        line.push('"');
    }
    for c in text.chars() {
        match c {
            '"' => line.push_str("\"\""),
            c if c.is_control() => line.push(' '),
            c => line.push(c),
        }
    }
    if must {
        line.push('"');
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use proptest::prelude::*;
    use site::ids::{BlowerId, ProbeId};
    use site::quantity::Quantity;

    fn reading(source: &str, ms: i64, value: f64) -> Reading {
        let source = match source.strip_prefix("blower:") {
            Some(id) => Source::Blower(BlowerId::new(id).unwrap()),
            None => Source::Probe(ProbeId::new(source).unwrap()),
        };
        Reading {
            series: SeriesId { source, quantity: Quantity::Temperature },
            measured_at: Timestamp::from_millis(1_773_122_400_000 + ms),
            received_at: Timestamp::from_millis(1_773_122_400_250 + ms),
            value,
            time_source: TimeSource::Device,
            retained: false,
        }
    }

    #[test]
    fn lines_are_written_and_read() {
        for (got, want, why) in [
            (
                line(&reading("p1", 0, 66.5), Quality::Good, ""),
                "probe,p1,temperature,2026-03-10T06:00:00.000Z,66.5,Cel,good,2026-03-10T06:00:00.250Z,device,,",
                "as most are",
            ),
            (
                line(&reading("blower:b1", 7, 85.0), Quality::Suspect, "85, \"power-on\"\nvalue"),
                "blower,b1,temperature,2026-03-10T06:00:00.007Z,85,Cel,suspect,2026-03-10T06:00:00.257Z,device,,\
                 \"85, \"\"power-on\"\" value\"",
                "a reason with commas, quotes and a line feed stays on its line",
            ),
            (
                line(
                    &Reading { retained: true, time_source: TimeSource::Intake, ..reading("p1", 0, 0.1 + 0.2) },
                    Quality::Good,
                    "",
                ),
                "probe,p1,temperature,2026-03-10T06:00:00.000Z,0.30000000000000004,Cel,good,2026-03-10T06:00:00.250Z,intake,retained,",
                "all digits that it takes",
            ),
        ] {
            assert_eq!(got, want, "{why}");
            assert!(columns(&got).is_some(), "{why}");
        }
        for (text, why) in [("", "nothing"), (HEADER, "the heading"), ("probe,p1,temperature", "cut short")] {
            assert!(columns(text).is_none(), "{why}");
        }
    }

    #[test]
    fn hours_and_days_are_those_of_utc() {
        let hour = |ms| rfc3339_millis(hour_of(Timestamp::from_millis(ms)));
        assert_eq!(hour(1_773_122_400_000), "2026-03-10T06:00:00.000Z", "its first millisecond is in it");
        assert_eq!(hour(1_773_122_399_999), "2026-03-10T05:00:00.000Z", "the one before is not");
        assert_eq!(hour(-1), "1969-12-31T23:00:00.000Z", "before 1970");
    }

    #[test]
    fn figures_count_all_readings_and_measure_good_ones() {
        let mut table = Table::default();
        for (r, quality) in [
            (reading("p1", 0, 61.5), Quality::Good),
            (reading("p1", 60_000, 9.5), Quality::Good),
            (reading("p1", 120_000, 85.0), Quality::Suspect),
            (reading("p1", 18 * 3_600_000, 55.0), Quality::Good),
            (reading("p2", 0, 120.5), Quality::Bad),
        ] {
            assert!(table.push(&line(&r, quality, "")));
        }
        assert!(!table.push("probe,p1"), "half a line counts for nothing");
        let want = "day,kind,source,quantity,unit,readings,good,lowest,highest\n\
            2026-03-10,probe,p1,temperature,Cel,3,2,9.5,61.5\n\
            2026-03-10,probe,p2,temperature,Cel,1,0,,\n\
            2026-03-11,probe,p1,temperature,Cel,1,1,55,55\n";
        assert_eq!(table.figures(), want);
        assert_eq!(table.hours().len(), 2);
    }

    proptest! {
        #[test]
        fn a_changed_byte_anywhere_changes_the_root_of_its_hour_or_is_no_line(which in 0usize..20, place in 0usize..90, byte in any::<u8>()) {
            let lines: Vec<String> =
                (0..20).map(|n| line(&reading("p1", n * 600_000, 60.0 + n as f64 / 8.0), Quality::Good, "")).collect();
            let roots = |lines: &[String]| {
                let mut table = Table::default();
                let taken = lines.iter().filter(|line| table.push(line)).count();
                (taken, table.hours().iter().map(|(hour, tree)| (hour.clone(), tree.root())).collect::<Vec<_>>())
            };
            let mut bytes = lines[which].clone().into_bytes();
            let place = place % bytes.len();
            prop_assume!(bytes[place] != byte);
            bytes[place] = byte;
            if let Ok(text) = String::from_utf8(bytes) {
                let mut changed = lines.clone();
                changed[which] = text;
                prop_assert_ne!(roots(&changed), roots(&lines));
            }
        }
    }
}
