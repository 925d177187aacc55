//! Jobs through the press: what a file says of itself, what a template may and may not do, and letters that no font has.
//!
//! Must never trust the press about its own file: poppler and qpdf read it.
#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use std::process::Command;

use pile::time::Timestamp;
use press::{Job, PressError, Pressed, Template, pdf};

/// Mon 16 March 2026 05:00 UTC.
const MADE: Timestamp = Timestamp::from_millis(1_773_637_200_000);

fn job<'a>(template: &'a str, data: &'a str) -> Job<'a> {
    Job {
        template: Template { name: "yard.rhai", text: template },
        data: data.as_bytes(),
        pictures: Vec::new(),
        made_at: MADE,
        title: "A title with ü",
        language: "de-AT",
    }
}

fn made(template: &str, data: &str) -> Pressed {
    pdf(&job(template, data)).unwrap_or_else(|error| panic!("{template}: {error}"))
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

fn text_of(pressed: &Pressed) -> String {
    asked("pdftotext", &["-layout", "-nopgbrk"], &pressed.pdf, &["-"])
}

#[test]
fn a_file_says_what_it_is_to_others() {
    if !readers() {
        return;
    }
    let pressed = made("document(#{}, [text(doc.word), new_page(), \"zwei\"])", r#"{"word": "eins"}"#);
    assert_eq!(pressed.pages, 2);
    assert!(pressed.warnings.is_empty(), "{:?}", pressed.warnings);
    assert!(pressed.pdf.starts_with(b"%PDF-1.7"), "PDF/A-2 is PDF 1.7");

    let info = asked("pdfinfo", &[], &pressed.pdf, &[]);
    for (line, why) in [
        ("Title: A title with ü", "the job names it, even where the template does not"),
        ("Creator: hypocaust", "who made it"),
        ("CreationDate: Mon Mar 16 05:00:00 2026 UTC", "the date handed in, not that of the machine"),
        ("Tagged: yes", "a file that cannot be heard is no PDF/UA"),
        ("JavaScript: no", "nothing in it runs"),
        ("Encrypted: no", "an archive can read it"),
        ("Pages: 2", "two were set"),
    ] {
        let squeezed = info.lines().map(|l| l.split_whitespace().collect::<Vec<_>>().join(" "));
        assert!(squeezed.clone().any(|l| l == line), "{line}: {why}\n{info}");
    }
    let meta = asked("pdfinfo", &["-meta"], &pressed.pdf, &[]);
    for (claim, why) in [
        ("<pdfaid:part>2</pdfaid:part>", "PDF/A-2"),
        ("<pdfaid:conformance>A</pdfaid:conformance>", "its level a, with tags"),
        ("<pdfuaid:part>1</pdfuaid:part>", "PDF/UA-1"),
        ("de-AT", "its language"),
    ] {
        assert!(meta.contains(claim), "{claim}: {why}\n{meta}");
    }
    let fonts = asked("pdffonts", &[], &pressed.pdf, &[]);
    for line in fonts.lines().skip(2) {
        let embedded: Vec<&str> = line.split_whitespace().rev().skip(2).take(3).collect();
        assert_eq!(embedded, ["yes", "yes", "yes"], "embedded, subset, with letters that can be copied: {line}");
    }
    assert!(asked("qpdf", &["--check"], &pressed.pdf, &[]).contains("No syntax or stream encoding errors found"));
}

#[test]
fn the_same_job_gives_the_same_bytes_and_another_time_gives_others() {
    if !readers() {
        return;
    }
    let template = "document(#{}, table([#{ head: \"a\" }, #{ head: \"b\" }], doc.rows, #{}))";
    let data = r#"{"rows": [["1", "2"], ["ä", "≥"]]}"#;
    assert_eq!(made(template, data).pdf, made(template, data).pdf);
    let later = Job { made_at: Timestamp::from_millis(MADE.as_millis() + 1_000), ..job(template, data) };
    assert_ne!(pdf(&later).unwrap().pdf, made(template, data).pdf);
}

#[test]
fn a_broken_template_is_answered_with_its_place_and_a_remedy() {
    let data = serde_json::json!({ "a": 1, "long": "foot ".repeat(400) }).to_string();
    let mut wrong = Vec::new();
    for (template, line, column, words, why) in [
        ("let a = 1;\n\nlet x = (1,", 3, 11, "Expecting ')'", "a bracket is forgotten"),
        ("let x = [];\n  undefined_word(x)", 2, 3, "no function undefined_word", "a word that is none"),
        ("let x = 1;\n  x + undefined", 2, 7, "undefined", "a name that is none"),
        ("doc.nothing", 1, 5, "nothing", "a key that the data has not"),
        ("fn f(x) { x + [1] + #{} }\nf(2)", 1, 13, "no function +", "inside a function"),
        ("read(\"/etc/passwd\")", 1, 1, "no function read", "a file of the machine"),
        ("import \"other\" as other;", 1, 1, "import", "another template"),
        ("eval(\"1\")", 1, 1, "eval", "a text that is run"),
        ("timestamp()", 1, 1, "no function timestamp", "the time"),
        ("sleep(1)", 1, 1, "no function sleep", "waiting"),
        ("fn f() { f() }\nf()", 2, 1, "each other", "a call that never ends"),
        ("let n = 0;\nloop { n += 1; }", 2, 13, "steps", "a loop that never ends"),
        (
            "let many = [];\nmany.pad(20000, 1);\nmany.map(|x| { let y = 0; loop { y += 1; } });",
            3,
            6,
            "steps",
            "a closure that never ends",
        ),
        (
            "let many = [];\nmany.pad(20000, 1);\nmany.map(|x| { let y = 0; for i in 0..2000 { y += i; } y });",
            3,
            6,
            "steps",
            "a closure that ends, called so often that all of them together are too much",
        ),
        ("try { undefined() } catch { 1 }", 1, 1, "try", "going on after a fault"),
        (
            "let many = [];\nmany.pad(20000, 1);\nloop { let other = many; }",
            3,
            8,
            "steps",
            "a long array that is copied again and again",
        ),
        (
            "let t = \"\";\nt.pad(100000, \"a\");\nlet by = t;\nt.replace(\"a\", by);",
            4,
            3,
            "a text would become 10000000000 bytes long",
            "a text that grows by replacing",
        ),
        (
            "let t = \"\";\nt.pad(100000, \"a\");\nlet b = [];\nfor n in 0..30 { b.push(text(t, #{})); }\ndocument(#{}, b)",
            5,
            1,
            "longer than 2000000 bytes together",
            "one text set again and again",
        ),
        (
            "let b = [];\nfor n in 0..2001 { b.push(picture(\"p\", \"says\", #{})); }\nframe(b, #{})",
            3,
            1,
            "more than 2000 pictures",
            "pictures without end",
        ),
        ("let t = \"tt\";\nloop { t += t; }", 2, 10, "Length of string", "a text that never ends"),
        ("let t = [1];\nloop { t += t; }", 2, 10, "Size of array", "a list that never ends"),
        ("let f = [];\nfor n in 0..99 { f = frame(f, #{}); }", 2, 22, "stand in each other", "frames without end"),
        (
            "let a = [];\nfor n in 0..99 { a = [a]; }\ndocument(#{}, a)",
            3,
            1,
            "arrays stand in each other",
            "arrays without end",
        ),
        (
            "let f = \"a\";\nfor n in 0..38 { f = frame([f, f], #{}); }",
            2,
            22,
            "more than 200000 elements",
            "what doubles without end",
        ),
        ("columns([\"fill inf\", \"fill\"], [\"a\", \"b\"], #{})", 1, 1, "fill inf", "a share without end"),
        ("table([#{ width: \"fill\", most: 0.4 }], [], #{})", 1, 1, "most", "a share that counts for nothing"),
        ("line(1, 400)", 1, 1, "grey", "a grey of a line that is none"),
        ("picture(\"a\", \"a\", #{ highest: 3 })", 1, 1, "highest", "a share that is none"),
        (
            "document(#{}, table([#{ head: page_number() }], [[\"a\"]], #{}))",
            1,
            15,
            "no page has a number yet",
            "nor in a head",
        ),
        (
            "document(#{}, table([#{}], [[\"a\"]], #{ caption: heading(1, \"a\", #{}) }))",
            1,
            49,
            "caption of a table is a heading",
            "a heading that would be lost to who hears it",
        ),
        (
            "document(#{ foot: doc.long, size: 99 }, \"a\")",
            1,
            1,
            "leave less than an inch",
            "a foot that fills the page",
        ),
        ("throw \"no bin\"", 1, 1, "no bin", "what a template itself refuses"),
        ("document(#{}, heading(2, \"Two\", #{}))", 1, 15, "level", "no PDF/UA: the first heading is not of level 1"),
        ("document(#{}, picture(\"a\", \" \", #{}))", 1, 15, "cannot see it", "no PDF/UA: nobody can hear it"),
        ("document(#{}, picture(\"other.png\", \"a\", #{}))", 1, 15, "no picture `other.png`", "a picture beside it"),
        ("document(#{}, [\n text(\"a\", #{ sise: 8 })])", 2, 2, "no `sise`", "a word of a style that is none"),
        ("text(\"a\", #{ size: \"large\" })", 1, 1, "size", "a size that is none"),
        ("text(\"a\", #{ size: 900 })", 1, 1, "size", "a size that fits no page"),
        ("text(\"a\", #{ grey: -1 })", 1, 1, "grey", "a grey that is none"),
        ("text(doc, #{})", 1, 1, "nothing that can be set", "what is no text"),
        ("list(\"stars\", [], #{})", 1, 1, "stars", "marks that are none"),
        ("table([], [], #{})", 1, 1, "at least one column", "a table of nothing"),
        ("table([#{ head: \"a\" }], [1], #{})", 1, 1, "array of cells", "a row that is none"),
        ("table([#{ width: \"wide\" }], [], #{})", 1, 1, "wide", "a width that is none"),
        ("columns([\"fit\"], [\"a\", \"b\"], #{})", 1, 1, "1 widths for 2 columns", "widths that do not match"),
        ("frame(\"a\", #{ edges: 1 })", 1, 1, "edges", "an edge that is no line"),
        ("document(#{ margins: mm(120) }, [])", 1, 1, "inch", "margins that leave no page"),
        ("document(#{ paper: \"a5\" }, [])", 1, 1, "a5", "a sheet that is not to be had"),
        (
            "document(#{}, text(page_number(), #{}))",
            1,
            15,
            "no page has a number yet",
            "a number before there are pages",
        ),
    ] {
        let Err(PressError::Refused { faults }) = pdf(&job(template, &data)) else {
            wrong.push(format!("{template}: it was set all the same; {why}"));
            continue;
        };
        let told = PressError::Refused { faults: faults.clone() }.to_string();
        let place = faults[0].place.as_ref();
        let here = place.map(|place| (place.file.as_str(), place.line, place.column));
        let its_line = place.is_some_and(|place| place.text == template.lines().nth(line - 1).unwrap());
        let placed = told.contains(&format!("yard.rhai:{line}:{column}: "));
        if here != Some(("yard.rhai", line, column)) || !its_line || !placed || !told.contains(words) {
            wrong.push(format!("{template}\n  {why}: not at {line}:{column} with `{words}`, but:\n{told}"));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn a_template_that_gives_no_document_is_told_what_to_end_with() {
    let Err(PressError::Refused { faults }) = pdf(&job("let a = 1; a", "{}")) else {
        panic!("it was set all the same")
    };
    let told = faults[0].to_string();
    assert!(told.contains("yard.rhai") && told.contains("end it with document("), "{told}");
}

#[test]
fn a_misspelt_style_names_those_that_there_are() {
    let Err(PressError::Refused { faults }) = pdf(&job("frame([], #{ insert: 3 })", "{}")) else { panic!() };
    let told = faults[0].to_string();
    assert!(told.contains("frame knows no `insert`") && told.contains("inset, edges"), "{told}");
}

#[test]
fn a_picture_opens_no_file() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("secret.png");
    // A PNG of one black pixel, written by Pillow 13; below, the same in base64.
    let pixel = b"\x89PNG\x0d\x0a\x1a\x0a\x00\x00\x00\x0dIHDR\x00\x00\x00\x01\x00\x00\x00\x01\x08\x00\x00\x00\x00:~\x9bU\x00\x00\x00\x0aIDATx\x9cc`\x00\x00\x00\x02\x00\x01H\xaf\xa4q\x00\x00\x00\x00IEND\xaeB`\x82";
    std::fs::write(&file, pixel).unwrap();
    let made = |href: &str| {
        let svg = format!(
            "<svg xmlns='http://www.w3.org/2000/svg' width='9' height='9'><image href='{href}' width='9' height='9'/></svg>"
        );
        let template = "document(#{}, picture(\"a.svg\", \"a\", #{}))";
        pdf(&Job { pictures: vec![("a.svg".into(), svg.into())], ..job(template, "{}") }).unwrap().pdf
    };
    let inside = format!(
        "data:image/png;base64,{}",
        "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAAAAAA6fptVAAAACklEQVR4nGNgAAAAAgABSK+kcQAAAABJRU5ErkJggg=="
    );
    assert_ne!(made(&inside), made("nowhere.png"), "a picture within a picture is drawn");
    assert_eq!(made(file.to_str().unwrap()), made("nowhere.png"), "one beside it is not");
}

#[test]
fn text_of_the_data_is_never_read_as_markup() {
    if !readers() {
        return;
    }
    for text in [
        "#import \"x.typ\"",
        "$x^2$",
        "*bold* _slanted_",
        "\\ backslash \\n",
        "<b>tag</b> &amp;",
        "`raw` ```x```",
        "// no comment",
        "/* nor this */",
        "@reference and <label>",
        "= no heading",
        "- no item",
        "1. nor this",
        "~ -- --- ... 'single' \"double\"",
        "#{panic()} #(1+1)",
        "[a](b) {c}",
        "Süd ß Ærø Žižkov",
        "Компост и тепло",
        "Κομπόστ",
        "≥ 55 °C, ±0,5 K, −3, 12 m³, CO₂, a → b",
        "it's 5'6\"",
    ] {
        let data = serde_json::json!({ "text": text }).to_string();
        let pressed = made("document(#{}, doc.text)", &data);
        assert!(pressed.warnings.is_empty(), "{text}: {:?}", pressed.warnings);
        assert_eq!(text_of(&pressed).trim(), text);
    }
}

#[test]
fn letters_that_no_font_has_are_set_as_numbers_and_told() {
    if !readers() {
        return;
    }
    let svg = "<svg xmlns='http://www.w3.org/2000/svg' width='300' height='20'><text x='1' y='15' font-family='DejaVu Sans'>bin 北</text></svg>";
    let template = "document(#{}, [doc.text, picture(\"a.svg\", \"a\", #{})])";
    let hot = serde_json::json!({ "text": "Bin \u{1F525}\u{FE0F} of 张\r\n\tü \u{7} e\u{301}" }).to_string();
    let job = Job { pictures: vec![("a.svg".into(), svg.into())], ..job(template, &hot) };
    let pressed = pdf(&job).unwrap();
    let text = text_of(&pressed);
    let told: Vec<String> = pressed.warnings.iter().map(ToString::to_string).collect();
    assert_eq!(told.len(), 1, "{told:?}");
    for (number, letter) in [("U+1F525", "\u{1F525}"), ("U+5F20", "张"), ("U+5317", "北"), ("U+0007", "U+0007")] {
        assert!(told[0].contains(number) && told[0].contains(letter), "{number}: {told:?}");
        assert!(text.contains(&format!("[{number}]")), "{number}: {text}");
    }
    assert!(text.contains('ü') && !told[0].contains("FE0F"), "what has no picture of its own is not missed: {text}");
}

#[test]
fn what_is_no_data_or_no_date_is_answered_and_not_set() {
    let error = pdf(&job("a", "{")).unwrap_err();
    assert!(matches!(error, PressError::Data(_)), "{error}");
    let error = pdf(&Job { made_at: Timestamp::MAX, ..job("a", "{}") }).unwrap_err();
    assert!(matches!(error, PressError::Date(_)), "{error}");
}

/// Words with their boxes: text, left, top, right and bottom side, page by page.
fn boxes(pressed: &Pressed) -> Vec<Vec<(String, [f64; 4])>> {
    let told = asked("pdftotext", &["-bbox"], &pressed.pdf, &["-"]);
    let side =
        |line: &str, key: &str| -> f64 { line.split(key).nth(1).unwrap().split('"').nth(1).unwrap().parse().unwrap() };
    let mut pages = Vec::new();
    for line in told.lines() {
        if line.contains("<page ") {
            pages.push(Vec::new());
        } else if line.contains("<word ") {
            let word = line.split_once('>').unwrap().1.trim_end_matches("</word>").to_owned();
            let sides = ["xMin=", "yMin=", "xMax=", "yMax="].map(|key| side(line, key));
            pages.last_mut().unwrap().push((word, sides));
        }
    }
    pages
}

#[test]
fn what_is_too_high_or_too_wide_is_parted_and_nothing_is_drawn_beyond_the_margins() {
    if !readers() {
        return;
    }
    let words: Vec<String> = (0..900).map(|n| format!("w{n}w")).collect();
    let data = serde_json::json!({ "text": words.join(" "), "words": words }).to_string();
    let lines = "let all = []; for word in doc.words { all.push(text(word)); }\n";
    for (body, why) in [
        ("[columns([\"fill\", \"fill 3\"], [doc.text, \"b\"], #{})]", "a column that is higher than the page"),
        ("[frame(doc.text, #{ height: 20 })]", "a frame that is lower than what is in it"),
        (
            "[table([#{ head: doc.text }, #{ head: \"b\" }], [[\"a\", \"b\"]], #{})]",
            "a head that is higher than the page",
        ),
        ("[table([#{ head: \"a\" }], [[doc.text]], #{ inset: 10 })]", "a row that is higher than the page"),
        ("[frame(all, #{ together: true, inset: 60 })]", "what fits on no page together"),
        ("[frame(frame(all, #{ together: true }), #{ inset: 60, edges: line(1) })]", "nor in another frame"),
        ("[list(\"numbers\", [[new_page(), doc.text]], #{})]", "an item that begins with a page"),
        ("[table([#{ width: \"fit\" }, #{}], [[frame(all, #{ together: true }), \"b\"]], #{})]", "a frame in a cell"),
    ] {
        let template = format!("{lines}let edge = 60; document(#{{ margins: edge, size: 9 }}, {body})");
        let pressed = made(&template, &data);
        assert!(pressed.warnings.is_empty(), "{why}: {:?}", pressed.warnings);
        let pages = boxes(&pressed);
        let mut found = std::collections::BTreeMap::new();
        for (word, [left, top, right, bottom]) in pages.iter().flatten() {
            assert!(
                *left > 59.0 && *top > 55.0 && *right < 536.3 && *bottom < 785.9,
                "{why}: {word} {left} {top} {right} {bottom}"
            );
            *found.entry(word.as_str()).or_insert(0) += 1;
        }
        let lost: Vec<_> = words.iter().filter(|word| found.get(word.as_str()) != Some(&1)).collect();
        assert!(lost.is_empty(), "{why}: not there once: {lost:?}");
    }
    let wide = "let c = []; let r = []; for n in 0..60 { c.push(#{ head: \"h\" }); r.push(\"9\"); }\n\
                document(#{ margins: 60, size: 9 }, table(c, [r], #{ inset: 5 }))";
    for (word, [left, _, right, _]) in boxes(&made(wide, "{}")).iter().flatten() {
        assert!(*left > 59.0 && *right < 538.0, "sixty columns: {word} {left} {right}");
    }
}

#[test]
fn heads_and_feet_get_the_room_that_they_need() {
    if !readers() {
        return;
    }
    let words: Vec<String> = (0..200).map(|n| format!("f{n}f")).collect();
    let data = serde_json::json!({ "text": words.join(" ") }).to_string();
    let template = "document(#{ margins: 40, head: doc.text, first_head: doc.text, foot: [text([page_number(), \"/\", page_count()]), doc.text] },\n\
                    [\"one\", new_page(), \"two\"])";
    let pages = boxes(&made(template, &data));
    assert_eq!(pages.len(), 2);
    for (n, page) in pages.iter().enumerate() {
        for word in &words {
            assert_eq!(page.iter().filter(|(found, _)| found == word).count(), 2, "{word} in head and foot");
        }
        assert!(page.iter().any(|(word, _)| *word == format!("{}/2", n + 1)), "{page:?}");
        for (word, [_, top, _, bottom]) in page {
            assert!(*top > 5.0 && *bottom < 837.0, "{word}: {top} {bottom}");
        }
        let text = page.iter().find(|(word, _)| word == ["one", "two"][n]).unwrap();
        let upper =
            page.iter().filter(|(word, sides)| word.ends_with('f') && sides[3] < 420.0).map(|(_, sides)| sides[3]);
        assert!(upper.fold(0.0, f64::max) < text.1[3] - 4.0, "the text begins below the head");
    }
}

#[test]
fn a_table_in_a_frame_repeats_its_heads_over_its_own_columns() {
    if !readers() {
        return;
    }
    let template = "let rows = []; for n in 0..80 { rows.push([\"r\" + n, \"x\"]); }\n\
                    document(#{ margins: 60 }, frame(table([#{ head: \"HEAD\" }, #{ head: \"b\" }], rows, #{ inset: 3 }), #{ inset: #{ left: 70 } }))";
    let pages = boxes(&made(template, "{}"));
    assert!(pages.len() > 1);
    for page in &pages {
        let left = |start: &str| page.iter().find(|(word, _)| word.starts_with(start)).unwrap().1[0];
        assert!((left("HEAD") - left("r")).abs() < 2.0, "{} over {}", left("HEAD"), left("r"));
    }
}

#[test]
fn a_heading_moves_on_with_what_fits_on_a_page_only_without_it() {
    if !readers() {
        return;
    }
    let template = "let all = []; for n in 0..47 { all.push(text(\"line\", #{ size: 10, above: 0, below: 7.5 })); }\n\
                    document(#{ margins: 60 }, [\"intro\", heading(1, \"HEADING\", #{ size: 40 }), frame(all, #{ together: true })])";
    let pages = boxes(&made(template, "{}"));
    assert_eq!(pages.iter().flatten().filter(|(word, _)| word == "line").count(), 47);
    let first = |word: &str| pages[0].iter().filter(|(found, _)| found == word).count();
    assert!(first("HEADING") == 1 && first("line") > 1, "it stands alone: {:?}", pages[0]);

    // In a frame with lines around it, and as the first item of a list, whose number stays with it.
    for inside in [
        "frame(frame(all, #{ together: true }), #{ edges: line(1) })",
        "list(\"numbers\", [[frame(all, #{ together: true })]], #{})",
    ] {
        let template = template.replace("frame(all, #{ together: true })]", &format!("{inside}]"));
        let pages = boxes(&made(&template, "{}"));
        let first = |word: &str| pages[0].iter().filter(|(found, _)| found == word).count();
        assert!(first("HEADING") == 1 && first("line") > 1, "{inside}: {:?}", pages[0]);
        assert_eq!(pages.iter().flatten().filter(|(word, _)| word == "line").count(), 47, "{inside}");
        assert_eq!(
            pages.iter().flatten().filter(|(word, _)| word == "1.").count(),
            usize::from(inside.starts_with("list"))
        );
    }
}

#[test]
fn items_keep_their_numbers_wherever_they_begin() {
    if !readers() {
        return;
    }
    let template = "document(#{}, list(\"numbers\", [\"first\", [new_page(), \"second\"], \"third\"], #{}))";
    let text: String = text_of(&made(template, "{}")).split_whitespace().collect();
    assert!(text.contains("1.first") && text.contains("2.second3.third"), "{text}");
    let template = "let all = []; for n in 0..120 { all.push(\"word word\"); }\n\
                    document(#{}, table([#{}], [[list(\"numbers\", all, #{})]], #{}))";
    let words: Vec<_> = boxes(&made(template, "{}")).into_iter().flatten().filter(|(word, _)| word == "word").collect();
    assert_eq!(words.len(), 240);
    assert!(words.chunks(2).all(|pair| (pair[0].1[1] - pair[1].1[1]).abs() < 0.1), "an item of two words is one line");
}

#[test]
fn a_heading_in_a_cell_that_runs_over_does_not_stand_alone_either() {
    if !readers() {
        return;
    }
    for above in 30..70 {
        let template = format!(
            "let all = []; for n in 0..{above} {{ all.push(text(\"l\", #{{ above: 0, below: 4 }})); }}\n\
             all.push(heading(1, \"LAST\", #{{ above: 0, below: 4 }})); for n in 0..20 {{ all.push(\"body\"); }}\n\
             document(#{{ margins: 60 }}, table([#{{}}], [[all]], #{{}}))"
        );
        for page in boxes(&made(&template, "{}")) {
            assert_ne!(page.last().unwrap().0, "LAST", "after {above}");
        }
    }
}

#[test]
fn a_picture_keeps_its_caption_and_a_text_beside_it_has_no_hole() {
    if !readers() {
        return;
    }
    let svg =
        "<svg xmlns='http://www.w3.org/2000/svg' width='90' height='240'><path d='M0 0L90 240' stroke='black'/></svg>";
    let words: Vec<String> = (0..400).map(|n| format!("w{n}w")).collect();
    let data = serde_json::json!({ "text": words.join(" ") }).to_string();
    for body in [
        "picture(\"tall.svg\", \"a\", #{ caption: text(\"CAPTION\") })",
        "frame([\"CAPTION\", picture(\"tall.svg\", \"a\", #{})], #{ edges: line(1) })",
        "columns([\"fill\"], [[\"CAPTION\", picture(\"tall.svg\", \"a\", #{})]], #{})",
        "[\"CAPTION\", table([#{ width: 150 }, #{ width: 300 }], [[picture(\"tall.svg\", \"a\", #{}), doc.text]], #{})]",
    ] {
        let template = format!("document(#{{ margins: 60 }}, {body})");
        let job = Job { pictures: vec![("tall.svg".into(), svg.into())], ..job(&template, &data) };
        let pressed = pdf(&job).unwrap();
        assert!(pressed.warnings.is_empty(), "{body}: {:?}", pressed.warnings);
        let pages = boxes(&pressed);
        assert!(pages[0].iter().any(|(word, _)| word == "CAPTION"), "{body}");
        let mut lines: Vec<f64> =
            pages[0].iter().filter(|(word, _)| word.ends_with('w')).map(|(_, sides)| sides[1]).collect();
        lines.dedup();
        assert!(lines.windows(2).all(|pair| pair[1] - pair[0] < 25.0), "{body}: {lines:?}");
    }
}

#[test]
fn room_at_the_sides_gives_way_before_words_do() {
    if !readers() {
        return;
    }
    let columns = "let w = []; let c = []; for n in 0..12 { w.push(\"fill\"); c.push(\"c\" + n); }\n";
    for body in
        ["columns(w, c, #{ gap: 50 })", "frame(c, #{ inset: #{ left: 600, right: 20 } })", "frame(c, #{ inset: 300 })"]
    {
        let pressed = made(&format!("{columns}document(#{{ margins: 60 }}, {body})"), "{}");
        let pages = boxes(&pressed);
        for (word, [left, _, right, _]) in pages.iter().flatten() {
            assert!(*left > 59.0 && *right < 536.3, "{body}: {word} {left} {right}");
        }
        assert_eq!(pages.iter().flatten().count(), 12, "{body}");
    }
}

#[test]
fn every_heading_is_in_the_outline_wherever_it_stands() {
    if !readers() {
        return;
    }
    let template = "let one = heading(1, \"First\", #{}); let two = heading(2, \"Second\", #{});\n\
                    document(#{}, [frame([one, two, \"a\"], #{ together: true }),\n\
                    columns([\"fill\", \"fill\"], [heading(2, \"Third\", #{}), \"b\"], #{}),\n\
                    table([#{}], [[[heading(2, \"Fourth\", #{}), \"c\"]]], #{})])";
    let whole = asked("qpdf", &["--qdf", "--object-streams=disable"], &made(template, "{}").pdf, &["-"]);
    for words in ["First", "Second", "Third", "Fourth"] {
        // Once as the title of a heading for who hears it, once in the outline.
        assert_eq!(whole.matches(&format!("({words})")).count(), 2, "{words}");
    }
}

#[test]
fn a_very_long_text_is_whole_on_paper_and_as_it_is_copied() {
    if !readers() {
        return;
    }
    for (word, times, why) in [("äö ", 30_000, "words"), ("ab", 40_000, "one word without end")] {
        let data = serde_json::json!({ "text": format!("{}END", word.repeat(times)) }).to_string();
        let pressed = made("document(#{ size: 6, margins: 30 }, doc.text)", &data);
        let text: String = text_of(&pressed).split_whitespace().collect();
        assert_eq!(text.matches(word.trim()).count(), times, "{why}");
        assert!(text.ends_with("END"), "{why}");
    }
    // Where it is cut for the shaper nobody sees.
    let lines: String = (0..12_000).map(|n| format!("word{n:05}\n")).collect();
    let data = serde_json::json!({ "text": lines }).to_string();
    let pages = boxes(&made("document(#{ size: 6, margins: 30 }, doc.text)", &data));
    assert_eq!(pages.iter().flatten().count(), 12_000);
    for page in pages {
        let steps: Vec<f64> = page.windows(2).map(|pair| pair[1].1[1] - pair[0].1[1]).collect();
        assert!(steps.iter().all(|step| (step - steps[0]).abs() < 0.1), "a line is left out near {}", page[0].0);
    }
}

#[test]
fn marks_stand_over_their_letters_and_are_copied_once() {
    if !readers() {
        return;
    }
    for text in ["x\u{304} = 5", "X\u{304} W\u{30a}", "Я\u{304}"] {
        let data = serde_json::json!({ "text": text }).to_string();
        assert_eq!(text_of(&made("document(#{}, doc.text)", &data)).trim(), text);
    }
    let data = serde_json::json!({ "text": "X\u{304}" }).to_string();
    assert_eq!(groups_of_ink(&made("document(#{ size: 60 }, doc.text)", &data)), 2, "the line goes through the letter");
    // Parts may be larger than their text, and do not stand on what is above it.
    let template = "document(#{}, [\"over\", text([part(\"BIG\", #{ size: 60 }), \" on\"], #{ above: 4 })])";
    assert_eq!(groups_of_ink(&made(template, "{}")), 2, "large letters stand in the line above");
}

/// How many groups of rows with ink a page has, each with white above it.
fn groups_of_ink(pressed: &Pressed) -> usize {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("made.pdf");
    std::fs::write(&file, &pressed.pdf).unwrap();
    let image = Command::new("pdftoppm").args(["-gray", "-r", "72"]).arg(&file).output().unwrap().stdout;
    // "P5", width, height and the largest value, each on a line or behind a space; then a byte a pixel.
    let mut head = image.splitn(5, |byte| byte.is_ascii_whitespace());
    let mut next = || std::str::from_utf8(head.next().unwrap()).unwrap().to_owned();
    assert_eq!(next(), "P5");
    let (width, _, _): (usize, _, _) = (next().parse().unwrap(), next(), next());
    let inked: Vec<bool> = head.next().unwrap().chunks(width).map(|row| row.iter().any(|pixel| *pixel < 128)).collect();
    inked.windows(2).filter(|pair| !pair[0] && pair[1]).count()
}

#[test]
fn letters_that_cannot_stand_together_are_told_and_the_document_is_made() {
    if !readers() {
        return;
    }
    let marks = "\u{301}".repeat(300);
    for (text, words, why) in [
        ("\u{2500}\u{327}", "[U+0327]", "no face has both"),
        ("a\n\u{301}b", "[U+0301]b", "a mark over nothing"),
        (&format!("q{marks}"), "[U+0301][U+0301]", "marks without end"),
        ("\u{F0001}", "[U+F0001]", "a letter of nobody's"),
        ("\u{202E}abc", "[U+202E]abc", "what turns letters round"),
    ] {
        let data = serde_json::json!({ "text": text }).to_string();
        let pressed = made("document(#{ size: 6 }, doc.text)", &data);
        let found: String = text_of(&pressed).split_whitespace().collect();
        assert!(found.contains(words), "{why}: {found}");
        let told = pressed.warnings[0].to_string();
        assert!(told.contains("U+") && !told.contains('\u{202E}'), "{why}: {told}");
    }
    let data = serde_json::json!({ "text": "one\rtwo\r\nthree" }).to_string();
    let lines = text_of(&made("document(#{}, doc.text)", &data));
    assert_eq!(lines.trim().lines().map(str::trim).collect::<Vec<_>>(), ["one", "two", "three"]);
    // In a picture a mark that is no part of its letter stands there by its number too.
    let svg = "<svg xmlns='http://www.w3.org/2000/svg' width='300' height='20'><text x='1' y='15'>x\u{304} e\u{301} &#x5317;&#38;</text></svg>";
    let template = "document(#{}, picture(\"a.svg\", \"a\", #{}))";
    let pressed = pdf(&Job { pictures: vec![("a.svg".into(), svg.into())], ..job(template, "{}") }).unwrap();
    assert!(text_of(&pressed).contains("x[U+0304] é [U+5317]&"), "{}", text_of(&pressed));
}

#[test]
fn lines_of_equal_letters_stay_on_the_page_whatever_their_letters_are() {
    if !readers() {
        return;
    }
    let data = serde_json::json!({ "wide": "⚠✓".repeat(50), "long": "x".repeat(3_000) }).to_string();
    for (template, letters, count) in [
        ("lines(doc.wide, #{ shrink_up_to: 124 })", "⚠✓", 50),
        ("lines(doc.long, #{ shrink_up_to: 1000 })", "x", 3_000),
        ("columns([30, \"fill\"], [lines(doc.wide, #{}), \"b\"], #{})", "⚠✓", 50),
    ] {
        let pressed = made(&format!("document(#{{ margins: 60 }}, {template})"), &data);
        for (word, [left, _, right, _]) in boxes(&pressed).iter().flatten() {
            assert!(*left > 59.0 && *right < 537.0, "{template}: {word} {left} {right}");
        }
        let text: String = text_of(&pressed).split_whitespace().filter(|word| *word != "b").collect();
        assert_eq!(text.replace('b', "").matches(letters).count(), count, "{template}: {text}");
    }
}

#[test]
fn what_a_file_says_of_itself_is_xml_whatever_the_words_are() {
    if !readers() {
        return;
    }
    let job = Job { title: "a\u{1}<b>\u{FFFE}", ..job("document(#{ author: \"c\u{2}&d\" }, \"x\")", "{}") };
    let meta = asked("pdfinfo", &["-meta"], &pdf(&job).unwrap().pdf, &[]);
    assert!(meta.contains("a &lt;b&gt;") && meta.contains("c &amp;d"), "{meta}");
    assert!(!meta.chars().any(|c| (c.is_control() && c != '\n') || c == '\u{FFFE}'), "{meta:?}");
}

#[test]
fn a_template_may_begin_with_the_mark_of_its_editor() {
    let pressed = made("\u{feff}document(#{}, \"a\")", "{}");
    assert_eq!(pressed.pages, 1);
}

#[test]
fn a_closure_that_changes_the_array_it_is_called_on_is_answered() {
    let error = pdf(&job("let a = [1, 2];\nlet b = a.map(|x| { a += [x]; x });", "{}")).unwrap_err();
    assert!(error.to_string().contains("a closure uses what it is called on; hand it a copy"), "{error}");
}

#[test]
fn pictures_have_a_size_that_is_looked_at_before_they_are_read() {
    let with = |bytes: Vec<u8>| {
        let job = Job { pictures: vec![("p".to_owned(), bytes)], ..job("document(#{}, \"x\")", "{}") };
        pdf(&job).unwrap_err().to_string()
    };
    let mut bomb = b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR".to_vec();
    bomb.extend([0, 1, 0, 0, 0, 1, 0, 0, 8, 6, 0, 0, 0]);
    assert!(with(bomb).contains("it has 4294967296 pixels, and may have 16000000"));
    assert!(with(vec![b' '; 9_000_000]).contains("its file has 9000000 bytes, and may have 8388608"));
}
