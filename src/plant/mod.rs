//! The plant description: channels, vessels, sections, lines, devices, alarms; loading and checking.

pub mod files;
pub mod load;
pub mod loss_unit;
pub mod magnets;
pub mod model;
pub mod poll_plan;
pub mod problem;
mod raw;

pub use files::SourceFile;
pub use load::{Examined, examine, load};
pub use loss_unit::{LossUnit, LossUnitError, Price};
pub use magnets::*;
pub use model::*;
pub use poll_plan::{BlockKey, PollBlock, channels_within, poll_plan};
pub use problem::{Problem, Problems, Severity};
