//! The part of the command line that is about the store: its check, its backup and its return.
//!
//! Must never do anything: it says what was asked for.

use std::path::PathBuf;

use clap::{Subcommand, ValueEnum};

/// Shown after the help of `hypocaust store`.
pub(super) const STORE_HELP: &str = "\
What to do, and when:
  every night   hypocaust store backup /media/usb/store.backup    (cron; the daemon goes on meanwhile)
  once          cp DATA/record.key to a place of its own: the key that signs the record is in no backup
  a bad disk    hypocaust store check                             (says what is damaged, and what is not)
  a dead disk   hypocaust store restore store.backup --into data  (then put record.key next to it, and start the daemon)

Exit codes: 0 done and all of it holds, 1 something does not hold and its place is named, 65 no store or no backup of this version,
66 no such file, 73 there is a store or another file already, 74 the disk, 75 busy, try later.";

/// Commands about the store.
#[derive(Debug, Subcommand)]
pub enum StoreCommand {
    /// Check the store, also while the daemon runs: its file, pages, references, every packed day. Prints one line for each step.
    ///
    /// Whether the record still follows from the readings is another question: `hypocaust record check` answers that one.
    Check {
        /// Backup to check [default: the site's own store].
        #[arg(value_name = "FILE")]
        file: Option<PathBuf>,
    },
    /// Back the store up to a file, from one state of it; the daemon goes on meanwhile.
    ///
    /// The backup is checked before it takes its name, so that a broken one never has it; an earlier backup of that name stays until then.
    /// It holds readings, log, alarms, mails and the record, but not the private key `record.key`, which needs a backup of its own at another
    /// place: with both, somebody could write another history. Settings and rules are files of yours, and not in it either.
    Backup {
        /// File, on another disk if you can.
        file: PathBuf,
    },
    /// Restore a backup into a folder that holds no store. Stop the daemon of that folder first.
    ///
    /// The store gets a new life, so that no Message-ID comes twice. Mails that were waiting when the backup was made are not sent, unless
    /// you say otherwise: nearly all of them were sent in the minutes after, and an old alarm that comes again sends somebody out for
    /// nothing. Alarms that are still active come again by reminders, and in the round list every morning.
    Restore {
        /// Backup.
        file: PathBuf,
        /// Folder, made if need be; give it as `data_folder` in the settings.
        #[arg(long, value_name = "FOLDER")]
        into: PathBuf,
        /// Treatment of mails that were waiting; `send` where you know that they were not sent.
        #[arg(long, value_enum, default_value_t = Waiting::GiveUp, value_name = "WHAT")]
        waiting_mails: Waiting,
    },
}

/// What becomes of mails that were waiting in a backup.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Waiting {
    /// They are not sent, and listed by `hypocaust outbox`.
    GiveUp,
    /// They are sent, some of them a second time.
    Send,
}
