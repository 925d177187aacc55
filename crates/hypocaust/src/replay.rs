//! `hypocaust replay`: what rules would have said over recorded or imported history, and how that differs from the rules in force.
//!
//! Must never write to the store, nor send anything: it reads beside a running daemon.

use std::collections::{BTreeMap, BTreeSet};
use std::io::{BufWriter, Write};
use std::path::Path;

use engine::Engine;
use engine::alarm::AlarmEventKind;
use engine::input::{Input, MachineClock};
use engine::replay::{Change, Difference, Occurrence, Replay, Told, compare};
use engine::restore::Restored;
use indicatif::{ProgressBar, ProgressStyle};
use pile::time::{Span, Timestamp};
use rulebook::Rulebook;
use serde_json::{Value, json};
use site::batches::Batches;
use site::entry::{Entry, EntryKind};
use site::ids::BinId;
use site::model::{Changed, RuleSettings, Site};
use site::quantity::Unit;
use site::reading::{Reading, SeriesId};
use site::zone::rfc3339_utc;

use crate::cli::ReplayArgs;
use crate::commands::{CommandError, when};
use crate::wiring::{self, Settings, SettingsError};

pub(crate) mod files;
pub(crate) mod history;

use history::History;

/// History is read in pieces of this length, by the time of measuring.
const PIECE: Span = Span::days(1);
/// A device clock may be ahead of ours by this much before its time is set aside; such readings lie in the next piece.
const AHEAD: Span = Span::minutes(5);
/// The bar counts in these.
const BAR_STEP: Span = Span::minutes(10);

/// Carries out `hypocaust replay`.
///
/// # Errors
/// Faulty settings, rules or files; a store that cannot be read; a span without history.
pub fn replay(config: &Path, args: &ReplayArgs) -> Result<(), CommandError> {
    let Settings { site, .. } = wiring::settings(config)?;
    let tries_something = args.rules.is_some() || !args.set.is_empty();
    if args.compare && !tries_something {
        return Err(CommandError::Usage(
            "--compare needs something to compare with the rules in force: --rules DIR or --set RULE.SETTING=NUMBER"
                .into(),
        ));
    }
    let bins = bins(&site, &args.bins)?;
    let from = args.from.as_deref().map(|text| when(&site, Some(text))).transpose()?;
    let to = args.to.as_deref().map(|text| when(&site, Some(text))).transpose()?;
    let folder = args.rules.as_deref().unwrap_or(&site.rules.folder);
    let mut books = vec![book(&site, folder, &args.set)?];
    if args.compare {
        books.push(book(&site, &site.rules.folder, &[])?);
    }
    let history = match &args.readings {
        Some(readings) => {
            let (imported, entries) = files::read(&site, readings, args.entries.as_deref())?;
            History::of_files(imported, entries)
        }
        None => History::of_store(&site.data_folder)?,
    };
    let reach = books.iter().map(Engine::reach).max().unwrap_or(Span::ZERO);
    let course = Course::of(&history, from, to, reach)?;
    let replays = course.run(&site, books, &history)?;
    let [tried, in_force @ ..] = replays.as_slice() else { return Ok(()) };
    remark(&site, tried, &history);
    let shown = |told: &[Told]| -> Vec<Told> {
        told.iter()
            .filter(|t| bins.as_ref().is_none_or(|b| t.key.bin().is_some_and(|id| b.contains(id))))
            .cloned()
            .collect()
    };
    let told = shown(tried.told());
    let mut out = BufWriter::new(crate::out::stdout());
    let printed = match in_force.first() {
        Some(in_force) => {
            let mut all = compare(&shown(in_force.told()), &told);
            all.retain(|d| [&d.in_force, &d.tried].into_iter().flatten().any(|o| reaches(o, course.since)));
            if args.json { differences_as_json(&mut out, &all) } else { differences(&mut out, &site, &course, &all) }
        }
        None => {
            let listed: Vec<&Told> = told.iter().filter(|t| t.at >= course.since).collect();
            if args.json { events_as_json(&mut out, &listed) } else { events(&mut out, &site, &course, &told, &listed) }
        }
    };
    printed.and_then(|()| out.flush()).or_else(|source| match source.kind() {
        // A reader that has seen enough (`| head`) is no failure.
        std::io::ErrorKind::BrokenPipe => Ok(()),
        _ => Err(CommandError::Io { what: "the replay cannot be printed".into(), source }),
    })
}

