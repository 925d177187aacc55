//! Reports of a history that was really lived: their figures are those of `hypocaust judge`, their editions stay, their bundle verifies.
//!
//! Must never need a daemon to run: the demo has lived, and its store is read.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use ledger::{Access, Folder, Ledger};
use mail_parser::{MessageParser, MimeHeaders as _};
use pile::time::Timestamp;
use post::reports::said;
use serde_json::Value;

/// The end of the demo's first week: an hour before Monday 9 March 2026, 07:00 in Dublin.
const WEEK_ENDS: &str = "2026-03-09T06:00:00Z";

/// One command, from where the demo finds the rules that ship.
fn hypocaust(arguments: &[&str]) -> (i32, String) {
    let out = Command::new(env!("CARGO_BIN_EXE_hypocaust"))
        .current_dir(Path::new(env!("CARGO_MANIFEST_DIR")).join("../.."))
        .args(arguments)
        .stdin(Stdio::null())
        .output()
        .unwrap();
    let text = String::from_utf8_lossy(&out.stdout).into_owned() + String::from_utf8_lossy(&out.stderr).as_ref();
    (out.status.code().unwrap_or(-1), text)
}

struct Demo {
    folder: tempfile::TempDir,
}

impl Demo {
    /// Nine days of the demo.
    fn lived() -> Demo {
        let folder = tempfile::tempdir().unwrap();
        let out = folder.path().join("demo");
        let (code, said) = hypocaust(&["demo", "--days", "9", "--out", out.to_str().unwrap()]);
        assert_eq!(code, 0, "{said}");
        Demo { folder }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn run(&self, arguments: &[&str]) -> (i32, String) {
        let settings = self.path("demo/site.yaml");
        hypocaust(&[&["--config", settings.to_str().unwrap()], arguments].concat())
    }

    fn report(&self, more: &[&str], out: &str) -> (i32, String) {
        let out = self.path(out);
        self.run(&[&["report"], more, &["--out", out.to_str().unwrap()]].concat())
    }

    fn text(&self, name: &str) -> String {
        std::fs::read_to_string(self.path(name)).unwrap()
    }
}

/// Hours as reports cut them.
fn cut(hours: f64) -> String {
    match hours {
        h if h.fract() == 0.0 => format!("{h:.0}"),
        h if h < 1.0 => format!("{:.2}", (h * 100.0).floor() / 100.0),
        h => format!("{:.1}", (h * 10.0).floor() / 10.0),
    }
}

/// What the week changed: all of these batches began in it, and what is still running is told in one line.
fn changed(one: &Value) -> bool {
    one["result"] != "running"
}

fn every(_: &Value) -> bool {
    true
}

/// Every result of `judge` stands in the figures of a report, and the words of those that are told in full in its text.
fn same_figures(judged: &str, figures: &str, text: &str, in_full: fn(&Value) -> bool) {
    let figures: BTreeMap<String, String> = said::from_csv(figures).into_iter().map(|f| (f.what, f.said)).collect();
    let judged: Value = serde_json::from_str(judged).unwrap();
    let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
    let all = judged.as_array().unwrap();
    assert!(all.len() > 1, "{judged}");
    for one in all {
        let of = format!("batch {}, {}", one["batch"], one["criterion"].as_str().unwrap());
        let result = &figures[&format!("{of}: result")];
        assert!(result.starts_with(one["result"].as_str().unwrap()), "{of}: {result}");
        let hours = |key: &str| cut(one[key].as_f64().unwrap());
        assert_eq!(
            figures[&format!("{of}: hours")],
            format!("{} of {}", hours("hours_counted"), hours("hours_needed")),
            "{of}"
        );
        assert!(text.contains(one["criterion"].as_str().unwrap()), "{of}: a line at the least");
        for said in [one["because"].as_str().unwrap(), result.as_str()].into_iter().filter(|_| in_full(one)) {
            let said = offset_once(&said.split_whitespace().collect::<Vec<_>>().join(" "));
            assert!(text.contains(&said), "{of}: {said}");
        }
    }
}

/// Documents of a week in which the clocks do not change say the offset once; the demo is in Dublin, in winter.
fn offset_once(said: &str) -> String {
    said.replace(" +00:00", "")
}

/// The text of a PDF, as pdftotext selects it, without its line breaks; `None` where that is not here, which in the gate is a fault.
fn paper(pdf: &Path) -> Option<String> {
    let Ok(out) = Command::new("pdftotext").arg(pdf).arg("-").output() else {
        assert!(std::env::var("CI").as_deref() != Ok("true"), "pdftotext is needed: apt-get install poppler-utils");
        eprintln!("not looked at on paper: pdftotext is not here (apt-get install poppler-utils)");
        return None;
    };
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    Some(String::from_utf8_lossy(&out.stdout).split_whitespace().collect())
}

/// The reason of every result that is told in full stands on paper, whole; blanks and hyphens at the ends of lines do not count.
fn said_on_paper(judged: &str, pdf: &Path, in_full: fn(&Value) -> bool) {
    let Some(paper) = paper(pdf) else { return };
    let judged: Value = serde_json::from_str(judged).unwrap();
    let bare = |text: &str| text.split_whitespace().collect::<String>().replace(['-', '\u{ad}'], "");
    let paper = bare(&paper);
    for one in judged.as_array().unwrap().iter().filter(|one| in_full(one)) {
        let because = one["because"].as_str().unwrap();
        assert!(paper.contains(&bare(&offset_once(because))), "{because}");
    }
}

#[test]
fn reports_of_a_lived_history_say_what_is_judged_and_keep_their_editions() {
    let demo = Demo::lived();
    let (code, judged) = demo.run(&["judge", "--json", "--at", WEEK_ENDS]);
    assert_eq!(code, 0, "{judged}");
    let week = ["week", "--week", "2026-W10"];

    // The daemon issued it with its mail; a command gives the same files.
    let first = demo.path("demo/data/reports/2026-W10/1");
    let (code, said) = demo.report(&[&week[..], &["--bundle"]].concat(), "first");
    assert!(code == 0 && said.contains("first edition, as it was issued"), "{said}");
    for file in ["summary.txt", "summary.html", "days.csv"] {
        assert_eq!(demo.text(&format!("first/{file}")), std::fs::read_to_string(first.join(file)).unwrap(), "{file}");
    }
    same_figures(&judged, &demo.text("first/figures.csv"), &demo.text("first/summary.txt"), changed);
    let page = demo.text("first/summary.html");
    assert!(page.contains("<svg") && page.contains("The week at a glance"));
    said_on_paper(&judged, &demo.path("first/summary.pdf"), changed);
    let days = demo.text("first/days.csv");
    assert_eq!(days.lines().count() - 1, 6 * 4 * 8, "each probe of six bins, each day of eight that it touches");
    let mailed =
        std::fs::read_dir(demo.path("demo/mail")).unwrap().map(|entry| std::fs::read(entry.unwrap().path()).unwrap());
    let summaries: Vec<Vec<u8>> =
        mailed.filter(|mail| String::from_utf8_lossy(mail).contains("X-Hypocaust-Notice: summary")).collect();
    assert!(
        summaries.iter().any(|mail| String::from_utf8_lossy(mail).contains("days-2026-W10.csv")),
        "attached to the mail"
    );

    // The checkpoint left the site with every summary, byte for byte; a later bundle is held against that file.
    let checkpoint = std::fs::read(first.join("checkpoint.txt")).unwrap();
    for mail in &summaries {
        let mail = MessageParser::default().parse(mail).unwrap();
        let own =
            mail.attachments().find(|part| part.attachment_name().is_some_and(|name| name.starts_with("checkpoint-")));
        assert!(own.unwrap().contents().starts_with(b"hypocaust/fennel-bank\n"), "{:?}", mail.subject());
    }
    assert!(String::from_utf8_lossy(&checkpoint).starts_with("hypocaust/fennel-bank\n"));

    let zip = demo.path("first/report-2026-W10.zip");
    let verify = |path: &Path| hypocaust(&["verify", path.to_str().unwrap()]);
    let (code, checked) = verify(&zip);
    assert_eq!(code, 2, "nobody said whose key it is: {checked}");
    assert!(checked.contains("ok    files") && !checked.contains("FAIL"), "{checked}");
    // The week goes on from the checkpoint that the mail of the week before carried.
    let kept = summaries.iter().find_map(|mail| {
        let mail = MessageParser::default().parse(mail).unwrap();
        let own = mail.attachments().find(|part| part.attachment_name() == Some("checkpoint-2026-W09.txt"));
        own.map(|part| part.contents().to_vec())
    });
    std::fs::write(demo.path("kept.txt"), kept.unwrap()).unwrap();
    let (code, checked) =
        hypocaust(&["verify", zip.to_str().unwrap(), "--previous", demo.path("kept.txt").to_str().unwrap()]);
    assert!(code == 2 && checked.contains("ok    previous") && !checked.contains("FAIL"), "{checked}");
    let whole = std::fs::read(&zip).unwrap();
    std::fs::write(demo.path("cut.zip"), &whole[..whole.len() - 100]).unwrap();
    let (code, said) = verify(&demo.path("cut.zip"));
    assert!(code == 65 && said.contains("ask for it again"), "{code}: {said}");

    // A watering that nobody had written amends the week.
    let late = [
        "log",
        "watered",
        "--bin",
        "bay-1",
        "--litres",
        "50",
        "--by",
        "Ines Okafor",
        "--at",
        "2026-03-06 12:00",
        "--note",
        "forgotten",
    ];
    let (code, said) = demo.run(&late);
    assert_eq!(code, 0, "{said}");
    // While another process holds the folder, nothing is issued.
    let held = Folder::lock(&demo.path("demo/data")).unwrap();
    let (code, said) = demo.report(&week, "looked");
    assert!(code == 0 && said.contains("amended 1, not issued: the daemon is running"), "{said}");
    drop(held);
    let (code, said) = demo.report(&week, "amended");
    assert!(code == 0 && said.contains("amended 1, issued"), "{said}");
    let amended = demo.text("amended/summary.txt");
    assert!(amended.contains("Amended 1: what changed") && amended.contains("was not there"), "{amended}");
    assert_eq!(
        demo.text("demo/data/reports/2026-W10/1/summary.txt"),
        demo.text("first/summary.txt"),
        "the first stays"
    );
    let ledger = Ledger::open(&demo.path("demo/data"), Access::Read).unwrap();
    let issued = ledger.rows_of(&["report.issued"], Timestamp::MIN, Timestamp::MAX).unwrap();
    let issued: Vec<_> = issued.iter().filter(|row| row.body["of"] == "2026-W10").collect();
    let editions: Vec<u64> = issued.iter().filter_map(|row| row.body["edition"].as_u64()).collect();
    assert_eq!(editions, [1, 2], "by the daemon, and by the command");
    let hash = seal::merkle::sha256(amended.as_bytes()).to_hex();
    assert_eq!(issued[1].body["files"]["summary.txt"]["sha256"].as_str(), Some(hash.as_str()), "what was handed over");
    let (code, said) = demo.run(&["record", "check"]);
    assert_eq!(code, 0, "{said}");

    let (code, said) = demo.report(&["batch", "1"], "batch");
    assert!(code == 0 && said.contains("a draft"), "it is still hot: {said}");
    let (_, judged) = demo.run(&["judge", "--json", "--batch", "1"]);
    same_figures(&judged, &demo.text("batch/figures.csv"), &demo.text("batch/batch-1.txt"), every);
    assert!(demo.text("batch/batch-1.txt").contains("Statement of the operator"));
    said_on_paper(&judged, &demo.path("batch/batch-1.pdf"), every);

    for (arguments, code, wanted, why) in [
        (vec!["week", "--week", "10"], 64, "`10` is no week; write one such as 2026-W10", "no week at all"),
        (vec!["week", "--week", "2025-W53"], 64, "there is no week 2025-W53", "the year has no such week"),
        (vec!["week", "--week", "2099-W10"], 64, "has not begun", "a week to come"),
        (vec!["batch", "77"], 64, "there is no batch 77; there are 1, 2", "no such batch"),
    ] {
        let (got, said) = demo.report(&arguments, "none");
        assert_eq!(got, code, "{why}: {said}");
        assert!(said.contains(wanted), "{why}: {said}");
    }
}

#[test]
fn a_template_of_the_site_is_printed_tried_and_checked_before_a_report_needs_it() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).to_str().unwrap().to_owned();
    let (code, shipped) = hypocaust(&["report", "template"]);
    assert_eq!(code, 0, "{shipped}");
    let own = shipped.replace("name: \"Name\"", "name: \"In Druckschrift\"");
    assert_ne!(own, shipped);
    std::fs::write(path("own.rhai"), &own).unwrap();
    let line = own.lines().position(|line| line.contains("text(it.role,")).unwrap() + 1;
    std::fs::write(path("broken.rhai"), own.replace("text(it.role,", "text(it.rule,")).unwrap();

    let (code, said) = hypocaust(&["report", "template", "--try", &path("own.rhai"), "--out", &path("sample.pdf")]);
    assert_eq!(code, 0, "{said}");
    assert!(said.contains("sample.pdf: ") && said.contains("`reports: template`"), "{said}");
    if let Some(words) = paper(&folder.path().join("sample.pdf")) {
        assert!(words.contains("InDruckschrift") && words.contains("Asampleofall"), "{words}");
    }

    let settings =
        std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("../../config/site.yaml")).unwrap();
    let place = format!("broken.rhai:{line}:");
    for (template, fails, words) in [
        ("own.rhai", false, "sets all that documents are made of"),
        ("broken.rhai", true, place.as_str()),
        ("nowhere.rhai", true, "correct `reports: template`"),
    ] {
        let with = settings.replacen("\nreports:\n", &format!("\nreports:\n  template: {}\n", path(template)), 1);
        assert_ne!(with, settings, "the example has a group of reports");
        std::fs::write(path("site.yaml"), with).unwrap();
        let (code, said) = hypocaust(&["--config", &path("site.yaml"), "check"]);
        assert_eq!(code != 0, fails, "{template}: {said}");
        assert!(said.contains(words), "{template}: `{words}` is not in: {said}");
        if fails {
            let (code, said) = hypocaust(&["report", "template", "--try", &path(template), "--out", &path("none.pdf")]);
            assert!(code != 0 && !folder.path().join("none.pdf").exists(), "{template}: {said}");
        }
    }
}
