//! What people write in the site's log, and the batches that follow from it.
//!
//! Must never be overwritten: a correction is a new entry.

use std::fmt;

use pile::time::{Span, Timestamp};
use pile::units::{Celsius, CubicMetres, Kelvin, Kilograms, Litres, Metres, Readable};

use crate::bounds;
use crate::ids::{BinId, ProbeId};
use crate::model::{Display, Position};
use crate::recipe::{CUBIC_METRES_PER_CUBIC_YARD, KILOGRAMS_PER_POUND, LITRES_PER_GALLON};

/// A number that names one entry for ever.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct EntryId(pub u64);

/// One line of the log, about one bin.
#[derive(Clone, Debug, PartialEq)]
pub struct Entry {
    /// Its number; 0 until it is in the log.
    pub id: EntryId,
    /// When it happened, as the person says.
    pub at: Timestamp,
    /// Which bin it is about.
    pub bin: BinId,
    /// What happened.
    pub kind: EntryKind,
    /// Who says so.
    pub by: String,
    /// Anything else worth keeping; may be empty.
    pub note: String,
    /// The batch that it is about, filled in when it is taken into the log.
    pub batch: Option<BatchId>,
}

/// In the place of a bin: the entry is about the whole site. Only what needs no bin may be: a smell, a complaint, a repair, a note.
pub const WHOLE_SITE: &str = "whole-site";

/// What happened.
#[derive(Clone, Debug, PartialEq)]
pub enum EntryKind {
    /// The bin was filled and its air switched on: a batch begins.
    OnAir {
        /// Temperature of the material when it was loaded, where somebody measured it.
        loaded_at: Option<Celsius>,
        /// What was filled in, where somebody wrote it down.
        filling: Option<Filled>,
    },
    /// Material was brought to the bin.
    Loaded {
        /// Whose it is, or where it comes from.
        source: String,
        /// What it is, such as `food waste`.
        material: String,
        /// How much.
        amount: Amount,
        /// Whether it went in, or was turned away.
        taken: Taken,
    },
    /// The air was switched off for good: the batch leaves the hot stage.
    OffAir,
    /// The batch went to another stage, to another bin, or both.
    Moved {
        /// Curing or storage; the stage stays when left out.
        stage: Option<Stage>,
        /// The bin where it is now; it stays when left out.
        into: Option<BinId>,
    },
    /// A part of the batch went into another, empty bin and is a batch of its own there.
    Split {
        /// Where the part went.
        into: BinId,
        /// How much of it went, in percent.
        share_percent: f64,
    },
    /// The whole batch went into the bin of another and is a part of that now.
    Merged {
        /// The other's bin.
        into: BinId,
    },
    /// Compost left the site.
    Shipped {
        /// The buyer, or what it is used for.
        to: String,
        /// How much.
        amount: Amount,
        /// Whether there is more of it.
        rest: Rest,
    },
    /// A person read a thermometer.
    HandReading {
        /// Where it was stuck in.
        position: Position,
        /// What it showed.
        celsius: Celsius,
        /// How deep, from the surface of the pile, where somebody wrote it down.
        depth: Option<Metres>,
    },
    /// The surface has sunk.
    SettledDepth {
        /// Depth of the material that is left, in metres.
        metres: f64,
    },
    /// A laboratory's result.
    LabResult {
        /// What was looked for, such as `salmonella`.
        analyte: String,
        /// The number; with `below` the limit of what can be found.
        value: f64,
        /// It is below that number.
        below: bool,
        /// The unit as the laboratory wrote it.
        unit: String,
        /// Which laboratory.
        laboratory: String,
        /// By which method.
        method: String,
        /// When the sample was taken.
        sampled_at: Timestamp,
    },
    /// A probe was held against something whose temperature is known.
    Calibrated {
        /// Which probe.
        probe: ProbeId,
        /// Against what.
        against: Against,
        /// What the probe showed.
        showed: Celsius,
        /// How warm it was in truth.
        truth: Celsius,
        /// It passes when it is not further off than this.
        allowed: Kelvin,
        /// When the next check is due.
        due: Option<Timestamp>,
    },
    /// A probe was put into this bin, or elsewhere in it; from then on its readings are of this place.
    Placed {
        /// Which probe.
        probe: ProbeId,
        /// Where it is now.
        position: Position,
        /// How deep, from the surface of the pile.
        depth: Option<Metres>,
    },
    /// Water was added.
    Watered {
        /// How long the hose ran, in minutes.
        minutes: Option<f64>,
        /// How much went in.
        litres: Option<Litres>,
    },
    /// A sample was dried and its moisture found.
    Sampled {
        /// Moisture in percent of the wet mass, 2 to 95.
        moisture_percent: f64,
        /// How well that stands for the whole bin: one standard deviation in percent of the wet mass, 0.1 to 30.
        sd_percent: f64,
    },
    /// The bin's valve was set.
    Valve {
        /// Opening in percent, 0 closed to 100 open.
        open_percent: f64,
    },
    /// The probes were pulled out of the material.
    ProbesOut,
    /// The probes were put back into the material.
    ProbesBack,
    /// The bin was opened, or its material uncovered.
    Opened,
    /// The material was turned or remixed.
    Turned,
    /// The blower's schedule or the way of its air was changed.
    AirChanged,
    /// It smells, in the words of the note.
    Smell,
    /// Somebody complained, in the words of the note.
    Complaint,
    /// Something was repaired, in the words of the note.
    Repair,
    /// Something worth keeping, in the words of the note.
    Note,
    /// An earlier entry was wrong. It stays in the log; this one says how it really was, and the note says why.
    Corrected {
        /// The entry that was wrong.
        of: EntryId,
        /// What holds instead; `None` when it never happened.
        really: Option<Box<Really>>,
    },
}

