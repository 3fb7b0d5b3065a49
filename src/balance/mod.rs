//! Helium accounted for: the statistics of the loss rate.
//!
//! ```text
//!  leak     loss rate of a window, and of a loss that began at an unknown time
//!  detect   sequential test: has a loss begun?
//!  noise    what the series' own noise is, found from the series
//!  series   the series, and the design matrix that a rate is fitted with
//!  whiten   turns correlated noise into independent noise, sample by sample
//!  linear   small dense symmetric systems
//!  distribution   quantiles of the normal and of Student's distribution
//! ```

pub mod detect;
pub mod distribution;
pub mod leak;
pub mod linear;
pub mod noise;
pub mod series;
pub mod whiten;
