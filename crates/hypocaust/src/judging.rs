//! `hypocaust judge`: what a batch's history, from the store or from files, says about a criterion.
//!
//! Must never write to the store, and never say that a batch complies.

use std::collections::BTreeMap;
use std::io::{BufWriter, Write};
use std::path::Path;

use engine::believed::believed;
use indicatif::{ProgressBar, ProgressStyle};
use ledger::{Access, Ledger, ReadingFilter};
use pile::time::Timestamp;
use pile::window::Point;
use serde::Serialize;
use site::criteria::{Criteria, Criterion};
use site::entry::{BatchId, Entry, in_force};
use site::ids::{BinId, ProbeId};
use site::instruments::Instruments;
use site::judge::{
    Excluded, Facts, History, Judgement, Outcome, Readings, Standing, judge, probe_histories, read_facts,
};
use site::model::{Chosen, Direction, Probe, Site};
use site::quantity::Quantity;
use site::reading::{Quality, SeriesId, Source};
use site::zone::rfc3339_utc;

use crate::cli::JudgeArgs;
use crate::commands::{CommandError, when};
use crate::criteria;
use crate::replay::files;
use crate::replay::history::History as Imported;
use crate::rules::{WIDTH, wrapped};

mod lives;
mod stored;
mod suspect;

pub(crate) use stored::{Judged, each_of_store};

use crate::wiring::{self, Settings};
use lives::Life;

const SECOND: i64 = 1_000;
const MINUTE: i64 = 60_000;

/// One batch to be judged.
struct Asked {
    life: Life,
    until: Timestamp,
    over: bool,
}

/// Where readings come from.
enum Origin<'h> {
    Store(Box<Ledger>),
    Files(Imported),
    Lived(&'h Imported),
}

/// Where readings come from, the entries that hold, the batches that are asked about, and the entries that were left out by bin.
type Judgeable = (Origin<'static>, Vec<Entry>, Vec<Asked>, Vec<(BinId, String)>);

/// Carries out `hypocaust judge`.
///
/// # Errors
/// Faulty settings, criteria, facts or files; a store that cannot be read; a bin, batch or criterion that is not there.
pub fn judgements(config: &Path, args: &JudgeArgs) -> Result<(), CommandError> {
    let Settings { site, .. } = wiring::settings(config)?;
    let all = criteria::of_site(&site)?;
    let chosen = chosen(&site, &all, &args.criteria)?;
    let (source, entries, asked, left_out) = asked(&site, args)?;
    let facts = facts(&site, args, asked.len())?;
    let bar = bar(asked.len() as u64);
    let mut rows = Vec::new();
    for one in asked {
        let history = history(&site, &source, &entries, one, facts.clone())?;
        for (criterion, permit) in &chosen {
            let missing: Vec<&str> =
                left_out.iter().filter(|(bin, _)| *bin == history.bin).map(|(_, what)| what.as_str()).collect();
            let judgement = without_entries(judge(criterion, &history), &missing);
            rows.push(Row { judgement, criterion, permit: *permit, errors: missing });
        }
        bar.inc(1);
    }
    bar.finish_and_clear();
    let mut out = BufWriter::new(crate::out::stdout());
    let printed = if args.json { as_json(&mut out, &rows) } else { as_text(&mut out, &site, &rows) };
    printed.and_then(|()| out.flush()).or_else(|source| match source.kind() {
        // A reader that has seen enough (`| head`) is no failure.
        std::io::ErrorKind::BrokenPipe => Ok(()),
        _ => Err(CommandError::Io { what: "the judgements cannot be printed".into(), source }),
    })?;
    if left_out.is_empty() {
        return Ok(());
    }
    let told: Vec<String> = left_out.into_iter().map(|(_, what)| format!("left out: {what}")).collect();
    Err(CommandError::Refused(format!(
        "{}\ncorrect these entries and judge again: each may change a result",
        told.join("\n")
    )))
}

/// A result of a batch of whose bin entries were left out: each may begin a count anew, so that nothing is met.
fn without_entries(mut judgement: Judgement, left_out: &[&str]) -> Judgement {
    if left_out.is_empty() {
        return judgement;
    }
    if judgement.result == Outcome::Met {
        judgement.result = Outcome::CannotTell;
        judgement.met_at = None;
    }
    judgement.because =
        format!("an entry was left out ({}). By the others: {}", left_out.join("; "), judgement.because);
    judgement
}

/// How a batch of the store stands against the criteria of the site, by what was measured and written up to a time.
///
/// # Errors
/// A store or criteria that cannot be read; nothing where there is no such batch, or it never went on air.
pub fn standings(site: &Site, batch: BatchId, until: Timestamp) -> Result<Vec<Standing>, CommandError> {
    let (all, mut standings) = (criteria::of_site(site)?, Vec::new());
    each_of_store(site, &all, until, &|id, _, _| id == batch, &mut |judged| {
        standings = judged.results.iter().map(|(judgement, ..)| Standing::from(judgement)).collect();
    })?;
    Ok(standings)
}

/// Judges batches of a history that is lived again, by the criteria of the site.
///
/// # Errors
/// Criteria that cannot be read.
pub(crate) fn of_history<'h>(
    site: &'h Site,
    imported: &'h Imported,
) -> Result<impl FnMut(&BinId, BatchId, Timestamp) -> Vec<Standing> + 'h, CommandError> {
    let all = criteria::of_site(site)?;
    let chosen: Vec<Criterion> = chosen(site, &all, &[])?.into_iter().map(|(criterion, _)| criterion).collect();
    Ok(move |bin: &BinId, _: BatchId, until: Timestamp| {
        // What was written by then; numbers of batches may differ from those of a log that was lived from its middle.
        let log = imported.entries.iter().filter(|(at, _)| *at <= until).map(|(_, entry)| entry.clone());
        let (lives, entries, _) = lives::of_entries(log.collect(), &site.zone);
        let Some(life) = lives.into_iter().rfind(|life| life.bin == *bin && life.on_air_at <= until) else {
            return Vec::new();
        };
        let end = life.ended_at.filter(|end| *end <= until);
        let asked = Asked { life: life.known_at(until), until: end.unwrap_or(until), over: end.is_some() };
        let history = history(site, &Origin::Lived(imported), &entries, asked, Facts::default());
        history.map_or_else(|_| Vec::new(), |h| chosen.iter().map(|c| Standing::from(&judge(c, &h))).collect())
    })
}

