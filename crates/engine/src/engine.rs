//! The engine itself: what it holds, how time passes in it, how an input is absorbed.
//!
//! Must never run anything out of the order of time: deadlines up to `now` come first, each at its own time, then the input.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::sync::Arc;

use pile::time::{Span, Timestamp};
use pile::units::Celsius;
use rulebook::header::Scope;
use rulebook::{RuleFault, Rulebook};
use site::batches::Batches;
use site::entry::{Batch, Entry, EntryKind};
use site::ids::BinId;
use site::instruments::Instruments;
use site::judge::Standing;
use site::model::{Position, Site};
use site::quantity::Quantity;
use site::reading::{Quality, Reading, Refusal, SeriesId, Source};
use site::zone::{Day, IsoWeek};

use crate::alarm::{Alarm, AlarmEvent, AlarmEventKind, AlarmKey, AlarmState, Subject};
use crate::clock::Lag;
use crate::effect::{Effect, Level, MailId, MailState};
use crate::entries::Early;
use crate::input::{Input, LinkState, PreviousRun};
use crate::judging::Found;
use crate::limits;
use crate::outbox::{Outbox, Tried};
use crate::reaching::{End, Reaching};
use crate::reports::KeptReport;
use crate::restore::{PassedOver, Restored};
use crate::series::{Recount, Series, Taken};
use crate::telling::Flood;
use crate::unfit::Unfit;

/// The core of the daemon: a state machine from inputs to effects.
///
/// Live running, the demo, replay and tests differ only in who supplies `now` and who carries the effects out.
#[derive(Debug)]
pub struct Engine {
    /// The site with every probe where it is now.
    pub(crate) site: Arc<Site>,
    /// The site as the settings describe it.
    pub(crate) described: Arc<Site>,
    /// Entries about probes, for as long as there are any.
    pub(crate) about_probes: Vec<Entry>,
    /// What they say.
    pub(crate) instruments: Instruments,
    pub(crate) rulebook: Arc<Rulebook>,
    /// Rules that did not compile.
    pub(crate) broken: Vec<RuleFault>,
    pub(crate) life: u32,
    pub(crate) now: Timestamp,
    /// Since when the daemon watches without a break.
    pub(crate) watching_since: Timestamp,
    pub(crate) series: BTreeMap<SeriesId, Series>,
    pub(crate) bins: BTreeMap<BinId, BinState>,
    pub(crate) alarms: BTreeMap<AlarmKey, Alarm>,
    /// What rules found last of alarms that are active: made again by the first judgement after a start.
    pub(crate) found: BTreeMap<AlarmKey, Found>,
    pub(crate) last_alarm: u64,
    pub(crate) outbox: Outbox,
    /// Whom mail reaches.
    pub(crate) reaching: Reaching,
    /// When a bin or the site was last judged.
    pub(crate) ticked_at: Option<Timestamp>,
    /// When a reading that was not a repetition last came.
    pub(crate) taken_at: Option<Timestamp>,
    /// When one last came that was not late: rules judge on those alone.
    pub(crate) fresh_at: Option<Timestamp>,
    pub(crate) week: WeekMemory,
    /// What became of the summaries of the last weeks.
    pub(crate) reports: BTreeMap<IsoWeek, KeptReport>,
    /// More alarms than anybody can read one by one.
    pub(crate) flood: Option<Flood>,
    /// Rules that failed when they last ran, by rule and what they were judged on.
    pub(crate) failing: BTreeMap<(String, Subject), RuleFault>,
    /// What judging costs, and rules that rest.
    pub(crate) work: crate::work::Work,
    /// Parts of the daemon that failed, and when they did so last.
    pub(crate) parts_failed: BTreeMap<String, Timestamp>,
    /// Gateways of which the broker says that they are gone, and since when.
    pub(crate) gateways_gone: BTreeMap<String, Timestamp>,
    /// Rules that hide alarms behind their own, or once did: only their answers need a look at every alarm.
    pub(crate) hiding: BTreeSet<String>,
    /// The share of the disk that is free, and when that was looked at.
    pub(crate) disk_free: Option<(Timestamp, f64)>,
    /// When the clock last jumped, and by how much.
    pub(crate) clock_jumped: Option<(Timestamp, Span)>,
    /// How far the machine's clock is behind `now`.
    pub(crate) lag: Lag,
    /// Since when the machine's clock shows a time that cannot be.
    pub(crate) clock_unset: Option<Timestamp>,
    /// Series whose readings carry a wrong time.
    pub(crate) wrong_times: BTreeSet<SeriesId>,
    /// Temperatures for which time above is accounted.
    pub(crate) thresholds: Vec<Celsius>,
    pub(crate) reach: Span,
    /// The longest interval of what is in no bin: site-wide probes and blowers.
    pub(crate) slowest_shared: Span,
    /// The longest interval of all.
    pub(crate) slowest: Span,
    deadlines: BTreeSet<(Timestamp, Deadline)>,
    pub(crate) started: bool,
    /// The batches on the site.
    pub(crate) batches: Batches,
    pub(crate) last_entry: u64,
    /// The newest entries of all bins in the order in which they were written: what a withdrawn one did is found by living through them again.
    pub(crate) log: Vec<Entry>,
    /// When the oldest reading was measured that is kept; `None` before the first.
    pub(crate) first_reading: Option<Timestamp>,
    /// What the store holds and nobody can use.
    pub(crate) passed_over: Vec<PassedOver>,
    /// Entries with times or amounts that cannot be.
    pub(crate) unfit_entries: Vec<Entry>,
    pub(crate) refused: VecDeque<Timestamp>,
    pub(crate) last_refusal: Option<Refusal>,
    pub(crate) link: LinkState,
    pub(crate) link_down_since: Option<Timestamp>,
    /// Series whose accounts wait to be made from history; the first one is being read.
    recalls: VecDeque<SeriesId>,
    recalling: Option<SeriesId>,
    pub(crate) sounding: Option<bool>,
    pub(crate) outage: Option<(Timestamp, Timestamp)>,
    pub(crate) stored_since_beat: u64,
    /// The heartbeat is held back, and that was said.
    pub(crate) beat_held: bool,
    pub(crate) judged_since_beat: u64,
    pub(crate) readings_taken: u64,
    /// Answers of rules since the start.
    pub(crate) judged: u64,
    /// Readings that came twice since the start, and of which nothing was to be kept.
    pub(crate) repeated: u64,
}

