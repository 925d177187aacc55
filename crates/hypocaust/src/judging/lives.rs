//! From when to when the readings of which bin tell of a batch, and what the log says of it beside.
//!
//! Must never judge, and never take a corrected entry for what holds.

use std::collections::BTreeMap;

use pile::time::Timestamp;
use site::batches::Batches;
use site::bounds;
use site::entry::{Batch, BatchId, Entry, EntryKind, Filled, Taken, in_force};
use site::ids::BinId;
use site::judge::LabResult;
use site::zone::Zone;

/// The hot time of a batch.
#[derive(Clone, Debug)]
pub(super) struct Life {
    /// Its number; none for a record without entries.
    pub(super) id: Option<BatchId>,
    /// The bin it was in.
    pub(super) bin: BinId,
    /// When it went on air there.
    pub(super) on_air_at: Timestamp,
    /// When it went off air or left the bin.
    pub(super) ended_at: Option<Timestamp>,
    /// When raw material was added after that.
    pub(super) raw_added: Vec<Timestamp>,
    /// When it began to cure.
    pub(super) curing_at: Option<Timestamp>,
    /// Results of laboratories.
    pub(super) lab: Vec<LabResult>,
    /// What was filled in, where somebody wrote it down.
    pub(super) filled: Option<Filled>,
}

impl Life {
    /// That of a record without entries.
    pub(super) fn unnumbered(bin: BinId, from: Timestamp) -> Life {
        Life {
            id: None,
            bin,
            on_air_at: from,
            ended_at: None,
            raw_added: Vec::new(),
            curing_at: None,
            lab: Vec::new(),
            filled: None,
        }
    }
}

impl Life {
    /// The life as it was at `now`: samples that were taken later say nothing of the time before, and change no paper about it.
    #[must_use]
    pub(super) fn known_at(mut self, now: Timestamp) -> Life {
        self.lab.retain(|result| result.sampled_at <= now);
        self.raw_added.retain(|at| *at <= now);
        self.curing_at = self.curing_at.filter(|at| *at <= now);
        self
    }
}

/// The lives of the store's batches; `entries` are those that hold.
pub(super) fn of_batches(batches: &[Batch], entries: &[Entry]) -> Vec<Life> {
    // A batch with a time that cannot be is not judged; the daemon names it.
    let fit = batches.iter().filter(|batch| batch.impossible_time().is_none());
    fit.filter_map(|batch| life(batch, entries)).filter(|life| bounds::is_of_calendar(life.on_air_at)).collect()
}

fn life(batch: &Batch, entries: &[Entry]) -> Option<Life> {
    let mine = || entries.iter().filter(|e| e.batch == Some(batch.id));
    let on_air = mine().find(|e| matches!(e.kind, EntryKind::OnAir { .. }));
    // A part of another batch never went on air by itself: its bin tells of it since it came there.
    let (bin, from) = match on_air {
        Some(entry) => (entry.bin.clone(), entry.at),
        None => (batch.bin.clone(), batch.counted_from()?),
    };
    let left = mine().filter_map(|e| match &e.kind {
        EntryKind::Moved { into: Some(into), .. } | EntryKind::Merged { into } if *into != bin && e.at >= from => {
            Some(e.at)
        }
        _ => None,
    });
    let stages = [batch.off_air_at, batch.curing_at, batch.storage_at, batch.gone_at];
    let ended_at = stages.into_iter().flatten().chain(left).filter(|at| *at >= from).min();
    let loaded = mine().filter(|e| matches!(e.kind, EntryKind::Loaded { taken: Taken::In, .. })).map(|e| e.at);
    // What another batch brings was not in this run.
    let merged = entries.iter().filter(|e| matches!(&e.kind, EntryKind::Merged { into } if *into == bin)).map(|e| e.at);
    let within = |at: &Timestamp| *at > from && ended_at.is_none_or(|end| *at <= end);
    let lab = mine().filter_map(|e| match &e.kind {
        EntryKind::LabResult { analyte, value, below, unit, laboratory, sampled_at, .. } => Some(LabResult {
            sampled_at: *sampled_at,
            parameter: analyte.clone(),
            value: (!below).then_some(*value),
            detectable: below.then_some(*value),
            unit: unit.clone(),
            laboratory: laboratory.clone(),
        }),
        _ => None,
    });
    Some(Life {
        id: Some(batch.id),
        on_air_at: from,
        ended_at,
        raw_added: loaded.chain(merged).filter(within).collect(),
        curing_at: batch.curing_at,
        lab: lab.collect(),
        filled: on_air.and_then(|e| match e.kind {
            EntryKind::OnAir { filling, .. } => filling,
            _ => None,
        }),
        bin,
    })
}

