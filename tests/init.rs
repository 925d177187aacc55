//! `hypocaust init`: settings for a new site from flags and from a terminal.
//!
//! Must never let a secret be seen, in a file or on the screen.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use std::collections::BTreeSet;
use std::io::Write;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use hypocaust::rules::SHIPPED;

/// The least that has to be said.
const LEAST: [&str; 6] =
    ["--name", "Harrow Lane Yard", "--zone", "Europe/Dublin", "--mail-to", "nora@harrow-lane.example"];

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

fn program(folder: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_hypocaust"));
    command.current_dir(folder).env_remove("HYPOCAUST_CONFIG");
    command
}

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned() + String::from_utf8_lossy(&output.stderr).as_ref()
}

/// Runs the program in a folder, with this on its standard input.
fn run(folder: &Path, arguments: &[&str], typed: &str) -> (i32, String) {
    let mut child = program(folder)
        .args(arguments)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // A program that reads nothing may be gone by now.
    let _ = child.stdin.take().unwrap().write_all(typed.as_bytes());
    let output = child.wait_with_output().unwrap();
    (output.status.code().unwrap_or(-1), said(&output))
}

fn init(folder: &Path, more: &[&str], typed: &str) -> (i32, String) {
    run(folder, &[&["init", "--out", "site"], &LEAST[..], more].concat(), typed)
}

fn mode(path: &Path) -> u32 {
    path.metadata().unwrap().permissions().mode() & 0o777
}

#[test]
fn every_rule_that_ships_is_built_in_with_its_cases() {
    let text = |name: &str| std::fs::read_to_string(root().join("rules").join(name)).unwrap();
    for (name, rule, cases) in SHIPPED {
        assert_eq!(text(&format!("{name}.rhai")), rule, "{name}");
        assert_eq!(text(&format!("{name}.cases.yaml")), cases, "{name}");
    }
    let files: BTreeSet<String> = std::fs::read_dir(root().join("rules"))
        .unwrap()
        .filter_map(|entry| entry.unwrap().file_name().into_string().unwrap().strip_suffix(".rhai").map(str::to_owned))
        .collect();
    let built_in: BTreeSet<String> = SHIPPED.iter().map(|(name, ..)| (*name).to_owned()).collect();
    assert_eq!(built_in, files);
}

#[test]
fn what_init_writes_passes_check() {
    let remote = ["--broker", "mqtts://broker.example", "--broker-user", "yard", "--broker-password-from", "-"];
    let relay = ["--smtp", "mail.example:2525", "--smtp-user", "yard", "--smtp-password-from", "-"];
    for (more, typed, want, why) in [
        (&[][..], "", "1 bins, 1 probes", "one probe and one bin is the easy case"),
        (&["--units", "us", "--elevation", "200", "--bins", "3", "--probes", "2"], "", "3 bins, 6 probes", "US units"),
        (&["--elevation", "-3m"], "", "1 bins", "below the sea"),
        (&["--elevation", "200ft"], "", "1 bins", "a height in the other unit"),
        (&["--name", "true", "--id", "on"], "", "1 bins", "words that YAML would take for something else"),
        (&["--name", "The \"Yard\": {a} #1 'x' \\", "--person", "O'Brien: #2"], "", "1 bins", "signs of YAML"),
        (&["--smtp", "127.0.0.1:2525"], "", "1 bins", "a relay on this machine, without a login"),
        (&relay, "the secret\n", "1 bins", "a relay with a login"),
        (&remote, "the secret\n", "1 bins", "a broker with a login"),
    ] {
        let folder = tempfile::tempdir().unwrap();
        let mut least: Vec<&str> = LEAST.to_vec();
        if more.contains(&"--name") {
            least.drain(..2);
        }
        let arguments = [&["init", "--out", "site"], &least[..], more].concat();
        let (code, text) = run(folder.path(), &arguments, typed);
        assert_eq!(code, 0, "{why}:\n{text}");
        let settings = folder.path().join("site/site.yaml");
        let (code, checked) = run(folder.path(), &["--config", settings.to_str().unwrap(), "check"], "");
        assert_eq!(code, 0, "{why}:\n{checked}\n{}", std::fs::read_to_string(&settings).unwrap());
        assert!(checked.contains(want) && checked.contains(&format!("{} rules", SHIPPED.len())), "{why}:\n{checked}");
    }
}

#[test]
fn the_easy_case_is_written_as_shown() {
    let folder = tempfile::tempdir().unwrap();
    let (code, said) =
        init(folder.path(), &["--smtp", "mail.example", "--smtp-user", "yard", "--smtp-password-from", "-"], "x\n");
    assert_eq!(code, 0, "{said}");
    let place = folder.path().canonicalize().unwrap().display().to_string();
    let settings = std::fs::read_to_string(folder.path().join("site/site.yaml")).unwrap();
    let shown = format!("{said}\n---- site.yaml\n{settings}").replace(&place, "/home/nora");
    let shown = shown.replace(&folder.path().display().to_string(), "/home/nora");
    expect_test::expect_file![root().join("tests/golden/init/easy.txt")].assert_eq(&shown);
}

