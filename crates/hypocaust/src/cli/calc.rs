//! The arguments of `hypocaust calc`, each in the unit that its name ends with unless it carries another: `140F`.
//!
//! Must never hold a default that is not said in its help.

use std::path::PathBuf;

use clap::{Args, Subcommand, ValueEnum};
use pile::time::Span;
use pile::units::{
    Celsius, CubicMetres, CubicMetresPerHour, Days, Fraction, Kelvin, Kilograms, KilogramsPerCubicMetre,
    KilogramsPerKilogram, Litres, LitresPerMinute, Metres, Pascals, PerDay, Watts, WattsPerSquareMetreKelvin,
};
use site::measure::{Kind, MeasureError, read};

use super::DisplayUnits;

/// Longest time that an argument may give: a century, beyond any batch and far from where milliseconds overflow.
const DAYS_MAX: f64 = 36_525.0;

/// The help of a command after its arguments: JSON keys, then an example that a test runs, with all that it prints.
macro_rules! help {
    ($keys:literal, $command:literal, $printed:literal) => {
        concat!(
            "JSON keys (SI, null where not known): ",
            $keys,
            "\n\nExample:\n\n",
            $command,
            "\n\nprints\n\n",
            include_str!(concat!("../../../../tests/golden/calc/", $printed))
        )
    };
}

