//! One bin with such a pile through the engine with the shipped rules, as the daemon would live it.
//!
//! Must never judge by another way than `Engine::step`, nor tell the engine anything but what probes send and people write.

use std::sync::Arc;

use engine::Engine;
use engine::alarm::{AlarmEventKind, AlarmState};
use engine::effect::{Effect, MailId};
use engine::input::{Input, MailOutcome};
use engine::notice::Notice;
use engine::restore::Restored;
use pile::time::{Span, Timestamp};
use pile::units::{Celsius, Kilograms, Litres};
use rulebook::{RuleText, Rulebook};
use site::entry::{Entry, EntryKind, Filled};
use site::ids::{BinId, BlowerId, ProbeId};
use site::quantity::Quantity;
use site::reading::{Reading, SeriesId, Source, TimeSource};

use crate::piles::{Dice, Event, Lived, Make, STEP_MINUTES, live};

/// How a season is watched and what of it is written.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Plan {
    pub(crate) make: Make,
    pub(crate) event: Event,
    pub(crate) seed: u64,
    pub(crate) days: f64,
    /// An opened door is written into the log.
    pub(crate) written: bool,
    /// The blower measures its flow.
    pub(crate) flow: bool,
    /// Oxygen is measured in the core.
    pub(crate) oxygen: bool,
    /// Probes fall silent now and then.
    pub(crate) silences: bool,
    /// The blower stood for so many hours before on-air.
    pub(crate) stood_hours: i64,
}

impl Plan {
    pub(crate) fn of(make: Make, event: Event, seed: u64, days: f64) -> Plan {
        Plan { make, event, seed, days, written: false, flow: false, oxygen: false, silences: false, stood_hours: 0 }
    }
}

/// Something an alarm did.
#[derive(Clone, Debug)]
pub(crate) struct Told {
    /// Of the batch.
    pub(crate) day: f64,
    pub(crate) rule: String,
    pub(crate) kind: AlarmEventKind,
    /// Another alarm tells of it: nobody is told.
    pub(crate) hidden: bool,
    pub(crate) finding: String,
    pub(crate) evidence: Vec<String>,
}

/// A season with what was told of it.
pub(crate) struct Season {
    pub(crate) plan: Plan,
    pub(crate) lived: Lived,
    pub(crate) told: Vec<Told>,
    /// Mails of an alarm of its own, by rule.
    pub(crate) mails: Vec<String>,
}

impl Season {
    pub(crate) fn raises(&self) -> impl Iterator<Item = &Told> {
        self.told.iter().filter(|t| t.kind == AlarmEventKind::Raised && !t.hidden)
    }

    /// What was raised from one day to another.
    pub(crate) fn raised(&self, rule: &str, from: f64, to: f64) -> Option<&Told> {
        self.raises().find(|t| t.rule == rule && (from..=to).contains(&t.day))
    }

    /// The true core at a day.
    pub(crate) fn core(&self, day: f64) -> f64 {
        let last = self.lived.moments.len() - 1;
        self.lived.moments[((day * 1_440.0 / STEP_MINUTES as f64).max(0.0) as usize).min(last)].core
    }

    /// The hottest of the true layers at a day.
    pub(crate) fn hottest(&self, day: f64) -> f64 {
        let last = self.lived.moments.len() - 1;
        let moment = self.lived.moments[((day * 1_440.0 / STEP_MINUTES as f64).max(0.0) as usize).min(last)];
        moment.base.max(moment.core).max(moment.upper)
    }

    /// The first day on which the true core begins to lose what a crash loses and goes on losing it.
    pub(crate) fn onset(&self) -> Option<f64> {
        let days = self.plan.days;
        (0..((days - 1.0) * 24.0) as i64).map(|hour| hour as f64 / 24.0).filter(|day| *day > 3.0).find(|day| {
            let (a, b, c) = (self.core(*day), self.core(day + 0.5), self.core(day + 1.0));
            a >= 50.0 && a - b >= 2.9 && b - c >= 2.6
        })
    }
}

/// Monday 2026-03-02 00:00 UTC.
const BEGIN: Timestamp = Timestamp::from_millis(1_772_409_600_000);
const VOLUME: f64 = 4.0;

