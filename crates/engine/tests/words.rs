//! The words of the rules that ship and of the daemon's own alarms: one name for one thing, and a deed for every mail.
//!
//! Must never compare with anything but the rules that ship.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod yard;

use std::collections::BTreeMap;

use rulebook::Rulebook;
use rulebook::header::Priority;

fn book() -> Rulebook {
    let (book, broken) = Rulebook::compile(&yard::shipped(), &Default::default(), site::model::Display::Metric);
    assert!(broken.is_empty(), "{broken:?}");
    book
}

#[test]
fn no_two_alarms_have_one_title() {
    let book = book();
    let named = |rule: &str, title: &str| (rule.to_owned(), title.to_owned());
    let rules = book.rules().iter().map(|rule| named(&rule.name, &rule.header.title));
    let mut seen: BTreeMap<String, String> = BTreeMap::new();
    for (rule, title) in rules.chain(engine::own_alarms().map(|(rule, title)| named(rule, title))) {
        let before = seen.insert(title.to_lowercase(), rule.clone());
        assert_eq!(before, None, "{rule} is called `{title}` too");
    }
}

#[test]
fn every_rule_that_mails_about_work_names_the_deed() {
    for rule in book().rules() {
        let mails = rule.priority > Priority::SummaryOnly && rule.header.handling.acknowledge;
        assert_eq!(rule.header.deed.is_some(), mails, "{}: {:?}", rule.name, rule.header.deed);
    }
}

#[test]
fn what_people_read_uses_the_words_of_the_style_sheet() {
    for rule in book().rules() {
        let header = &rule.header;
        let texts = [&header.title, &header.cause, &header.consequence, &header.caution];
        let abouts = header.settings.values().map(|setting| &setting.about);
        for text in texts.into_iter().chain(&header.response).chain(&header.deed).chain(abouts) {
            let low = format!(" {} ", text.to_lowercase());
            for word in [
                " tells of ",
                " is told",
                " told of",
                " stands ",
                " beside ",
                " urgency",
                " pauses",
                " way out ",
                " pulse",
                " whoever ",
                " put down to ",
                " so many ",
                "from memory",
                "no source",
                "extension text",
                " account ",
            ] {
                assert!(!low.contains(word), "{}: `{}` in: {text}", rule.name, word.trim());
            }
        }
    }
}
