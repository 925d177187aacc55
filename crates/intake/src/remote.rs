//! A broker elsewhere: one persistent MQTT 5 session, acknowledged by hand, that comes back by itself.
//!
//! Must never publish from the task that polls the connection, and never send an acknowledgement of an earlier connection: the same
//! packet id may then belong to another message.

use std::future::{Future, ready};
use std::path::Path;
use std::pin::Pin;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use decode::Retained;
use engine::input::LinkState;
use rumqttc::{
    AckMode, AsyncClient, ClientError, ConnectReturnCode, ConnectionError, DisconnectReasonCode, Event, EventLoop,
    LastWill, ManualAck, MqttOptions, NetworkOptions, Packet, PersistedAckMode, PersistedSession, Publish,
    PublishOptions, QoS, RetainForwardRule, SessionStore, SessionStoreError, SessionStoreKey, StateError, SubAck,
    SubscribeFilter, SubscribeReasonCode, Transport,
};
use site::model::{LinkSecurity, Login};
use tokio::sync::{Notify, mpsc, oneshot, watch};
use tokio::time::{Instant, sleep, timeout};

use crate::inlet::{Closed, Happening, Inlet, Settled};
use crate::publisher::{self, Hand, Outgoing, Retain};
use crate::{Intake, IntakeError, Pulse, Shutdown, StatusTopic, limits};

/// Where and how to connect.
pub(crate) struct Session<'s> {
    pub(crate) host: &'s str,
    pub(crate) port: u16,
    pub(crate) security: &'s LinkSecurity,
    pub(crate) login: Option<&'s Login>,
    pub(crate) client_id: &'s str,
}

/// Begins to connect.
pub(crate) fn start(
    session: &Session<'_>,
    password: Option<String>,
    status: StatusTopic,
    inlet: Inlet,
    happenings: mpsc::Receiver<Happening>,
) -> Result<Intake, IntakeError> {
    let options = options(session, password, &status)?;
    let (client, connection) = AsyncClient::builder(options)
        .capacity(limits::REQUESTS)
        .try_build()
        .map_err(|e| IntakeError::Library { why: e.to_string() })?;
    let generation = Arc::new(Mutex::new(0));
    let reset = Arc::new(Notify::new());
    let (orders, received) = mpsc::unbounded_channel();
    let (link, watched) = watch::channel(LinkState::Down);

    let acknowledging =
        tokio::spawn(acknowledge(received, client.clone(), Arc::clone(&generation), Arc::clone(&reset)));
    let pulse = Pulse::default();
    let poller = Poller {
        pulse: pulse.clone(),
        at: format!("{}:{}", session.host, session.port),
        client_id: session.client_id.to_owned(),
        client: client.clone(),
        inlet,
        generation,
        reset,
        orders: orders.clone(),
        link,
        standing: Standing::New,
        pause: limits::RETRY_MIN,
    };
    let mut polling = tokio::spawn(poller.run(connection));
    let (publisher, publishing) = publisher::start(watched.clone(), hand(client.clone()));

    let tasks = vec![acknowledging.abort_handle(), polling.abort_handle(), publishing.abort_handle()];
    let ceremony = async move {
        let up = *watched.borrow() == LinkState::Up;
        let goodbye = async {
            if up {
                // What was released before the end is still acknowledged.
                let (done, flushed) = oneshot::channel();
                let _ = orders.send(Order::Flush(done));
                let _ = flushed.await;
                let options = PublishOptions::at_least_once().retained();
                let _ = client.publish(status.topic, status.gone, options).await;
                let _ = client.disconnect().await;
                let _ = (&mut polling).await;
            }
        };
        let _ = timeout(limits::STOP_WITHIN, goodbye).await;
        polling.abort();
    };
    Ok(Intake {
        happenings,
        publisher,
        listen_addr: None,
        tls_listen_addr: None,
        pulse,
        shutdown: Shutdown::new(ceremony, tasks),
    })
}

fn options(session: &Session<'_>, password: Option<String>, status: &StatusTopic) -> Result<MqttOptions, IntakeError> {
    let mut options = MqttOptions::new(session.client_id, (session.host, session.port));
    let mut network = NetworkOptions::new();
    // Acknowledgements are small, and the broker waits for them.
    network.set_tcp_nodelay(true);
    options
        .set_network_options(network)
        .set_keep_alive(limits::KEEP_ALIVE_SECONDS)
        .set_connect_timeout(limits::CONNECT_WITHIN)
        .set_clean_start(false)
        .set_session_store(NothingUnderWay)
        .set_session_expiry_interval(Some(limits::SESSION_EXPIRY_SECONDS))
        .set_receive_maximum(Some(limits::RECEIVE_MAX))
        .set_max_packet_size(Some(limits::PACKET_BYTES_MAX))
        .set_ack_mode(AckMode::Manual)
        .set_max_request_batch(limits::ACK_BATCH)
        .set_last_will(LastWill::new(&status.topic, status.gone.as_bytes(), QoS::AtLeastOnce, true, None))
        .set_transport(transport(session.security)?);
    if let Some(login) = session.login {
        let password = password.ok_or_else(|| IntakeError::NoPassword { user: login.user.clone() })?;
        options.set_credentials(&login.user, password);
    }
    Ok(options)
}