/// Every second bin stands in a building.
fn indoors(seed: u64) -> bool {
    seed % 2 == 1
}

fn settings(plan: &Plan) -> String {
    let air = if indoors(plan.seed) { "room" } else { "ambient" };
    format!(
        r#"
site: {{ id: other, name: Another make, zone: Etc/UTC, units: metric, elevation_metres: 50 }}
broker: {{ embedded: {{ listen: "127.0.0.1:0" }} }}
topics:
  - {{ topic: "t/{{probe}}", payload: number, source: "{{probe}}", quantity: temperature, unit: Cel }}
blowers:
  - id: fan
    flow_m3_per_h: 300
    schedule: {{ on_seconds: 45, every_minutes: 30 }}
    running: {{ by: run_counter, every_seconds: 600 }}
bins:
  - id: bin
    volume_m3: {VOLUME}
    blower: fan
    hose_l_per_min: 15
    probes:
      - {{ id: base, position: base, every_seconds: 600 }}
      - {{ id: core, position: core, every_seconds: 600 }}
      - {{ id: upper, position: upper, every_seconds: 600 }}
      - {{ id: exhaust, position: exhaust, every_seconds: 600 }}
probes:
  - {{ id: air, position: {air}, every_seconds: 600 }}
mail: {{ from: "other@other.example", folder: mail }}
people:
  - {{ name: Ann, mail: "ann@other.example", gets: [alarms, round_list, summary] }}
rules: {{ folder: rules }}
criteria:
  - {{ id: us503-pfrp-asp }}
summary: {{ weekday: monday, time: "07:00" }}
round_list: {{ time: "07:00", quiet_from: "21:00" }}
"#
    )
}

/// Lives the season and has the engine judge it.
pub(crate) fn watch(plan: Plan, texts: &[RuleText]) -> Season {
    let lived = live(plan.make, plan.event, plan.seed, plan.days, indoors(plan.seed));
    let site = site::settings::read(&settings(&plan), "other").unwrap_or_else(|faults| panic!("{faults:#?}"));
    let (rulebook, faults) = Rulebook::compile(texts, &site.rules, site.display);
    assert!(faults.is_empty(), "{faults:#?}");
    let on_air = BEGIN + Span::hours(6 + plan.stood_hours);
    let engine = Engine::new(Arc::new(site), rulebook, vec![], Restored::default(), BEGIN);
    let mut daemon = Daemon { engine, on_air, told: vec![], mails: vec![], accepted: vec![] };
    daemon.step(BEGIN, Input::Started { previous: None });

    let mut dice = Dice::new(plan.seed.wrapping_mul(7).wrapping_add(1));
    let noise = dice.between(0.05, 0.3);
    let grain = [0.0625, 0.1, 0.5][(dice.share() * 3.0) as usize];
    let bias: Vec<f64> = (0..5).map(|_| 0.4 * dice.normal()).collect();
    let silent: Vec<Vec<(f64, f64)>> = (0..6).map(|_| silences(&mut dice, &plan)).collect();
    let names = ["base", "core", "upper", "exhaust", "air"];
    let mut ran = 40_000.0;

    // Before on-air the bin is loaded and cold, and its blower stands or has run for another.
    for minute in (0..(6 + plan.stood_hours) * 60).step_by(STEP_MINUTES as usize) {
        let now = BEGIN + Span::minutes(minute);
        if plan.stood_hours == 0 && minute % 30 == 0 {
            ran += 45.0;
        }
        let mut readings = vec![reading(blower(Quantity::RunTime), now, ran)];
        readings.extend(names.iter().map(|name| reading(probe(name), now, 15.0)));
        daemon.at(now, Input::Readings(readings));
    }
    let mixed = Kilograms(VOLUME * 500.0);
    let filling = Filled { moisture_percent: Some(57.0), ..Filled::of(mixed) };
    daemon.at(on_air, entry(on_air, EntryKind::OnAir { loaded_at: Some(Celsius(16.0)), filling: Some(filling) }));
    for (n, moment) in lived.moments.iter().enumerate() {
        let minute = n as i64 * STEP_MINUTES;
        let day = minute as f64 / 1_440.0;
        let now = on_air + Span::minutes(minute);
        for (_, litres) in lived.watered.iter().filter(|(at, _)| *at == minute) {
            let litres = Some(Litres((litres * VOLUME).round()));
            daemon.at(now, entry(now, EntryKind::Watered { litres, minutes: None }));
        }
        if let Event::Door { day: from, .. } = plan.event
            && plan.written
            && (from..from + STEP_MINUTES as f64 / 1_440.0).contains(&day)
        {
            daemon.at(now, entry(now, EntryKind::Opened));
        }
        // The first pulse comes some minutes after somebody wrote that the batch is on air.
        if minute % 30 == 20 {
            ran += 45.0;
        }
        let heard = |i: usize| !silent[i].iter().any(|(from, until)| (*from..*until).contains(&day));
        let values = [moment.base, moment.core, moment.upper, moment.exhaust, moment.air];
        let mut readings = vec![];
        if heard(5) {
            readings.push(reading(blower(Quantity::RunTime), now, ran));
        }
        for (i, value) in values.iter().enumerate() {
            let read = ((value + bias[i] + noise * dice.normal()) / grain).round() * grain;
            if heard(i) {
                readings.push(reading(probe(names[i]), now, read));
            }
        }
        if plan.flow {
            readings.push(reading(blower(Quantity::Flow), now, 300.0 * moment.flow));
        }
        if plan.oxygen {
            let series = SeriesId { quantity: Quantity::Oxygen, ..probe("core") };
            readings.push(reading(series, now, moment.oxygen.clamp(0.1, 20.9)));
        }
        daemon.at(now, Input::Readings(readings));
    }
    Season { plan, lived, told: daemon.told, mails: daemon.mails }
}

