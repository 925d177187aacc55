//! How good the shipped rules are: simulated seasons of many sites through the engine, and a table of what was asked of the alarms.
//!
//! Must never judge by another way than `Engine::step`, nor tell the engine anything but what was sent and written.
//!
//! `cargo bench -p hypocaust --bench seasons -- [--seeds N] [--kind drying|stopped|healthy] [--first SEED] [--rules FOLDER] [--verbose]`.
//! Seasons in which what was to be shown did not come (a bin that was to dry and did not, a tended one that crashed of itself) are left
//! out and counted; which they are is decided by the truth alone, before any alarm is looked at.

#![allow(missing_docs, clippy::unwrap_used)]

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Instant;

use engine::Engine;
use engine::alarm::AlarmEventKind;
use engine::effect::{Effect, MailId};
use engine::input::{Input, MailOutcome};
use engine::restore::Restored;
use pile::time::{Span, Timestamp};
use pile::units::{Celsius, Kilograms, Litres};
use rulebook::{RuleText, Rulebook};
use sim::{BlowerFault, Deed, Fault, Proof, Season, SeasonKind, SeasonPlan, Sender, Sent, Spot, Truth};
use site::entry::{Entry, EntryKind, Filled};
use site::ids::{BinId, BlowerId, ProbeId};
use site::model::Site;
use site::quantity::Quantity;
use site::reading::{Reading, SeriesId, Source, TimeSource};

/// A fall of the six-hour mean of the true core by this much a day is the onset of a crash, K/d.
const CRASH: f64 = 5.6;
/// What a sound probe may be wrong by, K: digital probes are sold as good to half a kelvin (from memory of their data sheets). The seasons'
/// own probes are biased by 0.4 K in the mean square.
const LEEWAY: f64 = 0.5;
/// The rules that may tell that air is missing.
const AIR: [&str; 2] = ["no-air", "blower-silent"];

/// Something an alarm did.
#[derive(Clone, Debug)]
struct Told {
    at: Timestamp,
    rule: String,
    kind: AlarmEventKind,
    finding: String,
    /// The grounds, of a raise.
    evidence: Vec<String>,
}

/// A season that was lived, with what was true and what was told.
struct Lived {
    plan: SeasonPlan,
    truth: Vec<Truth>,
    waterings: Vec<Timestamp>,
    told: Vec<Told>,
    /// When the true core first fell at the rate of a crash for want of water.
    onset: Option<Timestamp>,
}

struct Asked {
    seeds: usize,
    first: u64,
    kinds: Vec<SeasonKind>,
    rules: PathBuf,
    verbose: bool,
}

fn asked() -> Asked {
    let root = PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../.."));
    let mut asked = Asked {
        seeds: 0,
        first: 1,
        kinds: vec![SeasonKind::Drying, SeasonKind::Stopped, SeasonKind::Healthy],
        rules: root.join("rules"),
        verbose: false,
    };
    let mut words = std::env::args().skip(1);
    while let Some(word) = words.next() {
        let mut value = || words.next().unwrap_or_else(|| panic!("{word} needs a value"));
        match word.as_str() {
            "--seeds" => asked.seeds = value().parse().expect("--seeds needs a number"),
            "--first" => asked.first = value().parse().expect("--first needs a number"),
            "--rules" => asked.rules = value().into(),
            "--verbose" => asked.verbose = true,
            "--kind" => {
                asked.kinds = vec![match value().as_str() {
                    "drying" => SeasonKind::Drying,
                    "stopped" => SeasonKind::Stopped,
                    "healthy" => SeasonKind::Healthy,
                    other => panic!("--kind is drying, stopped or healthy, not {other}"),
                }];
            }
            // What cargo adds itself.
            "--bench" => {}
            other => panic!("{other} is not understood; see the head of benches/seasons.rs"),
        }
    }
    asked
}

