//! Figures of reports in the site's units and by its clock.
//!
//! Must never round a measured value across a limit, nor print a time without its offset from UTC.

use pile::time::{Span, Timestamp};
use pile::units::{Celsius, Kelvin, Litres};
use site::entry::{AGAINST, Amount};
use site::judge::{Judgement, Outcome};
use site::model::Display;
use site::recipe::{CUBIC_METRES_PER_CUBIC_YARD, KILOGRAMS_PER_POUND, LITRES_PER_GALLON};
use site::zone::Zone;

use super::block::{Row, Table};
use super::facts::{
    CheckFacts, Course, DateFacts, Deviation, EntryFacts, LoadFacts, Mark, Newest, Occurrence, ShipmentFacts, SiteFacts,
};
use super::plain::NOTHING;
use crate::figures::{self, CANNOT_TELL};

const MINUTE: i64 = 60_000;
/// A difference in °F for each kelvin.
const FAHRENHEIT_PER_KELVIN: f64 = 1.8;

/// An instant: `2026-03-10 07:00 +01:00`.
pub(super) fn at(site: &SiteFacts, at: Timestamp) -> String {
    site.zone.show(at)
}

/// An instant by which something was reached: to the next minute, never earlier than it was.
pub(super) fn reached(zone: &Zone, at: Timestamp) -> String {
    let ms = at.as_millis();
    zone.show(Timestamp::from_millis((ms.div_euclid(MINUTE) + i64::from(ms.rem_euclid(MINUTE) > 0)) * MINUTE))
}

pub(super) fn temperature(site: &SiteFacts, celsius: Celsius) -> String {
    figures::temperature(celsius.0, site.display)
}

/// A limit: whole degrees without a decimal, so that it cannot be mistaken for a measured value.
pub(super) fn limit_words(site: &SiteFacts, limit: Celsius) -> String {
    let degrees = figures::degrees(limit.0, site.display);
    format!("{} {}", degrees.trim_end_matches(".0"), figures::temperature_sign(site.display))
}

pub(super) fn difference(site: &SiteFacts, kelvin: Kelvin) -> String {
    match site.display {
        Display::Metric => format!("{:.2} K", kelvin.0),
        Display::Us => format!("{:.2} °F", kelvin.0 * FAHRENHEIT_PER_KELVIN),
    }
}

pub(super) fn amount(site: &SiteFacts, amount: &Amount) -> String {
    match (amount, site.display) {
        (Amount::Mass(kg), Display::Metric) => format!("{:.0} kg", kg.0),
        (Amount::Mass(kg), Display::Us) => format!("{:.0} lb", kg.0 / KILOGRAMS_PER_POUND),
        (Amount::Volume(m3), Display::Metric) => format!("{:.2} m³", m3.0),
        (Amount::Volume(m3), Display::Us) => format!("{:.2} yd³", m3.0 / CUBIC_METRES_PER_CUBIC_YARD),
    }
}

pub(super) fn water(site: &SiteFacts, litres: Litres) -> String {
    match site.display {
        Display::Metric => format!("{:.0} L", litres.0),
        Display::Us => format!("{:.0} gal", litres.0 / LITRES_PER_GALLON),
    }
}

/// Sums of masses and of volumes, which cannot be added to each other.
pub(super) fn sum<'a>(site: &SiteFacts, amounts: impl Iterator<Item = &'a Amount>) -> String {
    let (mut mass, mut volume) = (None, None);
    for amount in amounts {
        match amount {
            Amount::Mass(kg) => mass = Some(mass.unwrap_or(0.0) + kg.0),
            Amount::Volume(m3) => volume = Some(volume.unwrap_or(0.0) + m3.0),
        }
    }
    let parts = [
        mass.map(|kg| amount(site, &Amount::Mass(pile::units::Kilograms(kg)))),
        volume.map(|m3| amount(site, &Amount::Volume(pile::units::CubicMetres(m3)))),
    ];
    parts.into_iter().flatten().collect::<Vec<_>>().join(" and ")
}

/// Hours, cut off and not rounded: 71.96 is `71.9`; whole hours without a decimal where they are exactly that.
pub(super) fn hours(hours: f64) -> String {
    if !hours.is_finite() {
        return CANNOT_TELL.into();
    }
    if hours.fract() == 0.0 {
        return format!("{hours:.0}");
    }
    // Below an hour minutes would vanish in one decimal.
    let parts = if hours < 1.0 { 100.0 } else { 10.0 };
    let cut = (hours.max(0.0) * parts + 1e-7).floor() / parts;
    if hours < 1.0 { format!("{cut:.2}") } else { format!("{cut:.1}") }
}

