//! Loads the annotated example and every faulty settings file, and compares what is said about each, whole.
//!
//! Must never compare a part of the printed faults: the words are what the operator works from.

#![allow(clippy::unwrap_used)]

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use pile::time::Span;
use proptest::prelude::*;
use site::ids::{BinId, BlowerId, ProbeId};
use site::model::{
    BlowerSchedule, Broker, BrokerUser, Display, Embedded, HeartbeatAddress, LinkSecurity, Payload, RunProof,
    SecretFile, Segment, Site, TlsDoor, Transport,
};
use site::quantity::{Quantity, Unit};
use site::settings::{Fault, advice, read};

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

fn example() -> String {
    std::fs::read_to_string(root().join("config/site.yaml")).unwrap()
}

fn printed(faults: &[Fault]) -> String {
    faults.iter().map(|fault| format!("{fault}\n")).collect()
}

fn read_ok(text: &str) -> Site {
    read(text, "site.yaml").unwrap_or_else(|faults| panic!("{}", printed(&faults)))
}

/// A change in the annotated example; the text to replace must be there exactly once.
fn changed(from: &str, to: &str) -> String {
    let text = example();
    assert_eq!(text.matches(from).count(), 1, "`{from}` in the example");
    text.replacen(from, to, 1)
}

#[test]
fn what_others_look_at_is_off_unless_it_is_asked_for_and_stays_on_this_machine() {
    let plain = read_ok(&example());
    assert_eq!((&plain.influx, plain.metrics), (&None, None));
    let site = read_ok(
        &(example()
            + "metrics: {}\ninflux: { url: \"http://localhost:8086/\", organisation: o, bucket: b, token_credential: influx }\n"),
    );
    assert_eq!(site.metrics, Some("127.0.0.1:18830".parse().unwrap()), "the default is this machine alone");
    let influx = site.influx.unwrap();
    assert_eq!((influx.url.as_str(), influx.catch_up_per_second), ("http://localhost:8086", 5_000));
    assert_eq!(influx.token, SecretFile::Credential("influx".into()));
    let far = "influx: { url: \"http://10.0.0.7\", security: plain, organisation: o, bucket: b, token_file: /t }\n";
    assert!(read_ok(&(example() + far)).influx.is_some(), "spelled out");
}

#[test]
fn how_long_a_broker_may_be_away_has_a_floor_and_a_ceiling() {
    let from = "broker:\n  embedded:\n    listen: \"127.0.0.1:1883\"\n";
    let with = |more: &str| changed(from, &format!("broker:\n  url: \"mqtts://broker.example\"\n{more}"));
    assert_eq!(read_ok(&example()).broker_alarm_after, Span::minutes(10));
    assert_eq!(read_ok(&with("")).broker_alarm_after, Span::minutes(10));
    for minutes in [1, 45, 120] {
        let site = read_ok(&with(&format!("  alarm_after_minutes: {minutes}\n")));
        assert_eq!(site.broker_alarm_after, Span::minutes(minutes));
    }
}

proptest! {
    #[test]
    fn any_other_number_of_minutes_without_a_broker_is_one_fault_with_the_bounds(minutes in any::<i64>()) {
        prop_assume!(!(1..=120).contains(&minutes));
        let from = "broker:\n  embedded:\n    listen: \"127.0.0.1:1883\"\n";
        let to = format!("broker:\n  url: \"mqtts://broker.example\"\n  alarm_after_minutes: {minutes}\n");
        let faults = read(&changed(from, &to), "site.yaml").err().unwrap_or_default();
        prop_assert_eq!(faults.len(), 1);
        let fault = &faults[0];
        prop_assert!(fault.what.contains("alarm_after_minutes") && format!("{fault}").contains("120"), "{}", fault);
    }
}

#[test]
fn a_key_that_was_renamed_still_works_and_is_told() {
    let site = read_ok(&(example() + "keep_readings_years: 7\n"));
    assert_eq!(site.keep.years, Some(7.0));
    let told = advised(&site);
    assert!(
        told.contains("`keep_readings_years` has another name since version 0.2; it still works; write `keep:"),
        "{told}"
    );
    let site = read_ok(&(example() + "keep: { years: 7, years_of: { battery: 2 } }\n"));
    assert_eq!((site.keep.years, site.keep.years_of[&Quantity::Battery]), (Some(7.0), 2.0));
    assert_eq!(site.keep.former_key, None);
}

