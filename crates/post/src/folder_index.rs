//! The page that lists the mails of a folder, newest first, so that a trial can be read in a browser.
//!
//! Must never be needed by a mail: the mail is in its place before the page is written, and a page that cannot be written changes nothing.
//! Must never fetch anything, nor let a mail's words become markup.

use std::io::{Read as _, Write as _};
use std::path::Path;

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;

use crate::letter::{clean, escape};

/// How the page is called.
pub(crate) const NAME: &str = "index.html";

/// So many mails are listed, the newest ones; the others stay in the folder.
const LISTED: usize = 1_000;

/// The headers of a mail are looked for within so many bytes.
const HEAD_BYTES: u64 = 16 << 10;

/// Writes the page anew from the mails that are there: first under a name that nobody reads, then renamed.
pub(crate) fn write(folder: &Path) -> std::io::Result<()> {
    let mut mails: Vec<String> = files::paths_in(folder)?
        .iter()
        .filter_map(|path| path.file_name()?.to_str().map(str::to_owned))
        .filter(|name| name.ends_with(".eml") && !name.starts_with('.'))
        .collect();
    // Names begin with the time, so that the newest comes last; those of earlier versions, without a time, are the oldest.
    mails.sort_by_key(|name| (time_of(name).is_some(), name.clone()));
    let all = mails.len();
    let rows: String = mails.iter().rev().take(LISTED).map(|name| row(folder, name)).collect();
    let half = folder.join(format!(".{NAME}.half"));
    let mut file = files::create(&half)?;
    file.write_all(page(all, &rows).as_bytes())?;
    drop(file);
    std::fs::rename(&half, folder.join(NAME))
}

fn page(all: usize, rows: &str) -> String {
    let left_out = match all > LISTED {
        true => format!("<p>The newest {LISTED} of {all} mails; the others are files in this folder.</p>\n"),
        false => String::new(),
    };
    format!(
        "<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\n\
         <meta name=\"viewport\" content=\"width=device-width,initial-scale=1\">\n<title>Mails of a trial</title>\n\
         <style>body{{font:16px/1.4 system-ui,sans-serif;margin:16px;background:#fff;color:#111}}\
         td,th{{text-align:left;vertical-align:top;padding:.2em 1em .2em 0}}</style></head>\n\
         <body><h1>Mails of a trial</h1>\n<p>Nobody got these mails: `mail.folder` is set in place of `mail.smtp`. Newest first; times are UTC. \
         A mail program opens each.</p>\n{left_out}<table>\n<tr><th>Time<th>To<th>Subject\n{rows}</table>\n</body></html>\n"
    )
}

fn row(folder: &Path, name: &str) -> String {
    let head = head(&folder.join(name)).unwrap_or_default();
    let to = header(&head, "to").map_or_else(String::new, |to| clean(&decoded(&to)));
    let subject = header(&head, "subject").map_or_else(|| name.to_owned(), |subject| clean(&decoded(&subject)));
    format!(
        "<tr><td>{}<td>{}<td><a href=\"{}\">{}</a>\n",
        escape(&time_of(name).unwrap_or_default()),
        escape(&to),
        escape(&address(name)),
        escape(&subject)
    )
}

/// `2026-03-10 06:00:03` of `20260310T060003Z-alarm….eml`.
fn time_of(name: &str) -> Option<String> {
    let (time, _) = name.split_once("Z-")?;
    let (day, clock) = time.split_once('T')?;
    let digits = |text: &str, n: usize| text.len() == n && text.bytes().all(|b| b.is_ascii_digit());
    (digits(day, 8) && digits(clock, 6))
        .then(|| format!("{}-{}-{} {}:{}:{}", &day[..4], &day[4..6], &day[6..], &clock[..2], &clock[2..4], &clock[4..]))
}

/// The name of a file as a link writes it.
fn address(name: &str) -> String {
    name.bytes().fold(String::from("./"), |mut out, b| {
        if b.is_ascii_alphanumeric() || b"-_.@".contains(&b) {
            out.push(char::from(b));
        } else {
            out.push_str(&format!("%{b:02X}"));
        }
        out
    })
}

fn head(path: &Path) -> std::io::Result<String> {
    let mut bytes = Vec::new();
    files::open(path, files::MAIL)?.take(HEAD_BYTES).read_to_end(&mut bytes)?;
    Ok(String::from_utf8_lossy(&bytes).into_owned())
}

/// One header with its folds undone.
pub(crate) fn header(mail: &str, wanted: &str) -> Option<String> {
    let mut found: Option<String> = None;
    for line in mail.split("\r\n").take_while(|line| !line.is_empty()) {
        match (line.starts_with([' ', '\t']), &mut found) {
            (true, Some(value)) => value.push_str(line),
            (true, None) => {}
            (false, Some(_)) => break,
            (false, None) => {
                found = line
                    .split_once(':')
                    .filter(|(name, _)| name.eq_ignore_ascii_case(wanted))
                    .map(|(_, value)| value.trim().to_owned());
            }
        }
    }
    found
}

/// Undoes the only form of RFC 2047 that our own mails use: UTF-8 in base64. Blanks between two such words are no part of the text.
fn decoded(value: &str) -> String {
    let (mut out, mut rest, mut after_word) = (String::new(), value, false);
    while let Some(at) = rest.find("=?utf-8?b?") {
        let between = &rest[..at];
        if !(after_word && between.trim().is_empty()) {
            out.push_str(between);
        }
        let word = &rest[at + "=?utf-8?b?".len()..];
        let Some((coded, left)) = word.split_once("?=") else {
            rest = &rest[at..];
            break;
        };
        out.push_str(&String::from_utf8_lossy(&STANDARD.decode(coded).unwrap_or_default()));
        (rest, after_word) = (left, true);
    }
    out + rest
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_of_other_alphabets_are_decoded() {
        for (coded, want) in [
            ("bay-2: plain", "bay-2: plain"),
            ("bay-2: 55 =?utf-8?b?wrBDLA==?= down", "bay-2: 55 °C, down"),
            ("=?utf-8?b?w6Q=?= =?utf-8?b?w7Y=?= x", "äö x"),
            ("=?utf-8?b?broken", "=?utf-8?b?broken"),
        ] {
            assert_eq!(decoded(coded), want);
        }
    }

    #[test]
    fn folded_headers_are_whole() {
        let mail = "To: a\r\nSubject: one\r\n two\r\nX: y\r\n\r\nSubject: body\r\n";
        assert_eq!(header(mail, "subject").as_deref(), Some("one two"));
        assert_eq!(header(mail, "date"), None);
    }
}
