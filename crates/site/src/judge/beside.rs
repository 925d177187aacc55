//! What a criterion asks beside the temperature: mix, cover, particles, curing, laboratory.
//!
//! Must never take what is not on record for fulfilled.

use pile::time::Timestamp;
use pile::units::Readable;

use super::{History, Judgement, LabResult, Laboratory, Outcome};
use crate::criteria::{Criterion, LabBound, LabLimit, Need, System};

/// What stands against a criterion beside the temperature.
#[derive(Clone, Debug, Default)]
pub(super) struct Against {
    /// What is not as it should be.
    wrong: Vec<String>,
    /// What is not on record.
    unknown: Vec<String>,
    /// What still has to follow.
    to_follow: Vec<String>,
}

pub(super) fn of(criterion: &Criterion, history: &History) -> Against {
    let (asked, facts) = (&criterion.beside, &history.facts);
    let mut against = Against::default();
    let system = facts.system.unwrap_or(System::StaticPile);
    if !criterion.systems.is_empty() && !criterion.systems.contains(&system) {
        let written: Vec<&str> = criterion.systems.iter().map(|s| s.words()).collect();
        against.wrong.push(format!("it is written for {}, and this is {}", written.join(" or "), system.words()));
    }
    let mut range = |what: &str, value: Option<f64>, (least, most): (f64, f64), unit: &str| match value {
        None => against.unknown.push(format!("{what} is not on record; it must be {least} to {most}{unit}")),
        Some(value) if !(least..=most).contains(&value) => {
            against.wrong.push(format!("{what} is {}{unit}; it must be {least} to {most}{unit}", Readable(value)));
        }
        Some(_) => {}
    };
    if let Some(ends) = asked.carbon_to_nitrogen {
        range("the initial C:N", facts.carbon_to_nitrogen, ends, "");
    }
    if let Some(ends) = asked.cover_metres {
        range("the thickness of the cover layer", facts.cover.map(|c| c.0), ends, " m");
    }
    if let Some(most) = asked.particle_millimetres_max {
        range("the size of the largest particles", facts.particle_millimetres, (0.0, most), " mm");
    }
    if asked.curing && facts.curing_from.is_none_or(|at| at > history.until) {
        against.to_follow.push("adequate curing must follow, and none is on record".into());
    }
    against
}

impl Against {
    /// Whether nothing stands against it but what has still to follow.
    fn clear(&self) -> bool {
        self.wrong.is_empty() && self.unknown.is_empty()
    }

    /// Lets what stands against it decide over a result by temperature.
    pub(super) fn decide(&self, judgement: &mut Judgement) {
        let told = |all: &[String]| all.join("; ");
        if !self.wrong.is_empty() {
            judgement.result = Outcome::NotMet;
            (judgement.met_at, judgement.earliest_at) = (None, None);
            judgement.because = format!("{}. By temperature: {}", told(&self.wrong), judgement.because);
        } else if !self.unknown.is_empty() {
            let missing = told(&self.unknown);
            if judgement.result == Outcome::Met {
                judgement.result = Outcome::CannotTell;
                judgement.met_at = None;
            }
            judgement.because = format!("{}. Also: {missing}", judgement.because);
        }
        if self.clear() && !self.to_follow.is_empty() && judgement.result == Outcome::Met {
            judgement.result = Outcome::Running;
            judgement.met_at = None;
            judgement.because = format!("{}. Still to come: {}", judgement.because, told(&self.to_follow));
        }
    }
}

/// How the results of laboratories stand: only samples taken after it was met by temperature say anything.
pub(super) fn laboratory(criterion: &Criterion, history: &History, met_at: Option<Timestamp>) -> Laboratory {
    let Some(lab) = &criterion.beside.lab else { return Laboratory::NotAsked };
    let (mut good, mut bad, mut missing) = (Vec::new(), Vec::new(), Vec::new());
    for limit in &lab.limits {
        let of_it = history.facts.lab.iter().filter(|r| same(&r.parameter, &limit.parameter));
        let newest = of_it.filter(|r| met_at.is_some_and(|met| r.sampled_at >= met)).max_by_key(|r| r.sampled_at);
        match newest {
            None => missing.push(format!("{}, from a sample taken after the run", asked(limit))),
            Some(result)
                if !same(&result.unit, &limit.unit) && (result.value.is_some() || result.detectable.is_some()) =>
            {
                // A limit such as "absent in 25 g" has its preposition in its unit.
                let bare = |unit: &str| unit.strip_prefix("in ").unwrap_or(unit).to_owned();
                missing.push(format!(
                    "{}: the result of {} is in {}, not in {}, and cannot be compared; have it stated in {}",
                    limit.parameter,
                    history.zone.show(result.sampled_at),
                    bare(&result.unit),
                    bare(&limit.unit),
                    bare(&limit.unit)
                ))
            }
            Some(result) if within(result, limit) => good.push(told(result, limit, history)),
            Some(result) if result.value.is_none() => missing.push(format!(
                "{}: the method could not find what is asked for ({})",
                limit.parameter,
                told(result, limit, history)
            )),
            Some(result) => bad.push(told(result, limit, history)),
        }
    }
    let enough = match lab.need {
        Need::Any => !good.is_empty(),
        Need::All => good.len() == lab.limits.len(),
    };
    let beyond = match lab.need {
        Need::Any => bad.len() == lab.limits.len(),
        Need::All => !bad.is_empty(),
    };
    let join = match lab.need {
        Need::Any => " or ",
        Need::All => " and ",
    };
    if beyond {
        Laboratory::Beyond(format!("beyond its limit: {}", bad.join("; ")))
    } else if enough {
        Laboratory::InHand(good.join("; "))
    } else {
        let all: Vec<String> = missing.into_iter().chain(bad).collect();
        Laboratory::Outstanding(format!("temperature alone never releases: still needed are {}", all.join(join)))
    }
}

fn same(a: &str, b: &str) -> bool {
    a.trim().eq_ignore_ascii_case(b.trim())
}

fn within(result: &LabResult, limit: &LabLimit) -> bool {
    match (limit.limit, result.value) {
        // Nothing was found by a method that could not have found what is asked for: that says nothing.
        (LabBound::Below(most) | LabBound::AtMost(most), None) => result.detectable.is_none_or(|least| least <= most),
        (LabBound::Absent, None) => true,
        (LabBound::Below(most), Some(value)) => value < most,
        (LabBound::AtMost(most), Some(value)) => value <= most,
        (LabBound::Absent, Some(_)) => false,
    }
}

fn asked(limit: &LabLimit) -> String {
    match limit.limit {
        LabBound::Below(most) => format!("{} below {most} {}", limit.parameter, limit.unit),
        LabBound::AtMost(most) => format!("{} at most {most} {}", limit.parameter, limit.unit),
        LabBound::Absent => format!("{} absent {}", limit.parameter, limit.unit),
    }
}

fn told(result: &LabResult, limit: &LabLimit, history: &History) -> String {
    let value = match result.value {
        Some(value) => format!("{} {}", Readable(value), result.unit),
        None => match result.detectable {
            Some(least) => format!("below {} {}", Readable(least), result.unit),
            None => "not detected".into(),
        },
    };
    let when = history.zone.show(result.sampled_at);
    format!("{} (asked: {}; sample of {when}, {})", value, asked(limit), result.laboratory)
}
