//! Reads history from CSV files: `measured_at,probe,quantity,value,unit` and `at,bin,kind,amount,unit,by,note`.
//!
//! Must never leave a row out: a row that cannot be read is a fault with its line, and all faults are told at once.

use std::collections::HashMap;
use std::path::Path;

use csv::StringRecord;
use pile::time::Timestamp;
use pile::units::{Celsius, Litres, Readable};
use site::entry::{ENTRY_WORDS, Entry, EntryKind, PLAIN};
use site::ids::{BinId, BlowerId, ProbeId};
use site::measure::{self, Kind};
use site::model::{Position, Site};
use site::quantity::{QUANTITIES, Quantity, Unit};
use site::reading::{SeriesId, Source};
use site::zone::parse_instant;

use super::history::Imported;
use crate::commands::CommandError;

/// Faults that are told of a file; more of them rarely say anything new.
const FAULTS_TOLD: usize = 20;
/// Names that a message lists.
const NAMES_TOLD: usize = 12;
/// How well one sample stands for the whole bin, in percent of the wet mass: as the command line takes it where nothing is said.
const SAMPLE_SD_PERCENT: f64 = 3.0;
/// Longest text of a cell that a message repeats.
const CELL_TOLD: usize = 40;

const READINGS: [&str; 5] = ["measured_at", "probe", "quantity", "value", "unit"];
const ENTRIES: [&str; 7] = ["at", "bin", "kind", "amount", "unit", "by", "note"];

/// The readings and entries of two files.
///
/// # Errors
/// Every fault of both files at once, each with file, line and remedy; of each file the first 20.
pub(crate) fn read(
    site: &Site,
    readings: &Path,
    entries: Option<&Path>,
) -> Result<(Imported, Vec<Entry>), CommandError> {
    let mut faults = Faults::default();
    let imported = read_readings(site, readings, &mut faults)?;
    let written = match entries {
        Some(path) => read_entries(site, path, &mut faults)?,
        None => Vec::new(),
    };
    if faults.all.is_empty() {
        return Ok((imported, written));
    }
    Err(CommandError::Refused(faults.all.join("\n")))
}

/// The faults so far, and how many of the present file were left out.
#[derive(Default)]
struct Faults {
    all: Vec<String>,
    of_file: usize,
}

impl Faults {
    fn add(&mut self, place: &str, line: u64, what: &str) {
        self.of_file += 1;
        if self.of_file <= FAULTS_TOLD {
            self.all.push(format!("{place}:{line}: {what}"));
        }
    }

    fn end_of_file(&mut self, place: &str) {
        if self.of_file > FAULTS_TOLD {
            self.all.push(format!("{place}: and {} more such faults", self.of_file - FAULTS_TOLD));
        }
        self.of_file = 0;
    }
}

fn read_readings(site: &Site, path: &Path, faults: &mut Faults) -> Result<Imported, CommandError> {
    let mut imported = Imported::default();
    let mut places: HashMap<SeriesId, u32> = HashMap::new();
    each_row(path, &READINGS, faults, &mut |cells| {
        let [at, probe, quantity, value, unit] = cells else { return Err(vec!["has too few cells".into()]) };
        let mut wrong = Vec::new();
        let at = dated(at, site).map_err(|e| wrong.push(e)).ok();
        let quantity = quantity_named(quantity).map_err(|e| wrong.push(e)).ok();
        let source = source_named(site, probe, quantity).map_err(|e| wrong.push(e)).ok();
        let value = number(value).map_err(|e| wrong.push(e)).ok();
        let unit = unit_named(unit).map_err(|e| wrong.push(e)).ok();
        let (Some(at), Some(quantity), Some(source), Some(value), Some(unit)) = (at, quantity, source, value, unit)
        else {
            return Err(wrong);
        };
        let Some(value) = unit.to_canonical(quantity, value) else {
            let own = quantity.unit();
            return Err(vec![format!(
                "{} is no unit of {quantity}; write the value in {} (`{}`)",
                unit.sign(),
                own.sign(),
                own.symbol()
            )]);
        };
        let series = SeriesId { source, quantity };
        let next = u32::try_from(imported.series.len()).unwrap_or(u32::MAX);
        let place = *places.entry(series.clone()).or_insert_with(|| {
            imported.series.push(series);
            next
        });
        imported.rows.push((at, place, value));
        Ok(())
    })?;
    Ok(imported)
}

