//! What the program says about itself in the forms that a system keeps: manual pages, completions for shells, the form of the settings.
//!
//! Must never say anything that `--help` or the schema of the settings does not: all of it is made from these two.

use std::fmt::Write as _;
use std::io;
use std::path::Path;

use clap::{Command, CommandFactory};
use clap_mangen::Man;
use serde_json::{Map, Value};

use crate::cli::Cli;
use crate::commands::CommandError;
use crate::settings_schema;

/// The page about the daemon, which is no command of a user.
const DAEMON: &str = "hypocaust-run";
const DAEMON_SECTION: &str = "8";
/// The page about the settings.
const SETTINGS: &str = "hypocaust.yaml";

/// Prints the completions of a shell.
pub fn completions(shell: clap_complete::Shell) {
    clap_complete::generate(shell, &mut Cli::command(), "hypocaust", &mut io::stdout());
}

/// Prints the JSON Schema of the settings.
pub fn config_schema() {
    print!("{}", settings_schema::schema_text());
}

/// Writes a manual page for the program and each of its commands (section 1, the daemon 8), and one about the settings (section 5).
///
/// # Errors
/// When a file cannot be written.
pub fn man(out: &Path) -> Result<(), CommandError> {
    let cannot = |path: &Path| {
        let what = format!("the manual page {} cannot be written; give a folder that can be written", path.display());
        move |source| CommandError::Io { what, source }
    };
    std::fs::create_dir_all(out).map_err(cannot(out))?;
    let pages = pages().map_err(cannot(out))?;
    for (name, text) in &pages {
        let path = out.join(name);
        files::write(&path, text).map_err(cannot(&path))?;
    }
    println!("{} pages in {}; read one with `man -l {}/hypocaust.1`", pages.len(), out.display(), out.display());
    Ok(())
}

/// Every page with the name of its file.
///
/// # Errors
/// None in practice: the pages are written into memory.
pub fn pages() -> io::Result<Vec<(String, String)>> {
    let mut command = Cli::command().disable_help_subcommand(true);
    command.build();
    let mut pages = Vec::new();
    command_pages(&command, &mut pages)?;
    pages.push((format!("{SETTINGS}.5"), settings_page(&settings_schema::schema())));
    pages.sort();
    Ok(pages)
}

fn command_pages(command: &Command, pages: &mut Vec<(String, String)>) -> io::Result<()> {
    let name = command.get_display_name().unwrap_or_else(|| command.get_name()).to_owned();
    let section = if name == DAEMON { DAEMON_SECTION } else { "1" };
    let manual = "hypocaust";
    let source = format!("hypocaust {}", env!("CARGO_PKG_VERSION"));
    let mut text = Vec::new();
    Man::new(command.clone()).section(section).manual(manual).source(source).render(&mut text)?;
    pages.push((format!("{name}.{section}"), String::from_utf8_lossy(&text).into_owned()));
    for command in command.get_subcommands().filter(|command| !command.is_hide_set()) {
        command_pages(command, pages)?;
    }
    Ok(())
}

/// The page about the settings: every group of keys, in the order of the schema.
fn settings_page(schema: &Value) -> String {
    let version = env!("CARGO_PKG_VERSION");
    let mut page = format!(
        ".TH {SETTINGS} 5 \"\" \"hypocaust {version}\" hypocaust\n\
         .SH NAME\n{SETTINGS} \\- the settings of a site\n\
         .SH DESCRIPTION\n\
         The settings are a YAML file, /etc/hypocaust/site.yaml where the package is installed, or what \\-\\-config names.\n\
         .B hypocaust init\nwrites one to begin with, and\n.B hypocaust check\nnames every fault in it with its line and what to do.\n\
         The groups follow under their names; what a key takes stands beside it in parentheses. Unknown keys are faults. Secrets stand in files of their own, never in the settings.\n"
    );
    group(&mut page, "Settings", schema);
    let empty = Map::new();
    let definitions = schema["definitions"].as_object().unwrap_or(&empty);
    for (name, definition) in definitions {
        group(&mut page, name, definition);
    }
    page.push_str(".SH SEE ALSO\n.BR hypocaust (1),\n.BR hypocaust\\-run (8)\n");
    page
}

fn group(page: &mut String, title: &str, schema: &Value) {
    let _ = writeln!(page, ".SH {}", roff(title));
    if let Some(about) = schema["description"].as_str() {
        let _ = writeln!(page, "{}", roff(about));
    }
    let required: Vec<&str> = schema["required"].as_array().into_iter().flatten().filter_map(Value::as_str).collect();
    for (key, value) in schema["properties"].as_object().into_iter().flatten() {
        let must = if required.contains(&key.as_str()) { ", required" } else { "" };
        let _ = writeln!(page, ".TP\n.BR {} \" ({}{must})\"", roff(key), roff(&kind(value)));
        let _ = writeln!(page, "{}", roff(value["description"].as_str().unwrap_or("See there.")));
        let words: Vec<&str> = words(value).into_iter().map(|(word, _)| word).collect();
        if !words.is_empty() {
            let _ = writeln!(page, "One of {}.", roff(&words.join(", ")));
        }
    }
    for (word, about) in words(schema) {
        let _ = writeln!(page, ".TP\n.B {}\n{}", roff(word), roff(about.unwrap_or("")));
    }
    for way in schema["anyOf"].as_array().into_iter().flatten() {
        let _ = writeln!(page, ".TP\n.B {}\n{}", roff(&kind(way)), roff(way["description"].as_str().unwrap_or("")));
    }
}

/// What a value is, in a few words.
fn kind(value: &Value) -> String {
    let named = |value: &Value| value["$ref"].as_str().and_then(|text| text.rsplit('/').next()).map(str::to_owned);
    if let Some(name) = named(value).or_else(|| named(&value["allOf"][0])) {
        return name;
    }
    match value["type"].as_str() {
        Some("array") => match named(&value["items"]) {
            Some(name) => format!("list of {name}"),
            None => "list".into(),
        },
        Some("string") => "text".into(),
        Some("integer") => "whole number".into(),
        Some("boolean") => "true or false".into(),
        Some("object") => "names with values".into(),
        Some(other) => other.into(),
        None => "value".into(),
    }
}

/// The words that a value can be, each with what it means where that is written down.
fn words(value: &Value) -> Vec<(&str, Option<&str>)> {
    let plain = value["enum"].as_array().into_iter().flatten().filter_map(|word| Some((word.as_str()?, None)));
    let told = value["oneOf"].as_array().into_iter().flatten();
    let told = told.filter_map(|word| Some((word["const"].as_str()?, word["description"].as_str())));
    plain.chain(told).collect()
}

/// A text that the formatter takes for nothing but text.
fn roff(text: &str) -> String {
    let lines = text.lines().map(|line| {
        let line = line.replace('\\', "\\e").replace('-', "\\-").replace('"', "\\(dq");
        if line.starts_with(['.', '\'']) { format!("\\&{line}") } else { line }
    });
    lines.collect::<Vec<_>>().join("\n")
}
