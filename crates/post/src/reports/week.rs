//! The weekly summary of a site: which section says what, in the order of reading.
//!
//! Must never claim that anything complies, nor leave out what the facts hold without saying so.

use pile::time::Span;
use rulebook::header::Priority;
use site::entry::Stage;
use site::model::ReportSection;

use super::block::{Block, Report, Row, Table, heads};
use super::facts::{
    BinFacts, Clock, ComplaintFacts, Deviation, Edition, Ran, ResultFacts, Review, SiteFacts, WeekFacts,
};
use super::needs::{self, Need, monitored, needs};
use super::offsets;
use super::plain::NOTHING;
use super::result::{self, Detail, blocks};
use super::words::{self, at, hours, share};
use crate::figures;
use crate::reports::Parts;
use crate::words::alarm_lines;

/// So many changes against an earlier edition are listed.
const CHANGES_LISTED: usize = 60;
/// So many gaps of one probe are listed.
const GAPS_LISTED: usize = 6;

/// Every section, in the order of reading.
const SECTIONS: [ReportSection; 8] = [
    ReportSection::AtAGlance,
    ReportSection::Batches,
    ReportSection::Deviations,
    ReportSection::Materials,
    ReportSection::Entries,
    ReportSection::Probes,
    ReportSection::Alarms,
    ReportSection::Record,
];

/// What everybody gets who did not choose sections; the others are an annex for who asks.
const MAIN: [ReportSection; 4] =
    [ReportSection::AtAGlance, ReportSection::Batches, ReportSection::Deviations, ReportSection::Materials];

/// Writes the summary with these parts.
pub(super) fn report(facts: &WeekFacts, parts: Parts<'_>) -> Report {
    let mut blocks = head(facts);
    let wanted = |section: &ReportSection| match parts {
        Parts::Main => MAIN.contains(section),
        Parts::Chosen(some) => some.contains(section),
        Parts::Annex => !MAIN.contains(section),
    };
    let needs = needs(facts);
    if parts == Parts::Annex {
        in_full(facts, &mut blocks);
    }
    for section in SECTIONS.iter().filter(|section| wanted(section)) {
        match section {
            ReportSection::AtAGlance => at_a_glance(facts, &needs, &mut blocks),
            ReportSection::Batches => batches(facts, &mut blocks),
            ReportSection::Deviations => deviations(facts, &mut blocks),
            ReportSection::Materials => materials(facts, &mut blocks),
            ReportSection::Entries => entries(facts, &mut blocks),
            ReportSection::Probes => probes(facts, &mut blocks),
            ReportSection::Alarms => alarms(facts, &mut blocks),
            ReportSection::Record => record(facts, &mut blocks),
        }
    }
    // Whoever gets the summary keeps the checkpoint: it proves nothing while it lies at the site alone.
    if parts == Parts::Main {
        checkpoint(facts.checkpoint.as_ref(), &mut blocks);
    }
    foot(facts, parts, &mut blocks);
    offsets::once(&mut blocks, offsets::usual(&facts.site.zone, facts.from, facts.to));
    let what = if parts == Parts::Annex { "annex to the weekly summary" } else { "weekly summary" };
    Report { title: format!("{}: {what} {}", facts.site.name, name(facts)), blocks }
}

/// The week as ISO 8601 writes it, such as `2026-W10`.
pub fn name(facts: &WeekFacts) -> String {
    format!("{:04}-W{:02}", facts.week.year, facts.week.week)
}

fn head(facts: &WeekFacts) -> Vec<Block> {
    let site = &facts.site;
    let mut rows = vec![(
        "Covers".to_owned(),
        format!(
            "{} to {} ({})",
            at(site, facts.from),
            at(site, facts.to),
            offsets::briefly(&site.zone, facts.from, facts.to)
        ),
    )];
    rows.extend(about_site(site));
    rows.push(("Edition".to_owned(), edition(&facts.edition)));
    let review = match &facts.review {
        Review::Draft => "draft for the people of the site; not reviewed yet".to_owned(),
        Review::NotReviewed => "NOT REVIEWED: nobody of the site had looked at it when it was due".to_owned(),
        Review::Reviewed { by, at: when } => format!("reviewed by {by}, {}", at(site, *when)),
    };
    rows.push(("Review".to_owned(), review));
    rows.push(("Made".to_owned(), format!("{} by {}", at(site, facts.made_at), site.software)));
    let mut out = vec![Block::Facts(rows)];
    if facts.running {
        out.push(Block::Caution("This week is not over: this summary will still change.".into()));
    }
    changes(&facts.edition, &mut out);
    out
}