/// How something that an entry tells of really was.
#[derive(Clone, Debug, PartialEq)]
pub struct Really {
    /// When it happened.
    pub at: Timestamp,
    /// What happened; of the same kind as in the entry that was wrong.
    pub kind: EntryKind,
}

/// What a probe was checked against.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Against {
    /// Melting ice: 0 °C at any height above the sea.
    Ice,
    /// Boiling water: its temperature falls with the height above the sea.
    Boiling,
    /// A reference thermometer.
    Thermometer,
}

/// The word of everything a probe can be checked against.
pub const AGAINST: [(Against, &str); 3] =
    [(Against::Ice, "ice"), (Against::Boiling, "boiling"), (Against::Thermometer, "thermometer")];

/// A probe passes its check within this of the truth, unless somebody says otherwise: common practice, no source.
pub const CHECK_ALLOWED: Kelvin = Kelvin(1.0);
/// A probe that is off by more is broken, or one of the two numbers is a slip: no reading is corrected by so much (our own bound), for that
/// would hide a fire or invent one.
pub const CORRECTED_KELVIN_MOST: f64 = 20.0;

/// The longest note, characters (our own bound): two pages.
pub const NOTE_CHARS_MAX: usize = 4_000;
/// The longest name of somebody who writes in the log, characters (our own bound).
pub const NAME_CHARS_MAX: usize = 120;
/// Less water than this is not worth a line, and a nought is a slip (our own bound).
pub const WATERED_LITRES_LEAST: f64 = 0.1;
/// A hose that ran for less brought nothing (our own bound).
pub const WATERED_MINUTES_LEAST: f64 = 0.1;
/// A depth is measured from the surface down, and is at least a centimetre (our own bound).
pub const DEPTH_METRES_LEAST: f64 = 0.01;

/// A probe's next check is due after this, unless somebody says otherwise: common practice, no source.
pub const CHECK_DUE: Span = Span::days(180);

/// How much material.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Amount {
    /// Weighed.
    Mass(Kilograms),
    /// By the bucket or trailer.
    Volume(CubicMetres),
}

/// Whether material went in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Taken {
    /// It did.
    In,
    /// It was turned away; the note says why.
    Rejected,
}

/// Whether something of a batch is left.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Rest {
    /// There is more of it.
    Stays,
    /// That was all of it: the batch is gone.
    Nothing,
}

/// What went into a bin; the water account begins with it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Filled {
    /// Its mass, water included.
    pub wet_mass: Kilograms,
    /// It was weighed, and not worked out from volume and density.
    pub weighed: bool,
    /// Moisture in percent of the wet mass, where it is known.
    pub moisture_percent: Option<f64>,
    /// The share of the dry mass that can decay, in percent, where it is known.
    pub degradable_percent: Option<f64>,
    /// Carbon to nitrogen of the mix, by mass, where it is known.
    pub carbon_to_nitrogen: Option<f64>,
    /// Largest particles, in millimetres, where they were measured.
    pub particle_millimetres: Option<f64>,
    /// Thickness of the cover layer, where there is one.
    pub cover: Option<Metres>,
}

