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
    /// Bin [default: the whole site].
    #[arg(long, value_name = "BIN")]
    pub bin: Option<String>,
    /// Who, when, in what words.
    #[command(flatten)]
    pub said: Said,
}

/// Who, when, in what words.
#[derive(Debug, Args)]
pub struct Said {
    /// Time when it happened: 16:30, "yesterday 16:30", "monday 16:30" (the last one), "2026-03-10 07:00" by the site's clock, or RFC 3339 [default: now].
    #[arg(long, value_name = "TIME")]
    pub at: Option<String>,
    /// Name of who did it.
    #[arg(long, value_name = "NAME", default_value = "command line", env = "HYPOCAUST_BY")]
    pub by: String,
    /// Note: anything else worth keeping.
    #[arg(long, value_name = "TEXT", default_value = "")]
    pub note: String,
    /// Confirmation of a time more than a year before the first reading.
    #[arg(long)]
    pub really_that_early: bool,
    /// Confirmation of an amount that is far from what the bin can hold or needs.
    #[arg(long)]
    pub really: bool,
}

/// Batch commands.
#[derive(Debug, Subcommand)]
pub enum BatchCommand {
    /// Log a load of material that went into the bin, or was turned away. The first load of an empty bin begins a batch; repeat for each load.
    Load {
        /// Who, when, where.
        #[command(flatten)]
        written: Written,
        /// Owner or origin of the material.
        #[arg(long, value_name = "WHO")]
        source: String,
        /// Kind of material, such as `food waste`.
        #[arg(long, value_name = "WHAT")]
        material: String,
        /// Mass or volume with its unit: 800kg, 1200lb, 2m3, 3yd3.
        #[arg(long, value_name = "AMOUNT", allow_hyphen_values = true)]
        amount: Typed,
        /// Load that was turned away; say why with --note.
        #[arg(long)]
        rejected: bool,
    },
    /// Log that the bin was filled and its air switched on: a batch begins, and its clocks with it.
    OnAir {
        /// Who, when, where.
        #[command(flatten)]
        written: Written,
        /// Temperature of the material when it was loaded: 18C, 64F; a bare number is in °C (°F for a US site).
        #[arg(long, value_name = "DEGREES", allow_hyphen_values = true)]
        loaded: Option<Typed>,
        /// What was filled in; the water balance begins with it.
        #[command(flatten)]
        filled: FilledArgs,
    },
    /// Log that the air was switched off for good.
    OffAir {
        /// Who, when, where.
        #[command(flatten)]
        written: Written,
    },
    /// Log that the batch went to curing or storage, into another bin, or both.
    Move {
        /// Who, when, where from.
        #[command(flatten)]
        written: Written,
        /// New stage of the batch.
        #[arg(long, value_name = "STAGE", value_parser = ["curing", "storage"], required_unless_present = "into")]
        to: Option<String>,
        /// New bin of the batch; it must be empty.
        #[arg(long, value_name = "BIN")]
        into: Option<String>,
    },
    /// Log that a part of the batch went into another, empty bin: the part is a batch of its own there, with this one as its parent.
    Split {
        /// Who, when, where from.
        #[command(flatten)]
        written: Written,
        /// Bin of the part; it must be empty.
        #[arg(long, value_name = "BIN")]
        into: String,
        /// Share of the batch that went, in percent: 40, 40%.
        #[arg(long, value_name = "PERCENT", default_value = "50%", allow_hyphen_values = true)]
        share: Typed,
    },
    /// Log that the whole batch went into the bin of another batch and is a part of that batch from now on.
    Merge {
        /// Who, when, where from.
        #[command(flatten)]
        written: Written,
        /// Bin of the other batch.
        #[arg(long, value_name = "BIN")]
        into: String,
    },
    /// Log that compost left the site: a part of the batch, or the last of it with --all. Parts are added up; the batch stays until all has gone.
    Ship {
        /// Who, when, where from.
        #[command(flatten)]
        written: Written,
        /// Buyer or use.
        #[arg(long, value_name = "WHO")]
        to: String,
        /// Mass or volume with its unit: 800kg, 1200lb, 2m3, 3yd3.
        #[arg(long, value_name = "AMOUNT", allow_hyphen_values = true)]
        amount: Typed,
        /// Last part: the batch is gone and the bin is empty.
        #[arg(long)]
        all: bool,
        /// Part of the batch, as without this option.
        #[arg(long, hide = true, conflicts_with = "all")]
        part: bool,
    },
    /// Show one batch from its loads on: stages, parents, entries, what went in and what went out.
    Show {
        /// Number of the batch.
        id: u64,
        /// One JSON object.
        #[arg(long)]
        json: bool,
    },
    /// List the batches on the site, bin by bin.
    List {
        /// Batches that are gone as well.
        #[arg(long)]
        all: bool,
        /// One JSON object a line.
        #[arg(long)]
        json: bool,
    },
}

