//! What each command does, short of running the daemon.
//!
//! Must never write to the store beside a running daemon: writes go through its socket.

use std::path::Path;
use std::process::ExitCode;
use std::sync::Arc;

use engine::Engine;
use engine::effect::{Effect, Mail, MailId, MailState};
use engine::input::{MailOutcome, RefusedChange};
use engine::limits::SHELF_MAX;
use engine::notice::Notice;
use ledger::{Access, BackupError, Folder, FolderError, Ledger, LedgerError};
use pile::time::{Span, Timestamp};
use rulebook::{RuleText, Rulebook};
use site::model::{Person, Site};
use site::spoken::{self, Toward};

use crate::cli::{AlarmsCommand, RunArgs};
use crate::clock::Clock;
use crate::daemon::{self, ChangingRules, DaemonError, Progress, Setup};
use crate::driven::DrivenError;
use crate::record_key::KeyError;
use crate::recording::{self, Recorder, RecordingError};
use crate::rule_watch::{self, RuleWatch};
use crate::socket::{self, AlarmWord, Answer, Request, SocketError};
use crate::wiring::{self, Settings, SettingsError, WiringError};

/// Why a command failed; [`CommandError::exit_code`] gives the sysexits code.
#[derive(Debug, thiserror::Error)]
pub enum CommandError {
    /// Settings or rules.
    #[error(transparent)]
    Settings(#[from] SettingsError),
    /// The data folder.
    #[error(transparent)]
    Folder(#[from] FolderError),
    /// The store.
    #[error(transparent)]
    Ledger(#[from] LedgerError),
    /// The daemon.
    #[error(transparent)]
    Daemon(#[from] DaemonError),
    /// A daemon whose clock is driven.
    #[error(transparent)]
    Driven(#[from] DrivenError),
    /// The way to a running daemon.
    #[error(transparent)]
    Socket(#[from] SocketError),
    /// A recording.
    #[error(transparent)]
    Recording(#[from] RecordingError),
    /// The way out for mail.
    #[error(transparent)]
    Mail(#[from] WiringError),
    /// A copy of the store.
    #[error(transparent)]
    Backup(#[from] BackupError),
    /// The program failed in itself.
    #[error("{0}; please report it")]
    Panicked(fence::Panic),
    /// What was asked cannot be done.
    #[error("{0}")]
    Refused(String),
    /// An argument.
    #[error("{0}")]
    Usage(String),
    /// There is no daemon to ask.
    #[error("{0}")]
    NotRunning(String),
    /// Mail did not leave.
    #[error("{0}")]
    NotSent(String),
    /// A file is there already.
    #[error("{0}")]
    Exists(String),
    /// A file cannot be made.
    #[error("{what}")]
    CannotCreate {
        /// What was tried, with the next step.
        what: String,
        /// Why it failed.
        source: std::io::Error,
    },
    /// The key of the record.
    #[error(transparent)]
    Key(#[from] KeyError),
    /// A file that was named cannot be read.
    #[error("{what}")]
    NoInput {
        /// What was tried, with the next step.
        what: String,
        /// Why it failed.
        source: std::io::Error,
    },
    /// A file or the terminal.
    #[error("{what}")]
    Io {
        /// What was tried, with the next step.
        what: String,
        /// Why it failed.
        source: std::io::Error,
    },
}

impl CommandError {
    /// The exit code of sysexits that fits.
    pub fn exit_code(&self) -> u8 {
        match self {
            CommandError::Usage(_) => 64,
            CommandError::Backup(BackupError::Damaged { .. })
            | CommandError::Refused(_)
            | CommandError::Recording(RecordingError::Line { .. }) => 65,
            CommandError::Recording(_) | CommandError::NoInput { .. } => 66,
            CommandError::Key(KeyError::CannotMake { .. })
            | CommandError::Exists(_)
            | CommandError::CannotCreate { .. } => 73,
            CommandError::NotSent(_) | CommandError::NotRunning(_) | CommandError::Socket(_) => 69,
            CommandError::Folder(FolderError::InUse { .. }) => 75,
            // Starting again does not change a mode.
            CommandError::Folder(FolderError::Unfit { .. }) | CommandError::Ledger(LedgerError::Unfit { .. }) => 78,
            CommandError::Folder(_) => 73,
            CommandError::Backup(BackupError::UnderWay { .. }) => 75,
            CommandError::Backup(BackupError::Occupied { .. } | BackupError::HasStore { .. }) => 73,
            CommandError::Ledger(_) | CommandError::Backup(_) | CommandError::Io { .. } => 74,
            CommandError::Daemon(e) => match e {
                DaemonError::Ledger { source: LedgerError::Unfit { .. }, .. } => 78,
                DaemonError::Ledger { .. } => 74,
                DaemonError::Intake(_) => 69,
                DaemonError::IntakeEnded => 70,
                DaemonError::Secret(_) | DaemonError::Token(_) | DaemonError::Post(_) => 78,
                DaemonError::Socket(_) | DaemonError::Recording(_) => 73,
            },
            CommandError::Driven(_) | CommandError::Panicked(_) => 70,
            CommandError::Settings(_) | CommandError::Mail(_) | CommandError::Key(_) => 78,
        }
    }
}

/// A stop takes no longer than this, whatever hangs: what is not committed by then was not acknowledged, and comes again.
const STOPS_WITHIN: std::time::Duration = std::time::Duration::from_millis(4_500);
/// The memory of a daemon holds passwords and the site's key; a crash must not lay them down in a file. The unit that ships says so too, but containers
/// and shells do not.
fn leave_no_core() {
    use rustix::process::{Resource, Rlimit, setrlimit};
    if let Err(e) = setrlimit(Resource::Core, Rlimit { current: Some(0), maximum: Some(0) }) {
        tracing::warn!(
            "the system does not let core dumps be switched off: {e}; forbid them where the daemon is started"
        );
    }
}

/// Runs the daemon.
///
/// # Errors
/// When it cannot start.
pub fn run(config: &Path, args: &RunArgs) -> Result<(), CommandError> {
    leave_no_core();
    let Settings { site, text, path } = wiring::settings(config)?;
    for advice in site::settings::folded(&site::settings::advice(&site)) {
        tracing::warn!("{advice}");
    }
    let folder = Folder::lock(&site.data_folder)?;
    let (texts, refused) = rules_to_begin_with(config, &site, &folder);
    let of_folder = refused.iter().find(|change| change.rule == rule_watch::EVERY_RULE);
    let rules_from = of_folder.map(|change| change.why.clone());
    let (rulebook, broken) = Rulebook::compile(&texts, &site.rules, site.display);
    for fault in &broken {
        tracing::warn!("{fault}");
    }
    for change in &refused {
        tracing::warn!("{}: the change was not taken: {}", change.rule, change.why);
    }
    let recorder = match &args.record {
        Some(file) => Some(Recorder::create(file, &path, &text, &texts).map_err(|source| CommandError::Io {
            what: format!("the recording {} cannot be made; give a path that can be written", file.display()),
            source,
        })?),
        None => None,
    };
    tracing::info!(
        "{} ({}): {} bins, {} probes, {} rules",
        site.name,
        site.id,
        site.bins.len(),
        site.probes.len(),
        rulebook.rules().len()
    );
    let (want, wanted) = tokio::sync::mpsc::channel(1);
    let rules = ChangingRules { watch: RuleWatch::new(config, &site, texts), refused, wanted };
    let setup = Setup {
        site: Arc::new(site),
        rulebook,
        broken,
        folder,
        clock: Clock::live(),
        recorder,
        store_pages: None,
        rules: Some(rules),
        rules_from,
        settings_text: Some(text.clone()),
    };
    let runtime = runtime()?;
    runtime.block_on(async {
        let (stop, stopped) = tokio::sync::watch::channel(false);
        let (progress, _) = tokio::sync::watch::channel(Progress::default());
        tokio::spawn(async move {
            asked_to_stop().await;
            tracing::info!("asked to stop: finishing the commit in hand");
            let _ = stop.send(true);
            std::thread::spawn(end_by_force);
            // The channel must outlive the loop, which waits on it.
            stop.closed().await;
        });
        tokio::spawn(read_rules_on_hangup(want));
        daemon::run(setup, stopped, progress).await
    })?;
    // Tasks that wait for a relay must not hold up the stop: their mails are in the outbox.
    runtime.shutdown_timeout(std::time::Duration::from_millis(500));
    Ok(())
}

/// The rules as their files say, but for those that were changed since the last run into something that does not pass its cases: these
/// begin with the text that was in force then. A folder that gives no rule keeps nobody from being warned: then those that were in force go on,
/// or those that ship.
fn rules_to_begin_with(config: &Path, site: &Site, folder: &Folder) -> (Vec<RuleText>, Vec<RefusedChange>) {
    // There is no store yet, or an older one that the daemon brings up to date when it opens it, or a broken one.
    let ledger = Ledger::open(folder.path(), Access::Read);
    let before = ledger.and_then(|ledger| ledger.rules_in_force()).unwrap_or_default();
    let none = |why: String, go_on: &str| RefusedChange {
        rule: rule_watch::EVERY_RULE.into(),
        why: format!("{why}; {go_on}"),
    };
    let (texts, unread) = match wiring::readable_rules(&site.rules.folder) {
        Ok((texts, unread)) if !texts.is_empty() || !before.is_empty() => (texts, unread),
        Ok((_, mut unread)) => {
            unread.insert(0, none(format!("no rule in {} can be read", site.rules.folder.display()), SHIPPED_GO_ON));
            return (crate::rules::shipped_texts(), unread);
        }
        Err(error) if before.is_empty() => {
            return (crate::rules::shipped_texts(), vec![none(daemon::chain(&error), SHIPPED_GO_ON)]);
        }
        Err(error) => {
            return (before, vec![none(daemon::chain(&error), "the rules that were in force last go on")]);
        }
    };
    if before.is_empty() {
        return (texts, unread);
    }
    let tried = rule_watch::try_files(config, site, &before).set;
    // What never was in force has no earlier text to go on with: it is told of as a rule that does not work.
    let has_old = |name: &str| before.iter().any(|t| t.name == name);
    let never =
        texts.into_iter().filter(|t| !has_old(&t.name) && !tried.texts.iter().any(|known| known.name == t.name));
    let mut texts: Vec<RuleText> = tried.texts.iter().cloned().chain(never).collect();
    texts.sort_by(|a, b| a.name.cmp(&b.name));
    // A file that cannot be read is named whether or not there is an earlier text.
    let told = |rule: &str| has_old(rule) || unread.iter().any(|change| change.rule == rule);
    (texts, tried.refused.into_iter().filter(|change| told(&change.rule)).collect())
}

/// What is said where the rules that ship stand in for those of the site.
const SHIPPED_GO_ON: &str = "the rules that ship with hypocaust are in force until the folder can be read";

/// SIGHUP asks for the rules to be read.
async fn read_rules_on_hangup(want: tokio::sync::mpsc::Sender<()>) {
    use tokio::signal::unix::{SignalKind, signal};
    let Ok(mut hangup) = signal(SignalKind::hangup()) else { return };
    while hangup.recv().await.is_some() {
        tracing::info!("asked to read the rules");
        let _ = want.try_send(());
    }
}

/// Has the running daemon read its rules, and says what it made of them.
///
/// # Errors
/// When none runs, or a changed rule was not taken.
pub fn reload(site: &Site) -> Result<(), CommandError> {
    match socket::ask(&site.data_folder, &Request::ReadRules)? {
        Some(Answer::Done(said)) => println!("{said}"),
        Some(Answer::No(why)) => return Err(CommandError::Refused(why)),
        None => {
            return Err(CommandError::NotRunning(format!(
                "no daemon runs on {}; it reads its rules when it starts, and `hypocaust rules test` tries them now",
                site.data_folder.display()
            )));
        }
    }
    Ok(())
}

/// Room that a thread has for calls within calls: a template or a rule of the site may nest values deep before its limits end it.
const STACK: usize = 32 << 20;

/// A runtime for the daemon.
///
/// # Errors
/// When the machine gives no threads.
pub fn runtime() -> Result<tokio::runtime::Runtime, CommandError> {
    tokio::runtime::Builder::new_multi_thread().worker_threads(2).thread_stack_size(STACK).enable_all().build().map_err(
        |source| CommandError::Io {
            what: "the daemon cannot start its threads; look at the limits of its user".into(),
            source,
        },
    )
}

/// Ends a stop that hangs. A thread of its own, because timers and tasks may be what hangs.
fn end_by_force() {
    std::thread::sleep(STOPS_WITHIN);
    tracing::warn!(
        "the stop did not end in {:.1} s and is cut short: nothing that was acknowledged is lost, and the next start takes it for a crash",
        STOPS_WITHIN.as_secs_f64()
    );
    std::process::exit(70);
}

async fn asked_to_stop() {
    use tokio::signal::unix::{SignalKind, signal};
    match signal(SignalKind::terminate()) {
        Ok(mut term) => {
            tokio::select! {
                _ = term.recv() => {}
                _ = tokio::signal::ctrl_c() => {}
            }
        }
        Err(_) => {
            let _ = tokio::signal::ctrl_c().await;
        }
    }
}

/// Checks settings and rules, and says what will happen in the week to come.
///
/// # Errors
/// Every fault at once.
pub fn check(config: &Path) -> Result<(), CommandError> {
    let Settings { site, path, .. } = wiring::settings(config)?;
    let texts = wiring::rules(&site.rules.folder)?;
    let (rulebook, broken) = Rulebook::compile(&texts, &site.rules, site.display);
    if !broken.is_empty() {
        return Err(SettingsError::Faults(broken.iter().map(ToString::to_string).collect()).into());
    }
    let tried = texts.iter().filter_map(|text| engine::cases::trial(text, &site.rules).err()).flatten();
    let tried: Vec<String> = tried.map(|fault| fault.to_string()).collect();
    if !tried.is_empty() {
        return Err(SettingsError::Faults(tried).into());
    }
    wiring::postman(&site)?;
    crate::by_mqtt::Tokens::read(&site).map_err(|e| CommandError::Refused(e.to_string()))?;
    let criteria = crate::criteria::of_site(&site)?;
    let heartbeat_address = site
        .heartbeat
        .as_ref()
        .map(|h| wiring::heartbeat_address(&h.address))
        .transpose()
        .map_err(WiringError::from)?;
    let template = site.reports.template.as_deref();
    let tried = template.map(|template| crate::report::tried(&site, template)).transpose()?;
    println!(
        "{path}: {} bins, {} probes, {} blowers: no faults",
        site.bins.len(),
        site.probes.len(),
        site.blowers.len()
    );
    println!("{}: {} rules, no faults", site.rules.folder.display(), rulebook.rules().len());
    if let (Some(template), Some(tried)) = (template, tried) {
        println!("{}: sets all that documents are made of, no faults", template.display());
        for warning in &tried.warnings {
            println!("  {warning}");
        }
    }
    let advice = site::settings::advice(&site).into_iter().map(|advice| advice.to_string());
    let advice: Vec<String> = advice.chain(crate::criteria::never_met(&site, &criteria)).collect();
    if !advice.is_empty() {
        println!("\nWorth a look:");
        for advice in advice {
            println!("  {advice}");
        }
    }
    let now = Clock::live().now();
    println!("\nThe week to come, by the clocks of {}:", site.zone.name());
    for (at, what) in week_to_come(&site, now) {
        println!("  {}  {what}", site.zone.show(at));
    }
    if let Some(heartbeat) = &site.heartbeat {
        let url = heartbeat_address.unwrap_or_default();
        // Whoever knows the whole address can call it in our place.
        println!("  every {}  heartbeat to {}", heartbeat.every, site::settings::host_of(&url).unwrap_or_default());
    }
    println!("  every {}  status on {}", engine::limits::STATUS_EVERY, engine::status_topic(&site));
    Ok(())
}

/// What goes out by the site's clock in the seven days from `now`, in its order.
fn week_to_come(site: &Site, now: Timestamp) -> Vec<(Timestamp, String)> {
    let names = |wants: fn(&&Person) -> bool| {
        let names: Vec<_> = site.people.iter().filter(wants).map(|p| p.name.as_str()).collect();
        if names.is_empty() { "nobody".into() } else { names.join(", ") }
    };
    let until = now + Span::days(7);
    let mut out = Vec::new();
    let mut at = site.zone.next_weekly(now, site.summary);
    while at <= until {
        out.push((at, format!("weekly summary to {}", names(|p| p.summary))));
        at = site.zone.next_weekly(at, site.summary);
    }
    at = site.zone.next_daily(now, site.round_list.at);
    while at <= until {
        let day = site.zone.at(at).strftime("%A").to_string();
        out.push((at, format!("round list to {}, {day}", names(|p| p.round_list))));
        let reminders = site.round_list.reminders_on(site.zone.weekday(at));
        out.extend(reminders.map(|text| (at, format!("  reminder: {text}"))));
        at = site.zone.next_daily(at, site.round_list.at);
    }
    out.sort_by_key(|(at, _)| *at);
    out
}

/// What a person says about an alarm.
///
/// # Errors
/// When it is refused, and why.
pub fn alarm(site: &Site, command: AlarmsCommand) -> Result<(), CommandError> {
    let (speaker, word) = match command {
        AlarmsCommand::Acknowledge { speaker, comment } => (speaker, AlarmWord::Acknowledge { comment }),
        AlarmsCommand::Confirm { speaker, comment } => (speaker, AlarmWord::Confirm { comment }),
        AlarmsCommand::Reset { speaker } => (speaker, AlarmWord::Reset),
        AlarmsCommand::Shelve { speaker, length, until, reason } => {
            let until = match length {
                Some(length) => {
                    let seconds = site::measure::read(&length, site::measure::Kind::Duration, None)
                        .map_err(|e| CommandError::Usage(format!("--for: {e}")))?;
                    // A span beyond all time is held at its end, and would be told as a date that nobody typed.
                    if !(seconds > 0.0 && seconds <= SHELF_MAX.as_seconds()) {
                        return Err(CommandError::Usage(format!(
                            "--for: `{length}` is not more than 0 and at most {SHELF_MAX}; give a time in that range, or use `hypocaust alarms out-of-service`"
                        )));
                    }
                    Clock::live().now() + Span::from_seconds_f64(seconds)
                }
                None => when_due(site, until.as_deref().unwrap_or_default())?,
            };
            (speaker, AlarmWord::Shelve { until: until.as_millis(), reason })
        }
        AlarmsCommand::Unshelve { speaker } => (speaker, AlarmWord::Unshelve),
        AlarmsCommand::OutOfService { speaker, back, reason } => {
            let back = back.map(|text| when_due(site, &text)).transpose()?.map(Timestamp::as_millis);
            (speaker, AlarmWord::OutOfService { back, reason })
        }
        AlarmsCommand::InService { speaker } => (speaker, AlarmWord::InService),
    };
    write(site, &Request::Alarm { alarm: speaker.id, by: speaker.by, word })
}

/// Sends a test mail now, past the outbox.
///
/// # Errors
/// When it does not leave, with the relay's words.
pub fn mail_test(config: &Path, to: Option<String>) -> Result<(), CommandError> {
    let site = wiring::settings(config)?.site;
    let postman = wiring::postman(&site)?;
    let people: Vec<String> = match to {
        Some(to) => vec![to],
        None => site.people.iter().map(|p| p.mail.clone()).collect(),
    };
    if people.is_empty() {
        return Err(CommandError::Usage(
            "there is nobody to send to: add `people` to the settings, or give --to ADDRESS".into(),
        ));
    }
    let now = Clock::live().now();
    let runtime = runtime()?;
    let mut failed = Vec::new();
    for (serial, to) in (0u64..).zip(people) {
        let notice = Notice::Trial {
            by: "hypocaust mail test".into(),
            at: now,
            serial: now.as_millis().unsigned_abs() + serial,
            life: 0,
        };
        let state = MailState::Waiting { next_try: now, tries: 0, last_reply: String::new() };
        let mail = Mail { id: MailId(0), to: to.clone(), notice, created_at: now, state };
        let bytes = post::render(&mail, &site, now).map_err(|e| CommandError::NotSent(daemon::chain(&e)))?;
        match runtime.block_on(postman.deliver(&site.mail.from, &to, &bytes)) {
            MailOutcome::Accepted { reply } => println!("{to}: accepted: {reply}"),
            MailOutcome::Deferred { reply } => failed.push(format!("{to}: not accepted now: {reply}")),
            MailOutcome::Refused { reply } | MailOutcome::Unfit { reply } => {
                failed.push(format!("{to}: refused: {reply}"));
            }
        }
    }
    if failed.is_empty() {
        return Ok(());
    }
    failed.push(
        "alarms would wait in the outbox and be tried again; correct `mail` in the settings and try once more".into(),
    );
    Err(CommandError::NotSent(failed.join("\n")))
}

/// Reruns a recording.
///
/// # Errors
/// When it cannot be used; a difference gives exit code 1.
pub fn rerun(path: &Path) -> Result<ExitCode, CommandError> {
    let result = recording::rerun(path)?;
    match result.difference {
        None => {
            println!(
                "{} inputs, {} effects: a fresh engine does the same, byte for byte",
                result.inputs, result.effects
            );
            Ok(ExitCode::SUCCESS)
        }
        Some((line, then, now)) => {
            println!("{}:{line}: a fresh engine does something else\n  then: {then}\n  now:  {now}", path.display());
            Ok(ExitCode::from(1))
        }
    }
}

/// The instant a person means of what has happened; now when they say nothing.
///
/// # Errors
/// What was expected.
pub fn when(site: &Site, text: Option<&str>) -> Result<Timestamp, CommandError> {
    let now = Clock::live().now();
    text.map_or(Ok(now), |text| spoken::parse(text, &site.zone, now, Toward::Past).map_err(CommandError::Usage))
}

/// The instant a person means of what is still to come.
///
/// # Errors
/// What was expected.
pub fn when_due(site: &Site, text: &str) -> Result<Timestamp, CommandError> {
    spoken::parse(text, &site.zone, Clock::live().now(), Toward::Future).map_err(CommandError::Usage)
}

/// Writes through the running daemon, or is the daemon for one step.
pub(crate) fn write(site: &Site, request: &Request) -> Result<(), CommandError> {
    // A longer text does not pass the socket whole, and what is left of it would be told in the words of a parser.
    request.check_texts().map_err(CommandError::Usage)?;
    let said = match socket::ask(&site.data_folder, request)? {
        Some(Answer::Done(said)) => said,
        Some(Answer::No(why)) => return Err(CommandError::Refused(why)),
        None => one_step(site, request.clone())?,
    };
    println!("{said}");
    Ok(())
}

fn one_step(site: &Site, request: Request) -> Result<String, CommandError> {
    let input = request.into_input().map_err(CommandError::Refused)?;
    let folder = Folder::lock(&site.data_folder)?;
    let mut ledger = Ledger::open(folder.path(), Access::Write)?;
    let texts = wiring::rules(&site.rules.folder)?;
    let (rulebook, broken) = Rulebook::compile(&texts, &site.rules, site.display);
    let now = Clock::live().now();
    let restored = ledger.restore(now, Engine::reach(&rulebook))?;
    let mut engine = Engine::new(Arc::new(site.clone()), rulebook, broken, restored, now);
    let effects = engine.step(now, input);
    ledger.commit(now, &effects)?;
    if let Some(aside) = ledger.take_set_aside().into_iter().next() {
        return Err(CommandError::Refused(daemon::not_stored(&aside)));
    }
    let reply = effects.into_iter().find_map(|e| match e {
        Effect::Reply(reply) => Some(reply),
        _ => None,
    });
    match reply {
        Some(Ok(said)) => Ok(format!("{said} (no daemon is running on {})", folder.path().display())),
        Some(Err(why)) => Err(CommandError::Refused(why)),
        None => Ok("done".into()),
    }
}
