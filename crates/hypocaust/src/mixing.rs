//! `hypocaust mix`: a recipe in, a table to load by and its figures out.
//!
//! Must never print a figure beside a range as if it lay on the other side of it: rounding goes away from the limit.

use std::fmt::Write;
use std::path::Path;

use pile::mix::{AirSpace, Amount, Figure, Figures, Grade, Part, ROUNDING, Side, TARGETS, Target, Warning, mix};
use pile::mix_goal::{Choice, Fit, solve};
use pile::units::{Fraction, Kilograms, KilogramsPerCubicMetre};
use serde::Serialize;
use site::entry::Filled;
use site::model::Display;
use site::recipe::{
    CUBIC_METRES_PER_CUBIC_YARD, KILOGRAMS_PER_POUND, LITRES_PER_GALLON, Library, Recipe, Wanted, read_feedstocks,
    read_recipe,
};

use crate::cli::{DisplayUnits, MixArgs};
use crate::commands::CommandError;

/// The library that ships, so that a recipe can be read in any folder.
const FEEDSTOCKS: &str = include_str!("../../../config/feedstocks.yaml");
const FEEDSTOCKS_PATH: &str = "config/feedstocks.yaml";
/// The moisture that water is added for unless the recipe names one: the middle of the preferred 50 to 60 % (NRAES-54, from memory).
const MOISTURE_GOAL: Fraction = Fraction(0.55);

/// Water to add below this share of the mix is none: nobody could measure it.
const WATER_LEAST: f64 = 1e-4;

/// The JSON of `mix --json`: SI, the unit in the key; `null` where something is not known.
#[derive(Debug, Serialize)]
struct Report {
    name: String,
    ingredients: Vec<IngredientReport>,
    wet_mass_kilograms: f64,
    dry_mass_kilograms: f64,
    water_kilograms: f64,
    moisture_percent: f64,
    carbon_kilograms: f64,
    nitrogen_kilograms: f64,
    carbon_to_nitrogen: Option<f64>,
    volume_cubic_metres: Option<f64>,
    shrink_percent: f64,
    bulk_density_kilograms_per_cubic_metre: Option<f64>,
    free_air_space_percent: Option<f64>,
    bulk_density_with_water_kilograms_per_cubic_metre: Option<f64>,
    free_air_space_with_water_percent: Option<f64>,
    free_air_space_convention: &'static str,
    goals_met: Option<bool>,
    moisture_goal_percent: f64,
    water_to_add_kilograms: f64,
    targets: Vec<TargetReport>,
    warnings: Vec<String>,
}

#[derive(Debug, Serialize)]
struct IngredientReport {
    name: String,
    wet_mass_kilograms: f64,
    volume_cubic_metres: Option<f64>,
    buckets: Option<f64>,
    amount_found: bool,
    source: String,
}

#[derive(Debug, Serialize)]
struct TargetReport {
    figure: &'static str,
    grade: &'static str,
    low: Option<f64>,
    high: Option<f64>,
    side: Option<&'static str>,
    source: String,
}

/// Reads the recipe, finds what it leaves open and prints the mix.
///
/// # Errors
/// When a file cannot be read, every fault in it, or a goal that cannot be reached.
pub fn print(args: &MixArgs) -> Result<(), CommandError> {
    let mut library = read_feedstocks(FEEDSTOCKS, FEEDSTOCKS_PATH).map_err(faulty)?;
    for path in &args.feedstocks {
        library =
            library.with(read_feedstocks(&text(path, "feedstocks")?, &path.display().to_string()).map_err(faulty)?);
    }
    let mixed = Mixed::of(recipe(&args.recipe, &library)?)?;
    if args.json {
        let json = serde_json::to_string_pretty(&mixed.report()).map_err(|e| CommandError::Refused(e.to_string()))?;
        println!("{json}");
    } else {
        print!("{}", mixed.table(args.units));
    }
    Ok(())
}

/// A mix as a bin is filled with it.
pub(crate) struct MixedFilling {
    /// What it is called.
    pub(crate) name: String,
    /// What is kept with the batch.
    pub(crate) filled: Filled,
    /// What to say to whoever filled the bin.
    pub(crate) said: String,
}

