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
    /// Folder for settings and rules; a file that is there is never overwritten [default: site].
    #[arg(long, value_name = "FOLDER", conflicts_with = "service")]
    pub out: Option<PathBuf>,
    /// Layout for the service of the package: settings in /etc/hypocaust, data in /var/lib/hypocaust, secrets in /etc/credstore.
    #[arg(long)]
    pub service: bool,
    /// No questions: every missing answer takes its default.
    #[arg(long)]
    pub no_questions: bool,
    /// Name of the site.
    #[arg(long, value_name = "NAME")]
    pub name: Option<String>,
    /// Short name of the site in topics and mail subjects [default: made from the name].
    #[arg(long, value_name = "ID")]
    pub id: Option<String>,
    /// Time zone of the site's clocks, such as Europe/Dublin [default: the machine's own].
    #[arg(long, value_name = "ZONE")]
    pub zone: Option<String>,
    /// Units in which values are shown [default: metric].
    #[arg(long, value_enum, value_name = "UNITS")]
    pub units: Option<DisplayUnits>,
    /// Height above sea level, such as 62m or 200ft; a bare number is in metres (feet for us) [default: 0].
    #[arg(long, value_name = "HEIGHT", allow_hyphen_values = true)]
    pub elevation: Option<String>,
    /// Number of bins; more can be added later [default: 1].
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=300))]
    pub bins: Option<u16>,
    /// Number of probes in each bin: core, then base, then upper [default: 1].
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=3))]
    pub probes: Option<u16>,
    /// Name of the person who looks after the site, for the log.
    #[arg(long, value_name = "NAME")]
    pub person: Option<String>,
    /// Mail address of that person.
    #[arg(long, value_name = "ADDRESS")]
    pub mail_to: Option<String>,
    /// Sender of the mails [default: the address of --mail-to].
    #[arg(long, value_name = "ADDRESS")]
    pub mail_from: Option<String>,
    /// Relay that takes the mails [default: none; mails go into a folder, for a trial].
    #[arg(long, value_name = "HOST[:PORT]")]
    pub smtp: Option<String>,
    /// User name at the relay.
    #[arg(long, value_name = "USER", requires = "smtp")]
    pub smtp_user: Option<String>,
    /// File whose first line is the password for the relay, copied into the secrets; `-` reads standard input.
    #[arg(long, value_name = "FILE", requires = "smtp_user")]
    pub smtp_password_from: Option<PathBuf>,
    /// Broker that runs already, such as mqtts://broker.example:8883 [default: a broker inside hypocaust, on this machine only].
    #[arg(long, value_name = "URL")]
    pub broker: Option<String>,
    /// User name at the broker.
    #[arg(long, value_name = "USER", requires = "broker")]
    pub broker_user: Option<String>,
    /// File whose first line is the password for the broker, copied into the secrets; `-` reads standard input.
    #[arg(long, value_name = "FILE", requires = "broker_user")]
    pub broker_password_from: Option<PathBuf>,
}
