//! Times and lengths of time from outside, over the whole range of their type.

use std::io::{BufRead, BufReader, Write};
use std::net::SocketAddr;
use std::os::unix::net::UnixStream;
use std::time::Duration;

use hypocaust::driven::{acknowledged, connect, publish};
use serde_json::{Value, json};

use crate::ear::hears;
use crate::table::{Happened, Row};
use crate::yard::{
    HOT_NOW, PATIENCE, Process, Yard, eventually, free_port, hypocaust, machine_now, payload, started_at,
};

const TOKEN: &str = "correct-horse-battery-staple";
/// 1926-03-10T07:00:00Z.
const IN_1926: i64 = -1_382_634_000_000;
/// Everything here is done in less than this, or a bound is broken.
const MEGABYTES_MAX: f64 = 200.0;

/// The rows of this area.
pub fn rows() -> Vec<Row> {
    vec![
        Row::new(
            "`batch on-air --at \"1926-03-10 07:00\"`, and the same past the command line",
            "2000 to 2099; more than a year before the first reading only if said twice",
            on_air_in_1926,
        ),
        Row::new(
            "a correction over MQTT with `really.at` at the least number there is",
            "refused with the value and what to do; the record does not keep it",
            the_least_number_over_mqtt,
        ),
        Row::new(
            "a rule that asks for `mean(9e18.hours, 1.hours)`",
            "100 years; the rule is named and the others judge",
            a_rule_with_a_length_beyond_all_time,
        ),
        Row::new(
            "a store with an on-air of 1926, a correction to the least number, rows that nobody can read and numbers at the last there is",
            "it starts, names them, watches the rest, and a correction mends it without a restart",
            a_store_that_holds_it_already,
        ),
        Row::new(
            "600 numbers from the whole range for every time that the socket takes",
            "each is answered, and what is taken lies between 2000 and 2099",
            any_number_at_every_door,
        ),
        Row::new(
            "no litres, -0 m, 1e308 L, a year too early for the batch, a note of 120 kB, a name with a Cyrillic А, `shelve --for 1e300h`",
            "each refused with what was typed, the bound and what to do: through the daemon, without one, and over MQTT",
            what_one_person_types,
        ),
        Row::new(
            "`hypocaust rerun` of a recording whose clock or readings are at the ends of time",
            "1970 to 2099; it ends at once with the line and the value",
            a_recording_of_no_time,
        ),
    ]
}

/// A yard of two bins with a rule that alarms at once, its broker at a port that is known.
fn yard() -> (Yard, SocketAddr) {
    let port = free_port();
    let mut yard = Yard::new(2).embedded_at(port).with_rule("hot-now", HOT_NOW);
    crate::yard::write_secret(&yard.path("ann"), &format!("{TOKEN}\n"));
    yard.person = format!(", log_token_file: \"{}\"", yard.path("ann").display());
    (yard, SocketAddr::from(([127, 0, 0, 1], port)))
}

async fn started(yard: &Yard, address: SocketAddr) -> Process {
    started_at(yard, address, PATIENCE).await
}

/// One request of the local socket and its answer, past every check of the command line.
fn ask(yard: &Yard, request: &Value) -> String {
    let stream = UnixStream::connect(yard.data().join("socket")).unwrap();
    stream.set_read_timeout(Some(PATIENCE)).unwrap();
    (&stream).write_all(format!("{request}\n").as_bytes()).unwrap();
    let mut answer = String::new();
    BufReader::new(&stream).read_line(&mut answer).unwrap();
    assert!(!answer.is_empty(), "no answer to {request}");
    answer
}

/// A hot reading of the second bin now, and the alarm that it causes: the daemon watches.
async fn watches(yard: &Yard, address: SocketAddr) {
    let client = connect(address, "b2-node");
    let sent = publish(&client, "t/b2-core".into(), payload(machine_now(), 72.0)).await.unwrap();
    acknowledged(vec![sent]).await.unwrap();
    alarm(yard, "Hot now").await;
}

/// A reading that is taken and stored: the daemon works on.
async fn takes_readings(yard: &Yard, address: SocketAddr) {
    let client = connect(address, "b2-node");
    let sent = publish(&client, "t/b2-core".into(), payload(machine_now(), 60.0)).await.unwrap();
    acknowledged(vec![sent]).await.unwrap();
    let (code, said) = hypocaust(yard, &["readings", "--bin", "b2"]);
    assert!(code == 0 && said.contains("60"), "{said}");
}

