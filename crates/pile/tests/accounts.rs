//! Holds the water and the heat account against tables, sums by hand, conservation, and simulated batches whose truth
//! is known.
//!
//! Must never take the account's own arithmetic for the truth: the simulated bed is written out here.

#![allow(clippy::unwrap_used)]

mod table;

use pile::bed::{AccountError, Air, BedParameters, chill, heat_capacity, losses};
use pile::heat_account::{HeatStretch, heat_account};
use pile::humid_air::{HumidAir, saturation_pressure, volume};
use pile::time::{Span, Timestamp};
use pile::units::*;
use pile::water_account::{Between, Filling, SampleOutcome, Stretch, Until, WaterAccount, given_in, time_to_give};
use proptest::prelude::*;
use table::table;

const START: Timestamp = Timestamp::from_millis(0);

fn air(inlet: f64, humidity: f64, flow: f64, pascals: f64) -> Air {
    Air {
        inlet: Celsius(inlet),
        humidity: Fraction(humidity),
        humidity_sd: Fraction(0.1),
        flow: CubicMetresPerHour(flow),
        flow_sd: Fraction(0.15),
        pressure: Pascals(pascals),
    }
}

/// The bin of the lumped model: 2.5 m³, a blower of 150 m³/h that runs 45 s every half hour.
fn bin() -> BedParameters {
    BedParameters::of_static_bin(CubicMetres(2.5)).unwrap()
}

/// What that bin draws: 12.5 °C at 70 % humidity.
fn outdoors() -> Air {
    air(12.5, 0.7, 150.0, 101_325.0)
}

const PULSES: f64 = 45.0 / 1800.0;

fn filling(wet: f64, moisture: f64) -> Filling {
    Filling {
        wet_mass: Kilograms(wet),
        wet_mass_sd: Fraction(0.1),
        moisture: Fraction(moisture),
        moisture_sd: Fraction(0.03),
        degradable: Fraction(0.42),
    }
}

fn account(wet: f64, moisture: f64) -> WaterAccount {
    WaterAccount::begin(bin(), START, &filling(wet, moisture)).unwrap()
}

fn stretch(until: Timestamp, duty: f64, celsius: f64, air: Air) -> Stretch {
    Stretch {
        until,
        duty: Between::exactly(Fraction(duty)),
        bed: Between::exactly(Celsius(celsius)),
        rise: Kelvin(0.0),
        air,
    }
}

fn days(d: f64) -> Timestamp {
    START + Span::from_seconds_f64(d * 86_400.0)
}

#[track_caller]
fn assert_near(got: f64, want: f64, within: f64, what: &str) {
    assert!((got - want).abs() <= within, "{what}: {got}, wanted {want} within {within}");
}

#[test]
fn a_day_of_constant_air_removes_what_the_table_says() {
    let (mut rows, mut worst) = (0, 0.0_f64);
    for row in table("exhaust-drying.csv") {
        let cell = |head: &str| row.number(head);
        let (t, air) =
            (cell("t_exhaust_c"), air(cell("t_in_c"), cell("rh_in_frac"), cell("q_in_m3_per_h"), cell("p_pa")));
        let mut off = |got: f64, want: f64| worst = worst.max((got / want - 1.0).abs());

        let losses = losses(&bin(), Celsius(t), Fraction(1.0), &air).unwrap();
        off(losses.water().0, cell("water_removed_kg_per_day"));
        off(losses.blower.0 / 1000.0, cell("heat_from_bed_kw"));

        let mut account = WaterAccount::begin(bin(), START, &filling(100_000.0, 0.6)).unwrap();
        for quarter in 1..=96 {
            account.pass(&stretch(days(f64::from(quarter) / 96.0), 1.0, t, air)).unwrap();
        }
        off(account.totals().removed.0, cell("water_removed_kg_per_day"));
        rows += 1;
    }
    assert_eq!(rows, 10);
    println!("largest relative disagreement: {worst:e}");
    assert!(worst < 2e-14, "largest relative disagreement {worst:e}");
}

#[test]
fn a_cold_dose_chills_by_its_share_of_the_heat() {
    // 387 kg of solids and 214 kg of water at 45 °C, 258 kg of water at 12.5 °C: by hand 258*4186*32.5 J over
    // 387*1250 + 472*4186 J/K. The lumped model shows 32 °C an hour later, with its activity back by then.
    let before = heat_capacity(&bin(), Kilograms(387.0), Kilograms(214.0)).unwrap();
    let got = chill(before, Kilograms(258.0), Celsius(45.0), Celsius(12.5)).unwrap();
    assert_near(45.0 - got.0, 30.73, 0.01, "mixed temperature, °C");
    let flood = chill(before, Kilograms(1e6), Celsius(45.0), Celsius(12.5)).unwrap();
    assert!(flood.0 < 32.5, "no dose chills below its own temperature");
    assert_eq!(chill(before, Kilograms(0.0), Celsius(45.0), Celsius(12.5)).unwrap(), Kelvin(0.0));
}