/// What was filled into a bin. Without it the water balance begins with a usual mix, and knows less.
#[derive(Debug, Args)]
pub struct FilledArgs {
    /// Recipe as for `hypocaust mix`, as a file or by its name in the folder of the settings: mass, moisture and C:N of the mix are kept with the batch.
    #[arg(long, value_name = "RECIPE.yaml", conflicts_with_all = ["mass", "density"])]
    pub recipe: Option<std::path::PathBuf>,
    /// Mass with the water in it: 1200kg, 2600lb; a bare number is in kg (lb for a US site).
    #[arg(long, value_name = "MASS", allow_hyphen_values = true)]
    pub mass: Option<Typed>,
    /// Density as it lies, in place of --mass, for a full bin: 550kg/m3, 850lb/yd3; a bare number is in kg/m³ (lb/yd³ for a US site).
    #[arg(long, value_name = "DENSITY", conflicts_with = "mass", allow_hyphen_values = true)]
    pub density: Option<Typed>,
    /// Moisture in percent of the wet mass: 55, 55%; `hypocaust mix` works it out from a recipe.
    #[arg(long, value_name = "PERCENT", allow_hyphen_values = true)]
    pub moisture: Option<Typed>,
    /// Degradable part of the dry mass in percent: 42, 42% [default: 42].
    #[arg(long, value_name = "PERCENT", allow_hyphen_values = true)]
    pub degradable: Option<Typed>,
    /// Carbon to nitrogen ratio by mass; some criteria ask for it, and `hypocaust mix` works it out.
    #[arg(long, value_name = "RATIO", allow_negative_numbers = true)]
    pub carbon_to_nitrogen: Option<f64>,
    /// Size of the largest particles, in mm (inches for a US site) or with its unit; some criteria ask for it.
    #[arg(long, value_name = "SIZE", allow_hyphen_values = true)]
    pub particles: Option<Typed>,
    /// Thickness of the cover layer, in metres (feet for a US site) or with its unit; depths below the cover are counted with it.
    #[arg(long, value_name = "DEPTH", allow_hyphen_values = true)]
    pub cover: Option<Typed>,
}

