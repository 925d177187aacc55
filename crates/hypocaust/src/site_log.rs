//! `hypocaust batch` and `hypocaust log`: what people write down about bins, turned into entries; and the log and its batches, listed.
//!
//! Must never write past the daemon: an entry goes through it, or the command is the daemon for one step.

use std::path::Path;

use ledger::{Access, Ledger};
use pile::humid_air::boiling_at;
use pile::time::Timestamp;
use pile::units::{Celsius, CubicMetres, Kelvin, Kilograms, Litres, Metres};
use serde_json::{Value, json};
use site::entry::{
    Against, Amount, Batch, BatchId, CHECK_DUE, Entry, EntryId, EntryKind, Filled, Really, Rest, Stage, Taken,
};
use site::ids::{BinId, ProbeId};
use site::instruments::Instruments;
use site::measure::{self, Kind};
use site::model::{Display, Position, Site};
use site::recipe::{CUBIC_METRES_PER_CUBIC_YARD, KILOGRAMS_PER_POUND, LITRES_PER_GALLON};
use site::zone::rfc3339_utc;

use crate::cli::{BatchCommand, FilledArgs, LogCommand, Written};
use crate::clock::Clock;
use crate::commands::{CommandError, when, write};
use crate::socket::Request;
use crate::wiring;

/// Carries out one of the batch commands.
///
/// # Errors
/// When it is refused, and why.
pub fn batch(config: &Path, command: BatchCommand) -> Result<(), CommandError> {
    let site = wiring::settings(config)?.site;
    let (written, kind) = match command {
        BatchCommand::Load { written, source, material, amount, rejected } => {
            let taken = if rejected { Taken::Rejected } else { Taken::In };
            (written, EntryKind::Loaded { source, material, amount: amount_of(&amount)?, taken })
        }
        BatchCommand::OnAir { written, loaded, filled } => {
            let loaded_at = loaded.map(|t| match site.display {
                Display::Metric => Celsius(t),
                Display::Us => Celsius::from_fahrenheit(t),
            });
            let filling = filling(&site, &written.bin, &filled)?;
            (written, EntryKind::OnAir { loaded_at, filling })
        }
        BatchCommand::OffAir { written } => (written, EntryKind::OffAir),
        BatchCommand::Move { written, to, into } => {
            let stage = to.and_then(|word| Stage::named(&word));
            let into = into.map(|bin| bin_of(&bin)).transpose()?;
            (written, EntryKind::Moved { stage, into })
        }
        BatchCommand::Split { written, into, share } => {
            (written, EntryKind::Split { into: bin_of(&into)?, share_percent: share })
        }
        BatchCommand::Merge { written, into } => (written, EntryKind::Merged { into: bin_of(&into)? }),
        BatchCommand::Ship { written, to, amount, part } => {
            let rest = if part { Rest::Stays } else { Rest::Nothing };
            (written, EntryKind::Shipped { to, amount: amount_of(&amount)?, rest })
        }
        BatchCommand::Show { id, json } => return show(&site, BatchId(id), json),
        BatchCommand::List { all, json } => return list_batches(&site, all, json),
    };
    enter(&site, &written, &kind)
}

