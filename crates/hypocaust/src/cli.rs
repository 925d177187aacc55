//! The command line as people type it.
//!
//! Must never do anything: it says what was asked for.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};

pub mod calc;
mod copy;
mod init;
mod log;
mod report;
mod store;

pub use copy::{CopyCommand, CopySpan, RestoreArgs};
pub use init::InitArgs;
pub use log::{BatchCommand, FilledArgs, LogCommand, Said, Typed, Written, WrittenAnywhere};
pub use report::{ReportBatchArgs, ReportCommand, ReportReviewedArgs, ReportWeekArgs};
pub use store::{StoreCommand, Waiting};

/// Watches aerated static piles of compost and mails what to do.
///
/// Probes publish over MQTT; hypocaust stores every reading, runs the rules of the site over them, mails alarms that say what to do,
/// and mails a summary every week. It advises; it never switches a machine.
#[derive(Debug, Parser)]
#[command(name = "hypocaust", version, propagate_version = true, max_term_width = 100, after_help = FIRST_STEPS)]
pub struct Cli {
    /// Settings of the site [default: config/site.yaml, or /etc/hypocaust/site.yaml where the first is missing].
    #[arg(long, short, global = true, value_name = "FILE", env = "HYPOCAUST_CONFIG")]
    pub config: Option<PathBuf>,

    /// Form of the log on standard error.
    #[arg(long, global = true, value_enum, default_value_t = LogFormat::Text, value_name = "FORM")]
    pub log: LogFormat,

    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

const FIRST_STEPS: &str = "\
First steps:
  hypocaust demo                       six weeks of an invented site in about two minutes
  hypocaust init                       settings for your own site, from a few answers
  hypocaust check                      check your settings and rules, start nothing
  hypocaust run                        the daemon
  hypocaust batch on-air --bin north-1 log that a bin was filled and aerated

Exit codes are those of sysexits: 0 done, 1 looked and found a difference, 64 usage, 65 data, 69 unavailable,
73 cannot create, 75 busy, try later, 78 settings.";

const MIX_HELP: &str = concat!(
    "\
JSON keys (SI, null where not known): name, ingredients (name, wet_mass_kilograms,
volume_cubic_metres, buckets, amount_found, source), wet_mass_kilograms, dry_mass_kilograms,
water_kilograms, moisture_percent, carbon_kilograms, nitrogen_kilograms, carbon_to_nitrogen,
volume_cubic_metres, shrink_percent, bulk_density_kilograms_per_cubic_metre,
free_air_space_percent, free_air_space_convention, goals_met (null if nothing was open),
moisture_goal_percent (55 unless the recipe says), water_to_add_kilograms (negative: too wet),
targets (figure, grade, low, high, side, source), warnings.

Example: hypocaust mix demo-data/recipe.yaml

",
    include_str!("../../../demo-data/recipe.yaml"),
    "
prints

",
    include_str!("../../../tests/golden/mix/recipe.txt")
);

const WHY_HELP: &str = "\
Everything shown was written down at the time; nothing is judged again, so a rule that was changed since does not matter.
JSON keys: id, occurrence, rule, about, bin, title, priority, events (at, event, before, after, words, evidence_at, rule_revision,
since, evidence, figures (name, value), line, compared (line, words), settings (name, value)), mails (id, to, created_at, state).

Example: hypocaust why 12";

const REPLAY_HELP: &str = "\
CSV of readings (what `hypocaust readings --csv` writes; a blower's id may be given under `probe`):
  measured_at,probe,quantity,value,unit
  2026-03-10T06:00:00Z,north-1-core,temperature,61.5,Cel
CSV of entries (amount, unit, by and note may be empty; kinds as in `hypocaust log` and `hypocaust batch`):
  at,bin,kind,amount,unit,by,note
  2026-03-09 07:00,north-1,on-air,18,°C,Ann,
  2026-03-12 16:30,north-1,watered,120,L,Ann,dry at the base
