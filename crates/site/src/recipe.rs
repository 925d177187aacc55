//! Feedstock libraries and recipes: their text to checked ingredients and amounts, or to every fault at once.
//!
//! Must never invent a value that neither the library nor the recipe gives, and never open a file.

use std::collections::BTreeMap;

use pile::mix::{
    AirSpace, Amount, BULK_DENSITY_MAX, BULK_DENSITY_MIN, CARBON_TO_NITROGEN_MAX, Ingredient, MASS_KILOGRAMS_MAX,
    MOISTURE_MAX, SHRINK_MAX,
};
use pile::mix_goal::{CARBON_TO_NITROGEN_GOAL_MAX, CARBON_TO_NITROGEN_GOAL_MIN, CHOICES_MAX, Goals};
use pile::units::{CubicMetres, Fraction, Kilograms, KilogramsPerCubicMetre, POUNDS_PER_CUBIC_YARD};

use crate::settings::Fault;
use crate::settings::fault::{Faults, suggestion};
use crate::settings::node::{self, Kind, Node, shortened};
use crate::settings::section::{Item, Section};

/// Kilograms in a pound (international, exact).
pub const KILOGRAMS_PER_POUND: f64 = 0.453_592_37;
/// Litres in a US gallon of 231 cubic inches (exact).
pub const LITRES_PER_GALLON: f64 = 3.785_411_784;
/// Cubic metres in a cubic yard (exact).
pub const CUBIC_METRES_PER_CUBIC_YARD: f64 = 0.764_554_857_984;

/// Feedstocks by the key that recipes name them by.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Library(BTreeMap<String, Feedstock>);

/// One feedstock of a library; what its source lacks is not known.
#[derive(Clone, Debug, PartialEq)]
pub struct Feedstock {
    /// What people call it.
    pub name: String,
    /// Where the values come from.
    pub source: String,
    /// How far they are confirmed, such as `not checked`.
    pub confirmed: String,
    analysis: Analysis,
    place: String,
}

/// What to load, and what it should become.
#[derive(Clone, Debug, PartialEq)]
pub struct Recipe {
    /// What people call it.
    pub name: String,
    /// What goes in, in the order of the text.
    pub ingredients: Vec<Loaded>,
    /// The size of the bucket that it is loaded with, if one is named.
    pub bucket: Option<CubicMetres>,
    /// The part of the summed volumes that mixing takes.
    pub shrink: Fraction,
    /// What the amounts left open are solved for.
    pub solve_for: Goals,
    /// The moisture that water is added for, if the recipe names one.
    pub moisture_goal: Option<Fraction>,
    /// How free air space is counted.
    pub air_space: AirSpace,
}

/// One ingredient of a recipe.
#[derive(Clone, Debug, PartialEq)]
pub struct Loaded {
    /// What.
    pub ingredient: Ingredient,
    /// How much.
    pub wanted: Wanted,
    /// Where its analysis comes from.
    pub source: String,
}

/// How much of an ingredient.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Wanted {
    /// So much.
    Given(Amount),
    /// As much as the goals ask for, within limits.
    Open {
        /// At least.
        least: Kilograms,
        /// At most, if limited.
        most: Option<Kilograms>,
    },
}

/// Values as the text gives them: percent, ratio, kg/m³.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Analysis {
    moisture: Option<f64>,
    nitrogen: Option<f64>,
    carbon: Option<f64>,
    ratio: Option<f64>,
    density: Option<f64>,
    volatile: Option<f64>,
}

