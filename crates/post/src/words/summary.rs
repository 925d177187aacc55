//! Words for the weekly summary.
//!
//! Must never claim that anything complies, and never take a gap for heat or for cold.

use engine::notice::{AlarmFigures, BinWeek, SummaryNotice};
use pile::time::Span;
use site::model::{Outside, Site};

use crate::figures::{self, CANNOT_TELL};
use crate::letter::{Block, Letter, Row, Table, clean};

use super::zone_line;

/// Less coverage than this is put before the reader: common practice, no source.
const COVERAGE_LOW: f64 = 0.9;

/// A newest core reading older than this at the end of the week is put before the reader: common practice, no source.
const NEWEST_OLD: Span = Span::hours(24);

/// So many needs are named in the first line.
const NEEDS_IN_FIRST_LINE: usize = 6;

/// A site of up to so many bins is told the newest core reading of each; a larger one has to fit into one mail.
const BINS_TOLD_IN_FULL: usize = 60;

pub(super) fn write(notice: &SummaryNotice, site: &Site) -> Letter {
    let needs: Vec<Need> =
        notice.bins.iter().filter_map(|bin| bin_needs(bin, notice, site)).chain(site_needs(notice)).collect();
    let week = format!("{}-W{:02}", notice.week.year, notice.week.week);
    let threshold = figures::temperature(notice.threshold_celsius, site.display);
    let lead = match needs.len() as u64 {
        0 => "Nothing needs you this week.".to_owned(),
        n => format!("{} you this week: {}.", figures::count(n, "thing needs", "things need"), briefly(&needs)),
    };
    let mut blocks = vec![Block::Lead(format!("{}, week {week}: {lead}", site.name))];
    if !needs.is_empty() {
        blocks.push(Block::Lines("To do", needs.iter().map(|need| need.sentence.clone()).collect()));
    }
    if !notice.copies_wait_for.is_empty() {
        blocks.push(Block::Section("Copies", copies(notice, site)));
    }
    blocks.push(table(notice, site, &threshold));
    blocks.push(Block::Lines("Alarms of this week", alarms(&notice.alarms)));
    blocks.push(Block::Lines("The record of this week", record(notice, site)));
    blocks.push(Block::Section(
        "How figures are counted",
        format!(
            "Time at or above {threshold} and the longest run count from on-air, by the coldest core probe. Coverage is that of the \
             core probe with the most gaps. A silence of more than {} is a gap, which counts neither as hot nor as cold. Hours and \
             percentages are rounded down. Where too little is measured the mail says “{CANNOT_TELL}”. Ages and active alarms are \
             those of {}.",
            notice.max_gap,
            figures::when(&site.zone, notice.to)
        ),
    ));
    blocks.push(Block::Section(
        "Scope",
        "The summary states what was measured. It does not claim compliance: your permit and local codes decide."
            .into(),
    ));
    blocks.push(Block::Paragraph(format!(
        "Covers {} to {}. {}",
        figures::when(&site.zone, notice.from),
        figures::when(&site.zone, notice.to),
        zone_line(site, notice.to)
    )));
    let subject = match needs.len() as u64 {
        0 => format!("{}: nothing needs you, week {week}", clean(&site.id)),
        n => format!("{}: {} you, week {week}", clean(&site.id), figures::count(n, "thing needs", "things need")),
    };
    Letter { subject, blocks }
}

/// Who gets copies, and what it takes.
fn copies(notice: &SummaryNotice, site: &Site) -> String {
    let then = match site.reports.outside {
        Outside::AfterReview => "Until then they get no copy.".to_owned(),
        Outside::ByThen(then) => {
            let at = site.zone.next_weekly(notice.to, then);
            format!("Without a review it goes out {}, marked as not reviewed.", figures::when(&site.zone, at))
        }
    };
    format!(
        "This is a draft for the site. {} a copy once somebody has reviewed and released it: hypocaust report reviewed --week {} --by NAME. {then}",
        match notice.copies_wait_for.as_slice() {
            [one] => format!("{one} gets"),
            all => format!("{} get", all.join(", ")),
        },
        notice.week
    )
}

