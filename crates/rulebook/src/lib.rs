//! Compiles the site's rules (Rhai) and runs them over facts handed in.
//!
//! Must never let a script reach time, files, network or endless work.

pub mod answer;
pub mod facts;
pub mod header;
