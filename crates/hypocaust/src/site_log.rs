//! `hypocaust batch` and `hypocaust log`: what people write down about bins, turned into entries; and the log and its batches, listed.
//!
//! Must never write past the daemon: an entry goes through it, or the command is the daemon for one step.

use std::path::Path;

use ledger::{Access, Ledger, ReadingFilter};
use pile::humid_air::boiling_at;
use pile::time::{Span, Timestamp};
use pile::units::{Celsius, Kelvin, Kilograms, Litres};
use serde_json::{Value, json};
use site::entry::{
    Against, Amount, Batch, BatchId, CHECK_DUE, Entry, EntryId, EntryKind, Filled, Really, Rest, Stage, Taken,
    WHOLE_SITE, in_force,
};
use site::ids::{BinId, ProbeId};
use site::instruments::Instruments;
use site::measure::{self, Kind};
use site::model::{Display, Position, Site};
use site::quantity::Quantity;
use site::reading::{Quality, Source};
use site::recipe::{CUBIC_METRES_PER_CUBIC_YARD, KILOGRAMS_PER_POUND, LITRES_PER_GALLON};
use site::zone::rfc3339_utc;

use crate::cli::{BatchCommand, FilledArgs, LogCommand, Typed, Written, WrittenAnywhere};
use crate::clock::Clock;
use crate::commands::{CommandError, when, when_due, write};
use crate::socket::Request;
use crate::{amounts, mixing, wiring};