#[test]
fn doses_are_those_of_sums_by_hand() {
    // 1000 kg at 40 %: 400 kg of water, 600 kg dry.
    for (goal, litres, why) in [
        (0.55, 600.0 * 0.55 / 0.45 - 400.0, "333.3 l bring it to 55 %"),
        (0.40, 0.0, "it is there"),
        (0.30, 0.0, "too wet needs none"),
    ] {
        let dose = account(1000.0, 0.4).litres_to(Fraction(goal)).unwrap();
        assert_near(dose.value.0, litres, 1e-9, why);
        assert!(dose.low.0 <= dose.value.0 && dose.value.0 <= dose.high.0, "{why}");
    }
    assert_eq!(time_to_give(Litres(333.0), LitresPerMinute(18.5)).unwrap(), Span::minutes(18));
    assert_eq!(given_in(Span::minutes(18), LitresPerMinute(18.5)).unwrap(), Litres(333.0));

    let fresh = account(1000.0, 0.4).moisture();
    assert_near(fresh.high.0 - fresh.value.0, 1.96 * 0.03, 1e-12, "a fresh account is as sure as its filling");
    let mut watered = account(1000.0, 0.4);
    watered.water(Litres(100.0), Litres(0.0)).unwrap();
    assert_near(watered.moisture().value.0, 500.0 / 1100.0, 1e-12, "100 l make 500 of 1100 kg");
}

#[test]
fn solids_burn_as_the_heat_implies() {
    // A day at 60 °C loses 803 W: 803*86400/19.6e6 kg of solids, and 0.55 of that as water.
    let mut steady = account(1250.0, 0.6);
    steady.pass(&stretch(days(1.0), PULSES, 60.0, outdoors())).unwrap();
    let losses = losses(&bin(), Celsius(60.0), Fraction(PULSES), &outdoors()).unwrap();
    assert_near(500.0 - steady.dry_mass().0, losses.heat().0 * 86_400.0 / 19.6e6, 1e-9, "kg of solids");
    assert_near(steady.totals().formed.0, 0.55 * (500.0 - steady.dry_mass().0), 1e-9, "kg of water formed");
    let mut warming = account(1250.0, 0.6);
    warming.pass(&Stretch { rise: Kelvin(10.0), ..stretch(days(1.0), PULSES, 60.0, outdoors()) }).unwrap();
    let warmed = (500.0 * 1250.0 + 750.0 * 4186.0) * 10.0 / 19.6e6;
    assert_near(steady.dry_mass().0 - warming.dry_mass().0, warmed, 1e-9, "warming takes solids too");
}

#[test]
fn the_band_grows_with_what_is_not_known_and_shrinks_with_a_sample() {
    let known = |d: f64| stretch(days(d), PULSES, 60.0, outdoors());
    let sd = |a: &WaterAccount| a.water_mass_sd().0;
    // Nothing but the flow in doubt: the error is that share of the water, after one day and after ten.
    let sure = BedParameters {
        draught_sd: Fraction(0.0),
        exhaust_humidity_sd: Fraction(0.0),
        wall_sd: Fraction(0.0),
        oxidation_sd: Fraction(0.0),
        draught: CubicMetresPerHour(0.0),
        water_per_kg_solids: 0.0,
        ..bin()
    };
    let exact = Filling { wet_mass_sd: Fraction(0.0), moisture_sd: Fraction(0.0), ..filling(1250.0, 0.6) };
    let mut a = WaterAccount::begin(sure, START, &exact).unwrap();
    for day in 1..=10 {
        a.pass(&Stretch { air: Air { humidity_sd: Fraction(0.0), ..outdoors() }, ..known(f64::from(day)) }).unwrap();
        assert_near(sd(&a), 0.15 * a.totals().removed.0, 1e-9, "systematic, so in proportion to the water removed");
    }

    let mut seen = account(1250.0, 0.6);
    seen.pass(&known(10.0)).unwrap();
    let mut silent = account(1250.0, 0.6);
    silent.pass(&known(8.0)).unwrap();
    let unknown = Stretch {
        duty: Between { low: Fraction(0.0), high: Fraction(2.0 * PULSES) },
        bed: Between { low: Celsius(40.0), high: Celsius(65.0) },
        ..known(10.0)
    };
    silent.pass(&unknown).unwrap();
    assert!(sd(&silent) > sd(&seen) + 2.0, "two silent days: {} kg, {} kg", sd(&silent), sd(&seen));

    let mut sampled = silent.clone();
    let outcome = sampled.sample(silent.moisture().value, Fraction(0.02)).unwrap();
    assert_eq!(outcome, SampleOutcome::Combined);
    assert_near(sampled.moisture().value.0, silent.moisture().value.0, 1e-12, "a sample that agrees moves nothing");
    let half = |a: &WaterAccount| (a.moisture().high.0 - a.moisture().low.0) / 2.0 / 1.96;
    let combined = 1.0 / (1.0 / half(&silent).powi(2) + 1.0 / 0.02_f64.powi(2)).sqrt();
    assert_near(half(&sampled), combined, 1e-12, "inverse variances add");

    // A drier sample means, among other things, that more air passes than was believed.
    let mut drier = seen.clone();
    drier.sample(Fraction(seen.moisture().value.0 - 0.04), Fraction(0.01)).unwrap();
    assert!(drier.flow_factor(Fraction(0.15)) > 1.01, "{}", drier.flow_factor(Fraction(0.15)));
    assert_near(seen.flow_factor(Fraction(0.15)), 1.0, 0.0, "before any sample the flow is as given");
}

