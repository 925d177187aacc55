//! The broker inside the daemon, wrapped so that only this file knows which library it is.
//!
//! Must never let the library acknowledge a message before [`crate::Ack::release`]: its own queue is not durable.

use std::collections::{BTreeMap, VecDeque};
use std::future::Future;
use std::io;
use std::net::{Ipv4Addr, Ipv6Addr, SocketAddr};
use std::path::PathBuf;
use std::pin::Pin;
use std::sync::{Arc, Mutex, OnceLock, PoisonError, Weak};
use std::time::Duration;

use bytes::Bytes;
use decode::{PAYLOAD_BYTES_MAX, Retained};
use engine::input::LinkState;
use mqtt5::QoS;
use mqtt5::broker::config::{BrokerConfig, StorageBackend, StorageConfig};
use mqtt5::broker::events::{
    BrokerEventHandler, ClientConnectEvent, ClientDisconnectEvent, ClientPublishEvent, PublishAction,
};
use mqtt5::broker::router::MessageRouter;
use mqtt5::broker::server::MqttBroker;
use mqtt5::packet::publish::PublishPacket;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{mpsc, oneshot, watch};
use tokio::task::AbortHandle;
use tokio::time::timeout;

use crate::doorkeeper::Doorkeeper;
use crate::inlet::{Happening, Inlet, Settled};
use crate::publisher::{self, Hand, Outgoing, Retain};
use crate::{Intake, IntakeError, Pulse, Shutdown, StatusTopic, limits};

/// Where a message goes that must neither be acknowledged nor passed on. Nobody can be subscribed to it by a wildcard.
const NOWHERE: &str = "$hypocaust/not-acknowledged";

/// Whether the broker still takes messages.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Life {
    Running,
    Stopping,
}

/// Listens and serves.
pub(crate) async fn start(
    listen: SocketAddr,
    clients: Option<&str>,
    sessions: Option<PathBuf>,
    status: StatusTopic,
    inlet: Inlet,
    happenings: mpsc::Receiver<Happening>,
) -> Result<Intake, IntakeError> {
    if clients.is_none() && !listen.ip().is_loopback() {
        return Err(IntakeError::OpenToAnyone { listen });
    }
    let will_delays = Arc::default();
    let keeper = Doorkeeper::new(clients, Arc::clone(&will_delays))?;
    // The library reports a failed bind as text; this one tells which failure it was.
    drop(TcpListener::bind(listen).await.map_err(|source| bind_fault(listen, source))?);

    let (life, watched) = watch::channel(Life::Running);
    let hook = Arc::new(Hook {
        inlet: inlet.clone(),
        life: watched,
        router: OnceLock::new(),
        wills: Mutex::default(),
        delayed: Mutex::default(),
        will_delays,
    });
    let library = |e: mqtt5::MqttError| IntakeError::Library { why: e.to_string() };
    let broker = MqttBroker::with_config(config(listen, sessions, Arc::clone(&hook))).await.map_err(library)?;
    let mut broker = broker.with_auth_provider(Arc::new(keeper));
    let router = broker.router();
    // Set once, here; nobody is connected yet.
    let _ = hook.router.set(Arc::downgrade(&router));
    let listen_addr = broker.local_addr();
    let storage = broker.storage();
    let stopper = broker.shutdown_handle();
    let mut ready = broker.ready_receiver();
    let (link, watched) = watch::channel(LinkState::Up);

    let told = inlet.clone();
    let mut run = tokio::spawn(async move {
        let ended = broker.run().await;
        if let Err(e) = ended {
            link.send_replace(LinkState::Down);
            tracing::error!(error = %e, "the broker inside has stopped; restart hypocaust");
            let _ = told.tell(LinkState::Down, format!("the broker inside has stopped: {e}; restart hypocaust")).await;
        }
        // The link's sender lives as long as the broker: the publisher ends with it.
        drop(link);
    });
    // Ready, or ended at once; then the task above has said why.
    let _ = ready.wait_for(|ready| *ready).await;
    let words = format!("the broker inside listens on {}", listen_addr.unwrap_or(listen));
    tracing::info!("{words}");
    let _ = inlet.tell(LinkState::Up, words).await;

    let (publisher, mut publishing) = publisher::start(watched, hand(Arc::clone(&router)));
    let pulse = Pulse::default();
    let knocking = tokio::spawn(knock(listen_addr.unwrap_or(listen), pulse.clone()));
    let tasks = vec![run.abort_handle(), publishing.abort_handle(), knocking.abort_handle()];
    let ceremony = async move {
        knocking.abort();
        life.send_replace(Life::Stopping);
        let gone = Outgoing { topic: status.topic, payload: status.gone.into(), retain: Retain::Keep };
        hand(router)(gone).await;
        // A connection that is told to end looks no more at what waits for it.
        tokio::time::sleep(limits::FAREWELL).await;
        stopper.shutdown();
        let end = async {
            let _ = (&mut run).await;
            // Ends with the broker, whose link it watches.
            let _ = (&mut publishing).await;
            if let Some(storage) = storage {
                let _ = storage.shutdown().await;
                // The last connection to end frees the folder for the next run.
                let folder = Arc::downgrade(&storage);
                drop(storage);
                while folder.strong_count() > 0 {
                    tokio::time::sleep(limits::LOOK_AGAIN).await;
                }
            }
        };
        // A client that does not read could hold this up; its connection dies with the process.
        if timeout(limits::STOP_WITHIN, end).await.is_err() {
            run.abort();
            publishing.abort();
        }
    };
    Ok(Intake { happenings, publisher, listen_addr, pulse, shutdown: Shutdown::new(ceremony, tasks) })
}

