//! The doors that a network reaches: the broker inside, the page of figures, words over MQTT.

use std::net::TcpStream as BlockingStream;
use std::path::Path;
use std::time::{Duration, Instant};

use hypocaust::driven::{acknowledged, publish};
use ledger::{Access, Ledger};
use rumqttc::{AsyncClient, Event, LastWill, MqttOptions, Packet, PublishNotice, PublishOptions, QoS};
use rustix::process::{Resource, Rlimit, getrlimit, setrlimit};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::sync::mpsc;

use crate::smtp_sink::SmtpSink;
use crate::table::{Happened, Row};
use crate::yard::{HOT_NOW, PATIENCE, Process, Yard, eventually, free_port, hypocaust_with, machine_now, payload};

const TOKEN: &str = "correct-horse-battery-staple";
const SITE: &str = "hypocaust/test-yard";
/// Argon2 of `b1-core-long-secret`, with the parameters that are usual today (19 MiB, two passes).
const HASHED: &str =
    "$argon2id$v=19$m=19456,t=2,p=1$oyBsuzKMSEpQth49qp9L4Q$IltoKayDJZCrVf3CZ3zTKAESIhCCFznnfKtrP0+ztRI";
/// A mail of the next judgement, which comes within a minute.
const MAIL_WITHIN: Duration = Duration::from_secs(90);

/// The rows of this area.
pub fn rows() -> Vec<Row> {
    vec![
        Row::new(
            "1,100 half requests to /metrics, each kept open",
            "16 connections, 3 s for a request; a hot reading is mailed meanwhile",
            half_requests,
        ),
        Row::new(
            "2,000 connections to the broker that never say who they are",
            "64 of one address, 5 s for a CONNECT; a probe comes in and is answered",
            silent_connections,
        ),
        Row::new(
            "300 wrong passwords for one user, while its probe publishes",
            "two hashes at once, a growing pause; each reading is answered within 2 s",
            wrong_passwords,
        ),
        Row::new(
            "20,000 retained topics of one user",
            "5,000 of one user, 10,000 in all; another user's message is still retained",
            retained_topics,
        ),
        Row::new(
            "20 MB for a client that went away and never comes back",
            "128 kB wait for a client, some ten times that in its files",
            a_queue_for_ever,
        ),
        Row::new(
            "a probe's user says how things stand, speaks for another probe, takes an id, and listens to all",
            "its own topics and nothing else; a token goes to nobody",
            a_probe_that_is_no_probe,
        ),
        Row::new(
            "acknowledgements without a token, with guesses, for somebody else",
            "each refused with an answer; ten are looked at in a minute, then it rests",
            acknowledgements_without_a_token,
        ),
        Row::new("topics of 60 kB", "1,024 bytes; none is passed on or kept, readings go on", long_topics),
    ]
}

/// Lets this program, and not the daemon that it starts, open many connections.
fn open_many() {
    let has = getrlimit(Resource::Nofile);
    setrlimit(
        Resource::Nofile,
        Rlimit { current: has.maximum.map_or(Some(20_000), |most| Some(most.min(20_000))), ..has },
    )
    .unwrap();
}

/// Starts a daemon that begins with as few descriptors as a login shell has.
fn started(yard: &Yard) -> Process {
    let has = getrlimit(Resource::Nofile);
    setrlimit(Resource::Nofile, Rlimit { current: Some(1_024), ..has }).unwrap();
    let process = Process::start(yard, &[]);
    open_many();
    process
}

async fn listens(port: u16) {
    eventually("the door", || BlockingStream::connect(("127.0.0.1", port)).ok()).await;
}

/// A client of the broker that keeps what it hears and what it was answered.
struct Client {
    client: AsyncClient,
    heard: mpsc::UnboundedReceiver<Packet>,
}

fn options(port: u16, id: &str, user: Option<&str>) -> MqttOptions {
    let mut options = MqttOptions::new(id, ("127.0.0.1".to_owned(), port));
    options.set_keep_alive(30).set_outgoing_inflight_upper_limit(100).set_max_packet_size(Some(1_000_000));
    if let Some(user) = user {
        options.set_credentials(user, format!("{user}-long-secret"));
    }
    options
}