/// A bed and an air of which one thing is in doubt.
struct Doubt {
    name: &'static str,
    /// Makes the doubt of this size, everything else being sure.
    of: fn(f64, &mut BedParameters, &mut Air),
    /// Moves the thing itself by that much.
    by: fn(f64, &mut BedParameters, &mut Air),
}

const DOUBTS: [Doubt; 6] = [
    Doubt { name: "flow", of: |x, _, a| a.flow_sd.0 = x, by: |x, _, a| a.flow.0 *= 1.0 + x },
    Doubt { name: "draught", of: |x, b, _| b.draught_sd.0 = x, by: |x, b, _| b.draught.0 *= 1.0 + x },
    Doubt {
        name: "walls",
        of: |x, b, _| b.wall_sd.0 = x,
        by: |x, b, _| b.wall_watts_per_square_metre_kelvin *= 1.0 + x,
    },
    Doubt {
        name: "oxidation",
        of: |x, b, _| b.oxidation_sd.0 = x,
        by: |x, b, _| b.heat_joules_per_kg_solids /= 1.0 + x,
    },
    Doubt { name: "inlet humidity", of: |x, _, a| a.humidity_sd.0 = x, by: |x, _, a| a.humidity.0 += x },
    // The humidity of the exhaust is saturation's and cannot be moved; its share is summed by hand below.
    Doubt { name: "exhaust humidity", of: |x, b, _| b.exhaust_humidity_sd.0 = x, by: |_, _, _| () },
];

/// Eight days at 60 °C and warming, of a filling that is known exactly, with no doubt but `doubt`.
fn with_doubt(doubt: &Doubt, size: f64, moved: f64) -> (WaterAccount, Air) {
    let none = Fraction(0.0);
    let mut bed =
        BedParameters { wall_sd: none, draught_sd: none, exhaust_humidity_sd: none, oxidation_sd: none, ..bin() };
    let mut air = Air { humidity_sd: none, flow_sd: none, ..outdoors() };
    (doubt.of)(size, &mut bed, &mut air);
    (doubt.by)(moved, &mut bed, &mut air);
    let exact = Filling { wet_mass_sd: none, moisture_sd: none, ..filling(1250.0, 0.6) };
    let mut a = WaterAccount::begin(bed, START, &exact).unwrap();
    for day in 1..=8 {
        a.pass(&Stretch { rise: Kelvin(1.0), ..stretch(days(f64::from(day)), PULSES, 60.0, air) }).unwrap();
    }
    (a, air)
}

#[test]
fn each_doubt_moves_the_account_as_much_as_the_thing_itself_would() {
    // The heat that a kelvin of warming stores goes with the water in the bed; that product of two small things is left
    // out of the deviations and leaves 0.2 %. The inlet's humidity ratio is not quite straight over its relative
    // humidity, which leaves 0.6 %.
    for doubt in &DOUBTS[..5] {
        let size = 1e-5;
        let ((a, _), (moved, _)) = (with_doubt(doubt, size, 0.0), with_doubt(doubt, 0.0, size));
        let by_water = (moved.water_mass().0 - a.water_mass().0).abs();
        assert_near(a.water_mass_sd().0 / by_water, 1.0, 8e-3, doubt.name);
        let by_moisture = (moved.moisture().value.0 - a.moisture().value.0).abs();
        let half = (a.moisture().high.0 - a.moisture().low.0) / 2.0 / 1.96;
        assert_near(half / by_moisture, 1.0, 8e-3, &format!("{} in the moisture", doubt.name));
    }
    // Of the exhaust's humidity: that share of all the water that the leaving air holds, less what its heat of
    // vaporisation forms anew.
    let (a, air) = with_doubt(&DOUBTS[5], 1e-5, 0.0);
    let lost = losses(&bin(), Celsius(60.0), Fraction(PULSES), &air).unwrap().water().0 * 8.0;
    let w_in = 0.7 * 0.621945 * saturation_pressure(air.inlet).unwrap().0
        / (101_325.0 - 0.7 * saturation_pressure(air.inlet).unwrap().0);
    let w_out = HumidAir::saturated(Celsius(60.0), air.pressure).unwrap().humidity_ratio().0;
    let held = lost * w_out / (w_out - w_in);
    let want = held * 1e-5 * (1.0 - 0.55 * (2_501_000.0 - 2326.0 * 60.0) / 19.6e6);
    assert_near(a.water_mass_sd().0 / want, 1.0, 1e-9, "exhaust humidity");
}

