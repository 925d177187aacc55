//! The mail of a weekly summary with its documents: complete as text, with pictures as a page, small enough, and never held up.
//!
//! Must never need a relay: what is looked at are the bytes that one would get.
#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod invented;

use engine::effect::{Mail, MailId, MailState};
use engine::notice::{AlarmFigures, Notice, SummaryNotice};
use mail_parser::{MessageParser, MimeHeaders, PartType};
use pile::time::Span;
use post::{Attachment, Documents, Made, RenderError, render_summary};
use site::model::{Display, ReportSection, Site};

const TO: &str = "ines@fennel-bank.example";

fn site(sections: Option<Vec<ReportSection>>) -> Site {
    let settings = include_str!("../../../demo-data/site.yaml");
    let mut site = site::settings::read(settings, "demo-data/site.yaml").unwrap();
    site.people.iter_mut().find(|person| person.mail == TO).unwrap().sections = sections;
    site
}

fn mail() -> Mail {
    let facts = invented::week(Display::Metric, 0);
    let notice = SummaryNotice {
        week: facts.week,
        life: 0x1234_abcd,
        from: facts.from,
        to: facts.to,
        bins: Vec::new(),
        threshold_celsius: 55.0,
        max_gap: Span::hours(1),
        refused: 0,
        mails_given_up: 0,
        off: Vec::new(),
        alarms: AlarmFigures::default(),
        copies_wait_for: Vec::new(),
    };
    Mail {
        id: MailId(7),
        to: TO.into(),
        notice: Notice::Summary(Box::new(notice)),
        created_at: facts.to,
        state: MailState::Waiting { next_try: facts.to, tries: 0, last_reply: String::new() },
    }
}

fn made(bins: usize, pdf_bytes: usize) -> Documents {
    let attachment = |name: &str, media_type, bytes: usize| Attachment {
        name: name.into(),
        media_type,
        bytes: (0..bytes).map(|n| b'a' + (n % 26) as u8).collect(),
    };
    let attachments = vec![
        attachment("summary-2026-W13.pdf", "application/pdf", pdf_bytes),
        attachment("days-2026-W13.csv", "text/csv; charset=utf-8", 900),
    ];
    Documents::Made(Box::new(Made { facts: invented::week(Display::Metric, bins), attachments }))
}

fn render(documents: &Documents, sections: Option<Vec<ReportSection>>) -> Result<Vec<u8>, RenderError> {
    render_summary(&mail(), &site(sections), invented::TO + Span::minutes(1), documents)
}

#[test]
fn text_page_pictures_and_files_arrive_whole() {
    let bytes = render(&made(3, 40_000), None).unwrap();
    assert!(bytes == render(&made(3, 40_000), None).unwrap(), "the same arguments, the same bytes");
    assert!(bytes.split(|b| *b == b'\n').all(|line| line.len() <= 998), "lines as RFC 5322 section 2.1.1 has them");
    let mail = MessageParser::default().parse(&bytes).unwrap();
    assert_eq!(mail.subject(), Some("hof: 3 things need you, week 2026-W13"));
    let text = mail.body_text(0).unwrap().replace("\r\n", "\n");
    let report = post::reports::week(&invented::week(Display::Metric, 3), post::reports::Parts::Main);
    assert_eq!(text.trim_end(), post::reports::text(&report).trim_end(), "the text is complete by itself");
    let html = mail.body_html(0).unwrap();
    let shown: Vec<&str> = html.split("src=\"cid:").skip(1).filter_map(|rest| rest.split('"').next()).collect();
    assert_eq!(shown.len(), 3, "a picture a batch");
    for id in shown {
        let part =
            mail.parts.iter().find(|part| part.content_id() == Some(id)).unwrap_or_else(|| panic!("{id} is missing"));
        assert!(
            matches!(&part.body, PartType::InlineBinary(png) | PartType::Binary(png) if png.starts_with(b"\x89PNG"))
        );
    }
    let files: Vec<(String, usize)> = mail
        .attachments()
        .map(|part| (part.attachment_name().unwrap_or_default().to_owned(), part.contents().len()))
        .collect();
    let file = |name: &str, bytes: usize| files.contains(&(name.to_owned(), bytes));
    assert!(file("summary-2026-W13.pdf", 40_000) && file("days-2026-W13.csv", 900), "{files:?}");
}

#[test]
fn a_reader_gets_the_sections_of_their_choice() {
    let bytes = render(&made(3, 400), Some(vec![ReportSection::AtAGlance])).unwrap();
    let mail = MessageParser::default().parse(&bytes).unwrap();
    let text = mail.body_text(0).unwrap();
    assert!(text.contains("The week at a glance") && !text.contains("Checkpoint of the record"), "{text}");
    assert!(!mail.body_html(0).unwrap().contains("cid:"), "no picture of a section that was not chosen");
}

#[test]
fn what_is_too_large_goes_without_its_documents_and_says_so() {
    let bytes = render(&made(60, 6_000_000), None).unwrap();
    assert!(bytes.len() < 5_000_000, "{}", bytes.len());
    let mail = MessageParser::default().parse(&bytes).unwrap();
    assert!(mail.body_text(0).unwrap().contains("too large for this mail"));
    assert!(mail.attachments().all(|part| part.attachment_name().is_none_or(|name| !name.ends_with(".pdf"))));
}

#[test]
fn a_summary_whose_documents_cannot_be_made_goes_out_all_the_same() {
    let failed = Documents::Failed {
        why: "the template /etc/own.rhai cannot be read: no such file".into(),
        remedy: "See to it, then make them: hypocaust report week --week 2026-W13".into(),
    };
    let bytes = render(&failed, None).unwrap();
    let mail = MessageParser::default().parse(&bytes).unwrap();
    let text = mail.body_text(0).unwrap();
    assert!(text.contains("could not be made: the template /etc/own.rhai cannot be read"), "{text}");
    assert!(text.contains("hypocaust report week --week 2026-W13"), "{text}");
    assert!(mail.subject().unwrap().contains("week 2026-W13"));
}
