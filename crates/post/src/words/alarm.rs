//! Words for one step in an alarm's life.
//!
//! Must never say more than was measured, and never put the reasons before what to do.

use engine::alarm::Subject;
use engine::notice::{AlarmNotice, Chart, Step};
use rulebook::causes::CAUSE_LINE;
use rulebook::header::Priority;
use site::model::Site;

use crate::figures;
use crate::letter::{Block, Letter, clean};

use super::zone_line;

/// How many characters of a rule's hash tell it from its earlier revisions.
const REVISION_SHOWN: usize = 12;

/// A name longer than this is not offered as part of a command.
const NAME_LONGEST: usize = 60;

pub(super) fn write(notice: &AlarmNotice, to: &str, site: &Site) -> Letter {
    let mut blocks = match notice.step {
        Step::Raise => raised(notice, to, site),
        Step::Update => updated(notice, to, site),
        Step::Reminder => reminded(notice, to, site),
        Step::Clear => cleared(notice, to, site),
        Step::Retire => retired(notice, to, site),
    };
    if let Some(chart) = &notice.chart {
        blocks.push(Block::Picture { title: picture_title(chart), in_words: chart_in_words(chart, site) });
    }
    blocks.push(facts(notice, site));
    blocks.push(Block::Paragraph(zone_line(site, notice.at)));
    let reply = if notice.number == 0 { "" } else { "Re: " };
    Letter { subject: format!("{reply}{}", clean(&notice.thread_subject)), blocks }
}

fn raised(notice: &AlarmNotice, to: &str, site: &Site) -> Vec<Block> {
    let zone = &site.zone;
    let mut blocks = vec![
        Block::Lead(format!(
            "{}: {} since {}: {}",
            about(notice, site),
            notice.title,
            figures::when(zone, notice.onset),
            sentence(&notice.finding)
        )),
        Block::Paragraph(urgency(notice.priority).into()),
    ];
    blocks.extend(to_do(notice));
    let until = notice.raised_at + notice.time_to_respond;
    let how_long = format!("You have about {}, until {}.", notice.time_to_respond, figures::when(zone, until));
    let ignored = match notice.consequence.trim() {
        "" => how_long,
        consequence => format!("{} {how_long}", sentence(consequence)),
    };
    blocks.push(Block::Section("If nobody acts", ignored));
    let (causes, grounds) = causes_and_grounds(notice);
    blocks.extend(causes);
    let mut grounds = or_one(&grounds, "The rule gave no grounds.");
    if !notice.cause.trim().is_empty() {
        grounds.push(format!("Usual cause: {}", notice.cause.trim()));
    }
    blocks.push(Block::Lines("Why hypocaust thinks so", grounds));
    blocks.push(acknowledge(notice, to, site));
    blocks
}

fn to_do(notice: &AlarmNotice) -> Vec<Block> {
    let mut steps = or_one(&notice.response, "The rule names no response: go and look.");
    // What a likely cause asks for comes before what the rule asks for whatever the cause. Where causes cannot be told apart, the rule's own
    // first look is what tells them apart.
    let of_first =
        |what: &str| notice.evidence.iter().find_map(|line| line.strip_prefix(CAUSE_LINE)?.strip_prefix(what));
    let likely = of_first("1: ").is_some_and(|line| line.split('.').next().is_some_and(|l| l.ends_with(", likely")));
    if let Some(action) = of_first("1, do: ").filter(|_| likely) {
        steps.insert(0, format!("For the likely cause: {action}"));
    }
    let mut blocks = vec![Block::Steps("Do now", steps)];
    if !notice.caution.trim().is_empty() {
        blocks.push(Block::Caution(notice.caution.clone()));
    }
    blocks
}

/// Ranked causes under a heading that says what they are, and the other grounds.
fn causes_and_grounds(notice: &AlarmNotice) -> (Option<Block>, Vec<String>) {
    let (causes, grounds): (Vec<&String>, Vec<&String>) =
        notice.evidence.iter().partition(|line| line.starts_with(CAUSE_LINE));
    let causes = causes.into_iter().filter_map(|line| line.strip_prefix(CAUSE_LINE)).map(str::to_owned).collect();
    (listed("Causes, the likeliest first", causes), grounds.into_iter().cloned().collect())
}

fn grounds(notice: &AlarmNotice) -> Vec<Block> {
    let (causes, grounds) = causes_and_grounds(notice);
    causes.into_iter().chain(listed("Why hypocaust thinks so", grounds)).collect()
}

fn listed(title: &'static str, lines: Vec<String>) -> Option<Block> {
    (!lines.is_empty()).then_some(Block::Lines(title, lines))
}

