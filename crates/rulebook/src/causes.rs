//! Why a hot pile gets colder: what is known of the bin, weighed for and against each cause, ranked with how sure that is.
//!
//! Must never count as known what was only meant to be: a schedule proves no air, and silence proves nothing.
//!
//! Each cause starts at a weight that says how often it is the one, and every piece of evidence adds to it or takes from it (natural
//! logarithms of odds). All weights are chosen, no source; they were set so that one strong proof outweighs what is usual, and two weak hints
//! do not. They order the causes, and nobody has compared them with how often each was the one: people read likely, possible or unlikely,
//! never a percentage, and where two are close that they cannot be told apart.

use core::fmt::Write as _;

use pile::water_account::Band;

/// How a line about a ranked cause begins in the grounds of an answer; the mail makes a section of these lines.
pub const CAUSE_LINE: &str = "Cause ";
/// Causes that are told in full, at the most; the rest, and all that are unlikely, in one line.
const TOLD_IN_FULL: usize = 3;

/// Below this moisture, percent of the wet mass, lack of water slows the pile: 40 to 65 % is acceptable (Cooperband 2002; NRAES-54).
const DRY_PERCENT: f64 = 42.0;
/// The account counts in full for dryness only if it is 95 % sure to be below this, percent: keep it equal to `account_doubt` in dry-pile.
const DRY_DOUBT_PERCENT: f64 = 62.0;
/// From here on water is not short, percent.
const MOIST_PERCENT: f64 = 50.0;
/// Air is right between these shares of its schedule (common practice, no source).
const AIR_RIGHT: (f64, f64) = (0.75, 1.5);
/// A loss of this much within 15 minutes is no cooling of the pile, K (common practice, no source).
const SHARP_KELVIN: f64 = 10.0;
/// A loss of this much within an hour is a door or cold water, K (chosen).
const STEP_KELVIN: f64 = 2.5;
/// After this long a watering no longer accounts for a fall, h.
const WATERED_LASTS_HOURS: f64 = 24.0;
/// The same for an opening or a turning, h.
const OPENED_LASTS_HOURS: f64 = 12.0;
/// Hot weeks last 21 to 35 days (extension text on aerated static piles).
const FOOD_DAYS: (f64, f64) = (14.0, 21.0);
/// Wetter than this is too wet to breathe, percent: 40 to 65 % is acceptable (Cooperband 2002; NRAES-54).
const WET_PERCENT: f64 = 65.0;
/// The account counts for it only if it is 95 % sure to be above this, percent.
const WET_DOUBT_PERCENT: f64 = 60.0;
/// So much more than the air carries off was watered in a week, litres for each cubic metre (simulated seasons).
const SURPLUS_LITRES: f64 = 40.0;
/// A cause at this share or more, and so many times the next one, is likely; below the other it is unlikely.
const LIKELY_SHARE: f64 = 0.5;
const LIKELY_TIMES: f64 = 2.0;
const UNLIKELY_SHARE: f64 = 0.1;

/// What may have made a pile colder.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Cause {
    Water,
    Wet,
    Air,
    Food,
    Probe,
    Handled,
    Weather,
}

impl Cause {
    const ALL: [Cause; 7] =
        [Cause::Water, Cause::Wet, Cause::Air, Cause::Food, Cause::Probe, Cause::Handled, Cause::Weather];

    /// What people read.
    pub(crate) fn name(self) -> &'static str {
        match self {
            Cause::Water => "lack of water",
            Cause::Wet => "too much water",
            Cause::Air => "the air",
            Cause::Food => "food used up",
            Cause::Probe => "a probe moved or failing",
            Cause::Handled => "just watered or opened",
            Cause::Weather => "the weather",
        }
    }

    /// How often it is the one, where nothing else is known: air and mix are logged, so it is usually water (common practice, no source).
    fn usual(self) -> f64 {
        match self {
            Cause::Water => 1.2,
            Cause::Wet => -1.5,
            Cause::Air => 0.0,
            Cause::Food => -0.7,
            Cause::Probe => -0.5,
            Cause::Handled => -0.5,
            Cause::Weather => -1.5,
        }
    }
}

/// How a cause is worded.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Likelihood {
    Unlikely,
    Possible,
    Likely,
}

impl Likelihood {
    /// What people read.
    pub(crate) fn word(self) -> &'static str {
        match self {
            Likelihood::Unlikely => "unlikely",
            Likelihood::Possible => "possible",
            Likelihood::Likely => "likely",
        }
    }
}