#[test]
fn a_sample_teaches_whichever_doubt_there_is_and_the_days_after_show_it() {
    for doubt in &DOUBTS[..5] {
        let size = 0.2;
        let ((mut a, air), (mut truth, true_air)) = (with_doubt(doubt, size, 0.0), with_doubt(doubt, 0.0, size));
        let mut untaught = a.clone();
        // Weighed a thousand times, the sample would be this sure; one is not, so it is given often.
        for _ in 0..2000 {
            assert_eq!(a.sample(truth.moisture().value, Fraction(0.001)).unwrap(), SampleOutcome::Combined);
        }
        for (account, air) in [(&mut a, air), (&mut untaught, air), (&mut truth, true_air)] {
            account.pass(&stretch(days(12.0), PULSES, 60.0, air)).unwrap();
        }
        let off = |x: &WaterAccount| (x.moisture().value.0 - truth.moisture().value.0).abs();
        assert!(off(&a) < 0.2 * off(&untaught), "{}: {} and {}", doubt.name, off(&a), off(&untaught));
    }
}

#[test]
fn a_sample_teaches_nothing_about_the_next_silence() {
    let sure = &Doubt { name: "none", of: |_, _, _| (), by: |_, _, _| () };
    let (mut a, air) = with_doubt(sure, 0.0, 0.0);
    let silence = |until: f64| Stretch {
        duty: Between { low: Fraction(0.0), high: Fraction(0.5) },
        ..stretch(days(until), PULSES, 60.0, air)
    };
    let before = a.totals().removed.0;
    a.pass(&silence(9.0)).unwrap();
    let first = a.totals().removed.0 - before;
    let sd = a.water_mass_sd().0;
    // Between no run at all and half the time, each as likely: the width over the root of 12.
    assert!(sd > 50.0, "{sd}");
    a.sample(Fraction(a.moisture().value.0 - 0.05), Fraction(0.001)).unwrap();
    let (before, sd_before) = (a.totals().removed.0, a.water_mass_sd().0);
    a.pass(&silence(9.5)).unwrap();
    assert_near(a.totals().removed.0 - before, first / 2.0, 1e-9, "half a day of the same silence");
    let grown = (a.water_mass_sd().0.powi(2) - sd_before.powi(2)).sqrt();
    assert_near(grown, sd / 2.0, 1e-6, "and as much in doubt");
}

#[test]
fn a_sample_that_cannot_be_begins_the_account_anew() {
    let mut a = account(1250.0, 0.6);
    a.pass(&stretch(days(5.0), PULSES, 60.0, outdoors())).unwrap();
    let share = a.degradable_left().0 / a.dry_mass().0;
    a.sample(Fraction(a.moisture().value.0 + 0.02), Fraction(0.02)).unwrap();
    assert_near(a.degradable_left().0 / a.dry_mass().0, share, 1e-12, "less dry mass holds less that can burn");
    let dry = a.dry_mass();
    assert_eq!(a.sample(Fraction(0.30), Fraction(0.02)).unwrap(), SampleOutcome::BegunAnew);
    assert_eq!(a.dry_mass(), dry);
    let m = a.moisture();
    assert_near(m.value.0, 0.30, 1e-12, "the sample stands");
    assert_near(m.high.0 - m.low.0, 2.0 * 1.96 * 0.02, 1e-9, "with its own doubt");
    assert_near(a.flow_factor(Fraction(0.15)), 1.0, 0.0, "and teaches nothing about the flow");
}