/// One thing that needs the reader.
struct Need {
    /// In a word or two.
    what: String,
    /// In one line.
    sentence: String,
}

/// The first needs in a word each.
fn briefly(needs: &[Need]) -> String {
    let mut words: Vec<String> = needs.iter().take(NEEDS_IN_FIRST_LINE).map(|need| need.what.clone()).collect();
    if needs.len() > NEEDS_IN_FIRST_LINE {
        words.push(format!("{} more", needs.len() - NEEDS_IN_FIRST_LINE));
    }
    words.join(", ")
}

/// What of a bin needs the reader, in one line; `None` when nothing does.
fn bin_needs(bin: &BinWeek, notice: &SummaryNotice, site: &Site) -> Option<Need> {
    let mut needs = Vec::new();
    if !bin.standing.is_empty() {
        needs.push(format!("{} active", bin.standing.join(", ")));
    }
    if bin.batch.is_some() && !bin.off_air {
        match bin.newest_core {
            None => needs.push("no core reading at all".into()),
            Some((at, _)) if notice.to.since(at) > NEWEST_OLD => {
                needs.push(format!("no core reading since {}", figures::when(&site.zone, at)));
            }
            Some(_) => match bin.coverage {
                None => needs.push("its coverage is not known".into()),
                Some(share) if !share.is_finite() || share < COVERAGE_LOW => {
                    needs.push(format!("coverage only {}: check its probes", figures::percent(share)));
                }
                Some(_) => {}
            },
        }
    }
    let sentence = format!("{}: {}", bin.bin, needs.join("; "));
    (!needs.is_empty()).then(|| Need { what: bin.bin.to_string(), sentence })
}

fn site_needs(notice: &SummaryNotice) -> Vec<Need> {
    let mut needs = Vec::new();
    if notice.mails_given_up > 0 {
        let sentence = format!(
            "{} undeliverable: check the mail settings and the addresses",
            figures::count(notice.mails_given_up, "mail", "mails"),
        );
        needs.push(Need { what: "undelivered mail".into(), sentence });
    }
    let long = notice.off.iter().map(|(from, to)| to.since(*from)).filter(|off| *off > notice.max_gap).max();
    if let Some(long) = long {
        let sentence = format!("hypocaust was off for {long} at one stretch: find out why");
        needs.push(Need { what: "not monitored".into(), sentence });
    }
    needs
}

fn table(notice: &SummaryNotice, site: &Site, threshold: &str) -> Block {
    let rows = notice.bins.iter().map(|bin| row(bin, site, threshold, notice.bins.len())).collect();
    let heads = ["Bin", "Batch", "Age", &format!("At or above {threshold}"), "Longest run", "Coverage"];
    Block::Table(Table { title: "Bins".into(), heads: heads.map(String::from).to_vec(), rows })
}

fn row(bin: &BinWeek, site: &Site, threshold: &str, bins: usize) -> Row {
    let mut remarks = Vec::new();
    let known = |span: Option<Span>| span.map_or_else(|| CANNOT_TELL.to_owned(), figures::hours);
    let (cells, sentences) = match &bin.batch {
        None => (["empty", "–", "–", "–", "–"].map(String::from).to_vec(), vec!["empty".to_owned()]),
        Some((batch, age)) => {
            let (above, run) = (known(bin.at_or_above), known(bin.longest_run));
            let measured = bin.coverage.map_or_else(|| CANNOT_TELL.to_owned(), figures::percent);
            let air = if bin.off_air { "aeration ended after" } else { "on air for" };
            let sentences = vec![
                format!("batch {batch}, {air} {age}"),
                format!("at or above {threshold} {above}"),
                format!("longest run {run}"),
                format!("coverage {measured}"),
            ];
            (vec![batch.to_string(), age.to_string(), above, run, measured], sentences)
        }
    };
    if bin.batch.is_some() && bin.off_air {
        remarks.push("Aeration has ended; the age is that at its end.".into());
    }
    if bin.batch.is_some() && bins <= BINS_TOLD_IN_FULL {
        remarks.push(match bin.newest_core {
            Some((at, celsius)) => {
                format!("Newest core {}, {}", figures::temperature(celsius, site.display), site.zone.show_short(at))
            }
            None => format!("Newest core: {CANNOT_TELL}"),
        });
    }
    if !bin.alarms.is_empty() {
        let alarms: Vec<String> =
            bin.alarms.iter().map(|(title, n)| format!("{title} {}", figures::times(*n))).collect();
        remarks.push(format!("Alarms of the week: {}", alarms.join(", ")));
    }
    if !bin.standing.is_empty() {
        remarks.push(format!("Active now: {}", bin.standing.join(", ")));
    }
    Row { head: bin.bin.to_string(), cells, sentences, remarks }
}

