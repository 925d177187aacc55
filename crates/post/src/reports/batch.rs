//! The process record of a batch: from its loads to where it went, every criterion with its evidence.
//!
//! Must never say that the batch complies: it says what was measured, and leaves room for whoever certifies more.

use pile::time::Timestamp;
use site::entry::Stage;

use super::block::{Block, Report, Row, Table};
use super::facts::{BatchFacts, LabFacts};
use super::plain::NOTHING;
use super::result::{Detail, blocks};
use super::week::{about_site, changes, checkpoint, edition, probe_table};
use super::words::{self, at};
use crate::figures;

/// Writes the record.
pub(super) fn report(facts: &BatchFacts) -> Report {
    let mut blocks = head(facts);
    way(facts, &mut blocks);
    results(facts, &mut blocks);
    laboratory(facts, &mut blocks);
    contacts(facts, &mut blocks);
    destination(facts, &mut blocks);
    evidence(facts, &mut blocks);
    closing(facts, &mut blocks);
    Report { title: format!("{}: process record of batch {}", facts.site.name, facts.batch.id), blocks }
}

fn head(facts: &BatchFacts) -> Vec<Block> {
    let site = &facts.site;
    let mut rows = about_site(site);
    rows.push(("Batch".to_owned(), format!("{}, {} at the end of this record", facts.batch.id, stage(facts.stage))));
    rows.push(("Time covered".to_owned(), format!("up to {} ({})", at(site, facts.to), site.zone.name())));
    rows.push(("Edition".to_owned(), edition(&facts.edition)));
    rows.push(("Made".to_owned(), format!("{} by {}", at(site, facts.made_at), site.software)));
    let mut out = vec![Block::Facts(rows)];
    let results: Vec<String> = facts
        .results
        .iter()
        .map(|r| format!("{}: {}", r.judgement.criterion, words::headline(&site.zone, &r.judgement)))
        .collect();
    out.push(Block::Lead(match results.is_empty() {
        true => "No criterion is chosen that it could be held against.".to_owned(),
        false => format!("Measured: {}.", results.join("; ")),
    }));
    out.push(Block::Caution(
        "This states what was measured and written down. It is no finding of compliance and no statement about the product: the edition \
         of the regulation that your permit cites, the permit itself and those who apply them decide."
            .into(),
    ));
    out.extend(facts.site.readings_from.iter().map(|words| Block::Paragraph(words.clone())));
    if facts.stage != Stage::Gone && facts.hot.is_some_and(|(_, until)| until.is_none()) {
        out.push(Block::Caution("The batch is still aerated: this record will still change.".into()));
    }
    changes(&facts.edition, &mut out);
    out
}

fn stage(stage: Stage) -> String {
    stage.key().replace('-', " ")
}

fn way(facts: &BatchFacts, out: &mut Vec<Block>) {
    let (site, batch) = (&facts.site, &facts.batch);
    out.push(Block::Heading("Its way through the site".into()));
    let mut rows: Vec<(String, String)> = [
        ("First load, or in its bin since", Some(batch.in_bin_since)),
        ("Last raw material", batch.loaded_last_at),
        ("On air", batch.on_air_at),
        ("Off air", batch.off_air_at),
        ("Curing", batch.curing_at),
        ("Storage", batch.storage_at),
        ("Gone", batch.gone_at),
    ]
    .into_iter()
    .filter_map(|(what, when): (&str, Option<Timestamp>)| {
        Some((what.to_owned(), at(site, when.filter(|when| *when <= facts.to)?)))
    })
    .collect();
    let hot = match facts.hot {
        Some((from, Some(until))) => {
            format!("in bin {}, {} to {} ({})", facts.hot_bin, at(site, from), at(site, until), until.since(from))
        }
        Some((from, None)) => format!("in bin {} since {}", facts.hot_bin, at(site, from)),
        None => "it was not on air yet".to_owned(),
    };
    rows.push(("Aerated".to_owned(), hot));
    if let Some(loaded) = batch.loaded_at {
        rows.push(("Temperature when loaded".to_owned(), words::temperature(site, loaded)));
    }
    let list = |ids: &[site::entry::BatchId]| ids.iter().map(ToString::to_string).collect::<Vec<_>>().join(", ");
    for (what, ids) in [("Came out of, or took in, batches", &batch.parents), ("Went into batches", &facts.children)] {
        if !ids.is_empty() {
            rows.push((what.to_owned(), list(ids)));
        }
    }
    if facts.water.waterings > 0 {
        let waterings = figures::count(u64::from(facts.water.waterings), "watering", "waterings");
        let unknown = if facts.water.unknown > 0 { ", not all of known amount" } else { "" };
        rows.push((
            "Water added".to_owned(),
            format!("{} in {waterings}{unknown}", words::water(site, facts.water.litres)),
        ));
    }
    out.push(Block::Facts(rows));
    let (taken, rejected): (Vec<_>, Vec<_>) = facts.loads.iter().partition(|load| load.rejected.is_none());
    match taken.is_empty() {
        true => out
            .push(Block::Paragraph("No load of it is on record: what it was made of cannot be told from here.".into())),
        false => {
            let all = words::sum(site, taken.iter().map(|load| &load.amount));
            out.push(Block::Subheading(format!(
                "What it was made of: {all} in {}",
                figures::count(taken.len() as u64, "load", "loads")
            )));
            out.push(Block::Table(words::loads(site, &taken)));
        }
    }
    if !rejected.is_empty() {
        out.push(Block::Subheading("Turned away".into()));
        out.push(Block::Table(words::loads(site, &rejected)));
    }
}

