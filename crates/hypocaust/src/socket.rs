//! The local socket: how a command on the same machine writes through a running daemon.
//!
//! Must never be reachable from another machine, and never answer before what was asked is committed.

use std::io::{BufRead, BufReader, Write};
use std::os::unix::net::UnixStream as BlockingStream;
use std::path::{Path, PathBuf};
use std::time::Duration;

use engine::alarm::AlarmId;
use engine::input::{Input, Word};
use pile::time::Timestamp;
use pile::units::{Celsius, Kilograms, Litres};
use serde::{Deserialize, Serialize};
use site::entry::{Entry, EntryKind, Filled, PLAIN};
use site::ids::BinId;
use tokio::io::{AsyncBufReadExt, AsyncWriteExt};
use tokio::net::UnixListener;
use tokio::sync::{mpsc, oneshot};

/// What a person asks the daemon to do, as one line of JSON.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub enum Request {
    /// The files of the rules are to be read.
    ReadRules,
    /// Something about an alarm.
    Alarm {
        /// The alarm's number.
        alarm: u64,
        /// Who.
        by: String,
        /// What.
        word: AlarmWord,
    },
    /// A batch goes on air.
    OnAir {
        /// Bin.
        bin: String,
        /// When, UTC milliseconds.
        at: i64,
        /// Who.
        by: String,
        /// Anything else.
        #[serde(default)]
        note: String,
        /// Temperature of the material, °C.
        loaded_celsius: Option<f64>,
        /// What was filled in.
        #[serde(default)]
        filling: Option<Filling>,
    },
    /// A sample's moisture was found.
    Sampled {
        /// Bin.
        bin: String,
        /// When, UTC milliseconds.
        at: i64,
        /// Who.
        by: String,
        /// Anything else.
        #[serde(default)]
        note: String,
        /// Percent of the wet mass.
        moisture_percent: f64,
        /// How well it stands for the bin, one standard deviation, percent of the wet mass.
        sd_percent: f64,
    },
    /// A batch goes off air.
    OffAir {
        /// Bin.
        bin: String,
        /// When, UTC milliseconds.
        at: i64,
        /// Who.
        by: String,
        /// Anything else.
        #[serde(default)]
        note: String,
    },
    /// Water was added.
    Watered {
        /// Bin.
        bin: String,
        /// When, UTC milliseconds.
        at: i64,
        /// Who.
        by: String,
        /// Anything else.
        #[serde(default)]
        note: String,
        /// How long the hose ran.
        minutes: Option<f64>,
        /// How much.
        litres: Option<f64>,
    },
    /// A valve was set.
    Valve {
        /// Bin.
        bin: String,
        /// When, UTC milliseconds.
        at: i64,
        /// Who.
        by: String,
        /// Anything else.
        #[serde(default)]
        note: String,
        /// Opening.
        open_percent: f64,
    },
    /// Something was done or seen that has no amount.
    Noted {
        /// Bin.
        bin: String,
        /// When, UTC milliseconds.
        at: i64,
        /// Who.
        by: String,
        /// Anything else.
        #[serde(default)]
        note: String,
        /// `probes-out`, `probes-back`, `opened`, `turned`, `air-changed` or `note`.
        what: String,
    },
}

/// What a person says about an alarm; times are UTC milliseconds.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub enum AlarmWord {
    /// They look after it.
    Acknowledge {
        /// In their words.
        #[serde(default)]
        comment: String,
    },
    /// The response was carried out.
    Confirm {
        /// What was done.
        #[serde(default)]
        comment: String,
    },
    /// A latched alarm is over.
    Reset,
    /// Hide it.
    Shelve {
        /// Until when.
        until: i64,
        /// Why.
        reason: String,
    },
    /// Show it again.
    Unshelve,
    /// Take it out.
    OutOfService {
        /// When it is expected back.
        back: Option<i64>,
        /// Why.
        reason: String,
    },
    /// Put it back.
    InService,
}

/// What was filled into a bin.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Filling {
    /// Its mass, kg.
    pub wet_kilograms: f64,
    /// It was weighed.
    pub weighed: bool,
    /// Percent of the wet mass.
    pub moisture_percent: Option<f64>,
    /// Percent of the dry mass.
    pub degradable_percent: Option<f64>,
}

impl Filling {
    fn into_filled(self) -> Result<Filled, String> {
        let within = |what, value: Option<f64>, low, high| value.map(|v| in_range(what, v, low, high, "%")).transpose();
        Ok(Filled {
            wet_mass: Kilograms(in_range("mass", self.wet_kilograms, 1.0, 1e7, "kg")?),
            weighed: self.weighed,
            moisture_percent: within("moisture", self.moisture_percent, 5.0, 95.0)?,
            degradable_percent: within("degradable part", self.degradable_percent, 5.0, 90.0)?,
        })
    }
}

