//! What air takes out of a pile: water and heat, what condenses when it cools in a duct, and whether a wall gets wet.
//!
//! Must never count the heat of the evaporated water twice: the water was already warm, so the bed gives less than the
//! air gains.
//!
//! The basis is dry air, whose mass flow is the same before and after the pile. The exhaust leaves saturated at its
//! temperature and at the pressure of the inlet. The flow is that of the blower, measured at the inlet's conditions.

use crate::humid_air::{HumidAir, OutOfRange};
use crate::time::Span;
use crate::units::{
    Celsius, CubicMetresPerHour, Fraction, Kelvin, KilogramsPerDay, KilogramsPerSecond, LitresPerDay,
    SquareMetreKelvinsPerWatt, Watts, WattsPerSquareMetreKelvin, readable,
};

/// Heat capacity of liquid water, J/(kg K): the round figure of the table the tests hold this module to.
pub const WATER_JOULES_PER_KILOGRAM_KELVIN: f64 = 4186.0;
/// Highest flow that is taken, m³/h: far beyond any blower, so what is above is a slip of the unit.
pub const FLOW_CUBIC_METRES_PER_HOUR_MAX: f64 = 1e6;
/// Still air inside a wall, m² K/W (ISO 6946, horizontal heat flow; from memory).
pub const FILM_WALL: SquareMetreKelvinsPerWatt = SquareMetreKelvinsPerWatt(0.13);
/// Still air under a roof, m² K/W (ISO 6946, heat flow upwards; from memory).
pub const FILM_ROOF: SquareMetreKelvinsPerWatt = SquareMetreKelvinsPerWatt(0.10);

const DAY_SECONDS: f64 = 86_400.0;
const HOUR_SECONDS: f64 = 3_600.0;
/// Litres of a kilogram of water; at 60 °C it is 1.017 (from memory), which no drain notices.
const LITRES_PER_KILOGRAM: f64 = 1.0;

/// Why there is no answer.
#[derive(Clone, Copy, Debug, PartialEq, thiserror::Error)]
pub enum Refused {
    /// The air before or after the pile cannot be computed.
    #[error(transparent)]
    Air(#[from] OutOfRange),
    /// A number outside its range, or not a number.
    #[error("{what} of {value} {unit} is outside {min} to {max} {unit}; {next}", value = readable(.value))]
    Quantity {
        /// What the number is, with its article.
        what: &'static str,
        /// The number given.
        value: f64,
        /// Its unit.
        unit: &'static str,
        /// The lowest that is taken.
        min: f64,
        /// The highest that is taken.
        max: f64,
        /// The reader's next step.
        next: &'static str,
    },
    /// Water that condenses below 0 °C is ice.
    #[error(
        "air that condenses on its way to {celsius} °C leaves ice in the duct, not a drain's water; insulate or heat it", celsius = readable(.celsius))]
    Freezes {
        /// The temperature at the end of the duct, °C.
        celsius: f64,
    },
}

/// What an air flow takes from a pile.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Carried {
    /// The flow of dry air.
    pub dry_air: KilogramsPerSecond,
    /// Water removed; negative if the inlet's vapour condenses in the bed.
    pub water: KilogramsPerDay,
    /// What the air gains in enthalpy: sensible and latent.
    pub heat_total: Watts,
    /// The part that warms the inlet's air and vapour; negative if the inlet is hotter than the exhaust.
    pub heat_sensible: Watts,
    /// The part that is the enthalpy of the water removed, as vapour at the exhaust's temperature.
    pub heat_latent: Watts,
    /// What the bed loses, for a balance that keeps its water apart: `heat_total` less the heat the liquid brought.
    pub heat_from_bed: Watts,
}

