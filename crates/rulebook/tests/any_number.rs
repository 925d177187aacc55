//! Every word and operator of the rule language that takes a number, with any number there is.
//!
//! Must never choose the words itself: the language lists them, and a word of a type that nothing here stands for fails the test.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod built;

use std::fmt::Write;

use built::{on_air, rule};
use proptest::prelude::*;
use rulebook::{RuleText, Rulebook};
use site::model::{Display, RuleSettings};

/// What a number becomes before it is handed to a word that takes a fact, or anything at all.
const FACTS: [&str; 8] = ["hours", "days", "celsius", "kelvin_per_day", "percent", "litres", "minutes", "seconds"];

/// A stand-in for a parameter of a type; `n` counts the parameters, so that the numbers and their units differ.
fn stand_in(typed: &str, n: usize, seed: usize) -> Option<String> {
    let number = ["x", "y", "z"][n % 3];
    let fact = format!("{number}.{}", FACTS[(seed + n) % FACTS.len()]);
    Some(match typed {
        "signal" => "bin.core".into(),
        "bin" => "bin".into(),
        "blower" => "bin.blower".into(),
        "water_account" => "bin.water".into(),
        "answer" => "alarm(\"a\")".into(),
        "Array" => "[x, y, z]".into(),
        "String" => "\"watered\"".into(),
        "range" => "(i..j)".into(),
        "range=" => "(i..=j)".into(),
        "int" => ["i", "j", "i"][n % 3].into(),
        "float" => number.into(),
        "fact" => fact,
        "?" if seed.is_multiple_of(3) => number.into(),
        "?" => fact,
        _ => return None,
    })
}

/// A rule for each word and operator that takes a number, with these.
fn asked(numbers: &str, seed: usize) -> Vec<RuleText> {
    let definitions = rulebook::definitions();
    let mut texts = Vec::new();
    for line in definitions.lines().filter(|line| line.starts_with("fn ") || line.starts_with("op ")) {
        let (named, rest) = line.split_once('(').unwrap();
        let types: Vec<&str> =
            rest.split(')').next().unwrap().split(", ").map(|typed| typed.trim_start_matches("_: ")).collect();
        if !types.iter().any(|typed| ["int", "float", "fact", "?"].contains(typed)) {
            continue;
        }
        // The script language's own ranges of a step: `range` itself is asked with numbers.
        if types.iter().any(|typed| typed.starts_with("Range<")) {
            continue;
        }
        let given: Option<Vec<String>> = types.iter().enumerate().map(|(n, typed)| stand_in(typed, n, seed)).collect();
        let given = given.unwrap_or_else(|| panic!("nothing here stands for a type of `{line}`"));
        let call = match named.split_once(' ').unwrap() {
            ("op", sign) if given.len() == 1 => format!("{sign}({})", given[0]),
            ("op", sign) => format!("({}) {sign} ({})", given[0], given[1]),
            (_, name) => match name.strip_prefix("get ") {
                Some(property) => format!("({}).{property}", given[0]),
                None if types[0] == "signal" || types[0] == "blower" || types[0] == "water_account" => {
                    format!("{}.{name}({})", given[0], given[1..].join(", "))
                }
                None => format!("{name}({})", given.join(", ")),
            },
        };
        let mut body = String::new();
        let _ = write!(body, "fn judge(bin, set) {{\n{numbers}\nlet it = {call}; alarm(`${{it}}`)\n}}");
        texts.push(rule(&format!("asked-{}", texts.len()), &body));
    }
    texts
}

/// A number as a rule writes it; what is not a number can only be worked out.
fn written(number: f64) -> String {
    match number {
        n if n.is_nan() => "(0.0 * (1e308 * 10.0))".into(),
        n if n == f64::INFINITY => "(1e308 * 10.0)".into(),
        n if n == f64::NEG_INFINITY => "(-1e308 * 10.0)".into(),
        n => format!("({n:?})"),
    }
}

/// The numbers at the ends of every range, more often than chance would bring them.
fn reals() -> impl Strategy<Value = f64> {
    let ends = vec![0.0, -0.0, f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 1e308, -1e308, 5e-324, 9e18, -9e18, 9.3e15];
    prop_oneof![any::<f64>(), proptest::sample::select(ends), -1e6..1e6]
}

fn wholes() -> impl Strategy<Value = i64> {
    prop_oneof![any::<i64>(), proptest::sample::select(vec![i64::MIN, i64::MAX, 0, 1, -1, 1 << 53]), -100..100_i64]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(32))]

    /// The tests' build checks for overflow; the rulebook turns a panic into a fault, which is looked for here.
    #[test]
    fn every_word_that_takes_a_number_takes_any_number_or_is_a_fault(
        x in reals(), y in reals(), z in reals(), i in wholes(), j in wholes(), seed in 0..24_usize,
    ) {
        // The least whole number has no text of its own.
        let whole = |n: i64| if n == i64::MIN { "(-9223372036854775807 - 1)".to_owned() } else { format!("({n})") };
        let numbers = format!(
            "let x = {}; let y = {}; let z = {}; let i = {}; let j = {};", written(x), written(y), written(z), whole(i), whole(j)
        );
        let texts = asked(&numbers, seed);
        prop_assert!(texts.len() > 120, "only {} words take a number", texts.len());
        let (book, faults) = Rulebook::compile(&texts, &RuleSettings::default(), Display::Metric);
        // Some operators are refused before they run; none may end in a panic.
        for fault in &faults {
            prop_assert!(!fault.to_string().contains("a fault of hypocaust itself"), "{fault}");
        }
        prop_assert!(book.rules().len() > 120, "{faults:?}");
        let facts = on_air("5d").core("2d:60 0h:60").counted("1d:0 0h:2160").account(55.0).done();
        for rule in book.rules() {
            let answer = book.judge(rule, &facts);
            if let Err(fault) = &answer {
                prop_assert!(!fault.to_string().contains("a fault of hypocaust itself"), "{}: {fault}", rule.name);
            } else if let Ok(answer) = answer {
                prop_assert!(format!("{answer:?}").len() < 20_000, "{}", rule.name);
            }
        }
    }
}
