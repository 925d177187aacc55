//! A small site for whole-program tests: its settings as text, its folders, and the series it sends.
//!
//! Must never touch anything outside its temporary folder.

#![allow(dead_code, missing_docs, unreachable_pub, clippy::unwrap_used)]

use std::net::{SocketAddr, TcpStream};
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use hypocaust::driven::{Driven, acknowledged, publish};
use hypocaust::wiring;
use pile::time::{Span, Timestamp};
use rulebook::RuleText;
use rumqttc::AsyncClient;
use site::model::Site;
use tempfile::TempDir;

/// How long a test waits for something that should come at once.
pub const PATIENCE: Duration = Duration::from_secs(60);

/// Monday 2026-03-09 00:00 UTC.
pub const START: Timestamp = Timestamp::from_millis(1_773_014_400_000);

/// A rule that judges every minute and needs no proof over time: for tests that live by the machine's clock.
pub const HOT_NOW: &str = r#"
const RULE = #{
    title: "Hot now", watches_for: "A core above the limit.", cause: "Too little air.", consequence: "The batch cooks itself.",
    response: ["Look at the blower."], caution: "Steam burns.", time_to_respond: "1 h", severity: "major",
    every: "1 min", on_delay: "0 s", off_delay: "0 s", max_gap: "1 h", window: "1 d", evidence: "readings", stages: [],
    settings: #{ limit: #{ value: 65.0, min: 0.0, max: 100.0, unit: "°C", about: "The limit (made for a test)." } },
};
fn judge(bin, set) {
    let core = bin.core.last();
    if core > set.limit { return alarm(`core ${core} above ${set.limit}`); }
    clear(`core ${core}`)
}
"#;

/// A site in a folder of its own.
pub struct Yard {
    pub folder: TempDir,
    pub broker: String,
    pub mail: String,
    pub bins: usize,
    /// Probes of each bin: the first is `b1-core`, the others `b1-2` and on.
    pub probes: usize,
    /// More about Ann, after a comma.
    pub person: String,
    /// More settings.
    pub more: String,
}

impl Yard {
    /// Bins `b1` and on, embedded broker on a free port, mail into a folder, the rules that ship.
    pub fn new(bins: usize) -> Yard {
        let yard = Yard {
            folder: tempfile::tempdir().unwrap(),
            broker: "embedded: { listen: \"127.0.0.1:0\" }".into(),
            mail: "folder: mail".into(),
            bins,
            probes: 1,
            person: String::new(),
            more: String::new(),
        };
        let rules = yard.path("rules");
        std::fs::create_dir(&rules).unwrap();
        for entry in std::fs::read_dir(root().join("rules")).unwrap() {
            let path = entry.unwrap().path();
            if path.extension().is_some_and(|e| e == "rhai") {
                std::fs::copy(&path, rules.join(path.file_name().unwrap())).unwrap();
            }
        }
        yard
    }

    /// With this one rule in place of those that ship.
    pub fn with_rule(self, name: &str, text: &str) -> Yard {
        let rules = self.path("rules");
        std::fs::remove_dir_all(&rules).unwrap();
        std::fs::create_dir(&rules).unwrap();
        std::fs::write(rules.join(format!("{name}.rhai")), text).unwrap();
        self
    }

    pub fn broker_at(mut self, port: u16) -> Yard {
        self.broker = format!("url: \"mqtt://127.0.0.1:{port}\"");
        self
    }

    pub fn embedded_at(mut self, port: u16) -> Yard {
        self.broker = format!("embedded: {{ listen: \"127.0.0.1:{port}\" }}");
        self
    }