/// A goodbye (MQTT 5.0 section 3.14) before any hello, at which a broker must end the connection: that it does so shows that it reads.
const GOODBYE: [u8; 2] = [0xE0, 0x00];

/// Looks from time to time whether the broker takes connections, as a probe would find it.
async fn knock(listen: SocketAddr, pulse: Pulse) {
    // What listens on every address of the machine is reached on this one.
    let at = match listen.ip() {
        ip if ip.is_unspecified() && ip.is_ipv4() => SocketAddr::new(Ipv4Addr::LOCALHOST.into(), listen.port()),
        ip if ip.is_unspecified() => SocketAddr::new(Ipv6Addr::LOCALHOST.into(), listen.port()),
        _ => listen,
    };
    let mut turns = tokio::time::interval(limits::KNOCK_EVERY);
    loop {
        turns.tick().await;
        // A connection alone shows nothing: the system takes it, also for a broker that hangs.
        let knocked = async {
            let mut stream = TcpStream::connect(at).await?;
            stream.write_all(&GOODBYE).await?;
            stream.read(&mut [0; 16]).await
        };
        let done = timeout(limits::CONNECT_WITHIN, knocked).await;
        // An answer, an end, or an end by force: each of them came from the broker. That nobody listens is none.
        if done.is_ok_and(|done| done.is_ok() || done.is_err_and(|e| e.kind() == io::ErrorKind::ConnectionReset)) {
            pulse.beat();
        }
    }
}

fn bind_fault(listen: SocketAddr, source: io::Error) -> IntakeError {
    match source.kind() {
        io::ErrorKind::AddrInUse => IntakeError::PortInUse { listen },
        _ => IntakeError::Listen { listen, source },
    }
}

fn config(listen: SocketAddr, sessions: Option<PathBuf>, hook: Arc<Hook>) -> BrokerConfig {
    let storage = StorageConfig {
        backend: if sessions.is_some() { StorageBackend::File } else { StorageBackend::Memory },
        base_dir: sessions.unwrap_or_default(),
        // Needed even in memory, or clients that are away get no session.
        enable_persistence: true,
        max_queued_messages_per_client: limits::CLIENT_QUEUE_MESSAGES,
        max_queued_bytes_per_client: limits::CLIENT_QUEUE_BYTES,
        ..StorageConfig::default()
    };
    let mut config = BrokerConfig::new()
        .with_bind_address(listen)
        .with_session_expiry(limits::CLIENT_SESSION_EXPIRY)
        .with_max_packet_size(limits::PACKET_BYTES_MAX as usize)
        .with_sys_topics_enabled(false)
        .with_storage(storage)
        .with_event_handler(hook);
    // Two failed logins behind one router must not lock its other probes out; guessing is slowed by the doorkeeper.
    config.auth_config.rate_limit.enabled = false;
    config
}

/// Publishes inside the broker, past the hook: what the daemon says is no reading.
fn hand(router: Arc<MessageRouter>) -> Hand {
    Box::new(move |message: Outgoing| {
        let router = Arc::clone(&router);
        Box::pin(async move {
            let mut packet = PublishPacket::new(message.topic, message.payload, QoS::AtLeastOnce);
            packet.retain = message.retain == Retain::Keep;
            router.route_message(&packet, None).await;
        })
    })
}

/// What a client asked to be published when it is lost.
#[derive(Clone, Debug)]
struct Will {
    topic: String,
    payload: Bytes,
    delay: Duration,
}

/// Sees every message before the broker answers it.
struct Hook {
    inlet: Inlet,
    life: watch::Receiver<Life>,
    /// Weak, for the router holds this hook.
    router: OnceLock<Weak<MessageRouter>>,
    /// Wills of open connections, oldest connection first: a client that connects again does so before its lost connection is
    /// reported.
    wills: Mutex<BTreeMap<String, VecDeque<Option<Will>>>>,
    /// Wills that wait for their delay to pass.
    delayed: Mutex<BTreeMap<String, AbortHandle>>,
    will_delays: Arc<Mutex<BTreeMap<String, u32>>>,
}

