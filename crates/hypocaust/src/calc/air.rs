//! `calc air`, `exhaust`, `condensate`, `surface` and `duty`: questions about air, before, in and after a pile.
//!
//! Must never hide that a blower is too small: it is an answer, not an error.

use pile::air_demand::{
    Pores, Refused, batch_oxygen, duty_needed, flow_for_heat, flow_for_oxygen, heat, off_time, stoichiometric_air,
    uptake,
};
use pile::exhaust::{Carried, FILM_ROOF, FILM_WALL, carried, dew_margin, inside_surface};
use pile::humid_air::{HumidAir, SATURATION_CELSIUS_MAX, saturation_pressure};
use pile::units::{Celsius, CubicMetresPerHour, Fraction, Kelvin, Pascals, Readable, Watts};
use serde_json::json;

use super::{Answer, Lines, Shown, duty_of, hours, percent, plain, pressure, usage};
use crate::cli::calc::{
    AirArgs, Barometer, CondensateArgs, DutyArgs, ExhaustArgs, Film, Inlet, SurfaceArgs, ThroughPile,
};
use crate::commands::CommandError;

pub(super) fn air(args: &AirArgs) -> Result<Answer, CommandError> {
    let air = air_of(args.celsius, args.relative_humidity_fraction, &args.barometer)?;
    // Air that is all but dry has neither above -100 °C, and still the rest.
    let (dew_point, wet_bulb) = (air.dew_point().ok().map(|t| t.0), air.wet_bulb().ok().map(|t| t.0));
    let saturation = saturation_pressure(args.celsius).map_err(usage)?.0;
    let (w, h, v) = (air.humidity_ratio().0, air.enthalpy().0, air.volume().0);
    let around =
        banded(args.celsius, |t| Ok(air_of(t, args.relative_humidity_fraction, &args.barometer)?.humidity_ratio().0))?;
    let (shown, mut text) = (Shown::of(args.form), Lines::default());
    text.pair("air", described(shown, air));
    let or_none = |t: Option<f64>| t.map_or("below -100 °C: the air is too dry".into(), |t| shown.temperature(t, 2));
    text.pair("dew point", or_none(dew_point));
    text.pair("wet bulb", or_none(wet_bulb));
    let band = around.map_or_else(String::new, |(cold, hot)| {
        format!(" ({} to {} {})", plain(cold * 1e3, 0), plain(hot * 1e3, 0), if_off(shown))
    });
    text.pair("humidity ratio", format!("{} g of water in each kg of dry air{band}", plain(w * 1e3, 2)));
    text.pair("enthalpy", format!("{} kJ for each kg of dry air", plain(h / 1e3, 2)));
    text.pair("volume", format!("{} m³ for each kg of dry air", plain(v, 4)));
    text.pair("vapour pressure", format!("{} Pa", plain(air.vapour_pressure().0, 0)));
    text.pair("saturation pressure", format!("{} Pa", plain(saturation, 0)));
    let json = json!({
        "humidity_ratio": w,
        "dew_point_celsius": dew_point,
        "wet_bulb_celsius": wet_bulb,
        "enthalpy_joules_per_kilogram": h,
        "specific_volume_cubic_metres_per_kilogram": v,
        "vapour_pressure_pascals": air.vapour_pressure().0,
        "saturation_pressure_pascals": saturation,
        "pascals": air.pressure().0,
    });
    Ok(Answer { text, json })
}

