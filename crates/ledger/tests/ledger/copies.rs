//! Copies of the store: whole or not there, looked over before they are used, and put back with a life of their own.
//!
//! Must never take a copy for good because it opens: what is in it is compared.

use std::path::{Path, PathBuf};

use engine::effect::{Effect, MailState};
use ledger::{
    Access, BackupError, FILE, Finding, Ledger, LedgerError, StoreStep, WaitingMails, backup, check_file, check_folder,
    put_back,
};
use pile::time::{Span, Timestamp};
use rusqlite::Connection;
use tempfile::TempDir;

use crate::dice::Dice;
use crate::{NOW, all_readings, chain, fresh, reading};

/// A store with something of everything, some days of it packed.
fn filled() -> (TempDir, Ledger) {
    let (folder, mut ledger) = fresh();
    let mut dice = Dice::new(8);
    ledger.begin_run(NOW).unwrap();
    let mut effects: Vec<Effect> = (0..4_000).map(|n| reading(&format!("p{}", n % 3), n, n as f64 / 10.0)).collect();
    effects.extend((0..5).map(|_| Effect::Entry(dice.entry())));
    effects.push(Effect::Batch(dice.batch(1)));
    for id in 1..=4 {
        let mut mail = dice.mail(id);
        mail.state = match id {
            1 | 3 => MailState::Waiting { next_try: NOW, tries: 1, last_reply: "451 later".into() },
            _ => MailState::Accepted { at: NOW, tries: 1, reply: "250 ok".into() },
        };
        effects.push(Effect::Mail(Box::new(mail)));
    }
    ledger.commit(NOW, &effects).unwrap();
    for hour in 1..6 {
        ledger.commit(NOW + Span::hours(hour), &[Effect::SummaryDone(dice.week())]).unwrap();
    }
    while ledger.compact(NOW).unwrap().is_some() {}
    (folder, ledger)
}

fn quiet(_: u64, _: u64) {}

fn steps(file: &Path) -> Result<Vec<StoreStep>, LedgerError> {
    let mut steps = Vec::new();
    check_file(file, &mut |step| steps.push(step.clone()), &mut quiet)?;
    Ok(steps)
}

fn faults(file: &Path) -> Vec<String> {
    let bad = |step: StoreStep| match step.finding {
        Finding::Bad(faults) => faults.into_iter().map(|f| format!("{}: {f}", step.name)).collect(),
        _ => Vec::new(),
    };
    steps(file).unwrap().into_iter().flat_map(bad).collect()
}

fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> =
        std::fs::read_dir(folder).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    names
}

