//! Words for one step in an alarm's life.
//!
//! Must never say more than was measured, and never put the reasons before what to do.

use engine::alarm::{Closing, Subject};
use engine::notice::{AlarmNotice, Chart, Step};
use pile::time::{Span, Timestamp};
use rulebook::causes::CAUSE_LINE;
use rulebook::header::Priority;
use site::entry::Stage;
use site::model::Site;

use crate::figures;
use crate::letter::{Block, Letter, clean};

use super::{LATE, lower_first, zone_line};

/// How many characters of a rule's hash tell it from its earlier revisions.
const REVISION_SHOWN: usize = 12;

/// So many grounds are shown in a mail that asks for something; `hypocaust why` has them all.
const EVIDENCE_LINES: usize = 6;

/// And so many in one that says it has cleared.
const EVIDENCE_AT_END: usize = 3;

/// How the sentence begins that ends every caution.
const WHO_DECIDES: &str = "Local codes, your permit";

/// A name longer than this is not offered as part of a command.
const NAME_LONGEST: usize = 60;

pub(super) fn write(notice: &AlarmNotice, to: &str, site: &Site, tried_at: Timestamp) -> Letter {
    let mut blocks = match notice.step {
        Step::Raise => raised(notice, to, site, tried_at),
        Step::Update => updated(notice, to, site, tried_at),
        Step::Reminder => reminded(notice, to, site, tried_at),
        Step::Clear => cleared(notice, to, site),
        Step::Retire => retired(notice, to, site),
    };
    if let Some(chart) = &notice.chart {
        blocks.push(Block::Picture { title: picture_title(chart), in_words: chart_in_words(chart, site) });
    }
    blocks.push(details(notice, site));
    let foot = match stripped(&notice.caution).1 {
        "" => zone_line(site, notice.at),
        decide => format!("{decide} {}", zone_line(site, notice.at)),
    };
    blocks.push(Block::Paragraph(foot));
    let reply = if notice.number == 0 { "" } else { "Re: " };
    Letter { subject: format!("{reply}{}", clean(&notice.thread_subject)), blocks }
}

fn raised(notice: &AlarmNotice, to: &str, site: &Site, tried_at: Timestamp) -> Vec<Block> {
    let mut blocks = vec![
        Block::Lead(format!(
            "{}: {} since {}. {}",
            about(notice, site),
            lower_first(&notice.title),
            figures::short(&site.zone, notice.onset, notice.at),
            sentence(&notice.finding)
        )),
        Block::Paragraph(priority_line(notice, site, tried_at)),
    ];
    blocks.extend(to_do(notice));
    blocks.extend(if_nobody_acts(notice));
    blocks.extend(evidence(notice, EVIDENCE_LINES));
    blocks.push(acknowledge(notice, to, site));
    blocks
}

fn to_do(notice: &AlarmNotice) -> Vec<Block> {
    let mut steps = or_one(&notice.response, "The rule names no response: go and look.");
    if let Some(action) = likely_action(notice) {
        steps.insert(0, format!("For the likely cause: {action}"));
    }
    let mut blocks = vec![Block::Steps("Do now", steps)];
    blocks.extend(caution(notice));
    blocks
}

/// How the line begins that says what to do about the first cause.
const FIRST_ACTION: &str = "1, do: ";
/// How the lines begin about causes that are less likely than those in full.
const LESS_WEIGHT: &str = "of less weight: ";

/// What a likely cause asks for: it comes before what the rule asks for whatever the cause. Where causes cannot be told apart, the rule's own
/// first look is what tells them apart.
fn likely_action(notice: &AlarmNotice) -> Option<&str> {
    let of_first =
        |what: &str| notice.evidence.iter().find_map(|line| line.strip_prefix(CAUSE_LINE)?.strip_prefix(what));
    let likely = of_first("1: ").is_some_and(|line| line.split('.').next().is_some_and(|l| l.ends_with(", likely")));
    of_first(FIRST_ACTION).filter(|_| likely)
}

/// The caution without the sentence that is the same in all of them, which stands at the foot.
fn caution(notice: &AlarmNotice) -> Option<Block> {
    let (caution, _) = stripped(&notice.caution);
    (!caution.is_empty()).then(|| Block::Caution(caution.to_owned()))
}

/// A caution, and the sentence at its end about who decides.
pub(super) fn stripped(caution: &str) -> (&str, &str) {
    let caution = caution.trim();
    match caution.rfind(WHO_DECIDES) {
        Some(at) if caution.ends_with(" decide.") && !caution[at..].trim_end_matches('.').contains('.') => {
            (caution[..at].trim_end(), &caution[at..])
        }
        _ => (caution, ""),
    }
}

fn if_nobody_acts(notice: &AlarmNotice) -> Option<Block> {
    let consequence = notice.consequence.trim();
    (!consequence.is_empty()).then(|| Block::Section("If nobody acts", sentence(consequence)))
}

