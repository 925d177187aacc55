//! Messages from the site's probes, whichever way the broker stands: one of our own inside the daemon, or one that runs elsewhere.
//!
//! Must never judge compost, and never acknowledge a message before it is told that what came of it is on disk.
//!
//! Delivery, in both ways: a QoS 1 message is acknowledged after [`Ack::release`] and comes again otherwise. A QoS 2 message is held
//! before its first answer (PUBREC) by the broker inside; a broker elsewhere hands it over as QoS 1, because that is what we subscribe
//! with. A QoS 0 message has nothing to acknowledge and is lost with the process.

mod doorkeeper;
mod embedded;
mod gate;
mod holdings;
mod inlet;
pub mod limits;
mod publisher;
mod pulse;
mod remote;
mod sessions;

use std::fmt;
use std::future::Future;
use std::io;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::pin::Pin;
use std::sync::Arc;

use pile::time::Timestamp;
use site::access::Access;
use site::model::{Broker, Site};
use tokio::sync::mpsc;
use tokio::task::AbortHandle;

pub use inlet::{Ack, Arrival, Happening};
pub use publisher::{PublishError, Publisher, Retain};
pub use pulse::Pulse;

/// The intake clock.
pub type Clock = Arc<dyn Fn() -> Timestamp + Send + Sync>;

/// Passwords, read by the caller from where the settings say.
#[derive(Clone, Default)]
pub struct Secrets {
    /// The password that goes with the login at a broker elsewhere.
    pub login: Option<String>,
    /// The whole text of the file with the users of the broker inside: a line each, `user:password` or `user:$argon2…`.
    pub clients: Option<String>,
    /// What the broker inside speaks TLS with.
    pub tls: Option<TlsFiles>,
}

/// Texts of PEM files.
#[derive(Clone)]
pub struct TlsFiles {
    /// The certificate of this machine, and those between it and the authority.
    pub certificate: String,
    /// Its private key.
    pub key: String,
}

/// What the intake works with, beside the site.
#[derive(Clone, Debug)]
pub struct Means {
    /// Passwords and keys.
    pub secrets: Secrets,
    /// A folder of its own for the broker inside, see [`start`].
    pub sessions: Option<PathBuf>,
    /// Where the daemon says that it is there.
    pub status: StatusTopic,
    /// How many connections the broker inside may have: what the process may open, less what the rest of it needs.
    pub connections: usize,
}

impl fmt::Debug for Secrets {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Secrets(…)")
    }
}

/// Where the daemon says that it is there.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StatusTopic {
    /// The topic; its messages are retained.
    pub topic: String,
    /// What stands there when the daemon is gone: the broker publishes it when the connection breaks, we when we stop.
    pub gone: String,
}

/// A running intake.
#[derive(Debug)]
pub struct Intake {
    /// What happened, in order, bounded by [`limits::QUEUE_MESSAGES`] and [`limits::QUEUE_BYTES`].
    pub happenings: mpsc::Receiver<Happening>,
    /// The way to publish.
    pub publisher: Publisher,
    /// Where the broker inside listens without TLS; `None` where it does not, and when the broker is elsewhere.
    pub listen_addr: Option<SocketAddr>,
    /// Where it listens with TLS.
    pub tls_listen_addr: Option<SocketAddr>,
    /// Shows that messages could come in.
    pub pulse: Pulse,
    /// Stops it; dropping this stops it without ceremony.
    pub shutdown: Shutdown,
}

/// Stops an intake.
pub struct Shutdown {
    ceremony: Option<Pin<Box<dyn Future<Output = ()> + Send>>>,
    tasks: Vec<AbortHandle>,
}

