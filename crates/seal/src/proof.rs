//! Proofs as files: that a row is in a record (C2SP tlog-proof), and that one checkpoint's record goes on another's.
//!
//! Must never count as proven what was only read.

use crate::merkle::{self, Hash};
use crate::note::{Checkpoint, NoteError, VerifierKey, from_base64, to_base64};

/// The first line of a proof of a row.
const HEAD: &str = "c2sp.org/tlog-proof@v1";
/// The first line of a proof of consistency; the form is ours, after that of the other.
const CONSISTENCY_HEAD: &str = "hypocaust-consistency-proof@v1";

/// What is wrong with a proof.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ProofError {
    /// Its text.
    #[error("this is no proof: {0}")]
    Text(&'static str),
    /// Its checkpoint.
    #[error("its checkpoint is not to be believed: {0}")]
    Checkpoint(#[from] NoteError),
    /// It proves something else.
    #[error("its hashes do not lead from the row to the checkpoint's root")]
    Fails,
}

/// A proof that a row is in a record.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RowProof {
    /// The row's number.
    pub index: u64,
    /// The hashes from the row to the root.
    pub path: Vec<Hash>,
    /// The signed checkpoint.
    pub checkpoint: String,
}

impl RowProof {
    /// Its file.
    pub fn text(&self) -> String {
        let path: String = self.path.iter().map(|hash| to_base64(*hash) + "\n").collect();
        format!("{HEAD}\nindex {}\n{path}\n{}", self.index, self.checkpoint)
    }

    /// Reads its file.
    ///
    /// # Errors
    /// [`ProofError::Text`].
    pub fn parse(text: &str) -> Result<RowProof, ProofError> {
        let (head, checkpoint) =
            text.split_once("\n\n").ok_or(ProofError::Text("it has no blank line before its checkpoint"))?;
        let mut lines = head.lines().peekable();
        if lines.next() != Some(HEAD) {
            return Err(ProofError::Text("its first line is not c2sp.org/tlog-proof@v1"));
        }
        // The specification lets the one who made the proof add a line of their own; nothing here depends on it.
        let _ = lines.next_if(|line| line.starts_with("extra "));
        let index = lines.next().and_then(|line| line.strip_prefix("index ")).and_then(|n| n.parse().ok());
        let index = index.ok_or(ProofError::Text("it names no row as `index N`"))?;
        let path = lines.map(from_base64).collect::<Option<_>>().ok_or(ProofError::Text("a line is no hash"))?;
        Ok(RowProof { index, path, checkpoint: checkpoint.to_owned() })
    }

    /// Checks that the row with this hash is in the record of a checkpoint signed by `key`; gives that checkpoint.
    ///
    /// # Errors
    /// [`ProofError`] where it is not proven.
    pub fn check(&self, row: Hash, key: &VerifierKey) -> Result<Checkpoint, ProofError> {
        let checkpoint = Checkpoint::open(&self.checkpoint, key)?;
        if merkle::is_included(row, self.index, checkpoint.size, &self.path, checkpoint.root) {
            Ok(checkpoint)
        } else {
            Err(ProofError::Fails)
        }
    }
}

/// A proof that an earlier record is the beginning of a later one.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ConsistencyProof {
    /// The rows of the earlier one.
    pub from: u64,
    /// The rows of the later one.
    pub to: u64,
    /// The hashes.
    pub path: Vec<Hash>,
}

impl ConsistencyProof {
    /// Its file.
    pub fn text(&self) -> String {
        let path: String = self.path.iter().map(|hash| to_base64(*hash) + "\n").collect();
        format!("{CONSISTENCY_HEAD}\nfrom {}\nto {}\n{path}", self.from, self.to)
    }

