//! What one judgement needs and leaves behind: the facts, what was already worked out, the evidence touched, the steps used up.
//!
//! Must never outlive its judgement, except for the figures that every rule over the same facts may share.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, PoisonError};

use pile::time::{Span, Timestamp};
use rhai::NativeCallContext;
use site::model::Display;

use crate::answer::Compared;
use crate::fact::{Fact, Kind, Trouble};
use crate::facts::Facts;
use crate::header::Header;
use crate::limits;
use crate::meter::Meter;
use crate::signals::{Asked, Figure, Over};
use crate::wording;

/// Figures already worked out over one [`Facts`]: signal, what was asked, over how long, with which gap bridged.
#[derive(Debug, Default)]
pub(crate) struct Memo(Mutex<BTreeMap<(usize, Asked, Over, Span), Figure>>);

impl Memo {
    /// The figure, worked out at the first asking.
    pub(crate) fn figure(&self, key: (usize, Asked, Over, Span), work: impl FnOnce() -> Figure) -> Figure {
        let mut known = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        known.entry(key).or_insert_with(work).clone()
    }
}

/// One run of one rule over one bin's facts.
#[derive(Debug)]
pub(crate) struct Judgement {
    pub(crate) facts: Arc<Facts>,
    pub(crate) memo: Arc<Memo>,
    pub(crate) header: Arc<Header>,
    meter: Arc<Meter>,
    pub(crate) display: Display,
    touched: Arc<Mutex<Touched>>,
}

#[derive(Debug, Default)]
struct Touched {
    evidence_at: Option<Timestamp>,
    limits: Vec<(Kind, f64)>,
    /// What was compared, where somebody wants to know.
    compared: Option<Vec<Compared>>,
}

/// Compared values that are remembered for printing, at the most.
const LIMITS_KEPT: usize = 64;

impl Judgement {
    pub(crate) fn new(
        facts: Arc<Facts>,
        memo: Arc<Memo>,
        header: Arc<Header>,
        display: Display,
        meter: Arc<Meter>,
    ) -> Judgement {
        let limits = header.settings.values().filter_map(|s| s.fact().value.ok().map(|v| (s.fact().kind, v))).collect();
        Judgement {
            facts,
            memo,
            header,
            meter,
            display,
            touched: Arc::new(Mutex::new(Touched { limits, ..Touched::default() })),
        }
    }

    /// The same judgement over other facts: what it uses and what it costs count together.
    pub(crate) fn over(&self, facts: &Arc<Facts>) -> Arc<Judgement> {
        Arc::new(Judgement {
            facts: Arc::clone(facts),
            memo: Arc::default(),
            header: Arc::clone(&self.header),
            meter: Arc::clone(&self.meter),
            display: self.display,
            touched: Arc::clone(&self.touched),
        })
    }

    /// The same judgement, writing down what it compares.
    pub(crate) fn written_down(self) -> Judgement {
        self.with_touched(|touched| touched.compared = Some(Vec::new()));
        self
    }

    /// What was compared, of a judgement that was [`written_down`](Judgement::written_down).
    pub(crate) fn compared(&self) -> Vec<Compared> {
        self.with_touched(|touched| touched.compared.take()).unwrap_or_default()
    }

    /// Writes a comparison down, if that is wanted; `words` is asked only then.
    pub(crate) fn has_compared(&self, context: &NativeCallContext, words: impl FnOnce(&Judgement) -> String) {
        if self.with_touched(|t| t.compared.as_ref().is_some_and(|c| c.len() < limits::COMPARISONS_KEPT)) {
            let line = context.call_position().line().unwrap_or(0);
            let compared = Compared { line, words: words(self) };
            self.with_touched(|touched| touched.compared.get_or_insert_default().push(compared));
        }
    }

    /// The judgement that a native function was called in.
    pub(crate) fn of(context: &NativeCallContext) -> Result<Arc<Judgement>, Trouble> {
        context
            .tag()
            .and_then(|tag| tag.read_lock::<Arc<Judgement>>().map(|j| Arc::clone(&j)))
            .ok_or_else(|| Trouble::Wrong("this can be used only inside `judge`".into()))
    }

    /// Notes that a reading of this instant was used.
    pub(crate) fn used(&self, at: Option<Timestamp>) {
        let at = at.filter(|at| *at <= self.facts.at);
        self.with_touched(|touched| touched.evidence_at = touched.evidence_at.max(at));
    }

    pub(crate) fn evidence_at(&self) -> Option<Timestamp> {
        self.with_touched(|touched| touched.evidence_at)
    }

    /// Charges `steps` on top of what the script itself has used, before the work is done.
    ///
    /// A figure that is remembered costs the same as one that is worked out, so that a rule's cost does not depend on the rules
    /// that ran before it.
    pub(crate) fn charge(&self, context: &NativeCallContext, steps: u64) -> Result<(), Trouble> {
        self.meter.script_at(context.global_runtime_state().num_operations());
        self.meter.charge(steps)
    }

    /// Charges a word that costs little and cannot fail; the script ends at its next step if that was too much.
    pub(crate) fn spend(&self, steps: u64) {
        self.meter.spend(steps);
    }

    /// Remembers a value that something was compared with: printing must not round across it.
    pub(crate) fn judged_against(&self, fact: &Fact, kind: Kind) {
        if let Ok(value) = fact.value {
            self.with_touched(|touched| {
                if touched.limits.len() < LIMITS_KEPT && !touched.limits.contains(&(kind, value)) {
                    touched.limits.push((kind, value));
                }
            });
        }
    }

    pub(crate) fn worded(&self, fact: &Fact) -> String {
        self.with_touched(|touched| wording::worded(fact, self.display, &touched.limits))
    }

    /// Checks a window against the one that the header states: the engine keeps no more than that.
    pub(crate) fn window(&self, span: Span) -> Result<Span, Trouble> {
        if span <= Span::ZERO {
            return Err(Trouble::Wrong("a window must be longer than no time at all; write 24.hours".into()));
        }
        if span > self.header.window {
            return Err(Trouble::Wrong(format!(
                "it looks back {span}, but its header says `window: \"{}\"`; make that longer",
                self.header.window
            )));
        }
        Ok(span)
    }

    fn with_touched<T>(&self, work: impl FnOnce(&mut Touched) -> T) -> T {
        work(&mut self.touched.lock().unwrap_or_else(PoisonError::into_inner))
    }
}
