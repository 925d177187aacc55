//! Letters that no embedded font has: found before they are set, and written as their code points instead.
//!
//! Must never drop a letter in silence: a box in place of a name proves nothing, and a file with one is no PDF/A.

use std::collections::BTreeSet;

use icu_normalizer::ComposingNormalizerBorrowed;
use skrifa::{FontRef, MetadataProvider};

use crate::fault::{Fault, PressError};
use crate::text::{EQUAL_WIDTH, FONTS};

/// Letters named in one warning; more are only counted.
const NAMED_MAX: usize = 20;
/// Marks over or under one letter; the shaper counts the glyphs of a letter, and no name has more.
const MARKS_MAX: usize = 4;
/// No letter of the text face is wider, in sizes of the letters.
const WIDEST: f32 = 1.2;

/// What the fonts can set, and what was asked of them in vain.
#[derive(Debug)]
pub(crate) struct Letters {
    /// Of each face: a letter and its marks must come from one.
    faces: [BTreeSet<char>; 2],
    missing: BTreeSet<char>,
}

impl Letters {
    /// The letters of the fonts that are built in.
    pub(crate) fn known() -> Result<Letters, PressError> {
        let mut fonts = Vec::with_capacity(FONTS.len());
        for (name, bytes) in FONTS {
            let font = FontRef::new(bytes).map_err(|_| PressError::Font(name))?;
            let letters = font.charmap().mappings().filter_map(|(letter, _)| char::from_u32(letter));
            fonts.push(letters.collect::<BTreeSet<char>>());
        }
        let equal = fonts.pop().unwrap_or_default();
        // What is set plain may be set strong.
        let text = fonts.into_iter().reduce(|plain, strong| &plain & &strong).unwrap_or_default();
        Ok(Letters { faces: [text, equal], missing: BTreeSet::new() })
    }

    /// `text` made fit to be set. In a picture no mark stands over a letter by itself: only what is one letter with it.
    pub(crate) fn settle(&mut self, text: &str, in_picture: bool) -> String {
        let text = ComposingNormalizerBorrowed::new_nfc().normalize(text);
        let mut fit = String::with_capacity(text.len());
        // The letter that marks stand on, and how many stand on it.
        let mut base: Option<(char, usize)> = None;
        let mut letters = text.chars().peekable();
        while let Some(letter) = letters.next() {
            match letter {
                '\n' => {
                    fit.push(letter);
                    base = None;
                }
                // A line may end in both; the feed that follows says it.
                '\r' if letters.peek() == Some(&'\n') => {}
                '\r' => {
                    fit.push('\n');
                    base = None;
                }
                '\t' => fit.push(' '),
                // They join, split or colour their neighbours and have no picture of their own.
                '\u{AD}' | '\u{200B}'..='\u{200F}' | '\u{2060}' | '\u{FE00}'..='\u{FE0F}' | '\u{FEFF}' => {}
                '\u{300}'..='\u{36F}' => match base {
                    Some((on, marks)) if !in_picture && marks < MARKS_MAX && self.together(on, letter) => {
                        fit.push(letter);
                        base = Some((on, marks + 1));
                    }
                    _ => self.number(letter, &mut fit),
                },
                // A font may have them; they would turn round what stands beside them.
                '\u{61C}'
                | '\u{180E}'
                | '\u{2028}'..='\u{202E}'
                | '\u{2061}'..='\u{206F}'
                | '\u{FFF9}'..='\u{FFFB}' => {
                    self.number(letter, &mut fit);
                    base = None;
                }
                _ if self.faces.iter().any(|face| face.contains(&letter)) => {
                    fit.push(letter);
                    base = Some((letter, 0));
                }
                _ => {
                    self.number(letter, &mut fit);
                    base = None;
                }
            }
        }
        fit
    }

    fn together(&self, letter: char, mark: char) -> bool {
        self.faces.iter().any(|face| face.contains(&letter) && face.contains(&mark))
    }

    fn number(&mut self, letter: char, fit: &mut String) {
        self.missing.insert(letter);
        fit.push_str(&format!("[U+{:04X}]", u32::from(letter)));
    }

    /// How wide a letter becomes at the most where all are equally wide, in sizes of the letters.
    pub(crate) fn equal_width(&self, letter: char) -> f32 {
        match letter {
            '\u{300}'..='\u{36F}' => 0.0,
            _ if self.faces[1].contains(&letter) => EQUAL_WIDTH,
            _ => WIDEST,
        }
    }

    /// A line of letters that are equally wide in pieces no wider than `room`; each has a letter at least.
    pub(crate) fn broken(&self, line: &str, room: f32) -> Vec<String> {
        let mut pieces = vec![String::new()];
        let mut wide = 0.0;
        for letter in line.chars() {
            let width = self.equal_width(letter);
            let last = pieces.last_mut().expect("there is always one");
            if wide + width > room && width > 0.0 && !last.is_empty() {
                pieces.push(letter.to_string());
                wide = width;
            } else {
                last.push(letter);
                wide += width;
            }
        }
        pieces
    }

    /// What was asked for in vain, as one warning.
    pub(crate) fn warning(&self) -> Option<Fault> {
        if self.missing.is_empty() {
            return None;
        }
        let named = self.missing.iter().take(NAMED_MAX);
        let named: Vec<String> =
            named
                .map(|c| {
                    if steers(*c) {
                        format!("U+{:04X}", u32::from(*c))
                    } else {
                        format!("{c} (U+{:04X})", u32::from(*c))
                    }
                })
                .collect();
        let more = self.missing.len().saturating_sub(NAMED_MAX);
        let more = if more == 0 { String::new() } else { format!(" and {more} more") };
        Some(Fault {
            place: None,
            message: format!(
                "letters that the fonts of documents do not have stand there by their numbers: {}{more}",
                named.join(", ")
            ),
            remedies: vec!["write those names in Latin, Greek or Cyrillic letters".to_owned()],
        })
    }
}

/// Whether a letter steers a terminal, turns the text beside it round or stands on another: it is named by its number alone.
fn steers(letter: char) -> bool {
    letter.is_control()
        || matches!(letter, '\u{300}'..='\u{36F}' | '\u{61C}' | '\u{2028}'..='\u{202E}' | '\u{2061}'..='\u{206F}'
            | '\u{FFF9}'..='\u{FFFB}' | '\u{FFFE}' | '\u{FFFF}' | '\u{E000}'..='\u{F8FF}' | '\u{E0000}'..='\u{10FFFF}')
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn no_letter_turns_the_line_round_or_hides_in_it() {
        let mut letters = Letters::known().unwrap();
        for letter in '\0'..=char::MAX {
            let fit = letters.settle(&format!("a{letter}b"), false);
            let bad = |c: char| {
                c != '\n'
                    && (c.is_control()
                        || matches!(c, '\u{61C}' | '\u{180E}' | '\u{200B}'..='\u{200F}' | '\u{2028}'..='\u{202E}' | '\u{2060}'..='\u{206F}' | '\u{FEFF}'))
            };
            assert!(!fit.chars().any(bad), "U+{:04X}: {fit:?}", u32::from(letter));
        }
    }
}
