//! What goes in comes out: effects, restarts, runs, mails, conflicts.
//!
//! Must never compare the ledger with itself only: what is expected is kept apart, in plain maps.

use std::collections::BTreeMap;

use engine::alarm::{AlarmEventKind, AlarmId};
use engine::effect::{Effect, Mail, MailId, MailState};
use engine::input::PreviousRun;
use engine::notice::Notice;
use engine::results::KeptResults;
use ledger::{Access, AlarmEventFilter, Committed, Counts, Ledger, ReadingFilter, ReadingRow};
use pile::time::{Span, Timestamp};
use pile::window::{Point, Window};
use site::entry::{Batch, BatchId, Entry, EntryId, EntryKind};
use site::ids::BinId;
use site::quantity::Quantity;
use site::reading::{Quality, Refusal, SeriesId, Source};
use site::zone::IsoWeek;

use crate::dice::Dice;
use crate::{NOW, all_readings, core, fresh, reading};

/// Windows as they are after taking in these points one by one.
fn windows(points: BTreeMap<SeriesId, Vec<Point>>) -> Vec<(SeriesId, Window)> {
    let filled = points.into_iter().map(|(series, points)| {
        let mut window = Window::new(Span::days(3));
        for point in points {
            window.absorb(point);
        }
        (series, window)
    });
    // A point beyond the years that a window can hold leaves it empty.
    filled.filter(|(_, window)| !window.is_empty()).collect()
}