/// From when to when.
struct Course {
    /// The engine begins; before `since`, so that windows are full by then.
    begin: Timestamp,
    /// From here on it is told what happened.
    since: Timestamp,
    end: Timestamp,
}

/// What else happened beside readings.
enum Moment<'h> {
    Entry(&'h Entry),
    Clock(MachineClock),
    Restart { last_alive: Timestamp },
}

impl Course {
    fn of(
        history: &History,
        from: Option<Timestamp>,
        to: Option<Timestamp>,
        reach: Span,
    ) -> Result<Course, CommandError> {
        let Some((first, last)) = history.span else {
            return Err(CommandError::Refused("there is no reading to replay".into()));
        };
        let watched = history.runs.first().map(|r| r.started_at);
        let first = history.entries.first().map_or(first, |(at, _)| first.min(*at));
        let first = watched.filter(|at| *at <= last).unwrap_or(first);
        let last = history.entries.last().map_or(last, |(at, _)| last.max(*at));
        let since = from.unwrap_or(first).max(first);
        let end = to.unwrap_or(last);
        if end <= since {
            let span = format!("{} to {}", rfc3339_utc(first), rfc3339_utc(last));
            return Err(CommandError::Usage(format!(
                "--to must lie after --from, and --from within the history, which reaches from {span}"
            )));
        }
        let begin = if from.is_some() { first.max(since - reach) } else { first };
        Ok(Course { begin, since, end })
    }

    /// Feeds the same history to an engine for each book.
    fn run<'h>(
        &self,
        site: &'h Site,
        books: Vec<Rulebook>,
        history: &'h History,
    ) -> Result<Vec<Replay<'h>>, CommandError> {
        let restored = standing(site, history, self.begin);
        let mut replays: Vec<Replay<'h>> = Vec::new();
        for book in books {
            let asks = book.rules().iter().any(|rule| rule.asks_results);
            let replay = Replay::new(site, book, restored.clone(), self.begin);
            replays.push(match asks && !site.criteria.is_empty() {
                true => replay.with_judge(Box::new(crate::judging::of_history(site, history)?)),
                false => replay,
            });
        }
        let mut recall = |series: &SeriesId, from, until| history.of_series(series, from, until);
        for replay in &mut replays {
            replay.feed(self.begin, Input::Started { previous: None }, &mut recall)?;
        }
        let mut moments = self.moments(history).into_iter().peekable();
        let bar = bar(self.begin, self.end);
        let mut waiting: Vec<Reading> = Vec::new();
        let mut from = self.begin;
        while from <= self.end {
            let to = from + PIECE;
            history.measured(from, to.min(self.end + Span::millis(1)), &mut waiting)?;
            // A reading that came in later waits here for its time.
            let horizon = if to > self.end { Timestamp::MAX } else { to - AHEAD };
            waiting.sort_by(|a, b| {
                (a.received_at, &a.series, a.measured_at).cmp(&(b.received_at, &b.series, b.measured_at))
            });
            let due = waiting.partition_point(|r| r.received_at < horizon);
            let mut pieces = waiting.drain(..due).peekable();
            loop {
                let next = pieces.peek().map(|r| r.received_at);
                let moment = moments.peek().map(|(at, _)| *at).filter(|at| *at < horizon);
                // What a person wrote at the instant of a reading was there before it was judged.
                if let Some(at) = moment.filter(|at| next.is_none_or(|next| *at <= next)) {
                    let Some((_, moment)) = moments.next() else { break };
                    for replay in &mut replays {
                        match &moment {
                            Moment::Entry(entry) => {
                                replay.feed(at, Input::EntryThatEarly((*entry).clone()), &mut recall)?;
                            }
                            Moment::Clock(clock) => replay.feed(at, Input::Clock(*clock), &mut recall)?,
                            Moment::Restart { last_alive } => {
                                replay.restart(*last_alive, at, &mut recall)?;
                                // A start takes the clocks to agree until it is told otherwise.
                                let agree = MachineClock::Behind(Span::ZERO);
                                replay.feed(at, Input::Clock(agree), &mut recall)?;
                            }
                        }
                    }
                    continue;
                }
                let Some(at) = next.filter(|at| *at <= self.end) else { break };
                let mut together = Vec::new();
                while let Some(reading) = pieces.next_if(|r| r.received_at == at) {
                    together.push(reading);
                }
                for replay in &mut replays {
                    replay.feed(at, Input::Readings(together.clone()), &mut recall)?;
                }
                bar.set_position(steps(at.since(self.begin)));
            }
            drop(pieces);
            from = to;
        }
        for replay in &mut replays {
            replay.finish(self.end);
        }
        bar.finish_and_clear();
        Ok(replays)
    }

    fn moments<'h>(&self, history: &'h History) -> Vec<(Timestamp, Moment<'h>)> {
        let during = |at: &Timestamp| *at >= self.begin && *at <= self.end;
        let restarts = history.runs.windows(2).map(|pair| {
            (pair[1].started_at, Moment::Restart { last_alive: pair[0].last_alive.min(pair[1].started_at) })
        });
        let mut moments: Vec<(Timestamp, Moment<'h>)> = restarts.collect();
        moments.extend(history.clock.iter().map(|(at, clock)| (*at, Moment::Clock(*clock))));
        moments.extend(history.entries.iter().map(|(at, entry)| (*at, Moment::Entry(entry))));
        moments.retain(|(at, _)| during(at));
        moments.sort_by_key(|(at, _)| *at);
        moments
    }
}

