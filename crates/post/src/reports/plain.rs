//! A report as plain text that is complete by itself, in lines that a terminal and a telephone can show.
//!
//! Must never cut a word of a value, nor leave a block out.

use super::block::{Block, Report, Table};
use crate::letter::clean;

/// Lines are broken here, between words.
const WIDTH: usize = 96;

/// Writes it.
pub fn text(report: &Report) -> String {
    let mut out = format!("{}\n", clean(&report.title));
    out.push_str(&"=".repeat(clean(&report.title).chars().count()));
    out.push('\n');
    for block in &report.blocks {
        out.push('\n');
        one(&mut out, block);
    }
    out
}

fn one(out: &mut String, block: &Block) {
    match block {
        Block::Heading(text) => {
            let text = clean(text);
            out.push_str(&format!("{text}\n{}\n", "-".repeat(text.chars().count())));
        }
        Block::Subheading(text) => out.push_str(&format!("{}\n", clean(text))),
        Block::Lead(text) | Block::Paragraph(text) => wrapped(out, "", "", text),
        Block::Caution(text) => wrapped(out, "Caution: ", "  ", text),
        Block::Facts(facts) => {
            let wide = facts.iter().map(|(name, _)| name.chars().count()).max().unwrap_or(0).min(32);
            for (name, value) in facts {
                wrapped(out, &format!("{:wide$}  ", clean(name)), &" ".repeat(wide + 2), value);
            }
        }
        Block::List(lines) => {
            for line in lines {
                wrapped(out, "- ", "  ", line);
            }
        }
        Block::Table(table) => self::table(out, table),
        Block::Figure { caption, in_words, .. } => {
            wrapped(out, "", "", caption);
            for line in in_words {
                wrapped(out, "- ", "  ", line);
            }
        }
        Block::Verbatim(text) => {
            for line in text.lines() {
                out.push_str(&format!("    {}\n", site::plain::line(line)));
            }
        }
        Block::Signature { statement, fields } => {
            wrapped(out, "", "", statement);
            for field in fields {
                out.push_str(&format!("\n{}: {}\n", clean(field), "_".repeat(48)));
            }
        }
    }
}

/// In columns where these fit, else each row as one sentence.
fn table(out: &mut String, table: &Table) {
    let cells: Vec<Vec<String>> = std::iter::once(table.heads.iter().map(|h| clean(h)).collect())
        .chain(table.rows.iter().map(|row| row.cells.iter().map(|cell| clean(cell)).collect()))
        .collect();
    let columns = table.heads.len();
    let wide: Vec<usize> = (0..columns)
        .map(|n| cells.iter().filter_map(|row| row.get(n)).map(|cell| cell.chars().count()).max().unwrap_or(0))
        .collect();
    let fits = wide.iter().sum::<usize>() + 2 * columns.saturating_sub(1) <= WIDTH;
    if fits {
        let mut line = |row: &[String]| {
            let padded: Vec<String> = row.iter().zip(&wide).map(|(cell, wide)| format!("{cell:wide$}")).collect();
            out.push_str(padded.join("  ").trim_end());
            out.push('\n');
        };
        let mut rows = cells.iter();
        rows.next().into_iter().for_each(|heads| line(heads));
        line(&wide.iter().map(|wide| "-".repeat(*wide)).collect::<Vec<_>>());
        for (row, of) in rows.zip(&table.rows) {
            let mut line = String::new();
            for (cell, wide) in row.iter().zip(&wide) {
                line.push_str(&format!("{cell:wide$}  "));
            }
            out.push_str(line.trim_end());
            out.push('\n');
            of.remarks.iter().for_each(|remark| wrapped(out, "    ", "    ", remark));
        }
        return;
    }
    for row in &table.rows {
        let mut cells = row.cells.iter().zip(&table.heads);
        let head = cells.next().map(|(cell, _)| clean(cell)).unwrap_or_default();
        let said: Vec<String> = cells
            .filter(|(cell, _)| !cell.is_empty() && *cell != NOTHING)
            .map(|(cell, head)| format!("{}: {}", head.to_lowercase(), clean(cell)))
            .collect();
        wrapped(out, &format!("{head}  "), "    ", &said.join("; "));
        row.remarks.iter().for_each(|remark| wrapped(out, "    ", "    ", remark));
    }
}

/// What stands in a cell that has nothing to say.
pub(super) const NOTHING: &str = "–";

/// Writes a text in lines, the first one after `first`, the others after `rest`.
fn wrapped(out: &mut String, first: &str, rest: &str, text: &str) {
    let mut line = first.to_owned();
    let mut begun = false;
    for word in words(&clean(text)) {
        let room = line.chars().count() + word.chars().count() + usize::from(begun);
        if begun && room > WIDTH {
            out.push_str(line.trim_end());
            out.push('\n');
            line = rest.to_owned();
            begun = false;
        }
        if begun {
            line.push(' ');
        }
        line.push_str(&word);
        begun = true;
    }
    out.push_str(line.trim_end());
    out.push('\n');
}

/// What is not divided between two lines: words, numbers with their unit, times with their offset.
fn words(text: &str) -> Vec<String> {
    const UNITS: [&str; 14] = ["°C", "°F", "K", "h", "min", "d", "s", "kg", "lb", "L", "gal", "m³", "yd³", "%"];
    let offset = |word: &str| word.len() >= 6 && word.starts_with(['+', '-']) && word.get(3..4) == Some(":");
    let mut out: Vec<String> = Vec::new();
    for word in text.split(' ') {
        let bare = word.trim_end_matches(['.', ',', ';', ':', ')']);
        match out.last_mut() {
            Some(last) if UNITS.contains(&bare) || offset(word) => last.push_str(&format!(" {word}")),
            _ => out.push(word.to_owned()),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::super::block::Row;
    use super::*;

    #[test]
    fn tables_are_columns_where_they_fit_and_sentences_where_not() {
        let table = |cell: &str| Report {
            title: "T".into(),
            blocks: vec![Block::Table(Table {
                heads: super::super::block::heads(["Bin", "What", "More"]),
                rows: vec![Row { cells: vec!["b1".into(), cell.into(), "–".into()], remarks: vec!["look".into()] }],
            })],
        };
        assert_eq!(text(&table("hot")), "T\n=\n\nBin  What  More\n---  ----  ----\nb1   hot   –\n    look\n");
        let long = "very hot ".repeat(12);
        let want = format!("T\n=\n\nb1  what: {}\n", long.trim());
        let got = text(&table(&long));
        assert_eq!(got.replace("    look\n", "").replace("\n    ", " "), want, "what says nothing is left out");
        assert!(got.lines().all(|line| line.chars().count() <= WIDTH), "{got}");
    }
}
