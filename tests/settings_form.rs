//! The JSON Schema of the settings against their reader: both know the same keys, and files that ship pass both.
//!
//! Must never let the schema be checked by the program alone: a validator of other origin reads it too.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use std::collections::{BTreeMap, BTreeSet};
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use hypocaust::settings_schema::{schema, schema_text};
use serde_json::{Value, json};

/// A key that no group knows, and that resembles none.
const UNKNOWN: &str = "zzzzzzzzzzzz";

/// Settings in which every group occurs. They need not be good: the reader names unknown keys beside any other fault. The second holds
/// what excludes something of the first.
const EVERY_GROUP: [&str; 2] = [
    r#"
site: { id: a }
broker: { embedded: { listen: "127.0.0.1:1883", tls: { listen: "127.0.0.1:8883" }, users: [ { user: a } ] } }
topics: [ { topic: t, payload: json, values: [ { value_at: /v } ] } ]
blowers: [ { id: b, schedule: { on_seconds: 45 }, running: { by: run_counter } } ]
bins: [ { id: n, probes: [ { id: p } ] } ]
probes: [ { id: q } ]
gateways: [ { id: g } ]
mail: { smtp: { host: m } }
people: [ { name: Ann, on_duty: [ { from: "06:00" } ] } ]
rules: { folder: rules }
criteria: [ { id: c } ]
sounder: { topic: s }
heartbeat: { credential: c }
round_list: { reminders: [ { text: r } ] }
summary: { weekday: monday }
reports: { outside_copies: { weekday: friday } }
keep: { years: 5 }
influx: { url: "https://influx.example" }
metrics: { listen: "127.0.0.1:18830" }
"#,
    "broker: { url: \"mqtts://broker.example\" }\n",
];

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

fn yaml(text: &str) -> Value {
    serde_yaml::from_str(text).unwrap_or_else(|e| panic!("{e}\n{text}"))
}

/// Every group of keys in the schema: where it stands (lists are `[]`), and its keys.
fn groups(schema: &Value) -> BTreeMap<String, BTreeSet<String>> {
    fn walk(schema: &Value, at: &Value, path: &str, out: &mut BTreeMap<String, BTreeSet<String>>) {
        if let Some(name) = at["$ref"].as_str() {
            let definition = &schema["definitions"][name.rsplit('/').next().unwrap()];
            return walk(schema, definition, path, out);
        }
        for way in ["allOf", "anyOf", "oneOf"] {
            at[way].as_array().into_iter().flatten().for_each(|way| walk(schema, way, path, out));
        }
        if at["items"].is_object() {
            walk(schema, &at["items"], &format!("{path}[]"), out);
        }
        // Keys that the site chooses, such as names of rules, are no group; nor is what has a number behind every key.
        let Some(properties) = at["properties"].as_object() else { return };
        if path.ends_with("years_of") {
            return;
        }
        assert_eq!(at["additionalProperties"], json!(false), "{path}: unknown keys are faults");
        // A former name is still read, and not offered.
        let keys =
            properties.iter().filter(|(_, value)| value["deprecated"] != json!(true)).map(|(key, _)| key.clone());
        out.insert(path.to_owned(), keys.collect());
        for (key, value) in properties {
            walk(schema, value, &format!("{path}/{key}"), out);
        }
    }
    let mut out = BTreeMap::new();
    walk(schema, schema, "", &mut out);
    out
}

/// Puts an unknown key into the group at `path`, if the settings have such a group.
fn with_unknown(settings: &Value, path: &str) -> Option<Value> {
    let mut settings = settings.clone();
    let mut at = &mut settings;
    for part in path.split('/').skip(1) {
        let (key, lists) = (part.trim_end_matches("[]"), part.matches("[]").count());
        at = at.get_mut(key)?;
        for _ in 0..lists {
            at = at.get_mut(0)?;
        }
    }
    at.as_object_mut()?.insert(UNKNOWN.into(), json!(1));
    Some(settings)
}

/// The keys that the reader offers in place of the unknown one.
fn offered(settings: &Value) -> BTreeSet<String> {
    let text = serde_json::to_string_pretty(settings).unwrap();
    let faults = site::settings::read(&text, "site.yaml").unwrap_err();
    let fault = faults.iter().map(ToString::to_string).find(|fault| fault.contains(UNKNOWN));
    let fault = fault.unwrap_or_else(|| panic!("the reader takes an unknown key:\n{text}"));
    let list = fault.split_once("use one of ").unwrap_or_else(|| panic!("{fault}")).1;
    list.replace(" and ", ", ").replace(" or ", ", ").split(", ").map(|key| key.trim_matches('`').to_owned()).collect()
}

#[test]
fn reader_and_schema_know_the_same_keys() {
    let examples: Vec<Value> = EVERY_GROUP.iter().map(|text| yaml(text)).collect();
    let groups = groups(&schema());
    assert!(groups.len() >= 28, "{groups:#?}");
    for (path, keys) in &groups {
        let found: Vec<Value> = examples.iter().filter_map(|example| with_unknown(example, path)).collect();
        assert!(!found.is_empty(), "{path}: EVERY_GROUP has no such group; add it");
        for settings in found {
            assert_eq!(&offered(&settings), keys, "{path}: the keys of the reader (left) and of the schema");
        }
    }
}

