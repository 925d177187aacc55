//! Settings with any number in any place: what the reader accepts never ends the engine, nor makes it work without end.
//!
//! Must never accept what the reader refuses: which numbers are taken is the reader's to say.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod yard;

use std::ops::Range;
use std::sync::Arc;

use engine::Engine;
use engine::input::Input;
use engine::restore::Restored;
use pile::time::Span;
use proptest::prelude::*;
use rulebook::{RuleText, Rulebook};
use site::quantity::Quantity;
use site::reading::{Reading, SeriesId, Source, TimeSource};
use yard::{HOT, START};

/// More than an hour of a site of a few bins brings, and far less than a loop without end.
const EFFECTS_MAX: usize = 3_000;

/// Where the numbers of the example stand: after a space or a bracket, outside comments and quotation marks.
fn numbers(text: &str) -> Vec<Range<usize>> {
    let (mut found, mut start) = (Vec::new(), 0);
    for line in text.split_inclusive('\n') {
        let code = line.split(" #").next().unwrap_or_default();
        let comment = code.trim_start().starts_with('#');
        let mut place = 0;
        while let Some(at) = code[place..].find(|c: char| c.is_ascii_digit()).map(|at| at + place) {
            let end = code[at..].find(|c: char| !c.is_ascii_digit() && c != '.').map_or(code.len(), |end| end + at);
            let quoted = code[..at].matches('"').count() % 2 == 1;
            let alone = code[..at].ends_with([' ', '[', ','])
                && !code[end..].starts_with(|c: char| c.is_alphanumeric() || c == '-');
            if alone && !quoted && !comment {
                found.push(start + at..start + end);
            }
            place = end;
        }
        start += line.len();
    }
    found
}

/// Any number, and those that a reader is likely to take: the small, the large and the nearly nothing.
fn any_number() -> impl Strategy<Value = String> {
    prop_oneof![
        1 => any::<i64>().prop_map(|n| n.to_string()),
        1 => any::<f64>().prop_map(|x| format!("{x:?}")),
        3 => (0_i64..2_000).prop_map(|n| n.to_string()),
        3 => (-12..7_i32, 0.1..10.0_f64).prop_map(|(tens, x)| format!("{:?}", x * 10_f64.powi(tens))),
        1 => proptest::sample::select(vec!["0", "-0", "-0.0", "0.0", "1e308", "5e-324", "-1", ".inf", ".nan"]).prop_map(str::to_owned),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(256))]

    #[test]
    fn whatever_number_the_settings_are_taken_with_the_engine_lives_an_hour_with_it(
        place in any::<prop::sample::Index>(), more in any::<prop::sample::Index>(), number in any_number(), other in any_number(), value in any::<f64>(),
    ) {
        let mut text = include_str!("../../../config/site.yaml").to_owned();
        let places = numbers(&text);
        prop_assert!(places.len() > 15, "the example has numbers: {}", places.len());
        let mut both = vec![(place.index(places.len()), number), (more.index(places.len()), other)];
        both.sort();
        both.dedup_by_key(|(place, _)| *place);
        // From the end on, so that the places before keep their distance.
        for (place, number) in both.iter().rev() {
            text.replace_range(places[*place].clone(), number);
        }
        match site::settings::read(&text, "site.yaml") {
            Err(faults) => {
                prop_assert!(faults.iter().all(|fault| fault.line >= 1 && !fault.remedy.is_empty() && fault.to_string().len() < 2_000));
            }
            Ok(site) => {
                let rule = RuleText { name: "hot-core".into(), path: "rules/hot-core.rhai".into(), text: HOT.into() };
                let (book, broken) = Rulebook::compile(&[rule], &site.rules, site.display);
                let site = Arc::new(site);
                let probe = site.probes.keys().next().unwrap().clone();
                let series = SeriesId { source: Source::Probe(probe), quantity: Quantity::Temperature };
                let mut engine = Engine::new(Arc::clone(&site), book, broken, Restored { life: 7, ..Restored::default() }, START);
                let mut effects = engine.step(START, Input::Started { previous: None }).len();
                let reading = Reading {
                    series, measured_at: START, received_at: START, value, time_source: TimeSource::Device, retained: false,
                };
                effects += engine.step(START, Input::Readings(vec![reading])).len();
                for minutes in [1, 30, 60] {
                    effects += engine.step(START + Span::minutes(minutes), Input::Wake).len();
                }
                prop_assert!(effects < EFFECTS_MAX, "{effects} effects in an hour: {both:?}");
            }
        }
    }
}