fn transport(security: &LinkSecurity) -> Result<Transport, IntakeError> {
    match security {
        LinkSecurity::Plain => Ok(Transport::tcp()),
        LinkSecurity::StartTls { .. } => Err(IntakeError::StartTls),
        LinkSecurity::Tls { ca_file: None } => {
            Transport::try_tls_with_default_config().map_err(|e| IntakeError::Tls { why: e.to_string() })
        }
        LinkSecurity::Tls { ca_file: Some(path) } => Ok(Transport::tls(authority(path)?, None, None)),
    }
}

/// Reads the authority's certificate; one that holds none is told now, not at every attempt to connect.
fn authority(path: &Path) -> Result<Vec<u8>, IntakeError> {
    use rustls::pki_types::CertificateDer;
    use rustls::pki_types::pem::PemObject;
    let pem = files::read(path, files::AUTHORITY)
        .map_err(|source| IntakeError::Authority { path: path.to_owned(), source })?;
    let mut certificates = CertificateDer::pem_slice_iter(&pem);
    match certificates.next() {
        Some(Ok(_)) => Ok(pem),
        _ => Err(IntakeError::Tls { why: format!("{} holds no certificate in PEM form", path.display()) }),
    }
}

fn hand(client: AsyncClient) -> Hand {
    Box::new(move |message: Outgoing| {
        let client = client.clone();
        Box::pin(async move {
            let options = PublishOptions::at_least_once().retain(message.retain == Retain::Keep);
            if let Err(e) = client.publish(message.topic.as_str(), message.payload, options).await {
                tracing::error!(topic = message.topic, error = %e, "a message could not be published; correct its topic");
            }
        })
    })
}

/// What we remember of our session when the daemon starts: nothing under way.
///
/// That is the truth, for the only things under way from us are publishes with QoS 1, and those are said anew. It must be said because
/// the library otherwise refuses a session that the broker remembers and we do not, and with its own leniency for that case
/// (`AllowBrokerOnly`) it silently drops every SUBSCRIBE and PUBLISH of ours instead.
#[derive(Debug)]
struct NothingUnderWay;

type Stored<'a, T> = Pin<Box<dyn Future<Output = Result<T, SessionStoreError>> + Send + 'a>>;

impl SessionStore for NothingUnderWay {
    fn load<'a>(&'a self, key: &'a SessionStoreKey) -> Stored<'a, Option<PersistedSession>> {
        let session = PersistedSession {
            format_version: 1,
            client_id: key.client_id().to_owned(),
            clean_start: false,
            session_expiry_interval: Some(limits::SESSION_EXPIRY_SECONDS),
            outgoing_inflight_upper_limit: None,
            ack_mode: PersistedAckMode::Manual,
            last_pkid: 0,
            last_puback: 0,
            replay: Vec::new(),
            incoming_qos2: Vec::new(),
        };
        Box::pin(ready(Ok(Some(session))))
    }

    fn save<'a>(&'a self, _: &'a SessionStoreKey, _: &'a PersistedSession) -> Stored<'a, ()> {
        Box::pin(ready(Ok(())))
    }

    fn clear<'a>(&'a self, _: &'a SessionStoreKey) -> Stored<'a, ()> {
        Box::pin(ready(Ok(())))
    }
}

/// What the acknowledging task is asked.
enum Order {
    /// How the debt of one message ended, and on which connection it was made.
    Settle(Verdict),
    /// Say so when everything before this was passed on.
    Flush(oneshot::Sender<()>),
}

struct Verdict {
    generation: u64,
    ack: ManualAck,
    how: Settled,
}

/// Sends acknowledgements as commits release them: a commit releases many at once, and those go out together.
async fn acknowledge(
    mut orders: mpsc::UnboundedReceiver<Order>,
    client: AsyncClient,
    generation: Arc<Mutex<u64>>,
    reset: Arc<Notify>,
) {
    let mut batch = Vec::with_capacity(limits::ACK_BATCH);
    while orders.recv_many(&mut batch, limits::ACK_BATCH).await > 0 {
        for order in batch.drain(..) {
            let verdict = match order {
                Order::Settle(verdict) => verdict,
                Order::Flush(done) => {
                    let _ = done.send(());
                    continue;
                }
            };
            while settle(&verdict, &client, &generation, &reset) == Sent::NoRoom {
                tokio::task::yield_now().await;
            }
        }
    }
}

