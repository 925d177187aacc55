//! Entry point: reads the command line, starts the log, runs the command, prints errors.
//!
//! Must never hold anything but that; this is the only place that prints an error.

use std::process::ExitCode;

use clap::Parser;
use clap::error::ErrorKind;
use hypocaust::cli::{Cli, Command, LogFormat, MailCommand};
use hypocaust::commands::{self, CommandError};
use hypocaust::{
    calc, copying, criteria, demo, glance, init, judging, listing, manual, mixing, record, replay, report, rules,
    site_log, store, verify, why, wiring,
};
use tracing_subscriber::EnvFilter;

/// EX_USAGE of sysexits.
const USAGE: u8 = 64;
/// EX_IOERR of sysexits.
const IO_ERROR: u8 = 74;

fn main() -> ExitCode {
    tell_of_panics();
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(error) => {
            if matches!(error.kind(), ErrorKind::DisplayHelp | ErrorKind::DisplayVersion) {
                let _ = error.print();
                return ExitCode::SUCCESS;
            }
            // It repeats what was typed, which a script may have taken from anywhere.
            eprint!("{}", site::plain::shown(&error.render().to_string()));
            return ExitCode::from(USAGE);
        }
    };
    start_log(cli.log, &cli.command);
    match carry_out(cli) {
        Ok(code) => code,
        Err(error) => {
            let shown = |text: String| eprintln!("{}", site::plain::shown(&text));
            shown(format!("hypocaust: {error}"));
            let mut cause = std::error::Error::source(&error);
            while let Some(source) = cause {
                shown(format!("  because: {source}"));
                cause = source.source();
            }
            ExitCode::from(error.exit_code())
        }
    }
}

/// A panic that nobody catches is told once, in one line and without the program's stack; the caught ones are told by their part.
///
/// `hypocaust check | head` closes the pipe early: no reason to say anything.
fn tell_of_panics() {
    fence::name_places(|panic| {
        if panic.words.starts_with("failed printing to stdout") && panic.words.contains("Broken pipe") {
            std::process::exit(IO_ERROR.into());
        }
        tracing::error!("{panic}; please report this line");
    });
}

fn carry_out(cli: Cli) -> Result<ExitCode, CommandError> {
    let config = wiring::config_path(cli.config);
    match cli.command {
        Command::Run(args) => commands::run(&config, &args)?,
        Command::Init(args) => init::init(*args)?,
        Command::Check => commands::check(&config)?,
        Command::Demo(args) => demo::demo(&args)?,
        Command::Batch(command) => site_log::batch(&config, command)?,
        Command::Log(command) => site_log::log(&config, command)?,
        Command::Readings(args) => listing::readings(&wiring::settings(&config)?.site, &args)?,
        Command::Alarms(args) => {
            let site = wiring::settings(&config)?.site;
            match args.command {
                None => listing::alarms(&site, args.all, args.json)?,
                Some(command) => commands::alarm(&site, command)?,
            }
        }
        Command::Why(args) => why::why(&wiring::settings(&config)?.site, &args)?,
        Command::Outbox(args) => listing::outbox(&wiring::settings(&config)?.site, args.json)?,
        Command::Refused(args) => listing::refused(&wiring::settings(&config)?.site, args.json)?,
        Command::Mix(args) => mixing::print(&args)?,
        Command::Calc(command) => calc::print(&command)?,
        Command::Rules(command) => return rules::rules(&config, command),
        Command::Mail(MailCommand::Test { to }) => commands::mail_test(&config, to)?,
        Command::Criteria(command) => criteria::criteria(&config, command)?,
        Command::Judge(args) => judging::judgements(&config, &args)?,
        Command::Report(command) => return report::report(&wiring::settings(&config)?.site, &command),
        Command::Replay(args) => replay::replay(&config, &args)?,
        Command::Reload => commands::reload(&wiring::settings(&config)?.site)?,
        Command::Status { json, health } => return glance::status(&wiring::settings(&config)?.site, json, health),
        Command::Record(command) => return record::record(&wiring::settings(&config)?.site, &command),
        Command::Copy(command) => return copying::commands::copy(&wiring::settings(&config)?.site, &command),
        Command::Restore(args) => copying::commands::restore(&wiring::settings(&config)?.site, &args)?,
        Command::Store(command) => return store::store(&config, &command),
        Command::Verify(args) => return verify::verify(&args),
        Command::ConfigSchema => manual::config_schema(),
        Command::Completions { shell } => manual::completions(shell),
        Command::Man { out } => manual::man(&out)?,
        Command::Rerun { recording } => return commands::rerun(&recording),
    }
    Ok(ExitCode::SUCCESS)
}

/// The log goes to standard error, so that what a command prints can be piped.
fn start_log(format: LogFormat, command: &Command) {
    // A demo's progress bar and a listing are for reading; only trouble may stand between their lines.
    let default = if matches!(command, Command::Run(_)) { "info" } else { "error" };
    // The broker's and client's own lines about each connection say nothing that ours do not.
    let quiet = format!("{default},mqtt5=error,rumqttc=error");
    let filter = EnvFilter::try_from_env("HYPOCAUST_LOG").unwrap_or_else(|_| EnvFilter::new(quiet));
    let builder = tracing_subscriber::fmt().with_env_filter(filter).with_writer(hypocaust::out::Log).with_target(false);
    match format {
        LogFormat::Text => builder.with_ansi(false).init(),
        LogFormat::Json => builder.json().init(),
    }
}
