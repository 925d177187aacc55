//! Signed notes and checkpoints (C2SP signed-note, tlog-checkpoint) with Ed25519 keys.
//!
//! Must never print a private key but where its file is written, and never sign two checkpoints that contradict each other.

use std::fmt;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use ed25519_dalek::{Signature, Signer as _, SigningKey, VerifyingKey};

use crate::merkle::{Hash, sha256};

/// The byte that stands for Ed25519 in keys.
const ED25519: u8 = 1;
/// What a private key begins with.
const PRIVATE: &str = "PRIVATE+KEY+";

/// What is wrong with a key or a note.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NoteError {
    /// A key's text.
    #[error("this is no key of the form name+id+base64: {0}")]
    Key(&'static str),
    /// A note's text.
    #[error("this is no signed note: {0}")]
    Note(&'static str),
    /// There is no signature by the key.
    #[error("it is not signed by {0}")]
    NotSigned(String),
    /// The signature does not fit.
    #[error("the signature by {0} does not fit the text: one of the two was changed")]
    Changed(String),
    /// The text of a checkpoint.
    #[error("this is no checkpoint: {0}")]
    Checkpoint(&'static str),
}

/// A key that checks signatures; its text is `name+id+base64`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct VerifierKey {
    name: String,
    key: VerifyingKey,
}

/// A key that signs.
pub struct SignerKey {
    name: String,
    key: SigningKey,
}

/// Where a record stood: its name, its number of rows, the root over them.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Checkpoint {
    /// The record's name; also the name of its key.
    pub origin: String,
    /// How many rows.
    pub size: u64,
    /// The root over them.
    pub root: Hash,
}

impl VerifierKey {
    /// Reads a key.
    ///
    /// # Errors
    /// [`NoteError::Key`] with what is wrong.
    pub fn parse(text: &str) -> Result<VerifierKey, NoteError> {
        let mut parts = text.trim().splitn(3, '+');
        let (Some(name), Some(id), Some(data)) = (parts.next(), parts.next(), parts.next()) else {
            return Err(NoteError::Key("it has fewer than three parts"));
        };
        let key = key_bytes(name, data)?;
        let key = VerifyingKey::from_bytes(&key).map_err(|_| NoteError::Key("its bytes are no point of the curve"))?;
        let key = VerifierKey { name: name.to_owned(), key };
        if hex(key.id()) == id { Ok(key) } else { Err(NoteError::Key("its id is not that of its name and bytes")) }
    }

    /// Its name.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The first four bytes of SHA-256 over name, line feed, kind and key.
    fn id(&self) -> [u8; 4] {
        let bytes = [self.name.as_bytes(), b"\n", &[ED25519], self.key.as_bytes()].concat();
        let [a, b, c, d, ..] = sha256(&bytes).0;
        [a, b, c, d]
    }

    /// The text of a note, where its signature by this key fits.
    ///
    /// # Errors
    /// [`NoteError`]; then nothing of it is to be believed.
    pub fn open<'n>(&self, note: &'n str) -> Result<&'n str, NoteError> {
        let end = note.rfind("\n\n").ok_or(NoteError::Note("it has no blank line before its signatures"))?;
        let (text, signatures) = (&note[..=end], &note[end + 2..]);
        if !signatures.ends_with('\n') {
            return Err(NoteError::Note("its last line is cut short"));
        }
        let mut outcome = Err(NoteError::NotSigned(self.to_string()));
        for line in signatures.lines() {
            let parts = line.strip_prefix("— ").and_then(|rest| rest.split_once(' '));
            let (name, data) = parts.ok_or(NoteError::Note("a signature line is not `— name base64`"))?;
            let bytes = STANDARD.decode(data).map_err(|_| NoteError::Note("a signature is no base64"))?;
            let (id, signature) = bytes.split_at_checked(4).ok_or(NoteError::Note("a signature is too short"))?;
            // Signatures by other keys, witnesses for one, may stand beside ours.
            if name != self.name || id != self.id() {
                continue;
            }
            let signature =
                Signature::from_slice(signature).map_err(|_| NoteError::Note("a signature is too short"))?;
            self.key.verify_strict(text.as_bytes(), &signature).map_err(|_| NoteError::Changed(self.to_string()))?;
            outcome = Ok(text);
        }
        outcome
    }
}

