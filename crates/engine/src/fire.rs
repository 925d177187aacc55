//! Fire comes before everything else: what it hides, what may not end it, and who looks for it when no rule does.
//!
//! Must never let a word, a stage, a batch or a rule's text end an alarm of fire: cooler readings do.

use std::sync::Arc;

use pile::time::{Span, Timestamp};
use rulebook::Rule;
use rulebook::causes::CAUSE_LINE;
use rulebook::dose::DOSE_LINE;
use rulebook::header::{Advice, Guards, Priority};
use site::ids::{BinId, ProbeId};
use site::model::Position;
use site::quantity::Quantity;
use site::reading::{SeriesId, Source};

use crate::alarm::{Alarm, AlarmKey, AlarmState, Subject};
use crate::builtin;
use crate::conditioning::Phase;
use crate::effect::Effect;
use crate::engine::Engine;
use crate::handling::{Finding, Words};
use crate::limits;
use crate::notice::Step;

/// What the subject asks for while water is withheld.
const WITHHELD: &str = "do not water: too hot";

/// Where a probe measures the material itself.
const IN_THE_PILE: [Position; 3] = [Position::Base, Position::Core, Position::Upper];

/// The hottest of the newest readings in a pile.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Hottest {
    pub(crate) probe: ProbeId,
    pub(crate) celsius: f64,
}

impl Engine {
    /// The hottest probe in the material of a bin, by the newest reading of each that is no older than `age`.
    pub(crate) fn hottest(&self, bin: &BinId, at: Timestamp, age: Span) -> Option<Hottest> {
        let probes = self.site.bins.get(bin).map(|b| b.probes.as_slice()).unwrap_or_default();
        let newest = probes.iter().filter_map(|probe| {
            let id = SeriesId { source: Source::Probe(probe.clone()), quantity: Quantity::Temperature };
            let series = self.series.get(&id)?;
            let point = series.window.newest().filter(|point| at.since(point.at) <= age)?;
            let inside = series.position.is_some_and(|position| IN_THE_PILE.contains(&position));
            inside.then(|| Hottest { probe: probe.clone(), celsius: point.value })
        });
        newest.reduce(|hottest, other| if other.celsius > hottest.celsius { other } else { hottest })
    }

    /// Whether a pile is so hot that an alarm of fire there may not end; a probe that fell silent while it was hot is hot.
    pub(crate) fn burns(&self, bin: &BinId, at: Timestamp) -> bool {
        self.hottest(bin, at, limits::HOT_REMEMBERED).is_some_and(|hottest| hottest.celsius > limits::FIRE_OVER_CELSIUS)
    }

    /// The alarm of fire that holds in a bin, whether people see it or not.
    pub(crate) fn fire_alarm(&self, bin: &BinId) -> Option<&Alarm> {
        let rules = self.rulebook.rules().iter().filter(|rule| rule.header.handling.guards == Some(Guards::Fire));
        let names = rules.map(|rule| rule.name.as_str()).chain([builtin::FIRE_RULE, builtin::FIRE_UNGUARDED.rule]);
        let key = |rule: &str| AlarmKey { rule: rule.to_owned(), subject: Subject::Bin(bin.clone()) };
        names.filter_map(|name| self.alarms.get(&key(name))).find(|alarm| alarm.conditioning.raised())
    }

    /// Whether an alarm is one of fire: by its rule, or by the name under which the rule ships where its text is gone or broken.
    fn is_of_fire(&self, key: &AlarmKey) -> bool {
        match self.rulebook.rules().iter().find(|rule| rule.name == key.rule) {
            Some(rule) => rule.header.handling.guards == Some(Guards::Fire) || rule.name == builtin::FIRE_RULE,
            None => key.rule == builtin::FIRE_RULE || key.rule == builtin::FIRE_UNGUARDED.rule,
        }
    }

    /// Whether what a rule or a change of the bin says about an alarm must not end it now. An alarm of fire ends by cooler readings alone:
    /// silence is no cooling. Another one of high priority does not end while the pile burns.
    pub(crate) fn may_not_end(&self, key: &AlarmKey, at: Timestamp) -> bool {
        let Some(bin) = key.bin() else { return false };
        if self.is_of_fire(key) {
            let hottest = self.hottest(bin, at, limits::HOT_REMEMBERED);
            return hottest.is_none_or(|hottest| hottest.celsius > limits::FIRE_OVER_CELSIUS);
        }
        let high = self.alarms.get(key).is_some_and(|alarm| alarm.priority == Priority::High);
        high && self.burns(bin, at)
    }