/// The filling that a recipe makes: a file, or a name in the folder of the settings.
///
/// # Errors
/// When it cannot be read, or makes no mix.
pub(crate) fn filled(name: &Path, settings: &Path, units: Display) -> Result<MixedFilling, CommandError> {
    let beside = settings.parent().unwrap_or(Path::new("")).join(name);
    let named = |path: &Path| [path.to_owned(), path.with_extension("yaml")];
    let paths = named(name).into_iter().chain(named(&beside));
    let path = paths.into_iter().find(|path| path.is_file()).unwrap_or_else(|| name.to_owned());
    let library = read_feedstocks(FEEDSTOCKS, FEEDSTOCKS_PATH).map_err(faulty)?;
    let mixed = Mixed::of(recipe(&path, &library)?)?;
    let figures = &mixed.figures;
    let filled = Filled {
        moisture_percent: Some(figures.moisture.0 * 100.0),
        carbon_to_nitrogen: figures.carbon_to_nitrogen,
        ..Filled::of(figures.wet_mass)
    };
    let us = units == Display::Us;
    let litres = |l: f64| if us { format!("{:.0} gal", l / LITRES_PER_GALLON) } else { format!("{l:.0} L") };
    let mass = |kg: f64| if us { format!("{:.0} lb", kg / KILOGRAMS_PER_POUND) } else { format!("{kg:.0} kg") };
    let water = match mixed.water_to_add.0 {
        more if more > 1e-3 * figures.wet_mass.0 => format!(
            "; without the {} of water that `hypocaust mix` asks for: log them with `hypocaust log watered` if they were added",
            litres(more)
        ),
        _ => String::new(),
    };
    let said = format!(
        "mix {}: {} at {:.1} % moisture as the recipe has it{water}",
        mixed.recipe.name,
        mass(figures.wet_mass.0),
        figures.moisture.0 * 100.0
    );
    Ok(MixedFilling { name: mixed.recipe.name.clone(), filled, said })
}

fn recipe(path: &Path, library: &Library) -> Result<Recipe, CommandError> {
    read_recipe(&text(path, "recipe")?, &path.display().to_string(), library).map_err(faulty)
}

fn text(path: &Path, called: &str) -> Result<String, CommandError> {
    files::read_text(path, files::FEEDSTOCKS).map_err(|source| CommandError::Io {
        what: format!("the {called} {} cannot be read; see `hypocaust mix --help` for an example", path.display()),
        source,
    })
}

fn faulty(faults: Vec<site::settings::Fault>) -> CommandError {
    let lines: Vec<String> = faults.iter().map(ToString::to_string).collect();
    CommandError::Refused(format!("{} fault(s):\n{}", lines.len(), lines.join("\n")))
}

fn refused(error: impl std::error::Error) -> CommandError {
    CommandError::Refused(error.to_string())
}

/// A recipe with every amount known.
struct Mixed {
    recipe: Recipe,
    masses: Vec<f64>,
    figures: Figures,
    /// With the water that is to be added: the pile that air has to pass.
    wetted: Figures,
    air: Option<Fraction>,
    wetted_air: Option<Fraction>,
    fit: Option<Fit>,
    moisture_goal: Fraction,
    water_to_add: Kilograms,
    warnings: Vec<Warning>,
    /// Why there is no free air space, where what it takes is known.
    no_air: Option<String>,
}