/// Something about it changed: what, and whether that leaves anything to do.
fn updated(notice: &AlarmNotice, to: &str, site: &Site) -> Vec<Block> {
    let mut blocks = vec![
        Block::Lead(format!("{}: {}: {}", about(notice, site), notice.title, sentence(&notice.finding))),
        what_it_was(notice, site),
    ];
    if notice.stands {
        blocks.insert(1, Block::Paragraph(urgency(notice.priority).into()));
        blocks.extend(to_do(notice));
    }
    blocks.extend(grounds(notice));
    blocks.push(Block::Section("Acknowledged", acknowledged(notice, site)));
    if notice.stands && notice.acknowledged.is_none() {
        blocks.push(acknowledge(notice, to, site));
    }
    blocks
}

/// Nobody has acknowledged it in time: what was to be done, once more, and to more people.
fn reminded(notice: &AlarmNotice, to: &str, site: &Site) -> Vec<Block> {
    let zone = &site.zone;
    let late = notice.at.since(notice.raised_at);
    let mut blocks = vec![
        Block::Lead(format!(
            "{}: {}: nobody has acknowledged it for {late}. {}",
            about(notice, site),
            notice.title,
            sentence(&notice.finding)
        )),
        Block::Paragraph(format!(
            "{} It was raised {} and asked for somebody within {}. This mail goes to everybody whose alarm it is, and to those who \
             step in. Call each other: one of you has to go.",
            urgency(notice.priority),
            figures::when(zone, notice.raised_at),
            notice.time_to_respond
        )),
    ];
    blocks.extend(to_do(notice));
    if !notice.consequence.trim().is_empty() {
        blocks.push(Block::Section("If nobody acts", sentence(&notice.consequence)));
    }
    blocks.extend(grounds(notice));
    blocks.push(acknowledge(notice, to, site));
    blocks
}

fn cleared(notice: &AlarmNotice, to: &str, site: &Site) -> Vec<Block> {
    let zone = &site.zone;
    let ended = notice.cleared_at.unwrap_or(notice.at);
    let mut blocks = vec![
        Block::Lead(format!(
            "{}: {} ended {} after {}.",
            about(notice, site),
            notice.title,
            figures::when(zone, ended),
            ended.since(notice.onset)
        )),
        what_it_was(notice, site),
        Block::Section("Acknowledged", acknowledged(notice, site)),
    ];
    let cause = match notice.cause.trim() {
        "" => String::new(),
        cause => format!(" Usual cause: {}", sentence(cause)),
    };
    blocks.push(Block::Section(
        "What to watch",
        format!(
            "The readings show that it ended, not that its cause is gone.{cause} If it comes back, a new mail says so."
        ),
    ));
    if !notice.caution.trim().is_empty() {
        blocks.push(Block::Caution(notice.caution.clone()));
    }
    blocks.extend(grounds(notice));
    if notice.acknowledged.is_none() {
        blocks.push(acknowledge(notice, to, site));
    }
    blocks
}

/// The finding of the raise lives on in the frozen subject; the notice's own finding is that of the end.
fn what_it_was(notice: &AlarmNotice, site: &Site) -> Block {
    let subject = notice.thread_subject.trim();
    let raise = subject.split_once("] ").filter(|_| subject.starts_with('[')).map_or(subject, |(_, raise)| raise);
    let since = format!("Since {}: {}", figures::when(&site.zone, notice.onset), sentence(raise));
    Block::Section(
        "What it was",
        match notice.finding.trim() {
            now if !now.is_empty() && matches!(notice.step, Step::Clear | Step::Retire) => {
                format!("{since} At the end: {}", sentence(now))
            }
            _ => since,
        },
    )
}

fn retired(notice: &AlarmNotice, to: &str, site: &Site) -> Vec<Block> {
    let zone = &site.zone;
    let mut blocks = vec![
        Block::Lead(format!(
            "{}: {} is no longer watched since {}: its rule was removed.",
            about(notice, site),
            notice.title,
            figures::when(zone, notice.at)
        )),
        Block::Paragraph(
            "The alarm stood when its rule was removed. Nothing has shown that the condition ended: look for yourself."
                .into(),
        ),
        what_it_was(notice, site),
        Block::Section("Acknowledged", acknowledged(notice, site)),
    ];
    if !notice.response.is_empty() {
        blocks.push(Block::Steps("What the rule asked for", notice.response.clone()));
    }
    if !notice.caution.trim().is_empty() {
        blocks.push(Block::Caution(notice.caution.clone()));
    }
    if notice.acknowledged.is_none() {
        blocks.push(acknowledge(notice, to, site));
    }
    blocks
}

fn about(notice: &AlarmNotice, site: &Site) -> String {
    match &notice.subject {
        Subject::Site => site.name.clone(),
        Subject::Bin(bin) => bin.to_string(),
        Subject::Rule(rule) => format!("rule {rule}"),
        Subject::Person(name) => format!("mail to {name}"),
    }
}

fn urgency(priority: Priority) -> &'static str {
    match priority {
        Priority::High => "Urgency high: act now, at any hour.",
        Priority::Medium => "Urgency medium: today, within the time given below.",
        Priority::Low => "Urgency low: it can wait for working hours.",
        Priority::SummaryOnly => "Urgency: for the weekly summary only.",
    }
}

