//! Data reconciliation: flows and inventory changes adjusted, within their uncertainty, so that
//! every balance closes; and what does not fit named.
//!
//! **Model.** Measured variables `y = x + e`, with `e` normal, mean zero, covariance `S`; unmeasured
//! variables `u`; balances `A x + B u = b`, linear and exact. In a plant the rows are sections over
//! one window, the columns the helium that passed each line (kg) and the change of each section's
//! inventory (kg). Errors shared by several variables (one barometer, one calibration) are entered
//! as causes and make `S` full.
//!
//! **Estimate.** Weighted least squares, `min (y - x)' S^-1 (y - x)` under the balances. Unmeasured
//! variables are projected out first: with `P' B = 0` the balances among measured variables alone
//! are `M x = P' b`, `M = P' A`, and
//! ```text
//!  x_r = y - S M' (M S M')^-1 (M y - P' b)
//!  S_r = S - S M' (M S M')^-1 M S
//! ```
//! Nothing of this is formed as written: `S = F F'`, and a QR of `F' M'` gives the residuals in
//! units of their own scatter and `S_r` as a product with its own transpose, so that no variance
//! comes out negative and variables of very different sizes stand side by side. `S` itself may be
//! singular: a flow known exactly (a shut valve) has no uncertainty and is not moved.
//!
//! **Where it fails.** Non-linear balances; errors far from normal; helium that moves inside a
//! section faster than its inventory is read. A gross error that lies where no balance looks is not
//! seen at all: such a variable is classified as not redundant.
//!
//! **Source** VDI 2048 part 1 (reconciliation and its quality checks, from memory); Narasimhan and
//! Jordache 2000, Data Reconciliation and Gross Error Detection, chapters 3, 7 and 8 (from memory);
//! Crowe, Garcia Campos and Hrymak 1983, AIChE J. 29, 881 (projection of unmeasured variables).

mod gross;
mod network;
mod result;
mod solve;

pub use gross::{Alternative, Hypothesis, Search, Suspect};
pub use network::{BalanceIx, CauseIx, Network, NetworkError, VariableIx};
pub use result::{
    BalanceResult, Classification, Estimate, GlobalTest, LikelihoodRatio, ReconcileError,
    Reconciled, Settings, VariableResult,
};

#[cfg(test)]
mod tests;
