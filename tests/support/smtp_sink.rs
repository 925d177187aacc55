//! A mail relay for tests: a real SMTP conversation on a loopback port, that records what it took and can be told to refuse.
//!
//! Must never pass a mail on, and never listen on anything but loopback.
#![allow(dead_code, clippy::unwrap_used, unreachable_pub)]

use std::io::{self, BufRead, BufReader, Read, Write};
use std::net::{IpAddr, Ipv4Addr, Shutdown, SocketAddr, TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Condvar, Mutex, MutexGuard};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use mailin::{Action, AuthMechanism, Handler, Response, SessionBuilder};

/// One mail that the sink took responsibility for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Received {
    /// The envelope's sender.
    pub from: String,
    /// The envelope's recipients.
    pub to: Vec<String>,
    /// The mail as it came, dots unstuffed.
    pub data: Vec<u8>,
    /// It came through TLS.
    pub encrypted: bool,
    /// Who had logged in, and with which password.
    pub login: Option<(String, String)>,
    /// The name the client gave itself.
    pub hello: String,
}

/// Steps of a conversation at which the sink can answer as it is told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Step {
    /// EHLO.
    Hello,
    /// MAIL FROM.
    Sender,
    /// RCPT TO.
    Recipient,
    /// DATA.
    Data,
    /// The end of the mail.
    Content,
}

/// How the sink behaves from now on.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Manner {
    /// Takes everything.
    Accept,
    /// Answers one step with this code and these words.
    Answer {
        /// The step.
        at: Step,
        /// The reply code, such as 451 or 550.
        code: u16,
        /// What it says.
        words: String,
    },
    /// Answers this recipient with this code and these words, and takes everything for others.
    AnswerTo {
        /// The address.
        to: String,
        /// The reply code.
        code: u16,
        /// What it says.
        words: String,
    },
    /// The same for a number of mails, then takes everything.
    AnswerTimes {
        /// The step.
        at: Step,
        /// The reply code.
        code: u16,
        /// What it says.
        words: String,
        /// How often.
        times: u32,
    },
    /// Accepts connections and says nothing.
    Silent,
    /// Takes the mail, records it, and drops the connection without a word: the client cannot know.
    TakeAndHangUp,
}

/// How the sink protects its port.
#[derive(Clone)]
pub enum Protection {
    /// Not at all.
    Plain,
    /// Offers STARTTLS.
    StartTls(Arc<rustls::ServerConfig>),
    /// TLS from the first byte.
    Tls(Arc<rustls::ServerConfig>),
}

/// What the sink has seen so far.
#[derive(Clone, Debug, Default)]
pub struct Seen {
    /// Mails taken, oldest first.
    pub received: Vec<Received>,
    /// Connections accepted.
    pub connections: usize,
    /// Steps answered with anything but yes: the step and the code.
    pub refusals: Vec<(Step, u16)>,
    /// Every line the clients sent outside of a mail's content.
    pub commands: Vec<String>,
}

struct Shared {
    seen: Mutex<Seen>,
    changed: Condvar,
    manner: Mutex<Manner>,
    open: Mutex<Vec<TcpStream>>,
    stopping: Mutex<bool>,
    protection: Protection,
    login: Option<(String, String)>,
}

/// A relay on a loopback port. Stops when dropped.
pub struct SmtpSink {
    address: SocketAddr,
    shared: Arc<Shared>,
    listener: Option<JoinHandle<()>>,
}

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    // A panic in a connection's thread must not hide what the test is about.
    mutex.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
}

impl SmtpSink {
    /// A sink without protection on a free port.
    pub fn start() -> SmtpSink {
        SmtpSink::start_with(Protection::Plain, None)
    }

    /// A sink on a free port; with a login, it demands that user and password before any mail.
    pub fn start_with(protection: Protection, login: Option<(&str, &str)>) -> SmtpSink {
        let shared = Arc::new(Shared {
            seen: Mutex::default(),
            changed: Condvar::new(),
            manner: Mutex::new(Manner::Accept),
            open: Mutex::default(),
            stopping: Mutex::new(false),
            protection,
            login: login.map(|(user, password)| (user.into(), password.into())),
        });
        let address = SocketAddr::from((Ipv4Addr::LOCALHOST, 0));
        let mut sink = SmtpSink { address, shared, listener: None };
        sink.restart();
        sink
    }

    /// The port it listens on; the same after a restart.
    pub fn port(&self) -> u16 {
        self.address.port()
    }

    /// Behaves like this from now on, in open conversations too.
    pub fn behave(&self, manner: Manner) {
        *locked(&self.shared.manner) = manner;
    }

    /// What it has seen so far.
    pub fn seen(&self) -> Seen {
        locked(&self.shared.seen).clone()
    }

    /// The mails it took so far.
    pub fn received(&self) -> Vec<Received> {
        self.seen().received
    }

