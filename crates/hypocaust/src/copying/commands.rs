//! What people ask of the copy: how far it is, whether it is true, to send days again, and to make a store anew from it.
//!
//! Must never write to a store that holds readings, nor call a copy true that was not read back.

use std::collections::{BTreeMap, BTreeSet};
use std::io::Write as _;
use std::path::Path;
use std::process::ExitCode;

use copier::{AT_ONCE, Bucket, Copied, CopyError, DayCount, points};
use engine::effect::Effect;
use indicatif::{ProgressBar, ProgressStyle};
use ledger::{Access, Folder, Ledger};
use pile::time::{Span, Timestamp};
use seal::merkle::Hash;
use seal::readings::{HOUR, HourTree, hour_of, line};
use serde_json::json;
use site::model::{Influx, Site};
use site::reading::SeriesId;
use site::zone::{rfc3339_millis, rfc3339_utc};

use super::{readings_of, target};
use crate::cli::{CopyCommand, CopySpan, RestoreArgs};
use crate::clock::Clock;
use crate::commands::{CommandError, runtime, when};
use crate::daemon::years_as_span;
use crate::secrets;

const DAY: Span = Span::hours(24);
/// Without `--from`.
const SPAN_DEFAULT: Span = Span::days(30);
/// Without `--from`, of a whole store.
const RESTORED_DEFAULT: Span = Span::days(3_653);
/// Readings younger than this may not have been copied yet: the root of an hour is written ten minutes after it.
const UNDER_WAY: Span = Span::minutes(15);
/// What was not taken, listed at the most.
const NOT_TAKEN_SHOWN: usize = 5;
/// Days that differ, listed at the most.
const DIFFERENCES_SHOWN: usize = 50;

/// Carries out one of the commands.
///
/// # Errors
/// Settings without a copy, a store or a server that does not answer.
pub fn copy(site: &Site, command: &CopyCommand) -> Result<ExitCode, CommandError> {
    match command {
        CopyCommand::Status { json } => status(site, *json),
        CopyCommand::Verify(span) => verify(site, span),
        CopyCommand::Again(span) => again(site, span),
    }
}

fn status(site: &Site, as_json: bool) -> Result<ExitCode, CommandError> {
    let influx = asked_for(site)?;
    let ledger = Ledger::open(&site.data_folder, Access::Read)?;
    let state = ledger.copy_state(&target(influx))?;
    let not_taken = ledger.not_taken(NOT_TAKEN_SHOWN)?;
    let waiting = state.rows.saturating_sub(state.next);
    if as_json {
        let trouble = state.trouble.as_ref().map(|(since, why)| json!({ "since": rfc3339_utc(*since), "why": why }));
        let said = json!({
            "url": influx.url, "organisation": influx.organisation, "bucket": influx.bucket, "rows_copied": state.next, "rows": state.rows,
            "waiting_since": state.waits_since.map(rfc3339_utc), "copied_at": state.copied_at.map(rfc3339_utc), "trouble": trouble,
            "not_taken": state.not_taken
        });
        print(&format!("{said}\n"))?;
        return Ok(ExitCode::SUCCESS);
    }
    let show = |at: Timestamp| site.zone.show(at);
    let mut text = format!("bucket {} of {} at {}\n", influx.bucket, influx.organisation, influx.url);
    text.push_str(&match state.copied_at {
        Some(at) => {
            format!("copied       {} of {} rows of the record, the last of them {}\n", state.next, state.rows, show(at))
        }
        None => "copied       nothing yet\n".into(),
    });
    match state.waits_since {
        Some(since) => {
            text.push_str(&format!("waiting      {waiting} rows since {}, with the readings under them\n", show(since)))
        }
        None => text.push_str("waiting      nothing\n"),
    }
    if let Some((since, why)) = &state.trouble {
        text.push_str(&format!("trouble      since {}: {why}\n", show(*since)));
    }
    if state.not_taken > 0 {
        text.push_str(&format!("not taken    {} points; the newest:\n", state.not_taken));
        for row in &not_taken {
            text.push_str(&format!("  {}  {}: {}\n", show(row.at), row.point, row.why));
        }
    }
    print(&text)?;
    Ok(ExitCode::SUCCESS)
}