/// What the engine keeps of each bin.
#[derive(Debug)]
pub(crate) struct BinState {
    /// The batch in it, if it can be judged.
    pub(crate) batch: Option<Batch>,
    /// The batch in it where it cannot.
    pub(crate) unfit: Option<Unfit>,
    pub(crate) entries: Arc<Vec<Entry>>,
    /// The valve's opening as last written.
    pub(crate) valve_percent: f64,
    /// Shifts the bin's ticks against those of the others, so that they do not all fall on the same instant.
    pub(crate) phase: Span,
    /// The water account of its batch.
    pub(crate) water: Option<crate::water::BinWater>,
    /// That of the batch that was in it before, or is off air, should that have been a mistake.
    pub(crate) water_before: Option<crate::water::BinWater>,
    /// How its batch stood against the criteria when it was judged last.
    pub(crate) results: Arc<Vec<Standing>>,
}

/// What the weekly summary tells beside the present state.
#[derive(Debug, Default)]
pub(crate) struct WeekMemory {
    /// Raises: when, and which alarm.
    pub(crate) raised: VecDeque<(Timestamp, AlarmKey)>,
    /// First acknowledgements: when, which alarm, which occurrence was raised when.
    pub(crate) answered: VecDeque<(Timestamp, AlarmKey)>,
    /// Mails that told of an alarm: when, and to which address.
    pub(crate) mails: VecDeque<(Timestamp, String)>,
    pub(crate) refused: VecDeque<Timestamp>,
    pub(crate) given_up: VecDeque<Timestamp>,
    pub(crate) off: VecDeque<(Timestamp, Timestamp)>,
    pub(crate) last_summary: Option<IsoWeek>,
    pub(crate) last_round_list: Option<Day>,
}

