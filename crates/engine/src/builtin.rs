//! Alarms that the daemon raises about itself, with the same cause, consequence and response that a site's rule must have.
//!
//! Must never be about a pile: those are rules, which the site can read and change. Fire is the one exception, while no rule looks for it.

use pile::time::Span;
use rulebook::header::{Guards, Handling, Priority, Severity};

/// An alarm about the daemon itself.
#[derive(Debug)]
pub(crate) struct Builtin {
    pub(crate) rule: &'static str,
    pub(crate) title: &'static str,
    /// What to do, for the subject of a mail; may be empty.
    pub(crate) deed: &'static str,
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

    pub(crate) fn handling(&self) -> Handling {
        match self.rule == FIRE_UNGUARDED.rule {
            true => {
                let shelf_longest = Some(rulebook::limits::GUARD_SHELF_MAX);
                Handling { guards: Some(Guards::Fire), shelf_longest, ..Handling::USUAL }
            }
            false => Handling::USUAL,
        }
    }
}

/// The rule of this name is about fire, even where its text is gone or broken.
pub(crate) const FIRE_RULE: &str = "fire-danger";

/// A pile is as hot as fire, and no rule looks for that.
pub(crate) const FIRE_UNGUARDED: Builtin = Builtin {
    rule: "fire-unguarded",
    title: "Fire danger, no rule",
    deed: "call the fire service, keep away",
    cause: "Chemical heating in material that is hot and half dry, a smouldering pocket, or a pile that was left without air for long.",
    consequence: "The pile can burn by itself, from inside, and take the building with it. Carbon monoxide comes first.",
    response: &[
        "Give no extra air: stop the blower if you can do it from a safe place. Air feeds a smoulder.",
        "Do not open, dig, water or turn the pile, and do not walk on it. Keep people and machines away, upwind.",
        "Call the fire service now, before anything is opened, and tell the person in charge.",
        "Then have the rule `fire-danger` put back or mended: `hypocaust check` names what is wrong with it.",
    ],
    time_to_respond: Span::hours(1),
    severity: Severity::Severe,
};

/// A steady stream of payloads gives no readings.
pub(crate) const REFUSED_PAYLOADS: Builtin = Builtin {
    rule: "refused-payloads",
    title: "Messages rejected",
    deed: "check the sender and the settings",
    cause: "A probe or gateway sends something the settings do not describe: new firmware, another unit, a new topic, a failing cable.",
    consequence: "Its readings are not stored and not judged: a bin may be without monitoring.",
    response: &[
        "Read the reason below; `hypocaust refused` lists the latest messages with the reason.",
        "Mend the sender, or describe its payload under `topics` in the settings, then run `hypocaust check` and restart the daemon.",
    ],
    time_to_respond: Span::hours(6),
    severity: Severity::Major,
};

/// The broker cannot be reached.
pub(crate) const BROKER_LOST: Builtin = Builtin {
    rule: "broker-lost",
    title: "Broker not reached",
    deed: "look at the bins yourself",
    cause: "The broker is stopped, the network to it is down, or it no longer takes our password or certificate.",
    consequence: "No reading arrives: no bin is monitored until the link is back.",
    response: &[
        "Look at the bins yourself, or send somebody, if any of them is in its first hot days.",
        "On the broker's machine see whether it runs; on this one read the daemon's log for the broker's words.",
    ],
    time_to_respond: Span::hours(2),
    severity: Severity::Major,
};

/// Mail does not reach one person.
pub(crate) const UNREACHED: Builtin = Builtin {
    rule: "person-unreached",
    title: "Mail undeliverable",
    deed: "call this person",
    cause: "The address is wrong or no longer exists, the mailbox is full, or the person's mail server rejects the sender.",
    consequence: "This person gets no alarm by mail. While they are on duty alone, alarms go to the others.",
    response: &[
        "Call the person, or somebody near them, and agree who looks after their alarms.",
        "Read the relay's words below. Correct the address under `people` in the settings, or have the mailbox mended.",
        "Restart the daemon after a change of the settings. The next mail that the relay takes clears this alarm.",
    ],
    time_to_respond: Span::hours(6),
    severity: Severity::Major,
};