impl Filled {
    /// So much, of which nothing else is known.
    pub fn of(wet_mass: Kilograms) -> Filled {
        Filled {
            wet_mass,
            weighed: false,
            moisture_percent: None,
            degradable_percent: None,
            carbon_to_nitrogen: None,
            particle_millimetres: None,
            cover: None,
        }
    }
}

/// Every kind that says all it has to say by its name.
pub const PLAIN: [EntryKind; 9] = [
    EntryKind::ProbesOut,
    EntryKind::ProbesBack,
    EntryKind::Opened,
    EntryKind::Turned,
    EntryKind::AirChanged,
    EntryKind::Smell,
    EntryKind::Complaint,
    EntryKind::Repair,
    EntryKind::Note,
];

/// The word of every kind.
pub const ENTRY_WORDS: [&str; 25] = [
    "loaded",
    "on-air",
    "off-air",
    "moved",
    "split",
    "merged",
    "shipped",
    "hand-reading",
    "settled-depth",
    "lab-result",
    "calibrated",
    "placed",
    "watered",
    "sampled",
    "valve",
    "probes-out",
    "probes-back",
    "opened",
    "turned",
    "air-changed",
    "smell",
    "complaint",
    "repair",
    "note",
    "corrected",
];

/// Readings of a probe in the material count again this long after it was put back: it first has to warm up
/// (common practice, no source).
pub const PROBES_SETTLE: Span = Span::minutes(60);

/// A number that names one batch for ever.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct BatchId(pub u64);

/// What becomes of a batch over its life.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Stage {
    /// It is being filled in; its air is not on yet.
    Loading,
    /// Air is blown through it.
    OnAir,
    /// Its air is off; it has left the hot stage.
    OffAir,
    /// It matures without forced air.
    Curing,
    /// It is ready and waits.
    Storage,
    /// It has left the site, or was merged into another batch.
    Gone,
}

/// The word of every stage, for stores, listings and rules.
pub const STAGES: [(Stage, &str); 6] = [
    (Stage::Loading, "loading"),
    (Stage::OnAir, "on-air"),
    (Stage::OffAir, "off-air"),
    (Stage::Curing, "curing"),
    (Stage::Storage, "storage"),
    (Stage::Gone, "gone"),
];

/// One lot of material and its way through the site.
#[derive(Clone, Debug, PartialEq)]
pub struct Batch {
    /// Its number.
    pub id: BatchId,
    /// The bin it is in, or was in last.
    pub bin: BinId,
    /// When it came into that bin.
    pub in_bin_since: Timestamp,
    /// When raw material was last put in.
    pub loaded_last_at: Option<Timestamp>,
    /// When its air was switched on.
    pub on_air_at: Option<Timestamp>,
    /// When its air was switched off, if it was.
    pub off_air_at: Option<Timestamp>,
    /// When it began to cure.
    pub curing_at: Option<Timestamp>,
    /// When it was put into storage.
    pub storage_at: Option<Timestamp>,
    /// When it was gone.
    pub gone_at: Option<Timestamp>,
    /// Temperature of the material when it was loaded, where somebody measured it.
    pub loaded_at: Option<Celsius>,
    /// The batches that went into it, or that it was a part of.
    pub parents: Vec<BatchId>,
}

