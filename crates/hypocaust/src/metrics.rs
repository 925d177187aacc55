//! How the daemon is doing, for programs that watch it: `/metrics` in the text form of OpenMetrics 1.0, and `/health`.
//!
//! Must never show more than figures: no reading, no name of a person, no secret; and never hold the loop up.

use std::convert::Infallible;
use std::fmt;
use std::net::SocketAddr;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, AtomicU64, Ordering};
use std::time::Duration;

use engine::figures::Figures;
use http_body_util::Full;
use hyper::body::{Bytes, Incoming};
use hyper::header::{ACCEPT, CONTENT_TYPE, HeaderValue};
use hyper::service::service_fn;
use hyper::{Method, Request, Response, StatusCode};
use hyper_util::rt::{TokioIo, TokioTimer};
use ledger::Committed;
use pile::time::Span;
use prometheus_client::encoding::text::encode;
use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::family::Family;
use prometheus_client::metrics::gauge::Gauge;
use prometheus_client::metrics::histogram::Histogram;
use prometheus_client::metrics::info::Info;
use prometheus_client::registry::{Registry, Unit};
use tokio::net::TcpListener;

use crate::daemon::Moves;
use crate::descriptors::Budget;
use crate::health::{State, Told};

/// The form of OpenMetrics 1.0.
const OPENMETRICS: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";
/// A loop that does not answer within this does not work.
const ANSWER_WITHIN: Duration = Duration::from_secs(5);
/// Connections at once; more are closed at once. A program that watches asks once in some seconds.
const CONNECTIONS: usize = 16;
/// From the first moment of a connection until its request is there.
const REQUEST_WITHIN: Duration = Duration::from_secs(3);
/// A whole connection, the answer read included.
const DONE_WITHIN: Duration = Duration::from_secs(15);
/// Lines in the head of a request, and their bytes: the least that the library takes.
const HEADERS_MAX: usize = 32;
const HEAD_BYTES_MAX: usize = 8 * 1024;
/// Bounds of the histogram, in seconds: from a bin's few rules to a thousand bins at once.
const EVALUATION_BUCKETS: [f64; 7] = [0.001, 0.003, 0.01, 0.03, 0.1, 0.3, 1.0];