#[test]
fn every_effect_and_every_notice_comes_back_as_it_went_in() {
    for seed in 0..40 {
        println!("seed {seed}");
        let mut dice = Dice::new(seed);
        let (folder, mut ledger) = fresh();
        let mut readings = BTreeMap::new();
        let mut refused = Vec::new();
        let mut entries = Vec::new();
        let mut batches = BTreeMap::new();
        let mut alarms = BTreeMap::new();
        let mut events = Vec::new();
        let mut mails: BTreeMap<u64, Mail> = BTreeMap::new();
        let mut weeks = Vec::new();
        let mut days = Vec::new();
        let mut water = BTreeMap::new();
        let mut results: BTreeMap<_, KeptResults> = BTreeMap::new();
        let mut reports = BTreeMap::new();
        for _ in 0..12 {
            let mut effects = Vec::new();
            for _ in 0..dice.below(30) {
                let effect = match dice.below(13) {
                    0 | 1 => dice.store(),
                    2 => Effect::Refuse(dice.refusal()),
                    3 => Effect::Entry(dice.entry()),
                    4 => {
                        let id = 1 + dice.below(9);
                        Effect::Batch(dice.batch(id))
                    }
                    5 => {
                        let id = 1 + dice.below(9);
                        let event = (dice.below(2) == 0).then(|| Box::new(dice.alarm_event(id)));
                        Effect::Alarm { alarm: Box::new(dice.alarm(id)), event }
                    }
                    6 => {
                        let id = mails.keys().next_back().map_or(1, |last| last + 1);
                        Effect::Mail(Box::new(dice.mail(id)))
                    }
                    7 if !mails.is_empty() => {
                        Effect::MailState { mail: MailId(1 + dice.below(mails.len() as u64)), state: dice.mail_state() }
                    }
                    8 => Effect::SummaryDone(dice.week()),
                    9 => Effect::RoundListDone(dice.day()),
                    10 => Effect::Water(Box::new(dice.water())),
                    11 => Effect::Results(Box::new(dice.results())),
                    12 => {
                        let week = 1 + dice.below(5) as i8;
                        Effect::Report(Box::new(dice.report(week)))
                    }
                    _ => dice.passing(),
                };
                match &effect {
                    Effect::Store { reading, quality, reason } => {
                        let row = ReadingRow { reading: reading.clone(), quality: *quality, reason: reason.clone() };
                        let key = (reading.series.clone(), reading.measured_at);
                        if readings.contains_key(&key) {
                            continue;
                        }
                        readings.insert(key, row);
                    }
                    Effect::Refuse(refusal) => refused.push(refusal.clone()),
                    Effect::Entry(entry) => entries.push(entry.clone()),
                    Effect::Batch(batch) => drop(batches.insert(batch.id, batch.clone())),
                    Effect::Alarm { alarm, event } => {
                        alarms.insert(alarm.id, (**alarm).clone());
                        events.extend(event.as_deref().cloned());
                    }
                    Effect::Mail(mail) => drop(mails.insert(mail.id.0, (**mail).clone())),
                    Effect::MailState { mail, state } => mails.get_mut(&mail.0).unwrap().state = state.clone(),
                    Effect::SummaryDone(week) => weeks.push(*week),
                    Effect::RoundListDone(day) => days.push(*day),
                    Effect::Water(kept) => drop(water.insert(kept.bin.clone(), (**kept).clone())),
                    Effect::Results(kept) => drop(results.insert(kept.batch, (**kept).clone())),
                    Effect::Report(kept) => drop(reports.insert(kept.week, (**kept).clone())),
                    _ => {}
                }
                effects.push(effect);
            }
            ledger.commit(NOW, &effects).unwrap();
        }

        drop(ledger);
        let ledger = Ledger::open(folder.path(), Access::Read).unwrap();
        assert_eq!(all_readings(&ledger), readings.values().cloned().collect::<Vec<_>>());
        let mut got: Vec<Refusal> = ledger.refused(1_000).unwrap().into_iter().map(|row| row.refusal).collect();
        got.reverse();
        assert_eq!(got, refused);
        let mut want = entries.clone();
        want.sort_by_key(|entry| entry.at);
        assert_eq!(ledger.entries().unwrap(), want);
        assert_eq!(ledger.batches().unwrap(), batches.values().cloned().collect::<Vec<_>>());
        assert_eq!(ledger.alarms().unwrap(), alarms.values().cloned().collect::<Vec<_>>());
        assert_eq!(ledger.alarm_events(&AlarmEventFilter::default()).unwrap(), events);
        let got: Vec<Mail> = ledger.outbox().unwrap().into_iter().map(|row| row.mail).collect();
        assert_eq!(got, mails.values().cloned().collect::<Vec<_>>());

        let restored = ledger.restore(NOW, Span::days(3)).unwrap();
        assert_eq!(restored.alarms, alarms.values().cloned().collect::<Vec<_>>());
        assert_eq!(restored.last_mail, mails.keys().next_back().copied().unwrap_or(0));
        assert_eq!(restored.last_summary, weeks.iter().max().copied());
        assert_eq!(restored.last_round_list, days.iter().max().copied());
        assert_eq!(restored.water, water.values().cloned().collect::<Vec<_>>(), "the newest of each bin");
        let here = |kept: &&KeptResults| batches.get(&kept.batch).is_some_and(|batch| batch.gone_at.is_none());
        assert_eq!(
            restored.results,
            results.values().filter(here).cloned().collect::<Vec<_>>(),
            "of batches on the site"
        );
        assert_eq!(restored.reports, reports.values().cloned().collect::<Vec<_>>());
        let waiting: Vec<Mail> =
            mails.values().filter(|mail| matches!(mail.state, MailState::Waiting { .. })).cloned().collect();
        assert_eq!(restored.waiting, waiting);
        let told = [AlarmEventKind::Raised, AlarmEventKind::Acknowledged];
        let mut lately: Vec<_> = events
            .iter()
            .filter(|event| told.contains(&event.kind) && event.at >= NOW - Span::days(8))
            .cloned()
            .collect();
        lately.sort_by_key(|event| event.at);
        assert_eq!(restored.events, lately);
        let about_alarms = mails
            .values()
            .filter(|m| matches!(m.notice, Notice::Alarm(_) | Notice::Flood(_)) && m.created_at >= NOW - Span::days(8));
        assert_eq!(restored.mails, about_alarms.map(|m| (m.created_at, m.to.clone())).collect::<Vec<_>>());
        let mut points: BTreeMap<_, Vec<Point>> = BTreeMap::new();
        for ((series, at), row) in &readings {
            if *at >= NOW - Span::days(3) && *at <= NOW + Span::hours(1) && row.quality == Quality::Good {
                points.entry(series.clone()).or_default().push(Point { at: *at, value: row.reading.value });
            }
        }
        assert_eq!(restored.windows, windows(points));
        let count = |state: fn(&MailState) -> bool| mails.values().filter(|mail| state(&mail.state)).count() as u64;
        let counts = ledger.counts().unwrap();
        let want = Counts {
            series: counts.series,
            readings: readings.len() as u64,
            refused: refused.len() as u64,
            entries: entries.len() as u64,
            batches: batches.len() as u64,
            alarms: alarms.len() as u64,
            alarm_events: events.len() as u64,
            mails_waiting: count(|state| matches!(state, MailState::Waiting { .. })),
            mails_accepted: count(|state| matches!(state, MailState::Accepted { .. })),
            mails_given_up: count(|state| matches!(state, MailState::GivenUp { .. })),
        };
        assert_eq!(counts, want);
    }
}

