//! The broker inside, as devices and panels see it.
//!
//! Must never reach into the broker: whatever is proven here is proven over a socket.

#![allow(clippy::unwrap_used)]

use std::time::Instant;

use engine::input::LinkState;
use intake::{Intake, IntakeError, Retain, Secrets};
use rumqttc::{LastWill, LastWillProperties, QoS};
use site::model::{Broker, Embedded, SecretFile};

mod yard;

use yard::{Device, Seen, arrival, link, options, soon, value};

fn at(listen: &str, passwords: Option<SecretFile>) -> Embedded {
    Embedded { listen: Some(listen.parse().unwrap()), passwords, ..Embedded::default() }
}

fn broker(listen: &str) -> Broker {
    Broker::Embedded(at(listen, None))
}

async fn inside() -> (Intake, u16) {
    let intake = yard::start(&broker("127.0.0.1:0")).await;
    let port = intake.listen_addr.unwrap().port();
    (intake, port)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_message_is_acknowledged_after_its_release_and_not_before() {
    let (mut intake, port) = inside().await;
    for qos in [QoS::AtLeastOnce, QoS::ExactlyOnce] {
        let mut device = Device::connected(options(&format!("probe-a-{qos:?}"), port)).await;
        let mut other = Device::connected(options(&format!("probe-b-{qos:?}"), port)).await;
        device.publish("yard/core", "61.25", qos).await;
        let held = arrival(&mut intake).await;
        assert_eq!(value(&held), 61.25);
        // Another device goes through all of it meanwhile: time enough for an answer that nobody should have sent.
        other.publish("yard/base", "40", QoS::AtLeastOnce).await;
        arrival(&mut intake).await.ack.release();
        other.acknowledged().await;
        assert_eq!(device.so_far(), [], "{qos:?}: nothing is answered while the message is not on disk");
        held.ack.release();
        match qos {
            QoS::AtLeastOnce => assert_eq!(device.acknowledged().await, []),
            _ => {
                device.until(&Seen::Released(1)).await;
            }
        }
        device.leave().await;
        other.leave().await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_dropped_message_is_not_acknowledged_and_comes_again() {
    let (mut intake, port) = inside().await;
    for qos in [QoS::AtLeastOnce, QoS::ExactlyOnce] {
        let mut device = Device::connected(options(&format!("probe-{qos:?}"), port)).await;
        let mut panel = Device::connected(options(&format!("panel-{qos:?}"), port)).await;
        panel.subscribe("#").await;
        device.publish("yard/core", "61.25", qos).await;
        drop(arrival(&mut intake).await);
        let before = device.until(&Seen::Connected).await;
        let answered = before.iter().any(|s| matches!(s, Seen::Acknowledged(_) | Seen::Released(_)));
        assert!(!answered, "{qos:?}: {before:?}");
        let again = arrival(&mut intake).await;
        assert_eq!(value(&again), 61.25);
        again.ack.release();
        match qos {
            QoS::AtLeastOnce => {
                device.acknowledged().await;
            }
            _ => {
                device.until(&Seen::Released(1)).await;
            }
        }
        assert_eq!(panel.message().await, ("yard/core".into(), "61.25".into(), false));
        assert_eq!(panel.so_far(), [], "{qos:?}: a panel hears of it once");
        device.leave().await;
        panel.leave().await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_outage_of_the_device_while_it_waits_loses_nothing() {
    let (mut intake, port) = inside().await;
    let device = Device::connected(options("probe", port)).await;
    device.publish("yard/core", "61.25", QoS::AtLeastOnce).await;
    let held = arrival(&mut intake).await;
    device.cut().await;
    held.ack.release();
    // A new run of the device takes the connection over and knows nothing of the old one; the reading is on disk.
    let mut anew = options("probe", port);
    anew.set_clean_start(true);
    let mut device = Device::connected(anew).await;
    device.publish("yard/core", "62", QoS::AtLeastOnce).await;
    let next = arrival(&mut intake).await;
    assert_eq!(value(&next), 62.0);
    next.ack.release();
    device.acknowledged().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn messages_of_quality_zero_are_taken_too() {
    let (mut intake, port) = inside().await;
    let device = Device::connected(options("probe", port)).await;
    device.publish("yard/core", "61.25", QoS::AtMostOnce).await;
    assert_eq!(value(&arrival(&mut intake).await), 61.25);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn retained_messages_are_fresh_to_us_and_kept_for_panels() {
    let (mut intake, port) = inside().await;
    let mut device = Device::connected(options("probe", port)).await;
    device.publish_retained("yard/core", "61.25").await;
    let fresh = arrival(&mut intake).await;
    assert_eq!(value(&fresh), 61.25);
    assert!(!fresh.readings[0].retained, "the flag of a publishing device says nothing of age");
    fresh.ack.release();
    device.acknowledged().await;
    let mut panel = Device::connected(options("panel", port)).await;
    panel.subscribe("yard/+").await;
    assert_eq!(panel.message().await, ("yard/core".into(), "61.25".into(), true));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_panel_that_was_away_gets_what_came_meanwhile() {
    let (mut intake, port) = inside().await;
    let mut panel = Device::connected(options("panel", port)).await;
    panel.subscribe("yard/+").await;
    panel.leave().await;
    let mut device = Device::connected(options("probe", port)).await;
    device.publish("yard/core", "61.25", QoS::AtLeastOnce).await;
    arrival(&mut intake).await.ack.release();
    device.acknowledged().await;
    let mut panel = Device::connected(options("panel", port)).await;
    assert_eq!(panel.message().await, ("yard/core".into(), "61.25".into(), false));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_will_of_a_lost_device_arrives_and_that_of_one_that_left_does_not() {
    let (mut intake, port) = inside().await;
    let with_will = |payload: &str, delay: Option<u32>| {
        let properties = delay.map(|delay_interval| LastWillProperties {
            delay_interval: Some(delay_interval),
            payload_format_indicator: None,
            message_expiry_interval: None,
            content_type: None,
            response_topic: None,
            correlation_data: None,
            user_properties: Vec::new(),
        });
        let mut options = options("probe", port);
        options.set_last_will(LastWill::new("yard/core", payload, QoS::AtLeastOnce, false, properties));
        options
    };
    Device::connected(with_will("1", None)).await.leave().await;
    Device::connected(with_will("2", None)).await.cut().await;
    assert_eq!(value(&arrival(&mut intake).await), 2.0, "not the first one, which said goodbye");
    // Back before the delay has passed: no will. The wait is long, so that only a cancelled one explains what comes next.
    Device::connected(with_will("3", Some(3_000))).await.cut().await;
    let device = Device::connected(with_will("4", Some(1))).await;
    device.cut().await;
    assert_eq!(value(&arrival(&mut intake).await), 4.0, "after its delay");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_we_publish_reaches_panels_and_not_ourselves() {
    let (mut intake, port) = inside().await;
    let mut panel = Device::connected(options("panel", port)).await;
    panel.subscribe("#").await;
    intake.publisher.publish("yard/core", "1", Retain::Pass).await.unwrap();
    intake.publisher.publish("hypocaust/yard/status", "here", Retain::Keep).await.unwrap();
    assert_eq!(panel.message().await, ("yard/core".into(), "1".into(), false));
    assert_eq!(panel.message().await, ("hypocaust/yard/status".into(), "here".into(), false));
    // What a device publishes afterwards is the first thing we hear of.
    panel.publish("yard/core", "2", QoS::AtLeastOnce).await;
    assert_eq!(value(&arrival(&mut intake).await), 2.0);
    let mut late = Device::connected(options("late", port)).await;
    late.subscribe("hypocaust/#").await;
    assert_eq!(late.message().await, ("hypocaust/yard/status".into(), "here".into(), true));
    late.subscribe("$SYS/#").await;
    intake.shutdown.finish().await;
    assert_eq!(late.message().await, ("hypocaust/yard/status".into(), "gone".into(), false), "and nothing of $SYS");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_over_long_payload_is_refused_as_a_payload() {
    let (mut intake, port) = inside().await;
    let mut panel = Device::connected(options("panel", port)).await;
    panel.subscribe("yard/+").await;
    let mut device = Device::connected(options("probe", port)).await;
    device.publish("yard/core", vec![b'6'; 1_000_000], QoS::AtLeastOnce).await;
    let long = arrival(&mut intake).await;
    assert_eq!((long.bytes, long.refusals.len()), (1_000_000, 1));
    long.ack.release();
    device.acknowledged().await;
    device.publish("yard/core", "61.25", QoS::AtLeastOnce).await;
    arrival(&mut intake).await.ack.release();
    assert_eq!(panel.message().await.1, "61.25", "the long one is not passed on");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_misspelt_topic_is_told_once() {
    let (mut intake, port) = inside().await;
    let mut device = Device::connected(options("probe", port)).await;
    for topic in ["yrad/core", "yrad/core", "yard/core"] {
        device.publish(topic, "61", QoS::AtLeastOnce).await;
    }
    let misspelt = arrival(&mut intake).await;
    assert_eq!(misspelt.refusals[0].topic, "yrad/core");
    misspelt.ack.release();
    let next = arrival(&mut intake).await;
    assert_eq!(value(&next), 61.0, "the second is passed over");
    next.ack.release();
    for _ in 0..3 {
        device.acknowledged().await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_taken_port_is_told_with_the_next_step() {
    let (_intake, port) = inside().await;
    let error = yard::try_start(&broker(&format!("127.0.0.1:{port}")), Secrets::default()).await.unwrap_err();
    assert!(matches!(error, IntakeError::PortInUse { .. }));
    let words = error.to_string();
    for part in ["another hypocaust", &format!("127.0.0.1:{port}"), "broker.embedded.listen"] {
        assert!(words.contains(part), "{words}");
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_address_that_others_reach_needs_passwords() {
    let open = broker("0.0.0.0:0");
    let error = yard::try_start(&open, Secrets::default()).await.unwrap_err();
    assert!(matches!(error, IntakeError::OpenToAnyone { .. }), "{error}");

    let passwords = Some(SecretFile::Credential("clients".into()));
    let unread = Broker::Embedded(at("127.0.0.1:0", passwords.clone()));
    let error = yard::try_start(&unread, Secrets::default()).await.unwrap_err();
    assert!(matches!(error, IntakeError::NoClients), "an unread password file must not open the door: {error}");
    let guarded = Broker::Embedded(at("0.0.0.0:0", passwords));
    // The probe's own name lets it publish, and nothing else does.
    let secrets = Secrets { clients: Some("core:a-long-secret\n".into()), ..Secrets::default() };
    let mut intake = yard::try_start(&guarded, secrets).await.unwrap();
    let port = intake.listen_addr.unwrap().port();
    for (user, password) in [(Some("core"), "wrong"), (Some("south"), "a-long-secret"), (None, "")] {
        let mut stranger = options("probe", port);
        if let Some(user) = user {
            stranger.set_credentials(user, password.to_owned());
        }
        Device::new(stranger).until(&Seen::Refused).await;
    }
    let mut known = options("probe", port);
    known.set_credentials("core", "a-long-secret");
    let mut device = Device::connected(known).await;
    device.publish("yard/core", "61.25", QoS::AtLeastOnce).await;
    arrival(&mut intake).await.ack.release();
    device.acknowledged().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn it_stops_at_once_with_messages_that_wait_and_the_next_run_on_the_same_port_gets_them() {
    let folder = tempfile::tempdir().unwrap();
    let sessions = Some(folder.path().join("sessions"));
    let mut intake = yard::start_in(&broker("127.0.0.1:0"), Secrets::default(), sessions.clone()).await.unwrap();
    let port = intake.listen_addr.unwrap().port();
    assert_eq!(link(&mut intake).await.0, LinkState::Up);
    let mut device = Device::connected(options("probe", port)).await;
    device.publish("yard/core", "61.25", QoS::AtLeastOnce).await;
    let held = arrival(&mut intake).await;
    let began = Instant::now();
    soon("the end", intake.shutdown.finish()).await;
    assert!(began.elapsed().as_millis() < 1_000, "{:?}", began.elapsed());
    // Too late: the broker is gone, so nothing may come of this.
    held.ack.release();
    let same = broker(&format!("127.0.0.1:{port}"));
    let mut intake = yard::start_in(&same, Secrets::default(), sessions).await.unwrap();
    let again = arrival(&mut intake).await;
    assert_eq!(value(&again), 61.25);
    again.ack.release();
    let before = device.acknowledged().await;
    assert!(before.contains(&Seen::Connected), "acknowledged by the second run only: {before:?}");
}
