//! The copy in InfluxDB beside a running daemon: everything gets there, an outage costs nothing, and a store can be made anew from it.
//!
//! Must never let the copy be a reason for anything that the store or an alarm does.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

#[path = "support/influx.rs"]
mod influx;
#[path = "support/smtp_sink.rs"]
mod smtp_sink;
#[path = "support/victoria.rs"]
mod victoria;
#[path = "support/yard.rs"]
mod yard;

use std::path::Path;

use hypocaust::driven::{Driven, acknowledged, connect, publish};
use hypocaust::socket::Request;
use influx::{InfluxLike, TOKEN};
use ledger::{Access, Ledger, ReadingFilter, ReadingRow};
use pile::time::Span;
use pile::units::Celsius;
use site::entry::EntryKind;
use smtp_sink::SmtpSink;
use victoria::Victoria;
use yard::{START, Yard, crashing_series, eventually, hypocaust, letter, live, payload, probe_id, write_secret};

const DAYS: [&str; 4] = ["--from", "2026-03-09T00:00:00Z", "--to", "2026-03-20T00:00:00Z"];

fn copied_to(yard: Yard, url: &str, token: &str) -> Yard {
    let file = yard.path("token");
    write_secret(&file, token);
    let influx = format!(
        "influx: {{ url: \"{url}\", organisation: yard, bucket: compost, token_file: \"{}\" }}\ncriteria: [ {{ id: us503-pfrp-asp }} ]\n",
        file.display()
    );
    Yard { more: influx, ..yard }
}

fn stored(folder: &Path) -> Vec<ReadingRow> {
    let mut all = Vec::new();
    let ledger = Ledger::open(folder, Access::Read).unwrap();
    ledger.readings(&ReadingFilter::default(), &mut |row| all.push(row)).unwrap();
    all
}