pub(super) fn exhaust(args: &ExhaustArgs) -> Result<Answer, CommandError> {
    let (inlet, duty, running) = through(&args.through)?;
    let mean = running.averaged(duty).map_err(usage)?;
    let around = banded(args.through.exhaust_celsius, |t| {
        let running = carried(args.through.flow_cubic_metres_per_hour, inlet, t).map_err(usage)?;
        Ok(running.averaged(duty).map_err(usage)?.water.0)
    })?;
    let (shown, mut text) = (Shown::of(args.form), Lines::default());
    text.pair("air in", described(shown, inlet));
    text.pair("exhaust", format!("saturated at {}", shown.temperature(args.through.exhaust_celsius.0, 1)));
    text.pair("blower", blower(shown, args.through.flow_cubic_metres_per_hour, duty));
    let band = around.map_or_else(String::new, |(cold, hot)| {
        format!(" ({} to {} {})", shown.mass(cold, 1), shown.mass(hot, 1), if_off(shown))
    });
    text.pair("water removed", format!("{} a day{band}", shown.mass(mean.water.0, 2)));
    text.pair("heat from the bed", shown.heat(mean.heat_from_bed.0));
    text.pair("heat in the exhaust", format!("{} above that of the air in", shown.heat(mean.heat_total.0)));
    text.pair("  as warmer air", shown.heat(mean.heat_sensible.0));
    text.pair("  as vapour", shown.heat(mean.heat_latent.0));
    let json = json!({
        "water_removed_kilograms_per_day": mean.water.0,
        "water_removed_low_kilograms_per_day": around.map(|(cold, _)| cold),
        "water_removed_high_kilograms_per_day": around.map(|(_, hot)| hot),
        "heat_from_bed_kilowatts": mean.heat_from_bed.0 / 1e3,
        "heat_total_kilowatts": mean.heat_total.0 / 1e3,
        "heat_sensible_kilowatts": mean.heat_sensible.0 / 1e3,
        "heat_latent_kilowatts": mean.heat_latent.0 / 1e3,
        "dry_air_kilograms_per_second": mean.dry_air.0,
        "duty_fraction": duty.0,
    });
    Ok(Answer { text, json })
}

pub(super) fn condensate(args: &CondensateArgs) -> Result<Answer, CommandError> {
    let (inlet, duty, running) = through(&args.through)?;
    let hot = HumidAir::saturated(args.through.exhaust_celsius, inlet.pressure()).map_err(usage)?;
    let drained = |carried: Carried| pile::exhaust::condensate(carried.dry_air, hot, args.cooled_to_celsius);
    let mean = drained(running.averaged(duty).map_err(usage)?).map_err(usage)?;
    let pulse = drained(running).map_err(usage)?;
    let around = banded(args.through.exhaust_celsius, |t| {
        let (air, hot) = (running.averaged(duty).map_err(usage)?.dry_air, HumidAir::saturated(t, inlet.pressure()));
        Ok(pile::exhaust::condensate(air, hot.map_err(usage)?, args.cooled_to_celsius).map_err(usage)?.volume.0)
    })?;
    let (shown, mut text) = (Shown::of(args.form), Lines::default());
    text.pair("exhaust", format!("saturated at {}", shown.temperature(args.through.exhaust_celsius.0, 1)));
    text.pair("blower", blower(shown, args.through.flow_cubic_metres_per_hour, duty));
    text.pair("cooled to", shown.temperature(args.cooled_to_celsius.0, 1));
    let band = around.map_or_else(String::new, |(cold, hot)| {
        format!(" ({} to {} {})", shown.water(cold, 1), shown.water(hot, 1), if_off(shown))
    });
    text.pair("condensate", format!("{} a day{band}", shown.water(mean.volume.0, 2)));
    text.pair("while it runs", format!("{} an hour", shown.water(pulse.volume.0 / 24.0, 2)));
    text.pair("heat to the duct", shown.heat(mean.heat_released.0));
    let json = json!({
        "condensate_litres_per_day": mean.volume.0,
        "condensate_low_litres_per_day": around.map(|(cold, _)| cold),
        "condensate_high_litres_per_day": around.map(|(_, hot)| hot),
        "condensate_litres_per_hour_while_running": pulse.volume.0 / 24.0,
        "heat_released_kilowatts": mean.heat_released.0 / 1e3,
        "exhaust_humidity_ratio": hot.humidity_ratio().0,
        "leaving_humidity_ratio": mean.leaving.humidity_ratio().0,
        "duty_fraction": duty.0,
    });
    Ok(Answer { text, json })
}