#[test]
fn a_copy_made_beside_the_writer_is_one_state_and_comes_back_whole() {
    let (folder, mut ledger) = filled();
    let out = tempfile::tempdir().unwrap();
    let file = out.path().join("store.backup");
    let before = (all_readings(&ledger), ledger.entries().unwrap(), ledger.batches().unwrap());
    let rows = ledger.checkpoint("x").unwrap();
    let copied = backup(folder.path(), &file, &mut quiet).unwrap();
    assert_eq!(copied.bytes, std::fs::metadata(&file).unwrap().len());
    assert_eq!(names(out.path()), ["store.backup"], "one file, and no log beside it");
    let mode = std::os::unix::fs::PermissionsExt::mode(&std::fs::metadata(&file).unwrap().permissions());
    assert_eq!(mode & 0o777, 0o600, "it names people");
    // The writer goes on; the copy does not.
    ledger.commit(NOW, &[reading("p9", 1, 1.0)]).unwrap();
    assert_eq!(faults(&file), Vec::<String>::new());

    let into = out.path().join("new");
    let put = put_back(&file, &into, NOW + Span::days(2), WaitingMails::GiveUp).unwrap();
    assert_eq!(put.waiting.iter().map(|(id, _)| id.0).collect::<Vec<_>>(), [1, 3]);
    assert_eq!((put.last_alive, put.damaged.len()), (Some(NOW + Span::hours(5)), 0));
    assert_eq!(names(&into), [FILE, "ledger.db-wal"], "nothing is left of the work");
    assert_eq!(faults(&into.join(FILE)), Vec::<String>::new());
    let mut back = Ledger::open(&into, Access::Write).unwrap();
    assert_eq!((all_readings(&back), back.entries().unwrap(), back.batches().unwrap()), before);
    let life = |ledger: &Ledger| ledger.restore(NOW, Span::days(1)).unwrap().life;
    assert_ne!(life(&back), life(&ledger), "no Message-ID comes twice");
    let check = back.check_record().unwrap();
    assert_eq!((check.faults.len(), check.hours > 60), (0, true), "the record goes on from the same rows");
    let mut again = back.evidence(Timestamp::MIN, Timestamp::MAX, &mut |_| {}).unwrap().hashes;
    assert_eq!(again.len() as u64, rows.size + 3, "what was put back, and what became of two mails");
    again.truncate(usize::try_from(rows.size).unwrap());
    assert_eq!(seal::merkle::root(&again), rows.root, "no earlier row differs");
    let counts = back.counts().unwrap();
    assert_eq!((counts.mails_waiting, counts.mails_given_up), (0, 2));
    back.begin_run(NOW + Span::days(2)).unwrap();

    let sent = out.path().join("sent");
    put_back(&file, &sent, NOW, WaitingMails::Send).unwrap();
    assert_eq!(
        Ledger::open(&sent, Access::Read).unwrap().counts().unwrap().mails_waiting,
        2,
        "where somebody asks for it"
    );
}

#[test]
fn a_later_backup_takes_the_place_of_an_earlier_one_and_of_nothing_else() {
    let (folder, mut ledger) = filled();
    let out = tempfile::tempdir().unwrap();
    let file = out.path().join("store.backup");
    backup(folder.path(), &file, &mut quiet).unwrap();
    ledger.commit(NOW, &[reading("p9", 1, 1.0)]).unwrap();
    // What a power cut left of an attempt.
    std::fs::write(out.path().join(".store.backup.partial"), vec![7; 100_000]).unwrap();
    backup(folder.path(), &file, &mut quiet).unwrap();
    assert_eq!(names(out.path()), ["store.backup"]);
    let into = out.path().join("new");
    put_back(&file, &into, NOW, WaitingMails::GiveUp).unwrap();
    assert_eq!(all_readings(&Ledger::open(&into, Access::Read).unwrap()).len(), 4_001);

    let letter = out.path().join("letter.txt");
    std::fs::write(&letter, "Dear inspector").unwrap();
    let refused = backup(folder.path(), &letter, &mut quiet).unwrap_err();
    assert!(matches!(refused, BackupError::Occupied { .. }), "{refused:?}");
    assert_eq!(std::fs::read_to_string(&letter).unwrap(), "Dear inspector");
    let refused = put_back(&file, &into, NOW, WaitingMails::GiveUp).unwrap_err();
    assert!(
        matches!(refused, BackupError::HasStore { .. }) && refused.to_string().contains("never written over"),
        "{refused}"
    );
    let nowhere = backup(folder.path(), &out.path().join("no-such-folder/file"), &mut quiet).unwrap_err();
    assert!(matches!(nowhere, BackupError::CannotWrite { .. }), "{nowhere:?}");
}

/// A copy of the store as somebody would make it by hand.
fn by_hand(of: &TempDir, with_log: &str) -> (TempDir, PathBuf) {
    let copy = tempfile::tempdir().unwrap();
    std::fs::copy(of.path().join(FILE), copy.path().join(FILE)).unwrap();
    if !with_log.is_empty() {
        std::fs::copy(of.path().join(with_log), copy.path().join(with_log)).unwrap();
    }
    let file = copy.path().join(FILE);
    (copy, file)
}

