//! The manuals against the program: every command they show is understood, those that can are run, and the way from unpacking to the first
//! alarm mail is walked as it is written.
//!
//! Must never let a manual show a command that the program does not know.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

#[path = "support/smtp_sink.rs"]
mod smtp_sink;
#[path = "support/yard.rs"]
mod yard;

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

use clap::CommandFactory;
use clap::error::ErrorKind;
use hypocaust::cli::Cli;
use hypocaust::manual;
use smtp_sink::SmtpSink;
use yard::{PATIENCE, eventually, free_port, letter, root};

const MANUALS: [&str; 5] =
    ["README.md", "config/README.md", "config/criteria/README.md", "rules/README.md", "deploy/README.md"];

/// Commands that are understood here and run elsewhere, or nowhere.
const NOT_RUN_HERE: [(&str, &str); 17] = [
    ("init", "asks questions; tests/init.rs and the walk below"),
    ("mail test", "wants a relay; the walk below"),
    ("status", "wants a daemon; tests/watched.rs"),
    ("reload", "wants a daemon; the walk below"),
    ("alarms acknowledge", "wants an alarm; the walk below"),
    ("why", "wants an alarm; the walk below"),
    ("rules test", "takes long with the rules that ship; the gate runs it"),
    ("record export", "wants hours on record; tests/record.rs"),
    ("report week", "with --bundle wants hours on record; tests/record.rs"),
    ("readings --bin bin-1", "a bin of the walk below"),
    ("replay", "wants history; tests/replay_history.rs"),
    ("copy", "wants a database; tests/copy.rs"),
    ("restore", "wants a database; tests/copy.rs"),
    ("calc stability", "only names the command, which wants something measured; tests/calc.rs"),
    ("criteria show", "wants the id of a criterion; tests/judging.rs"),
    ("rules new", "writes into the folder of rules; tests/rules.rs"),
    ("report reviewed", "wants a summary that went out; tests/report.rs"),
];

/// Other programs in the manuals, and why the lines that start with them are not run as they stand.
const OTHER_PROGRAMS: [(&str, &str); 16] = [
    ("apt", "installs packages; deploy/test-package installs ours with dpkg"),
    ("systemctl", "wants a running service manager; deploy/test-package stands in for it"),
    ("cargo", "builds; the gate does"),
    ("cp", "copies into places of the system; the walk below copies into its own"),
    ("rm", "removes from places of the system; the walk below from its own"),
    ("mosquitto_pub", "publishes on the usual port; the walk below on its own"),
    ("mosquitto_passwd", "asks for passwords; tests/access_list.rs gives them"),
    ("touch", "writes into places of the system"),
    ("chown", "changes files of the system"),
    ("chmod", "changes files of the system"),
    ("install", "writes into places of the system"),
    ("echo", "writes into places of the system"),
    ("openssl", "run below, in a folder of their own"),
    ("adduser", "changes the system"),
    ("podman", "wants an engine for containers, which no machine of the tests has"),
    ("diff", "compares files of the system"),
];

/// Words that stand for the reader's own; a command with any other in capitals is understood but not run.
const STANDS_FOR: [(&str, &str); 9] = [
    ("ID", "1"),
    ("N", "1"),
    ("ALARM", "1"),
    // The watering.
    ("ENTRY", "2"),
    ("COMMAND", "log"),
    ("DIR", "made"),
    ("NAME", "temperature-crash"),
    ("RECIPE.yaml", "recipe.yaml"),
    ("FILE.csv", "readings.csv"),
];

fn text(name: &str) -> String {
    std::fs::read_to_string(root().join(name)).unwrap()
}

/// The lines of a manual's blocks of that kind, one list a block.
fn blocks(text: &str) -> Vec<Vec<String>> {
    let mut blocks = Vec::new();
    let mut lines = text.lines();
    while let Some(line) = lines.next() {
        if line.trim() == "```console" {
            blocks.push(lines.by_ref().take_while(|line| line.trim() != "```").map(str::to_owned).collect());
        }
    }
    blocks
}

/// Every command of ours that a manual shows, within text and in blocks.
fn commands(text: &str) -> BTreeSet<String> {
    let mut found: BTreeSet<String> = blocks(text).into_iter().flatten().collect();
    // Fences have three backquotes, which leave empty spans behind.
    let spans = text.split('`').skip(1).step_by(2).map(|span| span.split_whitespace().collect::<Vec<_>>().join(" "));
    found.extend(spans);
    found.retain(|command| command.starts_with("hypocaust "));
    // Where its output goes is the shell's business.
    found.iter().filter_map(|command| Some(command.split(['>', '|']).next()?.trim().to_owned())).collect()
}

