//! Mass and energy come from somewhere and go somewhere; steps, seeds and bad arguments change nothing they should not.
//!
//! Must never take the model's own account for the truth where a flow can be computed from outside.

use pile::humid_air;
use pile::time::{Span, Timestamp};
use pile::units::{Celsius, CubicMetres, CubicMetresPerHour, Litres, Pascals};
use sim::chance::Chance;
use sim::{Air, Balance, Bin, BinSetup, Blower, Climate, Layer, Layers, Parameters, Refused, Weather};

use crate::course::{Airing, Case, typical};

#[test]
fn every_step_balances() {
    for params in [Parameters::layered(), Parameters::lumped()] {
        let mut bin = Bin::new(BinSetup { params, ..BinSetup::typical() }).unwrap();
        let climate = Climate::temperate(11);
        let blower = Blower::typical(Timestamp::from_millis(0));
        let (mut largest_heat, mut largest_water) = (0f64, 0f64);
        for step in 0..30 * 288 {
            let now = Timestamp::from_millis(step * 300_000);
            let (heat, water, dry) = (bin.stored_joules(), bin.water_kg(), bin.dry_kg());
            let air = blower.air(now, now + Span::minutes(5));
            let b = bin.advance(Span::minutes(5), air, climate.weather(now)).unwrap();
            let heat_residual =
                bin.stored_joules() - heat - (b.reaction_joules + b.carried_joules - b.wall_joules - b.air_joules);
            let water_residual = bin.water_kg() - water - (b.formed_kg - b.evaporated_kg);
            let solids_residual = bin.dry_kg() - dry + b.solids_kg;
            // The bin stores some 3e8 J and 750 kg; what is left is rounding.
            assert!(heat_residual.abs() < 1e-5, "step {step}: {heat_residual} J");
            assert!(water_residual.abs() < 1e-10, "step {step}: {water_residual} kg of water");
            assert!(solids_residual.abs() < 1e-10, "step {step}: {solids_residual} kg of solids");
            assert!((b.reaction_joules - b.oxygen_kg * 14.0e6).abs() <= 1e-9 * b.reaction_joules);
            largest_heat = largest_heat.max(b.reaction_joules);
            largest_water = largest_water.max(b.evaporated_kg);
        }
        assert!(largest_heat > 1e5 && largest_water > 0.1, "something must have happened: {largest_heat} J");
    }
}

#[test]
fn watering_adds_its_water_and_its_heat() {
    for (litres, target_held, why) in
        [(50.0, 50.0, "all of it is held"), (0.0, 0.0, "nothing is nothing"), (5_000.0, 312.5, "the rest drains")]
    {
        let mut bin = Bin::new(BinSetup::typical()).unwrap();
        let (heat, water) = (bin.stored_joules(), bin.water_kg());
        let soaked = bin.water(Litres(litres), Celsius(10.0)).unwrap();
        assert!((soaked.held.0 - target_held).abs() < 1e-9, "{why}: {soaked:?}");
        assert!((soaked.held.0 + soaked.drained.0 - litres).abs() < 1e-9, "{why}: {soaked:?}");
        assert!((bin.water_kg() - water - soaked.held.0).abs() < 1e-9, "{why}");
        assert!((bin.stored_joules() - heat - soaked.held.0 * 41_860.0).abs() < 1e-4, "{why}");
    }
    let mut bin = Bin::new(BinSetup::dry_mix()).unwrap();
    let litres = bin.litres_to_moisture(0.60).unwrap();
    bin.water(litres, Celsius(10.0)).unwrap();
    assert!((bin.mean_moisture_fraction() - 0.60).abs() < 1e-12, "the computed amount brings it there");
    assert_eq!(bin.litres_to_moisture(0.5).unwrap(), Litres(0.0), "a moister bin needs none");
}

/// Rows of a reference table: its numbers, without the comment and the heading.
fn rows(text: &str) -> impl Iterator<Item = Vec<f64>> + '_ {
    assert!(text.starts_with("# source:"));
    text.lines().skip(2).map(|line| line.split(',').map(|cell| cell.parse().unwrap()).collect())
}