/// Who the site is to others.
pub(super) fn about_site(site: &SiteFacts) -> Vec<(String, String)> {
    let given = |what: &Option<String>| what.clone().unwrap_or_else(|| "not given".to_owned());
    vec![
        ("Facility".to_owned(), given(&site.facility)),
        ("Permit".to_owned(), given(&site.permit)),
        ("Responsible".to_owned(), given(&site.responsible)),
    ]
}

pub(super) fn edition(edition: &Edition) -> String {
    match edition.number {
        0 | 1 => "first".to_owned(),
        n => format!("amended {}; the earlier edition stays as it was", n - 1),
    }
}

/// What an amended edition says otherwise than the one before.
pub(super) fn changes(edition: &Edition, out: &mut Vec<Block>) {
    if edition.changes.is_empty() {
        return;
    }
    out.push(Block::Heading(format!("Amended {}: what changed", edition.number.saturating_sub(1))));
    let said = |text: &Option<String>| text.clone().unwrap_or_else(|| "was not there".to_owned());
    let now = |text: &Option<String>| text.clone().unwrap_or_else(|| "is not there any more".to_owned());
    let rows = edition.changes.iter().take(CHANGES_LISTED);
    let rows = rows.map(|c| Row::of(vec![c.what.clone(), said(&c.before), now(&c.now)])).collect();
    out.push(Block::Table(Table { heads: heads(["What", "Earlier edition", "Now"]), rows }));
    if edition.changes.len() > CHANGES_LISTED {
        out.push(Block::Paragraph(format!(
            "and {} more; both editions have all of their figures in figures.csv",
            edition.changes.len() - CHANGES_LISTED
        )));
    }
}

fn at_a_glance(facts: &WeekFacts, needs: &[Need], out: &mut Vec<Block>) {
    out.push(Block::Heading("The week at a glance".into()));
    let concerned = {
        let mut bins: Vec<&str> = needs.iter().map(|n| n.bin.as_ref().map_or("the site", |b| b.as_str())).collect();
        bins.dedup();
        bins
    };
    out.push(Block::Lead(match needs.len() as u64 {
        0 => "Nothing needs you.".to_owned(),
        n => format!("{} you: {}.", figures::count(n, "thing needs", "things need"), briefly(&concerned)),
    }));
    if facts.bins.is_empty() {
        out.push(Block::Paragraph("The site has no bins.".into()));
    } else {
        let rows = facts.bins.iter().map(|bin| glance(facts, bin, needs)).collect();
        let heads = heads(["Bin", "Batch", "Stage and age", "Coldest", "Core", "Criteria", "Alarms"]);
        out.push(Block::Table(Table { heads, rows }));
    }
    out.extend(before_release(facts).map(Block::Paragraph));
    let site: Vec<String> = needs.iter().filter(|n| n.bin.is_none()).map(|n| n.sentence.clone()).collect();
    if !site.is_empty() {
        out.push(Block::Subheading("For the whole site".into()));
        out.push(Block::List(site));
    }
    out.push(Block::Subheading("Next week".into()));
    out.push(match facts.dates.is_empty() {
        true => Block::Paragraph("No date is known that falls into it.".into()),
        false => Block::List(words::dates(&facts.site, &facts.dates)),
    });
}

/// So many bins are named in the first line.
const BINS_NAMED: usize = 8;

fn briefly(bins: &[&str]) -> String {
    let more = bins.len().saturating_sub(BINS_NAMED);
    let mut named: Vec<String> = bins.iter().take(BINS_NAMED).map(|bin| (*bin).to_owned()).collect();
    if more > 0 {
        named.push(format!("{more} more"));
    }
    named.join(", ")
}

