//! What is wrong with a rule or with the site's changes to it, told so that its writer finds the place and knows the next step.
//!
//! Must never stand for missing data: a rule that cannot tell is not at fault.

use std::fmt;

use rhai::{EvalAltResult, ParseError, Position};

use crate::limits;
use crate::meter::UsedUp;

/// One fault in a rule's text, in what it did while it ran, or in a setting that the site changed.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub struct RuleFault {
    /// The rule's name.
    pub rule: String,
    /// The file: the rule's, or the settings file for a changed setting.
    pub path: String,
    /// Line, counted from 1.
    pub line: Option<usize>,
    /// Column, counted from 1.
    pub column: Option<usize>,
    /// What is wrong, one line.
    pub what: String,
    /// The line of the rule's text that it is about.
    pub source_line: Option<String>,
    /// The reader's next step.
    pub remedy: String,
    /// It costs too much to find this out at every judgement: the rule rests before it is tried again.
    pub rests: bool,
}

/// Prints `rules/temperature-crash.rhai:12:9: what is wrong; what to do`.
impl fmt::Display for RuleFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.path)?;
        if let Some(line) = self.line {
            write!(f, ":{line}")?;
        }
        if let (Some(_), Some(column)) = (self.line, self.column) {
            write!(f, ":{column}")?;
        }
        write!(f, ": {}; {}", self.what, self.remedy)
    }
}

impl RuleFault {
    /// A rule that costs more than there is room for beside the others.
    pub fn of_work(rule: &str, path: &str, what: String, remedy: &str) -> RuleFault {
        RuleFault {
            rule: rule.into(),
            path: path.into(),
            line: None,
            column: None,
            what,
            source_line: None,
            remedy: remedy.into(),
            rests: true,
        }
    }
}

/// A rule's text with its address, from which faults take their place.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Source<'a> {
    pub(crate) rule: &'a str,
    pub(crate) path: &'a str,
    pub(crate) text: &'a str,
}

impl Source<'_> {
    /// A fault at `at`.
    pub(crate) fn fault(&self, at: Position, what: impl Into<String>, remedy: impl Into<String>) -> RuleFault {
        let line = at.line();
        RuleFault {
            rule: self.rule.into(),
            path: self.path.into(),
            line,
            column: at.position(),
            what: one_line(what.into()),
            source_line: line.and_then(|n| self.text.lines().nth(n - 1)).map(|l| l.trim_end().to_owned()),
            remedy: remedy.into(),
            rests: false,
        }
    }

    /// The fault behind a text that does not parse.
    pub(crate) fn parse_fault(&self, error: &ParseError) -> RuleFault {
        self.fault(
            error.position(),
            error.err_type().to_string(),
            "correct the text there; rules/README.md shows the form",
        )
    }

    /// The fault behind a run that failed, at the innermost place that is known; `judge` is where the run began.
    pub(crate) fn run_fault(&self, error: &EvalAltResult, judge: Position) -> RuleFault {
        let (inner, at) = innermost(error);
        let at = if at.is_none() { judge } else { at };
        let (what, remedy) = explained(inner);
        RuleFault { rests: is_used_up(inner), ..self.fault(at, what, remedy) }
    }

    /// The fault of a run in which the program itself failed.
    pub(crate) fn panic_fault(&self, panic: &fence::Panic, judge: Position) -> RuleFault {
        let remedy =
            "please report it with this rule; until it is mended, write the rule in another way or take it out";
        RuleFault { rests: true, ..self.fault(judge, panic.to_string(), remedy) }
    }
}

/// The error inside all wrappers, with the innermost position that is known.
pub(crate) fn innermost(error: &EvalAltResult) -> (&EvalAltResult, Position) {
    let (mut error, mut at) = (error, error.position());
    while let EvalAltResult::ErrorInFunctionCall(_, _, inner, _) | EvalAltResult::ErrorInModule(_, inner, _) = error {
        error = inner;
        if !error.position().is_none() {
            at = error.position();
        }
    }
    (error, at)
}

/// Whether a run ended because it had cost all that it may.
pub(crate) fn is_used_up(error: &EvalAltResult) -> bool {
    match error {
        EvalAltResult::ErrorTooManyOperations(_) => true,
        EvalAltResult::ErrorTerminated(token, _) => token.is::<UsedUp>(),
        _ => false,
    }
}

const SEE_README: &str = "rules/README.md lists what a rule may use";

