//! The local socket: how a command on the same machine writes through a running daemon.
//!
//! Must never be reachable from another machine, and never answer before what was asked is committed.

use std::io::{BufRead, BufReader, Read, Write};
use std::os::fd::AsRawFd;
use std::os::unix::net::UnixStream as BlockingStream;
use std::path::{Path, PathBuf};
use std::time::Duration;

use engine::alarm::AlarmId;
use engine::input::{Input, Word};
use engine::reports::ReportWord;
use pile::time::Timestamp;
use rustix::fs::{Mode, OFlags};
use serde::{Deserialize, Serialize};
use site::entry::{BatchId, Entry, EntryKind, NAME_CHARS_MAX, NOTE_CHARS_MAX, check_length};
use site::ids::BinId;
use site::zone::IsoWeek;
use tokio::io::{AsyncBufReadExt, AsyncWriteExt};
use tokio::net::UnixListener;
use tokio::sync::{mpsc, oneshot};

use crate::descriptors::Budget;

/// What a person asks the daemon to do, as one line of JSON.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub enum Request {
    /// The files of the rules are to be read.
    ReadRules,
    /// How is the daemon doing? The answer is yes where no part has failed.
    Status {
        /// As JSON.
        json: bool,
    },
    /// Something about an alarm.
    Alarm {
        /// The alarm's number.
        alarm: u64,
        /// Who.
        by: String,
        /// What.
        word: AlarmWord,
    },
    /// The summary of a week was read and may go to people outside.
    Reviewed {
        /// The week, such as `2026-W10`.
        week: String,
        /// Who read it.
        by: String,
    },
    /// Something is to be written in the log.
    Entry {
        /// The bin.
        bin: String,
        /// When, UTC milliseconds.
        at: i64,
        /// Who.
        by: String,
        /// Anything else.
        #[serde(default)]
        note: String,
        /// What, as the store keeps it.
        kind: String,
        /// The person said once more that it was as early as they wrote.
        #[serde(default)]
        really_that_early: bool,
        /// The batch that it is about, where that is not the one in the bin.
        #[serde(default)]
        batch: Option<u64>,
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
    /// Say how the daemon is doing, as JSON or as lines.
    Status {
        /// As JSON.
        json: bool,
    },
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

/// Commands that talk at once; a person starts one or two.
const COMMANDS: usize = 16;
/// A command sends its line at once.
const LINE_WITHIN: Duration = Duration::from_secs(5);
/// A command reads its answer at once.
const TAKEN_WITHIN: Duration = Duration::from_secs(5);
/// A line longer than this is not read on.
const LINE_BYTES_MAX: u64 = 64 * 1024;
/// Bytes of an answer: whoever owns the data folder may have put another socket there.
const ANSWER_LONGEST: u64 = 16 << 20;
/// The daemon answers after its commit; a disk in trouble may take long.
const ANSWER_WITHIN: Duration = Duration::from_secs(60);

/// Where the socket of a data folder is.
pub fn socket_path(folder: &Path) -> PathBuf {
    folder.join("socket")
}

impl Request {
    /// A line for the log.
    pub fn entry(bin: &str, at: Timestamp, by: &str, note: &str, kind: &EntryKind) -> Request {
        let kind = ledger::entry_text(kind);
        let (bin, by, note) = (bin.to_owned(), by.to_owned(), note.to_owned());
        Request::Entry { bin, at: at.as_millis(), by, note, kind, really_that_early: false, batch: None }
    }

    /// The same; whoever writes it says once more that it was that early, where `said` so.
    #[must_use]
    pub fn that_early(mut self, said: bool) -> Request {
        if let Request::Entry { really_that_early, .. } = &mut self {
            *really_that_early = said;
        }
        self
    }

    /// The same, about a batch that need not be in the bin any more.
    #[must_use]
    pub fn of_batch(mut self, id: Option<BatchId>) -> Request {
        if let Request::Entry { batch, .. } = &mut self {
            *batch = id.map(|id| id.0);
        }
        self
    }

    /// Whether its texts are short enough to be kept.
    ///
    /// # Errors
    /// A sentence with the length, the limit and what to do.
    pub fn check_texts(&self) -> Result<(), String> {
        let (by, texts) = match self {
            Request::Entry { by, note, .. } => (by, vec![("note", note)]),
            Request::Alarm { by, word, .. } => (by, word.texts()),
            Request::Reviewed { by, .. } => (by, vec![]),
            Request::ReadRules | Request::Status { .. } => return Ok(()),
        };
        check_length("who says so", by, NAME_CHARS_MAX)?;
        texts.into_iter().try_for_each(|(what, text)| check_length(what, text, NOTE_CHARS_MAX))
    }

    /// The request as the loop carries it out.
    ///
    /// # Errors
    /// Those of [`Request::into_input`].
    pub fn into_wish(self) -> Result<Wish, String> {
        match self {
            Request::ReadRules => Ok(Wish::ReadRules),
            Request::Status { json } => Ok(Wish::Status { json }),
            request => request.into_input().map(|input| Wish::Input(Box::new(input))),
        }
    }

    /// The request as an input of the engine.
    ///
    /// # Errors
    /// A sentence when a name or number cannot be used.
    pub fn into_input(self) -> Result<Input, String> {
        self.check_texts()?;
        match self {
            Request::ReadRules => Err("no daemon runs here; it reads the rules when it starts".into()),
            Request::Status { .. } => Err("no daemon runs here; start it with `hypocaust run`".into()),
            Request::Alarm { alarm, by, word } => {
                Ok(Input::Alarm { alarm: AlarmId(alarm), by, word: word.into_word() })
            }
            Request::Reviewed { week, by } => {
                let parsed = IsoWeek::parse(&week);
                let week = parsed.ok_or_else(|| format!("`{week}` is no week; write it as 2026-W10"))?;
                Ok(Input::Report { week, word: ReportWord::Reviewed { by } })
            }
            Request::Entry { bin, at, by, note, kind, really_that_early, batch } => {
                let bin = BinId::new(&bin).map_err(|e| e.to_string())?;
                let kind = ledger::entry_of_text(&kind)?;
                let at = Timestamp::from_millis(at);
                let entry = Entry { batch: batch.map(BatchId), ..Entry::new(at, bin, kind, &by, &note) };
                Ok(if really_that_early { Input::EntryThatEarly(entry) } else { Input::Entry(entry) })
            }
        }
    }
}

impl AlarmWord {
    fn texts(&self) -> Vec<(&'static str, &String)> {
        match self {
            AlarmWord::Acknowledge { comment } | AlarmWord::Confirm { comment } => vec![("comment", comment)],
            AlarmWord::Shelve { reason, .. } | AlarmWord::OutOfService { reason, .. } => vec![("reason", reason)],
            AlarmWord::Reset | AlarmWord::Unshelve | AlarmWord::InService => vec![],
        }
    }

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
    BufReader::new((&stream).take(ANSWER_LONGEST)).read_line(&mut answer).map_err(talk)?;
    serde_json::from_str(&answer).map(Some).map_err(|e| talk(e.into()))
}

/// Lets the folder's group speak to the socket. It is opened without following a link, which may have taken its place, and its mode is set by way
/// of what was opened.
fn share(path: &Path) -> std::io::Result<()> {
    use std::os::unix::fs::FileTypeExt;
    let socket = rustix::fs::open(path, OFlags::PATH | OFlags::NOFOLLOW | OFlags::CLOEXEC, Mode::empty())?;
    let socket = std::fs::File::from(socket);
    if !socket.metadata()?.file_type().is_socket() {
        return Err(std::io::Error::other("something else has taken its place; look who can write in that folder"));
    }
    let opened = format!("/proc/self/fd/{}", socket.as_raw_fd());
    std::fs::set_permissions(opened, std::os::unix::fs::PermissionsExt::from_mode(0o660))
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
    share(&path).map_err(|source| SocketError::Bind { path, source })?;
    Ok(tokio::spawn(async move {
        let budget = Budget::new(COMMANDS);
        loop {
            match listener.accept().await {
                // A command that finds all seats taken is told that nobody answered, and is typed again.
                Ok((stream, _)) => {
                    if let Some(seat) = budget.seat() {
                        let asked = asked.clone();
                        tokio::spawn(async move {
                            serve(stream, asked).await;
                            drop(seat);
                        });
                    }
                }
                Err(source) => budget.not_taken("the local socket", &source).await,
            }
        }
    }))
}

async fn serve(stream: tokio::net::UnixStream, asked: mpsc::Sender<Asked>) {
    use tokio::io::AsyncReadExt;
    use tokio::time::timeout;
    let (read, mut write) = stream.into_split();
    let mut lines = tokio::io::BufReader::new(read.take(LINE_BYTES_MAX)).lines();
    while let Ok(Ok(Some(line))) = timeout(LINE_WITHIN, lines.next_line()).await {
        let answer = match serde_json::from_str::<Request>(&line) {
            Err(_) if line.len() as u64 >= LINE_BYTES_MAX => Answer::No(format!(
                "the request is longer than {LINE_BYTES_MAX} bytes; shorten its texts: a note has room for {NOTE_CHARS_MAX} characters"
            )),
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
        if !matches!(timeout(TAKEN_WITHIN, write.write_all(text.as_bytes())).await, Ok(Ok(()))) {
            return;
        }
    }
}
