//! Looks after the rules while the daemon runs: notices changed files, tries each changed rule with its cases, and makes the set that
//! is to be in force.
//!
//! Must never put a changed rule in force that does not compile or breaks one of its own cases: its earlier text stays.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::SystemTime;

use engine::cases::{CaseError, run, trial};
use engine::input::{RefusedChange, RuleSet};
use rulebook::cases::to_the_minute;
use rulebook::{RuleText, Rulebook};
use site::model::{RuleSettings, Site};

use crate::rules::{CASES_ENDING, RULE_ENDING, cases_of};
use crate::wiring::{self, SettingsError};

/// Failing cases of one rule that are told; `hypocaust rules test` shows them all.
const CASES_TOLD: usize = 5;

/// What a refused change is said to be of where the folder itself gives no rules.
pub(crate) const EVERY_RULE: &str = "every rule";

/// The rules in force, and what their files looked like when they were last read.
#[derive(Debug)]
pub struct RuleWatch {
    /// The settings, whose changes of rules count too.
    config: PathBuf,
    /// The texts in force, and those of rules that never compiled.
    texts: Vec<RuleText>,
    taken: Look,
    seen: Look,
}

/// What came of trying the files.
#[derive(Debug)]
pub struct Tried {
    /// To be put in force.
    pub set: RuleSet,
    /// Nothing differs from what is in force, and nothing was refused.
    pub nothing_new: bool,
    /// What else the operator should know.
    pub remarks: Vec<String>,
    look: Look,
}

/// What files look like from outside; `None` where a file or folder cannot be seen.
type Look = BTreeMap<PathBuf, Option<(SystemTime, u64)>>;

impl RuleWatch {
    /// Watches the files of rules with these texts in force.
    pub fn new(config: &Path, site: &Site, texts: Vec<RuleText>) -> RuleWatch {
        let look = look(config, &site.rules.folder);
        RuleWatch { config: config.to_owned(), texts, taken: look.clone(), seen: look }
    }

    /// Whether files differ from what was last read, and have held still since the look before: a file is not read while an editor
    /// or a copy is still writing it.
    pub fn has_news(&mut self, site: &Site) -> bool {
        let now = look(&self.config, &site.rules.folder);
        let still = now == self.seen;
        self.seen = now;
        still && self.seen != self.taken
    }

    /// What [`try_files`] needs, so that it can run elsewhere.
    pub fn to_try(&self) -> (PathBuf, Vec<RuleText>) {
        (self.config.clone(), self.texts.clone())
    }

    /// The files as they are now were tried in vain; the next change of one of them is news again.
    pub fn pass_over(&mut self) {
        self.taken.clone_from(&self.seen);
    }

    /// The set was put in force.
    pub fn took(&mut self, tried: &Tried) {
        self.texts.clone_from(&tried.set.texts);
        self.taken.clone_from(&tried.look);
    }
}

/// Reads settings and rules, tries every rule whose text is not in force, and makes the set that is to be. Takes as long as the cases
/// of the changed rules need.
pub fn try_files(config: &Path, site: &Site, in_force: &[RuleText]) -> Tried {
    let mut refused = Vec::new();
    let mut remarks = Vec::new();
    let changed = match wiring::settings(config) {
        Ok(read) => {
            if other_changes(site, &read.site) {
                remarks.push(format!("other changes in {} wait until the daemon starts again", config.display()));
            }
            read.site.rules
        }
        Err(error) => {
            refused.push(RefusedChange { rule: "settings".into(), why: words(&error) });
            site.rules.clone()
        }
    };
    // Before anything is read: what changes meanwhile is seen as a change later.
    let look = look(config, &changed.folder);
    let texts = match read_folder(&changed.folder, in_force, &mut refused) {
        Ok(found) => try_each(found, site, &changed, in_force, &mut refused),
        Err(error) => {
            let why = format!("{}; the rules in force stay", words(&error));
            refused.push(RefusedChange { rule: EVERY_RULE.into(), why });
            in_force.to_vec()
        }
    };
    let same = |text: &RuleText| in_force.iter().any(|t| t == text);
    let nothing_new =
        refused.is_empty() && changed == site.rules && texts.len() == in_force.len() && texts.iter().all(same);
    Tried { set: RuleSet { texts, changed, refused }, nothing_new, remarks, look }
}