    /// The alarms of a bin that its alarm of fire hides: those whose response would make it worse. `own` is the alarm of fire.
    pub(crate) fn hidden_by_fire(&self, own: &AlarmKey) -> Vec<AlarmKey> {
        let worse = |alarm: &&Alarm| {
            alarm.key != *own
                && alarm.key.bin() == own.bin()
                && (alarm.life.state != AlarmState::Normal || alarm.conditioning.phase != Phase::Idle)
                && self.makes_fire_worse(&alarm.key)
        };
        self.alarms.values().filter(worse).map(|alarm| alarm.key.clone()).collect()
    }

    fn makes_fire_worse(&self, key: &AlarmKey) -> bool {
        let rule = self.rulebook.rules().iter().find(|rule| rule.name == key.rule);
        rule.is_some_and(|rule| !rule.header.advises.is_empty() && rule.header.handling.guards.is_none())
    }

    /// The alarm of fire behind which an alarm that is about to be raised is hidden at once.
    pub(crate) fn fire_before(&self, rule: &Rule, key: &AlarmKey) -> Option<String> {
        let alarm = self.fire_alarm(key.bin()?)?;
        let hides = alarm.key != *key && !rule.header.advises.is_empty() && rule.header.handling.guards.is_none();
        hides.then(|| alarm.key.rule.clone())
    }

    /// The rule whose advice to water a hot pile makes wrong, and the probe that is so hot.
    fn withheld(&self, key: &AlarmKey) -> Option<(&Rule, Hottest)> {
        let rule = self.rulebook.rules().iter().find(|rule| rule.name == key.rule);
        let rule = rule.filter(|rule| rule.header.advises.contains(&Advice::Water))?;
        let hottest = self.hottest(key.bin()?, self.now, limits::HOT_REMEMBERED);
        hottest.filter(|hottest| hottest.celsius > limits::WATER_WITHHELD_CELSIUS).map(|hottest| (rule, hottest))
    }

