//! `calc water`: the moisture of a batch, what water it needs, and the heat it makes.
//!
//! Must never pass over a gap of the temperatures as if they were known: the bed may have been as cold or as hot as ever.

use pile::bed::{Air, BedParameters};
use pile::dose::{Bed, Dose, HotRun, cooling, dose};
use pile::heat_account::{HeatAccount, HeatStretch, STRETCH_DAYS, heat_account};
use pile::humid_air::HumidAir;
use pile::time::{Span, Timestamp};
use pile::units::{Celsius, Fraction, Kelvin, Kilograms, KilogramsPerCubicMetre, Litres};
use pile::water_account::{Band, Between, Filling, SampleOutcome, Stretch, Until, WaterAccount, time_to_give};
use pile::window::Point;
use serde_json::json;

use super::series_file::SeriesFile;
use super::{Answer, Lines, Shown, beside, display, duty_of, percent, pressure, usage};
use crate::cli::calc::{Temperatures, WaterArgs, Watering};
use crate::commands::CommandError;

/// The moisture below which a bed is too dry to go on (common practice, no source).
const DRY: Fraction = Fraction(0.45);
/// How far a bed that is held at one temperature is followed at a time.
const STEP: Span = Span::hours(1);
/// The heat is that of the last day.
const HEAT_OVER: Span = Span::days(1);
/// Humidity and its standard deviation where nobody measured it, and that of a measurement; as `pile::bed` advises.
const HUMIDITY_ASSUMED: (f64, f64) = (0.7, 0.2);
const HUMIDITY_MEASURED_SD: f64 = 0.03;
/// How well a mean of probes tells the whole bed, as `pile::heat_account` advises.
const TEMPERATURE_SD: Kelvin = Kelvin(1.0);

/// What the bed went through: its temperatures, joined by lines where they are no further apart than `gap`.
struct Course {
    points: Vec<Point>,
    gap: Span,
}

pub(super) fn water(args: &WaterArgs) -> Result<Answer, CommandError> {
    let course = Course::of(args)?;
    let bed = BedParameters::of_static_bin(args.volume_cubic_metres).map_err(usage)?;
    let air = drawn(args)?;
    let duty = duty_of(&args.pulses)?;
    let mut account = WaterAccount::begin(bed, course.start(), &filling(args)).map_err(usage)?;
    let middle = follow(&mut account, &course, air, duty, args)?;
    let length = course.end().since(course.start()).min(HEAT_OVER);
    let heat = if length.as_days() < STRETCH_DAYS.0 {
        None
    } else {
        let from = course.end() - length;
        let first = course.points.iter().find(|point| point.at >= from).map_or(f64::NAN, |point| point.value);
        let added = args.watered.iter().filter(|w| course.start() + w.after >= from).map(|w| w.litres.0).sum();
        let stretch = HeatStretch {
            length,
            dry: middle.dry_mass(),
            water: middle.water_mass(),
            water_sd: middle.water_mass_sd(),
            start: Celsius(first),
            end: Celsius(course.newest()),
            temperature_sd: TEMPERATURE_SD,
            duty,
            air,
            added: Kilograms(added),
            added_at: args.water_celsius,
        };
        Some(heat_account(&bed, &stretch).map_err(usage)?)
    };
    let sampled = match args.sample_fraction {
        Some(moisture) => Some(account.sample(moisture, args.sample_sd_fraction).map_err(usage)?),
        None => None,
    };
    answer(args, &course, &account, sampled, heat)
}

