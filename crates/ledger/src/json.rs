//! The JSON shapes of columns whose content nobody searches: notices, what an entry says, grounds of an alarm.
//!
//! Must never change the meaning of a written field: a new field gets `#[serde(default)]`, so that older rows still read.

use engine::alarm::{Acknowledgement, AlarmId, Closing, Grounds, Subject};
use engine::life::{Life, OutOfService, Shelf};
use engine::notice::{
    AlarmFigures, AlarmNotice, BackOnAir, BinMorning, BinWeek, Chart, ChartBlower, ChartLine, CopyNotice, FloodNotice,
    Notice, OutageNotice, RoundItem, RoundListNotice, Step, SummaryNotice,
};
use pile::time::{Span, Timestamp};
use pile::units::Celsius;
use rulebook::header::Priority;
use serde::de::{DeserializeOwned, Error as _};
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use site::entry::{BatchId, EntryKind, Stage};
use site::ids::{BinId, BlowerId};
use site::judge::Standing;
use site::zone::{Day, IsoWeek};

/// A core type with the shape in which JSON carries it; core types know no serde themselves.
pub(crate) trait Shape: Sized {
    /// What is written and read.
    type Row: Serialize + DeserializeOwned;
    /// The value as it is written.
    fn to_row(&self) -> Self::Row;
    /// The value as it was written, or a sentence on what is wrong with it.
    fn from_row(row: Self::Row) -> Result<Self, String>;
}

/// The JSON text of a value.
pub(crate) fn text<T: Shape>(value: &T) -> Result<String, String> {
    serde_json::to_string(&value.to_row()).map_err(|e| e.to_string())
}

/// The value of a JSON text.
pub(crate) fn value<T: Shape>(text: &str) -> Result<T, String> {
    serde_json::from_str(text).map_err(|e| e.to_string()).and_then(T::from_row)
}

/// What an entry says, as JSON: the same text in the store, on the local socket and in recordings.
pub fn entry_text(kind: &EntryKind) -> String {
    // Text, numbers and words always have a JSON form.
    text(kind).unwrap_or_default()
}

/// What a JSON text says as an entry.
///
/// # Errors
/// What is wrong with it.
pub fn entry_of_text(json: &str) -> Result<EntryKind, String> {
    value(json)
}

/// Results as JSON, for recordings.
pub fn standings_text(standings: &Vec<Standing>) -> String {
    text(standings).unwrap_or_default()
}

/// What a JSON text says as results.
///
/// # Errors
/// What is wrong with it.
pub fn standings_of_text(json: &str) -> Result<Vec<Standing>, String> {
    value(json)
}

/// For `#[serde(with = "shape")]` on any field whose type has a [`Shape`].
mod shape {
    use super::*;

    pub(super) fn serialize<T: Shape, S: Serializer>(value: &T, serializer: S) -> Result<S::Ok, S::Error> {
        value.to_row().serialize(serializer)
    }

    pub(super) fn deserialize<'de, T: Shape, D: Deserializer<'de>>(deserializer: D) -> Result<T, D::Error> {
        T::from_row(T::Row::deserialize(deserializer)?).map_err(D::Error::custom)
    }
}

impl<T: Shape> Shape for Option<T> {
    type Row = Option<T::Row>;
    fn to_row(&self) -> Self::Row {
        self.as_ref().map(T::to_row)
    }
    fn from_row(row: Self::Row) -> Result<Self, String> {
        row.map(T::from_row).transpose()
    }
}

impl<T: Shape> Shape for Vec<T> {
    type Row = Vec<T::Row>;
    fn to_row(&self) -> Self::Row {
        self.iter().map(T::to_row).collect()
    }
    fn from_row(row: Self::Row) -> Result<Self, String> {
        row.into_iter().map(T::from_row).collect()
    }
}

impl<T: Shape> Shape for Box<T> {
    type Row = T::Row;
    fn to_row(&self) -> Self::Row {
        T::to_row(self)
    }
    fn from_row(row: Self::Row) -> Result<Self, String> {
        T::from_row(row).map(Box::new)
    }
}

