//! A report as a composed document, to be set on paper.
//!
//! Must never say less than the report: what paper cannot hold beside a row stands in a column of its own.

use super::block::{Block, Report, Table};
use super::facts::SiteFacts;
use crate::chart;
use crate::document::{self, Align, Cell, Column, Document, Fact, Marks, Signature, Width};
use crate::letter::clean;
use site::model::Paper;

/// A picture that goes with a document: its name there, and its bytes.
pub type Picture = (String, Vec<u8>);

/// A cell up to this long does not make its column wider than need be.
const SHORT: usize = 16;

/// A table with so many columns is as wide as the paper.
const COLUMNS_MOST: usize = 7;

/// More of the permit does not go into two lines at the foot of a page.
const FOOT_LONGEST: usize = 110;

/// Room for a statement, in lines of small type.
const ROOM_LINES: usize = 9;

/// Composes it; the pictures are SVG.
pub fn document(report: &Report, site: &SiteFacts, paper: Paper) -> (Document, Vec<Picture>) {
    let mut pictures = Vec::new();
    let mut blocks: Vec<document::Block> = Vec::new();
    for block in &report.blocks {
        let set = one(block, site, &mut pictures);
        // A subheading and what follows it stay on one page where they fit.
        match (blocks.last_mut(), block) {
            (
                Some(document::Block::Together { blocks: open }),
                Block::Figure { .. } | Block::Paragraph(_) | Block::Verbatim(_),
            ) if matches!(open.last(), Some(document::Block::Heading { .. } | document::Block::Paragraph { .. })) => {
                open.extend(set);
            }
            // What was measured never stands under the name of another batch.
            (Some(document::Block::Together { blocks: open }), Block::Facts(_))
                if matches!(open.last(), Some(document::Block::Heading { .. })) =>
            {
                open.extend(set);
            }
            (_, Block::Subheading(_)) => blocks.push(document::Block::Together { blocks: set }),
            _ => blocks.extend(set),
        }
    }
    // A heading by itself keeps to what follows; in a frame of its own it would not.
    let blocks = blocks.into_iter().flat_map(|block| match block {
        document::Block::Together { blocks: open } if open.len() < 2 => open,
        block => vec![block],
    });
    let blocks = blocks.collect();
    let (title, subtitle) = match report.title.split_once(": ") {
        Some((_, what)) => (capitalised(what), Some(site.name.clone())),
        None => (report.title.clone(), None),
    };
    let document = Document {
        title,
        subtitle,
        site: site.facility.clone().unwrap_or_else(|| site.name.clone()),
        footer: footer(site),
        language: "en".into(),
        paper,
        blocks,
    };
    (document, pictures)
}

/// What stands at the foot of every page: the permit as the site has it, and that its edition decides.
fn footer(site: &SiteFacts) -> String {
    let conditions: Vec<String> =
        site.permit.iter().chain(&site.conditions).map(|text| clean(text).trim_end_matches('.').to_owned()).collect();
    let mut permit = conditions.join("; ");
    if let Some((end, _)) = permit.char_indices().nth(FOOT_LONGEST) {
        permit.truncate(end);
        permit.push('…');
    }
    let permit = if permit.is_empty() { "not typed in".into() } else { permit };
    format!(
        "Permit: {permit}. The edition that the permit cites decides. Measured, not a finding of compliance. {}",
        site.software
    )
}

