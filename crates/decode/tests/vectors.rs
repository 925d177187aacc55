//! Runs the payload vectors of `tests/reference/payloads`: every line is run, or its kind is named here with the reason.
//!
//! Must never skip a line in silence: a kind that is left out and has no line any more fails too.

#![allow(clippy::unwrap_used)]

use std::collections::BTreeSet;

use decode::{Retained, Router};
use pile::time::Timestamp;
use serde_json::Value;
use site::model::{Field, Payload};
use site::quantity::{Quantity, Unit};
use site::reading::{Reading, TimeSource};

mod sites;

const REFERENCE: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../../tests/reference/payloads/");

/// Why the lines of a kind are not run, or are run against another expectation than their own.
const LEFT_OUT: [(&str, &str); 9] = [
    ("homie", "Homie devices are not read yet"),
    ("cayennelpp", "binary frames are not read yet"),
    ("tts bytes", "base64 frames are not read yet"),
    ("chirpstack bytes", "base64 frames are not read yet"),
    ("condition", "a member elsewhere in the payload cannot veto a value yet (`simulated`, `level`)"),
    ("each", "one pointer names one value; a wildcard level is not RFC 6901"),
    ("tz", "DIFFERS: a local time is refused; a zone in the settings would make the autumn hour ambiguous"),
    ("scale", "settings name a unit, not a factor"),
    ("text value", "DIFFERS: a number as text is taken for a time only; a device that quotes its values is told"),
];

fn lines(name: &str) -> Vec<Value> {
    let text = std::fs::read_to_string(format!("{REFERENCE}{name}")).unwrap();
    assert!(text.starts_with("# source: "), "{name} must name its source");
    text.lines().skip(1).map(|line| serde_json::from_str(line).unwrap()).collect()
}

fn instant(text: &str) -> Timestamp {
    Timestamp::from_millis(text.parse::<jiff::Timestamp>().unwrap().as_millisecond())
}

fn probe_id(series: &str) -> String {
    series.replace('/', "-")
}

/// The kind under which a vector is left out, if it is.
fn kind(vector: &Value) -> Option<&'static str> {
    let map = &vector["map"];
    let id = vector["id"].as_str().unwrap();
    let key = match map["decoder"].as_str().unwrap() {
        "tts" | "chirpstack" if map["bytes"].is_string() && map["decoder"] == "tts" => "tts bytes",
        "tts" | "chirpstack" if map["bytes"].is_string() => "chirpstack bytes",
        _ if id == "tts-simulated" || id == "chirpstack-log" => "condition",
        "plain" | "json" | "tts" | "chirpstack" if map["each"].is_string() => "each",
        "plain" | "json" | "tts" | "chirpstack" if map["tz"].is_string() => "tz",
        "plain" | "json" if map["scale"].is_number() => "scale",
        "json" if id == "json-string-number" => "text value",
        "plain" | "json" | "tts" | "chirpstack" => return None,
        other => other,
    };
    let known = LEFT_OUT.iter().map(|(kind, _)| *kind).find(|kind| *kind == key);
    Some(known.unwrap_or_else(|| panic!("{id}: kind {key} is neither run nor left out with a reason")))
}

fn fields(map: &Value) -> Vec<Field> {
    let unit = match map["unit"].as_str().unwrap() {
        "degF" => Unit::Fahrenheit,
        symbol => Unit::from_symbol(symbol).unwrap(),
    };
    let one = |series: &str, at: Option<&str>| Field {
        value_at: at.map(Into::into),
        unit_at: map["unit_pointer"].as_str().map(Into::into),
        source: probe_id(series),
        quantity: Quantity::Temperature,
        unit,
        optional: false,
    };
    match map["values"].as_object() {
        Some(values) => values.iter().map(|(series, at)| one(series, at.as_str())).collect(),
        None => vec![one(map["series"].as_str().unwrap(), map["value"].as_str())],
    }
}

fn router(vector: &Value) -> Router {
    let map = &vector["map"];
    let topic = vector["topic"].as_str().unwrap();
    let fields = fields(map);
    let ids: Vec<String> = fields.iter().map(|f| f.source.clone()).collect();
    let ids: Vec<&str> = ids.iter().map(String::as_str).collect();
    let time = map["time"].as_str().or_else(|| map["time"][0].as_str());
    let topics = match map["decoder"].as_str().unwrap() {
        "plain" => {
            let mut map = sites::plain(topic, "");
            map.payload = Payload::Number(fields[0].clone());
            map
        }
        _ => sites::json(topic, time, fields),
    };
    Router::new(&sites::with(vec![topics], &ids, &[]))
}

