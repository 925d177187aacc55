//! Work without an end: rules, templates and reports that cost more than anybody may ask, and parts that fail in the program itself.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use std::time::{Duration, Instant};

use engine::effect::Effect;
use hypocaust::driven::{acknowledged, connect, publish};
use ledger::{Access, Ledger};
use pile::time::Span;
use site::ids::ProbeId;
use site::quantity::Quantity;
use site::reading::{Quality, Reading, SeriesId, Source, TimeSource};

use crate::table::{Happened, Row};
use crate::yard::{HOT_NOW, Process, Yard, eventually, free_port, hypocaust, machine_now, payload, probe_id};

/// Bins of the large site, probes in each, and readings of each probe: full windows of three days.
const BINS: usize = 300;
const PROBES: usize = 3;
const READINGS: i64 = 860;

/// The rows of this area.
pub(crate) fn rows() -> Vec<Row> {
    vec![
        Row::new(
            "a rule that never ends and one that doubles a text, beside a bin that runs hot",
            "stopped in steps, rests for an hour, named with its line; the hot bin is told at the next tick",
            endless_rules,
        ),
        Row::new(
            "a rule that asks 300 bins with full windows for slopes until it is stopped, and one just below its bound in each of them",
            "a few seconds of one core a minute; messages are acknowledged and a hot bin is told meanwhile",
            dearest_rule,
        ),
        Row::new(
            "check of rules that never end, double a text, or nest 100,000 parentheses",
            "refused in seconds, with file, line and remedy, as the daemon refuses them",
            checked_rules,
        ),
        Row::new(
            "check and a report by a template whose closures never end, or whose texts grow",
            "refused in seconds, with file, line and remedy",
            checked_templates,
        ),
        Row::new(
            "a reload of a rule whose case is a season of readings every ten seconds",
            "the case is refused by its length; the next reload is tried",
            long_cases,
        ),
    ]
}

/// The rule of the hot bin with another body.
fn rule(body: &str) -> String {
    let (head, _) = HOT_NOW.split_once("fn judge").unwrap();
    format!("{}\nfn judge(bin, set) {{\n{body}\n}}\n", head.replace("window: \"1 d\"", "window: \"3 d\""))
}

fn write_rule(yard: &Yard, name: &str, text: &str) {
    std::fs::write(yard.path("rules").join(format!("{name}.rhai")), text).unwrap();
}

/// Findings of the alarms that are active, by rule and subject.
fn active(yard: &Yard) -> Vec<(String, String, String)> {
    let Ok(store) = Ledger::open(&yard.data(), Access::Read) else { return vec![] };
    let alarms = store.alarms().unwrap_or_default().into_iter().filter(|alarm| alarm.stands());
    alarms.map(|alarm| (alarm.key.rule.clone(), alarm.key.subject.as_str().to_owned(), alarm.finding.clone())).collect()
}

async fn alarm(yard: &Yard, rule: &str, subject: &str) -> String {
    let found = || active(yard).into_iter().find(|(r, s, _)| r == rule && s == subject).map(|(_, _, finding)| finding);
    // A tick is at the next minute at the latest, and it may take some seconds.
    let until = Instant::now() + Duration::from_secs(100);
    let mut pause = tokio::time::interval(Duration::from_millis(100));
    loop {
        if let Some(finding) = found() {
            return finding;
        }
        assert!(Instant::now() < until, "no alarm {rule} of {subject}; there are {:?}", active(yard));
        pause.tick().await;
    }
}

async fn heat(port: u16, bin: usize) {
    let client = connect(([127, 0, 0, 1], port).into(), "hot");
    let notice = publish(&client, format!("t/b{bin}-core"), payload(machine_now(), 90.0)).await.unwrap();
    acknowledged(vec![notice]).await.unwrap();
}

async fn endless_rules() -> Happened {
    let port = free_port();
    let yard = Yard::new(8).with_rule("hot-now", HOT_NOW).embedded_at(port);
    write_rule(&yard, "endless", &rule("loop { }"));
    write_rule(&yard, "doubling", &rule("let text = \"x\"; loop { text = text + text; }"));
    let process = Process::start(&yard, &[]);
    eventually("the broker inside", || process.log().contains("listens").then_some(())).await;
    heat(port, 1).await;
    alarm(&yard, "hot-now", "b1").await;
    let endless = alarm(&yard, "broken-rule", "endless").await;
    assert!(endless.contains("endless.rhai:") && endless.contains("stopped after 500000 steps"), "{endless}");
    let doubling = alarm(&yard, "broken-rule", "doubling").await;
    assert!(doubling.contains("doubling.rhai:") && doubling.contains("more than a rule may hold"), "{doubling}");
    assert!(process.log().contains("The rule rests "), "{}", process.log());
    let spent = process.spent();
    process.stop();
    assert!(spent.seconds < 10.0, "{} s", spent.seconds);
    Happened::new(endless, spent)
}

