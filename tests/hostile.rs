//! What a hostile, mistaken or broken world does to the real daemon: one row an input, with the bound that holds it and what happened.
//!
//! Each row starts the daemon that ships, as a process of its own, and may not depend on another row. Words after `--` choose rows:
//! `cargo test --release --test hostile -- clock` runs those whose line has the word.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]
#![allow(unreachable_pub, reason = "its modules are its own")]

#[path = "support/ear.rs"]
mod ear;
#[path = "support/log.rs"]
mod log;
#[path = "support/mosquitto.rs"]
mod mosquitto;
#[path = "support/smtp_sink.rs"]
mod smtp_sink;
#[path = "hostile/table.rs"]
mod table;
#[path = "support/yard.rs"]
mod yard;

#[path = "hostile/catching_up.rs"]
mod catching_up;
#[path = "hostile/clock.rs"]
mod clock;
#[path = "hostile/doors.rs"]
mod doors;
#[path = "hostile/files.rs"]
mod files;
#[path = "hostile/health.rs"]
mod health;
#[path = "hostile/stores.rs"]
mod stores;
#[path = "hostile/time.rs"]
mod time;
#[path = "hostile/work.rs"]
mod work;

fn main() -> std::process::ExitCode {
    table::run([
        ("time", table::beside_each_other(time::rows())),
        ("work", table::beside_each_other(work::rows())),
        ("files", files::rows()),
        ("stores", table::beside_each_other(stores::rows())),
        ("doors", doors::rows()),
        ("clock", table::beside_each_other(clock::rows())),
        ("catching up", catching_up::rows()),
        ("health", table::beside_each_other(health::rows())),
    ])
}
