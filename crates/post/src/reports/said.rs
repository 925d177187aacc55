//! Every figure of a report as a name and a value, so that two editions can be compared; and daily figures as CSV.
//!
//! Must never leave out a figure by which a reader could have decided.

use pile::units::Celsius;

use super::facts::{
    BatchFacts, Change, DayFacts, Deviation, EntryFacts, LoadFacts, Newest, ProbeFacts, ResultFacts, ShipmentFacts,
    SiteFacts, WeekFacts,
};
use super::words::{self, at, hours, share};
use crate::figures::CANNOT_TELL;

/// Names and values.
pub type Figures = Vec<(String, String)>;

/// Every figure of a weekly summary.
pub fn of_week(facts: &WeekFacts) -> Figures {
    let site = &facts.site;
    let mut out = Figures::new();
    for bin in &facts.bins {
        let batch = bin.batch.map_or_else(|| "empty".to_owned(), |batch| format!("batch {batch}"));
        let stage = bin.stage.map_or("", site::entry::Stage::key);
        out.push((
            format!("bin {} at the end", bin.bin),
            format!(
                "{batch} {stage}; coldest {}; core {}",
                newest(site, bin.coldest.as_ref()),
                newest(site, bin.core.as_ref())
            ),
        ));
    }
    for batch in &facts.batches {
        results(site, &format!("batch {}", batch.batch), &batch.results, &mut out);
    }
    probes(&facts.probes, &mut out);
    common(site, &facts.loads, &facts.shipments, &facts.deviations, &facts.entries, &mut out);
    for o in &facts.occurrences {
        out.push((format!("occurrence {}", at(site, o.at)), words::occurrence(site, o)));
    }
    days(site, &facts.days, &mut out);
    out
}

/// Every figure of a process record.
pub fn of_batch(facts: &BatchFacts) -> Figures {
    let site = &facts.site;
    let mut out = Figures::new();
    results(site, &format!("batch {}", facts.batch.id), &facts.results, &mut out);
    for lab in &facts.lab {
        let below = if lab.below { "< " } else { "" };
        let value = format!("{below}{} {} ({}, {})", lab.value, lab.unit, lab.laboratory, lab.method);
        out.push((format!("laboratory, {} of {}", lab.analyte, at(site, lab.sampled_at)), value));
    }
    probes(&facts.probes, &mut out);
    common(site, &facts.loads, &facts.shipments, &facts.deviations, &facts.entries, &mut out);
    days(site, &facts.days, &mut out);
    out
}

/// A temperature as figures of editions have it since the first one; words on paper may change, figures that are compared may not.
fn temperature(site: &SiteFacts, celsius: Celsius) -> String {
    crate::figures::temperature(celsius.0, site.display)
}

fn newest(site: &SiteFacts, newest: Option<&Newest>) -> String {
    newest.map_or_else(|| CANNOT_TELL.to_owned(), |n| temperature(site, n.celsius))
}

/// What differs between an earlier edition and this one, in the order of this one; what is gone comes last.
pub fn changes(earlier: &Figures, now: &Figures) -> Vec<Change> {
    let find = |list: &Figures, what: &str| list.iter().find(|(name, _)| name == what).map(|(_, value)| value.clone());
    let changed = now.iter().filter_map(|(what, value)| {
        let before = find(earlier, what);
        let differs = before.as_ref() != Some(value);
        differs.then(|| Change { what: what.clone(), before, now: Some(value.clone()) })
    });
    let known: std::collections::BTreeSet<&String> = now.iter().map(|(what, _)| what).collect();
    let gone = earlier.iter().filter(|(what, _)| !known.contains(what));
    let gone = gone.map(|(what, value)| Change { what: what.clone(), before: Some(value.clone()), now: None });
    changed.chain(gone).collect()
}

