//! The form of the settings as a JSON Schema, for editors that complete and check as one types, and for the manual page.
//!
//! Must never be what decides whether settings are good: that is the reader in `site::settings`, which knows more than a form. A test
//! holds the keys of both against each other.

#![expect(dead_code, reason = "these types are never filled: the schema is made from them")]

use std::borrow::Cow;
use std::collections::BTreeMap;

use schemars::generate::SchemaSettings;
use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde_json::{Map, Value, json};
use site::model::{POSITIONS, REPORT_SECTIONS};
use site::quantity::{QUANTITIES, Unit};

/// The schema, as `config/site.schema.json` has it.
///
/// Draft 7, which editors of YAML know best. A key without a value is a fault for the reader, so no type allows `null`.
pub fn schema() -> Value {
    let mut value = SchemaSettings::draft07().into_generator().into_root_schema_for::<Settings>().to_value();
    without_null(&mut value);
    value
}

/// The schema as text, ending with a line break.
pub fn schema_text() -> String {
    format!("{:#}\n", schema())
}

/// Takes out `null`, which an optional key brought into its type, and formats of numbers.
fn without_null(value: &mut Value) {
    match value {
        Value::Object(map) => {
            if let Some(Value::Array(types)) = map.get_mut("type") {
                types.retain(|t| t != "null");
                if let [only] = &types[..] {
                    let only = only.clone();
                    map.insert("type".into(), only);
                }
            }
            if let Some(Value::Array(words)) = map.get_mut("enum") {
                words.retain(|word| !word.is_null());
            }
            // `double` or `uint16` says nothing to a person, and editors warn of formats that they do not know.
            map.remove("format");
            if let Some(Value::Array(ways)) = map.get_mut("anyOf") {
                ways.retain(|way| *way != json!({ "type": "null" }));
                if let [Value::Object(only)] = &ways[..] {
                    let only = only.clone();
                    map.remove("anyOf");
                    // Draft 7 does not look at what stands beside a reference.
                    match only.contains_key("$ref") {
                        true => _ = map.insert("allOf".into(), json!([only])),
                        false => map.extend(only),
                    }
                }
            }
            map.values_mut().for_each(without_null);
        }
        Value::Array(list) => list.iter_mut().for_each(without_null),
        _ => {}
    }
}

/// Settings of one site of hypocaust.
///
/// `hypocaust check` says more than this form can: whether what is named is there, and whether it fits together.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields, title = "Settings of hypocaust")]
struct Settings {
    /// The site.
    site: Site,
    /// Where the readings, the record and the socket live. One folder serves one daemon. Default: data
    data_folder: Option<String>,
    /// The broker that readings come from; without it one is brought along, on 127.0.0.1:1883.
    broker: Option<Broker>,
    /// How messages become readings. No two entries may take in the same topic.
    topics: Option<Vec<Topic>>,
    /// Blowers, and how it is known that they run.
    blowers: Option<Vec<Blower>>,
    /// Bins and their probes.
    #[schemars(length(min = 1))]
    bins: Vec<Bin>,
    /// Probes that belong to no bin: ambient, room, exhaust or plenum.
    probes: Option<Vec<Probe>>,
    /// What connects probes to the broker.
    gateways: Option<Vec<Gateway>>,
    /// The way out for mail.
    mail: Mail,
    /// Who gets mail, and which.
    people: Option<Vec<Person>>,
    /// The rules and their numbers.
    rules: Option<Rules>,
    /// What batches are judged by; `hypocaust criteria list` shows what there is.
    criteria: Option<Vec<Criterion>>,
    /// A folder with criteria of your own, one a file.
    criteria_folder: Option<String>,
    /// A topic that drives a lamp or horn at the site while a high alarm stands.
    sounder: Option<Sounder>,
    /// An address outside the site that is called while all is well.
    heartbeat: Option<Heartbeat>,
    /// One mail every morning with what could wait for daylight.
    round_list: Option<RoundList>,
    /// When the weekly summary goes out, by the site's clock. Default: Monday 07:00
    summary: Option<Weekly>,
    /// What weekly summaries and process records say of the site.
    reports: Option<Reports>,
    /// How long readings are kept; for ever without it.
    keep: Option<Keep>,
    /// A copy of what is measured in a bucket of InfluxDB 2.
    influx: Option<Influx>,
    /// Where the daemon shows how it is doing.
    metrics: Option<Metrics>,
    /// The former name of `years` in `keep`.
    #[schemars(range(min = 1, max = 100), extend("deprecated" = true))]
    keep_readings_years: Option<f64>,
}

