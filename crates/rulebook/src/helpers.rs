//! The usual judgements in one call each: high, low, falling, silent, spread. Each is a whole answer with its words and figures.
//!
//! Must never answer "clear" where something it needs is unknown.

use rhai::{Array, Dynamic, Engine, ImmutableString, NativeCallContext};

use crate::answer::Verdict;
use crate::bin_view::Bin;
use crate::fact::{Fact, Kind, Trouble};
use crate::header::Evidence;
use crate::judgement::Judgement;
use crate::language::{Draft, Outcome, length, shortened};
use crate::signals::{Asked, Over, SignalSet};

/// On which side of its limit a value is wrong.
#[derive(Clone, Copy)]
enum Wrong {
    Over,
    Under,
}

/// Registers them with the script engine.
pub(crate) fn register(engine: &mut Engine) {
    for (name, wrong) in [("high", Wrong::Over), ("low", Wrong::Under)] {
        engine.register_fn(
            name,
            move |context: NativeCallContext, of: Dynamic, limit: Dynamic, deadband: Dynamic| -> Outcome<Draft> {
                let (said, value) = subject(&context, name, &of)?;
                Ok(beyond(&context, wrong, &said, &value, &limit, &deadband)?.called(&context))
            },
        );
        engine.register_fn(
            name,
            move |context: NativeCallContext,
                  said: ImmutableString,
                  of: Dynamic,
                  limit: Dynamic,
                  deadband: Dynamic|
                  -> Outcome<Draft> {
                let value = subject(&context, name, &of)?.1;
                Ok(beyond(&context, wrong, &said, &value, &limit, &deadband)?.called(&context))
            },
        );
    }
    engine.register_fn(
        "falling",
        |context: NativeCallContext, signal: SignalSet, rate: Dynamic, window: Dynamic| -> Outcome<Draft> {
            Ok(falling(&context, &signal, &rate, &window)?.called(&context))
        },
    );
    engine.register_fn("silent", |context: NativeCallContext, signal: SignalSet, time: Dynamic| -> Outcome<Draft> {
        Ok(silent(&context, &signal, &time)?.called(&context))
    });
    engine.register_fn("spread", |context: NativeCallContext, list: Array, limit: Dynamic| -> Outcome<Draft> {
        Ok(spread(&context, &list, &limit, None)?.called(&context))
    });
    engine.register_fn(
        "spread",
        |context: NativeCallContext, list: Array, limit: Dynamic, deadband: Dynamic| -> Outcome<Draft> {
            Ok(spread(&context, &list, &limit, Some(&deadband))?.called(&context))
        },
    );
}

/// What is judged: the newest value of a signal with its name, or a fact.
fn subject(context: &NativeCallContext, helper: &str, of: &Dynamic) -> Result<(String, Fact), Trouble> {
    if let Some(signal) = of.read_lock::<SignalSet>() {
        let value = signal.median(context, Asked::Last, Over::last(pile::time::Span::ZERO))?;
        return Ok((signal.said().to_string(), value));
    }
    match Fact::from_dynamic(of) {
        Some(fact) => Ok(("it".into(), fact)),
        None => Err(Trouble::Wrong(format!("`{helper}` needs a signal or a fact, as in `{helper}(bin.core, ...)`"))),
    }
}

fn fact_of(what: &str, value: &Dynamic) -> Result<Fact, Trouble> {
    Fact::from_dynamic(value).ok_or_else(|| Trouble::Wrong(format!("the {what} must be a number or a fact")))
}

/// A bare number beside a value of a kind is of that kind.
fn like(number: Fact, kind: Kind) -> Fact {
    if number.kind == Kind::Number { Fact { kind, ..number } } else { number }
}

