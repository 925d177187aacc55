//! The site after its settings were checked: every reference resolves, every number is in range, every unit is canonical.
//!
//! Must never be built from unchecked text: [`crate::settings::read`] is the only way in.

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::path::PathBuf;

use pile::time::Span;
use pile::units::{CubicMetres, CubicMetresPerHour, LitresPerMinute, Metres};

use crate::ids::{BinId, BlowerId, ProbeId, ValveId};
use crate::quantity::{Quantity, Unit};
use crate::zone::{TimeOfDay, WeeklyTime, Zone};

mod people;
mod process;

pub use people::{Calls, DutyTime, LeavesOut, Outside, Paper, Person, REPORT_SECTIONS, ReportSection, Reports};
pub use process::{Process, SYSTEMS, System};

/// Everything the settings say.
#[derive(Clone, Debug, PartialEq)]
pub struct Site {
    /// Short name used in topics, mail subjects and Message-IDs.
    pub id: String,
    /// The name as people say it.
    pub name: String,
    /// The zone of the site's clocks.
    pub zone: Zone,
    /// How values are shown; storing is always metric.
    pub display: Display,
    /// Height above sea level, for the boiling point and air pressure.
    pub elevation: Metres,
    /// Where the ledger, the lock and the socket live.
    pub data_folder: PathBuf,
    /// The MQTT broker.
    pub broker: Broker,
    /// The link to the broker is down for this long before an alarm tells.
    pub broker_alarm_after: Span,
    /// How topics and payloads become readings, tried in this order; the first whose pattern fits is used.
    pub topics: Vec<TopicMap>,
    /// Blowers by id.
    pub blowers: BTreeMap<BlowerId, Blower>,
    /// Bins by id.
    pub bins: BTreeMap<BinId, Bin>,
    /// Probes by id.
    pub probes: BTreeMap<ProbeId, Probe>,
    /// How mail leaves.
    pub mail: Mail,
    /// Who gets it.
    pub people: Vec<Person>,
    /// Gateways, in the order of the settings.
    pub gateways: Vec<Gateway>,
    /// Where the rules are and what the site changed in them.
    pub rules: RuleSettings,
    /// A topic that drives a lamp or horn at the site while a high alarm stands.
    pub sounder: Option<Sounder>,
    /// An address outside the site that is called while all is well.
    pub heartbeat: Option<Heartbeat>,
    /// When the weekly summary goes out.
    pub summary: WeeklyTime,
    /// When the round list goes out, and what it reminds of.
    pub round_list: RoundList,
    /// The criteria that its batches are judged by, in the order of the settings.
    pub criteria: Vec<Chosen>,
    /// How long readings are kept.
    pub keep: Keep,
    /// The copy for a database that people look at.
    pub influx: Option<Influx>,
    /// Where the daemon shows how it is doing, for programs that watch it.
    pub metrics: Option<SocketAddr>,
    /// What weekly summaries and process records say of the site, and who outside gets them.
    pub reports: Reports,
    /// The folder with the site's own criteria, one a file.
    pub criteria_folder: Option<PathBuf>,
    /// How the settings text was addressed, for messages.
    pub settings_path: String,
}

/// A criterion that the site is judged by, and what its permit says.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Chosen {
    /// The criterion's id.
    pub id: String,
    /// The condition of the permit, as it was typed in.
    pub permit: Option<String>,
    /// How long after a turning the material may be colder, where the permit grants it.
    pub recovery: Option<Span>,
    /// `file:line` of the settings, for messages.
    pub place: String,
}

/// Units in which values are shown.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Display {
    /// °C, litres, metres.
    Metric,
    /// °F, US gallons, feet.
    Us,
}

/// The MQTT broker.
#[derive(Clone, Debug, PartialEq)]
pub enum Broker {
    /// One of our own, inside the daemon.
    Embedded(Embedded),
    /// One that runs elsewhere.
    Remote {
        /// Host name or address.
        host: String,
        /// Port.
        port: u16,
        /// Encrypted or not.
        security: LinkSecurity,
        /// User name and where its password is.
        login: Option<Login>,
        /// The client id of our persistent session: one a site.
        client_id: String,
    },
}

/// Our own broker.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Embedded {
    /// Address and port without encryption; port 0 takes a free one. Beyond this machine only when the settings say so in as many
    /// words; `None` where TLS alone is spoken.
    pub listen: Option<SocketAddr>,
    /// Where TLS is spoken.
    pub tls: Option<TlsDoor>,
    /// Whoever connects must know one of these; needed unless every address is a loopback address.
    pub passwords: Option<SecretFile>,
    /// Users that may do other things than a probe's user may.
    pub users: Vec<BrokerUser>,
}

