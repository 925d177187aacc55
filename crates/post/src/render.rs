//! Turns a notice into the bytes of one mail (RFC 5322, MIME): the same notice at the same time gives the same bytes.
//!
//! Must never let a value from outside add a header: every text is cleaned before it comes near one.

use engine::effect::Mail;
use engine::notice::{AlarmNotice, Notice, Step};
use lettre::message::header::{
    ContentDisposition, ContentTransferEncoding, ContentType, From as FromHeader, HeaderName, HeaderValue, Headers,
    MIME_VERSION_1_0, To,
};
use lettre::message::{Mailbox, Mailboxes, MultiPart, SinglePart};
use pile::time::Timestamp;
use rulebook::header::Priority;
use site::model::Site;

use crate::letter::{Block, Clip, Inline, Letter, as_html, as_text, clean};
use crate::reports::facts::WeekFacts;
use crate::reports::{self, Pictures};
use crate::{chart, figures, words};

/// A mail is kept below this, so that no relay or telephone balks at it.
const LARGEST_MAIL: usize = 100_000;

/// A weekly summary with its documents is kept below this: what relays commonly take, with room to spare (common practice, no source).
const LARGEST_SUMMARY: usize = 5_000_000;
/// So many pictures of batches go into a weekly summary's mail; the documents have them all.
const PICTURES_MOST: usize = 24;

/// How much of the texts is kept, tried in turn until the mail is small enough; the picture goes after the first.
const CLIPS: [Clip; 4] = [
    Clip { characters: 600, items: 120, rows: 450 },
    Clip { characters: 300, items: 15, rows: 150 },
    Clip { characters: 150, items: 8, rows: 60 },
    Clip { characters: 60, items: 5, rows: 20 },
];

/// Why a mail could not be made.
#[derive(Debug, thiserror::Error)]
pub enum RenderError {
    /// An address cannot be understood.
    #[error("the {field} address `{address}` of a mail cannot be understood; correct it under {key} in the settings")]
    Address {
        /// `sender` or `recipient`.
        field: &'static str,
        /// The address as it stands.
        address: String,
        /// Where the settings have it.
        key: &'static str,
        /// What the parser says.
        #[source]
        source: lettre::address::AddressError,
    },
    /// No cutting made the mail small enough.
    #[error("a mail to {to} takes {bytes} bytes even without its pictures, more than the {most} that are safe to send")]
    TooLarge {
        /// To whom.
        to: String,
        /// Its size.
        bytes: usize,
        /// What is safe.
        most: usize,
    },
}

/// The documents of a weekly summary.
#[derive(Clone, Debug)]
pub enum Documents {
    /// They are there.
    Made(Box<Made>),
    /// They could not be made.
    Failed {
        /// Why, without an end mark.
        why: String,
        /// What the reader can do about it.
        remedy: String,
    },
}

/// What goes into the mail of a weekly summary.
#[derive(Clone, Debug)]
pub struct Made {
    /// What it states.
    pub facts: WeekFacts,
    /// Files that are attached.
    pub attachments: Vec<Attachment>,
}

/// A file that goes with a mail.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Attachment {
    /// Its name there; letters, digits, points and hyphens.
    pub name: String,
    /// What it is, such as `application/pdf`.
    pub media_type: &'static str,
    /// The file.
    pub bytes: Vec<u8>,
}

