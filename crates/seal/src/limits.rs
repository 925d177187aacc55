//! How much of a bundle is read: it comes from elsewhere, and whoever made it may not be the one who signed it.
//!
//! Must never hold a limit that an honest bundle of a year of a site of 300 bins could reach.

/// The list of files, in bytes: a proof for each of 8,784 hours takes 1.5 MB of it.
pub(crate) const MANIFEST: u64 = 16 << 20;
/// A key, a checkpoint, a signature or a proof, in bytes.
pub(crate) const NOTE: u64 = 1 << 20;
/// The rows of the hours, in bytes: 8,784 hours take 4 MB.
pub(crate) const HOURS: u64 = 32 << 20;
/// The rows of the record, or the daily figures, in bytes: those of 2,400 series over a year take 60 MB.
pub(crate) const TEXT: u64 = 128 << 20;
/// Any file, in bytes; more is not even hashed.
pub(crate) const FILE: u64 = 1 << 40;
/// A line of readings, in bytes; the reason in it comes from the settings or a message and is short. A longer one is read in pieces, none of which
/// is a reading.
pub(crate) const LINE: u64 = 64 << 10;
/// Hours with readings: twenty years.
pub(crate) const HOURS_MOST: usize = 200_000;
/// Daily figures: 2,400 series over two years.
pub(crate) const FIGURES_MOST: usize = 2_000_000;
/// Faults of one kind that are listed.
pub(crate) const LISTED: usize = 8;
/// Characters of a line that are shown with its fault.
pub(crate) const SHOWN: usize = 300;