impl Mixed {
    fn of(recipe: Recipe) -> Result<Mixed, CommandError> {
        let (mut given, mut choices) = (Vec::new(), Vec::new());
        for loaded in &recipe.ingredients {
            let ingredient = &loaded.ingredient;
            match loaded.wanted {
                Wanted::Given(amount) => given.push(Part { ingredient, amount }),
                Wanted::Open { least, most } => choices.push(Choice { ingredient, least, most }),
            }
        }
        let found = match choices.as_slice() {
            [] => None,
            choices => Some(solve(&given, choices, recipe.solve_for).map_err(refused)?),
        };
        let mut solved = found.iter().flat_map(|found| found.amounts.iter().copied());
        let mut masses = Vec::new();
        for loaded in &recipe.ingredients {
            masses.push(match loaded.wanted {
                Wanted::Given(amount) => loaded.ingredient.mass(amount).map_err(refused)?.0,
                Wanted::Open { .. } => solved.next().map_or(0.0, |amount| amount.0),
            });
        }
        let parts: Vec<Part<'_>> = recipe
            .ingredients
            .iter()
            .zip(&masses)
            .map(|(loaded, q)| Part { ingredient: &loaded.ingredient, amount: Amount::Mass(Kilograms(*q)) })
            .collect();
        let figures = mix(&parts, recipe.shrink).map_err(refused)?;
        let air = figures.free_air_space(recipe.air_space).unwrap_or(None);
        let moisture_goal = recipe.moisture_goal.unwrap_or(MOISTURE_GOAL);
        let water_to_add = figures.water_to_add(moisture_goal).map_err(refused)?;
        let fit = found.map(|found| found.fit);
        let wetted = figures.wetted(water_to_add);
        let (wetted_air, no_air) = match wetted.free_air_space(recipe.air_space) {
            Ok(air) => (air, None),
            Err(error) => (None, Some(format!("with the water to add: {error}"))),
        };
        // Air has to pass the pile as it is loaded, with its water; the ingredients are judged by what they bring.
        let of_the_pile =
            |warning: &Warning| matches!(warning.target.figure, Figure::BulkDensity | Figure::FreeAirSpace);
        let mut warnings: Vec<Warning> = figures.warnings(None).into_iter().filter(|w| !of_the_pile(w)).collect();
        warnings.extend(wetted.warnings(wetted_air).into_iter().filter(of_the_pile));
        Ok(Mixed {
            recipe,
            masses,
            figures,
            wetted,
            air,
            wetted_air,
            fit,
            moisture_goal,
            water_to_add,
            warnings,
            no_air,
        })
    }

    /// Whether so much water is missing that somebody can measure it.
    fn wants_water(&self) -> bool {
        self.water_to_add.0 >= WATER_LEAST * self.figures.wet_mass.0
    }

    /// The value of a figure as it is judged, where it is known, in the unit of its targets: what air passes, with the water to add.
    fn value(&self, figure: Figure) -> Option<f64> {
        match figure {
            Figure::Moisture => Some(self.figures.moisture.0),
            Figure::CarbonToNitrogen => self.figures.carbon_to_nitrogen,
            Figure::BulkDensity => self.wetted.bulk_density.map(|density| density.0),
            Figure::FreeAirSpace => self.wetted_air.map(|air| air.0),
        }
    }

    fn warned(&self) -> Vec<String> {
        self.warnings.iter().map(ToString::to_string).chain(self.no_air.clone()).collect()
    }

    fn report(&self) -> Report {
        let f = &self.figures;
        let loaded = self.recipe.ingredients.iter().zip(&self.masses);
        Report {
            name: self.recipe.name.clone(),
            ingredients: loaded
                .map(|(loaded, mass)| {
                    let volume = loaded.ingredient.bulk_density().map(|density| mass / density.0);
                    IngredientReport {
                        name: loaded.ingredient.name().into(),
                        wet_mass_kilograms: *mass,
                        volume_cubic_metres: volume,
                        buckets: volume.zip(self.recipe.bucket).map(|(volume, bucket)| volume / bucket.0),
                        amount_found: matches!(loaded.wanted, Wanted::Open { .. }),
                        source: loaded.source.clone(),
                    }
                })
                .collect(),
            wet_mass_kilograms: f.wet_mass.0,
            dry_mass_kilograms: f.dry_mass.0,
            water_kilograms: f.water.0,
            moisture_percent: f.moisture.0 * 100.0,
            carbon_kilograms: f.carbon.0,
            nitrogen_kilograms: f.nitrogen.0,
            carbon_to_nitrogen: f.carbon_to_nitrogen,
            volume_cubic_metres: f.volume.map(|volume| volume.0),
            shrink_percent: self.recipe.shrink.0 * 100.0,
            bulk_density_kilograms_per_cubic_metre: f.bulk_density.map(|density| density.0),
            free_air_space_percent: self.air.map(|air| air.0 * 100.0),
            bulk_density_with_water_kilograms_per_cubic_metre: self.wetted.bulk_density.map(|density| density.0),
            free_air_space_with_water_percent: self.wetted_air.map(|air| air.0 * 100.0),
            free_air_space_convention: convention(self.recipe.air_space).0,
            goals_met: self.fit.map(|fit| fit == Fit::Met),
            moisture_goal_percent: self.moisture_goal.0 * 100.0,
            water_to_add_kilograms: self.water_to_add.0,
            targets: TARGETS.iter().map(|target| self.target(target)).collect(),
            warnings: self.warned(),
        }
    }

