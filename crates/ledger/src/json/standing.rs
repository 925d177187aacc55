//! The JSON shape of results, and of copies of weekly summaries.
//!
//! Must never change the meaning of a written field: a new field gets `#[serde(default)]`, so that older rows still read.

use engine::notice::CopyNotice;
use site::judge::{Outcome, Standing};

use super::*;

carried_as!(Outcome, String, |outcome| outcome.key().into(), |word| {
    Outcome::named(&word).ok_or_else(|| format!("`{word}` is no result"))
});

listed_by!(Standing, StandingRow, "StandingFields");
listed_by!(CopyNotice, CopyNoticeRow, "CopyNoticeFields");

#[derive(Serialize, Deserialize)]
#[serde(remote = "Standing")]
struct StandingFields {
    criterion: String,
    #[serde(with = "shape")]
    result: Outcome,
    #[serde(with = "shape")]
    met_at: Option<Timestamp>,
    #[serde(with = "shape")]
    earliest_at: Option<Timestamp>,
    #[serde(with = "shape")]
    hours_counted: f64,
    #[serde(with = "shape")]
    hours_needed: f64,
    #[serde(with = "shape")]
    coverage_fraction: Option<f64>,
}

#[derive(Serialize, Deserialize)]
#[serde(remote = "CopyNotice")]
struct CopyNoticeFields {
    #[serde(with = "IsoWeekFields")]
    week: IsoWeek,
    life: u32,
    #[serde(with = "shape")]
    at: Timestamp,
    #[serde(with = "shape")]
    made_at: Timestamp,
    amended: u32,
    #[serde(with = "shape")]
    reviewed: Option<(String, Timestamp)>,
    #[serde(with = "shape")]
    changes: Vec<String>,
}
