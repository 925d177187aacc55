//! Starts Debian's mosquitto for tests, on a free port, with everything it keeps in a temporary folder.
//!
//! Must never leave a broker behind, and never let a test pass in silence because there is no mosquitto.

#![allow(dead_code, missing_docs, unreachable_pub, clippy::unwrap_used)]

use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use tempfile::TempDir;

/// How long it may take to answer.
const WITHIN: Duration = Duration::from_secs(15);
/// Where Debian and others put it; the folder is not on every user's path.
const PLACES: [&str; 3] = ["/usr/sbin/mosquitto", "/usr/local/sbin/mosquitto", "/usr/bin/mosquitto"];

/// A running broker; killed when dropped.
pub struct Mosquitto {
    binary: PathBuf,
    folder: TempDir,
    port: u16,
    child: Option<Child>,
}

impl Mosquitto {
    /// Starts one, or says loudly that `test` was not run. Where `CI` is `true` a missing mosquitto fails the test.
    pub fn start(test: &str) -> Option<Mosquitto> {
        Mosquitto::start_with(test, "")
    }

    /// The same with more lines of configuration.
    pub fn start_with(test: &str, more: &str) -> Option<Mosquitto> {
        // As our own deployment sets it: no bound on what waits for an offline session, and its state on disk when it stops.
        Mosquitto::start_on(test, |folder, port| {
            format!(
                "listener {port} 127.0.0.1\n\
                 allow_anonymous true\n\
                 max_queued_messages 0\n\
                 persistence true\n\
                 persistence_location {}/\n\
                 {more}\n",
                folder.display(),
            )
        })
    }

    /// The same with a configuration of its own, made for a folder and a port.
    pub fn start_on(test: &str, configuration: impl FnOnce(&Path, u16) -> String) -> Option<Mosquitto> {
        let Some(binary) = PLACES.iter().map(Path::new).find(|p| p.exists()) else {
            assert!(
                std::env::var("CI").as_deref() != Ok("true"),
                "{test}: mosquitto is missing and CI=true; install it (Debian: apt-get install mosquitto)"
            );
            eprintln!("\n*** NOT RUN: {test}: there is no mosquitto here (Debian: apt-get install mosquitto) ***\n");
            return None;
        };
        let folder = tempfile::tempdir().unwrap();
        // Freed at once for the broker; a second taker in between makes the start fail, not the test pass.
        let port = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        // A broker that root starts gives up root, and could not write the folder.
        let config = format!(
            "{}\nuser root\nlog_dest file {}\nlog_type all\n",
            configuration(folder.path(), port),
            folder.path().join("log").display(),
        );
        std::fs::write(folder.path().join("mosquitto.conf"), config).unwrap();
        let mut mosquitto = Mosquitto { binary: binary.to_owned(), folder, port, child: None };
        mosquitto.start_again();
        Some(mosquitto)
    }

    pub fn port(&self) -> u16 {
        self.port
    }

    /// `127.0.0.1:PORT`.
    pub fn address(&self) -> String {
        format!("127.0.0.1:{}", self.port)
    }

    /// Where it keeps its files.
    pub fn folder(&self) -> &Path {
        self.folder.path()
    }

    /// What it logged, for a failing test.
    pub fn log(&self) -> String {
        std::fs::read_to_string(self.folder.path().join("log")).unwrap_or_default()
    }

    /// Starts it on the same port and folder; waits until it answers.
    pub fn start_again(&mut self) {
        assert!(self.child.is_none(), "it runs already");
        let child = Command::new(&self.binary)
            .arg("-c")
            .arg(self.folder.path().join("mosquitto.conf"))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        self.child = Some(child);
        let deadline = Instant::now() + WITHIN;
        while TcpStream::connect(("127.0.0.1", self.port)).is_err() {
            let ended = self.child.as_mut().unwrap().try_wait().unwrap();
            assert!(ended.is_none(), "mosquitto ended with {ended:?}:\n{}", self.log());
            assert!(Instant::now() < deadline, "mosquitto does not answer:\n{}", self.log());
            std::thread::yield_now();
        }
    }

    /// Asks it to stop, so that it writes what it keeps; waits until it is gone.
    pub fn stop(&mut self) {
        if let Some(mut child) = self.child.take() {
            // The standard library can only kill hard.
            let asked = Command::new("kill").arg(child.id().to_string()).status().unwrap();
            assert!(asked.success());
            child.wait().unwrap();
        }
    }

    /// Kills it without a chance to write anything.
    pub fn kill(&mut self) {
        if let Some(mut child) = self.child.take() {
            child.kill().unwrap();
            child.wait().unwrap();
        }
    }
}

impl Drop for Mosquitto {
    fn drop(&mut self) {
        self.kill();
    }
}
