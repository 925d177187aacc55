//! From settings on disk to parts that run: reads files, resolves secrets, builds the intake and the postman.
//!
//! Must never hide where something came from: every error names the file.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};
use std::time::Duration;

use decode::Router;
use engine::input::RefusedChange;
use intake::{Intake, IntakeError, Means, Secrets, StatusTopic, TlsFiles};
use pile::time::Timestamp;
use post::{Postman, PostmanError};
use rulebook::RuleText;
use site::model::{Broker, HeartbeatAddress, Login, Site, TlsDoor, Transport};

use crate::clock::Clock;
use crate::secrets::{self, SecretError};

/// Settings as read from a file.
#[derive(Debug)]
pub struct Settings {
    /// The checked site.
    pub site: Site,
    /// The text without what is secret in it, for the record and for a recording.
    pub text: String,
    /// The path as given.
    pub path: String,
}

/// Why settings or rules cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum SettingsError {
    /// The file cannot be read.
    #[error(
        "the settings {path} cannot be read; give their path with --config FILE, or begin some with `hypocaust init`"
    )]
    Read {
        /// Which.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// They have faults.
    #[error("{} fault(s) in the settings:\n{}", .0.len(), .0.join("\n"))]
    Faults(Vec<String>),
    /// Rules, or their cases, have faults.
    #[error("{} fault(s) in the rules and their cases:\n{}", .0.len(), .0.join("\n"))]
    RuleFaults(Vec<String>),
    /// The folder of rules cannot be read.
    #[error("the rules in {path} cannot be read; set `rules.folder` to the folder with the .rhai files")]
    Rules {
        /// Which.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// There is no rule in it.
    #[error(
        "there is no .rhai file in {0}; without rules nobody is warned: copy those that ship with hypocaust, or set `rules.folder`"
    )]
    NoRules(PathBuf),
}