    /// The dose of water that an alarm asks for: none while the pile is too hot for water.
    pub(crate) fn dose_of<'e>(&self, key: &AlarmKey, evidence: &'e [String]) -> Option<&'e str> {
        let line = evidence.iter().find(|line| line.starts_with(DOSE_LINE))?;
        self.withheld(key).is_none().then_some(line.as_str())
    }

    /// The grounds as people are shown them: where water is withheld, no line asks for it.
    pub(crate) fn grounds_shown(&self, key: &AlarmKey, evidence: Vec<String>) -> Vec<String> {
        let asks =
            |line: &String| line.starts_with(DOSE_LINE) || (line.starts_with(CAUSE_LINE) && line.contains(", do: "));
        match self.withheld(key) {
            Some(_) => evidence.into_iter().filter(|line| !asks(line)).collect(),
            None => evidence,
        }
    }

    /// Advice that a hot pile makes wrong is left out, and what to do instead is said in its place.
    pub(crate) fn withhold(&self, key: &AlarmKey, words: &mut Words) {
        let Some((rule, hottest)) = self.withheld(key) else { return };
        let show = |celsius: f64| rulebook::temperature(celsius, self.site.display);
        let (now, limit) = (show(hottest.celsius), show(limits::WATER_WITHHELD_CELSIUS));
        words.withheld = true;
        words.deed = Some(WITHHELD.to_owned());
        words.response = vec![
            format!(
                "Do not water, dig or open the pile: probe {} is at {now}. hypocaust advises water only below {limit}.",
                hottest.probe
            ),
            "Leave the blower on its schedule. Read the probes every hour, from a distance.".to_owned(),
            format!(
                "Once the pile has cooled, a mail says that you may act on this alarm; `hypocaust why {}` shows its grounds.",
                rule.name
            ),
            format!(
                "If you smell smoke, or a probe passes {}: keep away and call the fire service.",
                show(limits::FIRE_CELSIUS)
            ),
        ];
        words.caution =
            "A dry, hot pile that gets a little water enters the range of moisture in which it can ignite by itself. \
                         Steam scalds. Local codes, your permit, the fire service and licensed practice decide."
                .to_owned();
    }

    /// Tells once that water which was withheld may be given: the pile is below the limit again, and the alarm goes on. A low alarm waits for the
    /// end of the quiet hours. `finding` is what its rule has just found.
    pub(crate) fn give_water_back(
        &mut self,
        key: &AlarmKey,
        at: Timestamp,
        finding: Finding,
        effects: &mut Vec<Effect>,
    ) {
        let Some(alarm) = self.alarms.get(key) else { return };
        let seen = alarm.stands();
        let asleep = alarm.priority <= Priority::Low && self.in_quiet_hours(at);
        if !seen || asleep || !alarm.thread_subject.contains(WITHHELD) {
            return;
        }
        let Some(bin) = key.bin() else { return };
        // A probe that fell silent while it was hot is hot here too.
        let Some(hottest) = self.hottest(bin, at, limits::HOT_REMEMBERED) else { return };
        if hottest.celsius > limits::WATER_GIVEN_BACK_CELSIUS || self.fire_alarm(bin).is_some() {
            return;
        }
        let words = self.words_for(key);
        let deed = self.dose_of(key, &finding.evidence).and_then(rulebook::dose::deed);
        let subject = self.thread_subject(key, &words, deed.as_deref(), &finding.text);
        let now = rulebook::temperature(hottest.celsius, self.site.display);
        let text =
            format!("the pile has cooled to {now} at its hottest probe, and you may water as below: {}", finding.text);
        let Some(alarm) = self.alarms.get_mut(key) else { return };
        // The subject is what says that water was withheld, also after a restart: changed, it is told once.
        alarm.thread_subject = subject;
        alarm.evidence.clone_from(&finding.evidence);
        effects.push(Effect::Alarm { alarm: Box::new(alarm.clone()), event: None });
        self.mail_step(key, at, Step::Update, words, Finding { text, ..finding }, effects);
    }

    /// Looks for fire where no rule does, and ends alarms of rules that are gone once their pile is cool.
    pub(crate) fn look_for_fire(&mut self, at: Timestamp, effects: &mut Vec<Effect>) {
        let bins: Vec<BinId> = self.bins.keys().cloned().collect();
        for bin in bins {
            let subject = Subject::Bin(bin.clone());
            let rules = self.rulebook.rules().iter();
            let guarded = rules
                .filter(|rule| rule.header.handling.guards == Some(Guards::Fire))
                .any(|rule| !self.work.rests(&rule.name, &subject, at));
            let fresh = self.late_after(Some(&bin));
            let hottest = self.hottest(&bin, at, fresh).filter(|hottest| hottest.celsius >= limits::FIRE_CELSIUS);
            match hottest.filter(|_| !guarded) {
                Some(hottest) => {
                    let show = rulebook::temperature(hottest.celsius, self.site.display);
                    let finding = format!(
                        "probe {} is at {show}: no extra air, do not open, call the fire service",
                        hottest.probe
                    );
                    let evidence = vec![format!(
                        "No rule looks for fire in this bin now: put `rules/{}.rhai` back, or mend it. The daemon looks itself until then.",
                        builtin::FIRE_RULE
                    )];
                    let own = AlarmKey { rule: builtin::FIRE_UNGUARDED.rule.to_owned(), subject: subject.clone() };
                    self.raise_builtin(&builtin::FIRE_UNGUARDED, subject, at, finding, evidence, effects);
                    let rulebook = Arc::clone(&self.rulebook);
                    for key in self.hidden_by_fire(&own) {
                        if let Some(rule) = rulebook.rules().iter().find(|rule| rule.name == key.rule) {
                            self.hide_by_design(&key, rule, &own.rule, at, effects);
                        }
                    }
                }
                None if !self.burns(&bin, at) => {
                    let words = "every probe in the pile is cooler again";
                    self.clear_builtin(&builtin::FIRE_UNGUARDED, &subject, at, words, effects);
                    let hidden = |a: &&Alarm| a.life.by_design.as_deref() == Some(builtin::FIRE_UNGUARDED.rule);
                    let of_bin = self.alarms.values().filter(hidden).filter(|a| a.key.subject == subject);
                    let hidden: Vec<AlarmKey> = of_bin.map(|a| a.key.clone()).collect();
                    for key in hidden {
                        self.show_by_design(&key, at, effects);
                    }
                }
                None => {}
            }
            // A rule that is no longer judged at this stage cannot end what it raised.
            if self.fire_alarm(&bin).is_some_and(|alarm| !self.may_not_end(&alarm.key, at)) {
                self.retire_where_stage_ended(at, &bin, None, effects);
            }
        }
        self.retire_removed_rules(at, effects);
    }
}
