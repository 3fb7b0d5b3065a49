//! The plant description: channels, vessels, sections, lines, devices, alarms; loading and checking.

pub mod model;
pub mod poll_plan;

pub use model::*;
pub use poll_plan::{BlockKey, PollBlock, poll_plan};