fn glance(facts: &WeekFacts, bin: &BinFacts, needs: &[Need]) -> Row {
    let site = &facts.site;
    let nothing = || NOTHING.to_owned();
    let Some(batch) = bin.batch else {
        let mut cells = vec![bin.bin.to_string(), "empty".into()];
        cells.resize(7, nothing());
        return Row { cells, remarks: todo(bin, needs) };
    };
    let stage = bin.stage.map_or("", Stage::key).replace('-', " ");
    let age = bin.age.map_or_else(String::new, |age| format!(", {age}"));
    let raised: u32 = bin.raised.iter().map(|(_, n)| n).sum();
    let alarms = match (raised, bin.standing.len()) {
        (0, 0) => nothing(),
        (n, 0) => n.to_string(),
        (n, active) => format!("{n}, {active} active"),
    };
    let own = facts.batches.iter().find(|b| b.batch == batch).map(|b| result::briefly(site, &b.results));
    let criteria =
        own.filter(|said| !said.is_empty()).or_else(|| bin.clock.as_ref().map(|clock| self::clock(site, clock)));
    let cells = vec![
        bin.bin.to_string(),
        batch.to_string(),
        format!("{stage}{age}"),
        words::newest(site, bin.coldest.as_ref()),
        words::newest(site, bin.core.as_ref()),
        criteria.unwrap_or_else(nothing),
        alarms,
    ];
    Row { cells, remarks: todo(bin, needs) }
}

fn clock(site: &SiteFacts, clock: &Clock) -> String {
    use site::judge::Outcome;
    match (clock.result, clock.at) {
        (Outcome::Met, Some(at)) => format!("met {}", words::reached(&site.zone, at)),
        (result, _) => format!("{} of {} h, {}", hours(clock.hours_counted), hours(clock.hours_needed), result.key()),
    }
}

fn todo(bin: &BinFacts, needs: &[Need]) -> Vec<String> {
    let own: Vec<&str> =
        needs.iter().filter(|n| n.bin.as_ref() == Some(&bin.bin)).map(|n| n.sentence.as_str()).collect();
    if own.is_empty() { Vec::new() } else { vec![format!("To do: {}.", own.join("; "))] }
}

fn batches(facts: &WeekFacts, out: &mut Vec<Block>) {
    let site = &facts.site;
    out.push(Block::Heading("Batches and results".into()));
    if facts.batches.is_empty() {
        out.push(Block::Paragraph("No batch was on air in this week.".into()));
        return;
    }
    if facts.batches.iter().all(|batch| batch.results.is_empty()) {
        out.push(Block::Paragraph(
            "No criterion is chosen; `criteria:` in the settings names those that batches are held against.".into(),
        ));
    } else {
        out.push(result::lines(site, &facts.batches));
        out.push(result::criteria(facts.batches.iter().flat_map(|batch| &batch.results)));
    }
    for result in changed(facts) {
        out.extend(blocks(site, result, Detail::Brief));
    }
    out.push(Block::Subheading("Temperatures".into()));
    out.push(Block::Paragraph(words::READING_PICTURES.into()));
    for batch in &facts.batches {
        let (from, until) = batch.hot;
        let aerated = until.map_or_else(
            || format!("on air since {}, for {}", at(site, from), facts.to.since(from)),
            |until| format!("on air from {} to {} ({})", at(site, from), at(site, until), until.since(from)),
        );
        out.push(Block::Subheading(format!("Batch {} in bin {}: {aerated}", batch.batch, batch.bin)));
        out.push(Block::Figure {
            caption: words::caption(site, &batch.course),
            in_words: words::course(site, &batch.course),
            course: batch.course.clone(),
        });
    }
}

/// Results that this week changed.
fn changed(facts: &WeekFacts) -> impl Iterator<Item = &ResultFacts> {
    let all = facts.batches.iter().flat_map(|batch| &batch.results);
    all.filter(|result| result::changed(result, facts.from))
}

