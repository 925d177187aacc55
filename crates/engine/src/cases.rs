//! Runs rule cases: feeds the engine what a made-up bin sends, as the daemon would, and says what the rule's alarm did.
//!
//! Must never judge by another way than [`Engine::step`]: a case that passes here passes because the daemon would do the same.

use std::collections::BTreeMap;
use std::sync::Arc;

use pile::time::{Span, Timestamp};
use pile::units::CubicMetresPerHour;
use pile::window::Point;
use rulebook::answer::Verdict;
use rulebook::cases::{Case, Expected, ExpectedKind, MailWay, value_at};
use rulebook::header::Scope;
use rulebook::{RuleFault, RuleText, Rulebook};
use site::entry::{BatchId, Entry};
use site::ids::{BadId, BinId, BlowerId, ProbeId};
use site::judge::Standing;
use site::model::{Blower, BlowerSchedule, Direction, Gateway, Position, Probe, RuleSettings, RunProof, Site};
use site::quantity::Quantity;
use site::reading::{Quality, Reading, SeriesId, Source, TimeSource};

use crate::Engine;
use crate::alarm::{AlarmEventKind, Subject};
use crate::effect::{Effect, MailId};
use crate::input::{Input, MailOutcome};
use crate::limits;
use crate::restore::Restored;

/// What came of a case.
#[derive(Clone, Debug, PartialEq)]
pub struct Run {
    /// What the alarm did, in order.
    pub events: Vec<Happened>,
    /// What the rule answered at the end of each expected time, and at the end of the case.
    pub said: Vec<(Span, String)>,
}

/// One thing that the alarm did.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Happened {
    /// What.
    pub kind: ExpectedKind,
    /// When, counted from the beginning of the case.
    pub at: Span,
    /// The finding.
    pub finding: String,
}

/// Why a case cannot be run.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum CaseError {
    /// The rule or a setting that the case changes is faulty, or the rule failed while it ran.
    #[error("{}", .0.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))]
    Rule(Vec<RuleFault>),
    /// The log of the case is impossible.
    #[error("{place}: log at {at}: {why}; correct the log of the case")]
    Log {
        /// `file:line` of the case.
        place: String,
        /// When, counted from the beginning of the case.
        at: Span,
        /// Why, in the engine's words.
        why: String,
    },
    /// The made-up site is faulty, which is a fault of this program.
    #[error("the made-up site of rule cases is faulty: {0}; please report it")]
    Site(String),
}

/// Every case begins on Monday 2026-03-02 00:00 UTC.
const BEGIN: Timestamp = Timestamp::from_millis(1_772_409_600_000);

/// One bin and nobody to mail to; probes and blower come from the case.
const SITE: &str = r#"
site: { id: cases, name: Rule cases, zone: Etc/UTC, units: metric, elevation_metres: 0 }
broker: { embedded: { listen: "127.0.0.1:0" } }
topics:
  - { topic: "{probe}", payload: number, source: "{probe}", quantity: temperature, unit: Cel }
bins:
  - { id: bin, volume_m3: 2.5, probes: [ { id: none, position: core, every_seconds: 300 } ] }
mail: { from: "cases@cases.example", folder: mail }
people:
  - { name: nobody, mail: "nobody@cases.example", gets: [alarms, summary] }
rules: { folder: rules }
summary: { weekday: monday, time: "07:00" }
"#;

