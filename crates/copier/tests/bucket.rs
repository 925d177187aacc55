//! The copy against a server that answers as the published interface of InfluxDB 2 says, and the write path against a real server.
//!
//! Must never call a point copied that cannot be read back.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

#[path = "../../../tests/support/influx.rs"]
mod influx;
#[path = "../../../tests/support/victoria.rs"]
mod victoria;

use std::collections::BTreeSet;
use std::time::Duration;

use copier::{AT_ONCE, Bucket, Copied, CopyError, points};
use influx::{Answer, BUCKET, InfluxLike, ORGANISATION, TOKEN};
use pile::time::{Span, Timestamp};
use serde_json::json;
use site::ids::{BlowerId, ProbeId};
use site::model::{Influx, SecretFile};
use site::quantity::Quantity;
use site::reading::{Quality, Reading, SeriesId, Source, TimeSource};
use victoria::Victoria;

/// Monday 2026-03-09 00:00 UTC.
const START: Timestamp = Timestamp::from_millis(1_773_014_400_000);

fn settings(url: &str) -> Influx {
    Influx {
        url: url.into(),
        ca_file: None,
        organisation: ORGANISATION.into(),
        bucket: BUCKET.into(),
        token: SecretFile::Credential("influx".into()),
        catch_up_per_second: 5_000,
    }
}

fn bucket(url: &str) -> Bucket {
    Bucket::open(&settings(url), TOKEN).unwrap()
}

fn probe(name: &str) -> SeriesId {
    SeriesId { source: Source::Probe(ProbeId::new(name).unwrap()), quantity: Quantity::Temperature }
}

fn reading(series: &SeriesId, at: Timestamp, value: f64) -> Reading {
    Reading {
        series: series.clone(),
        measured_at: at,
        received_at: at,
        value,
        time_source: TimeSource::Device,
        retained: false,
    }
}