type Gauges = Family<Vec<(&'static str, String)>, Gauge<f64, AtomicU64>>;

/// What is counted from the start on.
#[derive(Clone, Debug)]
pub(crate) struct Tally {
    readings: Family<Vec<(&'static str, &'static str)>, Counter>,
    evaluation: Histogram,
    /// When the outward heartbeat was answered last, in milliseconds; 0 for never.
    beaten_at: Arc<AtomicI64>,
}

/// What the loop sees when it is asked.
#[derive(Debug)]
pub(crate) struct Sight {
    pub(crate) figures: Figures,
    pub(crate) moves: Moves,
    /// How the parts are.
    pub(crate) health: Told,
    /// The loop answered; otherwise the figures are those of its last look.
    pub(crate) is_fresh: bool,
    /// By how much the machine's clock is behind ours.
    pub(crate) clock_behind: Span,
    /// Rows of the record that the copy elsewhere has still to take.
    pub(crate) copy_waiting: Option<u64>,
}

impl Sight {
    /// Of a daemon whose loop is held up: its health alone is known.
    pub(crate) fn held_up(health: Told, clock_behind: Span) -> Sight {
        Sight {
            figures: Figures::default(),
            moves: Moves::default(),
            health,
            is_fresh: false,
            clock_behind,
            copy_waiting: None,
        }
    }
}

impl Tally {
    pub(crate) fn new() -> Tally {
        let readings = Family::default();
        // So that every outcome is there before it first happens.
        for outcome in ["stored", "repeated", "contradicted", "refused"] {
            let _ = readings.get_or_create(&vec![("outcome", outcome)]);
        }
        Tally { readings, evaluation: Histogram::new(EVALUATION_BUCKETS), beaten_at: Arc::default() }
    }

    /// What became of the readings of a commit.
    pub(crate) fn committed(&self, committed: Committed) {
        let Committed { stored, repeats, conflicts, refused } = committed;
        for (outcome, n) in
            [("stored", stored), ("repeated", repeats), ("contradicted", conflicts), ("refused", refused)]
        {
            self.readings.get_or_create(&vec![("outcome", outcome)]).inc_by(n as u64);
        }
    }

    /// So many readings came twice, and the store was not even asked.
    pub(crate) fn repeated(&self, readings: u64) {
        if readings > 0 {
            self.readings.get_or_create(&vec![("outcome", "repeated")]).inc_by(readings);
        }
    }

    /// Rules were judged, and it took so long.
    pub(crate) fn judged(&self, took: Duration) {
        self.evaluation.observe(took.as_secs_f64());
    }

    /// Where the time of the last heartbeat that was answered is kept.
    pub(crate) fn beaten_at(&self) -> Arc<AtomicI64> {
        Arc::clone(&self.beaten_at)
    }
}

/// The page.
pub(crate) fn page(tally: &Tally, sight: &Sight) -> Result<String, fmt::Error> {
    let mut registry = Registry::with_prefix("hypocaust");
    let figures = &sight.figures;
    let version = Info::new(vec![("version", env!("CARGO_PKG_VERSION"))]);
    registry.register("build", "Version of the running program", version);
    registry.register("readings", "Readings and payloads by what became of them", tally.readings.clone());

    let ages = Gauges::default();
    for (series, age) in &figures.ages {
        let labels =
            vec![("source", series.source.as_str().to_owned()), ("quantity", series.quantity.key().to_owned())];
        ages.get_or_create(&labels).set(age.as_seconds());
    }
    registry.register_with_unit("series_age", "Time since the newest good reading", Unit::Seconds, ages);

    let alarms = Gauges::default();
    for (state, priority, count) in &figures.alarms {
        let labels = vec![("state", state.key().to_owned()), ("priority", priority.key().to_owned())];
        alarms.get_or_create(&labels).set(*count as f64);
    }
    registry.register("alarms", "Alarms that are not over, by state and priority", alarms);

    let one = |value: f64| {
        let gauge = Gauge::<f64, AtomicU64>::default();
        gauge.set(value);
        gauge
    };
    registry.register("outbox_messages", "Mails that wait for a relay to take them", one(figures.mails_waiting as f64));
    let oldest = one(figures.oldest_mail.map_or(0.0, Span::as_seconds));
    registry.register_with_unit(
        "outbox_oldest_age",
        "How long the oldest waiting mail has waited",
        Unit::Seconds,
        oldest,
    );
    let help = "How long it took to judge the rules that were due at once";
    registry.register_with_unit("rule_evaluation", help, Unit::Seconds, tally.evaluation.clone());
    let behind = one(figures.behind.as_seconds());
    registry.register_with_unit("behind", "How long ago something was due that is not done yet", Unit::Seconds, behind);
    let beaten = one(tally.beaten_at.load(Ordering::Relaxed) as f64 / 1_000.0);
    let help = "When the outward heartbeat was answered last; 0 for never";
    registry.register_with_unit("last_heartbeat_timestamp", help, Unit::Seconds, beaten);
    let clock = one(sight.clock_behind.as_seconds());
    let help = "By how much the clock of the machine is behind that of the daemon, which never goes back";
    registry.register_with_unit("clock_behind", help, Unit::Seconds, clock);
    let moves = Gauges::default();
    for (part, is_moving) in sight.moves.parts() {
        moves.get_or_create(&vec![("part", part.to_owned())]).set(f64::from(u8::from(is_moving)));
    }
    let parts = Gauges::default();
    for part in &sight.health.health.parts {
        parts.get_or_create(&vec![("part", part.part.key().to_owned())]).set(part.state.figure());
    }
    registry.register("part_health", "How a part of the daemon is: 0 ok, 1 late, 2 failed; /health says why", parts);
    registry.register("moves", "1 while a part of the daemon does its work, 0 when it stands still", moves);
    if let Some(waiting) = sight.copy_waiting {
        registry.register(
            "copy_waiting_rows",
            "Rows of the record that the copy has still to take",
            one(waiting as f64),
        );
    }
    let mut text = String::new();
    encode(&mut text, &registry)?;
    Ok(text)
}

/// Answers on `listen` until the task ends; `look` asks the loop, and gives `None` when it does not answer.
pub(crate) async fn serve<F>(listen: SocketAddr, tally: Tally, look: impl Fn() -> F + Clone + Send + 'static)
where
    F: Future<Output = Option<Sight>> + Send + 'static,
{
    let listener = match TcpListener::bind(listen).await {
        Ok(listener) => listener,
        Err(source) => {
            tracing::error!(
                "figures for programs that watch the daemon cannot be had: {listen} cannot be listened on: {source}; choose another address \
                 under `metrics`. Everything else goes on"
            );
            return;
        }
    };
    let budget = Budget::new(CONNECTIONS);
    loop {
        let stream = match listener.accept().await {
            Ok((stream, _)) => stream,
            Err(source) => {
                budget.not_taken("the page of figures", &source).await;
                continue;
            }
        };
        // Whoever asks again is heard: seats come free within seconds.
        let Some(seat) = budget.seat() else { continue };
        let (tally, look) = (tally.clone(), look.clone());
        tokio::spawn(async move {
            let service = service_fn(move |request: Request<Incoming>| {
                let (tally, look) = (tally.clone(), look.clone());
                async move {
                    let sight = tokio::time::timeout(ANSWER_WITHIN, look());
                    Ok::<_, Infallible>(answer(&request, &tally, sight).await)
                }
            });
            let mut http = hyper::server::conn::http1::Builder::new();
            // One request a connection: a connection that is kept takes the seat of another program.
            http.timer(TokioTimer::new()).header_read_timeout(REQUEST_WITHIN).keep_alive(false);
            http.max_headers(HEADERS_MAX).max_buf_size(HEAD_BYTES_MAX);
            // A reader that hangs up early has what it wanted.
            let _ = tokio::time::timeout(DONE_WITHIN, http.serve_connection(TokioIo::new(stream), service)).await;
            drop(seat);
        });
    }
}

async fn answer(
    request: &Request<Incoming>,
    tally: &Tally,
    sight: impl Future<Output = Result<Option<Sight>, tokio::time::error::Elapsed>>,
) -> Response<Full<Bytes>> {
    if request.method() != Method::GET && request.method() != Method::HEAD {
        return response(StatusCode::METHOD_NOT_ALLOWED, "text/plain", "only GET is answered here\n".into());
    }
    let path = request.uri().path();
    if path != "/metrics" && path != "/health" {
        let words = "there is /metrics (OpenMetrics) and /health here\n";
        return response(StatusCode::NOT_FOUND, "text/plain", words.into());
    }
    let Ok(Some(sight)) = sight.await else {
        return response(StatusCode::SERVICE_UNAVAILABLE, "text/plain", "the daemon is stopping\n".into());
    };
    if path == "/health" {
        return health(request, &sight.health);
    }
    if !sight.is_fresh {
        let words = "the daemon's loop does not answer; see /health\n";
        return response(StatusCode::SERVICE_UNAVAILABLE, "text/plain", words.into());
    }
    match page(tally, &sight) {
        Ok(text) => response(StatusCode::OK, OPENMETRICS, text),
        Err(fmt::Error) => {
            response(StatusCode::INTERNAL_SERVER_ERROR, "text/plain", "the figures cannot be written\n".into())
        }
    }
}

/// A line a part, or JSON where that is asked for; 503 as soon as a part has failed, 200 otherwise.
fn health(request: &Request<Incoming>, told: &Told) -> Response<Full<Bytes>> {
    let status = match told.health.state() {
        State::Ok | State::Late => StatusCode::OK,
        State::Failed => StatusCode::SERVICE_UNAVAILABLE,
    };
    let accept = request.headers().get(ACCEPT).and_then(|accept| accept.to_str().ok()).unwrap_or_default();
    match accept.contains("application/json") {
        true => response(status, "application/json", format!("{}\n", told.health.json())),
        false => response(status, "text/plain; charset=utf-8", told.text()),
    }
}

fn response(status: StatusCode, form: &'static str, text: String) -> Response<Full<Bytes>> {
    let mut response = Response::new(Full::new(Bytes::from(text)));
    *response.status_mut() = status;
    response.headers_mut().insert(CONTENT_TYPE, HeaderValue::from_static(form));
    response
}
