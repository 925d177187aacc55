//! Rule cases: short made-up series in shorthand, and the alarms that a rule must raise over them, from the text of one case file.
//!
//! Must never run a rule, and never stop at the first fault of a text.

use std::collections::BTreeMap;

use pile::time::Span;
use pile::units::{Celsius, Litres};
use site::entry::EntryKind;
use site::model::{BlowerRole, Changed, POSITIONS, Position};
use site::quantity::{QUANTITIES, Quantity};
use site::settings::Fault;
use site::settings::fault::{Faults, Place};
use site::settings::node::{self, Kind, shortened};
use site::settings::section::{Item, Section};

use crate::header_text::span_of;
use crate::limits;

mod results;

pub use results::CaseResult;

/// The longest case: a season with its curing.
pub const LENGTH_MAX: Span = Span::days(90);

/// One case of a rule. Times count from its beginning, which is when the daemon starts.
#[derive(Clone, Debug, PartialEq)]
pub struct Case {
    /// What it shows.
    pub name: String,
    /// `file:line`, for messages.
    pub place: String,
    /// What the probes of the bin send.
    pub tracks: Vec<Track>,
    /// What the blower does; `None` where no blower serves the bin.
    pub blower: Option<Vec<BlowerPiece>>,
    /// What the blower is for.
    pub blower_role: BlowerRole,
    /// Whether the relay takes mail.
    pub mail: MailWay,
    /// The share of the disk that is free, in percent; nobody looks at it where this is empty.
    pub disk_free: Vec<Piece>,
    /// When the clock jumps, and by how much.
    pub jump: Option<(Span, Span)>,
    /// The blower's schedule: how long it runs, and from one start to the next.
    pub schedule: (Span, Span),
    /// From one reading to the next.
    pub probes_every: Span,
    /// The largest error of a reading, in the unit of its quantity.
    pub noise: f64,
    /// What the errors are drawn from: the same seed gives the same errors.
    pub seed: u64,
    /// What people write in the log.
    pub log: Vec<(Span, EntryKind)>,
    /// How the batch stands against criteria, from when on.
    pub results: Vec<CaseResult>,
    /// Settings of the rule that the case changes.
    pub settings: BTreeMap<String, Changed>,
    /// What the alarm must do, in this order, and nothing else.
    pub expected: Vec<Expected>,
    /// How long it lasts.
    pub length: Span,
}

/// Whether the relay of a case takes mail.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum MailWay {
    /// At once.
    Open,
    /// Never.
    Down,
}

/// What one probe sends, or the blower of its own air.
#[derive(Clone, Debug, PartialEq)]
pub struct Track {
    /// Where the probe sits; `None` for the blower.
    pub position: Option<Position>,
    /// What it measures.
    pub quantity: Quantity,
    /// One after the other from the beginning of the case.
    pub pieces: Vec<Piece>,
}

/// A stretch of what a probe sends.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Piece {
    /// How long.
    pub length: Span,
    /// What it sends.
    pub shape: Shape,
}

/// What a probe sends over a stretch.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Shape {
    /// A straight line from one value to the other.
    Line(f64, f64),
    /// One value again and again without any error, such as a fault code.
    Stuck(f64),
    /// Nothing.
    Gap,
}

/// A stretch of what the blower does.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BlowerPiece {
    /// How long.
    pub length: Span,
    /// How it runs.
    pub running: Running,
    /// Whether its run counter is heard.
    pub heard: bool,
}

/// How a blower runs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Running {
    /// This share of its schedule; 1 is all of it.
    Scheduled(f64),
    /// All the time.
    Always,
}

/// One thing that the alarm must do.
#[derive(Clone, Debug, PartialEq)]
pub struct Expected {
    /// What.
    pub kind: ExpectedKind,
    /// Not before.
    pub from: Span,
    /// Not after.
    pub to: Span,
}

/// What an alarm can be expected to do.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ExpectedKind {
    /// It is raised.
    Raised,
    /// It clears by proof.
    Cleared,
    /// It ends because the rule is no longer judged in the batch's stage.
    Retired,
}