/// Ends a text with a full stop, unless it ends itself.
fn sentence(text: &str) -> String {
    let text = text.trim();
    if text.is_empty() || text.ends_with(['.', '!', '?', ':', '…']) { text.into() } else { format!("{text}.") }
}

fn or_one(items: &[String], otherwise: &str) -> Vec<String> {
    if items.is_empty() { vec![otherwise.into()] } else { items.to_vec() }
}

fn acknowledged(notice: &AlarmNotice, site: &Site) -> String {
    match &notice.acknowledged {
        None => "Nobody acknowledged it.".into(),
        Some(by) => {
            let words = match by.comment.trim() {
                "" => String::new(),
                comment => format!(" In their words: “{comment}”"),
            };
            format!("{} acknowledged it {}.{words}", by.by, figures::when(&site.zone, by.at))
        }
    }
}

fn acknowledge(notice: &AlarmNotice, to: &str, site: &Site) -> Block {
    let name = site
        .people
        .iter()
        .find(|person| person.mail == to)
        .map(|person| clean(&person.name))
        .filter(|name| !name.is_empty() && name.chars().count() <= NAME_LONGEST);
    Block::Command {
        title: "To acknowledge",
        before: "On the machine that runs hypocaust:".into(),
        command: format!(
            "hypocaust alarms acknowledge {} --by {}",
            notice.alarm.0,
            name.map_or_else(|| "NAME".into(), |name| quoted(&name))
        ),
        after: match notice.step {
            Step::Raise | Step::Update | Step::Reminder => {
                "This tells the others that you have it in hand. It neither ends the alarm nor stops the watching."
            }
            Step::Clear | Step::Retire => "Until somebody does, it stays on the list of open alarms.",
        }
        .into(),
    }
}

/// A name as a shell takes it.
fn quoted(name: &str) -> String {
    let plain = !name.starts_with('-') && name.chars().all(|c| c.is_alphanumeric() || "-_.@".contains(c));
    if plain { name.into() } else { format!("'{}'", name.replace('\'', r"'\''")) }
}

fn picture_title(chart: &Chart) -> &'static str {
    if chart.to.since(chart.from).as_hours() > 36.0 { "The last days" } else { "The last day" }
}

/// Says what the picture shows, for those who cannot see it.
fn chart_in_words(chart: &Chart, site: &Site) -> Vec<String> {
    let degrees = |celsius: f32| figures::degrees(f64::from(celsius), site.display);
    let sign = figures::temperature_sign(site.display);
    let mut out = Vec::new();
    for line in &chart.lines {
        let points = || line.points.iter().filter(|(at, v)| v.is_finite() && *at >= chart.from && *at <= chart.to);
        let values = || points().map(|point| point.1);
        out.push(match (values().min_by(f32::total_cmp), values().max_by(f32::total_cmp), points().next_back()) {
            (Some(low), Some(high), Some((at, newest))) => {
                let (low, high, newest) = (degrees(low), degrees(high), degrees(*newest));
                let end = if chart.to.since(*at) > line.max_gap {
                    format!("{newest} {sign} at {}, nothing since", site.zone.show_short(*at))
                } else {
                    format!("{newest} {sign} at the end")
                };
                format!("{}: {end}; between {low} and {high} {sign}", line.label)
            }
            _ => format!("{}: no readings", line.label),
        });
    }
    for limit in &chart.limits {
        out.push(format!("limit: {} {sign}", degrees(*limit)));
    }
    if let Some(blower) = &chart.blower {
        let shares: Vec<f64> = blower.hours.iter().map(|(_, s)| f64::from(*s)).filter(|s| s.is_finite()).collect();
        let mean = shares.iter().sum::<f64>() / shares.len().max(1) as f64;
        let still = shares.iter().filter(|s| **s < 0.05).count() as u64;
        let still = match still {
            0 => String::new(),
            n => format!("; in {} it hardly ran", figures::count(n, "hour", "hours")),
        };
        out.push(format!("{}: ran {} of its schedule{still}", blower.label, figures::percent(mean)));
    }
    for (at, mark) in &chart.marks {
        out.push(format!("{}: {mark}", site.zone.show_short(*at)));
    }
    if out.is_empty() {
        out.push("no readings".into());
    }
    out
}

fn facts(notice: &AlarmNotice, site: &Site) -> Block {
    let zone = &site.zone;
    let mut rows = Vec::new();
    let mut row = |name: &str, value: String| rows.push((name.to_owned(), value));
    row("Alarm", format!("{}, occurrence {}", notice.alarm.0, notice.occurrence));
    let revision: String = notice.revision.chars().take(REVISION_SHOWN).collect();
    row("Rule", format!("{}, revision {revision}", notice.rule));
    row("Began", figures::exactly(zone, notice.onset));
    row("Raised", figures::exactly(zone, notice.raised_at));
    if let Some(at) = notice.cleared_at {
        row("Ended", figures::exactly(zone, at));
    }
    rows.extend(notice.figures.iter().cloned());
    Block::Facts("Facts", rows)
}