/// Waits until an alarm of this title is active.
async fn alarm(yard: &Yard, title: &str) -> String {
    let mut last = String::new();
    let until = machine_now() + pile::time::Span::minutes(3);
    let mut pause = tokio::time::interval(Duration::from_millis(500));
    loop {
        let (code, said) = hypocaust(yard, &["alarms"]);
        if code == 0 && said.contains(title) {
            return said;
        }
        last.clone_from(&said);
        assert!(machine_now() < until, "no alarm `{title}`: {last}");
        pause.tick().await;
    }
}

/// The bound of memory holds, and a stop ends it.
fn ends(daemon: Process, what: impl Into<String>) -> Happened {
    let spent = daemon.spent();
    assert!(spent.megabytes < MEGABYTES_MAX, "{} MB", spent.megabytes);
    assert!(!daemon.log().contains("panicked"), "{}", daemon.log());
    let (code, took) = daemon.stop();
    assert_eq!(code, Some(0));
    assert!(took < Duration::from_secs(5), "a stop took {took:?}");
    Happened::new(what, spent)
}

async fn on_air_in_1926() -> Happened {
    let (yard, address) = yard();
    let daemon = started(&yard, address).await;
    let (code, said) = hypocaust(&yard, &["batch", "on-air", "--bin", "b1", "--at", "1926-03-10 07:00"]);
    assert!(
        code == 64 && said.contains("1926-03-10T07:00:00Z is outside 2000-01-01 to 2099-12-31; check the year"),
        "{said}"
    );
    let past = json!({ "entry": { "bin": "b1", "at": IN_1926, "by": "Ann", "kind": "{\"on-air\":{}}" } });
    let said = ask(&yard, &past);
    assert!(said.contains("\"no\"") && said.contains("is outside 2000-01-01 to 2099-12-31"), "{said}");
    let early = ["batch", "on-air", "--bin", "b1", "--at", "2004-03-10 07:00"];
    let (code, said) = hypocaust(&yard, &early);
    assert!(code == 65 && said.contains("--really-that-early") && said.contains("2004-03-10 07:00 +00:00"), "{said}");
    let (code, said) = hypocaust(&yard, &[&early[..], &["--really-that-early"]].concat());
    assert!(code == 0 && said.contains("since 2004-03-10 07:00"), "{said}");
    watches(&yard, address).await;
    let spent = daemon.spent();
    daemon.kill();
    // What was said twice is harmless at the next start too: the water account does not walk through twenty years.
    let daemon = started(&yard, address).await;
    watches(&yard, address).await;
    assert!(spent.megabytes < MEGABYTES_MAX, "{} MB", spent.megabytes);
    ends(daemon, "1926 refused at both; 2004 refused, taken when said twice; the other bin watched, also after a kill")
}

async fn the_least_number_over_mqtt() -> Happened {
    let (yard, address) = yard();
    let daemon = started(&yard, address).await;
    let (code, said) = hypocaust(&yard, &["batch", "on-air", "--bin", "b1", "--by", "Ann"]);
    assert_eq!(code, 0, "{said}");
    let mut heard = hears(address, "hypocaust/test-yard/log/answer".into()).await;
    let client = connect(address, "telephone");
    let now = site::zone::rfc3339_utc(machine_now());
    for (id, at, wanted) in [
        ("least", i64::MIN, "when it really happened: the time -9007199254740992 ms since 1970 is outside"),
        ("most", i64::MAX, "is outside 2000-01-01 to 2099-12-31; check the year"),
        ("1926", IN_1926, "1926-03-10T07:00:00Z is outside"),
        ("2004", 1_078_902_000_000, "`\"really_that_early\": true` over MQTT"),
    ] {
        let says = json!({ "corrected": { "of": 1, "really": { "at": at, "kind": { "on-air": {} } } } });
        let message =
            json!({ "id": id, "token": TOKEN, "by": "Ann", "bin": "b1", "at": now, "says": says, "note": "a slip" });
        let sent = publish(&client, "hypocaust/test-yard/log".into(), message.to_string()).await.unwrap();
        acknowledged(vec![sent]).await.unwrap();
        let answer = tokio::time::timeout(PATIENCE, heard.recv()).await.unwrap().unwrap();
        assert_eq!(answer["id"], id, "{answer}");
        assert!(answer["refused"].as_str().is_some_and(|words| words.contains(wanted)), "{answer}");
    }
    let (code, log) = hypocaust(&yard, &["log", "list", "--bin", "b1", "--json"]);
    assert!(code == 0 && log.lines().count() == 1, "only the on-air is in the log: {log}");
    takes_readings(&yard, address).await;
    ends(daemon, "four corrections refused with their reasons; the log has the on-air alone; readings taken")
}

