//! What people write in the site's log, as they type it: batches and entries.
//!
//! Must never do anything: it says what was asked for.

use clap::{Args, Subcommand};

/// An amount as somebody types it, read once the site's units are known: every option with an amount is of this type, and there is one reader
/// (`amounts`).
#[derive(Clone, Debug)]
pub struct Typed(pub String);

impl From<&str> for Typed {
    fn from(text: &str) -> Typed {
        Typed(text.to_owned())
    }
}

/// Who, when and in what words; common to everything that a person writes.
#[derive(Debug, Args)]
pub struct Written {
    /// Bin.
    #[arg(long, value_name = "BIN")]
    pub bin: String,
    /// Who, when, in what words.
    #[command(flatten)]
    pub said: Said,
}

/// The same of what may be about the whole site, or about a batch that has left its bin.
#[derive(Debug, Args)]
pub struct WrittenAnywhere {
    /// Bin; the whole site without it.
    #[arg(long, value_name = "BIN")]
    pub bin: Option<String>,
    /// Who, when, in what words.
    #[command(flatten)]
    pub said: Said,
}

/// Who, when, in what words.
#[derive(Debug, Args)]
pub struct Said {
    /// When it happened: 16:30, "yesterday 16:30", "monday 16:30" (the last one), "2026-03-10 07:00" by the site's clock, or RFC 3339 [default: now].
    #[arg(long, value_name = "TIME")]
    pub at: Option<String>,
    /// Who did it.
    #[arg(long, value_name = "NAME", default_value = "command line", env = "HYPOCAUST_BY")]
    pub by: String,
    /// Anything else worth keeping.
    #[arg(long, value_name = "TEXT", default_value = "")]
    pub note: String,
    /// Confirm a time more than a year before the first reading.
    #[arg(long)]
    pub really_that_early: bool,
    /// Confirm an amount that is far from what the bin can hold or needs.
    #[arg(long)]
    pub really: bool,
}

/// Batch commands.
#[derive(Debug, Subcommand)]
pub enum BatchCommand {
    /// Material was brought: it went into the bin, or was turned away. The first load of an empty bin begins a batch; may be repeated.
    Load {
        /// Who, when, where.
        #[command(flatten)]
        written: Written,
        /// Whose it is, or where it comes from.
        #[arg(long, value_name = "WHO")]
        source: String,
        /// What it is, such as `food waste`.
        #[arg(long, value_name = "WHAT")]
        material: String,
        /// How much, weighed or by volume: 800kg, 1200lb, 2m3, 3yd3.
        #[arg(long, value_name = "AMOUNT", allow_hyphen_values = true)]
        amount: Typed,
        /// It was turned away; say why with --note.
        #[arg(long)]
        rejected: bool,
    },
    /// The bin was filled and its air switched on: a batch begins, and its clocks with it.
    OnAir {
        /// Who, when, where.
        #[command(flatten)]
        written: Written,
        /// Temperature of the material when it was loaded: 18C, 64F; a bare number is in °C (°F for a US site).
        #[arg(long, value_name = "DEGREES", allow_hyphen_values = true)]
        loaded: Option<Typed>,
        /// What was filled in; the water account begins with it.
        #[command(flatten)]
        filled: FilledArgs,
    },
    /// The air was switched off for good.
    OffAir {
        /// Who, when, where.
        #[command(flatten)]
        written: Written,
    },
    /// The batch went to curing or storage, into another bin, or both.
    Move {
        /// Who, when, where from.
        #[command(flatten)]
        written: Written,
        /// The stage that it is in from now on.
        #[arg(long, value_name = "STAGE", value_parser = ["curing", "storage"], required_unless_present = "into")]
        to: Option<String>,
        /// The bin where it is from now on; it must be empty.
        #[arg(long, value_name = "BIN")]
        into: Option<String>,
    },
    /// A part of the batch went into another, empty bin; it is a batch of its own there, with this one as its parent.
    Split {
        /// Who, when, where from.
        #[command(flatten)]
        written: Written,
        /// The bin of the part.
        #[arg(long, value_name = "BIN")]
        into: String,
        /// How much of the batch went, in percent: 40, 40%.
        #[arg(long, value_name = "PERCENT", default_value = "50%", allow_hyphen_values = true)]
        share: Typed,
    },
    /// The whole batch went into the bin of another batch and is a part of that from now on.
    Merge {
        /// Who, when, where from.
        #[command(flatten)]
        written: Written,
        /// The other's bin.
        #[arg(long, value_name = "BIN")]
        into: String,
    },
    /// Log that compost left the site: a part of the batch, or the last of it with --all. Parts are added up; the batch stays until all has gone.
    Ship {
        /// Who, when, where from.
        #[command(flatten)]
        written: Written,
        /// The buyer, or what it is used for.
        #[arg(long, value_name = "WHO")]
        to: String,
        /// How much: 800kg, 1200lb, 2m3, 3yd3.
        #[arg(long, value_name = "AMOUNT", allow_hyphen_values = true)]
        amount: Typed,
        /// Nothing is left: the batch is gone and the bin is empty.
        #[arg(long)]
        all: bool,
        /// There is more of it; a part is meant without this too.
        #[arg(long, hide = true, conflicts_with = "all")]
        part: bool,
    },
    /// Show one batch from its loads on: stages, parents, entries, what came in and what went out.
    Show {
        /// Its number.
        id: u64,
        /// One JSON object.
        #[arg(long)]
        json: bool,
    },
    /// List the batches on the site, bin by bin.
    List {
        /// Also those that are gone.
        #[arg(long)]
        all: bool,
        /// One JSON object a line.
        #[arg(long)]
        json: bool,
    },
}

