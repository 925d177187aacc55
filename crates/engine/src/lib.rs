//! One input to effects: windows, conditioning, alarm life, batches, schedules.
//!
//! Must never carry out an effect, and never ask what time it is: `now` is an argument.

pub mod alarm;
pub mod believed;
mod builtin;
pub mod cases;
mod clock;
pub mod conditioning;
pub mod effect;
mod engine;
mod entries;
pub mod figures;
mod fire;
mod gather;
mod handling;
mod health;
pub mod input;
mod instruments;
mod judging;
pub mod life;
pub mod limits;
pub mod notice;
mod outbox;
mod pulled;
mod reaching;
mod reload;
pub mod replay;
pub mod reports;
pub mod restore;
pub mod results;
mod rounds;
mod series;
mod status;
mod subject;
mod telling;
mod unfit;
pub mod water;
mod weekly;
mod work;

pub use builtin::CHANGE_NOT_TAKEN_RULE as CHANGE_NOT_TAKEN;
pub use builtin::titles as own_alarms;
pub use engine::Engine;
pub use reaching::MailFares;
pub use status::{bin_topic, status_topic};
