//! A small site with one rule for the engine's tests, and the shorthand to feed it.
#![allow(dead_code, unreachable_pub, clippy::unwrap_used, reason = "each test file uses its own part")]

use std::sync::Arc;

use engine::Engine;
use engine::alarm::AlarmId;
use engine::effect::{Effect, Mail};
use engine::input::{Input, Word};
use engine::notice::{AlarmNotice, Notice, RoundListNotice, SummaryNotice};
use engine::restore::Restored;
use pile::time::{Span, Timestamp};
use rulebook::{RuleText, Rulebook};
use site::entry::{Entry, EntryKind};
use site::ids::{BinId, ProbeId};
use site::model::Site;
use site::quantity::Quantity;
use site::reading::{Reading, SeriesId, Source, TimeSource};

pub const SETTINGS: &str = r#"
site: { id: test-yard, name: Test Yard, zone: Europe/Dublin, units: metric, elevation_metres: 10 }
data_folder: data
broker: { embedded: { listen: "127.0.0.1:0" } }
topics:
  - { topic: "t/{probe}", payload: json, time_at: /t, values: [ { value_at: /v, source: "{probe}", quantity: temperature, unit: Cel } ] }
blowers:
  - { id: fan, flow_m3_per_h: 120, schedule: { on_seconds: 60, every_minutes: 30 }, running: { by: run_counter, every_seconds: 300 } }
bins:
  - { id: b1, volume_m3: 2.5, blower: fan, probes: [ { id: b1-core, position: core, depth_metres: 0.5, every_seconds: 300 } ] }
  - { id: b2, volume_m3: 2.5, probes: [ { id: b2-core, position: core, depth_metres: 0.5, every_seconds: 300 } ] }
mail: { from: "yard@test.example", folder: mail }
people:
  - { name: Ann, mail: "ann@test.example", gets: [alarms, summary] }
sounder: { topic: "t-horn", on: "ON", off: "OFF" }
rules: { folder: rules }
summary: { weekday: monday, time: "07:00" }
"#;

/// A rule on a high core with delays of 10 and 20 minutes and a deadband of 5 K.
pub const HOT: &str = r#"
const RULE = #{
    title: "Hot core", watches_for: "A core above the limit.", cause: "Too little air.", consequence: "The batch cooks itself.",
    response: ["Look at the blower.", "Give it more air."], caution: "Steam burns.", time_to_respond: "1 h", severity: "severe",
    every: "5 min", on_delay: "10 min", off_delay: "20 min", max_gap: "30 min", window: "1 d", evidence: "readings", stages: [],
    settings: #{ limit: #{ value: 65.0, min: 0.0, max: 100.0, unit: "°C", about: "The limit (made for a test)." } },
};
fn judge(bin, set) {
    let core = bin.core.last();
    if core > set.limit { return alarm(`core ${core} above ${set.limit}`); }
    if core > 60.0 { return keep(); }
    clear(`core ${core}`)
}
"#;

/// A fixed Monday, 2026-03-09 06:00 in Dublin.
pub const START: Timestamp = Timestamp::from_millis(1_773_036_000_000);

pub struct Yard {
    pub engine: Engine,
    pub now: Timestamp,
    pub effects: Vec<Effect>,
}

pub fn site() -> Arc<Site> {
    Arc::new(site::settings::read(SETTINGS, "test.yaml").unwrap_or_else(|faults| panic!("{faults:#?}")))
}

pub fn rules(texts: &[(&str, &str)]) -> (Rulebook, Vec<rulebook::RuleFault>) {
    let texts: Vec<_> = texts
        .iter()
        .map(|(name, text)| RuleText { name: (*name).into(), path: format!("rules/{name}.rhai"), text: (*text).into() })
        .collect();
    let site = site();
    Rulebook::compile(&texts, &site.rules, site.display)
}

/// The rules that ship, by name.
pub fn shipped() -> Vec<RuleText> {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/../../rules");
    let mut texts: Vec<RuleText> = std::fs::read_dir(folder)
        .unwrap()
        .map(|file| file.unwrap().path())
        .filter(|path| path.extension().is_some_and(|e| e == "rhai"))
        .map(|path| {
            let name = path.file_stem().unwrap().to_string_lossy().into_owned();
            let text = std::fs::read_to_string(&path).unwrap();
            RuleText { path: format!("rules/{name}.rhai"), name, text }
        })
        .collect();
    texts.sort_by(|a, b| a.name.cmp(&b.name));
    texts
}

