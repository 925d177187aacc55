//! What the store holds, printed for people or for other programs.
//!
//! Must never write: it reads beside a running daemon.

use std::io::{BufWriter, Write};

use engine::alarm::{Alarm, AlarmState};
use engine::effect::MailState;
use engine::notice::{Notice, Step};
use ledger::{Access, Ledger, ReadingFilter};
use pile::time::{Span, Timestamp};
use serde_json::json;
use site::ids::BinId;
use site::model::{Bin, Display, Site};
use site::quantity::{Quantity, Unit};
use site::reading::{Quality, Source};
use site::zone::rfc3339_utc;

use crate::cli::ReadingsArgs;
use crate::commands::{CommandError, when};
use crate::glance;

/// How many refused payloads are listed.
const REFUSED_LISTED: usize = 50;

/// Prints readings of the site, or of a bin: its probes and its blower.
///
/// # Errors
/// When the bin is not known or the store cannot be read.
pub fn readings(site: &Site, args: &ReadingsArgs) -> Result<(), CommandError> {
    let bins = glance::bins(site, args.bin.as_deref())?;
    let to = when(site, args.to.as_deref())?;
    let from = match &args.from {
        Some(text) => when(site, Some(text))?,
        None => to - Span::hours(24),
    };
    let sources: Vec<Source> = match args.bin {
        // What serves the whole site is part of it.
        None => {
            let probes = site.probes.keys().cloned().map(Source::Probe);
            probes.chain(site.blowers.keys().cloned().map(Source::Blower)).collect()
        }
        Some(_) => {
            let own = bins.iter().filter_map(|id| site.bins.get(id));
            let of = |bin: &Bin| {
                let probes = bin.probes.iter().cloned().map(Source::Probe);
                probes.chain(bin.blower.iter().cloned().map(Source::Blower)).collect::<Vec<_>>()
            };
            own.flat_map(of).collect()
        }
    };
    let filter = ReadingFilter { sources, quantity: None, from: Some(from), to: Some(to) };
    let ledger = Ledger::open(&site.data_folder, Access::Read)?;
    let mut out = BufWriter::new(crate::out::stdout());
    let mut outcome = Ok(());
    let mut count = 0u64;
    if args.csv {
        outcome = writeln!(out, "measured_at,probe,quantity,value,unit");
    }
    ledger.readings(&filter, &mut |row| {
        if outcome.is_err() {
            return;
        }
        count += 1;
        let reading = &row.reading;
        let quantity = reading.series.quantity;
        let source = reading.series.source.as_str();
        outcome = if args.json {
            let line = json!({
                "measured_at": rfc3339_millis(reading.measured_at),
                "received_at": rfc3339_millis(reading.received_at),
                "probe": source,
                "quantity": quantity.key(),
                "value": reading.value,
                "unit": quantity.unit().symbol(),
                "quality": row.quality.key(),
                "reason": row.reason,
            });
            writeln!(out, "{line}")
        } else if args.csv {
            if row.quality != Quality::Good {
                return;
            }
            let at = rfc3339_millis(reading.measured_at);
            writeln!(out, "{at},{source},{},{},{}", quantity.key(), reading.value, quantity.unit().symbol())
        } else {
            let doubt = if row.quality == Quality::Good {
                String::new()
            } else {
                format!("  {}: {}", row.quality.key(), row.reason)
            };
            let (value, sign) = shown(site.display, quantity, reading.value);
            writeln!(
                out,
                "{}  {source:<24} {:<12} {value:>9.2} {sign}{doubt}",
                site.zone.show(reading.measured_at),
                quantity.key()
            )
        };
    })?;
    outcome.and_then(|()| out.flush()).or_else(reader_gone)?;
    if count == 0 && !args.json && !args.csv {
        println!(
            "no readings of {} from {} to {}; `hypocaust refused` lists payloads that gave none",
            args.bin.as_ref().map_or_else(|| "the site".to_owned(), |bin| format!("bin {bin}")),
            site.zone.show(from),
            site.zone.show(to)
        );
    }
    Ok(())
}

