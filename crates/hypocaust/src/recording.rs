//! A run written down: every input with its time, and every effect it had; and the check that a fresh engine does the same.
//!
//! Must never be lossy: what is read back is the input that was absorbed, to the last bit of each value.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{BufReader, BufWriter, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use engine::Engine;
use engine::alarm::AlarmId;
use engine::effect::{Effect, MailId};
use engine::input::{Input, LinkState, MachineClock, MailOutcome, PreviousRun, RefusedChange, RuleSet, Word};
use engine::reports::ReportWord;
use engine::restore::Restored;
use pile::time::{Span, Timestamp};
use pile::window::Point;
use rulebook::{RuleText, Rulebook};
use serde::{Deserialize, Serialize};
use site::bounds;
use site::entry::{BatchId, Entry};
use site::ids::{BinId, BlowerId, ProbeId};
use site::model::{Changed, RuleSettings};
use site::quantity::{Quantity, Unit};
use site::reading::{Reading, Refusal, SeriesId, Source, TimeSource};
use site::zone::IsoWeek;

/// Writes a run down as lines of JSON.
#[derive(Debug)]
pub struct Recorder {
    out: BufWriter<File>,
    head: Head,
}

/// What a rerun came to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Rerun {
    /// Inputs fed.
    pub inputs: u64,
    /// Effects compared.
    pub effects: u64,
    /// The first difference: line of the file, what the run did, what the fresh engine did.
    pub difference: Option<(u64, String, String)>,
}

/// Why a recording cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum RecordingError {
    /// It cannot be opened or read.
    #[error("the recording {path} cannot be read; give the file that `hypocaust run --record` wrote")]
    Read {
        /// Which.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// A line is not of a recording.
    #[error(
        "{path}:{line} is not a line of a recording; a run that was killed may have cut the last line short: remove it"
    )]
    Line {
        /// Which file.
        path: PathBuf,
        /// Which line.
        line: u64,
        /// Why.
        source: serde_json::Error,
    },
    /// Its settings do not pass today's checks.
    #[error("the settings inside the recording no longer pass the checks of this version: {0}")]
    Settings(String),
    /// A time in it was never lived through.
    #[error("{path}:{line} has a time that cannot be: {why}; take the recording anew")]
    Time {
        /// Which file.
        path: PathBuf,
        /// Which line.
        line: u64,
        /// What is wrong with it.
        why: String,
    },
    /// It has no head.
    #[error("the recording {0} is empty")]
    Empty(PathBuf),
}

#[derive(Clone, Debug, Serialize, Deserialize)]
struct Head {
    format: u32,
    version: String,
    now: i64,
    life: u32,
    settings_path: String,
    settings: String,
    rules: Vec<RuleLine>,
}

#[derive(Clone, Debug, Serialize, Deserialize)]
struct RuleLine {
    name: String,
    path: String,
    text: String,
}

#[derive(Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum Line {
    Head(Box<Head>),
    In(i64, InputLine),
    Out(Vec<String>),
}

#[derive(Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum InputLine {
    Readings(Vec<ReadingLine>),
    Refused {
        at: i64,
        topic: String,
        head: String,
        bytes: usize,
        reason: String,
    },
    Entry {
        at: i64,
        bin: String,
        by: String,
        note: String,
        kind: String,
        #[serde(default, skip_serializing_if = "std::ops::Not::not")]
        really_that_early: bool,
        #[serde(default, skip_serializing_if = "Option::is_none")]
        batch: Option<u64>,
    },
    Alarm {
        alarm: u64,
        by: String,
        word: WordLine,
    },
    Mail {
        mail: u64,
        outcome: OutcomeLine,
    },
    Recalled {
        series: (SourceLine, String),
        from: i64,
        points: Vec<(i64, f64)>,
    },
    Judged {
        bin: String,
        batch: u64,
        at: i64,
        standings: String,
    },
    /// The week, who reviewed it, or what changed.
    Report(i16, i8, Option<String>, Vec<String>),
    Link(bool),
    Gateway(String, bool),
    Health(f64),
    /// By how many milliseconds the machine's clock is behind; none where it is not set.
    Clock(Option<i64>),
    /// The part, and why.
    PartFailed(String, String),
    Rules {
        texts: Vec<RuleLine>,
        folder: String,
        changed: Vec<ChangedLine>,
        refused: Vec<(String, String)>,
    },
    Started(Option<(i64, bool)>),
    Wake,
}

/// Rule, setting, value, unit and place of a setting that the site changed.
#[derive(Debug, Serialize, Deserialize)]
struct ChangedLine(String, String, f64, Option<String>, String);