#[test]
fn the_schema_that_ships_is_fresh() {
    expect_test::expect_file![root().join("config/site.schema.json")].assert_eq(&schema_text());
    let example = std::fs::read_to_string(root().join("config/site.yaml")).unwrap();
    assert_eq!(example.lines().next(), Some("# yaml-language-server: $schema=site.schema.json"));
}

/// Takes `{"schema", "files": {name: settings}}` and prints, as JSON, what is wrong with each.
const VALIDATOR: &str = r#"
import json, sys
import jsonschema
told = json.load(sys.stdin)
jsonschema.Draft7Validator.check_schema(told["schema"])
validator = jsonschema.Draft7Validator(told["schema"])
print(json.dumps({name: [error.message for error in validator.iter_errors(value)] for name, value in told["files"].items()}))
"#;

/// What the validator finds; nothing where there is none on this machine.
fn validated(files: &BTreeMap<String, Value>) -> Option<BTreeMap<String, Vec<String>>> {
    // Debian's package is for Debian's interpreter, whatever else is on the path.
    let python = ["/usr/bin/python3", "python3"].into_iter().find(|python| {
        let found = Command::new(python).args(["-c", "import jsonschema"]).stderr(Stdio::null()).status();
        found.is_ok_and(|status| status.success())
    });
    let Some(python) = python else {
        assert!(std::env::var("CI").as_deref() != Ok("true"), "python3-jsonschema is missing and CI=true");
        eprintln!(
            "\n*** NOT RUN: there is no jsonschema for Python here (Debian: apt-get install python3-jsonschema) ***\n"
        );
        return None;
    };
    let mut child =
        Command::new(python).args(["-c", VALIDATOR]).stdin(Stdio::piped()).stdout(Stdio::piped()).spawn().unwrap();
    let told = json!({ "schema": schema(), "files": files }).to_string();
    child.stdin.take().unwrap().write_all(told.as_bytes()).unwrap();
    let output = child.wait_with_output().unwrap();
    assert!(output.status.success());
    Some(serde_json::from_slice(&output.stdout).unwrap())
}

#[test]
fn another_validator_takes_what_ships_and_refuses_every_unknown_key() {
    let mut good = BTreeMap::new();
    for file in ["config/site.yaml", "demo-data/site.yaml"] {
        good.insert(file.to_owned(), yaml(&std::fs::read_to_string(root().join(file)).unwrap()));
    }
    // What the example leaves commented out belongs to it.
    let example = std::fs::read_to_string(root().join("config/site.yaml")).unwrap();
    for section in ["heartbeat", "metrics", "influx", "keep"] {
        good.insert(format!("the commented {section}"), with_section(&good["config/site.yaml"], &example, section));
    }
    let mut bad = BTreeMap::new();
    let folder = root().join("tests/fixtures/settings");
    for entry in std::fs::read_dir(&folder).unwrap() {
        let path = entry.unwrap().path();
        if path.extension().is_some_and(|e| e == "txt") {
            let told = std::fs::read_to_string(&path).unwrap();
            let unknown = told.contains("unknown key") || told.contains("settings never hold a secret");
            let text = std::fs::read_to_string(path.with_extension("yaml")).unwrap();
            if unknown && let Ok(value) = serde_yaml::from_str::<Value>(&text) {
                bad.insert(path.file_stem().unwrap().to_str().unwrap().to_owned(), value);
            }
        }
    }
    assert!(bad.len() >= 4, "only {:?}", bad.keys());
    let all = good.clone().into_iter().chain(bad.clone()).collect();
    let Some(found) = validated(&all) else { return };
    for name in good.keys() {
        assert!(found[name].is_empty(), "{name}: {:#?}", found[name]);
    }
    for name in bad.keys() {
        assert!(!found[name].is_empty(), "{name}.yaml has an unknown key, and the schema takes it");
    }
}

/// The settings with one of the sections that the example has as a comment.
fn with_section(settings: &Value, example: &str, section: &str) -> Value {
    let begins = format!("# {section}:");
    let lines: Vec<&str> = example
        .lines()
        .skip_while(|line| !line.starts_with(&begins))
        .enumerate()
        .take_while(|(n, line)| *n == 0 || line.starts_with("#   "))
        .map(|(_, line)| line.trim_start_matches("# "))
        .collect();
    assert!(!lines.is_empty(), "config/site.yaml has no commented {section}");
    // A key that is left out within the comment too is there.
    let bare = |line: &&str| line.strip_prefix("  # ").map_or_else(|| (*line).to_owned(), |rest| format!("  {rest}"));
    let text: Vec<String> = lines.iter().map(bare).collect();
    let mut settings = settings.clone();
    let found = yaml(&text.join("\n"));
    settings.as_object_mut().unwrap().insert(section.into(), found[section].clone());
    settings
}