/// How the alarms of the week were: few enough to be answered, and answered in time?
pub(crate) fn alarms(alarms: &AlarmFigures) -> Vec<String> {
    let [low, medium, high] = alarms.raised;
    let all = low + medium + high;
    if all == 0 && alarms.standing.is_empty() && alarms.hidden.is_empty() {
        return vec!["None was raised.".into()];
    }
    let mut out = vec![format!(
        "{} raised: {high} high, {medium} medium, {low} low.",
        figures::count(u64::from(all), "alarm was", "alarms were")
    )];
    let named = |(title, n): &(String, u32)| format!("{title} {}", figures::times(*n));
    if !alarms.site_wide.is_empty() {
        out.push(format!("About the site and the daemon: {}.", each(&alarms.site_wide, named)));
    }
    let (in_time, asked) = alarms.in_time;
    if asked > 0 {
        let median = alarms
            .median_to_acknowledge
            .map_or_else(String::new, |span| format!("; half of the answers came within {span}"));
        out.push(format!("{in_time} of {asked} acknowledged within the time to respond{median}."));
    }
    if alarms.never_acknowledged > 0 {
        let ended = figures::count(u64::from(alarms.never_acknowledged), "alarm", "alarms");
        out.push(format!("{ended} cleared without anybody acknowledging."));
    }
    for (what, list) in [("Active for more than a day", &alarms.standing), ("Hidden by people", &alarms.hidden)] {
        if !list.is_empty() {
            out.push(format!("{what}: {}.", list.join("; ")));
        }
    }
    if !alarms.chattering.is_empty() {
        out.push(format!(
            "Raised too often: tune the limit or the delays of the rules. {}.",
            each(&alarms.chattering, named)
        ));
    }
    if !alarms.mails.is_empty() {
        let mails = |(name, all, night): &(String, u32, u32)| {
            format!("{name} {}, {night} at night", figures::count(u64::from(*all), "mail", "mails"))
        };
        out.push(format!("Mails about alarms: {}.", each(&alarms.mails, mails)));
    }
    out
}

fn each<T>(items: &[T], said: impl Fn(&T) -> String) -> String {
    items.iter().map(said).collect::<Vec<_>>().join("; ")
}

fn record(notice: &SummaryNotice, site: &Site) -> Vec<String> {
    let off = notice.off.iter().fold(Span::ZERO, |off, (from, to)| off + to.since(*from).max(Span::ZERO));
    let mut out = vec![match notice.off.len() as u64 {
        0 => "Monitored without a gap.".into(),
        n => format!("Not monitored {} ({} in all):", figures::times(n as u32), off),
    }];
    out.extend(notice.off.iter().map(|(from, to)| {
        format!(
            "not monitored {} to {} ({})",
            figures::when(&site.zone, *from),
            figures::when(&site.zone, *to),
            to.since(*from)
        )
    }));
    out.push(match notice.refused {
        0 => "No message was rejected.".into(),
        n => format!(
            "{} rejected; `hypocaust refused` lists them with the reason.",
            figures::count(n, "message was", "messages were")
        ),
    });
    out.push(match notice.mails_given_up {
        0 => "No mail was undeliverable.".into(),
        n => format!("{} undeliverable.", figures::count(n, "mail was", "mails were")),
    });
    out
}