/// What entries of files tell of: the batches, the entries that hold with the batch that each is about, and what could not be.
pub(super) fn of_entries(entries: Vec<Entry>, zone: &Zone) -> (Vec<Life>, Vec<Entry>, Vec<(BinId, String)>) {
    let (mut here, mut batches, mut refused) = (Batches::default(), BTreeMap::new(), Vec::new());
    let mut entries = in_force(entries);
    for entry in &mut entries {
        match here.apply(entry, zone) {
            Ok(applied) => {
                entry.batch = applied.batch;
                batches.extend(applied.changed.into_iter().map(|batch| (batch.id, batch)));
            }
            Err(why) => {
                let what = format!("bin {}, {} of {}: {why}", entry.bin, entry.kind.key(), zone.show(entry.at));
                refused.push((entry.bin.clone(), what));
            }
        }
    }
    let batches: Vec<Batch> = batches.into_values().collect();
    (of_batches(&batches, &entries), entries, refused)
}

#[cfg(test)]
mod tests {
    use pile::time::Span;
    use pile::units::Kilograms;
    use site::entry::{Amount, EntryId, Really};

    use super::*;

    fn at(hours: i64) -> Timestamp {
        Timestamp::from_millis(1_773_014_400_000) + Span::hours(hours)
    }

    fn bin(name: &str) -> BinId {
        BinId::new(name).unwrap()
    }

    /// Entries of batch 1, numbered in their order.
    fn log(entries: Vec<(i64, &str, EntryKind)>) -> Vec<Entry> {
        let numbered = (1..).zip(entries).map(|(id, (hours, name, kind))| Entry {
            id: EntryId(id),
            batch: Some(BatchId(1)),
            ..Entry::new(at(hours), bin(name), kind, "Ann", "")
        });
        numbered.collect()
    }

    fn on_air() -> EntryKind {
        EntryKind::OnAir { loaded_at: None, filling: None }
    }

    fn loaded(taken: Taken) -> EntryKind {
        let amount = Amount::Mass(Kilograms(800.0));
        EntryKind::Loaded { source: "Canteen".into(), material: "food waste".into(), amount, taken }
    }

    #[test]
    fn what_came_later_changes_no_paper_about_the_time_before() {
        let batch =
            Batch { on_air_at: Some(at(10)), curing_at: Some(at(90)), ..Batch::begun(BatchId(1), bin("a"), at(0)) };
        let lab = EntryKind::LabResult {
            analyte: "Salmonella".into(),
            value: 3.0,
            below: true,
            unit: "MPN/4 g total solids".into(),
            laboratory: "County Lab".into(),
            method: String::new(),
            sampled_at: at(95),
        };
        let entries = log(vec![(10, "a", on_air()), (120, "a", lab)]);
        let lives = of_batches(&[batch], &entries);
        let known = |hours| {
            let life = lives[0].clone().known_at(at(hours));
            (life.lab.len(), life.curing_at)
        };
        assert_eq!(known(80), (0, None), "a summary of the week before says what it said");
        assert_eq!(known(95), (1, Some(at(90))), "a sample counts from when it was taken, whenever its result came");
    }

    #[test]
    fn a_batch_is_told_of_by_its_bin_from_on_air_until_it_leaves() {
        let batch = |change: fn(&mut Batch)| {
            let mut batch = Batch { on_air_at: Some(at(10)), ..Batch::begun(BatchId(1), bin("a"), at(0)) };
            change(&mut batch);
            batch
        };
        let early = Really { at: at(8), kind: on_air() };
        let corrected = |really| EntryKind::Corrected { of: EntryId(1), really };
        let moved = |into: &str| EntryKind::Moved { stage: None, into: Some(bin(into)) };
        for (batch, entries, from, until, raw, why) in [
            (batch(|_| {}), vec![(10, "a", on_air())], 10, None, vec![], "it is on air"),
            (
                batch(|b| b.off_air_at = Some(at(90))),
                vec![(10, "a", on_air())],
                10,
                Some(90),
                vec![],
                "it went off air",
            ),
            (
                batch(|b| b.bin = bin("cure")),
                vec![(10, "a", on_air()), (80, "a", moved("cure"))],
                10,
                Some(80),
                vec![],
                "the bin that it was hot in, until it left that",
            ),
            (
                batch(|_| {}),
                vec![
                    (10, "a", on_air()),
                    (5, "a", loaded(Taken::In)),
                    (30, "a", loaded(Taken::In)),
                    (40, "a", loaded(Taken::Rejected)),
                ],
                10,
                None,
                vec![30],
                "a load after on air; one before it and one turned away reset nothing",
            ),
            (
                batch(|_| {}),
                vec![(10, "a", on_air()), (99, "a", corrected(Some(Box::new(early))))],
                8,
                None,
                vec![],
                "a correction holds",
            ),
        ] {
            let entries = in_force(log(entries));
            let lives = of_batches(&[batch], &entries);
            let [life] = &lives[..] else { panic!("{why}: {lives:?}") };
            assert_eq!((life.bin.as_str(), life.on_air_at), ("a", at(from)), "{why}");
            assert_eq!(life.ended_at, until.map(at), "{why}");
            assert_eq!(life.raw_added, raw.into_iter().map(at).collect::<Vec<_>>(), "{why}");
        }
        let never = in_force(log(vec![(10, "a", EntryKind::Turned), (20, "a", corrected(None))]));
        assert!(never.is_empty(), "what never happened is not there");
    }
}