/// What to compute.
#[derive(Debug, Subcommand)]
pub enum CalcCommand {
    /// Calculate humid air: dew point, wet bulb, humidity ratio, enthalpy, volume.
    #[command(after_long_help = help!(
        "humidity_ratio, dew_point_celsius,\nwet_bulb_celsius, enthalpy_joules_per_kilogram, specific_volume_cubic_metres_per_kilogram (these\nthree for each kilogram of dry air), vapour_pressure_pascals, saturation_pressure_pascals, pascals.",
        "hypocaust calc air --celsius 68F --relative-humidity-fraction 50%",
        "air.txt"
    ))]
    Air(AirArgs),
    /// Calculate what an air flow takes out of a pile that it leaves saturated: water and heat.
    #[command(after_long_help = help!(
        "water_removed_kilograms_per_day,\nwater_removed_low_kilograms_per_day and water_removed_high_kilograms_per_day (an exhaust 1 K colder and\nhotter, from 75 °C on), heat_from_bed_kilowatts, heat_total_kilowatts, heat_sensible_kilowatts, heat_latent_kilowatts,\ndry_air_kilograms_per_second, duty_fraction. heat_from_bed is heat_total less what the water\nbrought as a liquid, for a balance that keeps its water apart.",
        "hypocaust calc exhaust --inlet-celsius 41F --inlet-relative-humidity-fraction 80% \\\n  --flow-cubic-metres-per-hour 45cfm --exhaust-celsius 62 --on 45s --every 15min",
        "exhaust.txt"
    ))]
    Exhaust(ExhaustArgs),
    /// Calculate what condenses when the exhaust of a pile cools in a duct: litres a day, to size the drain.
    #[command(after_long_help = help!(
        "condensate_litres_per_day,\ncondensate_low_litres_per_day and condensate_high_litres_per_day (an exhaust 1 K colder and hotter, from\n75 °C on), condensate_litres_per_hour_while_running, heat_released_kilowatts, exhaust_humidity_ratio,\nleaving_humidity_ratio, duty_fraction.",
        "hypocaust calc condensate --inlet-celsius 5 --inlet-relative-humidity-fraction 0.8 \\\n  --flow-cubic-metres-per-hour 76 --exhaust-celsius 62 --duty-fraction 20% --cooled-to-celsius 30",
        "condensate.txt"
    ))]
    Condensate(CondensateArgs),
    /// Calculate whether a wall or roof gets wet from the air of its room.
    ///
    /// Give the surface's own temperature, or let it be computed from the outside temperature and the U-value.
    #[command(after_long_help = help!(
        "dew_point_celsius, surface_celsius,\nmargin_kelvin (zero or less: it gets wet), wet.",
        "hypocaust calc surface --celsius 15 --relative-humidity-fraction 0.85 --outside-celsius=-5 \\\n  --u-watts-per-square-metre-kelvin 2 --film roof",
        "surface.txt"
    ))]
    Surface(SurfaceArgs),
    /// Calculate how much of the time a blower must run, for oxygen and to hold a temperature, and its longest off-time.
    #[command(after_long_help = help!(
        "oxygen_uptake_kilograms_per_day,\nheat_watts, heat_to_carry_watts, batch_oxygen_kilograms, batch_air_cubic_metres,\noxygen_flow_cubic_metres_per_hour, oxygen_duty_fraction, heat_flow_cubic_metres_per_hour,\nheat_duty_fraction (above 1: the blower is too small), blower_is_enough, off_seconds_max (null\nwithout --volume-cubic-metres and --free-air-space-fraction).",
        "hypocaust calc duty --degradable-kilograms 350 --rate-per-day 0.06 --bed-celsius 60 \\\n  --leaving-oxygen-fraction 12% --inlet-celsius 10 --inlet-relative-humidity-fraction 0.7 \\\n  --blower-cubic-metres-per-hour 45cfm --volume-cubic-metres 2.5 --free-air-space-fraction 40%",
        "duty.txt"
    ))]
    Duty(DutyArgs),
    /// Analyse a file of temperatures: time above a threshold, longest run, coverage, mean, slope, spread.
    ///
    /// The file has a row of headings with `measured_at` (RFC 3339, or seconds) and `value`, in any order, oldest reading first.
    /// Values are in °C, or as a column `unit` says. What `hypocaust readings --csv` writes is read as it is: of a column
    /// `quantity` only the temperatures; where a column `probe` names several, choose one with --probe.
    #[command(after_long_help = help!(
        "readings, first_at, last_at, covered_seconds,\ncoverage_fraction, mean_celsius, above_seconds, at_or_above_seconds, longest_run_above_seconds,\nlongest_run_above_from, longest_run_at_or_above_seconds, longest_run_at_or_above_from,\nslope_kelvin_per_day, slope_low_kelvin_per_day, slope_high_kelvin_per_day (95 % bounds),\npercentile_5_celsius, median_celsius, percentile_95_celsius, mad_kelvin, unchanged_seconds,\nunchanged_from, unchanged_readings, step_kelvin, step_at. Times are written as the file writes them.",
        "hypocaust calc series demo-data/probe.csv --above-celsius 131F --gap-max 1h",
        "series.txt"
    ))]
    Series(SeriesArgs),
    /// Calculate how much of the time-temperature requirement of 40 CFR 503.32(a)(3) a file of temperatures adds up to. Information only.
    ///
    /// The file is that of `calc series`. The equation is that for 7 % solids and more; time below 50 °C adds nothing.
    #[command(after_long_help = help!(
        "fraction, fraction_with_floor (no time\nshorter than 20 minutes counts as the requirement), covered_seconds, coverage_fraction,\nat_or_above_50_celsius_seconds, note.",
        "hypocaust calc lethality demo-data/probe.csv --gap-max 1h",
        "lethality.txt"
    ))]
    Lethality(LethalityArgs),
    /// Calculate how long one temperature must be kept by 40 CFR 503.32(a)(3). Information only.
    #[command(after_long_help = help!(
        "required_days, equation_days (without the\nregime's shortest time), note.",
        "hypocaust calc d-time --celsius 131F",
        "d-time.txt"
    ))]
    DTime(DTimeArgs),
    /// Calculate the moisture of a batch from what went in, what air carried off and what was watered; and what heat it makes.
    ///
    /// The temperature of the bed is one for all days, or that of a file as for `calc series`.
    #[command(after_long_help = help!(
        "moisture_fraction, moisture_low_fraction,\nmoisture_high_fraction (95 % band), water_kilograms, dry_kilograms, water_formed_kilograms,\nwater_added_kilograms, water_removed_kilograms, litres_to_goal, litres_to_goal_low,\nlitres_to_goal_high, first_dose_litres, first_dose_only_if_dry, seconds_to_goal, first_dose_seconds,\nchill_kelvin (of the first dose), days_to_45_percent, days_to_45_percent_low, days_to_45_percent_high, drying\n(dries, there, getting_wetter, too_uncertain, too_young), generation_watts,\ngeneration_sd_watts, losses_watts, fall_without_activity_kelvin_per_day. Heat is that of the last\nday, or of all the time if that is shorter.",
        "hypocaust calc water --volume-cubic-metres 2.5 --density-kilograms-per-cubic-metre 900lb/yd3 \\\n  --moisture-fraction 60% --bed-celsius 140F --days 12 --inlet-celsius 41F \\\n  --flow-cubic-metres-per-hour 45cfm --on 90s --every 15min --watered 18gal@6d \\\n  --goal-fraction 55% --hose-litres-per-minute 4.75gpm",
        "water.txt"
    ))]
    Water(WaterArgs),
    /// Calculate how finished a batch is: self-heating and respiration classes, volume and mass lost, cool enough to hand on.
    ///
    /// Each measurement that is given is classed by itself, with the source of the classes.
    #[command(after_long_help = help!(
        "self_heating_class, respiration_class_a,\nrespiration_class_b, carbon_dioxide_milligrams_per_gram_day, within_pas_100, volume_loss_fraction,\nmass_loss_fraction, cool_enough_for_curing, cool_enough_for_sale, cool_enough_for_worms; only\nthose whose measurements are given.",
        "hypocaust calc stability --rise-kelvin 12 --respiration 4.2 --volume-before 2.5 --volume-after 1.6 \\\n  --pile-celsius 38 --ambient-celsius 14",
        "stability.txt"
    ))]
    Stability(StabilityArgs),
}

