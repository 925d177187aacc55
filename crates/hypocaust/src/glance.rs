//! `hypocaust status`: the site on one screen for whoever stands before it, and how the daemon does.
//!
//! Must never write, never judge anew, and never show a temperature without its age.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::process::ExitCode;

use engine::alarm::{Alarm, AlarmState};
use ledger::{Access, Ledger, LedgerError, ReadingFilter};
use pile::time::{Span, Timestamp};
use pile::units::Celsius;
use rulebook::Rulebook;
use serde_json::Value;
use site::entry::{Batch, BatchId, Stage};
use site::ids::{BinId, ProbeId};
use site::instruments::Instruments;
use site::judge::{Outcome, Standing};
use site::model::{Display, Site};
use site::quantity::Quantity;
use site::reading::{Quality, Source};
use site::zone::parse_rfc3339;

use crate::clock::Clock;
use crate::commands::CommandError;
use crate::daemon::chain;
use crate::socket::{self, Answer, Request};

/// A probe that said nothing for longer shows no temperature.
const SHOWN_FOR: Span = Span::hours(6);
/// Alarms that one screen has room for.
const ALARMS_SHOWN: usize = 8;

/// Shows the site, or only how the running daemon is doing.
///
/// # Errors
/// When no daemon runs; what the store holds is shown all the same.
pub fn status(site: &Site, json: bool, health: bool) -> Result<ExitCode, CommandError> {
    let asked = socket::ask(&site.data_folder, &Request::Status { json: json || !health })?;
    let not_running = || {
        CommandError::NotRunning(format!(
            "no daemon runs on {}; start it with `hypocaust run`, or `systemctl start hypocaust`",
            site.data_folder.display()
        ))
    };
    if json || health {
        let (said, code) = match asked {
            Some(Answer::Done(said)) => (said, ExitCode::SUCCESS),
            Some(Answer::No(said)) => (said, ExitCode::from(1)),
            None => return Err(not_running()),
        };
        println!("{}", said.trim_end());
        return Ok(code);
    }
    // A store that cannot be read must not keep anybody from hearing how the daemon is.
    let ledger = Ledger::open(&site.data_folder, Access::Read);
    match ledger.and_then(|ledger| screen(site, &ledger, Clock::live().now())) {
        Ok(screen) => print!("{screen}"),
        Err(error) => println!("{}: the store cannot be read: {}", site.name, chain(&error)),
    }
    match asked {
        Some(Answer::Done(said)) => {
            println!("\n{}", daemon(site, &said));
            Ok(ExitCode::SUCCESS)
        }
        Some(Answer::No(said)) => {
            println!("\n{}", daemon(site, &said));
            Ok(ExitCode::from(1))
        }
        None => Err(not_running()),
    }
}

/// The daemon in one line, and a line for each part that is not as it should be.
fn daemon(site: &Site, said: &str) -> String {
    let Ok(health) = serde_json::from_str::<Value>(said) else { return said.to_owned() };
    let parts = health["parts"].as_array().cloned().unwrap_or_default();
    let word = |part: &Value, key: &str| part[key].as_str().unwrap_or_default().to_owned();
    let wrong: Vec<String> = parts
        .iter()
        .filter(|part| part["state"] != "ok")
        .map(|part| {
            let since = part["since"].as_str().and_then(parse_rfc3339).map(|at| site.zone.show(at)).unwrap_or_default();
            let (name, state, finding) = (word(part, "part"), word(part, "state"), word(part, "finding"));
            format!("{name}: {state} since {since}: {finding}. {}", word(part, "do")).trim_end().to_owned()
        })
        .collect();
    match wrong.len() {
        0 => format!("Daemon: all {} parts are ok (hypocaust status --health)", parts.len()),
        n => format!("Daemon: {n} of {} parts not ok (hypocaust status --health)\n{}", parts.len(), wrong.join("\n")),
    }
}

/// What the store knows of the site at `now`.
fn screen(site: &Site, ledger: &Ledger, now: Timestamp) -> Result<String, LedgerError> {
    let mut out = format!("{}, {} ({})\n\n", site.name, site.zone.show_short(now), site.zone.name());
    let batches = ledger.batches()?;
    let instruments = Instruments::of(&ledger.entries()?);
    let there = instruments.site_at(site, now);
    let newest = newest(&there, ledger, now)?;
    let standings: BTreeMap<BatchId, Vec<Standing>> =
        ledger.results()?.into_iter().map(|kept| (kept.batch, kept.standings)).collect();
    for (id, bin) in &there.bins {
        let own = || batches.iter().filter(|b| b.bin == *id);
        let here = own().rfind(|b| b.stage(now) != Stage::Gone);
        let warm = temperatures(&there, &bin.probes, &newest, now);
        match here {
            Some(batch) => {
                let _ = writeln!(out, "{:<12} {}", id.as_str(), stage_words(batch, now));
                for standing in standings.get(&batch.id).into_iter().flatten() {
                    let _ = writeln!(out, "{:<12}   hold: {}", "", hold(site, standing));
                }
            }
            None => {
                let heard = bin.probes.iter().any(|probe| newest.contains_key(probe));
                let since = own().filter_map(|b| b.gone_at).max();
                let since = since.map_or_else(|| "the beginning".to_owned(), |at| site.zone.show(at));
                let words = match heard {
                    true => format!(
                        "readings, but no batch since {since}: process rules are off (hypocaust batch on-air --bin {id})"
                    ),
                    false => "empty".to_owned(),
                };
                let _ = writeln!(out, "{:<12} {words}", id.as_str());
            }
        }
        if !warm.is_empty() {
            let _ = writeln!(out, "{:<12}   {warm}", "");
        }
    }
    out.push_str(&alarms(site, ledger, now)?);
    Ok(out)
}

