//! Words for the mail about many alarms at once.
//!
//! Must never bury an alarm of high priority: those are mailed one by one all the while, and come first here.

use engine::notice::{FloodNotice, RoundItem};
use site::model::Site;

use crate::figures;
use crate::letter::{Block, Letter, clean};

use super::alarm::stripped;
use super::{lower_first, zone_line};

pub(super) fn write(notice: &FloodNotice, site: &Site) -> Letter {
    let zone = &site.zone;
    let all = (notice.standing + notice.over) as u64;
    let alarms = figures::count(all, "alarm", "alarms");
    let lead = format!(
        "{}: {alarms} at once since {}: {} active, {} cleared.",
        site.name,
        figures::short(zone, notice.since, notice.at),
        notice.standing,
        notice.over
    );
    let mut blocks = vec![Block::Lead(lead)];
    if let Some(first) = &notice.first {
        blocks.push(Block::Section(
            "Look here first",
            format!("{} This was the first alarm: it may be the cause of the others.", line(first, notice, site)),
        ));
        if !first.response.is_empty() {
            blocks.push(Block::Steps("Do now", vec![first.response.clone()]));
        }
        if !first.caution.is_empty() {
            blocks.push(Block::Caution(stripped(&first.caution).0.to_owned()));
        }
    }
    blocks.push(Block::Lines("Alarms", notice.items.iter().map(|item| line(item, notice, site)).collect()));
    let left_out = all.saturating_sub(notice.items.len() as u64);
    if left_out > 0 {
        blocks.push(Block::Paragraph(format!(
            "{} more: see `hypocaust alarms`.",
            figures::count(left_out, "alarm", "alarms")
        )));
    }
    let next = match notice.goes_on {
        true => format!("More keep coming. The next mail of this kind comes in {}.", engine::limits::FLOOD_MAIL_EVERY),
        false => "From now on alarms are mailed one by one again.".to_owned(),
    };
    blocks.push(Block::Section(
        "Why one mail",
        format!(
            "More than {} alarms came within {}. High alarms are still mailed one by one. {next}",
            engine::limits::FLOOD_ABOVE,
            engine::limits::FLOOD_WITHIN
        ),
    ));
    blocks.push(Block::Paragraph(zone_line(site, notice.at)));
    let first = notice
        .first
        .as_ref()
        .map_or_else(String::new, |item| format!(", first {} {}", item.subject.as_str(), lower_first(&item.title)));
    Letter { subject: format!("{}: {alarms} at once{first}", clean(&site.id)), blocks }
}

fn line(item: &RoundItem, notice: &FloodNotice, site: &Site) -> String {
    let show = |at| figures::short(&site.zone, at, notice.at);
    let until = item.cleared_at.map_or_else(String::new, |at| format!(", cleared {}", show(at)));
    format!(
        "{}: {} [{}], {} priority, since {}{until}: {}.",
        item.subject.as_str(),
        item.title,
        item.alarm.0,
        item.priority.key(),
        show(item.onset),
        item.finding.trim_end_matches('.')
    )
}
