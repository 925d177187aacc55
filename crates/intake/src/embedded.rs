//! The broker inside the daemon, wrapped so that only this file knows which library it is.
//!
//! Must never let the library acknowledge a message before [`crate::Ack::release`]: its own queue is not durable.

use std::collections::{BTreeMap, VecDeque};
use std::future::Future;
use std::io;
use std::net::{Ipv4Addr, Ipv6Addr, SocketAddr};
use std::path::Path;
use std::pin::Pin;
use std::sync::atomic::AtomicBool;
use std::sync::{Arc, Mutex, OnceLock, PoisonError, Weak};
use std::time::Duration;

use bytes::Bytes;
use decode::Retained;
use engine::input::LinkState;
use mqtt5::QoS;
use mqtt5::broker::client_handler::ClientHandler;
use mqtt5::broker::config::BrokerConfig;
use mqtt5::broker::events::{
    BrokerEventHandler, ClientConnectEvent, ClientDisconnectEvent, ClientPublishEvent, PublishAction, RetainedSetEvent,
};
use mqtt5::broker::resource_monitor::{ResourceLimits, ResourceMonitor};
use mqtt5::broker::router::MessageRouter;
use mqtt5::broker::storage::{DynamicStorage, FileBackend, MemoryBackend, QueueLimits, StorageBackend};
use mqtt5::broker::sys_topics::BrokerStats;
use mqtt5::broker::tls_acceptor::{TlsAcceptorConfig, TlsStreamWrapper};
use mqtt5::broker::transport::BrokerTransport;
use mqtt5::packet::publish::PublishPacket;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use site::access::Access;
use site::model::Embedded;
use tokio::io::{AsyncBufReadExt, AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{broadcast, mpsc, oneshot, watch};
use tokio::task::AbortHandle;
use tokio::time::timeout;

use crate::doorkeeper::{Doorkeeper, Visitor};
use crate::gate::{self, Census, Head};
use crate::holdings::shown;
use crate::inlet::{Happening, Inlet, Settled};
use crate::publisher::{self, Hand, Outgoing, Retain};
use crate::sessions::{LINKS_LOOKED_FOR_DEEP, end_session, holds_a_link, set_aside, sweep};
use crate::{Intake, IntakeError, Means, Pulse, Shutdown, limits};

/// Where a message goes that must neither be acknowledged nor passed on. Nobody may subscribe to it.
const NOWHERE: &str = "$hypocaust/not-acknowledged";

/// Whether the broker still takes messages.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Life {
    Running,
    Stopping,
}

