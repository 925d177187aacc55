//! Topic patterns and the payload fields behind them.
//!
//! Must never let two patterns claim the same topic, nor a pattern subscribe to more than it names.

use crate::model::{Field, Payload, Segment, TopicMap};
use crate::quantity::{QUANTITIES, Quantity, Unit};

use super::fault::{Faults, Place, listed, suggestion};
use super::node::{Node, shortened};
use super::plant::Devices;
use super::section::{Item, Section};

/// MQTT 5.0 section 1.5.4: a topic is a UTF-8 string with a two-byte length.
const TOPIC_BYTES_MAX: usize = 65_535;

const KEYS: [&str; 8] = ["topic", "payload", "source", "quantity", "unit", "optional", "time_at", "values"];
const VALUE_KEYS: [&str; 6] = ["value_at", "unit_at", "source", "quantity", "unit", "optional"];

/// Patterns seen so far, to find two that claim the same topic.
#[derive(Debug, Default)]
pub(super) struct Patterns(Vec<(Vec<Segment>, Place)>);

impl Patterns {
    /// Whether no topic at all was named, faulty ones included.
    pub(super) fn is_empty(&self) -> bool {
        self.0.is_empty()
    }
}

/// A part of a `source` text.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Part {
    /// This text.
    Literal(String),
    /// What the topic pattern caught under this name.
    Capture(String),
}

#[derive(Clone, Copy, PartialEq)]
enum Form {
    Number,
    Json,
}

/// Reads the entries of `topics`.
pub(super) fn read(entries: &[Node], devices: &Devices, patterns: &mut Patterns, faults: &mut Faults) -> Vec<TopicMap> {
    entries.iter().filter_map(|entry| topic_map(entry, devices, patterns, faults)).collect()
}

fn topic_map(node: &Node, devices: &Devices, patterns: &mut Patterns, faults: &mut Faults) -> Option<TopicMap> {
    let section = Section::open_named(node, "topic", "topic", &KEYS, faults)?;
    let pattern = section
        .required("topic", "for example `topic: \"yard/{bin}/{probe}/temperature\"`", faults)
        .and_then(|item| read_pattern(&item, patterns, faults));
    let form = section
        .required("payload", "`payload: number` or `payload: json`", faults)
        .and_then(|item| item.choice(&[("number", Form::Number), ("json", Form::Json)], faults));
    let payload = match form? {
        Form::Number => {
            for key in ["time_at", "values"] {
                section.refuse(key, "belongs to `payload: json`", "remove it, or write `payload: json`", faults);
            }
            Payload::Number(field(&section, pattern.as_deref(), devices, faults)?)
        }
        Form::Json => {
            for key in ["source", "quantity", "unit", "optional"] {
                section.refuse(key, "belongs to `payload: number`", "move it into an entry of `values`", faults);
            }
            let time = section.optional("time_at").and_then(|item| pointer(&item, faults));
            let values = section.required(
                "values",
                "`values:` with one entry for each value, such as `- { value_at: /core, source: \"{bin}-core\", quantity: temperature, unit: Cel }`",
                faults,
            )?;
            let nodes = values.list(faults);
            if nodes.is_empty() {
                faults.add(
                    values.node.at,
                    format!("{} names no value", values.label),
                    "add an entry for each value to take",
                );
            }
            let fields = nodes
                .iter()
                .filter_map(|node| {
                    let called = format!("a value of {}", section.called);
                    let value = Section::open(node, &called, &VALUE_KEYS, faults)?;
                    let value_at = value
                        .required("value_at", "where the value stands, such as `value_at: /core`", faults)
                        .and_then(|item| pointer(&item, faults));
                    let unit_at = value.optional("unit_at").map(|item| pointer(&item, faults));
                    let field = field(&value, pattern.as_deref(), devices, faults)?;
                    Some(Field { value_at: Some(value_at?), unit_at: unit_at.flatten(), ..field })
                })
                .collect();
            Payload::Json { time, fields }
        }
    };
    Some(TopicMap { pattern: pattern?, payload, place: faults.place(section.at) })
}