/// Batches that are met by temperature and still on air: what their release waits for. It asks nothing of anybody yet.
fn before_release(facts: &WeekFacts) -> Option<String> {
    let waiting: Vec<String> = facts
        .batches
        .iter()
        .filter_map(|batch| {
            let met: Vec<&str> = batch
                .results
                .iter()
                .map(|r| &r.judgement)
                .filter(|j| needs::waits_for_laboratory(j))
                .map(|j| j.criterion.as_str())
                .collect();
            (!met.is_empty()).then(|| format!("{} ({})", batch.bin, met.join(", ")))
        })
        .collect();
    (!waiting.is_empty())
        .then(|| format!("Met by temperature; release waits for laboratory results: {}.", waiting.join("; ")))
}

/// What the summary says in brief of the results that changed, with all of its arithmetic.
fn in_full(facts: &WeekFacts, out: &mut Vec<Block>) {
    let mut changed = changed(facts).peekable();
    if changed.peek().is_none() {
        return;
    }
    out.push(Block::Heading("Results that changed, in full".into()));
    for result in changed {
        out.extend(blocks(&facts.site, result, Detail::Full));
    }
}

fn deviations(facts: &WeekFacts, out: &mut Vec<Block>) {
    out.push(Block::Heading("Alarms and what was done".into()));
    let (notices, alarms): (Vec<&Deviation>, Vec<&Deviation>) =
        facts.deviations.iter().partition(|d| d.priority == Priority::SummaryOnly);
    out.push(match alarms.is_empty() {
        true => Block::Paragraph("No alarm was raised, and none was active.".into()),
        false => Block::Table(words::deviations(&facts.site, &alarms)),
    });
    if !notices.is_empty() {
        out.push(Block::Subheading("Notices that ask nothing of anybody".into()));
        out.push(Block::List(words::notices(&facts.site, &notices)));
    }
}

fn materials(facts: &WeekFacts, out: &mut Vec<Block>) {
    let site = &facts.site;
    out.push(Block::Heading("Material, water and air".into()));
    let mut none = Vec::new();
    let (taken, rejected): (Vec<_>, Vec<_>) = facts.loads.iter().partition(|load| load.rejected.is_none());
    for (title, list) in [("Feedstock received", taken), ("Loads rejected", rejected)] {
        if list.is_empty() {
            none.push(title);
            continue;
        }
        let all = words::sum(site, list.iter().map(|load| &load.amount));
        out.push(Block::Subheading(format!(
            "{title}: {all} in {}",
            figures::count(list.len() as u64, "load", "loads")
        )));
        out.push(Block::Table(words::loads(site, &list)));
    }
    if facts.moves.is_empty() {
        none.push("Changes of stage");
    } else {
        out.push(Block::Subheading("Changes of stage".into()));
        let lines = facts.moves.iter().map(|m| format!("{}: batch {} {}", at(site, m.at), m.batch, m.what));
        out.push(Block::List(lines.collect()));
    }
    if facts.shipments.is_empty() {
        none.push("Compost shipped");
    } else {
        let all = words::sum(site, facts.shipments.iter().map(|s| &s.amount));
        out.push(Block::Subheading(format!("Compost shipped: {all}")));
        out.push(Block::Table(words::shipments(site, &facts.shipments)));
    }
    if facts.complaints.is_empty() {
        none.push("Complaints");
    } else {
        out.push(Block::Subheading("Complaints and the response".into()));
        out.push(Block::List(facts.complaints.iter().map(|c| complaint(site, c)).collect()));
    }
    if facts.water.iter().all(|water| water.waterings == 0) {
        none.push("Water added");
    }
    if !none.is_empty() {
        out.push(Block::Paragraph(format!("None on record: {}.", none.join(", ").to_lowercase())));
    }
    water_and_air(facts, out);
}

fn complaint(site: &SiteFacts, c: &ComplaintFacts) -> String {
    let after: Vec<String> = c
        .after
        .iter()
        .map(|e| {
            let note = if e.note.is_empty() { String::new() } else { format!(" ({})", e.note) };
            format!("{} {}{note}, {}", at(site, e.at), e.words, e.by)
        })
        .collect();
    let response = match after.is_empty() {
        true => "none is on record".to_owned(),
        false => format!("written about that bin since, {}", after.join("; ")),
    };
    format!("{}, bin {}, told to {}: {}. Response: {response}.", at(site, c.at), c.bin, c.by, c.words)
}

