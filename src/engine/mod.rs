//! Events in, outcomes out; pure and deterministic.

pub mod event;
pub mod outcome;
pub mod view;

pub use event::*;
pub use outcome::*;
pub use view::View;
