//! The one dose of water of a bin, in words: what every rule, mail, list and cause names.
//!
//! Must never name an amount of its own: the amount is `pile::dose`'s, and the words are `site::dose`'s.

use pile::dose::{Bed, Dose, GOAL, HOSE_WATER, HotRun, dose};
use pile::time::Span;
use pile::units::{Celsius, Fraction, JoulesPerKelvin};
use pile::water_account::Band;
use site::dose::{Said, said};
use site::judge::Outcome;
use site::model::{Display, Position};
use site::quantity::Quantity;

use crate::facts::Facts;

/// How a line about the dose begins in the grounds of an answer: an alarm keeps its dose there.
pub const DOSE_LINE: &str = "Water at once: ";
/// What a step says where it would name the dose.
pub const PLACE: &str = "{dose}";
/// What stands there where no dose is known.
pub const UNKNOWN: &str = "a small dose";
const IF_DRY: &str = "only if a handful feels dry";
const RUN_COUNTS: &str = "a hot run counts, and this water may break it";

/// Heat capacity of a pile of which no account is kept, for each m³: 500 kg (common practice, no source), half of it water at 4186 and half
/// solids at 1250 J/(kg K).
const USUAL_CAPACITY: f64 = 500.0 * (0.5 * 4186.0 + 0.5 * 1250.0);
/// The bed is taken for so hot where no probe is heard: the dose is then small (chosen).
const UNHEARD: Celsius = Celsius(70.0);
/// A result says where the batch stood some hours ago.
const RESULT_SLACK: Span = Span::hours(1);

/// What a bin gets at once.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct BinDose {
    /// The amount, its minutes and their words.
    pub(crate) said: Said,
    /// Only where the material feels dry.
    pub(crate) if_dry: bool,
    /// A hot run counts, which it may break.
    pub(crate) run: HotRun,
}

impl BinDose {
    /// The words within a step that asks for a handful first.
    pub(crate) fn in_a_step(&self) -> String {
        match self.run {
            HotRun::Counts => format!("{} ({RUN_COUNTS})", self.said.words),
            HotRun::None => self.said.words.clone(),
        }
    }

    /// The line that an alarm keeps.
    pub(crate) fn line(&self) -> String {
        let mut line = format!("{DOSE_LINE}{}", self.said.words);
        for (says, note) in [(self.if_dry, IF_DRY), (self.run == HotRun::Counts, RUN_COUNTS)] {
            if says {
                line.push_str("; ");
                line.push_str(note);
            }
        }
        line
    }
}

/// The dose of a bin now, or why there is none.
pub(crate) fn of(facts: &Facts, display: Display) -> Result<BinDose, String> {
    let water = &facts.water;
    let account = water.account.as_deref().ok();
    let run = hot_run(facts);
    let bed = Bed {
        lack: account.and_then(|account| account.litres_to(GOAL).ok()),
        volume: water.volume,
        capacity: account.map_or(JoulesPerKelvin(USUAL_CAPACITY * water.volume.0), |account| account.heat_capacity()),
        at: hottest(facts).unwrap_or(UNHEARD),
        water: HOSE_WATER,
        run,
    };
    match dose(&bed) {
        Ok(Some(Dose { litres, if_dry })) => Ok(BinDose { said: said(litres, water.hose, display), if_dry, run }),
        Ok(None) => Err("by the water balance no amount is sure to do more good than harm".into()),
        Err(error) => Err(error.to_string()),
    }
}

/// What the bin lacks to the goal, with its range: `about 170 L (0-440 L)`.
pub(crate) fn range(facts: &Facts, goal: Fraction, display: Display) -> Result<String, String> {
    let account = facts.water.account.as_deref().map_err(Clone::clone)?;
    let Band { value, low, high } = account.litres_to(goal).map_err(|error| error.to_string())?;
    Ok(site::dose::range(low, value, high, display))
}

