//! The broker that `deploy/` describes, with the real mosquitto: who may publish and hear what, and that the daemon gets all it needs.
//!
//! Must never test another list than the one that ships.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

#[path = "support/mosquitto.rs"]
mod mosquitto;
#[path = "support/yard.rs"]
mod yard;

use std::path::Path;
use std::process::{Child, Command, Stdio};

use hypocaust::driven::{acknowledged, publish};
use mosquitto::Mosquitto;
use rcgen::{BasicConstraints, CertificateParams, CertifiedIssuer, IsCa, KeyPair};
use rumqttc::{AsyncClient, Event, Incoming, MqttOptions, QoS};
use yard::{eventually, root};

const USERS: [&str; 5] = ["hypocaust", "north-1", "blower-1", "panel", "crew"];
const SITE: &str = "hypocaust/harrow-lane";

/// The configuration that ships, with its places moved into the folder, and its ports to free ones.
fn configuration(folder: &Path, plain: u16, tls: u16) -> String {
    let shipped = |name: &str| std::fs::read_to_string(root().join("deploy").join(name)).unwrap();
    std::fs::write(folder.join("hypocaust.acl"), shipped("mosquitto.acl")).unwrap();
    let passwords = folder.join("hypocaust.passwords");
    std::fs::write(&passwords, "").unwrap();
    for user in USERS {
        let made = Command::new("mosquitto_passwd").arg("-b").arg(&passwords).args([user, &password(user)]).output();
        assert!(made.unwrap().status.success());
    }
    certificates(folder);
    let mut text = shipped("mosquitto.conf");
    for (from, to) in [
        ("listener 1883 127.0.0.1", format!("listener {plain} 127.0.0.1")),
        ("listener 8883", format!("listener {tls} 127.0.0.1")),
        ("/etc/mosquitto/certs/", format!("{}/", folder.display())),
        ("/etc/mosquitto/hypocaust", format!("{}/hypocaust", folder.display())),
        ("/var/lib/mosquitto/", format!("{}/", folder.display())),
    ] {
        assert!(text.contains(from), "mosquitto.conf has no `{from}`");
        text = text.replace(from, &to);
    }
    text
}

fn password(user: &str) -> String {
    format!("{user}-secret")
}

/// An authority, and a certificate by it for this machine.
fn certificates(folder: &Path) {
    let mut params = CertificateParams::new(Vec::<String>::new()).unwrap();
    params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
    let issuer = CertifiedIssuer::self_signed(params, KeyPair::generate().unwrap()).unwrap();
    let key = KeyPair::generate().unwrap();
    let leaf = CertificateParams::new(vec!["localhost".to_owned()]).unwrap().signed_by(&key, &issuer).unwrap();
    for (name, text) in
        [("broker-ca.pem", issuer.pem()), ("broker.pem", leaf.pem()), ("broker.key", key.serialize_pem())]
    {
        std::fs::write(folder.join(name), text).unwrap();
    }
}

/// The annotated example as the settings of a daemon that reaches the broker over TLS.
fn daemon(folder: &Path, tls: u16) -> Daemon {
    let example = std::fs::read_to_string(root().join("config/site.yaml")).unwrap();
    let place = folder.display();
    yard::write_secret(&folder.join("daemon-password"), &password("hypocaust"));
    let broker = format!(
        "  url: \"mqtts://localhost:{tls}\"\n  user: hypocaust\n  password_file: {place}/daemon-password\n  ca_file: {place}/broker-ca.pem\n"
    );
    let embedded = "  embedded:\n    listen: \"127.0.0.1:1883\"\n";
    assert!(example.contains(embedded));
    let text = example
        .replace(embedded, &broker)
        .replace("data_folder: data", &format!("data_folder: {place}/data"))
        .replace("  folder: rules", &format!("  folder: {}", root().join("rules").display()));
    let settings = folder.join("site.yaml");
    std::fs::write(&settings, text).unwrap();
    let log = std::fs::File::create(folder.join("daemon.log")).unwrap();
    let mut run = Command::new(env!("CARGO_BIN_EXE_hypocaust"));
    run.arg("--config").arg(&settings).arg("run").stdin(Stdio::null()).stdout(Stdio::null()).stderr(log);
    Daemon(run.spawn().unwrap())
}

/// Ends with the test, however that ends.
struct Daemon(Child);

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// A client that keeps what it hears.
struct Client {
    client: AsyncClient,
    heard: std::sync::Arc<std::sync::Mutex<Vec<(String, String)>>>,
}

impl Client {
    async fn connect(port: u16, user: &str, topics: &[&str]) -> Client {
        Client::connect_as(port, user, user, topics).await
    }

    async fn connect_as(port: u16, user: &str, id: &str, topics: &[&str]) -> Client {
        let mut options = MqttOptions::new(id, ("127.0.0.1".to_owned(), port));
        options.set_credentials(user, password(user));
        let (client, mut events) = AsyncClient::builder(options).capacity(100).build();
        for topic in topics {
            client.subscribe(*topic, QoS::AtLeastOnce).await.unwrap();
        }
        let heard = std::sync::Arc::<std::sync::Mutex<Vec<_>>>::default();
        let keep = heard.clone();
        tokio::spawn(async move {
            while let Ok(event) = events.poll().await {
                if let Event::Incoming(Incoming::Publish(message)) = event {
                    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
                    keep.lock().unwrap().push((text(&message.topic), text(&message.payload)));
                }
            }
        });
        Client { client, heard }
    }