/// Whether a verdict has been dealt with.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Sent {
    Done,
    NoRoom,
}

fn settle(verdict: &Verdict, client: &AsyncClient, generation: &Mutex<u64>, reset: &Notify) -> Sent {
    // Held while the request goes into the channel, so that no reconnect can come between the check and the send.
    let current = generation.lock().unwrap_or_else(PoisonError::into_inner);
    if *current != verdict.generation {
        return Sent::Done;
    }
    if verdict.how == Settled::Dropped {
        reset.notify_one();
        return Sent::Done;
    }
    match client.try_manual_ack(verdict.ack.clone()) {
        Err(ClientError::RequestChannelFull(_)) => Sent::NoRoom,
        // Any other error means that the connection has ended for good, and the message comes again.
        _ => Sent::Done,
    }
}

/// What was said of the link last.
#[derive(Clone, Copy, Debug)]
enum Standing {
    /// Nothing yet.
    New,
    Up(Instant),
    Down(Instant),
}

/// Owns the connection.
struct Poller {
    pulse: Pulse,
    at: String,
    client_id: String,
    client: AsyncClient,
    inlet: Inlet,
    /// Counts connections; see [`acknowledge`].
    generation: Arc<Mutex<u64>>,
    /// A message was dropped unacknowledged: only a new connection brings it again.
    reset: Arc<Notify>,
    orders: mpsc::UnboundedSender<Order>,
    link: watch::Sender<LinkState>,
    standing: Standing,
    pause: Duration,
}

impl Poller {
    async fn run(mut self, mut connection: EventLoop) {
        loop {
            self.pulse.beat();
            let event = tokio::select! {
                biased;
                () = self.reset.notified() => {
                    self.forget(&mut connection);
                    sleep(limits::RESET_PAUSE).await;
                    continue;
                }
                event = connection.poll() => event,
            };
            let goes_on = match event {
                Ok(Event::Incoming(Packet::Publish(publish))) => self.arrived(publish).await,
                Ok(Event::Incoming(Packet::ConnAck(_))) => {
                    // From here on the library remembers by itself, and need not write a checkpoint for every packet.
                    connection.options.clear_session_store();
                    self.connected().await
                }
                Ok(Event::Incoming(Packet::SubAck(suback))) => self.subscribed(&suback).await,
                Ok(_) => Ok(()),
                Err(ConnectionError::RequestsDone) => return,
                Err(e) => {
                    self.forget(&mut connection);
                    self.broken(&e).await
                }
            };
            if goes_on.is_err() {
                // Nobody takes happenings any more; what is unacknowledged comes again.
                return;
            }
        }
    }

    /// Ends a connection for our side: acknowledgements of it that are still on their way are void.
    fn forget(&self, connection: &mut EventLoop) {
        *self.generation.lock().unwrap_or_else(PoisonError::into_inner) += 1;
        // Drops the network and whatever acknowledgements wait in the request channel; publishes stay.
        connection.clean();
    }

    async fn arrived(&self, publish: Publish) -> Result<(), Closed> {
        let topic = String::from_utf8_lossy(&publish.topic);
        let retained = if publish.retain { Retained::Kept } else { Retained::Fresh };
        let decoded = self.inlet.decode(&topic, &publish.payload, retained);
        let settle = self.client.prepare_ack(&publish).map(|ack| {
            let orders = self.orders.clone();
            let generation = *self.generation.lock().unwrap_or_else(PoisonError::into_inner);
            Box::new(move |how| {
                let _ = orders.send(Order::Settle(Verdict { generation, ack, how }));
            }) as Box<dyn FnOnce(Settled) + Send>
        });
        match (decoded, settle) {
            // The payload is not kept: what waits in the queue is small however long the message was.
            (Some(decoded), settle) => self.inlet.admit(decoded, publish.payload.len(), settle).await,
            (None, Some(settle)) => {
                settle(Settled::Released);
                Ok(())
            }
            (None, None) => Ok(()),
        }
    }

    async fn connected(&mut self) -> Result<(), Closed> {
        // Said anew on every connection: the settings may have changed, and a session may be gone. Kept messages come with a
        // subscription that is new to the broker only.
        let filters: Vec<SubscribeFilter> = self
            .inlet
            .filters()
            .into_iter()
            .map(|filter| {
                let mut filter = SubscribeFilter::new(filter, QoS::AtLeastOnce);
                filter.retain_forward_rule = RetainForwardRule::OnNewSubscribe;
                filter
            })
            .collect();
        if filters.is_empty() {
            return self.up().await;
        }
        // In a task of its own: waiting for room in the request channel here would wait for ourselves.
        let client = self.client.clone();
        tokio::spawn(async move {
            if let Err(e) = client.subscribe_many(filters).await {
                tracing::error!(error = %e, "the subscription could not be asked for; correct the patterns under `topics`");
            }
        });
        Ok(())
    }