/// A step with the dose in its place; what else is to be said about the dose comes after it.
pub fn filled(step: &str, line: Option<&str>) -> String {
    if !step.contains(PLACE) {
        return step.to_owned();
    }
    match line.and_then(|line| line.strip_prefix(DOSE_LINE)) {
        None => step.replace(PLACE, UNKNOWN),
        Some(dose) => {
            let words = dose.split("; ").next().unwrap_or(UNKNOWN);
            let run = if dose.contains(RUN_COUNTS) { " A hot run counts: this water may break it." } else { "" };
            format!("{}{run}", step.replace(PLACE, words))
        }
    }
}

/// What to add to a first step that does not name the dose: the amount, for a list that shows that step alone.
pub fn taken_along(line: &str, step: &str) -> Option<String> {
    let words = line.strip_prefix(DOSE_LINE)?.split("; ").next()?;
    (!step.contains(words)).then(|| filled(&format!("If it is dry, water {PLACE}."), Some(line)))
}

/// What it asks for, for a subject line: `water 38 L if dry`. Every step that asks for water asks for a handful first.
pub fn deed(line: &str) -> Option<String> {
    let amount = line.strip_prefix(DOSE_LINE)?.split([';', '(']).next()?.trim();
    (!amount.is_empty()).then(|| format!("water {amount} if dry"))
}

/// The hottest probe in the material that is heard.
fn hottest(facts: &Facts) -> Option<Celsius> {
    let heard = facts.signals.iter().filter_map(|signal| {
        let inside = matches!(signal.position, Some(Position::Base | Position::Core | Position::Upper));
        let age = signal.interval.times(crate::limits::SILENT_INTERVALS).max(crate::limits::SILENT_AT_LEAST);
        let newest = signal.window.newest().filter(|point| facts.at.since(point.at) <= age)?;
        (inside && signal.quantity == Quantity::Temperature).then_some(newest.value)
    });
    let hottest = heard.max_by(f64::total_cmp)?;
    // Beyond what the accounts take the smallest dose holds, and above 70 °C water is withheld anyway.
    Some(Celsius(hottest.clamp(pile::bed::BED_CELSIUS.0, pile::bed::BED_CELSIUS.1)))
}

/// Whether a criterion's run, or that of the rule on the hold, is under way and not yet long enough.
fn hot_run(facts: &Facts) -> HotRun {
    let criterion = facts.results.iter().any(|standing| {
        let missing = Span::from_seconds_f64((standing.hours_needed - standing.hours_counted) * 3_600.0);
        let goes_on = |earliest: pile::time::Timestamp| earliest.since(facts.at) <= missing + RESULT_SLACK;
        standing.result == Outcome::Running && standing.hours_counted > 0.0 && standing.earliest_at.is_some_and(goes_on)
    });
    let rule = facts.water.hold.is_some_and(|(hold, time)| {
        let core = facts.signals.iter().filter(|signal| signal.position == Some(Position::Core));
        core.flat_map(|signal| signal.above.iter()).filter(|above| above.threshold() == hold).any(|above| {
            let longest = above.longest_run().map_or(Span::ZERO, |run| run.length);
            above.current_run().is_some() && longest < time
        })
    });
    if criterion || rule { HotRun::Counts } else { HotRun::None }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_step_names_the_dose_that_the_alarm_keeps_or_none() {
        let step = "If it is dry, water {dose} over the whole top.";
        for (line, want, short) in [
            (None, "If it is dry, water a small dose over the whole top.", None),
            (
                Some("Water at once: 38 L (3 min of the hose)"),
                "If it is dry, water 38 L (3 min of the hose) over the whole top.",
                Some("water 38 L if dry"),
            ),
            (
                Some("Water at once: 16 L; only if a handful feels dry"),
                "If it is dry, water 16 L over the whole top.",
                Some("water 16 L if dry"),
            ),
            (
                Some("Water at once: 16 L (1 min of the hose); a hot run counts, and this water may break it"),
                "If it is dry, water 16 L (1 min of the hose) over the whole top. A hot run counts: this water may break it.",
                Some("water 16 L if dry"),
            ),
            (Some("something else"), "If it is dry, water a small dose over the whole top.", None),
        ] {
            assert_eq!(filled(step, line), want);
            assert_eq!(line.and_then(deed).as_deref(), short);
        }
        assert_eq!(
            filled("Feel it.", Some("Water at once: 38 L; a hot run counts, and this water may break it")),
            "Feel it."
        );
    }
}
