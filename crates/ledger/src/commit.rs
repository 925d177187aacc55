//! Writes all lasting effects of a slice in one transaction.
//!
//! Must never leave a part of a slice behind: either everything is stored or nothing, and then the same call may be made again. What the store
//! will never take, however often it is tried, is left out alone, kept aside as bytes and named (`set_aside.rs`).

use std::collections::{BTreeMap, HashMap, HashSet};
use std::error::Error as _;

use engine::alarm::{Alarm, AlarmEvent};
use engine::effect::{Effect, KeptRule, Mail, MailId, MailState};
use engine::reports::KeptReport;
use engine::results::KeptResults;
use engine::water::KeptWater;
use pile::time::Timestamp;
use rusqlite::{ErrorCode, OptionalExtension, Statement, Transaction, TransactionBehavior, params};
use seal::Value;
use seal::merkle::sha256;
use serde_json::json;
use site::entry::{Batch, Entry};
use site::reading::{Quality, Reading, Refusal, SeriesId};

use crate::chunk::{self, Day};
use crate::days::{self, Found};
use crate::error::Cause;
use crate::record_end::End;
use crate::set_aside::{self, SetAside};
use crate::{Ledger, LedgerError, arrivals, hours, json, numbers, record, rows};

/// Refused payloads kept, the newest ones; a device that sends rubbish for years must not fill the disk.
pub const REFUSED_KEPT: i64 = 100_000;

/// Packed days that a commit keeps open; a backlog of some probes comes to few, each of some kilobytes.
const OPENED_MOST: usize = 64;

/// So many of a kind that cannot be stored are told one by one.
const TOLD_ONE_BY_ONE: u64 = 20;

/// What became of the readings of a commit.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Default)]
pub struct Committed {
    /// Readings that were new.
    pub stored: usize,
    /// Readings that were there already with the same value; nothing changed.
    pub repeats: usize,
    /// Readings whose instant was there already with another value; the first one stays, this one went to the refused.
    pub conflicts: usize,
    /// Payloads refused by the engine or intake, and readings that are no number.
    pub refused: usize,
}

impl Ledger {
    /// Writes the lasting effects in one transaction and skips the passing ones; also notes that this run was alive at `at`. When it
    /// returns, all of it survives a power cut. Without lasting effects nothing is written, not even that.
    ///
    /// # Errors
    /// [`LedgerError`]; then nothing of it is stored, and the call may be repeated unchanged.
    pub fn commit(&mut self, at: Timestamp, effects: &[Effect]) -> Result<Committed, LedgerError> {
        let lasting = effects.iter().any(is_lasting);
        self.writing("storing readings and what follows from them", |ledger| {
            if !lasting {
                return Ok(Committed::default());
            }
            match ledger.write_slice(at, effects, Way::Whole, &mut BTreeMap::new()) {
                // SQLite says the same where the disk is full and where the numbers of a table are.
                Err(Cause::Sql(error))
                    if error.sqlite_error_code() == Some(ErrorCode::DiskFull)
                        && numbers::make_room(&mut ledger.conn)? =>
                {
                    ledger.look_again()?;
                    ledger.write_in_pieces(at, effects)
                }
                Err(cause) if cause.is_permanent() => {
                    // Somebody else may have written what no longer fits what is known here.
                    ledger.look_again()?;
                    ledger.write_in_pieces(at, effects)
                }
                done => done,
            }
        })
    }

    /// What could not be stored since this was last asked. Everything else was.
    pub fn take_set_aside(&mut self) -> Vec<SetAside> {
        std::mem::take(&mut self.set_aside)
    }

    /// Whether a mail could not be stored; what the outbox has under its number, if anything, is another.
    pub fn is_lost(&self, mail: MailId) -> bool {
        self.lost_mails.contains(&mail)
    }

    /// After a look at a damaged table SQLite refuses to commit anything: then all is written once more, without what met the damage.
    fn write_in_pieces(&mut self, at: Timestamp, effects: &[Effect]) -> Result<Committed, Cause> {
        let mut damaged = BTreeMap::new();
        loop {
            let known = damaged.len();
            match self.write_slice(at, effects, Way::InPieces, &mut damaged) {
                Err(cause) if cause.is_permanent() && damaged.len() > known => {}
                done => return done,
            }
        }
    }