async fn a_rule_with_a_length_beyond_all_time() -> Happened {
    let (yard, address) = yard();
    let wild = HOT_NOW
        .replace("Hot now", "Beyond all time")
        .replace("let core = bin.core.last();", "let core = bin.core.mean(9e18.hours, 1.hours);");
    std::fs::write(yard.path("rules").join("beyond.rhai"), wild).unwrap();
    let daemon = started(&yard, address).await;
    watches(&yard, address).await;
    let said = alarm(&yard, "Rule does not work").await;
    drop(said);
    let (_, said) = hypocaust(&yard, &["alarms", "--json"]);
    assert!(said.contains("9e18 hours are outside -36525 d to 36525 d"), "{said}");
    daemon.kill();
    let daemon = started(&yard, address).await;
    watches(&yard, address).await;
    ends(daemon, "the rule is named with its line and the range; the rule beside it alarms, also after a restart")
}

/// Writes past the program what it would never write.
fn write_past(yard: &Yard) {
    let store = rusqlite::Connection::open(yard.data().join("ledger.db")).unwrap();
    store.execute_batch("PRAGMA foreign_keys = OFF").unwrap();
    let entry =
        "INSERT INTO entries (id, at, bin, kind, detail, by, note, batch) VALUES (?1, ?2, 'b1', ?3, ?4, 'Ann', 'n', 1)";
    let on_air = "{\"on-air\":{}}";
    store.execute(entry, rusqlite::params![1, IN_1926, "on-air", on_air]).unwrap();
    let least = format!("{{\"corrected\":{{\"of\":1,\"really\":{{\"at\":{},\"kind\":{on_air}}}}}}}", i64::MIN);
    store.execute(entry, rusqlite::params![2, 1_773_122_400_000_i64, "corrected", least]).unwrap();
    store.execute(entry, rusqlite::params![3, 1_773_122_400_000_i64, "turned", "{\"no such\": thing"]).unwrap();
    store.execute(entry, rusqlite::params![4, i64::MAX, "watered", "{\"watered\":{\"litres\":1e308}}"]).unwrap();
    store.execute(entry, rusqlite::params![i64::MAX, i64::MIN, "probes-out", "\"probes-out\""]).unwrap();
    let batch = "INSERT INTO batches (id, bin, in_bin_since, on_air_at, parents) VALUES (?1, ?2, ?3, ?4, ?5)";
    store.execute(batch, rusqlite::params![1, "b1", i64::MIN, i64::MIN, "[]"]).unwrap();
    store.execute(batch, rusqlite::params![2, "no bin at all, and no name", 0, 0, "[]"]).unwrap();
    store
        .execute("INSERT INTO water (bin, batch, at, account) VALUES ('b1', 1, ?1, '[1e308, null]')", [i64::MIN])
        .unwrap();
    for (id, started, alive) in [(7, i64::MIN, i64::MIN), (i64::MAX, 0, i64::MAX)] {
        let run = "INSERT INTO runs (id, started_at, last_alive) VALUES (?1, ?2, ?3)";
        store.execute(run, [id, started, alive]).unwrap();
    }
    let alarm = "INSERT INTO alarms (id, rule, subject, state, proof, occurrence, title, priority, revision, finding, evidence, \
        thread_subject, mails, reminder_at) VALUES (?1, 'x', 'site', ?2, 'on', 1, 't', 'high', '', 'f', '[]', 's', 0, ?3)";
    store.execute(alarm, rusqlite::params![1, "unacknowledged", i64::MIN]).unwrap();
    store.execute(alarm, rusqlite::params![i64::MAX, "no such state", i64::MAX]).unwrap();
    store
        .execute(
            "INSERT INTO series (id, kind, source, quantity) VALUES (?1, 'probe', 'b2-core', 'temperature')",
            [i64::MAX],
        )
        .unwrap();
    store
        .execute("INSERT INTO series (id, kind, source, quantity) VALUES (5, 'probe', 'b1 core', 'warmth')", [])
        .unwrap();
    for (at, value) in [(i64::MIN, 60.0), (IN_1926, f64::INFINITY), (i64::MAX, 1e308)] {
        let reading = "INSERT INTO readings (series, measured_at, value) VALUES (?1, ?2, ?3)";
        store.execute(reading, rusqlite::params![i64::MAX, at, value]).unwrap();
    }
}