/// Carries out one of the log commands.
///
/// # Errors
/// When it is refused, and why.
pub fn log(config: &Path, command: LogCommand) -> Result<(), CommandError> {
    let site = wiring::settings(config)?.site;
    let (written, kind) = match command {
        LogCommand::Watered { written, minutes, litres } => {
            (written, EntryKind::Watered { minutes, litres: litres.map(Litres) })
        }
        LogCommand::Sampled { written, moisture, sd } => {
            (written, EntryKind::Sampled { moisture_percent: moisture, sd_percent: sd })
        }
        LogCommand::Valve { written, open } => (written, EntryKind::Valve { open_percent: open }),
        LogCommand::ProbesOut(written) => (written, EntryKind::ProbesOut),
        LogCommand::ProbesBack(written) => (written, EntryKind::ProbesBack),
        LogCommand::Opened(written) => (written, EntryKind::Opened),
        LogCommand::Turned(written) => (written, EntryKind::Turned),
        LogCommand::AirChanged(written) => (written, EntryKind::AirChanged),
        LogCommand::Smell(written) => (written, EntryKind::Smell),
        LogCommand::Complaint(written) => (written, EntryKind::Complaint),
        LogCommand::Repair(written) => (written, EntryKind::Repair),
        LogCommand::Note(written) => (written, EntryKind::Note),
        LogCommand::HandReading { written, position, temperature, depth } => {
            let depth = depth.map(|text| read(&text, Kind::Length, length_unit(&site)).map(Metres)).transpose()?;
            let position = position_of(&position)?;
            let celsius = Celsius(read(&temperature, Kind::Temperature, temperature_unit(&site))?);
            (written, EntryKind::HandReading { position, celsius, depth })
        }
        LogCommand::ProbePlaced { written, probe, position, depth } => {
            let depth = depth.map(|text| read(&text, Kind::Length, length_unit(&site)).map(Metres)).transpose()?;
            let probe = probe_of(&site, &probe)?;
            (written, EntryKind::Placed { probe, position: position_of(&position)?, depth })
        }
        LogCommand::ProbeChecked { probe, against, showed, truth, allowed, due, at, by, note, really_that_early } => {
            let probe = probe_of(&site, &probe)?;
            let at = when(&site, at.as_deref())?;
            let against = Against::named(&against)
                .ok_or_else(|| CommandError::Usage("a probe is checked against ice, boiling or thermometer".into()))?;
            let degrees = |text: &str| read(text, Kind::Temperature, temperature_unit(&site)).map(Celsius);
            let truth = match (against, truth) {
                (_, Some(text)) => degrees(&text)?,
                (Against::Boiling, None) => {
                    boiling_at(site.elevation).map_err(|e| CommandError::Refused(e.to_string()))?
                }
                (Against::Ice | Against::Thermometer, None) => Celsius(0.0),
            };
            let due = match due {
                Some(text) => when(&site, Some(&text))?,
                None => at + CHECK_DUE,
            };
            let (showed, allowed, due) = (degrees(&showed)?, Kelvin(allowed), Some(due));
            let bin = bin_of_probe(&site, &probe, at)?;
            let kind = EntryKind::Calibrated { probe, against, showed, truth, allowed, due };
            let request = request(bin.as_str(), at, &by, &note, &kind)?;
            return write(&site, &request.that_early(really_that_early));
        }
        LogCommand::SettledDepth { written, depth } => {
            (written, EntryKind::SettledDepth { metres: read(&depth, Kind::Length, length_unit(&site))? })
        }
        LogCommand::LabResult { written, analyte, value, unit, laboratory, method, sampled } => {
            let (below, number) = match value.trim().strip_prefix('<') {
                Some(limit) => (true, limit.trim()),
                None => (false, value.trim()),
            };
            let number = number.parse().map_err(|_| {
                CommandError::Usage(format!(
                    "--value: `{value}` is no number; write 120, or <3 for less than can be found"
                ))
            })?;
            let sampled_at = when(&site, Some(&sampled))?;
            (written, EntryKind::LabResult { analyte, value: number, below, unit, laboratory, method, sampled_at })
        }
        LogCommand::Correct { id, by, reason, never, really_at, amount, really_that_early } => {
            let now = Clock::live().now();
            if never {
                // Of one that cannot be read only its bin is known, and that is enough to withdraw it.
                let bin = bin_of_entry(&site, EntryId(id))?;
                let kind = EntryKind::Corrected { of: EntryId(id), really: None };
                return write(&site, &Request::entry(bin.as_str(), now, &by, &reason, &kind));
            }
            let entry = entry(&site, EntryId(id))?;
            let really = Really {
                at: really_at.map_or(Ok(entry.at), |text| when(&site, Some(&text)))?,
                kind: amount.map_or_else(|| Ok(entry.kind.clone()), |text| with_amount(&entry.kind, &text))?,
            };
            let kind = EntryKind::Corrected { of: EntryId(id), really: Some(Box::new(really)) };
            let request = request(entry.bin.as_str(), now, &by, &reason, &kind)?;
            return write(&site, &request.that_early(really_that_early));
        }
        LogCommand::List { bin, all, json } => return list_entries(&site, &bin, all, json),
    };
    enter(&site, &written, &kind)
}

