//! Who may connect to the broker inside, and what they may do there.
//!
//! Must never log or store a password, and never let an unknown user through on an address that other machines reach.

use std::collections::BTreeMap;
use std::future::Future;
use std::net::{IpAddr, SocketAddr};
use std::pin::Pin;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, OnceLock, PoisonError, Weak};
use std::time::Duration;

use mqtt5::broker::auth::{AuthProvider, AuthResult, PasswordAuthProvider};
use mqtt5::broker::router::MessageRouter;
use mqtt5::packet::connect::ConnectPacket;
use mqtt5::protocol::v5::reason_codes::ReasonCode;
use sha2::{Digest, Sha256};
use site::access::Access;
use tokio::sync::{OwnedSemaphorePermit, Semaphore, mpsc, oneshot};
use tokio::time::{Instant, sleep_until};

use crate::gate::{Place, network};
use crate::holdings::{Holdings, shown};
use crate::{IntakeError, limits};

/// How a password is on record.
enum OnRecord {
    /// Written out in the file; the memory holds its digest.
    Plain(Proof),
    Argon2(String),
}

/// A password as the memory holds it: with a key that this process alone has and nobody ever sees.
type Proof = [u8; 32];

/// Knows the users, and what each has left with the broker.
pub(crate) struct Doorkeeper {
    /// `None` on a loopback address without passwords: whoever is on this machine may connect.
    users: Option<BTreeMap<String, OnRecord>>,
    key: [u8; 32],
    /// Passwords that an Argon2 hash has proven. Three hundred probes that reconnect at once must not cost 300 hashes.
    proven: Mutex<BTreeMap<String, Proof>>,
    wrong: Mutex<BTreeMap<(IpAddr, String), Wrong>>,
    turns: Arc<Semaphore>,
    hashing: mpsc::Sender<Guess>,
    pub(crate) access: Arc<Access>,
    pub(crate) holdings: Holdings,
    /// The delay of each client's will: the connect event does not carry it.
    pub(crate) will_delays: Mutex<BTreeMap<String, u32>>,
    /// Weak, for the router holds who holds this.
    pub(crate) router: OnceLock<Weak<MessageRouter>>,
}

/// A password to be held against a hash, with the turn that it takes and whoever waits.
struct Guess {
    password: String,
    hash: String,
    fits: oneshot::Sender<bool>,
    _turn: OwnedSemaphorePermit,
}

/// Starts the threads that hash. They are our own: a hash takes 19 MB, and the system keeps as much for every thread that ever computed
/// one; of the runtime's threads that would be dozens.
fn hashers() -> std::io::Result<mpsc::Sender<Guess>> {
    let (guesses, received) = mpsc::channel::<Guess>(limits::HASHES_AT_ONCE);
    let received = Arc::new(Mutex::new(received));
    for _ in 0..limits::HASHES_AT_ONCE {
        let received = Arc::clone(&received);
        let work = move || {
            loop {
                // The lock is let go before the work begins; the threads end with the doorkeeper.
                let next = received.lock().unwrap_or_else(PoisonError::into_inner).blocking_recv();
                let Some(Guess { password, hash, fits, _turn }) = next else { return };
                // Whoever has hung up costs nothing.
                if !fits.is_closed() {
                    let _ = fits.send(PasswordAuthProvider::verify_password(&password, &hash));
                }
            }
        };
        std::thread::Builder::new().name("passwords".into()).spawn(work)?;
    }
    Ok(guesses)
}

/// Wrong passwords of one address for one user.
#[derive(Clone, Copy, Debug)]
struct Wrong {
    times: u32,
    /// No further guess is tried before.
    until: Instant,
}

impl Doorkeeper {
    /// Reads the text of the password file.
    pub(crate) fn new(clients: Option<&str>, access: Arc<Access>) -> Result<Doorkeeper, IntakeError> {
        let mut key = [0; 32];
        let random = rustls::crypto::ring::default_provider().secure_random;
        random.fill(&mut key).map_err(|_| IntakeError::Library { why: "the system gives no random bytes".into() })?;
        let users = clients.map(|text| read(text, &key)).transpose()?;
        let hashing = hashers().map_err(|e| IntakeError::Library { why: format!("no thread can be started: {e}") })?;
        Ok(Doorkeeper {
            users,
            key,
            proven: Mutex::default(),
            wrong: Mutex::default(),
            turns: Arc::new(Semaphore::new(limits::HASHES_AT_ONCE)),
            hashing,
            access,
            holdings: Holdings::default(),
            will_delays: Mutex::default(),
            router: OnceLock::new(),
        })
    }