const CASE_KEYS: [&str; 14] = [
    "name",
    "expect",
    "blower",
    "blower_role",
    "mail",
    "disk_free",
    "clock",
    "schedule",
    "probes_every",
    "noise",
    "seed",
    "log",
    "results",
    "settings",
];
const CLOCK: &str = "write `jumps 2 h at 1 d`";
const SERIES: &str = "write stretches such as `18 → 60 in 36 h, 60 for 3 d, gap 2 h, → 45 in 2 d, stuck -127 for 1 h`";
const BLOWER: &str =
    "write stretches such as `scheduled for 3 d, stopped for 6 h, 40 % for 2 h, always for 1 h, gap 2 h`";
const LOG: &str = "write `on-air at 0 h, loaded 6 °C`, `watered at 5 d, 40 L`, `watered at 5 d, 3 min`, `valve at 5 d, 20 %`, `probes-out at 5 d` or `off-air at 30 d`";
const EXPECT: &str = "write `none`, or a list such as [raised 3 d 12 h .. 4 d, cleared at 6 d ± 2 h]";

/// Reads a case file; `path` is how messages address it.
///
/// # Errors
/// Every fault in the text, in its order.
pub fn read_cases(text: &str, path: &str) -> Result<Vec<Case>, Vec<Fault>> {
    if text.len() > limits::CASES_BYTES {
        let mut faults = Faults::new(path);
        let what = format!("the case file has {} bytes, more than {}", text.len(), limits::CASES_BYTES);
        faults.add(Place { line: 1, column: 1 }, what, "leave out cases that show nothing new");
        return Err(faults.in_order());
    }
    let empty = ("the case file is empty", "`hypocaust rules new NAME` writes one to begin with");
    let root = node::parse(text, path, empty).map_err(|fault| vec![fault])?;
    let mut faults = Faults::new(path);
    let cases = cases(&root, &mut faults);
    if faults.is_empty() { Ok(cases) } else { Err(faults.in_order()) }
}

impl Track {
    /// What it sends at this time of the case, and whether errors belong on it.
    pub fn at(&self, at: Span) -> Option<(f64, bool)> {
        value_at(&self.pieces, at)
    }
}

/// What a row of stretches comes to at this time of the case, and whether errors belong on it.
pub fn value_at(pieces: &[Piece], at: Span) -> Option<(f64, bool)> {
    let mut begun = Span::ZERO;
    for piece in pieces {
        let into = at - begun;
        if into < piece.length {
            return match piece.shape {
                Shape::Line(from, to) => {
                    Some((from + (to - from) * into.as_seconds() / piece.length.as_seconds(), true))
                }
                Shape::Stuck(value) => Some((value, false)),
                Shape::Gap => None,
            };
        }
        begun = begun + piece.length;
    }
    None
}

impl Case {
    /// The seconds that the blower's counter shows at this time, where it is heard.
    pub fn run_seconds(&self, at: Span) -> Option<f64> {
        let (on, every) = (self.schedule.0.as_seconds(), self.schedule.1.as_seconds());
        let scheduled = |t: f64| libm::floor(t / every) * on + (t % every).min(on);
        let (mut begun, mut ran) = (Span::ZERO, 0.0);
        for piece in self.blower.as_ref()? {
            let (from, to) = (begun.as_seconds(), at.min(begun + piece.length).as_seconds());
            ran += match piece.running {
                Running::Always => to - from,
                Running::Scheduled(share) => share * (scheduled(to) - scheduled(from)),
            };
            begun = begun + piece.length;
            if at < begun {
                return piece.heard.then_some(ran);
            }
        }
        None
    }
}

impl ExpectedKind {
    /// The word that case files use.
    pub fn key(self) -> &'static str {
        match self {
            ExpectedKind::Raised => "raised",
            ExpectedKind::Cleared => "cleared",
            ExpectedKind::Retired => "retired",
        }
    }
}

