//! Stores that are broken, refuse rows, are emptied or put back older, and rules that cannot be read: the daemon watches all the same, and says so.

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::time::Duration;

use hypocaust::driven::{acknowledged, connect, publish};

use crate::table::{Happened, Row};
use crate::yard::{
    HOT_NOW, Process, Yard, eventually_within, free_port, hypocaust, hypocaust_with, letter, machine_now, payload,
    started_at,
};

/// Rules are judged every minute; the machine that runs the tests may be busy.
const PATIENCE: Duration = Duration::from_secs(120);
const MEGABYTES_MAX: f64 = 250.0;

/// The rows of this area.
pub fn rows() -> Vec<Row> {
    vec![
        Row::new(
            "a store whose record ends in 3 bytes of hash, with an alarm, an entry, a mail and a run that nobody can read, and no table of water",
            "it starts, names each, watches; the record goes on and its check fails at the broken row",
            broken_end,
        ),
        Row::new(
            "a store that refuses every alarm and entry while the daemon runs",
            "what it refuses is left out alone, named and kept; readings and mails go on",
            rows_refused,
        ),
        Row::new(
            "ledger.db emptied; deleted beside its log; an older copy put back; overwritten with noise",
            "it starts and watches; told by alarm, mail and health, with the remedy",
            lost,
        ),
        Row::new(
            "no folder of rules at the first start; then one that cannot be read; then it is back",
            "the rules that ship, then those in force last; told by alarm and health; `check` refuses",
            no_rules,
        ),
    ]
}

fn yard() -> (Yard, SocketAddr) {
    let port = free_port();
    let yard = Yard::new(2).embedded_at(port).with_rule("hot-now", HOT_NOW);
    (yard, SocketAddr::from(([127, 0, 0, 1], port)))
}

async fn started(yard: &Yard, address: SocketAddr) -> Process {
    started_at(yard, address, PATIENCE).await
}

async fn send(address: SocketAddr, celsius: f64) {
    let client = connect(address, "b2-node");
    let sent = publish(&client, "t/b2-core".into(), payload(machine_now(), celsius)).await.unwrap();
    acknowledged(vec![sent]).await.unwrap();
}

/// Waits for a mail with these words in its subject and text; gives the text.
async fn mailed(yard: &Yard, words: &str, known: &BTreeMap<PathBuf, String>) -> String {
    eventually_within(PATIENCE, words, || {
        let new = mails(yard).into_iter().filter(|(path, _)| !known.contains_key(path));
        new.map(|(_, mail)| mail).find(|mail| mail.to_lowercase().contains(&words.to_lowercase()))
    })
    .await
}

/// Every mail so far.
fn mails(yard: &Yard) -> BTreeMap<PathBuf, String> {
    let Ok(read) = std::fs::read_dir(yard.data().join("mail")) else { return BTreeMap::new() };
    let paths = read.map(|entry| entry.unwrap().path()).filter(|path| path.extension().is_some_and(|e| e == "eml"));
    paths
        .filter_map(|path| {
            let letter = letter(&std::fs::read(&path).ok()?);
            Some((path, format!("{}\n{}", letter.subject, letter.text)))
        })
        .collect()
}

/// A reading of 84 °C raises an alarm: somebody watches.
async fn watches(yard: &Yard, address: SocketAddr) {
    let known = mails(yard);
    send(address, 84.0).await;
    mailed(yard, "Hot now", &known).await;
}

fn ends(daemon: Process, what: impl Into<String>) -> Happened {
    let spent = daemon.spent();
    assert!(spent.megabytes < MEGABYTES_MAX, "{} MB", spent.megabytes);
    assert!(!daemon.log().contains("panicked"), "{}", daemon.log());
    let (code, took) = daemon.stop();
    assert_eq!(code, Some(0));
    assert!(took < Duration::from_secs(5), "a stop took {took:?}");
    Happened::new(what, spent)
}

fn store(yard: &Yard) -> rusqlite::Connection {
    rusqlite::Connection::open(yard.data().join("ledger.db")).unwrap()
}

/// Lives once: a reading, an entry, and a clean stop.
async fn lived(yard: &Yard, address: SocketAddr) {
    let daemon = started(yard, address).await;
    send(address, 55.0).await;
    let (code, said) = hypocaust(yard, &["log", "note", "--bin", "b1", "--note", "looked at it", "--by", "Ann"]);
    assert_eq!(code, 0, "{said}");
    assert_eq!(daemon.stop().0, Some(0));
}