impl<A: Shape, B: Shape> Shape for (A, B) {
    type Row = (A::Row, B::Row);
    fn to_row(&self) -> Self::Row {
        (self.0.to_row(), self.1.to_row())
    }
    fn from_row((a, b): Self::Row) -> Result<Self, String> {
        Ok((A::from_row(a)?, B::from_row(b)?))
    }
}

/// A type that JSON carries as a simpler one.
macro_rules! carried_as {
    ($type:ty, $row:ty, $to:expr, $from:expr) => {
        impl Shape for $type {
            type Row = $row;
            fn to_row(&self) -> $row {
                let to: fn(&$type) -> $row = $to;
                to(self)
            }
            fn from_row(row: $row) -> Result<Self, String> {
                let from: fn($row) -> Result<$type, String> = $from;
                from(row)
            }
        }
    };
}

carried_as!(String, String, Clone::clone, Ok);
carried_as!(u32, u32, |n| *n, Ok);
carried_as!(Timestamp, i64, |at| at.as_millis(), |ms| Ok(Timestamp::from_millis(ms)));
carried_as!(Span, i64, |span| span.as_millis(), |ms| Ok(Span::millis(ms)));
// JSON has no word for a number that is not finite; it comes back as "not a number" and never as zero.
carried_as!(f64, Option<f64>, |n| n.is_finite().then_some(*n), |n| Ok(n.unwrap_or(f64::NAN)));
carried_as!(f32, Option<f32>, |n| n.is_finite().then_some(*n), |n| Ok(n.unwrap_or(f32::NAN)));
carried_as!(Celsius, Option<f64>, |c| c.0.to_row(), |n| f64::from_row(n).map(Celsius));
carried_as!(BinId, String, |id| id.as_str().into(), |text| BinId::new(&text).map_err(|e| e.to_string()));
carried_as!(BlowerId, String, |id| id.as_str().into(), |text| BlowerId::new(&text).map_err(|e| e.to_string()));
carried_as!(Day, String, |day| day.to_string(), |text| Day::parse(&text).ok_or_else(|| format!("`{text}` is no day")));
carried_as!(AlarmId, u64, |id| id.0, |n| Ok(AlarmId(n)));
carried_as!(BatchId, u64, |id| id.0, |n| Ok(BatchId(n)));