/// Brings the account to the end of the course and gives it as it stood in the middle of the stretch of the heat.
fn follow(
    account: &mut WaterAccount,
    course: &Course,
    air: Air,
    duty: Fraction,
    args: &WaterArgs,
) -> Result<WaterAccount, CommandError> {
    let mut waterings: Vec<Watering> = args.watered.clone();
    waterings.sort_by_key(|watering| watering.after);
    let mut waterings = waterings.into_iter().peekable();
    let mut water_until = |account: &mut WaterAccount, at: Timestamp| -> Result<(), CommandError> {
        while let Some(watering) = waterings.next_if(|watering| course.start() + watering.after <= at) {
            let Watering { litres, .. } = watering;
            account.water(litres, Litres(litres.0 * args.watered_sd_fraction.0)).map_err(usage)?;
        }
        Ok(())
    };
    water_until(account, course.start())?;
    let length = course.end().since(course.start()).min(HEAT_OVER);
    let half_way = course.end() - Span::millis(length.as_millis() / 2);
    let mut middle = account.clone();
    let values = || course.points.iter().map(|point| point.value);
    let anything = Between {
        low: Celsius(values().fold(f64::INFINITY, f64::min)),
        high: Celsius(values().fold(f64::NEG_INFINITY, f64::max)),
    };
    for pair in course.points.windows(2) {
        let [earlier, later] = pair else { continue };
        let known = later.at.since(earlier.at) <= course.gap;
        let mean = Celsius((earlier.value + later.value) / 2.0);
        let stretch = Stretch {
            until: later.at,
            duty: Between::exactly(duty),
            bed: if known { Between::exactly(mean) } else { anything },
            rise: Kelvin(later.value - earlier.value),
            air,
        };
        account.pass(&stretch).map_err(|error| match &args.file {
            Some(file) => CommandError::Refused(format!("{}: {error}", file.display())),
            None => usage(error),
        })?;
        water_until(account, later.at)?;
        if later.at <= half_way {
            middle = account.clone();
        }
    }
    if let Some(late) = waterings.next() {
        return Err(CommandError::Usage(format!(
            "water given {} after the filling comes after the {} that are known; check --watered",
            late.after,
            course.end().since(course.start())
        )));
    }
    Ok(middle)
}