    async fn says(&self, topic: &str, payload: &str) {
        // A broker may refuse it; what came of it is looked up elsewhere.
        let notice = publish(&self.client, topic.to_owned(), payload.to_owned()).await.unwrap();
        let _ = acknowledged(vec![notice]).await;
    }

    /// The first message that it heard on such a topic.
    fn has_heard(&self, topic: impl Fn(&str) -> bool) -> Option<(String, String)> {
        self.heard.lock().unwrap().iter().find(|(on, _)| topic(on)).cloned()
    }

    async fn hears(&self, topic: &str, part: &str) {
        let there = || {
            let heard = self.heard.lock().unwrap();
            heard.iter().any(|(on, text)| on == topic && text.contains(part)).then_some(())
        };
        eventually(&format!("`{part}` on {topic}"), there).await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_access_list_gives_each_what_it_needs_and_no_more() {
    let tls = yard::free_port();
    let Some(broker) = Mosquitto::start_on("the_access_list", |folder, port| configuration(folder, port, tls)) else {
        return;
    };
    let folder = broker.folder();
    let _daemon = daemon(folder, tls);
    let panel =
        Client::connect(broker.port(), "panel", &[&format!("{SITE}/#"), &format!("{SITE}/log"), "yard/#"]).await;
    // The daemon publishes what a panel shows, so it got in: over TLS, with its password.
    panel.hears(&format!("{SITE}/status"), "\"state\":\"running\"").await;

    // A probe publishes under its own topics, and a gateway or blower too.
    let probe = Client::connect(broker.port(), "north-1", &["#"]).await;
    let blower = Client::connect(broker.port(), "blower-1", &[]).await;
    probe.says("yard/north-1/core/temperature", "61.4").await;
    let store = eventually("the store", || ledger::Ledger::open(&folder.join("data"), ledger::Access::Read).ok()).await;
    let readings = |n| (store.counts().unwrap().readings == n).then_some(());
    eventually("the reading of the probe", || readings(1)).await;
    blower.says("yard/blower-1/run_time", "45").await;
    eventually("the reading of the blower", || readings(2)).await;

    // And nowhere else: each of these is refused by the broker, and the next good reading is the third. A client that is refused may give
    // up its connection, so each try has one of its own.
    for (n, (who, topic)) in [
        ("north-1", "yard/north-2/core/temperature".to_owned()),
        ("north-1", format!("{SITE}/acknowledge")),
        ("north-1", format!("{SITE}/log")),
        ("north-1", format!("{SITE}/status")),
        ("north-1", "yard/sounder".to_owned()),
        ("panel", "yard/north-1/core/temperature".to_owned()),
        ("panel", format!("{SITE}/log")),
        ("panel", format!("{SITE}/status")),
        ("crew", format!("{SITE}/acknowledge")),
    ]
    .into_iter()
    .enumerate()
    {
        let id = format!("{who}-tries-{n}");
        Client::connect_as(broker.port(), who, &id, &[]).await.says(&topic, "99").await;
        let denied = format!("Denied PUBLISH from {id} (");
        let line = |log: &str| log.lines().any(|line| line.contains(&denied) && line.contains(&format!("'{topic}'")));
        eventually(&format!("{who} refused on {topic}"), || line(&broker.log()).then_some(())).await;
    }
    probe.says("yard/north-1/core/temperature", "61.5").await;
    eventually("the third reading", || readings(3)).await;

    // A panel acknowledges and hears the answer.
    let seen = "{\"alarm\": 17, \"token\": \"a-word\", \"by\": \"Nora Quill\"}";
    panel.says(&format!("{SITE}/acknowledge"), seen).await;
    panel.hears(&format!("{SITE}/acknowledge/answer"), "\"alarm\":17").await;

    // The crew writes in the log and hears the answer; nobody but the daemon hears what was written, whatever they subscribed to.
    let crew = Client::connect(broker.port(), "crew", &[&format!("{SITE}/#")]).await;
    let entry = "{\"id\": \"7\", \"token\": \"a-word\", \"by\": \"Nora Quill\", \"bin\": \"north-1\", \"at\": \"2026-03-10T16:30:00Z\", \"says\": \"turned\"}";
    crew.says(&format!("{SITE}/log"), entry).await;
    panel.hears(&format!("{SITE}/log/answer"), "\"id\":\"7\"").await;
    for (who, client) in [("panel", &panel), ("north-1", &probe), ("crew", &crew)] {
        let heard = client.heard.lock().unwrap();
        let secret: Vec<_> =
            heard.iter().filter(|(topic, text)| *topic == format!("{SITE}/log") || text.contains("a-word")).collect();
        assert!(secret.is_empty(), "{who} heard the log: {secret:?}");
    }
    assert_eq!(probe.has_heard(|_| true), None, "a probe reads nothing");
    assert_eq!(panel.has_heard(|topic| topic.starts_with("yard/")), None, "a panel hears no readings");

    // Without a password nobody gets in.
    let options = MqttOptions::new("nobody", ("127.0.0.1".to_owned(), broker.port()));
    let (_client, mut events) = AsyncClient::builder(options).capacity(1).build();
    assert!(events.poll().await.is_err(), "a client without a password was let in");
}