/// The site.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
struct Site {
    /// Short name in topics, mail subjects and Message-IDs. Do not change it later.
    id: Id,
    /// The name as people say it.
    name: String,
    /// Time zone of the site's clocks, by its IANA name, such as Europe/Dublin.
    zone: String,
    /// How values are shown; storing is always metric. Default: metric
    units: Option<Units>,
    /// Height above sea level in metres, from which air pressure follows; this or elevation_feet must be there.
    #[schemars(range(min = -430, max = 5500))]
    elevation_metres: Option<f64>,
    /// Height above sea level in feet.
    elevation_feet: Option<f64>,
}

#[derive(JsonSchema)]
#[schemars(rename_all = "snake_case")]
enum Units {
    /// °C, litres, metres.
    Metric,
    /// °F, gallons, feet.
    Us,
}

/// The broker: one that is brought along (`embedded`), or one that runs elsewhere (`url`).
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
struct Broker {
    /// Our own broker, inside the daemon.
    embedded: Option<Embedded>,
    /// A broker that runs elsewhere, such as mqtts://broker.example:8883.
    url: Option<String>,
    /// `plain` spells out that a link goes without encryption.
    security: Option<BrokerSecurity>,
    /// The user that the broker knows us by.
    user: Option<String>,
    /// A file whose first line is the password.
    password_file: Option<String>,
    /// In place of password_file: the name of a credential of the service manager.
    credential: Option<String>,
    /// The authority to trust; the system's own without it.
    ca_file: Option<String>,
    /// One a site. Default: hypocaust- and the site's id
    #[schemars(length(max = 64))]
    client_id: Option<String>,
    /// Time without a link to the broker before the alarm `broker-lost`, in minutes (1-120). Default: 10
    #[schemars(range(min = 1, max = 120))]
    alarm_after_minutes: Option<u8>,
}

#[derive(JsonSchema)]
#[schemars(rename_all = "snake_case")]
enum BrokerSecurity {
    Plain,
    Tls,
}

/// Our own broker. Beyond this machine it needs a password_file or a credential, and TLS unless `security: plain` says otherwise.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
struct Embedded {
    /// Address and port without encryption, such as "127.0.0.1:1883"; may be left out beside `tls`.
    listen: Option<String>,
    /// `plain` spells out that other machines may reach `listen` without encryption.
    security: Option<Plain>,
    /// Where TLS is spoken.
    tls: Option<BrokerTls>,
    /// A file with a line `user:password` for each client.
    password_file: Option<String>,
    /// In place of password_file: the name of a credential of the service manager.
    credential: Option<String>,
    /// Users that may do other things than a probe's user may.
    #[schemars(length(max = 1000))]
    users: Option<Vec<BrokerUser>>,
}

/// Where our own broker speaks TLS, and with which certificate.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
struct BrokerTls {
    /// Address and port, such as "0.0.0.0:8883".
    listen: String,
    /// The certificate of this machine, PEM, with those between it and the authority.
    certificate_file: String,
    /// A file with its private key, PEM.
    key_file: Option<String>,
    /// In place of key_file: the name of a credential of the service manager.
    key_credential: Option<String>,
}

/// What a user of our own broker may do, in place of what a probe's user may.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
struct BrokerUser {
    /// The name in the password file.
    #[schemars(length(max = 64))]
    user: String,
    /// Topics to publish on; `+` stands for one level and `#` for all that follow.
    #[schemars(length(max = 100))]
    publish: Option<Vec<String>>,
    /// Topics to subscribe to.
    #[schemars(length(max = 100))]
    subscribe: Option<Vec<String>>,
}

