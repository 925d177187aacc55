//! The arguments of `hypocaust init`.
//!
//! Must never take a secret: what stands on a command line is seen by everybody on the machine.

use std::path::PathBuf;

use clap::Args;

use super::DisplayUnits;

/// What is said after the help of `init`.
pub(super) const INIT_HELP: &str = "\
Layout, in FOLDER: site.yaml, site.schema.json (for editors), rules/, data/ and secrets/ (files of mode 0600). With --service:
site.yaml and rules/ in /etc/hypocaust, data in /var/lib/hypocaust, secrets in /etc/credstore, which the service is handed.

Examples:
  hypocaust init --out site
  hypocaust init --service
  hypocaust init --out site --name \"Harrow Lane Yard\" --zone Europe/Dublin --mail-to nora@harrow-lane.example";

/// Arguments of `init`. Each of them answers a question; those that are not given are asked where there is a terminal.
#[derive(Debug, Default, Args)]
pub struct InitArgs {
    /// Where the settings and rules go; a file that is there is never overwritten. Default: site
    #[arg(long, value_name = "FOLDER", conflicts_with = "service")]
    pub out: Option<PathBuf>,
    /// For the service of the package: settings in /etc/hypocaust, data in /var/lib/hypocaust, secrets in /etc/credstore.
    #[arg(long)]
    pub service: bool,
    /// Ask nothing; what is not given is left at its default.
    #[arg(long)]
    pub no_questions: bool,
    /// The site as people call it.
    #[arg(long, value_name = "NAME")]
    pub name: Option<String>,
    /// Its short name in topics and mail subjects; made from the name when left out.
    #[arg(long, value_name = "ID")]
    pub id: Option<String>,
    /// Time zone of the site's clocks, such as Europe/Dublin; the machine's own when left out.
    #[arg(long, value_name = "ZONE")]
    pub zone: Option<String>,
    /// How values are shown. Default: metric
    #[arg(long, value_enum, value_name = "UNITS")]
    pub units: Option<DisplayUnits>,
    /// Height above sea level, such as 62m or 200ft; in metres or, for us, in feet without a unit. Default: 0
    #[arg(long, value_name = "HEIGHT", allow_hyphen_values = true)]
    pub elevation: Option<String>,
    /// How many bins there are; more can be added later. Default: 1
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=300))]
    pub bins: Option<u16>,
    /// How many probes each bin has: core, then base, then upper. Default: 1
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=3))]
    pub probes: Option<u16>,
    /// Who looks after the site, as the log shall name them.
    #[arg(long, value_name = "NAME")]
    pub person: Option<String>,
    /// Where their mail goes.
    #[arg(long, value_name = "ADDRESS")]
    pub mail_to: Option<String>,
    /// The sender of our mails; the same address when left out.
    #[arg(long, value_name = "ADDRESS")]
    pub mail_from: Option<String>,
    /// The relay that takes our mail; without one mails go into a folder, for a trial.
    #[arg(long, value_name = "HOST[:PORT]")]
    pub smtp: Option<String>,
    /// The user that the relay knows us by.
    #[arg(long, value_name = "USER", requires = "smtp")]
    pub smtp_user: Option<String>,
    /// A file whose first line is the password for the relay; `-` reads standard input. It is copied into the secrets.
    #[arg(long, value_name = "FILE", requires = "smtp_user")]
    pub smtp_password_from: Option<PathBuf>,
    /// A broker that runs already, such as mqtts://broker.example:8883; without one hypocaust brings its own, on this machine only.
    #[arg(long, value_name = "URL")]
    pub broker: Option<String>,
    /// The user that the broker knows us by.
    #[arg(long, value_name = "USER", requires = "broker")]
    pub broker_user: Option<String>,
    /// A file whose first line is the password for the broker; `-` reads standard input. It is copied into the secrets.
    #[arg(long, value_name = "FILE", requires = "broker_user")]
    pub broker_password_from: Option<PathBuf>,
}