/// Splits a line into words as a shell does, as far as the manuals need it.
fn words(line: &str) -> Vec<String> {
    let (mut words, mut word, mut quoted) = (Vec::new(), String::new(), false);
    for c in line.chars() {
        match c {
            '"' => quoted = !quoted,
            ' ' if !quoted => words.extend(Some(std::mem::take(&mut word)).filter(|word| !word.is_empty())),
            c => word.push(c),
        }
    }
    words.extend(Some(word).filter(|word| !word.is_empty()));
    words
}

fn with_names(words: &[String]) -> Vec<String> {
    let named = |word: &String| STANDS_FOR.iter().find(|(name, _)| name == word).map(|(_, own)| (*own).to_owned());
    words.iter().map(|word| named(word).unwrap_or_else(|| word.clone())).collect()
}

/// What came of reading a command's words.
#[derive(Debug, PartialEq)]
enum Understood {
    /// It can be run.
    Whole,
    /// It asks for help, or only names a command that wants more.
    Named,
}

fn understood(words: &[String]) -> Result<Understood, String> {
    let named_only = !words.iter().any(|word| word.starts_with('-'));
    match Cli::command().try_get_matches_from(words) {
        Ok(_) => Ok(Understood::Whole),
        Err(error) => match error.kind() {
            ErrorKind::DisplayHelp | ErrorKind::DisplayVersion => Ok(Understood::Named),
            ErrorKind::MissingRequiredArgument
            | ErrorKind::MissingSubcommand
            | ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand
                if named_only =>
            {
                Ok(Understood::Named)
            }
            _ => Err(error.to_string()),
        },
    }
}

