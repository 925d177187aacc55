//! `hypocaust rules`: lists and shows the rules of the site, begins a new one, and runs their cases.
//!
//! Must never change a file that is there.

mod shipped;

use std::fmt::Write;
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::ExitCode;

use engine::cases::{CaseError, Run, run};
use rulebook::cases::{Case, read_cases, to_the_minute};
use rulebook::header::{Evidence, Header, Setting, Severity};
use rulebook::{Rule, RuleText, Rulebook};

use crate::case_chart;
use crate::cli::RulesCommand;
use crate::commands::CommandError;
use crate::wiring::{self, Settings, SettingsError};

pub use shipped::SHIPPED;
pub(crate) use shipped::shipped_texts;

pub(crate) const RULE_ENDING: &str = ".rhai";
pub(crate) const CASES_ENDING: &str = ".cases.yaml";
/// A rule to begin with, and its cases; `NAME` is replaced.
const STARTER: [(&str, &str); 2] =
    [(RULE_ENDING, include_str!("rules/starter.rhai")), (CASES_ENDING, include_str!("rules/starter.cases.yaml"))];
/// Columns of text.
pub(crate) const WIDTH: usize = 100;

/// Carries out one of the commands.
///
/// # Errors
/// Faulty settings, rules or case files; a rule that there is not, or that is there already.
pub fn rules(config: &Path, command: RulesCommand) -> Result<ExitCode, CommandError> {
    match command {
        RulesCommand::List => list(config)?,
        RulesCommand::Show { name } => show(config, &name)?,
        RulesCommand::New { name } => new(config, &name)?,
        RulesCommand::Definitions => print!("{}", rulebook::definitions()),
        RulesCommand::Test { path } => return test(config, path.as_deref()),
    }
    Ok(ExitCode::SUCCESS)
}

fn list(config: &Path) -> Result<(), CommandError> {
    let (book, folder) = book(config)?;
    let wide = |of: fn(&Rule) -> &str| book.rules().iter().map(|r| of(r).chars().count()).max().unwrap_or(0);
    let (names, titles) = (wide(|r| &r.name), wide(|r| &r.header.title));
    println!("{:names$}  {:titles$}  {:12}  {:8}  cases  changed here", "rule", "title", "priority", "every");
    for rule in book.rules() {
        let cases = match cases_of(&folder.join(format!("{}{CASES_ENDING}", rule.name)))? {
            Some(cases) => cases.len().to_string(),
            None => "none".into(),
        };
        let h = &rule.header;
        let changed: Vec<String> =
            changed(h).map(|(name, s)| format!("{name} {} {}", number(s.value), s.unit)).collect();
        let every = h.every.to_string();
        let line = format!(
            "{:names$}  {:titles$}  {:12}  {every:8}  {cases:5}  {}",
            rule.name,
            h.title,
            rule.priority.key(),
            changed.join(", ")
        );
        println!("{}", line.trim_end());
    }
    Ok(())
}

fn show(config: &Path, name: &str) -> Result<(), CommandError> {
    let (book, folder) = book(config)?;
    let Some(rule) = book.rules().iter().find(|r| r.name == name) else {
        let known: Vec<&str> = book.rules().iter().map(|r| r.name.as_str()).collect();
        return Err(CommandError::Usage(format!(
            "there is no rule `{name}` in {}; there are {}",
            folder.display(),
            known.join(", ")
        )));
    };
    print!("{}", page(rule));
    Ok(())
}

fn new(config: &Path, name: &str) -> Result<(), CommandError> {
    let folder = wiring::settings(config)?.site.rules.folder;
    let fits = (1..=40).contains(&name.len())
        && name.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-');
    if !fits {
        return Err(CommandError::Usage(format!(
            "`{name}` cannot be a rule's name; use 1 to 40 small letters, digits and `-`, such as wet-exhaust"
        )));
    }
    let files = STARTER.map(|(ending, text)| (folder.join(format!("{name}{ending}")), text.replace("NAME", name)));
    if let Some((there, _)) = files.iter().find(|(path, _)| path.exists()) {
        return Err(CommandError::Refused(format!("{} is there already; choose another name", there.display())));
    }
    for (path, text) in &files {
        let failed = |source| CommandError::Io {
            what: format!("{} cannot be written; see that the folder is there and may be written to", path.display()),
            source,
        };
        let mut file = std::fs::File::create_new(path).map_err(failed)?;
        file.write_all(text.as_bytes()).map_err(failed)?;
    }
    let [(rule, _), (cases, _)] = &files;
    println!("{}: a rule to begin with; put your own condition and words in", rule.display());
    println!("{}: its cases; `hypocaust rules test {}` runs them", cases.display(), cases.display());
    Ok(())
}

