//! A letter as blocks of meaning, written out twice: as plain text and as HTML, so that neither can say less than the other.
//!
//! Must never let a value through that could break out of its place: control characters go, HTML is escaped.

use std::fmt::Write as _;

/// The longest line of a letter, in characters, before it is cut.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Clip {
    /// Characters in one text.
    pub(crate) characters: usize,
    /// Items in one list.
    pub(crate) items: usize,
    /// Rows in the table of bins.
    pub(crate) rows: usize,
}

/// One letter.
#[derive(Clone, Debug)]
pub(crate) struct Letter {
    /// The subject line, also the title of the HTML page.
    pub(crate) subject: String,
    /// What it says, in the order of reading.
    pub(crate) blocks: Vec<Block>,
}

/// One block of a letter.
#[derive(Clone, Debug)]
pub(crate) enum Block {
    /// The first line: what, since when, how bad.
    Lead(String),
    /// A paragraph.
    Paragraph(String),
    /// A paragraph with a heading.
    Section(&'static str, String),
    /// Steps to take, the first one first.
    Steps(&'static str, Vec<String>),
    /// Lines of equal rank.
    Lines(&'static str, Vec<String>),
    /// What can hurt.
    Caution(String),
    /// A command to type, and what it does.
    Command {
        /// The heading.
        title: &'static str,
        /// Before the command.
        before: String,
        /// The command itself.
        command: String,
        /// After it.
        after: String,
    },
    /// The picture of the mail, and the same in words.
    Picture {
        /// The heading.
        title: &'static str,
        /// What it shows, one line a probe or mark.
        in_words: Vec<String>,
    },
    /// Names and values.
    Facts(&'static str, Vec<(String, String)>),
    /// The bins of the week.
    Table(Table),
}

/// A table whose rows carry figures and, below them, words.
#[derive(Clone, Debug)]
pub(crate) struct Table {
    /// The heading.
    pub(crate) title: String,
    /// Heads of the columns, the first one that of the row heads.
    pub(crate) heads: Vec<String>,
    /// One row a bin.
    pub(crate) rows: Vec<Row>,
}

/// One row.
#[derive(Clone, Debug)]
pub(crate) struct Row {
    /// Its head.
    pub(crate) head: String,
    /// Its figures, one for each column but the first.
    pub(crate) cells: Vec<String>,
    /// The same figures as sentences, for the plain text.
    pub(crate) sentences: Vec<String>,
    /// What cannot be said in figures; below the row in both forms.
    pub(crate) remarks: Vec<String>,
}

/// Replaces what must not stand in a line: line breaks and other control characters, and the marks that turn the direction of
/// writing. Runs of blanks become one.
pub(crate) fn clean(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        let c = match c {
            c if c.is_control() => ' ',
            '\u{2028}' | '\u{2029}' => ' ',
            c if site::plain::steers(c) => continue,
            c => c,
        };
        if !(c == ' ' && (out.is_empty() || out.ends_with(' '))) {
            out.push(c);
        }
    }
    out.truncate(out.trim_end().len());
    out
}

/// Cleans a text and cuts it to `characters`, saying so.
pub(crate) fn cut(text: &str, characters: usize) -> String {
    let text = clean(text);
    match text.char_indices().nth(characters) {
        None => text,
        Some((end, _)) => format!("{} … (cut; the record has the rest)", text[..end].trim_end()),
    }
}

fn cut_all(items: &[String], clip: Clip) -> Vec<String> {
    let mut out: Vec<String> = items.iter().take(clip.items).map(|item| cut(item, clip.characters)).collect();
    if items.len() > clip.items {
        out.push(more(items.len() - clip.items));
    }
    out
}

fn more(n: usize) -> String {
    format!("… and {n} more, left out to keep this mail short")
}

/// Writes the letter as plain text.
pub(crate) fn as_text(letter: &Letter, clip: Clip) -> String {
    let mut out = String::new();
    for (i, block) in letter.blocks.iter().enumerate() {
        if i > 0 {
            out.push('\n');
        }
        block_as_text(&mut out, block, clip);
    }
    out
}

fn line(out: &mut String, text: &str) {
    out.push_str(text);
    out.push('\n');
}

fn block_as_text(out: &mut String, block: &Block, clip: Clip) {
    match block {
        Block::Lead(text) | Block::Paragraph(text) => line(out, &cut(text, clip.characters * 2)),
        Block::Section(title, text) => {
            line(out, &format!("{title}:"));
            line(out, &cut(text, clip.characters * 2));
        }
        Block::Steps(title, items) => {
            line(out, &format!("{title}:"));
            for (n, item) in cut_all(items, clip).iter().enumerate() {
                line(out, &format!("{}. {item}", n + 1));
            }
        }
        Block::Lines(title, items) => {
            line(out, &format!("{title}:"));
            for item in cut_all(items, clip) {
                line(out, &format!("- {item}"));
            }
        }
        Block::Caution(text) => line(out, &format!("Caution: {}", cut(text, clip.characters))),
        Block::Command { title, before, command, after } => {
            line(out, &format!("{title}:"));
            line(out, &cut(before, clip.characters));
            line(out, &format!("    {}", clean(command)));
            line(out, &cut(after, clip.characters));
        }
        Block::Picture { title, in_words } => {
            line(out, &format!("{title}:"));
            for item in cut_all(in_words, clip) {
                line(out, &format!("- {item}"));
            }
        }
        Block::Facts(title, rows) => {
            line(out, &format!("{title}:"));
            for (name, value) in rows.iter().take(clip.items) {
                line(out, &format!("{}: {}", cut(name, clip.characters), cut(value, clip.characters)));
            }
            if rows.len() > clip.items {
                line(out, &more(rows.len() - clip.items));
            }
        }
        Block::Table(table) => {
            line(out, &format!("{}:", clean(&table.title)));
            for row in table.rows.iter().take(clip.rows) {
                line(out, &format!("{}: {}", clean(&row.head), row.sentences.join("; ")));
                for remark in &row.remarks {
                    line(out, &format!("    {}", cut(remark, clip.characters)));
                }
            }
            if let Some(more) = left_out(table, clip) {
                line(out, &more);
            }
        }
    }
}

fn left_out(table: &Table, clip: Clip) -> Option<String> {
    let rest = table.rows.get(clip.rows..).filter(|rest| !rest.is_empty())?;
    let heads: Vec<&str> = rest.iter().map(|row| row.head.as_str()).collect();
    Some(format!("Left out to keep this mail short: {}", cut(&heads.join(", "), clip.characters * 8)))
}

/// Dark text on white, nothing fetched from anywhere; sizes in steps that a phone held at arm's length can bear.
const STYLE: &str = "\
body{margin:0;padding:16px;background:#fff;color:#111;font:17px/1.45 system-ui,sans-serif;color-scheme:light}
main{max-width:40em;margin:0 auto}
h1{font-size:1.3em;line-height:1.3;margin:0 0 .6em}
h2{font-size:1.05em;margin:1.3em 0 .2em}
p,ol,ul,dl{margin:.2em 0 .6em}
ol,ul{padding-left:1.5em}
li{margin:.25em 0}
ol li{font-weight:600}
.caution{border:2px solid #111;padding:.6em .8em;margin:1em 0}
code{display:block;background:#f2f2f2;padding:.6em .8em;margin:.4em 0;font:15px/1.4 ui-monospace,monospace;overflow-wrap:anywhere}
img{display:block;width:100%;max-width:600px;height:auto}
table{border-collapse:collapse;width:100%;font-size:.85em}
caption,th,td{text-align:left;vertical-align:top}
th,td{padding:.35em .5em .35em 0}
thead th{border-bottom:2px solid #111;font-weight:600}
tbody{border-bottom:1px solid #bbb}
tbody th,tbody td{white-space:nowrap}
tbody td[colspan],.facts td{white-space:normal}
.facts{margin-bottom:1em}
.facts tbody{border:0}
.facts,small{font-size:.85em;color:#333}
.facts th{font-weight:400;padding-right:1em}
.facts td{overflow-wrap:anywhere}
";

/// What the HTML form needs to know of the picture.
pub(crate) struct Inline<'a> {
    /// The Content-ID of the picture, without its angle brackets.
    pub(crate) content_id: &'a str,
}

/// Writes the letter as an HTML page. Without a picture, the picture's block is written in words as in the plain text.
pub(crate) fn as_html(letter: &Letter, clip: Clip, picture: Option<&Inline<'_>>) -> String {
    let mut out = String::from("<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\n");
    out.push_str("<meta name=\"viewport\" content=\"width=device-width,initial-scale=1\">\n");
    let _ = write!(out, "<title>{}</title>\n<style>\n{STYLE}</style></head>\n<body><main>\n", escape(&letter.subject));
    for block in &letter.blocks {
        block_as_html(&mut out, block, clip, picture);
    }
    out.push_str("</main></body></html>\n");
    out
}

fn list(out: &mut String, tag: &str, items: &[String]) {
    let _ = writeln!(out, "<{tag}>");
    for item in items {
        let _ = writeln!(out, "<li>{}</li>", prose(item));
    }
    let _ = writeln!(out, "</{tag}>");
}

fn block_as_html(out: &mut String, block: &Block, clip: Clip, picture: Option<&Inline<'_>>) {
    // Writing to a String cannot fail, so its results are dropped.
    let _ = match block {
        Block::Lead(text) => writeln!(out, "<h1>{}</h1>", prose(&cut(text, clip.characters * 2))),
        Block::Paragraph(text) => writeln!(out, "<p>{}</p>", prose(&cut(text, clip.characters * 2))),
        Block::Section(title, text) => {
            writeln!(out, "<h2>{}</h2>\n<p>{}</p>", escape(title), prose(&cut(text, clip.characters * 2)))
        }
        Block::Steps(title, items) => {
            let _ = writeln!(out, "<h2>{}</h2>", escape(title));
            list(out, "ol", &cut_all(items, clip));
            Ok(())
        }
        Block::Lines(title, items) => {
            let _ = writeln!(out, "<h2>{}</h2>", escape(title));
            list(out, "ul", &cut_all(items, clip));
            Ok(())
        }
        Block::Caution(text) => {
            writeln!(out, "<p class=\"caution\"><strong>Caution:</strong> {}</p>", prose(&cut(text, clip.characters)))
        }
        Block::Command { title, before, command, after } => writeln!(
            out,
            "<h2>{}</h2>\n<p>{}</p>\n<code>{}</code>\n<p>{}</p>",
            escape(title),
            prose(&cut(before, clip.characters)),
            escape(&clean(command)),
            prose(&cut(after, clip.characters))
        ),
        Block::Picture { title, in_words } => {
            let _ = writeln!(out, "<h2>{}</h2>", escape(title));
            let in_words = cut_all(in_words, clip);
            let shown = picture.is_some();
            if let Some(Inline { content_id }) = picture {
                let alt = format!("Line chart of temperatures. {}.", in_words.join("; "));
                let _ = writeln!(
                    out,
                    "<p><img src=\"cid:{}\" alt=\"{}\" width=\"600\"></p>",
                    escape(content_id),
                    escape(&alt)
                );
            }
            // Who sees no picture hears or reads its text.
            if !shown {
                list(out, "ul", &in_words);
            }
            Ok(())
        }
        Block::Facts(title, rows) => {
            let _ = writeln!(out, "<h2>{}</h2>\n<table class=\"facts\">", escape(title));
            for (name, value) in rows.iter().take(clip.items) {
                let (name, value) = (cut(name, clip.characters), cut(value, clip.characters));
                let _ = writeln!(out, "<tr><th scope=\"row\">{}</th><td>{}</td></tr>", escape(&name), escape(&value));
            }
            if rows.len() > clip.items {
                let _ = writeln!(out, "<tr><td colspan=\"2\">{}</td></tr>", escape(&more(rows.len() - clip.items)));
            }
            writeln!(out, "</table>")
        }
        Block::Table(table) => {
            table_as_html(out, table, clip);
            Ok(())
        }
    };
}

/// The longest head of a row that is kept on one line, in characters.
const HEAD_UNBROKEN: usize = 12;

/// Closing tags that HTML allows to leave out are left out: a site of 300 bins has to fit into one mail.
fn table_as_html(out: &mut String, table: &Table, clip: Clip) {
    let _ = writeln!(out, "<h2>{}</h2>\n<table>\n<thead><tr>", escape(&clean(&table.title)));
    for head in &table.heads {
        let _ = writeln!(out, "<th scope=col>{}", escape(&clean(head)));
    }
    out.push_str("</thead>\n");
    for row in table.rows.iter().take(clip.rows) {
        let head = clean(&row.head);
        // Heads stay on one line unless they are so long that the table would outgrow a telephone.
        let style =
            if head.chars().count() > HEAD_UNBROKEN { " style=white-space:normal;overflow-wrap:anywhere" } else { "" };
        let _ = write!(out, "<tbody><tr><th scope=row{style}>{}", escape(&head));
        for cell in &row.cells {
            let _ = write!(out, "<td>{}", escape(&clean(cell)));
        }
        out.push('\n');
        if !row.remarks.is_empty() {
            let remarks: Vec<String> = row.remarks.iter().map(|remark| escape(&cut(remark, clip.characters))).collect();
            let _ = writeln!(out, "<tr><td colspan={}>{}", table.heads.len(), remarks.join("<br>"));
        }
    }
    out.push_str("</table>\n");
    if let Some(more) = left_out(table, clip) {
        let _ = writeln!(out, "<p>{}</p>", escape(&more));
    }
}

/// Escapes running text, and keeps numbers and their units on one line.
fn prose(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut rest = text;
    while let Some((before, after)) = rest.split_once(' ') {
        let unit = after.split([' ', ',', '.', ';', ')', ':']).next().unwrap_or("");
        out.push_str(before);
        out.push(if before.ends_with(|c: char| c.is_ascii_digit()) && UNITS.contains(&unit) { '\u{a0}' } else { ' ' });
        rest = after;
    }
    out.push_str(rest);
    escape(&out)
}

/// What may follow a number without being a word.
const UNITS: [&str; 20] = [
    "°C", "°F", "K", "K/d", "°F/d", "%", "d", "h", "min", "s", "L", "gal", "m", "ft", "m³", "Pa", "kPa", "ppm", "A",
    "m³/h",
];

pub(crate) fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            c => out.push(c),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_stay_lines() {
        for (text, want, why) in [
            ("a\r\nBcc: x@y", "a Bcc: x@y", "a line break cannot begin a header"),
            ("a\u{0}\u{1b}[31mb", "a [31mb", "no control characters"),
            ("a\u{2028}b", "a b", "Unicode has line breaks too"),
            ("abc\u{202e}def", "abcdef", "nothing turns the direction of writing"),
            ("  a   b ", "a b", "blanks are single"),
            ("Größe °C", "Größe °C", "letters of all alphabets stay"),
        ] {
            assert_eq!(clean(text), want, "{why}");
        }
    }

    proptest::proptest! {
        #[test]
        fn nothing_in_a_line_steers(text in proptest::prelude::any::<String>()) {
            let cleaned = clean(&text);
            proptest::prop_assert!(!cleaned.chars().any(site::plain::steers), "{:?}", cleaned);
        }
    }

    #[test]
    fn numbers_keep_their_units_on_the_line() {
        for (text, want) in [
            ("down 7.4 K in 24 h (limit 5.6 K).", "down 7.4\u{a0}K in 24\u{a0}h (limit 5.6\u{a0}K)."),
            ("1 h 5 min", "1\u{a0}h 5\u{a0}min"),
            ("3 hot bins & 2 d", "3 hot bins &amp; 2\u{a0}d"),
            ("10 Mar", "10 Mar"),
            ("", ""),
        ] {
            assert_eq!(prose(text), want);
        }
    }

    #[test]
    fn long_texts_are_cut_between_characters() {
        assert_eq!(cut("ééééé", 5), "ééééé");
        assert_eq!(cut("éééééé", 5), "ééééé … (cut; the record has the rest)");
    }
}
