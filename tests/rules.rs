//! What does `hypocaust rules` say of the rules that ship, of cases that fail, and of files with faults?
//!
//! Must never write into the folder of the rules that ship.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use std::path::{Path, PathBuf};
use std::process::Command;

use expect_test::expect_file;

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

/// Exit code, standard output and standard error of `hypocaust rules`, run in `folder`.
fn rules(folder: &Path, args: &[&str]) -> (i32, String, String) {
    let run =
        Command::new(env!("CARGO_BIN_EXE_hypocaust")).arg("rules").args(args).current_dir(folder).output().unwrap();
    let text = |bytes| String::from_utf8(bytes).unwrap();
    (run.status.code().unwrap(), text(run.stdout), text(run.stderr))
}

/// A site of its own with one of the rules that ship and these cases.
fn site(rule: &str, cases: &str) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    for made in ["config", "rules"] {
        std::fs::create_dir(folder.path().join(made)).unwrap();
    }
    let settings = std::fs::read_to_string(root().join("config/site.yaml")).unwrap();
    let changed = settings.replace("temperature-crash: { fall: 5.6 }", "r: { limit: \"149 °F\" }");
    assert_ne!(settings, changed, "the settings that ship have changed");
    std::fs::write(folder.path().join("config/site.yaml"), changed).unwrap();
    std::fs::copy(root().join(format!("rules/{rule}.rhai")), folder.path().join("rules/r.rhai")).unwrap();
    if !cases.is_empty() {
        std::fs::write(folder.path().join("rules/r.cases.yaml"), cases).unwrap();
    }
    folder
}

#[test]
fn every_rule_that_ships_does_what_its_cases_say() {
    let (code, said, complained) = rules(&root(), &["test"]);
    assert_eq!((code, complained.as_str()), (0, ""), "{said}");
    let list = rules(&root(), &["list"]).1;
    assert!(!list.contains("none"), "every rule has cases:\n{list}");
    for line in list.lines().skip(1) {
        let name = line.split_whitespace().next().unwrap();
        let cases = said.lines().filter(|l| l.starts_with(&format!("passed  {name}: "))).count();
        assert!(cases >= 4, "{name} has {cases} cases; it needs health, fault, gaps and recovery");
    }
}

/// Run with `UPDATE_EXPECT=1` to write the expectation anew, then read every line of the difference.
#[test]
fn a_case_that_contradicts_its_rule_fails_with_a_picture() {
    let folder = site(
        "too-hot",
        "cases:
  - name: wrong about the limit
    core: 18 → 60 in 12 h, 60 for 12 h, → 76 in 12 h, gap 3 h, 76 for 9 h
    blower: scheduled for 1 d, 40 % for 6 h, stopped for 6 h, gap 6 h, always
    log:
      - on-air at 0 h
      - watered at 1 d 6 h, 40 L
    expect: [raised 1 d .. 1 d 4 h, cleared 1 d 18 h .. 2 d]
  - name: right
    core: 60 for 6 h
    expect: none
",
    );
    let (code, said, complained) = rules(folder.path(), &["test"]);
    assert_eq!((code, complained.as_str()), (1, ""), "{said}");
    expect_file![root().join("tests/golden/rules/contradiction.txt")].assert_eq(&said);
    assert!(said.lines().all(|line| line.chars().count() <= 120), "{said}");
}

