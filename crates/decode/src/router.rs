//! Which topic speaks of which probe, and what its payload says.
//!
//! Must never judge a value: whether a finite number can be true is for the engine to say.

use std::borrow::Cow;
use std::collections::BTreeMap;

use pile::time::Timestamp;
use site::model::{Field, Payload, Segment, Site, TopicMap};
use site::quantity::{Quantity, Unit};
use site::reading::{Reading, Refusal, SeriesId, Source, TimeSource};

use crate::fault::{Fault, escape_into, quoted};
use crate::instant::{Told, told};
use crate::json::{self, Node, Pointer};
use crate::panel::{self, Named, Seen, Written};
use crate::{PAYLOAD_BYTES_KEPT, PAYLOAD_BYTES_MAX, TOPIC_BYTES_MAX, TOPIC_CHARS_KEPT, number};

/// Whether a message is fresh or was kept by the broker.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Retained {
    /// It was just published, whatever retain flag its sender set.
    Fresh,
    /// The broker had kept it from earlier (RETAIN set on a delivery to a new subscription).
    Kept,
}

/// What one message gave. Both may be filled: a pack can hold good values and bad ones.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct Decoded {
    /// The values that could be read.
    pub readings: Vec<Reading>,
    /// What could not, with reasons.
    pub refusals: Vec<Refusal>,
    /// What a wall panel said.
    pub seen: Vec<Seen>,
    /// What people wrote in the log.
    pub written: Vec<Written>,
    /// By what a message of people named itself that could not be read, for the answer.
    pub named: Option<Named>,
    /// What gateways, or their wills, said.
    pub gateways: Vec<GatewayWord>,
}

/// A gateway is there, or gone.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct GatewayWord {
    /// Its id.
    pub gateway: String,
    /// The broker says that it is gone.
    pub gone: bool,
}

/// Knows the site's topics and decodes their messages. Cheap to share, never changes.
#[derive(Clone, Debug)]
pub struct Router {
    routes: Vec<Route>,
    sources: BTreeMap<Box<str>, Source>,
    /// Where wall panels acknowledge.
    panel: String,
    /// Where people write in the log.
    log: String,
    /// Where gateways say how they are: topic, id, and the payload when gone.
    gateways: Vec<(String, String, String)>,
    settings: String,
}

#[derive(Clone, Debug)]
struct Route {
    pattern: Vec<Segment>,
    reader: Reader,
    place: String,
}

#[derive(Clone, Debug)]
enum Reader {
    Number(Take),
    Json { time: Option<Locator>, takes: Vec<Take> },
}

/// A value to take from a payload.
#[derive(Clone, Debug)]
struct Take {
    value_at: Option<Locator>,
    unit_at: Option<Locator>,
    source: Vec<Part>,
    quantity: Quantity,
    unit: Unit,
    optional: bool,
}

/// A pointer as written, and parsed where that is possible; one that is not is told with every message, for the settings should not
/// have passed.
#[derive(Clone, Debug)]
struct Locator {
    text: String,
    pointer: Result<Pointer, &'static str>,
}

/// A piece of a source template.
#[derive(Clone, Debug, PartialEq, Eq)]
enum Part {
    Text(String),
    /// The segment of the topic at this index.
    Segment(usize),
}

impl Router {
    /// Prepares the topics of a site.
    pub fn new(site: &Site) -> Router {
        let probes = site.probes.keys().map(|id| (id.as_str().into(), Source::Probe(id.clone())));
        let blowers = site.blowers.keys().map(|id| (id.as_str().into(), Source::Blower(id.clone())));
        Router {
            routes: site.topics.iter().map(Route::new).collect(),
            sources: probes.chain(blowers).collect(),
            panel: site.acknowledge_topic(),
            log: site.log_topic(),
            gateways: site
                .gateways
                .iter()
                .filter_map(|g| g.status.as_ref().map(|s| (s.topic.clone(), g.id.clone(), s.gone.clone())))
                .collect(),
            settings: site.settings_path.clone(),
        }
    }

    /// Decodes one message.
    ///
    /// `received_at` is the time of intake: it stands in where the payload carries no time that can be trusted.
    pub fn decode(&self, topic: &str, payload: &[u8], retained: Retained, received_at: Timestamp) -> Decoded {
        self.decoded(topic, payload, retained, received_at, |message| self.read(message))
    }

