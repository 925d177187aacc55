//! Files that are not what they seem: links, pipes, devices, too long, too open, and names that command a terminal.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::os::unix::fs::{PermissionsExt, symlink};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use ledger::{Access, Ledger};

use crate::table::{Happened, Row};
use crate::yard::{Process, Yard, eventually, free_port};

/// How long a command may take that has nothing to do but refuse. The machine that runs the tests may be busy.
const AT_ONCE: Duration = Duration::from_secs(20);
/// Memory that such a command may use, in KiB: the program maps some hundred megabytes that it never touches.
const MEMORY_KIB: u64 = 1_500_000;

/// The rows of this area.
pub fn rows() -> Vec<Row> {
    vec![
        Row::new("a rule that is a pipe nobody writes to, at a reload", "refused at once; rules in force stay", || {
            a_rule_that_is("a pipe", |path| assert!(Command::new("mkfifo").arg(path).status().unwrap().success()))
        }),
        Row::new("a rule that is a link to /dev/zero, at a reload", "refused at once; rules in force stay", || {
            a_rule_that_is("a device", |path| symlink("/dev/zero", path).unwrap())
        }),
        Row::new("a rule of 3 GB, at a reload", "1 MiB a rule; rules in force stay", || {
            a_rule_that_is("larger than 1 MiB", |path| std::fs::File::create(path).unwrap().set_len(3 << 30).unwrap())
        }),
        Row::new(
            "settings that are a pipe, a device, a folder, a sparse file of 3 GB",
            "refused at once, 16 MiB read",
            settings,
        ),
        Row::new(
            "a zip file of 0.6 MB that unpacks to 600 MB, given to verify",
            "200 times its length and 256 MiB",
            zip_bomb,
        ),
        Row::new(
            "a zip file whose member is longer than it says, and whose names climb",
            "what its list says, and one byte",
            zip_that_lies,
        ),
        Row::new(
            "a bundle whose names, site and lines hold escape codes",
            "shown, never obeyed",
            bundle_that_writes_over,
        ),
        Row::new("a data folder of mode 0777", "refused with the chmod to type", open_folder),
        Row::new("a secret of mode 0644", "refused with the chmod to type", open_secret),
        Row::new("the heartbeat's address in the settings", "works, is warned of, and is recorded nowhere", heartbeat),
        Row::new(
            "a link or pipe where lock, key, store, its logs and the socket belong",
            "the target is not touched",
            planted,
        ),
        Row::new(
            "client ids, topics and payloads with escape codes, log at debug",
            "none reaches the log or a listing",
            escape_codes,
        ),
    ]
}

/// A command under a bound of memory and of time; gives its exit code and all that it printed.
fn bounded(settings: &Path, arguments: &[&str]) -> (i32, String, Duration) {
    let begun = Instant::now();
    let script = format!("ulimit -v {MEMORY_KIB}; exec timeout --signal=KILL 60 \"$@\"");
    let out = Command::new("sh")
        .args(["-c", &script, "sh", env!("CARGO_BIN_EXE_hypocaust"), "--config"])
        .arg(settings)
        .args(arguments)
        .stdin(Stdio::null())
        .output()
        .unwrap();
    let text = String::from_utf8_lossy(&out.stdout).into_owned() + String::from_utf8_lossy(&out.stderr).as_ref();
    let took = begun.elapsed();
    assert!(took < AT_ONCE, "{arguments:?} took {took:?}:\n{text}");
    assert!(!steers(&text), "{text:?}");
    (out.status.code().unwrap_or(-1), text, took)
}

/// Whether a text would do anything to a terminal but fill it.
fn steers(text: &str) -> bool {
    text.chars().any(|c| site::plain::steers(c) && !"\n\t".contains(c))
}

