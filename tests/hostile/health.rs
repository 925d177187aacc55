//! Whether it says of itself what is true, and whom it tells.

use std::net::SocketAddr;

use hypocaust::driven::{Driven, acknowledged, connect, publish};
use pile::time::Span;
use tokio::sync::watch;

use crate::mosquitto::Mosquitto;
use crate::smtp_sink::{Manner, SmtpSink, Step};
use crate::table::{Happened, Row};
use crate::yard::{self, PATIENCE, Process, START, Yard, eventually, free_port, letter, payload};

/// The rows of this area.
pub fn rows() -> Vec<Row> {
    vec![
        Row::new(
            "the broker is stopped",
            "told within 10 s as late, as failed with the alarm; `ok` when it is back",
            broker_gone,
        ),
        Row::new(
            "the relay rejects one of two people (550)",
            "the other is told once; a later mail tries again",
            one_refused,
        ),
        Row::new(
            "the relay rejects everybody (550)",
            "health failed at the first answer, the sounder sounds",
            all_refused,
        ),
        Row::new("the relay answers 421 for ever", "health late at the first answer; every mail is kept", not_now),
        Row::new("the disk is full", "health failed while the loop is held up by it", disk_full),
    ]
}

/// Status and text of `/health`; `None` while nobody answers.
fn health(port: u16) -> Option<(u16, String)> {
    let agent: ureq::Agent = ureq::Agent::config_builder().http_status_as_error(false).build().into();
    let mut answer = agent.get(format!("http://127.0.0.1:{port}/health")).call().ok()?;
    Some((answer.status().as_u16(), answer.body_mut().read_to_string().ok()?))
}

/// Waits until the page has a line that begins so; gives the status and that line.
async fn told(port: u16, begins: &str) -> (u16, String) {
    eventually(begins, || {
        let (status, text) = tokio::task::block_in_place(|| health(port))?;
        let line = text.lines().find(|line| line.starts_with(begins))?;
        Some((status, line.to_owned()))
    })
    .await
}

fn watched(yard: Yard) -> (Yard, u16) {
    let port = free_port();
    let more = format!("{}metrics: {{ listen: \"127.0.0.1:{port}\" }}\n", yard.more);
    (Yard { more, ..yard }, port)
}

/// So many messages that are no readings that an alarm mail goes out, at once.
async fn rubbish(broker: u16) {
    let client = connect(SocketAddr::from(([127, 0, 0, 1], broker)), "rubbish");
    for _ in 0..25 {
        acknowledged(vec![publish(&client, "t/b1-core".into(), "rubbish".into()).await.unwrap()]).await.unwrap();
    }
}

async fn broker_gone() -> Happened {
    let Some(mut broker) = Mosquitto::start("the broker is stopped") else {
        return Happened::said("NOT RUN: no mosquitto");
    };
    let (yard, port) = watched(Yard::new(1).broker_at(broker.port()));
    let daemon = Process::start(&yard, &[]);
    let (status, _) = told(port, "broker: ok").await;
    assert_eq!(status, 200);
    broker.stop();
    let (status, line) = told(port, "broker: late since").await;
    assert!(status == 200 && line.contains("no connection to the broker 127.0.0.1:"), "{status} {line}");
    let (code, said) = yard::hypocaust(&yard, &["status"]);
    assert!(code == 0 && said.contains("broker: late since"), "{code}: {said}");
    broker.start_again();
    told(port, "broker: ok").await;
    let spent = daemon.spent();
    assert_eq!(daemon.stop().0, Some(0));
    Happened::new(format!("200, {line}"), spent)
}

fn two_people(broker: u16, sink: &SmtpSink) -> (Yard, u16) {
    let yard = Yard::new(1).embedded_at(broker).smtp_at(sink.port());
    let bob = " }\n  - { name: Bob, mail: \"bob@test.example\", gets: [alarms]";
    let sounder = "sounder: { topic: horn, on: \"ON\", off: \"OFF\" }\n";
    watched(Yard { person: bob.into(), more: sounder.into(), ..yard })
}

async fn one_refused() -> Happened {
    let (sink, broker) = (SmtpSink::start(), free_port());
    let (yard, port) = two_people(broker, &sink);
    sink.behave(Manner::AnswerTo { to: "ann@test.example".into(), code: 550, words: "5.1.1 no such user".into() });
    let daemon = Process::start(&yard, &[]);
    told(port, "outbox: ok").await;
    rubbish(broker).await;
    let seen = sink.wait_for(|seen| seen.received.len() >= 2, PATIENCE);
    let letters: Vec<_> = seen.received.iter().map(|mail| (mail.to.clone(), letter(&mail.data))).collect();
    assert!(letters.iter().all(|(to, _)| *to == ["bob@test.example"]));
    let about: Vec<_> = letters.iter().filter(|(_, mail)| mail.subject.contains("Ann")).collect();
    assert_eq!(about.len(), 1, "{:?}", letters.iter().map(|(_, mail)| &mail.subject).collect::<Vec<_>>());
    assert!(about[0].1.text.contains("550 5.1.1 no such user"), "{}", about[0].1.text);
    let (status, line) = told(port, "outbox: late since").await;
    assert!(status == 200 && line.contains("mail does not reach 1 of 2 people"), "{status} {line}");
    // The relay knows her again: the next mail says so, and the alarm ends by itself.
    sink.behave(Manner::Accept);
    let (_, listed) = yard::hypocaust(&yard, &["alarms"]);
    assert!(listed.contains("Mail undeliverable"), "{listed}");
    let spent = daemon.spent();
    assert_eq!(daemon.stop().0, Some(0));
    Happened::new(format!("Bob got \"{}\"; 200, {line}", about[0].1.subject), spent)
}

