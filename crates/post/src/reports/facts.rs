//! What a weekly summary and a batch's process record state, as plain facts: gathered elsewhere, put into words here.
//!
//! Must never hold a sentence that could have been made from the figures, nor a figure that was rounded.

use engine::alarm::{Acknowledgement, AlarmId};
use engine::notice::AlarmFigures;
use pile::time::{Span, Timestamp};
use pile::units::{Celsius, Kelvin, Litres};
use rulebook::header::Priority;
use site::entry::{Against, Amount, Batch, BatchId, EntryId, Rest, Stage};
use site::ids::{BinId, BlowerId, ProbeId};
use site::judge::{Judgement, Outcome};
use site::model::{Display, Position};
use site::zone::{Day, IsoWeek, Zone};

/// What every document says of the site.
#[derive(Clone, Debug, PartialEq)]
pub struct SiteFacts {
    /// Its short name.
    pub id: String,
    /// Its name as people say it.
    pub name: String,
    /// Its clock.
    pub zone: Zone,
    /// Its units.
    pub display: Display,
    /// The facility as the authority knows it.
    pub facility: Option<String>,
    /// The permit: its number, who issued it.
    pub permit: Option<String>,
    /// Conditions of the permit, as they were typed in for the chosen criteria.
    pub conditions: Vec<String>,
    /// Who answers for the records.
    pub responsible: Option<String>,
    /// What made the document, such as `hypocaust 0.1.0`.
    pub software: String,
    /// Where readings come from that the store itself no longer has, in a sentence or two.
    pub readings_from: Option<String>,
}

/// A week that is told of ends so long before its summary is due: readings that are on their way then are in, and the hours are whole.
pub const SETTLED: Span = Span::hours(1);

/// One week of a site.
#[derive(Clone, Debug, PartialEq)]
pub struct WeekFacts {
    /// The site.
    pub site: SiteFacts,
    /// Which week, as the site's calendar counts it.
    pub week: IsoWeek,
    /// Start of the time covered.
    pub from: Timestamp,
    /// End of the time covered; nothing later is told, but for what was known of this time when the document was made.
    pub to: Timestamp,
    /// When the document was made.
    pub made_at: Timestamp,
    /// The week is not over: what it says will change.
    pub running: bool,
    /// Which edition it is, and how it differs from the one before.
    pub edition: Edition,
    /// Whether somebody of the site has looked at it.
    pub review: Review,
    /// Bins, in the order of the settings.
    pub bins: Vec<BinFacts>,
    /// Batches that were hot at some time of the week, or whose result changed in it.
    pub batches: Vec<BatchWeek>,
    /// Alarms that were raised in the week or stood at its beginning.
    pub deviations: Vec<Deviation>,
    /// Loads that came, also those turned away.
    pub loads: Vec<LoadFacts>,
    /// Batches that went on to another stage.
    pub moves: Vec<MoveFacts>,
    /// Compost that left.
    pub shipments: Vec<ShipmentFacts>,
    /// Complaints.
    pub complaints: Vec<ComplaintFacts>,
    /// What was not as on other days: times without watch, steps of the clock, changes of settings and rules.
    pub occurrences: Vec<Occurrence>,
    /// Everything that was written in the log.
    pub entries: Vec<EntryFacts>,
    /// The probes.
    pub probes: Vec<ProbeFacts>,
    /// The blowers.
    pub blowers: Vec<BlowerFacts>,
    /// Water that was added, bin by bin; bins without any are left out.
    pub water: Vec<WaterFacts>,
    /// How the alarms of the week were.
    pub alarms: AlarmFigures,
    /// Payloads that gave no reading.
    pub refused: u64,
    /// Mails that could not be delivered.
    pub mails_given_up: u64,
    /// What is due in the week that follows.
    pub dates: Vec<DateFacts>,
    /// Daily figures of each probe.
    pub days: Vec<DayFacts>,
    /// The record, as it stood when the document was made; `None` where there is none.
    pub checkpoint: Option<CheckpointFacts>,
}

