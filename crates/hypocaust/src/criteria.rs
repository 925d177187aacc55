//! The criteria that ship, those of the site's own folder, and `hypocaust criteria`, which lists and shows them.
//!
//! Must never judge, and never let a site's file replace one that ships.

use std::path::Path;

use site::criteria::{Criteria, Criterion, Demand};
use site::model::Site;

use crate::cli::CriteriaCommand;
use crate::commands::CommandError;
use crate::wiring::{self, SettingsError};

mod shipped;

pub use shipped::SHIPPED;

/// The text of a criterion and where it stands.
struct Text {
    name: String,
    path: String,
    text: String,
}

/// The criteria that ship.
///
/// # Errors
/// Never, if the tests pass: what ships has no fault.
pub fn shipped() -> Result<Criteria, CommandError> {
    let texts = SHIPPED.iter().map(|(name, text)| (*name, *text, *name));
    Criteria::read(Criteria::default(), texts).map_err(|faults| told(&faults))
}

/// The criteria that ship and those of the site's own folder, with a check of those that the settings choose.
///
/// # Errors
/// Every fault in the site's own, or an id in the settings that is not there.
pub fn of_site(site: &Site) -> Result<Criteria, CommandError> {
    let own = own_texts(site)?;
    let texts = own.iter().map(|t| (t.name.as_str(), t.text.as_str(), t.path.as_str()));
    let criteria = Criteria::read(shipped()?, texts).map_err(|faults| told(&faults))?;
    let mut wrong = Vec::new();
    for chosen in &site.criteria {
        match criteria.selectable(&chosen.id) {
            Ok(criterion) if chosen.recovery.is_some() && !criterion.has_turnings() => wrong.push(format!(
                "{}: criterion {} asks for no turning; remove `recovery_hours`",
                chosen.place, chosen.id
            )),
            Ok(criterion) => {
                let asked = criterion.beside.retention_years.unwrap_or(0.0);
                wrong.extend(kept_for_less(site, asked).map(|(key, years)| {
                    format!(
                        "{}: criterion {} has records kept for {asked} years, and `{key}` is {years}; raise it, or remove it to keep readings for \
                         ever",
                        chosen.place, chosen.id
                    )
                }));
            }
            Err(why) => wrong.push(format!("{}: {why}", chosen.place)),
        }
    }
    if wrong.is_empty() { Ok(criteria) } else { Err(SettingsError::Faults(wrong).into()) }
}

/// What the bins lack for the criteria of the settings, so that no batch there can ever meet one; one line a reason, with its bins.
pub(crate) fn never_met(site: &Site, criteria: &Criteria) -> Vec<String> {
    let mut lines = Vec::new();
    for criterion in site.criteria.iter().filter_map(|chosen| criteria.selectable(&chosen.id).ok()) {
        let mut by_reason: Vec<(String, Vec<&str>)> = Vec::new();
        for bin in site.bins.values() {
            for reason in site::criteria::never_met(criterion, site, bin) {
                match by_reason.iter_mut().find(|(known, _)| *known == reason) {
                    Some((_, bins)) => bins.push(bin.id.as_str()),
                    None => by_reason.push((reason, vec![bin.id.as_str()])),
                }
            }
        }
        for (reason, bins) in by_reason {
            let all = bins.len() == site.bins.len() && bins.len() > 1;
            let which = if all { "no bin".to_owned() } else { format!("{} never", bins.join(", ")) };
            let can = if all { "can meet" } else { "meets" };
            lines.push(format!("{which} {can} {}: {reason}", criterion.id));
        }
    }
    lines
}

/// Settings that have readings taken out earlier than after so many years. The root over an hour needs the readings of every quantity.
fn kept_for_less(site: &Site, years: f64) -> impl Iterator<Item = (String, f64)> {
    let all = site.keep.years.iter().map(|kept| ("keep.years".to_owned(), *kept));
    let some = site.keep.years_of.iter().map(|(quantity, kept)| (format!("keep.years_of.{}", quantity.key()), *kept));
    all.chain(some).filter(move |(_, kept)| *kept < years)
}

/// Carries out one of the commands. Without settings it knows what ships.
///
/// # Errors
/// Faulty settings or criteria; an id that is not there.
pub fn criteria(config: &Path, command: CriteriaCommand) -> Result<(), CommandError> {
    let site = if config.exists() { Some(wiring::settings(config)?.site) } else { None };
    let all = match &site {
        Some(site) => of_site(site)?,
        None => shipped()?,
    };
    match command {
        CriteriaCommand::List => {
            list(&all, site.as_ref());
            Ok(())
        }
        CriteriaCommand::Show { id } => show(&all, site.as_ref(), &id),
    }
}

fn list(all: &Criteria, site: Option<&Site>) {
    let wide = |of: fn(&Criterion) -> &str| all.iter().map(|c| of(c).chars().count()).max().unwrap_or(0);
    let (ids, places) = (wide(|c| &c.id), wide(|c| &c.jurisdiction));
    for criterion in all.iter() {
        let chosen = site.is_some_and(|site| site.criteria.iter().any(|c| c.id == criterion.id));
        let mark = match (&criterion.superseded, chosen) {
            (Some(_), _) => "superseded",
            (None, true) => "chosen",
            (None, false) => "",
        };
        println!(
            "{:ids$}  {:places$}  {mark:10}  {}: {}",
            criterion.id, criterion.jurisdiction, criterion.citation, criterion.title
        );
    }
    println!(
        "\n`hypocaust criteria show ID` prints one whole, with what its figures were checked against. The edition that your permit cites decides."
    );
}

fn show(all: &Criteria, site: Option<&Site>, id: &str) -> Result<(), CommandError> {
    let Some(criterion) = all.get(id) else {
        return Err(CommandError::Usage(all.selectable(id).err().unwrap_or_default()));
    };
    let own = site.map(own_texts).transpose()?.unwrap_or_default();
    let built_in = SHIPPED.iter().find(|(name, _)| *name == id).map(|(_, text)| *text);
    let text = built_in.or_else(|| own.iter().find(|t| t.name == id).map(|t| t.text.as_str()));
    print!("{}", text.unwrap_or_default());
    println!("\n# {}", criterion.standing_remark());
    if let Some(chosen) = site.and_then(|site| site.criteria.iter().find(|c| c.id == id)) {
        println!(
            "# Chosen in {}, permit: {}",
            chosen.place,
            chosen.permit.as_deref().unwrap_or("no condition was typed in")
        );
    }
    if let Demand::AnyOf(parts) = &criterion.demand {
        let ids: Vec<&str> = parts.iter().map(|p| p.id.as_str()).collect();
        println!("# Each of these is shown by its own id: {}", ids.join(", "));
    }
    Ok(())
}

fn own_texts(site: &Site) -> Result<Vec<Text>, CommandError> {
    let Some(folder) = &site.criteria_folder else { return Ok(Vec::new()) };
    let failed = |source| CommandError::Io {
        what: format!(
            "the criteria in {} cannot be read; set `criteria_folder` to the folder with your own",
            folder.display()
        ),
        source,
    };
    let mut texts = Vec::new();
    for path in files::paths_in(folder).map_err(failed)? {
        if path.extension().is_some_and(|e| e == "yaml") {
            let text = files::read_text(&path, files::CRITERION).map_err(failed)?;
            let name = path.file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
            texts.push(Text { name, path: path.display().to_string(), text });
        }
    }
    texts.sort_by(|a, b| a.name.cmp(&b.name));
    Ok(texts)
}

fn told(faults: &[site::settings::Fault]) -> CommandError {
    CommandError::Refused(faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))
}
