//! Facts that weekly summaries and process records share.
//!
//! Must never say more than the store holds: what is not known stays unknown.

use std::collections::BTreeMap;

use engine::alarm::{Acknowledgement, Alarm, AlarmEvent, AlarmEventKind, AlarmKey};
use engine::limits::GAP_BRIDGED;
use ledger::{AlarmEventFilter, ReadingFilter};
use pile::time::{Span, Timestamp};
use pile::units::{Celsius, Litres};
use pile::window::Point;
use post::reports::facts::{
    CheckFacts, Course, CourseLine, DayFacts, Deviation, EntryFacts, LoadFacts, Mark, Occurrence, ProbeFacts,
    ResultFacts, ShipmentFacts, WaterFacts,
};
use post::reports::measured;
use site::criteria::{Criterion, Demand};
use site::entry::{Entry, EntryKind, Taken};
use site::ids::{BinId, ProbeId};
use site::instruments::{Stay, correction};
use site::model::Position;
use site::quantity::Quantity;
use site::reading::{Quality, Source};

use super::sources::Sources;
use crate::commands::CommandError;
use crate::judging::Judged;
use crate::site_log;

/// A run that ended with its machine told of itself less than this before; a longer silence was no watch.
const ALIVE_WITHIN: Span = Span::minutes(2);
/// So many lines of the settings that came or went are told.
const SETTINGS_LINES: usize = 6;
/// So many limits are drawn into a picture.
const LIMITS_DRAWN: usize = 4;

type Window = (Timestamp, Timestamp);

fn inside((from, to): Window) -> impl Fn(Timestamp) -> bool {
    move |at| at >= from && at < to
}