fn read_entries(site: &Site, path: &Path, faults: &mut Faults) -> Result<Vec<Entry>, CommandError> {
    let mut entries = Vec::new();
    each_row(path, &ENTRIES, faults, &mut |cells| {
        let [at, bin, kind, amount, unit, by, note] = cells else { return Err(vec!["has too few cells".into()]) };
        let mut wrong = Vec::new();
        let at = dated(at, site).map_err(|e| wrong.push(e)).ok();
        let bin = bin_named(site, bin).map_err(|e| wrong.push(e)).ok();
        let kind = entry_kind(kind, amount, unit, note).map_err(|e| wrong.push(e)).ok();
        let (Some(at), Some(bin), Some(kind)) = (at, bin, kind) else { return Err(wrong) };
        entries.push(Entry::new(at, bin, kind, by, note));
        Ok(())
    })?;
    Ok(entries)
}

/// The instant of a row.
fn dated(text: &str, site: &Site) -> Result<Timestamp, String> {
    parse_instant(text, &site.zone).map_err(|why| {
        format!("{why}; a file is read on other days too, so `16:30` and `yesterday 16:30` are not taken")
    })
}

/// Takes the cells of a row, or says all that is wrong with it.
type TakeRow<'t> = dyn FnMut(&[&str]) -> Result<(), Vec<String>> + 't;

/// Hands the wanted cells of each row to `take`, in the order of `columns`.
fn each_row(path: &Path, columns: &[&str], faults: &mut Faults, take: &mut TakeRow<'_>) -> Result<(), CommandError> {
    let place = path.display().to_string();
    let file = ::files::open(path, ::files::HISTORY)
        .map_err(|source| CommandError::Io { what: format!("{place} cannot be read; check the path"), source })?;
    let mut reader =
        csv::ReaderBuilder::new().trim(csv::Trim::All).flexible(true).from_reader(std::io::BufReader::new(file));
    let heads = match reader.headers() {
        Ok(heads) => heads.clone(),
        Err(error) => {
            faults.add(&place, 1, &format!("the headings cannot be read ({error}); save it as CSV in UTF-8"));
            faults.end_of_file(&place);
            return Ok(());
        }
    };
    // A program that marks its files as UTF-8 puts three bytes before the first heading.
    let heads: Vec<&str> = heads.iter().map(|head| head.trim_start_matches('\u{feff}')).collect();
    let mut found = Vec::new();
    for column in columns {
        match heads.iter().position(|head| head == column) {
            Some(at) => found.push(at),
            None => {
                let all = columns.join(",");
                faults.add(&place, 1, &format!("there is no column `{column}`; the headings must be {all}"));
            }
        }
    }
    if found.len() < columns.len() {
        faults.end_of_file(&place);
        return Ok(());
    }
    let mut record = StringRecord::new();
    loop {
        let line = |record: &StringRecord| record.position().map_or(0, csv::Position::line);
        match reader.read_record(&mut record) {
            Ok(false) => break,
            Ok(true) if record.len() != heads.len() => {
                let what = format!("{} cells where the headings have {}", record.len(), heads.len());
                faults.add(&place, line(&record), &format!("there are {what}; complete the row, or quote its commas"));
            }
            Ok(true) => {
                let cells: Vec<&str> = found.iter().filter_map(|at| record.get(*at)).collect();
                for what in take(&cells).err().into_iter().flatten() {
                    faults.add(&place, line(&record), &what);
                }
            }
            Err(error) => {
                let line = error.position().map_or(0, csv::Position::line);
                faults.add(&place, line, &format!("the row cannot be read ({error}); save the file as CSV in UTF-8"));
                if !matches!(error.kind(), csv::ErrorKind::Utf8 { .. }) {
                    break;
                }
            }
        }
    }
    faults.end_of_file(&place);
    Ok(())
}

fn quantity_named(text: &str) -> Result<Quantity, String> {
    Quantity::from_key(text).ok_or_else(|| {
        let known: Vec<&str> = QUANTITIES.iter().map(|(_, key)| *key).collect();
        format!("`{}` is no quantity; write one of {}", told(text), known.join(", "))
    })
}

fn source_named(site: &Site, text: &str, quantity: Option<Quantity>) -> Result<Source, String> {
    let probe = ProbeId::new(text).ok().filter(|id| site.probes.contains_key(id)).map(Source::Probe);
    let blower = BlowerId::new(text).ok().filter(|id| site.blowers.contains_key(id)).map(Source::Blower);
    let found = if quantity == Some(Quantity::RunTime) { blower.or(probe) } else { probe.or(blower) };
    found.ok_or_else(|| {
        let known = site.probes.keys().map(ProbeId::as_str).chain(site.blowers.keys().map(BlowerId::as_str));
        format!("there is no probe or blower `{}`; the settings have {}", told(text), named(known))
    })
}

fn bin_named(site: &Site, text: &str) -> Result<BinId, String> {
    BinId::new(text).ok().filter(|id| site.bins.contains_key(id)).ok_or_else(|| {
        format!("there is no bin `{}`; the settings have {}", told(text), named(site.bins.keys().map(BinId::as_str)))
    })
}