#[test]
fn air_takes_what_the_tables_of_humid_air_say() {
    let table = include_str!("../../../../tests/reference/exhaust-drying.csv");
    let mut seen = 0;
    for row in rows(table) {
        let [case, inlet, humidity, pressure, flow, bed, _, _, _, water, heat, _, _, from_bed, ..] = row[..] else {
            panic!("{row:?} does not have the columns of this test");
        };
        // A large dead bed without walls or draught, so that within a second only the air acts and nothing cools.
        let params = Parameters {
            decay_per_day: 0.0,
            wall_watts_per_square_metre_kelvin: 0.0,
            draught_cubic_metres_per_hour: 0.0,
            ..Parameters::lumped()
        };
        let mut setup = BinSetup { wet_mass: 1e7, loaded_at: Celsius(bed), params, ..BinSetup::typical() };
        setup.volume = CubicMetres(2e4);
        let mut bin = Bin::new(setup).unwrap();
        let weather = Weather { ambient: Celsius(inlet), humidity, pressure: Pascals(pressure) };
        let air = Air { blower_seconds_on: 1.0, flow: CubicMetresPerHour(flow) };
        let b = bin.advance(Span::seconds(1), air, weather).unwrap();
        let near = |got: f64, want: f64, what: &str| {
            // The bed's water activity is 1.5e-8 short of one, and the table is printed to full precision.
            assert!((got - want).abs() <= 1e-6 * want.abs() + 1e-9, "case {case}: {what} {got}, wanted {want}");
        };
        near(b.evaporated_kg * 86_400.0, water, "kg of water a day");
        near(b.air_joules / 1e3, heat, "kW taken by the air");
        near((b.air_joules - b.evaporated_kg * 4_186.0 * bed) / 1e3, from_bed, "kW taken from the bed");
        seen += 1;
    }
    assert!(seen >= 8, "only {seen} rows");
}

#[test]
fn the_oxygen_that_is_used_is_missing_in_the_exhaust() {
    let params = Parameters { draught_cubic_metres_per_hour: 0.0, ..Parameters::layered() };
    let mut bin = Bin::new(BinSetup { params, ..BinSetup::typical() }).unwrap();
    let weather = Weather::still(Celsius(12.5));
    let air = Air { blower_seconds_on: 86.4, flow: CubicMetresPerHour(150.0) };
    for _ in 0..5 * 24 {
        bin.advance(Span::hours(1), air, weather).unwrap();
    }
    let used = bin.advance(Span::hours(1), air, weather).unwrap().oxygen_kg;
    let vapour = 0.7 * humid_air::saturation_pressure(weather.ambient).unwrap().0;
    let ratio = 0.621945 * vapour / (101_325.0 - vapour);
    let moles = 150.0 * 86.4 / 3600.0 / humid_air::volume(weather.ambient, ratio, weather.pressure) / 0.02897;
    let missing = moles * (0.2095 - bin.exhaust().oxygen) * 0.032;
    // The pores fill and empty a little within the hour.
    assert!((used - missing).abs() < 2e-3 * used, "used {used} kg, missing in the exhaust {missing} kg");
    assert!(used > 0.05, "{used}");
}

