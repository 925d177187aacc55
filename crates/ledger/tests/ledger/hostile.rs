//! Stores that were written past the program: rows with numbers, times and words that it would never write.
//!
//! Must never count a store as unusable for the sake of some rows.

use pile::time::{Span, Timestamp};
use proptest::prelude::*;
use rusqlite::{Connection, params};
use site::entry::EntryId;

use crate::{NOW, all_readings, core, fresh, reading};
use ledger::{Access, Ledger};

/// One row of each table that a start reads, with these times, numbers and values.
fn write_past(store: &Connection, t: &[i64], ids: &[i64], value: f64, text: &str) {
    store.execute_batch("PRAGMA foreign_keys = OFF").unwrap();
    let put = |sql: &str, params: &[&dyn rusqlite::ToSql]| {
        // A second row of the same number is refused by the table, which is as good.
        let _ = store.execute(sql, params);
    };
    let detail = format!(
        "{{\"corrected\":{{\"of\":{},\"really\":{{\"at\":{},\"kind\":\"turned\"}}}}}}",
        ids[0].unsigned_abs(),
        t[0]
    );
    for (n, detail) in [detail.as_str(), text, "{\"on-air\":{}}"].into_iter().enumerate() {
        put(
            "INSERT INTO entries (id, at, bin, kind, detail, by, note, batch) VALUES (?1, ?2, ?3, ?4, ?5, '', '', ?6)",
            params![
                ids[n],
                t[n],
                if n == 2 { text } else { "b1" },
                ["corrected", "turned", "on-air"][n],
                detail,
                ids[n]
            ],
        );
    }
    put(
        "INSERT INTO batches (id, bin, in_bin_since, on_air_at, off_air_at, loaded_celsius, parents) VALUES (?1, 'b1', ?2, ?3, NULL, ?4, ?5)",
        params![ids[1], t[3], t[4], value, text],
    );
    put(
        "INSERT INTO batches (id, bin, in_bin_since, on_air_at, parents) VALUES (?1, 'b2', ?2, ?3, '[]')",
        params![ids[2], t[5], t[6]],
    );
    put(
        "INSERT INTO alarms (id, rule, subject, state, proof, proof_since, occurrence, onset, title, priority, revision, finding, evidence, \
         thread_subject, mails, hidden) VALUES (?1, 'r', ?2, 'unacknowledged', 'on', NULL, ?3, ?4, '', 'high', '', '', ?5, '', ?3, ?6)",
        params![ids[3], if ids[3] % 2 == 0 { "site" } else { text }, t[7], t[8], text, text],
    );
    put(
        "INSERT INTO alarm_events (id, alarm, occurrence, at, kind, before, after, words, revision, grounds) \
         VALUES (?1, ?2, ?3, ?4, 'raised', ?5, 'normal', '', '', ?5)",
        params![ids[4], ids[3], t[7], NOW.as_millis(), text],
    );
    put(
        "INSERT INTO outbox (id, recipient, created_at, notice, state, next_try, tries, reply) VALUES (?1, '', ?2, ?3, 'waiting', ?4, ?5, '')",
        params![ids[5], t[9], text, t[10], t[11]],
    );
    put("INSERT INTO runs (id, started_at, last_alive) VALUES (?1, ?2, ?3)", params![ids[6], t[12], t[13]]);
    put(
        "INSERT INTO refused (id, received_at, topic, payload_head, payload_bytes, reason) VALUES (?1, ?2, '', '', ?3, '')",
        params![ids[7], t[14], t[15]],
    );
    put("INSERT INTO series (id, kind, source, quantity) VALUES (?1, 'probe', 'p1', 'temperature')", params![ids[8]]);
    put(
        "INSERT INTO series (id, kind, source, quantity) VALUES (?1, 'probe', ?2, 'temperature')",
        params![ids[9], text],
    );
    for table in ["readings", "arrivals"] {
        for at in [t[0], t[1], NOW.as_millis() - 60_000] {
            put(
                &format!("INSERT INTO {table} (series, measured_at, value) VALUES (?1, ?2, ?3)"),
                params![ids[8], at, value],
            );
        }
    }
    put("INSERT INTO water (bin, batch, at, account) VALUES ('b1', ?1, ?2, ?3)", params![ids[1], t[2], text]);
    put(
        "INSERT INTO results (batch, place, criterion, bin, at, result, hours_counted, hours_needed) VALUES (?1, 0, '', ?2, ?3, ?2, ?4, ?4)",
        params![ids[2], text, t[3], value],
    );
    put("INSERT INTO reports (year, week, at, amended) VALUES (?1, ?2, ?3, ?1)", params![t[4], t[5], NOW.as_millis()]);
    put("INSERT INTO summaries (year, week) VALUES (?1, ?2)", params![t[6], t[7]]);
    put("INSERT INTO round_lists (day) VALUES (?1)", params![text]);
    put("INSERT INTO record_hours (hour, touched) VALUES (?1, 1)", params![t[8]]);
    put("INSERT OR REPLACE INTO meta (key, value) VALUES ('life', ?1)", params![t[9]]);
}

