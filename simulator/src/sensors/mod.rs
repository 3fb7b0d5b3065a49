//! From the truth to registers: noise, shared errors, quantisation, faults.
//!
//! Each channel errs as its description states: independent noise anew with every sample, and
//! shared sources of error drawn once per seed (a calibration) or wandering with their stated time
//! (sun, lag), each with its stated standard uncertainty. So the stated uncertainties are true of
//! this plant, and what Coldledger makes of them can be judged. What the settings say is beside
//! that: lagging thermometers, sun.

mod links;
mod sensor;

pub use links::links;
pub use sensor::{Imperfections, Sensors};