/// Run with `UPDATE_EXPECT=1` to write the expectations anew, then read every line of the difference.
#[test]
fn every_faulty_file_is_told_what_is_wrong_and_what_to_do() {
    let folder = root().join("tests/fixtures/settings");
    let mut names: BTreeSet<String> = BTreeSet::new();
    let mut expectations: BTreeSet<String> = BTreeSet::new();
    for entry in std::fs::read_dir(&folder).unwrap() {
        let path = entry.unwrap().path();
        let stem = path.file_stem().unwrap().to_str().unwrap().to_owned();
        match path.extension().and_then(|end| end.to_str()) {
            Some("yaml") => names.insert(stem),
            Some("txt") => expectations.insert(stem),
            _ => panic!("{} is neither a fixture nor an expectation", path.display()),
        };
    }
    for name in &names {
        let text = std::fs::read_to_string(folder.join(format!("{name}.yaml"))).unwrap();
        let faults = read(&text, &format!("{name}.yaml")).err().unwrap_or_else(|| panic!("{name}.yaml has no fault"));
        expect_test::expect_file![folder.join(format!("{name}.txt"))].assert_eq(&printed(&faults));
        if !name.starts_with("many-") {
            assert_eq!(
                faults.len(),
                1,
                "{name}.yaml holds one fault, and it must not breed others:\n{}",
                printed(&faults)
            );
        }
    }
    assert!(names.len() >= 100, "only {} fixtures were found in {}", names.len(), folder.display());
    let orphans: Vec<_> = expectations.difference(&names).collect();
    assert!(orphans.is_empty(), "expectations without a fixture: {orphans:?}");
}