/// The rules of a folder. One that cannot be read keeps its earlier text; one that is no longer there is gone.
fn read_folder(
    folder: &Path,
    in_force: &[RuleText],
    refused: &mut Vec<RefusedChange>,
) -> Result<Vec<RuleText>, SettingsError> {
    let mut texts = Vec::new();
    for (name, path) in wiring::rule_files(folder)? {
        match wiring::read_rule(&name, &path) {
            Ok(text) => texts.push(text),
            Err(change) => {
                texts.extend(in_force.iter().find(|t| t.name == name).cloned());
                refused.push(change);
            }
        }
    }
    Ok(texts)
}

fn try_each(
    found: Vec<RuleText>,
    site: &Site,
    changed: &RuleSettings,
    in_force: &[RuleText],
    refused: &mut Vec<RefusedChange>,
) -> Vec<RuleText> {
    let mut texts = Vec::new();
    for new in found {
        let old = in_force.iter().find(|t| t.name == new.name);
        if old.is_some_and(|old| old.text == new.text) {
            texts.push(new);
            continue;
        }
        let wrong = fence::caught(|| what_is_wrong(&new, site, changed))
            .unwrap_or_else(|panic| Some(format!("{}: {panic}; please report it with this rule", new.path)));
        match wrong {
            None => texts.push(new),
            Some(why) => {
                refused.push(RefusedChange { rule: new.name, why });
                texts.extend(old.cloned());
            }
        }
    }
    texts
}

/// Why a rule cannot be put in force; `None` when it can.
fn what_is_wrong(rule: &RuleText, site: &Site, changed: &RuleSettings) -> Option<String> {
    let own = RuleSettings {
        folder: changed.folder.clone(),
        changed: changed
            .changed
            .iter()
            .filter(|(name, _)| **name == rule.name)
            .map(|(n, c)| (n.clone(), c.clone()))
            .collect(),
    };
    let (_, faults) = Rulebook::compile(std::slice::from_ref(rule), &own, site.display);
    if !faults.is_empty() {
        return Some(faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"));
    }
    if let Err(faults) = trial(rule, &own) {
        return Some(faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"));
    }
    let path = Path::new(&rule.path).with_file_name(format!("{}{CASES_ENDING}", rule.name));
    let cases = match cases_of(&path) {
        Ok(cases) => cases?,
        Err(error) => return Some(words(&error)),
    };
    let mut wrong: Vec<String> = Vec::new();
    for case in &cases {
        match run(rule, case) {
            Ok(came) if came.fulfils(&case.expected) => {}
            Ok(came) => {
                let did: Vec<String> =
                    came.events.iter().map(|h| format!("{} at {}", h.kind.key(), to_the_minute(h.at))).collect();
                let did = if did.is_empty() { "no alarm".into() } else { did.join(", ") };
                wrong.push(format!("{}: the case `{}` no longer comes out as written: {did}", case.place, case.name));
            }
            Err(CaseError::Rule(faults)) => {
                wrong.extend(faults.iter().map(|fault| format!("{}: {fault}", case.place)));
            }
            Err(error) => wrong.push(error.to_string()),
        }
    }
    let more = wrong.len().saturating_sub(CASES_TOLD);
    wrong.truncate(CASES_TOLD);
    if more > 0 {
        wrong.push(format!("and {more} more; `hypocaust rules test {}` shows them", path.display()));
    }
    (!wrong.is_empty()).then(|| wrong.join("\n"))
}

/// Whether settings differ in anything but the rules; where a thing stands in the file does not count.
fn other_changes(now: &Site, read: &Site) -> bool {
    let bare = |site: &Site| {
        let site = Site { rules: RuleSettings::default(), ..site.clone() };
        let text = format!("{site:?}");
        let mut parts = text.split(&format!("{}:", site.settings_path)).map(str::to_owned).collect::<Vec<_>>();
        for part in parts.iter_mut().skip(1) {
            *part = part.trim_start_matches(|c: char| c.is_ascii_digit()).to_owned();
        }
        parts
    };
    bare(now) != bare(read)
}

fn look(config: &Path, folder: &Path) -> Look {
    let mut look = Look::new();
    let seen = |path: &Path| {
        let data = std::fs::metadata(path).ok()?;
        Some((data.modified().ok()?, data.len()))
    };
    look.insert(config.to_owned(), seen(config));
    match files::paths_in(folder) {
        Ok(paths) => {
            for path in paths {
                let name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
                if name.ends_with(RULE_ENDING) || name.ends_with(CASES_ENDING) {
                    let of_file = seen(&path);
                    look.insert(path, of_file);
                }
            }
        }
        Err(_) => {
            look.insert(folder.to_owned(), None);
        }
    }
    look
}

fn words(error: &dyn std::error::Error) -> String {
    crate::daemon::chain(error)
}
