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
        template: Template { name: "yard.typ", text: template },
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
    let pressed = made("#json(\"data.json\").word #pagebreak() zwei", r#"{"word": "eins"}"#);
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
    let template = "#table(columns: 2, table.header[a][b], ..json(\"data.json\"))";
    let data = r#"["1", "2", "ä", "≥"]"#;
    assert_eq!(made(template, data).pdf, made(template, data).pdf);
    let later = Job { made_at: Timestamp::from_millis(MADE.as_millis() + 1_000), ..job(template, data) };
    assert_ne!(pdf(&later).unwrap().pdf, made(template, data).pdf);
    assert!(
        text_of(&made("#datetime.today().display()", "{}")).contains("2026-03-16"),
        "the template's day is the job's"
    );
}

#[test]
fn a_broken_template_is_answered_with_its_place_and_a_remedy() {
    for (template, line, column, words, why) in [
        ("= Ok\n\n#let x = (1,", 3, 10, "unclosed delimiter", "a bracket is forgotten"),
        ("one\n  #undefined-word", 2, 4, "unknown variable", "a word that is none"),
        ("#json(\"data.json\").nothing", 1, 20, "nothing", "a key that the data has not"),
        ("#let f(x) = x + [a] + 1\n#f(2)", 1, 13, "cannot add", "inside a function"),
        ("#read(\"/etc/passwd\")", 1, 7, "cannot open files", "a file of the machine"),
        ("#image(\"other.png\")", 1, 8, "sys.inputs.pictures", "a picture beside it"),
        ("#import \"@preview/cetz:0.3.4\": canvas", 1, 9, "cannot bring in packages", "a package from outside"),
        ("#import \"other.typ\"", 1, 9, "cannot open files", "another template"),
        ("#let f() = f()\n#f()", 1, 12, "depth", "a call that never ends"),
        ("a\n\n== Two levels at once\n", 3, 1, "heading", "no PDF/UA: the first heading is not of level 1"),
        (
            "#image(bytes(\"<svg xmlns='http://www.w3.org/2000/svg' width='1' height='1'/>\"))",
            1,
            2,
            "alt",
            "no PDF/UA: nobody can hear it",
        ),
    ] {
        let Err(PressError::Refused { faults }) = pdf(&job(template, r#"{"a": 1}"#)) else {
            panic!("{template}: it was set all the same; {why}")
        };
        let fault = faults.iter().find(|f| f.to_string().contains(words));
        let fault = fault.unwrap_or_else(|| panic!("{template}: {why}: {faults:#?}"));
        let place = fault.place.as_ref().unwrap_or_else(|| panic!("{template}: without a place: {fault:?}"));
        assert_eq!((place.file.as_str(), place.line, place.column), ("yard.typ", line, column), "{template}: {why}");
        assert_eq!(place.text, template.lines().nth(line - 1).unwrap(), "the line itself is shown");
        let told = PressError::Refused { faults: faults.clone() }.to_string();
        assert!(told.contains(&format!("yard.typ:{line}:{column}: ")), "{told}");
    }
}

#[test]
fn doubts_are_told_and_the_file_is_made() {
    let pressed = made("#set text(font: \"Comic Sans\")\nHello", "{}");
    let told = pressed.warnings.iter().map(ToString::to_string).collect::<String>();
    assert!(told.contains("yard.typ:1:17") && told.contains("comic sans"), "{told}");
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
        let pressed = made("#json(\"data.json\").text", &data);
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
    let template = "#json(\"data.json\").text\n\n#image(sys.inputs.pictures.at(\"a.svg\"), alt: \"a\")";
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
