//! The log of a daemon that runs inside the test.
//!
//! Must never be installed twice in one program: the log is the whole program's.

#![allow(dead_code, missing_docs, unreachable_pub, clippy::unwrap_used)]

use std::io::Write;
use std::sync::{Arc, Mutex};

use tracing_subscriber::fmt::MakeWriter;

/// Where the log goes, to be read by the test.
#[derive(Clone, Default)]
pub struct Log(Arc<Mutex<Vec<u8>>>);

impl Log {
    /// Takes the log of this program from now on.
    pub fn install() -> Log {
        let log = Log::default();
        tracing_subscriber::fmt().with_ansi(false).with_writer(log.clone()).init();
        log
    }

    pub fn text(&self) -> String {
        String::from_utf8_lossy(&self.0.lock().unwrap()).into_owned()
    }

    pub fn clear(&self) {
        self.0.lock().unwrap().clear();
    }
}

impl Write for Log {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.0.lock().unwrap().extend_from_slice(bytes);
        Ok(bytes.len())
    }
    fn flush(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

impl<'a> MakeWriter<'a> for Log {
    type Writer = Log;
    fn make_writer(&'a self) -> Log {
        self.clone()
    }
}