    /// What `read` makes of a message. A panic in it refuses the message: unread and unacknowledged it would come again without end.
    fn decoded(
        &self,
        topic: &str,
        payload: &[u8],
        retained: Retained,
        received_at: Timestamp,
        read: impl FnOnce(&mut Message<'_>) -> Result<(), Fault>,
    ) -> Decoded {
        let mut message = Message { topic, payload, retained, received_at, decoded: Decoded::default() };
        let done = fence::caught(|| read(&mut message)).unwrap_or_else(|panic| {
            // Of a message that was not read to its end nothing is taken.
            message.decoded = Decoded::default();
            Err(Fault::Panicked { panic })
        });
        if let Err(fault) = done {
            if topic == self.log || topic == self.panel {
                message.decoded.named = panel::named(payload);
                // What is refused is kept, and this may hold the word that proves who somebody is.
                message.payload = b"(not kept: it may hold a token)";
            }
            message.refuse(&fault);
        }
        message.decoded
    }

    /// Whether some entry of the settings fits this topic, or it is one on which people speak.
    pub fn maps(&self, topic: &str) -> bool {
        if topic == self.panel || topic == self.log || self.gateways.iter().any(|(own, ..)| own == topic) {
            return true;
        }
        let levels: Vec<&str> = topic.split('/').collect();
        self.routes.iter().any(|route| route.fits(&levels))
    }

    /// Filters to subscribe to, in the order of the settings and that of the panels last, none of them covered by another.
    ///
    /// Two filters may still overlap in part (`a/+` and `+/b` share `a/b`): no filter covers both without asking for topics that
    /// nobody mapped. A message that comes twice for that reason is the same to us as one that the broker repeats.
    pub fn filters(&self) -> Vec<String> {
        let mut all: Vec<Vec<&str>> = self.routes.iter().map(Route::filter).filter(|f| !f.is_empty()).collect();
        all.extend(self.gateways.iter().map(|(topic, ..)| topic.split('/').collect()));
        all.extend([&self.panel, &self.log].map(|topic| topic.split('/').collect()));
        let mut kept: Vec<&Vec<&str>> = Vec::new();
        for (i, filter) in all.iter().enumerate() {
            let covered = all.iter().enumerate().any(|(j, other)| {
                // Of two equal filters the first one stays.
                j != i && covers(other, filter) && (j < i || !covers(filter, other))
            });
            if !covered {
                kept.push(filter);
            }
        }
        kept.into_iter().map(|filter| filter.join("/")).collect()
    }

    fn read(&self, message: &mut Message<'_>) -> Result<(), Fault> {
        check_topic(message.topic, &self.settings)?;
        if let Some((_, gateway, gone)) = self.gateways.iter().find(|(topic, ..)| topic == message.topic) {
            // What the broker had kept counts: it is how the gateway is now.
            let gone = message.payload.trim_ascii() == gone.as_bytes();
            message.decoded.gateways.push(GatewayWord { gateway: gateway.clone(), gone });
            return Ok(());
        }
        if message.topic == self.panel || message.topic == self.log {
            if message.retained == Retained::Kept {
                return Err(Fault::KeptAcknowledgement);
            }
            if message.payload.len() > PAYLOAD_BYTES_MAX {
                return Err(Fault::PayloadTooLong { bytes: message.payload.len(), limit: PAYLOAD_BYTES_MAX });
            }
            match message.topic == self.panel {
                true => message.decoded.seen.push(panel::read(message.payload)?),
                false => message.decoded.written.push(panel::read_written(message.payload)?),
            }
            return Ok(());
        }
        let levels: Vec<&str> = message.topic.split('/').collect();
        let unmapped = || Fault::Unmapped { settings: self.settings.clone() };
        let route = self.routes.iter().find(|route| route.fits(&levels)).ok_or_else(unmapped)?;
        if message.payload.len() > PAYLOAD_BYTES_MAX {
            return Err(Fault::PayloadTooLong { bytes: message.payload.len(), limit: PAYLOAD_BYTES_MAX });
        }
        match &route.reader {
            Reader::Number(take) => {
                let source = self.source(take, &levels, &route.place)?;
                let value = number::read(message.payload, &route.place)?;
                // A plain number carries no time.
                let (at, time_source) = message.placed(Told::Nothing)?;
                let value = canonical(value, take.unit, take.quantity, &route.place)?;
                message.take(source, take.quantity, value, at, time_source);
                Ok(())
            }
            Reader::Json { time, takes } => self.read_json(message, &levels, route, time.as_ref(), takes),
        }
    }

    fn read_json(
        &self,
        message: &mut Message<'_>,
        levels: &[&str],
        route: &Route,
        time: Option<&Locator>,
        takes: &[Take],
    ) -> Result<(), Fault> {
        let place = &route.place;
        if message.payload.trim_ascii().is_empty() {
            return Err(Fault::Empty);
        }
        let root =
            json::parse(message.payload).map_err(|why| Fault::NotJson { why: quoted(&why), place: place.clone() })?;
        let node = time.map(|locator| locator.find(&root, place)).transpose()?.flatten();
        let said = told(node, message.received_at);
        if let (Told::Local, Some(Node::Text(text))) = (said, node) {
            return Err(Fault::LocalTime { text: quoted(text), place: place.clone() });
        }
        let (at, time_source) = message.placed(said)?;
        let before = message.decoded.refusals.len();
        for take in takes {
            let one = take.value(&root, place).and_then(|value| match value {
                Some(value) => Ok(Some((self.source(take, levels, place)?, value))),
                None => Ok(None),
            });
            match one {
                Ok(Some((source, value))) => message.take(source, take.quantity, value, at, time_source),
                Ok(None) => {}
                Err(fault) => message.refuse(&fault),
            }
        }
        if message.decoded.readings.is_empty() && message.decoded.refusals.len() == before {
            return Err(Fault::NothingThere { place: place.clone() });
        }
        Ok(())
    }

    fn source(&self, take: &Take, levels: &[&str], place: &str) -> Result<Source, Fault> {
        let id = take.id(levels);
        self.sources.get(id.as_ref()).cloned().ok_or_else(|| Fault::UnknownSource {
            id: quoted(&id),
            settings: self.settings.clone(),
            place: place.to_owned(),
        })
    }
}

impl Route {
    fn new(map: &TopicMap) -> Route {
        let reader = match &map.payload {
            Payload::Number(field) => Reader::Number(Take::new(field, &map.pattern)),
            Payload::Json { time, fields } => Reader::Json {
                time: time.as_deref().map(Locator::new),
                takes: fields.iter().map(|field| Take::new(field, &map.pattern)).collect(),
            },
        };
        Route { pattern: map.pattern.clone(), reader, place: map.place.clone() }
    }

