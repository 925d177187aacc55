//! Reads readings back out of a bucket, by Flux.
//!
//! Must never hand on a reading of which a part is missing: what is not whole is an error.

use std::collections::BTreeMap;

use influxdb2::api::query::FluxRecord;
use influxdb2::models::Query;
use influxdb2_structmap::value::Value;
use pile::time::Timestamp;
use site::ids::{BlowerId, ProbeId};
use site::quantity::Quantity;
use site::reading::{Quality, Reading, SeriesId, Source};
use site::zone::rfc3339_millis;

use crate::bucket::Bucket;
use crate::error::CopyError;
use crate::points::{READING, time_source};

/// A reading as the copy has it.
#[derive(Clone, Debug, PartialEq)]
pub struct Copied {
    /// The reading.
    pub reading: Reading,
    /// Whether it may be believed.
    pub quality: Quality,
    /// Why it is not good; empty when good.
    pub reason: String,
}

/// How many readings of a series the copy has of one day.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DayCount {
    /// Which series.
    pub series: SeriesId,
    /// The first instant of the day, in UTC.
    pub day: Timestamp,
    /// How many.
    pub readings: u64,
}

impl Bucket {
    /// How many readings there are of each series and day (in UTC) from `from` to before `to`; days without any are left out.
    ///
    /// # Errors
    /// [`CopyError`].
    pub async fn days(&self, site: &str, from: Timestamp, to: Timestamp) -> Result<Vec<DayCount>, CopyError> {
        let query = format!(
            "{} |> filter(fn: (r) => r._field == \"value\")\n  |> aggregateWindow(every: 1d, fn: count, timeSrc: \"_start\", createEmpty: false)",
            self.readings_of(site, from, to)
        );
        let mut out = Vec::new();
        for record in self.ask(query).await? {
            let readings = match record.values.get("_value") {
                Some(Value::Long(n)) => u64::try_from(*n).unwrap_or(0),
                _ => return Err(self.unlike("a count that is no number")),
            };
            // The first window begins where the query does.
            let day = Timestamp::from_millis(self.millis(&record)?.div_euclid(DAY_MILLIS) * DAY_MILLIS);
            out.push(DayCount { series: self.series(&record)?, day, readings });
        }
        Ok(out)
    }

    /// The readings from `from` to before `to`, by series and then time. A span of an hour or so at a time: the whole answer is in memory.
    ///
    /// # Errors
    /// [`CopyError`].
    pub async fn readings(&self, site: &str, from: Timestamp, to: Timestamp) -> Result<Vec<Copied>, CopyError> {
        // Without a pivot each field comes in a table of its own, which is the form that the client library reads safely.
        let mut parts: BTreeMap<(SeriesId, i64), BTreeMap<String, Value>> = BTreeMap::new();
        for mut record in self.ask(self.readings_of(site, from, to)).await? {
            let (series, at) = (self.series(&record)?, self.millis(&record)?);
            let Some(Value::String(field)) = record.values.remove("_field") else {
                return Err(self.unlike("a row without a field"));
            };
            let value = record.values.remove("_value").unwrap_or(Value::Unknown);
            parts.entry((series, at)).or_default().insert(field, value);
        }
        parts.into_iter().map(|((series, at), fields)| self.copied(series, at, &fields)).collect()
    }

    fn copied(&self, series: SeriesId, at: i64, fields: &BTreeMap<String, Value>) -> Result<Copied, CopyError> {
        let name = || format!("{series} at {}", rfc3339_millis(Timestamp::from_millis(at)));
        let word = |key: &str| match fields.get(key) {
            Some(Value::String(word)) => Some(word.as_str()),
            _ => None,
        };
        let Some(Value::Double(value)) = fields.get("value").filter(|v| matches!(v, Value::Double(v) if v.is_finite()))
        else {
            return Err(self.unlike(&format!("no value for {}", name())));
        };
        let delay = match fields.get("delay_ms") {
            Some(Value::Long(delay)) => *delay,
            None => 0,
            Some(_) => return Err(self.unlike(&format!("a delay that is no number for {}", name()))),
        };
        let quality = match word("quality") {
            None => Quality::Good,
            Some(word) => [Quality::Suspect, Quality::Bad]
                .into_iter()
                .find(|q| q.key() == word)
                .ok_or_else(|| self.unlike(&format!("the quality `{word}` for {}", name())))?,
        };
        let time_source = time_source(word("time_source"))
            .ok_or_else(|| self.unlike(&format!("a source of time that is none for {}", name())))?;
        Ok(Copied {
            reading: Reading {
                measured_at: Timestamp::from_millis(at),
                received_at: Timestamp::from_millis(at.saturating_add(delay)),
                value: value.into_inner(),
                time_source,
                retained: matches!(fields.get("retained"), Some(Value::Bool(true))),
                series,
            },
            quality,
            reason: word("reason").unwrap_or_default().into(),
        })
    }

    fn readings_of(&self, site: &str, from: Timestamp, to: Timestamp) -> String {
        format!(
            "from(bucket: {})\n  |> range(start: {}, stop: {})\n  |> filter(fn: (r) => r._measurement == \"{READING}\" and r.site == {})",
            quoted(&self.name),
            rfc3339_millis(from),
            rfc3339_millis(to),
            quoted(site)
        )
    }

    /// Asks in a task of its own: the client library panics on some answers, and that is an error like any other here.
    async fn ask(&self, query: String) -> Result<Vec<FluxRecord>, CopyError> {
        let bucket = self.clone();
        let asked = tokio::spawn(async move {
            let rows = bucket.client.query_raw_iter(Some(Query::new(query))).await.map_err(|e| bucket.told(&e))?;
            let mut records = Vec::new();
            let mut found = rows.result();
            while let Some(record) =
                fallible_iterator::FallibleIterator::next(&mut found).map_err(|e| bucket.told(&e))?
            {
                records.push(record);
            }
            Ok(records)
        });
        asked.await.unwrap_or_else(|_| Err(self.unlike("a table that the client library cannot read")))
    }

    fn series(&self, record: &FluxRecord) -> Result<SeriesId, CopyError> {
        let tag = |key: &str| match record.values.get(key) {
            Some(Value::String(word)) => Ok(word.as_str()),
            _ => Err(self.unlike(&format!("a row without `{key}`"))),
        };
        let (kind, id, quantity) = (tag("kind")?, tag("source")?, tag("quantity")?);
        let source = match kind {
            "probe" => ProbeId::new(id).ok().map(Source::Probe),
            "blower" => BlowerId::new(id).ok().map(Source::Blower),
            _ => None,
        };
        let source = source.ok_or_else(|| self.unlike(&format!("{kind} `{id}`, which is no source")))?;
        let quantity =
            Quantity::from_key(quantity).ok_or_else(|| self.unlike(&format!("the quantity `{quantity}`")))?;
        Ok(SeriesId { source, quantity })
    }

    fn millis(&self, record: &FluxRecord) -> Result<i64, CopyError> {
        match record.values.get("_time") {
            Some(Value::TimeRFC(at)) => Ok(at.timestamp_millis()),
            _ => Err(self.unlike("a row without a time")),
        }
    }

    fn unlike(&self, what: &str) -> CopyError {
        CopyError::Answer { url: self.url.clone(), why: format!("it has {what}") }
    }
}

const DAY_MILLIS: i64 = 86_400_000;

/// A text in Flux: in quotes, with those inside escaped, and without the `${` that would begin an expression.
fn quoted(text: &str) -> String {
    format!("\"{}\"", text.replace('\\', "\\\\").replace('"', "\\\"").replace("${", "\\${"))
}