/// Makes the mail: headers, plain text, HTML and picture, as it is handed to a relay.
///
/// `tried_at` is the time of the first attempt to deliver and becomes the Date. Everything else comes from the notice, so that the same
/// arguments give the same bytes.
///
/// # Errors
/// [`RenderError`] when an address cannot be understood or the mail stays too large.
pub fn render(mail: &Mail, site: &Site, tried_at: Timestamp) -> Result<Vec<u8>, RenderError> {
    let letter = words::write(&mail.notice, &mail.to, site, mail.created_at, tried_at);
    let headers = headers(mail, site, &letter, tried_at)?;
    let names = Names::of(&mail.notice, site);
    let picture = picture_of(&mail.notice).and_then(|drawing| chart::png(drawing, &site.zone, site.display).ok());
    if let (Some(picture), [clip, ..]) = (&picture, CLIPS) {
        let bytes = assemble(&letter, headers.clone(), &names, clip, Some(picture));
        if bytes.len() < LARGEST_MAIL {
            return Ok(bytes);
        }
    }
    let clips = if picture.is_some() { &CLIPS[1..] } else { &CLIPS[..] };
    clipped(&letter, &headers, &names, &mail.to, clips)
}

/// Makes a mail whose making failed in the program itself: without picture and documents, and where even its words cannot be had, with a word
/// of where to look. `why` is what failed.
///
/// # Errors
/// As for [`render`].
pub fn render_after_fault(mail: &Mail, site: &Site, tried_at: Timestamp, why: &str) -> Result<Vec<u8>, RenderError> {
    let told = format!("hypocaust could not make this mail as it should be: {}.", clean(why));
    let worded = || words::write(&mail.notice, &mail.to, site, mail.created_at, tried_at);
    let letter = match fence::caught(worded) {
        Ok(mut letter) => {
            letter.blocks.push(Block::Paragraph(told));
            letter
        }
        Err(_) => Letter {
            subject: words::subject(&format!("{}: look at `hypocaust alarms` now", site.id)),
            blocks: vec![
                Block::Lead("An alarm or notice came, and hypocaust could not write this mail.".into()),
                Block::Paragraph("Look now: `hypocaust alarms` on the site's machine lists every active alarm.".into()),
                Block::Paragraph(told),
            ],
        },
    };
    clipped(&letter, &headers(mail, site, &letter, tried_at)?, &Names::of(&mail.notice, site), &mail.to, &CLIPS)
}

/// The letter without a picture, cut until it is small enough.
fn clipped(
    letter: &Letter,
    headers: &Headers,
    names: &Names,
    to: &str,
    clips: &[Clip],
) -> Result<Vec<u8>, RenderError> {
    let mut bytes = Vec::new();
    for clip in clips {
        bytes = assemble(letter, headers.clone(), names, *clip, None);
        if bytes.len() < LARGEST_MAIL {
            return Ok(bytes);
        }
    }
    Err(RenderError::TooLarge { to: clean(to), bytes: bytes.len(), most: LARGEST_MAIL })
}

/// Makes the mail of a weekly summary with its documents: the report as text and as a page with pictures, the files attached.
///
/// Where the documents could not be made the mail is that of [`render`], and says so. As small as it has to be: pictures go first, then the
/// documents, each with a word about where to find them.
///
/// # Errors
/// As for [`render`].
pub fn render_summary(
    mail: &Mail,
    site: &Site,
    tried_at: Timestamp,
    documents: &Documents,
) -> Result<Vec<u8>, RenderError> {
    let mut letter = words::write(&mail.notice, &mail.to, site, mail.created_at, tried_at);
    let names = Names::of(&mail.notice, site);
    let made = match documents {
        Documents::Made(made) => made,
        Documents::Failed { why, remedy } => {
            let told = format!("The documents of this week could not be made: {why}. {remedy}");
            letter.blocks.insert(1.min(letter.blocks.len()), Block::Section("Without its documents", told));
            return clipped(&letter, &headers(mail, site, &letter, tried_at)?, &names, &mail.to, &CLIPS);
        }
    };
    let sections =
        site.people.iter().find(|person| person.mail == mail.to).and_then(|person| person.sections.as_deref());
    let mut report = reports::week(&made.facts, reports::Parts::of(sections));
    // A copy has words of its own, which say whether somebody of the site has read it, or what changed.
    let words: Vec<reports::block::Block> = match &mail.notice {
        Notice::Summary(_) => Vec::new(),
        _ => letter.blocks.iter().filter_map(of_letter).flatten().collect(),
    };
    if let Notice::Summary(_) = &mail.notice {
        letter.subject = words::subject(&week_subject(&made.facts));
    }
    let headers = headers(mail, site, &letter, tried_at)?;
    let late = words::late(site, mail.created_at, tried_at).map(reports::block::Block::Paragraph);
    report.blocks.splice(0..0, late.into_iter().chain(words));
    let mut bytes = 0;
    for (pictures, attached) in [(PICTURES_MOST, true), (0, true), (0, false)] {
        let mut report = report.clone();
        if !attached && !made.attachments.is_empty() {
            let told =
                "The documents are too large for this mail; they are kept under `reports` in the data folder.".into();
            report.blocks.insert(0, reports::block::Block::Paragraph(told));
        }
        let attachments = if attached { made.attachments.as_slice() } else { &[] };
        let mail = whole(&report, &made.facts, headers.clone(), &names, pictures, attachments);
        if mail.len() < LARGEST_SUMMARY {
            return Ok(mail);
        }
        bytes = mail.len();
    }
    Err(RenderError::TooLarge { to: clean(&mail.to), bytes, most: LARGEST_SUMMARY })
}