/// Ranked causes under a heading that says what they are, and the other grounds.
fn evidence(notice: &AlarmNotice, most: usize) -> Vec<Block> {
    let (causes, mut grounds): (Vec<String>, Vec<String>) =
        notice.evidence.iter().cloned().partition(|line| line.starts_with(CAUSE_LINE));
    let has_causes = !causes.is_empty();
    // What is a step already is not said again, and what is unlikely waits for the details.
    let has_steps = has_step_of_cause(notice);
    let goes = |line: &str| line.starts_with(LESS_WEIGHT) || has_steps && line.starts_with(FIRST_ACTION);
    let causes: Vec<String> = causes
        .iter()
        .filter_map(|line| line.strip_prefix(CAUSE_LINE))
        .filter(|line| !goes(line))
        .map(str::to_owned)
        .collect();
    let left_out = grounds.len().saturating_sub(most);
    grounds.truncate(most);
    // A ranked list of this pile's causes says more than what is usual.
    if !has_causes && notice.step == Step::Raise && !notice.cause.trim().is_empty() {
        grounds.push(format!("Usual cause: {}", sentence(&notice.cause)));
    }
    if left_out > 0 {
        grounds.push(format!("{left_out} more: `hypocaust why {}`", notice.alarm.0));
    }
    if grounds.is_empty() && !has_causes && notice.step == Step::Raise {
        grounds.push("The rule gave no evidence.".into());
    }
    listed("Likely causes", causes).into_iter().chain(listed("Evidence", grounds)).collect()
}

/// Whether the letter has the steps, with that of a likely cause before them.
fn has_step_of_cause(notice: &AlarmNotice) -> bool {
    let has = match notice.step {
        Step::Raise | Step::Reminder => true,
        Step::Update => notice.stands,
        Step::Clear | Step::Retire => false,
    };
    has && likely_action(notice).is_some()
}

fn listed(title: &'static str, lines: Vec<String>) -> Option<Block> {
    (!lines.is_empty()).then_some(Block::Lines(title, lines))
}

/// Something about the alarm changed: what, and whether that leaves anything to do.
fn updated(notice: &AlarmNotice, to: &str, site: &Site, tried_at: Timestamp) -> Vec<Block> {
    let mut blocks = vec![Block::Lead(format!(
        "{}: {}, {}",
        about(notice, site),
        lower_first(&notice.title),
        sentence(&notice.finding)
    ))];
    if notice.stands {
        blocks.push(Block::Paragraph(priority_line(notice, site, tried_at)));
        blocks.extend(to_do(notice));
    }
    blocks.push(the_alarm(notice, site));
    blocks.extend(evidence(notice, EVIDENCE_LINES));
    if notice.stands && notice.acknowledged.is_none() {
        blocks.push(acknowledge(notice, to, site));
    }
    blocks
}

/// Nobody has acknowledged in time: what was to be done, once more, and to more people.
fn reminded(notice: &AlarmNotice, to: &str, site: &Site, tried_at: Timestamp) -> Vec<Block> {
    let late = notice.at.since(notice.raised_at);
    let mut blocks = vec![
        Block::Lead(format!(
            "{}: {} not acknowledged for {late}. {}",
            about(notice, site),
            lower_first(&notice.title),
            sentence(&notice.finding)
        )),
        Block::Paragraph(format!(
            "{} Everybody who gets this alarm has this mail, and so have those who step in. Call each other: one of you has to go.",
            priority_line(notice, site, tried_at),
        )),
    ];
    blocks.extend(to_do(notice));
    blocks.extend(if_nobody_acts(notice));
    blocks.extend(evidence(notice, EVIDENCE_LINES));
    blocks.push(acknowledge(notice, to, site));
    blocks
}

fn cleared(notice: &AlarmNotice, to: &str, site: &Site) -> Vec<Block> {
    let ended = notice.cleared_at.unwrap_or(notice.at);
    let mut blocks = vec![
        Block::Lead(format!(
            "{}: {} cleared {} after {}.",
            about(notice, site),
            lower_first(&notice.title),
            figures::short(&site.zone, ended, notice.at),
            ended.since(notice.onset)
        )),
        Block::Paragraph("The readings cleared the alarm. Its cause may still be there.".into()),
        the_alarm(notice, site),
    ];
    if notice.priority == Priority::High {
        blocks.extend(caution(notice));
    }
    blocks.extend(evidence(notice, EVIDENCE_AT_END));
    if notice.acknowledged.is_none() {
        blocks.push(acknowledge(notice, to, site));
    }
    blocks
}

/// What was the case at the raise, what is now, and who has it in hand.
fn the_alarm(notice: &AlarmNotice, site: &Site) -> Block {
    let raise = match notice.raised_finding.trim() {
        // Notices of earlier versions have the finding in their subject alone.
        "" => {
            let subject = notice.thread_subject.trim();
            subject.split_once("] ").filter(|_| subject.starts_with('[')).map_or(subject, |(_, raise)| raise)
        }
        raise => raise,
    };
    let since = format!("Since {}: {}", figures::short(&site.zone, notice.onset, notice.at), sentence(raise));
    let end = match notice.finding.trim() {
        now if !now.is_empty() && notice.step == Step::Clear => format!(" At the end: {}", sentence(now)),
        _ => String::new(),
    };
    Block::Section("The alarm", format!("{since}{end} {}", acknowledged(notice, site)))
}

