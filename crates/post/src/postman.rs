//! Hands one mail to the relay, or lays it into a folder, and says how that ended.
//!
//! Must never try twice by itself and never keep a mail: when to try again is decided by the engine.

use std::future::Future;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::time::Duration;

use engine::input::MailOutcome;
use lettre::Address;
use lettre::message::Mailbox;
use lettre::transport::smtp::authentication::{Credentials, Mechanism};
use lettre::transport::smtp::client::{AsyncSmtpConnection, Certificate, CertificateStore, TlsParameters};
use lettre::transport::smtp::commands::{Data, Mail as MailCommand, Rcpt};
use lettre::transport::smtp::extension::{ClientId, Extension, MailBodyParameter, MailParameter};
use lettre::transport::smtp::response::Response;
use site::model::{LinkSecurity, Mail as MailSettings, Transport};

use crate::folder_index;
use crate::letter::clean;

/// How long each step of a delivery may take.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Patience {
    /// Until the TCP connection stands.
    pub connect: Duration,
    /// Until the relay has greeted us and answered our greeting; with TLS from the first byte, including its handshake.
    pub greeting: Duration,
    /// Until STARTTLS is done and both have greeted again.
    pub start_tls: Duration,
    /// Until the login is answered.
    pub login: Duration,
    /// Until MAIL is answered.
    pub sender: Duration,
    /// Until RCPT is answered.
    pub recipient: Duration,
    /// Until DATA is answered.
    pub data: Duration,
    /// Until the mail is transferred and the relay has taken responsibility. Cutting this short makes duplicates.
    pub content: Duration,
    /// For the farewell, whose outcome changes nothing.
    pub quit: Duration,
}

impl Default for Patience {
    /// The minimum time-outs of RFC 5321 section 4.5.3.2: greeting 5 min, MAIL and RCPT 5 min, DATA 2 min, a block of data 3 min and the end
    /// of data 10 min, the last two added up because a mail is written as one block. The RFC has none for connecting, STARTTLS, login
    /// and QUIT: ours.
    fn default() -> Patience {
        let minutes = |n: u64| Duration::from_secs(n * 60);
        Patience {
            connect: minutes(1),
            greeting: minutes(5),
            start_tls: minutes(5),
            login: minutes(5),
            sender: minutes(5),
            recipient: minutes(5),
            data: minutes(2),
            content: minutes(3 + 10),
            quit: Duration::from_secs(5),
        }
    }
}

/// Why no mail can leave with these settings.
#[derive(Debug, thiserror::Error)]
pub enum PostmanError {
    /// The file with the authority to trust cannot be read.
    #[error("the file {path} under `ca_file` of the mail settings cannot be read; check its path and its permissions")]
    CaUnreadable {
        /// The file.
        path: PathBuf,
        /// Why.
        #[source]
        source: std::io::Error,
    },
    /// The file with the authority to trust holds no certificate.
    #[error(
        "the file {path} under `ca_file` of the mail settings holds no certificate in PEM form; give it the certificate of the authority that signed the relay's"
    )]
    CaEmpty {
        /// The file.
        path: PathBuf,
    },
    /// TLS cannot be set up.
    #[error("TLS to the mail relay {host} cannot be set up; check `ca_file` and `host` of the mail settings")]
    Tls {
        /// The relay.
        host: String,
        /// Why.
        #[source]
        source: lettre::transport::smtp::Error,
    },
    /// A login without its password.
    #[error(
        "the mail settings log in to {host} as {user}, but no password was given; see to the file under `password`"
    )]
    NoPassword {
        /// The relay.
        host: String,
        /// The user name.
        user: String,
    },
}

/// Carries mails the way the settings say.
pub struct Postman {
    way: Way,
    patience: Patience,
}

enum Way {
    Folder(PathBuf),
    Smtp(Box<Relay>),
}