/// What of a copy's own words stands before its report: the lead, and lines of what changed.
fn of_letter(block: &Block) -> Option<Vec<reports::block::Block>> {
    match block {
        Block::Lead(text) => Some(vec![reports::block::Block::Lead(text.clone())]),
        Block::Lines(title, lines) => Some(vec![
            reports::block::Block::Subheading((*title).to_owned()),
            reports::block::Block::List(lines.clone()),
        ]),
        _ => None,
    }
}

/// The subject of a weekly summary: what the reader has to do comes first.
fn week_subject(facts: &WeekFacts) -> String {
    let week = reports::week_name(facts);
    let amended =
        if facts.edition.number > 1 { format!(", amended {}", facts.edition.number - 1) } else { String::new() };
    let needs = match reports::needs(facts).len() as u64 {
        0 => "nothing needs you".to_owned(),
        n => format!("{} you", figures::count(n, "thing needs", "things need")),
    };
    format!("{}: {needs}, week {week}{amended}", clean(&facts.site.id))
}

fn picture_of(notice: &Notice) -> Option<&engine::notice::Chart> {
    match notice {
        Notice::Alarm(notice) => notice.chart.as_ref(),
        Notice::Summary(_)
        | Notice::Copy(_)
        | Notice::RoundList(_)
        | Notice::Flood(_)
        | Notice::Outage(_)
        | Notice::Trial { .. } => None,
    }
}

/// The names by which a mail and its parts are known.
struct Names {
    /// Before the `@` of the Message-ID.
    local: String,
    /// After it.
    domain: String,
}

impl Names {
    fn of(notice: &Notice, site: &Site) -> Names {
        let local = match notice {
            Notice::Alarm(alarm) => alarm_local(alarm, &format!("{}.{}", alarm.number, step_key(alarm.step))),
            Notice::Summary(summary) => {
                format!("summary.{}-w{:02}.{:08x}", summary.week.year, summary.week.week, summary.life)
            }
            Notice::Copy(copy) => {
                format!("copy.{}-w{:02}.{}.{:08x}", copy.week.year, copy.week.week, copy.amended, copy.life)
            }
            Notice::RoundList(list) => format!("rounds.{}.{:08x}", list.day, list.life),
            Notice::Flood(flood) => format!("flood.{:08x}.{}", flood.life, flood.at.as_millis()),
            Notice::Outage(outage) => format!("outage.{:08x}.{}", outage.life, outage.from.as_millis()),
            Notice::Trial { serial, life, .. } => format!("trial.{life:08x}.{serial}"),
        };
        Names { local, domain: domain(site) }
    }

    fn message_id(&self) -> String {
        format!("<{}@{}>", self.local, self.domain)
    }
}

