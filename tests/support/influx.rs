//! Not InfluxDB: a small HTTP server that answers as the published interface of InfluxDB 2 says (POST /api/v2/write with line protocol,
//! POST /api/v2/query with Flux and annotated CSV, error bodies with `code` and `message`), as far as the copy uses it. No registry that the
//! tests can reach carries a server that speaks Flux; the write path is tried against a real server as well.
//!
//! Must never take a line or a query that it does not understand: what it cannot read it refuses loudly.

#![allow(dead_code, missing_docs, unreachable_pub, clippy::unwrap_used)]

use std::collections::{BTreeMap, VecDeque};
use std::fmt::Write as _;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::sync::{Arc, Condvar, Mutex};

use flate2::read::GzDecoder;

pub const TOKEN: &str = "token-of-the-tests";
pub const ORGANISATION: &str = "yard";
pub const BUCKET: &str = "compost";

/// An answer that the next request gets, whatever it asks.
#[derive(Clone, Debug)]
pub enum Answer {
    /// This one, with a header line or none.
    Status(u16, &'static str, &'static str),
    /// The first half of a good answer, then the connection ends.
    CutOff,
    /// None until it is let go.
    Held,
}

/// The fields of a point, as they were written.
pub type Fields = BTreeMap<String, String>;
/// Measurement with its tags, in one text; then the time in nanoseconds.
pub type Key = (String, i64);

#[derive(Default)]
struct State {
    points: BTreeMap<Key, Fields>,
    script: VecDeque<Answer>,
    requests: Vec<String>,
    /// A write with a line that holds this text is refused.
    refuses: Option<String>,
    /// Lines that one write may have.
    most: Option<usize>,
    down: bool,
}

struct Shared {
    state: Mutex<State>,
    let_go: Condvar,
}

pub struct InfluxLike {
    shared: Arc<Shared>,
    address: SocketAddr,
}

impl InfluxLike {
    pub fn start() -> InfluxLike {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let address = listener.local_addr().unwrap();
        let shared = Arc::new(Shared { state: Mutex::default(), let_go: Condvar::new() });
        let server = Arc::clone(&shared);
        std::thread::spawn(move || {
            for stream in listener.incoming().map_while(Result::ok) {
                let shared = Arc::clone(&server);
                std::thread::spawn(move || serve(&shared, stream));
            }
        });
        InfluxLike { shared, address }
    }

    pub fn url(&self) -> String {
        format!("http://{}", self.address)
    }

    /// The key `influx` of settings for it, with the token in this file.
    pub fn settings(&self, token_file: &std::path::Path) -> String {
        format!(
            "influx: {{ url: \"{}\", organisation: {ORGANISATION}, bucket: {BUCKET}, token_file: \"{}\" }}\n",
            self.url(),
            token_file.display()
        )
    }

    pub fn next(&self, answers: &[Answer]) {
        self.shared.state.lock().unwrap().script.extend(answers.iter().cloned());
    }

    pub fn let_go(&self) {
        self.shared.state.lock().unwrap().script.retain(|answer| !matches!(answer, Answer::Held));
        self.shared.let_go.notify_all();
    }

    pub fn refuse(&self, text: Option<&str>) {
        self.shared.state.lock().unwrap().refuses = text.map(str::to_owned);
    }

    pub fn take_at_most(&self, lines: usize) {
        self.shared.state.lock().unwrap().most = Some(lines);
    }

    /// While it is down every connection ends without an answer.
    pub fn set_down(&self, down: bool) {
        self.shared.state.lock().unwrap().down = down;
    }

    pub fn points(&self) -> BTreeMap<Key, Fields> {
        self.shared.state.lock().unwrap().points.clone()
    }

    pub fn change(&self, change: impl FnOnce(&mut BTreeMap<Key, Fields>)) {
        change(&mut self.shared.state.lock().unwrap().points);
    }

    /// Points of a measurement.
    pub fn count(&self, measurement: &str) -> usize {
        let begins = format!("{measurement},");
        self.shared.state.lock().unwrap().points.keys().filter(|(series, _)| series.starts_with(&begins)).count()
    }

    /// Different sets of tags of a measurement.
    pub fn series(&self, measurement: &str) -> usize {
        let begins = format!("{measurement},");
        let state = self.shared.state.lock().unwrap();
        let all: std::collections::BTreeSet<_> =
            state.points.keys().map(|(s, _)| s).filter(|s| s.starts_with(&begins)).collect();
        all.len()
    }

    /// The head of every request, in the order in which they came.
    pub fn requests(&self) -> Vec<String> {
        self.shared.state.lock().unwrap().requests.clone()
    }
}

