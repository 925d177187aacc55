//! Amounts and times as people type them, read with the site's units; and the question back where nobody can mean an amount.
//!
//! Must never keep an amount that was doubted and not confirmed, and never read one by another way than `site::measure`.

use std::io::{self, BufRead, IsTerminal};

use pile::units::{Celsius, CubicMetres, Kilograms, Litres, Metres};
use site::entry::{Amount, EntryKind};
use site::measure::{self, Kind};
use site::model::{Bin, Display, Site};
use site::plausible;

use crate::cli::Typed;
use crate::commands::CommandError;

/// The unit of a bare number of a kind at the site.
pub(crate) fn unit(site: &Site, kind: Kind) -> Option<&'static str> {
    let (metric, us) = match kind {
        Kind::Temperature => ("C", "F"),
        Kind::Difference => ("C", "F"),
        Kind::Flow => ("m3/h", "cfm"),
        Kind::Pressure => ("Pa", "inH2O"),
        Kind::Duration => ("min", "min"),
        Kind::Length => ("m", "ft"),
        Kind::Mass => ("kg", "lb"),
        Kind::Volume => ("m3", "yd3"),
        Kind::Water => ("L", "gal"),
        Kind::WaterFlow => ("L/min", "gpm"),
        Kind::Density => ("kg/m3", "lb/yd3"),
        Kind::Heat => ("W", "BTU/h"),
        Kind::Transmittance => ("W/m2K", "BTU/hft2F"),
        Kind::Fraction => ("%", "%"),
    };
    Some(if site.display == Display::Us { us } else { metric })
}

/// Reads what somebody typed for an option; a bare number is in the site's unit.
///
/// # Errors
/// A sentence with the option and the units that fit.
pub fn read(site: &Site, option: &str, typed: &Typed, kind: Kind) -> Result<f64, CommandError> {
    with_unit(option, typed, kind, unit(site, kind))
}

/// The same, where a bare number is in a unit of the option's own, or in none.
pub(crate) fn with_unit(option: &str, typed: &Typed, kind: Kind, bare: Option<&str>) -> Result<f64, CommandError> {
    measure::read(&typed.0, kind, bare).map_err(|e| CommandError::Usage(format!("--{option}: {e}")))
}

pub(crate) fn celsius(site: &Site, option: &str, typed: &Typed) -> Result<Celsius, CommandError> {
    read(site, option, typed, Kind::Temperature).map(Celsius)
}

pub(crate) fn metres(site: &Site, option: &str, typed: &Typed) -> Result<Metres, CommandError> {
    read(site, option, typed, Kind::Length).map(Metres)
}

pub(crate) fn litres(site: &Site, option: &str, typed: &Typed) -> Result<Litres, CommandError> {
    read(site, option, typed, Kind::Water).map(Litres)
}

pub(crate) fn minutes(site: &Site, option: &str, typed: &Typed) -> Result<f64, CommandError> {
    read(site, option, typed, Kind::Duration).map(|seconds| seconds / 60.0)
}

/// Percent, whatever stands behind the number: `55`, `55%`.
///
/// # Errors
/// A sentence with the option and the units that fit.
pub fn percent(option: &str, typed: &Typed) -> Result<f64, CommandError> {
    let fraction = with_unit(option, typed, Kind::Fraction, Some("%"))?;
    // What was typed in decimals comes back as it was typed.
    let percent = fraction * 100.0;
    let tidy = (percent * 1e9).round() / 1e9;
    Ok(if tidy.is_finite() { tidy } else { percent })
}

/// A mass or a volume, with its unit: a bare number could be either.
///
/// # Errors
/// A sentence with the option and an example of each.
pub fn amount(option: &str, typed: &Typed) -> Result<Amount, CommandError> {
    let mass = measure::read(&typed.0, Kind::Mass, None).map(|kg| Amount::Mass(Kilograms(kg)));
    let volume = || measure::read(&typed.0, Kind::Volume, None).map(|m3| Amount::Volume(CubicMetres(m3)));
    mass.or_else(|_| volume()).map_err(|_| {
        let wrong = match typed.0.trim().parse::<f64>() {
            Ok(_) => "has no unit, and may be a mass or a volume",
            Err(_) => "is no amount",
        };
        CommandError::Usage(format!(
            "--{option}: `{}` {wrong}; write a mass or a volume with its unit: 800kg, 1200lb, 2m3, 3yd3",
            typed.0
        ))
    })
}

/// Asks back where nobody can mean what is to be kept: on a terminal with a question, otherwise with an error that names `--really`.
///
/// # Errors
/// When it is not confirmed.
pub(crate) fn meant(site: &Site, bin: &str, kind: &EntryKind, really: bool) -> Result<(), CommandError> {
    let described: Option<&Bin> = site.bins.values().find(|b| b.id.as_str() == bin);
    let doubt = if really { None } else { plausible::doubt(described, kind, site.display) };
    let Some(doubt) = doubt else { return Ok(()) };
    if io::stdin().is_terminal() && io::stderr().is_terminal() {
        eprintln!("{doubt}. Keep it all the same? [y/N]");
        let mut answer = String::new();
        let read = io::stdin().lock().read_line(&mut answer);
        if read.is_ok() && matches!(answer.trim().to_lowercase().as_str(), "y" | "yes") {
            return Ok(());
        }
        return Err(CommandError::Refused("nothing was kept; type the command again with the right amount".into()));
    }
    Err(CommandError::Refused(format!("{doubt}; correct the number or its unit, or confirm it with --really")))
}
