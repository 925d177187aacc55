//! Merkle trees of RFC 9162, section 2.1: roots, proofs that a leaf is in a tree, proofs that one tree is the beginning of another.
//!
//! Must never take a leaf's hash for a node's: the prefixes keep them apart.

use std::fmt;
use std::io::{self, BufRead};

use sha2::{Digest, Sha256};

/// A SHA-256 value.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Hash(pub [u8; 32]);

impl Hash {
    /// 64 zeros: what the first row of a record names as the row before it.
    pub const ZERO: Hash = Hash([0; 32]);

    /// As 64 small hexadecimal digits.
    pub fn to_hex(self) -> String {
        self.0.iter().map(|byte| format!("{byte:02x}")).collect()
    }

    /// From 64 small hexadecimal digits; `None` for anything else.
    pub fn from_hex(text: &str) -> Option<Hash> {
        let text = text.as_bytes();
        if text.len() != 64 || !text.iter().all(|c| matches!(c, b'0'..=b'9' | b'a'..=b'f')) {
            return None;
        }
        let mut hash = [0; 32];
        for (byte, pair) in hash.iter_mut().zip(text.chunks(2)) {
            *byte = pair.iter().fold(0, |n, c| n * 16 + char::from(*c).to_digit(16).map_or(0, |d| d as u8));
        }
        Some(Hash(hash))
    }
}

impl fmt::Display for Hash {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.to_hex())
    }
}

/// The plain hash of some bytes, as `sha256sum` prints it.
pub fn sha256(bytes: &[u8]) -> Hash {
    Hash(Sha256::digest(bytes).into())
}

/// The length and plain hash of what a reader gives, without keeping it.
///
/// # Errors
/// Those of the reader.
pub fn sha256_of(reader: &mut dyn BufRead) -> io::Result<(u64, Hash)> {
    let (mut hasher, mut bytes) = (Sha256::new(), 0);
    loop {
        let piece = reader.fill_buf()?;
        if piece.is_empty() {
            return Ok((bytes, Hash(hasher.finalize().into())));
        }
        hasher.update(piece);
        let taken = piece.len();
        bytes += taken as u64;
        reader.consume(taken);
    }
}

/// The hash of a leaf: SHA-256 over 0x00 and its bytes.
pub fn leaf_hash(data: &[u8]) -> Hash {
    Hash(Sha256::new().chain_update([0]).chain_update(data).finalize().into())
}

/// The hash of a node over two others: SHA-256 over 0x01 and both.
pub fn node_hash(left: Hash, right: Hash) -> Hash {
    Hash(Sha256::new().chain_update([1]).chain_update(left.0).chain_update(right.0).finalize().into())
}

/// The root over leaf hashes that are handed in one by one; keeps one hash for each doubling, not the leaves.
#[derive(Clone, Debug, Default)]
pub struct Grower {
    /// Roots of whole subtrees, the largest first; their sizes are the ones in `size`'s binary form.
    peaks: Vec<Hash>,
    size: u64,
}

impl Grower {
    /// One leaf more.
    pub fn push(&mut self, leaf: Hash) {
        let mut node = leaf;
        let mut size = self.size;
        while size & 1 == 1 {
            // An odd count has a whole subtree of this size on the left.
            let Some(left) = self.peaks.pop() else { break };
            node = node_hash(left, node);
            size >>= 1;
        }
        self.peaks.push(node);
        self.size += 1;
    }

    /// How many leaves there were.
    pub fn size(&self) -> u64 {
        self.size
    }

    /// The root over all of them; the hash of nothing without any.
    pub fn root(&self) -> Hash {
        let mut peaks = self.peaks.iter().rev();
        let Some(last) = peaks.next() else { return sha256(b"") };
        peaks.fold(*last, |right, left| node_hash(*left, right))
    }
}

/// The root over leaf hashes.
pub fn root(leaves: &[Hash]) -> Hash {
    let mut grower = Grower::default();
    leaves.iter().for_each(|leaf| grower.push(*leaf));
    grower.root()
}

/// A tree that many proofs are wanted of: every whole subtree is hashed once.
#[derive(Clone, Debug)]
pub struct Tree {
    /// The leaves, then the roots of pairs, of fours and so on, as far as they are whole.
    levels: Vec<Vec<Hash>>,
}

impl Tree {
    /// The tree over leaf hashes.
    pub fn new(leaves: Vec<Hash>) -> Tree {
        let mut levels = vec![leaves];
        while let Some(last) = levels.last().filter(|level| level.len() > 1) {
            let above = last.chunks_exact(2).map(|pair| node_hash(pair[0], pair[1])).collect();
            levels.push(above);
        }
        Tree { levels }
    }

    /// How many leaves.
    pub fn size(&self) -> usize {
        self.levels.first().map_or(0, Vec::len)
    }

    /// The root over all of them.
    pub fn root(&self) -> Hash {
        self.part(0, self.size())
    }

    /// The root over the first `size`, or over all where there are fewer.
    pub fn root_at(&self, size: usize) -> Hash {
        self.part(0, size.min(self.size()))
    }

