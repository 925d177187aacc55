//! A broker elsewhere, played by mosquitto: nothing is lost over acknowledgements, reconnects and its restarts.
//!
//! Must never pass in silence where mosquitto is missing: see `tests/support/mosquitto.rs`.

#![allow(clippy::unwrap_used)]

use std::time::Instant;

use engine::input::LinkState;
use intake::{Happening, Intake, IntakeError, PublishError, Retain, Secrets};
use rumqttc::QoS;
use site::model::{Broker, LinkSecurity, Login, SecretFile};

#[path = "../../../tests/support/mosquitto.rs"]
mod mosquitto;
mod yard;

use mosquitto::Mosquitto;
use yard::{Device, arrival, link, options, soon, value};

fn broker(port: u16) -> Broker {
    Broker::Remote {
        host: "127.0.0.1".into(),
        port,
        security: LinkSecurity::Plain,
        login: None,
        client_id: "hypocaust-yard".into(),
    }
}

/// Connected and subscribed.
async fn elsewhere(mosquitto: &Mosquitto) -> Intake {
    let mut intake = yard::start(&broker(mosquitto.port())).await;
    assert_eq!(link(&mut intake).await.0, LinkState::Up);
    intake
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn messages_are_acknowledged_after_their_release_and_come_again_without() {
    let Some(mosquitto) = Mosquitto::start("messages_are_acknowledged_after_their_release") else { return };
    let device = Device::connected(options("probe", mosquitto.port())).await;
    let mut intake = elsewhere(&mosquitto).await;
    for payload in ["1", "2", "3"] {
        device.publish("yard/core", payload, QoS::AtLeastOnce).await;
    }
    let (first, second, third) = (arrival(&mut intake).await, arrival(&mut intake).await, arrival(&mut intake).await);
    assert_eq!((value(&first), value(&second), value(&third)), (1.0, 2.0, 3.0));
    first.ack.release();
    third.ack.release();
    // A drop opens a new connection, and the broker sends again what was not acknowledged. Releases that had not left yet end with
    // the old connection: those messages may come again too, which changes nothing.
    drop(second);
    device.publish("yard/core", "4", QoS::AtLeastOnce).await;
    let mut seen = Vec::new();
    while seen.last() != Some(&4.0) {
        let next = arrival(&mut intake).await;
        seen.push(value(&next));
        next.ack.release();
    }
    assert!(seen.contains(&2.0), "{seen:?}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_new_run_gets_what_the_old_one_did_not_release() {
    let Some(mosquitto) = Mosquitto::start("a_new_run_gets_what_the_old_one_did_not_release") else { return };
    let device = Device::connected(options("probe", mosquitto.port())).await;
    let mut intake = elsewhere(&mosquitto).await;
    for payload in ["1", "2"] {
        device.publish("yard/core", payload, QoS::AtLeastOnce).await;
    }
    let (first, second) = (arrival(&mut intake).await, arrival(&mut intake).await);
    first.ack.release();
    let began = Instant::now();
    soon("the end", intake.shutdown.finish()).await;
    assert!(began.elapsed().as_millis() < 1_000, "{:?}", began.elapsed());
    device.publish("yard/core", "3", QoS::AtLeastOnce).await;
    // An acknowledgement of a run that is over counts for nothing.
    second.ack.release();
    let mut intake = yard::start(&broker(mosquitto.port())).await;
    let mut seen = Vec::new();
    while seen.last() != Some(&3.0) {
        let next = arrival(&mut intake).await;
        seen.push(value(&next));
        next.ack.release();
    }
    assert!(
        seen == [2.0, 3.0] || seen == [1.0, 2.0, 3.0],
        "{seen:?}: what was not released, and what came while we were away"
    );
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_restart_of_the_broker_is_told_once_and_loses_nothing() {
    let Some(mut mosquitto) = Mosquitto::start("a_restart_of_the_broker_is_told_once") else { return };
    let log = yard::Log::collect();
    let device = Device::connected(options("probe", mosquitto.port())).await;
    let mut intake = elsewhere(&mosquitto).await;
    device.publish("yard/core", "1", QoS::AtLeastOnce).await;
    let held = arrival(&mut intake).await;
    assert_eq!(value(&held), 1.0);
    mosquitto.stop();
    let (state, words) = link(&mut intake).await;
    assert_eq!(state, LinkState::Down);
    assert!(words.contains(&mosquitto.address()), "{words}");
    intake.publisher.publish("hypocaust/yard/status", "old", Retain::Keep).await.unwrap();
    intake.publisher.publish("hypocaust/yard/status", "here", Retain::Keep).await.unwrap();
    assert_eq!(intake.publisher.publish("horn", "on", Retain::Pass).await, Err(PublishError::LinkDown));
    mosquitto.start_again();
    // The message comes again, before or after the news of the link.
    let (mut again, mut words) = (None, None);
    while again.is_none() || words.is_none() {
        match soon("the recovery", intake.happenings.recv()).await.unwrap() {
            Happening::Arrival(arrival) => again = Some(arrival),
            Happening::Link(state, said) => {
                assert_eq!(state, LinkState::Up, "{said}");
                words = Some(said);
            }
        }
    }
    let (again, words) = (again.unwrap(), words.unwrap());
    assert!(words.contains("is back after"), "{words}");
    assert_eq!(value(&again), 1.0);
    // The old connection's debt is void: had it been paid here, the library would have broken the new connection for paying twice.
    held.ack.release();
    again.ack.release();
    device.publish("yard/core", "2", QoS::AtLeastOnce).await;
    let next = arrival(&mut intake).await;
    assert_eq!(value(&next), 2.0);
    next.ack.release();
    let mut panel = Device::connected(options("panel", mosquitto.port())).await;
    panel.subscribe("hypocaust/#").await;
    while panel.message().await.1 != "here" {}
    let address = mosquitto.address();
    assert_eq!(log.lines(&["WARN", &address, "no link"]).len(), 1, "{:?}", log.lines(&[&address]));
    assert_eq!(log.lines(&["INFO", &address, "is back"]).len(), 1, "{:?}", log.lines(&[&address]));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn kept_messages_come_with_a_new_subscription_only_and_count_as_kept() {
    let Some(mosquitto) = Mosquitto::start("kept_messages_come_with_a_new_subscription_only") else { return };
    let mut device = Device::connected(options("probe", mosquitto.port())).await;
    device.publish_retained("yard/core", "61.25").await;
    device.acknowledged().await;
    let mut intake = yard::start(&broker(mosquitto.port())).await;
    let kept = arrival(&mut intake).await;
    assert_eq!(kept.readings, [], "nobody knows how old it is");
    assert!(kept.refusals[0].reason.contains("retained"), "{:?}", kept.refusals);
    kept.ack.release();
    intake.shutdown.finish().await;
    let mut intake = yard::start(&broker(mosquitto.port())).await;
    device.publish("yard/core", "62", QoS::AtLeastOnce).await;
    let fresh = arrival(&mut intake).await;
    assert_eq!(value(&fresh), 62.0, "the second run has the same subscription");
    fresh.ack.release();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_over_long_payload_is_refused_and_the_session_goes_on() {
    let Some(mosquitto) = Mosquitto::start("an_over_long_payload_is_refused_and_the_session_goes_on") else { return };
    let device = Device::connected(options("probe", mosquitto.port())).await;
    let mut intake = elsewhere(&mosquitto).await;
    device.publish("yard/core", vec![b'6'; 10_000_000], QoS::AtLeastOnce).await;
    let long = arrival(&mut intake).await;
    assert_eq!((long.bytes, long.refusals.len()), (10_000_000, 1));
    long.ack.release();
    // Above what we told the broker to send: it drops the message itself.
    device.publish("yard/core", vec![b'6'; 17_000_000], QoS::AtLeastOnce).await;
    device.publish("yard/core", "61.25", QoS::AtLeastOnce).await;
    let next = arrival(&mut intake).await;
    assert_eq!(value(&next), 61.25);
    next.ack.release();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_will_speaks_for_us_when_we_are_lost_and_we_ourselves_when_we_stop() {
    let Some(mosquitto) = Mosquitto::start("the_will_speaks_for_us") else { return };
    let mut panel = Device::connected(options("panel", mosquitto.port())).await;
    panel.subscribe("hypocaust/#").await;
    for lost in [true, false] {
        let mut intake = yard::start(&broker(mosquitto.port())).await;
        assert_eq!(link(&mut intake).await.0, LinkState::Up);
        intake.publisher.publish("hypocaust/yard/status", "here", Retain::Keep).await.unwrap();
        assert_eq!(panel.message().await.1, "here");
        if lost {
            drop(intake);
        } else {
            intake.shutdown.finish().await;
        }
        assert_eq!(panel.message().await.1, "gone", "lost: {lost}");
    }
    assert_eq!(panel.so_far(), [], "a clean stop leaves no will behind");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn five_thousand_messages_come_through_in_order() {
    let Some(mosquitto) = Mosquitto::start("five_thousand_messages_come_through_in_order") else { return };
    let device = Device::connected(options("probe", mosquitto.port())).await;
    let mut intake = elsewhere(&mosquitto).await;
    let publishing = tokio::spawn(async move {
        for i in 1..=5_000 {
            device.publish("yard/core", i.to_string(), QoS::AtLeastOnce).await;
        }
        device
    });
    let mut batch = Vec::new();
    for i in 1..=5_000 {
        let next = arrival(&mut intake).await;
        assert_eq!(value(&next), f64::from(i));
        batch.push(next.ack);
        // Never more than the broker's window of 20, or it would wait for us and we for it.
        if batch.len() == 10 {
            batch.drain(..).for_each(intake::Ack::release);
        }
    }
    soon("the publishing", publishing).await.unwrap();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_keeps_us_out_is_told_with_the_next_step() {
    let folder = tempfile::tempdir().unwrap();
    let nobody = folder.path().join("nobody");
    std::fs::write(&nobody, "").unwrap();
    let more = format!("password_file {}\nper_listener_settings false", nobody.display());
    let Some(mosquitto) = Mosquitto::start_with("what_keeps_us_out_is_told_with_the_next_step", &more) else { return };
    let password = SecretFile::Credential("broker".into());
    let login = Some(Login { user: "north".into(), password });
    let closed = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
    for (port, login, want, why) in [
        (mosquitto.port(), login.clone(), "correct broker.login", "a wrong password"),
        (closed, None, "check that the broker runs", "nothing listens"),
    ] {
        let broker = Broker::Remote {
            host: "127.0.0.1".into(),
            port,
            security: LinkSecurity::Plain,
            login,
            client_id: "hypocaust-yard".into(),
        };
        let secrets = Secrets { login: Some("wrong".into()), ..Secrets::default() };
        let mut intake = yard::try_start(&broker, secrets).await.unwrap();
        let (state, words) = link(&mut intake).await;
        assert_eq!(state, LinkState::Down, "{why}");
        assert!(words.contains(want), "{why}: {words}");
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn tls_is_spoken_with_the_authority_that_the_settings_name_and_with_no_other() {
    let tls = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/tls");
    let tls_port = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
    let more = format!("listener {tls_port} 127.0.0.1\ncertfile {tls}/server.pem\nkeyfile {tls}/server.key");
    let Some(mosquitto) = Mosquitto::start_with("tls_is_spoken_with_the_authority", &more) else { return };
    for (ca_file, want) in [("ca.pem", Ok("connected to the broker")), ("other-ca.pem", Err("TLS failed"))] {
        let broker = Broker::Remote {
            host: "127.0.0.1".into(),
            port: tls_port,
            security: LinkSecurity::Tls { ca_file: Some(format!("{tls}/{ca_file}").into()) },
            login: None,
            client_id: "hypocaust-yard".into(),
        };
        let mut intake = yard::start(&broker).await;
        let (state, words) = link(&mut intake).await;
        match want {
            Ok(part) => {
                assert!(state == LinkState::Up && words.contains(part), "{ca_file}: {words}\n{}", mosquitto.log());
                let device = Device::connected(options("probe", mosquitto.port())).await;
                device.publish("yard/core", "61.25", QoS::AtLeastOnce).await;
                let next = arrival(&mut intake).await;
                assert_eq!(value(&next), 61.25);
                next.ack.release();
            }
            Err(part) => assert!(state == LinkState::Down && words.contains(part), "{ca_file}: {words}"),
        }
        intake.shutdown.finish().await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_second_program_under_our_client_id_is_named() {
    let Some(mosquitto) = Mosquitto::start("a_second_program_under_our_client_id_is_named") else { return };
    let mut first = elsewhere(&mosquitto).await;
    let _second = elsewhere(&mosquitto).await;
    let (state, words) = link(&mut first).await;
    assert_eq!(state, LinkState::Down);
    // Brokers may name the reason; this one only hangs up.
    assert!(words.contains("program") && words.contains("the client id `hypocaust-yard`"), "{words}");
}

#[tokio::test]
async fn settings_that_can_never_work_fail_at_once() {
    let folder = tempfile::tempdir().unwrap();
    let (missing, empty) = (folder.path().join("missing.pem"), folder.path().join("empty.pem"));
    std::fs::write(&empty, "no certificate").unwrap();
    let remote = |security, login| Broker::Remote {
        host: "127.0.0.1".into(),
        port: 1,
        security,
        login,
        client_id: "hypocaust-yard".into(),
    };
    let login = Some(Login { user: "north".into(), password: SecretFile::Credential("x".into()) });
    let tls = |ca_file| LinkSecurity::Tls { ca_file: Some(ca_file) };
    for (broker, want) in [
        (remote(tls(missing), None), "missing.pem"),
        (remote(tls(empty), None), "holds no certificate"),
        (remote(LinkSecurity::StartTls { ca_file: None }, None), "no STARTTLS"),
        (remote(LinkSecurity::Plain, login), "there is no password for it"),
    ] {
        let error: IntakeError = yard::try_start(&broker, Secrets::default()).await.unwrap_err();
        assert!(error.to_string().contains(want), "{error}");
    }
}
