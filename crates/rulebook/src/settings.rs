//! The numbers of a rule that a site may change: their units, and the site's changes checked and applied.
//!
//! Must never apply a change that is out of range or in a unit of something else: the rule then keeps its own number.

use std::collections::BTreeMap;

use pile::units::Readable;
use site::model::{Changed, RuleSettings};
use site::quantity::{QUANTITIES, Unit};

use crate::fact::{Fact, Kind};
use crate::fault::{RuleFault, did_you_mean};
use crate::header::Setting;

/// Units of settings: as written, the kind of fact, the factor to that kind's own unit, and the unit that converts.
const UNITS: [(&str, Kind, f64, Option<Unit>); 16] = [
    ("°C", Kind::Temperature, 1.0, Some(Unit::Celsius)),
    ("K", Kind::TemperatureChange, 1.0, None),
    ("K/d", Kind::TemperatureRate, 1.0, None),
    ("%", Kind::Amount(Unit::Percent), 1.0, Some(Unit::Percent)),
    ("ppm", Kind::Amount(Unit::PartsPerMillion), 1.0, Some(Unit::PartsPerMillion)),
    ("Pa", Kind::Amount(Unit::Pascal), 1.0, Some(Unit::Pascal)),
    ("m³/h", Kind::Amount(Unit::CubicMetrePerHour), 1.0, Some(Unit::CubicMetrePerHour)),
    ("A", Kind::Amount(Unit::Ampere), 1.0, Some(Unit::Ampere)),
    ("V", Kind::Amount(Unit::Volt), 1.0, Some(Unit::Volt)),
    ("s", Kind::Time, 1.0, Some(Unit::Second)),
    ("min", Kind::Time, 60.0, Some(Unit::Minute)),
    ("h", Kind::Time, 3_600.0, Some(Unit::Hour)),
    ("d", Kind::Time, 86_400.0, None),
    ("L", Kind::Volume, 1.0, None),
    ("share", Kind::Share, 1.0, None),
    ("count", Kind::Number, 1.0, None),
];

/// Every unit that a setting may have, for messages.
pub(crate) fn units() -> Vec<&'static str> {
    let mut units: Vec<&str> = UNITS.iter().map(|(sign, ..)| *sign).collect();
    units.insert(1, "°F");
    units
}

/// Whether a setting may have this unit, and into which unit that converts.
pub(crate) fn unit(sign: &str) -> Option<Option<Unit>> {
    UNITS.iter().find(|(s, ..)| *s == sign).map(|(.., converts)| *converts)
}

impl Setting {
    /// The value in force as rules see it, in the unit in which facts of its kind are kept.
    pub(crate) fn fact(&self) -> Fact {
        let (kind, factor) = UNITS
            .iter()
            .find(|(sign, ..)| *sign == self.unit)
            .map_or((Kind::Number, 1.0), |(_, kind, factor, _)| (*kind, *factor));
        Fact::known(kind, self.value * factor)
    }
}

/// Applies the site's changes to one rule's settings; what is faulty is told and left as the rule has it.
pub(crate) fn apply(
    rule: &str,
    settings: &mut BTreeMap<String, Setting>,
    changed: &BTreeMap<String, Changed>,
    faults: &mut Vec<RuleFault>,
) {
    for (name, change) in changed {
        let known: Vec<String> = settings.keys().cloned().collect();
        match settings.get_mut(name) {
            None => faults.push(fault(
                rule,
                change,
                format!("the rule {rule} has no setting `{name}`"),
                remedy_for(name, known.iter().map(String::as_str), "it has none that can be changed; delete the line"),
            )),
            Some(setting) => match converted(setting, change) {
                Err((what, remedy)) => faults.push(fault(rule, change, format!("{rule}: {name}: {what}"), remedy)),
                Ok(value) => setting.value = value,
            },
        }
    }
}

