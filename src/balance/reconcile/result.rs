//! What a reconciliation says: every variable and balance, and the tests.

use super::gross::Signature;
use super::network::{BalanceIx, VariableIx};
use crate::balance::distribution::{chi_square_limit, chi_square_survival};
use crate::balance::least_squares::count;
use crate::balance::linear::dot;

/// What the tests go by.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Settings {
    /// Probability that a test speaks though nothing is wrong. **Range** 0 to 1, both excluded.
    pub level: f64,
}

impl Default for Settings {
    /// 5 %, as VDI 2048 has it.
    fn default() -> Self {
        Self { level: 0.05 }
    }
}

/// Why there is no reconciliation.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ReconcileError {
    /// No balance, or no measured variable.
    #[error("nothing to reconcile: it takes a balance and a measured variable at least")]
    Empty,
    /// A level that is no probability.
    #[error("a level of {0} is no probability; write for example 0.05")]
    Level(f64),
    /// A balance that follows from others.
    #[error("the balances {} follow from one another; leave one of them out", .0.join(", "))]
    Dependent(Vec<String>),
    /// A balance that nothing uncertain takes part in.
    #[error(
        "nothing in the balances {} can be adjusted: give one of their variables an uncertainty, or leave one balance out",
        .0.join(", ")
    )]
    Exact(Vec<String>),
    /// Covariances that no errors can have.
    #[error(
        "the covariances contradict the standard uncertainties: a correlation beyond 1, or three that cannot go together"
    )]
    Covariance,
    /// Numbers too far apart for the arithmetic.
    #[error("the arithmetic gave no number; bring the variables to units nearer one another")]
    NotANumber,
}

/// What the balances can do for a variable.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Classification {
    /// Measured, and checked by the balances.
    Redundant,
    /// Measured, and seen by no balance: a gross error in it stays unseen.
    NotRedundant,
    /// Unmeasured, and determined by the balances.
    Observable,
    /// Unmeasured, and not determined.
    Unobservable,
}

/// A value with its standard uncertainty (k = 1), in the variable's unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// Value.
    pub value: f64,
    /// Standard uncertainty.
    pub std: f64,
}

/// One gross error alone, its size by least squares, and how much it explains.
///
/// Under no gross error the statistic is a standard normal variate. It has the greatest power of
/// all tests for an error of this one kind.
///
/// **Source** Narasimhan and Mah 1987, AIChE J. 33, 1514 (generalised likelihood ratio; its T is
/// the square of the statistic here); for a meter equal to the maximum power test of Mah and Tamhane
/// 1982 (Crowe 1989, from memory).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LikelihoodRatio {
    /// Size and its standard uncertainty: what a meter reads too much, what a section loses.
    pub size: Estimate,
    /// Size in its own standard uncertainties.
    pub statistic: f64,
}

/// A variable after reconciliation.
#[derive(Debug, Clone, PartialEq)]
pub struct VariableResult {
    /// Name.
    pub name: String,
    /// As measured, with all causes of error; none when unmeasured.
    pub measured: Option<Estimate>,
    /// As reconciled; none when the balances do not determine it.
    pub reconciled: Option<Estimate>,
    /// What the balances can do for it.
    pub classification: Classification,
    /// Reconciled less measured; zero when unmeasured.
    pub correction: f64,
    /// Correction in its own standard deviations, the measurement test; none where no correction
    /// is possible.
    ///
    /// **Source** Mah and Tamhane 1982, AIChE J. 28, 828; VDI 2048.
    pub test: Option<f64>,
    /// What it would read too much if it alone were wrong; none where no balance sees it.
    pub bias: Option<LikelihoodRatio>,
}

/// A balance after reconciliation.
#[derive(Debug, Clone, PartialEq)]
pub struct BalanceResult {
    /// Name.
    pub name: String,
    /// What the measured values leave over (for a section: in less out less growth), with its
    /// standard uncertainty; none when an unmeasured variable takes part.
    pub residual: Option<Estimate>,
    /// Residual in its own standard uncertainties, the nodal test.
    ///
    /// **Source** Reilly and Carpani 1963; Mah, Stanley and Downing 1976 (from memory).
    pub test: Option<f64>,
    /// What is missing in it if it alone does not close: for a section what it loses; none where
    /// unmeasured variables hide it.
    pub leak: Option<LikelihoodRatio>,
    /// What the reconciled values leave over, for the record: rounding. None when one of its
    /// variables is not determined.
    pub closure: Option<f64>,
}

/// Do the measured values fit the balances within their uncertainty?
///
/// **Source** Reilly and Carpani 1963 (from memory); VDI 2048.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GlobalTest {
    /// Weighted sum of squares of the corrections.
    pub statistic: f64,
    /// Number of balances among measured variables.
    pub degrees_of_freedom: usize,
    /// What the statistic exceeds at the level's rate when nothing is wrong.
    pub limit: f64,
    /// Probability of such a statistic or a greater one when nothing is wrong.
    pub p_value: f64,
}

impl GlobalTest {
    pub(super) fn new(statistic: f64, degrees_of_freedom: usize, level: f64) -> Option<Self> {
        if degrees_of_freedom == 0 {
            return None;
        }
        let v = count(degrees_of_freedom);
        Some(Self {
            statistic,
            degrees_of_freedom,
            limit: chi_square_limit(level, v),
            p_value: chi_square_survival(statistic, v),
        })
    }

    /// Whether the values fit.
    #[must_use]
    pub fn accepted(&self) -> bool {
        self.statistic <= self.limit
    }
}

/// A reconciled network.
#[derive(Debug, Clone)]
pub struct Reconciled {
    /// Every variable, in the order of the network.
    pub variables: Vec<VariableResult>,
    /// Every balance, in the order of the network.
    pub balances: Vec<BalanceResult>,
    /// The test of all together; none when nothing is redundant.
    pub global: Option<GlobalTest>,
    /// What a measurement test or a leak's statistic may reach before it speaks: of as many tests
    /// as the network has different gross errors, one exceeds it at the level's rate or less.
    ///
    /// **Source** Sidak 1967, as used by Mah and Tamhane 1982.
    pub individual_limit: f64,
    /// Level of every test.
    pub level: f64,
    /// Rows of a factor of the reconciled covariance; none where not determined.
    pub(super) factors: Vec<Option<Vec<f64>>>,
    /// Residuals of the balances among measured variables, independent, of unit variance.
    pub(super) whitened: Vec<f64>,
    /// What each single gross error does to them.
    pub(super) signatures: Vec<Signature>,
}

impl Reconciled {
    /// Result for a variable.
    #[must_use]
    pub fn variable(&self, variable: VariableIx) -> Option<&VariableResult> {
        self.variables.get(variable.0)
    }

    /// Result for a balance.
    #[must_use]
    pub fn balance(&self, balance: BalanceIx) -> Option<&BalanceResult> {
        self.balances.get(balance.0)
    }

    /// Covariance of two reconciled variables; none when one of them is not determined.
    #[must_use]
    pub fn covariance(&self, a: VariableIx, b: VariableIx) -> Option<f64> {
        let a = self.factors.get(a.0)?.as_ref()?;
        Some(dot(a, self.factors.get(b.0)?.as_ref()?))
    }
}