    pub fn smtp_at(mut self, port: u16) -> Yard {
        self.mail = format!("smtp: {{ host: 127.0.0.1, port: {port}, security: plain }}");
        self
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    pub fn data(&self) -> PathBuf {
        self.path("data")
    }

    pub fn settings(&self) -> String {
        let bins: String = (1..=self.bins)
            .map(|bin| {
                let probes: Vec<String> = (0..self.probes)
                    .map(|n| {
                        let position = ["core", "base", "upper"][n % 3];
                        format!(
                            "{{ id: {}, position: {position}, depth_metres: 0.5, every_seconds: 300 }}",
                            probe_id(bin, n)
                        )
                    })
                    .collect();
                format!("  - {{ id: b{bin}, volume_m3: 2.5, probes: [ {} ] }}\n", probes.join(", "))
            })
            .collect();
        format!(
            "site: {{ id: test-yard, name: Test Yard, zone: Europe/Dublin, units: metric, elevation_metres: 10 }}\n\
             data_folder: {data}\n\
             broker: {{ {broker} }}\n\
             topics:\n  \
             - topic: \"t/{{probe}}\"\n    payload: json\n    time_at: /t\n    values: [ {{ value_at: /v, source: \"{{probe}}\", quantity: temperature, unit: Cel }} ]\n\
             bins:\n{bins}\
             mail: {{ from: \"yard@test.example\", {mail} }}\n\
             people:\n  - {{ name: Ann, mail: \"ann@test.example\", gets: [alarms, summary]{person} }}\n\
             rules: {{ folder: \"{rules}\" }}\n{more}",
            person = self.person,
            more = self.more,
            data = self.data().display(),
            broker = self.broker,
            mail = self.mail,
            rules = self.path("rules").display(),
        )
    }

    pub fn write_settings(&self) -> PathBuf {
        let path = self.path("site.yaml");
        std::fs::write(&path, self.settings()).unwrap();
        path
    }

    pub fn site(&self) -> Arc<Site> {
        let text = self.settings();
        Arc::new(site::settings::read(&text, "site.yaml").unwrap_or_else(|f| panic!("{f:#?}\n{text}")))
    }

    pub fn rules(&self) -> Vec<RuleText> {
        wiring::rules(&self.path("rules")).unwrap()
    }

    pub async fn driven(&self, at: Timestamp) -> Driven {
        Driven::start(self.site(), &self.rules(), at, None, None).await.unwrap()
    }
}

/// The `n`th probe of a bin, counted from 0.
pub fn probe_id(bin: usize, n: usize) -> String {
    match n {
        0 => format!("b{bin}-core"),
        n => format!("b{bin}-{}", n + 1),
    }
}

pub fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

/// A payload of a test probe.
pub fn payload(at: Timestamp, value: f64) -> String {
    format!("{{\"t\":{},\"v\":{value}}}", at.as_millis() as f64 / 1_000.0)
}

/// Lets the daemon live through a series of one probe, five minutes a reading, each acknowledged before time goes on.
pub async fn live(driven: &mut Driven, client: &AsyncClient, probe: &str, values: &[f64]) {
    for value in values {
        let now = driven.now() + Span::minutes(5);
        driven.advance_to(now).await.unwrap();
        let notice = publish(client, format!("t/{probe}"), payload(now, *value)).await.unwrap();
        acknowledged(vec![notice]).await.unwrap();
    }
    let now = driven.now();
    driven.settle(now).await.unwrap();
}

/// A batch that heats within a day, stays at 62 °C, falls 8 K a day from day 4 to day 6, and comes back.
pub fn crashing_series() -> Vec<f64> {
    let steps_a_day = 288.0;
    (0..(9 * 288))
        .map(|i| {
            let day = f64::from(i) / steps_a_day;
            let wave = 0.15 * (f64::from(i) * 0.7).sin();
            let value = match day {
                d if d < 1.0 => 18.0 + 44.0 * d,
                d if d < 4.0 => 62.0,
                d if d < 6.0 => 62.0 - 8.0 * (d - 4.0),
                d if d < 7.0 => 46.0 + 14.0 * (d - 6.0),
                _ => 60.0,
            };
            value + wave
        })
        .collect()
}

/// What a process used since its start, as the kernel counts it.
#[derive(Clone, Copy, Debug)]
pub struct Spent {
    /// Most memory that was resident at one time, in MB of 1,000,000 bytes (`VmHWM` of proc(5)).
    pub megabytes: f64,
    /// Processor time of all threads, in seconds (`utime` and `stime` of proc(5), counted in hundredths).
    pub seconds: f64,
}

/// The daemon as a process of its own, by the machine's clock.
pub struct Process {
    child: Child,
    log: PathBuf,
}

impl Process {
    pub fn start(yard: &Yard, more: &[&str]) -> Process {
        Process::start_under(yard, more, &[])
    }

    /// The same with variables of the environment, as a service manager sets them.
    pub fn start_under(yard: &Yard, more: &[&str], environment: &[(&str, &str)]) -> Process {
        let settings = yard.write_settings();
        let log = yard.path("log.txt");
        let out = std::fs::OpenOptions::new().create(true).append(true).open(&log).unwrap();
        let child = Command::new(env!("CARGO_BIN_EXE_hypocaust"))
            .arg("--config")
            .arg(&settings)
            .arg("run")
            .args(more)
            .envs(environment.iter().copied())
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(out)
            .spawn()
            .unwrap();
        Process { child, log }
    }

    pub fn log(&self) -> String {
        std::fs::read_to_string(&self.log).unwrap_or_default()
    }

    /// What it used so far.
    pub fn spent(&self) -> Spent {
        let proc = PathBuf::from(format!("/proc/{}", self.child.id()));
        let status = std::fs::read_to_string(proc.join("status")).unwrap();
        let peak = status.lines().find_map(|line| line.strip_prefix("VmHWM:")).expect("a living process has a peak");
        let kibibytes: f64 = peak.trim().trim_end_matches(" kB").parse().unwrap();
        let stat = std::fs::read_to_string(proc.join("stat")).unwrap();
        // The name before the last parenthesis may hold spaces; `utime` is the twelfth word after it.
        let words: Vec<&str> = stat.rsplit(')').next().unwrap().split_whitespace().collect();
        let ticks: f64 = words[11].parse::<f64>().unwrap() + words[12].parse::<f64>().unwrap();
        Spent { megabytes: kibibytes * 1024.0 / 1e6, seconds: ticks / 100.0 }
    }