impl EntryKind {
    /// The word that stores, listings and rules use.
    pub fn key(&self) -> &'static str {
        match self {
            EntryKind::Loaded { .. } => "loaded",
            EntryKind::OnAir { .. } => "on-air",
            EntryKind::OffAir => "off-air",
            EntryKind::Moved { .. } => "moved",
            EntryKind::Split { .. } => "split",
            EntryKind::Merged { .. } => "merged",
            EntryKind::Shipped { .. } => "shipped",
            EntryKind::HandReading { .. } => "hand-reading",
            EntryKind::SettledDepth { .. } => "settled-depth",
            EntryKind::LabResult { .. } => "lab-result",
            EntryKind::Calibrated { .. } => "calibrated",
            EntryKind::Placed { .. } => "placed",
            EntryKind::Watered { .. } => "watered",
            EntryKind::Sampled { .. } => "sampled",
            EntryKind::Valve { .. } => "valve",
            EntryKind::ProbesOut => "probes-out",
            EntryKind::ProbesBack => "probes-back",
            EntryKind::Opened => "opened",
            EntryKind::Turned => "turned",
            EntryKind::AirChanged => "air-changed",
            EntryKind::Smell => "smell",
            EntryKind::Complaint => "complaint",
            EntryKind::Repair => "repair",
            EntryKind::Note => "note",
            EntryKind::Corrected { .. } => "corrected",
        }
    }

    /// Every instant that it tells of beside its own, with its name.
    pub fn instants(&self) -> Vec<(&'static str, Timestamp)> {
        match self {
            EntryKind::LabResult { sampled_at, .. } => vec![("when the sample was taken", *sampled_at)],
            EntryKind::Corrected { really: Some(really), .. } => {
                let mut all = vec![("when it really happened", really.at)];
                all.extend(really.kind.instants());
                all
            }
            _ => vec![],
        }
    }

    /// When something that it tells of is due; nested as corrections are.
    pub fn due(&self) -> Option<Timestamp> {
        match self {
            EntryKind::Calibrated { due, .. } => *due,
            EntryKind::Corrected { really: Some(really), .. } => really.kind.due(),
            _ => None,
        }
    }

    /// Whether what it says can be: amounts within what a site can have, words where words are needed.
    ///
    /// # Errors
    /// A sentence that names the amount and its range, or what is missing.
    pub fn check(&self, note: &str) -> Result<(), String> {
        self.check_in(note, Display::Metric)
    }

    /// [`EntryKind::check`], with amounts told in the units of a site.
    ///
    /// # Errors
    /// As there.
    pub fn check_in(&self, note: &str, units: Display) -> Result<(), String> {
        let within = |what: &str, value, low, high, unit: &str| within(units, what, value, low, high, unit);
        let words = |what: &str, text: &str| match text.trim().chars().count() {
            0 => Err(format!("{what} is missing")),
            1..=120 => Ok(()),
            n => Err(format!("{what} has {n} characters, more than 120; the note has room for more")),
        };
        let because = |what: &str| match note.trim().is_empty() {
            true => Err(format!("{what}: --note TEXT")),
            false => Ok(()),
        };
        match self {
            EntryKind::OnAir { loaded_at, filling } => {
                if let Some(celsius) = loaded_at {
                    within("loaded temperature", celsius.0, -30.0, 100.0, "°C")?;
                }
                let Some(filled) = filling else { return Ok(()) };
                within("mass", filled.wet_mass.0, 1.0, 1e7, "kg")?;
                for (what, value, low, high) in [
                    ("moisture", filled.moisture_percent, 5.0, 95.0),
                    ("degradable part", filled.degradable_percent, 5.0, 90.0),
                ] {
                    value.map_or(Ok(()), |value| within(what, value, low, high, "%"))?;
                }
                filled.carbon_to_nitrogen.map_or(Ok(()), |ratio| within("C:N", ratio, 3.0, 500.0, "to 1"))?;
                filled.particle_millimetres.map_or(Ok(()), |mm| within("particles", mm, 0.1, 2_000.0, "mm"))?;
                filled.cover.map_or(Ok(()), |cover| within("cover", cover.0, 0.0, 2.0, "m"))
            }
            EntryKind::Loaded { source, material, amount, taken } => {
                words("where the load comes from", source)?;
                words("what the load is", material)?;
                amount.check("load", units)?;
                if *taken == Taken::Rejected { because("say why it was turned away") } else { Ok(()) }
            }
            EntryKind::Watered { minutes, litres } => {
                if minutes.is_none() && litres.is_none() {
                    return Err("say how much: --minutes N or --water AMOUNT".into());
                }
                minutes.map_or(Ok(()), |m| within("minutes", m, 0.0, 1_440.0, "min"))?;
                litres.map_or(Ok(()), |l| within("water", l.0, 0.0, 100_000.0, "L"))
            }
            EntryKind::Sampled { moisture_percent, sd_percent } => {
                within("moisture", *moisture_percent, 2.0, 95.0, "%")?;
                within("standard deviation", *sd_percent, 0.1, 30.0, "%")
            }
            EntryKind::Valve { open_percent } => within("opening", *open_percent, 0.0, 100.0, "%"),
            EntryKind::Split { share_percent, .. } => within("share", *share_percent, 1.0, 99.0, "%"),
            EntryKind::Shipped { to, amount, .. } => {
                words("the buyer or use", to)?;
                amount.check("shipment", units)
            }
            EntryKind::HandReading { celsius, depth, .. } => {
                within("hand reading", celsius.0, -30.0, 120.0, "°C")?;
                depth.map_or(Ok(()), |depth| within("depth", depth.0, 0.0, 10.0, "m"))
            }
            EntryKind::SettledDepth { metres } => within("depth", *metres, 0.0, 20.0, "m"),
            EntryKind::LabResult { analyte, value, unit, laboratory, method, .. } => {
                words("what was looked for", analyte)?;
                words("the laboratory", laboratory)?;
                words("the method", method)?;
                words("the unit", unit)?;
                within("result", *value, 0.0, 1e12, unit)
            }
            EntryKind::Calibrated { showed, truth, allowed, .. } => {
                within("what the probe showed", showed.0, -40.0, 130.0, "°C")?;
                within("the true temperature", truth.0, -40.0, 130.0, "°C")?;
                let off = (showed.0 - truth.0).abs();
                if off > CORRECTED_KELVIN_MOST {
                    let (off, sign) = shown(units, off, OFF);
                    let (most, _) = shown(units, CORRECTED_KELVIN_MOST, OFF);
                    return Err(format!(
                        "the probe would be off by {off:.1} {sign}, and more than {most:.0} {sign} is not corrected: look at both numbers again, \
                         or replace the probe"
                    ));
                }
                within("how far it may be off", allowed.0, 0.1, 5.0, OFF)
            }
            EntryKind::Placed { position, depth, .. } => {
                if !position.in_bin() {
                    return Err(format!(
                        "a probe in a bin is at base, core, upper, cover, exhaust or plenum, not at {}",
                        position.key()
                    ));
                }
                depth.map_or(Ok(()), |depth| within("depth", depth.0, 0.0, 10.0, "m"))
            }
            EntryKind::Moved { stage: None, into: None } => {
                Err("say where it went: --to curing or --to storage, --into BIN, or both".into())
            }
            EntryKind::Moved { stage: Some(stage), .. } if !matches!(stage, Stage::Curing | Stage::Storage) => {
                Err(format!("a batch is moved to curing or storage, not to {}", stage.key()))
            }
            EntryKind::Smell | EntryKind::Complaint | EntryKind::Repair | EntryKind::Note => {
                because("an entry without words says nothing")
            }
            EntryKind::Corrected { really, .. } => {
                because("a correction needs its reason")?;
                really.as_ref().map_or(Ok(()), |really| really.kind.check_in(note, units))
            }
            EntryKind::OffAir
            | EntryKind::Moved { .. }
            | EntryKind::Merged { .. }
            | EntryKind::ProbesOut
            | EntryKind::ProbesBack
            | EntryKind::Opened
            | EntryKind::Turned
            | EntryKind::AirChanged => Ok(()),
        }
    }

    /// Whether its amounts are not less than somebody can mean. Apart from [`EntryKind::check`], because what is on record with a nought harms
    /// nobody and stays in use.
    ///
    /// # Errors
    /// A sentence that names the amount, the least one and what to do.
    pub fn check_least(&self) -> Result<(), String> {
        self.check_least_in(Display::Metric)
    }

    /// [`EntryKind::check_least`], with amounts told in the units of a site.
    ///
    /// # Errors
    /// As there.
    pub fn check_least_in(&self, units: Display) -> Result<(), String> {
        let at_least = |what: &str, value, least, unit: &str| at_least(units, what, value, least, unit);
        let depth = |depth: &Option<Metres>| depth.map_or(Ok(()), |d| at_least("depth", d.0, DEPTH_METRES_LEAST, "m"));
        match self {
            EntryKind::OnAir { filling: Some(Filled { cover: Some(cover), .. }), .. } => {
                at_least("cover", cover.0, 0.0, "m")
            }
            EntryKind::Watered { minutes, litres } => {
                minutes.map_or(Ok(()), |m| at_least("minutes", m, WATERED_MINUTES_LEAST, "min"))?;
                litres.map_or(Ok(()), |l| at_least("water", l.0, WATERED_LITRES_LEAST, "L"))
            }
            EntryKind::Valve { open_percent } => at_least("opening", *open_percent, 0.0, "%"),
            EntryKind::HandReading { depth: at, .. } | EntryKind::Placed { depth: at, .. } => depth(at),
            EntryKind::SettledDepth { metres } => depth(&Some(Metres(*metres))),
            EntryKind::LabResult { value, .. } => at_least("result", *value, 0.0, "of its unit"),
            EntryKind::Corrected { really: Some(really), .. } => really.kind.check_least_in(units),
            // All other amounts have a least one above nothing in their range, or may be below nothing.
            _ => Ok(()),
        }
    }

    /// Whether it may be about the whole site.
    pub fn needs_no_bin(&self) -> bool {
        match self {
            EntryKind::Smell | EntryKind::Complaint | EntryKind::Repair | EntryKind::Note => true,
            EntryKind::Corrected { really, .. } => really.as_ref().is_none_or(|really| really.kind.needs_no_bin()),
            _ => false,
        }
    }

    /// The kind of this word, where the word alone says it.
    pub fn plain(word: &str) -> Option<EntryKind> {
        PLAIN.into_iter().find(|kind| kind.key() == word)
    }
}