#[test]
fn nothing_is_overwritten_and_a_missing_answer_is_named() {
    let folder = tempfile::tempdir().unwrap();
    assert_eq!(init(folder.path(), &[], "").0, 0);
    let settings = folder.path().join("site/site.yaml");
    std::fs::write(&settings, "mine").unwrap();
    let (code, said) = init(folder.path(), &[], "");
    assert_eq!(code, 73, "{said}");
    assert!(said.contains("is there already") && said.contains("site/site.yaml"), "{said}");
    assert_eq!(std::fs::read_to_string(&settings).unwrap(), "mine");
    for (arguments, code, want, why) in [
        (&["init", "--out", "a"][..], 64, "--name: is missing", "a name has no default"),
        (
            &["init", "--out", "a", "--name", "X", "--zone", "Europe/Dubln"],
            64,
            "did you mean `Europe/Dublin`",
            "a slip",
        ),
        (&["init", "--out", "a", "--name", "X", "--zone", "UTC"], 64, "--mail-to", "somebody must hear"),
        (&["init", "--out", "a", "--service"], 64, "cannot be used with", "the service has its own places"),
        (&["init", "--bins", "0"], 64, "1..=300", "a site has a bin"),
        (&["init", "--smtp-user", "x"], 64, "--smtp", "a login is for a relay"),
        (
            &[
                "init",
                "--out",
                "a",
                "--name",
                "X",
                "--zone",
                "UTC",
                "--mail-to",
                "a@b.c",
                "--smtp",
                "m",
                "--smtp-user",
                "x",
            ],
            64,
            "--smtp-password-from",
            "a user has a password",
        ),
    ] {
        let (got, said) = run(folder.path(), arguments, "");
        assert_eq!(got, code, "{why}:\n{said}");
        assert!(said.contains(want), "{why}:\n{said}");
        assert!(!folder.path().join("a").exists(), "{why}: nothing is left behind");
    }
    // A folder with rules of one's own keeps them.
    let own = folder.path().join("own/rules");
    std::fs::create_dir_all(&own).unwrap();
    std::fs::write(own.join("mine.rhai"), "// mine").unwrap();
    let (code, said) = run(folder.path(), &[&["init", "--out", "own"], &LEAST[..]].concat(), "");
    assert_eq!(code, 0, "{said}");
    assert_eq!(std::fs::read_dir(&own).unwrap().count(), 1);
}

/// A person at a terminal: python's `pty` types the answers, each when its question is there.
const TYPIST: &str = r#"
import os, pty, select, sys, time
answers = [("Name of the site", "Harrow Lane Yard"), ("Time zone", "Europe/Dublin"), ("Units", "metric"), ("Height", "62"),
           ("How many bins", ""), ("Probes in each bin", "2"), ("Your name", "Nora Quill"), ("Your mail address", "nora"),
           ("write the address alone", "nora@harrow-lane.example"), ("Sender", ""), ("Mail relay", "127.0.0.1:2525"),
           ("User at the relay", "compost"), ("not shown", "opensesame")]
pid, master = pty.fork()
if pid == 0:
    os.execv(sys.argv[1], sys.argv[1:])
seen, at, until = "", 0, time.time() + 60
for question, answer in answers:
    while question not in seen[at:]:
        assert time.time() < until, f"{question!r} did not come; there came {seen!r}"
        if select.select([master], [], [], 1)[0]:
            seen += os.read(master, 4096).decode()
    at = seen.index(question, at) + len(question)
    # The question may still be on its way in part; what is typed waits in the terminal. The password is typed once it is hidden.
    if question == "not shown":
        import termios
        while termios.tcgetattr(master)[3] & termios.ECHO:
            assert time.time() < until, "the terminal goes on showing what is typed"
    os.write(master, (answer + "\n").encode())
while True:
    try:
        more = os.read(master, 4096)
    except OSError:
        break
    if not more:
        break
    seen += more.decode()
sys.stdout.write(seen)
sys.exit(os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]))
"#;

#[test]
fn on_a_terminal_each_answer_is_asked_for_and_the_password_is_not_shown() {
    let folder = tempfile::tempdir().unwrap();
    let output = Command::new("python3")
        .args(["-c", TYPIST, env!("CARGO_BIN_EXE_hypocaust"), "init", "--out", "site"])
        .current_dir(folder.path())
        .output();
    let Ok(output) = output else {
        assert!(std::env::var("CI").as_deref() != Ok("true"), "python3 is missing and CI=true");
        eprintln!("\n*** NOT RUN: there is no python3 here to type on a terminal ***\n");
        return;
    };
    let shown = said(&output);
    assert!(output.status.success(), "{shown}");
    assert!(!shown.contains("opensesame"), "the password was shown:\n{shown}");
    assert!(shown.contains("Next:") && shown.contains("mail test"), "{shown}");
    let secrets = folder.path().join("site/secrets");
    assert_eq!(std::fs::read_to_string(secrets.join("mail")).unwrap(), "opensesame\n");
    assert_eq!((mode(&secrets), mode(&secrets.join("mail"))), (0o700, 0o600));
    let settings = std::fs::read_to_string(folder.path().join("site/site.yaml")).unwrap();
    assert!(!settings.contains("opensesame") && settings.contains("Nora Quill"), "{settings}");
    let site = site::settings::read(&settings, "site.yaml").unwrap();
    assert_eq!((site.id.as_str(), site.bins.len(), site.probes.len()), ("harrow-lane-yard", 1, 2));
}