/// Faults of changes to rules that there are not.
pub(crate) fn changes_of_unknown_rules(changed: &RuleSettings, rules: &[&str], faults: &mut Vec<RuleFault>) {
    for (rule, changes) in &changed.changed {
        if !rules.contains(&rule.as_str()) {
            for change in changes.values() {
                let remedy = remedy_for(rule, rules.iter().copied(), "there are no rules in the folder");
                faults.push(fault(rule, change, format!("there is no rule `{rule}`"), remedy));
            }
        }
    }
}

/// The change in the setting's own unit.
fn converted(setting: &Setting, change: &Changed) -> Result<f64, (String, String)> {
    let value = match (change.unit, setting.converts) {
        (None, _) => change.value,
        (Some(unit), _) if times(unit, &setting.unit).is_some() => {
            change.value * times(unit, &setting.unit).unwrap_or(1.0)
        }
        (Some(unit), Some(own)) => convert(unit, own, change.value).ok_or_else(|| wrong_unit(setting, unit))?,
        (Some(unit), None) if Unit::from_symbol(&setting.unit) == Some(unit) => change.value,
        (Some(unit), None) => return Err(wrong_unit(setting, unit)),
    };
    if !value.is_finite() || value < setting.min || value > setting.max {
        let written = match change.unit {
            Some(unit) => format!("{} {}", Readable(change.value), unit.sign()),
            None => format!("{} {}", Readable(change.value), setting.unit),
        };
        let fahrenheit = (change.value - 32.0) / 1.8;
        let meant =
            setting.unit == "°C" && change.unit.is_none() && fahrenheit >= setting.min && fahrenheit <= setting.max;
        let hint = if meant {
            format!("write `{} °F` if that is meant", Readable(change.value))
        } else {
            "write a number in that range".into()
        };
        return Err((format!("{written} is outside {} to {} {}", setting.min, setting.max, setting.unit), hint));
    }
    Ok(value)
}

/// What a difference of temperatures, or a rate of one, is multiplied by to be in the setting's own unit.
fn times(unit: Unit, own: &str) -> Option<f64> {
    match (unit, own) {
        (Unit::Fahrenheit, "K") | (Unit::FahrenheitPerDay, "K/d") => Some(1.0 / 1.8),
        (Unit::Celsius | Unit::Kelvin, "K") | (Unit::KelvinPerDay, "K/d") => Some(1.0),
        _ => None,
    }
}

fn wrong_unit(setting: &Setting, unit: Unit) -> (String, String) {
    (
        format!("{} is not a unit of this setting", unit.sign()),
        format!("write the number in {}, such as `{}`", setting.unit, setting.default),
    )
}

/// From one unit to another of the same quantity.
fn convert(from: Unit, to: Unit, value: f64) -> Option<f64> {
    if from == to {
        return Some(value);
    }
    QUANTITIES.iter().find_map(|(quantity, _)| {
        // Only linear conversions to the canonical unit exist, so the way back is found from two points.
        let canonical = from.to_canonical(*quantity, value)?;
        let zero = to.to_canonical(*quantity, 0.0)?;
        let one = to.to_canonical(*quantity, 1.0)?;
        Some((canonical - zero) / (one - zero))
    })
}

fn remedy_for<'a>(word: &str, known: impl Iterator<Item = &'a str> + Clone, none: &str) -> String {
    match did_you_mean(word, known.clone()) {
        Some(near) => format!("did you mean `{near}`?"),
        None => {
            let all: Vec<&str> = known.collect();
            if all.is_empty() { none.into() } else { format!("there are {}", all.join(", ")) }
        }
    }
}

fn fault(rule: &str, change: &Changed, what: String, remedy: String) -> RuleFault {
    let (path, line) = match change.place.rsplit_once(':') {
        Some((path, line)) => match line.parse() {
            Ok(line) => (path.to_owned(), Some(line)),
            Err(_) => (change.place.clone(), None),
        },
        None => (change.place.clone(), None),
    };
    RuleFault { rule: rule.into(), path, line, column: None, what, source_line: None, remedy, rests: false }
}