    fn write_slice(
        &mut self,
        at: Timestamp,
        effects: &[Effect],
        way: Way,
        damaged: &mut BTreeMap<usize, String>,
    ) -> Result<Committed, Cause> {
        let tx = self.conn.transaction_with_behavior(TransactionBehavior::Immediate)?;
        let mut slice = Slice {
            tx: &tx,
            at,
            way,
            off_record: false,
            known: &self.series,
            newest: self.arrivals.newest(),
            packed_until: self.packed_until,
            opened: HashMap::new(),
            lost_mails: &self.lost_mails,
            aside: Vec::new(),
            times: &mut self.aside_times,
            damaged,
            undo: Undo {
                fresh: HashMap::new(),
                head: self.head.clone(),
                hours: hours::Change::default(),
                committed: Committed::default(),
            },
        };
        slice.readings(effects)?;
        for (n, effect) in effects.iter().enumerate() {
            if !matches!(effect, Effect::Store { .. }) {
                slice.part(Some((n, effect)), "", |slice| slice.write(effect))?;
            }
        }
        slice.part(None, "old rejected messages", |slice| slice.trim_refused())?;
        slice.part(None, "the hours of readings", |slice| {
            let Undo { hours, head, .. } = &mut slice.undo;
            hours.write(&tx, &self.hours, head, at)
        })?;
        if let Some(run) = self.run {
            slice.part(None, "the sign of life", |_| crate::runs::note_alive(&tx, run, at))?;
        }
        let Slice { undo: Undo { fresh, committed, head, hours }, aside, .. } = slice;
        tx.commit()?;
        // Only now: numbers given inside a transaction that fails would name nothing.
        self.series.extend(fresh);
        self.head = head;
        self.hours.take(hours);
        self.arrivals.add(committed.stored);
        for aside in &aside {
            let of_effect = aside.effect.and_then(|n| effects.get(n));
            if let Some(Effect::Mail(mail)) = of_effect.filter(|_| !aside.is_off_record()) {
                self.lost_mails.insert(mail.id);
            }
        }
        self.set_aside.extend(aside);
        // All of it is stored by now; that the arrivals could not be carried over is no reason to say otherwise.
        if let Err(cause) = self.arrivals.carry_over(&mut self.conn) {
            let error = cause.at(&self.path, "carrying readings over to where they stay");
            tracing::warn!("{error} ({:?}); they are safe, and are carried over later", error.source());
        }
        Ok(committed)
    }

    /// Learns anew what is known of the store here.
    fn look_again(&mut self) -> Result<(), Cause> {
        let series = rows::series_ids(&self.conn)?;
        self.series = series.into_iter().map(|(id, series)| (series, id)).collect();
        self.head = End::find(&self.conn)?;
        self.arrivals.newest().clear();
        Ok(())
    }
}

/// What SQLite says of damage.
const DAMAGE: &str = "malformed";

/// How a slice is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Way {
    /// All of it or nothing.
    Whole,
    /// What the store will never take is left out, alone.
    InPieces,
}

/// What is said before the kind of an effect whose row of the record alone could not be written.
const OFF_RECORD: &str = "the record's row about ";

impl SetAside {
    fn is_off_record(&self) -> bool {
        self.what.starts_with(OFF_RECORD)
    }
}

/// A lasting effect in words, by its kind, and its number; none for an effect that passes. The words are few: each of them is a part that an alarm tells of.
fn named(effect: &Effect) -> Option<(&'static str, Option<u64>)> {
    let named = match effect {
        Effect::Store { .. } => ("a reading", None),
        Effect::Refuse(_) => ("a rejected message", None),
        Effect::Entry(entry) => ("an entry", Some(entry.id.0)),
        Effect::Batch(batch) => ("a batch", Some(batch.id.0)),
        Effect::Alarm { alarm, .. } => ("an alarm", Some(alarm.id.0)),
        Effect::Mail(mail) => ("a mail", Some(mail.id.0)),
        Effect::MailState { mail, .. } => ("the outcome of a mail", Some(mail.0)),
        Effect::SummaryDone(_) => ("a weekly summary", None),
        Effect::RoundListDone(_) => ("a round list", None),
        Effect::Rules(_) => ("the rules in force", None),
        Effect::Water(_) => ("a water balance", None),
        Effect::Results(kept) => ("the results of a batch", Some(kept.batch.0)),
        Effect::Report(_) => ("a weekly report", None),
        Effect::Deliver(_)
        | Effect::Recall { .. }
        | Effect::Judge { .. }
        | Effect::Publish { .. }
        | Effect::Beat
        | Effect::Reply(_)
        | Effect::Say { .. } => return None,
    };
    Some(named)
}

