//! The form that a site's history has in InfluxDB. It is stable: a measurement, tag or field is added, never renamed.
//!
//! Must never give a tag to what differs from reading to reading or from event to event: each set of tags is a series of its own.
//!
//! | measurement | tags | fields | time |
//! |---|---|---|---|
//! | `reading` | `site`, `kind` (probe or blower), `source`, `quantity` | `value` in the quantity's unit; `delay_ms` from measuring to coming in, where not 0; `quality` (suspect or bad) and `reason`, where not good; `time_source`, where not the device; `retained`, where true | when it was measured |
//! | `alarm_event` | `site`, `rule`, `about` (a bin, or the site) | `alarm`, `occurrence`, `event`, `before`, `after`, `title`, `priority`, `words` | when it happened |
//! | `entry` | `site`, `bin`, `entry` (its kind) | `number`, `batch`, `by`, `note`, `detail` (JSON) | when it was done |
//! | `result` | `site`, `bin`, `criterion` | `batch`, `result`, `hours_counted`, `hours_needed`, `met_at` | when it changed |
//!
//! Times are nanoseconds. Of everything but readings the last six digits are the number of its row in the record, so that two events of one
//! instant stay two, and the same event copied twice stays one.

use influxdb2::models::{DataPoint, FieldValue};
use pile::time::Timestamp;
use serde_json::Value;
use site::reading::{Quality, Reading, Source, TimeSource};

/// The measurement of readings.
pub const READING: &str = "reading";

const NANOS_PER_MILLI: i64 = 1_000_000;