#[derive(Debug, Serialize, Deserialize)]
struct ReadingLine {
    series: (SourceLine, String),
    measured_at: i64,
    received_at: i64,
    value: f64,
    time: u8,
    retained: bool,
}

#[derive(Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum SourceLine {
    Probe(String),
    Blower(String),
}

#[derive(Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum WordLine {
    Acknowledge(String),
    Confirm(String),
    Reset,
    Shelve(i64, String),
    Unshelve,
    OutOfService(Option<i64>, String),
    InService,
}

#[derive(Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum OutcomeLine {
    Accepted(String),
    Deferred(String),
    Refused(String),
    Unfit(String),
}

const TIME_SOURCES: [TimeSource; 4] =
    [TimeSource::Device, TimeSource::Intake, TimeSource::DeviceClockWrong, TimeSource::DeviceClockAhead];

impl Recorder {
    /// A recorder that will write to `path`.
    ///
    /// # Errors
    /// When the file cannot be made.
    pub fn create(path: &Path, settings_path: &str, settings: &str, rules: &[RuleText]) -> std::io::Result<Recorder> {
        let rules = rules.iter().map(RuleLine::of).collect();
        let head = Head {
            format: 1,
            version: env!("CARGO_PKG_VERSION").into(),
            now: 0,
            life: 0,
            settings_path: settings_path.into(),
            settings: settings.into(),
            rules,
        };
        Ok(Recorder { out: BufWriter::new(files::create(path)?), head })
    }

    /// Writes the head.
    ///
    /// # Errors
    /// When it cannot be written, or when the store is not empty: the recording must hold every input there ever was.
    pub fn begin(&mut self, restored: &Restored, now: Timestamp) -> std::io::Result<()> {
        let fresh = Restored { life: restored.life, ..Restored::default() };
        if *restored != fresh {
            return Err(std::io::Error::other(
                "a recording must begin with an empty data folder, or it would lack what came before; give `data_folder` a new one",
            ));
        }
        self.head.now = now.as_millis();
        self.head.life = restored.life;
        let head = Line::Head(Box::new(self.head.clone()));
        self.write(&head)
    }

    /// Writes an input.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn input(&mut self, now: Timestamp, input: &Input) -> std::io::Result<()> {
        self.write(&Line::In(now.as_millis(), InputLine::of(input)))
    }

    /// Writes the effects of the input before.
    ///
    /// # Errors
    /// When they cannot be written.
    pub fn effects(&mut self, effects: &[Effect]) -> std::io::Result<()> {
        self.write(&Line::Out(effects.iter().map(|e| format!("{e:?}")).collect()))
    }

    /// Writes out what is still in memory.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn finish(mut self) -> std::io::Result<()> {
        self.out.flush()?;
        self.out.get_ref().sync_all()
    }

    fn write(&mut self, line: &Line) -> std::io::Result<()> {
        serde_json::to_writer(&mut self.out, line)?;
        self.out.write_all(b"\n")
    }
}

/// Feeds a recording's inputs to a fresh engine and compares what it does, byte for byte.
///
/// # Errors
/// [`RecordingError`] when the file cannot be used; a difference is a result, not an error.
pub fn rerun(path: &Path) -> Result<Rerun, RecordingError> {
    let read = |source| RecordingError::Read { path: path.to_owned(), source };
    let lines = files::lines(BufReader::new(files::open(path, files::RECORDING).map_err(read)?));
    let mut engine: Option<Engine> = None;
    let mut did: Vec<String> = Vec::new();
    let mut result = Rerun { inputs: 0, effects: 0, difference: None };
    for (number, text) in (1u64..).zip(lines) {
        let text = text.map_err(read)?;
        let line = serde_json::from_str(&text).map_err(|source| RecordingError::Line {
            path: path.to_owned(),
            line: number,
            source,
        })?;
        let wrong = |why: String| RecordingError::Time { path: path.to_owned(), line: number, why };
        match (line, &mut engine) {
            (Line::Head(head), _) => {
                lived(head.now).map_err(wrong)?;
                engine = Some(fresh_engine(&head)?);
            }
            (Line::In(now, input), Some(engine)) => {
                result.inputs += 1;
                let now = lived(now).map_err(wrong)?;
                let input = input.into_input().map_err(RecordingError::Settings)?;
                instants(&input).into_iter().try_for_each(|at| lived(at.as_millis()).map(drop)).map_err(wrong)?;
                let effects = engine.step(now, input);
                did = effects.iter().map(|e| format!("{e:?}")).collect();
            }
            (Line::Out(recorded), Some(_)) => {
                result.effects += u64::try_from(recorded.len()).unwrap_or(u64::MAX);
                if recorded != did {
                    let place =
                        recorded.iter().zip(&did).position(|(a, b)| a != b).unwrap_or(recorded.len().min(did.len()));
                    let nothing = || "nothing".to_owned();
                    result.difference = Some((
                        number,
                        recorded.get(place).cloned().unwrap_or_else(nothing),
                        did.get(place).cloned().unwrap_or_else(nothing),
                    ));
                    return Ok(result);
                }
            }
            (_, None) => return Err(RecordingError::Empty(path.to_owned())),
        }
    }
    if engine.is_none() {
        return Err(RecordingError::Empty(path.to_owned()));
    }
    Ok(result)
}