/// How running of the blower is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum AirProof {
    /// By a signal of its own that was heard.
    Proven,
    /// It has one, and it is silent or misses pulses.
    Silent,
    /// It is only scheduled.
    ScheduledOnly,
    /// No blower serves the bin.
    NoBlower,
}

/// What is known of the bin; `None` is unknown. Temperatures in °C, falls in K and positive downwards.
#[derive(Clone, Debug)]
pub(crate) struct Known {
    pub(crate) age_days: f64,
    /// Of the core within the last day.
    pub(crate) fall: Option<f64>,
    pub(crate) proof: AirProof,
    /// Run time over what was due.
    pub(crate) share_of_due: Option<f64>,
    /// Over which time, h.
    pub(crate) share_hours: f64,
    pub(crate) valve_percent: Option<f64>,
    /// Lowest oxygen in the pile of the last six hours, %.
    pub(crate) oxygen: Option<f64>,
    /// Highest flow of the last day over that of the days before.
    pub(crate) flow_share: Option<f64>,
    /// The water account, %.
    pub(crate) account: Option<Band<f64>>,
    /// A moisture probe, %.
    pub(crate) moisture: Option<f64>,
    /// The layer at which air enters, called the base here, and the one at which it leaves, called the upper one: suction turns them round.
    pub(crate) air_enters: (&'static str, &'static str),
    /// By how much a day the base falls faster than the upper layer, K/d.
    pub(crate) base_apart: Option<f64>,
    /// By how much the base is cooler than the upper layer.
    pub(crate) base_cooler: Option<f64>,
    pub(crate) watered_hours: Option<f64>,
    pub(crate) watered_litres: Option<f64>,
    /// What the core has gained since then.
    pub(crate) gained: Option<f64>,
    /// Food that is left by the account, a share of what there was.
    pub(crate) food_left: Option<f64>,
    /// Of the outside air, its last day's mean against the day before.
    pub(crate) outside_fall: Option<f64>,
    /// The largest loss of a core probe within 15 minutes in the last day.
    pub(crate) sharpest: Option<f64>,
    /// The largest loss of core or upper layer within an hour in the last day.
    pub(crate) step: Option<f64>,
    /// What each core probe lost in the last day.
    pub(crate) core_falls: Vec<f64>,
    /// A core probe sent readings in the last day that cannot be believed.
    pub(crate) bad_readings: bool,
    /// What base and upper layer lost in the last day.
    pub(crate) base_fall: Option<f64>,
    pub(crate) upper_fall: Option<f64>,
    pub(crate) opened_hours: Option<f64>,
    /// All layers fell at once toward the air, and that still explains the fall: how long ago it began, h, and what it took.
    pub(crate) opening: Option<(f64, f64)>,
    /// Watered in a week beyond what the air carries off, litres for each cubic metre.
    pub(crate) surplus: Option<f64>,
    pub(crate) probes_moved_hours: Option<f64>,
    pub(crate) air_changed_hours: Option<f64>,
    /// Volume of the bin, m³.
    pub(crate) volume: f64,
    /// The settings say what the hose gives.
    pub(crate) hose_known: bool,
    /// The water to give at once, in words.
    pub(crate) dose: Option<String>,
}

/// A cause with its rank.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Ranked {
    pub(crate) cause: Cause,
    /// Its weight against that of the others, 0 to 1; all of them together make 1. It orders, and is no probability.
    pub(crate) share: f64,
    pub(crate) likelihood: Likelihood,
    pub(crate) speaks_for: Vec<String>,
    pub(crate) speaks_against: Vec<String>,
    pub(crate) action: String,
}

/// Words for numbers, in the units that the site shows.
pub(crate) trait Words {
    /// A difference of temperatures, K.
    fn kelvin(&self, value: f64) -> String;
    /// Water, L.
    fn litres(&self, value: f64) -> String;
}

struct Weighed {
    cause: Cause,
    weight: f64,
    speaks_for: Vec<String>,
    speaks_against: Vec<String>,
}

impl Weighed {
    fn add(&mut self, weight: f64, text: String) {
        self.weight += weight;
        if weight > 0.0 { self.speaks_for.push(text) } else { self.speaks_against.push(text) }
    }
}