/// How an answer is printed.
#[derive(Clone, Copy, Debug, Args)]
pub struct Form {
    /// One JSON object; see below for its keys.
    #[arg(long)]
    pub json: bool,
    /// Units of what is printed for people; JSON is in SI.
    #[arg(long, value_enum, default_value_t = DisplayUnits::Metric, value_name = "UNITS")]
    pub units: DisplayUnits,
}

/// The pressure of the air.
#[derive(Clone, Copy, Debug, Args)]
pub struct Barometer {
    /// Air pressure [default: 101325 Pa].
    #[arg(long, value_parser = pascals, value_name = "PRESSURE", conflicts_with = "elevation_metres")]
    pub pascals: Option<Pascals>,
    /// Elevation of the site, in place of --pascals, for the mean pressure there.
    #[arg(long, value_parser = metres, value_name = "LENGTH", allow_hyphen_values = true)]
    pub elevation_metres: Option<Metres>,
}

/// Air before it enters a pile.
#[derive(Clone, Copy, Debug, Args)]
pub struct Inlet {
    /// Temperature of the air that the pile draws.
    #[arg(long, value_parser = celsius, value_name = "TEMPERATURE", allow_hyphen_values = true)]
    pub inlet_celsius: Celsius,
    /// Relative humidity of that air, 0 to 1.
    #[arg(long, value_parser = fraction, value_name = "FRACTION", allow_hyphen_values = true)]
    pub inlet_relative_humidity_fraction: Fraction,
    /// Its pressure.
    #[command(flatten)]
    pub barometer: Barometer,
}

/// How much of the time the blower runs.
#[derive(Clone, Copy, Debug, Args)]
pub struct Pulses {
    /// Part of the time that the blower runs [default: 1].
    #[arg(long, value_parser = fraction, value_name = "FRACTION", conflicts_with = "on", allow_hyphen_values = true)]
    pub duty_fraction: Option<Fraction>,
    /// On-time of a cycle, in place of --duty-fraction, such as 45s.
    #[arg(long, value_parser = span, value_name = "TIME", requires = "every")]
    pub on: Option<Span>,
    /// Length of a cycle, from one start of the blower to the next, such as 15min.
    #[arg(long, value_parser = span, value_name = "TIME", requires = "on")]
    pub every: Option<Span>,
}

