//! Rules change under a running daemon: a good change takes over without losing an alarm, a bad one leaves the old text in force, and
//! the record says which text raised what.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

#[path = "support/yard.rs"]
mod yard;

use std::path::PathBuf;
use std::sync::Arc;

use engine::alarm::Alarm;
use hypocaust::driven::{Driven, connect};
use hypocaust::socket::Request;
use ledger::{Access, Ledger};
use pile::time::Span;
use yard::{HOT_NOW, Process, START, Yard, eventually, hypocaust, live};

/// What the rule must do: alarm at once above 65 °C, and nothing else.
const CASES: &str = "cases:
  - name: hot
    core: 60 for 20 min, 70 for 20 min, 60 for 20 min
    expect: [raised 20 min .. 27 min, cleared 40 min .. 47 min]
";

struct Site {
    yard: Yard,
}

impl Site {
    fn new() -> Site {
        let yard = Yard::new(2).with_rule("hot-now", HOT_NOW);
        std::fs::write(yard.path("rules/hot-now.cases.yaml"), CASES).unwrap();
        Site { yard }
    }

    fn file(&self) -> PathBuf {
        self.yard.path("rules/hot-now.rhai")
    }

    /// Writes the rule with a replacement, as an editor does.
    fn change(&self, from: &str, to: &str) {
        assert!(HOT_NOW.contains(from), "{from} is not in the rule");
        std::fs::write(self.file(), HOT_NOW.replace(from, to)).unwrap();
    }

    fn store(&self) -> Option<Ledger> {
        Ledger::open(&self.yard.data(), Access::Read).ok()
    }

    fn alarms(&self, rule: &str) -> Vec<Alarm> {
        let alarms = self.store().and_then(|store| store.alarms().ok()).unwrap_or_default();
        alarms.into_iter().filter(|a| a.key.rule == rule && a.occurrence > 0).collect()
    }

    /// What the daemon keeps as in force.
    fn in_force(&self) -> Vec<String> {
        self.store().unwrap().rules_in_force().unwrap().into_iter().map(|text| text.text).collect()
    }
}

impl Site {
    async fn started(&self) -> Driven {
        let config = self.yard.write_settings();
        let site = hypocaust::wiring::settings(&config).unwrap().site;
        Driven::watching_rules(Arc::new(site), &self.yard.rules(), START, &config).await.unwrap()
    }
}