/// A mail was lost because of what it was.
pub(crate) const MAIL_LOST: Builtin = Builtin {
    rule: "mail-lost",
    title: "Mail lost",
    deed: "read the lost mail",
    cause: "The mail is larger than the relay allows, its words or pictures look like spam to the relay, or the mail could not be made.",
    consequence: "This person does not get that mail. Others like it may be lost in the same way.",
    response: &[
        "Read the lost message on the machine that runs hypocaust: `hypocaust outbox` lists it, `hypocaust alarms` and `hypocaust report` show what it said.",
        "If the mail was too large, raise the relay's limit on message size, or attach fewer pictures: `sections` under `people`.",
        "If the relay takes the mail for spam, have the sender's address allowed there.",
    ],
    time_to_respond: Span::hours(6),
    severity: Severity::Major,
};

/// Mail reaches nobody.
pub(crate) const MAIL_DOWN: Builtin = Builtin {
    rule: "mail-down",
    title: "Mail reaches nobody",
    deed: "look at the bins yourself",
    cause: "The relay is stopped or out of reach, rejects our login or sender, or rejects every address.",
    consequence: "Nobody gets alarms by mail. Only the sounder, the status topic and the daemon's health still warn.",
    response: &[
        "Look at the bins, or send somebody: `hypocaust alarms` lists what is active.",
        "Read the relay's words with `hypocaust outbox`, and mend the relay, the login or the addresses.",
        "Check with `hypocaust mail test`. Waiting mails are tried again within the hour, and all at once when the relay takes one.",
    ],
    // High, so that the sounder sounds.
    time_to_respond: Span::hours(2),
    severity: Severity::Severe,
};

/// The alarms about mail, which mail alone cannot tell.
pub(crate) const ABOUT_MAIL: [&Builtin; 3] = [&UNREACHED, &MAIL_LOST, &MAIL_DOWN];