A kind that has more to say takes JSON under amount, in quotes, as `hypocaust log list --json` shows it under `says`:
  2026-03-08 15:00,north-1,loaded,\"{\"\"loaded\"\":{\"\"source\"\":\"\"Canteen\"\",\"\"material\"\":\"\"food waste\"\",\"\"amount\"\":{\"\"kilograms\"\":800},\"\"taken\"\":\"\"in\"\"}}\",,Ann,
Times are RFC 3339, or by the site's clock, each with its date.

JSON lines, stable: at (RFC 3339, UTC), bin (null for the whole site), rule, event (raised, cleared, retired), priority, occurrence
(1 for the first of this rule and bin in this replay), finding. With --compare: change (new, gone, same, moved), rule, bin, priority,
raised_at, ended_at, raised_at_in_force, ended_at_in_force, raised_later_seconds, ended_later_seconds (negative: earlier; null where one
of the two is missing), finding.

Examples:
  hypocaust replay --from 2026-03-01 --bins north-1,north-2
  hypocaust replay --set temperature-crash.fall=8 --compare
  hypocaust replay --rules rules-next --compare";

const JUDGE_HELP: &str = "\
Results: met (and when), running (what is left, and the earliest time), not met (the reading that broke it), cannot tell (the gap, or
what is not on record). Of a criterion that names others of which any one suffices, the result of each is printed too.

JSON, stable: an array of objects with bin, batch (null without one), criterion, result (met, running, not met, cannot tell), met_at and
earliest_at (RFC 3339, UTC, to the next whole second; null where there is none), hours_counted, hours_needed, coverage_fraction (0 to 1;
null before any time has passed), because; and marginal, lab (not asked, outstanding, in hand, beyond its limit), lab_because, zones
(wanted, probes), excluded (probe, from, to, readings, reason), had_they_counted (result, met_at; null where nothing was excluded),
correction (probe, at, stored_celsius, offset_kelvin, corrected_celsius, checked_at, without; null unless a correction decides), two_values
(probe, instants, first, last, coldest_celsius, hottest_celsius), errors (entries that were left out; the exit code is then 65),
parts (objects of the same kind), permit, retention_years, remark.