/// The causes, the surest first.
pub(crate) fn ranked(known: &Known, words: &dyn Words) -> Vec<Ranked> {
    let weigh = |cause| {
        let mut w = Weighed { cause, weight: Cause::usual(cause), speaks_for: vec![], speaks_against: vec![] };
        match cause {
            Cause::Water => water(&mut w, known, words),
            Cause::Wet => wet(&mut w, known, words),
            Cause::Air => air(&mut w, known),
            Cause::Food => food(&mut w, known),
            Cause::Probe => probe(&mut w, known, words),
            Cause::Handled => handled(&mut w, known, words),
            Cause::Weather => weather(&mut w, known, words),
        }
        w
    };
    let mut all: Vec<Weighed> = Cause::ALL.into_iter().map(weigh).collect();
    // Elimination needs proof: while the air is only meant to run, water goes ahead of it only on grounds of its own.
    let air = all.iter().find(|w| w.cause == Cause::Air).map_or(0.0, |w| w.weight);
    if known.proof != AirProof::Proven
        && let Some(w) = all.iter_mut().find(|w| w.cause == Cause::Water && w.weight >= air)
        && !dry_by_itself(known)
    {
        w.weight = air - 0.2;
        w.speaks_against.push("the air is not proven, so it is not eliminated".into());
    }
    let highest = all.iter().map(|w| w.weight).fold(f64::MIN, f64::max);
    let sum: f64 = all.iter().map(|w| libm::exp(w.weight - highest)).sum();
    all.sort_by(|a, b| b.weight.total_cmp(&a.weight));
    let share = |w: &Weighed| libm::exp(w.weight - highest) / sum;
    let first = all.first().map_or(0.0, share);
    let second = all.get(1).map_or(0.0, share);
    let told_apart = first >= LIKELY_SHARE && first >= LIKELY_TIMES * second;
    let likelihood = |share: f64| match share {
        s if told_apart && s >= first => Likelihood::Likely,
        s if s < UNLIKELY_SHARE => Likelihood::Unlikely,
        _ => Likelihood::Possible,
    };
    let done = |w: Weighed| Ranked {
        share: share(&w),
        likelihood: likelihood(share(&w)),
        action: action(w.cause, known),
        cause: w.cause,
        speaks_for: w.speaks_for,
        speaks_against: w.speaks_against,
    };
    all.into_iter().map(done).collect()
}

/// The likely cause, or those that cannot be told apart, as a part of a finding.
pub(crate) fn said(causes: &[Ranked]) -> String {
    match causes {
        [] => "no cause known".into(),
        [first, ..] if first.likelihood == Likelihood::Likely => format!("likely cause: {}", first.cause.name()),
        [only] => format!("possible cause: {}", only.cause.name()),
        [first, second, ..] => {
            format!("possible causes: {} or {}, which cannot be told apart", first.cause.name(), second.cause.name())
        }
    }
}

/// The causes that are told in full.
pub(crate) fn in_full(causes: &[Ranked]) -> &[Ranked] {
    let worth = causes.iter().take(TOLD_IN_FULL).take_while(|c| c.likelihood > Likelihood::Unlikely).count();
    &causes[..worth]
}

/// The grounds that an answer shows: up to three causes in full, the others in one line.
pub(crate) fn lines(causes: &[Ranked]) -> Vec<String> {
    let mut lines = vec![];
    for (n, cause) in (1..).zip(in_full(causes)) {
        let mut line = format!("{CAUSE_LINE}{n}: {}, {}.", cause.cause.name(), cause.likelihood.word());
        if !cause.speaks_for.is_empty() {
            let _ = write!(line, " For it: {}.", cause.speaks_for.join("; "));
        }
        lines.push(line);
        if !cause.speaks_against.is_empty() {
            lines.push(format!("{CAUSE_LINE}{n}, against it: {}.", cause.speaks_against.join("; ")));
        }
        lines.push(format!("{CAUSE_LINE}{n}, do: {}.", cause.action));
    }
    let rest: Vec<String> = causes
        .iter()
        .skip(in_full(causes).len())
        .map(|c| format!("{} ({}{})", c.cause.name(), c.likelihood.word(), because(&c.speaks_against)))
        .collect();
    // A line holds no more than so many.
    for some in rest.chunks(3) {
        lines.push(format!("{CAUSE_LINE}of less weight: {}.", some.join(", ")));
    }
    lines
}

fn because(against: &[String]) -> String {
    against.first().map_or(String::new(), |why| format!(": {why}"))
}

fn hours(hours: f64) -> String {
    if hours < 48.0 { format!("{:.0} h", hours.floor()) } else { format!("{:.0} d", (hours / 24.0).floor()) }
}

