//! Writes points into a bucket, in pieces that the server takes.
//!
//! Must never lose a good point to a bad one beside it, nor take an answer for a yes that is none.

use std::time::Duration;

use influxdb2::api::write::TimestampPrecision;
use influxdb2::{Client, ClientBuilder, RequestError};
use site::model::Influx;

use crate::error::{CopyError, said};
use crate::points::Point;

/// Points that go in one request at the most: what the makers of InfluxDB advise for a batch (from memory).
pub const AT_ONCE: usize = 5_000;
/// Points that one call may find refused one by one. More of them mean that something else is wrong, and none is given up.
const REFUSED_MOST: usize = 100;
const CONNECT_WITHIN: Duration = Duration::from_secs(10);
/// For a whole answer. A database on a small machine takes seconds for a query over a day of many series.
const ANSWER_WITHIN: Duration = Duration::from_secs(60);

/// A bucket of InfluxDB 2. Cheap to copy.
#[derive(Clone, Debug)]
pub struct Bucket {
    pub(crate) client: Client,
    pub(crate) url: String,
    pub(crate) organisation: String,
    pub(crate) name: String,
}

/// A point that the server does not take, whatever is tried.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NotTaken {
    /// The point, in a few words.
    pub point: String,
    /// The server's words.
    pub why: String,
}

impl Bucket {
    /// Sets the connection up; nothing is sent.
    ///
    /// # Errors
    /// [`CopyError::Authority`] and [`CopyError::Client`].
    pub fn open(influx: &Influx, token: &str) -> Result<Bucket, CopyError> {
        Bucket::with_patience(influx, token, ANSWER_WITHIN)
    }

    /// The same, where a whole answer must come within so long.
    ///
    /// # Errors
    /// As [`Bucket::open`].
    pub fn with_patience(influx: &Influx, token: &str, patience: Duration) -> Result<Bucket, CopyError> {
        let failed = |why: String| CopyError::Client { url: influx.url.clone(), why };
        let mut http = reqwest::ClientBuilder::new().connect_timeout(CONNECT_WITHIN).timeout(patience);
        if let Some(path) = &influx.ca_file {
            let unusable = |why: String| CopyError::Authority { path: path.clone(), why };
            let pem = files::read(path, files::AUTHORITY).map_err(|e| unusable(e.to_string()))?;
            let authority = reqwest::Certificate::from_pem(&pem).map_err(|e| unusable(e.to_string()))?;
            http = http.tls_built_in_root_certs(false).add_root_certificate(authority);
        }
        // The library panics on an address that is none; the settings were checked, so this is for the hand that changed them since.
        if reqwest::Url::parse(&influx.url).is_err() {
            return Err(failed("it is not an address".into()));
        }
        let client = ClientBuilder::with_builder(http, &influx.url, &influx.organisation, token)
            .gzip(true)
            .build()
            .map_err(|e| failed(e.to_string()))?;
        Ok(Bucket {
            client,
            url: influx.url.clone(),
            organisation: influx.organisation.clone(),
            name: influx.bucket.clone(),
        })
    }

    /// Writes the points, at most [`AT_ONCE`] a request. Where the server refuses a request for what is in it, the half that is to blame is
    /// looked for until single points are left; those come back. A point that is written twice is there once.
    ///
    /// # Errors
    /// [`CopyError`]; some of the points may be there, and the call may be repeated.
    pub async fn write(&self, points: &[Point]) -> Result<Vec<NotTaken>, CopyError> {
        let mut todo: Vec<&[Point]> = points.chunks(AT_ONCE).rev().collect();
        let mut not_taken = Vec::new();
        while let Some(part) = todo.pop() {
            let (first, second) = part.split_at(part.len() / 2);
            match self.send(part).await {
                Ok(()) => {}
                // What is older than the bucket keeps is gone there however it is cut; the rest of the request was taken.
                Err(CopyError::Refused { said, .. }) if said.contains("retention policy") => {
                    let point = format!("some of {} points", part.len());
                    not_taken.push(NotTaken { point, why: said });
                }
                Err(CopyError::Refused { .. } | CopyError::TooLarge { .. }) if !first.is_empty() => {
                    todo.extend([second, first]);
                }
                Err(e @ (CopyError::Refused { .. } | CopyError::TooLarge { .. })) if not_taken.len() < REFUSED_MOST => {
                    not_taken.extend(part.iter().map(|point| NotTaken { point: point.shown(), why: e.to_string() }));
                }
                Err(other) => return Err(other),
            }
        }
        Ok(not_taken)
    }

    async fn send(&self, points: &[Point]) -> Result<(), CopyError> {
        let data: Vec<_> = points.iter().filter_map(Point::data).collect();
        if data.is_empty() {
            return Ok(());
        }
        let body = futures_util::stream::iter(data);
        let sent = self.client.write_with_precision(&self.name, body, TimestampPrecision::Nanoseconds).await;
        sent.map_err(|e| self.told(&e))
    }

    /// What an error of the client library means.
    pub(crate) fn told(&self, error: &RequestError) -> CopyError {
        let url = self.url.clone();
        let (status, text) = match error {
            RequestError::Http { status, text } => (status.as_u16(), text),
            RequestError::ReqwestProcessing { source } => return CopyError::Away { url, why: chain(source) },
            RequestError::Serializing { source } => return CopyError::Answer { url, why: source.to_string() },
            RequestError::Deserializing { text } => return CopyError::Answer { url, why: said(text) },
        };
        let said = said(text);
        match status {
            401 | 403 => CopyError::Token { url, status, said, bucket: self.name.clone() },
            404 => {
                CopyError::NoBucket { url, said, bucket: self.name.clone(), organisation: self.organisation.clone() }
            }
            413 => CopyError::TooLarge { url, said },
            429 | 503 => CopyError::Busy { url, status, said },
            400..=499 => CopyError::Refused { url, status, said },
            // A redirect or a page of something else that listens there is no yes either.
            _ => CopyError::Failed { url, status, said },
        }
    }
}

/// An error with its causes, without the address, which may hold a query.
fn chain(error: &reqwest::Error) -> String {
    if error.is_timeout() {
        return "it took too long".into();
    }
    let mut text = String::new();
    let mut cause = std::error::Error::source(error);
    while let Some(source) = cause {
        if !text.is_empty() {
            text.push_str(": ");
        }
        text.push_str(&source.to_string());
        cause = source.source();
    }
    if text.is_empty() { error.to_string() } else { text }
}
