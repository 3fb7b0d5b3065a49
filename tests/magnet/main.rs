//! The magnet floor against outside values, by property, and by Monte Carlo.

#![expect(
    clippy::cast_precision_loss,
    clippy::expect_used,
    clippy::indexing_slicing,
    clippy::panic,
    clippy::print_stdout,
    clippy::let_underscore_must_use,
    clippy::unwrap_used,
    reason = "a test that cannot go on fails; figures are printed for the record"
)]

mod boil_off;
mod cool_down;
mod critical_surface;
mod engine;
mod joints;
mod leads;
mod properties;
mod random;
#[path = "../physics/reference.rs"]
mod reference;