    /// kill -9, in the middle of whatever it does.
    pub fn kill(mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }

    /// SIGHUP.
    pub fn hang_up(&self) {
        let pid = rustix::process::Pid::from_child(&self.child);
        rustix::process::kill_process(pid, rustix::process::Signal::HUP).unwrap();
    }

    /// SIGSTOP: nothing of it runs until it is resumed.
    pub fn pause(&self) {
        let pid = rustix::process::Pid::from_child(&self.child);
        rustix::process::kill_process(pid, rustix::process::Signal::STOP).unwrap();
    }

    /// SIGCONT.
    pub fn resume(&self) {
        let pid = rustix::process::Pid::from_child(&self.child);
        rustix::process::kill_process(pid, rustix::process::Signal::CONT).unwrap();
    }

    /// SIGTERM; gives the exit code and how long it took.
    pub fn stop(mut self) -> (Option<i32>, Duration) {
        let begun = Instant::now();
        let pid = rustix::process::Pid::from_child(&self.child);
        rustix::process::kill_process(pid, rustix::process::Signal::TERM).unwrap();
        let status = self.child.wait().unwrap();
        (status.code(), begun.elapsed())
    }
}

/// One command of the program, with its exit code and all that it printed.
pub fn hypocaust(yard: &Yard, arguments: &[&str]) -> (i32, String) {
    let settings = yard.write_settings();
    hypocaust_with(&settings, arguments)
}

pub fn hypocaust_with(settings: &Path, arguments: &[&str]) -> (i32, String) {
    let out = Command::new(env!("CARGO_BIN_EXE_hypocaust"))
        .arg("--config")
        .arg(settings)
        .args(arguments)
        .stdin(Stdio::null())
        .output()
        .unwrap();
    let text = String::from_utf8_lossy(&out.stdout).into_owned() + String::from_utf8_lossy(&out.stderr).as_ref();
    (out.status.code().unwrap_or(-1), text)
}

/// What the machine's clock shows.
#[expect(clippy::disallowed_methods, reason = "a real daemon beside the test lives by the machine's clock")]
pub fn machine_now() -> Timestamp {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap();
    Timestamp::from_millis(i64::try_from(since.as_millis()).unwrap())
}

/// Starts the daemon and waits until its socket and the broker inside answer.
pub async fn started_at(yard: &Yard, address: SocketAddr, patience: Duration) -> Process {
    let daemon = Process::start(yard, &[]);
    eventually_within(patience, "the daemon", || {
        let up = UnixStream::connect(yard.data().join("socket")).is_ok() && TcpStream::connect(address).is_ok();
        assert!(!daemon.log().contains("panicked"), "{}", daemon.log());
        up.then_some(())
    })
    .await;
    daemon
}

/// Waits until `done` gives something.
pub async fn eventually<T>(what: &str, done: impl FnMut() -> Option<T>) -> T {
    eventually_within(PATIENCE, what, done).await
}

/// Waits until `done` gives something, for as long as `patience` lasts.
pub async fn eventually_within<T>(patience: Duration, what: &str, mut done: impl FnMut() -> Option<T>) -> T {
    let until = Instant::now() + patience;
    let mut pause = tokio::time::interval(Duration::from_millis(20));
    loop {
        if let Some(found) = done() {
            return found;
        }
        assert!(Instant::now() < until, "waited {} s for {what}", patience.as_secs());
        pause.tick().await;
    }
}

/// Writes a secret as a site keeps it: for its owner alone.
pub fn write_secret(path: &Path, text: &str) {
    use std::os::unix::fs::PermissionsExt;
    std::fs::write(path, text).unwrap();
    std::fs::set_permissions(path, std::fs::Permissions::from_mode(0o600)).unwrap();
}

/// A free port, for servers that must come back on the same one.
pub fn free_port() -> u16 {
    std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port()
}

/// Headers and text of a mail, as an independent parser reads them.
pub struct Letter {
    pub id: String,
    pub in_reply_to: Option<String>,
    pub references: Vec<String>,
    pub subject: String,
    pub text: String,
    pub step: Option<String>,
}

pub fn letter(bytes: &[u8]) -> Letter {
    let mail = mail_parser::MessageParser::default().parse(bytes).unwrap();
    let list = |v: &mail_parser::HeaderValue<'_>| -> Vec<String> {
        v.as_text_list().map(|l| l.iter().map(|s| s.to_string()).collect()).unwrap_or_default()
    };
    Letter {
        id: mail.message_id().unwrap().to_owned(),
        in_reply_to: list(mail.in_reply_to()).first().cloned(),
        references: list(mail.references()),
        subject: mail.subject().unwrap().to_owned(),
        text: mail.body_text(0).unwrap().into_owned(),
        step: mail.header("X-Hypocaust-Step").and_then(|v| v.as_text()).map(str::to_owned),
    }
}
