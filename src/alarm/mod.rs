//! Alarms and alerts: the states of IEC 62682, raised from channels and computed figures.
//!
//! [`source`] decides whether the cause of a rule is present, [`state`] what that makes of the
//! alarm, and [`book`] keeps all alarms of a plant. Nothing here reaches the plant.

pub mod book;
pub mod source;
pub mod state;

pub use book::{AlarmBook, Refusal};
pub use source::Facts;
pub use state::{AlarmState, AlarmTransition};