fn unit_named(text: &str) -> Result<Unit, String> {
    Unit::from_symbol(text).ok_or_else(|| {
        let known: Vec<&str> = Unit::all().map(Unit::symbol).collect();
        format!("`{}` is no unit; write one of {}", told(text), known.join(", "))
    })
}

fn number(text: &str) -> Result<f64, String> {
    text.parse::<f64>().ok().filter(|n| n.is_finite()).ok_or_else(|| {
        format!("`{}` is no number; write one with a point for decimals, or take the row out", told(text))
    })
}

/// Kinds of entry whose amount, or nothing, says all of it.
const WITH_AMOUNT: [&str; 7] = ["on-air", "off-air", "watered", "sampled", "valve", "hand-reading", "settled-depth"];

fn entry_kind(word: &str, amount: &str, unit: &str, note: &str) -> Result<EntryKind, String> {
    let measured = |kind: Kind| {
        measure::read(&format!("{amount}{unit}"), kind, None)
            .map_err(|e| format!("{word}: {e}; the unit has a column of its own"))
    };
    let within = |what: &str, value: f64, low: f64, high: f64| {
        if (low..=high).contains(&value) {
            Ok(value)
        } else {
            Err(format!(
                "{word}: {what} {} is outside {low} to {high}; correct the amount or its unit",
                Readable(value)
            ))
        }
    };
    if amount.starts_with('{') {
        let kind = ledger::entry_of_text(amount).map_err(|e| {
            format!("{word}: the JSON under amount cannot be read ({e}); write it as `hypocaust log list --json` shows it under `says`")
        })?;
        return match kind.key() == word {
            true => kind.check(note).map(|()| kind).map_err(|e| format!("{word}: {e}")),
            false => Err(format!("the kind is `{}`, and the JSON under amount is of `{}`", told(word), kind.key())),
        };
    }
    match word {
        "hand-reading" => {
            let celsius = Celsius(within("a hand reading of °C", measured(Kind::Temperature)?, -30.0, 120.0)?);
            Ok(EntryKind::HandReading { position: Position::Core, celsius, depth: None })
        }
        "settled-depth" => {
            Ok(EntryKind::SettledDepth { metres: within("a depth of m", measured(Kind::Length)?, 0.0, 20.0)? })
        }
        "on-air" if amount.is_empty() => Ok(EntryKind::OnAir { loaded_at: None, filling: None }),
        "on-air" => {
            let celsius = within("a load at °C", measured(Kind::Temperature)?, -30.0, 100.0)?;
            Ok(EntryKind::OnAir { loaded_at: Some(Celsius(celsius)), filling: None })
        }
        "off-air" => Ok(EntryKind::OffAir),
        "watered" if matches!(unit, "min" | "h" | "s") => {
            let minutes = within("minutes", measured(Kind::Duration)? / 60.0, 0.0, 1_440.0)?;
            Ok(EntryKind::Watered { minutes: Some(minutes), litres: None })
        }
        "watered" => {
            let litres = within("litres", measured(Kind::Water)?, 0.0, 100_000.0)?;
            Ok(EntryKind::Watered { minutes: None, litres: Some(Litres(litres)) })
        }
        "sampled" => {
            let moisture_percent = within("moisture in percent", measured(Kind::Fraction)? * 100.0, 2.0, 95.0)?;
            Ok(EntryKind::Sampled { moisture_percent, sd_percent: SAMPLE_SD_PERCENT })
        }
        "valve" => {
            let percent = if unit.is_empty() { number(amount)? } else { measured(Kind::Fraction)? * 100.0 };
            Ok(EntryKind::Valve { open_percent: within("percent open", percent, 0.0, 100.0)? })
        }
        _ => EntryKind::plain(word).ok_or_else(|| {
            let fitting =
                WITH_AMOUNT.into_iter().chain(PLAIN.iter().map(EntryKind::key)).collect::<Vec<_>>().join(", ");
            let what = if ENTRY_WORDS.contains(&word) {
                "has more to say than a number (write it as JSON under amount, as `hypocaust log list --json` has it under `says`)"
            } else {
                "is no kind of entry"
            };
            format!("`{}` {what}; write one of {fitting}", told(word))
        }),
    }
}

/// A cell as a message repeats it.
fn told(text: &str) -> String {
    text.chars().take(CELL_TOLD).collect()
}

fn named<'a>(names: impl Iterator<Item = &'a str>) -> String {
    let all: Vec<&str> = names.collect();
    let more = all.len().saturating_sub(NAMES_TOLD);
    let mut text = all[..all.len() - more].join(", ");
    if more > 0 {
        text.push_str(&format!(" and {more} more"));
    }
    if text.is_empty() { "none".into() } else { text }
}
