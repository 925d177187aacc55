//! Reads one group of keys: which are known, which are there, and what type and range their values have.
//!
//! Must never give up on a group because one of its keys is wrong.

use pile::units::{Readable, converted};

use std::ops::RangeInclusive;
use std::path::PathBuf;

use crate::ids::BadId;
use crate::quantity::Unit;

use super::fault::{Faults, Place, listed, nearest};
use super::keep::FORMER_KEY;
use super::node::{Kind, Node, shortened};

/// Keys that somebody hopes to put a secret under.
const SECRET_KEYS: [&str; 6] = ["password", "passwd", "passwords", "pass", "secret", "token"];

/// One group of keys with the name that messages call it by.
#[derive(Debug)]
pub struct Section<'t> {
    /// How messages call it.
    pub called: String,
    /// Where it begins.
    pub at: Place,
    entries: Vec<(&'t str, &'t Node)>,
    /// Known keys that a misspelt one was probably meant to be: they are not missing as well.
    meant: Vec<String>,
}

/// One value with the words that messages call it by, such as `` `zone` in site ``.
#[derive(Debug)]
pub struct Item<'t> {
    /// The value.
    pub node: &'t Node,
    /// How messages call it.
    pub label: String,
}

/// Keys that a message offers: none that has another name by now.
fn offered<'k>(known: &'k [&'k str]) -> impl Iterator<Item = &'k str> {
    // The address of the heartbeat stood in the settings once.
    let former = move |key: &str| key == FORMER_KEY || key == "url" && known.contains(&"url_file");
    known.iter().copied().filter(move |key| !former(key))
}

impl<'t> Section<'t> {
    /// Takes the node as a group of keys; `None`, with a fault, where it is anything else.
    pub fn open(node: &'t Node, called: &str, known: &[&str], faults: &mut Faults) -> Option<Section<'t>> {
        let Kind::Map(map) = &node.kind else {
            let keys = match known {
                [] => String::new(),
                known => format!("; its keys are {}", listed(offered(known))),
            };
            faults.add(
                node.at,
                format!("{called} must be a group of keys, but is {}", node.kind.described()),
                format!("write it as `key: value` lines, indented by two spaces{keys}"),
            );
            return None;
        };
        let mut section = Section { called: called.into(), at: node.at, entries: Vec::new(), meant: Vec::new() };
        for (key, value) in map {
            section.admit(key, value, known, faults);
        }
        Some(section)
    }

    /// Like [`Section::open`], called after the text under one of its keys: `bin north-1`.
    pub fn open_named(
        node: &'t Node,
        noun: &str,
        name_key: &str,
        known: &[&str],
        faults: &mut Faults,
    ) -> Option<Section<'t>> {
        let called = match &node.kind {
            Kind::Map(map) => map.iter().find_map(|(key, value)| match (&key.kind, &value.kind) {
                (Kind::Text(key), Kind::Text(name)) if key == name_key => Some(format!("{noun} {}", shortened(name))),
                _ => None,
            }),
            _ => None,
        };
        Section::open(node, &called.unwrap_or_else(|| format!("this {noun}")), known, faults)
    }

    /// A group whose keys are names that the site chose: every key is let in.
    pub fn open_free(node: &'t Node, called: &str, faults: &mut Faults) -> Option<Section<'t>> {
        let keys: Vec<&str> = match &node.kind {
            Kind::Map(map) => map.iter().filter_map(|(key, _)| key_text(key)).collect(),
            _ => Vec::new(),
        };
        Section::open(node, called, &keys, faults)
    }

    fn admit(&mut self, key: &'t Node, value: &'t Node, known: &[&str], faults: &mut Faults) {
        let called = &self.called;
        let Some(name) = key_text(key) else {
            faults.add(
                key.at,
                format!("a key in {called} is {}", key.kind.described()),
                "keys are words; put the key in quotes if it is meant as a name",
            );
            return;
        };
        if !known.contains(&name) {
            let shown = shortened(name);
            if SECRET_KEYS.contains(&name.to_lowercase().as_str()) {
                let like = |part: &str, or| {
                    known.iter().find(|key| !key.starts_with("ca_") && key.contains(part)).copied().unwrap_or(or)
                };
                let (file, name) = (like("_file", "password_file"), like("credential", "credential"));
                self.meant.push(file.into());
                faults.add(
                    key.at,
                    format!("`{shown}` in {called}: settings never hold a secret, because they are copied, mailed and kept under version control"),
                    format!("put the secret in a file that only the service may read and name it with `{file}: /path`, or with `{name}: name`; change the password if this file was ever shared"),
                );
            } else {
                let remedy = match nearest(name, offered(known)) {
                    Some(near) => {
                        self.meant.push(near.into());
                        format!("did you mean `{near}`?")
                    }
                    None => format!("remove it, or use one of {}", listed(offered(known))),
                };
                faults.add(key.at, format!("unknown key `{shown}` in {called}"), remedy);
            }
            return;
        }
        if let Some((_, first)) = self.entries.iter().find(|(have, _)| *have == name) {
            faults.add(
                key.at,
                format!("`{}` occurs twice in {called}, first on line {}", shortened(name), first.at.line),
                "keep one of the two: which one was meant cannot be told",
            );
            return;
        }
        if matches!(value.kind, Kind::Nothing) {
            faults.add(
                key.at,
                format!("`{}` in {called} has no value", shortened(name)),
                "write a value behind the colon, or indent what belongs to it, or remove the line",
            );
        }
        self.entries.push((name, value));
    }

    /// The value under the key, if it is there and not empty.
    pub fn optional(&self, key: &str) -> Option<Item<'t>> {
        self.entries
            .iter()
            .find(|(have, node)| *have == key && !matches!(node.kind, Kind::Nothing))
            .map(|(_, node)| Item { node, label: format!("`{key}` in {}", self.called) })
    }

    /// The value under the key, or a fault whose remedy shows what to add.
    pub fn required(&self, key: &str, add: &str, faults: &mut Faults) -> Option<Item<'t>> {
        // An empty value and a misspelt key were named when the section was opened.
        if !self.has(key) {
            faults.add(self.at, format!("`{key}` is missing in {}", self.called), format!("add {add}"));
        }
        self.optional(key)
    }

    /// Whether the key was written: with a value, without, or misspelt.
    pub fn has(&self, key: &str) -> bool {
        self.entries.iter().any(|(have, _)| *have == key) || self.meant.iter().any(|meant| meant == key)
    }

    /// A fault if the key is there, for keys that make no sense beside another.
    pub fn refuse(&self, key: &str, because: &str, remedy: &str, faults: &mut Faults) {
        if let Some(item) = self.optional(key) {
            faults.add(item.node.at, format!("{} {because}", item.label), remedy);
        }
    }

    /// Every key with its value, in the order of the text.
    pub fn items(&self) -> impl Iterator<Item = (&'t str, Item<'t>)> + '_ {
        self.entries
            .iter()
            .filter(|(_, node)| !matches!(node.kind, Kind::Nothing))
            .map(|(key, node)| (*key, Item { node, label: format!("`{}` in {}", shortened(key), self.called) }))
    }

    /// The list under the key; empty, where it is absent or not a list.
    pub fn list(&self, key: &str, faults: &mut Faults) -> &'t [Node] {
        match self.optional(key) {
            Some(item) => item.list(faults),
            None => &[],
        }
    }

    /// A length or amount that has two keys, one metric and one US; the second is multiplied by its factor.
    pub fn metric_or_us(
        &self,
        metric: (&str, RangeInclusive<f64>, &str),
        us: (&str, f64, &str),
        faults: &mut Faults,
    ) -> Option<f64> {
        let (key, range, unit) = metric;
        let (us_key, factor, us_unit) = us;
        match (self.optional(key), self.optional(us_key)) {
            (Some(_), Some(second)) => {
                faults.add(
                    second.node.at,
                    format!("{} stands beside `{key}`", second.label),
                    format!("keep one of `{key}` and `{us_key}`"),
                );
                None
            }
            (Some(item), None) => item.number(range, unit, faults),
            (None, Some(item)) => {
                let us_range = range.start() / factor..=range.end() / factor;
                item.number(us_range, us_unit, faults).map(|value| converted(value * factor))
            }
            (None, None) => None,
        }
    }
}

