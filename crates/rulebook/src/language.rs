//! The words that rules are written in: everything that a script can call, registered with the script engine.
//!
//! Must never offer time, sleep, files, printing, other scripts or endless work, nor let unlike things compare as "not equal".

use std::cmp::Ordering;
use std::sync::Arc;

use pile::time::Span;
use pile::units::Readable;
use rhai::packages::{ArithmeticPackage, BasicIteratorPackage, BasicStringPackage, Package};
use rhai::{Array, Dynamic, Engine, EvalAltResult, FLOAT, INT, ImmutableString, NativeCallContext, OptimizationLevel};
use site::quantity::{Quantity, Unit};

use crate::answer::Verdict;
use crate::bin_view::{BatchView, Bin, NeighbourView, Neighbours, ProbeView};
use crate::blower_view::BlowerView;
use crate::cooling;
use crate::fact::{Bounds, Fact, Kind, Trouble};
use crate::fault::{did_you_mean, plain_types};
use crate::header::Header;
use crate::helpers;
use crate::judgement::Judgement;
use crate::limits;
use crate::meter::{Meter, UsedUp, copying};
use crate::opening;
use crate::signals::{Asked, End, Over, Side, SignalSet, TimeAbove};
use crate::site_view::{self, GatewayView, SiteBlowerView, SiteView};
use crate::water_view;
use crate::wording::{FAHRENHEIT_PER_KELVIN, LITRES_PER_GALLON};

pub(crate) type Outcome<T> = Result<T, Box<EvalAltResult>>;

/// An answer while it is put together.
#[derive(Clone, Debug)]
pub(crate) struct Draft {
    pub(crate) verdict: Verdict,
    pub(crate) finding: String,
    pub(crate) deed: Option<String>,
    pub(crate) evidence: Vec<String>,
    pub(crate) figures: Vec<(String, String)>,
    pub(crate) graver: bool,
    pub(crate) hides: Vec<(String, String)>,
    /// The line that gave the answer.
    pub(crate) line: Option<usize>,
}

impl Draft {
    /// An answer given where a rule called a function.
    pub(crate) fn called(self, context: &NativeCallContext) -> Draft {
        Draft { line: context.call_position().line(), ..self }
    }
}

/// The rule's settings in force.
#[derive(Clone, Debug)]
pub(crate) struct Set(pub(crate) Arc<Header>);

/// Words of the script language that a rule has no use for, or that would break its walls. `try` could hide that something is
/// unknown; function pointers could work without being counted.
const DISABLED: [&str; 15] = [
    "eval",
    "print",
    "debug",
    "import",
    "export",
    "try",
    "catch",
    "Fn",
    "call",
    "curry",
    "is_def_fn",
    "is_def_var",
    "is_shared",
    "type_of",
    "global",
];

/// The script engine with all its walls and words; `meter` counts what it does.
pub(crate) fn engine(meter: &Arc<Meter>) -> Engine {
    let mut engine = Engine::new_raw();
    let counted = Arc::clone(meter);
    engine.on_progress(move |steps| counted.script_at(steps).then(|| Dynamic::from(UsedUp)));
    let copied = Arc::clone(meter);
    #[expect(deprecated, reason = "the mark says that it may change with a version, not that it goes")]
    engine.on_var(move |name, _, context| {
        // Naming a variable copies it, and a list may be long.
        copied.spend(context.scope().get(name).map_or(0, copying));
        Ok(None)
    });
    // The optimizer works out constant comparisons by the script engine's own rules, by which 5 > "a" is false.
    engine.set_optimization_level(OptimizationLevel::None);
    engine.set_fast_operators(false);
    engine.set_fail_on_invalid_map_property(true);
    engine.set_strict_variables(true);
    engine.set_allow_anonymous_fn(false);
    engine.set_max_operations(limits::OPERATIONS);
    engine.set_max_call_levels(limits::CALL_LEVELS);
    engine.set_max_expr_depths(limits::EXPRESSION_DEPTH, limits::EXPRESSION_DEPTH);
    engine.set_max_array_size(limits::ARRAY_SIZE);
    engine.set_max_map_size(limits::MAP_SIZE);
    engine.set_max_string_size(limits::STRING_BYTES);
    engine.set_max_variables(limits::VARIABLES);
    engine.set_max_functions(limits::FUNCTIONS);
    engine.set_max_modules(0);
    for word in DISABLED {
        engine.disable_symbol(word);
    }
    ArithmeticPackage::new().register_into_engine(&mut engine);
    BasicIteratorPackage::new().register_into_engine(&mut engine);
    BasicStringPackage::new().register_into_engine(&mut engine);
    numbers(&mut engine);
    comparisons(&mut engine);
    facts(&mut engine);
    texts(&mut engine);
    signals(&mut engine);
    sites(&mut engine);
    bins(&mut engine);
    blowers(&mut engine);
    crate::results::register(&mut engine);
    answers(&mut engine);
    helpers::register(&mut engine);
    cooling::register(&mut engine);
    opening::register(&mut engine);
    water_view::register(&mut engine);
    engine
}

