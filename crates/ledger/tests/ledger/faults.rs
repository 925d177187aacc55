//! Full disks, foreign files, second writers, readers beside a writer, folders that cannot be had.
//!
//! Must never rely on permissions: the tests may run as root, who is refused nothing.

use std::path::Path;

use engine::effect::Effect;
use ledger::{Access, FILE, Folder, FolderError, Ledger, LedgerError};
use pile::time::Span;

use crate::dice::Dice;
use crate::{NOW, all_readings, chain, fresh, reading};

fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> =
        std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    names
}

#[test]
fn a_full_disk_stores_nothing_of_a_commit_and_the_same_commit_works_once_there_is_room() {
    let (_folder, mut ledger) = fresh();
    let mut dice = Dice::new(5);
    ledger.begin_run(NOW).unwrap();
    ledger.commit(NOW, &[reading("p0", 0, 60.0)]).unwrap();
    let before = (all_readings(&ledger), ledger.counts().unwrap(), ledger.restore(NOW, Span::days(3)).unwrap());

    // One of everything, new series among them, and so much that it cannot fit the pages that are there.
    let mut effects: Vec<Effect> = (0..3_000).map(|n| reading(&format!("p{}", n % 7), n, 60.0)).collect();
    effects.push(Effect::Entry(dice.entry()));
    effects.push(Effect::Batch(dice.batch(1)));
    effects.push(Effect::Alarm { alarm: Box::new(dice.alarm(1)), event: Some(Box::new(dice.alarm_event(1))) });
    effects.push(Effect::Mail(Box::new(dice.mail(1))));
    effects.push(Effect::Refuse(dice.refusal()));
    effects.push(Effect::SummaryDone(dice.week()));
    let later = NOW + Span::minutes(1);

    ledger.set_page_limit(Some(1)).unwrap();
    for attempt in 0..3 {
        let full = ledger.commit(later, &effects).unwrap_err();
        assert!(full.is_disk_full() && full.is_transient(), "attempt {attempt}: {full:?}");
        let text = chain(&full);
        for part in ["nothing is acknowledged until there is room", "free space", "goes on by itself", "full"] {
            assert!(text.contains(part), "{text}");
        }
        let after = (all_readings(&ledger), ledger.counts().unwrap(), ledger.restore(NOW, Span::days(3)).unwrap());
        assert_eq!(after, before, "attempt {attempt} left something behind");
    }
    // Room for a part of it is not enough either: the commit needs more than 3,000 times 25 bytes, 18 pages.
    let other = rusqlite::Connection::open(ledger.path()).unwrap();
    let pages: u32 = other.query_row("PRAGMA page_count", [], |row| row.get(0)).unwrap();
    drop(other);
    for room in [1, 6, 12, 18] {
        ledger.set_page_limit(Some(pages + room)).unwrap();
        assert!(ledger.commit(later, &effects).unwrap_err().is_disk_full());
        assert_eq!((all_readings(&ledger), ledger.counts().unwrap()), (before.0.clone(), before.1));
    }

    ledger.set_page_limit(None).unwrap();
    let committed = ledger.commit(later, &effects).unwrap();
    assert_eq!((committed.stored, committed.repeats, committed.conflicts), (2_999, 1, 0));
    assert_eq!(all_readings(&ledger).len(), 3_000);
    let counts = ledger.counts().unwrap();
    assert_eq!((counts.series, counts.entries, counts.batches, counts.alarms, counts.alarm_events), (7, 1, 1, 1, 1));
}

#[test]
fn a_reader_works_beside_the_writer_and_sees_only_what_is_committed() {
    let (folder, mut ledger) = fresh();
    ledger.commit(NOW, &[reading("p1", 2, 60.0)]).unwrap();
    let reader = Ledger::open(folder.path(), Access::Read).unwrap();
    assert_eq!(all_readings(&reader).len(), 1);
    let mut seen = 0;
    let filter = Default::default();
    reader
        .readings(&filter, &mut |_| {
            seen += 1;
            // The writer is not held up by a reader in the middle of its work, nor does that reader see half of it.
            ledger.commit(NOW, &[reading("p1", 1, 60.0), reading("p2", 1, 60.0)]).unwrap();
        })
        .unwrap();
    assert_eq!(seen, 1);
    assert_eq!(all_readings(&reader).len(), 3, "a series that came after the reader opened is read too");
    let mut reader = reader;
    for refused in [
        reader.commit(NOW, &[reading("p1", 0, 60.0)]).unwrap_err(),
        reader.begin_run(NOW).unwrap_err(),
        reader.keep_rendered(engine::effect::MailId(1), b"x").unwrap_err(),
    ] {
        assert!(matches!(refused, LedgerError::ReadOnly { .. }), "{refused:?}");
    }
}

