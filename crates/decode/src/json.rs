//! JSON as we take it: no duplicate member names, nothing behind the document, integers exact; values found by RFC 6901 pointers.
//!
//! Must never push an integer through a float: a count of nanoseconds would lose its last digits.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::fmt;

use serde::de::{Deserialize, Deserializer, Error, MapAccess, SeqAccess, Visitor};

use crate::fault::quoted;

/// One JSON value.
#[derive(Debug, PartialEq)]
pub(crate) enum Node<'a> {
    Null,
    Bool,
    Int(i128),
    Float(f64),
    Text(Cow<'a, str>),
    Array(Vec<Node<'a>>),
    Object(BTreeMap<Cow<'a, str>, Node<'a>>),
}

impl Node<'_> {
    /// What it is, for a message.
    pub(crate) fn kind(&self) -> &'static str {
        match self {
            Node::Null => "null",
            Node::Bool => "true or false",
            Node::Int(_) | Node::Float(_) => "a number",
            Node::Text(_) => "text",
            Node::Array(_) => "a list",
            Node::Object(_) => "an object",
        }
    }
}

/// Reads one whole document; the error is the parser's text with line and column.
pub(crate) fn parse(bytes: &[u8]) -> Result<Node<'_>, String> {
    let mut deserializer = serde_json::Deserializer::from_slice(bytes);
    let node = Node::deserialize(&mut deserializer).map_err(|e| e.to_string())?;
    deserializer.end().map_err(|e| e.to_string())?;
    Ok(node)
}

/// The first member name that an object has twice, at any depth; `None` where there is none, or what stands before it is no JSON.
pub(crate) fn duplicate(bytes: &[u8]) -> Option<String> {
    let why = parse(bytes).err()?;
    let name = why.strip_prefix(DUPLICATE)?;
    Some(name.split('`').next()?.to_owned())
}

/// How the fault about a member name begins that is there twice; the name follows, up to the next such mark.
const DUPLICATE: &str = "duplicate member name `";

/// A parsed RFC 6901 pointer: the names from the root down.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Pointer {
    tokens: Vec<String>,
}

impl Pointer {
    /// Parses the text of a pointer; the error says what is wrong with it.
    pub(crate) fn parse(text: &str) -> Result<Pointer, &'static str> {
        if text.is_empty() {
            return Ok(Pointer { tokens: Vec::new() });
        }
        let rest = text.strip_prefix('/').ok_or("it must be empty or start with `/`")?;
        let tokens = rest.split('/').map(unescape).collect::<Result<_, _>>()?;
        Ok(Pointer { tokens })
    }

    /// The value it points at, if there is one.
    pub(crate) fn find<'n, 'a>(&self, root: &'n Node<'a>) -> Option<&'n Node<'a>> {
        self.tokens.iter().try_fold(root, |node, token| match node {
            Node::Object(members) => members.get(token.as_str()),
            Node::Array(items) => items.get(index(token)?),
            _ => None,
        })
    }
}

/// Undoes `~1` and `~0`, in the order that RFC 6901 section 4 asks for.
fn unescape(token: &str) -> Result<String, &'static str> {
    let mut after_tilde = token.split('~').skip(1);
    if after_tilde.any(|rest| !rest.starts_with(['0', '1'])) {
        return Err("`~` must be followed by 0 or 1");
    }
    Ok(token.replace("~1", "/").replace("~0", "~"))
}

/// An array index as RFC 6901 writes it: no sign, no leading zero; `-` names the place behind the last and never reads.
fn index(token: &str) -> Option<usize> {
    let digits = token.bytes().all(|b| b.is_ascii_digit());
    let canonical = token == "0" || !token.starts_with('0');
    if digits && canonical { token.parse().ok() } else { None }
}

impl<'de> Deserialize<'de> for Node<'de> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(Nodes)
    }
}

struct Nodes;

impl<'de> Visitor<'de> for Nodes {
    type Value = Node<'de>;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a JSON value")
    }
    fn visit_unit<E: Error>(self) -> Result<Node<'de>, E> {
        Ok(Node::Null)
    }
    fn visit_bool<E: Error>(self, _: bool) -> Result<Node<'de>, E> {
        Ok(Node::Bool)
    }
    fn visit_i64<E: Error>(self, n: i64) -> Result<Node<'de>, E> {
        Ok(Node::Int(n.into()))
    }
    fn visit_u64<E: Error>(self, n: u64) -> Result<Node<'de>, E> {
        Ok(Node::Int(n.into()))
    }
    fn visit_f64<E: Error>(self, x: f64) -> Result<Node<'de>, E> {
        Ok(Node::Float(x))
    }
    fn visit_borrowed_str<E: Error>(self, text: &'de str) -> Result<Node<'de>, E> {
        Ok(Node::Text(Cow::Borrowed(text)))
    }
    fn visit_str<E: Error>(self, text: &str) -> Result<Node<'de>, E> {
        Ok(Node::Text(Cow::Owned(text.to_owned())))
    }
    fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Node<'de>, A::Error> {
        let mut items = Vec::new();
        while let Some(item) = seq.next_element()? {
            items.push(item);
        }
        Ok(Node::Array(items))
    }
    fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Node<'de>, A::Error> {
        let mut members = BTreeMap::new();
        while let Some(Name(name)) = map.next_key()? {
            // A parser that keeps one of two values of the same name would decide which reading is true.
            if members.contains_key(&name) {
                return Err(A::Error::custom(format_args!("{DUPLICATE}{}`", quoted(&name))));
            }
            members.insert(name, map.next_value()?);
        }
        Ok(Node::Object(members))
    }
}