    fn target(&self, target: &Target) -> TargetReport {
        let (figure, factor) = match target.figure {
            Figure::Moisture => ("moisture_percent", 100.0),
            Figure::CarbonToNitrogen => ("carbon_to_nitrogen", 1.0),
            Figure::BulkDensity => ("bulk_density_kilograms_per_cubic_metre", 1.0),
            Figure::FreeAirSpace => ("free_air_space_percent", 100.0),
        };
        TargetReport {
            figure,
            grade: grade(target.grade),
            low: target.low.map(|low| low * factor),
            high: target.high.map(|high| high * factor),
            side: self.value(target.figure).map(|value| side(target.side(value))),
            source: target.source.to_string(),
        }
    }

    fn table(&self, units: DisplayUnits) -> String {
        let mut out = format!("{}\n\n", self.recipe.name);
        self.amounts(units, &mut out);
        if self.fit == Some(Fit::Compromise) {
            out.push_str(
                "\nThe two goals cannot both be met with these ingredients: the amounts are the best compromise by least squares.\n\
                 Leave another amount open, or let water bring the moisture with `moisture_by: water`.\n",
            );
        }
        for figure in [Figure::Moisture, Figure::CarbonToNitrogen, Figure::BulkDensity, Figure::FreeAirSpace] {
            self.figure(figure, units, &mut out);
        }
        self.water(units, &mut out);
        let warned = self.warned();
        if !warned.is_empty() {
            out.push_str("\nWorth a look:\n");
            for warning in warned {
                let _ = writeln!(out, "  {warning}");
            }
        }
        out.push_str("\nAnalyses:\n");
        for loaded in &self.recipe.ingredients {
            let _ = writeln!(out, "  {}: {}", loaded.ingredient.name(), loaded.source);
        }
        out
    }

    fn amounts(&self, units: DisplayUnits, out: &mut String) {
        let bucket = self.recipe.bucket.map(|bucket| bucket.0);
        let width =
            self.recipe.ingredients.iter().map(|i| i.ingredient.name().chars().count()).max().unwrap_or(0).max(10);
        let buckets = bucket.map_or(String::new(), |bucket| match units {
            DisplayUnits::Metric => format!("buckets of {:.0} L", bucket * 1e3),
            DisplayUnits::Us => format!("buckets of {:.0} gal", bucket * 1e3 / LITRES_PER_GALLON),
        });
        let mut line = |name: &str, mass: &str, volume: &str, buckets: &str, note: &str| {
            let text = format!("{name:width$}  {mass:>10}  {volume:>12}  {buckets:>18}  {note}");
            let _ = writeln!(out, "{}", text.trim_end());
        };
        line("ingredient", "mass", "loose volume", &buckets, "");
        let mut loose = Some(0.0);
        for (loaded, mass) in self.recipe.ingredients.iter().zip(&self.masses) {
            let volume = loaded.ingredient.bulk_density().map(|density| mass / density.0);
            loose = loose.zip(volume).map(|(sum, volume)| sum + volume);
            let note = if matches!(loaded.wanted, Wanted::Open { .. }) { "found for the goals" } else { "" };
            let count = volume.zip(bucket).map_or(String::new(), |(volume, bucket)| format!("{:.1}", volume / bucket));
            line(loaded.ingredient.name(), &mass_text(*mass, units), &volume_text(volume, units), &count, note);
        }
        let count = loose.zip(bucket).map_or(String::new(), |(volume, bucket)| format!("{:.1}", volume / bucket));
        line("together", &mass_text(self.figures.wet_mass.0, units), &volume_text(loose, units), &count, "");
        if let Some(volume) = self.figures.volume {
            let shrink = format!("{} % less", plain(self.recipe.shrink.0 * 100.0));
            line("mixed", "", &volume_text(Some(volume.0), units), "", &shrink);
        }
    }

