//! Words for a trial mail.
//!
//! Must never look like an alarm.

use pile::time::Timestamp;
use site::model::Site;

use crate::figures;
use crate::letter::{Block, Letter, clean};

use super::zone_line;

pub(super) fn write(by: &str, at: Timestamp, site: &Site) -> Letter {
    let blocks = vec![
        Block::Lead(format!("Trial mail from {}: nothing is wrong.", site.name)),
        Block::Paragraph(format!("{by} asked for it {}. You need not do anything.", figures::when(&site.zone, at))),
        Block::Section(
            "What it shows",
            "Mail from this site reaches you. If it lay among unwanted mail, mark it as wanted, so that an alarm at night does \
             not end up there; then see that your telephone rings for it."
                .into(),
        ),
        Block::Facts(
            "Facts",
            vec![("Asked for by".into(), by.into()), ("Asked for".into(), figures::exactly(&site.zone, at))],
        ),
        Block::Paragraph(zone_line(site, at)),
    ];
    Letter { subject: format!("[{}] trial mail", clean(&site.id)), blocks }
}
