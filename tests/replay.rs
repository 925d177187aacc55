//! Live is replay at speed one: a run's inputs, fed to a fresh engine, have the same effects, byte for byte.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

#[path = "support/yard.rs"]
mod yard;

use hypocaust::driven::{Driven, acknowledged, connect, publish};
use hypocaust::recording::{Recorder, rerun};
use hypocaust::socket::Request;
use pile::time::Span;
use pile::units::Litres;
use site::entry::EntryKind;
use yard::{START, Yard, crashing_series, live, payload};

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_recorded_run_and_a_fresh_engine_agree_byte_for_byte() {
    let yard = Yard::new(2);
    let file = yard.path("run.jsonl");
    let recorder = Recorder::create(&file, "site.yaml", &yard.settings(), &yard.rules()).unwrap();
    let mut driven = Driven::start(yard.site(), &yard.rules(), START, Some(recorder), None).await.unwrap();
    let client = connect(driven.listens_on().unwrap(), "b1-node");
    driven
        .ask(Request::entry("b1", START, "Ann", "", &EntryKind::OnAir { loaded_at: None, filling: None }))
        .await
        .unwrap();
    let series = crashing_series();
    live(&mut driven, &client, "b1-core", &series[..1_500]).await;
    // Everything that a site throws at it: nonsense, late readings, a person, a repeated message.
    let now = driven.now();
    let mut notices = Vec::new();
    for (topic, text) in [
        ("t/b1-core", "{\"t\":".to_owned()),
        ("t/b2-core", payload(now - Span::hours(9), 51.5)),
        ("t/b2-core", payload(now - Span::hours(8), 52.25)),
        ("t/b2-core", payload(now - Span::hours(8), 52.25)),
        ("t/nobody", payload(now, 20.0)),
        ("t/b2-core", payload(now, -127.0)),
    ] {
        notices.push(publish(&client, topic.to_owned(), text).await.unwrap());
    }
    acknowledged(notices).await.unwrap();
    driven
        .ask(Request::entry(
            "b1",
            now,
            "Ann",
            "by hand",
            &EntryKind::Watered { minutes: None, litres: Some(Litres(120.0)) },
        ))
        .await
        .unwrap();
    live(&mut driven, &client, "b1-core", &series[1_500..2_000]).await;
    driven.stop().await.unwrap();

    let result = rerun(&file).unwrap();
    assert_eq!(result.difference, None);
    assert!(result.inputs > 2_000 && result.effects > 4_000, "{result:?}");

    // The comparison can fail: one bit of one value is enough.
    let text = std::fs::read_to_string(&file).unwrap();
    let forged = text.replacen("\"value\":52.25", "\"value\":52.250000000000007", 1);
    assert_ne!(text, forged);
    std::fs::write(&file, forged).unwrap();
    assert!(rerun(&file).unwrap().difference.is_some());
}
