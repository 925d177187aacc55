//! Words and pictures for people: alarm mails, the weekly summary, the outage mail, the test mail; and their way out by SMTP.
//!
//! Must never decide whether to send: the engine does, and hears of every outcome.

mod chart;
pub mod document;
mod figures;
mod folder_index;
mod letter;
mod postman;
mod render;
pub mod reports;
mod words;

pub use postman::{Patience, Postman, PostmanError};
pub use render::{Attachment, Documents, Made, RenderError, render, render_after_fault, render_summary};