/// Runs one case of a rule.
///
/// # Errors
/// [`CaseError`] when the rule or the case is faulty; a rule that merely answers otherwise than expected is no error.
pub fn run(rule: &RuleText, case: &Case) -> Result<Run, CaseError> {
    let changed = [(rule.name.clone(), case.settings.clone())].into_iter().collect();
    let site = site_of(case).map_err(|bad| CaseError::Site(bad.to_string()))?;
    let settings = RuleSettings { folder: site.rules.folder.clone(), changed };
    let (rulebook, faults) = Rulebook::compile(std::slice::from_ref(rule), &settings, site.display);
    if !faults.is_empty() {
        return Err(CaseError::Rule(faults));
    }
    let bin = site.bins.keys().next().cloned().ok_or_else(|| CaseError::Site("it has no bin".into()))?;
    let mut engine = Engine::new(Arc::new(site), rulebook, vec![], Restored::default(), BEGIN);
    let run = Run { events: vec![], said: vec![] };
    let mut watched =
        Watched { rule: &rule.name, run, history: BTreeMap::new(), recalls: vec![], mails: vec![], mail: case.mail };
    watched.take(engine.step(BEGIN, Input::Started { previous: None }));

    let mut log = case.log.iter().peekable();
    let mut results = case.results.iter().peekable();
    let mut standings: Vec<Standing> = vec![];
    let mut moments: Vec<Span> = case.expected.iter().map(|e| e.to).chain([case.length]).collect();
    moments.sort();
    moments.dedup();
    let mut moments = moments.into_iter().peekable();
    let mut n = 0;
    loop {
        let at = case.probes_every.times(n).min(case.length);
        while let Some((when, kind)) = log.next_if(|(when, _)| *when <= at) {
            let now = BEGIN + *when;
            watched.wait(&mut engine, now);
            let entry = Entry::new(now, bin.clone(), kind.clone(), "case", "of the case");
            let effects = engine.step(now, Input::Entry(entry));
            let refused = effects.iter().find_map(|e| match e {
                Effect::Reply(Err(why)) => Some(why.clone()),
                _ => None,
            });
            if let Some(why) = refused {
                return Err(CaseError::Log { place: case.place.clone(), at: *when, why });
            }
            watched.take(effects);
            watched.recall(&mut engine, now);
        }
        while let Some(result) = results.next_if(|result| result.at <= at) {
            let now = BEGIN + result.at;
            watched.wait(&mut engine, now);
            let standing = result.standing(BEGIN);
            standings.retain(|s| s.criterion != standing.criterion);
            standings.push(standing);
            // The only batch of a case is its first.
            let (bin, standings) = (bin.clone(), standings.clone());
            watched.take(engine.step(now, Input::Judged { bin, batch: BatchId(1), at: now, standings }));
        }
        let now = BEGIN + at;
        // While the clock jumps nobody is awake, and it wakes at once at the end.
        let asleep = case.jump.is_some_and(|(from, by)| from < at && at < from + by);
        if asleep && at < case.length {
            n += 1;
            continue;
        }
        if !case.jump.is_some_and(|(from, by)| at >= from + by && at - case.probes_every < from + by) {
            watched.wait(&mut engine, now);
        }
        if let Some((free, _)) = value_at(&case.disk_free, at) {
            watched.take(engine.step(now, Input::Health { disk_free: free / 100.0 }));
        }
        watched.post(&mut engine, now);
        let readings = readings(case, at, n).map_err(|bad| CaseError::Site(bad.to_string()))?;
        watched.take(engine.step(now, Input::Readings(readings)));
        if let Some(fault) = engine.failing.values().next() {
            return Err(CaseError::Rule(vec![fault.clone()]));
        }
        if engine.work.all() > limits::CASE_STEPS {
            let what = format!("{}: the case takes more than {} steps", case.place, limits::CASE_STEPS);
            let fault = RuleFault::of_work(
                &rule.name,
                &rule.path,
                what,
                "shorten the case, or judge less often: `every` in its header",
            );
            return Err(CaseError::Rule(vec![fault]));
        }
        while moments.next_if(|moment| *moment <= at).is_some() {
            watched.run.said.push((at, said(&engine, &bin, now)));
        }
        if at == case.length {
            return Ok(watched.run);
        }
        n += 1;
    }
}

impl Run {
    /// Whether the alarm did what was expected, and nothing else.
    pub fn fulfils(&self, expected: &[Expected]) -> bool {
        self.events.len() == expected.len()
            && self.events.iter().zip(expected).all(|(h, e)| h.kind == e.kind && e.from <= h.at && h.at <= e.to)
    }
}

/// What a rule does with an ordinary bin for some hours, as `check` and a reload want to know it of every rule.
///
/// # Errors
/// The faults that the daemon would find in the rule, or of a rule that asks for more than its share.
pub fn trial(rule: &RuleText, changed: &RuleSettings) -> Result<(), Vec<RuleFault>> {
    let cases = rulebook::cases::read_cases(TRIAL, "the trial of a rule").unwrap_or_default();
    for mut case in cases {
        case.settings = changed.changed.get(&rule.name).cloned().unwrap_or_default();
        if let Err(CaseError::Rule(faults)) = run(rule, &case) {
            return Err(faults);
        }
    }
    Ok(())
}