struct Relay {
    host: String,
    port: u16,
    security: Security,
    login: Option<Credentials>,
    hello: ClientId,
}

enum Security {
    Plain,
    Tls(TlsParameters),
    StartTls(TlsParameters),
}

/// How a step of the conversation failed, before it is judged.
enum Trouble {
    /// The relay answered, and not well.
    Answer {
        /// The reply code.
        code: u16,
        /// Code and words.
        words: String,
    },
    /// No answer, or none that can be understood.
    Silence(String),
}

impl Postman {
    /// A postman for these settings; `password` is what the settings' login points at.
    ///
    /// # Errors
    /// [`PostmanError`] when the trusted authority cannot be read, TLS cannot be set up or the password is missing.
    pub fn new(settings: &MailSettings, password: Option<&str>) -> Result<Postman, PostmanError> {
        let way = match &settings.transport {
            Transport::Folder(folder) => Way::Folder(folder.clone()),
            Transport::Smtp { host, port, security, login } => {
                let login = match (login, password) {
                    (None, _) => None,
                    (Some(login), Some(password)) => Some(Credentials::new(login.user.clone(), password.to_owned())),
                    (Some(login), None) => {
                        return Err(PostmanError::NoPassword { host: host.clone(), user: login.user.clone() });
                    }
                };
                let security = match security {
                    LinkSecurity::Plain => Security::Plain,
                    LinkSecurity::Tls { ca_file } => Security::Tls(tls(host, ca_file.as_deref())?),
                    LinkSecurity::StartTls { ca_file } => Security::StartTls(tls(host, ca_file.as_deref())?),
                };
                let hello = ClientId::Domain(settings.domain.clone());
                Way::Smtp(Box::new(Relay { host: host.clone(), port: *port, security, login, hello }))
            }
        };
        Ok(Postman { way, patience: Patience::default() })
    }

    /// The same postman with other time-outs.
    #[must_use]
    pub fn with_patience(self, patience: Patience) -> Postman {
        Postman { patience, ..self }
    }

    /// Tries once to deliver `bytes` from `from` to `to`, and says how it ended.
    ///
    /// Accepted: the relay took responsibility, or the file was written and synced. Refused: the relay answered 5xx to the recipient, or
    /// to DATA, where some say that they have none. Unfit: it answered 5xx to the mail itself. Deferred: all else, so also 5xx to the
    /// greeting, the login or the sender, which the owner can mend (RFC 5321 section 4.5.4.1).
    pub async fn deliver(&self, from: &str, to: &str, bytes: &[u8]) -> MailOutcome {
        match &self.way {
            Way::Folder(folder) => {
                let (folder, to, bytes) = (folder.clone(), to.to_owned(), bytes.to_vec());
                match tokio::task::spawn_blocking(move || lay_into(&folder, &to, &bytes)).await {
                    Ok(Ok(path)) => MailOutcome::Accepted { reply: format!("written to {}", path.display()) },
                    Ok(Err(reply)) => MailOutcome::Deferred { reply },
                    Err(stopped) => {
                        MailOutcome::Deferred { reply: format!("writing the mail was cut short: {stopped}") }
                    }
                }
            }
            Way::Smtp(relay) => match (address(from), address(to)) {
                (Err(reply), _) => MailOutcome::Deferred { reply: format!("sender: {reply}") },
                (_, Err(reply)) => MailOutcome::Refused { reply: format!("recipient: {reply}") },
                (Ok(from), Ok(to)) => relay.deliver(from, to, bytes, &self.patience).await,
            },
        }
    }
}

