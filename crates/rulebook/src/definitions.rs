//! Writes down every word that a rule can use, in the form of definition files of the script language, for editors.
//!
//! Must never name a type as this program's source does: an editor shows `fact`, not a path of modules.

use std::fmt::Write;

use rhai::Engine;

use crate::language;

const HEAD: &str = "\
// Words that a rule of hypocaust can use, for editors that complete and check Rhai scripts.
// Made by `hypocaust rules definitions`; rules/README.md says what each word means.
module static;
";

/// Kinds of number that the script language's packages know and rules do not.
const OTHER_NUMBERS: [&str; 12] =
    ["i8", "i16", "i32", "i128", "isize", "u8", "u16", "u32", "u64", "u128", "usize", "f32"];

/// Every function, property and operator that a rule can use, sorted.
pub fn definitions() -> String {
    let engine = language::engine(&std::sync::Arc::default());
    let mut lines = engine.collect_fn_metadata(
        None,
        |info| {
            let (name, parameters) = (info.metadata.name.as_str(), &info.metadata.params_info);
            let types: Vec<String> = parameters
                .iter()
                .map(|p| type_name(&engine, p.split_once(':').map_or("?", |(_, typed)| typed)))
                .collect();
            // Numbers of other widths cannot be written in a rule.
            if types.iter().any(|t| OTHER_NUMBERS.contains(&t.as_str())) {
                return None;
            }
            let gives = type_name(&engine, &info.metadata.return_type);
            let named = |types: &[String]| types.iter().map(|t| format!("_: {t}")).collect::<Vec<_>>().join(", ");
            Some(match name.strip_prefix("get$") {
                Some(property) => format!("fn get {property}({}) -> {gives};", named(&types)),
                None if name.chars().all(|c| c.is_ascii_alphanumeric() || c == '_') => {
                    format!("fn {name}({}) -> {gives};", named(&types))
                }
                // Taking out by index is a part of the script language, not a word.
                None if name.contains('$') => return None,
                None => format!("op {name}({}) -> {gives};", types.join(", ")),
            })
        },
        true,
    );
    lines.sort();
    lines.dedup();
    let mut text = HEAD.to_owned();
    for line in lines {
        let _ = writeln!(text, "\n{line}");
    }
    text
}

/// A type as an editor shows it: one word.
fn type_name(engine: &Engine, name: &str) -> String {
    let name = name.trim();
    let name = name.strip_prefix("&mut ").unwrap_or(name);
    // A function that can fail gives what it gives when it does not.
    let name = match name.split_once("Result<") {
        Some((_, inside)) => inside.split(',').next().unwrap_or(inside),
        None => name.strip_prefix("RhaiResultOf<").map_or(name, |inside| inside.trim_end_matches('>')),
    };
    let name = engine.map_type_name(name.trim());
    let last = name.rsplit("::").next().unwrap_or(name);
    match last {
        "Dynamic" | "?" | "" => "?".into(),
        "i64" | "INT" => "int".into(),
        "f64" | "FLOAT" => "float".into(),
        "ImmutableString" | "string" | "&str" | "str" => "String".into(),
        "Array" | "array" => "Array".into(),
        "()" => "()".into(),
        other => other.replace(' ', "_"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_word_is_defined_and_no_type_is_named_as_in_the_source() {
        let text = definitions();
        for (line, why) in [
            ("fn get core(_: bin) -> signal;", "a property"),
            ("fn alarm(_: String) -> answer;", "a function that can fail"),
            ("fn slope(_: signal, _: ?) -> fact;", "a window"),
            ("fn get water(_: bin) -> water_account;", "a type of two words becomes one"),
            ("op <(?, ?) -> bool;", "an operator"),
        ] {
            assert!(text.lines().any(|l| l == line), "{why}: {line} is missing in\n{text}");
        }
        for word in ["::", "EvalAltResult", "Result", "Box", "$"] {
            let wrong = text.lines().find(|l| !l.starts_with("//") && l.contains(word));
            assert_eq!(wrong, None, "`{word}` is of the source");
        }
        let (functions, properties) = language::words(&language::engine(&std::sync::Arc::default()));
        for name in functions.iter().filter(|n| n.chars().all(|c| c.is_ascii_alphanumeric() || c == '_')) {
            assert!(text.contains(&format!("fn {name}(")), "{name} is not defined");
        }
        for name in &properties {
            assert!(text.contains(&format!("fn get {name}(")), "{name} is not defined");
        }
    }
}