fn main() {
    let asked = asked();
    let texts = Arc::new(hypocaust::wiring::rules(&asked.rules).unwrap());
    let begun = Instant::now();
    let mut table = Table::default();
    for kind in &asked.kinds {
        let count = match (asked.seeds, kind) {
            (0, SeasonKind::Drying) => 60,
            (0, SeasonKind::Stopped) => 30,
            (0, SeasonKind::Healthy) => 100,
            (n, _) => n,
        };
        let since = Instant::now();
        let (lived, left_out) = live(*kind, count, asked.first, &texts);
        let seeds: Vec<u64> = lived.iter().map(|l| l.plan.seed).collect();
        println!(
            "{kind:?}: {count} seasons, seeds {} to {}, {left_out} left out by their truth, {:.0} s",
            seeds.first().unwrap_or(&0),
            seeds.last().unwrap_or(&0),
            since.elapsed().as_secs_f64()
        );
        if asked.verbose {
            lived.iter().for_each(tell);
        }
        match kind {
            SeasonKind::Drying => table.drying(&lived),
            SeasonKind::Stopped => table.stopped(&lived),
            SeasonKind::Healthy => table.healthy(&lived),
        }
    }
    table.print();
    println!("{} rules, {:.0} s", texts.len(), begun.elapsed().as_secs_f64());
}

/// Lives `count` seasons that show what their kind is meant to show, on all cores, in the order of their seeds.
fn live(kind: SeasonKind, count: usize, first: u64, texts: &Arc<Vec<RuleText>>) -> (Vec<Lived>, usize) {
    // What is drawn and left out is decided by the simulation alone, which is quick; the engine then lives what is left.
    let threads = std::thread::available_parallelism().map_or(2, usize::from);
    let mut plans = Vec::new();
    let mut seed = first;
    while plans.len() < count {
        let drawn: Vec<u64> = (seed..seed + 16).collect();
        plans.extend(on_all_cores(threads, &drawn, |seed| shown(SeasonPlan::drawn(kind, *seed))).into_iter().flatten());
        seed += 16;
    }
    plans.truncate(count);
    let tried = plans.last().map_or(0, |p| p.seed - first + 1) as usize;
    let lived = on_all_cores(threads, &plans, |plan| run(plan.clone(), texts));
    (lived, tried - count)
}

/// The work on every item, in the order of the items.
fn on_all_cores<T: Sync, R: Send>(threads: usize, items: &[T], work: impl Fn(&T) -> R + Sync) -> Vec<R> {
    let next = AtomicUsize::new(0);
    let mut done: Vec<(usize, R)> = std::thread::scope(|scope| {
        let work = &work;
        let next = &next;
        let workers: Vec<_> = (0..threads)
            .map(|_| {
                scope.spawn(move || {
                    let mut mine = Vec::new();
                    loop {
                        let i = next.fetch_add(1, Ordering::Relaxed);
                        let Some(item) = items.get(i) else { return mine };
                        mine.push((i, work(item)));
                    }
                })
            })
            .collect();
        workers.into_iter().flat_map(|w| w.join().unwrap()).collect()
    });
    done.sort_by_key(|(i, _)| *i);
    done.into_iter().map(|(_, r)| r).collect()
}

/// The plan if the truth of its season is what its kind promises, cut off some days after that came.
fn shown(mut plan: SeasonPlan) -> Option<SeasonPlan> {
    let kind = plan.kind;
    let mut season = Season::new(plan.clone()).ok()?;
    let mut truth = Vec::new();
    while let Some(moment) = season.step().ok()? {
        truth.push(moment.truth);
    }
    let onset = onset(&plan, &truth, season.waterings());
    let hot = truth.iter().find(|t| t.celsius[1] >= 56.0)?.at;
    match kind {
        SeasonKind::Drying => {
            let onset = onset.filter(|at| *at < plan.day(27.0) && hot <= plan.day(4.0))?;
            plan.days = (onset.since(plan.on_air).as_days() + 3.0).min(plan.days);
        }
        // Tended, hot within three days, never at a crash, never dry, above 50 °C until the third week.
        SeasonKind::Stopped | SeasonKind::Healthy => {
            let stopped_from = plan.blower.faults.first().map_or(Timestamp::MAX, |fault| match fault {
                BlowerFault::Stops { from, .. } => *from,
                _ => Timestamp::MAX,
            });
            let judged = || truth.iter().filter(|t| t.at < stopped_from);
            let stays = judged().filter(|t| t.at > hot && t.at < plan.day(20.0)).all(|t| t.celsius[1] > 50.0);
            let moist = judged().all(|t| t.moisture.iter().all(|m| *m > 0.40));
            let well = hot <= plan.day(3.0) && stays && moist && (kind == SeasonKind::Stopped || onset.is_none());
            if !well {
                return None;
            }
            if kind == SeasonKind::Stopped {
                plan.days = stopped_from.since(plan.on_air).as_days() + 1.0;
            }
        }
    }
    Some(plan)
}

