//! Topics to probes, and payload faults to refusals that a person can act on.
//!
//! Must never rest on one good example: each behaviour is a table.

#![allow(clippy::unwrap_used)]

use decode::{Decoded, PAYLOAD_BYTES_MAX, Retained, Router, TOPIC_BYTES_MAX};
use pile::time::Timestamp;
use proptest::prelude::*;
use site::ids::{BlowerId, ProbeId};
use site::model::{Field, Payload, Segment, TopicMap};
use site::quantity::{Quantity, Unit};
use site::reading::Source;

mod sites;

const NOW: Timestamp = Timestamp::from_millis(1_773_122_400_000);

fn yard() -> Router {
    let optional = |source: &str, at: &str| Field { optional: true, ..sites::field(source, Some(at)) };
    let with_unit = Field { unit_at: Some("/u".into()), ..sites::field("north-1-core", Some("/c")) };
    let run_time = Field { quantity: Quantity::RunTime, unit: Unit::Hour, ..sites::field("{blower}", None) };
    let odd = Field { unit: Unit::Percent, ..sites::field("north-1-core", None) };
    Router::new(&sites::with(
        vec![
            sites::plain("yard/north/{probe}", "north-1-{probe}"),
            sites::plain("yard/{bin}/{probe}", "{bin}-{probe}"),
            TopicMap { payload: Payload::Number(run_time), ..sites::plain("fans/{blower}/hours", "") },
            sites::json(
                "packs/{bin}",
                Some("/ts"),
                vec![optional("{bin}-core", "/t/0"), optional("{bin}-base", "/t/1")],
            ),
            sites::json("must/{bin}", None, vec![sites::field("{bin}-core", Some("/c"))]),
            sites::json("units", None, vec![with_unit]),
            sites::json("broken", None, vec![sites::field("north-1-core", Some("c"))]),
            TopicMap { payload: Payload::Number(odd), ..sites::plain("odd", "") },
            sites::plain("brace/{probe}", "{probe}{nobody}"),
            sites::plain("{any}/bare", "north-1-core"),
        ],
        &["north-1-core", "north-1-base"],
        &["fan-1"],
    ))
}

fn decode(topic: &str, payload: &str) -> Decoded {
    yard().decode(topic, payload.as_bytes(), Retained::Fresh, NOW)
}