/// One batch from its first load to where it went.
#[derive(Clone, Debug, PartialEq)]
pub struct BatchFacts {
    /// The site.
    pub site: SiteFacts,
    /// The batch.
    pub batch: Batch,
    /// Its stage at the end of the time covered.
    pub stage: Stage,
    /// The bin in which it was hot.
    pub hot_bin: BinId,
    /// When that began and ended; the end is missing while it is hot.
    pub hot: Option<(Timestamp, Option<Timestamp>)>,
    /// End of the time covered.
    pub to: Timestamp,
    /// When the document was made.
    pub made_at: Timestamp,
    /// Which edition it is, and how it differs from the one before.
    pub edition: Edition,
    /// Batches into which parts of it went, or all of it.
    pub children: Vec<BatchId>,
    /// Loads that came for it, also those turned away.
    pub loads: Vec<LoadFacts>,
    /// Its results.
    pub results: Vec<ResultFacts>,
    /// Its course.
    pub course: Course,
    /// Probes that were in its bin.
    pub probes: Vec<ProbeFacts>,
    /// Results of laboratories.
    pub lab: Vec<LabFacts>,
    /// What could have brought raw material to it or taken it away from it since it was hot.
    pub contacts: Vec<EntryFacts>,
    /// Alarms about its bin while it was there.
    pub deviations: Vec<Deviation>,
    /// Everything that was written about it.
    pub entries: Vec<EntryFacts>,
    /// Compost of it that left.
    pub shipments: Vec<ShipmentFacts>,
    /// Water that was added.
    pub water: WaterFacts,
    /// Times without watch while it was hot, and the like.
    pub occurrences: Vec<Occurrence>,
    /// Daily figures of each probe.
    pub days: Vec<DayFacts>,
    /// The record, as it stood when the document was made; `None` where there is none.
    pub checkpoint: Option<CheckpointFacts>,
}

/// Which edition of a document it is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Edition {
    /// 1 for the first.
    pub number: u32,
    /// What it says that the edition before said otherwise, or not at all; empty for the first.
    pub changes: Vec<Change>,
}

/// One figure that is not what an earlier edition said.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Change {
    /// What it is.
    pub what: String,
    /// What the earlier edition said; `None` where it did not say anything.
    pub before: Option<String>,
    /// What is said now; `None` where nothing is.
    pub now: Option<String>,
}

/// Whether somebody of the site has looked at a document.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Review {
    /// It is for the people of the site, who look at it first.
    Draft,
    /// Nobody did before it had to go out.
    NotReviewed,
    /// Somebody did.
    Reviewed {
        /// Who.
        by: String,
        /// When.
        at: Timestamp,
    },
}

/// How a bin stood at the end of the week.
#[derive(Clone, Debug, PartialEq)]
pub struct BinFacts {
    /// The bin.
    pub bin: BinId,
    /// Its batch; `None` for an empty bin.
    pub batch: Option<BatchId>,
    /// The stage of that batch.
    pub stage: Option<Stage>,
    /// How long ago it went on air, or how long its air was on.
    pub age: Option<Span>,
    /// The newest reading of the probe in the pile that was coldest.
    pub coldest: Option<Newest>,
    /// The newest reading of the core.
    pub core: Option<Newest>,
    /// How far the first criterion of the settings is.
    pub clock: Option<Clock>,
    /// The share of the week in which the least heard probe of the pile was heard, 0 to 1; `None` without a batch or probe.
    pub coverage: Option<f64>,
    /// Alarms raised in the week: title and how often.
    pub raised: Vec<(String, u32)>,
    /// Titles of alarms that stood at the end of the week.
    pub standing: Vec<String>,
}

/// A probe's newest reading.
#[derive(Clone, Debug, PartialEq)]
pub struct Newest {
    /// Which probe.
    pub probe: ProbeId,
    /// When it was measured.
    pub at: Timestamp,
    /// What it was.
    pub celsius: Celsius,
}

