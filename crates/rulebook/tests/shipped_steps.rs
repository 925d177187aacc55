//! What the shipped rules cost, in steps, over a bin with full windows and over a site of 300 such bins.
//!
//! Must never let a shipped rule come near the bound that stops it: a larger bin or a longer log would rest it.

#![allow(clippy::unwrap_used, clippy::result_large_err)]

mod built;

use std::sync::Arc;

use rulebook::facts::{Facts, GatewayFacts, Own, SiteBlower, Whole};
use rulebook::header::Scope;
use rulebook::limits::OPERATIONS;
use site::model::{BlowerRole, Display, Position};
use site::quantity::Quantity;

/// Two probes at each of three heights, every ten seconds for eight days; a log of two waterings a day; 299 neighbours.
/// `heats`: at the end everything in the material heats itself instead of cooling.
fn busy(heats: bool) -> Arc<Facts> {
    let mut built = built::on_air("8d").counted("8d:0 0h:17280").account(45.0);
    for (position, text) in [
        (Position::Core, "8d:20 6d:60 2d:62 0h:46"),
        (Position::Core, "8d:21 6d:61 2d:60 0h:47"),
        (Position::Base, "8d:20 6d:58 2d:60 0h:40"),
        (Position::Base, "8d:20 6d:57 2d:59 0h:41"),
        (Position::Upper, "8d:20 6d:62 2d:64 0h:50"),
        (Position::Upper, "8d:20 6d:63 2d:63 0h:51"),
        (Position::Ambient, "8d:10 6d:12 2d:9 0h:3"),
        (Position::Exhaust, "8d:30 6d:52 2d:49 0h:43"),
    ] {
        let end = text.rfind(" 0h:").unwrap();
        let text = if heats && !matches!(position, Position::Ambient | Position::Exhaust) {
            format!("{} 12h:60 0h:79", &text[..end])
        } else {
            text.to_owned()
        };
        built = built.every(position, Quantity::Temperature, &text, "10s");
    }
    for (quantity, text) in
        [(Quantity::Oxygen, "8d:18 0h:6"), (Quantity::Moisture, "8d:55 0h:44"), (Quantity::Battery, "8d:90 0h:60")]
    {
        built = built.every(Position::Core, quantity, text, "1min");
    }
    for n in (0..16).rev() {
        built = built.watered(&format!("{}h", 12 * n + 1), Some(40.0));
    }
    for n in 0..299 {
        built = built.neighbour(&format!("n{n}"), "fan", true, Some(50.0));
    }
    built.done()
}

#[test]
fn no_shipped_rule_uses_more_than_a_fifth_of_what_it_may() {
    let book = built::book(Display::Metric);
    let (bin, burning) = (busy(false), busy(true));
    let blower = |n: usize| SiteBlower {
        facts: Arc::clone(&bin),
        role: BlowerRole::Pile,
        serves: (0..10).map(|i| (site::ids::BinId::new(&format!("b{}", 10 * n + i)).unwrap(), true)).collect(),
    };
    let gateway = |n: usize| GatewayFacts {
        id: format!("gateway-{n}"),
        interval: pile::time::Span::minutes(5),
        heard_at: Some(bin.at - pile::time::Span::hours(3)),
        gone_since: Some(bin.at - pile::time::Span::hours(2)),
        probes: 80,
        bins: (0..10).map(|i| site::ids::BinId::new(&format!("b{}", 10 * n + i)).unwrap()).collect(),
    };
    let whole = Whole {
        bins: vec![Arc::clone(&bin); 300],
        blowers: (0..30).map(blower).collect(),
        gateways: (0..30).map(gateway).collect(),
        own: Own::default(),
    };
    let site = Arc::new(Facts { whole: Some(Arc::new(whole)), ..(*bin).clone() });
    let mut costs: Vec<(u64, &str)> = vec![];
    for rule in book.rules() {
        let facts = if rule.header.scope == Scope::Bin { &bin } else { &site };
        let (answer, steps) = book.judge_counting(rule, facts);
        assert!(answer.is_ok(), "{}: {answer:?}", rule.name);
        costs.push((steps, &rule.name));
        if rule.header.scope == Scope::Bin {
            let (answer, steps) = book.judge_counting(rule, &burning);
            assert!(answer.is_ok(), "{} of a pile that burns: {answer:?}", rule.name);
            costs.push((steps, &rule.name));
        }
    }
    costs.sort();
    let share = |steps: u64| 100.0 * steps as f64 / OPERATIONS as f64;
    for (steps, rule) in costs.iter().rev().take(5) {
        println!("{rule}: {steps} steps, {:.1} % of what a rule may use", share(*steps));
    }
    let all: u64 = costs.iter().map(|(steps, _)| steps).sum();
    println!("all judgements at one bin: {all} steps");
    let (most, dearest) = costs.last().unwrap();
    assert!(*most <= OPERATIONS / 5, "{dearest} uses {:.1} %", share(*most));
    assert!(costs.first().unwrap().0 > 0, "a judgement costs something");
}