/// Three days of a batch in one bin, with an entry on the first of them.
async fn three_days(driven: &mut Driven) {
    let on_air = EntryKind::OnAir { loaded_at: Some(Celsius(18.0)), filling: None };
    driven.ask(Request::entry("b1", START, "Ann", "a \"quoted\" word\\", &on_air)).await.unwrap();
    let client = connect(driven.listens_on().unwrap(), "b1-node");
    live(driven, &client, "b1-core", &crashing_series()[..3 * 288]).await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_is_committed_is_copied_checked_and_brought_back() {
    let server = InfluxLike::start();
    let yard = copied_to(Yard::new(1), &server.url(), TOKEN);
    let mut driven = yard.driven(START).await;
    three_days(&mut driven).await;
    eventually("every reading of a whole hour to be copied", || {
        (server.count("reading") >= 3 * 288 - 13).then_some(())
    })
    .await;
    // Two more hours give the last ones their roots, and raise an alarm: the probe is silent.
    let now = driven.now() + Span::hours(2);
    driven.advance_to(now).await.unwrap();
    for kind in ["entry", "alarm_event", "result"] {
        eventually(kind, || (server.count(kind) > 0).then_some(())).await;
    }
    let ledger = || Ledger::open(&yard.data(), Access::Read).unwrap();
    let target = hypocaust::copying::target(driven.site().influx.as_ref().unwrap());
    eventually("nothing to wait", || ledger().copy_state(&target).unwrap().waits_since.is_none().then_some(())).await;
    let (code, text) = hypocaust(&yard, &["copy", "status"]);
    assert_eq!(code, 0, "{text}");
    assert!(text.contains("waiting      nothing") && !text.contains("trouble"), "{text}");
    driven.stop().await.unwrap();

    let here = stored(&yard.data());
    assert_eq!(server.count("reading"), here.len());
    assert_eq!(server.series("reading"), 1, "one series for each probe and quantity");
    let (code, text) = hypocaust(&yard, &[&["copy", "verify"], &DAYS[..]].concat());
    assert_eq!(code, 0, "{text}");
    assert!(text.contains(&format!("{} readings, by number and checksum", here.len())), "{text}");

    // A store made anew from it holds the same readings, to the last bit of each.
    let anew = yard.path("anew");
    let into = ["restore", "--from-influx", "--into", anew.to_str().unwrap()];
    let (code, text) = hypocaust(&yard, &[&into[..], &DAYS[..]].concat());
    assert_eq!(code, 0, "{text}");
    assert_eq!(stored(&anew), here);
    let (code, text) = hypocaust(&yard, &[&into[..], &DAYS[..]].concat());
    assert!(code == 65 && text.contains("holds readings already; give another folder with --into"), "{code} {text}");
    let (code, text) = hypocaust(&yard, &["restore", "--from-influx", "--from", "2020-01-01", "--to", "2020-02-01"]);
    assert!(code == 65 && text.contains("the bucket has no reading of test-yard"), "{code} {text}");

    // One reading gone and one changed, past the program.
    server.change(|points| {
        let keys: Vec<_> = points.keys().filter(|(series, _)| series.starts_with("reading,")).cloned().collect();
        points.remove(&keys[10]);
        points.get_mut(&keys[400]).unwrap().insert("value".into(), "55.5".into());
    });
    let (code, text) = hypocaust(&yard, &[&["copy", "verify"], &DAYS[..]].concat());
    assert_eq!(code, 1, "{text}");
    assert!(text.contains("DIFFERS  2026-03-09  b1-core/temperature: 287 readings here, 286 there"), "{text}");
    assert!(
        text.contains("DIFFERS  2026-03-10  b1-core/temperature: 288 readings on both sides, but not the same"),
        "{text}"
    );
    let again =
        text.lines().find_map(|line| line.strip_prefix("to send those days again: hypocaust ")).unwrap().to_owned();
    let (code, text) = hypocaust(&yard, &again.split(' ').collect::<Vec<_>>());
    assert_eq!(code, 0, "{text}");
    let (code, text) = hypocaust(&yard, &[&["copy", "verify"], &DAYS[..]].concat());
    assert_eq!(code, 0, "{text}");
}

/// The time of readings comes while the database has been away all along: they stay until the copy has them.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn nothing_is_taken_out_before_the_copy_has_it() {
    let server = InfluxLike::start();
    let yard = copied_to(Yard::new(1), &server.url(), TOKEN);
    let yard =
        Yard { more: yard.more.replace("criteria: [ { id: us503-pfrp-asp } ]\n", "keep: { years: 1 }\n"), ..yard };
    server.set_down(true);
    let mut driven = yard.driven(START).await;
    let client = connect(driven.listens_on().unwrap(), "b1-node");
    live(&mut driven, &client, "b1-core", &[20.0; 36]).await;
    let now = driven.now() + Span::hours(2);
    driven.advance_to(now).await.unwrap();
    driven.stop().await.unwrap();
    // More than a year later, in steps for which no clock is doubted. A daemon looks after its store at once when it starts.
    let mut later = START + Span::days(340);
    while later < START + Span::days(420) {
        let driven = yard.driven(later).await;
        driven.progress().wait_for(|p| p.tended_at == Some(later)).await.unwrap();
        driven.stop().await.unwrap();
        later = later + Span::days(10);
    }
    assert_eq!(stored(&yard.data()).len(), 36, "their time is over, and the copy has nothing");
    server.set_down(false);
    let driven = yard.driven(later).await;
    let target = hypocaust::copying::target(driven.site().influx.as_ref().unwrap());
    eventually("the copy to have all of it", || {
        let state = Ledger::open(&yard.data(), Access::Read).unwrap().copy_state(&target).unwrap();
        state.waits_since.is_none().then_some(())
    })
    .await;
    driven.stop().await.unwrap();
    let driven = yard.driven(later + Span::days(1)).await;
    eventually("the readings to go", || (stored(&yard.data()).len() < 36).then_some(())).await;
    driven.stop().await.unwrap();
    assert_eq!(server.count("reading"), 36);
}