#[test]
fn a_reading_is_its_series_and_its_instant() {
    let (folder, mut ledger) = fresh();
    let mut one = |effects: &[Effect]| {
        let c = ledger.commit(NOW, effects).unwrap();
        (c.stored, c.repeats, c.conflicts)
    };
    for (effects, want, why) in [
        (vec![reading("p1", 5, 61.5)], (1, 0, 0), "new"),
        (vec![reading("p1", 5, 61.5)], (0, 1, 0), "the broker delivered it again"),
        (vec![reading("p1", 5, 61.6)], (0, 0, 1), "another value for the same instant"),
        (vec![reading("p1", 5, 61.6)], (0, 0, 1), "the contradiction was delivered again"),
        (vec![reading("p2", 5, 61.6)], (1, 0, 0), "another series"),
        (vec![reading("p3", 4, 1.0), reading("p3", 4, 1.0), reading("p3", 4, 2.0)], (1, 1, 1), "all in one commit"),
    ] {
        assert_eq!(one(&effects), want, "{why}");
    }
    drop(ledger);
    let ledger = Ledger::open(folder.path(), Access::Read).unwrap();
    let history = ledger.history(&core("p1"), Timestamp::MIN, Timestamp::MAX).unwrap();
    assert_eq!(history, [Point { at: NOW - Span::minutes(5), value: 61.5 }], "the first one stays");
    let refused = ledger.refused(10).unwrap();
    assert_eq!(refused.len(), 2, "one row a contradiction, however often it is delivered");
    let first = &refused[1];
    let about = first.contradiction.as_ref().unwrap();
    assert_eq!((&about.series, about.measured_at), (&core("p1"), NOW - Span::minutes(5)));
    assert_eq!((first.refusal.topic.as_str(), first.refusal.payload_head.as_str()), ("p1/temperature", "61.6"));
    assert_eq!(
        first.refusal.reason,
        "conflict: 61.5 °C was there first for the same instant and stays, this good value of 61.6 °C is set aside; \
         see whether two devices send as `p1`, or one sends two values under one time"
    );
}

#[test]
fn a_value_that_is_no_number_is_set_aside_and_stops_nothing() {
    let (_folder, mut ledger) = fresh();
    let effects = [reading("p1", 2, f64::NAN), reading("p1", 1, f64::INFINITY), reading("p1", 0, 60.0)];
    assert_eq!(ledger.commit(NOW, &effects).unwrap(), Committed { stored: 1, refused: 2, ..Committed::default() });
    assert_eq!(all_readings(&ledger).len(), 1);
    assert_eq!(ledger.refused(1).unwrap()[0].refusal.payload_head, "inf");
}

#[test]
fn history_and_filters_take_both_ends_and_history_takes_good_ones_only() {
    let (_folder, mut ledger) = fresh();
    let mut effects: Vec<Effect> = (0..10).map(|minute| reading("p1", minute, minute as f64)).collect();
    effects.extend((0..10).map(|minute| reading("p2", minute, 50.0)));
    if let Effect::Store { quality, reason, .. } = &mut effects[3] {
        *quality = Quality::Bad;
        *reason = "412 °C is outside".into();
    }
    ledger.commit(NOW, &effects).unwrap();
    let (from, to) = (NOW - Span::minutes(4), NOW - Span::minutes(2));
    let values = |points: Vec<Point>| points.iter().map(|point| point.value).collect::<Vec<_>>();
    assert_eq!(values(ledger.history(&core("p1"), from, to).unwrap()), [4.0, 2.0]);
    assert_eq!(ledger.history(&core("nobody"), from, to).unwrap(), []);

    let p1 = Source::Probe(site::ids::ProbeId::new("p1").unwrap());
    for (filter, want, why) in [
        (ReadingFilter::default(), 20, "all"),
        (ReadingFilter { sources: vec![p1.clone()], ..Default::default() }, 10, "one probe"),
        (ReadingFilter { from: Some(from), to: Some(to), ..Default::default() }, 6, "bad ones too"),
        (ReadingFilter { quantity: Some(Quantity::Temperature), ..Default::default() }, 20, "the quantity they have"),
        (ReadingFilter { quantity: Some(Quantity::Oxygen), ..Default::default() }, 0, "a quantity nobody sent"),
    ] {
        let mut n = 0;
        ledger.readings(&filter, &mut |_| n += 1).unwrap();
        assert_eq!(n, want, "{why}");
    }
}