#[test]
fn faults_of_a_case_file_are_told_all_at_once() {
    for (what, cases, wanted) in [
        (
            "shorthand",
            "cases:
  - name: a
    core: 18 → 60 in 36, 60 for ever, gap, → 45 in 2 d, 60
    base: → 40 in 2 d
    blower: scheduled for 3 d, running for 2 h
    schedule: 45 s each 30 min
    probes_every: 5
    log: [watered on Monday]
    expect: [raised 3 d, cleared 2 d .. 1 d]
    moisture: 40
",
            &[
                "r.cases.yaml:3: `core` in case a: `18 → 60 in 36`: `36` is not a length of time",
                "r.cases.yaml:3: `core` in case a: `60 for ever`: `ever` is not a length of time",
                "r.cases.yaml:3: `core` in case a: `gap`: it does not say for how long",
                "r.cases.yaml:4: `base` in case a: `→ 40 in 2 d`: nothing stands before it to begin at",
                "r.cases.yaml:5: `blower` in case a: `running for 2 h`: it is not known",
                "r.cases.yaml:6: `schedule` in case a",
                "r.cases.yaml:7: `probes_every` in case a must be a length of time, but is the number 5; write one such as `5 min`",
                "r.cases.yaml:8: `log` in case a: `watered on Monday`: it is not an entry; write `on-air at 0 h",
                "r.cases.yaml:9: `expect` in case a: `raised 3 d`",
                "r.cases.yaml:9: `expect` in case a: `cleared 2 d .. 1 d`",
                "r.cases.yaml:10: unknown key `moisture` in case a",
            ][..],
        ),
        ("not YAML", "cases:\n  - name: [a\n", &["r.cases.yaml:", "not valid YAML"]),
        ("empty", " ", &["the case file is empty; `hypocaust rules new NAME` writes one"]),
        (
            "no end, no series, twice, too late",
            "cases:
  - { name: a, core: 60, expect: none }
  - { name: b, expect: none }
  - { name: c, core: 60 for 1 d, expect: none }
  - { name: c, core: 60 for 1 d, expect: [raised 2 d .. 3 d] }
  - { name: c, core: 60 for 1 d, expect: none }
  - { core: 60 for 400 d }
",
            &[
                "r.cases.yaml:2: nothing says how long the case lasts",
                "r.cases.yaml:3: the case has no series",
                "r.cases.yaml:5: raised by 3 d is expected, but the case ends after 1 d",
                "r.cases.yaml:6: there are two cases named `c`",
                "r.cases.yaml:7: `name` is missing",
                "r.cases.yaml:7: `expect` is missing",
                "longer than 90 d",
            ],
        ),
        (
            "settings and log",
            "cases:
  - { name: a, core: 60 for 1 d, settings: { limt: 65 }, expect: none }
  - { name: b, core: 60 for 1 d, settings: { limit: 300 }, expect: none }
  - { name: c, core: 60 for 2 d, log: [on-air at 0 h, on-air at 1 d], expect: none }
",
            &[
                "r.cases.yaml:2: the rule r has no setting `limt`; did you mean `limit`?",
                "300 °C is outside 60 to 90 °C",
                "log at 1 d: bin bin has batch 1 on air",
            ],
        ),
    ] {
        let folder = site("too-hot", cases);
        let (code, _, complained) = rules(folder.path(), &["test"]);
        assert_eq!(code, 78, "{what}: {complained}");
        for want in wanted {
            assert!(complained.contains(want), "{what}: no `{want}` in\n{complained}");
        }
    }
}

#[test]
fn a_rule_that_fails_while_it_runs_is_a_fault_and_no_failed_case() {
    let folder = site("too-hot", "cases:\n  - { name: a, core: 60 for 1 h, expect: none }\n");
    let path = folder.path().join("rules/r.rhai");
    let text = std::fs::read_to_string(&path).unwrap();
    std::fs::write(&path, text.replace("let silent = [];", "let silent = 1 / 0;")).unwrap();
    let (code, _, complained) = rules(folder.path(), &["test"]);
    assert_eq!(code, 78, "{complained}");
    assert!(complained.contains("r.cases.yaml:2: rules/r.rhai:"), "{complained}");
}

#[test]
fn a_new_rule_passes_its_own_cases_and_is_never_written_over() {
    let folder = site("too-hot", "");
    let (code, said, complained) = rules(folder.path(), &["new", "wet-exhaust"]);
    assert_eq!((code, complained.as_str()), (0, ""), "{said}");
    let (code, said, complained) = rules(folder.path(), &["test"]);
    assert_eq!((code, complained.as_str()), (0, ""), "{said}");
    assert!(said.contains("3 passed, 0 failed") && said.contains("no case r: "), "{said}");
    let (code, said, _) = rules(folder.path(), &["test", "rules/wet-exhaust.cases.yaml"]);
    assert!(code == 0 && !said.contains("no case"), "one file is enough: {said}");

    let written = |name: &str| std::fs::read_to_string(folder.path().join("rules").join(name)).unwrap();
    let before = written("wet-exhaust.cases.yaml");
    std::fs::remove_file(folder.path().join("rules/wet-exhaust.rhai")).unwrap();
    let (code, _, complained) = rules(folder.path(), &["new", "wet-exhaust"]);
    assert_eq!(code, 65, "its cases are still there: {complained}");
    assert!(complained.contains("is there already") && before == written("wet-exhaust.cases.yaml"), "{complained}");
    assert!(!folder.path().join("rules/wet-exhaust.rhai").exists(), "nothing is written by half");
    for (args, want) in [
        (&["new", "Wet Exhaust"][..], "cannot be a rule's name"),
        (&["show", "wet"], "there is no rule `wet`"),
        (&["test", "config/site.yaml"], "neither a folder nor a file"),
    ] {
        let (code, said, complained) = rules(folder.path(), args);
        assert_eq!((code, said.as_str()), (64, ""), "{args:?}: {complained}");
        assert!(complained.contains(want), "{args:?}: {complained}");
    }
}

#[test]
fn what_the_site_changed_is_shown_beside_what_the_rule_ships_with() {
    let folder = site("too-hot", "cases:\n  - { name: a, core: 60 for 1 h, expect: none }\n");
    let (code, said, complained) = rules(folder.path(), &["show", "r"]);
    assert_eq!((code, complained.as_str()), (0, ""), "{said}");
    for want in ["limit: 65 °C (60 to 90; the rule ships with 74)", "back: 71 °C (55 to 90)", "Caution", "1. "] {
        assert!(said.contains(want), "no `{want}` in\n{said}");
    }
    let (code, said, _) = rules(folder.path(), &["list"]);
    assert_eq!(code, 0);
    assert!(said.lines().nth(1).unwrap().contains("  1      limit 65 °C"), "{said}");
}
