//! The command line and the wiring: joins the crates, and holds no logic that one of them could test.
//!
//! Must never decide anything about compost.

// First, because it says what `println!` means in all that follows.
#[macro_use]
pub mod out;

pub mod amounts;
pub mod by_mqtt;
pub mod calc;
mod case_chart;
pub mod cli;
pub mod clock;
pub mod commands;
pub mod copying;
pub mod criteria;
pub mod daemon;
pub mod demo;
mod descriptors;
pub mod driven;
pub mod glance;
mod health;
pub mod init;
pub mod judging;
pub mod listing;
pub mod manual;
mod metrics;
pub mod mixing;
pub mod record;
pub mod record_key;
pub mod recording;
pub mod replay;
pub mod report;
pub mod rule_watch;
pub mod rules;
pub mod secrets;
pub mod settings_schema;
pub mod site_log;
pub mod socket;
pub mod store;
pub mod verify;
pub mod why;
pub mod wiring;
mod zipped;