fn tls(host: &str, ca_file: Option<&Path>) -> Result<TlsParameters, PostmanError> {
    let mut builder = TlsParameters::builder(host.to_owned());
    if let Some(path) = ca_file {
        let pem = files::read(path, files::AUTHORITY)
            .map_err(|source| PostmanError::CaUnreadable { path: path.into(), source })?;
        // An empty file parses as no certificates at all, and would then be blamed on the relay.
        if !String::from_utf8_lossy(&pem).contains("-----BEGIN CERTIFICATE-----") {
            return Err(PostmanError::CaEmpty { path: path.into() });
        }
        let authority =
            Certificate::from_pem(&pem).map_err(|source| PostmanError::Tls { host: host.to_owned(), source })?;
        builder = builder.certificate_store(CertificateStore::None).add_root_certificate(authority);
    }
    builder.build_rustls().map_err(|source| PostmanError::Tls { host: host.to_owned(), source })
}

fn address(text: &str) -> Result<Address, String> {
    text.parse::<Mailbox>()
        .map(|mailbox| mailbox.email)
        .map_err(|e| format!("`{}` cannot be understood as an address ({e}); correct it in the settings", clean(text)))
}

impl Relay {
    async fn deliver(&self, from: Address, to: Address, bytes: &[u8], patience: &Patience) -> MailOutcome {
        let mut connection = match self.open(patience).await {
            Ok(connection) => connection,
            Err(reply) => return MailOutcome::Deferred { reply },
        };
        let outcome = self.hand_over(&mut connection, from, to, bytes, patience).await;
        // The outcome stands whatever becomes of the farewell.
        let _ = tokio::time::timeout(patience.quit, connection.quit()).await;
        outcome
    }

    /// Connects, greets, encrypts and logs in; a failure of any of these may pass or be mended, so it is words for a deferral.
    async fn open(&self, patience: &Patience) -> Result<AsyncSmtpConnection, String> {
        let at = format!("{}:{}", self.host, self.port);
        let implicit = match &self.security {
            Security::Tls(parameters) => Some(parameters.clone()),
            Security::Plain | Security::StartTls(_) => None,
        };
        let encrypted = implicit.is_some();
        let connecting = AsyncSmtpConnection::connect_tokio1(
            (self.host.as_str(), self.port),
            Some(patience.connect),
            &self.hello,
            implicit,
            None,
        );
        let mut connection =
            within(patience.connect + patience.greeting, connecting).await.map_err(|trouble| match trouble {
                Trouble::Silence(why) if encrypted => tls_failed(&at, &why),
                trouble => trouble.told(&format!("{at} could not be reached or did not greet")),
            })?;
        if let Security::StartTls(parameters) = &self.security {
            if !connection.can_starttls() {
                return Err(format!(
                    "{at} does not offer STARTTLS, and the settings demand it: nothing was sent. Check host and port, or ask the people who run \
                     the relay"
                ));
            }
            within(patience.start_tls, connection.starttls(parameters.clone(), &self.hello)).await.map_err(
                |trouble| match trouble {
                    Trouble::Silence(why) => tls_failed(&at, &why),
                    answer => answer.told(&format!("{at} would not start TLS")),
                },
            )?;
        }
        if let Some(login) = &self.login {
            within(patience.login, connection.auth(&[Mechanism::Plain, Mechanism::Login], login)).await.map_err(
                |trouble| {
                    trouble.told(&format!("{at} did not take the login; check user and password in the mail settings"))
                },
            )?;
        }
        Ok(connection)
    }