#[test]
fn topics_lead_to_probes_and_blowers() {
    let probe = |id| Source::Probe(ProbeId::new(id).unwrap());
    for (topic, payload, source, value, why) in [
        ("yard/north-1/core", "61.25", probe("north-1-core"), 61.25, "two captures make an id"),
        ("yard/north/base", "40", probe("north-1-base"), 40.0, "the first entry that fits is used"),
        ("fans/fan-1/hours", "2", Source::Blower(BlowerId::new("fan-1").unwrap()), 7_200.0, "hours become seconds"),
        ("must/north-1", r#"{"c":61}"#, probe("north-1-core"), 61.0, "a JSON integer"),
        ("units", r#"{"c":142.25,"u":"F"}"#, probe("north-1-core"), 61.25, "the payload's unit wins"),
        ("units", r#"{"c":61.25}"#, probe("north-1-core"), 61.25, "without one the settings' unit counts"),
        ("units", r#"{"c":61.25,"u":null}"#, probe("north-1-core"), 61.25, "a null unit is none"),
        ("x/bare", "61.25", probe("north-1-core"), 61.25, "a capture in the first place"),
    ] {
        let decoded = decode(topic, payload);
        assert_eq!(decoded.refusals, [], "{topic}: {why}");
        assert_eq!(decoded.readings.len(), 1, "{topic}: {why}");
        assert_eq!(decoded.readings[0].series.source, source, "{topic}: {why}");
        assert!((decoded.readings[0].value - value).abs() < 1e-9, "{topic}: {why}");
        assert_eq!((decoded.readings[0].measured_at, decoded.readings[0].received_at), (NOW, NOW), "{topic}: {why}");
    }
}

#[test]
fn what_gives_no_reading_says_why_and_what_to_do() {
    let long = "x".repeat(TOPIC_BYTES_MAX + 1);
    for (topic, payload, wants, why) in [
        ("yard/north-9/core", "61", &["`north-9-core`", "add it to site.yaml"][..], "an unknown probe"),
        ("yard//core", "61", &["`-core`"], "an empty level"),
        ("elsewhere", "61", &["fits this topic", "`topics` in site.yaml"], "unmapped"),
        ("yard/north-1/core/x", "61", &["fits this topic"], "one level too many"),
        ("$SYS/bare", "61", &["fits this topic"], "the broker's own topics fit no capture"),
        ("", "61", &["topic is empty"], "no topic"),
        ("yard/nor+th/core", "61", &["contains `+`"], "a wildcard"),
        ("yard/#", "61", &["contains `#`"], "a wildcard"),
        ("yard/north\u{0}/core", "61", &["U+0000"], "NUL"),
        ("yard/north\u{7}/core", "61", &["U+0007"], "a bell"),
        ("yard/north\u{85}/core", "61", &["U+0085"], "a control character outside ASCII"),
        (&long, "61", &["1025 bytes", "1024"], "over-long"),
        ("yard/north-1/core", "", &["empty", "deletes a retained message"], "a delete"),
        ("yard/north-1/core", "nan", &["no value (`nan`)", "cable"], "a sensor fault"),
        ("yard/north-1/core", "61,25", &["decimal comma", "site.yaml:1"], "where it was read so"),
        ("must/north-1", r#"{"d":61}"#, &["nothing at `/c`", "site.yaml:1", "optional"], "absent"),
        ("must/north-1", r#"{"c":null}"#, &["null", "cable"], "a null that is not optional"),
        ("must/north-1", r#"{"c":"61"}"#, &["text, not a number"], "a number as text"),
        ("must/north-1", r#"{"c":true}"#, &["true or false"], "a boolean"),
        ("must/north-1", r#"{"c":1,"c":2}"#, &["duplicate member name `c`"], "two values of one name"),
        ("must/north-1", r#"{"c":1}}"#, &["not JSON", "trailing"], "something behind it"),
        ("must/north-1", " \n", &["empty"], "nothing but white space"),
        ("units", r#"{"c":1,"u":"%"}"#, &["`%`", "no unit of temperature"], "a unit of something else"),
        ("units", r#"{"c":1,"u":"furlong"}"#, &["`furlong`"], "no unit at all"),
        ("units", r#"{"c":1,"u":7}"#, &["a number", "no unit"], "a unit that is no text"),
        ("packs/north-1", r#"{"t":{}}"#, &["none of the optional values"], "a pack with nothing in it"),
        (
            "packs/north-1",
            r#"{"ts":"2026-03-10T06:59:00","t":[1]}"#,
            &["no offset from UTC", "site.yaml:1"],
            "local time",
        ),
        ("broken", r#"{"c":1}"#, &["JSON pointer", "start with `/`"], "settings that should not have passed"),
        ("odd", "61", &["the unit % is no unit of temperature"], "settings that should not have passed"),
        ("brace/north-1-core", "61", &["`north-1-core{nobody}`"], "a brace that names no capture is shown as it is"),
    ] {
        let decoded = decode(topic, payload);
        assert_eq!(decoded.readings, [], "{topic}: {why}");
        assert_eq!(decoded.refusals.len(), 1, "{topic}: {why}");
        for want in wants {
            assert!(decoded.refusals[0].reason.contains(want), "{topic}: {why}: {}", decoded.refusals[0].reason);
        }
    }
}

#[test]
fn a_pack_gives_its_good_values_and_refuses_the_rest() {
    let decoded = decode("packs/north-1", r#"{"ts":1773122340,"t":[61.25,"x"]}"#);
    assert_eq!(decoded.readings.len(), 1);
    assert_eq!(decoded.readings[0].measured_at, Timestamp::from_millis(1_773_122_340_000));
    assert_eq!(decoded.refusals.len(), 1);
    let decoded = decode("packs/north-1", r#"{"ts":1773122340,"t":[61.25]}"#);
    assert_eq!((decoded.readings.len(), decoded.refusals.len()), (1, 0), "an absent optional value is normal");
    let decoded = decode("packs/north-2", r#"{"t":[61.25]}"#);
    assert!(
        decoded.refusals[0].reason.contains("`north-2-core`"),
        "absent values of an unknown bin are not told twice"
    );
}

#[test]
fn kept_messages_count_only_with_a_time_of_their_own() {
    for (topic, payload, taken, why) in [
        ("yard/north-1/core", "61", false, "a plain number has no age"),
        ("packs/north-1", r#"{"t":[61]}"#, false, "no time"),
        ("packs/north-1", r#"{"ts":12,"t":[61]}"#, false, "a clock that was never set"),
        ("packs/north-1", r#"{"ts":1773129600,"t":[61]}"#, false, "a clock two hours ahead"),
        ("packs/north-1", r#"{"ts":1773111600,"t":[61]}"#, true, "its own time"),
    ] {
        let decoded = yard().decode(topic, payload.as_bytes(), Retained::Kept, NOW);
        assert_eq!(decoded.readings.len(), usize::from(taken), "{topic} {payload}: {why}");
        assert_eq!(decoded.refusals.len(), usize::from(!taken), "{topic} {payload}: {why}");
        assert!(decoded.readings.iter().all(|r| r.retained), "{topic} {payload}: {why}");
        assert!(decoded.refusals.iter().all(|r| r.reason.contains("retained")), "{topic} {payload}: {why}");
    }
}

#[test]
fn over_long_payloads_are_refused_unread_and_kept_short() {
    let at_limit = format!("{}61", " ".repeat(PAYLOAD_BYTES_MAX - 2));
    assert_eq!(decode("yard/north-1/core", &at_limit).readings.len(), 1);
    let decoded = decode("yard/north-1/core", &"6".repeat(10_000_000));
    assert_eq!(decoded.readings, []);
    let refusal = &decoded.refusals[0];
    assert_eq!((refusal.payload_bytes, refusal.payload_head.len()), (10_000_000, 500));
    assert!(refusal.reason.contains("10000000 bytes") && refusal.reason.contains("262144"), "{}", refusal.reason);
}

#[test]
fn refusals_carry_nothing_that_a_terminal_would_obey() {
    let payload = b"\x1b[2J caf\xc3\xa9 \xff\xfe \xe2\x80\xae61";
    let decoded = yard().decode("yard/\u{1b}[31m/core", payload, Retained::Fresh, NOW);
    let refusal = &decoded.refusals[0];
    assert_eq!(refusal.topic, "yard/\\u{1b}[31m/core");
    assert_eq!(refusal.payload_head, "\\u{1b}[2J café \\xff\\xfe \\u{202e}61");
}

#[test]
fn filters_are_what_the_patterns_say_without_those_that_others_cover() {
    for (topics, want, why) in [
        (&["a/{x}", "b"][..], &["a/+", "b"][..], "captures become wildcards"),
        (&["a/b", "a/{x}"], &["a/+"], "a covered literal goes"),
        (&["a/{x}", "a/{y}"], &["a/+"], "of two equal ones the first stays"),
        (&["a/{x}", "{y}/b"], &["a/+", "+/b"], "an overlap in part stays"),
        (&["a/{x}/c", "{y}/b/c", "{p}/{q}/{r}"], &["+/+/+"], "one covers the others"),
        (&["{x}", "$own"], &["+", "$own"], "a wildcard in the first place does not cover the broker's own topics"),
        (&["a/{x}", "a/{x}/c"], &["a/+", "a/+/c"], "levels differ"),
    ] {
        let maps = topics.iter().map(|topic| sites::plain(topic, "p")).collect();
        let panel: &[&str] =
            if want.contains(&"+/+/+") { &[] } else { &["hypocaust/yard/acknowledge", "hypocaust/yard/log"] };
        let want = [want, panel].concat();
        assert_eq!(Router::new(&sites::with(maps, &["p"], &[])).filters(), want, "{why}, and that of the panels last");
    }
}

#[test]
fn a_panel_acknowledges_and_anything_else_on_its_topic_is_refused() {
    let router = yard();
    let topic = format!("hypocaust/{}/acknowledge", sites::with(Vec::new(), &[], &[]).id);
    assert!(router.maps(&topic));
    for (payload, retained, want, why) in [
        (
            "{\"alarm\": 17, \"token\": \"correct-horse\", \"by\": \"Ann\", \"comment\": \"on my way\"}",
            Retained::Fresh,
            Ok((17, "correct-horse", "on my way")),
            "all of it",
        ),
        ("{\"alarm\":17,\"by\":\"Ann\"}", Retained::Fresh, Ok((17, "", "")), "without a token: it will be answered"),
        (
            "{\"alarm\":17,\"by\":\"Ann\"}",
            Retained::Kept,
            Err("retain flag"),
            "it would count again at every connection",
        ),
        ("{\"alarm\":17}", Retained::Fresh, Err("a key is missing"), "who?"),
        ("{\"alarm\":-1,\"by\":\"Ann\"}", Retained::Fresh, Err("no acknowledgement"), "a number that no alarm has"),
        (
            "{\"alarm\":1,\"token\":\"correct-horse\",\"by\":\"Ann\",\"until\":5}",
            Retained::Fresh,
            Err("unknown, or has a value"),
            "more than it understands",
        ),
        ("", Retained::Fresh, Err("no acknowledgement"), "nothing"),
    ] {
        let decoded = router.decode(&topic, payload.as_bytes(), retained, NOW);
        assert_eq!(decoded.readings, [], "{why}");
        match want {
            Ok((alarm, token, comment)) => {
                assert!(!format!("{decoded:?}").contains("horse"), "{why}: {decoded:?}");
                let seen = decode::Seen { alarm, token: token.into(), by: "Ann".into(), comment: comment.into() };
                assert_eq!((decoded.seen, decoded.refusals), (vec![seen], vec![]), "{why}");
            }
            Err(reason) => {
                assert!(!format!("{decoded:?}").contains("horse"), "{why}: {decoded:?}");
                assert!(
                    decoded.seen.is_empty() && decoded.refusals[0].reason.contains(reason),
                    "{why}: {:?}",
                    decoded.refusals
                );
            }
        }
    }
}

#[test]
fn people_write_in_the_log_and_no_refusal_repeats_their_token() {
    let topic = sites::with(Vec::new(), &[], &[]).log_topic();
    let good = r#"{"id":"7","token":"correct-horse-battery","by":"Ann","bin":"north-1","at":"2026-03-10T16:30:00Z","says":{"watered":{"litres":120}}}"#;
    let decoded = yard().decode(&topic, good.as_bytes(), Retained::Fresh, NOW);
    let [written] = &decoded.written[..] else { panic!("{decoded:?}") };
    assert_eq!((written.by.as_str(), written.says.as_str()), ("Ann", r#"{"watered":{"litres":120}}"#));
    assert!(!format!("{decoded:?}").contains("horse"), "it is not shown where messages are: {decoded:?}");
    for (payload, retained, want, why) in [
        (good.to_owned(), Retained::Kept, "the broker had kept this message", "it would be written again and again"),
        (
            good.replace("\"bin\"", "\"bim\""),
            Retained::Fresh,
            "a key is missing, unknown, or has a value of another kind",
            "a slip",
        ),
        (
            good.replace("\"correct-horse-battery\"", "correct-horse-battery"),
            Retained::Fresh,
            "it is no JSON from line 1",
            "no quotes",
        ),
        (good.replace("\"correct-horse-battery\"", "17"), Retained::Fresh, "a value of another kind", "a number"),
        (String::new(), Retained::Fresh, "it is no JSON", "nothing"),
    ] {
        let decoded = yard().decode(&topic, payload.as_bytes(), retained, NOW);
        assert_eq!(decoded.written, [], "{why}");
        let refusal = &decoded.refusals[0];
        assert!(refusal.reason.contains(want), "{why}: {}", refusal.reason);
        assert!(!format!("{refusal:?}").contains("horse"), "{why}: {refusal:?}");
    }
}

#[test]
fn patterns_say_which_topics_they_map() {
    let router = yard();
    for (topic, want) in [("yard/north-1/core", true), ("yard/north-1", false), ("$SYS/bare", false), ("", false)] {
        assert_eq!(router.maps(topic), want, "{topic}");
    }
    assert_eq!(sites::pattern("a/{x}"), [Segment::Literal("a".into()), Segment::Capture("x".into())]);
}

#[test]
fn a_gateway_says_that_it_is_gone_or_there_and_what_the_broker_kept_counts() {
    let mut site = sites::with(Vec::new(), &["core"], &[]);
    let status = Some(site::model::GatewayStatus { topic: "gw/1".into(), gone: "offline".into() });
    site.gateways = vec![site::model::Gateway { id: "gw".into(), probes: vec![], status }];
    let router = Router::new(&site);
    assert_eq!(router.filters(), ["gw/1", "hypocaust/yard/acknowledge", "hypocaust/yard/log"]);
    for (payload, retained, gone, why) in [
        ("offline", Retained::Fresh, true, "its will"),
        ("offline\n", Retained::Kept, true, "kept: so it is now"),
        ("online", Retained::Fresh, false, "any other word"),
        ("", Retained::Fresh, false, "nothing"),
    ] {
        let decoded = router.decode("gw/1", payload.as_bytes(), retained, NOW);
        assert_eq!(decoded.gateways, [decode::GatewayWord { gateway: "gw".into(), gone }], "{why}");
        assert!(decoded.refusals.is_empty() && decoded.readings.is_empty());
    }
}

fn payloads() -> impl Strategy<Value = Vec<u8>> {
    prop_oneof![
        any::<Vec<u8>>(),
        "[-+0-9.eEnaif_, ]{0,12}".prop_map(String::into_bytes),
        r#"\{("ts":("?[-0-9TZ:. +]{0,30}"?|null),?)?("t":\[?[-0-9.eE,"null]{0,16}\]?)?\}?"#
            .prop_map(String::into_bytes),
        any::<f64>().prop_map(|x| format!("{{\"ts\":{x:e},\"c\":{x:e},\"t\":[{x}]}}").into_bytes()),
        any::<i64>().prop_map(|n| format!("{{\"ts\":{n},\"c\":{n},\"t\":[{n},\"{n}\"]}}").into_bytes()),
        any::<i64>().prop_map(|n| n.to_string().into_bytes()),
        any::<f64>().prop_map(|x| format!("{x:?}").into_bytes()),
        any::<i64>().prop_map(|n| format!("{{\"alarm\":{n},\"token\":\"t\",\"by\":\"Ann\"}}").into_bytes()),
        any::<(i64, f64)>().prop_map(|(n, x)| {
            format!("{{\"token\":\"t\",\"by\":\"Ann\",\"bin\":\"b\",\"at\":\"{n}\",\"says\":{{\"watered\":{{\"litres\":{x:?},\"minutes\":{n}}}}}}}").into_bytes()
        }),
    ]
}

proptest! {
    #[test]
    fn decode_never_panics_and_never_lets_a_value_through_that_is_not_finite(
        topic in prop_oneof![any::<String>(), Just(sites::OURS[0].to_owned()), Just(sites::OURS[1].to_owned()), "(yard|packs|must|units|fans)(/(north-1|fan-1|core|hours|[^/]{0,3})){0,3}"],
        payload in payloads(),
        kept in any::<bool>(),
        now in prop_oneof![Just(NOW.as_millis()), Timestamp::MIN.as_millis()..=Timestamp::MAX.as_millis()],
    ) {
        let retained = if kept { Retained::Kept } else { Retained::Fresh };
        let now = Timestamp::from_millis(now);
        let decoded = yard().decode(&topic, &payload, retained, now);
        let said = decoded.seen.len() + decoded.written.len();
        prop_assert!(!decoded.readings.is_empty() || !decoded.refusals.is_empty() || said > 0);
        for reading in &decoded.readings {
            prop_assert!(reading.value.is_finite());
            prop_assert!(reading.measured_at <= now + pile::time::Span::minutes(5));
        }
        for refusal in &decoded.refusals {
            prop_assert!(refusal.topic.chars().count() <= 200);
            prop_assert!(!refusal.payload_head.chars().any(char::is_control));
        }
    }
}
