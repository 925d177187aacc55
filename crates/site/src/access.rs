//! Who may publish and hear what at the broker inside the daemon.
//!
//! Must never let anybody but the daemon say how things stand, nor anybody hear a topic on which people prove who they are.

use std::collections::BTreeMap;

use crate::model::{Broker, Field, Payload, Segment, Site, TopicMap};

/// Users that the settings may name; a probe's user needs no entry.
pub const USERS_MAX: usize = 1_000;
/// Topics that one entry may name for publishing, and as many for subscribing.
pub const FILTERS_MAX: usize = 100;
/// The longest user name, bytes.
pub const USER_BYTES_MAX: usize = 64;
/// The longest topic or filter, bytes; as long as the decoder reads.
pub const TOPIC_BYTES_MAX: usize = 1_024;
/// Levels of a topic or filter; the settings of a large site name six.
pub const TOPIC_LEVELS_MAX: usize = 32;

/// What begins the topics of the daemon.
const OURS: &str = "hypocaust";

/// Who may do what, by user.
#[derive(Clone, Debug)]
pub struct Access {
    /// Whether anybody has to prove who they are; where not, whoever is on this machine may do all that a user can be allowed.
    guarded: bool,
    /// What was allowed by name.
    named: BTreeMap<String, Grant>,
    topics: Vec<TopicMap>,
    /// Where a gateway says how it is: topic and id.
    gateways: Vec<(String, String)>,
    sounder: Option<String>,
    /// The topics on which people write and acknowledge, which carry what proves who they are.
    words: [String; 2],
}

#[derive(Clone, Debug)]
struct Grant {
    publish: Vec<String>,
    subscribe: Vec<String>,
}

impl Access {
    /// What the settings say.
    pub fn new(site: &Site) -> Access {
        let (guarded, users) = match &site.broker {
            Broker::Embedded(inside) => (inside.passwords.is_some(), inside.users.as_slice()),
            Broker::Remote { .. } => (true, [].as_slice()),
        };
        let grant = |user: &crate::model::BrokerUser| Grant {
            publish: user.publish.clone(),
            subscribe: user.subscribe.clone(),
        };
        Access {
            guarded,
            named: users.iter().map(|user| (user.name.clone(), grant(user))).collect(),
            topics: site.topics.clone(),
            gateways: site
                .gateways
                .iter()
                .filter_map(|gateway| Some((gateway.status.as_ref()?.topic.clone(), gateway.id.clone())))
                .collect(),
            sounder: site.sounder.as_ref().map(|sounder| sounder.topic.clone()),
            words: [site.log_topic(), site.acknowledge_topic()],
        }
    }

    /// Whether messages on this topic carry what proves who somebody is: nobody but the daemon may ever be handed one.
    pub fn carries_tokens(&self, topic: &str) -> bool {
        self.words.iter().any(|own| own == topic)
    }

    /// The topics on which messages carry what proves who somebody is.
    pub fn token_topics(&self) -> &[String] {
        &self.words
    }

    /// Whether a user may publish on a topic. Over-long topics are nobody's.
    pub fn may_publish(&self, user: Option<&str>, topic: &str) -> bool {
        if !fits(topic) || self.is_ours(topic) {
            return false;
        }
        match (self.guarded, user) {
            (false, _) => true,
            (true, None) => false,
            (true, Some(user)) => match self.named.get(user) {
                Some(grant) => grant.publish.iter().any(|filter| covers(filter, topic)),
                None => !self.carries_tokens(topic) && (self.below(user, topic) || self.speaks_of(user, topic)),
            },
        }
    }

    /// Whether a user may subscribe to a filter. A wildcard that takes in more than the user may hear is refused whole, and one that
    /// takes in topics with tokens is let through: these are never passed on, whatever the filter.
    pub fn may_subscribe(&self, user: Option<&str>, filter: &str) -> bool {
        let filter = match filter.strip_prefix("$share/") {
            Some(rest) => match rest.split_once('/') {
                Some((_, filter)) => filter,
                None => return false,
            },
            None => filter,
        };
        if !fits(filter) || filter.starts_with('$') || self.carries_tokens(filter) {
            return false;
        }
        match (self.guarded, user) {
            (false, _) => true,
            (true, None) => false,
            (true, Some(user)) => match self.named.get(user) {
                Some(grant) => grant.subscribe.iter().any(|own| covers(own, filter)),
                None => self.below(user, filter),
            },
        }
    }

    /// What is the daemon's own: how things stand, answers, the lamp or horn, and what no client may publish on anyhow.
    fn is_ours(&self, topic: &str) -> bool {
        let first = topic.split('/').next().unwrap_or_default();
        let own = first == OURS && !self.carries_tokens(topic);
        own || first.starts_with('$') || self.sounder.as_deref() == Some(topic)
    }

    /// Whether a topic, or a filter, lies in the part of the tree that begins with the user's name in place of the first braces of some
    /// entry of the settings: `yard/north-1/…` is of `north-1` where a topic is `yard/{bin}/{probe}/temperature`.
    fn below(&self, user: &str, topic: &str) -> bool {
        let levels: Vec<&str> = topic.split('/').collect();
        self.topics.iter().any(|map| {
            let first = map.pattern.iter().position(|segment| matches!(segment, Segment::Capture(_)));
            first.is_some_and(|first| {
                let literal =
                    map.pattern.iter().zip(&levels).take(first).all(|(own, level)| literal(own) == Some(*level));
                literal && levels.get(first) == Some(&user)
            })
        })
    }