pub(super) fn share(share: Option<f64>) -> String {
    share.map_or_else(|| CANNOT_TELL.to_owned(), figures::percent)
}

/// The result in a line: `met at …`, `running, at the earliest …`, `not met`, `cannot tell`.
pub(super) fn headline(zone: &Zone, judgement: &Judgement) -> String {
    match (judgement.result, judgement.met_at, judgement.earliest_at) {
        (Outcome::Met, Some(at), _) => format!("met at {}", reached(zone, at)),
        (result, _, Some(at)) => format!("{}, at the earliest {}", result.key(), reached(zone, at)),
        (result, ..) => result.key().to_owned(),
    }
}

pub(super) fn newest(site: &SiteFacts, newest: Option<&Newest>) -> String {
    newest.map_or_else(|| CANNOT_TELL.to_owned(), |n| temperature(site, n.celsius))
}

pub(super) fn check(site: &SiteFacts, check: &CheckFacts) -> String {
    let off = Kelvin(check.truth.0 - check.showed.0);
    let against = AGAINST.iter().find(|(a, _)| *a == check.against).map_or("", |(_, word)| word);
    format!(
        "{} against {against}: showed {}, truth {}, correction {}, {}",
        at(site, check.at),
        checked(site, check.showed),
        checked(site, check.truth),
        difference(site, off),
        if off.0.abs() <= check.allowed.0 { "passed" } else { "FAILED" }
    )
}

/// A temperature of a check, to the hundredth: what it is off by shows there.
fn checked(site: &SiteFacts, celsius: Celsius) -> String {
    format!("{:.2} {}", figures::shown(celsius.0, site.display), figures::temperature_sign(site.display))
}

/// What was done about an alarm, as a table.
pub(super) fn deviations(site: &SiteFacts, list: &[Deviation]) -> Table {
    let rows = list.iter().map(|d| {
        let by = |a: &engine::alarm::Acknowledgement| {
            let words = if a.comment.is_empty() { String::new() } else { format!(": {}", a.comment) };
            format!("{}, {}{words}", a.by, at(site, a.at))
        };
        let handled = d.handled.iter().map(|(when, words)| format!("{}: {words}", at(site, *when)));
        let ended = match &d.ended {
            Some((when, words)) if words.is_empty() => format!("over {}", at(site, *when)),
            Some((when, words)) => format!("over {}: {words}", at(site, *when)),
            None => "still active".into(),
        };
        let none = |what: &str| format!("nobody{what}");
        Row {
            cells: vec![
                format!("{}, {}", d.subject, d.title.to_lowercase()),
                at(site, d.raised_at),
                d.acknowledged.as_ref().map_or_else(|| none(""), by),
                d.confirmed.as_ref().map_or_else(|| NOTHING.to_owned(), by),
                ended,
            ],
            remarks: std::iter::once(format!("{} (alarm {}, {} priority)", d.finding, d.alarm.0, d.priority.key()))
                .chain(handled)
                .collect(),
        }
    });
    Table { heads: vec!["Alarm", "Raised", "Acknowledged by", "Action confirmed by", "Outcome"], rows: rows.collect() }
}

pub(super) fn loads(site: &SiteFacts, list: &[&LoadFacts]) -> Table {
    let rows = list.iter().map(|l| {
        Row::of(vec![
            at(site, l.at),
            l.bin.to_string(),
            l.material.clone(),
            l.source.clone(),
            amount(site, &l.amount),
            l.rejected.as_ref().map_or_else(|| "went in".to_owned(), |why| format!("turned away: {why}")),
            l.by.clone(),
        ])
    });
    Table { heads: vec!["When", "Bin", "What", "From", "Amount", "Taken", "By"], rows: rows.collect() }
}

pub(super) fn shipments(site: &SiteFacts, list: &[ShipmentFacts]) -> Table {
    let rows = list.iter().map(|s| {
        let rest = if s.rest == site::entry::Rest::Nothing { "none, the batch is gone" } else { "there is more" };
        Row::of(vec![
            at(site, s.at),
            s.bin.to_string(),
            s.batch.map_or_else(|| NOTHING.to_owned(), |b| b.to_string()),
            amount(site, &s.amount),
            s.to.clone(),
            rest.to_owned(),
            s.by.clone(),
        ])
    });
    Table { heads: vec!["When", "Bin", "Batch", "Amount", "To, or for", "Left of it", "By"], rows: rows.collect() }
}

