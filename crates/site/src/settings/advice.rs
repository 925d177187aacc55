//! What the settings allow but a careful site would do otherwise.
//!
//! Must never keep the daemon from starting: what must not stand is a fault, not advice.

use std::fmt;

use crate::ids::ProbeId;
use crate::model::{
    Blower, BlowerSchedule, Broker, Calls, Field, HeartbeatAddress, LinkSecurity, Payload, Person, Position, RunProof,
    Site, Transport,
};
use crate::quantity::Quantity;

use super::keep::FORMER_KEY;
use super::topics::{source_fits, source_parts};

/// Bins from which on a broker of its own is the wiser choice (the project's own decision).
const EMBEDDED_BINS_MAX: usize = 50;

/// Readings a second from which on a broker of its own is the wiser choice: a quarter of the 195 messages a second that one
/// connection to the embedded broker was measured to carry when each commit takes 5 ms, as on an SD card.
const EMBEDDED_RATE_MAX: f64 = 50.0;

/// Something that is allowed, works, and could be better.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Advice {
    /// `file:line` where one line is meant, otherwise the file.
    pub place: String,
    /// What is the case, and what follows from it.
    pub what: String,
    /// What would be better.
    pub remedy: String,
    /// What it is about, where the same can be said of many: the kind of advice, and the name of this one.
    pub one_of: Option<(&'static str, String)>,
}

/// Names that one line about many gives, beside the first.
const NAMED_TOO: usize = 3;

/// One line for each kind of advice: where the same holds for many, the first in full, how many more there are, and some of their names.
pub fn folded(advice: &[Advice]) -> Vec<String> {
    let kind = |a: &Advice| a.one_of.as_ref().map(|(kind, _)| *kind);
    let mut lines = Vec::new();
    for (i, first) in advice.iter().enumerate() {
        let alike = |a: &&Advice| kind(first).is_some() && kind(a) == kind(first);
        if advice.iter().take(i).any(|before| alike(&before)) {
            continue;
        }
        let others: Vec<&str> =
            advice.iter().skip(i + 1).filter(alike).filter_map(|a| Some(a.one_of.as_ref()?.1.as_str())).collect();
        let names = others.iter().take(NAMED_TOO).copied().collect::<Vec<_>>().join(", ");
        lines.push(match others.len() {
            0 => first.to_string(),
            n if n <= NAMED_TOO => format!("{first}; the same holds for {names}"),
            n => format!("{first}; the same holds for {n} more, such as {names}: `hypocaust check` lists them"),
        });
    }
    lines
}

/// Prints `config/site.yaml:48: what; remedy`.
impl fmt::Display for Advice {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}; {}", self.place, self.what, self.remedy)
    }
}

/// Everything worth saying about settings that have no fault.
pub fn advice(site: &Site) -> Vec<Advice> {
    let mut all = Vec::new();
    broker(site, &mut all);
    blowers(site, &mut all);
    bins(site, &mut all);
    unheard(site, &mut all);
    mail(site, &mut all);
    if let Some(HeartbeatAddress::Plain(_)) = site.heartbeat.as_ref().map(|heartbeat| &heartbeat.address) {
        let what = "`url` in heartbeat is a secret that everybody who reads the settings has; the next version no longer takes it";
        let remedy = "write it on the first line of a file of mode 0600, and `url_file: /path` or `credential: heartbeat` in its place";
        add(&mut all, &site.settings_path, what, remedy);
    }
    if let Some(place) = &site.keep.former_key {
        let what = format!("`{FORMER_KEY}` has another name since version 0.2; it still works");
        add(&mut all, place, what, "write `keep: { years: ... }` in its place, with the same number");
    }
    all
}

fn add(all: &mut Vec<Advice>, place: &str, what: impl Into<String>, remedy: impl Into<String>) {
    all.push(Advice { place: place.into(), what: what.into(), remedy: remedy.into(), one_of: None });
}

