//! Whole documents on paper: pages, heads of tables, tags, and texts that come from outside.
//!
//! Must never ask the press what is on the paper: poppler and qpdf read the file.
#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use std::process::Command;

use pile::time::Timestamp;
use post::document::{
    Align, Block, Cell, Column, Document, DocumentError, Fact, Marks, Pressed, Signature, TEMPLATE, Table, Template,
    Width, pdf, sample,
};
use proptest::prelude::*;
use site::model::Paper;

/// Mon 16 March 2026 05:00 UTC.
const MADE: Timestamp = Timestamp::from_millis(1_773_637_200_000);

fn document(paper: Paper, blocks: Vec<Block>) -> Document {
    Document {
        title: "Weekly report".into(),
        subtitle: Some("Week 11 of 2026".into()),
        site: "Hof Süd".into(),
        footer: "Made from the record up to row 11,206".into(),
        language: "en".into(),
        paper,
        blocks,
    }
}

fn heading(level: u8, text: &str) -> Block {
    Block::Heading { level, text: text.into() }
}

fn paragraph(text: impl Into<String>) -> Block {
    Block::Paragraph { text: text.into() }
}

fn rows(count: usize) -> Vec<Vec<Cell>> {
    (1..=count).map(|n| vec![format!("bin {n}").into(), format!("{n}.5").into(), "as ever".into()]).collect()
}

fn table(rows: Vec<Vec<Cell>>) -> Block {
    let columns = vec![Column::words("Bin head"), Column::figures("Core, °C"), Column::sentences("What happened")];
    Block::Table(Table { caption: Some("All bins".into()), columns, rows })
}

fn made(document: &Document) -> Pressed {
    let pressed = pdf(document, pictures(), MADE, None).unwrap_or_else(|error| {
        panic!("{error}: {}", std::error::Error::source(&error).map(ToString::to_string).unwrap_or_default())
    });
    assert!(pressed.warnings.is_empty(), "{:?}", pressed.warnings);
    pressed
}

fn pictures() -> Vec<(String, Vec<u8>)> {
    let svg = "<svg xmlns='http://www.w3.org/2000/svg' width='900' height='150'><path d='M0 0L900 150' stroke='black'/>\
               <text x='10' y='140' font-family='DejaVu Sans' font-size='24'>Mon 9 March</text></svg>";
    vec![("north.svg".into(), svg.into())]
}

/// Whether the readers are here; without them a test says that it did not run, and in the gate it fails.
fn readers() -> bool {
    let lacking =
        ["pdfinfo", "qpdf"].into_iter().find(|reader| Command::new(reader).arg("--version").output().is_err());
    if let Some(reader) = lacking {
        assert!(std::env::var_os("CI").is_none(), "{reader} is missing");
        eprintln!("NOT RUN: {reader} is missing; apt-get install poppler-utils qpdf");
    }
    lacking.is_none()
}

