//! Words for the mail that tells of many alarms at once.
//!
//! Must never bury what is urgent: alarms of high priority are mailed singly all the while, and stand first here.

use engine::notice::{FloodNotice, RoundItem};
use site::model::Site;

use crate::figures;
use crate::letter::{Block, Letter, clean};

use super::zone_line;

pub(super) fn write(notice: &FloodNotice, site: &Site) -> Letter {
    let zone = &site.zone;
    let all = (notice.standing + notice.over) as u64;
    let alarms = figures::count(all, "alarm", "alarms");
    let lead = format!(
        "{}: {alarms} at once since {}: {} still standing, {} over again.",
        site.name,
        figures::when(zone, notice.since),
        notice.standing,
        notice.over
    );
    let mut blocks = vec![Block::Lead(lead)];
    if let Some(first) = &notice.first {
        blocks.push(Block::Section(
            "Look here first",
            format!(
                "{} This was the first of them: what broke there may be what the others tell of.",
                line(first, site)
            ),
        ));
        if !first.response.is_empty() {
            blocks.push(Block::Steps("Do now", vec![first.response.clone()]));
        }
        if !first.caution.is_empty() {
            blocks.push(Block::Caution(first.caution.clone()));
        }
    }
    blocks.push(Block::Lines("All of them", notice.items.iter().map(|item| line(item, site)).collect()));
    let left_out = all.saturating_sub(notice.items.len() as u64);
    if left_out > 0 {
        blocks.push(Block::Paragraph(format!(
            "{} more stand in `hypocaust alarms`.",
            figures::count(left_out, "alarm", "alarms")
        )));
    }
    let next = match notice.goes_on {
        true => format!("More keep coming. The next mail like this one comes in {}.", engine::limits::FLOOD_MAIL_EVERY),
        false => "It has calmed down: alarms are mailed one by one again.".to_owned(),
    };
    blocks.push(Block::Section(
        "Why one mail",
        format!(
            "More than {} alarms came within {}. So that you can read them, they are gathered; those of high priority are still \
             mailed singly and at once. {next}",
            engine::limits::FLOOD_ABOVE,
            engine::limits::FLOOD_WITHIN
        ),
    ));
    blocks.push(Block::Paragraph(zone_line(site, notice.at)));
    let first = notice
        .first
        .as_ref()
        .map_or_else(String::new, |item| format!(", first {} {}", item.subject.as_str(), item.title.to_lowercase()));
    Letter { subject: format!("[{}] {alarms} at once{first}", clean(&site.id)), blocks }
}

fn line(item: &RoundItem, site: &Site) -> String {
    let zone = &site.zone;
    let until = item.cleared_at.map_or_else(String::new, |at| format!(" until {}", figures::when(zone, at)));
    format!(
        "{}: {} [{}], {} priority, since {}{until}: {}.",
        item.subject.as_str(),
        item.title,
        item.alarm.0,
        item.priority.key(),
        figures::when(zone, item.onset),
        item.finding.trim_end_matches('.')
    )
}