/// Years later the store has no reading of the batch any more; its roots are on record, and the copy has the rest.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_report_of_readings_that_went_comes_from_the_copy_and_says_so() {
    let server = InfluxLike::start();
    let yard = copied_to(Yard::new(1), &server.url(), TOKEN);
    let mut driven = yard.driven(START).await;
    three_days(&mut driven).await;
    driven.ask(Request::entry("b1", driven.now(), "Ann", "", &EntryKind::OffAir)).await.unwrap();
    let now = driven.now() + Span::hours(2);
    driven.advance_to(now).await.unwrap();
    eventually("all readings", || (server.count("reading") == 3 * 288).then_some(())).await;
    driven.stop().await.unwrap();
    let report = |more: &[&str]| {
        let out = yard.path("out");
        let (code, text) =
            hypocaust(&yard, &[&["report", "batch", "1", "--out", out.to_str().unwrap()], more].concat());
        let made = std::fs::read_to_string(out.join("batch-1.txt")).unwrap_or_default();
        let figures = std::fs::read_to_string(out.join("figures.csv")).unwrap_or_default();
        let _ = std::fs::remove_dir_all(&out);
        (code, text, made, figures)
    };
    // Looked at while the readings were there, and not issued: what the later one must say.
    let before = yard.path("before");
    let copied = std::process::Command::new("cp").arg("-a").arg(yard.data()).arg(&before).status().unwrap();
    assert!(copied.success());
    let (code, text, made, then) = report(&[]);
    assert!(code == 0 && made.contains("us503-pfrp-asp"), "{code} {text}");
    std::fs::remove_dir_all(yard.data()).unwrap();
    std::fs::rename(&before, yard.data()).unwrap();

    let mut ledger = Ledger::open(&yard.data(), Access::Write).unwrap();
    while ledger.prune(now, &ledger::Times::of_all(now)).unwrap().is_some() {}
    drop(ledger);
    assert!(stored(&yard.data()).len() < 50, "only what has no root yet is left");
    let (code, text, ..) = report(&[]);
    assert!(code == 65 && text.contains("may have them (bucket compost of yard at http://127.0.0.1"), "{code} {text}");
    let (code, text, made, now_said) = report(&["--from-influx"]);
    assert_eq!(code, 0, "{text}");
    assert_eq!(now_said, then, "every figure is what it was");
    assert!(made.contains("come from the copy in InfluxDB (bucket compost of yard"), "{made}");
    assert!(made.contains("each of which is what its hash on record was made over"), "{made}");
    assert!(stored(&yard.data()).len() < 50, "the store itself stays as it is");

    // One reading changed there: its hour is not what was put on record, and nothing is made of it.
    let changed = yard.path("data").join("reports");
    let _ = std::fs::remove_dir_all(&changed);
    server.change(|points| {
        let key = points.keys().find(|(series, _)| series.starts_with("reading,")).unwrap().clone();
        points.get_mut(&key).unwrap().insert("value".into(), "55.5".into());
    });
    let (code, text, made, _) = report(&["--from-influx"]);
    assert!(
        code == 65 && text.contains("1 of 7") && text.contains("are not in the copy as they were put on record"),
        "{code} {text}"
    );
    assert_eq!(made, "");
    assert!(
        std::fs::read_dir(yard.data().join("reports")).map_or(0, Iterator::count) == 0,
        "nothing is left lying about"
    );
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_real_server_gets_all_of_it() {
    let Some(server) = Victoria::start("a_real_server_gets_all_of_it") else { return };
    let yard = copied_to(Yard::new(1), &server.url(), "any");
    let mut driven = yard.driven(START).await;
    three_days(&mut driven).await;
    let now = driven.now() + Span::hours(2);
    driven.advance_to(now).await.unwrap();
    eventually("all readings", || (server.count("reading_value") == 3 * 288).then_some(())).await;
    eventually("events of alarms", || (server.count("alarm_event_alarm") > 0).then_some(())).await;
    driven.stop().await.unwrap();
    assert_eq!(stored(&yard.data()).len(), 3 * 288);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_wrong_token_stops_the_copy_and_nothing_else() {
    let (server, sink) = (InfluxLike::start(), SmtpSink::start());
    let yard = copied_to(Yard::new(1).smtp_at(sink.port()).with_rule("hot-now", yard::HOT_NOW), &server.url(), "wrong");
    let mut driven = yard.driven(START).await;
    let client = connect(driven.listens_on().unwrap(), "b1-node");
    driven
        .ask(Request::entry("b1", START, "Ann", "", &EntryKind::OnAir { loaded_at: None, filling: None }))
        .await
        .unwrap();
    live(&mut driven, &client, "b1-core", &[60.0, 70.0, 70.0, 70.0]).await;
    let raised = eventually("the alarm's mail", || sink.received().first().cloned()).await;
    assert!(letter(&raised.data).text.contains("70"), "the alarm does not wait for the copy");
    let status = || hypocaust(&yard, &["copy", "status"]).1;
    let told = eventually("the trouble to be noted", || Some(status()).filter(|text| text.contains("trouble"))).await;
    assert!(told.contains("does not accept the token (HTTP 401"), "{told}");
    assert!(!told.contains("wrong"), "{told}");
    driven.stop().await.unwrap();
    // The next start reads the token anew.
    std::fs::write(yard.path("token"), TOKEN).unwrap();
    let mut driven = yard.driven(START + Span::hours(1)).await;
    let now = driven.now() + Span::hours(1);
    driven.advance_to(now).await.unwrap();
    eventually("what had to wait", || (server.count("reading") == 4).then_some(())).await;
    driven.stop().await.unwrap();
    // No token at all, and a bucket that is not there.
    std::fs::remove_file(yard.path("token")).unwrap();
    let driven = yard.driven(START + Span::hours(3)).await;
    let told =
        eventually("the missing token to be noted", || Some(status()).filter(|text| text.contains("is missing"))).await;
    assert!(told.contains("make it (one line, mode 0600"), "{told}");
    driven.stop().await.unwrap();
    write_secret(&yard.path("token"), TOKEN);
    let elsewhere = Yard { more: yard.more.replace("bucket: compost", "bucket: compots"), ..yard };
    let (code, text) = hypocaust(&elsewhere, &[&["copy", "verify"], &DAYS[..]].concat());
    assert!(code == 69 && text.contains("make the bucket compots in the organisation yard"), "{code} {text}");
    let plain = Yard { more: String::new(), ..elsewhere };
    let (code, text) = hypocaust(&plain, &["copy", "status"]);
    assert!(code == 64 && text.contains("names no copy; add `influx:`"), "{code} {text}");
}

/// An hour by the site's clock without the database, under load.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_outage_of_an_hour_costs_no_alarm_no_reading_and_no_memory() {
    const BINS: usize = 40;
    let (server, sink) = (InfluxLike::start(), SmtpSink::start());
    let yard = Yard { probes: 3, ..Yard::new(BINS) }.smtp_at(sink.port()).with_rule("hot-now", yard::HOT_NOW);
    let yard = copied_to(yard, &server.url(), TOKEN);
    let mut driven = yard.driven(START).await;
    let client = connect(driven.listens_on().unwrap(), "node");
    driven
        .ask(Request::entry("b1", START, "Ann", "", &EntryKind::OnAir { loaded_at: None, filling: None }))
        .await
        .unwrap();
    let mut sent = 0;
    // Each probe sends every ten seconds; in the outage, b1 gets hot.
    for (minutes, down, hot) in [(60, false, 60.0), (60, true, 71.0), (10, false, 60.0)] {
        server.set_down(down);
        let before = memory_kilobytes();
        let mails = sink.received().len();
        for _ in 0..minutes * 6 {
            let now = driven.now() + Span::seconds(10);
            driven.advance_to(now).await.unwrap();
            let mut notices = Vec::new();
            for bin in 1..=BINS {
                for probe in 0..3 {
                    let value = if (bin, probe) == (1, 0) { hot } else { 60.0 };
                    let topic = format!("t/{}", probe_id(bin, probe));
                    notices.push(publish(&client, topic, payload(now, value)).await.unwrap());
                    sent += 1;
                }
            }
            acknowledged(notices).await.unwrap();
        }
        let grown = memory_kilobytes().saturating_sub(before);
        println!("{minutes} minutes, away: {down}: {} readings, memory grew by {grown} kB", minutes * 6 * BINS * 3);
        if down {
            assert!(sink.received().len() > mails, "the alarm was mailed while the database was away");
            assert!(grown < 40_000, "{grown} kB more after an hour without the database");
            assert!(server.count("reading") < sent * 2 / 3, "it was away");
        }
    }
    let now = driven.now() + Span::hours(2);
    driven.advance_to(now).await.unwrap();
    let begun = std::time::Instant::now();
    eventually("every reading", || (server.count("reading") == sent).then_some(())).await;
    println!("outage: all {sent} readings were there {:.1} s after it", begun.elapsed().as_secs_f64());
    driven.stop().await.unwrap();
    assert_eq!(stored(&yard.data()).len(), sent);
    assert_eq!(server.series("reading"), 3 * BINS);
}

/// Resident memory of this process, which the daemon is part of.
fn memory_kilobytes() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap();
    let line = status.lines().find(|line| line.starts_with("VmRSS:")).unwrap();
    line.split_whitespace().nth(1).unwrap().parse().unwrap()
}