/// What two sides must agree in: of each series and day how many readings there are, and the hash over their lines.
type Days = BTreeMap<(Timestamp, SeriesId), HourTree>;

fn verify(site: &Site, span: &CopySpan) -> Result<ExitCode, CommandError> {
    let (from, to) = asked_span(site, span.from.as_deref(), span.to.as_deref(), SPAN_DEFAULT)?;
    let now = Clock::live().now();
    // What came in lately may be on its way still.
    let to = to.min(hour_of(now - UNDER_WAY));
    let bucket = bucket(site)?;
    let ledger = Ledger::open(&site.data_folder, Access::Read)?;
    let runtime = runtime()?;
    let bar = progress(days_in(from, to), "days read back");
    let (mut same, mut readings, mut only_there, mut differ) = (0, 0, 0, Vec::new());
    for day in days(from, to) {
        let (mut here, mut there) = (Days::new(), Days::new());
        let mut hour = day;
        while hour < (day_of(day) + DAY).min(to) {
            for (reading, quality, reason) in readings_of(&ledger, hour)? {
                take(&mut here, day, &reading.series, &line(&reading, quality, &reason));
            }
            let copied = runtime.block_on(bucket.readings(&site.id, hour, hour + HOUR)).map_err(failed)?;
            for Copied { reading, quality, reason } in copied {
                take(&mut there, day, &reading.series, &line(&reading, quality, &reason));
            }
            hour = hour + HOUR;
        }
        let all: BTreeSet<_> = here.keys().chain(there.keys()).cloned().collect();
        for key in all {
            let (one, other) = (counted(&here, &key), counted(&there, &key));
            if one == other {
                same += 1;
                readings += one.0;
            } else if one.0 == 0 && is_over(site, &key, now) {
                only_there += 1;
            } else {
                let what = match one.0 == other.0 {
                    true => format!("{} readings on both sides, but not the same", one.0),
                    false => format!("{} readings here, {} there", one.0, other.0),
                };
                differ.push(format!("DIFFERS  {}  {}: {what}\n", date(key.0), key.1));
            }
        }
        bar.inc(1);
    }
    bar.finish_and_clear();
    let mut text: String = differ.iter().take(DIFFERENCES_SHOWN).map(String::as_str).collect();
    if differ.len() > DIFFERENCES_SHOWN {
        text.push_str(&format!("and {} more\n", differ.len() - DIFFERENCES_SHOWN));
    }
    text.push_str(&format!("ok       {same} days of series, {readings} readings, by number and checksum\n"));
    if only_there > 0 {
        text.push_str(&format!(
            "kept     {only_there} days of series only there: their time here is over (`keep` in the settings)\n"
        ));
    }
    if !differ.is_empty() {
        let (from, to) = (rfc3339_utc(from), rfc3339_utc(to));
        text.push_str(&format!("to send those days again: hypocaust copy again --from {from} --to {to}\n"));
    }
    print(&text)?;
    Ok(if differ.is_empty() { ExitCode::SUCCESS } else { ExitCode::from(1) })
}

/// Whether a day of a series is past the time for which the site keeps it.
fn is_over(site: &Site, (day, series): &(Timestamp, SeriesId), now: Timestamp) -> bool {
    let years = site.keep.years_of.get(&series.quantity).copied().or(site.keep.years);
    years.is_some_and(|years| now.since(*day) > years_as_span(years))
}