/// An address on which our own broker speaks TLS.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TlsDoor {
    /// Address and port; port 0 takes a free one.
    pub listen: SocketAddr,
    /// A PEM file with the certificate of this machine, and those between it and the authority.
    pub certificate: PathBuf,
    /// Where its private key is (PEM).
    pub key: SecretFile,
}

/// What one user of our own broker may do; both are topics in which `+` stands for one level and `#` for all that follow.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BrokerUser {
    /// The name in the password file.
    pub name: String,
    /// Where they may publish.
    pub publish: Vec<String>,
    /// What they may subscribe to.
    pub subscribe: Vec<String>,
}

/// How a link to another host is protected.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum LinkSecurity {
    /// Not at all; allowed to loopback addresses, elsewhere only when the settings say so in as many words.
    Plain,
    /// TLS from the first byte.
    Tls {
        /// A PEM file with the authority to trust; the system's own when absent.
        ca_file: Option<PathBuf>,
    },
    /// Plain at first, then STARTTLS, refused if the other side does not offer it (mail only).
    StartTls {
        /// A PEM file with the authority to trust; the system's own when absent.
        ca_file: Option<PathBuf>,
    },
}

/// A user name and where its password is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Login {
    /// The user name.
    pub user: String,
    /// Where the password is.
    pub password: SecretFile,
}

/// Where a secret is kept; never the secret itself.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum SecretFile {
    /// A file; its first line is the secret.
    File(PathBuf),
    /// A file of this name under `$CREDENTIALS_DIRECTORY`, as the service manager lays it.
    Credential(String),
}

/// How the messages of some topics become readings.
#[derive(Clone, Debug, PartialEq)]
pub struct TopicMap {
    /// Segments of the topic.
    pub pattern: Vec<Segment>,
    /// How the payload is read.
    pub payload: Payload,
    /// `file:line` of the settings, for messages.
    pub place: String,
}

/// One segment of a topic pattern.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Segment {
    /// This text.
    Literal(String),
    /// Any text, kept under this name.
    Capture(String),
}

/// How a payload is read.
#[derive(Clone, Debug, PartialEq)]
pub enum Payload {
    /// One number as text.
    Number(Field),
    /// JSON; values stand at RFC 6901 pointers.
    Json {
        /// Where the time is; intake time when absent.
        time: Option<String>,
        /// The values to take.
        fields: Vec<Field>,
    },
}

/// One value in a payload.
#[derive(Clone, Debug, PartialEq)]
pub struct Field {
    /// RFC 6901 pointer to the value; `None` for a plain number.
    pub value_at: Option<String>,
    /// RFC 6901 pointer to the unit; the value there wins over `unit`.
    pub unit_at: Option<String>,
    /// The id of the probe or blower, with captures in braces, such as `{bin}-{probe}`.
    pub source: String,
    /// What the value measures.
    pub quantity: Quantity,
    /// The unit the payload uses.
    pub unit: Unit,
    /// An absent or null value is normal and not worth refusing (a pack that carries some probes only).
    pub optional: bool,
}

/// A fan.
#[derive(Clone, Debug, PartialEq)]
pub struct Blower {
    /// Its id.
    pub id: BlowerId,
    /// What it is for.
    pub role: BlowerRole,
    /// Which way its air goes through a pile.
    pub direction: Direction,
    /// What it delivers while running.
    pub flow: CubicMetresPerHour,
    /// When it is meant to run.
    pub schedule: BlowerSchedule,
    /// How we know that it runs.
    pub proof: RunProof,
    /// The longest time between two readings of its proof signal when all is well.
    pub interval: Span,
    /// `file:line` of the settings, for messages.
    pub place: String,
}

/// What a blower is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BlowerRole {
    /// It aerates piles.
    Pile,
    /// It carries vapour and gas out of a building in which people work.
    BuildingExhaust,
}

/// Which way air goes through a pile: it dries and cools the material first where it enters.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Direction {
    /// Blown in through the floor, out at the top.
    #[default]
    Upward,
    /// Drawn in at the top, out through the floor.
    Suction,
}

/// What connects probes to the broker.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Gateway {
    /// Its id.
    pub id: String,
    /// The probes behind it.
    pub probes: Vec<ProbeId>,
    /// The topic on which it, or its will, says how it is.
    pub status: Option<GatewayStatus>,
}