/// Lists alarms: those that stand or wait to be acknowledged, or all.
///
/// # Errors
/// When the store cannot be read.
pub fn alarms(site: &Site, all: bool, as_json: bool) -> Result<(), CommandError> {
    let ledger = Ledger::open(&site.data_folder, Access::Read)?;
    let mut alarms: Vec<Alarm> = ledger
        .alarms()?
        .into_iter()
        .filter(|a| a.occurrence > 0 && (all || a.life.state != AlarmState::Normal))
        .collect();
    alarms.sort_by_key(|a| (std::cmp::Reverse(a.stands()), std::cmp::Reverse(a.priority), a.raised_at, a.id));
    if as_json {
        for a in &alarms {
            let line = json!({
                "id": a.id.0,
                "rule": a.key.rule,
                "about": a.key.subject.as_str(),
                "bin": a.key.bin().map(BinId::as_str),
                "title": a.title,
                "state": a.life.state.key(),
                "priority": a.priority.key(),
                "occurrence": a.occurrence,
                "onset": a.onset.map(rfc3339_utc),
                "raised_at": a.raised_at.map(rfc3339_utc),
                "cleared_at": a.life.cleared_at.map(rfc3339_utc),
                "acknowledged_by": a.acknowledged.as_ref().map(|k| &k.by),
                "confirmed_by": a.confirmed.as_ref().map(|k| &k.by),
                "shelved_until": a.life.shelf.as_ref().map(|s| rfc3339_utc(s.until)),
                "out_of_service_since": a.life.out_of_service.as_ref().map(|o| rfc3339_utc(o.since)),
                "hidden_by_rule": a.life.by_design,
                "reminders": a.life.reminders,
                "finding": a.finding,
                "evidence": a.evidence,
                "rule_revision": a.revision,
            });
            println!("{line}");
        }
        return Ok(());
    }
    if alarms.is_empty() {
        println!(
            "no alarm is active and none waits to be acknowledged{}",
            if all { "; there never was one" } else { "" }
        );
        return Ok(());
    }
    println!("{:>5}  {:<8} {:<24} {:<10} {:<22} since", "id", "priority", "state", "about", "alarm");
    for a in &alarms {
        println!(
            "{:>5}  {:<8} {:<24} {:<10} {:<22} {}\n       {}",
            a.id.0,
            a.priority.key(),
            a.life.state.key(),
            a.key.subject.as_str(),
            a.title,
            a.onset.map(|t| site.zone.show(t)).unwrap_or_default(),
            found(a, site)
        );
        for remark in remarks(a, site) {
            println!("       {remark}");
        }
    }
    println!(
        "\nAcknowledge one with: hypocaust alarms acknowledge ID --by NAME; `hypocaust alarms --help` names the rest"
    );
    Ok(())
}

/// What the store knows of a finding is that of the raise: it is shown with its time, never as if it were of now.
fn found(alarm: &Alarm, site: &Site) -> String {
    match alarm.raised_at {
        Some(at) => format!("{} (found {})", alarm.finding, site.zone.show(at)),
        None => alarm.finding.clone(),
    }
}

/// What people or rules have said about an alarm, one line each.
fn remarks(alarm: &Alarm, site: &Site) -> Vec<String> {
    let zone = &site.zone;
    let mut out = Vec::new();
    let spoken = |what: &str, by: &engine::alarm::Acknowledgement| {
        let words = if by.comment.is_empty() { String::new() } else { format!(": {}", by.comment) };
        format!("{what} by {} {}{words}", by.by, zone.show(by.at))
    };
    out.extend(alarm.acknowledged.as_ref().map(|by| spoken("acknowledged", by)));
    out.extend(alarm.confirmed.as_ref().map(|by| spoken("response carried out", by)));
    if let Some(shelf) = &alarm.life.shelf {
        out.push(format!("shelved by {} until {}: {}", shelf.by, zone.show(shelf.until), shelf.reason));
    }
    if let Some(taken) = &alarm.life.out_of_service {
        out.push(format!("out of service by {} since {}: {}", taken.by, zone.show(taken.since), taken.reason));
    }
    if let Some(rule) = &alarm.life.by_design {
        out.push(format!("hidden because `{rule}` is active"));
    }
    if alarm.life.flags() > 0 {
        out.push(if alarm.life.active {
            "its condition holds".into()
        } else {
            "its condition does not hold".to_owned()
        });
    }
    if alarm.life.reminders > 0 {
        out.push(format!("{} sent, and nobody has acknowledged", counted(alarm.life.reminders, "reminder")));
    }
    out
}

fn counted(n: u32, what: &str) -> String {
    if n == 1 { format!("1 {what}") } else { format!("{n} {what}s") }
}