#[test]
fn days_to_a_moisture_follow_the_present_rate_or_say_why_not() {
    let run = |start: f64, whole_days: f64, inlet: Air, duty: Between<Fraction>| {
        let mut a =
            WaterAccount::begin(bin(), START, &Filling { moisture_sd: Fraction(0.005), ..filling(1250.0, start) })
                .unwrap();
        for quarter in 1..=(whole_days * 96.0) as i32 {
            let celsius = if inlet.inlet.0 > 30.0 { 20.0 } else { 60.0 };
            let known = stretch(days(f64::from(quarter) / 96.0), 0.0, celsius, inlet);
            a.pass(&Stretch { duty, ..known }).unwrap();
        }
        a.until(Fraction(0.45)).unwrap()
    };
    let pulses = Between::exactly(Fraction(PULSES));
    assert_eq!(run(0.44, 1.0, outdoors(), pulses), Until::Reached);
    assert_eq!(run(0.55, 0.1, outdoors(), pulses), Until::TooShort);
    let wetting = Air { flow_sd: Fraction(0.1), ..air(35.0, 0.95, 150.0, 101_325.0) };
    assert_eq!(run(0.55, 2.0, wetting, pulses), Until::Rising);
    // With the running unknown, the bed may be drying slowly, fast or not at all.
    let anything = Between { low: Fraction(0.0), high: Fraction(0.05) };
    assert_eq!(run(0.55, 2.0, outdoors(), anything), Until::CannotTell);

    // By hand: the margin W (1 - g) - D g over its fall a day, all rates being constant.
    let mut a = account(1250.0, 0.6);
    a.pass(&stretch(days(2.0), PULSES, 60.0, outdoors())).unwrap();
    let (t, per_day) = (a.totals(), 0.5);
    let (dw, dd) = ((t.formed.0 - t.removed.0) * per_day, (a.dry_mass().0 - 500.0) * per_day);
    let want = (a.water_mass().0 * 0.55 - a.dry_mass().0 * 0.45) / -(0.55 * dw - 0.45 * dd);
    let Until::In { value, low, high } = a.until(Fraction(0.45)).unwrap() else { panic!("{a:?}") };
    assert_near(value.as_days(), want, 1e-6, "days to 45 %");
    assert!(low < value && high.is_some_and(|h| value < h), "{low} {value} {high:?}");

    // And it comes true: the same air for so long brings the account there.
    a.pass(&stretch(a.at() + value, PULSES, 60.0, outdoors())).unwrap();
    assert_near(a.moisture().value.0, 0.45, 1e-9, "moisture at the foretold time");
}

#[test]
fn what_makes_no_sense_is_refused_and_changes_nothing() {
    let mut a = account(1250.0, 0.6);
    a.pass(&stretch(days(1.0), PULSES, 60.0, outdoors())).unwrap();
    let before = a.clone();
    let good = stretch(days(2.0), PULSES, 60.0, outdoors());
    for (bad, want, why) in [
        (stretch(days(0.5), PULSES, 60.0, outdoors()), "the stretch given ends 12 h before", "time runs forwards"),
        (stretch(days(2.0), 1.2, 60.0, outdoors()), "share of blower time: 1.2", "more than all the time"),
        (stretch(days(2.0), PULSES, 96.0, outdoors()), "temperature of the bed: 96 °C", "beyond the range"),
        (stretch(days(2.0), f64::NAN, 60.0, outdoors()), "share of blower time: NaN", "not a number"),
        (Stretch { rise: Kelvin(f64::INFINITY), ..good }, "rise of the bed: inf", "no finite rise"),
        (
            Stretch { bed: Between { low: Celsius(60.0), high: Celsius(50.0) }, ..good },
            "temperature of the bed: the range runs from 60 down to 50",
            "the ends in the wrong order",
        ),
        (
            Stretch { air: Air { humidity: Fraction(70.0), ..outdoors() }, ..good },
            "humidity of the air: 70 of saturation is outside 0 to 1",
            "percent for a fraction",
        ),
        (
            Stretch { air: Air { pressure: Pascals(f64::NAN), ..outdoors() }, ..good },
            "air pressure: NaN",
            "an elevation out of range",
        ),
    ] {
        let got = a.pass(&bad).unwrap_err().to_string();
        assert!(got.starts_with(want), "{why}: {got}");
        assert_eq!(a, before, "{why}");
    }
    assert!(a.water(Litres(-1.0), Litres(0.0)).is_err() && a.water(Litres(1.0), Litres(f64::NAN)).is_err());
    assert!(a.sample(Fraction(55.0), Fraction(0.02)).is_err() && a.sample(Fraction(0.5), Fraction(0.0)).is_err());
    assert!(a.litres_to(Fraction(1.0)).is_err() && a.until(Fraction(f64::NAN)).is_err());
    assert_eq!(a, before);
    for bad in [filling(0.0, 0.6), filling(1250.0, 1.0), filling(f64::NAN, 0.6), filling(1250.0, -0.1)] {
        let got = WaterAccount::begin(bin(), START, &bad);
        assert!(matches!(got, Err(AccountError::OutOfRange { .. })), "{bad:?}");
    }
    assert!(BedParameters::of_static_bin(CubicMetres(-1.0)).is_err());
    assert!(time_to_give(Litres(10.0), LitresPerMinute(0.0)).is_err(), "a dry hose never ends");
    assert!(given_in(Span::minutes(-1), LitresPerMinute(10.0)).is_err(), "no hose runs backwards");
    let mut a = account(1250.0, 0.6);
    a.pass(&Stretch { duty: Between::exactly(Fraction(1.0)), ..stretch(days(30.0), 1.0, 60.0, outdoors()) }).unwrap();
    assert_eq!(a.water_mass(), Kilograms(0.0), "a bed gives no more water than it has");
}