/// A type whose fields are listed by a `remote` definition below.
macro_rules! listed_by {
    ($type:ty, $row:ident, $definition:literal) => {
        #[derive(Serialize, Deserialize)]
        pub(crate) struct $row(#[serde(with = $definition)] $type);

        impl Shape for $type {
            type Row = $row;
            fn to_row(&self) -> $row {
                $row(self.clone())
            }
            fn from_row(row: $row) -> Result<Self, String> {
                Ok(row.0)
            }
        }
    };
}

mod entry;
mod standing;

listed_by!(Notice, NoticeRow, "NoticeFields");
listed_by!(AlarmNotice, AlarmNoticeRow, "AlarmNoticeFields");
listed_by!(SummaryNotice, SummaryNoticeRow, "SummaryNoticeFields");
listed_by!(AlarmFigures, AlarmFiguresRow, "AlarmFiguresFields");
listed_by!(FloodNotice, FloodNoticeRow, "FloodNoticeFields");
listed_by!(Shelf, ShelfRow, "ShelfFields");
listed_by!(OutOfService, OutOfServiceRow, "OutOfServiceFields");
listed_by!(RoundListNotice, RoundListNoticeRow, "RoundListNoticeFields");
listed_by!(RoundItem, RoundItemRow, "RoundItemFields");
listed_by!(BinMorning, BinMorningRow, "BinMorningFields");
listed_by!(OutageNotice, OutageNoticeRow, "OutageNoticeFields");
listed_by!(BinWeek, BinWeekRow, "BinWeekFields");
listed_by!(Chart, ChartRow, "ChartFields");
listed_by!(ChartBlower, ChartBlowerRow, "ChartBlowerFields");
listed_by!(ChartLine, ChartLineRow, "ChartLineFields");
listed_by!(Closing, ClosingRow, "ClosingFields");
listed_by!(Acknowledgement, AcknowledgementRow, "AcknowledgementFields");
listed_by!(Grounds, GroundsRow, "GroundsFields");
listed_by!(BackOnAir, BackOnAirRow, "BackOnAirFields");

#[derive(Serialize, Deserialize)]
#[serde(remote = "Grounds")]
struct GroundsFields {
    #[serde(with = "shape")]
    since: Option<Timestamp>,
    evidence: Vec<String>,
    figures: Vec<(String, String)>,
    line: Option<usize>,
    compared: Vec<(usize, String)>,
    settings: Vec<(String, String)>,
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "Notice", rename_all = "snake_case")]
enum NoticeFields {
    Alarm(#[serde(with = "shape")] Box<AlarmNotice>),
    Summary(#[serde(with = "shape")] Box<SummaryNotice>),
    Copy(#[serde(with = "shape")] Box<CopyNotice>),
    RoundList(#[serde(with = "shape")] Box<RoundListNotice>),
    Flood(#[serde(with = "shape")] Box<FloodNotice>),
    Outage(#[serde(with = "shape")] OutageNotice),
    Trial {
        by: String,
        #[serde(with = "shape")]
        at: Timestamp,
        serial: u64,
        life: u32,
    },
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "Step", rename_all = "snake_case")]
enum StepWord {
    Raise,
    Update,
    Reminder,
    Clear,
    Retire,
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "Priority", rename_all = "kebab-case")]
enum PriorityWord {
    SummaryOnly,
    Low,
    Medium,
    High,
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "Subject", rename_all = "snake_case")]
enum SubjectFields {
    Site,
    Bin(#[serde(with = "shape")] BinId),
    Rule(String),
    Person(String),
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "AlarmNotice")]
struct AlarmNoticeFields {
    #[serde(with = "StepWord")]
    step: Step,
    number: u32,
    life: u32,
    #[serde(with = "shape")]
    alarm: AlarmId,
    rule: String,
    revision: String,
    #[serde(with = "SubjectFields")]
    subject: Subject,
    occurrence: u32,
    #[serde(default)]
    thread: u32,
    thread_subject: String,
    title: String,
    #[serde(with = "PriorityWord")]
    priority: Priority,
    #[serde(with = "shape")]
    at: Timestamp,
    #[serde(with = "shape")]
    onset: Timestamp,
    #[serde(with = "shape")]
    raised_at: Timestamp,
    #[serde(with = "shape")]
    cleared_at: Option<Timestamp>,
    #[serde(with = "shape")]
    acknowledged: Option<Acknowledgement>,
    #[serde(with = "shape", default)]
    closing: Option<Closing>,
    #[serde(default)]
    raised_finding: String,
    #[serde(default)]
    stands: bool,
    finding: String,
    evidence: Vec<String>,
    figures: Vec<(String, String)>,
    cause: String,
    consequence: String,
    response: Vec<String>,
    caution: String,
    #[serde(with = "shape")]
    time_to_respond: Span,
    #[serde(with = "shape")]
    chart: Option<Chart>,
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "Closing", rename_all = "snake_case")]
enum ClosingFields {
    RuleRemoved,
    RuleWorks,
    PersonRemoved,
    Stage {
        #[serde(with = "shape")]
        batch: BatchId,
        #[serde(with = "shape")]
        stage: Stage,
    },
    Left {
        #[serde(with = "shape")]
        batch: Option<BatchId>,
    },
    NotJudged {
        #[serde(with = "shape")]
        batch: BatchId,
    },
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "Acknowledgement")]
struct AcknowledgementFields {
    #[serde(with = "shape")]
    at: Timestamp,
    by: String,
    comment: String,
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "Chart")]
struct ChartFields {
    #[serde(with = "shape")]
    from: Timestamp,
    #[serde(with = "shape")]
    to: Timestamp,
    #[serde(with = "shape")]
    lines: Vec<ChartLine>,
    #[serde(with = "shape")]
    marks: Vec<(Timestamp, String)>,
    #[serde(with = "shape", default)]
    limits: Vec<f32>,
    #[serde(with = "shape", default)]
    blower: Option<ChartBlower>,
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "ChartBlower")]
struct ChartBlowerFields {
    label: String,
    #[serde(with = "shape")]
    hours: Vec<(Timestamp, f32)>,
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "ChartLine")]
struct ChartLineFields {
    label: String,
    #[serde(with = "shape")]
    points: Vec<(Timestamp, f32)>,
    #[serde(with = "shape")]
    max_gap: Span,
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "IsoWeek")]
struct IsoWeekFields {
    year: i16,
    week: i8,
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "SummaryNotice")]
struct SummaryNoticeFields {
    #[serde(with = "IsoWeekFields")]
    week: IsoWeek,
    life: u32,
    #[serde(with = "shape")]
    from: Timestamp,
    #[serde(with = "shape")]
    to: Timestamp,
    #[serde(with = "shape")]
    bins: Vec<BinWeek>,
    #[serde(with = "shape")]
    threshold_celsius: f64,
    #[serde(with = "shape")]
    max_gap: Span,
    refused: u64,
    mails_given_up: u64,
    #[serde(with = "shape")]
    off: Vec<(Timestamp, Timestamp)>,
    #[serde(with = "shape", default)]
    alarms: AlarmFigures,
    #[serde(default)]
    copies_wait_for: Vec<String>,
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "AlarmFigures")]
struct AlarmFiguresFields {
    raised: [u32; 3],
    site_wide: Vec<(String, u32)>,
    in_time: (u32, u32),
    #[serde(with = "shape")]
    median_to_acknowledge: Option<Span>,
    never_acknowledged: u32,
    standing: Vec<String>,
    chattering: Vec<(String, u32)>,
    hidden: Vec<String>,
    mails: Vec<(String, u32, u32)>,
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "FloodNotice")]
struct FloodNoticeFields {
    life: u32,
    #[serde(with = "shape")]
    at: Timestamp,
    #[serde(with = "shape")]
    since: Timestamp,
    #[serde(with = "shape")]
    first: Option<RoundItem>,
    standing: usize,
    over: usize,
    #[serde(with = "shape")]
    items: Vec<RoundItem>,
    goes_on: bool,
}