impl WeekMemory {
    /// Keeps of an event what figures are made of.
    pub(crate) fn remember(&mut self, event: &AlarmEvent, key: &AlarmKey) {
        match event.kind {
            AlarmEventKind::Raised if event.after != AlarmState::Suppressed => {
                self.raised.push_back((event.at, key.clone()));
            }
            AlarmEventKind::Acknowledged if event.before != event.after => {
                self.answered.push_back((event.at, key.clone()));
            }
            _ => {}
        }
    }
}

/// Something to be done at a certain time.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Deadline {
    /// Judge the rules of a bin that are due.
    Tick(BinId),
    /// Judge the rules about the whole site that are due.
    SiteTick,
    /// Look after the daemon's own alarms, an outage to tell of, and the status topic.
    Health,
    /// Tell the outside that all is well.
    Beat,
    /// Have the batch of a bin judged by the site's criteria.
    Results(BinId),
    /// Close a cell of a bin's water account.
    Water(BinId),
    /// The weekly summary.
    Summary,
    /// Copies of a week's summary go out, reviewed or not.
    Outside(IsoWeek),
    /// The round list of the morning.
    RoundList,
    /// An alarm reminds, or its acknowledgement ends.
    Reminder(AlarmKey),
    /// The time of a shelf is over.
    ShelfEnds(AlarmKey),
    /// One mail tells of many alarms.
    FloodMail,
    /// A mail is to be tried.
    Mail(MailId),
}

/// From one look at the daemon's own health to the next.
pub(crate) const HEALTH_EVERY: Span = Span::minutes(1);

impl Engine {
    /// An engine that continues where the restored state left off; it judges nothing before [`Input::Started`].
    pub fn new(
        site: Arc<Site>,
        rulebook: Rulebook,
        broken: Vec<RuleFault>,
        restored: Restored,
        now: Timestamp,
    ) -> Engine {
        let reach = Engine::reach(&rulebook);
        let thresholds = crate::reload::thresholds(&rulebook);
        let count = i64::try_from(site.bins.len().max(1)).unwrap_or(1);
        let bins = site.bins.keys().enumerate().map(|(i, id)| {
            let phase = Span::millis(limits::TICK.as_millis() * i64::try_from(i).unwrap_or(0) / count);
            (
                id.clone(),
                BinState {
                    batch: None,
                    unfit: None,
                    entries: Arc::new(Vec::new()),
                    valve_percent: crate::entries::VALVE_OPEN_PERCENT,
                    phase,
                    water: None,
                    water_before: None,
                    results: Arc::default(),
                },
            )
        });
        let blowers = site.blowers.values().map(|blower| blower.interval);
        let shared = site.probes.values().filter(|probe| probe.bin.is_none()).map(|probe| probe.interval);
        let slowest_shared = blowers.chain(shared).fold(Span::ZERO, Span::max);
        let slowest = site.probes.values().map(|probe| probe.interval).fold(slowest_shared, Span::max);
        let mut engine = Engine {
            slowest_shared,
            slowest,
            bins: bins.collect(),
            site: Arc::clone(&site),
            described: Arc::clone(&site),
            about_probes: Vec::new(),
            instruments: Instruments::default(),
            rulebook: Arc::new(rulebook),
            broken,
            life: restored.life,
            now,
            watching_since: now,
            series: BTreeMap::new(),
            alarms: BTreeMap::new(),
            found: BTreeMap::new(),
            last_alarm: 0,
            outbox: Outbox::new(restored.last_mail),
            reaching: Reaching::default(),
            ticked_at: None,
            taken_at: None,
            fresh_at: None,
            // Those of a time that is still to come were made by a clock that was ahead; they keep nothing back.
            week: WeekMemory {
                last_summary: restored.last_summary.filter(|week| *week <= site.zone.iso_week(now)),
                last_round_list: restored.last_round_list.filter(|day| *day <= site.zone.day(now)),
                ..WeekMemory::default()
            },
            reports: BTreeMap::new(),
            flood: None,
            failing: BTreeMap::new(),
            work: crate::work::Work::default(),
            parts_failed: BTreeMap::new(),
            gateways_gone: BTreeMap::new(),
            hiding: BTreeSet::new(),
            disk_free: None,
            clock_jumped: None,
            lag: Lag::none(now),
            clock_unset: None,
            wrong_times: BTreeSet::new(),
            thresholds,
            reach,
            deadlines: BTreeSet::new(),
            started: false,
            batches: Batches::default(),
            last_entry: restored.last_entry,
            log: Vec::new(),
            first_reading: restored.first_reading,
            passed_over: Vec::new(),
            unfit_entries: Vec::new(),
            refused: VecDeque::new(),
            last_refusal: None,
            link: LinkState::Down,
            link_down_since: None,
            recalls: VecDeque::new(),
            recalling: None,
            sounding: None,
            outage: None,
            stored_since_beat: 0,
            beat_held: false,
            judged_since_beat: 0,
            readings_taken: 0,
            judged: 0,
            repeated: 0,
        };
        for probe in site.probes.values() {
            let id = SeriesId { source: Source::Probe(probe.id.clone()), quantity: Quantity::Temperature };
            engine.series.insert(id, Series::of_probe(probe, Quantity::Temperature, reach));
        }
        engine.put_back(restored);
        engine
    }