/// Lists mails and what became of them.
///
/// # Errors
/// When the store cannot be read.
pub fn outbox(site: &Site, as_json: bool) -> Result<(), CommandError> {
    let ledger = Ledger::open(&site.data_folder, Access::Read)?;
    let rows = ledger.outbox()?;
    if rows.is_empty() && !as_json {
        println!("the outbox is empty: no mail was ever caused");
    }
    for row in rows {
        let mail = &row.mail;
        let (state, at, tries, reply) = match &mail.state {
            MailState::Waiting { next_try, tries, last_reply } => ("waiting", *next_try, *tries, last_reply),
            MailState::Accepted { at, tries, reply } => ("accepted", *at, *tries, reply),
            MailState::GivenUp { at, tries, reply } => ("undeliverable", *at, *tries, reply),
        };
        if as_json {
            let line = json!({
                "id": mail.id.0,
                "to": mail.to,
                "about": about(&mail.notice),
                "created_at": rfc3339_utc(mail.created_at),
                "state": state,
                "at": rfc3339_utc(at),
                "tries": tries,
                "reply": reply,
            });
            println!("{line}");
        } else {
            let word = if state == "waiting" { "next try" } else { "at" };
            println!(
                "{:>5}  {}  {:<13} {word} {}, tries {tries}  to {}\n       {}{}",
                mail.id.0,
                site.zone.show(mail.created_at),
                state,
                site.zone.show(at),
                mail.to,
                about(&mail.notice),
                if reply.is_empty() { String::new() } else { format!("\n       the relay: {reply}") }
            );
        }
    }
    Ok(())
}

/// Lists refused payloads, newest first.
///
/// # Errors
/// When the store cannot be read.
pub fn refused(site: &Site, as_json: bool) -> Result<(), CommandError> {
    let ledger = Ledger::open(&site.data_folder, Access::Read)?;
    let rows = ledger.refused(REFUSED_LISTED)?;
    if rows.is_empty() && !as_json {
        println!("no message was rejected");
    }
    for row in rows {
        let r = &row.refusal;
        if as_json {
            let line = json!({
                "received_at": rfc3339_millis(r.received_at),
                "topic": r.topic,
                "payload": r.payload_head,
                "payload_bytes": r.payload_bytes,
                "reason": r.reason,
            });
            println!("{line}");
        } else {
            println!(
                "{}  {}  `{}` ({} bytes)\n       {}",
                site.zone.show(r.received_at),
                r.topic,
                r.payload_head,
                r.payload_bytes,
                r.reason
            );
        }
    }
    Ok(())
}

/// What a mail is about, in one line.
pub fn about(notice: &Notice) -> String {
    match notice {
        Notice::Alarm(a) => match a.step {
            Step::Raise => a.thread_subject.clone(),
            Step::Update => format!("changed: {}", a.thread_subject),
            Step::Reminder => format!("not acknowledged: {}", a.thread_subject),
            Step::Clear => format!("cleared: {}", a.thread_subject),
            Step::Retire => format!("closed without clearing: {}", a.thread_subject),
        },
        Notice::Summary(s) => format!("weekly summary, week {} of {}", s.week.week, s.week.year),
        Notice::Copy(c) if c.amended > 0 => format!("weekly summary {}, amended {}", c.week, c.amended),
        Notice::Copy(c) => format!("copy of the weekly summary {}", c.week),
        Notice::RoundList(list) => format!("round list, {}", list.day),
        Notice::Flood(f) => format!("{} alarms at once", f.standing + f.over),
        Notice::Outage(_) => "the daemon was off".into(),
        Notice::Trial { .. } => "test mail".into(),
    }
}

fn shown(display: Display, quantity: Quantity, value: f64) -> (f64, &'static str) {
    match (display, quantity.unit()) {
        (Display::Us, Unit::Celsius) => (pile::units::Celsius(value).fahrenheit(), Unit::Fahrenheit.sign()),
        (_, unit) => (value, unit.sign()),
    }
}

fn rfc3339_millis(at: Timestamp) -> String {
    let whole = rfc3339_utc(at);
    match at.as_millis().rem_euclid(1_000) {
        0 => whole,
        ms => format!("{}.{ms:03}Z", whole.trim_end_matches('Z')),
    }
}

/// A reader that has seen enough (`| head`) is no failure.
fn reader_gone(source: std::io::Error) -> Result<(), CommandError> {
    if source.kind() == std::io::ErrorKind::BrokenPipe {
        return Ok(());
    }
    Err(CommandError::Io { what: "the listing cannot be written".into(), source })
}