/// A length of time to the minute, such as `3 d 12 h 5 min`.
pub fn to_the_minute(span: Span) -> String {
    let minutes = span.as_millis().div_euclid(60_000);
    let (days, hours, rest) = (minutes.div_euclid(1_440), minutes.rem_euclid(1_440) / 60, minutes.rem_euclid(60));
    let parts = [(days, "d"), (hours, "h"), (rest, "min")];
    let words: Vec<String> = parts.iter().filter(|(n, _)| *n != 0).map(|(n, unit)| format!("{n} {unit}")).collect();
    if words.is_empty() { "0 min".into() } else { words.join(" ") }
}

/// A key for what a probe measures at a position: `core` is a temperature, `core moisture` a moisture.
fn signals() -> Vec<(String, Option<Position>, Quantity)> {
    let of = |quantity: Quantity, key: &str| {
        POSITIONS.map(|(position, place)| match quantity {
            Quantity::Temperature => (place.to_owned(), Some(position), quantity),
            _ => (format!("{place} {key}"), Some(position), quantity),
        })
    };
    let own = [Quantity::Flow, Quantity::Pressure, Quantity::Current].map(|q| (format!("blower {}", q.key()), None, q));
    QUANTITIES.iter().filter(|(q, _)| *q != Quantity::RunTime).flat_map(|(q, key)| of(*q, key)).chain(own).collect()
}

fn cases(root: &node::Node, faults: &mut Faults) -> Vec<Case> {
    let Some(top) = Section::open(root, "the case file", &["common", "cases"], faults) else { return vec![] };
    let signals = signals();
    let keys: Vec<&str> = CASE_KEYS.into_iter().chain(signals.iter().map(|(key, ..)| key.as_str())).collect();
    let common = top.optional("common").and_then(|item| Section::open(item.node, "common", &keys[2..], faults));
    let Some(list) = top.required("cases", "`cases:` with an entry such as `- name: healthy season`", faults) else {
        return vec![];
    };
    let nodes = list.list(faults);
    if nodes.is_empty() && matches!(list.node.kind, Kind::List(_)) {
        faults.add(list.node.at, "`cases` is empty", "write one case at least");
    }
    if nodes.len() > limits::CASES {
        let what = format!("there are {} cases, more than {}", nodes.len(), limits::CASES);
        faults.add(list.node.at, what, "leave out cases that show nothing new");
        return vec![];
    }
    let mut read: Vec<Case> = vec![];
    for node in nodes {
        let Some(own) = Section::open_named(node, "case", "name", &keys, faults) else { continue };
        let before = faults.count();
        let case = Reader { own, common: common.as_ref(), signals: &signals, faults }.case();
        if let Some(case) = case.filter(|_| faults.count() == before) {
            if read.iter().any(|other| other.name == case.name) {
                faults.add(node.at, format!("there are two cases named `{}`", case.name), "rename one of them");
            }
            read.push(case);
        }
    }
    read
}

/// Reads one case; what it does not say, the common part says.
struct Reader<'r, 't> {
    own: Section<'t>,
    common: Option<&'r Section<'t>>,
    signals: &'r [(String, Option<Position>, Quantity)],
    faults: &'r mut Faults,
}