impl Sources<'_> {
    pub(super) fn loads(&self, window: Window, about: &dyn Fn(&Entry) -> bool) -> Vec<LoadFacts> {
        let inside = inside(window);
        let own = self.entries.iter().filter(|e| inside(e.at) && about(e));
        let loads = own.filter_map(|e| match &e.kind {
            EntryKind::Loaded { source, material, amount, taken } => Some(LoadFacts {
                at: e.at,
                bin: e.bin.clone(),
                batch: e.batch,
                source: source.clone(),
                material: material.clone(),
                amount: *amount,
                rejected: (*taken == Taken::Rejected).then(|| e.note.clone()),
                by: e.by.clone(),
            }),
            _ => None,
        });
        loads.collect()
    }

    pub(super) fn shipments(&self, window: Window, about: &dyn Fn(&Entry) -> bool) -> Vec<ShipmentFacts> {
        let inside = inside(window);
        let own = self.entries.iter().filter(|e| inside(e.at) && about(e));
        let shipments = own.filter_map(|e| match &e.kind {
            EntryKind::Shipped { to, amount, rest } => Some(ShipmentFacts {
                at: e.at,
                bin: e.bin.clone(),
                batch: e.batch,
                to: to.clone(),
                amount: *amount,
                rest: *rest,
                by: e.by.clone(),
            }),
            _ => None,
        });
        shipments.collect()
    }

    /// Entries of a time as they stand in the log, those that were corrected among them.
    pub(super) fn log(&self, window: Window, about: &dyn Fn(&Entry) -> bool) -> Vec<EntryFacts> {
        let inside = inside(window);
        let mut own: Vec<_> = self.recorded.iter().filter(|r| inside(r.entry.at) && about(&r.entry)).collect();
        own.sort_by_key(|r| (r.entry.at, r.entry.id));
        own.into_iter().map(|r| self.entry(&r.entry, r.recorded_at)).collect()
    }

    pub(super) fn entry(&self, entry: &Entry, recorded_at: Timestamp) -> EntryFacts {
        let corrects = |e: &&Entry| matches!(&e.kind, EntryKind::Corrected { of, .. } if *of == entry.id);
        EntryFacts {
            id: entry.id,
            at: entry.at,
            recorded_at,
            bin: entry.bin.clone(),
            batch: entry.batch,
            words: site_log::words(self.site, &entry.kind),
            by: entry.by.clone(),
            note: entry.note.clone(),
            corrected_by: self.recorded.iter().map(|r| &r.entry).filter(corrects).map(|e| e.id).max(),
        }
    }

    /// Water of the entries of a time, of one bin.
    pub(super) fn water(&self, bin: &BinId, window: Window, about: &dyn Fn(&Entry) -> bool) -> WaterFacts {
        let inside = inside(window);
        let hose = self.site.bins.get(bin).and_then(|b| b.hose);
        let mut out = WaterFacts { bin: bin.clone(), waterings: 0, litres: Litres(0.0), unknown: 0 };
        for entry in self.entries.iter().filter(|e| e.bin == *bin && inside(e.at) && about(e)) {
            let EntryKind::Watered { minutes, litres } = &entry.kind else { continue };
            out.waterings += 1;
            match litres.map(|l| l.0).or_else(|| Some((*minutes)? * hose?.0)) {
                Some(litres) => out.litres.0 += litres,
                None => out.unknown += 1,
            }
        }
        out
    }

    /// Alarms that were raised in a time or stood at its beginning, and what was done about them up to its end.
    pub(super) fn deviations(
        &self,
        (from, to): Window,
        about: &dyn Fn(&AlarmKey) -> bool,
    ) -> Result<Vec<Deviation>, CommandError> {
        let alarms: BTreeMap<u64, Alarm> = self.ledger.alarms()?.into_iter().map(|a| (a.id.0, a)).collect();
        let events = self.ledger.alarm_events(&AlarmEventFilter { to: Some(to), ..AlarmEventFilter::default() })?;
        let mut found: BTreeMap<(u64, u32), Deviation> = BTreeMap::new();
        for event in events.iter().filter(|e| e.occurrence > 0) {
            let Some(alarm) = alarms.get(&event.alarm.0).filter(|a| about(&a.key)) else { continue };
            tell(found.entry((event.alarm.0, event.occurrence)).or_insert_with(|| begun(alarm, event)), event);
        }
        let mut out: Vec<Deviation> = found
            .into_values()
            .filter(|d| d.raised_at < to && (d.raised_at >= from || d.ended.as_ref().is_none_or(|(at, _)| *at >= from)))
            .collect();
        out.sort_by_key(|d| (d.raised_at, d.alarm));
        Ok(out)
    }

    /// Times without watch, steps of the clock, changes of settings and rules.
    pub(super) fn occurrences(&self, (from, to): Window) -> Result<Vec<Occurrence>, CommandError> {
        let mut out = Vec::new();
        let mut runs = self.ledger.runs()?;
        runs.sort_by_key(|run| run.started_at);
        let ends = runs.iter().skip(1).map(|run| run.started_at).chain([to]);
        for (run, next) in runs.iter().zip(ends) {
            let (begins, ends) = (run.last_alive.max(from), next.min(to));
            if ends.since(begins) > ALIVE_WITHIN {
                let what = "nobody watched: hypocaust was off".to_owned();
                out.push(Occurrence { at: begins, until: Some(ends), what });
            }
        }
        if let Some(first) = runs.first().filter(|run| run.started_at > from && run.started_at < to) {
            let what = "hypocaust watched for the first time".to_owned();
            out.push(Occurrence { at: first.started_at, until: None, what });
        }
        let inside = inside((from, to));
        let mut settings: Option<String> = None;
        let mut rules: BTreeMap<String, String> = BTreeMap::new();
        for row in self.ledger.rows_of(&["clock.step", "settings", "rules"], Timestamp::MIN, to)? {
            let what = match row.kind.as_str() {
                "clock.step" => {
                    let by = Span::millis(row.body["by_ms"].as_i64().unwrap_or(0));
                    let followed =
                        if row.body["followed"].as_bool() == Some(true) { "followed" } else { "not followed" };
                    // A row without a step says how the clock stood at a start, or that it agrees again.
                    (by != Span::ZERO).then(|| format!("the clock of the machine was set by {by}; that was {followed}"))
                }
                "settings" => {
                    let hash = row.body["sha256"].as_str().unwrap_or_default().to_owned();
                    let changed = settings.replace(hash.clone()).is_some_and(|before| before != hash);
                    changed.then(|| settings_changed(&row.body))
                }
                _ => rules_changed(&mut rules, &row.body),
            };
            if let Some(what) = what.filter(|_| inside(row.at)) {
                out.push(Occurrence { at: row.at, until: None, what });
            }
        }
        out.sort_by_key(|o| o.at);
        Ok(out)
    }

    /// Readings of a probe's temperature: the good ones, corrected by its checks, and how many were set aside.
    pub(super) fn temperatures(&self, probe: &ProbeId, (from, to): Window) -> Result<(Vec<Point>, u64), CommandError> {
        let filter = ReadingFilter {
            sources: vec![Source::Probe(probe.clone())],
            quantity: Some(Quantity::Temperature),
            from: Some(from),
            to: Some(to - Span::millis(1)),
        };
        let checks = self.instruments.checks(probe);
        let (mut good, mut aside) = (Vec::new(), 0);
        self.ledger.readings(&filter, &mut |row| match row.quality {
            Quality::Good => {
                let at = row.reading.measured_at;
                let value = corrected(row.reading.value, correction(checks, at));
                good.push(Point { at, value });
            }
            _ => aside += 1,
        })?;
        Ok((good, aside))
    }

    /// What a probe was good for in a time, and its days in the bins where it was.
    pub(super) fn probe(
        &self,
        id: &ProbeId,
        stays: &[Stay],
        window: Window,
        days: &mut Vec<DayFacts>,
    ) -> Result<Option<(ProbeFacts, Vec<Point>)>, CommandError> {
        let (from, to) = window;
        let Some(last) = stays.iter().rev().find(|stay| stay.from < to && stay.until > from) else { return Ok(None) };
        let (points, set_aside) = self.temperatures(id, window)?;
        for stay in stays.iter().filter(|stay| stay.from < to && stay.until > from) {
            let Some(bin) = &stay.bin else { continue };
            let (from, to) = (from.max(stay.from), to.min(stay.until));
            for day in measured::days(&points, from, to, GAP_BRIDGED, &self.site.zone) {
                days.push(DayFacts {
                    day: day.day,
                    from: day.from,
                    to: day.to,
                    bin: bin.clone(),
                    batch: self.batch_at(bin, day.to).map(|b| b.id),
                    probe: id.clone(),
                    position: stay.position,
                    readings: day.readings,
                    hours_heard: day.hours_heard,
                    figures: day.figures,
                    hours_at_or_above: day.hours_at_or_above,
                });
            }
        }
        let facts = ProbeFacts {
            probe: id.clone(),
            bin: last.bin.clone(),
            position: last.position,
            readings: points.len() as u64 + set_aside,
            set_aside,
            coverage: measured::coverage(&points, from, to, GAP_BRIDGED),
            gaps: measured::gaps(&points, from, to, GAP_BRIDGED),
            check: self.check(id, to),
        };
        Ok(Some((facts, points)))
    }

    /// The newest check of a probe up to a time.
    fn check(&self, probe: &ProbeId, to: Timestamp) -> Option<CheckFacts> {
        let checks = self.entries.iter().rev().filter(|e| e.at < to);
        checks.into_iter().find_map(|e| match &e.kind {
            EntryKind::Calibrated { probe: own, against, showed, truth, allowed, due } if own == probe => {
                Some(CheckFacts {
                    at: e.at,
                    against: *against,
                    showed: *showed,
                    truth: *truth,
                    allowed: *allowed,
                    due: *due,
                    by: e.by.clone(),
                })
            }
            _ => None,
        })
    }
}

