//! Writes all lasting effects of a slice in one transaction.
//!
//! Must never leave a part of a slice behind: either everything is stored or nothing, and then the same call may be made again.

use std::collections::HashMap;
use std::error::Error as _;

use engine::alarm::{Alarm, AlarmEvent};
use engine::effect::{Effect, KeptRule, Mail, MailId, MailState};
use engine::reports::KeptReport;
use engine::results::KeptResults;
use engine::water::KeptWater;
use pile::time::Timestamp;
use rusqlite::{OptionalExtension, Transaction, TransactionBehavior, params};
use seal::Value;
use seal::row::Head;
use site::entry::{Batch, Entry};
use site::reading::{Quality, Reading, Refusal, SeriesId};

use crate::chunk::{self, Day};
use crate::days::{self, Found};
use crate::error::Cause;
use crate::{Ledger, LedgerError, arrivals, hours, json, numbers, record, rows};

/// Refused payloads kept, the newest ones; a device that sends rubbish for years must not fill the disk.
pub const REFUSED_KEPT: i64 = 100_000;

/// Packed days that a commit keeps open; a backlog of some probes comes to few, each of some kilobytes.
const OPENED_MOST: usize = 64;

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
            let tx = ledger.conn.transaction_with_behavior(TransactionBehavior::Immediate)?;
            let mut slice = Slice {
                tx: &tx,
                at,
                known: &ledger.series,
                newest: ledger.arrivals.newest(),
                packed_until: ledger.packed_until,
                opened: HashMap::new(),
                fresh: HashMap::new(),
                head: ledger.head,
                hours: hours::Change::default(),
                committed: Committed::default(),
            };
            slice.readings(effects)?;
            for effect in effects {
                slice.write(effect)?;
            }
            slice.trim_refused()?;
            slice.hours.write(&tx, &ledger.hours, &mut slice.head, at)?;
            let Slice { fresh, committed, head, hours, .. } = slice;
            if let Some(run) = ledger.run {
                crate::runs::note_alive(&tx, run, at)?;
            }
            tx.commit()?;
            // Only now: numbers given inside a transaction that fails would name nothing.
            ledger.series.extend(fresh);
            ledger.head = head;
            ledger.hours.take(hours);
            ledger.arrivals.add(committed.stored);
            // All of it is stored by now; that the arrivals could not be carried over is no reason to say otherwise.
            if let Err(cause) = ledger.arrivals.carry_over(&mut ledger.conn) {
                let error = cause.at(&ledger.path, "carrying readings over to where they stay");
                tracing::warn!("{error} ({:?}); they are safe, and are carried over later", error.source());
            }
            Ok(committed)
        })
    }
}

fn is_lasting(effect: &Effect) -> bool {
    match effect {
        Effect::Store { .. }
        | Effect::Refuse(_)
        | Effect::Entry(_)
        | Effect::Batch(_)
        | Effect::Alarm { .. }
        | Effect::Mail(_)
        | Effect::MailState { .. }
        | Effect::SummaryDone(_)
        | Effect::RoundListDone(_)
        | Effect::Rules(_)
        | Effect::Water(_)
        | Effect::Results(_)
        | Effect::Report(_) => true,
        Effect::Deliver(_)
        | Effect::Recall { .. }
        | Effect::Judge { .. }
        | Effect::Publish { .. }
        | Effect::Beat
        | Effect::Reply(_)
        | Effect::Say { .. } => false,
    }
}

/// One transaction under way.
struct Slice<'a> {
    tx: &'a Transaction<'a>,
    /// When it is written.
    at: Timestamp,
    known: &'a HashMap<SeriesId, i64>,
    newest: &'a mut arrivals::Newest,
    /// What was measured then or later is not packed.
    packed_until: i64,
    /// Packed days that were opened for late readings, by their key.
    opened: HashMap<i64, Option<Day>>,
    /// Series that this transaction adds.
    fresh: HashMap<SeriesId, i64>,
    /// Where the record comes to with this transaction.
    head: Head,
    hours: hours::Change,
    committed: Committed,
}

impl Slice<'_> {
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
        record::append(self.tx, &mut self.head, self.at, kind, body)
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
        for effect in effects {
            let Effect::Store { reading, quality, reason } = effect else { continue };
            let series = self.series(&reading.series)?;
            if !reading.value.is_finite() {
                self.refuse_value(reading, series, "it is no number; look at what the probe or its gateway sends")?;
                self.committed.refused += 1;
                continue;
            }
            let measured_at = reading.measured_at.as_millis();
            let delay = reading.received_at.as_millis().wrapping_sub(measured_at);
            let reason = (!reason.is_empty()).then_some(reason.as_str());
            if let Some(first) = self.packed_value(series, measured_at)? {
                self.second(reading, *quality, series, first)?;
                continue;
            }
            let is_newer = measured_at > arrivals::newest(self.newest, self.tx, series)?;
            let insert = if is_newer { &mut insert } else { &mut insert_late };
            let new = insert.execute(params![
                series,
                measured_at,
                reading.value,
                (delay != 0).then_some(delay),
                rows::marks(reading, *quality),
                reason
            ])?;
            if new == 1 {
                self.committed.stored += 1;
                self.hours.touch(reading.measured_at);
            } else {
                let mut query = self.tx.prepare_cached(
                    "SELECT value FROM readings WHERE series = ?1 AND measured_at = ?2
                     UNION ALL SELECT value FROM arrivals WHERE series = ?1 AND measured_at = ?2",
                )?;
                let first: f64 = query.query_row(params![series, measured_at], |row| row.get(0))?;
                self.second(reading, *quality, series, first)?;
            }
        }
        Ok(())
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
            self.committed.repeats += 1;
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
        self.committed.conflicts += 1;
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
        if let Some(id) = self.known.get(series).or_else(|| self.fresh.get(series)) {
            return Ok(*id);
        }
        let id = numbers::next_series(self.tx)?;
        let (kind, source, quantity) = rows::series_words(series);
        let insert = "INSERT INTO series (id, kind, source, quantity) VALUES (?1, ?2, ?3, ?4)";
        self.tx.prepare_cached(insert)?.execute(params![id, kind, source, quantity])?;
        self.fresh.insert(series.clone(), id);
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
        self.committed.refused += 1;
        Ok(())
    }

    fn trim_refused(&self) -> Result<(), Cause> {
        if self.committed.refused + self.committed.conflicts > 0 {
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
            return self.record("mail.queued", &record::mail(mail, &notice));
        }
        let mut query = self.tx.prepare_cached("SELECT recipient = ?2 AND notice = ?3 FROM outbox WHERE id = ?1")?;
        match query.query_row(params![id, mail.to, notice], |row| row.get(0)).optional()? {
            Some(true) => Ok(()),
            // Dropping the second one without a word could drop an alarm.
            _ => Err(Cause::Contradiction(format!("mail {id} is there already and says something else"))),
        }
    }

    fn mail_state(&self, mail: MailId, state: &MailState) -> Result<(), Cause> {
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
