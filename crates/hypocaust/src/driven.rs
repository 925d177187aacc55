//! A daemon whose clock somebody else moves: for the demo and for tests, through the loop of `run`.
//!
//! Must never wait by the machine's clock for anything but a daemon that hangs.

use std::net::SocketAddr;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use ledger::{Folder, FolderError};
use pile::time::Timestamp;
use rulebook::{RuleText, Rulebook};
use rumqttc::{AsyncClient, MqttOptions, PublishNotice, PublishOptions, QoS};
use site::model::Site;
use tokio::sync::watch;
use tokio::task::JoinHandle;

use crate::clock::Clock;
use crate::daemon::{self, ChangingRules, DaemonError, Progress, Setup};
use crate::recording::Recorder;
use crate::rule_watch::RuleWatch;
use crate::socket::{self, Answer, Request, SocketError};

/// Nothing that a driven daemon is asked to do takes this long unless something is broken.
const PATIENCE: Duration = Duration::from_secs(60);

/// Messages that a client may have unacknowledged at a time.
const IN_FLIGHT: u16 = 200;

/// The pause before a client connects again.
const RECONNECT_AFTER: Duration = Duration::from_millis(100);

/// A running daemon and the handles that move it.
#[derive(Debug)]
pub struct Driven {
    site: Arc<Site>,
    clock: watch::Sender<Timestamp>,
    stop: watch::Sender<bool>,
    progress: watch::Receiver<Progress>,
    daemon: JoinHandle<Result<(), DaemonError>>,
}

