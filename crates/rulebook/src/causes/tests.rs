//! The ranking over a table of situations, each with its reason.
//!
//! Must never know how causes are weighed: only what comes first, and how sure.

use super::*;

struct Plain;

impl Words for Plain {
    fn kelvin(&self, value: f64) -> String {
        format!("{value:.1} K")
    }
    fn litres(&self, value: f64) -> String {
        format!("{value:.0} L")
    }
}

/// A fall of 7 K in a day with proven air on day ten and nothing else known.
fn crash() -> Known {
    Known {
        age_days: 10.0,
        fall: Some(7.0),
        proof: AirProof::Proven,
        share_of_due: Some(1.0),
        share_hours: 24.0,
        valve_percent: Some(100.0),
        oxygen: None,
        flow_share: None,
        account: None,
        moisture: None,
        air_enters: ("the base", "the upper layer"),
        base_apart: None,
        base_cooler: None,
        watered_hours: None,
        watered_litres: None,
        gained: None,
        food_left: None,
        outside_fall: None,
        sharpest: Some(0.5),
        step: Some(0.6),
        core_falls: vec![7.0],
        bad_readings: false,
        base_fall: None,
        upper_fall: None,
        opened_hours: None,
        opening: None,
        surplus: None,
        probes_moved_hours: None,
        air_changed_hours: None,
        volume: 2.5,
        hose_known: false,
        dose: None,
    }
}

fn account(value: f64) -> Option<Band<f64>> {
    Some(Band { value, low: value - 4.0, high: value + 4.0 })
}

#[test]
fn causes_are_ranked_by_elimination() {
    use Cause::*;
    let scheduled = || Known { proof: AirProof::ScheduledOnly, share_of_due: None, ..crash() };
    let rows: Vec<(Known, Cause, f64, f64, &str)> = vec![
        (crash(), Water, 70.0, 98.0, "air is proven and nothing else speaks: it is usually water"),
        (Known { account: account(40.0), ..crash() }, Water, 90.0, 100.0, "the account says so too"),
        (
            Known { base_apart: Some(4.0), base_cooler: Some(18.0), ..crash() },
            Water,
            90.0,
            100.0,
            "the base went first",
        ),
        (Known { share_of_due: Some(0.1), ..crash() }, Air, 80.0, 100.0, "the blower hardly ran"),
        (Known { share_of_due: Some(3.0), ..crash() }, Air, 80.0, 100.0, "it ran far too much"),
        (scheduled(), Air, 40.0, 70.0, "what is only scheduled is not eliminated, so water may not be first"),
        (
            Known { base_apart: Some(4.0), base_cooler: Some(18.0), ..scheduled() },
            Air,
            40.0,
            70.0,
            "too much air cools the base first as well",
        ),
        (Known { account: account(40.0), ..scheduled() }, Water, 55.0, 100.0, "the account is a ground of water's own"),
        (
            Known { proof: AirProof::Silent, share_of_due: None, ..crash() },
            Air,
            40.0,
            70.0,
            "a silent signal proves nothing",
        ),
        (
            Known { valve_percent: Some(0.0), share_of_due: None, proof: AirProof::ScheduledOnly, ..crash() },
            Air,
            80.0,
            100.0,
            "the valve is shut",
        ),
        (
            Known { account: account(58.0), age_days: 33.0, food_left: Some(0.1), fall: Some(5.7), ..crash() },
            Food,
            80.0,
            100.0,
            "moist, old, and little left to eat",
        ),
        (
            Known { sharpest: Some(14.0), step: Some(20.0), ..crash() },
            Probe,
            50.0,
            100.0,
            "a pulled probe falls at once",
        ),
        (
            Known {
                core_falls: vec![7.0, 0.2],
                base_fall: Some(0.0),
                upper_fall: Some(0.1),
                base_cooler: Some(2.0),
                ..crash()
            },
            Probe,
            50.0,
            100.0,
            "the other core probe, base and upper layer hold",
        ),
        (
            Known {
                watered_hours: Some(9.0),
                watered_litres: Some(70.0),
                step: Some(4.0),
                gained: Some(-6.0),
                ..crash()
            },
            Handled,
            45.0,
            100.0,
            "a cold dose chills by itself",
        ),
        (
            Known { opened_hours: Some(3.0), step: Some(4.0), account: account(56.0), ..crash() },
            Handled,
            60.0,
            100.0,
            "an open door",
        ),
        (
            Known {
                outside_fall: Some(12.0),
                fall: Some(4.0),
                account: account(57.0),
                base_cooler: Some(2.0),
                base_apart: Some(0.0),
                ..crash()
            },
            Weather,
            40.0,
            100.0,
            "a cold front over a moist pile with proven air",
        ),
        (
            Known { opening: Some((20.0, 3.0)), fall: Some(12.0), base_fall: Some(12.0), step: Some(1.8), ..crash() },
            Handled,
            70.0,
            100.0,
            "every layer fell at once: a door, whatever the log says",
        ),
        (
            Known { account: Some(Band { value: 67.0, low: 63.0, high: 71.0 }), surplus: Some(120.0), ..crash() },
            Wet,
            60.0,
            100.0,
            "drowned: far more was watered than the air carries off",
        ),
        (
            Known { age_days: 31.0, account: account(47.0), fall: Some(9.0), ..crash() },
            Water,
            60.0,
            100.0,
            "old, but food does not run out within a day",
        ),
        (
            Known { age_days: 31.0, fall: Some(1.5), base_cooler: Some(2.0), watered_hours: Some(60.0), ..crash() },
            Food,
            50.0,
            100.0,
            "old, slow, watered, and the base as warm as the rest",
        ),
        (
            Known { oxygen: Some(3.0), proof: AirProof::Silent, share_of_due: None, ..crash() },
            Air,
            80.0,
            100.0,
            "the oxygen is gone",
        ),
    ];
    for (known, first, low, high, why) in rows {
        let causes = ranked(&known, &Plain);
        let sum: f64 = causes.iter().map(|c| 100.0 * c.share).sum();
        assert_eq!(causes[0].cause, first, "{why}: {:#?}", lines(&causes));
        assert!((low..=high).contains(&(100.0 * causes[0].share)), "{why}: {:#?}", lines(&causes));
        assert!((97.0..=103.0).contains(&sum), "{why}: shares make a whole, {sum}");
    }
}

