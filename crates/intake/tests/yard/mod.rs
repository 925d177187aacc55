//! A yard with one probe and a device that publishes for it, for the tests of both ways.
//!
//! Must never sleep: everything is waited for, with a deadline.

#![allow(dead_code, missing_docs, unreachable_pub, clippy::unwrap_used)]

use std::future::Future;
use std::io::Write;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, OnceLock};
use std::time::Duration;

use engine::input::LinkState;
use intake::{Arrival, Happening, Intake, Means, Secrets, StatusTopic};
use pile::time::Timestamp;
use rumqttc::{AsyncClient, BrokerSessionResumePolicy, Event, MqttOptions, Packet, PublishOptions, QoS};
use site::model::{Broker, Site};
use tokio::sync::mpsc;
use tokio::time::timeout;

#[path = "../../../decode/tests/sites/mod.rs"]
mod sites;

/// A deadline that only a failure reaches.
pub const SOON: Duration = Duration::from_secs(20);

pub fn site(broker: &Broker) -> Site {
    let mut site = sites::with(vec![sites::plain("yard/{probe}", "{probe}")], &["core", "base"], &[]);
    site.broker = broker.clone();
    site
}

pub async fn try_start(broker: &Broker, secrets: Secrets) -> Result<Intake, intake::IntakeError> {
    start_in(broker, secrets, None).await
}

pub async fn start_in(
    broker: &Broker,
    secrets: Secrets,
    sessions: Option<PathBuf>,
) -> Result<Intake, intake::IntakeError> {
    let status = StatusTopic { topic: "hypocaust/yard/status".into(), gone: "gone".into() };
    let clock = Arc::new(|| Timestamp::from_millis(1_773_122_400_000));
    let site = site(broker);
    let router = Arc::new(decode::Router::new(&site));
    let means = Means { secrets, sessions, status, connections: usize::MAX };
    intake::start(&site, router, means, clock).await
}

pub async fn start(broker: &Broker) -> Intake {
    try_start(broker, Secrets::default()).await.unwrap()
}

pub async fn soon<T>(what: &str, future: impl Future<Output = T>) -> T {
    timeout(SOON, future).await.unwrap_or_else(|_| panic!("{what} did not happen in time"))
}

/// The next message, passing over news of the link.
pub async fn arrival(intake: &mut Intake) -> Arrival {
    soon("an arrival", async {
        loop {
            match intake.happenings.recv().await.unwrap() {
                Happening::Arrival(arrival) => return arrival,
                Happening::Link(..) => {}
            }
        }
    })
    .await
}

/// The next news of the link; messages before it are released.
pub async fn link(intake: &mut Intake) -> (LinkState, String) {
    soon("news of the link", async {
        loop {
            match intake.happenings.recv().await.unwrap() {
                Happening::Arrival(arrival) => arrival.ack.release(),
                Happening::Link(state, words) => return (state, words),
            }
        }
    })
    .await
}

pub fn value(arrival: &Arrival) -> f64 {
    assert_eq!(arrival.refusals, []);
    assert_eq!(arrival.readings.len(), 1);
    arrival.readings[0].value
}

/// What a device sees.
#[derive(Clone, Debug, PartialEq)]
pub enum Seen {
    Connected,
    Refused,
    Lost,
    Acknowledged(u16),
    Released(u16),
    Message { topic: String, payload: String, retained: bool },
    Subscribed,
    Pong,
}

/// A device, polled by a task of its own.
pub struct Device {
    pub client: AsyncClient,
    seen: mpsc::UnboundedReceiver<Seen>,
    task: tokio::task::JoinHandle<()>,
}

pub fn options(id: &str, port: u16) -> MqttOptions {
    let mut options = MqttOptions::new(id, ("127.0.0.1", port));
    options
        .set_keep_alive(5)
        .set_clean_start(false)
        .set_session_expiry_interval(Some(3_600))
        // A second run under the same id may receive, but this library lets it send nothing; give it another id for that.
        .set_broker_session_resume_policy(BrokerSessionResumePolicy::AllowBrokerOnly)
        .set_max_packet_size(Some(20_000_000));
    options
}

