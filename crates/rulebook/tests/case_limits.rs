//! How much a site's rules and cases may be, told with what to do.
//!
//! Must never take minutes: what is too much is refused before it is run.

#![allow(clippy::unwrap_used, clippy::result_large_err)]

mod built;

use rulebook::cases::read_cases;
use rulebook::{RuleText, Rulebook, limits};
use site::model::{Display, RuleSettings};

#[test]
fn cases_are_refused_by_their_number_and_length_before_they_are_run() {
    let case = |n: usize| format!("  - {{ name: case {n}, core: 60 for 1 h, expect: none }}\n");
    let many = |n: usize| format!("cases:\n{}", (0..n).map(case).collect::<String>());
    let one = |more: &str| format!("cases:\n  - name: one\n    expect: none\n{more}");
    for (text, want, why) in [
        (many(limits::CASES), None, "as many as there may be"),
        (many(limits::CASES + 1), Some("there are 201 cases, more than 200"), "one more"),
        (
            format!("{}#{}", many(1), "x".repeat(limits::CASES_BYTES)),
            Some("bytes, more than 262144"),
            "a very long file",
        ),
        (one("    core: 60 for 90 d\n    base: 60 for 90 d\n"), None, "a season at five minutes"),
        (
            one("    core: 60 for 90 d\n    probes_every: 10 s\n"),
            Some("the case has 777600 readings, more than 220000; shorten its series"),
            "a season at ten seconds",
        ),
    ] {
        let told =
            read_cases(&text, "r.cases.yaml").err().map(|f| f.iter().map(ToString::to_string).collect::<String>());
        match want {
            None => assert_eq!(told, None, "{why}"),
            Some(want) => assert!(told.as_deref().unwrap_or_default().contains(want), "{why}: {told:?}"),
        }
    }
}

#[test]
fn a_site_has_at_most_so_many_rules() {
    let texts: Vec<RuleText> = (0..limits::RULES + 3)
        .map(|n| RuleText { name: format!("r{n:03}"), ..built::rule("r", "fn judge(bin, set) { keep() }") })
        .collect();
    let (book, faults) = Rulebook::compile(&texts, &RuleSettings::default(), Display::Metric);
    assert_eq!(book.rules().len(), limits::RULES);
    assert_eq!(faults.len(), 1);
    assert!(faults[0].to_string().contains("there are 203 rules, more than 200; put rules"), "{}", faults[0]);
}
