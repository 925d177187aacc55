//! What was measured against a criterion, with its arithmetic, as blocks of a report.
//!
//! Must never call a result compliant: the criterion's text, its edition and the permit stand beside each of them.

use pile::time::Timestamp;
use site::judge::{Judgement, Laboratory, Outcome};

use super::block::{Block, Row, Table};
use super::facts::{ResultFacts, SiteFacts};
use super::plain::NOTHING;
use super::words::{self, at, headline, hours, share};

/// The blocks of one result.
pub(super) fn blocks(site: &SiteFacts, result: &ResultFacts, detail: Detail) -> Vec<Block> {
    let j = &result.judgement;
    // Among those of other batches, the heading alone must say whose it is.
    let whose = || j.batch.map_or_else(|| format!("Bin {}, ", j.bin), |batch| format!("Batch {batch}, "));
    let whose = if detail == Detail::Week { whose() } else { String::new() };
    let mut out = vec![Block::Subheading(format!("{whose}{}: {}", j.criterion, headline(&site.zone, j)))];
    let mut facts = vec![
        ("Criterion".to_owned(), format!("{} ({}; {})", result.title, result.citation, result.edition)),
        ("Measured".to_owned(), j.because.clone()),
        (
            "Hours that count".to_owned(),
            format!("{} of the {} that are asked for", hours(j.hours_counted), hours(j.hours_needed)),
        ),
        (
            "Pile known".to_owned(),
            match j.coverage_fraction {
                Some(_) => format!("{} of the time since the clock began", share(j.coverage_fraction)),
                None => "no time has passed yet".to_owned(),
            },
        ),
    ];
    if detail == Detail::Whole {
        facts.insert(1, ("Asks".to_owned(), result.asks.clone()));
    }
    facts.extend(j.marginal.iter().map(|text| ("Margin".to_owned(), text.clone())));
    if let Some(words) = j.lab.words() {
        facts.push(("Laboratory".to_owned(), words.to_owned()));
    } else if detail == Detail::Whole && j.lab == Laboratory::NotAsked {
        facts.push(("Laboratory".to_owned(), "no result is asked for by this criterion".to_owned()));
    }
    if !j.zones.is_empty() {
        facts.push(("Zones".to_owned(), zones(j)));
    }
    for e in &j.excluded {
        let what = match e.readings {
            1 => format!("1 reading of probe {}, {}", e.probe, at(site, e.from)),
            n => format!("{n} readings of probe {}, {} to {}", e.probe, at(site, e.from), at(site, e.to)),
        };
        facts.push(("Not counted".to_owned(), format!("{what}: {}", e.reason)));
    }
    if let Some((other, met_at)) = j.had_they_counted {
        let when = met_at.map_or_else(String::new, |met| format!(" at {}", words::reached(&site.zone, met)));
        facts.push(("Had they counted".to_owned(), format!("{}{when}", other.key())));
    }
    for part in &j.parts {
        let arithmetic = format!(
            "{}; {} h of {} h: {}",
            headline(&site.zone, part),
            hours(part.hours_counted),
            hours(part.hours_needed),
            part.because
        );
        facts.push((format!("By {}", part.criterion), arithmetic));
    }
    facts.extend(result.notes.iter().map(|note| ("Note".to_owned(), note.clone())));
    let permit = result.permit.as_deref().unwrap_or("no condition was typed in");
    facts.push(("Permit says".to_owned(), permit.to_owned()));
    if let (Some(years), Detail::Whole) = (result.retention_years, detail) {
        facts.push(("Records".to_owned(), format!("to be kept for {years} years")));
    }
    facts.push(("Remark".to_owned(), result.remark.clone()));
    out.push(Block::Facts(facts));
    out
}

/// One line for each result: how it stands, and how far it got.
pub(super) fn lines(site: &SiteFacts, results: &[ResultFacts]) -> Block {
    let rows = results.iter().map(|result| {
        let j = &result.judgement;
        Row::of(vec![
            j.criterion.clone(),
            headline(&site.zone, j),
            format!("{} of {} h", hours(j.hours_counted), hours(j.hours_needed)),
            j.coverage_fraction.map_or_else(|| NOTHING.to_owned(), |_| share(j.coverage_fraction)),
        ])
    });
    Block::Table(Table { heads: vec!["Criterion", "Result", "Qualifying hours", "Coverage"], rows: rows.collect() })
}

/// Whether a week changed a result, so that it is told in full: another result than before, or one that counts out readings of this week.
pub(super) fn changed(result: &ResultFacts, from: Timestamp) -> bool {
    let j = &result.judgement;
    let new = result.before != Some(j.result) && !(result.before.is_none() && j.result == Outcome::Running);
    new || j.excluded.iter().any(|excluded| excluded.to >= from)
}

/// How much is told of a result.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Detail {
    /// What was measured.
    Week,
    /// Also what is asked, and from where that is known.
    Whole,
}

fn zones(j: &Judgement) -> String {
    let found = j.zones.iter().map(|zone| {
        let probes: Vec<&str> = zone.probes.iter().map(|p| p.as_str()).collect();
        let probes = if probes.is_empty() { "NO VALID PROBE".to_owned() } else { probes.join(", ") };
        format!("{}: {probes}", zone.wanted)
    });
    found.collect::<Vec<_>>().join("; ")
}