/// Log commands.
#[derive(Debug, Subcommand)]
pub enum LogCommand {
    /// Log water that was added; rules on temperature are quiet about the dip that follows.
    Watered {
        /// Who, when, where.
        #[command(flatten)]
        written: Written,
        /// Running time of the hose: 12, 12min, 90s; a bare number is in minutes.
        #[arg(long, value_name = "TIME", required_unless_present_any = ["litres", "water"], allow_hyphen_values = true)]
        minutes: Option<Typed>,
        /// Volume of water: 120L, 30gal; a bare number is in litres (gallons for a US site).
        #[arg(long, value_name = "WATER", conflicts_with = "litres", allow_hyphen_values = true)]
        water: Option<Typed>,
        /// Volume of water as for --water; a bare number is in litres at every site.
        #[arg(long, value_name = "WATER", allow_hyphen_values = true)]
        litres: Option<Typed>,
    },
    /// Log the moisture of a sample that was dried; the water balance is corrected with it.
    #[command(visible_alias = "moisture-sample")]
    Sampled {
        /// Who, when, where.
        #[command(flatten)]
        written: Written,
        /// Moisture in percent of the wet mass: 52, 52%.
        #[arg(long, value_name = "PERCENT", allow_hyphen_values = true)]
        moisture: Typed,
        /// Standard deviation of the sample against the whole bin, in percent: 3 for one grab, 1.5 for a mix of many.
        #[arg(long, value_name = "PERCENT", default_value = "3", allow_hyphen_values = true)]
        sd: Typed,
    },
    /// Log a new opening of the bin's valve.
    Valve {
        /// Who, when, where.
        #[command(flatten)]
        written: Written,
        /// Opening in percent, 0 closed to 100 open: 30, 30%.
        #[arg(long, value_name = "PERCENT", allow_hyphen_values = true)]
        open: Typed,
    },
    /// Log that the probes were pulled out of the material: rules judge nothing in it until an hour after `probes-back`.
    ProbesOut(Written),
    /// Log that the probes are back in the material.
    ProbesBack(Written),
    /// Log that the bin was opened, or its material uncovered.
    Opened(Written),
    /// Log that the material was turned or remixed.
    Turned(Written),
    /// Log a change of the blower's schedule or of the way of its air.
    AirChanged(Written),
    /// Log a temperature that somebody read from a thermometer in the pile.
    HandReading {
        /// Who, when, where.
        #[command(flatten)]
        written: Written,
        /// Position of the thermometer.
        #[arg(long, value_name = "WHERE", value_parser = ["base", "core", "upper"], default_value = "core")]
        position: String,
        /// Temperature that the thermometer showed, in the site's unit or with its own: 61.5, 143F.
        #[arg(long, value_name = "DEGREES", allow_hyphen_values = true)]
        temperature: Typed,
        /// Depth from the surface, in metres (feet for a US site) or with its unit: 0.6, 18in. Criteria that ask for a depth count
        /// readings by hand only with it.
        #[arg(long, value_name = "DEPTH", allow_hyphen_values = true)]
        depth: Option<Typed>,
    },
    /// Log the depth of the material that is left once the surface has sunk.
    SettledDepth {
        /// Who, when, where.
        #[command(flatten)]
        written: Written,
        /// Depth, in metres (feet for a US site) or with its unit: 1.1, 3.6ft.
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
        /// Analyte, such as `salmonella` or `faecal coliforms`.
        #[arg(long, value_name = "WHAT")]
        analyte: String,
        /// Result, or `<3` for less than can be found.
        #[arg(long, value_name = "NUMBER")]
        value: String,
        /// Unit as the laboratory wrote it, such as `MPN/g dry`.
        #[arg(long, value_name = "UNIT")]
        unit: String,
        /// Name of the laboratory.
        #[arg(long, value_name = "NAME")]
        laboratory: String,
        /// Method of the laboratory.
        #[arg(long, value_name = "METHOD")]
        method: String,
        /// Time when the sample was taken.
        #[arg(long, value_name = "TIME")]
        sampled: String,
    },
    /// Log the check of a probe against ice, boiling water or a reference thermometer; the correction holds from then on.
    ///
    /// Stir ice with a little water and wait two minutes; keep the probe off the bottom of a boiling pot, and mind the steam. Readings of
    /// a probe that failed are excluded back to its last good check, and count again from the next good one on.
    ProbeChecked {
        /// Probe.
        #[arg(long, value_name = "PROBE")]
        probe: String,
        /// Reference of the check.
        #[arg(long, value_name = "WHAT", value_parser = ["ice", "boiling", "thermometer"])]
        against: String,
        /// Temperature that the probe showed, in the site's unit or with its own: 0.4, 32.7F.
        #[arg(long, value_name = "DEGREES", allow_hyphen_values = true)]
        showed: Typed,
        /// Temperature that the thermometer showed [default: that of ice, or of water boiling at the site's elevation].
        #[arg(long, value_name = "DEGREES", allow_hyphen_values = true, required_if_eq("against", "thermometer"))]
        truth: Option<Typed>,
        /// Error with which the probe passes: 1C, 2F; a bare number is in °C (°F for a US site). 1 °C is common practice: your permit decides.
        #[arg(long, value_name = "DEGREES", default_value = "1C", allow_hyphen_values = true)]
        allowed: Typed,
        /// Time when the next check is due [default: half a year later].
        #[arg(long, value_name = "TIME")]
        due: Option<String>,
        /// Who, when, in what words.
        #[command(flatten)]
        said: Said,
    },
    /// Log that a probe was put into another bin, or elsewhere in its own: its readings are of that place from then on.
    ProbePlaced {
        /// Who, when, and the bin where it is now.
        #[command(flatten)]
        written: Written,
        /// Probe.
        #[arg(long, value_name = "PROBE")]
        probe: String,
        /// New position of the probe.
        #[arg(long, value_name = "WHERE", value_parser = ["base", "core", "upper", "cover", "exhaust", "plenum"])]
        position: String,
        /// Depth from the surface, in metres (feet for a US site) or with its unit [default: as before].
        #[arg(long, value_name = "DEPTH", allow_hyphen_values = true)]
        depth: Option<Typed>,
    },
    /// Log a smell; say how and how strongly with --note.
    Smell(WrittenAnywhere),
    /// Log a complaint; say who, about what and what was answered with --note.
    Complaint(WrittenAnywhere),
    /// Log a repair; say what with --note.
    Repair(WrittenAnywhere),
    /// Log anything else worth keeping; give it with --note.
    Note(WrittenAnywhere),
    /// Correct an earlier entry, or withdraw it: the entry stays in the log, with how it really was.
    ///
    /// With --never all that the entry did is taken back: a batch that was taken off air, moved, split, merged or shipped is where it was. With
    /// --really-at, --amount and --into the batches are as if it had been written so at once. A later entry that does not go with that is named,
    /// and nothing is kept.
    Correct {
        /// Number of the entry, as `hypocaust log list` shows it.
        id: u64,
        /// Name of who corrects it.
        #[arg(long, value_name = "NAME", default_value = "command line", env = "HYPOCAUST_BY")]
        by: String,
        /// Reason.
        #[arg(long, value_name = "TEXT")]
        reason: String,
        /// Withdrawal: the entry never happened.
        #[arg(long, conflicts_with_all = ["really_at", "amount", "into"])]
        never: bool,
        /// Time when it really happened.
        #[arg(long, value_name = "TIME", required_unless_present_any = ["never", "amount", "into"])]
        really_at: Option<String>,
        /// Amount that it really was, with its unit: 80L, 4min, 900kg, 2m3, 61.5C, 1.1m, 52%.
        #[arg(long, value_name = "AMOUNT", allow_hyphen_values = true)]
        amount: Option<Typed>,
        /// Bin into which the batch really went, of an entry that moved, split or merged it.
        #[arg(long, value_name = "BIN")]
        into: Option<String>,
        /// Confirmation of a time more than a year before the first reading.
        #[arg(long)]
        really_that_early: bool,
        /// Confirmation of an amount that is far from what the bin can hold or needs.
        #[arg(long)]
        really: bool,
    },
    /// List the entries of the site, or of a bin, with their numbers, newest last.
    List {
        /// Bin [default: the whole site].
        #[arg(long, value_name = "BIN")]
        bin: Option<String>,
        /// Entries about earlier batches as well; of the whole site, entries older than 14 days as well.
        #[arg(long)]
        all: bool,
        /// One JSON object a line.
        #[arg(long)]
        json: bool,
    },
}