/// Random numbers from a printed seed (splitmix64).
struct Chance(u64);

impl Chance {
    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }
    fn normal(&mut self) -> f64 {
        let (u, v) = (1.0 - self.uniform(), self.uniform());
        (-2.0 * u.ln()).sqrt() * (std::f64::consts::TAU * v).cos()
    }
}

/// A bed whose every figure is known, and is not the one that the account was told.
struct TrueBed {
    water: f64,
    dry: f64,
    flow: f64,
    draught: f64,
    exhaust: f64,
    humidity: f64,
    walls: f64,
    heat_per_kg: f64,
}

impl TrueBed {
    /// One bed of those that `bin`, `outdoors` and `filling(1250.0, 0.6)` may be.
    fn drawn(chance: &mut Chance) -> TrueBed {
        let mut skewed = |nominal: f64, sd: f64| nominal * (sd * chance.normal()).exp();
        let (flow, draught, exhaust) = (skewed(150.0, 0.15), skewed(0.4, 0.5), skewed(1.0, 0.1));
        let (walls, heat_per_kg) = (skewed(0.48 * 11.0, 0.35), skewed(19.6e6, 0.2));
        let wet = 1250.0 * (1.0 + 0.1 * chance.normal());
        let moisture = 0.6 + 0.03 * chance.normal();
        let humidity = (0.7 + 0.1 * chance.normal()).clamp(0.0, 1.0);
        let (water, dry) = (wet * moisture, wet * (1.0 - moisture));
        TrueBed { water, dry, flow, draught, exhaust, humidity, walls, heat_per_kg }
    }

    fn moisture(&self) -> f64 {
        self.water / (self.water + self.dry)
    }

    fn pass(&mut self, seconds: f64, duty: f64, celsius: f64, rise: f64) {
        let p = Pascals(101_325.0);
        let vapour = self.humidity * saturation_pressure(Celsius(12.5)).unwrap().0;
        let w_in = 0.621945 * vapour / (p.0 - vapour);
        let w_out = self.exhaust * HumidAir::saturated(Celsius(celsius), p).unwrap().humidity_ratio().0;
        let warmth = celsius - 12.5;
        let flow = self.flow * duty + self.draught * (warmth / 50.0).sqrt() * (1.0 - duty);
        let m = flow / 3600.0 / volume(Celsius(12.5), w_in, p);
        let out = m * (w_out - w_in) * seconds;
        let heat = (m * (1006.0 + 1860.0 * w_in) + self.walls) * warmth * seconds
            + out * (2_501_000.0 - 2326.0 * celsius)
            + (1250.0 * self.dry + 4186.0 * self.water) * rise;
        let burnt = heat / self.heat_per_kg;
        self.dry -= burnt;
        self.water = (self.water + 0.55 * burnt - out).max(0.0);
    }
}