/// Arguments of `calc air`.
#[derive(Debug, Args)]
pub struct AirArgs {
    /// Temperature of the air.
    #[arg(long, value_parser = celsius, value_name = "TEMPERATURE", allow_hyphen_values = true)]
    pub celsius: Celsius,
    /// Relative humidity, 0 to 1.
    #[arg(long, value_parser = fraction, value_name = "FRACTION", allow_hyphen_values = true)]
    pub relative_humidity_fraction: Fraction,
    /// Its pressure.
    #[command(flatten)]
    pub barometer: Barometer,
    /// How to print.
    #[command(flatten)]
    pub form: Form,
}

/// An air flow through a pile.
#[derive(Debug, Args)]
pub struct ThroughPile {
    /// The air that enters.
    #[command(flatten)]
    pub inlet: Inlet,
    /// Flow of the blower while it runs, as measured at its inlet.
    #[arg(long, value_parser = flow, value_name = "FLOW", allow_hyphen_values = true)]
    pub flow_cubic_metres_per_hour: CubicMetresPerHour,
    /// Temperature of the exhaust, which leaves saturated.
    #[arg(long, value_parser = celsius, value_name = "TEMPERATURE", allow_hyphen_values = true)]
    pub exhaust_celsius: Celsius,
    /// The blower's time.
    #[command(flatten)]
    pub pulses: Pulses,
}

/// Arguments of `calc exhaust`.
#[derive(Debug, Args)]
pub struct ExhaustArgs {
    /// The air.
    #[command(flatten)]
    pub through: ThroughPile,
    /// How to print.
    #[command(flatten)]
    pub form: Form,
}

/// Arguments of `calc condensate`.
#[derive(Debug, Args)]
pub struct CondensateArgs {
    /// The air.
    #[command(flatten)]
    pub through: ThroughPile,
    /// Temperature to which the duct cools the exhaust.
    #[arg(long, value_parser = celsius, value_name = "TEMPERATURE", allow_hyphen_values = true)]
    pub cooled_to_celsius: Celsius,
    /// How to print.
    #[command(flatten)]
    pub form: Form,
}

/// Arguments of `calc surface`.
#[derive(Debug, Args)]
pub struct SurfaceArgs {
    /// Temperature of the room.
    #[arg(long, value_parser = celsius, value_name = "TEMPERATURE", allow_hyphen_values = true)]
    pub celsius: Celsius,
    /// Relative humidity of the room, 0 to 1.
    #[arg(long, value_parser = fraction, value_name = "FRACTION", allow_hyphen_values = true)]
    pub relative_humidity_fraction: Fraction,
    /// Its pressure.
    #[command(flatten)]
    pub barometer: Barometer,
    /// Temperature of the surface, as measured.
    #[arg(
        long,
        value_parser = celsius,
        value_name = "TEMPERATURE",
        allow_hyphen_values = true,
        required_unless_present = "outside_celsius",
        conflicts_with = "outside_celsius"
    )]
    pub surface_celsius: Option<Celsius>,
    /// Temperature outside, to compute that of the surface.
    #[arg(
        long,
        value_parser = celsius,
        value_name = "TEMPERATURE",
        allow_hyphen_values = true,
        requires = "u_watts_per_square_metre_kelvin"
    )]
    pub outside_celsius: Option<Celsius>,
    /// U-value of the wall or roof.
    #[arg(long, value_parser = transmittance, value_name = "U", allow_hyphen_values = true, requires = "outside_celsius")]
    pub u_watts_per_square_metre_kelvin: Option<WattsPerSquareMetreKelvin>,
    /// Still air that lies against it.
    #[arg(long, value_enum, default_value_t = Film::Wall, value_name = "WHERE")]
    pub film: Film,
    /// How to print.
    #[command(flatten)]
    pub form: Form,
}

/// Still air inside.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Film {
    /// Against a wall, 0.13 m²K/W.
    Wall,
    /// Under a roof, 0.10 m²K/W.
    Roof,
}

