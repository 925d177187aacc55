//! What a rule says about one bin at one tick.
//!
//! Must never be taken from missing data: a comparison with an unknown gives [`Verdict::CannotTell`], neither alarm nor clear.

use pile::time::Timestamp;

/// The four answers.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// The condition holds.
    Alarm,
    /// Inside the deadband: whatever stood, stands.
    Keep,
    /// The condition does not hold.
    Clear,
    /// Not enough to judge on.
    CannotTell,
}

/// A rule's answer with its grounds.
#[derive(Clone, Debug, PartialEq)]
pub struct Answer {
    /// The verdict.
    pub verdict: Verdict,
    /// One line in the site's units: what is the case. Its first words go into the subject of the mail.
    pub finding: String,
    /// What to do, in some words for the subject of the mail, where this answer knows better than the header.
    pub deed: Option<String>,
    /// The grounds, one a line.
    pub evidence: Vec<String>,
    /// Names and values that the record keeps, in order of writing, values already worded with their unit.
    pub figures: Vec<(String, String)>,
    /// It is worse than what the rule usually tells of: an alarm that stands is told of once more.
    pub graver: bool,
    /// Alarms that this one tells of too, by rule and bin: they are hidden while it stands.
    pub hides: Vec<(String, String)>,
    /// The newest on-time reading that the rule used; the tick's time for a rule that judges by the clock; `None` when it used none.
    pub evidence_at: Option<Timestamp>,
    /// The line of the rule's file at which this answer was given, counted from 1.
    pub line: Option<usize>,
}

/// How a rule came to its answer, for the record.
#[derive(Clone, Debug, PartialEq, Eq, Default)]
pub struct Explained {
    /// The comparisons that it made, in order; the first [`crate::limits::COMPARISONS_KEPT`] of them.
    pub compared: Vec<Compared>,
    /// The rule's settings in force, name and value with its unit, sorted by name.
    pub settings: Vec<(String, String)>,
}

/// One comparison that a rule made.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Compared {
    /// The line of the rule's file, counted from 1; 0 where that is not known.
    pub line: usize,
    /// What was compared and what came of it, such as `54.1 °C < 55.0 °C: yes`.
    pub words: String,
}
