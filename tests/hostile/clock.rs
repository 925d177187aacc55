//! The machine's clock: set back, set forward, unset at boot, while it runs and while it is down.
//!
//! The clock is moved from outside, by Debian's libfaketime around the daemon: its wall clock alone, as a person or a time server does. The
//! test's own clock is the true time, and so is the probe's.

use std::path::PathBuf;
use std::time::Duration;

use hypocaust::driven::{acknowledged, connect, publish};
use ledger::{Access, Ledger};
use pile::time::{Span, Timestamp};
use rumqttc::AsyncClient;

use crate::smtp_sink::SmtpSink;
use crate::table::{Happened, Row};
use crate::yard::{HOT_NOW, Process, Yard, eventually_within, free_port, hypocaust, letter, machine_now, payload};

/// A rule is judged each minute, and a start may wait a minute for a clock that is not set.
const PATIENCE: Duration = Duration::from_secs(150);

/// What is done to the clock: its error when the daemon starts, its error then, whether that is for its second start, and what it comes back to.
struct Story {
    first: Span,
    then: Span,
    /// Its error after the alarm, where the clock comes back.
    back: Option<Span>,
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
    Span::ZERO - Span::millis(machine_now().as_millis()) + Span::minutes(1)
}

pub fn rows() -> Vec<Row> {
    use Restart::{Between, No};
    use Told::{NotSet, Nothing, SetBack};
    let row = |input, bound, first, then, restart, told| {
        Row::new(input, bound, move || lived(Story { first, then, back: None, restart, told }))
    };
    let there_and_back = |input, bound, then, told| {
        let story = Story { first: Span::ZERO, then, back: Some(Span::ZERO), restart: No, told };
        Row::new(input, bound, move || lived(story))
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
        row("five minutes behind, set right while it runs", quiet, zero - Span::minutes(5), zero, No, Nothing),
        there_and_back("right, to 1970 and back while it runs", judged, to_the_epoch(), NotSet),
        there_and_back("right, a day ahead and back while it runs", quiet, day, Nothing),
        there_and_back("right, an hour back and forward again while it runs", judged, zero - hour, SetBack),
        row("five minutes ahead, set right while it is down", judged, Span::minutes(5), zero, Between, SetBack),
        row("an hour ahead, set right while it is down", judged, hour, zero, Between, SetBack),
        row("a day ahead, set right while it is down", judged, day, zero, Between, SetBack),
        row("300 days ahead, set right while it is down", quiet, Span::days(300), zero, Between, Nothing),
        row("an hour behind, set right while it is down", quiet, zero - hour, zero, Between, Nothing),
        row("a day behind, set right while it is down", quiet, zero - day, zero, Between, Nothing),
        row("right, at 1970 when it starts again", judged, zero, to_the_epoch(), Between, NotSet),
        row("at the epoch when it boots, never set", judged, to_the_epoch(), to_the_epoch(), No, NotSet),
        row("at the epoch when it boots, set right later", judged, to_the_epoch(), zero, No, Nothing),
        Row::new(
            "eight hours ahead after the process was stopped, as by a machine that was suspended",
            "one tick, delays begin anew, silences have grace: no mail but the hot pile's; a stop takes 5 s at most",
            suspended,
        ),
        Row::new(
            "the night to summer time, with the list and the summary due at an hour that does not come",
            "each once; judged; times shown with their offset; a stop takes 5 s at most",
            || changed_night(1_806_195_600_000, Offset { before: "+00:00", after: "+01:00" }),
        ),
        Row::new(
            "the night back from summer time, with the list and the summary due at an hour that comes twice",
            "each once; judged; times shown with their offset; a stop takes 5 s at most",
            || changed_night(1_824_944_400_000, Offset { before: "+01:00", after: "+00:00" }),
        ),
        Row::new(
            "an hour forward while the store takes nothing",
            "the step waits for the store, and is on record once it takes again",
            a_step_while_the_store_is_shut,
        ),
    ]
}