fn retired(notice: &AlarmNotice, to: &str, site: &Site) -> Vec<Block> {
    let (how, check) = match notice.closing {
        None => ("without clearing".to_owned(), "Check it yourself."),
        Some(closing) => {
            let when = match closing {
                Closing::RuleRemoved | Closing::RuleWorks | Closing::NotJudged { .. } => "because",
                Closing::PersonRemoved | Closing::Stage { .. } | Closing::Left { .. } => "when",
            };
            let check = match closing {
                Closing::RuleWorks => "There is nothing to do.",
                Closing::PersonRemoved => "Check who gets this person's alarms now.",
                Closing::RuleRemoved => "It had not cleared, and nothing watches for it now: check it yourself.",
                Closing::NotJudged { .. } => "It had not cleared: check the bin, and correct the log.",
                Closing::Stage { stage: Stage::OffAir | Stage::OnAir | Stage::Loading, .. } => {
                    "It had not cleared: check the bin."
                }
                Closing::Stage { .. } | Closing::Left { .. } => "It had not cleared: check the batch where it is now.",
            };
            (format!("{when} {}", closing.words()), check)
        }
    };
    let place = about(notice, site);
    let mut blocks = vec![
        Block::Lead(format!("{place}: alarm closed {how}. {check}")),
        Block::Section("The alarm", {
            let Block::Section(_, text) = the_alarm(notice, site) else { return Vec::new() };
            format!("{}. {text}", notice.title)
        }),
    ];
    if notice.closing.is_none() && !notice.finding.trim().is_empty() {
        blocks.push(Block::Lines("Evidence", vec![sentence(&notice.finding)]));
    }
    if notice.acknowledged.is_none() && notice.closing != Some(Closing::RuleWorks) {
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

/// Priority and deadline in one line. A mail that was held, or that comes again, says how much of the time is left.
fn priority_line(notice: &AlarmNotice, site: &Site, tried_at: Timestamp) -> String {
    let at = if tried_at.since(notice.at) > LATE { tried_at } else { notice.at };
    let priority = format!("Priority: {}.", notice.priority.key());
    let act = if notice.priority == Priority::High { "Act now" } else { "Act" };
    if notice.time_to_respond <= Span::ZERO {
        return format!("{priority} {act}.");
    }
    let until = notice.raised_at + notice.time_to_respond;
    let by = figures::short(&site.zone, until, notice.at);
    let left = until.since(at);
    match () {
        () if left < Span::minutes(1) => format!("{priority} The deadline was {by}: act now."),
        () if at.since(notice.raised_at) < LATE => {
            format!("{priority} {act} within {}, by {by}.", notice.time_to_respond)
        }
        () => {
            let left = Span::minutes(left.as_millis() / Span::minutes(1).as_millis());
            format!("{priority} {act}: {left} left, until {by}.")
        }
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
        None => "Nobody has acknowledged it.".into(),
        Some(by) => {
            let words = match by.comment.trim() {
                "" => String::new(),
                comment => format!(" Comment: “{comment}”"),
            };
            format!("{} acknowledged it {}.{words}", by.by, figures::short(&site.zone, by.at, notice.at))
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
        title: "Acknowledge",
        before: "On the machine that runs hypocaust:".into(),
        command: format!(
            "hypocaust alarms acknowledge {} --by {}",
            notice.alarm.0,
            name.map_or_else(|| "NAME".into(), |name| quoted(&name))
        ),
        after: match notice.step {
            Step::Raise | Step::Update | Step::Reminder => {
                "The others then know. The alarm stays active until readings clear it."
            }
            Step::Clear | Step::Retire => "Until then the alarm stays in the list of `hypocaust alarms`.",
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
                format!("{}: {end} ({low} to {high} {sign})", line.label)
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

fn details(notice: &AlarmNotice, site: &Site) -> Block {
    let zone = &site.zone;
    let mut rows = Vec::new();
    let mut row = |name: &str, value: String| rows.push((name.to_owned(), value));
    row("Alarm", format!("{}, occurrence {}", notice.alarm.0, notice.occurrence));
    let revision: String = notice.revision.chars().take(REVISION_SHOWN).collect();
    row("Rule", format!("{}, revision {revision}", notice.rule));
    row("Began", figures::exactly(zone, notice.onset));
    row("Raised", figures::exactly(zone, notice.raised_at));
    if let Some(at) = notice.cleared_at {
        row("Cleared", figures::exactly(zone, at));
    }
    rows.extend(notice.figures.iter().cloned());
    let less = notice.evidence.iter().filter_map(|line| line.strip_prefix(CAUSE_LINE)?.strip_prefix(LESS_WEIGHT));
    rows.extend(less.map(|causes| ("Causes of less weight".to_owned(), causes.to_owned())));
    Block::Facts("Details", rows)
}
