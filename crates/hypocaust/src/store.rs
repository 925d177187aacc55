//! `hypocaust store`: looks the store over, copies it beside a running daemon, puts a copy back.
//!
//! Must never write to a store that a daemon works on, and never print that a copy was made before it was looked over.

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use indicatif::{ProgressBar, ProgressStyle};
use ledger::{BackupError, Copied, Finding, Folder, LedgerError, StoreStep, WaitingMails};
use pile::time::Span;
use site::model::Site;

use crate::cli::{StoreCommand, Waiting};
use crate::clock::Clock;
use crate::commands::CommandError;
use crate::daemon::chain;
use crate::{record_key, wiring};

/// What to do when something does not hold.
const WHAT_TO_DO: &str = "\
what to do: stop the daemon, copy the whole data folder to a safe place, look at the disk and the system's log, then put back the newest
backup (`hypocaust store restore FILE --into FOLDER`). Days that are damaged are passed over and named by every command; all others are read.";

/// Carries out a command about the store. Only those about the site's own store read the settings.
///
/// # Errors
/// When there is no store or backup, or the disk does not do what is asked.
pub fn store(config: &Path, command: &StoreCommand) -> Result<ExitCode, CommandError> {
    match command {
        StoreCommand::Check { file: Some(file) } => check(file),
        StoreCommand::Check { file: None } => check(&wiring::settings(config)?.site.data_folder.join(ledger::FILE)),
        StoreCommand::Backup { file } => backup(&wiring::settings(config)?.site, file),
        StoreCommand::Restore { file, into, waiting_mails } => restore(file, into, *waiting_mails),
    }
}

/// Looks over a store or a backup; exit 1 where something does not hold.
fn check(file: &Path) -> Result<ExitCode, CommandError> {
    let bar = bar("{pos} of {len} packed days");
    let mut holds = true;
    let mut each = |step: &StoreStep| {
        holds &= step.holds();
        bar.suspend(|| print(step));
    };
    let looked = ledger::check_file(file, &mut each, &mut |done, of| {
        bar.set_length(of);
        bar.set_position(done);
    });
    bar.finish_and_clear();
    looked.map_err(unreadable)?;
    if holds {
        return Ok(ExitCode::SUCCESS);
    }
    println!("{WHAT_TO_DO}");
    Ok(ExitCode::from(1))
}

fn print(step: &StoreStep) {
    match &step.finding {
        Finding::Good(said) => println!("ok    {:<11} {said}", step.name),
        Finding::Unsure(said) => println!("ok?   {:<11} {said}", step.name),
        Finding::Bad(faults) => faults.iter().for_each(|fault| println!("FAIL  {:<11} {fault}", step.name)),
    }
}

/// Copies the store to a file.
fn backup(site: &Site, file: &Path) -> Result<ExitCode, CommandError> {
    let needs = ledger::Ledger::open(&site.data_folder, ledger::Access::Read).and_then(|l| l.bytes_in_use());
    let needs = needs.map_err(unreadable)?;
    let room = room(file);
    if let Some(free) = room.filter(|free| *free < needs) {
        return Err(BackupError::NoRoom { path: file.to_owned(), needs, free }.into());
    }
    let bar = bar("{bytes} of {total_bytes}");
    let copied = ledger::backup(&site.data_folder, file, &mut |done, of| {
        bar.set_length(of);
        bar.set_position(done);
    });
    bar.finish_and_clear();
    let Copied { bytes, damaged } = copied.map_err(told)?;
    println!("{}: {:.1} MB, looked over: all that was stored when it began", file.display(), bytes as f64 / 1e6);
    println!(
        "not in it: the private key of the record. Keep a copy of {} at a place of its own: without it a restored store signs with another key",
        site.data_folder.join(record_key::FILE).display()
    );
    println!("to put it back: hypocaust store restore {} --into FOLDER", file.display());
    if damaged.is_empty() {
        return Ok(ExitCode::SUCCESS);
    }
    damaged.iter().for_each(|day| println!("FAIL  {day}"));
    println!(
        "the store is damaged there, and so is this copy; an earlier backup may have these days whole: do not write over it"
    );
    Ok(ExitCode::from(1))
}

/// Puts a backup into a folder.
fn restore(file: &Path, into: &Path, waiting: Waiting) -> Result<ExitCode, CommandError> {
    let mails = match waiting {
        Waiting::GiveUp => WaitingMails::GiveUp,
        Waiting::Send => WaitingMails::Send,
    };
    // Locked as by a daemon, so that none begins a store there meanwhile.
    let folder = Folder::lock(into)?;
    let now = Clock::live().now();
    let put = ledger::put_back(file, folder.path(), now, mails).map_err(told)?;
    println!("{} holds the store of {}", into.join(ledger::FILE).display(), file.display());
    if let Some(last_alive) = put.last_alive {
        let off = now.since(last_alive).max(Span::ZERO);
        println!("it knows nothing of what arrived after {} ({off} ago)", site::zone::rfc3339_utc(last_alive));
    }
    put.damaged.iter().for_each(|day| println!("FAIL  {day}"));
    let many = put.waiting.len();
    match (many, mails) {
        (0, _) => println!("no mail was waiting in it"),
        (_, WaitingMails::GiveUp) => println!(
            "{many} mails were waiting in it and are marked undeliverable, as they have most likely been sent; `hypocaust outbox` lists them. Alarms that \
             still stand are told by reminders and by the next round list"
        ),
        (_, WaitingMails::Send) => {
            println!("{many} mails were waiting in it and go out when the daemon starts; some may come a second time");
        }
    }
    println!(
        "next: put your copy of {} next to it (mode 600), give {} as `data_folder` in the settings, and start the daemon",
        record_key::FILE,
        into.display()
    );
    Ok(if put.damaged.is_empty() { ExitCode::SUCCESS } else { ExitCode::from(1) })
}

/// A bar on a terminal, and nothing elsewhere.
fn bar(template: &str) -> ProgressBar {
    let bar = ProgressBar::new(0);
    if let Ok(style) = ProgressStyle::with_template(template) {
        bar.set_style(style);
    }
    bar
}

fn folder_of(file: &Path) -> PathBuf {
    file.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new(".")).to_owned()
}

/// Bytes that are free to us where a file is to go; `None` where the system does not say.
fn room(file: &Path) -> Option<u64> {
    let disk = rustix::fs::statvfs(folder_of(file)).ok()?;
    disk.f_bavail.checked_mul(disk.f_frsize)
}

/// A store that is none, or not of this version, is bad data; what is missing is missing input.
fn unreadable(error: LedgerError) -> CommandError {
    match error {
        LedgerError::NotALedger { .. }
        | LedgerError::TooNew { .. }
        | LedgerError::TooOld { .. }
        | LedgerError::Damaged { .. }
        | LedgerError::Row { .. } => CommandError::Refused(chain(&error)),
        LedgerError::Missing { .. } => {
            CommandError::NoInput { what: error.to_string(), source: std::io::ErrorKind::NotFound.into() }
        }
        other => CommandError::Ledger(other),
    }
}

fn told(error: BackupError) -> CommandError {
    match error {
        BackupError::Ledger(error) => unreadable(error),
        other => CommandError::Backup(other),
    }
}
