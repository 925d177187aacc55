//! What decided beside the readings as they are on record: a correction by a check, and two values of one instant.
//!
//! Must never let a correction make a result without saying what the probe sent.

use pile::time::Timestamp;
use pile::units::{Celsius, Kelvin};

use super::sifting::{checks_of, sift};
use super::words::Words;
use super::{Correction, History, Judgement, Look, Outcome, PLAIN, TwoValues, look};
use crate::criteria::{Criterion, Demand, Hold};

/// The correction that decides, where the result or its time would be another without all of them.
pub(super) fn correction(criterion: &Criterion, history: &History, judgement: &Judgement) -> Option<Correction> {
    let corrects = |check: &super::Check| check.correction.0 != 0.0 && check.at <= history.until;
    if !history.facts.checks.iter().any(corrects) {
        return None;
    }
    let other = look(criterion, history, Look { uncorrected: true, ..PLAIN });
    let without = (other.result, other.met_at);
    if without == (judgement.result, judgement.met_at) {
        return None;
    }
    let counted = |at: Timestamp| judgement.counted.iter().any(|(from, to)| (*from..=*to).contains(&at));
    let hold = hold_of(criterion, judgement)?;
    // Of all corrected readings the one that changed its side; where the result is met, the coldest as it was sent, else the first.
    let mut best: Option<(bool, f64, Correction)> = None;
    for probe in history.probes.iter().filter(|p| !p.by_hand) {
        let checks = checks_of(probe, history);
        let sifted = sift(probe, history, PLAIN);
        for point in &probe.readings {
            let Some(check) = checks.iter().rev().find(|c| c.at <= point.at && c.correction.0 != 0.0) else { continue };
            let Ok(place) = sifted.points.binary_search_by_key(&point.at, |p| p.at) else { continue };
            let corrected = sifted.points[place].value;
            let changed = within(hold, point.value) != within(hold, corrected);
            let told = match judgement.result {
                Outcome::Met => changed && within(hold, corrected) && counted(point.at),
                _ => changed,
            };
            let order = if judgement.result == Outcome::Met { point.value } else { point.at.as_millis() as f64 };
            if best.as_ref().is_none_or(|(before, least, _)| (told && !before) || (told == *before && order < *least)) {
                let found = Correction {
                    probe: probe.id.clone(),
                    at: point.at,
                    stored: Celsius(point.value),
                    offset: Kelvin(check.correction.0),
                    corrected: Celsius(corrected),
                    checked_at: check.at,
                    without,
                };
                best = Some((told, order, found));
            }
        }
    }
    best.map(|(.., found)| found)
}

fn within(hold: Hold, celsius: f64) -> bool {
    hold.floor.holds(celsius) && hold.ceiling.is_none_or(|most| celsius <= most.0)
}

/// The hold that the result is of: of several criteria that of the one that gave it.
fn hold_of(criterion: &Criterion, judgement: &Judgement) -> Option<Hold> {
    match &criterion.demand {
        Demand::Course(course) => Some(course.hold),
        Demand::AnyOf(all) => {
            let same = |part: &&Judgement| (part.result, part.met_at) == (judgement.result, judgement.met_at);
            let part = judgement.parts.iter().find(same).or(judgement.parts.first())?;
            let criterion = all.iter().find(|one| one.id == part.criterion)?;
            hold_of(criterion, part)
        }
    }
}

/// The correction in words, to follow the reason.
pub(super) fn told(correction: &Correction, judgement: &Judgement, history: &History) -> String {
    let words = Words { zone: &history.zone, display: history.display };
    let (result, met_at) = correction.without;
    let without = match met_at {
        Some(at) => format!("{} at {}", result.key(), words.at(at)),
        None => result.key().to_owned(),
    };
    let decides = if result == judgement.result { "when it was met" } else { "the result" };
    format!(
        ". A correction decides {decides}: probe {} sent {} at {}; with the {} found in its check of {} that is {}. Without corrections: \
         {without}",
        correction.probe,
        words.plain(correction.stored),
        words.at(correction.at),
        words.difference(correction.offset),
        words.at(correction.checked_at),
        words.plain(correction.corrected),
    )
}

/// Two values of one instant in words, to follow the reason.
pub(super) fn told_of_two(two: &TwoValues, history: &History) -> String {
    let words = Words { zone: &history.zone, display: history.display };
    let instants = match two.instants {
        1 => format!("one instant, {}", words.at(two.first)),
        n => format!("{n} instants, the first {}", words.at(two.first)),
    };
    format!(
        ". Probe {} has two values of {instants}: {} and {}; the colder is held against the lower limit and the hotter against the upper one",
        two.probe,
        words.plain(two.coldest),
        words.plain(two.hottest)
    )
}