fn again(site: &Site, span: &CopySpan) -> Result<ExitCode, CommandError> {
    let (from, to) = asked_span(site, span.from.as_deref(), span.to.as_deref(), SPAN_DEFAULT)?;
    let bucket = bucket(site)?;
    let ledger = Ledger::open(&site.data_folder, Access::Read)?;
    let runtime = runtime()?;
    let bar = progress(days_in(from, to), "days sent");
    let (mut sent, mut not_taken) = (0, Vec::new());
    let mut hour = hour_of(from);
    while hour < to {
        for part in readings_of(&ledger, hour)?.chunks(AT_ONCE) {
            let points: Vec<_> =
                part.iter().map(|(r, quality, why)| points::of_reading(&site.id, r, *quality, why)).collect();
            sent += points.len();
            not_taken.extend(runtime.block_on(bucket.write(&points)).map_err(failed)?);
        }
        hour = hour + HOUR;
        bar.set_position(days_in(from, hour.min(to)));
    }
    bar.finish_and_clear();
    let mut text = format!("{sent} readings sent again\n");
    for one in &not_taken {
        text.push_str(&format!("not taken: {}: {}\n", one.point, one.why));
    }
    print(&text)?;
    Ok(if not_taken.is_empty() { ExitCode::SUCCESS } else { ExitCode::from(1) })
}

/// Makes the readings of an empty store anew from the copy. The record begins again with them: what was proven by the old one is proven
/// by its own checkpoints and bundles alone.
///
/// # Errors
/// A store that holds readings, settings without a copy, a server that does not answer; what was restored until then stays, and is named.
pub fn restore(site: &Site, args: &RestoreArgs) -> Result<(), CommandError> {
    let (from, to) = asked_span(site, args.from.as_deref(), args.to.as_deref(), RESTORED_DEFAULT)?;
    let bucket = bucket(site)?;
    let into = args.into.clone().unwrap_or_else(|| site.data_folder.clone());
    let runtime = runtime()?;
    let there = runtime.block_on(bucket.days(&site.id, from, to)).map_err(failed)?;
    if there.is_empty() {
        return Err(CommandError::Refused(format!(
            "the bucket has no reading of {} from {} to {}; look at `influx` and at `site.id` in the settings, or give --from",
            site.id,
            site.zone.show(from),
            site.zone.show(to)
        )));
    }
    let _folder = Folder::lock(&into)?;
    let mut ledger = Ledger::open(&into, Access::Write)?;
    if ledger.counts()?.readings > 0 {
        return Err(CommandError::Refused(format!(
            "the store in {} holds readings already; give another folder with --into, so that neither is mixed with the other",
            into.display()
        )));
    }
    let bar = progress(there.iter().map(|day| day.readings).sum(), "readings restored");
    let restored = runtime.block_on(take_back(site, &bucket, &there, &mut ledger, (from, to), &bar));
    bar.finish_and_clear();
    let readings = restored?;
    tell_restored(&mut ledger, site, &into, readings, &there)
}

async fn take_back(
    site: &Site,
    bucket: &Bucket,
    there: &[DayCount],
    ledger: &mut Ledger,
    (from, to): (Timestamp, Timestamp),
    bar: &ProgressBar,
) -> Result<u64, CommandError> {
    let clock = Clock::live();
    let begun = clock.now();
    let said =
        json!({ "from": rfc3339_millis(from), "to": rfc3339_millis(to), "target": site.influx.as_ref().map(target) });
    ledger.put_on_record(begun, "restored", &said)?;
    let days: BTreeSet<Timestamp> = there.iter().map(|day| day.day).collect();
    let mut restored = 0;
    for day in days {
        let mut hour = hour_of(day.max(from));
        while hour < (day + DAY).min(to) {
            let readings = bucket.readings(&site.id, hour, (hour + HOUR).min(to)).await.map_err(failed)?;
            let effects: Vec<Effect> = readings
                .into_iter()
                .map(|Copied { reading, quality, reason }| Effect::Store { reading, quality, reason })
                .collect();
            restored += ledger.commit(clock.now(), &effects)?.stored as u64;
            bar.set_position(restored);
            hour = hour + HOUR;
        }
    }
    Ok(restored)
}

