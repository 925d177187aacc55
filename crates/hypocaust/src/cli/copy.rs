//! The commands about the copy in InfluxDB, as people type them.
//!
//! Must never do anything: it says what was asked for.

use std::path::PathBuf;

use clap::{Args, Subcommand};

/// Commands about the copy.
#[derive(Debug, Subcommand)]
pub enum CopyCommand {
    /// Say how far the copy is, what stands in its way, and what the other side did not take.
    Status {
        /// One JSON object.
        #[arg(long)]
        json: bool,
    },
    /// Hold the copy against the store: for each series and day the number of readings and a checksum over them; exit 1 where they differ.
    ///
    /// Days are those of UTC. The hour that is under way is left out.
    Verify(CopySpan),
    /// Copy the readings of some days again, beside a running daemon. What is there already is not there twice.
    Again(CopySpan),
}

/// Which days.
#[derive(Debug, Args)]
pub struct CopySpan {
    /// From when on: `2026-03-10 07:00` by the site's clock, a day, or RFC 3339; 30 days before the end when left out.
    #[arg(long, value_name = "TIME")]
    pub from: Option<String>,
    /// Until when; now when left out.
    #[arg(long, value_name = "TIME")]
    pub to: Option<String>,
}

/// Arguments of `restore`.
#[derive(Debug, Args)]
pub struct RestoreArgs {
    /// From the bucket that the settings name under `influx`.
    #[arg(long, required = true)]
    pub from_influx: bool,
    /// The folder to make the store in; the data folder of the settings when left out. It must not hold readings.
    #[arg(long, value_name = "FOLDER")]
    pub into: Option<PathBuf>,
    /// From when on: a day, or RFC 3339; ten years before the end when left out.
    #[arg(long, value_name = "TIME")]
    pub from: Option<String>,
    /// Until when; now when left out.
    #[arg(long, value_name = "TIME")]
    pub to: Option<String>,
}
