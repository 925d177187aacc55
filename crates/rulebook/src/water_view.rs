//! What a rule sees of the running water account of the batch, and of the food that its heat has taken.
//!
//! Must never give a number where no account is kept: everything is unknown then, with the reason.

use std::sync::Arc;

use pile::dose::GOAL;
use pile::time::Span;
use pile::units::Fraction;
use pile::water_account::{Until, WaterAccount, time_to_give};
use rhai::{Dynamic, Engine, ImmutableString};
use site::quantity::Unit;

use crate::bin_view::{Bin, time};
use crate::dose::{self, BinDose};
use crate::fact::{Bounds, Fact, Kind, Trouble};
use crate::judgement::Judgement;
use crate::language::{Draft, Outcome, length, room, shortened};
use crate::limits;

/// The water account.
#[derive(Clone, Debug)]
struct WaterView(Arc<Judgement>);

/// What its heat says.
#[derive(Clone, Debug)]
struct HeatView(Arc<Judgement>);

const HOSE_UNKNOWN: &str = "the settings do not say what the hose gives: `hose_l_per_min` of the bin";
const MOISTURE: Kind = Kind::Amount(Unit::Percent);

pub(crate) fn register(engine: &mut Engine) {
    engine.register_type_with_name::<WaterView>("water account");
    engine.register_type_with_name::<HeatView>("heat account");
    engine.register_get("water", |bin: &mut Bin| WaterView(Arc::clone(&bin.0)));
    engine.register_get("heat", |bin: &mut Bin| HeatView(Arc::clone(&bin.0)));
    engine.register_get("known", |water: &mut WaterView| water.account().is_ok());
    engine.register_get("moisture", |water: &mut WaterView| water.moisture());
    engine.register_get("age", |water: &mut WaterView| {
        water.of(Kind::Time, |w, a| time(w.0.facts.at.since(a.at())).number().ok())
    });
    engine.register_fn("litres_to", |water: &mut WaterView, goal: Dynamic| -> Outcome<Fact> {
        Ok(water.litres_to(&goal)?)
    });
    engine.register_fn("minutes_to", |water: &mut WaterView, goal: Dynamic| -> Outcome<Fact> {
        Ok(water.minutes_to(&goal)?)
    });
    engine.register_get("dose", |water: &mut WaterView| water.dose(Kind::Volume, |dose| Some(dose.said.litres.0)));
    engine.register_get("dose_minutes", |water: &mut WaterView| {
        water.dose(Kind::Time, |dose| dose.said.minutes.map(|minutes| minutes * 60.0))
    });
    engine.register_get("dose_words", |water: &mut WaterView| -> ImmutableString {
        water.dose_now().map_or_else(|_| dose::UNKNOWN.into(), |dose| dose.said.words.into())
    });
    engine.register_get("range", |water: &mut WaterView| -> ImmutableString {
        water.0.spend(limits::WATER);
        dose::range(&water.0.facts, GOAL, water.0.display).map_or_else(|_| "unknown".into(), Into::into)
    });
    engine.register_fn("dose", |answer: Draft, water: WaterView| -> Outcome<Draft> {
        let mut answer = room(answer)?;
        match water.dose_now() {
            Ok(dose) => {
                let line = dose.line();
                // Where the rule names a deed of its own, that one stands in the subject.
                answer.deed = answer.deed.or_else(|| dose::deed(&line));
                answer.evidence.push(shortened(&line));
            }
            Err(why) => answer.evidence.push(shortened(&format!("No amount of water is named: {why}"))),
        }
        if let Ok(range) = dose::range(&water.0.facts, GOAL, water.0.display) {
            answer = room(answer)?;
            answer.evidence.push(shortened(&format!("By the water balance it lacks {range} to 55 % moisture")));
        }
        Ok(answer)
    });
    engine.register_fn("dose", |answer: Draft, words: ImmutableString| -> Outcome<Draft> {
        let mut answer = room(answer)?;
        answer.evidence.push(shortened(&format!("{}{words}", dose::DOSE_LINE)));
        Ok(answer)
    });
    engine.register_fn("days_until", |water: &mut WaterView, goal: Dynamic| -> Outcome<Fact> {
        Ok(water.days_until(&goal)?)
    });
    engine.register_fn("surplus", |water: &mut WaterView, over: Dynamic| -> Outcome<Fact> {
        Ok(surplus(&Bin(Arc::clone(&water.0)), length(&over)?))
    });
    engine.register_get("left", |heat: &mut HeatView| {
        WaterView(Arc::clone(&heat.0)).of(Kind::Share, |_, a| {
            let (left, gone) = (a.degradable_left().0, a.oxidised().0.max(0.0));
            (left + gone > 0.0).then(|| left / (left + gone))
        })
    });
}

impl WaterView {
    fn account(&self) -> Result<&WaterAccount, &str> {
        self.0.spend(limits::WATER);
        self.0.facts.water.account.as_deref().map_err(String::as_str)
    }