/// When a probe is silent, in days of the batch: for half an hour to a day and a half, once in some months; few die.
fn silences(dice: &mut Dice, plan: &Plan) -> Vec<(f64, f64)> {
    let mut found = vec![];
    let mut day = 0.3;
    loop {
        day -= 130.0 * (1.0 - dice.share()).ln();
        let hours = 0.6 * 60.0_f64.powf(dice.share());
        if day > plan.days || !plan.silences {
            return found;
        }
        found.push((day, day + hours / 24.0));
        day += hours / 24.0;
    }
}

fn probe(name: &str) -> SeriesId {
    SeriesId { source: Source::Probe(ProbeId::new(name).unwrap()), quantity: Quantity::Temperature }
}

fn blower(quantity: Quantity) -> SeriesId {
    SeriesId { source: Source::Blower(BlowerId::new("fan").unwrap()), quantity }
}

fn reading(series: SeriesId, at: Timestamp, value: f64) -> Reading {
    Reading { series, measured_at: at, received_at: at, value, time_source: TimeSource::Device, retained: false }
}

fn entry(at: Timestamp, kind: EntryKind) -> Input {
    Input::Entry(Entry::new(at, BinId::new("bin").unwrap(), kind, "crew", ""))
}

struct Daemon {
    engine: Engine,
    on_air: Timestamp,
    told: Vec<Told>,
    mails: Vec<String>,
    accepted: Vec<MailId>,
}

impl Daemon {
    fn at(&mut self, now: Timestamp, input: Input) {
        while let Some(at) = self.engine.next_deadline().filter(|at| *at < now) {
            self.step(at, Input::Wake);
        }
        self.step(now, input);
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
                Effect::Mail(mail) => {
                    if let Notice::Alarm(notice) = &mail.notice {
                        self.mails.push(notice.rule.clone());
                    }
                }
                Effect::Reply(Err(why)) => panic!("the log refused an entry: {why}"),
                Effect::Alarm { alarm, event: Some(event) } => self.told.push(Told {
                    day: event.at.since(self.on_air).as_days(),
                    rule: alarm.key.rule.clone(),
                    evidence: if event.kind == AlarmEventKind::Raised { alarm.evidence.clone() } else { vec![] },
                    kind: event.kind,
                    hidden: event.after == AlarmState::Suppressed,
                    finding: event.words.clone(),
                }),
                _ => {}
            }
        }
    }
}