/// The first moment at which the six-hour mean of the true core falls at the rate of a crash, the bin having been hot, and no watering or
/// stopped blower of the last day accounting for it.
fn onset(plan: &SeasonPlan, truth: &[Truth], waterings: &[Timestamp]) -> Option<Timestamp> {
    let steps = (Span::hours(6).as_millis() / plan.every.as_millis()) as usize;
    let mut hottest = f64::MIN;
    for (i, now) in truth.iter().enumerate() {
        hottest = hottest.max(now.celsius[1]);
        let Some(then) = i.checked_sub(steps).map(|j| &truth[j]) else { continue };
        let rate = (now.celsius[1] - then.celsius[1]) / 0.25;
        let chilled = waterings.iter().any(|w| *w <= now.at && now.at.since(*w) < Span::hours(30));
        let cooling_of_age = plan.kind != SeasonKind::Drying && now.at > plan.day(25.0);
        if hottest >= 55.0 && rate <= -CRASH && !chilled && !cooling_of_age {
            return Some(now.at);
        }
    }
    None
}

/// The season through the engine, as the daemon would live it.
fn run(plan: SeasonPlan, texts: &[RuleText]) -> Lived {
    let site = Arc::new(site_of(&plan));
    let (rulebook, faults) = Rulebook::compile(texts, &site.rules, site.display);
    assert!(faults.is_empty(), "{faults:#?}");
    let start = plan.on_air - Span::minutes(1);
    let engine = Engine::new(Arc::clone(&site), rulebook, vec![], Restored::default(), start);
    let mut daemon = Daemon { engine, told: Vec::new(), accepted: Vec::new() };
    daemon.step(start, Input::Started { previous: None });
    let mut season = Season::new(plan.clone()).unwrap();
    let mut truth = Vec::new();
    let bin = BinId::new("bin").unwrap();
    while let Some(moment) = season.step().unwrap() {
        daemon.wait(moment.at);
        for (at, deed) in moment.written {
            let kind = entry(&plan, deed);
            let entry = Entry::new(at, bin.clone(), kind, "crew", "");
            daemon.step(moment.at, Input::Entry(entry));
        }
        let readings: Vec<Reading> = moment.sent.iter().map(|sent| reading(sent, moment.at)).collect();
        daemon.step(moment.at, Input::Readings(readings));
        truth.push(moment.truth);
    }
    let onset = onset(&plan, &truth, season.waterings());
    Lived { plan, truth, waterings: season.waterings().to_vec(), told: daemon.told, onset }
}

struct Daemon {
    engine: Engine,
    told: Vec<Told>,
    accepted: Vec<MailId>,
}

impl Daemon {
    fn wait(&mut self, now: Timestamp) {
        while let Some(at) = self.engine.next_deadline().filter(|at| *at < now) {
            self.step(at, Input::Wake);
        }
    }

    fn step(&mut self, now: Timestamp, input: Input) {
        let effects = self.engine.step(now, input);
        self.take(effects);
        while let Some(mail) = self.accepted.pop() {
            let outcome = MailOutcome::Accepted { reply: "250 ok".into() };
            let effects = self.engine.step(now, Input::Mail { mail, outcome });
            self.take(effects);
        }
    }