/// Readings of one probe, ten seconds apart.
fn many(n: usize) -> Vec<points::Point> {
    let series = probe("north-1-core");
    let at = |i: usize| START + Span::seconds(10 * i as i64);
    (0..n).map(|i| points::of_reading("yard", &reading(&series, at(i), 55.0), Quality::Good, "")).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn every_kind_of_reading_comes_back_as_it_was() {
    let server = InfluxLike::start();
    let bucket = bucket(&server.url());
    let blower =
        SeriesId { source: Source::Blower(BlowerId::new("north-1-core-b").unwrap()), quantity: Quantity::RunTime };
    let odd = [
        (probe("north-1-core"), 61.4, 0, TimeSource::Device, false, Quality::Good, ""),
        (probe("north-1-core"), -0.1 - 0.2, 1_234, TimeSource::Intake, true, Quality::Good, ""),
        (blower, 1e-300, -250_000, TimeSource::DeviceClockWrong, false, Quality::Suspect, "85 °C just after power-on"),
        (
            probe("p_2.a"),
            1.797e308,
            5,
            TimeSource::DeviceClockAhead,
            true,
            Quality::Bad,
            "a \"quote\", a=b, C:\\new\\ and \\",
        ),
        (probe("p_2.a"), -0.0, 0, TimeSource::Device, false, Quality::Bad, "ends with a backslash \\"),
    ];
    let written: Vec<Copied> = odd
        .into_iter()
        .enumerate()
        .map(|(i, (series, value, delay, time_source, retained, quality, reason))| {
            let at = START + Span::minutes(7 * i as i64) + Span::millis(1);
            let received_at = at + Span::millis(delay);
            let reading = Reading { received_at, time_source, retained, ..reading(&series, at, value) };
            Copied { reading, quality, reason: reason.into() }
        })
        .collect();
    let points: Vec<_> = written.iter().map(|c| points::of_reading("yard", &c.reading, c.quality, &c.reason)).collect();
    assert_eq!(bucket.write(&points).await.unwrap(), []);
    // Another site in the same bucket, and what lies just outside of the span.
    let other = reading(&probe("north-1-core"), START, 1.0);
    let late = reading(&probe("north-1-core"), START + Span::hours(1), 2.0);
    bucket.write(&[points::of_reading("yard-2", &other, Quality::Good, "")]).await.unwrap();
    bucket.write(&[points::of_reading("yard", &late, Quality::Good, "")]).await.unwrap();
    let mut back = bucket.readings("yard", START, START + Span::hours(1)).await.unwrap();
    back.sort_by_key(|c| c.reading.measured_at);
    assert_eq!(back, written);
    assert!(back[4].reading.value.is_sign_negative(), "also the sign of nothing");
    let days = bucket.days("yard", START, START + Span::days(2)).await.unwrap();
    let counts: Vec<_> = days.iter().map(|d| (d.series.to_string(), d.day, d.readings)).collect();
    assert_eq!(
        counts,
        [
            ("north-1-core-b/run_time".to_owned(), START, 1),
            ("north-1-core/temperature".to_owned(), START, 3),
            ("p_2.a/temperature".to_owned(), START, 2)
        ]
    );
}

#[tokio::test(flavor = "multi_thread")]
async fn a_point_that_is_written_twice_is_there_once() {
    let server = InfluxLike::start();
    let bucket = bucket(&server.url());
    let points = many(2 * AT_ONCE + 3);
    for _ in 0..2 {
        assert_eq!(bucket.write(&points).await.unwrap(), []);
    }
    assert_eq!(server.count("reading"), points.len());
    assert_eq!(server.requests().len(), 6, "three pieces, twice");
    assert!(server.requests()[0].to_lowercase().contains("content-encoding: gzip"));
}

#[tokio::test(flavor = "multi_thread")]
async fn each_answer_is_told_with_what_to_do() {
    for (answer, wanted, why) in [
        (
            Answer::Status(401, r#"{"code":"unauthorized","message":"unauthorized access"}"#, ""),
            "make one that may read and write the bucket compost",
            "a wrong token",
        ),
        (
            Answer::Status(403, r#"{"code":"forbidden","message":"insufficient permissions for write"}"#, ""),
            "does not accept the token (HTTP 403",
            "a token for another bucket",
        ),
        (
            Answer::Status(404, r#"{"code":"not found","message":"bucket \"compost\" not found"}"#, ""),
            "make the bucket compost in the organisation yard",
            "no bucket",
        ),
        (
            Answer::Status(429, r#"{"code":"too many requests","message":"slow down"}"#, "Retry-After: 20\r\n"),
            "is busy (HTTP 429",
            "asked too often",
        ),
        (
            Answer::Status(503, "", "Retry-After: 5\r\n"),
            "is busy (HTTP 503: no words); it is asked again later",
            "starting up",
        ),
        (
            Answer::Status(500, r#"{"code":"internal error","message":"out of disk"}"#, ""),
            "failed (HTTP 500: {\"code\":\"internal error\",\"message\":\"out of disk\"}); its own log says why",
            "its disk",
        ),
        (Answer::Status(200, "<html>hello</html>", ""), "failed (HTTP 200", "something else listens there"),
        (
            Answer::Status(302, "", "Location: https://elsewhere.example/\r\n"),
            "gave no whole answer",
            "a detour to where nobody is",
        ),
    ] {
        let server = InfluxLike::start();
        server.next(&[answer]);
        let told = bucket(&server.url()).write(&many(3)).await.unwrap_err().to_string();
        assert!(told.contains(wanted), "{why}: {told}");
        assert!(!told.contains(TOKEN), "{told}");
    }
    let wrong = Bucket::open(&settings(&InfluxLike::start().url()), "another-token").unwrap();
    assert!(matches!(wrong.write(&many(1)).await, Err(CopyError::Token { status: 401, .. })));
    let nobody = bucket("http://127.0.0.1:9").write(&many(1)).await.unwrap_err().to_string();
    assert!(nobody.contains("gave no whole answer") && nobody.contains("refused"), "{nobody}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_server_that_holds_its_answer_back_is_not_waited_for_without_end() {
    let server = InfluxLike::start();
    server.next(&[Answer::Held]);
    let bucket = Bucket::with_patience(&settings(&server.url()), TOKEN, Duration::from_millis(300)).unwrap();
    let told = bucket.write(&many(3)).await.unwrap_err();
    assert!(told.to_string().contains("it took too long"), "{told}");
    server.let_go();
    assert_eq!(bucket.write(&many(3)).await.unwrap(), [], "and it goes on after that");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_bad_point_among_good_ones_is_found_and_the_others_are_written() {
    let server = InfluxLike::start();
    let bucket = bucket(&server.url());
    let mut points = many(4_000);
    let bad = reading(&probe("bad"), START, 1.0);
    for at in [0, 1_777, 3_999] {
        points[at] = points::of_reading("yard", &bad, Quality::Good, "");
    }
    server.refuse(Some("source=bad"));
    let not_taken = bucket.write(&points).await.unwrap();
    assert_eq!(not_taken.len(), 3);
    assert_eq!(not_taken[0].point, "reading probe/bad/temperature at 1773014400000000000 ns");
    assert!(not_taken[0].why.contains("field type conflict"), "{}", not_taken[0].why);
    assert_eq!(server.count("reading"), 3_997);
    // Halving finds one of n in about 2 log2(n) requests.
    assert!(server.requests().len() < 3 * 2 * 13, "{} requests", server.requests().len());
    // Where every point is refused, the points are not to blame.
    server.refuse(Some("yard"));
    assert!(matches!(bucket.write(&many(300)).await, Err(CopyError::Refused { status: 400, .. })));
    // What is older than the bucket keeps is gone there, and nothing to wait for.
    server.refuse(None);
    let old = r#"{"code":"unprocessable entity","message":"partial write: points beyond retention policy dropped=2"}"#;
    server.next(&[Answer::Status(422, old, "")]);
    let not_taken = bucket.write(&many(3)).await.unwrap();
    assert_eq!(not_taken[0].point, "some of 3 points");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_server_that_takes_little_at_once_gets_little() {
    let server = InfluxLike::start();
    server.take_at_most(400);
    assert_eq!(bucket(&server.url()).write(&many(3_000)).await.unwrap(), []);
    assert_eq!(server.count("reading"), 3_000);
}

#[tokio::test(flavor = "multi_thread")]
async fn an_answer_that_is_not_whole_is_no_answer() {
    let server = InfluxLike::start();
    let bucket = bucket(&server.url());
    bucket.write(&many(50)).await.unwrap();
    let head = "#datatype,string,long,dateTime:RFC3339,double,string,string,string,string\r\n#group,false,false,false,false,true,true,true,true\r\n#default,_result,,,,,,,\r\n,result,table,_time,_value,_field,kind,quantity,source\r\n";
    let texts: Vec<(&str, String, &str, &str)> = vec![
        (
            "an error after some rows",
            format!(
                "{head},,0,2026-03-09T00:00:00Z,1.5,value,probe,temperature,p\r\n\r\n#datatype,string,string\r\n#group,true,true\r\n#default,,\r\n,error,reference\r\n,query terminated: memory limit,897\r\n"
            ),
            "memory limit",
            "the database says so itself",
        ),
        (
            "no number",
            format!("{head},,0,2026-03-09T00:00:00Z,,value,probe,temperature,p\r\n"),
            "a table that the client library cannot read",
            "an empty double makes the library panic",
        ),
        (
            "no value",
            format!("{head},,0,2026-03-09T00:00:00Z,1.5,delay_ms,probe,temperature,p\r\n"),
            "no value for p/temperature at 2026-03-09T00:00:00.000Z",
            "half of a reading",
        ),
        (
            "another quantity",
            format!("{head},,0,2026-03-09T00:00:00Z,1.5,value,probe,warmth,p\r\n"),
            "the quantity `warmth`",
            "not ours",
        ),
        ("no table", "hello, world\r\n".into(), "annotations not found", "a page of something else"),
    ];
    for (what, text, wanted, why) in texts {
        server.next(&[Answer::Status(200, text.leak(), "")]);
        let told = bucket.readings("yard", START, START + Span::hours(1)).await.unwrap_err().to_string();
        assert!(told.contains(wanted), "{what} ({why}): {told}");
    }
    server.next(&[Answer::CutOff]);
    let told = bucket.readings("yard", START, START + Span::hours(1)).await.unwrap_err();
    assert!(matches!(told, CopyError::Away { .. }), "{told}");
    assert_eq!(bucket.readings("yard", START, START + Span::hours(1)).await.unwrap().len(), 50);
    assert_eq!(bucket.readings("nowhere", START, START + Span::hours(1)).await.unwrap(), [], "none is an answer");
}

#[test]
fn rows_of_the_record_become_few_series() {
    let rules = 40;
    let mut tags = BTreeSet::new();
    for seq in 0..4_000_u64 {
        let (rule, bin) = (seq % rules, seq % 6);
        let body = json!({
            "alarm": seq, "occurrence": 1, "event": "raised", "before": "normal", "after": "unacknowledged", "rule": format!("r{rule}"),
            "about": format!("b{bin}"), "title": "t", "priority": "high", "words": format!("core {seq}"), "revision": "x",
            "at": "2026-03-09T00:00:00.000Z", "evidence_at": null
        });
        for point in points::of_row("yard", seq, START, "alarm", &body) {
            assert_eq!(point.nanos, START.as_millis() * 1_000_000 + seq as i64, "two events of one instant stay two");
            tags.insert(point.tags);
        }
    }
    assert!(tags.len() as u64 <= rules * 6, "{} series: rules times bins is the most", tags.len());
    let results = json!({ "batch": 3, "bin": "b1", "until": "2026-03-09T06:00:00.000Z", "changed": [
        { "criterion": "a", "before": null, "result": "running", "met_at": null, "hours_counted": 12.5, "hours_needed": 72 },
        { "criterion": "b", "before": "running", "result": "met", "met_at": "2026-03-09T05:00:00.000Z", "hours_counted": 72, "hours_needed": 72 }
    ] });
    let points = points::of_row("yard", 7, START, "results", &results);
    let shown: Vec<_> = points.iter().map(points::Point::shown).collect();
    assert_eq!(shown, ["result b1/a at 1773036000000000007 ns", "result b1/b at 1773036000000000007 ns"]);
    let entry = json!({ "entry_id": 4, "batch": null, "at": "2026-03-09T01:00:00.000Z", "bin": "b1", "entry": "note", "detail": "note", "by": "Ann", "note": "two\nlines" });
    assert_eq!(points::of_row("yard", 8, START, "entry", &entry)[0].tags[2], ("entry", "note".into()));
    for kind in ["settings", "mail", "started", "readings", "rules"] {
        assert_eq!(points::of_row("yard", 9, START, kind, &json!({ "text": "x" })), [], "{kind} stays at the site");
    }
}

/// Victoria-metrics keeps numbers only, as decimals of some 15 digits; each field is a series of its own there, `reading_value` among them.
#[tokio::test(flavor = "multi_thread")]
async fn a_real_server_takes_what_is_written_and_gives_it_back() {
    let Some(server) = Victoria::start("a_real_server_takes_what_is_written_and_gives_it_back") else { return };
    let bucket = Bucket::open(&settings(&server.url()), TOKEN).unwrap();
    let readings: Vec<Reading> = (0..12_000)
        .map(|i| {
            let series = probe(["north-1-core", "north-1-base", "p_2.a"][i % 3]);
            let at = START + Span::seconds(20 * (i / 3) as i64) + Span::millis(i as i64 % 7);
            let value = f64::from(i32::try_from((i * 7_919) % 1_000).unwrap()) / 10.0 - 20.0;
            Reading { received_at: at + Span::millis(312), ..reading(&series, at, value) }
        })
        .collect();
    let points: Vec<_> = readings.iter().map(|r| points::of_reading("yard", r, Quality::Good, "")).collect();
    for _ in 0..2 {
        assert_eq!(bucket.write(&points).await.unwrap(), []);
    }
    let series = server.export("reading_value");
    assert_eq!(series.len(), 3);
    let mut back = BTreeSet::new();
    for one in &series {
        let labels = &one["metric"];
        assert_eq!((labels["site"].as_str(), labels["kind"].as_str()), (Some("yard"), Some("probe")));
        let (times, values) = (one["timestamps"].as_array().unwrap(), one["values"].as_array().unwrap());
        for (at, value) in times.iter().zip(values) {
            let source = labels["source"].as_str().unwrap().to_owned();
            back.insert((source, at.as_i64().unwrap(), format!("{:.12}", value.as_f64().unwrap())));
        }
    }
    let sent: BTreeSet<_> = readings
        .iter()
        .map(|r| (r.series.source.as_str().to_owned(), r.measured_at.as_millis(), format!("{:.12}", r.value)))
        .collect();
    assert_eq!(back, sent);
}