/// The entries that hold, each as its last correction says it was, in the order of their times.
pub fn in_force(entries: Vec<Entry>) -> Vec<Entry> {
    let (mut corrections, mut out): (Vec<Entry>, Vec<Entry>) =
        entries.into_iter().partition(|e| matches!(e.kind, EntryKind::Corrected { .. }));
    corrections.sort_by_key(|e| e.id);
    for correction in corrections {
        let EntryKind::Corrected { of, really } = correction.kind else { continue };
        match really {
            None => out.retain(|e| e.id != of),
            Some(really) => {
                for wrong in out.iter_mut().filter(|e| e.id == of) {
                    (wrong.at, wrong.kind) = (really.at, really.kind.clone());
                }
            }
        }
    }
    out.sort_by_key(|e| (e.at, e.id));
    out
}

/// When the probes of a bin were not in its material, warming up afterwards included: from, and until, which lies in the
/// distance while they are out. The entries are those of one bin in the order of their times.
pub fn probes_out(entries: &[Entry]) -> Vec<(Timestamp, Timestamp)> {
    let mut out: Vec<(Timestamp, Timestamp)> = vec![];
    for entry in entries {
        match (&entry.kind, out.last_mut()) {
            (EntryKind::ProbesOut, Some(last)) if entry.at <= last.1 => last.1 = Timestamp::MAX,
            (EntryKind::ProbesOut, _) => out.push((entry.at, Timestamp::MAX)),
            (EntryKind::ProbesBack, Some(last)) if last.1 == Timestamp::MAX => last.1 = entry.at + PROBES_SETTLE,
            _ => {}
        }
    }
    out
}

