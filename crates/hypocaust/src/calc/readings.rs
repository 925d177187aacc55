//! `calc series`, `lethality` and `d-time`: what temperatures over time say.
//!
//! Must never print a figure of 40 CFR 503.32(a)(3) without saying that it is for information only.

use pile::above::{Run, account};
use pile::faults::{StepSearch, clearest_step, longest_stuck};
use pile::lethality::{INFORMATION_ONLY, Regime, over_series, required_time, time_by_equation};
use pile::slope::theil_sen;
use pile::statistics::{Between, mad, percentile};
use pile::units::Percent;
use serde_json::json;

use super::series_file::SeriesFile;
use super::{Answer, Lines, Shown, beside, hours, percent, plain, usage};
use crate::cli::calc::{DTimeArgs, LethalityArgs, RegimeName, SeriesArgs};
use crate::commands::CommandError;

/// Readings on each side of a step, and how many spreads it must be: as `pile::faults` advises.
const STEP_SIDE: usize = 12;
const STEP_SPREADS: f64 = 4.0;

pub(super) fn series(args: &SeriesArgs) -> Result<Answer, CommandError> {
    let gap = args.temperatures.gap_max;
    let SeriesFile { series, clock } = SeriesFile::read(&args.temperatures)?;
    let limit = args.above_celsius;
    let found = account(series.points(), series.first_at(), series.last_at(), limit, gap);
    let slope = theil_sen(series.points());
    let values = series.values();
    let at = |percent| percentile(&values, Percent(percent), Between::Line).map_err(refused);
    let (low, median, high) = (at(5.0)?, at(50.0)?, at(95.0)?);
    let spread = mad(&values).map_err(refused)?;
    let resolution = args.resolution_kelvin.0;
    let stuck = longest_stuck(&series, resolution, gap).map_err(usage)?;
    let search = StepSearch { side: STEP_SIDE, spreads: STEP_SPREADS, resolution, max_gap: gap };
    let step = clearest_step(&series, &search).map_err(usage)?;

    let (shown, mut text) = (Shown::of(args.form), Lines::default());
    let whole = series.last_at().since(series.first_at()).as_seconds();
    let (first, last) = (clock.text(series.first_at()), clock.text(series.last_at()));
    text.pair("readings", format!("{} from {first} to {last}", values.len()));
    let coverage = found.coverage.map_or("none".into(), |c| percent(c, 1, &[0.0, 1.0]));
    text.pair("covered", format!("{} of {}, {coverage}", hours(found.covered_s), hours(whole)));
    let threshold = shown.temperature_beside(limit.0, 0, &[limit.0]);
    let mean =
        found.mean.map_or("not known: nothing is covered".into(), |mean| shown.temperature_beside(mean, 1, &[limit.0]));
    text.pair("mean over that", mean);
    text.pair(&format!("above {threshold}"), hours(found.above_strict_s));
    text.pair(&format!("at or above {threshold}"), hours(found.at_or_above_s));
    let run = |run: &Option<Run>| match run {
        Some(run) => format!("{} from {}", hours(run.length.as_seconds()), clock.text(run.from)),
        None => "none".into(),
    };
    text.pair("longest run above", run(&found.longest_strict));
    text.pair("longest run at or above", run(&found.longest_inclusive));
    if let Some(slope) = &slope {
        let bounds = format!("{} to {}", shown.difference(slope.low95, 2), shown.difference(slope.high95, 2));
        text.pair("slope", format!("{} a day, with 95 % confidence {bounds}", shown.difference(slope.per_day, 2)));
    }
    let of = |value: f64| shown.temperature_beside(value, 1, &[limit.0]);
    text.pair("readings up to", format!("{} (5 %), {} (half), {} (95 %)", of(low), of(median), of(high)));
    text.pair("median deviation", shown.difference(spread, 2));
    if let Some(stuck) = &stuck {
        let length = hours(stuck.to.since(stuck.from).as_seconds());
        let kept = format!("{} readings within {}", stuck.readings, shown.difference(resolution, 2));
        text.pair("longest unchanged", format!("{length} from {}: {kept}", clock.text(stuck.from)));
    }
    if let Some(step) = &step {
        let jump = format!("from {} to {}", of(step.before), of(step.after));
        text.pair("clearest step", format!("{jump} at {}", clock.text(step.first_after)));
    }
    let time = |at| json!(clock.text(at));
    let run_at = |run: &Option<Run>| run.as_ref().map(|run| time(run.from));
    let run_for = |run: &Option<Run>| run.as_ref().map_or(0.0, |run| run.length.as_seconds());
    let json = json!({
        "readings": values.len(),
        "first_at": time(series.first_at()),
        "last_at": time(series.last_at()),
        "covered_seconds": found.covered_s,
        "coverage_fraction": found.coverage,
        "mean_celsius": found.mean,
        "above_seconds": found.above_strict_s,
        "at_or_above_seconds": found.at_or_above_s,
        "longest_run_above_seconds": run_for(&found.longest_strict),
        "longest_run_above_from": run_at(&found.longest_strict),
        "longest_run_at_or_above_seconds": run_for(&found.longest_inclusive),
        "longest_run_at_or_above_from": run_at(&found.longest_inclusive),
        "slope_kelvin_per_day": slope.map(|slope| slope.per_day),
        "slope_low_kelvin_per_day": slope.map(|slope| slope.low95),
        "slope_high_kelvin_per_day": slope.map(|slope| slope.high95),
        "percentile_5_celsius": low,
        "median_celsius": median,
        "percentile_95_celsius": high,
        "mad_kelvin": spread,
        "unchanged_seconds": stuck.map(|stuck| stuck.to.since(stuck.from).as_seconds()),
        "unchanged_from": stuck.map(|stuck| time(stuck.from)),
        "unchanged_readings": stuck.map(|stuck| stuck.readings),
        "step_kelvin": step.map(|step| step.after - step.before),
        "step_at": step.map(|step| time(step.first_after)),
    });
    Ok(Answer { text, json })
}