/// What the daemon says to `hypocaust reload`; an error is a refusal.
async fn reload(driven: &Driven) -> Result<String, String> {
    driven.ask(Request::ReadRules).await.map_err(|e| e.to_string())
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_changed_rule_takes_over_and_what_stands_stands_until_the_new_text_proves_it_over() {
    let site = Site::new();
    let mut driven = site.started().await;
    let client = connect(driven.listens_on().unwrap(), "b1-node");
    live(&mut driven, &client, "b1-core", &[60.0, 70.0, 70.0]).await;
    let raised = site.alarms("hot-now");
    assert_eq!(raised.len(), 1);
    let old = raised[0].revision.clone();

    assert_eq!(reload(&driven).await.unwrap(), "1 rules in force, none of them changed");
    site.change("title: \"Hot now\"", "title: \"Too warm\"");
    assert_eq!(reload(&driven).await.unwrap(), "1 rules in force; changed: hot-now");
    assert!(site.in_force()[0].contains("Too warm"), "on record as in force");
    assert!(site.alarms("hot-now")[0].stands(), "its alarm stands");
    let (code, why) = hypocaust(&site.yard, &["why", "1"]);
    assert_eq!(code, 0, "{why}");
    let line = 1 + HOT_NOW.lines().position(|line| line.contains("return alarm")).unwrap();
    for wanted in [
        "core 70.0 °C above 65.0 °C",
        "rule was changed since",
        &format!("> {line:>5}      if core > set.limit {{ return alarm(").replace(">  ", "> "),
        "70.0 °C > 65.0 °C: yes",
        "limit  65.0 °C",
        "the condition began",
        "mail 1 to ann@test.example",
    ] {
        assert!(squeezed(&why).contains(&squeezed(wanted)), "`{wanted}` is missing in\n{why}");
    }
    let (code, json) = hypocaust(&site.yard, &["why", "1", "--json"]);
    let json: serde_json::Value = serde_json::from_str(&json).unwrap();
    assert_eq!(code, 0);
    let raise = &json["events"][0];
    assert_eq!((raise["event"].as_str(), raise["line"].as_u64()), (Some("raised"), Some(line as u64)));
    assert_eq!(raise["rule_revision"].as_str(), Some(old.as_str()));
    assert_eq!(raise["compared"][0]["words"].as_str(), Some("70.0 °C > 65.0 °C: yes"));

    live(&mut driven, &client, "b1-core", &[60.0, 60.0]).await;
    let now = site.alarms("hot-now");
    assert!(!now[0].stands(), "the new text proved it over");
    assert_ne!(now[0].revision, old, "and its hash went on record with the alarm");
    for (arguments, wanted) in [
        (["why", "7"].as_slice(), "no alarm 7 was ever raised; `hypocaust alarms --all` lists"),
        (&["why", "1", "--occurrence", "3"], "alarm 1 has 1 occurrence(s), there is no number 3"),
    ] {
        let (code, said) = hypocaust(&site.yard, arguments);
        assert!(code == 64 && said.contains(wanted), "{code}: {said}");
    }

    std::fs::write(site.yard.path("rules/second.rhai"), HOT_NOW).unwrap();
    assert_eq!(reload(&driven).await.unwrap(), "2 rules in force; new: second");
    live(&mut driven, &client, "b1-core", &[70.0, 70.0]).await;
    assert!(site.alarms("second")[0].stands());
    std::fs::remove_file(site.yard.path("rules/second.rhai")).unwrap();
    assert_eq!(reload(&driven).await.unwrap(), "1 rules in force; gone: second");
    assert!(!site.alarms("second")[0].stands(), "an alarm of a rule that is gone is retired");
    driven.stop().await.unwrap();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_number_changed_in_the_settings_is_taken_and_the_rest_of_them_waits() {
    let site = Site::new();
    let mut driven = site.started().await;
    let client = connect(driven.listens_on().unwrap(), "b1-node");
    let settings = site.yard.settings();
    let config = site.yard.path("site.yaml");
    live(&mut driven, &client, "b1-core", &[60.0]).await;
    // Two lines more above it: that things stand elsewhere in the file is no change of them.
    let own = settings.replace("rules: {", "# a remark\n\nrules: { settings: { hot-now: { limit: 50 } },");
    std::fs::write(&config, own).unwrap();
    assert_eq!(reload(&driven).await.unwrap(), "1 rules in force; changed: hot-now");
    live(&mut driven, &client, "b1-core", &[60.0, 60.0]).await;
    assert!(site.alarms("hot-now")[0].stands(), "60 °C is over the site's own limit");
    std::fs::write(&config, settings.replace("Test Yard", "Other Yard").replace("folder: \"", "fold: \"")).unwrap();
    let said = reload(&driven).await.unwrap_err();
    assert!(said.contains("not taken: settings:") && said.contains("unknown key `fold` in rules"), "{said}");
    assert!(said.contains("1 rules in force, none of them changed"), "the number of before stays: {said}");
    driven.stop().await.unwrap();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_change_that_is_not_good_leaves_the_earlier_text_in_force_and_one_mail_says_so() {
    let site = Site::new();
    let mut driven = site.started().await;
    let good = std::fs::read_to_string(site.file()).unwrap();
    let cases = site.yard.path("rules/hot-now.cases.yaml");
    let replaced = |from: &str, to: &str| site.change(from, to);
    for (n, (what, wanted)) in [
        (
            "a case that no longer comes out",
            "hot-now.cases.yaml:2: the case `hot` no longer comes out as written: no alarm",
        ),
        ("a syntax error", "hot-now.rhai:9:"),
        ("an unknown fact", "there is no property `croe`; did you mean `core`?"),
        ("a case file with a fault", "hot-now.cases.yaml"),
        ("a file that vanishes while it is read", "is listed in its folder but cannot be read"),
        ("no rule at all", "every rule: "),
    ]
    .into_iter()
    .enumerate()
    {
        match n {
            0 => replaced("value: 65.0", "value: 95.0"),
            1 => replaced("let core = bin.core.last();", "let core = bin.core.last(;"),
            2 => replaced("bin.core.last()", "bin.croe.last()"),
            3 => {
                replaced("title: \"Hot now\"", "title: \"Warm\"");
                std::fs::write(&cases, CASES.replace("core:", "croe:")).unwrap();
            }
            4 => {
                // A link whose target is gone: the folder still lists it, as in the moment of a removal.
                std::fs::remove_file(site.file()).unwrap();
                std::os::unix::fs::symlink("nowhere", site.file()).unwrap();
            }
            _ => std::fs::remove_file(site.file()).unwrap(),
        }
        let said = reload(&driven).await.unwrap_err();
        assert!(said.contains(wanted), "{what}: {said}");
        assert!(said.contains("1 rules in force, none of them changed"), "{what}: {said}");
        assert_eq!(site.in_force(), std::slice::from_ref(&good), "{what}: the earlier text is in force");
        let standing = site.alarms("change-not-taken").into_iter().filter(Alarm::stands).count();
        assert_eq!(standing, 1, "{what}: one alarm tells of it");
        let _ = std::fs::remove_file(site.file());
        std::fs::write(site.file(), &good).unwrap();
        std::fs::write(&cases, CASES).unwrap();
        reload(&driven).await.unwrap_or_else(|e| panic!("after {what}: {e}"));
        assert!(site.alarms("change-not-taken").iter().all(|a| !a.stands()), "{what}: mended, and over");
        let now = driven.now() + Span::hours(7);
        driven.advance_to(now).await.unwrap();
    }
    let told: Vec<String> = std::fs::read_dir(site.yard.data().join("mail"))
        .unwrap()
        .map(|mail| mail.unwrap().path())
        .filter(|path| path.extension().is_some_and(|ending| ending == "eml"))
        .map(|path| yard::letter(&std::fs::read(path).unwrap()).text)
        .filter(|text| text.contains("no longer comes out as written"))
        .collect();
    assert!(!told.is_empty(), "a mail names the case");
    driven.stop().await.unwrap();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_live_daemon_notices_changes_by_itself_and_on_sighup_and_remembers_them_over_a_restart() {
    let site = Site::new();
    let daemon = Process::start(&site.yard, &[]);
    eventually("the first texts on record", || site.store()?.rules_in_force().ok().filter(|t| t.len() == 1)).await;
    site.change("title: \"Hot now\"", "title: \"Seen by itself\"");
    let holds = |words: &'static str| site.in_force().iter().any(|text| text.contains(words)).then_some(());
    eventually("the change to be taken", || holds("Seen by itself")).await;
    daemon.hang_up();
    eventually("the word of it in the log", || daemon.log().contains("asked to read the rules").then_some(())).await;

    site.change("value: 65.0", "value: 95.0");
    eventually("the refusal", || site.alarms("change-not-taken").iter().any(Alarm::stands).then_some(())).await;
    assert!(site.in_force()[0].contains("Seen by itself"), "{:?}", site.in_force());
    daemon.stop();
    let again = Process::start(&site.yard, &[]);
    eventually("the second start", || (again.log().matches("1 rules").count() >= 2).then_some(())).await;
    eventually("the same text in force, the same alarm", || {
        let stands = site.alarms("change-not-taken").iter().any(|a| a.stands() && a.occurrence == 1);
        (stands && site.in_force()[0].contains("Seen by itself")).then_some(())
    })
    .await;
    again.stop();
    let (code, said) = hypocaust(&site.yard, &["reload"]);
    assert!(code == 69 && said.contains("no daemon runs on"), "{code}: {said}");
}

/// Without the spaces that only line things up.
fn squeezed(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}
