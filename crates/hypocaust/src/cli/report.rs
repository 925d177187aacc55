//! The command line of reports.
//!
//! Must never do anything: it says what was asked for.

use std::path::PathBuf;

use clap::{Args, Subcommand};

/// What stands below the help.
pub(super) const HELP: &str = "\
Files of a week: summary.txt (complete by itself), summary.html (one page with its pictures), summary.pdf (for the file: PDF/A,
tagged), days.csv (daily figures of each probe, always in °C), figures.csv (every figure by name; editions are compared by it). Those of a
batch: batch-N.txt, .html, .pdf, .csv, and figures.csv.

Editions: without a running daemon the first call for a week that is over issues it: its files are kept under `reports` in the data folder
and their hashes go on record. A later call gives the same files as long as the figures are the same. Where late readings or corrections
changed one, it issues `amended 1`, which lists each figure that differs; the earlier edition stays. While the daemon runs nothing is
issued: the files are copies to look at. Weeks that are not over and batches that are aerated are drafts.

Examples:
  hypocaust report week                       the newest week that is over
  hypocaust report week --week 2026-W10 --out w10
  hypocaust report week --bundle              the same, with everything that it takes to check it
  hypocaust report batch 3

They state what was measured and written down; they are no finding of compliance. The edition that your permit cites decides.";

/// Commands about reports.
#[derive(Debug, Subcommand)]
pub enum ReportCommand {
    /// Write the weekly summary of the site.
    ///
    /// From an hour before one time of summaries to an hour before the next (`summary` in the settings). The daemon mails it by itself; this makes the same files.
    #[command(after_long_help = HELP)]
    Week(ReportWeekArgs),
    /// Write the process record of a batch, from its loads to where it went: for a buyer or an inspector.
    #[command(after_long_help = HELP)]
    Batch(ReportBatchArgs),
    /// Release the summary of a week that you have reviewed: copies are mailed to those who get reviewed documents.
    ///
    /// The settings say who they are, and whether copies go out at some time of the week without a review (`gets: [reviewed]` of a
    /// person, `reports: outside_copies`).
    Reviewed(ReportReviewedArgs),
    /// Print the template that documents are set by, or try one of your own.
    ///
    /// A template is a script in Rhai, the language of the rules; its head says what it can ask for. Keep what this prints in a file, change
    /// it, try it, and name it in the settings (`reports: template`). `hypocaust check` tries the one that the settings name.
    #[command(after_long_help = TEMPLATE_HELP)]
    Template(ReportTemplateArgs),
}

/// What stands below the help of templates.
const TEMPLATE_HELP: &str = "\
Examples:
  hypocaust report template > own.rhai
  hypocaust report template --try own.rhai --out sample.pdf";

/// Arguments of `report template`.
#[derive(Debug, Args)]
pub struct ReportTemplateArgs {
    /// Template to try: it sets a sample of everything that documents are made of, or the faulty line is named.
    #[arg(long = "try", value_name = "FILE")]
    pub tried: Option<PathBuf>,
    /// File for the sample; an earlier one there is replaced.
    #[arg(long, value_name = "FILE", default_value = "sample.pdf", requires = "tried")]
    pub out: PathBuf,
}

/// Arguments of `report reviewed`.
#[derive(Debug, Args)]
pub struct ReportReviewedArgs {
    /// Week, as its mail names it: 2026-W10.
    #[arg(long, value_name = "WEEK")]
    pub week: String,
    /// Name or address, from the settings, of the person who has reviewed it.
    #[arg(long, value_name = "NAME")]
    pub by: String,
}

/// Arguments of `report week`.
#[derive(Debug, Args)]
pub struct ReportWeekArgs {
    /// Week as ISO 8601 writes it: 2026-W10 [default: the newest that is over].
    #[arg(long, value_name = "WEEK")]
    pub week: Option<String>,
    /// Folder for the files; files of the same names there are replaced [default: `report-2026-W10` and the like].
    #[arg(long, value_name = "FOLDER")]
    pub out: Option<PathBuf>,
    /// Bundle `report-2026-W10.zip` as well: these files with the readings of the week, the rows of the record and their proofs, under one
    /// signed list. `hypocaust verify FILE` checks it; unpacked, so does the verify.py in it.
    #[arg(long)]
    pub bundle: bool,
    /// Readings of the InfluxDB copy where the store has none any more. Each hour must match its hash on record; the report names where they
    /// come from.
    #[arg(long, conflicts_with = "bundle")]
    pub from_influx: bool,
}

/// Arguments of `report batch`.
#[derive(Debug, Args)]
pub struct ReportBatchArgs {
    /// Number of the batch, as `hypocaust batch list --all` shows it.
    pub batch: u64,
    /// Folder for the files; files of the same names there are replaced [default: `report-batch-3` and the like].
    #[arg(long, value_name = "FOLDER")]
    pub out: Option<PathBuf>,
    /// Readings of the InfluxDB copy where the store has none any more. Each hour must match its hash on record; the report names where they
    /// come from.
    #[arg(long)]
    pub from_influx: bool,
}
