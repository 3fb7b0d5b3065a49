//! Inventory, ledger, balance windows and the loss estimate.

pub mod inventory;
pub mod ledger;
pub mod report;
pub mod tally;
pub mod window;