/// An instant by the clock of a machine, which begins in 1970 where it was never set.
fn lived(ms: i64) -> Result<Timestamp, String> {
    let at = Timestamp::from_millis(ms);
    let there = (Timestamp::from_millis(0)..bounds::LATEST).contains(&at);
    there.then_some(at).ok_or_else(|| format!("{} is outside 1970-01-01 to 2099-12-31", bounds::said(at)))
}

/// The instants of an input that a machine gave; those that people gave are looked at by the engine.
fn instants(input: &Input) -> Vec<Timestamp> {
    match input {
        Input::Readings(readings) => readings.iter().flat_map(|r| [r.measured_at, r.received_at]).collect(),
        Input::Recalled { points, .. } => points.iter().map(|p| p.at).collect(),
        Input::Refused(refusal) => vec![refusal.received_at],
        Input::Judged { at, .. } => vec![*at],
        Input::Started { previous: Some(previous) } => vec![previous.last_alive],
        _ => Vec::new(),
    }
}

fn fresh_engine(head: &Head) -> Result<Engine, RecordingError> {
    let site = site::settings::read(&head.settings, &head.settings_path).map_err(|faults| {
        RecordingError::Settings(faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("; "))
    })?;
    let texts: Vec<RuleText> = head.rules.iter().cloned().map(RuleLine::into_text).collect();
    let (rulebook, broken) = Rulebook::compile(&texts, &site.rules, site.display);
    let restored = Restored { life: head.life, ..Restored::default() };
    Ok(Engine::new(Arc::new(site), rulebook, broken, restored, Timestamp::from_millis(head.now)))
}

impl InputLine {
    fn of(input: &Input) -> InputLine {
        match input {
            Input::Readings(readings) => InputLine::Readings(readings.iter().map(ReadingLine::of).collect()),
            Input::Refused(r) => InputLine::Refused {
                at: r.received_at.as_millis(),
                topic: r.topic.clone(),
                head: r.payload_head.clone(),
                bytes: r.payload_bytes,
                reason: r.reason.clone(),
            },
            Input::Entry(e) | Input::EntryThatEarly(e) => InputLine::Entry {
                at: e.at.as_millis(),
                bin: e.bin.to_string(),
                by: e.by.clone(),
                note: e.note.clone(),
                kind: ledger::entry_text(&e.kind),
                really_that_early: matches!(input, Input::EntryThatEarly(_)),
                batch: e.batch.map(|batch| batch.0),
            },
            Input::Alarm { alarm, by, word } => {
                InputLine::Alarm { alarm: alarm.0, by: by.clone(), word: WordLine::of(word) }
            }
            Input::Mail { mail, outcome } => InputLine::Mail {
                mail: mail.0,
                outcome: match outcome {
                    MailOutcome::Accepted { reply } => OutcomeLine::Accepted(reply.clone()),
                    MailOutcome::Deferred { reply } => OutcomeLine::Deferred(reply.clone()),
                    MailOutcome::Refused { reply } => OutcomeLine::Refused(reply.clone()),
                    MailOutcome::Unfit { reply } => OutcomeLine::Unfit(reply.clone()),
                },
            },
            Input::Recalled { series, from, points } => InputLine::Recalled {
                series: series_line(series),
                from: from.as_millis(),
                points: points.iter().map(|p| (p.at.as_millis(), p.value)).collect(),
            },
            Input::Report { week, word } => match word {
                ReportWord::Reviewed { by } => InputLine::Report(week.year, week.week, Some(by.clone()), Vec::new()),
                ReportWord::Amended { changes } => InputLine::Report(week.year, week.week, None, changes.clone()),
            },
            Input::Judged { bin, batch, at, standings } => InputLine::Judged {
                bin: bin.to_string(),
                batch: batch.0,
                at: at.as_millis(),
                standings: ledger::standings_text(standings),
            },
            Input::Link { state } => InputLine::Link(*state == LinkState::Up),
            Input::PartFailed { part, why } => InputLine::PartFailed(part.clone(), why.clone()),
            Input::Gateway { gateway, gone } => InputLine::Gateway(gateway.clone(), *gone),
            Input::Health { disk_free } => InputLine::Health(*disk_free),
            Input::Clock(MachineClock::Behind(behind)) => InputLine::Clock(Some(behind.as_millis())),
            Input::Clock(MachineClock::NotSet) => InputLine::Clock(None),
            Input::Rules(set) => InputLine::Rules {
                texts: set.texts.iter().map(RuleLine::of).collect(),
                folder: set.changed.folder.display().to_string(),
                changed: changed_lines(&set.changed),
                refused: set.refused.iter().map(|r| (r.rule.clone(), r.why.clone())).collect(),
            },
            Input::Started { previous } => {
                InputLine::Started(previous.map(|p| (p.last_alive.as_millis(), p.stopped_cleanly)))
            }
            Input::Wake => InputLine::Wake,
        }
    }