/// Arguments of `calc duty`.
#[derive(Debug, Args)]
pub struct DutyArgs {
    /// Degradable solids that are left in the batch, dry.
    #[arg(long, value_parser = kilograms, value_name = "MASS", allow_hyphen_values = true)]
    pub degradable_kilograms: Kilograms,
    /// Part of them that goes each day: 0.03 to 0.15 when all is well (rule of thumb).
    #[arg(long, value_parser = per_day, value_name = "RATE", allow_hyphen_values = true)]
    pub rate_per_day: PerDay,
    /// Oxygen that a kilogram of them takes, kg; 1.2 to 2.0 by what it is (rule of thumb).
    #[arg(long, value_parser = ratio, value_name = "KG", default_value = "1.4", allow_hyphen_values = true)]
    pub oxygen_kilograms_per_kilogram: KilogramsPerKilogram,
    /// Temperature that the bed is to be held at.
    #[arg(long, value_parser = celsius, value_name = "TEMPERATURE", allow_hyphen_values = true)]
    pub bed_celsius: Celsius,
    /// Oxygen that the exhaust should still have, as a part of dry gas: fresh air has 0.2095.
    #[arg(long, value_parser = fraction, value_name = "FRACTION", allow_hyphen_values = true)]
    pub leaving_oxygen_fraction: Fraction,
    /// Heat that leaves by walls, floor and cover, which air need not carry.
    #[arg(long, value_parser = watts, value_name = "HEAT", default_value = "0", allow_hyphen_values = true)]
    pub wall_watts: Watts,
    /// The air that enters.
    #[command(flatten)]
    pub inlet: Inlet,
    /// Flow of the blower through this bed while it runs.
    #[arg(long, value_parser = flow, value_name = "FLOW", allow_hyphen_values = true)]
    pub blower_cubic_metres_per_hour: CubicMetresPerHour,
    /// Volume of the bed, for the longest off-time.
    #[arg(
        long,
        value_parser = volume,
        value_name = "VOLUME",
        allow_hyphen_values = true,
        requires = "free_air_space_fraction"
    )]
    pub volume_cubic_metres: Option<CubicMetres>,
    /// Part of the bed that is gas.
    #[arg(
        long,
        value_parser = fraction,
        value_name = "FRACTION",
        allow_hyphen_values = true,
        requires = "volume_cubic_metres"
    )]
    pub free_air_space_fraction: Option<Fraction>,
    /// Pore oxygen when the blower stops (0.18 is a rule of thumb).
    #[arg(long, value_parser = fraction, value_name = "FRACTION", default_value = "0.18", allow_hyphen_values = true)]
    pub oxygen_start_fraction: Fraction,
    /// Pore oxygen at which it must start again (5 % is a rule of thumb).
    #[arg(long, value_parser = fraction, value_name = "FRACTION", default_value = "0.05", allow_hyphen_values = true)]
    pub oxygen_floor_fraction: Fraction,
    /// How to print.
    #[command(flatten)]
    pub form: Form,
}

/// A file of temperatures.
#[derive(Debug, Args)]
pub struct Temperatures {
    /// File with the columns `measured_at` and `value`.
    #[arg(value_name = "FILE.csv")]
    pub file: PathBuf,
    /// Probe whose rows are read, where the file has a column `probe`.
    #[arg(long, value_name = "PROBE")]
    pub probe: Option<String>,
    /// Longest gap between readings that are joined by a line, such as 1h.
    #[arg(long, value_parser = span, value_name = "TIME", default_value = "1h")]
    pub gap_max: Span,
}

/// Arguments of `calc series`.
#[derive(Debug, Args)]
pub struct SeriesArgs {
    /// The readings.
    #[command(flatten)]
    pub temperatures: Temperatures,
    /// Threshold.
    #[arg(long, value_parser = celsius, value_name = "TEMPERATURE", default_value = "55", allow_hyphen_values = true)]
    pub above_celsius: Celsius,
    /// Smallest change that the probe can show: readings within it count as unchanged.
    #[arg(long, value_parser = kelvin, value_name = "DIFFERENCE", default_value = "0.1", allow_hyphen_values = true)]
    pub resolution_kelvin: Kelvin,
    /// How to print.
    #[command(flatten)]
    pub form: Form,
}