    async fn hand_over(
        &self,
        connection: &mut AsyncSmtpConnection,
        from: Address,
        to: Address,
        bytes: &[u8],
        patience: &Patience,
    ) -> MailOutcome {
        let at = format!("{}:{}", self.host, self.port);
        let mut parameters = Vec::new();
        if !from.to_string().is_ascii() || !to.to_string().is_ascii() {
            if !connection.server_info().supports_feature(Extension::SmtpUtfEight) {
                return MailOutcome::Deferred {
                    reply: format!("{at} takes no addresses beyond ASCII (SMTPUTF8), and {from} or {to} is one"),
                };
            }
            parameters.push(MailParameter::SmtpUtfEight);
        }
        if !bytes.is_ascii() && connection.server_info().supports_feature(Extension::EightBitMime) {
            parameters.push(MailParameter::Body(MailBodyParameter::EightBitMime));
        }
        let asked = within(patience.sender, connection.command(MailCommand::new(Some(from.clone()), parameters))).await;
        if let Err(trouble) = asked {
            return MailOutcome::Deferred { reply: trouble.told(&format!("{at} did not take the sender {from}")) };
        }
        let asked = within(patience.recipient, connection.command(Rcpt::new(to.clone(), Vec::new()))).await;
        if let Err(trouble) = asked {
            return trouble.judged(&format!("{at} did not take the recipient {to}"));
        }
        if let Err(trouble) = within(patience.data, connection.command(Data)).await {
            return trouble.judged(&format!("{at} did not want the mail to {to}"));
        }
        // lettre ends the mail with a line break of its own; without this the relay would get an empty line that was never there.
        let content = bytes.strip_suffix(b"\r\n").unwrap_or(bytes);
        match within(patience.content, connection.message(content)).await {
            Ok(response) => MailOutcome::Accepted { reply: words_of(&response) },
            Err(trouble) => {
                let what = format!("{at} did not take responsibility for the mail to {to}");
                match trouble {
                    // Relays that ask the next one only then say so by the enhanced code: X.1.X is the address, X.2.X its mailbox (RFC 3463).
                    Trouble::Answer { code: 500..=599, ref words } if !is_about_the_recipient(words) => {
                        MailOutcome::Unfit { reply: trouble.told(&what) }
                    }
                    trouble => trouble.judged(&what),
                }
            }
        }
    }
}

/// Runs one step with its time-out.
async fn within<T>(
    patience: Duration,
    step: impl Future<Output = Result<T, lettre::transport::smtp::Error>>,
) -> Result<T, Trouble> {
    match tokio::time::timeout(patience, step).await {
        Ok(Ok(value)) => Ok(value),
        Ok(Err(error)) => Err(match error.status() {
            Some(code) => {
                let words = std::error::Error::source(&error).map(ToString::to_string).unwrap_or_default();
                let code: u16 = code.into();
                Trouble::Answer { code, words: clean(&format!("{code} {words}")) }
            }
            None => Trouble::Silence(clean(&chain(&error))),
        }),
        Err(_) => Err(Trouble::Silence(format!("no answer within {} s", patience.as_secs_f64()))),
    }
}

fn chain(error: &dyn std::error::Error) -> String {
    let mut out = error.to_string();
    let mut next = error.source();
    while let Some(cause) = next {
        let words = cause.to_string();
        // Some causes are printed by the error that carries them already.
        if !out.contains(&words) {
            out.push_str(": ");
            out.push_str(&words);
        }
        next = cause.source();
    }
    out
}

fn tls_failed(at: &str, why: &str) -> String {
    let hint = if why.contains("certificate") {
        "its certificate is not trusted: check `ca_file` and `host` of the mail settings and this machine's clock"
    } else {
        "check whether the port speaks TLS from the first byte (465) or after STARTTLS (587)"
    };
    format!("no TLS with {at}, nothing was sent ({why}); {hint}")
}

/// Whether an answer `550 5.1.1 words` to a mail is about whom it is for.
fn is_about_the_recipient(words: &str) -> bool {
    words.split_whitespace().nth(1).is_some_and(|code| code.starts_with("5.1.") || code.starts_with("5.2."))
}

fn words_of(response: &Response) -> String {
    let code: u16 = response.code().into();
    let words: Vec<&str> = response.message().collect();
    clean(&format!("{code} {}", words.join(" ")))
}

impl Trouble {
    fn told(self, what: &str) -> String {
        match self {
            Trouble::Answer { words, .. } => format!("{what}; it said: {words}"),
            Trouble::Silence(why) => format!("{what}: {why}"),
        }
    }