/// The daemon's answer, as one line of JSON.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Answer {
    /// Done and committed.
    Done(String),
    /// Not done, and why.
    No(String),
}

/// A request on its way to the loop.
#[derive(Debug)]
pub struct Asked {
    /// What is asked.
    pub wish: Wish,
    /// Where the answer goes.
    pub answer: oneshot::Sender<Answer>,
}

/// What a command can ask of the loop.
#[derive(Debug)]
pub enum Wish {
    /// Absorb an input.
    Input(Box<Input>),
    /// Read the files of the rules.
    ReadRules,
}

/// What can go wrong between a command and the daemon.
#[derive(Debug, thiserror::Error)]
pub enum SocketError {
    /// The socket cannot be made.
    #[error(
        "cannot listen on {path}; commands on this machine could not reach the daemon: choose a `data_folder` with a shorter path on a \
         local disk"
    )]
    Bind {
        /// Where.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// The daemon went away in the middle.
    #[error("the daemon did not answer on {path}; look at its log, then ask again: nothing is done twice")]
    Talk {
        /// Where.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
}

/// A line longer than this is not read on.
const LINE_BYTES_MAX: u64 = 64 * 1024;
/// The daemon answers after its commit; a disk in trouble may take long.
const ANSWER_WITHIN: Duration = Duration::from_secs(60);

/// Where the socket of a data folder is.
pub fn socket_path(folder: &Path) -> PathBuf {
    folder.join("socket")
}

impl Request {
    /// The request as the loop carries it out.
    ///
    /// # Errors
    /// Those of [`Request::into_input`].
    pub fn into_wish(self) -> Result<Wish, String> {
        match self {
            Request::ReadRules => Ok(Wish::ReadRules),
            request => request.into_input().map(|input| Wish::Input(Box::new(input))),
        }
    }

    /// The request as an input of the engine.
    ///
    /// # Errors
    /// A sentence when a name or number cannot be used.
    pub fn into_input(self) -> Result<Input, String> {
        let entry = |bin: &str, at: i64, by: String, note: String, kind: EntryKind| {
            let bin = BinId::new(bin).map_err(|e| e.to_string())?;
            Ok(Input::Entry(Entry { at: Timestamp::from_millis(at), bin, kind, by, note }))
        };
        match self {
            Request::ReadRules => Err("no daemon runs here; it reads the rules when it starts".into()),
            Request::Alarm { alarm, by, word } => {
                Ok(Input::Alarm { alarm: AlarmId(alarm), by, word: word.into_word() })
            }
            Request::OnAir { bin, at, by, note, loaded_celsius, filling } => {
                let loaded_at =
                    loaded_celsius.map(|c| in_range("loaded temperature", c, -30.0, 100.0, "°C")).transpose()?;
                let filling = filling.map(Filling::into_filled).transpose()?;
                entry(&bin, at, by, note, EntryKind::OnAir { loaded_at: loaded_at.map(Celsius), filling })
            }
            Request::OffAir { bin, at, by, note } => entry(&bin, at, by, note, EntryKind::OffAir),
            Request::Watered { bin, at, by, note, minutes, litres } => {
                if minutes.is_none() && litres.is_none() {
                    return Err("say how much: --minutes N or --litres L".into());
                }
                let minutes = minutes.map(|m| in_range("minutes", m, 0.0, 1_440.0, "min")).transpose()?;
                let litres = litres.map(|l| in_range("litres", l, 0.0, 100_000.0, "L")).transpose()?;
                entry(&bin, at, by, note, EntryKind::Watered { minutes, litres: litres.map(Litres) })
            }
            Request::Sampled { bin, at, by, note, moisture_percent, sd_percent } => {
                let moisture_percent = in_range("moisture", moisture_percent, 2.0, 95.0, "%")?;
                let sd_percent = in_range("standard deviation", sd_percent, 0.1, 30.0, "%")?;
                entry(&bin, at, by, note, EntryKind::Sampled { moisture_percent, sd_percent })
            }
            Request::Valve { bin, at, by, note, open_percent } => {
                let open_percent = in_range("opening", open_percent, 0.0, 100.0, "%")?;
                entry(&bin, at, by, note, EntryKind::Valve { open_percent })
            }
            Request::Noted { bin, at, by, note, what } => {
                let kind = EntryKind::plain(&what).ok_or_else(|| {
                    let known: Vec<&str> = PLAIN.iter().map(EntryKind::key).collect();
                    format!("`{what}` cannot be noted; there are {}", known.join(", "))
                })?;
                if kind == EntryKind::Note && note.trim().is_empty() {
                    return Err("a note without words says nothing: --note TEXT".into());
                }
                entry(&bin, at, by, note, kind)
            }
        }
    }
}

impl AlarmWord {
    fn into_word(self) -> Word {
        match self {
            AlarmWord::Acknowledge { comment } => Word::Acknowledge { comment },
            AlarmWord::Confirm { comment } => Word::Confirm { comment },
            AlarmWord::Reset => Word::Reset,
            AlarmWord::Shelve { until, reason } => Word::Shelve { until: Timestamp::from_millis(until), reason },
            AlarmWord::Unshelve => Word::Unshelve,
            AlarmWord::OutOfService { back, reason } => {
                Word::OutOfService { back: back.map(Timestamp::from_millis), reason }
            }
            AlarmWord::InService => Word::InService,
        }
    }
}

fn in_range(what: &str, value: f64, low: f64, high: f64, unit: &str) -> Result<f64, String> {
    if value.is_finite() && (low..=high).contains(&value) {
        Ok(value)
    } else {
        Err(format!("{what}: {value} {unit} is outside {low} to {high} {unit}"))
    }
}

/// Sends a request to the daemon that works on this folder; `None` when none does.
///
/// # Errors
/// [`SocketError::Talk`] when one listens but does not answer.
pub fn ask(folder: &Path, request: &Request) -> Result<Option<Answer>, SocketError> {
    let path = socket_path(folder);
    let Ok(stream) = BlockingStream::connect(&path) else { return Ok(None) };
    let talk = |source| SocketError::Talk { path: path.clone(), source };
    stream.set_read_timeout(Some(ANSWER_WITHIN)).map_err(talk)?;
    let mut line = serde_json::to_string(request).map_err(|e| talk(e.into()))?;
    line.push('\n');
    (&stream).write_all(line.as_bytes()).map_err(talk)?;
    let mut answer = String::new();
    BufReader::new(&stream).read_line(&mut answer).map_err(talk)?;
    serde_json::from_str(&answer).map(Some).map_err(|e| talk(e.into()))
}

/// Listens for commands and hands their requests to the loop.
///
/// # Errors
/// [`SocketError::Bind`] when the socket cannot be made.
pub fn listen(folder: &Path, asked: mpsc::Sender<Asked>) -> Result<tokio::task::JoinHandle<()>, SocketError> {
    let path = socket_path(folder);
    // The folder's lock is ours, so a socket that is there was left by a daemon that did not stop cleanly.
    if let Err(source) = std::fs::remove_file(&path)
        && source.kind() != std::io::ErrorKind::NotFound
    {
        return Err(SocketError::Bind { path, source });
    }
    let listener = UnixListener::bind(&path).map_err(|source| SocketError::Bind { path: path.clone(), source })?;
    // The folder is ours alone (0700); the socket says so once more for folders that are shared on purpose.
    let mode = std::os::unix::fs::PermissionsExt::from_mode(0o660);
    std::fs::set_permissions(&path, mode).map_err(|source| SocketError::Bind { path, source })?;
    Ok(tokio::spawn(async move {
        loop {
            match listener.accept().await {
                Ok((stream, _)) => {
                    tokio::spawn(serve(stream, asked.clone()));
                }
                Err(source) => {
                    tracing::warn!("a command could not be heard: {source}");
                    tokio::time::sleep(Duration::from_millis(100)).await;
                }
            }
        }
    }))
}

async fn serve(stream: tokio::net::UnixStream, asked: mpsc::Sender<Asked>) {
    use tokio::io::AsyncReadExt;
    let (read, mut write) = stream.into_split();
    let mut lines = tokio::io::BufReader::new(read.take(LINE_BYTES_MAX)).lines();
    while let Ok(Some(line)) = lines.next_line().await {
        let answer = match serde_json::from_str::<Request>(&line) {
            Err(source) => Answer::No(format!("the request is not understood: {source}")),
            Ok(request) => match request.into_wish() {
                Err(why) => Answer::No(why),
                Ok(wish) => {
                    let (answer, answered) = oneshot::channel();
                    if asked.send(Asked { wish, answer }).await.is_err() {
                        return;
                    }
                    answered
                        .await
                        .unwrap_or_else(|_| Answer::No("the daemon is stopping; ask again when it is up".into()))
                }
            },
        };
        let Ok(mut text) = serde_json::to_string(&answer) else { return };
        text.push('\n');
        if write.write_all(text.as_bytes()).await.is_err() {
            return;
        }
    }
}