/// How a gateway says that it is there or gone.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct GatewayStatus {
    /// The topic.
    pub topic: String,
    /// The payload when it is gone, which it leaves with the broker as its will.
    pub gone: String,
}

/// When a blower is meant to run.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BlowerSchedule {
    /// All the time.
    Continuous,
    /// For `on` out of every `every`.
    Pulses {
        /// How long it runs each time.
        on: Span,
        /// From one start to the next.
        every: Span,
    },
}

/// How we know that a blower runs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum RunProof {
    /// It counts its seconds of running.
    RunCounter,
    /// A signal that is above a limit while it runs.
    Signal {
        /// Current, pressure or flow.
        quantity: Quantity,
        /// Above this it runs, in the canonical unit.
        on_above: f64,
    },
    /// Nothing tells us: it is scheduled, unproven.
    ScheduledOnly,
}

/// A place where one batch at a time is aerated.
#[derive(Clone, Debug, PartialEq)]
pub struct Bin {
    /// Its id.
    pub id: BinId,
    /// What it holds when full.
    pub volume: CubicMetres,
    /// How high the pile is when the bin is full.
    pub height: Option<Metres>,
    /// The blower that serves it.
    pub blower: Option<BlowerId>,
    /// The valve between the two.
    pub valve: Option<ValveId>,
    /// What the blower moves through this bin while it runs, where that was measured; else an even share of the blower's flow.
    pub flow: Option<CubicMetresPerHour>,
    /// What the hose gives there.
    pub hose: Option<LitresPerMinute>,
    /// How it composts.
    pub process: Process,
    /// Its probes, in the order of the settings.
    pub probes: Vec<ProbeId>,
    /// `file:line` of the settings, for messages.
    pub place: String,
}

/// One instrument.
#[derive(Clone, Debug, PartialEq)]
pub struct Probe {
    /// Its id.
    pub id: ProbeId,
    /// The bin it is in; `None` for one that serves the whole site.
    pub bin: Option<BinId>,
    /// Where it sits.
    pub position: Position,
    /// How deep, measured from the surface of the pile.
    pub depth: Option<Metres>,
    /// The longest time between two readings when all is well.
    pub interval: Span,
    /// What a working instrument can report, in the canonical unit of its quantity.
    pub range: (f64, f64),
    /// Reports exactly 85.0 °C when it has just been powered (DS18B20 and kin).
    pub power_on_85: bool,
    /// `file:line` of the settings, for messages.
    pub place: String,
}

/// Where a probe sits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Position {
    /// Low in the pile, near the air floor: the first to dry and the coolest while air is blown from below.
    Base,
    /// In the middle of the pile.
    Core,
    /// High in the pile, under the cover layer.
    Upper,
    /// In the duct or space that takes the air away.
    Exhaust,
    /// Outdoor air, or the air the blower draws.
    Ambient,
    /// In the duct before the floor.
    Plenum,
    /// In the cover layer.
    Cover,
    /// Air that people breathe.
    Room,
}

/// How mail leaves.
#[derive(Clone, Debug, PartialEq)]
pub struct Mail {
    /// The sender, an address people may answer.
    pub from: String,
    /// The domain of our Message-IDs.
    pub domain: String,
    /// The way out.
    pub transport: Transport,
}

/// The way out for mail.
#[derive(Clone, Debug, PartialEq)]
pub enum Transport {
    /// Into a folder, one .eml file a mail, for trial runs.
    Folder(PathBuf),
    /// To a relay.
    Smtp {
        /// Host name or address of the relay.
        host: String,
        /// Its port.
        port: u16,
        /// Encrypted or not.
        security: LinkSecurity,
        /// User name and where its password is.
        login: Option<Login>,
    },
}

/// One mail every morning with what could wait for daylight.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RoundList {
    /// When it goes out.
    pub at: TimeOfDay,
    /// From this time until the next round list, alarms of low priority wait for it.
    pub quiet_from: TimeOfDay,
    /// What people of the site want to be reminded of.
    pub reminders: Vec<Reminder>,
}

/// Something to be done on certain days of the week.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reminder {
    /// What.
    pub text: String,
    /// On which days, 1 Monday to 7 Sunday.
    pub weekdays: Vec<i8>,
}

/// Where the rules are and what the site changed in them.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct RuleSettings {
    /// The folder with one `.rhai` file a rule.
    pub folder: PathBuf,
    /// Changed settings: rule name, then setting name; the place is `file:line`.
    pub changed: BTreeMap<String, BTreeMap<String, Changed>>,
}

