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
use crate::report::Rendered;

impl Loop {
    /// Renders a mail that was not rendered yet, or sends the bytes that were.
    pub(super) fn deliver(&mut self, id: MailId) {
        if self.ledger.is_lost(id) {
            // What the outbox has under its number is another mail.
            let reply = "the store does not take this mail; `hypocaust store check` names it".to_owned();
            return self.come_back(Work::Outcome(id, MailOutcome::Unfit { reply }));
        }
        self.vitals.begins(id);
        let (mail, rendered) = match self.ledger.mail(id) {
            Ok(Some(found)) => found,
            Ok(None) => return self.come_back(Work::Outcome(id, super::gone())),
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
                    let (of, at) = (mail.clone(), Arc::clone(&site));
                    let back = match apart(move || crate::report::render(&of, &at, now)).await {
                        Ok(rendered) => Work::Rendered(id, rendered.map_err(|e| chain(&e))),
                        Err(why) => {
                            // Somebody waits for this mail: what it says matters more than how it looks.
                            let told = why.clone();
                            let plain = apart(move || post::render_after_fault(&mail, &site, now, &told)).await;
                            let plain = plain.and_then(|made| made.map_err(|e| chain(&e)));
                            let plain =
                                plain.map(|bytes| Rendered { bytes, issued: None, failed: None, amended: Vec::new() });
                            // Parts are named by their kind: a name for each mail would be an alarm for each.
                            let (part, why) = ("the making of a mail".to_owned(), format!("mail {}: {why}", id.0));
                            Work::Failed { part, why, instead: Some(Box::new(Work::Rendered(id, plain))) }
                        }
                    };
                    let _ = work.send(back).await;
                });
            }
        }
    }

    pub(super) fn send(&mut self, id: MailId, to: String, bytes: Vec<u8>) {
        let (postman, work, from) = (Arc::clone(&self.postman), self.work.clone(), self.site.mail.from.clone());
        self.away += 1;
        tokio::spawn(async move {
            // In a task of its own: however it ends, the loop hears of it.
            let sent = tokio::spawn(async move { postman.deliver(&from, &to, &bytes).await }).await;
            let back = match sent {
                Ok(outcome) => Work::Outcome(id, outcome),
                Err(ended) => {
                    let why = why_ended(ended);
                    let outcome = MailOutcome::Deferred { reply: why.clone() };
                    let (part, why) = ("the delivery of a mail".to_owned(), format!("mail {}: {why}", id.0));
                    Work::Failed { part, why, instead: Some(Box::new(Work::Outcome(id, outcome))) }
                }
            };
            let _ = work.send(back).await;
        });
    }

    pub(super) fn recall(&mut self, series: SeriesId, from: Timestamp) {
        let (folder, work, repeats) = (self.folder.clone(), self.work.clone(), self.repeats.clone());
        self.away += 1;
        tokio::spawn(async move {
            let id = series.clone();
            let back = |points| Work::Recalled { series: series.clone(), from, points };
            let back = match apart(move || read_history(&folder, &id, from)).await {
                Ok(Ok(points)) => back(points),
                Ok(Err(source)) => {
                    let why = chain(&source);
                    if repeats.is_first(&format!("history cannot be read: {why}"), &series.to_string()) {
                        tracing::warn!(
                            "the history of {series} cannot be read: {why}; its time above thresholds starts now"
                        );
                    }
                    back(Vec::new())
                }
                // The engine waits for an answer before it asks for the next series.
                Err(why) => {
                    let (part, why) = ("reading the history of a probe".to_owned(), format!("{series}: {why}"));
                    Work::Failed { part, why, instead: Some(Box::new(back(Vec::new()))) }
                }
            };
            let _ = work.send(back).await;
        });
    }

    /// Judges a batch by its whole history, one after the other so that a large site stays awake.
    pub(super) fn judge(&mut self, bin: BinId, batch: BatchId, until: Timestamp) {
        let (site, work, one) = (Arc::clone(&self.site), self.work.clone(), Arc::clone(&self.one_judge));
        let repeats = self.repeats.clone();
        self.away += 1;
        tokio::spawn(async move {
            let _turn = one.acquire().await;
            let back = match apart(move || crate::judging::standings(&site, batch, until)).await {
                Ok(Ok(standings)) => Work::Judged { bin, batch, at: until, standings },
                Ok(Err(why)) => {
                    let what = format!("batch {batch} in bin {bin}");
                    if repeats.is_first(&format!("a batch cannot be judged: {why}"), &what) {
                        tracing::warn!("{what} cannot be judged: {why}");
                    }
                    Work::Judged { bin, batch, at: until, standings: Vec::new() }
                }
                // It stands as it was judged before, and is judged again in its time.
                Err(why) => {
                    let why = format!("batch {batch} in bin {bin}: {why}");
                    Work::Failed { part: "judging a batch".to_owned(), why, instead: None }
                }
            };
            let _ = work.send(back).await;
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

/// Does work where blocking hurts nobody.
///
/// # Errors
/// Why it did not come to its end: a panic in it, with its place.
async fn apart<T: Send + 'static>(work: impl FnOnce() -> T + Send + 'static) -> Result<T, String> {
    match tokio::task::spawn_blocking(move || fence::caught(work)).await {
        Ok(done) => done.map_err(|panic| panic.to_string()),
        Err(ended) => Err(why_ended(ended)),
    }
}

fn why_ended(ended: tokio::task::JoinError) -> String {
    match ended.try_into_panic() {
        Ok(payload) => fence::Panic::of(payload.as_ref()).to_string(),
        Err(_) => "it was interrupted".to_owned(),
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

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_panic_of_work_apart_comes_back_as_a_reason() {
        assert_eq!(apart(|| 7).await, Ok(7));
        let none: Vec<u8> = Vec::new();
        let why = apart(move || none[2]).await;
        assert_eq!(
            why,
            Err("a fault of hypocaust itself (index out of bounds: the len is 0 but the index is 2)".to_owned())
        );
        let ended = tokio::spawn(async { panic!("on the way") }).await.map(|(): ()| ());
        assert_eq!(ended.map_err(why_ended), Err("a fault of hypocaust itself (on the way)".to_owned()));
    }
}