/// The course of a batch that was judged.
pub(super) fn course(judged: &Judged) -> Course {
    let history = &judged.history;
    let lines = history.probes.iter().filter(|p| in_pile(p.position)).map(|p| {
        let checks: Vec<_> = history.facts.checks.iter().filter(|c| c.probe == p.id).cloned().collect();
        let points: Vec<Point> = p
            .readings
            .iter()
            .map(|point| Point { at: point.at, value: corrected(point.value, correction(&checks, point.at)) })
            .collect();
        CourseLine { probe: p.id.clone(), position: p.position, runs: measured::runs_of_hours(&points, GAP_BRIDGED) }
    });
    let mut marks: Vec<(Timestamp, Mark)> = history
        .entries
        .iter()
        .filter(|e| e.at >= history.from)
        .filter_map(|e| {
            let mark = match e.kind {
                EntryKind::Watered { .. } => Mark::Watered,
                EntryKind::Turned => Mark::Turned,
                EntryKind::AirChanged | EntryKind::Valve { .. } => Mark::Air,
                EntryKind::OffAir => Mark::OffAir,
                _ => return None,
            };
            Some((e.at, mark))
        })
        .chain(history.facts.raw_added.iter().map(|at| (*at, Mark::RawAdded)))
        .collect();
    marks.sort();
    let first = judged.results.first();
    Course {
        from: history.from,
        to: history.until,
        lines: lines.collect(),
        limits: limits(judged),
        marks,
        counted: first.map_or_else(Vec::new, |(j, ..)| j.counted.clone()),
        counted_by: first.map_or_else(String::new, |(j, ..)| j.criterion.clone()),
        met: first.and_then(|(j, ..)| j.met_at),
    }
}

