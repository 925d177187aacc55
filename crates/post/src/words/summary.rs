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
        blocks.push(Block::Lines("What needs you", needs.iter().map(|need| need.sentence.clone()).collect()));
    }
    if !notice.copies_wait_for.is_empty() {
        blocks.push(Block::Section("Copies", copies(notice, site)));
    }
    blocks.push(table(notice, site, &threshold));
    blocks.push(Block::Lines("Alarms of this week", alarms(&notice.alarms)));
    blocks.push(Block::Lines("The record of this week", record(notice, site)));
    blocks.push(Block::Section(
        "How to read the figures",
        format!(
            "Time at or above {threshold} and the longest run at it are counted since the air of the batch was switched on, from the \
             coldest core probe; the share measured is that of the core probe with the most gaps. A silence of more than {} is a \
             gap, and a gap is counted neither as hot nor as cold. Hours and shares are cut off, not rounded. Where too little is \
             known it says “{CANNOT_TELL}”. Ages and standing alarms are those of {}.",
            notice.max_gap,
            figures::when(&site.zone, notice.to)
        ),
    ));
    blocks.push(Block::Section(
        "What this mail does not say",
        "It states what was measured. It does not claim that a batch complies with anything: your permit and local codes decide \
         that, and the people who apply them."
            .into(),
    ));
    blocks.push(Block::Paragraph(format!(
        "Covers {} to {}. {}",
        figures::when(&site.zone, notice.from),
        figures::when(&site.zone, notice.to),
        zone_line(site, notice.to)
    )));
    let subject = match needs.len() as u64 {
        0 => format!("[{}] week {week}: nothing needs you", clean(&site.id)),
        n => format!("[{}] week {week}: {} you", clean(&site.id), figures::count(n, "thing needs", "things need")),
    };
    Letter { subject, blocks }
}

/// Who gets copies, and what it takes.
fn copies(notice: &SummaryNotice, site: &Site) -> String {
    let then = match site.reports.outside {
        Outside::AfterReview => "Until then they get none.".to_owned(),
        Outside::ByThen(then) => {
            let at = site.zone.next_weekly(notice.to, then);
            format!("Without that it goes out {}, marked as not reviewed.", figures::when(&site.zone, at))
        }
    };
    format!(
        "This is a draft for the site. {} it once somebody has read it and lets it go: hypocaust report reviewed --week {} --by NAME. {then}",
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
        needs.push(format!(
            "{} still {}",
            bin.standing.join(", "),
            if bin.standing.len() == 1 { "stands" } else { "stand" }
        ));
    }
    if bin.batch.is_some() && !bin.off_air {
        match bin.newest_core {
            None => needs.push("no core reading at all".into()),
            Some((at, _)) if notice.to.since(at) > NEWEST_OLD => {
                needs.push(format!("no core reading since {}", figures::when(&site.zone, at)));
            }
            Some(_) => match bin.coverage {
                None => needs.push("its share of time measured is not known".into()),
                Some(share) if !share.is_finite() || share < COVERAGE_LOW => {
                    needs.push(format!("only {} of its time was measured; see to its probes", figures::percent(share)));
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
            "{} could not be delivered and {} given up: check the mail settings and the addresses",
            figures::count(notice.mails_given_up, "mail", "mails"),
            if notice.mails_given_up == 1 { "was" } else { "were" }
        );
        needs.push(Need { what: "undelivered mail".into(), sentence });
    }
    let long = notice.off.iter().map(|(from, to)| to.since(*from)).filter(|off| *off > notice.max_gap).max();
    if let Some(long) = long {
        let sentence = format!("hypocaust was off for {long} at one stretch: find out why");
        needs.push(Need { what: "time without watch".into(), sentence });
    }
    needs
}

fn table(notice: &SummaryNotice, site: &Site, threshold: &str) -> Block {
    let rows = notice.bins.iter().map(|bin| row(bin, site, threshold, notice.bins.len())).collect();
    let heads = ["Bin", "Batch", "Age", &format!("At or above {threshold}"), "Longest run", "Measured"];
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
            let air = if bin.off_air { "air off after" } else { "on air for" };
            let sentences = vec![
                format!("batch {batch}, {air} {age}"),
                format!("at or above {threshold} {above}"),
                format!("longest run {run}"),
                format!("measured {measured}"),
            ];
            (vec![batch.to_string(), age.to_string(), above, run, measured], sentences)
        }
    };
    if bin.batch.is_some() && bin.off_air {
        remarks.push("Air is off; its age is that at the end of its air.".into());
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
        remarks.push(format!("Standing now: {}", bin.standing.join(", ")));
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
        out.push(format!("{ended} ended without anybody acknowledging."));
    }
    for (what, list) in [("Standing for more than a day", &alarms.standing), ("Hidden by people", &alarms.hidden)] {
        if !list.is_empty() {
            out.push(format!("{what}: {}.", list.join("; ")));
        }
    }
    if !alarms.chattering.is_empty() {
        out.push(format!(
            "Came back too often, so tune the limit or the delays of their rules: {}.",
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
        0 => "hypocaust ran without a gap.".into(),
        n => format!("hypocaust was off {} ({} in all):", figures::times(n as u32), off),
    }];
    out.extend(notice.off.iter().map(|(from, to)| {
        format!("off {} to {} ({})", figures::when(&site.zone, *from), figures::when(&site.zone, *to), to.since(*from))
    }));
    out.push(match notice.refused {
        0 => "No payload was refused.".into(),
        n => format!(
            "{} refused; the ledger keeps each with its reason.",
            figures::count(n, "payload was", "payloads were")
        ),
    });
    out.push(match notice.mails_given_up {
        0 => "No mail was given up.".into(),
        n => format!("{} given up.", figures::count(n, "mail was", "mails were")),
    });
    out
}