/// A bin that is hot, with a blower that runs as it should.
const TRIAL: &str = "\
common: { probes_every: 10 min, noise: 0.3 }
cases:
  - name: some hours of a bin
    base: 58 for 4 h
    core: 62 for 4 h
    upper: 64 for 4 h
    ambient: 12 for 4 h
    blower: scheduled for 4 h
    log: [on-air at 0 h, 'watered at 1 h, 40 L']
    expect: none
";

/// Gathers what the alarm does out of the engine's effects.
struct Watched<'r> {
    rule: &'r str,
    run: Run,
    /// Good readings, as the store would give them back.
    history: BTreeMap<SeriesId, Vec<Point>>,
    /// What the engine wants of them.
    recalls: Vec<(SeriesId, Timestamp)>,
    /// Mails that want to leave.
    mails: Vec<MailId>,
    mail: MailWay,
}

impl Watched<'_> {
    /// Wakes the engine at its deadlines before `now`, as the daemon does.
    fn wait(&mut self, engine: &mut Engine, now: Timestamp) {
        while let Some(at) = engine.next_deadline().filter(|at| *at < now) {
            let effects = engine.step(at, Input::Wake);
            self.take(effects);
            self.recall(engine, at);
        }
    }

    /// Answers what the engine wants to read again, as the store does.
    fn recall(&mut self, engine: &mut Engine, now: Timestamp) {
        while let Some((series, from)) = self.recalls.pop() {
            let known = self.history.get(&series).map(Vec::as_slice).unwrap_or_default();
            let points = known.iter().filter(|p| p.at >= from).copied().collect();
            let effects = engine.step(now, Input::Recalled { series, from, points });
            self.take(effects);
        }
    }

    /// Takes the mails, where the relay of the case does.
    fn post(&mut self, engine: &mut Engine, now: Timestamp) {
        for mail in std::mem::take(&mut self.mails) {
            let outcome = match self.mail {
                MailWay::Open => MailOutcome::Accepted { reply: "250 taken".into() },
                MailWay::Down => MailOutcome::Deferred { reply: "421 not now".into() },
            };
            let effects = engine.step(now, Input::Mail { mail, outcome });
            self.take(effects);
        }
    }

    fn take(&mut self, effects: Vec<Effect>) {
        for effect in effects {
            let (alarm, event) = match effect {
                Effect::Alarm { alarm, event: Some(event) } => (alarm, event),
                Effect::Deliver(mail) => {
                    self.mails.push(mail);
                    continue;
                }
                Effect::Recall { series, from } => {
                    self.recalls.push((series, from));
                    continue;
                }
                Effect::Store { reading, quality: Quality::Good, .. } => {
                    let point = Point { at: reading.measured_at, value: reading.value };
                    self.history.entry(reading.series).or_default().push(point);
                    continue;
                }
                _ => continue,
            };
            let kind = match event.kind {
                AlarmEventKind::Raised => ExpectedKind::Raised,
                AlarmEventKind::Cleared => ExpectedKind::Cleared,
                AlarmEventKind::Retired => ExpectedKind::Retired,
                #[allow(unreachable_patterns, reason = "what people do to alarms is no part of a case")]
                _ => continue,
            };
            if alarm.key.rule == self.rule && !matches!(alarm.key.subject, Subject::Rule(_)) {
                self.run.events.push(Happened { kind, at: event.at.since(BEGIN), finding: event.words });
            }
        }
    }
}

fn said(engine: &Engine, bin: &BinId, now: Timestamp) -> String {
    let Some(rule) = engine.rulebook.rules().first() else { return String::new() };
    let facts = match rule.header.scope {
        Scope::Bin => engine.facts(bin, now),
        Scope::Site => match engine.site_facts(now, true) {
            Some(facts) => facts,
            None => return String::new(),
        },
    };
    let facts = Arc::new(facts);
    match engine.rulebook.judge(rule, &facts) {
        Ok(answer) => {
            let verdict = match answer.verdict {
                Verdict::Alarm => "alarm",
                Verdict::Keep => "keep",
                Verdict::Clear => "clear",
                Verdict::CannotTell => "cannot tell",
            };
            format!("{verdict}: {}", answer.finding)
        }
        Err(fault) => fault.to_string(),
    }
}