async fn a_store_that_holds_it_already() -> Happened {
    let (yard, address) = yard();
    started(&yard, address).await.stop();
    write_past(&yard);
    let daemon = started(&yard, address).await;
    watches(&yard, address).await;
    alarm(&yard, "Batch not judged").await;
    alarm(&yard, "Part of the record cannot be used").await;
    let log = daemon.log();
    for wanted in [
        "batch 1 is not judged: it is on air since the time -9007199254740992 ms since 1970",
        "Entry 1 says so. Correct it: hypocaust log correct 1 --really-at",
        "entries 3: its detail does not read",
        "withdraw it: hypocaust log correct 3 --never --reason TEXT",
        "series 5",
        "batches 2",
    ] {
        assert!(log.contains(wanted), "`{wanted}` is not in {log}");
    }
    // Whoever looks at such a store is answered too, and the daemon goes on meanwhile.
    for command in [
        "batch list --all",
        "batch show 1",
        "log list --bin b1 --all",
        "outbox",
        "refused",
        "readings --bin b2 --from 2000-01-01 --to 2099-01-01",
        "store check",
        "report week --out OUT",
        "report batch 1 --out OUT",
        "judge --bin b1",
        "replay",
        "record check",
        "alarms --all",
    ] {
        let out = yard.path("report").display().to_string();
        let words: Vec<&str> = command.split(' ').map(|word| if word == "OUT" { &out } else { word }).collect();
        let (code, said) = hypocaust(&yard, &words);
        assert!(code != 101 && code != -1 && !said.contains("panicked"), "{command}: {said}");
    }
    let at = site::zone::rfc3339_utc(machine_now() - pile::time::Span::days(2));
    for arguments in [
        &["log", "correct", "1", "--really-at", &at, "--reason", "a slip of the year", "--by", "Ann"][..],
        &["log", "correct", "3", "--never", "--reason", "nobody can read it", "--by", "Ann"],
        &["log", "correct", "4", "--never", "--reason", "it cannot be", "--by", "Ann"],
    ] {
        let (code, said) = hypocaust(&yard, arguments);
        assert_eq!(code, 0, "{arguments:?}: {said}");
    }
    let (code, said) = hypocaust(&yard, &["alarms"]);
    let still = said.lines().any(|line| line.contains("Batch not judged") && !line.contains("returned"));
    assert!(code == 0 && !still, "mended without a restart: {said}");
    let (code, said) = hypocaust(&yard, &["batch", "list"]);
    assert!(code == 0 && said.contains("batch 1     on air since 20"), "{said}");
    let spent = daemon.spent();
    daemon.kill();
    let daemon = started(&yard, address).await;
    watches(&yard, address).await;
    assert!(
        !daemon.log().rsplit("Test Yard (test-yard):").next().unwrap_or_default().contains("batch 1 is not judged")
    );
    assert!(spent.megabytes < MEGABYTES_MAX, "{} MB", spent.megabytes);
    ends(daemon, "started, named each, watched the other bin; the batch is judged again after one correction")
}