fn answer(
    args: &WaterArgs,
    course: &Course,
    account: &WaterAccount,
    sampled: Option<SampleOutcome>,
    heat: Option<HeatAccount>,
) -> Result<Answer, CommandError> {
    let moisture: Band<Fraction> = account.moisture();
    let lack = account.litres_to(args.goal_fraction).map_err(usage)?;
    let bed = Bed {
        lack: Some(lack),
        volume: args.volume_cubic_metres,
        capacity: account.heat_capacity(),
        at: Celsius(course.newest()),
        water: args.water_celsius,
        run: if args.hot_run { HotRun::Counts } else { HotRun::None },
    };
    let dose: Option<Dose> = dose(&bed).map_err(usage)?;
    let said = dose.map(|dose| site::dose::said(dose.litres, args.hose_litres_per_minute, display(args.form.units)));
    let until = account.until(DRY).map_err(usage)?;
    let minutes = |litres: Litres| args.hose_litres_per_minute.map(|hose| time_to_give(litres, hose)).transpose();
    let all_for = minutes(lack.value).map_err(usage)?;
    let given = said.as_ref().map_or(Litres(0.0), |said| said.litres);
    let chill = cooling(&bed, given).map_err(usage)?;
    let totals = account.totals();

    let (shown, mut text) = (Shown::of(args.form), Lines::default());
    let limits = [args.goal_fraction.0, DRY.0];
    let of = |fraction: Fraction| percent(fraction.0, 1, &limits);
    text.pair("after", format!("{} since the filling", course.end().since(course.start())));
    text.pair("moisture", format!("{} (95 %: {} to {})", of(moisture.value), of(moisture.low), of(moisture.high)));
    let (wet, dry) = (shown.mass(account.water_mass().0, 0), shown.mass(account.dry_mass().0, 0));
    text.pair("in the bed", format!("{wet} of water, {dry} of dry matter"));
    let sums = [
        ("filled", totals.initial),
        ("formed", totals.formed),
        ("watered", totals.added),
        ("carried off", totals.removed),
    ];
    let sums: Vec<String> = sums.iter().map(|(name, sum)| format!("{} {name}", shown.mass(sum.0, 0))).collect();
    text.pair("its water", sums.join(", "));
    match sampled {
        Some(SampleOutcome::Combined) => text.pair("hand sample", "agrees with the account; both count".into()),
        Some(SampleOutcome::BegunAnew) => text.pair(
            "hand sample",
            "contradicts the account, which begins anew from it: something was not written down".into(),
        ),
        None => {}
    }
    let band = format!("95 %: {} to {}", shown.water(lack.low.0, 0), shown.water(lack.high.0, 0));
    let goal = percent(args.goal_fraction.0, 0, &[args.goal_fraction.0]);
    text.pair(&format!("water to {goal}"), format!("{} ({band})", shown.water(lack.value.0, 0)));
    match (&said, dose) {
        (Some(said), Some(dose)) => {
            let if_dry = if dose.if_dry { "; only if a handful feels dry" } else { "" };
            let may_break = if args.hot_run { "; it may break the hot run that counts" } else { "" };
            let cools = shown.difference(chill.0, 1);
            text.pair("water at once", format!("{}; cools the bed by {cools}{may_break}{if_dry}", said.words));
        }
        _ => text.pair(
            "water at once",
            "none: what is sure to do more good than harm is less than anybody can spread".into(),
        ),
    }
    text.pair("until 45 %", in_words(&until));
    if let Some(heat) = &heat {
        let sd = heat.generation_sd.0;
        text.pair("heat made", format!("{} give or take {} (one sd)", shown.heat(heat.generation.0), shown.heat(sd)));
        let losses = heat.losses;
        let parts = [("blower", losses.blower), ("draught", losses.draught), ("walls", losses.walls)];
        let parts: Vec<String> = parts.iter().map(|(name, part)| format!("{name} {}", shown.heat(part.0))).collect();
        text.pair("heat lost", format!("{}: {}", shown.heat(losses.heat().0), parts.join(", ")));
        let fall = shown.difference(heat.fall_without_activity.0, 1);
        text.pair("with no activity", format!("the bed would fall by {fall} a day at first"));
    }
    for note in notes(args, course, account) {
        text.say(note);
    }
    let (days, soonest, latest) = match until {
        Until::In { value, low, high } => (Some(value.as_days()), Some(low.as_days()), high.map(|high| high.as_days())),
        Until::Reached => (Some(0.0), Some(0.0), Some(0.0)),
        Until::Rising | Until::CannotTell | Until::TooShort => (None, None, None),
    };
    let json = json!({
        "moisture_fraction": moisture.value.0,
        "moisture_low_fraction": moisture.low.0,
        "moisture_high_fraction": moisture.high.0,
        "water_kilograms": account.water_mass().0,
        "dry_kilograms": account.dry_mass().0,
        "water_formed_kilograms": totals.formed.0,
        "water_added_kilograms": totals.added.0,
        "water_removed_kilograms": totals.removed.0,
        "litres_to_goal": lack.value.0,
        "litres_to_goal_low": lack.low.0,
        "litres_to_goal_high": lack.high.0,
        "first_dose_litres": given.0,
        "first_dose_only_if_dry": dose.map(|dose| dose.if_dry),
        "seconds_to_goal": all_for.map(|time| time.as_seconds()),
        "first_dose_seconds": said.and_then(|said| said.minutes).map(|minutes| minutes * 60.0),
        "chill_kelvin": chill.0,
        "days_to_45_percent": days,
        "days_to_45_percent_low": soonest,
        "days_to_45_percent_high": latest,
        "drying": match until {
            Until::Reached => "there",
            Until::In { .. } => "dries",
            Until::Rising => "getting_wetter",
            Until::CannotTell => "too_uncertain",
            Until::TooShort => "too_young",
        },
        "generation_watts": heat.map(|heat| heat.generation.0),
        "generation_sd_watts": heat.map(|heat| heat.generation_sd.0),
        "losses_watts": heat.map(|heat| heat.losses.heat().0),
        "fall_without_activity_kelvin_per_day": heat.map(|heat| heat.fall_without_activity.0),
    });
    Ok(Answer { text, json })
}