#[test]
fn reading_makes_no_file() {
    let empty = tempfile::tempdir().unwrap();
    let missing = Ledger::open(empty.path(), Access::Read).unwrap_err();
    assert!(matches!(missing, LedgerError::Missing { .. }), "{missing:?}");
    assert!(missing.to_string().contains("start the daemon"), "{missing}");
    assert_eq!(names(empty.path()), Vec::<String>::new());

    let (folder, mut ledger) = fresh();
    ledger.begin_run(NOW).unwrap();
    ledger.commit(NOW, &[reading("p1", 2, 60.0)]).unwrap();
    ledger.end_run(NOW).unwrap();
    drop(ledger);
    let before = names(folder.path());
    let reader = Ledger::open(folder.path(), Access::Read).unwrap();
    assert_eq!(all_readings(&reader).len(), 1);
    drop(reader);
    assert_eq!(names(folder.path()), before, "after a clean stop");

    let copy = tempfile::tempdir().unwrap();
    let odd = copy.path().join("a copy, 100 % & more?");
    std::fs::create_dir(&odd).unwrap();
    std::fs::copy(folder.path().join(FILE), odd.join(FILE)).unwrap();
    let reader = Ledger::open(&odd, Access::Read).unwrap();
    assert_eq!(all_readings(&reader).len(), 1, "after a clean stop the ledger is whole without its log");
    drop(reader);
    assert_eq!(names(&odd), [FILE]);
}

#[test]
fn a_second_writer_is_refused_and_told_who_has_it() {
    let (folder, ledger) = fresh();
    let refused = Ledger::open(folder.path(), Access::Write).unwrap_err();
    assert!(matches!(refused, LedgerError::InUse { .. }), "{refused:?}");
    assert!(refused.to_string().contains(&format!("(pid {})", std::process::id())), "{refused}");
    drop(ledger);
    Ledger::open(folder.path(), Access::Write).unwrap();
}

#[test]
fn a_folder_has_one_daemon() {
    let parent = tempfile::tempdir().unwrap();
    let path = parent.path().join("deep").join("data");
    let folder = Folder::lock(&path).unwrap();
    assert_eq!(folder.path(), path);
    let mode = std::os::unix::fs::PermissionsExt::mode(&std::fs::metadata(&path).unwrap().permissions());
    assert_eq!(mode & 0o777, 0o700);
    let refused = Folder::lock(&path).unwrap_err();
    assert!(matches!(refused, FolderError::InUse { pid: Some(pid), .. } if pid == std::process::id()), "{refused:?}");
    let text = refused.to_string();
    assert!(text.contains("stop it, or give this one its own `data_folder`"), "{text}");
    let ledger = Ledger::open(folder.path(), Access::Write).unwrap();
    drop(ledger);
    drop(folder);
    Folder::lock(&path).unwrap();
}

#[test]
fn a_folder_that_cannot_be_had_is_named_with_the_next_step() {
    let place = tempfile::tempdir().unwrap();
    let file = place.path().join("file");
    std::fs::write(&file, "no folder").unwrap();
    for (path, why) in [
        (file.clone(), "a file stands where the folder should be"),
        (file.join("data"), "a file stands where its parent should be"),
        ("/proc/data".into(), "a file system that takes no folders"),
    ] {
        let refused = Folder::lock(&path).unwrap_err();
        assert!(matches!(refused, FolderError::CannotMake { .. }), "{why}: {refused:?}");
        assert!(refused.to_string().contains(path.to_str().unwrap()), "{why}: {refused}");
        assert!(refused.to_string().contains("`data_folder`"), "{why}: {refused}");
    }
    let refused = Folder::lock(Path::new("/proc")).unwrap_err();
    assert!(matches!(refused, FolderError::CannotWrite { .. }), "{refused:?}");
    let nowhere = Ledger::open(&place.path().join("nowhere"), Access::Write).unwrap_err();
    assert!(matches!(nowhere, LedgerError::CannotOpen { .. }), "{nowhere:?}");
}

#[test]
fn a_file_that_is_no_ledger_is_left_alone() {
    for access in [Access::Write, Access::Read] {
        for content in [b"not a database".to_vec(), b"0123456789abcdef".repeat(1_000)] {
            let folder = tempfile::tempdir().unwrap();
            std::fs::write(folder.path().join(FILE), &content).unwrap();
            let refused = Ledger::open(folder.path(), access).unwrap_err();
            assert!(matches!(refused, LedgerError::NotALedger { .. }), "{refused:?}");
            assert!(refused.to_string().contains("move it away"), "{refused}");
            assert!(!refused.is_transient());
            assert_eq!(std::fs::read(folder.path().join(FILE)).unwrap(), content);
        }
        let folder = tempfile::tempdir().unwrap();
        let other = rusqlite::Connection::open(folder.path().join(FILE)).unwrap();
        other.execute_batch("CREATE TABLE series (x INTEGER)").unwrap();
        drop(other);
        let before = std::fs::read(folder.path().join(FILE)).unwrap();
        let refused = Ledger::open(folder.path(), access).unwrap_err();
        assert!(refused.to_string().contains("a database of something else"), "{refused}");
        assert_eq!(std::fs::read(folder.path().join(FILE)).unwrap(), before);
    }
}

