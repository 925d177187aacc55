//! Readings in over a broker, advice out over SMTP: the whole path, with real conversations on both sides.
//!
//! Must never let a mail count that no SMTP server took responsibility for.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

#[path = "support/mosquitto.rs"]
mod mosquitto;
#[path = "support/smtp_sink.rs"]
mod smtp_sink;
#[path = "support/yard.rs"]
mod yard;

use hypocaust::driven::{Driven, connect, publish};
use hypocaust::socket::Request;
use mosquitto::Mosquitto;
use pile::time::Span;
use pile::units::Celsius;
use site::entry::EntryKind;
use smtp_sink::SmtpSink;
use yard::{PATIENCE, START, Yard, crashing_series, letter, live};

fn on_air() -> Request {
    Request::entry("b1", START, "Ann", "", &EntryKind::OnAir { loaded_at: Some(Celsius(18.0)), filling: None })
}

/// A batch that crashes: one raise, then one clear in the same thread, however the readings come in.
async fn a_crash_is_mailed_once(mut driven: Driven, address: std::net::SocketAddr, sink: &SmtpSink) {
    driven.ask(on_air()).await.unwrap();
    let client = connect(address, "b1-node");
    live(&mut driven, &client, "b1-core", &crashing_series()).await;
    driven.stop().await.unwrap();

    let crash: Vec<_> = sink
        .received()
        .iter()
        .map(|mail| (mail.to.clone(), letter(&mail.data)))
        .filter(|(_, l)| l.subject.contains("temperature crash"))
        // Nobody acknowledges here, so reminders come in between.
        .filter(|(_, l)| l.step.as_deref() != Some("reminder"))
        .collect();
    let steps: Vec<_> = crash.iter().map(|(_, l)| l.step.clone().unwrap()).collect();
    assert_eq!(steps, ["raise", "clear"], "exactly one raise and its clear");
    let (raise, clear) = (&crash[0].1, &crash[1].1);
    assert_eq!(crash[0].0, ["ann@test.example"]);
    assert_eq!(clear.in_reply_to.as_deref(), Some(raise.id.as_str()), "the clear answers the raise");
    assert_eq!(clear.references.first(), raise.references.first(), "both share the root of the thread");
    assert_eq!(clear.subject, format!("Re: {}", raise.subject));
    assert!(raise.text.contains("Do now"), "advice first:\n{}", raise.text);
    let head: String = raise.text.chars().take(200).collect();
    assert!(head.contains("b1"), "the first line names the bin:\n{head}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_crash_is_mailed_once_over_the_embedded_broker() {
    let sink = SmtpSink::start();
    let yard = Yard::new(1).smtp_at(sink.port());
    let driven = yard.driven(START).await;
    let address = driven.listens_on().unwrap();
    a_crash_is_mailed_once(driven, address, &sink).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_crash_is_mailed_once_over_mosquitto() {
    let Some(broker) = Mosquitto::start("a_crash_is_mailed_once_over_mosquitto") else { return };
    let sink = SmtpSink::start();
    let yard = Yard::new(1).smtp_at(sink.port()).broker_at(broker.port());
    let driven = yard.driven(START).await;
    // The session at the broker must exist before the first message, or the broker has nobody to keep it for.
    yard::eventually("the subscription", || broker.log().contains("t/+").then_some(())).await;
    let address = format!("127.0.0.1:{}", broker.port()).parse().unwrap();
    a_crash_is_mailed_once_from_afar(driven, address, &sink).await;
}

/// At a broker elsewhere a publisher's acknowledgement says nothing about our commit, so the daemon's store is waited for.
async fn a_crash_is_mailed_once_from_afar(mut driven: Driven, address: std::net::SocketAddr, sink: &SmtpSink) {
    driven.ask(on_air()).await.unwrap();
    let client = connect(address, "b1-node");
    let folder = driven.site().data_folder.clone();
    let store = ledger::Ledger::open(&folder, ledger::Access::Read).unwrap();
    for (n, value) in (1u64..).zip(crashing_series()) {
        live(&mut driven, &client, "b1-core", &[value]).await;
        yard::eventually("the reading in the store", || (store.counts().unwrap().readings == n).then_some(())).await;
    }
    driven.stop().await.unwrap();
    let steps: Vec<_> = sink
        .received()
        .iter()
        .map(|mail| letter(&mail.data))
        .filter(|l| l.subject.contains("temperature crash"))
        .map(|l| l.step.unwrap())
        .filter(|step| step != "reminder")
        .collect();
    assert_eq!(steps, ["raise", "clear"], "exactly one raise and its clear");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_wall_panel_sees_an_alarm_and_acknowledges_it() {
    let mut yard = Yard::new(1).with_rule("hot-now", yard::HOT_NOW);
    yard::write_secret(&yard.path("ann"), "correct-horse-battery-staple\n");
    yard.person = format!(", log_token_file: \"{}\"", yard.path("ann").display());
    let mut driven = yard.driven(START).await;
    let address = driven.listens_on().unwrap();
    let client = connect(address, "b1-node");
    let mut panel = Panel::at(address).await;
    live(&mut driven, &client, "b1-core", &[60.0, 70.0]).await;
    let next = driven.now() + Span::minutes(2);
    driven.advance_to(next).await.unwrap();
    let site = driven.site().id.clone();
    let status = format!("hypocaust/{site}/bin/b1/status");
    let shown = panel.hears(&status, |text| text.contains("\"state\":\"unacknowledged\"")).await;
    assert!(shown.contains("\"title\":\"Hot now\"") && shown.contains("\"core_celsius\":70.00"), "{shown}");
    let answers = format!("hypocaust/{site}/acknowledge/answer");
    let acknowledge = format!("hypocaust/{site}/acknowledge");
    for (message, why) in [
        (r#"{"alarm":1,"by":"Ann"}"#, "without a word"),
        (r#"{"alarm":1,"token":"guessed-guessed-guessed","by":"Ann"}"#, "with a guess"),
        (r#"{"alarm":1,"token":"correct-horse-battery-staple","by":"Zoe"}"#, "as somebody whom nobody knows"),
    ] {
        panel.says(&acknowledge, message).await;
        let refused = panel.hears(&answers, |text| text.contains("\"refused\"")).await;
        assert!(
            refused.contains("\"alarm\":1") && refused.contains("name and token do not go together"),
            "{why}: {refused}"
        );
    }
    let proven = r#"{"alarm":1,"token":"correct-horse-battery-staple","by":"ann@test.example","comment":"on my way"}"#;
    panel.says(&acknowledge, proven).await;
    let shown = panel.hears(&status, |text| text.contains("\"state\":\"acknowledged\"")).await;
    assert!(shown.contains("\"title\":\"Hot now\""), "{shown}");
    panel.hears(&answers, |text| text.contains("\"done\"")).await;
    let heard = panel.heard_so_far();
    driven.stop().await.unwrap();
    assert!(!heard.iter().any(|(topic, text)| *topic == acknowledge || text.contains("horse")), "{heard:?}");
    let settings = yard.write_settings();
    let (code, text) = yard::hypocaust_with(&settings, &["why", "1"]);
    assert!(code == 0 && text.contains("Ann") && text.contains("on my way") && !text.contains("horse"), "{text}");
}

/// A panel on the wall: an MQTT client that listens to all that the daemon publishes.
struct Panel {
    client: rumqttc::AsyncClient,
    heard: tokio::sync::mpsc::UnboundedReceiver<(String, String)>,
}

impl Panel {
    async fn at(address: std::net::SocketAddr) -> Panel {
        let options = rumqttc::MqttOptions::new("panel", (address.ip().to_string(), address.port()));
        let (client, mut events) = rumqttc::AsyncClient::builder(options).capacity(100).build();
        let (tell, heard) = tokio::sync::mpsc::unbounded_channel();
        client.subscribe("hypocaust/#", rumqttc::QoS::AtLeastOnce).await.unwrap();
        tokio::spawn(async move {
            while let Ok(event) = events.poll().await {
                if let rumqttc::Event::Incoming(rumqttc::Packet::Publish(message)) = event {
                    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
                    if tell.send((text(&message.topic), text(&message.payload))).is_err() {
                        break;
                    }
                }
            }
        });
        Panel { client, heard }
    }

    /// What came and was not waited for.
    fn heard_so_far(&mut self) -> Vec<(String, String)> {
        std::iter::from_fn(|| self.heard.try_recv().ok()).collect()
    }

    async fn says(&self, topic: &str, payload: &str) {
        publish(&self.client, topic.to_owned(), payload.to_owned()).await.unwrap();
    }

    /// Waits for a message on a topic that says what is wanted.
    async fn hears(&mut self, topic: &str, wanted: impl Fn(&str) -> bool) -> String {
        let mut others = Vec::new();
        let heard = tokio::time::timeout(PATIENCE, async {
            while let Some((on, text)) = self.heard.recv().await {
                if on == topic && wanted(&text) {
                    return text;
                }
                others.push((on, text));
            }
            panic!("the broker ended the connection");
        });
        let heard = heard.await;
        heard.unwrap_or_else(|_| panic!("nothing of the kind came on {topic}; there came {others:#?}"))
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn smtp_that_is_down_for_an_hour_loses_no_mail_and_is_told_of_once() {
    let mut sink = SmtpSink::start();
    let yard = Yard::new(1).smtp_at(sink.port()).with_rule("hot-now", yard::HOT_NOW);
    let mut driven = yard.driven(START).await;
    let client = connect(driven.listens_on().unwrap(), "b1-node");
    sink.stop();
    live(&mut driven, &client, "b1-core", &[60.0, 70.0]).await;
    // An hour of simulated time with the relay down: every attempt is refused at once.
    for _ in 0..60 {
        let next = driven.now() + Span::minutes(1);
        driven.advance_to(next).await.unwrap();
    }
    assert!(sink.received().is_empty());
    sink.restart();
    for _ in 0..60 {
        let next = driven.now() + Span::minutes(1);
        driven.advance_to(next).await.unwrap();
    }
    let seen = sink.wait_for(|seen| !seen.received.is_empty(), PATIENCE);
    driven.stop().await.unwrap();
    let letters: Vec<_> = seen.received.iter().map(|mail| letter(&mail.data)).collect();
    let raises: Vec<_> = letters.iter().filter(|l| l.step.as_deref() == Some("raise")).collect();
    assert_eq!(raises.len(), 1, "the raise, once");
    let raise = raises[0];
    assert!(raise.subject.contains("hot now"), "{}", raise.subject);
    let store = ledger::Ledger::open(&yard.data(), ledger::Access::Read).unwrap();
    let counts = store.counts().unwrap();
    assert_eq!((counts.mails_accepted, counts.mails_waiting, counts.mails_given_up), (letters.len() as u64, 0, 0));
}
