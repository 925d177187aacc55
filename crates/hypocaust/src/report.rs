//! `hypocaust report`: gathers what a weekly summary or a process record states, and writes its files.
//!
//! Must never judge compost itself, and never replace an edition that was issued: a later one is amended and says what changed.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use indicatif::{ProgressBar, ProgressStyle};
use ledger::{Access, Folder, FolderError, Ledger};
use pile::time::{Span, Timestamp};
use post::reports::facts::Edition;
use post::reports::said::{self, Figures};
use serde_json::{Value, json};
use site::entry::BatchId;
use site::model::Site;
use site::zone::IsoWeek;

use crate::cli::{ReportBatchArgs, ReportCommand, ReportWeekArgs};
use crate::clock::Clock;
use crate::commands::{CommandError, write};
use crate::daemon::chain;
use crate::socket::Request;

mod batch;
mod editions;
mod elsewhere;
mod files;
mod mailed;
mod parts;
mod sources;
mod week;

use editions::Shelf;
use files::Files;
pub(crate) use files::tried;
pub(crate) use mailed::{Rendered, render};
use sources::Sources;

/// The kind of the row that says that a report was issued.
const ISSUED: &str = seal::bundle::ISSUED_KIND;

/// Carries out a command about reports.
///
/// # Errors
/// When the store cannot be read, there is no such week or batch, or the files cannot be written.
pub fn report(site: &Site, command: &ReportCommand) -> Result<ExitCode, CommandError> {
    let now = Clock::live().now();
    match command {
        ReportCommand::Week(args) => of_week(site, args, now)?,
        ReportCommand::Batch(args) => of_batch(site, args, now)?,
        ReportCommand::Template(args) => match &args.tried {
            None => print!("{}", post::document::TEMPLATE),
            Some(template) => sample(site, template, &args.out)?,
        },
        ReportCommand::Reviewed(args) => {
            write(site, &Request::Reviewed { week: args.week.clone(), by: args.by.clone() })?;
        }
    }
    Ok(ExitCode::SUCCESS)
}

/// A sample by a template, for who writes one.
fn sample(site: &Site, template: &Path, out: &Path) -> Result<(), CommandError> {
    let pressed = tried(site, template)?;
    ::files::write(out, &pressed.pdf).map_err(|source| CommandError::Io {
        what: format!("the sample {} cannot be written; name another file, with --out", out.display()),
        source,
    })?;
    for warning in &pressed.warnings {
        println!("{warning}");
    }
    println!("{}: {} pages; look whether all of it is as you want it", out.display(), pressed.pages);
    println!("Then name {} in {}, under `reports: template`.", template.display(), site.settings_path);
    Ok(())
}

fn of_week(site: &Site, args: &ReportWeekArgs, now: Timestamp) -> Result<(), CommandError> {
    let week = match &args.week {
        Some(text) => IsoWeek::parse(text)
            .ok_or_else(|| CommandError::Usage(format!("`{text}` is no week; write one such as 2026-W10")))?,
        None => week::newest(&site.zone, site.summary, now),
    };
    let name = week.to_string();
    let bar = bar();
    let sources = Sources::read(site)?;
    let mut facts = sources.week(week, now, &bar)?;
    let span = (facts.from, facts.to);
    let elsewhere = if args.from_influx { elsewhere::given_back(site, span, &bar)? } else { None };
    if let Some(elsewhere) = &elsewhere {
        facts = Sources::given_back(elsewhere, site)?.week(week, now, &bar)?;
    }
    let figures = said::of_week(&facts);
    let shelf = Shelf::of(site, &name);
    let (edition, issued) = match &elsewhere {
        Some(_) => shelf.find(&figures)?,
        None => found(&sources, &shelf, facts.from, &figures)?,
    };
    let (running, from, to) = (facts.running, facts.from, facts.to);
    facts.edition = edition;
    bar.set_message("writing");
    let files = match issued {
        Some(files) => Made::Earlier(files),
        None if running => Made::Draft(Files::of_week(site, &facts, &figures)?),
        None => Made::New(Files::of_week(site, &facts, &figures)?),
    };
    bar.finish_and_clear();
    let out = args.out.clone().unwrap_or_else(|| PathBuf::from(format!("report-{name}")));
    let report = Report { what: "week", name: &name, number: facts.edition.number, shelf };
    let (files, is_issued) = hand_over(site, &report, &files, &out, now)?;
    if args.bundle {
        let zip = out.join(format!("report-{name}.zip"));
        if zip.exists() {
            let what =
                format!("the earlier bundle {} cannot be replaced; name another folder, with --out", zip.display());
            std::fs::remove_file(&zip).map_err(|source| CommandError::Io { what, source })?;
        }
        // Under a folder of their own, apart from the figures of the bundle itself.
        // A report that was not issued is on no record, and so not in it.
        let own = is_issued.then_some(&files.0).into_iter().flatten();
        let more: Vec<_> = own.map(|(name, bytes)| (format!("report/{name}"), bytes.clone())).collect();
        if !is_issued {
            println!("{}: the report's files are not in it, because they were not issued", zip.display());
        }
        let previous = before(site, from)?;
        let said = crate::record::zip(site, (from, to), previous.as_ref().map(|(_, note)| note.as_str()), &more, &zip)?;
        print!("{said}");
        if let Some((week, _)) = previous {
            println!(
                "it goes on from the checkpoint of week {week}: add --previous checkpoint-{week}.txt from the mail of that week"
            );
        }
    }
    Ok(())
}