#[test]
fn shorter_steps_change_little() {
    let run = |airing, step_seconds_max: f64, step: Span| {
        let params = Parameters { step_seconds_max, ..Parameters::layered() };
        let setup = BinSetup { params, ..BinSetup::typical() };
        Case { setup, airing, step, days: 30, ..typical() }.run()
    };
    let five = Span::minutes(5);
    for (airing, usual, other, hours, kelvin, why) in [
        (Airing::Averaged, (60.0, five), (30.0, five), 0.01, 0.02, "half the internal step"),
        (Airing::Averaged, (60.0, five), (300.0, five), 0.05, 0.1, "no internal steps at all"),
        (Airing::Averaged, (60.0, five), (60.0, Span::minutes(1)), 0.01, 0.02, "a fifth of the outer step"),
        (Airing::Averaged, (60.0, five), (60.0, Span::minutes(30)), 0.5, 0.1, "six times the outer step"),
        (Airing::Pulsed, (60.0, five), (30.0, five), 0.05, 0.1, "half the internal step"),
        (Airing::Pulsed, (60.0, Span::seconds(60)), (60.0, Span::seconds(30)), 0.05, 0.1, "sharper pulses"),
        // A pulse spread over five minutes lets a little less oxygen go unused: it heats an hour sooner.
        (Airing::Pulsed, (60.0, five), (60.0, Span::minutes(1)), 1.5, 2.0, "pulses of five minutes and of one"),
    ] {
        let (usual, other) = (run(airing, usual.0, usual.1), run(airing, other.0, other.1));
        let reached = [&usual, &other].map(|course| course.reached(Layer::Core, 60.0).unwrap());
        assert!((reached[0] - reached[1]).abs() <= hours, "{airing:?}, {why}: hot after {reached:?} h");
        for day in 3..30 {
            let [a, b] = [&usual, &other].map(|course| course.at(f64::from(day) * 24.0).temperature(Layer::Core));
            assert!((a - b).abs() <= kelvin, "{airing:?}, {why}: day {day}, {a} and {b} °C");
        }
        // The independent calculation allowed itself 0.02 K a day. In pulses the fall is a saw, whose last crossing
        // is known to half an hour in two days.
        if airing == Airing::Averaged {
            let falls = [&usual, &other].map(|course| course.fall_per_day(Layer::Core));
            assert!((falls[0] - falls[1]).abs() <= 0.02, "{why}: falls of {falls:?} K a day");
        }
    }
}

/// FNV-1a over the bits of numbers, so that one line holds a whole course.
fn fold(hash: u64, value: f64) -> u64 {
    value.to_bits().to_le_bytes().iter().fold(hash, |h, b| (h ^ u64::from(*b)).wrapping_mul(0x0100_0000_01b3))
}

/// Six bins for six weeks in steps of five minutes, with weather and pulses.
fn six_bins_six_weeks() -> u64 {
    let setups = [
        BinSetup::typical(),
        BinSetup::dry_mix(),
        BinSetup::rich_feed(),
        BinSetup::soaked_mix(),
        BinSetup::woody_mix(),
        BinSetup { params: Parameters::lumped(), ..BinSetup::typical() },
    ];
    let mut bins = setups.map(|setup| Bin::new(setup).unwrap());
    let blower = Blower::typical(Timestamp::from_millis(0));
    let climate = Climate::temperate(3);
    let mut hash = 0xcbf2_9ce4_8422_2325;
    for step in 0..42 * 288 {
        let now = Timestamp::from_millis(step * 300_000);
        let (air, weather) = (blower.air(now, now + Span::minutes(5)), climate.weather(now));
        for bin in &mut bins {
            bin.advance(Span::minutes(5), air, weather).unwrap();
            hash = fold(hash, bin.temperature(Layer::Core).0);
        }
    }
    bins.iter().fold(hash, |hash, bin| fold(fold(hash, bin.water_kg()), bin.oxygen_fraction(Layer::Upper)))
}

#[test]
fn six_weeks_of_six_bins_are_the_same_on_every_platform() {
    // Taken from this code on x86-64 Linux. A change of the model changes it, and so does a platform whose arithmetic
    // differs, which is what this line is for.
    assert_eq!(six_bins_six_weeks(), 1_458_111_348_507_656_639);
}