    fn of(&self, kind: Kind, value: impl FnOnce(&WaterView, &WaterAccount) -> Option<f64>) -> Fact {
        match self.account() {
            Err(why) => Fact::unknown(kind, format!("water balance: {why}")),
            Ok(account) => {
                self.0.used(Some(account.at()));
                match value(self, account).filter(|v| v.is_finite()) {
                    Some(value) => Fact::known(kind, value),
                    None => Fact::unknown(kind, "the water balance cannot tell"),
                }
            }
        }
    }

    /// In percent, with its 95 % band as bounds.
    fn moisture(&self) -> Fact {
        let fact = self.of(MOISTURE, |_, account| Some(account.moisture().value.0 * 100.0));
        let bounds = self.account().ok().map(|account| {
            let m = account.moisture();
            Bounds { low: m.low.0 * 100.0, high: m.high.0 * 100.0, points: 0 }
        });
        Fact { bounds: bounds.filter(|_| fact.value.is_ok()), ..fact }
    }

    /// What to give at once, or why no amount is named.
    fn dose_now(&self) -> Result<BinDose, String> {
        let looked_at = self.0.facts.signals.len() + self.0.facts.results.len();
        self.0.spend(limits::WATER + limits::GATHERING * looked_at as u64);
        dose::of(&self.0.facts, self.0.display)
    }

    fn dose(&self, kind: Kind, value: impl FnOnce(BinDose) -> Option<f64>) -> Fact {
        match self.dose_now() {
            Err(why) => Fact::unknown(kind, why),
            Ok(dose) => match value(dose) {
                Some(value) => Fact::known(kind, value),
                None => Fact::unknown(kind, HOSE_UNKNOWN),
            },
        }
    }

    fn litres_to(&self, goal: &Dynamic) -> Result<Fact, Trouble> {
        let goal = fraction(goal)?;
        let lack = self.account().ok().and_then(|account| account.litres_to(goal).ok());
        let fact = self.of(Kind::Volume, |_, _| lack.map(|l| l.value.0));
        let bounds = lack.map(|l| Bounds { low: l.low.0, high: l.high.0, points: 0 });
        Ok(Fact { bounds: bounds.filter(|_| fact.value.is_ok()), ..fact })
    }

    fn minutes_to(&self, goal: &Dynamic) -> Result<Fact, Trouble> {
        let goal = fraction(goal)?;
        let Some(hose) = self.0.facts.water.hose else {
            return Ok(Fact::unknown(Kind::Time, HOSE_UNKNOWN));
        };
        Ok(self.of(Kind::Time, |_, account| {
            let lack = account.litres_to(goal).ok()?;
            time_to_give(lack.value, hose).ok().map(|t| t.as_seconds())
        }))
    }

    fn days_until(&self, goal: &Dynamic) -> Result<Fact, Trouble> {
        let goal = fraction(goal)?;
        let until = match self.account() {
            Err(why) => return Ok(Fact::unknown(Kind::Time, format!("water balance: {why}"))),
            Ok(account) => account.until(goal),
        };
        let unknown = |why: &str| Ok(Fact::unknown(Kind::Time, why));
        match until {
            Ok(Until::Reached) => Ok(self.of(Kind::Time, |_, _| Some(0.0))),
            Ok(Until::In { value, low, high }) => {
                let fact = self.of(Kind::Time, |_, _| Some(value.as_seconds()));
                let bounds =
                    Bounds { low: low.as_seconds(), high: high.map_or(f64::INFINITY, |h| h.as_seconds()), points: 0 };
                Ok(Fact { bounds: Some(bounds), ..fact })
            }
            Ok(Until::Rising) => unknown("the bin is getting wetter"),
            Ok(Until::TooShort) => unknown("the water balance is too young to have a rate"),
            Ok(Until::CannotTell) | Err(_) => unknown("the water balance cannot tell"),
        }
    }
}

/// What people watered in the last `over` less what the air carries off in such a time, by the account's mean since on-air; litres for each
/// cubic metre of the bin.
pub(crate) fn surplus(bin: &Bin, over: Span) -> Fact {
    let view = WaterView(Arc::clone(&bin.0));
    let given = bin.watered_over(over);
    let Ok(given) = given.number() else { return given };
    let age = bin.batch().age().number().unwrap_or(0.0);
    let volume = bin.0.facts.water.volume.0;
    // Over a few hours a mean says nothing.
    let lived = over.as_seconds().clamp(0.0, age);
    if lived < Span::hours(24).as_seconds() || volume <= 0.0 {
        return Fact::unknown(Kind::Volume, "the batch is too young to say what its air carries off");
    }
    view.of(Kind::Volume, |_, account| Some((given - account.totals().removed.0.max(0.0) * lived / age) / volume))
}

/// A moisture handed to a function, as a fraction.
fn fraction(goal: &Dynamic) -> Result<Fraction, Trouble> {
    let wrong = || Trouble::Wrong("this needs a moisture of 5 to 90 percent; write 55.percent".into());
    let fact = Fact::from_dynamic(goal).filter(|f| f.kind == MOISTURE).ok_or_else(wrong)?;
    let percent = fact.number()?;
    if (5.0..=90.0).contains(&percent) { Ok(Fraction(percent / 100.0)) } else { Err(wrong()) }
}