/// Whether something but the absence of another cause says that the pile is dry.
fn dry_by_itself(known: &Known) -> bool {
    known.account.is_some_and(|a| a.value <= DRY_PERCENT + 3.0) || known.moisture.is_some_and(|m| m < DRY_PERCENT)
}

fn water(w: &mut Weighed, known: &Known, words: &dyn Words) {
    if let Some(a) = known.account {
        let said = format!("moisture by the water balance: {:.0} % ({:.0} to {:.0} %)", a.value, a.low, a.high);
        // After weeks of unmeasured flow the account may know little.
        let knows = if a.high < DRY_DOUBT_PERCENT { 1.0 } else { 0.4 };
        match a.value {
            m if m <= DRY_PERCENT => w.add(2.5 * knows, said),
            m if m <= 47.0 => w.add(1.2 * knows, said),
            m if m >= MOIST_PERCENT + 2.0 && a.low >= DRY_PERCENT => w.add(-2.5, said),
            m if m >= MOIST_PERCENT => w.add(-0.5, said),
            _ => {}
        }
    }
    if let Some(m) = known.moisture {
        let said = format!("the moisture probe reads {m:.0} %");
        match m {
            m if m < DRY_PERCENT => w.add(1.8, said),
            // A probe of moisture stands in one spot, and many of them drift.
            m if m > MOIST_PERCENT => w.add(-1.0, said),
            _ => {}
        }
    }
    let (first, last) = known.air_enters;
    // Air from below dries the base first; so does air without measure, which is why this counts less where the air is not proven.
    let proven = if known.proof == AirProof::Proven { 1.0 } else { 0.4 };
    // Over weeks the base cools by itself, where fresh air enters and its food runs out first.
    let counts = if known.age_days < FOOD_DAYS.1 { proven } else { 0.5 * proven };
    match (known.base_apart, known.base_cooler) {
        (_, Some(cooler)) if cooler >= 15.0 => {
            w.add(2.5 * counts, format!("{first} went cold first and is {} below {last}", words.kelvin(cooler)));
        }
        (Some(apart), Some(cooler)) if apart >= 1.0 && cooler >= 4.0 => {
            let said = format!("{first} falls {} a day faster than {last}", words.kelvin(apart));
            w.add(1.8 * counts, said);
        }
        (_, Some(cooler)) if cooler < 3.0 => {
            w.add(-1.2, format!("{first} is as warm as {last}, and it dries first"));
        }
        _ => {}
    }
    match known.watered_hours {
        None if known.age_days >= 5.0 => w.add(0.6, "the log has no watering since on-air".into()),
        Some(h) if h >= 72.0 => w.add(0.5, format!("last watered {} ago", hours(h))),
        Some(h) if h >= 12.0 && known.gained.is_some_and(|g| g < 1.0) => {
            w.add(0.4, format!("the core has not come back since the watering {} ago", hours(h)));
        }
        Some(h) if h >= 12.0 && known.gained.is_some_and(|g| g >= 3.0) => {
            w.add(-0.4, format!("the core rose after the watering {} ago", hours(h)));
        }
        _ => {}
    }
}

fn wet(w: &mut Weighed, known: &Known, words: &dyn Words) {
    if let Some(a) = known.account {
        let said = format!("moisture by the water balance: {:.0} % ({:.0} to {:.0} %)", a.value, a.low, a.high);
        match a.value {
            m if m >= WET_PERCENT && a.low >= WET_DOUBT_PERCENT => w.add(2.5, said),
            m if m >= WET_PERCENT - 2.0 => w.add(1.0, said),
            m if m < 57.0 && a.high < WET_PERCENT => w.add(-2.0, said),
            _ => {}
        }
    }
    if let Some(m) = known.moisture {
        let said = format!("the moisture probe reads {m:.0} %");
        match m {
            m if m >= WET_PERCENT => w.add(2.0, said),
            m if m < 57.0 => w.add(-2.0, said),
            _ => {}
        }
    }
    match known.surplus {
        Some(surplus) if surplus >= SURPLUS_LITRES => {
            let litres = words.litres(surplus.round());
            w.add(2.5, format!("in a week each cubic metre got {litres} more than the air carries off"));
        }
        Some(surplus) if surplus < SURPLUS_LITRES / 2.0 => {
            w.add(-1.0, "no more was watered than the air carries off".into())
        }
        _ => {}
    }
    match known.oxygen {
        Some(o) if o < 5.0 => w.add(1.0, format!("oxygen went down to {o:.1} %")),
        Some(o) if o > 8.0 => w.add(-1.5, format!("oxygen stayed above {o:.1} %")),
        _ => {}
    }
}