pub fn minutes(n: i64) -> Span {
    Span::minutes(n)
}

pub fn reading(probe: &str, at: Timestamp, received_at: Timestamp, value: f64) -> Reading {
    Reading {
        series: SeriesId { source: Source::Probe(ProbeId::new(probe).unwrap()), quantity: Quantity::Temperature },
        measured_at: at,
        received_at,
        value,
        time_source: TimeSource::Device,
        retained: false,
    }
}

/// Ann's word about an alarm.
pub fn says(alarm: AlarmId, word: Word) -> Input {
    Input::Alarm { alarm, by: "Ann".into(), word }
}

pub fn acknowledge(alarm: AlarmId, comment: &str) -> Input {
    says(alarm, Word::Acknowledge { comment: comment.into() })
}

impl Yard {
    pub fn new() -> Yard {
        Yard::with_rules(&[("hot-core", HOT)])
    }

    pub fn with_rules(texts: &[(&str, &str)]) -> Yard {
        let mut yard = Yard::restored(texts, Restored { life: 7, ..Restored::default() }, START);
        yard.step(Input::Started { previous: None });
        yard
    }

    pub fn restored(texts: &[(&str, &str)], restored: Restored, now: Timestamp) -> Yard {
        Yard::described(SETTINGS, texts, restored, now)
    }

    /// A site with settings of its own.
    pub fn described(settings: &str, texts: &[(&str, &str)], restored: Restored, now: Timestamp) -> Yard {
        let (book, broken) = rules(texts);
        let site = Arc::new(site::settings::read(settings, "test.yaml").unwrap_or_else(|faults| panic!("{faults:#?}")));
        Yard { engine: Engine::new(site, book, broken, restored, now), now, effects: Vec::new() }
    }

    /// Steps at the present; keeps the effects and gives the new ones.
    pub fn step(&mut self, input: Input) -> Vec<Effect> {
        let effects = self.engine.step(self.now, input);
        self.effects.extend(effects.iter().cloned());
        effects
    }

    /// Lets time pass in steps of a minute.
    pub fn wait(&mut self, span: Span) {
        let until = self.now + span;
        while self.now < until {
            self.now = (self.now + Span::minutes(1)).min(until);
            self.step(Input::Wake);
        }
    }

    /// One on-time reading, then five minutes pass.
    pub fn core(&mut self, value: f64) {
        self.step(Input::Readings(vec![reading("b1-core", self.now, self.now, value)]));
        self.wait(minutes(5));
    }

    pub fn cores(&mut self, values: &[f64]) {
        for value in values {
            self.core(*value);
        }
    }

    pub fn enter(&mut self, bin: &str, kind: EntryKind) -> Result<String, String> {
        let entry = Entry::new(self.now, BinId::new(bin).unwrap(), kind, "Ann", "in a test");
        reply(&self.step(Input::Entry(entry)))
    }

    pub fn mails(&self) -> Vec<&Mail> {
        self.effects
            .iter()
            .filter_map(|e| match e {
                Effect::Mail(mail) => Some(&**mail),
                _ => None,
            })
            .collect()
    }

    pub fn alarm_mails(&self) -> Vec<&AlarmNotice> {
        self.mails()
            .into_iter()
            .filter_map(|m| match &m.notice {
                Notice::Alarm(a) => Some(&**a),
                _ => None,
            })
            .collect()
    }

    pub fn round_lists(&self) -> Vec<&RoundListNotice> {
        self.mails()
            .into_iter()
            .filter_map(|m| match &m.notice {
                Notice::RoundList(list) => Some(&**list),
                _ => None,
            })
            .collect()
    }

    pub fn summaries(&self) -> Vec<&SummaryNotice> {
        self.mails()
            .into_iter()
            .filter_map(|m| match &m.notice {
                Notice::Summary(s) => Some(&**s),
                _ => None,
            })
            .collect()
    }
}

pub fn reply(effects: &[Effect]) -> Result<String, String> {
    effects
        .iter()
        .find_map(|e| match e {
            Effect::Reply(reply) => Some(reply.clone()),
            _ => None,
        })
        .expect("a request is always answered")
}