impl Client {
    fn new(options: MqttOptions) -> Client {
        let (client, mut events) = AsyncClient::builder(options).capacity(200).build();
        let (tell, heard) = mpsc::unbounded_channel();
        tokio::spawn(async move {
            let (until, mut pause) = (Instant::now() + PATIENCE, tokio::time::interval(Duration::from_millis(20)));
            loop {
                match events.poll().await {
                    Ok(Event::Incoming(packet)) => {
                        if tell.send(packet).is_err() {
                            break;
                        }
                    }
                    Ok(_) => {}
                    Err(rumqttc::ConnectionError::RequestsDone) => break,
                    // All seats may be taken: it is tried until one is free, and whoever waits for more than that is told.
                    Err(_) if Instant::now() < until => drop(pause.tick().await),
                    Err(_) => break,
                }
            }
        });
        Client { client, heard }
    }

    async fn connected(options: MqttOptions) -> Client {
        let mut client = Client::new(options);
        client.hears("a welcome", |packet| matches!(packet, Packet::ConnAck(_)).then_some(())).await;
        client
    }

    async fn hears<T>(&mut self, what: &str, wanted: impl Fn(&Packet) -> Option<T>) -> T {
        let found = tokio::time::timeout(PATIENCE, async {
            loop {
                let packet = self.heard.recv().await.expect("the client lives");
                if let Some(found) = wanted(&packet) {
                    return found;
                }
            }
        });
        found.await.unwrap_or_else(|_| panic!("{what} did not come"))
    }

    async fn message(&mut self, topic: &str) -> String {
        let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        self.hears(topic, |packet| match packet {
            Packet::Publish(message) if text(&message.topic) == topic => Some(text(&message.payload)),
            _ => None,
        })
        .await
    }

    /// Publishes and gives the reason code with which it was answered.
    async fn answered(&mut self, topic: &str, text: &str) -> String {
        self.client.publish(topic.to_owned(), text.to_owned(), PublishOptions::new(QoS::AtLeastOnce)).await.unwrap();
        self.hears("an answer", |packet| match packet {
            Packet::PubAck(ack) => Some(format!("{:?}", ack.reason)),
            _ => None,
        })
        .await
    }

    async fn publish(&self, topic: String, text: String) -> PublishNotice {
        publish(&self.client, topic, text).await.unwrap()
    }
}

/// A yard with passwords at the broker, the first probe's of them hashed; Ann has a token.
fn guarded(port: u16) -> Yard {
    let mut yard = Yard::new(2).with_rule("hot-now", HOT_NOW);
    let passwords = yard.path("passwords");
    std::fs::write(
        &passwords,
        format!("b1-core:{HASHED}\nb2-core:b2-core-long-secret\npanel:panel-long-secret\nrelay:relay-long-secret\n"),
    )
    .unwrap();
    secret(&passwords);
    crate::yard::write_secret(&yard.path("ann"), &format!("{TOKEN}\n"));
    secret(&yard.path("ann"));
    yard.person = format!(", log_token_file: \"{}\"", yard.path("ann").display());
    yard.broker = format!(
        "embedded: {{ listen: \"127.0.0.1:{port}\", password_file: \"{}\", users: [ \
         {{ user: panel, publish: [\"{SITE}/acknowledge\", \"{SITE}/log\"], subscribe: [\"{SITE}/#\"] }}, \
         {{ user: relay, publish: [\"#\"], subscribe: [\"#\"] }} ] }}",
        passwords.display()
    );
    yard
}

fn secret(path: &Path) {
    let mode = std::os::unix::fs::PermissionsExt::from_mode(0o600);
    std::fs::set_permissions(path, mode).unwrap();
}

/// Bytes of all files below a folder.
fn size(folder: &Path) -> u64 {
    let mut all = 0;
    let mut folders = vec![folder.to_owned()];
    while let Some(at) = folders.pop() {
        for entry in std::fs::read_dir(at).into_iter().flatten().flatten() {
            match entry.metadata() {
                Ok(found) if found.is_dir() => folders.push(entry.path()),
                Ok(found) => all += found.len(),
                Err(_) => {}
            }
        }
    }
    all
}

/// Stops it and gives its cost; a daemon that does not stop within five seconds is held up by something.
fn ended(process: Process, what: String) -> Happened {
    let happened = Happened::new(what, process.spent());
    let (code, took) = process.stop();
    assert!(code == Some(0) && took < Duration::from_secs(5), "it stopped with {code:?} after {took:?}");
    happened
}