fn air(w: &mut Weighed, known: &Known) {
    let over = if known.share_hours >= 24.0 {
        "the last day".into()
    } else {
        format!("the last {}", hours(known.share_hours))
    };
    match (known.proof, known.share_of_due) {
        (AirProof::Proven, Some(share)) => {
            let said = format!("the blower ran {:.0} % of its schedule over {over}, by its own signal", share * 100.0);
            match share {
                s if !(0.5..=2.0).contains(&s) => w.add(4.0, said),
                s if !(AIR_RIGHT.0..=AIR_RIGHT.1).contains(&s) => w.add(1.5, said),
                _ => w.add(-3.0, said),
            }
        }
        (AirProof::Proven | AirProof::Silent, _) => {
            w.add(1.0, "the blower's signal does not show that it ran".into());
        }
        (AirProof::ScheduledOnly, _) => w.add(1.0, "the blower is only scheduled: nothing proves that it ran".into()),
        (AirProof::NoBlower, _) => w.add(0.5, "no blower of the settings serves the bin".into()),
    }
    if let Some(valve) = known.valve_percent.filter(|v| *v <= 10.0) {
        w.add(3.0, format!("the bin's valve was last written as {valve:.0} % open"));
    }
    if let Some(oxygen) = known.oxygen {
        match oxygen {
            o if o < 5.0 => w.add(2.5, format!("oxygen went down to {oxygen:.1} %")),
            o if o > 8.0 => w.add(-1.5, format!("oxygen stayed above {oxygen:.1} %")),
            _ => {}
        }
    }
    if let Some(share) = known.flow_share {
        match share {
            s if s < 0.7 => w.add(2.5, format!("the flow is down to {:.0} % of the days before", share * 100.0)),
            s if s < 1.3 => w.add(-1.0, "the measured flow is as it was".into()),
            _ => w.add(2.0, format!("the flow is up to {:.0} % of the days before", share * 100.0)),
        }
    }
    if let Some(h) = known.air_changed_hours.filter(|h| *h <= 72.0) {
        w.add(1.5, format!("the air was changed {} ago", hours(h)));
    }
}

fn food(w: &mut Weighed, known: &Known) {
    let age = known.age_days;
    match age {
        d if d < FOOD_DAYS.0 => w.add(-2.0, format!("on air for only {d:.0} days")),
        d if d < FOOD_DAYS.1 => w.add(-0.5, format!("on air for {d:.0} days; hot weeks last 21 to 35")),
        d if d < 28.0 => w.add(1.2, format!("on air for {d:.0} days; hot weeks last 21 to 35")),
        d => w.add(2.4, format!("on air for {d:.0} days; hot weeks last 21 to 35")),
    }
    if let Some(left) = known.food_left {
        let said = format!("by the heat balance {:.0} % of the degradable part is left", left * 100.0);
        match left {
            l if l < 0.25 => w.add(1.5, said),
            l if l > 0.45 => w.add(-1.5, said),
            _ => {}
        }
    }
    match known.fall {
        Some(fall) if fall >= 4.5 => {
            w.add(if fall >= 7.0 { -2.5 } else { -1.5 }, "food runs out slowly, and this fall is fast".into());
        }
        _ => {}
    }
    if known.base_cooler.is_some_and(|c| c >= 15.0) {
        w.add(-1.0, format!("{} still finds food", known.air_enters.1));
    }
}