    async fn admits(&self, user: Option<&str>, password: Option<&[u8]>, from: IpAddr) -> bool {
        let Some(users) = &self.users else { return true };
        let (Some(user), Some(password)) = (user, password) else { return false };
        if user.len() > limits::LOGIN_BYTES_MAX || password.len() > limits::LOGIN_BYTES_MAX {
            return false;
        }
        let given = proof(&self.key, user, password);
        let record = users.get(user);
        // What is known in an instant is never made to wait, whatever others guess from the same address.
        let known = match record {
            Some(OnRecord::Plain(known)) => Some(*known),
            Some(OnRecord::Argon2(_)) => self.proven.lock().unwrap_or_else(PoisonError::into_inner).get(user).copied(),
            None => None,
        };
        if known.is_some_and(|known| same(&known, &given)) {
            return true;
        }
        let begun = Instant::now();
        // Strangers share one line: they cost no hash, and their names are theirs to choose.
        let line = (network(from), if record.is_some() { user.to_owned() } else { String::new() });
        if let Some(OnRecord::Argon2(hash)) = record
            && self.may_guess(&line, begun)
            && self.fits(&line, password, hash).await
        {
            self.wrong.lock().unwrap_or_else(PoisonError::into_inner).remove(&line);
            self.proven.lock().unwrap_or_else(PoisonError::into_inner).insert(user.to_owned(), given);
            return true;
        }
        self.note_wrong(line, Instant::now());
        // The same for a wrong password and an unknown user.
        sleep_until(begun + limits::WRONG_PASSWORD_AFTER).await;
        false
    }

    /// Tens of milliseconds and more on a small machine: not on a thread that carries messages, and never many at once.
    async fn fits(&self, line: &(IpAddr, String), password: &[u8], hash: &str) -> bool {
        let Ok(turn) = Arc::clone(&self.turns).acquire_owned().await else { return false };
        // Of many guesses that came at once, those behind the first wrong one are not tried either.
        if !self.may_guess(line, Instant::now()) {
            return false;
        }
        let (fits, told) = oneshot::channel();
        let password = String::from_utf8_lossy(password).into_owned();
        let guess = Guess { password, hash: hash.to_owned(), fits, _turn: turn };
        self.hashing.send(guess).await.is_ok() && told.await.unwrap_or(false)
    }

    fn may_guess(&self, line: &(IpAddr, String), now: Instant) -> bool {
        let wrong = self.wrong.lock().unwrap_or_else(PoisonError::into_inner);
        wrong.get(line).is_none_or(|wrong| now >= wrong.until)
    }

    fn note_wrong(&self, line: (IpAddr, String), now: Instant) {
        let mut wrong = self.wrong.lock().unwrap_or_else(PoisonError::into_inner);
        let before = wrong.get(&line).filter(|before| now < before.until + limits::WRONG_PAUSE_MAX).copied();
        if before.is_none() && wrong.len() >= limits::WRONG_REMEMBERED {
            // The one that would be forgotten first anyhow.
            let first = wrong.iter().min_by_key(|(_, wrong)| wrong.until).map(|(line, _)| line.clone());
            first.map(|line| wrong.remove(&line));
        }
        let times = before.map_or(0, |before| before.times).saturating_add(1);
        let until = match before {
            // A guess that was not tried makes the pause no longer.
            Some(before) if now < before.until => before.until,
            _ => now + pause(times),
        };
        if times.is_power_of_two() {
            tracing::warn!(
                from = %line.0,
                user = if line.1.is_empty() { "(unknown)".to_owned() } else { shown(&line.1) },
                times,
                "a client was turned away: user or password is wrong; correct them in the device or in the broker's password file"
            );
        }
        wrong.insert(line, Wrong { times, until });
    }
}