    fn take(&mut self, effects: Vec<Effect>) {
        for effect in effects {
            match effect {
                Effect::Deliver(mail) => self.accepted.push(mail),
                Effect::Alarm { alarm, event: Some(event) } => self.told.push(Told {
                    at: event.at,
                    rule: alarm.key.rule.clone(),
                    evidence: if event.kind == AlarmEventKind::Raised { alarm.evidence.clone() } else { Vec::new() },
                    kind: event.kind,
                    finding: event.words.clone(),
                }),
                _ => {}
            }
        }
    }
}

fn entry(plan: &SeasonPlan, deed: Deed) -> EntryKind {
    match deed {
        Deed::OnAir { wet_mass, moisture_percent } => EntryKind::OnAir {
            loaded_at: Some(Celsius(plan.setup.loaded_at.0.round())),
            // Without a mass there is no filling to write.
            filling: wet_mass.map(|kg| Filled { moisture_percent, ..Filled::of(Kilograms(kg)) }),
        },
        Deed::Watered { litres, minutes } => EntryKind::Watered { litres: litres.map(Litres), minutes },
        Deed::Opened => EntryKind::Opened,
    }
}

fn probe_name(spot: Spot) -> &'static str {
    match spot {
        Spot::Base => "base",
        Spot::Core | Spot::CoreMoisture => "core",
        Spot::SecondCore => "core-2",
        Spot::Upper => "upper",
        Spot::Exhaust => "exhaust",
        Spot::Ambient => "ambient",
    }
}

fn reading(sent: &Sent, received_at: Timestamp) -> Reading {
    let (source, quantity) = match sent.from {
        Sender::Probe(spot) => {
            let quantity = if spot == Spot::CoreMoisture { Quantity::Moisture } else { Quantity::Temperature };
            (Source::Probe(ProbeId::new(probe_name(spot)).unwrap()), quantity)
        }
        Sender::RunCounter => (Source::Blower(BlowerId::new("fan").unwrap()), Quantity::RunTime),
        Sender::Current => (Source::Blower(BlowerId::new("fan").unwrap()), Quantity::Current),
    };
    Reading {
        series: SeriesId { source, quantity },
        measured_at: sent.measured_at,
        received_at,
        value: sent.value,
        time_source: TimeSource::Device,
        retained: false,
    }
}

fn site_of(plan: &SeasonPlan) -> Site {
    let every = plan.every.as_seconds();
    let running = match plan.proof {
        Proof::RunCounter => format!("{{ by: run_counter, every_seconds: {every} }}"),
        Proof::Current(every) => format!("{{ by: current, on_above: 1 A, every_seconds: {} }}", every.as_seconds()),
    };
    let mut probes = String::new();
    for (spot, _) in &plan.probes {
        let position = match spot {
            Spot::Core | Spot::SecondCore => "core",
            Spot::Ambient | Spot::CoreMoisture => continue,
            spot => probe_name(*spot),
        };
        probes.push_str(&format!(
            "      - {{ id: {}, position: {position}, every_seconds: {every} }}\n",
            probe_name(*spot)
        ));
    }
    let text = format!(
        r#"
site: {{ id: season, name: A simulated season, zone: Etc/UTC, units: metric, elevation_metres: {elevation} }}
broker: {{ embedded: {{ listen: "127.0.0.1:0" }} }}
topics:
  - {{ topic: "t/{{probe}}", payload: number, source: "{{probe}}", quantity: temperature, unit: Cel }}
blowers:
  - id: fan
    flow_m3_per_h: {flow:.1}
    schedule: {{ on_seconds: {on}, every_minutes: {cycle} }}
    running: {running}
bins:
  - id: bin
    volume_m3: {volume:.2}
    blower: fan
    hose_l_per_min: {hose:.1}
    probes:
{probes}probes:
  - {{ id: ambient, position: ambient, every_seconds: {every} }}
mail: {{ from: "season@season.example", folder: mail }}
people:
  - {{ name: nobody, mail: "nobody@season.example", gets: [alarms, summary] }}
rules: {{ folder: rules }}
summary: {{ weekday: monday, time: "07:00" }}
"#,
        elevation = plan.climate.elevation.0.round(),
        flow = plan.blower.flow.0 * plan.flow_believed,
        hose = plan.care.hose,
        on = plan.pulses.on.as_seconds(),
        cycle = plan.pulses.every.as_minutes(),
        volume = plan.setup.volume.0,
    );
    site::settings::read(&text, "season").unwrap_or_else(|faults| panic!("{faults:#?}\n{text}"))
}

