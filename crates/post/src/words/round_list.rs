//! Words for the round list: what to take along in the morning.
//!
//! Must never be read as the first word of something urgent: what could not wait was mailed at once, and says so here.

use engine::notice::{BinMorning, RoundItem, RoundListNotice};
use rulebook::header::Priority;
use site::model::Site;

use crate::figures::{self, CANNOT_TELL};
use crate::letter::{Block, Letter, Row, Table, clean};

use super::zone_line;

/// So many subjects are named in the subject line.
const NAMED: usize = 4;

pub(super) fn write(notice: &RoundListNotice, site: &Site) -> Letter {
    let zone = &site.zone;
    let todo: Vec<&RoundItem> = notice.standing.iter().filter(|item| item.acknowledged.is_none()).collect();
    let in_hand: Vec<&RoundItem> = notice.standing.iter().filter(|item| item.acknowledged.is_some()).collect();
    let things = todo.len() as u64 + notice.reminders.len() as u64;
    let next = format!("Next list {}.", figures::when(zone, notice.next));
    let lead = match things {
        0 => format!("{}: nothing to do on the round this morning. {next}", site.name),
        n => format!("{}: {} to do this morning. {next}", site.name, figures::count(n, "thing", "things")),
    };
    let mut blocks = vec![Block::Lead(lead)];
    let mut steps: Vec<String> = todo.iter().map(|item| step(item, site)).collect();
    steps.extend(notice.reminders.iter().map(|text| format!("Reminder: {text}")));
    if !steps.is_empty() {
        blocks.push(Block::Steps("On the round", steps));
    }
    let mut cautions: Vec<&str> = todo.iter().map(|item| item.caution.as_str()).filter(|c| !c.is_empty()).collect();
    cautions.sort_unstable();
    cautions.dedup();
    blocks.extend(cautions.into_iter().map(|caution| Block::Caution(caution.to_owned())));
    if !in_hand.is_empty() {
        blocks.push(Block::Lines("Somebody is at it", in_hand.iter().map(|item| taken(item, site)).collect()));
    }
    if !notice.over.is_empty() {
        blocks.push(Block::Lines(
            "Came and went since the last list",
            notice.over.iter().map(|i| over(i, site)).collect(),
        ));
    }
    blocks.push(Block::Table(table(notice, site)));
    if let Some(item) = todo.first() {
        blocks.push(Block::Command {
            title: "Say that you look after one",
            before: "On the machine that runs hypocaust, with the number that stands in brackets above:".into(),
            command: format!("hypocaust alarms acknowledge {} --by NAME", item.alarm.0),
            after: "It stays on the list under your name until readings show that it is over.".into(),
        });
    }
    blocks.push(Block::Section(
        "What this list leaves out",
        format!(
            "Alarms of medium and high priority are mailed when they are raised, at any hour; those of low priority that come \
             from {} on wait for this list. If no list has come an hour after its time, the daemon, its power or its mail is in \
             trouble: look after it.",
            site.round_list.quiet_from
        ),
    ));
    blocks.push(Block::Paragraph(zone_line(site, notice.at)));
    let subject = match things {
        0 => format!("[{}] round list {}: nothing to do", clean(&site.id), notice.day),
        _ => format!("[{}] round list {}: {}", clean(&site.id), notice.day, briefly(&todo, notice.reminders.len())),
    };
    Letter { subject, blocks }
}

/// What the subject line has room for: `north-1 dry pile, north-3 slow start, 2 more`.
fn briefly(todo: &[&RoundItem], reminders: usize) -> String {
    let name = |item: &&RoundItem| format!("{} {}", item.subject.as_str(), item.title.to_lowercase());
    let mut words: Vec<String> = todo.iter().take(NAMED).map(name).collect();
    if todo.len() > NAMED {
        words.push(format!("{} more", todo.len() - NAMED));
    }
    if reminders > 0 {
        words.push(figures::count(reminders as u64, "reminder", "reminders"));
    }
    words.join(", ")
}

fn step(item: &RoundItem, site: &Site) -> String {
    let mailed = match item.priority {
        Priority::High | Priority::Medium => format!(" ({} priority, mailed when it was raised)", item.priority.key()),
        Priority::Low | Priority::SummaryOnly => String::new(),
    };
    format!(
        "{}: {} [{}]{mailed}, since {}: {}. {}",
        item.subject.as_str(),
        item.title,
        item.alarm.0,
        figures::when(&site.zone, item.onset),
        item.finding.trim_end_matches('.'),
        item.response
    )
}

fn taken(item: &RoundItem, site: &Site) -> String {
    let who = item.acknowledged.as_ref().map_or_else(String::new, |a| {
        let words = if a.comment.is_empty() { String::new() } else { format!(" (“{}”)", a.comment) };
        format!("{} since {}{words}", a.by, figures::when(&site.zone, a.at))
    });
    format!("{}: {} [{}]: {who}", item.subject.as_str(), item.title, item.alarm.0)
}

fn over(item: &RoundItem, site: &Site) -> String {
    let zone = &site.zone;
    let until = item.cleared_at.map_or_else(|| CANNOT_TELL.to_owned(), |at| figures::when(zone, at));
    let subject = item.subject.as_str();
    format!("{subject}: {} from {} to {until}: {}", item.title, figures::when(zone, item.onset), item.finding)
}

fn table(notice: &RoundListNotice, site: &Site) -> Table {
    let heads = ["Bin", "Batch", "Age", &format!("Core {}", figures::temperature_sign(site.display)), "Day before"];
    let rows = notice.bins.iter().map(|bin| row(bin, notice, site)).collect();
    Table { title: "How the bins stand".into(), heads: heads.map(String::from).to_vec(), rows }
}

fn row(bin: &BinMorning, notice: &RoundListNotice, site: &Site) -> Row {
    let degrees =
        |value: Option<f64>| value.map_or_else(|| CANNOT_TELL.to_owned(), |c| figures::degrees(c, site.display));
    let (core, before) = (degrees(bin.newest_core.map(|(_, c)| c)), degrees(bin.core_a_day_before));
    let (cells, mut sentences) = match &bin.batch {
        None => (["empty", "–"].map(String::from).to_vec(), vec!["empty".to_owned()]),
        Some((batch, age)) => (vec![batch.to_string(), age.to_string()], vec![format!("batch {batch}, {age} old")]),
    };
    if bin.batch.is_some() {
        let told = |value: Option<f64>| {
            value.map_or_else(|| CANNOT_TELL.to_owned(), |c| figures::temperature(c, site.display))
        };
        let (now, then) = (told(bin.newest_core.map(|(_, c)| c)), told(bin.core_a_day_before));
        sentences.push(format!("core {now}, the day before {then}"));
    }
    let mut remarks = Vec::new();
    if bin.batch.is_some() {
        match bin.newest_core {
            Some((at, _)) if notice.at.since(at) > pile::time::Span::hours(1) => {
                remarks.push(format!("The core reading is of {}.", figures::when(&site.zone, at)));
            }
            _ => {}
        }
    }
    Row { head: bin.bin.to_string(), cells: [cells, vec![core, before]].concat(), sentences, remarks }
}