/// Puts full windows into the store, as a daemon would have left them.
fn fill(yard: &Yard) {
    std::fs::create_dir_all(yard.data()).unwrap();
    std::fs::set_permissions(yard.data(), std::os::unix::fs::PermissionsExt::from_mode(0o700)).unwrap();
    let begins = machine_now() - Span::minutes(5 * READINGS);
    let mut ledger = Ledger::open(&yard.data(), Access::Write).unwrap();
    ledger.begin_run(begins).unwrap();
    for i in 0..READINGS {
        let at = begins + Span::minutes(5 * i);
        let value = 60.0 + f64::from(u32::try_from(i * 7 % 13).unwrap()) / 10.0;
        let store = |bin, probe| {
            let source = Source::Probe(ProbeId::new(&probe_id(bin, probe)).unwrap());
            let series = SeriesId { source, quantity: Quantity::Temperature };
            let reading = Reading {
                series,
                measured_at: at,
                received_at: at,
                value,
                time_source: TimeSource::Device,
                retained: false,
            };
            Effect::Store { reading, quality: Quality::Good, reason: String::new() }
        };
        let effects: Vec<Effect> =
            (1..=BINS).flat_map(|bin| (0..PROBES).map(move |probe| (bin, probe))).map(|(b, p)| store(b, p)).collect();
        ledger.commit(at, &effects).unwrap();
    }
    ledger.end_run(machine_now()).unwrap();
}

async fn dearest_rule() -> Happened {
    let port = free_port();
    let mut yard = Yard::new(BINS).with_rule("hot-now", HOT_NOW).embedded_at(port);
    yard.probes = PROBES;
    // Each slope is over another window, so that no figure is remembered.
    let dearest =
        "let n = 0; while true { n += 1; bin.pile.slope(3.days - n.seconds); causes_of_cooling(bin); } keep()";
    write_rule(&yard, "dearest", &rule(dearest));
    write_rule(&yard, "just-below", &rule("for i in 0..90000 { i + 1; } clear(\"counted\")"));
    fill(&yard);
    let process = Process::start(&yard, &[]);
    eventually("the broker inside", || process.log().contains("listens").then_some(())).await;
    let idle = process.spent();
    let begun = Instant::now();
    heat(port, 7).await;
    let acknowledged_in = begun.elapsed();
    alarm(&yard, "hot-now", "b7").await;
    let told_in = begun.elapsed();
    let broken = alarm(&yard, "broken-rule", "dearest").await;
    eventually("a rest everywhere", || process.log().contains("The rule rests everywhere").then_some(())).await;
    let below = alarm(&yard, "broken-rule", "just-below").await;
    assert!(below.contains("steps at all bins within one minute"), "{below}");
    let spent = process.spent();
    process.stop();
    assert!(acknowledged_in < Duration::from_secs(5), "acknowledged after {acknowledged_in:?}");
    assert!(told_in < Duration::from_secs(75), "told after {told_in:?}");
    let judging = spent.seconds - idle.seconds;
    assert!(judging < 15.0, "{judging} s of processor time");
    Happened::new(
        format!(
            "{broken}; {below}; a message was acknowledged in {:.1} s, the hot bin told in {:.0} s, {judging:.1} s of one core beside the start",
            acknowledged_in.as_secs_f64(),
            told_in.as_secs_f64()
        ),
        spent,
    )
}

async fn checked_rules() -> Happened {
    let mut told = Vec::new();
    for (body, words) in [
        ("loop { }".to_owned(), "stopped after 500000 steps"),
        ("let text = \"x\"; loop { text = text + text; }".to_owned(), "more than a rule may hold"),
        ("let n = 0; loop { n += 1; bin.pile.slope(3.days - n.seconds); }".to_owned(), "stopped after 500000 steps"),
        (format!("let x = {}1{}; keep()", "(".repeat(100_000), ")".repeat(100_000)), "more than 65536"),
        (format!("let x = {}1{}; keep()", "(".repeat(30_000), ")".repeat(30_000)), "maximum complexity"),
    ] {
        let yard = Yard::new(1).with_rule("hostile", &rule(&body));
        let begun = Instant::now();
        let (code, said) = hypocaust(&yard, &["check"]);
        assert_eq!(code, 78, "{said}");
        let line = said.lines().find(|line| line.contains("hostile.rhai:")).unwrap_or_else(|| panic!("{said}"));
        assert!(line.contains(words), "{line}");
        assert!(begun.elapsed() < Duration::from_secs(10), "{:?}", begun.elapsed());
        told.push(words);
    }
    Happened::said(format!("refused: {}", told.join("; ")))
}