#[test]
fn the_annotated_example_is_a_whole_site() {
    let site = read(&example(), "config/site.yaml").unwrap_or_else(|faults| panic!("{}", printed(&faults)));
    assert_eq!(
        (site.id.as_str(), site.name.as_str(), site.zone.name()),
        ("harrow-lane", "Harrow Lane Yard", "Europe/Dublin")
    );
    assert_eq!((site.display, site.elevation.0), (Display::Metric, 62.0));
    assert_eq!(site.data_folder, PathBuf::from("data"));
    let inside = Embedded { listen: Some("127.0.0.1:1883".parse().unwrap()), ..Embedded::default() };
    assert_eq!(site.broker, Broker::Embedded(inside));
    assert_eq!(site.mail.transport, Transport::Folder(PathBuf::from("data/mail")), "inside the data folder");
    assert_eq!(site.bins.keys().map(|id| id.as_str()).collect::<Vec<_>>(), ["cure-1", "north-1", "north-2"]);
    assert_eq!(site.probes.len(), 6);
    assert_eq!(site.topics.len(), 4, "three entries and one topic of a probe");
    assert_eq!(
        site.topics[0].pattern,
        [
            Segment::Literal("yard".into()),
            Segment::Capture("bin".into()),
            Segment::Capture("probe".into()),
            Segment::Literal("temperature".into())
        ]
    );
    let Payload::Json { time, fields } = &site.topics[1].payload else { panic!("{:?}", site.topics[1]) };
    assert_eq!((time.as_deref(), fields.len()), (Some("/measured_at"), 3));
    assert_eq!(fields[2].unit_at.as_deref(), Some("/oxygen/unit"));
    let Payload::Number(own) = &site.topics[3].payload else { panic!("{:?}", site.topics[3]) };
    assert_eq!((own.source.as_str(), own.quantity, own.unit), ("cure-1-core", Quantity::Temperature, Unit::Celsius));
    let blower = &site.blowers[&BlowerId::new("blower-1").unwrap()];
    assert_eq!(blower.schedule, BlowerSchedule::Pulses { on: Span::seconds(45), every: Span::minutes(30) });
    assert_eq!((blower.proof, blower.interval), (RunProof::RunCounter, Span::minutes(5)));
    let bin = &site.bins[&BinId::new("north-1").unwrap()];
    assert_eq!(
        bin.probes.iter().map(ProbeId::as_str).collect::<Vec<_>>(),
        ["north-1-base", "north-1-core"],
        "in the order of the text"
    );
    let crash = &site.rules.changed["temperature-crash"]["fall"];
    assert_eq!((crash.value, crash.unit), (5.6, None));
    let line = example().lines().position(|line| line.contains("temperature-crash:")).unwrap() + 1;
    assert_eq!(crash.place, format!("config/site.yaml:{line}"));
    assert_eq!((site.summary.weekday, site.summary.hour, site.summary.minute), (1, 7, 0));
    expect_test::expect![[r#"
        config/site.yaml: mail goes into the folder data/mail and reaches nobody; write `smtp:` in place of `folder:` once the trial is over
    "#]].assert_eq(&advised(&site));
}

fn advised(site: &Site) -> String {
    advice(site).iter().map(|advice| format!("{advice}\n")).collect()
}

#[test]
fn what_is_left_out_has_a_sensible_value() {
    let text = "site: { id: a, name: A, zone: UTC, elevation_feet: 1000 }\n\
                bins: [{ id: b, volume_yd3: 10, probes: [{ id: p, position: core, every_seconds: 60, topic: t, unit: Cel }] }]\n\
                mail: { from: a@b.example, folder: /var/mail-trial }\n";
    let site = read_ok(text);
    assert!((site.elevation.0 - 304.8).abs() < 1e-9, "{:?}", site.elevation);
    assert!((site.bins[&BinId::new("b").unwrap()].volume.0 - 7.645_548_579_84).abs() < 1e-9, "10 yd³ by NIST SP 811");
    assert_eq!(site.display, Display::Metric);
    let inside = Embedded { listen: Some("127.0.0.1:1883".parse().unwrap()), ..Embedded::default() };
    assert_eq!(site.broker, Broker::Embedded(inside));
    assert_eq!(site.data_folder, PathBuf::from("data"));
    assert_eq!(site.rules.folder, PathBuf::from("rules"));
    assert_eq!(site.mail.domain, "b.example", "from the sender's address");
    assert_eq!(site.mail.transport, Transport::Folder(PathBuf::from("/var/mail-trial")), "an absolute path stays");
    assert_eq!((site.summary.weekday, site.summary.hour, site.summary.minute), (1, 7, 0));
    let probe = &site.probes[&ProbeId::new("p").unwrap()];
    assert_eq!((probe.range, probe.power_on_85, probe.depth), ((-20.0, 120.0), true, None));
}

#[test]
fn what_hangs_in_the_air_may_be_as_cold_as_the_weather() {
    for (position, range) in
        [("ambient", (-50.0, 60.0)), ("room", (-50.0, 120.0)), ("exhaust", (-50.0, 120.0)), ("plenum", (-50.0, 120.0))]
    {
        let text = format!(
            "site: {{ id: a, name: A, zone: UTC, elevation_feet: 1000 }}\nbins: [{{ id: b, volume_yd3: 10 }}]\n\
             probes: [{{ id: air, position: {position}, every_seconds: 60, topic: t, unit: Cel }}]\n\
             mail: {{ from: a@b.example, folder: mail }}\n"
        );
        assert_eq!(read_ok(&text).probes[&ProbeId::new("air").unwrap()].range, range, "{position}");
    }
}

#[test]
fn the_direction_of_air_is_upward_unless_it_is_given() {
    let site = read_ok(&example());
    assert!(site.blowers.values().all(|blower| blower.direction == site::model::Direction::Upward));
    let site = read_ok(&changed("direction: upward", "direction: suction"));
    assert!(site.blowers.values().any(|blower| blower.direction == site::model::Direction::Suction));
    let faults = site::settings::read(&changed("direction: upward", "direction: sideways"), "site.yaml").unwrap_err();
    assert!(printed(&faults).contains("upward"), "the remedy names what is taken: {}", printed(&faults));
}

#[test]
fn links_are_encrypted_unless_plain_is_spelled_out_or_the_other_end_is_here() {
    let embedded = "  embedded:\n    listen: \"127.0.0.1:1883\"\n";
    let tls = LinkSecurity::Tls { ca_file: None };
    for (lines, host, port, security, why) in [
        ("  url: \"mqtts://broker.example\"\n", "broker.example", 8883, tls.clone(), "the registered port"),
        ("  url: \"mqtts://broker.example:443/\"\n", "broker.example", 443, tls.clone(), "a port of its own"),
        ("  url: \"mqtt://127.0.0.1\"\n", "127.0.0.1", 1883, LinkSecurity::Plain, "nothing leaves the machine"),
        ("  url: \"mqtt://[::1]:1884\"\n", "::1", 1884, LinkSecurity::Plain, "nor here"),
        ("  url: \"mqtt://localhost\"\n", "localhost", 1883, LinkSecurity::Plain, "nor here"),
        ("  url: \"mqtt://pi.lan\"\n  security: plain\n", "pi.lan", 1883, LinkSecurity::Plain, "spelled out"),
    ] {
        let site = read_ok(&changed(embedded, lines));
        let want = Broker::Remote {
            host: host.into(),
            port,
            security,
            login: None,
            client_id: "hypocaust-harrow-lane".into(),
        };
        assert_eq!(site.broker, want, "{lines}: {why}");
    }
    let starttls = LinkSecurity::StartTls { ca_file: None };
    for (smtp, port, security, why) in [
        ("host: m.example", 587, starttls.clone(), "submission"),
        ("host: m.example, port: 25", 25, starttls.clone(), "port 25 does not mean plain"),
        ("host: m.example, port: 465", 465, tls.clone(), "this port speaks TLS from the first byte"),
        ("host: m.example, security: tls", 465, tls.clone(), "its port"),
        ("host: m.example, security: plain", 25, LinkSecurity::Plain, "spelled out"),
        ("host: localhost", 25, LinkSecurity::Plain, "nothing leaves the machine"),
        ("host: \"::1\", port: 2525", 2525, LinkSecurity::Plain, "nor here"),
    ] {
        let site = read_ok(&changed("  folder: mail\n", &format!("  smtp: {{ {smtp} }}\n")));
        let Transport::Smtp { port: got_port, security: got, .. } = site.mail.transport else { panic!("{smtp}") };
        assert_eq!((got_port, got), (port, security), "{smtp}: {why}");
    }
}

#[test]
fn secrets_are_named_by_file_or_by_credential() {
    for (line, want) in [
        ("password_file: /etc/p", SecretFile::File("/etc/p".into())),
        ("credential: mail", SecretFile::Credential("mail".into())),
    ] {
        let smtp = format!("  smtp: {{ host: m.example, user: u, {line}, ca_file: ca.pem }}\n");
        let site = read_ok(&changed("  folder: mail\n", &smtp));
        let Transport::Smtp { login: Some(login), security, .. } = site.mail.transport else { panic!("{line}") };
        assert_eq!((login.user.as_str(), login.password), ("u", want));
        assert_eq!(security, LinkSecurity::StartTls { ca_file: Some("ca.pem".into()) });
    }
}

#[test]
fn the_embedded_broker_is_open_to_others_only_where_that_is_spelled_out() {
    let tls = "tls: { listen: \"0.0.0.0:8883\", certificate_file: /etc/c.pem, key_credential: broker-key }";
    let door = TlsDoor {
        listen: "0.0.0.0:8883".parse().unwrap(),
        certificate: "/etc/c.pem".into(),
        key: SecretFile::Credential("broker-key".into()),
    };
    let all = "0.0.0.0:1883".parse().ok();
    let here = "127.0.0.1:1883".parse().ok();
    for (lines, listen, with_tls, why) in [
        (
            "listen: \"0.0.0.0:1883\"\n    security: plain\n    password_file: /etc/b".to_owned(),
            all,
            false,
            "spelled out",
        ),
        (format!("listen: \"127.0.0.1:1883\"\n    {tls}\n    password_file: /etc/b"), here, true, "both"),
        (format!("{tls}\n    password_file: /etc/b"), None, true, "TLS alone"),
    ] {
        let Broker::Embedded(inside) = read_ok(&changed("listen: \"127.0.0.1:1883\"", &lines)).broker else {
            panic!("remote")
        };
        assert_eq!((inside.listen, inside.tls), (listen, with_tls.then(|| door.clone())), "{why}");
        assert_eq!(inside.passwords, Some(SecretFile::File("/etc/b".into())), "{why}");
    }
    let user = "\n    password_file: /etc/b\n    users:\n      - { user: panel, publish: [\"hypocaust/harrow-lane/acknowledge\"], subscribe: [\"hypocaust/harrow-lane/#\"] }";
    let Broker::Embedded(inside) =
        read_ok(&changed("    listen: \"127.0.0.1:1883\"", &format!("    listen: \"127.0.0.1:1883\"{user}"))).broker
    else {
        panic!("remote")
    };
    let panel = BrokerUser {
        name: "panel".into(),
        publish: vec!["hypocaust/harrow-lane/acknowledge".into()],
        subscribe: vec!["hypocaust/harrow-lane/#".into()],
    };
    assert_eq!(inside.users, [panel]);
    for (lines, part, why) in [
        ("listen: \"0.0.0.0:1883\"\n    password_file: /etc/b", "without encryption", "passwords in the clear"),
        ("listen: \"0.0.0.0:1883\"\n    security: plain", "nobody is asked for a password", "spelled out, but open"),
        (tls, "nobody is asked for a password", "encrypted, but open"),
        (
            "tls: { listen: \"0.0.0.0:8883\", certificate_file: /etc/c.pem }\n    password_file: /etc/b",
            "has no private key",
            "half of it",
        ),
        ("security: plain", "`listen` is missing", "nowhere to listen"),
        (
            "listen: \"127.0.0.1:1883\"\n    users: [ { user: a } ]",
            "nobody has to prove who they are",
            "users without passwords",
        ),
        (
            "listen: \"127.0.0.1:1883\"\n    password_file: /etc/b\n    users: [ { user: a }, { user: a } ]",
            "has two entries",
            "which of the two",
        ),
        (
            "listen: \"127.0.0.1:1883\"\n    password_file: /etc/b\n    users: [ { user: a, publish: [\"yard/#/x\"] } ]",
            "wildcard in a wrong place",
            "no filter of MQTT",
        ),
        (
            "listen: \"127.0.0.1:1883\"\n    password_file: /etc/b\n    users: [ { user: \"a/b\", publish: [] } ]",
            "without `:`, `/`, `+` and `#`",
            "two levels of a topic",
        ),
    ] {
        let faults = read(&changed("listen: \"127.0.0.1:1883\"", lines), "site.yaml").unwrap_err();
        let text = faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n");
        assert!(text.contains(part), "{why}: {text}");
    }
}

#[test]
fn the_address_of_the_heartbeat_is_a_secret() {
    let commented = "# heartbeat: { credential: heartbeat, every_minutes: 15 }";
    for (line, want) in [
        ("credential: heartbeat", SecretFile::Credential("heartbeat".into())),
        ("url_file: /etc/h", SecretFile::File("/etc/h".into())),
    ] {
        let text = changed(commented, &format!("heartbeat: {{ {line} }}"));
        let site = read_ok(&text);
        assert_eq!(site.heartbeat.as_ref().unwrap().address, HeartbeatAddress::Secret(want));
        assert!(!advised(&site).contains("heartbeat"));
        assert_eq!(site::settings::without_secrets(&text, &site), text, "there is nothing to keep out");
    }
    // As it was before: it works, is warned of, and is kept out of what is recorded.
    let text = changed(
        commented,
        "heartbeat: { url: \"https://watch.example/7f3a\" } # https://watch.example/7f3a, as a reminder",
    );
    let site = read_ok(&text);
    assert_eq!(site.heartbeat.as_ref().unwrap().address, HeartbeatAddress::Plain("https://watch.example/7f3a".into()));
    assert!(advised(&site).contains("`url` in heartbeat is a secret"), "{}", advised(&site));
    let kept = site::settings::without_secrets(&text, &site);
    assert!(!kept.contains("7f3a"), "{kept}");
    assert!(read_ok(&kept).heartbeat.is_some(), "a recording can be run again");
    for (address, host) in [
        ("https://watch.example:8443/x?y", Some("watch.example:8443")),
        ("http://[::1]/", Some("[::1]")),
        ("https://u:p@watch.example/", None),
        ("ftp://watch.example", None),
        ("https://watch.example/a\nb", None),
        ("", None),
    ] {
        assert_eq!(site::settings::host_of(address), host, "{address}");
    }
}

#[test]
fn yaml_surprises_are_read_as_the_writer_meant_them() {
    let name = |value: &str| read_ok(&changed("name: Harrow Lane Yard", &format!("name: {value}"))).name;
    for (value, want, why) in [
        ("no", "no", "the country code, not a truth value"),
        ("on", "on", "not a truth value"),
        ("Null and sons", "Null and sons", "text that begins like nothing"),
        ("007", "007", "leading zeros make a text"),
        ("\"1884\"", "1884", "quotes make a text"),
        ("7:30", "7:30", "not a number of base 60"),
        ("'Nora''s'", "Nora's", "a doubled quote"),
        ("Grünhof", "Grünhof", "beyond ASCII"),
    ] {
        assert_eq!(name(value), want, "{value}: {why}");
    }
    let site = read_ok(&changed("time: \"07:00\"", "time: 06:30"));
    assert_eq!((site.summary.hour, site.summary.minute), (6, 30), "a time without quotes");
    let site = read_ok(&changed("on: \"ON\", off: \"OFF\"", "on: ON, off: OFF"));
    let sounder = site.sounder.unwrap();
    assert_eq!((sounder.on.as_str(), sounder.off.as_str()), ("ON", "OFF"), "neither as key nor as value a truth value");
}

#[test]
fn line_ends_and_marks_of_other_systems_change_nothing() {
    let plain = read_ok(&example());
    assert_eq!(read_ok(&example().replace('\n', "\r\n")), plain, "CR LF");
    assert_eq!(read_ok(&format!("\u{feff}{}", example())), plain, "byte order mark");
    let faults = read(&changed("zone: Europe/Dublin", "zone: nowhere").replace('\n', "\r\n"), "site.yaml").unwrap_err();
    let line = example().lines().position(|line| line.trim() == "zone: Europe/Dublin").unwrap() + 1;
    assert_eq!((faults.len(), faults[0].line, faults[0].column), (1, line as u64, 9));
}

#[test]
fn anchors_and_merged_groups_save_typing() {
    let text = changed(
        "  - id: north-2\n    volume_m3: 2.5\n    blower: blower-1\n",
        "  - id: north-2\n    <<: { volume_m3: 9, blower: blower-1 }\n    volume_m3: 2.5\n",
    );
    assert_eq!(read_ok(&text).bins, read_ok(&example()).bins, "what is written beside the merged group wins");
}

#[test]
fn numbers_of_rules_keep_the_unit_behind_them() {
    let value = |text: &str| {
        let text = changed("fall: 5.6", &format!("fall: {text}"));
        let site = read_ok(&text);
        let changed = &site.rules.changed["temperature-crash"]["fall"];
        (changed.value, changed.unit)
    };
    for (text, want) in [
        ("5.6", (5.6, None)),
        ("\"5.6\"", (5.6, None)),
        ("131 °F", (131.0, Some(Unit::Fahrenheit))),
        ("\"131°F\"", (131.0, Some(Unit::Fahrenheit))),
        ("-5 °C", (-5.0, Some(Unit::Celsius))),
        ("12 %", (12.0, Some(Unit::Percent))),
        ("36 h", (36.0, Some(Unit::Hour))),
    ] {
        assert_eq!(value(text), want, "{text}");
    }
}

#[test]
fn a_signal_limit_is_kept_in_the_canonical_unit() {
    let text = changed(
        "running: { by: run_counter, every_seconds: 300 }",
        "running: { by: pressure, on_above: 1 inH2O, every_seconds: 10 }",
    );
    let site = read_ok(&text);
    let blower = &site.blowers[&BlowerId::new("blower-1").unwrap()];
    // One conventional inch of water: NIST SP 811 (2008) appendix B.8.
    assert_eq!(blower.proof, RunProof::Signal { quantity: Quantity::Pressure, on_above: 249.088_91 });
}

#[test]
fn advice_says_what_could_be_better() {
    let with = |changes: &[(&str, &str)]| {
        let text = changes.iter().fold(example(), |text, (from, to)| {
            assert_eq!(text.matches(from).count(), 1, "`{from}`");
            text.replacen(from, to, 1)
        });
        advised(&read_ok(&text))
    };
    let smtp = ("  folder: mail\n", "  smtp: { host: m.example, user: u, credential: c }\n");
    assert_eq!(with(&[smtp]), "", "nothing to say about a careful site");
    let current = |every: u32| {
        with(&[
            smtp,
            (
                "running: { by: run_counter, every_seconds: 300 }",
                &format!("running: {{ by: current, on_above: 0.4 A, every_seconds: {every} }}"),
            ),
            ("quantity: run_time\n    unit: s", "quantity: current\n    unit: A"),
        ])
    };
    expect_test::expect![[r#"
        site.yaml:93: blower blower-1: an on-time of 45 s seen every 1 min: about a quarter of them fall between samples; sample at least every 22 s, or wire a run counter; until then the rules about missed cycles answer `cannot tell`
    "#]].assert_eq(&current(60));
    expect_test::expect![[r#"
        site.yaml:93: blower blower-1: an on-time of 45 s seen every 30 s: one sample in each cannot tell how long it was; sample at least every 22 s, or wire a run counter; until then the rules about missed cycles answer `cannot tell`
    "#]].assert_eq(&current(30));
    assert_eq!(current(22), "", "two samples in each pulse");
    expect_test::expect![[r#"
        site.yaml:93: nothing tells whether blower blower-1 runs; the log can only say that it was meant to; wire a run counter, or a current, pressure or flow signal, and name it under `running`
        site.yaml:148: bin cure-1 has no probe at position core that reports temperature, so nobody can tell how hot it gets; add one in the middle of the pile
        site.yaml:148: bin cure-1 has no blower, so lost air cannot be told from lost water; name the blower that serves it with `blower:`
        site.yaml: mail goes to m.example without a login, and many relays then refuse it or take it for spam; add `user:` with `password_file:` or `credential:`, unless the relay knows this machine
        site.yaml: nobody gets alarms; add `gets: [alarms]` to the people who can act on one
        site.yaml: Nora Quill gets no mail at all; write `gets: [alarms, round_list, summary]`, or keep the entry only to have the name at hand in the log
    "#]].assert_eq(&with(&[
        ("  folder: mail\n", "  smtp: { host: m.example }\n"),
        ("gets: [alarms, round_list, summary] }", "gets: [] }"),
        ("    role: crew\n", "    role: reader\n"),
        ("    running: { by: run_counter, every_seconds: 300 }\n", ""),
        ("    volume_m3: 4\n    blower: blower-1\n", "    volume_m3: 4\n"),
        ("cure-1-core, position: core", "cure-1-core, position: exhaust"),
        ("id: yard-air", "id: air"),
    ]));
}

#[test]
fn many_bins_are_advised_to_have_a_broker_of_their_own() {
    let with = |bins: usize, every: u32| {
        let bins: String = (0..bins)
            .map(|n| format!("  - {{ id: b{n}, volume_m3: 2, probes: [{{ id: b{n}-core, position: core, every_seconds: {every} }}] }}\n"))
            .collect();
        let text = example()
            .replace("    bins: [north-1, north-2]\n", "")
            .replace("probes: [north-1-base, north-1-core, north-2-base, north-2-core]", "probes: [yard-air]");
        let (from, to) = (text.find("\nbins:\n").unwrap() + 1, text.find("# Probes that belong").unwrap());
        let said = advised(&read_ok(&format!("{}bins:\n{bins}{}", &text[..from], &text[to..])));
        said.contains("embedded broker")
    };
    for (bins, every, want, why) in [
        (50, 300, false, "fifty bins are few"),
        (51, 300, true, "more are not"),
        (40, 1, false, "40 readings a second"),
        (50, 1, true, "50 and the yard's air: more than a slow disk commits with ease"),
    ] {
        assert_eq!(with(bins, every), want, "{bins} bins every {every} s: {why}");
    }
}

/// The example with some bytes replaced, removed, repeated or moved, still as text.
fn mutated() -> impl Strategy<Value = String> {
    let scrap = prop_oneof![
        Just("\t".to_owned()),
        Just("{".to_owned()),
        Just("]".to_owned()),
        Just("\"".to_owned()),
        Just(": ".to_owned()),
        Just("\n- ".to_owned()),
        Just("&a *a".to_owned()),
        Just("<<: ".to_owned()),
        Just("!!binary ".to_owned()),
        Just("~".to_owned()),
        Just(".nan".to_owned()),
        Just("1e999".to_owned()),
        Just("°".to_owned()),
        "\\PC{0,6}",
    ];
    let edit = (any::<prop::sample::Index>(), 0usize..40, scrap);
    prop::collection::vec(edit, 1..6).prop_map(|edits| {
        let mut text: Vec<char> = example().chars().collect();
        for (at, removed, scrap) in edits {
            let from = at.index(text.len() + 1);
            let to = (from + removed).min(text.len());
            text.splice(from..to, scrap.chars());
        }
        text.into_iter().collect()
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 512, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_text_gives_a_site_or_faults(text in "(\\PC|[\\n\\t {}\\[\\]:,&*!|>'\"%@`#-]){0,200}") {
        if let Err(faults) = read(&text, "site.yaml") {
            prop_assert!(!faults.is_empty());
        }
    }

    #[test]
    fn a_damaged_example_gives_a_site_or_faults_with_their_places(text in mutated()) {
        if let Err(faults) = read(&text, "site.yaml") {
            prop_assert!(!faults.is_empty());
            for fault in &faults {
                prop_assert!(fault.line >= 1 && fault.line <= text.lines().count() as u64 + 1, "{fault}");
                prop_assert!(!fault.what.is_empty() && !fault.remedy.is_empty(), "{fault}");
                prop_assert!(!fault.to_string().contains('\n'), "{fault}");
            }
        }
    }
}

#[test]
fn hostile_depth_is_a_fault_and_not_the_end() {
    for text in ["[".repeat(100_000), "{a: ".repeat(100_000), "- ".repeat(100_000), "&a [*a, *a]".into()] {
        assert_eq!(read(&text, "site.yaml").unwrap_err().len(), 1);
    }
}

/// Where the numbers of the example stand: digits after a space, a colon or a bracket, outside comments and quotation marks.
fn numbers(text: &str) -> Vec<std::ops::Range<usize>> {
    let mut found = Vec::new();
    let mut start = 0;
    for line in text.split_inclusive('\n') {
        let code = line.split(" #").next().unwrap_or_default();
        let mut place = 0;
        while let Some(at) = code[place..].find(|c: char| c.is_ascii_digit()).map(|at| at + place) {
            let end = code[at..].find(|c: char| !c.is_ascii_digit() && c != '.').map_or(code.len(), |end| end + at);
            let quoted = code[..at].matches('"').count() % 2 == 1;
            let alone = code[..at].ends_with([' ', '[', ','])
                && !code[end..].starts_with(|c: char| c.is_alphanumeric() || c == '-');
            if alone && !quoted && !code.trim_start().starts_with('#') {
                found.push(start + at..start + end);
            }
            place = end;
        }
        start += line.len();
    }
    found
}

proptest! {
    #[test]
    fn any_number_in_any_place_of_the_settings_is_taken_within_its_range_or_refused(
        place in 0_usize..10_000, whole in any::<i64>(), fraction in any::<f64>(), which in any::<bool>(),
    ) {
        let text = example();
        let places = numbers(&text);
        prop_assert!(places.len() > 15, "the example has numbers: {}", places.len());
        let mut changed = text.clone();
        let number = if which { whole.to_string() } else { format!("{fraction:?}") };
        changed.replace_range(places[place % places.len()].clone(), &number);
        match read(&changed, "site.yaml") {
            Ok(site) => {
                let spans = site.probes.values().map(|p| p.interval).chain(site.blowers.values().map(|b| b.interval));
                for span in spans.chain([site.broker_alarm_after]) {
                    prop_assert!(span > Span::ZERO && span <= Span::days(31), "{span} from {number}");
                }
            }
            Err(faults) => prop_assert!(faults.iter().all(|fault| fault.to_string().contains(';'))),
        }
    }
}