/// A rule cannot be compiled, or fails when it runs.
pub(crate) const BROKEN_RULE: Builtin = Builtin {
    rule: "broken-rule",
    title: "Rule does not work",
    deed: "mend its text",
    cause: "The rule's text has a fault, or asks for more work than a rule may do.",
    consequence: "The condition of this rule is not monitored; the other rules run on.",
    response: &[
        "Open the file at the line and column named below and mend it.",
        "The daemon reads the mended file by itself; `hypocaust reload` reports the result.",
        "A rule that asks for too much work rests for an hour and is then tried again. Ask for shorter windows, or judge less often.",
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
    deed: "mend the changed rule",
    cause: "The changed file has a fault, or one of its cases no longer comes out as written.",
    consequence: "The earlier text of the rule stays in force. The change has no effect.",
    response: &[
        "Read below what is wrong; `hypocaust rules test` shows each failing case with a picture.",
        "Mend the rule or its cases. The daemon looks again by itself when a file changes, and after `hypocaust reload`.",
    ],
    // Medium, so that the mail comes while whoever changed the file still sits at it.
    time_to_respond: Span::hours(6),
    severity: Severity::Major,
};

/// The machine's clock was set back while the daemon watched, or since it watched last.
pub(crate) const CLOCK_SET_BACK: Builtin = Builtin {
    rule: "clock-set-back",
    title: "Clock set back",
    deed: "compare the clock",
    cause: "A time server or a person corrected a clock that was ahead, or the clock failed.",
    consequence: "Times in mails and records are ahead of the machine's clock until both agree. Bins are watched and alarms are mailed as always.",
    response: &[
        "Compare the machine's clock with a telephone.",
        "If the machine's clock is wrong, set it. Hypocaust follows a clock that is set forward at once.",
        "If the machine's clock is right, wait until both agree, or restart hypocaust where the text below says so.",
    ],
    // Medium, so that people learn of it at once.
    time_to_respond: Span::hours(2),
    severity: Severity::Major,
};

/// The machine's clock shows a time that cannot be.
pub(crate) const CLOCK_NOT_SET: Builtin = Builtin {
    rule: "clock-not-set",
    title: "Clock not set",
    deed: "set the machine's clock",
    cause: "The machine lost its time when it had no power, and no time server set its clock.",
    consequence: "Dates and times in mails and records are wrong. Bins are watched and alarms are mailed as always.",
    response: &[
        "Set the machine's clock, or connect the machine to a time server. Hypocaust follows at once.",
        "If the machine forgets its time whenever it has no power, replace the battery of its clock.",
    ],
    // Medium, so that people learn of it at once.
    time_to_respond: Span::hours(2),
    severity: Severity::Major,
};

/// Readings come fresh and claim an earlier time, always by as much.
pub(crate) const CLOCKS_DIFFER: Builtin = Builtin {
    rule: "clocks-differ",
    title: "Readings carry a wrong time",
    deed: "compare the clocks",
    cause: "The clock of this machine is ahead, or the clock of the probes or of their gateway is behind.",
    consequence: "Records show these readings at the wrong hour. Rules take them as fresh, so bins are watched as always.",
    response: &[
        "Compare the machine's clock with a telephone. If it is wrong, set it.",
        "If the machine's clock is right, set the clock of the gateway or probes named below.",
        "Write into the log which readings carry the wrong time.",
    ],
    // Medium, so that people learn of it at once.
    time_to_respond: Span::hours(2),
    severity: Severity::Major,
};

/// What is on record of a batch cannot be.
pub(crate) const NOT_JUDGED: Builtin = Builtin {
    rule: "not-judged",
    title: "Batch not judged",
    deed: "correct the log",
    cause: "The log has a date that cannot be right: a slip of the year, or a store that was written by hand.",
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
    deed: "correct the log",
    cause: "A store that was written by hand or by another version, or a message that an earlier version took.",
    consequence: "The daemon watches without what is listed below: an entry may be missing from reports and results.",
    response: &[
        "Correct or withdraw each entry that is named below.",
        "For anything else run `hypocaust store check`, and keep a backup of the data folder.",
    ],
    time_to_respond: Span::hours(6),
    severity: Severity::Major,
};

/// The store lacks what it held.
pub(crate) const STORE_LOST: Builtin = Builtin {
    rule: "store-lost",
    title: "Store lost or older than it was",
    deed: "restore the backup",
    cause: "The store was deleted, emptied or damaged, an older copy was put in its place, or the disk lost it.",
    consequence: "Batches, entries, alarms and readings of before are missing: hypocaust watches as on a new site, and rules that need them cannot judge.",
    response: &[
        "Look at the bins yourself: no batch may be known, and alarms of before are gone.",
        "Keep a copy of the whole data folder. Files that end in `.aside-1` and on are what was there before.",
        "Stop the daemon, move `ledger.db` and its log away, and put the newest backup back: hypocaust store restore FILE --into FOLDER.",
        "If there is no backup, log each batch again with `hypocaust batch on-air`.",
    ],
    // High: nobody may be told of a batch that is in trouble.
    time_to_respond: Span::hours(2),
    severity: Severity::Severe,
};

/// A part of the daemon failed in itself.
pub(crate) const PART_FAILED: Builtin = Builtin {
    rule: "part-failed",
    title: "Part of hypocaust failed",
    deed: "report the fault",
    cause: "A fault of the program, or a store, a template or a picture in a form that the program does not expect.",
    consequence: "The work of that part is not done, or done in a simpler way. Readings and alarms go on.",
    response: &[
        "Read below which part failed, and where. Do its work by hand for now.",
        "Report the text below to the people who maintain the program. A newer version may have mended it.",
        "The part is tried again by itself. This alarm clears when an hour has passed without another failure.",
    ],
    time_to_respond: Span::hours(6),
    severity: Severity::Major,
};

/// The rule and the title of every alarm of this kind.
pub fn titles() -> impl Iterator<Item = (&'static str, &'static str)> {
    ALL.iter().map(|builtin| (builtin.rule, builtin.title))
}

/// Every alarm of this kind, for listings and for telling them from rules that were removed.
pub(crate) const ALL: [&Builtin; 15] = [
    &FIRE_UNGUARDED,
    &REFUSED_PAYLOADS,
    &BROKER_LOST,
    &BROKEN_RULE,
    &CHANGE_NOT_TAKEN,
    &UNREACHED,
    &MAIL_LOST,
    &MAIL_DOWN,
    &CLOCK_SET_BACK,
    &CLOCK_NOT_SET,
    &CLOCKS_DIFFER,
    &NOT_JUDGED,
    &PASSED_OVER,
    &STORE_LOST,
    &PART_FAILED,
];