    fn into_input(self) -> Result<Input, String> {
        Ok(match self {
            InputLine::Readings(lines) => {
                Input::Readings(lines.into_iter().map(ReadingLine::into_reading).collect::<Result<_, _>>()?)
            }
            InputLine::Refused { at, topic, head, bytes, reason } => Input::Refused(Refusal {
                received_at: Timestamp::from_millis(at),
                topic,
                payload_head: head,
                payload_bytes: bytes,
                reason,
            }),
            InputLine::Entry { at, bin, by, note, kind, really_that_early, batch } => {
                let bin = BinId::new(&bin).map_err(|e| e.to_string())?;
                let (at, kind) = (Timestamp::from_millis(at), ledger::entry_of_text(&kind)?);
                let entry = Entry { batch: batch.map(BatchId), ..Entry::new(at, bin, kind, &by, &note) };
                if really_that_early { Input::EntryThatEarly(entry) } else { Input::Entry(entry) }
            }
            InputLine::Alarm { alarm, by, word } => Input::Alarm { alarm: AlarmId(alarm), by, word: word.into_word() },
            InputLine::Mail { mail, outcome } => Input::Mail {
                mail: MailId(mail),
                outcome: match outcome {
                    OutcomeLine::Accepted(reply) => MailOutcome::Accepted { reply },
                    OutcomeLine::Deferred(reply) => MailOutcome::Deferred { reply },
                    OutcomeLine::Refused(reply) => MailOutcome::Refused { reply },
                    OutcomeLine::Unfit(reply) => MailOutcome::Unfit { reply },
                },
            },
            InputLine::Recalled { series, from, points } => Input::Recalled {
                series: series_of(series)?,
                from: Timestamp::from_millis(from),
                points: points.into_iter().map(|(at, value)| Point { at: Timestamp::from_millis(at), value }).collect(),
            },
            InputLine::Report(year, week, by, changes) => Input::Report {
                week: IsoWeek { year, week },
                word: match by {
                    Some(by) => ReportWord::Reviewed { by },
                    None => ReportWord::Amended { changes },
                },
            },
            InputLine::Judged { bin, batch, at, standings } => Input::Judged {
                bin: BinId::new(&bin).map_err(|e| e.to_string())?,
                batch: BatchId(batch),
                at: Timestamp::from_millis(at),
                standings: ledger::standings_of_text(&standings)?,
            },
            InputLine::Link(up) => Input::Link { state: if up { LinkState::Up } else { LinkState::Down } },
            InputLine::PartFailed(part, why) => Input::PartFailed { part, why },
            InputLine::Gateway(gateway, gone) => Input::Gateway { gateway, gone },
            InputLine::Health(disk_free) => Input::Health { disk_free },
            InputLine::Clock(behind) => Input::Clock(machine_clock(behind)),
            InputLine::Rules { texts, folder, changed, refused } => {
                let mut settings = RuleSettings { folder: folder.into(), ..RuleSettings::default() };
                for ChangedLine(rule, setting, value, unit, place) in changed {
                    let unit = match unit {
                        Some(unit) => Some(
                            Unit::from_symbol(&unit)
                                .ok_or_else(|| format!("unit `{unit}` is not known to this version"))?,
                        ),
                        None => None,
                    };
                    settings.changed.entry(rule).or_default().insert(setting, Changed { value, unit, place });
                }
                Input::Rules(Box::new(RuleSet {
                    texts: texts.into_iter().map(RuleLine::into_text).collect(),
                    changed: settings,
                    refused: refused.into_iter().map(|(rule, why)| RefusedChange { rule, why }).collect(),
                }))
            }
            InputLine::Started(previous) => Input::Started {
                previous: previous.map(|(alive, stopped_cleanly)| PreviousRun {
                    last_alive: Timestamp::from_millis(alive),
                    stopped_cleanly,
                }),
            },
            InputLine::Wake => Input::Wake,
        })
    }
}