fn domain(site: &Site) -> String {
    let domain: String = site.mail.domain.chars().filter(|c| c.is_ascii_alphanumeric() || ".-".contains(*c)).collect();
    if domain.is_empty() { "invalid".into() } else { domain }
}

fn alarm_local(alarm: &AlarmNotice, end: &str) -> String {
    format!("alarm.{}.{:08x}.{}.{end}", alarm.alarm.0, alarm.life, alarm.occurrence)
}

fn step_key(step: Step) -> &'static str {
    match step {
        Step::Raise => "raise",
        Step::Update => "update",
        Step::Reminder => "reminder",
        Step::Clear => "clear",
        Step::Retire => "retire",
    }
}

fn headers(mail: &Mail, site: &Site, letter: &Letter, tried_at: Timestamp) -> Result<Headers, RenderError> {
    let names = Names::of(&mail.notice, site);
    let domain = domain(site);
    let mut headers = Headers::new();
    put(&mut headers, "Date", figures::date_header(&site.zone, tried_at));
    headers.set(FromHeader::from(Mailboxes::from(sender(site)?)));
    headers.set(To::from(Mailboxes::from(recipient(&mail.to, site)?)));
    put(&mut headers, "Subject", letter.subject.clone());
    put_ids(&mut headers, "Message-ID", &[names.message_id()]);
    if let Notice::Alarm(alarm) = &mail.notice {
        let id = |end: &str| format!("<alarm.{}.{:08x}.{}.{end}@{domain}>", alarm.alarm.0, alarm.life, alarm.thread);
        // The root of the thread is never sent: where a relay writes its own Message-IDs, the mails of a thread still share it.
        if alarm.number == 0 {
            put_ids(&mut headers, "References", &[id("thread")]);
        } else {
            put_ids(&mut headers, "In-Reply-To", &[id("0.raise")]);
            put_ids(&mut headers, "References", &[id("thread"), id("0.raise")]);
        }
    }
    if let Notice::Alarm(alarm) = &mail.notice
        && alarm.priority == Priority::High
        && matches!(alarm.step, Step::Raise | Step::Update | Step::Reminder)
    {
        // The fields of RFC 2156 that RFC 4021 registers for mail: what needs somebody now may ring a telephone that is silent.
        put(&mut headers, "Importance", "high".into());
        put(&mut headers, "Priority", "urgent".into());
    }
    put(&mut headers, "Auto-Submitted", "auto-generated".into());
    put(&mut headers, "X-Auto-Response-Suppress", "All".into());
    put_list(&mut headers, mail, site, &domain);
    let (kind, alarm) = match &mail.notice {
        Notice::Alarm(alarm) => ("alarm", Some(alarm)),
        Notice::Summary(_) => ("summary", None),
        Notice::Copy(copy) if copy.amended > 0 => ("amendment", None),
        Notice::Copy(_) => ("copy", None),
        Notice::RoundList(_) => ("round-list", None),
        Notice::Flood(_) => ("flood", None),
        Notice::Outage(_) => ("outage", None),
        Notice::Trial { .. } => ("trial", None),
    };
    put(&mut headers, "X-Hypocaust-Notice", kind.into());
    if let Some(alarm) = alarm {
        put(&mut headers, "X-Hypocaust-Alarm", alarm.alarm.0.to_string());
        put(&mut headers, "X-Hypocaust-Occurrence", alarm.occurrence.to_string());
        put(&mut headers, "X-Hypocaust-Step", step_key(alarm.step).into());
        put(&mut headers, "X-Hypocaust-Priority", alarm.priority.key().into());
    }
    headers.set(MIME_VERSION_1_0);
    Ok(headers)
}

