//! Gathers what the process record of a batch states.
//!
//! Must never leave out what could speak against the batch.

use engine::alarm::{AlarmKey, Subject};
use indicatif::ProgressBar;
use pile::time::{Span, Timestamp};
use post::reports::facts::{BatchFacts, Course, Edition, LabFacts};
use site::entry::{BatchId, Entry, EntryKind, Taken};

use super::parts::{course, results};
use super::sources::{Sources, begun};
use super::week::stage;
use crate::commands::CommandError;
use crate::judging::{Judged, each_of_store};

impl Sources<'_> {
    /// Everything that the process record of a batch states; the first edition, until somebody says otherwise.
    ///
    /// # Errors
    /// When there is no such batch, or the store cannot be read.
    pub(crate) fn batch_facts(
        &self,
        id: BatchId,
        now: Timestamp,
        bar: &ProgressBar,
    ) -> Result<BatchFacts, CommandError> {
        let Some(batch) = self.batch(id) else {
            let known: Vec<String> = self.batches.iter().map(|b| b.id.to_string()).collect();
            return Err(CommandError::Usage(match known.is_empty() {
                true => format!("there is no batch {id}; there is none yet"),
                false => format!("there is no batch {id}; there are {}", known.join(", ")),
            }));
        };
        let mut judged: Option<Judged> = None;
        each_of_store(self.site, &self.criteria, now, &|own, _, _| own == id, &mut |one| {
            bar.inc(1);
            judged = Some(one);
        })?;
        let own = move |e: &Entry| e.batch == Some(id);
        let whole = (Timestamp::MIN, now);
        let hot = judged.as_ref().map(|j| (j.history.from, j.ended_at));
        let hot_bin = judged.as_ref().map_or_else(|| batch.bin.clone(), |j| j.history.bin.clone());
        let window = hot.map_or((begun(batch), now), |(from, until)| (from, until.unwrap_or(now)));
        let (mut days, mut probes) = (Vec::new(), Vec::new());
        for (probe, _) in self.instruments.in_bin(self.site, &hot_bin, window.0, window.1) {
            if probes.iter().any(|p: &post::reports::facts::ProbeFacts| p.probe == probe) {
                continue;
            }
            let mut stays = self.instruments.stays(self.site, &probe);
            stays.retain(|stay| stay.bin.as_ref() == Some(&hot_bin));
            if let Some((facts, _)) = self.probe(&probe, &stays, window, &mut days)? {
                probes.push(facts);
            }
        }
        days.sort_by_key(|d| d.day);
        let about = |key: &AlarmKey| key.subject == Subject::Bin(hot_bin.clone());
        Ok(BatchFacts {
            site: self.site_facts(),
            batch: batch.clone(),
            stage: stage(batch, now),
            hot,
            to: now,
            made_at: now,
            edition: Edition { number: 1, changes: Vec::new() },
            children: self.batches.iter().filter(|b| b.parents.contains(&id)).map(|b| b.id).collect(),
            loads: self.loads(whole, &own),
            results: judged.as_ref().map_or_else(Vec::new, results),
            course: judged.as_ref().map_or_else(|| nothing_yet(window), course),
            probes,
            lab: self.lab(id),
            contacts: self.contacts(id, judged.as_ref()),
            deviations: self.deviations(window, &about)?,
            entries: self.log(whole, &own),
            shipments: self.shipments(whole, &own),
            water: self.water(&hot_bin, whole, &own),
            occurrences: self.occurrences(window)?,
            days,
            checkpoint: Some(self.checkpoint()?),
            hot_bin,
        })
    }

    fn lab(&self, id: BatchId) -> Vec<LabFacts> {
        let own = self.entries.iter().filter(|e| e.batch == Some(id));
        let lab = own.filter_map(|e| match &e.kind {
            EntryKind::LabResult { analyte, value, below, unit, laboratory, method, sampled_at } => Some(LabFacts {
                analyte: analyte.clone(),
                value: *value,
                below: *below,
                unit: unit.clone(),
                laboratory: laboratory.clone(),
                method: method.clone(),
                sampled_at: *sampled_at,
                by: e.by.clone(),
            }),
            _ => None,
        });
        lab.collect()
    }

    /// What could have brought raw material to it since it was hot: from when the first criterion was met, or else since it was on air.
    fn contacts(&self, id: BatchId, judged: Option<&Judged>) -> Vec<post::reports::facts::EntryFacts> {
        let Some(judged) = judged else { return Vec::new() };
        let since = judged.results.iter().filter_map(|(j, ..)| j.met_at).min().unwrap_or(judged.history.from);
        let touches = |kind: &EntryKind| match kind {
            EntryKind::Loaded { taken, .. } => *taken == Taken::In,
            EntryKind::Moved { .. } | EntryKind::Split { .. } | EntryKind::Merged { .. } => true,
            EntryKind::Opened | EntryKind::Turned => true,
            _ => false,
        };
        let own = self.recorded.iter().filter(|r| {
            let into = matches!(&r.entry.kind, EntryKind::Merged { into } if *into == judged.history.bin);
            (r.entry.batch == Some(id) || into) && r.entry.at > since && touches(&r.entry.kind)
        });
        own.map(|r| self.entry(&r.entry, r.recorded_at)).collect()
    }
}

/// The course of a batch that was not on air.
fn nothing_yet((from, to): (Timestamp, Timestamp)) -> Course {
    Course {
        from,
        to: to.max(from + Span::hours(1)),
        lines: Vec::new(),
        limits: Vec::new(),
        marks: Vec::new(),
        counted: Vec::new(),
        counted_by: String::new(),
        met: None,
    }
}