/// The topic map behind `topic:` at a probe: one number, always from this probe.
pub(super) fn own_topic(
    section: &Section<'_>,
    source: &str,
    patterns: &mut Patterns,
    faults: &mut Faults,
) -> Option<TopicMap> {
    let Some(item) = section.optional("topic") else {
        for key in ["quantity", "unit"] {
            section.refuse(
                key,
                "describes the payload of an own `topic`, and there is none",
                "add `topic:`, or remove it",
                faults,
            );
        }
        return None;
    };
    let pattern = read_pattern(&item, patterns, faults);
    if pattern.iter().flatten().any(|segment| matches!(segment, Segment::Capture(_))) {
        faults.add(
            item.node.at,
            format!("{} has a name in braces, but belongs to one probe alone", item.label),
            "write the topic out, or move it to `topics`",
        );
        return None;
    }
    let quantity = match section.optional("quantity") {
        Some(item) => read_quantity(&item, faults),
        None => Some(Quantity::Temperature),
    };
    let unit = read_unit(section, quantity, faults);
    let field = Field {
        value_at: None,
        unit_at: None,
        source: source.into(),
        quantity: quantity?,
        unit: unit?,
        optional: false,
    };
    Some(TopicMap { pattern: pattern?, payload: Payload::Number(field), place: faults.place(item.node.at) })
}

fn field(section: &Section<'_>, pattern: Option<&[Segment]>, devices: &Devices, faults: &mut Faults) -> Option<Field> {
    let source = section
        .required(
            "source",
            "the id of the probe or blower, with captures in braces, such as `source: \"{bin}-{probe}\"`",
            faults,
        )
        .and_then(|item| read_source(&item, pattern, devices, faults));
    let quantity = section
        .required("quantity", "what is measured, such as `quantity: temperature`", faults)
        .and_then(|item| read_quantity(&item, faults));
    let unit = read_unit(section, quantity, faults);
    let optional = section.optional("optional").map_or(Some(false), |item| item.truth(faults));
    Some(Field {
        value_at: None,
        unit_at: None,
        source: source?,
        quantity: quantity?,
        unit: unit?,
        optional: optional?,
    })
}

/// The quantity that a value names.
fn read_quantity(item: &Item<'_>, faults: &mut Faults) -> Option<Quantity> {
    let options: Vec<(&str, Quantity)> = QUANTITIES.iter().map(|(quantity, key)| (*key, *quantity)).collect();
    item.choice(&options, faults)
}

fn read_unit(section: &Section<'_>, quantity: Option<Quantity>, faults: &mut Faults) -> Option<Unit> {
    let canonical = quantity.map_or("Cel", |quantity| quantity.unit().symbol());
    let add = format!("the unit of the payload, such as `unit: \"{canonical}\"`");
    let item = section.required("unit", &add, faults)?;
    let text = item.text(faults)?;
    let fitting = quantity.map(units_of).unwrap_or_default();
    let Some(unit) = Unit::from_symbol(text) else {
        let remedy = match quantity {
            Some(quantity) => format!("units of {quantity} are {}", listed(fitting.iter().map(|unit| unit.symbol()))),
            None => "use a SenML or UCUM symbol, such as `Cel`, `[degF]`, `%` or `Pa`".into(),
        };
        faults.add(item.node.at, format!("{} is `{}`, which is not a known unit", item.label, shortened(text)), remedy);
        return None;
    };
    let quantity = quantity?;
    if !fitting.contains(&unit) {
        faults.add(
            item.node.at,
            format!("{} is `{}`, which does not measure {quantity}", item.label, shortened(text)),
            format!("units of {quantity} are {}", listed(fitting.iter().map(|unit| unit.symbol()))),
        );
        return None;
    }
    Some(unit)
}