async fn lived(story: Story) -> Happened {
    let sink = SmtpSink::start();
    let port = free_port();
    let yard = Yard::new(2).with_rule("hot-now", HOT_NOW).smtp_at(sink.port()).embedded_at(port);
    let set = |error: Span| set_clock(&yard, error);
    set(story.first);
    let start = || started(&yard);
    let mut process = start();
    let address = format!("127.0.0.1:{port}").parse().unwrap();
    eventually_within(PATIENCE, "the daemon", || std::net::TcpStream::connect(("127.0.0.1", port)).ok()).await;
    let client = connect(address, "gateway");
    let sends = async |bin: usize, value: f64, error: Span| {
        let notice = publish(&client, format!("t/b{bin}-core"), payload(machine_now() + error, value)).await.unwrap();
        acknowledged(vec![notice]).await.unwrap();
    };
    // The state before: a warm pile, and one that is too hot, which must be told by the clock as it is.
    sends(1, 60.0, Span::ZERO).await;
    if story.restart == Restart::Between {
        assert_eq!(process.stop().0, Some(0));
        set(story.then);
        process = start();
        eventually_within(PATIENCE, "the daemon", || std::net::TcpStream::connect(("127.0.0.1", port)).ok()).await;
    } else {
        set(story.then);
    }
    // A clock that is set forward is followed at once; a probe that does not go along is known for it after some readings, which take a while.
    let probe = if story.back.is_some() { story.then.max(Span::ZERO) } else { Span::ZERO };
    let begun = std::time::Instant::now();
    sends(1, 84.0, probe).await;
    let subjects = || sink.received().iter().map(|mail| letter(&mail.data).subject).collect::<Vec<_>>();
    let has = |word: &'static str| move || subjects().into_iter().find(|subject| subject.contains(word));
    eventually_within(PATIENCE, "the alarm about 84 °C", has("hot now")).await;
    let after = begun.elapsed();
    match story.told {
        Told::SetBack => drop(eventually_within(PATIENCE, "the mail about the clock", has("clock set back")).await),
        Told::NotSet => drop(eventually_within(PATIENCE, "the mail about the clock", has("clock not set")).await),
        Told::Nothing => {}
    }
    let mut stored = 2;
    if let Some(back) = story.back {
        set(back);
        sends(2, 86.0, Span::ZERO).await;
        stored += 1;
        eventually_within(PATIENCE, "the alarm about 86 °C", || {
            subjects().into_iter().find(|subject| subject.contains("hot now") && subject.contains("b2"))
        })
        .await;
    }
    let said: Vec<&str> = [("set back", "clock set back"), ("not set", "clock not set")]
        .iter()
        .filter(|(_, w)| has(w)().is_some())
        .map(|(s, _)| *s)
        .collect();
    let said =
        if said.is_empty() { "nothing of the clock".to_owned() } else { format!("clock {}", said.join(", clock ")) };
    let spent = process.spent();
    let took = stops(process);
    let store = Ledger::open(&yard.data(), Access::Read).unwrap();
    let counts = store.counts().unwrap();
    assert_eq!((counts.readings, counts.refused), (stored, 0), "every reading is stored");
    let summaries = subjects().iter().filter(|subject| subject.contains("week")).count();
    // Only the newest week may have one, where the clock passed its Monday.
    assert!(summaries <= 1, "no summaries of weeks that nobody lived through: {:?}", subjects());
    Happened::new(
        format!(
            "judged within {:.0} s; stored {stored} of {stored}; mailed {} ({}); said {said}; stopped in {:.1} s",
            after.as_secs_f64(),
            subjects().len(),
            subjects().iter().map(|subject| short(subject)).collect::<Vec<_>>().join(", "),
            took.as_secs_f64()
        ),
        spent,
    )
}

/// A subject without the site and the figures.
fn short(subject: &str) -> &str {
    let subject = subject.strip_prefix("[test-yard] ").unwrap_or(subject);
    subject.split(':').next().unwrap_or(subject)
}

/// Writes by how much the daemon's wall clock is wrong from now on.
fn set_clock(yard: &Yard, error: Span) {
    // The library reads the file at each call, so that it must never find half of it.
    let next = yard.path("clock.next");
    std::fs::write(&next, format!("{:+}", error.as_millis() / 1000)).unwrap();
    std::fs::rename(next, yard.path("clock")).unwrap();
}