    /// Whether all that a topic speaks of bears the user's name: its probe, its blower, its gateway.
    fn speaks_of(&self, user: &str, topic: &str) -> bool {
        if self.gateways.iter().any(|(own, id)| own == topic && id == user) {
            return true;
        }
        let levels: Vec<&str> = topic.split('/').collect();
        self.topics.iter().filter(|map| reads(&map.pattern, &levels)).any(|map| {
            let fields: &[Field] = match &map.payload {
                Payload::Number(field) => std::slice::from_ref(field),
                Payload::Json { fields, .. } => fields,
            };
            !fields.is_empty() && fields.iter().all(|field| source(&field.source, &map.pattern, &levels) == user)
        })
    }
}

fn literal(segment: &Segment) -> Option<&str> {
    match segment {
        Segment::Literal(text) => Some(text),
        Segment::Capture(_) => None,
    }
}

/// Whether a topic of these levels is read by a pattern of the settings.
fn reads(pattern: &[Segment], levels: &[&str]) -> bool {
    pattern.len() == levels.len()
        && pattern.iter().zip(levels).all(|(segment, level)| literal(segment).is_none_or(|text| text == *level))
}

/// The id that a template such as `{bin}-{probe}` makes of a topic.
fn source(template: &str, pattern: &[Segment], levels: &[&str]) -> String {
    let mut made = template.to_owned();
    for (segment, level) in pattern.iter().zip(levels) {
        if let Segment::Capture(name) = segment
            // What a level holds is never read as a template itself.
            && !level.contains(['{', '}'])
        {
            made = made.replace(&format!("{{{name}}}"), level);
        }
    }
    made
}

/// Whether a topic or filter is of a length that anybody may use.
fn fits(topic: &str) -> bool {
    !topic.is_empty() && topic.len() <= TOPIC_BYTES_MAX && topic.split('/').count() <= TOPIC_LEVELS_MAX
}

/// Whether a text can be a filter of the settings.
///
/// # Errors
/// What is wrong with it, as the end of a sentence.
pub fn check_filter(text: &str) -> Result<(), &'static str> {
    let levels: Vec<&str> = text.split('/').collect();
    let last = levels.len() - 1;
    if !fits(text) {
        return Err("is empty, longer than 1024 bytes or deeper than 32 levels");
    }
    if text.starts_with('$') {
        return Err("begins with `$`, which belongs to the broker itself");
    }
    if text.contains(['{', '}']) {
        return Err("has braces, but stands for itself here");
    }
    let bad = |(i, level): (usize, &&str)| level.len() > 1 && level.contains(['+', '#']) || *level == "#" && i < last;
    if levels.iter().enumerate().any(bad) {
        return Err("has a wildcard in a wrong place: `+` fills a level alone, and `#` stands alone at the end");
    }
    Ok(())
}

/// Whether every topic that fits `specific`, a topic or a filter, fits `general` (MQTT 5.0, section 4.7).
fn covers(general: &str, specific: &str) -> bool {
    let (mut general, mut specific) = (general.split('/'), specific.split('/'));
    loop {
        match (general.next(), specific.next()) {
            (Some("#"), _) => return true,
            (Some(_), Some("#")) => return false,
            (Some("+"), Some(_)) => {}
            (Some(own), Some(level)) if own == level => {}
            (None, None) => return true,
            _ => return false,
        }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn filters_cover_what_they_take_in_and_no_more() {
        for (general, specific, want) in [
            ("a/b", "a/b", true),
            ("a/b", "a/c", false),
            ("a/+", "a/b", true),
            ("a/+", "a/b/c", false),
            ("a/+", "a/+", true),
            ("a/+", "a/#", false),
            ("a/#", "a/b/c", true),
            ("a/#", "a", true),
            ("a/#", "a/+/c", true),
            ("a/#", "b/#", false),
            ("#", "a/b", true),
            ("a/b", "a/+", false),
            ("a", "a/b", false),
            ("a/b", "a", false),
        ] {
            assert_eq!(covers(general, specific), want, "{general} over {specific}");
        }
    }

    #[test]
    fn filters_of_the_settings_are_checked() {
        let long = "a".repeat(TOPIC_BYTES_MAX + 1);
        let deep = "a/".repeat(TOPIC_LEVELS_MAX);
        for (text, good) in [
            ("yard/north-1/#", true),
            ("#", true),
            ("+", true),
            ("yard/+/core", true),
            ("yard/#/core", false),
            ("yard/north+/core", false),
            ("yard/core#", false),
            ("$SYS/#", false),
            ("yard/{bin}", false),
            ("", false),
            (long.as_str(), false),
            (deep.as_str(), false),
        ] {
            assert_eq!(check_filter(text).is_ok(), good, "{text}");
        }
    }

    proptest! {
        /// What a filter covers, each topic of it fits the covering one too.
        #[test]
        fn covering_is_never_wider_than_both(levels in prop::collection::vec("[ab]", 1..4), mask in prop::collection::vec(any::<bool>(), 4), cut in 0usize..4) {
            let topic = levels.join("/");
            let mut filter: Vec<&str> = levels.iter().zip(&mask).map(|(l, m)| if *m { "+" } else { l.as_str() }).collect();
            prop_assert!(covers(&filter.join("/"), &topic));
            filter.truncate(cut);
            filter.push("#");
            prop_assert!(covers(&filter.join("/"), &topic));
            prop_assert_eq!(covers(&topic, &filter.join("/")), false);
        }
    }
}