    /// The proof that leaf `index` (from 0) is in the tree (section 2.1.3.1); `None` where there is no such leaf.
    pub fn inclusion(&self, index: usize) -> Option<Vec<Hash>> {
        if index >= self.size() {
            return None;
        }
        let (mut from, mut to, mut path) = (0, self.size(), Vec::new());
        while to - from > 1 {
            let middle = from + split(to - from);
            if index < middle {
                path.push(self.part(middle, to));
                to = middle;
            } else {
                path.push(self.part(from, middle));
                from = middle;
            }
        }
        path.reverse();
        Some(path)
    }

    /// The proof that the tree over the first `earlier` leaves is the beginning of this one (section 2.1.4.1); `None` where `earlier`
    /// is 0 or more than there are.
    pub fn consistency(&self, earlier: usize) -> Option<Vec<Hash>> {
        if earlier == 0 || earlier > self.size() {
            return None;
        }
        let (mut from, mut to, mut is_known, mut path) = (0, self.size(), true, Vec::new());
        while earlier < to {
            let middle = from + split(to - from);
            if earlier <= middle {
                path.push(self.part(middle, to));
                to = middle;
            } else {
                path.push(self.part(from, middle));
                from = middle;
                is_known = false;
            }
        }
        if !is_known {
            path.push(self.part(from, to));
        }
        path.reverse();
        Some(path)
    }

    /// The root over the leaves from `from` to before `to`, where `from` begins a subtree of the tree.
    fn part(&self, from: usize, to: usize) -> Hash {
        let count = to - from;
        if count == 0 {
            return sha256(b"");
        }
        if count.is_power_of_two() {
            let level = count.trailing_zeros() as usize;
            return self.levels[level][from >> level];
        }
        let middle = from + split(count);
        node_hash(self.part(from, middle), self.part(middle, to))
    }
}

/// Whether a proof shows that `leaf` is number `index` of a tree of `size` with this root (section 2.1.3.2).
pub fn is_included(leaf: Hash, index: u64, size: u64, proof: &[Hash], root: Hash) -> bool {
    if index >= size {
        return false;
    }
    let (mut f, mut s, mut node) = (index, size - 1, leaf);
    for p in proof {
        if s == 0 {
            return false;
        }
        if f & 1 == 1 || f == s {
            node = node_hash(*p, node);
            while f & 1 == 0 && f != 0 {
                f >>= 1;
                s >>= 1;
            }
        } else {
            node = node_hash(node, *p);
        }
        f >>= 1;
        s >>= 1;
    }
    s == 0 && node == root
}

/// Whether a proof shows that the tree of size `first` is the beginning of that of size `second` (section 2.1.4.2).
pub fn is_consistent(first: u64, first_root: Hash, second: u64, second_root: Hash, proof: &[Hash]) -> bool {
    if first == second {
        return first_root == second_root && proof.is_empty();
    }
    if first == 0 || first > second {
        return false;
    }
    let whole = first.is_power_of_two().then_some(first_root);
    let mut path = whole.iter().chain(proof);
    let Some(start) = path.next() else { return false };
    let (mut f, mut s) = (first - 1, second - 1);
    while f & 1 == 1 {
        f >>= 1;
        s >>= 1;
    }
    let (mut old, mut new) = (*start, *start);
    for c in path {
        if s == 0 {
            return false;
        }
        if f & 1 == 1 || f == s {
            old = node_hash(*c, old);
            new = node_hash(*c, new);
            while f & 1 == 0 && f != 0 {
                f >>= 1;
                s >>= 1;
            }
        } else {
            new = node_hash(new, *c);
        }
        f >>= 1;
        s >>= 1;
    }
    s == 0 && old == first_root && new == second_root
}