/// Why a driven daemon does not go on.
#[derive(Debug, thiserror::Error)]
pub enum DrivenError {
    /// Its folder.
    #[error(transparent)]
    Folder(#[from] FolderError),
    /// It ended with an error.
    #[error(transparent)]
    Daemon(#[from] DaemonError),
    /// A request.
    #[error(transparent)]
    Socket(#[from] SocketError),
    /// It ended, or hangs.
    #[error("the daemon {0}")]
    Stuck(String),
    /// A request was refused.
    #[error("{0}")]
    Refused(String),
    /// The broker.
    #[error("the broker did not take a message: {0}")]
    Publish(String),
}

impl Driven {
    /// Starts a daemon at `start` and waits until it is up.
    ///
    /// # Errors
    /// When it does not come up.
    pub async fn start(
        site: Arc<Site>,
        rules: &[RuleText],
        start: Timestamp,
        recorder: Option<Recorder>,
        store_pages: Option<watch::Receiver<Option<u32>>>,
    ) -> Result<Driven, DrivenError> {
        Driven::begin(site, rules, start, recorder, store_pages, None).await
    }

    /// Starts one that looks after changes of its rules, as the live daemon does; `config` are its settings.
    ///
    /// # Errors
    /// When it does not come up.
    pub async fn watching_rules(
        site: Arc<Site>,
        rules: &[RuleText],
        start: Timestamp,
        config: &Path,
    ) -> Result<Driven, DrivenError> {
        let watch = RuleWatch::new(config, &site, rules.to_vec());
        Driven::begin(site, rules, start, None, None, Some(watch)).await
    }

    async fn begin(
        site: Arc<Site>,
        rules: &[RuleText],
        start: Timestamp,
        recorder: Option<Recorder>,
        store_pages: Option<watch::Receiver<Option<u32>>>,
        rule_watch: Option<RuleWatch>,
    ) -> Result<Driven, DrivenError> {
        let (rulebook, broken) = Rulebook::compile(rules, &site.rules, site.display);
        let folder = Folder::lock(&site.data_folder)?;
        let (clock, now) = watch::channel(start);
        let (stop, stopped) = watch::channel(false);
        let (told, progress) = watch::channel(Progress::default());
        let setup = Setup {
            site: Arc::clone(&site),
            rulebook,
            broken,
            folder,
            clock: Clock::Driven(now),
            recorder,
            store_pages,
            rules: rule_watch.map(ChangingRules::asked_by_command),
            rules_from: None,
            settings_text: None,
        };
        let daemon = tokio::spawn(daemon::run(setup, stopped, told));
        let mut driven = Driven { site, clock, stop, progress, daemon };
        driven.wait(|p| p.ready, "is not up").await?;
        Ok(driven)
    }

    /// Where the embedded broker listens.
    pub fn listens_on(&self) -> Option<SocketAddr> {
        self.progress.borrow().listens_on
    }

    /// What the daemon tells of itself, to wait for.
    pub fn progress(&self) -> watch::Receiver<Progress> {
        self.progress.clone()
    }

    /// The site.
    pub fn site(&self) -> &Arc<Site> {
        &self.site
    }

    /// What the clock shows.
    pub fn now(&self) -> Timestamp {
        *self.clock.borrow()
    }

    /// Sets the clock and waits until all that is due by then is done, committed and answered.
    ///
    /// # Errors
    /// When the daemon ended or hangs.
    pub async fn advance_to(&mut self, now: Timestamp) -> Result<(), DrivenError> {
        self.clock.send_replace(now);
        self.settle(now).await
    }

    /// Waits until all that is due by `now` is done, committed and answered.
    ///
    /// # Errors
    /// When the daemon ended or hangs.
    pub async fn settle(&mut self, now: Timestamp) -> Result<(), DrivenError> {
        self.wait(|p| p.settled_at.is_some_and(|at| at >= now), "is not done with what was due").await
    }

    /// Asks it something over its local socket.
    ///
    /// # Errors
    /// When it refuses, with its words.
    pub async fn ask(&self, request: Request) -> Result<String, DrivenError> {
        let folder = self.site.data_folder.clone();
        let asked = tokio::task::spawn_blocking(move || socket::ask(&folder, &request)).await;
        match asked.map_err(|panic| DrivenError::Stuck(panic.to_string()))?? {
            Some(Answer::Done(said)) => Ok(said),
            Some(Answer::No(why)) => Err(DrivenError::Refused(why)),
            None => Err(DrivenError::Stuck("does not listen on its socket".into())),
        }
    }

    /// Asks it to stop and waits until it has.
    ///
    /// # Errors
    /// When it ends with an error, or does not end.
    pub async fn stop(self) -> Result<(), DrivenError> {
        self.stop.send_replace(true);
        match tokio::time::timeout(PATIENCE, self.daemon).await {
            Ok(Ok(ended)) => Ok(ended?),
            Ok(Err(panic)) => Err(DrivenError::Stuck(format!("failed: {panic}"))),
            Err(_) => Err(DrivenError::Stuck("does not stop".into())),
        }
    }

    async fn wait(&mut self, done: impl FnMut(&Progress) -> bool, what: &str) -> Result<(), DrivenError> {
        let waited = tokio::time::timeout(PATIENCE, self.progress.wait_for(done)).await.map(|r| r.is_ok());
        match waited {
            Ok(true) => Ok(()),
            // The loop dropped its end: it returned, and its own words say more than ours.
            Ok(false) => match (&mut self.daemon).await {
                Ok(Ok(())) => Err(DrivenError::Stuck("stopped by itself".into())),
                Ok(Err(error)) => Err(error.into()),
                Err(panic) => Err(DrivenError::Stuck(format!("failed: {panic}"))),
            },
            Err(_) => Err(DrivenError::Stuck(format!("{what} after {} s", PATIENCE.as_secs()))),
        }
    }
}

/// A client of the broker, as a gateway or probe would have one; it reconnects by itself.
pub fn connect(address: SocketAddr, client_id: &str) -> AsyncClient {
    let mut options = MqttOptions::new(client_id, (address.ip().to_string(), address.port()));
    // The client walks over its whole in-flight table at every flush; with the default of 65,535 that is where all its time goes.
    options.set_outgoing_inflight_upper_limit(IN_FLIGHT);
    let (client, mut events) = AsyncClient::builder(options).capacity(500).build();
    tokio::spawn(async move {
        loop {
            match events.poll().await {
                Ok(_) => {}
                // Every handle of the client is gone.
                Err(rumqttc::ConnectionError::RequestsDone) => break,
                Err(_) => tokio::time::sleep(RECONNECT_AFTER).await,
            }
        }
    });
    client
}

/// Publishes at QoS 1; the notice resolves when the broker has acknowledged.
///
/// # Errors
/// When the client is gone.
pub async fn publish(client: &AsyncClient, topic: String, payload: String) -> Result<PublishNotice, DrivenError> {
    client
        .publish_tracked(topic, payload, PublishOptions::new(QoS::AtLeastOnce))
        .await
        .map_err(|e| DrivenError::Publish(e.to_string()))
}

/// Waits until every message was acknowledged.
///
/// # Errors
/// When one was not.
pub async fn acknowledged(notices: Vec<PublishNotice>) -> Result<(), DrivenError> {
    for notice in notices {
        tokio::time::timeout(PATIENCE, notice.wait_completion_async())
            .await
            .map_err(|_| DrivenError::Publish(format!("no acknowledgement in {} s", PATIENCE.as_secs())))?
            .map_err(|e| DrivenError::Publish(e.to_string()))?;
    }
    Ok(())
}
