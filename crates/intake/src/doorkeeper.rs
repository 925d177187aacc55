//! Who may connect to the broker inside.
//!
//! Must never log or store a password, and never let an unknown user through on an address that other machines reach.

use std::collections::BTreeMap;
use std::future::Future;
use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::{Arc, Mutex, PoisonError};

use mqtt5::broker::auth::{AuthProvider, AuthResult, PasswordAuthProvider};
use mqtt5::packet::connect::ConnectPacket;
use mqtt5::protocol::v5::reason_codes::ReasonCode;

use crate::{IntakeError, limits};

/// How a password is on record.
enum OnRecord {
    Plain(String),
    Argon2(String),
}

/// Lets clients in, and notes the delay of each client's will: the connect event does not carry it.
pub(crate) struct Doorkeeper {
    /// `None` on a loopback address without passwords: whoever is on this machine may connect.
    users: Option<BTreeMap<String, OnRecord>>,
    /// Passwords that an Argon2 hash has proven. Three hundred probes that reconnect at once must not cost 300 hashes.
    proven: Mutex<BTreeMap<String, Vec<u8>>>,
    will_delays: Arc<Mutex<BTreeMap<String, u32>>>,
}

impl Doorkeeper {
    /// Reads the text of the password file.
    pub(crate) fn new(
        clients: Option<&str>,
        will_delays: Arc<Mutex<BTreeMap<String, u32>>>,
    ) -> Result<Doorkeeper, IntakeError> {
        let users = clients.map(read).transpose()?;
        Ok(Doorkeeper { users, proven: Mutex::default(), will_delays })
    }

    async fn admits(&self, connect: &ConnectPacket) -> bool {
        let Some(users) = &self.users else { return true };
        let (Some(user), Some(password)) = (&connect.username, &connect.password) else { return false };
        match users.get(user) {
            None => false,
            Some(OnRecord::Plain(known)) => same(known.as_bytes(), password),
            Some(OnRecord::Argon2(hash)) => {
                let proven = self.proven.lock().unwrap_or_else(PoisonError::into_inner).get(user).cloned();
                if proven.is_some_and(|known| same(&known, password)) {
                    return true;
                }
                let (hash, text) = (hash.clone(), String::from_utf8_lossy(password).into_owned());
                // Tens of milliseconds and more on a small machine: not on a thread that carries messages.
                let fits = tokio::task::spawn_blocking(move || PasswordAuthProvider::verify_password(&text, &hash));
                let fits = fits.await.unwrap_or(false);
                if fits {
                    let mut proven = self.proven.lock().unwrap_or_else(PoisonError::into_inner);
                    proven.insert(user.clone(), password.clone());
                }
                fits
            }
        }
    }
}

impl AuthProvider for Doorkeeper {
    fn authenticate<'a>(
        &'a self,
        connect: &'a ConnectPacket,
        client_addr: SocketAddr,
    ) -> Pin<Box<dyn Future<Output = mqtt5::Result<AuthResult>> + Send + 'a>> {
        Box::pin(async move {
            if !self.admits(connect).await {
                tracing::warn!(
                    client = connect.client_id,
                    from = %client_addr,
                    user = connect.username.as_deref().unwrap_or("(none)"),
                    "a client was turned away: user or password is wrong; correct them in the device or in the broker's password file"
                );
                tokio::time::sleep(limits::WRONG_PASSWORD_AFTER).await;
                return Ok(AuthResult::fail(ReasonCode::BadUsernameOrPassword));
            }
            let delay = connect.will.as_ref().and_then(|will| will.properties.will_delay_interval);
            if let Some(delay) = delay {
                let mut delays = self.will_delays.lock().unwrap_or_else(PoisonError::into_inner);
                delays.insert(connect.client_id.clone(), delay);
            }
            Ok(match &connect.username {
                Some(user) => AuthResult::success_with_user(user.clone()),
                None => AuthResult::success(),
            })
        })
    }

    fn authorize_publish<'a>(
        &'a self,
        _client_id: &str,
        _user_id: Option<&'a str>,
        _topic: &'a str,
    ) -> Pin<Box<dyn Future<Output = bool> + Send + 'a>> {
        Box::pin(async { true })
    }

    fn authorize_subscribe<'a>(
        &'a self,
        _client_id: &str,
        _user_id: Option<&'a str>,
        _topic_filter: &'a str,
    ) -> Pin<Box<dyn Future<Output = bool> + Send + 'a>> {
        Box::pin(async { true })
    }
}

fn read(text: &str) -> Result<BTreeMap<String, OnRecord>, IntakeError> {
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
        let record = if password.starts_with("$argon2") {
            OnRecord::Argon2(password.to_owned())
        } else {
            OnRecord::Plain(password.to_owned())
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

/// Compares without telling by the time it takes how much of a guess was right.
fn same(a: &[u8], b: &[u8]) -> bool {
    a.len() == b.len() && a.iter().zip(b).fold(0, |differ, (x, y)| differ | (x ^ y)) == 0
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use mqtt5::ConnectOptions;

    use super::*;

    async fn admits(keeper: &Doorkeeper, user: Option<&str>, password: Option<&str>) -> bool {
        let mut connect = ConnectPacket::new(ConnectOptions::new("probe").protocol_options);
        connect.username = user.map(Into::into);
        connect.password = password.map(|p| p.as_bytes().to_vec());
        keeper.admits(&connect).await
    }

    #[tokio::test]
    async fn only_users_on_record_come_in() {
        let hash = PasswordAuthProvider::hash_password("warm:pile").unwrap();
        let text = format!("# probes\nnorth:s3cret\r\n\nsouth:{hash}\n");
        let keeper = Doorkeeper::new(Some(&text), Arc::default()).unwrap();
        for (user, password, want, why) in [
            (Some("north"), Some("s3cret"), true, "a plain line"),
            (Some("north"), Some("s3cre"), false, "a part of the password"),
            (Some("north"), Some(""), false, "an empty password"),
            (Some("south"), Some("warm:pile"), true, "a hashed line, a colon in the password"),
            (Some("south"), Some("warm:pile"), true, "again, now from memory"),
            (Some("south"), Some("cold"), false, "wrong, though the right one is in memory"),
            (Some("south"), Some(hash.as_str()), false, "the hash is no password"),
            (Some("east"), Some("s3cret"), false, "an unknown user"),
            (Some("north"), None, false, "no password"),
            (None, None, false, "anonymous"),
        ] {
            assert_eq!(admits(&keeper, user, password).await, want, "{user:?}: {why}");
        }
        let open = Doorkeeper::new(None, Arc::default()).unwrap();
        assert!(admits(&open, None, None).await, "without passwords whoever is on this machine comes in");
    }

    #[test]
    fn password_files_are_read_strictly() {
        for (text, line, why) in [
            ("north", 1, "no colon"),
            ("# x\n:secret", 2, "no user"),
            ("north:", 1, "no password"),
            ("north:a\nnorth:b", 2, "which of the two?"),
            ("# nobody\n", 1, "a file that lets nobody in is a mistake"),
            ("", 1, "an empty file too"),
        ] {
            match Doorkeeper::new(Some(text), Arc::default()) {
                Err(IntakeError::Passwords { line: at, .. }) => assert_eq!(at, line, "{text:?}: {why}"),
                _ => panic!("{text:?}: {why}"),
            }
        }
    }
}
