//! What clients leave with the broker inside: retained messages, sessions, subscriptions, client ids. Each has an end, in all and by user.
//!
//! Must never let what one user leaves take the room of the others.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Mutex, PoisonError};

use tokio::time::Instant;

use crate::limits;

/// How much of a text from outside a line of the log shows.
const SHOWN_CHARS: usize = 100;

/// What is left with the broker, by whom.
#[derive(Debug, Default)]
pub(crate) struct Holdings {
    retained: Mutex<Retained>,
    ids: Mutex<Ids>,
    /// Wills that wait for their delay to pass, by client: until when, and whose.
    wills: Mutex<BTreeMap<String, (Instant, Owner)>>,
    told: Mutex<BTreeSet<String>>,
}

/// Retained messages of clients: topic to bytes and user.
#[derive(Debug, Default)]
struct Retained {
    topics: BTreeMap<String, (usize, Owner)>,
    bytes: usize,
    by_user: BTreeMap<Owner, (usize, usize)>,
}

/// A user; `None` for whoever need not prove who they are, and for what an earlier run left.
type Owner = Option<String>;

/// Client ids: who has them, and how.
#[derive(Debug, Default)]
struct Ids {
    /// Open connections.
    open: BTreeMap<String, (Owner, usize)>,
    /// Sessions of clients that are away.
    kept: BTreeMap<String, Owner>,
    /// Clients that have a subscription.
    hearers: BTreeMap<String, Owner>,
}

impl Holdings {
    /// Whether a message of a client may be retained; counts it, in place of what the topic had.
    pub(crate) fn may_keep(&self, user: Option<&str>, topic: &str, bytes: usize) -> bool {
        let mut retained = self.retained.lock().unwrap_or_else(PoisonError::into_inner);
        let size = bytes + topic.len();
        let owner = user.map(ToOwned::to_owned);
        let (had, of) = retained.topics.get(topic).cloned().map_or((0, None), |(had, of)| (had, Some(of)));
        let (own, own_bytes) = retained.by_user.get(&owner).copied().unwrap_or_default();
        let mine = of.as_ref() == Some(&owner);
        let new = usize::from(of.is_none());
        let room = bytes <= limits::RETAINED_MESSAGE_BYTES
            && retained.topics.len() + new <= limits::RETAINED
            && retained.bytes - had + size <= limits::RETAINED_BYTES
            && own + usize::from(!mine) <= limits::RETAINED_PER_USER
            && own_bytes - if mine { had } else { 0 } + size <= limits::RETAINED_BYTES_PER_USER;
        if room {
            retained.let_go(topic);
            retained.topics.insert(topic.to_owned(), (size, owner.clone()));
            retained.bytes += size;
            let own = retained.by_user.entry(owner).or_default();
            *own = (own.0 + 1, own.1 + size);
        }
        room
    }

    /// The topic has no retained message any more.
    pub(crate) fn let_go(&self, topic: &str) {
        self.retained.lock().unwrap_or_else(PoisonError::into_inner).let_go(topic);
    }

    /// Whether a user may use a client id: nobody takes over the connection or the session of another user.
    pub(crate) fn may_use_id(&self, user: Option<&str>, client: &str) -> bool {
        let ids = self.ids.lock().unwrap_or_else(PoisonError::into_inner);
        let of = |owner: &Owner| owner.as_deref() == user;
        ids.open.get(client).is_none_or(|(owner, _)| of(owner)) && ids.kept.get(client).is_none_or(of)
    }

    /// A client is connected.
    pub(crate) fn opened(&self, user: Option<&str>, client: &str) {
        let mut ids = self.ids.lock().unwrap_or_else(PoisonError::into_inner);
        let open = ids.open.entry(client.to_owned()).or_insert((user.map(ToOwned::to_owned), 0));
        open.1 += 1;
        ids.kept.remove(client);
    }