impl fmt::Display for VerifierKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let data = STANDARD.encode([&[ED25519][..], self.key.as_bytes()].concat());
        write!(f, "{}+{}+{data}", self.name, hex(self.id()))
    }
}

impl SignerKey {
    /// A key of 32 random bytes under a name.
    ///
    /// # Errors
    /// [`NoteError::Key`] where the name is empty or has white space or `+` in it.
    pub fn new(name: &str, secret: &[u8; 32]) -> Result<SignerKey, NoteError> {
        name_fits(name)?;
        Ok(SignerKey { name: name.to_owned(), key: SigningKey::from_bytes(secret) })
    }

    /// Reads what [`SignerKey::secret_text`] wrote.
    ///
    /// # Errors
    /// [`NoteError::Key`] with what is wrong.
    pub fn parse(text: &str) -> Result<SignerKey, NoteError> {
        let rest = text.trim().strip_prefix(PRIVATE).ok_or(NoteError::Key("it does not begin with PRIVATE+KEY+"))?;
        let mut parts = rest.splitn(3, '+');
        let (Some(name), Some(id), Some(data)) = (parts.next(), parts.next(), parts.next()) else {
            return Err(NoteError::Key("it has too few parts"));
        };
        let signer = SignerKey::new(name, &key_bytes(name, data)?)?;
        if hex(signer.verifier().id()) == id {
            Ok(signer)
        } else {
            Err(NoteError::Key("its id is not that of its name and bytes"))
        }
    }

    /// The private key as its file holds it.
    pub fn secret_text(&self) -> String {
        let data = STANDARD.encode([&[ED25519][..], self.key.as_bytes()].concat());
        format!("{PRIVATE}{}+{}+{data}\n", self.name, hex(self.verifier().id()))
    }

    /// The key that checks what this one signs.
    pub fn verifier(&self) -> VerifierKey {
        VerifierKey { name: self.name.clone(), key: self.key.verifying_key() }
    }

    /// Its name.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// A note of this text, which must end with a line feed.
    ///
    /// # Errors
    /// [`NoteError::Note`] where it does not.
    pub fn sign(&self, text: &str) -> Result<String, NoteError> {
        if !text.ends_with('\n') {
            return Err(NoteError::Note("its text does not end with a line feed"));
        }
        let signature = self.key.sign(text.as_bytes()).to_bytes();
        let data = STANDARD.encode([&self.verifier().id()[..], &signature].concat());
        Ok(format!("{text}\n— {} {data}\n", self.name))
    }
}

impl fmt::Debug for SignerKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "SignerKey({})", self.name)
    }
}

impl Checkpoint {
    /// The text that is signed.
    pub fn text(&self) -> String {
        format!("{}\n{}\n{}\n", self.origin, self.size, STANDARD.encode(self.root.0))
    }

    /// Reads the text of a note that was opened.
    ///
    /// # Errors
    /// [`NoteError::Checkpoint`] with what is wrong.
    pub fn parse(text: &str) -> Result<Checkpoint, NoteError> {
        let mut lines = text.lines();
        let origin = lines.next().filter(|o| !o.is_empty()).ok_or(NoteError::Checkpoint("it names no record"))?;
        let size = lines.next().unwrap_or_default();
        let plain = size == "0" || !size.starts_with(['0', '+']);
        let size =
            size.parse().ok().filter(|_| plain).ok_or(NoteError::Checkpoint("its second line is no number of rows"))?;
        let root = lines.next().and_then(from_base64).ok_or(NoteError::Checkpoint("its third line is no hash"))?;
        Ok(Checkpoint { origin: origin.to_owned(), size, root })
    }

    /// Reads a signed checkpoint whose signature fits and whose name is that of the key.
    ///
    /// # Errors
    /// [`NoteError`].
    pub fn open(note: &str, key: &VerifierKey) -> Result<Checkpoint, NoteError> {
        let checkpoint = Checkpoint::parse(key.open(note)?)?;
        if checkpoint.origin == key.name() {
            Ok(checkpoint)
        } else {
            Err(NoteError::Checkpoint("it is signed by the key of another record"))
        }
    }
}

