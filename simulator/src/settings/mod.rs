//! What drives a simulated plant: physical parameters per vessel, and what channels follow that the
//! description does not tie to a vessel.

mod bundled;
mod fallback;
mod plant;
mod raw;
pub(crate) mod text;

pub use bundled::bundled;
pub use plant::{ChannelRule, Follows, SimulatorSettings, VesselQuantity};
pub use text::{Problem, Problems};
