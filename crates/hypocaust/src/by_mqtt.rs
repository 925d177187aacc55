//! Entries of the log that come over MQTT: who may write, what it becomes, and the answer.
//!
//! Must never take an entry whose word does not prove who wrote it, and never repeat that word anywhere.

use std::collections::BTreeMap;

use decode::Written;
use engine::effect::Effect;
use seal::merkle::{Hash, sha256};
use site::entry::Entry;
use site::ids::BinId;
use site::model::Site;
use site::zone::parse_instant;

use crate::secrets::{self, SecretError};

/// The hashes of the words that prove who somebody is, by name.
#[derive(Clone, Default)]
pub struct Tokens(BTreeMap<String, Hash>);

impl std::fmt::Debug for Tokens {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_set().entries(self.0.keys()).finish()
    }
}

/// A shorter word is guessed too soon.
const TOKEN_CHARS_MIN: usize = 16;

/// Why nobody's words can be checked.
#[derive(Debug, thiserror::Error)]
pub enum TokenError {
    /// A file cannot be read.
    #[error("the token of {person}: {source}")]
    Secret {
        /// Whose.
        person: String,
        /// Why.
        source: SecretError,
    },
    /// It is too short.
    #[error(
        "the token of {person} has {chars} characters; give it at least {TOKEN_CHARS_MIN}, such as `openssl rand -hex 16` prints"
    )]
    Short {
        /// Whose.
        person: String,
        /// How long it is.
        chars: usize,
    },
}

impl Tokens {
    /// Reads the words of everybody who has one.
    ///
    /// # Errors
    /// [`TokenError`] with the next step.
    pub fn read(site: &Site) -> Result<Tokens, TokenError> {
        let mut all = BTreeMap::new();
        for person in &site.people {
            let Some(file) = &person.token else { continue };
            let named = || person.name.clone();
            let token = secrets::read(file).map_err(|source| TokenError::Secret { person: named(), source })?;
            let chars = token.trim().chars().count();
            if chars < TOKEN_CHARS_MIN {
                return Err(TokenError::Short { person: named(), chars });
            }
            all.insert(named(), sha256(token.trim().as_bytes()));
        }
        Ok(Tokens(all))
    }

    /// The entry that a message asks for.
    ///
    /// # Errors
    /// A sentence for whoever wrote it, with the next step.
    pub fn entry(&self, site: &Site, written: &Written) -> Result<Entry, String> {
        let person = site.people.iter().find(|p| p.name == written.by || p.mail == written.by);
        let known = person.and_then(|p| self.0.get(&p.name).map(|hash| (p, hash)));
        // Digests are compared, so that the time it takes tells nothing of the word; and nobody learns which of the two was wrong.
        let given = sha256(written.token.trim().as_bytes());
        let Some((person, _)) = known.filter(|(_, hash)| **hash == given) else {
            return Err(
                "name and token do not go together; ask who keeps the settings (`log_token_file` under `people`)"
                    .into(),
            );
        };
        let bin = BinId::new(&written.bin).map_err(|e| e.to_string())?;
        let at = parse_instant(&written.at, &site.zone)?;
        let kind = ledger::entry_of_text(&written.says)
            .map_err(|e| format!("`says` cannot be read: {e}; write it as `hypocaust log list --json` shows it"))?;
        Ok(Entry::new(at, bin, kind, &person.name, &written.note))
    }
}

/// The answer on the topic beside the one of the log.
pub(crate) fn answer(site: &Site, id: &str, said: &Result<String, String>) -> Effect {
    let (key, words) = match said {
        Ok(words) => ("done", words),
        Err(words) => ("refused", words),
    };
    Effect::Publish {
        topic: format!("{}/answer", site.log_topic()),
        payload: serde_json::json!({ "id": id, key: words }).to_string(),
        retain: false,
    }
}
