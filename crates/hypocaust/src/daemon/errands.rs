//! What the loop has done beside it, in tasks of their own: mails rendered and sent, history read back, batches judged.
//!
//! Must never touch the engine or the store's writing side: what comes of an errand comes back as work for the loop.

use std::path::Path;
use std::sync::Arc;

use engine::effect::MailId;
use engine::input::MailOutcome;
use ledger::{Access, Ledger};
use pile::time::Timestamp;
use pile::window::Point;
use site::entry::BatchId;
use site::ids::BinId;
use site::reading::SeriesId;

use super::{Loop, Work, chain};
use crate::clock::Clock;

impl Loop {
    /// Renders a mail that was not rendered yet, or sends the bytes that were.
    pub(super) fn deliver(&mut self, id: MailId) {
        self.vitals.begins(id);
        let (mail, rendered) = match self.ledger.mail(id) {
            Ok(Some(found)) => found,
            Ok(None) => return self.vitals.ends(id),
            Err(source) => {
                let reply = format!("the store does not give the mail: {source}");
                self.come_back(Work::Outcome(id, MailOutcome::Deferred { reply }));
                return;
            }
        };
        match rendered {
            Some(bytes) => self.send(id, mail.to, bytes),
            None => {
                let (site, now, work) = (Arc::clone(&self.site), self.clock.now(), self.work.clone());
                self.away += 1;
                tokio::spawn(async move {
                    let done = tokio::task::spawn_blocking(move || crate::report::render(&mail, &site, now)).await;
                    let rendered = match done {
                        Ok(rendered) => rendered.map_err(|e| chain(&e)),
                        Err(panic) => Err(panic.to_string()),
                    };
                    let _ = work.send(Work::Rendered(id, rendered)).await;
                });
            }
        }
    }

    pub(super) fn send(&mut self, id: MailId, to: String, bytes: Vec<u8>) {
        let (postman, work, from) = (Arc::clone(&self.postman), self.work.clone(), self.site.mail.from.clone());
        self.away += 1;
        tokio::spawn(async move {
            let outcome = postman.deliver(&from, &to, &bytes).await;
            let _ = work.send(Work::Outcome(id, outcome)).await;
        });
    }

    pub(super) fn recall(&mut self, series: SeriesId, from: Timestamp) {
        let (folder, work, repeats) = (self.folder.clone(), self.work.clone(), self.repeats.clone());
        self.away += 1;
        tokio::spawn(async move {
            let id = series.clone();
            let read = tokio::task::spawn_blocking(move || read_history(&folder, &id, from)).await;
            let read = read.map_err(|panic| panic.to_string()).and_then(|read| read.map_err(|source| chain(&source)));
            let points = read.unwrap_or_else(|why| {
                if repeats.is_first(&format!("history cannot be read: {why}"), &series.to_string()) {
                    tracing::warn!(
                        "the history of {series} cannot be read: {why}; its time above thresholds starts now"
                    );
                }
                Vec::new()
            });
            let _ = work.send(Work::Recalled { series, from, points }).await;
        });
    }

    /// Judges a batch by its whole history, one after the other so that a large site stays awake.
    pub(super) fn judge(&mut self, bin: BinId, batch: BatchId, until: Timestamp) {
        let (site, work, one) = (Arc::clone(&self.site), self.work.clone(), Arc::clone(&self.one_judge));
        let repeats = self.repeats.clone();
        self.away += 1;
        tokio::spawn(async move {
            let _turn = one.acquire().await;
            let judged = tokio::task::spawn_blocking(move || crate::judging::standings(&site, batch, until)).await;
            let judged =
                judged.map_err(|panic| panic.to_string()).and_then(|judged| judged.map_err(|why| why.to_string()));
            let standings = judged.unwrap_or_else(|why| {
                if repeats.is_first(&format!("a batch cannot be judged: {why}"), &format!("batch {batch} in bin {bin}"))
                {
                    tracing::warn!("batch {batch} in bin {bin} cannot be judged: {why}");
                }
                Vec::new()
            });
            let _ = work.send(Work::Judged { bin, batch, at: until, standings }).await;
        });
    }

    pub(super) fn come_back(&mut self, work: Work) {
        let sender = self.work.clone();
        self.away += 1;
        tokio::spawn(async move {
            let _ = sender.send(work).await;
        });
    }
}

fn read_history(folder: &Path, series: &SeriesId, from: Timestamp) -> Result<Vec<Point>, ledger::LedgerError> {
    Ledger::open(folder, Access::Read)?.history(series, from, Timestamp::MAX)
}

/// The share of the folder's disk that is free to us; `None` where the system does not say, or the clock is driven.
pub(super) fn disk_free(folder: &Path, clock: &Clock) -> Option<f64> {
    if matches!(clock, Clock::Driven(_)) {
        return None;
    }
    let disk = rustix::fs::statvfs(folder).ok()?;
    (disk.f_blocks > 0).then(|| disk.f_bavail as f64 / disk.f_blocks as f64)
}
