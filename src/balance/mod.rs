//! Inventory, ledger, balance windows and the loss estimate.

pub mod ledger;
pub mod report;