/// A checkpoint as it was signed, from one that was copied out of a mail: indented, with other line ends or without its last one. None of its
/// lines begins or ends with white space, so nothing that is signed is lost.
pub fn unfolded(text: &str) -> String {
    let lines: Vec<&str> = text.lines().map(str::trim).collect();
    let first = lines.iter().position(|line| !line.is_empty()).unwrap_or(0);
    let end = lines.iter().rposition(|line| !line.is_empty()).map_or(0, |last| last + 1);
    lines.get(first..end).unwrap_or_default().iter().map(|line| format!("{line}\n")).collect()
}

/// A hash of 44 base64 characters.
pub(crate) fn from_base64(text: &str) -> Option<Hash> {
    STANDARD.decode(text).ok()?.try_into().ok().map(Hash)
}

/// A hash as base64.
pub(crate) fn to_base64(hash: Hash) -> String {
    STANDARD.encode(hash.0)
}

fn key_bytes(name: &str, data: &str) -> Result<[u8; 32], NoteError> {
    name_fits(name)?;
    let bytes = STANDARD.decode(data).map_err(|_| NoteError::Key("its last part is no base64"))?;
    match bytes.split_first() {
        Some((&ED25519, key)) => key.try_into().map_err(|_| NoteError::Key("it has not 32 bytes")),
        _ => Err(NoteError::Key("it is no Ed25519 key")),
    }
}

fn name_fits(name: &str) -> Result<(), NoteError> {
    if name.is_empty() || name.contains(|c: char| c.is_whitespace() || c == '+') {
        return Err(NoteError::Key("its name is empty, or has white space or `+` in it"));
    }
    Ok(())
}

