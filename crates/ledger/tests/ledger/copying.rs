//! How far a copy elsewhere has come: it only goes forward, each target by itself, and what stands in the way is told until it is over.
//!
//! Must never let a copy that failed look like one that is done.

use ledger::{Access, CopyState, Ledger};
use pile::time::Span;
use serde_json::json;

use crate::{NOW, fresh};

#[test]
fn a_copy_goes_forward_from_the_beginning_of_the_record() {
    let (folder, mut ledger) = fresh();
    assert_eq!(ledger.copy_state("one").unwrap(), CopyState::default(), "an empty record has nothing to copy");
    for n in 0..5 {
        ledger.put_on_record(NOW + Span::minutes(n), "note", &json!({ "n": n })).unwrap();
    }
    // The first row says where the record begins.
    let state = ledger.copy_state("one").unwrap();
    assert_eq!((state.next, state.rows, state.waits_since), (0, 6, Some(NOW)));
    let rows = ledger.rows_from(2, 3).unwrap();
    let read: Vec<_> = rows.iter().map(|row| (row.seq, row.kind.as_str(), row.body["n"].as_i64())).collect();
    assert_eq!(read, [(2, "note", Some(1)), (3, "note", Some(2)), (4, "note", Some(3))]);
    assert_eq!(ledger.rows_from(6, 3).unwrap(), []);

    ledger.copied("one", NOW + Span::hours(1), 4, &[]).unwrap();
    let state = ledger.copy_state("one").unwrap();
    assert_eq!((state.next, state.waits_since), (4, Some(NOW + Span::minutes(3))));
    ledger.copied("one", NOW + Span::hours(2), 3, &[]).unwrap();
    assert_eq!(ledger.copy_state("one").unwrap().next, 4, "never backwards");
    assert_eq!(ledger.copy_state("another").unwrap().next, 0, "another bucket begins anew");

    // Trouble keeps the time at which it began, and ends with the next row that is copied.
    ledger.copy_in_trouble("one", NOW + Span::hours(3), "away").unwrap();
    ledger.copy_in_trouble("one", NOW + Span::hours(4), "no token").unwrap();
    let state = ledger.copy_state("one").unwrap();
    assert_eq!(state.trouble, Some((NOW + Span::hours(3), "no token".into())));
    let refused: Vec<_> = (0..3).map(|n| (format!("point {n}"), "type clash".to_owned())).collect();
    ledger.copied("one", NOW + Span::hours(5), 6, &refused).unwrap();
    let state = ledger.copy_state("one").unwrap();
    assert_eq!((state.next, state.waits_since, state.trouble, state.not_taken), (6, None, None, 3));
    let shown: Vec<_> = ledger.not_taken(2).unwrap().into_iter().map(|row| row.point).collect();
    assert_eq!(shown, ["point 2", "point 1"], "the newest first");
    ledger.copy_in_trouble("fresh", NOW, "never worked").unwrap();
    assert_eq!(ledger.copy_state("fresh").unwrap().next, 0);

    drop(ledger);
    let ledger = Ledger::open(folder.path(), Access::Read).unwrap();
    assert_eq!(ledger.copy_state("one").unwrap().next, 6, "it survives a restart");
}

#[test]
fn what_was_not_taken_is_kept_up_to_a_number() {
    let (_folder, mut ledger) = fresh();
    for hundred in 0..12 {
        let refused: Vec<_> = (0..100).map(|n| (format!("point {}", hundred * 100 + n), "why".to_owned())).collect();
        ledger.copied("one", NOW, hundred, &refused).unwrap();
    }
    assert_eq!(ledger.copy_state("one").unwrap().not_taken, 1_200, "all are counted");
    let kept = ledger.not_taken(5_000).unwrap();
    assert_eq!((kept.len(), kept[0].point.as_str()), (1_000, "point 1199"));
}