The CSV files are those of `hypocaust replay`. Readings without an `on-air` entry are judged from the first to the last, as a record
that is closed. --facts is YAML, every key optional; what is missing is not on record. `system`, `suction` and
`uncertainty_kelvin` are keys of a bin in the settings too, so that reports know them:
  system: aerated-static-pile              # in-vessel, windrow
  suction: true                            # air is drawn down through the pile
  cover_metres: 0.2                        # or cover_inches
  carbon_to_nitrogen: 28
  particle_millimetres: 40
  raw_added_at: [\"2026-03-10 07:00\"]     # everything begins again
  curing_from: \"2026-04-20\"
  uncertainty_kelvin: 0.5                  # how far a probe may be off
  lab: [{ parameter: Salmonella, sampled_at: \"2026-04-20 09:00\", not_detected: true, unit: \"MPN/4 g total solids\", laboratory: County Lab }]
  checks: [{ probe: north-1-core, at: \"2026-03-01 09:00\", passed: true, correction_kelvin: -0.2 }]

Examples:
  hypocaust judge --criterion us503-pfrp-asp
  hypocaust judge --bin north-1 --criterion eu1009-cmc3 --json
  hypocaust judge --readings readings.csv --entries entries.csv --criterion nop-invessel-asp --facts batch.yaml

What is printed was measured; it is not a finding of compliance. The edition that your permit cites decides.";

const VERIFY_HELP: &str = "\
Exit codes: 0 all of it holds, 1 something does not and its place is named, 65 no whole bundle, 66 no such file.
The same check without this program: python3 FOLDER/verify.py FOLDER. VERIFY.txt in the bundle says what is computed.

It shows what was measured and recorded, and that neither was changed since; not that a reading was true when it arrived.

Example: hypocaust verify march --vkey hypocaust/demo+1a2b3c4d+AQOh… --previous february.txt";

/// How the log is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum LogFormat {
    /// Lines for people.
    Text,
    /// One JSON object a line, for collectors.
    Json,
}

/// What to do.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Run the daemon until it is asked to stop (SIGTERM or Ctrl-C).
    Run(RunArgs),
    /// Write settings for a new site, from a few answers, with rules and secrets in their places.
    ///
    /// What is not given is asked on the terminal; passwords are asked without showing them. Nothing is overwritten.
    #[command(after_long_help = init::INIT_HELP)]
    Init(Box<InitArgs>),
    /// Check settings and rules: print every fault with its place and remedy, and next week's schedule; start nothing.
    Check,
    /// Show six weeks of an invented site of six bins in about two minutes, through the same code as `run`.
    Demo(DemoArgs),
    /// Log what happens to batches (load, on-air, off-air, move, split, merge, ship), list and show them.
    #[command(subcommand)]
    Batch(BatchCommand),
    /// Log what was done to a bin, correct entries, list them.
    #[command(subcommand)]
    Log(LogCommand),
    /// Print stored readings of the site, or of a bin.
    Readings(ReadingsArgs),
    /// List alarms, or acknowledge, confirm, reset, shelve, unshelve one, or take it out of service and back.
    Alarms(AlarmsArgs),
    /// Show why an alarm was raised: what was found, the line of the rule that said so, what it compared, and how it went on.
    #[command(after_long_help = WHY_HELP)]
    Why(WhyArgs),
    /// List mails and the outcome of each.
    Outbox(ListArgs),
    /// List rejected messages, newest first, with the reason.
    Refused(ListArgs),
    /// Print what to load for a mix of feedstocks, its figures, and the ranges they should lie in.
    ///
    /// The recipe names feedstocks of the library that is built in (config/feedstocks.yaml in the source tree) or describes its own:
    /// `moisture_percent`, `nitrogen_percent_dry`, and `carbon_to_nitrogen` or `carbon_percent_dry`. Amounts are `kilograms`, `pounds`,
    /// `litres`, `gallons`, `cubic_metres`, `cubic_yards` or `buckets`; up to three may be left open within `min` and `max`.
    #[command(after_long_help = MIX_HELP)]
    Mix(MixArgs),
    /// Calculate what one would otherwise do on paper: air, exhaust, condensate, duty, readings, lethality, water.
    ///
    /// A number is in the unit that its flag is named by, or carries its own: 140F, 4.5cfm, 60gal, 10ft, 5lb, 2yd3, 7.6m3/h, 230L,
    /// 1h, 30min, 55%. Each command shows an example with what it prints.
    #[command(subcommand)]
    Calc(Box<calc::CalcCommand>),
    /// List rules, show one, write a new one, test them, print their words.
    #[command(subcommand)]
    Rules(RulesCommand),
    /// Send a test mail.
    #[command(subcommand)]
    Mail(MailCommand),
    /// List criteria of pathogen reduction and the like, or show one.
    #[command(subcommand)]
    Criteria(CriteriaCommand),
    /// Judge the history of batches by criteria, and print for each what was measured, and why.
    ///
    /// The newest batch of each bin, unless others are asked for, by the criteria of the settings, unless others are asked for. The
    /// history is the site's own, also while the daemon runs, or that of CSV files. Nothing is written.
    #[command(after_long_help = JUDGE_HELP)]
    Judge(JudgeArgs),
    /// Write the weekly summary of the site or the process record of a batch, release a reviewed summary, or try a template.
    #[command(subcommand)]
    Report(ReportCommand),
    /// Run rules over recorded or imported history and print every alarm that they would have raised and cleared.
    ///
    /// The same engine as the daemon's judges the site's own history, also while the daemon runs, or that of CSV files. No mail is sent and
    /// nothing is written. Each reading counts from its arrival, each entry from when it was written down, as on the day; what people
    /// did to alarms is left out.
    #[command(after_long_help = REPLAY_HELP)]
    Replay(ReplayArgs),
    /// Reload the rules in the running daemon and report the result; exit 65 if a changed rule was not taken.
    ///
    /// The daemon reloads them by itself a few seconds after a file changed, and on SIGHUP. A changed rule is compiled and its cases are run first: if
    /// either fails, the earlier text stays in force and one mail says so. Numbers under `rules` in the settings are read too; other
    /// changes there wait until the daemon starts again.
    Reload,
    /// Show the site on one screen: bins, stage and day, temperatures with their age, hold, active alarms with what to do first, and the daemon.
    ///
    /// With --health, how the running daemon is doing, one line a part (broker, intake, rules, clock, disk, outbox, record): ok, late or failed, since
    /// when, and what to do. `metrics` in the settings gives the same to programs: /health. Exit 1 if a part has failed.
    Status {
        /// Parts of the daemon only, one line each.
        #[arg(long)]
        health: bool,
        /// One JSON object: state, at, parts (part, state, since, finding, do); times are UTC.
        #[arg(long)]
        json: bool,
    },
    /// Print the key and a checkpoint of the record that others can check, check the record, export bundles of readings with proofs.
    ///
    /// Every start and stop, gap, alarm, word of a person, mail and change of rules is a row, written together with the event itself; each row
    /// names the hash of the one before. The readings of each hour are in it by one hash over all of them.
    #[command(subcommand)]
    Record(RecordCommand),
    /// Show how far the InfluxDB copy is, verify it, copy days again.
    #[command(subcommand)]
    Copy(CopyCommand),
    /// Restore the readings of an empty store from the InfluxDB copy.
    ///
    /// Only readings come from there. The record begins again with them; a backup (`hypocaust store`) has all of it.
    Restore(RestoreArgs),
    /// Check the store, back it up while the daemon runs, restore a backup.
    #[command(subcommand, after_help = store::STORE_HELP)]
    Store(StoreCommand),
    /// Check a bundle that `record export` or `report week --bundle` wrote, here or elsewhere; needs no settings. Prints one line for each step.
    #[command(after_long_help = VERIFY_HELP)]
    Verify(VerifyArgs),
    /// Print the JSON Schema of the settings, for editors that complete and check YAML as one types.
    ///
    /// `hypocaust check` says more than a form can.
    ConfigSchema,
    /// Print completions for a shell: `hypocaust completions bash > /etc/bash_completion.d/hypocaust`.
    Completions {
        /// Shell.
        shell: clap_complete::Shell,
    },
    /// Write the manual pages: sections 1, 5 (the settings) and 8 (the daemon).
    Man {
        /// Folder for the pages.
        #[arg(long, value_name = "FOLDER")]
        out: PathBuf,
    },
    /// Run a recording through a fresh engine and report whether it does the same, byte for byte.
    Rerun {
        /// File that `hypocaust run --record FILE` wrote.
        recording: PathBuf,
    },
}

/// Commands about the record.
#[derive(Debug, Subcommand)]
pub enum RecordCommand {
    /// Print the key that checks the site's signatures; post it where others find it. It is made at the first use.
    ///
    /// The private half is `record.key` in the data folder, for the daemon's user alone. Keep a copy of it with your backups.
    Key,
    /// Print a signed checkpoint: how many rows the record has, and the hash over them. A person who keeps it can later prove that nothing
    /// before it was rewritten.
    Checkpoint,
    /// Check the record: compute every row, every link and the hash of every hour again; exit 1 where one does not hold.
    Check,
    /// Write a bundle for others: readings, rows, proofs, a signed list of its files, and a verifier in Python.
    ///
    /// Whole hours of UTC are written. An hour counts from ten minutes after its end, when its hash is on record; those that are not, and
    /// hours with late readings that are not on record yet, are left out and named. Rows name those whom mails went to.
    Export(ExportArgs),
}

/// Arguments of `record export`.
#[derive(Debug, Args)]
pub struct ExportArgs {
    /// Begin: `2026-03-10 07:00` by the site's clock, a day, or RFC 3339 [default: a week before the end].
    #[arg(long, value_name = "TIME")]
    pub from: Option<String>,
    /// End [default: now].
    #[arg(long, value_name = "TIME")]
    pub to: Option<String>,
    /// Folder to make.
    #[arg(long, value_name = "FOLDER")]
    pub out: PathBuf,
    /// File with an earlier checkpoint: the bundle then proves that the record goes on from it.
    #[arg(long, value_name = "FILE")]
    pub previous: Option<PathBuf>,
}

/// Arguments of `verify`.
#[derive(Debug, Args)]
pub struct VerifyArgs {
    /// Bundle: a folder, or a zip file of `report week --bundle`.
    pub bundle: PathBuf,
    /// Key of the site, as it was published [default: the key in the bundle, which proves less].
    #[arg(long, value_name = "KEY")]
    pub vkey: Option<String>,
    /// File with an earlier checkpoint that you kept.
    #[arg(long, value_name = "FILE")]
    pub previous: Option<PathBuf>,
}

/// Arguments of `run`.
#[derive(Debug, Args)]
pub struct RunArgs {
    /// File for every input and effect, for `hypocaust rerun`; needs an empty data folder.
    #[arg(long, value_name = "FILE")]
    pub record: Option<PathBuf>,
}

/// Arguments of `demo`.
#[derive(Debug, Args)]
pub struct DemoArgs {
    /// Folder for mails and the store; an earlier demo there is replaced.
    #[arg(long, value_name = "FOLDER", default_value = "demo-out")]
    pub out: PathBuf,
    /// Number of simulated days.
    #[arg(long, value_name = "DAYS", default_value_t = 42, value_parser = clap::value_parser!(u32).range(1..=120))]
    pub days: u32,
    /// Units of mails, listings and documents.
    #[arg(long, value_enum, default_value_t = DisplayUnits::Metric, value_name = "UNITS")]
    pub units: DisplayUnits,
    /// Seed of the simulated weather, probes and faults; the same seed gives the same season.
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub seed: u64,
}

/// Arguments of `readings`.
#[derive(Debug, Args)]
pub struct ReadingsArgs {
    /// Bin, with its probes and its blower [default: the whole site].
    #[arg(long, value_name = "BIN")]
    pub bin: Option<String>,
    /// Begin [default: 24 hours before the end].
    #[arg(long, value_name = "TIME")]
    pub from: Option<String>,
    /// End [default: now].
    #[arg(long, value_name = "TIME")]
    pub to: Option<String>,
    /// One JSON object a line, canonical units, UTC.
    #[arg(long, conflicts_with = "csv")]
    pub json: bool,
    /// CSV with the columns measured_at,probe,quantity,value,unit (canonical units, UTC; good readings only).
    #[arg(long)]
    pub csv: bool,
}

/// Arguments of plain lists.
#[derive(Debug, Args)]
pub struct ListArgs {
    /// One JSON object a line.
    #[arg(long)]
    pub json: bool,
}

/// Arguments of `alarms`.
#[derive(Debug, Args)]
#[command(args_conflicts_with_subcommands = true)]
pub struct AlarmsArgs {
    /// Alarms that have cleared or were closed as well.
    #[arg(long)]
    pub all: bool,
    /// One JSON object a line.
    #[arg(long)]
    pub json: bool,
    /// What to do with one, instead of listing.
    #[command(subcommand)]
    pub command: Option<AlarmsCommand>,
}

/// Arguments of `why`.
#[derive(Debug, Args)]
pub struct WhyArgs {
    /// Number of the alarm, as listed and as in the mail.
    pub id: u64,
    /// Number of the occurrence, 1 for the first [default: the newest].
    #[arg(long, value_name = "N")]
    pub occurrence: Option<u32>,
    /// One JSON object.
    #[arg(long)]
    pub json: bool,
}

/// Which alarm, and who speaks.
#[derive(Debug, Args)]
pub struct Speaker {
    /// Number of the alarm, as listed and as in the mail.
    pub id: u64,
    /// Your name or address under `people` in the settings.
    #[arg(long, value_name = "NAME", env = "HYPOCAUST_BY")]
    pub by: String,
}

/// Alarm commands.
#[derive(Debug, Subcommand)]
pub enum AlarmsCommand {
    /// Acknowledge an alarm: you have seen it and look after it. It stays active until readings show that it has cleared.
    Acknowledge {
        /// Which, and who.
        #[command(flatten)]
        speaker: Speaker,
        /// Comment in your words.
        #[arg(long, value_name = "TEXT", default_value = "")]
        comment: String,
    },
    /// Confirm that the response was carried out; readings decide when the alarm has cleared.
    Confirm {
        /// Which, and who.
        #[command(flatten)]
        speaker: Speaker,
        /// Comment: what was done.
        #[arg(long, value_name = "TEXT", default_value = "")]
        comment: String,
    },
    /// Reset an alarm that stays after its condition has cleared, once you have seen for yourself.
    Reset {
        /// Which, and who.
        #[command(flatten)]
        speaker: Speaker,
    },
    /// Shelve an alarm for a limited time, with a reason; its condition is watched and recorded all the while.
    ///
    /// When the time has passed and the condition holds, it is raised again with its true beginning. At most 72 hours in a row, less
    /// where the rule says so; alarms that can hurt people may not be hidden. Longer work is `out-of-service`.
    Shelve {
        /// Which, and who.
        #[command(flatten)]
        speaker: Speaker,
        /// Time on the shelf: 1h, 4h, 12h, 24h, 90min.
        #[arg(long = "for", value_name = "TIME", conflicts_with = "until", required_unless_present = "until")]
        length: Option<String>,
        /// End of the time on the shelf by the site's clock, in place of --for.
        #[arg(long, value_name = "TIME")]
        until: Option<String>,
        /// Reason.
        #[arg(long, value_name = "TEXT")]
        reason: String,
    },
    /// Unshelve an alarm.
    Unshelve {
        /// Which, and who.
        #[command(flatten)]
        speaker: Speaker,
    },
    /// Take an alarm out of service for a repair, with no end of its own; every weekly summary names it.
    OutOfService {
        /// Which, and who.
        #[command(flatten)]
        speaker: Speaker,
        /// Time when it is expected back, by the site's clock.
        #[arg(long, value_name = "TIME")]
        back: Option<String>,
        /// Reason.
        #[arg(long, value_name = "TEXT")]
        reason: String,
    },
    /// Put an alarm back into service.
    InService {
        /// Which, and who.
        #[command(flatten)]
        speaker: Speaker,
    },
}

/// Arguments of `mix`.
#[derive(Debug, Args)]
pub struct MixArgs {
    /// Recipe.
    #[arg(value_name = "RECIPE.yaml")]
    pub recipe: PathBuf,
    /// File of your own feedstocks, in the form of config/feedstocks.yaml; entries of the same key replace those built in; may be repeated.
    #[arg(long, value_name = "FILE")]
    pub feedstocks: Vec<PathBuf>,
    /// Units of the table.
    #[arg(long, value_enum, default_value_t = DisplayUnits::Metric, value_name = "UNITS")]
    pub units: DisplayUnits,
    /// One JSON object; see below for its keys.
    #[arg(long)]
    pub json: bool,
}

/// Units that a table is printed in.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum DisplayUnits {
    /// Kilograms, litres.
    Metric,
    /// Pounds, cubic yards, gallons.
    Us,
}

/// Arguments of `replay`.
#[derive(Debug, Args)]
pub struct ReplayArgs {
    /// Begin: `2026-03-10 07:00` by the site's clock, a day, or RFC 3339 [default: the beginning of the history].
    #[arg(long, value_name = "TIME")]
    pub from: Option<String>,
    /// End [default: the end of the history].
    #[arg(long, value_name = "TIME")]
    pub to: Option<String>,
    /// Bins whose alarms are printed, with commas between them [default: all].
    #[arg(long, value_name = "BIN,...", value_delimiter = ',')]
    pub bins: Vec<String>,
    /// Folder of rules instead of the site's; the numbers that the site changed hold for them too.
    #[arg(long, value_name = "DIR")]
    pub rules: Option<PathBuf>,
    /// Number for a rule's setting, such as `temperature-crash.fall=8` or `too-hot.limit=160°F`. May be repeated.
    #[arg(long, value_name = "RULE.SETTING=NUMBER")]
    pub set: Vec<String>,
    /// CSV file of readings instead of the site's history.
    #[arg(long, value_name = "FILE.csv")]
    pub readings: Option<PathBuf>,
    /// CSV file of entries for those readings.
    #[arg(long, value_name = "FILE.csv", requires = "readings")]
    pub entries: Option<PathBuf>,
    /// Difference against the site's rules and numbers: new, gone, earlier or later by how long.
    #[arg(long)]
    pub compare: bool,
    /// One JSON object a line.
    #[arg(long)]
    pub json: bool,
}

/// Arguments of `judge`.
#[derive(Debug, Args)]
pub struct JudgeArgs {
    /// Bin whose newest batch is judged; may be repeated [default: all bins].
    #[arg(long = "bin", value_name = "BIN")]
    pub bins: Vec<String>,
    /// Number of a batch, also of one that is gone; may be repeated.
    #[arg(long = "batch", value_name = "N", conflicts_with = "bins")]
    pub batches: Vec<u64>,
    /// Criterion in place of those in the settings; may be repeated.
    #[arg(long = "criterion", value_name = "ID")]
    pub criteria: Vec<String>,
    /// Time of the judgement [default: now, or the end of the files].
    #[arg(long, value_name = "TIME")]
    pub at: Option<String>,
    /// CSV file of readings instead of the site's history.
    #[arg(long, value_name = "FILE.csv")]
    pub readings: Option<PathBuf>,
    /// CSV file of entries for those readings.
    #[arg(long, value_name = "FILE.csv", requires = "readings")]
    pub entries: Option<PathBuf>,
    /// File of other facts about the batch: mix, cover, laboratory, checks of probes; see below.
    #[arg(long, value_name = "FILE.yaml")]
    pub facts: Option<PathBuf>,
    /// Array of JSON objects; see below for their keys.
    #[arg(long)]
    pub json: bool,
}

/// Criteria commands.
#[derive(Debug, Subcommand)]
pub enum CriteriaCommand {
    /// List the criteria that ship and the site's own.
    List,
    /// Print a criterion whole: what it asks, where it is written, and what its figures were checked against.
    Show {
        /// Criterion.
        id: String,
    },
}

/// Mail commands.
#[derive(Debug, Subcommand)]
pub enum MailCommand {
    /// Send a test mail now, past the outbox, and print the words of the relay.
    Test {
        /// Address [default: everybody in the settings].
        #[arg(long, value_name = "ADDRESS")]
        to: Option<String>,
    },
}

/// Rules commands.
#[derive(Debug, Subcommand)]
pub enum RulesCommand {
    /// List the rules with their priority, their cases and what the site changed.
    List,
    /// Show a rule's texts, timing and settings with the values in force here.
    Show {
        /// Rule.
        name: String,
    },
    /// Write a rule to begin with and its cases into the folder of rules; nothing is overwritten.
    New {
        /// Name of the rule: small letters, digits and `-`.
        name: String,
    },
    /// Print every word that a rule can use, for editors that complete and check Rhai scripts.
    ///
    /// Editors with a Rhai language server read such a file from the folder of the rules:
    /// `hypocaust rules definitions > rules/hypocaust.d.rhai`; files that end in .d.rhai are no rules.
    Definitions,
    /// Run the cases of rules; exit 1 if one fails, with a chart of it.
    ///
    /// Cases are kept next to their rule as NAME.cases.yaml; rules/README.md shows their form. They run with the rule's own numbers, not
    /// with those that the site changed; a case can change numbers itself.
    Test {
        /// Folder of rules, or one NAME.cases.yaml or NAME.rhai [default: the site's folder].
        path: Option<PathBuf>,
    },
}
