//! The machine's clock: set back, set forward, unset at boot, while it runs and while it is down.
//!
//! The clock is moved from outside, by Debian's libfaketime around the daemon: its wall clock alone, as a person or a time server does. The
//! test's own clock is the true time, and so is the probe's.

use std::path::PathBuf;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use hypocaust::driven::{acknowledged, connect, publish};
use ledger::{Access, Ledger};
use pile::time::{Span, Timestamp};

use crate::smtp_sink::SmtpSink;
use crate::table::{Happened, Row};
use crate::yard::{HOT_NOW, Process, Yard, eventually_within, free_port, letter, payload};

/// A rule is judged each minute, and a start may wait a minute for a clock that is not set.
const PATIENCE: Duration = Duration::from_secs(150);

/// What is done to the clock: its error when the daemon starts, whether that is its second start, and its error then.
struct Story {
    first: Span,
    then: Span,
    restart: Restart,
    /// Whether people are told that the clock was set back, or is not set.
    told: Told,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Restart {
    No,
    Between,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Told {
    SetBack,
    NotSet,
    Nothing,
}

/// From the true time to the beginning of 1970, near enough.
fn to_the_epoch() -> Span {
    Span::ZERO - Span::millis(true_now().as_millis()) + Span::minutes(1)
}

pub fn rows() -> Vec<Row> {
    use Restart::{Between, No};
    use Told::{NotSet, Nothing, SetBack};
    let row = |input, bound, first, then, restart, told| {
        Row::new(input, bound, move || lived(Story { first, then, restart, told }))
    };
    let hour = Span::hours(1);
    let day = Span::days(1);
    let zero = Span::ZERO;
    let judged = "judged within the rule's minute; told at once; a stop takes 5 s at most";
    let quiet = "judged within the rule's minute; a stop takes 5 s at most";
    vec![
        row("five minutes ahead, set right while it runs", judged, Span::minutes(5), zero, No, SetBack),
        row("an hour ahead, set right while it runs", judged, hour, zero, No, SetBack),
        row("a day ahead, set right while it runs", judged, day, zero, No, SetBack),
        row("300 days ahead, set right while it runs", judged, Span::days(300), zero, No, SetBack),
        row("right, set to 1970 while it runs", judged, zero, to_the_epoch(), No, NotSet),
        row("an hour behind, set right while it runs", quiet, zero - hour, zero, No, Nothing),
        row("a day behind, set right while it runs", quiet, zero - day, zero, No, Nothing),
        row("an hour ahead, set right while it is down", judged, hour, zero, Between, SetBack),
        row("300 days ahead, set right while it is down", quiet, Span::days(300), zero, Between, Nothing),
        row("a day behind, set right while it is down", quiet, zero - day, zero, Between, Nothing),
        row("at the epoch when it boots, never set", judged, to_the_epoch(), to_the_epoch(), No, NotSet),
        row("at the epoch when it boots, set right later", judged, to_the_epoch(), zero, No, Nothing),
    ]
}

async fn lived(story: Story) -> Happened {
    let sink = SmtpSink::start();
    let port = free_port();
    let yard = Yard::new(2).with_rule("hot-now", HOT_NOW).smtp_at(sink.port()).embedded_at(port);
    let clock = yard.path("clock");
    let set = |error: Span| std::fs::write(&clock, format!("{:+}", error.as_millis() / 1000)).unwrap();
    set(story.first);
    let start = || {
        let library = libfaketime();
        Process::start_under(
            &yard,
            &[],
            &[
                ("LD_PRELOAD", library.to_str().unwrap()),
                ("FAKETIME_TIMESTAMP_FILE", clock.to_str().unwrap()),
                ("FAKETIME_NO_CACHE", "1"),
                ("FAKETIME_DONT_FAKE_MONOTONIC", "1"),
                ("NO_FAKE_STAT", "1"),
            ],
        )
    };
    let mut process = start();
    let address = format!("127.0.0.1:{port}").parse().unwrap();
    eventually_within(PATIENCE, "the daemon", || std::net::TcpStream::connect(("127.0.0.1", port)).ok()).await;
    let client = connect(address, "gateway");
    let sends = async |bin: usize, value: f64| {
        let notice = publish(&client, format!("t/b{bin}-core"), payload(true_now(), value)).await.unwrap();
        acknowledged(vec![notice]).await.unwrap();
    };
    // The state before: a warm pile, and one that is too hot, which must be told by the clock as it is.
    sends(1, 60.0).await;
    if story.restart == Restart::Between {
        assert_eq!(process.stop().0, Some(0));
        set(story.then);
        process = start();
        eventually_within(PATIENCE, "the daemon", || std::net::TcpStream::connect(("127.0.0.1", port)).ok()).await;
    } else {
        set(story.then);
    }
    let begun = std::time::Instant::now();
    sends(1, 84.0).await;
    let subjects = || sink.received().iter().map(|mail| letter(&mail.data).subject).collect::<Vec<_>>();
    let has = |word: &'static str| move || subjects().into_iter().find(|subject| subject.contains(word));
    eventually_within(PATIENCE, "the alarm about 84 °C", has("hot now")).await;
    let after = begun.elapsed();
    match story.told {
        Told::SetBack => drop(eventually_within(PATIENCE, "the mail about the clock", has("clock set back")).await),
        Told::NotSet => drop(eventually_within(PATIENCE, "the mail about the clock", has("clock not set")).await),
        Told::Nothing => {}
    }
    let spent = process.spent();
    let (code, took) = process.stop();
    assert_eq!(code, Some(0));
    assert!(took < Duration::from_secs(5), "a stop took {took:?}");
    let store = Ledger::open(&yard.data(), Access::Read).unwrap();
    let counts = store.counts().unwrap();
    assert_eq!((counts.readings, counts.refused), (2, 0), "every reading is stored");
    let summaries = subjects().iter().filter(|subject| subject.contains("week")).count();
    // Only the newest week may have one, where the clock passed its Monday.
    assert!(summaries <= 1, "no summaries of weeks that nobody lived through: {:?}", subjects());
    Happened::new(
        format!(
            "alarm mailed after {:.0} s, {} mail(s) in all, both readings stored, stopped in {:.1} s",
            after.as_secs_f64(),
            subjects().len(),
            took.as_secs_f64()
        ),
        spent,
    )
}

#[expect(clippy::disallowed_methods, reason = "the probe of this test has the true time")]
pub fn true_now() -> Timestamp {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap();
    Timestamp::from_millis(i64::try_from(since.as_millis()).unwrap())
}

/// Debian puts it under the machine's own folder.
fn libfaketime() -> PathBuf {
    let folders = std::fs::read_dir("/usr/lib").unwrap();
    let found = folders.filter_map(|entry| {
        let path = entry.ok()?.path().join("faketime/libfaketimeMT.so.1");
        path.exists().then_some(path)
    });
    found.last().expect("libfaketime must be there: apt-get install libfaketime")
}
