//! Days that are packed read as before, late readings find their place in them, and a damaged one is named while the others are read.
//!
//! Must never compare what was packed with anything but what was there before.

use std::collections::BTreeMap;

use engine::effect::Effect;
use ledger::{Access, FILE, Ledger, ReadingFilter, ReadingRow, Times};
use pile::time::{Span, Timestamp};
use pile::window::Point;
use rusqlite::Connection;
use seal::readings::hour_of;
use site::ids::ProbeId;
use site::quantity::Quantity;
use site::reading::{Quality, SeriesId, Source};
use tempfile::TempDir;

use crate::dice::Dice;
use crate::{NOW, all_readings, core, fresh, reading};

/// Everything that reads readings, as it answers.
#[derive(Debug, PartialEq)]
struct Read {
    all: Vec<ReadingRow>,
    histories: BTreeMap<SeriesId, Vec<Point>>,
    count: u64,
    span: Option<(Timestamp, Timestamp)>,
    lines: Vec<String>,
    hours: usize,
}

fn read(ledger: &Ledger) -> Read {
    let all = all_readings(ledger);
    let histories = all.iter().map(|row| row.reading.series.clone());
    let histories = histories.map(|id| (id.clone(), ledger.history(&id, Timestamp::MIN, Timestamp::MAX).unwrap()));
    let mut lines = Vec::new();
    let evidence = ledger.evidence(NOW - Span::days(400), NOW, &mut |line| lines.push(line.to_owned())).unwrap();
    Read {
        histories: histories.collect(),
        count: ledger.counts().unwrap().readings,
        span: ledger.span().unwrap(),
        hours: evidence.hours.len(),
        lines,
        all,
    }
}

/// How many readings have a row of their own, and how many chunks there are.
fn kept(folder: &TempDir) -> (i64, i64) {
    let conn = Connection::open(folder.path().join(FILE)).unwrap();
    let count = |what: &str| conn.query_row(&format!("SELECT {what}"), [], |row| row.get(0)).unwrap();
    (count("(SELECT count(*) FROM readings) + (SELECT count(*) FROM arrivals)"), count("count(*) FROM chunks"))
}

/// Commits until every hour that is over has its root.
fn seal(ledger: &mut Ledger, at: Timestamp) {
    for day in 0..60 {
        let week = site::zone::IsoWeek { year: 2026, week: day % 50 + 1 };
        ledger.commit(at + Span::hours(2 * i64::from(day)), &[Effect::SummaryDone(week)]).unwrap();
    }
}

fn pack(ledger: &mut Ledger, before: Timestamp) -> (usize, usize) {
    let (mut chunks, mut readings) = (0, 0);
    while let Some(piece) = ledger.compact(before).unwrap() {
        chunks += piece.chunks;
        readings += piece.readings;
    }
    (chunks, readings)
}

/// Readings of some probes, one every five minutes for some days before [`NOW`], some of them marked.
fn some_days(probes: usize, days: i64) -> Vec<Effect> {
    let mut dice = Dice::new(11);
    let mut effects = Vec::new();
    for n in 0..days * 288 {
        for probe in 0..probes {
            let mut effect = reading(&format!("p{probe}"), n * 5, 55.0 + (dice.below(100) as f64) / 10.0);
            if let Effect::Store { quality, reason, .. } = &mut effect
                && dice.below(50) == 0
            {
                (*quality, *reason) = (Quality::Suspect, "it jumped".into());
            }
            effects.push(effect);
        }
    }
    effects
}