fn hex(id: [u8; 4]) -> String {
    format!("{:08x}", u32::from_be_bytes(id))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use proptest::prelude::*;

    const NOTE: &str = include_str!("../../../tests/reference/integrity/checkpoint.txt");
    const KEY: &str = include_str!("../../../tests/reference/integrity/checkpoint.vkey");
    /// The example of the C2SP signed-note specification (revision 5ba5ee8), as its Go implementation has it too.
    const PETER: &str = "PeterNeumann+c74f20a3+ARpc2QcUPDhMQegwxbzhKqiBfsVkmqq/LDE4izWy10TW";
    const SAYING: &str = "If you think cryptography is the answer to your problem,\n\
        then you don't know what your problem is.\n\n\
        — PeterNeumann x08go/ZJkuBS9UG/SffcvIAQxVBtiFupLLr8pAcElZInNIuGUgYN1FFYC2pZSNXgKvqfqdngotpRZb6KE6RyyBwJnAM=\n";

    fn test_key() -> SignerKey {
        let bytes: Vec<u8> = (0..32).collect();
        SignerKey::new("site1.example/log", &bytes.try_into().unwrap()).unwrap()
    }

    #[test]
    fn the_published_example_verifies() {
        let key = VerifierKey::parse(PETER).unwrap();
        assert_eq!(key.to_string(), PETER);
        assert!(key.open(SAYING).unwrap().ends_with("what your problem is.\n"));
        assert_eq!(key.open(&SAYING.replace("problem is", "Problem is")), Err(NoteError::Changed(PETER.into())));
    }

    #[test]
    fn the_reference_checkpoint_verifies_and_is_made_again_byte_for_byte() {
        let key = VerifierKey::parse(KEY).unwrap();
        let checkpoint = Checkpoint::open(NOTE, &key).unwrap();
        assert_eq!((checkpoint.origin.as_str(), checkpoint.size), ("site1.example/log", 6));
        let expected = include_str!("../../../tests/reference/integrity/chain.expected.json");
        assert!(expected.contains(&checkpoint.root.to_hex()), "its root is that of the reference chain");
        assert_eq!(test_key().verifier(), key);
        assert_eq!(test_key().sign(&checkpoint.text()).unwrap(), NOTE);
        let again = SignerKey::parse(&test_key().secret_text()).unwrap();
        assert_eq!(again.sign(&checkpoint.text()).unwrap(), NOTE, "a private key comes back from its file");
        assert!(
            !format!("{:?}", test_key()).contains(STANDARD.encode([1, 0, 1, 2]).trim_end_matches('=')),
            "and is not printed"
        );
    }

    #[test]
    fn keys_and_notes_that_are_none_are_refused() {
        for (text, why) in [
            ("", "nothing"),
            ("name+4857898f", "too few parts"),
            ("site1.example/log+4857898e+AQOhB7/zzhC+HXDdGOdLwJln5NYwm6UNXx3chmQSVTG4", "another id"),
            ("site2.example/log+4857898f+AQOhB7/zzhC+HXDdGOdLwJln5NYwm6UNXx3chmQSVTG4", "another name"),
            ("site1.example/log+4857898f+AgOhB7/zzhC+HXDdGOdLwJln5NYwm6UNXx3chmQSVTG4", "another kind of key"),
            ("site1.example/log+4857898f+AQOhB7/z", "too few bytes"),
            ("a b+4857898f+AQOhB7/zzhC+HXDdGOdLwJln5NYwm6UNXx3chmQSVTG4", "a name with a space"),
        ] {
            assert!(VerifierKey::parse(text).is_err(), "{why}");
        }
        let key = VerifierKey::parse(KEY).unwrap();
        assert!(matches!(VerifierKey::parse(PETER).unwrap().open(NOTE), Err(NoteError::NotSigned(_))), "another key");
        assert!(matches!(key.open("text\n"), Err(NoteError::Note(_))), "no signatures");
        assert!(matches!(key.open(NOTE.trim_end()), Err(NoteError::Note(_))), "cut short");
        let other = SignerKey::new("site1.example/log", &[7; 32]).unwrap();
        assert!(
            matches!(key.open(&other.sign("x\n").unwrap()), Err(NoteError::NotSigned(_))),
            "same name, another key"
        );
        assert!(test_key().sign("no line feed").is_err());
        for (text, why) in [
            ("", "nothing"),
            ("a\n06\nXDCFgvMsg2G7MPaF+ghKdWwS/MO4Pd2OxnJCZYs4aLU=\n", "a leading zero"),
            ("a\n6\nXDCF\n", "a short hash"),
            ("a\n-6\nXDCFgvMsg2G7MPaF+ghKdWwS/MO4Pd2OxnJCZYs4aLU=\n", "rows below zero"),
        ] {
            assert!(Checkpoint::parse(text).is_err(), "{why}");
        }
        let foreign = test_key().sign("other.example/log\n6\nXDCFgvMsg2G7MPaF+ghKdWwS/MO4Pd2OxnJCZYs4aLU=\n").unwrap();
        assert!(
            matches!(Checkpoint::open(&foreign, &key), Err(NoteError::Checkpoint(_))),
            "a checkpoint of another record"
        );
    }

    #[test]
    fn a_checkpoint_out_of_a_mail_is_the_one_that_was_signed() {
        let key = VerifierKey::parse(KEY).unwrap();
        let indented: String = NOTE.lines().map(|line| format!("    {line}  \r\n")).collect();
        for (text, why) in [
            (NOTE.to_owned(), "as it was"),
            (NOTE.trim_end().to_owned(), "without its last line feed"),
            (indented, "indented, with other line ends"),
            (format!("\n\n{NOTE}\n\n"), "with empty lines about it"),
        ] {
            assert_eq!(unfolded(&text), NOTE, "{why}");
            assert!(Checkpoint::open(&unfolded(&text), &key).is_ok(), "{why}");
        }
        let changed = NOTE.replacen('6', "7", 1);
        assert!(Checkpoint::open(&unfolded(&changed), &key).is_err(), "another number is another checkpoint");
    }

    proptest! {
        #[test]
        fn a_changed_byte_anywhere_breaks_the_note(place in 0usize..181, byte in any::<u8>()) {
            let mut bytes = NOTE.as_bytes().to_vec();
            let place = place % bytes.len();
            prop_assume!(bytes[place] != byte);
            bytes[place] = byte;
            let key = VerifierKey::parse(KEY).unwrap();
            if let Ok(text) = String::from_utf8(bytes) {
                prop_assert!(key.open(&text).is_err());
            }
        }
    }
}