    fn fits(&self, levels: &[&str]) -> bool {
        self.pattern.len() == levels.len()
            && self.pattern.iter().zip(levels).enumerate().all(|(i, (segment, level))| match segment {
                Segment::Literal(text) => text == level,
                // A wildcard in the first place does not match the broker's own topics (MQTT 5.0, section 4.7.2).
                Segment::Capture(_) => i > 0 || !level.starts_with('$'),
            })
    }

    fn filter(&self) -> Vec<&str> {
        self.pattern
            .iter()
            .map(|segment| match segment {
                Segment::Literal(text) => text.as_str(),
                Segment::Capture(_) => "+",
            })
            .collect()
    }
}

impl Take {
    fn new(field: &Field, pattern: &[Segment]) -> Take {
        Take {
            value_at: field.value_at.as_deref().map(Locator::new),
            unit_at: field.unit_at.as_deref().map(Locator::new),
            source: template(&field.source, pattern),
            quantity: field.quantity,
            unit: field.unit,
            optional: field.optional,
        }
    }

    /// The id that the template makes of a topic; the common template of one capture needs no copy.
    fn id<'t>(&self, levels: &[&'t str]) -> Cow<'t, str> {
        let level = |i: &usize| levels.get(*i).copied().unwrap_or_default();
        match self.source.as_slice() {
            [Part::Segment(i)] => Cow::Borrowed(level(i)),
            parts => Cow::Owned(
                parts
                    .iter()
                    .map(|part| match part {
                        Part::Text(text) => text.as_str(),
                        Part::Segment(i) => level(i),
                    })
                    .collect(),
            ),
        }
    }

    /// The value in the canonical unit, or nothing where it is optional and absent.
    fn value(&self, root: &Node<'_>, place: &str) -> Result<Option<f64>, Fault> {
        let (node, pointer) = match &self.value_at {
            Some(locator) => (locator.find(root, place)?, locator.text.as_str()),
            None => (Some(root), ""),
        };
        let value = match node {
            None | Some(Node::Null) if self.optional => return Ok(None),
            None => return Err(Fault::NotFound { pointer: pointer.to_owned(), place: place.to_owned() }),
            Some(Node::Null) => return Err(Fault::Null { pointer: pointer.to_owned(), place: place.to_owned() }),
            Some(Node::Int(n)) => *n as f64,
            Some(Node::Float(x)) => *x,
            Some(other) => {
                return Err(Fault::WrongKind {
                    pointer: pointer.to_owned(),
                    kind: other.kind(),
                    place: place.to_owned(),
                });
            }
        };
        let unit = self.unit_of(root, place)?;
        canonical(value, unit, self.quantity, place).map(Some)
    }

    fn unit_of(&self, root: &Node<'_>, place: &str) -> Result<Unit, Fault> {
        let Some(locator) = &self.unit_at else { return Ok(self.unit) };
        let bad = |found: String| Fault::BadUnit {
            pointer: locator.text.clone(),
            found,
            quantity: self.quantity.to_string(),
            place: place.to_owned(),
        };
        match locator.find(root, place)? {
            None | Some(Node::Null) => Ok(self.unit),
            Some(Node::Text(text)) => match Unit::from_symbol(text) {
                Some(unit) if unit.to_canonical(self.quantity, 0.0).is_some() => Ok(unit),
                _ => Err(bad(format!("`{}`", quoted(text)))),
            },
            Some(other) => Err(bad(other.kind().to_owned())),
        }
    }
}