/// What was filled into a bin. Without it the water account begins with a usual mix, and knows less.
#[derive(Debug, Args)]
pub struct FilledArgs {
    /// Recipe as for `hypocaust mix`: mass, moisture and C:N of the mix are kept with the batch. A file, or its name in the folder of the settings.
    #[arg(long, value_name = "RECIPE.yaml", conflicts_with_all = ["mass", "density"])]
    pub recipe: Option<std::path::PathBuf>,
    /// Weight with the water in it: 1200kg, 2600lb; a bare number is in kg (lb for a US site).
    #[arg(long, value_name = "MASS", allow_hyphen_values = true)]
    pub mass: Option<Typed>,
    /// Or density as it lies: 550kg/m3, 850lb/yd3; a bare number is in kg/m³ (lb/yd³ for a US site). The bin is then taken as full.
    #[arg(long, value_name = "DENSITY", conflicts_with = "mass", allow_hyphen_values = true)]
    pub density: Option<Typed>,
    /// Moisture in percent of the wet mass: 55, 55%; `hypocaust mix` works it out from a recipe.
    #[arg(long, value_name = "PERCENT", allow_hyphen_values = true)]
    pub moisture: Option<Typed>,
    /// Part of the dry mass that can decay, in percent: 42, 42% [default: 42].
    #[arg(long, value_name = "PERCENT", allow_hyphen_values = true)]
    pub degradable: Option<Typed>,
    /// Its carbon to nitrogen, by mass; some criteria ask for it, and `hypocaust mix` works it out.
    #[arg(long, value_name = "RATIO", allow_negative_numbers = true)]
    pub carbon_to_nitrogen: Option<f64>,
    /// The largest particles, in mm (inches for a US site) or with its unit; some criteria ask for it.
    #[arg(long, value_name = "SIZE", allow_hyphen_values = true)]
    pub particles: Option<Typed>,
    /// The thickness of the cover layer, in metres (feet for a US site) or with its unit; depths below the cover are counted with it.
    #[arg(long, value_name = "DEPTH", allow_hyphen_values = true)]
    pub cover: Option<Typed>,
}

