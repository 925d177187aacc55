//! What fell due while nobody watched: made in pieces, and only what somebody can want.

use std::time::{Duration, Instant};

use hypocaust::driven::{acknowledged, connect, publish};
use hypocaust::socket::Request;
use ledger::{Access, Ledger};
use pile::time::{Span, Timestamp};
use site::entry::EntryKind;

use crate::smtp_sink::SmtpSink;
use crate::table::{Happened, Row};
use crate::yard::{HOT_NOW, Process, Yard, eventually_within, free_port, letter, machine_now, payload};

/// The most that a daemon of 300 bins may hold while it makes up for a month, in MB.
const MEGABYTES_MOST: f64 = 400.0;
const BINS: usize = 300;
const PATIENCE: Duration = Duration::from_secs(180);

pub fn rows() -> Vec<Row> {
    vec![
        Row::new(
            "300 bins on air, back after a month",
            "one summary, pieces of two days; an alarm within its minute; 400 MB",
            || back_after(Span::days(31)),
        ),
        Row::new(
            "300 bins on air, back after 14 months",
            "one summary; no water account after 60 days; an alarm within its minute; 400 MB",
            || back_after(Span::days(425)),
        ),
    ]
}

async fn back_after(off: Span) -> Happened {
    let sink = SmtpSink::start();
    let port = free_port();
    let mut yard = Yard::new(BINS).with_rule("hot-now", HOT_NOW).embedded_at(port);
    yard.more = "criteria: [ { id: us503-pfrp-asp } ]\n".into();
    let now = machine_now();
    let before = now - off;
    // The batches begin by a clock that is driven, so that the time before needs not to be lived through.
    let mut driven = yard.driven(before).await;
    let client = connect(driven.listens_on().unwrap(), "gateway");
    for bin in 1..=BINS {
        let on_air = EntryKind::OnAir { loaded_at: None, filling: None };
        driven.ask(Request::entry(&format!("b{bin}"), before, "Ann", "in a test", &on_air)).await.unwrap();
        let notice = publish(&client, format!("t/b{bin}-core"), payload(before, 50.0)).await.unwrap();
        acknowledged(vec![notice]).await.unwrap();
    }
    driven.advance_to(before + Span::minutes(5)).await.unwrap();
    driven.stop().await.unwrap();

    let yard = yard.smtp_at(sink.port());
    let process = Process::start(&yard, &[]);
    eventually_within(PATIENCE, "the daemon", || std::net::TcpStream::connect(("127.0.0.1", port)).ok()).await;
    let begun = Instant::now();
    let client = connect(format!("127.0.0.1:{port}").parse().unwrap(), "gateway");
    let notice = publish(&client, "t/b7-core".into(), payload(machine_now(), 84.0)).await.unwrap();
    acknowledged(vec![notice]).await.unwrap();
    let acknowledged_after = begun.elapsed();
    let subjects = || sink.received().iter().map(|mail| letter(&mail.data).subject).collect::<Vec<_>>();
    eventually_within(PATIENCE, "the alarm", || subjects().into_iter().find(|s| s.contains("hot now"))).await;
    let alarmed_after = begun.elapsed();
    assert!(alarmed_after < Duration::from_secs(75), "the alarm took {alarmed_after:?}");
    // Accounts are at the present again: each is closed up to the time that late readings have.
    eventually_within(PATIENCE * 2, "the water accounts", || {
        if off > Span::days(60) {
            return Some(());
        }
        let store = Ledger::open(&yard.data(), Access::Read).ok()?;
        let water = store.restore(machine_now(), Span::hours(1)).ok()?.water;
        let late = |at: Timestamp| machine_now().since(at) > Span::hours(2);
        (water.len() == BINS && !water.iter().any(|kept| late(kept.at))).then_some(())
    })
    .await;
    let caught_up_after = begun.elapsed();
    let spent = process.spent();
    let summaries = subjects().iter().filter(|s| s.contains("week")).count();
    assert!(summaries <= 1, "{summaries} summaries");
    assert!(spent.megabytes < MEGABYTES_MOST, "{} MB", spent.megabytes);
    assert_eq!(process.stop().0, Some(0));
    Happened::new(
        format!(
            "a reading acknowledged after {:.1} s, its alarm after {:.0} s, {summaries} summary, all caught up after {:.0} s",
            acknowledged_after.as_secs_f64(),
            alarmed_after.as_secs_f64(),
            caught_up_after.as_secs_f64()
        ),
        spent,
    )
}