/// How long no further guess is tried after so many wrong ones.
fn pause(times: u32) -> Duration {
    let doubled = 1_u32.checked_shl(times.saturating_sub(1)).unwrap_or(u32::MAX);
    limits::WRONG_PASSWORD_AFTER.saturating_mul(doubled).min(limits::WRONG_PAUSE_MAX)
}

/// The doorkeeper as one connection meets it.
pub(crate) struct Visitor {
    pub(crate) keeper: Arc<Doorkeeper>,
    pub(crate) from: SocketAddr,
    pub(crate) place: Arc<Place>,
    /// MQTT 5: a refusal can be told. Before it, a broker acknowledges a message that it drops, or ends the connection.
    pub(crate) can_be_told: AtomicBool,
}

impl Visitor {
    /// Why a client is not let in, or `None`.
    async fn refusal(&self, connect: &ConnectPacket) -> Option<(ReasonCode, &'static str)> {
        let keeper = &self.keeper;
        let user = connect.username.as_deref().filter(|_| keeper.users.is_some());
        if connect.client_id.len() > limits::CLIENT_ID_BYTES_MAX {
            return Some((ReasonCode::ClientIdentifierNotValid, "its client id is longer than 128 bytes"));
        }
        if !keeper.admits(connect.username.as_deref(), connect.password.as_deref(), self.from.ip()).await {
            // Told where it is counted.
            return Some((ReasonCode::BadUsernameOrPassword, ""));
        }
        if !keeper.holdings.may_use_id(user, &connect.client_id) {
            return Some((ReasonCode::NotAuthorized, "another user has its client id"));
        }
        if let Some(will) = &connect.will {
            // Once it is in, the library asks for a will as it asks for a message, and nobody sees the will's payload.
            if !keeper.access.may_publish(user, &will.topic) || keeper.access.carries_tokens(&will.topic) {
                return Some((
                    ReasonCode::NotAuthorized,
                    "it may not leave a will on that topic (`users` of the broker)",
                ));
            }
            let long = will.payload.len() > limits::RETAINED_MESSAGE_BYTES;
            if will.retain && (long || !keeper.holdings.may_keep(user, &will.topic, will.payload.len())) {
                return Some((ReasonCode::QuotaExceeded, "its retained will has no room"));
            }
            let waits = will.properties.will_delay_interval.is_some_and(|delay| delay > 0);
            if waits && !keeper.holdings.may_leave_will(user, &connect.client_id, Instant::now()) {
                return Some((ReasonCode::QuotaExceeded, "as many wills wait for their delay as may"));
            }
        }
        if !self.place.proven(user) {
            return Some((ReasonCode::QuotaExceeded, "its user has as many connections as one may have"));
        }
        None
    }
}