/// What the vector's flags and time source are called here.
fn time_source(expected: &Value) -> TimeSource {
    let flags: Vec<&str> = expected["flags"].as_array().unwrap().iter().filter_map(Value::as_str).collect();
    match expected["ts_source"].as_str().unwrap() {
        "receive" if flags.contains(&"device_clock_invalid") => TimeSource::DeviceClockWrong,
        "receive" if flags.contains(&"device_clock_future") => TimeSource::DeviceClockAhead,
        "receive" => TimeSource::Intake,
        // To the decoder whatever stands in the payload is the payload's own time.
        "device" | "server" | "gateway" => TimeSource::Device,
        other => panic!("{other}"),
    }
}

fn check(id: &str, got: &[Reading], expected: &Value) {
    let rows = expected.as_array().unwrap();
    assert_eq!(got.len(), rows.len(), "{id}: {got:?}");
    for row in rows {
        let series = probe_id(row["series"].as_str().unwrap());
        let reading =
            got.iter().find(|r| r.series.source.as_str() == series).unwrap_or_else(|| panic!("{id}: {series}"));
        // Sensor codes such as -127 are values to the decoder; the engine judges them.
        if let Some(value) = row["value"].as_f64() {
            assert!((reading.value - value).abs() < 1e-6, "{id}: {} against {value}", reading.value);
        }
        assert_eq!(reading.measured_at.as_millis(), row["ts_ms"].as_i64().unwrap(), "{id}");
        assert_eq!(reading.time_source, time_source(row), "{id}");
    }
}

#[test]
fn payload_vectors_give_their_readings_or_their_refusals() {
    let vectors = lines("vectors.jsonl");
    let mut left_out = BTreeSet::new();
    let mut run = 0;
    for vector in &vectors {
        if let Some(kind) = kind(vector) {
            left_out.insert(kind);
            continue;
        }
        run += 1;
        let id = vector["id"].as_str().unwrap();
        let retained = if vector["retain"] == true { Retained::Kept } else { Retained::Fresh };
        let payload = vector["payload"].as_str().unwrap();
        let topic = vector["topic"].as_str().unwrap();
        let received_at = instant(vector["recv"].as_str().unwrap());
        let decoded = router(vector).decode(topic, payload.as_bytes(), retained, received_at);
        let expected = &vector["expect"];
        let stale = expected[0]["quality"] == "stale";
        if expected.is_array() && !stale {
            assert_eq!(decoded.refusals, [], "{id}");
            check(id, &decoded.readings, expected);
        } else {
            // A kept message without a time is last known, not a reading.
            assert_eq!(decoded.readings, [], "{id}");
            assert_eq!(decoded.refusals.len(), 1, "{id}");
            let refusal = &decoded.refusals[0];
            assert_eq!(refusal.payload_bytes, payload.len(), "{id}");
            if stale {
                assert!(refusal.reason.contains("retained"), "{id}: {}", refusal.reason);
            }
        }
    }
    assert_eq!((run, vectors.len()), (52, 75), "vectors that are run, of all");
    let named: BTreeSet<&str> = LEFT_OUT.iter().map(|(kind, _)| *kind).collect();
    assert_eq!(left_out, named, "every kind that is left out has lines");
}

#[test]
fn message_sequences_give_their_times() {
    let mut stored = 0;
    for name in ["01-retained-stale-no-time", "02-retained-with-time", "08-no-clock-device", "09-future-clock"] {
        let router = Router::new(&sites::with(
            vec![
                sites::plain("site1/bin03/t1", "bin03-t1"),
                sites::json("site1/bin03/json", Some("/ts"), vec![sites::field("bin03-t1", Some("/t/0/c"))]),
            ],
            &["bin03-t1"],
            &[],
        ));
        for line in lines(&format!("sequences/{name}.jsonl")).iter().skip(1) {
            let expected = &line["expect"];
            let retained = if line["retain"] == true { Retained::Kept } else { Retained::Fresh };
            let received_at = instant(line["recv"].as_str().unwrap());
            let payload = line["payload"].as_str().unwrap();
            let decoded = router.decode(line["topic"].as_str().unwrap(), payload.as_bytes(), retained, received_at);
            // Whether the same reading was stored before is for the engine to know.
            if expected["quality"] == "stale" {
                assert_eq!(decoded.readings, [], "{name}: {line}");
                assert!(decoded.refusals[0].reason.contains("retained"), "{name}: {line}");
            } else if let Some(ts) = expected["ts"].as_str() {
                assert_eq!(decoded.readings[0].measured_at, instant(ts), "{name}: {line}");
                assert_eq!(decoded.readings[0].retained, retained == Retained::Kept, "{name}: {line}");
                stored += 1;
            }
        }
    }
    assert_eq!(stored, 7);
}