#[test]
fn a_start_learns_how_the_run_before_ended_and_when_nobody_watched() {
    let hour = |h: i64| NOW + Span::hours(h);
    let (folder, mut ledger) = fresh();
    let first = ledger.restore(hour(0), Span::days(3)).unwrap();
    assert_eq!((first.previous, first.off), (None, vec![]), "the first start");

    ledger.begin_run(hour(0)).unwrap();
    ledger.commit(hour(2), &[reading("p1", 0, 60.0)]).unwrap();
    ledger.alive(hour(1)).unwrap();
    drop(ledger);

    let mut ledger = Ledger::open(folder.path(), Access::Write).unwrap();
    let crashed = Some(PreviousRun { last_alive: hour(2), stopped_cleanly: false });
    let second = ledger.restore(hour(5), Span::days(3)).unwrap();
    assert_eq!((second.previous, second.off), (crashed, vec![(hour(2), hour(5))]), "a commit is a sign of life");
    assert_eq!(second.life, first.life);
    ledger.begin_run(hour(5)).unwrap();
    let again = ledger.restore(hour(6), Span::days(3)).unwrap();
    assert_eq!((again.previous, again.off), (crashed, vec![(hour(2), hour(5))]), "its own run is not the previous one");

    let reader = Ledger::open(folder.path(), Access::Read).unwrap();
    let seen = reader.restore(hour(9), Span::days(3)).unwrap();
    assert_eq!(seen.off, [(hour(2), hour(5))], "a reader does not take a running daemon for one that is off");

    ledger.end_run(hour(10)).unwrap();
    ledger.alive(hour(11)).unwrap();
    drop(ledger);
    let mut ledger = Ledger::open(folder.path(), Access::Write).unwrap();
    let third = ledger.restore(hour(20), Span::days(3)).unwrap();
    let stopped = Some(PreviousRun { last_alive: hour(10), stopped_cleanly: true });
    assert_eq!((third.previous, third.off), (stopped, vec![(hour(2), hour(5)), (hour(10), hour(20))]));

    ledger.commit(hour(21), &[reading("p1", -1, 60.0)]).unwrap();
    let command = ledger.restore(hour(22), Span::days(3)).unwrap();
    assert_eq!(command.previous, stopped, "a command that wrote something did not watch");
    let later = ledger.restore(hour(10 + 24 * 9), Span::days(3)).unwrap();
    assert_eq!(later.off, [(hour(10), hour(10 + 24 * 9))], "whole, though it began nine days ago");
}

#[test]
fn a_start_gets_the_newest_batch_of_each_bin_and_its_entries() {
    let bin = |name: &str| BinId::new(name).unwrap();
    let days = |n: i64| NOW - Span::days(n);
    let batch =
        |id, name, on: i64| Batch { on_air_at: Some(days(on)), ..Batch::begun(BatchId(id), bin(name), days(on)) };
    let mut last = 0;
    let mut entry = |name, ago: i64, note: &str| {
        last += 1;
        let kind = EntryKind::Watered { minutes: Some(4.0), litres: None };
        Entry { id: EntryId(last), ..Entry::new(days(ago), bin(name), kind, "ann", note) }
    };
    let (_folder, mut ledger) = fresh();
    let effects = [
        Effect::Batch(Batch { gone_at: Some(days(40)), ..batch(1, "a", 100) }),
        Effect::Batch(batch(2, "b", 90)),
        Effect::Batch(batch(3, "a", 40)),
        Effect::Entry(entry("a", 50, "before its newest batch")),
        Effect::Entry(entry("a", 39, "older than 30 days, in its newest batch")),
        Effect::Entry(entry("c", 31, "older than 30 days, no batch")),
        Effect::Entry(entry("c", 29, "within 30 days")),
        Effect::Entry(entry("b", 89, "in a long batch")),
    ];
    ledger.commit(NOW, &effects).unwrap();
    let restored = ledger.restore(NOW, Span::days(3)).unwrap();
    assert_eq!(restored.batches, [batch(2, "b", 90), batch(3, "a", 40)], "what is gone is not on the site");
    assert_eq!((restored.last_batch, restored.last_entry), (3, 5));
    let notes: Vec<&str> = restored.entries.iter().map(|entry| entry.note.as_str()).collect();
    assert_eq!(
        notes,
        ["older than 30 days, in its newest batch", "within 30 days", "in a long batch"],
        "as they were written down"
    );
}