impl Device {
    /// Connects and stays; it comes back by itself when the connection breaks.
    pub fn new(options: MqttOptions) -> Device {
        let (client, mut connection) = AsyncClient::builder(options).capacity(1_000).build();
        let (tell, seen) = mpsc::unbounded_channel();
        let task = tokio::spawn(async move {
            loop {
                let seen = match connection.poll().await {
                    Ok(Event::Incoming(Packet::ConnAck(_))) => Seen::Connected,
                    Ok(Event::Incoming(Packet::PubAck(ack))) => Seen::Acknowledged(ack.pkid),
                    Ok(Event::Incoming(Packet::PubRec(rec))) => Seen::Released(rec.pkid),
                    Ok(Event::Incoming(Packet::SubAck(_))) => Seen::Subscribed,
                    Ok(Event::Incoming(Packet::PingResp)) => Seen::Pong,
                    Ok(Event::Incoming(Packet::Publish(p))) => Seen::Message {
                        topic: String::from_utf8(p.topic.to_vec()).unwrap(),
                        payload: String::from_utf8(p.payload.to_vec()).unwrap(),
                        retained: p.retain,
                    },
                    Ok(_) => continue,
                    Err(rumqttc::ConnectionError::RequestsDone) => return,
                    Err(rumqttc::ConnectionError::ConnectionRefused(_)) => Seen::Refused,
                    Err(_) => Seen::Lost,
                };
                let refused = seen == Seen::Refused;
                if tell.send(seen).is_err() || refused {
                    return;
                }
                tokio::task::yield_now().await;
            }
        });
        Device { client, seen, task }
    }

    pub async fn connected(options: MqttOptions) -> Device {
        let mut device = Device::new(options);
        device.until(&Seen::Connected).await;
        device
    }

    /// Everything seen up to and including `wanted`.
    pub async fn until(&mut self, wanted: &Seen) -> Vec<Seen> {
        let mut seen = Vec::new();
        soon(&format!("{wanted:?}"), async {
            loop {
                seen.push(self.seen.recv().await.unwrap());
                if seen.last() == Some(wanted) {
                    return;
                }
            }
        })
        .await;
        seen
    }

    pub async fn acknowledged(&mut self) -> Vec<Seen> {
        let mut before = Vec::new();
        soon("an acknowledgement", async {
            loop {
                match self.seen.recv().await.unwrap() {
                    Seen::Acknowledged(_) => return,
                    other => before.push(other),
                }
            }
        })
        .await;
        before
    }

    /// Waits until a message of QoS 2 has its first answer.
    pub async fn until_released(&mut self) {
        soon("an answer", async { while !matches!(self.seen.recv().await.unwrap(), Seen::Released(_)) {} }).await;
    }

    /// What was seen already.
    pub fn so_far(&mut self) -> Vec<Seen> {
        std::iter::from_fn(|| self.seen.try_recv().ok()).collect()
    }

    pub async fn message(&mut self) -> (String, String, bool) {
        soon("a message", async {
            loop {
                if let Seen::Message { topic, payload, retained } = self.seen.recv().await.unwrap() {
                    return (topic, payload, retained);
                }
            }
        })
        .await
    }

    pub async fn publish(&self, topic: &str, payload: impl Into<Vec<u8>>, qos: QoS) {
        self.client.publish(topic, payload.into(), PublishOptions::new(qos)).await.unwrap();
    }

    pub async fn publish_retained(&self, topic: &str, payload: &str) {
        self.client.publish(topic, payload.to_owned(), PublishOptions::at_least_once().retained()).await.unwrap();
    }

    pub async fn subscribe(&mut self, filter: &str) {
        self.client.subscribe(filter, QoS::AtLeastOnce).await.unwrap();
        self.until(&Seen::Subscribed).await;
    }

    /// The cable is cut: no farewell.
    pub async fn cut(self) {
        self.task.abort();
        let _ = self.task.await;
    }

    /// Says goodbye.
    pub async fn leave(self) {
        self.client.disconnect().await.unwrap();
        soon("the farewell", self.task).await.unwrap();
    }
}

/// Everything that was logged in this process.
#[derive(Clone, Default)]
pub struct Log(Arc<Mutex<Vec<u8>>>);

impl Log {
    /// Starts to collect, once a process.
    pub fn collect() -> Log {
        static LOG: OnceLock<Log> = OnceLock::new();
        LOG.get_or_init(|| {
            let log = Log::default();
            let writer = log.clone();
            tracing_subscriber::fmt()
                .with_ansi(false)
                .with_env_filter("intake=info")
                .with_writer(move || writer.clone())
                .init();
            log
        })
        .clone()
    }

    /// Lines that contain all of `parts`.
    pub fn lines(&self, parts: &[&str]) -> Vec<String> {
        let text = String::from_utf8(self.0.lock().unwrap().clone()).unwrap();
        text.lines().filter(|line| parts.iter().all(|part| line.contains(part))).map(Into::into).collect()
    }
}

impl Write for Log {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.0.lock().unwrap().write(bytes)
    }
    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}
