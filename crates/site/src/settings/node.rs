//! YAML text to a tree in which every node knows its line, so that one pass can name every fault.
//!
//! Must never decide what the settings mean: only what is text, number, list or map.

use std::fmt;

use pile::units::Readable;
use serde::de::{Deserialize, Deserializer, MapAccess, SeqAccess, Visitor};
use serde_yaml::{DefaultMessageFormatter, DuplicateKeyPolicy, Error, MessageFormatter, NonFiniteFloatPolicy, Spanned};

use super::fault::{Fault, Place};

/// Deeper nesting than any settings need; the library's own limit would let a hostile file exhaust the stack.
const DEPTH_MAX: usize = 32;

/// One node of the text.
#[derive(Debug)]
pub struct Node {
    /// Where it begins.
    pub at: Place,
    /// What it is.
    pub kind: Kind,
}

/// What a node is.
#[derive(Debug)]
pub enum Kind {
    /// Nothing stands there.
    Nothing,
    /// `true` or `false`.
    Truth(bool),
    /// A number.
    Number(f64),
    /// A text.
    Text(String),
    /// A list.
    List(Vec<Node>),
    /// Keys and values in the order of the text; a key may occur twice.
    Map(Vec<(Node, Node)>),
}

impl Kind {
    /// What a reader of the file would call it.
    pub fn described(&self) -> String {
        match self {
            Kind::Nothing => "empty".into(),
            Kind::Truth(value) => format!("the truth value {value}"),
            Kind::Number(value) => format!("the number {}", Readable(*value)),
            Kind::Text(text) => format!("the text `{}`", shortened(text)),
            Kind::List(_) => "a list".into(),
            Kind::Map(_) => "a group of keys".into(),
        }
    }
}

/// The text as a message may carry it: escaped and cut, because a mistake can make half a file one value.
pub fn shortened(text: &str) -> String {
    const SHOWN: usize = 60;
    let escaped: String = text.chars().take(SHOWN).flat_map(escape).collect();
    if text.chars().nth(SHOWN).is_some() { format!("{escaped}…") } else { escaped }
}

fn escape(c: char) -> impl Iterator<Item = char> {
    let steers = crate::plain::steers(c);
    let escaped = steers.then(|| c.escape_default());
    let plain = (!steers).then_some(c);
    escaped.into_iter().flatten().chain(plain)
}

/// Reads the text into a tree.
///
/// Duplicate keys are let through: the section that holds them names both lines.
///
/// `empty` says of an empty text what is wrong and what to do.
///
/// # Errors
/// The first place where it is not YAML: what follows cannot be told.
pub fn parse(text: &str, path: &str, empty: (&str, &str)) -> Result<Node, Fault> {
    let is_empty = || Fault { path: path.into(), line: 1, column: 1, what: empty.0.into(), remedy: empty.1.into() };
    if text.trim().is_empty() {
        return Err(is_empty());
    }
    let options = serde_yaml::options! {
        duplicate_keys: DuplicateKeyPolicy::PassThrough,
        // `no`, `off` and `on` stay text, and 007 stays an id: only true and false are truth values.
        strict_booleans: true,
        leading_zero_numbers_as_strings: true,
        non_finite_float_policy: NonFiniteFloatPolicy::PassThrough,
        with_snippet: false,
        budget: serde_yaml::budget! { max_depth: DEPTH_MAX, flow_nesting_limit: DEPTH_MAX },
    };
    let node: Node = serde_yaml::from_str_with_options(text, options).map_err(|error| syntax(text, path, &error))?;
    match node.kind {
        Kind::Nothing => Err(is_empty()),
        _ => Ok(node),
    }
}

fn syntax(text: &str, path: &str, error: &Error) -> Fault {
    let (line, column) = error.location().map_or((1, 1), |at| (at.line().max(1), at.column().max(1)));
    // The library often names the place where it lost the thread, which is later than the tab that made it.
    if let Some(tab) = first_tab_indent(text) {
        return Fault {
            path: path.into(),
            line: tab,
            column: 1,
            what: "the line is indented with a tab, which YAML does not allow".into(),
            remedy: "replace every tab at the beginning of a line by spaces, two for each level".into(),
        };
    }
    let message = DefaultMessageFormatter.format_message(error.without_snippet()).into_owned();
    let (what, remedy) = explained(error.without_snippet(), &message);
    Fault { path: path.into(), line, column, what, remedy: remedy.into() }
}