#[test]
fn a_damaged_ledger_says_so() {
    let (folder, mut ledger) = fresh();
    ledger.begin_run(NOW).unwrap();
    let effects: Vec<Effect> = (0..5_000).map(|n| reading("p1", n, 60.0)).collect();
    ledger.commit(NOW, &effects).unwrap();
    ledger.end_run(NOW).unwrap();
    drop(ledger);
    let mut bytes = std::fs::read(folder.path().join(FILE)).unwrap();
    // From the tenth page on: the header and the list of tables stay whole.
    bytes[10 * 4_096..].fill(0xa5);
    std::fs::write(folder.path().join(FILE), bytes).unwrap();
    let ledger = Ledger::open(folder.path(), Access::Read);
    let refused = match &ledger {
        Ok(ledger) => ledger.readings(&Default::default(), &mut |_| {}).unwrap_err(),
        Err(_) => ledger.unwrap_err(),
    };
    assert!(matches!(refused, LedgerError::Damaged { .. }), "{refused:?}");
    assert!(refused.to_string().contains("restore a backup"), "{refused}");
}

#[test]
fn a_ledger_of_another_layout_is_refused_or_brought_up_to_date() {
    let (folder, ledger) = fresh();
    let path = folder.path().join(FILE);
    drop(ledger);
    let set_layout = |layout: i64| {
        let conn = rusqlite::Connection::open(&path).unwrap();
        conn.pragma_update(None, "user_version", layout).unwrap();
    };
    set_layout(1_000);
    for access in [Access::Write, Access::Read] {
        let newer = Ledger::open(folder.path(), access).unwrap_err();
        assert!(matches!(newer, LedgerError::TooNew { found: 1_000, .. }), "{newer:?}");
        assert!(newer.to_string().contains("run the version that wrote it"), "{newer}");
    }
    set_layout(0);
    let older = Ledger::open(folder.path(), Access::Read).unwrap_err();
    assert!(matches!(older, LedgerError::TooOld { found: 0, .. }), "{older:?}");
    assert!(older.to_string().contains("start the daemon once"), "{older}");
}

#[test]
fn a_word_written_by_hand_is_named_with_its_row() {
    let (folder, mut ledger) = fresh();
    let mut dice = Dice::new(6);
    let alarm = |dice: &mut Dice| Effect::Alarm { alarm: Box::new(dice.alarm(4)), event: None };
    ledger.commit(NOW, &[alarm(&mut dice)]).unwrap();
    let other = rusqlite::Connection::open(folder.path().join(FILE)).unwrap();
    other.execute("UPDATE alarms SET state = 'loud'", []).unwrap();
    let restored = ledger.restore(NOW, Span::days(3)).unwrap();
    assert!(restored.alarms.is_empty());
    let over: Vec<(&str, i64, &str)> =
        restored.passed_over.iter().map(|p| (p.table.as_str(), p.row, p.why.as_str())).collect();
    assert_eq!(over, [("alarms", 4, "`loud` is no state of an alarm")]);
}

#[test]
fn another_program_that_holds_the_ledger_is_waited_for_and_named() {
    let (folder, mut ledger) = fresh();
    let other = rusqlite::Connection::open(folder.path().join(FILE)).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    let busy = ledger.commit(NOW, &[reading("p1", 0, 60.0)]).unwrap_err();
    assert!(matches!(busy, LedgerError::Busy { .. }) && busy.is_transient(), "{busy:?}");
    assert!(busy.to_string().contains("another program has locked"), "{busy}");
    other.execute_batch("ROLLBACK").unwrap();
    assert_eq!(ledger.commit(NOW, &[reading("p1", 0, 60.0)]).unwrap().stored, 1);
}

#[test]
fn readings_stay_where_they_arrive_while_the_disk_has_no_room_to_carry_them_over() {
    let (folder, mut ledger) = fresh();
    let other = rusqlite::Connection::open(folder.path().join(FILE)).unwrap();
    let rows = |table: &str| -> i64 {
        other.query_row(&format!("SELECT count(*) FROM {table}"), [], |row| row.get(0)).unwrap()
    };
    let most = ledger::ARRIVALS_MOST as i64;
    let batch = |from: i64, to: i64| -> Vec<Effect> { (from..to).map(|n| reading("p1", n, 60.0)).collect() };
    // Committed at a time before theirs: no hour is over, so the record wants no room for its rows.
    let before = NOW - Span::days(60);
    ledger.commit(before, &batch(0, most - 1)).unwrap();
    ledger.set_page_limit(Some(1)).unwrap();
    // One more finds room in the page where it belongs; what it sets off does not.
    assert_eq!(ledger.commit(before, &batch(most - 1, most)).unwrap().stored, 1);
    assert_eq!((rows("readings"), rows("arrivals")), (0, most));
    ledger.set_page_limit(None).unwrap();
    ledger.commit(before, &batch(most, most + 10)).unwrap();
    assert_eq!(rows("readings"), 0, "not tried again at once");
    ledger.commit(before, &batch(most + 10, most + 5_000)).unwrap();
    assert_eq!((rows("readings"), rows("arrivals")), (most + 5_000, 0));
    assert_eq!(all_readings(&ledger).len(), most as usize + 5_000);
}