#[test]
fn water_is_never_first_on_air_that_is_only_scheduled() {
    // Whatever else is known, as long as nothing says by itself that the pile is dry.
    for proof in [AirProof::ScheduledOnly, AirProof::Silent, AirProof::NoBlower] {
        for base_cooler in [None, Some(0.0), Some(8.0), Some(25.0)] {
            for watered_hours in [None, Some(30.0), Some(200.0)] {
                for account in [None, account(56.0)] {
                    let known = Known {
                        proof,
                        share_of_due: None,
                        base_cooler,
                        base_apart: base_cooler.map(|_| 3.0),
                        watered_hours,
                        account,
                        ..crash()
                    };
                    let causes = ranked(&known, &Plain);
                    assert_ne!(causes[0].cause, Cause::Water, "{known:?}");
                }
            }
        }
    }
}

#[test]
fn no_cause_has_a_percentage_and_close_ones_are_not_told_apart() {
    let likely = ranked(&Known { account: account(40.0), ..crash() }, &Plain);
    assert_eq!(likely[0].likelihood, Likelihood::Likely);
    assert_eq!(said(&likely), "likely cause: lack of water");
    assert!(likely.iter().skip(1).all(|c| c.likelihood != Likelihood::Likely), "one alone can be likely");
    let close = ranked(&Known { proof: AirProof::ScheduledOnly, share_of_due: None, ..crash() }, &Plain);
    assert_eq!(close[0].likelihood, Likelihood::Possible);
    assert_eq!(said(&close), "possible causes: the air or lack of water, which cannot be told apart");
    for causes in [likely, close] {
        let text = lines(&causes).join(" ");
        assert!(!text.contains("sure"), "{text}");
        for cause in &causes {
            assert!(
                text.contains(&format!("{}, {}.", cause.cause.name(), cause.likelihood.word()))
                    || text.contains(&format!("{} ({}", cause.cause.name(), cause.likelihood.word())),
                "{text}"
            );
        }
    }
}

#[test]
fn the_dose_is_told_in_litres_and_minutes() {
    for (dose, hose_known, want, why) in [
        (
            Some("38 L (3 min of the hose)"),
            true,
            "if it is dry, water 38 L (3 min of the hose); stop",
            "the bin's dose",
        ),
        (Some("38 L"), false, "water 38 L (fill a bucket", "nobody knows the hose"),
        (None, true, "water a small dose; stop", "no amount is known"),
    ] {
        let known = Known { dose: dose.map(str::to_owned), hose_known, ..crash() };
        let action = action(Cause::Water, &known);
        assert!(action.contains(want), "{why}: {action}");
        assert!(action.contains("stop at runoff; look again in 24 h"), "{why}: {action}");
    }
}

#[test]
fn lines_name_each_cause_once_and_say_what_to_do() {
    let causes = ranked(&Known { account: account(40.0), ..crash() }, &Plain);
    let lines = lines(&causes);
    assert!(lines.iter().all(|l| l.starts_with(CAUSE_LINE)), "{lines:#?}");
    for cause in Cause::ALL {
        let named = lines.iter().filter(|l| l.contains(&format!(" {}", cause.name()))).count();
        assert!(named >= 1, "{cause:?} is missing: {lines:#?}");
    }
    assert!(lines[0].starts_with("Cause 1: lack of water, likely"), "{lines:#?}");
    assert_eq!(lines.iter().filter(|l| l.contains(", do: ")).count(), 1, "what is unlikely has one line: {lines:#?}");
}
