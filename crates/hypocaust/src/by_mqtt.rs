//! What people say over MQTT, entries of the log and acknowledgements: who may, what it becomes, and the answer.
//!
//! Must never take anything whose word does not prove who said it, and never repeat that word anywhere.

use std::collections::BTreeMap;

use decode::Written;
use engine::effect::Effect;
use pile::time::{Span, Timestamp};
use seal::merkle::{Hash, sha256};
use site::entry::{BatchId, Entry};
use site::ids::BinId;
use site::model::Site;
use site::plausible;
use site::zone::parse_instant;

use crate::secrets::{self, SecretError};

/// The hashes of the words that prove who somebody is, by name, and how often somebody guessed.
#[derive(Clone, Default)]
pub struct Tokens {
    hashes: BTreeMap<String, Hash>,
    /// Wrong words by name; names that nobody has share one line.
    wrong: BTreeMap<String, Wrong>,
}

/// Wrong words since an instant.
#[derive(Clone, Copy)]
struct Wrong {
    since: Timestamp,
    times: u32,
}

/// Why a word proves nothing.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NotProven {
    /// It is not theirs, or nobody has that name, or they have no word.
    Wrong,
    /// There were many wrong ones, and none is looked at for the rest of the minute.
    Resting,
}

impl std::fmt::Display for NotProven {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            NotProven::Wrong => {
                "name and token do not go together; ask who keeps the settings (`log_token_file` under `people`)"
            }
            NotProven::Resting => {
                "there were too many wrong tokens for that name; send it again in a minute, or use `hypocaust` on the site's machine"
            }
        })
    }
}

impl std::fmt::Debug for Tokens {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_set().entries(self.hashes.keys()).finish()
    }
}

/// Wrong words for one name in a minute; then it rests. Nobody types so many, and at this rate a word of 16 characters is never guessed.
const WRONG_A_MINUTE: u32 = 10;
/// What counts as a minute.
const COUNTED_OVER: Span = Span::minutes(1);

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
        Ok(Tokens { hashes: all, wrong: BTreeMap::new() })
    }

    /// The name of whoever said something over MQTT: `by` is a name or an address, the token is theirs.
    ///
    /// # Errors
    /// [`NotProven`]; nobody learns which of the two was wrong.
    pub fn person(&mut self, site: &Site, by: &str, token: &str, now: Timestamp) -> Result<String, NotProven> {
        let person = site.people.iter().find(|p| p.name == by || p.mail == by);
        let known = person.and_then(|p| self.hashes.get_key_value(&p.name));
        let line = known.map_or_else(String::new, |(name, _)| name.clone());
        let before = self.wrong.get(&line).filter(|wrong| now.since(wrong.since) < COUNTED_OVER).copied();
        if before.is_some_and(|wrong| wrong.times >= WRONG_A_MINUTE) {
            return Err(NotProven::Resting);
        }
        // The time it takes tells nothing of the word: digests are compared, and all of them whatever differs.
        let given = sha256(token.trim().as_bytes());
        if let Some((name, hash)) = known
            && hash.0.iter().zip(&given.0).fold(0, |differ, (a, b)| differ | (a ^ b)) == 0
        {
            return Ok(name.clone());
        }
        let Wrong { since, times } = before.unwrap_or(Wrong { since: now, times: 0 });
        self.wrong.insert(line, Wrong { since, times: times + 1 });
        Err(NotProven::Wrong)
    }

    /// The entry that a message asks for, by whoever proved to be it.
    ///
    /// # Errors
    /// A sentence for whoever wrote it, with the next step.
    pub fn entry(site: &Site, written: &Written, by: &str) -> Result<Entry, String> {
        let bin = BinId::new(&written.bin).map_err(|e| e.to_string())?;
        // A broker may bring it later, or twice: it says the same instant whenever it comes.
        let at = parse_instant(&written.at, &site.zone).map_err(|why| {
            format!("`at`: {why}; a message may arrive on another day, so `16:30` and `yesterday 16:30` are not taken")
        })?;
        let kind = ledger::entry_of_text(&written.says)
            .map_err(|e| format!("`says` cannot be read: {e}; write it as `hypocaust log list --json` shows it"))?;
        // What is out of range altogether is told by the log itself.
        let in_range =
            kind.check_least_in(site.display).and_then(|()| kind.check_in(&written.note, site.display)).is_ok();
        let doubt = plausible::doubt(site.bins.get(&bin), &kind, site.display).filter(|_| in_range && !written.really);
        if let Some(doubt) = doubt {
            return Err(format!("{doubt}; correct the number, or confirm it with `\"really\": true`"));
        }
        let batch = written.batch.map(BatchId);
        Ok(Entry { batch, ..Entry::new(at, bin, kind, by, &written.note) })
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