/// The criteria asked for, or else those of the settings, each with what the settings say of it.
fn chosen<'s>(
    site: &'s Site,
    all: &Criteria,
    asked: &[String],
) -> Result<Vec<(Criterion, Option<&'s Chosen>)>, CommandError> {
    if asked.is_empty() && site.criteria.is_empty() {
        return Err(CommandError::Usage(format!(
            "no criterion is chosen; add --criterion ID, or a list `criteria:` to {}; `hypocaust criteria list` shows them",
            site.settings_path
        )));
    }
    let of_settings = |id: &str| site.criteria.iter().find(|c| c.id == id);
    let ids: Vec<&str> = match asked {
        [] => site.criteria.iter().map(|c| c.id.as_str()).collect(),
        asked => asked.iter().map(String::as_str).collect(),
    };
    let found = ids.into_iter().map(|id| {
        let criterion = all.selectable(id).map_err(CommandError::Usage)?.clone();
        let permit = of_settings(id);
        Ok(match permit.and_then(|p| p.recovery) {
            Some(recovery) => (criterion.with_recovery(recovery), permit),
            None => (criterion, permit),
        })
    });
    found.collect()
}

/// Where readings come from, what was written, and which batches are asked about.
fn asked(site: &Site, args: &JudgeArgs) -> Result<Judgeable, CommandError> {
    let bins = bins(site, &args.bins)?;
    let now = when(site, args.at.as_deref())?;
    let mut left_out = Vec::new();
    let (source, entries, batches, now) = match &args.readings {
        Some(readings) => {
            let (imported, entries) = files::read(site, readings, args.entries.as_deref())?;
            let history = Imported::of_files(imported, entries);
            let entries: Vec<Entry> = history.entries.iter().map(|(_, e)| e.clone()).collect();
            let end = history.span.map(|(_, last)| last).into_iter().chain(entries.iter().map(|e| e.at)).max();
            let end = end.filter(|end| args.at.is_none() || *end <= now).unwrap_or(now);
            let (batches, entries, refused) = lives::of_entries(entries, &site.zone);
            left_out = refused;
            (Origin::Files(history), entries, batches, end)
        }
        None => {
            let ledger = Ledger::open(&site.data_folder, Access::Read)?;
            let entries = in_force(ledger.entries()?);
            let batches = lives::of_batches(&ledger.batches()?, &entries);
            (Origin::Store(Box::new(ledger)), entries, batches, now)
        }
    };
    let mut asked = Vec::new();
    for batch in batches.iter().filter(|b| b.on_air_at <= now) {
        let in_bin = batches.iter().filter(|b| b.bin == batch.bin && b.on_air_at <= now);
        let next = in_bin.filter(|b| b.on_air_at > batch.on_air_at).map(|b| b.on_air_at).min();
        let wanted = match &args.batches[..] {
            [] => bins.contains(&batch.bin) && next.is_none(),
            some => batch.id.is_some_and(|id| some.contains(&id.0)),
        };
        if wanted {
            let end = batch.ended_at.into_iter().chain(next).min().filter(|end| *end <= now);
            asked.push(Asked { life: batch.clone().known_at(now), until: end.unwrap_or(now), over: end.is_some() });
        }
    }
    if let Some(missing) = args.batches.iter().find(|n| !asked.iter().any(|a| a.life.id == Some(BatchId(**n)))) {
        let known: Vec<String> = batches.iter().filter_map(|b| Some(b.id?.to_string())).collect();
        return Err(CommandError::Usage(format!(
            "there is no batch {missing}; there {}",
            if known.is_empty() { "is none yet".into() } else { format!("are {}", known.join(", ")) }
        )));
    }
    if let (Origin::Files(history), true) = (&source, args.batches.is_empty()) {
        // Readings without an entry are taken as a record that is closed.
        for bin in bins.iter().filter(|bin| !batches.iter().any(|b| b.bin == **bin)) {
            if let Some((from, until)) = measured(site, history, bin, now) {
                eprintln!(
                    "{bin}: no `on-air` entry: judged from its first reading to its last, as a record that is closed"
                );
                asked.push(Asked { life: Life::unnumbered(bin.clone(), from), until, over: true });
            }
        }
    }
    if asked.is_empty() {
        return Err(CommandError::Refused(
            "there is no batch to judge: none went on air in these bins, and no probe of theirs has a temperature"
                .into(),
        ));
    }
    asked.sort_by(|a, b| (&a.life.bin, a.life.on_air_at).cmp(&(&b.life.bin, b.life.on_air_at)));
    Ok((source, entries, asked, left_out))
}