/// What was asked, what was measured, and by how much it was missed.
#[derive(Default)]
struct Table {
    rows: Vec<(String, String, String, String)>,
    notes: Vec<String>,
}

impl Table {
    fn share(&mut self, what: &str, hits: usize, of: usize, least: f64) {
        let share = if of == 0 { 0.0 } else { hits as f64 / of as f64 };
        let verdict =
            if share >= least { "met".into() } else { format!("missed by {:.1} points", 100.0 * (least - share)) };
        let measured = format!("{hits} of {of}, {:.1} %", 100.0 * share);
        self.rows.push((what.into(), measured, format!(">= {:.0} %", 100.0 * least), verdict));
    }

    fn at_most(&mut self, what: &str, measured: f64, shown: String, most: f64, target: &str) {
        let verdict = if measured <= most { "met".into() } else { format!("missed by {:.2}", measured - most) };
        self.rows.push((what.into(), shown, target.into(), verdict));
    }

    fn drying(&mut self, lived: &[Lived]) {
        let of = lived.len();
        let (mut called, mut named, mut early, mut dry_cases) = (0, 0, 0, 0);
        let (mut delays, mut leads) = (Vec::new(), Vec::new());
        for season in lived {
            let Some(onset) = season.onset else { continue };
            // Called early counts, up to two days: the alarm must stand at the onset or be raised within twelve hours of it.
            let call = season.first_standing("temperature-crash", onset - Span::days(2), onset + Span::hours(12));
            if let Some(call) = call {
                called += 1;
                delays.push(call.at.since(onset).as_hours());
                named += usize::from(names_water_first(&call.evidence));
            } else {
                let later = season.raises().find(|t| t.rule == "temperature-crash" && t.at >= onset);
                self.notes.push(format!(
                    "drying seed {}: onset day {:.2}; crash {}",
                    season.plan.seed,
                    season.batch_day(onset),
                    later.map_or("never called".into(), |t| format!(
                        "called {:.1} h after it",
                        t.at.since(onset).as_hours()
                    ))
                ));
            }
            let cold = season
                .truth
                .iter()
                .find(|t| t.celsius[1] < 55.0 && t.at >= onset - Span::days(6) && season.hot_before(t.at, 55.0));
            let Some(cold) = cold.map(|t| t.at) else { continue };
            dry_cases += 1;
            let spoke = season.first_standing("dry-pile", cold - Span::days(14), cold);
            leads.push(spoke.map_or(f64::NAN, |t| cold.since(t.at).as_hours()));
            let in_time = spoke.is_some_and(|t| cold.since(t.at) >= Span::hours(24));
            early += usize::from(in_time);
            if !in_time {
                self.notes.push(format!(
                    "drying seed {}: core below 55 °C on day {:.2}; dry-pile {}",
                    season.plan.seed,
                    season.batch_day(cold),
                    spoke.map_or("silent".into(), |t| format!("spoke {:.1} h before", cold.since(t.at).as_hours()))
                ));
            }
        }
        self.share("a drying crash is called within 12 h of its onset", called, of, 0.95);
        self.share("and water is named first", named, called.max(1), 0.90);
        self.share("dry-pile speaks 24 h before the core is below 55 °C", early, dry_cases, 0.80);
        self.notes.push(format!("crash called, hours after the onset: {}", spread(&mut delays)));
        leads.retain(|h| h.is_finite());
        self.notes.push(format!("dry-pile, hours before 55 °C where it spoke: {}", spread(&mut leads)));
    }

