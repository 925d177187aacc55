//! Walls that the compiler does not hold: which crate may know which, what pure crates may not touch, heads of modules.
//!
//! Must never be loosened for one crate's convenience: the design decides, see DEVELOPERS.md.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

/// Crates, lowest first; each may depend only on those before it.
const ORDER: [&str; 17] = [
    "fence",
    "pile",
    "site",
    "seal",
    "rulebook",
    "engine",
    "decode",
    "files",
    "reqwest",
    "intake",
    "ledger",
    "copier",
    "press",
    "post",
    "page",
    "sim",
    "hypocaust",
];
/// Crates that never read a clock, a file, a socket or the environment.
const PURE: [&str; 7] = ["pile", "site", "seal", "rulebook", "engine", "decode", "press"];
/// Crates that do not know each other.
const STRANGERS: [&str; 6] = ["intake", "ledger", "copier", "post", "page", "sim"];
/// What may stand at the top level, beside dot files.
const TOP: [&str; 14] = [
    "Cargo.toml",
    "Cargo.lock",
    "README.md",
    "DEVELOPERS.md",
    "LICENSE",
    "clippy.toml",
    "rustfmt.toml",
    "deny.toml",
    "crates",
    "config",
    "rules",
    "tests",
    "deploy",
    "demo-data",
];

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

fn crates() -> Vec<String> {
    let mut names: Vec<String> =
        fs::read_dir(root().join("crates")).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    names
}

fn manifest(name: &str) -> String {
    fs::read_to_string(root().join("crates").join(name).join("Cargo.toml")).unwrap()
}

/// The keys of a table of a manifest. Ours are plain: one dependency a line.
fn keys(manifest: &str, table: &str) -> Vec<String> {
    manifest
        .lines()
        .skip_while(|line| line.trim() != format!("[{table}]"))
        .skip(1)
        .take_while(|line| !line.starts_with('['))
        .filter_map(|line| line.split(['.', '=', ' ']).next())
        .filter(|key| !key.is_empty() && !key.starts_with('#'))
        .map(str::to_owned)
        .collect()
}

fn sources(name: &str) -> Vec<PathBuf> {
    fn walk(folder: &Path, found: &mut Vec<PathBuf>) {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                walk(&path, found);
            } else if path.extension().is_some_and(|e| e == "rs") {
                found.push(path);
            }
        }
    }
    let mut found = Vec::new();
    walk(&root().join("crates").join(name).join("src"), &mut found);
    found.sort();
    found
}