    /// Only now can messages come.
    async fn subscribed(&mut self, suback: &SubAck) -> Result<(), Closed> {
        let filters = self.inlet.filters();
        for (filter, code) in filters.iter().zip(&suback.return_codes) {
            match code {
                SubscribeReasonCode::Success(QoS::AtMostOnce) => tracing::warn!(
                    "the broker {} gives `{filter}` with QoS 0 only: readings are lost whenever the link breaks; allow QoS 1 there",
                    self.at
                ),
                SubscribeReasonCode::Success(_) => {}
                refused => {
                    let words = format!(
                        "the broker {} refused the subscription to `{filter}` ({refused:?}): no reading will come from it; allow it there for the client id `{}`",
                        self.at, self.client_id
                    );
                    return self.down(words).await;
                }
            }
        }
        self.up().await
    }

    async fn up(&mut self) -> Result<(), Closed> {
        let words = match self.standing {
            Standing::Down(since) => {
                let away = pile::time::Span::from_seconds_f64(since.elapsed().as_secs_f64());
                format!("the broker {} is back after {away}", self.at)
            }
            Standing::New | Standing::Up(_) => format!("connected to the broker {}", self.at),
        };
        let news = !matches!(self.standing, Standing::Up(_));
        self.standing = Standing::Up(Instant::now());
        // Also after a reset of our own making: the broker published our will then, and the publisher says otherwise.
        self.link.send_replace(LinkState::Up);
        if !news {
            return Ok(());
        }
        tracing::info!("{words}");
        self.inlet.tell(LinkState::Up, words).await
    }

    async fn down(&mut self, words: String) -> Result<(), Closed> {
        self.link.send_if_modified(|link| std::mem::replace(link, LinkState::Down) != LinkState::Down);
        if matches!(self.standing, Standing::Down(_)) {
            return Ok(());
        }
        self.standing = Standing::Down(Instant::now());
        tracing::warn!("{words}");
        self.inlet.tell(LinkState::Down, words).await
    }

    /// Tells an outage once, then waits before the next attempt.
    async fn broken(&mut self, e: &ConnectionError) -> Result<(), Closed> {
        if matches!(self.standing, Standing::Up(since) if since.elapsed() >= limits::STEADY_AFTER) {
            self.pause = limits::RETRY_MIN;
        }
        let words = format!(
            "no link to the broker {}: {}; trying again, at least every {} s",
            self.at,
            cause(e, &self.client_id),
            limits::RETRY_MAX.as_secs()
        );
        self.down(words).await?;
        sleep(self.pause).await;
        self.pause = (self.pause * 2).min(limits::RETRY_MAX);
        Ok(())
    }
}

/// What broke the link, with the reader's next step.
fn cause(e: &ConnectionError, client_id: &str) -> String {
    use ConnectReturnCode as Code;
    match e {
        ConnectionError::ConnectionRefused(code)
        | ConnectionError::MqttState(StateError::ConnFail { reason: code }) => match code {
            Code::BadUserNamePassword | Code::NotAuthorized => {
                format!("it does not accept our user and password ({code:?}); correct broker.login")
            }
            Code::RefusedProtocolVersion | Code::UnsupportedProtocolVersion => {
                "it does not speak MQTT 5; use a broker that does".into()
            }
            Code::BadClientId | Code::ClientIdentifierNotValid => {
                format!("it does not accept the client id `{client_id}`; correct broker.client_id")
            }
            other => format!("it refused the connection ({other:?}); see its own log"),
        },
        ConnectionError::MqttState(StateError::ServerDisconnect {
            reason_code: DisconnectReasonCode::SessionTakenOver,
            ..
        }) => format!(
            "another program connects with the client id `{client_id}`; give each program one of its own (broker.client_id)"
        ),
        ConnectionError::Tls(e) => {
            format!("TLS failed ({e}); check broker.host, broker.ca_file and the broker's certificate")
        }
        ConnectionError::Io(e) => {
            format!("{e}; check that the broker runs and that broker.host and broker.port are right")
        }
        ConnectionError::Timeout(_) => {
            "it does not answer; check that the broker runs, and any firewall between".into()
        }
        ConnectionError::MqttState(StateError::ConnectionAborted) => format!(
            "it closed the connection; see its own log (it does so when a second program uses the client id `{client_id}`: each needs its own)"
        ),
        other => format!("{other}; see the broker's own log"),
    }
}