/// How far a criterion is.
#[derive(Clone, Debug, PartialEq)]
pub struct Clock {
    /// Its id.
    pub criterion: String,
    /// The result.
    pub result: Outcome,
    /// Hours that count.
    pub hours_counted: f64,
    /// Hours that are asked for.
    pub hours_needed: f64,
    /// When it was met, or the earliest it can be.
    pub at: Option<Timestamp>,
}

/// A batch in the week.
#[derive(Clone, Debug, PartialEq)]
pub struct BatchWeek {
    /// The batch.
    pub batch: BatchId,
    /// The bin in which it is, or was, hot.
    pub bin: BinId,
    /// When that began and ended; the end is missing while it is hot.
    pub hot: (Timestamp, Option<Timestamp>),
    /// Its course since then.
    pub course: Course,
    /// Its results.
    pub results: Vec<ResultFacts>,
}

/// The course of a batch, for a picture.
#[derive(Clone, Debug, PartialEq)]
pub struct Course {
    /// Left edge.
    pub from: Timestamp,
    /// Right edge.
    pub to: Timestamp,
    /// One line a probe in the pile.
    pub lines: Vec<CourseLine>,
    /// Limits, with the criterion that asks for them.
    pub limits: Vec<(Celsius, String)>,
    /// What was done to it.
    pub marks: Vec<(Timestamp, Mark)>,
    /// The time that counts, by the first criterion; several pieces where interruptions did not end it.
    pub counted: Vec<(Timestamp, Timestamp)>,
    /// The criterion by which it counts.
    pub counted_by: String,
    /// When that criterion was met.
    pub met: Option<Timestamp>,
}

/// One probe's line.
#[derive(Clone, Debug, PartialEq)]
pub struct CourseLine {
    /// The probe.
    pub probe: ProbeId,
    /// Where it sits.
    pub position: Position,
    /// Stretches without a gap, oldest first, each hour by hour.
    pub runs: Vec<Vec<Hour>>,
}

/// The readings of an hour, or of the part of it up to a gap.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Hour {
    /// When the first of them was measured.
    pub first: Timestamp,
    /// When the last of them was measured.
    pub last: Timestamp,
    /// The lowest.
    pub low: Celsius,
    /// When the lowest was measured first.
    pub low_at: Timestamp,
    /// The median.
    pub median: Celsius,
    /// The highest.
    pub high: Celsius,
    /// When the highest was measured first.
    pub high_at: Timestamp,
}

/// A result of a laboratory.
#[derive(Clone, Debug, PartialEq)]
pub struct LabFacts {
    /// What was looked for.
    pub analyte: String,
    /// The number; with `below` the limit of what can be found.
    pub value: f64,
    /// It is below that number.
    pub below: bool,
    /// The unit as the laboratory wrote it.
    pub unit: String,
    /// Which laboratory.
    pub laboratory: String,
    /// By which method.
    pub method: String,
    /// When the sample was taken.
    pub sampled_at: Timestamp,
    /// Who wrote it down.
    pub by: String,
}

/// What was done to a batch, as a letter in its picture.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Mark {
    /// It was watered.
    Watered,
    /// It was turned.
    Turned,
    /// Raw material was added after it began.
    RawAdded,
    /// Its air was changed or its valve was set.
    Air,
    /// Its air was switched off.
    OffAir,
}

/// What was measured against a criterion.
#[derive(Clone, Debug, PartialEq)]
pub struct ResultFacts {
    /// The result with its arithmetic.
    pub judgement: Judgement,
    /// What it was when the week began; `None` where the batch was not judged then, or nobody asks.
    pub before: Option<Outcome>,
    /// What people call the criterion.
    pub title: String,
    /// The regulation and the place in it.
    pub citation: String,
    /// Which edition of the text.
    pub edition: String,
    /// What it asks, in words.
    pub asks: String,
    /// Whether its text was opened, or is from memory.
    pub confirmed: String,
    /// What goes with every result of it.
    pub remark: String,
    /// Cautions for whoever reads the result.
    pub notes: Vec<String>,
    /// The condition of the permit, as the site typed it in.
    pub permit: Option<String>,
    /// For how long records are to be kept, in years.
    pub retention_years: Option<f64>,
}