/// Arguments of `calc lethality`.
#[derive(Debug, Args)]
pub struct LethalityArgs {
    /// The readings.
    #[command(flatten)]
    pub temperatures: Temperatures,
    /// How to print.
    #[command(flatten)]
    pub form: Form,
}

/// Arguments of `calc stability`.
#[derive(Debug, Args)]
pub struct StabilityArgs {
    /// Highest temperature in the insulated vessel less that of the room, 0 to 100 K.
    #[arg(long, value_parser = kelvin, value_name = "DIFFERENCE", allow_hyphen_values = true)]
    pub rise_kelvin: Option<Kelvin>,
    /// Respiration in mg of carbon (not of carbon dioxide) per g of organic matter and day.
    #[arg(long, value_name = "MG", allow_negative_numbers = true)]
    pub respiration: Option<f64>,
    /// Volume when the batch was filled.
    #[arg(long, value_parser = volume, value_name = "VOLUME", requires = "volume_after", allow_hyphen_values = true)]
    pub volume_before: Option<CubicMetres>,
    /// Volume now.
    #[arg(long, value_parser = volume, value_name = "VOLUME", requires = "volume_before", allow_hyphen_values = true)]
    pub volume_after: Option<CubicMetres>,
    /// Ash as a part of dry matter when the batch was filled.
    #[arg(long, value_parser = fraction, value_name = "PART", requires = "ash_after_fraction", allow_hyphen_values = true)]
    pub ash_before_fraction: Option<Fraction>,
    /// Ash as a part of dry matter now.
    #[arg(long, value_parser = fraction, value_name = "PART", requires = "ash_before_fraction", allow_hyphen_values = true)]
    pub ash_after_fraction: Option<Fraction>,
    /// Temperature of the pile.
    #[arg(long, value_parser = celsius, value_name = "TEMPERATURE", requires = "ambient_celsius", allow_hyphen_values = true)]
    pub pile_celsius: Option<Celsius>,
    /// Temperature around it.
    #[arg(long, value_parser = celsius, value_name = "TEMPERATURE", requires = "pile_celsius", allow_hyphen_values = true)]
    pub ambient_celsius: Option<Celsius>,
    /// How to print.
    #[command(flatten)]
    pub form: Form,
}

/// Arguments of `calc d-time`.
#[derive(Debug, Args)]
pub struct DTimeArgs {
    /// Temperature that is kept, 50 to 100 °C.
    #[arg(long, value_parser = celsius, value_name = "TEMPERATURE", allow_hyphen_values = true)]
    pub celsius: Celsius,
    /// Regime: one of the four equations.
    #[arg(long, value_enum, default_value_t = RegimeName::A, value_name = "REGIME")]
    pub regime: RegimeName,
    /// How to print.
    #[command(flatten)]
    pub form: Form,
}

/// The equations of 40 CFR 503.32(a)(3)(ii) by their letter.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum RegimeName {
    /// 7 % solids or more, at least 20 minutes; the one that fits compost.
    A,
    /// 7 % solids or more in small particles heated by warmed gases, at least 15 seconds.
    B,
    /// Less than 7 % solids, 15 seconds to 30 minutes.
    C,
    /// Less than 7 % solids, at least 30 minutes.
    D,
}