/// How the messages of a topic become readings.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
struct Topic {
    /// The topic; a name in braces stands for everything between two slashes.
    topic: String,
    /// Whether a message is one number, or JSON.
    payload: PayloadForm,
    /// With `number`: the id of the probe or blower, with names from the topic in braces.
    source: Option<String>,
    /// With `number`: what is measured.
    quantity: Option<QuantityKey>,
    /// With `number`: the unit of the payload.
    unit: Option<UnitSign>,
    /// With `number`: whether a message without the value is normal. Default: false
    optional: Option<bool>,
    /// With `json`: a JSON pointer to the time of measuring; without it the time of arrival counts.
    time_at: Option<String>,
    /// With `json`: the values in a message.
    #[schemars(length(min = 1))]
    values: Option<Vec<TopicValue>>,
}

#[derive(JsonSchema)]
#[schemars(rename_all = "snake_case")]
enum PayloadForm {
    Number,
    Json,
}

/// One value of a JSON message.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
struct TopicValue {
    /// A JSON pointer to it (RFC 6901): /a/0/b.
    value_at: String,
    /// A JSON pointer to its unit, which wins over `unit`.
    unit_at: Option<String>,
    /// The id of the probe or blower, with names from the topic in braces.
    source: String,
    /// What is measured.
    quantity: QuantityKey,
    /// The unit of the value.
    unit: UnitSign,
    /// Whether a message without the value is normal. Default: false
    optional: Option<bool>,
}

/// A blower.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
struct Blower {
    /// Its name.
    id: Id,
    /// What it is for. Default: pile
    role: Option<BlowerRole>,
    /// Which way its air goes through a pile. The material dries first where air enters. Default: upward
    direction: Option<Direction>,
    /// What it delivers while it runs, in m³/h; this or flow_cfm must be there.
    #[schemars(range(min = 1, max = 200_000))]
    flow_m3_per_h: Option<f64>,
    /// What it delivers while it runs, in cubic feet a minute.
    flow_cfm: Option<f64>,
    /// When it is meant to run.
    schedule: Schedule,
    /// How it is known that it runs; by schedule only without it.
    running: Option<Running>,
}

#[derive(JsonSchema)]
#[schemars(rename_all = "snake_case")]
enum BlowerRole {
    /// Air for the piles.
    Pile,
    /// The fan that carries vapour and gas out of a building.
    BuildingExhaust,
}

#[derive(JsonSchema)]
#[schemars(rename_all = "snake_case")]
enum Direction {
    /// Blown in through the floor, out at the top.
    Upward,
    /// Drawn in at the top, out through the floor.
    Suction,
}

/// When a blower is meant to run: `continuous`, or in pulses.
#[derive(JsonSchema)]
#[schemars(untagged)]
enum Schedule {
    /// All the time.
    Always(Continuous),
    /// In pulses.
    Pulses(Pulses),
}

#[derive(JsonSchema)]
#[schemars(rename_all = "snake_case")]
enum Continuous {
    Continuous,
}

/// Pulses of a blower.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
struct Pulses {
    /// How long each pulse lasts.
    #[schemars(range(min = 1, max = 86_400))]
    on_seconds: f64,
    /// From one start to the next.
    #[schemars(range(min = 0.1, max = 1_440))]
    every_minutes: f64,
}

/// How it is known that a blower runs.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
struct Running {
    /// A run counter, a signal, or nothing but its schedule.
    by: RunningBy,
    /// How often the signal is reported.
    #[schemars(range(min = 1, max = 86_400))]
    every_seconds: Option<f64>,
    /// The value above which it runs, with its unit, such as "0.4 A".
    on_above: Option<String>,
}

#[derive(JsonSchema)]
#[schemars(rename_all = "snake_case")]
enum RunningBy {
    RunCounter,
    Current,
    Pressure,
    Flow,
    Schedule,
}

/// A kind of composting.
#[derive(JsonSchema)]
#[schemars(rename_all = "kebab-case")]
enum Composting {
    /// A closed reactor.
    InVessel,
    /// A pile with forced air that is not turned.
    AeratedStaticPile,
    /// A long pile that is turned.
    Windrow,
}

