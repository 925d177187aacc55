//! How much is read of each kind of file at most, in one table.
//!
//! Must never hold a limit that a site of 10,000 bins could reach with honest files.

use crate::{Kind, Links};

const KIB: u64 = 1 << 10;
const MIB: u64 = 1 << 20;
const GIB: u64 = 1 << 30;

// Links are followed where a person names the file, on the command line or in the settings: tools that manage configuration put links there
// (a mounted ConfigMap is nothing but links), and whoever may change them may change the file as well. In the data folder and in a bundle
// from elsewhere none is followed: there somebody else than the reader decides where a link leads.

/// The settings: a probe takes about 100 bytes, so these hold 10,000 bins of eight probes twice over.
pub const SETTINGS: Kind = Kind { name: "settings", largest: 16 * MIB, links: Links::Followed };
/// One rule.
pub const RULE: Kind = Kind { name: "a rule", largest: MIB, links: Links::Followed };
/// The cases of one rule.
pub const RULE_CASES: Kind = Kind { name: "the cases of a rule", largest: 4 * MIB, links: Links::Followed };
/// One criterion.
pub const CRITERION: Kind = Kind { name: "a criterion", largest: MIB, links: Links::Followed };
/// A file of feedstocks or a recipe.
pub const FEEDSTOCKS: Kind = Kind { name: "feedstocks", largest: 4 * MIB, links: Links::Followed };
/// The template of documents.
pub const TEMPLATE: Kind = Kind { name: "a template", largest: MIB, links: Links::Followed };
/// A password or token: one line.
pub const SECRET: Kind = Kind { name: "a secret", largest: 64 * KIB, links: Links::Followed };
/// The list of users of the broker inside, a line each.
pub const PASSWORDS: Kind = Kind { name: "a list of passwords", largest: 4 * MIB, links: Links::Followed };
/// Certificates of authorities: all that a Debian machine trusts are 0.2 MB.
pub const AUTHORITY: Kind = Kind { name: "certificates", largest: 4 * MIB, links: Links::Followed };
/// A checkpoint, a key or another short text of the record.
pub const NOTE: Kind = Kind { name: "a note", largest: MIB, links: Links::Followed };
/// Readings that are read at once: a year of one probe at a reading a minute is 20 MB.
pub const SERIES: Kind = Kind { name: "readings", largest: 512 * MIB, links: Links::Followed };
/// Readings that are read line by line.
pub const HISTORY: Kind = Kind { name: "readings", largest: 64 * GIB, links: Links::Followed };
/// A recording of a daemon's life, read line by line.
pub const RECORDING: Kind = Kind { name: "a recording", largest: 64 * GIB, links: Links::Followed };
/// A bundle in one file. Its members have limits of their own.
pub const ARCHIVE: Kind = Kind { name: "a bundle", largest: 64 * GIB, links: Links::Followed };
/// A file of a bundle that lies in a folder: of its readings as much is read as its list of files says.
pub const MEMBER: Kind = Kind { name: "a file of a bundle", largest: 1024 * GIB, links: Links::Refused };
/// The key that signs for the site, in the data folder.
pub const KEY: Kind = Kind { name: "a key", largest: 4 * KIB, links: Links::Refused };
/// How high the record has grown, in the data folder.
pub const HEIGHT: Kind = Kind { name: "the height of the record", largest: 4 * KIB, links: Links::Refused };
/// A file of the daemon's own: its lock, its store and the store's log, a part of a report. SQLite knows no larger file than this.
pub const OWN: Kind = Kind { name: "a file of the daemon", largest: 1 << 47, links: Links::Refused };
/// A file of the daemon's own that is read whole: a part of an earlier report.
pub const OWN_PART: Kind = Kind { name: "a part of a report", largest: GIB, links: Links::Refused };
/// A mail of a trial, in the folder that takes mails in place of a relay.
pub const MAIL: Kind = Kind { name: "a mail", largest: 64 * MIB, links: Links::Refused };
/// A store that a person named: a backup.
pub const STORE: Kind = Kind { name: "a store", largest: 1 << 47, links: Links::Followed };

/// The longest line of a file that is read line by line: an input of a recording holds a whole rule set.
pub const LINE: usize = 64 << 20;
/// Files that are looked at in one folder.
pub const FOLDER: usize = 100_000;
