//! Events in, outcomes out; pure and deterministic.
//!
//! The same events give the same outcomes, bit for bit for one build: maps are ordered, sums have
//! a fixed order, transcendental functions come from `libm`, and time comes only from the events.

mod actions;
mod balance;
pub mod channels;
pub mod clock;
pub mod core;
pub mod event;
mod facts;
mod happenings;
pub mod magnets;
mod masses;
pub mod outcome;
pub mod picture;
pub mod snapshot;
pub mod totals;
pub mod view;

pub use core::{ApplyError, ENGINE_VERSION, Engine};
pub use event::*;
pub use outcome::*;
pub use view::View;
