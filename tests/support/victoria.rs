//! Starts Debian's victoria-metrics for tests: a real server that takes what InfluxDB 2 takes at /api/v2/write, and gives it back as JSON.
//! It has no Flux, no tokens and no texts, and skips what it cannot read without a word.
//!
//! Must never leave a server behind, and never let a test pass in silence because there is none.

#![allow(dead_code, missing_docs, unreachable_pub, clippy::unwrap_used)]

use std::net::TcpListener;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use tempfile::TempDir;

const WITHIN: Duration = Duration::from_secs(30);
const BINARY: &str = "/usr/bin/victoria-metrics";

pub struct Victoria {
    child: Child,
    port: u16,
    _folder: TempDir,
}

impl Victoria {
    /// Starts one, or says loudly that `test` was not run. Where `CI` is `true` a missing server fails the test.
    pub fn start(test: &str) -> Option<Victoria> {
        if !Path::new(BINARY).exists() {
            assert!(
                std::env::var("CI").as_deref() != Ok("true"),
                "{test}: victoria-metrics is missing and CI=true; install it (Debian: apt-get install victoria-metrics)"
            );
            eprintln!(
                "\n*** NOT RUN: {test}: there is no victoria-metrics here (Debian: apt-get install victoria-metrics) ***\n"
            );
            return None;
        }
        let folder = tempfile::tempdir().unwrap();
        let port = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        let mut child = Command::new(BINARY)
            .arg(format!("-httpListenAddr=127.0.0.1:{port}"))
            .arg(format!("-storageDataPath={}", folder.path().join("data").display()))
            .args(["-retentionPeriod=100y", "-loggerLevel=ERROR", "-memory.allowedBytes=64MB"])
            // A value that is written twice counts once, as in InfluxDB.
            .args(["-dedup.minScrapeInterval=1ms"])
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let until = Instant::now() + WITHIN;
        while ureq::get(format!("http://127.0.0.1:{port}/health")).call().is_err() {
            assert!(child.try_wait().unwrap().is_none(), "victoria-metrics ended");
            assert!(Instant::now() < until, "victoria-metrics does not answer");
            std::thread::yield_now();
        }
        Some(Victoria { child, port, _folder: folder })
    }

    pub fn url(&self) -> String {
        format!("http://127.0.0.1:{}", self.port)
    }

    /// What it holds under a name, as (labels, milliseconds, values) of each series.
    pub fn export(&self, name: &str) -> Vec<serde_json::Value> {
        ureq::get(format!("{}/internal/force_flush", self.url())).call().unwrap();
        let url = format!("{}/api/v1/export?match[]={name}&start=0&end=4102444800", self.url());
        let text = ureq::get(url).call().unwrap().body_mut().with_config().limit(1 << 30).read_to_string().unwrap();
        text.lines().map(|line| serde_json::from_str(line).unwrap()).collect()
    }

    /// How many values it holds under a name.
    pub fn count(&self, name: &str) -> usize {
        self.export(name).iter().map(|series| series["values"].as_array().unwrap().len()).sum()
    }
}

impl Drop for Victoria {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
