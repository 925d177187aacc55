//! What a step costs, word by word: each is called in a loop without an end, over a bin with full windows, until its rule is stopped.
//!
//! Must never be taken for a test: it measures, and the figures of `limits.rs` were chosen by it.

#![allow(clippy::unwrap_used, clippy::result_large_err)]

#[path = "../tests/built/mod.rs"]
mod built;

use std::sync::Arc;
use std::time::Instant;

use pile::time::Span;
use rulebook::facts::{Own, Whole};
use rulebook::{RuleText, Rulebook};
use site::model::{Display, Position, RuleSettings};
use site::quantity::Quantity;

/// What stands in the loop; `n` counts on, so that no figure is remembered from the turn before.
const WORDS: [(&str, &str); 36] = [
    ("nothing", ""),
    ("a sum", "n + 1"),
    ("a text", "let s = \"a\" + n"),
    ("a comparison", "n < 5"),
    ("a list of literals", "[1, 2, 3, 4, 5, 6, 7, 8, 9, 10]"),
    ("a long list copied", "let b = many"),
    ("a long list asked", "many.len()"),
    ("a long list shown", "together(many)"),
    ("a long text copied", "let b = long + \"x\""),
    ("a list of bins copied", "let b = bins"),
    ("a signal", "bin.core"),
    ("the coldest", "bin.coldest"),
    ("last", "bin.core.last()"),
    ("last while out", "bin.base.last()"),
    ("age", "bin.core.age()"),
    ("mean of 8 d", "bin.core.mean(ago)"),
    ("coverage of 8 d", "bin.core.coverage(ago)"),
    ("slope of 8 d", "bin.core.slope(ago)"),
    ("slope of 1 h", "bin.core.slope(60.minutes + (n % 10).seconds)"),
    ("slope of 6 h", "bin.core.slope(6.hours - n.seconds)"),
    ("spread of 8 d", "bin.core.spread(ago)"),
    ("change of 8 d", "bin.core.change(ago)"),
    ("time above in 8 d", "bin.core.time_above(60.celsius, ago)"),
    ("time above since on-air", "bin.core.time_above(set.hold)"),
    ("same for", "for p in bin.probes { p.same_for }"),
    ("step", "for p in bin.probes { p.step }"),
    ("causes", "causes_of_cooling(bin)"),
    ("since", "bin.since(\"watered\")"),
    ("neighbours", "bin.neighbours.on_air.core"),
    ("neighbours listed", "bin.neighbours.list"),
    ("run time of 1 d", "bin.blower.run_time(1.days)"),
    ("missed pulses", "bin.blower.missed_pulses"),
    ("days until dry", "bin.water.days_until(45.percent)"),
    ("moisture", "bin.water.moisture"),
    ("dose", "bin.water.dose"),
    ("dose in words", "bin.water.dose_words"),
];

fn main() {
    let mut built = built::on_air("8d")
        .every(Position::Core, Quantity::Temperature, "8d:20 6d:60 2d:62 0h:50", "10s")
        .every(Position::Core, Quantity::Temperature, "8d:21 6d:61 2d:60 0h:52", "10s")
        .every(Position::Base, Quantity::Temperature, "8d:20 6d:58 2d:60 0h:45", "10s")
        .every(Position::Upper, Quantity::Temperature, "8d:20 6d:62 2d:64 0h:60", "10s")
        .counted("8d:0 0h:17280")
        .account(50.0);
    for n in 0..240 {
        built = built.watered(&format!("{}min", 5 * (480 - n)), Some(40.0));
    }
    for n in 0..299 {
        built = built.neighbour(&format!("n{n}"), "fan", true, Some(50.0));
    }
    let facts = built.done();
    println!("{:<26} {:>9} {:>8} {:>9}", "word", "ms", "steps", "ns a step");
    for (name, word) in WORDS {
        let body = format!(
            "let many = []; for i in 0..300 {{ many.push(i); }}\n\
             let long = \"x\"; for i in 0..11 {{ long = long + long; }}\n\
             let bins = bin.neighbours.list;\n\
             let n = 0; loop {{ n += 1; let ago = 8.days - n.seconds; {word}; }}"
        );
        let RuleText { name: rule, path, text } = built::judging(&body);
        let text = text.replace("window: \"2 d\"", "window: \"8 d\"");
        measure(name, RuleText { name: rule, path, text }, &facts);
    }
    let whole = Whole { bins: vec![Arc::clone(&facts); 300], own: Own::default(), ..Whole::default() };
    let site = Arc::new(rulebook::facts::Facts { whole: Some(Arc::new(whole)), ..(*facts).clone() });
    for (name, word) in [
        ("300 bins", "site.bins"),
        ("slopes of 300 bins", "for b in site.bins { b.core.slope(8.days - n.seconds) }"),
        ("names of 300 bins", "for b in site.bins { b.name }"),
    ] {
        let text = built::judging(&format!("let n = 0; loop {{ n += 1; {word}; }}"));
        let words = text
            .text
            .replace("window: \"2 d\"", "scope: \"site\", window: \"8 d\"")
            .replace("(bin, set)", "(site, set)");
        measure(name, RuleText { text: words.replace(", time_above: [\"hold\"]", ""), ..text }, &site);
    }
    println!("a whole window holds {} points", facts.signals[0].window.count(facts.at - Span::days(8), facts.at));
}

#[expect(clippy::disallowed_methods, reason = "a measurement reads a clock")]
fn measure(name: &str, text: RuleText, facts: &Arc<rulebook::facts::Facts>) {
    let (book, faults) = Rulebook::compile(&[text], &RuleSettings::default(), Display::Metric);
    assert!(faults.is_empty(), "{name}: {faults:#?}");
    // Fresh facts, so that nothing is remembered.
    let facts = Arc::new((**facts).clone());
    let begun = Instant::now();
    let (judged, steps) = book.judge_counting(&book.rules()[0], &facts);
    let took = begun.elapsed().as_secs_f64();
    let fault = judged.unwrap_err();
    assert!(fault.rests, "{name}: {fault}");
    println!("{name:<26} {:>9.2} {steps:>8} {:>9.1}", took * 1e3, took * 1e9 / steps as f64);
}
