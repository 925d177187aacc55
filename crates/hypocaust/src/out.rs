//! The way to the terminal and the log: everything that a command prints and the daemon logs passes here, escaped at the last moment.
//!
//! Must never be gone around: inside this crate `println!` and its like mean those below.

use std::io::{self, Write};

use tracing_subscriber::fmt::MakeWriter;

/// As `std::print!`, with what steers a terminal escaped.
macro_rules! print {
    ($($words:tt)*) => { ::std::print!("{}", ::site::plain::shown(&::std::format!($($words)*))) };
}

/// As `std::println!`, with what steers a terminal escaped.
macro_rules! println {
    () => { ::std::println!() };
    ($($words:tt)*) => { ::std::println!("{}", ::site::plain::shown(&::std::format!($($words)*))) };
}

/// As `std::eprintln!`, with what steers a terminal escaped.
macro_rules! eprintln {
    () => { ::std::eprintln!() };
    ($($words:tt)*) => { ::std::eprintln!("{}", ::site::plain::shown(&::std::format!($($words)*))) };
}

/// Standard output for a command that writes line by line.
pub(crate) fn stdout() -> Shown<io::StdoutLock<'static>> {
    Shown::new(io::stdout().lock())
}

/// Hands on what is written to it with what steers a terminal escaped, and what is no UTF-8 replaced.
#[derive(Debug)]
pub(crate) struct Shown<W: Write> {
    to: W,
    /// The beginning of a character whose end has not come.
    begun: Vec<u8>,
}

impl<W: Write> Shown<W> {
    pub(crate) fn new(to: W) -> Shown<W> {
        Shown { to, begun: Vec::new() }
    }
}

impl<W: Write> Write for Shown<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let mut text = std::mem::take(&mut self.begun);
        text.extend_from_slice(bytes);
        let whole = match std::str::from_utf8(&text) {
            Err(e) if e.error_len().is_none() => e.valid_up_to(),
            _ => text.len(),
        };
        self.begun = text.split_off(whole);
        self.to.write_all(site::plain::shown(&String::from_utf8_lossy(&text)).as_bytes())?;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        self.to.flush()
    }
}

/// Where the log goes: standard error, each event as one piece. What follows a line break inside of an event is indented, so that a text from
/// outside cannot pass for an event of its own.
#[derive(Clone, Copy, Debug)]
pub struct Log;

impl<'a> MakeWriter<'a> for Log {
    type Writer = Event<io::Stderr>;

    fn make_writer(&'a self) -> Event<io::Stderr> {
        Event(io::stderr())
    }
}

/// Writes one event of the log.
#[derive(Debug)]
pub struct Event<W: Write>(W);

impl<W: Write> Write for Event<W> {
    /// The log's formatter hands over an event whole.
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let text = String::from_utf8_lossy(bytes);
        let (event, end) = text.strip_suffix('\n').map_or((&*text, ""), |event| (event, "\n"));
        let shown = site::plain::shown(event).replace('\n', "\n    ");
        self.0.write_all(format!("{shown}{end}").as_bytes())?;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        self.0.flush()
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use proptest::prelude::*;
    use site::plain::steers;

    use super::*;

    fn is_harmless(text: &str) -> bool {
        !text.chars().any(|c| steers(c) && !"\n\t".contains(c))
    }

    proptest! {
        #[test]
        fn no_text_steers_a_terminal_or_forges_a_line_of_the_log(text in any::<String>(), pieces in 1usize..9) {
            let mut out = Shown::new(Vec::new());
            let piece = text.len() / pieces + 1;
            text.as_bytes().chunks(piece).for_each(|part| out.write_all(part).unwrap());
            let printed = String::from_utf8(out.to).unwrap();
            prop_assert!(is_harmless(&printed), "{printed:?}");
            prop_assert_eq!(&printed, &site::plain::shown(&text));

            let mut event = Event(Vec::new());
            event.write_all(format!("INFO {text}\n").as_bytes()).unwrap();
            let logged = String::from_utf8(event.0).unwrap();
            prop_assert!(is_harmless(&logged), "{logged:?}");
            prop_assert!(logged.strip_suffix('\n').unwrap().split('\n').skip(1).all(|line| line.starts_with("    ")), "{logged:?}");
        }

        #[test]
        fn bytes_that_are_no_text_are_harmless(bytes in any::<Vec<u8>>()) {
            let mut out = Shown::new(Vec::new());
            out.write_all(&bytes).unwrap();
            prop_assert!(is_harmless(&String::from_utf8(out.to).unwrap()));
        }
    }
}