/// The results with what stands beside them.
pub(super) fn results(judged: &Judged) -> Vec<ResultFacts> {
    let facts = judged.results.iter().map(|(judgement, criterion, chosen)| ResultFacts {
        judgement: judgement.clone(),
        before: None,
        title: criterion.title.clone(),
        citation: criterion.citation.clone(),
        edition: criterion.edition.clone(),
        asks: criterion.asks.clone(),
        confirmed: criterion.confirmed.clone(),
        remark: criterion.standing_remark(),
        notes: criterion.notes.clone(),
        permit: chosen.as_ref().and_then(|c| c.permit.clone()),
        retention_years: criterion.beside.retention_years,
    });
    facts.collect()
}

/// Whether the temperature there is that of the pile.
pub(super) fn in_pile(position: Position) -> bool {
    matches!(position, Position::Base | Position::Core | Position::Upper)
}

/// A reading that nothing corrects stays as it is, to the last digit.
fn corrected(value: f64, by: f64) -> f64 {
    if by == 0.0 { value } else { value + by }
}

/// The limits of the criteria, the lowest first, each with the criteria that ask for it.
fn limits(judged: &Judged) -> Vec<(Celsius, String)> {
    fn of(criterion: &Criterion, out: &mut Vec<f64>) {
        match &criterion.demand {
            Demand::Course(course) => {
                let holds = std::iter::once(&course.hold).chain(course.peak.as_ref());
                out.extend(holds.flat_map(|hold| [Some(hold.floor.celsius()), hold.ceiling.map(|c| c.0)]).flatten());
            }
            Demand::AnyOf(parts) => parts.iter().for_each(|part| of(part, out)),
        }
    }
    let mut found: Vec<(f64, Vec<&str>)> = Vec::new();
    for (_, criterion, _) in &judged.results {
        let mut own = Vec::new();
        of(criterion, &mut own);
        for limit in own {
            match found.iter_mut().find(|(known, _)| *known == limit) {
                Some((_, ids)) if ids.contains(&criterion.id.as_str()) => {}
                Some((_, ids)) => ids.push(&criterion.id),
                None => found.push((limit, vec![&criterion.id])),
            }
        }
    }
    // The first criteria come first: theirs are drawn where there are too many.
    found.truncate(LIMITS_DRAWN);
    found.sort_by(|a, b| a.0.total_cmp(&b.0));
    found.into_iter().map(|(limit, ids)| (Celsius(limit), ids.join(", "))).collect()
}