fn enter(site: &Site, written: &Written, kind: &EntryKind) -> Result<(), CommandError> {
    let at = when(site, written.at.as_deref())?;
    let request = request(&written.bin, at, &written.by, &written.note, kind)?;
    write(site, &request.that_early(written.really_that_early))
}

/// The request for an entry whose amounts can be: JSON has no words for what is not a number, so the daemon would be told of none at all.
fn request(bin: &str, at: Timestamp, by: &str, note: &str, kind: &EntryKind) -> Result<Request, CommandError> {
    kind.check_least().and_then(|()| kind.check(note)).map_err(CommandError::Refused)?;
    Ok(Request::entry(bin, at, by, note, kind))
}

fn bin_of(text: &str) -> Result<BinId, CommandError> {
    BinId::new(text).map_err(|e| CommandError::Usage(e.to_string()))
}

fn position_of(word: &str) -> Result<Position, CommandError> {
    Position::named(word).ok_or_else(|| CommandError::Usage(format!("there is no position `{word}`")))
}

fn probe_of(site: &Site, text: &str) -> Result<ProbeId, CommandError> {
    ProbeId::new(text).ok().filter(|id| site.probes.contains_key(id)).ok_or_else(|| {
        let known: Vec<_> = site.probes.keys().map(ProbeId::as_str).collect();
        CommandError::Usage(format!("there is no probe `{text}`; the settings have {}", known.join(", ")))
    })
}

/// The bin that a probe was in.
fn bin_of_probe(site: &Site, probe: &ProbeId, at: Timestamp) -> Result<BinId, CommandError> {
    let entries = match Ledger::open(&site.data_folder, Access::Read) {
        Ok(ledger) => ledger.entries()?,
        // Nothing was ever written: the probe is where the settings have it.
        Err(_) => Vec::new(),
    };
    let stays = Instruments::of(&entries).stays(site, probe);
    let stay = stays.into_iter().find(|stay| stay.from <= at && at < stay.until);
    stay.and_then(|stay| stay.bin).ok_or_else(|| {
        CommandError::Usage(format!(
            "probe {probe} serves the whole site; checks are kept of probes in bins, whose readings are judged"
        ))
    })
}

fn read(text: &str, kind: Kind, bare: Option<&str>) -> Result<f64, CommandError> {
    measure::read(text, kind, bare).map_err(|e| CommandError::Usage(e.to_string()))
}

fn temperature_unit(site: &Site) -> Option<&'static str> {
    Some(if site.display == Display::Us { "F" } else { "C" })
}

fn length_unit(site: &Site) -> Option<&'static str> {
    Some(if site.display == Display::Us { "ft" } else { "m" })
}

/// A mass or a volume with its unit.
fn amount_of(text: &str) -> Result<Amount, CommandError> {
    let mass = measure::read(text, Kind::Mass, None).map(|kg| Amount::Mass(Kilograms(kg)));
    let volume = || measure::read(text, Kind::Volume, None).map(|m3| Amount::Volume(CubicMetres(m3)));
    mass.or_else(|_| volume()).map_err(|_| {
        CommandError::Usage(format!(
            "`{text}` is no amount; write a mass or a volume with its unit: 800kg, 1200lb, 2m3, 3yd3"
        ))
    })
}

