//! What is wrong with a settings text, and the closest word to one that is not known.
//!
//! Must never name a fault without its place and the reader's next step.

use std::fmt;

/// One thing wrong with the settings.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    /// How the text was addressed, such as `config/site.yaml`.
    pub path: String,
    /// Line, counted from 1.
    pub line: u64,
    /// Column in characters, counted from 1.
    pub column: u64,
    /// What is wrong.
    pub what: String,
    /// What to do about it.
    pub remedy: String,
}

/// Prints `config/site.yaml:48: what; remedy`.
impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}: {}; {}", self.path, self.line, self.what, self.remedy)
    }
}

impl std::error::Error for Fault {}

/// Where something stands in the text, counted from 1.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Place {
    /// Line.
    pub line: u64,
    /// Column in characters.
    pub column: u64,
}

/// The faults found so far.
#[derive(Debug)]
pub struct Faults {
    path: String,
    found: Vec<Fault>,
}

impl Faults {
    /// None yet; `path` is how messages address the text.
    pub fn new(path: &str) -> Faults {
        Faults { path: path.into(), found: Vec::new() }
    }

    /// One more.
    pub fn add(&mut self, at: Place, what: impl Into<String>, remedy: impl Into<String>) {
        self.found.push(Fault {
            path: self.path.clone(),
            line: at.line,
            column: at.column,
            what: what.into(),
            remedy: remedy.into(),
        });
    }

    /// Whether there is none.
    pub fn is_empty(&self) -> bool {
        self.found.is_empty()
    }

    /// How many there are.
    pub fn count(&self) -> usize {
        self.found.len()
    }

    /// `file:line`, as the checked site carries it for later messages.
    pub fn place(&self, at: Place) -> String {
        format!("{}:{}", self.path, at.line)
    }

    /// All of them, in the order of the text.
    pub fn in_order(mut self) -> Vec<Fault> {
        self.found.sort_by_key(|fault| (fault.line, fault.column));
        self.found
    }
}

/// The candidate that a reader most likely meant by `word`, if one is close enough.
///
/// A third of the letters may be wrong, three at the most; letter case does not count.
pub fn nearest<'c>(word: &str, candidates: impl IntoIterator<Item = &'c str>) -> Option<&'c str> {
    let word: Vec<char> = word.to_lowercase().chars().take(80).collect();
    let allowed = (word.len() / 3).clamp(1, 3);
    candidates
        .into_iter()
        .map(|candidate| (distance(&word, &candidate.to_lowercase().chars().collect::<Vec<_>>()), candidate))
        .filter(|(far, _)| *far <= allowed)
        .min_by_key(|(far, _)| *far)
        .map(|(_, candidate)| candidate)
}

/// `did you mean ...?` where something is close, otherwise every candidate there is.
pub fn suggestion<'c>(word: &str, candidates: impl IntoIterator<Item = &'c str> + Clone) -> String {
    match nearest(word, candidates.clone()) {
        Some(near) => format!("did you mean `{near}`?"),
        None => match listed(candidates) {
            list if list.is_empty() => "there is none to choose from".into(),
            list => format!("use one of {list}"),
        },
    }
}

/// `a`, `b`, `c`; a long list is cut and says so.
pub fn listed<'c>(words: impl IntoIterator<Item = &'c str>) -> String {
    const SHOWN: usize = 24;
    let all: Vec<String> = words.into_iter().map(|word| format!("`{word}`")).collect();
    match all.len() {
        n if n > SHOWN => format!("{} and {} more", all[..SHOWN].join(", "), n - SHOWN),
        _ => all.join(", "),
    }
}

/// Changes, insertions, deletions and swaps of neighbours that turn one word into the other (optimal string alignment).
fn distance(a: &[char], b: &[char]) -> usize {
    let mut before: Vec<usize> = Vec::new();
    let mut last: Vec<usize> = (0..=b.len()).collect();
    for (i, ca) in a.iter().enumerate() {
        let mut row = vec![i + 1];
        for (j, cb) in b.iter().enumerate() {
            let changed = last[j] + usize::from(ca != cb);
            let mut best = changed.min(last[j + 1] + 1).min(row[j] + 1);
            if i > 0 && j > 0 && *ca == b[j - 1] && a[i - 1] == *cb {
                best = best.min(before[j - 1] + 1);
            }
            row.push(best);
        }
        before = std::mem::replace(&mut last, row);
    }
    last[b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_closest_word_is_offered_only_when_it_is_close() {
        const KEYS: [&str; 4] = ["volume_m3", "volume_yd3", "blower", "valve"];
        for (word, want, why) in [
            ("volum_m3", Some("volume_m3"), "a letter left out"),
            ("Volume_M3", Some("volume_m3"), "letter case does not count"),
            ("bolwer", Some("blower"), "two neighbours swapped are one slip"),
            ("vavle", Some("valve"), "a swap in a short word"),
            ("colour", None, "nothing near"),
            ("", None, "an empty key resembles nothing"),
            ("v", None, "one letter says nothing"),
        ] {
            assert_eq!(nearest(word, KEYS), want, "{word}: {why}");
        }
    }
}