fn water_and_air(facts: &WeekFacts, out: &mut Vec<Block>) {
    let site = &facts.site;
    let all: f64 = facts.water.iter().map(|w| w.litres.0).sum();
    let waterings: u32 = facts.water.iter().map(|w| w.waterings).sum();
    if waterings > 0 {
        let all = words::water(site, pile::units::Litres(all));
        out.push(Block::Subheading(format!(
            "Water added: {all} in {}",
            figures::count(u64::from(waterings), "watering", "waterings")
        )));
        let lines = facts.water.iter().map(|w| {
            let unknown = match w.unknown {
                0 => String::new(),
                n => format!("; of {} no amount is known", figures::count(u64::from(n), "watering", "waterings")),
            };
            let waterings = figures::count(u64::from(w.waterings), "watering", "waterings");
            format!("bin {}: {} in {waterings}{unknown}", w.bin, words::water(site, w.litres))
        });
        out.push(Block::List(lines.collect()));
    }
    if facts.blowers.is_empty() {
        return;
    }
    out.push(Block::Subheading("Blower hours".into()));
    let whole = facts.to.since(facts.from);
    let lines = facts.blowers.iter().map(|b| match b.known {
        _ if !monitored(facts) => format!("blower {}: not monitored", b.blower),
        Ran::Proven { heard, .. } if heard <= Span::ZERO => format!("blower {}: not monitored", b.blower),
        Ran::Proven { ran, heard } => format!(
            "blower {}: ran {} by its signal, which came for {} of {}",
            b.blower,
            figures::hours(ran),
            figures::hours(heard),
            figures::hours(whole)
        ),
        Ran::Scheduled(span) => {
            format!("blower {}: {} by its schedule; nothing proves that it ran", b.blower, figures::hours(span))
        }
    });
    out.push(Block::List(lines.collect()));
}

fn entries(facts: &WeekFacts, out: &mut Vec<Block>) {
    out.push(Block::Heading("The log".into()));
    out.push(match facts.entries.is_empty() {
        true => Block::Paragraph("Nothing was written in it.".into()),
        false => Block::Table(words::entries(&facts.site, &facts.entries)),
    });
}

fn probes(facts: &WeekFacts, out: &mut Vec<Block>) {
    let site = &facts.site;
    out.push(Block::Heading("Probes: coverage, gaps and checks".into()));
    if facts.probes.is_empty() {
        out.push(Block::Paragraph("The site has no probes.".into()));
        return;
    }
    out.push(Block::Table(probe_table(site, &facts.probes)));
    out.push(Block::Paragraph(format!(
        "A silence of more than {} is a gap; a gap is taken neither for heat nor for cold. Shares are cut off, not rounded.",
        engine::limits::GAP_BRIDGED
    )));
}

/// What each probe was good for.
pub(super) fn probe_table(site: &SiteFacts, probes: &[super::facts::ProbeFacts]) -> Table {
    let rows = probes.iter().map(|p| {
        let mut remarks = Vec::new();
        let gaps: Vec<String> = p
            .gaps
            .iter()
            .take(GAPS_LISTED)
            .map(|(from, to)| format!("{} to {} ({})", at(site, *from), at(site, *to), to.since(*from)))
            .collect();
        if !gaps.is_empty() {
            let more = match p.gaps.len().saturating_sub(GAPS_LISTED) {
                0 => String::new(),
                n => format!("; and {n} more"),
            };
            remarks.push(format!("Not heard: {}{more}.", gaps.join("; ")));
        }
        remarks.push(match &p.check {
            Some(check) => {
                let due = check.due.map_or_else(
                    || "no date is set for the next".to_owned(),
                    |due| format!("the next is due {}", words::reached(&site.zone, due)),
                );
                format!("Checked {}; {due}.", words::check(site, check))
            }
            None => "No check is on record.".to_owned(),
        });
        Row {
            cells: vec![
                p.probe.to_string(),
                p.bin.as_ref().map_or_else(|| "site".to_owned(), ToString::to_string),
                p.position.key().to_owned(),
                share(p.coverage),
                p.readings.to_string(),
                p.set_aside.to_string(),
            ],
            remarks,
        }
    });
    Table { heads: heads(["Probe", "Bin", "Position", "Coverage", "Readings", "Excluded"]), rows: rows.collect() }
}