/// The figures as CSV, so that a later edition can be held against them.
pub fn as_csv(figures: &Figures) -> String {
    let rows = figures.iter().map(|(what, value)| format!("{},{}\n", field(what), field(value)));
    std::iter::once("what,value\n".to_owned()).chain(rows).collect()
}

/// Reads what [`as_csv`] wrote; lines that it did not write are passed over.
pub fn from_csv(text: &str) -> Figures {
    text.lines()
        .skip(1)
        .filter_map(|line| {
            let (what, rest) = unfield(line)?;
            let (value, _) = unfield(rest.strip_prefix(',')?)?;
            Some((what, value))
        })
        .collect()
}

/// Daily figures of each probe as CSV, always in the units that the heads name, so that programs need not ask.
pub fn days_csv(site: &SiteFacts, days: &[DayFacts]) -> String {
    let mut out = "day,from,to,bin,batch,probe,position,readings,hours_heard,low_celsius,median_celsius,high_celsius,\
                   hours_at_or_above_55_celsius\n"
        .to_owned();
    for d in days {
        let instant = |at| site.zone.at(at).strftime("%Y-%m-%dT%H:%M:%S%:z").to_string();
        let celsius = |n: usize| d.figures.and_then(|f| f.get(n).map(|c| number(c.0, 3))).unwrap_or_default();
        out.push_str(&format!(
            "{},{},{},{},{},{},{},{},{},{},{},{},{}\n",
            d.day,
            instant(d.from),
            instant(d.to),
            d.bin,
            d.batch.map_or_else(String::new, |batch| batch.to_string()),
            d.probe,
            d.position.key(),
            d.readings,
            cut(d.hours_heard),
            celsius(0),
            celsius(1),
            celsius(2),
            cut(d.hours_at_or_above)
        ));
    }
    out
}

