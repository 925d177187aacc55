//! `calc stability`: how finished a batch is, by what was measured of it.
//!
//! Must never call a batch finished: it names the class of each measurement and who drew the classes.

use pile::stability::{
    CarbonDioxideRate, Class, Limit, Onward, PAS_100_MAX, PAS_100_SOURCE, RESPIRATION_A, RESPIRATION_B, Respiration,
    RespirationScheme, SELF_HEATING, Scale, mass_loss_by_ash, readiness, respiration_class, self_heating_class,
    volume_loss,
};
use serde_json::{Map, json};

use super::{Answer, Lines, Shown, beside, percent, usage};
use crate::cli::calc::StabilityArgs;
use crate::commands::CommandError;

pub(super) fn stability(args: &StabilityArgs) -> Result<Answer, CommandError> {
    let shown = Shown::of(args.form);
    let (mut text, mut json) = (Lines::default(), Map::new());
    let mut sources: Vec<String> = Vec::new();
    let mut classed = |text: &mut Lines, scale: Scale, class: &Class| {
        // Where a scale names its classes by what they mean, the meaning is enough.
        let name = if class.meaning.contains(class.name) { String::new() } else { format!("class {}, ", class.name) };
        text.pair(scale.name, format!("{name}{}", class.meaning));
        sources.push(format!("Source of {}: {}.", scale.name, scale.source));
    };
    if let Some(rise) = args.rise_kelvin {
        let class = self_heating_class(rise).map_err(usage)?;
        text.pair("rise above ambient", shown.difference(rise.0, 1));
        classed(&mut text, SELF_HEATING, class);
        json.insert("self_heating_class".into(), json!(class.name));
    }
    if let Some(rate) = args.respiration {
        let rate = Respiration(rate);
        let a = respiration_class(rate, RespirationScheme::A).map_err(usage)?;
        let b = respiration_class(rate, RespirationScheme::B).map_err(usage)?;
        let dioxide: CarbonDioxideRate = rate.carbon_dioxide();
        let meets = dioxide.meets_pas_100().map_err(usage)?;
        classed(&mut text, RESPIRATION_A, a);
        classed(&mut text, RESPIRATION_B, b);
        let word = if meets { "within" } else { "above" };
        let limit = PAS_100_MAX.0;
        let shown = beside(dioxide.0, 1, &[limit], |v| v);
        text.pair("as carbon dioxide", format!("{shown} mg/(g d), {word} the limit of {limit}; {PAS_100_SOURCE}"));
        json.insert("respiration_class_a".into(), json!(a.name));
        json.insert("respiration_class_b".into(), json!(b.name));
        json.insert("carbon_dioxide_milligrams_per_gram_day".into(), json!(dioxide.0));
        json.insert("within_pas_100".into(), json!(meets));
    }
    if let (Some(before), Some(after)) = (args.volume_before, args.volume_after) {
        let lost = volume_loss(before, after).map_err(usage)?;
        text.pair("volume lost", percent(lost.0, 1, &[]));
        json.insert("volume_loss_fraction".into(), json!(lost.0));
    }
    if let (Some(before), Some(after)) = (args.ash_before_fraction, args.ash_after_fraction) {
        let lost = mass_loss_by_ash(before, after).map_err(usage)?;
        text.pair("dry mass lost", format!("{}, by its ash", percent(lost.0, 1, &[])));
        json.insert("mass_loss_fraction".into(), json!(lost.0));
    }
    if let (Some(pile), Some(ambient)) = (args.pile_celsius, args.ambient_celsius) {
        for (onward, name, key) in [
            (Onward::Curing, "cool enough to cure", "cool_enough_for_curing"),
            (Onward::Sale, "cool enough to sell", "cool_enough_for_sale"),
            (Onward::WormFeed, "cool enough for worms", "cool_enough_for_worms"),
        ] {
            let ready = readiness(pile, ambient, onward).map_err(usage)?;
            let limit = match ready.hand_off.limit {
                Limit::Celsius(limit) => format!("at most {}", shown.temperature(limit.0, 0)),
                Limit::AboveAmbient(limit) => format!("at most {} above ambient", shown.difference(limit.0, 0)),
            };
            let stands = match ready.is_cool_enough() {
                true => "yes".to_owned(),
                false => format!("no, {} to go", shown.difference(ready.to_cool.0, 1)),
            };
            text.pair(name, format!("{stands}: {limit}; {}", ready.hand_off.source));
            json.insert(key.into(), json!(ready.is_cool_enough()));
        }
    }
    if json.is_empty() {
        return Err(CommandError::Usage(
            "nothing was measured: give --rise-kelvin, --respiration, both volumes, both ash fractions, or the pile's and the \
             ambient temperature; `hypocaust calc stability --help` shows an example"
                .into(),
        ));
    }
    for source in sources {
        text.say(source);
    }
    text.say("A class is no permit: the buyer's contract, the permit and local codes say which test counts.");
    Ok(Answer { text, json: json.into() })
}
