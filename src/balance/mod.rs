//! Helium accounted for: inventory, ledger, balance windows, and the statistics of the loss rate.
//!
//! ```text
//!  inventory  how much a vessel holds, and how errors of instruments reach it
//!  bath       liquid with vapour above it; layers: liquid that is colder at the bottom
//!  tally      vessels added up by cause of error
//!  meter      mass flow of a line, from its meter's channels
//!  ledger     what crossed the plant boundary
//!  area       which sections can be balanced by themselves
//!  account    what each section held and each meter passed
//!  books      which ledger entries concern an area
//!  chain      balances of an area end to end, for stretches longer than the accounts keep
//!  delivery   helium delivered, by the pressure change of a vessel
//!  window     opening + received - dispatched - closing
//!  losses     the book of losses of the plant and of each area, kept up to date tick by tick
//!  judgement  noise, test, rate and onset of one scope
//!  grid       one scope's series on the ten-minute grid
//!  explain    what could be behind a loss, and what would tell
//!  hole       what a hole lets out, by the pressure behind it
//!  suppose    everything that may be behind a loss, as the description allows it
//!  trace      the series that what could be behind a loss is held against
//!  advice     what would tell hypotheses apart
//!  isolation  what areas lost by themselves, held against every hypothesis
//!  unlike     instruments that should read alike
//!  forms      bends and jumps tried on a series
//!  leak       loss rate of a window, and of a loss that began at an unknown time
//!  detect     sequential test: has a loss begun?
//!  noise      what the series' own noise is, found from the series
//!  series     the series, and the design matrix that a rate is fitted with
//!  whiten     turns correlated noise into independent noise, sample by sample
//!  least_squares  a design seen through that filter, and solved
//!  reconcile  flows and inventory changes made to close their balances; gross errors named
//!  reconciled the meters and the areas of a plant, reconciled
//!  linear     small dense symmetric systems
//!  qr         rank, null space and least squares of small dense matrices
//!  distribution   quantiles of the normal, Student's and the chi-square distribution
//!  happening  what moved much helium at once, and the jumps that the series of losses must know
//!  report     what all this reports
//! ```

pub mod account;
mod advice;
pub mod area;
mod bath;
mod books;
pub mod chain;
pub mod delivery;
pub mod detect;
pub mod distribution;
mod explain;
pub mod filter;
mod forms;
mod grid;
pub mod happening;
mod hole;
pub mod inventory;
mod isolation;
mod judgement;
mod layers;
pub mod leak;
mod least_squares;
pub mod ledger;
pub mod linear;
pub mod losses;
pub mod meter;
pub mod noise;
pub mod qr;
pub mod reconcile;
pub mod reconciled;
pub mod report;
pub mod room;
pub mod series;
mod suppose;
pub mod tally;
mod trace;
pub mod unlike;
pub mod whiten;
pub mod window;