/// The batches and entries that stood before `begin`; what was written at that instant is lived through, so that its accounts begin.
fn standing(site: &Site, history: &History, begin: Timestamp) -> Restored {
    let mut batches = Batches::default();
    let mut restored = Restored::default();
    for (_, entry) in history.entries.iter().take_while(|(at, _)| *at < begin) {
        restored.last_entry = restored.last_entry.max(entry.id.0);
        // What the daemon refused is not in the log; what an imported log contradicts itself in moves no batch.
        let _ = batches.apply(entry, &site.zone);
        if matches!(entry.kind, EntryKind::OnAir { .. }) {
            // How far the valve is open outlasts a batch.
            restored.entries.retain(|e: &Entry| e.bin != entry.bin || matches!(e.kind, EntryKind::Valve { .. }));
        }
        restored.entries.push(entry.clone());
    }
    let about = history.entries.iter().take_while(|(at, _)| *at < begin).map(|(_, entry)| entry);
    restored.about_probes = about.filter(|e| e.is_about_probes()).cloned().collect();
    restored.batches = batches.all().cloned().collect();
    restored.last_batch = batches.last();
    restored
}

/// The bins that are asked for; `None` for all.
fn bins(site: &Site, asked: &[String]) -> Result<Option<BTreeSet<BinId>>, CommandError> {
    if asked.is_empty() {
        return Ok(None);
    }
    let bins = asked.iter().map(|text| {
        BinId::new(text).ok().filter(|id| site.bins.contains_key(id)).ok_or_else(|| {
            let known: Vec<_> = site.bins.keys().map(BinId::as_str).collect();
            CommandError::Usage(format!("there is no bin `{text}`; the settings have {}", known.join(", ")))
        })
    });
    bins.collect::<Result<_, _>>().map(Some)
}

/// The rules of a folder with the site's numbers, and those to be tried instead.
fn book(site: &Site, folder: &Path, set: &[String]) -> Result<Rulebook, CommandError> {
    let texts = wiring::rules(folder)?;
    let mut changed = site.rules.changed.clone();
    // Numbers of rules that the tried folder does not have change nothing there.
    changed.retain(|rule, _| folder == site.rules.folder || texts.iter().any(|t| t.name == *rule));
    for text in set {
        let (rule, setting, change) = tried_number(text)?;
        changed.entry(rule).or_default().insert(setting, change);
    }
    let settings = RuleSettings { folder: folder.to_owned(), changed };
    let (book, faults) = Rulebook::compile(&texts, &settings, site.display);
    if faults.is_empty() {
        return Ok(book);
    }
    Err(SettingsError::Faults(faults.iter().map(ToString::to_string).collect()).into())
}

fn tried_number(text: &str) -> Result<(String, String, Changed), CommandError> {
    let fault = || {
        CommandError::Usage(format!(
            "--set {text}: write RULE.SETTING=NUMBER, such as temperature-crash.fall=8 or too-hot.limit=160°F"
        ))
    };
    let (name, number) = text.split_once('=').ok_or_else(fault)?;
    let (rule, setting) = name.trim().split_once('.').ok_or_else(fault)?;
    let number = number.trim();
    let end = number.rfind(|c: char| c.is_ascii_digit()).map_or(0, |at| at + 1);
    let value = number[..end].trim().parse().map_err(|_| fault())?;
    let unit = match number[end..].trim() {
        "" => None,
        unit => Some(Unit::from_symbol(unit).ok_or_else(fault)?),
    };
    Ok((rule.to_owned(), setting.to_owned(), Changed { value, unit, place: format!("--set {text}") }))
}