/// Carries out one of the batch commands.
///
/// # Errors
/// When it is refused, and why.
pub fn batch(config: &Path, command: BatchCommand) -> Result<(), CommandError> {
    let site = wiring::settings(config)?.site;
    let (written, kind) = match command {
        BatchCommand::Load { written, source, material, amount, rejected } => {
            let taken = if rejected { Taken::Rejected } else { Taken::In };
            (written, EntryKind::Loaded { source, material, amount: amounts::amount("amount", &amount)?, taken })
        }
        BatchCommand::OnAir { mut written, loaded, filled } => {
            let loaded_at = loaded.map(|t| amounts::celsius(&site, "loaded", &t)).transpose()?;
            let recipe = filled.recipe.as_deref().map(|name| mixing::filled(name, config, site.display)).transpose()?;
            let filling = filling(&site, &written.bin, &filled, recipe.as_ref().map(|mixed| mixed.filled))?;
            if let Some(mixed) = recipe {
                println!("{}", mixed.said);
                let apart = if written.said.note.is_empty() { "" } else { "; " };
                written.said.note = format!("{}{apart}mix: {}", written.said.note, mixed.name);
            }
            (written, EntryKind::OnAir { loaded_at, filling })
        }
        BatchCommand::OffAir { written } => (written, EntryKind::OffAir),
        BatchCommand::Move { written, to, into } => {
            let stage = to.and_then(|word| Stage::named(&word));
            let into = into.map(|bin| bin_of(&bin)).transpose()?;
            (written, EntryKind::Moved { stage, into })
        }
        BatchCommand::Split { written, into, share } => {
            let share_percent = amounts::percent("share", &share)?;
            (written, EntryKind::Split { into: bin_of(&into)?, share_percent })
        }
        BatchCommand::Merge { written, into } => (written, EntryKind::Merged { into: bin_of(&into)? }),
        BatchCommand::Ship { written, to, amount, all, part: _ } => {
            let rest = if all { Rest::Nothing } else { Rest::Stays };
            (written, EntryKind::Shipped { to, amount: amounts::amount("amount", &amount)?, rest })
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
    let depth_of = |depth: Option<Typed>| depth.map(|d| amounts::metres(&site, "depth", &d)).transpose();
    let anywhere = |written: WrittenAnywhere| Written {
        bin: written.bin.unwrap_or_else(|| WHOLE_SITE.to_owned()),
        said: written.said,
    };
    let (written, kind) = match command {
        LogCommand::Watered { written, minutes, water, litres } => {
            let minutes = minutes.map(|m| amounts::minutes(&site, "minutes", &m)).transpose()?;
            let litres = match (&water, &litres) {
                (Some(water), _) => Some(amounts::litres(&site, "water", water)?),
                (None, Some(litres)) => Some(Litres(amounts::with_unit("litres", litres, Kind::Water, Some("L"))?)),
                (None, None) => None,
            };
            (written, EntryKind::Watered { minutes, litres })
        }
        LogCommand::Sampled { written, moisture, sd } => {
            let moisture_percent = amounts::percent("moisture", &moisture)?;
            (written, EntryKind::Sampled { moisture_percent, sd_percent: amounts::percent("sd", &sd)? })
        }
        LogCommand::Valve { written, open } => {
            (written, EntryKind::Valve { open_percent: amounts::percent("open", &open)? })
        }
        LogCommand::ProbesOut(written) => (written, EntryKind::ProbesOut),
        LogCommand::ProbesBack(written) => (written, EntryKind::ProbesBack),
        LogCommand::Opened(written) => (written, EntryKind::Opened),
        LogCommand::Turned(written) => (written, EntryKind::Turned),
        LogCommand::AirChanged(written) => (written, EntryKind::AirChanged),
        LogCommand::Smell(written) => (anywhere(written), EntryKind::Smell),
        LogCommand::Complaint(written) => (anywhere(written), EntryKind::Complaint),
        LogCommand::Repair(written) => (anywhere(written), EntryKind::Repair),
        LogCommand::Note(written) => (anywhere(written), EntryKind::Note),
        LogCommand::HandReading { written, position, temperature, depth } => {
            let position = position_of(&position)?;
            let celsius = amounts::celsius(&site, "temperature", &temperature)?;
            (written, EntryKind::HandReading { position, celsius, depth: depth_of(depth)? })
        }
        LogCommand::ProbePlaced { written, probe, position, depth } => {
            let probe = probe_of(&site, &probe)?;
            let depth = depth_of(depth)?;
            (written, EntryKind::Placed { probe, position: position_of(&position)?, depth })
        }
        LogCommand::ProbeChecked { probe, against, showed, truth, allowed, due, said } => {
            let probe = probe_of(&site, &probe)?;
            let at = when(&site, said.at.as_deref())?;
            let against = Against::named(&against)
                .ok_or_else(|| CommandError::Usage("a probe is checked against ice, boiling or thermometer".into()))?;
            let truth = match (against, truth) {
                (_, Some(text)) => amounts::celsius(&site, "truth", &text)?,
                (Against::Boiling, None) => {
                    boiling_at(site.elevation).map_err(|e| CommandError::Refused(e.to_string()))?
                }
                (Against::Ice | Against::Thermometer, None) => Celsius(0.0),
            };
            let due = match due {
                Some(text) => when_due(&site, &text)?,
                None => at + CHECK_DUE,
            };
            let showed = amounts::celsius(&site, "showed", &showed)?;
            let allowed = Kelvin(amounts::read(&site, "allowed", &allowed, Kind::Difference)?);
            let bin = bin_of_probe(&site, &probe, at)?;
            let failed = (showed.0 - truth.0).abs() > allowed.0;
            let kind = EntryKind::Calibrated { probe: probe.clone(), against, showed, truth, allowed, due: Some(due) };
            let request = request(&site, bin.as_str(), at, &said.by, &said.note, &kind)?;
            write(&site, &request.that_early(said.really_that_early))?;
            return if failed { tell_taken_back(&site, &probe, at) } else { Ok(()) };
        }
        LogCommand::SettledDepth { written, depth } => {
            (written, EntryKind::SettledDepth { metres: amounts::metres(&site, "depth", &depth)?.0 })
        }
        LogCommand::LabResult { written, batch, analyte, value, unit, laboratory, method, sampled } => {
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
            let kind = EntryKind::LabResult { analyte, value: number, below, unit, laboratory, method, sampled_at };
            let batch = batch.map(BatchId);
            let bin = match (&written.bin, batch) {
                (None, Some(id)) => bin_of_batch(&site, id)?,
                (bin, _) => bin.clone().unwrap_or_default(),
            };
            let said = written.said;
            let at = when(&site, said.at.as_deref())?;
            let request = request(&site, &bin, at, &said.by, &said.note, &kind)?.of_batch(batch);
            return write(&site, &request.that_early(said.really_that_early));
        }
        LogCommand::Correct { id, by, reason, never, really_at, amount, into, really_that_early, really: meant } => {
            let now = Clock::live().now();
            if never {
                // Of one that cannot be read only its bin is known, and that is enough to withdraw it.
                let bin = bin_of_entry(&site, EntryId(id))?;
                let kind = EntryKind::Corrected { of: EntryId(id), really: None };
                return write(&site, &Request::entry(bin.as_str(), now, &by, &reason, &kind));
            }
            let entry = entry(&site, EntryId(id))?;
            let was = held_to_be(&site, &entry)?;
            let kind = amount.map_or_else(|| Ok(was.kind.clone()), |text| with_amount(&was.kind, &text))?;
            let really = Really {
                at: really_at.map_or(Ok(was.at), |text| when(&site, Some(&text)))?,
                kind: into.map_or_else(|| Ok(kind.clone()), |bin| with_bin(&kind, &bin))?,
            };
            let kind = EntryKind::Corrected { of: EntryId(id), really: Some(Box::new(really)) };
            let request = request(&site, entry.bin.as_str(), now, &by, &reason, &kind)?;
            amounts::meant(&site, entry.bin.as_str(), &kind, meant)?;
            return write(&site, &request.that_early(really_that_early));
        }
        LogCommand::List { bin, all, json } => return list_entries(&site, bin.as_deref(), all, json),
    };
    enter(&site, &written, &kind)
}

fn enter(site: &Site, written: &Written, kind: &EntryKind) -> Result<(), CommandError> {
    let said = &written.said;
    let at = when(site, said.at.as_deref())?;
    let request = request(site, &written.bin, at, &said.by, &said.note, kind)?;
    amounts::meant(site, &written.bin, kind, said.really)?;
    write(site, &request.that_early(said.really_that_early))
}

/// The request for an entry whose amounts can be: JSON has no words for what is not a number, so the daemon would be told of none at all.
fn request(
    site: &Site,
    bin: &str,
    at: Timestamp,
    by: &str,
    note: &str,
    kind: &EntryKind,
) -> Result<Request, CommandError> {
    kind.check_least_in(site.display)
        .and_then(|()| kind.check_in(note, site.display))
        .map_err(CommandError::Refused)?;
    Ok(Request::entry(bin, at, by, note, kind))
}

/// The bin that a batch is in, or was in last.
fn bin_of_batch(site: &Site, id: BatchId) -> Result<String, CommandError> {
    let batches = Ledger::open(&site.data_folder, Access::Read)?.batches()?;
    let found = batches.into_iter().find(|b| b.id == id).map(|b| b.bin.to_string());
    found.ok_or_else(|| {
        CommandError::Usage(format!("--batch: there is no batch {id}; `hypocaust batch list --all` shows them"))
    })
}

/// How many readings a failed check takes back from criteria, and of which batches.
fn tell_taken_back(site: &Site, probe: &ProbeId, at: Timestamp) -> Result<(), CommandError> {
    let ledger = Ledger::open(&site.data_folder, Access::Read)?;
    let entries = in_force(ledger.entries()?);
    let instruments = Instruments::of(&entries);
    let checks = instruments.checks(probe);
    let from = checks.iter().rev().find(|c| c.at < at && c.passed).map(|c| c.at);
    let until = checks.iter().find(|c| c.at > at && c.passed).map(|c| c.at);
    let filter = ReadingFilter {
        sources: vec![Source::Probe(probe.clone())],
        quantity: Some(Quantity::Temperature),
        from,
        to: until,
    };
    let (mut count, mut first, mut last) = (0u64, None, None);
    ledger.readings(&filter, &mut |row| {
        if row.quality == Quality::Good {
            count += 1;
            first = first.or(Some(row.reading.measured_at));
            last = Some(row.reading.measured_at);
        }
    })?;
    let (Some(first), Some(last)) = (first, last) else {
        println!("It has no readings there, so nothing is taken back from criteria.");
        return Ok(());
    };
    let stays = instruments.stays(site, probe);
    let was_in = |b: &&Batch| {
        let begun = b.on_air_at.map_or(b.in_bin_since, |on_air| on_air.min(b.in_bin_since));
        let here = |stay: &site::instruments::Stay| {
            stay.bin.as_ref() == Some(&b.bin)
                && stay.from <= last
                && stay.until > first
                && begun <= last.min(stay.until)
                && b.gone_at.unwrap_or(Timestamp::MAX) >= first.max(stay.from)
        };
        stays.iter().any(here)
    };
    let batches: Vec<String> = ledger.batches()?.iter().filter(was_in).map(|b| b.id.to_string()).collect();
    let of = match &batches[..] {
        [] => "of no batch".to_owned(),
        [one] => format!("of batch {one}"),
        many => format!("of batches {}", many.join(", ")),
    };
    println!(
        "Criteria do not count {count} readings of it, from {} to {}, {of}; they do not count the next ones either.",
        site.zone.show(first),
        site.zone.show(last)
    );
    Ok(())
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

/// What an entry says by its newest correction, so that one thing can be corrected after another.
fn held_to_be(site: &Site, entry: &Entry) -> Result<Really, CommandError> {
    let log = Ledger::open(&site.data_folder, Access::Read)?.entries()?;
    let corrections = log.into_iter().filter_map(|e| match e.kind {
        EntryKind::Corrected { of, really: Some(really) } if of == entry.id => Some((e.id, *really)),
        _ => None,
    });
    let newest = corrections.max_by_key(|(id, _)| *id).map(|(_, really)| really);
    Ok(newest.unwrap_or_else(|| Really { at: entry.at, kind: entry.kind.clone() }))
}

/// The same kind of entry with another bin to which the batch went.
fn with_bin(kind: &EntryKind, bin: &str) -> Result<EntryKind, CommandError> {
    let mut kind = kind.clone();
    match &mut kind {
        EntryKind::Moved { into: Some(into), .. } | EntryKind::Split { into, .. } | EntryKind::Merged { into } => {
            *into = bin_of(bin)?;
        }
        other => {
            return Err(CommandError::Usage(format!(
                "--into: an entry `{}` into no other bin cannot be corrected so; leave --into out",
                other.key()
            )));
        }
    }
    Ok(kind)
}

/// The same kind of entry with another amount.
fn with_amount(kind: &EntryKind, typed: &Typed) -> Result<EntryKind, CommandError> {
    let mut kind = kind.clone();
    // A correction is read years later: it says its unit.
    let read = |kind| amounts::with_unit("amount", typed, kind, None);
    let percent = || amounts::percent("amount", typed);
    match &mut kind {
        EntryKind::Watered { minutes, litres } => match measure::read(&typed.0, Kind::Duration, None) {
            Ok(seconds) => (*minutes, *litres) = (Some(seconds / 60.0), None),
            Err(_) => (*minutes, *litres) = (None, Some(Litres(read(Kind::Water)?))),
        },
        EntryKind::Loaded { amount, .. } | EntryKind::Shipped { amount, .. } => {
            *amount = amounts::amount("amount", typed)?;
        }
        EntryKind::Sampled { moisture_percent, .. } => *moisture_percent = percent()?,
        EntryKind::Split { share_percent, .. } => *share_percent = percent()?,
        EntryKind::Valve { open_percent } => *open_percent = percent()?,
        EntryKind::HandReading { celsius, .. } => *celsius = Celsius(read(Kind::Temperature)?),
        EntryKind::SettledDepth { metres } => *metres = read(Kind::Length)?,
        EntryKind::OnAir { loaded_at, .. } => *loaded_at = Some(Celsius(read(Kind::Temperature)?)),
        other => {
            return Err(CommandError::Usage(format!("an entry `{}` has no amount that can be corrected", other.key())));
        }
    }
    Ok(kind)
}

/// What went into the bin, from its mass, from its density and the bin's volume, or from a mix.
fn filling(site: &Site, bin: &str, typed: &FilledArgs, mixed: Option<Filled>) -> Result<Option<Filled>, CommandError> {
    let percent = |option: &str, typed: &Option<Typed>| typed.as_ref().map(|t| amounts::percent(option, t)).transpose();
    let begun = match (&typed.mass, &typed.density, mixed) {
        (_, _, Some(mixed)) => mixed,
        (Some(given), ..) => {
            Filled { weighed: true, ..Filled::of(Kilograms(amounts::read(site, "mass", given, Kind::Mass)?)) }
        }
        (None, Some(density), None) => {
            let described = site.bins.values().find(|b| b.id.as_str() == bin);
            let volume = described.map(|b| b.volume.0).ok_or_else(|| {
                CommandError::Usage(format!("there is no bin `{bin}` in the settings, so its volume is not known"))
            })?;
            Filled::of(Kilograms(amounts::read(site, "density", density, Kind::Density)? * volume))
        }
        (None, None, None)
            if typed.moisture.is_none()
                && typed.degradable.is_none()
                && typed.carbon_to_nitrogen.is_none()
                && typed.particles.is_none()
                && typed.cover.is_none() =>
        {
            return Ok(None);
        }
        (None, None, None) => {
            return Err(CommandError::Usage(
                "say how much went in too: --mass N, --density N, or --recipe FILE".into(),
            ));
        }
    };
    let small = if site.display == Display::Us { "in" } else { "mm" };
    let particles = typed.particles.as_ref().map(|t| amounts::with_unit("particles", t, Kind::Length, Some(small)));
    Ok(Some(Filled {
        moisture_percent: percent("moisture", &typed.moisture)?.or(begun.moisture_percent),
        degradable_percent: percent("degradable", &typed.degradable)?.or(begun.degradable_percent),
        carbon_to_nitrogen: typed.carbon_to_nitrogen.or(begun.carbon_to_nitrogen),
        particle_millimetres: particles.transpose()?.map(|m| m * 1_000.0),
        cover: typed.cover.as_ref().map(|t| amounts::metres(site, "cover", t)).transpose()?,
        ..begun
    }))
}

fn bin_of_entry(site: &Site, id: EntryId) -> Result<BinId, CommandError> {
    let ledger = Ledger::open(&site.data_folder, Access::Read)?;
    // Where not even the bin can be read, any of the site will do: the daemon knows which entries it passes over.
    ledger.bin_of_entry(id)?.or_else(|| site.bins.keys().next().cloned()).ok_or_else(|| no_entry(id))
}

fn no_entry(id: EntryId) -> CommandError {
    CommandError::Usage(format!("there is no entry {id}; `hypocaust log list --all` shows them"))
}

fn entry(site: &Site, id: EntryId) -> Result<Entry, CommandError> {
    let ledger = Ledger::open(&site.data_folder, Access::Read)?;
    let found = ledger.entries()?.into_iter().find(|entry| entry.id == id);
    found.ok_or_else(|| no_entry(id))
}

/// The whole site's log is listed for this long, unless all of it is asked for.
const LISTED_DAYS: i64 = 14;

fn list_entries(site: &Site, bin: Option<&str>, all: bool, as_json: bool) -> Result<(), CommandError> {
    let known = |bin: &str| {
        BinId::new(bin).ok().filter(|id| site.bins.contains_key(id) || bin == WHOLE_SITE).ok_or_else(|| {
            let known: Vec<_> = site.bins.keys().map(BinId::as_str).collect();
            CommandError::Usage(format!("there is no bin `{bin}`; the settings have {}", known.join(", ")))
        })
    };
    let id = bin.map(known).transpose()?;
    let ledger = Ledger::open(&site.data_folder, Access::Read)?;
    let log = ledger.entries()?;
    let since = Clock::live().now() - Span::days(LISTED_DAYS);
    let entries: Vec<&Entry> = match &id {
        Some(id) => {
            let in_it = ledger.batches()?.into_iter().filter(|b| b.bin == *id && b.gone_at.is_none());
            let here = in_it.map(|b| b.id).next_back();
            let wanted = |e: &&Entry| e.bin == *id && (all || here.is_none() || e.batch == here);
            log.iter().filter(wanted).collect()
        }
        None => log.iter().filter(|e| all || e.at >= since).collect(),
    };
    if entries.is_empty() && !as_json {
        match (&id, all) {
            (Some(id), false) => {
                println!("no entry about bin {id} and its batch; --all shows those about earlier ones")
            }
            (Some(id), true) => println!("no entry about bin {id}"),
            (None, false) => println!("no entry in the last {LISTED_DAYS} days; --all shows earlier ones"),
            (None, true) => println!("no entry"),
        }
    }
    for entry in entries {
        if as_json {
            println!("{}", entry_json(entry));
        } else {
            let corrected = correction_of(&log, entry.id).map(|by| format!(" (corrected by entry {by})"));
            let about = if id.is_none() { format!("{:<12} ", entry.bin.as_str()) } else { String::new() };
            println!("{}", entry_line(site, entry, &about, &corrected.unwrap_or_default()));
        }
    }
    Ok(())
}

/// The newest correction of an entry.
fn correction_of(log: &[Entry], id: EntryId) -> Option<EntryId> {
    let corrects = |e: &&Entry| matches!(&e.kind, EntryKind::Corrected { of, .. } if *of == id);
    log.iter().filter(corrects).map(|e| e.id).max()
}

fn entry_line(site: &Site, entry: &Entry, about: &str, remark: &str) -> String {
    let note = if entry.note.is_empty() { String::new() } else { format!(": {}", entry.note) };
    let (at, says) = (site.zone.show(entry.at), words(site, &entry.kind));
    format!("{:>5}  {at}  {about}{says} by {}{note}{remark}", entry.id, entry.by)
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
            let (off, unit) = if us { (off * 1.8, "°F") } else { (off, "°C") };
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
    if batch.never_was() {
        return format!("batch {:<5} never was: the entry by which it began was withdrawn", batch.id);
    }
    let since = batch.stage_since(now);
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
    let shipped = in_force(log.clone()).into_iter().filter(|e| e.batch == Some(id));
    let shipped: Vec<Amount> = shipped
        .filter_map(|e| if let EntryKind::Shipped { amount, .. } = e.kind { Some(amount) } else { None })
        .collect();
    if !shipped.is_empty() {
        let parts = if shipped.len() == 1 { "1 part".into() } else { format!("{} parts", shipped.len()) };
        println!("  {:<33} {} in {parts}", "shipped", Amount::sum_words(&shipped, site.display));
    }
    println!("\nEntries");
    for entry in &entries {
        let corrected = correction_of(&log, entry.id).map(|by| format!(" (corrected by entry {by})"));
        println!("{}", entry_line(site, entry, "", &corrected.unwrap_or_default()));
    }
    if entries.is_empty() {
        println!("  none");
    }
    Ok(())
}