/// As many decimals as a probe can mean, without zeros at the end; cut towards colder, so that it never reaches a limit from below.
fn number(value: f64, decimals: i32) -> String {
    let scale = 10_f64.powi(decimals);
    // A value that is a whole number of steps but for the last bit of its binary form stays on that step.
    let steps = value * scale;
    let whole = if (steps - steps.round()).abs() < 1e-6 { steps.round() } else { steps.floor() };
    let text = format!("{:.*}", decimals.unsigned_abs() as usize, whole / scale);
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// Hours to the hundredth, cut off.
fn cut(hours: f64) -> String {
    format!("{:.2}", (hours * 100.0 + 1e-9).floor() / 100.0)
}

fn results(site: &SiteFacts, of: &str, list: &[ResultFacts], out: &mut Figures) {
    for result in list {
        let j = &result.judgement;
        let name = format!("{of}, {}", j.criterion);
        out.push((format!("{name}: result"), words::headline(&site.zone, j)));
        out.push((format!("{name}: hours"), format!("{} of {}", hours(j.hours_counted), hours(j.hours_needed))));
        out.push((format!("{name}: known"), share(j.coverage_fraction)));
        out.push((format!("{name}: laboratory"), j.lab.key().to_owned()));
    }
}

fn probes(list: &[ProbeFacts], out: &mut Figures) {
    for p in list {
        let value = format!(
            "heard {}, {} readings, {} set aside, {} gaps",
            share(p.coverage),
            p.readings,
            p.set_aside,
            p.gaps.len()
        );
        out.push((format!("probe {}", p.probe), value));
    }
}

fn common(
    site: &SiteFacts,
    loads: &[LoadFacts],
    shipments: &[ShipmentFacts],
    deviations: &[Deviation],
    entries: &[EntryFacts],
    out: &mut Figures,
) {
    for (n, l) in (1..).zip(loads) {
        let taken = if l.rejected.is_some() { "turned away" } else { "went in" };
        let value = format!("{} of {} from {}, {taken}", words::amount(site, &l.amount), l.material, l.source);
        out.push((format!("load {n} of {}, bin {}", at(site, l.at), l.bin), value));
    }
    for (n, s) in (1..).zip(shipments) {
        let value = format!("{} to {}", words::amount(site, &s.amount), s.to);
        out.push((format!("shipment {n} of {}, bin {}", at(site, s.at), s.bin), value));
    }
    for d in deviations {
        let acknowledged =
            d.acknowledged.as_ref().map_or_else(|| "nobody".to_owned(), |a| format!("{} {}", a.by, at(site, a.at)));
        let ended =
            d.ended.as_ref().map_or_else(|| "stands".to_owned(), |(when, _)| format!("over {}", at(site, *when)));
        let value = format!("{}: {}; acknowledged: {acknowledged}; {ended}", d.subject, d.finding);
        out.push((format!("alarm {}, occurrence {}", d.alarm.0, d.occurrence), value));
    }
    for e in entries {
        let corrected = e.corrected_by.map_or_else(String::new, |by| format!(" (corrected by entry {by})"));
        out.push((format!("entry {}", e.id), format!("{} bin {}: {}{corrected}", at(site, e.at), e.bin, e.words)));
    }
}

fn days(site: &SiteFacts, list: &[DayFacts], out: &mut Figures) {
    for d in list {
        let figures = match d.figures {
            Some([low, median, high]) => {
                format!("{} / {} / {}", temperature(site, low), temperature(site, median), temperature(site, high))
            }
            None => "no readings".to_owned(),
        };
        let value = format!("{figures}; {} readings, heard {} h", d.readings, cut(d.hours_heard));
        out.push((format!("{} of {}, bin {}", d.probe, d.day, d.bin), value));
    }
}

fn field(text: &str) -> String {
    let text = crate::letter::clean(text);
    if text.contains([',', '"']) { format!("\"{}\"", text.replace('"', "\"\"")) } else { text }
}

/// The first field of a line, and what follows it.
fn unfield(line: &str) -> Option<(String, &str)> {
    let Some(mut rest) = line.strip_prefix('"') else {
        let end = line.find(',').unwrap_or(line.len());
        return Some((line.get(..end)?.to_owned(), line.get(end..)?));
    };
    let mut out = String::new();
    loop {
        let quote = rest.find('"')?;
        out.push_str(rest.get(..quote)?);
        rest = rest.get(quote + 1..)?;
        match rest.strip_prefix('"') {
            Some(more) => {
                out.push('"');
                rest = more;
            }
            None => return Some((out, rest)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_are_cut_and_never_reach_a_limit_from_below() {
        for (value, want, why) in [
            (54.9996, "54.999", "not 55"),
            (55.0, "55", "on it"),
            (0.1 + 0.2, "0.3", "the last bit of a binary form is no difference"),
            (-0.5, "-0.5", "frost"),
            (-0.5001, "-0.501", "cut towards colder"),
        ] {
            assert_eq!(number(value, 3), want, "{value}: {why}");
        }
        assert_eq!(cut(71.999), "71.99", "not 72");
    }

    #[test]
    fn figures_come_back_from_their_csv_and_differences_are_named() {
        let list =
            |pairs: &[(&str, &str)]| -> Figures { pairs.iter().map(|(a, b)| ((*a).into(), (*b).into())).collect() };
        let earlier = list(&[("plain", "1"), ("a, b", "said \"so\", twice"), ("gone", "x")]);
        assert_eq!(from_csv(&as_csv(&earlier)), earlier);
        let now = list(&[("plain", "2"), ("a, b", "said \"so\", twice"), ("new", "y")]);
        let change = |what: &str, before: Option<&str>, now: Option<&str>| Change {
            what: what.into(),
            before: before.map(Into::into),
            now: now.map(Into::into),
        };
        let want =
            [change("plain", Some("1"), Some("2")), change("new", None, Some("y")), change("gone", Some("x"), None)];
        assert_eq!(changes(&earlier, &now), want);
        assert!(changes(&now, &now).is_empty(), "the same figures are the same edition");
    }
}
