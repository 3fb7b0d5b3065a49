//! The pages and the API over a hand-made picture, asked over real HTTP.

#![expect(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::indexing_slicing,
    reason = "helpers of tests fail as their tests do"
)]

mod halls;
mod helium;
mod hostile;
mod pages;
mod people;
mod preview;
mod pulse;
mod scene;
mod units;