fn bar(begin: Timestamp, end: Timestamp) -> ProgressBar {
    // Drawn on standard error, and only where that is a terminal.
    let bar = ProgressBar::new(steps(end.since(begin)));
    if let Ok(style) = ProgressStyle::with_template("  {bar:40}  {percent:>3} %  {elapsed} of about {duration}") {
        bar.set_style(style);
    }
    bar
}

fn steps(span: Span) -> u64 {
    u64::try_from(span.as_millis() / BAR_STEP.as_millis()).unwrap_or(0)
}

/// What the reader must know to trust the list, on standard error.
fn remark(site: &Site, replay: &Replay, history: &History) {
    for (series, count) in replay.unknown() {
        eprintln!("left out: {count} readings of {series}, which is not in the settings");
    }
    for (at, why) in replay.refused() {
        eprintln!("an entry at {} was refused: {why}", site.zone.show(*at));
    }
    let on_air = |(_, entry): &(Timestamp, Entry)| matches!(entry.kind, EntryKind::OnAir { .. });
    if !history.entries.iter().any(on_air) {
        eprintln!("no batch went on air in this history: rules that judge batches on air had nothing to judge");
    }
}

fn reaches(occurrence: &Occurrence, since: Timestamp) -> bool {
    occurrence.ended.as_ref().is_none_or(|ended| ended.at >= since)
}

fn about(told: &Told) -> &str {
    told.key.subject.as_str()
}

fn bin_of(told: &Told) -> Option<&str> {
    told.key.bin().map(BinId::as_str)
}

fn events_as_json(out: &mut impl Write, listed: &[&Told]) -> std::io::Result<()> {
    for told in listed {
        // Written out by hand, so that the keys stand in the documented order.
        let text = |value: &str| Value::from(value).to_string();
        writeln!(
            out,
            "{{\"at\":{},\"bin\":{},\"rule\":{},\"event\":{},\"priority\":{},\"occurrence\":{},\"finding\":{}}}",
            text(&rfc3339_utc(told.at)),
            bin_of(told).map_or_else(|| "null".into(), text),
            text(&told.key.rule),
            text(told.kind.key()),
            text(told.priority.key()),
            told.occurrence,
            text(&told.finding)
        )?;
    }
    Ok(())
}

fn events(out: &mut impl Write, site: &Site, course: &Course, all: &[Told], listed: &[&Told]) -> std::io::Result<()> {
    let zone = &site.zone;
    let wide = |of: fn(&Told) -> &str| all.iter().map(|t| of(t).chars().count()).max().unwrap_or(0);
    let (bins, rules) = (wide(about), wide(|t| &t.key.rule));
    for told in listed {
        writeln!(
            out,
            "{}  {:<8} {:<bins$}  {:<rules$}  {:<7} {}",
            zone.show(told.at),
            told.kind.key(),
            about(told),
            told.key.rule,
            told.priority.key(),
            told.finding
        )?;
    }
    if !listed.is_empty() {
        writeln!(out)?;
    }
    // Per rule and bin: raised, cleared, retired, and whether it stands at the end.
    let mut counts: BTreeMap<(&str, &str), [u32; 4]> = BTreeMap::new();
    for told in all {
        let count = counts.entry((&told.key.rule, about(told))).or_default();
        let place = match told.kind {
            AlarmEventKind::Raised => 0,
            AlarmEventKind::Cleared => 1,
            _ => 2,
        };
        count[place] += u32::from(told.at >= course.since);
        count[3] = u32::from(place == 0);
    }
    counts.retain(|_, count| *count != [0; 4]);
    if !counts.is_empty() {
        let (rules, bins) = (rules.max(4), bins.max(4));
        writeln!(out, "{:<rules$}  {:<bins$}  raised  cleared  retired  at the end", "rule", "bin")?;
        for ((rule, about), [raised, cleared, retired, stands]) in &counts {
            let stands = if *stands > 0 { "stands" } else { "" };
            let line = format!("{rule:<rules$}  {about:<bins$}  {raised:>6}  {cleared:>7}  {retired:>7}  {stands}");
            writeln!(out, "{}", line.trim_end())?;
        }
        writeln!(out)?;
    }
    let raised: u32 = counts.values().map(|count| count[0]).sum();
    writeln!(out, "{}: {raised} raised", spoken(site, course))
}

