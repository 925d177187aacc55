//! What people write in the site's log, as they type it: batches and entries.
//!
//! Must never do anything: it says what was asked for.

use clap::{Args, Subcommand};

/// Who, when and in what words; common to everything that a person writes.
#[derive(Debug, Args)]
pub struct Written {
    /// The bin.
    #[arg(long, value_name = "BIN")]
    pub bin: String,
    /// When it happened: `2026-03-10 07:00` by the site's clock, or RFC 3339; now when left out.
    #[arg(long, value_name = "TIME")]
    pub at: Option<String>,
    /// Who did it.
    #[arg(long, value_name = "NAME", default_value = "command line", env = "HYPOCAUST_BY")]
    pub by: String,
    /// Anything else worth keeping.
    #[arg(long, value_name = "TEXT", default_value = "")]
    pub note: String,
    /// Say once more that it was this early, where it was more than a year before the first reading.
    #[arg(long)]
    pub really_that_early: bool,
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
        #[arg(long, value_name = "AMOUNT")]
        amount: String,
        /// It was turned away; say why with --note.
        #[arg(long)]
        rejected: bool,
    },
    /// The bin was filled and its air switched on: a batch begins, and its clocks with it.
    OnAir {
        /// Who, when, where.
        #[command(flatten)]
        written: Written,
        /// Temperature of the material when it was loaded, in the site's unit (°C, or °F for a US site).
        #[arg(long, value_name = "DEGREES", allow_negative_numbers = true)]
        loaded: Option<f64>,
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
        /// How much of the batch went, in percent.
        #[arg(long, value_name = "PERCENT", default_value_t = 50.0)]
        share: f64,
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
    /// Compost left the site: all of the batch, or a part of it with --part.
    Ship {
        /// Who, when, where from.
        #[command(flatten)]
        written: Written,
        /// The buyer, or what it is used for.
        #[arg(long, value_name = "WHO")]
        to: String,
        /// How much: 800kg, 1200lb, 2m3, 3yd3.
        #[arg(long, value_name = "AMOUNT")]
        amount: String,
        /// There is more of it: the batch stays.
        #[arg(long)]
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
    /// Its weight with the water in it, in kg (lb for a US site).
    #[arg(long, value_name = "N", allow_negative_numbers = true)]
    pub mass: Option<f64>,
    /// Or its density as it lies, in kg/m³ (lb/yd³ for a US site); the bin is then taken as full.
    #[arg(long, value_name = "N", conflicts_with = "mass", allow_negative_numbers = true)]
    pub density: Option<f64>,
    /// Its moisture in percent of the wet mass; `hypocaust mix` works it out from a recipe.
    #[arg(long, value_name = "PERCENT", allow_negative_numbers = true)]
    pub moisture: Option<f64>,
    /// The part of the dry mass that can decay, in percent; 42 when left out.
    #[arg(long, value_name = "PERCENT", allow_negative_numbers = true)]
    pub degradable: Option<f64>,
    /// Its carbon to nitrogen, by mass; some criteria ask for it, and `hypocaust mix` works it out.
    #[arg(long, value_name = "RATIO", allow_negative_numbers = true)]
    pub carbon_to_nitrogen: Option<f64>,
    /// The largest particles, in mm (inches for a US site) or with its unit; some criteria ask for it.
    #[arg(long, value_name = "SIZE")]
    pub particles: Option<String>,
    /// The thickness of the cover layer, in metres (feet for a US site) or with its unit; depths below the cover are counted with it.
    #[arg(long, value_name = "DEPTH")]
    pub cover: Option<String>,
}

/// Log commands.
#[derive(Debug, Subcommand)]
pub enum LogCommand {
    /// Water was added; rules on temperature are quiet about the dip that follows.
    Watered {
        /// Who, when, where.
        #[command(flatten)]
        written: Written,
        /// How long the hose ran.
        #[arg(long, value_name = "N", required_unless_present = "litres", allow_negative_numbers = true)]
        minutes: Option<f64>,
        /// How much went in, in litres.
        #[arg(long, value_name = "L", allow_negative_numbers = true)]
        litres: Option<f64>,
    },
    /// A sample was dried: its moisture sets the water account right.
    #[command(visible_alias = "moisture-sample")]
    Sampled {
        /// Who, when, where.
        #[command(flatten)]
        written: Written,
        /// Moisture in percent of the wet mass.
        #[arg(long, value_name = "PERCENT", allow_negative_numbers = true)]
        moisture: f64,
        /// How well it stands for the whole bin, as one standard deviation: 3 for one grab, 1.5 for a mix of many.
        #[arg(long, value_name = "PERCENT", default_value_t = 3.0, allow_negative_numbers = true)]
        sd: f64,
    },
    /// The bin's valve was set.
    Valve {
        /// Who, when, where.
        #[command(flatten)]
        written: Written,
        /// Opening in percent, 0 closed to 100 open.
        #[arg(long, value_name = "PERCENT", allow_negative_numbers = true)]
        open: f64,
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
        temperature: String,
        /// How deep, from the surface, in metres (feet for a US site) or with its unit: 0.6, 18in. Criteria that ask for a depth count
        /// readings by hand only with it.
        #[arg(long, value_name = "DEPTH")]
        depth: Option<String>,
    },
    /// The surface has sunk: the depth of the material that is left.
    SettledDepth {
        /// Who, when, where.
        #[command(flatten)]
        written: Written,
        /// The depth, in metres (feet for a US site) or with its unit: 1.1, 3.6ft.
        #[arg(long, value_name = "DEPTH")]
        depth: String,
    },
    /// A laboratory's result.
    LabResult {
        /// Who writes it, when the result came, which bin's batch it is about.
        #[command(flatten)]
        written: Written,
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
        showed: String,
        /// What the thermometer showed; of ice and of water boiling at the site's elevation it is known.
        #[arg(long, value_name = "DEGREES", allow_hyphen_values = true, required_if_eq("against", "thermometer"))]
        truth: Option<String>,
        /// How far off it may be to pass, in kelvin. 1 K is common practice, no source: your permit decides.
        #[arg(long, value_name = "KELVIN", default_value_t = 1.0, allow_negative_numbers = true)]
        allowed: f64,
        /// When the next check is due; half a year later when left out.
        #[arg(long, value_name = "TIME")]
        due: Option<String>,
        /// When it was checked: `2026-03-10 07:00` by the site's clock, or RFC 3339; now when left out.
        #[arg(long, value_name = "TIME")]
        at: Option<String>,
        /// Who checked it.
        #[arg(long, value_name = "NAME", default_value = "command line", env = "HYPOCAUST_BY")]
        by: String,
        /// Anything else worth keeping.
        #[arg(long, value_name = "TEXT", default_value = "")]
        note: String,
        /// Say once more that it was this early, where it was more than a year before the first reading.
        #[arg(long)]
        really_that_early: bool,
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
        #[arg(long, value_name = "DEPTH")]
        depth: Option<String>,
    },
    /// It smells; say how and how strongly with --note.
    Smell(Written),
    /// Somebody complained; say who, about what and what was answered with --note.
    Complaint(Written),
    /// Something was repaired; say what with --note.
    Repair(Written),
    /// Anything else worth keeping; give it with --note.
    Note(Written),
    /// An earlier entry was wrong: it stays in the log, and this says how it really was.
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
        amount: Option<String>,
        /// Say once more that it was this early, where it was more than a year before the first reading.
        #[arg(long)]
        really_that_early: bool,
    },
    /// List the entries of a bin with their numbers, newest last.
    List {
        /// The bin.
        #[arg(long, value_name = "BIN")]
        bin: String,
        /// Also those about earlier batches.
        #[arg(long)]
        all: bool,
        /// One JSON object a line.
        #[arg(long)]
        json: bool,
    },
}