/// The names of all functions and of all properties that [`engine`] offers.
pub(crate) fn words(engine: &Engine) -> (Vec<String>, Vec<String>) {
    let mut functions = vec![];
    let mut properties = vec![];
    for signature in engine.gen_fn_signatures(true) {
        let name = signature.split('(').next().unwrap_or("").trim();
        match name.strip_prefix("get ").or_else(|| name.strip_prefix("get$")) {
            Some(property) => properties.push(property.to_owned()),
            None => functions.push(name.to_owned()),
        }
    }
    for list in [&mut functions, &mut properties] {
        list.sort();
        list.dedup();
    }
    (functions, properties)
}

/// A length of time handed to a function.
pub(crate) fn length(value: &Dynamic) -> Result<Span, Trouble> {
    match Fact::from_dynamic(value) {
        Some(fact) if fact.kind == Kind::Time => {
            let (seconds, most) = (fact.number()?, limits::LENGTH_MAX);
            if seconds.abs() <= most.as_seconds() {
                return Ok(Span::from_seconds_f64(seconds));
            }
            let hours = seconds / 3_600.0;
            Err(Trouble::Wrong(format!(
                "{hours:e} hours are outside -{most} to {most}; write a length such as 24.hours"
            )))
        }
        _ => Err(Trouble::Wrong("this needs a length of time; write 24.hours or 30.minutes".into())),
    }
}