fn units_of(quantity: Quantity) -> Vec<Unit> {
    Unit::all().filter(|unit| unit.to_canonical(quantity, 0.0).is_some()).collect()
}

/// A topic without captures, to publish to.
pub(super) fn read_plain_topic(item: &Item<'_>, patterns: &Patterns, faults: &mut Faults) -> Option<String> {
    let text = item.text(faults)?;
    if text.contains(['{', '}', '+', '#']) {
        faults.add(
            item.node.at,
            format!("topic `{}` has braces or a wildcard, but a message goes out to one topic", shortened(text)),
            "write the topic out",
        );
        return None;
    }
    let text = topic_text(item, faults)?;
    let literal: Vec<Segment> = text.split('/').map(|segment| Segment::Literal(segment.into())).collect();
    if let Some((other, at)) = patterns.0.iter().find(|(other, _)| overlap(other, &literal)) {
        faults.add(
            item.node.at,
            format!("topic `{}` is one that `{}` (line {}) reads", shortened(text), shown(other), at.line),
            "publish to a topic that no entry of `topics` takes in, or the message comes back as a reading",
        );
        return None;
    }
    Some(text.into())
}

fn topic_text<'t>(item: &Item<'t>, faults: &mut Faults) -> Option<&'t str> {
    let text = item.text(faults)?;
    let (what, remedy) = if text.contains(['+', '#']) {
        (
            "has a wildcard, `+` or `#`",
            "name each part that varies with a capture in braces, such as `yard/{bin}/{probe}/temperature`, so that the source can be told",
        )
    } else if text.starts_with('$') {
        ("begins with `$`, which belongs to the broker itself", "use a topic that your devices publish to")
    } else if text.len() > TOPIC_BYTES_MAX {
        ("is longer than the 65535 bytes that MQTT allows", "shorten it")
    } else {
        return Some(text);
    };
    faults.add(item.node.at, format!("topic `{}` {what}", shortened(text)), remedy);
    None
}

fn read_pattern(item: &Item<'_>, patterns: &mut Patterns, faults: &mut Faults) -> Option<Vec<Segment>> {
    let text = topic_text(item, faults)?;
    let mut pattern: Vec<Segment> = Vec::new();
    for segment in text.split('/') {
        let inner = segment.strip_prefix('{').and_then(|rest| rest.strip_suffix('}'));
        let fault = match inner {
            Some(name) if !is_capture_name(name) => Some((
                "has a name in braces that is not made of small letters, digits and `_`",
                "write it like `{bin}` or `{probe_2}`",
            )),
            Some(name) if pattern.contains(&Segment::Capture(name.into())) => {
                Some(("has the same name in braces twice", "give each capture its own name"))
            }
            None if segment.contains(['{', '}']) => Some((
                "has braces beside other text between two slashes",
                "a capture takes everything between two slashes: write `yard/{bin}/temperature`",
            )),
            _ => None,
        };
        if let Some((what, remedy)) = fault {
            faults.add(item.node.at, format!("topic `{}` {what}", shortened(text)), remedy);
            return None;
        }
        pattern.push(match inner {
            Some(name) => Segment::Capture(name.into()),
            None => Segment::Literal(segment.into()),
        });
    }
    if let Some((other, at)) = patterns.0.iter().find(|(other, _)| overlap(other, &pattern)) {
        faults.add(
            item.node.at,
            format!("topic `{}` takes in the same topics as `{}` (line {})", shortened(text), shown(other), at.line),
            "make the two differ in a part without braces; if one message holds several values, use one entry with `payload: json` and `values`",
        );
    }
    patterns.0.push((pattern.clone(), item.node.at));
    Some(pattern)
}

fn is_capture_name(name: &str) -> bool {
    !name.is_empty() && name.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_')
}

