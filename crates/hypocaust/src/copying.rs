//! Keeps the copy in InfluxDB up with the store, in a task beside the loop.
//!
//! Must never hold the loop up: what cannot be handed over is left, and found again in the record.
//!
//! There is one cursor, a number of a row of the record. Events, entries and results are rows; readings are under the row with the root of
//! their hour, which is written ten minutes after it. So that pictures need not wait for that, readings also go out as they are committed;
//! an hour of which all went out that way is not sent again when its row comes.

pub mod commands;

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use copier::{AT_ONCE, Bucket, CopyError, NotTaken, points};
use engine::effect::Effect;
use ledger::{Access, Committed, KeptRow, Ledger, LedgerError, ReadingFilter};
use pile::time::{Span, Timestamp};
use seal::bundle::HOUR_KIND;
use seal::readings::{HOUR, hour_of};
use site::model::{Influx, Site};
use site::reading::{Quality, Reading};
use tokio::sync::mpsc;
use tokio::time::Instant;

use crate::daemon::chain;
use crate::secrets::{self, SecretError};

/// Commits whose readings wait to go out. More of them are left for the row of their hour.
const LIVE_WAITING: usize = 256;
/// From one look for new rows to the next.
const LOOKED_EVERY: Duration = Duration::from_secs(5);
/// How long readings are gathered before they go out together.
const GATHERED_FOR: Duration = Duration::from_secs(1);
/// Rows that are read at once.
const ROWS_AT_ONCE: usize = 200;
/// Hours of which it is remembered how many readings went out; late ones of more hours are simply sent again.
const HOURS_REMEMBERED: usize = 1_000;

/// What the copy tells the loop, which alone writes the store.
#[derive(Debug)]
pub(crate) enum CopyWord {
    /// Every row before `next` is copied.
    Copied { next: u64, not_taken: Vec<NotTaken> },
    /// Something stands in the way.
    Trouble { why: String },
    /// It panicked, and rests.
    Broke { why: String },
}

/// One reading with what is said of it.
type Told = (Reading, Quality, String);

/// The loop's end of it.
#[derive(Debug)]
pub(crate) struct CopyHand {
    live: mpsc::Sender<Vec<Told>>,
    /// The name of the target, by which the store knows how far the copy is.
    pub(crate) target: String,
}