fn numbers(engine: &mut Engine) {
    // A number over zero would be infinite, and every comparison with it true or false without a word.
    fn divided(a: FLOAT, b: FLOAT) -> Outcome<FLOAT> {
        let (a, b) = (Fact::known(Kind::Number, a), Fact::known(Kind::Number, b));
        Ok(a.over(&b)?.number()?)
    }
    engine.register_fn("/", divided);
    engine.register_fn("/", |a: INT, b: FLOAT| divided(a as FLOAT, b));
    engine.register_fn("/", |a: FLOAT, b: INT| divided(a, b as FLOAT));
    engine.register_fn("!", |a: bool| !a);
    type Unit1 = (&'static str, Kind, f64);
    const LITERALS: [Unit1; 19] = [
        ("seconds", Kind::Time, 1.0),
        ("minutes", Kind::Time, 60.0),
        ("hours", Kind::Time, 3_600.0),
        ("days", Kind::Time, 86_400.0),
        ("celsius", Kind::Temperature, 1.0),
        ("kelvin", Kind::TemperatureChange, 1.0),
        ("kelvin_per_day", Kind::TemperatureRate, 1.0),
        ("litres", Kind::Volume, 1.0),
        ("percent", Kind::Amount(Unit::Percent), 1.0),
        ("ppm", Kind::Amount(Unit::PartsPerMillion), 1.0),
        ("pascals", Kind::Amount(Unit::Pascal), 1.0),
        ("cubic_metres_per_hour", Kind::Amount(Unit::CubicMetrePerHour), 1.0),
        ("amperes", Kind::Amount(Unit::Ampere), 1.0),
        ("volts", Kind::Amount(Unit::Volt), 1.0),
        ("fahrenheit_change", Kind::TemperatureChange, 1.0 / FAHRENHEIT_PER_KELVIN),
        ("fahrenheit_per_day", Kind::TemperatureRate, 1.0 / FAHRENHEIT_PER_KELVIN),
        ("gallons", Kind::Volume, LITRES_PER_GALLON),
        // The factors are those of `site::quantity`.
        ("cfm", Kind::Amount(Unit::CubicMetrePerHour), 0.028_316_846_592 * 60.0),
        ("inches_of_water", Kind::Amount(Unit::Pascal), 249.088_91),
    ];
    for (name, kind, factor) in LITERALS {
        engine.register_get(name, move |n: &mut INT| Fact::known(kind, *n as f64 * factor));
        engine.register_get(name, move |n: &mut FLOAT| Fact::known(kind, *n * factor));
    }
    let fahrenheit = |f: f64| Fact::known(Kind::Temperature, pile::units::Celsius::from_fahrenheit(f).0);
    engine.register_get("fahrenheit", move |n: &mut INT| fahrenheit(*n as f64));
    engine.register_get("fahrenheit", move |n: &mut FLOAT| fahrenheit(*n));
}

/// Orders two values of the same sort; anything else is a fault, an unknown ends the judgement.
fn ordered(context: &NativeCallContext, a: &Dynamic, b: &Dynamic) -> Result<Ordering, Trouble> {
    if let (Some(left), Some(right)) = (Fact::from_dynamic(a), Fact::from_dynamic(b)) {
        let order = left.compared(&right)?;
        if let Ok(judgement) = Judgement::of(context) {
            judgement.judged_against(&right, if right.kind == Kind::Number { left.kind } else { right.kind });
            judgement.judged_against(&left, if left.kind == Kind::Number { right.kind } else { left.kind });
        }
        return Ok(order);
    }
    if let (Some(left), Some(right)) = (a.read_lock::<ImmutableString>(), b.read_lock::<ImmutableString>()) {
        return Ok(left.as_str().cmp(right.as_str()));
    }
    match (a.as_bool(), b.as_bool(), a.as_char(), b.as_char()) {
        (Ok(left), Ok(right), ..) => Ok(left.cmp(&right)),
        (.., Ok(left), Ok(right)) => Ok(left.cmp(&right)),
        _ => Err(Trouble::Wrong(format!("{} cannot be compared with {}", said(context, a), said(context, b)))),
    }
}

fn said(context: &NativeCallContext, value: &Dynamic) -> String {
    if value.is_unit() {
        return "nothing".into();
    }
    if value.is_string() {
        return format!("the text \"{value}\"");
    }
    match Fact::from_dynamic(value) {
        Some(fact) if fact.kind == Kind::Number => match fact.value {
            Ok(number) => format!("the number {}", Readable(number)),
            Err(_) => format!("the number {value}"),
        },
        Some(_) => "a fact".into(),
        None => format!("a {}", plain_types(context.engine().map_type_name(value.type_name()))),
    }
}

fn comparisons(engine: &mut Engine) {
    macro_rules! comparison {
        ($op:literal, $holds:expr) => {
            engine.register_fn($op, |context: NativeCallContext, a: Dynamic, b: Dynamic| -> Outcome<bool> {
                let holds: fn(Ordering) -> bool = $holds;
                let holds = holds(ordered(&context, &a, &b)?);
                if let Ok(judgement) = Judgement::of(&context) {
                    judgement.has_compared(&context, |judgement| {
                        let said = |value: &Dynamic| printed(judgement, value).unwrap_or_default();
                        format!("{} {} {}: {}", said(&a), $op, said(&b), if holds { "yes" } else { "no" })
                    });
                }
                Ok(holds)
            });
        };
    }
    comparison!("==", Ordering::is_eq);
    comparison!("!=", Ordering::is_ne);
    comparison!("<", Ordering::is_lt);
    comparison!("<=", Ordering::is_le);
    comparison!(">", Ordering::is_gt);
    comparison!(">=", Ordering::is_ge);
    engine.register_fn("max", |context: NativeCallContext, a: Dynamic, b: Dynamic| -> Outcome<Dynamic> {
        Ok(if ordered(&context, &a, &b)?.is_ge() { a } else { b })
    });
    engine.register_fn("min", |context: NativeCallContext, a: Dynamic, b: Dynamic| -> Outcome<Dynamic> {
        Ok(if ordered(&context, &a, &b)?.is_le() { a } else { b })
    });
}

fn facts(engine: &mut Engine) {
    engine.register_type_with_name::<Fact>("fact");
    macro_rules! arithmetic {
        ($op:literal, $work:ident) => {
            engine.register_fn($op, |a: Fact, b: Fact| -> Outcome<Fact> { Ok(a.$work(&b)?) });
            engine.register_fn($op, |a: Fact, b: INT| -> Outcome<Fact> {
                Ok(a.$work(&Fact::known(Kind::Number, b as f64))?)
            });
            engine.register_fn($op, |a: INT, b: Fact| -> Outcome<Fact> {
                Ok(Fact::known(Kind::Number, a as f64).$work(&b)?)
            });
            engine
                .register_fn($op, |a: Fact, b: FLOAT| -> Outcome<Fact> { Ok(a.$work(&Fact::known(Kind::Number, b))?) });
            engine
                .register_fn($op, |a: FLOAT, b: Fact| -> Outcome<Fact> { Ok(Fact::known(Kind::Number, a).$work(&b)?) });
        };
    }
    arithmetic!("+", plus);
    arithmetic!("-", minus);
    arithmetic!("*", times);
    arithmetic!("/", over);
    engine.register_fn("-", |a: Fact| a.negated());
    engine.register_fn("abs", |a: Fact| a.magnitude());
    engine.register_get("known", |a: &mut Fact| a.value.is_ok());
    engine.register_get("low", |a: &mut Fact| a.bound(|b: &Bounds| b.low));
    engine.register_get("high", |a: &mut Fact| a.bound(|b: &Bounds| b.high));
    engine.register_get("points", |a: &mut Fact| a.bounds.map_or(0, |b| b.points as INT));
    engine.register_get("why", |a: &mut Fact| a.value.clone().err().unwrap_or_default());
    engine.register_fn("or", |a: Fact, other: Dynamic| -> Outcome<Fact> {
        if a.value.is_ok() {
            return Ok(a);
        }
        let Some(other) = Fact::from_dynamic(&other) else {
            return Err(Trouble::Wrong("`or` needs a number or a fact to fall back on".into()).into());
        };
        // A bare number stands for one in the unit of the fact.
        Ok(if other.kind == Kind::Number && a.kind != Kind::Time { Fact { kind: a.kind, ..other } } else { other })
    });
    engine.register_fn("to_string", |context: NativeCallContext, a: Fact| -> Outcome<ImmutableString> {
        Ok(Judgement::of(&context)?.worded(&a).into())
    });
    engine.register_fn("+", |context: NativeCallContext, text: ImmutableString, a: Fact| -> Outcome<ImmutableString> {
        Ok(format!("{text}{}", Judgement::of(&context)?.worded(&a)).into())
    });
    // A text and no fact: a rule can show the time of day and cannot reckon with it.
    engine.register_fn("when", |context: NativeCallContext, ago: Dynamic| -> Outcome<ImmutableString> {
        let facts = &Judgement::of(&context)?.facts;
        Ok(facts.zone.show_short(facts.at - length(&ago)?).into())
    });
    engine.register_type_with_name::<Set>("set");
    engine.register_indexer_get(|set: &mut Set, name: ImmutableString| -> Outcome<Fact> {
        set.0.settings.get(name.as_str()).map(crate::header::Setting::fact).ok_or_else(|| {
            let what = match did_you_mean(&name, set.0.settings.keys().map(String::as_str)) {
                Some(near) => format!("there is no setting `{name}`; did you mean `{near}`?"),
                None => format!("there is no setting `{name}`"),
            };
            Trouble::Wrong(what).into()
        })
    });
}

fn texts(engine: &mut Engine) {
    engine.register_fn("+", |a: ImmutableString, b: ImmutableString| -> ImmutableString { format!("{a}{b}").into() });
    engine.register_fn("+", |a: ImmutableString, b: INT| -> ImmutableString { format!("{a}{b}").into() });
    engine.register_fn("+", |a: ImmutableString, b: FLOAT| -> ImmutableString { format!("{a}{b}").into() });
    engine.register_fn("+", |a: INT, b: ImmutableString| -> ImmutableString { format!("{a}{b}").into() });
    engine.register_fn("len", |list: &mut Array| list.len() as INT);
    engine.register_fn("len", |text: ImmutableString| text.chars().count() as INT);
    engine.register_fn("push", |list: &mut Array, item: Dynamic| list.push(item));
    engine.register_fn("together", |context: NativeCallContext, list: Array| -> Outcome<ImmutableString> {
        let judgement = Judgement::of(&context)?;
        judgement.charge(&context, limits::GATHERING * list.len() as u64)?;
        let words: Vec<String> = list.iter().map(|item| printed(&judgement, item)).collect::<Result<_, _>>()?;
        Ok(match words.split_last() {
            None => "".into(),
            Some((last, [])) => last.as_str().into(),
            Some((last, rest)) => format!("{} and {last}", rest.join(", ")).into(),
        })
    });
}

/// A value as texts show it.
fn printed(judgement: &Judgement, value: &Dynamic) -> Result<String, Trouble> {
    if let Some(fact) = value.read_lock::<Fact>() {
        return Ok(judgement.worded(&fact));
    }
    if value.is_string() || value.is_int() || value.is_bool() || value.is_char() {
        return Ok(value.to_string());
    }
    match Fact::from_dynamic(value) {
        Some(number) => Ok(judgement.worded(&number)),
        None => Err(Trouble::Wrong("only texts, numbers and facts can be shown".into())),
    }
}

fn signals(engine: &mut Engine) {
    engine.register_type_with_name::<SignalSet>("signal");
    engine.register_type_with_name::<TimeAbove>("time above");
    engine.register_get("probes", |s: &mut SignalSet| s.count() as INT);
    engine.register_get("fitted", |s: &mut SignalSet| s.count() > 0);
    engine.register_get("all_heard", |s: &mut SignalSet| s.all_heard());
    engine.register_get("name", |s: &mut SignalSet| s.said());
    engine.register_fn("age", |s: &mut SignalSet| s.age());
    type Pool = fn(&SignalSet, &NativeCallContext, Asked, Over) -> Result<Fact, Trouble>;
    const NEWEST: [(&str, Asked, Pool); 3] = [
        ("last", Asked::Last, SignalSet::median),
        ("highest", Asked::Last, SignalSet::highest),
        ("lowest", Asked::Last, SignalSet::lowest),
    ];
    for (name, asked, pool) in NEWEST {
        engine.register_fn(name, move |context: NativeCallContext, s: &mut SignalSet| -> Outcome<Fact> {
            Ok(pool(s, &context, asked, Over::last(Span::ZERO))?)
        });
    }
    const WINDOWED: [(&str, Asked, Pool); 8] = [
        ("mean", Asked::Mean, SignalSet::median),
        ("min", Asked::Min, SignalSet::lowest),
        ("max", Asked::Max, SignalSet::highest),
        ("slope", Asked::Slope, SignalSet::median),
        ("spread", Asked::Spread, SignalSet::median),
        ("change", Asked::Change, SignalSet::median),
        ("coverage", Asked::Coverage, SignalSet::lowest),
        ("at", Asked::Ago, SignalSet::median),
    ];
    for (name, asked, pool) in WINDOWED {
        engine.register_fn(
            name,
            move |context: NativeCallContext, s: &mut SignalSet, window: Dynamic| -> Outcome<Fact> {
                let window = Judgement::of(&context)?.window(length(&window)?)?;
                Ok(pool(s, &context, asked, Over::last(window))?)
            },
        );
        if matches!(asked, Asked::Change | Asked::Ago) {
            continue;
        }
        engine.register_fn(
            name,
            move |context: NativeCallContext, s: &mut SignalSet, window: Dynamic, ago: Dynamic| -> Outcome<Fact> {
                let (span, ago) = (length(&window)?, length(&ago)?);
                if ago < Span::ZERO || span <= Span::ZERO {
                    return Err(Trouble::Wrong("a window lies in the past; write mean(24.hours, 6.days)".into()).into());
                }
                Judgement::of(&context)?.window(span + ago)?;
                Ok(pool(s, &context, asked, Over { span, ago })?)
            },
        );
    }
    for (name, side) in [("time_above", Side::Above), ("time_below", Side::Below)] {
        engine.register_fn(
            name,
            move |context: NativeCallContext,
                  s: &mut SignalSet,
                  limit: Dynamic,
                  window: Dynamic|
                  -> Outcome<TimeAbove> {
                let window = Judgement::of(&context)?.window(length(&window)?)?;
                let limit = Fact::from_dynamic(&limit).ok_or_else(|| {
                    Trouble::Wrong(format!("`{name}` needs a limit, as in `{name}(60.celsius, 6.hours)`"))
                })?;
                Ok(s.time_beyond(&context, side, &limit, window)?)
            },
        );
    }
    engine.register_fn(
        "change_since",
        |context: NativeCallContext, s: &mut SignalSet, kind: ImmutableString| -> Outcome<Fact> {
            let entry = Bin(Judgement::of(&context)?).entry_at(&kind)?;
            Ok(s.change_since(&context, &kind, entry)?)
        },
    );
    type Pick = fn(&pile::days::DayFigures) -> f64;
    const DAYS: [(&str, Pick); 2] = [("on_day", |day| day.mean), ("high_on_day", |day| day.high)];
    for (name, pick) in DAYS {
        engine.register_fn(name, move |s: &mut SignalSet, number: Dynamic| -> Outcome<Fact> {
            let number = Fact::from_dynamic(&number).filter(|n| n.kind == Kind::Number);
            let number =
                number.ok_or_else(|| Trouble::Wrong(format!("`{name}` needs a number of a day, as in `{name}(3)`")))?;
            Ok(s.on_day(number.number()?, pick))
        });
    }
    engine.register_fn(
        "time_above",
        |context: NativeCallContext, s: &mut SignalSet, threshold: Dynamic| -> Outcome<TimeAbove> {
            let threshold = Fact::from_dynamic(&threshold)
                .ok_or_else(|| Trouble::Wrong("`time_above` needs a setting, as in `time_above(set.hold)`".into()))?;
            Ok(s.time_above(&context, &threshold)?)
        },
    );
    engine.register_get("total", |t: &mut TimeAbove| t.total.clone());
    engine.register_get("longest", |t: &mut TimeAbove| t.longest.clone());
    engine.register_get("current", |t: &mut TimeAbove| t.current.clone());
    engine.register_get("coverage", |t: &mut TimeAbove| t.coverage.clone());
    engine.register_get("first_reached", |t: &mut TimeAbove| t.first_reached.clone());
    engine.register_get("longest_began", |t: &mut TimeAbove| t.longest_began.clone());
    engine.register_get("reached", |t: &mut TimeAbove| -> Outcome<bool> {
        Ok(t.reached.clone().map_err(Trouble::Unknown)?)
    });
}

fn sites(engine: &mut Engine) {
    engine.register_type_with_name::<SiteView>("site");
    engine.register_type_with_name::<SiteBlowerView>("site blower");
    engine.register_type_with_name::<GatewayView>("gateway");
    fn list<T: Clone + Send + Sync + 'static>(items: Vec<T>) -> Array {
        items.into_iter().map(Dynamic::from).collect()
    }
    for (key, position) in site_view::POSITIONS {
        engine.register_get(key, move |site: &mut SiteView| site.0.temperature(position));
    }
    engine.register_fn("signal", |site: &mut SiteView, quantity: ImmutableString| -> Outcome<SignalSet> {
        Ok(site.0.signal(&quantity, None)?)
    });
    engine.register_fn(
        "signal",
        |site: &mut SiteView, quantity: ImmutableString, position: ImmutableString| -> Outcome<SignalSet> {
            Ok(site.0.signal(&quantity, Some(&position))?)
        },
    );
    engine.register_get("probes", |site: &mut SiteView| list(site.0.probes()));
    engine.register_get("watching", |site: &mut SiteView| site.0.watching());
    engine.register_get("bins", |site: &mut SiteView| list(site.bins()));
    engine.register_get("blowers", |site: &mut SiteView| list(site.blowers()));
    engine.register_get("gateways", |site: &mut SiteView| list(site.gateways()));
    engine.register_get("mails_waiting", |site: &mut SiteView| site.mails_waiting());
    engine.register_get("oldest_mail", |site: &mut SiteView| site.oldest_mail());
    engine.register_get("refused_lately", |site: &mut SiteView| site.refused_lately());
    engine.register_get("link_down", |site: &mut SiteView| site.link_down());
    engine.register_get("disk_free", |site: &mut SiteView| site.disk_free());
    engine.register_get("clock_jumped", |site: &mut SiteView| site.clock_jumped());
    engine.register_get("clock_jump", |site: &mut SiteView| site.clock_jump());

    engine.register_get("blower", |b: &mut SiteBlowerView| b.blower());
    engine.register_get("role", |b: &mut SiteBlowerView| b.role());
    engine.register_get("on_air", |b: &mut SiteBlowerView| list(b.on_air()));
    engine.register_get("serves", |b: &mut SiteBlowerView| list(b.serves()));

    engine.register_get("name", |g: &mut GatewayView| g.name());
    engine.register_get("probes", |g: &mut GatewayView| g.probes());
    engine.register_get("bins", |g: &mut GatewayView| list(g.bins()));
    engine.register_get("interval", |g: &mut GatewayView| g.interval());
    engine.register_get("heard", |g: &mut GatewayView| g.heard());
    engine.register_get("gone", |g: &mut GatewayView| g.gone());

    engine.register_fn("dew_point", |temperature: Fact, humidity: Fact| -> Outcome<Fact> {
        Ok(site_view::dew_point(&temperature, &humidity)?)
    });
}