fn key_text(key: &Node) -> Option<&str> {
    match &key.kind {
        Kind::Text(text) => Some(text),
        _ => None,
    }
}

impl<'t> Item<'t> {
    fn wrong(&self, wanted: &str, remedy: impl Into<String>, faults: &mut Faults) {
        faults.add(
            self.node.at,
            format!("{} must be {wanted}, but is {}", self.label, self.node.kind.described()),
            remedy,
        );
    }

    /// A line of text, not empty, without control characters.
    pub fn text(&self, faults: &mut Faults) -> Option<&'t str> {
        match &self.node.kind {
            Kind::Text(text) if text.trim().is_empty() => {
                faults.add(self.node.at, format!("{} is empty", self.label), "write a text, or remove the line");
                None
            }
            Kind::Text(text) if text.chars().any(crate::plain::steers) => {
                self.wrong("one line of plain text", "remove line breaks and control characters", faults);
                None
            }
            Kind::Text(text) => Some(text),
            Kind::Number(value) => {
                self.wrong(
                    "text",
                    format!("put it in quotes, so that YAML does not read a number: \"{}\"", Readable(*value)),
                    faults,
                );
                None
            }
            Kind::Truth(value) => {
                self.wrong(
                    "text",
                    format!("put it in quotes, so that YAML does not read a truth value: \"{value}\""),
                    faults,
                );
                None
            }
            _ => {
                self.wrong("text", "write one value behind the colon", faults);
                None
            }
        }
    }

    /// A number in the range, in the unit that the key names.
    pub fn number(&self, range: RangeInclusive<f64>, unit: &str, faults: &mut Faults) -> Option<f64> {
        // Bounds that come from a conversion are rounded inwards, so that what the message offers is accepted.
        let span = format!(
            "{} to {}",
            (range.start() * 1_000.0).ceil() / 1_000.0,
            with_unit((range.end() * 1_000.0).floor() / 1_000.0, unit)
        );
        match &self.node.kind {
            Kind::Number(value) if range.contains(value) => Some(*value),
            Kind::Number(value) => {
                faults.add(
                    self.node.at,
                    format!("{} is {}", self.label, with_unit(*value, unit)),
                    format!("give a value from {span}"),
                );
                None
            }
            Kind::Text(text) => {
                self.wrong("a number", number_remedy(text, &span), faults);
                None
            }
            _ => {
                self.wrong("a number", format!("write a number from {span}"), faults);
                None
            }
        }
    }

    /// A whole number in the range.
    pub fn whole(&self, range: RangeInclusive<i64>, unit: &str, faults: &mut Faults) -> Option<i64> {
        let value = self.number(*range.start() as f64..=*range.end() as f64, unit, faults)?;
        if value.fract() != 0.0 {
            faults.add(self.node.at, format!("{} is {}", self.label, with_unit(value, unit)), "write a whole number");
            return None;
        }
        Some(value as i64)
    }

    /// `true` or `false`.
    pub fn truth(&self, faults: &mut Faults) -> Option<bool> {
        match &self.node.kind {
            Kind::Truth(value) => Some(*value),
            _ => {
                self.wrong(
                    "true or false",
                    "write `true` or `false`, without quotes; yes, no, on and off are text here",
                    faults,
                );
                None
            }
        }
    }

    /// One of a few words.
    pub fn choice<T: Copy>(&self, options: &[(&str, T)], faults: &mut Faults) -> Option<T> {
        let words = || options.iter().map(|(word, _)| *word);
        match &self.node.kind {
            Kind::Text(text) => {
                let found = options.iter().find(|(word, _)| word == text).map(|(_, value)| *value);
                if found.is_none() {
                    let remedy = match nearest(text, words()) {
                        Some(near) => format!("did you mean `{near}`? It can be {}", listed(words())),
                        None => format!("use one of {}", listed(words())),
                    };
                    faults.add(self.node.at, format!("{} is `{}`", self.label, shortened(text)), remedy);
                }
                found
            }
            _ => {
                self.wrong("a word", format!("use one of {}", listed(words())), faults);
                None
            }
        }
    }

    /// An id of the kind that `make` checks.
    pub fn id<T>(&self, make: impl Fn(&str) -> Result<T, BadId>, faults: &mut Faults) -> Option<T> {
        let text = self.text(faults)?;
        match make(text) {
            Ok(id) => Some(id),
            Err(_) => {
                faults.add(
                    self.node.at,
                    format!("{} is `{}`, which cannot be an id", self.label, shortened(text)),
                    "use 1 to 40 letters, digits, `-`, `_` or `.`, starting with a letter or digit: ids stand in topics and file names",
                );
                None
            }
        }
    }

    /// A path; whether it exists is found out by whoever opens it.
    pub fn path(&self, faults: &mut Faults) -> Option<PathBuf> {
        self.text(faults).map(PathBuf::from)
    }

    /// A list.
    pub fn list(&self, faults: &mut Faults) -> &'t [Node] {
        match &self.node.kind {
            Kind::List(items) => items,
            _ => {
                self.wrong("a list", "begin each entry with `- `, or write [ ] for an empty list", faults);
                &[]
            }
        }
    }

    /// A number with a unit behind it, such as `131 °F`; a bare number has none.
    pub fn number_with_unit(&self, faults: &mut Faults) -> Option<(f64, Option<Unit>)> {
        let text = match &self.node.kind {
            Kind::Number(value) if value.is_finite() => return Some((*value, None)),
            Kind::Text(text) => text.trim(),
            _ => {
                self.wrong("a number, or a number with its unit", "write it as 5.6 or as \"131 °F\"", faults);
                return None;
            }
        };
        let end = text.find(|c: char| !(c.is_ascii_digit() || "+-.".contains(c))).unwrap_or(text.len());
        let (digits, unit) = (&text[..end], text[end..].trim());
        let value = digits.parse::<f64>().ok().filter(|value| value.is_finite());
        let Some(value) = value.filter(|_| !unit.starts_with(',')) else {
            self.wrong(
                "a number, or a number with its unit",
                "write it as 5.6 or as \"131 °F\", with a decimal point",
                faults,
            );
            return None;
        };
        if unit.is_empty() {
            return Some((value, None));
        }
        let known = Unit::from_symbol(unit);
        if known.is_none() {
            faults.add(
                self.node.at,
                format!("{} has the unit `{}`, which is not known", self.label, shortened(unit)),
                "use °C, °F, K, K/d, °F/d, %, ppm, Pa, hPa, inH2O, m3/h, cfm, A, s, min or h, or write the number alone in the unit that the key names",
            );
        }
        known.map(|unit| (value, Some(unit)))
    }
}

fn number_remedy(text: &str, span: &str) -> String {
    let trimmed = text.trim();
    if trimmed.parse::<f64>().is_ok() {
        "remove the quotes".into()
    } else if trimmed.replacen(',', ".", 1).parse::<f64>().is_ok() {
        format!("use a decimal point: {}", trimmed.replacen(',', ".", 1))
    } else if trimmed.starts_with(|c: char| c.is_ascii_digit()) {
        "write the number alone: the key names its unit".into()
    } else {
        format!("write a number from {span}")
    }
}

fn with_unit(value: f64, unit: &str) -> String {
    let value = Readable(value);
    if unit.is_empty() { format!("{value}") } else { format!("{value} {unit}") }
}