const ANALYSIS_KEYS: [&str; 7] = [
    "moisture_percent",
    "nitrogen_percent_dry",
    "carbon_to_nitrogen",
    "carbon_percent_dry",
    "bulk_density_kilograms_per_cubic_metre",
    "bulk_density_pounds_per_cubic_yard",
    "volatile_solids_percent_dry",
];
const RANGES: [(&str, f64, f64); 4] = [
    ("moisture_range_percent", 0.0, 100.0 * MOISTURE_MAX),
    ("nitrogen_range_percent_dry", 0.0, 100.0),
    ("carbon_to_nitrogen_range", 0.0, CARBON_TO_NITROGEN_MAX),
    ("bulk_density_range_kilograms_per_cubic_metre", BULK_DENSITY_MIN, BULK_DENSITY_MAX),
];
/// Amounts: the key, and kilograms or cubic metres to one of it; a bucket's size is in the recipe.
const AMOUNTS: [(&str, Measure); 7] = [
    ("kilograms", Measure::Mass(1.0)),
    ("pounds", Measure::Mass(KILOGRAMS_PER_POUND)),
    ("litres", Measure::Volume(1e-3)),
    ("gallons", Measure::Volume(LITRES_PER_GALLON * 1e-3)),
    ("cubic_metres", Measure::Volume(1.0)),
    ("cubic_yards", Measure::Volume(CUBIC_METRES_PER_CUBIC_YARD)),
    ("buckets", Measure::Buckets),
];
const RECIPE_KEYS: [&str; 7] =
    ["name", "bucket_litres", "bucket_gallons", "shrink_percent", "free_air_space", "goals", "ingredients"];

#[derive(Clone, Copy)]
enum Measure {
    Mass(f64),
    Volume(f64),
    Buckets,
}

/// Reads a feedstock library; `path` is how messages address it.
///
/// # Errors
/// Every fault in the text, in its order.
pub fn read_feedstocks(text: &str, path: &str) -> Result<Library, Vec<Fault>> {
    let empty = ("the feedstock library is empty", "begin with a copy of config/feedstocks.yaml");
    let root = node::parse(text, path, empty).map_err(|fault| vec![fault])?;
    let mut faults = Faults::new(path);
    let mut library = BTreeMap::new();
    if let Some(top) = Section::open(&root, "the feedstock library", &["feedstocks"], &mut faults)
        && let Some(item) = top.required("feedstocks", "`feedstocks:` with a group of keys for each", &mut faults)
        && let Some(all) = Section::open_free(item.node, "feedstocks", &mut faults)
    {
        for (key, item) in all.items() {
            if let Some(feedstock) = feedstock(key, item.node, &mut faults) {
                library.insert(key.to_owned(), feedstock);
            }
        }
    }
    if faults.is_empty() { Ok(Library(library)) } else { Err(faults.in_order()) }
}

/// Reads a recipe whose feedstocks are in `library`; `path` is how messages address it.
///
/// # Errors
/// Every fault in the text, in its order.
pub fn read_recipe(text: &str, path: &str, library: &Library) -> Result<Recipe, Vec<Fault>> {
    let empty = ("the recipe is empty", "begin with the example that `hypocaust mix --help` shows");
    let root = node::parse(text, path, empty).map_err(|fault| vec![fault])?;
    let mut faults = Faults::new(path);
    match recipe(&root, library, &mut faults) {
        Some(recipe) if faults.is_empty() => Ok(recipe),
        _ => Err(faults.in_order()),
    }
}

impl Library {
    /// This library with another over it: entries of the same key are replaced whole.
    pub fn with(mut self, own: Library) -> Library {
        self.0.extend(own.0);
        self
    }

    /// Every key with its feedstock, by key.
    pub fn iter(&self) -> impl Iterator<Item = (&str, &Feedstock)> {
        self.0.iter().map(|(key, feedstock)| (key.as_str(), feedstock))
    }
}

impl Feedstock {
    /// Which values it lacks for a mix, or none.
    pub fn lacks(&self) -> Vec<&'static str> {
        self.analysis.lacks()
    }
}