async fn checked_templates() -> Happened {
    let mut told = Vec::new();
    for (template, words) in [
        ("let all = [];\nall.pad(20000, 1);\nall.map(|x| { let y = 0; loop { y += 1; } });", "after 1000000 steps"),
        (
            "let all = [];\nall.pad(20000, 1);\nall.map(|x| { let y = 0; for i in 0..5000 { y += i; } y });",
            "after 1000000 steps",
        ),
        ("let t = \"\";\nt.pad(100000, \"a\");\nlet by = t;\nt.replace(\"a\", by);", "bytes long"),
        ("let b = [];\nfor n in 0..19999 { b.push(doc.title); }\nlet c = [b, b];\nloop { c = [c, c]; }", ""),
        ("let f = \"a\";\nfor n in 0..38 { f = frame([f, f], #{}); }\ndocument(#{}, f)", "more than 200000 elements"),
    ] {
        let mut yard = Yard::new(1);
        std::fs::write(yard.path("own.rhai"), template).unwrap();
        yard.more = format!("reports: {{ template: \"{}\" }}\n", yard.path("own.rhai").display());
        for command in [vec!["check"], vec!["report", "template", "--try", "own.rhai"]] {
            let own = yard.path("own.rhai").display().to_string();
            let command: Vec<&str> =
                command.into_iter().map(|word| if word == "own.rhai" { own.as_str() } else { word }).collect();
            let begun = Instant::now();
            let (code, said) = hypocaust(&yard, &command);
            assert_eq!(code, 65, "{said}");
            assert!(said.contains("own.rhai:") && said.contains(words), "{said}");
            assert!(begun.elapsed() < Duration::from_secs(30), "{:?}", begun.elapsed());
        }
        told.push(words);
    }
    // A report that is made by such a template: the store is there, and the document is not.
    let mut yard = Yard::new(1).embedded_at(free_port());
    let process = Process::start(&yard, &[]);
    eventually("the broker inside", || process.log().contains("listens").then_some(())).await;
    let spent = process.spent();
    process.stop();
    std::fs::write(yard.path("own.rhai"), "let all = [1];\nall.map(|x| { loop { } });").unwrap();
    yard.more = format!("reports: {{ template: \"{}\" }}\n", yard.path("own.rhai").display());
    let (code, said) = hypocaust(&yard, &["report", "week", "--out", &yard.path("out").display().to_string()]);
    assert_eq!(code, 65, "{said}");
    assert!(said.contains("after 1000000 steps"), "{said}");
    Happened::new("each refused with its line; a report says the same and writes nothing", spent)
}

async fn long_cases() -> Happened {
    let yard = Yard::new(1).with_rule("hot-now", HOT_NOW).embedded_at(free_port());
    let process = Process::start(&yard, &[]);
    eventually("the broker inside", || process.log().contains("listens").then_some(())).await;
    let cases = yard.path("rules").join("hot-now.cases.yaml");
    std::fs::write(
        &cases,
        "cases:\n  - name: a season\n    probes_every: 10 s\n    core: 60 for 90 d\n    expect: none\n",
    )
    .unwrap();
    write_rule(&yard, "hot-now", &format!("{HOT_NOW}// changed\n"));
    let begun = Instant::now();
    let said = eventually("an answer about the long case", || {
        let (_, said) = hypocaust(&yard, &["reload"]);
        said.contains("readings, more than").then_some(said)
    })
    .await;
    assert!(begun.elapsed() < Duration::from_secs(20), "{:?}", begun.elapsed());
    std::fs::write(&cases, "cases:\n  - name: an hour\n    core: 60 for 1 h\n    expect: none\n").unwrap();
    eventually("the next reload", || {
        let (code, said) = hypocaust(&yard, &["reload"]);
        (code == 0 && said.contains("rules in force")).then_some(())
    })
    .await;
    let spent = process.spent();
    process.stop();
    let line = said.lines().find(|line| line.contains("readings, more than")).unwrap().trim().to_owned();
    Happened::new(line, spent)
}