    /// How far back windows must reach for these rules.
    pub fn reach(rulebook: &Rulebook) -> Span {
        let asked = rulebook.rules().iter().map(|r| r.header.window).max().unwrap_or(Span::ZERO);
        asked.max(limits::WINDOW_DEFAULT).min(limits::WINDOW_MAX)
    }

    /// Absorbs one input at `now`; the caller carries out the effects in order.
    ///
    /// Time never runs backwards here: an earlier `now` counts as the latest one seen.
    pub fn step(&mut self, now: Timestamp, input: Input) -> Vec<Effect> {
        let mut effects = Vec::new();
        let now = now.max(self.now);
        if self.started && matches!(input, Input::Started { .. }) {
            // A start after a start: nobody was there in between, and what fell due then was due to nobody. The start plans it anew.
            use Deadline::{Beat, Health, Results, RoundList, SiteTick, Summary, Tick};
            self.deadlines
                .retain(|(_, d)| !matches!(d, Tick(_) | Results(_) | SiteTick | Health | Beat | Summary | RoundList));
            self.now = now;
        }
        self.run_deadlines(now, &mut effects);
        self.now = now;
        self.absorb(now, input, &mut effects);
        self.sound(&mut effects);
        effects
    }

    /// When the engine wants to be woken even if nothing arrives.
    pub fn next_deadline(&self) -> Option<Timestamp> {
        self.deadlines.first().map(|(at, _)| *at)
    }

    /// Alarms as they stand, by identity.
    pub fn alarms(&self) -> impl Iterator<Item = &Alarm> {
        self.alarms.values()
    }

    fn put_back(&mut self, restored: Restored) {
        let mut log: BTreeMap<_, Entry> = restored.log.into_iter().map(|e| (e.id, e)).collect();
        log.extend(restored.entries.iter().chain(&restored.about_probes).map(|e| (e.id, e.clone())));
        self.log = log.into_values().filter(crate::unfit::is_fit).collect();
        let entries = self.take_fit(restored.passed_over, restored.about_probes, restored.entries);
        self.learn_instruments();
        for (id, window) in restored.windows {
            if let Some(series) = self.series_mut(&id) {
                series.restore(window);
            }
        }
        let ids: BTreeMap<_, _> = restored.alarms.iter().map(|a| (a.id, a.key.clone())).collect();
        // What a clock that was ahead wrote is no part of the last minutes and hours that figures and floods count.
        for event in restored.events.iter().filter(|event| event.at <= self.now) {
            if let Some(key) = ids.get(&event.alarm) {
                self.week.remember(event, key);
            }
        }
        let now = self.now;
        self.week.mails.extend(restored.mails.into_iter().filter(|(at, _)| *at <= now));
        let highest = restored.alarms.iter().map(|a| a.id.0).max().unwrap_or_default();
        self.last_alarm = if restored.last_alarm > 0 { restored.last_alarm } else { highest };
        let ahead = restored.previous.map_or(Span::ZERO, |run| run.last_alive.since(now)).max(Span::ZERO);
        for mut alarm in restored.alarms {
            alarm.come_back(now, ahead);
            self.hiding.extend(alarm.life.by_design.clone());
            self.alarms.insert(alarm.key.clone(), alarm);
        }
        self.batches = Batches::restored(restored.batches, restored.last_batch);
        for entry in entries {
            if let EntryKind::Corrected { of, .. } = entry.kind {
                self.mend(of);
            }
            self.remember(entry);
        }
        let bins: Vec<BinId> = self.bins.keys().cloned().collect();
        for bin in &bins {
            self.find_batch(bin);
        }
        for mail in restored.waiting {
            if let MailState::Waiting { tries: 1.., last_reply, .. } = &mail.state {
                self.reaching.put_back(&mail.to, mail.created_at.min(now), last_reply);
            }
            if let Some(deadline) = self.outbox.put_back(mail, self.now) {
                self.deadlines.insert(deadline);
            }
        }
        self.put_unreached_back();
        self.put_water_back(restored.water);
        self.put_results_back(restored.results);
        self.put_reports_back(restored.reports);
        self.week.off.extend(restored.off);
    }

