//! Words for the round list: what to take along in the morning.
//!
//! Must never be read as the first word of something that could not wait: that was mailed at once. Must never count good news as work, nor
//! show an old reading without its age.

use engine::notice::{BinMorning, RoundItem, RoundListNotice};
use pile::time::{Span, Timestamp};
use rulebook::header::Priority;
use site::model::Site;

use crate::figures::{self, CANNOT_TELL};
use crate::letter::{Block, Letter, Row, Table, clean};

use super::alarm::stripped;
use super::{SUBJECT_LONGEST, lower_first, zone_line};

/// A reading that is older than this is shown with its age.
const FRESH: Span = Span::hours(1);

pub(super) fn write(notice: &RoundListNotice, site: &Site) -> Letter {
    let zone = &site.zone;
    let news: Vec<&RoundItem> = notice.standing.iter().filter(|item| !item.asks).collect();
    let asked = || notice.standing.iter().filter(|item| item.asks);
    let todo: Vec<&RoundItem> = asked().filter(|item| item.acknowledged.is_none()).collect();
    let in_hand: Vec<&RoundItem> = asked().filter(|item| item.acknowledged.is_some()).collect();
    let things = todo.len() as u64 + notice.reminders.len() as u64;
    let next = format!("Next list: {}.", figures::short(zone, notice.next, notice.at));
    let lead = match things {
        0 => format!("{}: nothing to do this morning. {next}", site.name),
        n => format!("{}: {} to do this morning. {next}", site.name, figures::count(n, "thing", "things")),
    };
    let mut blocks = vec![Block::Lead(lead)];
    let mut steps: Vec<String> = todo.iter().map(|item| step(item, notice, site)).collect();
    steps.extend(notice.reminders.iter().map(|text| format!("Reminder: {text}")));
    if !steps.is_empty() {
        blocks.push(Block::Steps("To do", steps));
    }
    let mut cautions: Vec<&str> =
        todo.iter().map(|item| stripped(&item.caution).0).filter(|caution| !caution.is_empty()).collect();
    cautions.sort_unstable();
    cautions.dedup();
    blocks.extend(cautions.into_iter().map(|caution| Block::Caution(caution.to_owned())));
    if !in_hand.is_empty() {
        blocks.push(Block::Lines("Acknowledged", in_hand.iter().map(|item| taken(item, notice, site)).collect()));
    }
    if !news.is_empty() {
        blocks.push(Block::Lines("Good to know", news.iter().map(|item| known(item, notice, site)).collect()));
    }
    if !notice.over.is_empty() {
        blocks.push(Block::Lines(
            "Cleared since the last list",
            notice.over.iter().map(|item| over(item, notice, site)).collect(),
        ));
    }
    blocks.push(Block::Table(table(notice, site)));
    if let Some(item) = todo.first() {
        blocks.push(Block::Command {
            title: "Acknowledge",
            before: "On the machine that runs hypocaust, with the number in brackets:".into(),
            command: format!("hypocaust alarms acknowledge {} --by NAME", item.alarm.0),
            after: "The alarm stays on the list under your name until readings clear it.".into(),
        });
    }
    blocks.push(Block::Section(
        "About this list",
        format!(
            "Medium and high alarms are mailed at any hour. Low alarms wait for this list from {} on, unless their deadline comes \
             first. If a list is an hour late, check the daemon, its power and its mail.",
            site.round_list.quiet_from
        ),
    ));
    let decide =
        todo.iter().map(|item| stripped(&item.caution).1).find(|decide| !decide.is_empty()).unwrap_or_default();
    let foot = format!("{decide} {}", zone_line(site, notice.at));
    blocks.push(Block::Paragraph(foot.trim_start().to_owned()));
    let said = match things {
        0 => "nothing to do".to_owned(),
        _ => briefly(&todo, notice.reminders.len()),
    };
    Letter { subject: round_subject(&said, &clean(&site.id)), blocks }
}

/// `Round list: nothing to do [hof]`; the site's id where there is room.
fn round_subject(said: &str, site: &str) -> String {
    let short = format!("Round list: {said}");
    let named = format!("{short} [{site}]");
    if named.chars().count() <= SUBJECT_LONGEST { named } else { short }
}

/// What the subject line has room for: `north-1 dry pile, north-3 slow start, 2 more`.
fn briefly(todo: &[&RoundItem], reminders: usize) -> String {
    let name = |item: &&RoundItem| format!("{} {}", clean(item.subject.as_str()), lower_first(&clean(&item.title)));
    let reminded = figures::count(reminders as u64, "reminder", "reminders");
    let with_rest = |named: usize| {
        let mut words: Vec<String> = todo.iter().take(named).map(name).collect();
        match (todo.len() - named, named) {
            (0, _) => {}
            (all, 0) => words.push(figures::count(all as u64, "thing", "things")),
            (rest, _) => words.push(format!("{rest} more")),
        }
        if reminders > 0 {
            words.push(reminded.clone());
        }
        words.join(", ")
    };
    let fits = |said: &String| said.chars().count() + "Round list: ".len() <= SUBJECT_LONGEST;
    (0..=todo.len().min(4)).rev().map(with_rest).find(fits).unwrap_or_else(|| with_rest(0))
}