#[test]
fn every_command_in_the_manuals_is_understood_and_what_can_be_run_is_run() {
    let folder = tempfile::tempdir().unwrap();
    let settings = example_in(folder.path());
    std::fs::copy(root().join("demo-data/recipe.yaml"), folder.path().join("recipe.yaml")).unwrap();
    let rows: String =
        (0..80).map(|hour| format!("2026-03-{:02}T{:02}:00:00Z,60\n", 1 + hour / 24, hour % 24)).collect();
    std::fs::write(folder.path().join("readings.csv"), format!("measured_at,value\n{rows}")).unwrap();
    // What the others look at.
    let first = ["hypocaust batch on-air --bin north-1", "hypocaust log watered --bin north-1 --minutes 12"];
    let mut all: Vec<String> = first.map(str::to_owned).to_vec();
    for manual in MANUALS {
        all.extend(commands(&text(manual)).into_iter().filter(|command| !first.contains(&command.as_str())));
    }
    assert!(all.len() > 50, "only {all:#?}");
    let (mut used, mut ran, mut wrong) = (BTreeSet::new(), BTreeSet::new(), Vec::new());
    for command in &all {
        let words = with_names(&words(command));
        match understood(&words) {
            Err(why) => wrong.push(format!("{command}: {why}")),
            Ok(Understood::Named) => {}
            Ok(Understood::Whole) => {
                let called = words[1..].join(" ");
                if let Some((name, _)) = NOT_RUN_HERE.iter().find(|(name, _)| called.starts_with(name)) {
                    used.insert(*name);
                    continue;
                }
                let own = words[1..]
                    .iter()
                    .any(|word| word.len() > 1 && word.chars().all(|c| c.is_ascii_uppercase() || ".=".contains(c)));
                if own || words.iter().any(|word| word == "--config") || !ran.insert(called.clone()) {
                    continue;
                }
                let output = Command::new(env!("CARGO_BIN_EXE_hypocaust"))
                    .args(&words[1..])
                    .env("HYPOCAUST_CONFIG", &settings)
                    .current_dir(folder.path())
                    .stdin(Stdio::null())
                    .output()
                    .unwrap();
                if !output.status.success() {
                    wrong.push(format!("{command}: {:?}\n{}", output.status, String::from_utf8_lossy(&output.stderr)));
                }
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    assert!(ran.len() > 20, "only these were run: {ran:#?}");
    let stale: Vec<_> = NOT_RUN_HERE.iter().filter(|(name, _)| !used.contains(name)).collect();
    assert!(stale.is_empty(), "no manual shows these any more: {stale:?}");
}

#[test]
fn every_other_program_in_the_manuals_is_known_and_certificates_are_made_as_shown() {
    let lines: Vec<String> = MANUALS.iter().flat_map(|manual| blocks(&text(manual))).flatten().collect();
    let programs: BTreeSet<&str> = lines
        .iter()
        .filter_map(|line| line.split_whitespace().next())
        .filter(|program| *program != "hypocaust")
        .collect();
    let unknown: Vec<_> =
        programs.iter().filter(|program| !OTHER_PROGRAMS.iter().any(|(name, _)| name == *program)).collect();
    assert!(unknown.is_empty(), "these stand in a manual: say in OTHER_PROGRAMS why they are not run: {unknown:?}");

    let folder = tempfile::tempdir().unwrap();
    let openssl: Vec<Vec<String>> =
        lines.iter().filter(|line| line.starts_with("openssl ")).map(|line| words(line)).collect();
    assert!(openssl.len() >= 3, "{openssl:?}");
    let check = "openssl verify -CAfile broker-ca.pem -verify_hostname broker.example broker.pem";
    for words in openssl.iter().chain([&words(check)]) {
        let output = match Command::new("openssl").args(&words[1..]).current_dir(folder.path()).output() {
            Ok(output) => output,
            Err(_) => {
                assert!(std::env::var("CI").as_deref() != Ok("true"), "openssl is missing and CI=true");
                eprintln!("\n*** NOT RUN: there is no openssl here ***\n");
                return;
            }
        };
        assert!(output.status.success(), "{words:?}: {}", String::from_utf8_lossy(&output.stderr));
    }
}

#[test]
fn there_is_a_page_about_the_program_the_daemon_the_settings_and_each_command() {
    let pages = manual::pages().unwrap();
    let names: BTreeSet<&str> = pages.iter().map(|(name, _)| name.as_str()).collect();
    for wanted in ["hypocaust.1", "hypocaust-run.8", "hypocaust.yaml.5", "hypocaust-log-watered.1", "hypocaust-init.1"]
    {
        assert!(names.contains(wanted), "{wanted} is not among {names:?}");
    }
    assert!(!names.iter().any(|name| name.contains("-help")), "{names:?}");
    let settings = &pages.iter().find(|(name, _)| name == "hypocaust.yaml.5").unwrap().1;
    for wanted in [".SH Settings", "data_folder", "every_seconds", "starttls", ", required"] {
        assert!(settings.contains(wanted), "{wanted} is not in the page about the settings");
    }
    for (name, page) in &pages {
        assert!(page.contains(".TH ") && page.contains(".SH NAME"), "{name}");
    }
}

/// The annotated example with its places moved into the folder.
fn example_in(folder: &Path) -> PathBuf {
    let settings = text("config/site.yaml")
        .replace("data_folder: data", &format!("data_folder: {}", folder.join("data").display()))
        .replace("  folder: rules", &format!("  folder: {}", root().join("rules").display()));
    let path = folder.join("site.yaml");
    std::fs::write(&path, settings).unwrap();
    path
}

/// Somebody who follows `README.md` line by line, in a folder in place of the system's.
struct Reader {
    folder: tempfile::TempDir,
    sink: SmtpSink,
    port: u16,
    daemon: Option<Child>,
}

impl Reader {
    fn site(&self) -> PathBuf {
        self.folder.path().join("site")
    }

    /// A place of the system, as it is called in the manual, in the folder.
    fn place(&self, path: &str) -> PathBuf {
        match path.strip_prefix("/usr/share/doc/hypocaust/examples/") {
            Some(name) => root().join("deploy").join(name),
            None => self.site().join(path.strip_prefix("/etc/hypocaust/").unwrap_or_else(|| panic!("{path}"))),
        }
    }

    fn log(&self) -> String {
        std::fs::read_to_string(self.folder.path().join("daemon.log")).unwrap_or_default()
    }

    fn program(&self) -> Command {
        let mut command = Command::new(env!("CARGO_BIN_EXE_hypocaust"));
        command.env("HYPOCAUST_CONFIG", self.site().join("site.yaml")).current_dir(self.folder.path());
        command
    }

    /// Runs a command and gives what it printed.
    fn run(&self, mut command: Command) -> String {
        let output = command.stdin(Stdio::null()).output().unwrap();
        let said =
            String::from_utf8_lossy(&output.stdout).into_owned() + String::from_utf8_lossy(&output.stderr).as_ref();
        assert!(output.status.success(), "{command:?} gave {}:\n{said}\nthe daemon: {}", output.status, self.log());
        said
    }

    /// Does what a line of the manual says.
    async fn follow(&mut self, line: &str) -> String {
        let words = words(line);
        let words: Vec<&str> = words.iter().map(String::as_str).collect();
        match words[..] {
            // deploy/test-package installs the package.
            ["apt", "install", ..] => String::new(),
            ["hypocaust", "init", "--service"] => {
                let relay = format!("127.0.0.1:{}", self.sink.port());
                let answers = ["--name", "Harrow Lane Yard", "--zone", "Europe/Dublin", "--person", "Nora Quill"];
                let mail = ["--mail-to", "nora@harrow-lane.example", "--smtp", &relay];
                let mut init = self.program();
                init.args(["init", "--out", "site"]).args(answers).args(mail);
                let said = self.run(init);
                let settings = self.site().join("site.yaml");
                let text = std::fs::read_to_string(&settings).unwrap();
                assert!(text.contains("127.0.0.1:1883"), "{text}");
                // The usual port may be taken on this machine.
                std::fs::write(&settings, text.replace(":1883", &format!(":{}", self.port))).unwrap();
                said
            }
            ["systemctl", "enable", "--now", "hypocaust"] => {
                let log = std::fs::File::create(self.folder.path().join("daemon.log")).unwrap();
                let mut run = self.program();
                run.arg("run").stdin(Stdio::null()).stdout(Stdio::null()).stderr(log);
                self.daemon = Some(run.spawn().unwrap());
                // The real one comes back once the daemon says that it is ready.
                let socket = self.site().join("data/socket");
                let ready = || std::os::unix::net::UnixStream::connect(&socket).ok().map(|_| ());
                eventually("the daemon's socket", ready).await;
                String::new()
            }
            ["cp", from, to] => {
                let name = Path::new(from).file_name().unwrap();
                std::fs::copy(self.place(from), self.place(to).join(name)).unwrap();
                String::new()
            }
            ["rm", path] => {
                std::fs::remove_file(self.place(path)).unwrap();
                String::new()
            }
            ["mosquitto_pub", ..] => {
                let mut publish = Command::new("mosquitto_pub");
                publish.args(["-p", &self.port.to_string()]).args(&words[1..]);
                self.run(publish)
            }
            ["hypocaust", ..] => {
                let mut command = self.program();
                command.args(&words[1..]);
                self.run(command)
            }
            _ => panic!("the walk does not know how to follow `{line}`"),
        }
    }
}

impl Drop for Reader {
    fn drop(&mut self) {
        if let Some(daemon) = &mut self.daemon {
            let _ = daemon.kill();
            let _ = daemon.wait();
        }
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_way_from_unpacking_to_the_first_alarm_mail_is_walked() {
    if Command::new("mosquitto_pub").arg("--help").stdout(Stdio::null()).status().is_err() {
        assert!(std::env::var("CI").as_deref() != Ok("true"), "mosquitto-clients is missing and CI=true");
        eprintln!("\n*** NOT RUN: there is no mosquitto_pub here (Debian: apt-get install mosquitto-clients) ***\n");
        return;
    }
    let readme = text("README.md");
    let section =
        readme.split("\n## ").find(|section| section.starts_with("From unpacking to the first alarm mail")).unwrap();
    let [install, alarm] = &blocks(section)[..] else { panic!("two blocks of commands:\n{section}") };
    let sink = SmtpSink::start();
    let mut reader = Reader { folder: tempfile::tempdir().unwrap(), sink, port: free_port(), daemon: None };

    let mut said = String::new();
    for line in install {
        said += &reader.follow(line).await;
    }
    assert!(said.contains("Next:") && said.contains("no faults") && said.contains("accepted"), "{said}");
    assert_eq!(reader.sink.received().len(), 1, "the trial mail");

    for line in alarm {
        // The manual says that the mail comes within a minute, and to look then.
        if line == "hypocaust alarms" {
            let raised = |mail: &smtp_sink::Received| letter(&mail.data).subject.contains("first alarm");
            let seen = reader.sink.wait_for(|seen| seen.received.iter().any(raised), PATIENCE * 2);
            let mail = seen.received.iter().find(|mail| raised(mail)).unwrap();
            let told = letter(&mail.data);
            assert_eq!(mail.to, ["nora@harrow-lane.example"]);
            assert!(told.text.contains("61.4") && told.text.contains("bin-1"), "{}", told.text);
        }
        let said = reader.follow(line).await;
        let shown = [
            ("hypocaust readings", "61.4"),
            ("hypocaust alarms acknowledge", ""),
            ("hypocaust alarms", "irst alarm"),
            ("hypocaust why", "core > set.limit"),
        ];
        if let Some((_, wanted)) = shown.iter().find(|(begins, _)| line.starts_with(begins)) {
            assert!(said.contains(wanted), "{line}: {said}");
        }
    }
    let left = reader.follow("hypocaust alarms").await;
    assert!(!left.contains("irst alarm"), "the alarm is retired with its rule: {left}");
}

/// Words with which the help of a command begins.
const VERBS: [&str; 29] = [
    "Acknowledge",
    "Analyse",
    "Back",
    "Calculate",
    "Check",
    "Confirm",
    "Copy",
    "Correct",
    "Judge",
    "List",
    "Log",
    "Print",
    "Put",
    "Release",
    "Reload",
    "Reset",
    "Restore",
    "Run",
    "Send",
    "Shelve",
    "Show",
    "Take",
    "Test",
    "Try",
    "Unshelve",
    "Verify",
    "Watch",
    "Write",
    "Export",
];

/// Words with which the help of an option never begins: it is a noun phrase.
const NO_NOUNS: [&str; 28] = [
    "The", "A", "An", "This", "These", "Its", "Their", "It", "They", "There", "Whether", "How", "What", "When",
    "Where", "Which", "Who", "Whose", "Why", "Also", "Only", "Instead", "In", "By", "From", "Until", "To", "Where",
];

/// Words that no text of ours has.
const NEVER: [&str; 11] = [
    "tells of",
    "is told",
    "stands",
    "whoever",
    "beside",
    "when left out",
    "must be there",
    "came in",
    "given up",
    "put down to",
    "so many",
];

/// Whether words stand in a text by themselves, and not as a part of others.
fn has_words(text: &str, words: &str) -> bool {
    let text = text.to_lowercase();
    let edge = |c: Option<char>| c.is_none_or(|c| !c.is_alphanumeric());
    text.match_indices(words)
        .any(|(at, _)| edge(text[..at].chars().next_back()) && edge(text[at + words.len()..].chars().next()))
}

fn look_at_help(command: &clap::Command, path: &str, wrong: &mut Vec<String>, seen: &mut usize) {
    let words = |text: Option<&clap::builder::StyledStr>| text.map(ToString::to_string).unwrap_or_default();
    let about = words(command.get_about());
    let first = |text: &str| text.split_whitespace().next().unwrap_or("").trim_end_matches([',', ':']).to_owned();
    if path.contains(' ') && !VERBS.contains(&first(&about).as_str()) {
        wrong.push(format!("{path}: `{about}` does not begin with an imperative of the list"));
    }
    let mut texts = vec![(path.to_owned(), about)];
    for text in [command.get_long_about(), command.get_after_help(), command.get_after_long_help()] {
        texts.push((path.to_owned(), words(text)));
    }
    for arg in command.get_arguments().filter(|arg| !["help", "version"].contains(&arg.get_id().as_str())) {
        *seen += 1;
        let (place, help) = (format!("{path} {}", arg.get_id()), words(arg.get_help()));
        let begins = first(&help);
        if begins.is_empty() || NO_NOUNS.contains(&begins.as_str()) || VERBS.contains(&begins.as_str()) {
            wrong.push(format!("{place}: `{help}` is no noun phrase"));
        }
        if ["Default:", "default is", "without it"].iter().any(|old| help.contains(old)) {
            wrong.push(format!("{place}: `{help}`: write [default: X]"));
        }
        texts.push((place.clone(), help));
        texts.push((place.clone(), words(arg.get_long_help())));
        texts.extend(arg.get_possible_values().iter().map(|value| (place.clone(), words(value.get_help()))));
    }
    for (place, text) in texts {
        for never in NEVER.iter().filter(|never| has_words(&text, never)) {
            wrong.push(format!("{place}: `{never}` is in: {text}"));
        }
    }
    for sub in command.get_subcommands() {
        look_at_help(sub, &format!("{path} {}", sub.get_name()), wrong, seen);
    }
}

#[test]
fn the_help_of_every_command_begins_with_an_imperative_and_that_of_every_option_is_a_noun_phrase() {
    let (mut wrong, mut seen) = (Vec::new(), 0);
    look_at_help(&Cli::command(), "hypocaust", &mut wrong, &mut seen);
    assert!(seen > 150, "only {seen} options were found");
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    // The look itself finds what it is for.
    let bad = clap::Command::new("x").subcommand(
        clap::Command::new("y")
            .about("The way out")
            .arg(clap::Arg::new("z").long("z").help("Where the store stands; now when left out")),
    );
    let mut wrong = Vec::new();
    look_at_help(&bad, "x", &mut wrong, &mut 0);
    assert_eq!(wrong.len(), 4, "{wrong:?}");
}
