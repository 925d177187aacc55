//! What the daemon itself publishes: status, and commands for a lamp or horn.
//!
//! Must never hold up whoever publishes because the link is down: what is retained is kept, newest per topic; the rest is refused.

use std::collections::BTreeMap;
use std::future::Future;
use std::pin::Pin;

use bytes::Bytes;
use engine::input::LinkState;
use tokio::sync::{mpsc, watch};

use crate::limits;

/// Whether the broker keeps a message for those who subscribe later.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Retain {
    /// It does, and we publish it again whenever the link comes back.
    Keep,
    /// It does not.
    Pass,
}

/// Why a message was not taken for publishing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum PublishError {
    /// The link is down and the message is not one to keep.
    #[error(
        "the link to the broker is down, so a message that is not retained reaches nobody; publish it again when the link is up"
    )]
    LinkDown,
    /// The intake has stopped.
    #[error("the intake has stopped")]
    Stopped,
}

/// A message on its way out.
#[derive(Clone, Debug)]
pub(crate) struct Outgoing {
    pub(crate) topic: String,
    pub(crate) payload: Bytes,
    pub(crate) retain: Retain,
}

/// Publishes; cheap to clone.
#[derive(Clone, Debug)]
pub struct Publisher {
    outgoing: mpsc::Sender<Outgoing>,
    link: watch::Receiver<LinkState>,
}

impl Publisher {
    /// Takes a message for publishing, QoS 1; waits while [`limits::OUTGOING`] others wait.
    ///
    /// # Errors
    /// [`PublishError::LinkDown`] for a message that is not retained while the link is down; [`PublishError::Stopped`].
    pub async fn publish(
        &self,
        topic: impl Into<String>,
        payload: impl Into<Bytes>,
        retain: Retain,
    ) -> Result<(), PublishError> {
        if retain == Retain::Pass && *self.link.borrow() == LinkState::Down {
            return Err(PublishError::LinkDown);
        }
        let message = Outgoing { topic: topic.into(), payload: payload.into(), retain };
        self.outgoing.send(message).await.map_err(|_| PublishError::Stopped)
    }
}

/// Hands one message to the broker; ends when the broker's side has taken it.
pub(crate) type Hand = Box<dyn Fn(Outgoing) -> Pin<Box<dyn Future<Output = ()> + Send>> + Send + Sync>;

/// Starts the publishing task. It is one of its own because a task that polls a connection must not wait for that connection.
pub(crate) fn start(link: watch::Receiver<LinkState>, hand: Hand) -> (Publisher, tokio::task::JoinHandle<()>) {
    let (outgoing, received) = mpsc::channel(limits::OUTGOING);
    let task = tokio::spawn(run(received, link.clone(), hand));
    (Publisher { outgoing, link }, task)
}

async fn run(mut received: mpsc::Receiver<Outgoing>, mut link: watch::Receiver<LinkState>, hand: Hand) {
    let mut kept: BTreeMap<String, Outgoing> = BTreeMap::new();
    let mut up = *link.borrow_and_update() == LinkState::Up;
    loop {
        tokio::select! {
            biased;
            changed = link.changed() => {
                if changed.is_err() {
                    return;
                }
                up = *link.borrow_and_update() == LinkState::Up;
                if up {
                    // The broker may have lost what it kept, or published our will meanwhile.
                    for message in kept.values() {
                        pass(&hand, &link, message.clone()).await;
                    }
                }
            }
            message = received.recv() => {
                let Some(message) = message else { return };
                if message.retain == Retain::Keep {
                    if kept.len() >= limits::KEPT_TOPICS && !kept.contains_key(&message.topic) {
                        tracing::warn!(topic = message.topic, "too many retained topics; this one will not be published again after an outage");
                    } else {
                        kept.insert(message.topic.clone(), message.clone());
                    }
                }
                if up {
                    pass(&hand, &link, message).await;
                }
            }
        }
    }
}

/// Hands a message over unless the link goes down meanwhile; then it is kept or lost as its kind says.
async fn pass(hand: &Hand, link: &watch::Receiver<LinkState>, message: Outgoing) {
    // A clone, so that the change is still news to the caller.
    let mut down = link.clone();
    tokio::select! {
        handed = fence::awaited(hand(message)) => if let Err(panic) = handed {
            tracing::error!("a message was not published: {panic}; report this with the log");
        },
        _ = down.wait_for(|state| *state == LinkState::Down) => {}
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use std::sync::Arc;
    use std::time::Duration;

    use tokio::time::timeout;

    use super::*;

    const SOON: Duration = Duration::from_secs(10);

    fn publisher(state: LinkState) -> (Publisher, watch::Sender<LinkState>, mpsc::UnboundedReceiver<(String, Bytes)>) {
        let (link, watched) = watch::channel(state);
        let (out, seen) = mpsc::unbounded_channel();
        let out = Arc::new(out);
        let hand: Hand = Box::new(move |message: Outgoing| {
            let out = Arc::clone(&out);
            Box::pin(async move {
                let _ = out.send((message.topic, message.payload));
            })
        });
        let (publisher, _task) = start(watched, hand);
        (publisher, link, seen)
    }

    async fn next(seen: &mut mpsc::UnboundedReceiver<(String, Bytes)>) -> (String, String) {
        let (topic, payload) = timeout(SOON, seen.recv()).await.unwrap().unwrap();
        (topic, String::from_utf8(payload.to_vec()).unwrap())
    }

    #[tokio::test]
    async fn an_outage_keeps_the_newest_retained_message_of_each_topic() {
        let (publisher, link, mut seen) = publisher(LinkState::Down);
        for (topic, payload) in [("status", "1"), ("bin/1", "a"), ("status", "2")] {
            publisher.publish(topic, payload, Retain::Keep).await.unwrap();
        }
        let refused = publisher.publish("horn", "on", Retain::Pass).await;
        assert_eq!(refused, Err(PublishError::LinkDown));
        // What was published before the link came up is taken before the link is looked at again or after; both end here.
        link.send(LinkState::Up).unwrap();
        let mut got = std::collections::BTreeMap::new();
        while got.get("status") != Some(&"2".to_owned()) || got.len() < 2 {
            let (topic, payload) = next(&mut seen).await;
            got.insert(topic, payload);
        }
        publisher.publish("horn", "on", Retain::Pass).await.unwrap();
        while next(&mut seen).await != ("horn".into(), "on".into()) {}
        link.send(LinkState::Down).unwrap();
        link.send(LinkState::Up).unwrap();
        publisher.publish("end", "", Retain::Pass).await.unwrap();
        let mut again = Vec::new();
        loop {
            let (topic, payload) = next(&mut seen).await;
            if topic == "end" {
                break;
            }
            again.push((topic, payload));
        }
        assert_eq!(
            again,
            [("bin/1".into(), "a".into()), ("status".into(), "2".into())],
            "after every outage, nothing else"
        );
    }
}