/// Listens and serves.
///
/// The library's own way to start would take connections itself: without a bound for one address, one after the other while TLS is agreed
/// on, and with ten seconds for whoever says nothing. Its handler of one connection is used instead, behind our doors ([`crate::gate`]).
pub(crate) async fn start(
    inside: &Embedded,
    access: Arc<Access>,
    means: Means,
    inlet: Inlet,
    happenings: mpsc::Receiver<Happening>,
) -> Result<Intake, IntakeError> {
    let Means { secrets, sessions, status, connections } = means;
    let addresses = [inside.listen, inside.tls.as_ref().map(|door| door.listen)];
    if let Some(listen) = addresses.into_iter().flatten().find(|listen| !listen.ip().is_loopback())
        && secrets.clients.is_none()
    {
        return Err(IntakeError::OpenToAnyone { listen });
    }
    let keeper = Arc::new(Doorkeeper::new(secrets.clients.as_deref(), access)?);
    let acceptor = match (&inside.tls, &secrets.tls) {
        (None, _) => None,
        (Some(_), None) => return Err(IntakeError::NoTlsFiles),
        (Some(_), Some(files)) => Some(tls(&files.certificate, &files.key)?.build_acceptor().map_err(no_tls)?),
    };
    let plain = match inside.listen {
        Some(listen) => Some(bind(listen).await?),
        None => None,
    };
    let encrypted = match &inside.tls {
        Some(door) => Some(bind(door.listen).await?),
        None => None,
    };
    let local = |listener: &Option<TcpListener>| listener.as_ref().and_then(|listener| listener.local_addr().ok());
    let (listen_addr, tls_listen_addr) = (local(&plain), local(&encrypted));

    let (life, watched) = watch::channel(Life::Running);
    let hook = Arc::new(Hook {
        inlet: inlet.clone(),
        life: watched,
        keeper: Arc::clone(&keeper),
        storage: OnceLock::new(),
        wills: Mutex::default(),
        delayed: Mutex::default(),
    });
    let broker = Broker::new(sessions.as_deref(), &keeper, &hook).await?;
    let router = Arc::clone(&broker.router);
    let (link, watched) = watch::channel(LinkState::Up);
    let (shutdown, _) = broadcast::channel(1);
    // Every connection has one of these; the last to end closes the channel.
    let (open, mut all_closed) = mpsc::channel::<()>(1);
    let storage = Arc::downgrade(&broker.storage);
    let sweeping = tokio::spawn(sweep(Arc::clone(&router), storage.clone(), Arc::clone(&keeper), sessions));
    let serve = {
        let (keeper, shutdown, open) = (Arc::clone(&keeper), shutdown.clone(), open);
        move |transport, from, place| {
            let visitor = Visitor { keeper: Arc::clone(&keeper), from, place, can_be_told: AtomicBool::new(true) };
            let handler = broker.handler(transport, from, Arc::new(visitor), shutdown.subscribe());
            let (keeper, open) = (Arc::clone(&keeper), open.clone());
            async move {
                if let Err(mqtt5::MqttError::PacketTooLarge { size, .. }) = handler.run().await
                    && keeper.holdings.tell_once("packet")
                {
                    tracing::warn!(
                        %from,
                        size,
                        "a connection was ended: a packet of more than {} bytes came; let the device send less at once",
                        limits::INSIDE_PACKET_BYTES_MAX
                    );
                }
                drop(open);
            }
        }
    };
    let serve = Arc::new(serve);
    let census = Census::new(connections);
    let mut doors = Vec::new();
    if let Some(listener) = plain {
        let serve = Arc::clone(&serve);
        let prepare = |stream: TcpStream| async move {
            gate::connect_has_come(&stream).await.then(|| BrokerTransport::tcp(stream))
        };
        let serve = move |transport, from, place| serve(transport, from, place);
        doors.push(tokio::spawn(gate::stand(listener, Arc::clone(&census), prepare, serve)));
    }
    if let (Some(listener), Some(acceptor)) = (encrypted, acceptor) {
        let serve = Arc::clone(&serve);
        let prepare = move |stream: TcpStream| {
            let acceptor = acceptor.clone();
            async move {
                let mut stream = acceptor.accept(stream).await.ok()?;
                // What came first is looked at and left where it is; clients send a CONNECT in one piece.
                let refused = matches!(gate::head(stream.fill_buf().await.ok()?), Head::Never);
                (!refused).then(|| BrokerTransport::tls(TlsStreamWrapper::new(stream)))
            }
        };
        let serve = move |transport, from, place| serve(transport, from, place);
        doors.push(tokio::spawn(gate::stand(listener, census, prepare, serve)));
    }
    drop(serve);
    let words = match (listen_addr, tls_listen_addr) {
        (Some(plain), Some(tls)) => format!("the broker inside listens on {plain}, and with TLS on {tls}"),
        (None, Some(tls)) => format!("the broker inside listens with TLS on {tls}"),
        (plain, None) => {
            format!("the broker inside listens on {}", plain.map_or_else(String::new, |at| at.to_string()))
        }
    };
    tracing::info!("{words}");
    let _ = inlet.tell(LinkState::Up, words).await;

    let (publisher, mut publishing) = publisher::start(watched, hand(Arc::clone(&router)));
    let pulse = Pulse::default();
    let knocked = listen_addr.or(tls_listen_addr).unwrap_or_else(|| SocketAddr::from((Ipv4Addr::LOCALHOST, 0)));
    let knocking = tokio::spawn(knock(knocked, pulse.clone()));
    let mut tasks: Vec<AbortHandle> = doors.iter().map(|door| door.abort_handle()).collect();
    tasks.extend([publishing.abort_handle(), knocking.abort_handle(), sweeping.abort_handle()]);
    let ends = tasks.clone();
    // A door that ends by itself has panicked: nothing comes in any more, and somebody must hear of it.
    let watching = tokio::spawn(watch_doors(doors, inlet.clone(), link));
    tasks.push(watching.abort_handle());
    let ceremony = async move {
        knocking.abort();
        life.send_replace(Life::Stopping);
        let gone = Outgoing { topic: status.topic, payload: status.gone.into(), retain: Retain::Keep };
        hand(router)(gone).await;
        // A connection that is told to end looks no more at what waits for it.
        tokio::time::sleep(limits::FAREWELL).await;
        let _ = shutdown.send(());
        // The doors go, and with them what they hold open.
        for end in ends {
            end.abort();
        }
        watching.abort();
        let end = async {
            let _ = all_closed.recv().await;
            let _ = (&mut publishing).await;
            if let Some(storage) = storage.upgrade() {
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
        let _ = timeout(limits::STOP_WITHIN, end).await;
    };
    Ok(Intake { happenings, publisher, listen_addr, tls_listen_addr, pulse, shutdown: Shutdown::new(ceremony, tasks) })
}

/// What the connections share.
struct Broker {
    config: Arc<BrokerConfig>,
    router: Arc<MessageRouter>,
    storage: Arc<DynamicStorage>,
    stats: Arc<BrokerStats>,
    monitor: Arc<ResourceMonitor>,
}

impl Broker {
    /// Opens the folder of the sessions and puts back what an earlier run left there.
    async fn new(sessions: Option<&Path>, keeper: &Arc<Doorkeeper>, hook: &Arc<Hook>) -> Result<Broker, IntakeError> {
        let library = |e: mqtt5::MqttError| IntakeError::Library { why: e.to_string() };
        let queues = QueueLimits { max_messages: limits::CLIENT_QUEUE_MESSAGES, max_bytes: limits::CLIENT_QUEUE_BYTES };
        let storage = Arc::new(match sessions {
            // The library follows links where it writes, and as root that would be somebody else's file.
            Some(folder) if holds_a_link(folder, LINKS_LOOKED_FOR_DEEP) && !set_aside(folder, "a link is in it") => {
                return Err(IntakeError::Library { why: format!("{} holds a link; remove it", folder.display()) });
            }
            Some(folder) => DynamicStorage::File(match FileBackend::with_queue_limits(folder, queues).await {
                Ok(storage) => storage,
                Err(why) if set_aside(folder, &why.to_string()) => {
                    FileBackend::with_queue_limits(folder, queues).await.map_err(library)?
                }
                Err(why) => return Err(library(why)),
            }),
            None => DynamicStorage::Memory(MemoryBackend::with_queue_limits(queues)),
        });
        // An earlier version may have kept one; it holds what proves who somebody is.
        for topic in keeper.access.token_topics() {
            storage.remove_retained_message(topic).await.map_err(library)?;
        }
        let config = config(Arc::clone(hook));
        config.validate().map_err(library)?;
        let router = Arc::new(
            MessageRouter::with_storage(Arc::clone(&storage))
                .with_fallback_queue_limits(queues)
                .with_event_handler(Arc::clone(hook) as Arc<dyn BrokerEventHandler>),
        );
        // Set once, here; nobody is connected yet.
        let _ = keeper.router.set(Arc::downgrade(&router));
        let _ = hook.storage.set(Arc::downgrade(&storage));
        let expiry = u32::try_from(limits::CLIENT_SESSION_EXPIRY.as_secs()).unwrap_or(u32::MAX);
        router.recover_sessions(expiry).await.map_err(library)?;
        storage.cleanup_expired().await.map_err(library)?;
        router.initialize().await.map_err(library)?;
        for message in router.get_retained_messages("#").await {
            let _ = keeper.holdings.may_keep(None, &message.topic_name, message.payload.len());
        }
        for client in storage.session_client_ids().await.map_err(library)? {
            if let Ok(Some(session)) = storage.get_session(&client).await {
                keeper.holdings.found(session.user_id.as_deref(), &client, !session.subscriptions.is_empty());
            }
        }
        let monitor = ResourceMonitor::new(ResourceLimits {
            max_connections: limits::CONNECTIONS,
            max_connections_per_ip: limits::CONNECTIONS,
            // Each message waits for the one before it to be on disk, which is bound enough.
            max_message_rate_per_client: 0,
            max_bandwidth_per_client: 0,
            ..ResourceLimits::default()
        });
        Ok(Broker {
            config: Arc::new(config),
            router,
            storage,
            stats: Arc::new(BrokerStats::new()),
            monitor: Arc::new(monitor),
        })
    }

    fn handler(
        &self,
        transport: BrokerTransport,
        from: SocketAddr,
        visitor: Arc<Visitor>,
        shutdown: broadcast::Receiver<()>,
    ) -> ClientHandler {
        ClientHandler::new(
            transport,
            from,
            Arc::clone(&self.config),
            Arc::clone(&self.router),
            visitor,
            Some(Arc::clone(&self.storage)),
            Arc::clone(&self.stats),
            Arc::clone(&self.monitor),
            shutdown,
        )
    }
}

fn config(hook: Arc<Hook>) -> BrokerConfig {
    let mut config = BrokerConfig::new()
        .with_session_expiry(limits::CLIENT_SESSION_EXPIRY)
        .with_max_packet_size(limits::INSIDE_PACKET_BYTES_MAX)
        .with_max_subscriptions_per_client(limits::FILTERS_PER_CLIENT)
        .with_sys_topics_enabled(false)
        .with_event_handler(hook);
    config.topic_alias_maximum = limits::TOPIC_ALIASES;
    config.server_receive_maximum = Some(limits::INSIDE_RECEIVE_MAX);
    config.max_outbound_inflight = limits::INSIDE_INFLIGHT;
    config.client_channel_capacity = limits::CLIENT_LANE;
    config
}

async fn bind(listen: SocketAddr) -> Result<TcpListener, IntakeError> {
    TcpListener::bind(listen).await.map_err(|source| match source.kind() {
        io::ErrorKind::AddrInUse => IntakeError::PortInUse { listen },
        _ => IntakeError::Listen { listen, source },
    })
}

/// What TLS is spoken with.
fn tls(certificate: &str, key: &str) -> Result<TlsAcceptorConfig, IntakeError> {
    let chain: Result<Vec<CertificateDer<'static>>, _> =
        CertificateDer::pem_slice_iter(certificate.as_bytes()).collect();
    let chain = chain.map_err(|e| IntakeError::Certificate { why: e.to_string() })?;
    if chain.is_empty() {
        return Err(IntakeError::Certificate { why: "it holds no certificate".into() });
    }
    let key = PrivateKeyDer::from_pem_slice(key.as_bytes())
        // The words of the parser could hold a piece of the key.
        .map_err(|_| IntakeError::Certificate { why: "the file of the key holds no private key".into() })?;
    Ok(TlsAcceptorConfig::new(chain, key))
}

fn no_tls(source: mqtt5::MqttError) -> IntakeError {
    IntakeError::Certificate { why: source.to_string() }
}

/// Says so when a door ends by itself; the link goes down with it.
async fn watch_doors(doors: Vec<tokio::task::JoinHandle<()>>, inlet: Inlet, link: watch::Sender<LinkState>) {
    for door in doors {
        if door.await.is_err_and(|e| e.is_panic()) {
            link.send_replace(LinkState::Down);
            let words =
                "the broker inside takes no connections any more; restart hypocaust, and report this with its log";
            tracing::error!("{words}");
            let _ = inlet.tell(LinkState::Down, words.into()).await;
        }
    }
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
    keeper: Arc<Doorkeeper>,
    storage: OnceLock<Weak<DynamicStorage>>,
    /// Wills of open connections, oldest connection first: a client that connects again does so before its lost connection is
    /// reported.
    wills: Mutex<BTreeMap<String, VecDeque<Option<Will>>>>,
    /// Wills that wait for their delay to pass.
    delayed: Mutex<BTreeMap<String, AbortHandle>>,
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

    fn router(&self) -> Option<Arc<MessageRouter>> {
        self.keeper.router.get().and_then(Weak::upgrade)
    }

    /// How a message goes on to other clients, and whether it is kept for those who come later.
    async fn passed_on(&self, event: ClientPublishEvent) -> PublishAction {
        let bytes = event.payload.len();
        // An over-long one is acknowledged, but neither kept nor passed on: it would fill the memory for nobody's use.
        if bytes > limits::PASSED_ON_BYTES_MAX {
            return PublishAction::Handled;
        }
        let keep = event.retain && bytes > 0;
        let has_room = !keep || self.keeper.holdings.may_keep(event.user_id.as_deref(), &event.topic, bytes);
        if !has_room
            && self.keeper.holdings.tell_once(&format!("kept for {}", event.user_id.as_deref().unwrap_or_default()))
        {
            tracing::warn!(
                user = event.user_id.as_deref().map_or_else(String::new, shown),
                topic = shown(&event.topic),
                "a message was passed on and not retained: it is too large, or there are as many as there may be; take retained topics \
                 away that nobody needs (publish an empty retained message on them)"
            );
        }
        let held = event.qos == QoS::ExactlyOnce && bytes > limits::HELD_BYTES_MAX;
        if has_room && !held {
            return PublishAction::Continue;
        }
        let mut packet = PublishPacket::new(event.topic.to_string(), event.payload, event.qos);
        packet.packet_id = event.packet_id;
        packet.retain = event.retain && has_room;
        if !held {
            return PublishAction::Transform(packet);
        }
        // The library would hold it in memory and on disk until its sender releases it.
        if let Some(router) = self.router() {
            router.route_message(&packet, Some(&event.client_id)).await;
        }
        PublishAction::Handled
    }

    async fn stopping(&self) {
        // An error means that the intake is gone, which is the same.
        let _ = self.life.clone().wait_for(|life| *life == Life::Stopping).await;
    }

    /// A connection ended: its session stays if there is room for one more.
    async fn closed(&self, user: Option<&str>, client: &str) {
        let (Some(router), Some(storage)) = (self.router(), self.storage.get().and_then(Weak::upgrade)) else { return };
        let kept = matches!(storage.get_session(client).await, Ok(Some(_)));
        if self.keeper.holdings.closed(user, client, kept) {
            return;
        }
        if self.keeper.holdings.tell_once("sessions") {
            tracing::warn!(
                client = shown(client),
                "the session of a client that is away was not kept: there are as many as there may be; let devices connect under one \
                 client id each, and give sessions an end"
            );
        }
        if let Err(source) = end_session(&router, &storage, client).await {
            tracing::warn!("a session cannot be ended: {source}; look at the disk of the data folder");
        }
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
            let access = &self.keeper.access;
            if !access.may_publish(event.user_id.as_deref(), &event.topic) {
                // Whoever can be told was told before; the others get their acknowledgement, and the message goes nowhere.
                return PublishAction::Handled;
            }
            // The retain flag of a publishing client asks the broker to keep the message; the message itself is fresh.
            let Some(decoded) = self.inlet.decode(&event.topic, &event.payload, Retained::Fresh) else {
                return self.passed_on(event).await;
            };
            let committed = tokio::select! {
                committed = self.committed(&event, decoded) => committed,
                () = self.stopping() => false,
            };
            if committed {
                // What proves who somebody is goes to the daemon and to nobody else; it is not kept either.
                return match access.carries_tokens(&event.topic) {
                    true => PublishAction::Handled,
                    false => self.passed_on(event).await,
                };
            }
            // The library knows no "do not answer". A QoS 0 message in place of this one is not answered, and with its entry
            // removed the connection closes, so that the client sends the message again when it is back.
            if let Some(router) = self.router() {
                router.disconnect_client(&event.client_id).await;
            }
            PublishAction::Transform(PublishPacket::new(NOWHERE, Bytes::new(), QoS::AtMostOnce))
        })
    }

    fn on_retained_set<'a>(&'a self, event: RetainedSetEvent) -> Pin<Box<dyn Future<Output = ()> + Send + 'a>> {
        if event.cleared {
            self.keeper.holdings.let_go(&event.topic);
        }
        Box::pin(std::future::ready(()))
    }

    fn on_client_connect<'a>(&'a self, event: ClientConnectEvent) -> Pin<Box<dyn Future<Output = ()> + Send + 'a>> {
        Box::pin(async move {
            let client = event.client_id.to_string();
            self.keeper.holdings.opened(event.user_id.as_deref(), &client);
            let delay = self.keeper.will_delays.lock().unwrap_or_else(PoisonError::into_inner).remove(&client);
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
            self.closed(event.user_id.as_deref(), &client).await;
            let stopping = *self.life.borrow() == Life::Stopping;
            let Some(will) = will.filter(|_| event.unexpected && !stopping) else { return };
            if will.delay.is_zero() {
                self.deliver_will(&will).await;
            } else if !connected {
                let until = tokio::time::Instant::now() + will.delay;
                self.keeper.holdings.will_waits(event.user_id.as_deref(), &client, until);
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