impl Entry {
    /// An entry as a person writes it, before it is in the log.
    pub fn new(at: Timestamp, bin: BinId, kind: EntryKind, by: &str, note: &str) -> Entry {
        Entry { id: EntryId(0), at, bin, kind, by: by.to_owned(), note: note.to_owned(), batch: None }
    }
}

/// Whether a text that somebody wrote is short enough to be kept and shown.
///
/// # Errors
/// A sentence with its length, the limit and what to do.
pub fn check_length(what: &str, text: &str, most: usize) -> Result<(), String> {
    match text.chars().count() {
        n if n > most => Err(format!(
            "{what}: it has {n} characters, more than the {most} there is room for; shorten it, or name the file that has the rest"
        )),
        _ => Ok(()),
    }
}

impl Entry {
    /// Whether its texts are short enough.
    ///
    /// # Errors
    /// Those of [`check_length`].
    pub fn check_texts(&self) -> Result<(), String> {
        check_length("who says so", &self.by, NAME_CHARS_MAX)?;
        check_length("note", &self.note, NOTE_CHARS_MAX)
    }

    /// Whether it may say something of a probe: where it is, or how far it is off.
    pub fn is_about_probes(&self) -> bool {
        matches!(self.kind, EntryKind::Calibrated { .. } | EntryKind::Placed { .. } | EntryKind::Corrected { .. })
    }
}

impl Batch {
    /// A batch that begins to be filled in at an instant.
    pub fn begun(id: BatchId, bin: BinId, at: Timestamp) -> Batch {
        Batch {
            id,
            bin,
            in_bin_since: at,
            loaded_last_at: None,
            on_air_at: None,
            off_air_at: None,
            curing_at: None,
            storage_at: None,
            gone_at: None,
            loaded_at: None,
            parents: Vec::new(),
        }
    }

    /// The first of its times that the calendar does not have, and what it is the time of: a batch with one cannot be judged.
    pub fn impossible_time(&self) -> Option<(&'static str, Timestamp)> {
        let times = [
            ("on air", self.on_air_at),
            ("in its bin", Some(self.in_bin_since)),
            ("loaded", self.loaded_last_at),
            ("off air", self.off_air_at),
            ("curing", self.curing_at),
            ("in storage", self.storage_at),
            ("gone", self.gone_at),
        ];
        times.into_iter().find_map(|(what, at)| Some((what, at.filter(|at| !bounds::is_of_calendar(*at))?)))
    }

    /// Whether the entry by which it began did not happen: its number is taken, and nothing else is left of it.
    pub fn never_was(&self) -> bool {
        self.gone_at == Some(self.in_bin_since) && self.on_air_at.is_none() && self.loaded_last_at.is_none()
    }