    fn figure(&self, figure: Figure, units: DisplayUnits, out: &mut String) {
        let called = match figure {
            Figure::Moisture => "moisture".into(),
            Figure::CarbonToNitrogen => "C:N of dry matter".into(),
            Figure::BulkDensity => "bulk density".into(),
            Figure::FreeAirSpace => format!("free air space ({})", convention(self.recipe.air_space).1),
        };
        let shown = match (self.value(figure), figure) {
            (Some(value), Figure::BulkDensity | Figure::FreeAirSpace) if self.wants_water() => {
                let dry = match figure {
                    Figure::BulkDensity => self.figures.bulk_density.map(|density| density.0),
                    _ => self.air.map(|air| air.0),
                };
                let dry = dry.map(|dry| format!(", {} without", away_from_limits(dry, figure, units)));
                format!("{} with the water{}", away_from_limits(value, figure, units), dry.unwrap_or_default())
            }
            (Some(value), _) => away_from_limits(value, figure, units),
            (None, Figure::CarbonToNitrogen) => "not known: there is no nitrogen in the mix".into(),
            (None, Figure::FreeAirSpace) if self.no_air.is_none() => {
                "not known: give bulk density and `volatile_solids_percent_dry` of each ingredient".into()
            }
            (None, _) => "not known".into(),
        };
        let _ = writeln!(out, "\n{called}: {shown}");
        for target in TARGETS.iter().filter(|target| target.figure == figure) {
            let end = |value: f64| {
                let (factor, ..) = scale(figure, units);
                plain(if figure == Figure::BulkDensity { (value * factor).round() } else { value * factor })
            };
            let unit = scale(figure, units).1;
            let range = match (target.low, target.high) {
                (Some(low), Some(high)) => format!("{} to {}{unit}", end(low), end(high)),
                (Some(low), None) => format!("{}{unit} or more", end(low)),
                (None, Some(high)) => format!("up to {}{unit}", end(high)),
                (None, None) => "any".into(),
            };
            let stands = self.value(figure).map_or("", |value| side(target.side(value)));
            let _ = writeln!(out, "  {:10}  {range:18}  {stands:6}  {}", grade(target.grade), target.source);
        }
    }

    fn water(&self, units: DisplayUnits, out: &mut String) {
        let goal = format!("{} % moisture", plain(self.moisture_goal.0 * 100.0));
        let amount = |kilograms: f64| match units {
            DisplayUnits::Metric => format!("{kilograms:.0} L"),
            DisplayUnits::Us => format!("{:.0} gal", kilograms / LITRES_PER_GALLON),
        };
        let water = self.water_to_add.0;
        let said = if water.abs() < WATER_LEAST * self.figures.wet_mass.0 {
            "none".into()
        } else if water > 0.0 {
            format!("{}; moisture above is without it, density and air space with it", amount(water))
        } else {
            format!("none: it is too wet by {}", amount(-water))
        };
        let _ = writeln!(out, "\nwater to add for {goal}: {said}");
    }
}

/// What a figure's value is multiplied by to be shown, its unit, and its usual decimals.
fn scale(figure: Figure, units: DisplayUnits) -> (f64, &'static str, usize) {
    match (figure, units) {
        (Figure::Moisture | Figure::FreeAirSpace, _) => (100.0, " %", 1),
        (Figure::CarbonToNitrogen, _) => (1.0, "", 1),
        (Figure::BulkDensity, DisplayUnits::Metric) => (1.0, " kg/m³", 0),
        (Figure::BulkDensity, DisplayUnits::Us) => (KilogramsPerCubicMetre(1.0).pounds_per_cubic_yard(), " lb/yd³", 0),
    }
}