/// The daemon with the wall clock that was set.
fn started(yard: &Yard) -> Process {
    let (library, clock) = (libfaketime(), yard.path("clock"));
    Process::start_under(
        yard,
        &[],
        &[
            ("LD_PRELOAD", library.to_str().unwrap()),
            ("FAKETIME_TIMESTAMP_FILE", clock.to_str().unwrap()),
            ("FAKETIME_NO_CACHE", "1"),
            ("FAKETIME_DONT_FAKE_MONOTONIC", "1"),
            ("NO_FAKE_STAT", "1"),
        ],
    )
}

/// Ends it as systemd does, in time.
fn stops(process: Process) -> Duration {
    assert!(!process.log().contains("panicked"), "{}", process.log());
    let (code, took) = process.stop();
    assert_eq!(code, Some(0));
    assert!(took < Duration::from_secs(5), "a stop took {took:?}");
    took
}

/// A yard with its daemon's clock at some error, a relay and a broker.
async fn clocked(change: impl FnOnce(&mut Yard), error: Span) -> (SmtpSink, Yard, Process, AsyncClient) {
    let sink = SmtpSink::start();
    let port = free_port();
    let mut yard = Yard::new(2).with_rule("hot-now", HOT_NOW).smtp_at(sink.port()).embedded_at(port);
    change(&mut yard);
    set_clock(&yard, error);
    let process = started(&yard);
    eventually_within(PATIENCE, "the daemon", || std::net::TcpStream::connect(("127.0.0.1", port)).ok()).await;
    let client = connect(format!("127.0.0.1:{port}").parse().unwrap(), "gateway");
    (sink, yard, process, client)
}

/// A reading by a probe whose clock shows `at`.
async fn sends(client: &AsyncClient, bin: usize, at: Timestamp, value: f64) {
    let notice = publish(client, format!("t/b{bin}-core"), payload(at, value)).await.unwrap();
    acknowledged(vec![notice]).await.unwrap();
}

fn subjects(sink: &SmtpSink) -> Vec<String> {
    sink.received().iter().map(|mail| letter(&mail.data).subject).collect()
}

/// The daemon reads its boot clock from the kernel itself, where nothing between can change it, so this row is the wall clock of a suspended
/// machine alone; that both clocks go on together is held by a test of `hypocaust::clock`.
async fn suspended() -> Happened {
    let (sink, yard, process, client) = clocked(|_| {}, Span::ZERO).await;
    let slept = Span::hours(8);
    sends(&client, 1, machine_now(), 60.0).await;
    sends(&client, 2, machine_now(), 60.0).await;
    process.pause();
    set_clock(&yard, slept);
    process.resume();
    sends(&client, 2, machine_now() + slept, 60.0).await;
    sends(&client, 1, machine_now() + slept, 84.0).await;
    let hot = || subjects(&sink).into_iter().find(|subject| subject.contains("hot now"));
    eventually_within(PATIENCE, "the alarm about 84 °C", hot).await;
    let spent = process.spent();
    let took = stops(process);
    let mailed = subjects(&sink);
    assert_eq!(mailed.len(), 1, "nobody is told of a silence that nobody could hear: {mailed:?}");
    Happened::new(format!("one mail, {:?}; stopped in {:.1} s", mailed[0], took.as_secs_f64()), spent)
}

/// How the site's clocks differ from UTC.
struct Offset {
    before: &'static str,
    after: &'static str,
}