/// What an alarm found last; with its time where that is not of this hour.
fn found(item: &RoundItem, notice: &RoundListNotice, site: &Site) -> String {
    let finding = item.finding.trim().trim_end_matches('.');
    match item.found_at {
        Some(at) if notice.at.since(at) <= FRESH => finding.to_owned(),
        Some(at) => format!("{finding} (found {})", figures::short(&site.zone, at, notice.at)),
        None => format!("{finding} (found when it was raised)"),
    }
}

fn step(item: &RoundItem, notice: &RoundListNotice, site: &Site) -> String {
    let priority = match item.priority {
        Priority::High | Priority::Medium => format!("Priority {}, active ", item.priority.key()),
        Priority::Low | Priority::SummaryOnly => "Active ".to_owned(),
    };
    format!(
        "{}: {} [{}]. {} {priority}since {}: {}.",
        item.subject.as_str(),
        lower_first(&item.title),
        item.alarm.0,
        item.response.trim(),
        figures::short(&site.zone, item.onset, notice.at),
        found(item, notice, site),
    )
}

fn known(item: &RoundItem, notice: &RoundListNotice, site: &Site) -> String {
    let title = lower_first(&item.title);
    format!("{}: {title} [{}]: {}", item.subject.as_str(), item.alarm.0, found(item, notice, site))
}

fn taken(item: &RoundItem, notice: &RoundListNotice, site: &Site) -> String {
    let who = item.acknowledged.as_ref().map_or_else(String::new, |a| {
        let words = if a.comment.is_empty() { String::new() } else { format!(" (“{}”)", a.comment) };
        format!("{} since {}{words}", a.by, figures::short(&site.zone, a.at, notice.at))
    });
    format!("{}: {} [{}]: {who}", item.subject.as_str(), lower_first(&item.title), item.alarm.0)
}

fn over(item: &RoundItem, notice: &RoundListNotice, site: &Site) -> String {
    let show = |at| figures::short(&site.zone, at, notice.at);
    let until = item.cleared_at.map_or_else(|| CANNOT_TELL.to_owned(), show);
    let subject = item.subject.as_str();
    format!("{subject}: {}, {} to {until}: {}", lower_first(&item.title), show(item.onset), item.finding)
}

fn table(notice: &RoundListNotice, site: &Site) -> Table {
    let heads = ["Bin", "Batch", "Age", &format!("Core {}", figures::temperature_sign(site.display)), "Day before"];
    let rows = notice.bins.iter().map(|bin| row(bin, notice, site)).collect();
    Table { title: "Bins".into(), heads: heads.map(String::from).to_vec(), rows }
}

fn row(bin: &BinMorning, notice: &RoundListNotice, site: &Site) -> Row {
    let degrees =
        |value: Option<f64>| value.map_or_else(|| CANNOT_TELL.to_owned(), |c| figures::degrees(c, site.display));
    // An old reading is never shown as if it were of now: its age stands with it, in hours rounded down.
    let age = |at: Timestamp| {
        let age = notice.at.since(at);
        (age > FRESH).then(|| format!("{:.0} h old", age.as_hours().floor()))
    };
    let old = bin.newest_core.and_then(|(at, _)| age(at));
    let aged = |shown: String| match &old {
        Some(age) => format!("{shown} ({age})"),
        None => shown,
    };
    let (core, before) = (aged(degrees(bin.newest_core.map(|(_, c)| c))), degrees(bin.core_a_day_before));
    let (cells, mut sentences) = match &bin.batch {
        None => (["empty", "–"].map(String::from).to_vec(), vec!["empty".to_owned()]),
        Some((batch, age)) => (vec![batch.to_string(), age.to_string()], vec![format!("batch {batch}, {age} old")]),
    };
    if bin.batch.is_some() {
        let told = |value: Option<f64>| {
            value.map_or_else(|| CANNOT_TELL.to_owned(), |c| figures::temperature(c, site.display))
        };
        let (now, then) = (aged(told(bin.newest_core.map(|(_, c)| c))), told(bin.core_a_day_before));
        sentences.push(format!("core {now}, the day before {then}"));
    }
    let mut remarks = Vec::new();
    if let (Some(_), Some((at, _)), Some(_)) = (&bin.batch, bin.newest_core, &old) {
        remarks.push(format!("No core reading since {}.", figures::short(&site.zone, at, notice.at)));
    }
    Row { head: bin.bin.to_string(), cells: [cells, vec![core, before]].concat(), sentences, remarks }
}
