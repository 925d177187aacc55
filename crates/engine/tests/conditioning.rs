//! The proof of a condition against vectors that an independent model computed.

use engine::conditioning::{Conditioning, Delays, Phase, Proven};
use pile::time::{Span, Timestamp};
use rulebook::answer::Verdict;
use serde_json::Value;

fn reference(name: &str) -> String {
    let path = format!("{}/../../tests/reference/alarms/{name}", env!("CARGO_MANIFEST_DIR"));
    std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{path}: {e}"))
}

fn seconds(value: &Value) -> i64 {
    value.as_i64().expect("whole seconds")
}

#[test]
fn conditioning_agrees_with_the_vectors() {
    let text = reference("conditioning-vectors.jsonl");
    let mut checked = 0;
    for line in text.lines().filter(|l| !l.starts_with('#')) {
        let vector: Value = serde_json::from_str(line).unwrap();
        let name = vector["name"].as_str().unwrap();
        let config = &vector["config"];
        let number = |key: &str| config[key].as_f64().unwrap();
        let (limit, deadband) = (number("sp"), number("db"));
        let high = config["high"].as_bool().unwrap_or(true);
        let span = |key: &str| Span::seconds(seconds(&config[key]));
        let delays = Delays { on: span("on"), off: span("off"), max_gap: span("max_gap") };
        let mut proof = Conditioning::IDLE;
        let mut events = Vec::new();
        for sample in vector["samples"].as_array().unwrap() {
            let at = Timestamp::from_millis(seconds(&sample["t"]) * 1_000);
            let value = sample["v"].as_f64().unwrap();
            let (over, back) = if high {
                (value > limit, value <= limit - deadband)
            } else {
                (value < limit, value >= limit + deadband)
            };
            let verdict = match (sample["q"].as_str().unwrap(), over, back) {
                ("good", true, _) => Verdict::Alarm,
                ("good", _, true) => Verdict::Clear,
                ("good", _, _) => Verdict::Keep,
                _ => Verdict::CannotTell,
            };
            match proof.absorb(verdict, Some(at), delays) {
                Some(Proven::Raise { onset }) => events.push(("RAISE", at, onset)),
                Some(Proven::Clear { end }) => events.push(("CLEAR", at, end)),
                None => {}
            }
        }
        let want: Vec<_> = vector["events"]
            .as_array()
            .unwrap()
            .iter()
            .map(|e| {
                let at = Timestamp::from_millis(seconds(&e["at"]) * 1_000);
                let from = Timestamp::from_millis(seconds(&e["onset_or_end"]) * 1_000);
                (e["event"].as_str().unwrap(), at, from)
            })
            .collect();
        assert_eq!(events, want, "{name}");
        let phase = match proof.phase {
            Phase::Idle => "IDLE",
            Phase::PendingOn { .. } => "PEND_ON",
            Phase::On => "ON",
            Phase::PendingOff { .. } => "PEND_OFF",
        };
        assert_eq!(phase, vector["end_state"].as_str().unwrap(), "{name}");
        checked += 1;
    }
    assert!(checked >= 10, "only {checked} vectors were found");
}

/// Every row of the transition table, fed as one answer to a proof in the row's state.
#[test]
fn every_row_of_the_transition_table_holds() {
    let at = |s: i64| Timestamp::from_millis(s * 1_000);
    let text = reference("conditioning-transitions.csv");
    let mut checked = 0;
    for row in text.lines().filter(|l| !l.starts_with('#')).skip(1) {
        let cell: Vec<&str> = row.splitn(6, ',').collect();
        let (id, state, input, guard, next) = (cell[0], cell[1], cell[2], cell[3], cell[4]);
        let delays = Delays {
            on: if guard == "on_delay=0" { Span::ZERO } else { Span::seconds(900) },
            off: if guard == "off_delay=0" { Span::ZERO } else { Span::seconds(900) },
            max_gap: Span::seconds(1_800),
        };
        // The delay is over for `>=` guards, and not over otherwise; a gap row comes after more than the longest gap.
        let since = if guard.contains(">=") { at(100) } else { at(900) };
        let phase = match state {
            "IDLE" => Phase::Idle,
            "PEND_ON" => Phase::PendingOn { since },
            "ON" => Phase::On,
            "PEND_OFF" => Phase::PendingOff { since },
            other => panic!("{id}: unknown state {other}"),
        };
        let mut proof = Conditioning { phase, last: Some(at(900)) };
        let (verdict, when) = match input {
            "over" => (Verdict::Alarm, at(1_000)),
            "mid" => (Verdict::Keep, at(1_000)),
            "back" => (Verdict::Clear, at(1_000)),
            "bad" => (Verdict::CannotTell, at(1_000)),
            "late" => (Verdict::Alarm, at(800)),
            // What ends the gap is then applied to the state that the gap left; inside the deadband it changes nothing.
            "gap" => (Verdict::Keep, at(900 + 1_801)),
            other => panic!("{id}: unknown input {other}"),
        };
        proof.absorb(verdict, Some(when), delays);
        let got = match proof.phase {
            Phase::Idle => "IDLE",
            Phase::PendingOn { .. } => "PEND_ON",
            Phase::On => "ON",
            Phase::PendingOff { .. } => "PEND_OFF",
        };
        assert_eq!(got, next, "{id}: {state} + {input} [{guard}]");
        checked += 1;
    }
    assert_eq!(checked, 28, "rows of the table");
}