/// The same kind of entry with another amount.
fn with_amount(kind: &EntryKind, text: &str) -> Result<EntryKind, CommandError> {
    let mut kind = kind.clone();
    match &mut kind {
        EntryKind::Watered { minutes, litres } => match measure::read(text, Kind::Duration, None) {
            Ok(seconds) => (*minutes, *litres) = (Some(seconds / 60.0), None),
            Err(_) => (*minutes, *litres) = (None, Some(Litres(read(text, Kind::Water, None)?))),
        },
        EntryKind::Loaded { amount, .. } | EntryKind::Shipped { amount, .. } => *amount = amount_of(text)?,
        EntryKind::Sampled { moisture_percent, .. } => *moisture_percent = read(text, Kind::Fraction, None)? * 100.0,
        EntryKind::Valve { open_percent } => *open_percent = read(text, Kind::Fraction, None)? * 100.0,
        EntryKind::HandReading { celsius, .. } => *celsius = Celsius(read(text, Kind::Temperature, None)?),
        EntryKind::SettledDepth { metres } => *metres = read(text, Kind::Length, None)?,
        EntryKind::OnAir { loaded_at, .. } => *loaded_at = Some(Celsius(read(text, Kind::Temperature, None)?)),
        other => {
            return Err(CommandError::Usage(format!("an entry `{}` has no amount that can be corrected", other.key())));
        }
    }
    Ok(kind)
}

/// What went into the bin, from its mass or from its density and the bin's volume.
fn filling(site: &Site, bin: &str, filled: &FilledArgs) -> Result<Option<Filled>, CommandError> {
    let us = site.display == Display::Us;
    let mass = |mass: f64| if us { mass * KILOGRAMS_PER_POUND } else { mass };
    let wet_kilograms = match (filled.mass, filled.density) {
        (Some(given), _) => mass(given),
        (None, Some(density)) => {
            let described = site.bins.values().find(|b| b.id.as_str() == bin);
            let volume = described.map(|b| b.volume.0).ok_or_else(|| {
                CommandError::Usage(format!("there is no bin `{bin}` in the settings, so its volume is not known"))
            })?;
            mass(density) * if us { volume / CUBIC_METRES_PER_CUBIC_YARD } else { volume }
        }
        (None, None)
            if filled.moisture.is_none()
                && filled.degradable.is_none()
                && filled.carbon_to_nitrogen.is_none()
                && filled.particles.is_none()
                && filled.cover.is_none() =>
        {
            return Ok(None);
        }
        (None, None) => {
            return Err(CommandError::Usage("say how much went in too: --mass N, or --density N".into()));
        }
    };
    Ok(Some(Filled {
        wet_mass: Kilograms(wet_kilograms),
        weighed: filled.mass.is_some(),
        moisture_percent: filled.moisture,
        degradable_percent: filled.degradable,
        carbon_to_nitrogen: filled.carbon_to_nitrogen,
        particle_millimetres: match &filled.particles {
            Some(text) => Some(read(text, Kind::Length, Some(if us { "in" } else { "mm" }))? * 1_000.0),
            None => None,
        },
        cover: filled
            .cover
            .as_deref()
            .map(|text| read(text, Kind::Length, length_unit(site)).map(Metres))
            .transpose()?,
    }))
}

fn bin_of_entry(site: &Site, id: EntryId) -> Result<BinId, CommandError> {
    let ledger = Ledger::open(&site.data_folder, Access::Read)?;
    // Where not even the bin can be read, any of the site will do: the daemon knows which entries it passes over.
    ledger.bin_of_entry(id)?.or_else(|| site.bins.keys().next().cloned()).ok_or_else(|| no_entry(id))
}

fn no_entry(id: EntryId) -> CommandError {
    CommandError::Usage(format!("there is no entry {id}; `hypocaust log list --bin BIN` shows them"))
}

fn entry(site: &Site, id: EntryId) -> Result<Entry, CommandError> {
    let ledger = Ledger::open(&site.data_folder, Access::Read)?;
    let found = ledger.entries()?.into_iter().find(|entry| entry.id == id);
    found.ok_or_else(|| no_entry(id))
}

