//! What was measured against a criterion, with its arithmetic, as blocks of a report.
//!
//! Must never call a result compliant: the criterion's text, its edition and the permit stand beside each of them.

use pile::time::Timestamp;
use site::judge::{Judgement, Laboratory, Outcome};

use super::block::{Block, Row, Table, heads};
use super::facts::{BatchWeek, ResultFacts, SiteFacts};
use super::plain::NOTHING;
use super::words::{self, at, headline, hours, share};

/// The blocks of one result.
pub(super) fn blocks(site: &SiteFacts, result: &ResultFacts, detail: Detail) -> Vec<Block> {
    let j = &result.judgement;
    // Among those of other batches, the heading alone must say whose it is.
    let whose = || j.batch.map_or_else(|| format!("Bin {}, ", j.bin), |batch| format!("Batch {batch}, "));
    let whose = if matches!(detail, Detail::First | Detail::Whole) { String::new() } else { whose() };
    let heading = Block::Subheading(format!("{whose}{}: {}", j.criterion, headline(&site.zone, j)));
    if detail == Detail::Brief {
        return vec![heading, brief(site, j)];
    }
    if detail == Detail::First {
        return vec![Block::Subheading(format!("{}: {}", result.title, headline(&site.zone, j))), first(result)];
    }
    let mut out = vec![heading];
    let mut facts = vec![
        ("Criterion".to_owned(), format!("{} ({}; {})", result.title, result.citation, result.edition)),
        ("Measured".to_owned(), j.because.clone()),
        (
            "Qualifying hours".to_owned(),
            format!("{} of the {} required", hours(j.hours_counted), hours(j.hours_needed)),
        ),
        (
            "Coverage".to_owned(),
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
        facts.push(("Excluded".to_owned(), format!("{what}: {}", e.reason)));
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

/// What a result that changed says on a page that has to hold all of them.
fn brief(site: &SiteFacts, j: &Judgement) -> Block {
    let mut facts = vec![("Measured".to_owned(), j.because.clone())];
    facts.extend(j.marginal.iter().map(|text| ("Margin".to_owned(), text.clone())));
    facts.extend(j.lab.words().map(|words| ("Laboratory".to_owned(), words.to_owned())));
    let mut excluded: Vec<(&str, u64)> = Vec::new();
    for e in &j.excluded {
        match excluded.iter_mut().find(|(probe, _)| *probe == e.probe.as_str()) {
            Some((_, readings)) => *readings += e.readings as u64,
            None => excluded.push((e.probe.as_str(), e.readings as u64)),
        }
    }
    if !excluded.is_empty() {
        let each = excluded
            .iter()
            .map(|(probe, n)| format!("{} of probe {probe}", crate::figures::count(*n, "reading", "readings")));
        let mut said = format!("{}; reasons in the annex", each.collect::<Vec<_>>().join(", "));
        if let Some((other, met_at)) = j.had_they_counted.filter(|other| *other != (j.result, j.met_at)) {
            let when = met_at.map_or_else(String::new, |met| format!(" at {}", words::reached(&site.zone, met)));
            said += &format!(". Had they counted: {}{when}", other.key());
        }
        facts.push(("Excluded".to_owned(), said));
    }
    Block::Facts(facts)
}

/// What page one of a process record says of a result: the text of the law by its name, what was measured, the laboratory, the permit.
fn first(result: &ResultFacts) -> Block {
    let j = &result.judgement;
    let mut facts = vec![
        ("Regulation".to_owned(), format!("{}; {} (criterion {})", result.citation, result.edition, j.criterion)),
        ("Measured".to_owned(), j.because.clone()),
    ];
    facts.extend(j.marginal.iter().map(|text| ("Margin".to_owned(), text.clone())));
    let laboratory = match j.lab {
        Laboratory::NotAsked => "no result is asked for",
        Laboratory::Outstanding(_) => "OUTSTANDING; see Results in full",
        Laboratory::InHand(_) => "in hand and within the limits; see Results of laboratories",
        Laboratory::Beyond(_) => "BEYOND A LIMIT; see Results in full",
    };
    facts.push(("Laboratory".to_owned(), laboratory.to_owned()));
    facts.extend(result.permit.iter().map(|permit| ("Permit says".to_owned(), permit.clone())));
    Block::Facts(facts)
}

/// One line for each result: the batch, the result, and how far it got.
pub(super) fn lines(site: &SiteFacts, batches: &[BatchWeek]) -> Block {
    let rows = batches.iter().flat_map(|batch| {
        batch.results.iter().map(|result| {
            let j = &result.judgement;
            Row::of(vec![
                format!("{}, {}", batch.bin, batch.batch),
                j.criterion.clone(),
                headline(&site.zone, j),
                format!("{} of {} h", hours(j.hours_counted), hours(j.hours_needed)),
                j.coverage_fraction.map_or_else(|| NOTHING.to_owned(), |_| share(j.coverage_fraction)),
            ])
        })
    });
    Block::Table(Table {
        heads: heads(["Bin, batch", "Criterion", "Result", "Qualifying hours", "Coverage"]),
        rows: rows.collect(),
    })
}

/// The results of a batch in the cell of a table.
pub(super) fn briefly(site: &SiteFacts, results: &[ResultFacts]) -> String {
    let each = results.iter().map(|result| {
        let j = &result.judgement;
        let said = match (j.result, j.met_at) {
            (Outcome::Met, Some(at)) => format!("met {}", words::reached(&site.zone, at)),
            (Outcome::Running, _) => format!("{} of {} h", hours(j.hours_counted), hours(j.hours_needed)),
            (result, _) => result.key().to_owned(),
        };
        format!("{} {said}", j.criterion)
    });
    each.collect::<Vec<_>>().join("; ")
}

/// What each criterion is, once.
pub(super) fn criteria<'a>(results: impl Iterator<Item = &'a ResultFacts>) -> Block {
    let mut facts: Vec<(String, String)> = Vec::new();
    for result in results {
        if facts.iter().all(|(id, _)| *id != result.judgement.criterion) {
            let edition = &result.edition;
            let said = format!("{} ({}; {edition}). {}", result.title, result.citation, result.remark);
            facts.push((result.judgement.criterion.clone(), said));
        }
    }
    Block::Facts(facts)
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
    /// The measurement and its sum in a line or two.
    Brief,
    /// What page one of a process record has room for.
    First,
    /// All of what was measured.
    Full,
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