fn is_lasting(effect: &Effect) -> bool {
    named(effect).is_some()
}

/// One transaction under way.
struct Slice<'a> {
    tx: &'a Transaction<'a>,
    /// When it is written.
    at: Timestamp,
    way: Way,
    /// The record takes no row about what is written now.
    off_record: bool,
    known: &'a HashMap<SeriesId, i64>,
    newest: &'a mut arrivals::Newest,
    /// What was measured then or later is not packed.
    packed_until: i64,
    /// Packed days that were opened for late readings, by their key.
    opened: HashMap<i64, Option<Day>>,
    lost_mails: &'a HashSet<MailId>,
    /// What was left out.
    aside: Vec<SetAside>,
    /// How often each kind was, since the start.
    times: &'a mut HashMap<String, u64>,
    /// Effects that met damage, by their place; they are not tried again.
    damaged: &'a mut BTreeMap<usize, String>,
    undo: Undo,
}

/// What goes back with a part that is undone.
#[derive(Clone)]
struct Undo {
    /// Series that this transaction adds.
    fresh: HashMap<SeriesId, i64>,
    /// Where the record comes to with this transaction.
    head: End,
    hours: hours::Change,
    committed: Committed,
}

impl Slice<'_> {
    /// Writes a part, by its effect or in words. In pieces, one that the store will never take is undone and kept aside; where only the
    /// record does not take its row, the rest of it is stored.
    fn part(
        &mut self,
        of: Option<(usize, &Effect)>,
        words: &str,
        mut write: impl FnMut(&mut Self) -> Result<(), Cause>,
    ) -> Result<(), Cause> {
        if self.way == Way::Whole {
            return write(self);
        }
        let (what, number) = of.and_then(|(_, effect)| named(effect)).unwrap_or((words, None));
        let damage = of.and_then(|(n, _)| self.damaged.get(&n).cloned());
        let (what, why) = if let Some(why) = damage {
            (what.to_owned(), why)
        } else {
            let Err(first) = self.attempt(&mut write)? else { return Ok(()) };
            self.off_record = true;
            let second = self.attempt(&mut write);
            self.off_record = false;
            match second? {
                Ok(()) => (format!("{OFF_RECORD}{what}"), first),
                Err(why) => (what.to_owned(), why),
            }
        };
        if let Some((n, _)) = of
            && why.contains(DAMAGE)
        {
            self.damaged.insert(n, why.clone());
        }
        let bytes = of.map(|(_, effect)| format!("{effect:?}").into_bytes()).unwrap_or_default();
        let number = number.and_then(|number| i64::try_from(number).ok());
        self.keep_aside(SetAside { what, number, why, bytes, effect: of.map(|(n, _)| n) });
        Ok(())
    }

    /// Writes under a savepoint; gives why the store will never take it, which then is undone.
    fn attempt(&mut self, write: &mut impl FnMut(&mut Self) -> Result<(), Cause>) -> Result<Result<(), String>, Cause> {
        let tx = self.tx;
        let before = self.undo.clone();
        tx.execute_batch("SAVEPOINT part")?;
        match write(self) {
            Ok(()) => {
                tx.execute_batch("RELEASE part")?;
                Ok(Ok(()))
            }
            // Where SQLite itself gave the transaction up there is nothing to go on with.
            Err(cause) if cause.is_permanent() && !tx.is_autocommit() => {
                tx.execute_batch("ROLLBACK TO part; RELEASE part")?;
                self.undo = before;
                Ok(Err(cause.words()))
            }
            Err(cause) => Err(cause),
        }
    }

    /// Puts what was left out on record and keeps its bytes; neither is a reason to lose the rest. Of what is left out over and over the first
    /// are told one by one, and then fewer and fewer.
    fn keep_aside(&mut self, aside: SetAside) {
        let at = self.at;
        let times = self.times.entry(aside.what.clone()).or_default();
        *times += 1;
        let is_told = times.is_power_of_two() || aside.effect.is_some() && *times <= TOLD_ONE_BY_ONE;
        if !is_told {
            self.aside.push(aside);
            return;
        }
        let number = aside.number.map(|number| format!(" {number}")).unwrap_or_default();
        tracing::error!(
            "{}{number} cannot be stored and is left out ({times} times since the start): {}",
            aside.what,
            aside.why
        );
        let body = json!({
            "what": aside.what, "number": aside.number, "why": aside.why, "sha256": sha256(&aside.bytes).to_hex(), "bytes": aside.bytes.len()
        });
        let noted = self.attempt(&mut |slice| slice.record("store.set-aside", &body));
        let kept = self.attempt(&mut |slice| set_aside::keep(slice.tx, at, &aside));
        for why in [noted, kept].into_iter().filter_map(|done| match done {
            Ok(done) => done.err(),
            Err(cause) => Some(cause.words()),
        }) {
            tracing::error!("what follows cannot be kept aside either: {why}");
        }
        self.aside.push(aside);
    }

    /// Writes everything but readings, which go through one statement that is looked up once.
    fn write(&mut self, effect: &Effect) -> Result<(), Cause> {
        match effect {
            Effect::Refuse(refusal) => self.refuse(refusal),
            Effect::Entry(entry) => {
                self.entry(entry)?;
                self.record("entry", &record::entry(entry)?)
            }
            Effect::Batch(batch) => {
                self.batch(batch)?;
                self.record("batch", &record::batch(batch))
            }
            Effect::Alarm { alarm, event } => {
                self.alarm(alarm)?;
                let Some(event) = event.as_deref() else { return Ok(()) };
                self.alarm_event(event)?;
                self.record("alarm", &record::alarm(alarm, event))
            }
            Effect::Mail(mail) => self.mail(mail),
            Effect::MailState { mail, state } => {
                self.mail_state(*mail, state)?;
                if self.lost_mails.contains(mail) {
                    return Ok(());
                }
                let settled = record::settled(self.tx, *mail, state)?;
                settled.map_or(Ok(()), |(kind, body)| self.record(kind, &body))
            }
            Effect::SummaryDone(week) => {
                let mut insert = self
                    .tx
                    .prepare_cached("INSERT INTO summaries (year, week) VALUES (?1, ?2) ON CONFLICT DO NOTHING")?;
                insert.execute(params![week.year, week.week])?;
                Ok(())
            }
            Effect::RoundListDone(day) => {
                let insert = "INSERT INTO round_lists (day) VALUES (?1) ON CONFLICT DO NOTHING";
                self.tx.prepare_cached(insert)?.execute([day.to_string()])?;
                Ok(())
            }
            Effect::Rules(rules) => {
                self.rules(rules)?;
                self.record("rules", &record::rules(rules))
            }
            Effect::Water(kept) => self.water(kept),
            Effect::Results(kept) => {
                self.results(kept)?;
                let row = record::results(kept);
                row.map_or(Ok(()), |body| self.record("results", &body))
            }
            Effect::Report(kept) => {
                self.report(kept)?;
                self.record("report", &record::report(kept))
            }
            Effect::Judge { .. }
            | Effect::Store { .. }
            | Effect::Deliver(_)
            | Effect::Recall { .. }
            | Effect::Publish { .. }
            | Effect::Beat
            | Effect::Reply(_)
            | Effect::Say { .. } => Ok(()),
        }
    }

    fn record(&mut self, kind: &str, body: &Value) -> Result<(), Cause> {
        if self.off_record {
            return Ok(());
        }
        record::append(self.tx, &mut self.undo.head, self.at, kind, body)
    }

    fn readings(&mut self, effects: &[Effect]) -> Result<(), Cause> {
        let mut insert = self.tx.prepare_cached(
            "INSERT INTO arrivals (series, measured_at, value, delay, marks, reason) VALUES (?1, ?2, ?3, ?4, ?5, ?6)
             ON CONFLICT DO NOTHING",
        )?;
        let mut insert_late = self.tx.prepare_cached(
            "INSERT INTO arrivals (series, measured_at, value, delay, marks, reason) SELECT ?1, ?2, ?3, ?4, ?5, ?6
             WHERE NOT EXISTS (SELECT 1 FROM readings WHERE series = ?1 AND measured_at = ?2)
             ON CONFLICT DO NOTHING",
        )?;
        for (n, effect) in effects.iter().enumerate() {
            if let Effect::Store { reading, quality, reason } = effect {
                self.part(Some((n, effect)), "", |slice| {
                    slice.reading((&mut insert, &mut insert_late), reading, *quality, reason)
                })?;
            }
        }
        Ok(())
    }

    fn reading(
        &mut self,
        (insert, insert_late): (&mut Statement<'_>, &mut Statement<'_>),
        reading: &Reading,
        quality: Quality,
        reason: &str,
    ) -> Result<(), Cause> {
        let series = self.series(&reading.series)?;
        if !reading.value.is_finite() {
            self.refuse_value(reading, series, "it is no number; look at what the probe or its gateway sends")?;
            self.undo.committed.refused += 1;
            return Ok(());
        }
        let measured_at = reading.measured_at.as_millis();
        let delay = reading.received_at.as_millis().wrapping_sub(measured_at);
        let reason = (!reason.is_empty()).then_some(reason);
        if let Some(first) = self.packed_value(series, measured_at)? {
            return self.second(reading, quality, series, first);
        }
        let is_newer = measured_at > arrivals::newest(self.newest, self.tx, series)?;
        let delay = (delay != 0).then_some(delay);
        let marks = rows::marks(reading, quality);
        let row = params![series, measured_at, reading.value, delay, marks, reason];
        let new = if is_newer { insert.execute(row)? } else { insert_late.execute(row)? };
        if new == 1 {
            self.undo.committed.stored += 1;
            self.undo.hours.touch(reading.measured_at);
            return Ok(());
        }
        let mut query = self.tx.prepare_cached(
            "SELECT value FROM readings WHERE series = ?1 AND measured_at = ?2
             UNION ALL SELECT value FROM arrivals WHERE series = ?1 AND measured_at = ?2",
        )?;
        let first: f64 = query.query_row(params![series, measured_at], |row| row.get(0))?;
        self.second(reading, quality, series, first)
    }

    /// The value that is packed for this instant. A day that is damaged says nothing; then the reading is kept as if it were new.
    fn packed_value(&mut self, series: i64, measured_at: i64) -> Result<Option<f64>, Cause> {
        if measured_at >= self.packed_until {
            return Ok(None);
        }
        let day = chunk::day_of(measured_at);
        let key = days::key(series, day)?;
        if !self.opened.contains_key(&key) {
            if self.opened.len() >= OPENED_MOST {
                self.opened.clear();
            }
            let readings = match days::open(self.tx, series, day)? {
                Found::Whole(readings) => Some(readings),
                Found::Nothing | Found::Damaged { .. } => None,
            };
            self.opened.insert(key, readings);
        }
        Ok(self.opened.get(&key).and_then(Option::as_ref).and_then(|day| day.value_at(measured_at)))
    }

    /// A reading whose instant is there already, with the value `first`.
    fn second(&mut self, reading: &Reading, quality: Quality, series: i64, first: f64) -> Result<(), Cause> {
        if first == reading.value {
            self.undo.committed.repeats += 1;
            return Ok(());
        }
        let unit = reading.series.quantity.unit().sign();
        let reason = format!(
            "conflict: {first} {unit} was there first for the same instant and stays, this {} value of {} {unit} is set aside; see whether two \
             devices send as `{}`, or one sends two values under one time",
            quality.key(),
            reading.value,
            reading.series.source.as_str()
        );
        self.refuse_value(reading, series, &reason)?;
        self.undo.committed.conflicts += 1;
        Ok(())
    }

    fn refuse_value(&mut self, reading: &Reading, series: i64, reason: &str) -> Result<(), Cause> {
        let value = reading.value.to_string();
        let mut insert = self.tx.prepare_cached(
            "INSERT INTO refused (received_at, topic, payload_head, payload_bytes, reason, series, measured_at, value)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8) ON CONFLICT DO NOTHING",
        )?;
        insert.execute(params![
            reading.received_at.as_millis(),
            reading.series.to_string(),
            value,
            value.len() as i64,
            reason,
            series,
            reading.measured_at.as_millis(),
            reading.value
        ])?;
        Ok(())
    }

    fn series(&mut self, series: &SeriesId) -> Result<i64, Cause> {
        if let Some(id) = self.known.get(series).or_else(|| self.undo.fresh.get(series)) {
            return Ok(*id);
        }
        let id = numbers::next_series(self.tx)?;
        let (kind, source, quantity) = rows::series_words(series);
        let insert = "INSERT INTO series (id, kind, source, quantity) VALUES (?1, ?2, ?3, ?4)";
        self.tx.prepare_cached(insert)?.execute(params![id, kind, source, quantity])?;
        self.undo.fresh.insert(series.clone(), id);
        Ok(id)
    }

    fn refuse(&mut self, refusal: &Refusal) -> Result<(), Cause> {
        let mut insert = self.tx.prepare_cached(
            "INSERT INTO refused (received_at, topic, payload_head, payload_bytes, reason) VALUES (?1, ?2, ?3, ?4, ?5)",
        )?;
        insert.execute(params![
            refusal.received_at.as_millis(),
            refusal.topic,
            refusal.payload_head,
            rows::key(refusal.payload_bytes as u64)?,
            refusal.reason
        ])?;
        self.undo.committed.refused += 1;
        Ok(())
    }

    fn trim_refused(&self) -> Result<(), Cause> {
        if self.undo.committed.refused + self.undo.committed.conflicts > 0 {
            let mut delete =
                self.tx.prepare_cached("DELETE FROM refused WHERE id <= (SELECT max(id) FROM refused) - ?1")?;
            delete.execute([REFUSED_KEPT])?;
        }
        Ok(())
    }

    fn water(&self, kept: &KeptWater) -> Result<(), Cause> {
        let numbers = serde_json::to_string(&kept.numbers).map_err(|e| Cause::Contradiction(e.to_string()))?;
        let mut insert = self.tx.prepare_cached(
            "INSERT INTO water (bin, batch, at, account) VALUES (?1, ?2, ?3, ?4)
             ON CONFLICT (bin) DO UPDATE SET batch = excluded.batch, at = excluded.at, account = excluded.account",
        )?;
        insert.execute(params![kept.bin.as_str(), kept.batch.0 as i64, kept.at.as_millis(), numbers])?;
        Ok(())
    }

    fn results(&self, kept: &KeptResults) -> Result<(), Cause> {
        let batch = rows::key(kept.batch.0)?;
        self.tx.prepare_cached("DELETE FROM results WHERE batch = ?1")?.execute([batch])?;
        let mut insert = self.tx.prepare_cached(
            "INSERT INTO results (batch, place, criterion, bin, at, result, met_at, earliest_at, hours_counted, hours_needed, coverage)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)",
        )?;
        for (place, s) in (0_i64..).zip(&kept.standings) {
            insert.execute(params![
                batch,
                place,
                s.criterion,
                kept.bin.as_str(),
                kept.at.as_millis(),
                s.result.key(),
                s.met_at.map(Timestamp::as_millis),
                s.earliest_at.map(Timestamp::as_millis),
                s.hours_counted,
                s.hours_needed,
                s.coverage_fraction
            ])?;
        }
        Ok(())
    }

    fn report(&self, kept: &KeptReport) -> Result<(), Cause> {
        let mut insert = self.tx.prepare_cached(
            "INSERT INTO reports (year, week, at, amended, reviewed_by, reviewed_at, outside_at) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)
             ON CONFLICT (year, week) DO UPDATE SET amended = excluded.amended, reviewed_by = excluded.reviewed_by,
                 reviewed_at = excluded.reviewed_at, outside_at = excluded.outside_at",
        )?;
        let (by, at) = kept.reviewed.clone().unzip();
        insert.execute(params![
            kept.week.year,
            kept.week.week,
            kept.at.as_millis(),
            kept.amended,
            by,
            at.map(Timestamp::as_millis),
            kept.outside_at.map(Timestamp::as_millis)
        ])?;
        Ok(())
    }

    fn rules(&self, rules: &[KeptRule]) -> Result<(), Cause> {
        let mut keep = self.tx.prepare_cached(
            "INSERT INTO rule_texts (revision, name, path, text, kept_at) VALUES (?1, ?2, ?3, ?4, ?5) ON CONFLICT DO NOTHING",
        )?;
        let mut put = self.tx.prepare_cached("INSERT INTO rules_in_force (name, revision) VALUES (?1, ?2)")?;
        self.tx.execute("DELETE FROM rules_in_force", [])?;
        for KeptRule { revision, text } in rules {
            keep.execute(params![revision, text.name, text.path, text.text, self.at.as_millis()])?;
            put.execute(params![text.name, revision])?;
        }
        Ok(())
    }

    fn entry(&self, entry: &Entry) -> Result<(), Cause> {
        let mut insert = self.tx.prepare_cached(
            "INSERT INTO entries (id, at, bin, kind, detail, by, note, batch, recorded_at)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)",
        )?;
        insert.execute(params![
            rows::key(entry.id.0)?,
            entry.at.as_millis(),
            entry.bin.as_str(),
            entry.kind.key(),
            json::text(&entry.kind).map_err(Cause::Contradiction)?,
            entry.by,
            entry.note,
            entry.batch.map(|batch| rows::key(batch.0)).transpose()?,
            self.at.as_millis()
        ])?;
        Ok(())
    }

    fn batch(&self, batch: &Batch) -> Result<(), Cause> {
        let mut upsert = self.tx.prepare_cached(
            "INSERT INTO batches (id, bin, in_bin_since, loaded_last_at, on_air_at, off_air_at, curing_at, storage_at, gone_at,
                loaded_celsius, parents)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)
             ON CONFLICT (id) DO UPDATE SET bin = excluded.bin, in_bin_since = excluded.in_bin_since,
                loaded_last_at = excluded.loaded_last_at, on_air_at = excluded.on_air_at, off_air_at = excluded.off_air_at,
                curing_at = excluded.curing_at, storage_at = excluded.storage_at, gone_at = excluded.gone_at,
                loaded_celsius = excluded.loaded_celsius, parents = excluded.parents",
        )?;
        upsert.execute(params![
            rows::key(batch.id.0)?,
            batch.bin.as_str(),
            batch.in_bin_since.as_millis(),
            rows::ms(batch.loaded_last_at),
            rows::ms(batch.on_air_at),
            rows::ms(batch.off_air_at),
            rows::ms(batch.curing_at),
            rows::ms(batch.storage_at),
            rows::ms(batch.gone_at),
            batch.loaded_at.map(|celsius| celsius.0),
            json::text(&batch.parents).map_err(Cause::Contradiction)?
        ])?;
        Ok(())
    }

    fn alarm(&self, alarm: &Alarm) -> Result<(), Cause> {
        // `REPLACE` would delete the row first, which its events forbid.
        let mut upsert = self.tx.prepare_cached(
            "INSERT INTO alarms (id, rule, subject, subject_name, state, proof, proof_since, proof_last, occurrence, onset, raised_at,
                cleared_at, acknowledged, title, priority, revision, finding, evidence, thread_subject, mails, hidden, reminders,
                reminder_at, confirmed, thread, held, graver)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18, ?19, ?20, ?21, ?22, ?23, ?24,
                ?25, ?26, ?27)
             ON CONFLICT (id) DO UPDATE SET rule = excluded.rule, subject = excluded.subject, subject_name = excluded.subject_name,
                state = excluded.state, proof = excluded.proof, proof_since = excluded.proof_since, proof_last = excluded.proof_last,
                occurrence = excluded.occurrence, onset = excluded.onset, raised_at = excluded.raised_at,
                cleared_at = excluded.cleared_at, acknowledged = excluded.acknowledged, title = excluded.title,
                priority = excluded.priority, revision = excluded.revision, finding = excluded.finding,
                evidence = excluded.evidence, thread_subject = excluded.thread_subject, mails = excluded.mails,
                hidden = excluded.hidden, reminders = excluded.reminders, reminder_at = excluded.reminder_at,
                confirmed = excluded.confirmed, thread = excluded.thread, held = excluded.held, graver = excluded.graver",
        )?;
        let (subject, subject_name) = rows::subject_words(&alarm.key.subject);
        let (proof, proof_since) = rows::proof_words(alarm.conditioning.phase);
        let acknowledged = alarm.acknowledged.as_ref().map(json::text).transpose().map_err(Cause::Contradiction)?;
        let confirmed = alarm.confirmed.as_ref().map(json::text).transpose().map_err(Cause::Contradiction)?;
        upsert.execute(params![
            rows::key(alarm.id.0)?,
            alarm.key.rule,
            subject,
            subject_name,
            rows::state_word(alarm.life.state),
            proof,
            proof_since,
            rows::ms(alarm.conditioning.last),
            alarm.occurrence,
            rows::ms(alarm.onset),
            rows::ms(alarm.raised_at),
            rows::ms(alarm.life.cleared_at),
            acknowledged,
            alarm.title,
            alarm.priority.key(),
            alarm.revision,
            alarm.finding,
            json::text(&alarm.evidence).map_err(Cause::Contradiction)?,
            alarm.thread_subject,
            alarm.mails,
            json::hidden(&alarm.life).map_err(Cause::Contradiction)?,
            alarm.life.reminders,
            rows::ms(alarm.reminder_at),
            confirmed,
            alarm.thread,
            alarm.held,
            alarm.graver
        ])?;
        Ok(())
    }

    fn alarm_event(&self, event: &AlarmEvent) -> Result<(), Cause> {
        let grounds = event.grounds.as_ref().map(json::text).transpose().map_err(Cause::Contradiction)?;
        let mut insert = self.tx.prepare_cached(
            "INSERT INTO alarm_events (alarm, occurrence, at, kind, before, after, evidence_at, words, revision, grounds)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
        )?;
        insert.execute(params![
            rows::key(event.alarm.0)?,
            event.occurrence,
            event.at.as_millis(),
            event.kind.key(),
            rows::state_word(event.before),
            rows::state_word(event.after),
            rows::ms(event.evidence_at),
            event.words,
            event.revision,
            grounds
        ])?;
        Ok(())
    }

    fn mail(&mut self, mail: &Mail) -> Result<(), Cause> {
        let id = rows::key(mail.id.0)?;
        let notice = json::text(&mail.notice).map_err(Cause::Contradiction)?;
        let (state, next_try, tries, reply, settled_at) = rows::mail_columns(&mail.state);
        let mut insert = self.tx.prepare_cached(
            "INSERT INTO outbox (id, recipient, created_at, notice, state, next_try, tries, reply, settled_at)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9) ON CONFLICT DO NOTHING",
        )?;
        let created_at = mail.created_at.as_millis();
        if insert.execute(params![id, mail.to, created_at, notice, state, next_try, tries, reply, settled_at])? == 1 {
            self.record("mail.queued", &record::mail(mail, &notice))?;
            // One that is settled already has that on record too.
            let settled = record::settled(self.tx, mail.id, &mail.state)?;
            return settled.map_or(Ok(()), |(kind, body)| self.record(kind, &body));
        }
        let mut query = self.tx.prepare_cached("SELECT recipient = ?2 AND notice = ?3 FROM outbox WHERE id = ?1")?;
        match query.query_row(params![id, mail.to, notice], |row| row.get(0)).optional()? {
            Some(true) => Ok(()),
            // Dropping the second one without a word could drop an alarm.
            _ => Err(Cause::Contradiction(format!("mail {id} is there already and says something else"))),
        }
    }

    fn mail_state(&self, mail: MailId, state: &MailState) -> Result<(), Cause> {
        if self.lost_mails.contains(&mail) {
            return Ok(());
        }
        let (state, next_try, tries, reply, settled_at) = rows::mail_columns(state);
        let mut update = self.tx.prepare_cached(
            "UPDATE outbox SET state = ?2, next_try = ?3, tries = ?4, reply = ?5, settled_at = ?6 WHERE id = ?1",
        )?;
        if update.execute(params![rows::key(mail.0)?, state, next_try, tries, reply, settled_at])? == 0 {
            // No reason to stop storing readings: the mail is not there to be sent again.
            tracing::warn!("mail {} became `{state}`, but the outbox has no such mail; please report this", mail.0);
        }
        Ok(())
    }
}