#[test]
fn whatever_came_in_reads_the_same_once_it_is_packed() {
    for seed in 0..25 {
        println!("seed {seed}");
        let mut dice = Dice::new(seed);
        let (folder, mut ledger) = fresh();
        let stores: Vec<Effect> = (0..300).map(|_| dice.store()).collect();
        ledger.commit(NOW, &stores).unwrap();
        // The dice throw times of up to 116 days after their first.
        seal(&mut ledger, NOW + Span::days(120));
        let before = read(&ledger);
        pack(&mut ledger, Timestamp::MAX);
        let (rows, chunks) = kept(&folder);
        assert!(chunks > 20 && rows < 100, "{rows} rows, {chunks} chunks: only days whose hours wait keep their rows");
        assert_eq!(read(&ledger), before);
        for (from, to) in (0..20).map(|_| (dice.at(), dice.at())) {
            let filter = ReadingFilter { from: Some(from), to: Some(to), ..ReadingFilter::default() };
            let within = |row: &&ReadingRow| (from..=to).contains(&row.reading.measured_at);
            let want: Vec<ReadingRow> = before.all.iter().filter(within).cloned().collect();
            let mut got = Vec::new();
            ledger.readings(&filter, &mut |row| got.push(row)).unwrap();
            assert_eq!(got, want, "from {from:?} to {to:?}");
        }
        drop(ledger);
        let mut ledger = Ledger::open(folder.path(), Access::Write).unwrap();
        assert_eq!(read(&ledger), before);
        assert!(ledger.check_record().unwrap().faults.is_empty());
        let again = ledger.commit(NOW, &stores).unwrap();
        assert_eq!(
            (again.stored, again.repeats + again.conflicts + again.refused),
            (0, 300),
            "each is known by its instant"
        );
    }
}

#[test]
fn only_days_that_are_over_and_on_record_are_packed() {
    let (folder, mut ledger) = fresh();
    let effects = some_days(2, 3);
    ledger.commit(NOW, &effects).unwrap();
    assert_eq!(pack(&mut ledger, NOW - Span::days(9)), (0, 0), "nothing is that old");
    // 72 hours; a commit gives 24 of them their root.
    assert_eq!(
        pack(&mut ledger, NOW).0,
        2,
        "the first day, of which two series have a part, is the only one that is all on record"
    );
    seal(&mut ledger, NOW);
    let before = read(&ledger);
    let (chunks, readings) = pack(&mut ledger, NOW);
    assert_eq!(chunks, 4, "the day of NOW is not over");
    assert_eq!(read(&ledger), before);
    assert!(readings > 0 && pack(&mut ledger, NOW) == (0, 0), "once is enough");
    assert_eq!(kept(&folder), (before.count as i64 - 2 * (3 * 288 - 73), 6));
}

#[test]
fn a_late_reading_finds_its_place_and_its_day_is_packed_anew() {
    let (folder, mut ledger) = fresh();
    let effects = some_days(3, 5);
    ledger.commit(NOW, &effects).unwrap();
    seal(&mut ledger, NOW);
    pack(&mut ledger, NOW);
    let before = all_readings(&ledger);
    let day = 2 * 24 * 60;
    let value = before.iter().find(|row| row.reading.measured_at == NOW - Span::minutes(day)).unwrap().reading.value;
    let mut one = |effect: Effect| {
        let c = ledger.commit(NOW, &[effect]).unwrap();
        (c.stored, c.repeats, c.conflicts)
    };
    for (effect, want, why) in [
        (reading("p0", day, value), (0, 1, 0), "the broker delivered it again, days later"),
        (reading("p0", day, value + 1.0), (0, 0, 1), "another value for an instant that is packed"),
        (reading("p0", day + 1, 7.0), (1, 0, 0), "an instant between two that are packed"),
        (reading("p0", day + 1, 7.0), (0, 1, 0), "and that one again"),
        (reading("p9", day, 8.0), (1, 0, 0), "a series that has nothing on that day"),
    ] {
        assert_eq!(one(effect), want, "{why}");
    }
    let with_late = all_readings(&ledger);
    assert_eq!(with_late.len(), before.len() + 2);
    let at: Vec<_> =
        with_late.iter().filter(|r| r.reading.series == core("p0")).map(|r| r.reading.measured_at).collect();
    assert!(at.is_sorted(), "in its place");
    assert_eq!(pack(&mut ledger, NOW).0, 0, "its hour waits for another row on record");
    seal(&mut ledger, NOW + Span::hours(1));
    let whole = read(&ledger);
    assert_eq!(pack(&mut ledger, NOW), (2, 2), "the day of p0 anew, and one of p9");
    assert_eq!((all_readings(&ledger), read(&ledger)), (with_late, whole));
    assert!(ledger.check_record().unwrap().faults.is_empty());
    drop(folder);
}

