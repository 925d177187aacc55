//! Results in rule cases: how the batch stands against a criterion from some time on, in shorthand.
//!
//! Must never judge anything: a case says what the judge would have said.

use pile::time::{Span, Timestamp};
use site::judge::{Outcome, Standing};

use crate::header_text::span_of;

/// What a line of results must look like.
pub(super) const RESULTS: &str =
    "write when, the criterion, its result and its hours, such as `3 d: us503-pfrp-asp met, 72 of 72 h`";

/// A result of a case: what it is, and the times in it counted from the beginning of the case.
#[derive(Clone, Debug, PartialEq)]
pub struct CaseResult {
    /// From when on.
    pub at: Span,
    /// How the batch stands.
    standing: Standing,
}

impl CaseResult {
    /// How the batch stands, in a case that begins at an instant.
    pub fn standing(&self, begin: Timestamp) -> Standing {
        let at = begin + self.at;
        let left =
            Span::from_seconds_f64((self.standing.hours_needed - self.standing.hours_counted).max(0.0) * 3_600.0);
        Standing {
            met_at: (self.standing.result == Outcome::Met).then_some(at),
            earliest_at: (self.standing.result == Outcome::Running).then_some(at + left),
            ..self.standing.clone()
        }
    }
}

/// Reads `3 d: us503-pfrp-asp met, 72 of 72 h`.
pub(super) fn read(text: &str) -> Option<CaseResult> {
    let (at, rest) = text.split_once(": ")?;
    let (what, hours) = rest.split_once(", ")?;
    let (criterion, result) = what.trim().split_once(' ')?;
    let (counted, needed) = hours.trim().strip_suffix(" h")?.split_once(" of ")?;
    let hours = |text: &str| text.trim().parse::<f64>().ok().filter(|h| h.is_finite() && *h >= 0.0);
    Some(CaseResult {
        at: span_of(at)?,
        standing: Standing {
            criterion: criterion.to_owned(),
            result: Outcome::named(result.trim())?,
            met_at: None,
            earliest_at: None,
            hours_counted: hours(counted)?,
            hours_needed: hours(needed)?,
            coverage_fraction: Some(1.0),
        },
    })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn a_line_says_when_what_and_how_far() {
        let begin = Timestamp::from_millis(0);
        let met = read("3 d: us503-pfrp-asp met, 72 of 72 h").unwrap();
        assert_eq!((met.at, met.standing(begin).met_at), (Span::days(3), Some(begin + Span::days(3))));
        let running = read("36 h: own running, 30 of 72 h").unwrap().standing(begin);
        assert_eq!(running.earliest_at, Some(begin + Span::hours(36 + 42)), "what is left, from then on");
        let unknown = read("1 d: own cannot tell, 0 of 72 h").unwrap().standing(begin);
        assert_eq!((unknown.result, unknown.met_at, unknown.earliest_at), (Outcome::CannotTell, None, None));
        for wrong in [
            "own met, 72 of 72 h",
            "3 d: own passed, 72 of 72 h",
            "3 d: own met",
            "3 d: own met, -1 of 72 h",
            "soon: own met, 1 of 2 h",
        ] {
            assert_eq!(read(wrong), None, "{wrong}");
        }
    }
}
