//! Two instruments on one quantity: do they agree within what they claim?
//!
//! The difference of the two is compared with its own standard uncertainty, in which what both share
//! cancels: two sensors on one barometer may both be wrong and still agree.
//!
//! **Source**: normalised error in the sense of ISO/IEC 17043, with the correlation of JCGM
//! 100:2008, 5.2.

use crate::quantity::{Measured, Quantity, add_shared};

/// How two values compare.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Agreement {
    /// First minus second, SI.
    pub difference: f64,
    /// Standard uncertainty of the difference, SI.
    pub std_uncertainty: f64,
    /// Whether the difference is beyond the coverage asked for.
    pub disagree: bool,
}

/// Compares two values of one quantity; `coverage` is the factor on the standard uncertainty, 3
/// for one false alarm in 370 comparisons. None when either is not usable.
#[must_use]
pub fn agreement<Q: Quantity>(
    first: &Measured<Q>,
    second: &Measured<Q>,
    coverage: f64,
) -> Option<Agreement> {
    if !(first.is_usable() && second.is_usable()) {
        return None;
    }
    let difference = first.value.si() - second.value.si();
    let mut shared = first.shared.clone();
    add_shared(&mut shared, &second.shared, -1.0);
    let common: f64 = shared.iter().map(|(_, part)| part * part).sum();
    let variance = first.independent_std * first.independent_std
        + second.independent_std * second.independent_std
        + common;
    let std_uncertainty = libm::sqrt(variance);
    Some(Agreement {
        difference,
        std_uncertainty,
        disagree: difference.abs() > coverage * std_uncertainty,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::quantity::{GroupIx, Reason, SharedParts, Si};

    fn reading(value: f64, own: f64, shared: f64) -> Measured<Si> {
        let parts = SharedParts::from_iter([(GroupIx(2), shared)]);
        Measured::good(Si(value), own, parts)
    }

    #[test]
    fn what_both_share_does_not_excuse_a_difference() {
        let (a, b) = (reading(4.50, 0.003, 0.1), reading(4.53, 0.004, 0.1));
        let compared = agreement(&a, &b, 3.0).unwrap();
        assert!((compared.std_uncertainty - 0.005).abs() < 1e-12);
        assert!(compared.disagree);
        let apart = agreement(&a, &reading(4.53, 0.004, -0.1), 3.0).unwrap();
        assert!((apart.std_uncertainty - libm::sqrt(0.04 + 25e-6)).abs() < 1e-12);
        assert!(!apart.disagree);
    }

    #[test]
    fn a_bad_value_is_not_compared() {
        let a = reading(4.5, 0.01, 0.0);
        assert_eq!(agreement(&a, &Measured::bad(Reason::LoopLow), 3.0), None);
    }
}