impl Carried {
    /// The average over the cycles of a blower that runs for `duty` of the time and is shut for the rest.
    ///
    /// Right as far as the exhaust's temperature is that of the pulses, and no draught flows between them.
    ///
    /// # Errors
    /// [`Refused::Quantity`] for a duty outside 0 to 1.
    pub fn averaged(self, duty: Fraction) -> Result<Carried, Refused> {
        let duty = within("a duty", duty.0, "", 0.0, 1.0, "give the part of the time the blower runs")?;
        Ok(Carried {
            dry_air: KilogramsPerSecond(duty * self.dry_air.0),
            water: KilogramsPerDay(duty * self.water.0),
            heat_total: Watts(duty * self.heat_total.0),
            heat_sensible: Watts(duty * self.heat_sensible.0),
            heat_latent: Watts(duty * self.heat_latent.0),
            heat_from_bed: Watts(duty * self.heat_from_bed.0),
        })
    }
}

/// The part of the time that a blower runs: `on` out of each `cycle`, which counts pulse and pause.
///
/// # Errors
/// [`Refused::Quantity`] for a cycle that is not above zero or a pulse longer than its cycle.
pub fn duty(on: Span, cycle: Span) -> Result<Fraction, Refused> {
    let (on, cycle) = (on.as_seconds(), cycle.as_seconds());
    let cycle = within("a cycle", cycle, "s", 0.001, 1e9, "give on-time and off-time together")?;
    let on = within("an on-time", on, "s", 0.0, cycle, "an on-time is not longer than its cycle")?;
    Ok(Fraction(on / cycle))
}

/// The dry air in a flow measured at the inlet's conditions, 0 to 1e6 m³/h.
///
/// # Errors
/// [`Refused::Quantity`] for a flow outside that.
pub fn dry_air(flow: CubicMetresPerHour, inlet: HumidAir) -> Result<KilogramsPerSecond, Refused> {
    let flow = within(
        "a flow",
        flow.0,
        "m³/h",
        0.0,
        FLOW_CUBIC_METRES_PER_HOUR_MAX,
        "check the blower's flow and its unit (1 cfm is 1.699 m³/h)",
    )?;
    Ok(KilogramsPerSecond(flow / HOUR_SECONDS / inlet.volume().0))
}

/// What a flow of `inlet` air takes from a pile that it leaves saturated at the temperature `exhaust`.
///
/// With m the dry air, w the humidity ratios and h the enthalpies: water = m (w_out - w_in), heat_total = m (h_out -
/// h_in), heat_sensible = m (1006 + 1860 w_in)(T_out - T_in), heat_from_bed = heat_total - m (w_out - w_in) 4186 T_out.
/// Against a real-gas mixture the water is up to 0.9 % low and the heat up to 0.7 %.
///
/// # Errors
/// [`Refused`] for a flow outside 0 to 1e6 m³/h, or an exhaust that is out of range or boils.
pub fn carried(flow: CubicMetresPerHour, inlet: HumidAir, exhaust: Celsius) -> Result<Carried, Refused> {
    let out = HumidAir::saturated(exhaust, inlet.pressure())?;
    let m = dry_air(flow, inlet)?;
    let w_in = inlet.humidity_ratio().0;
    let water = m.0 * (out.humidity_ratio().0 - w_in);
    let total = m.0 * (out.enthalpy().0 - inlet.enthalpy().0);
    let sensible = m.0 * (1006.0 + 1860.0 * w_in) * (exhaust.0 - inlet.temperature().0);
    Ok(Carried {
        dry_air: m,
        water: KilogramsPerDay(water * DAY_SECONDS),
        heat_total: Watts(total),
        heat_sensible: Watts(sensible),
        heat_latent: Watts(total - sensible),
        heat_from_bed: Watts(total - water * WATER_JOULES_PER_KILOGRAM_KELVIN * exhaust.0),
    })
}

/// What is left behind when air cools in a duct.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Condensate {
    /// Water that condenses; zero if the duct stays above the dew point.
    pub mass: KilogramsPerDay,
    /// The same as a volume, a kilogram taken as a litre: what the drain must carry.
    pub volume: LitresPerDay,
    /// Heat given to the duct; negative if the duct is warmer than the air.
    pub heat_released: Watts,
    /// The air at the end of the duct.
    pub leaving: HumidAir,
}