fn beyond(
    context: &NativeCallContext,
    wrong: Wrong,
    said: &str,
    value: &Fact,
    limit: &Dynamic,
    deadband: &Dynamic,
) -> Result<Draft, Trouble> {
    let judgement = Judgement::of(context)?;
    let limit = like(fact_of("limit", limit)?, value.kind);
    let band = like(fact_of("deadband", deadband)?, value.kind.change()).magnitude();
    let back = match wrong {
        Wrong::Over => limit.minus(&band)?,
        Wrong::Under => limit.plus(&band)?,
    };
    if let Err(why) = &value.value {
        return Ok(draft(Verdict::CannotTell, why));
    }
    for against in [&limit, &back] {
        judgement.judged_against(against, value.kind);
    }
    let (at_limit, at_back) = match wrong {
        Wrong::Over => (value.compared(&limit)?, value.compared(&back)?),
        Wrong::Under => (value.compared(&limit)?.reverse(), value.compared(&back)?.reverse()),
    };
    let (shown, limit, back) = (judgement.worded(value), judgement.worded(&limit), judgement.worded(&back));
    let (past, inside) = match wrong {
        Wrong::Over => ("over", "at or below"),
        Wrong::Under => ("under", "at or above"),
    };
    let mut answer = if at_limit.is_gt() {
        draft(Verdict::Alarm, &format!("{said} is at {shown}, {past} {limit}"))
    } else if at_back.is_le() {
        draft(Verdict::Clear, &format!("{said} is at {shown}, {inside} {back}"))
    } else {
        draft(Verdict::Keep, &format!("{said} is at {shown}, between {back} and {limit}"))
    };
    answer.evidence.push(format!("limit: {past} {limit}; over again {inside} {back}"));
    answer.figures.push((shortened(said), shown));
    Ok(answer)
}

fn falling(
    context: &NativeCallContext,
    signal: &SignalSet,
    rate: &Dynamic,
    window: &Dynamic,
) -> Result<Draft, Trouble> {
    let judgement = Judgement::of(context)?;
    let span = judgement.window(length(window)?)?;
    let slope = signal.median(context, Asked::Slope, Over::last(span))?;
    let now = signal.median(context, Asked::Last, Over::last(pile::time::Span::ZERO))?;
    let limit = like(fact_of("rate", rate)?, slope.kind).magnitude().negated();
    let quiet = limit.over(&Fact::known(Kind::Number, 2.0))?;
    if let Err(why) = slope.value.as_ref().and(now.value.as_ref()) {
        return Ok(draft(Verdict::CannotTell, why));
    }
    for against in [&limit, &quiet] {
        judgement.judged_against(against, slope.kind);
    }
    let (said, fall) = (signal.said(), slope.negated());
    let shown = judgement.worded(&fall);
    // Both must hold: the slope itself, and that it falls at all as far as its noise lets us know.
    let certain = slope.bounds.is_some_and(|b| b.high < 0.0);
    let mut answer = if slope.compared(&limit)?.is_le() && certain {
        draft(Verdict::Alarm, &format!("{said} falls {shown} over {span}, now {}", judgement.worded(&now)))
    } else if slope.compared(&quiet)?.is_gt() {
        let change = judgement.worded(&slope);
        draft(Verdict::Clear, &format!("{said} changes by {change} over {span}, now {}", judgement.worded(&now)))
    } else {
        draft(Verdict::Keep, &format!("{said} falls {shown} over {span}, more than half of the limit"))
    };
    answer.evidence.push(format!("limit: a fall of {}", judgement.worded(&limit.negated())));
    if let Some(bounds) = fall.bounds {
        let [low, high] = [bounds.low, bounds.high].map(|b| judgement.worded(&Fact::known(fall.kind, b)));
        answer.evidence.push(format!("the fall lies between {low} and {high} (95 %), from {} points", bounds.points));
    }
    answer.figures.push((format!("{said} slope"), judgement.worded(&slope)));
    answer.figures.push((said.to_string(), judgement.worded(&now)));
    Ok(answer)
}