    fn stopped(&mut self, lived: &[Lived]) {
        let mut within = 0;
        let mut pulses = Vec::new();
        for season in lived {
            let Some(BlowerFault::Stops { from, .. }) = season.plan.blower.faults.first() else { continue };
            let cycle = season.plan.pulses.every;
            let first =
                season.plan.on_air + cycle.times(from.since(season.plan.on_air).as_millis() / cycle.as_millis() + 1);
            let told = season.raises().find(|t| AIR.contains(&t.rule.as_str()) && t.at >= *from);
            match told {
                // Three have been missed, and no fourth, until the fourth is due.
                Some(told) => {
                    let missed = told.at.since(first).as_seconds() / cycle.as_seconds();
                    pulses.push(missed);
                    let in_time = told.at.since(first) <= cycle.times(3);
                    within += usize::from(in_time);
                    if !in_time {
                        self.notes.push(format!(
                            "stopped seed {}: told {missed:.1} cycles after the first missed pulse",
                            season.plan.seed
                        ));
                    }
                }
                None => self.notes.push(format!("stopped seed {}: never told", season.plan.seed)),
            }
        }
        self.share("a stopped blower is told within three missed pulses", within, lived.len(), 1.0);
        self.notes.push(format!("stopped blower, cycles after the first missed pulse: {}", spread(&mut pulses)));
    }

    fn healthy(&mut self, lived: &[Lived]) {
        let months: f64 = lived.iter().map(|l| l.plan.days / 30.0).sum();
        let mut per_rule: BTreeMap<&str, (usize, Vec<String>)> = BTreeMap::new();
        let mut true_ones: BTreeMap<&str, usize> = BTreeMap::new();
        let mut strictly = 0;
        for season in lived {
            for told in season.raises() {
                strictly += usize::from(!season.is_true(told, 0.0));
                if season.is_true(told, LEEWAY) {
                    *true_ones.entry(&told.rule).or_default() += 1;
                } else {
                    let (count, examples) = per_rule.entry(&told.rule).or_default();
                    *count += 1;
                    if examples.len() < 3 {
                        examples.push(format!(
                            "seed {} day {:.1}: {}",
                            season.plan.seed,
                            season.batch_day(told.at),
                            told.finding
                        ));
                    }
                }
            }
        }
        let crashes = per_rule.get("temperature-crash").map_or(0, |(n, _)| *n);
        self.at_most(
            &format!("no crash alarm in {months:.0} healthy bin-months"),
            crashes as f64,
            format!("{crashes}"),
            0.0,
            "0",
        );
        let all: usize = per_rule.values().map(|(n, _)| n).sum();
        let rate = all as f64 / months * 10.0;
        self.at_most("false alarms of any kind in 10 bin-months", rate, format!("{rate:.2} ({all})"), 0.999, "< 1");
        self.notes.push(format!(
            "a limit counts as passed where the truth is within {LEEWAY} K of it; without that, {:.2} in 10 bin-months ({strictly})",
            strictly as f64 / months * 10.0
        ));
        for (rule, (count, examples)) in per_rule {
            self.notes.push(format!("false, {rule}: {count}, {:.2} in 10 bin-months", count as f64 / months * 10.0));
            self.notes.extend(examples.into_iter().map(|e| format!("    {e}")));
        }
        for (rule, count) in true_ones {
            self.notes.push(format!("true in healthy seasons (by the truth), {rule}: {count}"));
        }
    }

    fn print(&self) {
        println!();
        println!("{:<58} {:<20} {:<9} verdict", "asked", "measured", "target");
        for (what, measured, target, verdict) in &self.rows {
            println!("{what:<58} {measured:<20} {target:<9} {verdict}");
        }
        println!();
        self.notes.iter().for_each(|note| println!("{note}"));
    }
}

fn spread(values: &mut [f64]) -> String {
    values.sort_by(f64::total_cmp);
    match values {
        [] => "none".into(),
        v => format!("least {:.1}, median {:.1}, most {:.1}", v[0], v[v.len() / 2], v[v.len() - 1]),
    }
}

fn names_water_first(evidence: &[String]) -> bool {
    let first = evidence.iter().find(|line| line.starts_with("Cause 1:"));
    first.is_some_and(|line| line.contains("water"))
}

impl Lived {
    fn raises(&self) -> impl Iterator<Item = &Told> {
        self.told.iter().filter(|t| t.kind == AlarmEventKind::Raised)
    }