fn tell_restored(
    ledger: &mut Ledger,
    site: &Site,
    into: &Path,
    readings: u64,
    there: &[DayCount],
) -> Result<(), CommandError> {
    let counted: u64 = there.iter().map(|day| day.readings).sum();
    let counts = ledger.counts()?;
    print(&format!(
        "{readings} readings of {} series are in {}; the copy counts {counted}\n\
         entries, batches, alarms and mails are not in it: those come from a backup (`hypocaust store restore`), or are written anew\n\
         next: hypocaust readings --bin {} --from ...\n",
        counts.series,
        into.display(),
        site.bins.keys().next().map_or("BIN", |bin| bin.as_str()),
    ))?;
    if readings == counted {
        return Ok(());
    }
    Err(CommandError::Refused(format!(
        "{readings} readings were restored where the copy counts {counted}; something was written there meanwhile, or the span cuts a day: \
         compare with `hypocaust copy verify`"
    )))
}

/// The copy that the settings name.
///
/// # Errors
/// There is none.
pub(crate) fn asked_for(site: &Site) -> Result<&Influx, CommandError> {
    site.influx.as_ref().ok_or_else(|| {
        CommandError::Usage(format!(
            "{} names no copy; add `influx:` with url, organisation, bucket and token_file (config/site.yaml shows it)",
            site.settings_path
        ))
    })
}

/// The bucket that the settings name.
///
/// # Errors
/// There is none, its token is missing, or its settings do not make a connection.
pub(crate) fn bucket(site: &Site) -> Result<Bucket, CommandError> {
    let influx = asked_for(site)?;
    let token = secrets::read(&influx.token).map_err(crate::wiring::WiringError::from)?;
    Bucket::open(influx, &token).map_err(failed)
}

/// Trouble with the copy as a command tells it.
pub(crate) fn failed(source: CopyError) -> CommandError {
    CommandError::NotRunning(source.to_string())
}

/// The span that was asked for, the beginning moved to a whole hour.
fn asked_span(
    site: &Site,
    from: Option<&str>,
    to: Option<&str>,
    length: Span,
) -> Result<(Timestamp, Timestamp), CommandError> {
    let to = when(site, to)?;
    let from = match from {
        Some(text) => hour_of(when(site, Some(text))?),
        None => day_of(to - length),
    };
    if from >= to {
        return Err(CommandError::Usage(format!(
            "--from {} is not before --to {}",
            site.zone.show(from),
            site.zone.show(to)
        )));
    }
    Ok((from, to))
}

/// The first instant of a day of UTC.
fn day_of(at: Timestamp) -> Timestamp {
    Timestamp::from_millis(at.as_millis().div_euclid(DAY.as_millis()) * DAY.as_millis())
}

/// The first instants of the days of UTC that a span touches; the first may be cut short.
fn days(from: Timestamp, to: Timestamp) -> impl Iterator<Item = Timestamp> {
    std::iter::successors(Some(from), |day| Some(day_of(*day) + DAY)).take_while(move |day| *day < to)
}

fn days_in(from: Timestamp, to: Timestamp) -> u64 {
    (to.since(from).as_millis().max(0) / DAY.as_millis()).unsigned_abs()
}

fn take(days: &mut Days, day: Timestamp, series: &SeriesId, line: &str) {
    days.entry((day_of(day), series.clone())).or_default().push(line);
}

fn counted(days: &Days, key: &(Timestamp, SeriesId)) -> (u64, Option<Hash>) {
    days.get(key).map_or((0, None), |tree| (tree.readings(), Some(tree.root())))
}

/// A day of UTC as people write it.
fn date(day: Timestamp) -> String {
    rfc3339_utc(day).chars().take(10).collect()
}

fn progress(length: u64, what: &'static str) -> ProgressBar {
    let style =
        ProgressStyle::with_template("{bar:40} {pos}/{len} {msg}").unwrap_or_else(|_| ProgressStyle::default_bar());
    ProgressBar::new(length).with_style(style).with_message(what)
}

fn print(text: &str) -> Result<(), CommandError> {
    let shown = crate::out::stdout().write_all(text.as_bytes());
    shown.map_err(|source| CommandError::Io { what: "the answer cannot be printed".into(), source })
}
