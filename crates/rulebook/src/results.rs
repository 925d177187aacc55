//! What a rule sees of results: how the batch stands against the criteria that the site is judged by, and of the recipe it was made by.
//!
//! Must never fail because a site chose no criterion: what is not judged cannot be told.

use std::sync::Arc;

use rhai::{Array, Dynamic, Engine, ImmutableString};
use site::entry::{EntryKind, Filled};
use site::judge::{Outcome, Standing};
use site::quantity::Quantity;

use crate::bin_view::{BatchView, Bin, time};
use crate::fact::{Fact, Kind};
use crate::judgement::Judgement;
use crate::limits;

/// How the batch stands against one criterion.
#[derive(Clone, Debug)]
pub(crate) struct ResultView {
    judgement: Arc<Judgement>,
    criterion: ImmutableString,
}

/// Puts the words into the language.
pub(crate) fn register(engine: &mut Engine) {
    engine.register_type_with_name::<ResultView>("result");
    engine.register_get("results", |bin: &mut Bin| -> Array {
        let all = bin.0.facts.results.iter();
        bin.0.spend(limits::GATHERING * all.len() as u64);
        all.map(|s| Dynamic::from(ResultView::new(bin, s.criterion.as_str().into()))).collect()
    });
    engine.register_fn("result", |bin: &mut Bin, criterion: ImmutableString| ResultView::new(bin, criterion));
    engine.register_get("criterion", |r: &mut ResultView| r.criterion.clone());
    engine.register_get("result", |r: &mut ResultView| -> ImmutableString { r.outcome().key().into() });
    engine.register_get("met", |r: &mut ResultView| r.outcome() == Outcome::Met);
    engine.register_get("running", |r: &mut ResultView| r.outcome() == Outcome::Running);
    engine.register_get("not_met", |r: &mut ResultView| r.outcome() == Outcome::NotMet);
    engine.register_get("cannot_tell", |r: &mut ResultView| r.outcome() == Outcome::CannotTell);
    engine.register_get("met_ago", |r: &mut ResultView| {
        let at = r.judgement.facts.at;
        r.fact("it is not met", |s| s.met_at.map(|met| time(at.since(met))))
    });
    engine.register_get("left", |r: &mut ResultView| {
        let at = r.judgement.facts.at;
        r.fact("it is met, or cannot be met any more", |s| s.earliest_at.map(|earliest| time(earliest.since(at))))
    });
    engine.register_get("counted", |r: &mut ResultView| r.fact("", |s| Some(hours(s.hours_counted))));
    engine.register_get("needed", |r: &mut ResultView| r.fact("", |s| Some(hours(s.hours_needed))));
    engine.register_get("coverage", |r: &mut ResultView| {
        r.fact("no time has passed yet", |s| s.coverage_fraction.map(|share| Fact::known(Kind::Share, share)))
    });

    engine.register_get("mix_moisture", |b: &mut BatchView| {
        b.mix(Kind::of(Quantity::Moisture), "how moist the mix was", |filled| filled.moisture_percent)
    });
    engine.register_get("mix_kilograms", |b: &mut BatchView| {
        b.mix(Kind::Number, "how much went in", |filled| Some(filled.wet_mass.0))
    });
    engine.register_get("mix_carbon_to_nitrogen", |b: &mut BatchView| {
        b.mix(Kind::Number, "what the C:N of the mix was", |filled| filled.carbon_to_nitrogen)
    });
    engine.register_get("mix_degradable", |b: &mut BatchView| {
        let share = |filled: Filled| filled.degradable_percent.map(|percent| percent / 100.0);
        b.mix(Kind::Share, "how much of the mix can decay", share)
    });
}

fn hours(hours: f64) -> Fact {
    Fact::known(Kind::Time, hours * 3_600.0)
}

impl ResultView {
    fn new(bin: &Bin, criterion: ImmutableString) -> ResultView {
        ResultView { judgement: Arc::clone(&bin.0), criterion }
    }

    fn standing(&self) -> Option<&Standing> {
        self.judgement.spend(limits::GATHERING + self.judgement.facts.results.len() as u64);
        self.judgement.facts.results.iter().find(|s| s.criterion == self.criterion.as_str())
    }

    fn outcome(&self) -> Outcome {
        self.standing().map_or(Outcome::CannotTell, |s| s.result)
    }

    /// A number of the result; `without` says why there is none where it was judged.
    fn fact(&self, without: &str, of: impl Fn(&Standing) -> Option<Fact>) -> Fact {
        match self.standing() {
            Some(standing) => of(standing).unwrap_or_else(|| Fact::unknown(Kind::Time, without)),
            None => {
                let why = format!(
                    "the batch was not judged by {}; choose it under `criteria` in the settings",
                    self.criterion
                );
                Fact::unknown(Kind::Time, &why)
            }
        }
    }
}

impl BatchView {
    /// What somebody wrote at on-air about what was filled in.
    fn mix(&self, kind: Kind, what: &str, of: impl Fn(Filled) -> Option<f64>) -> Fact {
        let Some(batch) = self.batch() else { return Fact::unknown(kind, "there is no batch in the bin") };
        let entries = self.0.facts.entries.iter().rev();
        self.0.spend(limits::GATHERING + entries.len() as u64);
        let filling = entries.filter(|e| e.at >= batch.in_bin_since).find_map(|e| match e.kind {
            EntryKind::OnAir { filling, .. } => Some(filling),
            _ => None,
        });
        match filling.flatten().and_then(of) {
            Some(value) => Fact::known(kind, value),
            None => Fact::unknown(kind, format!("nobody wrote {what}")),
        }
    }
}