/// Runs the cases of a folder or of one file.
fn test(config: &Path, path: Option<&Path>) -> Result<ExitCode, CommandError> {
    let path = match path {
        Some(path) => path.to_owned(),
        None => wiring::settings(config)?.site.rules.folder,
    };
    let rules = rules_with_cases(&path)?;
    // Every fault of every file first: whoever mends them wants to see them all.
    let (mut read, mut faults) = (vec![], vec![]);
    let (_, broken) = Rulebook::compile(
        &rules.iter().map(|(rule, _)| rule.clone()).collect::<Vec<_>>(),
        &site::model::RuleSettings::default(),
        site::model::Display::Metric,
    );
    faults.extend(broken.iter().map(ToString::to_string));
    for (rule, cases) in rules {
        match cases_of(&cases) {
            Ok(cases) => read.push((rule, cases)),
            Err(CommandError::Settings(SettingsError::RuleFaults(found))) => faults.extend(found),
            Err(other) => return Err(other),
        }
    }
    if !faults.is_empty() {
        return Err(SettingsError::RuleFaults(faults).into());
    }
    let (mut passed, mut failed, mut without) = (0, 0, vec![]);
    for (rule, cases) in &read {
        let Some(cases) = cases else {
            without.push(rule.name.as_str());
            continue;
        };
        for case in cases {
            let run = match run(rule, case) {
                Ok(run) => run,
                Err(CaseError::Rule(found)) => {
                    faults.extend(found.iter().map(|fault| format!("{}: {fault}", case.place)));
                    continue;
                }
                Err(error @ CaseError::Log { .. }) => {
                    faults.push(error.to_string());
                    continue;
                }
                Err(error) => return Err(CommandError::Refused(error.to_string())),
            };
            if run.fulfils(&case.expected) {
                passed += 1;
                println!("passed  {}: {}", rule.name, case.name);
            } else {
                failed += 1;
                println!("FAILED  {}: {}\n{}", rule.name, case.name, told(case, &run));
            }
        }
    }
    for name in &without {
        println!("no case {name}: write {name}{CASES_ENDING} beside it");
    }
    if !faults.is_empty() {
        return Err(SettingsError::RuleFaults(faults).into());
    }
    println!("{passed} passed, {failed} failed");
    Ok(if failed == 0 { ExitCode::SUCCESS } else { ExitCode::from(1) })
}

/// What was expected of a case, what happened instead, and a picture of it.
fn told(case: &Case, run: &Run) -> String {
    let mut told = format!("  {}\n", case.place);
    let expected: Vec<String> = case
        .expected
        .iter()
        .map(|e| format!("{} from {} to {}", e.kind.key(), to_the_minute(e.from), to_the_minute(e.to)))
        .collect();
    let none = |lines: Vec<String>| if lines.is_empty() { vec!["no alarm".to_owned()] } else { lines };
    for (label, lines) in [
        ("expected", none(expected)),
        (
            "happened",
            none(
                run.events
                    .iter()
                    .map(|h| format!("{} at {}: {}", h.kind.key(), to_the_minute(h.at), h.finding))
                    .collect(),
            ),
        ),
        ("the rule", run.said.iter().map(|(at, said)| format!("at {} said {said}", to_the_minute(*at))).collect()),
    ] {
        for (n, line) in lines.iter().enumerate() {
            let _ = writeln!(told, "  {:9} {line}", if n == 0 { label } else { "" });
        }
    }
    told.push_str(&case_chart::chart(case, run));
    told
}

/// Every rule of a folder, or that of one file, with the path of its case file.
fn rules_with_cases(path: &Path) -> Result<Vec<(RuleText, PathBuf)>, CommandError> {
    if path.is_dir() {
        let texts = wiring::rules(path)?;
        return Ok(texts
            .into_iter()
            .map(|rule| {
                let cases = path.join(format!("{}{CASES_ENDING}", rule.name));
                (rule, cases)
            })
            .collect());
    }
    let file = path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    let Some(name) = file.strip_suffix(CASES_ENDING).or_else(|| file.strip_suffix(RULE_ENDING)) else {
        return Err(CommandError::Usage(format!(
            "{} is neither a folder nor a file NAME{CASES_ENDING} or NAME{RULE_ENDING}",
            path.display()
        )));
    };
    let beside = |ending| path.with_file_name(format!("{name}{ending}"));
    let rule = beside(RULE_ENDING);
    let text = files::read_text(&rule, files::RULE).map_err(|source| CommandError::Io {
        what: format!("the rule {} cannot be read; its cases are next to it under its name", rule.display()),
        source,
    })?;
    Ok(vec![(RuleText { name: name.into(), path: rule.display().to_string(), text }, beside(CASES_ENDING))])
}