impl<'t> Reader<'_, 't> {
    fn item(&self, key: &str) -> Option<Item<'t>> {
        self.own.optional(key).or_else(|| self.common.and_then(|common| common.optional(key)))
    }

    fn case(&mut self) -> Option<Case> {
        let at = self.own.at;
        let name = self.own.required("name", "`name: healthy season`", self.faults);
        let name = name.and_then(|item| item.text(self.faults));
        let expect = self.own.required("expect", "`expect: none` or `expect: [raised 2 d .. 3 d]`", self.faults);
        let expected = expect.map(|item| self.expected(&item)).unwrap_or_default();
        let mut tracks = self.tracks();
        let mut blower = self.item("blower").map(|item| self.blower(&item));
        let schedule = self.schedule();
        let blower_role = match self.item("blower_role") {
            Some(item) => {
                let roles = [("pile", BlowerRole::Pile), ("building_exhaust", BlowerRole::BuildingExhaust)];
                item.choice(&roles, self.faults)
            }
            None => Some(BlowerRole::Pile),
        };
        let mail = match self.item("mail") {
            Some(item) => item.choice(&[("open", MailWay::Open), ("down", MailWay::Down)], self.faults),
            None => Some(MailWay::Open),
        };
        let mut disk_free = self.item("disk_free").map(|item| self.series(&item)).unwrap_or_default();
        let jump = self.jump();
        let probes_every = match self.item("probes_every") {
            Some(item) => self.length(&item, Span::seconds(10), Span::hours(6)),
            None => Some(Span::minutes(5)),
        };
        let noise = match self.item("noise") {
            Some(item) => item.number(0.0..=20.0, "", self.faults),
            None => Some(0.0),
        };
        let seed = match self.item("seed") {
            Some(item) => item.whole(0..=1_000_000_000, "", self.faults).map(i64::unsigned_abs),
            None => Some(1),
        };
        let log = self.log();
        let results = self.results();
        let settings = self.settings();

        let lengths = tracks.iter().map(|t| sum(t.pieces.iter().map(|p| p.length)));
        let lengths = lengths.chain([sum(disk_free.iter().map(|p| p.length))]);
        let length = lengths.chain(blower.iter().map(|b| sum(b.iter().map(|p| p.length)))).max().unwrap_or(Span::ZERO);
        if tracks.is_empty() && blower.is_none() && disk_free.is_empty() {
            self.faults.add(at, "the case has no series", format!("give `core`, `base` or another one: {SERIES}"));
        } else if length <= Span::ZERO && self.faults.is_empty() {
            self.faults.add(at, "nothing says how long the case lasts", "give one of its series an end: `60 for 3 d`");
        } else if length > LENGTH_MAX {
            self.faults.add(at, format!("the case lasts {length}, longer than {LENGTH_MAX}"), "shorten its series");
        }
        let moments = probes_every.map_or(0, |every| length.as_millis() / every.as_millis().max(1));
        let readings = moments.saturating_mul(tracks.len() as i64 + i64::from(blower.is_some()));
        if length <= LENGTH_MAX && readings > limits::CASE_READINGS {
            let told = format!("the case has {readings} readings, more than {}", limits::CASE_READINGS);
            self.faults.add(at, told, "shorten its series, or read less often: `probes_every`");
        }
        // What has no end of its own lasts as long as the case.
        for track in &mut tracks {
            let ends = sum(track.pieces.iter().map(|p| p.length));
            if let Some(last) = track.pieces.last_mut().filter(|p| p.length == Span::ZERO) {
                last.length = length - ends + Span::millis(1);
            }
        }
        let ends = sum(disk_free.iter().map(|p| p.length));
        if let Some(last) = disk_free.last_mut().filter(|p| p.length == Span::ZERO) {
            last.length = length - ends + Span::millis(1);
        }
        if let Some(pieces) = &mut blower {
            let ends = sum(pieces.iter().map(|p| p.length));
            if let Some(last) = pieces.last_mut().filter(|p| p.length == Span::ZERO) {
                last.length = length - ends + Span::millis(1);
            }
        }
        for what in &expected {
            if what.to > length && length > Span::ZERO {
                let told = format!(
                    "{} by {} is expected, but the case ends after {}",
                    what.kind.key(),
                    to_the_minute(what.to),
                    to_the_minute(length)
                );
                self.faults.add(at, told, "make its series longer, or expect it sooner");
            }
        }
        if blower.is_none() && tracks.iter().any(|t| t.position.is_none()) {
            self.faults.add(at, "no blower serves the bin that could measure anything", "add `blower: scheduled`");
        }
        let place = self.faults.place(at);
        let name = name?.to_owned();
        Some(Case {
            name,
            place,
            tracks,
            blower,
            blower_role: blower_role?,
            mail: mail?,
            disk_free,
            jump,
            schedule,
            probes_every: probes_every?,
            noise: noise?,
            seed: seed?,
            log,
            results,
            settings,
            expected,
            length,
        })
    }

    fn jump(&mut self) -> Option<(Span, Span)> {
        let item = self.item("clock")?;
        let text = item.text(self.faults)?;
        let read = text.strip_prefix("jumps ").and_then(|rest| rest.split_once(" at "));
        let read = read.and_then(|(by, at)| Some((span_of(at)?, span_of(by)?)));
        match read {
            None => self.fault(&item, text, "it is no jump of the clock", CLOCK),
            Some((_, by)) if by > LENGTH_MAX => {
                self.fault(&item, text, &format!("a jump of {by} is longer than {LENGTH_MAX}"), CLOCK);
            }
            Some(_) => {}
        }
        read.filter(|(_, by)| *by <= LENGTH_MAX)
    }

    fn tracks(&mut self) -> Vec<Track> {
        let mut tracks = vec![];
        for (key, position, quantity) in self.signals {
            let Some(item) = self.item(key) else { continue };
            let probes: Vec<Item<'_>> = match &item.node.kind {
                Kind::List(nodes) => nodes.iter().map(|node| Item { node, label: item.label.clone() }).collect(),
                _ => vec![item],
            };
            for probe in probes {
                let pieces = match &probe.node.kind {
                    Kind::Number(value) => vec![Piece { length: Span::ZERO, shape: Shape::Line(*value, *value) }],
                    _ => self.series(&probe),
                };
                tracks.push(Track { position: *position, quantity: *quantity, pieces });
            }
        }
        tracks
    }

    fn series(&mut self, item: &Item<'_>) -> Vec<Piece> {
        let Some(text) = item.text(self.faults) else { return vec![] };
        let (mut pieces, mut stands): (Vec<Piece>, Option<f64>) = (vec![], None);
        let parts: Vec<&str> = text.split(',').map(str::trim).collect();
        for (n, part) in parts.iter().enumerate() {
            match piece(part, stands, n + 1 == parts.len()) {
                Ok((piece, after)) => {
                    pieces.push(piece);
                    stands = after;
                }
                Err(why) => {
                    self.fault(item, part, &why, SERIES);
                    stands = stands.or(Some(0.0));
                }
            }
        }
        pieces
    }

    fn blower(&mut self, item: &Item<'_>) -> Vec<BlowerPiece> {
        let Some(text) = item.text(self.faults) else { return vec![] };
        let (mut pieces, mut running): (Vec<BlowerPiece>, Running) = (vec![], Running::Scheduled(1.0));
        let parts: Vec<&str> = text.split(',').map(str::trim).collect();
        for (n, part) in parts.iter().enumerate() {
            let last = n + 1 == parts.len();
            let read = match part.strip_prefix("gap ") {
                Some(length) => length_of(length).map(|length| (running, length, false)),
                None => timed(part, last).and_then(|(what, length)| {
                    let running = match what {
                        "scheduled" => Running::Scheduled(1.0),
                        "stopped" => Running::Scheduled(0.0),
                        "always" => Running::Always,
                        _ => Running::Scheduled(percent(what).ok_or("it is not known")? / 100.0),
                    };
                    Ok((running, length, true))
                }),
            };
            match read {
                Ok((now, length, heard)) => {
                    running = now;
                    pieces.push(BlowerPiece { length, running, heard });
                }
                Err(why) => self.fault(item, part, &why, BLOWER),
            }
        }
        pieces
    }

    fn schedule(&mut self) -> (Span, Span) {
        let default = (Span::seconds(45), Span::minutes(30));
        let Some(item) = self.item("schedule") else { return default };
        let Some(text) = item.text(self.faults) else { return default };
        let read = text.split_once(" every ").and_then(|(on, every)| Some((span_of(on)?, span_of(every)?)));
        match read.filter(|(on, every)| *on >= Span::seconds(1) && on < every && *every <= Span::hours(12)) {
            Some(schedule) => schedule,
            None => {
                self.fault(&item, text, "it is not a schedule", "write one such as `45 s every 30 min`");
                default
            }
        }
    }

    fn log(&mut self) -> Vec<(Span, EntryKind)> {
        let begins = (Span::ZERO, EntryKind::OnAir { loaded_at: None, filling: None });
        let Some(item) = self.item("log") else { return vec![begins] };
        let mut log = vec![];
        for node in item.list(self.faults) {
            let line = Item { node, label: item.label.clone() };
            let Some(text) = line.text(self.faults) else { continue };
            match entry(text) {
                Ok(entry) => log.push(entry),
                Err(why) => self.fault(&line, text, why, LOG),
            }
        }
        if !log.iter().any(|(_, kind)| matches!(kind, EntryKind::OnAir { .. })) {
            log.insert(0, begins);
        }
        log.sort_by_key(|(at, _)| *at);
        log
    }

    fn results(&mut self) -> Vec<CaseResult> {
        let Some(item) = self.item("results") else { return vec![] };
        let mut all = vec![];
        for node in item.list(self.faults) {
            let line = Item { node, label: item.label.clone() };
            let Some(text) = line.text(self.faults) else { continue };
            match results::read(text) {
                Some(result) => all.push(result),
                None => self.fault(&line, text, "it is not a result", results::RESULTS),
            }
        }
        all.sort_by_key(|result| result.at);
        all
    }

    fn settings(&mut self) -> BTreeMap<String, Changed> {
        let mut settings = BTreeMap::new();
        let Some(item) = self.item("settings") else { return settings };
        let Some(section) = Section::open_free(item.node, "settings", self.faults) else { return settings };
        for (name, item) in section.items() {
            if let Some((value, unit)) = item.number_with_unit(self.faults) {
                let place = self.faults.place(item.node.at);
                settings.insert(name.to_owned(), Changed { value, unit, place });
            }
        }
        settings
    }

    fn expected(&mut self, item: &Item<'_>) -> Vec<Expected> {
        if matches!(&item.node.kind, Kind::Text(text) if text == "none") {
            return vec![];
        }
        if !matches!(item.node.kind, Kind::List(_)) {
            self.faults.add(item.node.at, format!("{} is not an expectation", item.label), EXPECT);
            return vec![];
        }
        let mut expected: Vec<Expected> = vec![];
        for node in item.list(self.faults) {
            let line = Item { node, label: item.label.clone() };
            let Some(text) = line.text(self.faults) else { continue };
            match expectation(text) {
                Some(what) if expected.last().is_some_and(|before| what.to < before.from) => {
                    self.fault(&line, text, "it comes before the one that it follows", "write them in their order");
                }
                Some(what) => expected.push(what),
                None => self.fault(&line, text, "it is not an expectation", EXPECT),
            }
        }
        expected
    }

    fn length(&mut self, item: &Item<'_>, least: Span, most: Span) -> Option<Span> {
        let Kind::Text(text) = &item.node.kind else {
            let what = format!("{} must be a length of time, but is {}", item.label, item.node.kind.described());
            self.faults.add(item.node.at, what, "write one such as `5 min`");
            return None;
        };
        let length = span_of(text).filter(|length| (least..=most).contains(length));
        if length.is_none() {
            let why = format!("it is no length of time from {least} to {most}");
            self.fault(item, text, &why, "write one such as `5 min`");
        }
        length
    }

    fn fault(&mut self, item: &Item<'_>, part: &str, why: &str, remedy: &str) {
        let at: Place = item.node.at;
        self.faults.add(at, format!("{}: `{}`: {why}", item.label, shortened(part)), remedy);
    }
}