async fn half_requests() -> Happened {
    let sink = SmtpSink::start();
    let (port, figures) = (free_port(), free_port());
    let mut yard = Yard::new(1).with_rule("hot-now", HOT_NOW).smtp_at(sink.port()).embedded_at(port);
    yard.more = format!("metrics: {{ listen: \"127.0.0.1:{figures}\" }}\n");
    let process = started(&yard);
    listens(port).await;
    listens(figures).await;
    let mut half = Vec::new();
    for _ in 0..1_100 {
        let mut stream = TcpStream::connect(("127.0.0.1", figures)).await.unwrap();
        // One that was closed at once is what the bound is for.
        let _ = stream.write_all(b"GET /metrics HTTP/1.1\r\nHost: a\r\n").await;
        half.push(stream);
    }
    let began = Instant::now();
    let probe = Client::connected(options(port, "probe", None)).await;
    acknowledged(vec![probe.publish("t/b1-core".into(), payload(machine_now(), 70.0)).await]).await.unwrap();
    tokio::task::block_in_place(|| sink.wait_for(|seen| !seen.received.is_empty(), MAIL_WITHIN));
    let mailed = began.elapsed();
    // And whoever watches is answered again.
    let page = eventually("the page", || {
        let agent: ureq::Agent =
            ureq::Agent::config_builder().timeout_global(Some(Duration::from_secs(5))).build().into();
        tokio::task::block_in_place(|| agent.get(format!("http://127.0.0.1:{figures}/metrics")).call().ok())
    })
    .await;
    assert_eq!(page.status().as_u16(), 200);
    drop(half);
    ended(process, format!("mailed {:.0} s after the reading; the page answers again", mailed.as_secs_f64()))
}

async fn silent_connections() -> Happened {
    let port = free_port();
    let yard = Yard::new(1).embedded_at(port);
    let process = started(&yard);
    listens(port).await;
    let mut silent = Vec::new();
    for _ in 0..2_000 {
        silent.push(TcpStream::connect(("127.0.0.1", port)).await.unwrap());
    }
    let began = Instant::now();
    let probe = Client::connected(options(port, "probe", None)).await;
    acknowledged(vec![probe.publish("t/b1-core".into(), payload(machine_now(), 60.0)).await]).await.unwrap();
    let came_in = began.elapsed();
    for stream in &mut silent {
        let end = tokio::time::timeout(PATIENCE, stream.read(&mut [0; 8])).await.expect("an end");
        assert!(!matches!(end, Ok(n) if n > 0));
    }
    assert!(process.log().contains("a connection to the broker inside was closed at once"), "{}", process.log());
    ended(
        process,
        format!("a probe of the same address came in after {:.1} s; all 2,000 were closed", came_in.as_secs_f64()),
    )
}

async fn wrong_passwords() -> Happened {
    let port = free_port();
    let yard = guarded(port);
    let process = started(&yard);
    listens(port).await;
    let probe = Client::connected(options(port, "probe", Some("b1-core"))).await;
    let guesses: Vec<_> = (0..300)
        .map(|n| {
            let mut options = options(port, &format!("guess-{n}"), None);
            options.set_credentials("b1-core", format!("a-guess-{n}"));
            tokio::spawn(async move {
                let (_client, mut events) = AsyncClient::builder(options).capacity(1).build();
                while let Ok(event) = events.poll().await {
                    assert!(!matches!(event, Event::Incoming(Packet::ConnAck(_))), "a guess was let in");
                }
            })
        })
        .collect();
    let mut longest = Duration::ZERO;
    for n in 0..30 {
        let began = Instant::now();
        let at = machine_now() - pile::time::Span::seconds(60 - n);
        acknowledged(vec![probe.publish("t/b1-core".into(), payload(at, 60.0)).await]).await.unwrap();
        longest = longest.max(began.elapsed());
    }
    for guess in guesses {
        tokio::time::timeout(PATIENCE, guess).await.expect("an answer to a guess").unwrap();
    }
    assert!(longest < Duration::from_secs(2), "{longest:?}");
    let log = process.log();
    assert!(!log.contains("a-guess"), "a password is in the log");
    let lines = log.lines().filter(|line| line.contains("user or password is wrong")).count();
    assert!((1..=12).contains(&lines), "{lines} lines about it");
    ended(process, format!("the slowest of 30 readings took {} ms; {lines} lines in the log", longest.as_millis()))
}

