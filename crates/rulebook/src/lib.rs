//! Compiles the site's rules (Rhai) and runs them over facts handed in.
//!
//! Must never let a script reach time, files, network or endless work.

pub mod answer;
mod bin_view;
mod blower_view;
pub mod book;
pub mod cases;
pub mod causes;
mod cooling;
mod definitions;
pub mod dose;
mod fact;
pub mod facts;
pub mod fault;
pub mod header;
mod header_text;
mod helpers;
mod judgement;
mod language;
pub mod limits;
mod meter;
mod opening;
mod results;
mod settings;
mod signals;
mod site_view;
mod water_view;
mod wording;

pub use book::{Rule, RuleText, Rulebook};
pub use definitions::definitions;
pub use fault::RuleFault;
pub use wording::temperature;