    fn run_deadlines(&mut self, now: Timestamp, effects: &mut Vec<Effect>) {
        if !self.started {
            return;
        }
        if now.since(self.now) > limits::CLOCK_JUMP {
            self.jump(now, effects);
        }
        while let Some((at, _)) = self.deadlines.first() {
            if *at > now {
                break;
            }
            let Some((at, deadline)) = self.deadlines.pop_first() else { break };
            self.now = self.now.max(at);
            match deadline {
                Deadline::Tick(bin) => {
                    let judged = self.tick(&bin, at, effects);
                    self.ticked_at = Some(at);
                    self.count_judged(judged);
                    self.schedule_tick(&bin, at);
                }
                Deadline::SiteTick => {
                    let judged = self.site_tick(at, effects);
                    self.ticked_at = Some(at);
                    self.count_judged(judged);
                    self.schedule_site_tick(at);
                }
                Deadline::Health => {
                    self.look_after_itself(at, effects);
                    self.deadlines.insert((at + HEALTH_EVERY, Deadline::Health));
                }
                Deadline::Results(bin) => self.results_due(&bin, at, effects),
                Deadline::Water(bin) => self.close_water(&bin, at, effects),
                Deadline::Beat => self.beat(at, effects),
                Deadline::Summary => {
                    self.summarise(at, effects);
                    self.deadlines.insert((self.site.zone.next_weekly(at, self.site.summary), Deadline::Summary));
                }
                Deadline::Outside(week) => self.outside_due(week, at, effects),
                Deadline::RoundList => {
                    self.list_rounds(at, effects);
                    let next = self.site.zone.next_daily(at, self.site.round_list.at);
                    self.deadlines.insert((next, Deadline::RoundList));
                }
                Deadline::Reminder(key) => self.remind(&key, at, effects),
                Deadline::ShelfEnds(key) => self.end_shelf(&key, at, effects),
                Deadline::FloodMail => self.mail_flood(at, effects),
                Deadline::Mail(mail) => {
                    if let Some(effect) = self.outbox.due(mail, at) {
                        effects.push(effect);
                    }
                }
            }
        }
    }

    /// Time moved on without us (suspended, or the clock was set): one tick, delays restarted, silence given grace.
    fn jump(&mut self, now: Timestamp, effects: &mut Vec<Effect>) {
        effects.push(Effect::Say {
            level: Level::Warn,
            text: format!(
                "time moved from {} to {} at once: delays start again and silent probes are given time to speak; check the machine's clock",
                self.site.zone.show(self.now),
                self.site.zone.show(now)
            ),
        });
        self.watching_since = now;
        self.clock_jumped = Some((now, now.since(self.now)));
        for alarm in self.alarms.values_mut() {
            alarm.conditioning.break_proof();
        }
        // One reminder is enough for all that fell due at once.
        for (key, alarm) in &mut self.alarms {
            if alarm.reminder_at.is_some_and(|due| due < now) {
                alarm.reminder_at = Some(now);
                self.deadlines.insert((now, Deadline::Reminder(key.clone())));
            }
        }
        self.no_mail_was_tried_for(now.since(self.now));
        self.make_up_for(now);
    }