    fn judged(self, what: &str) -> MailOutcome {
        match self {
            Trouble::Answer { code: 500..=599, .. } => MailOutcome::Refused { reply: self.told(what) },
            trouble => MailOutcome::Deferred { reply: trouble.told(what) },
        }
    }
}

/// Writes the mail whole or not at all: first under a name that nobody reads, synced, then renamed.
fn lay_into(folder: &Path, to: &str, bytes: &[u8]) -> Result<PathBuf, String> {
    let told = |what: &str, path: &Path, e: std::io::Error| {
        format!("cannot {what} {}: {e}; check the folder of the mail settings", path.display())
    };
    let id = message_id(bytes).ok_or("the mail has no Message-ID, so it has no file name either")?;
    // The time comes first, so that a listing is in the order of the mails.
    let time = sent_at(bytes).map_or_else(String::new, |time| format!("{time}-"));
    let path = folder.join(format!("{time}{}.{}.eml", file_name(id), file_name(to)));
    let half = folder.join(format!(".{}.{}.half", file_name(id), file_name(to)));
    files::create_folder(folder).map_err(|e| told("make", folder, e))?;
    let mut file = files::create(&half).map_err(|e| told("write", &half, e))?;
    file.write_all(bytes).and_then(|()| file.sync_all()).map_err(|e| told("write", &half, e))?;
    std::fs::rename(&half, &path).map_err(|e| told("write", &path, e))?;
    // The new name itself lasts only once the folder is synced.
    std::fs::File::open(folder).and_then(|folder| folder.sync_all()).map_err(|e| told("sync", folder, e))?;
    // The mail is in its place; without the page it can be read all the same.
    let _ = folder_index::write(folder);
    Ok(path)
}

/// The Date of a mail in UTC, such as `20260310T060003Z`.
fn sent_at(bytes: &[u8]) -> Option<String> {
    let date = folder_index::header(&String::from_utf8_lossy(bytes.get(..bytes.len().min(8_192))?), "date")?;
    let at = jiff::fmt::rfc2822::parse(&date).ok()?;
    Some(at.timestamp().strftime("%Y%m%dT%H%M%SZ").to_string())
}

/// The Message-ID among the headers, without its angle brackets.
fn message_id(bytes: &[u8]) -> Option<&str> {
    let end = bytes.windows(4).position(|w| w == b"\r\n\r\n")?;
    let headers = std::str::from_utf8(bytes.get(..end)?).ok()?;
    let (_, value) = headers
        .split("\r\n")
        .filter_map(|line| line.split_once(':'))
        .find(|(name, _)| name.eq_ignore_ascii_case("message-id"))?;
    Some(value.trim().trim_start_matches('<').trim_end_matches('>'))
}

/// A text as part of a file name; different texts give different names.
fn file_name(text: &str) -> String {
    text.bytes().fold(String::new(), |mut out, b| {
        if b.is_ascii_alphanumeric() || b"-_.@+".contains(&b) {
            out.push(char::from(b));
        } else {
            out.push_str(&format!("%{b:02x}"));
        }
        out
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn file_names_cannot_leave_the_folder_and_never_coincide() {
        for (text, want) in [
            ("ann@x.example", "ann@x.example"),
            ("../a", "..%2fa"),
            ("a/b", "a%2fb"),
            ("a%2fb", "a%252fb"),
            ("é", "%c3%a9"),
        ] {
            assert_eq!(file_name(text), want);
        }
    }

    #[test]
    fn default_patience_is_that_of_rfc_5321() {
        // RFC 5321 sections 4.5.3.2.1 to 4.5.3.2.6, in minutes.
        let patience = Patience::default();
        for (step, minutes) in [
            (patience.greeting, 5),
            (patience.sender, 5),
            (patience.recipient, 5),
            (patience.data, 2),
            (patience.content, 13),
        ] {
            assert!(step >= Duration::from_secs(minutes * 60), "{step:?}");
        }
    }
}