/// The largest power of two smaller than `n`, which is at least 2.
fn split(n: usize) -> usize {
    n.next_power_of_two() / 2
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use proptest::prelude::*;
    use serde_json::Value;

    fn table() -> Value {
        serde_json::from_str(include_str!("../../../tests/reference/integrity/merkle.json")).unwrap()
    }

    fn unhex(text: &str) -> Vec<u8> {
        (0..text.len() / 2).map(|i| u8::from_str_radix(&text[2 * i..2 * i + 2], 16).unwrap()).collect()
    }

    fn hash(value: &Value) -> Hash {
        Hash::from_hex(value.as_str().unwrap()).unwrap()
    }

    fn hashes(value: &Value) -> Vec<Hash> {
        value.as_array().unwrap().iter().map(hash).collect()
    }

    fn published_leaves(table: &Value) -> Vec<Hash> {
        let leaves = table["leaves_hex"].as_array().unwrap();
        leaves.iter().map(|leaf| leaf_hash(&unhex(leaf.as_str().unwrap()))).collect()
    }

    fn tree(leaves: &[Hash]) -> Tree {
        Tree::new(leaves.to_vec())
    }

    #[test]
    fn roots_are_the_published_ones() {
        let table = table();
        let leaves = published_leaves(&table);
        let roots = hashes(&table["roots_by_size"]);
        assert_eq!((leaves.len(), roots.len()), (8, 9));
        for (size, want) in roots.iter().enumerate() {
            assert_eq!(root(&leaves[..size]), *want, "{size} leaves");
            assert_eq!(tree(&leaves[..size]).root(), *want, "{size} leaves");
            assert_eq!(tree(&leaves).root_at(size), *want, "{size} leaves");
        }
    }

    #[test]
    fn inclusion_proofs_are_the_published_ones_and_hold() {
        let table = table();
        let (leaves, roots) = (published_leaves(&table), hashes(&table["roots_by_size"]));
        let rows = table["inclusion"].as_array().unwrap();
        assert_eq!(rows.len(), 36);
        for row in rows {
            let (index, size) = (row["index"].as_u64().unwrap(), row["size"].as_u64().unwrap());
            let proof = tree(&leaves[..size as usize]).inclusion(index as usize).unwrap();
            assert_eq!(proof, hashes(&row["proof"]), "{index} of {size}");
            assert!(
                is_included(leaves[index as usize], index, size, &proof, roots[size as usize]),
                "{index} of {size}"
            );
        }
    }

    #[test]
    fn consistency_proofs_are_the_published_ones_and_hold() {
        let table = table();
        let (leaves, roots) = (published_leaves(&table), hashes(&table["roots_by_size"]));
        let rows = table["consistency"].as_array().unwrap();
        assert_eq!(rows.len(), 28);
        for row in rows {
            let (first, second) = (row["from"].as_u64().unwrap(), row["to"].as_u64().unwrap());
            let proof = tree(&leaves[..second as usize]).consistency(first as usize).unwrap();
            assert_eq!(proof, hashes(&row["proof"]), "{first} to {second}");
            let (a, b) = (roots[first as usize], roots[second as usize]);
            assert!(is_consistent(first, a, second, b, &proof), "{first} to {second}");
        }
    }

    #[test]
    fn proofs_of_nothing_are_none() {
        let leaves = [leaf_hash(b"a"), leaf_hash(b"b")];
        assert_eq!(tree(&leaves).inclusion(2), None, "there is no third leaf");
        assert_eq!(tree(&leaves).consistency(0), None, "nothing is the beginning of everything");
        assert_eq!(tree(&leaves).consistency(3), None, "a tree does not shrink");
        assert!(!is_included(leaves[0], 2, 2, &[leaves[1]], root(&leaves)), "an index past the end");
        assert!(!is_consistent(0, sha256(b""), 2, root(&leaves), &[]), "nothing proves nothing");
        assert!(!is_consistent(3, root(&leaves), 2, root(&leaves), &[]), "a tree does not shrink");
    }

    #[test]
    fn hexadecimal_digits_are_read_strictly() {
        let hash = sha256(b"x");
        assert_eq!(Hash::from_hex(&hash.to_hex()), Some(hash));
        for (text, why) in [
            ("", "nothing"),
            ("0", "too short"),
            (&hash.to_hex().to_uppercase(), "capitals"),
            (&"g".repeat(64), "no digit"),
        ] {
            assert_eq!(Hash::from_hex(text), None, "{why}");
        }
    }

    proptest! {
        #[test]
        fn any_leaf_is_proven_in_its_place_and_in_no_other(size in 1usize..70, index in 0usize..70, other in 0usize..70, bit in 0usize..256) {
            let index = index % size;
            let leaves: Vec<Hash> = (0..size).map(|n| leaf_hash(&n.to_be_bytes())).collect();
            let (whole, proof) = (root(&leaves), tree(&leaves).inclusion(index).unwrap());
            let holds = |leaf, at: usize, proof: &[Hash]| is_included(leaf, at as u64, size as u64, proof, whole);
            prop_assert!(holds(leaves[index], index, &proof));
            let mut changed = leaves[index];
            changed.0[bit / 8] ^= 1 << (bit % 8);
            prop_assert!(!holds(changed, index, &proof));
            if other % size != index {
                prop_assert!(!holds(leaves[other % size], index, &proof));
                prop_assert!(!holds(leaves[index], other % size, &proof));
            }
            if !proof.is_empty() {
                let mut broken = proof.clone();
                broken[bit % proof.len()].0[0] ^= 1;
                prop_assert!(!holds(leaves[index], index, &broken));
                prop_assert!(!holds(leaves[index], index, &proof[1..]));
            }
        }

        #[test]
        fn a_tree_that_was_rewritten_is_not_consistent(second in 2usize..70, first in 1usize..70, changed in 0usize..70) {
            let first = 1 + first % (second - 1);
            let leaves: Vec<Hash> = (0..second).map(|n| leaf_hash(&n.to_be_bytes())).collect();
            let old = root(&leaves[..first]);
            let holds = |leaves: &[Hash]| {
                let proof = tree(leaves).consistency(first).unwrap();
                is_consistent(first as u64, old, second as u64, root(leaves), &proof)
            };
            prop_assert!(holds(&leaves));
            let mut rewritten = leaves.clone();
            rewritten[changed % first].0[5] ^= 4;
            prop_assert!(!holds(&rewritten));
        }
    }
}