async fn a_rule_that_is(what: &str, make: impl FnOnce(&Path)) -> Happened {
    let port = free_port();
    let yard = Yard::new(1).embedded_at(port);
    let daemon = Process::start(&yard, &[]);
    eventually("the broker", || TcpStream::connect(("127.0.0.1", port)).ok()).await;
    make(&yard.path("rules/zz-odd.rhai"));
    daemon.hang_up();
    let line = eventually("the word about the rule", || {
        daemon.log().lines().find(|line| line.contains("zz-odd") && line.contains("cannot be read")).map(str::to_owned)
    })
    .await;
    assert!(line.contains(what), "{line}");
    // It goes on: a reading is stored.
    publish(port, "probe", "t/b1-core", br#"{"t":1773014400,"v":55.0}"#);
    let stored = || Ledger::open(&yard.data(), Access::Read).ok()?.counts().ok().filter(|counts| counts.readings > 0);
    eventually("a reading after it", stored).await;
    let spent = daemon.spent();
    assert!(spent.megabytes < 400.0, "{spent:?}");
    assert_eq!(daemon.stop().0, Some(0));
    Happened::new(format!("named ({what}), readings go on"), spent)
}

async fn settings() -> Happened {
    let yard = Yard::new(1);
    let path = |name: &str| yard.path(name);
    assert!(Command::new("mkfifo").arg(path("pipe.yaml")).status().unwrap().success());
    symlink("/dev/zero", path("zero.yaml")).unwrap();
    std::fs::create_dir(path("folder.yaml")).unwrap();
    std::fs::File::create(path("sparse.yaml")).unwrap().set_len(3 << 30).unwrap();
    let mut longest = Duration::ZERO;
    for (name, why) in [
        ("pipe.yaml", "it is a pipe"),
        ("zero.yaml", "it is a device"),
        ("folder.yaml", "it is a folder"),
        ("sparse.yaml", "it is larger than 16 MiB"),
    ] {
        for command in ["check", "run"] {
            let (code, said, took) = bounded(&path(name), &[command]);
            assert!(code == 78 && said.contains(why), "{name}: {code}\n{said}");
            longest = longest.max(took);
        }
    }
    Happened::said(format!("exit 78, each named, in {:.1} s at the most", longest.as_secs_f64()))
}

/// Entries of a zip file, and how long each is.
fn zip(path: &Path, entries: &[(&str, u64, u8)]) {
    let mut zip = zip::ZipWriter::new(std::fs::File::create(path).unwrap());
    let options = zip::write::SimpleFileOptions::default().compression_method(zip::CompressionMethod::Deflated);
    for (name, length, byte) in entries {
        zip.start_file(*name, options).unwrap();
        std::io::copy(&mut std::io::repeat(*byte).take(*length), &mut zip).unwrap();
    }
    zip.finish().unwrap();
}

async fn zip_bomb() -> Happened {
    let yard = Yard::new(1);
    let bomb = yard.path("bomb.zip");
    zip(&bomb, &[("manifest.json", 600 << 20, b' '), ("data.csv", 10, b'x')]);
    let packed = std::fs::metadata(&bomb).unwrap().len();
    let (code, said, took) = bounded(&yard.write_settings(), &["verify", bomb.to_str().unwrap()]);
    assert!(code == 65 && said.contains("more than any bundle does"), "{code}\n{said}");
    Happened::said(format!("{packed} bytes: exit 65, named, in {:.1} s", took.as_secs_f64()))
}

/// A bundle that nobody signed, of these files: enough to be looked at.
fn manifest(files: &[(&str, u64)], name: &str) -> String {
    let files: Vec<_> = files
        .iter()
        .map(|(name, bytes)| serde_json::json!({ "name": name, "bytes": bytes, "sha256": "00".repeat(32) }))
        .collect();
    serde_json::json!({
        "v": 2, "site": "s", "name": name, "from": "2026-03-02T00:00:00.000Z", "to": "2026-03-03T00:00:00.000Z",
        "made_at": "2026-03-04T00:00:00.000Z", "software": "d", "absent": [], "files": files
    })
    .to_string()
}

/// A key that any bundle may carry.
fn vkey() -> String {
    seal::note::SignerKey::new("hypocaust/s", &[7; 32]).unwrap().verifier().to_string()
}

async fn zip_that_lies() -> Happened {
    let yard = Yard::new(1);
    let path = yard.path("lies.zip");
    let listed = manifest(&[("data.csv", 10)], "Harrow Lane");
    std::fs::write(yard.path("outside"), "secret").unwrap();
    let mut archive = zip::ZipWriter::new(std::fs::File::create(&path).unwrap());
    let options = zip::write::SimpleFileOptions::default().compression_method(zip::CompressionMethod::Deflated);
    for (name, content) in [("manifest.json", listed), ("log.vkey", vkey()), ("../../outside", "secret".into())] {
        archive.start_file(name, options).unwrap();
        archive.write_all(content.as_bytes()).unwrap();
    }
    archive.start_file("data.csv", options).unwrap();
    std::io::copy(&mut std::io::repeat(b'\n').take(200 << 20), &mut archive).unwrap();
    archive.finish().unwrap();
    // Its length as the directory and the entry have it: 200 MiB are said to be 10 bytes.
    let mut bytes = std::fs::read(&path).unwrap();
    let (long, short) = ((200u32 << 20).to_le_bytes(), 10u32.to_le_bytes());
    let places: Vec<usize> = (0..bytes.len() - 4).filter(|at| bytes[*at..*at + 4] == long).collect();
    assert!(!places.is_empty(), "the length is nowhere in the archive");
    places.iter().for_each(|at| bytes[*at..*at + 4].copy_from_slice(&short));
    std::fs::write(&path, bytes).unwrap();
    let (code, said, took) = bounded(&yard.write_settings(), &["verify", path.to_str().unwrap()]);
    assert!(code == 1 && said.contains("data.csv: has more than 10 bytes"), "{code}\n{said}");
    // The same in a folder: names that climb are not there, whatever lies where they lead.
    let folder = yard.path("bundle");
    std::fs::create_dir(&folder).unwrap();
    std::fs::write(folder.join("manifest.json"), manifest(&[("link", 6)], "Harrow Lane")).unwrap();
    std::fs::write(folder.join("log.vkey"), vkey()).unwrap();
    symlink(yard.path("outside"), folder.join("link")).unwrap();
    let (code, said, _) = bounded(&yard.write_settings(), &["verify", folder.to_str().unwrap()]);
    assert!(code == 1 && said.contains("link: cannot be read"), "{said}");
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("../seal/src/verify.py");
    let second = || {
        let out = Command::new("python3").arg(&script).arg(&folder).output().unwrap();
        (out.status.code(), [out.stdout, out.stderr].map(|text| String::from_utf8_lossy(&text).into_owned()).concat())
    };
    let (code, said) = second();
    assert!(code == Some(1) && said.contains("link: cannot be read: it is a link"), "{said}");
    // A list that names a way out of the folder is none.
    for climbs in ["../outside", "/etc/hostname", "a/../../outside"] {
        std::fs::write(folder.join("manifest.json"), manifest(&[(climbs, 6)], "Harrow Lane")).unwrap();
        let (code, said, _) = bounded(&yard.write_settings(), &["verify", folder.to_str().unwrap()]);
        assert!(code == 65 && said.contains("manifest.json"), "{climbs}: {code}: {said}");
        assert_eq!(second().0, Some(65), "{climbs}");
    }
    Happened::said(format!(
        "exit 1, each named; a name that climbs 65; by both verifiers, in {:.1} s",
        took.as_secs_f64()
    ))
}

async fn bundle_that_writes_over() -> Happened {
    let yard = Yard::new(1);
    let folder = yard.path("bundle");
    std::fs::create_dir(&folder).unwrap();
    let evil = "x\u{1b}[2J\nok    files       all is well\u{202e}\u{9b}31m";
    let listed = manifest(&[("hours.jsonl", 3)], &format!("Yard\r{evil}"));
    std::fs::write(folder.join("manifest.json"), listed).unwrap();
    std::fs::write(folder.join("log.vkey"), vkey()).unwrap();
    std::fs::write(folder.join(format!("stray{evil}")), "").unwrap();
    std::fs::write(folder.join("figures.csv"), format!("{evil}\n")).unwrap();
    std::fs::write(folder.join("hours.jsonl"), "{\"\u{1b}[31m\":1}\n").unwrap();
    let (code, said, _) = bounded(&yard.write_settings(), &["verify", folder.to_str().unwrap()]);
    assert!(code == 1 && said.contains("x\\u001b[2J\\u000aok    files"), "{code}\n{said}");
    assert!(!said.lines().any(|line| line.starts_with("ok    files")), "a line was forged:\n{said}");
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("../seal/src/verify.py");
    let out = Command::new("python3").arg(script).arg(&folder).output().unwrap();
    let second = String::from_utf8(out.stdout).unwrap();
    assert!(!steers(&second) && second.contains("u001b[2J"), "{second}");
    assert!(!second.lines().any(|line| line.starts_with("ok    files")), "a line was forged:\n{second}");
    Happened::said("exit 1, names shown as \\u001b[2J, no line forged, by both verifiers")
}

/// Starts the daemon where it has to refuse, and gives what it says.
fn refused_start(yard: &Yard, code: i32) -> String {
    let (got, said, _) = bounded(&yard.write_settings(), &["run"]);
    assert_eq!(got, code, "{said}");
    said
}

/// Types the command that a message names in backticks.
fn typed(said: &str) {
    let command =
        said.split('`').find(|words| words.starts_with("chmod ")).unwrap_or_else(|| panic!("no chmod in: {said}"));
    assert!(Command::new("sh").args(["-c", command]).status().unwrap().success(), "{command}");
}

async fn open_folder() -> Happened {
    let port = free_port();
    let yard = Yard::new(1).embedded_at(port);
    std::fs::create_dir(yard.data()).unwrap();
    std::fs::set_permissions(yard.data(), std::fs::Permissions::from_mode(0o777)).unwrap();
    let said = refused_start(&yard, 78);
    assert!(said.contains("everybody can put files in it") && said.contains("(mode 0777)"), "{said}");
    typed(&said);
    let daemon = Process::start(&yard, &[]);
    eventually("the broker", || TcpStream::connect(("127.0.0.1", port)).ok()).await;
    let spent = daemon.spent();
    assert_eq!(daemon.stop().0, Some(0));
    Happened::new("exit 78; starts once that is typed", spent)
}

async fn open_secret() -> Happened {
    let port = free_port();
    let mut yard = Yard::new(1).embedded_at(port);
    let secret = yard.path("token");
    std::fs::write(&secret, "correct-horse-battery-staple\n").unwrap();
    std::fs::set_permissions(&secret, std::fs::Permissions::from_mode(0o644)).unwrap();
    yard.person = format!(", log_token_file: \"{}\"", secret.display());
    let said = refused_start(&yard, 78);
    assert!(said.contains("everybody can read it (mode 0644)") && !said.contains("horse"), "{said}");
    typed(&said);
    let daemon = Process::start(&yard, &[]);
    eventually("the broker", || TcpStream::connect(("127.0.0.1", port)).ok()).await;
    let spent = daemon.spent();
    assert_eq!(daemon.stop().0, Some(0));
    Happened::new("exit 78; starts once that is typed", spent)
}

async fn heartbeat() -> Happened {
    let port = free_port();
    let mut yard = Yard::new(1).embedded_at(port);
    yard.more = "heartbeat: { url: \"http://127.0.0.1:9/7f3a91c2\" } # http://127.0.0.1:9/7f3a91c2\n".into();
    let (code, said, _) = bounded(&yard.write_settings(), &["check"]);
    assert!(
        code == 0 && said.contains("heartbeat to 127.0.0.1:9") && said.contains("`url` in heartbeat is a secret"),
        "{said}"
    );
    let recording = yard.path("recording.jsonl");
    let daemon = Process::start(&yard, &["--record", recording.to_str().unwrap()]);
    eventually("the broker", || TcpStream::connect(("127.0.0.1", port)).ok()).await;
    let spent = daemon.spent();
    let log = daemon.log();
    assert_eq!(daemon.stop().0, Some(0));
    let holds = |bytes: &[u8], words: &str| bytes.windows(words.len()).any(|window| window == words.as_bytes());
    let mut looked_at = 0;
    for path in std::fs::read_dir(yard.data()).unwrap().map(|entry| entry.unwrap().path()).chain([recording.clone()]) {
        if path.is_file() {
            looked_at += 1;
            assert!(!holds(&std::fs::read(&path).unwrap(), "7f3a91c2"), "{}", path.display());
        }
    }
    assert!(holds(&std::fs::read(&recording).unwrap(), "kept-out.invalid"), "the settings are not in the recording");
    assert!(!log.contains("7f3a91c2") && !said.contains("7f3a91c2"), "{log}\n{said}");
    let (code, said, _) = bounded(&yard.write_settings(), &["rerun", recording.to_str().unwrap()]);
    assert_eq!(code, 0, "{said}");
    Happened::new(format!("not in the log, the answer of check and {looked_at} files; the recording reruns"), spent)
}

async fn planted() -> Happened {
    let names = ["lock", "ledger.lock", "ledger.db", "ledger.db-wal", "ledger.db-shm", "record.key"];
    let mut refused = 0;
    for name in names {
        for kind in ["link", "dangling", "pipe", "hard"] {
            let yard = Yard::new(1);
            let precious = yard.path("precious");
            std::fs::write(&precious, "precious\n").unwrap();
            std::fs::set_permissions(&precious, std::fs::Permissions::from_mode(0o600)).unwrap();
            std::fs::create_dir(yard.data()).unwrap();
            let place = yard.data().join(name);
            match kind {
                "link" => symlink(&precious, &place).unwrap(),
                "dangling" => symlink(yard.path("nowhere"), &place).unwrap(),
                "pipe" => assert!(Command::new("mkfifo").arg(&place).status().unwrap().success()),
                // Only root can be tricked with one, and tests may run as anybody.
                _ if rustix::process::geteuid().is_root() => std::fs::hard_link(&precious, &place).unwrap(),
                _ => continue,
            }
            let (code, said) = match name {
                // A log without its store is moved out of the way as it is and the daemon watches, or the start is refused.
                "ledger.db-wal" => {
                    let daemon = Process::start(&yard, &[]);
                    let log =
                        eventually("the log is named", || Some(daemon.log()).filter(|log| log.contains(name))).await;
                    let (code, _) = daemon.stop();
                    assert!([Some(0), Some(78)].contains(&code), "{kind} as {name}: {code:?}\n{log}");
                    (78, log)
                }
                "record.key" => {
                    let (code, said, _) = bounded(&yard.write_settings(), &["record", "key"]);
                    (code, said)
                }
                _ => (78, refused_start(&yard, 78)),
            };
            assert!(code != 0 && said.contains(name), "{kind} as {name}: {code}\n{said}");
            assert_eq!(std::fs::read_to_string(&precious).unwrap(), "precious\n", "{kind} as {name}");
            assert!(!yard.path("nowhere").exists(), "{kind} as {name}");
            refused += 1;
        }
    }
    // The socket's place is made free, and what lay behind it stays as it is.
    let port = free_port();
    let yard = Yard::new(1).embedded_at(port);
    let precious = yard.path("precious");
    std::fs::write(&precious, "precious\n").unwrap();
    std::fs::set_permissions(&precious, std::fs::Permissions::from_mode(0o600)).unwrap();
    std::fs::create_dir(yard.data()).unwrap();
    let socket: PathBuf = hypocaust::socket::socket_path(&yard.data());
    symlink(&precious, &socket).unwrap();
    let daemon = Process::start(&yard, &[]);
    eventually("the broker", || TcpStream::connect(("127.0.0.1", port)).ok()).await;
    eventually("the socket", || std::os::unix::net::UnixStream::connect(&socket).ok()).await;
    assert_eq!(std::fs::metadata(&precious).unwrap().permissions().mode() & 0o777, 0o600);
    assert_eq!(std::fs::read_to_string(&precious).unwrap(), "precious\n");
    let spent = daemon.spent();
    assert_eq!(daemon.stop().0, Some(0));
    Happened::new(format!("{refused} refused by name, the socket made anew; nothing behind them changed"), spent)
}

/// A message by hand, because clients check what they send: MQTT 3.1.1, one message at QoS 1. The broker may hang up on it.
fn publish(port: u16, client: &str, topic: &str, payload: &[u8]) {
    let text = |text: &str| [&u16::try_from(text.len()).unwrap().to_be_bytes()[..], text.as_bytes()].concat();
    let packet = |kind: u8, body: &[u8]| [&[kind, u8::try_from(body.len()).unwrap()][..], body].concat();
    let mut stream = TcpStream::connect(("127.0.0.1", port)).unwrap();
    stream.set_read_timeout(Some(AT_ONCE)).unwrap();
    let hello = [text("MQTT"), vec![4, 2, 0, 60], text(client)].concat();
    stream.write_all(&packet(0x10, &hello)).unwrap();
    let mut answer = [0; 4];
    if stream.read_exact(&mut answer).is_err() {
        return;
    }
    let message = [text(topic), vec![0, 1], payload.to_vec()].concat();
    if stream.write_all(&packet(0x32, &message)).is_ok() {
        // PUBACK, or the end.
        let _ = stream.read(&mut answer);
    }
}

async fn escape_codes() -> Happened {
    let port = free_port();
    let yard = Yard::new(1).embedded_at(port);
    let daemon = Process::start_under(&yard, &[], &[("HYPOCAUST_LOG", "debug")]);
    eventually("the broker", || TcpStream::connect(("127.0.0.1", port)).ok()).await;
    let evil = "\u{1b}]0;mine\u{7}\u{1b}[2J\u{9b}31m\u{202e}\r\nINFO all is well";
    publish(port, evil, "t/b1-core", b"{\"t\":1773014400,\"v\":55.0}");
    publish(port, "probe", &format!("t/{evil}"), b"{\"t\":1773014400,\"v\":55.0}");
    publish(port, "probe", "t/none\u{202e}\u{2066}", b"{\"t\":1773014400,\"v\":55.0}");
    publish(port, "probe", "t/b1-core", format!("{{\"t\":\"{evil}\",\"v\":1}}").as_bytes());
    publish(port, "probe", "t/b1-core", evil.as_bytes());
    publish(port, "probe", "hypocaust/test-yard/log", format!("{{\"id\":\"{evil}\",\"by\":\"{evil}\"}}").as_bytes());
    let settings = yard.write_settings();
    let refused = || Ledger::open(&yard.data(), Access::Read).ok()?.counts().ok().filter(|counts| counts.refused >= 2);
    eventually("the rejected messages", refused).await;
    // Which also looks for what would steer a terminal.
    let (code, listed, _) = bounded(&settings, &["refused"]);
    assert!(code == 0 && listed.contains("\\u"), "{code}\n{listed}");
    let (code, said, _) = bounded(&settings, &["log", "note", "--bin", "b1", "--note", &format!("n{evil}")]);
    assert!(!said.is_empty(), "{code}");
    bounded(&settings, &["log", "list", "--bin", "b1"]);
    bounded(&settings, &["log", "list", "--bin", "b1", "--json"]);
    let spent = daemon.spent();
    let log = daemon.log();
    assert_eq!(daemon.stop().0, Some(0));
    assert!(!steers(&log), "{log:?}");
    assert!(!log.lines().any(|line| line.starts_with("INFO all is well")), "a line was forged:\n{log}");
    Happened::new(format!("{} lines of log and three listings, all of them plain", log.lines().count()), spent)
}