fn serve(shared: &Shared, stream: TcpStream) {
    let mut reader = BufReader::new(stream.try_clone().unwrap());
    let mut stream = stream;
    while let Some((head, body)) = request(&mut reader) {
        let mut state = shared.state.lock().unwrap();
        if state.down {
            return;
        }
        state.requests.push(head.clone());
        let mut cut_off = false;
        let (status, text, more) = match state.script.front().cloned() {
            Some(Answer::Held) => {
                let _gone =
                    shared.let_go.wait_while(state, |s| matches!(s.script.front(), Some(Answer::Held))).unwrap();
                return;
            }
            Some(Answer::Status(status, text, more)) => {
                state.script.pop_front();
                (status, text.to_owned(), more.to_owned())
            }
            other => {
                if matches!(other, Some(Answer::CutOff)) {
                    state.script.pop_front();
                    cut_off = true;
                }
                let (status, text) = answer(&mut state, &head, &body);
                (status, text, String::new())
            }
        };
        drop(state);
        let mut answer = format!("HTTP/1.1 {status} x\r\nContent-Length: {}\r\n{more}\r\n", text.len()).into_bytes();
        let shown = if cut_off { text.len() / 2 } else { text.len() };
        answer.extend_from_slice(&text.as_bytes()[..shown]);
        if stream.write_all(&answer).is_err() || cut_off {
            return;
        }
    }
}

/// The head of the next request as text, and its body unpacked.
fn request(reader: &mut BufReader<TcpStream>) -> Option<(String, Vec<u8>)> {
    let mut head = String::new();
    loop {
        let mut line = String::new();
        if reader.read_line(&mut line).ok()? == 0 {
            return None;
        }
        if line == "\r\n" {
            break;
        }
        head.push_str(&line);
    }
    let header = |name: &str| {
        let found = head.lines().find_map(|l| l.split_once(':').filter(|(k, _)| k.eq_ignore_ascii_case(name)))?;
        Some(found.1.trim().to_owned())
    };
    let mut body = Vec::new();
    if header("transfer-encoding").as_deref() == Some("chunked") {
        loop {
            let mut size = String::new();
            reader.read_line(&mut size).ok()?;
            let size = usize::from_str_radix(size.trim(), 16).ok()?;
            let mut chunk = vec![0; size + 2];
            reader.read_exact(&mut chunk).ok()?;
            if size == 0 {
                break;
            }
            body.extend_from_slice(&chunk[..size]);
        }
    } else if let Some(length) = header("content-length") {
        body = vec![0; length.parse().ok()?];
        reader.read_exact(&mut body).ok()?;
    }
    if header("content-encoding").as_deref() == Some("gzip") {
        let mut plain = Vec::new();
        GzDecoder::new(&body[..]).read_to_end(&mut plain).ok()?;
        body = plain;
    }
    Some((head, body))
}

fn refusal(status: u16, code: &str, message: &str) -> (u16, String) {
    (status, format!("{{\"code\":\"{code}\",\"message\":\"{message}\"}}"))
}

fn answer(state: &mut State, head: &str, body: &[u8]) -> (u16, String) {
    let first = head.lines().next().unwrap_or_default();
    if !head.contains(&format!("Token {TOKEN}\r\n")) {
        return refusal(401, "unauthorized", "unauthorized access");
    }
    if !first.contains(&format!("org={ORGANISATION}")) {
        return refusal(404, "not found", "organization name not found");
    }
    let body = std::str::from_utf8(body).unwrap();
    if first.starts_with("POST /api/v2/write?") {
        if !first.contains(&format!("bucket={BUCKET}&")) {
            return refusal(404, "not found", "bucket not found");
        }
        assert!(first.contains("precision=ns"), "{first}");
        let lines: Vec<&str> = body.lines().collect();
        if state.most.is_some_and(|most| lines.len() > most) {
            return refusal(413, "request too large", "cannot read data: points batch is too large");
        }
        if state.refuses.as_ref().is_some_and(|text| body.contains(text)) {
            return refusal(400, "invalid", "partial write: field type conflict dropped=1");
        }
        for line in lines {
            let (key, fields) = point(line);
            state.points.entry(key).or_default().extend(fields);
        }
        return (204, String::new());
    }
    if first.starts_with("POST /api/v2/query?") {
        let query: serde_json::Value = serde_json::from_str(body).unwrap();
        let flux = query["query"].as_str().unwrap();
        if !flux.contains(&format!("from(bucket: \"{BUCKET}\")")) {
            return refusal(404, "not found", "failed to initialize execute state: could not find bucket");
        }
        return (200, tables(state, flux));
    }
    refusal(404, "not found", "path not found")
}

/// A line of line protocol.
fn point(line: &str) -> (Key, Fields) {
    let mut parts = split(line, ' ');
    let nanos = parts.pop().unwrap().parse().unwrap();
    let fields = split(&parts.pop().unwrap(), ',');
    let series = parts.pop().unwrap();
    assert!(parts.is_empty(), "{line}");
    let fields = fields.iter().map(|field| {
        let (key, value) = field.split_once('=').unwrap();
        (key.to_owned(), value.to_owned())
    });
    ((series, nanos), fields.collect())
}