/// One point of the copy.
#[derive(Clone, Debug, PartialEq)]
pub struct Point {
    /// What it is of.
    pub measurement: &'static str,
    /// What tells its series from others.
    pub tags: Vec<(&'static str, String)>,
    /// What it says.
    pub fields: Vec<(&'static str, FieldValue)>,
    /// Nanoseconds since 1970-01-01T00:00:00 UTC.
    pub nanos: i64,
}

/// A reading of a site.
pub fn of_reading(site: &str, reading: &Reading, quality: Quality, reason: &str) -> Point {
    let kind = kind_word(&reading.series.source);
    let mut fields = vec![("value", FieldValue::F64(reading.value))];
    let delay = reading.received_at.since(reading.measured_at).as_millis();
    if delay != 0 {
        fields.push(("delay_ms", FieldValue::I64(delay)));
    }
    if quality != Quality::Good {
        fields.push(("quality", text(quality.key())));
    }
    if !reason.is_empty() {
        fields.push(("reason", text(reason)));
    }
    if let Some((word, _)) = TIME_SOURCES.iter().find(|(_, source)| *source == reading.time_source) {
        fields.push(("time_source", text(word)));
    }
    if reading.retained {
        fields.push(("retained", FieldValue::Bool(true)));
    }
    Point {
        measurement: READING,
        tags: vec![
            ("site", site.into()),
            ("kind", kind.into()),
            ("source", reading.series.source.as_str().into()),
            ("quantity", reading.series.quantity.key().into()),
        ],
        fields,
        nanos: reading.measured_at.as_millis().saturating_mul(NANOS_PER_MILLI),
    }
}

/// The points of a row of the record, by its kind and body as the store writes them; none for what is not copied (settings, mails, starts).
/// `at` is when the row was written, `seq` its number.
pub fn of_row(site: &str, seq: u64, at: Timestamp, kind: &str, body: &Value) -> Vec<Point> {
    let word = |key: &str| body[key].as_str().unwrap_or_default().to_owned();
    let whole = |key: &'static str| body[key].as_i64().map(|n| (key, FieldValue::I64(n)));
    let words = |key: &'static str| body[key].as_str().filter(|w| !w.is_empty()).map(|w| (key, text(w)));
    let own_time = || parsed(&body["at"]).unwrap_or(at);
    let nanos = |at: Timestamp| nanos(at, seq);
    match kind {
        "alarm" => vec![Point {
            measurement: "alarm_event",
            tags: vec![("site", site.into()), ("rule", word("rule")), ("about", word("about"))],
            fields: [
                whole("alarm"),
                whole("occurrence"),
                words("event"),
                words("before"),
                words("after"),
                words("title"),
                words("priority"),
                words("words"),
            ]
            .into_iter()
            .flatten()
            .collect(),
            nanos: nanos(own_time()),
        }],
        "entry" => vec![Point {
            measurement: "entry",
            tags: vec![("site", site.into()), ("bin", word("bin")), ("entry", word("entry"))],
            fields: [
                body["entry_id"].as_i64().map(|n| ("number", FieldValue::I64(n))),
                whole("batch"),
                words("by"),
                words("note"),
                Some(("detail", text(&body["detail"].to_string()))),
            ]
            .into_iter()
            .flatten()
            .collect(),
            nanos: nanos(own_time()),
        }],
        "results" => {
            let changed = body["changed"].as_array().map_or(&[][..], Vec::as_slice);
            let until = parsed(&body["until"]).unwrap_or(at);
            let point = |one: &Value| Point {
                measurement: "result",
                tags: vec![
                    ("site", site.into()),
                    ("bin", word("bin")),
                    ("criterion", one["criterion"].as_str().unwrap_or_default().into()),
                ],
                fields: [
                    whole("batch"),
                    one["result"].as_str().map(|w| ("result", text(w))),
                    one["hours_counted"].as_f64().map(|h| ("hours_counted", FieldValue::F64(h))),
                    one["hours_needed"].as_f64().map(|h| ("hours_needed", FieldValue::F64(h))),
                    one["met_at"].as_str().map(|w| ("met_at", text(w))),
                ]
                .into_iter()
                .flatten()
                .collect(),
                nanos: nanos(until),
            };
            changed.iter().map(point).collect()
        }
        _ => Vec::new(),
    }
}

impl Point {
    /// The point as the client library writes it; `None` for one that says nothing, which would be no line.
    pub(crate) fn data(&self) -> Option<DataPoint> {
        let mut point = DataPoint::builder(self.measurement).timestamp(self.nanos);
        for (key, value) in self.tags.iter().filter(|(_, value)| !value.is_empty()) {
            point = point.tag(*key, value.as_str());
        }
        for (key, value) in &self.fields {
            // The library writes a backslash as it stands, and the database takes it for the first half of an escape.
            let value = match value {
                FieldValue::String(text) => FieldValue::String(text.replace('\\', "\\\\")),
                other => other.clone(),
            };
            point = point.field(*key, value);
        }
        point.build().ok()
    }

    /// In a few words, for whoever looks for what was not taken.
    pub fn shown(&self) -> String {
        let tags = self.tags.iter().skip(1).map(|(_, value)| value.as_str()).collect::<Vec<_>>().join("/");
        format!("{} {tags} at {} ns", self.measurement, self.nanos)
    }
}

/// The words of a clock that is not the device's own, as in the lines that are on record.
const TIME_SOURCES: [(&str, TimeSource); 3] = [
    ("intake", TimeSource::Intake),
    ("intake-device-wrong", TimeSource::DeviceClockWrong),
    ("intake-device-ahead", TimeSource::DeviceClockAhead),
];

/// The clock that a word stands for; the device's own without one.
pub(crate) fn time_source(word: Option<&str>) -> Option<TimeSource> {
    match word {
        None => Some(TimeSource::Device),
        Some(word) => TIME_SOURCES.iter().find(|(w, _)| *w == word).map(|(_, source)| *source),
    }
}

pub(crate) fn kind_word(source: &Source) -> &'static str {
    match source {
        Source::Probe(_) => "probe",
        Source::Blower(_) => "blower",
    }
}

fn nanos(at: Timestamp, seq: u64) -> i64 {
    let within = i64::try_from(seq % NANOS_PER_MILLI.unsigned_abs()).unwrap_or(0);
    at.as_millis().saturating_mul(NANOS_PER_MILLI).saturating_add(within)
}

fn parsed(value: &Value) -> Option<Timestamp> {
    site::zone::parse_rfc3339(value.as_str()?)
}

/// A text on one line: some servers take a line feed for the end of the point.
fn text(words: &str) -> FieldValue {
    FieldValue::String(words.replace(['\n', '\r'], " "))
}