/// Takes the conditions out of a table's law, writes, and puts them back.
fn write_past(yard: &Yard, sql: &str) {
    let laws: Vec<(String, String)> = {
        let store = store(yard);
        let mut query =
            store.prepare("SELECT name, sql FROM sqlite_schema WHERE type = 'table' AND sql NOT NULL").unwrap();
        query.query_map([], |row| Ok((row.get(0)?, row.get(1)?))).unwrap().map(Result::unwrap).collect()
    };
    let law = |change: &dyn Fn(&str) -> String| {
        let store = store(yard);
        store.execute_batch("PRAGMA writable_schema = ON").unwrap();
        for (name, sql) in laws.iter().filter(|(name, _)| !name.starts_with("sqlite_")) {
            store.execute("UPDATE sqlite_schema SET sql = ?2 WHERE name = ?1", [name.as_str(), &change(sql)]).unwrap();
        }
    };
    law(&|sql| sql.replace("STRICT, ", "").replace(" STRICT", "").replace("NOT NULL", ""));
    store(yard).execute_batch(&format!("PRAGMA foreign_keys = OFF; {sql}")).unwrap();
    law(&str::to_owned);
}

async fn broken_end() -> Happened {
    let (yard, address) = yard();
    let daemon = started(&yard, address).await;
    watches(&yard, address).await;
    let (code, said) = hypocaust(&yard, &["batch", "on-air", "--bin", "b1", "--by", "Ann"]);
    assert_eq!(code, 0, "{said}");
    assert_eq!(daemon.stop().0, Some(0));
    let newest: i64 = store(&yard).query_row("SELECT max(seq) FROM record", [], |row| row.get(0)).unwrap();
    write_past(
        &yard,
        "DROP TRIGGER record_never_changes; UPDATE record SET hash = x'010203' WHERE seq = (SELECT max(seq) FROM record);
         UPDATE alarms SET priority = NULL; UPDATE entries SET detail = x'ff'; UPDATE outbox SET state = 'waiting', next_try = 'soon';
         UPDATE runs SET last_alive = 'never'; UPDATE arrivals SET value = 'hot'; DROP TABLE water",
    );
    let daemon = started(&yard, address).await;
    watches(&yard, address).await;
    let text = mailed(&yard, "Part of the record cannot be used", &BTreeMap::new()).await;
    let log = daemon.log();
    for wanted in [
        format!("record {newest}: its hash has 3 bytes and not 32"),
        "alarms 1:".into(),
        "entries 1:".into(),
        "outbox 1:".into(),
        "water 0: the table was missing".into(),
        "arrivals 0:".into(),
    ] {
        assert!(log.contains(&wanted), "`{wanted}` is not in {log}");
    }
    assert!(text.contains("store restore"), "{text}");
    let (code, said) = hypocaust(&yard, &["record", "check"]);
    assert!(code == 1 && said.contains(&format!("FAIL  row {newest}: its hash has 3 bytes")), "{code}\n{said}");
    let (code, said) = hypocaust(&yard, &["store", "check"]);
    assert!(code == 1 && said.contains(&format!("record {newest}")) && said.contains("entries 1"), "{code}\n{said}");
    for command in
        ["alarms --all", "outbox", "log list --bin b1 --all", "batch list --all", "status", "record checkpoint"]
    {
        let words: Vec<&str> = command.split(' ').collect();
        let (code, said) = hypocaust(&yard, &words);
        assert!((0..=1).contains(&code), "{command}: {code}\n{said}");
    }
    ends(daemon, format!("started, named all of them; 84 °C raised an alarm; `record check` fails at row {newest}"))
}

async fn rows_refused() -> Happened {
    let (yard, address) = yard();
    let daemon = started(&yard, address).await;
    let refuse = |name: &str, table: &str| {
        format!("CREATE TRIGGER {name} BEFORE INSERT ON {table} BEGIN SELECT RAISE(ABORT, 'not here'); END;")
    };
    store(&yard).execute_batch(&[refuse("a", "alarms"), refuse("b", "entries")].concat()).unwrap();
    watches(&yard, address).await;
    // Told by mail although its own alarm cannot be stored either, once.
    let text = mailed(&yard, "Part of hypocaust failed", &BTreeMap::new()).await;
    assert!(text.contains("storing an alarm") && text.contains("not here"), "{text}");
    let (code, said) = hypocaust(&yard, &["batch", "on-air", "--bin", "b1", "--by", "Ann"]);
    assert!(code == 65 && said.contains("an entry could not be stored") && said.contains("not here"), "{code}\n{said}");
    send(address, 55.0).await;
    let (code, said) = hypocaust(&yard, &["readings", "--bin", "b2"]);
    assert!(code == 0 && said.contains("84") && said.contains("55"), "{said}");
    let (_, said) = hypocaust(&yard, &["store", "check"]);
    assert!(said.contains("an alarm") && said.contains("its bytes are kept in `set_aside`"), "{said}");
    let (code, said) = hypocaust(&yard, &["record", "check"]);
    assert_eq!(code, 0, "the record holds: {said}");
    let told = mails(&yard).values().filter(|mail| mail.contains("Part of hypocaust failed")).count();
    assert!(told <= 3, "{told} mails about it");
    store(&yard).execute_batch("DROP TRIGGER a; DROP TRIGGER b").unwrap();
    let (code, said) = hypocaust(&yard, &["batch", "on-air", "--bin", "b2", "--by", "Ann"]);
    assert_eq!(code, 0, "it is taken again without a restart: {said}");
    ends(
        daemon,
        format!("alarm and entry left out, named in {told} mail(s), kept; the mail about 84 °C left, readings stored"),
    )
}

