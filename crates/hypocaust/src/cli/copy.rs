//! The commands about the copy in InfluxDB, as people type them.
//!
//! Must never do anything: it says what was asked for.

use std::path::PathBuf;

use clap::{Args, Subcommand};

/// Commands about the copy.
#[derive(Debug, Subcommand)]
pub enum CopyCommand {
    /// Show how far the InfluxDB copy is, what is in its way, and what InfluxDB did not take.
    Status {
        /// One JSON object.
        #[arg(long)]
        json: bool,
    },
    /// Verify the InfluxDB copy against the store: for each series and day the number of readings and a checksum over them; exit 1 where they differ.
    ///
    /// Days are those of UTC. The hour that is under way is not compared.
    Verify(CopySpan),
    /// Copy the readings of some days again, also while the daemon runs. No reading is there twice.
    Again(CopySpan),
}

/// Which days.
#[derive(Debug, Args)]
pub struct CopySpan {
    /// Begin: `2026-03-10 07:00` by the site's clock, a day, or RFC 3339 [default: 30 days before the end].
    #[arg(long, value_name = "TIME")]
    pub from: Option<String>,
    /// End [default: now].
    #[arg(long, value_name = "TIME")]
    pub to: Option<String>,
}

/// Arguments of `restore`.
#[derive(Debug, Args)]
pub struct RestoreArgs {
    /// Source: the bucket that the settings name under `influx`; required.
    #[arg(long, required = true)]
    pub from_influx: bool,
    /// Folder for the store, without readings [default: the data folder of the settings].
    #[arg(long, value_name = "FOLDER")]
    pub into: Option<PathBuf>,
    /// Begin: a day, or RFC 3339 [default: ten years before the end].
    #[arg(long, value_name = "TIME")]
    pub from: Option<String>,
    /// End [default: now].
    #[arg(long, value_name = "TIME")]
    pub to: Option<String>,
}