    /// Nobody tried to send mail for a while, or the clock was only set: that counts neither against mails nor against those they go to.
    fn no_mail_was_tried_for(&mut self, span: Span) {
        self.outbox.nobody_tried_for(span);
        self.reaching.nobody_tried_for(span);
    }

    /// Has what was due before `now` over and over done once: each bin is judged from its next turn on, each account and batch is looked at
    /// once and goes on in pieces, and only the newest summary and round list are made. What is due a single time stays due.
    fn make_up_for(&mut self, now: Timestamp) {
        let overdue = |(at, d): &&(Timestamp, Deadline)| {
            use Deadline::{Beat, Health, Results, RoundList, SiteTick, Summary, Tick, Water};
            *at < now && matches!(d, Tick(_) | SiteTick | Health | Beat | Results(_) | Water(_) | Summary | RoundList)
        };
        let overdue: Vec<_> = self.deadlines.iter().filter(overdue).cloned().collect();
        for (at, deadline) in overdue {
            self.deadlines.remove(&(at, deadline.clone()));
            let at = if deadline == Deadline::Summary { self.newest_summary_due(now) } else { now };
            self.deadlines.insert((at, deadline));
        }
    }

    /// The newest time at which a summary was due, `now` included.
    fn newest_summary_due(&self, now: Timestamp) -> Timestamp {
        let zone = &self.site.zone;
        // A week is an hour shorter or longer where the clocks change.
        let before = zone.next_weekly(now - Span::days(8), self.site.summary);
        let newest = zone.next_weekly(before, self.site.summary);
        if newest <= now { newest } else { before }
    }

    pub(crate) fn schedule_tick(&mut self, bin: &BinId, after: Timestamp) {
        let Some(state) = self.bins.get(bin) else { return };
        let rules = self.rulebook.rules().iter().filter(|r| r.header.scope == Scope::Bin);
        let next = rules.map(|r| after.next_on_grid(r.header.every, state.phase)).min();
        if let Some(next) = next {
            self.deadlines.insert((next, Deadline::Tick(bin.clone())));
        }
    }

    pub(crate) fn schedule_site_tick(&mut self, after: Timestamp) {
        let rules = self.rulebook.rules().iter().filter(|r| r.header.scope == Scope::Site);
        if let Some(next) = rules.map(|r| after.next_on_grid(r.header.every, Span::ZERO)).min() {
            self.deadlines.insert((next, Deadline::SiteTick));
        }
    }

    fn absorb(&mut self, now: Timestamp, input: Input, effects: &mut Vec<Effect>) {
        match input {
            Input::Readings(readings) => {
                for reading in readings {
                    self.take(reading, effects);
                }
            }
            Input::Refused(refusal) => self.refuse(refusal, effects),
            Input::Entry(entry) => {
                let reply = self.enter(now, entry, Early::Unsaid, effects);
                effects.push(Effect::Reply(reply));
            }
            Input::EntryThatEarly(entry) => {
                let reply = self.enter(now, entry, Early::Said, effects);
                effects.push(Effect::Reply(reply));
            }
            Input::Alarm { alarm, by, word } => {
                let reply = self.told_by(now, alarm, &by, word, effects);
                effects.push(Effect::Reply(reply));
            }
            Input::Mail { mail, outcome } => {
                if let Some(Tried { next, attempt }) = self.outbox.outcome(now, mail, outcome, effects) {
                    match next {
                        Some(at) => self.insert_deadline(at, Deadline::Mail(mail)),
                        None if matches!(attempt.end, End::Taken) => {}
                        None => self.week.given_up.push_back(now),
                    }
                    self.mail_fared(now, attempt, effects);
                }
                effects.extend(self.outbox.next_in_line(now));
            }
            Input::Recalled { series, from, points } => self.recalled(&series, from, &points, effects),
            Input::Report { week, word } => {
                let reply = self.report_word(now, week, word, effects);
                effects.push(Effect::Reply(reply));
            }
            Input::Judged { bin, batch, at, standings } => self.judged(bin, batch, at, standings, effects),
            Input::Link { state } => self.link(now, state, effects),
            Input::Gateway { gateway, gone } => {
                if gone {
                    self.gateways_gone.entry(gateway).or_insert(now);
                } else {
                    self.gateways_gone.remove(&gateway);
                }
            }
            Input::PartFailed { part, why } => self.part_failed(now, part, &why, effects),
            Input::Health { disk_free } => self.disk_free = Some((now, disk_free)),
            Input::Clock(clock) => self.machine_clock(now, clock, effects),
            Input::Rules(set) => {
                let reply = self.take_rules(now, *set, effects);
                effects.push(Effect::Reply(reply));
            }
            Input::Started { previous } => self.start(now, previous, effects),
            Input::Wake => {}
        }
    }