/// The cases of one file; `None` where there is no such file.
pub(crate) fn cases_of(path: &Path) -> Result<Option<Vec<Case>>, CommandError> {
    let text = match files::read_text(path, files::RULE_CASES) {
        Ok(text) => text,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(None),
        Err(source) => {
            return Err(CommandError::Io { what: format!("the cases {} cannot be read", path.display()), source });
        }
    };
    match read_cases(&text, &path.display().to_string()) {
        Ok(cases) => Ok(Some(cases)),
        Err(faults) => Err(SettingsError::RuleFaults(faults.iter().map(ToString::to_string).collect()).into()),
    }
}

fn book(config: &Path) -> Result<(Rulebook, PathBuf), CommandError> {
    let Settings { site, .. } = wiring::settings(config)?;
    let texts = wiring::rules(&site.rules.folder)?;
    let (book, faults) = Rulebook::compile(&texts, &site.rules, site.display);
    if !faults.is_empty() {
        return Err(SettingsError::RuleFaults(faults.iter().map(ToString::to_string).collect()).into());
    }
    Ok((book, site.rules.folder))
}

fn changed(header: &Header) -> impl Iterator<Item = (&String, &Setting)> {
    header.settings.iter().filter(|(_, s)| number(s.value) != number(s.default))
}

/// Without what a conversion from another unit leaves in the last digits.
fn number(value: f64) -> f64 {
    (value * 1e6).round() / 1e6
}

/// A rule's header as people read it.
fn page(rule: &Rule) -> String {
    let h = &rule.header;
    let mut page = format!("{} ({}, revision {})\n", h.title, rule.path, rule.revision);
    let severity = match h.severity {
        Severity::Minor => "minor",
        Severity::Major => "major",
        Severity::Severe => "severe",
    };
    let priority = format!("{}: {severity} if nobody acts within {}", rule.priority.key(), h.time_to_respond);
    let evidence = match h.evidence {
        Evidence::Readings => "by readings: silence proves nothing",
        Evidence::Clock => "by the clock: the passing of time is the evidence",
    };
    let stages: Vec<&str> = h.stages.iter().map(|stage| stage.key()).collect();
    let stages = if stages.is_empty() { "always, also without a batch".into() } else { stages.join(" and ") };
    let timing = format!(
        "every {}, looks back {}; raised once proven for {}, cleared once proven over for {}; a silence over {} breaks a proof",
        h.every, h.window, h.on_delay, h.off_delay, h.max_gap
    );
    for (label, text) in [
        ("Priority", priority.as_str()),
        ("Watches for", &h.watches_for),
        ("Cause", &h.cause),
        ("Consequence", &h.consequence),
    ] {
        paragraph(&mut page, label, text);
    }
    for (n, step) in h.response.iter().enumerate() {
        paragraph(
            &mut page,
            if n == 0 { "Response" } else { "" },
            &format!("{}. {}", n + 1, rulebook::dose::filled(step, None)),
        );
    }
    if !h.caution.is_empty() {
        paragraph(&mut page, "Caution", &h.caution);
    }
    paragraph(&mut page, "Judged", &format!("{evidence}; {stages}"));
    paragraph(&mut page, "Timing", &timing);
    if h.settings.is_empty() {
        page.push_str("\nNo settings.\n");
        return page;
    }
    let _ = writeln!(page, "\nSettings (changed in the site's settings under `rules.settings.{}`)", rule.name);
    for (name, s) in &h.settings {
        let (value, default) = (number(s.value), number(s.default));
        let here = if value == default { String::new() } else { format!("; the rule ships with {default}") };
        let _ = writeln!(page, "\n  {name}: {value} {} ({} to {}{here})", s.unit, number(s.min), number(s.max));
        for line in wrapped(&s.about, WIDTH - 4) {
            let _ = writeln!(page, "    {line}");
        }
    }
    page
}

fn paragraph(page: &mut String, label: &str, text: &str) {
    const INDENT: usize = 13;
    if !label.is_empty() {
        page.push('\n');
    }
    for (n, line) in wrapped(text, WIDTH - INDENT).iter().enumerate() {
        let _ = writeln!(page, "{:INDENT$}{line}", if n == 0 { label } else { "" });
    }
}

pub(crate) fn wrapped(text: &str, width: usize) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in text.split_whitespace() {
        let Some(line) = lines.last_mut() else { break };
        if !line.is_empty() && line.chars().count() + 1 + word.chars().count() > width {
            lines.push(word.into());
        } else {
            if !line.is_empty() {
                line.push(' ');
            }
            line.push_str(word);
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_words_are_not_cut() {
        assert_eq!(wrapped("one two three-and-more", 8), ["one two", "three-and-more"]);
    }
}
