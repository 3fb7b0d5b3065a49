//! The console: pages for operators and engineers, and the HTTP API with the same facts.
//!
//! Pages are rendered here and readable without a script; a script keeps them live and says so over
//! the whole screen when they no longer are. The console shows immutable pictures ([`crate::engine::View`]),
//! asks the past through [`Past`], and hands what people do to a desk that answers only when it is
//! on record. It reads nothing else and knows neither the store nor the devices.

mod act;
mod api;
mod curves;
mod drawings;
pub mod facts;
mod guard;
pub mod health;
mod http;
pub mod live;
pub mod login;
mod metrics;
pub mod office;
mod pages;
mod plot;
pub mod report;
mod shares;
mod sign_in;
pub mod words;

pub use health::{BoxHealth, DestinationHealth, DeviceHealth};
pub use http::{ConsoleError, serve, serve_with_patience};
pub use login::{Operators, OperatorsError, hash_password};
pub use office::{
    Clocks, DeskKind, DeskRequest, InventoryOf, JournalLine, LossPoint, MassPoint, Office, Past,
    PastError, Progress, Receipt, Refusal, TrendBucket, TrendSeries,
};