    fn take(&mut self, mut reading: Reading, effects: &mut Vec<Effect>) {
        let counts_at = self.lag.counts_at(&reading);
        let Some(series) = self.series_mut(&reading.series) else {
            let refusal = Refusal {
                received_at: reading.received_at,
                topic: reading.series.to_string(),
                payload_head: reading.value.to_string(),
                payload_bytes: 0,
                reason: format!("{} is not in the settings; add the probe there", reading.series.source.as_str()),
            };
            self.refuse(refusal, effects);
            return;
        };
        let Taken::Kept { quality, reason, recount } = series.take(&mut reading, counts_at) else {
            self.repeated += 1;
            return;
        };
        let heard_at = series.heard_at;
        if recount == Recount::Needed {
            self.recall(reading.series.clone(), effects);
        }
        self.stored_since_beat += 1;
        self.taken_at = Some(self.now);
        if heard_at.is_some_and(|at| self.now.since(at) <= self.late_after(None)) {
            self.fresh_at = Some(self.now);
        }
        self.readings_taken += u64::from(quality == Quality::Good);
        self.first_reading = Some(self.first_reading.map_or(reading.measured_at, |at| at.min(reading.measured_at)));
        effects.push(Effect::Store { reading, quality, reason });
    }

    fn start(&mut self, now: Timestamp, previous: Option<PreviousRun>, effects: &mut Vec<Effect>) {
        self.started = true;
        self.watching_since = now;
        let bins: Vec<_> = self.bins.keys().cloned().collect();
        for bin in &bins {
            self.schedule_tick(bin, now);
        }
        self.schedule_site_tick(now);
        self.deadlines.insert((now + HEALTH_EVERY, Deadline::Health));
        if let Some(heartbeat) = &self.site.heartbeat {
            self.deadlines.insert((now + heartbeat.every, Deadline::Beat));
        }
        let zone = &self.site.zone;
        let next = zone.next_weekly(now, self.site.summary);
        self.deadlines.insert((next, Deadline::Summary));
        self.deadlines.insert((zone.next_daily(now, self.site.round_list.at), Deadline::RoundList));
        if let Some(run) = previous {
            let due = zone.next_daily(now - Span::days(1), self.site.round_list.at);
            if due <= now && run.last_alive < due && self.week.last_round_list != Some(zone.day(due)) {
                self.deadlines.insert((now, Deadline::RoundList));
            }
            // The newest summary: if the daemon was not there for it, it goes out now, about the week that it was due for.
            let due = self.newest_summary_due(now);
            if due <= now && run.last_alive < due {
                self.deadlines.insert((due, Deadline::Summary));
            }
            if now.since(run.last_alive) > Span::minutes(1) {
                self.no_mail_was_tried_for(now.since(run.last_alive));
                self.week.off.push_back((run.last_alive, now));
            }
            if !run.stopped_cleanly && now.since(run.last_alive) > limits::OUTAGE_TOLD_AFTER {
                self.outage = Some((run.last_alive, now));
            }
        }
        self.arm_alarms(now, effects);
        self.retire_removed_rules(now, effects);
        self.forget_people(now, effects);
        for fault in self.broken.clone() {
            self.raise_broken_rule(now, &fault, Vec::new(), effects);
        }
        self.keep_rules(effects);
        self.tell_passed_over(now, effects);
        for bin in &bins {
            self.tell_unfit(bin, now, effects);
        }
        let batches: Vec<_> = self.bins.values().filter_map(|state| state.batch.clone()).collect();
        for batch in batches {
            self.hide_pulled(&batch.bin);
            self.account_anew(&batch, effects);
        }
        let of_blowers =
            self.series.iter().filter(|(id, s)| matches!(id.source, Source::Blower(_)) && s.days.is_some());
        for id in of_blowers.map(|(id, _)| id.clone()).collect::<Vec<_>>() {
            self.recall(id, effects);
        }
        self.plan_results(now, effects);
        self.make_up_for(now);
        self.status(now, effects);
    }