fn one(block: &Block, site: &SiteFacts, pictures: &mut Vec<Picture>) -> Vec<document::Block> {
    use document::Block as Set;
    let set = match block {
        Block::Heading(text) => Set::Heading { level: 1, text: clean(text) },
        Block::Subheading(text) => Set::Heading { level: 2, text: clean(text) },
        Block::Lead(text) => {
            Set::Facts { pairs: vec![Fact { term: "In short".into(), value: Cell::strong(clean(text)) }] }
        }
        Block::Paragraph(text) => Set::Paragraph { text: clean(text) },
        Block::Caution(text) => Set::Caution { lead: "Caution".into(), text: clean(text) },
        Block::Facts(facts) => {
            let pairs = facts.iter().map(|(term, value)| Fact { term: clean(term), value: clean(value).into() });
            Set::Facts { pairs: pairs.collect() }
        }
        Block::List(lines) => {
            Set::List { marks: Marks::Bullets, items: lines.iter().map(|line| clean(line)).collect() }
        }
        Block::Table(table) => {
            let mut set = vec![Set::Table(self::table(table))];
            if crowded(table) {
                let items: Vec<String> = remarks(table).collect();
                set.extend((!items.is_empty()).then_some(Set::List { marks: Marks::Bullets, items }));
            }
            return set;
        }
        Block::Figure { caption, in_words, course } => {
            let Ok(svg) = chart::course_svg(course, &site.zone, site.display) else {
                let items = in_words.iter().map(|line| clean(line)).collect();
                return vec![Set::Paragraph { text: clean(caption) }, Set::List { marks: Marks::Bullets, items }];
            };
            let picture = format!("course-{}.svg", pictures.len() + 1);
            pictures.push((picture.clone(), svg.into_bytes()));
            Set::Figure { picture, alt: clean(&in_words.join(". ")), caption: Some(clean(caption)) }
        }
        Block::Verbatim(text) => Set::Verbatim { text: text.clone() },
        Block::Signature { statement, .. } => {
            let lines = vec![Signature { role: "For the operator".into(), name: None }];
            // A frame for the statement itself, as high as some lines by hand.
            let room = format!("Statement:{}(go on overleaf where there is more)", "\n".repeat(ROOM_LINES));
            let room = Set::Verbatim { text: room };
            let blocks = vec![Set::Paragraph { text: clean(statement) }, room, Set::Signatures { lines }];
            return vec![Set::Together { blocks }];
        }
    };
    vec![set]
}

/// Whether a table has no room for one more column: what would stand there is told below it, by the heads of its rows.
fn crowded(table: &Table) -> bool {
    table.heads.len() >= COLUMNS_MOST
}

fn remarks(table: &Table) -> impl Iterator<Item = String> + '_ {
    let with = table.rows.iter().filter(|row| !row.remarks.is_empty());
    with.map(|row| {
        let head = row.cells.first().map(|cell| clean(cell)).unwrap_or_default();
        format!("{head}: {}", clean(&row.remarks.join(" ")))
    })
}

fn table(table: &Table) -> document::Table {
    let longest = |n: usize| {
        let cells = table.rows.iter().filter_map(|row| row.cells.get(n)).map(|cell| cell.chars().count());
        cells.max().unwrap_or(0)
    };
    let mut columns: Vec<Column> = table
        .heads
        .iter()
        .enumerate()
        .map(|(n, head)| {
            let width = if longest(n) <= SHORT { Width::Fit } else { Width::Fill };
            let align = if figures(table, n) { Align::Right } else { Align::Left };
            Column { head: clean(head), align, width }
        })
        .collect();
    let remarks = !crowded(table) && table.rows.iter().any(|row| !row.remarks.is_empty());
    if remarks {
        columns.push(Column::sentences("Remarks"));
    }
    let rows = table.rows.iter().map(|row| {
        let mut cells: Vec<Cell> = row.cells.iter().map(|cell| Cell::plain(clean(cell))).collect();
        if let Some(first) = cells.first_mut() {
            first.weight = document::Weight::Strong;
        }
        if remarks {
            cells.push(Cell::plain(clean(&row.remarks.join(" "))));
        }
        cells
    });
    document::Table { caption: None, columns, rows: rows.collect() }
}

/// Whether a column holds figures of one unit, so that their places line up.
fn figures(table: &Table, n: usize) -> bool {
    let mut units =
        table.rows.iter().filter_map(|row| row.cells.get(n)).map(|cell| clean(cell)).filter(|cell| cell != "–");
    let unit = |cell: &str| {
        let after = cell.trim_start_matches(['-', '−', '+']);
        let unit = after.trim_start_matches(|c: char| c.is_ascii_digit() || matches!(c, '.' | ','));
        let figure = after.starts_with(|c: char| c.is_ascii_digit()) && !unit.contains(|c: char| c.is_ascii_digit());
        figure.then(|| unit.to_owned())
    };
    let Some(first) = units.next().and_then(|cell| unit(&cell)) else { return false };
    units.all(|cell| unit(&cell).as_ref() == Some(&first))
}

fn capitalised(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}