/// Arguments of `calc water`.
#[derive(Debug, Args)]
pub struct WaterArgs {
    /// File of bed temperatures, as for `calc series`, in place of --bed-celsius and --days.
    #[arg(value_name = "FILE.csv", required_unless_present = "bed_celsius")]
    pub file: Option<PathBuf>,
    /// Probe whose rows are read, where the file has a column `probe`.
    #[arg(long, value_name = "PROBE")]
    pub probe: Option<String>,
    /// Longest gap between readings; within a longer one the bed may have been at any temperature that the file has.
    #[arg(long, value_parser = span, value_name = "TIME", default_value = "1h")]
    pub gap_max: Span,
    /// Volume of the full bed.
    #[arg(long, value_parser = volume, value_name = "VOLUME", allow_hyphen_values = true)]
    pub volume_cubic_metres: CubicMetres,
    /// Bulk density of what went in, wet.
    #[arg(
        long,
        value_parser = density,
        value_name = "DENSITY",
        allow_hyphen_values = true,
        required_unless_present = "wet_mass_kilograms",
        conflicts_with = "wet_mass_kilograms"
    )]
    pub density_kilograms_per_cubic_metre: Option<KilogramsPerCubicMetre>,
    /// Mass that went in, wet, in place of the density.
    #[arg(long, value_parser = kilograms, value_name = "MASS", allow_hyphen_values = true)]
    pub wet_mass_kilograms: Option<Kilograms>,
    /// Moisture of what went in, as a part of the wet mass.
    #[arg(long, value_parser = fraction, value_name = "FRACTION", allow_hyphen_values = true)]
    pub moisture_fraction: Fraction,
    /// Temperature of the bed.
    #[arg(
        long,
        value_parser = celsius,
        value_name = "TEMPERATURE",
        allow_hyphen_values = true,
        requires = "days",
        conflicts_with = "file"
    )]
    pub bed_celsius: Option<Celsius>,
    /// Days since it was filled.
    #[arg(long, value_parser = days, value_name = "TIME", allow_hyphen_values = true, requires = "bed_celsius")]
    pub days: Option<Days>,
    /// Temperature of the air that the bed draws.
    #[arg(long, value_parser = celsius, value_name = "TEMPERATURE", allow_hyphen_values = true)]
    pub inlet_celsius: Celsius,
    /// Relative humidity of that air, taken as known to 0.03 [default: 0.7, known to 0.2].
    #[arg(long, value_parser = fraction, value_name = "FRACTION", allow_hyphen_values = true)]
    pub inlet_relative_humidity_fraction: Option<Fraction>,
    /// Its pressure.
    #[command(flatten)]
    pub barometer: Barometer,
    /// Flow of the blower through this bed while it runs.
    #[arg(long, value_parser = flow, value_name = "FLOW", allow_hyphen_values = true)]
    pub flow_cubic_metres_per_hour: CubicMetresPerHour,
    /// Standard deviation of that flow: 0.1 where it was measured, 0.3 where it was read off a plate.
    #[arg(long, value_parser = fraction, value_name = "FRACTION", default_value = "0.3", allow_hyphen_values = true)]
    pub flow_sd_fraction: Fraction,
    /// The blower's time.
    #[command(flatten)]
    pub pulses: Pulses,
    /// Waterings as WATER@TIME after the filling, such as 70L@5d,60gal@9d.
    #[arg(long, value_parser = watering, value_name = "WATER@TIME", value_delimiter = ',', allow_hyphen_values = true)]
    pub watered: Vec<Watering>,
    /// Standard deviation of their litres.
    #[arg(long, value_parser = fraction, value_name = "FRACTION", default_value = "0.2", allow_hyphen_values = true)]
    pub watered_sd_fraction: Fraction,
    /// Temperature of that water.
    #[arg(long, value_parser = hose_celsius, value_name = "TEMPERATURE", default_value = "10", allow_hyphen_values = true)]
    pub water_celsius: Celsius,
    /// Moisture of a hand sample taken now.
    #[arg(long, value_parser = fraction, value_name = "FRACTION", allow_hyphen_values = true)]
    pub sample_fraction: Option<Fraction>,
    /// Standard deviation of the sample against the whole bed: 0.03 for one grab.
    #[arg(long, value_parser = fraction, value_name = "FRACTION", default_value = "0.03", allow_hyphen_values = true)]
    pub sample_sd_fraction: Fraction,
    /// Moisture to water for.
    #[arg(long, value_parser = fraction, value_name = "FRACTION", default_value = "0.55", allow_hyphen_values = true)]
    pub goal_fraction: Fraction,
    /// Flow of the hose, for minutes.
    #[arg(long, value_parser = water_flow, value_name = "FLOW", allow_hyphen_values = true)]
    pub hose_litres_per_minute: Option<LitresPerMinute>,
    /// Hot run that cold water may break: the dose then cools the bed by 1 K at the most.
    #[arg(long)]
    pub hot_run: bool,
    /// How to print.
    #[command(flatten)]
    pub form: Form,
}