fn bins(engine: &mut Engine) {
    engine.register_type_with_name::<Bin>("bin");
    engine.register_type_with_name::<ProbeView>("probe");
    engine.register_type_with_name::<BatchView>("batch");
    engine.register_type_with_name::<BlowerView>("blower");
    for (position, key) in site::model::POSITIONS {
        engine.register_get(key, move |bin: &mut Bin| bin.temperature(position));
    }
    engine.register_get("name", |bin: &mut Bin| bin.name());
    engine.register_get("moisture", |bin: &mut Bin| SignalSet::in_material(&bin.0, Quantity::Moisture));
    engine.register_fn("signal", |bin: &mut Bin, quantity: ImmutableString| -> Outcome<SignalSet> {
        Ok(bin.signal(&quantity, None)?)
    });
    engine.register_fn(
        "signal",
        |bin: &mut Bin, quantity: ImmutableString, position: ImmutableString| -> Outcome<SignalSet> {
            Ok(bin.signal(&quantity, Some(&position))?)
        },
    );
    engine.register_get("probes", |bin: &mut Bin| -> Array { bin.probes().into_iter().map(Dynamic::from).collect() });
    engine.register_get("coldest", |bin: &mut Bin| SignalSet::extreme(&bin.0, End::Coldest));
    engine.register_get("fire_alarm", |bin: &mut Bin| bin.0.facts.fire);
    engine.register_get("height_metres", |bin: &mut Bin| bin.height());
    engine.register_get("hottest", |bin: &mut Bin| SignalSet::extreme(&bin.0, End::Hottest));
    engine.register_get("pile", |bin: &mut Bin| SignalSet::in_pile(&bin.0));
    engine.register_fn("probe", |bin: &mut Bin, id: ImmutableString| -> Outcome<SignalSet> {
        Ok(bin.probe(&id, Quantity::Temperature.key())?)
    });
    engine.register_fn(
        "probe",
        |bin: &mut Bin, id: ImmutableString, quantity: ImmutableString| -> Outcome<SignalSet> {
            Ok(bin.probe(&id, &quantity)?)
        },
    );
    engine.register_get("probes_out", |bin: &mut Bin| bin.probes_out());
    engine.register_get("neighbours", |bin: &mut Bin| bin.neighbours());
    engine.register_get("batch", |bin: &mut Bin| bin.batch());
    engine.register_get("blower", |bin: &mut Bin| bin.blower());
    engine.register_get("watching", |bin: &mut Bin| bin.watching());
    engine.register_fn("since", |bin: &mut Bin, kind: ImmutableString| -> Outcome<Fact> { Ok(bin.since(&kind)?) });
    engine.register_fn("count", |bin: &mut Bin, kind: ImmutableString| -> Outcome<INT> { Ok(bin.count(&kind)?) });
    engine.register_get("watered_litres", |bin: &mut Bin| bin.watered_litres());
    engine.register_get("watered_minutes", |bin: &mut Bin| bin.watered_minutes());

    engine.register_get("id", |p: &mut ProbeView| p.id());
    engine.register_get("position", |p: &mut ProbeView| p.position());
    engine.register_get("quantity", |p: &mut ProbeView| p.quantity());
    engine.register_get("name", |p: &mut ProbeView| p.said());
    engine.register_get("site_wide", |p: &mut ProbeView| p.site_wide());
    engine.register_get("in_pile", |p: &mut ProbeView| p.in_pile());
    engine.register_get("signal", |p: &mut ProbeView| p.as_signal());
    engine.register_get("interval", |p: &mut ProbeView| p.interval());
    engine.register_get("heard", |p: &mut ProbeView| p.heard());
    engine.register_get("last", |p: &mut ProbeView| p.last());
    engine.register_get("bad_in_a_row", |p: &mut ProbeView| p.bad_in_a_row());
    engine.register_get("last_bad", |p: &mut ProbeView| p.last_bad());
    engine.register_get("last_bad_age", |p: &mut ProbeView| p.last_bad_age());
    engine.register_get("same_for", |context: NativeCallContext, p: &mut ProbeView| -> Outcome<Fact> {
        Ok(p.same_for(&context)?)
    });
    engine.register_get("step", |context: NativeCallContext, p: &mut ProbeView| -> Outcome<Fact> {
        Ok(p.step(&context)?)
    });

    engine.register_get("known", |b: &mut BatchView| b.known());
    engine.register_get("age", |b: &mut BatchView| b.age());
    engine.register_get("off_air", |b: &mut BatchView| b.off_air());
    engine.register_get("stage", |b: &mut BatchView| b.stage());
    engine.register_get("loaded_at", |b: &mut BatchView| b.loaded_at());

    engine.register_type_with_name::<Neighbours>("neighbours");
    engine.register_type_with_name::<NeighbourView>("neighbour");
    engine.register_get("count", |n: &mut Neighbours| n.count());
    engine.register_get("on_air", |n: &mut Neighbours| n.on_air());
    engine.register_get("same_blower", |n: &mut Neighbours| n.same_blower());
    engine.register_get("core", |n: &mut Neighbours| n.core());
    engine.register_get("list", |n: &mut Neighbours| -> Array { n.list().into_iter().map(Dynamic::from).collect() });
    engine.register_get("name", |n: &mut NeighbourView| n.name());
    engine.register_get("on_air", |n: &mut NeighbourView| n.on_air());
    engine.register_get("same_blower", |n: &mut NeighbourView| n.same_blower());
    engine.register_get("core", |n: &mut NeighbourView| n.core());
}