fn feedstock(key: &str, node: &Node, faults: &mut Faults) -> Option<Feedstock> {
    let ranges = RANGES.iter().map(|(key, ..)| *key);
    let known: Vec<&str> = ["name", "source", "confirmed"].into_iter().chain(ANALYSIS_KEYS).chain(ranges).collect();
    let section = Section::open(node, &format!("feedstock {}", shortened(key)), &known, faults)?;
    let text = |key: &str, add: &str, faults: &mut Faults| {
        section.required(key, add, faults).and_then(|item| item.text(faults)).map(str::to_owned)
    };
    let name = text("name", "the name as people say it, such as `name: Horse manure`", faults);
    let source = text("source", "where the values come from, such as `source: own analysis, 12 March`", faults);
    let confirmed =
        text("confirmed", "how sure they are, such as `confirmed: measured` or `confirmed: not checked`", faults);
    for (key, low, high) in RANGES {
        if let Some(item) = section.optional(key) {
            range(&item, low, high, faults);
        }
    }
    let analysis = analysis(&section, faults);
    let place = faults.place(node.at);
    Some(Feedstock { name: name?, source: source?, confirmed: confirmed?, analysis, place })
}

/// A range is for readers; it is checked so that it can be believed.
fn range(item: &Item<'_>, low: f64, high: f64, faults: &mut Faults) {
    let ends: Vec<f64> = item
        .list(faults)
        .iter()
        .filter_map(|node| Item { node, label: item.label.clone() }.number(low..=high, "", faults))
        .collect();
    if let Kind::List(list) = &item.node.kind
        && (list.len() != 2 || ends.len() == 2 && ends[0] > ends[1])
    {
        faults.add(
            item.node.at,
            format!("{} is no range", item.label),
            "write its lower and its upper end: [1.5, 4.2]",
        );
    }
}

fn analysis(section: &Section<'_>, faults: &mut Faults) -> Analysis {
    let number = |key: &str, low: f64, high: f64, unit: &str, faults: &mut Faults| {
        section.optional(key).and_then(|item| item.number(low..=high, unit, faults))
    };
    let analysis = Analysis {
        moisture: number("moisture_percent", 0.0, 100.0 * MOISTURE_MAX, "%", faults),
        nitrogen: number("nitrogen_percent_dry", 0.0, 100.0, "%", faults),
        ratio: number("carbon_to_nitrogen", 0.1, CARBON_TO_NITROGEN_MAX, "", faults),
        carbon: number("carbon_percent_dry", 0.0, 100.0, "%", faults),
        volatile: number("volatile_solids_percent_dry", 0.0, 100.0, "%", faults),
        density: section.metric_or_us(
            ("bulk_density_kilograms_per_cubic_metre", BULK_DENSITY_MIN..=BULK_DENSITY_MAX, "kg/m³"),
            ("bulk_density_pounds_per_cubic_yard", POUNDS_PER_CUBIC_YARD, "lb/yd³"),
            faults,
        ),
    };
    if analysis.nitrogen.is_some() && analysis.ratio.is_some() {
        let remedy = "keep two of the three: the third follows from them";
        section.refuse("carbon_percent_dry", "stands beside nitrogen and C:N", remedy, faults);
    }
    analysis
}

impl Analysis {
    /// These values where they are given, and else those of the library. Carbon, nitrogen and C:N go together: what is given
    /// here replaces what would contradict it.
    fn over(self, base: Analysis) -> Analysis {
        let (nitrogen, carbon, ratio) = match (self.carbon, self.ratio) {
            (Some(carbon), Some(ratio)) => (None, Some(carbon), Some(ratio)),
            (Some(carbon), None) => (self.nitrogen.or(base.nitrogen), Some(carbon), None),
            (None, Some(ratio)) => (self.nitrogen.or(base.nitrogen), None, Some(ratio)),
            (None, None) => (self.nitrogen.or(base.nitrogen), base.carbon, base.ratio),
        };
        Analysis {
            moisture: self.moisture.or(base.moisture),
            nitrogen,
            carbon,
            ratio,
            density: self.density.or(base.density),
            volatile: self.volatile.or(base.volatile),
        }
    }