/// So many weeks back the last one with a checkpoint is looked for.
const WEEKS_BACK: i64 = 60;

/// The checkpoint that went out with the summary before the week that begins at `from`, and its week.
fn before(site: &Site, from: Timestamp) -> Result<Option<(IsoWeek, String)>, CommandError> {
    // The middle of the week, so that no change of the clocks leads into another.
    let weeks = (1..=WEEKS_BACK).map(|n| site.zone.iso_week(from + Span::hours(84) - Span::days(7 * n)));
    for week in weeks {
        if let Some(note) = Shelf::of(site, &week.to_string()).first_checkpoint()? {
            return Ok(Some((week, note)));
        }
    }
    Ok(None)
}

fn of_batch(site: &Site, args: &ReportBatchArgs, now: Timestamp) -> Result<(), CommandError> {
    let id = BatchId(args.batch);
    let name = format!("batch-{id}");
    let bar = bar();
    let sources = Sources::read(site)?;
    let mut facts = sources.batch_facts(id, now, &bar)?;
    let begins = facts.hot.map_or(facts.to, |(from, _)| from);
    let span = (begins, facts.hot.and_then(|(_, until)| until).unwrap_or(facts.to));
    let elsewhere = if args.from_influx { elsewhere::given_back(site, span, &bar)? } else { None };
    if let Some(elsewhere) = &elsewhere {
        facts = Sources::given_back(elsewhere, site)?.batch_facts(id, now, &bar)?;
    }
    let figures = said::of_batch(&facts);
    let shelf = Shelf::of(site, &name);
    let (edition, issued) = match &elsewhere {
        Some(_) => shelf.find(&figures)?,
        None => found(&sources, &shelf, begins, &figures)?,
    };
    // A batch that is still hot changes by the minute: its record is a draft.
    let running = facts.hot.is_none_or(|(_, until)| until.is_none());
    facts.edition = edition;
    bar.set_message("writing");
    let files = match issued {
        Some(files) => Made::Earlier(files),
        None if running => Made::Draft(Files::of_batch(site, &facts, &figures)?),
        None => Made::New(Files::of_batch(site, &facts, &figures)?),
    };
    bar.finish_and_clear();
    let out = args.out.clone().unwrap_or_else(|| PathBuf::from(format!("report-{name}")));
    let report = Report { what: "batch", name: &name, number: facts.edition.number, shelf };
    hand_over(site, &report, &files, &out, now).map(|_| ())
}

