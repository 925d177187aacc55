//! The row of the record about the settings in force.
//!
//! Must never leave out what changed: an inspector reads there by which settings a result came about.

use std::collections::BTreeSet;

use serde_json::{Value, json};

/// The body of the row about the settings in force: their hash; with their text and what is different where they are not those of the row before.
pub(super) fn body(text: &str, before: Option<&Value>) -> Value {
    let sha256 = seal::merkle::sha256(text.as_bytes()).to_hex();
    if before.is_some_and(|before| before["sha256"] == sha256.as_str()) {
        return json!({ "sha256": sha256, "text": before.map(|before| before["text"].clone()), "removed": [], "added": [] });
    }
    let old = before.and_then(|before| before["text"].as_str()).unwrap_or_default();
    let only_in = |a: &str, b: &str| {
        let other: BTreeSet<&str> = b.lines().collect();
        a.lines().filter(|line| !other.contains(line) && !line.trim().is_empty()).map(str::to_owned).collect::<Vec<_>>()
    };
    let (removed, added) =
        if old.is_empty() { (Vec::new(), Vec::new()) } else { (only_in(old, text), only_in(text, old)) };
    json!({ "sha256": sha256, "text": text, "removed": removed, "added": added })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_change_is_named_line_by_line_and_the_text_is_always_there() {
        let first = body("a: 1\nb: 2\n", None);
        assert_eq!(
            (&first["text"], &first["removed"], &first["added"]),
            (&json!("a: 1\nb: 2\n"), &json!([]), &json!([]))
        );
        let same = body("a: 1\nb: 2\n", Some(&first));
        assert_eq!((&same["text"], &same["added"]), (&first["text"], &json!([])));
        let changed = body("a: 1\nb: 3\n", Some(&same));
        assert_eq!((&changed["removed"], &changed["added"]), (&json!(["b: 2"]), &json!(["b: 3"])));
        assert_ne!(changed["sha256"], first["sha256"]);
        let older = body("a: 1\n", Some(&json!({ "sha256": "00" })));
        assert_eq!(
            (&older["removed"], &older["text"]),
            (&json!([]), &json!("a: 1\n")),
            "a row of before texts were kept"
        );
    }
}