/// Starts on the store as a daemon does, stores a reading, and starts once more.
fn goes_on(ledger: Ledger, folder: &std::path::Path) {
    drop(ledger);
    for n in 0..2 {
        let mut ledger = Ledger::open(folder, Access::Write).unwrap();
        let now = NOW + Span::minutes(n);
        let restored = ledger.restore(now, Span::days(3)).unwrap();
        let window =
            |name: &str| restored.windows.iter().find(|(id, _)| *id == core(name)).map(|(_, window)| window.clone());
        assert_eq!(window("p9").is_some(), n == 1, "what was stored at the first start is there at the second");
        ledger.begin_run(now).unwrap();
        let mut dice = crate::dice::Dice::new(7);
        let next = |highest: u64| highest + 1;
        let mut effects = vec![reading("p9", -n, 60.0), reading("p1", -n, 60.0)];
        effects.push(engine::effect::Effect::Entry(site::entry::Entry {
            id: EntryId(next(restored.last_entry)),
            ..dice.entry()
        }));
        effects.push(engine::effect::Effect::Batch(dice.batch(next(restored.last_batch))));
        effects.push(engine::effect::Effect::Mail(Box::new(dice.mail(next(restored.last_mail)))));
        let id = next(restored.last_alarm);
        effects.push(engine::effect::Effect::Alarm {
            alarm: Box::new(dice.alarm(id)),
            event: Some(Box::new(engine::alarm::AlarmEvent {
                alarm: engine::alarm::AlarmId(id),
                ..dice.alarm_event(id)
            })),
        });
        effects.push(engine::effect::Effect::Refuse(dice.refusal()));
        ledger.commit(now, &effects).unwrap();
        ledger.alive(now).unwrap();
        for _ in 0..40 {
            if ledger.compact(now).unwrap().is_none() {
                break;
            }
        }
        assert!(all_readings(&ledger).iter().any(|row| row.reading.series == core("p9")));
        let _ =
            (ledger.entries().unwrap(), ledger.batches().unwrap(), ledger.alarms().unwrap(), ledger.outbox().unwrap());
        ledger.end_run(now).unwrap();
    }
}

#[test]
fn numbers_at_the_end_of_their_range_leave_room_for_the_next() {
    let (folder, ledger) = fresh();
    let store = Connection::open(ledger.path()).unwrap();
    let t: Vec<i64> = (0..16).map(|n| [i64::MIN, i64::MAX, -1_382_634_000_000, 0][n % 4]).collect();
    write_past(&store, &t, &[i64::MAX; 10], f64::INFINITY, "{\"broken");
    drop(store);
    goes_on(ledger, folder.path());
    let ledger = Ledger::open(folder.path(), Access::Read).unwrap();
    let restored = ledger.restore(NOW + Span::minutes(3), Span::days(3)).unwrap();
    assert!(
        restored.last_entry < 10 && restored.last_batch < 10 && restored.last_alarm < 10 && restored.last_mail < 10,
        "{restored:?}"
    );
    assert_eq!(
        restored.first_reading,
        Some(NOW - Span::minutes(1)),
        "readings of dates that cannot be are not the first"
    );
    let over: Vec<&str> = restored.passed_over.iter().map(|p| p.table.as_str()).collect();
    assert!(over.contains(&"batches") && over.contains(&"outbox") && over.contains(&"water"), "{over:?}");
}

#[test]
fn an_entry_that_cannot_be_read_is_named_with_its_bin() {
    let (_folder, ledger) = fresh();
    let store = Connection::open(ledger.path()).unwrap();
    write_past(&store, &[NOW.as_millis(); 16], &[1, 2, 3, 4, 5, 6, 7, 8, 9, 10], 60.0, "\"stirred\"");
    let restored = ledger.restore(NOW, Span::days(3)).unwrap();
    let named = restored.passed_over.iter().find(|p| p.table == "entries" && p.row == 2).unwrap();
    assert_eq!(named.bin.as_ref().map(|bin| bin.as_str()), Some("b1"));
    assert!(named.why.contains("its detail does not read"), "{}", named.why);
    assert_eq!(ledger.bin_of_entry(EntryId(2)).unwrap().map(|bin| bin.to_string()), Some("b1".to_owned()));
    assert_eq!(ledger.bin_of_entry(EntryId(77)).unwrap(), None);
    assert_eq!(ledger.entries().unwrap().len(), 1, "the correction alone can be read");
    assert!(restored.entries.iter().all(|e| e.at == Timestamp::from_millis(NOW.as_millis())));
}

fn any_number() -> impl Strategy<Value = i64> {
    let ends = [i64::MIN, i64::MAX, i64::MAX - 1, i64::MAX - (1 << 32), 0, -1, 1, 1 << 53, (1 << 24) - 1, 1 << 24];
    prop_oneof![
        any::<i64>(),
        proptest::sample::select(ends.to_vec()),
        1..40i64,
        1_700_000_000_000..1_800_000_000_000i64
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn whatever_numbers_and_words_a_store_holds_it_is_opened_and_goes_on(
        t in proptest::collection::vec(any_number(), 16), ids in proptest::collection::vec(any_number(), 10), value in any::<f64>(),
        text in prop_oneof![Just(String::new()), Just("[]".to_owned()), Just("{\"broken".to_owned()), Just("null".to_owned()), any::<String>()],
    ) {
        let (folder, ledger) = fresh();
        let store = Connection::open(ledger.path()).unwrap();
        write_past(&store, &t, &ids, value, &text);
        drop(store);
        goes_on(ledger, folder.path());
    }
}
