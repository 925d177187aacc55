//! A report as one HTML page: nothing is fetched from anywhere, and it prints.
//!
//! Must never let a value through as markup.

use std::fmt::Write as _;

use super::block::{Block, Report, Table};
use super::facts::{Course, SiteFacts};
use crate::chart;
use crate::letter::{clean, escape};

/// Where a page has its pictures from.
#[derive(Clone, Copy, Debug)]
pub enum Pictures<'p> {
    /// They are drawn into the page itself.
    Inline,
    /// They are parts of a mail, by their Content-IDs in order; what has none is told in words.
    Attached(&'p [String]),
}

const STYLE: &str = "\
body{margin:0;padding:16px;background:#fff;color:#111;font:16px/1.45 system-ui,sans-serif;color-scheme:light}
main{max-width:60em;margin:0 auto}
h1{font-size:1.5em;line-height:1.25;margin:0 0 .4em}
h2{font-size:1.2em;margin:1.8em 0 .3em;border-bottom:2px solid #111}
h3{font-size:1.05em;margin:1.4em 0 .2em}
p,ul,dl,table,figure{margin:.3em 0 .7em}
p,li,.facts td,td.remark{overflow-wrap:anywhere}
.lead{font-size:1.15em;font-weight:600}
ul{padding-left:1.3em}
li{margin:.2em 0}
.caution{border:2px solid #111;padding:.5em .8em}
table{border-collapse:collapse;width:100%;font-size:.88em}
th,td{text-align:left;vertical-align:top;padding:.3em .7em .3em 0}
thead th{border-bottom:2px solid #111}
tbody{border-bottom:1px solid #bbb}
tbody th{font-weight:600;white-space:nowrap}
td.remark{padding-top:0;color:#333}
.facts th{font-weight:400;color:#333;white-space:nowrap;padding-right:1em}
.facts tbody{border:0}
figure svg,figure img{display:block;width:100%;max-width:1000px;height:auto}
figcaption{font-size:.88em;color:#333}
pre{background:#f2f2f2;padding:.6em .8em;font:13px/1.4 ui-monospace,monospace;white-space:pre-wrap;overflow-wrap:anywhere}
.sign{border:1px solid #111;padding:.6em .8em;margin-top:1.2em}
.sign div{border-bottom:1px solid #111;margin:1.6em 0 .2em;color:#333}
@media print{body{padding:0;font-size:10pt}h2,h3{break-after:avoid}figure,tbody tr{break-inside:avoid}}
@media(max-width:40em){table:not(.facts),table:not(.facts) tbody,table:not(.facts) tr,table:not(.facts) td,table:not(.facts) tbody th{display:block}
table:not(.facts) thead{display:none}table:not(.facts) td,table:not(.facts) tbody th{padding:.1em 0}table:not(.facts) td[data-head]::before{content:attr(data-head) \": \";color:#333}}
";

/// Writes it.
pub fn html(report: &Report, site: &SiteFacts, pictures: Pictures<'_>) -> String {
    let mut out = String::from("<!DOCTYPE html>\n<html lang=\"en\"><head><meta charset=\"utf-8\">\n");
    out.push_str("<meta name=\"viewport\" content=\"width=device-width,initial-scale=1\">\n");
    let title = escape(&clean(&report.title));
    let _ = write!(out, "<title>{title}</title>\n<style>\n{STYLE}</style></head>\n<body><main>\n<h1>{title}</h1>\n");
    let mut figures = 0;
    for block in &report.blocks {
        one(&mut out, block, site, pictures, &mut figures);
    }
    out.push_str("</main></body></html>\n");
    out
}

fn one(out: &mut String, block: &Block, site: &SiteFacts, pictures: Pictures<'_>, figures: &mut usize) {
    let say = |text: &str| escape(&clean(text));
    // Writing to a String cannot fail, so its results are dropped.
    let _ = match block {
        Block::Heading(text) => writeln!(out, "<h2>{}</h2>", say(text)),
        Block::Subheading(text) => writeln!(out, "<h3>{}</h3>", say(text)),
        Block::Lead(text) => writeln!(out, "<p class=\"lead\">{}</p>", say(text)),
        Block::Paragraph(text) => writeln!(out, "<p>{}</p>", say(text)),
        Block::Caution(text) => writeln!(out, "<p class=\"caution\"><strong>Caution:</strong> {}</p>", say(text)),
        Block::Facts(facts) => {
            let rows: String = facts
                .iter()
                .map(|(name, value)| format!("<tr><th>{}</th><td>{}</td></tr>\n", say(name), say(value)))
                .collect();
            writeln!(out, "<table class=\"facts\"><tbody>\n{rows}</tbody></table>")
        }
        Block::List(lines) => {
            let items: String = lines.iter().map(|line| format!("<li>{}</li>\n", say(line))).collect();
            writeln!(out, "<ul>\n{items}</ul>")
        }
        Block::Table(table) => self::table(out, table),
        Block::Figure { caption, in_words, course } => {
            let picture = picture(course, site, pictures, *figures, caption);
            *figures += 1;
            match picture {
                Some(picture) => writeln!(out, "<figure>{picture}<figcaption>{}</figcaption></figure>", say(caption)),
                None => {
                    let items: String = in_words.iter().map(|line| format!("<li>{}</li>\n", say(line))).collect();
                    writeln!(out, "<p>{}</p>\n<ul>\n{items}</ul>", say(caption))
                }
            }
        }
        Block::Verbatim(text) => writeln!(out, "<pre>{}</pre>", escape(&site::plain::shown(text))),
        Block::Signature { statement, fields } => {
            let lines: String = fields.iter().map(|field| format!("<div>{}</div>\n", say(field))).collect();
            writeln!(out, "<div class=\"sign\"><p>{}</p>\n{lines}</div>", say(statement))
        }
    };
}

fn picture(course: &Course, site: &SiteFacts, pictures: Pictures<'_>, number: usize, caption: &str) -> Option<String> {
    let alt = escape(&clean(caption));
    match pictures {
        Pictures::Inline => {
            let svg = chart::course_svg(course, &site.zone, site.display).ok()?;
            // The drawing names the font that pixels are made with; a browser that lacks it takes one without serifs.
            let svg = svg.replace("font-family=\"DejaVu Sans\"", "font-family=\"DejaVu Sans, sans-serif\"");
            Some(svg.replacen("<svg ", &format!("<svg role=\"img\" aria-label=\"{alt}\" "), 1))
        }
        Pictures::Attached(ids) => {
            let id = ids.get(number).filter(|id| !id.is_empty())?;
            Some(format!("<img src=\"cid:{}\" alt=\"{alt}\" width=\"1000\">", escape(id)))
        }
    }
}

fn table(out: &mut String, table: &Table) -> std::fmt::Result {
    let heads: String = table.heads.iter().map(|head| format!("<th>{}</th>", escape(head))).collect();
    writeln!(out, "<table><thead><tr>{heads}</tr></thead>")?;
    for row in &table.rows {
        out.push_str("<tbody><tr>");
        for (n, (cell, head)) in row.cells.iter().zip(&table.heads).enumerate() {
            let cell = escape(&clean(cell));
            match n {
                0 => write!(out, "<th>{cell}</th>")?,
                _ => write!(out, "<td data-head=\"{}\">{cell}</td>", escape(head))?,
            }
        }
        out.push_str("</tr>\n");
        for remark in &row.remarks {
            let (span, remark) = (table.heads.len().saturating_sub(1).max(1), escape(&clean(remark)));
            writeln!(out, "<tr><td></td><td class=\"remark\" colspan=\"{span}\">{remark}</td></tr>")?;
        }
        out.push_str("</tbody>\n");
    }
    writeln!(out, "</table>")
}