/// What `program` prints about a file.
fn asked(program: &str, before: &[&str], pdf: &[u8], after: &[&str]) -> String {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("made.pdf");
    std::fs::write(&file, pdf).unwrap();
    let output = Command::new(program).args(before).arg(&file).args(after).output();
    let output = output.unwrap_or_else(|e| panic!("{program}: {e}; apt-get install poppler-utils qpdf"));
    assert!(output.status.success(), "{program}: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8_lossy(&output.stdout).into_owned()
}

/// The words of each page.
fn pages(pressed: &Pressed) -> Vec<String> {
    let text = asked("pdftotext", &["-layout"], &pressed.pdf, &["-"]);
    let mut pages: Vec<String> = text.split('\u{c}').map(str::to_owned).collect();
    assert_eq!(pages.pop().as_deref(), Some(""), "each page ends in a form feed");
    assert_eq!(pages.len(), pressed.pages);
    pages
}

/// Every kind of block once.
fn everything() -> Vec<Block> {
    vec![
        Block::Facts {
            pairs: vec![
                Fact { term: "Permit".into(), value: "C-42".into() },
                Fact { term: "Result".into(), value: Cell::strong("met") },
            ],
        },
        heading(1, "Part"),
        heading(2, "Chapter"),
        heading(3, "Section"),
        paragraph("A paragraph\nof two lines."),
        Block::Note { text: "A note.".into() },
        Block::Caution { lead: "Caution.".into(), text: "Hot material burns.".into() },
        Block::List { marks: Marks::Bullets, items: vec!["equal".into()] },
        Block::List { marks: Marks::Numbers, items: vec!["first".into(), "second".into()] },
        Block::List { marks: Marks::Boxes, items: vec!["to tick".into()] },
        table(rows(3)),
        Block::Figure { picture: "north.svg".into(), alt: "A line that falls".into(), caption: Some("Core".into()) },
        Block::Verbatim { text: "hof/record\n11206\n".into() },
        Block::PageBreak,
        Block::Together {
            blocks: vec![
                heading(1, "Review"),
                Block::Signatures {
                    lines: vec![
                        Signature { role: "Reviewed by".into(), name: Some("Jana".into()) },
                        Signature { role: "Released by".into(), name: None },
                    ],
                },
            ],
        },
    ]
}

#[test]
fn every_block_stands_on_both_sheets_under_title_period_and_number() {
    if !readers() {
        return;
    }
    for (paper, size) in [(Paper::A4, "595.276 x 841.89 pts (A4)"), (Paper::Letter, "612 x 792 pts (letter)")] {
        let pressed = made(&document(paper, everything()));
        assert!(asked("pdfinfo", &[], &pressed.pdf, &[]).contains(size), "{size}");
        let pages = pages(&pressed);
        assert_eq!(pages.len(), 2, "a page break was asked for");
        for (n, page) in (1..).zip(&pages) {
            for words in ["Weekly report", "Week 11 of 2026", "Hof Süd", "row 11,206", &format!("{n} of 2")] {
                assert!(page.contains(words), "page {n} lacks `{words}`:\n{page}");
            }
        }
        for words in [
            "Permit",
            "C-42",
            "met",
            "Part",
            "Chapter",
            "Section",
            "A paragraph\nof two lines.",
            "A note.",
            "Caution. Hot material burns.",
            "equal",
            "1. first",
            "2. second",
            "to tick",
            "All bins",
            "Bin head",
            "Core, °C",
            "2.5",
            "Core",
            "hof/record",
            "11206",
        ] {
            assert!(pages[0].contains(words), "page 1 lacks `{words}`:\n{}", pages[0]);
        }
        for words in ["Review", "Reviewed by", "Jana", "Released by", "Name", "Date", "Signature"] {
            assert!(pages[1].contains(words), "page 2 lacks `{words}`:\n{}", pages[1]);
        }
    }
}

#[test]
fn a_document_can_be_heard() {
    if !readers() {
        return;
    }
    let pressed = made(&document(Paper::A4, everything()));
    let heard = asked("pdfinfo", &["-struct-text"], &pressed.pdf, &[]);
    for (tag, why) in [
        ("H1", "parts"),
        ("H2", "chapters"),
        ("H3", "sections"),
        ("P (block)", "paragraphs"),
        ("Table", "tables"),
        ("THead", "heads of tables, told apart from rows"),
        ("TH <", "each head, named by its cells"),
        ("TD:", "each cell"),
        ("L (block)", "lists"),
        ("LI (block)", "their items"),
        ("Figure", "pictures"),
        ("Code", "lines kept as they are"),
    ] {
        assert!(heard.contains(tag), "no {tag}: {why}\n{heard}");
    }
    assert!(!heard.contains("\"1 of 2\""), "page numbers are not read aloud in the middle of a sentence:\n{heard}");
    let whole = asked("qpdf", &["--qdf", "--object-streams=disable"], &pressed.pdf, &["-"]);
    assert!(whole.contains("A line that falls"), "the words for a picture are in the file");
    for never in ["/JavaScript", "/Launch", "/URI", "/EmbeddedFile"] {
        assert!(!whole.contains(never), "{never} has no place in a document that is kept");
    }
    assert!(whole.contains("/GTS_PDFA1"), "the colours of a kept file are fixed by a profile");
}

#[test]
fn a_long_table_repeats_its_heads_and_splits_no_row() {
    if !readers() {
        return;
    }
    for paper in [Paper::A4, Paper::Letter] {
        let mut long = rows(150);
        long[70][2] = "A sentence that goes on and on about what happened in that bin on that day. ".repeat(8).into();
        let pages = pages(&made(&document(paper, vec![heading(1, "Bins"), table(long)])));
        assert!(pages.len() > 3, "{} pages", pages.len());
        for (n, page) in (1..).zip(&pages) {
            for head in ["Bin head", "Core, °C", "What happened"] {
                assert_eq!(page.matches(head).count(), 1, "page {n}: `{head}` once\n{page}");
            }
        }
        assert!(
            pages.iter().any(|p| p.contains("71.5") && p.matches("on that day").count() == 8),
            "a row stays together"
        );
        let all = pages.concat();
        for n in 1..=150 {
            assert_eq!(all.matches(&format!("bin {n} ")).count(), 1, "bin {n} once");
        }
    }
}

#[test]
fn a_heading_and_a_caption_never_stand_alone_at_the_foot_of_a_page() {
    if !readers() {
        return;
    }
    // Each length of what comes before puts them elsewhere on the sheet.
    for before in 30..48 {
        let mut blocks: Vec<Block> = (0..before).map(|n| paragraph(format!("line {n}"))).collect();
        blocks.extend([heading(2, "The heading"), table(rows(40))]);
        let pages = pages(&made(&document(Paper::A4, blocks)));
        let page = pages.iter().find(|p| p.contains("The heading")).unwrap();
        assert!(page.contains("All bins") && page.contains("bin 1 "), "after {before} lines:\n{page}");
    }
}

#[test]
fn what_stays_together_begins_a_page_if_it_must_and_runs_over_if_it_is_longer_than_one() {
    if !readers() {
        return;
    }
    for (before, inside, why) in [
        (30, 20, "does not fit below, fits on the next page"),
        (3, 20, "fits where it is"),
        (3, 120, "fits on no page: nothing may be lost at the foot"),
    ] {
        let mut blocks: Vec<Block> = (0..before).map(|n| paragraph(format!("line {n}"))).collect();
        blocks.push(Block::Together { blocks: (0..inside).map(|n| paragraph(format!("inner {n}."))).collect() });
        let pages = pages(&made(&document(Paper::A4, blocks)));
        let with: Vec<_> = pages.iter().filter(|page| page.contains("inner ")).collect();
        let found: usize = with.iter().map(|page| page.matches("inner ").count()).sum();
        assert_eq!((found, with.len() == 1), (inside, inside < 50), "{why}");
    }
}

#[test]
fn nothing_runs_out_of_the_page() {
    if !readers() {
        return;
    }
    let hash = "9f86d081884c7d659a2feaa0c55ad015".repeat(9);
    let checkpoint = format!("— hof-sued.example/record {}=", "Az3grlgtzPICa5OS".repeat(6));
    let wide: Vec<Column> = (1..=11).map(|n| Column::figures(format!("Measured at position {n}, °C"))).collect();
    let blocks = vec![
        paragraph(&hash),
        Block::Facts { pairs: vec![Fact { term: "Root".into(), value: hash.as_str().into() }] },
        Block::Verbatim { text: format!("{checkpoint}\n{hash}") },
        Block::List { marks: Marks::Bullets, items: vec![hash.clone()] },
        table(vec![vec!["b".into(), "1".into(), hash.as_str().into()]]),
        Block::Table(Table { caption: None, columns: wide, rows: vec![vec![Cell::plain("54.96"); 11]; 3] }),
    ];
    for paper in [Paper::A4, Paper::Letter] {
        let pressed = made(&document(paper, blocks.clone()));
        // Words with their boxes: `<word xMin="56.69" yMin=… xMax="…" …>`, on a page whose width is told before.
        let boxes = asked("pdftotext", &["-bbox"], &pressed.pdf, &["-"]);
        let number = |line: &str, key: &str| -> Option<f64> { line.split(key).nth(1)?.split('"').nth(1)?.parse().ok() };
        let width = boxes.lines().find_map(|line| number(line, "page width=")).unwrap();
        let right = boxes.lines().filter(|line| line.contains("<word")).filter_map(|line| number(line, "xMax="));
        let right = right.fold(0.0, f64::max);
        assert!((400.0..width - 50.0).contains(&right), "words reach {right} of {width}");
        let text = pages(&pressed).concat();
        assert!(text.contains(&checkpoint), "a checkpoint stays on its line:\n{text}");
        let joined: String = text.chars().filter(|c| !c.is_whitespace()).collect();
        assert!(joined.matches(&hash).count() >= 4, "what was broken is copied as it was:\n{text}");
    }
}

#[test]
fn texts_from_outside_are_shown_as_they_are_wherever_they_stand() {
    if !readers() {
        return;
    }
    let evil = "#import \"x\" $x$ *a* _b_ \\ <b> `c` @d // e ~ [f] {g} ü Ж ≥";
    let mut blocks = vec![
        heading(1, evil),
        paragraph(evil),
        Block::Note { text: evil.into() },
        Block::Caution { lead: evil.into(), text: evil.into() },
        Block::Facts { pairs: vec![Fact { term: "t".into(), value: evil.into() }] },
        Block::List { marks: Marks::Numbers, items: vec![evil.into()] },
        Block::Verbatim { text: evil.into() },
        table(vec![vec!["b".into(), "1".into(), evil.into()]]),
        Block::Signatures { lines: vec![Signature { role: evil.into(), name: Some("N".into()) }] },
    ];
    blocks.push(Block::Figure { picture: "north.svg".into(), alt: evil.into(), caption: Some(evil.into()) });
    let whole = Document {
        title: evil.into(),
        subtitle: Some(evil.into()),
        footer: evil.into(),
        ..document(Paper::A4, blocks)
    };
    let text = pages(&made(&whole)).concat();
    let squeezed = |text: &str| text.chars().filter(|c| !c.is_whitespace()).collect::<String>();
    let found = squeezed(&text).matches(&squeezed(evil)).count();
    assert!(found >= 13, "{found} of 13 places and more\n{text}");
}

#[test]
fn levels_of_headings_that_jump_are_brought_down_not_refused() {
    if !readers() {
        return;
    }
    let blocks =
        vec![heading(9, " "), heading(3, "deep"), heading(0, "top"), heading(9, "deeper"), heading(3, "deepest")];
    let heard = asked("pdfinfo", &["-struct-text"], &made(&document(Paper::A4, blocks)).pdf, &[]);
    for (tag, count) in [("H1", 2), ("H2", 1), ("H3", 1)] {
        assert_eq!(heard.matches(tag).count(), count, "{tag}\n{heard}");
    }
}

#[test]
fn empty_texts_and_empty_blocks_are_set_too() {
    if !readers() {
        return;
    }
    let blocks = vec![
        paragraph(""),
        Block::Facts { pairs: Vec::new() },
        Block::List { marks: Marks::Boxes, items: Vec::new() },
        table(Vec::new()),
        Block::Table(Table { caption: None, columns: Vec::new(), rows: vec![vec!["lost".into()]] }),
        table(vec![Vec::new(), vec!["a".into(), "b".into(), "c".into(), "too many".into()]]),
        Block::Verbatim { text: String::new() },
        Block::Signatures { lines: Vec::new() },
        Block::Together { blocks: Vec::new() },
        Block::PageBreak,
        Block::PageBreak,
        paragraph("the end"),
    ];
    let whole = Document { subtitle: None, footer: String::new(), ..document(Paper::A4, blocks) };
    let pages = pages(&made(&whole));
    assert_eq!(pages.len(), 2, "two breaks in a row make no empty page");
    assert!(pages[1].contains("the end") && !pages.concat().contains("too many"));
}

#[test]
fn the_same_document_gives_the_same_bytes() {
    assert_eq!(made(&document(Paper::A4, everything())).pdf, made(&document(Paper::A4, everything())).pdf);
}

#[test]
fn a_template_of_the_site_is_taken_and_its_faults_are_told_with_their_place() {
    if !readers() {
        return;
    }
    let whole = document(Paper::A4, everything());
    let own = TEMPLATE.replace("name: \"Name\"", "name: \"In Druckschrift\"");
    let pressed = pdf(&whole, pictures(), MADE, Some(Template { name: "own.rhai", text: &own })).unwrap();
    assert!(pages(&pressed)[1].contains("In Druckschrift"));

    let broken = TEMPLATE.replace("text(it.role,", "text(it.rule,");
    let line = broken.lines().position(|l| l.contains("it.rule")).unwrap() + 1;
    let error = pdf(&whole, pictures(), MADE, Some(Template { name: "own.rhai", text: &broken })).unwrap_err();
    let DocumentError::Press { source, .. } = &error else { panic!("{error}") };
    let told = source.to_string();
    assert!(told.contains(&format!("own.rhai:{line}:")) && told.contains("text(it.rule,"), "{told}");
}

#[test]
fn the_sample_for_templates_has_every_kind_of_block() {
    fn kinds(blocks: &[Block], seen: &mut std::collections::BTreeSet<String>) {
        for block in blocks {
            let kind = serde_json::to_value(block).unwrap()["kind"].as_str().unwrap().to_owned();
            seen.insert(kind);
            if let Block::Together { blocks } = block {
                kinds(blocks, seen);
            }
        }
    }
    let (mut sampled, mut all) = Default::default();
    let (document, pictures) = sample(Paper::Letter, false);
    kinds(&document.blocks, &mut sampled);
    kinds(&everything(), &mut all);
    assert_eq!(sampled, all);
    let pressed = pdf(&document, pictures, MADE, None).unwrap();
    assert!(pressed.warnings.is_empty() && pressed.pages > 2, "{:?}", pressed.warnings);
    let (bare, pictures) = sample(Paper::Letter, true);
    assert!(bare.subtitle.is_none() && pdf(&bare, pictures, MADE, None).unwrap().warnings.is_empty());
}

#[test]
fn a_picture_that_was_not_handed_over_is_named() {
    let figure = Block::Figure { picture: "south.svg".into(), alt: "South".into(), caption: None };
    let whole = document(Paper::A4, vec![Block::Together { blocks: vec![figure] }]);
    let error = pdf(&whole, pictures(), MADE, None).unwrap_err();
    assert!(matches!(&error, DocumentError::Picture { picture, .. } if picture == "south.svg"), "{error}");
}

/// Words of every length, each of which can be told from all others: its number stands in it.
fn any_words(longest: usize) -> impl Strategy<Value = Vec<usize>> {
    let lengths = prop_oneof![6 => 1_usize..9, 2 => 9_usize..24, 1 => 24_usize..90];
    prop::collection::vec(lengths, 1..longest)
}

/// A block of so many letters a word, not yet numbered.
#[derive(Clone, Debug)]
enum Plan {
    Heading(u8, Vec<usize>),
    Paragraph(Vec<usize>),
    Note(Vec<usize>),
    Caution(Vec<usize>),
    Facts(Vec<(Vec<usize>, Vec<usize>)>),
    List(u8, Vec<Vec<usize>>),
    /// Columns: whether they fill, where they stand; and the cells, row by row.
    Table(Vec<(bool, u8)>, Vec<Vec<Vec<usize>>>),
    Figure(Vec<usize>),
    Verbatim(Vec<Vec<usize>>),
    Signature(Vec<usize>),
    PageBreak,
}

fn any_plan() -> impl Strategy<Value = Plan> {
    let table = (1_usize..12).prop_flat_map(|count| {
        let columns = prop::collection::vec((any::<bool>(), 0_u8..3), count);
        let cells = prop::collection::vec(prop_oneof![8 => any_words(4), 1 => any_words(120)], count);
        (columns, prop::collection::vec(cells, 1..14))
    });
    prop_oneof![
        2 => (1_u8..4, any_words(12)).prop_map(|(level, words)| Plan::Heading(level, words)),
        4 => any_words(150).prop_map(Plan::Paragraph),
        1 => any_words(40).prop_map(Plan::Note),
        1 => any_words(60).prop_map(Plan::Caution),
        2 => prop::collection::vec((any_words(6), any_words(60)), 1..8).prop_map(Plan::Facts),
        2 => (0_u8..3, prop::collection::vec(any_words(40), 1..9)).prop_map(|(marks, items)| Plan::List(marks, items)),
        4 => table.prop_map(|(columns, rows)| Plan::Table(columns, rows)),
        1 => any_words(30).prop_map(Plan::Figure),
        // No line so long that it is broken: it may be broken within a number, and a foot of a page may stand between the two parts.
        1 => prop::collection::vec(prop::collection::vec(1_usize..12, 1..9), 1..40).prop_map(Plan::Verbatim),
        1 => any_words(6).prop_map(Plan::Signature),
        1 => Just(Plan::PageBreak),
    ]
}

/// Numbers of words begin here, so that none is one that stands on every page.
const FIRST: usize = 5_000;

/// Numbers words as they are set: `x5007xx` is the eighth, and as many letters long as was planned, if its number has fewer.
fn said(lengths: &[usize], count: &mut usize) -> String {
    let word = |length: &usize| {
        let number = (FIRST + *count).to_string();
        *count += 1;
        let rest = "x".repeat(length.saturating_sub(number.len() + 1).max(1));
        format!("x{number}{rest}")
    };
    lengths.iter().map(word).collect::<Vec<_>>().join(" ")
}

fn built(plans: &[Plan]) -> (Vec<Block>, usize) {
    let mut count = 0;
    let n = &mut count;
    let block = |plan: &Plan| match plan {
        Plan::Heading(level, words) => Block::Heading { level: *level, text: said(words, n) },
        Plan::Paragraph(words) => paragraph(said(words, n)),
        Plan::Note(words) => Block::Note { text: said(words, n) },
        Plan::Caution(words) => Block::Caution { lead: "Caution".into(), text: said(words, n) },
        Plan::Facts(pairs) => {
            let fact =
                |(term, value): &(Vec<usize>, Vec<usize>)| Fact { term: said(term, n), value: said(value, n).into() };
            Block::Facts { pairs: pairs.iter().map(fact).collect() }
        }
        Plan::List(marks, items) => {
            let marks = [Marks::Bullets, Marks::Numbers, Marks::Boxes][usize::from(*marks)];
            Block::List { marks, items: items.iter().map(|item| said(item, n)).collect() }
        }
        Plan::Table(columns, rows) => {
            let column = |(fill, align): &(bool, u8)| Column {
                head: "Head".into(),
                align: [Align::Left, Align::Centre, Align::Right][usize::from(*align)],
                width: if *fill { Width::Fill } else { Width::Fit },
            };
            let columns = columns.iter().map(column).collect();
            let rows = rows.iter().map(|row| row.iter().map(|cell| said(cell, n).into()).collect()).collect();
            Block::Table(Table { caption: Some("Caption".into()), columns, rows })
        }
        Plan::Figure(words) => {
            Block::Figure { picture: "north.svg".into(), alt: "A line".into(), caption: Some(said(words, n)) }
        }
        Plan::Verbatim(lines) => {
            Block::Verbatim { text: lines.iter().map(|line| said(line, n)).collect::<Vec<_>>().join("\n") }
        }
        Plan::Signature(words) => Block::Signatures { lines: vec![Signature { role: said(words, n), name: None }] },
        Plan::PageBreak => Block::PageBreak,
    };
    (plans.iter().map(block).collect(), count)
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(24) })]

    #[test]
    fn whatever_a_document_says_is_on_paper_once_and_within_its_margins(
        plans in prop::collection::vec(any_plan(), 1..16),
        together in prop::bool::weighted(0.2),
        letter in any::<bool>(),
    ) {
        if !readers() {
            return Ok(());
        }
        let (blocks, count) = built(&plans);
        let blocks = if together { vec![Block::Together { blocks }] } else { blocks };
        let (paper, width, height) = if letter { (Paper::Letter, 612.0, 792.0) } else { (Paper::A4, 595.28, 841.89) };
        let pressed = made(&document(paper, blocks));
        let boxes = asked("pdftotext", &["-bbox"], &pressed.pdf, &["-"]);
        let number = |line: &str, key: &str| -> Option<f64> { line.split(key).nth(1)?.split('"').nth(1)?.parse().ok() };
        for line in boxes.lines().filter(|line| line.contains("<word")) {
            let side = |key: &str| number(line, key).unwrap();
            // The margins of the template are 20 mm at the sides; heads and feet stand in those above and below.
            let within = side("xMin=") > 56.0 && side("xMax=") < width - 56.0 && side("yMin=") > 20.0 && side("yMax=") < height - 20.0;
            prop_assert!(within, "{line}");
        }
        // What was broken is joined again; a word is its number and what fills it.
        let text = asked("pdftotext", &["-raw"], &pressed.pdf, &["-"]);
        let joined: String = text.chars().filter(|c| !c.is_whitespace()).collect();
        let mut seen = vec![0_usize; count];
        for digits in joined.split(|c: char| !c.is_ascii_digit()) {
            let place = digits.parse::<usize>().ok().and_then(|number| number.checked_sub(FIRST));
            if let Some(times) = place.and_then(|place| seen.get_mut(place)) {
                *times += 1;
            }
        }
        let wrong: Vec<(usize, usize)> = (0..count).filter(|n| seen[*n] != 1).map(|n| (FIRST + n, seen[n])).collect();
        prop_assert!(wrong.is_empty(), "of {count} words, these stand there not once but so often: {wrong:?}\n{text}");
    }
}

#[test]
fn no_reader_finds_an_entry_about_suspect_tags() {
    let pressed =
        made(&document(Paper::A4, vec![heading(1, "A part"), paragraph("/MarkInfo<</Marked true/Suspects false>>")]));
    let found = |what: &[u8]| pressed.pdf.windows(what.len()).any(|bytes| bytes == what);
    assert!(found(b"/Marked true") && !found(b"/Suspects"), "the catalogue says nothing of suspects");
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("document.pdf");
    std::fs::write(&path, &pressed.pdf).unwrap();
    let checked = Command::new("pdfinfo").arg(&path).output().unwrap();
    assert!(checked.status.success() && checked.stderr.is_empty(), "{}", String::from_utf8_lossy(&checked.stderr));
    let checked = Command::new("qpdf").arg("--check").arg(&path).output().unwrap();
    assert!(checked.status.success(), "{}", String::from_utf8_lossy(&checked.stdout));
}