#[test]
fn a_damaged_day_is_named_and_the_others_are_read() {
    let (folder, mut ledger) = fresh();
    ledger.commit(NOW, &some_days(2, 5)).unwrap();
    seal(&mut ledger, NOW);
    pack(&mut ledger, NOW);
    let before = all_readings(&ledger);
    let conn = Connection::open(folder.path().join(FILE)).unwrap();
    let (id, length): (i64, i64) = conn
        .query_row("SELECT id, octet_length(body) FROM chunks ORDER BY id LIMIT 1 OFFSET 3", [], |row| {
            Ok((row.get(0)?, row.get(1)?))
        })
        .unwrap();
    let day = Timestamp::from_millis((id >> 24) * 86_400_000);
    let lost = |row: &&ReadingRow| {
        row.reading.series != core("p1") || !(day..day + Span::days(1)).contains(&row.reading.measured_at)
    };
    let want: Vec<ReadingRow> = before.iter().filter(lost).cloned().collect();
    assert_eq!(before.len() - want.len(), 288);
    let body: Vec<u8> = conn.query_row("SELECT body FROM chunks WHERE id = ?1", [id], |row| row.get(0)).unwrap();
    for place in (0..usize::try_from(length).unwrap()).step_by(7) {
        let mut changed = body.clone();
        changed[place] ^= 1 << (place % 8);
        conn.execute("UPDATE chunks SET body = ?2 WHERE id = ?1", rusqlite::params![id, changed]).unwrap();
        assert!(all_readings(&ledger) == want, "byte {place}");
    }
    let check = ledger.check_record().unwrap();
    assert_eq!(check.faults.len(), 1, "{check:?}");
    assert!(
        check.faults[0].contains("p1/temperature") && check.faults[0].contains("288 readings cannot be read"),
        "{check:?}"
    );
    assert!(!check.faults[0].contains("past the program"), "damage is not called tampering: {check:?}");
    let evidence = ledger.evidence(day, day + Span::days(2), &mut |_| {}).unwrap();
    assert_eq!((evidence.left_out.len(), evidence.hours.len()), (24, 24), "a bundle leaves the day out and says so");

    // A reading of that day that comes late is kept, though nobody can say whether it is a repeat.
    let ago = NOW.since(day).as_millis() / 60_000 - 30;
    assert_eq!(ledger.commit(NOW, &[reading("p1", ago, 1.0)]).unwrap().stored, 1);
    seal(&mut ledger, NOW + Span::hours(1));
    let state = ledger.record_state(NOW, Span::hours(2)).unwrap();
    assert_eq!(state.damaged, 1, "its hour can have no row, and health says so");
    assert!(state.damage.is_some_and(|damage| damage.contains("p1/temperature")));
    pack(&mut ledger, NOW);
    assert_eq!(all_readings(&ledger).len(), want.len() + 1, "and the damaged chunk is not written over");
    conn.execute("UPDATE chunks SET body = ?2 WHERE id = ?1", rusqlite::params![id, body]).unwrap();
    assert_eq!(all_readings(&ledger).len(), before.len() + 1, "so that it can still be mended");
}