/// Lives over an instant at which the clocks of Dublin are changed, and over both times at which they show half past one, or would.
async fn changed_night(changes: i64, offset: Offset) -> Happened {
    let changes = Timestamp::from_millis(changes);
    let half = Span::minutes(30);
    // Each is lived through. What is due at half past one is due at the first of them: where the clocks are set back half past one comes before
    // the change and after it, and where they are set forward the change jumps over it.
    let passed = match offset.after {
        "+00:00" => vec![changes - half, changes, changes + half],
        _ => vec![changes, changes + half],
    };
    let begin = passed[0] - Span::minutes(5);
    let error_at = |at: Timestamp| at.since(machine_now());
    let (sink, yard, process, client) = clocked(
        |yard| {
            yard.more =
                "summary: { weekday: sunday, time: \"01:30\" }\nround_list: { time: \"01:30\", quiet_from: \"21:00\" }\n".into();
            yard.person = " }\n  - { name: Bo, mail: \"bo@test.example\", gets: [round_list]".into();
        },
        error_at(begin),
    )
    .await;
    let mut error = error_at(begin);
    sends(&client, 1, machine_now() + error, 60.0).await;
    sends(&client, 2, machine_now() + error, 60.0).await;
    let to = |name: &'static str, word: &'static str| {
        let all = sink.received();
        let of = all.iter().filter(|mail| mail.to.iter().any(|to| to.contains(name))).map(|mail| letter(&mail.data));
        of.filter(|mail| mail.subject.to_lowercase().contains(word)).count()
    };
    for (n, at) in passed.iter().enumerate() {
        set_clock(&yard, error_at(*at - Span::seconds(3)));
        error = error_at(*at - Span::seconds(3));
        eventually_within(PATIENCE, "the instant", || (machine_now() + error > *at + Span::seconds(1)).then_some(()))
            .await;
        if n == 0 {
            eventually_within(PATIENCE, "the list", || (to("bo@", "") > 0).then_some(())).await;
            eventually_within(PATIENCE, "the summary", || (to("ann@", "week") > 0).then_some(())).await;
        }
    }
    sends(&client, 1, machine_now() + error, 84.0).await;
    let hot = || sink.received().iter().map(|mail| letter(&mail.data)).find(|mail| mail.subject.contains("hot now"));
    let alarm = eventually_within(PATIENCE, "the alarm about 84 °C", hot).await;
    let shown = yard.site().zone.show(passed[0]);
    let span = [passed[0] - Span::hours(1), changes + Span::hours(1)].map(site::zone::rfc3339_utc);
    let (code, readings) = hypocaust(&yard, &["readings", "--bin", "b1", "--from", &span[0], "--to", &span[1]]);
    assert!(code == 0 && readings.contains(offset.before) && readings.contains(offset.after), "{readings}");
    let spent = process.spent();
    let took = stops(process);
    assert_eq!((to("bo@", ""), to("ann@", "week")), (1, 1), "each once: {:?}", subjects(&sink));
    let stored = Ledger::open(&yard.data(), Access::Read).unwrap().counts().unwrap().readings;
    assert_eq!(stored, 3);
    Happened::new(
        format!(
            "list and summary once each, at {shown}; {:?} mailed; 3 readings stored, shown with {} and {}; stopped in {:.1} s",
            alarm.subject,
            offset.before,
            offset.after,
            took.as_secs_f64()
        ),
        spent,
    )
}

/// Holds the store as another program might, sets the clock, and lets go.
async fn a_step_while_the_store_is_shut() -> Happened {
    let (_sink, yard, process, client) = clocked(|_| {}, Span::ZERO).await;
    sends(&client, 1, machine_now(), 60.0).await;
    let other = rusqlite::Connection::open(yard.data().join("ledger.db")).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    set_clock(&yard, Span::hours(1));
    let sent = publish(&client, "t/b1-core".into(), payload(machine_now() + Span::hours(1), 61.0)).await.unwrap();
    eventually_within(PATIENCE, "the store is in trouble", || {
        process.log().contains("a step of the machine's clock is not on record yet").then_some(())
    })
    .await;
    other.execute_batch("ROLLBACK").unwrap();
    acknowledged(vec![sent]).await.unwrap();
    let steps = || {
        let store = rusqlite::Connection::open(yard.data().join("ledger.db")).unwrap();
        let mut rows = store.prepare("SELECT text FROM record").unwrap();
        let texts = rows.query_map([], |row| row.get::<_, String>(0)).unwrap();
        texts.filter_map(Result::ok).filter(|text| text.contains("clock.step")).collect::<Vec<_>>()
    };
    let steps =
        eventually_within(PATIENCE, "the step on record", || Some(steps()).filter(|steps| !steps.is_empty())).await;
    assert!(steps.len() == 1 && steps[0].contains("\"followed\":true"), "{steps:?}");
    let spent = process.spent();
    let took = stops(process);
    Happened::new(format!("one row once it took again; stopped in {:.1} s", took.as_secs_f64()), spent)
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