impl Hook {
    /// Waits until the message is on disk; `false` when it never will be.
    async fn committed(&self, event: &ClientPublishEvent, decoded: decode::Decoded) -> bool {
        let bytes = event.payload.len();
        if event.qos == QoS::AtMostOnce {
            // Nothing to acknowledge; only the room in the queue is waited for.
            return self.inlet.admit(decoded, bytes, None).await.is_ok();
        }
        let (tell, told) = oneshot::channel();
        let settle = Box::new(move |how| {
            let _ = tell.send(how);
        });
        if self.inlet.admit(decoded, bytes, Some(settle)).await.is_err() {
            return false;
        }
        matches!(told.await, Ok(Settled::Released))
    }

    async fn stopping(&self) {
        // An error means that the intake is gone, which is the same.
        let _ = self.life.clone().wait_for(|life| *life == Life::Stopping).await;
    }

    async fn deliver_will(&self, will: &Will) {
        if let Some(decoded) = self.inlet.decode(&will.topic, &will.payload, Retained::Fresh) {
            // A lost client cannot be answered.
            let _ = self.inlet.admit(decoded, will.payload.len(), None).await;
        }
    }
}

impl BrokerEventHandler for Hook {
    fn on_client_publish<'a>(
        &'a self,
        event: ClientPublishEvent,
    ) -> Pin<Box<dyn Future<Output = PublishAction> + Send + 'a>> {
        Box::pin(async move {
            // The retain flag of a publishing client asks the broker to keep the message; the message itself is fresh.
            let Some(decoded) = self.inlet.decode(&event.topic, &event.payload, Retained::Fresh) else {
                return PublishAction::Continue;
            };
            let committed = tokio::select! {
                committed = self.committed(&event, decoded) => committed,
                () = self.stopping() => false,
            };
            if committed {
                // An over-long one is acknowledged, but neither kept nor passed on: it would fill the memory for nobody's use.
                let too_long = event.payload.len() > PAYLOAD_BYTES_MAX;
                return if too_long { PublishAction::Handled } else { PublishAction::Continue };
            }
            // The library knows no "do not answer". A QoS 0 message in place of this one is not answered, and with its entry
            // removed the connection closes, so that the client sends the message again when it is back.
            if let Some(router) = self.router.get().and_then(Weak::upgrade) {
                router.disconnect_client(&event.client_id).await;
            }
            PublishAction::Transform(PublishPacket::new(NOWHERE, Bytes::new(), QoS::AtMostOnce))
        })
    }

    fn on_client_connect<'a>(&'a self, event: ClientConnectEvent) -> Pin<Box<dyn Future<Output = ()> + Send + 'a>> {
        Box::pin(async move {
            let client = event.client_id.to_string();
            let delay = self.will_delays.lock().unwrap_or_else(PoisonError::into_inner).remove(&client);
            let will = event.will_topic.map(|topic| Will {
                topic: topic.to_string(),
                payload: event.will_payload.unwrap_or_default(),
                // A session that ends first publishes the will then (MQTT 5.0, section 3.1.3.2.2).
                delay: Duration::from_secs(delay.unwrap_or(0).min(event.session_expiry_interval).into()),
            });
            if let Some(waiting) = self.delayed.lock().unwrap_or_else(PoisonError::into_inner).remove(&client) {
                waiting.abort();
            }
            self.wills.lock().unwrap_or_else(PoisonError::into_inner).entry(client).or_default().push_back(will);
        })
    }

    fn on_client_disconnect<'a>(
        &'a self,
        event: ClientDisconnectEvent,
    ) -> Pin<Box<dyn Future<Output = ()> + Send + 'a>> {
        Box::pin(async move {
            let client = event.client_id.to_string();
            let (will, connected) = {
                let mut wills = self.wills.lock().unwrap_or_else(PoisonError::into_inner);
                let open = wills.get_mut(&client);
                let will = open.and_then(VecDeque::pop_front).flatten();
                wills.retain(|_, open| !open.is_empty());
                (will, wills.contains_key(&client))
            };
            let stopping = *self.life.borrow() == Life::Stopping;
            let Some(will) = will.filter(|_| event.unexpected && !stopping) else { return };
            if will.delay.is_zero() {
                self.deliver_will(&will).await;
            } else if !connected {
                let inlet = self.inlet.clone();
                let waiting = tokio::spawn(async move {
                    tokio::time::sleep(will.delay).await;
                    if let Some(decoded) = inlet.decode(&will.topic, &will.payload, Retained::Fresh) {
                        let _ = inlet.admit(decoded, will.payload.len(), None).await;
                    }
                });
                let mut delayed = self.delayed.lock().unwrap_or_else(PoisonError::into_inner);
                delayed.retain(|_, waiting| !waiting.is_finished());
                delayed.insert(client, waiting.abort_handle());
            }
        })
    }
}