/// What can be wrong with the way out for mail.
#[derive(Debug, thiserror::Error)]
pub enum WiringError {
    /// A secret.
    #[error(transparent)]
    Secret(#[from] SecretError),
    /// The rest.
    #[error(transparent)]
    Post(#[from] PostmanError),
}

/// What can be wrong with the way in for readings.
#[derive(Debug, thiserror::Error)]
pub enum IntakeWiringError {
    /// A secret.
    #[error(transparent)]
    Secret(#[from] SecretError),
    /// The rest.
    #[error(transparent)]
    Intake(#[from] IntakeError),
}

/// Where a checkout of the sources has its example, and where the package has the site's own.
const SETTINGS_PLACES: [&str; 2] = ["config/site.yaml", "/etc/hypocaust/site.yaml"];

/// The settings to read: those that were named, or the first of the usual places where some are.
pub fn config_path(named: Option<PathBuf>) -> PathBuf {
    let usual = || SETTINGS_PLACES.iter().map(PathBuf::from).find(|path| path.exists());
    named.or_else(usual).unwrap_or_else(|| SETTINGS_PLACES[0].into())
}

/// Reads and checks the settings.
///
/// # Errors
/// [`SettingsError`] with every fault at once.
pub fn settings(path: &Path) -> Result<Settings, SettingsError> {
    let text = files::read_text(path, files::SETTINGS)
        .map_err(|source| SettingsError::Read { path: path.to_owned(), source })?;
    let shown = path.display().to_string();
    let site = site::settings::read(&text, &shown)
        .map_err(|faults| SettingsError::Faults(faults.iter().map(ToString::to_string).collect()))?;
    let text = site::settings::without_secrets(&text, &site);
    Ok(Settings { site, text, path: shown })
}

/// Reads the texts of the rules, in the order of their names.
///
/// # Errors
/// [`SettingsError::Rules`] and [`SettingsError::NoRules`].
pub fn rules(folder: &Path) -> Result<Vec<RuleText>, SettingsError> {
    let read = |(name, path): (String, PathBuf)| match files::read_text(&path, files::RULE) {
        Ok(text) => Ok(RuleText { name, path: path.display().to_string(), text }),
        Err(source) => Err(SettingsError::Rules { path, source }),
    };
    rule_files(folder)?.into_iter().map(read).collect()
}

/// Reads the texts of the rules that can be read; the files of the others are named, and keep nobody from watching.
///
/// # Errors
/// As [`rules`], but for single files.
pub fn readable_rules(folder: &Path) -> Result<(Vec<RuleText>, Vec<RefusedChange>), SettingsError> {
    let (mut texts, mut refused) = (Vec::new(), Vec::new());
    for (name, path) in rule_files(folder)? {
        match read_rule(&name, &path) {
            Ok(text) => texts.push(text),
            Err(change) => refused.push(change),
        }
    }
    Ok((texts, refused))
}

/// The text of one rule, or why its file is not taken.
///
/// # Errors
/// A change that is refused.
pub fn read_rule(name: &str, path: &Path) -> Result<RuleText, RefusedChange> {
    let shown = path.display().to_string();
    match files::read_text(path, files::RULE) {
        Ok(text) => Ok(RuleText { name: name.to_owned(), path: shown, text }),
        Err(source) => {
            let why = format!(
                "{shown} is listed in its folder but cannot be read: {source}; save it as UTF-8 text, or put the earlier file back"
            );
            Err(RefusedChange { rule: name.to_owned(), why })
        }
    }
}

/// The names of the rules in a folder with their files, sorted by name.
///
/// # Errors
/// [`SettingsError::Rules`] and [`SettingsError::NoRules`].
pub fn rule_files(folder: &Path) -> Result<Vec<(String, PathBuf)>, SettingsError> {
    let failed = |source| SettingsError::Rules { path: folder.to_owned(), source };
    let mut found = Vec::new();
    for path in files::paths_in(folder).map_err(failed)? {
        // Definitions for editors are no rules.
        let is_rule = path.extension().is_some_and(|e| e == "rhai") && !path.to_string_lossy().ends_with(".d.rhai");
        if is_rule {
            let name = path.file_stem().map(|s| s.to_string_lossy().into_owned()).unwrap_or_default();
            found.push((name, path));
        }
    }
    if found.is_empty() {
        return Err(SettingsError::NoRules(folder.to_owned()));
    }
    found.sort();
    Ok(found)
}

/// The way out for mail.
///
/// # Errors
/// [`WiringError`] when a secret or certificate is missing.
pub fn postman(site: &Site) -> Result<Postman, WiringError> {
    let password = match &site.mail.transport {
        Transport::Smtp { login: Some(Login { password, .. }), .. } => Some(secrets::read(password)?),
        Transport::Smtp { login: None, .. } | Transport::Folder(_) => None,
    };
    Ok(Postman::new(&site.mail, password.as_deref())?)
}

/// The way in for readings.
///
/// # Errors
/// [`IntakeWiringError`] when a secret is missing or the broker cannot be set up.
pub async fn intake(site: &Site, clock: Arc<dyn Fn() -> Timestamp + Send + Sync>) -> Result<Intake, IntakeWiringError> {
    let secrets = match &site.broker {
        Broker::Embedded(inside) => {
            let files = |door: &TlsDoor| -> Result<TlsFiles, IntakeWiringError> {
                Ok(TlsFiles { certificate: certificate(&door.certificate)?, key: secrets::read_all(&door.key)? })
            };
            Secrets {
                clients: inside.passwords.as_ref().map(secrets::read_all).transpose()?,
                tls: inside.tls.as_ref().map(files).transpose()?,
                ..Secrets::default()
            }
        }
        Broker::Remote { login, .. } => {
            Secrets { login: login.as_ref().map(|l| secrets::read(&l.password)).transpose()?, ..Secrets::default() }
        }
    };
    let status = StatusTopic { topic: engine::status_topic(site), gone: "{\"state\":\"not running\"}".into() };
    // The embedded broker keeps its clients' sessions there, so that a probe that comes back after our restart sends again what it
    // got no answer for.
    let sessions = Some(site.data_folder.join("broker"));
    let means = Means { secrets, sessions, status, connections: crate::descriptors::for_the_broker() };
    Ok(intake::start(site, Arc::new(Router::new(site)), means, clock).await?)
}

/// The text of a certificate file, which is no secret.
fn certificate(path: &Path) -> Result<String, IntakeError> {
    files::read_text(path, files::AUTHORITY)
        .map_err(|source| IntakeError::CertificateFile { path: path.to_owned(), source })
}

/// The address of the heartbeat, wherever it is kept.
///
/// # Errors
/// [`SecretError`] with the next step; it never shows the address.
pub fn heartbeat_address(address: &HeartbeatAddress) -> Result<String, SecretError> {
    match address {
        HeartbeatAddress::Plain(url) => Ok(url.clone()),
        HeartbeatAddress::Secret(secret) => {
            let url = secrets::read(secret)?;
            if site::settings::host_of(&url).is_some() {
                Ok(url)
            } else {
                Err(SecretError::NoAddress { path: secrets::path_of(secret)? })
            }
        }
    }
}

/// Calls the outward heartbeat in the background and notes when it was answered; a failure is one log line, not an alarm of ours.
pub fn beat(site: &Site, clock: Clock, answered_at: Arc<AtomicI64>) {
    let Some(heartbeat) = site.heartbeat.clone() else { return };
    tokio::task::spawn_blocking(move || {
        let url = match heartbeat_address(&heartbeat.address) {
            Ok(url) => url,
            Err(error) => {
                tracing::warn!(
                    "the heartbeat failed: {}; the service that waits for it will raise an alarm",
                    crate::daemon::chain(&error)
                );
                return;
            }
        };
        let agent: ureq::Agent =
            ureq::Agent::config_builder().timeout_global(Some(Duration::from_secs(20))).build().into();
        match agent.get(&url).call() {
            Ok(_) => answered_at.store(clock.now().as_millis(), Ordering::Relaxed),
            Err(source) => {
                // The library's words may repeat the address, or where it was sent on to.
                let why = match source {
                    ureq::Error::StatusCode(code) => format!("the answer was {code}"),
                    ureq::Error::Io(e) => format!("no connection ({})", e.kind()),
                    ureq::Error::HostNotFound => "its host was not found".into(),
                    ureq::Error::Timeout(_) => "no answer came in time".into(),
                    ureq::Error::Tls(_) | ureq::Error::Rustls(_) => {
                        "its certificate is not to be trusted, or it speaks no TLS".into()
                    }
                    _ => "it cannot be called".into(),
                };
                tracing::warn!("the heartbeat failed: {why}; the service that waits for it will raise an alarm");
            }
        }
    });
}

/// Half of the time within which the service manager wants a sign of life, if it wants one.
pub fn watchdog_interval() -> Option<Duration> {
    sd_notify::watchdog_enabled().map(|limit| limit / 2)
}
