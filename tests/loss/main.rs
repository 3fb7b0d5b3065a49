//! The loss rate against outside solutions, and its stated uncertainty against many seeds.

mod coverage;
mod reference;
mod synthetic;