/// A bin and its probes.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
struct Bin {
    /// Its name.
    id: Id,
    /// What it holds when full, in m³; this or volume_yd3 must be there.
    #[schemars(range(min = 0.05, max = 10_000))]
    volume_m3: Option<f64>,
    /// What it holds when full, in cubic yards.
    volume_yd3: Option<f64>,
    /// How high the pile is when the bin is full, in metres: a very high pile that runs hot is an early sign of fire.
    #[schemars(range(min = 0.2, max = 20))]
    height_metres: Option<f64>,
    /// The same in feet.
    height_feet: Option<f64>,
    /// The blower that serves it.
    blower: Option<String>,
    /// What the blower moves through this bin while it runs, in m³/h; else an even share of the blower's flow.
    #[schemars(range(min = 0.1, max = 100_000))]
    flow_m3_per_h: Option<f64>,
    /// The same in cubic feet a minute.
    flow_cfm: Option<f64>,
    /// The valve between blower and bin.
    valve: Option<String>,
    /// What the hose gives there, in litres a minute.
    #[schemars(range(min = 0.1, max = 10_000))]
    hose_l_per_min: Option<f64>,
    /// The same in gallons a minute.
    hose_gal_per_min: Option<f64>,
    /// How it composts, for the criteria that ask. Default: aerated-static-pile.
    system: Option<Composting>,
    /// Whether air is drawn down through the pile. Default: as the `direction` of its blower says.
    suction: Option<bool>,
    /// Degrees (K, 0-10) by which a probe there may be off though it passed its check: a result with less to spare is marginal.
    #[schemars(range(min = 0, max = 10))]
    uncertainty_kelvin: Option<f64>,
    /// Its probes.
    probes: Option<Vec<Probe>>,
}

/// A probe.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
struct Probe {
    /// Its name.
    id: Id,
    /// Where it sits.
    position: PositionKey,
    /// How deep it sits below the surface of the pile, in metres.
    #[schemars(range(min = 0, max = 10))]
    depth_metres: Option<f64>,
    /// The same in feet.
    depth_feet: Option<f64>,
    /// The longest time between two readings when all is well; silence is judged by it.
    #[schemars(range(min = 1, max = 86_400))]
    every_seconds: f64,
    /// The lowest and the highest temperature that it can report, in °C. Default in the material: [-20, 120]; ambient:
    /// [-50, 60]; exhaust, plenum, cover and room: [-50, 120]
    range_celsius: Option<[f64; 2]>,
    /// Whether it reports exactly 85 °C just after power-on, as DS18B20 probes do. Default: true
    power_on_85: Option<bool>,
    /// A topic of its own, one number a message.
    topic: Option<String>,
    /// What it measures on that topic. Default: temperature
    quantity: Option<QuantityKey>,
    /// The unit on that topic.
    unit: Option<UnitSign>,
}

/// What connects probes to the broker.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
struct Gateway {
    /// Its name.
    id: Id,
    /// The probes behind it.
    probes: Vec<String>,
    /// Where it, or the will that it leaves with the broker, says how it is.
    topic: Option<String>,
    /// What it says there when it is gone. Default: offline
    gone: Option<String>,
}

/// The way out for mail: a folder for a trial, or a relay.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
struct Mail {
    /// The sender; people may answer to it.
    from: String,
    /// The domain of our Message-IDs. Default: the domain of `from`
    domain: Option<String>,
    /// For a trial: one .eml file a mail in this folder, inside the data folder.
    folder: Option<String>,
    /// For real: the relay.
    smtp: Option<Smtp>,
}

/// A mail relay.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
struct Smtp {
    /// Its name.
    host: String,
    /// Its port. Default: 587 with starttls, 465 with tls, 25 with plain
    #[schemars(range(min = 1, max = 65_535))]
    port: Option<u16>,
    /// Encryption; without it encrypted unless the relay is this machine.
    security: Option<SmtpSecurity>,
    /// The authority to trust; the system's own without it.
    ca_file: Option<String>,
    /// The user that the relay knows us by.
    user: Option<String>,
    /// A file whose first line is the password.
    password_file: Option<String>,
    /// In place of password_file: the name of a credential of the service manager.
    credential: Option<String>,
}

#[derive(JsonSchema)]
#[schemars(rename_all = "snake_case")]
enum SmtpSecurity {
    #[schemars(rename = "starttls")]
    StartTls,
    Tls,
    Plain,
}