impl Locator {
    fn new(text: &str) -> Locator {
        Locator { text: text.to_owned(), pointer: Pointer::parse(text) }
    }

    fn find<'n, 'a>(&self, root: &'n Node<'a>, place: &str) -> Result<Option<&'n Node<'a>>, Fault> {
        match &self.pointer {
            Ok(pointer) => Ok(pointer.find(root)),
            Err(why) => Err(Fault::BadPointer { pointer: quoted(&self.text), why, place: place.to_owned() }),
        }
    }
}

/// A message on its way through, with what came of it so far.
struct Message<'m> {
    topic: &'m str,
    payload: &'m [u8],
    retained: Retained,
    received_at: Timestamp,
    decoded: Decoded,
}

impl Message<'_> {
    /// The time that its readings get. A kept message must bring its own: its intake time says nothing of its age.
    fn placed(&self, said: Told) -> Result<(Timestamp, TimeSource), Fault> {
        let stand_in = match (said, self.retained) {
            (Told::At(at), _) => return Ok((at, TimeSource::Device)),
            (_, Retained::Kept) => return Err(Fault::Stale),
            (Told::Nothing, _) => TimeSource::Intake,
            (Told::Ahead, _) => TimeSource::DeviceClockAhead,
            (Told::Wrong | Told::Local, _) => TimeSource::DeviceClockWrong,
        };
        Ok((self.received_at, stand_in))
    }

    fn take(&mut self, source: Source, quantity: Quantity, value: f64, at: Timestamp, time_source: TimeSource) {
        self.decoded.readings.push(Reading {
            series: SeriesId { source, quantity },
            measured_at: at,
            received_at: self.received_at,
            value,
            time_source,
            retained: self.retained == Retained::Kept,
        });
    }

    fn refuse(&mut self, fault: &Fault) {
        let mut topic = String::new();
        escape_into(self.topic, TOPIC_CHARS_KEPT, &mut topic);
        self.decoded.refusals.push(Refusal {
            received_at: self.received_at,
            topic: topic.chars().take(TOPIC_CHARS_KEPT).collect(),
            payload_head: head(self.payload),
            payload_bytes: self.payload.len(),
            reason: fault.to_string(),
        });
    }
}

