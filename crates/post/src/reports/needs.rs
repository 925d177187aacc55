//! What of a week needs the reader, bin by bin and for the whole site.
//!
//! Must never ask for something that the facts do not show.

use pile::time::Span;
use site::entry::Stage;
use site::ids::BinId;
use site::judge::{Judgement, Laboratory, Outcome};

use super::facts::{BinFacts, Ran, WeekFacts};
use super::words::{self, at};
use crate::figures;

/// Less of a bin's time than this heard is put before the reader: common practice, no source.
const COVERAGE_LOW: f64 = 0.9;
/// A newest reading older than this at the end of the week is put before the reader: common practice, no source.
const NEWEST_OLD: Span = Span::hours(24);
/// A check of a probe that falls due this soon is put before the reader.
const CHECK_SOON: Span = Span::days(7);

/// One thing that needs the reader.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Need {
    /// The bin it is about; `None` for the site.
    pub bin: Option<BinId>,
    /// In one line.
    pub sentence: String,
}

/// Everything that needs the reader, in the order of the bins, then the site.
pub fn needs(facts: &WeekFacts) -> Vec<Need> {
    let mut out: Vec<Need> = Vec::new();
    for bin in &facts.bins {
        let sentences = of_bin(bin, facts);
        out.extend(sentences.into_iter().map(|sentence| Need { bin: Some(bin.bin.clone()), sentence }));
    }
    if !monitored(facts) {
        let sentence = "not monitored: no reading of this week is stored".to_owned();
        out.push(Need { bin: None, sentence });
    }
    out.extend(of_site(facts).into_iter().map(|sentence| Need { bin: None, sentence }));
    out
}

/// Whether anything at all was measured in the week: of a week before the first start nothing can be said, also nothing good.
pub(super) fn monitored(facts: &WeekFacts) -> bool {
    let proven = |known: &Ran| matches!(known, Ran::Proven { heard, .. } if *heard > Span::ZERO);
    facts.days.iter().any(|day| day.readings > 0)
        || facts.bins.iter().any(|bin| bin.coldest.is_some())
        || facts.blowers.iter().any(|blower| proven(&blower.known))
}

fn of_bin(bin: &BinFacts, facts: &WeekFacts) -> Vec<String> {
    let site = &facts.site;
    let mut out = Vec::new();
    if !bin.standing.is_empty() {
        let are = if bin.standing.len() == 1 { "is" } else { "are" };
        out.push(format!("{} {are} active, see Alarms and what was done", bin.standing.join(" and ")));
    }
    let aerated = bin.stage == Some(Stage::OnAir);
    if aerated {
        match &bin.coldest {
            None => out.push("no reading from the pile this week: check its probes".into()),
            Some(newest) if facts.to.since(newest.at) > NEWEST_OLD => {
                out.push(format!("no reading since {}: check its probes", at(site, newest.at)));
            }
            Some(_) => {}
        }
        if let Some(share) = bin.coverage.filter(|share| *share < COVERAGE_LOW) {
            out.push(format!("coverage of a probe only {}: check it", figures::percent(share)));
        }
    }
    let Some(batch) = facts.batches.iter().find(|b| Some(b.batch) == bin.batch) else { return out };
    // On air there is time: a sample says nothing before the run is over. Off air its result is what the release waits for.
    let waiting: Vec<&str> = batch
        .results
        .iter()
        .map(|r| &r.judgement)
        .filter(|j| !aerated && waits_for_laboratory(j))
        .map(|j| j.criterion.as_str())
        .collect();
    if !waiting.is_empty() {
        out.push(format!("met by temperature, enter the laboratory's result ({})", waiting.join(", ")));
    }
    for (which, said) in KINDS {
        let ids: Vec<&str> =
            batch.results.iter().map(|r| &r.judgement).filter(|j| which(j)).map(|j| j.criterion.as_str()).collect();
        if !ids.is_empty() {
            out.push(format!("{said} ({})", ids.join(", ")));
        }
    }
    out
}

/// What a result can ask of the reader.
type Kind = (fn(&Judgement) -> bool, &'static str);

const KINDS: [Kind; 3] = [
    (|j| j.result == Outcome::NotMet, "not met, so do not release it on that ground"),
    (|j| j.result == Outcome::CannotTell, "cannot tell, see why under Batches and results"),
    (|j| matches!(j.lab, Laboratory::Beyond(_)), "a laboratory's result is beyond its limit"),
];

/// Whether a criterion is met by temperature and asks for a laboratory's result that is not in.
pub(super) fn waits_for_laboratory(judgement: &Judgement) -> bool {
    judgement.result == Outcome::Met && matches!(judgement.lab, Laboratory::Outstanding(_))
}

fn of_site(facts: &WeekFacts) -> Vec<String> {
    let site = &facts.site;
    let mut out = Vec::new();
    for probe in &facts.probes {
        if let Some(due) = probe.check.as_ref().and_then(|check| check.due)
            && due <= facts.to + CHECK_SOON
        {
            let when = if due <= facts.to { "was due" } else { "is due" };
            out.push(format!("the check of probe {} {when} {}", probe.probe, words::reached(&site.zone, due)));
        }
        if let Some(check) = probe.check.as_ref().filter(|c| (c.truth.0 - c.showed.0).abs() > c.allowed.0) {
            out.push(format!("probe {} failed its check of {}: replace it", probe.probe, at(site, check.at)));
        }
    }
    if facts.mails_given_up > 0 {
        out.push(format!(
            "{} could not be delivered: check the mail settings and the addresses",
            figures::count(facts.mails_given_up, "mail", "mails")
        ));
    }
    for complaint in facts.complaints.iter().filter(|c| c.after.is_empty()) {
        out.push(format!("the complaint of {} has no response in the log", at(site, complaint.at)));
    }
    out
}