    fn batch_day(&self, at: Timestamp) -> f64 {
        at.since(self.plan.on_air).as_days()
    }

    fn hot_before(&self, at: Timestamp, celsius: f64) -> bool {
        self.truth.iter().take_while(|t| t.at < at).any(|t| t.celsius[1] >= celsius)
    }

    /// The raise of a rule that falls between two times, or stands at the second one having been raised before the first.
    fn first_standing(&self, rule: &str, from: Timestamp, to: Timestamp) -> Option<&Told> {
        let mut standing = None;
        for told in self.told.iter().filter(|t| t.rule == rule && t.at <= to) {
            match told.kind {
                AlarmEventKind::Raised if told.at >= from => return Some(standing.unwrap_or(told)),
                AlarmEventKind::Raised => standing = Some(told),
                AlarmEventKind::Cleared | AlarmEventKind::Retired if told.at < from => standing = None,
                _ => {}
            }
        }
        standing
    }

    /// The longest time in a row, up to a moment, that the true core was at least this hot.
    fn longest_at_least(&self, celsius: f64, at: Timestamp) -> Span {
        let (mut longest, mut since) = (Span::ZERO, None);
        for truth in self.truth.iter().take_while(|t| t.at <= at) {
            since = if truth.celsius[1] >= celsius { since.or(Some(truth.at)) } else { None };
            longest = since.map_or(longest, |since| longest.max(truth.at.since(since)));
        }
        longest
    }

    fn true_at(&self, at: Timestamp) -> &Truth {
        let i = self.truth.partition_point(|t| t.at < at).min(self.truth.len() - 1);
        &self.truth[i]
    }

    /// Whether the truth bears an alarm out; `leeway` is what a sound probe may be wrong by. What is not known here counts as false.
    fn is_true(&self, told: &Told, leeway: f64) -> bool {
        let (at, now) = (told.at, self.true_at(told.at));
        let within = |span: Span| self.truth.iter().filter(move |t| t.at <= at && at.since(t.at) <= span);
        let hottest = |span: Span| within(span).flat_map(|t| t.celsius).fold(f64::MIN, f64::max);
        let driest = now.moisture.iter().copied().fold(1.0, f64::min);
        match told.rule.as_str() {
            // Their limits, within the hour: the delay before they speak and the lag of a lance.
            "too-hot" => hottest(Span::hours(1)) >= 74.0 - leeway,
            "fire-danger" => hottest(Span::hours(1)) >= 80.0 - leeway,
            "running-hot" => hottest(Span::hours(2)) >= 71.0 - leeway,
            // No season burns: whatever it says is false.
            "fire-signs" => false,
            // "Opened?": a door stood open in the four hours before (it looks back three, and waits for half an hour).
            "left-open" => within(Span::hours(4)).any(|t| t.open),
            // Wetter than the top of what is acceptable, 65 % (its own limit), somewhere in the pile.
            "waterlogged" => now.moisture.iter().any(|m| *m >= 0.65 - leeway / 100.0),
            "slow-start" => !self.hot_before(at, 50.0 + leeway),
            "hot-hold" => now.celsius[1] < 55.0 + leeway || !self.hot_before(at, 55.0 + leeway),
            // Dry to the hand: common practice waters below half.
            "dry-pile" | "watering-no-response" => driest < 0.44,
            "slow-cooling" => self.true_at(at - Span::days(2)).celsius[1] - now.celsius[1] >= 6.0 - leeway,
            "frost" => {
                let (count, sum) = within(Span::hours(2)).fold((0.0, 0.0), |(n, sum), t| (n + 1.0, sum + t.ambient));
                sum / count < leeway
            }
            "probe-impossible" => self.faults(at, |spot, fault| match fault {
                Fault::Flaky { from, until, .. } if spot != Spot::Ambient => {
                    Some((*from, self.delivered(*from, *until)))
                }
                _ => None,
            }),
            "probe-silent" | "site-probe-silent" => {
                let outdoors = told.rule == "site-probe-silent";
                let cut = self.plan.outages.iter().any(|(from, until)| *from <= at && at <= *until + Span::hours(1));
                cut || self.faults(at, |spot, fault| match fault {
                    _ if (spot == Spot::Ambient) != outdoors => None,
                    Fault::Silent { from, until } => Some((*from, *until)),
                    Fault::Dies { at } => Some((*at, Timestamp::MAX - Span::days(1))),
                    _ => None,
                })
            }
            // Half of what its rule looks for.
            "probe-drifting" => self.plan.probes.iter().flat_map(|(_, probe)| &probe.faults).any(|fault| match fault {
                Fault::Drift { from, per_day } => (per_day * at.since(*from).as_days()).abs() >= 2.5 && *from <= at,
                _ => false,
            }),
            "no-air" | "blower-silent" => self.plan.blower.faults.iter().any(|fault| match fault {
                BlowerFault::Stops { from, until } => {
                    *from <= at && until.is_none_or(|until| at <= until + self.plan.pulses.every)
                }
                _ => false,
            }),
            "hold-met" => self.longest_at_least(54.5, at) >= Span::hours(71),
            // A layer that is hot now falls below within three days.
            "hold-at-risk" => (0..3).any(|layer| {
                let later = self.truth.iter().filter(|t| t.at >= at && t.at.since(at) <= Span::days(3));
                now.celsius[layer] >= 54.5 && later.map(|t| t.celsius[layer]).any(|c| c < 55.3)
            }),
            "cooled-too-early" => now.celsius[1] < 44.0 && at < self.plan.day(21.1),
            "ready-to-leave-air" => at >= self.plan.day(27.9) && driest >= 0.44,
            "overdue-on-air" => at >= self.plan.day(42.0),
            _ => false,
        }
    }