fn blowers(engine: &mut Engine) {
    for (name, quantity) in [("flow", Quantity::Flow), ("pressure", Quantity::Pressure), ("current", Quantity::Current)]
    {
        engine.register_get(name, move |b: &mut BlowerView| b.measured(quantity));
    }
    engine.register_get("running", |b: &mut BlowerView| -> Outcome<bool> { Ok(b.running()?) });
    engine.register_get("running_known", |b: &mut BlowerView| b.running().is_ok());
    engine.register_get("idle", |context: NativeCallContext, b: &mut BlowerView| -> Outcome<Fact> {
        Ok(b.idle(&context)?)
    });
    engine.register_get("missed_pulses", |context: NativeCallContext, b: &mut BlowerView| -> Outcome<Fact> {
        Ok(b.missed_pulses(&context)?)
    });
    engine.register_fn("starts", |context: NativeCallContext, b: &mut BlowerView, window: Dynamic| -> Outcome<Fact> {
        let window = Judgement::of(&context)?.window(length(&window)?)?;
        Ok(b.starts(&context, window)?)
    });
    engine.register_get("known", |b: &mut BlowerView| b.known());
    engine.register_get("name", |b: &mut BlowerView| b.name());
    engine.register_get("proof", |b: &mut BlowerView| b.proof());
    engine.register_get("countable", |b: &mut BlowerView| b.countable());
    engine.register_get("continuous", |b: &mut BlowerView| b.continuous());
    engine.register_get("suction", |b: &mut BlowerView| b.suction());
    engine.register_get("schedule", |b: &mut BlowerView| b.schedule());
    engine.register_get("cycle", |b: &mut BlowerView| b.cycle());
    engine.register_get("valve", |b: &mut BlowerView| b.valve());
    engine.register_get("interval", |b: &mut BlowerView| b.interval());
    engine.register_fn("age", |b: &mut BlowerView| b.age());
    engine.register_fn(
        "run_time",
        |context: NativeCallContext, b: &mut BlowerView, window: Dynamic| -> Outcome<Fact> {
            let window = Judgement::of(&context)?.window(length(&window)?)?;
            Ok(b.run_time(&context, window)?)
        },
    );
    engine.register_fn("due_time", |b: &mut BlowerView, window: Dynamic| -> Outcome<Fact> {
        Ok(b.due_time(length(&window)?))
    });
    engine.register_fn(
        "share_of_due",
        |context: NativeCallContext, b: &mut BlowerView, window: Dynamic| -> Outcome<Fact> {
            let window = Judgement::of(&context)?.window(length(&window)?)?;
            let share = b.run_time(&context, window)?.over(&b.due_time(window))?;
            Ok(Fact { kind: Kind::Share, ..share })
        },
    );
}