async fn lost() -> Happened {
    let mut told = Vec::new();
    let mut last = None;
    for (what, says) in [
        ("emptied", "the store is empty, but this folder held a record of"),
        ("deleted beside its log", "its log was without a store and is now"),
        ("an older copy", "the store is older than this folder"),
        ("noise", "the store cannot be used and is now"),
    ] {
        let (mut yard, address) = yard();
        let port = free_port();
        yard.more = format!("metrics: {{ listen: \"127.0.0.1:{port}\" }}\n");
        let file = yard.data().join("ledger.db");
        lived(&yard, address).await;
        let older = std::fs::read(&file).unwrap();
        lived(&yard, address).await;
        match what {
            "emptied" => std::fs::write(&file, "").unwrap(),
            "an older copy" => std::fs::write(&file, older).unwrap(),
            "noise" => std::fs::write(&file, b"noise".repeat(4_000)).unwrap(),
            _ => {
                std::fs::remove_file(&file).unwrap();
                std::fs::write(yard.data().join("ledger.db-wal"), b"what was stored last").unwrap();
            }
        }
        let known = mails(&yard);
        let daemon = started(&yard, address).await;
        let text = mailed(&yard, "Store lost or older than it was", &known).await;
        assert!(text.contains("store restore"), "{what}: {text}");
        let (code, said) = hypocaust(&yard, &["status", "--health"]);
        let line = said.lines().find(|line| line.starts_with("record: failed")).unwrap_or_default();
        assert!(code == 1 && line.contains(says), "{what}: {code}\n{said}");
        watches(&yard, address).await;
        // A kill and a start do not make it forgotten.
        let spent = daemon.spent();
        daemon.kill();
        let daemon = started(&yard, address).await;
        let (code, said) = hypocaust(&yard, &["alarms"]);
        assert!(code == 0 && said.contains("Store lost or older"), "{what}: {said}");
        if what.contains("log") {
            let kept = std::fs::read(yard.data().join("ledger.db-wal.aside-1")).unwrap();
            assert_eq!(kept, b"what was stored last");
        }
        if what == "noise" {
            assert_eq!(std::fs::read(yard.data().join("ledger.db.aside-1")).unwrap(), b"noise".repeat(4_000));
        }
        told.push(what);
        assert!(spent.megabytes < MEGABYTES_MAX, "{} MB", spent.megabytes);
        last = Some(ends(daemon, ""));
    }
    let spent = last.and_then(|happened| happened.spent).unwrap();
    Happened::new(format!("{}: each told by mail, alarm and health; 84 °C raised an alarm", told.join(", ")), spent)
}

async fn no_rules() -> Happened {
    let (yard, address) = yard();
    let (rules, away) = (yard.path("rules"), yard.path("rules-away"));
    std::fs::rename(&rules, &away).unwrap();
    let (code, said) = hypocaust(&yard, &["check"]);
    assert!(code == 78 && said.contains("set `rules.folder`"), "{code}\n{said}");
    let daemon = started(&yard, address).await;
    assert!(daemon.log().contains("43 rules"), "{}", daemon.log());
    let text = mailed(&yard, "Changed rule not taken", &BTreeMap::new()).await;
    assert!(text.contains("the rules that ship with hypocaust are in force"), "{text}");
    let late = |said: &str| said.lines().any(|line| line.starts_with("rules: late") && line.contains("cannot be read"));
    let (_, said) = hypocaust(&yard, &["status", "--health"]);
    assert!(late(&said), "{said}");
    send(address, 55.0).await;
    // The folder comes: its rules take the place of those that ship.
    std::fs::rename(&away, &rules).unwrap();
    // Without writing the settings anew, which are watched too.
    let settings = yard.path("site.yaml");
    eventually_within(PATIENCE, "the rules of the folder", || {
        let (_, said) = hypocaust_with(&settings, &["status", "--health"]);
        (!late(&said) && said.contains("rules: ")).then_some(())
    })
    .await;
    watches(&yard, address).await;
    assert_eq!(daemon.stop().0, Some(0));
    // Gone again, at a start: those that were in force last go on.
    std::fs::rename(&rules, &away).unwrap();
    let daemon = started(&yard, address).await;
    assert!(daemon.log().rsplit("Test Yard").next().unwrap_or_default().contains("1 rules"), "{}", daemon.log());
    let (_, said) = hypocaust(&yard, &["status", "--health"]);
    assert!(said.contains("the rules that were in force last go on"), "{said}");
    send(address, 55.0).await;
    ends(daemon, "39 rules that ship, then the folder's, then those in force last; each told; `check` exits 78")
}
