//! Instruments against outside values, by property, and by Monte Carlo.

#![expect(
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::let_underscore_must_use,
    clippy::panic,
    clippy::print_stdout,
    clippy::unwrap_used,
    reason = "a test that cannot go on fails; figures are printed for the record"
)]

mod chains;
mod channels;
mod curves;
mod described;
mod flows;
mod meters;
mod montecarlo;
mod properties;
mod reference;
mod tanks;
mod vessels;