pub(super) fn lethality(args: &LethalityArgs) -> Result<Answer, CommandError> {
    let file = SeriesFile::read(&args.temperatures)?;
    let (from, to) = (file.series.first_at(), file.series.last_at());
    let found = over_series(&file.series, from, to, args.temperatures.gap_max).map_err(refused)?;
    let whole = to.since(from).as_seconds();
    let coverage = found.covered_s / whole;
    let (shown, mut text) = (Shown::of(args.form), Lines::default());
    let share = percent(coverage, 1, &[0.0, 1.0]);
    text.pair("covered", format!("{} of {}, {share}", hours(found.covered_s), hours(whole)));
    text.pair(&format!("at or above {}", shown.temperature(50.0, 0)), hours(found.at_or_above_50_s));
    let times = |fraction: f64| format!("{} times the required time", beside(fraction, 2, &[0.0, 1.0], |f| f));
    text.pair("summed", times(found.fraction));
    text.pair("with the floor of 20 min", times(found.fraction_with_floor));
    text.say(INFORMATION_ONLY);
    let json = json!({
        "fraction": found.fraction,
        "fraction_with_floor": found.fraction_with_floor,
        "covered_seconds": found.covered_s,
        "coverage_fraction": coverage,
        "at_or_above_50_celsius_seconds": found.at_or_above_50_s,
        "note": INFORMATION_ONLY,
    });
    Ok(Answer { text, json })
}

pub(super) fn d_time(args: &DTimeArgs) -> Result<Answer, CommandError> {
    let regime = match args.regime {
        RegimeName::A => Regime::Solids,
        RegimeName::B => Regime::SmallParticles,
        RegimeName::C => Regime::LiquidBriefly,
        RegimeName::D => Regime::Liquid,
    };
    let required = required_time(args.celsius, regime).map_err(usage)?.0;
    let equation = time_by_equation(args.celsius, regime).map_err(usage)?.0;
    let (shown, mut text) = (Shown::of(args.form), Lines::default());
    // Rounded up: a time that is required is not met by less.
    let up = |days: f64| format!("{} d ({})", plain((days * 1e4).ceil() / 1e4, 4), hours((days * 86_400.0).ceil()));
    text.pair("temperature", shown.temperature(args.celsius.0, 2));
    text.pair("required time", up(required));
    text.pair("by the equation alone", up(equation));
    if required > equation {
        text.say("The required time is the regime's floor: the equation alone asks for less.");
    }
    text.say(INFORMATION_ONLY);
    let json = json!({ "required_days": required, "equation_days": equation, "note": INFORMATION_ONLY });
    Ok(Answer { text, json })
}

/// A file of which nothing can be computed.
fn refused(error: impl std::error::Error) -> CommandError {
    CommandError::Refused(error.to_string())
}