/// The number-th probe at a position; its quantities share it.
fn probe_id(case: &Case, index: usize) -> Result<ProbeId, BadId> {
    let track = &case.tracks[index];
    let before =
        case.tracks[..index].iter().filter(|t| t.position == track.position && t.quantity == track.quantity).count();
    ProbeId::new(&format!("{}-{}", track.position.map_or("blower", Position::key), before + 1))
}

fn readings(case: &Case, at: Span, n: i64) -> Result<Vec<Reading>, BadId> {
    let now = BEGIN + at;
    let reading = |source, quantity, value| Reading {
        series: SeriesId { source, quantity },
        measured_at: now,
        received_at: now,
        value,
        time_source: TimeSource::Device,
        retained: false,
    };
    let mut readings = Vec::new();
    for (index, track) in case.tracks.iter().enumerate() {
        if let Some((value, with_error)) = track.at(at) {
            let error = if with_error { case.noise * error(case.seed, index as u64, n.unsigned_abs()) } else { 0.0 };
            let source = match track.position {
                Some(_) => Source::Probe(probe_id(case, index)?),
                None => Source::Blower(BlowerId::new("blower")?),
            };
            readings.push(reading(source, track.quantity, value + error));
        }
    }
    if let Some(ran) = case.run_seconds(at) {
        readings.push(reading(Source::Blower(BlowerId::new("blower")?), Quantity::RunTime, ran));
    }
    Ok(readings)
}

/// An error from −1 to 1, evenly spread: SplitMix64 over seed, series and number of the reading.
fn error(seed: u64, series: u64, n: u64) -> f64 {
    let mut z = seed.wrapping_mul(0x9e37_79b9_7f4a_7c15).wrapping_add(series << 40).wrapping_add(n);
    for _ in 0..2 {
        z = z.wrapping_add(0x9e37_79b9_7f4a_7c15);
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^= z >> 31;
    }
    (z >> 11) as f64 / (1u64 << 52) as f64 - 1.0
}

fn site_of(case: &Case) -> Result<Site, Box<dyn std::error::Error>> {
    let mut site = site::settings::read(SITE, "rule cases").map_err(|faults| {
        faults.into_iter().next().map_or_else(|| "no fault named".into(), |f| Box::new(f) as Box<dyn std::error::Error>)
    })?;
    site.probes.clear();
    let blower = BlowerId::new("blower")?;
    let Some(bin) = site.bins.values_mut().next() else { return Err("it has no bin".into()) };
    bin.probes.clear();
    for index in 0..case.tracks.len() {
        let Some(position) = case.tracks[index].position else { continue };
        let id = probe_id(case, index)?;
        if site.probes.contains_key(&id) {
            continue;
        }
        let site_wide = matches!(position, Position::Ambient | Position::Room);
        if !site_wide {
            bin.probes.push(id.clone());
        }
        let probe = Probe {
            id: id.clone(),
            bin: (!site_wide).then(|| bin.id.clone()),
            position,
            depth: None,
            interval: case.probes_every,
            range: position.default_celsius(),
            power_on_85: true,
            place: case.place.clone(),
        };
        site.probes.insert(id, probe);
    }
    let behind: Vec<ProbeId> = bin.probes.clone();
    if behind.len() > 1 {
        site.gateways = vec![Gateway { id: "gateway".into(), probes: behind, status: None }];
    }
    if case.blower.is_some() {
        bin.blower = Some(blower.clone());
        let (on, every) = case.schedule;
        let described = Blower {
            id: blower.clone(),
            role: case.blower_role,
            direction: Direction::Upward,
            flow: CubicMetresPerHour(150.0),
            schedule: BlowerSchedule::Pulses { on, every },
            proof: RunProof::RunCounter,
            interval: case.probes_every,
            place: case.place.clone(),
        };
        site.blowers.insert(blower, described);
    }
    Ok(site)
}