fn begun(alarm: &Alarm, event: &AlarmEvent) -> Deviation {
    Deviation {
        alarm: alarm.id,
        occurrence: event.occurrence,
        subject: alarm.key.bin().map_or_else(|| alarm.key.subject.as_str().to_owned(), |bin| format!("bin {bin}")),
        title: alarm.title.clone(),
        priority: alarm.priority,
        raised_at: event.at,
        finding: event.words.clone(),
        acknowledged: None,
        confirmed: None,
        handled: Vec::new(),
        ended: None,
    }
}

/// What an event adds to what is known of an occurrence.
fn tell(deviation: &mut Deviation, event: &AlarmEvent) {
    let said = || {
        let (by, comment) = event.words.split_once(": ").unwrap_or((&event.words, ""));
        Acknowledgement { at: event.at, by: by.to_owned(), comment: comment.to_owned() }
    };
    match event.kind {
        AlarmEventKind::Raised => deviation.ended = None,
        AlarmEventKind::Cleared | AlarmEventKind::Retired => {
            deviation.ended = Some((event.at, event.words.clone()));
        }
        AlarmEventKind::Acknowledged => {
            deviation.acknowledged.get_or_insert_with(said);
        }
        AlarmEventKind::Confirmed => deviation.confirmed = Some(said()),
        AlarmEventKind::Shelved
        | AlarmEventKind::Unshelved
        | AlarmEventKind::ShelfEnded
        | AlarmEventKind::OutOfService
        | AlarmEventKind::InService
        | AlarmEventKind::Reset
        | AlarmEventKind::Worse => {
            let words = if event.words.is_empty() { String::new() } else { format!(", {}", event.words) };
            deviation.handled.push((event.at, format!("{}{words}", event.kind.key())));
        }
        AlarmEventKind::Reminded | AlarmEventKind::HiddenByDesign | AlarmEventKind::ShownByDesign => {}
    }
}

/// Lines of the settings that came and went; a line with a secret is none of them, for the settings hold no secret.
fn settings_changed(body: &serde_json::Value) -> String {
    let lines = |key: &str| -> Vec<String> {
        let list = body[key].as_array().into_iter().flatten().filter_map(|line| line.as_str());
        list.map(|line| format!("`{}`", line.trim())).collect()
    };
    let told = |what: &str, lines: Vec<String>| match lines.len() {
        0 => None,
        n if n > SETTINGS_LINES => {
            Some(format!("{what} {}, and {} more", lines[..SETTINGS_LINES].join(", "), n - SETTINGS_LINES))
        }
        _ => Some(format!("{what} {}", lines.join(", "))),
    };
    let parts: Vec<String> =
        [told("without", lines("removed")), told("with", lines("added"))].into_iter().flatten().collect();
    match parts.is_empty() {
        true => "the settings were changed".into(),
        false => format!("the settings were changed: now {}", parts.join("; now ")),
    }
}

/// Which rules are others than before; nothing for the first that are on record.
fn rules_changed(known: &mut BTreeMap<String, String>, body: &serde_json::Value) -> Option<String> {
    let text = |value: &serde_json::Value| value.as_str().unwrap_or_default().to_owned();
    let now: BTreeMap<String, String> = body["rules"]
        .as_array()
        .into_iter()
        .flatten()
        .map(|rule| (text(&rule["name"]), text(&rule["revision"])))
        .collect();
    let before = std::mem::replace(known, now.clone());
    if before.is_empty() {
        return None;
    }
    let mut words: Vec<String> = Vec::new();
    for (name, revision) in &now {
        match before.get(name) {
            None => words.push(format!("{name} is new")),
            Some(old) if old != revision => words.push(format!("{name} was changed")),
            Some(_) => {}
        }
    }
    words.extend(before.keys().filter(|name| !now.contains_key(*name)).map(|name| format!("{name} is gone")));
    (!words.is_empty()).then(|| format!("rules: {}", words.join(", ")))
}