impl RuleLine {
    fn of(text: &RuleText) -> RuleLine {
        RuleLine { name: text.name.clone(), path: text.path.clone(), text: text.text.clone() }
    }

    fn into_text(self) -> RuleText {
        RuleText { name: self.name, path: self.path, text: self.text }
    }
}

/// The machine's clock, from by how many milliseconds it is behind; none where it is not set.
pub(crate) fn machine_clock(behind: Option<i64>) -> MachineClock {
    behind.map_or(MachineClock::NotSet, |ms| MachineClock::Behind(Span::millis(ms)))
}

fn changed_lines(settings: &RuleSettings) -> Vec<ChangedLine> {
    let of_rule = |(rule, changed): (&String, &BTreeMap<String, Changed>)| {
        let line = |(name, c): (&String, &Changed)| {
            let unit = c.unit.map(|unit| unit.symbol().to_owned());
            ChangedLine(rule.clone(), name.clone(), c.value, unit, c.place.clone())
        };
        changed.iter().map(line).collect::<Vec<_>>()
    };
    settings.changed.iter().flat_map(of_rule).collect()
}

impl WordLine {
    fn of(word: &Word) -> WordLine {
        match word.clone() {
            Word::Acknowledge { comment } => WordLine::Acknowledge(comment),
            Word::Confirm { comment } => WordLine::Confirm(comment),
            Word::Reset => WordLine::Reset,
            Word::Shelve { until, reason } => WordLine::Shelve(until.as_millis(), reason),
            Word::Unshelve => WordLine::Unshelve,
            Word::OutOfService { back, reason } => WordLine::OutOfService(back.map(Timestamp::as_millis), reason),
            Word::InService => WordLine::InService,
        }
    }

    fn into_word(self) -> Word {
        match self {
            WordLine::Acknowledge(comment) => Word::Acknowledge { comment },
            WordLine::Confirm(comment) => Word::Confirm { comment },
            WordLine::Reset => Word::Reset,
            WordLine::Shelve(until, reason) => Word::Shelve { until: Timestamp::from_millis(until), reason },
            WordLine::Unshelve => Word::Unshelve,
            WordLine::OutOfService(back, reason) => {
                Word::OutOfService { back: back.map(Timestamp::from_millis), reason }
            }
            WordLine::InService => Word::InService,
        }
    }
}

impl ReadingLine {
    fn of(reading: &Reading) -> ReadingLine {
        let time = TIME_SOURCES.iter().position(|t| *t == reading.time_source).unwrap_or_default();
        ReadingLine {
            series: series_line(&reading.series),
            measured_at: reading.measured_at.as_millis(),
            received_at: reading.received_at.as_millis(),
            value: reading.value,
            time: u8::try_from(time).unwrap_or_default(),
            retained: reading.retained,
        }
    }

    fn into_reading(self) -> Result<Reading, String> {
        Ok(Reading {
            series: series_of(self.series)?,
            measured_at: Timestamp::from_millis(self.measured_at),
            received_at: Timestamp::from_millis(self.received_at),
            value: self.value,
            time_source: *TIME_SOURCES
                .get(usize::from(self.time))
                .ok_or_else(|| format!("time source {} is not known to this version", self.time))?,
            retained: self.retained,
        })
    }
}

fn series_line(series: &SeriesId) -> (SourceLine, String) {
    let source = match &series.source {
        Source::Probe(id) => SourceLine::Probe(id.to_string()),
        Source::Blower(id) => SourceLine::Blower(id.to_string()),
    };
    (source, series.quantity.key().to_owned())
}

fn series_of((source, quantity): (SourceLine, String)) -> Result<SeriesId, String> {
    let source = match source {
        SourceLine::Probe(id) => ProbeId::new(&id).map(Source::Probe),
        SourceLine::Blower(id) => BlowerId::new(&id).map(Source::Blower),
    }
    .map_err(|e| e.to_string())?;
    let quantity =
        Quantity::from_key(&quantity).ok_or_else(|| format!("quantity `{quantity}` is not known to this version"))?;
    Ok(SeriesId { source, quantity })
}