    /// The stage it is in at `now`.
    pub fn stage(&self, now: Timestamp) -> Stage {
        let reached = |at: Option<Timestamp>| at.is_some_and(|at| at <= now);
        match () {
            () if reached(self.gone_at) => Stage::Gone,
            () if reached(self.storage_at) => Stage::Storage,
            () if reached(self.curing_at) => Stage::Curing,
            () if reached(self.off_air_at) => Stage::OffAir,
            () if self.on_air_at.is_some() => Stage::OnAir,
            () => Stage::Loading,
        }
    }

    /// Since when it is in the stage in which it is at `now`.
    pub fn stage_since(&self, now: Timestamp) -> Option<Timestamp> {
        match self.stage(now) {
            Stage::Loading => Some(self.in_bin_since),
            Stage::OnAir => self.on_air_at,
            Stage::OffAir => self.off_air_at,
            Stage::Curing => self.curing_at,
            Stage::Storage => self.storage_at,
            Stage::Gone => self.gone_at,
        }
    }

    /// From when on readings of its bin tell of the heat that the whole of it was held at: since its air was switched on, it came into
    /// this bin and the last raw material went in, whichever was last. `None` before its air was switched on.
    pub fn counted_from(&self) -> Option<Timestamp> {
        let on_air = self.on_air_at?;
        Some(on_air.max(self.in_bin_since).max(self.loaded_last_at.unwrap_or(on_air)))
    }
}

impl Stage {
    /// The word of the stage.
    pub fn key(self) -> &'static str {
        STAGES.iter().find(|(stage, _)| *stage == self).map_or("", |(_, key)| key)
    }

    /// The stage of a word.
    pub fn named(word: &str) -> Option<Stage> {
        STAGES.iter().find(|(_, key)| *key == word).map(|(stage, _)| *stage)
    }
}

impl Against {
    /// The word of it.
    pub fn key(self) -> &'static str {
        AGAINST.iter().find(|(against, _)| *against == self).map_or("", |(_, key)| key)
    }

    /// What is meant by a word.
    pub fn named(word: &str) -> Option<Against> {
        AGAINST.iter().find(|(_, key)| *key == word).map(|(against, _)| *against)
    }
}

impl Amount {
    /// Several amounts together, masses and volumes apart, in the site's units.
    pub fn sum_words(all: &[Amount], display: Display) -> String {
        let (mut kilograms, mut cubic_metres) = (0.0, 0.0);
        for amount in all {
            match amount {
                Amount::Mass(mass) => kilograms += mass.0,
                Amount::Volume(volume) => cubic_metres += volume.0,
            }
        }
        let mass = match display {
            Display::Metric => format!("{kilograms:.0} kg"),
            Display::Us => format!("{:.0} lb", kilograms / KILOGRAMS_PER_POUND),
        };
        let volume = match display {
            Display::Metric => format!("{cubic_metres:.2} m³"),
            Display::Us => format!("{:.2} yd³", cubic_metres / CUBIC_METRES_PER_CUBIC_YARD),
        };
        match (kilograms > 0.0, cubic_metres > 0.0) {
            (true, true) => format!("{mass} and {volume}"),
            (false, true) => volume,
            _ => mass,
        }
    }

    fn check(self, what: &str, units: Display) -> Result<(), String> {
        match self {
            Amount::Mass(mass) => within(units, what, mass.0, 0.1, 1e7, "kg"),
            Amount::Volume(volume) => within(units, what, volume.0, 0.001, 1e5, "m³"),
        }
    }
}

/// The unit of a difference of temperatures, apart from that of a temperature.
const OFF: &str = "°C off";

/// A number in one of our units as a site writes it, and the sign of that unit.
fn shown(units: Display, value: f64, unit: &str) -> (f64, &str) {
    let (us, sign) = match (units, unit) {
        (Display::Metric, OFF) => return (value, "°C"),
        (Display::Us, OFF) => (value * 1.8, "°F"),
        (Display::Us, "°C") => (Celsius(value).fahrenheit(), "°F"),
        (Display::Us, "kg") => (value / KILOGRAMS_PER_POUND, "lb"),
        (Display::Us, "m³") => (value / CUBIC_METRES_PER_CUBIC_YARD, "yd³"),
        (Display::Us, "L") => (value / LITRES_PER_GALLON, "gal"),
        (Display::Us, "m") => (value / 0.304_8, "ft"),
        (Display::Us, "mm") => (value / 25.4, "in"),
        _ => return (value, unit),
    };
    // What was typed in the site's unit comes back as it was typed, and a bound has no more digits than anybody reads.
    let tidy = format!("{us:.5e}").parse().unwrap_or(us);
    (if value.is_finite() { tidy.clamp(-f64::MAX, f64::MAX) } else { us }, sign)
}