/// What condenses from a flow of `dry_air` that enters a duct as `air` and leaves it at the temperature `cooled_to`.
///
/// The mass is m (w_1 - w_2), the air leaving saturated once it is below its dew point; the heat is m (h_1 - h_2) less
/// what the condensate takes with it at `cooled_to`. For a pulsed blower give the averaged `dry_air`: the figure is that
/// of the day, and within a pulse the drain sees more by the inverse of the duty.
///
/// # Errors
/// [`Refused::Freezes`] if water condenses and `cooled_to` is below 0 °C; else for a temperature or a flow out of range.
pub fn condensate(dry_air: KilogramsPerSecond, air: HumidAir, cooled_to: Celsius) -> Result<Condensate, Refused> {
    let m = within("a flow of dry air", dry_air.0, "kg/s", 0.0, 1e3, "check the blower's flow and its unit")?;
    let leaving = air.brought_to(cooled_to)?;
    let water = m * (air.humidity_ratio().0 - leaving.humidity_ratio().0);
    if water > 0.0 && cooled_to.0 < 0.0 {
        return Err(Refused::Freezes { celsius: cooled_to.0 });
    }
    let heat = m * (air.enthalpy().0 - leaving.enthalpy().0);
    Ok(Condensate {
        mass: KilogramsPerDay(water * DAY_SECONDS),
        volume: LitresPerDay(water * DAY_SECONDS * LITRES_PER_KILOGRAM),
        heat_released: Watts(heat - water * WATER_JOULES_PER_KILOGRAM_KELVIN * cooled_to.0),
        leaving,
    })
}

/// How far a surface is above the dew point of the room: at zero and below it gets wet.
///
/// # Errors
/// [`Refused::Air`] for a surface outside -100 to 200 °C or a room too dry to have a dew point.
pub fn dew_margin(surface: Celsius, room: HumidAir) -> Result<Kelvin, Refused> {
    Ok(Kelvin(temperature(surface)? - room.dew_point()?.0))
}

/// The inside surface temperature of a wall or roof: inside - film × U × (inside - outside), in a steady state.
///
/// `film` is the resistance of the still air at the inside, which `u_value` counts too: [`FILM_WALL`], [`FILM_ROOF`].
/// Corners, and what stands against the wall, are colder.
///
/// # Errors
/// [`Refused`] for a temperature outside -100 to 200 °C, a film outside 0.01 to 1 m² K/W, or a U-value that is negative
/// or above 1/film, which its own film does not allow.
pub fn inside_surface(
    inside: Celsius,
    outside: Celsius,
    u_value: WattsPerSquareMetreKelvin,
    film: SquareMetreKelvinsPerWatt,
) -> Result<Celsius, Refused> {
    let film = within("a film resistance", film.0, "m² K/W", 0.01, 1.0, "still air inside is 0.10 to 0.25")?;
    let next = "give the U-value in W/(m² K), with the films of air on both sides counted in";
    let u = within("a U-value", u_value.0, "W/(m² K)", 0.0, 1.0 / film, next)?;
    let inside = temperature(inside)?;
    Ok(Celsius(inside - film * u * (inside - temperature(outside)?)))
}

/// The number if it is in its range; one that is not a number is in none.
pub(crate) fn within(
    what: &'static str,
    value: f64,
    unit: &'static str,
    min: f64,
    max: f64,
    next: &'static str,
) -> Result<f64, Refused> {
    if (min..=max).contains(&value) { Ok(value) } else { Err(Refused::Quantity { what, value, unit, min, max, next }) }
}