    /// Waits until what it has seen satisfies the predicate, and gives it back.
    ///
    /// # Panics
    /// When that has not happened by the deadline; the message tells what was seen instead.
    pub fn wait_for(&self, wanted: impl Fn(&Seen) -> bool, deadline: Duration) -> Seen {
        let until = Instant::now() + deadline;
        let mut seen = locked(&self.shared.seen);
        while !wanted(&seen) {
            let left = until.saturating_duration_since(Instant::now());
            assert!(
                !left.is_zero(),
                "the sink did not see what was waited for within {deadline:?}: {} mails, {} connections, refusals {:?}",
                seen.received.len(),
                seen.connections,
                seen.refusals
            );
            seen = self.shared.changed.wait_timeout(seen, left).unwrap_or_else(std::sync::PoisonError::into_inner).0;
        }
        seen.clone()
    }

    /// Closes the port and every open conversation; connecting is refused from here on.
    pub fn stop(&mut self) {
        let Some(listener) = self.listener.take() else { return };
        *locked(&self.shared.stopping) = true;
        // Wakes the thread that waits for a connection; it sees that it should stop.
        let _ = TcpStream::connect(self.address);
        let _ = listener.join();
        for open in locked(&self.shared.open).drain(..) {
            let _ = open.shutdown(Shutdown::Both);
        }
    }

    /// Listens again on the same port.
    pub fn restart(&mut self) {
        self.stop();
        *locked(&self.shared.stopping) = false;
        let listener = TcpListener::bind(self.address).expect("a loopback port can be bound");
        self.address = listener.local_addr().unwrap();
        let shared = Arc::clone(&self.shared);
        self.listener = Some(std::thread::spawn(move || {
            for stream in listener.incoming() {
                if *locked(&shared.stopping) {
                    break;
                }
                let Ok(stream) = stream else { continue };
                locked(&shared.open).extend(stream.try_clone());
                shared.note(|seen| seen.connections += 1);
                let shared = Arc::clone(&shared);
                std::thread::spawn(move || {
                    let own = stream.try_clone();
                    // A client that breaks off is part of what is tested.
                    let _ = converse(stream, &shared);
                    // The copy kept for `stop` would hold the connection open.
                    let _ = own.and_then(|own| own.shutdown(Shutdown::Both));
                });
            }
        }));
    }
}

impl Drop for SmtpSink {
    fn drop(&mut self) {
        self.stop();
    }
}

impl Shared {
    fn note(&self, change: impl FnOnce(&mut Seen)) {
        change(&mut locked(&self.seen));
        self.changed.notify_all();
    }

    /// What to answer at a step, if anything but yes.
    fn told_to_answer(&self, step: Step) -> Option<Response> {
        let mut manner = locked(&self.manner);
        let (code, words) = match &mut *manner {
            Manner::Answer { at, code, words } if *at == step => (*code, words.clone()),
            Manner::AnswerTimes { at, code, words, times } if *at == step && *times > 0 => {
                *times -= 1;
                (*code, words.clone())
            }
            _ => return None,
        };
        drop(manner);
        self.note(|seen| seen.refusals.push((step, code)));
        Some(Response::custom(code, words))
    }
}

enum Stream {
    Plain(TcpStream),
    Tls(Box<rustls::StreamOwned<rustls::ServerConnection, TcpStream>>),
}

impl Stream {
    fn encrypted(config: &Arc<rustls::ServerConfig>, stream: TcpStream) -> io::Result<Stream> {
        let connection = rustls::ServerConnection::new(Arc::clone(config)).map_err(io::Error::other)?;
        Ok(Stream::Tls(Box::new(rustls::StreamOwned::new(connection, stream))))
    }
}

impl Read for Stream {
    fn read(&mut self, buf: &mut [u8]) -> io::Result<usize> {
        match self {
            Stream::Plain(stream) => stream.read(buf),
            Stream::Tls(stream) => stream.read(buf),
        }
    }
}

impl Write for Stream {
    fn write(&mut self, buf: &[u8]) -> io::Result<usize> {
        match self {
            Stream::Plain(stream) => stream.write(buf),
            Stream::Tls(stream) => stream.write(buf),
        }
    }
    fn flush(&mut self) -> io::Result<()> {
        match self {
            Stream::Plain(stream) => stream.flush(),
            Stream::Tls(stream) => stream.flush(),
        }
    }
}

struct Clerk {
    shared: Arc<Shared>,
    draft: Received,
    /// Set once the mail is taken, where the conversation is to end without an answer.
    hang_up: Arc<AtomicBool>,
    /// Set once the conversation goes through TLS.
    encrypted: Arc<AtomicBool>,
}

impl Clerk {
    fn answer(&self, step: Step, otherwise: Response) -> Response {
        self.shared.told_to_answer(step).unwrap_or(otherwise)
    }

    fn check(&mut self, user: &str, password: &str) -> Response {
        self.draft.login = Some((user.into(), password.into()));
        if self.shared.login == self.draft.login {
            mailin::response::AUTH_OK
        } else {
            mailin::response::INVALID_CREDENTIALS
        }
    }
}