/// Somebody who gets mail.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
struct Person {
    /// How the log and `--by` know them.
    name: String,
    /// Their address.
    mail: String,
    /// What reaches them, by what they are to the site.
    role: Option<Role>,
    /// What reaches them, in place of the role's list.
    gets: Option<Vec<Gets>>,
    /// Mails that ask for nothing and are left out. Default: none.
    leaves_out: Option<Vec<LeavesOut>>,
    /// Sections of the weekly summary, in place of all.
    sections: Option<Vec<SectionKey>>,
    /// Only alarms of these bins, and those of the whole site.
    bins: Option<Vec<String>>,
    /// When alarms reach them, by the site's clock; always without it.
    on_duty: Option<Vec<Duty>>,
    /// A file with the word that their entries over MQTT must carry.
    log_token_file: Option<String>,
    /// In place of log_token_file: the name of a credential of the service manager.
    log_token_credential: Option<String>,
}

#[derive(JsonSchema)]
#[schemars(rename_all = "snake_case")]
enum Role {
    /// Every alarm when it is raised, and the round list.
    Crew,
    /// Alarms of high priority at once, others when nobody acknowledged them in time, the weekly summary.
    Owner,
    /// Documents that somebody of the site has reviewed, and nothing else.
    Reader,
}

#[derive(JsonSchema)]
#[schemars(rename_all = "snake_case")]
enum LeavesOut {
    /// That an alarm of low priority has cleared.
    LowClears,
    /// Round lists of mornings without news: no active alarm, no cleared one, no reminder.
    QuietLists,
}

#[derive(JsonSchema)]
#[schemars(rename_all = "snake_case")]
enum Gets {
    Alarms,
    HighAlarms,
    Unacknowledged,
    RoundList,
    Summary,
    Reviewed,
}

/// A time on duty.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
struct Duty {
    /// Every day without it.
    weekdays: Option<Vec<Weekday>>,
    /// From when, such as "06:00".
    from: TimeOfDay,
    /// Until when, such as "18:00".
    to: TimeOfDay,
}

#[derive(JsonSchema)]
#[schemars(rename_all = "snake_case")]
enum Weekday {
    Monday,
    Tuesday,
    Wednesday,
    Thursday,
    Friday,
    Saturday,
    Sunday,
}

/// The rules and their numbers.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
struct Rules {
    /// The folder with one .rhai file a rule. Default: rules
    folder: Option<String>,
    /// Numbers changed from what the rules ship with: the rule, then its setting. `hypocaust rules show NAME` lists them.
    settings: Option<BTreeMap<String, BTreeMap<String, RuleNumber>>>,
}

/// A number in the setting's own unit, or with a unit behind it, such as "131 °F".
#[derive(JsonSchema)]
#[schemars(untagged)]
enum RuleNumber {
    Bare(f64),
    WithUnit(String),
}

/// A criterion that batches are judged by.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
struct Criterion {
    /// Which; `hypocaust criteria list` shows them.
    id: String,
    /// The condition of the permit in its own words; it is printed with every result.
    permit: Option<String>,
    /// Hours after a turning that are not held against the operator; only with the permit that grants them.
    #[schemars(range(min = 0, max = 72))]
    recovery_hours: Option<f64>,
}

/// A lamp or horn.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
struct Sounder {
    /// The topic to publish on.
    topic: String,
    /// What switches it on. Default: ON
    on: Option<String>,
    /// What switches it off. Default: OFF
    off: Option<String>,
}

/// The outward sign of life.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
struct Heartbeat {
    /// The former place of the address, until the next version: a secret does not belong into the settings.
    #[schemars(extend("deprecated" = true))]
    url: Option<String>,
    /// A file whose first line is the address to call.
    url_file: Option<String>,
    /// In place of url_file: the name of a credential of the service manager.
    credential: Option<String>,
    /// How often. Default: 15
    #[schemars(range(min = 1, max = 1_440))]
    every_minutes: Option<f64>,
}

/// The morning's mail.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
struct RoundList {
    /// When it goes out. Default: "06:30"
    time: Option<TimeOfDay>,
    /// From this time until the list, alarms of low priority wait for it. Default: "21:00"
    quiet_from: Option<TimeOfDay>,
    /// What the list reminds of.
    reminders: Option<Vec<Reminder>>,
}