fn results(facts: &BatchFacts, out: &mut Vec<Block>) {
    let site = &facts.site;
    out.push(Block::Heading("What was measured against each criterion".into()));
    out.push(Block::Figure {
        caption: words::caption(site, &facts.course),
        in_words: words::course(site, &facts.course),
        course: facts.course.clone(),
    });
    for result in &facts.results {
        out.extend(blocks(site, result, Detail::Whole));
    }
    if facts.results.is_empty() {
        out.push(Block::Paragraph("None is chosen: `criteria:` in the settings names them.".into()));
    }
}

fn laboratory(facts: &BatchFacts, out: &mut Vec<Block>) {
    let site = &facts.site;
    out.push(Block::Heading("Results of laboratories".into()));
    if facts.lab.is_empty() {
        out.push(Block::Paragraph(
            "None is on record. Temperature alone does not release a batch where a result is asked for.".into(),
        ));
        return;
    }
    let over = facts.hot.and_then(|(_, until)| until);
    let met = facts.results.iter().filter_map(|r| r.judgement.met_at).max();
    let rows = facts.lab.iter().map(|lab| Row { cells: cells(facts, lab), remarks: early(site, lab, over, met) });
    let heads = vec!["Looked for", "Found", "Laboratory", "Method", "Sample taken", "Written by"];
    out.push(Block::Table(Table { heads, rows: rows.collect() }));
}

fn cells(facts: &BatchFacts, lab: &LabFacts) -> Vec<String> {
    vec![
        lab.analyte.clone(),
        format!("{}{} {}", if lab.below { "< " } else { "" }, lab.value, lab.unit),
        lab.laboratory.clone(),
        if lab.method.is_empty() { NOTHING.to_owned() } else { lab.method.clone() },
        at(&facts.site, lab.sampled_at),
        lab.by.clone(),
    ]
}

/// A sample that was taken too early says nothing of the batch after its hot time.
fn early(
    site: &super::facts::SiteFacts,
    lab: &LabFacts,
    over: Option<Timestamp>,
    met: Option<Timestamp>,
) -> Vec<String> {
    let end = met.or(over);
    match end {
        Some(end) if lab.sampled_at < end => vec![format!(
            "TAKEN BEFORE the end of the run ({}): it says nothing of what came after.",
            words::reached(&site.zone, end)
        )],
        None => vec!["Taken while no run had been completed.".to_owned()],
        Some(_) => Vec::new(),
    }
}

fn contacts(facts: &BatchFacts, out: &mut Vec<Block>) {
    out.push(Block::Heading("Control of recontamination".into()));
    if facts.contacts.is_empty() {
        out.push(Block::Paragraph(
            "Nothing on record since it was hot: it was not moved, parted, joined, opened or turned, and no raw material was added. What was \
             not written down is not in it."
                .into(),
        ));
        return;
    }
    out.push(Block::Paragraph(
        "Written since the run was completed, or since it began to be hot: raw material that was added, moves, partings and joinings, \
         openings and turnings. Tools and surfaces that touched raw material are not on record unless a note says so."
            .into(),
    ));
    out.push(Block::Table(words::entries(&facts.site, &facts.contacts)));
}

fn destination(facts: &BatchFacts, out: &mut Vec<Block>) {
    let site = &facts.site;
    out.push(Block::Heading("Destination".into()));
    if facts.shipments.is_empty() {
        out.push(Block::Paragraph(format!("Nothing of it was shipped up to {}.", at(site, facts.to))));
        return;
    }
    out.push(Block::Paragraph(format!("{} in all.", words::sum(site, facts.shipments.iter().map(|s| &s.amount)))));
    out.push(Block::Table(words::shipments(site, &facts.shipments)));
}

fn evidence(facts: &BatchFacts, out: &mut Vec<Block>) {
    let site = &facts.site;
    out.push(Block::Heading("Probes".into()));
    match facts.probes.is_empty() {
        true => out.push(Block::Paragraph("No probe was in its bin.".into())),
        false => out.push(Block::Table(probe_table(site, &facts.probes))),
    }
    out.push(Block::Heading("Alarms and what was done".into()));
    match facts.deviations.is_empty() {
        true => out.push(Block::Paragraph("No alarm was raised about its bin while it was hot.".into())),
        false => out.push(Block::Table(words::deviations(site, &facts.deviations))),
    }
    out.push(Block::Heading("Special occurrences while it was hot".into()));
    match facts.occurrences.is_empty() {
        true => out.push(Block::Paragraph(
            "No time without watch, no step of the clock, no change of settings or rules.".into(),
        )),
        false => out.push(Block::List(facts.occurrences.iter().map(|o| words::occurrence(site, o)).collect())),
    }
    out.push(Block::Heading("The log".into()));
    match facts.entries.is_empty() {
        true => out.push(Block::Paragraph("Nothing was written about it.".into())),
        false => out.push(Block::Table(words::entries(site, &facts.entries))),
    }
}

fn closing(facts: &BatchFacts, out: &mut Vec<Block>) {
    out.push(Block::Heading("The record behind it".into()));
    checkpoint(facts.checkpoint.as_ref(), out);
    out.push(Block::Heading("Statement of the operator".into()));
    out.push(Block::Signature {
        statement: "What the operator certifies of this batch, in the words that the permit or the regulation asks for. Nothing is \
                    certified by the program that made this record."
            .into(),
        fields: ["Statement", "Name and position", "Signature", "Date"].map(String::from).to_vec(),
    });
    out.push(Block::Caution(
        "Hot material, steam and gas can injure, and dust of compost carries moulds and bacteria. Local codes, your permit and licensed \
         practice decide."
            .into(),
    ));
    out.push(Block::Paragraph(format!(
        "Times are those of the site's clocks ({}), each with its offset from UTC. Temperatures are in {}; hours are cut off, not rounded.",
        facts.site.zone.name(),
        figures::temperature_sign(facts.site.display)
    )));
}