/// The newest good temperature of each probe.
fn newest(site: &Site, ledger: &Ledger, now: Timestamp) -> Result<BTreeMap<ProbeId, (Timestamp, f64)>, LedgerError> {
    let probes = site.bins.values().flat_map(|bin| bin.probes.iter().cloned());
    let filter = ReadingFilter {
        sources: probes.map(Source::Probe).collect(),
        quantity: Some(Quantity::Temperature),
        from: Some(now - SHOWN_FOR),
        to: Some(now + site::bounds::CLOCK_DOUBT),
    };
    let mut newest = BTreeMap::new();
    if filter.sources.is_empty() {
        return Ok(newest);
    }
    ledger.readings(&filter, &mut |row| {
        if let (Source::Probe(probe), Quality::Good) = (&row.reading.series.source, row.quality) {
            let (at, value) = (row.reading.measured_at, row.reading.value);
            let known = newest.entry(probe.clone()).or_insert((at, value));
            if at >= known.0 {
                *known = (at, value);
            }
        }
    })?;
    Ok(newest)
}

fn temperatures(
    site: &Site,
    probes: &[ProbeId],
    newest: &BTreeMap<ProbeId, (Timestamp, f64)>,
    now: Timestamp,
) -> String {
    let words = probes.iter().filter_map(|id| {
        let probe = site.probes.get(id)?;
        let place = probe.position.key();
        Some(match newest.get(id) {
            Some((at, value)) => {
                let celsius = Celsius(*value);
                let value = match site.display {
                    Display::Metric => format!("{:.1} °C", celsius.0),
                    Display::Us => format!("{:.1} °F", celsius.fahrenheit()),
                };
                format!("{place} {value} ({} old)", now.since(*at).max(Span::ZERO))
            }
            None => format!("{place} no reading for more than {SHOWN_FOR}"),
        })
    });
    words.collect::<Vec<_>>().join(", ")
}

fn stage_words(batch: &Batch, now: Timestamp) -> String {
    let stage = batch.stage(now);
    let since = batch.stage_since(now);
    let day = |at: Timestamp| now.since(at).as_millis().max(0) / Span::days(1).as_millis() + 1;
    let day = since.map_or_else(String::new, |at| format!(", day {}", day(at)));
    format!("batch {} {}{day}", batch.id, stage.key().replace('-', " "))
}

/// Hours are rounded down: nobody may read that a hold is met before it is.
fn hold(site: &Site, standing: &Standing) -> String {
    let (counted, needed) = (standing.hours_counted.floor(), standing.hours_needed.ceil());
    let words = match (standing.result, standing.met_at, standing.earliest_at) {
        (Outcome::Met, Some(at), _) => format!("met {}", site.zone.show(at)),
        (Outcome::Running, _, Some(at)) => format!("running, at the earliest {}", site.zone.show(at)),
        (result, ..) => result.key().to_owned(),
    };
    format!("{} {counted} of {needed} h, {words}", standing.criterion)
}

/// The active alarms, the worst first, each with what to do first.
fn alarms(site: &Site, ledger: &Ledger, now: Timestamp) -> Result<String, LedgerError> {
    let (rules, _) = Rulebook::compile(&ledger.rules_in_force()?, &site.rules, site.display);
    let is_active = |a: &Alarm| matches!(a.life.state, AlarmState::Unacknowledged | AlarmState::Acknowledged);
    let mut active: Vec<Alarm> = ledger.alarms()?.into_iter().filter(|a| a.occurrence > 0 && is_active(a)).collect();
    active.sort_by_key(|a| (std::cmp::Reverse(a.priority), a.raised_at, a.id));
    let mut out = String::from("\n");
    if active.is_empty() {
        out.push_str("No alarm is active.\n");
        return Ok(out);
    }
    let _ = writeln!(out, "Active alarms: {}", active.len());
    for alarm in active.iter().take(ALARMS_SHOWN) {
        let age = alarm.onset.map_or_else(String::new, |at| format!(", for {}", now.since(at).max(Span::ZERO)));
        let seen =
            alarm.acknowledged.as_ref().map_or_else(String::new, |seen| format!(", acknowledged by {}", seen.by));
        let _ = writeln!(
            out,
            "{:>5}  {:<8} {}  {}: {}{age}{seen}",
            alarm.id.0,
            alarm.priority.key(),
            alarm.key.subject.as_str(),
            alarm.title,
            alarm.finding
        );
        let rule = rules.rules().iter().find(|rule| rule.name == alarm.key.rule);
        let first = rule.and_then(|rule| rule.header.response.first()).cloned();
        let first = first.unwrap_or_else(|| format!("hypocaust why {} shows the reason and the response", alarm.id.0));
        let _ = writeln!(out, "       first: {first}");
    }
    if active.len() > ALARMS_SHOWN {
        let _ = writeln!(out, "       and {} more: hypocaust alarms", active.len() - ALARMS_SHOWN);
    }
    Ok(out)
}

/// The bins of the site that match a name, or all.
///
/// # Errors
/// When there is no such bin.
pub(crate) fn bins(site: &Site, named: Option<&str>) -> Result<Vec<BinId>, CommandError> {
    let Some(named) = named else { return Ok(site.bins.keys().cloned().collect()) };
    let found = BinId::new(named).ok().filter(|id| site.bins.contains_key(id));
    found.map(|id| vec![id]).ok_or_else(|| {
        let known: Vec<_> = site.bins.keys().map(BinId::as_str).collect();
        CommandError::Usage(format!("there is no bin `{named}`; the settings have {}", known.join(", ")))
    })
}
