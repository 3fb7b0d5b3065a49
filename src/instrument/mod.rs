//! Instruments: from raw registers to physical quantities with uncertainty.
//!
//! A channel's way is one [`chain::Chain`]: [`decode`] the registers, scale the number into the SI
//! signal (A of a loop, ohm of a sensor, or the quantity itself), then a [`current_loop`] and/or a
//! calibration [`curve`], then the range check and the [`uncertainty`]. What needs more than one
//! channel, or the shape of a vessel, stands in [`level`], [`flow`],
//! [`oxygen`] and [`vacuum`].
//!
//! Nothing here knows the plant description, the clock or the network. A NaN or an infinity stops
//! here: what leaves is a finite value, or a value of quality bad with its reason.

pub mod agreement;
pub mod chain;
pub mod current_loop;
pub mod curve;
pub mod decode;
pub mod excitation;
pub mod flow;
pub mod level;
pub mod oxygen;
pub mod uncertainty;
pub mod vacuum;

pub use chain::{Chain, Transform};
pub use current_loop::CurrentLoop;
pub use curve::{Curve, CurveSpec};
pub use decode::{Format, WordOrder};
pub use uncertainty::{ChannelUncertainty, SharedKind, SharedTerm};