/// A member name, borrowed from the payload where it has no escapes.
struct Name<'a>(Cow<'a, str>);

impl<'de> Deserialize<'de> for Name<'de> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Names;
        impl<'de> Visitor<'de> for Names {
            type Value = Name<'de>;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a member name")
            }
            fn visit_borrowed_str<E: Error>(self, text: &'de str) -> Result<Name<'de>, E> {
                Ok(Name(Cow::Borrowed(text)))
            }
            fn visit_str<E: Error>(self, text: &str) -> Result<Name<'de>, E> {
                Ok(Name(Cow::Owned(text.to_owned())))
            }
        }
        deserializer.deserialize_str(Names)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const REFERENCE: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../../tests/reference/payloads/jsonptr/");

    fn reference(name: &str) -> String {
        std::fs::read_to_string(format!("{REFERENCE}{name}")).unwrap()
    }

    fn member<'n, 'a>(node: &'n Node<'a>, name: &str) -> &'n Node<'a> {
        Pointer::parse(&format!("/{name}")).unwrap().find(node).unwrap()
    }

    fn text<'n>(node: &'n Node<'_>) -> &'n str {
        match node {
            Node::Text(text) => text,
            other => panic!("not text: {other:?}"),
        }
    }

    #[test]
    fn pointers_read_what_rfc6901_section_5_says() {
        let document = reference("rfc6901-document.json");
        let document = parse(document.as_bytes()).unwrap();
        let rows = reference("rfc6901-pointers.json");
        let Node::Array(rows) = parse(rows.as_bytes()).unwrap() else { panic!("a list") };
        assert_eq!(rows.len(), 12);
        for row in &rows {
            let pointer = text(member(row, "pointer"));
            let found = Pointer::parse(pointer).unwrap().find(&document);
            assert_eq!(found, Some(member(row, "value")), "{pointer}");
        }
    }

    #[test]
    fn pointers_that_read_nothing_are_refused_or_find_nothing() {
        let document = reference("rfc6901-document.json");
        let document = parse(document.as_bytes()).unwrap();
        let rows = reference("bad-pointers.json");
        let Node::Array(rows) = parse(rows.as_bytes()).unwrap() else { panic!("a list") };
        assert_eq!(rows.len(), 8);
        for row in &rows {
            let pointer = text(member(row, "pointer"));
            let found = Pointer::parse(pointer).ok().and_then(|p| p.find(&document).map(Node::kind));
            assert_eq!(found, None, "{pointer}: {}", text(member(row, "why")));
        }
    }

    #[test]
    fn documents_that_could_be_read_two_ways_are_refused() {
        for (bytes, want, why) in [
            (&b"{\"c\":1,\"c\":2}"[..], "duplicate member name `c`", "which of the two is the reading?"),
            (b"{\"a\":{\"c\":1,\"\\u0063\":2}}", "duplicate member name `c`", "the same name, escaped"),
            (b"{\"c\":1} {\"c\":2}", "trailing", "two documents"),
            (b"{\"c\":1}x", "trailing", "something behind it"),
            (b"{\"c\":NaN}", "expected", "NaN is not JSON"),
            (b"{\"c\":1e400}", "out of range", "would become infinite"),
            (b"{\"c\":01}", "invalid number", "a leading zero"),
            (b"\xEF\xBB\xBF{}", "expected value", "a byte order mark"),
            (b"{\"c\":\"\xFF\"}", "invalid", "not UTF-8"),
            (b"\"\\ud800\"", "hex escape", "half a surrogate pair"),
            (b"", "EOF", "nothing"),
        ] {
            let error = parse(bytes).unwrap_err();
            assert!(error.contains(want), "{}: {why}: {error}", String::from_utf8_lossy(bytes));
        }
        let deep = "[".repeat(10_000);
        assert!(parse(deep.as_bytes()).is_err(), "deep nesting must not exhaust the stack");
    }

    #[test]
    fn integers_stay_exact() {
        assert_eq!(parse(b"1773122340999999999").unwrap(), Node::Int(1_773_122_340_999_999_999));
        assert_eq!(parse(b"-9007199254740993").unwrap(), Node::Int(-9_007_199_254_740_993));
        assert_eq!(parse(b"61.0").unwrap(), Node::Float(61.0));
    }
}
