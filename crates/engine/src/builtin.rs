//! Alarms that the daemon raises about itself, with the same cause, consequence and response that a site's rule must have.
//!
//! Must never be about a pile: those are rules, which the site can read and change.

use pile::time::Span;
use rulebook::header::{Priority, Severity};

/// An alarm about the daemon itself.
#[derive(Debug)]
pub(crate) struct Builtin {
    pub(crate) rule: &'static str,
    pub(crate) title: &'static str,
    pub(crate) cause: &'static str,
    pub(crate) consequence: &'static str,
    pub(crate) response: &'static [&'static str],
    pub(crate) time_to_respond: Span,
    pub(crate) severity: Severity,
}

impl Builtin {
    pub(crate) fn priority(&self) -> Priority {
        Priority::of(self.severity, self.time_to_respond)
    }
}

/// A steady stream of payloads gives no readings.
pub(crate) const REFUSED_PAYLOADS: Builtin = Builtin {
    rule: "refused-payloads",
    title: "Payloads refused",
    cause: "A probe or gateway sends something the settings do not describe: new firmware, another unit, a new topic, a failing cable.",
    consequence: "What it measures is not stored and not judged: a bin may be unwatched.",
    response: &[
        "Read the reason below; `hypocaust refused` lists the latest payloads with theirs.",
        "Mend the sender, or describe its payload under `topics` in the settings, then run `hypocaust check` and restart the daemon.",
    ],
    time_to_respond: Span::hours(6),
    severity: Severity::Major,
};

/// The broker cannot be reached.
pub(crate) const BROKER_LOST: Builtin = Builtin {
    rule: "broker-lost",
    title: "Broker not reached",
    cause: "The broker is stopped, the network to it is down, or it no longer takes our password or certificate.",
    consequence: "No reading comes in: no bin is watched until the link is back.",
    response: &[
        "Look at the bins yourself, or send somebody, if any of them is in its first hot days.",
        "On the broker's machine see whether it runs; on this one read the daemon's log for the broker's words.",
    ],
    time_to_respond: Span::hours(2),
    severity: Severity::Major,
};

/// A rule cannot be compiled, or fails when it runs.
pub(crate) const BROKEN_RULE: Builtin = Builtin {
    rule: "broken-rule",
    title: "Rule does not work",
    cause: "The rule's text has a fault, or asks for more work than a rule may do.",
    consequence: "What this rule watches for is not watched for; the other rules run on.",
    response: &[
        "Open the file at the line and column named below and mend it.",
        "The daemon takes the mended file by itself; `hypocaust reload` says what it makes of it.",
    ],
    time_to_respond: Span::hours(6),
    severity: Severity::Major,
};

/// The name of the alarm about a changed rule that was not taken.
pub const CHANGE_NOT_TAKEN_RULE: &str = "change-not-taken";

/// A changed rule was not taken.
pub(crate) const CHANGE_NOT_TAKEN: Builtin = Builtin {
    rule: CHANGE_NOT_TAKEN_RULE,
    title: "Changed rule not taken",
    cause: "The changed file has a fault, or one of its cases no longer comes out as written.",
    consequence: "The earlier text of the rule stays in force; what the change was meant to do, it does not do.",
    response: &[
        "Read below what is wrong; `hypocaust rules test` shows each failing case with a picture.",
        "Mend the rule or its cases. The daemon looks again by itself when a file changes, and after `hypocaust reload`.",
    ],
    // Medium, so that the mail comes while whoever changed the file still sits at it.
    time_to_respond: Span::hours(6),
    severity: Severity::Major,
};

/// What is on record of a batch cannot be.
pub(crate) const NOT_JUDGED: Builtin = Builtin {
    rule: "not-judged",
    title: "Batch not judged",
    cause: "The log says a date that cannot be: a slip of the year, or a store that was written by hand.",
    consequence: "No rule that needs the batch, no criterion and no water balance is judged for this bin; the other bins are.",
    response: &[
        "Look at the bin yourself until this is mended.",
        "Correct the entry that is named below; the batch is judged again at once.",
    ],
    // Medium, so that a mail tells at once that a bin is watched less than its people think.
    time_to_respond: Span::hours(3),
    severity: Severity::Major,
};

/// Rows of the store or entries of the log that nobody can use.
pub(crate) const PASSED_OVER: Builtin = Builtin {
    rule: "passed-over",
    title: "Part of the record cannot be used",
    cause: "A store that was written by hand or by another version, or a message that an earlier version took.",
    consequence: "The daemon watches without what is listed below: an entry may be missing from reports and results.",
    response: &[
        "Correct or withdraw each entry that is named below.",
        "For anything else run `hypocaust store check`, and keep a copy of the data folder.",
    ],
    time_to_respond: Span::hours(6),
    severity: Severity::Major,
};

/// Every alarm of this kind, for listings and for telling them from rules that were removed.
pub(crate) const ALL: [&Builtin; 6] =
    [&REFUSED_PAYLOADS, &BROKER_LOST, &BROKEN_RULE, &CHANGE_NOT_TAKEN, &NOT_JUDGED, &PASSED_OVER];