#[test]
fn each_quantity_goes_after_its_own_time_and_hours_say_what_is_left() {
    let battery = |effect: &Effect| match effect.clone() {
        Effect::Store { mut reading, quality, reason } => {
            reading.series.source = Source::Probe(ProbeId::new("p0").unwrap());
            reading.series.quantity = Quantity::Battery;
            Effect::Store { reading, quality, reason }
        }
        other => other,
    };
    for packed in [false, true] {
        let (folder, mut ledger) = fresh();
        ledger.begin_run(NOW).unwrap();
        let mut effects = some_days(1, 6);
        // A battery tells every hour, and not on the first two days.
        let hourly: Vec<Effect> = effects.iter().take(4 * 288).step_by(12).map(battery).collect();
        effects.extend(hourly);
        ledger.commit(NOW, &effects).unwrap();
        seal(&mut ledger, NOW);
        if packed {
            assert!(pack(&mut ledger, NOW).0 > 8);
        }
        let before = all_readings(&ledger);
        let (batteries, all) = (hour_of(NOW) - Span::hours(54), hour_of(NOW) - Span::days(4));
        let times = Times { all: Some(all), of: [(Quantity::Battery, batteries)].into() };
        let mut pieces = Vec::new();
        while let Some(piece) = ledger.prune(NOW, &times).unwrap() {
            pieces.push(piece);
        }
        let stays = |row: &&ReadingRow| match row.reading.series.quantity {
            Quantity::Battery => row.reading.measured_at >= batteries,
            _ => row.reading.measured_at >= all,
        };
        let want: Vec<ReadingRow> = before.iter().filter(stays).cloned().collect();
        assert_eq!(all_readings(&ledger), want, "packed: {packed}");
        let gone: usize = pieces.iter().map(|piece| piece.readings).sum();
        assert_eq!(gone, before.len() - want.len());
        assert!(pieces.iter().any(|piece| piece.quantities == [Quantity::Battery]), "{pieces:?}");
        assert_eq!(ledger.prune(NOW, &times).unwrap(), None, "an hour is looked at once");

        let check = ledger.check_record().unwrap();
        assert_eq!(check.faults, Vec::<String>::new(), "an hour that lost a quantity is no fault");
        // The hours that began 95 to 55 hours before NOW: twelve temperatures each, where there were thirteen readings.
        assert_eq!((check.partly.hours, check.partly.left, check.partly.were), (41, 41 * 12, 41 * 13));
        let evidence = ledger.evidence(all, NOW, &mut |_| {}).unwrap();
        assert_eq!(evidence.taken_out.len(), 41, "a bundle leaves them out and knows why");
        let rows = ledger.rows_of(&["pruned"], Timestamp::MIN, Timestamp::MAX).unwrap();
        assert!(rows.iter().any(|row| row.body["quantities"] == serde_json::json!(["battery"])), "{rows:?}");

        // One that is put in past the program is found in such an hour as well.
        let at = (all + Span::hours(2)).as_millis() + 77;
        let conn = Connection::open(folder.path().join(FILE)).unwrap();
        for n in 0..2 {
            conn.execute("INSERT INTO readings (series, measured_at, value) VALUES (1, ?1, 1.0)", [at + n]).unwrap();
        }
        let check = ledger.check_record().unwrap();
        assert_eq!(check.faults.len(), 1, "{check:?}");
    }
}

#[test]
fn space_that_packing_frees_is_used_again() {
    let folder = tempfile::tempdir().unwrap();
    let mut ledger = Ledger::open(folder.path(), Access::Write).unwrap();
    let mut sizes = Vec::new();
    for week in 0..6_i64 {
        let at = NOW + Span::days(7 * week);
        let moved = |effect: &Effect| match effect.clone() {
            Effect::Store { mut reading, quality, reason } => {
                reading.measured_at = reading.measured_at + Span::days(7 * week);
                reading.received_at = reading.received_at + Span::days(7 * week);
                Effect::Store { reading, quality, reason }
            }
            other => other,
        };
        let effects: Vec<Effect> = some_days(20, 7).iter().map(moved).collect();
        ledger.commit(at, &effects).unwrap();
        seal(&mut ledger, at);
        pack(&mut ledger, at);
        let conn = Connection::open(folder.path().join(FILE)).unwrap();
        let pages: i64 = conn.query_row("PRAGMA page_count", [], |row| row.get(0)).unwrap();
        sizes.push(pages);
    }
    // A week is 40,320 readings: some 1.2 MB, 300 pages, in rows of their own; a tenth of that when packed.
    let growth: Vec<i64> = sizes.windows(2).map(|pair| pair[1] - pair[0]).collect();
    assert!(growth.iter().skip(1).all(|pages| *pages < 100), "{sizes:?}");
}

#[test]
fn a_full_disk_packs_nothing_and_loses_nothing() {
    let (folder, mut ledger) = fresh();
    ledger.commit(NOW, &some_days(8, 9)).unwrap();
    seal(&mut ledger, NOW);
    let want = all_readings(&ledger);
    let pages = || {
        let conn = Connection::open(folder.path().join(FILE)).unwrap();
        conn.query_row("PRAGMA page_count", [], |row| row.get::<_, u32>(0)).unwrap()
    };
    // Carrying over and packing both need room before they give some; from none at all to enough.
    let mut full = 0;
    for room in [0, 1, 3, 6, 12, 25] {
        ledger.set_page_limit(Some(pages() + room)).unwrap();
        for _ in 0..3 {
            match ledger.compact(NOW) {
                Ok(_) => {}
                Err(error) => {
                    assert!(error.is_disk_full(), "{error:?}");
                    full += 1;
                }
            }
            assert!(all_readings(&ledger) == want, "room for {room} pages");
        }
    }
    assert!(full > 0, "the disk was never full");
    ledger.set_page_limit(None).unwrap();
    assert!(pack(&mut ledger, NOW).0 > 50);
    assert!(all_readings(&ledger) == want);
}