fn explained(error: &EvalAltResult) -> (String, String) {
    use EvalAltResult as E;
    let (what, remedy) = match error {
        error if is_used_up(error) => (
            format!("it was stopped after {} steps", limits::OPERATIONS),
            "look for a loop without an end, or ask for shorter windows",
        ),
        E::ErrorStackOverflow(_) => (
            format!("functions call each other more than {} deep", limits::CALL_LEVELS),
            "write a loop with an end instead",
        ),
        E::ErrorDataTooLarge(kind, _) => (
            format!("it builds more than a rule may hold ({})", plain_types(&kind.to_lowercase())),
            "keep texts and lists short",
        ),
        E::ErrorTooManyVariables(_) => {
            (format!("it has more than {} variables", limits::VARIABLES), "use fewer, or a function")
        }
        E::ErrorFunctionNotFound(name, _) => (format!("there is no function `{}`", plain_types(name)), SEE_README),
        E::ErrorVariableNotFound(name, _) => (
            format!("`{name}` is not known here"),
            "a function sees only its own arguments and variables: hand it over",
        ),
        E::ErrorPropertyNotFound(name, _) => (format!("there is no `{name}` here"), SEE_README),
        E::ErrorIndexNotFound(name, _) => (format!("there is no `{name}` here"), SEE_README),
        E::ErrorDotExpr(name, _) => (plain_types(name), SEE_README),
        E::ErrorIndexingType(name, _) => {
            (format!("nothing can be taken out by index: {}", plain_types(name)), SEE_README)
        }
        E::ErrorArrayBounds(length, index, _) => {
            (format!("item {index} of a list of {length}"), "items are counted from 0; ask `.len()` first")
        }
        E::ErrorStringBounds(length, index, _) => {
            (format!("character {index} of a text of {length}"), "characters are counted from 0; ask `.len()` first")
        }
        E::ErrorMismatchDataType(want, got, _) | E::ErrorMismatchOutputType(want, got, _) => {
            (format!("{} was given where {} is needed", plain_types(got), plain_types(want)), SEE_README)
        }
        E::ErrorArithmetic(what, _) => (plain_types(what), "check the numbers that come in"),
        E::ErrorRuntime(thrown, _) => (thrown.to_string(), "correct the rule there"),
        E::ErrorParsing(what, _) => (what.to_string(), "correct the text there; rules/README.md shows the form"),
        other => {
            // The text ends in a position of its own, which the fault carries already.
            let text = other.to_string();
            let cut = text.rfind(" (line ").map_or(text.as_str(), |end| &text[..end]);
            (plain_types(cut), SEE_README)
        }
    };
    (what, remedy.to_owned())
}

/// Names of types as an operator would say them.
pub(crate) fn plain_types(text: &str) -> String {
    [
        ("&str | ImmutableString | String", "text"),
        ("ImmutableString", "text"),
        ("&str", "text"),
        ("i64", "whole number"),
        ("f64", "number"),
        ("bool", "true/false"),
        ("array", "list"),
        ("string", "text"),
    ]
    .iter()
    .fold(text.to_owned(), |said, (from, to)| said.replace(from, to))
}

fn one_line(text: String) -> String {
    if text.contains(['\n', '\r']) { text.split_whitespace().collect::<Vec<_>>().join(" ") } else { text }
}

/// `; did you mean ...` or nothing: the known name that is the fewest slips of the hand away, if it is near enough.
pub(crate) fn did_you_mean<'a>(word: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let near_enough = match word.chars().count() {
        0..=2 => 1,
        3..=5 => 2,
        _ => 3,
    };
    known
        .into_iter()
        .map(|candidate| (slips(word, candidate), candidate))
        .filter(|(distance, _)| *distance <= near_enough)
        .min()
        .map(|(_, candidate)| candidate)
}

/// Letters to add, drop, change or swap with a neighbour to get from one word to the other.
fn slips(a: &str, b: &str) -> usize {
    let (a, b): (Vec<char>, Vec<char>) = (a.chars().take(60).collect(), b.chars().take(60).collect());
    let mut rows: Vec<Vec<usize>> = vec![(0..=b.len()).collect()];
    for i in 1..=a.len() {
        let mut row = vec![i];
        for j in 1..=b.len() {
            let changed = rows[i - 1][j - 1] + usize::from(a[i - 1] != b[j - 1]);
            let mut best = changed.min(rows[i - 1][j] + 1).min(row[j - 1] + 1);
            if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                best = best.min(rows[i - 2][j - 2] + 1);
            }
            row.push(best);
        }
        rows.push(row);
    }
    rows[a.len()][b.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_nearest_known_name_is_offered_when_it_is_near_enough() {
        for (word, want, why) in [
            ("fal", Some("fall"), "a letter left out"),
            ("flal", Some("fall"), "two letters swapped"),
            ("hodl_time", Some("hold_time"), "swapped in a longer word"),
            ("humidity", None, "nothing like it"),
            ("", None, "nothing written"),
        ] {
            assert_eq!(did_you_mean(word, ["fall", "hold", "hold_time"]), want, "{why}");
        }
    }

    #[test]
    fn a_fault_prints_its_place_first() {
        let source = Source { rule: "r", path: "rules/r.rhai", text: "one\n  two  \n" };
        let fault = source.fault(Position::new(2, 3), "what is wrong", "what to do");
        assert_eq!(fault.to_string(), "rules/r.rhai:2:3: what is wrong; what to do");
        assert_eq!(fault.source_line.as_deref(), Some("  two"));
        assert_eq!(source.fault(Position::NONE, "w", "d").to_string(), "rules/r.rhai: w; d");
    }
}
