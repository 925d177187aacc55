//! What both ways have in common: decode a message, wait for room, hand it over with the means to acknowledge it.
//!
//! Must never drop a message that could come again: without room it waits.

use std::collections::BTreeSet;
use std::fmt;
use std::sync::{Arc, Mutex, PoisonError};

use decode::{Decoded, GatewayWord, Named, Retained, Router, Seen, Written};
use engine::input::LinkState;
use site::reading::{Reading, Refusal};
use tokio::sync::{OwnedSemaphorePermit, Semaphore, mpsc};

use crate::{Clock, limits};

/// One thing that happened at the intake.
#[derive(Debug)]
pub enum Happening {
    /// A message came.
    Arrival(Arrival),
    /// The link to the broker changed, with words for people. The first one comes soon after the start.
    Link(LinkState, String),
}

/// One message: what could be read from it and what could not.
#[derive(Debug)]
pub struct Arrival {
    /// The values.
    pub readings: Vec<Reading>,
    /// What gave none, with reasons.
    pub refusals: Vec<Refusal>,
    /// What a wall panel said.
    pub seen: Vec<Seen>,
    /// What people wrote in the log.
    pub written: Vec<Written>,
    /// By what a message of people named itself that could not be read.
    pub named: Option<Named>,
    /// What gateways, or their wills, said.
    pub gateways: Vec<GatewayWord>,
    /// Length of the payload.
    pub bytes: usize,
    /// To be released once readings and refusals are on disk.
    pub ack: Ack,
}

/// The debt of one acknowledgement.
///
/// Dropped without [`Ack::release`] the message counts as not taken: its connection is closed, and it comes again.
pub struct Ack {
    settle: Option<Box<dyn FnOnce(Settled) + Send>>,
    _room: Option<OwnedSemaphorePermit>,
}

/// How an acknowledgement ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Settled {
    /// On disk: tell the broker.
    Released,
    /// Not on disk: never tell the broker.
    Dropped,
}

impl Ack {
    /// An acknowledgement that nobody waits for, as QoS 0 messages carry.
    pub fn none() -> Ack {
        Ack { settle: None, _room: None }
    }

    /// Acknowledges the message. Call it after the commit; it does not wait.
    pub fn release(mut self) {
        if let Some(settle) = self.settle.take() {
            settle(Settled::Released);
        }
    }
}

impl Drop for Ack {
    fn drop(&mut self) {
        if let Some(settle) = self.settle.take() {
            settle(Settled::Dropped);
        }
    }
}

impl fmt::Debug for Ack {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(if self.settle.is_some() { "Ack(owed)" } else { "Ack(none)" })
    }
}

/// The receiving end is gone: nobody takes messages any more.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Closed;

/// The way in, shared by all connections.
#[derive(Clone)]
pub(crate) struct Inlet {
    happenings: mpsc::Sender<Happening>,
    room: Arc<Semaphore>,
    router: Arc<Router>,
    clock: Clock,
    unmapped: Arc<Mutex<BTreeSet<String>>>,
}

/// Opens the queue.
pub(crate) fn open(router: Arc<Router>, clock: Clock) -> (Inlet, mpsc::Receiver<Happening>) {
    let (happenings, received) = mpsc::channel(limits::QUEUE_MESSAGES);
    let room = Arc::new(Semaphore::new(limits::QUEUE_BYTES));
    (Inlet { happenings, room, router, clock, unmapped: Arc::default() }, received)
}

impl Inlet {
    /// Filters to subscribe to.
    pub(crate) fn filters(&self) -> Vec<String> {
        self.router.filters()
    }

    /// Decodes a message now, or `None` where it is about nothing of ours and that was told before.
    ///
    /// Devices publish much beside readings (status, discovery). An unmapped topic is told once, for it may be a misspelt one, and
    /// then left alone, lest the record of refusals drown in it.
    pub(crate) fn decode(&self, topic: &str, payload: &[u8], retained: Retained) -> Option<Decoded> {
        if !self.router.maps(topic) {
            let mut told = self.unmapped.lock().unwrap_or_else(PoisonError::into_inner);
            if told.contains(topic) || told.len() >= limits::UNMAPPED_TOLD {
                return None;
            }
            told.insert(topic.to_owned());
        }
        Some(self.router.decode(topic, payload, retained, (self.clock)()))
    }

