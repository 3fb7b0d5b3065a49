//! The store against a plain in-memory model, against sudden death, and against damage.

mod crash;
mod damage;
mod model;
mod plant;
mod queries;