fn list_entries(site: &Site, bin: &str, all: bool, as_json: bool) -> Result<(), CommandError> {
    let id = BinId::new(bin).ok().filter(|id| site.bins.contains_key(id)).ok_or_else(|| {
        let known: Vec<_> = site.bins.keys().map(BinId::as_str).collect();
        CommandError::Usage(format!("there is no bin `{bin}`; the settings have {}", known.join(", ")))
    })?;
    let ledger = Ledger::open(&site.data_folder, Access::Read)?;
    let here = ledger.batches()?.into_iter().filter(|b| b.bin == id && b.gone_at.is_none()).map(|b| b.id).next_back();
    let log = ledger.entries()?;
    let wanted = |e: &&Entry| e.bin == id && (all || here.is_none() || e.batch == here);
    let entries: Vec<&Entry> = log.iter().filter(wanted).collect();
    if entries.is_empty() && !as_json {
        println!(
            "no entry about bin {bin}{}",
            if all { "" } else { " and its batch; --all shows those about earlier ones" }
        );
    }
    for entry in entries {
        if as_json {
            println!("{}", entry_json(entry));
        } else {
            let corrected = correction_of(&log, entry.id).map(|by| format!(" (corrected by entry {by})"));
            println!("{}", entry_line(site, entry, &corrected.unwrap_or_default()));
        }
    }
    Ok(())
}

/// The newest correction of an entry.
fn correction_of(log: &[Entry], id: EntryId) -> Option<EntryId> {
    let corrects = |e: &&Entry| matches!(&e.kind, EntryKind::Corrected { of, .. } if *of == id);
    log.iter().filter(corrects).map(|e| e.id).max()
}

fn entry_line(site: &Site, entry: &Entry, remark: &str) -> String {
    let note = if entry.note.is_empty() { String::new() } else { format!(": {}", entry.note) };
    format!("{:>5}  {}  {} by {}{note}{remark}", entry.id, site.zone.show(entry.at), words(site, &entry.kind), entry.by)
}

fn entry_json(entry: &Entry) -> Value {
    let says: Value = serde_json::from_str(&ledger::entry_text(&entry.kind)).unwrap_or(Value::Null);
    json!({
        "entry": entry.id.0,
        "at": rfc3339_utc(entry.at),
        "bin": entry.bin.as_str(),
        "batch": entry.batch.map(|batch| batch.0),
        "kind": entry.kind.key(),
        "says": says,
        "by": entry.by,
        "note": entry.note,
    })
}

