//! Batches of the store, judged for reports as things stood at a time.
//!
//! Must never judge in a way of its own: it asks what `hypocaust judge` asks.

use ledger::{Access, Ledger};
use pile::time::Timestamp;
use site::criteria::{Criteria, Criterion};
use site::entry::{BatchId, in_force};
use site::judge::{Facts, History, Judgement, judge};
use site::model::{Chosen, Site};

use super::{Asked, Origin, chosen, history, lives};
use crate::commands::CommandError;

/// A batch of the store with what was measured of it.
pub(crate) struct Judged {
    /// The batch.
    pub(crate) batch: BatchId,
    /// When its hot time ended, if it did.
    pub(crate) ended_at: Option<Timestamp>,
    /// What is on record about it.
    pub(crate) history: History,
    /// Its results by the criteria of the settings, in their order.
    pub(crate) results: Vec<(Judgement, Criterion, Option<Chosen>)>,
}

/// Judges batches of the store as things stood at `now`: those that `wanted` lets through by number, beginning and end of the hot time.
/// Hands one after the other to `each`, by bin and time; only one history is in memory at a time.
///
/// # Errors
/// When the store cannot be read, or a criterion of the settings is not there.
pub(crate) fn each_of_store(
    site: &Site,
    criteria: &Criteria,
    now: Timestamp,
    wanted: &dyn Fn(BatchId, Timestamp, Option<Timestamp>) -> bool,
    each: &mut dyn FnMut(Judged),
) -> Result<(), CommandError> {
    let chosen = if site.criteria.is_empty() { Vec::new() } else { chosen(site, criteria, &[])? };
    let ledger = Ledger::open(&site.data_folder, Access::Read)?;
    let entries = in_force(ledger.entries()?);
    let all = lives::of_batches(&ledger.batches()?, &entries);
    let source = Origin::Store(Box::new(ledger));
    let mut asked = Vec::new();
    for life in all.iter().filter(|life| life.on_air_at <= now) {
        let later = all.iter().filter(|l| l.bin == life.bin && l.on_air_at > life.on_air_at && l.on_air_at <= now);
        let next = later.map(|l| l.on_air_at).min();
        let end = life.ended_at.into_iter().chain(next).min().filter(|end| *end <= now);
        if life.id.is_some_and(|id| wanted(id, life.on_air_at, end)) {
            asked.push(Asked { life: life.clone().known_at(now), until: end.unwrap_or(now), over: end.is_some() });
        }
    }
    asked.sort_by(|a, b| (&a.life.bin, a.life.on_air_at).cmp(&(&b.life.bin, b.life.on_air_at)));
    for one in asked {
        let Some(batch) = one.life.id else { continue };
        let ended_at = one.over.then_some(one.until);
        let history = history(site, &source, &entries, one, Facts::default())?;
        let results =
            chosen.iter().map(|(criterion, permit)| (judge(criterion, &history), criterion.clone(), permit.cloned()));
        let results = results.collect();
        each(Judged { batch, ended_at, history, results });
    }
    Ok(())
}