impl AuthProvider for Visitor {
    fn authenticate<'a>(
        &'a self,
        connect: &'a ConnectPacket,
        _client_addr: SocketAddr,
    ) -> Pin<Box<dyn Future<Output = mqtt5::Result<AuthResult>> + Send + 'a>> {
        Box::pin(async move {
            let keeper = &self.keeper;
            self.can_be_told.store(connect.protocol_version >= 5, Ordering::Relaxed);
            if let Some((code, why)) = self.refusal(connect).await {
                let client = shown(&connect.client_id);
                if !why.is_empty() && keeper.holdings.tell_once(&format!("in {client} {why}")) {
                    tracing::warn!(client, from = %self.from, "a client was turned away: {why}");
                }
                return Ok(AuthResult::fail(code));
            }
            let delay = connect.will.as_ref().and_then(|will| will.properties.will_delay_interval);
            if let Some(delay) = delay {
                let mut delays = keeper.will_delays.lock().unwrap_or_else(PoisonError::into_inner);
                // A connection that breaks before it is whole leaves its line behind; its client writes over it when it is back.
                if delays.len() < 2 * limits::CONNECTIONS {
                    delays.insert(connect.client_id.clone(), delay);
                }
            }
            // Without passwords a name proves nothing.
            Ok(match connect.username.as_ref().filter(|_| keeper.users.is_some()) {
                Some(user) => AuthResult::success_with_user(user.clone()),
                None => AuthResult::success(),
            })
        })
    }

    fn authorize_publish<'a>(
        &'a self,
        _client_id: &str,
        user_id: Option<&'a str>,
        topic: &'a str,
    ) -> Pin<Box<dyn Future<Output = bool> + Send + 'a>> {
        // Before MQTT 5 the answer would break the connection; there the hook drops the message.
        let may = self.keeper.access.may_publish(user_id, topic);
        if !may {
            self.keeper.holdings.tell_refused("publish on", user_id, topic);
        }
        let passes = may || !self.can_be_told.load(Ordering::Relaxed);
        Box::pin(async move { passes })
    }

    fn authorize_subscribe<'a>(
        &'a self,
        client_id: &str,
        user_id: Option<&'a str>,
        topic_filter: &'a str,
    ) -> Pin<Box<dyn Future<Output = bool> + Send + 'a>> {
        let client = client_id.to_owned();
        Box::pin(async move {
            let keeper = &self.keeper;
            if !keeper.access.may_subscribe(user_id, topic_filter) {
                keeper.holdings.tell_refused("subscribe to", user_id, topic_filter);
                return false;
            }
            let Some(router) = keeper.router.get().and_then(Weak::upgrade) else { return false };
            let room =
                router.topic_count().await < limits::FILTERS || router.has_subscription(&client, topic_filter).await;
            if !room || !keeper.holdings.may_hear(user_id, &client) {
                if keeper.holdings.tell_once("subscriptions") {
                    tracing::warn!(
                        client = shown(&client),
                        "a subscription was refused: the broker inside has as many as it may have; give a site with many panels a broker of its own"
                    );
                }
                return false;
            }
            true
        })
    }
}

fn read(text: &str, key: &[u8; 32]) -> Result<BTreeMap<String, OnRecord>, IntakeError> {
    let mut users = BTreeMap::new();
    for (i, line) in text.lines().enumerate() {
        let fault = |why| IntakeError::Passwords { line: i + 1, why };
        let line = line.trim_end_matches('\r');
        if line.trim().is_empty() || line.starts_with('#') {
            continue;
        }
        let (user, password) = line.split_once(':').ok_or_else(|| fault("has no colon"))?;
        if user.is_empty() || password.is_empty() {
            return Err(fault("has an empty user or password"));
        }
        if user.len() > site::access::USER_BYTES_MAX || user.contains(['/', '+', '#']) {
            return Err(fault("has a user name that is longer than 64 bytes or has `/`, `+` or `#` in it"));
        }
        let record = if password.starts_with("$argon2") {
            OnRecord::Argon2(password.to_owned())
        } else if password.chars().count() < limits::PASSWORD_CHARS_MIN {
            return Err(fault("has a password of fewer than 12 characters, which is guessed too soon"));
        } else {
            OnRecord::Plain(proof(key, user, password.as_bytes()))
        };
        if users.insert(user.to_owned(), record).is_some() {
            return Err(fault("names a user for the second time"));
        }
    }
    if users.is_empty() {
        return Err(IntakeError::Passwords { line: 1, why: "and all others name no user" });
    }
    Ok(users)
}

/// A password of a user as the memory holds it.
fn proof(key: &[u8; 32], user: &str, password: &[u8]) -> Proof {
    let mut hash = Sha256::new();
    hash.update(key);
    // A name has no zero byte (MQTT 5.0, section 1.5.4), so that no two pairs give the same bytes.
    hash.update(user.as_bytes());
    hash.update([0]);
    hash.update(password);
    hash.finalize().into()
}

