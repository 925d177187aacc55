//! Opens the store at a start, in whatever state it is, and finds out what it lacks.
//!
//! Must never refuse to start for what a store holds, and never delete a file of it: what cannot be used gets another name beside it.

use std::path::Path;

use ledger::{Access, Height, Ledger, LedgerError};
use pile::time::Timestamp;

use super::{Loop, chain};

/// What could not be done at the start: which part, and why.
pub(super) type Trouble = (String, String);

/// Opens the store; gives what it lacks, in words.
///
/// # Errors
/// Where something else than the store's content is in the way.
pub(super) fn open(folder: &Path) -> Result<(Ledger, Option<String>), LedgerError> {
    let was_used = ledger::was_used(folder);
    let kept = ledger::kept_height(folder);
    let mut words = Vec::new();
    match ledger::make_way(folder) {
        Ok(None) => {}
        Ok(Some(log)) => words.push(format!("its log was without a store and is now {}", log.display())),
        Err(e) => tracing::warn!("the log of a store that is gone cannot be kept: {e}"),
    }
    let mut ledger = match Ledger::open(folder, Access::Write) {
        Err(error) if error.is_hopeless() => {
            let (ledger, why) = anew(folder, &error)?;
            words.insert(0, why);
            ledger
        }
        opened => opened?,
    };
    let lacks = match &kept {
        Some(kept) => match ledger.lacks(kept) {
            Err(error) if error.is_hopeless() => {
                drop(ledger);
                let (again, why) = anew(folder, &error)?;
                words.insert(0, why);
                ledger = again;
                ledger.lacks(kept)?
            }
            lacks => lacks?,
        },
        None => None,
    };
    let is_empty = ledger.height(Timestamp::MIN).rows == 0;
    let lacks = lacks.or_else(|| {
        (is_empty && was_used).then(|| "the store is empty, but a daemon worked in this folder before".to_owned())
    });
    words.extend(lacks);
    let remedy = "put the newest backup back with `hypocaust store restore`";
    Ok((ledger, (!words.is_empty()).then(|| format!("{}; {remedy}", words.join("; ")))))
}

/// Gives a store that cannot be used another name and begins a new one; gives what happened, in words.
///
/// # Errors
/// Where the new one cannot be made either.
pub(super) fn anew(folder: &Path, why: &LedgerError) -> Result<(Ledger, String), LedgerError> {
    let moved = match ledger::move_aside(folder) {
        Ok(aside) => format!("the store cannot be used and is now {}: {}", aside.display(), chain(why)),
        Err(e) => format!("the store cannot be used, and cannot be moved away ({e}): {}", chain(why)),
    };
    tracing::error!("{moved}");
    Ok((Ledger::open(folder, Access::Write)?, moved))
}

/// Goes on without a part of the start that the store will never let happen.
///
/// # Errors
/// What may be over later.
pub(super) fn without(
    part: &str,
    done: Result<(), LedgerError>,
    troubles: &mut Vec<Trouble>,
) -> Result<(), LedgerError> {
    match done {
        Err(error) if error.is_hopeless() => {
            troubles.push((part.to_owned(), chain(&error)));
            Ok(())
        }
        done => done,
    }
}

impl Loop {
    /// Keeps how high the record has grown, where that is news.
    pub(super) fn keep_height(&mut self, now: Timestamp) {
        let height = self.ledger.height(now);
        if self.kept.as_ref().is_some_and(|kept: &Height| kept.rows == height.rows) {
            return;
        }
        match ledger::keep_height(&self.folder, &height) {
            Ok(()) => {
                self.board.post(|facts| facts.checkpoint_at = Some(now));
                self.kept = Some(height);
            }
            Err(e) => tracing::warn!(
                "how high the record has grown cannot be kept in {}: {e}; a store that is lost would not be noticed",
                ledger::HEIGHT_FILE
            ),
        }
    }
}