/// One stretch of a series, and the value at which it leaves the next one to begin.
fn piece(text: &str, stands: Option<f64>, last: bool) -> Result<(Piece, Option<f64>), String> {
    if let Some(length) = text.strip_prefix("gap ") {
        return Ok((Piece { length: length_of(length)?, shape: Shape::Gap }, stands));
    }
    if let Some(rest) = text.strip_prefix("stuck ") {
        let (value, length) = timed(rest, last)?;
        return Ok((Piece { length, shape: Shape::Stuck(number(value)?) }, stands));
    }
    let text = text.replace("->", "→");
    if let Some((from, rest)) = text.split_once('→') {
        let from = match from.trim() {
            "" => stands.ok_or("nothing stands before it to begin at")?,
            from => number(from)?,
        };
        let (to, length) = rest.rsplit_once(" in ").ok_or("it does not say how long it takes: ` in 36 h`")?;
        let to = number(to)?;
        return Ok((Piece { length: length_of(length)?, shape: Shape::Line(from, to) }, Some(to)));
    }
    let (value, length) = timed(&text, last)?;
    let value = number(value)?;
    Ok((Piece { length, shape: Shape::Line(value, value) }, Some(value)))
}

/// `WHAT for LENGTH`; the last stretch may leave the length out and gets none here.
fn timed(text: &str, last: bool) -> Result<(&str, Span), String> {
    match text.rsplit_once(" for ") {
        Some((what, length)) => Ok((what.trim(), length_of(length)?)),
        None if last => Ok((text.trim(), Span::ZERO)),
        None => Err("it does not say for how long: ` for 3 d`".into()),
    }
}