fn silent(context: &NativeCallContext, signal: &SignalSet, time: &Dynamic) -> Result<Draft, Trouble> {
    let judgement = Judgement::of(context)?;
    if judgement.header.evidence != Evidence::Clock {
        return Err(Trouble::Wrong(
            "silence is judged by the clock, not by readings; write `evidence: \"clock\"` in the header".into(),
        ));
    }
    let limit = Fact::known(Kind::Time, length(time)?.as_seconds());
    let said = signal.said();
    if signal.count() == 0 {
        return Ok(draft(Verdict::CannotTell, &format!("{said}: there is no such probe")));
    }
    // Silence counts only while we were listening.
    let (age, watching) = (signal.age(), Bin(std::sync::Arc::clone(&judgement)).watching());
    let silence = match (&age.value, &watching.value) {
        (Ok(age), Ok(watching)) => age.min(*watching),
        (_, watching) => watching.as_ref().copied().unwrap_or(0.0),
    };
    let silence = Fact::known(Kind::Time, silence);
    judgement.judged_against(&limit, Kind::Time);
    let shown = judgement.worded(&silence);
    let mut answer = if silence.compared(&limit)?.is_gt() {
        draft(Verdict::Alarm, &format!("{said}: nothing for {shown}"))
    } else if age.value.is_ok() {
        draft(Verdict::Clear, &format!("{said}: heard {shown} ago"))
    } else {
        draft(Verdict::CannotTell, &format!("{said}: nothing heard yet, in {shown}"))
    };
    answer.evidence.push(format!("limit: {}", judgement.worded(&limit)));
    answer.figures.push(("silent for".into(), shown));
    Ok(answer)
}

fn spread(
    context: &NativeCallContext,
    list: &Array,
    limit: &Dynamic,
    deadband: Option<&Dynamic>,
) -> Result<Draft, Trouble> {
    let judgement = Judgement::of(context)?;
    let all: Vec<(String, Fact)> =
        list.iter().map(|item| subject(context, "spread", item)).collect::<Result<_, _>>()?;
    let mut known: Vec<(&str, &Fact, f64)> = vec![];
    let mut why = "fewer than two values to compare";
    for (said, fact) in &all {
        match &fact.value {
            Ok(value) => known.push((said, fact, *value)),
            Err(unknown) => why = unknown,
        }
    }
    known.sort_by(|a, b| a.2.total_cmp(&b.2));
    let (Some(lowest), Some(highest)) = (known.first(), known.last()) else {
        return Ok(draft(Verdict::CannotTell, why));
    };
    if known.len() < 2 {
        return Ok(draft(Verdict::CannotTell, why));
    }
    let apart = highest.1.minus(lowest.1)?;
    let limit = like(fact_of("limit", limit)?, apart.kind);
    let band = match deadband {
        Some(band) => like(fact_of("deadband", band)?, apart.kind).magnitude(),
        None => Fact::known(apart.kind, 0.0),
    };
    let back = limit.minus(&band)?;
    for against in [&limit, &back] {
        judgement.judged_against(against, apart.kind);
    }
    let shown = judgement.worded(&apart);
    let [low, high] = [lowest, highest].map(|(said, fact, _)| match *said {
        "it" => judgement.worded(fact),
        said => format!("{said} {}", judgement.worded(fact)),
    });
    let (limit_shown, back_shown) = (judgement.worded(&limit), judgement.worded(&back));
    let mut answer = if apart.compared(&limit)?.is_gt() {
        draft(Verdict::Alarm, &format!("{shown} apart, more than {limit_shown}: {low} to {high}"))
    } else if known.len() < all.len() {
        // What is not known might lie further out.
        return Ok(draft(Verdict::CannotTell, why));
    } else if apart.compared(&back)?.is_le() {
        draft(Verdict::Clear, &format!("{shown} apart: {low} to {high}"))
    } else {
        draft(Verdict::Keep, &format!("{shown} apart, between {back_shown} and {limit_shown}"))
    };
    answer.evidence.push(format!("limit: {limit_shown}"));
    answer.figures.push(("spread".into(), shown));
    Ok(answer)
}

fn draft(verdict: Verdict, finding: &str) -> Draft {
    Draft {
        verdict,
        finding: shortened(finding),
        evidence: vec![],
        figures: vec![],
        deed: None,
        graver: false,
        hides: vec![],
        line: None,
    }
}