async fn all_refused() -> Happened {
    let (sink, broker) = (SmtpSink::start(), free_port());
    let (yard, port) = two_people(broker, &sink);
    sink.behave(Manner::Answer { at: Step::Recipient, code: 550, words: "5.7.1 not here".into() });
    let daemon = Process::start(&yard, &[]);
    told(port, "outbox: ok").await;
    rubbish(broker).await;
    let (status, line) = told(port, "outbox: failed since").await;
    assert_eq!(status, 503, "{line}");
    let (code, said) = yard::hypocaust(&yard, &["status"]);
    assert!(code == 1 && said.contains("outbox: failed since"), "{code}: {said}");
    let (_, listed) = yard::hypocaust(&yard, &["alarms"]);
    assert!(listed.contains("Mail reaches nobody"), "{listed}");
    let mut heard = listen(broker, &["horn", "hypocaust/test-yard/status"]).await;
    // What was there before comes first, where the publisher is still at it.
    until(&mut heard, "horn", "ON").await;
    until(&mut heard, "hypocaust/test-yard/status", "\"mail\":\"failed\",\"people_unreached\":2").await;
    let refused = sink.seen().refusals.len();
    assert!(refused <= 6, "{refused} attempts to tell those who cannot be told");
    let spent = daemon.spent();
    assert_eq!(daemon.stop().0, Some(0));
    Happened::new(format!("503, {line}; horn ON; {refused} attempts in all"), spent)
}

async fn not_now() -> Happened {
    let (sink, broker) = (SmtpSink::start(), free_port());
    let (yard, port) = two_people(broker, &sink);
    sink.behave(Manner::Answer { at: Step::Hello, code: 421, words: "4.3.2 not now".into() });
    let daemon = Process::start(&yard, &[]);
    told(port, "outbox: ok").await;
    rubbish(broker).await;
    let (status, line) = told(port, "outbox: late since").await;
    assert!(status == 200 && line.contains("2 mails wait"), "{status} {line}");
    // The relay is itself again: nothing is lost. The second try is a minute after the first.
    sink.behave(Manner::Accept);
    sink.wait_for(|seen| seen.received.len() == 2, PATIENCE * 2);
    told(port, "outbox: ok").await;
    let spent = daemon.spent();
    assert_eq!(daemon.stop().0, Some(0));
    Happened::new(format!("200, {line}; both arrived at the next try"), spent)
}

async fn disk_full() -> Happened {
    let (yard, port) = watched(Yard::new(1));
    let (pages, limited) = watch::channel(None);
    let driven = Driven::start(yard.site(), &yard.rules(), START, None, Some(limited)).await.unwrap();
    told(port, "disk: ok").await;
    pages.send_replace(Some(1));
    let client = connect(driven.listens_on().unwrap(), "node");
    let mut progress = driven.progress();
    let filling = async {
        for n in 0.. {
            let _ = publish(&client, "t/b1-core".into(), payload(START - Span::seconds(n), 20.0)).await;
        }
    };
    tokio::select! {
        () = filling => {}
        troubled = tokio::time::timeout(PATIENCE, progress.wait_for(|p| p.store_in_trouble)) => { troubled.unwrap().unwrap(); }
    }
    let (status, line) = told(port, "disk: failed since").await;
    assert!(status == 503 && line.contains("the store takes nothing"), "{status} {line}");
    pages.send_replace(None);
    told(port, "disk: ok").await;
    driven.stop().await.unwrap();
    Happened::said(format!("503, {line}"))
}

/// What is published on these topics, retained messages first.
async fn listen(broker: u16, topics: &[&str]) -> tokio::sync::mpsc::UnboundedReceiver<(String, String)> {
    let mut options = rumqttc::MqttOptions::new("listener", ("127.0.0.1".to_owned(), broker));
    options.set_clean_start(true);
    let (client, mut events) = rumqttc::AsyncClient::builder(options).capacity(100).build();
    let (told, heard) = tokio::sync::mpsc::unbounded_channel();
    for topic in topics {
        client.subscribe((*topic).to_owned(), rumqttc::QoS::AtLeastOnce).await.unwrap();
    }
    tokio::spawn(async move {
        // The connection ends with the last handle of its client.
        let _client = client;
        while let Ok(event) = events.poll().await {
            if let rumqttc::Event::Incoming(rumqttc::Packet::Publish(publish)) = event {
                let topic = String::from_utf8_lossy(&publish.topic).into_owned();
                let _ = told.send((topic, String::from_utf8_lossy(&publish.payload).into_owned()));
            }
        }
    });
    heard
}

/// Waits for a message on a topic that has these words.
async fn until(heard: &mut tokio::sync::mpsc::UnboundedReceiver<(String, String)>, topic: &str, words: &str) {
    let wait = async {
        loop {
            let (on, payload) = heard.recv().await.expect("the connection holds");
            if on == topic && payload.contains(words) {
                return;
            }
        }
    };
    tokio::time::timeout(PATIENCE, wait).await.unwrap_or_else(|_| panic!("no `{words}` on {topic}"));
}
