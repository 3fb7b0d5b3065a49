//! Reconciliation against outside solutions, by its properties, and by the rates it states.

#![expect(
    clippy::cast_precision_loss,
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::panic,
    reason = "tests: a failure is a message"
)]

mod dice;
mod least_squares;
mod plant;
mod properties;
mod rates;
mod reference;
