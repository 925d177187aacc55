//! The record that others can check: canonical rows in a hash chain, Merkle trees, signed checkpoints, proofs, bundles.
//!
//! Must never hold a database, a file or a clock, and never call a thing checked that was not computed again.

pub mod bundle;
pub mod canonical;
mod limits;
pub mod merkle;
pub mod note;
pub mod proof;
pub mod readings;
pub mod row;

/// A value of JSON, as bodies of rows are.
pub use serde_json::Value;
