//! Modbus polling: one task per device, one request in flight, reads only.
//!
//! [`poll_device`] owns a device: its [`schedule`], its connection ([`transport`]) and its counters
//! ([`health`]). It turns every due block into one [`Polled`], with the registers as they were on
//! the wire or the fault that kept them away, so the engine always hears of a block at its interval.
//!
//! The rules that keep a wrong value out:
//! - every request has a timeout, and the reply must fit it in transaction, unit, function and
//!   exact length;
//! - after any failure but a Modbus exception the connection is dropped, so that no late answer can
//!   be taken for the next one;
//! - only the two requests that read registers exist in this code (a test holds us to that).

pub mod health;
pub mod poller;
pub mod schedule;
pub mod transport;

pub use health::{DeviceHealth, HealthReport, NotPolled};
pub use poller::{Polled, poll_device};