async fn any_number_at_every_door() -> Happened {
    let (yard, address) = yard();
    let daemon = started(&yard, address).await;
    watches(&yard, address).await;
    let (code, said) = hypocaust(&yard, &["batch", "on-air", "--bin", "b1", "--by", "Ann"]);
    assert_eq!(code, 0, "{said}");
    // Splitmix64 from a fixed seed, so that a number that breaks something comes again.
    let mut state = 0x1926_u64;
    let mut draw = || {
        state = state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = state;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        (z ^ (z >> 31)).cast_signed()
    };
    let ends_of_all = [i64::MIN, i64::MAX, 0, -1, IN_1926, 1 << 53, -(1 << 53)];
    let numbers: Vec<i64> = ends_of_all.into_iter().chain((0..93).map(|n| draw() >> (n % 24))).collect();
    let (mut asked, mut taken) = (0, 0);
    for n in numbers {
        let entry = |at: i64, kind: Value| json!({ "entry": { "bin": "b1", "at": at, "by": "Ann", "note": "n", "kind": kind.to_string(), "really_that_early": true } });
        let now = machine_now().as_millis();
        let lab = json!({ "lab-result": { "analyte": "a", "value": 1, "unit": "u", "laboratory": "l", "method": "m", "sampled_at": n } });
        let check = json!({ "calibrated": { "probe": "b1-core", "against": "ice", "showed_celsius": 0, "truth_celsius": 0,
            "allowed_kelvin": 1, "due": n } });
        let shelve = json!({ "shelve": { "until": n, "reason": "r" } });
        let out = json!({ "out-of-service": { "back": n, "reason": "r" } });
        for request in [
            entry(n, json!("turned")),
            entry(now, json!({ "corrected": { "of": 1, "really": { "at": n, "kind": { "on-air": {} } } } })),
            entry(now, lab),
            entry(now, check),
            json!({ "alarm": { "alarm": 1, "by": "Ann", "word": shelve } }),
            json!({ "alarm": { "alarm": 1, "by": "Ann", "word": out } }),
        ] {
            asked += 1;
            let done = ask(&yard, &request).contains("\"done\"");
            taken += usize::from(done);
            assert!(!done || (946_684_800_000..4_102_444_800_000).contains(&n), "{n} was taken: {request}");
        }
    }
    ends(daemon, format!("{asked} answered, {taken} of them taken"))
}

async fn a_recording_of_no_time() -> Happened {
    let (yard, address) = yard();
    let file = yard.path("recording");
    let daemon = Process::start(&yard, &["--record", file.to_str().unwrap()]);
    eventually("the daemon", || std::net::TcpStream::connect(address).ok()).await;
    takes_readings(&yard, address).await;
    daemon.stop();
    let lines: Vec<Value> =
        std::fs::read_to_string(&file).unwrap().lines().map(|line| serde_json::from_str(line).unwrap()).collect();
    let rerun = |changed: &dyn Fn(&mut Value)| {
        let text: Vec<String> = lines
            .iter()
            .map(|line| {
                let mut line = line.clone();
                changed(&mut line);
                line.to_string()
            })
            .collect();
        std::fs::write(&file, text.join("\n")).unwrap();
        hypocaust(&yard, &["rerun", file.to_str().unwrap()])
    };
    let (code, said) = rerun(&|_| {});
    assert_eq!(code, 0, "as it was recorded: {said}");
    for wild in [i64::MIN, -1, i64::MAX] {
        for place in ["/in/0", "/head/now", "/in/1/readings/0/measured_at"] {
            let (code, said) = rerun(&|line| {
                if let Some(number) = line.pointer_mut(place) {
                    *number = json!(wild);
                }
            });
            assert!(code != 0 && said.contains("has a time that cannot be"), "{place} {wild}: {said}");
        }
    }
    Happened::said("nine recordings refused, each with its line; the one that was lived through runs again")
}

