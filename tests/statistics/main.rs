//! What Coldledger says against what is true, over many plants whose errors are drawn anew.
//!
//! The simulator's plant goes through the whole pure way, registers to outcomes, and its own truth
//! judges the result. With `COLDLEDGER_FULL=1` the statistics of losses run over 50 seeds, as the
//! project promises them; without it over a few, within bands that are as much wider.
#![expect(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    clippy::print_stdout,
    clippy::cast_precision_loss,
    reason = "a test may fail loudly and tell its figures; its helpers are not marked as tests"
)]

mod barometer;
mod happenings;
mod inventory;
mod isolation;
mod least_squares;
mod losses;
mod magnets;
mod replay;
mod score;
mod sections;
mod support;