/// The edition of these figures. Where readings of its time went after theirs, it is the newest that was issued: what is left says less.
fn found(
    sources: &Sources<'_>,
    shelf: &Shelf,
    begins: Timestamp,
    figures: &Figures,
) -> Result<(Edition, Option<Files>), CommandError> {
    let Some(before) = sources.pruned_before()?.filter(|before| *before > begins) else { return shelf.find(figures) };
    let before = sources.site.zone.show(before);
    let (number, files) = shelf.newest()?.ok_or_else(|| {
        CommandError::Refused(format!(
            "readings up to {before} went after their time (`keep` in the settings), and no report of this time was issued before{}",
            copy_has_them(sources.site)
        ))
    })?;
    let copy = copy_has_them(sources.site);
    eprintln!("readings up to {before} went after their time: this is what was issued while they were there{copy}");
    Ok((Edition { number, changes: Vec::new() }, Some(files)))
}

/// Where else the readings are.
fn copy_has_them(site: &Site) -> String {
    let Some(influx) = &site.influx else { return String::new() };
    format!(
        "; the copy in InfluxDB may have them (bucket {} of {} at {}): add --from-influx",
        influx.bucket, influx.organisation, influx.url
    )
}

/// Which report it is.
struct Report<'r> {
    /// `week` or `batch`.
    what: &'static str,
    /// Its name, such as `2026-W10`.
    name: &'r str,
    /// Its edition.
    number: u32,
    /// Where its editions are kept.
    shelf: Shelf,
}

/// Files, and whether they were issued.
enum Made {
    /// They were, earlier, with the same figures.
    Earlier(Files),
    /// They are not to be: what they tell of goes on.
    Draft(Files),
    /// They are to be.
    New(Files),
}

/// Issues what is new, writes the files for the person who asked, and says what is what; gives whether they were issued.
fn hand_over<'m>(
    site: &Site,
    report: &Report<'_>,
    made: &'m Made,
    out: &Path,
    now: Timestamp,
) -> Result<(&'m Files, bool), CommandError> {
    let edition = match report.number {
        1 => "first edition".to_owned(),
        n => format!("amended {}", n - 1),
    };
    let mut is_issued = true;
    let (files, said) = match made {
        Made::Earlier(files) => (files, format!("{edition}, as it was issued: its figures are still the same")),
        Made::Draft(files) => {
            is_issued = false;
            (files, "a draft: its time is not over, and nothing was issued".to_owned())
        }
        Made::New(files) => match Folder::lock(&site.data_folder) {
            Ok(folder) => {
                issue(&folder, report, files, now)?;
                (files, format!("{edition}, issued: its files and their hashes are on record"))
            }
            // Only one process writes; the daemon issues with the week's mail.
            Err(FolderError::InUse { .. }) => {
                is_issued = false;
                let said = "not issued: the daemon is running and issues with its mail; these are copies to look at";
                (files, format!("{edition}, {said}"))
            }
            Err(error) => return Err(error.into()),
        },
    };
    files.write(out)?;
    println!("{}: {} {}, {said}", out.display(), report.what, report.name);
    print!("{}", files.listed());
    Ok((files, is_issued))
}

/// Keeps an edition and puts its files on record.
fn issue(folder: &Folder, report: &Report<'_>, files: &Files, now: Timestamp) -> Result<(), CommandError> {
    report.shelf.keep(report.number, files)?;
    let mut ledger = Ledger::open(folder.path(), Access::Write)?;
    ledger.put_on_record(now, ISSUED, &issued_body(report.what, report.name, report.number, files))?;
    Ok(())
}

/// Puts on record that an edition was issued with a mail; a store in trouble is told, for the mail goes out all the same.
pub(crate) fn on_record(ledger: &mut Ledger, now: Timestamp, issued: Option<(&'static str, Value)>) {
    let Some((kind, body)) = issued else { return };
    if let Err(source) = ledger.put_on_record(now, kind, &body) {
        tracing::warn!("a report that was issued is not on record: {}", chain(&source));
    }
}

/// What the record says of an edition.
fn issued_body(what: &str, of: &str, edition: u32, files: &Files) -> Value {
    json!({ "report": what, "of": of, "edition": edition, "files": files.body() })
}

/// Drawn on standard error, and only where that is a terminal.
fn bar() -> ProgressBar {
    let bar = ProgressBar::new_spinner();
    if let Ok(style) = ProgressStyle::with_template("  {spinner} {msg}  {elapsed}") {
        bar.set_style(style);
    }
    bar.enable_steady_tick(std::time::Duration::from_millis(200));
    bar.set_message("reading the store");
    bar
}
