//! The simulated plant against its own promises: helium conserved, seeds repeat, registers decode
//! to the truth within the stated uncertainty, events move what they say.

mod conservation;
mod registers;
mod scenarios;
mod support;
mod tarn_hollow;