/// What hides an alarm and what it is underneath.
#[derive(Serialize, Deserialize)]
struct Hidden {
    #[serde(with = "shape")]
    shelf: Option<Shelf>,
    by_design: Option<String>,
    #[serde(with = "shape")]
    out_of_service: Option<OutOfService>,
    active: bool,
    latched: bool,
    open: bool,
}

/// The JSON text of what hides an alarm; `None` while nothing does.
pub(crate) fn hidden(life: &Life) -> Result<Option<String>, String> {
    if life.flags() == 0 {
        return Ok(None);
    }
    let life = life.clone();
    let Life { shelf, by_design, out_of_service, active, latched, open, .. } = life;
    let hidden = Hidden { shelf, by_design, out_of_service, active, latched, open };
    serde_json::to_string(&hidden).map(Some).map_err(|e| e.to_string())
}

/// Puts back into a life what hides it.
pub(crate) fn hide(life: &mut Life, text: &str) -> Result<(), String> {
    let Hidden { shelf, by_design, out_of_service, active, latched, open } =
        serde_json::from_str(text).map_err(|e| e.to_string())?;
    *life = Life { shelf, by_design, out_of_service, active, latched, open, ..life.clone() };
    Ok(())
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "Shelf")]
struct ShelfFields {
    #[serde(with = "shape")]
    since: Timestamp,
    #[serde(with = "shape")]
    until: Timestamp,
    by: String,
    reason: String,
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "OutOfService")]
struct OutOfServiceFields {
    #[serde(with = "shape")]
    since: Timestamp,
    #[serde(with = "shape")]
    back: Option<Timestamp>,
    by: String,
    reason: String,
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "BinWeek")]
struct BinWeekFields {
    #[serde(with = "shape")]
    bin: BinId,
    #[serde(with = "shape")]
    batch: Option<(BatchId, Span)>,
    off_air: bool,
    #[serde(with = "shape")]
    at_or_above: Option<Span>,
    #[serde(with = "shape")]
    longest_run: Option<Span>,
    #[serde(with = "shape")]
    coverage: Option<f64>,
    #[serde(with = "shape")]
    newest_core: Option<(Timestamp, f64)>,
    #[serde(with = "shape")]
    alarms: Vec<(String, u32)>,
    standing: Vec<String>,
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "RoundListNotice")]
struct RoundListNoticeFields {
    #[serde(with = "shape")]
    day: Day,
    life: u32,
    #[serde(with = "shape")]
    at: Timestamp,
    #[serde(with = "shape")]
    next: Timestamp,
    #[serde(with = "shape")]
    standing: Vec<RoundItem>,
    #[serde(with = "shape")]
    over: Vec<RoundItem>,
    reminders: Vec<String>,
    #[serde(with = "shape")]
    bins: Vec<BinMorning>,
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "RoundItem")]
struct RoundItemFields {
    #[serde(with = "shape")]
    alarm: AlarmId,
    #[serde(with = "SubjectFields")]
    subject: Subject,
    title: String,
    #[serde(with = "PriorityWord")]
    priority: Priority,
    #[serde(with = "shape")]
    onset: Timestamp,
    #[serde(with = "shape")]
    cleared_at: Option<Timestamp>,
    #[serde(with = "shape")]
    acknowledged: Option<Acknowledgement>,
    finding: String,
    #[serde(with = "shape", default)]
    found_at: Option<Timestamp>,
    #[serde(default = "asks_by_default")]
    asks: bool,
    response: String,
    caution: String,
}