/// Whether some topic fits both patterns.
fn overlap(a: &[Segment], b: &[Segment]) -> bool {
    a.len() == b.len()
        && a.iter().zip(b).all(|pair| match pair {
            (Segment::Literal(a), Segment::Literal(b)) => a == b,
            // A capture becomes part of an id, which is never empty.
            (Segment::Literal(text), Segment::Capture(_)) | (Segment::Capture(_), Segment::Literal(text)) => {
                !text.is_empty()
            }
            (Segment::Capture(_), Segment::Capture(_)) => true,
        })
}

fn shown(pattern: &[Segment]) -> String {
    let segments: Vec<String> = pattern
        .iter()
        .map(|segment| match segment {
            Segment::Literal(text) => text.clone(),
            Segment::Capture(name) => format!("{{{name}}}"),
        })
        .collect();
    shortened(&segments.join("/"))
}

/// An RFC 6901 JSON pointer.
fn pointer(item: &Item<'_>, faults: &mut Faults) -> Option<String> {
    // The empty pointer, which means the whole document, is the one text that may be empty.
    if matches!(&item.node.kind, super::node::Kind::Text(text) if text.is_empty()) {
        return Some(String::new());
    }
    let text = item.text(faults)?;
    let bad_escape = text.char_indices().any(|(at, c)| c == '~' && !text[at + 1..].starts_with(['0', '1']));
    let (what, remedy) = if !text.starts_with('/') {
        (
            "does not begin with `/`",
            format!("write it as an RFC 6901 pointer: `/{}`", shortened(&text.replace('.', "/"))),
        )
    } else if bad_escape {
        (
            "has a `~` that is neither `~0` nor `~1`",
            "write `~0` for `~` and `~1` for `/` inside a name (RFC 6901)".into(),
        )
    } else {
        return Some(text.into());
    };
    faults.add(item.node.at, format!("{} is `{}`, which {what}", item.label, shortened(text)), remedy);
    None
}

fn read_source(item: &Item<'_>, pattern: Option<&[Segment]>, devices: &Devices, faults: &mut Faults) -> Option<String> {
    let text = item.text(faults)?;
    let Some(parts) = source_parts(text) else {
        faults.add(
            item.node.at,
            format!("{} is `{}`, where braces do not close or name nothing", item.label, shortened(text)),
            "write an id with captures in braces, such as `{bin}-{probe}`",
        );
        return None;
    };
    let literal_ok = |c: char| c.is_ascii_alphanumeric() || "-_.".contains(c);
    if parts.iter().any(|part| matches!(part, Part::Literal(text) if !text.chars().all(literal_ok))) {
        faults.add(
            item.node.at,
            format!("{} is `{}`, which can never become an id", item.label, shortened(text)),
            "use letters, digits, `-`, `_` and `.` around the captures",
        );
        return None;
    }
    let captures: Vec<&str> = parts
        .iter()
        .filter_map(|part| if let Part::Capture(name) = part { Some(name.as_str()) } else { None })
        .collect();
    // Where the pattern itself was refused, its captures are not known.
    if let Some(pattern) = pattern {
        let names = || {
            pattern
                .iter()
                .filter_map(|segment| if let Segment::Capture(name) = segment { Some(name.as_str()) } else { None })
        };
        let lacking: Vec<&str> =
            captures.iter().copied().filter(|capture| !names().any(|name| name == *capture)).collect();
        for capture in &lacking {
            faults.add(
                item.node.at,
                format!("{} uses `{{{capture}}}`, which the topic `{}` does not capture", item.label, shown(pattern)),
                match listed(names()) {
                    list if list.is_empty() => "put the name in braces into the topic, or write the id out".into(),
                    _ => suggestion(capture, names().collect::<Vec<_>>()),
                },
            );
        }
        if !lacking.is_empty() {
            return None;
        }
    }
    if captures.is_empty() && !devices.knows(text) {
        faults.add(
            item.node.at,
            format!("{} is `{}`, but no probe or blower has this id", item.label, shortened(text)),
            suggestion(text, devices.names().collect::<Vec<_>>()),
        );
        return None;
    }
    Some(text.into())
}