/// One occurrence of an alarm, and what was done about it.
#[derive(Clone, Debug, PartialEq)]
pub struct Deviation {
    /// The alarm.
    pub alarm: AlarmId,
    /// Which of its occurrences.
    pub occurrence: u32,
    /// A bin, a rule or the site.
    pub subject: String,
    /// The name people see.
    pub title: String,
    /// Its urgency.
    pub priority: Priority,
    /// When it was raised.
    pub raised_at: Timestamp,
    /// What was found.
    pub finding: String,
    /// Who acknowledged it first, and when.
    pub acknowledged: Option<Acknowledgement>,
    /// Who confirmed what was done, and when.
    pub confirmed: Option<Acknowledgement>,
    /// What people did with it beside: shelved it, took it out of service; in words.
    pub handled: Vec<(Timestamp, String)>,
    /// When its condition ended, and what was found then.
    pub ended: Option<(Timestamp, String)>,
}

/// Material that came.
#[derive(Clone, Debug, PartialEq)]
pub struct LoadFacts {
    /// When.
    pub at: Timestamp,
    /// Which bin.
    pub bin: BinId,
    /// Which batch.
    pub batch: Option<BatchId>,
    /// From whom or where.
    pub source: String,
    /// What it was.
    pub material: String,
    /// How much.
    pub amount: Amount,
    /// Why it was turned away; `None` where it went in.
    pub rejected: Option<String>,
    /// Who wrote it.
    pub by: String,
}

/// A batch that went on to another stage.
#[derive(Clone, Debug, PartialEq)]
pub struct MoveFacts {
    /// When.
    pub at: Timestamp,
    /// The batch.
    pub batch: BatchId,
    /// What happened, such as `off air` or `moved to curing into bin cure-1`.
    pub what: String,
}

/// Compost that left.
#[derive(Clone, Debug, PartialEq)]
pub struct ShipmentFacts {
    /// When.
    pub at: Timestamp,
    /// From which bin.
    pub bin: BinId,
    /// Of which batch.
    pub batch: Option<BatchId>,
    /// To whom, or for what.
    pub to: String,
    /// How much.
    pub amount: Amount,
    /// Whether there is more of it.
    pub rest: Rest,
    /// Who wrote it.
    pub by: String,
}

/// A complaint and what came of it.
#[derive(Clone, Debug, PartialEq)]
pub struct ComplaintFacts {
    /// When.
    pub at: Timestamp,
    /// About which bin.
    pub bin: BinId,
    /// What was complained of.
    pub words: String,
    /// Who wrote it.
    pub by: String,
    /// What was written about the same bin after it.
    pub after: Vec<EntryFacts>,
}

/// Something that was not as on other days.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Occurrence {
    /// When it was, or began.
    pub at: Timestamp,
    /// When it ended, where it lasted.
    pub until: Option<Timestamp>,
    /// What it was.
    pub what: String,
}

/// One line of the log.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct EntryFacts {
    /// Its number.
    pub id: EntryId,
    /// When it happened.
    pub at: Timestamp,
    /// When it was written down.
    pub recorded_at: Timestamp,
    /// The bin.
    pub bin: BinId,
    /// The batch.
    pub batch: Option<BatchId>,
    /// What happened, in the site's units.
    pub words: String,
    /// Who says so.
    pub by: String,
    /// Anything else that was kept.
    pub note: String,
    /// The entry that corrects it.
    pub corrected_by: Option<EntryId>,
}