#[test]
fn a_mail_is_rendered_once_and_keeps_its_bytes() {
    let (_folder, mut ledger) = fresh();
    let mail = Mail {
        id: MailId(7),
        to: "ann@example.org".into(),
        notice: Notice::Trial { by: "ann".into(), at: NOW, serial: 1, life: 2 },
        created_at: NOW,
        state: MailState::Waiting { next_try: NOW, tries: 0, last_reply: String::new() },
    };
    assert_eq!(ledger.mail(MailId(7)).unwrap(), None);
    ledger.commit(NOW, &[Effect::Mail(Box::new(mail.clone()))]).unwrap();
    assert_eq!(ledger.mail(MailId(7)).unwrap(), Some((mail.clone(), None)));
    ledger.keep_rendered(MailId(7), b"first \0 bytes").unwrap();
    ledger.keep_rendered(MailId(7), b"second").unwrap();
    assert_eq!(ledger.mail(MailId(7)).unwrap(), Some((mail.clone(), Some(b"first \0 bytes".to_vec()))));
    assert_eq!(ledger.outbox().unwrap()[0].rendered_bytes, Some(13));
    let unknown = ledger.keep_rendered(MailId(8), b"x").unwrap_err();
    assert!(unknown.to_string().contains("there is no mail 8"), "{unknown}");
    assert!(!unknown.is_transient());

    ledger.commit(NOW, &[Effect::Mail(Box::new(mail.clone()))]).unwrap();
    let other = Mail { to: "bob@example.org".into(), ..mail };
    ledger.commit(NOW, &[reading("p1", 1, 60.0), Effect::Mail(Box::new(other))]).unwrap();
    let twice = ledger.take_set_aside();
    assert!(
        matches!(&twice[..], [twice] if twice.why == "mail 7 is there already and says something else"),
        "{twice:?}"
    );
    assert_eq!(ledger.mail(MailId(7)).unwrap().unwrap().0.to, "ann@example.org", "the first one stays");

    let state = MailState::GivenUp { at: NOW, tries: 3, reply: "550 no such user".into() };
    ledger.commit(NOW, &[Effect::MailState { mail: MailId(99), state }, reading("p1", 0, 60.0)]).unwrap();
    assert_eq!(all_readings(&ledger).len(), 2, "an outcome of an unknown mail does not keep readings out");
}

#[test]
fn events_are_filtered_by_alarm_and_time() {
    let (_folder, mut ledger) = fresh();
    let mut dice = Dice::new(1);
    let mut effects = Vec::new();
    for (alarm, minutes) in [(1, 0), (2, 1), (1, 2), (1, 3)] {
        let mut event = dice.alarm_event(alarm);
        event.at = NOW + Span::minutes(minutes);
        effects.push(Effect::Alarm { alarm: Box::new(dice.alarm(alarm)), event: Some(Box::new(event)) });
    }
    ledger.commit(NOW, &effects).unwrap();
    let minute = |m: i64| Some(NOW + Span::minutes(m));
    for (filter, want, why) in [
        (AlarmEventFilter::default(), 4, "all"),
        (AlarmEventFilter { alarm: Some(AlarmId(1)), ..Default::default() }, 3, "one alarm"),
        (AlarmEventFilter { from: minute(1), to: minute(2), ..Default::default() }, 2, "both ends"),
        (AlarmEventFilter { alarm: Some(AlarmId(2)), from: minute(2), to: None }, 0, "both at once"),
    ] {
        assert_eq!(ledger.alarm_events(&filter).unwrap().len(), want, "{why}");
    }
}

#[test]
fn a_week_is_done_once_and_the_newest_counts() {
    let (_folder, mut ledger) = fresh();
    let week = |year, week| Effect::SummaryDone(IsoWeek { year, week });
    ledger.commit(NOW, &[week(2026, 9), week(2026, 9), week(2025, 52)]).unwrap();
    let newest = ledger.restore(NOW, Span::days(3)).unwrap().last_summary;
    assert_eq!(newest, Some(IsoWeek { year: 2026, week: 9 }));
}