fn bins(site: &Site, asked: &[String]) -> Result<Vec<BinId>, CommandError> {
    if asked.is_empty() {
        return Ok(site.bins.keys().cloned().collect());
    }
    let found = asked.iter().map(|text| {
        BinId::new(text).ok().filter(|id| site.bins.contains_key(id)).ok_or_else(|| {
            let known: Vec<_> = site.bins.keys().map(BinId::as_str).collect();
            CommandError::Usage(format!("there is no bin `{text}`; the settings have {}", known.join(", ")))
        })
    });
    found.collect()
}

/// From when to when files have temperatures of a bin.
fn measured(site: &Site, history: &Imported, bin: &BinId, now: Timestamp) -> Option<(Timestamp, Timestamp)> {
    let probes = &site.bins.get(bin)?.probes;
    let ends = probes.iter().filter_map(|id| {
        let series = SeriesId { source: Source::Probe(id.clone()), quantity: Quantity::Temperature };
        let points = history.of_series(&series, Timestamp::MIN, now).ok()?;
        Some((points.first()?.at, points.last()?.at))
    });
    ends.reduce(|a, b| (a.0.min(b.0), a.1.max(b.1)))
}

fn facts(site: &Site, args: &JudgeArgs, batches: usize) -> Result<Facts, CommandError> {
    let Some(path) = &args.facts else { return Ok(Facts::default()) };
    if batches > 1 {
        return Err(CommandError::Usage(format!(
            "--facts describes one batch, and {batches} are to be judged; choose one with --batch N or --bin BIN"
        )));
    }
    let shown = path.display().to_string();
    let text = ::files::read_text(path, ::files::CRITERION)
        .map_err(|source| CommandError::Io { what: format!("{shown} cannot be read; check the path"), source })?;
    read_facts(&text, &shown, &site.zone)
        .map_err(|faults| CommandError::Refused(faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n")))
}

fn history(
    site: &Site,
    source: &Origin<'_>,
    entries: &[Entry],
    asked: Asked,
    mut facts: Facts,
) -> Result<History, CommandError> {
    let Asked { life, until, over } = asked;
    let mut written: Vec<Entry> = entries.iter().filter(|e| e.bin == life.bin && e.at <= until).cloned().collect();
    written.sort_by_key(|e| e.at);
    let instruments = Instruments::of(entries);
    let read = &mut |id: &ProbeId, from: Timestamp, until: Timestamp| {
        let series = SeriesId { source: Source::Probe(id.clone()), quantity: Quantity::Temperature };
        match (source, site.probes.get(id)) {
            (Origin::Files(history), Some(probe)) => Ok(all_believed(probe, history.of_series(&series, from, until)?)),
            (Origin::Lived(history), Some(probe)) => Ok(all_believed(probe, history.of_series(&series, from, until)?)),
            (Origin::Files(_) | Origin::Lived(_), None) => Ok((Vec::new(), Vec::new())),
            (Origin::Store(ledger), _) => stored(ledger, &series, from, until),
        }
    };
    let mut probes = probe_histories(site, &instruments, &life.bin, (life.on_air_at, until), &written, read)?;
    if let Origin::Store(ledger) = source {
        suspect::mark(ledger, &life.bin, until, &site.zone, &mut probes)?;
    }
    let bin = site.bins.get(&life.bin);
    let blower = bin.and_then(|bin| site.blowers.get(bin.blower.as_ref()?));
    let drawn = blower.is_some_and(|blower| blower.direction == Direction::Suction);
    facts.suction |= bin.and_then(|bin| bin.process.suction).unwrap_or(drawn);
    facts.system = facts.system.or(bin.and_then(|bin| bin.process.system));
    facts.uncertainty = facts.uncertainty.or(bin.and_then(|bin| bin.process.uncertainty));
    facts.checks.extend(instruments.all_checks().cloned());
    if let Some(filled) = life.filled {
        facts.carbon_to_nitrogen = facts.carbon_to_nitrogen.or(filled.carbon_to_nitrogen);
        facts.particle_millimetres = facts.particle_millimetres.or(filled.particle_millimetres);
        facts.cover = facts.cover.or(filled.cover);
    }
    facts.raw_added.extend(life.raw_added);
    facts.lab.extend(life.lab);
    facts.curing_from = facts.curing_from.or(life.curing_at);
    Ok(History {
        bin: life.bin,
        batch: life.id,
        from: life.on_air_at,
        until,
        over,
        probes,
        entries: written,
        facts,
        zone: site.zone.clone(),
        display: site.display,
    })
}

/// The readings of files that can be believed and those that cannot, with each value of an instant that has several: the lowest come first.
fn all_believed(probe: &Probe, points: Vec<Point>) -> Readings {
    let side = |highest: bool| -> Vec<Point> {
        let of =
            points.chunk_by(|a, b| a.at == b.at).filter_map(|same| if highest { same.last() } else { same.first() });
        of.copied().collect()
    };
    let (lowest, highest) = (side(false), side(true));
    if lowest == highest {
        return believed(probe, points);
    }
    let (mut good, mut doubted) = believed(probe, lowest);
    let (good_too, doubted_too) = believed(probe, highest);
    good.extend(good_too);
    good.sort_by(|a, b| a.at.cmp(&b.at).then_with(|| a.value.total_cmp(&b.value)));
    good.dedup();
    for one in doubted_too {
        if !doubted.contains(&one) {
            doubted.push(one);
        }
    }
    (good, doubted)
}

fn stored(ledger: &Ledger, series: &SeriesId, from: Timestamp, until: Timestamp) -> Result<Readings, CommandError> {
    let filter = ReadingFilter {
        sources: vec![series.source.clone()],
        quantity: Some(series.quantity),
        from: Some(from),
        to: Some(until),
    };
    let mut sorted: Readings = (Vec::new(), Vec::new());
    ledger.readings(&filter, &mut |row| {
        let point = Point { at: row.reading.measured_at, value: row.reading.value };
        match row.quality {
            Quality::Good => sorted.0.push(point),
            _ => sorted.1.push((point, row.reason)),
        }
    })?;
    sorted.0.sort_by_key(|p| p.at);
    Ok(sorted)
}

fn bar(batches: u64) -> ProgressBar {
    // Drawn on standard error, and only where that is a terminal.
    let bar = ProgressBar::new(batches);
    if let Ok(style) = ProgressStyle::with_template("  {bar:40}  {pos} of {len} batches  {elapsed}") {
        bar.set_style(style);
    }
    bar
}

/// One result to be printed.
struct Row<'r> {
    judgement: Judgement,
    criterion: &'r Criterion,
    permit: Option<&'r Chosen>,
    /// Entries that were left out.
    errors: Vec<&'r str>,
}

/// The documented object; its first ten keys are promised not to change.
#[derive(Serialize)]
struct Line<'j> {
    bin: &'j str,
    batch: Option<u64>,
    criterion: &'j str,
    result: &'static str,
    met_at: Option<String>,
    earliest_at: Option<String>,
    hours_counted: f64,
    hours_needed: f64,
    coverage_fraction: Option<f64>,
    because: &'j str,
    marginal: Option<&'j str>,
    lab: &'static str,
    lab_because: Option<&'j str>,
    zones: Vec<ZoneLine<'j>>,
    excluded: Vec<ExcludedLine<'j>>,
    had_they_counted: Option<HadLine>,
    correction: Option<CorrectionLine<'j>>,
    two_values: Vec<TwoLine<'j>>,
    parts: Vec<Line<'j>>,
    permit: Option<&'j str>,
    retention_years: Option<f64>,
    remark: Option<String>,
    errors: Vec<&'j str>,
}

