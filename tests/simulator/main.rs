//! The simulated plant against its own promises: helium conserved, seeds repeat, registers decode
//! to the truth within the stated uncertainty, events move what they say.
#![expect(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "a test may fail loudly; its helpers are not marked as tests"
)]

mod conservation;
mod floors;
mod registers;
mod scenarios;
mod server;
mod support;
mod tarn_hollow;
mod truth;