    fn lacks(self) -> Vec<&'static str> {
        let mut lacks = Vec::new();
        if self.moisture.is_none() {
            lacks.push("moisture_percent");
        }
        let known = [self.nitrogen, self.carbon, self.ratio].iter().flatten().count();
        if self.nitrogen.is_none() && known < 2 {
            lacks.push("nitrogen_percent_dry");
        }
        if self.ratio.is_none() && self.carbon.is_none() {
            lacks.push("carbon_to_nitrogen");
        }
        lacks
    }

    fn ingredient(self, name: &str, section: &Section<'_>, whence: &str, faults: &mut Faults) -> Option<Ingredient> {
        let at = section.at;
        let lacks = self.lacks();
        if !lacks.is_empty() {
            // What stands there with a fault of its own has been named.
            let named =
                |key: &str| section.has(key) || key == "carbon_to_nitrogen" && section.has("carbon_percent_dry");
            let lacks: Vec<String> = lacks.iter().filter(|key| !named(key)).map(|key| format!("`{key}`")).collect();
            if lacks.is_empty() {
                return None;
            }
            faults.add(
                at,
                format!("{name}: {} not known{whence}", lacks.join(" and ")),
                "give it here, by your own analysis or the nearest table",
            );
            return None;
        }
        let fraction = |percent: f64| Fraction(percent / 100.0);
        let (nitrogen, carbon) = match (self.nitrogen, self.carbon, self.ratio) {
            (Some(nitrogen), Some(carbon), _) => (nitrogen, carbon),
            (Some(nitrogen), None, Some(ratio)) => (nitrogen, nitrogen * ratio),
            (None, Some(carbon), Some(ratio)) => (carbon / ratio, carbon),
            _ => return None,
        };
        if carbon > 100.0 {
            let ratio = self.ratio.unwrap_or(carbon / nitrogen);
            faults.add(
                at,
                format!("{name}: nitrogen of {nitrogen} % at a C:N of {ratio} would make {carbon:.0} % of the dry matter carbon{whence}"),
                format!(
                    "they are not of one sample: give `nitrogen_percent_dry` of your own, at most {} with this C:N, or \
                     `carbon_percent_dry`",
                    (1e4 / ratio).floor() / 100.0
                ),
            );
            return None;
        }
        let made =
            Ingredient::new(name, fraction(self.moisture?), fraction(carbon), fraction(nitrogen)).and_then(|i| {
                let i = match self.density {
                    Some(density) => i.with_bulk_density(KilogramsPerCubicMetre(density))?,
                    None => i,
                };
                match self.volatile {
                    Some(volatile) => i.with_volatile_solids(fraction(volatile)),
                    None => Ok(i),
                }
            });
        match made {
            Ok(ingredient) => Some(ingredient),
            // Every value was held to its range when it was read, so this is a belt beside the braces.
            Err(error) => {
                faults.add(at, error.to_string(), "correct the analysis");
                None
            }
        }
    }
}

fn recipe(root: &Node, library: &Library, faults: &mut Faults) -> Option<Recipe> {
    let top = Section::open(root, "the recipe", &RECIPE_KEYS, faults)?;
    let name = match top.optional("name") {
        Some(item) => item.text(faults).map(str::to_owned),
        None => Some("mix".into()),
    };
    let bucket =
        top.metric_or_us(("bucket_litres", 1.0..=20_000.0, "L"), ("bucket_gallons", LITRES_PER_GALLON, "gal"), faults);
    let bucket = bucket.map(|litres| litres / 1_000.0);
    let shrink = match top.optional("shrink_percent") {
        Some(item) => item.number(0.0..=100.0 * SHRINK_MAX, "%", faults),
        None => Some(0.0),
    };
    let air_space = match top.optional("free_air_space") {
        Some(item) => item.choice(&[("haug", AirSpace::Haug), ("particle-density", AirSpace::ParticleDensity)], faults),
        None => Some(AirSpace::Haug),
    };
    let list = top.required(
        "ingredients",
        "`ingredients:` with an entry such as `- { feedstock: leaves, kilograms: 200 }`",
        faults,
    );
    let nodes = list.as_ref().map_or(&[][..], |item| item.list(faults));
    if let Some(item) = &list
        && matches!(&item.node.kind, Kind::List(list) if list.is_empty())
    {
        faults.add(
            item.node.at,
            "the recipe has no ingredient",
            "add an entry such as `- { feedstock: leaves, kilograms: 200 }`",
        );
    }
    let before = faults.count();
    let ingredients: Vec<Loaded> = nodes.iter().filter_map(|node| loaded(node, bucket, library, faults)).collect();
    let open = ingredients.iter().filter(|i| matches!(i.wanted, Wanted::Open { .. })).count();
    let goals = goals(&top, open, faults);
    if open > 0 && !top.has("goals") {
        faults.add(
            top.at,
            "amounts are left open, but there is no goal to find them by",
            "add `goals: { moisture_percent: 60, carbon_to_nitrogen: 30 }`, or one of the two",
        );
    }
    if open > CHOICES_MAX {
        faults.add(
            top.at,
            format!("{open} amounts are left open, and at most {CHOICES_MAX} can be found"),
            "give the others an amount",
        );
    }
    if open > 0
        && faults.count() == before
        && ingredients.iter().all(|i| matches!(i.wanted, Wanted::Open { least: Kilograms(0.0), .. }))
    {
        faults.add(
            top.at,
            "nothing says how large the mix is: goals fix only proportions",
            "give one ingredient an amount, or a `min`",
        );
    }
    let (solve_for, moisture_goal) = goals?;
    Some(Recipe {
        name: name?,
        ingredients,
        bucket: bucket.map(CubicMetres),
        shrink: Fraction(shrink? / 100.0),
        solve_for,
        moisture_goal,
        air_space: air_space?,
    })
}