/// Items of earlier versions do not say; taking them all for work hides none.
fn asks_by_default() -> bool {
    true
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "BinMorning")]
struct BinMorningFields {
    #[serde(with = "shape")]
    bin: BinId,
    #[serde(with = "shape")]
    batch: Option<(BatchId, Span)>,
    #[serde(with = "shape")]
    newest_core: Option<(Timestamp, f64)>,
    #[serde(with = "shape")]
    core_a_day_before: Option<f64>,
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "OutageNotice")]
struct OutageNoticeFields {
    life: u32,
    #[serde(with = "shape")]
    from: Timestamp,
    #[serde(with = "shape")]
    to: Timestamp,
    #[serde(with = "shape")]
    blowers: Vec<(BlowerId, BackOnAir)>,
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "BackOnAir", rename_all = "snake_case")]
enum BackOnAirFields {
    Proven {
        #[serde(with = "shape")]
        at: Timestamp,
    },
    NotRunning,
    Silent,
    Unproven,
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]

    use super::*;

    /// A notice as version 0.1 wrote it, before a raise's finding and the reason of a closing were kept.
    const OLD: &str = r#"{"alarm":{"step":"retire","number":1,"life":7,"alarm":17,"rule":"too-hot","revision":"9b1c","subject":{"bin":"north-2"},"occurrence":3,"thread":3,"thread_subject":"[hof] north-2 too hot: core 76.0 °C","title":"Too hot","priority":"medium","at":1773122400000,"onset":1773114000000,"raised_at":1773122400000,"cleared_at":null,"acknowledged":null,"stands":false,"finding":"the rule was removed","evidence":[],"figures":[],"cause":"","consequence":"","response":[],"caution":"","time_to_respond":7200000,"chart":null}}"#;

    #[test]
    fn a_notice_of_an_earlier_version_still_reads() {
        let Notice::Alarm(notice) = value::<Notice>(OLD).unwrap() else { panic!("no alarm") };
        assert_eq!((notice.closing, notice.raised_finding.as_str()), (None, ""));
        assert_eq!(notice.finding, "the rule was removed");
    }

    #[test]
    fn an_item_of_an_earlier_list_asks() {
        let old = r#"{"alarm":17,"subject":"site","title":"Frost","priority":"low","onset":0,"cleared_at":null,"acknowledged":null,"finding":"f","response":"r","caution":""}"#;
        let item: RoundItem = value(old).unwrap();
        assert!(item.asks && item.found_at.is_none());
    }

    #[test]
    fn every_reason_of_a_closing_comes_back() {
        let batch = BatchId(4);
        for closing in [
            Closing::RuleRemoved,
            Closing::RuleWorks,
            Closing::PersonRemoved,
            Closing::Stage { batch, stage: Stage::OffAir },
            Closing::Left { batch: Some(batch) },
            Closing::Left { batch: None },
            Closing::NotJudged { batch },
        ] {
            assert_eq!(value::<Closing>(&text(&closing).unwrap()), Ok(closing));
        }
    }
}
