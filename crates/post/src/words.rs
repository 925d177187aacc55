//! Words for each kind of notice.
//!
//! Must never decide whether to send, and never look anything up: the notice carries its figures.

mod alarm;
mod copy;
mod flood;
mod outage;
mod round_list;
mod summary;
mod trial;

use engine::notice::Notice;
use pile::time::{Span, Timestamp};
use site::model::Site;

pub(crate) use summary::alarms as alarm_lines;

use crate::figures;
use crate::letter::{Block, Letter, clean};

/// A first attempt that comes later than this after the event is mentioned in the mail.
const LATE: Span = Span::minutes(15);

/// A subject is cut to this many characters.
const SUBJECT_LONGEST: usize = 60;

/// Writes the letter for a notice to the person at `to`.
pub(crate) fn write(notice: &Notice, to: &str, site: &Site, created_at: Timestamp, tried_at: Timestamp) -> Letter {
    let mut letter = match notice {
        Notice::Alarm(notice) => alarm::write(notice, to, site, tried_at),
        Notice::Summary(notice) => summary::write(notice, site),
        Notice::Copy(notice) => copy::write(notice, site),
        Notice::RoundList(notice) => round_list::write(notice, site),
        Notice::Flood(notice) => flood::write(notice, site),
        Notice::Outage(notice) => outage::write(notice, site),
        Notice::Trial { by, at, .. } => trial::write(by, *at, site),
    };
    if let Some(late) = late(site, created_at, tried_at) {
        letter.blocks.insert(1.min(letter.blocks.len()), Block::Paragraph(late));
    }
    letter.subject = subject(&letter.subject);
    letter
}

/// What a mail says of itself that could first be sent long after what it tells of.
pub(crate) fn late(site: &Site, created_at: Timestamp, tried_at: Timestamp) -> Option<String> {
    // The outage mail waits on purpose for the blowers to show themselves, but that wait lies before `created_at`.
    (tried_at.since(created_at) > LATE).then(|| {
        format!(
            "This mail is late: it was written {} and left {}. Check the present state before you act.",
            figures::short(&site.zone, created_at, tried_at),
            figures::when(&site.zone, tried_at),
        )
    })
}

/// A subject that is short enough, without anything that could break out of its line.
pub(crate) fn subject(text: &str) -> String {
    let text = clean(text);
    if text.chars().count() <= SUBJECT_LONGEST {
        return text;
    }
    let cut: String = text.chars().take(SUBJECT_LONGEST - 1).collect();
    let end = cut.rfind(' ').filter(|end| *end > cut.len() / 2).unwrap_or(cut.len());
    format!("{}…", cut[..end].trim_end_matches([' ', ',', ';', ':']))
}

/// Which clock the mail's times are read from.
fn zone_line(site: &Site, at: Timestamp) -> String {
    format!("Times: {}, {} from UTC.", site.zone.name(), figures::offset(&site.zone, at))
}

/// A title within a sentence.
fn lower_first(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map(|c| c.to_lowercase().chain(chars).collect()).unwrap_or_default()
}