fn answers(engine: &mut Engine) {
    engine.register_type_with_name::<Draft>("answer");
    fn draft(context: &NativeCallContext, verdict: Verdict, finding: &str) -> Outcome<Draft> {
        if finding.trim().is_empty() && matches!(verdict, Verdict::Alarm | Verdict::Clear) {
            return Err(Trouble::Wrong("an answer needs a finding: one line that says what is the case".into()).into());
        }
        Ok(Draft {
            verdict,
            finding: shortened(finding),
            evidence: vec![],
            figures: vec![],
            deed: None,
            graver: false,
            hides: vec![],
            line: context.call_position().line(),
        })
    }
    for (name, verdict) in [
        ("alarm", Verdict::Alarm),
        ("clear", Verdict::Clear),
        ("keep", Verdict::Keep),
        ("cannot_tell", Verdict::CannotTell),
    ] {
        engine.register_fn(name, move |context: NativeCallContext, finding: ImmutableString| {
            draft(&context, verdict, &finding)
        });
    }
    engine.register_fn("keep", |context: NativeCallContext| draft(&context, Verdict::Keep, ""));
    engine.register_fn("hides", |answer: Draft, rule: ImmutableString, bin: ImmutableString| -> Outcome<Draft> {
        let mut answer = answer;
        if answer.hides.len() >= limits::ANSWER_HIDES {
            return Err(Trouble::Wrong(format!("an answer hides more than {} alarms", limits::ANSWER_HIDES)).into());
        }
        answer.hides.push((rule.to_string(), bin.to_string()));
        Ok(answer)
    });
    engine.register_fn("graver", |answer: Draft| Draft { graver: true, ..answer });
    engine.register_fn("deed", |answer: Draft, deed: ImmutableString| -> Outcome<Draft> {
        let (deed, most) = (deed.trim(), limits::DEED_CHARS);
        let letters = deed.chars().count();
        if letters == 0 || letters > most {
            return Err(Trouble::Wrong(format!("a deed has 1 to {most} characters, this one {letters}")).into());
        }
        Ok(Draft { deed: Some(deed.to_owned()), ..answer })
    });
    engine.register_fn("because", |answer: Draft, ground: ImmutableString| -> Outcome<Draft> {
        let mut answer = room(answer)?;
        answer.evidence.push(shortened(&ground));
        Ok(answer)
    });
    engine.register_fn(
        "figure",
        |context: NativeCallContext, answer: Draft, name: ImmutableString, value: Dynamic| -> Outcome<Draft> {
            let mut answer = room(answer)?;
            let value = printed(&*Judgement::of(&context)?, &value)?;
            answer.figures.push((shortened(&name), shortened(&value)));
            Ok(answer)
        },
    );
}

pub(crate) fn room(answer: Draft) -> Result<Draft, Trouble> {
    if answer.evidence.len() + answer.figures.len() >= limits::ANSWER_LINES {
        return Err(Trouble::Wrong(format!("an answer has more than {} grounds and figures", limits::ANSWER_LINES)));
    }
    Ok(answer)
}

/// One line, cut where it would no longer fit.
pub(crate) fn shortened(text: &str) -> String {
    let line: String = text.split_whitespace().collect::<Vec<_>>().join(" ");
    if line.len() <= limits::FINDING_BYTES {
        return line;
    }
    let cut = (0..=limits::FINDING_BYTES - 4).rev().find(|end| line.is_char_boundary(*end)).unwrap_or(0);
    format!("{} …", line[..cut].trim_end())
}