/// What an entry says, in the site's units.
pub(crate) fn words(site: &Site, kind: &EntryKind) -> String {
    let us = site.display == Display::Us;
    let celsius = |c: Celsius| if us { format!("{:.1} °F", c.fahrenheit()) } else { format!("{:.1} °C", c.0) };
    let amount = |amount: &Amount| match (amount, us) {
        (Amount::Mass(kg), false) => format!("{:.0} kg", kg.0),
        (Amount::Mass(kg), true) => format!("{:.0} lb", kg.0 / KILOGRAMS_PER_POUND),
        (Amount::Volume(m3), false) => format!("{:.2} m³", m3.0),
        (Amount::Volume(m3), true) => format!("{:.2} yd³", m3.0 / CUBIC_METRES_PER_CUBIC_YARD),
    };
    match kind {
        EntryKind::Loaded { source, material, amount: a, taken } => {
            let what = if *taken == Taken::In { "loaded" } else { "turned away" };
            format!("{what}: {} of {material} from {source}", amount(a))
        }
        EntryKind::OnAir { loaded_at, .. } => {
            format!("on air{}", loaded_at.map_or_else(String::new, |c| format!(", loaded at {}", celsius(c))))
        }
        EntryKind::OffAir => "off air".into(),
        EntryKind::Moved { stage, into } => {
            let to = stage.map_or_else(String::new, |stage| format!(" to {}", stage.key()));
            let into = into.as_ref().map_or_else(String::new, |bin| format!(" into bin {bin}"));
            format!("moved{to}{into}")
        }
        EntryKind::Split { into, share_percent } => format!("split: {share_percent:.0} % went into bin {into}"),
        EntryKind::Merged { into } => format!("merged into the batch in bin {into}"),
        EntryKind::Shipped { to, amount: a, rest } => {
            format!(
                "shipped: {} to {to}{}",
                amount(a),
                if *rest == Rest::Stays { "; there is more" } else { "; that was all" }
            )
        }
        EntryKind::Watered { minutes, litres } => {
            let minutes = minutes.map(|m| format!("{m:.1} min"));
            let litres = litres
                .map(|l| if us { format!("{:.0} gal", l.0 / LITRES_PER_GALLON) } else { format!("{:.0} L", l.0) });
            format!("watered: {}", [litres, minutes].into_iter().flatten().collect::<Vec<_>>().join(", "))
        }
        EntryKind::Sampled { moisture_percent, sd_percent } => {
            format!("sampled: moisture {moisture_percent:.1} % (± {sd_percent:.1})")
        }
        EntryKind::Valve { open_percent } => format!("valve open {open_percent:.0} %"),
        EntryKind::HandReading { position, celsius: c, .. } => {
            format!("hand reading, {}: {}", position.key(), celsius(*c))
        }
        EntryKind::SettledDepth { metres } => {
            format!("depth left: {}", if us { format!("{:.1} ft", metres / 0.304_8) } else { format!("{metres:.2} m") })
        }
        EntryKind::LabResult { analyte, value, below, unit, laboratory, method, sampled_at } => format!(
            "laboratory: {analyte} {}{value} {unit} ({laboratory}, {method}, sample of {})",
            if *below { "<" } else { "" },
            site.zone.show(*sampled_at)
        ),
        EntryKind::Calibrated { probe, against, showed, truth, allowed, due } => {
            let off = (showed.0 - truth.0).abs();
            let (off, unit) = if us { (off * 1.8, "°F") } else { (off, "K") };
            let word = if (showed.0 - truth.0).abs() <= allowed.0 { "passed" } else { "FAILED" };
            let due = due.map_or_else(String::new, |due| format!("; next check due {}", site.zone.show(due)));
            format!(
                "probe {probe} checked ({}): showed {} at {}, off by {off:.1} {unit}, {word}{due}",
                against.key(),
                celsius(*showed),
                celsius(*truth)
            )
        }
        EntryKind::Placed { probe, position, .. } => format!("probe {probe} is here now, at {}", position.key()),
        EntryKind::Corrected { of, really: None } => format!("entry {of} did not happen"),
        EntryKind::Corrected { of, really: Some(really) } => {
            format!("entry {of} really was {} at {}", words(site, &really.kind), site.zone.show(really.at))
        }
        plain => plain.key().replace('-', " "),
    }
}

fn list_batches(site: &Site, all: bool, as_json: bool) -> Result<(), CommandError> {
    let ledger = Ledger::open(&site.data_folder, Access::Read)?;
    let now = Clock::live().now();
    let mut batches = ledger.batches()?;
    batches.sort_by(|a, b| (&a.bin, a.id).cmp(&(&b.bin, b.id)));
    for bin in site.bins.keys() {
        let own = || batches.iter().filter(|b| b.bin == *bin);
        let here = own().rfind(|b| b.stage(now) != Stage::Gone);
        for batch in own().filter(|b| all || here.is_some_and(|here| here.id == b.id)) {
            if as_json {
                println!("{}", batch_json(batch, now));
            } else {
                println!("{:<12} {}", bin.as_str(), batch_line(site, batch, now));
            }
        }
        if here.is_none() && !as_json {
            println!("{:<12} empty; `hypocaust batch load` or `batch on-air --bin {bin}` begins a batch", bin.as_str());
        }
    }
    Ok(())
}