#[derive(Serialize)]
struct CorrectionLine<'j> {
    probe: &'j str,
    at: String,
    stored_celsius: f64,
    offset_kelvin: f64,
    corrected_celsius: f64,
    checked_at: String,
    without: HadLine,
}

#[derive(Serialize)]
struct TwoLine<'j> {
    probe: &'j str,
    instants: usize,
    first: String,
    last: String,
    coldest_celsius: f64,
    hottest_celsius: f64,
}

#[derive(Serialize)]
struct ZoneLine<'j> {
    wanted: &'j str,
    probes: Vec<&'j str>,
}

#[derive(Serialize)]
struct ExcludedLine<'j> {
    probe: &'j str,
    from: String,
    to: String,
    readings: usize,
    reason: &'j str,
}

#[derive(Serialize)]
struct HadLine {
    result: &'static str,
    met_at: Option<String>,
}

fn as_json(out: &mut impl Write, rows: &[Row<'_>]) -> std::io::Result<()> {
    let lines: Vec<Line<'_>> = rows
        .iter()
        .map(|row| Line {
            permit: row.permit.and_then(|p| p.permit.as_deref()),
            retention_years: row.criterion.beside.retention_years,
            remark: Some(row.criterion.standing_remark()),
            errors: row.errors.clone(),
            ..line(&row.judgement)
        })
        .collect();
    serde_json::to_writer_pretty(&mut *out, &lines)?;
    writeln!(out)
}

fn line(j: &Judgement) -> Line<'_> {
    Line {
        bin: j.bin.as_str(),
        batch: j.batch.map(|b| b.0),
        criterion: &j.criterion,
        result: j.result.key(),
        met_at: j.met_at.map(to_the_second),
        earliest_at: j.earliest_at.map(to_the_second),
        hours_counted: j.hours_counted,
        hours_needed: j.hours_needed,
        coverage_fraction: j.coverage_fraction,
        because: &j.because,
        marginal: j.marginal.as_deref(),
        lab: j.lab.key(),
        lab_because: j.lab.words(),
        zones: j
            .zones
            .iter()
            .map(|z| ZoneLine { wanted: &z.wanted, probes: z.probes.iter().map(|p| p.as_str()).collect() })
            .collect(),
        excluded: j
            .excluded
            .iter()
            .map(|e| ExcludedLine {
                probe: e.probe.as_str(),
                from: rfc3339_utc(e.from),
                to: rfc3339_utc(e.to),
                readings: e.readings,
                reason: &e.reason,
            })
            .collect(),
        had_they_counted: j.had_they_counted.map(had),
        correction: j.correction.as_ref().map(|c| CorrectionLine {
            probe: c.probe.as_str(),
            at: rfc3339_utc(c.at),
            stored_celsius: c.stored.0,
            offset_kelvin: c.offset.0,
            corrected_celsius: c.corrected.0,
            checked_at: rfc3339_utc(c.checked_at),
            without: had(c.without),
        }),
        two_values: j
            .two_values
            .iter()
            .map(|two| TwoLine {
                probe: two.probe.as_str(),
                instants: two.instants,
                first: rfc3339_utc(two.first),
                last: rfc3339_utc(two.last),
                coldest_celsius: two.coldest.0,
                hottest_celsius: two.hottest.0,
            })
            .collect(),
        parts: j.parts.iter().map(line).collect(),
        permit: None,
        retention_years: None,
        remark: None,
        errors: Vec::new(),
    }
}

