//! The doors of the broker inside, tried by programs of other origin: TLS, who may do what, and what floods leave behind.
//!
//! Must never reach into the broker: whatever is proven here is proven over a socket.

#![allow(clippy::unwrap_used)]

use std::path::{Path, PathBuf};
use std::process::Output;
use std::time::Instant;

use intake::{Intake, Secrets, TlsFiles, limits};
use rumqttc::QoS;
use site::model::{Broker, BrokerUser, Embedded, SecretFile, TlsDoor};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::process::Command;

mod yard;

use yard::{Device, Seen, arrival, options, soon, value};

const LOG: &str = "hypocaust/yard/log";
const ACKNOWLEDGE: &str = "hypocaust/yard/acknowledge";
const STATUS: &str = "hypocaust/yard/status";
const TOKEN: &str = "correct-horse-battery-staple";
const PASSWORDS: &str =
    "core:core-long-secret\nbase:base-long-secret\npanel:panel-long-secret\nrelay:relay-long-secret\n";

fn pem(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/tls").join(name)
}

/// A broker with passwords, with and without TLS on this machine, and two users with entries of their own.
fn guarded() -> (Broker, Secrets) {
    let user = |name: &str, publish: &[&str], subscribe: &[&str]| BrokerUser {
        name: name.into(),
        publish: publish.iter().map(|&t| t.into()).collect(),
        subscribe: subscribe.iter().map(|&t| t.into()).collect(),
    };
    let inside = Embedded {
        listen: Some("127.0.0.1:0".parse().unwrap()),
        tls: Some(TlsDoor {
            listen: "127.0.0.1:0".parse().unwrap(),
            certificate: pem("server.pem"),
            key: SecretFile::File(pem("server.key")),
        }),
        passwords: Some(SecretFile::Credential("clients".into())),
        users: vec![user("panel", &[ACKNOWLEDGE], &["hypocaust/yard/#"]), user("relay", &["#"], &["#"])],
    };
    let text = |name| std::fs::read_to_string(pem(name)).unwrap();
    let secrets = Secrets {
        login: None,
        clients: Some(PASSWORDS.into()),
        tls: Some(TlsFiles { certificate: text("server.pem"), key: text("server.key") }),
    };
    (Broker::Embedded(inside), secrets)
}

async fn open() -> (Intake, u16) {
    let inside = Embedded { listen: Some("127.0.0.1:0".parse().unwrap()), ..Embedded::default() };
    let intake = yard::start(&Broker::Embedded(inside)).await;
    let port = intake.listen_addr.unwrap().port();
    (intake, port)
}

/// Releases whatever comes in, as a daemon whose disk is quick.
fn released(mut intake: Intake) -> tokio::task::JoinHandle<()> {
    tokio::spawn(async move {
        let _shutdown = intake.shutdown;
        while let Some(happening) = intake.happenings.recv().await {
            if let intake::Happening::Arrival(arrival) = happening {
                arrival.ack.release();
            }
        }
    })
}

/// Runs mosquitto_pub; `None`, loudly, where it is missing.
async fn mosquitto_pub(port: u16, arguments: &[&str]) -> Option<Output> {
    let port = port.to_string();
    let mut run = Command::new("mosquitto_pub");
    run.args(["-h", "127.0.0.1", "-p", &port]).args(arguments);
    match soon("mosquitto_pub", run.output()).await {
        Ok(output) => Some(output),
        Err(e) => {
            assert!(std::env::var("CI").as_deref() != Ok("true"), "mosquitto_pub is missing and CI=true: {e}");
            eprintln!("\n*** NOT RUN: mosquitto_pub is missing (Debian: apt-get install mosquitto-clients) ***\n");
            None
        }
    }
}

fn said(output: &Output) -> String {
    format!("{}{}", String::from_utf8_lossy(&output.stderr), String::from_utf8_lossy(&output.stdout))
}

