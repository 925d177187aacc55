//! What the rule language lets a script do, and how it tells a script's faults.
//!
//! Must never pass because a rule did not run: every row names the place or the answer it expects.

#![allow(clippy::unwrap_used, clippy::result_large_err)]

mod built;

use std::sync::Arc;

use built::{TICK, changes, judge, judging, on_air, rule};
use pile::time::Span;
use proptest::prelude::*;
use rulebook::answer::Verdict;
use rulebook::{RuleFault, RuleText, Rulebook};
use site::model::{Display, RuleSettings};
use site::quantity::Unit;

fn compiled(text: RuleText) -> (Rulebook, Vec<RuleFault>) {
    Rulebook::compile(&[text], &RuleSettings::default(), Display::Metric)
}

/// The fault of compiling or running this body.
fn fault_of(body: &str) -> RuleFault {
    let (book, mut faults) = compiled(judging(body));
    if let Some(fault) = faults.pop() {
        return fault;
    }
    let facts = on_air("5d").core("2d:60 0h:60").done();
    match book.judge(&book.rules()[0], &facts) {
        Err(fault) => fault,
        Ok(answer) => panic!("`{body}` answered {answer:?}"),
    }
}

#[test]
fn a_rule_that_misbehaves_is_a_fault_with_its_place() {
    // Line 3 of the file is the first line of the body.
    let mut wrong = vec![];
    for (body, place, what, why) in [
        ("loop { }", "3:6", "stopped after 500000 steps", "endless loop"),
        ("let x = 0; while true { x += 1; }", "3:", "stopped after 500000 steps", "endless loop that works"),
        ("judge(bin, set)", "3:1", "more than 16 deep", "recursion"),
        ("let s = \"x\"; loop { s = s + s; }", "3:27", "more than a rule may hold", "a text that doubles"),
        ("let a = []; loop { a.push(a); }", "3:22", "more than a rule may hold", "a list that doubles"),
        ("let a = []; loop { a.push(\"x\"); }", "3:22", "more than a rule may hold", "a list that grows"),
        (
            "let m = #{ a: [1, 2] }; for i in 0..100 { m.a = [m.a, m.a]; } keep()",
            "",
            "more than a rule may hold",
            "a tree that doubles",
        ),
        ("loop { bin.core.slope(48.hours); }", "3:17", "stopped after 500000 steps", "points read are charged"),
        ("timestamp(); keep()", "3:1", "no function `timestamp`", "the time"),
        ("sleep(1); keep()", "3:1", "no function `sleep`", "sleep"),
        ("eval(\"1\")", "3:1", "eval", "scripts inside scripts"),
        ("import \"x\" as y; keep()", "3:1", "import", "modules"),
        ("print(\"x\"); keep()", "3:1", "print", "printing"),
        ("let f = |x| x; keep()", "3:9", "", "closures could work without being counted"),
        ("try { bin.core.last() > 5 } catch { alarm(\"x\") }", "3:1", "try", "an unknown must not be caught"),
        (
            "if 5 > \"a\" { keep() } else { keep() }",
            "3:6",
            "the number 5 cannot be compared with the text \"a\"",
            "unlike things",
        ),
        ("if 5 == \"5\" { keep() } else { keep() }", "3:6", "cannot be compared", "unlike things are not just unequal"),
        ("if () != 1 { keep() } else { keep() }", "3:7", "nothing cannot be compared", "nothing is not a number"),
        (
            "if bin.core.last() > 24.hours { keep() } else { keep() }",
            "3:20",
            "a temperature and a length of time cannot be compared",
            "units",
        ),
        ("if bin.batch.age > 24 { keep() } else { keep() }", "3:18", "write 24.hours", "hours or seconds?"),
        (
            "if bin.core > 5 { keep() } else { keep() }",
            "3:13",
            "a signal cannot be compared",
            "a signal is not its last value",
        ),
        ("let x = 1 / 0; keep()", "3:11", "ivision by zero", "whole numbers over zero"),
        ("let x = 1.0 / 0.0; keep()", "3:13", "division by zero", "numbers over zero are not infinite"),
        ("let x = 24.hours / 0; keep()", "3:18", "division by zero", "facts over zero"),
        ("let x = 9223372036854775807 + 1; keep()", "3:29", "", "overflow"),
        ("let a = [1, 2]; a[5]", "3:19", "item 5 of a list of 2", "index"),
        ("let m = #{ a: 1 }; m[\"b\"]", "3:", "", "a key that is not there"),
        ("42", "2:1", "answered nonsense: a whole number", "a number is no answer"),
        ("if false { keep() }", "2:1", "answered nonsense: nothing", "a way through without an answer"),
        ("\"alarm\"", "2:1", "answered nonsense: a text", "a text is no answer"),
        ("alarm(\"\")", "3:1", "needs a finding", "an alarm without words"),
        ("alarm(\"x\").figure(\"y\", bin)", "3:12", "only texts, numbers and facts", "a figure that cannot be shown"),
        ("throw \"thus\"", "3:1", "thus", "thrown on purpose"),
        ("if 1 { keep() } else { keep() }", "3:4", "boolean", "conditions are true or false"),
        ("keep(nowhere)", "3:6", "nowhere", "an unknown variable"),
        ("keep(set.fal)", "3:10", "no property `fal`", "a setting that is not there"),
        ("keep(bin.coer.last())", "3:10", "no property `coer`", "a position that is not there"),
        ("keep(bin.core.lats())", "3:15", "no function `lats`", "a figure that is not there"),
        ("bin.since(\"waterd\"); keep()", "3:5", "did you mean `watered`?", "an entry that is not there"),
        ("bin.signal(\"oxygin\"); keep()", "3:5", "did you mean `oxygen`?", "a quantity that is not there"),
        ("bin.core.mean(24); keep()", "3:10", "24.hours", "a window needs its unit"),
        (
            "bin.core.mean(72.hours); keep()",
            "3:10",
            "looks back 3 d, but its header says `window: \"2 d\"`",
            "further than the header",
        ),
        (
            "bin.core.mean(9e18.hours, 1.hours); keep()",
            "3:10",
            "9e18 hours are outside -36525 d to 36525 d",
            "a window beyond all time",
        ),
        (
            "bin.core.mean(1.hours, 9e18.hours); keep()",
            "3:10",
            "9e18 hours are outside -36525 d to 36525 d; write a length such as 24.hours",
            "so long ago",
        ),
        (
            "bin.core.time_above(60.celsius); keep()",
            "3:10",
            "settings that the header names",
            "no account for that threshold",
        ),
        ("let x = bin.core.last() * 2; keep()", "3:25", "its zero is arbitrary", "twice 20 °C"),
    ] {
        let fault = fault_of(body);
        let told = fault.to_string();
        let shown = if fault.line == Some(2) { "fn judge(bin, set) {" } else { body };
        let right = told.starts_with(&format!("rules/probe.rhai:{place}"))
            && told.contains(what)
            && !fault.what.is_empty()
            && !fault.remedy.is_empty()
            && !told.contains('\n')
            && fault.source_line.as_deref() == Some(shown);
        if !right {
            wrong.push(format!("{why}: expected {place} {what}: {told} [{:?}]", fault.source_line));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Any length of time that a rule can write is taken or is a fault; the tests' build checks for overflow.
    #[test]
    fn any_length_of_time_is_judged_or_is_a_fault(a in any::<f64>(), b in any::<f64>(), near in -1e9f64..1e9) {
        let facts = on_air("5d").core("2d:60 0h:60").done();
        for asked in [
            "mean(x.hours, y.days)", "slope(y.minutes, x.seconds)", "at(x.days)", "change(y.hours)", "coverage(x.hours)",
            "time_above(60.celsius, x.days)", "mean((x.hours + y.days) * 3)", "max(x.days - y.seconds)",
        ] {
            for (x, y) in [(a, b), (near, a), (b, near)] {
                // What is not a number cannot be written in a rule.
                if x.is_finite() && y.is_finite() {
                    let (book, faults) = compiled(judging(&format!("let x = {x:?}; let y = {y:?}; bin.core.{asked}; keep()")));
                    prop_assert!(faults.is_empty(), "{faults:?}");
                    let _answer_or_fault = book.judge(&book.rules()[0], &facts);
                }
            }
        }
    }
}

/// A stack that overflows ends the daemon, so the depth of a text must be bounded before anything walks it.
#[test]
fn nesting_without_end_is_a_fault_and_not_the_end_of_the_daemon() {
    let many = |text: &str| text.repeat(40_000 / text.len());
    for (body, why) in [
        (format!("let x = 1{}; keep()", many("+1")), "a sum"),
        (format!("let x = 1{}; keep()", many(" ** 1")), "powers, which nest the other way"),
        (format!("let x = true{}; keep()", many("&&true")), "conditions"),
        (format!("let x = (){}; keep()", many(" ?? ()")), "stand-ins"),
        (format!("let x = bin{}; keep()", many(".name")), "properties"),
        (format!("let x = bin{}; keep()", many(".name()")), "calls"),
        (format!("let x = [1]; x{}; keep()", many("[0]")), "indices"),
        (format!("if false {{}} {} else {{ keep() }}", many("else if false {}")), "branches"),
        (format!("let x = {}1{}; keep()", "(".repeat(20_000), ")".repeat(20_000)), "parentheses"),
        (format!("let x = {}{}; keep()", "[".repeat(20_000), "]".repeat(20_000)), "lists"),
        (format!("{}{} keep()", "{".repeat(20_000), "}".repeat(20_000)), "blocks"),
        (format!("let x = {}1{}; keep()", "`${".repeat(8_000), "}`".repeat(8_000)), "texts within texts"),
        (format!("let x = {}true; keep()", many("!")), "negations"),
        ("let a = []; loop { a = [a]; }".into(), "lists within lists while it runs"),
        ("let m = #{ a: 1 }; loop { m = #{ a: m }; }".into(), "maps within maps while it runs"),
    ] {
        let fault = fault_of(&body);
        let told = ["maximum complexity", "more than a rule may hold", "stopped after"];
        assert!(told.iter().any(|t| fault.what.contains(t)), "{why}: {}", fault.what);
    }
}

#[test]
fn faults_inside_functions_name_the_innermost_line() {
    let text = rule(
        "deep",
        "fn inner(x) {\n    let y = 1;\n    y / x\n}\nfn outer(x) { inner(x) }\nfn judge(bin, set) { outer(0) }",
    );
    let (book, faults) = compiled(text);
    assert_eq!(faults, vec![]);
    let facts = on_air("5d").done();
    let fault = book.judge(&book.rules()[0], &facts).unwrap_err();
    assert_eq!((fault.line, fault.column), (Some(4), Some(7)), "{fault}");
    assert_eq!(fault.source_line.as_deref(), Some("    y / x"));
}

#[test]
fn a_text_that_is_no_rule_is_told_before_it_runs() {
    for (text, what, why) in [
        ("", "there is no function `judge`", "an empty file"),
        ("fn judge(bin) { keep() }", "there is no function `judge` with two parameters", "one parameter"),
        ("fn judge(bin, set) { keep( }", "", "it does not parse"),
        ("let x = 5; fn judge(bin, set) { keep() }", "outermost level", "work at the outermost level"),
        ("while true {}\nfn judge(bin, set) { keep() }", "outermost level", "endless work at the outermost level"),
    ] {
        let (book, faults) = compiled(RuleText { name: "r".into(), path: "rules/r.rhai".into(), text: text.into() });
        assert!(book.rules().is_empty(), "{why}");
        assert!(faults.iter().any(|f| f.what.contains(what)), "{why}: {faults:?}");
    }
}

#[test]
fn comparing_an_unknown_ends_the_judgement_and_nothing_else_does() {
    let facts = on_air("5d").core("2d:60 0h:60").base("2d:60 5h:60").done();
    for (body, want, finding, why) in [
        (
            "if bin.upper.last() > 5 { alarm(\"x\") } else { clear(\"x\") }",
            Verdict::CannotTell,
            "upper temperature: there is no such probe",
            "no probe",
        ),
        (
            "if bin.base.last() > 5 { alarm(\"x\") } else { clear(\"x\") }",
            Verdict::CannotTell,
            "base temperature: no reading for 5 h",
            "silent for five hours",
        ),
        (
            "if bin.base.mean(24.hours) == 5 { alarm(\"x\") } else { clear(\"x\") }",
            Verdict::CannotTell,
            "base temperature: no reading for 5 h",
            "equal to nothing either",
        ),
        (
            "if !bin.upper.last().known { keep() } else { clear(\"x\") }",
            Verdict::Keep,
            "",
            "asking whether it is known is safe",
        ),
        (
            "if bin.upper.last().or(20) > 5 { alarm(\"x\") } else { clear(\"y\") }",
            Verdict::Alarm,
            "x",
            "a stand-in makes it known",
        ),
        (
            "let d = bin.core.last() - bin.upper.last(); if d.known { keep() } else { clear(\"unknown\") }",
            Verdict::Clear,
            "unknown",
            "sums carry the unknown on",
        ),
        (
            "alarm(`core ${bin.core.last()}, upper ${bin.upper.last()}`)",
            Verdict::Alarm,
            "core 60.0 °C, upper unknown",
            "an unknown can be shown",
        ),
        (
            "alarm(`${set.hold} and ${set.fall} and ${1.5.days} and ${40.percent}`)",
            Verdict::Alarm,
            "55.0 °C and 5.6 K/d and 1 d 12 h and 40.0 %",
            "settings and lengths",
        ),
        (
            "alarm(`${131.fahrenheit} ${together([1, \"b\", 3.hours])} ${max(1.hours, 90.minutes)}`)",
            Verdict::Alarm,
            "55.0 °C 1, b and 3 h 1 h 30 min",
            "words",
        ),
    ] {
        let (book, faults) = compiled(judging(body));
        assert_eq!(faults, vec![], "{why}");
        let answer = judge(&book, "probe", &facts);
        assert_eq!((answer.verdict, answer.finding.as_str()), (want, finding), "{why}");
    }
}

#[test]
fn evidence_is_the_newest_reading_touched() {
    let facts = on_air("5d").core("2d:60 10min:60").base("2d:60 5min:60").moisture("2d:50 20min:50").done();
    let ago = |minutes| Some(TICK - Span::minutes(minutes));
    for (body, want, why) in [
        ("keep(`${bin.core.last()}`)", ago(10), "one signal"),
        ("keep(`${bin.core.last()} ${bin.base.slope(24.hours)}`)", ago(5), "the newer of two"),
        ("keep(`${bin.moisture.mean(6.hours)}`)", ago(20), "another quantity"),
        ("keep(`${bin.core.time_above(set.hold).total}`)", ago(10), "an account"),
        ("keep(`${bin.upper.last()} ${bin.batch.age}`)", None, "no reading touched"),
    ] {
        let (book, faults) = compiled(judging(body));
        assert_eq!(faults, vec![], "{why}");
        assert_eq!(judge(&book, "probe", &facts).evidence_at, want, "{why}");
    }
    let clock = judging("keep(`${bin.core.last()}`)");
    let text = clock.text.replace("window:", "evidence: \"clock\", window:");
    let (book, faults) = compiled(RuleText { text, ..clock });
    assert_eq!(faults, vec![]);
    assert_eq!(judge(&book, "probe", &facts).evidence_at, Some(TICK), "the clock itself");
}

#[test]
fn figures_over_windows() {
    // Two core probes; the base probe has a silence of eight hours.
    let facts =
        on_air("5d").core("2d:50 24h:50 0h:60").core("2d:54 24h:54 0h:62").base("2d:40 20h:40 | 12h:44 0h:44").done();
    for (expression, want, why) in [
        ("bin.core.last()", "61.0 °C", "the median of two is their mean"),
        ("bin.core.highest()", "62.0 °C", "the highest"),
        ("bin.core.lowest()", "60.0 °C", "the lowest"),
        ("bin.core.slope(24.hours)", "9.0 K/d", "the median of 10 and 8 K/d"),
        ("bin.core.change(24.hours)", "9.0 K", "the same as a difference"),
        ("bin.core.at(12.hours)", "56.5 °C", "between 55 and 58"),
        ("bin.core.min(24.hours)", "50.0 °C", "over all probes"),
        ("bin.core.max(24.hours)", "62.0 °C", "over all probes"),
        ("bin.core.spread(24.hours)", "9.0 K", "the median of 10 and 8 K"),
        ("bin.core.mean(12.hours)", "58.7 °C", "57.5 and 60, in between"),
        ("bin.base.at(16.hours)", "unknown", "nothing is drawn across a gap"),
        ("bin.base.at(20.hours)", "40.0 °C", "its edge is known"),
        ("bin.base.coverage(24.hours)", "66.7 %", "16 of 24 hours"),
        ("bin.base.coverage(16.hours)", "74.7 %", "12 of 16, less the half of one median"),
        ("bin.core.probes", "2", "how many"),
        ("bin.base.age()", "0 s", "how old"),
        ("bin.core.slope(24.hours).why", "", "known"),
        ("bin.upper.slope(24.hours).low", "unknown", "of an unknown"),
    ] {
        let (book, faults) = compiled(judging(&format!("keep(`${{{expression}}}`)")));
        assert_eq!(faults, vec![], "{why}");
        assert_eq!(judge(&book, "probe", &facts).finding, want, "{expression}: {why}");
    }
}

/// The slope over `hours` with its bounds and points, each 10⁶-fold so that six more decimals show.
fn slope_shown(facts: &Arc<rulebook::facts::Facts>, hours: u32) -> String {
    let body = format!(
        "let s = bin.core.slope({hours}.hours);\n\
         keep(`${{s * 1000000}} ${{s.low * 1000000}} ${{s.high * 1000000}} ${{s.points}}`)"
    );
    let (book, faults) = compiled(judging(&body));
    assert_eq!(faults, vec![]);
    judge(&book, "probe", facts).finding
}

#[test]
fn slope_is_the_one_of_the_science_crate() {
    let text = "24h:60.3 20h:61 16h:58 9h:57 5h:57.5 0h:51";
    let facts = on_air("5d").core(text).done();
    let points: Vec<_> = facts.signals[0].window.range(TICK - Span::hours(24), TICK).collect();
    assert!(points.len() > 200);
    let want = pile::slope::theil_sen(&points).unwrap();
    let show = |v: f64| format!("{:.1} K/d", v * 1e6);
    let want = format!("{} {} {} {}", show(want.per_day), show(want.low95), show(want.high95), want.n);
    assert_eq!(slope_shown(&facts, 24), want);
}

#[test]
fn slope_does_not_depend_on_how_often_the_probe_reads() {
    let text = "2d:60.3 40h:61 30h:58 20h:57 10h:57.5 0h:51";
    let raw = built::series(text, Span::minutes(5));
    let want = pile::slope::theil_sen(&raw).unwrap().per_day;
    for interval in ["20s", "1min", "5min", "15min"] {
        let core = (site::model::Position::Core, site::quantity::Quantity::Temperature);
        let facts = on_air("5d").every(core.0, core.1, text, interval).done();
        let got: f64 = slope_shown(&facts, 48).split(' ').next().unwrap().parse().unwrap();
        assert!((got / 1e6 - want).abs() < 0.02, "{interval}: {} against {want} K/d", got / 1e6);
    }
}

#[test]
fn every_fault_of_a_header_is_told_at_once_with_its_place() {
    let good = judging("keep()").text;
    for (from, to, wants, why) in [
        ("title: \"T\", ", "", vec!["`RULE` lacks `title`"], "a key that is missing"),
        (
            "title: \"T\"",
            "titel: \"T\"",
            vec!["no key `titel`; did you mean `title`?", "lacks `title`"],
            "a slip of the hand",
        ),
        ("title: \"T\"", "title: 5", vec!["`title` is a number, not a text"], "a wrong type"),
        ("title: \"T\"", "title: \" \"", vec!["`title` is empty"], "nothing in it"),
        ("cause: \"c\"", "cause: \"c\" + \"d\"", vec!["`cause` is something to be worked out"], "only literals"),
        ("cause: \"c\"", "cause: `c ${1}`", vec!["`cause` is a text with `${...}`"], "interpolation is work"),
        ("response: [\"r\"]", "response: []", vec!["a condition without a response is no alarm"], "no response"),
        ("response: [\"r\"]", "response: \"r\"", vec!["`response` is a text, not a list"], "a text for a list"),
        (
            "response: [\"r\"]",
            "response: [\"r\", 5]",
            vec!["`response` is a number, not a text"],
            "a number in the list",
        ),
        ("\"6 h\"", "\"6 hours\"", vec!["`6 hours` is not a length of time"], "a unit we do not know"),
        ("\"6 h\"", "6", vec!["`time_to_respond` is a number, not a length of time"], "no unit"),
        ("\"2 d\"", "\"20 d\"", vec!["20 d is outside 1 min to 8 d"], "longer than windows reach"),
        (
            "\"major\"",
            "\"mayor\"",
            vec!["`severity` cannot be `mayor`; did you mean `major`?"],
            "a word we do not know",
        ),
        ("stages: []", "stages: [\"brewing\"]", vec!["`stages` cannot be `brewing`"], "a stage we do not know"),
        ("stages: [], ", "", vec!["lacks `stages`"], "stages must be said"),
        (
            "time_above: [\"hold\"]",
            "time_above: [\"hodl\"]",
            vec!["there is no setting `hodl`"],
            "an unknown threshold",
        ),
        (
            "time_above: [\"hold\"]",
            "time_above: [\"fall\"]",
            vec!["`fall` is not a temperature"],
            "a rate is no threshold",
        ),
        ("value: 55,", "value: 75,", vec!["its value 75 is outside 40 to 70"], "out of its own range"),
        ("value: 55,", "value: \"55\",", vec!["`value` is a text, not a number"], "a text for a number"),
        ("unit: \"°C\"", "unit: \"degrees\"", vec!["`degrees` is not a unit of a setting"], "a unit we do not know"),
        ("unit: \"K/d\", about: \"a\"", "unit: \"K/d\"", vec!["`fall` lacks `about`"], "a setting says what it does"),
        ("const RULE", "const RULES", vec!["outermost level", "there is no `const RULE"], "another constant"),
        ("const RULE", "let RULE", vec!["outermost level", "there is no `const RULE"], "a variable"),
        (
            "title: \"T\", watches_for: \"w\"",
            "title: 1, watches_for: 2, every: \"0 s\"",
            vec!["`title` is", "`watches_for` is", "`every`: 0 s is outside"],
            "three at once",
        ),
    ] {
        assert!(good.contains(from), "{why}: nothing to change");
        let text = RuleText { name: "probe".into(), path: "rules/probe.rhai".into(), text: good.replace(from, to) };
        let (book, faults) = compiled(text);
        assert!(book.rules().is_empty(), "{why}");
        for want in wants {
            assert!(faults.iter().any(|f| f.to_string().contains(want)), "{why}: `{want}` in {faults:#?}");
        }
        assert!(faults.iter().filter(|f| f.line.is_none()).count() <= 1, "{why}: {faults:?}");
    }
}

#[test]
fn a_header_reads_as_written() {
    let (book, faults) = compiled(judging("keep()"));
    assert_eq!(faults, vec![]);
    let rule = &book.rules()[0];
    assert_eq!(rule.revision.len(), 12);
    assert_eq!(rule.header.every, Span::minutes(10), "the default");
    assert_eq!(rule.header.window, Span::days(2));
    assert_eq!(rule.header.settings["hold"].value, 55.0);
    assert_eq!(rule.header.settings["hold"].converts, Some(Unit::Celsius));
    let other = compiled(judging("keep(\"\")")).0;
    assert_ne!(other.rules()[0].revision, rule.revision, "another text, another revision");
    let us = judging("keep(`${set.hold}`)");
    let text =
        us.text.replace("value: 55, min: 40, max: 70, unit: \"°C\"", "value: 131, min: 104, max: 158, unit: \"°F\"");
    let (book, faults) = compiled(RuleText { text, ..us });
    assert_eq!(faults, vec![]);
    assert_eq!(judge(&book, "probe", &on_air("1d").done()).finding, "55.0 °C", "°F in a header is kept as °C");
}

#[test]
fn changes_of_settings_are_checked_and_applied() {
    let texts = built::shipped();
    let compile = |rows: &[_]| Rulebook::compile(&texts, &changes(rows), Display::Metric);
    for (rule, setting, value, unit, want, why) in [
        ("hot-hold", "hold", 60.0, None, 60.0, "its own unit"),
        ("hot-hold", "hold", 131.0, Some(Unit::Fahrenheit), 55.0, "converted"),
        ("hot-hold", "hold_time", 3_600.0, Some(Unit::Minute), 60.0, "minutes into hours"),
        ("temperature-crash", "fall", 6.0, None, 6.0, "a rate"),
        ("temperature-crash", "fall", 10.8, Some(Unit::FahrenheitPerDay), 6.0, "a rate in °F"),
    ] {
        let (book, faults) = compile(&[(rule, setting, value, unit)]);
        assert_eq!(faults, vec![], "{why}");
        let got = book.rules().iter().find(|r| r.name == rule).unwrap().header.settings[setting].value;
        assert!((got - want).abs() < 1e-9, "{why}: {got}");
    }
    for (rule, setting, value, unit, want) in [
        ("hot-hodl", "hold", 60.0, None, "config/site.yaml:40: there is no rule `hot-hodl`; did you mean `hot-hold`?"),
        (
            "hot-hold",
            "hodl",
            60.0,
            None,
            "config/site.yaml:40: the rule hot-hold has no setting `hodl`; did you mean `hold`?",
        ),
        (
            "hot-hold",
            "hold",
            131.0,
            None,
            "config/site.yaml:40: hot-hold: hold: 131 °C is outside 45 to 70 °C; write `131 °F` if that is meant",
        ),
        (
            "hot-hold",
            "hold",
            250.0,
            Some(Unit::Fahrenheit),
            "config/site.yaml:40: hot-hold: hold: 250 °F is outside 45 to 70 °C; write a number in that range",
        ),
        (
            "hot-hold",
            "hold",
            50.0,
            Some(Unit::Percent),
            "config/site.yaml:40: hot-hold: hold: % is not a unit of this setting; write the number in °C, such as `55`",
        ),
        (
            "temperature-crash",
            "fall",
            10.0,
            Some(Unit::Fahrenheit),
            "config/site.yaml:40: temperature-crash: fall: °F is not a unit of this setting; write the number in K/d, such as `5.6`",
        ),
        (
            "temperature-crash",
            "fall",
            f64::NAN,
            None,
            "config/site.yaml:40: temperature-crash: fall: NaN K/d is outside 1 to 30 K/d; write a number in that range",
        ),
    ] {
        let (book, faults) = compile(&[(rule, setting, value, unit)]);
        assert_eq!(faults.iter().map(ToString::to_string).collect::<Vec<_>>(), vec![want.to_owned()]);
        assert_eq!(book.rules().len(), texts.len(), "the rule runs on with its own number");
    }
}

#[test]
fn judging_again_or_in_another_order_changes_nothing() {
    let book = built::book(Display::Metric);
    let make = || {
        on_air("8d")
            .core("8d:20 6d:60 2d:62 0h:50")
            .base("8d:20 0h:45")
            .upper("8d:20 0h:60")
            .counted("1d:0 0h:2160")
            .done()
    };
    let facts = make();
    let forward: Vec<_> = book.rules().iter().map(|r| book.judge(r, &facts)).collect();
    let again: Vec<_> = book.rules().iter().map(|r| book.judge(r, &facts)).collect();
    let mut backward: Vec<_> = book.rules().iter().rev().map(|r| book.judge(r, &make())).collect();
    backward.reverse();
    assert_eq!(forward, again, "remembered figures give the same answers");
    assert_eq!(forward, backward, "so do fresh facts in another order");
}

#[test]
fn two_rules_of_one_name_or_a_bad_name_are_faults_and_the_others_run() {
    let keep = judging("keep()");
    let texts = [
        keep.clone(),
        RuleText { path: "other/probe.rhai".into(), ..keep.clone() },
        RuleText { name: "Bad Name".into(), ..keep.clone() },
        RuleText { name: "big".into(), text: "/".repeat(100_000), ..keep },
    ];
    let (book, faults) = Rulebook::compile(&texts, &RuleSettings::default(), Display::Metric);
    assert_eq!(book.rules().len(), 1);
    let told: Vec<String> = faults.iter().map(ToString::to_string).collect();
    assert_eq!(told.len(), 3, "{told:?}");
    for want in ["two rules named `probe`", "`Bad Name` cannot be a rule's name", "100000 bytes"] {
        assert!(told.iter().any(|t| t.contains(want)), "{want}: {told:?}");
    }
}

#[test]
fn the_rule_shown_in_the_operators_readme_works() {
    let readme = include_str!("../../../rules/README.md");
    let text = readme.split("```rhai\n").nth(1).and_then(|rest| rest.split("```").next()).unwrap();
    let (book, faults) =
        compiled(RuleText { name: "readme".into(), path: "rules/README.md".into(), text: text.into() });
    assert_eq!(faults, vec![]);
    let answer = judge(&book, "readme", &on_air("5d").base("2d:40 0h:40").done());
    assert_eq!((answer.verdict, answer.finding.as_str()), (Verdict::Alarm, "base is at 40.0 °C"));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn arbitrary_text_never_panics(text in "\\PC{0,400}") {
        let (_, faults) = compiled(RuleText { name: "r".into(), path: "r.rhai".into(), text });
        prop_assert!(!faults.is_empty());
    }

    #[test]
    fn mangled_rules_never_panic(which in 0usize..9, at in 0usize..6000, cut in 0usize..80, insert in "[#{}()\\[\\]\"`$.;:a-z0-9 -]{0,12}") {
        let mut text = built::shipped()[which].clone();
        let floor = |text: &str, i: usize| (0..=i.min(text.len())).rev().find(|i| text.is_char_boundary(*i)).unwrap_or(0);
        let from = floor(&text.text, at);
        let to = floor(&text.text, from + cut).max(from);
        text.text.replace_range(from..to, &insert);
        let (book, _) = compiled(text);
        let facts = Arc::clone(&on_air("5d").core("2d:60 0h:50").counted("1d:0 0h:2160").done());
        for rule in book.rules() {
            let _ = book.judge(rule, &facts);
        }
    }
}