/// Parts between `at`, where it is neither escaped nor in quotes.
fn split(text: &str, at: char) -> Vec<String> {
    let (mut parts, mut quoted, mut escaped) = (vec![String::new()], false, false);
    for c in text.chars() {
        if c == at && !quoted && !escaped {
            parts.push(String::new());
            continue;
        }
        if c == '"' && !escaped {
            quoted = !quoted;
        }
        escaped = c == '\\' && !escaped;
        parts.last_mut().unwrap().push(c);
    }
    assert!(!quoted, "a quote that never ends: {text}");
    parts
}

/// The answer to the queries of the copy: all fields of readings in a span, or how many there are on each day.
fn tables(state: &State, flux: &str) -> String {
    let between = |from: &str, to: &str| {
        let rest = flux.split_once(from).unwrap_or_else(|| panic!("{flux}")).1;
        rest.split_once(to).unwrap().0.to_owned()
    };
    let (start, stop) = (between("start: ", ","), between("stop: ", ")"));
    let nanos = |text: &str| site::zone::parse_rfc3339(text).unwrap().as_millis() * 1_000_000;
    let (first, last) = (nanos(&start), nanos(&stop));
    assert!(flux.contains("r._measurement == \"reading\""), "{flux}");
    let site = between("r.site == \"", "\"");
    let per_day = flux.contains("aggregateWindow(every: 1d, fn: count, timeSrc: \"_start\", createEmpty: false)");
    assert_eq!(per_day, flux.contains("r._field == \"value\""), "{flux}");
    // One table a series and field.
    let mut tables: BTreeMap<(String, String), Vec<(i64, String)>> = BTreeMap::new();
    for ((series, at), fields) in &state.points {
        if !series.starts_with("reading,") || !series.contains(&format!(",site={site},")) || !(first..last).contains(at)
        {
            continue;
        }
        for (field, value) in fields {
            if per_day && field != "value" {
                continue;
            }
            tables.entry((series.clone(), field.clone())).or_default().push((*at, value.clone()));
        }
    }
    if per_day {
        for rows in tables.values_mut() {
            let mut days: BTreeMap<i64, u64> = BTreeMap::new();
            let day = 86_400_000_000_000;
            for (at, _) in rows.iter() {
                *days.entry((at.div_euclid(day) * day).max(first)).or_default() += 1;
            }
            *rows = days.into_iter().map(|(at, n)| (at, format!("{n}i"))).collect();
        }
    }
    let mut text = String::new();
    for (n, ((series, field), rows)) in tables.iter().enumerate() {
        let datatype = match rows[0].1.as_str() {
            v if v.starts_with('"') => "string",
            v if v.ends_with('i') => "long",
            "t" | "f" | "true" | "false" => "boolean",
            _ => "double",
        };
        let tags: Vec<(&str, &str)> = series.split(',').skip(1).map(|tag| tag.split_once('=').unwrap()).collect();
        let names: String = tags.iter().fold(String::new(), |all, (name, _)| all + "," + *name);
        let _ = write!(
            text,
            "#datatype,string,long,dateTime:RFC3339,dateTime:RFC3339,dateTime:RFC3339,{datatype},string,string{}\r\n\
             #group,false,false,true,true,false,false,true,true{}\r\n\
             #default,_result,,,,,,,{}\r\n\
             ,result,table,_start,_stop,_time,_value,_field,_measurement{names}\r\n",
            ",string".repeat(tags.len()),
            ",true".repeat(tags.len()),
            ",".repeat(tags.len()),
        );
        for (at, value) in rows {
            let at = site::zone::rfc3339_millis(pile::time::Timestamp::from_millis(at.div_euclid(1_000_000)));
            let value = match datatype {
                "string" => quoted(value),
                "long" => value.trim_end_matches('i').to_owned(),
                "boolean" => (value.starts_with('t')).to_string(),
                _ => value.clone(),
            };
            let values: String = tags.iter().fold(String::new(), |all, (_, value)| all + "," + *value);
            let _ = write!(text, ",,{n},{start},{stop},{at},{value},{field},reading{values}\r\n");
        }
        text.push_str("\r\n");
    }
    text
}

/// A string of line protocol as a cell of CSV.
fn quoted(value: &str) -> String {
    let inner = &value[1..value.len() - 1];
    let (mut plain, mut escaped) = (String::new(), false);
    for c in inner.chars() {
        if escaped || c != '\\' {
            plain.push(c);
            escaped = false;
        } else {
            escaped = true;
        }
    }
    format!("\"{}\"", plain.replace('"', "\"\""))
}