/// Where the account stopped at an end of what there is, which no figure shows.
fn notes(args: &WaterArgs, course: &Course, account: &WaterAccount) -> Vec<String> {
    let mut notes = Vec::new();
    if account.water_mass().0 <= 0.0 {
        notes.push("The bed ran dry on the way: air would have carried off more than there was. Check volume, moisture and flow.".into());
    }
    if account.degradable_left().0 <= 0.0 {
        notes.push(
            "The heat is more than the filling can have held: no more solids are taken. Check density, flow and temperatures.".into(),
        );
    }
    if course.points.iter().any(|point| point.value < args.inlet_celsius.0) {
        notes.push("Where the bed is colder than the air, no draught is counted while the blower stands.".into());
    }
    notes
}

fn in_words(until: &Until) -> String {
    let days = |span: Span| beside(span.as_days(), 1, &[0.0], |d| d);
    match until {
        Until::In { value, low, high } => {
            let latest = high.map_or("more than ten years".into(), |high| format!("{} d", days(high)));
            format!("{} d at the present rate (95 %: {} d to {latest})", days(*value), days(*low))
        }
        Until::Reached => "it is there already".into(),
        Until::Rising => "it is getting wetter".into(),
        Until::CannotTell => "the rate is too uncertain or too slow to tell".into(),
        Until::TooShort => "cannot be told yet: the account must be five hours old".into(),
    }
}

impl Course {
    fn of(args: &WaterArgs) -> Result<Course, CommandError> {
        let (file, gap_max) = (args.file.clone(), args.gap_max);
        match (file, args.bed_celsius, args.days) {
            (Some(file), ..) => {
                let file = SeriesFile::read(&Temperatures { file, probe: args.probe.clone(), gap_max })?;
                Ok(Course { points: file.series.points().to_vec(), gap: gap_max })
            }
            (None, Some(Celsius(value)), Some(days)) => {
                let (start, length) = (Timestamp::from_millis(0), Span::from_seconds_f64(days.0 * 86_400.0));
                let end = start + length;
                let whole = (0..).map(|n| start + STEP.times(n)).take_while(|at| *at < end);
                Ok(Course { points: whole.chain([end]).map(|at| Point { at, value }).collect(), gap: STEP })
            }
            _ => Err(CommandError::Usage("give a file of bed temperatures, or --bed-celsius and --days".into())),
        }
    }

    fn start(&self) -> Timestamp {
        self.points.first().map_or(Timestamp::from_millis(0), |point| point.at)
    }

    fn end(&self) -> Timestamp {
        self.points.last().map_or(Timestamp::from_millis(0), |point| point.at)
    }

    fn newest(&self) -> f64 {
        self.points.last().map_or(f64::NAN, |point| point.value)
    }
}

fn filling(args: &WaterArgs) -> Filling {
    let density = args.density_kilograms_per_cubic_metre.unwrap_or(KilogramsPerCubicMetre(0.0));
    let filling = Filling::by_volume(args.volume_cubic_metres, density, args.moisture_fraction);
    Filling { wet_mass: args.wet_mass_kilograms.unwrap_or(filling.wet_mass), ..filling }
}

fn drawn(args: &WaterArgs) -> Result<Air, CommandError> {
    let (humidity, sd) = match args.inlet_relative_humidity_fraction {
        Some(measured) => (measured.0, HUMIDITY_MEASURED_SD),
        None => HUMIDITY_ASSUMED,
    };
    let pressure = pressure(&args.barometer)?;
    HumidAir::from_relative_humidity(args.inlet_celsius, Fraction(humidity), pressure).map_err(usage)?;
    Ok(Air {
        inlet: args.inlet_celsius,
        humidity: Fraction(humidity),
        humidity_sd: Fraction(sd),
        flow: args.flow_cubic_metres_per_hour,
        flow_sd: args.flow_sd_fraction,
        pressure,
    })
}
