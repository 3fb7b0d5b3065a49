//! The loss rate against outside solutions, and its stated uncertainty against many seeds.

#![expect(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::panic,
    clippy::print_stdout,
    reason = "tests: a failure is a message"
)]

mod areas;
mod blind;
mod book;
mod coverage;
mod detection;
mod hygiene;
#[expect(dead_code, reason = "the long form, in tests/bench, uses all of it")]
mod limits;
mod readings;
mod record;
mod reference;
mod streaming;
mod synthetic;