#[test]
fn the_truth_lies_in_the_band_as_often_as_the_band_says() {
    // Batches of 28 days with errors drawn from the stated deviations: filling, flow, draught, exhaust, humidity, walls,
    // oxidation, each watering, each sample, and two silent days whose running is known within a range only.
    const RUNS: u64 = 600;
    let check_days = [0.5, 4.0, 7.0, 9.0, 11.0, 13.0, 20.0, 28.0];
    let mut inside = [0_u32; 8];
    let (mut anew, mut samples) = (0, 0);
    for seed in 0..RUNS {
        let mut chance = Chance(seed * 7919 + 13);
        let mut truth = TrueBed::drawn(&mut chance);
        let silent_duty = 2.0 * PULSES * chance.uniform();
        let mut account = account(1250.0, 0.6);
        let sampled_on = [2.0 + 20.0 * chance.uniform(), if seed % 2 == 0 { 12.0 } else { 99.0 }];
        let celsius = |hour: f64| 18.0 + 45.0 * (1.0 - (-hour / 20.0).exp()) + 3.0 * (hour / 40.0).sin();
        for hour in 0..28 * 24 {
            let (h, day) = (f64::from(hour), f64::from(hour + 1) / 24.0);
            let silent = (8.0..10.0).contains(&(h / 24.0));
            let duty = if silent { silent_duty } else { PULSES };
            let rise = celsius(h + 1.0) - celsius(h);
            for quarter in 0..4 {
                let t = celsius(h + (f64::from(quarter) + 0.5) / 4.0);
                truth.pass(900.0, duty, t, rise / 4.0);
            }
            let known = Stretch { rise: Kelvin(rise), ..stretch(days(day), PULSES, celsius(h + 0.5), outdoors()) };
            let range = Between { low: Fraction(0.0), high: Fraction(2.0 * PULSES) };
            account.pass(&if silent { Stretch { duty: range, ..known } } else { known }).unwrap();
            if hour % 72 == 71 {
                account.water(Litres(60.0), Litres(9.0)).unwrap();
                truth.water += 60.0 + 9.0 * chance.normal();
            }
            if sampled_on.iter().any(|s| (*s * 24.0) as i32 == hour) {
                let seen = truth.moisture() + 0.02 * chance.normal();
                if let Ok(outcome) = account.sample(Fraction(seen), Fraction(0.02)) {
                    samples += 1;
                    anew += u32::from(outcome == SampleOutcome::BegunAnew);
                }
            }
            if let Some(place) = check_days.iter().position(|d| *d == day) {
                let (band, is) = (account.moisture(), truth.moisture());
                inside[place] += u32::from(band.low.0 <= is && is <= band.high.0);
            }
        }
    }
    let shares = inside.map(|n| f64::from(n) / RUNS as f64);
    println!("share inside the 95 % band on days {check_days:?}: {shares:?}; {anew} of {samples} samples began anew");
    for (day, share) in check_days.iter().zip(shares) {
        assert!((0.90..=0.99).contains(&share), "day {day}: {share} of {RUNS} batches");
    }
    // Three standard deviations are passed once in 370 times.
    assert!(f64::from(anew) < 0.015 * f64::from(samples), "{anew} of {samples}");
}

#[test]
fn the_day_of_a_moisture_lies_in_its_band_as_often_as_the_band_says() {
    const RUNS: u64 = 400;
    let (mut inside, mut told) = (0, 0);
    for seed in 0..RUNS {
        let mut chance = Chance(seed * 104_729 + 7);
        let mut truth = TrueBed::drawn(&mut chance);
        let mut account = account(1250.0, 0.6);
        let hour = |truth: &mut TrueBed| truth.pass(3600.0, PULSES, 60.0, 0.0);
        for _ in 0..5 * 24 {
            hour(&mut truth);
        }
        account.pass(&stretch(days(5.0), PULSES, 60.0, outdoors())).unwrap();
        let (mut is, mut hours) = (truth.moisture(), 0);
        if is < 0.5 {
            continue;
        }
        if let Until::In { low, high, .. } = account.until(Fraction(0.48)).unwrap() {
            while is > 0.48 && hours < 24 * 365 {
                hour(&mut truth);
                (is, hours) = (truth.moisture(), hours + 1);
            }
            told += 1;
            inside += u32::from(low <= Span::hours(hours) && high.is_none_or(|h| Span::hours(hours) <= h));
        }
    }
    let share = f64::from(inside) / f64::from(told);
    println!("the true day lies in the band in {share} of {told} batches");
    assert!(told > 200 && (0.90..=0.99).contains(&share), "{share} of {told}");
}

/// Any number at all, most of them sensible.
fn any_number(low: f64, high: f64) -> impl Strategy<Value = f64> {
    prop_oneof![
        8 => low..high,
        1 => prop_oneof![Just(f64::NAN), Just(f64::INFINITY), Just(f64::NEG_INFINITY), Just(-0.0), Just(-1.0), Just(1e300)],
    ]
}

fn any_stretch() -> impl Strategy<Value = (i64, [f64; 9])> {
    let numbers = [
        any_number(0.0, 1.0),
        any_number(0.0, 1.0),
        any_number(0.0, 95.0),
        any_number(0.0, 95.0),
        any_number(-95.0, 95.0),
        any_number(-40.0, 60.0),
        any_number(0.0, 1.0),
        any_number(0.0, 5000.0),
        any_number(54_000.0, 110_000.0),
    ];
    (-1000_i64..10_000_000_000, numbers)
}

fn built((ms, n): &(i64, [f64; 9]), from: Timestamp) -> Stretch {
    Stretch {
        until: from + Span::millis(*ms),
        duty: Between { low: Fraction(n[0]), high: Fraction(n[1]) },
        bed: Between { low: Celsius(n[2]), high: Celsius(n[3]) },
        rise: Kelvin(n[4]),
        air: air(n[5], n[6], n[7], n[8]),
    }
}

