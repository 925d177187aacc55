//! Values drawn from a seed, every variant of every effect among them.
//!
//! Must never draw from anything but the seed, so that a printed seed repeats a failure.

use engine::alarm::{
    ALARM_EVENT_KINDS, Acknowledgement, Alarm, AlarmEvent, AlarmId, AlarmKey, AlarmState, Closing, Grounds, Subject,
};
use engine::conditioning::{Conditioning, Phase};
use engine::effect::{Effect, Level, Mail, MailId, MailState};
use engine::life::{Life, OutOfService, Shelf};
use engine::notice::{
    AlarmFigures, AlarmNotice, BackOnAir, BinMorning, BinWeek, Chart, ChartBlower, ChartLine, CopyNotice, FloodNotice,
    Notice, OutageNotice, RoundItem, RoundListNotice, Step, SummaryNotice,
};
use engine::reports::KeptReport;
use engine::results::KeptResults;
use engine::water::KeptWater;
use pile::time::{Span, Timestamp};
use pile::units::{Celsius, CubicMetres, Kelvin, Kilograms, Litres, Metres};
use rulebook::header::Priority;
use site::entry::{
    AGAINST, Amount, Batch, BatchId, Entry, EntryId, EntryKind, Filled, PLAIN, Really, Rest, STAGES, Taken,
};
use site::ids::{BinId, BlowerId, ProbeId};
use site::judge::{Outcome, Standing};
use site::model::POSITIONS;
use site::quantity::QUANTITIES;
use site::reading::{Quality, Reading, Refusal, SeriesId, Source, TimeSource};
use site::zone::{Day, IsoWeek};

/// A seeded source of values (splitmix64).
pub(crate) struct Dice {
    state: u64,
    /// The number of the newest entry.
    entries: u64,
}

impl Dice {
    pub(crate) fn new(seed: u64) -> Dice {
        Dice { state: seed, entries: 0 }
    }

