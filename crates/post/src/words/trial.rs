//! Words for a test mail.
//!
//! Must never look like an alarm.

use pile::time::Timestamp;
use site::model::Site;

use crate::figures;
use crate::letter::{Block, Letter, clean};

use super::zone_line;

pub(super) fn write(by: &str, at: Timestamp, site: &Site) -> Letter {
    let blocks = vec![
        Block::Lead(format!("Test mail from {}: nothing is wrong.", site.name)),
        Block::Paragraph(format!("{by} asked for it {}. There is nothing to do.", figures::short(&site.zone, at, at))),
        Block::Section(
            "What to check",
            "Mail from this site reaches you. If this mail was among the spam, mark it as wanted: alarms would land there too. Then \
             let your telephone ring for this sender."
                .into(),
        ),
        Block::Facts(
            "Details",
            vec![("Asked for by".into(), by.into()), ("Asked for".into(), figures::exactly(&site.zone, at))],
        ),
        Block::Paragraph(zone_line(site, at)),
    ];
    Letter { subject: format!("{}: test mail", clean(&site.id)), blocks }
}