#[test]
fn every_crate_has_its_place_and_depends_only_on_those_before_it() {
    let place: BTreeMap<&str, usize> = ORDER.iter().enumerate().map(|(i, n)| (*n, i)).collect();
    let mut wrong = Vec::new();
    for name in crates() {
        let Some(mine) = place.get(name.as_str()) else {
            wrong.push(format!("{name} has no place in the order of crates"));
            continue;
        };
        for dependency in keys(&manifest(&name), "dependencies") {
            let Some(theirs) = place.get(dependency.as_str()) else { continue };
            if theirs >= mine {
                wrong.push(format!("{name} depends on {dependency}, which comes after it"));
            }
            if STRANGERS.contains(&name.as_str()) && STRANGERS.contains(&dependency.as_str()) {
                wrong.push(format!("{name} depends on {dependency}: these do not know each other"));
            }
            if dependency == "press" && name != "post" {
                wrong.push(format!("{name} depends on press; only post does"));
            }
            if name == "press"
                && place.contains_key(dependency.as_str())
                && !["pile", "fence"].contains(&dependency.as_str())
            {
                wrong.push(format!("press depends on {dependency}; it does not know what a document is about"));
            }
            if PURE.contains(&name.as_str()) && dependency == "files" {
                wrong.push(format!("{name} depends on files; pure crates open nothing"));
            }
            if ["influxdb2", "reqwest"].contains(&dependency.as_str()) && name != "copier" {
                wrong.push(format!("{name} depends on {dependency}; only copier speaks to InfluxDB"));
            }
            if ["krilla", "krilla-svg", "parley"].contains(&dependency.as_str()) && name != "press" {
                wrong.push(format!("{name} depends on {dependency}; only press sets documents"));
            }
            if dependency == "decode" && !["intake", "hypocaust"].contains(&name.as_str()) {
                wrong.push(format!("{name} depends on decode; only intake calls it"));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn pure_crates_touch_no_clock_file_socket_or_environment() {
    let forbidden = [
        "std::fs",
        "std::env",
        "std::process",
        "std::thread",
        "std::os",
        "SystemTime",
        "Instant::now",
        "Timestamp::now",
        "ZonedDateTime::now",
        "TimeZone::system",
        "HashMap",
        "HashSet",
        "println!",
        "eprintln!",
    ];
    let mut wrong = Vec::new();
    for name in crates().iter().filter(|n| PURE.contains(&n.as_str())) {
        for path in sources(name) {
            let text = fs::read_to_string(&path).unwrap();
            // Tests inside a module may read their tables.
            let code = text.split("#[cfg(test)]").next().unwrap_or_default();
            for (number, line) in (1..).zip(code.lines()) {
                let code = line.split("//").next().unwrap_or_default();
                // Addresses are values; opening one is not.
                let code = code.replace("std::net::SocketAddr", "").replace("std::net::IpAddr", "");
                for word in forbidden.iter().chain(&["std::net"]) {
                    if code.contains(word) {
                        wrong.push(format!("{}:{number}: {word}", path.display()));
                    }
                }
            }
        }
    }
    assert!(wrong.is_empty(), "pure crates must not use:\n{}", wrong.join("\n"));
}

#[test]
fn paths_from_outside_are_opened_in_one_place() {
    let forbidden = [
        "File::open(",
        "File::create(",
        "fs::read(",
        "fs::read_to_string(",
        "fs::write(",
        "fs::copy(",
        "OpenOptions::new(",
    ];
    // What is opened there is no path from outside: a folder to sync it, the kernel's random numbers, a file that must be new.
    let allowed = [
        ("ledger/src/folder.rs", "File::open(parent)"),
        ("ledger/src/folder.rs", "File::open(folder)"),
        ("ledger/src/backup.rs", "File::open(parent)"),
        ("ledger/src/backup.rs", "File::open(&copied)"),
        ("post/src/postman.rs", "File::open(folder)"),
        ("hypocaust/src/record_key.rs", "File::open(\"/dev/urandom\")"),
        ("hypocaust/src/record_key.rs", "create_new(true)"),
        ("hypocaust/src/init.rs", "create_new(true)"),
        ("hypocaust/src/init/asking.rs", "read_to_string(\"/etc/timezone\")"),
    ];
    let mut wrong = Vec::new();
    for name in crates().iter().filter(|n| *n != "files") {
        for path in sources(name) {
            let text = fs::read_to_string(&path).unwrap();
            let code = text.split("#[cfg(test)]").next().unwrap_or_default();
            for (number, line) in (1..).zip(code.lines()) {
                let code = line.split("//").next().unwrap_or_default();
                let is_allowed = |(file, words): &(&str, &str)| path.ends_with(file) && code.contains(words);
                if forbidden.iter().any(|words| code.contains(words)) && !allowed.iter().any(is_allowed) {
                    wrong.push(format!("{}:{number}: {}", path.display(), code.trim()));
                }
            }
        }
    }
    assert!(wrong.is_empty(), "open these by the crate `files`:\n{}", wrong.join("\n"));
}

#[test]
fn core_types_carry_no_serde() {
    let wrong: Vec<_> = crates()
        .into_iter()
        .filter(|n| ["pile", "seal", "rulebook", "engine"].contains(&n.as_str()))
        .filter(|n| {
            // A row of the record is JSON by definition, so `seal` speaks it; no type of another crate may hang on a derive there.
            let allowed = |d: &str| n == "seal" && ["serde_json", "serde_json_canonicalizer"].contains(&d);
            keys(&manifest(n), "dependencies").iter().any(|d| d.starts_with("serde") && !allowed(d))
        })
        .collect();
    assert!(wrong.is_empty(), "serde in {wrong:?}: wire, row and JSON shapes belong to the crate that speaks them");
}

#[test]
fn every_module_says_what_it_is_for_and_what_it_must_never_do() {
    let mut wrong = Vec::new();
    for name in crates() {
        for path in sources(&name) {
            let text = fs::read_to_string(&path).unwrap();
            let head: Vec<&str> = text.lines().take_while(|line| line.starts_with("//!")).collect();
            if head.is_empty() || !head.iter().any(|line| line.contains("Must never")) {
                wrong.push(path.display().to_string());
            }
        }
    }
    assert!(
        wrong.is_empty(),
        "these files lack a head with what they are for and `Must never …`:\n{}",
        wrong.join("\n")
    );
}

#[test]
fn lints_and_versions_are_stated_once() {
    for name in crates() {
        let text = manifest(&name);
        assert!(text.contains("[lints]\nworkspace = true"), "{name}: lints must come from the root manifest");
        assert!(text.contains("rust-version.workspace = true"), "{name}: the MSRV must come from the root manifest");
        for table in ["dependencies", "dev-dependencies"] {
            for line in
                text.lines().skip_while(|l| *l != format!("[{table}]")).skip(1).take_while(|l| !l.starts_with('['))
            {
                assert!(
                    line.is_empty() || line.starts_with('#') || line.contains("workspace = true"),
                    "{name}: `{line}`: versions must come from the root manifest"
                );
            }
        }
    }
}

#[test]
fn nothing_new_stands_at_the_top_level() {
    let tracked = std::process::Command::new("git").args(["ls-files"]).current_dir(root()).output();
    let Ok(tracked) = tracked else { return not_a_checkout() };
    if !tracked.status.success() {
        return not_a_checkout();
    }
    let listing = String::from_utf8(tracked.stdout).unwrap();
    let wrong: Vec<_> = listing
        .lines()
        .filter_map(|path| path.split('/').next())
        .filter(|top| !top.starts_with('.') && !TOP.contains(top))
        .collect();
    assert!(wrong.is_empty(), "the top level is fixed; these do not belong there: {wrong:?}");
}

fn not_a_checkout() {
    assert!(std::env::var_os("CI").is_none(), "in CI the tree must be a git checkout with git at hand");
    eprintln!("NOT RUN: the top level is checked only in a git checkout with git at hand");
}