#[test]
fn whatever_is_done_to_a_bin_it_stays_a_bin() {
    let mut chance = Chance::new(2024);
    let mut between = |low: f64, high: f64| low + (high - low) * chance.fraction();
    for bin_number in 0..150 {
        let params = Parameters {
            layers: if between(0.0, 1.0) < 0.5 { Layers::One } else { Layers::Three },
            step_seconds_max: 300.0,
            degradable_share: between(0.0, 1.0),
            decay_per_day: between(0.0, 0.3),
            draught_cubic_metres_per_hour: between(0.0, 2.0),
            holding_moisture: 0.95,
            ..Parameters::layered()
        };
        let setup = BinSetup {
            volume: CubicMetres(between(0.5, 100.0)),
            wet_mass: between(100.0, 40_000.0),
            moisture: between(0.05, 0.9),
            ash: between(0.0, 0.6),
            loaded_at: Celsius(between(-5.0, 75.0)),
            params,
        };
        let mut bin = Bin::new(setup).unwrap();
        for _ in 0..40 {
            let span = Span::from_seconds_f64(between(1.0, 3_600.0));
            let seconds = span.as_seconds() * between(0.0, 1.0);
            let air = Air { blower_seconds_on: seconds, flow: CubicMetresPerHour(between(0.0, 300.0)) };
            let weather = Weather {
                ambient: Celsius(between(-25.0, 40.0)),
                humidity: between(0.0, 1.0),
                pressure: Pascals(between(80_000.0, 105_000.0)),
            };
            let dry = bin.dry_kg();
            bin.advance(span, air, weather).unwrap();
            if between(0.0, 1.0) < 0.1 {
                bin.water(Litres(between(0.0, 500.0)), Celsius(between(1.0, 40.0))).unwrap();
            }
            let exhaust = bin.exhaust();
            let fine = Layer::ALL.into_iter().all(|layer| {
                (-30.0..80.0).contains(&bin.temperature(layer).0)
                    && (0.0..=0.96).contains(&bin.moisture_fraction(layer))
                    && (0.0..=0.2095 + 1e-9).contains(&bin.oxygen_fraction(layer))
            });
            let fine = fine
                && (0.0..=1.0 + 1e-9).contains(&bin.volume_fraction())
                && (0.0..=0.2095 + 1e-9).contains(&exhaust.oxygen)
                && exhaust.humidity_ratio >= 0.0
                && bin.dry_kg() <= dry
                && bin.water_kg() >= 0.0;
            assert!(fine, "bin {bin_number}: {setup:?} became {bin:?}");
        }
    }
}

#[test]
fn nonsense_is_refused_and_changes_nothing() {
    let weather = Weather::still(Celsius(12.5));
    let air = |seconds: f64, flow: f64| Air { blower_seconds_on: seconds, flow: CubicMetresPerHour(flow) };
    let five = Span::minutes(5);
    for (span, air, weather, want) in [
        (Span::minutes(-5), Air::NONE, weather, "span (s) is -300"),
        (five, air(301.0, 150.0), weather, "seconds of blower (s) is 301, which is outside 0 to 300"),
        (five, air(f64::NAN, 150.0), weather, "seconds of blower (s) is NaN"),
        (five, air(45.0, -1.0), weather, "flow (m³/h) is -1"),
        (five, Air::NONE, Weather::still(Celsius(f64::NAN)), "ambient temperature (°C) is NaN"),
        (five, Air::NONE, Weather { humidity: 70.0, ..weather }, "relative humidity (0 to 1) is 70"),
        (five, Air::NONE, Weather { pressure: Pascals(1_013.0), ..weather }, "air pressure (Pa) is 1013"),
    ] {
        let mut bin = Bin::new(BinSetup::typical()).unwrap();
        let untouched = bin.clone();
        let refused = bin.advance(span, air, weather).unwrap_err().to_string();
        assert!(refused.contains(want), "{refused:?} should say {want:?}");
        assert_eq!(bin, untouched);
    }
    let mut bin = Bin::new(BinSetup::typical()).unwrap();
    assert!(matches!(bin.water(Litres(-1.0), Celsius(10.0)), Err(Refused::Outside { .. })));
    assert!(matches!(bin.water(Litres(1.0), Celsius(f64::NAN)), Err(Refused::Outside { .. })));
    assert!(matches!(bin.litres_to_moisture(1.0), Err(Refused::Outside { .. })));
    assert_eq!(bin.advance(Span::ZERO, Air::NONE, weather), Ok(Balance::default()), "no time, no change");
    for (setup, want) in [
        (BinSetup { moisture: 1.0, ..BinSetup::typical() }, "moisture (share of wet mass) is 1"),
        (BinSetup { volume: CubicMetres(0.0), ..BinSetup::typical() }, "volume (m³) is 0"),
        (BinSetup { loaded_at: Celsius(f64::NAN), ..BinSetup::typical() }, "temperature of the mix (°C) is NaN"),
    ] {
        let refused = Bin::new(setup).unwrap_err().to_string();
        assert!(refused.contains(want), "{refused:?} should say {want:?}");
    }
}