/// Alarms, round lists and summaries are lists of their own, so that a filter or an unsubscription of the one never touches the others. Only the summary
/// can be unsubscribed: a click must not silence a safety mail.
fn put_list(headers: &mut Headers, mail: &Mail, site: &Site, domain: &str) {
    let label: String = site.id.chars().filter(|c| c.is_ascii_alphanumeric() || "-_.".contains(*c)).collect();
    let name = clean(&site.name).replace(['<', '>'], "");
    let (what, list) = match mail.notice {
        Notice::Summary(_) | Notice::Copy(_) => ("weekly summary", "summary"),
        Notice::RoundList(_) => ("round list", "rounds"),
        Notice::Alarm(_) | Notice::Flood(_) | Notice::Outage(_) | Notice::Trial { .. } => ("alarms", "alarms"),
    };
    put(headers, "List-Id", format!("{name} {what} <{list}.{label}.{domain}>"));
    if let (Notice::Summary(_), Ok(sender)) = (&mail.notice, sender(site)) {
        put_ids(
            headers,
            "List-Unsubscribe",
            &[format!(
                "<mailto:{}?subject={}>",
                percent_encoded(sender.email.as_ref()),
                percent_encoded(&format!("unsubscribe {label} weekly summary"))
            )],
        );
    }
}

fn percent_encoded(text: &str) -> String {
    text.bytes().fold(String::new(), |mut out, b| {
        if b.is_ascii_alphanumeric() || b"-._~@".contains(&b) {
            out.push(char::from(b));
        } else {
            out.push_str(&format!("%{b:02X}"));
        }
        out
    })
}

fn sender(site: &Site) -> Result<Mailbox, RenderError> {
    let mut mailbox: Mailbox = clean(&site.mail.from).parse().map_err(|source| RenderError::Address {
        field: "sender",
        address: clean(&site.mail.from),
        key: "`mail.from`",
        source,
    })?;
    if mailbox.name.is_none() {
        mailbox.name = Some(clean(&site.name)).filter(|name| !name.is_empty());
    }
    Ok(mailbox)
}

fn recipient(to: &str, site: &Site) -> Result<Mailbox, RenderError> {
    let mut mailbox: Mailbox = clean(to).parse().map_err(|source| RenderError::Address {
        field: "recipient",
        address: clean(to),
        key: "`people`",
        source,
    })?;
    if mailbox.name.is_none() {
        let person = site.people.iter().find(|person| person.mail == to);
        mailbox.name = person.map(|person| clean(&person.name)).filter(|name| !name.is_empty());
    }
    Ok(mailbox)
}

fn put(headers: &mut Headers, name: &'static str, value: String) {
    headers.insert_raw(HeaderValue::new(HeaderName::new_from_ascii_str(name), clean(&value)));
}

/// Ids are put one on a line and never encoded: they hold nothing but what this module wrote into them.
fn put_ids(headers: &mut Headers, name: &'static str, ids: &[String]) {
    let folded = ids.join("\r\n ");
    headers.insert_raw(HeaderValue::dangerous_new_pre_encoded(
        HeaderName::new_from_ascii_str(name),
        ids.join(" "),
        folded,
    ));
}

fn assemble(letter: &Letter, headers: Headers, names: &Names, clip: Clip, png: Option<&[u8]>) -> Vec<u8> {
    let content_id = format!("chart.{}@{}", names.local, names.domain);
    // A boundary may be 70 characters long (RFC 2046 section 5.1.1). `=_` cannot occur in a quoted-printable or base64 line.
    let boundary = |part: &str| format!("=_{part}.{:016x}", fingerprint(names.message_id().as_bytes()));
    let text = SinglePart::builder()
        .header(ContentType::TEXT_PLAIN)
        .header(ContentTransferEncoding::QuotedPrintable)
        .body(as_text(letter, clip));
    let inline = png.map(|_| Inline { content_id: &content_id });
    let html = SinglePart::builder()
        .header(ContentType::TEXT_HTML)
        .header(ContentTransferEncoding::QuotedPrintable)
        .body(as_html(letter, clip, inline.as_ref()));
    let mut related = MultiPart::related().boundary(boundary("related")).singlepart(html);
    if let (Some(png), Ok(image_png)) = (png, ContentType::parse("image/png")) {
        related = related.singlepart(
            SinglePart::builder()
                .header(image_png)
                .header(ContentDisposition::inline_with_name("chart.png"))
                .header(lettre::message::header::ContentId::from(format!("<{content_id}>")))
                .header(ContentTransferEncoding::Base64)
                .body(png.to_vec()),
        );
    }
    let whole = MultiPart::alternative().boundary(boundary("alternative")).singlepart(text).multipart(related);
    headed(whole, headers)
}