fn login(id: &str, port: u16, user: &str) -> rumqttc::MqttOptions {
    let mut options = options(id, port);
    options.set_credentials(user, format!("{user}-long-secret"));
    options
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn tls_is_spoken_with_programs_of_other_origin_and_nothing_else_on_its_port() {
    let (broker, secrets) = guarded();
    let mut intake = yard::try_start(&broker, secrets).await.unwrap();
    let port = intake.tls_listen_addr.unwrap().port();
    // Whoever says nothing holds nobody up.
    let mut silent = Vec::new();
    for _ in 0..20 {
        silent.push(TcpStream::connect(("127.0.0.1", port)).await.unwrap());
    }
    let (ca, other) = (pem("ca.pem"), pem("other-ca.pem"));
    let with = |ca: &Path| {
        [
            "-u",
            "core",
            "-P",
            "core-long-secret",
            "-q",
            "1",
            "-t",
            "yard/core",
            "-m",
            "61.25",
            "--cafile",
            ca.to_str().unwrap(),
        ]
        .map(ToOwned::to_owned)
    };
    let arguments = with(&ca);
    let arguments = arguments.each_ref().map(String::as_str);
    let sent = mosquitto_pub(port, &arguments);
    let (sent, reading) = tokio::join!(sent, async {
        let reading = arrival(&mut intake).await;
        let value = value(&reading);
        reading.ack.release();
        value
    });
    let Some(sent) = sent else { return };
    assert!(sent.status.success(), "{}", said(&sent));
    assert_eq!(reading, 61.25);
    let arguments = with(&other);
    let refused = mosquitto_pub(port, &arguments.each_ref().map(String::as_str)).await.unwrap();
    assert!(!refused.status.success(), "another authority");
    let plain =
        mosquitto_pub(port, &["-u", "core", "-P", "core-long-secret", "-t", "yard/core", "-m", "1"]).await.unwrap();
    assert!(!plain.status.success(), "no TLS");
    drop(silent);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_certificate_that_does_not_fit_is_told_at_the_start() {
    let (broker, secrets) = guarded();
    for (certificate, key, part) in [
        ("ca.pem", "server.key", "belong together"),
        ("server.key", "server.key", "no certificate"),
        ("server.pem", "server.pem", "no private key"),
    ] {
        let text = |name| std::fs::read_to_string(pem(name)).unwrap();
        let tls = Some(TlsFiles { certificate: text(certificate), key: text(key) });
        let error = yard::try_start(&broker, Secrets { tls, ..secrets.clone() }).await.unwrap_err().to_string();
        assert!(error.contains(part) && error.contains("certificate_file"), "{certificate}, {key}: {error}");
        assert!(!error.contains("BEGIN"), "{error}");
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn each_user_does_what_it_may_in_both_versions_of_mqtt() {
    let (broker, secrets) = guarded();
    let intake = yard::try_start(&broker, secrets).await.unwrap();
    let port = intake.listen_addr.unwrap().port();
    let publisher = intake.publisher.clone();
    let taken = released(intake);
    let mut relay = Device::connected(login("relay-1", port, "relay")).await;
    relay.subscribe("#").await;
    let long = format!("yard/core/{}", "x".repeat(60_000));
    for (user, topic, passes, why) in [
        ("core", "yard/core", true, "its own"),
        ("core", "yard/core/status", true, "below its own"),
        ("core", "yard/base", false, "the neighbour's"),
        ("core", STATUS, false, "the daemon's"),
        ("core", LOG, false, "the log"),
        ("core", long.as_str(), false, "60 kB"),
        ("panel", ACKNOWLEDGE, false, "it may, but nobody hears it"),
        ("relay", "elsewhere", true, "everything"),
        ("relay", STATUS, false, "but not what is the daemon's"),
    ] {
        for version in ["mqttv311", "mqttv5"] {
            let password = format!("{user}-long-secret");
            let sent = mosquitto_pub(
                port,
                &["-V", version, "-u", user, "-P", &password, "-q", "1", "-t", topic, "-m", "61", "-i", "a-publisher"],
            )
            .await;
            let Some(sent) = sent else { return };
            let told = said(&sent).contains("Not authorized");
            let allowed = passes || topic == ACKNOWLEDGE;
            // An old client cannot be told; its message goes nowhere.
            assert_eq!(told, !allowed && version == "mqttv5", "{user} on {topic:.40}, {version}: {}", said(&sent));
            publisher.publish("hypocaust/yard/turn", "x", intake::Retain::Pass).await.unwrap();
            let mut heard = relay.message().await;
            if passes {
                assert_eq!(heard.0, topic, "{why}, {version}");
                heard = relay.message().await;
            }
            assert_eq!(heard.0, "hypocaust/yard/turn", "{user} on {topic:.40}: {why}, {version}");
        }
    }
    // Subscriptions: what may be heard is heard, and nothing besides.
    let mut core = Device::connected(login("core-1", port, "core")).await;
    for filter in ["#", "yard/#", LOG, "hypocaust/#", "$share/g/#"] {
        core.subscribe(filter).await;
    }
    core.subscribe("yard/core/#").await;
    for topic in ["yard/base", "yard/core/set"] {
        relay.publish(topic, "60", QoS::AtLeastOnce).await;
        relay.acknowledged().await;
    }
    assert_eq!(core.message().await, ("yard/core/set".into(), "60".into(), false));
    taken.abort();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_token_is_handed_to_nobody_and_is_in_no_file() {
    let folder = tempfile::tempdir().unwrap();
    let (broker, secrets) = guarded();
    let mut intake = yard::start_in(&broker, secrets, Some(folder.path().join("broker"))).await.unwrap();
    let port = intake.listen_addr.unwrap().port();
    let mut ear = Device::connected(login("ear", port, "relay")).await;
    ear.subscribe("#").await;
    let mut away = Device::connected(login("away", port, "relay")).await;
    away.subscribe("hypocaust/yard/+").await;
    away.leave().await;
    let mut panel = Device::connected(login("panel", port, "panel")).await;
    let mut crew = Device::connected(login("crew", port, "relay")).await;
    let seen = format!("{{\"alarm\": 1, \"token\": \"{TOKEN}\", \"by\": \"Ann\"}}");
    let entry = format!(
        "{{\"token\": \"{TOKEN}\", \"by\": \"Ann\", \"bin\": \"b1\", \"at\": \"2026-03-10T16:30:00Z\", \"says\": \"turned\"}}"
    );
    for qos in [QoS::AtLeastOnce, QoS::ExactlyOnce] {
        for (device, topic, text) in [(&mut panel, ACKNOWLEDGE, &seen), (&mut crew, LOG, &entry)] {
            device.publish(topic, text.as_str(), qos).await;
            let arrived = arrival(&mut intake).await;
            assert_eq!(arrived.seen.len() + arrived.written.len(), 1, "the daemon has it: {arrived:?}");
            arrived.ack.release();
            match qos {
                QoS::AtLeastOnce => drop(device.acknowledged().await),
                _ => device.until_released().await,
            }
        }
    }
    panel.publish_retained(ACKNOWLEDGE, &seen).await;
    arrival(&mut intake).await.ack.release();
    panel.acknowledged().await;
    // A will there would pass the hook by.
    let mut dying = login("dying", port, "relay");
    dying.set_last_will(rumqttc::LastWill::new(LOG, entry.as_str(), QoS::AtLeastOnce, false, None));
    Device::new(dying).until(&Seen::Refused).await;
    intake.publisher.publish("hypocaust/yard/turn", "x", intake::Retain::Pass).await.unwrap();
    assert_eq!(ear.message().await.0, "hypocaust/yard/turn", "the first thing that anybody hears");
    let mut away = Device::connected(login("away", port, "relay")).await;
    assert_eq!(away.message().await.0, "hypocaust/yard/turn", "nor did anything wait");
    intake.shutdown.finish().await;
    let mut files = 0;
    let mut folders = vec![folder.path().to_owned()];
    while let Some(at) = folders.pop() {
        for entry in std::fs::read_dir(at).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
                continue;
            }
            files += 1;
            let bytes = std::fs::read(&path).unwrap();
            assert!(!bytes.windows(TOKEN.len()).any(|w| w == TOKEN.as_bytes()), "{} holds the token", path.display());
        }
    }
    assert!(files > 0, "there are files to look at");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn nobody_takes_the_client_id_of_another_user() {
    let (broker, secrets) = guarded();
    let mut intake = yard::try_start(&broker, secrets).await.unwrap();
    let port = intake.listen_addr.unwrap().port();
    let mut core = Device::connected(login("the-probe", port, "core")).await;
    let mut thief = login("the-probe", port, "base");
    thief.set_clean_start(true);
    Device::new(thief.clone()).until(&Seen::Refused).await;
    core.publish("yard/core", "61", QoS::AtLeastOnce).await;
    arrival(&mut intake).await.ack.release();
    assert_eq!(core.acknowledged().await, [], "it was not even disturbed");
    core.leave().await;
    Device::new(thief).until(&Seen::Refused).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn whoever_does_not_say_who_it_is_goes_and_others_come_in() {
    let (mut intake, port) = open().await;
    let began = Instant::now();
    let mut silent = Vec::new();
    for _ in 0..3 * limits::UNPROVEN {
        silent.push(TcpStream::connect(("127.0.0.1", port)).await.unwrap());
    }
    // Those beyond the bound are closed at once, the others after their time; half a CONNECT is none.
    for (n, stream) in silent.iter_mut().enumerate() {
        if n % 2 == 0 {
            let _ = stream.write_all(b"\x10\x20\x00\x04MQ").await;
        }
        let end = soon("the end of a silent connection", stream.read(&mut [0; 8])).await;
        assert!(!matches!(end, Ok(n) if n > 0), "it was answered: {end:?}");
    }
    assert!(began.elapsed() < limits::CONNECT_SENT_WITHIN * 3, "{:?}", began.elapsed());
    for bytes in [&b"GET / HTTP/1.1\r\n\r\n"[..], b"\x10\xff\xff\xff\x7f", &[0; 100]] {
        let mut stream = TcpStream::connect(("127.0.0.1", port)).await.unwrap();
        let began = Instant::now();
        stream.write_all(bytes).await.unwrap();
        let _ = soon("the end", stream.read(&mut [0; 8])).await;
        assert!(began.elapsed() < limits::CONNECT_SENT_WITHIN / 2, "what is no CONNECT is ended at once");
    }
    let device = Device::connected(options("probe", port)).await;
    device.publish("yard/core", "61", QoS::AtLeastOnce).await;
    assert_eq!(value(&arrival(&mut intake).await), 61.0);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_flood_of_retained_topics_ends_and_readings_go_on() {
    let (broker, secrets) = guarded();
    let intake = yard::try_start(&broker, secrets).await.unwrap();
    let port = intake.listen_addr.unwrap().port();
    let taken = released(intake);
    let flood = Device::connected(login("flood", port, "relay")).await;
    let mut last = Device::connected(login("last", port, "relay")).await;
    for n in 0..limits::RETAINED_PER_USER + 500 {
        flood.publish_retained(&format!("f/{n}"), "x").await;
        if n % 500 == 499 {
            // So that no request waits for more room than the client has.
            last.publish("f/turn", "x", QoS::AtLeastOnce).await;
            last.acknowledged().await;
        }
    }
    let mut core = Device::connected(login("core-1", port, "core")).await;
    core.publish_retained("yard/core", "61.25").await;
    core.acknowledged().await;
    core.subscribe("yard/core/#").await;
    assert_eq!(core.message().await, ("yard/core".into(), "61.25".into(), true), "the probe has its own share");
    taken.abort();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_wrong_password_waits_and_the_right_one_does_not() {
    let (mut broker, mut secrets) = guarded();
    let Broker::Embedded(inside) = &mut broker else { panic!("elsewhere") };
    inside.tls = None;
    let hash = mqtt5::broker::auth::PasswordAuthProvider::hash_password("core-long-secret").unwrap();
    secrets.clients = Some(format!("core:{hash}\nbase:base-long-secret\n"));
    let mut intake = yard::try_start(&broker, secrets).await.unwrap();
    let port = intake.listen_addr.unwrap().port();
    let mut core = Device::connected(login("core-1", port, "core")).await;
    let guesses: Vec<_> = (0..40)
        .map(|n| {
            let mut options = options(&format!("guess-{n}"), port);
            options.set_credentials("core", format!("a-guess-{n}"));
            tokio::spawn(async move { Device::new(options).until(&Seen::Refused).await })
        })
        .collect();
    let began = Instant::now();
    for n in 0..20 {
        core.publish("yard/core", format!("{n}"), QoS::AtLeastOnce).await;
        arrival(&mut intake).await.ack.release();
        core.acknowledged().await;
    }
    let while_guessed = began.elapsed();
    for guess in guesses {
        guess.await.unwrap();
    }
    // The same address, known before: in at once, whatever was guessed there.
    let began = Instant::now();
    Device::connected(login("core-2", port, "core")).await;
    assert!(began.elapsed() < limits::WRONG_PASSWORD_AFTER, "{:?}", began.elapsed());
    assert!(while_guessed.as_secs() < 10, "{while_guessed:?}");
}