#[test]
fn passing_effects_write_nothing() {
    let (_folder, mut ledger) = fresh();
    let mut dice = Dice::new(3);
    let before = ledger.counts().unwrap();
    ledger.begin_run(NOW).unwrap();
    let effects: Vec<Effect> = (0..50).map(|_| dice.passing()).collect();
    assert_eq!(ledger.commit(NOW + Span::hours(1), &effects).unwrap(), Committed::default());
    assert_eq!(ledger.counts().unwrap(), before);
}

#[test]
fn old_refusals_make_room_for_new_ones() {
    let (_folder, mut ledger) = fresh();
    let mut dice = Dice::new(4);
    let refusal = Effect::Refuse(dice.refusal());
    let many = vec![refusal.clone(); ledger::REFUSED_KEPT as usize];
    ledger.commit(NOW, &many).unwrap();
    ledger.commit(NOW, &[refusal.clone(), refusal]).unwrap();
    let kept = ledger.refused(usize::MAX).unwrap();
    assert_eq!(kept.len(), ledger::REFUSED_KEPT as usize);
    assert_eq!(kept.last().unwrap().id, 3, "the two oldest are gone");
    assert_eq!(ledger.counts().unwrap().refused, ledger::REFUSED_KEPT as u64 + 2, "they still count");
}

#[test]
fn readings_are_found_wherever_they_lie() {
    // Enough readings to be carried over twice, among them late ones, repeats and contradictions of ones carried over before.
    let (folder, mut ledger) = fresh();
    let mut dice = Dice::new(8);
    let mut want: BTreeMap<_, f64> = BTreeMap::new();
    let mut total = Committed::default();
    let mut expected = Committed::default();
    let mut contradicted = std::collections::BTreeSet::new();
    for commit in 0..140 {
        let mut effects = Vec::new();
        for _ in 0..1_000 {
            let name = format!("p{}", dice.below(40));
            // Mostly new, a third of them anywhere in the past.
            let minute =
                if dice.below(3) == 0 { dice.below(4_000) as i64 } else { commit * 29 + dice.below(29) as i64 };
            let value = if dice.below(50) == 0 { 1.0 } else { minute as f64 };
            let key = (core(&name), NOW + Span::minutes(minute));
            match want.get(&key) {
                None => {
                    want.insert(key, value);
                    expected.stored += 1;
                }
                Some(first) if *first == value => expected.repeats += 1,
                Some(_) => {
                    contradicted.insert((key, value.to_bits()));
                    expected.conflicts += 1;
                }
            }
            effects.push(reading(&name, -minute, value));
        }
        let committed = ledger.commit(NOW, &effects).unwrap();
        total.stored += committed.stored;
        total.repeats += committed.repeats;
        total.conflicts += committed.conflicts;
    }
    assert!(want.len() > ledger::ARRIVALS_MOST + 1_000, "only {} readings: nothing was carried over", want.len());
    assert!(expected.repeats > 1_000 && expected.conflicts > 100, "{expected:?}");
    assert_eq!(total, expected);
    assert_eq!(ledger.refused(usize::MAX).unwrap().len(), contradicted.len());
    let other = rusqlite::Connection::open(folder.path().join(ledger::FILE)).unwrap();
    for table in ["readings", "arrivals"] {
        let rows: i64 = other.query_row(&format!("SELECT count(*) FROM {table}"), [], |row| row.get(0)).unwrap();
        assert!(rows > 0, "the test needs rows in `{table}`");
    }

    let reader = Ledger::open(folder.path(), Access::Read).unwrap();
    for ledger in [&ledger, &reader] {
        let got: Vec<_> = all_readings(ledger)
            .into_iter()
            .map(|row| ((row.reading.series, row.reading.measured_at), row.reading.value))
            .collect();
        assert_eq!(got, want.clone().into_iter().collect::<Vec<_>>());
        assert_eq!(ledger.counts().unwrap().readings, want.len() as u64);
        let mut points: BTreeMap<_, Vec<Point>> = BTreeMap::new();
        for ((series, at), value) in &want {
            points.entry(series.clone()).or_default().push(Point { at: *at, value: *value });
        }
        let p7 = &points[&core("p7")];
        let history = ledger.history(&core("p7"), p7[9].at, p7[p7.len() - 9].at).unwrap();
        assert_eq!(history, p7[9..=p7.len() - 9]);
        let restored = ledger.restore(NOW + Span::days(3), Span::days(3)).unwrap();
        assert_eq!(restored.windows, windows(points));
    }
}