/// A report as text and page, with pictures and files.
fn whole(
    report: &reports::block::Report,
    facts: &WeekFacts,
    headers: Headers,
    names: &Names,
    pictures: usize,
    attachments: &[Attachment],
) -> Vec<u8> {
    let boundary = |part: &str| format!("=_{part}.{:016x}", fingerprint(names.message_id().as_bytes()));
    let pictures = reports::pictures(report, &facts.site, pictures);
    let id = |n: usize, there: bool| {
        if there { format!("chart{n}.{}@{}", names.local, names.domain) } else { String::new() }
    };
    let ids: Vec<String> = pictures.iter().enumerate().map(|(n, picture)| id(n, picture.is_some())).collect();
    let text = SinglePart::builder()
        .header(ContentType::TEXT_PLAIN)
        .header(ContentTransferEncoding::QuotedPrintable)
        .body(reports::text(report));
    let html = SinglePart::builder()
        .header(ContentType::TEXT_HTML)
        .header(ContentTransferEncoding::QuotedPrintable)
        .body(reports::html(report, &facts.site, Pictures::Attached(&ids)));
    let mut related = MultiPart::related().boundary(boundary("related")).singlepart(html);
    for (n, (png, id)) in pictures.into_iter().zip(&ids).enumerate() {
        let (Some(png), Ok(image_png)) = (png, ContentType::parse("image/png")) else { continue };
        related = related.singlepart(
            SinglePart::builder()
                .header(image_png)
                .header(ContentDisposition::inline_with_name(&format!("chart{}.png", n + 1)))
                .header(lettre::message::header::ContentId::from(format!("<{id}>")))
                .header(ContentTransferEncoding::Base64)
                .body(png),
        );
    }
    let alternative = MultiPart::alternative().boundary(boundary("alternative")).singlepart(text).multipart(related);
    let mut mixed = MultiPart::mixed().boundary(boundary("mixed")).multipart(alternative);
    for attachment in attachments {
        let Ok(media_type) = ContentType::parse(attachment.media_type) else { continue };
        mixed = mixed.singlepart(
            SinglePart::builder()
                .header(media_type)
                .header(ContentDisposition::attachment(&attachment.name))
                .header(ContentTransferEncoding::Base64)
                .body(attachment.bytes.clone()),
        );
    }
    headed(mixed, headers)
}

/// The whole with the headers of the mail before those of its own.
fn headed(mut whole: MultiPart, headers: Headers) -> Vec<u8> {
    let own = std::mem::replace(whole.headers_mut(), headers);
    if let Some(content_type) = own.get::<ContentType>() {
        whole.headers_mut().set(content_type);
    }
    whole.formatted()
}

/// FNV-1a, 64 bit (constants from memory, checked by test): a name that depends on nothing but the bytes.
fn fingerprint(bytes: &[u8]) -> u64 {
    bytes.iter().fold(0xcbf2_9ce4_8422_2325, |hash, byte| (hash ^ u64::from(*byte)).wrapping_mul(0x0000_0100_0000_01b3))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fingerprints_are_those_of_fnv_1a() {
        // Test vectors of the FNV reference code (Noll), from memory.
        for (text, want) in
            [("", 0xcbf2_9ce4_8422_2325), ("a", 0xaf63_dc4c_8601_ec8c), ("foobar", 0x8594_4171_f739_67e8)]
        {
            assert_eq!(fingerprint(text.as_bytes()), want, "{text}");
        }
    }
}