/// One watering.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Watering {
    /// How much.
    pub litres: Litres,
    /// How long after the filling.
    pub after: Span,
}

fn watering(text: &str) -> Result<Watering, String> {
    let (litres, after) =
        text.split_once('@').ok_or_else(|| format!("`{text}` does not say when; write 70L@5d for the fifth day"))?;
    let litres = Litres(read(litres, Kind::Water, Some("L")).map_err(|e| e.to_string())?);
    Ok(Watering { litres, after: span(after)? })
}

fn celsius(text: &str) -> Result<Celsius, MeasureError> {
    read(text, Kind::Temperature, Some("C")).map(Celsius)
}

/// Water from a hose, well or tank; hotter water scalds, and colder is ice.
const HOSE_CELSIUS: std::ops::RangeInclusive<f64> = 0.0..=60.0;

fn hose_celsius(text: &str) -> Result<Celsius, String> {
    let water = celsius(text).map_err(|e| e.to_string())?;
    match HOSE_CELSIUS.contains(&water.0) {
        true => Ok(water),
        false => Err(format!(
            "water of {text} is outside 0 to 60 °C (32 to 140 °F), what a hose gives; check the number and its unit"
        )),
    }
}

fn kelvin(text: &str) -> Result<Kelvin, MeasureError> {
    read(text, Kind::Difference, Some("K")).map(Kelvin)
}

fn fraction(text: &str) -> Result<Fraction, MeasureError> {
    read(text, Kind::Fraction, Some("1")).map(Fraction)
}

fn ratio(text: &str) -> Result<KilogramsPerKilogram, MeasureError> {
    read(text, Kind::Fraction, Some("1")).map(KilogramsPerKilogram)
}

fn per_day(text: &str) -> Result<PerDay, MeasureError> {
    read(text, Kind::Fraction, Some("1")).map(PerDay)
}

fn pascals(text: &str) -> Result<Pascals, MeasureError> {
    read(text, Kind::Pressure, Some("Pa")).map(Pascals)
}

fn metres(text: &str) -> Result<Metres, MeasureError> {
    read(text, Kind::Length, Some("m")).map(Metres)
}

fn flow(text: &str) -> Result<CubicMetresPerHour, MeasureError> {
    read(text, Kind::Flow, Some("m3/h")).map(CubicMetresPerHour)
}

fn water_flow(text: &str) -> Result<LitresPerMinute, MeasureError> {
    read(text, Kind::WaterFlow, Some("L/min")).map(LitresPerMinute)
}

fn kilograms(text: &str) -> Result<Kilograms, MeasureError> {
    read(text, Kind::Mass, Some("kg")).map(Kilograms)
}

fn volume(text: &str) -> Result<CubicMetres, MeasureError> {
    read(text, Kind::Volume, Some("m3")).map(CubicMetres)
}

fn density(text: &str) -> Result<KilogramsPerCubicMetre, MeasureError> {
    read(text, Kind::Density, Some("kg/m3")).map(KilogramsPerCubicMetre)
}

fn watts(text: &str) -> Result<Watts, MeasureError> {
    read(text, Kind::Heat, Some("W")).map(Watts)
}

fn transmittance(text: &str) -> Result<WattsPerSquareMetreKelvin, MeasureError> {
    read(text, Kind::Transmittance, Some("W/m2K")).map(WattsPerSquareMetreKelvin)
}

fn days(text: &str) -> Result<Days, String> {
    bounded(text, Some("d")).map(|seconds| Days(seconds / 86_400.0))
}

/// Times have no usual unit here, so each says its own.
fn span(text: &str) -> Result<Span, String> {
    bounded(text, None).map(Span::from_seconds_f64)
}

fn bounded(text: &str, bare: Option<&str>) -> Result<f64, String> {
    let seconds = read(text, Kind::Duration, bare).map_err(|e| e.to_string())?;
    if (0.0..=DAYS_MAX * 86_400.0).contains(&seconds) {
        return Ok(seconds);
    }
    Err(format!("a time of {text} is outside 0 to {DAYS_MAX} d; check its sign and unit"))
}