/// A probe: what it was good for in the time covered.
#[derive(Clone, Debug, PartialEq)]
pub struct ProbeFacts {
    /// The probe.
    pub probe: ProbeId,
    /// The bin it is in; `None` for one that serves the whole site.
    pub bin: Option<BinId>,
    /// Where it sits.
    pub position: Position,
    /// How many readings of it there are.
    pub readings: u64,
    /// How many of those were set aside: stuck, out of range, the code of a sensor that failed.
    pub set_aside: u64,
    /// The share of the time in which it was heard, 0 to 1; `None` where no time has passed.
    pub coverage: Option<f64>,
    /// Times in which it was not heard, longer than can be bridged.
    pub gaps: Vec<(Timestamp, Timestamp)>,
    /// Its newest check.
    pub check: Option<CheckFacts>,
}

/// A probe held against something whose temperature is known.
#[derive(Clone, Debug, PartialEq)]
pub struct CheckFacts {
    /// When.
    pub at: Timestamp,
    /// Against what.
    pub against: Against,
    /// What the probe showed.
    pub showed: Celsius,
    /// How warm it was in truth.
    pub truth: Celsius,
    /// It passes when it is not further off than this.
    pub allowed: Kelvin,
    /// When the next check is due.
    pub due: Option<Timestamp>,
    /// Who did it.
    pub by: String,
}

/// How long a blower ran.
#[derive(Clone, Debug, PartialEq)]
pub struct BlowerFacts {
    /// The blower.
    pub blower: BlowerId,
    /// How it is known.
    pub known: Ran,
}

/// How long a blower ran, and how that is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ran {
    /// Its signal says so; what the signal did not cover is not counted.
    Proven {
        /// How long it ran.
        ran: Span,
        /// For how long its signal came.
        heard: Span,
    },
    /// Nothing tells; so long by its schedule.
    Scheduled(Span),
}

/// Water that was added.
#[derive(Clone, Debug, PartialEq)]
pub struct WaterFacts {
    /// The bin.
    pub bin: BinId,
    /// How many waterings were written.
    pub waterings: u32,
    /// How much in all, of those of which it is known: written, or from minutes and what the hose gives.
    pub litres: Litres,
    /// How many of them said neither litres nor could be worked out.
    pub unknown: u32,
}

/// What is due.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DateFacts {
    /// When.
    pub at: Timestamp,
    /// What.
    pub what: String,
}

/// A probe's day.
#[derive(Clone, Debug, PartialEq)]
pub struct DayFacts {
    /// The day, by the site's calendar.
    pub day: Day,
    /// When it begins, or the time covered.
    pub from: Timestamp,
    /// When it ends, or the time covered.
    pub to: Timestamp,
    /// The bin.
    pub bin: BinId,
    /// The batch that was there at the end of the day.
    pub batch: Option<BatchId>,
    /// The probe.
    pub probe: ProbeId,
    /// Where it sits.
    pub position: Position,
    /// Good readings.
    pub readings: u64,
    /// Hours of the day in which it was heard.
    pub hours_heard: f64,
    /// Lowest, median and highest reading; `None` without readings.
    pub figures: Option<[Celsius; 3]>,
    /// Hours at or above [`DAY_THRESHOLD`].
    pub hours_at_or_above: f64,
}

/// Days count their hours at or above this: 55 °C, which is 131 °F.
pub const DAY_THRESHOLD: Celsius = Celsius(55.0);

/// The record as it stood.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct CheckpointFacts {
    /// The signed checkpoint.
    pub note: String,
    /// The key that checks it.
    pub key: String,
}

impl Mark {
    /// The letter that stands for it in a picture.
    pub fn letter(self) -> &'static str {
        match self {
            Mark::Watered => "W",
            Mark::Turned => "T",
            Mark::RawAdded => "R",
            Mark::Air => "A",
            Mark::OffAir => "O",
        }
    }

    /// What it stands for.
    pub fn words(self) -> &'static str {
        match self {
            Mark::Watered => "watered",
            Mark::Turned => "turned",
            Mark::RawAdded => "raw material added",
            Mark::Air => "air or valve changed",
            Mark::OffAir => "air switched off",
        }
    }
}
