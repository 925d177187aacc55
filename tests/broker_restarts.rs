//! The broker goes away and comes back: nothing is lost, one line tells of each, and nobody has to restart the daemon.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

#[path = "support/mosquitto.rs"]
mod mosquitto;
#[path = "support/yard.rs"]
mod yard;

use hypocaust::driven::{acknowledged, connect, publish};
use ledger::{Access, Ledger};
use mosquitto::Mosquitto;
use pile::time::Span;
use yard::{Process, START, Yard, eventually, payload};

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_broker_that_restarts_is_found_again_without_a_restart_of_ours() {
    let Some(mut broker) = Mosquitto::start("a_broker_that_restarts_is_found_again_without_a_restart_of_ours") else {
        return;
    };
    let yard = Yard::new(1).broker_at(broker.port());
    let daemon = Process::start(&yard, &[]);
    eventually("the subscription", || broker.log().contains("t/+").then_some(())).await;
    let client = connect(format!("127.0.0.1:{}", broker.port()).parse().unwrap(), "b1-node");
    let mut sent = 0;
    for round in 0..3 {
        let mut notices = Vec::new();
        for _ in 0..100 {
            sent += 1;
            let at = START + Span::seconds(sent);
            notices.push(publish(&client, "t/b1-core".into(), payload(at, 50.0)).await.unwrap());
        }
        acknowledged(notices).await.unwrap();
        let wanted = u64::try_from(sent).unwrap();
        eventually("the readings of this round", || {
            let counts = Ledger::open(&yard.data(), Access::Read).ok()?.counts().ok()?;
            (counts.readings == wanted).then_some(())
        })
        .await;
        if round < 2 {
            broker.stop();
            eventually("the line about the loss", || (losses(&daemon.log()) == round + 1).then_some(())).await;
            broker.start_again();
            eventually("the line about the return", || (returns(&daemon.log()) == round + 2).then_some(())).await;
        }
    }
    let log = daemon.log();
    assert_eq!(losses(&log), 2, "one line for each loss:\n{log}");
    assert_eq!(returns(&log), 3, "one line for the first connection and for each return:\n{log}");
    assert_eq!(daemon.stop().0, Some(0));
}

fn losses(log: &str) -> usize {
    log.lines().filter(|l| l.contains("WARN") && l.contains("broker")).count()
}

fn returns(log: &str) -> usize {
    log.lines().filter(|l| l.contains("INFO") && l.contains("broker")).count()
}
