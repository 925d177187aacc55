//! The subject line of an alarm's mails: the bin and the deed first, short enough for the list of a telephone.
//!
//! Must never be longer than [`limits::SUBJECT_CHARS`], whatever a rule, a name or a finding says.

use crate::alarm::Subject;
use crate::handling::{head, lower_first};
use crate::limits;

/// So much of the line names the place, at the most.
const PLACE_CHARS: usize = 24;

/// `bay-2: check the blower (no air) [hof]`; without a deed `bay-2: frost: air outdoors at -4 °C`.
///
/// The site's id stands at the end where there is room: every mail of a site carries it in its List-Id too.
pub(crate) fn line(site: &str, subject: &Subject, title: &str, deed: Option<&str>, finding: &str) -> String {
    let place = match subject {
        Subject::Site => site.to_owned(),
        Subject::Bin(bin) => bin.to_string(),
        Subject::Rule(rule) => format!("rule {rule}"),
        Subject::Person(name) => format!("mail to {name}"),
    };
    let place = cut(&place, PLACE_CHARS);
    let room = limits::SUBJECT_CHARS - place.chars().count() - ": ".len();
    let title = lower_first(title.trim());
    let said = match deed.map(str::trim).filter(|deed| !deed.is_empty()) {
        Some(deed) => {
            let both = format!("{deed} ({title})");
            if both.chars().count() <= room { both } else { cut(deed, room) }
        }
        None => cut(&format!("{title}: {}", finding.trim()), room),
    };
    let line = format!("{place}: {said}");
    let named = format!("{line} [{site}]");
    let names_it = *subject == Subject::Site || named.chars().count() > limits::SUBJECT_CHARS;
    if names_it { line } else { named }
}

/// At most so many characters, cut between words where that leaves any.
fn cut(text: &str, chars: usize) -> String {
    match text.chars().count() > chars {
        true => head(text, chars - 1),
        false => head(text, chars),
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;
    use site::ids::BinId;

    use super::*;

    fn bin(name: &str) -> Subject {
        Subject::Bin(BinId::new(name).expect("a name"))
    }

    #[test]
    fn the_bin_and_the_deed_come_first() {
        for (subject, title, deed, finding, want) in [
            (
                bin("bay-2"),
                "Temperature crash",
                Some("water 170 L today"),
                "core falls 7.4 °C a day",
                "bay-2: water 170 L today (temperature crash) [hof]",
            ),
            (
                bin("north-side-of-the-hall-2"),
                "Temperature crash",
                Some("squeeze a handful today"),
                "",
                "north-side-of-the-hall-2: squeeze a handful today [hof]",
            ),
            (Subject::Site, "Blower silent", Some("check blower b1"), "", "hof: check blower b1 (blower silent)"),
            (
                Subject::Rule("torn".into()),
                "Rule does not work",
                None,
                "rules/torn.rhai:1:15: an end is missing; close it",
                "rule torn: rule does not work: rules/torn.rhai:1:15…",
            ),
        ] {
            assert_eq!(line("hof", &subject, title, deed, finding), want);
        }
    }

    proptest! {
        #[test]
        fn no_subject_is_too_long(site in ".{0,80}", name in ".{0,80}", title in ".{0,80}", deed in proptest::option::of(".{0,60}"), finding in ".{0,200}") {
            for subject in [Subject::Site, Subject::Rule(name.clone()), Subject::Person(name.clone())] {
                let line = line(&site, &subject, &title, deed.as_deref(), &finding);
                prop_assert!(line.chars().count() <= limits::SUBJECT_CHARS, "{line}");
            }
        }
    }
}
