//! Who is meant by a name that somebody typed, and names that only look like another's.
//!
//! Must never let a name pass that a reader of the log would take for somebody else's. It knows the letters of Cyrillic and Greek that look like Latin
//! ones, full-width and other forms that Unicode holds for the same letter, 0 and 1 for o and l, invisible characters and spaces. It does not
//! know look-alikes of other scripts, letters that differ by an accent, nor `rn` for `m`.

use icu_normalizer::{ComposingNormalizerBorrowed, DecomposingNormalizerBorrowed};

use crate::model::Person;
use crate::plain;

/// Who is meant.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Who<'a> {
    /// Somebody of the settings, by name or address; capitals, spaces around it and the composing of letters do not matter.
    Known(&'a Person),
    /// Nobody of the settings, and it looks like this person.
    LooksLike(&'a Person),
    /// Somebody else.
    Other,
}

/// Who of these people is meant by what somebody typed.
pub fn who<'a>(people: &'a [Person], said: &str) -> Who<'a> {
    let called = |p: &'a Person| [p.name.as_str(), p.mail.as_str()];
    let wanted = folded(said);
    if let Some(person) = people.iter().find(|p| called(p).iter().any(|name| folded(name) == wanted)) {
        return Who::Known(person);
    }
    let wanted = look(said);
    let alike = people.iter().find(|p| called(p).iter().any(|name| look(name) == wanted));
    alike.map_or(Who::Other, Who::LooksLike)
}

/// The sentence that refuses a look-alike.
pub fn looks_like(person: &Person, said: &str) -> String {
    format!(
        "`{}` looks like {} and is spelled with other characters; type the name as the settings have it: {}",
        spelled(said),
        person.name,
        person.name
    )
}

/// A name as it is compared.
fn folded(name: &str) -> String {
    ComposingNormalizerBorrowed::new_nfc().normalize(name.trim()).to_lowercase()
}

/// What a reader sees of a name.
fn look(name: &str) -> String {
    let seen = DecomposingNormalizerBorrowed::new_nfkd().normalize(name);
    let shown =
        seen.chars().filter(|c| !hides(*c)).map(|c| LATIN.iter().find(|(from, _)| *from == c).map_or(c, |(_, to)| *to));
    shown.flat_map(char::to_lowercase).collect()
}

/// What a reader does not see: spaces, what steers, joiners, soft hyphens, fillers and variation selectors.
fn hides(c: char) -> bool {
    c.is_whitespace()
        || plain::steers(c)
        || matches!(c, '\u{00AD}' | '\u{034F}' | '\u{115F}' | '\u{1160}' | '\u{17B4}' | '\u{17B5}' | '\u{180B}'..='\u{180F}' | '\u{200C}' | '\u{200D}'
            | '\u{3164}' | '\u{FE00}'..='\u{FE0F}' | '\u{FFA0}' | '\u{E0000}'..='\u{E0FFF}')
}

/// A name with the characters by their numbers that a reader could take for others.
fn spelled(name: &str) -> String {
    name.chars()
        .map(|c| if c.is_ascii_graphic() || c == ' ' { c.to_string() } else { c.escape_unicode().to_string() })
        .collect()
}

/// Letters that look like Latin ones, of a font without serifs: Cyrillic, Greek, and Latin letters and digits that look like another.
const LATIN: &[(char, char)] = &[
    ('а', 'a'),
    ('А', 'A'),
    ('В', 'B'),
    ('с', 'c'),
    ('С', 'C'),
    ('ԁ', 'd'),
    ('е', 'e'),
    ('Е', 'E'),
    ('һ', 'h'),
    ('Н', 'H'),
    ('і', 'i'),
    ('І', 'l'),
    ('ј', 'j'),
    ('Ј', 'J'),
    ('К', 'K'),
    ('к', 'k'),
    ('М', 'M'),
    ('о', 'o'),
    ('О', 'O'),
    ('р', 'p'),
    ('Р', 'P'),
    ('ԛ', 'q'),
    ('ѕ', 's'),
    ('Ѕ', 'S'),
    ('Т', 'T'),
    ('ԝ', 'w'),
    ('х', 'x'),
    ('Х', 'X'),
    ('у', 'y'),
    ('У', 'Y'),
    ('ӏ', 'l'),
    ('Ӏ', 'l'),
    ('Α', 'A'),
    ('α', 'a'),
    ('Β', 'B'),
    ('Ε', 'E'),
    ('Ζ', 'Z'),
    ('Η', 'H'),
    ('Ι', 'l'),
    ('ι', 'i'),
    ('Κ', 'K'),
    ('κ', 'k'),
    ('Μ', 'M'),
    ('Ν', 'N'),
    ('ν', 'v'),
    ('Ο', 'O'),
    ('ο', 'o'),
    ('Ρ', 'P'),
    ('ρ', 'p'),
    ('Τ', 'T'),
    ('Υ', 'Y'),
    ('υ', 'u'),
    ('Χ', 'X'),
    ('χ', 'x'),
    ('ɑ', 'a'),
    ('ı', 'i'),
    ('ɡ', 'g'),
    ('I', 'l'),
    ('0', 'o'),
    ('1', 'l'),
    ('|', 'l'),
];

#[cfg(test)]
mod tests {
    use super::*;

    fn person(name: &str, mail: &str) -> Person {
        Person {
            name: name.to_owned(),
            mail: mail.to_owned(),
            owner: false,
            leaves_out: crate::model::LeavesOut::default(),
            calls: crate::model::Calls::None,
            unacknowledged: false,
            round_list: false,
            summary: false,
            reviewed: false,
            sections: None,
            token: None,
            bins: None,
            on_duty: Vec::new(),
        }
    }

    fn people() -> Vec<Person> {
        vec![person("Ann Lee", "ann@test.example"), person("Zoë", "zoe@test.example")]
    }

    #[test]
    fn a_name_is_known_looks_like_one_or_is_another() {
        let people = people();
        let (ann, zoe) = (&people[0], &people[1]);
        for (said, want, why) in [
            ("Ann Lee", Who::Known(ann), "as it is"),
            (" ann lee ", Who::Known(ann), "capitals and spaces around it"),
            ("ANN@test.example", Who::Known(ann), "the address"),
            ("Zoe\u{308}", Who::Known(zoe), "an e and two dots are an ë"),
            ("\u{0410}nn Lee", Who::LooksLike(ann), "a Cyrillic A"),
            ("Ann\u{200b} Lee", Who::LooksLike(ann), "an invisible space"),
            ("Ann\u{a0}Lee", Who::LooksLike(ann), "a space that does not break"),
            ("AnnLee", Who::LooksLike(ann), "no space"),
            ("Ann Lee\u{ad}", Who::LooksLike(ann), "a soft hyphen at the end"),
            ("\u{ff21}nn Lee", Who::LooksLike(ann), "a full-width A"),
            ("Ann \u{0399}ee", Who::LooksLike(ann), "a Greek iota for an L, which look alike without serifs"),
            ("Z\u{03bf}ë", Who::LooksLike(zoe), "a Greek omicron"),
            ("Zoe", Who::Other, "an accent is a difference that one sees"),
            ("Анна", Who::Other, "a name of another script is a name"),
            ("Bea", Who::Other, "somebody else"),
            ("", Who::Other, "nobody"),
        ] {
            assert_eq!(who(&people, said), want, "{why}");
        }
        let words = looks_like(ann, "\u{0410}nn\u{200b} Lee");
        assert!(words.contains("`\\u{410}nn\\u{200b} Lee` looks like Ann Lee"), "{words}");
    }
}