proptest! {
    #[test]
    fn whatever_comes_answers_stay_finite_and_water_is_conserved(
        steps in prop::collection::vec(any_stretch(), 1..12),
        litres in any_number(0.0, 1000.0),
        sample in any_number(0.02, 0.95),
        goal in any_number(0.05, 0.9),
        wet in any_number(1.0, 100_000.0),
        moisture in any_number(0.05, 0.95),
    ) {
        let Ok(mut a) = WaterAccount::begin(bin(), START, &filling(wet, moisture)) else {
            prop_assert!(!(1.0..=1e7).contains(&wet) || !(0.05..=0.95).contains(&moisture));
            return Ok(());
        };
        for step in &steps {
            let before = a.clone();
            if a.pass(&built(step, a.at())).is_err() {
                prop_assert_eq!(&a, &before);
            }
            let _ = a.water(Litres(litres), Litres(litres / 5.0));
            let band = a.moisture();
            prop_assert!((0.0..=1.0).contains(&band.low.0) && band.low.0 <= band.value.0, "{:?}", band);
            prop_assert!(band.value.0 <= band.high.0 && band.high.0 <= 1.0, "{:?}", band);
            let t = a.totals();
            let sum = t.initial.0 + t.formed.0 + t.added.0 - t.removed.0 + t.corrected.0;
            let size = t.initial.0 + t.formed.0.abs() + t.added.0 + t.removed.0.abs() + t.corrected.0.abs();
            prop_assert!((sum - a.water_mass().0).abs() <= 1e-9 * size, "{:?}", a);
            prop_assert!(a.water_mass().0 >= 0.0 && a.dry_mass().0 > 0.0 && a.water_mass_sd().0.is_finite());
            if let Ok(dose) = a.litres_to(Fraction(goal)) {
                prop_assert!(dose.high.0.is_finite() && dose.low.0 >= 0.0);
            }
            let _ = a.until(Fraction(goal));
        }
        let _ = a.sample(Fraction(sample), Fraction(0.02));
        prop_assert!(a.moisture().value.0.is_finite() && a.dry_mass().0 > 0.0);
    }

    #[test]
    fn a_stretch_cut_in_two_gives_the_same(
        cut_ms in 1_i64..86_399_999, duty in 0.0..1.0_f64, wider in 0.0..0.2_f64, celsius in 0.0..90.0_f64,
        inlet in -20.0..40.0_f64, humidity in 0.0..1.0_f64, flow in 0.0..300.0_f64,
    ) {
        let air = air(inlet, humidity, flow, 101_325.0);
        let whole = Stretch {
            duty: Between { low: Fraction(duty), high: Fraction((duty + wider).min(1.0)) },
            ..stretch(days(1.0), duty, celsius, air)
        };
        let mut once = account(1250.0, 0.6);
        once.pass(&whole).unwrap();
        let mut twice = account(1250.0, 0.6);
        twice.pass(&Stretch { until: START + Span::millis(cut_ms), ..whole }).unwrap();
        twice.pass(&whole).unwrap();
        let same = |a: f64, b: f64| (a - b).abs() <= 1e-9 * a.abs().max(1.0);
        prop_assert!(same(once.water_mass().0, twice.water_mass().0), "{:?} {:?}", once, twice);
        prop_assert!(same(once.dry_mass().0, twice.dry_mass().0));
        prop_assert!(same(once.totals().removed.0, twice.totals().removed.0));
        prop_assert!(same(once.water_mass_sd().0, twice.water_mass_sd().0));
        prop_assert!(same(once.moisture().low.0, twice.moisture().low.0));
    }

    #[test]
    fn the_heat_account_balances(
        n in [any_number(0.0, 95.0), any_number(0.0, 95.0), any_number(0.0, 1.0), any_number(1.0, 1e5),
              any_number(0.0, 1e5), any_number(0.0, 1e3), any_number(0.0, 95.0), any_number(-40.0, 60.0)],
        ms in -1000_i64..3_000_000_000,
    ) {
        let stretch = HeatStretch {
            length: Span::millis(ms),
            start: Celsius(n[0]),
            end: Celsius(n[1]),
            temperature_sd: Kelvin(1.0),
            duty: Fraction(n[2]),
            dry: Kilograms(n[3]),
            water: Kilograms(n[4]),
            water_sd: Kilograms(5.0),
            added: Kilograms(n[5]),
            added_at: Celsius(n[6]),
            air: air(n[7], 0.5, 100.0, 101_325.0),
        };
        if let Ok(got) = heat_account(&bin(), &stretch) {
            let left = got.losses.heat().0 + got.added_water.0 + got.stored.0;
            prop_assert!((got.generation.0 - left).abs() <= 1e-9 * (1.0 + left.abs()));
            prop_assert!(got.generation_sd.0.is_finite() && got.generation_sd.0 > 0.0);
            prop_assert!(got.fall_without_activity.0.is_finite());
        } else {
            prop_assert!(n.iter().any(|x| !x.is_finite() || *x < 0.0 || *x > 1e5) || n[3] < 1.0 || !(300_000..=2_678_400_000).contains(&ms));
        }
    }
}