/// What the round list reminds of.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
struct Reminder {
    /// What is to be done.
    text: String,
    /// Every day without it.
    weekdays: Option<Vec<Weekday>>,
}

/// A time of the week.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
struct Weekly {
    /// The day.
    weekday: Option<Weekday>,
    /// The time, such as "07:00".
    time: Option<TimeOfDay>,
}

/// What documents say of the site.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
struct Reports {
    /// Name and address of the facility.
    facility: Option<String>,
    /// The number of the permit.
    permit: Option<String>,
    /// Who answers for the records.
    responsible: Option<String>,
    /// The size of paper; a4 for a metric site and letter for a US site unless given.
    paper: Option<Paper>,
    /// A template of your own for PDF; begin with what `hypocaust report template` prints.
    template: Option<String>,
    /// When people who get reviewed documents get them without a review, marked so. Never without it.
    outside_copies: Option<Weekly>,
}

#[derive(JsonSchema)]
#[schemars(rename_all = "snake_case")]
enum Paper {
    A4,
    Letter,
}

/// How long readings are kept.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
struct Keep {
    /// Years for all of them.
    #[schemars(range(min = 1, max = 100))]
    years: Option<f64>,
    /// Years for those of one quantity, such as `battery: 5`.
    years_of: Option<YearsOfQuantity>,
}

/// The copy in InfluxDB 2.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
struct Influx {
    /// Where it is, such as https://influx.example:8086.
    url: String,
    /// `plain` spells out that a link goes without encryption.
    security: Option<Plain>,
    /// The authority to trust; the usual public ones without it.
    ca_file: Option<String>,
    /// The organisation that the bucket belongs to.
    organisation: String,
    /// The bucket.
    bucket: String,
    /// A file whose first line is a token that may read and write the bucket.
    token_file: Option<String>,
    /// In place of token_file: the name of a credential of the service manager.
    token_credential: Option<String>,
    /// Readings a second while it catches up. Default: 5000
    #[schemars(range(min = 10, max = 100_000))]
    catch_up_per_second: Option<u32>,
}

#[derive(JsonSchema)]
#[schemars(rename_all = "snake_case")]
enum Plain {
    Plain,
}

/// Where the daemon shows how it is doing.
#[derive(JsonSchema)]
#[schemars(deny_unknown_fields)]
struct Metrics {
    /// Address and port. Default: "127.0.0.1:18830"
    listen: Option<String>,
    /// `plain` spells out that other machines may read it without encryption.
    security: Option<Plain>,
}

/// Implements the schema of a type that stands where it is used, and is not named.
macro_rules! in_place {
    ($type:ident, $schema:expr) => {
        struct $type;

        impl JsonSchema for $type {
            fn inline_schema() -> bool {
                true
            }

            fn schema_name() -> Cow<'static, str> {
                stringify!($type).into()
            }

            fn json_schema(_: &mut SchemaGenerator) -> Schema {
                $schema
            }
        }
    };
}

in_place!(Id, json_schema!({ "type": "string", "pattern": "^[A-Za-z0-9][A-Za-z0-9._-]{0,39}$" }));
in_place!(TimeOfDay, json_schema!({ "type": "string", "pattern": "^([01][0-9]|2[0-3]):[0-5][0-9]$" }));
in_place!(QuantityKey, one_of(QUANTITIES.iter().map(|(_, key)| *key)));
in_place!(UnitSign, one_of(Unit::all().flat_map(|unit| unit.spellings().iter().copied())));
in_place!(PositionKey, one_of(POSITIONS.iter().map(|(_, key)| *key)));
in_place!(SectionKey, one_of(REPORT_SECTIONS.iter().map(|(_, key)| *key)));
in_place!(YearsOfQuantity, years_of());

fn years_of() -> Schema {
    let years = || json!({ "type": "number", "minimum": 1, "maximum": 100 });
    let properties: Map<String, Value> = QUANTITIES.iter().map(|(_, key)| ((*key).to_owned(), years())).collect();
    json_schema!({ "type": "object", "properties": properties, "additionalProperties": false })
}

fn one_of<'a>(words: impl Iterator<Item = &'a str>) -> Schema {
    json_schema!({ "type": "string", "enum": words.collect::<Vec<_>>() })
}