/// What amounts are solved for, and the moisture that water is added for.
fn goals(top: &Section<'_>, open: usize, faults: &mut Faults) -> Option<(Goals, Option<Fraction>)> {
    let Some(item) = top.optional("goals") else { return Some((Goals::default(), None)) };
    let section =
        Section::open(item.node, "goals", &["moisture_percent", "carbon_to_nitrogen", "moisture_by"], faults)?;
    let moisture = section.optional("moisture_percent").map(|item| item.number(1.0..=99.0, "%", faults));
    let range = CARBON_TO_NITROGEN_GOAL_MIN..=CARBON_TO_NITROGEN_GOAL_MAX;
    let ratio = section.optional("carbon_to_nitrogen").map(|item| item.number(range, "", faults));
    let by_water = match section.optional("moisture_by") {
        Some(item) => item.choice(&[("ingredients", false), ("water", true)], faults),
        None => Some(false),
    };
    let (moisture, ratio) = (moisture.map_or(Some(None), |m| m.map(Some))?, ratio.map_or(Some(None), |r| r.map(Some))?);
    let moisture = moisture.map(|percent| Fraction(percent / 100.0));
    let solve_for = Goals { moisture: if by_water? { None } else { moisture }, carbon_to_nitrogen: ratio };
    if open > 0 && solve_for == Goals::default() {
        faults.add(
            section.at,
            "amounts are left open, but there is no goal to find them by",
            "give `carbon_to_nitrogen`, or let ingredients bring the moisture with `moisture_by: ingredients`",
        );
    }
    Some((solve_for, moisture))
}

fn loaded(node: &Node, bucket: Option<f64>, library: &Library, faults: &mut Faults) -> Option<Loaded> {
    let amounts = AMOUNTS.iter().map(|(key, _)| *key);
    let known: Vec<&str> = ["feedstock", "name"].into_iter().chain(amounts).chain(ANALYSIS_KEYS).collect();
    let section = Section::open_named(node, "ingredient", "feedstock", &known, faults)?;
    let own = analysis(&section, faults);
    let from = match section.optional("feedstock") {
        Some(item) => {
            let key = item.text(faults)?;
            let Some(found) = library.0.get(key) else {
                let remedy = suggestion(key, library.0.keys().map(String::as_str));
                faults.add(
                    item.node.at,
                    format!("there is no feedstock `{}` in the library", shortened(key)),
                    format!("describe it here with `name`, `moisture_percent`, `nitrogen_percent_dry` and `carbon_to_nitrogen`; {remedy}"),
                );
                return None;
            };
            Some(found)
        }
        None => None,
    };
    let name = match (section.optional("name"), from) {
        (Some(item), _) => item.text(faults)?,
        (None, Some(feedstock)) => &feedstock.name,
        (None, None) => {
            section.required(
                "feedstock",
                "`feedstock: leaves` for one of the library, or `name: Leaves` with your own analysis",
                faults,
            );
            return None;
        }
    };
    let (base, whence) = match from {
        Some(feedstock) => (feedstock.analysis, format!(" ({})", feedstock.place)),
        None => (Analysis::default(), String::new()),
    };
    let ingredient = own.over(base).ingredient(name, &section, &whence, faults)?;
    let source = match from {
        Some(feedstock) if own == Analysis::default() => format!("{}; {}", feedstock.source, feedstock.confirmed),
        Some(feedstock) => format!("the recipe's own values over {}; {}", feedstock.source, feedstock.confirmed),
        None => "the recipe's own values".into(),
    };
    let wanted = wanted(&section, &ingredient, bucket, faults)?;
    Some(Loaded { ingredient, wanted, source })
}