/// The first bytes of a payload as text; bytes that are not text as `\xNN`.
fn head(payload: &[u8]) -> String {
    use std::fmt::Write;
    let mut out = String::new();
    for chunk in payload[..payload.len().min(PAYLOAD_BYTES_KEPT)].utf8_chunks() {
        escape_into(chunk.valid(), usize::MAX, &mut out);
        for byte in chunk.invalid() {
            // Writing to a String cannot fail.
            let _ = write!(out, "\\x{byte:02x}");
        }
    }
    out
}

/// Refuses topics that no client may publish to, and over-long ones.
fn check_topic(topic: &str, settings: &str) -> Result<(), Fault> {
    if topic.is_empty() {
        return Err(Fault::TopicEmpty { settings: settings.to_owned() });
    }
    if topic.len() > TOPIC_BYTES_MAX {
        return Err(Fault::TopicTooLong { bytes: topic.len(), limit: TOPIC_BYTES_MAX });
    }
    let suspicious = |b: u8| !(0x20..0x7F).contains(&b) || b == b'+' || b == b'#';
    if !topic.bytes().any(suspicious) {
        return Ok(());
    }
    for c in topic.chars() {
        if c.is_control() {
            return Err(Fault::TopicControl { code: c.into() });
        }
        if c == '+' || c == '#' {
            return Err(Fault::TopicWildcard { wildcard: c });
        }
    }
    Ok(())
}

/// Converts to the canonical unit and keeps what the conversion made infinite out.
fn canonical(value: f64, unit: Unit, quantity: Quantity, place: &str) -> Result<f64, Fault> {
    match unit.to_canonical(quantity, value) {
        Some(value) if value.is_finite() => Ok(value),
        Some(_) => Err(Fault::TooLarge { text: value.to_string() }),
        None => Err(Fault::UnitMismatch { unit: unit.sign(), quantity: quantity.to_string(), place: place.to_owned() }),
    }
}

/// Splits `{bin}-{probe}` into its parts. A brace that names no capture of the pattern stays text, and the refusal will show it.
fn template(source: &str, pattern: &[Segment]) -> Vec<Part> {
    let capture = |name: &str| pattern.iter().position(|s| matches!(s, Segment::Capture(n) if n == name));
    let mut parts = Vec::new();
    let mut text = String::new();
    let mut rest = source;
    while let Some(c) = rest.chars().next() {
        let name = rest.strip_prefix('{').and_then(|r| r.split_once('}')).map(|(name, _)| name);
        if let Some((name, i)) = name.and_then(|name| Some((name, capture(name)?))) {
            if !text.is_empty() {
                parts.push(Part::Text(std::mem::take(&mut text)));
            }
            parts.push(Part::Segment(i));
            rest = &rest[name.len() + 2..];
        } else {
            text.push(c);
            rest = &rest[c.len_utf8()..];
        }
    }
    if !text.is_empty() {
        parts.push(Part::Text(text));
    }
    parts
}

/// Whether every topic that fits `specific` fits `general`.
fn covers(general: &[&str], specific: &[&str]) -> bool {
    general.len() == specific.len()
        && general.iter().zip(specific).enumerate().all(|(i, (g, s))| {
            let reserved = i == 0 && s.starts_with('$');
            g == s || (*g == "+" && !reserved)
        })
}

#[cfg(test)]
#[path = "../tests/sites/mod.rs"]
mod sites;

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    #[test]
    fn a_panic_refuses_the_message_and_takes_nothing_of_it() {
        let site = sites::with(vec![sites::plain("yard/{probe}", "{probe}")], &["core"], &[]);
        let router = Router::new(&site);
        let at = Timestamp::from_millis(1_773_122_400_000);
        assert_eq!(router.decode("yard/core", b"61", Retained::Fresh, at).readings.len(), 1);
        let decoded = router.decoded("yard/core", b"61", Retained::Fresh, at, |message| {
            router.read(message).unwrap();
            panic!("an odd payload")
        });
        assert!(decoded.readings.is_empty(), "half of a message is none");
        let reasons: Vec<&str> = decoded.refusals.iter().map(|refusal| refusal.reason.as_str()).collect();
        assert_eq!(
            reasons,
            [
                "a fault of hypocaust itself (an odd payload): what was sent was not read; please report it with what the device sends"
            ]
        );
    }
}