    pub(crate) fn bits(&mut self) -> u64 {
        self.state = self.state.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let z = (self.state ^ (self.state >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    pub(crate) fn below(&mut self, n: u64) -> u64 {
        self.bits() % n
    }

    pub(crate) fn one<T: Clone>(&mut self, of: &[T]) -> T {
        of[self.below(of.len() as u64) as usize].clone()
    }

    fn maybe<T>(&mut self, draw: impl FnOnce(&mut Dice) -> T) -> Option<T> {
        (self.below(3) > 0).then(|| draw(self))
    }

    fn some<T>(&mut self, most: u64, mut draw: impl FnMut(&mut Dice) -> T) -> Vec<T> {
        (0..self.below(most + 1)).map(|_| draw(self)).collect()
    }

    pub(crate) fn at(&mut self) -> Timestamp {
        match self.below(12) {
            0 => Timestamp::MIN,
            1 => Timestamp::MAX,
            2 => Timestamp::from_millis(-1),
            _ => Timestamp::from_millis(1_772_000_000_000 + self.below(10_000_000_000) as i64),
        }
    }

    fn span(&mut self) -> Span {
        Span::millis(self.bits() as i64 >> 20)
    }

    fn text(&mut self) -> String {
        const PARTS: [&str; 10] = [
            "",
            "core 62.9 °C",
            "\"quoted\"",
            "a\nb\r\n",
            "'; DROP TABLE mails; --",
            "名前",
            "\u{0}",
            "\\",
            "\u{1f525}",
            "0",
        ];
        let mut text = self.one(&PARTS).to_string();
        text.push_str(self.one(&PARTS));
        text
    }

    /// Any finite number, down to its last bit.
    fn number(&mut self) -> f64 {
        match self.below(6) {
            0 => 0.0,
            1 => -17.0,
            2 => 1e300,
            3 => 5e-324,
            4 => self.below(2_000) as f64 / 10.0 - 20.0,
            _ => Some(f64::from_bits(self.bits())).filter(|n| n.is_finite()).unwrap_or(0.1 + 0.2),
        }
    }

    fn small(&mut self) -> f32 {
        Some(f32::from_bits(self.bits() as u32)).filter(|n| n.is_finite()).unwrap_or(0.3)
    }

    fn bin(&mut self) -> BinId {
        BinId::new(self.one(&["north-1", "north-2", "s.3", "Z_4"])).unwrap()
    }

    fn blower(&mut self) -> BlowerId {
        BlowerId::new(self.one(&["fan-a", "fan-b"])).unwrap()
    }

    pub(crate) fn series(&mut self) -> SeriesId {
        let source = match self.below(3) {
            0 => Source::Blower(self.blower()),
            // The same name as a blower: they share a namespace at a site, but the store must not mix them up.
            1 => Source::Probe(ProbeId::new(self.one(&["fan-a", "p1", "p2"])).unwrap()),
            _ => Source::Probe(ProbeId::new(&format!("core-{}", self.below(5))).unwrap()),
        };
        SeriesId { source, quantity: self.one(&QUANTITIES).0 }
    }

    pub(crate) fn reading(&mut self) -> Reading {
        let time_source = self.one(&[
            TimeSource::Device,
            TimeSource::Intake,
            TimeSource::DeviceClockWrong,
            TimeSource::DeviceClockAhead,
        ]);
        let measured_at = self.at();
        Reading {
            series: self.series(),
            measured_at,
            received_at: match time_source {
                TimeSource::Device => self.at(),
                _ => measured_at,
            },
            value: self.number(),
            time_source,
            retained: self.below(5) == 0,
        }
    }

    pub(crate) fn store(&mut self) -> Effect {
        let quality = self.one(&[Quality::Good, Quality::Good, Quality::Suspect, Quality::Bad]);
        let reason = if quality == Quality::Good { String::new() } else { self.text() };
        Effect::Store { reading: self.reading(), quality, reason }
    }

    pub(crate) fn refusal(&mut self) -> Refusal {
        Refusal {
            received_at: self.at(),
            topic: self.text(),
            payload_head: self.text(),
            payload_bytes: self.below(1 << 40) as usize,
            reason: self.text(),
        }
    }

    pub(crate) fn entry(&mut self) -> Entry {
        let kind = match self.below(17) {
            0 => EntryKind::OnAir {
                loaded_at: self.maybe(|d| Celsius(d.number())),
                filling: self.maybe(|d| Filled {
                    wet_mass: Kilograms(d.number()),
                    weighed: d.below(2) == 0,
                    moisture_percent: d.maybe(Dice::number),
                    degradable_percent: d.maybe(Dice::number),
                    carbon_to_nitrogen: d.maybe(Dice::number),
                    particle_millimetres: d.maybe(Dice::number),
                    cover: d.maybe(|d| Metres(d.number())),
                }),
            },
            1 => EntryKind::OffAir,
            5 => EntryKind::Loaded {
                source: self.text(),
                material: self.text(),
                amount: if self.below(2) == 0 {
                    Amount::Mass(Kilograms(self.number()))
                } else {
                    Amount::Volume(CubicMetres(self.number()))
                },
                taken: self.one(&[Taken::In, Taken::Rejected]),
            },
            6 => EntryKind::Moved { stage: self.maybe(|d| d.one(&STAGES).0), into: self.maybe(Dice::bin) },
            7 => EntryKind::Split { into: self.bin(), share_percent: self.number() },
            8 => EntryKind::Merged { into: self.bin() },
            9 => EntryKind::Shipped {
                to: self.text(),
                amount: Amount::Mass(Kilograms(self.number())),
                rest: self.one(&[Rest::Stays, Rest::Nothing]),
            },
            10 => EntryKind::HandReading {
                position: self.one(&POSITIONS).0,
                celsius: Celsius(self.number()),
                depth: self.maybe(|d| Metres(d.number())),
            },
            14 => EntryKind::Calibrated {
                probe: ProbeId::new("p-1").unwrap(),
                against: self.one(&AGAINST).0,
                showed: Celsius(self.number()),
                truth: Celsius(self.number()),
                allowed: Kelvin(self.number()),
                due: self.maybe(Dice::at),
            },
            15 => EntryKind::Placed {
                probe: ProbeId::new("p-1").unwrap(),
                position: self.one(&POSITIONS).0,
                depth: self.maybe(|d| Metres(d.number())),
            },
            11 => EntryKind::SettledDepth { metres: self.number() },
            12 => EntryKind::LabResult {
                analyte: self.text(),
                value: self.number(),
                below: self.below(2) == 0,
                unit: self.text(),
                laboratory: self.text(),
                method: self.text(),
                sampled_at: self.at(),
            },
            13 => EntryKind::Corrected {
                of: EntryId(self.below(1_000)),
                really: self
                    .maybe(|d| Box::new(Really { at: d.at(), kind: EntryKind::SettledDepth { metres: d.number() } })),
            },
            2 => EntryKind::Watered { minutes: self.maybe(Dice::number), litres: self.maybe(|d| Litres(d.number())) },
            4 => EntryKind::Sampled { moisture_percent: self.number(), sd_percent: self.number() },
            3 => EntryKind::Valve { open_percent: self.number() },
            _ => PLAIN[self.below(PLAIN.len() as u64) as usize].clone(),
        };
        self.entries += 1;
        let id = EntryId(self.entries);
        let batch = self.maybe(|d| BatchId(1 + d.below(9)));
        Entry { id, batch, ..Entry::new(self.at(), self.bin(), kind, &self.text(), &self.text()) }
    }

    pub(crate) fn water(&mut self) -> KeptWater {
        let numbers = (0..self.below(130)).map(|_| self.number()).collect();
        KeptWater { bin: self.bin(), batch: BatchId(1 + self.below(9)), at: self.at(), numbers }
    }

    pub(crate) fn results(&mut self) -> KeptResults {
        let standing = |d: &mut Dice| Standing {
            criterion: d.text(),
            result: d.one(&[Outcome::Met, Outcome::Running, Outcome::CannotTell, Outcome::NotMet]),
            met_at: d.maybe(Dice::at),
            earliest_at: d.maybe(Dice::at),
            hours_counted: d.number(),
            hours_needed: d.number(),
            coverage_fraction: d.maybe(Dice::number),
        };
        let batch = BatchId(1 + self.below(9));
        let standings = vec![standing(self), standing(self)];
        KeptResults { batch, bin: self.bin(), at: self.at(), standings, changed: Vec::new() }
    }

    pub(crate) fn report(&mut self, week: i8) -> KeptReport {
        let week = IsoWeek { year: 2026, week };
        let at = Timestamp::from_millis(1_772_000_000_000 + i64::from(week.week));
        let reviewed = self.maybe(|d| (d.text(), d.at()));
        KeptReport { week, at, amended: self.below(4) as u32, reviewed, outside_at: self.maybe(Dice::at) }
    }

    pub(crate) fn batch(&mut self, id: u64) -> Batch {
        Batch {
            id: BatchId(id),
            bin: self.bin(),
            in_bin_since: self.at(),
            loaded_last_at: self.maybe(Dice::at),
            on_air_at: self.maybe(Dice::at),
            off_air_at: self.maybe(Dice::at),
            curing_at: self.maybe(Dice::at),
            storage_at: self.maybe(Dice::at),
            gone_at: self.maybe(Dice::at),
            parents: (0..self.below(3)).map(BatchId).collect(),
            loaded_at: self.maybe(|d| Celsius(d.number())),
        }
    }

    fn subject(&mut self) -> Subject {
        match self.below(4) {
            0 => Subject::Site,
            1 => Subject::Bin(self.bin()),
            2 => Subject::Person(self.text()),
            _ => Subject::Rule(self.text()),
        }
    }

    fn priority(&mut self) -> Priority {
        self.one(&[Priority::SummaryOnly, Priority::Low, Priority::Medium, Priority::High])
    }

    fn state(&mut self) -> AlarmState {
        self.one(&[
            AlarmState::Normal,
            AlarmState::Unacknowledged,
            AlarmState::Acknowledged,
            AlarmState::ReturnedUnacknowledged,
            AlarmState::LatchedUnacknowledged,
            AlarmState::LatchedAcknowledged,
            AlarmState::Suppressed,
        ])
    }

    fn acknowledgement(&mut self) -> Acknowledgement {
        Acknowledgement { at: self.at(), by: self.text(), comment: self.text() }
    }

    pub(crate) fn alarm(&mut self, id: u64) -> Alarm {
        let phase = match self.below(4) {
            0 => Phase::Idle,
            1 => Phase::PendingOn { since: self.at() },
            2 => Phase::On,
            _ => Phase::PendingOff { since: self.at() },
        };
        Alarm {
            id: AlarmId(id),
            key: AlarmKey { rule: self.text(), subject: self.subject() },
            life: self.life(),
            conditioning: Conditioning { phase, last: self.maybe(Dice::at) },
            occurrence: self.bits() as u32,
            onset: self.maybe(Dice::at),
            raised_at: self.maybe(Dice::at),
            acknowledged: self.maybe(Dice::acknowledgement),
            confirmed: self.maybe(Dice::acknowledgement),
            title: self.text(),
            priority: self.priority(),
            revision: self.text(),
            finding: self.text(),
            evidence: self.some(3, Dice::text),
            thread_subject: self.text(),
            thread: self.bits() as u32,
            mails: self.bits() as u32,
            reminder_at: self.maybe(Dice::at),
            held: self.below(2) == 0,
            graver: self.below(2) == 0,
        }
    }

    fn life(&mut self) -> Life {
        let open = Life {
            state: self.state(),
            cleared_at: self.maybe(Dice::at),
            reminders: self.bits() as u32,
            ..Life::NORMAL
        };
        let hidden = Life {
            state: AlarmState::Suppressed,
            shelf: self.maybe(|d| Shelf { since: d.at(), until: d.at(), by: d.text(), reason: d.text() }),
            by_design: self.maybe(Dice::text),
            out_of_service: self.maybe(|d| OutOfService {
                since: d.at(),
                back: d.maybe(Dice::at),
                by: d.text(),
                reason: d.text(),
            }),
            active: self.below(2) == 0,
            latched: self.below(2) == 0,
            open: self.below(2) == 0,
            ..open.clone()
        };
        if hidden.flags() > 0 { hidden } else { open }
    }

    pub(crate) fn alarm_event(&mut self, alarm: u64) -> AlarmEvent {
        AlarmEvent {
            alarm: AlarmId(alarm),
            occurrence: self.bits() as u32,
            at: self.at(),
            kind: self.one(&ALARM_EVENT_KINDS).0,
            before: self.state(),
            after: self.state(),
            evidence_at: self.maybe(Dice::at),
            words: self.text(),
            revision: self.text(),
            grounds: self.maybe(|d| {
                Box::new(Grounds {
                    since: d.maybe(Dice::at),
                    evidence: vec![d.text()],
                    figures: vec![(d.text(), d.text())],
                    line: d.maybe(|d| d.below(1_000) as usize),
                    compared: vec![(d.below(1_000) as usize, d.text())],
                    settings: vec![(d.text(), d.text())],
                })
            }),
        }
    }

    pub(crate) fn mail_state(&mut self) -> MailState {
        match self.below(3) {
            0 => MailState::Waiting { next_try: self.at(), tries: self.bits() as u32, last_reply: self.text() },
            1 => MailState::Accepted { at: self.at(), tries: self.bits() as u32, reply: self.text() },
            _ => MailState::GivenUp { at: self.at(), tries: self.bits() as u32, reply: self.text() },
        }
    }

    pub(crate) fn mail(&mut self, id: u64) -> Mail {
        Mail { id: MailId(id), to: self.text(), notice: self.notice(), created_at: self.at(), state: self.mail_state() }
    }

    fn notice(&mut self) -> Notice {
        match self.below(7) {
            5 => Notice::Flood(Box::new(FloodNotice {
                life: self.bits() as u32,
                at: self.at(),
                since: self.at(),
                first: self.maybe(Dice::round_item),
                standing: self.below(9) as usize,
                over: self.below(9) as usize,
                items: self.some(3, Dice::round_item),
                goes_on: self.below(2) == 0,
            })),
            0 => Notice::Alarm(Box::new(AlarmNotice {
                step: self.one(&[Step::Raise, Step::Update, Step::Reminder, Step::Clear, Step::Retire]),
                number: self.bits() as u32,
                life: self.bits() as u32,
                alarm: AlarmId(self.bits()),
                rule: self.text(),
                revision: self.text(),
                subject: self.subject(),
                occurrence: self.bits() as u32,
                thread: self.bits() as u32,
                thread_subject: self.text(),
                title: self.text(),
                priority: self.priority(),
                at: self.at(),
                onset: self.at(),
                raised_at: self.at(),
                cleared_at: self.maybe(Dice::at),
                acknowledged: self.maybe(Dice::acknowledgement),
                closing: self.maybe(Dice::closing),
                raised_finding: self.text(),
                stands: self.below(2) == 0,
                finding: self.text(),
                evidence: self.some(3, Dice::text),
                figures: self.some(3, |d| (d.text(), d.text())),
                cause: self.text(),
                consequence: self.text(),
                response: self.some(3, Dice::text),
                caution: self.text(),
                time_to_respond: self.span(),
                chart: self.maybe(|d| Chart {
                    from: d.at(),
                    to: d.at(),
                    lines: d.some(3, |d| ChartLine {
                        label: d.text(),
                        points: d.some(20, |d| (d.at(), d.small())),
                        max_gap: d.span(),
                    }),
                    marks: d.some(3, |d| (d.at(), d.text())),
                    limits: d.some(2, Dice::small),
                    blower: d.maybe(|d| ChartBlower { label: d.text(), hours: d.some(5, |d| (d.at(), d.small())) }),
                }),
            })),
            1 => Notice::Summary(Box::new(SummaryNotice {
                week: self.week(),
                life: self.bits() as u32,
                from: self.at(),
                to: self.at(),
                bins: self.some(4, |d| BinWeek {
                    bin: d.bin(),
                    batch: d.maybe(|d| (BatchId(d.bits()), d.span())),
                    off_air: d.below(2) == 0,
                    at_or_above: d.maybe(Dice::span),
                    longest_run: d.maybe(Dice::span),
                    coverage: d.maybe(Dice::number),
                    newest_core: d.maybe(|d| (d.at(), d.number())),
                    alarms: d.some(2, |d| (d.text(), d.bits() as u32)),
                    standing: d.some(2, Dice::text),
                }),
                threshold_celsius: self.number(),
                max_gap: self.span(),
                refused: self.bits(),
                mails_given_up: self.bits(),
                off: self.some(2, |d| (d.at(), d.at())),
                alarms: AlarmFigures {
                    raised: [self.bits() as u32, self.bits() as u32, self.bits() as u32],
                    site_wide: self.some(2, |d| (d.text(), d.bits() as u32)),
                    in_time: (self.bits() as u32, self.bits() as u32),
                    median_to_acknowledge: self.maybe(Dice::span),
                    never_acknowledged: self.bits() as u32,
                    standing: self.some(2, Dice::text),
                    chattering: self.some(2, |d| (d.text(), d.bits() as u32)),
                    hidden: self.some(2, Dice::text),
                    mails: self.some(2, |d| (d.text(), d.bits() as u32, d.bits() as u32)),
                },
                copies_wait_for: self.some(2, Dice::text),
            })),
            6 => Notice::Copy(Box::new(CopyNotice {
                week: self.week(),
                life: self.bits() as u32,
                at: self.at(),
                made_at: self.at(),
                amended: self.bits() as u32,
                reviewed: self.maybe(|d| (d.text(), d.at())),
                changes: self.some(2, Dice::text),
            })),
            2 => Notice::RoundList(Box::new(RoundListNotice {
                day: self.day(),
                life: self.bits() as u32,
                at: self.at(),
                next: self.at(),
                standing: self.some(3, Dice::round_item),
                over: self.some(3, Dice::round_item),
                reminders: self.some(3, Dice::text),
                bins: self.some(4, |d| BinMorning {
                    bin: d.bin(),
                    batch: d.maybe(|d| (BatchId(d.bits()), d.span())),
                    newest_core: d.maybe(|d| (d.at(), d.number())),
                    core_a_day_before: d.maybe(Dice::number),
                }),
            })),
            3 => Notice::Outage(OutageNotice {
                life: self.bits() as u32,
                from: self.at(),
                to: self.at(),
                blowers: self.some(4, |d| {
                    let at = d.at();
                    let back =
                        [BackOnAir::Proven { at }, BackOnAir::NotRunning, BackOnAir::Silent, BackOnAir::Unproven];
                    (d.blower(), d.one(&back))
                }),
            }),
            _ => Notice::Trial { by: self.text(), at: self.at(), serial: self.bits(), life: self.bits() as u32 },
        }
    }

    fn closing(&mut self) -> Closing {
        let (batch, left) = (BatchId(self.bits()), self.maybe(|d| BatchId(d.bits())));
        let stage = self.one(&site::entry::STAGES.map(|(stage, _)| stage));
        self.one(&[
            Closing::RuleRemoved,
            Closing::RuleWorks,
            Closing::PersonRemoved,
            Closing::Stage { batch, stage },
            Closing::Left { batch: left },
            Closing::NotJudged { batch },
        ])
    }

    fn round_item(&mut self) -> RoundItem {
        RoundItem {
            alarm: AlarmId(self.bits()),
            subject: self.subject(),
            title: self.text(),
            priority: self.priority(),
            onset: self.at(),
            cleared_at: self.maybe(Dice::at),
            acknowledged: self.maybe(Dice::acknowledgement),
            finding: self.text(),
            found_at: self.maybe(Dice::at),
            asks: self.below(2) == 0,
            response: self.text(),
            caution: self.text(),
        }
    }

    pub(crate) fn day(&mut self) -> Day {
        Day { year: 2020 + self.below(20) as i16, month: 1 + self.below(12) as i8, day: 1 + self.below(28) as i8 }
    }

    pub(crate) fn week(&mut self) -> IsoWeek {
        IsoWeek { year: 2020 + self.below(20) as i16, week: 1 + self.below(53) as i8 }
    }

    /// An effect that passes and leaves nothing in the ledger.
    pub(crate) fn passing(&mut self) -> Effect {
        match self.below(6) {
            0 => Effect::Deliver(MailId(self.bits())),
            1 => Effect::Recall { series: self.series(), from: self.at() },
            2 => Effect::Publish { topic: self.text(), payload: self.text(), retain: true },
            3 => Effect::Beat,
            4 => Effect::Reply(Err(self.text())),
            _ => Effect::Say { level: Level::Warn, text: self.text() },
        }
    }
}