fn alarms(facts: &WeekFacts, out: &mut Vec<Block>) {
    out.push(Block::Heading("Alarm statistics".into()));
    out.push(Block::List(alarm_lines(&facts.alarms)));
}

fn record(facts: &WeekFacts, out: &mut Vec<Block>) {
    let site = &facts.site;
    out.push(Block::Heading("Special occurrences and the record".into()));
    let mut lines: Vec<String> = facts.occurrences.iter().map(|o| words::occurrence(site, o)).collect();
    if lines.is_empty() {
        lines.push("No time without watch, no step of the clock, no change of settings or rules.".into());
    }
    lines.push(match facts.refused {
        0 => "No message was rejected.".to_owned(),
        n => format!("{} rejected; `hypocaust refused` lists them.", figures::count(n, "message was", "messages were")),
    });
    lines.push(match facts.mails_given_up {
        0 => "No mail was undeliverable.".to_owned(),
        n => format!("{} undeliverable.", figures::count(n, "mail was", "mails were")),
    });
    out.push(Block::List(lines));
    checkpoint(facts.checkpoint.as_ref(), out);
}

/// The signed checkpoint, and what it is for.
pub(super) fn checkpoint(checkpoint: Option<&super::facts::CheckpointFacts>, out: &mut Vec<Block>) {
    let Some(checkpoint) = checkpoint else {
        out.push(Block::Paragraph("There is no record of which a checkpoint could be given.".into()));
        return;
    };
    out.push(Block::Subheading("Checkpoint of the record".into()));
    out.push(Block::Paragraph(
        "Keep this text; the file checkpoint.txt that comes with this document has the same bytes. It binds every row that was on record when this was made: with a later bundle, `hypocaust verify BUNDLE \
         --previous FILE` shows whether anything before it was rewritten. It proves that nothing was changed since, not that a reading was \
         true when it arrived."
            .into(),
    ));
    out.push(Block::Verbatim(checkpoint.note.clone()));
    out.push(Block::Paragraph(format!("Signed with the key {}", checkpoint.key)));
}

fn foot(facts: &WeekFacts, parts: Parts<'_>, out: &mut Vec<Block>) {
    out.push(Block::Heading("What this summary does not show".into()));
    let mut lines = vec![
        "It states what was measured and what was written down. It does not say that anything complies: your permit, its edition and \
         the people who apply it decide."
            .to_owned(),
        "It cannot show that a probe measured right, or that it was where the log says; checks and placements are those on record."
            .to_owned(),
        "Material between the probes may have been colder or hotter than they.".to_owned(),
        "What was not written in the log is not in it.".to_owned(),
    ];
    let silent: Vec<&str> = facts.probes.iter().filter(|p| p.readings == 0).map(|p| p.probe.as_str()).collect();
    if !silent.is_empty() {
        lines.push(format!("Of these probes there is no reading in this time: {}.", silent.join(", ")));
    }
    lines.extend(facts.site.readings_from.clone());
    match parts {
        Parts::Main => lines.push(
            "Results that changed in full, the log, each probe's coverage, alarm statistics and the record are in the annex: ask the site for it.".to_owned(),
        ),
        Parts::Chosen(_) => lines.push("This reader chose some sections; the site keeps the whole summary.".to_owned()),
        Parts::Annex => lines.push("The batches, and what needs somebody, are in the summary of the week.".to_owned()),
    }
    out.push(Block::List(lines));
    out.push(Block::Caution(
        "Hot material, steam and gas can injure, and blowers start by themselves. Local codes, your permit and licensed practice decide."
            .into(),
    ));
    if facts.to.since(facts.from) > Span::ZERO {
        out.push(Block::Paragraph(format!(
            "The summary covers the time up to {} before it is due, so that readings on their way are in. Times: {}. Temperatures are in {}; temperatures and hours are cut off, not rounded. Hours at or above {} in days.csv are counted without bridging gaps.",
            super::facts::SETTLED,
            offsets::named(&facts.site.zone, facts.from, facts.to),
            figures::temperature_sign(facts.site.display),
            words::limit_words(&facts.site, super::facts::DAY_THRESHOLD)
        )));
    }
}