fn had((result, met_at): (Outcome, Option<Timestamp>)) -> HadLine {
    HadLine { result: result.key(), met_at: met_at.map(to_the_second) }
}

/// The next whole second or minute: never earlier than it was.
fn next(at: Timestamp, step_ms: i64) -> Timestamp {
    let ms = at.as_millis();
    Timestamp::from_millis((ms.div_euclid(step_ms) + i64::from(ms.rem_euclid(step_ms) > 0)) * step_ms)
}

fn to_the_second(at: Timestamp) -> String {
    rfc3339_utc(next(at, SECOND))
}

fn as_text(out: &mut impl Write, site: &Site, rows: &[Row<'_>]) -> std::io::Result<()> {
    let mut remarks: BTreeMap<String, Vec<&str>> = BTreeMap::new();
    for Row { judgement: j, criterion, permit, .. } in rows {
        let batch = j.batch.map_or_else(|| "no batch".into(), |b| format!("batch {b}"));
        writeln!(out, "{}, {batch}, {} ({}): {}", j.bin, j.criterion, criterion.title, headline(j, site))?;
        paragraph(out, &j.because)?;
        let known = match j.coverage_fraction {
            // Cut, never rounded up to the whole.
            Some(part) => format!("the pile is known for {:.1} % of the time", (part * 1_000.0).floor() / 10.0),
            None => "no time has passed yet".into(),
        };
        paragraph(out, &known)?;
        for text in [j.marginal.as_deref(), j.lab.words()].into_iter().flatten() {
            paragraph(out, text)?;
        }
        for part in &j.parts {
            paragraph(out, &format!("{}: {}", part.criterion, headline(part, site)))?;
        }
        for e in &j.excluded {
            paragraph(out, &not_counted(e, site))?;
        }
        if let Some((result, met_at)) = j.had_they_counted {
            let when = met_at.map_or_else(String::new, |at| format!(" at {}", site.zone.show(next(at, MINUTE))));
            paragraph(out, &format!("had they counted: {}{when}", result.key()))?;
        }
        for note in &criterion.notes {
            paragraph(out, &format!("note: {note}"))?;
        }
        if let Some(years) = criterion.beside.retention_years {
            paragraph(out, &format!("records are to be kept for {years} years"))?;
        }
        let said = permit.and_then(|p| p.permit.as_deref());
        paragraph(
            out,
            &format!(
                "permit: {}",
                said.unwrap_or("no condition was typed in (`permit:` under `criteria` in the settings)")
            ),
        )?;
        writeln!(out)?;
        remarks.entry(criterion.standing_remark()).or_default().push(&j.criterion);
    }
    for (remark, of) in remarks {
        let mut of = of;
        of.sort_unstable();
        of.dedup();
        writeln!(out, "{}: {remark}", of.join(", "))?;
    }
    Ok(())
}

fn headline(j: &Judgement, site: &Site) -> String {
    match (j.result, j.met_at, j.earliest_at) {
        (Outcome::Met, Some(at), _) => format!("met at {}", site.zone.show(next(at, MINUTE))),
        (result, _, Some(at)) => format!("{}, at the earliest {}", result.key(), site.zone.show(next(at, MINUTE))),
        (result, ..) => result.key().into(),
    }
}

fn not_counted(e: &Excluded, site: &Site) -> String {
    let readings = if e.readings == 1 { "1 reading".into() } else { format!("{} readings", e.readings) };
    let (from, to) = (site.zone.show(e.from), site.zone.show(e.to));
    format!("not counted: {readings} of probe {}, {from} to {to}: {}", e.probe, e.reason)
}

fn paragraph(out: &mut impl Write, text: &str) -> std::io::Result<()> {
    for line in wrapped(text, WIDTH - 2) {
        writeln!(out, "  {line}")?;
    }
    Ok(())
}