fn length_of(text: &str) -> Result<Span, String> {
    span_of(text)
        .filter(|length| *length > Span::ZERO)
        .ok_or_else(|| format!("`{}` is not a length of time such as 36 h or 3 d 12 h", shortened(text.trim())))
}

fn number(text: &str) -> Result<f64, String> {
    let read = text.trim().parse::<f64>().ok().filter(|value| value.abs() <= 1e6);
    read.ok_or_else(|| format!("`{}` is not a number", shortened(text.trim())))
}

fn percent(text: &str) -> Option<f64> {
    let value: f64 = text.strip_suffix('%')?.trim().parse().ok()?;
    (0.0..=1_000.0).contains(&value).then_some(value)
}

/// `KIND at TIME` with what belongs to it behind a comma.
fn entry(text: &str) -> Result<(Span, EntryKind), &'static str> {
    let (kind, rest) = text.split_once(" at ").ok_or("it is not an entry")?;
    let (at, detail) = match rest.split_once(',') {
        Some((at, detail)) => (at, Some(detail.trim())),
        None => (rest, None),
    };
    let at = span_of(at).ok_or("its time cannot be read")?;
    let value = |unit: &str| {
        let value: f64 = detail?.strip_suffix(unit)?.trim().parse().ok()?;
        (value.is_finite() && value.abs() <= 1e5).then_some(value)
    };
    let kind = match (kind, detail) {
        ("on-air", None) => EntryKind::OnAir { loaded_at: None, filling: None },
        ("on-air", Some(detail)) => {
            let celsius = detail.strip_prefix("loaded ").and_then(|d| d.strip_suffix("°C"));
            let celsius = celsius.and_then(|d| d.trim().parse::<f64>().ok()).filter(|c| c.abs() <= 100.0);
            let loaded_at = Some(Celsius(celsius.ok_or("how warm it was loaded cannot be read")?));
            EntryKind::OnAir { loaded_at, filling: None }
        }
        ("off-air", None) => EntryKind::OffAir,
        ("watered", None) => EntryKind::Watered { minutes: None, litres: None },
        ("watered", Some(_)) => match (value("L"), value("min")) {
            (None, None) => return Err("how much was watered cannot be read"),
            (litres, minutes) => EntryKind::Watered { minutes, litres: litres.map(Litres) },
        },
        ("valve", Some(detail)) => EntryKind::Valve {
            open_percent: percent(detail).filter(|p| *p <= 100.0).ok_or("the opening cannot be read")?,
        },
        (word, None) => EntryKind::plain(word).ok_or("it is not an entry")?,
        _ => return Err("it is not an entry"),
    };
    Ok((at, kind))
}

/// `raised A .. B` or `raised at A ± B`.
fn expectation(text: &str) -> Option<Expected> {
    const KINDS: [ExpectedKind; 3] = [ExpectedKind::Raised, ExpectedKind::Cleared, ExpectedKind::Retired];
    let (word, when) = text.split_once(' ')?;
    let kind = KINDS.into_iter().find(|kind| kind.key() == word)?;
    let (from, to) = match when.strip_prefix("at ") {
        Some(at) => {
            let (at, about) = at.split_once('±')?;
            let (at, about) = (span_of(at)?, span_of(about)?);
            (at - about, at + about)
        }
        None => {
            let (from, to) = when.split_once("..")?;
            (span_of(from)?, span_of(to)?)
        }
    };
    (from <= to).then_some(Expected { kind, from, to })
}

fn sum(lengths: impl Iterator<Item = Span>) -> Span {
    lengths.fold(Span::ZERO, |sum, length| sum + length)
}
