//! What a regulation asks of a batch, as data; read from one text a criterion.
//!
//! Must never say that a batch complies: a criterion is what [`crate::judge`] holds measurements against.
//!
//! The permit's edition decides. Where a text leaves something open, such as whether days are consecutive, the stricter reading is
//! taken and said.

use std::collections::BTreeMap;

use pile::time::Span;
use pile::units::{Celsius, Metres};

use crate::model::Position;
use crate::settings::Fault;

mod fitting;
mod reader;

pub use crate::model::{SYSTEMS, System};
pub use fitting::never_met;

/// The criteria that can be judged by, by id.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Criteria(BTreeMap<String, Criterion>);

/// One regulation's demand.
#[derive(Clone, Debug, PartialEq)]
pub struct Criterion {
    /// Its id, which is also the name of its file.
    pub id: String,
    /// What people call it.
    pub title: String,
    /// Where it is law, such as `US-CA`; `site` for a site's own.
    pub jurisdiction: String,
    /// The regulation and the place in it.
    pub citation: String,
    /// Which edition of the text this is.
    pub edition: String,
    /// What it asks, in words.
    pub asks: String,
    /// What was opened to confirm the figures, or that they are from memory.
    pub confirmed: String,
    /// What it is written for, where its use for compost of other material is an analogy.
    pub written_for: Option<String>,
    /// Rows of other rules that it takes in, by the ids under which they are kept.
    pub rows: Vec<String>,
    /// Why it is kept but cannot be selected.
    pub superseded: Option<String>,
    /// Kinds of composting that it is written for.
    pub systems: Vec<System>,
    /// What it asks of the temperature: of its own, or by others of which any one suffices.
    pub demand: Demand,
    /// What it asks beside the temperature.
    pub beside: Beside,
    /// Cautions for whoever reads a result.
    pub notes: Vec<String>,
    /// `file:line` of its text, for messages.
    pub place: String,
}

/// What a criterion asks of the temperature.
#[derive(Clone, Debug, PartialEq)]
pub enum Demand {
    /// A course of temperatures.
    Course(Box<Course>),
    /// Any one of these criteria.
    AnyOf(Vec<Criterion>),
}

/// A course of temperatures, and turnings in it.
#[derive(Clone, Debug, PartialEq)]
pub struct Course {
    /// The temperature to be held, and how long.
    pub hold: Hold,
    /// A higher temperature for a shorter time, inside the same hold.
    pub peak: Option<Hold>,
    /// The mean over the time of the hold must be above this, at each probe.
    pub mean_above: Option<Celsius>,
    /// Turnings.
    pub turnings: Option<Turnings>,
    /// A temperature to be reached again after the last turning asked for.
    pub reheat: Option<Hold>,
    /// The batch must be at least this old.
    pub process: Option<Span>,
    /// It may not be met before any one of these is.
    pub after_any_of: Vec<Criterion>,
    /// Where a valid probe is required.
    pub zones: Vec<Zone>,
    /// Whether the temperature of the exhaust air stands for the pile.
    pub exhaust: Exhaust,
    /// The longest time between two readings of a probe that is bridged by a straight line.
    pub gap: Span,
    /// How many readings of each probe each day of 24 h must have, counted from the beginning of the hold.
    pub readings_per_day: Option<u32>,
    /// The longest time since a probe passed a check.
    pub calibration: Option<Span>,
}

/// A limit to be held for a time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Hold {
    /// The lower limit.
    pub floor: Floor,
    /// The upper limit, which still counts; time above it does not.
    pub ceiling: Option<Celsius>,
    /// How long.
    pub length: Span,
    /// How time is counted.
    pub counting: Counting,
}

/// A lower limit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Floor {
    /// At or above it counts.
    AtLeast(Celsius),
    /// Only above it counts.
    Above(Celsius),
}

/// How time at a temperature is counted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Counting {
    /// Without interruption.
    Consecutive,
    /// The text does not say; counted without interruption, which is the stricter reading.
    Unspecified,
    /// All of it together.
    Cumulative,
    /// Interruptions up to this length are left out of the count but do not end it.
    AsContiguous(Span),
}

/// Turnings that a criterion asks for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Turnings {
    /// At least so many.
    pub least: usize,
    /// The least time from one to the next that counts.
    pub apart: Span,
    /// Which of them count.
    pub when: TurningsWhen,
    /// How long after a turning the material may be colder without ending the time of the hold. Nothing unless a permit says so;
    /// the time itself never counts.
    pub recovery: Span,
}

/// Which turnings count.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TurningsWhen {
    /// Those inside the time of the hold.
    Hot,
    /// Those inside one span of the length of the hold, within the time of the hold.
    Hold,
    /// All since the last raw material was added.
    Process,
    /// Those that follow a whole hold of their own.
    AfterEachHold,
}

/// Where a valid probe is required.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Zone {
    /// Its position.
    pub position: Position,
    /// Least depth, if the criterion names one.
    pub depth_min: Option<Metres>,
    /// Greatest depth, if the criterion names one.
    pub depth_max: Option<Metres>,
    /// Depth is counted from under the cover layer, and not from the surface of the pile.
    pub below_cover: bool,
}

/// Whether the temperature of the exhaust air stands for the pile.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Exhaust {
    /// It does not.
    Never,
    /// It does where air is drawn down through the pile.
    WithSuction,
}