fn batch_line(site: &Site, batch: &Batch, now: Timestamp) -> String {
    let zone = &site.zone;
    let stage = batch.stage(now);
    let since = match stage {
        Stage::Loading => Some(batch.in_bin_since),
        Stage::OnAir => batch.on_air_at,
        Stage::OffAir => batch.off_air_at,
        Stage::Curing => batch.curing_at,
        Stage::Storage => batch.storage_at,
        Stage::Gone => batch.gone_at,
    };
    let since = since.map_or_else(String::new, |at| format!(" since {}, for {}", zone.show(at), now.since(at)));
    let on_air = match (stage, batch.on_air_at) {
        (Stage::OnAir, _) | (_, None) => String::new(),
        (_, Some(at)) => format!("; on air from {}", zone.show(at)),
    };
    format!("batch {:<5} {}{since}{on_air}", batch.id, stage.key().replace('-', " "))
}

fn batch_json(batch: &Batch, now: Timestamp) -> Value {
    let at = |at: Option<Timestamp>| at.map(rfc3339_utc);
    json!({
        "bin": batch.bin.as_str(),
        "batch": batch.id.0,
        "stage": batch.stage(now).key(),
        "in_bin_since": rfc3339_utc(batch.in_bin_since),
        "loaded_last_at": at(batch.loaded_last_at),
        "on_air_at": at(batch.on_air_at),
        "off_air_at": at(batch.off_air_at),
        "curing_at": at(batch.curing_at),
        "storage_at": at(batch.storage_at),
        "gone_at": at(batch.gone_at),
        "loaded_celsius": batch.loaded_at.map(|c| c.0),
        "parents": batch.parents.iter().map(|parent| parent.0).collect::<Vec<_>>(),
    })
}

fn show(site: &Site, id: BatchId, as_json: bool) -> Result<(), CommandError> {
    let ledger = Ledger::open(&site.data_folder, Access::Read)?;
    let now = Clock::live().now();
    let batches = ledger.batches()?;
    let Some(batch) = batches.iter().find(|b| b.id == id) else {
        return Err(CommandError::Usage(format!("there is no batch {id}; `hypocaust batch list --all` shows them")));
    };
    let log = ledger.entries()?;
    let entries: Vec<&Entry> = log.iter().filter(|e| e.batch == Some(id)).collect();
    let children: Vec<u64> = batches.iter().filter(|b| b.parents.contains(&id)).map(|b| b.id.0).collect();
    if as_json {
        let mut shown = batch_json(batch, now);
        shown["children"] = json!(children);
        shown["entries"] = entries.iter().map(|e| entry_json(e)).collect();
        println!("{shown}");
        return Ok(());
    }
    println!("Bin {}, {}", batch.bin, batch_line(site, batch, now));
    let stages = [
        ("first load, or in this bin since", Some(batch.in_bin_since)),
        ("last raw material", batch.loaded_last_at),
        ("on air", batch.on_air_at),
        ("off air", batch.off_air_at),
        ("curing", batch.curing_at),
        ("storage", batch.storage_at),
        ("gone", batch.gone_at),
    ];
    for (what, at) in stages.into_iter().filter_map(|(what, at)| Some((what, at?))) {
        println!("  {what:<33} {}", site.zone.show(at));
    }
    let numbers = |numbers: &[u64]| numbers.iter().map(u64::to_string).collect::<Vec<_>>().join(", ");
    let parents: Vec<u64> = batch.parents.iter().map(|parent| parent.0).collect();
    for (what, list) in [("came out of batches", parents), ("went into batches", children)] {
        if !list.is_empty() {
            println!("  {what:<33} {}", numbers(&list));
        }
    }
    println!("\nEntries");
    for entry in &entries {
        let corrected = correction_of(&log, entry.id).map(|by| format!(" (corrected by entry {by})"));
        println!("{}", entry_line(site, entry, &corrected.unwrap_or_default()));
    }
    if entries.is_empty() {
        println!("  none");
    }
    Ok(())
}
