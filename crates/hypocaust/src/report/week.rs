//! Gathers what a weekly summary states.
//!
//! Must never tell of a time after the week, but for what became known of it since.

use std::collections::{BTreeMap, BTreeSet};

use engine::notice::{AlarmFigures, Notice};
use indicatif::ProgressBar;
use pile::time::{Span, Timestamp};
use pile::window::Point;
use post::reports::facts::{
    BatchWeek, BinFacts, BlowerFacts, Clock, ComplaintFacts, DateFacts, Deviation, Edition, MoveFacts, Newest, Ran,
    Review, SETTLED, WeekFacts,
};
use post::reports::measured;
use rulebook::header::Priority;
use site::entry::{BatchId, EntryKind, Stage};
use site::ids::{BinId, ProbeId};
use site::judge::Outcome;
use site::model::{Position, RunProof};
use site::quantity::Quantity;
use site::reading::{SeriesId, Source};
use site::zone::{IsoWeek, WeeklyTime, Zone};

use super::parts::{course, in_pile, results};
use super::sources::{Sources, begun};
use crate::commands::CommandError;
use crate::judging::{Judged, each_of_store};

/// What follows a complaint in the log is taken for the response up to so many entries.
const RESPONSES_LISTED: usize = 3;
/// A batch is commonly taken off air after four to six weeks; common practice, no source.
const ON_AIR_WEEKS: [i64; 2] = [4, 6];
/// Compost commonly cures for a month at least; NRAES-54, from memory.
const CURED_AFTER: Span = Span::days(30);
/// An alarm that has stood for longer than this is named.
const STANDING_AFTER: Span = Span::hours(24);

/// When a week that a summary tells of begins and ends: from one time of summaries to the next, each less [`SETTLED`].
///
/// # Errors
/// When the site's calendar has no such week.
pub(crate) fn bounds(zone: &Zone, summary: WeeklyTime, week: IsoWeek) -> Result<(Timestamp, Timestamp), CommandError> {
    let none = || CommandError::Usage(format!("there is no week {:04}-W{:02}", week.year, week.week));
    let mut to = zone.week_begins(week).ok_or_else(none)?;
    for _ in 0..3 {
        to = zone.next_weekly(to, summary);
        if zone.iso_week(to - Span::days(1)) == week {
            return Ok((zone.next_weekly(to - Span::days(8), summary) - SETTLED, to - SETTLED));
        }
    }
    Err(none())
}

/// The newest week that is over.
pub(crate) fn newest(zone: &Zone, summary: WeeklyTime, now: Timestamp) -> IsoWeek {
    let mut due = zone.next_weekly(now - Span::days(15), summary);
    loop {
        let next = zone.next_weekly(due, summary);
        if next > now {
            return zone.iso_week(due - Span::days(1));
        }
        due = next;
    }
}