    /// Whether one of the probes' faults that `lasts` picks holds at `at`, or ended within the hour.
    fn faults(&self, at: Timestamp, lasts: impl Fn(Spot, &Fault) -> Option<(Timestamp, Timestamp)>) -> bool {
        let all = self.plan.probes.iter().flat_map(|(spot, probe)| probe.faults.iter().map(move |f| (*spot, f)));
        all.filter_map(|(spot, fault)| lasts(spot, fault))
            .any(|(from, until)| from <= at && at <= until + Span::hours(1))
    }

    /// When the last of what was sent from one time to another came in: a gateway that was cut off delivers late.
    fn delivered(&self, from: Timestamp, until: Timestamp) -> Timestamp {
        let late = self.plan.outages.iter().filter(|(cut, _)| from <= *cut && *cut <= until).map(|(_, back)| *back);
        late.max().map_or(until, |back| back.max(until))
    }
}

/// One season, a line for every day and one for everything told.
fn tell(season: &Lived) {
    let plan = &season.plan;
    println!(
        "\nseed {} {:?}: {:.1} m³, {:.0} kg at {:.0} %, air {:.2} m³/h/m³, every {}, waterings {}, onset {}",
        plan.seed,
        plan.kind,
        plan.setup.volume.0,
        plan.setup.wet_mass,
        plan.setup.moisture * 100.0,
        plan.blower.flow.0 * plan.pulses.on.as_seconds() / plan.pulses.every.as_seconds() / plan.setup.volume.0,
        plan.every,
        season.waterings.len(),
        season.onset.map_or("none".into(), |at| format!("day {:.2}", season.batch_day(at))),
    );
    let daily = (Span::days(1).as_millis() / plan.every.as_millis()) as usize;
    for t in season.truth.iter().step_by(daily) {
        let [base, core, upper] = t.celsius;
        let [mb, mc, mu] = t.moisture.map(|m| m * 100.0);
        println!(
            "  day {:>4.1}  {base:>5.1} {core:>5.1} {upper:>5.1} °C  {mb:>4.1} {mc:>4.1} {mu:>4.1} %  outside {:>5.1}",
            season.batch_day(t.at),
            t.ambient
        );
    }
    for told in &season.told {
        println!("  day {:>5.2}  {} {:?}: {}", season.batch_day(told.at), told.rule, told.kind, told.finding);
        for line in &told.evidence {
            println!("              {line}");
        }
    }
}