/// The value with as many decimals as it takes to lie on the same side of each of its limits as it does.
fn away_from_limits(value: f64, figure: Figure, units: DisplayUnits) -> String {
    let (factor, unit, usual) = scale(figure, units);
    let stands = |value: f64, end: f64| match value - end {
        off if off.abs() <= ROUNDING * end => 0,
        off => {
            if off < 0.0 {
                -1
            } else {
                1
            }
        }
    };
    let same_side = |decimals: &usize| {
        let text = format!("{:.*}", decimals, value * factor);
        let read = text.parse::<f64>().unwrap_or(value * factor);
        let ends = TARGETS.iter().filter(|target| target.figure == figure);
        let mut ends = ends.flat_map(|target| [target.low, target.high]).flatten();
        // Limits of density are printed whole, so the figure is compared with what stands beside it.
        ends.all(|end| {
            let shown = if figure == Figure::BulkDensity { (end * factor).round() } else { end * factor };
            stands(read, shown) == stands(value, end)
        })
    };
    let decimals = (usual..6).find(same_side).unwrap_or(6);
    format!("{:.*}{unit}", decimals, value * factor)
}

fn mass_text(kilograms: f64, units: DisplayUnits) -> String {
    match units {
        DisplayUnits::Metric => format!("{kilograms:.0} kg"),
        DisplayUnits::Us => format!("{:.0} lb", kilograms / KILOGRAMS_PER_POUND),
    }
}

fn volume_text(cubic_metres: Option<f64>, units: DisplayUnits) -> String {
    match (cubic_metres, units) {
        (None, _) => "not known".into(),
        (Some(volume), DisplayUnits::Metric) => format!("{:.0} L", volume * 1e3),
        (Some(volume), DisplayUnits::Us) => format!("{:.2} yd³", volume / CUBIC_METRES_PER_CUBIC_YARD),
    }
}

/// To a hundredth, without needless zeros.
fn plain(value: f64) -> String {
    let text = format!("{value:.2}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

fn grade(grade: Grade) -> &'static str {
    match grade {
        Grade::Acceptable => "acceptable",
        Grade::Preferred => "preferred",
    }
}

fn side(side: Side) -> &'static str {
    match side {
        Side::Below => "below",
        Side::Within => "within",
        Side::Above => "above",
    }
}

/// The word of recipes for a convention, and what it means.
fn convention(air_space: AirSpace) -> (&'static str, &'static str) {
    match air_space {
        AirSpace::Haug => ("haug", "Haug, gravities 1.0 and 2.5"),
        AirSpace::ParticleDensity => ("particle-density", "particles of 1600 and 2500 kg/m³"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_figure_is_never_rounded_onto_or_over_a_limit() {
        for (value, figure, want, why) in [
            (0.65, Figure::Moisture, "65.0 %", "on the limit is printed as the limit"),
            (0.6500000000000001, Figure::Moisture, "65.0 %", "rounding of sums is no side"),
            (0.65004, Figure::Moisture, "65.004 %", "just over shows that it is over"),
            (0.64996, Figure::Moisture, "64.996 %", "just under shows that it is under"),
            (0.6234, Figure::Moisture, "62.3 %", "far from any limit a tenth will do"),
            (19.97, Figure::CarbonToNitrogen, "19.97", "not 20.0, which would pass"),
            (593.4, Figure::BulkDensity, "593.4 kg/m³", "over 593.28, which is printed as 593"),
            (0.29999, Figure::FreeAirSpace, "29.999 %", "not 30.0"),
        ] {
            assert_eq!(away_from_limits(value, figure, DisplayUnits::Metric), want, "{value}: {why}");
        }
        assert_eq!(away_from_limits(593.0, Figure::BulkDensity, DisplayUnits::Us), "999.5 lb/yd³", "under 1000");
    }
}