/// What a criterion asks beside the temperature.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Beside {
    /// Initial C:N, ends included.
    pub carbon_to_nitrogen: Option<(f64, f64)>,
    /// Thickness of the cover layer, ends included, in metres.
    pub cover_metres: Option<(f64, f64)>,
    /// Largest particles before composting, in millimetres.
    pub particle_millimetres_max: Option<f64>,
    /// Curing must follow.
    pub curing: bool,
    /// Results of a laboratory without which nothing may leave.
    pub lab: Option<Lab>,
    /// How long records are kept, in years.
    pub retention_years: Option<f64>,
}

/// Results of a laboratory that are asked for.
#[derive(Clone, Debug, PartialEq)]
pub struct Lab {
    /// Whether one of them is enough.
    pub need: Need,
    /// The limits.
    pub limits: Vec<LabLimit>,
}

/// How many of several are enough.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Need {
    /// One of them.
    Any,
    /// All of them.
    All,
}

/// One limit on a result of a laboratory.
#[derive(Clone, Debug, PartialEq)]
pub struct LabLimit {
    /// What is measured.
    pub parameter: String,
    /// How the result is compared.
    pub limit: LabBound,
    /// The unit, basis included, as the regulation writes it.
    pub unit: String,
}

/// How a result of a laboratory is compared with its limit.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum LabBound {
    /// It must be lower.
    Below(f64),
    /// It may be as much.
    AtMost(f64),
    /// It must not be detected.
    Absent,
}

impl Criteria {
    /// Reads criteria, each from its text; the name is that of the file without its ending, the path is how messages address it.
    /// Those of `base` are there already, and cannot be replaced.
    ///
    /// # Errors
    /// Every fault of every text.
    pub fn read<'t>(
        base: Criteria,
        texts: impl IntoIterator<Item = (&'t str, &'t str, &'t str)>,
    ) -> Result<Criteria, Vec<Fault>> {
        reader::read(base.0, texts).map(Criteria)
    }

    /// Every criterion, by id.
    pub fn iter(&self) -> impl Iterator<Item = &Criterion> {
        self.0.values()
    }

    /// The criterion of an id, superseded or not.
    pub fn get(&self, id: &str) -> Option<&Criterion> {
        self.0.get(id)
    }

    /// The criterion of an id that may be judged by.
    ///
    /// # Errors
    /// What is wrong with the id, and what to do.
    pub fn selectable(&self, id: &str) -> Result<&Criterion, String> {
        let ids = self.0.values().filter(|c| c.superseded.is_none()).map(|c| c.id.as_str());
        match self.0.get(id) {
            Some(Criterion { superseded: Some(why), .. }) => {
                Err(format!("criterion `{id}` is superseded and only kept to be read: {why}; choose one in force"))
            }
            Some(criterion) => Ok(criterion),
            None => Err(format!(
                "there is no criterion `{}`; {}",
                crate::settings::node::shortened(id),
                match crate::settings::fault::nearest(id, ids) {
                    Some(near) => format!("did you mean `{near}`?"),
                    None => "`hypocaust criteria list` shows them".into(),
                }
            )),
        }
    }
}

impl Criterion {
    /// This criterion with a recovery window after turnings that a permit grants.
    pub fn with_recovery(mut self, recovery: Span) -> Criterion {
        match &mut self.demand {
            Demand::Course(course) => {
                if let Some(turnings) = &mut course.turnings {
                    turnings.recovery = recovery;
                }
            }
            Demand::AnyOf(all) => {
                for one in std::mem::take(all) {
                    all.push(one.with_recovery(recovery));
                }
            }
        }
        self
    }

    /// Whether it asks for turnings, so that a recovery window after them means something.
    pub fn has_turnings(&self) -> bool {
        match &self.demand {
            Demand::Course(course) => course.turnings.is_some(),
            Demand::AnyOf(all) => all.iter().any(Criterion::has_turnings),
        }
    }

    /// What has to stand beside every result: that the permit decides, and where the criterion is used by analogy.
    pub fn standing_remark(&self) -> String {
        let analogy = match &self.written_for {
            Some(what) => format!(" It is written for {what}; used for other material it is an analogy."),
            None => String::new(),
        };
        format!(
            "Measured against this text, not a finding of compliance: the edition that your permit cites decides.{analogy}"
        )
    }
}

impl Floor {
    /// The limit without the way it is compared.
    pub fn celsius(self) -> f64 {
        match self {
            Floor::AtLeast(limit) | Floor::Above(limit) => limit.0,
        }
    }

    /// Whether a temperature counts.
    pub fn holds(self, celsius: f64) -> bool {
        match self {
            Floor::AtLeast(limit) => celsius >= limit.0,
            Floor::Above(limit) => celsius > limit.0,
        }
    }

    /// The same limit, higher by so much.
    pub fn raised(self, kelvin: f64) -> Floor {
        match self {
            Floor::AtLeast(limit) => Floor::AtLeast(Celsius(limit.0 + kelvin)),
            Floor::Above(limit) => Floor::Above(Celsius(limit.0 + kelvin)),
        }
    }
}

/// The longest time that records are kept by any of these criteria, in years.
pub fn longest_retention_years<'c>(criteria: impl IntoIterator<Item = &'c Criterion>) -> Option<f64> {
    criteria.into_iter().filter_map(|c| c.beside.retention_years).reduce(f64::max)
}
