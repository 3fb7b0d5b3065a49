//! Helium accounted for: inventory, ledger, balance windows, and the statistics of the loss rate.
//!
//! ```text
//!  inventory  how much a vessel holds, and how errors of instruments reach it
//!  tally      vessels added up by cause of error
//!  ledger     what crossed the plant boundary
//!  window     opening + received - dispatched - closing
//!  losses     the book of losses: windows, rate, excess, kept up to date tick by tick
//!  leak       loss rate of a window, and of a loss that began at an unknown time
//!  detect     sequential test: has a loss begun?
//!  noise      what the series' own noise is, found from the series
//!  series     the series, and the design matrix that a rate is fitted with
//!  whiten     turns correlated noise into independent noise, sample by sample
//!  linear     small dense symmetric systems
//!  distribution   quantiles of the normal and of Student's distribution
//!  report     what all this reports
//! ```

pub mod detect;
pub mod distribution;
pub mod filter;
pub mod inventory;
pub mod leak;
pub mod ledger;
pub mod linear;
pub mod losses;
pub mod noise;
pub mod report;
pub mod series;
pub mod tally;
pub mod whiten;
pub mod window;
