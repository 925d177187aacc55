//! A changed set of rules takes the place of the one in force, between one tick and the next.
//!
//! Must never lose what is known of an alarm: what stood, stands until the new text proves it over, and only a rule that is gone retires.

use std::collections::BTreeSet;
use std::sync::Arc;

use pile::time::Timestamp;
use pile::units::Celsius;
use rulebook::{Rule, Rulebook};
use site::entry::Batch;
use site::quantity::Quantity;
use site::reading::SeriesId;

use crate::alarm::{AlarmKey, Subject};
use crate::builtin;
use crate::effect::{Effect, KeptRule, Level};
use crate::engine::Engine;
use crate::input::RuleSet;
use crate::limits;

impl Engine {
    /// Puts a set of rules in force; says what changed, as a refusal where a changed file was not taken.
    pub(crate) fn take_rules(
        &mut self,
        now: Timestamp,
        set: RuleSet,
        effects: &mut Vec<Effect>,
    ) -> Result<String, String> {
        let RuleSet { texts, changed, refused } = set;
        Arc::make_mut(&mut self.site).rules = changed;
        let (book, broken) = Rulebook::compile(&texts, &self.site.rules, self.site.display);
        let old = std::mem::replace(&mut self.rulebook, Arc::new(book));
        let new = Arc::clone(&self.rulebook);
        self.broken = broken;
        let said = difference(&old, &new);

        let as_it_was = |rule: &Rule| is_in(&old, rule);
        let other: BTreeSet<&str> = new.rules().iter().filter(|r| !as_it_was(r)).map(|r| r.name.as_str()).collect();
        for alarm in self.alarms.values_mut().filter(|a| other.contains(a.key.rule.as_str())) {
            alarm.conditioning.break_proof();
        }
        self.failing
            .retain(|(name, _), _| !other.contains(name.as_str()) && new.rules().iter().any(|r| r.name == *name));

        self.work.wake(|rule| other.contains(rule) || !new.rules().iter().any(|r| r.name == rule));

        let reach = Engine::reach(&new);
        if reach > self.reach {
            self.reach = reach;
            self.series.values_mut().for_each(|series| series.widen(reach));
            let text = format!(
                "a rule looks back {reach}, further than any before it; it cannot tell until readings fill that, or until the daemon \
                 starts again"
            );
            effects.push(Effect::Say { level: Level::Info, text });
        }
        let thresholds = thresholds(&new);
        if thresholds.iter().any(|t| !self.thresholds.contains(t)) {
            self.thresholds = thresholds;
            let standing: Vec<Batch> = self.bins.values().filter_map(|state| state.batch.clone()).collect();
            for batch in standing {
                self.account_anew(&batch, effects);
            }
        }
        self.retire_removed_rules(now, effects);
        for fault in self.broken.clone() {
            self.raise_broken_rule(now, &fault, Vec::new(), effects);
        }
        for change in &refused {
            let subject = Subject::Rule(change.rule.clone());
            let finding = format!("the changed rule {} was not taken: {}", change.rule, first_line(&change.why));
            let evidence = change.why.lines().map(str::to_owned).take(limits::REFUSED_CHANGE_LINES).collect();
            self.raise_builtin(&builtin::CHANGE_NOT_TAKEN, subject, now, finding, evidence, effects);
        }
        let over: Vec<Subject> = self
            .alarms
            .keys()
            .filter(|key| key.rule == builtin::CHANGE_NOT_TAKEN.rule)
            .filter(|key| !refused.iter().any(|change| Subject::Rule(change.rule.clone()) == key.subject))
            .map(|AlarmKey { subject, .. }| subject.clone())
            .collect();
        for subject in over {
            let words = "its file and the rule in force agree again";
            self.clear_builtin(&builtin::CHANGE_NOT_TAKEN, &subject, now, words, effects);
        }
        let bins: Vec<_> = self.bins.keys().cloned().collect();
        for bin in &bins {
            self.schedule_tick(bin, now);
        }
        self.schedule_site_tick(now);
        self.keep_rules(effects);
        if refused.is_empty() {
            return Ok(said);
        }
        let not_taken = refused.iter().map(|change| format!("\nnot taken: {}: {}", change.rule, change.why));
        Err(format!("{said}{}", not_taken.collect::<String>()))
    }

    /// Puts the rules in force on record.
    pub(crate) fn keep_rules(&self, effects: &mut Vec<Effect>) {
        let kept = |rule: &Rule| KeptRule { revision: rule.revision.clone(), text: rule.text() };
        effects.push(Effect::Rules(self.rulebook.rules().iter().map(kept).collect()));
    }

    /// Begins the accounts of a batch's probes again, to be made from history.
    pub(crate) fn account_anew(&mut self, batch: &Batch, effects: &mut Vec<Effect>) {
        let Some(from) = batch.counted_from() else { return };
        let thresholds = self.thresholds.clone();
        let counted = |id: &SeriesId, bin: Option<&site::ids::BinId>, in_pile: bool| {
            bin == Some(&batch.bin) && in_pile && id.quantity == Quantity::Temperature
        };
        let ids: Vec<SeriesId> = self
            .series
            .iter()
            .filter(|(id, s)| counted(id, s.bin.as_ref(), s.is_in_pile()))
            .map(|(id, _)| id.clone())
            .collect();
        for id in ids {
            if let Some(series) = self.series.get_mut(&id) {
                series.counted_until = batch.off_air_at;
                series.reset_accounts(&thresholds, from);
            }
            self.recall(id, effects);
        }
    }
}

/// Temperatures for which the rules want time above accounted, and that of the weekly summary.
pub(crate) fn thresholds(rulebook: &Rulebook) -> Vec<Celsius> {
    let mut thresholds = vec![Celsius(limits::SUMMARY_THRESHOLD_CELSIUS)];
    for rule in rulebook.rules() {
        let wanted = rule.header.time_above.iter().filter_map(|name| rule.header.settings.get(name));
        for setting in wanted {
            if !thresholds.contains(&Celsius(setting.value)) {
                thresholds.push(Celsius(setting.value));
            }
        }
    }
    thresholds
}

/// Whether a book has this rule with this text and these numbers.
fn is_in(book: &Rulebook, rule: &Rule) -> bool {
    book.rules().iter().any(|r| r.name == rule.name && r.revision == rule.revision && r.header == rule.header)
}

/// What is new, changed and gone, in one line.
fn difference(old: &Rulebook, new: &Rulebook) -> String {
    let has = |book: &Rulebook, name: &str| book.rules().iter().any(|r| r.name == name);
    let names = |rules: &mut dyn Iterator<Item = &Rule>| rules.map(|r| r.name.as_str()).collect::<Vec<_>>().join(", ");
    let added = names(&mut new.rules().iter().filter(|r| !has(old, &r.name)));
    let changed = names(&mut new.rules().iter().filter(|r| has(old, &r.name) && !is_in(old, r)));
    let gone = names(&mut old.rules().iter().filter(|r| !has(new, &r.name)));
    let parts: Vec<String> = [("new", added), ("changed", changed), ("gone", gone)]
        .into_iter()
        .filter(|(_, names)| !names.is_empty())
        .map(|(what, names)| format!("{what}: {names}"))
        .collect();
    let count = new.rules().len();
    if parts.is_empty() {
        format!("{count} rules in force, none of them changed")
    } else {
        format!("{count} rules in force; {}", parts.join("; "))
    }
}

fn first_line(text: &str) -> &str {
    text.lines().next().unwrap_or_default()
}
