//! Text from outside, as it may be shown to a person: by a terminal, a log, a mail or a page.
//!
//! Must never let a character through that commands a terminal, ends a line early, or turns the order of what stands beside it.

use std::borrow::Cow;
use std::fmt::Write;

/// Whether a character is a command or a disguise instead of a letter: C0, DEL and C1, the marks of the order of writing, invisible marks, and the
/// line and paragraph separators (Unicode Standard, chapter 23.2). The two joiners, without which some names cannot be written, are letters.
pub fn steers(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{061C}' | '\u{180E}' | '\u{200B}' | '\u{200E}' | '\u{200F}' | '\u{2028}'..='\u{202E}'
            | '\u{2060}'..='\u{206F}' | '\u{FEFF}' | '\u{FFF9}'..='\u{FFFB}')
}

/// A text of lines as it may be shown: all that steers is escaped, but for line breaks and tabs. The form is that of JSON, so that a line of JSON
/// stays one and says the same.
pub fn shown(text: &str) -> Cow<'_, str> {
    escaped(text, |c| steers(c) && c != '\n' && c != '\t')
}

/// A text of one line as it may be shown: line breaks and tabs are escaped as well, so that a name cannot pass for a line of ours.
pub fn line(text: &str) -> Cow<'_, str> {
    escaped(text, steers)
}

fn escaped(text: &str, hidden: impl Fn(char) -> bool) -> Cow<'_, str> {
    if !text.chars().any(&hidden) {
        return Cow::Borrowed(text);
    }
    let mut out = String::with_capacity(text.len() + 16);
    for c in text.chars() {
        if hidden(c) {
            // None of them lies beyond U+FFFF, so four digits do.
            let _ = write!(out, "\\u{:04x}", u32::from(c));
        } else {
            out.push(c);
        }
    }
    Cow::Owned(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_commands_a_terminal_is_shown_and_does_nothing() {
        for (text, want, why) in [
            ("pile north-2", "pile north-2", "as it is"),
            ("\u{1b}[2Jgone", "\\u001b[2Jgone", "an escape code"),
            ("a\u{7f}b\u{9b}31m", "a\\u007fb\\u009b31m", "DEL, and the one-character form of ESC ["),
            ("a\rb", "a\\u000db", "a carriage return writes over the line"),
            ("a\n\tb", "a\n\tb", "lines stay lines"),
            ("file\u{202e}gpj.exe", "file\\u202egpj.exe", "turned round"),
            ("\u{feff}a\u{200b}b", "\\ufeffa\\u200bb", "invisible"),
            ("می\u{200c}خواهم", "می\u{200c}خواهم", "a joiner is spelling"),
            ("Zoë 堆肥", "Zoë 堆肥", "letters of any script"),
        ] {
            assert_eq!(shown(text), want, "{why}");
        }
        assert_eq!(line("a\nok    files"), "a\\u000aok    files");
    }

    #[test]
    fn every_character_of_unicode_is_shown_or_escaped() {
        for c in '\0'..=char::MAX {
            let text = c.to_string();
            let (lines, one) = (shown(&text), line(&text));
            assert!(!lines.chars().any(|c| steers(c) && !"\n\t".contains(c)), "U+{:04X}", u32::from(c));
            assert!(!one.chars().any(steers), "U+{:04X}", u32::from(c));
            assert!(one == text || one.len() == 6, "U+{:04X} is one escape", u32::from(c));
        }
    }
}