/// Entries of the log; those written down much later than they happened say so.
pub(super) fn entries(site: &SiteFacts, list: &[EntryFacts]) -> Table {
    let rows = list.iter().map(|e| {
        let mut remarks = Vec::new();
        if !e.note.is_empty() {
            remarks.push(e.note.clone());
        }
        if e.recorded_at.since(e.at) > WRITTEN_LATE {
            remarks.push(format!("Written down {}.", at(site, e.recorded_at)));
        }
        if let Some(by) = e.corrected_by {
            remarks.push(format!("Corrected by entry {by}."));
        }
        Row {
            cells: vec![
                e.id.to_string(),
                at(site, e.at),
                e.bin.to_string(),
                e.batch.map_or_else(|| NOTHING.to_owned(), |b| b.to_string()),
                e.words.clone(),
                e.by.clone(),
            ],
            remarks,
        }
    });
    Table { heads: vec!["Entry", "When", "Bin", "Batch", "What", "By"], rows: rows.collect() }
}

/// An entry that is written down later than this is told as late: common practice, no source.
const WRITTEN_LATE: Span = Span::hours(24);

pub(super) fn occurrence(site: &SiteFacts, o: &Occurrence) -> String {
    match o.until {
        Some(until) => format!("{} to {} ({}): {}", at(site, o.at), at(site, until), until.since(o.at), o.what),
        None => format!("{}: {}", at(site, o.at), o.what),
    }
}

pub(super) fn dates(site: &SiteFacts, list: &[DateFacts]) -> Vec<String> {
    list.iter().map(|d| format!("{}: {}", reached(&site.zone, d.at), d.what)).collect()
}

/// What a picture of a course shows, in words: one line a probe, and one for each kind of mark.
pub(super) fn course(site: &SiteFacts, course: &Course) -> Vec<String> {
    let mut out: Vec<String> = course
        .lines
        .iter()
        .map(|line| {
            let hours = || line.runs.iter().flatten();
            let low = hours().min_by(|a, b| a.low.0.total_cmp(&b.low.0));
            let high = hours().max_by(|a, b| a.high.0.total_cmp(&b.high.0));
            match (low, high) {
                (Some(low), Some(high)) => format!(
                    "{} ({}): {} at the lowest ({}), {} at the highest ({})",
                    line.probe,
                    line.position.key(),
                    temperature(site, low.low),
                    at(site, low.first),
                    temperature(site, high.high),
                    at(site, high.first)
                ),
                _ => format!("{} ({}): no readings", line.probe, line.position.key()),
            }
        })
        .collect();
    for mark in [Mark::Watered, Mark::Turned, Mark::RawAdded, Mark::Air, Mark::OffAir] {
        let times: Vec<String> =
            course.marks.iter().filter(|(_, own)| *own == mark).map(|(when, _)| at(site, *when)).collect();
        if !times.is_empty() {
            out.push(format!("{} ({}): {}", mark.words(), mark.letter(), times.join("; ")));
        }
    }
    out
}

/// How to read a picture of a course.
pub(super) fn caption(site: &SiteFacts, course: &Course) -> String {
    let mut marks: Vec<Mark> = course.marks.iter().map(|(_, mark)| *mark).collect();
    marks.sort();
    marks.dedup();
    let letters: Vec<String> = marks.iter().map(|m| format!("{} {}", m.letter(), m.words())).collect();
    let limits: Vec<String> =
        course.limits.iter().map(|(limit, of)| format!("{} ({of})", limit_words(site, *limit))).collect();
    let mut out = format!(
        "Temperatures from {} to {}: the median of each hour as a line, its lowest and highest as a band; nothing is drawn across a gap.",
        at(site, course.from),
        at(site, course.to)
    );
    if !limits.is_empty() {
        out += &format!(" Dashed: {}.", limits.join(", "));
    }
    match (course.counted.first(), course.counted.last()) {
        (Some((from, _)), Some((_, to))) => {
            out += &format!(
                " Shaded: the time that counts by {}, {} to {}{}.",
                course.counted_by,
                at(site, *from),
                at(site, *to),
                if course.counted.len() > 1 { " with interruptions" } else { "" }
            );
        }
        _ if !course.counted_by.is_empty() => out += &format!(" No time counts by {} yet.", course.counted_by),
        _ => {}
    }
    if !letters.is_empty() {
        out += &format!(" Letters: {}.", letters.join(", "));
    }
    out
}