/// Log commands.
#[derive(Debug, Subcommand)]
pub enum LogCommand {
    /// Water was added; rules on temperature are quiet about the dip that follows.
    Watered {
        /// Who, when, where.
        #[command(flatten)]
        written: Written,
        /// How long the hose ran: 12, 12min, 90s; a bare number is in minutes.
        #[arg(long, value_name = "TIME", required_unless_present_any = ["litres", "water"], allow_hyphen_values = true)]
        minutes: Option<Typed>,
        /// How much went in: 120L, 30gal; a bare number is in litres (gallons for a US site).
        #[arg(long, value_name = "WATER", conflicts_with = "litres", allow_hyphen_values = true)]
        water: Option<Typed>,
        /// The same as --water; a bare number is in litres at every site.
        #[arg(long, value_name = "WATER", allow_hyphen_values = true)]
        litres: Option<Typed>,
    },
    /// A sample was dried: its moisture sets the water account right.
    #[command(visible_alias = "moisture-sample")]
    Sampled {
        /// Who, when, where.
        #[command(flatten)]
        written: Written,
        /// Moisture in percent of the wet mass: 52, 52%.
        #[arg(long, value_name = "PERCENT", allow_hyphen_values = true)]
        moisture: Typed,
        /// How well it represents the whole bin, as one standard deviation in percent: 3 for one grab, 1.5 for a mix of many.
        #[arg(long, value_name = "PERCENT", default_value = "3", allow_hyphen_values = true)]
        sd: Typed,
    },
    /// The bin's valve was set.
    Valve {
        /// Who, when, where.
        #[command(flatten)]
        written: Written,
        /// Opening in percent, 0 closed to 100 open: 30, 30%.
        #[arg(long, value_name = "PERCENT", allow_hyphen_values = true)]
        open: Typed,
    },
    /// The probes were pulled out of the material: rules judge nothing in it until an hour after `probes-back`.
    ProbesOut(Written),
    /// The probes are back in the material.
    ProbesBack(Written),
    /// The bin was opened, or its material uncovered.
    Opened(Written),
    /// The material was turned or remixed.
    Turned(Written),
    /// The blower's schedule or the way of its air was changed.
    AirChanged(Written),
    /// Somebody read a thermometer in the pile.
    HandReading {
        /// Who, when, where.
        #[command(flatten)]
        written: Written,
        /// Where it was stuck in.
        #[arg(long, value_name = "WHERE", value_parser = ["base", "core", "upper"], default_value = "core")]
        position: String,
        /// What it showed, in the site's unit or with its own: 61.5, 143F.
        #[arg(long, value_name = "DEGREES", allow_hyphen_values = true)]
        temperature: Typed,
        /// How deep, from the surface, in metres (feet for a US site) or with its unit: 0.6, 18in. Criteria that ask for a depth count
        /// readings by hand only with it.
        #[arg(long, value_name = "DEPTH", allow_hyphen_values = true)]
        depth: Option<Typed>,
    },
    /// The surface has sunk: the depth of the material that is left.
    SettledDepth {
        /// Who, when, where.
        #[command(flatten)]
        written: Written,
        /// The depth, in metres (feet for a US site) or with its unit: 1.1, 3.6ft.
        #[arg(long, value_name = "DEPTH", allow_hyphen_values = true)]
        depth: Typed,
    },
    /// Log a laboratory's result of a batch, also of one that has left its bin.
    LabResult {
        /// Who writes it, when the result came, which bin's batch it is about.
        #[command(flatten)]
        written: WrittenAnywhere,
        /// Batch that was sampled, by its number [default: the batch in the bin].
        #[arg(long, value_name = "N", required_unless_present = "bin")]
        batch: Option<u64>,
        /// What was looked for, such as `salmonella` or `faecal coliforms`.
        #[arg(long, value_name = "WHAT")]
        analyte: String,
        /// The number, or `<3` for less than can be found.
        #[arg(long, value_name = "NUMBER")]
        value: String,
        /// The unit as the laboratory wrote it, such as `MPN/g dry`.
        #[arg(long, value_name = "UNIT")]
        unit: String,
        /// Which laboratory.
        #[arg(long, value_name = "NAME")]
        laboratory: String,
        /// By which method.
        #[arg(long, value_name = "METHOD")]
        method: String,
        /// When the sample was taken.
        #[arg(long, value_name = "TIME")]
        sampled: String,
    },
    /// A probe was held into ice, boiling water or beside a reference thermometer: its correction holds from then on.
    ///
    /// Stir ice with a little water and wait two minutes; keep the probe off the bottom of a boiling pot, and mind the steam. A probe
    /// that failed is not believed back to its last good check, and counts again from the next good one on.
    ProbeChecked {
        /// The probe.
        #[arg(long, value_name = "PROBE")]
        probe: String,
        /// What it was held into or beside.
        #[arg(long, value_name = "WHAT", value_parser = ["ice", "boiling", "thermometer"])]
        against: String,
        /// What the probe showed, in the site's unit or with its own: 0.4, 32.7F.
        #[arg(long, value_name = "DEGREES", allow_hyphen_values = true)]
        showed: Typed,
        /// What the thermometer showed; of ice and of water boiling at the site's elevation it is known.
        #[arg(long, value_name = "DEGREES", allow_hyphen_values = true, required_if_eq("against", "thermometer"))]
        truth: Option<Typed>,
        /// How far off it may be to pass: 1C, 2F; a bare number is in °C (°F for a US site). 1 °C is common practice, no source: your permit decides.
        #[arg(long, value_name = "DEGREES", default_value = "1C", allow_hyphen_values = true)]
        allowed: Typed,
        /// When the next check is due; half a year later when left out.
        #[arg(long, value_name = "TIME")]
        due: Option<String>,
        /// Who, when, in what words.
        #[command(flatten)]
        said: Said,
    },
    /// A probe was put into another bin, or elsewhere in its own: its readings are of that place from then on.
    ProbePlaced {
        /// Who, when, and the bin where it is now.
        #[command(flatten)]
        written: Written,
        /// The probe.
        #[arg(long, value_name = "PROBE")]
        probe: String,
        /// Where it sits now.
        #[arg(long, value_name = "WHERE", value_parser = ["base", "core", "upper", "cover", "exhaust", "plenum"])]
        position: String,
        /// How deep, from the surface, in metres (feet for a US site) or with its unit; as before when left out.
        #[arg(long, value_name = "DEPTH", allow_hyphen_values = true)]
        depth: Option<Typed>,
    },
    /// It smells; say how and how strongly with --note.
    Smell(WrittenAnywhere),
    /// Somebody complained; say who, about what and what was answered with --note.
    Complaint(WrittenAnywhere),
    /// Something was repaired; say what with --note.
    Repair(WrittenAnywhere),
    /// Anything else worth keeping; give it with --note.
    Note(WrittenAnywhere),
    /// Correct an earlier entry: it stays in the log, and this says how it really was, or that it never happened.
    ///
    /// With --never all that the entry did is taken back: a batch that was taken off air, moved, split, merged or shipped is where it was. Where a
    /// later entry needs the one that is withdrawn, that one is named, and nothing is kept.
    Correct {
        /// The entry's number, as `hypocaust log list` shows it.
        id: u64,
        /// Who corrects it.
        #[arg(long, value_name = "NAME", default_value = "command line", env = "HYPOCAUST_BY")]
        by: String,
        /// Why.
        #[arg(long, value_name = "TEXT")]
        reason: String,
        /// It never happened.
        #[arg(long, conflicts_with_all = ["really_at", "amount"])]
        never: bool,
        /// When it really happened.
        #[arg(long, value_name = "TIME", required_unless_present_any = ["never", "amount"])]
        really_at: Option<String>,
        /// How much it really was, with its unit: 80L, 4min, 900kg, 2m3, 61.5C, 1.1m, 52%.
        #[arg(long, value_name = "AMOUNT", allow_hyphen_values = true)]
        amount: Option<Typed>,
        /// Confirm a time more than a year before the first reading.
        #[arg(long)]
        really_that_early: bool,
        /// Confirm an amount that is far from what the bin can hold or needs.
        #[arg(long)]
        really: bool,
    },
    /// List the entries of the site, or of a bin, with their numbers, newest last.
    List {
        /// Bin; the whole site without it.
        #[arg(long, value_name = "BIN")]
        bin: Option<String>,
        /// Also those about earlier batches; of the whole site, also those older than 14 days.
        #[arg(long)]
        all: bool,
        /// One JSON object a line.
        #[arg(long)]
        json: bool,
    },
}