impl Sources<'_> {
    /// Everything that the summary of a week states; the first edition, until somebody says otherwise.
    ///
    /// # Errors
    /// When the store cannot be read, or the week has not begun.
    pub(crate) fn week(&self, week: IsoWeek, now: Timestamp, bar: &ProgressBar) -> Result<WeekFacts, CommandError> {
        let (from, whole) = bounds(&self.site.zone, self.site.summary, week)?;
        if from >= now {
            return Err(CommandError::Usage(format!(
                "week {:04}-W{:02} has not begun; it does {}",
                week.year,
                week.week,
                self.site.zone.show(from)
            )));
        }
        let to = whole.min(now);
        let window = (from, to);
        let (mut batches, mut ends) = (Vec::new(), Vec::new());
        let clocks = self.judged(window, bar, &mut batches, &mut ends)?;
        let (mut days, mut newest) = (Vec::new(), BTreeMap::new());
        let mut probes = Vec::new();
        for id in self.site.probes.keys() {
            let stays = self.instruments.stays(self.site, id);
            if let Some((facts, points)) = self.probe(id, &stays, window, &mut days)? {
                newest.insert(id.clone(), points.last().copied());
                probes.push(facts);
            }
        }
        days.sort_by_key(|d| d.day);
        let deviations = self.deviations(window, &|_| true)?;
        let bins = self.site.bins.keys().map(|bin| self.bin(bin, window, &clocks, &newest, &probes, &deviations));
        let bins = bins.collect();
        let any = |_: &site::entry::Entry| true;
        Ok(WeekFacts {
            site: self.site_facts(),
            week,
            from,
            to,
            made_at: now,
            running: to < whole,
            edition: Edition { number: 1, changes: Vec::new() },
            review: Review::Draft,
            bins,
            batches,
            loads: self.loads(window, &any),
            moves: self.moves(window),
            shipments: self.shipments(window, &any),
            complaints: self.complaints(window),
            occurrences: self.occurrences(window)?,
            entries: self.log(window, &any),
            dates: self.dates(to, ends, &probes),
            probes,
            blowers: self.blowers(window)?,
            water: self.site.bins.keys().map(|bin| self.water(bin, window, &any)).filter(|w| w.waterings > 0).collect(),
            alarms: self.alarm_figures(week, window, &deviations)?,
            refused: self.refused(window)?,
            mails_given_up: self.given_up(window)?,
            deviations,
            days,
            checkpoint: Some(self.checkpoint()?),
        })
    }

    /// Judges what was on the site in the week; gives the clock of each batch, and the batches that were hot in it.
    fn judged(
        &self,
        (from, to): (Timestamp, Timestamp),
        bar: &ProgressBar,
        batches: &mut Vec<BatchWeek>,
        ends: &mut Vec<DateFacts>,
    ) -> Result<BTreeMap<BatchId, Clock>, CommandError> {
        let mut clocks = BTreeMap::new();
        // What a week changed is told in full, and the rest in a line: so the start of the week is judged as well.
        let mut before: BTreeMap<(BatchId, String), Outcome> = BTreeMap::new();
        let begun = |id: BatchId, on_air: Timestamp, _: Option<Timestamp>| {
            on_air < from && self.batch(id).is_some_and(|b| b.gone_at.is_none_or(|gone| gone >= from))
        };
        each_of_store(self.site, &self.criteria, from, &begun, &mut |judged: Judged| {
            let found = judged.results.iter().map(|(j, ..)| ((judged.batch, j.criterion.clone()), j.result));
            before.extend(found);
        })?;
        let here = |id: BatchId| self.batch(id).is_some_and(|b| b.gone_at.is_none_or(|gone| gone >= from));
        let wanted =
            |id: BatchId, _: Timestamp, ended: Option<Timestamp>| here(id) || ended.is_some_and(|end| end >= from);
        each_of_store(self.site, &self.criteria, to, &wanted, &mut |judged: Judged| {
            bar.set_message(format!("batch {} judged", judged.batch));
            bar.inc(1);
            if let Some((j, ..)) = judged.results.first() {
                let at = if j.result == Outcome::Met { j.met_at } else { j.earliest_at };
                let clock = Clock {
                    criterion: j.criterion.clone(),
                    result: j.result,
                    hours_counted: j.hours_counted,
                    hours_needed: j.hours_needed,
                    at,
                };
                clocks.insert(judged.batch, clock);
            }
            for (j, ..) in &judged.results {
                if let (Outcome::Running, Some(at)) = (j.result, j.earliest_at) {
                    let what =
                        format!("batch {} in bin {} can meet {} at the earliest", judged.batch, j.bin, j.criterion);
                    ends.push(DateFacts { at, what });
                }
            }
            if judged.ended_at.is_none_or(|end| end >= from) {
                let mut results = results(&judged);
                for result in &mut results {
                    result.before = before.get(&(judged.batch, result.judgement.criterion.clone())).copied();
                }
                batches.push(BatchWeek {
                    batch: judged.batch,
                    bin: judged.history.bin.clone(),
                    hot: (judged.history.from, judged.ended_at),
                    course: course(&judged),
                    results,
                });
            }
        })?;
        Ok(clocks)
    }

    fn bin(
        &self,
        bin: &BinId,
        (_, to): (Timestamp, Timestamp),
        clocks: &BTreeMap<BatchId, Clock>,
        newest: &BTreeMap<ProbeId, Option<Point>>,
        probes: &[post::reports::facts::ProbeFacts],
        deviations: &[Deviation],
    ) -> BinFacts {
        let batch = self.batch_at(bin, to);
        let own = || probes.iter().filter(|p| p.bin.as_ref() == Some(bin) && in_pile(p.position));
        let known = |p: &post::reports::facts::ProbeFacts| {
            let point = (*newest.get(&p.probe)?)?;
            Some(Newest { probe: p.probe.clone(), at: point.at, celsius: pile::units::Celsius(point.value) })
        };
        let coldest = |list: Vec<Newest>| list.into_iter().min_by(|a, b| a.celsius.0.total_cmp(&b.celsius.0));
        let core = own().filter(|p| p.position == Position::Core).filter_map(known).collect();
        let subject = format!("bin {bin}");
        let mine = || deviations.iter().filter(|d| d.subject == subject);
        let mut raised: Vec<(String, u32)> = Vec::new();
        for d in mine() {
            match raised.iter_mut().find(|(title, _)| *title == d.title) {
                Some((_, n)) => *n += 1,
                None => raised.push((d.title.clone(), 1)),
            }
        }
        let age = batch.and_then(|b| {
            let on_air = b.on_air_at.filter(|at| *at <= to)?;
            Some(b.off_air_at.map_or(to, |off| off.min(to)).since(on_air))
        });
        BinFacts {
            bin: bin.clone(),
            batch: batch.map(|b| b.id),
            stage: batch.map(|b| stage(b, to)),
            age,
            coldest: batch.and_then(|_| coldest(own().filter_map(known).collect())),
            core: batch.and_then(|_| coldest(core)),
            clock: batch.and_then(|b| clocks.get(&b.id).cloned()),
            coverage: batch.and_then(|_| own().filter_map(|p| p.coverage).min_by(f64::total_cmp)),
            raised,
            // What is for the summary alone, such as a hot run that is complete, asks for nobody.
            standing: mine()
                .filter(|d| d.ended.is_none() && d.priority != Priority::SummaryOnly)
                .map(|d| d.title.clone())
                .collect::<BTreeSet<_>>()
                .into_iter()
                .collect(),
        }
    }

    fn moves(&self, (from, to): (Timestamp, Timestamp)) -> Vec<MoveFacts> {
        let own = self.entries.iter().filter(|e| e.at >= from && e.at < to);
        let moves = own.filter(|e| {
            matches!(
                e.kind,
                EntryKind::OnAir { .. }
                    | EntryKind::OffAir
                    | EntryKind::Moved { .. }
                    | EntryKind::Split { .. }
                    | EntryKind::Merged { .. }
            )
        });
        let facts = moves.filter_map(|e| {
            let what = format!("in bin {}: {}", e.bin, crate::site_log::words(self.site, &e.kind));
            Some(MoveFacts { at: e.at, batch: e.batch?, what })
        });
        facts.collect()
    }

    fn complaints(&self, (from, to): (Timestamp, Timestamp)) -> Vec<ComplaintFacts> {
        let own = self.entries.iter().filter(|e| e.at >= from && e.at < to && matches!(e.kind, EntryKind::Complaint));
        let facts = own.map(|e| {
            let after = self.recorded.iter().filter(|r| {
                let (other, says) =
                    (&r.entry, !matches!(r.entry.kind, EntryKind::Complaint | EntryKind::Corrected { .. }));
                other.bin == e.bin && other.id > e.id && other.at >= e.at && other.at < to && says
            });
            ComplaintFacts {
                at: e.at,
                bin: e.bin.clone(),
                words: if e.note.is_empty() { "no words were written".to_owned() } else { e.note.clone() },
                by: e.by.clone(),
                after: after.take(RESPONSES_LISTED).map(|r| self.entry(&r.entry, r.recorded_at)).collect(),
            }
        });
        facts.collect()
    }

    fn blowers(&self, (from, to): (Timestamp, Timestamp)) -> Result<Vec<BlowerFacts>, CommandError> {
        let mut out = Vec::new();
        for blower in self.site.blowers.values() {
            let quantity = match blower.proof {
                RunProof::RunCounter => Some(Quantity::RunTime),
                RunProof::Signal { quantity, .. } => Some(quantity),
                RunProof::ScheduledOnly => None,
            };
            let known = match quantity {
                Some(quantity) => {
                    let series = SeriesId { source: Source::Blower(blower.id.clone()), quantity };
                    let points = self.ledger.history(&series, from, to)?;
                    // A signal that stays away for three times its usual step is not taken for more of the same.
                    measured::ran(&points, from, to, blower.proof, blower.interval.times(3))
                }
                None => None,
            };
            let scheduled = Span::from_seconds_f64(to.since(from).as_seconds() * blower.schedule.duty());
            out.push(BlowerFacts { blower: blower.id.clone(), known: known.unwrap_or(Ran::Scheduled(scheduled)) });
        }
        Ok(out)
    }

    /// What falls into the week that follows.
    fn dates(
        &self,
        to: Timestamp,
        mut dates: Vec<DateFacts>,
        probes: &[post::reports::facts::ProbeFacts],
    ) -> Vec<DateFacts> {
        for probe in probes {
            if let Some(at) = probe.check.as_ref().and_then(|c| c.due) {
                dates.push(DateFacts { at, what: format!("the check of probe {} is due", probe.probe) });
            }
        }
        for batch in self.batches.iter().filter(|b| begun(b) <= to) {
            let bin = self.bin_at(batch, to);
            match (stage(batch, to), batch.on_air_at, batch.curing_at) {
                (Stage::OnAir, Some(on_air), _) => dates.extend(ON_AIR_WEEKS.iter().map(|weeks| DateFacts {
                    at: on_air + Span::days(7 * weeks),
                    what: format!(
                        "batch {} in bin {bin} has been on air for {weeks} weeks; off air after four to six is common practice",
                        batch.id
                    ),
                })),
                (Stage::Curing, _, Some(curing)) => dates.push(DateFacts {
                    at: curing + CURED_AFTER,
                    what: format!("batch {} in bin {bin} has cured for 30 days; a month at least is common practice", batch.id),
                }),
                _ => {}
            }
        }
        let next = self.site.zone.next_weekly(to + SETTLED, self.site.summary);
        dates.push(DateFacts {
            at: next,
            what: "the next weekly summary is due; if it does not come, look after hypocaust".into(),
        });
        dates.retain(|d| d.at >= to && d.at <= next);
        dates.sort_by(|a, b| (a.at, &a.what).cmp(&(b.at, &b.what)));
        dates
    }

    /// As the summary's mail had them, or else from the events that are stored.
    fn alarm_figures(
        &self,
        week: IsoWeek,
        (from, to): (Timestamp, Timestamp),
        deviations: &[Deviation],
    ) -> Result<AlarmFigures, CommandError> {
        let mailed = self.ledger.outbox()?.into_iter().find_map(|row| match row.mail.notice {
            Notice::Summary(summary) if summary.week == week => Some(summary.alarms),
            _ => None,
        });
        if let Some(figures) = mailed {
            return Ok(figures);
        }
        let named = |d: &Deviation| format!("{} {}", d.subject, d.title.to_lowercase());
        let mut figures = AlarmFigures::default();
        let mut waits = Vec::new();
        for d in deviations.iter().filter(|d| d.raised_at >= from && d.priority != Priority::SummaryOnly) {
            if let Some(n) = figures.raised.get_mut((d.priority as usize).saturating_sub(1)) {
                *n += 1;
            }
            figures.never_acknowledged += u32::from(d.acknowledged.is_none() && d.ended.is_some());
            waits.extend(d.acknowledged.as_ref().map(|a| a.at.since(d.raised_at)));
        }
        waits.sort_unstable();
        figures.median_to_acknowledge = waits.get(waits.len() / 2).copied();
        let standing = deviations.iter().filter(|d| d.ended.is_none() && to.since(d.raised_at) > STANDING_AFTER);
        figures.standing = standing.map(named).collect();
        Ok(figures)
    }

    /// Payloads refused in the time, of those that are still kept.
    fn refused(&self, (from, to): (Timestamp, Timestamp)) -> Result<u64, CommandError> {
        let rows = self.ledger.refused(ledger::REFUSED_KEPT.try_into().unwrap_or(usize::MAX))?;
        let own = rows.iter().filter(|r| r.refusal.received_at >= from && r.refusal.received_at < to);
        Ok(own.count() as u64)
    }

    fn given_up(&self, (from, to): (Timestamp, Timestamp)) -> Result<u64, CommandError> {
        Ok(self.ledger.rows_of(&["mail.given-up"], from, to)?.len() as u64)
    }
}