fn within(units: Display, what: &str, value: f64, low: f64, high: f64, unit: &str) -> Result<(), String> {
    let is_within = (low..=high).contains(&value);
    let ((told, sign), (low, _), (high, _)) =
        (shown(units, value, unit), shown(units, low, unit), shown(units, high, unit));
    let (told, low, high) = (Readable(told), Readable(low), Readable(high));
    if !value.is_finite() {
        Err(format!("{what}: {told} is no number; give one from {low} to {high} {sign}"))
    } else if !is_within {
        Err(format!("{what}: {told} {sign} is outside {low} to {high} {sign}; correct the number or its unit"))
    } else {
        Ok(())
    }
}

/// The range of an amount that somebody writes now; a zero with a sign is a slip wherever less than nothing cannot be.
fn at_least(units: Display, what: &str, value: f64, least: f64, unit: &str) -> Result<(), String> {
    let ((told, sign), (bound, _)) = (shown(units, value, unit), shown(units, least, unit));
    match value < least || value == 0.0 && value.is_sign_negative() {
        false => Ok(()),
        true if least > 0.0 => Err(format!(
            "{what}: {} {sign} is less than {} {sign}, the least that can be logged; correct the number, or leave the entry out if there was none",
            Readable(told),
            Readable(bound)
        )),
        true => Err(format!(
            "{what}: {} {sign} is less than nothing; write 0 without a sign, or correct the number",
            Readable(told)
        )),
    }
}

impl fmt::Display for EntryId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

impl fmt::Display for BatchId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slip_in_a_check_does_not_become_a_correction() {
        let check = |showed: f64, truth: f64| EntryKind::Calibrated {
            probe: ProbeId::new("p").expect("an id"),
            against: Against::Ice,
            showed: Celsius(showed),
            truth: Celsius(truth),
            allowed: CHECK_ALLOWED,
            due: None,
        };
        for (showed, truth, ok, why) in [
            (0.4, 0.0, true, "a good probe"),
            (20.0, 0.0, true, "as far as is corrected"),
            (20.1, 0.0, false, "further"),
            (84.0, 0.0, false, "84 for 8.4: every fire would be 84 K cooler"),
            (10.0, 100.0, false, "10 for 100: every pile would be on fire"),
        ] {
            assert_eq!(check(showed, truth).check("in a test").is_ok(), ok, "{why}");
        }
    }

    #[test]
    fn every_word_is_in_the_list_and_plain_ones_lead_back_to_their_kind() {
        for kind in PLAIN {
            assert!(ENTRY_WORDS.contains(&kind.key()), "{kind:?}");
            assert_eq!(EntryKind::plain(kind.key()), Some(kind));
        }
        assert_eq!(EntryKind::plain("watered"), None, "its amount belongs to it");
    }

    #[test]
    fn probes_are_out_until_an_hour_after_they_are_back() {
        let at = |hours: i64| Timestamp::from_millis(0) + Span::hours(hours);
        let (out, back, never) = (EntryKind::ProbesOut, EntryKind::ProbesBack, Timestamp::MAX);
        for (entries, want, why) in [
            (vec![], vec![], "they are in"),
            (vec![(2, &out)], vec![(at(2), never)], "they are out"),
            (vec![(2, &out), (5, &back)], vec![(at(2), at(6))], "they warm up for an hour"),
            (vec![(5, &back)], vec![], "they were never out"),
            (vec![(2, &out), (3, &out), (5, &back)], vec![(at(2), at(6))], "written twice"),
            (vec![(2, &out), (5, &back), (7, &back)], vec![(at(2), at(6))], "back once is back"),
            (vec![(2, &out), (5, &back), (8, &out)], vec![(at(2), at(6)), (at(8), never)], "out again"),
        ] {
            let bin = BinId::new("b").unwrap_or_else(|_| unreachable!("`b` is a name"));
            let entry =
                |(hours, kind): &(i64, &EntryKind)| Entry::new(at(*hours), bin.clone(), (*kind).clone(), "", "");
            let entries: Vec<Entry> = entries.iter().map(entry).collect();
            assert_eq!(probes_out(&entries), want, "{why}");
        }
    }
}