fn first_tab_indent(text: &str) -> Option<u64> {
    let indent =
        |line: &str| line.chars().take_while(|c| c.is_whitespace()).any(|c| c == '\t') && !line.trim().is_empty();
    text.lines().position(indent).map(|index| index as u64 + 1)
}

fn explained(error: &Error, message: &str) -> (String, &'static str) {
    match error {
        Error::MultipleDocuments { .. } => (
            "a second document begins here (`---`), and settings are one document".into(),
            "remove the `---` line, or move what follows it to a file of its own",
        ),
        Error::Budget { .. } => (
            format!("the settings are nested deeper, or longer, than settings can be ({message})"),
            "check the brackets and the indentation from this line upwards",
        ),
        _ if message.contains("recursion limit") => (
            format!("the settings are nested deeper than {DEPTH_MAX} levels"),
            "check the brackets and the indentation from this line upwards",
        ),
        Error::UnknownAnchor { .. } => (
            format!("not valid YAML: {message}"),
            "a value that begins with `*` refers to an anchor; put the value in quotes if it is text",
        ),
        _ => (format!("not valid YAML: {message}"), remedy_for(message)),
    }
}

/// What usually lies behind a message of the YAML library.
fn remedy_for(message: &str) -> &'static str {
    let has = |needle: &str| message.contains(needle);
    if has("quote") || has("quoted scalar") {
        "close the quotation mark, or put the whole value in quotes"
    } else if has("flow") || has("','") || has("'}'") || has("']'") {
        "check that every `{` and `[` on this line or above has its `}` or `]`, with commas between the items"
    } else if has("mapping values") || has("simple key") || has("':'") {
        "check this line and the one above: the indentation of neighbours must be equal, a key needs `: ` with a space, \
         and a value that contains `: ` needs quotes"
    } else if has("character") || has("token") || has("escape") || has("directive") {
        "put the value in quotes if it begins with one of @ ` % & * ! | > { [ , or contains a backslash"
    } else {
        "check the indentation and the quotes on this line and the one above"
    }
}

impl<'de> Deserialize<'de> for Node {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Node, D::Error> {
        let spanned = Spanned::<Kind>::deserialize(deserializer)?;
        let at = Place { line: spanned.referenced.line().max(1), column: spanned.referenced.column().max(1) };
        Ok(Node { at, kind: spanned.value })
    }
}

impl<'de> Deserialize<'de> for Kind {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Kind, D::Error> {
        deserializer.deserialize_any(KindVisitor)
    }
}

struct KindVisitor;

impl<'de> Visitor<'de> for KindVisitor {
    type Value = Kind;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("text, a number, true, false, a list or a group of keys")
    }

    fn visit_unit<E>(self) -> Result<Kind, E> {
        Ok(Kind::Nothing)
    }

    fn visit_none<E>(self) -> Result<Kind, E> {
        Ok(Kind::Nothing)
    }

    fn visit_bool<E>(self, value: bool) -> Result<Kind, E> {
        Ok(Kind::Truth(value))
    }

    fn visit_i64<E>(self, value: i64) -> Result<Kind, E> {
        Ok(Kind::Number(value as f64))
    }

    fn visit_u64<E>(self, value: u64) -> Result<Kind, E> {
        Ok(Kind::Number(value as f64))
    }

    fn visit_f64<E>(self, value: f64) -> Result<Kind, E> {
        Ok(Kind::Number(value))
    }

    fn visit_str<E>(self, value: &str) -> Result<Kind, E> {
        Ok(Kind::Text(value.into()))
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut items: A) -> Result<Kind, A::Error> {
        let mut list = Vec::new();
        while let Some(item) = items.next_element()? {
            list.push(item);
        }
        Ok(Kind::List(list))
    }

    fn visit_map<A: MapAccess<'de>>(self, mut entries: A) -> Result<Kind, A::Error> {
        let mut map = Vec::new();
        while let Some(entry) = entries.next_entry()? {
            map.push(entry);
        }
        Ok(Kind::Map(map))
    }
}