    /// A connection ended. `kept` says whether its session stays; the answer is whether it may.
    pub(crate) fn closed(&self, user: Option<&str>, client: &str, kept: bool) -> bool {
        let mut ids = self.ids.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(open) = ids.open.get_mut(client) {
            open.1 = open.1.saturating_sub(1);
            if open.1 > 0 {
                // Another connection of the same client goes on.
                return true;
            }
            ids.open.remove(client);
        }
        let owner = user.map(ToOwned::to_owned);
        let own = ids.kept.values().filter(|of| **of == owner).count();
        let may = kept && ids.kept.len() < limits::SESSIONS && (user.is_none() || own < limits::SESSIONS_PER_USER);
        if may {
            ids.kept.insert(client.to_owned(), owner);
        } else {
            ids.hearers.remove(client);
        }
        may || !kept
    }

    /// Sessions that an earlier run left.
    pub(crate) fn found(&self, user: Option<&str>, client: &str, hears: bool) {
        let mut ids = self.ids.lock().unwrap_or_else(PoisonError::into_inner);
        ids.kept.insert(client.to_owned(), user.map(ToOwned::to_owned));
        if hears {
            ids.hearers.insert(client.to_owned(), user.map(ToOwned::to_owned));
        }
    }

    /// Only these sessions are still there.
    pub(crate) fn still_there(&self, clients: &BTreeSet<String>) {
        let mut ids = self.ids.lock().unwrap_or_else(PoisonError::into_inner);
        let Ids { open, kept, hearers } = &mut *ids;
        kept.retain(|client, _| clients.contains(client));
        hearers.retain(|client, _| open.contains_key(client) || kept.contains_key(client));
    }

    /// Whether one more client may hear something.
    pub(crate) fn may_hear(&self, user: Option<&str>, client: &str) -> bool {
        let mut ids = self.ids.lock().unwrap_or_else(PoisonError::into_inner);
        if ids.hearers.contains_key(client) {
            return true;
        }
        let owner = user.map(ToOwned::to_owned);
        let own = ids.hearers.values().filter(|of| **of == owner).count();
        let may = ids.hearers.len() < limits::HEARERS && (user.is_none() || own < limits::HEARERS_PER_USER);
        if may {
            ids.hearers.insert(client.to_owned(), owner);
        }
        may
    }

    /// Whether a client may leave a will that waits: each is a task with a payload, for up to a week.
    pub(crate) fn may_leave_will(&self, user: Option<&str>, client: &str, now: Instant) -> bool {
        let mut wills = self.wills.lock().unwrap_or_else(PoisonError::into_inner);
        wills.retain(|_, (until, _)| *until > now);
        let own = wills.values().filter(|(_, of)| of.as_deref() == user).count();
        wills.contains_key(client)
            || wills.len() < limits::WAITING_WILLS && (user.is_none() || own < limits::WAITING_WILLS_PER_USER)
    }

    /// A client was lost and its will waits.
    pub(crate) fn will_waits(&self, user: Option<&str>, client: &str, until: Instant) {
        let mut wills = self.wills.lock().unwrap_or_else(PoisonError::into_inner);
        wills.insert(client.to_owned(), (until, user.map(ToOwned::to_owned)));
    }

    /// Whether this is to be told: once, and no more once there is much that was told.
    pub(crate) fn tell_once(&self, what: &str) -> bool {
        let mut told = self.told.lock().unwrap_or_else(PoisonError::into_inner);
        told.len() < limits::REFUSALS_TOLD && told.insert(what.chars().take(4 * SHOWN_CHARS).collect())
    }

    /// Tells once that a user may not do something with a topic.
    pub(crate) fn tell_refused(&self, what: &str, user: Option<&str>, topic: &str) {
        let (user, topic) = (user.map_or_else(|| "a client without a name".to_owned(), shown), shown(topic));
        if self.tell_once(&format!("{what} {user} {topic}")) {
            tracing::warn!(
                "{user} may not {what} `{topic}`; if it should, say so under `users` of the embedded broker"
            );
        }
    }
}

impl Retained {
    fn let_go(&mut self, topic: &str) {
        let Some((size, owner)) = self.topics.remove(topic) else { return };
        self.bytes = self.bytes.saturating_sub(size);
        if let Some(own) = self.by_user.get_mut(&owner) {
            *own = (own.0.saturating_sub(1), own.1.saturating_sub(size));
            if own.0 == 0 {
                self.by_user.remove(&owner);
            }
        }
    }
}