async fn what_one_person_types() -> Happened {
    let (yard, address) = yard();
    let long = "a".repeat(120_000);
    let typed: [(&[&str], &str); 8] = [
        (
            &["log", "watered", "--litres=0"],
            "water: 0 L is less than 0.1 L, the least that can be logged; correct the number",
        ),
        (&["log", "watered", "--litres=-0"], "water: -0 L is less than 0.1 L"),
        (&["log", "watered", "--litres=1e308"], "water: 1e308 L is outside 0 to 100000 L"),
        (&["log", "watered", "--litres=NaN"], "--litres: `NaN` does not begin with a number"),
        (&["log", "settled-depth", "--depth=0m"], "depth: 0 m is less than 0.01 m"),
        (&["log", "note", "--note", &long], "note: it has 120000 characters, more than the 4000 there is room for"),
        (&["log", "turned", "--by", "\u{410}nn"], "`\\u{410}nn` looks like Ann and is spelled with other characters"),
        (&["log", "turned", "--by", "A\u{200b}nn"], "type the name as the settings have it: Ann"),
    ];
    let daemon = started(&yard, address).await;
    let (code, said) = hypocaust(&yard, &["batch", "on-air", "--bin", "b1", "--by", "Ann"]);
    assert_eq!(code, 0, "{said}");
    let refused_all = |door: &str| {
        for (words, wanted) in &typed {
            let by: &[&str] = if words.contains(&"--by") { &[] } else { &["--by", "Ann"] };
            let (code, said) = hypocaust(&yard, &[words, &["--bin", "b1"][..], by].concat());
            assert!(code != 0 && said.contains(wanted), "{door}: {words:?}: {code}: {said}");
        }
        let (code, said) =
            hypocaust(&yard, &["alarms", "shelve", "1", "--for", "1e300h", "--reason", "r", "--by", "Ann"]);
        assert!(code != 0 && said.contains("`1e300h` is not more than 0 and at most 3 d"), "{door}: {said}");
    };
    refused_all("the daemon");
    // The site has readings of long ago, and the batch of today.
    let long_ago = machine_now() - pile::time::Span::days(3 * 365);
    let client = connect(address, "b2-node");
    acknowledged(vec![publish(&client, "t/b2-core".into(), payload(long_ago, 60.0)).await.unwrap()]).await.unwrap();
    let early = site::zone::rfc3339_utc(machine_now() - pile::time::Span::days(500));
    let slip = || {
        let words = ["log", "correct", "1", "--really-at", &early, "--reason", "r", "--by", "Ann"];
        let (code, said) = hypocaust(&yard, &words);
        let wanted = "more than 365 d before the readings of batch 1 in bin b1";
        assert!(code != 0 && said.contains(wanted) && said.contains("--really-that-early"), "{said}");
    };
    slip();
    let mut heard = hears(address, "hypocaust/test-yard/log/answer".into()).await;
    let now = site::zone::rfc3339_utc(machine_now());
    for (at, says, wanted) in [
        (&now, r#"{"watered":{"litres":0}}"#, "water: 0 L is less than 0.1 L"),
        (&now, r#"{"watered":{"litres":1,"litres":100}}"#, "the key `litres` is there twice; say each thing once"),
        (&early, r#""turned""#, "more than 365 d before the readings of batch 1 in bin b1"),
        (&now, "{", "it is no JSON"),
    ] {
        let message = format!(r#"{{"token":"{TOKEN}","by":"Ann","bin":"b1","at":"{at}","says":{says}}}"#);
        acknowledged(vec![publish(&client, "hypocaust/test-yard/log".into(), message).await.unwrap()]).await.unwrap();
        let answer = tokio::time::timeout(PATIENCE, heard.recv()).await.unwrap().unwrap();
        assert!(answer["refused"].as_str().is_some_and(|words| words.contains(wanted)), "{says}: {answer}");
    }
    let mut panel = hears(address, "hypocaust/test-yard/acknowledge/answer".into()).await;
    for (text, wanted) in
        [("{", "it is no JSON"), (r#"{"alarm":1,"alarm":2,"by":"Ann"}"#, "the key `alarm` is there twice")]
    {
        let sent = publish(&client, "hypocaust/test-yard/acknowledge".into(), text.into()).await.unwrap();
        acknowledged(vec![sent]).await.unwrap();
        let answer = tokio::time::timeout(PATIENCE, panel.recv()).await.unwrap().unwrap();
        assert!(
            answer["alarm"].is_null() && answer["refused"].as_str().is_some_and(|words| words.contains(wanted)),
            "{answer}"
        );
    }
    let spent = daemon.spent();
    assert!(!daemon.log().contains("panicked"), "{}", daemon.log());
    daemon.stop();
    refused_all("no daemon");
    slip();
    let (code, log) = hypocaust(&yard, &["log", "list", "--bin", "b1", "--json"]);
    assert!(code == 0 && log.lines().count() == 1, "only the on-air is in the log: {log}");
    Happened::new("each refused at each door; the log has the on-air alone", spent)
}