async fn retained_topics() -> Happened {
    let port = free_port();
    let yard = guarded(port);
    let process = started(&yard);
    listens(port).await;
    let flood = Client::connected(options(port, "flood", Some("relay"))).await;
    let mut notices = Vec::new();
    for n in 0..20_000 {
        let publish = PublishOptions::at_least_once().retained();
        notices.push(flood.client.publish_tracked(format!("f/{n}"), "x".repeat(100), publish).await.unwrap());
        if notices.len() == 100 {
            acknowledged(std::mem::take(&mut notices)).await.unwrap();
        }
    }
    acknowledged(notices).await.unwrap();
    let probe = Client::connected(options(port, "probe", Some("b2-core"))).await;
    let kept = PublishOptions::at_least_once().retained();
    acknowledged(vec![probe.client.publish_tracked("t/b2-core/state", "online", kept).await.unwrap()]).await.unwrap();
    let mut ear = Client::connected(options(port, "ear", Some("relay"))).await;
    ear.client.subscribe("t/#", QoS::AtLeastOnce).await.unwrap();
    assert_eq!(ear.message("t/b2-core/state").await, "online");
    let files = std::fs::read_dir(yard.data().join("broker/retained")).unwrap().count();
    assert!(files <= 5_100, "{files} files");
    ended(process, format!("{files} kept; another user's was kept too"))
}

async fn a_queue_for_ever() -> Happened {
    let port = free_port();
    let yard = Yard::new(1).embedded_at(port);
    let process = started(&yard);
    listens(port).await;
    let mut away = options(port, "away", None);
    away.set_clean_start(false).set_session_expiry_interval(Some(u32::MAX));
    let mut hearer = Client::connected(away).await;
    hearer.client.subscribe("noise/#", QoS::AtLeastOnce).await.unwrap();
    hearer.hears("a subscription", |packet| matches!(packet, Packet::SubAck(_)).then_some(())).await;
    hearer.client.disconnect().await.unwrap();
    let loud = Client::connected(options(port, "loud", None)).await;
    let mut notices = Vec::new();
    for n in 0..20_000 {
        notices.push(loud.publish(format!("noise/{}", n % 10), "x".repeat(1_000)).await);
        if notices.len() == 100 {
            acknowledged(std::mem::take(&mut notices)).await.unwrap();
        }
    }
    acknowledged(notices).await.unwrap();
    let folder = yard.data().join("broker");
    // Files go behind the queue's back.
    let bytes =
        eventually("a folder within its bound", || Some(size(&folder)).filter(|bytes| *bytes < 3_000_000)).await;
    ended(process, format!("{:.1} MB on disk", bytes as f64 / 1e6))
}

async fn a_probe_that_is_no_probe() -> Happened {
    let port = free_port();
    let yard = guarded(port);
    let process = started(&yard);
    listens(port).await;
    let mut ear = Client::connected(options(port, "ear", Some("relay"))).await;
    ear.client.subscribe("#", QoS::AtLeastOnce).await.unwrap();
    ear.hears("a subscription", |packet| matches!(packet, Packet::SubAck(_)).then_some(())).await;
    let mut probe = Client::connected(options(port, "probe", Some("b1-core"))).await;
    for topic in [
        format!("{SITE}/status"),
        format!("{SITE}/bin/b1/status"),
        format!("{SITE}/log"),
        format!("{SITE}/acknowledge"),
        "t/b2-core".into(),
        "$SYS/x".into(),
        "elsewhere".into(),
    ] {
        assert_eq!(probe.answered(&topic, &payload(machine_now(), 99.0)).await, "NotAuthorized", "{topic}");
    }
    for filter in ["#".into(), "t/#".into(), format!("{SITE}/log"), format!("{SITE}/#"), "$share/x/#".into()] {
        probe.client.subscribe(filter.clone(), QoS::AtLeastOnce).await.unwrap();
        let granted = probe.hears("an answer", |packet| match packet {
            Packet::SubAck(ack) => Some(format!("{:?}", ack.return_codes)),
            _ => None,
        });
        assert!(granted.await.contains("NotAuthorized"), "{filter}");
    }
    for (id, will) in [("ear", None), ("dying", Some(format!("{SITE}/log")))] {
        let mut thief = options(port, id, Some("b1-core"));
        thief.set_clean_start(true);
        if let Some(topic) = will {
            thief.set_last_will(LastWill::new(topic, "x", QoS::AtLeastOnce, true, None));
        }
        let (_client, mut events) = AsyncClient::builder(thief).capacity(1).build();
        assert!(events.poll().await.is_err(), "{id} was let in");
    }
    // Meanwhile somebody proves who they are; then a reading, which the ear hears first.
    let mut panel = Client::connected(options(port, "panel", Some("panel"))).await;
    panel.client.subscribe(format!("{SITE}/log/answer"), QoS::AtLeastOnce).await.unwrap();
    panel.hears("a subscription", |packet| matches!(packet, Packet::SubAck(_)).then_some(())).await;
    let entry = serde_json::json!({
        "id": "7", "token": TOKEN, "by": "Ann", "bin": "b1", "at": site::zone::rfc3339_utc(machine_now()), "says": "turned",
    });
    acknowledged(vec![panel.publish(format!("{SITE}/log"), entry.to_string()).await]).await.unwrap();
    let answer = panel.message(&format!("{SITE}/log/answer")).await;
    assert!(answer.contains("\"id\":\"7\"") && !answer.contains(yard.data().to_str().unwrap()), "{answer}");
    assert_eq!(probe.answered("t/b1-core", &payload(machine_now(), 60.0)).await, "Success");
    let mut between = Vec::new();
    while let Some(packet) = ear.heard.recv().await {
        let Packet::Publish(message) = packet else { continue };
        if message.topic == "t/b1-core" {
            break;
        }
        between.push(message);
    }
    assert!(
        between.iter().all(|m| !String::from_utf8_lossy(&m.payload).contains("horse") && m.topic != "t/b2-core"),
        "{between:?}"
    );
    assert!(!process.log().contains("horse"));
    let happened = ended(process, "12 attempts refused, two connections turned away; nobody heard the token".into());
    let ledger = Ledger::open(&yard.data(), Access::Read).unwrap();
    assert_eq!(ledger.counts().unwrap().readings, 1, "its own reading and no other");
    happened
}

