//! Lines of a file, each up to a length.
//!
//! Must never hold more of a line than the limit says.

use std::io::{self, BufRead, Read};

use crate::{Fault, LINE};

/// See [`lines`].
pub struct Lines<R> {
    from: R,
    number: u64,
    ended: bool,
}

/// Reads line by line, as [`BufRead::lines`] does; a line longer than [`LINE`] is an error and the end.
pub fn lines<R: BufRead>(from: R) -> Lines<R> {
    Lines { from, number: 0, ended: false }
}

impl<R: BufRead> Iterator for Lines<R> {
    type Item = io::Result<String>;

    fn next(&mut self) -> Option<io::Result<String>> {
        if self.ended {
            return None;
        }
        let mut line = Vec::new();
        self.number += 1;
        match self.from.by_ref().take(LINE as u64 + 1).read_until(b'\n', &mut line) {
            Ok(0) => return None,
            Ok(_) => {}
            Err(e) => return Some(Err(e)),
        }
        if line.last() == Some(&b'\n') {
            line.pop();
            if line.last() == Some(&b'\r') {
                line.pop();
            }
        }
        if line.len() > LINE {
            // The rest would pass for the next line.
            self.ended = true;
            return Some(Err(Fault::LongLine { line: self.number, longest: LINE }.into()));
        }
        Some(String::from_utf8(line).map_err(|_| io::Error::new(io::ErrorKind::InvalidData, "it is not UTF-8 text")))
    }
}