fn probe(w: &mut Weighed, known: &Known, words: &dyn Words) {
    match known.sharpest {
        Some(drop) if drop >= SHARP_KELVIN => {
            w.add(3.5, format!("a core probe lost {} within 15 minutes, as one that was pulled", words.kelvin(drop)));
        }
        Some(_) => w.add(-1.2, "no core probe jumped".into()),
        None => {}
    }
    if let Some(h) = known.probes_moved_hours.filter(|h| *h <= 24.0) {
        w.add(2.5, format!("the log says that probes were moved {} ago", hours(h)));
    }
    if known.bad_readings {
        w.add(1.0, "a core probe sent readings that cannot be believed".into());
    }
    if let (Some(least), Some(most)) = (
        known.core_falls.iter().copied().min_by(f64::total_cmp),
        known.core_falls.iter().copied().max_by(f64::total_cmp),
    ) && known.core_falls.len() >= 2
    {
        if most - least >= 3.0 && least < most / 2.0 {
            let (least, most) = (words.kelvin(least), words.kelvin(most));
            w.add(3.0, format!("one core probe fell {most} in a day and another {least}"));
        } else {
            w.add(-2.5, format!("{} core probes fall alike", known.core_falls.len()));
        }
    }
    match (known.base_fall, known.upper_fall, known.base_cooler) {
        (Some(base), Some(upper), Some(cooler)) if base < 0.5 && upper < 0.5 && cooler < 6.0 => {
            w.add(1.5, "base and upper layer hold while the core falls".into());
        }
        (Some(base), _, _) if base >= 1.0 => w.add(-0.8, format!("{} falls too", known.air_enters.0)),
        _ => {}
    }
}

fn handled(w: &mut Weighed, known: &Known, words: &dyn Words) {
    let mut entry = false;
    if let Some((h, lost)) = known.opening {
        entry = true;
        let lost = words.kelvin(lost);
        w.add(6.0, format!("every layer lost {lost} at once {} ago, toward the air, as behind an open door", hours(h)));
    }
    if let Some(h) = known.watered_hours.filter(|h| *h <= WATERED_LASTS_HOURS) {
        entry = true;
        let litres = known.watered_litres.map_or(String::new(), |l| format!(" with {}", words.litres(l)));
        w.add(2.5, format!("watered{litres} {} ago, and cold water cools by itself", hours(h)));
    }
    if let Some(h) = known.opened_hours.filter(|h| *h <= OPENED_LASTS_HOURS) {
        entry = true;
        w.add(2.0, format!("opened or turned {} ago", hours(h)));
    }
    match known.step {
        Some(step) if step >= STEP_KELVIN && !entry => {
            let said = format!("{} were lost within an hour, as after cold water or an open door", words.kelvin(step));
            w.add(1.5, said);
        }
        Some(step) if step < STEP_KELVIN && !entry => {
            w.add(-2.0, "no entry of the last day, and the fall has no step".into());
        }
        None if !entry => w.add(-1.0, "no entry of the last day".into()),
        _ => {}
    }
}

fn weather(w: &mut Weighed, known: &Known, words: &dyn Words) {
    match known.outside_fall {
        Some(fall) if fall >= 8.0 => {
            w.add(1.8, format!("outside it is {} colder than a day before", words.kelvin(fall)))
        }
        Some(fall) if fall >= 4.0 => {
            w.add(0.5, format!("outside it is {} colder than a day before", words.kelvin(fall)))
        }
        Some(_) => w.add(-2.0, "outside it is about as warm as a day before".into()),
        None => {}
    }
    if known.fall.is_some_and(|f| f >= 5.0) && known.volume >= 1.0 {
        w.add(-1.0, "weather moves a core of this size by a few kelvin at the most".into());
    }
}

fn action(cause: Cause, known: &Known) -> String {
    match cause {
        Cause::Water => {
            let dose = known.dose.as_deref().unwrap_or(crate::dose::UNKNOWN);
            let hose = if known.hose_known { "" } else { " (fill a bucket by the clock to learn what the hose gives)" };
            format!("squeeze-test first; if it is dry, water {dose}{hose}; stop at runoff; look again in 24 h")
        }
        Cause::Wet => {
            "do not water; squeeze-test, see that the drain runs and no rain comes in; if it drips give longer pulses for a day or two, and \
             remix it with dry, coarse material if that does not help"
                .into()
        }
        Cause::Air => match known.proof {
            AirProof::Proven => {
                "look at the fan, its timer and the valve, lock it out before you open anything, and set the schedule again; look again \
                 after two cycles"
                    .into()
            }
            _ => "stand by the blower for one whole cycle and feel the air at the bin before you water: nothing else proves it".into(),
        },
        Cause::Food => "see whether about a third of the volume is gone and a handful no longer smells sour; if so take the batch off air, \
                        else water and wait 48 h"
            .into(),
        Cause::Probe => "push the probe back to its depth or hold a hand thermometer beside it for 10 min; do nothing to the pile before"
            .into(),
        Cause::Handled => "wait 24 h, then look again; write the watering or the opening into the log if it is missing".into(),
        Cause::Weather => "cover the pile and look again in 24 h; leave air and water as they are".into(),
    }
}

#[cfg(test)]
mod tests;