/// The stage at a time; a batch whose air was switched on later was loading.
pub(super) fn stage(batch: &site::entry::Batch, at: Timestamp) -> Stage {
    match batch.stage(at) {
        Stage::OnAir if batch.on_air_at.is_some_and(|on_air| on_air > at) => Stage::Loading,
        stage => stage,
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn weeks_join_without_a_gap_also_where_the_clocks_change() {
        let zone = Zone::named("Europe/Berlin").unwrap();
        for (weekday, hour, week, from, to, why) in [
            (
                1,
                6,
                10,
                "2026-03-02 05:00 +01:00",
                "2026-03-09 05:00 +01:00",
                "a summary on Monday morning is of the week before",
            ),
            (1, 6, 13, "2026-03-23 05:00 +01:00", "2026-03-30 05:00 +02:00", "an hour shorter"),
            (1, 6, 43, "2026-10-19 05:00 +02:00", "2026-10-26 05:00 +01:00", "an hour longer"),
            (
                7,
                18,
                10,
                "2026-03-01 17:00 +01:00",
                "2026-03-08 17:00 +01:00",
                "one on Sunday evening is of the week that ends",
            ),
            (1, 0, 10, "2026-03-01 23:00 +01:00", "2026-03-08 23:00 +01:00", "one at midnight is of the whole week"),
        ] {
            let summary = WeeklyTime { weekday, hour, minute: 0 };
            let week = IsoWeek { year: 2026, week };
            let (begins, ends) = bounds(&zone, summary, week).unwrap();
            assert_eq!((zone.show(begins).as_str(), zone.show(ends).as_str()), (from, to), "{why}");
            assert_eq!(newest(&zone, summary, ends + SETTLED), week, "{why}: the newest when it is due");
            assert_ne!(
                newest(&zone, summary, ends + SETTLED - Span::millis(1)),
                week,
                "{why}: not over a moment before"
            );
            let next = IsoWeek { week: week.week + 1, ..week };
            assert_eq!(bounds(&zone, summary, next).unwrap().0, ends, "{why}: the next begins where it ends");
        }
        let none = bounds(&zone, WeeklyTime { weekday: 1, hour: 6, minute: 0 }, IsoWeek { year: 2025, week: 53 });
        assert!(none.is_err_and(|e| e.to_string().contains("there is no week 2025-W53")));
    }
}