/// A text from outside as a line of the log may show it.
pub(crate) fn shown(text: &str) -> String {
    let mut out: String = text.chars().take(SHOWN_CHARS).flat_map(char::escape_debug).collect();
    if text.chars().nth(SHOWN_CHARS).is_some() {
        out.push('…');
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_user_fills_its_own_share_and_no_more() {
        let holdings = Holdings::default();
        let mut kept = 0;
        while holdings.may_keep(Some("flood"), &format!("t/{kept}"), 10) {
            kept += 1;
        }
        assert_eq!(kept, limits::RETAINED_PER_USER);
        assert!(holdings.may_keep(Some("flood"), "t/7", 20), "a topic that it has may change");
        assert!(holdings.may_keep(Some("north-1"), "yard/north-1/status", 7), "others have room");
        holdings.let_go("t/7");
        assert!(holdings.may_keep(Some("flood"), "t/new", 10), "what was taken away makes room");
        assert!(!holdings.may_keep(Some("north-1"), "yard/north-1/long", limits::RETAINED_MESSAGE_BYTES + 1));
        let mut bytes = 0;
        while holdings.may_keep(Some("fat"), &format!("f/{bytes}"), limits::RETAINED_MESSAGE_BYTES) {
            bytes += 1;
        }
        assert!(bytes * limits::RETAINED_MESSAGE_BYTES <= limits::RETAINED_BYTES_PER_USER, "{bytes}");
        for topic in holdings.retained.lock().map(|r| r.topics.keys().cloned().collect::<Vec<_>>()).unwrap_or_default()
        {
            holdings.let_go(&topic);
        }
        let retained = holdings.retained.lock().map(|r| (r.bytes, r.by_user.len()));
        assert_eq!(retained.ok(), Some((0, 0)), "nothing is counted twice");
    }

    #[test]
    fn nobody_takes_the_client_id_of_another_user() {
        let holdings = Holdings::default();
        holdings.opened(Some("north-1"), "probe");
        assert!(!holdings.may_use_id(Some("south-1"), "probe"));
        assert!(holdings.may_use_id(Some("north-1"), "probe"), "its own may come again");
        assert!(holdings.closed(Some("north-1"), "probe", true));
        assert!(!holdings.may_use_id(Some("south-1"), "probe"), "nor a session that waits");
        holdings.still_there(&BTreeSet::new());
        assert!(holdings.may_use_id(Some("south-1"), "probe"), "its time has passed");
    }

    #[test]
    fn wills_that_wait_have_an_end() {
        let (holdings, now) = (Holdings::default(), Instant::now());
        let later = now + std::time::Duration::from_secs(60);
        let mut wills = 0;
        while holdings.may_leave_will(Some("flood"), &format!("c{wills}"), now) {
            holdings.will_waits(Some("flood"), &format!("c{wills}"), later);
            wills += 1;
        }
        assert_eq!(wills, limits::WAITING_WILLS_PER_USER);
        assert!(holdings.may_leave_will(Some("flood"), "c0", now), "one that has a place may come again");
        assert!(holdings.may_leave_will(Some("north-1"), "probe", now), "others have room");
        assert!(holdings.may_leave_will(Some("flood"), "new", later), "their time has passed");
    }

    #[test]
    fn sessions_and_hearers_have_an_end() {
        let holdings = Holdings::default();
        let mut sessions = 0;
        loop {
            let client = format!("s{sessions}");
            holdings.opened(None, &client);
            if !holdings.closed(None, &client, true) {
                break;
            }
            sessions += 1;
        }
        assert_eq!(sessions, limits::SESSIONS);
        let mut hearers = 0;
        while holdings.may_hear(Some("panel"), &format!("h{hearers}")) {
            hearers += 1;
        }
        assert_eq!(hearers, limits::HEARERS_PER_USER);
        assert!(holdings.may_hear(Some("panel"), "h0"), "it has a place");
        assert!(holdings.may_hear(Some("crew"), "c0"), "another user has one too");
        holdings.still_there(&BTreeSet::new());
        assert!(holdings.may_hear(Some("panel"), "new"), "those that are gone make room");
    }
}