pub(super) fn surface(args: &SurfaceArgs) -> Result<Answer, CommandError> {
    let room = air_of(args.celsius, args.relative_humidity_fraction, &args.barometer)?;
    let film = match args.film {
        Film::Wall => FILM_WALL,
        Film::Roof => FILM_ROOF,
    };
    let surface = match (args.surface_celsius, args.outside_celsius, args.u_watts_per_square_metre_kelvin) {
        (Some(measured), ..) => measured,
        (None, Some(outside), Some(u)) => inside_surface(args.celsius, outside, u, film).map_err(usage)?,
        _ => return Err(CommandError::Usage("give --surface-celsius, or --outside-celsius and the U-value".into())),
    };
    let dew_point = room.dew_point().map_err(usage)?.0;
    let margin = dew_margin(surface, room).map_err(usage)?.0;
    let (shown, mut text) = (Shown::of(args.form), Lines::default());
    text.pair("room", described(shown, room));
    text.pair("dew point", shown.temperature(dew_point, 1));
    text.pair("surface", shown.temperature_beside(surface.0, 1, &[dew_point]));
    text.pair("above the dew point by", shown.difference(margin, 1));
    text.say(if margin <= 0.0 {
        "It gets wet: warm the surface, dry the air, or lead the water off."
    } else {
        "It stays dry; corners, and what stands against it, are colder."
    });
    let json = json!({
        "dew_point_celsius": dew_point,
        "surface_celsius": surface.0,
        "margin_kelvin": margin,
        "wet": margin <= 0.0,
    });
    Ok(Answer { text, json })
}

pub(super) fn duty_needs(args: &DutyArgs) -> Result<Answer, CommandError> {
    let inlet = air_in(&args.inlet)?;
    let demand = args.oxygen_kilograms_per_kilogram;
    let oxygen = batch_oxygen(args.degradable_kilograms, demand).map_err(usage)?;
    let air = stoichiometric_air(oxygen, inlet).map_err(usage)?;
    let uptake = uptake(args.rate_per_day, args.degradable_kilograms, demand).map_err(usage)?;
    let made = heat(uptake).map_err(usage)?;
    if !(0.0..=made.0).contains(&args.wall_watts.0) {
        return Err(CommandError::Usage(format!(
            "heat of {} W through the walls is outside 0 to the {:.1} W that the batch makes; check --wall-watts",
            Readable(args.wall_watts.0),
            made.0
        )));
    }
    let carry = Watts(made.0 - args.wall_watts.0);
    let for_oxygen = flow_for_oxygen(uptake, args.leaving_oxygen_fraction, inlet).map_err(usage)?;
    let for_heat = flow_for_heat(carry, args.bed_celsius, inlet).map_err(usage)?;
    let blower = args.blower_cubic_metres_per_hour;
    let (oxygen_duty, heat_duty) = (needed(for_oxygen, blower)?, needed(for_heat, blower)?);
    let pause = match (args.volume_cubic_metres, args.free_air_space_fraction) {
        (Some(bed), Some(free_air_space)) => {
            let pores = Pores { bed, free_air_space, temperature: args.bed_celsius, pressure: inlet.pressure() };
            let (start, floor) = (args.oxygen_start_fraction, args.oxygen_floor_fraction);
            Some(off_time(pores, uptake, start, floor).map_err(usage)?)
        }
        _ => None,
    };
    let (shown, mut text) = (Shown::of(args.form), Lines::default());
    text.pair("oxygen taken up", format!("{} a day", shown.mass(uptake.0, 2)));
    text.pair("heat made", format!("{}, of which air carries {}", shown.heat(made.0), shown.heat(carry.0)));
    for (name, flow, duty) in [("air for oxygen", for_oxygen, oxygen_duty), ("air for heat", for_heat, heat_duty)] {
        text.pair(name, format!("{}: the blower runs {} of the time", shown.flow(flow.0), percent(duty, 1, &[1.0])));
    }
    if let Some(pause) = pause {
        let (start, floor) = (args.oxygen_start_fraction.0, args.oxygen_floor_fraction.0);
        let fall = format!("oxygen falls from {} to {}", percent(start, 1, &[]), percent(floor, 1, &[]));
        text.pair("longest pause", format!("{}, in which {fall}", hours(pause.as_seconds())));
    }
    text.pair(
        "the batch in all",
        format!("takes {} of oxygen, the oxygen of {:.0} m³ of air", shown.mass(oxygen.0, 0), air.volume.0),
    );
    let most = oxygen_duty.max(heat_duty);
    text.say(if most > 1.0 {
        format!("The blower is too small: it would have to run {} of the time.", percent(most, 0, &[1.0]))
    } else if heat_duty >= oxygen_duty {
        "Heat asks for more air than oxygen does; with that much there is oxygen enough.".into()
    } else {
        "Oxygen asks for more air than heat does: with that much the bed cools below the temperature given.".into()
    });
    let json = json!({
        "oxygen_uptake_kilograms_per_day": uptake.0,
        "heat_watts": made.0,
        "heat_to_carry_watts": carry.0,
        "batch_oxygen_kilograms": oxygen.0,
        "batch_air_cubic_metres": air.volume.0,
        "oxygen_flow_cubic_metres_per_hour": for_oxygen.0,
        "oxygen_duty_fraction": oxygen_duty,
        "heat_flow_cubic_metres_per_hour": for_heat.0,
        "heat_duty_fraction": heat_duty,
        "blower_is_enough": most <= 1.0,
        "off_seconds_max": pause.map(|pause| pause.as_seconds()),
    });
    Ok(Answer { text, json })
}