/// Why the intake did not start.
#[derive(Debug, thiserror::Error)]
pub enum IntakeError {
    /// The port is taken.
    #[error(
        "another broker (or another hypocaust) listens on {listen}; stop it, or set broker.embedded.listen to a free port"
    )]
    PortInUse {
        /// The address wanted.
        listen: SocketAddr,
    },
    /// The address cannot be listened on.
    #[error(
        "cannot listen on {listen}; set broker.embedded.listen to an address of this machine and a port this user may open"
    )]
    Listen {
        /// The address wanted.
        listen: SocketAddr,
        /// What the system says.
        source: io::Error,
    },
    /// A broker that other machines reach needs passwords.
    #[error(
        "{listen} can be reached from other machines and broker.embedded.password_file is not set; set it, or listen on 127.0.0.1"
    )]
    OpenToAnyone {
        /// The address wanted.
        listen: SocketAddr,
    },
    /// The password file cannot be used.
    #[error(
        "line {line} of the broker's password file {why}; write one `user:password` a line, the password of at least 12 characters, such as \
         `openssl rand -hex 16` prints"
    )]
    Passwords {
        /// The line, counted from 1.
        line: usize,
        /// What is wrong with it.
        why: &'static str,
    },
    /// The settings name a password file and its text was not handed over.
    #[error(
        "broker.embedded.password_file is set and its file could not be read; check that it exists and that this user may read it"
    )]
    NoClients,
    /// The settings name a certificate and its text was not handed over.
    #[error(
        "broker.embedded.tls is set and its files could not be read; check that they exist and that this user may read them"
    )]
    NoTlsFiles,
    /// The file of the certificate cannot be read.
    #[error("the certificate {} cannot be read; correct `certificate_file` in broker.embedded.tls, or let this user read it", path.display())]
    CertificateFile {
        /// The file.
        path: PathBuf,
        /// What the system says.
        source: io::Error,
    },
    /// The certificate or its key cannot be used.
    #[error(
        "the certificate of the embedded broker cannot be used: {why}; correct broker.embedded.tls: `certificate_file` and `key_file` name PEM \
         files that belong together"
    )]
    Certificate {
        /// What is wrong with it.
        why: String,
    },
    /// The login names a user, and no password was found.
    #[error(
        "broker.login names the user {user} and there is no password for it; put it into the file that broker.login.password names"
    )]
    NoPassword {
        /// The user.
        user: String,
    },
    /// The authority's certificate cannot be read.
    #[error("cannot read the authority's certificate {}; correct broker.ca_file", path.display())]
    Authority {
        /// The file.
        path: PathBuf,
        /// What the system says.
        source: io::Error,
    },
    /// TLS cannot be set up.
    #[error("TLS to the broker cannot be set up: {why}; name the authority's PEM file as broker.ca_file")]
    Tls {
        /// What the library says.
        why: String,
    },
    /// MQTT knows no STARTTLS.
    #[error("MQTT has no STARTTLS; set broker.security to tls (port 8883 as a rule) or to plain")]
    StartTls,
    /// A library refused what we gave it.
    #[error("the MQTT library refused to start: {why}; please report this with the settings' `broker` section")]
    Library {
        /// What it says.
        why: String,
    },
}

/// Starts the intake: listens, or begins to connect. A broker elsewhere need not be there yet.
///
/// [`Means::sessions`] is a folder of its own for the broker inside, where it keeps its clients' sessions and retained messages; a broker
/// elsewhere needs none. With a folder a client that comes back after our restart is told that its session is there, and sends again
/// what it got no answer for; told otherwise, MQTT has it forget those messages. The folder sees a synced write for each connection
/// and each retained message: on a machine with an SD card and many retained topics a folder in memory (`/run`) spares the card, and
/// outlives the process, though not the machine. `None` keeps everything in the process.
///
/// # Errors
/// [`IntakeError`] when it could not work however long one waited.
pub async fn start(
    site: &Site,
    router: Arc<decode::Router>,
    means: Means,
    clock: Clock,
) -> Result<Intake, IntakeError> {
    // One provider for the whole process, lest two TLS users disagree; whoever came first has installed the same one.
    let _ = rustls::crypto::ring::default_provider().install_default();
    let (inlet, happenings) = inlet::open(router, clock);
    match &site.broker {
        Broker::Embedded(inside) if inside.passwords.is_some() && means.secrets.clients.is_none() => {
            Err(IntakeError::NoClients)
        }
        Broker::Embedded(inside) => {
            embedded::start(inside, Arc::new(Access::new(site)), means, inlet, happenings).await
        }
        Broker::Remote { host, port, security, login, client_id } => {
            let session = remote::Session { host, port: *port, security, login: login.as_ref(), client_id };
            remote::start(&session, means.secrets.login, means.status, inlet, happenings)
        }
    }
}

impl Shutdown {
    pub(crate) fn new(ceremony: impl Future<Output = ()> + Send + 'static, tasks: Vec<AbortHandle>) -> Shutdown {
        Shutdown { ceremony: Some(Box::pin(ceremony)), tasks }
    }

    /// Says goodbye on the status topic, ends all connections and frees the port, within [`limits::STOP_WITHIN`].
    ///
    /// Messages whose [`Ack`] was not released stay unacknowledged and come again.
    pub async fn finish(mut self) {
        if let Some(ceremony) = self.ceremony.take() {
            ceremony.await;
        }
    }
}

impl Drop for Shutdown {
    fn drop(&mut self) {
        for task in &self.tasks {
            task.abort();
        }
    }
}

impl fmt::Debug for Shutdown {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Shutdown({} tasks)", self.tasks.len())
    }
}
