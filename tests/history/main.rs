//! The store against a plain in-memory model, against sudden death, and against damage.

#![expect(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "helpers of tests stop where something is wrong"
)]

mod crash;
mod damage;
mod model;
mod plant;
mod queries;
mod verify;