/// Splits a `source` text at its braces; `None` where they do not pair or a name in them is not one.
pub(super) fn source_parts(text: &str) -> Option<Vec<Part>> {
    let mut parts = Vec::new();
    let mut rest = text;
    while let Some(open) = rest.find('{') {
        let close = open + rest[open..].find('}')?;
        let name = &rest[open + 1..close];
        if rest[..open].contains('}') || !is_capture_name(name) {
            return None;
        }
        if open > 0 {
            parts.push(Part::Literal(rest[..open].into()));
        }
        parts.push(Part::Capture(name.into()));
        rest = &rest[close + 1..];
    }
    if rest.contains('}') {
        return None;
    }
    if !rest.is_empty() {
        parts.push(Part::Literal(rest.into()));
    }
    Some(parts)
}

/// Whether the `source` text can become this id, whatever its captures catch.
pub(super) fn source_fits(parts: &[Part], id: &str) -> bool {
    // reached[i]: the parts so far can end before byte i of the id; ids are ASCII.
    let mut reached = vec![false; id.len() + 1];
    reached[0] = true;
    for part in parts {
        let mut next = vec![false; id.len() + 1];
        match part {
            Part::Literal(text) => {
                for at in (0..=id.len()).filter(|at| reached[*at]) {
                    if id.as_bytes()[at..].starts_with(text.as_bytes()) {
                        next[at + text.len()] = true;
                    }
                }
            }
            Part::Capture(_) => {
                if let Some(first) = reached.iter().position(|end| *end) {
                    next.iter_mut().skip(first + 1).for_each(|end| *end = true);
                }
            }
        }
        reached = next;
    }
    reached[id.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_source_text_fits_the_ids_it_can_become() {
        for (source, id, want, why) in [
            ("{bin}-{probe}", "north-1-core", true, "one way to split is enough"),
            ("{bin}-{probe}", "north", false, "no dash to find"),
            ("{bin}-core", "north-1-core", true, "the end is fixed"),
            ("{bin}-core", "-core", false, "a capture is never empty"),
            ("{bin}-core", "north-1-cores", false, "nothing may be left over"),
            ("blower-1", "blower-1", true, "no capture at all"),
            ("{a}{b}", "x", false, "two captures need two letters"),
            ("{a}{b}", "xy", true, "and two are enough"),
        ] {
            assert_eq!(source_fits(&source_parts(source).unwrap(), id), want, "{source} {id}: {why}");
        }
    }

    #[test]
    fn braces_that_do_not_pair_are_refused() {
        for source in ["{bin", "bin}", "{}", "{Bin}", "a}{b}", "{a{b}}"] {
            assert_eq!(source_parts(source), None, "{source}");
        }
    }

    #[test]
    fn patterns_overlap_only_where_some_topic_fits_both() {
        let pattern = |text: &str| -> Vec<Segment> {
            text.split('/')
                .map(|part| match part.strip_prefix('{') {
                    Some(name) => Segment::Capture(name.trim_end_matches('}').into()),
                    None => Segment::Literal(part.into()),
                })
                .collect()
        };
        for (a, b, want, why) in [
            ("yard/{bin}/temperature", "yard/{b}/temperature", true, "names in braces do not matter"),
            ("yard/{bin}/temperature", "yard/north/temperature", true, "the capture can be this text"),
            ("yard/{bin}/temperature", "yard/{bin}/oxygen", false, "different ends"),
            ("yard/{bin}", "yard/{bin}/{probe}", false, "different lengths"),
            ("{a}/north", "yard/{b}", true, "crosswise"),
            ("/{a}", "{b}/x", false, "a capture never catches the empty part before a leading slash"),
        ] {
            assert_eq!(overlap(&pattern(a), &pattern(b)), want, "{a} {b}: {why}");
            assert_eq!(overlap(&pattern(b), &pattern(a)), want, "{b} {a}: {why}");
        }
    }
}