fn wanted(section: &Section<'_>, i: &Ingredient, bucket: Option<f64>, faults: &mut Faults) -> Option<Wanted> {
    let given: Vec<_> = AMOUNTS.iter().filter_map(|(key, m)| Some((*key, *m, section.optional(key)?))).collect();
    let [(key, measure, item)] = given.as_slice() else {
        match given.get(1) {
            Some((_, _, second)) => faults.add(second.node.at, format!("{} is a second amount", second.label), "keep one"),
            // A misspelt or empty amount was named when the section was opened.
            None if AMOUNTS.iter().any(|(key, _)| section.has(key)) => {}
            None => faults.add(
                section.at,
                format!("{} has no amount", section.called),
                "add `kilograms: 200`, `litres:`, `buckets:`, `pounds:`, `gallons:`, `cubic_metres:` or `cubic_yards:`; or leave it open within limits: `kilograms: { min: 0, max: 500 }`",
            ),
        }
        return None;
    };
    let to_one = match measure {
        Measure::Mass(kilograms) => *kilograms,
        Measure::Volume(cubic_metres) => *cubic_metres,
        Measure::Buckets => match bucket {
            Some(cubic_metres) => cubic_metres,
            None => {
                faults.add(
                    item.node.at,
                    format!("{} is in buckets, whose size is not given", item.label),
                    "add `bucket_litres: 250` to the recipe",
                );
                return None;
            }
        },
    };
    let mass = matches!(measure, Measure::Mass(_));
    if !mass && i.bulk_density().is_none() {
        faults.add(
            item.node.at,
            format!("{} is a volume, but the bulk density of {} is not known", item.label, i.name()),
            "add `bulk_density_kilograms_per_cubic_metre` (weigh a bucket of it), or give `kilograms`",
        );
        return None;
    }
    // The largest amount that is a mass in range at any density.
    let most = if mass { MASS_KILOGRAMS_MAX / to_one } else { MASS_KILOGRAMS_MAX / BULK_DENSITY_MAX / to_one };
    let amount = |value: f64| {
        if mass { Amount::Mass(Kilograms(value * to_one)) } else { Amount::Volume(CubicMetres(value * to_one)) }
    };
    if !matches!(item.node.kind, Kind::Map(_)) {
        return item.number(0.0..=most, &key.replace('_', " "), faults).map(|value| Wanted::Given(amount(value)));
    }
    let limits = Section::open(item.node, &item.label, &["min", "max"], faults)?;
    let mut limit = |key: &str| limits.optional(key).map(|item| item.number(0.0..=most, "", faults));
    let (low, high) = (limit("min"), limit("max"));
    let (low, high) = (low.map_or(Some(0.0), |low| low)?, high.map_or(Some(None), |high| high.map(Some))?);
    if high.is_some_and(|high| high < low) {
        faults.add(item.node.at, format!("{}: `max` is below `min`", item.label), "swap them");
        return None;
    }
    let kilograms = |value: f64| i.mass(amount(value)).ok();
    Some(Wanted::Open { least: kilograms(low)?, most: high.and_then(kilograms) })
}