async fn acknowledgements_without_a_token() -> Happened {
    let port = free_port();
    let yard = guarded(port);
    let process = started(&yard);
    listens(port).await;
    let mut panel = Client::connected(options(port, "panel", Some("panel"))).await;
    let answers = format!("{SITE}/acknowledge/answer");
    panel.client.subscribe(answers.clone(), QoS::AtLeastOnce).await.unwrap();
    panel.hears("a subscription", |packet| matches!(packet, Packet::SubAck(_)).then_some(())).await;
    let mut told = Vec::new();
    for n in 0..30 {
        let seen = match n {
            0 => serde_json::json!({ "alarm": 1, "by": "Ann" }),
            n => serde_json::json!({ "alarm": 1, "token": format!("guessed-guessed-{n}"), "by": "Ann" }),
        };
        acknowledged(vec![panel.publish(format!("{SITE}/acknowledge"), seen.to_string()).await]).await.unwrap();
        told.push(panel.message(&answers).await);
    }
    assert!(told.iter().all(|answer| answer.contains("\"refused\"")), "{told:?}");
    let looked_at = told.iter().filter(|answer| answer.contains("do not go together")).count();
    // A minute may have ended in between.
    assert!((10..=20).contains(&looked_at), "{looked_at} of them were looked at");
    let lines = process.log().lines().filter(|line| line.contains("an acknowledgement over MQTT was refused")).count();
    assert_eq!(lines, looked_at, "each that was looked at is told in the log, and no other");
    let (code, text) = hypocaust_with(&yard.path("site.yaml"), &["refused"]);
    assert!(code == 0 && !text.contains("guessed"), "{text}");
    ended(process, format!("all 30 refused, {looked_at} of them looked at"))
}

async fn long_topics() -> Happened {
    let port = free_port();
    let yard = Yard::new(1).embedded_at(port);
    let process = started(&yard);
    listens(port).await;
    let mut ear = Client::connected(options(port, "ear", None)).await;
    ear.client.subscribe("#", QoS::AtLeastOnce).await.unwrap();
    ear.hears("a subscription", |packet| matches!(packet, Packet::SubAck(_)).then_some(())).await;
    let mut loud = Client::connected(options(port, "loud", None)).await;
    for n in 0..200 {
        let topic = format!("t/{n}{}", "x".repeat(60_000));
        assert_eq!(loud.answered(&topic, "60").await, "NotAuthorized");
    }
    assert_eq!(loud.answered("t/b1-core", &payload(machine_now(), 60.0)).await, "Success");
    let first = ear.hears("a reading", |packet| match packet {
        Packet::Publish(message) if !message.topic.starts_with(SITE.as_bytes()) => Some(message.topic.len()),
        _ => None,
    });
    assert_eq!(first.await, "t/b1-core".len(), "no long one was passed on");
    assert!(process.log().len() < 100_000, "the log took it in: {} bytes", process.log().len());
    let log = process.log().len();
    ended(process, format!("200 refused; the log has {log} bytes"))
}