/// A rule setting that the site changed.
#[derive(Clone, Debug, PartialEq)]
pub struct Changed {
    /// The number as written.
    pub value: f64,
    /// The unit written behind it, such as `°F` in `131 °F`.
    pub unit: Option<Unit>,
    /// `file:line` of the settings, for messages.
    pub place: String,
}

/// How long readings stay in the store: they are taken out after their time, once the roots over them are on record.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct Keep {
    /// Of every quantity that has no time of its own, in years; for ever without it.
    pub years: Option<f64>,
    /// Of these quantities, in years.
    pub years_of: BTreeMap<Quantity, f64>,
    /// Where the settings still call this by its former key: `file:line`.
    pub former_key: Option<String>,
}

/// A bucket of InfluxDB 2 that gets a copy of everything.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Influx {
    /// The address, such as `https://influx.example:8086`, without a path.
    pub url: String,
    /// A PEM file with the authority to trust; without it those that the client library brings.
    pub ca_file: Option<PathBuf>,
    /// The organisation that the bucket belongs to.
    pub organisation: String,
    /// The bucket.
    pub bucket: String,
    /// Where the token is.
    pub token: SecretFile,
    /// How many readings a second are copied at the most while catching up.
    pub catch_up_per_second: u32,
}

/// A topic that drives a lamp or horn.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sounder {
    /// Where to publish.
    pub topic: String,
    /// Payload while a high alarm stands unacknowledged.
    pub on: String,
    /// Payload otherwise.
    pub off: String,
}

/// An address outside the site that is called while all is well; its silence is somebody else's alarm.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Heartbeat {
    /// Called with GET. Whoever knows it can call it while we are silent, so it is a secret.
    pub address: HeartbeatAddress,
    /// How often.
    pub every: Span,
}

/// Where the address of the heartbeat is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum HeartbeatAddress {
    /// In a file of its own.
    Secret(SecretFile),
    /// In the settings, as it was before version 0.2; never on record and never in a recording.
    Plain(String),
}

/// Every position with its key in settings and rules.
pub const POSITIONS: [(Position, &str); 8] = [
    (Position::Base, "base"),
    (Position::Core, "core"),
    (Position::Upper, "upper"),
    (Position::Exhaust, "exhaust"),
    (Position::Ambient, "ambient"),
    (Position::Plenum, "plenum"),
    (Position::Cover, "cover"),
    (Position::Room, "room"),
];

impl Position {
    /// The key that settings and rules use.
    pub fn key(self) -> &'static str {
        POSITIONS.iter().find(|(p, _)| *p == self).map_or("", |(_, key)| key)
    }

    /// The position of a key.
    pub fn named(key: &str) -> Option<Position> {
        POSITIONS.iter().find(|(_, own)| *own == key).map(|(position, _)| *position)
    }

    /// The temperatures that a working probe there can report where the settings give none, in °C.
    ///
    /// In the material the range that pile probes are sold for (see [`Quantity::default_range`]). What hangs in the air is as cold as the
    /// weather: −50 °C is below all but the coldest winters on record where people compost, and a reading that is set aside keeps the rules
    /// on frost silent. Outside air above 60 °C is a probe in the sun or beside a fire; a duct, a cover or a room gets hotter.
    pub fn default_celsius(self) -> (f64, f64) {
        match self {
            Position::Ambient => (-50.0, 60.0),
            Position::Plenum | Position::Cover | Position::Room | Position::Exhaust => (-50.0, 120.0),
            Position::Base | Position::Core | Position::Upper => Quantity::Temperature.default_range(),
        }
    }

    /// Whether a probe there is of one bin.
    pub fn in_bin(self) -> bool {
        !matches!(self, Position::Ambient | Position::Room)
    }
}

impl Site {
    /// The topic on which entries of the log come in.
    pub fn log_topic(&self) -> String {
        format!("hypocaust/{}/log", self.id)
    }

    /// The topic on which a wall panel acknowledges alarms.
    pub fn acknowledge_topic(&self) -> String {
        format!("hypocaust/{}/acknowledge", self.id)
    }
}

impl Blower {
    /// Whether every pulse can be seen in the proof signal.
    ///
    /// A run counter misses none. A sampled signal must see each pulse at least twice, or pulses fall between samples: 45 s seen
    /// once a minute misses a quarter of them.
    pub fn pulses_countable(&self) -> bool {
        match (self.proof, self.schedule) {
            (RunProof::ScheduledOnly, _) => false,
            (RunProof::RunCounter, _) | (RunProof::Signal { .. }, BlowerSchedule::Continuous) => true,
            (RunProof::Signal { .. }, BlowerSchedule::Pulses { on, .. }) => on >= self.interval.times(2),
        }
    }
}