#[test]
fn a_store_that_is_not_whole_is_told_with_what_to_do() {
    let (folder, mut ledger) = filled();
    // So that the file itself is whole but for its newest rows.
    Connection::open(ledger.path()).unwrap().query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(())).unwrap();
    ledger.commit(NOW, &[reading("p9", 1, 1.0)]).unwrap();
    let length = std::fs::metadata(folder.path().join(FILE)).unwrap().len();

    let (_keep, file) = by_hand(&folder, "ledger.db-wal");
    assert_eq!(faults(&file), Vec::<String>::new(), "with its log it is whole");
    let (_keep, file) = by_hand(&folder, "");
    let told = faults(&file);
    assert!(
        told.len() == 1 && told[0].contains("ledger.db-wal is missing") && told[0].contains("store backup"),
        "{told:?}"
    );
    drop(ledger);
    for part in [length / 2, 4_096 * 3, 4_096 * 2 + 17, 100] {
        let (copy, file) = by_hand(&folder, "");
        std::fs::OpenOptions::new().write(true).open(&file).unwrap().set_len(part).unwrap();
        // Too little to say even what it is, or it says what is missing.
        match steps(&file) {
            Ok(_) => assert!(!faults(&file).is_empty(), "{part} bytes"),
            Err(error) => {
                let told = chain(&error);
                let known = matches!(error, LedgerError::Damaged { .. } | LedgerError::NotALedger { .. });
                assert!(
                    known && (told.contains("restore a backup") || told.contains("move it away")),
                    "{part}: {told}"
                );
            }
        }
        let into = copy.path().join("new");
        put_back(&file, &into, NOW, WaitingMails::GiveUp).unwrap_err();
        assert!(!into.join(FILE).exists(), "nothing half is put back");
    }
    let mut whole = 0;
    check_folder(folder.path(), &mut |step| whole += usize::from(step.holds()), &mut quiet).unwrap();
    assert_eq!(whole, 7, "the store itself was not touched");
}

#[test]
fn a_file_that_is_no_backup_or_of_a_later_version_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let into = folder.path().join("new");
    let file = |name: &str| folder.path().join(name);
    std::fs::write(file("text"), "This is a letter of some length, and no database of any kind.".repeat(99)).unwrap();
    std::fs::write(file("nothing"), "").unwrap();
    Connection::open(file("other")).unwrap().execute_batch("CREATE TABLE x (y)").unwrap();
    let (store, ledger) = filled();
    backup(store.path(), &file("later"), &mut quiet).unwrap();
    Connection::open(file("later")).unwrap().pragma_update(None, "user_version", 999).unwrap();
    drop(ledger);
    for (name, want) in [
        ("text", "is not a ledger of hypocaust"),
        ("nothing", "is not a ledger of hypocaust"),
        ("other", "is not a ledger of hypocaust"),
        ("later", "has layout 999"),
        ("missing", "there is no ledger at"),
    ] {
        let told = chain(&put_back(&file(name), &into, NOW, WaitingMails::GiveUp).unwrap_err());
        assert!(told.contains(want), "{name}: {told}");
        assert!(!into.exists() || names(&into).is_empty(), "{name}");
    }
}

#[test]
fn a_damaged_day_is_told_and_does_not_keep_the_rest_from_being_saved() {
    let (folder, ledger) = filled();
    let conn = Connection::open(folder.path().join(FILE)).unwrap();
    conn.execute("UPDATE chunks SET body = zeroblob(octet_length(body)) WHERE id = (SELECT min(id) FROM chunks)", [])
        .unwrap();
    let out = tempfile::tempdir().unwrap();
    let (file, into) = (out.path().join("b"), out.path().join("new"));
    let told = faults(&folder.path().join(FILE));
    assert!(told.len() == 1 && told[0].starts_with("days: p0/temperature on 2026-03-0"), "{told:?}");
    let copied = backup(folder.path(), &file, &mut quiet).unwrap();
    assert_eq!(copied.damaged.len(), 1, "an old day that is lost is no reason to have no backup of the others");
    let put = put_back(&file, &into, NOW, WaitingMails::GiveUp).unwrap();
    assert_eq!(put.damaged, copied.damaged);
    assert_eq!(all_readings(&Ledger::open(&into, Access::Read).unwrap()), all_readings(&ledger));
}