/// Compares without telling by the time it takes how much of a guess was right.
fn same(a: &Proof, b: &Proof) -> bool {
    a.iter().zip(b).fold(0, |differ, (x, y)| differ | (x ^ y)) == 0
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use crate::inlet::sites;

    fn keeper(text: Option<&str>) -> Result<Doorkeeper, IntakeError> {
        Doorkeeper::new(text, Arc::new(Access::new(&sites::with(Vec::new(), &[], &[]))))
    }

    async fn admits(keeper: &Doorkeeper, user: Option<&str>, password: Option<&str>) -> bool {
        keeper.admits(user, password.map(str::as_bytes), IpAddr::from([192, 0, 2, 1])).await
    }

    #[tokio::test]
    async fn only_users_on_record_come_in() {
        let hash = PasswordAuthProvider::hash_password("warm:pile").unwrap();
        let text = format!("# probes\nnorth:a-long-secret\r\n\nsouth:{hash}\n");
        let keeper = keeper(Some(&text)).unwrap();
        for (user, password, want, why) in [
            (Some("north"), Some("a-long-secret"), true, "a plain line"),
            (Some("north"), Some("a-long-secre"), false, "a part of the password"),
            (Some("north"), Some(""), false, "an empty password"),
            (Some("south"), Some("warm:pile"), true, "a hashed line, a colon in the password"),
            (Some("south"), Some("warm:pile"), true, "again, now from memory"),
            (Some("south"), Some("cold"), false, "wrong, though the right one is in memory"),
            (Some("south"), Some("warm:pile"), true, "which costs the right one nothing"),
            (Some("south"), Some(hash.as_str()), false, "the hash is no password"),
            (Some("east"), Some("a-long-secret"), false, "an unknown user"),
            (Some("north"), None, false, "no password"),
            (None, None, false, "anonymous"),
        ] {
            assert_eq!(admits(&keeper, user, password).await, want, "{user:?}: {why}");
        }
        let plain = Sha256::digest(b"warm:pile");
        let held: Vec<Proof> = keeper.proven.lock().unwrap().values().copied().collect();
        assert!(!held.is_empty() && held.iter().all(|proof| *proof != plain[..]), "no plain digest is held either");
        let open = super::tests::keeper(None).unwrap();
        assert!(admits(&open, None, None).await, "without passwords whoever is on this machine comes in");
    }

    #[test]
    fn guesses_are_tried_more_and_more_seldom() {
        let hash = PasswordAuthProvider::hash_password("warm pile of wood").unwrap();
        let keeper = keeper(Some(&format!("south:{hash}\n"))).unwrap();
        let line = (IpAddr::from([192, 0, 2, 1]), "south".to_owned());
        let (mut now, mut pauses) = (Instant::now(), Vec::new());
        for _ in 0..10 {
            assert!(keeper.may_guess(&line, now));
            keeper.note_wrong(line.clone(), now);
            assert!(!keeper.may_guess(&line, now), "not at once");
            keeper.note_wrong(line.clone(), now);
            let until = keeper.wrong.lock().unwrap()[&line].until;
            pauses.push(until - now);
            now = until;
        }
        assert_eq!(pauses[0], limits::WRONG_PASSWORD_AFTER);
        assert!(pauses.windows(2).all(|two| two[1] >= two[0]), "{pauses:?}");
        assert_eq!(pauses[9], limits::WRONG_PAUSE_MAX);
        let other = (IpAddr::from([192, 0, 2, 2]), "south".to_owned());
        assert!(keeper.may_guess(&other, now - Duration::from_secs(1)), "another address is not held up");
        // Many addresses: the table has an end.
        for n in 0..2 * limits::WRONG_REMEMBERED as u32 {
            keeper.note_wrong((IpAddr::from(n.to_be_bytes()), String::new()), now);
        }
        assert_eq!(keeper.wrong.lock().unwrap().len(), limits::WRONG_REMEMBERED);
    }

    #[test]
    fn password_files_are_read_strictly() {
        for (text, line, why) in [
            ("north", 1, "no colon"),
            ("# x\n:secret", 2, "no user"),
            ("north:", 1, "no password"),
            ("north:a-long-secret\nnorth:b-long-secret", 2, "which of the two?"),
            ("north:a-long-secret\nsouth:short", 2, "too short"),
            ("nor/th:a-long-secret", 1, "a name that would be two levels of a topic"),
            ("# nobody\n", 1, "a file that lets nobody in is a mistake"),
            ("", 1, "an empty file too"),
        ] {
            match keeper(Some(text)) {
                Err(IntakeError::Passwords { line: at, .. }) => assert_eq!(at, line, "{text:?}: {why}"),
                _ => panic!("{text:?}: {why}"),
            }
        }
    }
}