impl BlowerSchedule {
    /// The share of time it is meant to run, 0 to 1.
    pub fn duty(self) -> f64 {
        match self {
            BlowerSchedule::Continuous => 1.0,
            BlowerSchedule::Pulses { on, every } => on.as_seconds() / every.as_seconds(),
        }
    }
}

impl RoundList {
    /// Whether an alarm of low priority that comes at this time of day waits for the next list.
    pub fn quiet(&self, time: TimeOfDay) -> bool {
        if self.quiet_from <= self.at {
            (self.quiet_from..self.at).contains(&time)
        } else {
            time >= self.quiet_from || time < self.at
        }
    }

    /// What is to be done on a day of the week, 1 Monday to 7 Sunday.
    pub fn reminders_on(&self, weekday: i8) -> impl Iterator<Item = &str> {
        self.reminders.iter().filter(move |r| r.weekdays.contains(&weekday)).map(|r| r.text.as_str())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn blower(schedule: BlowerSchedule, proof: RunProof, interval: Span) -> Blower {
        let id = BlowerId::new("blower-1").unwrap();
        Blower {
            id,
            role: BlowerRole::Pile,
            direction: Direction::Upward,
            flow: CubicMetresPerHour(150.0),
            schedule,
            proof,
            interval,
            place: "site.yaml:1".into(),
        }
    }

    #[test]
    fn pulses_can_be_counted_only_where_each_is_seen_twice() {
        let pulses = BlowerSchedule::Pulses { on: Span::seconds(45), every: Span::minutes(30) };
        let current = RunProof::Signal { quantity: Quantity::Current, on_above: 0.4 };
        for (schedule, proof, interval_s, want, why) in [
            (pulses, RunProof::RunCounter, 300, true, "a counter misses nothing, however seldom it is read"),
            (pulses, current, 22, true, "two samples fit into 45 s"),
            (pulses, current, 23, false, "22.5 s is the limit"),
            (pulses, current, 60, false, "a quarter falls between samples"),
            (BlowerSchedule::Continuous, current, 600, true, "there are no pulses to miss"),
            (pulses, RunProof::ScheduledOnly, 1, false, "nothing tells"),
            (BlowerSchedule::Continuous, RunProof::ScheduledOnly, 1, false, "nothing tells here either"),
        ] {
            let got = blower(schedule, proof, Span::seconds(interval_s)).pulses_countable();
            assert_eq!(got, want, "{schedule:?} {proof:?} {interval_s} s: {why}");
        }
    }

    #[test]
    fn duty_is_the_share_of_time() {
        let pulses = |on, every| BlowerSchedule::Pulses { on: Span::seconds(on), every: Span::minutes(every) };
        assert_eq!(BlowerSchedule::Continuous.duty(), 1.0);
        assert_eq!(pulses(45, 30).duty(), 0.025);
        assert_eq!(pulses(30, 1).duty(), 0.5);
    }

    #[test]
    fn nights_are_quiet_from_evening_to_the_round_list() {
        let at = |hour, minute| TimeOfDay { hour, minute };
        let list = |quiet_from, time| RoundList { at: time, quiet_from, reminders: Vec::new() };
        for (from, to, time, want, why) in [
            (at(21, 0), at(6, 30), at(20, 59), false, "evening"),
            (at(21, 0), at(6, 30), at(21, 0), true, "the night begins"),
            (at(21, 0), at(6, 30), at(3, 0), true, "after midnight"),
            (at(21, 0), at(6, 30), at(6, 29), true, "the last minute"),
            (at(21, 0), at(6, 30), at(6, 30), false, "the list itself goes out"),
            (at(1, 0), at(6, 30), at(0, 30), false, "a night that begins after midnight"),
            (at(1, 0), at(6, 30), at(5, 0), true, "and its middle"),
            (at(6, 30), at(6, 30), at(6, 30), false, "no night at all"),
        ] {
            assert_eq!(list(from, to).quiet(time), want, "{time:?} in {from:?} to {to:?}: {why}");
        }
    }

    #[test]
    fn every_position_has_its_own_key() {
        for (position, key) in POSITIONS {
            assert_eq!(position.key(), key);
            assert_eq!(POSITIONS.iter().filter(|(_, other)| *other == key).count(), 1, "{key}");
        }
    }
}
