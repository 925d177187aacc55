//! A probe in a bin behind a gateway, from the true temperature to what arrives and when.
//!
//! Must never test what anyone concludes from it.

use pile::time::{Span, Timestamp};
use pile::units::Celsius;
use sim::probe::{CODE_AFTER_RESET, CODE_NO_ANSWER};
use sim::{Bin, BinSetup, Blower, Fault, Gateway, Layer, ProbeModel, Weather};

fn at(hours: i64) -> Timestamp {
    Timestamp::from_millis(0) + Span::hours(hours)
}

#[test]
fn a_dying_probe_behind_a_gateway_that_was_cut_off() {
    let mut bin = Bin::new(BinSetup::typical()).unwrap();
    let blower = Blower::typical(at(0));
    let mut probe = ProbeModel::temperature(9)
        .with_fault(Fault::Flaky { from: at(72), until: at(84), share: 0.4 })
        .with_fault(Fault::Dies { at: at(84) });
    let mut gateway = Gateway::new(vec![(at(24), at(30))], 1_000);
    let (mut sent, mut arrived) = (0, Vec::new());
    for step in 0..96 * 12 {
        let now = at(0) + Span::minutes(5 * step);
        let next = now + Span::minutes(5);
        bin.advance(Span::minutes(5), blower.air(now, next), Weather::still(Celsius(12.5))).unwrap();
        if let Some(value) = probe.read(next, bin.temperature(Layer::Core).0) {
            gateway.accept(next, (next, value));
            sent += 1;
        }
        arrived.extend(gateway.deliver(next));
    }
    assert_eq!(arrived.len(), sent, "late, and nothing lost");
    assert_eq!(sent, 84 * 12 - 1, "silent from its death on");
    let measured: Vec<Timestamp> = arrived.iter().map(|d| d.pack.0).collect();
    assert!(measured.is_sorted(), "in the order of measuring");
    let late = arrived.iter().filter(|d| d.at > d.pack.0).count();
    assert_eq!(late, 6 * 12, "the six hours of the outage come late");
    assert!(arrived.iter().all(|d| d.at == d.pack.0 || d.at == at(30)), "all of them when it ends");
    let is_code = |value: f64| value == CODE_NO_ANSWER || value == CODE_AFTER_RESET;
    let codes: Vec<Timestamp> = arrived.iter().filter(|d| is_code(d.pack.1)).map(|d| d.pack.0).collect();
    assert!(codes.iter().all(|t| (at(72)..at(84)).contains(t)), "codes only while it is flaky");
    assert!((35..80).contains(&codes.len()), "{} codes among 144 readings", codes.len());
    let hot = arrived.iter().rfind(|d| !is_code(d.pack.1)).unwrap().pack.1;
    assert!((65.0..75.0).contains(&hot), "the last sound reading is {hot} °C");
}
