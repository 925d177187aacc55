//! The disk is full: nothing is acknowledged, nothing is lost, one line tells of it, and it goes on by itself.
//!
//! SQLite's own page limit raises the error that a full disk does (SQLITE_FULL), without needing a small file system.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

#[path = "support/log.rs"]
mod log;
#[path = "support/yard.rs"]
mod yard;

use hypocaust::driven::{Driven, connect, publish};
use ledger::{Access, Ledger};
use log::Log;
use pile::time::Span;
use tokio::sync::watch;
use yard::{PATIENCE, START, Yard, live, payload};

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_full_disk_holds_acknowledgements_back_until_there_is_room() {
    let log = Log::install();
    let yard = Yard::new(1);
    let (pages, limit) = watch::channel(None);
    let mut driven = Driven::start(yard.site(), &yard.rules(), START, None, Some(limit)).await.unwrap();
    let client = connect(driven.listens_on().unwrap(), "b1-node");
    live(&mut driven, &client, "b1-core", &[50.0; 20]).await;
    let mut progress = driven.progress();

    // SQLite never shrinks below what is there, so this is "not one page more".
    pages.send(Some(1)).unwrap();
    let now = driven.now();
    let mut notices = Vec::new();
    for i in 1..=400 {
        notices.push(
            publish(&client, "t/b1-core".into(), payload(now - Span::seconds(400 - i) + Span::millis(500), 51.0))
                .await
                .unwrap(),
        );
    }
    let full = tokio::time::timeout(PATIENCE, progress.wait_for(|p| p.store_in_trouble)).await;
    full.expect("the store reports that it is full").unwrap();
    let stored = || Ledger::open(&yard.data(), Access::Read).unwrap().counts().unwrap().readings;
    assert!(stored() < 420, "some of the 400 do not fit");

    pages.send(None).unwrap();
    for notice in notices {
        let heard = tokio::time::timeout(PATIENCE, notice.wait_completion_async()).await;
        heard.expect("acknowledged once there is room").unwrap();
    }
    assert_eq!(stored(), 420, "nothing was lost and nothing came twice");
    driven.stop().await.unwrap();

    let text = log.text();
    let lines = |word: &str| text.lines().filter(|l| l.contains(word)).count();
    assert_eq!(lines("nothing is stored or acknowledged at present"), 1, "{text}");
    assert_eq!(lines("the store takes readings again"), 1, "{text}");
}