    /// Hands a decoded message over, waiting for room. `settle` hears how it ended, once.
    pub(crate) async fn admit(
        &self,
        decoded: Decoded,
        bytes: usize,
        settle: Option<Box<dyn FnOnce(Settled) + Send>>,
    ) -> Result<(), Closed> {
        let mut ack = Ack { settle, _room: None };
        // A message larger than all the room would wait for ever; at this bound it goes alone.
        let share = u32::try_from(bytes.clamp(1, limits::QUEUE_BYTES)).unwrap_or(u32::MAX);
        ack._room = Some(Arc::clone(&self.room).acquire_many_owned(share).await.map_err(|_| Closed)?);
        let Decoded { readings, refusals, seen, written, named, gateways } = decoded;
        let arrival = Arrival { readings, refusals, seen, written, named, gateways, bytes, ack };
        self.happenings.send(Happening::Arrival(arrival)).await.map_err(|_| Closed)
    }

    /// Tells of the link.
    pub(crate) async fn tell(&self, state: LinkState, words: String) -> Result<(), Closed> {
        self.happenings.send(Happening::Link(state, words)).await.map_err(|_| Closed)
    }
}

#[cfg(test)]
#[path = "../../decode/tests/sites/mod.rs"]
pub(crate) mod sites;

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use std::sync::atomic::{AtomicUsize, Ordering};

    use pile::time::Timestamp;

    use super::*;

    fn inlet() -> (Inlet, mpsc::Receiver<Happening>) {
        let site = sites::with(vec![sites::plain("yard/{probe}", "{probe}")], &["core"], &[]);
        open(Arc::new(Router::new(&site)), Arc::new(|| Timestamp::from_millis(1_773_122_400_000)))
    }

    #[test]
    fn unmapped_topics_are_told_once() {
        let (inlet, _received) = inlet();
        for (topic, told, why) in [
            ("elsewhere", true, "it may be misspelt"),
            ("elsewhere", false, "once is enough"),
            ("yard/core", true, "mapped"),
            ("yard/core", true, "mapped topics always count"),
            ("yard/cor", true, "a mapped topic that names no probe is refused each time"),
            ("yard/cor", true, "a mapped topic that names no probe is refused each time"),
        ] {
            assert_eq!(inlet.decode(topic, b"61", Retained::Fresh).is_some(), told, "{topic}: {why}");
        }
        for i in 0..2 * limits::UNMAPPED_TOLD {
            inlet.decode(&format!("noise/{i}"), b"", Retained::Fresh);
        }
        assert_eq!(inlet.unmapped.lock().unwrap().len(), limits::UNMAPPED_TOLD, "the memory is bounded");
    }

    #[tokio::test]
    async fn a_full_queue_waits_and_an_acknowledgement_makes_room() {
        let (inlet, mut received) = inlet();
        let settled = Arc::new(AtomicUsize::new(0));
        let count = || {
            let settled = Arc::clone(&settled);
            Some(Box::new(move |_| {
                settled.fetch_add(1, Ordering::SeqCst);
            }) as Box<dyn FnOnce(Settled) + Send>)
        };
        inlet.admit(Decoded::default(), limits::QUEUE_BYTES, count()).await.unwrap();
        let mut second = Box::pin(inlet.admit(Decoded::default(), 1, count()));
        let waits = tokio::select! { biased; _ = &mut second => false, () = std::future::ready(()) => true };
        assert!(waits, "no room is left");
        let Some(Happening::Arrival(first)) = received.recv().await else { panic!("an arrival") };
        let waits = tokio::select! { biased; _ = &mut second => false, () = std::future::ready(()) => true };
        assert!(waits, "taken from the queue is not yet on disk");
        first.ack.release();
        second.await.unwrap();
        assert_eq!(settled.load(Ordering::SeqCst), 1);
    }

    #[tokio::test]
    async fn every_acknowledgement_settles_once_however_it_ends() {
        for (release, want) in [(true, Settled::Released), (false, Settled::Dropped)] {
            let (inlet, mut received) = inlet();
            let (tx, mut rx) = mpsc::unbounded_channel();
            inlet.admit(Decoded::default(), 1, Some(Box::new(move |how| tx.send(how).unwrap()))).await.unwrap();
            let Some(Happening::Arrival(arrival)) = received.recv().await else { panic!("an arrival") };
            if release {
                arrival.ack.release();
            } else {
                drop(arrival);
            }
            assert_eq!((rx.recv().await, rx.recv().await), (Some(want), None));
        }
        let (inlet, received) = inlet();
        drop(received);
        let (tx, mut rx) = mpsc::unbounded_channel();
        let ended = inlet.admit(Decoded::default(), 1, Some(Box::new(move |how| tx.send(how).unwrap()))).await;
        assert_eq!(ended, Err(Closed));
        assert_eq!(rx.recv().await, Some(Settled::Dropped), "nobody took it");
    }
}
