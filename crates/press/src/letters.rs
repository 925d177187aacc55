//! Letters that no embedded font has: found before they are set, and written as their code points instead.
//!
//! Must never drop a letter in silence: a box in place of a name proves nothing, and a file with one is no PDF/A.

use std::collections::BTreeSet;

use skrifa::{FontRef, MetadataProvider};

use crate::fault::{Fault, PressError};
use crate::text::FONTS;

/// Letters named in one warning; more are only counted.
const NAMED_MAX: usize = 20;

/// What the fonts can set, and what was asked of them in vain.
#[derive(Debug)]
pub(crate) struct Letters {
    known: BTreeSet<char>,
    missing: BTreeSet<char>,
}

impl Letters {
    /// The letters of the fonts that are built in.
    pub(crate) fn known() -> Result<Letters, PressError> {
        let mut known = BTreeSet::new();
        for (name, bytes) in FONTS {
            let font = FontRef::new(bytes).map_err(|_| PressError::Font(name))?;
            known.extend(font.charmap().mappings().filter_map(|(letter, _)| char::from_u32(letter)));
        }
        Ok(Letters { known, missing: BTreeSet::new() })
    }

    /// `text` made fit to be set.
    pub(crate) fn settle(&mut self, text: &str) -> String {
        let mut fit = String::with_capacity(text.len());
        for letter in text.chars() {
            match letter {
                '\n' => fit.push(letter),
                // A line may end in both; the feed that follows says it.
                '\r' => {}
                '\t' => fit.push(' '),
                _ if self.known.contains(&letter) => fit.push(letter),
                // They join, split or colour their neighbours and have no picture of their own.
                '\u{AD}' | '\u{200B}'..='\u{200F}' | '\u{2060}' | '\u{FE00}'..='\u{FE0F}' | '\u{FEFF}' => {}
                _ => {
                    self.missing.insert(letter);
                    fit.push_str(&format!("[U+{:04X}]", u32::from(letter)));
                }
            }
        }
        fit
    }

    /// What was asked for in vain, as one warning.
    pub(crate) fn warning(&self) -> Option<Fault> {
        if self.missing.is_empty() {
            return None;
        }
        let named = self.missing.iter().take(NAMED_MAX);
        // Letters that steer a terminal are named by number alone.
        let named: Vec<String> = named
            .map(|c| {
                if c.is_control() {
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