impl Handler for Clerk {
    fn helo(&mut self, _: IpAddr, domain: &str) -> Response {
        self.draft.hello = domain.into();
        self.answer(Step::Hello, mailin::response::OK)
    }

    fn mail(&mut self, _: IpAddr, _: &str, from: &str) -> Response {
        if self.shared.login.is_some() && self.shared.login != self.draft.login {
            return mailin::response::AUTHENTICATION_REQUIRED;
        }
        self.draft.from = from.into();
        self.draft.to.clear();
        self.draft.data.clear();
        self.answer(Step::Sender, mailin::response::OK)
    }

    fn rcpt(&mut self, to: &str) -> Response {
        self.draft.to.push(to.into());
        if let Manner::AnswerTo { to: one, code, words } = &*locked(&self.shared.manner)
            && one == to
        {
            let (code, words) = (*code, words.clone());
            self.shared.note(|seen| seen.refusals.push((Step::Recipient, code)));
            return Response::custom(code, words);
        }
        self.answer(Step::Recipient, mailin::response::OK)
    }

    fn data_start(&mut self, _: &str, _: &str, _: bool, _: &[String]) -> Response {
        self.answer(Step::Data, mailin::response::OK)
    }

    fn data(&mut self, buf: &[u8]) -> io::Result<()> {
        self.draft.data.extend_from_slice(buf);
        Ok(())
    }

    fn data_end(&mut self) -> Response {
        let hang_up = *locked(&self.shared.manner) == Manner::TakeAndHangUp;
        if let Some(refusal) = self.shared.told_to_answer(Step::Content) {
            return refusal;
        }
        let received = Received { encrypted: self.encrypted.load(Ordering::SeqCst), ..self.draft.clone() };
        self.hang_up.store(hang_up, Ordering::SeqCst);
        self.shared.note(|seen| seen.received.push(received));
        mailin::response::OK
    }

    fn auth_plain(&mut self, _: &str, user: &str, password: &str) -> Response {
        self.check(user, password)
    }

    fn auth_login(&mut self, user: &str, password: &str) -> Response {
        self.check(user, password)
    }
}

fn converse(stream: TcpStream, shared: &Arc<Shared>) -> io::Result<()> {
    if *locked(&shared.manner) == Manner::Silent {
        // Reading holds the connection open until the client or `stop` ends it.
        let mut ignored = Vec::new();
        return BufReader::new(stream).read_to_end(&mut ignored).map(|_| ());
    }
    let mut builder = SessionBuilder::new("sink.example");
    if matches!(shared.protection, Protection::StartTls(_)) {
        builder.enable_start_tls();
    }
    if shared.login.is_some() {
        builder.enable_auth(AuthMechanism::Plain).enable_auth(AuthMechanism::Login);
    }
    let hang_up = Arc::new(AtomicBool::new(false));
    let encrypted = Arc::new(AtomicBool::new(matches!(shared.protection, Protection::Tls(_))));
    let draft = Received {
        from: String::new(),
        to: Vec::new(),
        data: Vec::new(),
        encrypted: false,
        login: None,
        hello: String::new(),
    };
    let clerk =
        Clerk { shared: Arc::clone(shared), draft, hang_up: Arc::clone(&hang_up), encrypted: Arc::clone(&encrypted) };
    let peer = IpAddr::V4(Ipv4Addr::LOCALHOST);
    let mut session = builder.build(peer, clerk);
    let mut stream = match &shared.protection {
        Protection::Tls(config) => {
            session.tls_active();
            BufReader::new(Stream::encrypted(config, stream)?)
        }
        Protection::Plain | Protection::StartTls(_) => BufReader::new(Stream::Plain(stream)),
    };
    session.greeting().write_to(stream.get_mut())?;
    stream.get_mut().flush()?;
    let mut in_content = false;
    let mut content_refused = false;
    loop {
        let mut line = Vec::new();
        if stream.read_until(b'\n', &mut line)? == 0 {
            return Ok(());
        }
        if !in_content {
            shared.note(|seen| seen.commands.push(String::from_utf8_lossy(&line).trim_end().to_owned()));
        }
        if content_refused {
            // The session of mailin stays in the content after it was refused, so the farewell is answered here.
            stream.get_mut().write_all(b"221 Goodbye\r\n")?;
            return stream.get_mut().flush();
        }
        let response = session.process(&line);
        if hang_up.load(Ordering::SeqCst) {
            return Ok(());
        }
        if response.action == Action::NoReply {
            continue;
        }
        content_refused = in_content && response.is_error;
        in_content = response.code == 354;
        response.write_to(stream.get_mut())?;
        stream.get_mut().flush()?;
        match (&response.action, &shared.protection) {
            (Action::Close, _) => return Ok(()),
            (Action::UpgradeTls, Protection::StartTls(config)) => {
                let Stream::Plain(plain) = stream.into_inner() else { return Ok(()) };
                stream = BufReader::new(Stream::encrypted(config, plain)?);
                session.tls_active();
                encrypted.store(true, Ordering::SeqCst);
            }
            _ => {}
        }
    }
}