    /// Reads its file.
    ///
    /// # Errors
    /// [`ProofError::Text`].
    pub fn parse(text: &str) -> Result<ConsistencyProof, ProofError> {
        let mut lines = text.lines();
        if lines.next() != Some(CONSISTENCY_HEAD) {
            return Err(ProofError::Text("its first line is not hypocaust-consistency-proof@v1"));
        }
        let mut number = |word| lines.next().and_then(|line| line.strip_prefix(word)).and_then(|n| n.parse().ok());
        let (Some(from), Some(to)) = (number("from "), number("to ")) else {
            return Err(ProofError::Text("it names no sizes as `from N` and `to N`"));
        };
        let path = lines.map(from_base64).collect::<Option<_>>().ok_or(ProofError::Text("a line is no hash"))?;
        Ok(ConsistencyProof { from, to, path })
    }

    /// Whether it shows that `earlier` is the beginning of `later`.
    pub fn holds(&self, earlier: &Checkpoint, later: &Checkpoint) -> bool {
        self.from == earlier.size
            && self.to == later.size
            && merkle::is_consistent(self.from, earlier.root, self.to, later.root, &self.path)
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::row;
    use proptest::prelude::*;

    const PROOF: &str = include_str!("../../../tests/reference/integrity/entry2.tlog-proof");
    const KEY: &str = include_str!("../../../tests/reference/integrity/checkpoint.vkey");
    const CHAIN: &str = include_str!("../../../tests/reference/integrity/chain.jsonl");

    fn hashes() -> Vec<Hash> {
        CHAIN.lines().map(|line| row::parse(line).unwrap().hash).collect()
    }

    #[test]
    fn the_reference_proof_holds_for_its_row_and_no_other() {
        let (proof, key) = (RowProof::parse(PROOF).unwrap(), VerifierKey::parse(KEY).unwrap());
        assert_eq!(proof.text(), PROOF, "it is written again byte for byte");
        assert_eq!(Some(proof.path.clone()), merkle::Tree::new(hashes()).inclusion(2));
        for (n, hash) in hashes().into_iter().enumerate() {
            assert_eq!(proof.check(hash, &key).is_ok(), n == 2, "row {n}");
        }
        let extra = PROOF.replace("index 2", "extra eA==\nindex 2");
        assert_eq!(RowProof::parse(&extra).unwrap().path, proof.path, "a line of its maker's own");
    }

    #[test]
    fn proofs_that_are_none_are_refused() {
        for (text, why) in [
            (PROOF.replace("proof@v1", "proof@v2"), "another version"),
            (PROOF.replace("index 2", "index two"), "no number"),
            (PROOF.replace("YDR+", "YDR"), "a hash cut short"),
            (PROOF.replace("\n\n", "\n"), "no checkpoint"),
        ] {
            assert!(RowProof::parse(&text).is_err(), "{why}");
        }
        assert!(ConsistencyProof::parse("").is_err());
        assert!(ConsistencyProof::parse("hypocaust-consistency-proof@v1\nfrom 1\n").is_err());
    }

    #[test]
    fn consistency_proofs_come_back_and_hold_for_their_sizes_only() {
        let hashes = hashes();
        let checkpoint =
            |size: usize| Checkpoint { origin: "a".into(), size: size as u64, root: merkle::root(&hashes[..size]) };
        for from in 1..=6 {
            let path = merkle::Tree::new(hashes.clone()).consistency(from).unwrap();
            let proof = ConsistencyProof { from: from as u64, to: 6, path };
            assert_eq!(ConsistencyProof::parse(&proof.text()).as_ref(), Ok(&proof));
            for other in 1..=6 {
                assert_eq!(proof.holds(&checkpoint(other), &checkpoint(6)), other == from, "{from}, {other}");
            }
        }
    }

    proptest! {
        #[test]
        fn a_changed_byte_anywhere_breaks_the_proof(place in 0usize..348, byte in any::<u8>()) {
            let mut bytes = PROOF.as_bytes().to_vec();
            let place = place % bytes.len();
            prop_assume!(bytes[place] != byte);
            bytes[place] = byte;
            let key = VerifierKey::parse(KEY).unwrap();
            if let Ok(text) = String::from_utf8(bytes) {
                let held = RowProof::parse(&text).and_then(|proof| proof.check(hashes()[2], &key));
                prop_assert!(held.is_err());
            }
        }
    }
}
