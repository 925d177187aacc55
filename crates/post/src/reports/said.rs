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

use pile::time::Timestamp;
use site::entry::Amount;
use site::zone::rfc3339_millis;

/// A figure of a report.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Figure {
    /// Its name.
    pub what: String,
    /// What the reader is told, in the site's units and our words.
    pub said: String,
    /// What it is, whatever the units and the words: editions are compared by this. Empty in editions of before it was kept.
    pub value: String,
}

/// All figures of a report.
pub type Figures = Vec<Figure>;

impl Figure {
    /// As a file gives it back: an edition that was read must not differ from the same figures that were not.
    fn new(what: String, said: String, value: String) -> Figure {
        let clean = |text: String| crate::letter::clean(&text);
        Figure { what: clean(what), said: clean(said), value: clean(value) }
    }

    fn is_as(&self, other: &Figure) -> bool {
        match self.value.is_empty() || other.value.is_empty() {
            true => self.said == other.said,
            false => self.value == other.value,
        }
    }
}

/// Every figure of a weekly summary.
pub fn of_week(facts: &WeekFacts) -> Figures {
    let site = &facts.site;
    let mut out = Figures::new();
    for bin in &facts.bins {
        let batch = bin.batch.map_or_else(|| "empty".to_owned(), |batch| format!("batch {batch}"));
        let stage = bin.stage.map_or("", site::entry::Stage::key);
        let said = format!(
            "{batch} {stage}; coldest {}; core {}",
            newest(site, bin.coldest.as_ref()),
            newest(site, bin.core.as_ref())
        );
        let bare = |newest: Option<&Newest>| newest.map_or_else(String::new, |n| number(n.celsius.0, 3));
        let value = format!("{batch} {stage} {} {}", bare(bin.coldest.as_ref()), bare(bin.core.as_ref()));
        out.push(Figure::new(format!("bin {} at the end", bin.bin), said, value));
    }
    for batch in &facts.batches {
        results(site, &format!("batch {}", batch.batch), &batch.results, &mut out);
    }
    probes(&facts.probes, &mut out);
    common(site, &facts.loads, &facts.shipments, &facts.deviations, &facts.entries, &mut out);
    for o in &facts.occurrences {
        let value = format!("from {} to {}", rfc3339_millis(o.at), o.until.map_or_else(String::new, rfc3339_millis));
        out.push(Figure::new(format!("occurrence {}", at(site, o.at)), words::occurrence(site, o), value));
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
        out.push(Figure::new(
            format!("laboratory, {} of {}", lab.analyte, at(site, lab.sampled_at)),
            value.clone(),
            value,
        ));
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
    let find = |list: &Figures, what: &str| list.iter().find(|figure| figure.what == what).cloned();
    let changed = now.iter().filter_map(|figure| {
        let before = find(earlier, &figure.what);
        let differs = !before.as_ref().is_some_and(|before| before.is_as(figure));
        let before = before.map(|before| before.said);
        differs.then(|| Change { what: figure.what.clone(), before, now: Some(figure.said.clone()) })
    });
    let known: std::collections::BTreeSet<&String> = now.iter().map(|figure| &figure.what).collect();
    let gone = earlier.iter().filter(|figure| !known.contains(&figure.what));
    let gone = gone.map(|figure| Change { what: figure.what.clone(), before: Some(figure.said.clone()), now: None });
    changed.chain(gone).collect()
}

/// The figures as CSV, so that a later edition can be held against them.
pub fn as_csv(figures: &Figures) -> String {
    let rows = figures.iter().map(|f| format!("{},{},{}\n", field(&f.what), field(&f.said), field(&f.value)));
    std::iter::once("what,said,value\n".to_owned()).chain(rows).collect()
}

/// Reads what [`as_csv`] wrote; lines that it did not write are passed over.
pub fn from_csv(text: &str) -> Figures {
    text.lines()
        .skip(1)
        .filter_map(|line| {
            let (what, rest) = unfield(line)?;
            let (said, rest) = unfield(rest.strip_prefix(',')?)?;
            // Editions of before had two columns.
            let value = rest.strip_prefix(',').and_then(unfield).map_or_else(String::new, |(value, _)| value);
            Some(Figure { what, said, value })
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

/// A share in thousandths, cut off; `-` where it is not known.
fn known(share: Option<f64>) -> String {
    share.map_or_else(|| "-".to_owned(), |share| number(share, 3))
}

/// An amount as it was written down.
fn amount(amount: &Amount) -> String {
    match amount {
        Amount::Mass(mass) => format!("{} kg", number(mass.0, 3)),
        Amount::Volume(volume) => format!("{} m3", number(volume.0, 6)),
    }
}

fn results(site: &SiteFacts, of: &str, list: &[ResultFacts], out: &mut Figures) {
    for result in list {
        let j = &result.judgement;
        let name = format!("{of}, {}", j.criterion);
        let instant = |at: Option<Timestamp>| at.map_or_else(String::new, rfc3339_millis);
        // Given to the minute and to the hundredth, which is what a reader was told.
        let result = format!("{} {} {}", j.result.key(), instant(j.met_at), instant(j.earliest_at));
        out.push(Figure::new(format!("{name}: result"), words::headline(&site.zone, j), result));
        let counted = format!("{} of {}", hours(j.hours_counted), hours(j.hours_needed));
        out.push(Figure::new(
            format!("{name}: hours"),
            counted,
            format!("{} {}", cut(j.hours_counted), cut(j.hours_needed)),
        ));
        out.push(Figure::new(format!("{name}: known"), share(j.coverage_fraction), known(j.coverage_fraction)));
        let lab = j.lab.key().to_owned();
        out.push(Figure::new(format!("{name}: laboratory"), lab.clone(), lab));
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
        let bare = format!("{} {} {} {}", known(p.coverage), p.readings, p.set_aside, p.gaps.len());
        out.push(Figure::new(format!("probe {}", p.probe), value, bare));
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
        let bare = format!("{} {} {} {taken}", amount(&l.amount), l.material, l.source);
        out.push(Figure::new(format!("load {n} of {}, bin {}", at(site, l.at), l.bin), value, bare));
    }
    for (n, s) in (1..).zip(shipments) {
        let value = format!("{} to {}", words::amount(site, &s.amount), s.to);
        let bare = format!("{} {}", amount(&s.amount), s.to);
        out.push(Figure::new(format!("shipment {n} of {}, bin {}", at(site, s.at), s.bin), value, bare));
    }
    for d in deviations {
        let acknowledged =
            d.acknowledged.as_ref().map_or_else(|| "nobody".to_owned(), |a| format!("{} {}", a.by, at(site, a.at)));
        let ended =
            d.ended.as_ref().map_or_else(|| "stands".to_owned(), |(when, _)| format!("over {}", at(site, *when)));
        let value = format!("{}: {}; acknowledged: {acknowledged}; {ended}", d.subject, d.finding);
        let by = d.acknowledged.as_ref().map(|a| format!("{} {}", a.by, rfc3339_millis(a.at))).unwrap_or_default();
        let over = d.ended.as_ref().map(|(when, _)| rfc3339_millis(*when)).unwrap_or_default();
        let bare = format!("{} {}; {by}; {over}", d.subject, rfc3339_millis(d.raised_at));
        out.push(Figure::new(format!("alarm {}, occurrence {}", d.alarm.0, d.occurrence), value, bare));
    }
    for e in entries {
        let corrected = e.corrected_by.map_or_else(String::new, |by| format!(" (corrected by entry {by})"));
        // An entry is never changed, only corrected by another: its number says what it holds.
        let bare = format!("{} {} {}{corrected}", e.id, rfc3339_millis(e.at), e.bin);
        let said = format!("{} bin {}: {}{corrected}", at(site, e.at), e.bin, e.words);
        out.push(Figure::new(format!("entry {}", e.id), said, bare));
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
        let bare = d.figures.map_or_else(String::new, |f| f.map(|celsius| number(celsius.0, 3)).join(" "));
        let bare = format!("{bare}; {} {}", d.readings, cut(d.hours_heard));
        out.push(Figure::new(format!("{} of {}, bin {}", d.probe, d.day, d.bin), value, bare));
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
        let list = |pairs: &[(&str, &str)]| -> Figures {
            pairs.iter().map(|(a, b)| Figure::new((*a).into(), (*b).into(), String::new())).collect()
        };
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
        let valued = |said: &str, value: &str| vec![Figure::new("day".into(), said.into(), value.into())];
        let metric = valued("55.0 °C", "55");
        assert_eq!(from_csv(&as_csv(&metric)), metric);
        assert!(changes(&metric, &valued("131.0 °F", "55")).is_empty(), "other units say the same");
        assert_eq!(
            changes(&metric, &valued("55.0 °C", "55.001")).len(),
            1,
            "another value is another, however it is said"
        );
        for odd in ["met 7 March ", " a  b", "", "a,b", "\"", "\"a\",", "a\nb\u{202e}", "\u{2028}"] {
            let figures = vec![Figure::new(odd.into(), odd.into(), odd.into())];
            assert_eq!(from_csv(&as_csv(&figures)), figures, "{odd:?}: read as it was written");
        }
        let older = from_csv("what,value\nday,55.0 °C\n");
        assert!(changes(&older, &metric).is_empty(), "an edition of before is compared by its words");
        assert_eq!(changes(&older, &valued("131.0 °F", "55")).len(), 1, "for it has nothing else");
    }
}