/// Why one attempt failed.
#[derive(Debug, thiserror::Error)]
enum Failed {
    #[error(transparent)]
    Copy(#[from] CopyError),
    #[error("the token for InfluxDB is missing")]
    Secret(#[from] SecretError),
    #[error("the store cannot be read")]
    Ledger(#[from] LedgerError),
    #[error("reading the store was interrupted")]
    Interrupted,
    #[error("{0}")]
    Panicked(fence::Panic),
}

/// The name of a target in the store.
pub fn target(influx: &Influx) -> String {
    format!("{} {} {}", influx.url, influx.organisation, influx.bucket)
}

/// Starts the copy, if the settings ask for one. `tell` hands words to the loop; `false` means that it is gone.
pub(crate) fn start<F>(
    site: &Arc<Site>,
    folder: PathBuf,
    tell: impl Fn(CopyWord) -> F + Send + Sync + 'static,
) -> Option<CopyHand>
where
    F: Future<Output = bool> + Send + 'static,
{
    let influx = site.influx.clone()?;
    let (live, waiting) = mpsc::channel(LIVE_WAITING);
    let target = target(&influx);
    let copying = Copying {
        site: site.id.clone(),
        influx,
        folder,
        target: target.clone(),
        live: waiting,
        sent: BTreeMap::new(),
        not_taken: Vec::new(),
        paced_until: Instant::now(),
    };
    tokio::spawn(copying.run(tell));
    Some(CopyHand { live, target })
}

impl CopyHand {
    /// Offers what was just committed. Where a reading was there before, all of this commit waits for the row of its hour: it might
    /// contradict the one that is stored.
    pub(crate) fn offer(&self, committed: Committed, effects: &[Effect]) {
        if committed.stored == 0 || committed.repeats + committed.conflicts > 0 || self.live.capacity() == 0 {
            return;
        }
        let readings = effects.iter().filter_map(|effect| match effect {
            Effect::Store { reading, quality, reason } => Some((reading.clone(), *quality, reason.clone())),
            _ => None,
        });
        // Full in the meantime is no loss: the hour's row says how many there are.
        let _ = self.live.try_send(readings.collect());
    }
}

struct Copying {
    site: String,
    influx: Influx,
    folder: PathBuf,
    target: String,
    live: mpsc::Receiver<Vec<Told>>,
    /// How many readings of an hour went out as they came.
    sent: BTreeMap<Timestamp, u64>,
    /// Found while readings went out as they came; told with the next row.
    not_taken: Vec<NotTaken>,
    /// Catching up goes on then.
    paced_until: Instant,
}

impl Copying {
    async fn run<F: Future<Output = bool>>(mut self, tell: impl Fn(CopyWord) -> F) {
        let mut failed = 0;
        loop {
            // Each attempt begins with what the store says of the copy: nothing half done is left by one that panicked.
            let why = match fence::awaited(self.attempt(&tell, &mut failed)).await {
                Ok(Ok(())) => return,
                Ok(Err(why)) => why,
                Err(panic) => Failed::Panicked(panic),
            };
            failed += 1;
            let wait = match &why {
                Failed::Copy(e) => e.wait(failed),
                Failed::Secret(_) => Duration::from_secs(60),
                Failed::Ledger(_) | Failed::Interrupted => Duration::from_secs(10),
                Failed::Panicked(_) => crate::daemon::PART_RESTS,
            };
            let broke = matches!(why, Failed::Panicked(_));
            let why = chain(&why);
            if failed == 1 {
                tracing::warn!("the copy in InfluxDB waits: {why}; alarms and the store are not touched by it");
            } else {
                tracing::debug!("the copy in InfluxDB waits still, {} s: {why}", wait.as_secs());
            }
            let word = match broke {
                true => CopyWord::Broke { why },
                false => CopyWord::Trouble { why },
            };
            if !tell(word).await {
                return;
            }
            // What came meanwhile is in the store, and stays for the rows of its hours.
            let until = Instant::now() + wait;
            while let Ok(Some(_)) = tokio::time::timeout_at(until, self.live.recv()).await {}
            if self.live.is_closed() {
                return;
            }
        }
    }

    /// Copies until something fails; gives back only when the loop is gone.
    async fn attempt<F: Future<Output = bool>>(
        &mut self,
        tell: &impl Fn(CopyWord) -> F,
        failed: &mut u32,
    ) -> Result<(), Failed> {
        let token = secrets::read(&self.influx.token)?;
        let bucket = Bucket::open(&self.influx, &token)?;
        let mut next = self.read(|ledger, this| Ok(ledger.copy_state(&this.target)?.next)).await?;
        let mut looked_at = None;
        loop {
            if self.pass_on(&bucket).await? {
                self.well(next, tell, failed).await;
                continue;
            }
            let now = Instant::now();
            let due = looked_at.map_or(now, |at| at + LOOKED_EVERY).max(self.paced_until);
            if now < due {
                match tokio::time::timeout_at(due, self.live.recv()).await {
                    Ok(None) => return Ok(()),
                    Ok(Some(first)) => {
                        tokio::time::sleep(GATHERED_FOR).await;
                        self.send_live(&bucket, first).await?;
                        self.well(next, tell, failed).await;
                    }
                    Err(_) => {}
                }
                continue;
            }
            let rows = self.read(move |ledger, _| ledger.rows_from(next, ROWS_AT_ONCE)).await?;
            let came_to = self.copy_rows(&bucket, &rows).await?;
            // All rows that there were: the next look can wait.
            let all = rows.len() < ROWS_AT_ONCE && came_to == rows.last().map(|row| row.seq + 1);
            looked_at = all.then_some(now);
            if let Some(came_to) = came_to {
                next = came_to;
                *failed = 0;
                let not_taken = std::mem::take(&mut self.not_taken);
                if !tell(CopyWord::Copied { next, not_taken }).await {
                    return Ok(());
                }
            }
        }
    }

    /// Says that trouble is over, once.
    async fn well<F: Future<Output = bool>>(&mut self, next: u64, tell: &impl Fn(CopyWord) -> F, failed: &mut u32) {
        if std::mem::take(failed) > 0 {
            tracing::info!("the copy in InfluxDB goes on");
            let not_taken = std::mem::take(&mut self.not_taken);
            tell(CopyWord::Copied { next, not_taken }).await;
        }
    }

    /// Sends what has come since, if anything has.
    async fn pass_on(&mut self, bucket: &Bucket) -> Result<bool, Failed> {
        match self.live.try_recv() {
            Ok(first) => self.send_live(bucket, first).await.map(|()| true),
            Err(_) => Ok(false),
        }
    }

    async fn send_live(&mut self, bucket: &Bucket, mut readings: Vec<Told>) -> Result<(), Failed> {
        while readings.len() < AT_ONCE {
            match self.live.try_recv() {
                Ok(more) => readings.extend(more),
                Err(_) => break,
            }
        }
        self.send(bucket, &readings).await?;
        for (reading, ..) in &readings {
            *self.sent.entry(hour_of(reading.measured_at)).or_default() += 1;
        }
        while self.sent.len() > HOURS_REMEMBERED {
            self.sent.pop_first();
        }
        Ok(())
    }

    async fn send(&mut self, bucket: &Bucket, readings: &[Told]) -> Result<(), Failed> {
        for part in readings.chunks(AT_ONCE) {
            let points: Vec<_> =
                part.iter().map(|(r, quality, why)| points::of_reading(&self.site, r, *quality, why)).collect();
            self.not_taken.extend(bucket.write(&points).await?);
        }
        Ok(())
    }

    /// Copies rows until one of them brought an hour of readings, so that what is new gets its turn; gives the number of the row after.
    async fn copy_rows(&mut self, bucket: &Bucket, rows: &[KeptRow]) -> Result<Option<u64>, Failed> {
        let mut events = Vec::new();
        let mut hour = None;
        let mut came_to = None;
        for row in rows {
            came_to = Some(row.seq + 1);
            if row.kind == HOUR_KIND {
                hour = self.hour_of_row(row);
                if hour.is_some() {
                    break;
                }
            } else {
                events.extend(points::of_row(&self.site, row.seq, row.at, &row.kind, &row.body));
            }
        }
        self.not_taken.extend(bucket.write(&events).await?);
        if let Some(hour) = hour {
            let begun = Instant::now();
            let readings = self.read(move |ledger, _| readings_of(ledger, hour)).await?;
            self.send(bucket, &readings).await?;
            let least = Duration::from_secs_f64(readings.len() as f64 / f64::from(self.influx.catch_up_per_second));
            self.paced_until = begun + least;
        }
        Ok(came_to)
    }

    /// The hour of a row, unless all of its readings went out as they came.
    fn hour_of_row(&mut self, row: &KeptRow) -> Option<Timestamp> {
        let hour = site::zone::parse_rfc3339(row.body["hour"].as_str()?)?;
        let sent = self.sent.remove(&hour);
        (sent.is_none() || sent != row.body["readings"].as_u64()).then_some(hour)
    }

    /// Reads in the store, beside whoever writes it, where blocking hurts nobody.
    async fn read<T: Send + 'static>(
        &self,
        what: impl FnOnce(&Ledger, &Place) -> Result<T, LedgerError> + Send + 'static,
    ) -> Result<T, Failed> {
        let place = Place { folder: self.folder.clone(), target: self.target.clone() };
        let read = move || what(&Ledger::open(&place.folder, Access::Read)?, &place);
        Ok(tokio::task::spawn_blocking(read).await.map_err(|_| Failed::Interrupted)??)
    }
}

/// Where the store is, and by what name it knows the target.
struct Place {
    folder: PathBuf,
    target: String,
}

/// Every reading of an hour that is stored.
pub(crate) fn readings_of(ledger: &Ledger, hour: Timestamp) -> Result<Vec<Told>, LedgerError> {
    let filter =
        ReadingFilter { from: Some(hour), to: Some(hour + HOUR - Span::millis(1)), ..ReadingFilter::default() };
    let mut readings = Vec::new();
    ledger.readings(&filter, &mut |row| readings.push((row.reading, row.quality, row.reason)))?;
    Ok(readings)
}
