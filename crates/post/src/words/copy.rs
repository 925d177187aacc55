//! Words for a copy of a weekly summary that goes to people outside, and for an amendment of one.
//!
//! Must never say more than the summary does, nor let a copy that nobody reviewed look like one that somebody did.

use engine::notice::CopyNotice;
use site::model::Site;

use crate::figures;
use crate::letter::{Block, Letter, clean};

use super::zone_line;

pub(super) fn write(notice: &CopyNotice, site: &Site) -> Letter {
    let week = notice.week;
    let made = figures::when(&site.zone, notice.made_at);
    let reviewed = match &notice.reviewed {
        Some((by, at)) => format!("Reviewed by {by}, {}.", figures::when(&site.zone, *at)),
        None => "Not reviewed: nobody of the site has read it.".into(),
    };
    let (lead, subject) = match notice.amended {
        0 => {
            (format!("{}: summary of week {week}, made {made}. {reviewed}", site.name), format!("week {week}: summary"))
        }
        n => (
            format!(
                "{}: amendment {n} of the summary of week {week}. The documents sent before stay as they were; this mail lists the changes.",
                site.name
            ),
            format!("week {week}: summary, amended {n}"),
        ),
    };
    let mut blocks = vec![Block::Lead(lead)];
    if notice.amended > 0 {
        blocks.push(Block::Lines("Changes", notice.changes.clone()));
        blocks.push(Block::Paragraph(format!("The first summary was made {made}. {reviewed}")));
    }
    blocks.push(Block::Section(
        "Scope",
        "The summary states what was measured. It does not claim compliance: the permit and local codes decide.".into(),
    ));
    if let Some(responsible) = &site.reports.responsible {
        blocks.push(Block::Paragraph(format!("Questions go to {responsible}; you can answer this mail.")));
    }
    blocks.push(Block::Paragraph(zone_line(site, notice.at)));
    let mark = if notice.reviewed.is_none() { ", not reviewed" } else { "" };
    Letter { subject: format!("{}: {subject}{mark}", clean(&site.id)), blocks }
}