/// What a probe in a duct may be off.
const PROBE_OFF: Kelvin = Kelvin(1.0);
/// From here on a kelvin moves the water in saturated air by a tenth and more at the elevations where people compost, up to half near boiling.
const BAND_FROM: Celsius = Celsius(75.0);

fn if_off(shown: Shown) -> String {
    format!("if the probe is off by {}", shown.difference(PROBE_OFF.0, 0))
}

/// A figure of hot air for a kelvin less and a kelvin more, in order; `None` where that hardly matters. A kelvin from boiling it is anything:
/// then it is refused.
fn banded(
    t: Celsius,
    figure: impl Fn(Celsius) -> Result<f64, CommandError>,
) -> Result<Option<(f64, f64)>, CommandError> {
    if t.0 < BAND_FROM.0 || t.0 + PROBE_OFF.0 > SATURATION_CELSIUS_MAX {
        return Ok(None);
    }
    let hot = figure(Celsius(t.0 + PROBE_OFF.0)).map_err(|error| {
        CommandError::Usage(format!(
            "{} °C is less than {} K from boiling, where a probe's error decides the figure, so none is given: {error}",
            Readable(t.0),
            PROBE_OFF.0
        ))
    })?;
    Ok(Some((figure(Celsius(t.0 - PROBE_OFF.0))?, hot)))
}

/// The duty that a flow needs, above 1 where the blower is too small.
fn needed(flow: CubicMetresPerHour, blower: CubicMetresPerHour) -> Result<f64, CommandError> {
    match duty_needed(flow, blower) {
        Ok(duty) => Ok(duty.0),
        Err(Refused::BlowerTooSmall { duty, .. }) => Ok(duty),
        Err(error) => Err(usage(error)),
    }
}

/// The air in, the blower's duty, and what it carries while it runs.
fn through(args: &ThroughPile) -> Result<(HumidAir, Fraction, Carried), CommandError> {
    let inlet = air_in(&args.inlet)?;
    let running = carried(args.flow_cubic_metres_per_hour, inlet, args.exhaust_celsius).map_err(usage)?;
    Ok((inlet, duty_of(&args.pulses)?, running))
}

fn air_in(inlet: &Inlet) -> Result<HumidAir, CommandError> {
    air_of(inlet.inlet_celsius, inlet.inlet_relative_humidity_fraction, &inlet.barometer)
}

fn air_of(t: Celsius, humidity: Fraction, barometer: &Barometer) -> Result<HumidAir, CommandError> {
    HumidAir::from_relative_humidity(t, humidity, pressure(barometer)?).map_err(usage)
}

fn described(shown: Shown, air: HumidAir) -> String {
    let Pascals(pascals) = air.pressure();
    let humidity = percent(air.relative_humidity().0, 0, &[]);
    format!("{}, {humidity} relative humidity, {pascals:.0} Pa", shown.temperature(air.temperature().0, 1))
}

fn blower(shown: Shown, flow: CubicMetresPerHour, duty: Fraction) -> String {
    format!("{}, running {} of the time", shown.flow(flow.0), percent(duty.0, 1, &[0.0, 1.0]))
}