fn temperature(t: Celsius) -> Result<f64, OutOfRange> {
    crate::humid_air::saturation_pressure(t).map(|_| t.0)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::units::Pascals;
    use proptest::prelude::*;

    const SEA_LEVEL: Pascals = Pascals(101_325.0);

    fn air(celsius: f64, humidity: f64) -> HumidAir {
        HumidAir::from_relative_humidity(Celsius(celsius), Fraction(humidity), SEA_LEVEL).unwrap()
    }

    #[test]
    fn a_pulsed_blower_takes_its_share_of_the_time() {
        // psychrolib 2.5.0: 100 m³/h of air of 20 °C and half humidity takes 562.39 kg a day at 65 °C.
        let steady = carried(CubicMetresPerHour(100.0), air(20.0, 0.5), Celsius(65.0)).unwrap();
        assert!((steady.water.0 - 562.39).abs() < 0.005, "{steady:?}");
        for (on, cycle, want, why) in [
            (45, 1800, 14.05975, "45 s each half hour is a fortieth"),
            (1800, 1800, 562.39, "a pulse as long as its cycle never stops"),
            (0, 1800, 0.0, "a blower that is off takes nothing"),
        ] {
            let got = steady.averaged(duty(Span::seconds(on), Span::seconds(cycle)).unwrap()).unwrap();
            assert!((got.water.0 - want).abs() < 0.005, "{why}: {got:?}");
            let share = got.water.0 / steady.water.0;
            assert!((got.heat_from_bed.0 - share * steady.heat_from_bed.0).abs() < 1e-9, "{why}: {got:?}");
        }
    }

    #[test]
    fn only_below_its_dew_point_does_the_exhaust_lose_water() {
        let m = KilogramsPerSecond(0.01);
        // 60 °C saturated holds 0.152417 kg/kg, 30 °C 0.027203, 0 °C 0.003774 (psychrolib 2.5.0).
        for (from, humidity, to, want, why) in [
            (60.0, 1.0, 30.0, 108.186, "0.01 kg/s leaves 0.125215 kg/kg"),
            (60.0, 1.0, 60.0, 0.0, "no cooling, no water"),
            (60.0, 1.0, 70.0, 0.0, "a warmer duct dries the air"),
            (30.0, 0.5, 20.0, 0.0, "the dew point is 18.4 °C"),
            (30.0, 0.5, 0.0, 8.239, "0 °C exactly does not freeze"),
        ] {
            let got = condensate(m, air(from, humidity), Celsius(to)).unwrap();
            assert!((got.mass.0 - want).abs() < 1e-3, "{why}: {got:?}");
            assert_eq!(got.mass.0, got.volume.0, "{why}");
            assert_eq!(got.heat_released.0 > 0.0, to < from, "{why}: {got:?}");
        }
        // The heat of condensation is 2.40 MJ/kg near 45 °C (steam tables, from memory) and the air cools by 30 K.
        let got = condensate(m, air(60.0, 1.0), Celsius(30.0)).unwrap();
        let by_hand = 108.186 / 86_400.0 * 2.40e6 + 0.01 * (1006.0 + 0.09 * 1860.0 + 0.0627 * 4186.0) * 30.0;
        assert!((got.heat_released.0 / by_hand - 1.0).abs() < 0.01, "{got:?}, by hand {by_hand} W");
        assert!((got.leaving.relative_humidity().0 - 1.0).abs() < 1e-12, "it leaves saturated");
    }

    #[test]
    fn a_cold_wall_gets_wet() {
        // 20 °C and 60 % has its dew point at 12.0 °C (usual tables, from memory).
        let room = air(20.0, 0.6);
        assert!((dew_margin(Celsius(12.0), room).unwrap().0).abs() < 0.05);
        for (outside, u, film, surface, wet, why) in [
            (0.0, 1.5, FILM_WALL, 16.1, false, "20 - 0.13 × 1.5 × 20"),
            (-10.0, 2.5, FILM_WALL, 10.25, true, "20 - 0.13 × 2.5 × 30"),
            (-10.0, 2.5, FILM_ROOF, 12.5, false, "20 - 0.10 × 2.5 × 30"),
            (-10.0, 0.0, FILM_ROOF, 20.0, false, "a perfect wall is as warm as the room"),
            (-10.0, 10.0, FILM_ROOF, -10.0, true, "all resistance in the film: as cold as outside"),
        ] {
            let got = inside_surface(Celsius(20.0), Celsius(outside), WattsPerSquareMetreKelvin(u), film).unwrap();
            assert!((got.0 - surface).abs() < 1e-9, "{why}: {got:?}");
            assert_eq!(dew_margin(got, room).unwrap().0 <= 0.0, wet, "{why}");
        }
    }

    #[test]
    fn what_cannot_be_is_refused_with_its_range() {
        let room = air(20.0, 0.5);
        let flow = |q| carried(CubicMetresPerHour(q), room, Celsius(60.0)).map(|_| ());
        let cooled = |m, t| condensate(KilogramsPerSecond(m), room, Celsius(t)).map(|_| ());
        let wall = |u, film| {
            inside_surface(Celsius(20.0), Celsius(0.0), WattsPerSquareMetreKelvin(u), SquareMetreKelvinsPerWatt(film))
                .map(|_| ())
        };
        let on = |on, cycle| duty(Span::seconds(on), Span::seconds(cycle)).map(|_| ());
        for (got, want, why) in [
            (flow(-1.0), "a flow of -1 m³/h is outside 0 to 1000000 m³/h", "no blower runs backwards"),
            (flow(f64::NAN), "a flow of NaN m³/h", "not a number"),
            (
                carried(CubicMetresPerHour(1.0), room, Celsius(100.1)).map(|_| ()),
                "at 100.1 °C the vapour pressure",
                "the bed boils",
            ),
            (cooled(0.1, -5.0), "air that condenses on its way to -5 °C leaves ice", "frost is no drain's water"),
            (cooled(0.1, 300.0), "300 °C is outside", "beyond the equations"),
            (cooled(f64::INFINITY, 10.0), "a flow of dry air of inf kg/s", "not a flow"),
            (wall(8.0, 0.13), "a U-value of 8 W/(m² K) is outside 0 to 7.69", "the film alone lets less through"),
            (wall(1.0, 0.0), "a film resistance of 0 m² K/W", "no film at all"),
            (on(46, 45), "an on-time of 46 s is outside 0 to 45 s", "longer than its cycle"),
            (on(0, 0), "a cycle of 0 s", "no cycle"),
            (on(-1, 45), "an on-time of -1 s", "negative"),
        ] {
            let got = got.unwrap_err().to_string();
            assert!(got.starts_with(want), "{why}: {got}");
        }
        let frosty = air(-8.0, 0.5);
        let kept = condensate(KilogramsPerSecond(0.1), frosty, Celsius(-9.0)).unwrap();
        assert_eq!(kept.mass.0, 0.0, "frosty air above its dew point leaves nothing");
    }

    proptest! {
        #[test]
        fn any_number_gives_an_error_or_finite_figures(
            t in -40.0..99.0f64, rh in 0.0..=1.0f64, q in prop_oneof![0.0..1e6f64, any::<f64>()],
            out in prop_oneof![-120.0..220.0f64, any::<f64>()], u in any::<f64>(),
        ) {
            let inlet = air(t, rh);
            if let Ok(c) = carried(CubicMetresPerHour(q), inlet, Celsius(out)) {
                let all = [c.water.0, c.heat_total.0, c.heat_sensible.0, c.heat_latent.0, c.heat_from_bed.0];
                prop_assert!(all.iter().all(|n| n.is_finite()), "{c:?}");
            }
            if let Ok(c) = condensate(KilogramsPerSecond(q), inlet, Celsius(out)) {
                prop_assert!(c.mass.0 >= 0.0 && c.mass.0.is_finite() && c.heat_released.0.is_finite(), "{c:?}");
            }
            if let Ok(margin) = dew_margin(Celsius(out), inlet) {
                prop_assert!(margin.0.is_finite());
            }
            let (u, film) = (WattsPerSquareMetreKelvin(u), SquareMetreKelvinsPerWatt(q));
            if let Ok(surface) = inside_surface(Celsius(t), Celsius(out), u, film) {
                let (low, high) = (t.min(out) - 1e-9, t.max(out) + 1e-9);
                prop_assert!((low..=high).contains(&surface.0), "{surface:?}");
            }
        }
    }
}
