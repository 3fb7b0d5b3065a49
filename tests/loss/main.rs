//! The loss rate against outside solutions, and its stated uncertainty against many seeds.

#![expect(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::print_stdout,
    reason = "tests: a failure is a message"
)]

mod coverage;
mod detection;
mod readings;
mod record;
mod reference;
mod synthetic;