/// Of one among many that the same may be said of.
fn add_one(
    all: &mut Vec<Advice>,
    one_of: (&'static str, &str),
    place: &str,
    what: impl Into<String>,
    remedy: impl Into<String>,
) {
    add(all, place, what, remedy);
    if let Some(advice) = all.last_mut() {
        advice.one_of = Some((one_of.0, one_of.1.to_owned()));
    }
}

fn broker(site: &Site, all: &mut Vec<Advice>) {
    let place = &site.settings_path;
    match &site.broker {
        Broker::Embedded { .. } => {
            let rate: f64 = site.probes.values().map(|probe| 1.0 / probe.interval.as_seconds()).sum();
            if site.bins.len() > EMBEDDED_BINS_MAX || rate > EMBEDDED_RATE_MAX {
                add(
                    all,
                    place,
                    format!(
                        "{} bins with {rate:.1} readings a second go through the embedded broker, which takes one message of a \
                         connection at a time and waits for the disk after each",
                        site.bins.len()
                    ),
                    "run a broker of its own and name it with `broker: { url: ... }`, or let devices pack their readings into one message",
                );
            }
        }
        Broker::Remote { host, security: LinkSecurity::Plain, login: Some(_), .. } => {
            add(all, place, format!("the password for the broker {host} travels unencrypted"), "use mqtts://");
        }
        Broker::Remote { .. } => {}
    }
}

fn blowers(site: &Site, all: &mut Vec<Advice>) {
    for blower in site.blowers.values() {
        let id = &blower.id;
        match blower.proof {
            RunProof::ScheduledOnly => add_one(
                all,
                ("blower without a signal", id.as_str()),
                &blower.place,
                format!("nothing tells whether blower {id} runs; the log can only say that it was meant to"),
                "wire a run counter, or a current, pressure or flow signal, and name it under `running`",
            ),
            RunProof::RunCounter => proof_without_topic(site, blower, Quantity::RunTime, all),
            RunProof::Signal { quantity, .. } => proof_without_topic(site, blower, quantity, all),
        }
        if let BlowerSchedule::Pulses { on, .. } = blower.schedule
            && !blower.pulses_countable()
            && matches!(blower.proof, RunProof::Signal { .. })
        {
            let seen = if on < blower.interval {
                format!("{} of them fall between samples", share(1.0 - on.as_seconds() / blower.interval.as_seconds()))
            } else {
                "one sample in each cannot tell how long it was".into()
            };
            add_one(
                all,
                ("pulses between samples", id.as_str()),
                &blower.place,
                format!("blower {id}: an on-time of {on} seen every {}: {seen}", blower.interval),
                format!(
                    "sample at least every {} s, or wire a run counter; until then the rules about missed cycles answer `cannot tell`",
                    (on.as_seconds() / 2.0).floor()
                ),
            );
        }
        if !site.bins.values().any(|bin| bin.blower.as_ref() == Some(id)) {
            add_one(
                all,
                ("blower without a bin", id.as_str()),
                &blower.place,
                format!("blower {id} serves no bin"),
                "name it with `blower:` at the bins it serves, or remove it",
            );
        }
    }
}

/// The share as people say it: `about a quarter`.
fn share(part: f64) -> String {
    const NAMED: [(f64, &str); 5] = [
        (0.25, "a quarter"),
        (1.0 / 3.0, "a third"),
        (0.5, "half"),
        (2.0 / 3.0, "two thirds"),
        (0.75, "three quarters"),
    ];
    match NAMED.iter().find(|(near, _)| (part - near).abs() <= 0.02) {
        Some((_, name)) => format!("about {name}"),
        None => format!("about {:.0} %", part * 100.0),
    }
}

fn proof_without_topic(site: &Site, blower: &Blower, quantity: Quantity, all: &mut Vec<Advice>) {
    if !heard(site, blower.id.as_str(), |field| field.quantity == quantity) {
        add_one(
            all,
            ("blower without a topic", blower.id.as_str()),
            &blower.place,
            format!("no topic brings {quantity} from blower {}, so its running can never be proven", blower.id),
            format!(
                "add an entry to `topics` whose source becomes `{}` and whose quantity is `{}`",
                blower.id,
                quantity.key()
            ),
        );
    }
}

fn bins(site: &Site, all: &mut Vec<Advice>) {
    for bin in site.bins.values() {
        let is_core = |id: &ProbeId| {
            site.probes.get(id).is_some_and(|probe| probe.position == Position::Core)
                && heard(site, id.as_str(), |field| field.quantity == Quantity::Temperature)
        };
        if !bin.probes.iter().any(is_core) {
            add_one(
                all,
                ("bin without a core probe", bin.id.as_str()),
                &bin.place,
                format!(
                    "bin {} has no probe at position core that reports temperature, so nobody can tell how hot it gets",
                    bin.id
                ),
                "add one in the middle of the pile",
            );
        }
        if bin.blower.is_none() {
            add_one(
                all,
                ("bin without a blower", bin.id.as_str()),
                &bin.place,
                format!("bin {} has no blower, so lost air cannot be told from lost water", bin.id),
                "name the blower that serves it with `blower:`",
            );
        }
    }
}

fn unheard(site: &Site, all: &mut Vec<Advice>) {
    for probe in site.probes.values() {
        if !heard(site, probe.id.as_str(), |_| true) {
            add_one(
                all,
                ("probe without a topic", probe.id.as_str()),
                &probe.place,
                format!("no topic can bring a reading from probe {}", probe.id),
                format!(
                    "add an entry to `topics` whose source becomes `{}`, or give the probe a `topic:` of its own",
                    probe.id
                ),
            );
        }
    }
}

/// Whether some topic can bring a reading of this kind from this probe or blower.
fn heard(site: &Site, id: &str, wanted: impl Fn(&Field) -> bool) -> bool {
    site.topics
        .iter()
        .flat_map(|map| match &map.payload {
            Payload::Number(field) => std::slice::from_ref(field),
            Payload::Json { fields, .. } => fields.as_slice(),
        })
        .filter(|field| wanted(field))
        .any(|field| source_parts(&field.source).is_some_and(|parts| source_fits(&parts, id)))
}

fn mail(site: &Site, all: &mut Vec<Advice>) {
    let place = &site.settings_path;
    match &site.mail.transport {
        Transport::Folder(folder) => add(
            all,
            place,
            format!("mail goes into the folder {} and reaches nobody", folder.display()),
            "write `smtp:` in place of `folder:` once the trial is over",
        ),
        Transport::Smtp { host, login: None, .. } => add(
            all,
            place,
            format!("mail goes to {host} without a login, and many relays then refuse it or take it for spam"),
            "add `user:` with `password_file:` or `credential:`, unless the relay knows this machine",
        ),
        Transport::Smtp { host, security: LinkSecurity::Plain, login: Some(_), .. } => {
            add(
                all,
                place,
                format!("the password for the relay {host} travels unencrypted"),
                "use `security: starttls`",
            );
        }
        Transport::Smtp { .. } => {}
    }
    if !site.people.iter().any(|person| person.calls == Calls::All) {
        add(all, place, "nobody gets alarms", "add `gets: [alarms]` to the people who can act on one");
    }
    let gets_nothing =
        |p: &&Person| p.calls == Calls::None && !(p.unacknowledged || p.round_list || p.summary || p.reviewed);
    for person in site.people.iter().filter(gets_nothing) {
        add_one(
            all,
            ("person without mail", &person.name),
            place,
            format!("{} gets no mail at all", person.name),
            "write `gets: [alarms, round_list, summary]`, or keep the entry only to have the name at hand in the log",
        );
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_holds_for_many_is_one_line() {
        let one = |bin: &str| {
            let mut all = Vec::new();
            add_one(&mut all, ("bin without a blower", bin), "site.yaml:7", format!("bin {bin} has none"), "name one");
            all.remove(0)
        };
        let mut other = one("b1");
        (other.one_of, other.what) = (None, "mail goes nowhere".into());
        for (bins, want) in [
            (1, "site.yaml:7: bin b1 has none; name one"),
            (3, "site.yaml:7: bin b1 has none; name one; the same holds for b2, b3"),
            (
                300,
                "site.yaml:7: bin b1 has none; name one; the same holds for 299 more, such as b2, b3, b4: `hypocaust check` lists them",
            ),
        ] {
            let mut all: Vec<Advice> = (1..=bins).map(|n| one(&format!("b{n}"))).collect();
            all.insert(1, other.clone());
            all.push(other.clone());
            let told = folded(&all);
            assert_eq!(told.len(), 3, "{told:?}");
            assert_eq!(told[0], want);
        }
    }
}