fn differences_as_json(out: &mut impl Write, all: &[Difference]) -> std::io::Result<()> {
    for difference in all {
        let Some(either) = difference.either() else { continue };
        let raised = |o: &Option<Occurrence>| o.as_ref().map(|o| rfc3339_utc(o.raised.at));
        let ended = |o: &Option<Occurrence>| o.as_ref().and_then(|o| o.ended.as_ref()).map(|e| rfc3339_utc(e.at));
        let (word, raised_later, ended_later) = match difference.change() {
            Change::New => ("new", None, None),
            Change::Gone => ("gone", None, None),
            Change::Same => ("same", Some(0), difference.in_force.as_ref().and_then(|o| o.ended.as_ref()).map(|_| 0)),
            Change::Moved { raised_later, ended_later } => {
                ("moved", Some(raised_later.as_millis() / 1_000), ended_later.map(|by| by.as_millis() / 1_000))
            }
        };
        let line = json!({
            "change": word,
            "rule": either.raised.key.rule,
            "bin": bin_of(&either.raised),
            "priority": either.raised.priority.key(),
            "raised_at": raised(&difference.tried),
            "ended_at": ended(&difference.tried),
            "raised_at_in_force": raised(&difference.in_force),
            "ended_at_in_force": ended(&difference.in_force),
            "raised_later_seconds": raised_later,
            "ended_later_seconds": ended_later,
            "finding": either.raised.finding,
        });
        writeln!(out, "{line}")?;
    }
    Ok(())
}

fn differences(out: &mut impl Write, site: &Site, course: &Course, all: &[Difference]) -> std::io::Result<()> {
    let zone = &site.zone;
    let listed: Vec<&Difference> = all.iter().filter(|d| d.change() != Change::Same).collect();
    let wide = |of: fn(&Told) -> &str| {
        listed.iter().filter_map(|d| d.either()).map(|o| of(&o.raised).chars().count()).max().unwrap_or(0)
    };
    let (bins, rules) = (wide(about), wide(|t| &t.key.rule));
    let mut counts = [0; 4];
    for difference in &listed {
        let Some(either) = difference.either() else { continue };
        let (word, how) = match difference.change() {
            Change::New => {
                counts[0] += 1;
                ("new", either.raised.finding.clone())
            }
            Change::Gone => {
                counts[1] += 1;
                ("gone", either.raised.finding.clone())
            }
            Change::Same => continue,
            Change::Moved { raised_later, ended_later } => {
                let word = match raised_later {
                    by if by < Span::ZERO => {
                        counts[2] += 1;
                        "earlier"
                    }
                    by if by > Span::ZERO => {
                        counts[3] += 1;
                        "later"
                    }
                    _ => "end",
                };
                (word, moved(difference, raised_later, ended_later))
            }
        };
        writeln!(
            out,
            "{}  {word:<8} {:<bins$}  {:<rules$}  {how}",
            zone.show(either.raised.at),
            about(&either.raised),
            either.raised.key.rule
        )?;
    }
    if !listed.is_empty() {
        writeln!(out)?;
    }
    let [new, gone, earlier, later] = counts;
    let same = all.len() - listed.len();
    let ends = listed.len() - counts.iter().sum::<usize>();
    writeln!(
        out,
        "{}: against the rules in force {new} new, {gone} gone, {earlier} earlier, {later} later, {ends} with another end, {same} the same",
        spoken(site, course)
    )
}

/// How the times of one occurrence differ, in words.
fn moved(difference: &Difference, raised_later: Span, ended_later: Option<Span>) -> String {
    let by = |what: &str, span: Span| match span {
        span if span < Span::ZERO => format!("{what} {} earlier", -span),
        span if span > Span::ZERO => format!("{what} {span} later"),
        _ => format!("{what} at the same time"),
    };
    let end = |o: &Option<Occurrence>| o.as_ref().is_some_and(|o| o.ended.is_some());
    let ended = match (ended_later, end(&difference.in_force), end(&difference.tried)) {
        (Some(span), ..) => by("ended", span),
        (None, true, false) => "it is active at the end; with the rules in force it ended".into(),
        (None, false, true) => "it ends; with the rules in force it is active at the end".into(),
        (None, ..) => "it is active at the end either way".into(),
    };
    format!("{}, {ended}", by("raised", raised_later))
}

fn spoken(site: &Site, course: &Course) -> String {
    format!("{} to {} ({})", site.zone.show(course.since), site.zone.show(course.end), site.zone.name())
}
