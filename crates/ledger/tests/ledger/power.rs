//! Packing is cut off: by `kill -9` at many points, and by a log that ends anywhere, as torn writes leave it.
//!
//! Must never be taken for a power cut: the kill leaves every write with the kernel, and the cut log only stands for writes that came in their
//! order and stopped. That a disk keeps this order rests on `synchronous=FULL`, and on the disk.

use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Command, Stdio};

use engine::effect::Effect;
use ledger::{Access, FILE, Finding, Ledger, ReadingRow, check_folder};
use pile::time::{Span, Timestamp};
use rusqlite::Connection;
use site::zone::IsoWeek;

use crate::dice::Dice;
use crate::{NOW, all_readings, reading};

/// Set in the child: the folder to work in.
const CHILD: &str = "LEDGER_TEST_PACKING_IN";
const PROBES: usize = 40;
/// So many that they were carried over, to where packing takes them from.
const DAYS: i64 = 18;

/// A store with readings of some days, none of them packed, each hour on record.
fn fill(folder: &Path) {
    let mut ledger = Ledger::open(folder, Access::Write).unwrap();
    let mut dice = Dice::new(3);
    for day in 0..DAYS {
        let effects: Vec<Effect> = (0..PROBES as i64 * 96)
            .map(|n| {
                let minutes = day * 24 * 60 + n / PROBES as i64 * 15;
                reading(&format!("p{}", n % PROBES as i64), minutes, 50.0 + dice.below(200) as f64 / 10.0)
            })
            .collect();
        ledger.commit(NOW, &effects).unwrap();
    }
    for hour in 1..30 {
        let week = IsoWeek { year: 2026, week: hour };
        ledger.commit(NOW + Span::hours(i64::from(hour)), &[Effect::SummaryDone(week)]).unwrap();
    }
}

fn holds(folder: &Path, when: &str) {
    let mut bad = Vec::new();
    let mut each = |step: &ledger::StoreStep| {
        if let Finding::Bad(faults) = &step.finding {
            bad.extend(faults.clone());
        }
    };
    check_folder(folder, &mut each, &mut |_, _| {}).unwrap();
    assert_eq!(bad, Vec::<String>::new(), "{when}");
}

fn packed(folder: &Path) -> i64 {
    let conn = Connection::open(folder.join(FILE)).unwrap();
    conn.query_row("SELECT count(*) FROM chunks", [], |row| row.get(0)).unwrap()
}

#[test]
fn packing_that_is_killed_leaves_every_reading_where_it_was_or_packed() {
    if let Some(folder) = std::env::var_os(CHILD) {
        pack_until_killed(Path::new(&folder));
    }
    let seed = std::env::var("LEDGER_SEED").ok().and_then(|text| text.parse().ok()).unwrap_or(20_260_311);
    println!("seed {seed} (set LEDGER_SEED for another)");
    let mut dice = Dice::new(seed);
    let folder = tempfile::tempdir().unwrap();
    fill(folder.path());
    let want: Vec<ReadingRow> = all_readings(&Ledger::open(folder.path(), Access::Read).unwrap());
    let mut seen = Vec::new();
    for round in 0..40 {
        let mut child = Command::new(std::env::current_exe().unwrap())
            .args([
                "--exact",
                "power::packing_that_is_killed_leaves_every_reading_where_it_was_or_packed",
                "--nocapture",
            ])
            .env(CHILD, folder.path())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut said = BufReader::new(child.stdout.take().unwrap()).lines().map_while(Result::ok);
        assert!(said.any(|line| line == "packing"), "the child begins");
        for _ in 0..dice.below(4_000_000) {
            std::hint::spin_loop();
        }
        child.kill().unwrap();
        child.wait().unwrap();
        holds(folder.path(), &format!("round {round}"));
        let ledger = Ledger::open(folder.path(), Access::Write).unwrap();
        assert!(all_readings(&ledger) == want, "round {round}: {} chunks", packed(folder.path()));
        drop(ledger);
        seen.push(packed(folder.path()));
        if seen.last() >= Some(&(PROBES as i64 * DAYS)) {
            break;
        }
    }
    println!("chunks after each kill: {seen:?}");
    assert!(seen.iter().any(|n| *n > 0), "no kill came after a piece: {seen:?}");
    let mut ledger = Ledger::open(folder.path(), Access::Write).unwrap();
    while ledger.compact(Timestamp::MAX).unwrap().is_some() {}
    assert!(all_readings(&ledger) == want && packed(folder.path()) > PROBES as i64 * (DAYS - 1));
    assert!(ledger.check_record().unwrap().faults.is_empty());
}

/// Packs piece after piece, and begins anew with other readings once all is packed.
fn pack_until_killed(folder: &Path) -> ! {
    let mut ledger = Ledger::open(folder, Access::Write).unwrap();
    std::io::stdout().write_all(b"packing\n").unwrap();
    loop {
        ledger.compact(Timestamp::MAX).unwrap();
    }
}

#[test]
fn a_log_that_ends_anywhere_loses_no_reading() {
    let folder = tempfile::tempdir().unwrap();
    fill(folder.path());
    // Everything of before lies in the file; the log holds nothing but packing.
    let conn = Connection::open(folder.path().join(FILE)).unwrap();
    conn.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(())).unwrap();
    drop(conn);
    let base = std::fs::read(folder.path().join(FILE)).unwrap();
    let mut ledger = Ledger::open(folder.path(), Access::Write).unwrap();
    let want = all_readings(&ledger);
    for _ in 0..4 {
        assert!(ledger.compact(Timestamp::MAX).unwrap().is_some());
    }
    assert_eq!(std::fs::read(folder.path().join(FILE)).unwrap(), base, "the log was not gathered meanwhile");
    let log = std::fs::read(folder.path().join("ledger.db-wal")).unwrap();
    let cut = tempfile::tempdir().unwrap();
    let (mut results, mut dice) = (std::collections::BTreeSet::new(), Dice::new(1));
    // A frame is 4,120 bytes after a head of 32; the cuts fall on its ends, beside them, and in its middle.
    let cuts: Vec<usize> = (0..=60).map(|n| log.len() * n / 60).chain((1..30).map(|n| 32 + 4_120 * n * 3)).collect();
    for length in cuts.into_iter().filter(|length| *length <= log.len()) {
        std::fs::write(cut.path().join(FILE), &base).unwrap();
        let mut torn = log[..length].to_vec();
        if length > 5_000 && dice.below(2) == 0 {
            // The last sector was written only in part, and holds what was there before.
            let from = length - 512;
            torn[from..].fill(0x5a);
        }
        std::fs::write(cut.path().join("ledger.db-wal"), &torn).unwrap();
        let _ = std::fs::remove_file(cut.path().join("ledger.db-shm"));
        let ledger = Ledger::open(cut.path(), Access::Write).unwrap();
        assert!(all_readings(&ledger) == want, "cut at {length} of {}", log.len());
        drop(ledger);
        holds(cut.path(), &format!("cut at {length}"));
        results.insert(packed(cut.path()));
    }
    assert!(results.len() >= 4, "the cuts fell between the pieces: {results:?}");
}
