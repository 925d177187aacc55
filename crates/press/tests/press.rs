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
        ("let n = 0;\nloop { n += 1; }", 2, 8, "steps", "a loop that never ends"),
        ("let t = \"tt\";\nloop { t += t; }", 2, 10, "Length of string", "a text that never ends"),
        ("let t = [1];\nloop { t += t; }", 2, 10, "Size of array", "a list that never ends"),
        ("let f = [];\nfor n in 0..99 { f = frame(f, #{}); }", 2, 22, "stand in each other", "frames without end"),
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
        let Err(PressError::Refused { faults }) = pdf(&job(template, r#"{"a": 1}"#)) else {
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