    pub(crate) fn recall(&mut self, id: SeriesId, effects: &mut Vec<Effect>) {
        if self.recalling.as_ref() != Some(&id) && !self.recalls.contains(&id) {
            self.recalls.push_back(id);
        }
        self.recall_next(effects);
    }

    fn recall_next(&mut self, effects: &mut Vec<Effect>) {
        while self.recalling.is_none() {
            let Some(id) = self.recalls.pop_front() else { return };
            if let Some(from) = self.account_from(&id) {
                self.recalling = Some(id.clone());
                effects.push(Effect::Recall { series: id, from });
            }
        }
    }

    fn account_from(&self, id: &SeriesId) -> Option<Timestamp> {
        let begun = |bin: &BinId| self.bins.get(bin)?.batch.as_ref()?.counted_from();
        match &id.source {
            Source::Probe(_) => {
                let series = self.series.get(id)?;
                Some(begun(series.bin.as_ref()?)?.max(series.here_since))
            }
            // What a blower measures is counted since the oldest batch that it serves.
            Source::Blower(blower) => {
                let served = self.site.bins.values().filter(|b| b.blower.as_ref() == Some(blower));
                served.filter_map(|b| begun(&b.id)).min()
            }
        }
    }

    fn recalled(&mut self, id: &SeriesId, from: Timestamp, points: &[pile::window::Point], effects: &mut Vec<Effect>) {
        if self.recalling.as_ref() == Some(id) {
            self.recalling = None;
        }
        if self.account_from(id) == Some(from) {
            let thresholds = if matches!(id.source, Source::Probe(_)) { self.thresholds.clone() } else { vec![] };
            if let Some(series) = self.series.get_mut(id) {
                series.recount(&thresholds, from, points);
            }
        }
        self.recall_next(effects);
    }

    fn count_judged(&mut self, answers: u64) {
        self.judged_since_beat += answers;
        self.judged += answers;
    }

    pub(crate) fn insert_deadline(&mut self, at: Timestamp, deadline: Deadline) {
        self.deadlines.insert((at, deadline));
    }

    pub(crate) fn series_mut(&mut self, id: &SeriesId) -> Option<&mut Series> {
        if !self.series.contains_key(id) {
            let series = match &id.source {
                Source::Probe(probe) => {
                    let mut series = Series::of_probe(self.site.probes.get(probe)?, id.quantity, self.reach);
                    let here_since = self.instruments.stays(&self.described, probe).last()?.from;
                    let checks = match id.quantity {
                        Quantity::Temperature => Arc::new(self.instruments.checks(probe).to_vec()),
                        _ => Arc::default(),
                    };
                    series.learn(&checks, here_since);
                    series
                }
                Source::Blower(blower) => Series::of_blower(self.site.blowers.get(blower)?, id.quantity, self.reach),
            };
            self.series.insert(id.clone(), series);
        }
        self.series.get_mut(id)
    }

    /// The temperature series of a bin at a position, in the order of the settings.
    pub(crate) fn temperatures_at(&self, bin: &BinId, position: Position) -> impl Iterator<Item = &Series> {
        let probes = self.site.bins.get(bin).map(|b| b.probes.as_slice()).unwrap_or_default();
        probes.iter().filter_map(move |probe| {
            let id = SeriesId { source: Source::Probe(probe.clone()), quantity: Quantity::Temperature };
            self.series.get(&id).filter(|s| s.position == Some(position))
        })
    }
}
